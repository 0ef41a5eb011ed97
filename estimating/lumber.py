"""Lumber: board feet, rough stock for finished parts, and a cut list packed into boards.

Board feet go by nominal size: thickness in inches (under 1 in counts as 1 in) x width in inches x length in feet / 12
(US Navy Engineering Aid manual). Rough thickness is the smallest quarter size that planes to what is wanted, by usual
surfaced sizes (from memory: ask the yard). Cutting keeps a kerf between neighbours; the last kerf may run off the end.
All lengths exact; prices in whole minor units, rounded once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from estimating.compute import Options
from estimating.money import Currency, Money
from estimating.payload import Fields, figure
from finishes.facts import BOARD_FOOT, QUARTERS
from finishes.measures import Length, trim_decimal

__all__ = [
    "BoardStock",
    "Cutting",
    "Lumber",
    "LumberPart",
    "Piece",
    "Stick",
    "Stock",
    "board_feet",
    "compute_lumber",
    "cubic_metres",
    "cut_lengths",
    "plan",
    "quarter_for",
]

# Exact search over cut lists stops here and says so.
MOST_EXACT_PIECES = 14
MOST_STEPS = 60_000
MOST_PIECES = 1_000
MOST_KINDS = 60
# First-fit rules open one of so many stocks first.
MOST_FIRST = 8
# Extra on each rough part; workshop rule, no source.
LENGTH_ALLOWANCE = Length.inches(1)
WIDTH_ALLOWANCE = Length.inches("1/4")
KERF = Length.inches("1/8")
NOTHING = Length(0)


def board_feet(thickness: Length, width: Length, length: Length, pieces: int = 1) -> Fraction:
    """Board feet of so many pieces, exactly; thickness under 1 in counts as 1 in."""
    if pieces < 0 or min(thickness, width, length) <= Length(0):
        raise ValueError("Board feet need a thickness, width and length above 0.")
    counted = max(thickness.to("in"), Fraction(1))
    return pieces * counted * width.to("in") * length.to("in") / BOARD_FOOT.value


def cubic_metres(thickness: Length, width: Length, length: Length, pieces: int = 1) -> Fraction:
    """Cubic metres of so many pieces by their true size, exactly."""
    return pieces * thickness.to("m") * width.to("m") * length.to("m")


@dataclass(frozen=True)
class Quarter:
    """A rough thickness by its yard name, and what it planes to."""

    name: str
    rough: Length
    surfaced: Length


def quarters() -> tuple[Quarter, ...]:
    """The quarter sizes from thin to thick."""
    return tuple(
        Quarter(name, Length.of(rough, "in"), Length.of(fact.value, "in"))
        for name, (rough, fact) in QUARTERS.items()
    )


def quarter_for(finished: Length) -> Quarter | None:
    """The thinnest quarter size that planes to ``finished``; None when even 16/4 is too thin."""
    return next((quarter for quarter in quarters() if quarter.surfaced >= finished), None)


# Cutting to length


@dataclass(frozen=True)
class Piece:
    """A length wanted ``qty`` times."""

    name: str
    length: Length
    qty: int = 1


@dataclass(frozen=True)
class Stock:
    """A length that can be bought (``qty`` None: as many as wanted) or is on hand (qty given); exact minor units."""

    name: str
    length: Length
    price_cents: int | Fraction
    qty: int | None = None


@dataclass(frozen=True)
class Stick:
    """One stock length and the pieces cut from it, longest first; ``left`` is what remains after the last kerf."""

    stock: Stock
    pieces: tuple[Piece, ...]
    left: Length


@dataclass(frozen=True)
class Cutting:
    """Sticks with their pieces, cost in minor units, pieces that fit nowhere; ``proved`` when no cheaper way exists."""

    sticks: tuple[Stick, ...]
    cost_cents: int | Fraction
    unplaced: tuple[Piece, ...]
    proved: bool


def cut_lengths(pieces: Sequence[Piece], stocks: Sequence[Stock], *, kerf: Length) -> Cutting:
    """Pieces packed into stock lengths at least cost, then least stock length; exact for small lists.

    Exact up to 14 pieces (within a step limit), else the best of several first-fit rules. The order of input changes
    nothing but ties. ``unplaced`` holds pieces longer than every stock, or more than limited stock can give.
    """
    singles = sorted(
        (replace(piece, qty=1) for piece in pieces for _ in range(piece.qty)),
        key=lambda piece: (-piece.length.nm, piece.name),
    )
    if len(stocks) > MOST_KINDS:
        raise ValueError(f"More than {MOST_KINDS} kinds of stock is more than this program compares.")
    if len(singles) > MOST_PIECES:
        raise ValueError(f"More than {MOST_PIECES} pieces is more than this program cuts at once.")
    ordered = sorted(stocks, key=lambda stock: (stock.price_cents, stock.length.nm, stock.name))
    longest = max((stock.length for stock in ordered), default=NOTHING)
    too_long = tuple(piece for piece in singles if piece.length > longest)
    fitting = [piece for piece in singles if piece.length <= longest]
    if not fitting:
        return Cutting((), 0, too_long, True)
    search = _CutSearch([piece.length.nm for piece in fitting], ordered, kerf.nm)
    bins, placed, proved = search.solve()
    sticks = tuple(
        Stick(
            ordered[which],
            tuple(fitting[at] for at in inside),
            Length(max(0, ordered[which].length.nm - sum(fitting[at].length.nm + kerf.nm for at in inside))),
        )
        for which, inside in sorted(bins, key=lambda row: (row[0], row[1]))
    )
    left_out = tuple(piece for at, piece in enumerate(fitting) if at not in placed)
    return Cutting(sticks, sum(stick.stock.price_cents for stick in sticks), too_long + left_out, proved)


_Bins = list[tuple[int, tuple[int, ...]]]


class _CutSearch:
    """Packs lengths (longest first, kerf added to each and once to the stock) into stocks."""

    def __init__(self, lengths: list[int], stocks: Sequence[Stock], kerf: int) -> None:
        self.sizes = [length + kerf for length in lengths]
        self.stocks = stocks
        self.rooms = [stock.length.nm + kerf for stock in stocks]
        self.prices = [stock.price_cents for stock in stocks]
        self.limited = [which for which, stock in enumerate(stocks) if stock.qty is not None]
        self.steps = 0
        self.seen: dict[tuple[tuple[int, ...], tuple[int, ...]], tuple[int, int | Fraction, int, int]] = {}

    def solve(self) -> tuple[_Bins, set[int], bool]:
        best = self._first_fits()
        if len(self.sizes) > MOST_EXACT_PIECES:
            placed = {at for _, inside in best for at in inside}
            return best, placed, len(placed) == len(self.sizes) and self._value(best) == self._bound()
        self.best, self.best_key = best, self._key(best)
        left = [stock.qty if stock.qty is not None else len(self.sizes) for stock in self.stocks]
        self._branch(tuple(range(len(self.sizes))), [], left)
        placed = {at for _, inside in self.best for at in inside}
        # With too little stock, leaving another piece over might save one: that is not searched.
        return self.best, placed, self.steps <= MOST_STEPS and len(placed) == len(self.sizes)

    def _value(self, bins: _Bins) -> int | Fraction:
        return sum(self.prices[which] for which, _ in bins)

    def _key(self, bins: _Bins) -> tuple[int, int | Fraction, int, int]:
        """Most pieces placed, then money, then stock length, then sticks."""
        placed = sum(len(inside) for _, inside in bins)
        length = sum(self.rooms[which] for which, _ in bins)
        return (len(self.sizes) - placed, self._value(bins), length, len(bins))

    def _cheapest(self) -> Fraction:
        """The best price by length."""
        return min(Fraction(price) / room for price, room in zip(self.prices, self.rooms, strict=True))

    def _bound(self) -> int | Fraction:
        """No way of cutting costs less; whole prices make it a whole number."""
        least = self._cheapest() * sum(self.sizes)
        whole = all(Fraction(price).denominator == 1 for price in self.prices)
        return -(-least.numerator // least.denominator) if whole else least

    def _first_fits(self) -> _Bins:
        """The best of: each stock first in turn, best fit and first fit, with the last stick bought shorter."""
        found = []
        everything = range(len(self.stocks))
        by_length = sorted(everything, key=lambda which: Fraction(self.prices[which]) / self.rooms[which])
        for first in by_length[:MOST_FIRST]:
            order = [first, *(which for which in everything if which != first)]
            found += [self._fit(order, tightest=tightest) for tightest in (False, True)]
        return min(found, key=self._key)

    def _fit(self, order: Sequence[int], *, tightest: bool) -> _Bins:
        left = {which: self.stocks[which].qty for which in order}
        open_sticks: list[tuple[int, list[int], int]] = []
        # Stock on hand is opened before anything is bought.
        free = [which for which in order if self.stocks[which].qty is not None]
        bought = [which for which in order if self.stocks[which].qty is None]
        for at, size in enumerate(self.sizes):
            fits = [stick for stick in open_sticks if stick[2] >= size]
            if fits:
                stick = min(fits, key=lambda row: row[2]) if tightest else fits[0]
                open_sticks[open_sticks.index(stick)] = (stick[0], [*stick[1], at], stick[2] - size)
                continue
            for which in (*free, *bought):
                count = left[which]
                if self.rooms[which] >= size and (count is None or count > 0):
                    open_sticks.append((which, [at], self.rooms[which] - size))
                    left[which] = None if count is None else count - 1
                    break
        return [(self._cheapest_for(which, inside), tuple(inside)) for which, inside, _ in open_sticks]

    def _cheapest_for(self, which: int, inside: Sequence[int]) -> int:
        """The cheapest unlimited stock that still holds these pieces."""
        if self.stocks[which].qty is not None:
            return which
        needed = sum(self.sizes[at] for at in inside)
        holds = [
            other
            for other, stock in enumerate(self.stocks)
            if stock.qty is None and self.rooms[other] >= needed
        ]
        return min(holds, key=lambda other: (self.prices[other], self.rooms[other]))

    def _branch(self, rest: tuple[int, ...], bins: _Bins, left: list[int]) -> None:
        """Every way to fill one stick around the longest piece left, then the others."""
        self.steps += 1
        if self.steps > MOST_STEPS:
            return
        if not rest:
            key = self._key(bins)
            if key < self.best_key:
                self.best, self.best_key = list(bins), key
            return
        if self.best_key[0] == 0:
            paid = self._value(bins)
            needed = sum(self.sizes[at] for at in rest)
            if paid + self._cheapest() * needed > self.best_key[1]:
                return
        # The same lengths left with the same stock were reached before, and no dearer: nothing new from here.
        state = (tuple(self.sizes[at] for at in rest), tuple(left[which] for which in self.limited))
        spent = self._key(bins)
        if state in self.seen and self.seen[state] <= spent:
            return
        self.seen[state] = spent
        first, others = rest[0], rest[1:]
        placed = False
        for which, room in enumerate(self.rooms):
            if left[which] <= 0 or room < self.sizes[first]:
                continue
            placed = True
            left[which] -= 1
            for inside in self._fillings(others, room - self.sizes[first]):
                chosen = set(inside)
                remaining = tuple(at for at in others if at not in chosen)
                self._branch(remaining, [*bins, (which, (first, *inside))], left)
            left[which] += 1
        if not placed:
            # Limited stock has run out for this piece: it stays over, the others may still fit.
            missing = self._key(bins)[0] - len(rest)
            if missing + 1 <= self.best_key[0]:
                self._branch(others, bins, left)

    def _fillings(self, others: Sequence[int], room: int) -> list[tuple[int, ...]]:
        """Fillings of a stick that no further piece fits into; equal lengths count once."""
        found: list[tuple[int, ...]] = []

        def grow(at: int, chosen: tuple[int, ...], room_left: int, smallest_skipped: int | None) -> None:
            if len(found) > MOST_STEPS:
                return
            if at == len(others):
                if smallest_skipped is None or smallest_skipped > room_left:
                    found.append(chosen)
                return
            size = self.sizes[others[at]]
            # Equal pieces stand together: taking the second but not the first is the same cut.
            same = at
            while same < len(others) and self.sizes[others[same]] == size:
                same += 1
            for count in range(min(same - at, room_left // size), -1, -1):
                skipped = smallest_skipped
                if count < same - at:
                    skipped = size if skipped is None else min(skipped, size)
                grow(same, (*chosen, *others[at : at + count]), room_left - count * size, skipped)

        grow(0, (), room, None)
        return found


# The plan


@dataclass(frozen=True)
class LumberPart:
    """A solid part by its finished size; grain runs along ``length``."""

    name: str
    length: Length
    width: Length
    thickness: Length
    qty: int = 1

    def __post_init__(self) -> None:
        if min(self.length, self.width, self.thickness) <= Length(0) or self.qty < 1:
            raise ValueError(
                f"{self.name}: a part has a length, width and thickness above 0 and is made at least once."
            )


@dataclass(frozen=True)
class BoardStock:
    """Boards of one size: ``thickness`` rough, or what it measures when ``surfaced``.

    ``price`` goes by "bf" (board foot), "length" (foot of this board), "piece" or "m3"; None when not known.
    ``qty`` is a number of boards on hand, None when the yard has as many as wanted.
    """

    name: str
    thickness: Length
    width: Length
    length: Length
    price: Money | None = None
    price_by: str = "bf"
    qty: int | None = None
    surfaced: bool = False

    def __post_init__(self) -> None:
        if min(self.length, self.width, self.thickness) <= Length(0) or (
            self.qty is not None and self.qty < 0
        ):
            raise ValueError(f"{self.name}: a board has a length, width and thickness above 0.")
        if self.price_by not in {"bf", "length", "piece", "m3"}:
            raise ValueError(f"{self.name}: a price goes by bf, length, piece or m3.")

    @property
    def board_feet(self) -> Fraction:
        """Of one board."""
        return board_feet(self.thickness, self.width, self.length)

    @property
    def usable(self) -> Length:
        """The thickness left after planing both faces; of surfaced stock, all of it."""
        if self.surfaced:
            return self.thickness
        planed = [quarter.surfaced for quarter in quarters() if quarter.rough <= self.thickness]
        return planed[-1] if planed else self.thickness - Length.inches("3/16")

    @property
    def cost_of_one(self) -> Fraction | None:
        """Minor units for one board, exactly; None when the price is not known."""
        if self.price is None:
            return None
        sizes = {
            "bf": self.board_feet,
            "length": self.length.to("ft"),
            "piece": Fraction(1),
            "m3": cubic_metres(self.thickness, self.width, self.length),
        }
        return self.price.cents * sizes[self.price_by]


@dataclass(frozen=True)
class CutBoard:
    """One board with what is cut from it: a size and the names of the parts in each strip.

    ``rip_first``: strips are ripped to that width, then cut to length. Otherwise they are cut off at that length
    first, then ripped.
    """

    stock: BoardStock
    strips: tuple[tuple[Length, tuple[str, ...]], ...]
    rip_first: bool


@dataclass(frozen=True)
class Group:
    """Parts of one rough thickness: what they measure, what to buy, and how to cut it.

    ``net`` is the parts' rough board feet, ``to_buy`` with waste (or of the boards bought); both exact. ``layers``
    stand beside ``parts``: above 1 that part is glued up from so many boards. ``cost`` is None when a price is missing.
    """

    quarter: str
    rough: Length
    parts: tuple[LumberPart, ...]
    layers: tuple[int, ...]
    net: Fraction
    to_buy: Fraction
    to_buy_m3: Fraction
    shortest_board: Length
    narrowest_board: Length
    boards: tuple[CutBoard, ...]
    cost: Money | None
    unplaced: tuple[tuple[str, str], ...]
    proved: bool


@dataclass(frozen=True)
class Lumber:
    """All groups, their sums, and what to mind; ``cost`` is None as soon as one price is missing."""

    groups: tuple[Group, ...]
    net: Fraction
    to_buy: Fraction
    to_buy_m3: Fraction
    cost: Money | None
    reasons: tuple[str, ...]
    unplaced: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class _Job:
    """What one plan reckons with throughout."""

    boards: Sequence[BoardStock]
    kerf: Length
    length_allowance: Length
    width_allowance: Length
    end_trim: Length
    waste: Fraction
    price_per_bf: Money | None
    money_of: Currency | None
    system: str

    def usable(self, kind: BoardStock) -> Length:
        """The length of a board that can be used."""
        return kind.length - self.end_trim - self.end_trim

    def shown(self, length: Length) -> str:
        return length.shown(self.system)


@dataclass(frozen=True)
class _Rough:
    """Rough stock of a part: thickness, whether bought surfaced, and layers."""

    thickness: Length
    surfaced: bool
    layers: int

    @property
    def key(self) -> tuple[int, bool]:
        return (self.thickness.nm, self.surfaced)


def plan(
    parts: Sequence[LumberPart],
    *,
    boards: Sequence[BoardStock] = (),
    kerf: Length = KERF,
    length_allowance: Length = LENGTH_ALLOWANCE,
    width_allowance: Length = WIDTH_ALLOWANCE,
    end_trim: Length = NOTHING,
    waste_percent: Fraction | int = 0,
    price_per_bf: Money | None = None,
    money_of: Currency | None = None,
    system: str = "imperial",
) -> Lumber:
    """What lumber the parts take, by rough thickness, and how to cut it from ``boards`` when some are named.

    Rough parts get ``length_allowance`` and ``width_allowance``; each board loses ``end_trim`` at both ends. A part
    thicker than the named boards (or than 16/4) plane to is glued up from layers. With boards, the cheapest cut is
    sought rip-first and cross-first with boards on hand first; without, ``waste_percent`` is added and
    ``price_per_bf`` gives the cost. ``money_of`` names the currency when no price does. Raises ValueError for no part.
    """
    if not parts:
        raise ValueError("Name at least one part.")
    if sum(part.qty for part in parts) > MOST_PIECES:
        raise ValueError(f"More than {MOST_PIECES} parts is more than this program plans at once.")
    if len(boards) > MOST_KINDS:
        raise ValueError(f"More than {MOST_KINDS} kinds of board is more than this program compares.")
    waste = Fraction(waste_percent)
    if waste < 0 or min(kerf, length_allowance, width_allowance, end_trim) < NOTHING:
        raise ValueError("Waste, kerf, allowances and trim can't be negative.")
    priced = [board.price for board in boards if board.price] + ([price_per_bf] if price_per_bf else [])
    currencies = {price.currency for price in priced} | ({money_of} if money_of else set())
    if len(currencies) > 1:
        raise ValueError("The prices are in different currencies.")
    job = _Job(
        boards=boards,
        kerf=kerf,
        length_allowance=length_allowance,
        width_allowance=width_allowance,
        end_trim=end_trim,
        waste=waste,
        price_per_bf=price_per_bf,
        money_of=next(iter(currencies), None),
        system=system,
    )
    grouped: dict[tuple[int, bool], list[tuple[LumberPart, _Rough]]] = {}
    for part in sorted(parts, key=lambda part: (-part.length.nm, -part.width.nm, part.name)):
        rough = _rough_for(part, boards)
        grouped.setdefault(rough.key, []).append((part, rough))
    groups = tuple(_group(grouped[key], job) for key in sorted(grouped))
    costs = [group.cost for group in groups if group.cost is not None]
    return Lumber(
        groups=groups,
        net=sum((group.net for group in groups), Fraction(0)),
        to_buy=sum((group.to_buy for group in groups), Fraction(0)),
        to_buy_m3=sum((group.to_buy_m3 for group in groups), Fraction(0)),
        cost=Money.total(costs, costs[0].currency) if len(costs) == len(groups) else None,
        reasons=_reasons(groups, job),
        unplaced=tuple(row for group in groups for row in group.unplaced),
    )


def _rough_for(part: LumberPart, boards: Sequence[BoardStock]) -> _Rough:
    """The thinnest named board that planes to the part; else layers of the thickest; else a quarter size."""
    if boards:
        usable = [board for board in boards if board.usable >= part.thickness]
        if usable:
            board = min(usable, key=lambda row: (row.thickness, not row.surfaced))
            return _Rough(board.thickness, board.surfaced, 1)
        board = max(boards, key=lambda row: (row.usable, -row.thickness.nm))
        return _Rough(board.thickness, board.surfaced, -(-part.thickness.nm // board.usable.nm))
    quarter = quarter_for(part.thickness)
    if quarter is not None:
        return _Rough(quarter.rough, False, 1)
    layers = -(-part.thickness.nm // quarters()[-1].surfaced.nm)
    each = quarter_for(Length(-(-part.thickness.nm // layers))) or quarters()[-1]
    return _Rough(each.rough, False, layers)


def _quarter_name(rough: Length) -> str:
    named = {quarter.rough: quarter.name for quarter in quarters()}
    return named.get(rough) or rough.in_inches()


def _group(rows: Sequence[tuple[LumberPart, _Rough]], job: _Job) -> Group:
    rough = rows[0][1]
    kinds = [
        board
        for board in job.boards
        if board.thickness == rough.thickness and board.surfaced == rough.surfaced
    ]
    wanted = [
        (part.name, part.length + job.length_allowance, part.width + job.width_allowance)
        for part, own in rows
        for _ in range(part.qty * own.layers)
    ]
    net = sum((board_feet(rough.thickness, width, length) for _, length, width in wanted), Fraction(0))
    net_m3 = sum((cubic_metres(rough.thickness, width, length) for _, length, width in wanted), Fraction(0))
    more = 1 + job.waste / 100
    cutting = _cut(wanted, kinds, job) if kinds else _Cut((), (), proved=True)
    bought = [board.stock for board in cutting.boards if board.stock.qty is None]
    if kinds:
        to_buy = sum((stock.board_feet for stock in bought), Fraction(0))
        to_buy_m3 = sum(
            (cubic_metres(kind.thickness, kind.width, kind.length) for kind in bought), Fraction(0)
        )
        prices = [stock.cost_of_one for stock in bought]
    else:
        to_buy, to_buy_m3 = net * more, net_m3 * more
        prices = [job.price_per_bf.cents * to_buy if job.price_per_bf else None]
    known = [price for price in prices if price is not None]
    cost = None
    if len(known) == len(prices) and job.money_of is not None and not cutting.unplaced:
        cost = Money.rounded(sum(known, Fraction(0)), job.money_of)
    return Group(
        quarter=_quarter_name(rough.thickness),
        rough=rough.thickness,
        parts=tuple(part for part, _ in rows),
        layers=tuple(own.layers for _, own in rows),
        net=net,
        to_buy=to_buy,
        to_buy_m3=to_buy_m3,
        shortest_board=max(length for _, length, _ in wanted) + job.end_trim + job.end_trim,
        narrowest_board=max(width for _, _, width in wanted),
        boards=cutting.boards,
        cost=cost,
        unplaced=cutting.unplaced,
        proved=cutting.proved,
    )


_Wanted = tuple[str, Length, Length]


@dataclass(frozen=True)
class _Cut:
    boards: tuple[CutBoard, ...]
    unplaced: tuple[tuple[str, str], ...]
    proved: bool

    @property
    def key(self) -> tuple[int, int, Fraction, Fraction, int]:
        """Fewest parts left over, then boards without a price, money, wood, boards."""
        bought = [board.stock for board in self.boards if board.stock.qty is None]
        prices = [stock.cost_of_one for stock in bought]
        return (
            len(self.unplaced),
            sum(price is None for price in prices),
            sum((price for price in prices if price is not None), Fraction(0)),
            sum((stock.board_feet for stock in bought), Fraction(0)),
            len(self.boards),
        )


def _cut(wanted: Sequence[_Wanted], kinds: Sequence[BoardStock], job: _Job) -> _Cut:
    """Boards on hand first, then bought; rip-first against cross-first against mixed lengths; the cheapest wins."""
    on_hand = [kind for kind in kinds if kind.qty is not None]
    yard = [kind for kind in kinds if kind.qty is None]
    found = []
    for rip_first in (True, False):
        used, rest = _use_up(wanted, on_hand, job, rip_first=rip_first)
        ways = [_buy(rest, kind, job, rip_first=rip_first) for kind in yard]
        ways.append(_buy_by_length(rest, yard, job))
        for bought, left, proved in ways:
            reasons = tuple(_why(row, kinds, job) for row in left)
            found.append(_Cut((*used, *bought), reasons, proved=proved and not used and not left))
    best = min(found, key=lambda cut: cut.key)
    return replace(best, proved=any(cut.proved and cut.key[:3] == best.key[:3] for cut in found))


def _why(row: _Wanted, kinds: Sequence[BoardStock], job: _Job) -> tuple[str, str]:
    name, length, width = row
    longest = max(job.usable(kind) for kind in kinds)
    widest = max(kind.width for kind in kinds)
    if length > longest:
        return name, f"{job.shown(length)} rough is longer than the longest board, {job.shown(longest)}"
    if width > widest:
        return (
            name,
            f"{job.shown(width)} rough is wider than the widest board, {job.shown(widest)}: glue up a panel",
        )
    if all(kind.qty is not None for kind in kinds):
        return name, "not enough boards on hand"
    return name, f"no board is {job.shown(length)} long and {job.shown(width)} wide"


def _use_up(
    wanted: Sequence[_Wanted], on_hand: Sequence[BoardStock], job: _Job, *, rip_first: bool
) -> tuple[list[CutBoard], list[_Wanted]]:
    """Boards on hand filled one after another, the smallest first."""
    rest, used = list(wanted), []
    for kind in sorted(on_hand, key=lambda row: (row.length.nm * row.width.nm, row.name)):
        for _ in range(kind.qty or 0):
            board, rest = _fill(rest, kind, job, rip_first=rip_first)
            if board is None:
                break
            used.append(board)
    return used, rest


_Way = tuple[list[CutBoard], list[_Wanted], bool]


def _buy(rest: Sequence[_Wanted], kind: BoardStock, job: _Job, *, rip_first: bool) -> _Way:
    """Boards of one kind for all that is left; proved when no fewer boards could do and no other kind was needed."""
    fits = [row for row in rest if row[1] <= job.usable(kind) and row[2] <= kind.width]
    misfits = [row for row in rest if row[1] > job.usable(kind) or row[2] > kind.width]
    if rip_first:
        bought = _ripped(fits, kind, job)
    else:
        bought, left = [], list(fits)
        while left:
            board, left = _fill(left, kind, job, rip_first=False)
            if board is None:
                break
            bought.append(board)
    kerf = job.kerf.nm
    least = sum((row[1].nm + kerf) * (row[2].nm + kerf) for row in fits)
    bound = -(-least // ((job.usable(kind).nm + kerf) * (kind.width.nm + kerf)))
    only_kind = sum(board.qty is None and board.thickness == kind.thickness for board in job.boards) == 1
    return bought, misfits, only_kind and len(bought) <= bound


def _buy_by_length(rest: Sequence[_Wanted], yard: Sequence[BoardStock], job: _Job) -> _Way:
    """Where no board is wide enough for two parts side by side, boards of several lengths mixed, exactly if few."""
    kerf = job.kerf.nm
    narrowest = min((row[2].nm for row in rest), default=0)
    kinds = [kind for kind in yard if all(row[2] <= kind.width for row in rest)]
    one_lane = all(kind.width.nm < 2 * narrowest + kerf for kind in kinds)
    if not rest or not kinds or not one_lane or len(kinds) != len(yard):
        return [], list(rest), not rest
    priced = all(kind.price is not None for kind in kinds)
    stocks = [
        Stock(str(at), job.usable(kind), kind.cost_of_one if priced and kind.cost_of_one else kind.board_feet)
        for at, kind in enumerate(kinds)
        if job.usable(kind) > NOTHING
    ]
    cutting = cut_lengths([Piece(name, length) for name, length, _ in rest], stocks, kerf=job.kerf)
    bought = [
        CutBoard(
            kinds[int(stick.stock.name)],
            tuple((piece.length, (piece.name,)) for piece in stick.pieces),
            rip_first=False,
        )
        for stick in cutting.sticks
    ]
    longest = max(job.usable(kind) for kind in kinds)
    return bought, [row for row in rest if row[1] > longest], cutting.proved


def _ripped(fits: Sequence[_Wanted], kind: BoardStock, job: _Job) -> list[CutBoard]:
    """Strips of each width cut to length, then the strips laid side by side on boards."""
    strips: list[Piece] = []
    inside: dict[str, tuple[Length, tuple[str, ...]]] = {}
    for width in sorted({row[2] for row in fits}, reverse=True):
        pieces = [Piece(name, length) for name, length, own in fits if own == width]
        for stick in cut_lengths(pieces, [Stock("strip", job.usable(kind), 1)], kerf=job.kerf).sticks:
            key = f"strip {len(strips) + 1:04d}"
            strips.append(Piece(key, width))
            inside[key] = (width, tuple(piece.name for piece in stick.pieces))
    across = cut_lengths(strips, [Stock("board", kind.width, 1)], kerf=job.kerf)
    return [
        CutBoard(kind, tuple(inside[piece.name] for piece in stick.pieces), rip_first=True)
        for stick in across.sticks
    ]


def _fill(
    rest: Sequence[_Wanted], kind: BoardStock, job: _Job, *, rip_first: bool
) -> tuple[CutBoard | None, list[_Wanted]]:
    """One board filled greedily: the widest (or longest) part opens a strip, others that fit in it follow."""
    kerf, usable = job.kerf, job.usable(kind)
    left = sorted(
        rest,
        key=lambda row: (-row[2].nm, -row[1].nm, row[0]) if rip_first else (-row[1].nm, -row[2].nm, row[0]),
    )
    limit_rows, limit_inside = (kind.width, usable) if rip_first else (usable, kind.width)
    strips: list[tuple[Length, tuple[str, ...]]] = []
    used = 0

    def along(row: _Wanted) -> int:
        """The size that sets the strip: its width when ripped first, its length when cut off first."""
        return row[2].nm if rip_first else row[1].nm

    def inside(row: _Wanted) -> int:
        return row[1].nm if rip_first else row[2].nm

    while True:
        opener = next(
            (row for row in left if used + along(row) <= limit_rows.nm and inside(row) <= limit_inside.nm),
            None,
        )
        if opener is None:
            break
        row_size, filled, names = along(opener), 0, []
        for row in list(left):
            if along(row) <= row_size and filled + inside(row) <= limit_inside.nm:
                names.append(row[0])
                filled += inside(row) + kerf.nm
                left.remove(row)
        strips.append((Length(row_size), tuple(names)))
        used += row_size + kerf.nm
    if not strips:
        return None, list(rest)
    return CutBoard(kind, tuple(strips), rip_first=rip_first), left


def _reasons(groups: Sequence[Group], job: _Job) -> tuple[str, ...]:
    said = []
    for group in groups:
        names = ", ".join(
            f"{part.name} (glued up from {layers} layers)" if layers > 1 else part.name
            for part, layers in zip(group.parts, group.layers, strict=True)
        )
        planed = QUARTERS[group.quarter][1] if group.quarter in QUARTERS else None
        surfaced = (
            f", which planes to about {job.shown(Length.of(planed.value, 'in'))} ({planed.status})"
            if planed
            else ""
        )
        said.append(f"{names}: {group.quarter} stock{surfaced}.")
        said.append(
            f"No board shorter than {job.shown(group.shortest_board)} takes the longest part, none narrower than "
            f"{job.shown(group.narrowest_board)} the widest."
        )
        if group.rough < Length.inches(1):
            said.append("Under 1 in counts as 1 in in board feet.")
        if not group.boards and not group.unplaced:
            said.append(
                f"{trim_decimal(group.net, 2)} board feet rough, {trim_decimal(group.to_buy, 2)} with "
                f"{trim_decimal(job.waste, 1)} % waste."
            )
        if group.cost is None and not group.unplaced:
            said.append(f"No price for {group.quarter} stock: ask for it, it is not free.")
    return tuple(said)


COMPUTE_HELP = """
compute lumber: board feet and boards for a cut list of solid wood

