"""Selling a piece or a set, giving money back, and what a channel keeps."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from fractions import Fraction
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from estimating.money import split
from estimating.pricing.fees import DELIVERY, PRICE, TAX
from estimating.pricing.fees import FeeRule as Fee
from flips.actions.pieces import set_stage
from flips.actions.undo import CannotUndo, undoable
from flips.models import Channel, FeeRule, Person, Piece, Return, Sale, SaleShare, Stage


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


@transaction.atomic
def sell(*, by: Person, weights: Mapping[Piece, int], fee_cents: int | None = None, **fields: Any) -> Sale:
    """Sells one piece, or several as a set whose price is split by ``weights`` to the cent.

    The fee is worked out by the channel's rule of the day unless ``fee_cents`` gives it as on the statement. Raises
    ValidationError when a piece is not in the shop any more.
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
    sale = Sale(created_by=by, fee_by_hand=fee_cents is not None, **fields)
    sale.fee_cents = _fee(sale) if fee_cents is None else fee_cents
    sale.full_clean()
    sale.save()
    parts = split(sale.price_cents, list(weights.values()))
    for (piece, weight), part in zip(weights.items(), parts, strict=True):
        share = SaleShare(sale=sale, piece=locked[piece.pk], weight=weight, price_cents=part, created_by=by)
        share.full_clean()
        share.save()
        set_stage(locked[piece.pk], Stage.SOLD, by=by, on=timezone.localdate(sale.sold_at))
    return sale


def _fee(sale: Sale) -> int:
    rule = fee_of(sale.channel, timezone.localdate(sale.sold_at))
    if rule is None:
        return 0
    return rule.on(price=sale.price_cents, delivery=sale.delivery_charged_cents, tax=sale.tax_cents)


@transaction.atomic
def change_sale(
    sale: Sale, *, weights: Mapping[int, int] | None = None, fee_cents: int | None = None, **fields: Any
) -> None:
    """Corrects a sale and splits it anew (weights by piece id; the old ones where none are given)."""
    for name, value in fields.items():
        setattr(sale, name, value)
    sale.fee_by_hand = fee_cents is not None
    sale.fee_cents = _fee(sale) if fee_cents is None else fee_cents
    sale.full_clean()
    sale.save()
    shares = list(sale.shares.live().select_for_update().order_by("pk"))
    given = [weights.get(share.piece_id, share.weight) if weights else share.weight for share in shares]
    if not any(given):
        raise ValidationError("Give at least one piece a share above zero.")
    for share, weight, part in zip(shares, given, split(sale.price_cents, given), strict=True):
        share.weight, share.price_cents = weight, part
        share.full_clean()
        share.save()


@transaction.atomic
def void_sale(sale: Sale, *, by: Person, reason: str) -> None:
    """Takes a sale out of the figures; its pieces are where they were before. Refused while a return hangs on it."""
    if Return.objects.live().filter(share__sale=sale).exists():
        raise ValidationError("A return hangs on this sale: void that first.")
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
    limits = {
        "refund": ("refund_cents", share.price_cents + split(sale.delivery_charged_cents, weights)[place]),
        "tax": ("tax_refund_cents", split(sale.tax_cents, weights)[place]),
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
