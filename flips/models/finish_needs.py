"""How much of each product the coats still to come take, what stock gives of it, what is short, and what it really took."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from estimating.coating import (
    Can,
    Coat,
    Coating,
    Coverage,
    InStock,
    Surface,
    area_of,
    cheapest_cans,
    edged,
    flat,
    plan,
)
from estimating.models import IN_CANS, Material
from estimating.money import Money
from finishes.facts import COMMON_PRACTICE, Fact, Range
from finishes.measures import Area, BadMeasure, Length, Volume
from finishes.models import ShopShelf, shop_shelf
from finishes.products import BARE, Product, UnknownProduct, find_product
from flips.models.day_plan import Judged, judged
from flips.models.estimates import EstimateLine, LineKind
from flips.models.finishing import PieceSchedule, Sides
from flips.models.parts import Dimension, Part
from flips.models.people import Shop
from flips.models.pieces import Piece
from flips.models.stock import Lot, StockKind, Use, UseKind

WASTE = Fact(Fraction(10), "% for brush, tray and can", "workshop rule, no source", COMMON_PRACTICE)
FIRST_DRINKS = Fact(
    Fraction(20), "% more for the first coat on bare wood", "workshop rule, no source", COMMON_PRACTICE
)


# ---- areas -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Covered:
    """The surfaces of a schedule, and the parts that have no size to reckon with."""

    surfaces: tuple[Surface, ...]
    unmeasured: tuple[Part, ...]

    @property
    def area(self) -> Area:
        """All of it."""
        return area_of(self.surfaces)


def _most(part: Part, dimension: str) -> Length | None:
    spread = next((size for size in part.sizes() if size.dimension == dimension), None)
    return spread.most if spread else None


def surface_of(part: Part, *, sides: int) -> Surface | None:
    """What is coated of a part, by its largest readings: faces and edges, faces alone without a thickness."""
    length, width = _most(part, Dimension.LENGTH), _most(part, Dimension.WIDTH)
    thickness = _most(part, Dimension.THICKNESS)
    if length is None or width is None:
        return None
    if thickness is None:
        return flat(length, width, qty=part.count, sides=sides, name=part.name)
    return edged(length, width, thickness, sides=sides, qty=part.count, name=part.name)


def covered(schedule: PieceSchedule, parts: Sequence[Part]) -> Covered:
    """The surfaces of a schedule: the area typed for it, or its parts; ``parts`` with their readings at hand."""
    if schedule.area is not None:
        return Covered((Surface(schedule.group, schedule.area, 1, "as typed"),), ())
    sides = 2 if schedule.sides == Sides.BOTH else 1
    found = [(part, surface_of(part, sides=sides)) for part in parts]
    return Covered(
        tuple(surface for _, surface in found if surface is not None),
        tuple(part for part, surface in found if surface is None),
    )


# ---- stock -------------------------------------------------------------------------------------------------


class StockOfProducts:
    """Lots on hand by the product they hold, with what of them is spoken for already."""

    def __init__(self, shelf: ShopShelf) -> None:
        self.shelf = shelf
        self.taken: dict[int, int] = {}
        self.materials: dict[str, Material] = {}
        self.named: dict[str, str] = {}
        lots = Lot.objects.on_hand().filter(kind=StockKind.FINISH)
        self.lots: dict[str, list[Lot]] = {}
        for lot in lots:
            if name := self.product_named(lot.name):
                self.lots.setdefault(name, []).append(lot)

    def product_named(self, material: str) -> str:
        """The product that a material of this name is; empty when it is none or could be several."""
        if material not in self.named:
            try:
                self.named[material] = find_product(material, self.shelf.shelf.products).name
            except UnknownProduct:
                self.named[material] = ""
        return self.named[material]

    def on_hand(self, product: Product) -> list[tuple[Lot, Volume]]:
        """What is left of each lot of a product and not spoken for, opened cans first."""
        found = []
        for lot in self.lots.get(product.name, []):
            try:
                left = Volume.of(lot.left, lot.unit)
            except BadMeasure:
                continue
            free = left.amount - self.taken.get(lot.pk, 0)
            if free > 0:
                found.append((lot, Volume(free)))
        return sorted(found, key=lambda row: (not is_open(row[0]), row[0].came_on, row[0].pk))

    def not_a_volume(self, product: Product) -> list[Lot]:
        """Lots of a product that are counted in cans or pieces, so that nobody knows how much is in them."""
        return [lot for lot in self.lots.get(product.name, []) if not _is_volume(lot.unit)]

    def take(self, lot: Lot, volume: Volume) -> None:
        """Speaks for some of a lot."""
        self.taken[lot.pk] = self.taken.get(lot.pk, 0) + volume.amount


def is_open(lot: Lot) -> bool:
    """Whether a can has been opened: so it says, or something was taken from it."""
    return lot.opened_on is not None or lot.uses_total()[0] > 0


def _is_volume(unit: str) -> bool:
    try:
        Volume.factor(unit)
    except BadMeasure:
        return False
    return True


# ---- needs -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class FinishNeed:
    """How much of one product a piece still takes; ``coating`` has each coat, what stock gives and what is short.

    ``why_not`` says why it could not be worked out; then ``coating`` is None. ``cost`` is of cans to buy, for an owner.
    """

    piece: Piece
    schedule: PieceSchedule
    product: Product
    coats: int
    coating: Coating | None
    lots: tuple[tuple[Lot, Volume], ...] = ()
    unmeasured: tuple[Part, ...] = ()
    why_not: str = ""
    cost: Money | None = None
    cans: tuple[tuple[Material, int], ...] = ()

    @property
    def short(self) -> Volume:
        """What is to be bought."""
        return self.coating.short if self.coating else Volume(0)


def coverage_of(product: Product) -> Coverage | None:
    """What a product covers, taken at the lean end of its range; None where it is not known."""
    figure = product.coverage
    if figure is None:
        return None
    if figure.unit == "m2/L":
        return Coverage(Area.of(figure.low, "m2"), Volume.of(1, "l"))
    return Coverage(Area.of(figure.low, "ft2"), Volume.of(1, "gal"))


def _coats_left(one: Judged, *, done: bool) -> dict[str, tuple[Product, int, bool]]:
    """Products put on by the steps that are (not) done: how many coats, and whether the first drinks more."""
    found: dict[str, tuple[Product, int, bool]] = {}
    on_bare = one.schedule.over == BARE
    for row, step in zip(one.rows, one.steps, strict=True):
        if not step.applies or step.product is None:
            continue
        if (row.done_at is not None) == done:
            product, count, drinks = found.get(step.product.name, (step.product, 0, False))
            found[step.product.name] = (product, count + 1, drinks or on_bare)
        on_bare = False
    return found


def _coat(product: Product, coverage: Coverage, count: int, drinks: bool) -> Coat:
    return Coat(count, coverage, product.name, FIRST_DRINKS.value if drinks else Fraction(0))


def parts_of(pieces: Iterable[int]) -> dict[int, list[Part]]:
    """The parts of pieces with their readings, in two queries."""
    found: dict[int, list[Part]] = {}
    for part in Part.objects.live().filter(piece__in=list(pieces)).prefetch_related("readings"):
        found.setdefault(part.piece_id, []).append(part)
    return found


def _chosen(schedule: PieceSchedule, parts: Sequence[Part]) -> list[Part]:
    wanted = {part.pk for part in schedule.parts.all()}
    return [part for part in parts if part.pk in wanted] if wanted else list(parts)


def cans_for_sale(stock: StockOfProducts, shop: Shop) -> dict[str, list[Can]]:
    """Sizes and prices of each product as they were seen in stores; one query."""
    found: dict[str, list[Can]] = {}
    for material in Material.objects.offered().filter(kind__in=IN_CANS).with_price():
        volume, cents = material.volume, material.price_cents
        if volume and cents is not None and (name := stock.product_named(material.name)):
            found.setdefault(name, []).append(Can(volume, Money(cents, shop.currency), str(material.pk)))
            stock.materials[str(material.pk)] = material
    return found


def finish_needs(
    pieces: Sequence[Piece], *, shop: Shop, with_cost: bool = False, shelf: ShopShelf | None = None
) -> list[FinishNeed]:
    """What the coats still to come take, piece after piece, each from what stock has left after the one before.

    In a fixed number of queries. ``with_cost`` adds what the cans to buy cost, and is for an owner.
    """
    schedules = list(
        PieceSchedule.objects.live()
        .filter(piece__in=pieces)
        .select_related("piece")
        .prefetch_related("parts")
        .with_steps()
        .order_by("piece_id", "pk")
    )
    if not schedules:
        return []
    shelf = shelf or shop_shelf()
    stock = StockOfProducts(shelf)
    for_sale = cans_for_sale(stock, shop) if with_cost else {}
    parts = parts_of({schedule.piece_id for schedule in schedules})
    needs = []
    for schedule in schedules:
        one = judged(schedule, shelf=shelf)
        here = covered(schedule, _chosen(schedule, parts.get(schedule.piece_id, [])))
        for product, count, drinks in _coats_left(one, done=False).values():
            needs.append(_need(schedule, here, product, count, drinks, stock, for_sale, shop))
    return needs


def _need(
    schedule: PieceSchedule,
    here: Covered,
    product: Product,
    count: int,
    drinks: bool,
    stock: StockOfProducts,
    for_sale: Mapping[str, Sequence[Can]],
    shop: Shop,
) -> FinishNeed:
    coverage = coverage_of(product)
    why_not = ""
    if coverage is None:
        why_not = "Nobody knows how much it covers: write it on its page, as on your can."
    elif not here.surfaces:
        why_not = "No part of it is measured: measure one, or type the area."
    if why_not or coverage is None:
        return FinishNeed(
            schedule.piece, schedule, product, count, None, unmeasured=here.unmeasured, why_not=why_not
        )
    on_hand = stock.on_hand(product)
    coating = plan(
        here.surfaces,
        [_coat(product, coverage, count, drinks)],
        waste_percent=WASTE.value,
        in_stock=[InStock(volume, is_open(lot), str(lot.pk)) for lot, volume in on_hand],
        cans=for_sale.get(product.name, ()),
        system=shop.units,
    )
    lots = {str(lot.pk): lot for lot, _ in on_hand}
    taken = tuple((lots[row.name], volume) for row, volume in coating.from_stock)
    for lot, volume in taken:
        stock.take(lot, volume)
    odd = stock.not_a_volume(product) if coating.short else []
    note = f"{odd[0]} is in stock, but counted in {odd[0].unit}: how much is in it?" if odd else ""
    return FinishNeed(
        schedule.piece,
        schedule,
        product,
        count,
        coating,
        taken,
        here.unmeasured,
        note,
        coating.mix.cost if coating.mix else None,
        tuple((stock.materials[can.name], number) for can, number in coating.mix.cans) if coating.mix else (),
    )


@dataclass(frozen=True)
class CansToBuy:
    """So many of one can for the finishes that are planned, and for which pieces."""

    material: Material
    count: int
    pieces: tuple[Piece, ...]


def finish_to_buy(shop: Shop) -> list[CansToBuy]:
    """The cheapest cans for what the planned finishes of all pieces are short of together; a fixed number of queries.

    A piece whose estimate plans its finish is left to the estimate, so that nothing is bought twice. What no can with
    a price is known for is not here: its page says so.
    """
    estimated = EstimateLine.objects.open().filter(kind=LineKind.FINISH).values("estimate__piece")
    scheduled = PieceSchedule.objects.of_pieces_here().values("piece")
    pieces = list(Piece.objects.owned().filter(pk__in=scheduled).exclude(pk__in=estimated).order_by("pk"))
    if not pieces:
        return []
    shelf = shop_shelf()
    stock = StockOfProducts(shelf)
    for_sale = cans_for_sale(stock, shop)
    short: dict[str, int] = {}
    wanted_by: dict[str, dict[int, Piece]] = {}
    for need in finish_needs(pieces, shop=shop, shelf=shelf):
        if need.short:
            name = need.product.name
            short[name] = short.get(name, 0) + need.short.amount
            wanted_by.setdefault(name, {})[need.piece.pk] = need.piece
    found = []
    for name, amount in short.items():
        mix = cheapest_cans(Volume(amount), for_sale.get(name, []))
        for can, count in mix.cans if mix else ():
            found.append(CansToBuy(stock.materials[can.name], count, tuple(wanted_by[name].values())))
    return found


# ---- what it really took -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Took:
    """Product planned for the coats that are done against what was used; ``coverage`` is what that comes to."""

    product: Product
    coats: int
    planned: Volume
    used: Volume
    coverage: Range
    believable: bool


# A quantity that is out by more than this was typed wrong, or some of it went elsewhere.
BELIEVABLE = (Fraction(1, 3), Fraction(3))


def took(piece: Piece, *, shelf: ShopShelf | None = None) -> list[Took]:
    """For each product whose coats on a piece are all done: planned, used, and the coverage worked out from both."""
    shelf = shelf or shop_shelf()
    schedules = list(
        PieceSchedule.objects.live().filter(piece=piece).prefetch_related("parts").with_steps().order_by("pk")
    )
    if not schedules:
        return []
    used = _used(piece, shelf)
    if not used:
        return []
    parts = parts_of([piece.pk]).get(piece.pk, [])
    # Square nanometres of coat by product, the first coat's thirst and the waste counted in; None where unknown.
    laid: dict[str, tuple[Product, int, Fraction | None]] = {}
    waiting: set[str] = set()
    for schedule in schedules:
        one = judged(schedule, shelf=shelf)
        here = covered(schedule, _chosen(schedule, parts))
        waiting |= set(_coats_left(one, done=False))
        for name, (product, count, drinks) in _coats_left(one, done=True).items():
            extra = FIRST_DRINKS.value / 100 if drinks else Fraction(0)
            area = here.area.amount * (count + extra) * (1 + WASTE.value / 100)
            known = bool(here.surfaces) and not here.unmeasured
            _, before, so_far = laid.get(name, (product, 0, Fraction(0)))
            laid[name] = (product, before + count, so_far + area if known and so_far is not None else None)
    found = []
    for name, (product, count, coated) in laid.items():
        coverage = coverage_of(product)
        if name in waiting or coated is None or coverage is None or not used.get(name):
            continue
        found.append(_took(product, count, coated, coverage, used[name], piece))
    return found


def _took(
    product: Product, count: int, area: Fraction, coverage: Coverage, used: Volume, piece: Piece
) -> Took:
    planned = Volume(round(coverage.volume_on(area)))
    metric = product.coverage is not None and product.coverage.unit == "m2/L"
    spread = Fraction(area, used.amount)
    unit = "m2/L" if metric else "ft2/US gal"
    per = Area.factor("m2") / Volume.factor("l") if metric else Area.factor("ft2") / Volume.factor("gal")
    rate = Fraction(round(spread / per * 10), 10)
    ratio = Fraction(used.amount, planned.amount) if planned.amount else Fraction(0)
    source = f"worked out from {count} coat{'s' if count > 1 else ''} on {piece}"
    return Took(
        product,
        count,
        planned,
        used,
        Range(rate, rate, unit, source, COMMON_PRACTICE),
        BELIEVABLE[0] <= ratio <= BELIEVABLE[1],
    )


def _used(piece: Piece, shelf: ShopShelf) -> dict[str, Volume]:
    """What was used of each product on a piece, as far as its quantity is a volume."""
    stock = StockOfProducts(shelf)
    found: dict[str, Volume] = {}
    rows = Use.objects.live().filter(piece=piece, kind=UseKind.USED).select_related("lot")
    for use in rows:
        name = stock.product_named(str(use))
        try:
            volume = Volume.of(use.quantity, use.counted_in)
        except BadMeasure:
            continue
        if name:
            found[name] = found.get(name, Volume(0)) + volume
    return found
