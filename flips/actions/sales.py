"""Selling a piece or a set, giving money back, and what a channel keeps."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from fractions import Fraction
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from estimating.money import split
from estimating.pricing.fees import DELIVERY, PRICE, TAX, TAX_ADDED, TAX_INSIDE, TAX_ON_MARGIN, Terms
from estimating.pricing.fees import FeeRule as Fee
from flips.actions.payments import let_go_of_payments, set_against, settle
from flips.actions.pieces import set_stage
from flips.actions.undo import CannotUndo, undoable
from flips.models import (
    Channel,
    FeeRule,
    Person,
    Piece,
    PurchaseShare,
    Return,
    Sale,
    SaleShare,
    Stage,
    TaxCollector,
    TaxScheme,
)
from flips.models.taxes import scheme_on


def fee_of(channel: Channel | None, day: date) -> Fee | None:
    """What ``channel`` keeps of a sale on ``day``: its latest rule begun by then; None without one."""
    if channel is None:
        return None
    rule = channel.fee_rules.live().filter(from_on__lte=day).order_by("-from_on", "-pk").first()
    return fee_from(rule) if rule else None


def fee_from(rule: FeeRule) -> Fee:
    """A rule's row as the engine takes it."""
    parts = {PRICE: rule.of_price, DELIVERY: rule.of_delivery, TAX: rule.of_tax}
    return Fee(
        name=rule.channel.name,
        percent=Fraction(rule.percent_hundredths, 100),
        of=frozenset(part for part, taken in parts.items() if taken),
        fixed=rule.fixed_cents,
        minimum=rule.minimum_cents,
    )


def bought_for(pieces: Iterable[int]) -> dict[int, int]:
    """What the seller got for each piece by its id: price, premium and tax; what a tax on the margin starts from."""
    rows = PurchaseShare.objects.live().filter(piece_id__in=list(pieces), purchase__voided_at__isnull=True)
    return {row.piece_id: row.price_cents + row.premium_cents + row.tax_cents for row in rows}


def tax_terms(scheme: TaxScheme | None, *, paid_for_it: int = 0) -> dict[str, Any]:
    """A scheme as ``Terms`` takes it; nothing without one."""
    if scheme is None:
        return {}
    return {
        "tax_how": scheme.how,
        "tax_percent": scheme.rate,
        "tax_on_delivery": scheme.on_delivery,
        "bought_for": paid_for_it,
    }


def _tax_by_scheme(sale: Sale, prices: Mapping[int, int]) -> list[int] | None:
    """Writes the tax of the scheme of the day into a sale; what each piece takes of it where each is taxed by itself."""
    scheme = scheme_on(timezone.localdate(sale.sold_at))
    sale.tax_cents = 0
    if scheme is None or sale.tax_collector != TaxCollector.SHOP:
        sale.tax_inside = sale.tax_on_delivery = False
        return None
    sale.tax_inside, sale.tax_on_delivery = scheme.how in (TAX_INSIDE, TAX_ON_MARGIN), scheme.on_delivery
    if scheme.how != TAX_ON_MARGIN:
        terms = Terms(delivery_charged=sale.delivery_charged_cents, **tax_terms(scheme))
        tax_of = terms.tax_added if scheme.how == TAX_ADDED else terms.tax_inside
        sale.tax_cents = tax_of(sale.price_cents)
        return None
    paid = bought_for(prices)
    weights = list(prices.values())
    delivery = split(sale.delivery_charged_cents, weights if any(weights) else [1] * len(weights))
    taxes = [
        Terms(delivery_charged=part, **tax_terms(scheme, paid_for_it=paid.get(piece, 0))).tax_inside(price)
        for (piece, price), part in zip(prices.items(), delivery, strict=True)
    ]
    sale.tax_cents = sum(taxes)
    return taxes


