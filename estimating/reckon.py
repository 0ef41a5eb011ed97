"""One line of an estimate: what it takes, what stock gives, what to buy, and what it costs the piece.

Every function hands its parts to the engine of the trade (sheets, veneer, lumber, coating) and turns the answer into
the same shape, ``Reckoned``. Two costs are told apart: ``buy`` is what is paid at the counter, for whole sheets, boards
and cans; ``likely`` is what the piece is charged, a share of the sheet or can and of what comes out of stock.

Low and high: the lowest and highest price seen; waste left out, or doubled; and where whole things are bought, one more
of the dearest in case one is spoilt. That range is a workshop rule, no source. A missing price makes every cost None.
All amounts are exact minor units, rounded once where they are stated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from estimating import coating, lumber, veneer
from estimating.money import Currency, Money, round_half_up, split
from estimating.sheets import CutSheet, Layout, Panel, Sheet, lay_out
from finishes.measures import Length, Volume, trim_decimal

__all__ = [
    "BoardOffer",
    "Buy",
    "CanOffer",
    "LeafOffer",
    "OnHand",
    "Prices",
    "Reckoned",
    "SheetOffer",
    "Take",
    "amount_words",
    "boards",
    "cans_to_buy",
    "coats",
    "counted",
    "leaves",
    "sheet_cost",
    "sheets",
]

NOTHING = Length(0)
# Prices are taken from what was seen in so many days; older ones say little about tomorrow.
PRICE_DAYS = 730


@dataclass(frozen=True)
class Prices:
    """What one sheet, leaf, board or can costs: lowest, newest and highest seen, in minor units, exactly."""

    low: Fraction
    likely: Fraction
    high: Fraction

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.likely <= self.high:
            raise ValueError("Prices run from low over likely to high.")

    @classmethod
    def of(cls, seen: Sequence[Fraction | int]) -> Prices | None:
        """From prices newest first; None when none was seen."""
        if not seen:
            return None
        exact = [Fraction(one) for one in seen]
        return cls(min(exact), exact[0], max(exact))


@dataclass(frozen=True)
class SheetOffer:
    """A sheet that can be bought."""

    key: int
    name: str
    length: Length
    width: Length
    trim: Length = NOTHING
    has_grain: bool = True
    prices: Prices | None = None


@dataclass(frozen=True)
class LeafOffer:
    """A leaf of veneer that can be bought."""

    key: int
    name: str
    length: Length
    width: Length
    thickness: Length | None = None
    prices: Prices | None = None


@dataclass(frozen=True)
class BoardOffer:
    """A board that can be bought; ``length`` and ``width`` None: random sizes, then ``prices`` are by ``by``."""

    key: int
    name: str
    thickness: Length
    length: Length | None = None
    width: Length | None = None
    surfaced: bool = False
    by: str = "bf"
    prices: Prices | None = None


@dataclass(frozen=True)
class CanOffer:
    """A can or bottle that can be bought."""

    key: int
    name: str
    size: Volume
    prices: Prices | None = None


@dataclass(frozen=True)
class OnHand:
    """What a lot still holds: ``left`` in its unit, and what that cost; sizes of one, where it has any."""

    key: int
    name: str
    left: Fraction
    cents: Fraction
    unit: str = "piece"
    length: Length | None = None
    width: Length | None = None
    thickness: Length | None = None
    volume: Volume | None = None
    trim: Length = NOTHING

    def share(self, quantity: Fraction | int) -> Fraction:
        """What so much of it cost, exactly."""
        return self.cents * Fraction(quantity) / self.left if self.left else Fraction(0)


@dataclass(frozen=True)
class Buy:
    """So many of one thing to buy; ``cents`` None when its price is not known."""

    key: int
    name: str
    count: Fraction
    unit: str
    cents: int | None


@dataclass(frozen=True)
class Take:
    """So much to take from one lot, and what that cost."""

    key: int
    name: str
    quantity: Fraction
    unit: str
    cents: int


@dataclass(frozen=True)
class Reckoned:
    """One line worked out. ``low``, ``likely`` and ``high`` are None as soon as one price is missing.

    ``needed`` says in words how much the work takes; ``left_out`` what did not fit anywhere, with the reason.
    """

    needed: str
    buy: tuple[Buy, ...]
    take: tuple[Take, ...]
    low: int | None
    likely: int | None
    high: int | None
    reasons: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    layout: Layout | None = None
    # Of finish and glue: what stock does not cover.
    short: Volume | None = None

    @property
    def buy_cents(self) -> int | None:
        """What is paid at the counter; None when a price is missing."""
        amounts = [row.cents for row in self.buy]
        return None if None in amounts else sum(cents for cents in amounts if cents is not None)

    @property
    def missing(self) -> tuple[int, ...]:
        """Keys of what is to be bought without a known price."""
        return tuple(row.key for row in self.buy if row.cents is None)


COUNTED = ("sheet", "board", "can", "bottle", "piece", "offcut", "box", "leaf")


def amount_words(count: Fraction | int, word: str) -> str:
    """So many of a thing in words: "2 leaves", "12.5 bf", "8 fl oz"."""
    shown = trim_decimal(Fraction(count), 2)
    if shown == "1" or word not in COUNTED:
        return f"{shown} {word}"
    return f"{shown} {({'leaf': 'leaves', 'box': 'boxes'}).get(word, word + 's')}"


def _buying(
    counts: Mapping[int, int], offers: Mapping[int, SheetOffer | LeafOffer | BoardOffer], unit: str
) -> tuple[Buy, ...]:
    rows = []
    for key, count in sorted(counts.items()):
        offer = offers[key]
        cents = round_half_up(offer.prices.likely * count) if offer.prices else None
        rows.append(Buy(key, offer.name, Fraction(count), unit, cents))
    return tuple(rows)


def _at(
    counts: Mapping[int, int],
    offers: Mapping[int, SheetOffer | LeafOffer | BoardOffer],
    price: Callable[[Prices], Fraction],
) -> Fraction | None:
    total = Fraction(0)
    for key, count in counts.items():
        prices = offers[key].prices
        if prices is None:
            return None
        total += price(prices) * count
    return total


def _spare(counts: Mapping[int, int], offers: Mapping[int, SheetOffer | LeafOffer | BoardOffer]) -> Fraction:
    """One more of the dearest that is bought anyway."""
    bought = [offers[key].prices for key, count in counts.items() if count]
    return max((prices.high for prices in bought if prices is not None), default=Fraction(0))


def _in_order(
    low: int | None, likely: int | None, high: int | None
) -> tuple[int | None, int | None, int | None]:
    """A smaller need may take a dearer can: low is never above likely, high never below it."""
    if low is None or likely is None or high is None:
        return None, None, None
    return min(low, likely), likely, max(high, likely)


def _rounded(exact: Fraction | None) -> int | None:
    return None if exact is None else round_half_up(exact)


def _name_from(rows: Sequence[OnHand], unit: str, counts: Mapping[int, Fraction | int]) -> tuple[Take, ...]:
    by_key = {row.key: row for row in rows}
    return tuple(
        Take(
            key,
            by_key[key].name,
            Fraction(count),
            by_key[key].unit or unit,
            round_half_up(by_key[key].share(count)),
        )
        for key, count in sorted(counts.items())
        if count
    )


def _own_names(offers: Sequence[LeafOffer | BoardOffer]) -> dict[int, str]:
    """A name of its own for each offer, so that an engine's answer can be told apart: the size where two are alike."""
    names: dict[int, str] = {}
    for offer in offers:
        name = offer.name
        if name in names.values():
            sides = [side.text or side.in_mm() for side in (offer.length, offer.width) if side]
            name = f"{name}, {' × '.join(sides)}"
        while name in names.values():
            name = f"{name} too"
        names[offer.key] = name
    return names


