"""The bench: attempts that stay whatever came of them, the log, timers that lose nothing, hours that add up."""

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
from hypothesis import given
from hypothesis import strategies as st

from flips.actions import bench
from flips.actions.undo import CannotUndo, take_back
from flips.models import Attempt, LogEntry, Lot, Outcome, TimeEntry, Use
from flips.models.attempt_costs import attempt_costs
from flips.models.facts import figures_of
from flips.models.people import HelperRate
from flips.weeks import Week
from tests.makers import make_attempt, make_helper, make_part, make_piece, make_time
from tests.references.weeks import DAYS

NOON = datetime(2026, 3, 4, 18, tzinfo=UTC)
CHICAGO = ZoneInfo("America/Chicago")
ID = "6f2b7a52-4a0e-4b1c-9f7d-0d3c1f0a7e11"


@pytest.fixture
def piece(owner):
    return make_piece(price_cents=8000)


def said(response):
    return [str(message) for message in get_messages(response.wsgi_request)]


def ago(**span):
    return timezone.now() - timedelta(**span)


def running(person, piece=None, *, since=None, **fields):
    """A timer that has been running for a while."""
    return bench.start_timer(by=person, piece=piece, now=since or ago(minutes=40), **fields)


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
    bench.start_timer(by=owner, piece=piece, attempt=attempt, now=NOON)
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


# Timers


def test_a_timer_starts_and_stops_from_the_piece(helper_client, helper, piece):
    helper_client.post(reverse("timer_start", args=[piece.pk]))
    timer = TimeEntry.objects.running().get(person=helper)
    TimeEntry.objects.filter(pk=timer.pk).update(started_at=ago(minutes=25))
    response = helper_client.post(reverse("timer_stop", args=[timer.pk]))

    timer.refresh_from_db()
    assert (timer.minutes, timer.piece) == (25, piece)
    assert said(response)[-1] == "25 min on Oak dresser."


def test_starting_sent_twice_starts_once(helper_client, piece):
    for _ in range(2):
        helper_client.post(reverse("timer_start", args=[piece.pk]), {"sent_id": ID})

    assert TimeEntry.objects.count() == 1


def test_a_start_sent_again_after_the_stop_starts_nothing(helper_client, helper, piece):
    helper_client.post(reverse("timer_start", args=[piece.pk]), {"sent_id": ID})
    helper_client.post(reverse("timer_stop", args=[TimeEntry.objects.get().pk]))
    helper_client.post(reverse("timer_start", args=[piece.pk]), {"sent_id": ID})

    assert not TimeEntry.objects.running().exists()
    assert TimeEntry.objects.count() == 1


def test_stopping_twice_keeps_the_first_minutes(helper_client, helper, piece):
    timer = running(helper, piece)
    for _ in range(2):
        response = helper_client.post(reverse("timer_stop", args=[timer.pk]))

    assert "Stopped already: 40 min." in said(response)
    assert TimeEntry.objects.get().minutes == 40


def test_the_database_refuses_a_second_running_timer(helper, piece):
    running(helper, piece)

    with pytest.raises(IntegrityError), transaction.atomic():
        TimeEntry.objects.create(person=helper, piece=piece, started_at=NOON)


def test_two_people_time_the_same_piece(helper, owner, piece):
    running(helper, piece)
    running(owner, piece)

    assert TimeEntry.objects.running().count() == 2


def test_starting_another_timer_asks_and_changes_nothing_yet(helper_client, helper, piece):
    running(helper, piece)
    chair = make_piece(what="Ash chair", price_cents=100)
    response = helper_client.post(reverse("timer_start", args=[chair.pk]))

    assert response.status_code == 409
    assert "Stop that one and start Ash chair" in response.content.decode()
    assert TimeEntry.objects.get().is_running


def test_one_tap_stops_the_old_timer_and_starts_the_new(helper_client, helper, piece):
    old = running(helper, piece)
    chair = make_piece(what="Ash chair", price_cents=100)
    helper_client.post(reverse("timer_start", args=[chair.pk]), {"instead_of": old.pk})

    old.refresh_from_db()
    assert old.minutes == 40
    assert TimeEntry.objects.running().get(person=helper).piece == chair


