from fractions import Fraction
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating.remedies import Group, Remedy, Step, plan, plan_in_order
from estimating.remedies.nested import ALL, ANY, group_of
from estimating.remedies.order import Item, best_remedies
from tests.references.sequencing import TREES

FREE = Fraction(0)


def group_for(case):
    steps = {
        name: Step(name, 0, Fraction(cost), Fraction(chance))
        for name, cost, chance in zip("ABCDEF", case.costs, case.chances, strict=False)
    }
    count = iter(range(100))

    def build(tree):
        if isinstance(tree, str):
            return steps[tree]
        kind, parts = tree
        return Group(
            f"group {next(count)}", ANY if kind == "or" else ALL, tuple(build(part) for part in parts)
        )

    return build(case.tree)


@pytest.mark.parametrize("case", TREES, ids=lambda case: case.key)
def test_published_trees_reach_the_adaptive_optimum(case):
    found = plan(group_for(case), hour_value=FREE)

    assert found.figures.cost == Fraction(case.adaptive)
    assert found.figures.chance == Fraction(case.chance)
    assert found.exact


@pytest.mark.parametrize("case", TREES, ids=lambda case: case.key)
def test_published_trees_level_by_level_cost_what_the_rule_costs_and_say_whether_that_is_best(case):
    found = plan(group_for(case), hour_value=FREE, most_states=0)

    assert found.figures.cost == Fraction(case.level_by_level)
    # Two levels of separate steps: the rule is exact (sp01, sp02).
    assert found.exact == (case.key in {"sp01", "sp02"})
    assert "level by level" in found.method


# An independent solver: every outcome table of the steps done so far, no merging of states.


def brute_force(remedies, give_up, spoils=()):
    """(missed, cost) of the best adaptive way; remedies are tuples of steps, the same name being the same step.

    ``spoils`` are pairs (one, other): a step of remedy ``one`` that ``other`` lacks makes ``other`` impossible.
    """
    steps = {step.name: step for remedy in remedies for step in remedy}
    names = [{step.name for step in remedy} for remedy in remedies]

    @cache
    def best(passed, failed, spoiled):
        if any(names[at] <= passed and at not in spoiled for at in range(len(remedies))):
            return (Fraction(0), Fraction(0))
        options = [(Fraction(1), give_up or Fraction(0))]
        for name, step in steps.items():
            if name in passed or name in failed or not set(step.after) <= passed | failed:
                continue
            worse = spoiled | {two for one, two in spoils if name in names[one] - names[two]}
            yes, no = best(passed | {name}, failed, worse), best(passed, failed | {name}, worse)
            options.append(
                tuple(
                    extra + step.chance * one + (1 - step.chance) * two
                    for extra, one, two in zip((0, step.materials), yes, no, strict=True)
                )
            )
        return min(options) if give_up is None else min(options, key=lambda option: option[::-1])

    return best(frozenset(), frozenset(), frozenset())


@st.composite
def shared_remedies(draw):
    names = "abcde"[: draw(st.integers(2, 5))]
    steps = []
    for at, name in enumerate(names):
        after = draw(st.sets(st.sampled_from(names[:at]), max_size=1)) if at else set()
        steps.append(
            Step(
                name,
                0,
                draw(st.integers(0, 30)),
                Fraction(draw(st.sampled_from([10, 30, 50, 80, 95, 100])), 100),
                tuple(after),
            )
        )
    count = draw(st.integers(1, 3))
    return [
        tuple(draw(st.lists(st.sampled_from(steps), min_size=1, max_size=3, unique=True)))
        for _ in range(count)
    ]


def closed_over_needs(remedies):
    """Only remedies whose steps need nothing outside the whole set can be handed over."""
    known = {step.name for remedy in remedies for step in remedy}
    return all(set(step.after) <= known for remedy in remedies for step in remedy)


@settings(max_examples=150, deadline=None)
@given(shared_remedies().filter(closed_over_needs), st.none() | st.integers(0, 80))
def test_shared_steps_and_needs_cost_what_weighing_every_outcome_says(remedies, price):
    give_up = None if price is None else Fraction(price)
    root = group_of([Remedy(f"remedy {at}", steps) for at, steps in enumerate(remedies)])

    found = plan(root, hour_value=FREE, give_up=give_up)

    missed, cost = brute_force(remedies, give_up)
    assert found.figures.cost == cost
    if give_up is None:
        assert found.figures.chance == 1 - missed
    assert found.worst_cost >= found.figures.cost or give_up is not None


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.sampled_from([0, 10, 50, 80, 100])),
        min_size=1,
        max_size=4,
    ),
    st.data(),
)
def test_one_step_remedies_agree_with_the_plain_order_also_with_needs_and_spoils(figures, data):
    names = "ABCD"[: len(figures)]
    remedies = []
    for at, (cost, chance) in enumerate(figures):
        after = data.draw(st.sets(st.sampled_from(names[:at]), max_size=1)) if at else set()
        others = [name for name in names if name != names[at]]
        spoils = data.draw(st.sets(st.sampled_from(others), max_size=1)) if others else set()
        step = Step(names[at].lower(), 0, cost, Fraction(chance, 100))
        remedies.append(Remedy(names[at], (step,), tuple(after), tuple(spoils)))
    items = [
        Item(r.name, r.steps[0].materials, r.steps[0].chance, frozenset(r.after), frozenset(r.spoils))
        for r in remedies
    ]
    for give_up in (None, Fraction(25)):
        found = plan(group_of(remedies), hour_value=FREE, give_up=give_up)
        plain = best_remedies(items, give_up)
        assert found.figures.cost == plain.cost
        assert found.worst_cost == plain.worst_cost


