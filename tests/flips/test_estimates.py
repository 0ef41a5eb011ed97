"""Estimates: lines from parts, prices asked for, stock held, posted once, and compared with what came of it."""

import re
from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone

from estimating.models import Material, MaterialPrice
from finishes.measures import Length
from flips.actions import estimates, materials, receipts, sawing, stock
from flips.models import Claim, CutPart, Estimate, EstimateLine, Lot, SawnSheet, Use, UseKind
from flips.models.compared import compare
from flips.models.estimates import claimed, planned_cents, planned_minutes, planned_of
from flips.models.facts import figures_of
from tests.makers import make_line, make_lot, make_material, make_part, make_piece, make_readings, make_time

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def quick_layouts(monkeypatch):
    monkeypatch.setattr(estimates, "LAYOUT_SECONDS", 0.1)


@pytest.fixture
def piece(owner):
    return make_piece(by=owner, what="Chest of drawers", price_cents=4500)


@pytest.fixture
def ply(owner):
    return make_material(price_cents=6000)


def half_sheet(piece, ply, **more):
    """A line that takes half a sheet: one 48 x 48 in side."""
    return make_line(piece=piece, of=[ply], items=[("Side", "48", "48", 1)], **more)


# Materials and prices


def test_the_newest_price_counts_whatever_the_order_it_was_written_in(owner):
    ply = make_material(price_cents=6000, seen_on=date(2026, 3, 1))
    materials.see_price(ply, cents=5500, seen_on=date(2026, 1, 1))

    assert ply.price_cents == 6000
    assert ply.price_seen_on == date(2026, 3, 1)


def test_a_material_without_a_price_has_none(owner):
    assert make_material().price_cents is None


def test_a_price_of_nothing_is_refused(owner):
    ply = make_material()

    with pytest.raises(ValidationError):
        materials.see_price(ply, cents=0)


def test_the_database_refuses_a_price_of_nothing(owner):
    ply = make_material()

    with pytest.raises(IntegrityError), transaction.atomic():
        MaterialPrice.objects.create(material=ply, cents=0)


@pytest.mark.parametrize(
    ("kind", "fields", "field"),
    [
        ("sheet", {"length_nm": None}, "length_nm"),
        ("lumber", {}, "thickness_nm"),
        ("lumber", {"thickness_nm": 1, "length_nm": 1}, "width_nm"),
        ("finish", {}, "volume_text"),
        ("finish", {"volume_text": "1 qt", "coverage_area_text": "100 ft2"}, "coverage_area_text"),
        ("finish", {"volume_text": "a lot"}, "volume_text"),
        ("hardware", {"priced_by": "bf"}, "priced_by"),
        ("sheet", {"length_nm": 100, "width_nm": 100, "trim_nm": 50}, "trim_nm"),
    ],
)
def test_a_material_needs_what_its_engine_reckons_with(db, kind, fields, field):
    with pytest.raises(ValidationError) as refused:
        Material(name="Thing", kind=kind, **fields).full_clean()

    assert field in refused.value.error_dict


def test_a_new_material_comes_with_its_price_and_leads_back(owner_client):
    answer = owner_client.post(
        reverse("material_new"),
        {"kind": "finish", "name": "Topcoat", "volume_text": "750 ml", "coverage_area_text": "9 m2",
         "coverage_volume_text": "1 l", "price": "19.90", "seen_on": "2026-03-01", "then": "/shopping/"},
    )  # fmt: skip

    found = Material.objects.get()
    assert answer.url == "/shopping/"
    assert (found.price_cents, found.coverage.area.text) == (1990, "9 m2")


def test_a_sheet_without_its_size_is_refused_once_and_kept(owner_client):
    answer = owner_client.post(reverse("material_new"), {"kind": "sheet", "name": "Ply", "priced_by": "piece",
                                                         "grain": "length", "width_nm": "48 in"})  # fmt: skip

    page = answer.content.decode()
    assert answer.status_code == 422
    assert page.count("Say how long a sheet is.") == 1
    assert 'value="48 in"' in page


