"""Receipts: every line to one place, tax to the cent, warnings for the same slip twice, and nothing for helpers."""

from datetime import date, timedelta
from io import BytesIO

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageDraw

from flips.actions import receipts, stock
from flips.actions.undo import CannotUndo, take_back
from flips.books import Kind
from flips.models import MILLION, Destination, LineShare, Lot, Photo, Receipt, ReceiptLine, Shop, Use
from flips.models.facts import figures_of, piece_facts, shop_facts
from flips.models.next_steps import next_steps
from flips.models.receipts import twins
from flips.photos import read_photo
from tests.makers import make_category, make_piece

DAY = date(2026, 3, 4)


def slip(seed=1, size=(400, 600), quality=90):
    """A drawn slip of our own invention as a JPEG file."""
    picture = Image.new("RGB", size, "white")
    draw = ImageDraw.Draw(picture)
    for row in range(14):
        wide = (seed * 7919 + row * 104729) % 300 + 40
        draw.rectangle((30, 20 + row * 40, 30 + wide, 40 + row * 40), fill=(row * 12, 20, seed * 9 % 255))
    file = BytesIO()
    picture.save(file, "JPEG", quality=quality)
    file.seek(0)
    file.name = "slip.jpg"
    return file


def make_receipt(by, *, total=None, tax=0, photos=(), **fields):
    return receipts.new_receipt(
        by=by,
        photos=[read_photo(file) for file in photos],
        total_cents=total,
        tax_cents=tax,
        **{"shop_name": "Corner Hardware", "bought_on": DAY, **fields},
    )


def add(receipt, by, to, amount, **fields):
    fields.setdefault("text", "Something")
    if to == Destination.STOCK:
        fields.setdefault("lot", {"name": fields["text"], "unit": "l", "quantity_millionths": MILLION})
    return receipts.add_line(receipt, by=by, destination=to, amount_cents=amount, **fields)


@pytest.fixture
def piece(owner):
    return make_piece(by=owner, price_cents=5000)


# Tax and lines


@pytest.mark.django_db
def test_tax_is_spread_over_the_taxed_lines_to_the_cent(owner, piece):
    """1.00 over three equal lines is 0.34 + 0.33 + 0.33 (largest remainder, ties to the earlier)."""
    receipt = make_receipt(owner, total=4100, tax=100)
    for _ in range(3):
        add(receipt, owner, Destination.PIECE, 1000, piece=piece)
    add(receipt, owner, Destination.PRIVATE, 1000, taxed=False)
    assert [line.tax_cents for line in receipt.lines.live()] == [34, 33, 33, 0]
    assert Receipt.objects.get(pk=receipt.pk).adds_up


@pytest.mark.django_db
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(st.integers(0, 99_999), st.booleans()), min_size=1, max_size=6), st.integers(0, 9_999)
)
def test_lines_with_their_tax_always_make_the_total(owner, piece, lines, tax):
    total = sum(amount for amount, _ in lines) + tax
    receipt = make_receipt(owner, total=total, tax=tax)
    for amount, taxed in lines:
        add(receipt, owner, Destination.PIECE, amount, taxed=taxed, piece=piece)
    taxable = any(amount and taxed for amount, taxed in lines)
    now = Receipt.objects.get(pk=receipt.pk)
    assert sum(line.cost_cents for line in now.live_lines) == (total if taxable else total - tax)
    assert now.adds_up is (taxable or not tax)
    assert (now.pk in Receipt.objects.not_adding_up().values_list("pk", flat=True)) is not now.adds_up


@pytest.mark.django_db
def test_a_change_of_tax_costs_a_lot_and_its_uses_anew(owner, piece):
    receipt = make_receipt(owner, total=2200, tax=200)
    lot = add(receipt, owner, Destination.STOCK, 2000).lot
    use = stock.take(by=owner, piece=piece, lot=lot, quantity_millionths=500_000, used_on=DAY).uses[0]
    receipts.change_receipt(receipt, tax_cents=400, total_cents=2400)
    use.refresh_from_db()
    assert (Lot.objects.get(pk=lot.pk).cost_cents, use.cost_cents) == (2400, 1200)


