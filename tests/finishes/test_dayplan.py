from datetime import UTC, date, datetime, time, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from finishes.dayplan import Job, WorkingHours, plan, standing
from finishes.facts import PUBLISHED, Fact
from finishes.measures import Temperature
from finishes.products import duration, find_product, shipped_shelf
from finishes.schedules import Reading, Room, Step, put_on

BERLIN, CHICAGO = ZoneInfo("Europe/Berlin"), ZoneInfo("America/Chicago")
OFFICE = WorkingHours.daily([(time(8), time(17))])
ALWAYS = WorkingHours.daily([(time(0), time(0))], days=range(7))
# Monday to Sunday without a clock change.
MONDAY = datetime(2026, 3, 2, 8, 0, tzinfo=BERLIN)


def hours(n):
    return timedelta(hours=n)


def on(name, **more):
    return put_on(find_product(name), **more)


def can(name, **times):
    """A product with times of the can's own, in hours."""
    facts = {
        key: value and Fact(Fraction(str(value)), "h", "as on my can", PUBLISHED)
        for key, value in times.items()
    }
    return put_on(find_product(name).as_on_my_can(**facts), work=timedelta(minutes=30))


def begins(made):
    return [f"{p.starts:%a %d %H:%M}" for p in made.steps]


def week(*jobs, start=MONDAY, zone=BERLIN, at=OFFICE, **more):
    return plan(
        [Job(f"piece {n}", tuple(steps)) for n, steps in enumerate(jobs, 1)],
        start=start,
        zone=zone,
        hours=at,
        **more,
    )


# ---- waits and working hours


def test_second_coat_waits_for_the_first():
    made = week([on("shellac"), on("shellac"), on("shellac")])
    # Half an hour's work, one hour before the second coat, two before the third.
    assert begins(made) == ["Mon 02 08:00", "Mon 02 09:30", "Mon 02 12:00"]


def test_a_step_that_would_fall_at_night_moves_to_the_morning():
    late = week([can("oil polyurethane", recoat_from=6, recoat_until=24)] * 2, start=MONDAY.replace(hour=13))
    assert begins(late) == ["Mon 02 13:00", "Tue 03 08:00"]
    assert late.steps[1].moved == "would be Mon 19:30, moved into working hours"


def test_the_weekend_is_jumped():
    made = week(
        [on("danish oil"), Step("wipe"), on("danish oil"), Step("wipe")],
        start=MONDAY + timedelta(days=4, hours=6),
    )
    assert begins(made)[2] == "Mon 09 08:00"


def test_a_closed_day_is_jumped():
    closed = WorkingHours.daily([(time(8), time(17))])
    closed = WorkingHours(closed.week, frozenset({date(2026, 3, 3)}))

    assert begins(week([can("shellac", recoat_first=12)] * 2, at=closed))[1] == "Wed 04 08:00"


def test_work_does_not_run_into_the_lunch_break():
    split = WorkingHours.daily([(time(8), time(12)), (time(13), time(17))])
    made = week([Step("sand", work=hours(3)), Step("sand", work=hours(2))], at=split)

    assert begins(made) == ["Mon 02 08:00", "Mon 02 13:00"]


def test_night_shift_runs_past_midnight():
    night = WorkingHours.daily([(time(22), time(6))], days=[0])
    made = week([Step("sand", work=hours(1)), Step("sand", work=hours(6))], at=night)

    assert begins(made) == ["Mon 02 22:00", "Mon 02 23:00"]


def test_work_longer_than_any_day_is_not_placed_and_says_so():
    made = week([Step("sand", work=hours(10)), on("shellac")])

    assert made.steps == ()
    assert "split it" in made.unplaced[0].reason


def test_too_few_hands_says_so():
    made = week([Step("sand", hands=2)])
    assert "takes 2 pairs of hands, there are 1" in made.unplaced[0].reason


def test_a_typed_wait_counts_when_it_is_longer_than_the_can():
    made = week([on("shellac", wait=hours(5)), on("shellac")])
    assert begins(made)[1] == "Mon 02 13:30"


