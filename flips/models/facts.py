"""The records as plain money lines for ``flips.books``: the only place where a row becomes a figure's line."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q, QuerySet

from estimating.money import split
from flips.books import (
    Collector,
    Hours,
    Id,
    Kind,
    Line,
    Method,
    Moved,
    PieceFigures,
    all_piece_figures,
    cost_stock,
    rate_on,
    wage_cents,
)
from flips.books.lines import LOT_IN, LOT_OUT
from flips.models.bench import Outcome, TimeEntry
from flips.models.payments import Payment, PaymentKind, before_the_sale_counted
from flips.models.people import HelperRate, Role, Shop, StockMethod
from flips.models.pieces import PurchaseShare, Stage, StageChange
from flips.models.receipts import Destination, LineShare, ReceiptLine
from flips.models.sales import Return, Sale, SaleShare, TaxCollector
from flips.models.stock import Lot, Origin, Use, UseKind
from flips.models.taxes import TaxPayment, TaxScheme, scheme_on, schemes
from flips.models.trips import Trip, posted_trips, shares_of

# What settles the order of facts on one day: bought, then worked on, then sold, returned, sold again.
COST_ORDER = 1
OUT_ORDER = 10

Pieces = Collection[int] | None


def _of(pieces: Pieces, rows: QuerySet, field: str = "piece_id") -> QuerySet:
    return rows if pieces is None else rows.filter(**{f"{field}__in": list(pieces)})


def _purchases(pieces: Pieces) -> list[Line]:
    lines = []
    known = schemes()
    shares = PurchaseShare.objects.live().filter(purchase__voided_at__isnull=True).select_related("purchase")
    for share in _of(pieces, shares):
        if share.purchase.opening:
            kinds = [
                (
                    Kind.OPENING_PIECE,
                    share.price_cents + share.premium_cents + share.tax_cents + share.transport_cents,
                )
            ]
        else:
            kinds = [
                (Kind.PURCHASE, share.price_cents),
                (Kind.PREMIUM, share.premium_cents),
                (_kind_of_tax(share.purchase.bought_on, known), share.tax_cents),
                (Kind.TRANSPORT, share.transport_cents),
            ]
        for place, (kind, cents) in enumerate(kinds):
            # A find that cost nothing was still bought: the first line says so.
            if cents or place == 0:
                lines.append(
                    Line(
                        kind=kind,
                        on=share.purchase.bought_on,
                        cents=cents,
                        piece=share.piece_id,
                        source=("purchase", share.purchase_id),
                        note=share.purchase.place,
                    )
                )
    return lines


def _kind_of_tax(day: date, known: Sequence[TaxScheme]) -> Kind:
    """Tax paid on a purchase is part of what it cost, unless the scheme of the day gives it back."""
    scheme = scheme_on(day, known)
    return Kind.TAX_RECLAIMED if scheme is not None and scheme.reclaims else Kind.PURCHASE_TAX


def _reclaimed(row: ReceiptLine) -> list[Line]:
    """The tax of a slip's line that is reclaimed, which is then no cost of anything."""
    if not row.reclaimed_cents:
        return []
    return [
        Line(
            kind=Kind.TAX_RECLAIMED,
            on=row.receipt.bought_on,
            cents=row.reclaimed_cents,
            order=COST_ORDER,
            source=("receipt", row.receipt_id),
            note=row.text,
        )
    ]


def _receipt_lines(pieces: Pieces) -> list[Line]:
    lines = []
    rows = (
        ReceiptLine.objects.live()
        .filter(receipt__voided_at__isnull=True, destination__in=(Destination.PIECE, Destination.TRANSPORT))
        .select_related("receipt")
    )
    for row in _of(pieces, rows):
        lines.append(
            Line(
                kind=Kind.PART if row.destination == Destination.PIECE else Kind.TRANSPORT,
                on=row.receipt.bought_on,
                cents=row.carried_cents,
                piece=row.piece_id,
                order=COST_ORDER,
                source=("receipt", row.receipt_id),
                note=row.text,
            )
        )
    shares = (
        LineShare.objects.live()
        .filter(line__voided_at__isnull=True, line__receipt__voided_at__isnull=True)
        .select_related("line__receipt")
    )
    for share in _of(pieces, shares):
        lines.append(
            Line(
                kind=Kind.TRANSPORT if share.line.destination == Destination.HAUL else Kind.PART,
                on=share.line.receipt.bought_on,
                cents=share.cents,
                piece=share.piece_id,
                order=COST_ORDER,
                source=("receipt", share.line.receipt_id),
                note=share.line.text,
            )
        )
    return lines


