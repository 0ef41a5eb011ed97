"""What adhesives want: pressure, time, warmth, dry wood, spread. Each figure with its source and status.

Figures are for generic types. The label and the data sheet of the bottle in her hand go before every one of them.
Pressures in psi, temperatures in degrees Fahrenheit, moisture in percent, spread in lb per 1000 ft2 of one glue
line; all exact.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

from finishes.facts import (
    ATMOSPHERE_INHG,
    COMMON_PRACTICE,
    FROM_MEMORY,
    FT2_PER_GAL_IN_M2_PER_L,
    INHG_LOST_PER_1000_FT,
    LB_PER_1000_FT2_IN_G_PER_M2,
    PSI_PER_INHG,
    PUBLISHED,
    Fact,
    Range,
)
from finishes.forces import Pressure
from finishes.measures import Area, Mass, Volume

__all__ = [
    "ADHESIVES",
    "DENSITIES",
    "Adhesive",
    "find_adhesive",
    "g_per_m2",
    "lb_per_1000_ft2",
    "m2_per_litre",
    "vacuum_pressure",
]

_GUIDE = "glue maker's gluing guide, two copies"
_PVA_LIKE = "taken as for PVA, recalled"
_RECALLED = "recalled as usual for the type"

# The guide names three groups of wood; the words here are the ones a shop uses.
DENSITIES: Mapping[str, str] = MappingProxyType(
    {
        "low": "softwoods and light woods: pine, poplar",
        "medium": "medium woods: cherry, soft maple",
        "high": "hard, dense woods: oak, birch",
    }
)


def _range(low: str, high: str, unit: str, source: str, status: str) -> Range:
    return Range(Fraction(low), Fraction(high), unit, source, status)


def _pressures(source: str, status: str) -> Mapping[str, Range]:
    return MappingProxyType(
        {
            "low": _range("100", "150", "psi", source, status),
            "medium": _range("150", "200", "psi", source, status),
            "high": _range("200", "300", "psi", source, status),
        }
    )


def _light(source: str) -> Mapping[str, Range]:
    return MappingProxyType({density: _range("0", "10", "psi", source, FROM_MEMORY) for density in DENSITIES})


# A second opinion kept for the page that shows sources, not used in a verdict.
HANDBOOK_PRESSURES: Mapping[str, Fact] = MappingProxyType(
    {
        "low-density wood": Fact(Fraction(700), "kPa", "Wood Handbook, chapter 10, recalled", FROM_MEMORY),
        "densest wood": Fact(Fraction(1700), "kPa", "Wood Handbook, chapter 10, recalled", FROM_MEMORY),
    }
)


@dataclass(frozen=True)
class Adhesive:
    """One generic type of adhesive.

    ``pressure`` is by wood density ("low", "medium", "high"), empty for one that sticks by touch. ``open`` is
    minutes from first spread to closed joint, ``clamped`` hours in clamps for a joint at rest, ``full`` hours until
    it may be stressed. ``spread`` is lb per 1000 ft2 of one glue line, ``coverage`` ft2 per US gallon of one face;
    whichever the trade reckons in. ``faces`` is how many faces of a joint are coated.
    """

    key: str
    name: str
    pressure: Mapping[str, Range]
    open: Range
    clamped: Range
    full: Range
    least_temperature: Fact
    moisture: Range
    spread: Range | None
    coverage: Range | None
    faces: int
    bag_ready: bool
    drawbacks: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def sticks_by_touch(self) -> bool:
        """Whether it needs no clamps, only a firm roller."""
        return not self.pressure

    def wanted(self, density: str) -> Range:
        """The pressure range for a wood density; raises ValueError for a density that is not one of ``DENSITIES``."""
        if density not in DENSITIES:
            raise ValueError(f"wood density is one of {', '.join(DENSITIES)}, not {density!r}")
        if self.sticks_by_touch:
            return _range("0", "0", "psi", "no clamp pressure: roll hard all over", COMMON_PRACTICE)
        return self.pressure[density]

    def mass_for(self, bonded: Area) -> tuple[Mass, Mass] | None:
        """Least and most adhesive by weight for a bonded area, every coated face counted; None when not known."""
        if self.spread is None:
            return None
        square_feet = bonded.to("ft2") * self.faces
        return tuple(Mass.of(square_feet * rate / 1000, "lb") for rate in (self.spread.low, self.spread.high))  # type: ignore[return-value]

    def volume_for(self, bonded: Area) -> tuple[Volume, Volume] | None:
        """Least and most adhesive by volume for a bonded area, every coated face counted; None when not known."""
        if self.coverage is None:
            return None
        square_feet = bonded.to("ft2") * self.faces
        return tuple(Volume.of(square_feet / rate, "gal") for rate in (self.coverage.high, self.coverage.low))  # type: ignore[return-value]


def _least(value: str, source: str, status: str) -> Fact:
    return Fact(Fraction(value), "F", source, status)


_DRY_WOOD = _range("6", "8", "%", f"{_GUIDE}, with air at 40-50 % humidity", PUBLISHED)
_PVA_SPREAD = _range(
    "35", "50", "lb/1000 ft2", "industrial gluing guides, no source at hand", COMMON_PRACTICE
)
_PVA_PRESSURE = _pressures(_GUIDE, PUBLISHED)
_FLAMMABLE = (
    "Solvent vapour is flammable and heavy: no flame, pilot light or spark, and moving fresh air. "
    "Follow the label, the safety data sheet and local rules."
)
_SKIN = "Keep it off skin and eyes; gloves as the label says."

ADHESIVES: Mapping[str, Adhesive] = MappingProxyType(
    {
        row.key: row
        for row in (
            Adhesive(
                key="yellow PVA",
                name="Yellow wood glue (aliphatic PVA)",
                pressure=_PVA_PRESSURE,
                open=_range("5", "10", "min", _RECALLED, FROM_MEMORY),
                clamped=_range("0.5", "1", "h", _GUIDE, PUBLISHED),
                full=_range("24", "24", "h", _GUIDE, PUBLISHED),
                least_temperature=_least(
                    "40", "general page; the chalk temperature differs by product", PUBLISHED
                ),
                moisture=_DRY_WOOD,
                spread=_PVA_SPREAD,
                coverage=None,
                faces=1,
                bag_ready=True,
                drawbacks=("creeps under steady load", "short open time"),
                cautions=(),
            ),
            Adhesive(
                key="white PVA",
                name="White glue (PVA)",
                pressure=_PVA_PRESSURE,
                open=_range("10", "15", "min", _RECALLED, FROM_MEMORY),
                clamped=_range("0.5", "1", "h", _GUIDE, PUBLISHED),
                full=_range("24", "24", "h", _GUIDE, PUBLISHED),
                least_temperature=_least("55", "general page", PUBLISHED),
                moisture=_DRY_WOOD,
                spread=_PVA_SPREAD,
                coverage=None,
                faces=1,
                bag_ready=True,
                drawbacks=("softens with heat and damp", "creeps under steady load"),
                cautions=(),
            ),
            Adhesive(
                key="liquid hide",
                name="Liquid hide glue",
                pressure=_pressures(_PVA_LIKE, FROM_MEMORY),
                open=_range("20", "30", "min", _RECALLED, FROM_MEMORY),
                clamped=_range("6", "12", "h", _RECALLED, FROM_MEMORY),
                full=_range("24", "24", "h", _RECALLED, FROM_MEMORY),
                least_temperature=_least("50", _RECALLED, FROM_MEMORY),
                moisture=_range("6", "10", "%", _RECALLED, FROM_MEMORY),
                spread=None,
                coverage=None,
                faces=1,
                bag_ready=False,
                drawbacks=("lets go in damp", "keeps for about a year: test an old bottle first"),
                cautions=(),
            ),
            Adhesive(
                key="urea resin",
                name="Urea resin (powder mixed with water)",
                pressure=_pressures(_PVA_LIKE, FROM_MEMORY),
                open=_range("15", "25", "min", _RECALLED, FROM_MEMORY),
                clamped=_range("10", "14", "h", _RECALLED, FROM_MEMORY),
                full=_range("24", "48", "h", _RECALLED, FROM_MEMORY),
                least_temperature=_least("65", _RECALLED, FROM_MEMORY),
                moisture=_range("6", "10", "%", _RECALLED, FROM_MEMORY),
                spread=None,
                coverage=None,
                faces=1,
                bag_ready=True,
                drawbacks=("long in the clamps", "mixed by weight each time"),
                cautions=(
                    "The powder and the cure give off formaldehyde: dust mask for mixing, fresh air, and the data sheet.",
                ),
            ),
            Adhesive(
                key="epoxy",
                name="Epoxy, two parts",
                pressure=_light("hold in contact; squeezing hard starves the joint, recalled"),
                open=_range("15", "40", "min", "differs by hardener, recalled", FROM_MEMORY),
                clamped=_range("8", "24", "h", _RECALLED, FROM_MEMORY),
                full=_range("24", "72", "h", _RECALLED, FROM_MEMORY),
                least_temperature=_least("60", "differs by hardener, recalled", FROM_MEMORY),
                moisture=_range("6", "12", "%", _RECALLED, FROM_MEMORY),
                spread=None,
                coverage=None,
                faces=2,
                bag_ready=True,
                drawbacks=("dear", "hard to undo"),
                cautions=(_SKIN, "Uncured epoxy can make skin allergic for good."),
            ),
            Adhesive(
                key="polyurethane",
                name="Polyurethane glue",
                pressure=_pressures(_PVA_LIKE, FROM_MEMORY),
                open=_range("15", "20", "min", _RECALLED, FROM_MEMORY),
                clamped=_range("1", "4", "h", _RECALLED, FROM_MEMORY),
                full=_range("24", "24", "h", _RECALLED, FROM_MEMORY),
                least_temperature=_least("50", _RECALLED, FROM_MEMORY),
                moisture=_range("8", "12", "%", "cures with moisture, recalled", FROM_MEMORY),
                spread=None,
                coverage=None,
                faces=1,
                bag_ready=False,
                drawbacks=("foams out of the joint", "the foam has no strength in a gap"),
                cautions=(_SKIN, "Contains isocyanates: fresh air, and not for the sensitised."),
            ),
            Adhesive(
                key="contact, solvent",
                name="Contact cement, solvent",
                pressure=MappingProxyType({}),
                open=_range("30", "30", "min", "one maker's data sheet", PUBLISHED),
                clamped=_range("0", "0", "h", "sticks by touch", COMMON_PRACTICE),
                full=_range("72", "72", "h", "one maker's data sheet", PUBLISHED),
                least_temperature=_least("65", _RECALLED, FROM_MEMORY),
                moisture=_range("6", "10", "%", _RECALLED, FROM_MEMORY),
                spread=None,
                coverage=_range("100", "200", "ft2/gal", "brushed, one face, no source", COMMON_PRACTICE),
                faces=2,
                bag_ready=False,
                drawbacks=(
                    "no repositioning: it grabs where it touches",
                    "strong smell",
                    "for thin faces only, not for edge joints or frames",
                    "solid wood and some finishes lift it later",
                ),
                cautions=(_FLAMMABLE, _SKIN),
            ),
            Adhesive(
                key="contact, water",
                name="Contact cement, waterborne",
                pressure=MappingProxyType({}),
                open=_range(
                    "150", "180", "min", "one maker's data sheet, after drying 30 to 40 min", PUBLISHED
                ),
                clamped=_range("0", "0", "h", "sticks by touch", COMMON_PRACTICE),
                full=_range("72", "72", "h", "taken as for the solvent kind, recalled", FROM_MEMORY),
                least_temperature=_least("65", _RECALLED, FROM_MEMORY),
                moisture=_range("6", "10", "%", _RECALLED, FROM_MEMORY),
                spread=None,
                coverage=_range("100", "200", "ft2/gal", "brushed, one face, no source", COMMON_PRACTICE),
                faces=2,
                bag_ready=False,
                drawbacks=(
                    "no repositioning: it grabs where it touches",
                    "weaker and slower than the solvent kind",
                    "for thin faces only, not for edge joints or frames",
                    "its water can curl raw veneer",
                ),
                cautions=("Fresh air; follow the label and the safety data sheet.",),
            ),
        )
    }
)


def find_adhesive(key: str) -> Adhesive:
    """The adhesive of that key; raises ValueError that lists the keys."""
    if key not in ADHESIVES:
        raise ValueError(f"“{key}” is not one of the adhesives: {'; '.join(ADHESIVES)}")
    return ADHESIVES[key]


def g_per_m2(lb_per_1000_ft2_rate: Fraction) -> Fraction:
    """A spread in lb per 1000 ft2 as g/m2, exactly."""
    return lb_per_1000_ft2_rate * LB_PER_1000_FT2_IN_G_PER_M2.value


def lb_per_1000_ft2(g_per_m2_rate: Fraction) -> Fraction:
    """A spread in g/m2 as lb per 1000 ft2, exactly."""
    return g_per_m2_rate / LB_PER_1000_FT2_IN_G_PER_M2.value


def m2_per_litre(ft2_per_gal: Fraction) -> Fraction:
    """A coverage in ft2 per US gallon as m2 per litre, exactly."""
    return ft2_per_gal * FT2_PER_GAL_IN_M2_PER_L.value


def vacuum_pressure(gauge_inhg: Fraction, *, altitude_ft: Fraction = Fraction(0)) -> Pressure:
    """What a bag presses with at a gauge reading in inHg: 0.4912 psi each, never more than the air there weighs.

    The air is taken as 29.921 inHg at sea level less 1 inHg per 1000 ft (rule of thumb). Raises ValueError for a
    negative reading.
    """
    if gauge_inhg < 0:
        raise ValueError("a vacuum gauge reading is not negative here: 21 inHg of vacuum is 21")
    air = ATMOSPHERE_INHG.value - INHG_LOST_PER_1000_FT.value * max(altitude_ft, Fraction(0)) / 1000
    return Pressure(min(gauge_inhg, max(air, Fraction(0))) * PSI_PER_INHG.value)
