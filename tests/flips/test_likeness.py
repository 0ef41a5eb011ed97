"""How much one piece is like another."""

from flips.likeness import Traits, like, most_like

MINE = Traits(1, "Dresser", "Painted pine dresser", frozenset({"Lifted veneer"}), frozenset({"Solid wood"}))


def test_kind_faults_materials_and_words_count():
    other = Traits(2, "Dresser", "Pine dresser", frozenset({"Lifted veneer"}), frozenset({"Solid wood"}))

    found = like(MINE, other)

    # 4 for the kind, 3 for the fault, 2 for the material, 1 each for "pine" and "dresser".
    assert found.score == 11
    assert found.reasons == ("also a dresser", "lifted veneer", "solid wood", "“pine”")


def test_what_has_nothing_in_common_is_left_out():
    assert most_like(MINE, [Traits(2, "Chair", "Beech chair"), MINE]) == ()


def test_the_newest_of_equals_comes_first():
    found = most_like(MINE, [Traits(key, "Dresser", "Oak") for key in (5, 9, 7, 3)])

    assert [one.key for one in found] == [9, 7, 5]
