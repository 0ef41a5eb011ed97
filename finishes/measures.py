"""Lengths, areas, volumes, masses and temperatures: read as people write them, held exactly, printed back.

Every quantity is a whole number of a tiny base unit, so sums and comparisons are exact:

    Length  nanometres         1/64 in = 396,875 nm
    Area    square nanometres
    Volume  cubic nanometres   1 US gal = 231 in3
    Mass    nanograms          1 oz = 28,349,523,125 ng

What was typed travels along in ``.text`` and takes no part in comparison. A text that makes no sense raises
``BadMeasure`` with a reason fit for the person who typed it. Exact by definition: inch 25.4 mm, US gallon
231 in3, pound 453.59237 g (NIST Special Publication 811, appendix B).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from math import gcd
from typing import ClassVar, Self

__all__ = ["Area", "BadMeasure", "Length", "Mass", "Temperature", "Volume", "read_number"]

LONGEST_TEXT = 60

# Vulgar fractions as single characters. NFKC folding would turn "18½" into "181⁄2", so they are spelled out here.
VULGAR = {
    "¼": "1/4",
    "½": "1/2",
    "¾": "3/4",
    "⅐": "1/7",
    "⅑": "1/9",
    "⅒": "1/10",
    "⅓": "1/3",
    "⅔": "2/3",
    "⅕": "1/5",
    "⅖": "2/5",
    "⅗": "3/5",
    "⅘": "4/5",
    "⅙": "1/6",
    "⅚": "5/6",
    "⅛": "1/8",
    "⅜": "3/8",
    "⅝": "5/8",
    "⅞": "7/8",
}
_SPACES = re.compile(r"[\s\u00a0\u2007\u2009\u202f]+")
_DASHES = re.compile(r"[\u2010\u2011\u2012\u2013\u2014\u2212]")
_NUMBER = re.compile(
    r"(?:(?P<whole>[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)(?!\s*/)(?![0-9])"
    r"(?:(?:\s*-\s*|\s+)(?P<num>[0-9]+)\s*/\s*(?P<den>[0-9]+))?"
    r"|(?P<only_num>[0-9]+)\s*/\s*(?P<only_den>[0-9]+))"
)


class BadMeasure(ValueError):
    """A measure that cannot be read; the message says why and what would be right."""


def _clean(text: str) -> str:
    text = str(text)
    if len(text) > LONGEST_TEXT:
        raise BadMeasure("That is too long for a measure.")
    for sign, spelled in VULGAR.items():
        text = text.replace(sign, f" {spelled}")
    text = text.replace("\u2044", "/").replace("\u2215", "/")
    text = _DASHES.sub("-", text)
    return _SPACES.sub(" ", text).strip()


def _read_decimal(text: str) -> Fraction:
    """A plain number with a point or a comma before its decimals."""
    if re.fullmatch(r"[1-9][0-9]{0,2},[0-9]{3}", text):
        raise BadMeasure(
            f"“{text}” can be read two ways: write {text.replace(',', '')} or {text.replace(',', '.')}."
        )
    if text.count(",") + text.count(".") > 1:
        raise BadMeasure(f"“{text}” has more than one decimal point.")
    return Fraction(Decimal(text.replace(",", ".")))


def _take_number(text: str) -> tuple[Fraction, str]:
    """The number at the start of ``text`` and what follows it."""
    if text.startswith("-"):
        raise BadMeasure("A measure can't be negative.")
    tried = re.match(r"[0-9]*[.,][0-9]*[.,][0-9.,]*", text)
    if tried:
        raise BadMeasure(
            f"“{tried.group(0)}” is not a number I can read: no thousands signs, one decimal point."
        )
    found = _NUMBER.match(text)
    if not found or not found.group(0).strip():
        raise BadMeasure(f"“{text}” is not a number.")
    whole_text = found["whole"]
    num_text, den_text = found["num"] or found["only_num"], found["den"] or found["only_den"]
    value = Fraction(0)
    if whole_text is not None:
        value = _read_decimal(whole_text)
    if num_text is not None:
        num, den = int(num_text), int(den_text)
        if den == 0:
            raise BadMeasure(f"“{num}/{den}” divides by zero.")
        if whole_text is not None:
            if not whole_text.isdigit():
                raise BadMeasure(f"“{found.group(0).strip()}” mixes decimals and a fraction.")
            if num >= den:
                raise BadMeasure(f"“{num}/{den}” after a whole number should be less than one.")
        value += Fraction(num, den)
    rest = text[found.end() :]
    if rest.lstrip().startswith("/"):
        raise BadMeasure(f"“{text}” is not a fraction I can read.")
    return value, rest


def read_number(text: str) -> Fraction:
    """A number alone, as people write one: "18 3/4", "2,5", "½". Raises BadMeasure."""
    value, rest = _take_number(_clean(text))
    if rest.strip():
        raise BadMeasure(f"“{rest.strip()}” is left over after the number.")
    return value


def _round_half_up(value: Fraction) -> int:
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)


def trim_decimal(value: Fraction, places: int) -> str:
    """``value`` rounded half up to ``places`` decimals, without trailing zeros."""
    scaled = _round_half_up(abs(value) * 10**places)
    whole, part = divmod(scaled, 10**places)
    digits = f"{part:0{places}d}".rstrip("0") if places else ""
    sign = "-" if value < 0 and scaled else ""
    return f"{sign}{whole}.{digits}" if digits else f"{sign}{whole}"


@dataclass(frozen=True, order=True)
class _Quantity:
    """A whole number of base units; ``text`` is what was typed."""

    amount: int
    text: str = field(default="", compare=False)

    units: ClassVar[Mapping[str, Fraction]] = {}
    most: ClassVar[int] = 0
    what: ClassVar[str] = "measure"
    example: ClassVar[str] = ""

    def __post_init__(self) -> None:
        if isinstance(self.amount, bool) or not isinstance(self.amount, int):
            raise TypeError(f"{type(self).__name__} holds a whole number of base units, not {self.amount!r}")

    @classmethod
    def of(cls, value: int | str | Fraction | Decimal, unit: str, text: str = "") -> Self:
        """``value`` of ``unit``, rounded half up to the base unit (exact for every unit fraction in use)."""
        if isinstance(value, float):
            raise TypeError("floats are not exact: give text, a Decimal or a Fraction")
        number = read_number(value) if isinstance(value, str) else Fraction(value)
        return cls(_round_half_up(number * cls.factor(unit)), text)

    @classmethod
    def factor(cls, unit: str) -> Fraction:
        """How many base units one ``unit`` is; raises BadMeasure for a unit of another kind."""
        key = _SPACES.sub(" ", unit.strip()).rstrip(".")
        found = cls.units.get(key) or cls.units.get(key.lower())
        if found is None:
            raise BadMeasure(f"“{unit.strip()}” is not a unit of {cls.what} I know. {cls.example}".strip())
        return found

    @classmethod
    def parse(cls, text: str, default_unit: str | None = None) -> Self:
        """Reads what a person wrote; a bare number counts in ``default_unit``. Raises BadMeasure."""
        cleaned = _clean(text)
        if not cleaned:
            raise BadMeasure(f"Write a {cls.what}. {cls.example}".strip())
        total = cls._total(cleaned, default_unit)
        amount = _round_half_up(total)
        if amount > cls.most:
            raise BadMeasure(f"“{text.strip()}” is more than this program reckons with. Check the unit.")
        return cls(amount, text.strip())

    @classmethod
    def _total(cls, cleaned: str, default_unit: str | None) -> Fraction:
        value, rest = _take_number(cleaned)
        rest = rest.strip()
        if not rest and default_unit is None:
            raise BadMeasure(f"“{cleaned}” needs a unit. {cls.example}".strip())
        return value * cls.factor(rest or str(default_unit))

    def to(self, unit: str) -> Fraction:
        """The exact number of ``unit``."""
        return Fraction(self.amount) / self.factor(unit)

    def show(self, unit: str, places: int = 2) -> str:
        """The number in ``unit`` rounded to ``places`` decimals, followed by the unit."""
        return f"{trim_decimal(self.to(unit), places)} {unit}"

    def __add__(self, other: Self) -> Self:
        if type(other) is not type(self):
            return NotImplemented
        return type(self)(self.amount + other.amount)

    def __sub__(self, other: Self) -> Self:
        if type(other) is not type(self):
            return NotImplemented
        return type(self)(self.amount - other.amount)

    def __mul__(self, times: int) -> Self:
        if isinstance(times, bool) or not isinstance(times, int):
            return NotImplemented
        return type(self)(self.amount * times)

    __rmul__ = __mul__

    def __bool__(self) -> bool:
        return self.amount != 0


NM_PER_MM = 1_000_000
NM_PER_INCH = 25_400_000

_MM = Fraction(NM_PER_MM)
_INCH = Fraction(NM_PER_INCH)
_LENGTH_UNITS = {
    "mm": _MM,
    "millimetre": _MM,
    "millimetres": _MM,
    "millimeter": _MM,
    "millimeters": _MM,
    "cm": _MM * 10,
    "centimetre": _MM * 10,
    "centimetres": _MM * 10,
    "centimeter": _MM * 10,
    "centimeters": _MM * 10,
    "dm": _MM * 100,
    "m": _MM * 1000,
    "metre": _MM * 1000,
    "metres": _MM * 1000,
    "meter": _MM * 1000,
    "meters": _MM * 1000,
    "µm": _MM / 1000,
    "μm": _MM / 1000,
    "um": _MM / 1000,
    "nm": Fraction(1),
    "mil": _INCH / 1000,
    "mils": _INCH / 1000,
    "thou": _INCH / 1000,
    "in": _INCH,
    "inch": _INCH,
    "inches": _INCH,
    '"': _INCH,
    "ft": _INCH * 12,
    "foot": _INCH * 12,
    "feet": _INCH * 12,
    "'": _INCH * 12,
    "yd": _INCH * 36,
    "yard": _INCH * 36,
    "yards": _INCH * 36,
}
_PRIMES = str.maketrans(
    {"″": '"', "”": '"', "“": '"', "„": '"', "′": "'", "’": "'", "‘": "'", "`": "'", "´": "'"}
)
_FEET_THEN_INCHES = re.compile(
    r"^(?P<feet>.+?)\s*(?:'|ft\.?|feet|foot)(?![a-z'])\s*-?\s*(?P<inches>[0-9.,].*)$", re.I
)
_METRES_THEN_CM = re.compile(r"^(?P<m>[0-9.,]+)\s*m\s+(?P<rest>[0-9.,]+\s*(?:cm|mm))$", re.I)


class Length(_Quantity):
    """A length in whole nanometres; reads "18 3/4", ``23-15/32"``, ``5'2"``, "46,2 cm", "1.2 m", "½ in", "600 mm"."""

    units = _LENGTH_UNITS
    most = 1_000 * 1000 * NM_PER_MM
    what = "length"
    example = "Write it like 23 5/8 in, 5'2\" or 600 mm."

    @classmethod
    def _total(cls, cleaned: str, default_unit: str | None) -> Fraction:
        cleaned = cleaned.translate(_PRIMES).replace("''", '"')
        if both := _FEET_THEN_INCHES.match(cleaned):
            feet = super()._total(both["feet"], "ft")
            inches_text = both["inches"].strip()
            if inches_text.endswith("'"):
                raise BadMeasure(f"“{cleaned}” names feet twice.")
            inches = super()._total(inches_text, "in")
            if inches >= 12 * _INCH:
                raise BadMeasure(f"The inches after the feet in “{cleaned}” should be under 12.")
            return feet + inches
        if both := _METRES_THEN_CM.match(cleaned):
            rest = super()._total(both["rest"], None)
            if rest >= 1000 * _MM:
                raise BadMeasure(f"What follows the metres in “{cleaned}” should be under one metre.")
            return super()._total(both["m"], "m") + rest
        return super()._total(cleaned, default_unit)

    @classmethod
    def inches(cls, value: int | str | Fraction | Decimal) -> Self:
        """So many inches: ``Length.inches("1/8")``."""
        return cls.of(value, "in")

    @classmethod
    def mm(cls, value: int | str | Fraction | Decimal) -> Self:
        """So many millimetres: ``Length.mm("0.6")``."""
        return cls.of(value, "mm")

    @property
    def nm(self) -> int:
        """Whole nanometres, as stored."""
        return self.amount

    def in_inches(self, denominator: int = 64) -> str:
        """Inches to the nearest 1/``denominator``, as a fraction: ``23 15/32"``; "≈" marks a rounded one."""
        steps = self.to("in") * denominator
        nearest = _round_half_up(abs(steps))
        whole, part = divmod(nearest, denominator)
        common = gcd(part, denominator) if part else 1
        fraction = f"{part // common}/{denominator // common}" if part else ""
        number = " ".join(bit for bit in (str(whole) if whole or not part else "", fraction) if bit)
        sign = "-" if self.amount < 0 and nearest else ""
        exact = "" if abs(steps) == nearest else "≈ "
        return f'{exact}{sign}{number}"'

    def in_feet(self, denominator: int = 16) -> str:
        """Feet and inches for long stock: ``7' 10 1/2"``."""
        feet, rest = divmod(self.amount, 12 * NM_PER_INCH)
        if feet <= 0:
            return self.in_inches(denominator)
        inches = Length(rest).in_inches(denominator)
        return f"{feet}' {inches}" if rest else f"{feet}'"

    def in_mm(self, places: int = 1) -> str:
        """Millimetres: "595.3 mm"; "≈" marks a rounded one."""
        exact = "" if (self.to("mm") * 10**places).denominator == 1 else "≈ "
        return exact + self.show("mm", places)

    def shown(self, system: str) -> str:
        """In the shop's own units: ``system`` is "imperial" or "metric"."""
        return self.in_inches() if system == "imperial" else self.in_mm()

    def as_typed(self, system: str) -> str:
        """What was typed, always with its unit; "" where nothing was, or where it does not read as this length.

        A bare number gets the unit it was counted in, also once the shop has changed from inches to millimetres.
        """
        if not self.text:
            return ""
        own, other = ("in", "mm") if system == "imperial" else ("mm", "in")
        for text in (self.text, f"{self.text} {own}", f"{self.text} {other}"):
            try:
                if type(self).parse(text) == self:
                    return text
            except BadMeasure:
                continue
        return ""

    def written(self, system: str) -> str:
        """A text that reads back as exactly this length, for a field to be edited: as typed, else in an exact unit."""
        own = "in" if system == "imperial" else "mm"
        try:
            if self.text and type(self).parse(self.text, own) == self:
                return self.text
        except BadMeasure:
            pass
        texts = (self.as_typed(system), self.shown(system), self.in_inches(), self.in_mm(3))
        return next((text for text in texts if text and not text.startswith("≈")), self.show("mm", 6))

    def by(self, other: Length) -> Area:
        """The rectangle this length spans with another."""
        return Area(self.amount * other.amount)