def test_a_price_noted_by_mistake_is_forgotten_but_not_one_from_a_receipt(owner, owner_client):
    ply = make_material(price_cents=6000)
    owner_client.post(reverse("price_forget", args=[ply.prices.get().pk]))
    assert ply.price_cents is None

    kept = MaterialPrice.objects.create(material=ply, cents=5, source="receipt", receipt_line=1)
    owner_client.post(reverse("price_forget", args=[kept.pk]))
    assert ply.prices.exists()


def test_a_retired_material_is_no_longer_offered(owner_client, piece, ply):
    owner_client.post(reverse("material_retire", args=[ply.pk]), {"retired": "1"})

    page = owner_client.get(reverse("estimate_add", args=[piece.pk, "sheet"])).content.decode()
    assert ply.name not in page


def test_leading_back_to_another_host_is_not_followed(owner_client):
    answer = owner_client.post(
        reverse("material_new"), {"kind": "hardware", "name": "Hinge", "then": "//example.org/"}
    )

    assert answer.url == Material.objects.get().get_absolute_url()


def test_a_receipt_line_that_becomes_stock_is_a_price_seen_with_its_tax(owner, ply):
    receipt = receipts.new_receipt(
        by=owner, shop_name="North yard", bought_on=date(2026, 3, 5), total_cents=10800, tax_cents=800
    )
    line = receipts.add_line(
        receipt,
        by=owner,
        destination="stock",
        text="Ply",
        amount_cents=10000,
        lot={"name": "birch plywood 3/4", "kind": "sheet", "unit": "sheet", "quantity_millionths": 2_000_000},
    )

    price = MaterialPrice.objects.get(receipt_line=line.pk)
    assert (price.material, price.cents, price.seen_on) == (ply, 5400, date(2026, 3, 5))

    receipts.void_line(line, by=owner, reason="wrong slip")
    assert not MaterialPrice.objects.filter(receipt_line=line.pk).exists()


def test_a_receipt_brings_new_things_onto_the_list(owner):
    receipt = receipts.new_receipt(
        by=owner, shop_name="Paint shop", bought_on=date(2026, 3, 5), total_cents=2500
    )
    receipts.add_line(
        receipt,
        by=owner,
        destination="stock",
        text="Topcoat",
        amount_cents=2500,
        lot={"name": "Topcoat", "kind": "finish", "unit": "qt", "quantity_millionths": 1_000_000},
    )

    found = Material.objects.get(name="Topcoat")
    assert (found.kind, found.shop_name, found.volume_text, found.price_cents) == (
        "finish",
        "Paint shop",
        "1 qt",
        2500,
    )


def test_correcting_a_receipt_corrects_the_price_it_brought(owner, ply):
    receipt = receipts.new_receipt(by=owner, shop_name="Yard", bought_on=date(2026, 3, 5), total_cents=7000)
    line = receipts.add_line(
        receipt,
        by=owner,
        destination="stock",
        text="Ply",
        amount_cents=7000,
        lot={"name": ply.name, "kind": "sheet", "unit": "sheet", "quantity_millionths": 1_000_000},
    )
    receipts.change_line(line, by=owner, text="Ply", amount_cents=6500, taxed=True)

    assert [price.cents for price in MaterialPrice.objects.filter(receipt_line=line.pk)] == [6500]


# Lines


def test_a_line_is_worked_out_and_becomes_the_planned_cost(piece, ply):
    half_sheet(piece, ply)

    # 6000 x (1 - 47.875 / 96), as the rest goes back to stock.
    assert planned_cents(piece) == 3008
    assert planned_of([piece.pk])[piece.pk].buy == 6000


def test_a_missing_price_makes_the_plan_unknown_not_cheaper(piece, ply):
    half_sheet(piece, ply)
    make_line(piece=piece, of=[make_material("MDF")], items=[("Back", "40", "30", 1)])

    sums = planned_of([piece.pk])[piece.pk]
    assert sums.cents is None
    assert (sums.known_cents, sums.missing) == (3008, 1)


def test_a_piece_without_an_estimate_has_no_planned_cost(piece):
    assert planned_cents(piece) is None
    assert planned_minutes(piece) == 0


