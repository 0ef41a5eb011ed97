from fractions import Fraction
from itertools import permutations
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating.remedies.order import (
    MOST_EXACT,
    Item,
    best_remedies,
    best_steps,
    cost_of_remedies,
    cost_of_steps,
)
from tests.references.sequencing import SEQUENCES

NAMES = "ABCDEF"


def items_of(case):
    return [
        Item(name, Fraction(cost), Fraction(chance), frozenset(case.after.get(name, "")))
        for name, cost, chance in zip(NAMES, case.costs, case.chances, strict=False)
    ]


@pytest.mark.parametrize("case", SEQUENCES, ids=lambda case: case.key)
def test_published_sequences_are_met_exactly(case):
    best = best_remedies if case.kind == "or" else best_steps

    found = best(items_of(case))

    assert "".join(found.order) == case.best_order
    assert found.cost == Fraction(case.best)
    assert found.worst_cost == Fraction(case.worst)
    assert found.exact


@st.composite
def entries(draw, *, most=5, with_spoils=True):
    count = draw(st.integers(1, most))
    found = []
    for at in range(count):
        after = draw(st.sets(st.sampled_from(NAMES[:at]), max_size=2)) if at else set()
        others = [name for name in NAMES[:count] if name != NAMES[at]]
        spoils = draw(st.sets(st.sampled_from(others), max_size=2)) if with_spoils and others else set()
        cost = Fraction(draw(st.integers(0, 400)), 10)
        chance = Fraction(draw(st.sampled_from([0, 5, 10, 25, 30, 50, 80, 95, 100])), 100)
        found.append(Item(NAMES[at], cost, chance, frozenset(after), frozenset(spoils)))
    return found


def feasible_tries(items):
    """Every sequence of tries, long or short, that respects what comes first and what is spoiled."""
    for size in range(len(items) + 1):
        for order in permutations(items, size):
            tried, spoiled, fits = set(), set(), True
            for item in order:
                fits = fits and item.name not in spoiled and item.after <= tried
                tried.add(item.name)
                spoiled |= item.spoils
            if fits:
                yield order


def chance_of(order):
    missed = Fraction(1)
    for item in order:
        missed *= 1 - item.chance
    return 1 - missed


@settings(max_examples=120, deadline=None)
@given(entries())
def test_remedies_reach_the_highest_chance_at_the_least_cost_of_all_sequences(items):
    found = best_remedies(items)

    every = list(feasible_tries(items))
    best_chance, best_cost = min((-chance_of(order), cost_of_remedies(order)) for order in every)
    by_name = {item.name: item for item in items}
    assert chance_of([by_name[name] for name in found.order]) == -best_chance
    assert found.cost == best_cost == cost_of_remedies([by_name[name] for name in found.order])
    assert found.worst_cost == max(cost_of_remedies(order) for order in every)


@settings(max_examples=120, deadline=None)
@given(entries(), st.integers(0, 100))
def test_remedies_with_a_price_of_giving_up_cost_least_of_all_sequences(items, price):
    found = best_remedies(items, Fraction(price))

    by_name = {item.name: item for item in items}
    order = [by_name[name] for name in found.order]
    assert order in [list(one) for one in feasible_tries(items)]
    assert found.cost == min(cost_of_remedies(one, Fraction(price)) for one in feasible_tries(items))
    assert found.cost == cost_of_remedies(order, Fraction(price))


@settings(max_examples=120, deadline=None)
@given(entries(with_spoils=False), st.integers(0, 100))
def test_steps_cost_least_and_most_of_all_orders(items, price):
    found = best_steps(items, Fraction(price))

    every = [order for order in feasible_tries(items) if len(order) == len(items)]
    costs = [cost_of_steps(order, Fraction(price)) for order in every]
    assert (found.cost, found.worst_cost) == (min(costs), max(costs))
    by_name = {item.name: item for item in items}
    assert cost_of_steps([by_name[name] for name in found.order], Fraction(price)) == found.cost


@settings(max_examples=60, deadline=None)
@given(entries(), st.randoms())
def test_turning_the_input_round_changes_nothing(items, random):
    shuffled = list(items)
    random.shuffle(shuffled)

    assert best_remedies(items) == best_remedies(shuffled)


def test_without_a_sure_one_or_a_price_every_remedy_that_may_work_is_tried():
    items = [Item("A", Fraction(1000), Fraction(1, 100)), Item("B", Fraction(1), Fraction(9, 10))]

    assert best_remedies(items).order == ("B", "A")


