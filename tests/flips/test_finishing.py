"""The finish of a piece and the day plan: built, judged, ticked, moved by room and hours, read by a calendar."""

import io
from datetime import UTC, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone
from icalendar import Calendar
from pypdf import PdfReader

from finishes.models import FinishSchedule, shop_shelf
from finishes.products import find_product
from finishes.recipes import USUAL
from flips.actions import finishing
from flips.actions.finishing import rows_of
from flips.models import (
    BenchHours,
    CalendarFeed,
    Part,
    PieceSchedule,
    RoomReading,
    ScheduleStep,
    StepDone,
)
from flips.models.day_plan import bench_plan
from flips.models.next_steps import next_steps
from flips.pages.recipes import RecipeForm
from tests.flips.conftest import signed_in
from tests.makers import make_helper, make_piece

pytestmark = pytest.mark.django_db

# A Monday, eight in the morning in Chicago.
MONDAY = datetime(2026, 3, 2, 14, 0, tzinfo=UTC)
POLY = "brushing oil polyurethane"


@pytest.fixture
def dresser(owner):
    return make_piece(by=owner, what="Oak dresser", price_cents=8000, stage="in_work")


def add(owner_of_steps, by, action, shipped="", **fields):
    return finishing.add_step(owner_of_steps, by=by, action=action, shipped=shipped, **fields)


def planned(piece, by, *steps, group="All of it", **fields):
    """A schedule of (action, product) steps."""
    schedule = finishing.plan_finish(piece, by=by, group=group, **fields)
    for step in steps:
        add(schedule, by, *step)
    return schedule


def recipe_of(by, name="Oil, then wax"):
    form = RecipeForm({"name": name, "usual": name, "over": "bare wood"}, shelf=shop_shelf())
    assert form.is_valid()
    return finishing.new_recipe(by=by, name=name, over="bare wood", steps=form.steps())


def plan_at(shop, now=MONDAY):
    return bench_plan(now=now, shop=shop)


def local(moment):
    return f"{moment:%a %H:%M}"


def tick(schedule, number, *, by, at):
    return finishing.tick(rows_of(schedule)[number], by=by, done_at=at, now=at)


# Building


def test_a_recipe_is_copied_and_later_changes_leave_the_copy_alone(dresser, owner):
    recipe = recipe_of(owner)
    schedule = finishing.plan_finish(dresser, by=owner, recipe=recipe)
    finishing.remove_step(rows_of(recipe)[0], by=owner)

    assert len(rows_of(schedule)) == len(USUAL["Oil, then wax"])
    assert len(rows_of(recipe)) == len(USUAL["Oil, then wax"]) - 1


def test_a_recipe_that_would_fail_is_not_put_on_a_piece(dresser, owner, owner_client):
    wrong = finishing.new_recipe(by=owner, name="Wax first", over="bare wood")
    add(wrong, owner, "wax", "paste wax")
    add(wrong, owner, "coat", POLY)

    answer = owner_client.post(
        reverse("piece_schedule_new", args=[dresser.pk]),
        {"group": "Top", "recipe": wrong.pk, "over": "bare wood", "sides": "show"},
    )

    assert answer.status_code == 422
    text = answer.content.decode()
    assert "Nothing sticks to wax" in text
    assert "Move the wax to the end" in text
    assert 'value="Top"' in text
    assert not PieceSchedule.objects.exists()


def test_a_recipe_for_bare_wood_is_judged_on_the_surface_it_is_put_on(dresser, owner):
    recipe = recipe_of(owner)

    with pytest.raises(ValidationError, match="keeps it out of the wood"):
        finishing.plan_finish(dresser, by=owner, recipe=recipe, over="old finish")


