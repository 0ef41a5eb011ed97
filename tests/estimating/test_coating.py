"""Finish by area and the cheapest cans."""

from fractions import Fraction
from itertools import product
from math import pi, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating import coating
from estimating.coating import Can, Coat, Coverage, InStock, cheapest_cans, plan
from estimating.money import Money, currency
from finishes.glue import ADHESIVES, m2_per_litre
from finishes.measures import Area, Length, Volume
from tests.references import coverage as published

USD = currency("USD")
INCH = Length.inches


def can(size, cents):
    return Can(Volume.parse(size), Money(cents, USD))


def label(area, volume="1 gal"):
    return Coverage(Area.parse(area), Volume.parse(volume))


def counts(mix):
    return {chosen.size.text: count for chosen, count in mix.cans}


@pytest.mark.parametrize(("area", "coats", "cover", "waste", "gallons", "millilitres"), published.COVERAGE)
def test_volume_matches_the_worked_cases(area, coats, cover, waste, gallons, millilitres):
    surface = coating.flat(Length.of(area, "ft"), Length.of(1, "ft"))

    found = plan([surface], [Coat(coats, label(f"{cover} ft2"))], waste_percent=waste)

    assert float(found.volume.to("gal")) == pytest.approx(gallons, abs=6e-6)
    assert float(found.volume.to("ml")) == pytest.approx(millilitres, abs=0.06)


@pytest.mark.parametrize(("solids", "wet", "at_wet", "dry", "at_dry"), published.FILM)
def test_film_thickness_matches_the_worked_cases(solids, wet, at_wet, dry, at_dry):
    cover = label(f"{at_wet} ft2")

    assert float(coating.wet_film(cover).to("mil")) == pytest.approx(wet, abs=0.0005)
    assert float(coating.dry_film(cover, solids).to("mil")) == pytest.approx(dry, abs=0.0005)
    thin = coating.coverage_for_dry_film(Length.of(1, "mil"), solids)
    assert float(thin.area.to("ft2")) == pytest.approx(at_dry, abs=0.006)


def test_coverage_converts_by_exact_factors():
    assert float(m2_per_litre(Fraction(1))) == pytest.approx(published.M2_PER_LITRE, abs=5e-8)


def test_a_board_counts_faces_and_the_edges_named():
    # 24 x 12 x 3/4: two faces 576, one long edge 18, both short edges 18 = 612 in2.
    board = coating.edged(INCH(24), INCH(12), INCH("3/4"), long_edges=1)

    assert board.area.to("in2") == 612


def test_a_turned_leg_is_a_cylinder():
    leg = coating.turned(INCH(28), INCH(2), ends=1, qty=4)

    assert float(leg.one.to("in2")) == pytest.approx(pi * 2 * 28 + pi, rel=1e-12)
    assert leg.area == leg.one * 4


def test_a_cone_uses_its_slant():
    cone = coating.cone(INCH(12), INCH(4), INCH(2))

    assert float(cone.one.to("in2")) == pytest.approx(pi * 3 * sqrt(145), rel=1e-12)


def test_a_tapered_leg_on_four_faces():
    leg = coating.tapered(INCH(24), (INCH(2), INCH(2)), (INCH(1), INCH(1)))

    assert float(leg.one.to("in2")) == pytest.approx(4 * 1.5 * sqrt(24**2 + 0.25), rel=1e-12)


def test_a_leg_tapered_inside_keeps_two_plain_faces():
    leg = coating.tapered(INCH(24), (INCH(2), INCH(2)), (INCH(1), INCH(1)), tapered_faces=2, ends=1)

    assert float(leg.one.to("in2")) == pytest.approx(2 * 1.5 * 24 + 2 * 1.5 * sqrt(24**2 + 1) + 1, rel=1e-12)


def test_a_leg_without_taper_is_a_square_bar():
    leg = coating.tapered(INCH(24), (INCH(2), INCH(2)), (INCH(2), INCH(2)), ends=2)

    assert leg.one.to("in2") == 4 * 48 + 8


def test_panelled_work_has_more_surface_than_its_outline():
    # 1.15 is common practice, no source.
    assert coating.panelled(INCH(20), INCH(10)).one.to("in2") == 230


def test_openings_are_taken_off_and_never_more_than_there_is():
    front = coating.flat(INCH(20), INCH(10))

    assert coating.less_openings(front, [(INCH(5), INCH(4), 2)]).one.to("in2") == 160
    with pytest.raises(ValueError, match="as large as the surface"):
        coating.less_openings(front, [(INCH(20), INCH(10), 1)])


def test_contact_cement_coats_both_faces_of_each_joint():
    lines = coating.glue_lines([(INCH(24), INCH(12))], ADHESIVES["contact, solvent"])

    assert coating.area_of(lines).to("in2") == 576
    assert (
        coating.area_of(coating.glue_lines([(INCH(24), INCH(12))], ADHESIVES["white PVA"])).to("in2") == 288
    )


def test_the_first_coat_drinks_more():
    surface = coating.flat(Length.of(10, "ft"), Length.of(10, "ft"))

    found = plan([surface], [Coat(3, label("400 ft2"), first_extra_percent=Fraction(50))])

    # 100 ft2 x 3.5 / 400.
    assert found.volume.to("gal") == Fraction(7, 8)