@pytest.mark.django_db
def test_another_line_takes_its_share_of_the_tax_from_the_first(owner, piece):
    receipt = make_receipt(owner, total=3300, tax=300)
    lot = add(receipt, owner, Destination.STOCK, 2000).lot
    assert lot.cost_cents == 2300
    add(receipt, owner, Destination.PIECE, 1000, piece=piece)
    assert Lot.objects.get(pk=lot.pk).cost_cents == 2200


@pytest.mark.django_db
def test_no_amount_stands_for_the_rest_of_the_total(owner, piece):
    receipt = make_receipt(owner, total=3300, tax=300)
    add(receipt, owner, Destination.PIECE, 1000, piece=piece)
    assert add(receipt, owner, Destination.TOOLS, None).amount_cents == 2000
    with pytest.raises(ValidationError, match="nothing of the total is left"):
        add(receipt, owner, Destination.TOOLS, None)


@pytest.mark.django_db
def test_what_does_not_add_up_is_flagged_with_the_difference(owner, piece):
    receipt = make_receipt(owner, total=3000)
    add(receipt, owner, Destination.PIECE, 2680, piece=piece)
    assert Receipt.objects.get(pk=receipt.pk).difference_cents == 320
    assert any(
        step.text == "A receipt does not add up" for step in next_steps(owner=True, now=receipt.created_at)
    )
    assert not any("receipt" in step.text.lower() for step in next_steps(owner=False, now=receipt.created_at))


# Where lines go


@pytest.mark.django_db
def test_each_kind_of_line_becomes_its_own_money_fact_once(owner, piece):
    other = make_piece(by=owner, price_cents=100)
    receipt = make_receipt(owner, total=7 * 1000 + 70, tax=70)
    add(receipt, owner, Destination.PIECE, 1000, piece=piece)
    add(receipt, owner, Destination.TRANSPORT, 1000, piece=piece)
    add(receipt, owner, Destination.SHARED, 1000, weights={piece: 2, other: 1})
    add(receipt, owner, Destination.HAUL, 1000, weights={piece: 1, other: 1})
    add(receipt, owner, Destination.STOCK, 1000)
    add(receipt, owner, Destination.EXPENSE, 1000, category=make_category(name="Rent"))
    add(receipt, owner, Destination.TOOLS, 1000)
    lines, _ = shop_facts(zone=Shop.current().zone)
    bought = [line for line in lines if line.kind is not Kind.PURCHASE]
    assert sum(line.cents for line in bought) == 7070
    of_piece = {line.kind: 0 for line in bought}
    for line in bought:
        if line.piece == piece.pk:
            of_piece[line.kind] += line.cents
    assert of_piece[Kind.PART] == 1010 + 673
    assert of_piece[Kind.TRANSPORT] == 1010 + 505
    assert {line.category: line.cents for line in bought if line.kind is Kind.EXPENSE} == {
        "Rent": 1010,
        "Tools": 1010,
    }


@pytest.mark.django_db
def test_shares_follow_their_weights_and_the_line(owner, piece):
    other = make_piece(by=owner, price_cents=100)
    receipt = make_receipt(owner, total=1000)
    line = add(receipt, owner, Destination.SHARED, 1000, weights={piece: 1, other: 2})
    assert [share.cents for share in line.shares.live()] == [333, 667]
    third = make_piece(by=owner, price_cents=100)
    receipts.change_line(
        line, by=owner, text="Screws", amount_cents=900, taxed=True, weights={piece: 1, third: 1}
    )
    assert {share.piece_id: share.cents for share in line.shares.live()} == {piece.pk: 450, third.pk: 450}
    assert sum(one.cents for one in LineShare.objects.live()) == 900


@pytest.mark.django_db
def test_a_line_goes_to_nothing_that_was_never_bought(owner):
    find = make_piece(by=owner)
    receipt = make_receipt(owner, total=1000)
    with pytest.raises(ValidationError, match="has not been bought"):
        add(receipt, owner, Destination.PIECE, 1000, piece=find)
    with pytest.raises(ValidationError):
        add(receipt, owner, Destination.EXPENSE, 1000)
    assert not ReceiptLine.objects.exists()


# Voiding and correcting


