"""The bench: attempts that stay whatever came of them, and the log."""

import re
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.contrib.messages import get_messages
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from flips.actions import bench, hours
from flips.actions.undo import take_back
from flips.models import Attempt, LogEntry, Lot, Outcome, TimeEntry, Use
from flips.models.attempt_costs import attempt_costs
from flips.models.facts import figures_of
from flips.models.people import HelperRate
from tests.makers import make_attempt, make_helper, make_part, make_piece, make_time

NOON = datetime(2026, 3, 4, 18, tzinfo=UTC)
CHICAGO = ZoneInfo("America/Chicago")
ID = "6f2b7a52-4a0e-4b1c-9f7d-0d3c1f0a7e11"


@pytest.fixture
def piece(owner):
    return make_piece(price_cents=8000)


def said(response):
    return [str(message) for message in get_messages(response.wsgi_request)]


# Attempts


def test_an_attempt_is_started_with_two_fields(helper_client, helper, piece):
    top = make_part(piece=piece)
    helper_client.post(
        reverse("attempt_new", args=[piece.pk]),
        {"technique": "Iron down veneer", "part": top.pk, "outcome": "open"},
    )

    attempt = Attempt.objects.get()
    assert (attempt.technique, attempt.part, attempt.created_by, attempt.is_open) == (
        "Iron down veneer",
        top,
        helper,
        True,
    )


def test_the_same_attempt_sent_twice_is_stored_once(helper_client, piece):
    for _ in range(2):
        helper_client.post(
            reverse("attempt_new", args=[piece.pk]),
            {"technique": "Wax", "outcome": "worked", "sent_id": ID, "timer": "1"},
        )

    assert Attempt.objects.count() == 1


def test_an_attempt_saved_with_its_timer_runs_at_once(helper_client, helper, piece):
    helper_client.post(
        reverse("attempt_new", args=[piece.pk]), {"technique": "Wax", "outcome": "open", "timer": "1"}
    )

    assert TimeEntry.objects.running().get(person=helper).attempt == Attempt.objects.get()


def test_undoing_an_attempt_takes_its_new_timer_with_it(owner, piece):
    attempt = make_attempt(piece=piece)
    hours.start_timer(by=owner, piece=piece, attempt=attempt, now=NOON)
    take_back("attempt made", "flips.attempt", str(attempt.pk), by=owner)

    assert not TimeEntry.objects.running().exists()
    assert not piece.attempts.live().exists()


def test_earlier_techniques_are_offered_the_last_used_first(owner_client, piece):
    make_attempt(piece=piece, technique="Iron down veneer", now=NOON)
    make_attempt(piece=piece, technique="Steam the dent", now=NOON + timedelta(days=1))
    page = owner_client.get(reverse("attempt_new", args=[piece.pk]))

    assert page.context["techniques"] == ["Steam the dent", "Iron down veneer"]


def outcome(attempt, **typed):
    return {
        "outcome": "failed",
        "why": "",
        "left_usable": "",
        "again": "",
        "version": attempt.version,
    } | typed


def test_a_failed_attempt_stays_with_why_and_what_is_still_usable(helper_client, piece):
    attempt = make_attempt(piece=piece)
    helper_client.post(
        reverse("attempt_outcome", args=[attempt.pk]),
        outcome(attempt, why="The glue was dead", left_usable="the veneer", again="otherwise"),
    )
    page = helper_client.get(reverse("attempts", args=[piece.pk])).content.decode()

    attempt.refresh_from_db()
    assert attempt.has_failed
    assert attempt.ended_at is not None
    for words in ("Failed", "The glue was dead", "the veneer", "Only differently"):
        assert words in page


