"""Finish or adhesive for an area: areas of furniture parts, volume by coats, what is open first, cheapest cans.

Volume = area x coats / coverage x (1 + waste), exactly; a first coat on bare wood may drink more. Cans to buy are the
cheapest mix that covers the shortage, then the one that leaves least over, then the one with fewest cans.
Areas of flat work are exact; turned and tapered work is reckoned with 50 digits and rounded to a square nanometre.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal, localcontext
from fractions import Fraction
from typing import Any

from estimating.compute import Options
from estimating.money import Money, round_half_up
from estimating.payload import Fields
from finishes.facts import COMMON_PRACTICE, Fact
from finishes.glue import Adhesive
from finishes.measures import Area, Length, Volume, trim_decimal

__all__ = [
    "Can",
    "Coat",
    "Coating",
    "Coverage",
    "InStock",
    "Mix",
    "Surface",
    "area_of",
    "cheapest_cans",
    "compute_coating",
    "cone",
    "coverage_for_dry_film",
    "coverage_from_spread",
    "dry_film",
    "edged",
    "flat",
    "glue_lines",
    "less_openings",
    "moulding",
    "panelled",
    "plan",
    "tapered",
    "turned",
    "wet_film",
]

_PI = Decimal("3.14159265358979323846264338327950288419716939937510582")
MOST_CANS = 10_000
MOST_STEPS = 300_000
MOST_SIZES = 60
# A raised panel in a frame shows its bevels, beads and groove edges besides its outline.
PANELLED = Fact(Fraction("1.15"), "x the outline", "workshop rule, no source", COMMON_PRACTICE)


# Areas


@dataclass(frozen=True)
class Surface:
    """What is coated on ``qty`` like parts: the area of one, and how it came about in words."""

    name: str
    one: Area
    qty: int = 1
    working: str = ""

    def __post_init__(self) -> None:
        if self.qty < 1:
            raise ValueError(f"{self.name}: how many must be at least 1.")

    @property
    def area(self) -> Area:
        """All of them together."""
        return self.one * self.qty


def _above_zero(**lengths: Length) -> None:
    for name, length in lengths.items():
        if length <= Length(0):
            raise ValueError(f"The {name.replace('_', ' ')} must be above 0.")


def flat(length: Length, width: Length, *, qty: int = 1, sides: int = 1, name: str = "flat") -> Surface:
    """A rectangle coated on ``sides`` faces, edges left out."""
    _above_zero(length=length, width=width)
    if sides < 1:
        raise ValueError("At least one side is coated.")
    working = f"{length.in_inches()} x {width.in_inches()}, {sides} side{'s' if sides > 1 else ''}"
    return Surface(name, length.by(width) * sides, qty, working)


def edged(
    length: Length,
    width: Length,
    thickness: Length,
    *,
    long_edges: int = 2,
    short_edges: int = 2,
    sides: int = 2,
    qty: int = 1,
    name: str = "board",
) -> Surface:
    """A board coated on ``sides`` faces and on so many of its two long and two short edges."""
    _above_zero(length=length, width=width, thickness=thickness)
    if not 0 <= long_edges <= 2 or not 0 <= short_edges <= 2 or not 0 <= sides <= 2:
        raise ValueError("A board has two faces, two long and two short edges.")
    area = length.by(width) * sides + length.by(thickness) * long_edges + width.by(thickness) * short_edges
    if not area:
        raise ValueError("Nothing of this board is coated.")
    working = (
        f"{length.in_inches()} x {width.in_inches()} x {thickness.in_inches()}: {sides} faces, "
        f"{long_edges} long and {short_edges} short edges"
    )
    return Surface(name, area, qty, working)


def turned(length: Length, diameter: Length, *, ends: int = 0, qty: int = 1, name: str = "turned") -> Surface:
    """A cylinder of the mean diameter, with so many of its round ends; beads and coves add more than it shows."""
    return replace(
        cone(length, diameter, diameter, ends=ends, qty=qty, name=name),
        working=f"round, {diameter.in_inches()} across, {length.in_inches()} long, {ends} ends",
    )


def cone(
    length: Length,
    large: Length,
    small: Length,
    *,
    ends: int = 0,
    qty: int = 1,
    name: str = "round taper",
) -> Surface:
    """A round taper from one diameter to another along its axis; ``ends`` 1 adds the larger round, 2 adds both."""
    _above_zero(length=length, diameter=large)
    if small < Length(0) or not 0 <= ends <= 2:
        raise ValueError("A round part has a diameter from 0 and at most two ends.")
    large, small = max(large, small), min(large, small)
    with localcontext() as context:
        context.prec = 60
        radii = (Decimal(large.nm) / 2, Decimal(small.nm) / 2)
        slant = (Decimal(length.nm) ** 2 + (radii[0] - radii[1]) ** 2).sqrt()
        area = _PI * (radii[0] + radii[1]) * slant
        area += sum((_PI * radius**2 for radius in radii[:ends]), Decimal(0))
        square_nm = round_half_up(area)
    working = (
        f"round taper {large.in_inches()} to {small.in_inches()}, {length.in_inches()} long, {ends} ends"
    )
    return Surface(name, Area(square_nm), qty, working)


def tapered(
    length: Length,
    top: tuple[Length, Length],
    foot: tuple[Length, Length],
    *,
    tapered_faces: int = 4,
    ends: int = 0,
    qty: int = 1,
    name: str = "tapered leg",
) -> Surface:
    """The four faces of a square leg that narrows from ``top`` to ``foot`` over ``length``.

    ``tapered_faces`` 4: the taper is shared by opposite faces; 2: only two neighbouring faces slope, as inside a
    table leg. ``ends`` 1 adds the foot, 2 adds top and foot.
    """
    _above_zero(length=length, top_width=top[0], top_depth=top[1])
    if min(*foot) < Length(0) or tapered_faces not in {2, 4} or not 0 <= ends <= 2:
        raise ValueError("A tapered leg has 2 or 4 sloping faces, at most two ends, and a foot from 0.")
    with localcontext() as context:
        context.prec = 60
        long = Decimal(length.nm)
        lost = [Decimal(above.nm - below.nm) for above, below in zip(top, foot, strict=True)]
        mean = [Decimal(above.nm + below.nm) / 2 for above, below in zip(top, foot, strict=True)]
        area = Decimal(0)
        for width, slope in ((mean[0], lost[1]), (mean[1], lost[0])):
            if tapered_faces == 4:
                area += 2 * width * (long**2 + (slope / 2) ** 2).sqrt()
            else:
                area += width * (long + (long**2 + slope**2).sqrt())
        square_nm = round_half_up(area)
    if ends:
        square_nm += foot[0].nm * foot[1].nm
    if ends == 2:
        square_nm += top[0].nm * top[1].nm
    working = (
        f"{top[0].in_inches()} x {top[1].in_inches()} to {foot[0].in_inches()} x {foot[1].in_inches()} over "
        f"{length.in_inches()}, {tapered_faces} faces sloping"
    )
    return Surface(name, Area(square_nm), qty, working)


def panelled(
    length: Length,
    width: Length,
    *,
    factor: Fraction = PANELLED.value,
    sides: int = 1,
    qty: int = 1,
    name: str = "panelled",
) -> Surface:
    """A frame and panel: its outline times a factor for bevels and beads (1.15 is common practice, no source)."""
    if not 1 <= factor <= 5:
        raise ValueError("A panelled surface is 1 to 5 times its outline.")
    plain = flat(length, width, sides=sides, qty=qty, name=name)
    return replace(
        plain,
        one=Area(round_half_up(plain.one.amount * factor)),
        working=f"{plain.working}, x {trim_decimal(factor, 3)} for the profile",
    )


def moulding(length: Length, girth: Length, *, qty: int = 1, name: str = "moulding") -> Surface:
    """A moulding by its girth: a tape laid over the profile, times its length."""
    _above_zero(length=length, girth=girth)
    return Surface(
        name, length.by(girth), qty, f"{length.in_inches()} long, {girth.in_inches()} over the profile"
    )


def less_openings(surface: Surface, openings: Sequence[tuple[Length, Length, int]]) -> Surface:
    """The surface without so many openings of a length and width in each part; raises ValueError when none is left."""
    cut = sum(length.nm * width.nm * count for length, width, count in openings)
    if cut >= surface.one.amount:
        raise ValueError(f"{surface.name}: the openings are as large as the surface.")
    if not cut:
        return surface
    shown = Area(cut).shown("imperial")
    return replace(
        surface, one=Area(surface.one.amount - cut), working=f"{surface.working}, less {shown} of openings"
    )


def glue_lines(joints: Sequence[tuple[Length, Length]], adhesive: Adhesive) -> tuple[Surface, ...]:
    """What an adhesive coats in these joints: one face, or both for contact cement."""
    return tuple(flat(length, width, sides=adhesive.faces, name="glue line") for length, width in joints)


def area_of(surfaces: Sequence[Surface]) -> Area:
    """All surfaces together."""
    return Area(sum(surface.area.amount for surface in surfaces))


# Coverage and film


@dataclass(frozen=True)
class Coverage:
    """So much area from so much volume, as the label says it: 400 ft2 from 1 gal."""

    area: Area
    volume: Volume

    def __post_init__(self) -> None:
        if self.area.amount <= 0 or self.volume.amount <= 0:
            raise ValueError("Coverage needs an area and a volume above 0.")

    def volume_on(self, area: Area | Fraction) -> Fraction:
        """Cubic nanometres for an area, exactly."""
        square_nm = area.amount if isinstance(area, Area) else area
        return Fraction(square_nm * self.volume.amount, self.area.amount)


def wet_film(coverage: Coverage) -> Length:
    """How thick one coat lies while wet."""
    return Length(round_half_up(Fraction(coverage.volume.amount, coverage.area.amount)))


def dry_film(coverage: Coverage, solids_percent: Fraction | int) -> Length:
    """What is left of one coat when dry, by its volume solids (0 to 100 %)."""
    return Length(
        round_half_up(Fraction(coverage.volume.amount, coverage.area.amount) * _solids(solids_percent))
    )


def coverage_for_dry_film(thickness: Length, solids_percent: Fraction | int) -> Coverage:
    """The coverage that leaves a dry film so thick; per US gallon."""
    gallon = Volume.of(1, "gal")
    solids = _solids(solids_percent)
    _above_zero(film=thickness)
    return Coverage(Area(round_half_up(gallon.amount * solids / thickness.nm)), gallon)


def coverage_from_spread(lb_per_1000_ft2: Fraction, lb_per_gal: Fraction) -> Coverage:
    """The coverage of a glue given as weight per area, with its weight per US gallon from the data sheet."""
    if lb_per_1000_ft2 <= 0 or lb_per_gal <= 0:
        raise ValueError("A spread and a weight are above 0.")
    return Coverage(Area.of(1000 * lb_per_gal / lb_per_1000_ft2, "ft2"), Volume.of(1, "gal"))


def _solids(percent: Fraction | int) -> Fraction:
    share = Fraction(percent) / 100
    if not 0 < share <= 1:
        raise ValueError("Volume solids are above 0 and at most 100 %.")
    return share


# Cans


@dataclass(frozen=True)
class Can:
    """A size on the shelf of the shop and its price."""

    size: Volume
    price: Money
    name: str = ""

    def __post_init__(self) -> None:
        if self.size.amount <= 0 or self.price.cents < 0:
            raise ValueError("A can has a size above 0 and a price from 0.")


@dataclass(frozen=True)
class Mix:
    """Cans to buy, largest first; ``proved`` is False only when the search was cut short."""

    cans: tuple[tuple[Can, int], ...]
    cost: Money
    bought: Volume
    left_over: Volume
    proved: bool = True

    @property
    def count(self) -> int:
        """How many cans in all."""
        return sum(count for _, count in self.cans)


def _ceil_div(value: int, by: int) -> int:
    return -(-value // by)


@dataclass(frozen=True, order=True)
class _Best:
    """A complete purchase, ordered by what is wanted of it."""

    cost: int
    over: int
    cans: int
    counts: tuple[int, ...]


def cheapest_cans(short: Volume, cans: Sequence[Can]) -> Mix | None:
    """The cheapest mix that holds at least ``short``; on a tie the least left over, then the fewest cans.

    None when there is something to buy but no size is known. Raises ValueError for prices in two currencies or when
    even the largest size would be wanted more than 10,000 times.
    """
    if not cans:
        return None
    money_of = cans[0].price.currency
    if any(can.price.currency != money_of for can in cans):
        raise ValueError("The prices are in different currencies.")
    if len(cans) > MOST_SIZES:
        raise ValueError(f"More than {MOST_SIZES} can sizes is more than this program compares.")
    if short.amount <= 0:
        return Mix((), Money(0, money_of), Volume(0), Volume(0))
    if _ceil_div(short.amount, max(can.size.amount for can in cans)) > MOST_CANS:
        raise ValueError(f"That takes more than {MOST_CANS} of the largest can. Check the units.")
    kinds = _worth_buying(cans)
    best, proved = _search(short.amount, [(kind.size.amount, kind.price.cents) for kind in kinds])
    chosen = [(kind, count) for kind, count in zip(kinds, best.counts, strict=True) if count]
    chosen.sort(key=lambda row: (-row[0].size.amount, row[0].name))
    bought = Volume(sum(can.size.amount * count for can, count in chosen))
    return Mix(tuple(chosen), Money(best.cost, money_of), bought, bought - short, proved)


def _worth_buying(cans: Sequence[Can]) -> list[Can]:
    """Sizes that no other beats in both size and price, the cheapest by volume first."""
    kept: list[Can] = []
    for at, can in enumerate(cans):
        beaten = any(
            (other.size >= can.size and other.price < can.price)
            or (other.size == can.size and other.price == can.price and before < at)
            for before, other in enumerate(cans)
        )
        if not beaten:
            kept.append(can)
    return sorted(kept, key=lambda can: (Fraction(can.price.cents, can.size.amount), -can.size.amount))


def _search(short: int, kinds: Sequence[tuple[int, int]]) -> tuple[_Best, bool]:
    """Exact label search, one kind after another in order of price by volume.

    A partial purchase is dropped when another holds at least as much for less, or when even the cheapest volume for
    the rest would cost more than the best found so far.
    """

    def alone(place: int) -> _Best:
        size, price = kinds[place]
        count = _ceil_div(short, size)
        counts = tuple(count if at == place else 0 for at in range(len(kinds)))
        return _Best(price * count, size * count - short, count, counts)

    best = min(alone(place) for place in range(len(kinds)))
    labels: dict[int, tuple[int, int, tuple[int, ...]]] = {0: (0, 0, ())}
    steps = 0
    for place, (size, price) in enumerate(kinds):
        later = kinds[place + 1] if place + 1 < len(kinds) else None
        padding = (0,) * (len(kinds) - place - 1)
        grown: dict[int, tuple[int, int, tuple[int, ...]]] = {}
        for held, (cost, cans, counts) in labels.items():
            most = _ceil_div(short - held, size)
            full = _Best(
                cost + price * most, held + size * most - short, cans + most, (*counts, most, *padding)
            )
            best = min(best, full)
            if later is None:
                continue
            for count in range(most - 1, -1, -1):
                steps += 1
                volume, paid = held + size * count, cost + price * count
                # Cheapest conceivable rest: the next kind's price by volume, in exact integers.
                if paid * later[0] + (short - volume) * later[1] > best.cost * later[0]:
                    break
                entry = (paid, cans + count, (*counts, count))
                if volume not in grown or entry < grown[volume]:
                    grown[volume] = entry
            if steps > MOST_STEPS:
                return best, False
        labels = {}
        least = None
        for volume in sorted(grown, reverse=True):
            paid = grown[volume][0]
            if least is None or paid <= least:
                labels[volume] = grown[volume]
                least = paid
    return best, True


# The plan


@dataclass(frozen=True)
class Coat:
    """``count`` coats of the product at one coverage; the first may drink ``first_extra_percent`` more."""

    count: int
    coverage: Coverage
    name: str = "coat"
    first_extra_percent: Fraction = Fraction(0)

    def __post_init__(self) -> None:
        if self.count < 1 or self.first_extra_percent < 0:
            raise ValueError("A coat is laid at least once, and absorbs nothing less than nothing.")


@dataclass(frozen=True)
class InStock:
    """What is left in one can of the product; opened ones are used first, then in the order given."""

    volume: Volume
    opened: bool = True
    name: str = "on hand"


@dataclass(frozen=True)
class Coating:
    """What the work takes, what stock gives, what is short and what to buy for it.

    ``by_coat`` are the volumes of each line of coats with waste, ``from_stock`` what is taken from each can in hand.
    ``mix`` is None when something is short and no can size with a price is known: ask for it, it is not free.
    """

    area: Area
    volume: Volume
    by_coat: tuple[tuple[Coat, Volume], ...]
    from_stock: tuple[tuple[InStock, Volume], ...]
    short: Volume
    mix: Mix | None
    reasons: tuple[str, ...]


def plan(
    surfaces: Sequence[Surface],
    coats: Sequence[Coat],
    *,
    waste_percent: Fraction | int = 0,
    in_stock: Sequence[InStock] = (),
    cans: Sequence[Can] = (),
    system: str = "imperial",
) -> Coating:
    """Volume of one product for these surfaces and coats, stock first, and the cheapest cans for the rest.

    Call it once for each product. ``system`` ("imperial" or "metric") is how the reasons speak. Raises ValueError for no surface, no coat or a negative waste.
    """
    if not surfaces or not coats:
        raise ValueError("A coating needs at least one surface and one coat.")
    waste = Fraction(waste_percent)
    if waste < 0:
        raise ValueError("Waste can't be negative.")
    area = area_of(surfaces)
    exact_coats = [
        coat.coverage.volume_on(area) * (coat.count + coat.first_extra_percent / 100) * (1 + waste / 100)
        for coat in coats
    ]
    exact_volume = sum(exact_coats, Fraction(0))
    # Rounded up: a cubic nanometre short would still be short.
    wanted = _ceil_div(exact_volume.numerator, exact_volume.denominator)
    left, taken = wanted, []
    for stock in sorted(in_stock, key=lambda row: not row.opened):
        amount = min(left, stock.volume.amount)
        if amount > 0:
            taken.append((stock, Volume(amount)))
            left -= amount
    short = Volume(left)
    mix = cheapest_cans(short, cans)
    reasons = [
        f"{area.shown(system)} in {len(surfaces)} line{'s' if len(surfaces) > 1 else ''} of surfaces.",
        *(
            _coat_reason(coat, Volume(round_half_up(amount)), system)
            for coat, amount in zip(coats, exact_coats, strict=True)
        ),
    ]
    if waste:
        reasons.append(f"With {trim_decimal(waste, 1)} % for brush, tray and can.")
    if taken:
        reasons.append(
            f"{Volume(wanted - left).shown(system)} comes from what is on hand, opened cans first."
        )
    if short and mix is None:
        reasons.append("Short, and no can with a price is known: ask for one.")
    return Coating(
        area=area,
        volume=Volume(round_half_up(exact_volume)),
        by_coat=tuple(
            (coat, Volume(round_half_up(amount))) for coat, amount in zip(coats, exact_coats, strict=True)
        ),
        from_stock=tuple(taken),
        short=short,
        mix=mix,
        reasons=tuple(reasons),
    )


def _coat_reason(coat: Coat, volume: Volume, system: str) -> str:
    extra = (
        f", the first drinking {trim_decimal(coat.first_extra_percent, 0)} % more"
        if coat.first_extra_percent
        else ""
    )
    return (
        f"{coat.count} x {coat.name} at {coat.coverage.area.text or coat.coverage.area.shown(system)} from "
        f"{coat.coverage.volume.text or coat.coverage.volume.shown(system)}{extra}: {volume.shown(system)}."
    )


COMPUTE_HELP = """
compute coating: finish (or glue) for an area, and the cheapest cans to buy