def test_a_wait_step_passes_by_night_and_takes_no_hands():
    made = week([on("shellac"), Step("wait", wait=hours(20)), on("shellac")])

    assert [p.ends.strftime("%a %H:%M") for p in made.steps] == ["Mon 08:30", "Tue 04:30", "Tue 08:30"]
    assert [len(steps) for _, steps in made.by_day] == [1, 1]


def test_the_wait_is_counted_from_the_coat_not_from_the_wiping():
    made = week([can("danish oil", recoat_from=4), Step("wipe"), on("danish oil"), Step("wipe")])
    assert begins(made)[:3] == ["Mon 02 08:00", "Mon 02 08:35", "Mon 02 12:30"]


def test_damp_wood_dries_a_day_before_it_is_sanded():
    made = week([on("oxalic acid"), Step("rinse"), Step("sand"), on("shellac")])
    assert begins(made)[2] == "Tue 03 08:50"


def test_a_cold_room_puts_the_coat_off():
    cold = Room((Reading(MONDAY, Temperature(Fraction(11))),))

    made = week([on("shellac"), on("shellac")], room=cold)

    assert begins(made)[1] == "Mon 02 10:30"
    assert "rule of thumb" in made.note


def test_a_coat_in_a_room_too_cold_is_marked():
    made = week([on("oil polyurethane")], room=Room((Reading(MONDAY, Temperature(Fraction(8))),)))

    assert [r.rule for r in made.steps[0].refusals] == ["too cold"]
    assert standing(made, now=MONDAY)[0].state == "hold"


# ---- windows


def test_the_first_coat_moves_so_that_the_second_falls_in_its_window():
    # Two hours to four: a coat at 16:00 would ask for the second between 18:30 and 20:30.
    steps = [can("waterborne clear", recoat_from=2, recoat_until=4)] * 2
    made = week([Step("sand", work=hours(6)), *steps], start=MONDAY.replace(hour=9))

    assert begins(made) == ["Mon 02 09:00", "Tue 03 08:00", "Tue 03 10:30"]
    assert made.steps[1].moved == "moved so that what follows still falls in its window"
    assert not any(p.missed for p in made.steps)


def test_only_the_step_that_must_is_moved():
    # Coats 20 to 30 hours apart, then a last one 2 to 4 hours after: the middle one need not wait for the afternoon.
    first = can("oil polyurethane", recoat_from=6, recoat_until=30)
    second = can("oil polyurethane", recoat_from=6, recoat_until=8)
    made = week([first, second, can("oil polyurethane", recoat_from=6)])

    assert begins(made) == ["Mon 02 08:00", "Tue 03 08:00", "Tue 03 14:30"]


def test_a_window_no_day_can_meet_says_what_to_do():
    made = week([can("oil polyurethane", recoat_from=10, recoat_until=12)] * 2)

    assert begins(made) == ["Mon 02 08:00", "Tue 03 08:00"]
    assert made.steps[1].missed.startswith("Scuff sand lightly with 320 paper")
    assert made.steps[1].latest is None


def test_sanding_between_takes_the_window_away():
    made = week(
        [can("oil polyurethane", recoat_from=10, recoat_until=12), Step("sand"), on("oil polyurethane")]
    )
    assert not any(p.missed for p in made.steps)


def test_latest_is_the_end_of_the_window_within_working_hours():
    made = week([can("oil polyurethane", recoat_from=1, recoat_until=24)] * 2)
    # The window closes on Tuesday at 08:30, half an hour into the day.
    assert f"{made.steps[1].latest:%a %H:%M}" == "Tue 08:30"
    made = week([can("oil polyurethane", recoat_from=1, recoat_until=20)] * 2)
    # It closes at night: the last coat begins on Monday at 16:30.
    assert f"{made.steps[1].latest:%a %H:%M}" == "Mon 16:30"