def test_a_switch_sent_twice_switches_once(helper_client, helper, piece):
    old = running(helper, piece)
    chair = make_piece(what="Ash chair", price_cents=100)
    for _ in range(2):
        helper_client.post(reverse("timer_start", args=[chair.pk]), {"instead_of": old.pk, "sent_id": ID})

    assert TimeEntry.objects.count() == 2


def test_a_switch_stops_only_the_timer_that_was_shown(helper_client, helper, piece):
    old = running(helper, piece)
    bench.stop_timer(old, now=timezone.now())
    other = running(helper)
    chair = make_piece(what="Ash chair", price_cents=100)
    response = helper_client.post(reverse("timer_start", args=[chair.pk]), {"instead_of": old.pk})

    other.refresh_from_db()
    assert response.status_code == 409
    assert other.is_running


def test_a_refused_switch_leaves_the_old_timer_running(helper, piece):
    old = running(helper, piece)
    chair = make_piece(what="Ash chair")
    wrong = make_attempt(piece=piece)

    with pytest.raises(ValidationError, match="another piece"):
        bench.start_timer(by=helper, piece=chair, attempt=wrong, now=timezone.now(), instead_of=old.pk)
    old.refresh_from_db()
    assert old.is_running


def test_undoing_a_switch_lets_the_first_timer_run_on(helper, piece):
    old = running(helper, piece)
    chair = make_piece(what="Ash chair")
    bench.start_timer(by=helper, piece=chair, now=timezone.now(), instead_of=old.pk)
    take_back("switched", "flips.timeentry", str(old.pk), by=helper)

    assert TimeEntry.objects.running().get(person=helper) == old


def test_undoing_a_stop_is_refused_when_another_timer_runs(helper, piece):
    old = running(helper, piece)
    bench.stop_timer(old, now=timezone.now())
    running(helper)

    with pytest.raises(CannotUndo, match="Another timer runs"):
        take_back("stopped", "flips.timeentry", str(old.pk), by=helper)


def test_a_voided_timer_comes_back_only_when_no_other_runs(helper, piece):
    old = running(helper, piece)
    old.void(by=helper, reason="oops")
    running(helper)

    with pytest.raises(CannotUndo, match="Another timer runs"):
        take_back("time voided", "flips.timeentry", str(old.pk), by=helper)


def test_a_helper_cannot_stop_somebody_elses_timer(helper_client, owner, piece):
    timer = running(owner, piece)

    assert helper_client.post(reverse("timer_stop", args=[timer.pk])).status_code == 403
    assert helper_client.get(reverse("timer_stop", args=[timer.pk])).status_code == 403


def test_the_running_timer_is_on_every_page_with_its_start(helper_client, helper, piece):
    timer = running(helper, piece)
    page = helper_client.get(reverse("parts", args=[piece.pk])).content.decode()

    assert f'data-started="{int(timer.started_at.timestamp())}"' in page


def test_a_timer_left_running_is_asked_about_before_it_is_stopped(helper_client, helper, piece):
    timer = running(helper, piece, since=ago(hours=9))
    response = helper_client.post(reverse("timer_stop", args=[timer.pk]), follow=True)

    timer.refresh_from_db()
    assert timer.is_running
    assert "When did you stop?" in response.content.decode()
    assert [value for value, _ in response.context["form"].fields["how"].choices] == [
        "now",
        *"123468",
        "at",
    ]


@pytest.mark.parametrize(
    ("typed", "minutes"), [({"how": "2"}, 120), ({"how": "now"}, 540), ({"how": "8"}, 480)]
)
def test_a_timer_left_running_stops_when_she_says(helper_client, helper, piece, typed, minutes):
    timer = running(helper, piece, since=ago(hours=9))
    helper_client.post(reverse("timer_stop", args=[timer.pk]), typed)

    timer.refresh_from_db()
    assert timer.minutes == minutes