Input, a JSON object (? = may be left out):
  surfaces       list of parts. Plain: {"length", "width", "qty"?, "sides"?} (both default 1).
                 With "shape"?:
                   flat       length, width, sides (default)
                   edged      length, width, thickness, sides? (2), long_edges? (2), short_edges? (2)
                   turned     length, diameter, ends? (0)
                   cone       length, diameter, small_diameter, ends? (0)
                   tapered    length, top, foot (square sections), tapered_faces? (4 or 2), ends? (0)
                   panelled   length, width, factor? (1.15, common practice), sides?
                   moulding   length, girth (tape over the profile)
                 "openings"? [{"length", "width", "count"?}] are taken off each part.
  coats          list of {"count", "coverage": {"area", "volume"}, "first_extra_percent"?}
                 coverage as on the label: {"area": "400 ft2", "volume": "1 gal"}
  waste_percent  number (or text like "10") from 0
  on_hand        a volume like "8 fl oz" or "250 ml", 0 for none, or a list of volumes
  cans           list of {"size": "1 qt", "price": "18.50"}; price as text or number
  solids_percent?  volume solids, adds the dry film of each coat
  currency?      ISO code of the prices, default USD

  Lengths are text ("24 in", "600 mm", "23 5/8") or numbers; without a unit they are inches.
  Areas and volumes need their unit.

