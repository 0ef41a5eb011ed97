"""Finish by area: worked by hand, open cans first, what is short on the shopping list, and what it really took."""

from datetime import UTC, datetime
from fractions import Fraction

import pytest
from django.urls import reverse

from estimating.models import Material, MaterialPrice
from finishes.measures import Length, Volume
from finishes.models import CanFigure, shop_shelf
from flips.actions import finishing
from flips.actions.finishing import rows_of
from flips.models import Lot, Part, Reading, Use
from flips.models.finish_needs import finish_needs, finish_to_buy, took
from tests.makers import make_piece

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 3, 2, 16, 0, tzinfo=UTC)
POLY = "brushing oil polyurethane"


@pytest.fixture
def table(owner):
    return make_piece(by=owner, what="Side table", price_cents=8000, stage="in_work")


def part(piece, name="Top", count=1, **sizes):
    made = Part.objects.create(piece=piece, name=name, count=count)
    for dimension, text in sizes.items():
        length = Length.parse(text, "in")
        Reading.objects.create(part=made, dimension=dimension, length_nm=length.nm, length_text=text)
    return made


def schedule(piece, by, *steps, **fields):
    made = finishing.plan_finish(piece, by=by, **({"group": "All of it"} | fields))
    for action, product in steps:
        finishing.add_step(made, by=by, action=action, shipped=product)
    return made


def lot(name, fluid_ounces, **fields):
    told = {
        "kind": "finish",
        "unit": "fl oz",
        "cost_cents": 2000,
        "quantity_millionths": fluid_ounces * 10**6,
    }
    return Lot.objects.create(name=name, **(told | fields))


def ounces(volume):
    return float(volume.to("fl oz"))


def test_the_volume_is_as_worked_by_hand(table, owner, shop):
    """48 x 24 in is 8 ft2; two coats of polyurethane at 350 ft2 a gallon (lean end), the first on bare wood drinks 20 %
    more, and 10 % stays in brush and can: 8 x 2.2 x 1.1 / 350 gal = 7.0802 fl oz.
    """
    part(table, length="48", width="24")
    schedule(table, owner, ("coat", POLY), ("coat", POLY))

    (need,) = finish_needs([table], shop=shop)
    assert need.coats == 2
    assert ounces(need.coating.volume) == pytest.approx(8 * 2.2 * 1.1 / 350 * 128, abs=1e-6)


def test_edges_count_and_both_sides_are_twice_the_faces(table, owner, shop):
    """24 x 12 x 1 in, show side: 288 + 2x24 + 2x12 = 360 in2; both sides: 648 in2."""
    part(table, length="24", width="12", thickness="1")
    made = schedule(table, owner, ("coat", POLY))
    (need,) = finish_needs([table], shop=shop)
    assert need.coating.area.to("in2") == 360

    made.sides = "both"
    made.save()
    (need,) = finish_needs([table], shop=shop)
    assert need.coating.area.to("in2") == 648


def test_only_the_chosen_parts_count_and_each_as_often_as_there_are(table, owner, shop):
    part(table, length="48", width="24")
    legs = part(table, name="Leg", count=4, length="24", width="6")
    schedule(table, owner, ("coat", POLY), group="Legs", parts=[legs])

    (need,) = finish_needs([table], shop=shop)
    assert need.coating.area.to("ft2") == 4


def test_a_part_without_a_size_is_named_not_guessed(table, owner, shop, owner_client):
    part(table, length="48", width="24")
    part(table, name="Apron")
    schedule(table, owner, ("coat", POLY))

    (need,) = finish_needs([table], shop=shop)
    assert [p.name for p in need.unmeasured] == ["Apron"]
    assert (
        "Not measured, so not counted"
        in owner_client.get(reverse("piece_finish", args=[table.pk])).content.decode()
    )


def test_a_typed_area_stands_for_parts_that_are_not_measured(table, owner, shop):
    schedule(table, owner, ("coat", POLY), area_text="12 ft2")

    (need,) = finish_needs([table], shop=shop)
    assert need.coating.area.to("ft2") == 12


