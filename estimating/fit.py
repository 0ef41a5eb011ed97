"""Fit: does a panel or a built-up thickness go into a slot, and what size goes into an opening that is not true.

A part goes in when its thickest reading, with the slip wanted, is no more than the narrowest reading of the slot:
readings are never averaged. A thickness that is only nominal is a range (softwood plywood by PS 1), and the answer
then is "measure it" unless the whole range fits or fails. All lengths are exact nanometres.

Out of square: a parallelogram of sides w and h with diagonals d1 and d2 leans by (d1^2 - d2^2) / (4 w) over its height
(law of cosines), which is zero when the diagonals agree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext
from fractions import Fraction
from typing import Any

from estimating.compute import Options
from estimating.money import round_half_up
from estimating.payload import Fields, figure
from finishes.facts import PVA_GLUE_LINE, SLIP_FIT, ps1_class
from finishes.measures import Length

__all__ = [
    "Layer",
    "Opening",
    "SlotFit",
    "Square",
    "Taper",
    "Thickness",
    "built_up",
    "compute_fit",
    "glue_lines",
    "into_slot",
    "judge_opening",
    "measured",
    "nominal_plywood",
    "out_of_square",
    "taper",
]

NOTHING = Length(0)
SLIP = Length.of(SLIP_FIT.value, "in")
# Side and diagonal readings that disagree by more are worth taking again; workshop rule, no source.
READING_SLACK = Length.inches("1/8")


def _up(length: Length, system: str) -> str:
    """A length to take off or to widen by, rounded up to what a rule shows: done, it is enough."""
    step = _step(system)
    return Length(-(-length.nm // step) * step).shown(system)


def _down(length: Length, system: str) -> str:
    """A length to make something at most, rounded down to what a rule shows."""
    step = _step(system)
    return Length(length.nm // step * step).shown(system)


def _step(system: str) -> int:
    return Length.inches("1/64").nm if system == "imperial" else Length.mm("0.1").nm


# Thickness of the part


@dataclass(frozen=True)
class Layer:
    """One layer of a part, ``count`` times: between ``least`` and ``most`` thick; ``measured`` by a calliper or not."""

    name: str
    least: Length
    most: Length
    count: int = 1
    measured: bool = True
    source: str = ""

    def __post_init__(self) -> None:
        if not NOTHING <= self.least <= self.most or self.count < 1:
            raise ValueError(f"{self.name}: a layer is from 0 to its most thick, and there at least once.")


@dataclass(frozen=True)
class Thickness:
    """A part's thickness as a range with its layers; ``measured`` only when every layer that matters was."""

    least: Length
    most: Length
    measured: bool
    layers: tuple[Layer, ...]


def measured(readings: Sequence[Length], *, name: str = "part", count: int = 1) -> Layer:
    """A layer read at one or several points: thinnest and thickest are both kept."""
    if not readings or min(readings) <= NOTHING:
        raise ValueError(f"{name}: at least one reading above 0 is wanted.")
    return Layer(name, min(readings), max(readings), count)


def nominal_plywood(nominal: Length, *, sanded: bool = False, name: str = "plywood", count: int = 1) -> Layer:
    """Softwood plywood known only by its nominal thickness: the range PS 1 allows. Raises ValueError out of range."""
    limits = ps1_class(nominal, sanded=sanded)
    return Layer(name, limits.least, limits.most, count, measured=False, source=limits.fact.label)


def glue_lines(count: int) -> Layer:
    """So many lines of well-pressed PVA, 0.002 to 0.006 in each; its spread does not call for measuring."""
    low, high = (Length.of(value, "in") for value in (PVA_GLUE_LINE.low, PVA_GLUE_LINE.high))
    return Layer("glue line", low, high, count, source=PVA_GLUE_LINE.label)


