from datetime import UTC, datetime, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from finishes import schedules
from finishes.measures import Temperature
from finishes.products import OLD_FINISH, SILICONE, find_product, shipped_shelf
from finishes.schedules import CAUTION, REFUSED, Reading, Room, Step, holds, judge, put_on
from tests.references.finishing import DRY_TIMES

START = datetime(2026, 3, 23, 7, 0, tzinfo=UTC)


def hours(n):
    return timedelta(hours=n)


def minutes(n):
    return timedelta(minutes=n)


def on(name, wait=None, **more):
    return put_on(find_product(name), wait=None if wait is None else hours(wait), **more)


def do(action, wait=None):
    return Step(action, wait=None if wait is None else hours(wait))


def degrees(celsius):
    return Temperature(Fraction(str(celsius)))


def rules(steps, severity=REFUSED, **more):
    return [(r.step, r.rule) for r in judge(steps, **more) if r.severity == severity]


# ---- schedules that hold


@pytest.mark.parametrize(
    "steps",
    [
        [
            do("sand"),
            on("oil stain", 0.1),
            do("wipe", 24),
            on("oil polyurethane", 8),
            on("oil polyurethane", 24),
            do("rub"),
            on("wax"),
        ],
        [
            do("sand"),
            on("oil stain"),
            do("wipe"),
            on("oil polyurethane"),
            on("oil polyurethane"),
            do("rub"),
            on("wax"),
        ],
        [
            do("raise grain"),
            do("sand"),
            on("waterborne clear", 4),
            on("waterborne clear", 4),
            on("waterborne clear"),
        ],
        [on("waterborne clear", 4), do("sand"), on("waterborne clear", 4), on("waterborne clear")],
        [on("shellac", 1), on("shellac", 2), do("rub"), on("wax")],
        [
            on("danish oil", 0.2),
            do("wipe", 24),
            on("danish oil", 0.2),
            do("wipe", 24),
            on("shellac", 2),
            on("waterborne clear", 4),
            on("waterborne clear"),
        ],
        [on("oxalic acid", 1), do("rinse", 48), do("sand"), on("danish oil"), do("wipe")],
        [on("milk paint", 2), do("sand"), on("milk paint", 2), on("paste wax")],
        [on("oil polyurethane", 72), do("sand"), on("oil polyurethane")],
        [on("shellac", 2), on("lacquer", 2), on("lacquer")],
    ],
    ids=[
        "stain, varnish, wax",
        "the same without typed waits",
        "grain raised beforehand",
        "grain sanded after the first coat",
        "shellac and wax",
        "barrier between oil and water",
        "bleach, rinse, dry, sand, oil",
        "milk paint and wax",
        "late but sanded",
        "lacquer over shellac",
    ],
)
def test_a_sound_schedule_is_not_refused(steps):
    assert rules(steps) == []


# ---- schedules that fail, each for its reason


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        ([on("wax"), on("oil polyurethane")], [(2, "wax below")]),
        ([on("oil polyurethane"), on("danish oil"), do("wipe")], [(2, "oil over film")]),
        ([on("danish oil", 0.2), do("wipe", 24), on("waterborne clear")], [(3, "water over wet oil")]),
        ([on("oil stain", 0.2), do("wipe", 8), on("waterborne clear")], [(3, "water over wet oil")]),
        (
            [on("danish oil", 0), on("waterborne clear")],
            [(2, "water over wet oil"), (2, "excess not wiped off")],
        ),
        ([on("oil polyurethane", 0), on("oil polyurethane")], [(2, "no wait")]),
        ([on("oil polyurethane", 3), on("oil polyurethane")], [(2, "too soon")]),
        ([on("oil polyurethane", 0), do("sand"), on("oil polyurethane")], [(2, "no wait"), (3, "no wait")]),
        ([on("oil polyurethane", 48), on("oil polyurethane")], [(2, "outside the recoat window")]),
        ([on("waterborne clear"), on("waterborne clear")], [(2, "raised grain not sanded")]),
        ([on("water stain"), on("shellac")], [(2, "raised grain not sanded")]),
        ([do("raise grain"), on("waterborne clear")], [(2, "raised grain not sanded")]),
        ([on("waxy shellac"), on("oil polyurethane")], [(2, "waxy shellac below")]),
        ([on("oil polyurethane"), on("lacquer")], [(2, "lacquer over oil")]),
        ([on("shellac"), on("oil stain"), do("wipe"), on("shellac")], [(2, "stain over film")]),
        ([on("danish oil"), on("danish oil"), do("wipe")], [(2, "excess not wiped off")]),
        ([on("danish oil"), do("wipe"), on("danish oil")], [(3, "excess not wiped off")]),
        ([on("danish oil", 2), do("wipe")], [(2, "wiped too late")]),
        ([on("oxalic acid"), on("danish oil"), do("wipe")], [(2, "bleach not rinsed")]),
        ([on("oxalic acid")], [(1, "bleach not rinsed")]),
        ([on("oxalic acid"), on("chlorine bleach"), do("rinse")], [(2, "two bleaches")]),
        ([on("shellac"), on("oxalic acid"), do("rinse")], [(2, "bleach over finish")]),
        ([on("oxalic acid", 1), do("rinse", 2), do("sand"), on("shellac")], [(3, "wood still damp")]),
        ([on("oxalic acid"), do("rinse"), on("shellac")], [(3, "raised grain not sanded")]),
        ([on("stripper"), on("shellac")], [(2, "stripper not washed off")]),
        ([on("hardwax oil"), do("wipe"), on("oil polyurethane")], [(3, "wax below")]),
        ([on("oil polyurethane", 80), on("waterborne clear")], [(2, "not sanded")]),
        ([Step("coat")], [(1, "no product")]),
    ],
)
def test_a_wrong_schedule_is_refused_for_the_right_reason(steps, expected):
    assert rules(steps) == expected