def _uses(pieces: Pieces) -> list[Line]:
    rows = Use.objects.live().filter(lot__isnull=False, kind=UseKind.USED).select_related("attempt", "lot")
    return [
        Line(
            kind=Kind.USED,
            on=row.used_on,
            cents=row.cost_cents,
            piece=row.piece_id,
            lot=row.lot_id,
            attempt=row.attempt_id,
            failed=row.attempt is not None and row.attempt.outcome == Outcome.FAILED,
            order=COST_ORDER,
            source=("use", row.pk),
            note=row.lot.name,
        )
        for row in _of(pieces, rows)
    ]


def helper_rates() -> dict[int, list[tuple[date, Fraction | int]]]:
    """The dated rates of every helper: (first day, cents an hour)."""
    rates: dict[int, list[tuple[date, Fraction | int]]] = defaultdict(list)
    for rate in HelperRate.objects.live():
        rates[rate.person_id].append((rate.from_on, rate.hourly_cents))
    return rates


def _time(pieces: Pieces, zone: ZoneInfo) -> tuple[list[Line], list[Hours]]:
    rates, lines, hours = helper_rates(), [], []
    rows = TimeEntry.objects.finished().select_related("attempt", "person")
    for row in _of(pieces, rows):
        day = row.started_at.astimezone(zone).date()
        failed = row.attempt is not None and row.attempt.outcome == Outcome.FAILED
        is_helper = row.person.role != Role.OWNER
        hours.append(
            Hours(
                on=day,
                minutes=row.minutes,
                piece=row.piece_id,
                attempt=row.attempt_id,
                failed=failed,
                helper=is_helper,
                source=("time", row.pk),
                note=row.note,
            )
        )
        rate = rate_on(rates.get(row.person_id, ()), day) if is_helper else None
        if rate is not None and row.minutes:
            lines.append(
                Line(
                    kind=Kind.HELP,
                    on=day,
                    cents=wage_cents(row.minutes, rate),
                    piece=row.piece_id,
                    attempt=row.attempt_id,
                    failed=failed,
                    order=COST_ORDER,
                    source=("time", row.pk),
                    note=str(row.person),
                )
            )
    return lines, hours


def sale_lines(sale: Sale, shares: list[SaleShare], *, on: date, order: int = OUT_ORDER) -> list[Line]:
    """The lines of one sale over its shares, each amount split by the price shares to the cent.

    Tax inside the price is taken out of it, so that what is left is revenue and the tax is held, not earned.
    """
    weights = [share.price_cents for share in shares]
    if not sum(weights):
        weights = [1] * len(shares)
    collector = Collector.MARKETPLACE if sale.tax_collector == TaxCollector.MARKETPLACE else Collector.SHOP
    delivery = split(sale.delivery_charged_cents, weights)
    own_taxes = [share.tax_cents for share in shares if share.tax_cents is not None]
    # Shares taxed by themselves carry their own tax, as long as it is still the sale's.
    by_share = len(own_taxes) == len(shares) and sum(own_taxes) == sale.tax_cents
    taxes = own_taxes if by_share else split(sale.tax_cents, weights)
    inside = [0] * len(shares)
    if sale.tax_inside:
        in_delivery = [
            split(tax, [share.price_cents, part])[1] if sale.tax_on_delivery and part else 0
            for tax, share, part in zip(taxes, shares, delivery, strict=True)
        ]
        inside = [tax - part for tax, part in zip(taxes, in_delivery, strict=True)]
        delivery = [part - tax for part, tax in zip(delivery, in_delivery, strict=True)]
    spread = {
        Kind.DELIVERY_CHARGED: delivery,
        Kind.FEE: split(sale.fee_cents, weights),
        Kind.DELIVERY_PAID: split(sale.delivery_paid_cents, weights),
        Kind.PACKING: split(sale.packing_cents, weights),
        Kind.TAX_COLLECTED: taxes,
    }
    lines = []
    for place, share in enumerate(shares):
        amounts = {Kind.PRICE: share.price_cents - inside[place]} | {
            kind: parts[place] for kind, parts in spread.items()
        }
        for kind, cents in amounts.items():
            if cents or kind is Kind.PRICE:
                lines.append(
                    Line(
                        kind=kind,
                        on=on,
                        cents=cents,
                        piece=share.piece_id,
                        sale=sale.pk,
                        collector=collector if kind is Kind.TAX_COLLECTED else None,
                        order=order,
                        source=("sale", sale.pk or 0),
                    )
                )
    return lines