# Sheet goods


def sheet_cost(cents: int, cut_sheet: CutSheet, *, offcuts_carry_cost: bool) -> tuple[int, list[int]]:
    """What a sheet's price leaves with the piece, and what goes with each offcut; they add up to the price."""
    if not offcuts_carry_cost:
        return cents, [0] * len(cut_sheet.offcuts)
    whole = cut_sheet.sheet.length.nm * cut_sheet.sheet.width.nm
    areas = [offcut.area.amount for offcut in cut_sheet.offcuts]
    piece, *offcuts = split(cents, [whole - sum(areas), *areas])
    return piece, offcuts


def sheets(
    panels: Sequence[Panel],
    offers: Sequence[SheetOffer],
    on_hand: Sequence[OnHand] = (),
    *,
    kerf: Length,
    keep: Length = NOTHING,
    offcuts_carry_cost: bool = True,
    max_stages: int | None = None,
    seconds: float | None = 1.0,
    system: str = "imperial",
) -> Reckoned:
    """Sheet goods by the layout engine: sheets and offcuts on hand first, then the cheapest sheets to buy.

    Sheets in the layout are named "buy 3" or "stock 7" after their key. Raises ValueError for nothing to cut or
    nothing to cut it from.
    """
    by_key = {offer.key: offer for offer in offers}
    lots = {row.key: row for row in on_hand if row.length and row.width and int(row.left) > 0}
    unknown = [offer for offer in offers if offer.prices is None]
    # Without a price the smallest area counts as the cheapest; the cost itself stays unknown.
    prices = {
        offer.key: offer.length.nm * offer.width.nm // 10**12
        if unknown
        else round_half_up(offer.prices.likely if offer.prices else 0)
        for offer in offers
    }
    stock = [
        Sheet(f"buy {offer.key}", offer.length, offer.width, prices[offer.key], trim=offer.trim)
        for offer in offers
    ]
    stock += [
        Sheet(
            f"stock {row.key}",
            row.length,  # type: ignore[arg-type]
            row.width,  # type: ignore[arg-type]
            0,
            count=int(row.left),
            is_offcut=True,
            trim=row.trim,
        )
        for row in lots.values()
    ]
    layout = lay_out(
        panels,
        stock,
        kerf=kerf,
        keep=(keep, keep) if keep else None,
        max_stages=max_stages,
        seconds=seconds,
    )
    counts: dict[int, int] = {}
    taken: dict[int, int] = {}
    low = likely = high = Fraction(0)
    known = True
    for cut_sheet in layout.sheets:
        where, _, key_text = cut_sheet.sheet.name.partition(" ")
        key = int(key_text)
        if where == "stock":
            taken[key] = taken.get(key, 0) + 1
            price = Prices.of([lots[key].share(1)])
        else:
            counts[key] = counts.get(key, 0) + 1
            price = by_key[key].prices
        if price is None:
            known = False
            continue
        parts = [
            sheet_cost(round_half_up(cents), cut_sheet, offcuts_carry_cost=offcuts_carry_cost)[0]
            for cents in (price.low, price.likely, price.high)
        ]
        low, likely, high = low + parts[0], likely + parts[1], high + parts[2]
    buying = _buying(counts, by_key, "sheet")
    reasons = [_sheet_reason(layout, panels, system)]
    for row in buying:
        reasons.append(f"{amount_words(row.count, 'sheet')} of {row.name} to buy.")
    taking = _name_from(list(lots.values()), "sheet", taken)
    for take in taking:
        reasons.append(f"{amount_words(take.quantity, take.unit)} of {take.name} from stock.")
    if layout.sheets_bought:
        reasons.append(layout.bound_text)
    kept = sum(len(sheet.offcuts) for sheet in layout.sheets)
    if kept:
        how = "with their share of the cost by area" if offcuts_carry_cost else "without cost"
        reasons.append(
            f"Back to stock {how}: {amount_words(kept, 'offcut')}, {layout.offcut_area.shown(system)}."
        )
    if counts:
        reasons.append("High: the highest price seen, and one sheet spoilt.")
    complete = known and not layout.not_placed
    return Reckoned(
        needed=amount_words(len(layout.sheets), "sheet"),
        buy=buying,
        take=taking,
        low=round_half_up(low) if complete else None,
        likely=round_half_up(likely) if complete else None,
        high=round_half_up(high + _spare(counts, by_key)) if complete else None,
        reasons=tuple(reasons),
        warnings=tuple(
            f"No price for {by_key[key].name} yet." for key in counts if by_key[key].prices is None
        ),
        left_out=tuple(f"{row.count} × {row.name}: {row.reason}." for row in layout.not_placed),
        layout=layout,
    )


