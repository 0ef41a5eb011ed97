"""The figures of one piece: what it cost, kind by kind, what it brought, and what that comes to an hour."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from estimating.money import round_half_up
from flips.books.entries import Standing, State, keep
from flips.books.lines import (
    PIECE_COSTS,
    SELLING_COSTS,
    Collector,
    Hours,
    Id,
    Kind,
    Line,
    Problem,
    Trace,
    in_order,
    wage_cents,
)

_BASIS = {**dict.fromkeys(PIECE_COSTS, 1), Kind.SALVAGED: -1}
_REVENUE = {Kind.PRICE: 1, Kind.DELIVERY_CHARGED: 1, Kind.TIP: 1, Kind.REFUND: -1}
_SELLING = {**dict.fromkeys(SELLING_COSTS, 1), Kind.COMPENSATION: -1}
_RESULT = {**_REVENUE, **{kind: -sign for kind, sign in (_BASIS | _SELLING).items()}}

# Figure: the kinds it is made of, each with its sign.
_MADE_OF: dict[str, dict[Kind, int]] = {
    "brought_in": {Kind.OPENING_PIECE: 1},
    "paid": {Kind.PURCHASE: 1},
    "premium": {Kind.PREMIUM: 1},
    "purchase_tax": {Kind.PURCHASE_TAX: 1},
    "premium_tax": {Kind.PREMIUM: 1, Kind.PURCHASE_TAX: 1},
    "transport": {Kind.TRANSPORT: 1},
    "parts": {Kind.PART: 1},
    "materials": {Kind.USED: 1},
    "paid_help": {Kind.HELP: 1},
    "salvage": {Kind.SALVAGED: 1},
    "basis": _BASIS,
    "in_it_so_far": _BASIS,
    "price": {Kind.PRICE: 1},
    "delivery_charged": {Kind.DELIVERY_CHARGED: 1},
    "tips": {Kind.TIP: 1},
    "refunds": {Kind.REFUND: 1},
    "revenue": _REVENUE,
    "selling_total": _SELLING,
    "trips": {Kind.TRIP: 1},
    "margin": _RESULT,
}


@dataclass(frozen=True)
class PieceFigures:
    """Every money figure of a piece in cents, each a sum of its lines; margin figures are None until it has an end.

    ``failed_attempts`` is part of the basis, shown apart. ``late_costs`` came after the piece had left and are in the
    basis too. Compensation and fees given back are negative selling costs. ``trips`` are an expense of the shop, shown
    here only to be seen.
    """

    state: State
    left_on: date | None
    brought_in: int
    paid: int
    premium: int
    purchase_tax: int
    transport: int
    parts: int
    materials: int
    paid_help: int
    salvage: int
    failed_attempts: int
    late_costs: int
    price: int
    delivery_charged: int
    tips: int
    refunds: int
    selling_costs: Mapping[Kind, int]
    tax_collected: Mapping[Collector, int]
    trips: int
    owner_minutes: int
    helper_minutes: int
    failed_minutes: int
    target_rate_cents: int | None
    late_lines: tuple[Line, ...]
    lines: tuple[Line, ...]
    problems: tuple[Problem, ...]

    def behind(self, figure: str) -> tuple[Trace, ...]:
        """The lines behind a figure, which add up to it: any money figure of this class by its name but the hourly
        ones and after wages. One selling cost is asked for as "selling_costs/packing". Raises KeyError for others.
        """
        if figure == "failed_attempts":
            signs, lines = _BASIS, tuple(line for line in self.lines if line.is_failed_cost)
        elif figure == "late_costs":
            signs, lines = _BASIS, self.late_lines
        elif figure.startswith("selling_costs/"):
            kind = Kind(figure.removeprefix("selling_costs/"))
            signs, lines = {kind: _SELLING[kind]}, self.lines
        else:
            signs, lines = _MADE_OF[figure], self.lines
        return tuple(
            Trace(line, signs[line.kind] * line.cents, line.kind.value)
            for line in lines
            if line.kind in signs and line.cents
        )

    @property
    def premium_tax(self) -> int:
        """Buyer's premium and tax on the purchase together."""
        return self.premium + self.purchase_tax

    @property
    def basis(self) -> int:
        """What the piece has cost by the rules, less what was salvaged from it."""
        costs = self.brought_in + self.paid + self.premium_tax + self.transport
        return costs + self.parts + self.materials + self.paid_help - self.salvage

    @property
    def in_it_so_far(self) -> int:
        """The basis, as the piece page names it while work goes on."""
        return self.basis

    @property
    def revenue(self) -> int:
        """Price, delivery charged and tips, less refunds; never tax."""
        return self.price + self.delivery_charged + self.tips - self.refunds

    @property
    def selling_total(self) -> int:
        """All selling costs together."""
        return sum(self.selling_costs.values())

    @property
    def margin(self) -> int | None:
        """Revenue less selling costs less basis, of a piece sold or scrapped."""
        if self.state not in (State.SOLD, State.SCRAPPED):
            return None
        return self.revenue - self.selling_total - self.basis

    @property
    def margin_percent(self) -> Fraction | None:
        """Margin in percent of revenue, exact; None where there is no revenue to measure by."""
        return percent(self.margin, self.revenue)

    @property
    def hourly(self) -> int | None:
        """Margin for each hour of the owner's; None at zero hours."""
        return hourly(self.margin, self.owner_minutes)

    @property
    def after_wages(self) -> int | None:
        """Margin less the owner's hours at her target rate."""
        return after_wages(self.margin, self.owner_minutes, target_rate_cents=self.target_rate_cents)