def test_stock_on_hand_is_taken_off_what_is_bought(piece, ply):
    make_lot(cost_cents=5000, quantity=1, length="96", width="48")

    line = half_sheet(piece, ply)

    assert line.buy_cents == 0
    assert line.from_stock[0]["cents"] == 5000


def test_two_pieces_do_not_count_on_the_same_offcut(owner, piece, ply):
    make_lot(f"{ply.name}, offcut", "offcut", cost_cents=900, length="50", width="48")
    other = make_piece(by=owner, what="Bookcase", price_cents=1000)

    first, second = half_sheet(piece, ply), half_sheet(other, ply)

    assert (first.buy_cents, second.buy_cents) == (0, 6000)


def test_stock_taken_meanwhile_is_noticed_before_a_line_is_kept(owner, piece, ply, shop):
    lot = make_lot(cost_cents=5000, length="96", width="48")
    draft = estimates.Draft(
        kind="sheet",
        words="Case",
        materials=[ply],
        items=[estimates.ItemDraft("Side", Length.inches(48), Length.inches(48))],
    )
    worked = estimates.work_out(draft, shop=shop)
    stock.take(by=owner, piece=piece, lot=lot, quantity_millionths=1_000_000)

    with pytest.raises(ValidationError, match="taken meanwhile"):
        estimates.keep_line(draft, worked, by=owner, piece=piece)


def test_what_a_piece_has_used_is_no_longer_held_for_it(owner, piece):
    hinge = make_material("Hinge", "hardware", price_cents=250)
    lot = make_lot("Hinge", "hardware", quantity=10, cost_cents=2000)
    make_line(piece=piece, kind="hardware", words="Hinges", of=[hinge], count_millionths=4_000_000)
    assert claimed() == {lot.pk: 4_000_000}

    stock.take(by=owner, piece=piece, lot=lot, quantity_millionths=3_000_000)

    assert claimed() == {lot.pk: 1_000_000}


def test_a_line_taken_out_lets_go_of_its_stock(owner, piece, ply):
    make_lot(cost_cents=5000, length="96", width="48")
    line = half_sheet(piece, ply)

    estimates.void_line(line, by=owner, reason="not needed")

    assert claimed() == {}


def test_the_database_keeps_a_lot_from_being_held_twice_by_a_line(piece, ply):
    lot = make_lot(cost_cents=5000, length="96", width="48")
    line = half_sheet(piece, ply)

    with pytest.raises(IntegrityError), transaction.atomic():
        Claim.objects.create(line=line, lot=lot, quantity_millionths=1)


def test_a_piece_has_one_estimate(owner, piece, ply):
    half_sheet(piece, ply)

    with pytest.raises(IntegrityError), transaction.atomic():
        Estimate.objects.create(piece=piece, created_by=owner)


def test_the_database_keeps_low_below_high(piece, ply):
    line = half_sheet(piece, ply)

    with pytest.raises(IntegrityError), transaction.atomic():
        EstimateLine.objects.filter(pk=line.pk).update(low_cents=9, likely_cents=5, high_cents=7)


def test_reckoning_anew_takes_todays_price(owner, piece, ply, shop):
    line = half_sheet(piece, ply)
    materials.see_price(ply, cents=8000, seen_on=timezone.localdate())

    estimates.reckon_again([line], by=owner, shop=shop)

    line.refresh_from_db()
    assert line.buy_cents == 8000
    assert line.high_cents > line.likely_cents > line.low_cents


def test_own_hours_cost_nothing_but_are_planned(piece):
    make_line(piece=piece, kind="hours", words="Work", low_minutes=60, likely_minutes=90, high_minutes=120)

    assert planned_cents(piece) == 0
    assert planned_minutes(piece) == 90


def test_metric_parts_on_an_imperial_sheet_are_exact(piece, ply):
    line = make_line(piece=piece, of=[ply], items=[("Shelf", "1000 mm", "2400 mm", 1)])

    assert line.left_out
    line = make_line(piece=piece, of=[ply], items=[("Shelf", "2400 mm", "1000 mm", 1)])
    assert not line.left_out
    assert line.layout["sheets"][0]["placed"][0][3] == [2_400_000_000, "2400 mm"]