def test_a_timer_left_running_stops_at_a_typed_time(helper_client, helper, piece):
    start = ago(hours=30).replace(second=0, microsecond=0)
    timer = running(helper, piece, since=start)
    end = timezone.localtime(start + timedelta(minutes=100), CHICAGO)
    helper_client.post(reverse("timer_stop", args=[timer.pk]), {"how": "at", "at": f"{end:%Y-%m-%dT%H:%M}"})

    timer.refresh_from_db()
    assert timer.minutes == 100


@pytest.mark.parametrize(
    ("offset", "reason"),
    [(timedelta(hours=-10), "end before it began"), (timedelta(hours=10), "still to come")],
)
def test_a_stop_before_the_start_or_still_to_come_is_refused(helper_client, helper, piece, offset, reason):
    timer = running(helper, piece, since=ago(hours=9))
    end = timezone.localtime(timezone.now() + offset, CHICAGO)
    response = helper_client.post(
        reverse("timer_stop", args=[timer.pk]), {"how": "at", "at": f"{end:%Y-%m-%dT%H:%M}"}
    )

    timer.refresh_from_db()
    assert timer.is_running
    assert response.status_code == 422
    assert reason in str(response.context["form"].errors["at"])


def test_a_timer_that_ran_for_a_week_cannot_be_stopped_now(helper_client, helper, piece):
    timer = running(helper, piece, since=ago(days=7))
    page = helper_client.get(reverse("timer_stop", args=[timer.pk]))
    refused = helper_client.post(reverse("timer_stop", args=[timer.pk]), {"how": "now"})

    assert "now" not in dict(page.context["form"].fields["how"].choices)
    assert refused.status_code == 422
    assert helper_client.post(reverse("timer_stop", args=[timer.pk]), {"how": "3"}).status_code == 302


def test_switching_away_from_a_timer_left_running_asks_when_it_stopped(helper_client, helper, piece):
    old = running(helper, piece, since=ago(hours=9))
    chair = make_piece(what="Ash chair", price_cents=100)
    asked = helper_client.post(reverse("timer_start", args=[chair.pk]), {"instead_of": old.pk})
    helper_client.post(reverse("timer_start", args=[chair.pk]), {"instead_of": old.pk, "how": "2"})

    old.refresh_from_db()
    assert asked.status_code == 409
    assert old.minutes == 120
    assert TimeEntry.objects.running().get(person=helper).piece == chair


# Source of both: the tz database's rule for America/Chicago, clocks forward 8 March 2026 and back 1 November 2026 at 2 a.m.
@pytest.mark.parametrize(
    ("start", "end", "minutes"),
    [
        (datetime(2026, 3, 4, 23, 30), datetime(2026, 3, 5, 0, 45), 75),
        (datetime(2026, 3, 8, 1, 30), datetime(2026, 3, 8, 3, 30), 60),
        (datetime(2026, 11, 1, 0, 30), datetime(2026, 11, 1, 2, 30), 180),
        (datetime(2026, 12, 31, 23, 50), datetime(2027, 1, 1, 0, 10), 20),
    ],
    ids=["over midnight", "clocks forward", "clocks back", "over new year"],
)
def test_minutes_are_those_that_really_passed(helper, piece, start, end, minutes):
    timer = running(helper, piece, since=start.replace(tzinfo=CHICAGO))
    stopped = bench.stop_timer(timer, now=end.replace(tzinfo=CHICAGO))

    assert stopped.minutes == minutes


@pytest.mark.parametrize(
    ("seconds", "minutes"), [(0, 1), (29, 1), (89, 1), (90, 2), (149, 2), (150, 3), (3600, 60)]
)
def test_a_timer_rounds_to_the_nearest_minute_and_at_least_one(seconds, minutes):
    assert bench.minutes_between(NOON, NOON + timedelta(seconds=seconds)) == minutes


@given(st.integers(0, 172_800))
def test_rounding_is_never_off_by_more_than_half_a_minute(seconds):
    minutes = bench.minutes_between(NOON, NOON + timedelta(seconds=seconds))

    assert minutes == 1 or abs(60 * minutes - seconds) <= 30


# Hours