def percent(margin: int | None, revenue: int) -> Fraction | None:
    """``margin`` in percent of ``revenue``, exact; None without either."""
    return None if margin is None or revenue <= 0 else Fraction(100 * margin, revenue)


def hourly(margin: int | None, owner_minutes: int) -> int | None:
    """``margin`` an hour in cents, half up; None at zero hours."""
    return (
        None if margin is None or owner_minutes <= 0 else round_half_up(Fraction(60 * margin, owner_minutes))
    )


def after_wages(margin: int | None, owner_minutes: int, *, target_rate_cents: int | None) -> int | None:
    """``margin`` less the owner's time at her target rate an hour; None without either."""
    if margin is None or target_rate_cents is None:
        return None
    return margin - wage_cents(owner_minutes, target_rate_cents)


def piece_figures(
    lines: Iterable[Line], *, hours: Iterable[Hours] = (), target_rate_cents: int | None = None
) -> PieceFigures:
    """The figures of the one piece all ``lines`` and ``hours`` are about; raises ValueError for more than one."""
    own, worked = in_order(lines), tuple(hours)
    named = {line.piece for line in own} | {spell.piece for spell in worked}
    if len(named) > 1:
        raise ValueError("These lines are about more than one piece.")
    book = keep(own)
    standing = book.standing.get(own[0].piece) if own and own[0].piece is not None else None
    return _figures(
        own,
        worked,
        standing=standing or Standing(),
        problems=book.problems,
        target_rate_cents=target_rate_cents,
    )


def all_piece_figures(
    lines: Iterable[Line], *, hours: Iterable[Hours] = (), target_rate_cents: int | None = None
) -> dict[Id, PieceFigures]:
    """``piece_figures`` of every piece named, in one walk over the lines of a shop."""
    by_piece: dict[Id, list[Line]] = defaultdict(list)
    worked: dict[Id, list[Hours]] = defaultdict(list)
    for line in lines:
        if line.piece is not None:
            by_piece[line.piece].append(line)
    for spell in hours:
        if spell.piece is not None:
            worked[spell.piece].append(spell)
    return {
        piece: piece_figures(
            by_piece.get(piece, ()), hours=worked.get(piece, ()), target_rate_cents=target_rate_cents
        )
        for piece in sorted({*by_piece, *worked}, key=str)
    }


def _figures(
    own: list[Line],
    worked: tuple[Hours, ...],
    *,
    standing: Standing,
    problems: tuple[Problem, ...],
    target_rate_cents: int | None,
) -> PieceFigures:
    of: dict[Kind, int] = defaultdict(int)
    tax: dict[Collector, int] = defaultdict(int)
    for line in own:
        of[line.kind] += line.cents
        if line.collector is not None and line.kind in (Kind.TAX_COLLECTED, Kind.TAX_GIVEN_BACK):
            tax[line.collector] += line.cents if line.kind is Kind.TAX_COLLECTED else -line.cents
    return PieceFigures(
        state=standing.state,
        left_on=standing.left_on,
        brought_in=of[Kind.OPENING_PIECE],
        paid=of[Kind.PURCHASE],
        premium=of[Kind.PREMIUM],
        purchase_tax=of[Kind.PURCHASE_TAX],
        transport=of[Kind.TRANSPORT],
        parts=of[Kind.PART],
        materials=of[Kind.USED],
        paid_help=of[Kind.HELP],
        salvage=of[Kind.SALVAGED],
        failed_attempts=sum(line.cents for line in own if line.is_failed_cost),
        late_costs=sum(line.cents for line in standing.late),
        price=of[Kind.PRICE],
        delivery_charged=of[Kind.DELIVERY_CHARGED],
        tips=of[Kind.TIP],
        refunds=of[Kind.REFUND],
        selling_costs={
            kind: (-of[kind] if kind is Kind.COMPENSATION else of[kind]) for kind in SELLING_COSTS if of[kind]
        },
        tax_collected=dict(tax),
        trips=of[Kind.TRIP],
        owner_minutes=sum(spell.minutes for spell in worked if not spell.helper),
        helper_minutes=sum(spell.minutes for spell in worked if spell.helper),
        failed_minutes=sum(spell.minutes for spell in worked if spell.failed),
        target_rate_cents=target_rate_cents,
        late_lines=tuple(standing.late),
        lines=tuple(own),
        problems=problems,
    )