def _sales(pieces: Pieces, zone: ZoneInfo, *, unpaid_too: bool) -> list[Line]:
    rows = (
        SaleShare.objects.live().filter(sale__voided_at__isnull=True).select_related("sale", "sale__channel")
    )
    if pieces is not None:
        # The other pieces of a set are needed too, to split what the set cost to sell.
        wanted = SaleShare.objects.live().filter(piece_id__in=list(pieces)).values("sale_id")
        rows = rows.filter(sale_id__in=wanted)
    by_sale: dict[int, list[SaleShare]] = defaultdict(list)
    for share in rows.order_by("sale_id", "pk"):
        by_sale[share.sale_id].append(share)
    lines: list[Line] = []
    for shares in by_sale.values():
        sale = shares[0].sale
        if sale.paid_on is None and not unpaid_too:
            continue
        on = sale.paid_on or sale.sold_at.astimezone(zone).date()
        lines += sale_lines(sale, shares, on=on, order=OUT_ORDER + int(sale.sold_at.timestamp()))
    return lines if pieces is None else [line for line in lines if line.piece in set(pieces)]


def _returns(pieces: Pieces, *, unpaid_too: bool) -> list[Line]:
    """What was given back. Of a sale that was never paid only what the return itself cost counts in a year."""
    lines: list[Line] = []
    rows = (
        Return.objects.live()
        .filter(share__voided_at__isnull=True, share__sale__voided_at__isnull=True)
        .select_related("share__sale")
    )
    for row in _of(pieces, rows, "share__piece_id"):
        sale = row.share.sale
        collector = (
            Collector.MARKETPLACE if sale.tax_collector == TaxCollector.MARKETPLACE else Collector.SHOP
        )
        amounts = {
            Kind.REFUND: row.refund_cents - (row.tax_refund_cents if sale.tax_inside else 0),
            Kind.TAX_GIVEN_BACK: row.tax_refund_cents,
            Kind.FEE: -row.fee_refund_cents,
            Kind.RETURN_FREIGHT: row.freight_cents,
            Kind.COMPENSATION: row.compensation_cents,
        }
        if row.goods_back:
            amounts[Kind.RETURNED] = 0
        counts = unpaid_too or sale.paid_on is not None
        if not counts:
            amounts = {kind: amounts[kind] for kind in (Kind.RETURN_FREIGHT, Kind.COMPENSATION)}
        # A piece cannot be back in the books before the day it left them, which is the day the sale was paid.
        on = max(row.returned_on, sale.paid_on or row.returned_on)
        for kind, cents in amounts.items():
            if cents or kind is Kind.RETURNED:
                lines.append(
                    Line(
                        kind=kind,
                        on=on,
                        cents=cents,
                        piece=row.share.piece_id,
                        sale=sale.pk,
                        collector=collector if kind is Kind.TAX_GIVEN_BACK else None,
                        order=OUT_ORDER + int(row.created_at.timestamp()),
                        source=("return", row.pk),
                        note=row.reason,
                    )
                )
    return lines