def _squared(unit: str) -> Fraction:
    return _LENGTH_UNITS[unit] ** 2


_AREA_UNITS: dict[str, Fraction] = {}
for _unit, _names in {
    "mm": ("mm",),
    "cm": ("cm",),
    "m": ("m", "metre", "metres", "meter", "meters"),
    "in": ("in", "inch", "inches"),
    "ft": ("ft", "foot", "feet"),
    "yd": ("yd", "yard", "yards"),
}.items():
    for _name in _names:
        for _pattern in ("{}2", "{}²", "{}^2", "sq {}", "sq. {}", "square {}"):
            _AREA_UNITS[_pattern.format(_name)] = _squared(_unit)
_AREA_UNITS |= {"sqft": _squared("ft"), "sqm": _squared("m"), "sqin": _squared("in"), "sf": _squared("ft")}


class Area(_Quantity):
    """An area in whole square nanometres; reads "48 ft2", "3.2 m²", "10 sq ft"."""

    units = _AREA_UNITS
    most = (1_000 * 1000 * NM_PER_MM) ** 2
    what = "area"
    example = "Write it like 48 ft2 or 3.2 m2."

    def shown(self, system: str, places: int = 2) -> str:
        """In ft² or m²."""
        return self.show("ft²" if system == "imperial" else "m²", places)

    def by(self, depth: Length) -> Volume:
        """The volume of this area so thick."""
        return Volume(self.amount * depth.amount)


