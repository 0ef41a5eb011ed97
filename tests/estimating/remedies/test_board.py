from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating.remedies import (
    AnyOf,
    BadRemedy,
    Remedy,
    Step,
    WayOut,
    ask_again,
    order_steps,
    price_of_wish,
    rank,
    remaining,
    reserve_of,
    weigh_ways,
)

# Invented figures: a ring on a cabinet top, money in cents, an hour worth 18.00.
HOUR = 1800
WAX = Remedy.single("wax stick", hours=Fraction(1, 4), materials=150, chance=Fraction(3, 10))
HEAT = Remedy.single("warm iron", hours=Fraction(1, 2), materials=0, chance=Fraction(1, 2), tags={"heat"})
SOLVENT = Remedy.single(
    "re-flow the lacquer", hours=1, materials=900, chance=Fraction(8, 10), tags={"smells"}, days=1
)
STRIP = Remedy.single("strip and refinish", hours=8, materials=3000, chance=1, tags={"smells"}, days=5)
ALL_FOUR = [STRIP, SOLVENT, HEAT, WAX]


def test_the_board_orders_gives_reasons_and_sets_her_order_beside():
    found = rank(ALL_FOUR, hour_value=HOUR, own_order=["strip and refinish"])

    assert found.names == ("warm iron", "wax stick", "re-flow the lacquer", "strip and refinish")
    # 900; half of 600; 0.35 of 2700; 0.07 of 17400.
    assert found.expected.cost == 900 + 300 + 945 + 1218
    assert found.expected.hours == Fraction(1, 2) + Fraction(1, 8) + Fraction(35, 100) + Fraction(56, 100)
    assert found.own.cost == 17400
    assert found.saves_over_own == 17400 - found.expected.cost
    assert found.order[0].reason == "cheap and likely to work"
    assert found.order[1].reason == "doubtful, but cheap to try"
    assert found.order[-1].reason == "sure to work: the last resort"


def test_what_a_card_saves_is_the_cost_without_it():
    found = rank(ALL_FOUR, hour_value=HOUR)
    without = rank([STRIP, SOLVENT, WAX], hour_value=HOUR)

    assert found.order[0].saves == without.expected.cost - found.expected.cost
    assert found.order[-1].saves is None


def test_the_cost_of_moving_a_card_later_is_never_negative():
    for card in rank(ALL_FOUR, hour_value=HOUR).order[:-1]:
        assert card.later_costs >= 0


def test_the_reserve_is_what_the_plan_takes_beyond_its_first_remedy():
    found = reserve_of(rank(ALL_FOUR, hour_value=HOUR))

    # Half of 150, 0.35 of 900, 0.07 of 3000; hours as in the plan less the half hour of the iron.
    assert found.materials == 75 + 315 + 210
    assert found.hours == Fraction(1, 8) + Fraction(35, 100) + Fraction(56, 100)


def test_left_out_says_why():
    dear = Remedy.single("new top", hours=4, materials=20000, chance=Fraction(9, 10))
    spoiled = Remedy.single("reglue", hours=1, chance=Fraction(1, 2), after=["new top"])

    found = rank([STRIP, dear, spoiled], hour_value=HOUR)

    reasons = {out.name: out.reason for out in found.left_out}
    assert found.names == ("strip and refinish",)
    assert reasons["new top"] == "too dear for its chance: going straight to “strip and refinish” costs less"
    assert reasons["reglue"] == "it needs “new top” first, which is not tried"


def test_steps_say_cheap_and_likely_to_fail_first():
    found = order_steps(
        [
            Step("strip", 3, 1200, Fraction(9, 10)),
            Step("test a corner", Fraction(1, 4), 0, Fraction(1, 2)),
            Step("oil", 1, 500, Fraction(95, 100), ("strip",)),
        ],
        hour_value=HOUR,
        give_up=20000,
        own_order=["strip", "oil", "test a corner"],
    )

    assert found.names == ("test a corner", "strip", "oil")
    assert found.order[0].reason == "cheap and likely to fail first"
    assert found.expected.chance == Fraction(9, 10) * Fraction(1, 2) * Fraction(95, 100)
    assert found.saves_over_own > 0
    assert found.own.cost == found.worst_cost