@pytest.mark.django_db
def test_a_line_whose_lot_is_used_is_not_voided(owner, piece):
    receipt = make_receipt(owner, total=2000)
    line = add(receipt, owner, Destination.STOCK, 2000, text="Shellac")
    use = stock.take(by=owner, piece=piece, lot=line.lot, quantity_millionths=400_000, used_on=DAY).uses[0]
    for void in (receipts.void_line, lambda _, **how: receipts.void_receipt(receipt, **how)):
        with pytest.raises(ValidationError, match=r"0\.4 l of “Shellac” has been used for “Oak dresser”"):
            void(line, by=owner, reason="twice")
    assert not ReceiptLine.objects.get(pk=line.pk).is_void
    stock.void_use(use, by=owner, reason="wrong")
    receipts.void_receipt(receipt, by=owner, reason="twice")
    assert Lot.objects.get(pk=line.lot_id).is_void
    assert not [line for line in shop_facts(zone=Shop.current().zone)[0] if line.kind is Kind.LOT_BOUGHT]


@pytest.mark.django_db
def test_a_voided_receipt_comes_back_whole(owner, piece):
    receipt = make_receipt(owner, total=3300, tax=300)
    add(receipt, owner, Destination.STOCK, 2000)
    gone = add(receipt, owner, Destination.PIECE, 500, piece=piece)
    receipts.void_line(gone, by=owner, reason="misread")
    add(receipt, owner, Destination.PIECE, 1000, piece=piece)
    before = sorted((line.kind, line.cents) for line in shop_facts(zone=Shop.current().zone)[0])
    receipts.void_receipt(receipt, by=owner, reason="twice")
    assert not Lot.objects.live().exists()
    take_back("receipt_voided", "flips.receipt", str(receipt.pk), by=owner)
    assert sorted((line.kind, line.cents) for line in shop_facts(zone=Shop.current().zone)[0]) == before
    assert ReceiptLine.objects.get(pk=gone.pk).is_void


@pytest.mark.django_db
def test_undo_of_a_line_is_refused_once_its_lot_is_used(owner, piece):
    receipt = make_receipt(owner, total=2000)
    line = add(receipt, owner, Destination.STOCK, 2000)
    stock.take(by=owner, piece=piece, lot=line.lot, quantity_millionths=1, used_on=DAY)
    with pytest.raises(CannotUndo, match="has been used"):
        take_back("line_made", "flips.receiptline", str(line.pk), by=owner)


@pytest.mark.django_db
def test_a_receipt_can_not_move_past_the_first_use_of_its_lot(owner, piece):
    receipt = make_receipt(owner, total=2000)
    line = add(receipt, owner, Destination.STOCK, 2000)
    stock.take(by=owner, piece=piece, lot=line.lot, quantity_millionths=1, used_on=DAY)
    with pytest.raises(ValidationError, match="used on 4 Mar 2026 already"):
        receipts.change_receipt(receipt, bought_on=DAY + timedelta(1))
    receipts.change_receipt(receipt, bought_on=DAY - timedelta(1))
    assert Lot.objects.get(pk=line.lot_id).came_on == DAY - timedelta(1)


@pytest.mark.django_db
def test_a_line_s_tax_goes_back_to_the_others_when_it_is_voided(owner, piece):
    receipt = make_receipt(owner, total=2200, tax=200)
    first = add(receipt, owner, Destination.PIECE, 1000, piece=piece)
    second = add(receipt, owner, Destination.PIECE, 1000, piece=piece)
    receipts.void_line(second, by=owner, reason="misread")
    first.refresh_from_db()
    assert first.tax_cents == 200
    assert figures_of([piece.pk], shop=Shop.current())[piece.pk].parts == 1200


# The same slip twice


@pytest.mark.django_db
def test_same_shop_date_and_total_warn(owner):
    first = make_receipt(owner, total=1234)
    second = make_receipt(owner, total=1234, shop_name="corner hardware")
    make_receipt(owner, total=1235)
    assert [(twin.href, twin.why) for twin in twins(second)] == [
        (first.get_absolute_url(), "Same shop, date and total")
    ]
    receipts.void_receipt(first, by=owner, reason="twice")
    assert twins(second) == []


@pytest.mark.django_db
def test_the_same_photo_warns_also_when_it_was_stored_anew(owner):
    first = make_receipt(owner, photos=[slip(3)])
    again = make_receipt(owner, photos=[slip(3)], shop_name="Another")
    smaller = make_receipt(owner, photos=[slip(3, quality=60)], shop_name="Third")
    other = make_receipt(owner, photos=[slip(8)], shop_name="Fourth")
    assert [twin.why for twin in twins(again)] == ["The very same photo", "A photo that looks the same"]
    assert {twin.href for twin in twins(smaller)} == {first.get_absolute_url(), again.get_absolute_url()}
    assert twins(other) == []


