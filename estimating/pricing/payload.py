"""``compute ceiling``: the most to pay for a find, from a decoded JSON object."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from estimating.money import Money, currency
from estimating.payload import Fields
from estimating.pricing.ceiling import largest_price
from estimating.pricing.fees import FeeRule
from finishes.measures import BadMeasure, read_number

__all__ = ["COMPUTE_HELP", "compute_ceiling"]

COMPUTE_HELP = """
The most to pay for a find, before premium and tax, so that the expected sale still pays the hourly wanted.

Input: {"expected_sale", "fee_percent", "fee_fixed", "materials", "helper"?, "travel"?, "delivery_charged"?,
  "delivery_paid"?, "reserve"?, "owner_hours", "wanted_hourly", "purchase_tax_percent", "purchase_premium_percent"?}
  Money is a number or a text with at most two decimals; percentages and hours are numbers or texts ("8.25", "1 1/2").
  What is marked ? counts as 0 when absent; nothing else does.

Output: {"ceiling": "71.00"}, a text in whole cents, never below "0.00" (which says: walk).

  fee    = fee_percent of expected_sale, rounded half up to cents, + fee_fixed
  budget = expected_sale + delivery_charged - fee - delivery_paid - materials - helper - travel - reserve
           - owner_hours x wanted_hourly (not rounded)
  The find at price P costs P + premium + tax: premium = purchase_premium_percent of P, tax = purchase_tax_percent of
  (P + premium), each rounded half up to cents. The ceiling is the largest P in whole cents whose cost is within the
  budget: one cent more breaks the target. A percentage fee is taken of the sale price alone, not of delivery.

Example: {"expected_sale": 320, "fee_percent": 10, "fee_fixed": "0.40", "materials": 41.5, "travel": 6,
  "reserve": 15, "owner_hours": 7, "wanted_hourly": 18, "purchase_tax_percent": 8.25}
"""

_DOLLARS = currency("USD")
_NEEDED = (
    "expected_sale",
    "fee_percent",
    "fee_fixed",
    "materials",
    "owner_hours",
    "wanted_hourly",
    "purchase_tax_percent",
)
_OPTIONAL = ("helper", "travel", "delivery_charged", "delivery_paid", "reserve", "purchase_premium_percent")


def compute_ceiling(payload: Mapping[str, Any], _options: object = None) -> dict[str, str]:
    """The answer of ``compute ceiling``; the formula is in ``COMPUTE_HELP``. Raises ValueError naming the field."""
    fields = Fields(payload, allowed=_NEEDED + _OPTIONAL)

    def money(key: str) -> int:
        return fields.money(key, _DOLLARS).cents if key in _NEEDED or fields.has(key) else 0

    sale = money("expected_sale")
    fee = FeeRule("fee", fields.percent("fee_percent", most=100), fixed=money("fee_fixed")).on(price=sale)
    pay = _hours(fields, "owner_hours") * money("wanted_hourly")
    costs = sum(money(key) for key in ("delivery_paid", "materials", "helper", "travel", "reserve"))
    budget = sale + money("delivery_charged") - fee - costs - pay
    tax = fields.percent("purchase_tax_percent")
    premium = fields.percent("purchase_premium_percent", default=0)
    ceiling = largest_price(budget, premium_percent=premium, tax_percent=tax)
    return {"ceiling": Money(ceiling, _DOLLARS).typed}


def _hours(fields: Fields, key: str) -> Fraction:
    value = fields.values.get(key)
    if not isinstance(value, str):
        return fields.number(key)
    try:
        return read_number(value)
    except BadMeasure as error:
        raise fields.bad(key, str(error)) from error