ENDS = {Stage.SCRAPPED: Kind.SCRAPPED, Stage.KEPT: Kind.KEPT, Stage.GIVEN_AWAY: Kind.GIVEN_AWAY}


def _ends(pieces: Pieces) -> list[Line]:
    """Every end a piece came to without a sale, and every time it came back from one, each on its own day.

    A piece kept in one year and sold in another left stock in the first and is in it again from the day it came back:
    what happens to it later does not rewrite the year in which it went.
    """
    ended = StageChange.objects.live().filter(stage__in=ENDS).values("piece_id")
    rows = StageChange.objects.live().filter(piece__voided_at__isnull=True, piece_id__in=ended)
    lines: list[Line] = []
    gone: dict[int, date] = {}

    def happen(kind: Kind, row: StageChange, *, on: date, place: int) -> None:
        lines.append(
            Line(
                kind=kind,
                on=on,
                piece=row.piece_id,
                order=OUT_ORDER + int(row.created_at.timestamp()) + place,
                source=("piece", row.piece_id),
                note=row.reason,
            )
        )

    # As they were entered, which is how the stage itself follows from them.
    for row in _of(pieces, rows).order_by("piece_id", "pk"):
        end = ENDS.get(Stage(row.stage))
        # It cannot be back before it went, whatever day was typed.
        on = max(row.on, gone.get(row.piece_id, row.on))
        if row.piece_id in gone:
            happen(Kind.RETURNED, row, on=on, place=0)
            del gone[row.piece_id]
        if end is not None:
            happen(end, row, on=on, place=1)
            gone[row.piece_id] = on
    return lines


def _salvaged(pieces: Pieces) -> list[Line]:
    rows = Lot.objects.live().filter(origin=Origin.SALVAGE, salvaged_from__isnull=False)
    return [
        Line(
            kind=Kind.SALVAGED,
            on=row.came_on,
            cents=row.cost_cents,
            piece=row.salvaged_from_id,
            into=row.pk,
            order=COST_ORDER,
            source=("lot", row.pk),
            note=row.name,
        )
        for row in _of(pieces, rows, "salvaged_from_id")
    ]


def _tips(pieces: Pieces) -> list[Line]:
    """Tips, split over the pieces of their sale like its price."""
    rows = Payment.objects.live().filter(kind=PaymentKind.TIP, sale__voided_at__isnull=True)
    if pieces is not None:
        wanted = SaleShare.objects.live().filter(piece_id__in=list(pieces)).values("sale_id")
        rows = rows.filter(sale_id__in=wanted)
    tips = list(rows)
    shares: dict[int, list[SaleShare]] = defaultdict(list)
    if tips:
        for share in SaleShare.objects.live().filter(sale__in={tip.sale_id for tip in tips}).order_by("pk"):
            shares[share.sale_id].append(share)
    lines = []
    for tip in tips:
        own = shares[tip.sale_id or 0]
        weights = [share.price_cents for share in own]
        parts = split(tip.cents, weights if any(weights) else [1] * len(own)) if own else []
        for share, cents in zip(own, parts, strict=True):
            if cents and (pieces is None or share.piece_id in pieces):
                lines.append(
                    Line(
                        kind=Kind.TIP,
                        on=tip.on,
                        cents=cents,
                        piece=share.piece_id,
                        sale=tip.sale_id,
                        order=OUT_ORDER + int(tip.created_at.timestamp()),
                        source=("payment", tip.pk),
                        note=tip.note,
                    )
                )
    return lines


def _trips(pieces: Pieces) -> list[Line]:
    """Trips at the rate of their day, shared by their pieces; those of no piece are the shop's."""
    if pieces is not None and not Trip.objects.live().filter(pieces__in=list(pieces)).exists():
        return []
    return [
        Line(
            kind=Kind.TRIP,
            on=one.trip.on,
            cents=cents,
            piece=piece,
            order=COST_ORDER,
            source=("trip", one.trip.pk),
            note=f"{one.trip.purpose}, {one.trip.distance_words}",
        )
        for one in posted_trips()
        for piece, cents in shares_of(one)
        if cents and (pieces is None or piece in pieces)
    ]


