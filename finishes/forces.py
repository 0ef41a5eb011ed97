"""Forces and pressures, held exactly and read as people write them: "1000 lbf", "4.5 kN", "120 psi", "800 kPa".

Exact by definition: 1 lbf = 0.45359237 kg x 9.80665 m/s2, 1 in = 25.4 mm (NIST Special Publication 811, appendix B).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import ClassVar, Self

from finishes.facts import LBF_IN_NEWTON, PSI_IN_KPA
from finishes.measures import Area, BadMeasure, read_number, trim_decimal

__all__ = ["Force", "Pressure"]

_NEWTON = 1 / LBF_IN_NEWTON.value
_KPA = 1 / PSI_IN_KPA.value
_TEXT = re.compile(r"^(?P<number>[0-9.,/ ]*[0-9])\s*(?P<unit>[a-zA-Z]*)$")


def _parse(text: str, what: str, units: Mapping[str, Fraction], default_unit: str, most: int) -> Fraction:
    found = _TEXT.match(str(text).strip())
    if not found:
        raise BadMeasure(f"“{str(text).strip()[:40]}” is not a {what}.")
    unit = found["unit"] or default_unit
    if unit.lower() not in units:
        raise BadMeasure(f"“{unit[:20]}” is not a unit of {what} I know: use {', '.join(units)}.")
    value = read_number(found["number"]) * units[unit.lower()]
    if value > most:
        raise BadMeasure(
            f"“{str(text).strip()[:40]}” is more than this program reckons with. Check the unit."
        )
    return value


@dataclass(frozen=True, order=True)
class Force:
    """A force as an exact number of pounds-force, zero or more."""

    lbf: Fraction
    text: str = field(default="", compare=False)

    what: ClassVar[str] = "force"
    units: ClassVar[Mapping[str, Fraction]] = {
        "lbf": Fraction(1),
        "lb": Fraction(1),
        "lbs": Fraction(1),
        "n": _NEWTON,
        "kn": _NEWTON * 1000,
        "kgf": _NEWTON * Fraction("9.80665"),
    }

    @classmethod
    def parse(cls, text: str, default_unit: str = "lbf") -> Self:
        """Reads a force; raises BadMeasure."""
        return cls(_parse(text, cls.what, cls.units, default_unit, 10**7), str(text).strip())

    @property
    def newtons(self) -> Fraction:
        """In newtons, exactly."""
        return self.lbf / _NEWTON

    def over(self, area: Area) -> Pressure:
        """The mean pressure of this force on an area above zero."""
        return Pressure(self.lbf / area.to("in2"))

    def times(self, factor: int | Fraction) -> Force:
        """So many times this force."""
        return Force(self.lbf * factor)

    def __add__(self, other: Force) -> Force:
        return Force(self.lbf + other.lbf)

    def shown(self, system: str) -> str:
        """In lbf, or in N or kN."""
        if system == "imperial":
            return f"{trim_decimal(self.lbf, 0)} lbf"
        if self.newtons < 1000:
            return f"{trim_decimal(self.newtons, 0)} N"
        return f"{trim_decimal(self.newtons / 1000, 1)} kN"


@dataclass(frozen=True, order=True)
class Pressure:
    """A pressure as an exact number of pounds-force per square inch, zero or more."""

    psi: Fraction
    text: str = field(default="", compare=False)

    what: ClassVar[str] = "pressure"
    units: ClassVar[Mapping[str, Fraction]] = {
        "psi": Fraction(1),
        "kpa": _KPA,
        "mpa": _KPA * 1000,
        "bar": _KPA * 100,
    }

    @classmethod
    def parse(cls, text: str, default_unit: str = "psi") -> Self:
        """Reads a pressure; raises BadMeasure."""
        return cls(_parse(text, cls.what, cls.units, default_unit, 10**5), str(text).strip())

    @property
    def kpa(self) -> Fraction:
        """In kilopascals, exactly."""
        return self.psi / _KPA

    def on(self, area: Area) -> Force:
        """The force that gives this pressure on an area."""
        return Force(self.psi * area.to("in2"))

    def shown(self, system: str) -> str:
        """In psi or kPa."""
        if system == "imperial":
            return f"{trim_decimal(self.psi, 0 if self.psi >= 20 else 1)} psi"
        return f"{trim_decimal(self.kpa, 0)} kPa"