def test_a_step_that_makes_a_schedule_fail_is_shown_with_its_reason_and_keeps_it_off_the_calendar(
    dresser, owner, owner_client, shop
):
    schedule = planned(dresser, owner, ("wax", "paste wax"), ("coat", "waterborne clear"))

    page = owner_client.get(schedule.get_absolute_url()).content.decode()
    assert "Would fail: " in page
    assert "Nothing sticks to wax" in page
    assert plan_at(shop).doings == ()
    assert plan_at(shop).refused[0].blocking[0].rule == "wax below"


def test_one_tap_puts_it_right(dresser, owner, owner_client, shop):
    schedule = planned(dresser, owner, ("wax", "paste wax"), ("coat", POLY))

    owner_client.post(reverse("schedule_right", args=[schedule.pk]), {"step": "2", "rule": "wax below"})

    assert [row.action for row in rows_of(schedule)] == ["coat", "wax"]
    assert plan_at(shop).refused == ()
    assert len(plan_at(shop).doings) == 2


def test_what_is_no_longer_wrong_cannot_be_put_right_twice(dresser, owner, owner_client):
    schedule = planned(dresser, owner, ("wax", "paste wax"), ("coat", "waterborne clear"))
    for _ in range(2):
        owner_client.post(reverse("schedule_right", args=[schedule.pk]), {"step": "2", "rule": "wax below"})

    assert [row.action for row in rows_of(schedule)] == ["coat", "wax"]


def test_she_may_know_better_but_not_about_poison(dresser, owner, shop):
    schedule = planned(dresser, owner, ("wax", "paste wax"), ("coat", "waterborne clear"), anyway="tried it")
    assert len(plan_at(shop).doings) == 2

    other = planned(
        dresser,
        owner,
        ("bleach", find_product("oxalic").name),
        ("bleach", "chlorine bleach"),
        group="Back",
        anyway="in a hurry",
    )
    assert {one.schedule for one in plan_at(shop).refused} == {other}
    assert schedule.anyway


def test_steps_move_and_the_order_is_kept(dresser, owner):
    schedule = planned(dresser, owner, ("sand",), ("coat", POLY), ("rub",))
    finishing.move_step(rows_of(schedule)[2], up=True)

    assert [row.action for row in rows_of(schedule)] == ["sand", "rub", "coat"]
    assert [row.place for row in rows_of(schedule)] == [0, 1, 2]


def test_a_step_can_be_put_in_between(dresser, owner):
    schedule = planned(dresser, owner, ("sand",), ("coat", POLY))
    add(schedule, owner, "clean", at=1)

    assert [row.action for row in rows_of(schedule)] == ["sand", "clean", "coat"]


def test_what_is_done_stays_where_it_is(dresser, owner):
    schedule = planned(dresser, owner, ("sand",), ("coat", POLY))
    tick(schedule, 0, by=owner, at=MONDAY)

    with pytest.raises(ValidationError, match="done"):
        finishing.move_step(rows_of(schedule)[1], up=True)
    with pytest.raises(ValidationError, match="done"):
        finishing.remove_step(rows_of(schedule)[0], by=owner)
    with pytest.raises(ValidationError, match="done"):
        add(schedule, owner, "clean", at=0)


def test_a_step_is_added_on_the_page_by_its_product_alone(dresser, owner, owner_client):
    schedule = planned(dresser, owner)
    answer = owner_client.post(
        reverse("schedule_step_new", args=[schedule.pk]), {"product": "type-danish oil", "wait": "2 days"}
    )

    (row,) = rows_of(schedule)
    assert answer.status_code == 302
    assert (row.action, row.shipped, row.wait_minutes) == ("coat", "danish oil", 2880)


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        ({"wait": "soon", "product": "type-danish oil"}, "is not a time"),
        ({"action": "coat"}, "Say what to coat with"),
        ({}, "Say what to do, or choose a product"),
        ({"action": "wait"}, "Say how long to wait"),
    ],
)
def test_a_step_that_cannot_be_read_is_refused_and_kept_as_typed(dresser, owner, owner_client, sent, said):
    schedule = planned(dresser, owner)
    answer = owner_client.post(
        reverse("schedule_step_new", args=[schedule.pk]), sent | {"remark": "foam brush"}
    )

    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert 'value="foam brush"' in answer.content.decode()