def test_wiping_follows_within_its_minutes():
    made = week([on("danish oil"), Step("wipe")], start=MONDAY.replace(hour=16, minute=25))
    # Put on at 16:25 it would be wiped at 17:00 at the earliest, ten minutes too late for the day.
    assert begins(made) == ["Tue 03 08:00", "Tue 03 08:35"]


def test_a_typed_until_is_a_window_too():
    made = week(
        [Step("sand", until=hours(1)), Step("clean", work=hours(1)), Step("coat", find_product("shellac"))]
    )
    assert f"{made.steps[1].latest:%H:%M}" == "09:45"


def test_a_coat_done_long_ago_has_missed_its_window():
    done = on("oil polyurethane", done_at=MONDAY - timedelta(days=3))

    made = week([done, on("oil polyurethane")])

    assert made.steps[0].done
    assert made.steps[1].missed.startswith("Scuff sand")
    assert standing(made, now=MONDAY)[0].state == "missed"


# ---- the bench


def test_second_coat_can_go_on_now():
    done = on("oil polyurethane", done_at=MONDAY - hours(15))

    (stands,) = standing(week([done, on("oil polyurethane")]), now=MONDAY)

    assert (stands.state, stands.text) == ("now", "can go on now, until Mon 16:30")


def test_a_coat_still_wet_says_until_when():
    done = on("oil polyurethane", done_at=MONDAY - hours(1))

    (stands,) = standing(week([done, on("oil polyurethane")]), now=MONDAY)

    assert (stands.state, stands.text) == (
        "wait",
        "not before Mon 13:00 (6 h after brushing oil polyurethane)",
    )


def test_touch_handle_and_cure_are_apart():
    (miles,) = week([on("shellac"), on("oil polyurethane")]).milestones
    # The varnish ends on Monday at 10:00; touch 4 h, handle 24 h, cure 30 days.
    assert f"{miles.dry_to_touch:%d %H:%M}" == "02 14:00"
    assert f"{miles.may_be_handled:%d %H:%M}" == "03 10:00"
    assert miles.cured == datetime(2026, 4, 1, 10, 0, tzinfo=BERLIN) + hours(1)


def test_handling_and_shipping_wait_for_their_milestones():
    made = week([on("waterborne clear"), Step("handle"), Step("ship")])
    assert begins(made) == ["Mon 02 08:00", "Tue 03 08:30", "Mon 09 08:30"]


# ---- several pieces


def test_two_pieces_share_the_hands_of_one():
    made = week([on("shellac"), on("shellac")], [on("shellac"), on("shellac")])

    assert [(p.piece, f"{p.starts:%H:%M}") for p in made.steps] == [
        ("piece 1", "08:00"),
        ("piece 2", "08:30"),
        ("piece 1", "09:30"),
        ("piece 2", "10:00"),
    ]
    assert f"{made.steps[1].earliest:%H:%M}" == "08:00"


def test_two_pairs_of_hands_work_side_by_side():
    made = week([Step("sand")], [Step("sand")], hands=2)
    assert begins(made) == ["Mon 02 08:00", "Mon 02 08:00"]


def test_a_step_for_two_waits_for_both():
    made = week([Step("sand", work=hours(2))], [Step("coat", find_product("shellac"), hands=2)], hands=2)
    assert [(p.piece, f"{p.starts:%H:%M}") for p in made.steps] == [
        ("piece 1", "08:00"),
        ("piece 2", "10:00"),
    ]


def test_the_piece_whose_window_closes_goes_first():
    done = can("oil polyurethane", recoat_from=6, recoat_until=24)
    done = put_on(done.product, done_at=MONDAY - timedelta(hours=23))

    made = week([Step("sand", work=hours(3))], [done, on("oil polyurethane")])

    assert [(p.piece, f"{p.starts:%H:%M}") for p in made.steps if not p.done] == [
        ("piece 2", "08:00"),
        ("piece 1", "08:30"),
    ]