def test_a_product_nobody_knows_the_coverage_of_asks_for_it(table, owner, shop):
    schedule(table, owner, ("wax", "paste wax"), area_text="12 ft2")

    (need,) = finish_needs([table], shop=shop)
    assert need.coating is None
    assert "write it on its page" in need.why_not


def test_the_shops_own_coverage_is_reckoned_with(table, owner, shop):
    finishing.set_figure(
        by=owner, figure="coverage", shipped=POLY, low_text="10", high_text="", unit="m2/L", reason="label"
    )
    schedule(table, owner, ("coat", POLY), area_text="10 m2", over="old finish")

    (need,) = finish_needs([table], shop=shop)
    assert need.coating.volume.to("l") == Fraction(11, 10)


def test_what_is_done_is_not_needed_again(table, owner, shop):
    made = schedule(table, owner, ("coat", POLY), ("coat", POLY), area_text="12 ft2")
    finishing.tick(rows_of(made)[0], by=owner, done_at=NOW, now=NOW)

    (need,) = finish_needs([table], shop=shop)
    assert need.coats == 1
    # The bare wood has had its drink.
    assert ounces(need.coating.volume) == pytest.approx(12 * 1.1 / 350 * 128, abs=1e-6)


def test_the_open_can_goes_first_and_the_rest_is_short(table, owner, shop):
    full = lot("oil polyurethane", 2, came_on="2026-01-01")
    opened = lot("oil polyurethane", 1, came_on="2026-02-01", opened_on="2026-02-02")
    schedule(table, owner, ("coat", POLY), area_text="20 ft2", over="old finish")

    (need,) = finish_needs([table], shop=shop)
    wanted = 20 * 1.1 / 350 * 128
    assert [row[0] for row in need.lots] == [opened, full]
    assert ounces(need.short) == pytest.approx(wanted - 3, abs=1e-6)


def test_what_one_piece_takes_the_next_cannot(table, owner, shop):
    lot("oil polyurethane", 9)
    chair = make_piece(by=owner, what="Chair", price_cents=100, stage="in_work")
    schedule(table, owner, ("coat", POLY), area_text="20 ft2", over="old finish")
    schedule(chair, owner, ("coat", POLY), area_text="20 ft2", over="old finish")

    first, second = finish_needs([table, chair], shop=shop)
    wanted = 20 * 1.1 / 350 * 128
    assert not first.short
    assert ounces(second.short) == pytest.approx(2 * wanted - 9, abs=1e-6)


def test_a_can_of_her_own_is_found_in_stock_by_its_name(table, owner, shop):
    can = finishing.new_can(by=owner, name="Green tin", kind=POLY, stock_name="Tin, green, 1 qt")
    in_stock = lot("Tin, green, 1 qt", 32)
    made = schedule(table, owner, area_text="12 ft2")
    finishing.add_step(made, by=owner, action="coat", own_id=can.pk)

    (need,) = finish_needs([table], shop=shop)
    assert [row[0] for row in need.lots] == [in_stock]
    assert not need.short


def test_a_lot_counted_in_cans_is_asked_about(table, owner, shop):
    lot("oil polyurethane", 1, unit="can")
    schedule(table, owner, ("coat", POLY), area_text="12 ft2")

    (need,) = finish_needs([table], shop=shop)
    assert need.short
    assert "how much is in it?" in need.why_not


# Buying


def for_sale(volume="1 qt", cents=2250, name="oil polyurethane"):
    material = Material.objects.create(name=name, kind="finish", volume_text=volume, shop_name="Paint store")
    MaterialPrice.objects.create(material=material, cents=cents)
    return material


def test_what_is_short_is_on_the_shopping_list(table, owner, shop, owner_client):
    quart = for_sale()
    schedule(table, owner, ("coat", POLY), area_text="12 ft2")

    (row,) = finish_to_buy(shop)
    assert (row.material, row.count, row.pieces) == (quart, 1, (table,))
    page = owner_client.get(reverse("shopping")).content.decode()
    assert "oil polyurethane" in page
    assert "Side table" in page


def test_two_pieces_share_a_can(table, owner, shop):
    for_sale()
    chair = make_piece(by=owner, what="Chair", price_cents=100, stage="in_work")
    for piece in (table, chair):
        schedule(piece, owner, ("coat", POLY), area_text="20 ft2", over="old finish")

    (row,) = finish_to_buy(shop)
    assert row.count == 1
    assert row.pieces == (table, chair)