def _deposits() -> list[Line]:
    """Money that came in before it was earned, and what became of it.

    A deposit is the buyer's until the sale counts, on the day it is paid; what comes in on that day is simply its price.
    """
    lines: list[Line] = []
    for payment in (
        Payment.objects.live()
        .exclude(kind=PaymentKind.TIP)
        .filter(before_the_sale_counted())
        .select_related("sale")
        .with_ends()
    ):
        end, sale = payment.end, payment.sale
        steps = [(Kind.DEPOSIT, payment.on, payment.cents)]
        if end is not None:
            steps += [
                (Kind.DEPOSIT_GIVEN_BACK, end.on, end.given_back_cents),
                (Kind.DEPOSIT_KEPT, end.on, end.kept_cents),
            ]
        elif sale is not None and sale.paid_on is not None:
            steps.append((Kind.DEPOSIT_APPLIED, sale.paid_on, payment.cents))
        lines += [
            Line(
                kind=kind,
                on=on,
                cents=cents,
                piece=payment.piece_id,
                # Each deposit is followed by itself: it may come before there is any sale.
                sale=f"deposit {payment.pk}",
                order=OUT_ORDER + int(payment.created_at.timestamp()),
                source=("payment", payment.pk),
                note=payment.buyer or payment.note,
            )
            for kind, on, cents in steps
            if cents
        ]
    return lines


def _held_money() -> list[Line]:
    """What passes through the shop's hands without being on any piece: deposits, tax reclaimed and paid over."""
    lines = _deposits()
    slips = ReceiptLine.objects.live().filter(receipt__voided_at__isnull=True, reclaimed_cents__gt=0)
    for row in slips.select_related("receipt"):
        lines += _reclaimed(row)
    for paid in TaxPayment.objects.live():
        lines.append(
            Line(
                kind=Kind.TAX_PAID_OVER,
                on=paid.on,
                cents=paid.paid_over_cents,
                collector=Collector.SHOP,
                order=OUT_ORDER,
                source=("tax_payment", paid.pk),
                note=paid.period or paid.note,
            )
        )
    return lines


def piece_facts(pieces: Pieces, *, zone: ZoneInfo, unpaid_too: bool = True) -> tuple[list[Line], list[Hours]]:
    """Every money line and every hour of the given pieces (of all for None), in a fixed number of queries."""
    help_lines, hours = _time(pieces, zone)
    lines = [
        *_purchases(pieces),
        *_receipt_lines(pieces),
        *_uses(pieces),
        *help_lines,
        *_sales(pieces, zone, unpaid_too=unpaid_too),
        *_returns(pieces, unpaid_too=unpaid_too),
        *_ends(pieces),
        *_salvaged(pieces),
        *_tips(pieces),
        *_trips(pieces),
    ]
    if pieces is not None:
        lines = [line for line in lines if line.piece is not None]
    return lines, hours


