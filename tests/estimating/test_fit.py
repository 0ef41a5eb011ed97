"""What goes into a slot, and into an opening that is not true."""

from fractions import Fraction
from math import cos, hypot, isclose, sin

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from estimating import fit
from estimating.fit import built_up, into_slot, judge_opening, measured, nominal_plywood, out_of_square, taper
from finishes.measures import Length

INCH = Length.inches


def inches(*values):
    return [INCH(value) for value in values]


def part(*readings):
    return built_up([measured(inches(*readings))])


def test_the_thickest_reading_meets_the_narrowest_of_the_slot():
    found = into_slot(part("0.70", "0.74"), inches("0.80", "0.75"), slip=INCH("1/100"))

    assert found.fits
    assert found.clearance == INCH("0.01")
    assert found.loosest == INCH("0.10")


def test_readings_are_never_averaged():
    # On average 0.72 would go into 0.75; the 0.76 does not.
    found = into_slot(part("0.68", "0.76"), inches("0.75"), slip=Length(0))

    assert found.fits is False
    assert found.widen == found.thin == INCH("0.01")


def test_a_tight_slot_says_how_much_to_widen_rounded_to_the_safe_side():
    # 0.01 in is a bit more than half of 1/64: a 1/64 is wanted.
    assert into_slot(part("0.76"), inches("0.75"), slip=Length(0)).verdict == 'too tight by 1/64"'


def test_widening_tells_what_wall_is_left_and_the_best_way_first():
    found = into_slot(
        part("0.80"), inches("0.75"), slip=Length(0), walls=inches("0.25", "0.15"), least_wall=INCH("0.14")
    )

    assert [way.where for way in found.widenings] == ["the first wall", "both walls alike", "the second wall"]
    assert found.widenings[0].walls_left == (INCH("0.20"), INCH("0.15"))
    assert [way.allowed for way in found.widenings] == [True, False, False]


def test_no_wall_left_says_to_thin_the_part():
    found = into_slot(part("1"), inches("0.75"), slip=Length(0), walls=inches("0.2"))

    assert not found.widenings[0].allowed
    assert any("thin the part" in reason for reason in found.reasons)


def test_built_up_thickness_adds_core_faces_and_glue():
    built = built_up(
        [measured(inches("0.70", "0.71")), measured([Length.mm("0.6")], count=2), fit.glue_lines(2)]
    )

    # 0.71 in + 1.2 mm + 2 x 0.006 in (glue line 0.002 to 0.006 in: wood scientist's answer in a trade magazine).
    assert built.most == INCH("0.722") + Length.mm("1.2")
    assert built.least == INCH("0.704") + Length.mm("1.2")


def test_the_core_that_would_fit_is_named():
    built = built_up([measured(inches("0.75")), measured(inches("0.02"), name="face", count=2)])

    assert into_slot(built, inches("0.75"), slip=INCH("0.01")).core_at_most == INCH("0.70")


@pytest.mark.parametrize(("slot", "fits"), [("0.80", True), ("0.75", None), ("0.70", False)])
def test_nominal_plywood_fits_fails_or_must_be_measured(slot, fits):
    # 3/4 category by PS 1: 0.719 to 0.781 in.
    found = into_slot(built_up([nominal_plywood(INCH("3/4"))]), inches(slot), slip=Length(0))

    assert found.fits is fits
    assert any("measure it" in reason for reason in found.reasons)


def test_more_play_than_wanted_is_too_loose():
    found = into_slot(part("0.70"), inches("0.80"), slip=Length(0), slip_most=INCH("0.05"))

    assert found.fits is False
    assert found.verdict.startswith("too loose by")


def test_equal_diagonals_mean_square():
    square = out_of_square(INCH(30), INCH(40), (INCH(50), INCH(50)))

    assert (square.lean, square.agrees) == (Length(0), True)


@given(st.integers(200, 2000), st.integers(200, 2000), st.floats(-0.2, 0.2))
def test_lean_is_that_of_the_parallelogram_the_diagonals_came_from(width, height, angle):
    # Built from coordinates: the right side leans by the angle.
    over, up = height * sin(angle), height * cos(angle)
    first, second = hypot(width + over, up), hypot(width - over, up)

    square = out_of_square(
        Length.mm(width), Length.mm(height), (Length(round(first * 10**6)), Length(round(second * 10**6)))
    )

    assert isclose(square.lean.nm / 10**6, over, abs_tol=0.001)
    assert square.agrees


def test_diagonals_that_belong_to_other_sides_are_found_out():
    assert not out_of_square(INCH(30), INCH(40), (INCH(52), INCH(52))).agrees
    with pytest.raises(ValueError, match="measure again"):
        out_of_square(INCH(30), INCH(40), (INCH(71), INCH(50)))


def test_taper_and_bow_are_told_apart():
    found = taper(inches(20, "20 1/8", "20 1/16"))

    assert found.difference == INCH("1/16")
    # 20 1/8 against 20 1/32 on the straight line between the ends.
    assert found.bow == INCH("3/32")


def test_the_panel_for_an_opening_takes_the_smallest_readings_and_the_gaps():
    found = judge_opening(inches(20, "19 7/8"), inches(30, "30 1/8"), gap=INCH("1/16"))

    assert (found.width, found.height) == (INCH("19 3/4"), INCH("29 7/8"))
    assert found.fits is None


def test_a_leaning_opening_costs_width():
    found = judge_opening(inches(30), inches(40), diagonals=(INCH("50.3"), INCH("49.7")))

    # (50.3^2 - 49.7^2) / (4 x 30) = 60 / 120.
    assert found.width == INCH("29 1/2")
    assert found.square.lean == INCH("1/2")


def test_a_panel_too_big_says_what_to_take_off():
    found = judge_opening(inches(20), inches(30), gap=INCH("1/16"), panel=(inches(20), inches(29)))

    assert found.fits is False
    assert (found.trim_width, found.trim_height) == (INCH("1/8"), Length(0))


def test_a_gap_that_leaves_nothing_is_refused():
    with pytest.raises(ValueError, match="nothing is left"):
        judge_opening(inches(2), inches(30), gap=INCH(1))


readings = st.lists(st.integers(1, 10**9), min_size=1, max_size=6)


@given(readings, readings, st.integers(0, 10**8))
def test_widened_by_what_is_told_it_fits_and_no_less_does(parts, slots, slip):
    thickness = built_up([measured([Length(value) for value in parts])])
    found = into_slot(thickness, [Length(value) for value in slots], slip=Length(slip))
    assume(found.widen)

    wider = [Length(value) + found.widen for value in slots]
    nearly = [Length(value) + found.widen - Length(1) for value in slots]

    assert into_slot(thickness, wider, slip=Length(slip)).fits
    assert not into_slot(thickness, nearly, slip=Length(slip)).fits


@given(readings, st.integers(0, 1000))
def test_a_straight_taper_has_no_bow(values, step):
    straight = [Length(values[0] + step * at) for at in range(len(values))]

    assert taper(straight).bow == Length(0)
    assert taper(straight).difference.nm == step * (len(values) - 1)


def test_out_of_square_uses_exact_numbers():
    # Fraction check: lean = (d1^2 - d2^2) / (4 w).
    square = out_of_square(INCH(24), INCH(36), (INCH("43 3/8"), INCH("43 1/8")))

    assert square.lean == Length.of((Fraction(347, 8) ** 2 - Fraction(345, 8) ** 2) / 96, "in")