def built_up(layers: Sequence[Layer]) -> Thickness:
    """Core, faces and glue lines together, thinnest and thickest."""
    if not layers:
        raise ValueError("A part has at least one layer.")
    return Thickness(
        least=Length(sum(layer.least.nm * layer.count for layer in layers)),
        most=Length(sum(layer.most.nm * layer.count for layer in layers)),
        measured=all(layer.measured for layer in layers),
        layers=tuple(layers),
    )


# Into a slot


@dataclass(frozen=True)
class Widening:
    """One way to widen a slot and the walls it leaves; ``allowed`` when no wall gets thinner than wanted."""

    where: str
    walls_left: tuple[Length, ...]
    allowed: bool


@dataclass(frozen=True)
class SlotFit:
    """Whether the part goes in.

    ``fits`` is None when only measuring can tell. ``clearance`` is the narrowest slot less the thickest part, below 0
    when it is too tight; ``loosest`` the widest slot less the thinnest part. ``widen`` is how much wider the slot must
    be at its narrowest, ``thin`` how much thinner the part at its thickest: one or the other. ``core_at_most`` is what
    the thickest layer may measure when the rest stays.
    """

    fits: bool | None
    verdict: str
    clearance: Length
    loosest: Length
    slip: Length
    widen: Length
    thin: Length
    core_at_most: Length | None
    widenings: tuple[Widening, ...]
    reasons: tuple[str, ...]


def into_slot(
    part: Thickness,
    slot: Sequence[Length],
    *,
    slip: Length = SLIP,
    slip_most: Length | None = None,
    walls: Sequence[Length] = (),
    least_wall: Length | None = None,
    system: str = "imperial",
) -> SlotFit:
    """Whether ``part`` goes into a slot read at several points, with ``slip`` to spare, and what to do when not.

    ``slip_most`` calls a loose fit by name. ``walls`` are one or two wall thicknesses beside the slot, ``least_wall``
    what must stay. Raises ValueError for no reading, a negative slip or more than two walls.
    """
    if not slot or min(slot) <= NOTHING:
        raise ValueError("The slot needs at least one reading above 0.")
    if slip < NOTHING or (slip_most is not None and slip_most < slip):
        raise ValueError("The slip is from 0, and the most not below it.")
    if len(walls) > 2 or any(wall <= NOTHING for wall in walls):
        raise ValueError("A slot has one or two walls, each above 0.")
    narrow, wide = min(slot), max(slot)
    clearance, best_case = narrow - part.most, narrow - part.least
    loosest = wide - part.least
    needed = max(slip - clearance, NOTHING)
    sure = clearance >= slip
    hopeless = best_case < slip
    fits: bool | None
    if sure:
        fits = True
    elif hopeless or part.measured:
        fits = False
    else:
        fits = None
    too_loose = bool(sure and slip_most is not None and clearance > slip_most)
    if too_loose:
        fits = False

    def shown(length: Length) -> str:
        return length.shown(system)

    reasons = [
        f"Thickest {shown(part.most)}, narrowest slot {shown(narrow)}: {shown(clearance)} to spare, {shown(slip)} wanted."
    ]
    if len(slot) > 1 and wide > narrow:
        reasons.append(
            f"The slot runs from {shown(narrow)} to {shown(wide)}: at its widest the part has {shown(loosest)} play."
        )
    for layer in part.layers:
        if not layer.measured:
            reasons.append(
                f"{layer.name} is {shown(layer.least)} to {shown(layer.most)} by its nominal size ({layer.source}): measure it."
            )
    if too_loose and slip_most is not None:
        verdict = f"too loose by {_up(clearance - slip_most, system)}"
        reasons.append("Shim or face the part, or fit a wider bead: glue does not fill a gap.")
    elif fits:
        verdict = f"fits with {shown(clearance)} to spare"
    elif fits is None:
        verdict = f"may not fit: up to {_up(needed, system)} too tight; measure it"
    else:
        verdict = f"too tight by {_up(needed, system)}"
    widenings = _widenings(needed, walls, least_wall) if needed else ()
    if needed:
        reasons += _ways(needed, widenings, part, least_wall=least_wall, shown_in=system)
    return SlotFit(
        fits=fits,
        verdict=verdict,
        clearance=clearance,
        loosest=loosest,
        slip=slip,
        widen=needed,
        thin=needed,
        core_at_most=_core_at_most(part, narrow - slip) if len(part.layers) > 1 else None,
        widenings=widenings,
        reasons=tuple(reasons),
    )