def test_a_piece_cannot_have_two_finishes_on_the_same_parts(dresser, owner):
    planned(dresser, owner)
    with pytest.raises(ValidationError, match="have a finish already"):
        planned(dresser, owner)


def test_a_step_without_a_known_action_is_refused_by_the_database(dresser, owner):
    schedule = planned(dresser, owner)
    with pytest.raises(IntegrityError), transaction.atomic():
        ScheduleStep.objects.create(schedule=schedule, action="polish")


def test_the_steps_of_a_piece_become_a_recipe(dresser, owner, owner_client):
    schedule = planned(dresser, owner, ("sand",), ("coat", POLY))
    owner_client.post(reverse("schedule_keep", args=[schedule.pk]), {"name": "As on the dresser"})

    kept = FinishSchedule.objects.get(name="As on the dresser")
    assert [row.action for row in rows_of(kept)] == ["sand", "coat"]


# The day plan


def test_two_pieces_share_one_pair_of_hands(dresser, owner, shop):
    chair = make_piece(by=owner, what="Beech chair", price_cents=2000, stage="in_work")
    planned(dresser, owner, ("coat", POLY), group="Top")
    planned(chair, owner, ("coat", POLY))

    starts = [(str(d.schedule.piece), local(d.planned.starts)) for d in plan_at(shop).doings]
    assert starts == [("Oak dresser", "Mon 08:00"), ("Beech chair", "Mon 08:30")]


def test_two_pairs_of_hands_work_side_by_side(dresser, owner, shop):
    BenchHours.objects.create(hands=2)
    chair = make_piece(by=owner, what="Beech chair", price_cents=2000, stage="in_work")
    planned(dresser, owner, ("coat", POLY))
    planned(chair, owner, ("coat", POLY))

    assert [local(d.planned.starts) for d in plan_at(shop).doings] == ["Mon 08:00", "Mon 08:00"]


def test_the_working_week_is_the_shops_own(dresser, owner, shop):
    hours = BenchHours(mon="", tue="10:00-12:00", closed="2026-03-03")
    finishing.set_hours(hours)
    planned(dresser, owner, ("coat", POLY))

    assert [local(d.planned.starts) for d in plan_at(shop).doings] == ["Wed 08:00"]


@pytest.mark.parametrize(
    ("fields", "column"),
    [
        ({"mon": "8 to 5"}, "mon"),
        ({"closed": "christmas"}, "closed"),
        (dict.fromkeys(["mon", "tue", "wed", "thu", "fri", "sat", "sun"], ""), "mon"),
    ],
)
def test_hours_that_cannot_be_read_are_refused_at_their_day(shop, fields, column):
    with pytest.raises(ValidationError) as refused:
        finishing.set_hours(BenchHours(**fields))

    assert column in refused.value.error_dict


def test_a_cold_room_puts_the_second_coat_off_by_the_rule_of_thumb(dresser, owner, shop):
    """Twice as long for every 10 °C colder (common practice, no source): 6 h at 21 °C is 12 h at 11 °C... here 16 °C."""
    schedule = planned(dresser, owner, ("coat", POLY), ("coat", POLY))
    tick(schedule, 0, by=owner, at=MONDAY)
    warm = next(d for d in plan_at(shop).doings if d.row.place == 1).planned.earliest
    RoomReading.objects.create(at=MONDAY, celsius_hundredths=1600, temperature_text="16 °C")
    cold = next(d for d in plan_at(shop).doings if d.row.place == 1).planned.earliest

    assert local(warm) == "Mon 14:00"
    # 6 h x 2 ** 0.5 = 8 h 29 min, up to the next five minutes.
    assert local(cold) == "Mon 16:30"