def _sheet_reason(layout: Layout, panels: Sequence[Panel], system: str) -> str:
    wanted = sum(panel.count for panel in panels)
    used = trim_decimal(layout.utilisation * 100, 0)
    return (
        f"{wanted} part{'s' if wanted > 1 else ''}, {layout.parts_area.shown(system)}, saw cut "
        f"{layout.kerf.shown(system)}: {layout.cut_count} cuts, {used} % of the sheets used."
    )


# Veneer


def leaves(
    panels: Sequence[veneer.VeneerPanel],
    offers: Sequence[LeafOffer],
    *,
    backers: Sequence[LeafOffer] = (),
    on_hand: Mapping[int, Sequence[OnHand]] | None = None,
    allowance: Length = veneer.ALLOWANCE,
    waste_percent: Fraction | int = 10,
    currency: Currency,
    system: str = "imperial",
) -> Reckoned:
    """Veneer by its engine; ``on_hand`` are the lots of each offer by its key. Whole leaves are charged."""
    by_key = {offer.key: offer for offer in (*offers, *backers)}
    names = _own_names([*offers, *backers])
    keys = {name: key for key, name in names.items()}
    lots = on_hand or {}

    def stock(offer: LeafOffer) -> veneer.VeneerStock:
        # The engine speaks in whole minor units; the exact price is put on again below.
        return veneer.VeneerStock(
            name=names[offer.key],
            length=offer.length,
            width=offer.width,
            price=Money.rounded(offer.prices.likely, currency) if offer.prices else None,
            on_hand=sum(int(row.left) for row in lots.get(offer.key, ())),
            thickness=offer.thickness,
        )

    def planned(waste: Fraction) -> veneer.Veneer:
        return veneer.plan(
            panels,
            [stock(offer) for offer in offers],
            backers=[stock(offer) for offer in backers],
            allowance=allowance,
            waste_percent=waste,
            money_of=currency,
            system=system,
        )

    def costs(found: veneer.Veneer, price: Callable[[Prices], Fraction]) -> Fraction | None:
        total = Fraction(0)
        for covering in _coverings(found):
            key = keys[covering.stock.name]
            if covering.unplaced:
                return None
            if covering.to_buy:
                prices = by_key[key].prices
                if prices is None:
                    return None
                total += price(prices) * covering.to_buy
            total += sum((row.cents for row in _taken(lots.get(key, ()), covering.from_stock)), 0)
        return total

    waste = Fraction(waste_percent)
    found, most = planned(waste), planned(2 * waste)
    buy: list[Buy] = []
    take: list[Take] = []
    counts: dict[int, int] = {}
    for covering in _coverings(found):
        key = keys[covering.stock.name]
        counts[key] = counts.get(key, 0) + covering.to_buy
        take += _taken(lots.get(key, ()), covering.from_stock)
    buy = list(_buying({key: count for key, count in counts.items() if count}, by_key, "leaf"))
    low, likely, high = _in_order(
        _rounded(costs(planned(Fraction(0)), lambda p: p.low)),
        _rounded(costs(found, lambda p: p.likely)),
        _rounded(costs(most, lambda p: p.high)),
    )
    return Reckoned(
        needed=amount_words(sum(covering.leaves for covering in _coverings(found)), "leaf"),
        buy=tuple(buy),
        take=tuple(take),
        low=low,
        likely=likely,
        high=high,
        reasons=(*found.reasons, f"Low without waste, high with {trim_decimal(2 * waste, 1)} %."),
        warnings=found.warnings,
        left_out=tuple(f"{name}: {why}" for covering in _coverings(found) for name, why in covering.unplaced),
    )


