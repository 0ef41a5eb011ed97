"""From first sight to a bought piece, and from stage to stage."""

import io

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from PIL import Image

from flips.actions import pieces
from flips.actions.undo import take_back
from flips.models import Photo, Piece, Purchase, PurchaseShare, Stage, StageChange
from flips.models.facts import figures_of
from tests.makers import make_piece

pytestmark = pytest.mark.django_db


def a_photo(name="find.jpg", colour=(120, 90, 60)):
    out = io.BytesIO()
    Image.new("RGB", (400, 300), colour).save(out, "JPEG")
    out.seek(0)
    out.name = name
    return out


def bought(owner, *, what="Oak dresser", **amounts):
    piece = pieces.log_find(by=owner, what=what)
    pieces.buy(by=owner, weights={piece: 1}, **({"price_cents": 8000} | amounts))
    piece.refresh_from_db()
    return piece


def test_a_find_needs_only_what_it_is(owner_client):
    answer = owner_client.post(reverse("find"), {"what": "Oak dresser"})

    piece = Piece.objects.get()
    assert answer.url == piece.get_absolute_url()
    assert (piece.what, piece.stage, piece.unnamed) == ("Oak dresser", Stage.SEEN, False)


def test_a_photo_alone_is_a_find_that_waits_for_its_name(owner_client):
    owner_client.post(reverse("find"), {"photos": a_photo()})

    piece = Piece.objects.get()
    assert piece.unnamed
    assert piece.photos.count() == 1
    assert "Only a photo so far" in owner_client.get(reverse("bench")).content.decode()


def test_naming_a_photo_takes_it_off_the_unfinished_entries(owner_client):
    owner_client.post(reverse("find"), {"photos": a_photo()})
    piece = Piece.objects.get()

    owner_client.post(
        reverse("piece_edit", args=[piece.pk]),
        {"what": "Pine chair", "seen_on": "2026-03-01", "version": piece.version},
    )

    assert not Piece.objects.only_a_photo().exists()


def test_a_find_with_neither_name_nor_photo_is_refused_and_keeps_what_was_typed(owner_client):
    answer = owner_client.post(reverse("find"), {"what": "", "asking": "90", "place": "Barn sale"})

    page = answer.content.decode()
    assert answer.status_code == 422
    assert "Say what it is, or add a photo." in page
    assert "Barn sale" in page
    assert not Piece.objects.exists()


def test_a_broken_photo_stores_nothing(owner_client):
    broken = io.BytesIO(b"\xff\xd8\xff not a photo")
    broken.name = "broken.jpg"

    answer = owner_client.post(reverse("find"), {"what": "Chair", "photos": broken})

    assert answer.status_code == 422
    assert not Piece.objects.exists()
    assert not Photo.objects.exists()


def test_sending_a_find_twice_stores_it_once_and_answers_the_same(owner_client):
    sent = {"what": "Oak dresser", "sent_id": "8a4e9d52-5e55-4c9e-9f76-2f6c6f0b4d11"}

    first = owner_client.post(reverse("find"), sent)
    second = owner_client.post(reverse("find"), sent)

    assert Piece.objects.count() == 1
    assert first.url == second.url


def test_another_find_under_the_same_id_is_not_lost(owner_client):
    sent_id = "8a4e9d52-5e55-4c9e-9f76-2f6c6f0b4d11"

    owner_client.post(reverse("find"), {"what": "Oak dresser", "sent_id": sent_id})
    owner_client.post(reverse("find"), {"what": "Pine chair", "sent_id": sent_id})

    assert Piece.objects.count() == 2


def test_passing_needs_a_reason(owner_client, owner):
    piece = pieces.log_find(by=owner, what="Desk")

    refused = owner_client.post(
        reverse("piece_move", args=[piece.pk]), {"stage": "passed", "on": "2026-03-01", "reason": ""}
    )
    owner_client.post(
        reverse("piece_move", args=[piece.pk]),
        {"stage": "passed", "on": "2026-03-01", "reason": "Worm in the legs"},
    )

    piece.refresh_from_db()
    assert refused.status_code == 422
    assert piece.stage == Stage.PASSED
    assert piece.stage_changes.live().order_by("pk").last().reason == "Worm in the legs"


def test_a_piece_moves_only_where_it_can(owner):
    piece = bought(owner)

    with pytest.raises(ValidationError, match="can't be moved"):
        pieces.move(piece, Stage.SOLD, by=owner)


def test_a_move_can_be_taken_back_at_once(owner):
    piece = bought(owner)
    change = pieces.move(piece, Stage.IN_WORK, by=owner)

    said = take_back("moved", "flips.stagechange", str(change.pk), by=owner)

    piece.refresh_from_db()
    assert said == "It is bought again."
    assert piece.stage == Stage.BOUGHT
    assert StageChange.objects.filter(piece=piece).count() == 3  # kept, one of them voided


def test_a_lot_is_split_to_the_cent_with_premium_and_tax(owner):
    one, two, three = (pieces.log_find(by=owner, what=what) for what in ("Dresser", "Chair", "Mirror"))

    purchase = pieces.buy(
        by=owner,
        weights={one: 20000, two: 7000, three: 3000},
        price_cents=10001,
        premium_cents=1500,
        tax_cents=949,
        transport_cents=2000,
    )

    shares = list(purchase.shares.live())
    for column in ("price_cents", "premium_cents", "tax_cents", "transport_cents"):
        assert sum(getattr(share, column) for share in shares) == getattr(purchase, column)
    assert [share.price_cents for share in shares] == [6667, 2334, 1000]
    assert sum(one.basis for one in figures_of(None, shop=owner_shop()).values()) == 10001 + 1500 + 949 + 2000


