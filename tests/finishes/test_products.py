from datetime import timedelta
from fractions import Fraction

import pytest

from finishes.cautions import CAUTIONS
from finishes.facts import FROM_MEMORY, PUBLISHED, STATUSES, Fact, Range
from finishes.products import (
    HOURS,
    SURFACES,
    UnknownProduct,
    coverage_at,
    dry_thickness,
    duration,
    find_product,
    shipped_shelf,
)
from tests.references.finishing import FILMS, OVER, PRODUCTS

SHELF = shipped_shelf()
FAMILIES = sorted({product.family for product in SHELF.products})


@pytest.mark.parametrize(("name", "field", "low", "high"), PRODUCTS)
def test_shipped_figures_stay_within_what_was_read(name, field, low, high):
    fact = getattr(find_product(name), field)

    assert fact.status == PUBLISHED
    if isinstance(fact, Range):
        assert (fact.low, fact.high) == (low, high)
    else:
        assert low <= fact.value <= high


@pytest.mark.parametrize(("under", "over", "answer", "hours"), OVER)
def test_what_may_go_over_what(under, over, answer, hours):
    verdict = SHELF.over(under, over)

    assert verdict.answer == answer
    assert verdict.wait == (timedelta(hours=hours) if hours else None)


def test_every_refusal_gives_a_reason_and_a_way_round():
    for under in (*SURFACES, *FAMILIES):
        for over in FAMILIES:
            verdict = SHELF.over(under, over)
            assert verdict.answer in {"yes", "wait", "caution", "no"}
            assert verdict.status in STATUSES
            if verdict.answer != "yes":
                assert verdict.rule
                assert verdict.reason.endswith(".")
                assert verdict.way_round.endswith(".")
            if verdict.answer == "wait":
                assert verdict.wait


def test_rules_name_only_families_that_exist():
    known = {*FAMILIES, *SURFACES, "any"}
    for under, over, _ in SHELF.rules:
        assert under <= known
        assert over <= known


def test_dewaxed_shellac_is_the_barrier_under_every_film():
    films = {p.family for p in SHELF.products if p.role in {"film", "paint"}} - {"waxy shellac"}
    assert {SHELF.over("shellac", family).answer for family in films} == {"yes"}


def test_every_product_is_usable_and_sourced():
    for product in SHELF.products:
        assert product.recoat_from
        assert product.thinning
        assert set(product.hazards) <= set(CAUTIONS)
        assert product.rags == ("oily rags" in product.hazards), product.name
        for name, fact in product.facts:
            assert fact.source, (product.name, name)
        for time in (
            product.recoat_first,
            product.recoat_from,
            product.recoat_until,
            product.touch,
            product.handle,
            product.cure,
        ):
            assert time is None or time.unit in HOURS
        if product.recoat_until:
            assert duration(product.recoat_until) > duration(product.recoat_from)
        if product.touch and product.handle and product.cure:
            assert duration(product.touch) < duration(product.handle) <= duration(product.cure)


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("shellac", "shellac, dewaxed (2 lb cut)"),
        ("Oil Polyurethane", "brushing oil polyurethane"),
        ("polyurethane, oil", "brushing oil polyurethane"),
        ("latex paint", "latex (acrylic) paint"),
        ("linseed oil", "boiled linseed oil"),
    ],
)
def test_a_product_answers_to_its_names(typed, name):
    assert find_product(typed).name == name


def test_every_product_answers_to_all_its_names():
    for product in SHELF.products:
        for name in (product.name, *product.also):
            assert find_product(name) is product


def test_an_unclear_name_asks_which():
    with pytest.raises(UnknownProduct, match="say which"):
        find_product("stain")
    with pytest.raises(UnknownProduct, match="not a product"):
        find_product("magic potion")


def test_the_can_goes_before_the_shipped_figure():
    shipped = find_product("waterborne clear")

    mine = shipped.as_on_my_can(recoat_from=Fact(Fraction(2), "h", "as on my can", PUBLISHED))

    assert (duration(mine.recoat_from), mine.recoat_from.source) == (timedelta(hours=2), "as on my can")
    assert duration(shipped.recoat_from) == timedelta(hours=4)
    assert find_product("waterborne clear") is shipped


def test_recalled_figures_say_so():
    assert find_product("brushing oil polyurethane").solids.status == FROM_MEMORY


@pytest.mark.parametrize(("solids", "wet", "covers", "dry", "at_one_dry"), FILMS)
def test_film_thickness(solids, wet, covers, dry, at_one_dry):
    assert float(coverage_at(Fraction(wet))) == pytest.approx(covers, abs=0.01)
    assert float(dry_thickness(Fraction(wet), solids_percent=Fraction(solids))) == pytest.approx(dry)
    # A film that dries 1 mil thick goes on 100/solids mil wet.
    assert float(coverage_at(100 / Fraction(solids))) == pytest.approx(at_one_dry, abs=0.01)