def test_a_shared_step_is_paid_once():
    strip = Step("strip the top", 0, 10, Fraction(9, 10))
    oil = Remedy("oil it", (strip, Step("oil", 0, 2, Fraction(1, 2), ("strip the top",))))
    paint = Remedy("paint it", (strip, Step("paint", 0, 8, Fraction(8, 10), ("strip the top",))))

    found = plan(group_of([oil, paint]), hour_value=FREE)

    # Strip 10; with 0.9 oil 2 (ratio 4 before 10), with 0.45 paint 8: 10 + 1.8 + 3.6.
    assert found.figures.cost == Fraction("15.4")
    assert found.figures.chance == Fraction("0.81")


@settings(max_examples=100, deadline=None)
@given(shared_remedies().filter(closed_over_needs), st.none() | st.integers(0, 80), st.data())
def test_remedies_of_several_steps_that_spoil_each_other_cost_what_weighing_every_outcome_says(
    remedies, price, data
):
    names = [{step.name for step in remedy} for remedy in remedies]
    pairs = [(a, b) for a in range(len(names)) for b in range(len(names)) if a != b and names[a] - names[b]]
    spoils = data.draw(st.sets(st.sampled_from(pairs), max_size=2)) if pairs else set()
    give_up = None if price is None else Fraction(price)
    root = group_of(
        [
            Remedy(f"remedy {at}", steps, spoils=tuple(f"remedy {two}" for one, two in spoils if one == at))
            for at, steps in enumerate(remedies)
        ]
    )

    found = plan(root, hour_value=FREE, give_up=give_up)

    missed, cost = brute_force(remedies, give_up, tuple(spoils))
    assert found.figures.cost == cost
    if give_up is None:
        assert found.figures.chance == 1 - missed


def test_the_next_move_depends_on_the_outcome():
    found = plan(
        group_of(
            [
                Remedy(
                    "veneer",
                    (Step("old face off", 0, 5, Fraction(3, 10)), Step("press", 0, 20, Fraction(9, 10))),
                ),
                Remedy("paint", (Step("paint", 0, 40, Fraction(95, 100)),)),
            ]
        ),
        hour_value=FREE,
        give_up=Fraction(300),
    )

    assert found.first.step == "old face off"
    assert found.first.if_it_works.step == "press"
    assert found.first.if_it_fails.step == "paint"
    assert found.groups == ("veneer", "paint")


def test_her_own_order_skips_what_no_longer_matters():
    remedies = [
        Remedy("A", (Step("a1", 0, 4, Fraction(1, 2)), Step("a2", 0, 6, Fraction(1, 2)))),
        Remedy("B", (Step("b", 0, 10, Fraction(1, 2)),)),
    ]

    found = plan_in_order(group_of(remedies), ["a1", "a2", "b"], hour_value=FREE)

    # a1 4; a2 with 0.5: 3; b unless both passed (0.75): 7.5.
    assert found.figures.cost == Fraction("14.5")


@pytest.mark.parametrize(
    "remedies",
    [
        [("s0", "s1"), ("s2", "s3"), ("s4", "s5"), ("s6", "s7"), ("s8", "s9")],
        [("s0", f"s{at}") for at in range(1, 10)],
        [("s0", "s1", "s2", "s3"), ("s0", "s4", "s5", "s6"), ("s7", "s8", "s9")],
    ],
    ids=["five pairs", "one shared by nine", "three of three and four"],
)
def test_ten_steps_are_weighed_exactly(remedies):
    steps = {
        f"s{at}": Step(f"s{at}", Fraction(at % 3 + 1, 2), 5 + 13 * at % 7, Fraction(30 + 17 * at % 65, 100))
        for at in range(10)
    }
    root = group_of(
        [Remedy(f"r{at}", tuple(steps[name] for name in names)) for at, names in enumerate(remedies)]
    )

    found = plan(root, hour_value=Fraction(18), give_up=Fraction(400))

    assert found.exact


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.lists(
            st.tuples(st.integers(0, 30), st.sampled_from([10, 30, 50, 80, 95, 100])), min_size=1, max_size=3
        ),
        min_size=1,
        max_size=3,
    ),
    st.none() | st.integers(0, 80),
    st.data(),
)
def test_level_by_level_is_exact_for_remedies_of_separate_steps(figures, price, data):
    give_up = None if price is None else Fraction(price)
    remedies = []
    for at, rows in enumerate(figures):
        names = [f"{at}.{place}" for place in range(len(rows))]
        after = [
            tuple(data.draw(st.sets(st.sampled_from(names[:place]), max_size=1)) if place else ())
            for place in range(len(rows))
        ]
        remedies.append(
            Remedy(
                f"remedy {at}",
                tuple(
                    Step(name, 0, cost, Fraction(chance, 100), needed)
                    for name, (cost, chance), needed in zip(names, rows, after, strict=True)
                ),
            )
        )
    root = group_of(remedies)

    quick = plan(root, hour_value=FREE, give_up=give_up, most_states=0)
    weighed = plan(root, hour_value=FREE, give_up=give_up)

    assert quick.exact
    assert (quick.figures.cost, quick.figures.chance) == (weighed.figures.cost, weighed.figures.chance)


def test_many_remedies_of_separate_steps_stay_exact():
    remedies = [
        Remedy(
            f"remedy {at}",
            tuple(
                Step(f"{at}.{place}", 1, 3 * at + place, Fraction(60 + 3 * place, 100)) for place in range(4)
            ),
        )
        for at in range(8)
    ]

    found = plan(group_of(remedies), hour_value=Fraction(18), give_up=Fraction(400))

    assert found.exact
    assert "separate steps" in found.method
