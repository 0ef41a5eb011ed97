"""Prices that meet a target exactly to the last minor unit, offers against the floor, and a plan to come down.

Fees are rounded, have minimums and caps, so no formula gives the price: the lowest price at which the posted figures
meet the target is searched in whole minor units, and one less misses it.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from math import ceil, floor

from estimating.margin import Margin
from estimating.money import round_half_up
from estimating.pricing.fees import DELIVERY, PRICE, TAX, TAX_ADDED, TAX_INSIDE, TAX_ON_MARGIN, Terms

__all__ = [
    "Drop",
    "Floors",
    "NoPrice",
    "OfferCheck",
    "break_even",
    "check_offer",
    "drop_plan",
    "floors",
    "price_for_hourly",
    "price_for_margin",
]

DEAREST = 10**13
MOST_SCANNED = 100_000
# A stretch this short is searched whole; one whose line does not rise, so far.
FEW_STEPS = 8
MOST_LEVEL = 2000
MOST_DROPS = 60


class NoPrice(ValueError):
    """No price meets the target: fees and tax take whatever is added."""


def break_even(terms: Terms, *, basis: int) -> int:
    """The lowest price at which the margin is not below zero; one minor unit less is a loss. Raises NoPrice."""
    return _lowest(terms, Fraction(basis), Fraction(0))


def price_for_margin(terms: Terms, *, basis: int, percent: Fraction | Decimal | int) -> int:
    """The lowest price at which the margin is ``percent`` of the revenue or more. Raises NoPrice."""
    share = Fraction(percent) / 100
    if share < 0:
        raise ValueError("A wanted margin can't be negative.")
    if share >= 1:
        raise NoPrice("A margin of 100 % or more can't be reached by any price.")
    return _lowest(terms, Fraction(basis), share)


def price_for_hourly(terms: Terms, *, basis: int, minutes: int, hourly: int, running: int = 0) -> int:
    """The lowest price at which each of the owner's hours brings ``hourly`` or more, after ``running`` costs.

    Without hours it is the break-even price. Raises NoPrice.
    """
    if min(minutes, hourly, running) < 0:
        raise ValueError("Hours, pay and running costs can't be negative.")
    return _lowest(terms, basis + running + Fraction(minutes * hourly, 60), Fraction(0))


def _lowest(terms: Terms, need: Fraction, share: Fraction) -> int:
    """The lowest price whose posted revenue, less a share of it and less selling costs, covers ``need``.

    Between the prices where a minimum, a cap or the tax on the margin sets in, the unrounded surplus is a straight
    line, and the posted one stays within ``reach`` of it. So each stretch is entered where the line first comes
    within reach, and searched unit by unit from there.
    """
    if need < 0:
        raise ValueError("What the price must cover can't be negative.")
    reach = Fraction(len(terms.fees) + 1) + 4

    def posted(price: int) -> Fraction:
        sale = terms.sale(price)
        return (1 - share) * sale.revenue - sale.selling_costs - need

    def line(price: int) -> Fraction:
        return _unrounded(terms, price, share) - need

    starts = sorted({0, *(floor(point) for point in _bends(terms) if 0 < point < DEAREST)})
    for low, high in zip(starts, [*starts[1:], DEAREST], strict=True):
        end = min(high + 1, DEAREST)
        start = low
        steps = end - low
        if steps > FEW_STEPS:
            # The bend lies between low and low + 1, so the slope is taken from past it.
            slope = line(low + 2) - line(low + 1)
            below = -reach - line(low)
            if slope <= 0 < below:
                continue
            if below > 0:
                start = low + floor(below / slope)
            steps = min(end - start, ceil(2 * reach / slope) + FEW_STEPS if slope > 0 else MOST_LEVEL)
            if steps > MOST_SCANNED:
                raise NoPrice("Fees and tax take nearly all of whatever is added.")
        for price in range(start, start + steps):
            if posted(price) >= 0:
                return price
    raise NoPrice("No price covers that: fees and tax take whatever is added.")


def _unrounded(terms: Terms, price: int, share: Fraction) -> Fraction:
    tax_rate = Fraction(terms.tax_percent) / 100
    taxed = price + (terms.delivery_charged if terms.tax_on_delivery else 0)
    added = tax_rate * taxed if terms.tax_how == TAX_ADDED else Fraction(0)
    inside = Fraction(0)
    if terms.tax_how in {TAX_INSIDE, TAX_ON_MARGIN}:
        base = taxed - (terms.bought_for if terms.tax_how == TAX_ON_MARGIN else 0)
        inside = max(base, 0) * tax_rate / (1 + tax_rate)
    parts = {PRICE: Fraction(price), DELIVERY: Fraction(terms.delivery_charged), TAX: added}
    fees = Fraction(0)
    for rule in terms.fees:
        fee = max(
            Fraction(rule.percent) / 100 * sum((parts[part] for part in rule.of), Fraction(0)) + rule.fixed,
            Fraction(rule.minimum),
        )
        fees += fee if rule.cap is None else min(fee, Fraction(rule.cap))
    revenue = price + terms.delivery_charged - inside
    return (1 - share) * revenue - fees - terms.delivery_paid - terms.packing


def _bends(terms: Terms) -> list[Fraction]:
    """The prices at which a minimum stops or a cap starts to bind, and where the margin begins to be taxed."""
    found: list[Fraction] = []
    tax_rate = Fraction(terms.tax_percent) / 100 if terms.tax_how == TAX_ADDED else Fraction(0)
    taxed_delivery = terms.delivery_charged if terms.tax_on_delivery else 0
    for rule in terms.fees:
        growing = int(PRICE in rule.of) + (tax_rate if TAX in rule.of else 0)
        steady = (terms.delivery_charged if DELIVERY in rule.of else 0) + (
            tax_rate * taxed_delivery if TAX in rule.of else 0
        )
        slope = Fraction(rule.percent) / 100 * growing
        if slope:
            start = Fraction(rule.percent) / 100 * steady + rule.fixed
            found += [(limit - start) / slope for limit in (rule.minimum, rule.cap) if limit is not None]
    if terms.tax_how == TAX_ON_MARGIN:
        found.append(Fraction(terms.bought_for - taxed_delivery))
    return found


@dataclass(frozen=True)
class Floors:
    """The three prices to know before haggling; None where no price gets there.

    Below ``lose_money_below`` the margin is negative. Below ``work_for_free_below`` it does not cover the share of
    running costs either, so nothing is left for her hours; without running costs the two are one. From
    ``own_pay_above`` on, her hours bring the rate she wants.
    """

    lose_money_below: int | None
    work_for_free_below: int | None
    own_pay_above: int | None


def floors(terms: Terms, *, basis: int, minutes: int, wanted_hourly: int, running: int = 0) -> Floors:
    """The three floors of a piece; ``running`` is its share of the shop's running costs."""

    def price(hourly: int, costs: int) -> int | None:
        try:
            return price_for_hourly(terms, basis=basis, minutes=minutes, hourly=hourly, running=costs)
        except NoPrice:
            return None

    return Floors(price(0, 0), price(0, running), price(wanted_hourly, running))