def _coverings(found: veneer.Veneer) -> list[veneer.Covering]:
    return [found.face, *([found.backer] if found.backer else [])]


def _taken(rows: Sequence[OnHand], wanted: int) -> list[Take]:
    """So many whole ones from lots, oldest first."""
    taken = []
    for row in rows:
        count = min(wanted, int(row.left))
        if count > 0:
            taken.append(Take(row.key, row.name, Fraction(count), row.unit, round_half_up(row.share(count))))
            wanted -= count
    return taken


# Lumber


def boards(
    parts: Sequence[lumber.LumberPart],
    offers: Sequence[BoardOffer],
    on_hand: Sequence[OnHand] = (),
    *,
    kerf: Length,
    waste_percent: Fraction | int = 25,
    currency: Currency,
    system: str = "imperial",
) -> Reckoned:
    """Boards by the lumber engine: cut from sized boards where all ``offers`` have a size, else by board feet.

    Boards on hand go first. By board feet ``waste_percent`` is added; of sized boards whole ones are charged.
    """
    if offers and all(offer.length and offer.width for offer in offers):
        return _sized_boards(parts, offers, on_hand, kerf=kerf, currency=currency, system=system)
    return _random_widths(
        parts,
        [offer for offer in offers if not (offer.length and offer.width)],
        on_hand,
        waste=Fraction(waste_percent),
        currency=currency,
        system=system,
    )


