"""The blank calculators: the engines' figures on the screen, rows that can be added, and refusals that keep what was typed."""

import pytest
from django.urls import reverse

from flips.models import Clamp
from flips.pages.calculators import CALCULATORS

pytestmark = pytest.mark.django_db

GLUE = {"reckon": 1, "length": "24", "width": "12", "pressure_psi": "150", "clamps-rows": 1}


def page(client, slug, **typed):
    return client.get(reverse("calculator", args=[slug]), typed)


@pytest.mark.parametrize("slug", CALCULATORS)
def test_every_calculator_opens_blank(owner_client, slug):
    assert page(owner_client, slug).status_code == 200


# A woodworking magazine's worked example: 150 psi on 25 in2 takes 3750 lbf, 8 clamps of 470 lbf.
def test_a_glue_up_is_judged_as_in_the_worked_example(owner_client):
    shown = page(
        owner_client,
        "glueup",
        **GLUE
        | {
            "length": "5 in",
            "width": "5 in",
            "clamps0-name": "bar",
            "clamps0-count": "8",
            "clamps0-force_lbf": "470",
        },
    ).content.decode()

    assert "Will hold" in shown
    assert "3750 lbf" in shown


def test_a_glue_up_with_too_few_clamps_says_what_is_reached(owner_client):
    shown = page(
        owner_client,
        "glueup",
        **GLUE | {"clamps0-name": "bar", "clamps0-count": "6", "clamps0-force_lbf": "470"},
    ).content.decode()

    assert "9.8 psi reached of 150 wanted" in shown


def test_the_clamps_of_the_shop_stand_in_the_form(owner_client, owner):
    Clamp.objects.create(name="pipe clamp", count=5, force_lbf=1050)

    assert 'value="pipe clamp"' in page(owner_client, "glueup").content.decode()


def test_clamps_are_counted_once_and_counted_anew(owner_client):
    owner_client.post(reverse("clamps"), {"name": "pipe clamp", "count": "5", "force_lbf": "1050"})
    kept = Clamp.objects.get()
    owner_client.post(
        reverse("clamp", args=[kept.pk]),
        {"name": "pipe clamp", "count": "7", "force_lbf": "1050", "version": kept.version},
    )

    assert Clamp.objects.get().count == 7


# US finish coverage: 48 ft2, three coats at 400 ft2 a gallon and 10 % waste take 0.396 gal (computed).
def test_finish_by_area(owner_client):
    shown = page(
        owner_client,
        "coating",
        reckon=1,
        coats=3,
        cover_area="400 ft2",
        cover_volume="1 gal",
        waste="10",
        **{"surfaces-rows": 1, "surfaces0-length": "96", "surfaces0-width": "72", "cans-rows": 1},
    ).content.decode()

    assert "0.396 gal" in shown
    assert "name a can and its price" in shown


# US Navy Engineering Aid manual: a 2x4 of 14 ft holds 9 1/3 board feet.
def test_board_feet_of_finished_parts_in_rough_stock(owner_client):
    shown = page(
        owner_client,
        "lumber",
        reckon=1,
        **{
            "parts-rows": 1,
            "parts0-length": "13' 11",
            "parts0-width": "3 3/4",
            "parts0-thickness": "1 3/4",
            "parts0-qty": "1",
            "boards-rows": 1,
        },
    ).content.decode()

    assert "9.33" in shown


def test_a_sheet_plan_is_drawn_with_its_cuts(owner_client):
    shown = page(
        owner_client,
        "sheets",
        reckon=1,
        kerf="1/8",
        **{
            "panels-rows": 1,
            "panels0-name": "Side",
            "panels0-length": "34",
            "panels0-width": "18",
            "panels0-qty": "2",
            "sheets-rows": 1,
            "sheets0-name": "Ply",
            "sheets0-length": "8'",
            "sheets0-width": "4'",
            "sheets0-price": "62",
        },
    ).content.decode()

    assert "$62.00" in shown
    assert "<svg" in shown
    assert "At least 1, this plan 1" in shown


def test_a_sheet_without_a_price_is_asked_for_not_taken_as_nothing(owner_client):
    shown = page(
        owner_client,
        "sheets",
        reckon=1,
        **{
            "panels-rows": 1,
            "panels0-length": "34",
            "panels0-width": "18",
            "sheets-rows": 1,
            "sheets0-name": "Ply",
            "sheets0-length": "96",
            "sheets0-width": "48",
        },
    )

    assert shown.status_code == 422
    assert "What does “Ply” cost?" in shown.content.decode()


def test_what_cannot_be_read_is_refused_beside_what_was_typed(owner_client):
    shown = page(owner_client, "glueup", **GLUE | {"length": "18 3/0"})

    assert shown.status_code == 422
    assert "divides by zero" in shown.content.decode()
    assert "18 3/0" in shown.content.decode()


def test_more_rows_keep_what_was_typed(owner_client):
    shown = page(
        owner_client, "lumber", more="parts", **{"parts-rows": 3, "parts0-name": "leg"}
    ).content.decode()

    assert 'name="parts6-name"' in shown
    assert 'value="leg"' in shown


def test_an_unknown_calculator_is_not_there(owner_client):
    assert page(owner_client, "nothing").status_code == 404


def test_a_metric_shop_reads_bare_numbers_as_millimetres(owner_client, shop):
    shop.units = "metric"
    shop.save()

    shown = page(
        owner_client,
        "glueup",
        **GLUE | {"length": "600", "width": "300", "clamps0-count": "6", "clamps0-force_lbf": "470"},
    ).content.decode()

    # 600 x 300 mm are 1800 cm2; 6 x 470 lbf are 12.54 kN on them, 69.7 kPa; 150 psi are 1034 kPa.
    assert "70 kPa reached of 1034 wanted" in shown
    assert "cm²" in shown
    assert "psi reached" not in shown


def test_a_step_is_judged_by_the_clamps_that_were_counted(owner_client, owner):
    from flips.actions import remedies
    from tests.makers import make_piece

    Clamp.objects.create(name="pipe clamp", count=2, force_lbf=1050)
    piece = make_piece(by=owner, price_cents=100)
    fault = remedies.add_fault(by=owner, piece=piece, kind="loose_joint")
    remedy = remedies.add_remedy(
        by=owner, fault=fault, technique="Glue and clamp", minutes=60, clamps=8, level="likely"
    )

    shown = owner_client.get(
        reverse("step_before", args=[remedy.steps.get().pk]),
        {"adhesive": "yellow PVA", "length": "24 in", "width": "12 in"},
    ).content.decode()

    assert "It takes 8 clamps and you have 2." in shown
    # 2 x 1050 lbf on 288 in2 are 7.3 psi.
    assert "7.3 psi reached" in shown


def test_a_metric_shop_is_told_millimetres_by_the_veneer_and_board_calculators(owner_client, shop):
    shop.units = "metric"
    shop.save()

    boards = page(
        owner_client,
        "lumber",
        reckon=1,
        **{
            "parts-rows": 1,
            "parts0-length": "700",
            "parts0-width": "45",
            "parts0-thickness": "45",
            "boards-rows": 1,
        },
    ).content.decode()
    leaves = page(
        owner_client,
        "veneer",
        reckon=1,
        allowance="12 mm",
        **{
            "panels-rows": 1,
            "panels0-length": "1200",
            "panels0-width": "500",
            "leaves-rows": 1,
            "leaves0-length": "2400",
            "leaves0-width": "700",
        },
    ).content.decode()

    assert "No board shorter than 725.4 mm" in boards
    assert "each cut 1224 mm × 524 mm" in leaves