# At the saw


@pytest.fixture
def plan(owner, piece, ply):
    """A plan on a sheet that is in stock, with an offcut of 47 7/8 x 48 in."""
    make_lot(cost_cents=6000, quantity=2, unit="sheet", length="96", width="48")
    return half_sheet(piece, ply)


def test_parts_are_ticked_off_and_on(owner, plan):
    sawing.tick(plan, by=owner, sheet=1, place=1, is_cut=True)
    assert CutPart.objects.get().cut_by == owner

    sawing.tick(plan, by=owner, sheet=1, place=1, is_cut=False)
    assert not CutPart.objects.get().is_cut


def test_a_sawn_sheet_is_used_on_the_piece_and_its_offcut_goes_to_stock_with_its_share(
    owner, piece, plan, shop
):
    sawing.saw(plan, 1, by=owner)

    offcut = Lot.objects.get(kind="offcut")
    used = Use.objects.get(kind=UseKind.USED)
    assert (offcut.length_nm, offcut.width_nm) == (Length.inches("47 7/8").nm, Length.inches(48).nm)
    # A sheet cost 3000; the offcut takes 47.875 / 96 of it.
    assert (used.cost_cents, offcut.cost_cents) == (1504, 1496)
    assert used.cost_cents + offcut.cost_cents == 3000
    assert figures_of([piece.pk], shop=shop)[piece.pk].materials == 1504
    assert CutPart.objects.get().is_cut


def test_no_cost_goes_with_an_offcut_where_the_shop_wants_it_so(owner, plan, shop):
    shop.offcuts_carry_cost = False
    shop.save()

    sawing.saw(plan, 1, by=owner)

    assert Use.objects.get(kind=UseKind.USED).cost_cents == 3000
    assert Lot.objects.get(kind="offcut").cost_cents == 0


def test_a_sheet_is_posted_once(owner, plan):
    sawing.saw(plan, 1, by=owner)

    with pytest.raises(ValidationError, match="already"):
        sawing.saw(plan, 1, by=owner)
    assert Use.objects.live().count() == 2


def test_the_database_refuses_a_second_posting(owner, plan):
    done = sawing.saw(plan, 1, by=owner)

    with pytest.raises(IntegrityError), transaction.atomic():
        SawnSheet.objects.create(line=plan, sheet=1, lot=done.lot, created_by=owner)


def test_pressing_twice_posts_once(owner_client, plan):
    address = reverse("cut_saw", args=[plan.pk])

    first, second = (owner_client.post(address, {"sheet": "1"}) for _ in range(2))

    assert first.status_code == second.status_code == 302
    assert SawnSheet.objects.live().count() == 1
    assert Lot.objects.live().filter(kind="offcut").count() == 1


def test_a_sheet_that_is_not_in_stock_can_not_be_posted(owner, piece, ply):
    line = half_sheet(piece, ply)

    with pytest.raises(ValidationError, match="receipt"):
        sawing.saw(line, 1, by=owner)
    assert not Use.objects.exists()


def test_a_posted_sheet_is_taken_back_whole(owner, plan):
    done = sawing.saw(plan, 1, by=owner)

    sawing.unsaw(done, by=owner, reason="wrong sheet")

    lot = Lot.objects.get(kind="sheet")
    assert (lot.left_millionths, lot.left_cents) == (2_000_000, 6000)
    assert not Lot.objects.live().filter(kind="offcut").exists()
    sawing.saw(plan, 1, by=owner)
    assert SawnSheet.objects.live().count() == 1


def test_a_posting_stays_once_its_offcut_is_used(owner, piece, plan):
    done = sawing.saw(plan, 1, by=owner)
    stock.take(by=owner, piece=piece, lot=done.offcuts.get(), quantity_millionths=500_000)

    with pytest.raises(ValidationError, match="used"):
        sawing.unsaw(done, by=owner, reason="wrong sheet")


def test_a_sawn_plan_is_not_worked_out_anew(owner, plan, shop):
    sawing.saw(plan, 1, by=owner)

    assert estimates.reckon_again([plan], by=owner, shop=shop) == []
    with pytest.raises(ValidationError):
        estimates.void_line(plan, by=owner, reason="no")