def test_a_remedy_that_cannot_work_is_left_out_unless_another_needs_it():
    useless = Item("A", Fraction(3), Fraction(0))

    assert best_remedies([useless, Item("B", Fraction(5), Fraction(1, 2))]).order == ("B",)
    needing = Item("B", Fraction(5), Fraction(1, 2), after=frozenset("A"))
    assert best_remedies([useless, needing]).order == ("A", "B")


def test_what_would_be_spoiled_is_tried_first():
    # By ratio A (1/0.5 = 2) comes before B (10/0.5 = 20), yet after A there is no B.
    items = [
        Item("A", Fraction(1), Fraction(1, 2), spoils=frozenset("B")),
        Item("B", Fraction(10), Fraction(1, 2)),
    ]

    found = best_remedies(items)

    assert found.order == ("B", "A")
    assert found.cost == Fraction(21, 2)


def test_giving_up_is_chosen_over_a_remedy_too_dear_for_its_chance():
    # 30 / 0.4 = 75 is more than giving up at 60.
    found = best_remedies([Item("A", Fraction(30), Fraction(2, 5))], Fraction(60))

    assert (found.order, found.cost) == ((), 60)


@pytest.mark.parametrize("count", [13, 30, 100])
def test_many_plain_remedies_go_by_ratio_and_stay_exact(count):
    items = [
        Item(f"r{at:03}", Fraction(5 + at * 7 % 31), Fraction(5 + at * 11 % 90, 100)) for at in range(count)
    ]

    found = best_remedies(items)

    ratios = [next(item.cost / item.chance for item in items if item.name == name) for name in found.order]
    assert ratios == sorted(ratios)
    assert found.exact
    assert "ratio" in found.method


@settings(max_examples=60, deadline=None)
@given(entries(most=5, with_spoils=False), st.integers(0, 60))
def test_the_ratio_rule_for_many_agrees_with_weighing_every_order(items, price):
    from estimating.remedies import order

    plain = [Item(item.name, item.cost, item.chance) for item in items]

    for give_up in (None, Fraction(price)):
        by_rule = order._ratio_remedies(plain, give_up)
        weighed = best_remedies(plain, give_up)
        assert by_rule.cost == weighed.cost
        assert by_rule.worst_cost == weighed.worst_cost
    steps = order._many_steps(plain, Fraction(price))
    assert (steps.cost, steps.worst_cost) == (
        best_steps(plain, Fraction(price)).cost,
        best_steps(plain, Fraction(price)).worst_cost,
    )


@settings(max_examples=60, deadline=None)
@given(entries())
def test_the_heuristic_for_many_is_feasible_and_never_below_the_best(items):
    from estimating.remedies import order

    found = order._many_remedies(items, Fraction(50))

    assert found.cost >= best_remedies(items, Fraction(50)).cost
    assert found.order in [tuple(item.name for item in one) for one in feasible_tries(items)]


def test_the_heuristic_for_many_finds_the_best_of_twenty_random_tens():
    from estimating.remedies import order

    random = Random(4)
    missed = 0
    for _ in range(20):
        items = [
            Item(
                f"r{at}",
                Fraction(random.randint(1, 80)),
                Fraction(random.randint(3, 90), 100),
                frozenset({f"r{random.randrange(at)}"} if at and random.random() < 0.4 else ()),
                frozenset({f"r{random.randrange(10)}"} - {f"r{at}"} if random.random() < 0.3 else ()),
            )
            for at in range(10)
        ]
        missed += order._many_remedies(items, Fraction(90)).cost != best_remedies(items, Fraction(90)).cost

    assert missed <= 1


def test_many_with_precedence_are_flagged_as_not_proved_best():
    items = [
        Item(
            f"r{at:02}",
            Fraction(5 + at * 7 % 31),
            Fraction(5 + at * 11 % 90, 100),
            frozenset({f"r{at - 1:02}"} if at % 3 == 1 else ()),
        )
        for at in range(MOST_EXACT + 8)
    ]

    for found in (best_remedies(items), best_steps(items), best_remedies(items, Fraction(40))):
        assert not found.exact
        assert "not proved best" in found.method
        assert found.cost <= found.worst_cost


def test_ten_with_precedence_and_spoils_have_one_answer_in_whatever_order_they_come():
    items = [
        Item(
            f"r{at}",
            Fraction(300 + at * 7 % 11, 7),
            Fraction(10 + at * 37 % 80, 101),
            frozenset({f"r{at - 3}"} if at % 4 == 3 else ()),
            frozenset({f"r{(at + 1) % 10}"} if at % 5 == 0 else ()),
        )
        for at in range(10)
    ]

    assert best_remedies(items, Fraction(90)) == best_remedies(items[::-1], Fraction(90))