def test_a_figure_as_on_the_can_moves_the_plan(dresser, owner, shop):
    schedule = planned(dresser, owner, ("coat", POLY), ("coat", POLY))
    tick(schedule, 0, by=owner, at=MONDAY)
    finishing.set_figure(by=owner, figure="recoat_from", shipped=POLY, low_text="4", unit="h", reason="label")

    second = next(d for d in plan_at(shop).doings if d.row.place == 1)
    assert local(second.planned.earliest) == "Mon 12:00"


def test_a_wait_over_the_spring_change_is_elapsed_time(dresser, owner, shop):
    # Clocks in Chicago go forward on 8 March 2026 at two: Sunday has 23 hours.
    BenchHours.objects.create(sat="00:00-24:00", sun="00:00-24:00")
    saturday = datetime(2026, 3, 7, 18, 0, tzinfo=UTC)
    schedule = planned(dresser, owner, ("coat", POLY), ("coat", POLY))
    rows = rows_of(schedule)
    rows[0].wait_minutes = 24 * 60
    rows[0].save()
    tick(schedule, 0, by=owner, at=saturday)

    second = next(d for d in plan_at(shop, saturday).doings if d.row.place == 1)
    assert second.planned.earliest.astimezone(UTC) - saturday == timedelta(hours=24)
    assert local(second.planned.earliest) == "Sun 13:00"


def test_dry_to_touch_handled_and_cured_are_apart(dresser, owner, shop):
    schedule = planned(dresser, owner, ("coat", POLY))
    tick(schedule, 0, by=owner, at=MONDAY)

    (ready,) = plan_at(shop).ready
    times = (ready.milestones.dry_to_touch, ready.milestones.may_be_handled, ready.milestones.cured)
    # Shipped figures of the type: 4 h, 24 h, 30 days.
    assert [t.astimezone(UTC) - MONDAY for t in times] == [
        timedelta(hours=4),
        timedelta(hours=24),
        timedelta(days=30),
    ]


def test_a_missed_window_says_what_to_do(dresser, owner, owner_client, shop):
    schedule = planned(dresser, owner, ("coat", POLY), ("coat", POLY))
    tick(schedule, 0, by=owner, at=timezone.now() - timedelta(days=10))

    page = owner_client.get(reverse("day_plan")).content.decode()
    assert "Window missed." in page
    assert "Scuff sand lightly with 320 paper" in page


def test_a_schedule_of_a_piece_that_is_gone_is_not_planned(dresser, owner, shop):
    from flips.actions import pieces

    planned(dresser, owner, ("coat", POLY))
    pieces.move(dresser, "scrapped", by=owner, reason="worm")

    assert plan_at(shop).doings == ()


def test_the_bench_says_that_the_second_coat_can_go_on(dresser, owner, shop):
    BenchHours.objects.create(
        **dict.fromkeys(["mon", "tue", "wed", "thu", "fri", "sat", "sun"], "00:00-24:00")
    )
    schedule = planned(dresser, owner, ("coat", POLY), ("coat", POLY))
    tick(schedule, 0, by=owner, at=MONDAY)

    early = [step.text for step in next_steps(owner=False, now=MONDAY + timedelta(hours=3))]
    later = [step.text for step in next_steps(owner=False, now=MONDAY + timedelta(hours=7, seconds=31))]

    assert not any("can go on now" in text for text in early)
    assert f"Second coat of {POLY} can go on now" in later


def test_a_room_too_cold_for_the_can_says_not_now(dresser, owner, shop):
    planned(dresser, owner, ("coat", POLY))
    RoomReading.objects.create(at=MONDAY, celsius_hundredths=500, temperature_text="41 °F")

    texts = [step.text for step in next_steps(owner=True, now=MONDAY)]
    assert f"Not now: coat of {POLY}" in texts


