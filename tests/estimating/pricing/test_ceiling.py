import copy
import json
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating.pricing import (
    COMPUTE_HELP,
    CostLine,
    Expected,
    FeeRule,
    Terms,
    ceiling_for,
    compute_ceiling,
    expect_from,
    largest_price,
    outlay,
)

PAYLOAD = {
    "expected_sale": 320,
    "fee_percent": 10,
    "fee_fixed": "0.40",
    "materials": 41.5,
    "travel": 6,
    "reserve": 15,
    "owner_hours": 7,
    "wanted_hourly": 18,
    "purchase_tax_percent": 8.25,
}


def posted(price, premium, tax):
    """The outlay by decimal arithmetic, independent of the engine."""
    cent = Decimal("0.01")
    price = Decimal(price).scaleb(-2)
    with_premium = price + (price * premium / 100).quantize(cent, ROUND_HALF_UP)
    return with_premium + (with_premium * tax / 100).quantize(cent, ROUND_HALF_UP)


@settings(deadline=None)
@given(st.integers(-50, 200_000), st.integers(0, 3000), st.integers(0, 3000))
def test_the_largest_price_fits_the_budget_and_one_cent_more_does_not(budget, premium, tax):
    premium, tax = Decimal(premium) / 100, Decimal(tax) / 100

    found = largest_price(budget, premium_percent=premium, tax_percent=tax)

    limit = Decimal(budget).scaleb(-2)
    assert found == 0 or posted(found, premium, tax) <= limit
    assert posted(found + 1, premium, tax) > limit


def test_premium_then_tax_on_both_by_hand():
    # 100.00 + 10 % = 110.00, + 8.25 % of that = 9.08 (9.075 goes up)
    paid = outlay(10000, premium_percent=10, tax_percent=Decimal("8.25"))

    assert (paid.premium, paid.tax, paid.total) == (1000, 908, 11908)
    assert largest_price(11908, premium_percent=10, tax_percent=Decimal("8.25")) == 10000
    assert largest_price(11907, premium_percent=10, tax_percent=Decimal("8.25")) == 9999


def test_compute_by_hand():
    # 320 - 32.40 - 41.50 - 6 - 15 - 126 = 99.10; 91.55 + 8.25 % (7.55) = 99.10, 91.56 costs 99.11.
    assert compute_ceiling(PAYLOAD) == {"ceiling": "91.55"}


@settings(deadline=None)
@given(
    st.fixed_dictionaries(
        {
            **dict.fromkeys(
                ["expected_sale", "fee_fixed", "materials", "wanted_hourly"],
                st.integers(0, 60_000).map(lambda cents: str(Decimal(cents) / 100)),
            ),
            "fee_percent": st.integers(0, 3000).map(lambda value: value / 100),
            "owner_hours": st.integers(0, 80).map(lambda value: value / 4),
            "purchase_tax_percent": st.integers(0, 2500).map(lambda value: str(Decimal(value) / 100)),
        },
        optional={
            **dict.fromkeys(
                ["helper", "travel", "delivery_charged", "delivery_paid", "reserve"],
                st.integers(0, 5_000).map(lambda cents: cents / 100),
            ),
            "purchase_premium_percent": st.integers(0, 2500).map(lambda value: value / 100),
        },
    )
)
def test_one_cent_more_than_the_ceiling_breaks_the_target(payload):
    def dec(key):
        return Decimal(str(payload.get(key, 0)))

    fee = (dec("expected_sale") * dec("fee_percent") / 100).quantize(Decimal("0.01"), ROUND_HALF_UP)
    budget = dec("expected_sale") + dec("delivery_charged") - fee - dec("fee_fixed") - dec("delivery_paid")
    budget -= dec("materials") + dec("helper") + dec("travel") + dec("reserve")
    budget -= dec("owner_hours") * dec("wanted_hourly")

    ceiling = int(Decimal(compute_ceiling(payload)["ceiling"]) * 100)

    rates = dec("purchase_premium_percent"), dec("purchase_tax_percent")
    assert ceiling == 0 or posted(ceiling, *rates) <= budget
    assert posted(ceiling + 1, *rates) > budget


