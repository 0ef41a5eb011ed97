"""What the shop types in beside the shipped figures: it wins, and neither touches the other."""

from fractions import Fraction

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from finishes.facts import COMMON_PRACTICE, PUBLISHED, Fact, Range
from finishes.models import (
    FIGURES,
    CanFigure,
    FinishSchedule,
    OwnCan,
    RecipeStep,
    Sample,
    shop_shelf,
    slug_of,
)
from finishes.products import Product, shipped_shelf
from finishes.recipes import ACTION_WORDS

pytestmark = pytest.mark.django_db

DANISH = "danish oil"


def typed(figure="recoat_from", low="8", unit="h", **fields):
    row = CanFigure(
        **({"shipped": DANISH, "figure": figure, "low_text": low, "unit": unit, "reason": "label"} | fields)
    )
    row.full_clean()
    row.save()
    return row


def shipped(name=DANISH):
    return next(product for product in shipped_shelf().products if product.name == name)


def test_a_figure_of_the_shop_wins_and_the_shipped_one_stays():
    before = shipped().recoat_from
    typed()

    now = shop_shelf().shipped[DANISH]
    assert (now.recoat_from.value, now.recoat_from.unit) == (8, "h")
    assert now.recoat_from.source == "as on my can: label"
    assert shipped().recoat_from == before
    assert now.cure == shipped().cure


def test_taking_it_away_brings_the_shipped_figure_back():
    typed().delete()

    assert shop_shelf().shipped[DANISH] == shipped()


def test_an_update_of_the_shipped_figures_does_not_touch_what_was_typed(monkeypatch):
    from dataclasses import replace

    from finishes import models

    typed()
    new = replace(shipped(), recoat_from=Fact(Fraction(48), "h", "a newer source", PUBLISHED), cure=None)
    shelf = shipped_shelf()
    changed = replace(shelf, products=tuple(new if p.name == DANISH else p for p in shelf.products))
    monkeypatch.setattr(models, "shipped_shelf", lambda: changed)

    now = models.shop_shelf().shipped[DANISH]
    assert now.recoat_from.value == 8
    assert now.cure is None


def test_fahrenheit_is_kept_as_typed_and_reckoned_exactly():
    row = typed("coldest", "50", "F")

    assert row.low_text == "50"
    assert row.value() == Fact(Fraction(10), "C", "as on my can: label", PUBLISHED)


def test_freezing_can_be_typed_with_its_minus():
    assert typed("coldest", "-5", "C").value().value == -5


def test_a_range_keeps_both_ends():
    assert typed("coverage", "350", "ft2/US gal", high_text="400 1/2").value() == Range(
        Fraction(350), Fraction(801, 2), "ft2/US gal", "as on my can: label", PUBLISHED
    )


def test_a_figure_worked_out_from_use_says_so():
    row = typed("coverage", "380", "ft2/US gal", from_use=True, reason="worked out from 2 coats on a chair")

    assert row.value().source == "worked out from 2 coats on a chair"
    assert row.value().status == COMMON_PRACTICE


@pytest.mark.parametrize(
    ("fields", "column"),
    [
        ({"low": "soon"}, "low_text"),
        ({"low": "0"}, "low_text"),
        ({"unit": "mm"}, "unit"),
        ({"figure": "coverage", "low": "400", "unit": "ft2/US gal", "high_text": "300"}, "high_text"),
        ({"figure": "dampest", "low": "140", "unit": "%"}, "low_text"),
        ({"reason": ""}, "reason"),
    ],
)
def test_a_figure_that_makes_no_sense_is_refused_at_its_field(fields, column):
    with pytest.raises(ValidationError) as refused:
        typed(**fields)

    assert column in refused.value.error_dict


def test_one_figure_a_product_is_a_rule_of_the_database():
    typed()
    with pytest.raises(IntegrityError), transaction.atomic():
        CanFigure.objects.create(shipped=DANISH, figure="recoat_from", low_text="9", unit="h", reason="again")


def test_every_figure_can_be_typed_and_every_typed_one_is_a_field():
    fields = {
        name
        for name, field in Product.__dataclass_fields__.items()
        if "Fact" in field.type or "Range" in field.type
    }

    assert set(FIGURES) == fields


def test_every_shipped_type_has_an_address_of_its_own():
    slugs = [slug_of(product) for product in shipped_shelf().products]

    assert len(set(slugs)) == len(slugs)


# Own cans


def make_can(**fields):
    can = OwnCan(**({"name": "Blue tin oil", "kind": DANISH} | fields))
    can.full_clean()
    can.save()
    return can


def test_a_can_has_the_figures_of_its_type_until_its_own_are_typed():
    can = make_can()
    typed(own=can, shipped="", figure="cure", low="14", unit="d")

    own = shop_shelf().own[can.pk]
    assert own.name == "Blue tin oil"
    assert own.recoat_from == shipped().recoat_from
    assert own.cure.value == 14
    assert shop_shelf().shipped[DANISH].cure == shipped().cure


def test_a_can_follows_what_was_typed_for_its_type():
    can = make_can()
    typed()

    assert shop_shelf().own[can.pk].recoat_from.value == 8


def test_a_can_put_away_is_offered_no_more_but_still_known():
    can = make_can(retired=True)

    shelf = shop_shelf()
    assert can.pk in shelf.own
    assert "Blue tin oil" not in {product.name for product in shelf.shelf.products}


@pytest.mark.parametrize("fields", [{"kind": "dragon blood"}, {"name": "danish oil"}, {"name": ""}])
def test_a_can_without_type_or_with_a_types_name_is_refused(fields):
    with pytest.raises(ValidationError):
        make_can(**fields)


def test_the_shelf_takes_two_queries_whatever_is_on_it(django_assert_num_queries):
    for number in range(5):
        can = make_can(name=f"Tin {number}")
        typed(own=can, shipped="", figure="cure", low="14", unit="d")

    with django_assert_num_queries(2):
        shop_shelf()


# Recipes and samples


def step(**fields):
    recipe = FinishSchedule.objects.create(name="Any")
    row = RecipeStep(recipe=recipe, **fields)
    row.full_clean()
    return row


@pytest.mark.parametrize(
    ("fields", "column"),
    [
        ({"action": "coat"}, "product"),
        ({"action": "wait"}, "wait_minutes"),
        ({"action": "sand", "wait_minutes": 60, "until_minutes": 30}, "until_minutes"),
        ({"action": "polish", "shipped": "paste wax"}, "action"),
    ],
)
def test_a_step_that_says_too_little_is_refused(fields, column):
    with pytest.raises(ValidationError) as refused:
        step(**fields)

    assert column in refused.value.error_dict


def test_a_step_names_its_product_with_the_shops_figures():
    typed()
    row = step(action="coat", shipped=DANISH)

    assert row.as_step(shop_shelf()).product.recoat_from.value == 8
    assert row.get_action_display() == ACTION_WORDS["coat"]


def test_samples_are_found_by_any_of_their_words():
    recipe = FinishSchedule.objects.create(name="Oil, then wax")
    Sample.objects.create(name="Board 7", wood="White oak", recipe=recipe)
    Sample.objects.create(name="Board 8", wood="Walnut", how="oil stain, half strength")

    assert [s.name for s in Sample.objects.matching("oak wax")] == ["Board 7"]
    assert [s.name for s in Sample.objects.matching("stain")] == ["Board 8"]
    assert list(Sample.objects.matching("oak stain")) == []


def test_a_colour_is_whole_or_not_there():
    with pytest.raises(IntegrityError), transaction.atomic():
        Sample.objects.create(name="Half", lightness_hundredths=5000)