@pytest.mark.parametrize("name", ["day_plan", "bench"])
def test_the_plan_takes_the_same_queries_for_many_pieces(
    name, owner, owner_client, django_assert_max_num_queries
):
    def fill(count):
        for number in range(count):
            piece = make_piece(by=owner, what=f"Chair {number}", price_cents=1000, stage="in_work")
            schedule = planned(piece, owner, ("sand",), ("coat", POLY), ("coat", POLY))
            tick(schedule, 0, by=owner, at=timezone.now())

    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    fill(2)
    with CaptureQueriesContext(
        connection,
    ) as few:
        owner_client.get(reverse(name))
    fill(6)
    with django_assert_max_num_queries(len(few)):
        owner_client.get(reverse(name))


# Ticking


def test_one_tap_ticks_a_step_and_undo_takes_it_back(dresser, owner, helper_client):
    schedule = planned(dresser, owner, ("sand",), ("coat", POLY))
    row = rows_of(schedule)[0]

    answer = helper_client.post(reverse("step_tick", args=[row.pk]), follow=True)
    assert row.done is not None
    token = next(m.extra_tags for m in answer.context["messages"]).split()[0]
    helper_client.post(reverse("undo"), {"token": token})
    assert ScheduleStep.objects.get(pk=row.pk).done is None


def test_two_taps_tick_once(dresser, owner, owner_client):
    schedule = planned(dresser, owner, ("sand",))
    row = rows_of(schedule)[0]
    for _ in range(2):
        owner_client.post(reverse("step_tick", args=[row.pk]))

    assert StepDone.objects.filter(step=row).count() == 1


def test_ticking_twice_at_once_is_refused_by_the_database(dresser, owner):
    row = rows_of(planned(dresser, owner, ("sand",)))[0]
    StepDone.objects.create(step=row)
    with pytest.raises(IntegrityError), transaction.atomic():
        StepDone.objects.create(step=row)


def test_a_step_is_not_ticked_before_the_one_before_it(dresser, owner):
    schedule = planned(dresser, owner, ("sand",), ("coat", POLY))
    with pytest.raises(ValidationError, match="First comes “sand”"):
        tick(schedule, 1, by=owner, at=MONDAY)


def test_a_wait_is_over_once_what_follows_is_done(dresser, owner):
    schedule = planned(dresser, owner, ("coat", POLY))
    add(schedule, owner, "wait", wait_minutes=600)
    add(schedule, owner, "coat", POLY)
    tick(schedule, 0, by=owner, at=MONDAY)
    tick(schedule, 2, by=owner, at=MONDAY + timedelta(hours=12))

    assert all(row.done for row in rows_of(schedule))


def test_the_time_it_was_really_done_can_be_typed(dresser, owner, owner_client, shop):
    schedule = planned(dresser, owner, ("sand",))
    row = rows_of(schedule)[0]
    owner_client.post(reverse("step_tick", args=[row.pk]), {"done_at": "2026-03-02T07:45"})

    assert row.done.done_at == datetime(2026, 3, 2, 13, 45, tzinfo=UTC)


def test_nothing_is_done_in_the_future_or_before_the_step_before(dresser, owner):
    schedule = planned(dresser, owner, ("sand",), ("coat", POLY))
    rows = rows_of(schedule)
    with pytest.raises(ValidationError, match="still to come"):
        finishing.tick(rows[0], by=owner, done_at=MONDAY + timedelta(days=1), now=MONDAY)
    tick(schedule, 0, by=owner, at=MONDAY)
    with pytest.raises(ValidationError, match="later than that"):
        finishing.tick(rows[1], by=owner, done_at=MONDAY - timedelta(hours=1), now=MONDAY)


def test_a_tick_is_taken_away_from_the_last_one_back(dresser, owner):
    schedule = planned(dresser, owner, ("sand",), ("clean",))
    for number in range(2):
        tick(schedule, number, by=owner, at=MONDAY)
    rows = rows_of(schedule)

    with pytest.raises(ValidationError, match="later step"):
        finishing.untick(rows[0], by=owner, reason="no")
    finishing.untick(rows[1], by=owner, reason="no")
    assert rows_of(schedule)[1].done is None


