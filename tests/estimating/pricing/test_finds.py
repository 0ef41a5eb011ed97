from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating.pricing import Find, choose_finds

finds_strategy = st.lists(
    st.tuples(st.integers(0, 60), st.integers(-20, 90), st.integers(0, 9), st.integers(0, 50)), max_size=8
).map(lambda rows: [Find(f"find {at}", *row) for at, row in enumerate(rows)])


def most_gain(finds, cash, room, minutes):
    return max(
        sum(find.gain for find in some)
        for size in range(len(finds) + 1)
        for some in combinations(finds, size)
        if sum(find.cash for find in some) <= cash
        and sum(find.room for find in some) <= room
        and sum(find.minutes for find in some) <= minutes
    )


@settings(max_examples=100, deadline=None)
@given(finds_strategy, st.integers(0, 150), st.integers(0, 20), st.integers(0, 120))
def test_no_combination_gains_more(finds, cash, room, minutes):
    found = choose_finds(finds, cash=cash, room=room, minutes=minutes)

    assert found.gain == most_gain(finds, cash, room, minutes)
    assert found.exact
    assert found.cash <= cash
    assert found.room <= room
    assert found.minutes <= minutes
    assert sorted((*found.take, *(passed.name for passed in found.passed))) == sorted(
        find.name for find in finds
    )


@settings(max_examples=40, deadline=None)
@given(finds_strategy, st.randoms())
def test_turning_the_input_round_changes_nothing(finds, random):
    shuffled = list(finds)
    random.shuffle(shuffled)

    assert choose_finds(finds, cash=80, room=12).take == choose_finds(shuffled, cash=80, room=12).take


def test_fifteen_are_exact_and_quick():
    finds = [Find(f"f{at:02}", 10 + at * 7 % 13, 20 + at * 11 % 17, at % 4, at % 6) for at in range(15)]

    found = choose_finds(finds, cash=150, room=30, minutes=60)

    assert found.exact


def test_more_than_fifteen_are_flagged_and_keep_the_limits():
    finds = [Find(f"f{at:02}", 10 + at * 7 % 13, 20 + at * 11 % 17, at % 4, at % 6) for at in range(30)]

    found = choose_finds(finds, cash=150, room=30, minutes=60)

    assert not found.exact
    assert "not proved best" in found.method
    assert 0 < found.cash <= 150
    assert found.gain > 0


def test_what_is_passed_says_why():
    found = choose_finds(
        [
            Find("chair", 40, 60, 2, 100),
            Find("wardrobe", 50, 90, 20, 100),
            Find("stool", 30, -5, 1, 50),
            Find("mirror", 70, 50, 1, 10),
            Find("table", 300, 200, 1, 10),
            Find("bench", 10, 5, 1, 600),
        ],
        cash=100,
        room=10,
        minutes=500,
    )

    assert found.take == ("chair",)
    assert {passed.name: passed.reason for passed in found.passed} == {
        "wardrobe": "it does not fit into the van",
        "stool": "it should gain nothing",
        "mirror": "no cash left beside the others",
        "table": "not enough cash for it",
        "bench": "not enough bench hours for it",
    }


def test_two_of_the_same_name_are_refused():
    with pytest.raises(ValueError, match="same name"):
        choose_finds([Find("a", 1, 1), Find("a", 2, 2)], cash=5)