def test_an_attempt_can_be_opened_again_and_what_was_said_stays(owner_client, piece):
    attempt = make_attempt(piece=piece, outcome=Outcome.FAILED, why="It split")
    owner_client.post(reverse("attempt_outcome", args=[attempt.pk]), outcome(attempt, outcome="open"))
    page = owner_client.get(attempt.get_absolute_url())

    attempt.refresh_from_db()
    assert attempt.is_open
    assert attempt.ended_at is None
    assert [(one.outcome, one.why) for one in page.context["judgements"]] == [("failed", "It split")]
    assert "It split" in page.content.decode()


def test_the_second_to_say_how_it_went_sees_what_the_first_said(owner_client, helper_client, piece):
    attempt = make_attempt(piece=piece)
    helper_client.post(reverse("attempt_outcome", args=[attempt.pk]), outcome(attempt, outcome="worked"))
    response = owner_client.post(
        reverse("attempt_outcome", args=[attempt.pk]), outcome(attempt, why="It lifted")
    )

    assert response.status_code == 409
    assert "Tomas made this “Worked” meanwhile." in str(response.context["form"].errors["outcome"])
    assert response.context["form"]["why"].value() == "It lifted"
    attempt.refresh_from_db()
    assert attempt.outcome == Outcome.WORKED


def test_the_next_try_follows_the_one_that_failed(owner_client, piece):
    top = make_part(piece=piece)
    first = make_attempt(piece=piece, part=top, outcome=Outcome.FAILED)
    form = owner_client.get(reverse("attempt_new", args=[piece.pk]) + f"?follows={first.pk}").context["form"]
    owner_client.post(
        reverse("attempt_new", args=[piece.pk]),
        {
            "technique": "New veneer",
            "outcome": "open",
            "part": form["part"].value(),
            "follows": form["follows"].value(),
        },
    )

    second = Attempt.objects.get(technique="New veneer")
    assert (second.follows, second.part) == (first, top)


def test_an_attempt_cannot_follow_itself_in_a_ring(owner, piece):
    first = make_attempt(piece=piece)
    second = make_attempt(piece=piece, follows=first)
    first.follows = second

    with pytest.raises(ValidationError, match="can't follow itself"):
        bench.change_attempt(first, by=owner, now=NOON)


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"began_at": NOON + timedelta(hours=1)}, "still to come"),
        ({"technique": "  "}, "blank"),
        ({"outcome": "brilliant"}, "not a valid choice"),
    ],
)
def test_an_attempt_that_cannot_be_is_refused(piece, fields, reason):
    with pytest.raises(ValidationError, match=reason):
        make_attempt(**({"piece": piece} | fields))


def test_the_database_refuses_an_attempt_that_ends_before_it_begins(piece):
    attempt = make_attempt(piece=piece, outcome=Outcome.WORKED)

    with pytest.raises(IntegrityError), transaction.atomic():
        Attempt.objects.filter(pk=attempt.pk).update(ended_at=NOON - timedelta(days=1))


def test_hours_and_cash_of_failed_attempts_are_summed_apart(owner_client, owner, shop, piece):
    helper = make_helper(hourly_cents=2000)
    failed = make_attempt(piece=piece, outcome=Outcome.FAILED)
    worked = make_attempt(piece=piece, outcome=Outcome.WORKED)
    make_time(person=helper, minutes=90, piece=piece, attempt=failed)
    make_time(person=owner, minutes=30, piece=piece, attempt=failed)
    make_time(person=owner, minutes=45, piece=piece, attempt=worked)
    lot = Lot.objects.create(name="Hide glue", quantity_millionths=1_000_000, cost_cents=1500)
    Use.objects.create(lot=lot, piece=piece, attempt=failed, quantity_millionths=500_000, cost_cents=750)
    page = owner_client.get(reverse("attempts", args=[piece.pk]))
    figures = {one["label"]: one.get("cents", one.get("text")) for one in page.context["summary"]}

    # 1.5 h at 20.00 is 30.00, and half a lot of 15.00 is 7.50; the owner's own time costs no cash.
    assert figures == {"Failed attempts": 1, "Hours in them": "2 h 00", "Cash in them": 3750}
    assert figures_of([piece.pk], shop=shop)[piece.pk].failed_attempts == 3750
    assert attempt_costs([piece.pk], zone=shop.zone)[worked.pk].cents == 0