_CUBIC_INCH = _INCH**3
_GALLON = 231 * _CUBIC_INCH
_LITRE = (_MM * 100) ** 3
_VOLUME_UNITS: dict[str, Fraction] = {
    "l": _LITRE,
    "litre": _LITRE,
    "litres": _LITRE,
    "liter": _LITRE,
    "liters": _LITRE,
    "ml": _LITRE / 1000,
    "millilitre": _LITRE / 1000,
    "millilitres": _LITRE / 1000,
    "milliliter": _LITRE / 1000,
    "milliliters": _LITRE / 1000,
    "cl": _LITRE / 100,
    "dl": _LITRE / 10,
    "cm3": _LITRE / 1000,
    "cm³": _LITRE / 1000,
    "cc": _LITRE / 1000,
    "m3": _LITRE * 1000,
    "m³": _LITRE * 1000,
    "in3": _CUBIC_INCH,
    "in³": _CUBIC_INCH,
    "cu in": _CUBIC_INCH,
    "ft3": _CUBIC_INCH * 1728,
    "ft³": _CUBIC_INCH * 1728,
    "cu ft": _CUBIC_INCH * 1728,
    "bf": _CUBIC_INCH * 144,
    "bd ft": _CUBIC_INCH * 144,
    "board foot": _CUBIC_INCH * 144,
    "board feet": _CUBIC_INCH * 144,
    "gal": _GALLON,
    "gallon": _GALLON,
    "gallons": _GALLON,
    "us gal": _GALLON,
    "qt": _GALLON / 4,
    "quart": _GALLON / 4,
    "quarts": _GALLON / 4,
    "pt": _GALLON / 8,
    "pint": _GALLON / 8,
    "pints": _GALLON / 8,
    "cup": _GALLON / 16,
    "cups": _GALLON / 16,
    "fl oz": _GALLON / 128,
    "fl. oz": _GALLON / 128,
    "floz": _GALLON / 128,
    "fluid ounce": _GALLON / 128,
    "fluid ounces": _GALLON / 128,
}