def _sized_boards(
    parts: Sequence[lumber.LumberPart],
    offers: Sequence[BoardOffer],
    on_hand: Sequence[OnHand],
    *,
    kerf: Length,
    currency: Currency,
    system: str,
) -> Reckoned:
    by_key = {offer.key: offer for offer in offers}
    names = _own_names(offers)
    keys = {name: key for key, name in names.items()}
    lots = {
        f"{row.name} (stock {row.key})": row
        for row in on_hand
        if row.length and row.width and row.thickness and int(row.left) > 0
    }
    kinds = [
        lumber.BoardStock(
            name=names[offer.key],
            thickness=offer.thickness,
            width=offer.width,  # type: ignore[arg-type]
            length=offer.length,  # type: ignore[arg-type]
            price=Money.rounded(offer.prices.likely, currency) if offer.prices else None,
            price_by="piece",
            surfaced=offer.surfaced,
        )
        for offer in offers
    ]
    surfaced = all(offer.surfaced for offer in offers)
    kinds += [
        lumber.BoardStock(
            name=name,
            thickness=row.thickness,  # type: ignore[arg-type]
            width=row.width,  # type: ignore[arg-type]
            length=row.length,  # type: ignore[arg-type]
            price=Money(0, currency),
            price_by="piece",
            qty=int(row.left),
            surfaced=surfaced,
        )
        for name, row in lots.items()
    ]
    found = lumber.plan(parts, boards=kinds, kerf=kerf, money_of=currency, system=system)
    counts: dict[int, int] = {}
    taken: dict[int, int] = {}
    for group in found.groups:
        for board in group.boards:
            if board.stock.name in lots:
                key = lots[board.stock.name].key
                taken[key] = taken.get(key, 0) + 1
            else:
                key = keys[board.stock.name]
                counts[key] = counts.get(key, 0) + 1
    taking = _name_from(list(lots.values()), "board", taken)
    from_stock = sum(take.cents for take in taking)

    def cost(price: Callable[[Prices], Fraction], more: Fraction = Fraction(0)) -> int | None:
        paid = _at(counts, by_key, price)
        return None if paid is None or found.unplaced else round_half_up(paid + more) + from_stock

    said = list(found.reasons)
    if counts:
        said.append("Whole boards are charged. High: the highest price seen, and one board spoilt.")
    return Reckoned(
        needed=amount_words(sum(counts.values()) + sum(taken.values()), "board"),
        buy=_buying(counts, by_key, "board"),
        take=taking,
        low=cost(lambda p: p.low),
        likely=cost(lambda p: p.likely),
        high=cost(lambda p: p.high, _spare(counts, by_key)),
        reasons=tuple(said),
        warnings=tuple(
            f"No price for {by_key[key].name} yet." for key in counts if by_key[key].prices is None
        ),
        left_out=tuple(f"{name}: {why}" for name, why in found.unplaced),
    )