@pytest.mark.parametrize(("give_up", "worth_it"), [(1000, False), (1001, True), (999, False), (None, True)])
def test_a_tie_with_giving_up_is_not_worth_it(give_up, worth_it):
    assert order_steps([Step("sure", 0, 1000, 1)], hour_value=0, give_up=give_up).worth_it is worth_it


def test_a_wish_costs_the_difference_in_money_and_days():
    found = price_of_wish(ALL_FOUR, wish="no heat near the veneer", forbids={"heat"}, hour_value=HOUR)

    assert found.ruled_out == ("warm iron",)
    assert found.extra_cost == found.bound.expected.cost - found.free.expected.cost > 0
    assert found.extra_days > 0
    assert found.words == "The same chance, at a higher cost."


def test_a_wish_that_lowers_the_chance_says_so():
    found = price_of_wish(ALL_FOUR, wish="no smell indoors", forbids={"smells"}, hour_value=HOUR)

    assert found.lost_chance == 1 - Fraction(65, 100)
    assert found.words == "It lowers the chance of putting this right."


def test_a_wish_that_leaves_nothing_says_so():
    found = price_of_wish([STRIP], wish="no smell indoors", forbids={"smells"}, hour_value=HOUR)

    assert found.bound is None
    assert found.words == "It leaves no remedy to try."


def test_a_wish_leaves_a_remedy_whose_step_can_be_done_otherwise():
    glue = AnyOf(
        "glue",
        (
            Step("contact cement", 1, 500, Fraction(9, 10), tags=frozenset({"smells"})),
            Step("white glue", 2, 300, Fraction(8, 10)),
        ),
    )

    found = price_of_wish(
        [Remedy("veneer it", (Step("clean", 1), glue))], wish="no smell", forbids={"smells"}, hour_value=HOUR
    )

    assert found.ruled_out == ("contact cement",)
    assert found.bound.expected.chance == Fraction(8, 10)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 50), st.integers(1, 100), st.booleans()), min_size=1, max_size=6))
def test_obeying_a_wish_never_raises_the_chance_nor_lowers_the_cost_at_the_same_chance(rows):
    remedies = [
        Remedy.single(
            f"r{at}", materials=cost, chance=Fraction(chance, 100), tags={"smells"} if smells else ()
        )
        for at, (cost, chance, smells) in enumerate(rows)
    ]

    found = price_of_wish(remedies, wish="no smell", forbids={"smells"}, hour_value=0)

    assert found.lost_chance >= 0
    if found.bound is not None and found.lost_chance == 0:
        assert found.extra_cost >= 0


def test_the_fork_counts_future_money_only():
    ways = [WayOut("sell as is", 4000), WayOut("part out", 6000, hours=2)]
    with_sunk = weigh_ways([STRIP], hour_value=HOUR, worth_fixed=25000, ways_out=ways, sunk=99999)

    # Carry on: 25000 - 17400 = 7600; as is 4000; parts 6000 - 3600 = 2400.
    assert [(option.name, option.net) for option in with_sunk.options] == [
        ("carry on", 7600),
        ("sell as is", 4000),
        ("part out", 2400),
    ]
    assert with_sunk.lead == 3600
    assert with_sunk.options == weigh_ways([STRIP], hour_value=HOUR, worth_fixed=25000, ways_out=ways).options


def test_a_tie_at_the_fork_goes_to_the_certain_way_out():
    ways = [WayOut("sell as is", 7600)]

    assert weigh_ways([STRIP], hour_value=HOUR, worth_fixed=25000, ways_out=ways).best.name == "sell as is"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 500), st.integers(0, 100)), min_size=1, max_size=5),
    st.integers(0, 1000),
    st.integers(0, 600),
)
def test_carrying_on_leads_exactly_when_it_is_worth_it(rows, fixed, as_is):
    remedies = [
        Remedy.single(f"r{at}", materials=cost, chance=Fraction(chance, 100))
        for at, (cost, chance) in enumerate(rows)
    ]

    fork = weigh_ways(remedies, hour_value=0, worth_fixed=fixed, ways_out=[WayOut("sell as is", as_is)])

    assert (fork.best.name == "carry on") == fork.ranking.worth_it