# Pages


def test_a_photo_alone_waits_in_the_inbox(owner_client, shop):
    answer = owner_client.post(
        reverse("receipt_new"), {"photos": slip(), "bought_on": "2026-03-04", "paid_with": "card"}
    )
    receipt = Receipt.objects.get()
    assert answer.url == receipt.get_absolute_url()
    assert Photo.objects.get().receipt == receipt
    page = owner_client.get(reverse("receipts")).content.decode()
    assert "waits for its lines" in page
    assert list(Receipt.objects.waiting()) == [receipt]


def test_an_empty_receipt_is_refused_and_what_was_typed_stays(owner_client, shop):
    answer = owner_client.post(
        reverse("receipt_new"), {"bought_on": "2026-03-04", "paid_with": "card", "note": "for the loft"}
    )
    assert answer.status_code == 422
    assert "Add a photo, or write the shop or the total." in answer.content.decode()
    assert "for the loft" in answer.content.decode()


def test_waiting_receipts_come_first_then_those_that_are_off(owner_client, owner, piece):
    done = make_receipt(owner, total=1000, shop_name="Done", bought_on=DAY)
    add(done, owner, Destination.PIECE, 1000, piece=piece)
    off = make_receipt(owner, total=1000, shop_name="Off", bought_on=DAY - timedelta(5))
    add(off, owner, Destination.PIECE, 900, piece=piece)
    make_receipt(owner, total=1000, shop_name="Waits", bought_on=DAY - timedelta(9))
    page = owner_client.get(reverse("receipts")).content.decode()
    assert page.index("Waits") < page.index("Off") < page.index("Done")
    assert "off by $1.00" in page
    assert "Waits" not in owner_client.get(f"{reverse('receipts')}?show=off").content.decode()


def test_lines_are_added_one_after_the_other(owner_client, owner, piece):
    receipt = make_receipt(owner, total=3300, tax=300)
    url = reverse("receipt_line_new", args=[receipt.pk])
    stay = owner_client.post(
        f"{url}?to=stock",
        {
            "text": "Oil varnish",
            "amount_cents": "20",
            "taxed": "on",
            "quantity_millionths": "0.75",
            "unit": "l",
        },
    )
    assert stay.url == f"{receipt.get_absolute_url()}?to=stock#add"
    done = owner_client.post(f"{url}?to=piece", {"text": "Hinges", "piece": piece.pk, "taxed": "on"})
    assert done.url == receipt.get_absolute_url()
    page = owner_client.get(done.url).content.decode()
    assert "adds up" in page
    lot = Lot.objects.get()
    assert (lot.name, lot.cost_cents, lot.unit, lot.quantity_millionths) == (
        "Oil varnish",
        2200,
        "l",
        750_000,
    )
    assert ReceiptLine.objects.get(text="Hinges").cost_cents == 1100


def test_shared_lines_are_typed_with_shares(owner_client, owner, piece):
    other = make_piece(by=owner, price_cents=100, what="Pine chair")
    receipt = make_receipt(owner, total=900)
    sent = {
        "text": "Van hire", f"take_{piece.pk}": "on", f"weight_{piece.pk}": "2",
        f"take_{other.pk}": "on", f"weight_{other.pk}": "1",
    }  # fmt: skip
    owner_client.post(f"{reverse('receipt_line_new', args=[receipt.pk])}?to=haul", sent)
    assert {share.piece_id: share.cents for share in LineShare.objects.live()} == {
        piece.pk: 600,
        other.pk: 300,
    }
    lines, _ = piece_facts([piece.pk], zone=Shop.current().zone)
    assert [line.cents for line in lines if line.kind is Kind.TRANSPORT] == [600]


@pytest.mark.parametrize(
    ("to", "typed", "said"),
    [
        ("piece", {"text": "Hinges", "amount_cents": "5"}, "This field is required."),
        ("piece", {"text": "Hinges", "amount_cents": "5,5,5", "piece": "1"}, "amount"),
        ("shared", {"text": "Van", "amount_cents": "5"}, "at least two pieces"),
        ("expense", {"text": "Rent", "amount_cents": "5", "category": "999"}, "Select a valid choice"),
    ],
)
def test_a_line_that_goes_nowhere_is_refused(owner_client, owner, piece, to, typed, said):
    make_category()
    receipt = make_receipt(owner, total=1000)
    answer = owner_client.post(f"{reverse('receipt_line_new', args=[receipt.pk])}?to={to}", typed)
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert typed["text"] in answer.content.decode()
    assert not ReceiptLine.objects.exists()