def test_ticks_survive_a_plan_that_stays_the_same(owner, plan, shop):
    sawing.tick(plan, by=owner, sheet=1, place=1, is_cut=True)

    estimates.reckon_again([plan], by=owner, shop=shop)

    assert CutPart.objects.get().is_cut


# Planned and actual


def test_each_line_stands_beside_what_was_booked_for_it(owner, piece, plan, shop):
    hinge = make_material("Hinge", "hardware", price_cents=250)
    make_line(piece=piece, kind="hardware", words="Hinges", of=[hinge], count_millionths=2_000_000)
    make_line(piece=piece, kind="hours", words="Work", likely_minutes=60)
    sawing.saw(plan, 1, by=owner)
    stock.take(
        by=owner,
        piece=piece,
        lot=make_lot("Hinge", "hardware", quantity=2, cost_cents=700, by=owner),
        quantity_millionths=2_000_000,
    )
    stock.take(
        by=owner,
        piece=piece,
        lot=make_lot("Sandpaper", "abrasive", quantity=2, cost_cents=300, by=owner),
        quantity_millionths=1_000_000,
    )
    make_time(person=owner, piece=piece, minutes=75, now=timezone.now())

    lines = list(EstimateLine.objects.live().prefetch_related("materials", "backers"))
    found = compare(piece, lines, shop=shop)

    rows = {row.words: row for row in found.rows}
    assert (rows["Case"].planned, rows["Case"].actual, rows["Case"].difference) == (1504, 1504, 0)
    assert (rows["Hinges"].planned, rows["Hinges"].actual, rows["Hinges"].difference) == (500, 700, 200)
    assert (rows["Work"].planned_minutes, rows["Work"].actual_minutes) == (60, 75)
    assert rows["Sandpaper"].line is None
    assert rows["Sandpaper"].actual == 150
    assert found.actual == figures_of([piece.pk], shop=shop)[piece.pk].materials


# Pages


def test_parts_of_the_survey_are_offered_with_their_largest_reading(owner, owner_client, piece, ply):
    side = make_part(piece=piece, by=owner, name="Side", count=2, material="plywood", plan="replace")
    make_readings(side, "30 1/2; 30 9/16", dimension="length", by=owner)
    make_readings(side, "17 3/4", dimension="width", by=owner)

    page = owner_client.get(reverse("estimate_add", args=[piece.pk, "sheet"])).content.decode()

    assert "2 pieces, 30 9/16 in × 17 3/4 in" in page
    assert 'name="parts-0-take" id="id_parts-0-take" checked' in page


def posted(**fields):
    """A line form with one part written in."""
    rows = {
        "parts-TOTAL_FORMS": "1",
        "parts-INITIAL_FORMS": "1",
        "parts-0-name": "Side",
        "parts-0-count": "2",
        "parts-0-length": "30 in",
        "parts-0-width": "450 mm",
    }
    return {"words": "Case", **rows, **fields}


def test_a_line_is_added_from_the_form_once(owner_client, piece, ply):
    address = reverse("estimate_add", args=[piece.pk, "sheet"])
    sent = posted(materials=ply.pk, sent_id="7b0e5b0c-1111-4222-8333-444455556666")

    first = owner_client.post(address, sent)
    second = owner_client.post(address, sent)

    line = EstimateLine.objects.get()
    assert first.url == second.url == line.get_absolute_url()
    assert [(item.name, item.count, item.width_text) for item in line.items.all()] == [("Side", 2, "450 mm")]


def filled_in(page):
    """Every field of the line form as the browser would send it untouched."""
    form = page[page.index('id="line-form"') :]
    sent = {}
    for tag in re.findall(r"<input[^>]*>", form):
        field = dict(re.findall(r'(\w+)="([^"]*)"', tag))
        if field.get("type") in ("checkbox", "radio"):
            if " checked" in tag:
                sent[field["name"]] = field.get("value", "on")
        else:
            sent[field.get("name", "")] = field.get("value", "")
    return sent