def test_what_would_not_pay_even_as_a_gift_is_nothing():
    assert compute_ceiling({**PAYLOAD, "owner_hours": 40}) == {"ceiling": "0.00"}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda p: p.pop("materials"), "materials: is missing"),
        (lambda p: p.update(materials=None), "materials: is null"),
        (lambda p: p.update(expected_sale=-1), "expected_sale: must be at least 0"),
        (lambda p: p.update(expected_sale="12.3456"), "expected_sale: .*more decimals"),
        (lambda p: p.update(fee_percent=101), "fee_percent: must be at most 100"),
        (lambda p: p.update(owner_hours="many"), "owner_hours: “many” is not a number"),
        (lambda p: p.update(traval=3), "traval: no such field"),
    ],
)
def test_bad_values_are_refused_naming_the_field(change, says):
    payload = copy.deepcopy(PAYLOAD)
    change(payload)

    with pytest.raises(ValueError, match=says):
        compute_ceiling(payload)


def test_the_example_in_the_help_runs():
    assert compute_ceiling(json.loads(COMPUTE_HELP.split("Example:")[1])) == {"ceiling": "91.55"}


COSTS = (
    CostLine("materials", "Materials", 4150),
    CostLine("travel", "Travel", 600),
    CostLine("reserve", "Reserve", 1500),
)


def ceiling(**changes):
    options = {
        "costs": COSTS,
        "minutes": 420,
        "wanted_hourly": 1800,
        "tax_percent": Decimal("8.25"),
        "asking": 9000,
        **changes,
    }
    return ceiling_for(Expected(26000, 32000, 38000), Terms((FeeRule("fee", 10, fixed=40),)), **options)


def test_low_likely_and_high_with_what_eats_most():
    found = ceiling()

    assert found.likely.ceiling == 9155
    assert found.low.ceiling < found.likely.ceiling < found.high.ceiling
    assert [line.key for line in found.likely.eats_most] == ["pay", "materials", "fee"]
    assert found.likely.outlay.total == 9910


@pytest.mark.parametrize(
    ("changes", "answer", "pays"),
    [
        ({}, "take it", True),
        ({"asking": 9156}, "offer", False),
        ({"asking": 9155}, "take it", True),
        ({"minutes": 2400}, "walk", False),
        ({"asking": None}, "offer", None),
    ],
)
def test_take_it_offer_or_walk(changes, answer, pays):
    found = ceiling(**changes)

    assert (found.answer, found.pays) == (answer, pays)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 60000), st.integers(0, 2500), st.integers(0, 2000))
def test_with_tax_on_the_margin_one_cent_more_still_breaks_the_target(price, percent, premium):
    rate = Fraction(percent, 100)
    found = ceiling_for(
        Expected(price, price, price),
        Terms(tax_percent=rate, tax_how="on the margin"),
        costs=COSTS,
        minutes=100,
        wanted_hourly=1700,
        premium_percent=Fraction(premium, 100),
    ).likely

    def left(bought_for):
        terms = Terms(tax_percent=rate, tax_how="on the margin", bought_for=bought_for)
        paid = outlay(bought_for, premium_percent=Fraction(premium, 100), tax_percent=0).total
        return terms.sale(price).margin - 6250 - Fraction(170000, 60) - paid

    assert found.ceiling == 0 or left(found.ceiling) >= 0
    assert left(found.ceiling + 1) < 0


def test_expected_prices_come_from_sold_pieces():
    found = expect_from([30000, 18000, 24000, 27000, 21000])

    assert (found.low, found.likely, found.high, found.is_thin) == (21000, 24000, 27000, False)
    assert expect_from([10000, 10001]).likely == 10001
    assert expect_from([10000]).is_thin


def test_expected_prices_out_of_order_are_refused():
    with pytest.raises(ValueError, match="low over likely to high"):
        Expected(3, 2, 4)
