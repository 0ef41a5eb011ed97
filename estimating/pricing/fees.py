"""Fees and tax of a sale as a channel posts them: whole minor units, each amount rounded half up once."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from estimating.margin import Margin
from estimating.money import round_half_up

__all__ = [
    "DELIVERY",
    "PRICE",
    "TAX",
    "TAX_ADDED",
    "TAX_INSIDE",
    "TAX_NONE",
    "TAX_ON_MARGIN",
    "FeeRule",
    "Terms",
]

PRICE, DELIVERY, TAX = "price", "delivery", "tax"
TAX_NONE, TAX_ADDED, TAX_INSIDE, TAX_ON_MARGIN = "none", "added", "inside", "on the margin"


@dataclass(frozen=True)
class FeeRule:
    """One fee: a percentage of some parts of what the buyer pays plus a fixed amount, within a minimum and a cap.

    fee = percent of (price, delivery and tax, whichever are in ``of``), rounded half up, + ``fixed``; never less than
    ``minimum`` and never more than ``cap``. Which rule holds on which day is the caller's business. Raises ValueError
    for a negative figure, an unknown part, or a cap below the minimum.
    """

    name: str
    percent: Fraction | Decimal | int = 0
    of: frozenset[str] = frozenset({PRICE})
    fixed: int = 0
    minimum: int = 0
    cap: int | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "percent", Fraction(self.percent))
        object.__setattr__(self, "of", frozenset(self.of))
        if self.percent < 0 or self.percent > 100:
            raise ValueError(f"“{self.name}”: a percentage runs from 0 to 100.")
        if min(self.fixed, self.minimum, self.cap or 0) < 0:
            raise ValueError(f"“{self.name}”: a fee can't be negative.")
        if self.cap is not None and self.cap < self.minimum:
            raise ValueError(f"“{self.name}”: the cap can't be below the minimum.")
        if self.of - {PRICE, DELIVERY, TAX}:
            raise ValueError(f"“{self.name}”: a fee is taken of price, delivery and tax.")

    def on(self, *, price: int, delivery: int = 0, tax: int = 0) -> int:
        """The fee posted for these amounts."""
        parts = {PRICE: price, DELIVERY: delivery, TAX: tax}
        return self.within(
            round_half_up(Fraction(self.percent) * sum(parts[part] for part in self.of) / 100) + self.fixed
        )

    def within(self, fee: int) -> int:
        """``fee`` within the minimum and the cap."""
        fee = max(fee, self.minimum)
        return fee if self.cap is None else min(fee, self.cap)


@dataclass(frozen=True)
class Terms:
    """All that turns a price into a margin, apart from the piece: fees, delivery, packing and the tax scheme.

    ``tax_how``: "none"; "added" on top of the price, never hers (only a fee may be taken of it); "inside" a price that
    contains it; "on the margin", inside the price but only of what it is above ``bought_for``. ``tax_on_delivery``:
    whether delivery charged is taxed with the price. Raises ValueError for negative figures or an unknown scheme.
    """

    fees: tuple[FeeRule, ...] = ()
    delivery_charged: int = 0
    delivery_paid: int = 0
    packing: int = 0
    tax_percent: Fraction | Decimal | int = 0
    tax_how: str = TAX_NONE
    tax_on_delivery: bool = False
    bought_for: int = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "tax_percent", Fraction(self.tax_percent))
        if self.tax_how not in {TAX_NONE, TAX_ADDED, TAX_INSIDE, TAX_ON_MARGIN}:
            raise ValueError(f"“{self.tax_how}” is not a way of taxing a sale.")
        if (
            min(self.delivery_charged, self.delivery_paid, self.packing, self.tax_percent, self.bought_for)
            < 0
        ):
            raise ValueError("Terms of a sale can't be negative.")

    def _taxed(self, price: int) -> int:
        return price + (self.delivery_charged if self.tax_on_delivery else 0)

    def tax_added(self, price: int) -> int:
        """Tax laid on top of the price."""
        if self.tax_how != TAX_ADDED:
            return 0
        return round_half_up(Fraction(self.tax_percent) * self._taxed(price) / 100)

    def tax_inside(self, price: int) -> int:
        """Tax that the price contains."""
        if self.tax_how not in {TAX_INSIDE, TAX_ON_MARGIN}:
            return 0
        base = self._taxed(price) - (self.bought_for if self.tax_how == TAX_ON_MARGIN else 0)
        percent = Fraction(self.tax_percent)
        return round_half_up(max(base, 0) * percent / (100 + percent))

    def fee_lines(self, price: int) -> tuple[tuple[str, int], ...]:
        """Each fee by name, as posted."""
        tax = self.tax_added(price)
        return tuple(
            (rule.name, rule.on(price=price, delivery=self.delivery_charged, tax=tax)) for rule in self.fees
        )

    def sale(self, price: int, *, basis: int = 0, minutes: int = 0, wanted_hourly: int = 0) -> Margin:
        """The margin when the piece goes for ``price``."""
        return Margin(
            price,
            delivery_charged=self.delivery_charged,
            tax_inside=self.tax_inside(price),
            fees=sum(fee for _, fee in self.fee_lines(price)),
            delivery_paid=self.delivery_paid,
            packing=self.packing,
            basis=basis,
            minutes=minutes,
            wanted_hourly=wanted_hourly,
        )