def _core_at_most(part: Thickness, room: Length) -> Length | None:
    core = max(part.layers, key=lambda layer: layer.most)
    rest = sum(layer.most.nm * layer.count for layer in part.layers if layer is not core)
    left = (room.nm - rest) // core.count
    return Length(left) if left > 0 else None


def _widenings(needed: Length, walls: Sequence[Length], least: Length | None) -> tuple[Widening, ...]:
    if not walls:
        return ()
    floor = least or NOTHING

    def way(where: str, left: tuple[Length, ...]) -> Widening:
        return Widening(where, left, all(wall > NOTHING and wall >= floor for wall in left))

    if len(walls) == 1:
        return (way("the wall", (walls[0] - needed,)),)
    first, second = walls
    half = Length(-(-needed.nm // 2))
    found = [
        way("the first wall", (first - needed, second)),
        way("the second wall", (first, second - needed)),
        way("both walls alike", (first - half, second - half)),
    ]
    # What leaves the strongest thin wall comes first.
    return tuple(sorted(found, key=lambda row: -min(wall.nm for wall in row.walls_left)))


def _ways(
    needed: Length,
    widenings: Sequence[Widening],
    part: Thickness,
    *,
    least_wall: Length | None,
    shown_in: str,
) -> list[str]:
    shown = _up(needed, shown_in)
    said = [f"Widen the slot by {shown}, or thin the part by {shown}."]
    for way in widenings:
        left = " and ".join(_down(wall, shown_in) for wall in way.walls_left)
        ok = (
            ""
            if way.allowed
            else " - too thin"
            if least_wall is None
            else f" - below {least_wall.shown(shown_in)}"
        )
        said.append(f"Taken from {way.where}: {left} left{ok}.")
    if widenings and not any(way.allowed for way in widenings):
        said.append("No wall can give that much: thin the part, or rabbet its edge.")
    if len(part.layers) > 1:
        said.append("Thin the core, not the faces: sanding goes through thin veneer at once.")
    return said


# Openings


@dataclass(frozen=True)
class Square:
    """How far an opening leans: ``lean`` sideways over its height, positive when the first diagonal is longer.

    ``agrees`` is False when sides and diagonals can't belong to one parallelogram within 1/8 in: measure again.
    """

    lean: Length
    difference: Length
    agrees: bool


def out_of_square(width: Length, height: Length, diagonals: tuple[Length, Length]) -> Square:
    """The lean of an opening from its sides and both diagonals; exact but for rounding to a nanometre.

    Raises ValueError when a diagonal is impossible for such sides.
    """
    first, second = diagonals
    if min(width, height, first, second) <= NOTHING:
        raise ValueError("Sides and diagonals are above 0.")
    if (
        not abs(width.nm - height.nm)
        < min(first.nm, second.nm)
        <= max(first.nm, second.nm)
        < width.nm + height.nm
    ):
        raise ValueError("Those diagonals can't belong to those sides: measure again.")
    lean = Fraction(first.nm**2 - second.nm**2, 4 * width.nm)
    with localcontext() as context:
        context.prec = 40
        from_diagonals = (Decimal(first.nm**2 + second.nm**2) / 2).sqrt()
        from_sides = Decimal(width.nm**2 + height.nm**2).sqrt()
        agrees = abs(from_diagonals - from_sides) <= READING_SLACK.nm
    rounded = round_half_up(lean)
    return Square(Length(rounded), Length(abs(first.nm - second.nm)), agrees)


@dataclass(frozen=True)
class Taper:
    """How a size changes along evenly spaced readings.

    ``difference`` is last less first, ``bow`` the largest distance of a reading in between from the straight line
    between the ends, positive where it is wider; both can be below 0.
    """

    difference: Length
    bow: Length


def taper(readings: Sequence[Length]) -> Taper:
    """Taper and bow of readings taken at even distances from one end to the other."""
    if not readings:
        raise ValueError("At least one reading is wanted.")
    first, last = readings[0].nm, readings[-1].nm
    steps = max(len(readings) - 1, 1)
    off = [reading.nm - (first + Fraction((last - first) * at, steps)) for at, reading in enumerate(readings)]
    return Taper(Length(last - first), Length(round_half_up(max(off, key=abs))))


@dataclass(frozen=True)
class Opening:
    """The largest square-cornered panel for an opening, gap kept on every side, and how untrue the opening is.

    ``fits`` is None when no panel was named. ``trim_width`` and ``trim_height`` are what that panel must lose.
    """

    width: Length
    height: Length
    width_taper: Taper
    height_taper: Taper
    square: Square | None
    fits: bool | None
    trim_width: Length
    trim_height: Length
    verdict: str
    reasons: tuple[str, ...]


def judge_opening(
    widths: Sequence[Length],
    heights: Sequence[Length],
    *,
    diagonals: tuple[Length, Length] | None = None,
    gap: Length = NOTHING,
    panel: tuple[Sequence[Length], Sequence[Length]] | None = None,
    system: str = "imperial",
) -> Opening:
    """The panel that goes into an opening read at several points, and whether a ``panel`` (widths, heights) does.

    Readings run evenly from one end to the other: widths from top to bottom, heights from left to right. ``gap`` is
    kept on each side. Raises ValueError for missing readings or when nothing is left.
    """
    if not widths or not heights or min(*widths, *heights) <= NOTHING or gap < NOTHING:
        raise ValueError("An opening needs widths and heights above 0, and a gap from 0.")
    narrow, low = min(widths), min(heights)
    square = out_of_square(narrow, low, diagonals) if diagonals else None
    lean = Length(abs(square.lean.nm)) if square else NOTHING
    width = narrow - lean - gap - gap
    height = low - gap - gap
    if width <= NOTHING or height <= NOTHING:
        raise ValueError("With that gap nothing is left of the opening.")

    def shown(length: Length) -> str:
        return length.shown(system)

    across, upright = taper(widths), taper(heights)
    reasons = [f"Narrowest {shown(narrow)}, lowest {shown(low)}, {shown(gap)} kept on each side."]
    for what, found, many in (("Width", across, widths), ("Height", upright, heights)):
        if found.difference:
            reasons.append(f"{what} changes by {shown(found.difference)} from the first reading to the last.")
        if found.bow and len(many) > 2:
            word = "wider" if found.bow > NOTHING else "narrower"
            reasons.append(
                f"{what} is {shown(Length(abs(found.bow.nm)))} {word} in between than a straight line."
            )
    if square is not None:
        reasons.append(
            f"Diagonals differ by {shown(square.difference)}: it leans {shown(lean)} over its height, which a "
            "square-cornered panel loses in width."
            if square.difference
            else "Diagonals agree: it is square, if opposite sides are alike."
        )
        if not square.agrees:
            reasons.append("Sides and diagonals don't belong together: measure again.")
    fits, trim_width, trim_height = None, NOTHING, NOTHING
    verdict = (
        f"cut it {_down(width, system)} wide and {_down(height, system)} high, or scribe it to the opening"
    )
    if panel is not None:
        trim_width = max(max(panel[0]) - width, NOTHING)
        trim_height = max(max(panel[1]) - height, NOTHING)
        fits = not trim_width and not trim_height
        verdict = (
            f"fits: {shown(width - max(panel[0]))} and {shown(height - max(panel[1]))} more than the gap wanted"
            if fits
            else f"too big: take off {_up(trim_width, system)} in width and {_up(trim_height, system)} in height"
        )
    return Opening(
        width=width,
        height=height,
        width_taper=across,
        height_taper=upright,
        square=square,
        fits=fits,
        trim_width=trim_width,
        trim_height=trim_height,
        verdict=verdict,
        reasons=tuple(reasons),
    )


COMPUTE_HELP = """
compute fit: does a part go into a slot, or what goes into an opening

Input, a JSON object with "slot" and "part", or with "opening" (? = may be left out):
  slot        list of readings of the slot's width (or one)
  part        one of  {"readings": [thickness at several points]}
                      {"nominal": "3/4", "sanded"?: true}     softwood plywood by PS 1: a range
                      {"layers": [ {"name"?, "thickness": reading or list} or {"nominal", "sanded"?}
                                   or {"glue_lines": n}, each with "count"? ]}
  slip?       to spare at the tightest point, default 1/64 in (common practice)
  slip_most?  more than this is called too loose
  walls?      [thickness] or [first, second] beside the slot;  least_wall?  what must stay

  opening     {"widths": [top to bottom], "heights": [left to right], "diagonals"?: [first, second], "gap"?}
  panel?      {"widths": [...], "heights": [...]}: does this one go in

  system?     imperial (default) or metric: how the text results speak
  Lengths are text ("24 in", "600 mm", "23 5/8") or numbers; without a unit they are inches.

Output for a slot:
  fits        true, false, or null when only measuring can tell;  verdict
  thickest, thinnest, narrowest, clearance, loosest, widen, thin, core_at_most
              each {"text", "in", "mm"}, the text rounded to 1/64 in or 0.1 mm on the safe side; clearance is below 0 when too tight; core_at_most may be null
  walls       [{"where", "left": [lengths], "allowed"}], the best way first;  reasons
Output for an opening:
  fits (null without a panel), verdict, width, height, lean, width_taper, height_taper, width_bow,
  height_bow, trim_width, trim_height, each a length (lean null without diagonals), readings_agree, reasons

Example:
  echo '{"slot":["3/4","0.745 in"],"part":{"layers":[{"nominal":"23/32"},
         {"name":"veneer","thickness":"0.6 mm","count":2},{"glue_lines":2}]}}' \\
    | python manage.py compute fit
"""


# Figures to saw or plane by: a rounded text must err on the side that still fits.
_ROUNDED = dict.fromkeys(("widen", "thin", "trim_width", "trim_height"), _up) | dict.fromkeys(
    ("core_at_most", "width", "height"), _down
)


def _length_json(length: Length | None, system: str, name: str = "") -> dict[str, Any] | None:
    if length is None:
        return None
    text = _ROUNDED[name](length, system) if name in _ROUNDED else length.shown(system)
    return {"text": text, "in": figure(length.to("in")), "mm": figure(length.to("mm"))}


def _read_layer(row: Fields) -> Layer:
    kinds = [key for key in ("thickness", "nominal", "glue_lines") if row.has(key)]
    if len(kinds) != 1:
        raise row.bad("thickness", "give one of thickness, nominal or glue_lines")
    count = row.whole("count", default=1, most=1000)
    if kinds == ["glue_lines"]:
        return glue_lines(row.whole("glue_lines", most=1000) * count)
    if kinds == ["thickness"]:
        return measured(row.lengths("thickness"), name=row.text("name", default="layer"), count=count)
    return _read_nominal(row, count)


def _read_nominal(row: Fields, count: int = 1) -> Layer:
    nominal = row.length("nominal")
    try:
        name = row.text("name", default="plywood")
        return nominal_plywood(nominal, sanded=row.flag("sanded"), name=name, count=count)
    except ValueError as error:
        raise row.bad("nominal", str(error)) from error


def _read_part(fields: Fields) -> Thickness:
    part = fields.record("part", allowed=("readings", "nominal", "sanded", "layers"))
    kinds = [key for key in ("readings", "nominal", "layers") if part.has(key)]
    if len(kinds) != 1:
        raise fields.bad("part", "give one of readings, nominal or layers")
    if kinds == ["readings"]:
        return built_up([measured(part.lengths("readings"))])
    if kinds == ["nominal"]:
        return built_up([_read_nominal(part)])
    keys = ("thickness", "nominal", "sanded", "glue_lines", "count")
    return built_up([_read_layer(row) for row in part.rows("layers", allowed=keys, least=1)])


def compute_fit(payload: Mapping[str, Any], _options: Options | None = None) -> dict[str, Any]:
    """The JSON contract of ``compute fit``, as ``COMPUTE_HELP`` tells it; raises ValueError naming the field."""
    keys = ("slot", "part", "slip", "slip_most", "walls", "least_wall", "opening", "panel", "system")
    fields = Fields(payload, allowed=keys)
    system = fields.choice("system", ("imperial", "metric"), default="imperial")
    if fields.has("slot") == fields.has("opening"):
        raise fields.bad("slot", "give either slot with part, or opening")
    if fields.has("opening"):
        return _opening_json(fields, system)
    part, slot = _read_part(fields), fields.lengths("slot")
    slip = fields.length("slip", default=SLIP, zero=True)
    slip_most = fields.length("slip_most", zero=True) if fields.has("slip_most") else None
    if slip_most is not None and slip_most < slip:
        raise fields.bad("slip_most", "is less than slip")
    walls = fields.lengths("walls") if fields.has("walls") else ()
    if len(walls) > 2:
        raise fields.bad("walls", "a slot has one or two walls")
    found = into_slot(
        part,
        slot,
        slip=slip,
        slip_most=slip_most,
        walls=walls,
        least_wall=fields.length("least_wall", zero=True) if fields.has("least_wall") else None,
        system=system,
    )
    lengths = {
        "thickest": part.most,
        "thinnest": part.least,
        "narrowest": min(slot),
        "clearance": found.clearance,
        "loosest": found.loosest,
        "widen": found.widen,
        "thin": found.thin,
        "core_at_most": found.core_at_most,
    }
    return {
        "fits": found.fits,
        "verdict": found.verdict,
        **{name: _length_json(length, system, name) for name, length in lengths.items()},
        "walls": [
            {
                "where": way.where,
                "left": [_length_json(wall, system) for wall in way.walls_left],
                "allowed": way.allowed,
            }
            for way in found.widenings
        ],
        "reasons": list(found.reasons),
    }


def _opening_json(fields: Fields, system: str) -> dict[str, Any]:
    opening = fields.record("opening", allowed=("widths", "heights", "diagonals", "gap"))
    diagonals = None
    if opening.has("diagonals"):
        both = opening.lengths("diagonals")
        if len(both) != 2:
            raise opening.bad("diagonals", "two are wanted")
        diagonals = (both[0], both[1])
    panel = None
    if fields.has("panel"):
        sizes = fields.record("panel", allowed=("widths", "heights"))
        panel = (sizes.lengths("widths"), sizes.lengths("heights"))
    widths, heights = opening.lengths("widths"), opening.lengths("heights")
    gap = opening.length("gap", default=NOTHING, zero=True)
    try:
        found = judge_opening(widths, heights, diagonals=diagonals, gap=gap, panel=panel, system=system)
    except ValueError as error:
        raise fields.bad("opening", str(error)) from error
    lengths = {
        "width": found.width,
        "height": found.height,
        "lean": found.square.lean if found.square else None,
        "width_taper": found.width_taper.difference,
        "height_taper": found.height_taper.difference,
        "width_bow": found.width_taper.bow,
        "height_bow": found.height_taper.bow,
        "trim_width": found.trim_width,
        "trim_height": found.trim_height,
    }
    return {
        "fits": found.fits,
        "verdict": found.verdict,
        **{name: _length_json(length, system, name) for name, length in lengths.items()},
        "readings_agree": found.square.agrees if found.square else None,
        "reasons": list(found.reasons),
    }