def test_one_tap_adds_the_half_hour_that_has_just_passed(helper_client, helper, piece):
    helper_client.post(reverse("add_minutes", args=[piece.pk]), {"minutes": "30"})

    entry = TimeEntry.objects.get()
    assert (entry.minutes, entry.person, entry.piece, entry.typed) == (30, helper, piece, True)
    assert abs(entry.started_at + timedelta(minutes=30) - timezone.now()) < timedelta(minutes=1)


def test_two_taps_are_two_half_hours_and_one_sent_twice_is_one(helper_client, piece):
    for sent_id in (ID, ID, ID.replace("6f", "7f")):
        helper_client.post(reverse("add_minutes", args=[piece.pk]), {"minutes": "30", "sent_id": sent_id})

    assert TimeEntry.objects.count() == 2


def test_minutes_added_on_an_attempt_hang_on_it(helper_client, piece):
    attempt = make_attempt(piece=piece)
    helper_client.post(reverse("add_minutes", args=[piece.pk]) + f"?attempt={attempt.pk}", {"minutes": "15"})

    assert TimeEntry.objects.get().attempt == attempt


@pytest.mark.parametrize("minutes", ["", "7", "-30", "x"])
def test_other_minutes_than_the_buttons_offer_are_not_found(helper_client, piece, minutes):
    assert (
        helper_client.post(reverse("add_minutes", args=[piece.pk]), {"minutes": minutes}).status_code == 404
    )


def test_hours_are_typed_as_people_write_them(helper_client, helper, piece):
    helper_client.post(
        reverse("time_new"), {"minutes": "1:30", "on": "2026-03-04", "began": "14:15", "piece": piece.pk}
    )

    entry = TimeEntry.objects.get()
    assert (entry.minutes, entry.person) == (90, helper)
    assert entry.started_at == datetime(2026, 3, 4, 14, 15, tzinfo=CHICAGO)


def test_an_owner_enters_hours_for_a_helper(owner_client, owner, helper, piece):
    owner_client.post(
        reverse("time_new"),
        {"minutes": "45", "on": "2026-03-04", "piece": piece.pk, "person": helper.pk},
    )

    entry = TimeEntry.objects.get()
    assert (entry.person, entry.created_by) == (helper, owner)


def test_a_helper_cannot_enter_hours_for_another(helper_client, helper, owner, piece):
    helper_client.post(reverse("time_new"), {"minutes": "45", "on": "2026-03-04", "person": owner.pk})

    assert TimeEntry.objects.get().person == helper


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"minutes": "abc", "on": "2026-03-04"}, "minutes"),
        ({"minutes": "49 h", "on": "2026-03-04"}, "minutes"),
        ({"minutes": "30", "on": "2099-01-01"}, "on"),
        ({"minutes": "30", "on": "2026-03-08", "began": "02:30"}, "began"),
        ({"minutes": "30", "on": "2026-03-04", "piece": "999"}, "piece"),
    ],
)
def test_hours_that_cannot_be_are_refused_beside_their_field(helper_client, typed, field):
    response = helper_client.post(reverse("time_new"), typed)

    assert response.status_code == 422
    assert field in response.context["form"].errors
    assert response.context["form"]["minutes"].value() == typed["minutes"]
    assert not TimeEntry.objects.exists()


def test_an_hour_that_comes_twice_is_taken_as_the_first(helper_client):
    helper_client.post(reverse("time_new"), {"minutes": "30", "on": "2025-11-02", "began": "01:30"})

    # The tz database: clocks in Chicago went back on 2 November 2025 at 2 a.m.; the first 1:30 was at UTC-5.
    assert TimeEntry.objects.get().started_at == datetime(2025, 11, 2, 6, 30, tzinfo=UTC)


def corrected(entry, **typed):
    return {
        "minutes": entry.minutes,
        "started_at": timezone.localtime(entry.started_at, CHICAGO).strftime("%Y-%m-%dT%H:%M"),
        "piece": entry.piece_id or "",
        "note": entry.note,
        "version": entry.version,
    } | typed


def test_a_correction_keeps_the_old_minutes_to_be_seen(helper_client, helper, piece):
    entry = make_time(person=helper, minutes=30, piece=piece)
    helper_client.post(reverse("time_entry", args=[entry.pk]), corrected(entry, minutes="1:15"))
    page = helper_client.get(reverse("time_entry", args=[entry.pk]))

    entry.refresh_from_db()
    assert entry.minutes == 75
    assert [one.minutes for one in page.context["before"]] == [75, 30]
    assert "30 min" in page.content.decode()


