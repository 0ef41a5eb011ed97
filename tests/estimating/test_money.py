from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from estimating.money import BadMoney, Money, currency, round_half_up, split, split_evenly

# Unicode CLDR, read through Babel 2.18; the same digits as ISO 4217 list one.
MINOR_UNITS = {"USD": 2, "GBP": 2, "AUD": 2, "JPY": 0, "CHF": 2, "KWD": 3, "BHD": 3, "TND": 3}

# Largest remainder (Hamilton's method), ties to the earlier part; worked independently in exact fractions.
ALLOCATIONS = [
    (1000, "1 1 1 1 1 1", [167, 167, 167, 167, 166, 166]),
    (0, "4 6", [0, 0]),
    (12345, "12.5 7.25 80.25", [1543, 895, 9907]),
    (9999, "9 9 9 1", [3214, 3214, 3214, 357]),
    (250, "0 3 3", [0, 125, 125]),
    (8888, "17 19 23 29", [1717, 1919, 2323, 2929]),
    (5, "1 1 1 1 1 1 1", [1, 1, 1, 1, 1, 0, 0]),
    (100003, "33.3 33.3 33.4", [33301, 33301, 33401]),
]

# Python's decimal module, ROUND_HALF_UP (IEEE 754-2008 names the same rule "ties to away").
ROUNDINGS = [
    ("0.135", 14),
    ("2.355", 236),
    ("1.005", 101),
    ("1.015", 102),
    ("-0.125", -13),
    ("10.994999", 1099),
    ("0.004999", 0),
    ("0.015", 2),
    ("1234.575", 123458),
    ("99.995", 10000),
]


@pytest.mark.parametrize(("code", "digits"), MINOR_UNITS.items())
def test_minor_units_follow_iso_4217(code, digits):
    assert currency(code).digits == digits


def test_minor_units_agree_with_cldr_for_every_currency_in_use():
    numbers = pytest.importorskip("babel.numbers")
    for code in ["EUR", "CAD", "KRW", "CLP", "ISK", "OMR", "IQD", "VND", "MXN", "SEK", "PLN", "HUF", "INR"]:
        expected = {"HUF": 2, "IQD": 3}.get(code, numbers.get_currency_precision(code))

        assert currency(code).digits == expected, code


@pytest.mark.parametrize(("total", "weights", "parts"), ALLOCATIONS)
def test_splits_follow_the_largest_remainder(total, weights, parts):
    assert split(total, weights.split()) == parts


@pytest.mark.parametrize(("value", "cents"), ROUNDINGS)
def test_rounding_is_half_up_away_from_zero(value, cents):
    assert round_half_up(Fraction(value) * 100) == cents


@given(st.integers(-(10**9), 10**9), st.lists(st.fractions(0, 1000), min_size=1, max_size=12))
def test_a_split_always_adds_up_and_stays_within_a_cent_of_its_share(total, weights):
    if sum(weights) == 0:
        weights[0] = Fraction(1)

    parts = split(total, weights)

    assert sum(parts) == total
    for part, weight in zip(parts, weights, strict=True):
        assert abs(part - total * weight / sum(weights)) < 1


def test_a_split_without_weight_is_refused():
    with pytest.raises(ValueError, match="above zero"):
        split(100, [0, 0])
    with pytest.raises(ValueError, match="none of them negative"):
        split(100, [1, -1])
    assert split_evenly(100, 3) == [34, 33, 33]


@pytest.mark.parametrize(
    ("code", "text", "cents"),
    [
        ("USD", "12", 1200),
        ("USD", "$1,234.50", 123450),
        ("EUR", "1.234,50 €", 123450),
        ("EUR", "90,-", 9000),
        ("USD", "1,234", 123400),
        ("USD", ".5", 50),
        ("USD", "1 234,50", 123450),
        ("CHF", "1'234.50", 123450),
        ("KWD", "1.234", 1234),
        ("KWD", "0,125", 125),
        ("JPY", "1,200", 1200),
        ("JPY", "12.00", 12),
    ],
)
def test_amounts_are_read_as_people_write_them(code, text, cents):
    assert Money.parse(text, currency(code)).cents == cents


@pytest.mark.parametrize(
    ("code", "text", "reason"),
    [
        ("USD", "", "Write an amount"),
        ("USD", "abc", "not an amount"),
        ("USD", "-3", "negative"),
        ("USD", "1,2,3", "can read"),
        ("USD", "0.125", "more decimals"),
        ("USD", "12.345", "two ways"),
        ("KWD", "1,234", "two ways"),
        ("JPY", "12.5", "no decimals"),
        ("USD", "9" * 20, "more than"),
        ("USD", "١٢", "not an amount"),
    ],
)
def test_an_unclear_amount_is_refused_with_its_reason(code, text, reason):
    with pytest.raises(BadMoney, match=reason):
        Money.parse(text, currency(code))


@given(st.sampled_from(sorted(MINOR_UNITS)), st.integers(0, 10**10))
def test_what_a_field_shows_reads_back_to_the_same_amount(code, cents):
    amount = Money(cents, currency(code))

    assert Money.parse(amount.typed, amount.currency) == amount
    assert Money.parse(str(amount), amount.currency) == amount


def test_two_currencies_do_not_mix():
    with pytest.raises(ValueError, match="don't add up"):
        Money(1, currency("USD")) + Money(1, currency("EUR"))