def test_a_piece_can_come_in_later():
    made = plan(
        [Job("later", (Step("sand"),), start=MONDAY + timedelta(days=2)), Job("now", (Step("sand"),))],
        start=MONDAY,
        zone=BERLIN,
        hours=OFFICE,
    )
    assert [(p.piece, f"{p.starts:%a}") for p in made.steps] == [("now", "Mon"), ("later", "Wed")]


def test_the_day_plan_reads_as_one_list_a_day():
    made = week(
        [on("shellac"), on("danish oil")], [Step("sand"), on("oil polyurethane"), on("oil polyurethane")]
    )

    for day, steps in made.by_day:
        assert all(p.starts.date() == day for p in steps)
        assert list(steps) == sorted(steps, key=lambda p: p.starts)
    assert sum(len(steps) for _, steps in made.by_day) == 5


# ---- the clock


def test_the_wait_over_the_spring_change_is_elapsed_time():
    # Berlin loses an hour on 29 March 2026. 24 hours from Saturday 12:30 end on Sunday at 13:30.
    made = week(
        [can("gel stain", recoat_from=24)] * 2, start=datetime(2026, 3, 28, 12, 0, tzinfo=BERLIN), at=ALWAYS
    )

    assert [p.starts.isoformat() for p in made.steps] == [
        "2026-03-28T12:00:00+01:00",
        "2026-03-29T13:30:00+02:00",
    ]
    assert made.steps[1].starts.astimezone(UTC) - made.steps[0].ends.astimezone(UTC) == hours(24)


def test_the_wait_over_the_autumn_change_is_elapsed_time():
    # Chicago gains an hour on 1 November 2026: 24 hours from Saturday 12:30 end on Sunday at 11:30.
    made = week(
        [can("gel stain", recoat_from=24)] * 2,
        start=datetime(2026, 10, 31, 12, 0, tzinfo=CHICAGO),
        zone=CHICAGO,
        at=ALWAYS,
    )
    assert made.steps[1].starts.isoformat() == "2026-11-01T11:30:00-06:00"


def test_the_shop_opens_by_the_local_clock_on_both_sides_of_the_change():
    made = week([can("gel stain", recoat_from=24)] * 2, start=datetime(2026, 3, 27, 15, 0, tzinfo=BERLIN))
    assert [p.starts.isoformat() for p in made.steps][1] == "2026-03-30T08:00:00+02:00"


def test_an_opening_hour_that_is_skipped_opens_after_it():
    early = WorkingHours.daily([(time(2, 30), time(5))], days=[6])
    made = week([Step("sand")], start=datetime(2026, 3, 29, 0, 0, tzinfo=BERLIN), at=early)
    assert made.steps[0].starts.isoformat() == "2026-03-29T03:30:00+02:00"


def test_the_hour_that_happens_twice_is_worked_twice():
    night = WorkingHours.daily([(time(2), time(3))], days=[6])
    made = week([Step("sand", work=hours(2))], start=datetime(2026, 10, 25, 0, 0, tzinfo=BERLIN), at=night)
    assert made.steps[0].starts.isoformat() == "2026-10-25T02:00:00+02:00"
    assert made.steps[0].ends.isoformat() == "2026-10-25T03:00:00+01:00"


def test_a_start_without_zone_is_refused():
    with pytest.raises(ValueError, match="zone"):
        week([Step("sand")], start=datetime(2026, 3, 2, 8, 0))


def test_a_shop_that_never_opens_is_refused():
    with pytest.raises(ValueError, match="never open"):
        WorkingHours.daily([])


# ---- properties

