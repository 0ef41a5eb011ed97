from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from estimating.pricing import (
    DELIVERY,
    PRICE,
    TAX,
    FeeRule,
    NoPrice,
    Terms,
    break_even,
    check_offer,
    drop_plan,
    floors,
    price_for_hourly,
    price_for_margin,
)

PLAIN = Terms((FeeRule("listing", 10, fixed=30),))


@st.composite
def terms_of_all_kinds(draw):
    rules = []
    for at in range(draw(st.integers(0, 3))):
        minimum = draw(st.integers(0, 300))
        rules.append(
            FeeRule(
                f"fee {at}",
                Fraction(draw(st.integers(0, 2500)), 100),
                draw(st.sets(st.sampled_from([PRICE, DELIVERY, TAX]))),
                draw(st.integers(0, 100)),
                minimum,
                draw(st.none() | st.integers(minimum, 900)),
            )
        )
    return Terms(
        tuple(rules),
        draw(st.integers(0, 500)),
        draw(st.integers(0, 500)),
        draw(st.integers(0, 100)),
        Fraction(draw(st.integers(0, 2500)), 100),
        draw(st.sampled_from(["none", "added", "inside", "on the margin"])),
        draw(st.booleans()),
        draw(st.integers(0, 1500)),
    )


def first_price(meets, most=12000):
    return next((price for price in range(most) if meets(price)), None)


@settings(max_examples=120, deadline=None)
@given(terms_of_all_kinds(), st.integers(0, 2500))
def test_break_even_is_the_first_price_without_a_loss_searched_cent_by_cent(terms, basis):
    found = break_even(terms, basis=basis)

    assert found == first_price(lambda price: terms.sale(price, basis=basis).margin >= 0)
    assert found == 0 or terms.sale(found - 1, basis=basis).margin < 0


@settings(max_examples=60, deadline=None)
@given(terms_of_all_kinds(), st.integers(0, 800), st.integers(0, 30))
def test_a_wanted_margin_is_met_by_the_first_price_that_does(terms, basis, percent):
    def meets(price):
        sale = terms.sale(price, basis=basis)
        return 100 * sale.margin >= percent * sale.revenue

    first = first_price(meets)
    assume(first is not None)

    assert price_for_margin(terms, basis=basis, percent=percent) == first


@settings(max_examples=60, deadline=None)
@given(terms_of_all_kinds(), st.integers(0, 800), st.integers(1, 90), st.integers(0, 1200))
def test_a_wanted_hourly_is_met_by_the_first_price_that_does(terms, basis, minutes, hourly):
    found = price_for_hourly(terms, basis=basis, minutes=minutes, hourly=hourly)

    assert found == first_price(
        lambda price: terms.sale(price, basis=basis, minutes=minutes).hourly >= hourly
    )


def test_break_even_by_hand():
    # 10 % and 0.30 of 100.34: 10.03 + 0.30 leaves 90.01; of 100.33 also 10.03, leaves 90.00.
    assert break_even(PLAIN, basis=9000) == 10033
    assert PLAIN.sale(10033, basis=9000).margin == 0
    assert PLAIN.sale(10032, basis=9000).margin == -1


def test_a_minimum_and_a_cap_bend_the_price():
    assert break_even(Terms((FeeRule("f", 10, minimum=500),)), basis=1000) == 1500
    assert break_even(Terms((FeeRule("f", 10, cap=500),)), basis=100000) == 100500


def test_no_price_when_fees_take_everything():
    with pytest.raises(NoPrice):
        break_even(Terms((FeeRule("a", 60), FeeRule("b", 40))), basis=1000)
    with pytest.raises(NoPrice):
        price_for_margin(PLAIN, basis=1000, percent=100)
    with pytest.raises(NoPrice):
        price_for_margin(PLAIN, basis=1000, percent=95)


def test_fees_that_take_everything_up_to_a_cap_still_have_a_price():
    terms = Terms((FeeRule("a", 100, cap=700),))

    assert break_even(terms, basis=1000) == 1700


def test_the_three_floors_rise():
    found = floors(PLAIN, basis=9000, minutes=300, wanted_hourly=1800, running=1500)

    assert found.lose_money_below == 10033
    assert found.work_for_free_below == break_even(PLAIN, basis=10500)
    assert found.own_pay_above == break_even(PLAIN, basis=10500 + 9000)


def test_without_running_costs_losing_and_working_for_free_meet():
    found = floors(PLAIN, basis=9000, minutes=300, wanted_hourly=1800)

    assert found.lose_money_below == found.work_for_free_below < found.own_pay_above


def offer(amount, *, asking=20000, floor_price=15000, step=100):
    return check_offer(
        PLAIN,
        offer=amount,
        asking=asking,
        floor_price=floor_price,
        basis=9000,
        minutes=300,
        wanted_hourly=1800,
        step=step,
    )


def test_an_offer_below_the_floor_gets_a_no_and_a_counter():
    found = offer(12000)

    assert (found.yes, found.counter) == (False, 16000)
    assert found.sale.margin == 12000 - 1230 - 9000
    assert found.counter_sale.margin == 16000 - 1630 - 9000


@pytest.mark.parametrize(
    ("amount", "asking", "floor_price", "yes", "counter"),
    [
        (5000, 20000, 15000, False, 15000),
        (16000, 20000, 15000, True, 18000),
        (15000, 20000, 15000, True, 17500),
        (14999, 20000, 15000, False, 17500),
        (20000, 20000, 15000, True, None),
        (21000, 20000, 15000, True, None),
        (14000, 14500, 15000, False, 15000),
        (19950, 19999, 15000, True, 19999),
    ],
)
def test_yes_no_and_counter_against_the_floor(amount, asking, floor_price, yes, counter):
    found = offer(amount, asking=asking, floor_price=floor_price)

    assert (found.yes, found.counter) == (yes, counter)


def test_the_plan_comes_down_to_the_floor_and_counts_the_waiting():
    plan = drop_plan(
        PLAIN,
        asking=20000,
        floor_price=15000,
        every_days=14,
        percent=10,
        basis=9000,
        holding_per_day=Fraction(715, 10),
    )

    assert [(drop.day, drop.price, drop.held) for drop in plan] == [
        (0, 20000, 0),
        (14, 18000, 1001),
        (28, 16200, 2002),
        (42, 15000, 3003),
    ]
    assert plan[1].margin_after_holding == 18000 - 1830 - 9000 - 1001


@settings(deadline=None)
@given(st.integers(0, 10**6), st.integers(0, 10**6), st.integers(1, 99), st.sampled_from([1, 50, 100, 500]))
def test_every_plan_falls_and_never_below_the_floor(asking, floor_price, percent, step):
    plan = drop_plan(
        PLAIN, asking=asking, floor_price=floor_price, every_days=7, percent=percent, basis=0, step=step
    )

    prices = [drop.price for drop in plan]
    assert prices == sorted(set(prices), reverse=True)
    assert min(prices) >= floor_price
    assert prices[-1] == floor_price or len(plan) == 60