def test_after_oil_the_rags_are_spoken_of_where_she_looks_next(dresser, owner, owner_client):
    schedule = planned(dresser, owner, ("coat", "danish oil"), ("wipe",))
    said = "Oily rags can set themselves on fire"
    assert said not in owner_client.get(reverse("day_plan")).content.decode().split("<ol")[0]

    owner_client.post(reverse("step_tick", args=[rows_of(schedule)[0].pk]))

    for address in (reverse("day_plan"), reverse("piece_finish", args=[dresser.pk])):
        assert 'id="rags"' in owner_client.get(address).content.decode()
    StepDone.objects.update(done_at=timezone.now() - timedelta(hours=20))
    assert 'id="rags"' not in owner_client.get(reverse("day_plan")).content.decode()


def test_old_paint_is_spoken_of_before_it_is_sanded(dresser, owner, owner_client):
    schedule = planned(dresser, owner, ("sand",), over="old finish")

    assert "Old paint may hold lead" in owner_client.get(schedule.get_absolute_url()).content.decode()


# Room


def test_the_room_is_noted_in_the_shops_unit(owner_client):
    owner_client.post(reverse("room"), {"temperature": "68", "humidity": "55"})

    reading = RoomReading.objects.get()
    assert (reading.celsius_hundredths, reading.temperature_text) == (2000, "68 °F")


def test_a_room_that_cannot_be_is_refused(owner_client):
    answer = owner_client.post(reverse("room"), {"temperature": "400", "humidity": "55"})

    assert answer.status_code == 422
    assert "No workshop is that cold or hot." in answer.content.decode()


def test_a_room_near_its_dew_point_is_said(owner_client):
    # 15 °C at 90 % has its dew point near 13.4 °C (Magnus formula): less than 2.8 °C below.
    owner_client.post(reverse("room"), {"temperature": "15 C", "humidity": "90"})

    assert "Too close to the dew point" in owner_client.get(reverse("room")).content.decode()


# Calendars outside


def feed_of(client, owner, name="Vera's phone"):
    feed = finishing.new_feed(by=owner, name=name)
    return feed, client.get(reverse("calendar_feed", args=[feed.token]))


def test_a_calendar_reads_the_plan_without_logging_in(client, dresser, owner):
    schedule = planned(dresser, owner, ("sand",), ("coat", "danish oil"), ("wipe",))
    rows = rows_of(schedule)
    rows[0].remark = "paid Tomas 40 for this"
    rows[0].save()

    _, answer = feed_of(client, owner)
    calendar = Calendar.from_ical(answer.content)
    events = [event for event in calendar.walk("VEVENT") if str(event["uid"]).startswith("step-")]

    assert answer.headers["Content-Type"] == "text/calendar; charset=utf-8"
    assert [str(event["summary"]) for event in events] == [
        "Sand: Oak dresser",
        "Coat of danish oil: Oak dresser",
        "Wipe off danish oil: Oak dresser",
    ]
    assert all(event["dtstart"].dt.tzinfo is not None for event in events)
    assert all(event["dtstart"].dt.utcoffset() == timedelta(0) for event in events)
    assert b"Tomas" not in answer.content
    assert b"$" not in answer.content
    assert "Oily rags" in str(events[1]["description"])


def test_the_same_step_keeps_its_uid(client, dresser, owner):
    planned(dresser, owner, ("sand",))
    feed, first = feed_of(client, owner)
    second = client.get(reverse("calendar_feed", args=[feed.token]))

    uids = [[str(e["uid"]) for e in Calendar.from_ical(a.content).walk("VEVENT")] for a in (first, second)]
    assert uids[0] == uids[1]
    assert len(set(uids[0])) == len(uids[0])


def test_a_revoked_or_guessed_address_is_not_there(client, owner, owner_client):
    feed, answer = feed_of(client, owner)
    assert answer.status_code == 200

    owner_client.post(reverse("feed_revoke", args=[feed.pk]))

    assert client.get(reverse("calendar_feed", args=[feed.token])).status_code == 404
    assert client.get(reverse("calendar_feed", args=["x" * 43])).status_code == 404
    assert feed.token not in owner_client.get(reverse("feeds")).content.decode()


