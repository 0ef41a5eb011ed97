"""Answering once, saying broken rules in words, and taking back what was just done."""

import threading
import uuid
from datetime import timedelta
from unittest import mock

import pytest
from django import forms
from django.core import signing
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import IntegrityError, connection, transaction
from django.test import Client, RequestFactory
from django.utils import timezone

from flips.actions.undo import undoable
from flips.models import Channel, ExpenseCategory, FeeRule, HelperRate, Person, Piece, Sent, Shop, TimeEntry
from flips.pages.answers import (
    UNDO_GRACE_SECONDS,
    UNDO_SALT,
    UNDO_SECONDS,
    Done,
    message_of,
    once,
    refusals_on,
    undo_token,
)
from tests.flips.conftest import signed_in
from tests.makers import make_channel, make_helper, make_owner, make_piece, make_shop

CHANNELS = "/settings/channels/"
LAPSED = UNDO_SECONDS + UNDO_GRACE_SECONDS + 1


def test_the_same_id_with_the_same_content_is_stored_once_and_answers_the_same(owner_client):
    form = {"name": "Fairs", "sent_id": str(uuid.uuid4())}

    first, second = (owner_client.post(CHANNELS, form, follow=True) for _ in range(2))

    assert Channel.objects.count() == 1
    assert first.redirect_chain == second.redirect_chain
    assert messages_of(first) == messages_of(second) == "Fairs is added. Say what it keeps of a sale."


def test_the_same_id_with_other_content_is_stored_too(owner_client):
    sent_id = str(uuid.uuid4())

    for name in ("Fairs", "Online"):
        assert owner_client.post(CHANNELS, {"name": name, "sent_id": sent_id}).status_code == 302

    assert set(Channel.objects.values_list("name", flat=True)) == {"Fairs", "Online"}


def test_two_people_with_the_same_id_are_two(owner, owner_client):
    sent_id, other = str(uuid.uuid4()), signed_in(make_owner())

    owner_client.post(CHANNELS, {"name": "Fairs", "sent_id": sent_id})
    refused = other.post(CHANNELS, {"name": "Fairs", "sent_id": sent_id})

    assert refused.status_code == 422


@pytest.mark.parametrize("sent_id", ["", "not-an-id", "'; drop table"])
def test_without_a_proper_id_every_sending_counts(owner_client, sent_id):
    for name in ("Fairs", "Online"):
        assert owner_client.post(CHANNELS, {"name": name, "sent_id": sent_id}).status_code == 302

    assert Channel.objects.count() == 2


def test_what_was_refused_can_be_sent_again_with_the_same_id(owner_client):
    make_channel(name="Fairs")
    sent_id = str(uuid.uuid4())

    assert owner_client.post(CHANNELS, {"name": "Fairs", "sent_id": sent_id}).status_code == 422
    assert owner_client.post(CHANNELS, {"name": "Fairs and malls", "sent_id": sent_id}).status_code == 302


def test_a_refused_form_keeps_its_id(owner_client):
    sent_id = str(uuid.uuid4())

    page = owner_client.post(CHANNELS, {"name": "", "sent_id": sent_id}).content.decode()

    assert f'name="sent_id" value="{sent_id}" data-kept="1"' in page


@pytest.mark.django_db(transaction=True)
def test_the_same_form_at_the_same_moment_is_stored_once():
    make_shop()
    owner = make_owner()
    form = {"name": "Fairs", "sent_id": str(uuid.uuid4())}
    gate, answers = threading.Barrier(4), []

    def send():
        client = signed_in(owner)
        gate.wait()
        response = client.post(CHANNELS, form)
        answers.append((response.status_code, response.headers.get("Location")))
        connection.close()

    threads = [threading.Thread(target=send) for _ in range(4)]
    [thread.start() for thread in threads]
    [thread.join() for thread in threads]

    assert answers == [(302, f"/settings/channels/{Channel.objects.get().pk}/")] * 4
    assert Sent.objects.count() == 1


# The content of what is sent


def request_with(person, path="/find/", **sent):
    request = RequestFactory().post(path, sent)
    request.user = person
    request._messages = mock.MagicMock()
    return request


def count_of(person, *contents):
    """How often contents with one and the same id are taken."""
    done, sent_id = [], str(uuid.uuid4())
    for path, content in contents:
        request = request_with(person, path, **content, sent_id=sent_id)
        assert once(request, None, lambda: done.append(1) or Done("/")).status_code == 302
    return len(done)


