"""One shopping list over all pieces: in hand taken off, cans bought together, bought things ticked until they are stock."""

import io

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse
from pypdf import PdfReader

from flips.actions import estimates, pieces, receipts, sawing, shopping, stock
from flips.models import Tick
from flips.models.shopping import shopping as the_list
from tests.makers import make_line, make_lot, make_material, make_piece

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def quick_layouts(monkeypatch):
    monkeypatch.setattr(estimates, "LAYOUT_SECONDS", 0.1)


@pytest.fixture
def chest(owner):
    return make_piece(by=owner, what="Chest", price_cents=4500)


@pytest.fixture
def desk(owner):
    return make_piece(by=owner, what="Desk", price_cents=3000)


def rows(shop):
    return {row.name: row for group in the_list(shop) for row in group.rows}


def hinges(piece, count, of):
    return make_line(
        piece=piece, kind="hardware", words="Hinges", of=[of], count_millionths=count * 1_000_000
    )


def coat(piece, cans, *, side="72"):
    return make_line(
        piece=piece, kind="finish", words="Topcoat", of=cans, items=[("Top", side, "48", 1)], coats=2,
        waste_hundredths=0,
    )  # fmt: skip


def test_what_several_pieces_want_is_one_row_under_its_shop(shop, chest, desk):
    hinge = make_material("Hinge", "hardware", price_cents=250, shop_name="Hardware counter")
    hinges(chest, 4, hinge)
    hinges(desk, 2, hinge)

    groups = the_list(shop)

    assert [group.name for group in groups] == ["Hardware counter"]
    row = groups[0].rows[0]
    assert (row.count, row.cents, [str(piece) for piece in row.pieces]) == (6, 1500, ["Chest", "Desk"])


def test_stock_is_taken_off_once_for_all_pieces(shop, chest, desk):
    hinge = make_material("Hinge", "hardware", price_cents=250)
    make_lot("Hinge", "hardware", quantity=5, cost_cents=500)
    hinges(chest, 4, hinge)
    hinges(desk, 4, hinge)

    assert rows(shop)["Hinge"].count == 3


def test_stock_that_came_in_since_is_taken_off(shop, chest):
    hinge = make_material("Hinge", "hardware", price_cents=250)
    hinges(chest, 4, hinge)
    make_lot("hinge", "hardware", quantity=3, cost_cents=500)

    row = rows(shop)["Hinge"]
    assert (row.count, row.in_hand) == (1, "3")


def test_cans_are_bought_for_all_pieces_together(shop, chest, desk):
    # Each takes 0.48 qt: two pieces share one quart rather than buying two.
    quart = make_material(
        "Topcoat",
        "finish",
        price_cents=2000,
        volume_text="1 qt",
        coverage_area_text="100 ft2",
        coverage_volume_text="1 qt",
    )
    coat(chest, [quart])
    coat(desk, [quart])

    row = rows(shop)["Topcoat"]
    assert (row.count, row.cents) == (1, 2000)


def test_what_a_piece_has_taken_is_not_bought_again(owner, shop, chest):
    hinge = make_material("Hinge", "hardware", price_cents=250)
    hinges(chest, 4, hinge)
    lot = make_lot("Hinge", "hardware", quantity=4, cost_cents=1000)
    stock.take(by=owner, piece=chest, lot=lot, quantity_millionths=4_000_000)

    assert rows(shop) == {}


def test_a_sawn_sheet_is_not_bought_again(owner, shop, chest):
    ply = make_material(price_cents=6000)
    line = make_line(piece=chest, of=[ply], items=[("Side", "90", "40", 2)])
    assert rows(shop)[ply.name].count == 2
    make_lot(cost_cents=6000, unit="sheet", length="96", width="48")
    assert rows(shop)[ply.name].count == 1

    sawing.saw(line, 1, by=owner)

    assert rows(shop)[ply.name].count == 1


def test_a_ticked_row_is_bought_until_it_becomes_stock(owner, shop, chest):
    hinge = make_material("Hinge", "hardware", price_cents=250)
    hinges(chest, 4, hinge)
    shopping.tick(f"m{hinge.pk}", by=owner, shop=shop)
    assert rows(shop)["Hinge"].is_bought

    make_lot("Hinge", "hardware", quantity=1, cost_cents=250)

    row = rows(shop)["Hinge"]
    assert (row.is_bought, row.count) == (False, 3)


