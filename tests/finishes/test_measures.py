from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from finishes.measures import Area, BadMeasure, Length, Mass, Temperature, Volume, read_number

AS_PEOPLE_WRITE = [
    ("18 3/4", 476_250_000),
    ('23-15/32"', 596_106_250),
    ("5'2\"", 1_574_800_000),
    ("5' 2 1/2\"", 1_587_500_000),
    ("5'-2-1/2\"", 1_587_500_000),
    ("5 ft 2 in", 1_574_800_000),
    ("46,2 cm", 462_000_000),
    ("1.2 m", 1_200_000_000),
    ("1 m 20 cm", 1_200_000_000),
    ("½ in", 12_700_000),
    ("18½", 469_900_000),
    ("18 ¾″", 476_250_000),
    ("3/4", 19_050_000),
    ("5/4", 31_750_000),
    ("600 mm", 600_000_000),
    ("0,6mm", 600_000),
    ("1 1/2 ft", 457_200_000),
    ("18–3/4", 476_250_000),
]


@pytest.mark.parametrize(("text", "nm"), AS_PEOPLE_WRITE)
def test_lengths_are_read_as_people_write_them(text, nm):
    length = Length.parse(text, "in")

    assert length.nm == nm
    assert length.text == text


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("18 3/0", "divides by zero"),
        ("-2", "negative"),
        ("- 3/4", "negative"),
        ("abc", "not a number"),
        ("", "Write a length"),
        ("18.5 3/4", "mixes decimals"),
        ("18 5/4", "less than one"),
        ("1/2/3", "not"),
        ("3/", "not"),
        ("1,200 mm", "two ways"),
        ("1.2.3 mm", "not a number I can read"),
        ("12 lb", "not a unit of length"),
        ("5'14\"", "under 12"),
        ("1e3", "not a unit"),
        ("inf", "not a number"),
        ("٣ mm", "not a number"),
        ("99999999 m", "more than"),
        ("9" * 70, "too long"),
    ],
)
def test_nonsense_is_refused_with_its_reason(text, reason):
    with pytest.raises(BadMeasure, match=reason):
        Length.parse(text, "in")


def test_a_bare_number_needs_a_unit_when_none_is_agreed():
    with pytest.raises(BadMeasure, match="needs a unit"):
        Length.parse("12")


@given(st.integers(0, 64 * 400))
def test_every_64th_of_an_inch_comes_back_exactly(steps):
    length = Length.inches(Fraction(steps, 64))

    assert length.nm == steps * 396_875
    assert Length.parse(length.in_inches()) == length


@given(st.integers(0, 100_000))
def test_every_tenth_of_a_millimetre_comes_back_exactly(tenths):
    length = Length(tenths * 100_000)

    assert Length.parse(length.in_mm()) == length


def test_a_rounded_print_says_so():
    assert Length.mm(462).in_inches() == '≈ 18 3/16"'
    assert Length.inches("1/64").in_mm() == "≈ 0.4 mm"


# The factors are exact by definition (NIST Special Publication 811, appendix B); pint carries them independently.
# Pint never sees typed text: it reads "1 1/2 in" as half an inch.
@pytest.mark.parametrize(
    ("quantity", "unit", "base_units", "expression"),
    [
        (Length, "in", 10**9, "inch"),
        (Length, "ft", 10**9, "foot"),
        (Length, "mil", 10**9, "thou"),
        (Area, "ft2", 10**18, "foot**2"),
        (Volume, "gal", 10**27, "gallon"),
        (Volume, "fl oz", 10**27, "fluid_ounce"),
        (Volume, "bf", 10**27, "144 * inch**3"),
        (Mass, "oz", 10**12, "ounce"),
        (Mass, "lb", 10**12, "pound"),
    ],
)
def test_unit_factors_agree_with_an_independent_table(quantity, unit, base_units, expression):
    registry = pint.UnitRegistry(non_int_type=Fraction)

    in_si = registry.parse_expression(expression).to_base_units().magnitude

    assert quantity.factor(unit) == in_si * base_units


def test_volume_mass_and_area_read_the_shop_units():
    assert Volume.parse("1 qt").show("ml") == "946.35 ml"
    assert Volume.parse("1/2 gal") == Volume.parse("2 qt")
    assert Mass.parse("12.5 oz").amount == 28_349_523_125 * 25 // 2 + 1
    assert Area.parse("48 sq ft") == Length.inches(72).by(Length.inches(96))


def test_temperatures_convert_exactly():
    assert Temperature.parse("70 F").celsius == Fraction(190, 9)
    assert Temperature.parse("-40 °C").fahrenheit == -40
    with pytest.raises(BadMeasure, match="needs C or F"):
        Temperature.parse("70")


def test_floats_are_not_taken():
    with pytest.raises(TypeError):
        Length.of(0.125, "in")


def test_numbers_alone_take_fractions_and_decimals():
    assert read_number("2 1/2") == Fraction(5, 2)
    assert read_number("2,5") == Fraction(5, 2)


@pytest.mark.parametrize("system", ["imperial", "metric"])
@pytest.mark.parametrize(
    "length",
    [
        Length.parse("30 9/16", "in"),
        Length.parse("776", "mm"),
        Length.parse("46,2 cm"),
        Length.inches("1/7"),
        Length.mm("0.123456"),
        Length.inches("23 5/8"),
    ],
    ids=str,
)
def test_a_written_length_reads_back_as_itself_whatever_the_shop_counts_in(length, system):
    own = "in" if system == "imperial" else "mm"

    assert Length.parse(length.written(system), own) == length


def test_a_bare_number_keeps_the_unit_it_was_typed_in():
    assert Length.parse("30 9/16", "in").as_typed("metric") == "30 9/16 in"
    assert Length.parse("776", "mm").as_typed("imperial") == "776 mm"
    assert Length.inches(3).as_typed("imperial") == ""