def test_a_corrected_outcome_moves_its_cost_out_of_the_failed_ones(shop, owner, piece):
    helper = make_helper(hourly_cents=2000)
    attempt = make_attempt(piece=piece, outcome=Outcome.FAILED)
    make_time(person=helper, minutes=60, piece=piece, attempt=attempt)
    attempt.outcome = Outcome.WORKED
    bench.change_attempt(attempt, by=owner, now=NOON)

    figures = figures_of([piece.pk], shop=shop)[piece.pk]
    assert (figures.failed_attempts, figures.paid_help) == (0, 2000)


def test_an_attempt_with_hours_on_it_is_not_taken_out(owner_client, owner, piece):
    attempt = make_attempt(piece=piece)
    make_time(person=owner, piece=piece, attempt=attempt)
    response = owner_client.post(reverse("attempt_void", args=[attempt.pk]), {"reason": "oops"})

    assert "hang on it" in said(response)[0]
    assert piece.attempts.live().exists()


def test_an_attempt_noted_by_mistake_is_taken_out_and_its_page_says_so(owner_client, piece):
    attempt = make_attempt(piece=piece)
    later = make_attempt(piece=piece, technique="Another", follows=attempt)
    owner_client.post(reverse("attempt_void", args=[attempt.pk]), {"reason": "wrong piece"})

    assert "wrong piece" in owner_client.get(attempt.get_absolute_url()).content.decode()
    assert owner_client.get(later.get_absolute_url()).status_code == 200


def test_correcting_an_attempt_keeps_the_seconds_it_began_at(owner_client, piece):
    attempt = make_attempt(piece=piece, now=NOON + timedelta(seconds=27))
    owner_client.post(
        reverse("attempt_edit", args=[attempt.pk]),
        {"technique": "Press veneer", "began_at": "2026-03-04T12:00", "version": attempt.version},
    )

    attempt.refresh_from_db()
    assert (attempt.technique, attempt.began_at) == ("Press veneer", NOON + timedelta(seconds=27))


# The log


def test_what_was_done_is_logged_with_its_parts(helper_client, helper, piece):
    top, leg = make_part(piece=piece), make_part(piece=piece, name="Leg")
    make_part(piece=piece, name="Shelf")
    helper_client.post(reverse("log", args=[piece.pk]), {"text": "Washed it", "parts": [top.pk, leg.pk]})

    entry = LogEntry.objects.get()
    assert (entry.text, entry.created_by, set(entry.parts.all())) == ("Washed it", helper, {top, leg})


def test_the_same_entry_sent_twice_is_stored_once(helper_client, piece):
    for _ in range(2):
        helper_client.post(reverse("log", args=[piece.pk]), {"text": "Washed it", "sent_id": ID})

    assert LogEntry.objects.count() == 1


def test_a_part_of_another_piece_is_no_choice(helper_client, piece):
    other = make_part(piece=make_piece(what="Chair"), name="Seat")
    response = helper_client.post(reverse("log", args=[piece.pk]), {"text": "Washed it", "parts": [other.pk]})

    assert response.status_code == 422
    assert response.context["form"]["text"].value() == "Washed it"


def log_typed(entry, **typed):
    return {
        "text": entry.text,
        "at": timezone.localtime(entry.at, CHICAGO).strftime("%Y-%m-%dT%H:%M"),
        "version": entry.version,
    } | typed


def make_entry(piece, by, text="Washed it", at=NOON):
    return bench.log_work(by=by, piece=piece, text=text, at=at, now=at)


