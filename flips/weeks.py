"""Weeks from Monday to Sunday, numbered as ISO 8601 numbers them; pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Self


@dataclass(frozen=True, order=True)
class Week:
    """One ISO 8601 week: the year it counts in, and its number from 1 to 52 or 53."""

    year: int
    number: int

    @classmethod
    def of(cls, day: date) -> Self:
        """The week a day lies in."""
        year, number, _ = day.isocalendar()
        return cls(year, number)

    @classmethod
    def read(cls, text: str) -> Self | None:
        """The week written "2026-W01"; None when there is no such week."""
        found = re.fullmatch(r"([0-9]{4})-W([0-9]{2})", text)
        if not found:
            return None
        try:
            first = date.fromisocalendar(int(found[1]), int(found[2]), 1)
            # A week on the edge of the calendar has no neighbours to go to.
            first - timedelta(days=7), first + timedelta(days=14)
        except (ValueError, OverflowError):
            return None
        return cls.of(first)

    def __str__(self) -> str:
        return f"{self.year:04d}-W{self.number:02d}"

    @property
    def first(self) -> date:
        """Its Monday."""
        return date.fromisocalendar(self.year, self.number, 1)

    @property
    def last(self) -> date:
        """Its Sunday."""
        return self.first + timedelta(days=6)

    @property
    def days(self) -> list[date]:
        """Monday to Sunday."""
        return [self.first + timedelta(days=number) for number in range(7)]

    @property
    def before(self) -> Week:
        """The week before."""
        return Week.of(self.first - timedelta(days=7))

    @property
    def after(self) -> Week:
        """The week after."""
        return Week.of(self.first + timedelta(days=7))