def test_correcting_the_minutes_keeps_the_second_hour_of_a_clock_change(helper_client, helper, piece):
    second = datetime(2025, 11, 2, 7, 30, 12, tzinfo=UTC)
    entry = make_time(person=helper, minutes=30, now=second + timedelta(minutes=30), piece=piece)
    helper_client.post(reverse("time_entry", args=[entry.pk]), corrected(entry, minutes="40"))

    entry.refresh_from_db()
    assert (entry.minutes, entry.started_at) == (40, second)


def test_a_helper_corrects_only_her_own_hours(helper_client, owner, piece):
    entry = make_time(person=owner, piece=piece)

    assert (
        helper_client.post(reverse("time_entry", args=[entry.pk]), corrected(entry, minutes="5")).status_code
        == 403
    )
    assert helper_client.post(reverse("time_void", args=[entry.pk]), {"reason": "x"}).status_code == 403
    assert helper_client.get(reverse("time_entry", args=[entry.pk])).status_code == 200


def test_hours_moved_to_another_piece_leave_the_old_attempt_behind(owner_client, owner, piece):
    chair = make_piece(what="Ash chair", price_cents=100)
    entry = make_time(person=owner, piece=piece, attempt=make_attempt(piece=piece))
    owner_client.post(
        reverse("time_entry", args=[entry.pk]),
        corrected(entry, piece=chair.pk, attempt=entry.attempt_id, person=owner.pk),
    )

    entry.refresh_from_db()
    assert (entry.piece, entry.attempt) == (chair, None)


def test_hours_on_an_attempt_of_another_piece_are_refused(owner, piece):
    with pytest.raises(ValidationError, match="another piece"):
        make_time(person=owner, piece=make_piece(what="Chair"), attempt=make_attempt(piece=piece))


def test_voided_hours_count_no_more_and_come_back_with_undo(helper_client, helper, shop, piece):
    entry = make_time(person=helper, minutes=30, piece=piece)
    helper_client.post(reverse("time_void", args=[entry.pk]), {"reason": "double"})
    assert TimeEntry.objects.finished().count() == 0

    take_back("time voided", "flips.timeentry", str(entry.pk), by=helper)
    assert TimeEntry.objects.finished().count() == 1


def test_the_rate_of_july_leaves_june_as_it_was(shop, helper, piece):
    for day, cents in ((date(2026, 1, 1), 1800), (date(2026, 7, 1), 2400)):
        HelperRate.objects.create(person=helper, from_on=day, hourly_cents=cents)
    make_time(person=helper, minutes=60, now=datetime(2026, 6, 30, 23, 30, tzinfo=CHICAGO), piece=piece)
    make_time(person=helper, minutes=60, now=datetime(2026, 7, 1, 0, 30, tzinfo=CHICAGO), piece=piece)
    make_time(person=helper, minutes=60, now=datetime(2026, 7, 1, 9, tzinfo=CHICAGO), piece=piece)

    # The second began at 23:30 on 30 June, so it is paid as June.
    assert figures_of([piece.pk], shop=shop)[piece.pk].paid_help == 1800 + 1800 + 2400


# The week


def hours_page(client, week):
    return client.get(reverse("hours"), {"week": week}).context


@pytest.mark.parametrize(("day", "week", "weekday"), DAYS)
def test_a_day_lies_in_its_iso_week(day, week, weekday):
    found = Week.of(date.fromisoformat(day))

    assert str(found) == week
    assert found.days[weekday - 1] == date.fromisoformat(day)


@given(st.dates(date(1971, 1, 1), date(2099, 12, 31)))
def test_week_one_holds_the_first_thursday_and_weeks_follow_on(day):
    week = Week.of(day)
    thursday = week.first + timedelta(days=3)

    # ISO 8601: a week belongs to the year its Thursday lies in.
    assert week.first.weekday() == 0
    assert week.year == thursday.year
    assert week.number == (thursday.timetuple().tm_yday - 1) // 7 + 1
    assert week.after.before == week
    assert Week.read(str(week)) == week