def test_a_part_written_into_a_blank_row_is_taken_and_an_unticked_one_is_not(owner, owner_client, piece, ply):
    side = make_part(piece=piece, by=owner, name="Side", material="solid")
    make_readings(side, "30", dimension="length", by=owner)
    make_readings(side, "17", dimension="width", by=owner)
    address = reverse("estimate_add", args=[piece.pk, "sheet"])
    sent = filled_in(owner_client.get(address).content.decode())
    sent |= {"parts-1-name": "Shelf", "parts-1-length": "28", "parts-1-width": "16", "materials": ply.pk}

    owner_client.post(address, sent)

    assert [item.name for item in EstimateLine.objects.get().items.all()] == ["Shelf"]


def test_sizes_typed_in_inches_stay_inches_once_the_shop_is_metric(owner, owner_client, piece, ply, shop):
    side = make_part(piece=piece, by=owner, name="Side", material="plywood", plan="replace")
    make_readings(side, "30", dimension="length", by=owner)
    make_readings(side, "17", dimension="width", by=owner)
    shop.units = "metric"
    shop.save()
    address = reverse("estimate_add", args=[piece.pk, "sheet"])

    owner_client.post(address, filled_in(owner_client.get(address).content.decode()) | {"materials": ply.pk})

    assert EstimateLine.objects.get().items.get().length_nm == Length.inches(30).nm


def test_an_estimate_with_a_missing_price_says_so(owner_client, piece):
    make_line(piece=piece, of=[make_material("MDF")], items=[("Back", "40", "30", 1)])

    page = owner_client.get(reverse("estimate", args=[piece.pk])).content.decode()

    assert "A price is missing." in page
    assert "not known yet" in page
    assert "no price" in owner_client.get(reverse("materials")).content.decode()


def test_a_refused_line_form_keeps_what_was_typed(owner_client, piece, ply):
    answer = owner_client.post(
        reverse("estimate_add", args=[piece.pk, "sheet"]),
        posted(materials=ply.pk, **{"parts-0-width": "wide"}),
    )

    assert answer.status_code == 422
    assert 'value="wide"' in answer.content.decode()
    assert not EstimateLine.objects.exists()


def test_a_line_needs_something_to_be_made_from(owner_client, piece):
    answer = owner_client.post(reverse("estimate_add", args=[piece.pk, "sheet"]), posted())

    assert answer.status_code == 422
    assert "Choose what it may be made from." in answer.content.decode()


def test_a_line_changed_meanwhile_is_told(owner_client, piece, ply):
    line = half_sheet(piece, ply)

    answer = owner_client.post(
        reverse("estimate_line_edit", args=[line.pk]), posted(materials=ply.pk, version=line.version + 5)
    )

    assert answer.status_code == 409


def test_a_price_asked_for_is_noted_and_the_line_reckoned(owner_client, piece):
    mdf = make_material("MDF")
    line = make_line(piece=piece, of=[mdf], items=[("Back", "40", "30", 1)])
    page = owner_client.get(line.get_absolute_url()).content.decode()
    assert "What does MDF" in page

    owner_client.post(
        reverse("estimate_price", args=[line.pk, mdf.pk]),
        {"price": "32.00", "seen_on": timezone.localdate().isoformat()},
    )

    line.refresh_from_db()
    assert line.buy_cents == 3200


def test_showing_an_estimate_reckons_nothing(owner_client, piece, ply, monkeypatch):
    line = half_sheet(piece, ply)
    monkeypatch.setattr(estimates.reckon, "sheets", lambda *_, **__: pytest.fail("reckoned on a GET"))

    for name, key in (("estimate", piece.pk), ("estimate_line", line.pk), ("cutting", line.pk)):
        assert owner_client.get(reverse(name, args=[key])).status_code == 200
    assert owner_client.get(reverse("cut_sheet_pdf", args=[line.pk])).status_code == 200


def test_a_helper_sees_the_plan_without_money_and_no_estimate(helper_client, piece, ply):
    line = half_sheet(piece, ply)

    page = helper_client.get(reverse("cutting", args=[line.pk])).content.decode()

    assert "Side" in page
    assert "$" not in page
    for name, key in (("estimate", piece.pk), ("estimate_line", line.pk), ("estimate_pdf", piece.pk)):
        assert helper_client.get(reverse(name, args=[key])).status_code == 403
    assert helper_client.get(reverse("materials")).status_code == 403


