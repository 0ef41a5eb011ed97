from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from estimating.chances import LEVELS, Tries, learn, level, tally

scipy_stats = pytest.importorskip("scipy.stats")


@settings(deadline=None)
@given(st.integers(0, 40), st.integers(0, 40), st.sampled_from(LEVELS), st.integers(1, 20))
def test_the_chance_is_the_mean_of_the_beta_binomial_in_scipy(worked, failed, guess, guess_tries):
    found = learn(Tries(worked, 0, failed), guess=guess.chance, guess_tries=guess_tries)

    before = float(guess.chance) * guess_tries, float(1 - guess.chance) * guess_tries
    next_try = scipy_stats.betabinom(1, before[0] + worked, before[1] + failed)
    assert float(found.chance) == pytest.approx(next_try.mean(), abs=1e-12)


def test_four_of_five_on_an_even_guess_of_four_tries():
    # (4 + 0.5 x 4) / (5 + 4)
    assert learn(Tries(4, 0, 1), guess=Fraction(1, 2)).chance == Fraction(6, 9)


def test_partly_worked_counts_half_unless_told_otherwise():
    tries = Tries(0, 2, 0)

    assert learn(tries, guess=Fraction(1, 2), guess_tries=2).chance == Fraction(2, 4)
    assert learn(tries, guess=Fraction(1, 2), guess_tries=2, partly_weight=0).chance == Fraction(1, 4)


def test_without_tries_the_guess_stands():
    found = learn(Tries(), guess=level("likely").chance)

    assert found.chance == Fraction(8, 10)
    assert found.is_guess
    assert found.evidence == "a guess: not tried yet"


@pytest.mark.parametrize(("count", "guess"), [(4, True), (5, False)])
def test_under_five_tries_it_is_called_a_guess(count, guess):
    assert learn(Tries(worked=count), guess=Fraction(1, 2)).is_guess is guess


def test_evidence_in_words():
    assert learn(Tries(0, 0, 2), guess=0).evidence == "a guess; worked 0 of 2 times"
    assert learn(Tries(4, 1, 1), guess=0).evidence == "worked 4 of 6 times, partly 1"
    assert learn(Tries(0, 0, 1), guess=0).evidence == "a guess; worked 0 of 1 time"


def test_the_working_is_shown_in_numbers():
    assert learn(Tries(4, 1, 0), guess=Fraction(3, 10)).working == (
        "(4.5 worked + 1.2 of the guess) / (5 tried + 4 for the guess)"
    )


def test_what_was_set_aside_is_no_try():
    assert tally(["worked", "set aside", "failed", "partly", "worked"]) == Tries(2, 1, 1)


def test_the_five_buttons():
    assert [(one.words, one.chance * 100) for one in LEVELS] == [
        ("almost sure", 95),
        ("likely", 80),
        ("even", 50),
        ("doubtful", 30),
        ("unlikely", 10),
    ]


@pytest.mark.parametrize(
    ("tries", "guess", "percent"),
    [(Tries(999, 0, 1), 1, 99), (Tries(1, 0, 999), 0, 1), (Tries(3), 1, 100), (Tries(), 0, 0)],
)
def test_a_hundred_per_cent_is_shown_only_when_it_is(tries, guess, percent):
    assert learn(tries, guess=guess).percent == percent


@pytest.mark.parametrize(
    ("build", "says"),
    [
        (lambda: learn(Tries(), guess=80), "write 0.8 for 80 %"),
        (lambda: learn(Tries(), guess=0, guess_tries=0), "neither tries nor a guess"),
        (lambda: learn(Tries(), guess=0, guess_tries=-1), "negative"),
        (lambda: learn(Tries(), guess=0, partly_weight=2), "weight"),
        (lambda: Tries(failed=-1), "negative"),
        (lambda: tally(["meh"]), "“meh” is not one of"),
        (lambda: level("maybe"), "almost-sure"),
    ],
)
def test_nonsense_is_refused(build, says):
    with pytest.raises(ValueError, match=says):
        build()