def test_only_the_owner_makes_addresses(helper_client):
    assert helper_client.post(reverse("feeds"), {"name": "Mine"}).status_code == 403
    assert not CalendarFeed.objects.exists()


def test_tokens_cannot_be_guessed(owner):
    tokens = {finishing.new_feed(by=owner, name=f"Phone {n}").token for n in range(20)}

    assert len(tokens) == 20
    assert all(len(token) >= 40 for token in tokens)


# Products


def test_a_product_page_shows_each_figure_with_its_status(owner_client):
    page = owner_client.get(reverse("product", args=["danish-oil"])).content.decode()

    assert "common practice: common practice, no source" in page
    assert "400 to 600 ft² a US gallon" in page
    assert "Oily rags can set themselves on fire" in page


def test_a_figure_typed_in_is_shown_beside_what_was_shipped(owner_client):
    owner_client.post(
        reverse("product_figure", args=["danish-oil", "recoat_from"]),
        {"low": "8", "unit": "h", "reason": "label, back"},
    )

    page = owner_client.get(reverse("product", args=["danish-oil"])).content.decode()
    assert "8 hours" in page
    assert "as on my can: label, back" in page
    assert "shipped: 24 hours" in page

    owner_client.post(reverse("product_figure_clear", args=["danish-oil", "recoat_from"]))
    assert (
        "as on my can: label"
        not in owner_client.get(reverse("product", args=["danish-oil"])).content.decode()
    )


def test_a_figure_that_cannot_be_read_is_refused_at_its_field(owner_client):
    answer = owner_client.post(
        reverse("product_figure", args=["danish-oil", "coverage"]),
        {"low": "much", "high": "", "unit": "ft2/US gal", "reason": "label"},
    )

    assert answer.status_code == 422
    assert "is not a number" in answer.content.decode()
    assert 'value="much"' in answer.content.decode()


def test_a_helper_reads_figures_and_changes_none(helper_client):
    page = helper_client.get(reverse("product", args=["danish-oil"])).content.decode()

    assert "As on my can" not in page
    assert (
        helper_client.post(reverse("product_figure", args=["danish-oil", "cure"]), {"low": "1"}).status_code
        == 403
    )


# Wood and room


def test_the_worked_example_of_the_handbook_comes_out_on_the_page(owner_client):
    """FPL-GTR-190 p. 13-17: white fir, 232 mm wide at 8 % is 233.7 mm at 11 %: it grows by 1.7 mm."""
    page = owner_client.get(
        reverse("wood_room"),
        {
            "about": "panel",
            "width": "232 mm",
            "species": "white fir",
            "cut": "flat",
            "now": "8",
            "driest": "8",
            "wettest": "11",
        },
    ).content.decode()

    assert "grow by ≈ 1.7 mm" in page


def test_moisture_of_the_handbooks_table_comes_out_on_the_page(owner_client):
    """FPL-GTR-190 Table 4-2: 70 °F and 45 % give 8.5 %."""
    page = owner_client.get(
        reverse("wood_room"), {"about": "air", "temperature": "70 F", "humidity": "45"}
    ).content.decode()

    assert "8.5 % moisture" in page


def test_parts_too_far_apart_are_not_ready_to_glue(owner_client):
    page = owner_client.get(
        reverse("wood_room"), {"about": "gluing", "parts": "top 7.5\nside: 11 %"}
    ).content.decode()

    assert "not yet" in page
    assert "3.5 points wetter" in page