@transaction.atomic
def sell(
    *,
    by: Person,
    weights: Mapping[Piece, int],
    fee_cents: int | None = None,
    tax_cents: int | None = 0,
    with_deposits: bool = True,
    **fields: Any,
) -> Sale:
    """Sells one piece, or several as a set whose price is split by ``weights`` to the cent.

    The fee is worked out by the channel's rule of the day unless ``fee_cents`` gives it as on the statement; the tax
    by the scheme of the day when ``tax_cents`` is None and the shop collects it. Deposits held on the pieces are set
    against it, and a day of payment then stands for the rest having come in. Raises ValidationError when a piece is
    not in the shop any more.
    """
    if not weights:
        raise ValidationError("Choose at least one piece.")
    locked = {
        row.pk: row
        for row in Piece.objects.select_for_update().filter(pk__in=[piece.pk for piece in weights])
    }
    for piece in weights:
        row = locked.get(piece.pk)
        if row is None or row.is_void or not row.is_owned:
            raise ValidationError(f"“{piece}” can't be sold: it is {piece.get_stage_display().lower()}.")
    if not any(weights.values()):
        raise ValidationError("Give at least one piece a share above zero.")
    sale = Sale(created_by=by, fee_by_hand=fee_cents is not None, tax_cents=tax_cents or 0, **fields)
    parts = split(sale.price_cents, list(weights.values()))
    taxes = None
    if tax_cents is None:
        taxes = _tax_by_scheme(sale, {piece.pk: part for piece, part in zip(weights, parts, strict=True)})
    else:
        _tax_as_typed(sale)
    sale.fee_cents = _fee(sale) if fee_cents is None else fee_cents
    sale.full_clean()
    sale.save()
    for place, ((piece, weight), part) in enumerate(zip(weights.items(), parts, strict=True)):
        share = SaleShare(sale=sale, piece=locked[piece.pk], weight=weight, price_cents=part, created_by=by)
        share.tax_cents = None if taxes is None else taxes[place]
        share.full_clean()
        share.save()
        set_stage(locked[piece.pk], Stage.SOLD, by=by, on=timezone.localdate(sale.sold_at))
    if with_deposits:
        set_against(sale, list(locked), by=by)
    return sale


def _tax_as_typed(sale: Sale) -> None:
    """Whether a typed tax is inside the price follows from the scheme of the day; on top of it without one."""
    scheme = scheme_on(timezone.localdate(sale.sold_at))
    own = scheme is not None and sale.tax_collector == TaxCollector.SHOP and sale.tax_cents > 0
    sale.tax_inside = bool(own and scheme and scheme.how in (TAX_INSIDE, TAX_ON_MARGIN))
    sale.tax_on_delivery = bool(own and scheme and scheme.on_delivery)


def _fee(sale: Sale) -> int:
    rule = fee_of(sale.channel, timezone.localdate(sale.sold_at))
    if rule is None:
        return 0
    on_top = 0 if sale.tax_inside else sale.tax_cents
    return rule.on(price=sale.price_cents, delivery=sale.delivery_charged_cents, tax=on_top)


@transaction.atomic
def change_sale(
    sale: Sale, *, weights: Mapping[int, int] | None = None, fee_cents: int | None = None, **fields: Any
) -> None:
    """Corrects a sale and splits it anew (weights by piece id; the old ones where none are given).

    An empty tax (None) is worked out by the scheme of the day of the sale. Where payments are on record the day it was
    paid follows from them.
    """
    before = (sale.tax_cents, sale.price_cents, sale.delivery_charged_cents, sale.tax_collector)
    shares = list(sale.shares.live().select_for_update().order_by("pk"))
    given = [weights.get(share.piece_id, share.weight) if weights else share.weight for share in shares]
    if not any(given):
        raise ValidationError("Give at least one piece a share above zero.")
    by_scheme = "tax_cents" in fields and fields["tax_cents"] is None
    for name, value in fields.items():
        setattr(sale, name, 0 if name == "tax_cents" and value is None else value)
    parts = split(sale.price_cents, given)
    taxes: list[int | None] = [share.tax_cents for share in shares]
    if by_scheme:
        prices = {share.piece_id: part for share, part in zip(shares, parts, strict=True)}
        worked_out = _tax_by_scheme(sale, prices)
        taxes = list(worked_out) if worked_out is not None else [None] * len(shares)
    elif before != (sale.tax_cents, sale.price_cents, sale.delivery_charged_cents, sale.tax_collector):
        _tax_as_typed(sale)
        taxes = [None] * len(shares)
    sale.fee_by_hand = fee_cents is not None
    sale.fee_cents = _fee(sale) if fee_cents is None else fee_cents
    sale.full_clean()
    sale.save()
    for share, weight, part, tax in zip(shares, given, parts, taxes, strict=True):
        share.weight, share.price_cents, share.tax_cents = weight, part, tax
        share.full_clean()
        share.save()
    settle(sale)


