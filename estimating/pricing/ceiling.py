"""The most to pay for a find: what is left of the expected sale once everything else, her own pay included, is off."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

from estimating.money import round_half_up
from estimating.pricing.fees import TAX_ON_MARGIN, Terms

__all__ = [
    "Case",
    "Ceiling",
    "CostLine",
    "Expected",
    "Outlay",
    "ceiling_for",
    "expect_from",
    "largest_price",
    "outlay",
]

FEW_PIECES = 5


@dataclass(frozen=True)
class Outlay:
    """What is handed over for a find, each amount as posted."""

    price: int
    premium: int
    tax: int

    @property
    def total(self) -> int:
        """Price, premium and tax."""
        return self.price + self.premium + self.tax


def outlay(
    price: int, *, premium_percent: Fraction | Decimal | int, tax_percent: Fraction | Decimal | int
) -> Outlay:
    """Premium on the price, then tax on price and premium, each rounded half up."""
    premium = round_half_up(price * Fraction(premium_percent) / 100)
    return Outlay(price, premium, round_half_up((price + premium) * Fraction(tax_percent) / 100))


def largest_price(
    budget: Fraction | int,
    *,
    premium_percent: Fraction | Decimal | int = 0,
    tax_percent: Fraction | Decimal | int = 0,
) -> int:
    """The largest price whose premium and tax still fit into ``budget``; 0 when none does."""
    return _largest(
        budget,
        lambda price: budget - outlay(price, premium_percent=premium_percent, tax_percent=tax_percent).total,
    )


def _largest(most: Fraction | int, left: Callable[[int], Fraction | int]) -> int:
    """The largest price up to ``most`` that leaves nothing missing; what is left never grows with the price."""
    low, high = 0, max(0, int(most)) + 1
    if left(0) < 0:
        return 0
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if left(middle) >= 0 else (low, middle)
    return low


@dataclass(frozen=True)
class CostLine:
    """One thing that eats into the sale."""

    key: str
    words: str
    cents: int


@dataclass(frozen=True)
class Expected:
    """What the piece may fetch; ``rests_on`` is the number of sold pieces behind it, 0 for a figure typed in."""

    low: int
    likely: int
    high: int
    rests_on: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.likely <= self.high:
            raise ValueError("Expected prices run from low over likely to high, none below zero.")

    @property
    def is_thin(self) -> bool:
        """Whether fewer than five sold pieces stand behind it."""
        return self.rests_on < FEW_PIECES


def expect_from(prices: Sequence[int]) -> Expected:
    """Low, likely and high from sold pieces: the lower quartile, the median and the upper quartile.

    Quartiles lie at a quarter and three quarters of the way through the sorted prices, rounded half up. Raises
    ValueError without a price.
    """
    if not prices:
        raise ValueError("There are no sold pieces to go by.")
    ordered = sorted(prices)

    def at(share: Fraction) -> int:
        place = share * (len(ordered) - 1)
        below = int(place)
        above = min(below + 1, len(ordered) - 1)
        return round_half_up(ordered[below] + (place - below) * (ordered[above] - ordered[below]))

    return Expected(at(Fraction(1, 4)), at(Fraction(1, 2)), at(Fraction(3, 4)), len(ordered))


@dataclass(frozen=True)
class Case:
    """The ceiling at one expected price, with every line that leads to it.

    ``left`` is what remains of the sale for the find before it is floored at nothing: below zero the piece would not
    pay even as a gift. ``outlay`` is what the ceiling comes to with premium and tax.
    """

    expected: int
    ceiling: int
    outlay: Outlay
    left: Fraction
    lines: tuple[CostLine, ...]

    @property
    def walk(self) -> bool:
        """Whether it is not worth taking at any price."""
        return self.ceiling == 0

    @property
    def eats_most(self) -> tuple[CostLine, ...]:
        """The three lines that take most, largest first."""
        return tuple(
            sorted((line for line in self.lines if line.cents > 0), key=lambda line: -line.cents)[:3]
        )


@dataclass(frozen=True)
class Ceiling:
    """The ceiling at the low, the likely and the high price, against what is asked."""

    low: Case
    likely: Case
    high: Case
    asking: int | None

    @property
    def pays(self) -> bool | None:
        """Whether what is asked is at or below the likely ceiling; None when nothing is asked."""
        return None if self.asking is None else self.asking <= self.likely.ceiling and not self.likely.walk

    @property
    def answer(self) -> str:
        """ "take it", "offer" (up to the likely ceiling, or walk) or "walk"."""
        if self.likely.walk:
            return "walk"
        return "take it" if self.pays else "offer"


def ceiling_for(
    expected: Expected,
    terms: Terms,
    *,
    costs: Sequence[CostLine],
    minutes: int,
    wanted_hourly: int,
    premium_percent: Fraction | Decimal | int = 0,
    tax_percent: Fraction | Decimal | int = 0,
    asking: int | None = None,
) -> Ceiling:
    """The largest price, before premium and tax, at which the expected sale still pays her the hourly wanted.

    ``costs`` are materials, paid helpers, travel, the reserve for failures and whatever else it takes; her own pay is
    minutes x ``wanted_hourly``, unrounded. With tax on the margin the price paid lowers the tax, and that is counted.
    Raises ValueError for negative figures.
    """
    if min(minutes, wanted_hourly, asking or 0, *(line.cents for line in costs), 0) < 0:
        raise ValueError("Costs, hours and pay can't be negative.")
    if Fraction(premium_percent) < 0 or Fraction(tax_percent) < 0:
        raise ValueError("Premium and tax can't be negative.")
    pay = Fraction(minutes * wanted_hourly, 60)
    fixed = sum(line.cents for line in costs)

    def case(price: int) -> Case:
        def left(bought_for: int) -> Fraction:
            with_tax = replace(terms, bought_for=bought_for) if terms.tax_how == TAX_ON_MARGIN else terms
            sale = with_tax.sale(price)
            return sale.revenue - sale.selling_costs - fixed - pay

        def still_left(bought_for: int) -> Fraction:
            paid = outlay(bought_for, premium_percent=premium_percent, tax_percent=tax_percent)
            return left(bought_for) - paid.total

        most = _largest(price + terms.delivery_charged, still_left)
        paid = outlay(most, premium_percent=premium_percent, tax_percent=tax_percent)
        with_tax = replace(terms, bought_for=most) if terms.tax_how == TAX_ON_MARGIN else terms
        lines = (
            *(CostLine("fee", name, fee) for name, fee in with_tax.fee_lines(price)),
            CostLine("delivery", "Delivery paid", terms.delivery_paid),
            CostLine("packing", "Packing", terms.packing),
            CostLine("sale_tax", "Tax inside the price", with_tax.tax_inside(price)),
            *costs,
            CostLine("pay", "Your own hours", round_half_up(pay)),
            CostLine("premium", "Premium on the find", paid.premium),
            CostLine("purchase_tax", "Tax on the find", paid.tax),
        )
        return Case(price, most, paid, left(0), tuple(line for line in lines if line.cents))

    return Ceiling(case(expected.low), case(expected.likely), case(expected.high), asking)