def test_a_refusal_says_why_and_the_way_round():
    refusal = judge([on("danish oil", 0.2), do("wipe", 24), on("waterborne clear")])[0]

    assert "24.4 h" in refusal.reason
    assert "7 days" in refusal.reason
    assert "barrier coat of dewaxed shellac" in refusal.way_round


def test_the_missed_window_says_to_scuff_sand():
    (refusal,) = judge([on("oil polyurethane", 48), on("oil polyurethane")])

    assert "closes at 24 h" in refusal.reason
    assert "Scuff sand" in refusal.way_round
    assert refusal.status == "published"


@pytest.mark.parametrize(
    ("over", "first", "expected"),
    [
        ("wax", "shellac", [(1, "wax below")]),
        (SILICONE, "waterborne clear", [(1, "silicone below")]),
        (SILICONE, "shellac", []),
        (OLD_FINISH, "danish oil", [(1, "soaks nowhere"), (1, "excess not wiped off")]),
        (OLD_FINISH, "oil polyurethane", []),
        ("lacquer", "oil stain", [(1, "stain over film")]),
    ],
)
def test_what_is_on_the_wood_already_counts(over, first, expected):
    assert rules([on(first)], over=over) == expected


def test_taking_the_wax_off_clears_the_way():
    assert rules([on("shellac"), on("wax"), do("remove wax"), on("oil polyurethane")]) == []
    assert rules([do("remove wax"), on("shellac"), on("oil polyurethane")], over="wax") == []


def test_sanding_to_bare_wood_starts_afresh():
    assert (
        rules([on("oil polyurethane"), do("sand to bare"), on("oil stain"), do("wipe"), on("shellac")]) == []
    )


def test_sanding_an_old_finish_warns_of_lead():
    assert (1, "possible lead") in rules([do("sand"), on("oil polyurethane")], CAUTION, over=OLD_FINISH)
    assert (1, "possible lead") not in rules([do("sand"), on("oil polyurethane")], CAUTION)


def test_cautions_are_not_refusals():
    judged = judge([on("latex paint"), do("sand"), on("latex paint"), on("oil polyurethane")])

    assert [(r.step, r.rule) for r in judged] == [(4, "yellows")]
    assert holds(judged)


def test_colour_alone_and_too_many_coats_are_cautioned():
    assert (1, "no topcoat") in rules([on("oil stain"), do("wipe")], CAUTION)
    assert (4, "many coats") in rules([on("oil polyurethane")] * 4, CAUTION)


def test_an_unknown_surface_is_refused():
    with pytest.raises(ValueError, match="not a surface"):
        judge([on("shellac")], over="jam")


def test_same_input_same_judgement():
    steps = [on("wax"), on("oil polyurethane", 0), on("danish oil")]
    assert judge(steps) == judge(steps)