Input, a JSON object (? = may be left out):
  parts         list of {"name"?, "length", "width", "thickness", "qty"?}: finished sizes, grain along length
  boards?       list of {"name"?, "thickness", "width", "length", "price"?, "by"?, "qty"?, "surfaced"?}
                thickness rough ("1 in" for 4/4) unless surfaced is true; by: bf (default), length (a foot),
                piece or m3; qty: boards on hand, left out when the yard has as many as wanted
  kerf?         default 1/8 in
  length_allowance?, width_allowance?   added to each part, defaults 1 in and 1/4 in; may be 0
  end_trim?     cut off both ends of each board, default 0
  waste_percent?   added when no boards are named, default 0
  price_per_bf?    prices it when no boards are named;  currency? default USD
  system?          imperial (default) or metric: how the texts speak

  Lengths are text ("24 in", "600 mm", "23 5/8") or numbers; without a unit they are inches.

Output:
  board_feet_net, board_feet   numbers: rough parts, and what to buy
  cubic_metres                 number, what to buy
  cost                         text, or null when a price is missing
  groups   one for each rough thickness: {"quarter", "rough", "parts": [{"name", "qty", "layers"}],
           "board_feet_net", "board_feet", "cubic_metres", "cost", "proved", and shortest_board and
           narrowest_board each as text, _in and _mm}
           boards: [{"stock", "on_hand", "rip_first", "strips": [{"size", "size_mm", "parts"}]}]: with
           rip_first a strip is ripped to that width, otherwise cut off at that length
  unplaced [{"part", "why"}],  reasons