def test_photos_are_part_of_the_content(owner):
    def photo(content):
        return {"photos": SimpleUploadedFile("a.jpg", content)}

    assert count_of(owner, ("/find/", photo(b"one")), ("/find/", photo(b"one"))) == 1
    assert count_of(owner, ("/find/", photo(b"one")), ("/find/", photo(b"two"))) == 2


def test_where_it_was_sent_is_part_of_the_content(owner):
    assert count_of(owner, ("/find/", {"a": "1"}), ("/buy/", {"a": "1"})) == 2
    assert count_of(owner, ("/find/?piece=1", {"a": "1"}), ("/find/?piece=2", {"a": "1"})) == 2


def test_a_line_break_cannot_pass_one_field_off_as_two(owner):
    assert count_of(owner, ("/find/", {"a": "1\nb=2"}), ("/find/", {"a": "1", "b": "2"})) == 2


def test_a_password_leaves_no_trace(owner):
    with mock.patch("flips.pages.answers.json.dumps", wraps=__import__("json").dumps) as dumped:
        count_of(owner, ("/people/add/", {"name": "a", "password1": "walnut-and-wax"}))

    assert "walnut-and-wax" not in str(dumped.call_args_list)


def test_without_a_form_a_refusal_is_raised_and_nothing_is_kept(owner):
    def refuse():
        make_channel(name="Fairs")
        raise ValidationError("Not like this.")

    with pytest.raises(ValidationError, match="Not like this"):
        once(request_with(owner), None, refuse)
    assert not Channel.objects.exists()
    assert not Sent.objects.exists()


def test_without_a_form_losing_a_race_still_answers_as_the_winner(owner):
    sent_id = str(uuid.uuid4())
    once(request_with(owner, a="1", sent_id=sent_id), None, lambda: Done("/won/"))

    from flips.pages import answers

    asked = iter([None])
    with mock.patch.object(answers, "_answer_before", side_effect=lambda *args: next(asked, Done("/won/"))):
        response = once(request_with(owner, a="1", sent_id=sent_id), None, lambda: Done("/lost/"))

    assert response.headers["Location"] == "/won/"


# Broken rules in words


class PriceForm(forms.Form):
    price = forms.CharField()


def errors_after(refusal):
    form = PriceForm({"price": "1"})
    with refusals_on(form):
        raise refusal
    return form.errors


def test_a_refusal_stands_by_the_field_it_was_typed_in(db):
    assert errors_after(ValidationError({"price_cents": "Too little."}))["price"] == ["Too little."]


def test_a_refusal_about_a_hidden_column_stands_at_the_top(db):
    assert errors_after(ValidationError({"lot": "Choose one."}))["__all__"] == ["Choose one."]


def broken(break_it):
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        break_it()
    return message_of(caught.value)


def test_the_database_refuses_in_plain_words(owner, helper):
    HelperRate.objects.create(person=helper, hourly_cents=1, from_on="2026-01-01")
    channel = make_channel(name="Fairs")
    piece = make_piece(by=owner)
    TimeEntry.objects.create(person=owner, piece=piece, started_at=timezone.now())

    said = [
        broken(lambda: HelperRate.objects.create(person=helper, hourly_cents=2, from_on="2026-01-01")),
        broken(lambda: FeeRule.objects.create(channel=channel, percent_hundredths=10_001)),
        broken(lambda: TimeEntry.objects.create(person=owner, piece=piece, started_at=timezone.now())),
        broken(lambda: make_channel(name="Fairs")),
        broken(
            lambda: ExpenseCategory.objects.bulk_create(
                [ExpenseCategory(name="x"), ExpenseCategory(name="x")]
            )
        ),
        broken(lambda: Shop.objects.create(name="Second")),
        broken(lambda: Piece.objects.create(what="")),
    ]

    assert said == [
        "There is a rate from that day already. Void it first.",
        "A fee is at most 100 percent.",
        "A timer of yours is running already.",
        "There is another one with the same name already.",
        "There is another one with the same name already.",
        "There is another one with the same only already.",
        "Say what it is.",
    ]


def test_every_rule_that_a_person_can_break_has_words_or_falls_back():
    assert "contradicts another record" in message_of(IntegrityError("FOREIGN KEY constraint failed"))


# Undo


def undo(client, token, referer="http://testserver/settings/channels/"):
    return client.post("/undo/", {"token": token}, HTTP_REFERER=referer, follow=True)


def messages_of(response):
    return " ".join(str(message) for message in response.context["messages"])


def new_rate():
    return HelperRate.objects.create(person=make_helper(), hourly_cents=1000, from_on="2026-01-01")