@pytest.mark.parametrize(
    "text", ["", "2025-W53", "2026-W00", "2026-1", "abc", "0001-W01", "9999-W52", "2026-W54"]
)
def test_a_week_that_is_none_shows_this_week(owner_client, text):
    assert Week.read(text) is None
    assert hours_page(owner_client, text)["is_this_week"]


def test_a_week_runs_from_local_monday_to_local_sunday(owner_client, owner, piece):
    for start in (
        datetime(2026, 3, 1, 23, 59),
        datetime(2026, 3, 2, 0, 0),
        datetime(2026, 3, 8, 23, 59),
        datetime(2026, 3, 9, 0, 0),
    ):
        make_time(
            person=owner, minutes=10, now=start.replace(tzinfo=CHICAGO) + timedelta(minutes=10), piece=piece
        )
    (one,) = hours_page(owner_client, "2026-W10")["people"]

    # The week of the clock change is an hour short, and still ends at Sunday's local midnight.
    assert one["minutes"] == 20
    assert one["days"] == [(date(2026, 3, 2), 10), (date(2026, 3, 8), 10)]


def test_time_past_midnight_counts_on_the_day_it_began(owner_client, owner, piece):
    make_time(person=owner, minutes=90, now=datetime(2026, 3, 5, 0, 45, tzinfo=CHICAGO), piece=piece)
    (one,) = hours_page(owner_client, "2026-W10")["people"]

    assert one["days"] == [(date(2026, 3, 4), 90)]
    assert one["rows"][0].span == "23:15 to 00:45 next day"


def test_each_person_has_a_total_and_the_totals_add_up(owner_client, owner, helper, piece):
    for person, minutes in ((owner, 30), (helper, 45), (helper, 50)):
        make_time(person=person, minutes=minutes, piece=piece)
    context = hours_page(owner_client, "2026-W10")

    assert {str(one["person"]): one["minutes"] for one in context["people"]} == {"Vera": 30, "Tomas": 95}
    assert context["total"] == 125


def test_running_timers_of_others_are_shown_and_asked_about(owner_client, helper, piece):
    running(helper, piece, since=ago(hours=9))
    page = owner_client.get(reverse("hours")).content.decode()

    assert "Is Tomas still at it?" in page


# Helpers, strangers, queries


def pages_of(piece, person):
    attempt = make_attempt(piece=piece, by=person, outcome=Outcome.FAILED)
    entry = make_entry(piece, person)
    spell = make_time(person=person, piece=piece, attempt=attempt)
    lot = Lot.objects.create(name="Hide glue", quantity_millionths=1_000_000, cost_cents=1500)
    Use.objects.create(lot=lot, piece=piece, attempt=attempt, quantity_millionths=500_000, cost_cents=750)
    timer = running(person, piece)
    return [
        reverse("attempts", args=[piece.pk]),
        reverse("attempt_new", args=[piece.pk]),
        attempt.get_absolute_url(),
        reverse("attempt_outcome", args=[attempt.pk]),
        reverse("attempt_edit", args=[attempt.pk]),
        reverse("attempt_photos", args=[attempt.pk]),
        reverse("log", args=[piece.pk]),
        reverse("log_entry", args=[entry.pk]),
        reverse("hours"),
        reverse("hours") + "?week=2026-W10",
        reverse("time_new"),
        reverse("time_new") + f"?piece={piece.pk}&attempt={attempt.pk}",
        reverse("time_entry", args=[spell.pk]),
        reverse("time_entry", args=[timer.pk]),
        reverse("timer_stop", args=[timer.pk]),
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


@pytest.mark.parametrize("name", ["attempts", "log", "hours", "attempt"])
def test_lists_ask_as_often_for_thirty_rows_as_for_three(owner_client, owner, piece, name):
    part = make_part(piece=piece)
    first = make_attempt(piece=piece, part=part)
    url = {
        "attempts": reverse("attempts", args=[piece.pk]),
        "log": reverse("log", args=[piece.pk]),
        "hours": reverse("hours") + "?week=2026-W10",
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
