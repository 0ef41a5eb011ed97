"""Recipes: usual ones hold, steps are called by name, and what is offered to put a step right does so."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from finishes.care import CARE, care_for
from finishes.cautions import CAUTIONS
from finishes.facts import STATUSES
from finishes.products import BARE, find_product, shipped_shelf
from finishes.recipes import ACTION_WORDS, DANGEROUS, USUAL, fix_for, put_right, time_words, titled
from finishes.schedule_json import read_duration
from finishes.schedules import ACTIONS, REFUSED, SAND, WIPE, Step, holds, judge, put_on

SHELF = shipped_shelf()


def coat(name, **details):
    return put_on(find_product(name), **details)


def refused(steps, over=BARE):
    return [r for r in judge(steps, over=over) if r.severity == REFUSED]


def usual(name):
    return [
        Step(u.action, find_product(u.product) if u.product else None, name=u.remark, wait=u.wait)
        for u in USUAL[name]
    ]


@pytest.mark.parametrize("name", USUAL)
def test_every_usual_recipe_holds_on_bare_wood(name):
    assert refused(usual(name)) == []


def test_every_action_has_words():
    assert set(ACTION_WORDS) == set(ACTIONS)


def test_coats_of_one_family_are_counted():
    titles = [step.title for step in titled([coat("danish oil"), Step(WIPE), coat("danish oil")])]

    assert titles == ["first coat of danish oil", "wipe off danish oil", "second coat of danish oil"]


def test_a_remark_stands_behind_the_name():
    assert titled([Step(SAND, name="220 paper")])[0].title == "sand, 220 paper"


@given(st.integers(min_value=0, max_value=300 * 24 * 60))
def test_a_time_can_be_read_back_as_it_is_written(minutes):
    assert read_duration(time_words(minutes)) == timedelta(minutes=minutes)


# Each wrong schedule is refused for this reason, and the change that is offered takes it away (common practice).
WRONG = {
    "wax under varnish": ([coat("paste wax"), coat("oil polyurethane")], "wax below", "last"),
    "grain raised by water": (
        [coat("water stain"), coat("waterborne clear")],
        "raised grain not sanded",
        "insert",
    ),
    "no wait": ([coat("oil polyurethane", wait=timedelta(0)), coat("oil polyurethane")], "no wait", "clear"),
    "too soon": (
        [coat("oil polyurethane", wait=timedelta(hours=2)), coat("oil polyurethane")],
        "too soon",
        "clear",
    ),
    "outside the window": (
        [coat("oil polyurethane", wait=timedelta(hours=60)), coat("oil polyurethane")],
        "outside the recoat window",
        "insert",
    ),
    "waxy shellac": (
        [coat("waxy shellac"), coat("waterborne clear")],
        "waxy shellac below",
        "insert",
    ),
    "oil not wiped off": (
        [coat("danish oil"), coat("danish oil"), Step(WIPE)],
        "excess not wiped off",
        "insert",
    ),
}


@pytest.mark.parametrize(("steps", "rule", "verb"), WRONG.values(), ids=WRONG)
def test_a_wrong_schedule_is_refused_for_its_reason_and_can_be_put_right(steps, rule, verb):
    found = next(r for r in refused(steps) if r.rule == rule)
    fix = fix_for(found, steps, over=BARE, shelf=SHELF)

    assert fix.verb == verb
    assert rule not in {r.rule for r in refused(put_right(fix, steps, shelf=SHELF))}


ANY_STEP = st.one_of(
    st.sampled_from(SHELF.products).map(put_on),
    st.sampled_from([SAND, WIPE, "rub", "rinse", "clean"]).map(Step),
)


@given(st.lists(ANY_STEP, min_size=1, max_size=5))
def test_what_is_offered_never_makes_more_wrong(steps):
    before = refused(steps)
    for refusal in before:
        fix = fix_for(refusal, steps, over=BARE, shelf=SHELF)
        if fix is not None:
            after = refused(put_right(fix, steps, shelf=SHELF))
            assert len(after) < len(before) or refusal.rule not in {r.rule for r in after}
            assert len(after) <= len(before)


def test_a_caution_is_left_to_her():
    steps = [coat("danish oil"), Step(WIPE), coat("waterborne clear")]
    caution = judge(steps)[0]

    assert caution.severity != REFUSED
    assert fix_for(caution, steps, over=BARE, shelf=SHELF) is None


def test_what_is_dangerous_is_a_rule_of_the_shelf():
    rules = {verdict.rule for _, _, verdict in SHELF.rules}

    assert rules >= DANGEROUS


# Care


LASTING = {"film", "soak", "wax", "paint"}


@pytest.mark.parametrize("family", sorted({p.family for p in SHELF.products if p.role in LASTING}))
def test_every_finish_that_stays_on_top_has_its_care(family):
    care = care_for(family)

    assert care.daily
    assert care.avoid
    assert care.renew
    assert care.status in STATUSES


@pytest.mark.parametrize("family", sorted({p.family for p in SHELF.products if p.role in {"soak"}}))
def test_renewing_oil_warns_of_the_rags(family):
    assert CAUTIONS["oily rags"].title in care_for(family).renew


def test_stain_alone_is_no_finish():
    assert care_for("oil stain") is None
    assert CARE


def test_holds_is_what_the_pages_call_right():
    assert holds(judge(usual("Shellac and wax")))
