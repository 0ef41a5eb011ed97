"""The plain lines every figure is folded from: one money fact each, in whole minor units, on a local date."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from fractions import Fraction

from estimating.money import round_half_up

Id = str | int


class Kind(StrEnum):
    """What a line records. The value is the word people read."""

    # Into the basis of a piece.
    PURCHASE = "purchase price"
    PREMIUM = "buyer's premium"
    PURCHASE_TAX = "tax on the purchase"
    TRANSPORT = "transport in"
    PART = "part bought"
    USED = "material used"
    HELP = "paid help"
    OPENING_PIECE = "piece brought in at the start"
    # Out of the shop and back.
    PRICE = "price"
    RETURNED = "piece returned"
    SCRAPPED = "scrapped"
    KEPT = "kept"
    GIVEN_AWAY = "given away"
    SALVAGED = "salvaged into stock"
    # Lots.
    LOT_BOUGHT = "stock bought"
    LOT_OPENING = "stock brought in at the start"
    OFFCUT = "offcut kept"
    LOT_WRITTEN_OFF = "stock written off"
    SHRINKAGE = "shrinkage"
    LOT_USED = "stock used otherwise"
    LOT_KEPT = "stock kept"
    # Selling.
    DELIVERY_CHARGED = "delivery charged"
    TIP = "tip"
    REFUND = "refund"
    FEE = "marketplace fees"
    PAYMENT_FEE = "payment fees"
    DELIVERY_PAID = "delivery paid"
    PACKING = "packing"
    RETURN_FREIGHT = "return freight"
    COMPENSATION = "carrier's compensation"
    # Money that is not the shop's yet, or never.
    TAX_COLLECTED = "tax collected"
    TAX_GIVEN_BACK = "tax given back"
    TAX_RECLAIMED = "tax paid and reclaimed"
    TAX_PAID_OVER = "tax paid over"
    DEPOSIT = "deposit taken"
    DEPOSIT_APPLIED = "deposit set against the price"
    DEPOSIT_GIVEN_BACK = "deposit given back"
    DEPOSIT_KEPT = "deposit kept"
    # The shop itself.
    EXPENSE = "expense"
    TRIP = "trip"
    OTHER_INCOME = "other income"
    PRIVATE = "private"


class Collector(StrEnum):
    """Who takes the tax from the buyer and owes it."""

    SHOP = "shop"
    MARKETPLACE = "marketplace"


PIECE_COSTS = frozenset(
    {
        Kind.PURCHASE,
        Kind.PREMIUM,
        Kind.PURCHASE_TAX,
        Kind.TRANSPORT,
        Kind.PART,
        Kind.USED,
        Kind.HELP,
        Kind.OPENING_PIECE,
    }
)
WAYS_OUT = frozenset({Kind.PRICE, Kind.SCRAPPED, Kind.KEPT, Kind.GIVEN_AWAY})
LOT_IN = frozenset({Kind.LOT_BOUGHT, Kind.LOT_OPENING})
LOT_OUT = frozenset(
    {Kind.USED, Kind.OFFCUT, Kind.LOT_WRITTEN_OFF, Kind.SHRINKAGE, Kind.LOT_USED, Kind.LOT_KEPT}
)
SELLING_COSTS = (
    Kind.FEE,
    Kind.PAYMENT_FEE,
    Kind.DELIVERY_PAID,
    Kind.PACKING,
    Kind.RETURN_FREIGHT,
    Kind.COMPENSATION,
)
BROUGHT_IN = frozenset({Kind.OPENING_PIECE, Kind.LOT_OPENING})

_NEEDS: dict[Kind, tuple[str, ...]] = {
    **dict.fromkeys(PIECE_COSTS - {Kind.HELP} | WAYS_OUT | {Kind.RETURNED}, ("piece",)),
    **dict.fromkeys(LOT_IN | LOT_OUT, ("lot",)),
    Kind.USED: ("piece", "lot"),
    Kind.OFFCUT: ("lot", "into"),
    Kind.SALVAGED: ("piece", "into"),
    Kind.TAX_COLLECTED: ("collector",),
    Kind.TAX_GIVEN_BACK: ("collector",),
    Kind.EXPENSE: ("category",),
    **dict.fromkeys(
        (Kind.DEPOSIT, Kind.DEPOSIT_APPLIED, Kind.DEPOSIT_GIVEN_BACK, Kind.DEPOSIT_KEPT), ("sale",)
    ),
}
_WORKED_OUT_HERE = frozenset({Kind.RETURNED, Kind.SCRAPPED, Kind.KEPT, Kind.GIVEN_AWAY})


class BadLine(ValueError):
    """A line that cannot be a money fact; the message says what is missing or wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One money fact: ``cents`` in whole minor units, positive in the direction its kind names.

    A credit note or a fee given back is the same kind with negative cents. A PRICE line takes its piece out of the
    shop on ``on``, the date the sale was paid; its basis is worked out by the fold, as it is for RETURNED, SCRAPPED,
    KEPT and GIVEN_AWAY, whose cents are 0. ``order`` settles what came first on one day (a time or a row number).
    Raises BadLine.
    """

    kind: Kind
    on: date
    cents: int = 0
    piece: Id | None = None
    lot: Id | None = None
    into: Id | None = None  # the lot an offcut or a salvaged part becomes
    sale: Id | None = None
    attempt: Id | None = None
    failed: bool = False
    collector: Collector | None = None
    category: str = ""
    order: int = 0
    source: tuple[str, Id] = ("", 0)
    note: str = ""

    def __post_init__(self) -> None:
        if type(self.cents) is not int:
            raise BadLine(f"{self.kind}: an amount is a whole number of minor units, not {self.cents!r}.")
        # A datetime is a date in Python, but compares with none and belongs to no time zone here.
        if type(self.on) is not date:
            raise BadLine(f"{self.kind}: a line needs a local date, not {self.on!r}.")
        for field in _NEEDS.get(self.kind, ()):
            if getattr(self, field) in (None, ""):
                raise BadLine(f"{self.kind}: a line of this kind needs its {field}.")
        if self.kind in _WORKED_OUT_HERE and self.cents:
            raise BadLine(f"{self.kind}: the amount is worked out from the basis and can't be given.")

    @property
    def is_piece_cost(self) -> bool:
        """Whether this goes into the basis of a piece; paid help on no piece does not."""
        return self.kind in PIECE_COSTS and self.piece is not None

    @property
    def is_failed_cost(self) -> bool:
        """Whether this went into the basis through an attempt that failed."""
        return self.failed and self.is_piece_cost

    @property
    def key(self) -> tuple[object, ...]:
        """Sorts lines of the same content the same way, whatever order they came in."""
        ids = (self.source[1], self.piece, self.lot, self.into, self.sale, self.attempt)
        return (
            self.on,
            self.order,
            self.kind.value,
            self.source[0],
            *(_comparable(one) for one in ids),
            self.cents,
            self.failed,
            self.collector or "",
            self.category,
            self.note,
        )


def _comparable(one: Id | None) -> tuple[int, Id]:
    """Ids that are numbers sort as numbers, before those that are words."""
    if one is None:
        return (0, 0)
    return (1, one) if isinstance(one, int) else (2, one)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """Minutes worked on a day by the owner, or by a helper; on a piece or on none."""

    on: date
    minutes: int
    piece: Id | None = None
    attempt: Id | None = None
    failed: bool = False
    helper: bool = False
    source: tuple[str, Id] = ("", 0)
    note: str = ""


@dataclass(frozen=True, slots=True)
class Problem:
    """A line that does not fit the others, and why; figures still come out, and this says what to look at."""

    line: Line
    reason: str


@dataclass(frozen=True, slots=True)
class Trace:
    """A line's share of a figure, and in a few words how it comes to be in it."""

    line: Line
    cents: int
    text: str