def test_costs_are_for_the_owner_alone(table, owner, owner_client, helper_client):
    for_sale()
    schedule(table, owner, ("coat", POLY), area_text="12 ft2")
    address = reverse("piece_finish", args=[table.pk])

    assert "$22.50" in owner_client.get(address).content.decode()
    helped = helper_client.get(address).content.decode()
    assert "22.50" not in helped
    assert "Paint store" not in helped


def test_needs_take_the_same_queries_for_many_schedules(owner, shop, django_assert_max_num_queries):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def fill(count):
        pieces = []
        for number in range(count):
            piece = make_piece(by=owner, what=f"Chair {number}", price_cents=100, stage="in_work")
            part(piece, length="20", width="18")
            schedule(piece, owner, ("coat", POLY))
            pieces.append(piece)
        return pieces

    few = fill(2)
    with CaptureQueriesContext(connection) as asked:
        finish_needs(few, shop=shop)
    first = len(asked)
    many = fill(7)
    with django_assert_max_num_queries(first):
        assert len(finish_needs(many, shop=shop)) == 7


# What it really took


def used_up(piece, owner, made, ounces_used, in_stock):
    for row in rows_of(made):
        finishing.tick(row, by=owner, done_at=NOW, now=NOW)
    Use.objects.create(lot=in_stock, piece=piece, quantity_millionths=round(ounces_used * 10**6))


def test_actual_use_against_planned_gives_the_shops_own_coverage(table, owner, owner_client):
    """One coat on 20 ft2 over an old finish: 22 ft2 with the waste. 8 fl oz used is 1/16 gal: 352 ft2 a gallon."""
    in_stock = lot("oil polyurethane", 32)
    made = schedule(table, owner, ("coat", POLY), area_text="20 ft2", over="old finish")
    used_up(table, owner, made, 8, in_stock)

    (one,) = took(table)
    assert one.used == Volume.of(8, "fl oz")
    assert one.coverage.low == 352

    owner_client.post(reverse("take_coverage", args=[table.pk]), {"product": POLY})
    now = shop_shelf().shipped[POLY].coverage
    assert (now.low, now.high, now.status) == (352, 352, "common practice")
    assert "worked out from 1 coat on Side table" in now.source


def test_taking_the_own_coverage_makes_plan_and_use_agree(table, owner, owner_client, shop):
    in_stock = lot("oil polyurethane", 64)
    made = schedule(table, owner, ("coat", POLY), area_text="20 ft2", over="old finish")
    used_up(table, owner, made, 8, in_stock)
    owner_client.post(reverse("take_coverage", args=[table.pk]), {"product": POLY})

    chair = make_piece(by=owner, what="Chair", price_cents=100, stage="in_work")
    schedule(chair, owner, ("coat", POLY), area_text="20 ft2", over="old finish")
    (need,) = finish_needs([chair], shop=shop)
    assert ounces(need.coating.volume) == pytest.approx(8)


def test_a_quantity_far_from_the_plan_is_not_learned_from(table, owner, owner_client):
    in_stock = lot("oil polyurethane", 320)
    made = schedule(table, owner, ("coat", POLY), area_text="20 ft2", over="old finish")
    used_up(table, owner, made, 100, in_stock)

    (one,) = took(table)
    assert not one.believable
    owner_client.post(reverse("take_coverage", args=[table.pk]), {"product": POLY})
    assert not CanFigure.objects.exists()


def test_nothing_is_learned_while_coats_are_still_to_come(table, owner):
    in_stock = lot("oil polyurethane", 32)
    made = schedule(table, owner, ("coat", POLY), ("coat", POLY), area_text="20 ft2")
    finishing.tick(rows_of(made)[0], by=owner, done_at=NOW, now=NOW)
    Use.objects.create(lot=in_stock, piece=table, quantity_millionths=4_000_000)

    assert took(table) == []


def test_a_helper_does_not_change_what_is_reckoned_with(table, helper_client):
    answer = helper_client.post(reverse("take_coverage", args=[table.pk]), {"product": POLY})

    assert answer.status_code == 403