def test_more_wanted_after_a_tick_shows_the_difference(owner, shop, chest, desk):
    hinge = make_material("Hinge", "hardware", price_cents=250)
    hinges(chest, 4, hinge)
    shopping.tick(f"m{hinge.pk}", by=owner, shop=shop)
    hinges(desk, 2, hinge)

    row = rows(shop)["Hinge"]
    assert (row.is_bought, row.count, row.cents) == (False, 2, 500)


def test_a_row_is_ticked_once(owner, owner_client, shop, chest):
    hinge = make_material("Hinge", "hardware", price_cents=250)
    hinges(chest, 4, hinge)
    for _ in range(2):
        owner_client.post(reverse("shopping_tick"), {"key": f"m{hinge.pk}", "bought": "1"})
    assert Tick.objects.live().count() == 1

    owner_client.post(reverse("shopping_tick"), {"key": f"m{hinge.pk}", "bought": "0"})
    assert not rows(shop)["Hinge"].is_bought
    with pytest.raises(ValidationError):
        shopping.tick("m999", by=owner, shop=shop)


def test_a_price_that_is_missing_is_said_and_no_sum_is_made_up(shop, owner_client, chest):
    hinges(chest, 4, make_material("Hinge", "hardware"))

    assert the_list(shop)[0].cents is None
    page = owner_client.get(reverse("shopping")).content.decode()
    assert "What does it cost?" in page
    assert "some prices are missing" in page


def test_ended_pieces_want_nothing(owner, shop, chest):
    hinges(chest, 4, make_material("Hinge", "hardware", price_cents=250))
    pieces.move(chest, "kept", by=owner)

    assert rows(shop) == {}


def test_something_bought_straight_for_the_piece_is_done(owner, shop, chest):
    make_line(piece=chest, kind="other", words="Mirror glass", count_millionths=1_000_000, price_cents=4000)
    assert rows(shop)["Mirror glass"].cents == 4000

    receipt = receipts.new_receipt(by=owner, shop_name="Glazier", total_cents=4200)
    receipts.add_line(
        receipt, by=owner, destination="piece", text="Mirror glass", amount_cents=4200, piece=chest
    )

    assert rows(shop) == {}


def test_the_list_asks_no_more_for_more_pieces(owner, owner_client, chest, django_assert_max_num_queries):
    hinge = make_material("Hinge", "hardware", price_cents=250)
    hinges(chest, 4, hinge)
    with django_assert_max_num_queries(40) as few:
        owner_client.get(reverse("shopping"))
    for at in range(4):
        piece = make_piece(by=owner, what=f"Chair {at}", price_cents=1000)
        hinges(piece, 2, make_material(f"Screw {at}", "hardware", price_cents=10))
        make_line(piece=piece, kind="other", words=f"Glass {at}", count_millionths=1_000_000, price_cents=10)

    with django_assert_max_num_queries(len(few)):
        owner_client.get(reverse("shopping"))


def test_the_papers_say_what_the_pages_say(owner_client, chest):
    ply = make_material(price_cents=6000, shop_name="North yard")
    line = make_line(piece=chest, of=[ply], items=[("Side", "90", "40", 2)], words="Case sides")

    def text(address):
        read = PdfReader(io.BytesIO(owner_client.get(address).content))
        return [page.extract_text() for page in read.pages]

    listed = "\n".join(text(reverse("shopping_pdf")))
    assert "North yard" in listed
    assert "2 sheets" in listed
    assert "$120.00" in listed
    paper = "\n".join(text(reverse("estimate_pdf", args=[chest.pk])))
    assert "Case sides" in paper
    assert "$120.00" in paper
    sheets = text(reverse("cut_sheet_pdf", args=[line.pk]))
    assert len(sheets) == 2
    for number, page in enumerate(sheets, start=1):
        assert f"Sheet {number} of 2" in page
        assert "Side" in page
        assert "$" not in page