Example:
  echo '{"parts":[{"name":"leg","length":"28 in","width":"1 3/4","thickness":"1 3/4","qty":4}],
         "waste_percent":25,"price_per_bf":"7.50"}' | python manage.py compute lumber
"""


def compute_lumber(payload: Mapping[str, Any], _options: Options | None = None) -> dict[str, Any]:
    """The JSON contract of ``compute lumber``, as ``COMPUTE_HELP`` tells it; raises ValueError naming the field."""
    fields = Fields(
        payload,
        allowed=(
            "parts",
            "boards",
            "kerf",
            "length_allowance",
            "width_allowance",
            "end_trim",
            "waste_percent",
            "price_per_bf",
            "currency",
            "system",
        ),
    )
    system = fields.choice("system", ("imperial", "metric"), default="imperial")
    money_of = fields.currency()
    part_rows = fields.rows("parts", allowed=("length", "width", "thickness", "qty"), least=1)
    parts = [
        LumberPart(
            name=row.text("name", default=f"part {at + 1}"),
            length=row.length("length"),
            width=row.length("width"),
            thickness=row.length("thickness"),
            qty=row.whole("qty", default=1, most=MOST_PIECES),
        )
        for at, row in enumerate(part_rows)
    ]
    board_keys = ("thickness", "width", "length", "price", "by", "qty", "surfaced")
    boards = [
        BoardStock(
            name=row.text("name", default=f"board {at + 1}"),
            thickness=row.length("thickness"),
            width=row.length("width"),
            length=row.length("length"),
            price=row.money("price", money_of) if row.has("price") else None,
            price_by=row.choice("by", ("bf", "length", "piece", "m3"), default="bf"),
            qty=row.whole("qty", least=0, most=MOST_PIECES) if row.has("qty") else None,
            surfaced=row.flag("surfaced"),
        )
        for at, row in enumerate(fields.rows("boards", allowed=board_keys, optional=True))
    ]
    found = plan(
        parts,
        boards=boards,
        kerf=fields.length("kerf", default=KERF, zero=True),
        length_allowance=fields.length("length_allowance", default=LENGTH_ALLOWANCE, zero=True),
        width_allowance=fields.length("width_allowance", default=WIDTH_ALLOWANCE, zero=True),
        end_trim=fields.length("end_trim", default=NOTHING, zero=True),
        waste_percent=fields.percent("waste_percent", default=0),
        price_per_bf=fields.money("price_per_bf", money_of) if fields.has("price_per_bf") else None,
        money_of=money_of,
        system=system,
    )
    return {
        "board_feet_net": figure(found.net),
        "board_feet": figure(found.to_buy),
        "cubic_metres": figure(found.to_buy_m3),
        "cost": found.cost.typed if found.cost is not None else None,
        "groups": [_group_json(group, system) for group in found.groups],
        "unplaced": [{"part": part, "why": why} for part, why in found.unplaced],
        "reasons": list(found.reasons),
    }


def _group_json(group: Group, system: str) -> dict[str, Any]:
    return {
        "quarter": group.quarter,
        "rough": group.rough.shown(system),
        "parts": [
            {"name": part.name, "qty": part.qty, "layers": layers}
            for part, layers in zip(group.parts, group.layers, strict=True)
        ],
        "board_feet_net": figure(group.net),
        "board_feet": figure(group.to_buy),
        "cubic_metres": figure(group.to_buy_m3),
        "shortest_board": group.shortest_board.shown(system),
        "shortest_board_in": figure(group.shortest_board.to("in")),
        "shortest_board_mm": figure(group.shortest_board.to("mm")),
        "narrowest_board": group.narrowest_board.shown(system),
        "narrowest_board_in": figure(group.narrowest_board.to("in")),
        "narrowest_board_mm": figure(group.narrowest_board.to("mm")),
        "boards": [
            {
                "stock": board.stock.name,
                "on_hand": board.stock.qty is not None,
                "rip_first": board.rip_first,
                "strips": [
                    {"size": size.shown(system), "size_mm": figure(size.to("mm")), "parts": list(names)}
                    for size, names in board.strips
                ],
            }
            for board in group.boards
        ],
        "cost": group.cost.typed if group.cost is not None else None,
        "proved": group.proved,
    }
