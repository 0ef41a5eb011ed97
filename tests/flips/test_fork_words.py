"""The fork in plain words."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating.chances import Tries, learn
from estimating.remedies import Remedy, Step, price_of_wish, rank
from estimating.remedies.work import cost_of
from flips.fork_words import (
    against_her_order,
    chance_working,
    days_of,
    in_100,
    of_wish,
    story,
    time_of,
    working,
)


def say(cents):
    return f"${Fraction(cents) / 100}"


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (Fraction(1, 2), "50 of 100"),
        (Fraction(999, 1000), "more than 99 of 100"),
        (Fraction(1, 1000), "less than 1 of 100"),
        (Fraction(1), "100 of 100"),
    ],
)
def test_a_chance_is_never_rounded_to_certainty(chance, said):
    assert in_100(chance) == said


def test_time_and_days_are_said_as_people_say_them():
    assert [time_of(Fraction(3, 4)), time_of(Fraction(5, 2)), time_of(Fraction(-1, 4))] == [
        "45 min",
        "2 h 30",
        "15 min",
    ]
    assert [days_of(Fraction(1, 2)), days_of(Fraction(1)), days_of(Fraction(5, 2))] == [
        "half a day",
        "1 day",
        "2½ days",
    ]


REMEDIES = [
    Remedy.single("cheap", materials=1000, chance=Fraction(4, 5)),
    Remedy.single("dear", materials=10000, chance=Fraction(4, 5)),
]


def test_her_order_is_told_with_the_first_difference():
    found = rank(REMEDIES, hour_value=0, own_order=["dear", "cheap"])

    said = against_her_order(found, say=say)

    assert said == (
        "Your order costs $72 more on average, because “dear” takes $100 and works in 80 of 100 cases, while “cheap”"
        " takes $10 and works in 80 of 100: trying that first often saves you the other."
    )


def test_an_equal_order_costs_the_same():
    found = rank(REMEDIES, hour_value=0, own_order=["cheap", "dear"])

    assert against_her_order(found, say=say) == "Your order costs the same on average."


def test_a_wish_is_told_in_money_and_days():
    remedies = [
        Remedy.single("wipe", materials=500, chance=1, tags={"smells"}),
        Remedy.single("rub", materials=2000, chance=1, days=1),
    ]

    wish = price_of_wish(remedies, wish="no smell", forbids={"smells"}, hour_value=0)

    assert of_wish(wish, say=say) == "On average it takes $15 more all in and 1 day more."


def test_a_wish_that_rules_all_out_says_so():
    wish = price_of_wish(
        [Remedy.single("wipe", chance=1, tags={"smells"})], wish="no smell", forbids={"smells"}, hour_value=0
    )

    assert of_wish(wish, say=say) == "It leaves no remedy to try."


def test_a_chance_is_told_with_its_tries():
    chance = learn(Tries(worked=2, partly=1, failed=1), guess=Fraction(1, 2))

    assert chance_working(chance) == (
        "2.5 of 4 worked (one that worked partly counts as half); your guess counts as 4 tries of which 2 work."
        " Together 4.5 of 8."
    )


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 5000), st.sampled_from([10, 30, 50, 80, 95]), st.integers(1, 3)),
        min_size=1,
        max_size=4,
    )
)
def test_the_lines_of_the_working_add_up_to_the_plan(rows):
    remedies = [
        Remedy(
            f"remedy {at}",
            tuple(
                Step(f"step {at}.{number}", materials=cents + number, chance=Fraction(percent, 100))
                for number in range(count)
            ),
        )
        for at, (cents, percent, count) in enumerate(rows)
    ]
    found = rank(remedies, hour_value=0)
    steps = {step.name: step for remedy in remedies for step in remedy.all_steps}

    lines = working(
        found,
        costs={name: cost_of(step, Fraction(0)) for name, step in steps.items()},
        chances={name: Fraction(step.chance) for name, step in steps.items()},
    )

    assert sum((line.average for line in lines), Fraction(0)) == found.expected.spend


def test_the_story_of_a_plan_says_what_comes_after_what():
    remedies = [
        Remedy(
            "veneer",
            (
                Step("strip", materials=100, chance=Fraction(1, 2)),
                Step("glue", materials=500, chance=Fraction(1, 2), after=("strip",)),
            ),
        ),
        Remedy(
            "paint",
            (
                Step("strip", materials=100, chance=Fraction(1, 2)),
                Step("paint", materials=900, chance=Fraction(9, 10), after=("strip",)),
            ),
        ),
    ]

    turns = story(rank(remedies, hour_value=0).first)

    assert [turn.step for turn in turns][:2] == ["strip", "glue"]
    assert turns[0].fails == "give up"
    assert turns[1].after == "if “strip” works"