def _random_widths(
    parts: Sequence[lumber.LumberPart],
    offers: Sequence[BoardOffer],
    on_hand: Sequence[OnHand],
    *,
    waste: Fraction,
    currency: Currency,
    system: str,
) -> Reckoned:
    found = lumber.plan(parts, waste_percent=waste, money_of=currency, system=system)
    left = {row.key: row for row in on_hand if row.unit in ("bf", "board feet", "board foot")}
    bought: list[Buy] = []
    taking: list[Take] = []
    warnings: list[str] = []
    left_out = [f"{name}: {why}" for name, why in found.unplaced]
    low: Fraction | None = Fraction(0)
    likely: Fraction | None = Fraction(0)
    high: Fraction | None = Fraction(0)
    for group in found.groups:
        offer = next((one for one in offers if one.thickness == group.rough), None)
        if offer is None:
            names = ", ".join(part.name for part in group.parts)
            left_out.append(
                f"{names}: {group.quarter} stock is wanted, and none of the chosen lumber is that thick."
            )
            continue
        wanted = group.to_buy
        for row in list(left.values()):
            if row.thickness is not None and row.thickness != group.rough:
                continue
            taken = min(wanted, row.left)
            if taken > 0:
                taking.append(Take(row.key, row.name, taken, row.unit, round_half_up(row.share(taken))))
                left[row.key] = replace(row, left=row.left - taken, cents=row.cents - row.share(taken))
                wanted -= taken
        metric = offer.by == "m3"
        # Board feet of this group in the unit the yard prices by.
        in_unit = wanted * (group.to_buy_m3 / group.to_buy if metric else 1)
        covered = group.to_buy - wanted
        bare = max(Fraction(0), group.net - covered) * (group.to_buy_m3 / group.to_buy if metric else 1)
        most = (group.net * (1 + waste / 50) - covered) * (group.to_buy_m3 / group.to_buy if metric else 1)
        if wanted:
            cents = round_half_up(offer.prices.likely * in_unit) if offer.prices else None
            bought.append(Buy(offer.key, offer.name, in_unit, "m³" if metric else "bf", cents))
            if offer.prices is None:
                warnings.append(f"No price for {offer.name} yet.")
                low = likely = high = None
            elif low is not None and likely is not None and high is not None:
                low += offer.prices.low * bare
                likely += offer.prices.likely * in_unit
                high += offer.prices.high * most
    complete = low is not None and not left_out
    stock_cents = sum(take.cents for take in taking)

    def stated(cost: Fraction | None) -> int | None:
        return round_half_up(cost) + stock_cents if complete and cost is not None else None

    return Reckoned(
        needed=amount_words(found.to_buy, "bf"),
        buy=tuple(bought),
        take=tuple(taking),
        low=stated(low),
        likely=stated(likely),
        high=stated(high),
        reasons=(
            *found.reasons,
            f"{trim_decimal(waste, 1)} % waste added; low without it, high with {trim_decimal(2 * waste, 1)} %.",
        ),
        warnings=tuple(warnings),
        left_out=tuple(left_out),
    )


# Finish and glue


def coats(
    surfaces: Sequence[coating.Surface],
    coat: coating.Coat,
    offers: Sequence[CanOffer],
    on_hand: Sequence[OnHand] = (),
    *,
    waste_percent: Fraction | int = 10,
    currency: Currency,
    system: str = "imperial",
) -> Reckoned:
    """Finish or glue by the coating engine. The piece is charged by volume, the counter by whole cans.

    ``on_hand`` lots need a ``volume``: what is left in them. Opened ones come first in the order given.
    """
    waste = Fraction(waste_percent)
    lots = [row for row in on_hand if row.volume]
    priced = [offer for offer in offers if offer.prices is not None]
    cans = [coating.Can(o.size, Money.rounded(o.prices.likely, currency), str(o.key)) for o in priced]  # type: ignore[union-attr]

    def planned(percent: Fraction) -> coating.Coating:
        return coating.plan(
            surfaces,
            [coat],
            waste_percent=percent,
            in_stock=[coating.InStock(row.volume, name=str(row.key)) for row in lots],  # type: ignore[arg-type]
            cans=cans if len(cans) == len(offers) else (),
            system=system,
        )

    found = planned(waste)
    by_key = {row.key: row for row in lots}
    taking = tuple(_poured(by_key[int(stock.name)], volume) for stock, volume in found.from_stock)

    def cost(plan: coating.Coating, price: Callable[[Prices], Fraction]) -> int | None:
        stock = sum(
            (
                by_key[int(row.name)].share(_of_lot(by_key[int(row.name)], volume))
                for row, volume in plan.from_stock
            ),
            Fraction(0),
        )
        if not plan.short:
            return round_half_up(stock)
        if plan.mix is None:
            return None
        paid = sum(
            (price(_prices(priced, int(can.name))) * count for can, count in plan.mix.cans), Fraction(0)
        )
        return round_half_up(stock + paid * Fraction(plan.short.amount, plan.mix.bought.amount))

    bought = cans_to_buy(found.short, offers, currency=currency)
    reasons = list(found.reasons)
    if found.mix and found.mix.cans:
        over = found.mix.left_over
        reasons.append(
            f"{over.shown(system)} is left in the cans and stays stock: the piece pays for what it takes."
        )
    reasons.append(f"Low without waste, high with {trim_decimal(2 * waste, 1)} %.")
    low, likely, high = _in_order(
        cost(planned(Fraction(0)), lambda p: p.low),
        cost(found, lambda p: p.likely),
        cost(planned(2 * waste), lambda p: p.high),
    )
    return Reckoned(
        needed=found.volume.shown(system),
        buy=bought,
        take=taking,
        low=low,
        likely=likely,
        high=high,
        reasons=tuple(reasons),
        warnings=tuple(f"No price for {row.name} yet." for row in bought if row.cents is None),
        short=found.short,
    )