def in_order(lines: Iterable[Line]) -> list[Line]:
    """The lines by date and ``order``, ties by content."""
    return sorted(lines, key=lambda line: line.key)


def lot_changes(line: Line) -> tuple[tuple[Id, int], ...]:
    """What a line adds to or takes from the cost carried by lots: (lot, signed cents)."""
    changes: list[tuple[Id, int]] = []
    if line.lot is not None and line.kind in LOT_IN | LOT_OUT:
        changes.append((line.lot, line.cents if line.kind in LOT_IN else -line.cents))
    if line.into is not None and line.kind in (Kind.OFFCUT, Kind.SALVAGED):
        changes.append((line.into, line.cents))
    return tuple(changes)


def rate_on(rates: Sequence[tuple[date, Fraction | int]], day: date) -> Fraction | None:
    """The rate in force on ``day`` of dated rates (first day, rate); None before the first of them."""
    begun = [(since, rate) for since, rate in rates if since <= day]
    return Fraction(max(begun, key=lambda dated: dated[0])[1]) if begun else None


def wage_cents(minutes: int, cents_an_hour: Fraction | int) -> int:
    """What ``minutes`` at a rate an hour come to, half up."""
    return round_half_up(Fraction(cents_an_hour) * minutes / 60)


def running_cents(exact: Iterable[Fraction]) -> list[int]:
    """Whole cents for exact amounts in turn, such that every running total is the exact one rounded half up once.

    Start anew with each year: then the trips of a year post to the distance at its rate, rounded only at the end.
    """
    posted: list[int] = []
    total, written = Fraction(0), 0
    for amount in exact:
        total += amount
        posted.append(round_half_up(total) - written)
        written += posted[-1]
    return posted