@given(st.lists(st.sampled_from(shipped_shelf().products), min_size=1, max_size=6), st.integers(0, 100))
def test_any_list_of_products_is_judged_with_reasons(products, wait):
    for refusal in judge([put_on(product, wait=hours(wait)) for product in products]):
        assert 1 <= refusal.step <= len(products)
        assert refusal.reason
        assert refusal.way_round


@given(st.sampled_from(shipped_shelf().products), st.sampled_from(shipped_shelf().products))
def test_a_longer_wait_is_never_too_soon_where_a_shorter_was_not(first, second):
    short = rules([put_on(first, wait=hours(100)), put_on(second)])
    long = rules([put_on(first, wait=hours(400)), put_on(second)])

    assert {rule for _, rule in long} - {rule for _, rule in short} <= {"outside the recoat window"}


# ---- the room


@pytest.mark.parametrize(("usual", "celsius", "expected"), DRY_TIMES)
def test_drying_time_by_the_rule_of_thumb(usual, celsius, expected):
    assert usual * schedules.drying_factor(degrees(celsius)) == pytest.approx(expected, abs=1e-3)


def room(celsius, humidity=None, surface=None):
    return Reading(START, degrees(celsius), humidity and Fraction(humidity), surface and degrees(surface))


@pytest.mark.parametrize(
    ("reading", "expected"),
    [
        (room(21, 50), []),
        (room(9, 50), ["too cold"]),
        (room(35, 50), ["too warm"]),
        (room(21, 88), ["too damp", "near the dew point"]),
        (room(21, 60, 14), ["near the dew point"]),
    ],
)
def test_the_room_can_speak_against_a_coat(reading, expected):
    assert [r.rule for r in judge([on("oil polyurethane")], room=reading)] == expected


def test_the_room_does_not_speak_against_sanding():
    assert judge([do("sand")], room=room(2, 95)) == ()


def test_cold_lengthens_a_wait_and_warmth_does_not_shorten_it():
    def dried(celsius):
        return Room((room(celsius),)).dried(START, hours(6), base="oil") - START

    assert dried(11) == hours(12)
    assert dried(31) == hours(6)


def test_warmth_closes_a_window_sooner_and_cold_does_not_hold_it_open():
    def closes(celsius):
        return Room((room(celsius),)).closes(START, hours(24), base="oil") - START

    assert closes(31) == hours(12)
    assert closes(11) == hours(24)


def test_damp_air_slows_water_only():
    damp = Room((room(21, 75),))
    # Half as far from full as at 50 %: twice the time.
    assert damp.dried(START, hours(4), base="water") - START == hours(8)
    assert damp.dried(START, hours(4), base="oil") - START == hours(4)


def test_drying_follows_the_log_of_the_room():
    night = Reading(START + hours(3), degrees(11))
    # Three hours at 21 C do half of six; the other half takes twice as long at 11 C.
    assert Room((night, room(21))).dried(START, hours(6), base="oil") - START == hours(9)


def test_without_a_log_the_can_rules():
    assert Room().dried(START, hours(6), base="oil") == START + hours(6)


@given(
    st.lists(st.tuples(st.integers(0, 96), st.integers(-5, 40), st.integers(1, 100)), max_size=5),
    st.integers(1, 100),
    st.sampled_from(["water", "oil"]),
)
def test_a_wait_is_never_shorter_and_a_window_never_longer_than_the_can(readings, needs, base):
    log = Room(tuple(Reading(START + hours(h), degrees(t), Fraction(rh)) for h, t, rh in readings))

    assert log.dried(START, hours(needs), base=base) >= START + hours(needs) - timedelta(seconds=1)
    assert log.closes(START, hours(needs), base=base) <= START + hours(needs) + timedelta(seconds=1)


# ---- steps


def test_a_step_refuses_nonsense():
    with pytest.raises(ValueError, match="not an action"):
        Step("juggle")
    with pytest.raises(ValueError, match="negative"):
        Step("sand", wait=-minutes(1))
    with pytest.raises(ValueError, match="hands"):
        Step("sand", hands=0)
    with pytest.raises(ValueError, match="time zone"):
        Step("sand", done_at=datetime(2026, 1, 1))


def test_an_action_follows_from_the_role():
    assert [on(name).action for name in ("oil stain", "shellac", "wax", "oxalic acid", "grain filler")] == [
        "stain",
        "coat",
        "wax",
        "bleach",
        "fill",
    ]