def shop_facts(*, zone: ZoneInfo, method: Method | None = None) -> tuple[list[Line], list[Hours]]:
    """Every money line of the shop, for its years: pieces, lots and expenses; sales not paid yet left out.

    Uses carry what they were costed at by the shop's own method; with ``method`` they are all costed anew by that one,
    to show what the other way would have come to.
    """
    lines, hours = piece_facts(None, zone=zone, unpaid_too=False)
    came_in = Lot.objects.live().filter(
        Q(origin__in=(Origin.BOUGHT, Origin.OPENING, Origin.FOUND))
        # An offcut brings its cost with the cut and salvage with its piece; what has neither came in on its own.
        | Q(origin=Origin.SALVAGE, salvaged_from__isnull=True)
        | Q(origin=Origin.OFFCUT) & ~Exists(Use.objects.live().filter(into=OuterRef("pk")))
    )
    for lot in came_in:
        kind = Kind.LOT_OPENING if lot.origin == Origin.OPENING else Kind.LOT_BOUGHT
        lines.append(
            Line(
                kind=kind,
                on=lot.came_on,
                cents=lot.cost_cents,
                lot=lot.pk,
                source=("lot", lot.pk),
                note=lot.name,
            )
        )
    out = {
        UseKind.WRITTEN_OFF: Kind.LOT_WRITTEN_OFF,
        UseKind.SHRINKAGE: Kind.SHRINKAGE,
        UseKind.INTO_OFFCUT: Kind.OFFCUT,
    }
    for use in Use.objects.live().filter(kind__in=out, lot__isnull=False).select_related("lot"):
        lines.append(
            Line(
                kind=out[UseKind(use.kind)],
                on=use.used_on,
                cents=use.cost_cents,
                lot=use.lot_id,
                into=use.into_id,
                order=COST_ORDER,
                source=("use", use.pk),
                note=use.lot.name if use.lot else "",
            )
        )
    spent = (
        ReceiptLine.objects.live()
        .filter(receipt__voided_at__isnull=True)
        .filter(Q(destination__in=(Destination.EXPENSE, Destination.TOOLS, Destination.PRIVATE)))
        .select_related("receipt", "category")
    )
    for row in spent:
        private = row.destination == Destination.PRIVATE
        category = "" if private else (row.category.name if row.category else "Tools")
        lines.append(
            Line(
                kind=Kind.PRIVATE if private else Kind.EXPENSE,
                on=row.receipt.bought_on,
                cents=row.carried_cents,
                category=category,
                source=("receipt", row.receipt_id),
                note=row.text,
            )
        )
    lines += _held_money()
    return (_by_pool(lines) if method is None else _costed_anew(lines, method)), hours


_STOCK_KINDS = LOT_IN | LOT_OUT | {Kind.SALVAGED}


def _costed_anew(lines: list[Line], method: Method) -> list[Line]:
    """The same lines with every stock line costed by ``method``."""
    rows = {lot.pk: lot for lot in Lot.objects.live()}
    quantities = {("use", use.pk): use.quantity for use in Use.objects.live().filter(lot__isnull=False)}
    quantities |= {("lot", pk): lot.quantity for pk, lot in rows.items()}

    def moved(line: Line) -> Moved:
        quantity = quantities.get((line.source[0], int(line.source[1])), Fraction(0))
        into = rows.get(int(line.into)) if line.into is not None else None
        if line.kind is Kind.SALVAGED:
            return Moved(line, into_quantity=into.quantity if into else quantity)
        return Moved(line, quantity, into.quantity if into else Fraction(0))

    stocked = cost_stock(
        [moved(line) for line in lines if line.kind in _STOCK_KINDS],
        method=method,
        material_of={pk: lot.material_key for pk, lot in rows.items() if lot.is_pooled},
    )
    return [*(line for line in lines if line.kind not in _STOCK_KINDS), *stocked.lines]


def _by_pool(lines: list[Line]) -> list[Line]:
    """With averaged costs the lots of a material carry theirs together; oldest-first lines stay as they are."""
    shop = Shop.current()
    if shop is None or shop.stock_method != StockMethod.AVERAGE:
        return lines
    pool: dict[Id, Id] = {lot.pk: lot.material_key for lot in Lot.objects.live() if lot.is_pooled}
    return [
        replace(
            line,
            lot=line.lot and pool.get(line.lot, line.lot),
            into=line.into and pool.get(line.into, line.into),
        )
        if line.lot is not None or line.into is not None
        else line
        for line in lines
    ]


def figures_of(pieces: Pieces, *, shop: Shop) -> dict[int, PieceFigures]:
    """The figures of every given piece by its id, in a fixed number of queries however many pieces there are."""
    lines, hours = piece_facts(pieces, zone=shop.zone)
    figures = all_piece_figures(lines, hours=hours, target_rate_cents=shop.wanted_hourly_cents or None)
    return {int(piece): one for piece, one in figures.items()}
