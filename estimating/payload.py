"""Reads the fields of a decoded JSON object one by one and refuses each bad one by its name.

A measure is a text as people write it ("24 in", "600 mm", "23 5/8") or a JSON number; a number or a text without a
unit counts in the unit the reader is told. Every refusal is a ``BadField``: "clamps[0].force_lbf: must be above 0".
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any, TypeVar

from estimating.money import BadMoney, Currency, Money, currency, round_half_up
from finishes.forces import Force, Pressure
from finishes.measures import Area, BadMeasure, Length, Mass, Temperature, Volume, read_number

__all__ = ["BadField", "Fields", "exact", "figure"]

# "name" and "note" may label any object; they change no figure.
LABELS = frozenset({"name", "note"})
MOST_ROWS = 2000
MOST_COUNT = 100_000
# Longer than anything a furniture shop makes or buys: a slip of the unit.
LONGEST = Length.mm(50_000)
LONGEST_TEXT = 200

_Q = TypeVar("_Q", Area, Length, Mass, Volume)


class BadField(ValueError):
    """A field that is missing, of the wrong kind or out of range; the message begins with its name."""


def exact(number: int | float | Decimal) -> Fraction:
    """The number as it was written in the JSON text, exactly."""
    return Fraction(Decimal(repr(number))) if isinstance(number, float) else Fraction(number)


def figure(value: Fraction, places: int = 6) -> int | float:
    """An exact value as a JSON number, rounded half up to ``places`` decimals."""
    rounded = Fraction(round_half_up(value * 10**places), 10**places)
    return rounded.numerator if rounded.denominator == 1 else float(rounded)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float, Decimal)) and not isinstance(value, bool)


class Fields:
    """One JSON object whose allowed keys are known beforehand; raises BadField for any other key."""

    def __init__(self, value: object, path: str = "", *, allowed: Collection[str] = ()) -> None:
        self.path = path
        if not isinstance(value, Mapping):
            raise BadField(f"{path or 'the input'}: an object is wanted, not {_shown(value)}")
        self.values: Mapping[str, Any] = value
        for key in value:
            if key not in allowed and key not in LABELS:
                raise BadField(f"{self.at(key[:40])}: no such field here. Fields: {', '.join(allowed)}")

    def at(self, key: str) -> str:
        """The full name of a field: "clamps[0].force_lbf"."""
        return f"{self.path}.{key}" if self.path else key

    def bad(self, key: str, reason: str) -> BadField:
        """A refusal of one field."""
        return BadField(f"{self.at(key)}: {reason}")

    def has(self, key: str) -> bool:
        """Whether the field is there and not null."""
        return self.values.get(key) is not None

    def _value(self, key: str) -> Any:
        if key not in self.values:
            raise self.bad(key, "is missing")
        if self.values[key] is None:
            raise self.bad(key, "is null: a value is wanted")
        return self.values[key]

    # Plain values

    def number(
        self,
        key: str,
        *,
        default: Fraction | int | None = None,
        above: int | None = None,
        least: int = 0,
        most: int = 10**9,
    ) -> Fraction:
        """A JSON number within bounds, exactly as written."""
        if default is not None and not self.has(key):
            return Fraction(default)
        value = self._value(key)
        if not _is_number(value):
            raise self.bad(key, f"a number is wanted, not {_shown(value)}")
        return self._bounded(key, exact(value), above, least, most)

    def percent(self, key: str, *, default: int | None = None, most: int = 1000) -> Fraction:
        """A percentage from 0 to ``most``: a number, or a text like "10" or "12.5 %"."""
        if default is not None and not self.has(key):
            return Fraction(default)
        value = self._value(key)
        if isinstance(value, str):
            try:
                number = read_number(value.strip().removesuffix("%"))
            except BadMeasure as error:
                raise self.bad(key, str(error)) from error
            return self._bounded(key, number, None, 0, most)
        return self.number(key, most=most)

    def whole(self, key: str, *, default: int | None = None, least: int = 1, most: int = MOST_COUNT) -> int:
        """A whole JSON number within bounds."""
        if default is not None and not self.has(key):
            return default
        number = self.number(key, least=least, most=most)
        if number.denominator != 1:
            raise self.bad(key, f"a whole number is wanted, not {_shown(self.values[key])}")
        return number.numerator

    def _bounded(self, key: str, number: Fraction, above: int | None, least: int, most: int) -> Fraction:
        shown = _shown(self.values[key])
        if above is not None and number <= above:
            raise self.bad(key, f"must be above {above}, not {shown}")
        if above is None and number < least:
            raise self.bad(key, f"must be at least {least}, not {shown}")
        if number > most:
            raise self.bad(key, f"must be at most {most}, not {shown}")
        return number

    def text(self, key: str, *, default: str | None = None) -> str:
        """A text of up to 200 characters, not blank."""
        if default is not None and not self.has(key):
            return default
        value = self._value(key)
        if not isinstance(value, str) or not value.strip():
            raise self.bad(key, f"a text is wanted, not {_shown(value)}")
        if len(value) > LONGEST_TEXT:
            raise self.bad(key, f"is longer than {LONGEST_TEXT} characters")
        return value.strip()

    def choice(self, key: str, choices: Collection[str], *, default: str | None = None) -> str:
        """One of ``choices``."""
        value = self.text(key, default=default)
        if value not in choices:
            raise self.bad(key, f"must be one of {', '.join(choices)}, not {_shown(value)}")
        return value

    def flag(self, key: str, *, default: bool = False) -> bool:
        """True or false."""
        if not self.has(key):
            return default
        value = self._value(key)
        if not isinstance(value, bool):
            raise self.bad(key, f"true or false is wanted, not {_shown(value)}")
        return value

    # Measures

    def _quantity(self, kind: type[_Q], key: str, unit: str | None, *, zero: bool) -> _Q:
        return self._read(kind, key, self._value(key), unit, zero=zero)

    def _read(self, kind: type[_Q], key: str, value: object, unit: str | None, *, zero: bool) -> _Q:
        if not isinstance(value, str) and not _is_number(value):
            raise self.bad(key, f"a {kind.what} is wanted, not {_shown(value)}")
        try:
            if isinstance(value, str) and zero and value.strip() in {"0", "0.0", "0,0"}:
                found = kind(0, value.strip())
            elif isinstance(value, str):
                found = kind.parse(value, unit)
            else:
                number = exact(value)  # type: ignore[arg-type]
                if number < 0:
                    raise self.bad(key, f"can't be negative, not {_shown(value)}")
                if unit is None and number:
                    raise self.bad(key, f"needs its unit. {kind.example}")
                found = kind.of(number, unit, str(value)) if unit else kind(0, "0")
                if found.amount > kind.most:
                    raise self.bad(key, f"{_shown(value)} is more than this program reckons with")
            if isinstance(found, Length) and found > LONGEST:
                raise self.bad(key, f"{_shown(value)} is longer than 50 m. Check the unit.")
        except BadMeasure as error:
            raise self.bad(key, str(error)) from error
        if not found.amount and not zero:
            raise self.bad(key, "must be above 0")
        return found

    def length(
        self, key: str, *, default: Length | None = None, zero: bool = False, unit: str = "in"
    ) -> Length:
        """A length above zero (or from zero); a bare number counts in ``unit``."""
        if default is not None and not self.has(key):
            return default
        return self._quantity(Length, key, unit, zero=zero)

    def lengths(self, key: str, *, unit: str = "in") -> tuple[Length, ...]:
        """One reading or a list of readings, at least one, each above zero."""
        value = self._value(key)
        rows = value if isinstance(value, list) else [value]
        if not rows:
            raise self.bad(key, "needs at least one reading")
        if len(rows) > MOST_ROWS:
            raise self.bad(key, f"has more than {MOST_ROWS} readings")
        name = (lambda at: f"{key}[{at}]") if isinstance(value, list) else (lambda _: key)
        return tuple(self._read(Length, name(at), row, unit, zero=False) for at, row in enumerate(rows))

    def area(self, key: str, *, unit: str | None = None) -> Area:
        """An area above zero; needs its unit unless ``unit`` is given."""
        return self._quantity(Area, key, unit, zero=False)

    def volume(self, key: str, *, zero: bool = False) -> Volume:
        """A volume with its unit, above zero (or from a bare 0)."""
        return self._quantity(Volume, key, None, zero=zero)

    def volumes(self, key: str) -> tuple[Volume, ...]:
        """One volume or a list of volumes, each from zero."""
        value = self._value(key)
        if not isinstance(value, list):
            return (self._read(Volume, key, value, None, zero=True),)
        if len(value) > MOST_ROWS:
            raise self.bad(key, f"has more than {MOST_ROWS} entries")
        return tuple(self._read(Volume, f"{key}[{at}]", row, None, zero=True) for at, row in enumerate(value))

    def percents(self, key: str, *, most: int = 100) -> tuple[Fraction, ...]:
        """A list of percentages, each a JSON number from 0 to ``most``."""
        value = self._value(key)
        if not isinstance(value, list):
            raise self.bad(key, f"a list of numbers is wanted, not {_shown(value)}")
        found = Fields(
            {f"{key}[{at}]": row for at, row in enumerate(value[:MOST_ROWS])},
            self.path,
            allowed=[f"{key}[{at}]" for at in range(min(len(value), MOST_ROWS))],
        )
        return tuple(found.number(name, most=most) for name in found.values)

    def temperature(self, key: str, *, unit: str | None = None) -> Temperature:
        """A temperature like "70 F" or "21 C"."""
        value = self._value(key)
        if not isinstance(value, str) and not (unit and _is_number(value)):
            raise self.bad(key, f"a temperature like “70 F” is wanted, not {_shown(value)}")
        try:
            return Temperature.parse(str(value), unit)
        except BadMeasure as error:
            raise self.bad(key, str(error)) from error

    def pressure(self, key: str) -> Pressure:
        """A pressure like "120 psi" or "800 kPa"; a bare number is psi."""
        return self._forced(Pressure, key)

    def force(self, key: str) -> Force:
        """A force like "1000 lbf" or "4.5 kN"; a bare number is lbf."""
        return self._forced(Force, key)

    def _forced(self, kind: type[Any], key: str) -> Any:
        value = self._value(key)
        if _is_number(value):
            return kind(self.number(key))
        if not isinstance(value, str):
            raise self.bad(key, f"a {kind.what} is wanted, not {_shown(value)}")
        try:
            return kind.parse(value)
        except BadMeasure as error:
            raise self.bad(key, str(error)) from error

    def money(self, key: str, of: Currency) -> Money:
        """An amount from zero: a text like "12.50" or a number."""
        value = self._value(key)
        if isinstance(value, str):
            try:
                return Money.parse(value, of)
            except BadMoney as error:
                raise self.bad(key, str(error)) from error
        cents = self.number(key, most=10**10) * 10**of.digits
        if cents.denominator != 1:
            raise self.bad(key, f"{_shown(value)} has more decimals than {of.code} has")
        return Money(cents.numerator, of)

    def currency(self, key: str = "currency") -> Currency:
        """The currency of every price in the input; US dollars when not named."""
        try:
            return currency(self.text(key, default="USD"))
        except BadMoney as error:
            raise self.bad(key, str(error)) from error

    # Parts

    def record(self, key: str, *, allowed: Collection[str]) -> Fields:
        """The object under ``key``."""
        return Fields(self._value(key), self.at(key), allowed=allowed)

    def rows(
        self, key: str, *, allowed: Collection[str], least: int = 0, optional: bool = False
    ) -> Sequence[Fields]:
        """The objects of the list under ``key``, in their order."""
        if optional and not self.has(key):
            return ()
        value = self._value(key)
        if not isinstance(value, list):
            raise self.bad(key, f"a list is wanted, not {_shown(value)}")
        if len(value) < least:
            raise self.bad(key, f"needs at least {least} entry" if least == 1 else f"needs {least} entries")
        if len(value) > MOST_ROWS:
            raise self.bad(key, f"has more than {MOST_ROWS} entries")
        return [Fields(row, f"{self.at(key)}[{at}]", allowed=allowed) for at, row in enumerate(value)]


def _shown(value: object) -> str:
    """A value as a refusal quotes it, kept short."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"“{value[:40]}”"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, Mapping):
        return "an object"
    return str(value)[:40]