def test_undo_voids_what_was_made_and_leads_back(owner_client):
    rate = new_rate()

    response = undo(owner_client, undo_token("made", rate))

    rate.refresh_from_db()
    assert rate.is_void
    assert response.redirect_chain == [("/settings/channels/", 302)]
    assert "Taken back" in messages_of(response)


def test_undo_of_a_record_does_not_lead_to_its_own_page(owner, owner_client):
    piece = make_piece(by=owner)

    response = undo(owner_client, undo_token("made", piece), f"http://testserver{piece.get_absolute_url()}")

    assert response.redirect_chain[0][0] == "/"


def test_undo_of_a_row_on_another_records_page_stays_there(owner_client):
    rule = FeeRule.objects.create(channel=make_channel(name="Fairs"))

    response = undo(owner_client, undo_token("made", rule), f"http://testserver{rule.get_absolute_url()}")

    assert response.redirect_chain[0][0] == rule.channel.get_absolute_url()


def test_undo_comes_too_late_after_its_time_and_says_what_to_do(owner_client):
    rate = new_rate()
    token = undo_token("made", rate)

    with mock.patch("django.core.signing.time.time", return_value=timezone.now().timestamp() + LAPSED):
        response = undo(owner_client, token)

    rate.refresh_from_db()
    assert not rate.is_void
    assert "Too late to undo" in messages_of(response)


def test_undo_lasts_for_the_ten_seconds_shown(owner_client):
    rate = new_rate()
    token = undo_token("made", rate)

    with mock.patch("django.core.signing.time.time", return_value=timezone.now().timestamp() + 12):
        undo(owner_client, token)

    rate.refresh_from_db()
    assert rate.is_void


@pytest.mark.parametrize(
    ("said", "salt"),
    [
        (["made", "flips.shop", "1"], "something else"),
        ("not a list", UNDO_SALT),
        (["made", "flips.nothing", "1"], UNDO_SALT),
        (["made", "no such model", "1"], UNDO_SALT),
        (["made", "flips.shop", "x"], UNDO_SALT),
        (["unheard of", "flips.shop", "1"], UNDO_SALT),
        (["made", "flips.shop", "1"], UNDO_SALT),
        ("", None),
        ("nonsense", None),
    ],
)
def test_a_note_that_names_nothing_undoes_nothing(owner_client, said, salt):
    token = said if salt is None else signing.dumps(said, salt=salt)
    response = undo(owner_client, token)

    assert response.status_code == 200
    assert messages_of(response)


def test_undoing_what_the_records_refuse_by_now_says_why(owner_client):
    first = new_rate()
    first.void(by=Person.objects.first(), reason="typed wrong")
    HelperRate.objects.create(person=first.person, hourly_cents=2000, from_on=first.from_on)

    response = undo(owner_client, undo_token("voided", first))

    first.refresh_from_db()
    assert first.is_void
    assert "There is a rate from that day already" in messages_of(response)


def test_a_helper_takes_back_only_what_is_theirs(owner, helper, helper_client):
    piece = make_piece(by=owner, price_cents=100)
    began = timezone.now() - timedelta(hours=1)
    entry = {"piece": piece, "person": helper, "minutes": 5, "started_at": began}
    own = TimeEntry.objects.create(**entry, created_by=helper)
    foreign = TimeEntry.objects.create(**entry, created_by=owner)

    assert undo(helper_client, undo_token("made", own), "").status_code == 200
    assert undo(helper_client, undo_token("made", foreign), "").status_code == 403

    own.refresh_from_db()
    foreign.refresh_from_db()
    assert (own.is_void, foreign.is_void) == (True, False)


def test_a_helper_takes_back_nothing_that_shows_money(helper, helper_client):
    rate = HelperRate.objects.create(person=helper, hourly_cents=1, from_on="2026-01-01", created_by=helper)

    assert undo(helper_client, undo_token("made", rate)).status_code == 403
    rate.refresh_from_db()
    assert not rate.is_void


def test_a_refusal_halfway_takes_nothing_back(owner_client):
    rate = new_rate()

    @undoable("halfway")
    def halfway(record, by):
        record.void(by=by, reason="first half")
        raise ValidationError("The second half is refused.")

    response = undo(owner_client, undo_token("halfway", rate))

    rate.refresh_from_db()
    assert not rate.is_void
    assert "The second half is refused" in messages_of(response)


def test_undo_needs_a_post(owner_client):
    assert owner_client.get("/undo/").status_code == 405
    assert Client().post("/undo/").status_code == 302