ZONES = st.sampled_from([BERLIN, CHICAGO, ZoneInfo("Australia/Lord_Howe"), ZoneInfo("Asia/Kolkata")])
# Near the changes of all these zones and in between.
STARTS = st.datetimes(datetime(2026, 3, 1), datetime(2026, 11, 10))
SPELLS = st.sampled_from(
    [
        [(time(8), time(17))],
        [(time(7, 30), time(12)), (time(13), time(18))],
        [(time(22), time(6))],
        [(time(1), time(4))],
    ]
)
STEPS = st.lists(
    st.one_of(
        st.sampled_from(shipped_shelf().products).map(put_on),
        st.sampled_from(["sand", "wipe", "rinse", "rub", "handle"]).map(Step),
        st.integers(1, 30).map(lambda n: Step("wait", wait=hours(n))),
        st.tuples(st.integers(0, 10), st.integers(10, 40)).map(
            lambda w: put_on(find_product("oil polyurethane"), wait=hours(w[0]), until=hours(w[1]))
        ),
    ),
    min_size=1,
    max_size=6,
)


def inside(begin, end, spells, days):
    """Whether a local stretch lies in the hours of some day, by the clock on the wall."""
    for back in (0, 1):
        day = begin.date() - timedelta(days=back)
        for opens, closes in spells if day.weekday() in days else []:
            first = datetime.combine(day, opens)
            last = datetime.combine(day if closes > opens else day + timedelta(days=1), closes)
            if first <= begin.replace(tzinfo=None) and end.replace(tzinfo=None) <= last:
                return True
    return False


@settings(deadline=None, max_examples=60)
@given(st.lists(STEPS, min_size=1, max_size=3), STARTS, ZONES, SPELLS, st.integers(1, 3), st.integers(2, 35))
def test_the_calendar_keeps_every_promise(jobs, start, zone, spells, hands, celsius):
    start = start.replace(tzinfo=zone)
    at, log = WorkingHours.daily(spells), Room((Reading(start, Temperature(Fraction(celsius))),))
    made = week(*jobs, start=start, zone=zone, at=at, hands=hands, room=log)

    assert len(made.steps) == sum(map(len, jobs)) or made.unplaced
    for p in made.steps:
        begin, end = p.starts.astimezone(UTC), p.ends.astimezone(UTC)
        assert p.earliest.astimezone(UTC) <= begin >= start.astimezone(UTC)
        assert p.latest is None or begin <= p.latest.astimezone(UTC)
        assert end - begin == (p.step.wait if p.step.action == "wait" else p.step.bench_time)
        if p.step.action != "wait":
            assert inside(p.starts, p.ends, spells, range(5)), p
    by_piece = {}
    for p in sorted(made.steps, key=lambda p: (p.piece, p.number)):
        before = by_piece.get(p.piece)
        if before:
            assert before.ends.astimezone(UTC) <= p.starts.astimezone(UTC)
        by_piece[p.piece] = p
    for p in made.steps:
        used = sum(
            q.step.hands
            for q in made.steps
            if q.step.action != "wait"
            and q.starts.astimezone(UTC) <= p.starts.astimezone(UTC) < q.ends.astimezone(UTC)
        )
        assert used <= hands
    assert made == week(*jobs, start=start, zone=zone, at=at, hands=hands, room=log)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.sampled_from(shipped_shelf().products), min_size=2, max_size=5), STARTS, ZONES, SPELLS)
def test_no_coat_goes_on_before_the_one_below_is_dry(products, start, zone, spells):
    made = week(
        [put_on(p) for p in products],
        start=start.replace(tzinfo=zone),
        zone=zone,
        at=WorkingHours.daily(spells),
    )

    for below, above in zip(made.steps, made.steps[1:], strict=False):
        fact = below.step.product.recoat_first or below.step.product.recoat_from
        assert above.starts.astimezone(UTC) - below.ends.astimezone(UTC) >= duration(fact)


@settings(deadline=None, max_examples=40)
@given(STARTS, ZONES, st.integers(1, 60))
def test_a_wait_is_the_same_length_in_every_zone_and_season(start, zone, wait):
    made = week(
        [Step("sand", wait=hours(wait)), Step("sand")], start=start.replace(tzinfo=zone), zone=zone, at=ALWAYS
    )
    one, two = made.steps
    assert two.starts.astimezone(UTC) - one.ends.astimezone(UTC) == hours(wait)
