"""How figures are written, the same on every screen and paper."""

from __future__ import annotations

from datetime import date
from fractions import Fraction

from estimating.money import Currency, Money
from finishes.measures import trim_decimal

DASH = "–"


def _true_minus(text: str) -> str:
    return text.replace("-", "−")


def money_words(cents: int | None, currency: Currency, *, none: str = DASH) -> str:
    """An amount with its sign and a true minus: "−$12.50"; ``none`` where there is no amount."""
    return none if cents is None else _true_minus(str(Money(cents, currency)))


def percent_words(percent: Fraction | None) -> str:
    """Per cent with one decimal: "35.1 %"; a dash for none."""
    return DASH if percent is None else _true_minus(f"{trim_decimal(percent, 1)} %")


def hours_words(minutes: int) -> str:
    """Minutes as hours and minutes: "2 h 05", "40 min"."""
    return f"{minutes // 60} h {minutes % 60:02d}" if minutes >= 60 else f"{minutes} min"


def day_words(day: date) -> str:
    """A date as people write it: 5 Mar 2026."""
    return f"{day.day} {day:%b %Y}"
