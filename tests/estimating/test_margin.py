from dataclasses import fields
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating.margin import Margin

# Invented figures in cents.
SALE = Margin(
    32000,
    refunds=1500,
    delivery_charged=3000,
    fees=3500,
    delivery_paid=2500,
    packing=500,
    basis=14000,
    failed_attempts=1200,
    minutes=450,
    wanted_hourly=1800,
)


def test_revenue_costs_margin_by_hand():
    assert SALE.revenue == 32000 - 1500 + 3000
    assert SALE.selling_costs == 3500 + 2500 + 500
    assert SALE.margin == 33500 - 6500 - 14000 == 13000


def test_percent_hourly_and_after_wages():
    assert SALE.percent == Fraction(1300000, 33500)
    assert SALE.percent_text == "38.8 %"
    # 13000 / 7.5 h
    assert SALE.hourly_cents == 1733
    # 13000 - 7.5 x 1800
    assert SALE.after_wages == -500


def test_no_hours_and_no_revenue_show_a_dash():
    given_away = Margin(0, basis=5000)

    assert given_away.hourly is None
    assert given_away.hourly_cents is None
    assert given_away.percent is None
    assert given_away.percent_text == "–"


def test_tax_inside_is_never_revenue():
    assert Margin(12000, tax_inside=2000).revenue == 10000


def test_a_loss_has_its_sign_in_the_percentage():
    assert Margin(10000, basis=10050).percent_text == "-0.5 %"


amounts = st.integers(0, 10**9)


@settings(deadline=None)
@given(amounts, amounts, amounts, amounts, amounts, amounts, amounts, amounts)
def test_the_lines_add_up_to_the_figures(price, refunds, charged, income, tax, fees, paid, packing):
    sale = Margin(
        price,
        refunds=refunds,
        delivery_charged=charged,
        other_income=income,
        tax_inside=tax,
        fees=fees,
        delivery_paid=paid,
        packing=packing,
    )

    assert sum(line.cents for line in sale.income_lines) == sale.revenue
    assert sum(line.cents for line in sale.selling_lines) == sale.selling_costs
    assert sale.margin == sale.revenue - sale.selling_costs


@pytest.mark.parametrize("field", [field.name for field in fields(Margin)])
def test_a_negative_amount_is_refused_by_name(field):
    with pytest.raises(ValueError, match=field.replace("_", " ")):
        Margin(**{"price": 0, field: -1})


def test_failed_attempts_cannot_exceed_the_basis():
    with pytest.raises(ValueError, match="part of the basis"):
        Margin(0, basis=5, failed_attempts=6)