def test_the_air_can_stand_for_the_moisture(owner_client):
    page = owner_client.get(
        reverse("wood_room"),
        {
            "about": "panel",
            "width": "24 in",
            "species": "white oak",
            "cut": "flat",
            "now_humidity": "45",
            "dry_humidity": "25",
            "wet_humidity": "65",
            "temperature": "70 F",
        },
    )

    assert page.status_code == 200
    # 70 °F: 25 % gives 5.4, 45 % gives 8.5, 65 % gives 12.0 % (Table 4-2).
    typed = page.context["panel_typed"]
    assert [float(typed[name]) for name in ("driest", "now", "wettest")] == pytest.approx(
        [5.4, 8.5, 12.0], abs=0.11
    )


@pytest.mark.parametrize(
    "asked",
    [
        {"about": "air", "temperature": "warm", "humidity": "45"},
        {"about": "panel", "width": "24", "species": "no such tree", "cut": "flat", "now": "8"},
        {"about": "gluing", "parts": "just words"},
    ],
)
def test_what_cannot_be_read_is_said_and_kept(owner_client, asked):
    answer = owner_client.get(reverse("wood_room"), asked)

    assert answer.status_code == 422
    assert "errorlist" in answer.content.decode()


def test_rough_air_is_called_a_rough_guide_only(owner_client):
    """Industrial ventilation formula, ethanol at a 30th of a pint a minute: 230.1 x 3 = 690.2 ft3 a minute."""
    page = owner_client.get(
        reverse("rough_air"),
        {
            "about": "dilution",
            "specific_gravity": "0.789",
            "molar_mass": "46.07",
            "pints_per_minute": "1/30",
            "limit_ppm": "1000",
            "mixing_factor": "3",
        },
    ).content.decode()

    assert "<dd>690</dd>" in page
    assert "A rough guide only" in page
    assert "does not show that the air is safe" in page


# The care card


def text_of(answer):
    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(answer.content)).pages)


def test_the_care_card_says_what_is_really_on_the_piece(dresser, owner, helper_client):
    schedule = planned(dresser, owner, ("coat", "danish oil"), ("wipe",), ("coat", "danish oil"), ("wipe",))
    now = timezone.now()
    for number in range(2):
        tick(schedule, number, by=owner, at=now - timedelta(hours=40 - number))

    answer = helper_client.get(reverse("care_pdf", args=[dresser.pk]))
    text = " ".join(text_of(answer).split())

    assert answer.headers["Content-Type"] == "application/pdf"
    assert "danish oil: 1 coat" in text
    assert "be gentle with it until" in text
    assert "Oily rags can set themselves on fire" in text
    assert "80.00" not in text
    assert "$" not in text


def test_there_is_no_care_card_before_anything_is_on(dresser, owner, owner_client):
    planned(dresser, owner, ("coat", "danish oil"))

    answer = owner_client.get(reverse("care_pdf", args=[dresser.pk]), follow=True)
    assert "Nothing is ticked off yet" in answer.content.decode()


# Helpers


def test_helpers_see_everything_but_money(dresser, owner, shop):
    from tests.flips.test_access import readable, refuse_money

    helper = make_helper(username="h2", name="Nils")
    client = signed_in(helper)
    recipe = recipe_of(owner)
    Part.objects.create(piece=dresser, name="Top", created_by=owner)
    schedule = finishing.plan_finish(dresser, by=owner, recipe=recipe, area_text="12 ft2")
    tick(schedule, 0, by=owner, at=timezone.now())
    row = rows_of(schedule)[1]
    addresses = [
        reverse("day_plan"),
        reverse("room"),
        reverse("recipes"),
        recipe.get_absolute_url(),
        schedule.get_absolute_url(),
        row.get_absolute_url(),
        reverse("piece_finish", args=[dresser.pk]),
        reverse("piece_schedule_new", args=[dresser.pk]),
        reverse("colours", args=[dresser.pk]),
        reverse("samples"),
        reverse("products"),
        reverse("product", args=["danish-oil"]),
        reverse("wood_room"),
        reverse("species"),
        reverse("rough_air"),
        reverse("cautions"),
    ]
    for address in addresses:
        answer = client.get(address)
        assert answer.status_code == 200, address
        refuse_money(address, readable(answer.content.decode()))
