"""What lots cost and hold: uses costed oldest lot first or by moving average, and the balance of every lot."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from estimating.money import round_half_up, split
from flips.books.lines import LOT_IN, Id, Kind, Line, Problem, in_order

Quantity = Fraction | Decimal | int


class Method(StrEnum):
    """How uses are costed: each lot at its own cost, or all lots of a material at their running average."""

    FIFO = "oldest lot first"
    AVERAGE = "moving average"


def use_cost(
    *,
    lot_cents: int,
    lot_quantity: Quantity,
    taken_quantity: Quantity = 0,
    taken_cents: int = 0,
    quantity: Quantity,
) -> int:
    """lot cost x quantity / lot quantity, half up; the last of the lot takes the cents that remain.

    ``taken_quantity`` and ``taken_cents`` are what earlier uses took. Used and left always add up to ``lot_cents``.
    Raises ValueError for a quantity below zero or beyond what is left.
    """
    left = Fraction(lot_quantity) - Fraction(taken_quantity)
    wanted = Fraction(quantity)
    if not 0 <= wanted <= left:
        raise ValueError(f"{quantity} can't be taken where {left} is left.")
    remaining = lot_cents - taken_cents
    if wanted == 0:
        return 0
    if wanted == left:
        return remaining
    # Many small uses that each round up could otherwise take more than the lot cost.
    return min(remaining, round_half_up(lot_cents * wanted / Fraction(lot_quantity)))


def pick_oldest(
    lots: Sequence[tuple[Id, Quantity]], quantity: Quantity
) -> tuple[list[tuple[Id, Fraction]], Fraction]:
    """Takes ``quantity`` from lots given oldest first: (lot, quantity) picks, and what no lot could give."""
    wanted, picks = Fraction(quantity), []
    for lot, left in lots:
        taken = min(wanted, Fraction(left))
        if taken > 0:
            picks.append((lot, taken))
            wanted -= taken
    return picks, wanted


@dataclass(frozen=True, slots=True)
class Moved:
    """A stock line with its quantity, before it is costed.

    Lots coming in (LOT_BOUGHT, LOT_OPENING, SALVAGED) know their cents; what goes out (USED, OFFCUT, LOT_WRITTEN_OFF,
    SHRINKAGE, LOT_USED, LOT_KEPT) is given its cents by ``cost_stock``. ``quantity`` is in the unit of the line's lot,
    ``into_quantity`` in the unit of the lot it goes into. A later bill for a lot is LOT_BOUGHT with quantity 0. A count
    that found more than the books is SHRINKAGE with a negative quantity: more is on hand for the same cost.
    """

    line: Line
    quantity: Fraction = Fraction(0)
    into_quantity: Fraction = Fraction(0)

    def __post_init__(self) -> None:
        for name in ("quantity", "into_quantity"):
            if isinstance(getattr(self, name), float):
                raise TypeError("A quantity is a Fraction, a Decimal or a whole number, never a float.")
            object.__setattr__(self, name, Fraction(getattr(self, name)))


@dataclass(frozen=True)
class Stocked:
    """Stock lines with their cents, quantity and cost left per lot, and uses of more than there was."""

    lines: tuple[Line, ...]
    quantity_left: Mapping[Id, Fraction]
    cents_left: Mapping[Id, int]
    problems: tuple[Problem, ...]


@dataclass
class _Pool:
    """What is costed together: one lot, or all lots of a material. ``base`` is what was held at the last intake."""

    quantity: Fraction = Fraction(0)
    cents: int = 0
    base_quantity: Fraction = Fraction(0)
    base_cents: int = 0

    def put(self, quantity: Fraction, cents: int) -> int:
        """Adds to the pool; gives back the cents it cannot carry, for want of a quantity to carry them."""
        self.quantity += quantity
        self.cents += cents
        stranded = self.cents if self.quantity == 0 or self.cents < 0 else 0
        self.cents -= stranded
        self.base_quantity, self.base_cents = self.quantity, self.cents
        return stranded

    def take(self, quantity: Fraction) -> int:
        cents = use_cost(
            lot_cents=self.base_cents,
            lot_quantity=self.base_quantity,
            taken_quantity=self.base_quantity - self.quantity,
            taken_cents=self.base_cents - self.cents,
            quantity=quantity,
        )
        self.quantity -= quantity
        self.cents -= cents
        return cents


@dataclass
class _Shelf:
    pool_of: dict[Id, Id]
    pools: dict[Id, _Pool] = field(default_factory=lambda: defaultdict(_Pool))
    left: dict[Id, Fraction] = field(default_factory=lambda: defaultdict(Fraction))
    lines: list[Line] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def pool(self, lot: Id) -> Id:
        return self.pool_of.get(lot, lot)

    def put(self, lot: Id, *, quantity: Fraction, cents: int, line: Line) -> None:
        pool = self.pool(lot)
        self.left[lot] += quantity
        stranded = self.pools[pool].put(quantity, cents)
        if stranded:
            note = "cost that came after the last of it was gone"
            self.lines.append(
                Line(
                    kind=Kind.LOT_USED,
                    on=line.on,
                    cents=stranded,
                    lot=pool,
                    order=line.order,
                    source=line.source,
                    note=note,
                )
            )

    def take(self, lot: Id, *, quantity: Fraction, line: Line) -> int:
        covered = min(quantity, self.left[lot])
        if covered < quantity:
            self.problems.append(
                Problem(line, f"{_plain(quantity - covered)} more was taken than was there.")
            )
        self.left[lot] -= covered
        return self.pools[self.pool(lot)].take(covered)


def cost_stock(
    moves: Iterable[Moved], *, method: Method = Method.FIFO, material_of: Mapping[Id, Id] | None = None
) -> Stocked:
    """Costs every move in turn and gives the stock lines for the books; the order of ``moves`` does not matter.

    With AVERAGE, lots with the same entry in ``material_of`` (same material, same unit) are costed together and their
    lines carry that entry as their lot; it must not be the id of some other lot. More than there is costs nothing beyond what there is, and is a problem: stock
    never goes below zero.
    """
    pool_of = dict(material_of or {}) if method is Method.AVERAGE else {}
    moved = list(moves)
    lone = {lot for move in moved for lot in (move.line.lot, move.line.into) if lot is not None} - set(
        pool_of
    )
    if lone & set(pool_of.values()):
        raise ValueError("A material has the id of a lot that stands alone; give materials ids of their own.")
    shelf = _Shelf(pool_of)
    for move in _in_turn(moved):
        line = move.line
        into = None if line.into is None else shelf.pool(line.into)
        if line.kind is Kind.SALVAGED and line.into is not None:
            shelf.lines.append(replace(line, into=into))
            shelf.put(line.into, quantity=move.into_quantity, cents=line.cents, line=line)
        elif line.lot is None:
            raise ValueError(f"{line.kind} moves no lot.")
        elif line.kind in LOT_IN:
            shelf.lines.append(replace(line, lot=shelf.pool(line.lot)))
            shelf.put(line.lot, quantity=move.quantity, cents=line.cents, line=line)
        else:
            cents = 0
            if move.quantity < 0:
                # A surplus found at a count has no cost of its own.
                shelf.put(line.lot, quantity=-move.quantity, cents=0, line=line)
            else:
                cents = shelf.take(line.lot, quantity=move.quantity, line=line)
            shelf.lines.append(replace(line, lot=shelf.pool(line.lot), into=into, cents=cents))
            if line.kind is Kind.OFFCUT and line.into is not None:
                shelf.put(line.into, quantity=move.into_quantity, cents=cents, line=line)
    return Stocked(
        tuple(in_order(shelf.lines)),
        {lot: shelf.left[lot] for lot in sorted(shelf.left, key=str)},
        _cents_left(shelf),
        tuple(shelf.problems),
    )


def _in_turn(moves: Iterable[Moved]) -> Iterable[Moved]:
    """By day: what comes in, then what is cut into offcuts, parents first, then what goes out."""
    by_day = sorted(moves, key=lambda move: (move.line.on, _rank(move), move.line.key, move.quantity))
    while by_day:
        line = by_day[0].line
        place = 0
        if line.kind is Kind.OFFCUT:
            cuts = [
                at for at, move in enumerate(by_day) if (move.line.on, move.line.kind) == (line.on, line.kind)
            ]
            made = {by_day[at].line.into for at in cuts}
            place = next((at for at in cuts if by_day[at].line.lot not in made), 0)
        yield by_day.pop(place)


def _rank(move: Moved) -> int:
    if move.line.kind in LOT_IN or move.line.kind is Kind.SALVAGED:
        # A second bill of the same day needs the quantity there to carry it.
        return 0 if move.quantity or move.into_quantity else 1
    return 2 if move.line.kind is Kind.OFFCUT else 3


def _cents_left(shelf: _Shelf) -> dict[Id, int]:
    """The cost left per lot; a pool's is shared over its lots by what is left of each."""
    lots_in: dict[Id, list[Id]] = defaultdict(list)
    for lot in sorted(shelf.left, key=str):
        lots_in[shelf.pool(lot)].append(lot)
    cents: dict[Id, int] = {}
    for pool, lots_of_pool in lots_in.items():
        held = shelf.pools[pool].cents
        weights = [shelf.left[lot] for lot in lots_of_pool]
        shares = split(held, weights) if held else [0] * len(weights)
        cents.update(zip(lots_of_pool, shares, strict=True))
    return cents