def test_a_helper_ticks_parts_off(helper, helper_client, piece, ply):
    line = half_sheet(piece, ply)

    helper_client.post(reverse("cut_tick", args=[line.pk]), {"part": "1-1", "cut": "1"})

    assert CutPart.objects.get().cut_by == helper


def test_the_drawing_names_every_part_and_carries_no_style(owner_client, piece, ply):
    line = half_sheet(piece, ply)

    page = owner_client.get(reverse("cutting", args=[line.pk])).content.decode()

    assert "<svg" in page
    assert "style=" not in page
    assert "1. Side, 48 × 48" not in page
    assert "1. Side, 48 in × 48 in" in page


def measure(client, address, django_assert_max_num_queries, most):
    with django_assert_max_num_queries(most) as found:
        assert client.get(address).status_code == 200
    return len(found)


@pytest.mark.parametrize("name", ["estimate", "cut_plans"])
def test_pages_of_an_estimate_ask_no_more_for_more_lines(
    name, owner_client, piece, ply, django_assert_max_num_queries
):
    half_sheet(piece, ply)
    few = measure(owner_client, reverse(name, args=[piece.pk]), django_assert_max_num_queries, 60)
    for at in range(4):
        half_sheet(piece, ply, words=f"Case {at}")

    assert measure(owner_client, reverse(name, args=[piece.pk]), django_assert_max_num_queries, 60) == few


def test_the_materials_list_asks_no_more_for_more_rows(owner, owner_client, django_assert_max_num_queries):
    make_material(price_cents=1000)
    few = measure(owner_client, reverse("materials"), django_assert_max_num_queries, 30)
    for at in range(8):
        make_material(f"Board {at}", price_cents=1000 + at)

    assert measure(owner_client, reverse("materials"), django_assert_max_num_queries, 30) == few


def test_old_prices_do_not_widen_the_range(owner, piece):
    ply = make_material(price_cents=2000, seen_on=timezone.localdate() - timedelta(days=1500))
    materials.see_price(ply, cents=6000)

    assert half_sheet(piece, ply).low_cents == half_sheet(piece, ply).likely_cents


def test_the_year_review_sets_the_plan_against_what_the_work_cost(shop, owner, owner_client):
    """By hand: 60.00 of plywood and two hours were planned; 45.00 of hinges and one hour were real."""
    from datetime import UTC, datetime

    from flips.actions import hours, receipts, sales
    from flips.actions.estimates import estimate_of
    from flips.models.estimates import EstimateLine, LineKind
    from tests.makers import make_piece

    piece = make_piece(by=owner, price_cents=8000)
    EstimateLine.objects.create(
        estimate=estimate_of(piece, by=owner),
        kind=LineKind.OTHER,
        words="Plywood",
        low_cents=5000,
        likely_cents=6000,
        high_cents=7000,
        low_minutes=60,
        likely_minutes=120,
        high_minutes=180,
    )
    slip = receipts.new_receipt(by=owner, shop_name="Mill Road", bought_on=piece.seen_on, total_cents=4500)
    receipts.add_line(slip, by=owner, destination="piece", text="Hinges", amount_cents=4500, piece=piece)
    sold_at = datetime(2026, 3, 9, 15, tzinfo=UTC)
    hours.add_time(
        by=owner,
        person=owner,
        piece=piece,
        minutes=60,
        now=sold_at,
        started_at=datetime(2026, 3, 5, 15, tzinfo=UTC),
    )
    sales.sell(by=owner, weights={piece: 1}, price_cents=30000, sold_at=sold_at, paid_on=sold_at.date())

    page = owner_client.get(reverse("year", args=["2026-01-01"])).content.decode()

    table = page[page.index("Planned and actual") : page.index("Parts, materials and paid help")]
    for told in ("$60.00", "$45.00", "−$15.00", "2 h 00", "1 h 00"):
        assert told in table