class Volume(_Quantity):
    """A volume in whole cubic nanometres; reads "1 qt", "1/2 gal", "8 fl oz", "946 ml", "0,75 l" (US liquid measure)."""

    units = _VOLUME_UNITS
    most = int(_LITRE) * 1_000_000
    what = "volume"
    example = "Write it like 1 qt, 8 fl oz or 750 ml."

    def shown(self, system: str) -> str:
        """In fl oz, qt or gal; or in ml or l, whichever reads best."""
        if system == "imperial":
            unit = "fl oz" if self.to("qt") < 1 else ("qt" if self.to("gal") < 1 else "gal")
        else:
            unit = "ml" if self.to("l") < 1 else "l"
        return self.show(unit, 0 if unit == "ml" else 2)


_GRAM = Fraction(10**9)
_POUND = Fraction(453_592_370_000)
_MASS_UNITS: dict[str, Fraction] = {
    "g": _GRAM,
    "gram": _GRAM,
    "grams": _GRAM,
    "mg": _GRAM / 1000,
    "kg": _GRAM * 1000,
    "kilogram": _GRAM * 1000,
    "kilograms": _GRAM * 1000,
    "oz": _POUND / 16,
    "ounce": _POUND / 16,
    "ounces": _POUND / 16,
    "lb": _POUND,
    "lbs": _POUND,
    "pound": _POUND,
    "pounds": _POUND,
}


