"""Figures a workshop looks up, each frozen with its unit, its source and how far the source was seen.

``status`` says how much weight a figure bears:

    published        read in a standard, a handbook, a maker's guide or a magazine test, or exact by definition
    common practice  a rule of thumb of the trade without a citable source
    from memory      recalled, not seen in a source while this was written: a default to check, never a proof

A figure on a label, a data sheet or a rule in her hand goes before every figure here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

from finishes.measures import Length

__all__ = [
    "COMMON_PRACTICE",
    "FROM_MEMORY",
    "PUBLISHED",
    "Fact",
    "Range",
    "ThicknessClass",
    "ps1_class",
]

PUBLISHED = "published"
COMMON_PRACTICE = "common practice"
FROM_MEMORY = "from memory"
STATUSES = (PUBLISHED, COMMON_PRACTICE, FROM_MEMORY)


def _check(unit: str, source: str, status: str) -> None:
    if status not in STATUSES:
        raise ValueError(f"a figure's status is one of {', '.join(STATUSES)}, not {status!r}")
    if not unit or not source:
        raise ValueError("a figure needs its unit and its source")


@dataclass(frozen=True)
class Fact:
    """One exact figure in its unit, with its source and status (one of ``STATUSES``)."""

    value: Fraction
    unit: str
    source: str
    status: str

    def __post_init__(self) -> None:
        _check(self.unit, self.source, self.status)

    @property
    def label(self) -> str:
        """What to print beside the figure: "published: clamp test, woodworking magazine, 2010"."""
        return f"{self.status}: {self.source}"


@dataclass(frozen=True)
class Range:
    """A low and a high figure in one unit, with their source and status; low and high may be the same."""

    low: Fraction
    high: Fraction
    unit: str
    source: str
    status: str

    def __post_init__(self) -> None:
        _check(self.unit, self.source, self.status)
        if self.low > self.high:
            raise ValueError("a range runs from low to high")

    @property
    def label(self) -> str:
        """What to print beside the range."""
        return f"{self.status}: {self.source}"


def _fact(value: str, unit: str, source: str, status: str) -> Fact:
    return Fact(Fraction(value), unit, source, status)


_DEFINITION = "exact by definition, NIST Special Publication 811, appendix B"
_PS1 = "US Voluntary Product Standard PS 1, limits as republished by a plywood trade association"

# Units that measures.py does not carry, because they are made of two others.
PSI_IN_KPA = Fact(
    # lbf = lb x standard gravity; a square inch is 0.0254 m squared.
    Fraction("0.45359237") * Fraction("9.80665") / Fraction("0.0254") ** 2 / 1000,
    "kPa per psi",
    _DEFINITION,
    PUBLISHED,
)
LBF_IN_NEWTON = Fact(Fraction("0.45359237") * Fraction("9.80665"), "N per lbf", _DEFINITION, PUBLISHED)
LB_PER_1000_FT2_IN_G_PER_M2 = Fact(
    Fraction("453.59237") / (1000 * Fraction("0.3048") ** 2),
    "g/m2 per lb/1000 ft2",
    _DEFINITION,
    PUBLISHED,
)
FT2_PER_GAL_IN_M2_PER_L = Fact(
    Fraction("0.3048") ** 2 / (231 * Fraction("0.254") ** 3),
    "m2/L per ft2/US gal",
    _DEFINITION,
    PUBLISHED,
)

# Clamps: mean of two testers' hands. Squeeze differs more by hand than by clamp, hence the factor.
_CLAMP_TEST = "clamp test with two testers, woodworking magazine, May 2010"
CLAMP_FORCES: Mapping[str, Fact] = MappingProxyType(
    {
        "one-hand bar clamp": _fact("470", "lbf", _CLAMP_TEST, PUBLISHED),
        "parallel-jaw clamp": _fact("370", "lbf", _CLAMP_TEST, PUBLISHED),
        "aluminium bar clamp": _fact("680", "lbf", _CLAMP_TEST, PUBLISHED),
        "3/4 in pipe clamp": _fact("1050", "lbf", _CLAMP_TEST, PUBLISHED),
        "I-beam bar clamp": _fact("1350", "lbf", _CLAMP_TEST, PUBLISHED),
    }
)
HAND_FACTOR = Range(Fraction("0.6"), Fraction("1.4"), "x mean force", _CLAMP_TEST, PUBLISHED)
CLAMP_SPACING = Range(Fraction(8), Fraction(12), "in", "glue maker's gluing guide", PUBLISHED)
CLAMP_FROM_END = Range(Fraction("1.5"), Fraction(2), "in", "glue maker's gluing guide", PUBLISHED)
SPREAD_ANGLE = _fact("45", "degrees each way", "workshop rule, no source", COMMON_PRACTICE)
PRESSURE_THROUGH_PANEL = _fact(
    "1",
    "x the force of one joint, however many boards",
    "wood scientist's answer in a trade magazine, 2014",
    PUBLISHED,
)

# Vacuum.
PSI_PER_INHG = _fact("0.4912", "psi per inHg", "vacuum equipment maker's table", PUBLISHED)
ATMOSPHERE_INHG = _fact("29.921", "inHg", "standard atmosphere, 101.325 kPa", PUBLISHED)
INHG_LOST_PER_1000_FT = _fact(
    "1", "inHg per 1000 ft of altitude", "workshop rule, no source", COMMON_PRACTICE
)
VACUUM_VENEER_PSI = _fact(
    "10", "psi", "usual for thin veneer on a flat core in a bag, no source", COMMON_PRACTICE
)

# Board measure and veneer.
BOARD_FOOT = _fact(
    "144", "in3", "US Navy Engineering Aid manual: nominal sizes, under 1 in counts as 1 in", PUBLISHED
)
VENEER_THICKNESS = Range(
    Fraction("0.5"), Fraction("1.0"), "mm", "general pages agree on 0.6 mm as usual", COMMON_PRACTICE
)
VENEER_ALLOWANCE = _fact("1/2", "in each side", "workshop rule, no source", COMMON_PRACTICE)
PVA_GLUE_LINE = Range(
    Fraction("0.002"),
    Fraction("0.006"),
    "in",
    "wood scientist's answer in a trade magazine, 2014",
    PUBLISHED,
)
SLIP_FIT = _fact("1/64", "in", "workshop rule for a panel in a groove, no source", COMMON_PRACTICE)

# Planing: rough quarter size and what it yields surfaced on two sides.
_SURFACED = "usual hardwood sizes surfaced two sides, recalled from the hardwood grading rules"
QUARTERS: Mapping[str, tuple[Fraction, Fact]] = MappingProxyType(
    {
        "4/4": (Fraction(1), _fact("13/16", "in", _SURFACED, FROM_MEMORY)),
        "5/4": (Fraction(5, 4), _fact("17/16", "in", _SURFACED, FROM_MEMORY)),
        "6/4": (Fraction(3, 2), _fact("21/16", "in", _SURFACED, FROM_MEMORY)),
        "8/4": (Fraction(2), _fact("7/4", "in", _SURFACED, FROM_MEMORY)),
        "10/4": (Fraction(5, 2), _fact("9/4", "in", _SURFACED, FROM_MEMORY)),
        "12/4": (Fraction(3), _fact("11/4", "in", _SURFACED, FROM_MEMORY)),
        "16/4": (Fraction(4), _fact("15/4", "in", _SURFACED, FROM_MEMORY)),
    }
)


@dataclass(frozen=True)
class ThicknessClass:
    """Limits of one PS 1 performance category: the sheet in her hand may be anything from least to most."""

    category: str
    nominal: Length
    least: Length
    most: Length
    fact: Fact


def _ps1(category: str, least: str, most: str) -> ThicknessClass:
    return ThicknessClass(
        category,
        Length.inches(category.replace("-", " ")),
        Length.inches(least),
        Length.inches(most),
        Fact(Fraction(most), "in at most", _PS1, PUBLISHED),
    )


# Unsanded, touch-sanded and overlaid panels at 9 % moisture.
PS1_THICKNESS: Mapping[str, ThicknessClass] = MappingProxyType(
    {
        row.category: row
        for row in (
            _ps1("1/4", "0.219", "0.281"),
            _ps1("7/16", "0.406", "0.469"),
            _ps1("15/32", "0.438", "0.500"),
            _ps1("19/32", "0.563", "0.625"),
            _ps1("23/32", "0.688", "0.750"),
            _ps1("3/4", "0.719", "0.781"),
            _ps1("13/16", "0.781", "0.844"),
            _ps1("7/8", "0.831", "0.919"),
            _ps1("1-1/8", "1.069", "1.181"),
            _ps1("1-1/4", "1.188", "1.313"),
        )
    }
)
PS1_UNSANDED_THIN = _fact("1/32", "in either way, category up to 13/16", _PS1, PUBLISHED)
PS1_UNSANDED_THICK = _fact("5", "% either way, category above 13/16", _PS1, PUBLISHED)
PS1_SANDED_THIN = _fact("1/64", "in either way, nominal up to 3/4", _PS1, PUBLISHED)
PS1_SANDED_THICK = _fact("3", "% either way, nominal above 3/4", _PS1, PUBLISHED)
PS1_SIZE_UNDER = _fact("1/16", "in under, nothing over, in length and width", _PS1, PUBLISHED)
PS1_SQUARENESS = _fact("1/64", "in per nominal foot of the longest edge", _PS1, PUBLISHED)
PS1_STRAIGHTNESS = _fact("1/16", "in", _PS1, PUBLISHED)


def ps1_class(nominal: Length, *, sanded: bool = False) -> ThicknessClass:
    """Thickness limits of softwood plywood of a nominal thickness, by PS 1.

    A category of the table gives the table's limits; another size, or a sanded panel, gets the standard's
    tolerance: 1/32 in (sanded 1/64) up to 13/16 in (sanded 3/4), above that 5 % (sanded 3 %).
    Raises ValueError for a nominal thickness below 1/8 in or above 1 1/2 in, which the tolerances do not cover.
    """
    if not Length.inches("1/8") <= nominal <= Length.inches("1 1/2"):
        raise ValueError("Plywood thickness limits cover nominal 1/8 in to 1 1/2 in.")
    for row in PS1_THICKNESS.values():
        if not sanded and row.nominal == nominal:
            return row
    thin, thick, border = (
        (PS1_SANDED_THIN, PS1_SANDED_THICK, "3/4")
        if sanded
        else (PS1_UNSANDED_THIN, PS1_UNSANDED_THICK, "13/16")
    )
    if nominal <= Length.inches(border):
        fact, off = thin, Length.of(thin.value, "in")
    else:
        fact, off = thick, Length.of(nominal.to("in") * thick.value / 100, "in")
    return ThicknessClass(nominal.in_inches().rstrip('"'), nominal, nominal - off, nominal + off, fact)


# Trade sheet sizes, length x width.
SHEET_SIZES: Mapping[str, tuple[Length, Length, str, str]] = MappingProxyType(
    {
        "plywood 4 x 8 ft": (Length.inches(96), Length.inches(48), _PS1, PUBLISHED),
        "birch plywood, metric": (Length.mm(1525), Length.mm(1525), "trade size, recalled", FROM_MEMORY),
        "MDF": (Length.inches(97), Length.inches(49), "trade size, no source", COMMON_PRACTICE),
        "paper-backed veneer 4 x 8 ft": (
            Length.inches(96),
            Length.inches(48),
            "trade size, no source",
            COMMON_PRACTICE,
        ),
        "paper-backed veneer 2 x 8 ft": (
            Length.inches(96),
            Length.inches(24),
            "trade size, no source",
            COMMON_PRACTICE,
        ),
    }
)
