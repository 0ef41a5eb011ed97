"""Money in whole minor units of one currency: reading, printing, rounding once, and splitting without losing a cent.

``Money`` is an amount with its currency; columns hold the bare minor units and end in ``_cents`` whatever the
currency (a yen column holds yen, a dinar column holds fils). Rounding is half up, away from zero on a tie, and
happens only where money is shown or posted. Splits use the largest remainder (Hamilton's method).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Self

__all__ = ["BadMoney", "Currency", "Money", "currency", "round_half_up", "split", "split_evenly"]

# Minor units that are not two, ISO 4217 (read from the Unicode CLDR 46 currency data). Everything else has two.
MINOR_UNITS = {
    **dict.fromkeys(
        [
            "BIF",
            "CLP",
            "DJF",
            "GNF",
            "ISK",
            "JPY",
            "KMF",
            "KRW",
            "PYG",
            "RWF",
            "UGX",
            "VND",
            "VUV",
            "XAF",
            "XOF",
            "XPF",
        ],
        0,
    ),
    **dict.fromkeys(["BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"], 3),
}
SIGNS = {
    "USD": "$",
    "EUR": "€",
    "GBP": "£",
    "JPY": "¥",
    "CAD": "CA$",
    "AUD": "A$",
    "NZD": "NZ$",
    "INR": "₹",
    "KRW": "₩",
    "MXN": "MX$",
    "BRL": "R$",
    "ILS": "₪",
    "PHP": "₱",
    "VND": "₫",
}
LONGEST_TEXT = 40


class BadMoney(ValueError):
    """An amount that cannot be read; the message says why and what would be right."""


@dataclass(frozen=True)
class Currency:
    """An ISO 4217 code with its number of minor-unit digits."""

    code: str
    digits: int

    @property
    def sign(self) -> str:
        """The sign to print before an amount; the code and a space where there is no common one."""
        return SIGNS.get(self.code, f"{self.code}\u00a0")


def currency(code: str) -> Currency:
    """The currency of an ISO 4217 code; raises BadMoney for anything that is not three letters."""
    if not re.fullmatch(r"[A-Z]{3}", code):
        raise BadMoney(f"“{code}” is not a currency code like USD or EUR.")
    return Currency(code, MINOR_UNITS.get(code, 2))


def round_half_up(value: Fraction | Decimal | int) -> int:
    """The nearest whole number; a tie goes away from zero (2.5 to 3, -2.5 to -3)."""
    exact = Fraction(value)
    nearest = (2 * abs(exact.numerator) + exact.denominator) // (2 * exact.denominator)
    return nearest if exact >= 0 else -nearest


def split(total: int, weights: Sequence[int | str | Fraction | Decimal]) -> list[int]:
    """``total`` minor units over ``weights`` by largest remainder: the parts always add up to the total.

    Left-over units go to the largest fractions, ties to the earlier part; a negative total is split as its
    absolute value. Raises ValueError for no weights, a negative weight, or weights that are all zero.
    """
    exact = [Fraction(weight) for weight in weights]
    if not exact or any(weight < 0 for weight in exact):
        raise ValueError("A split needs weights, none of them negative.")
    whole = sum(exact)
    if whole == 0:
        if total:
            raise ValueError("A split needs at least one weight above zero.")
        return [0] * len(exact)
    size = abs(total)
    quotas = [size * weight / whole for weight in exact]
    parts = [quota.numerator // quota.denominator for quota in quotas]
    by_fraction = sorted(range(len(parts)), key=lambda place: (parts[place] - quotas[place], place))
    for place in by_fraction[: size - sum(parts)]:
        parts[place] += 1
    return parts if total >= 0 else [-part for part in parts]


def split_evenly(total: int, count: int) -> list[int]:
    """``total`` over ``count`` equal parts, odd units to the first ones."""
    return split(total, [1] * count)


@dataclass(frozen=True)
class Money:
    """An amount in whole minor units of a currency; adds and compares only with its own currency."""

    cents: int
    currency: Currency

    @classmethod
    def parse(cls, text: str, money_of: Currency) -> Self:
        """Reads an amount as people write it: "12", "12.50", "$1,234.50", "1.234,50 €", "90,-". Raises BadMoney.

        A lone comma before exactly three digits is a thousands sign ("1,234"); a lone point there is a decimal one
        where the currency has three decimals. What could be read both ways is refused.
        """
        typed = str(text).strip()
        if not typed:
            raise BadMoney("Write an amount.")
        if len(typed) > LONGEST_TEXT:
            raise BadMoney("That is too long for an amount.")
        bare = re.sub(r"[\s\u00a0\u202f'’]", "", typed)
        for mark in sorted(
            {money_of.sign.strip("\u00a0"), money_of.code, "$", "€", "£", "¥"}, key=len, reverse=True
        ):
            if bare.upper().startswith(mark.upper()):
                bare = bare[len(mark) :]
                break
            if bare.upper().endswith(mark.upper()):
                bare = bare[: -len(mark)]
                break
        bare = re.sub(r"[.,](?:-|–)$", "", bare)
        if bare.startswith(("-", "−", "(")):
            raise BadMoney("An amount can't be negative.")
        if not re.fullmatch(r"[0-9.,]+", bare) or not re.search(r"[0-9]", bare):
            raise BadMoney(f"“{typed}” is not an amount. Write it like {_example(money_of)}.")
        whole, decimals = _separate(bare, typed, money_of)
        if len(decimals.rstrip("0")) > money_of.digits:
            raise BadMoney(
                f"“{typed}” has more decimals than {money_of.code} has."
                if money_of.digits
                else f"{money_of.code} has no decimals. Write a whole amount."
            )
        kept = decimals[: money_of.digits].ljust(money_of.digits, "0")
        cents = int((whole or "0") + kept)
        if cents > 10**14:
            raise BadMoney("That is more than this program reckons with.")
        return cls(cents, money_of)

    @classmethod
    def rounded(cls, exact: Fraction | Decimal | int, money_of: Currency) -> Self:
        """``exact`` minor units, rounded half up."""
        return cls(round_half_up(exact), money_of)

    @classmethod
    def total(cls, amounts: Iterable[Self], money_of: Currency) -> Self:
        """The sum, zero when there is nothing to add."""
        return cls(sum(amount.cents for amount in amounts), money_of)

    @property
    def decimal(self) -> Decimal:
        """In major units, with the currency's decimals: 1234 US cents are Decimal("12.34")."""
        return Decimal(self.cents).scaleb(-self.currency.digits)

    def __str__(self) -> str:
        return f"{'-' if self.cents < 0 else ''}{self.currency.sign}{self.plain.lstrip('-')}"

    @property
    def plain(self) -> str:
        """Grouped digits without a sign of currency: "1,234.50"."""
        return f"{self.decimal:,.{self.currency.digits}f}"

    @property
    def typed(self) -> str:
        """As a field shows it for editing: "1234.50"."""
        return f"{self.decimal:.{self.currency.digits}f}"

    def _same(self, other: object) -> Money:
        if not isinstance(other, Money):
            raise TypeError("money adds only to money")
        if other.currency != self.currency:
            raise ValueError(f"{self.currency.code} and {other.currency.code} don't add up.")
        return other

    def __add__(self, other: Money) -> Money:
        return Money(self.cents + self._same(other).cents, self.currency)

    def __sub__(self, other: Money) -> Money:
        return Money(self.cents - self._same(other).cents, self.currency)

    def __neg__(self) -> Money:
        return Money(-self.cents, self.currency)

    def __lt__(self, other: Money) -> bool:
        return self.cents < self._same(other).cents

    def __le__(self, other: Money) -> bool:
        return self.cents <= self._same(other).cents

    def __gt__(self, other: Money) -> bool:
        return self.cents > self._same(other).cents

    def __ge__(self, other: Money) -> bool:
        return self.cents >= self._same(other).cents

    def __bool__(self) -> bool:
        return self.cents != 0