@dataclass(frozen=True)
class OfferCheck:
    """An offer with what it leaves, yes or no against the floor, and what to answer.

    ``counter`` is None when there is nothing to answer: the offer reaches the asking price.
    """

    offer: int
    sale: Margin
    floor: int
    yes: bool
    counter: int | None
    counter_sale: Margin | None
    reason: str


def check_offer(
    terms: Terms,
    *,
    offer: int,
    asking: int,
    floor_price: int,
    basis: int,
    minutes: int = 0,
    wanted_hourly: int = 0,
    step: int = 100,
) -> OfferCheck:
    """An offer against the floor, with a counter-offer half way to the asking price.

    The counter-offer is rounded up to a whole ``step``, never below the floor, and never above the asking price
    unless the floor is. Raises ValueError for a negative amount or a step below one.
    """
    if min(offer, asking, floor_price) < 0 or step < 1:
        raise ValueError("An offer and a floor can't be negative, and a step is at least one.")
    yes = offer >= floor_price
    counter = None
    if offer < asking or not yes:
        middle = -(-(offer + asking) // (2 * step)) * step
        counter = max(floor_price, min(middle, max(asking, offer)))
    if yes:
        reason = "at or above the floor" if offer < asking else "at or above the asking price"
    else:
        reason = "below the floor" if floor_price <= asking else "below the floor, and so is the asking price"

    def sale(price: int) -> Margin:
        return terms.sale(price, basis=basis, minutes=minutes, wanted_hourly=wanted_hourly)

    return OfferCheck(
        offer,
        sale(offer),
        floor_price,
        yes,
        counter,
        None if counter is None else sale(counter),
        reason,
    )


@dataclass(frozen=True)
class Drop:
    """One price of the plan: from which day, what it leaves, and what waiting has cost by then."""

    day: int
    price: int
    held: int
    sale: Margin

    @property
    def margin_after_holding(self) -> int:
        """What is left when it goes on that day."""
        return self.sale.margin - self.held


def drop_plan(
    terms: Terms,
    *,
    asking: int,
    floor_price: int,
    every_days: int,
    percent: Fraction | Decimal | int,
    basis: int,
    minutes: int = 0,
    wanted_hourly: int = 0,
    holding_per_day: Fraction | Decimal | int = 0,
    step: int = 100,
) -> tuple[Drop, ...]:
    """Prices to come down to, every so many days by ``percent`` of the last, until the floor, which ends the plan.

    Each is rounded half up to a whole ``step`` and at least one step lower. ``holding_per_day`` is what a day of
    waiting costs in minor units; what it adds up to is rounded half up. At most 60 prices. Raises ValueError for
    figures that go nowhere.
    """
    if every_days < 1 or step < 1 or not 0 < Fraction(percent) < 100:
        raise ValueError("A plan needs at least a day between drops and a drop between 0 and 100 %.")
    if min(asking, floor_price) < 0 or holding_per_day < 0:
        raise ValueError("A price, a floor and a holding cost can't be negative.")
    plan: list[Drop] = []
    price = max(asking, floor_price)
    while len(plan) < MOST_DROPS:
        day = every_days * len(plan)
        sale = terms.sale(price, basis=basis, minutes=minutes, wanted_hourly=wanted_hourly)
        plan.append(Drop(day, price, round_half_up(Fraction(holding_per_day) * day), sale))
        if price <= floor_price:
            break
        lower = round_half_up(price * (100 - Fraction(percent)) / 100 / step) * step
        price = max(floor_price, min(lower, -(-price // step) * step - step))
    return tuple(plan)