def _prices(offers: Sequence[CanOffer], key: int) -> Prices:
    found = next(offer.prices for offer in offers if offer.key == key)
    if found is None:
        raise ValueError("A can without a price was chosen.")
    return found


def _of_lot(row: OnHand, volume: Volume) -> Fraction:
    """A volume as a quantity of the lot's own unit."""
    return row.left * volume.amount / row.volume.amount if row.volume else Fraction(0)


def _poured(row: OnHand, volume: Volume) -> Take:
    quantity = _of_lot(row, volume)
    return Take(row.key, row.name, quantity, row.unit, round_half_up(row.share(quantity)))


def cans_to_buy(short: Volume, offers: Sequence[CanOffer], *, currency: Currency) -> tuple[Buy, ...]:
    """The cheapest cans for a shortage; without every price, the fewest of the largest, their cost unknown."""
    if not short or not offers:
        return ()
    if all(offer.prices for offer in offers):
        mix = coating.cheapest_cans(
            short,
            [
                coating.Can(o.size, Money.rounded(o.prices.likely, currency), str(o.key))
                for o in offers
                if o.prices
            ],
        )
        if mix is not None:
            names = {offer.key: offer.name for offer in offers}
            return tuple(
                Buy(int(can.name), names[int(can.name)], Fraction(count), "can", can.price.cents * count)
                for can, count in mix.cans
            )
    largest = max(offers, key=lambda offer: (offer.size, -offer.key))
    count = -(-short.amount // largest.size.amount)
    return (Buy(largest.key, largest.name, Fraction(count), "can", None),)


# Hardware and the like


def counted(
    count: Fraction | int,
    *,
    key: int,
    name: str,
    unit: str = "piece",
    prices: Prices | None = None,
    on_hand: Sequence[OnHand] = (),
) -> Reckoned:
    """So many of one thing: from stock first, oldest lot first, the rest to buy."""
    wanted = Fraction(count)
    if wanted <= 0:
        raise ValueError("Say how many are wanted.")
    taking: list[Take] = []
    left = wanted
    for row in on_hand:
        taken = min(left, row.left)
        if taken > 0:
            taking.append(Take(row.key, row.name, taken, row.unit, round_half_up(row.share(taken))))
            left -= taken
    cents = round_half_up(prices.likely * left) if prices else None
    bought = (Buy(key, name, left, unit, cents),) if left else ()
    stock = sum(take.cents for take in taking)

    def cost(price: Callable[[Prices], Fraction]) -> int | None:
        if not left:
            return stock
        return None if prices is None else round_half_up(price(prices) * left) + stock

    said = [f"{amount_words(wanted, unit)} wanted."]
    if taking:
        said.append(f"{amount_words(wanted - left, unit)} from stock.")
    return Reckoned(
        needed=amount_words(wanted, unit),
        buy=bought,
        take=tuple(taking),
        low=cost(lambda p: p.low),
        likely=cost(lambda p: p.likely),
        high=cost(lambda p: p.high),
        reasons=tuple(said),
        warnings=(f"No price for {name} yet.",) if left and prices is None else (),
    )