def test_a_line_sent_twice_is_stored_once(owner_client, owner, piece):
    receipt = make_receipt(owner, total=1000)
    sent = {
        "text": "Hinges",
        "amount_cents": "4",
        "piece": piece.pk,
        "sent_id": "0b0f2f76-2a5e-4c39-9f5e-0d9b2cf3f5ab",
    }
    for _ in range(2):
        owner_client.post(f"{reverse('receipt_line_new', args=[receipt.pk])}?to=piece", sent)
    assert ReceiptLine.objects.count() == 1


def test_a_line_changed_meanwhile_is_told(owner_client, owner, piece):
    receipt = make_receipt(owner, total=1000)
    line = add(receipt, owner, Destination.PIECE, 1000, piece=piece, text="Hinges")
    sent = {"text": "Knobs", "amount_cents": "9", "piece": piece.pk, "version": line.version}
    receipts.change_line(line, by=owner, text="Pulls", amount_cents=800, taxed=True, piece=piece)
    answer = owner_client.post(reverse("receipt_line", args=[line.pk]), sent)
    assert answer.status_code == 409
    assert "Pulls" in answer.content.decode()
    assert ReceiptLine.objects.get().text == "Pulls"


def test_the_head_is_corrected_on_the_page(owner_client, owner, piece):
    receipt = make_receipt(owner, total=None)
    add(receipt, owner, Destination.PIECE, 1000, piece=piece)
    receipt.refresh_from_db()
    sent = {
        "shop_name": "Corner Hardware", "bought_on": "2026-03-04", "total_cents": "10.80", "tax_cents": "0.80",
        "paid_with": "cash", "version": receipt.version,
    }  # fmt: skip
    assert owner_client.post(receipt.get_absolute_url(), sent).status_code == 302
    assert Receipt.objects.get().adds_up


def test_a_refused_void_says_why_on_the_page(owner_client, owner, piece):
    receipt = make_receipt(owner, total=2000)
    line = add(receipt, owner, Destination.STOCK, 2000, text="Shellac")
    stock.take(by=owner, piece=piece, lot=line.lot, quantity_millionths=400_000, used_on=DAY)
    answer = owner_client.post(reverse("receipt_void", args=[receipt.pk]), {"reason": "twice"}, follow=True)
    assert "has been used for “Oak dresser”" in answer.content.decode()
    assert Use.objects.live().exists()


def test_receipts_and_their_photos_are_closed_to_helpers(helper_client, owner, piece):
    receipt = make_receipt(owner, total=1000, photos=[slip()])
    line = add(receipt, owner, Destination.PIECE, 1000, piece=piece)
    photo = Photo.objects.get()
    pages = [
        reverse("receipts"),
        reverse("receipt_new"),
        receipt.get_absolute_url(),
        reverse("receipt_line", args=[line.pk]),
        reverse("photo", args=[photo.pk]),
        reverse("photo_file", args=[photo.pk, "thumb"]),
    ]
    for page in pages:
        assert helper_client.get(page).status_code == 403


@pytest.mark.parametrize("page", ["receipts", "receipt"])
def test_queries_do_not_grow_with_rows(owner_client, owner, piece, page):
    other = make_piece(by=owner, price_cents=100)

    def fill(count):
        for number in range(count):
            one = make_receipt(owner, total=1000, photos=[slip(number)])
            for receipt in (Receipt.objects.order_by("pk").first(), one):
                add(receipt, owner, Destination.STOCK, 300)
                add(receipt, owner, Destination.SHARED, 300, weights={piece: 1, other: 1})

    def count():
        url = (
            reverse("receipts")
            if page == "receipts"
            else Receipt.objects.order_by("pk").first().get_absolute_url()
        )
        with CaptureQueriesContext(connection) as asked:
            assert owner_client.get(url).status_code == 200
        return len(asked)

    fill(2)
    count()
    few = count()
    fill(8)
    assert count() <= few