def _plain(quantity: Fraction) -> str:
    return f"{Decimal(quantity.numerator) / Decimal(quantity.denominator):.6g}"


@dataclass(frozen=True, slots=True)
class LotBalance:
    """What a lot cost, where that went, and what is left of it, in cents; cost = used + left, always."""

    cost: int = 0
    used_on_pieces: int = 0
    offcuts: int = 0
    written_off: int = 0
    shrinkage: int = 0
    used_otherwise: int = 0
    kept: int = 0

    @property
    def used(self) -> int:
        """Everything that has left the lot."""
        return (
            self.used_on_pieces
            + self.offcuts
            + self.written_off
            + self.shrinkage
            + self.used_otherwise
            + self.kept
        )

    @property
    def left(self) -> int:
        """What the rest of the lot carries in stock."""
        return self.cost - self.used


_OUT_FIELDS = {
    Kind.USED: "used_on_pieces",
    Kind.OFFCUT: "offcuts",
    Kind.LOT_WRITTEN_OFF: "written_off",
    Kind.SHRINKAGE: "shrinkage",
    Kind.LOT_USED: "used_otherwise",
    Kind.LOT_KEPT: "kept",
}


def lots(lines: Iterable[Line]) -> dict[Id, LotBalance]:
    """The balance of every lot (of every pool, where costs are averaged) named in the lines."""
    sums: dict[Id, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for line in lines:
        if line.lot is not None and line.kind in LOT_IN:
            sums[line.lot]["cost"] += line.cents
        elif line.lot is not None and line.kind in _OUT_FIELDS:
            sums[line.lot][_OUT_FIELDS[line.kind]] += line.cents
        if line.into is not None:
            sums[line.into]["cost"] += line.cents
    return {lot: LotBalance(**sums[lot]) for lot in sorted(sums, key=str)}
