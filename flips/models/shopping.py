"""What is to be bought for all open estimates together, by shop, less what is in hand and what the pieces took already."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction

from estimating import reckon
from estimating.models import IN_CANS, Material, MaterialKind, MaterialPrice
from estimating.money import round_half_up
from finishes.measures import BadMeasure, Volume, trim_decimal
from flips.models.estimates import (
    EstimateLine,
    LineKind,
    SawnSheet,
    Tick,
    claimed,
    is_counted,
    plain_name,
)
from flips.models.finish_needs import CansToBuy, finish_to_buy
from flips.models.people import Shop
from flips.models.pieces import Piece
from flips.models.receipts import ReceiptLine
from flips.models.records import MILLION
from flips.models.stock import Lot, StockKind, Use, UseKind

NOT_NAMED = "Anywhere"
BOARD_FEET = ("bf", "bd ft", "board foot", "board feet")


@dataclass
class Wanted:
    """One thing to buy: how many, for which pieces, what of it is in hand, and whether it is ticked as bought."""

    key: str
    name: str
    shop_name: str
    kind: str
    count: Fraction
    unit: str
    cents: int | None
    size: str = ""
    pieces: list[Piece] = field(default_factory=list)
    in_hand: str = ""
    is_bought: bool = False
    material: Material | None = None
    line: EstimateLine | None = None

    @property
    def count_words(self) -> str:
        """How many in words: "2 sheets", "12.5 bf"."""
        return reckon.amount_words(self.count, self.unit)

    @property
    def count_millionths(self) -> int:
        """How many, as a tick keeps it."""
        return -(-self.count.numerator * MILLION // self.count.denominator)


@dataclass
class ShopGroup:
    """What to buy in one shop, and what it comes to; ``cents`` is None while a price is missing."""

    name: str
    rows: list[Wanted]

    @property
    def cents(self) -> int | None:
        """What is still to be paid there."""
        open_rows = [row.cents for row in self.rows if not row.is_bought]
        return None if None in open_rows else sum(cents for cents in open_rows if cents is not None)


def shopping(shop: Shop) -> list[ShopGroup]:
    """The whole list by shop, those without one last; a fixed number of queries."""
    lines = list(
        EstimateLine.objects.open()
        .exclude(kind=LineKind.HOURS)
        .select_related("estimate__piece")
        .prefetch_related("materials", "backers")
        .order_by("estimate__piece_id", "place", "pk")
    )
    listed = _List(shop, lines)
    rows = listed.rows()
    for cans in finish_to_buy(shop):
        listed.add_cans(rows, cans)
    groups: dict[str, list[Wanted]] = defaultdict(list)
    for row in rows:
        groups[row.shop_name].append(row)
    named = sorted(groups, key=lambda name: (name == "", name.casefold()))
    return [
        ShopGroup(
            name or NOT_NAMED, sorted(groups[name], key=lambda row: (row.is_bought, row.kind, row.name))
        )
        for name in named
    ]


class _List:
    def __init__(self, shop: Shop, lines: list[EstimateLine]) -> None:
        self.shop = shop
        self.lines = lines
        self.materials = {
            material.pk: material
            for line in lines
            for material in (*line.materials.all(), *line.backers.all())
        }
        self.prices: dict[int, list[MaterialPrice]] = defaultdict(list)
        for price in MaterialPrice.objects.filter(material__in=self.materials).order_by("-seen_on", "-pk"):
            self.prices[price.material_id].append(price)
        held = claimed()
        self.lots: dict[str, list[tuple[Lot, Fraction]]] = defaultdict(list)
        self.came: dict[str, datetime] = {}
        for lot in Lot.objects.live().with_left().order_by("came_on", "pk"):
            name = plain_name(lot.name)
            self.came[name] = max(self.came.get(name, lot.created_at), lot.created_at)
            free = Fraction(lot.left_millionths - held.get(lot.pk, 0), MILLION)
            if free > 0:
                self.lots[name].append((lot, free))
        self.used = self._uses()
        self.booked = self._booked()
        self.sawn: dict[int, set[int]] = defaultdict(set)
        for done in SawnSheet.objects.live().filter(line__in=lines):
            self.sawn[done.line_id].add(done.sheet)
        self.ticks: dict[str, list[Tick]] = defaultdict(list)
        for tick in Tick.objects.live():
            self.ticks[f"m{tick.material_id}" if tick.material_id else f"l{tick.line_id}"].append(tick)

    def _booked(self) -> set[tuple[int, str]]:
        """What was bought straight for a piece, by the words of the receipt's line."""
        rows = ReceiptLine.objects.live().filter(
            receipt__voided_at__isnull=True, piece__in={line.estimate.piece_id for line in self.lines}
        )
        return {(piece, plain_name(text)) for piece, text in rows.values_list("piece", "text")}

    def _uses(self) -> dict[tuple[int, str], list[tuple[datetime, Use]]]:
        """What each piece took of each material, with when; sawn sheets are counted by their plan instead."""
        found: dict[tuple[int, str], list[tuple[datetime, Use]]] = defaultdict(list)
        rows = (
            Use.objects.live()
            .filter(
                piece__in={line.estimate.piece_id for line in self.lines},
                kind=UseKind.USED,
                lot__isnull=False,
                sawn_sheet__isnull=True,
            )
            .select_related("lot")
        )
        for use in rows:
            if use.lot is not None and use.piece_id is not None:
                found[use.piece_id, plain_name(use.lot.name)].append((use.created_at, use))
        return found

    def rows(self) -> list[Wanted]:
        """Everything still wanted."""
        found: list[Wanted] = []
        cans: dict[tuple[int, ...], list[EstimateLine]] = defaultdict(list)
        counts: dict[int, list[tuple[EstimateLine, Fraction]]] = defaultdict(list)
        for line in self.lines:
            if line.kind in (LineKind.FINISH, LineKind.GLUE):
                if line.short_nm3:
                    cans[tuple(sorted(material.pk for material in line.materials.all()))].append(line)
                continue
            for row in line.to_buy:
                count = self._still(line, row)
                if count <= 0:
                    continue
                if row["material"]:
                    counts[int(row["material"])].append((line, count))
                elif wanted := self._by_words(line, row, count):
                    found.append(wanted)
        for key, needs in counts.items():
            if key in self.materials and (wanted := self._by_count(self.materials[key], needs)):
                found.append(wanted)
        for keys, some in cans.items():
            found += self._by_volume([self.materials[key] for key in keys], some)
        return found

    def add_cans(self, rows: list[Wanted], cans: CansToBuy) -> None:
        """Adds cans for planned finishes: to the row of the same can where there is one."""
        material = cans.material
        row = next((one for one in rows if one.key == f"m{material.pk}" and not one.is_bought), None)
        if row is None:
            self.prices.setdefault(material.pk, list(material.prices.order_by("-seen_on", "-pk")[:1]))
            row = self._row(material, Fraction(cans.count), "can", [], "")
            row.pieces = list(cans.pieces)
            rows.append(row)
            return
        each = row.cents / row.count if row.cents is not None and row.count else None
        row.count += cans.count
        row.cents = round_half_up(each * row.count) if each is not None else None
        row.pieces += [piece for piece in cans.pieces if piece not in row.pieces]

    # What is still open of a line

    def _still(self, line: EstimateLine, row: dict[str, object]) -> Fraction:
        """What a line still wants of a row, after what its piece took since it was reckoned."""
        wanted = Fraction(int(str(row["millionths"])), MILLION)
        if line.kind == LineKind.SHEET and line.layout is not None:
            return Fraction(
                sum(
                    1
                    for sheet in line.layout["sheets"]
                    if sheet["source"][0] == "buy"
                    and sheet["source"][1] == row["material"]
                    and sheet["number"] not in self.sawn[line.pk]
                )
            )
        material = self.materials.get(int(str(row["material"]))) if row["material"] else None
        name = plain_name(material.name if material else str(row["name"]))
        taken = sum((use.quantity for use in self._since(line, name)), Fraction(0))
        from_stock = sum(
            (
                Fraction(int(take["millionths"]), MILLION)
                for take in line.from_stock
                if plain_name(take["name"]) == name
            ),
            Fraction(0),
        )
        return wanted - max(Fraction(0), taken - from_stock)

    def _since(self, line: EstimateLine, name: str) -> Iterable[Use]:
        for at, use in self.used[line.estimate.piece_id, name]:
            if line.reckoned_at is None or at > line.reckoned_at:
                yield use

    # The three ways of counting

    def _by_words(self, line: EstimateLine, row: dict[str, object], count: Fraction) -> Wanted | None:
        if (line.estimate.piece_id, plain_name(str(row["name"]))) in self.booked:
            return None
        in_hand = self._in_hand(plain_name(str(row["name"])), unit=str(row["unit"]), sheets=False)
        count -= in_hand
        if count <= 0:
            return None
        each = line.told.get("price_cents")
        return Wanted(
            key=f"l{line.pk}",
            name=str(row["name"]),
            shop_name="",
            kind=line.get_kind_display(),
            count=count,
            unit=str(row["unit"]),
            cents=round_half_up(Fraction(int(each)) * count) if each is not None else None,
            pieces=[line.estimate.piece],
            in_hand=trim_decimal(in_hand, 2) if in_hand else "",
            is_bought=self._ticked(f"l{line.pk}", "") >= count,
            line=line,
        )

    def _by_count(self, material: Material, needs: list[tuple[EstimateLine, Fraction]]) -> Wanted | None:
        unit = _unit_of(material)
        name = plain_name(material.name)
        wanted = sum((count for _, count in needs), Fraction(0))
        in_hand = self._in_hand(name, unit=unit, sheets=material.kind == MaterialKind.SHEET)
        count = wanted - in_hand
        if count <= 0:
            return None
        return self._row(
            material, count, unit, [line for line, _ in needs], trim_decimal(in_hand, 2) if in_hand else ""
        )

    def _by_volume(self, materials: list[Material], lines: list[EstimateLine]) -> list[Wanted]:
        """The shortages of one product together, then the cheapest cans for them."""
        short = 0
        for line in lines:
            names = {plain_name(material.name) for material in materials}
            taken = sum(
                _volume_of(use.quantity, use.lot, materials)
                for name in names
                for use in self._since(line, name)
            )
            planned = sum(
                _volume_of_unit(Fraction(int(take["millionths"]), MILLION), take["unit"], materials)
                for take in line.from_stock
            )
            short += max(0, (line.short_nm3 or 0) - max(0, taken - planned))
        in_hand = sum(
            _volume_of(free, lot, materials)
            for name in {plain_name(material.name) for material in materials}
            for lot, free in self.lots[name]
        )
        short = max(0, short - in_hand)
        offers = [
            reckon.CanOffer(
                material.pk,
                str(material),
                material.volume or Volume(0),
                reckon.Prices.of([price.cents for price in self.prices[material.pk][:1]]),
            )
            for material in materials
            if material.volume
        ]
        rows = []
        for buy in reckon.cans_to_buy(Volume(short), offers, currency=self.shop.currency):
            said = Volume(in_hand).shown(self.shop.units) if in_hand else ""
            rows.append(self._row(self.materials[buy.key], buy.count, "can", lines, said))
        return rows

    def _row(
        self, material: Material, count: Fraction, unit: str, lines: list[EstimateLine], in_hand: str
    ) -> Wanted:
        ticked = self._ticked(f"m{material.pk}", plain_name(material.name))
        is_bought = ticked >= count
        open_count = count if is_bought else count - ticked
        newest = self.prices[material.pk][:1]
        cents = None
        if newest:
            by_measure = unit in ("bf", "m³")
            each = Fraction(newest[0].cents) if by_measure else material.cents_each(newest[0].cents)
            cents = round_half_up(each * open_count)
        pieces = {line.estimate.piece_id: line.estimate.piece for line in lines}
        return Wanted(
            key=f"m{material.pk}",
            name=material.name,
            shop_name=material.shop_name,
            kind=material.get_kind_display(),
            count=open_count,
            unit=material.counted_in if unit == "can" else unit,
            cents=cents,
            size=material.size_words,
            pieces=list(pieces.values()),
            in_hand=in_hand,
            is_bought=is_bought,
            material=material,
        )

    def _ticked(self, key: str, name: str) -> Fraction:
        """What is ticked as bought and has not come in as a lot yet."""
        came = self.came.get(name) if name else None
        return sum(
            (tick.quantity for tick in self.ticks[key] if came is None or tick.created_at > came), Fraction(0)
        )

    def _in_hand(self, name: str, *, unit: str, sheets: bool) -> Fraction:
        """What is on hand beyond what any estimate counts on already."""
        total = Fraction(0)
        for lot, free in self.lots[name]:
            if unit == "bf":
                total += free if lot.unit.strip().lower() in BOARD_FEET else 0
            elif unit == "m³" or not is_counted(lot.unit):
                continue
            elif sheets:
                total += int(free) if lot.kind == StockKind.SHEET else 0
            else:
                total += free
        return total


def _unit_of(material: Material) -> str:
    if material.kind == MaterialKind.LUMBER and not (material.length_nm and material.width_nm):
        return "m³" if material.priced_by == "m3" else "bf"
    return material.counted_in


def _volume_of(quantity: Fraction, lot: Lot | None, materials: list[Material]) -> int:
    return _volume_of_unit(quantity, lot.unit, materials) if lot is not None else 0


def _volume_of_unit(quantity: Fraction, unit: str, materials: list[Material]) -> int:
    """A quantity of a lot as cubic nanometres: by its own unit, or by the can where it counts cans."""
    try:
        return int(Volume.factor(unit) * quantity)
    except BadMeasure:
        one = next(
            (material.volume for material in materials if material.kind in IN_CANS and material.volume), None
        )
        return int(one.amount * quantity) if one else 0