class Mass(_Quantity):
    """A mass in whole nanograms; reads "2 lb", "12.5 oz", "640 g", "1,2 kg"."""

    units = _MASS_UNITS
    most = int(_GRAM) * 10_000_000
    what = "weight"
    example = "Write it like 640 g or 1 lb."

    def shown(self, system: str) -> str:
        """In oz or lb; or in g or kg."""
        if system == "imperial":
            return self.show("oz" if self.to("lb") < 1 else "lb", 2)
        return self.show("g", 1) if self.to("kg") < 1 else self.show("kg", 3)


_TEMPERATURE = re.compile(
    r"^(?P<sign>-?)\s*(?P<number>[0-9]+(?:[.,][0-9]+)?)\s*(?:°|deg(?:rees)?\.?)?\s*(?P<unit>[a-z]*)$", re.I
)


@dataclass(frozen=True, order=True)
class Temperature:
    """A temperature as exact degrees Celsius; reads "70 F", "21 °C", "-5 C"."""

    celsius: Fraction
    text: str = field(default="", compare=False)

    @classmethod
    def parse(cls, text: str, default_unit: str | None = None) -> Self:
        """Reads a temperature; a bare number counts in ``default_unit`` ("C" or "F"). Raises BadMeasure."""
        found = _TEMPERATURE.match(_clean(text))
        if not found:
            raise BadMeasure(f"“{text.strip()}” is not a temperature. Write it like 70 F or 21 C.")
        unit = (found["unit"] or default_unit or "").lower()
        value = _read_decimal(found["number"]) * (-1 if found["sign"] else 1)
        if unit in {"c", "celsius"}:
            celsius = value
        elif unit in {"f", "fahrenheit"}:
            celsius = (value - 32) * Fraction(5, 9)
        elif unit == "k":
            celsius = value - Fraction("273.15")
        else:
            raise BadMeasure(f"“{text.strip()}” needs C or F after the number.")
        if celsius < Fraction("-273.15"):
            raise BadMeasure(f"“{text.strip()}” is colder than anything can be.")
        if celsius > 1000:
            raise BadMeasure(f"“{text.strip()}” is more than this program reckons with. Check the unit.")
        return cls(celsius, text.strip())

    @property
    def fahrenheit(self) -> Fraction:
        """Degrees Fahrenheit, exactly."""
        return self.celsius * Fraction(9, 5) + 32

    def shown(self, system: str) -> str:
        """Rounded to a degree in °F or to half a degree and better in °C."""
        if system == "imperial":
            return f"{trim_decimal(self.fahrenheit, 0)} °F"
        return f"{trim_decimal(self.celsius, 1)} °C"