def test_a_helper_corrects_her_own_entries_and_reads_the_others(helper_client, helper, owner, piece):
    own, owners = make_entry(piece, helper), make_entry(piece, owner)
    changed = helper_client.post(reverse("log_entry", args=[own.pk]), log_typed(own, text="Washed it twice"))
    refused = helper_client.post(reverse("log_entry", args=[owners.pk]), log_typed(owners, text="No"))

    assert (changed.status_code, refused.status_code) == (302, 403)
    assert helper_client.get(reverse("log_entry", args=[owners.pk])).status_code == 200
    assert set(LogEntry.objects.values_list("text", flat=True)) == {"Washed it twice", "Washed it"}
    assert "Washed it" in own.history.values_list("text", flat=True)


def test_a_helper_voids_only_her_own_entries(helper_client, helper, owner, piece):
    own, owners = make_entry(piece, helper), make_entry(piece, owner)

    assert helper_client.post(reverse("log_void", args=[own.pk]), {"reason": "x"}).status_code == 302
    assert helper_client.post(reverse("log_void", args=[owners.pk]), {"reason": "x"}).status_code == 403


def test_an_owner_corrects_every_entry(owner_client, helper, piece):
    entry = make_entry(piece, helper)
    owner_client.post(reverse("log_entry", args=[entry.pk]), log_typed(entry, text="Washed with soap"))

    entry.refresh_from_db()
    assert (entry.text, entry.at) == ("Washed with soap", NOON)


# Helpers, strangers, queries


def pages_of(piece, person):
    attempt = make_attempt(piece=piece, by=person, outcome=Outcome.FAILED)
    entry = make_entry(piece, person)
    make_time(person=person, piece=piece, attempt=attempt)
    lot = Lot.objects.create(name="Hide glue", quantity_millionths=1_000_000, cost_cents=1500)
    Use.objects.create(lot=lot, piece=piece, attempt=attempt, quantity_millionths=500_000, cost_cents=750)
    return [
        reverse("attempts", args=[piece.pk]),
        reverse("attempt_new", args=[piece.pk]),
        attempt.get_absolute_url(),
        reverse("attempt_outcome", args=[attempt.pk]),
        reverse("attempt_edit", args=[attempt.pk]),
        reverse("attempt_photos", args=[attempt.pk]),
        reverse("log", args=[piece.pk]),
        reverse("log_entry", args=[entry.pk]),
    ]


def test_a_helper_sees_every_page_of_the_bench_and_no_money_on_any(helper_client, helper, piece):
    HelperRate.objects.create(person=helper, from_on=date(2026, 1, 1), hourly_cents=1800)
    for url in pages_of(piece, helper):
        response = helper_client.get(url)
        assert response.status_code == 200, url
        assert not re.search(r"\$|7\.50|9\.00|class=\"money|[Cc]ash", response.content.decode()), url


def test_an_owner_opens_every_page_of_the_bench(owner_client, owner, piece):
    for url in pages_of(piece, owner):
        assert owner_client.get(url).status_code == 200, url


def test_strangers_are_sent_to_the_log_in(client, owner, piece):
    for url in pages_of(piece, owner):
        assert reverse("log_in") in client.get(url).headers["Location"]


@pytest.mark.parametrize("name", ["attempts", "log", "attempt"])
def test_lists_ask_as_often_for_thirty_rows_as_for_three(owner_client, owner, piece, name):
    part = make_part(piece=piece)
    first = make_attempt(piece=piece, part=part)
    url = {
        "attempts": reverse("attempts", args=[piece.pk]),
        "log": reverse("log", args=[piece.pk]),
        "attempt": first.get_absolute_url(),
    }[name]

    def fill(count):
        for _ in range(count):
            make_attempt(piece=piece, part=part, follows=first)
            make_time(person=owner, piece=piece, attempt=first, part=part)
            make_time(person=make_helper(), piece=make_piece(what="Chair"))
            bench.log_work(
                by=owner, piece=piece, text="Washed it", at=NOON, now=NOON, parts=[part], attempt=first
            )

    def queries():
        owner_client.get(url)
        with CaptureQueriesContext(connection) as caught:
            owner_client.get(url)
        return len(caught)

    fill(3)
    few = queries()
    fill(26)
    assert queries() == few