def _example(money_of: Currency) -> str:
    return Money(90 * 10**money_of.digits, money_of).typed


def _separate(bare: str, typed: str, money_of: Currency) -> tuple[str, str]:
    """Whole digits and decimal digits, telling thousands signs from decimal ones."""
    points, commas = bare.count("."), bare.count(",")
    if points and commas:
        decimal_sign = max(".", ",", key=bare.rfind)
        grouping = "," if decimal_sign == "." else "."
        if bare.count(decimal_sign) > 1:
            raise BadMoney(f"“{typed}” has more than one decimal sign.")
        whole, decimals = bare.split(decimal_sign)
        if not re.fullmatch(rf"[0-9]{{1,3}}(?:{re.escape(grouping)}[0-9]{{3}})+", whole):
            raise BadMoney(f"“{typed}” is not an amount I can read.")
        return whole.replace(grouping, ""), decimals
    sign = "." if points else ","
    if not points and not commas:
        return bare, ""
    if bare.count(sign) > 1:
        if not re.fullmatch(rf"[0-9]{{1,3}}(?:{re.escape(sign)}[0-9]{{3}})+", bare):
            raise BadMoney(f"“{typed}” is not an amount I can read.")
        return bare.replace(sign, ""), ""
    whole, decimals = bare.split(sign)
    if len(decimals) == 3 and re.fullmatch(r"[1-9][0-9]{0,2}", whole):
        if sign == "," and money_of.digits < 3:
            return whole + decimals, ""
        if sign == "," or money_of.digits < 3:
            raise BadMoney(
                f"“{typed}” can be read two ways: write {whole}{decimals} or {whole}.{decimals[:2]}."
            )
    return whole, decimals