def test_after_a_failure_the_spoiled_and_the_failed_are_gone_and_passed_steps_are_free():
    strip = Step("strip", 2, 900, Fraction(9, 10))
    stain = Remedy("stain it", (strip, Step("stain", 1, 300, Fraction(1, 2))))
    veneer = Remedy("veneer it", (strip, Step("press", 3, 4000, Fraction(8, 10))), after=("stain it",))
    heat = Remedy("iron it", (Step("iron", 1, 0, Fraction(1, 2)),))
    tried = Remedy("bleach it", (Step("bleach", 1, 100, Fraction(1, 2)),), spoils=("iron it",))

    left = remaining(
        [stain, veneer, heat, tried],
        tried=["bleach it", "stain it"],
        passed=["strip", "bleach"],
        failed=["stain"],
    )

    assert [remedy.name for remedy in left] == ["veneer it"]
    assert [step.name for step in left[0].all_steps] == ["press"]
    assert left[0].after == ()


@pytest.mark.parametrize(
    ("failed", "spent", "expected", "asks"),
    [(True, 0, 60, True), (False, 90, 60, False), (False, 91, 60, True), (False, 500, 0, False)],
)
def test_the_fork_asks_after_a_failure_and_past_one_and_a_half_times_the_hours(failed, spent, expected, asks):
    assert bool(ask_again(just_failed=failed, minutes_spent=spent, minutes_expected=expected)) is asks


@pytest.mark.parametrize(
    ("build", "says"),
    [
        (lambda: Step("a", chance=Fraction(3, 2)), "0.8 for 80 %"),
        (lambda: Step("a", hours=-1), "hours can't be negative"),
        (lambda: Step("a", materials=1.5), "exact number"),
        (lambda: rank([WAX, WAX], hour_value=1), "Two remedies are called “wax stick”"),
        (lambda: rank([], hour_value=1), "no remedies"),
        (lambda: rank([Remedy.single("a", after=["x"])], hour_value=1), "after names “x”"),
        (lambda: rank([Remedy.single("a", spoils=["a"])], hour_value=1), "spoils names itself"),
        (
            lambda: rank([Remedy.single("a", after=["b"]), Remedy.single("b", after=["a"])], hour_value=1),
            "wait for each other",
        ),
        (
            lambda: order_steps([Step("a", spoils=("b",)), Step("b", spoils=("a",))], hour_value=1),
            "No order can do every step",
        ),
        (
            lambda: rank(
                [Remedy("a", (Step("s", 1),)), Remedy("b", (Step("s", 2), Step("t")))], hour_value=1
            ),
            "shared but not the same",
        ),
    ],
)
def test_nonsense_is_refused_by_name(build, says):
    with pytest.raises(BadRemedy, match=says):
        build()


def test_several_steps_give_a_first_move_and_cards_with_their_steps():
    strip = Step("strip", 2, 900, Fraction(9, 10))
    found = rank(
        [
            Remedy("oil it", (strip, Step("oil", 1, 300, Fraction(1, 2), ("strip",)))),
            Remedy("paint it", (strip, Step("paint", 2, 1500, Fraction(8, 10), ("strip",)))),
            Remedy("new top", (Step("fit a new top", 6, 9000, 1),)),
        ],
        hour_value=HOUR,
        own_order=["paint it", "oil it", "new top"],
    )

    assert found.first.step == "strip"
    assert found.names == ("oil it", "paint it", "new top")
    assert found.order[0].steps == ("strip", "oil")
    assert found.expected.chance == 1
    assert found.saves_over_own >= 0
    assert found.order[0].saves > 0
    assert found.worst_cost >= found.own.cost
