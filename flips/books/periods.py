"""Years that start on any day, stretches of months, and the tax held in them by who collects it."""

from __future__ import annotations

from calendar import monthrange
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from flips.books.lines import Collector, Kind, Line


def year_of(day: date, *, month: int = 1, day_of_month: int = 1) -> tuple[date, date]:
    """First day of the year ``day`` is in, and of the next, for a year that starts on any day of the year.

    A year that starts on 29 February starts on 1 March where there is none.
    """
    this = _start(day.year, month, day_of_month=day_of_month)
    if day < this:
        return _start(day.year - 1, month, day_of_month=day_of_month), this
    return this, _start(day.year + 1, month, day_of_month=day_of_month)


def _start(year: int, month: int, *, day_of_month: int) -> date:
    length = monthrange(year, month)[1]
    if day_of_month <= length:
        return date(year, month, day_of_month)
    return date(year, month, length) + timedelta(days=1)


def periods(first: date, end: date, *, months: int = 1) -> list[tuple[date, date]]:
    """``first`` up to but not including ``end`` cut into stretches of whole months, the last one cut short at ``end``."""
    starts, step = [first], months
    while True:
        year, month = divmod(first.month - 1 + step, 12)
        # Counted from the first day each time: the 31st would otherwise become the 28th for good.
        length = monthrange(first.year + year, month + 1)[1]
        start = date(first.year + year, month + 1, min(first.day, length))
        if start >= end:
            return list(zip(starts, [*starts[1:], end], strict=True))
        starts.append(start)
        step += months


_TAX_KINDS = frozenset({Kind.TAX_COLLECTED, Kind.TAX_GIVEN_BACK, Kind.TAX_RECLAIMED, Kind.TAX_PAID_OVER})


@dataclass(frozen=True, slots=True)
class TaxPeriod:
    """Tax of a period by who collects it; only the shop's own is held by the shop, and none of it is revenue."""

    first: date
    end: date
    collector: Collector
    collected: int
    given_back: int
    reclaimed: int
    paid_over: int

    @property
    def due(self) -> int:
        """What the period adds to what the shop owes; nothing for what a marketplace collects."""
        if self.collector is not Collector.SHOP:
            return 0
        return self.collected - self.given_back - self.reclaimed

    @property
    def held(self) -> int:
        """What the period adds to the tax in the shop's hands, after what was paid over in it."""
        return self.due - self.paid_over


def tax_held(lines: Iterable[Line], *, first: date, end: date, months: int = 1) -> tuple[TaxPeriod, ...]:
    """Tax by period and collector, for the periods that saw any; the periods are ``months`` long from ``first``."""
    stretches = periods(first, end, months=months)
    sums: dict[tuple[date, date, Collector], dict[Kind, int]] = {}
    for line in lines:
        if line.kind in _TAX_KINDS and first <= line.on < end:
            begun, over = next(stretch for stretch in reversed(stretches) if stretch[0] <= line.on)
            of = sums.setdefault((begun, over, line.collector or Collector.SHOP), defaultdict(int))
            of[line.kind] += line.cents
    return tuple(
        TaxPeriod(
            *key,
            collected=of[Kind.TAX_COLLECTED],
            given_back=of[Kind.TAX_GIVEN_BACK],
            reclaimed=of[Kind.TAX_RECLAIMED],
            paid_over=of[Kind.TAX_PAID_OVER],
        )
        for key, of in sorted(sums.items())
    )