def test_coats_may_cover_differently():
    surface = coating.flat(Length.of(10, "ft"), Length.of(10, "ft"))

    found = plan([surface], [Coat(1, label("200 ft2")), Coat(2, label("400 ft2"))])

    assert [volume.to("gal") for _, volume in found.by_coat] == [Fraction(1, 2), Fraction(1, 2)]


def test_opened_cans_are_used_up_before_full_ones():
    surface = coating.flat(Length.of(10, "ft"), Length.of(10, "ft"))
    full, open_one = InStock(Volume.parse("1 qt"), opened=False), InStock(Volume.parse("1 pt"))

    found = plan([surface], [Coat(1, label("400 ft2"))], in_stock=[full, open_one])

    assert found.from_stock == ((open_one, Volume.parse("1 pt")), (full, Volume.parse("1 pt")))
    assert not found.short
    assert found.mix is None


def test_nothing_short_costs_nothing():
    surface = coating.flat(Length.of(1, "ft"), Length.of(1, "ft"))

    found = plan(
        [surface],
        [Coat(1, label("400 ft2"))],
        in_stock=[InStock(Volume.parse("1 qt"))],
        cans=[can("1 qt", 900)],
    )

    assert (found.mix.cost.cents, found.mix.cans) == (0, ())


def test_a_missing_price_is_asked_for_and_not_taken_as_nothing():
    surface = coating.flat(Length.of(10, "ft"), Length.of(10, "ft"))

    found = plan([surface], [Coat(1, label("400 ft2"))])

    assert found.mix is None
    assert any("ask" in reason for reason in found.reasons)


def test_two_pints_beat_a_dear_quart():
    assert counts(cheapest_cans(Volume.parse("1 qt"), [can("1 qt", 2000), can("1 pt", 900)])) == {"1 pt": 2}


def test_one_gallon_beats_four_quarts_when_it_is_cheaper():
    mix = cheapest_cans(Volume.parse("3.1 qt"), [can("1 gal", 4000), can("1 qt", 1500)])

    assert counts(mix) == {"1 gal": 1}


def test_equal_money_leaves_least_over():
    mix = cheapest_cans(Volume.parse("1 pt"), [can("1 qt", 1000), can("1 pt", 1000)])

    assert counts(mix) == {"1 pt": 1}
    assert not mix.left_over


def test_equal_money_and_rest_takes_fewest_cans():
    assert counts(cheapest_cans(Volume.parse("1 qt"), [can("1 pt", 500), can("1 qt", 1000)])) == {"1 qt": 1}


def test_a_hair_over_a_can_takes_another_one():
    short = Volume(Volume.parse("1 qt").amount + 1)

    assert cheapest_cans(short, [can("1 qt", 1000)]).count == 2


def test_absurd_amounts_are_refused():
    with pytest.raises(ValueError, match="Check the units"):
        cheapest_cans(Volume.parse("900 m3"), [can("1 fl oz", 100)])


def brute(short, cans):
    most = [-(-short.amount // one.size.amount) for one in cans]
    found = []
    for numbers in product(*(range(limit + 1) for limit in most)):
        volume = sum(one.size.amount * count for one, count in zip(cans, numbers, strict=True))
        if volume >= short.amount:
            cost = sum(one.price.cents * count for one, count in zip(cans, numbers, strict=True))
            found.append((cost, volume - short.amount, sum(numbers)))
    return min(found)


SIZES = ["1 gal", "1 qt", "1 pt", "8 fl oz", "1 l", "750 ml", "375 ml", "2.5 l"]


@settings(max_examples=150, deadline=None)
@given(
    st.integers(1, 2_500),
    st.lists(st.tuples(st.sampled_from(SIZES), st.integers(0, 40)), min_size=1, max_size=4),
)
def test_the_mix_is_the_best_of_all_mixes(millilitres, rows):
    cans = [can(size, 100 * price) for size, price in rows]
    short = Volume.of(millilitres, "ml")

    mix = cheapest_cans(short, cans)

    assert (mix.cost.cents, mix.left_over.amount, mix.count) == brute(short, cans)
    assert mix.proved


@given(
    st.permutations([("1 gal", 4000), ("1 qt", 1450), ("750 ml", 1200), ("1 pt", 800)]),
    st.integers(1, 20_000),
)
def test_the_order_of_cans_changes_nothing(rows, millilitres):
    short = Volume.of(millilitres, "ml")

    assert cheapest_cans(short, [can(*row) for row in rows]) == cheapest_cans(
        short, [can(*row) for row in [("1 gal", 4000), ("1 qt", 1450), ("750 ml", 1200), ("1 pt", 800)]]
    )


@given(
    st.integers(1, 5000), st.integers(1, 5), st.integers(50, 600), st.integers(0, 50), st.integers(0, 4000)
)
def test_taken_from_stock_and_short_add_up_to_the_volume(area, coats, cover, waste, on_hand):
    surface = coating.flat(Length.inches(area), Length.inches(10))
    stock = [InStock(Volume.of(on_hand, "ml"))]

    found = plan([surface], [Coat(coats, label(f"{cover} ft2"))], waste_percent=waste, in_stock=stock)

    taken = sum(volume.amount for _, volume in found.from_stock)
    assert abs(taken + found.short.amount - found.volume.amount) <= 1
    assert taken <= stock[0].volume.amount