@transaction.atomic
def void_sale(sale: Sale, *, by: Person, reason: str) -> None:
    """Takes a sale out of the figures; its pieces are where they were before. Refused while a return hangs on it.

    Deposits taken before it are held again; other payments on it are voided with it.
    """
    if Return.objects.live().filter(share__sale=sale).exists():
        raise ValidationError("A return hangs on this sale: void that first.")
    let_go_of_payments(sale, by=by, reason=reason)
    for share in sale.shares.live().select_related("piece"):
        share.void(by=by, reason=reason)
        piece = Piece.objects.select_for_update().get(pk=share.piece_id)
        sold = piece.stage_changes.live().filter(stage=Stage.SOLD).order_by("pk").last()
        if sold is not None:
            sold.void(by=by, reason=reason)
        before = piece.stage_changes.live().order_by("pk").last()
        if before is not None:
            piece.stage, piece.stage_on = before.stage, before.on
            piece.save(update_fields=["stage", "stage_on"])
    sale.void(by=by, reason=reason)


@undoable("sold")
def unsell(record: models.Model, by: Person) -> str:
    """A sale just entered is voided and its pieces are back in the shop."""
    if not isinstance(record, Sale):
        raise CannotUndo("That can't be taken back.")
    try:
        void_sale(record, by=by, reason="taken back at once")
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return "Not sold after all."


@transaction.atomic
def take_back(share: SaleShare, *, by: Person, **fields: Any) -> Return:
    """Gives money back on one piece of a sale; with the goods back the piece is ready again at its basis.

    Raises ValidationError when more would be given back than was paid.
    """
    share = SaleShare.objects.select_for_update().select_related("sale", "piece").get(pk=share.pk)
    if share.is_void or share.sale.is_void:
        raise ValidationError("That sale has been voided.")
    given = Return(share=share, created_by=by, **fields)
    if given.returned_on < timezone.localdate(share.sale.sold_at):
        raise ValidationError({"returned_on": "That is before the sale."})
    if given.goods_back and share.returned:
        raise ValidationError("That piece has come back already.")
    earlier = share.returns.live().aggregate(
        refund=models.Sum("refund_cents"),
        tax=models.Sum("tax_refund_cents"),
        fee=models.Sum("fee_refund_cents"),
    )
    sale = share.sale
    weights = [one.price_cents for one in sale.shares.live().order_by("pk")]
    place = [one.pk for one in sale.shares.live().order_by("pk")].index(share.pk)
    weights = weights if any(weights) else [1] * len(weights)
    taxes = [one.tax_cents for one in sale.shares.live().order_by("pk")]
    own_tax = taxes[place] if None not in taxes else split(sale.tax_cents, weights)[place]
    if sale.tax_inside and given.tax_refund_cents > given.refund_cents:
        raise ValidationError(
            {"tax_refund_cents": "The tax is inside the money given back, so it can't be more."}
        )
    limits = {
        "refund": ("refund_cents", share.price_cents + split(sale.delivery_charged_cents, weights)[place]),
        "tax": ("tax_refund_cents", own_tax or 0),
        "fee": ("fee_refund_cents", split(sale.fee_cents, weights)[place]),
    }
    for key, (field, most) in limits.items():
        if getattr(given, field) + (earlier[key] or 0) > most:
            raise ValidationError({field: "That is more than was paid for this piece."})
    given.full_clean()
    given.save()
    if given.goods_back:
        share.returned = True
        share.save(update_fields=["returned"])
        piece = Piece.objects.select_for_update().get(pk=share.piece_id)
        set_stage(piece, Stage.READY, by=by, on=given.returned_on, reason=given.reason)
    return given


@transaction.atomic
def void_return(given: Return, *, by: Person, reason: str) -> None:
    """Takes a return out of the figures; the piece is sold again. Refused once it has been sold anew."""
    share = SaleShare.objects.select_for_update().get(pk=given.share_id)
    if given.goods_back:
        if SaleShare.objects.live().filter(piece=share.piece_id, returned=False).exists():
            raise ValidationError("The piece has been sold again since: void that sale first.")
        piece = Piece.objects.select_for_update().get(pk=share.piece_id)
        back = (
            piece.stage_changes.live().filter(stage=Stage.READY, on=given.returned_on).order_by("pk").last()
        )
        for change in piece.stage_changes.live().filter(pk__gte=back.pk) if back else ():
            change.void(by=by, reason=reason)
        share.returned = False
        share.save(update_fields=["returned"])
        last = piece.stage_changes.live().order_by("pk").last()
        if last is not None:
            piece.stage, piece.stage_on = last.stage, last.on
            piece.save(update_fields=["stage", "stage_on"])
    given.void(by=by, reason=reason)
