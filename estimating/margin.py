"""The margin of one sale: the one result behind the piece page, the margin statement and the live offer.

Amounts are whole minor units. Revenue is the price and what the buyer paid for delivery, tips and compensation, less
refunds and less tax that was inside the price; tax laid on top never comes in. Delivery charged is income, because
the delivery she pays is a selling cost: both sides are shown. The owner's hours are in no cost.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from estimating.money import round_half_up

__all__ = ["DASH", "Line", "Margin"]

DASH = "–"


@dataclass(frozen=True)
class Line:
    """One line of the statement: ``cents`` counts with its sign, ``key`` names it for templates and tests."""

    key: str
    words: str
    cents: int


@dataclass(frozen=True)
class Margin:
    """What a sale leaves. Every amount is zero or more; ``failed_attempts`` is part of ``basis`` and shown apart.

    ``tax_inside`` is tax contained in the price (a VAT price), ``other_income`` tips and a carrier's compensation,
    ``minutes`` the owner's own time, ``wanted_hourly`` her target rate an hour. Raises ValueError for a negative amount.
    """

    price: int
    refunds: int = 0
    delivery_charged: int = 0
    other_income: int = 0
    tax_inside: int = 0
    fees: int = 0
    delivery_paid: int = 0
    packing: int = 0
    other_selling: int = 0
    basis: int = 0
    failed_attempts: int = 0
    minutes: int = 0
    wanted_hourly: int = 0

    def __post_init__(self) -> None:
        for field in self.__dataclass_fields__:
            if getattr(self, field) < 0:
                raise ValueError(f"{field.replace('_', ' ')} can't be negative")
        if self.failed_attempts > self.basis:
            raise ValueError("failed attempts are part of the basis and can't be more than it")

    @property
    def revenue(self) -> int:
        """Price, delivery charged and other income, less refunds and tax inside."""
        return self.price + self.delivery_charged + self.other_income - self.refunds - self.tax_inside

    @property
    def selling_costs(self) -> int:
        """Fees, delivery paid, packing and other costs of selling."""
        return self.fees + self.delivery_paid + self.packing + self.other_selling

    @property
    def margin(self) -> int:
        """Revenue less selling costs less basis."""
        return self.revenue - self.selling_costs - self.basis

    @property
    def percent(self) -> Fraction | None:
        """Margin in per cent of revenue; None when there is no revenue."""
        return Fraction(100 * self.margin, self.revenue) if self.revenue > 0 else None

    @property
    def hourly(self) -> Fraction | None:
        """Margin for each of the owner's hours, in minor units; None when there are no hours."""
        return Fraction(60 * self.margin, self.minutes) if self.minutes else None

    @property
    def hourly_cents(self) -> int | None:
        """``hourly`` rounded half up to be shown."""
        return None if self.hourly is None else round_half_up(self.hourly)

    @property
    def wages(self) -> int:
        """The owner's hours at her target rate, rounded half up."""
        return round_half_up(Fraction(self.minutes * self.wanted_hourly, 60))

    @property
    def after_wages(self) -> int:
        """Margin less the owner's wages."""
        return self.margin - self.wages

    @property
    def percent_text(self) -> str:
        """The percentage with one decimal, or a dash."""
        if self.percent is None:
            return DASH
        tenths = round_half_up(self.percent * 10)
        sign = "-" if tenths < 0 else ""
        return f"{sign}{abs(tenths) // 10}.{abs(tenths) % 10} %"

    @property
    def income_lines(self) -> tuple[Line, ...]:
        """What came in; they add up to the revenue. Lines of nothing are left out, the price never is."""
        return _kept(
            Line("price", "Price", self.price),
            Line("delivery_charged", "Delivery charged", self.delivery_charged),
            Line("other_income", "Tips and compensation", self.other_income),
            Line("refunds", "Refunds", -self.refunds),
            Line("tax_inside", "Tax inside the price", -self.tax_inside),
        )

    @property
    def selling_lines(self) -> tuple[Line, ...]:
        """What selling cost; they add up to the selling costs."""
        return _kept(
            Line("fees", "Fees", self.fees),
            Line("delivery_paid", "Delivery paid", self.delivery_paid),
            Line("packing", "Packing", self.packing),
            Line("other_selling", "Other selling costs", self.other_selling),
        )


def _kept(*lines: Line) -> tuple[Line, ...]:
    return tuple(line for line in lines if line.cents or line.key == "price")
