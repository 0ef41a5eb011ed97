"""Timers that lose nothing, and hours that add up by the shop's own days and weeks."""

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

from flips.actions import hours
from flips.actions.undo import CannotUndo, take_back
from flips.models import TimeEntry
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
    return hours.start_timer(by=person, piece=piece, now=since or ago(minutes=40), **fields)


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

    assert response.status_code == 200
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
    hours.stop_timer(old, now=timezone.now())
    other = running(helper)
    chair = make_piece(what="Ash chair", price_cents=100)
    response = helper_client.post(reverse("timer_start", args=[chair.pk]), {"instead_of": old.pk})

    other.refresh_from_db()
    assert "Another timer runs" in response.content.decode()
    assert other.is_running


def test_a_refused_switch_leaves_the_old_timer_running(helper, piece):
    old = running(helper, piece)
    chair = make_piece(what="Ash chair")
    wrong = make_attempt(piece=piece)

    with pytest.raises(ValidationError, match="another piece"):
        hours.start_timer(by=helper, piece=chair, attempt=wrong, now=timezone.now(), instead_of=old.pk)
    old.refresh_from_db()
    assert old.is_running


def test_undoing_a_switch_lets_the_first_timer_run_on(helper, piece):
    old = running(helper, piece)
    chair = make_piece(what="Ash chair")
    hours.start_timer(by=helper, piece=chair, now=timezone.now(), instead_of=old.pk)
    take_back("switched", "flips.timeentry", str(old.pk), by=helper)

    assert TimeEntry.objects.running().get(person=helper) == old


def test_undoing_a_stop_is_refused_when_another_timer_runs(helper, piece):
    old = running(helper, piece)
    hours.stop_timer(old, now=timezone.now())
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
    assert "When did you stop?" in asked.content.decode()
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
    stopped = hours.stop_timer(timer, now=end.replace(tzinfo=CHICAGO))

    assert stopped.minutes == minutes


@pytest.mark.parametrize(
    ("seconds", "minutes"), [(0, 1), (29, 1), (89, 1), (90, 2), (149, 2), (150, 3), (3600, 60)]
)
def test_a_timer_rounds_to_the_nearest_minute_and_at_least_one(seconds, minutes):
    assert hours.minutes_between(NOON, NOON + timedelta(seconds=seconds)) == minutes


@given(st.integers(0, 172_800))
def test_rounding_is_never_off_by_more_than_half_a_minute(seconds):
    minutes = hours.minutes_between(NOON, NOON + timedelta(seconds=seconds))

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
    attempt = make_attempt(piece=piece, by=person)
    spell = make_time(person=person, piece=piece, attempt=attempt)
    timer = running(person, piece)
    return [
        reverse("hours"),
        reverse("hours") + "?week=2026-W10",
        reverse("time_new"),
        reverse("time_new") + f"?piece={piece.pk}&attempt={attempt.pk}",
        reverse("time_entry", args=[spell.pk]),
        reverse("time_entry", args=[timer.pk]),
        reverse("timer_stop", args=[timer.pk]),
    ]


def test_a_helper_sees_every_page_of_hours_and_no_money_on_any(helper_client, helper, piece):
    HelperRate.objects.create(person=helper, from_on=date(2026, 1, 1), hourly_cents=1800)
    for url in pages_of(piece, helper):
        response = helper_client.get(url)
        assert response.status_code == 200, url
        assert not re.search(r"\$|9\.00|18\.00|class=\"money", response.content.decode()), url


def test_an_owner_opens_every_page_of_hours(owner_client, owner, piece):
    for url in pages_of(piece, owner):
        assert owner_client.get(url).status_code == 200, url


def test_strangers_are_sent_to_the_log_in(client, owner, piece):
    for url in pages_of(piece, owner):
        assert reverse("log_in") in client.get(url).headers["Location"]


def test_a_week_asks_as_often_for_thirty_entries_as_for_three(owner_client, owner, piece):
    url = reverse("hours") + "?week=2026-W10"
    part, attempt = make_part(piece=piece), make_attempt(piece=piece)

    def fill(count):
        for _ in range(count):
            make_time(person=owner, piece=piece, attempt=attempt, part=part)
            helper = make_helper()
            make_time(person=helper, piece=make_piece(what="Chair"))
            running(helper)

    def queries():
        owner_client.get(url)
        with CaptureQueriesContext(connection) as caught:
            owner_client.get(url)
        return len(caught)

    fill(3)
    few = queries()
    fill(27)
    assert queries() == few