def owner_shop():
    from flips.models import Shop

    return Shop.current()


def test_changing_the_weights_splits_the_lot_anew(owner_client, owner):
    one, two = (pieces.log_find(by=owner, what=what) for what in ("Dresser", "Chair"))
    purchase = pieces.buy(by=owner, weights={one: 1, two: 1}, price_cents=101)

    answer = owner_client.post(
        reverse("purchase", args=[purchase.pk]),
        {
            "price_cents": "1.01",
            "premium_cents": "0",
            "tax_cents": "0",
            "transport_cents": "0",
            "paid_with": "cash",
            "bought_on": "2026-03-01",
            "version": purchase.version,
            f"weight_{one.pk}": "3",
            f"weight_{two.pk}": "1",
        },
    )

    assert answer.status_code == 302
    assert [share.price_cents for share in purchase.shares.live()] == [76, 25]


def test_a_piece_is_bought_once_whatever_happens_at_the_same_moment(owner):
    piece = bought(owner)
    purchase = Purchase.objects.create(price_cents=1)

    with pytest.raises(IntegrityError), transaction.atomic():
        PurchaseShare.objects.create(purchase=purchase, piece=piece, price_cents=1)
    with pytest.raises(ValidationError, match="bought already"):
        pieces.buy(by=owner, weights={piece: 1}, price_cents=1)


def test_a_voided_purchase_leaves_the_figures_and_its_pieces_are_finds_again(owner_client, owner, shop):
    piece = bought(owner)
    purchase = Purchase.objects.get()

    owner_client.post(reverse("purchase_void", args=[purchase.pk]), {"reason": "Wrong piece"})

    piece.refresh_from_db()
    purchase.refresh_from_db()
    assert purchase.void_reason == "Wrong piece"
    assert piece.stage == Stage.SEEN
    assert piece.pk not in figures_of([piece.pk], shop=shop)


def test_voiding_without_a_reason_is_refused_by_the_database(owner):
    purchase = Purchase.objects.create(price_cents=1)

    with pytest.raises(IntegrityError), transaction.atomic():
        Purchase.objects.filter(pk=purchase.pk).update(voided_at="2026-01-01T00:00Z")


def test_the_second_of_two_editors_is_told_and_shown_both_values(owner_client, owner):
    piece = pieces.log_find(by=owner, what="Dresser")
    seen = piece.version
    edit = reverse("piece_edit", args=[piece.pk])
    owner_client.post(edit, {"what": "Oak dresser", "seen_on": "2026-03-01", "version": seen})

    answer = owner_client.post(edit, {"what": "Pine dresser", "seen_on": "2026-03-01", "version": seen})

    page = answer.content.decode()
    assert answer.status_code == 409
    assert "Oak dresser" in page
    assert "Pine dresser" in page
    piece.refresh_from_db()
    assert piece.what == "Oak dresser"


def test_money_tied_up_is_on_the_bench_for_the_owner_only(owner_client, helper_client, owner):
    piece = bought(owner, price_cents=8123)

    assert "$81.23" in owner_client.get(reverse("bench")).content.decode()
    page = helper_client.get(reverse("bench")).content.decode()
    assert "81.23" not in page
    assert piece.what in page


def test_the_helper_cannot_find_a_piece_by_the_owners_notes(helper_client, owner_client, owner):
    piece = bought(owner)
    Piece.objects.filter(pk=piece.pk).update(note="paid far too much")

    assert piece.what not in helper_client.get(reverse("pieces"), {"q": "far too much"}).content.decode()
    assert piece.what in owner_client.get(reverse("pieces"), {"q": "far too much"}).content.decode()


def test_lists_ask_the_same_number_of_questions_for_3_and_for_300_pieces(owner_client, owner):
    for number in range(3):
        bought(owner, what=f"Piece {number}")
    few = {name: questions(owner_client, name) for name in ("bench", "pieces", "money")}
    for number in range(297):
        bought(owner, what=f"More {number}")

    assert {name: questions(owner_client, name) for name in few} == few


def questions(client, name):
    with CaptureQueriesContext(connection) as asked:
        assert client.get(reverse(name)).status_code == 200
    return len(asked)


def test_a_piece_shows_what_happened_newest_first(owner_client, owner):
    piece = bought(owner)

    page = owner_client.get(piece.get_absolute_url()).content.decode()

    assert page.index("Bought") < page.rindex("Seen")


def test_slips_are_for_the_owner_alone(owner_client, helper_client, owner):
    from flips.photos import read_photo

    piece = pieces.log_find(by=owner, what="Dresser")
    pieces.buy(by=owner, weights={piece: 1}, price_cents=100, photos=[read_photo(a_photo())])
    slip = Photo.objects.get()

    assert owner_client.get(reverse("photo_file", args=[slip.pk, "thumb"])).status_code == 200
    assert helper_client.get(reverse("photo_file", args=[slip.pk, "thumb"])).status_code == 403
    assert helper_client.get(reverse("photo", args=[slip.pk])).status_code == 403


def test_makers_make_a_valid_piece():
    make_piece().full_clean()
