"""Wood and the air around it: equilibrium moisture, dew point, and how far a board moves across the grain.

Moisture in wood and humidity of air are percentages. Moisture physics is floating point; movement is exact.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cache
from importlib import resources
from typing import Any

from finishes.facts import COMMON_PRACTICE, PUBLISHED, Fact, Range
from finishes.measures import Length, Temperature, trim_decimal

# ---- the room ---------------------------------------------------------------------------------------------

# The fit behind the printed table; outside this span its terms turn and mean nothing.
COLDEST, WARMEST = -20, 100


def equilibrium_moisture(temperature: Temperature, humidity_percent: float) -> float:
    """The moisture content (%) that wood settles at in this air.

    Hailwood-Horrobin equation with the constants of the Wood Handbook, FPL-GTR-190 (2010), Eq. 4-5; agrees with
    its Table 4-2 to 0.1. Raises ValueError for humidity outside 0 to 100 or temperature outside -20 to 100 C.
    """
    t = float(temperature.celsius)
    if not COLDEST <= t <= WARMEST:
        raise ValueError("The moisture of wood is only known here between -20 and 100 °C.")
    h = _share(humidity_percent)
    w = 349 + 1.29 * t + 0.0135 * t * t
    k = 0.805 + 0.000736 * t - 0.00000273 * t * t
    k1 = 6.27 - 0.00938 * t - 0.000303 * t * t
    k2 = 1.91 + 0.0407 * t - 0.000293 * t * t
    kh = k * h
    return 1800 / w * (kh / (1 - kh) + (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2))


def _share(humidity_percent: float) -> float:
    if not 0 <= humidity_percent <= 100:
        raise ValueError("Humidity runs from 0 to 100 %.")
    return float(humidity_percent) / 100


# Magnus formula with the constants of Sonntag (1990), as the WMO uses them: hPa, none, degrees C.
MAGNUS = (6.112, 17.62, 243.12)


def dew_point(temperature: Temperature, humidity_percent: float) -> Temperature:
    """The temperature at which this air begins to wet a surface (over water, also below freezing).

    Raises ValueError for humidity outside 0 (not included) to 100 or temperature outside -45 to 60 C.
    """
    t = float(temperature.celsius)
    if not -45 <= t <= 60:
        raise ValueError("The dew point is only known here between -45 and 60 °C.")
    share = _share(humidity_percent)
    if share == 0:
        raise ValueError("Air without any humidity has no dew point.")
    _, b, c = MAGNUS
    g = math.log(share) + b * t / (c + t)
    return Temperature(Fraction(c * g / (b - g)))


DEW_MARGIN = Fact(Fraction(5), "°F above the dew point", "two general pages on coating practice", PUBLISHED)


@dataclass(frozen=True)
class DewCheck:
    """Whether a surface is far enough above the dew point to coat; ``spare`` is degrees C left after the margin."""

    dew_point: Temperature
    spare: float
    reason: str

    @property
    def safe(self) -> bool:
        """The surface is at least the margin above the dew point."""
        # A hair of floating point must not turn away a surface that is at the margin to the digit.
        return self.spare >= -1e-9


def check_dew(*, surface: Temperature, air: Temperature, humidity_percent: float) -> DewCheck:
    """Whether a surface in this air is at least 5 °F (2.8 °C) above the dew point."""
    dew = dew_point(air, humidity_percent)
    spare = float(surface.celsius - dew.celsius - DEW_MARGIN.value * Fraction(5, 9))
    above = trim_decimal(surface.celsius - dew.celsius, 1)
    if surface.celsius <= dew.celsius:
        reason = (
            "The surface is at or below the dew point: water settles on it. Warm the surface or dry the air."
        )
    elif spare < -1e-9:
        reason = f"The surface is only {above} °C above the dew point: warm it or dry the air before coating."
    else:
        reason = f"The surface is {above} °C above the dew point."
    return DewCheck(dew, spare, reason)


# ---- species ----------------------------------------------------------------------------------------------

FLAT, QUARTER = "flat", "quarter"
CUTS: Mapping[str, str] = {
    FLAT: FLAT,
    "flat-sawn": FLAT,
    "flatsawn": FLAT,
    "plain": FLAT,
    "plain-sawn": FLAT,
    "plainsawn": FLAT,
    "tangential": FLAT,
    QUARTER: QUARTER,
    "quarter-sawn": QUARTER,
    "quartersawn": QUARTER,
    "radial": QUARTER,
}


def read_cut(text: str) -> str:
    """``FLAT`` or ``QUARTER`` from what people write; raises ValueError."""
    found = CUTS.get(str(text).strip().lower().replace(" ", "-"))
    if found is None:
        raise ValueError(f"“{str(text)[:30]}” is not a cut: write flat or quarter.")
    return found


@dataclass(frozen=True)
class Species:
    """One kind of wood; figures are (radial, tangential), and at least one pair is there.

    ``coefficients``: share of the width per 1 % moisture (6 to 14 %). ``shrinkages``: % of green width, green to
    oven-dry.
    """

    name: str
    also: tuple[str, ...]
    coefficients: tuple[Fact, Fact] | None
    shrinkages: tuple[Fact, Fact] | None
    note: str = ""

    def coefficient(self, cut: str) -> Fact:
        """Change per 1 % moisture across the width; worked out from the shrinkage where no table gives it."""
        side = 1 if read_cut(cut) == FLAT else 0
        if self.coefficients:
            return self.coefficients[side]
        if not self.shrinkages:
            raise ValueError(f"There are no figures for {self.name}.")
        s = self.shrinkages[side]
        # Five places, as the handbook prints what it worked out in the same way.
        places = Fraction(round(s.value / (3000 - 20 * s.value) * 10**5), 10**5)
        return Fact(places, COEFFICIENT_UNIT, f"worked out from shrinkage: {s.source}", s.status)

    def shrinkage(self, cut: str) -> Fact:
        """Shrinkage across the width, % from green to oven-dry; worked out from the coefficient if need be."""
        side = 1 if read_cut(cut) == FLAT else 0
        if self.shrinkages:
            return self.shrinkages[side]
        c = self.coefficient(cut)
        percent = 3000 * c.value / (1 + 20 * c.value)
        return Fact(percent, SHRINKAGE_UNIT, f"worked out from coefficient: {c.source}", c.status)


COEFFICIENT_UNIT = "of the width per 1 % moisture"
SHRINKAGE_UNIT = "% of the green width, green to oven-dry"


class UnknownSpecies(ValueError):
    """No one species answers to that name; ``near`` lists those that might be meant."""

    def __init__(self, message: str, near: tuple[str, ...]) -> None:
        super().__init__(message)
        self.near = near


def load_species(text: str) -> tuple[Species, ...]:
    """The species written down in a TOML text like ``data/species.toml``."""
    data = tomllib.loads(text)

    def pair(row: Mapping[str, Any], key: str, unit: str) -> tuple[Fact, Fact] | None:
        if key not in row:
            return None
        radial, tangential, source = row[key]
        said = data["sources"][source]
        return (
            Fact(Fraction(radial), unit, said["text"], said["status"]),
            Fact(Fraction(tangential), unit, said["text"], said["status"]),
        )

    return tuple(
        Species(
            row["name"],
            tuple(row.get("also", ())),
            pair(row, "coefficients", COEFFICIENT_UNIT),
            pair(row, "shrinkage", SHRINKAGE_UNIT),
            row.get("note", ""),
        )
        for row in data["species"]
    )


@cache
def shipped_species() -> tuple[Species, ...]:
    """The species that come with the program, by name."""
    text = resources.files("finishes").joinpath("data/species.toml").read_text(encoding="utf-8")
    return load_species(text)


def _words(name: str) -> tuple[str, ...]:
    return tuple(sorted(re.findall(r"[^\W_]+", name.lower())))


def find_species(name: str, among: Sequence[Species] | None = None) -> Species:
    """The species of that name, in any order of words ("black walnut" is "Walnut, black"). Raises UnknownSpecies."""
    known = shipped_species() if among is None else among
    wanted = _words(str(name))
    if not wanted:
        raise UnknownSpecies("Name the species.", ())
    for match in (
        lambda s: _words(s.name) == wanted,
        lambda s: wanted in map(_words, s.also),
        lambda s: set(wanted) <= set(_words(s.name)),
    ):
        found = [species for species in known if match(species)]
        if len(found) == 1:
            return found[0]
        if found:
            near = tuple(s.name for s in found)
            raise UnknownSpecies(f"“{name}” may be {_either(near)}: say which.", near)
    names = [n for s in known for n in (s.name, *s.also)]
    near = tuple(difflib.get_close_matches(str(name).lower(), [n.lower() for n in names], n=3, cutoff=0.6))
    hint = f" Did you mean {_either(near)}?" if near else ""
    raise UnknownSpecies(f"“{str(name)[:40]}” is not a species I have figures for.{hint}", near)


def _either(names: Sequence[str]) -> str:
    shown = names[:6]
    return " or ".join(filter(None, (", ".join(f"“{n}”" for n in shown[:-1]), f"“{shown[-1]}”")))


# ---- movement ---------------------------------------------------------------------------------------------

# Above fibre saturation wood no longer swells; the handbook takes 30 % for every species.
FIBRE_SATURATION = Fraction(30)
COEFFICIENT_FROM, COEFFICIENT_TO = Fraction(6), Fraction(14)


@dataclass(frozen=True)
class Movement:
    """How a width changes with moisture: ``change`` is negative when it shrinks; ``formula`` names the rule used."""

    width: Length
    change: Length
    after: Length
    formula: str
    figure: Fact
    reasons: tuple[str, ...]


def change_by_coefficient(
    width: Length, *, coefficient: Fraction, from_percent: Fraction, to_percent: Fraction
) -> Fraction:
    """Exact change in nanometres by D·C·(MF - MI), for moisture between 6 and 14 %: GTR-190 Eq. 13-2."""
    return width.nm * coefficient * (to_percent - from_percent)


def change_by_shrinkage(
    width: Length, *, shrinkage_percent: Fraction, from_percent: Fraction, to_percent: Fraction
) -> Fraction:
    """Exact change in nanometres by D·(MF - MI)/(3000/S - 30 + MI), moisture capped at 30 %: GTR-190 Eq. 13-3."""
    if shrinkage_percent == 0:
        return Fraction(0)
    start, end = min(from_percent, FIBRE_SATURATION), min(to_percent, FIBRE_SATURATION)
    return width.nm * (end - start) / (3000 / shrinkage_percent - 30 + start)


def movement(
    width: Length, species: Species, *, cut: str, from_percent: Fraction, to_percent: Fraction
) -> Movement:
    """How the width of a solid panel changes when its moisture goes from one percentage to another.

    Within 6 to 14 % by the species' coefficient, otherwise from its shrinkage with both moistures capped at
    30 % (Wood Handbook FPL-GTR-190, p. 13-15 to 13-17). Raises ValueError for moisture outside 0 to 200.
    """
    for percent in (from_percent, to_percent):
        if not 0 <= percent <= 200:
            raise ValueError("The moisture of wood runs from 0 to 200 %.")
    way = (
        "across a flat-sawn face (tangential)"
        if read_cut(cut) == FLAT
        else "across a quarter-sawn face (radial)"
    )
    if all(COEFFICIENT_FROM <= percent <= COEFFICIENT_TO for percent in (from_percent, to_percent)):
        formula, figure = "coefficient", species.coefficient(cut)
        exact = change_by_coefficient(
            width, coefficient=figure.value, from_percent=from_percent, to_percent=to_percent
        )
        reasons = [
            f"{species.name} {way}: {trim_decimal(figure.value * 100, 3)} % of the width for each 1 %."
        ]
    else:
        formula, figure = "shrinkage", species.shrinkage(cut)
        exact = change_by_shrinkage(
            width, shrinkage_percent=figure.value, from_percent=from_percent, to_percent=to_percent
        )
        reasons = [
            f"{species.name} {way}: {trim_decimal(figure.value, 2)} % from green to oven-dry.",
            "Outside 6 to 14 % moisture the change is reckoned from the green size.",
        ]
        if max(from_percent, to_percent) > FIBRE_SATURATION:
            reasons.append("Above 30 % the cell walls are full: more water does not swell the wood.")
    if species.note:
        reasons.append(species.note)
    change = Length.of(exact, "nm")
    return Movement(width, change, width + change, formula, figure, tuple(reasons))


@dataclass(frozen=True)
class PanelGap:
    """Room a solid panel needs between the driest and the wettest season.

    ``swell`` and ``shrink`` are how far the whole width can still grow and shrink from today (never negative).
    ``gap_each_side`` is what to leave at the bottom of each groove of a panel held in the middle;
    ``hidden_each_side`` is how much tongue each groove must cover so that no edge shows in the dry season.
    """

    swell: Length
    shrink: Length
    gap_each_side: Length
    hidden_each_side: Length
    wettest: Movement
    driest: Movement
    reasons: tuple[str, ...]


def gap_to_leave(
    width: Length,
    species: Species,
    *,
    cut: str,
    now_percent: Fraction,
    driest_percent: Fraction,
    wettest_percent: Fraction,
) -> PanelGap:
    """The gap for a panel fitted at today's moisture. Raises ValueError when driest is above wettest."""
    if driest_percent > wettest_percent:
        raise ValueError("The driest moisture should not be above the wettest.")
    wettest, driest = (
        movement(width, species, cut=cut, from_percent=now_percent, to_percent=percent)
        for percent in (wettest_percent, driest_percent)
    )
    swell, shrink = max(wettest.change, Length(0)), max(Length(0) - driest.change, Length(0))
    reasons = (
        f"From {trim_decimal(now_percent, 1)} % it can grow by {swell.in_mm()} ({swell.in_inches()})"
        f" and shrink by {shrink.in_mm()} ({shrink.in_inches()}).",
        "Hold the panel in the middle only; glue or nail along an edge and it splits.",
        "A finish slows this down but does not stop it.",
    )
    # Half to each side, rounded up: a gap a nanometre too wide never split a panel.
    half, cover = Length(-(-swell.nm // 2)), Length(-(-shrink.nm // 2))
    return PanelGap(swell, shrink, half, cover, wettest, driest, reasons)


# ---- before gluing ----------------------------------------------------------------------------------------

GLUING_MOISTURE = Range(Fraction(6), Fraction(8), "% moisture", "glue maker's gluing guide", PUBLISHED)
MOST_DIFFERENCE = Fact(Fraction(2), "% moisture between parts", "common practice, no source", COMMON_PRACTICE)


@dataclass(frozen=True)
class GluingCheck:
    """Whether parts are alike enough in moisture to be glued; ``difference`` is wettest less driest."""

    difference: Fraction
    ready: bool
    reasons: tuple[str, ...]


def check_before_gluing(parts: Mapping[str, Fraction]) -> GluingCheck:
    """Compares the measured moisture (%) of the parts of one glue-up; raises ValueError without parts."""
    if not parts:
        raise ValueError("Give the moisture of at least one part.")
    ordered = sorted(parts.items(), key=lambda item: (item[1], item[0]))
    (dry_name, dry), (wet_name, wet) = ordered[0], ordered[-1]
    reasons, difference = [], wet - dry
    if difference > MOST_DIFFERENCE.value:
        reasons.append(
            f"{wet_name} is {trim_decimal(difference, 1)} points wetter than {dry_name}: let them lie in one room"
            f" until they are within {trim_decimal(MOST_DIFFERENCE.value, 0)} ({MOST_DIFFERENCE.label})."
        )
    for name, percent in ordered:
        if not GLUING_MOISTURE.low <= percent <= GLUING_MOISTURE.high:
            side = "drier" if percent < GLUING_MOISTURE.low else "wetter"
            reasons.append(
                f"{name} at {trim_decimal(percent, 1)} % is {side} than the 6 to 8 % glue makers ask for"
                f" ({GLUING_MOISTURE.source})."
            )
    ready = difference <= MOST_DIFFERENCE.value and all(percent <= 12 for percent in parts.values())
    if any(percent > 12 for percent in parts.values()):
        reasons.append("Above 12 % the joint opens as the wood dries indoors (common practice, no source).")
    return GluingCheck(difference, ready, tuple(reasons) or ("The parts are alike and dry enough.",))


# ---- command line -----------------------------------------------------------------------------------------

COMPUTE_HELP = {
    "moisture": """What wood and surfaces do in a room's air.

in   temperature           "70 F" or "21 C"
     humidity_percent      above 0 to 100
     surface_temperature   optional: is a surface far enough above the dew point to coat?
out  emc_percent           number: the moisture wood settles at
     dew_point             text in the unit of the temperature
     dew_point_c           number, degrees Celsius
     surface_ok, reason    with a surface_temperature

example  {"temperature": "70 F", "humidity_percent": 45}  ->  {"emc_percent": 8.459..., "dew_point": "47.67 F", ...}""",
    "movement": """How much a solid panel swells or shrinks across the grain.

in   width                     "24 in", "600 mm"
     species                   "black walnut"; or coefficient (per 1 %) or shrinkage_percent in its place
     cut                       "flat" or "quarter"
     from_percent, to_percent  moisture of the wood, 0 to 200
out  change, width_after       text in the unit of the width; change is negative when it shrinks
     change_mm, width_after_mm numbers
     formula                   "coefficient" within 6 to 14 %, otherwise "shrinkage" (both moistures capped at 30 %)
     figure, figure_unit, source, status, reasons, species

example  {"width": "232 mm", "species": "white fir", "cut": "flat", "from_percent": 8, "to_percent": 11}
         ->  {"change": "1.7052 mm", "width_after": "233.7052 mm", ...}""",
}


def compute_moisture(payload: Mapping[str, Any], _options: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """``{"temperature": "70 F", "humidity_percent": 45}`` -> ``{"emc_percent": number, "dew_point": "47.7 F", ...}``.

    The dew point is text in the unit of the temperature, ``dew_point_c`` the same in Celsius. An optional
    ``surface_temperature`` adds ``surface_ok`` and ``reason``. Raises ValueError naming the field.
    """
    air, unit = _temperature(payload, "temperature")
    humidity = _number(payload, "humidity_percent")
    if not 0 < humidity <= 100:
        raise ValueError("humidity_percent: humidity runs from above 0 to 100.")
    try:
        moisture, dew = equilibrium_moisture(air, float(humidity)), dew_point(air, float(humidity))
    except ValueError as error:
        raise ValueError(f"temperature: {error}") from error
    shown = {"C": dew.celsius, "F": dew.fahrenheit, "K": dew.celsius + Fraction("273.15")}[unit]
    answer = {
        "emc_percent": moisture,
        "dew_point": f"{trim_decimal(shown, 2)} {unit}",
        "dew_point_c": float(dew.celsius),
    }
    if payload.get("surface_temperature") is not None:
        surface, _ = _temperature(payload, "surface_temperature")
        checked = check_dew(surface=surface, air=air, humidity_percent=float(humidity))
        answer |= {"surface_ok": checked.safe, "reason": checked.reason}
    return answer


def compute_movement(payload: Mapping[str, Any], _options: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """``{"width", "species", "cut": "flat" | "quarter", "from_percent", "to_percent"}`` -> ``{"change", "width_after", ...}``.

    Lengths are text in the unit of the width (negative when it shrinks); ``change_mm`` and ``width_after_mm`` are
    the same as numbers. Instead of a species, ``coefficient`` (per 1 %) or ``shrinkage_percent`` can be given.
    Raises ValueError naming the field.
    """
    if not isinstance(payload, Mapping):
        raise ValueError("Give a JSON object.")
    typed = payload.get("width")
    if not isinstance(typed, str):
        raise ValueError('width: write a length with its unit, like "24 in" or "600 mm".')
    try:
        width = Length.parse(typed)
    except ValueError as error:
        raise ValueError(f"width: {error}") from error
    if width.nm == 0:
        raise ValueError("width: the width should be above zero.")
    start, end = _moisture(payload, "from_percent"), _moisture(payload, "to_percent")
    wood = _wood(payload)
    try:
        cut = read_cut(payload.get("cut", FLAT if "species" not in payload else ""))
    except ValueError as error:
        raise ValueError(f"cut: {error}") from error
    moved = movement(width, wood, cut=cut, from_percent=start, to_percent=end)
    unit, places = _unit_of(typed)
    return {
        "change": moved.change.show(unit, places),
        "width_after": moved.after.show(unit, places),
        "change_mm": float(moved.change.to("mm")),
        "width_after_mm": float(moved.after.to("mm")),
        "species": wood.name,
        "formula": moved.formula,
        "figure": float(moved.figure.value),
        "figure_unit": moved.figure.unit,
        "source": moved.figure.source,
        "status": moved.figure.status,
        "reasons": list(moved.reasons),
    }


def _wood(payload: Mapping[str, Any]) -> Species:
    given = [key for key in ("species", "coefficient", "shrinkage_percent") if payload.get(key) is not None]
    if len(given) != 1:
        raise ValueError("species: name a species (or give coefficient or shrinkage_percent instead).")
    if given == ["species"]:
        try:
            return find_species(str(payload["species"]))
        except ValueError as error:
            raise ValueError(f"species: {error}") from error
    key = given[0]
    value, most = (
        _number(payload, key),
        {"coefficient": Fraction(1, 50), "shrinkage_percent": Fraction(30)}[key],
    )
    if not 0 < value <= most:
        raise ValueError(f"{key}: it should be above 0 and at most {trim_decimal(most, 2)}.")
    unit = COEFFICIENT_UNIT if key == "coefficient" else SHRINKAGE_UNIT
    fact = Fact(value, unit, "given", COMMON_PRACTICE)
    pair = (fact, fact)
    return Species("given wood", (), *((pair, None) if key == "coefficient" else (None, pair)))


def _temperature(payload: Mapping[str, Any], key: str) -> tuple[Temperature, str]:
    typed = payload.get(key) if isinstance(payload, Mapping) else None
    if not isinstance(typed, str):
        raise ValueError(f'{key}: write it with its unit, like "70 F" or "21 C".')
    try:
        found = Temperature.parse(typed)
    except ValueError as error:
        raise ValueError(f"{key}: {error}") from error
    letters = re.findall(r"[a-z]+", typed.lower())
    return found, letters[-1][0].upper()


def _number(payload: Mapping[str, Any], key: str) -> Fraction:
    value = payload.get(key)
    try:
        if isinstance(value, bool) or not isinstance(value, (int, float, str, Decimal)):
            raise ValueError
        if isinstance(value, str) and not re.fullmatch(r"\s*-?\d{1,12}([.,]\d{1,12})?\s*", value):
            raise ValueError
        # Through text, so that 0.00274 means what was written and not the nearest binary number.
        return Fraction(str(value).strip().replace(",", "."))
    except (ValueError, ZeroDivisionError):
        raise ValueError(f"{key}: give a number.") from None


def _moisture(payload: Mapping[str, Any], key: str) -> Fraction:
    value = _number(payload, key)
    if not 0 <= value <= 200:
        raise ValueError(f"{key}: the moisture of wood runs from 0 to 200.")
    return value


# Decimals enough for a hair in every unit.
_UNITS = (
    (r'("|″|”|\bin\b|in\.?$|inch(es)?)', "in", 4),
    (r"mm|millimet", "mm", 4),
    (r"cm|centimet", "cm", 4),
    (r"('|′|’|ft|foot|feet)", "ft", 6),
    (r"dm", "dm", 5),
    (r"yd|yard", "yd", 6),
    (r"m\b|metre|meter", "m", 6),
)


def _unit_of(typed: str) -> tuple[str, int]:
    """The unit to answer in: the smallest one that was typed."""
    for pattern, unit, places in _UNITS:
        if re.search(pattern, typed.lower()):
            return unit, places
    return "mm", 4