Output:
  area      text, ft2 (m2 when the first coverage is metric)
  volume    text, all coats with waste, in the unit of the first coverage's volume
  short     text, volume less what is on hand, never below 0
  cans      [{"size": as given, "count"}], largest first: cheapest, then least left over, then fewest
  cost      text rounded to the currency's smallest coin; null when short and no can is known
  then: left_over, coats (volume and wet film of each), reasons, proved

Example:
  echo '{"surfaces":[{"length":"48 in","width":"24 in","sides":2}],
         "coats":[{"count":3,"coverage":{"area":"400 ft2","volume":"1 gal"}}],
         "waste_percent":10,"on_hand":"4 fl oz",
         "cans":[{"size":"1 pt","price":"11.00"},{"size":"1 qt","price":"18.50"}]}' \\
    | python manage.py compute coating
"""

_SURFACE_FIELDS = {
    "flat": ("length", "width", "sides"),
    "edged": ("length", "width", "thickness", "sides", "long_edges", "short_edges"),
    "turned": ("length", "diameter", "ends"),
    "cone": ("length", "diameter", "small_diameter", "ends"),
    "tapered": ("length", "top", "foot", "tapered_faces", "ends"),
    "panelled": ("length", "width", "factor", "sides"),
    "moulding": ("length", "girth"),
}
_ALL_SURFACE_FIELDS = tuple(dict.fromkeys(name for names in _SURFACE_FIELDS.values() for name in names))
_METRIC_AREAS = frozenset({"mm", "cm", "m", "sqm", "metre", "metres", "meter", "meters"})
_VOLUME_UNITS = ("gal", "qt", "pt", "fl oz", "ml", "cl", "dl", "l")


def _read_surface(row: Fields, at: int) -> Surface:
    shape = row.choice("shape", _SURFACE_FIELDS, default="flat")
    for key in _ALL_SURFACE_FIELDS:
        if row.has(key) and key not in _SURFACE_FIELDS[shape]:
            raise row.bad(key, f"does not belong to a {shape} surface")
    name = row.text("name", default=f"surface {at + 1}")
    qty = row.whole("qty", default=1)
    length = row.length("length")
    ends = row.whole("ends", default=0, least=0, most=2)
    try:
        surface = _shaped(row, shape, length=length, qty=qty, ends=ends, name=name)
        openings = [
            (hole.length("length"), hole.length("width"), hole.whole("count", default=1))
            for hole in row.rows("openings", allowed=("length", "width", "count"), optional=True)
        ]
        return less_openings(surface, openings)
    except ValueError as error:
        if str(error).startswith(row.path):
            raise
        raise ValueError(f"{row.path}: {error}") from error


def _shaped(row: Fields, shape: str, *, length: Length, qty: int, ends: int, name: str) -> Surface:
    if shape == "edged":
        return edged(
            length,
            row.length("width"),
            row.length("thickness"),
            long_edges=row.whole("long_edges", default=2, least=0, most=2),
            short_edges=row.whole("short_edges", default=2, least=0, most=2),
            sides=row.whole("sides", default=2, least=0, most=2),
            qty=qty,
            name=name,
        )
    if shape == "turned":
        return turned(length, row.length("diameter"), ends=ends, qty=qty, name=name)
    if shape == "cone":
        small = row.length("small_diameter", zero=True)
        return cone(length, row.length("diameter"), small, ends=ends, qty=qty, name=name)
    if shape == "tapered":
        top, foot = row.length("top"), row.length("foot", zero=True)
        faces = row.whole("tapered_faces", default=4, least=2, most=4)
        return tapered(length, (top, top), (foot, foot), tapered_faces=faces, ends=ends, qty=qty, name=name)
    if shape == "moulding":
        return moulding(length, row.length("girth"), qty=qty, name=name)
    sides = row.whole("sides", default=1, most=100)
    if shape == "panelled":
        factor = row.number("factor", default=PANELLED.value, least=1, most=5)
        return panelled(length, row.length("width"), factor=factor, sides=sides, qty=qty, name=name)
    return flat(length, row.length("width"), sides=sides, qty=qty, name=name)


def _unit_of(volume: Volume) -> str:
    """The unit a volume was typed in, by the name this program prints."""
    typed = volume.text.strip().lower().lstrip("0123456789.,/ -½¼¾⅓⅔⅛⅜⅝⅞")
    for unit in _VOLUME_UNITS:
        if typed and Volume.factor(typed) == Volume.factor(unit):
            return unit
    return "l" if typed in {"m3", "m³"} else "gal"


def _is_metric(area: Area) -> bool:
    typed = area.text.strip().lower().lstrip("0123456789.,/ -").removeprefix("sq").removeprefix("uare")
    return typed.strip(" .23²³^") in _METRIC_AREAS


def compute_coating(payload: Mapping[str, Any], _options: Options | None = None) -> dict[str, Any]:
    """The JSON contract of ``compute coating``, as ``COMPUTE_HELP`` tells it; raises ValueError naming the field."""
    fields = Fields(
        payload,
        allowed=("surfaces", "coats", "waste_percent", "on_hand", "cans", "solids_percent", "currency"),
    )
    surface_keys = ("shape", "qty", "openings", *_ALL_SURFACE_FIELDS)
    surfaces = [
        _read_surface(row, at)
        for at, row in enumerate(fields.rows("surfaces", allowed=surface_keys, least=1))
    ]
    coats = []
    for at, row in enumerate(
        fields.rows("coats", allowed=("count", "coverage", "first_extra_percent"), least=1)
    ):
        coverage = row.record("coverage", allowed=("area", "volume"))
        coats.append(
            Coat(
                count=row.whole("count", most=1000),
                coverage=Coverage(coverage.area("area"), coverage.volume("volume")),
                name=row.text("name", default=f"coat {at + 1}"),
                first_extra_percent=row.percent("first_extra_percent", default=0),
            )
        )
    money_of = fields.currency()
    cans = [
        Can(row.volume("size"), row.money("price", money_of), row.text("name", default=""))
        for row in fields.rows("cans", allowed=("size", "price"))
    ]
    solids = None
    if fields.has("solids_percent"):
        solids = fields.percent("solids_percent", most=100)
        if not solids:
            raise fields.bad("solids_percent", "must be above 0")
    found = plan(
        surfaces,
        coats,
        waste_percent=fields.percent("waste_percent"),
        in_stock=[InStock(volume) for volume in fields.volumes("on_hand")],
        cans=cans,
        system="metric" if _is_metric(coats[0].coverage.area) else "imperial",
    )
    return _as_json(found, solids, None if not cans and found.short else Money(0, money_of))


def _as_json(found: Coating, solids: Fraction | None, nothing: Money | None) -> dict[str, Any]:
    first = found.by_coat[0][0].coverage
    unit = _unit_of(first.volume)
    area_unit = "m2" if _is_metric(first.area) else "ft2"
    cost = found.mix.cost if found.mix else nothing
    return {
        "area": found.area.show(area_unit, 6),
        "volume": found.volume.show(unit, 6),
        "short": found.short.show(unit, 6),
        "cans": [
            {"size": can.size.text, "count": count} for can, count in (found.mix.cans if found.mix else ())
        ],
        "cost": cost.typed if cost is not None else None,
        "left_over": found.mix.left_over.show(unit, 6) if found.mix else None,
        "coats": [
            {
                "name": coat.name,
                "volume": volume.show(unit, 6),
                "wet_film": wet_film(coat.coverage).show("mil", 3),
                "dry_film": dry_film(coat.coverage, solids).show("mil", 3) if solids else None,
            }
            for coat, volume in found.by_coat
        ],
        "reasons": list(found.reasons),
        "proved": found.mix.proved if found.mix else True,
    }
