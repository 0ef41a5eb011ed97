"""The chance that a technique works, from the shop's own tries and its guess.

The shop's guess counts as a stated number of tries: chance = (worked + guess x guess tries) / (tried + guess tries).
That is the mean of a beta distribution after binomial tries, so one failure moves a guess and fifty tries drown it.
A try that worked partly counts with a stated weight. What was set aside without an outcome is no try.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

__all__ = [
    "FEW_TRIES",
    "GUESS_TRIES",
    "LEVELS",
    "OUTCOMES",
    "PARTLY_WEIGHT",
    "Chance",
    "Level",
    "Tries",
    "learn",
    "level",
    "tally",
]

GUESS_TRIES = 4
PARTLY_WEIGHT = Fraction(1, 2)
FEW_TRIES = 5

WORKED, PARTLY, FAILED, SET_ASIDE = "worked", "partly", "failed", "set aside"
OUTCOMES = (WORKED, PARTLY, FAILED, SET_ASIDE)


@dataclass(frozen=True)
class Level:
    """One of the five buttons a guess is given with."""

    key: str
    words: str
    chance: Fraction


LEVELS = (
    Level("almost-sure", "almost sure", Fraction(95, 100)),
    Level("likely", "likely", Fraction(80, 100)),
    Level("even", "even", Fraction(50, 100)),
    Level("doubtful", "doubtful", Fraction(30, 100)),
    Level("unlikely", "unlikely", Fraction(10, 100)),
)


def level(key: str) -> Level:
    """The button of that key; raises ValueError that lists the keys."""
    for one in LEVELS:
        if one.key == key:
            return one
    raise ValueError(f"“{key}” is not one of: {', '.join(one.key for one in LEVELS)}")


@dataclass(frozen=True)
class Tries:
    """How often something worked, worked partly and failed. Raises ValueError for a negative count."""

    worked: int = 0
    partly: int = 0
    failed: int = 0

    def __post_init__(self) -> None:
        if min(self.worked, self.partly, self.failed) < 0:
            raise ValueError("A number of tries can't be negative.")

    @property
    def count(self) -> int:
        """All tries with an outcome."""
        return self.worked + self.partly + self.failed

    def __add__(self, other: Tries) -> Tries:
        return Tries(self.worked + other.worked, self.partly + other.partly, self.failed + other.failed)


def tally(outcomes: Iterable[str]) -> Tries:
    """Counts outcomes; what was set aside is no try. Raises ValueError for an outcome it does not know."""
    counts = dict.fromkeys(OUTCOMES, 0)
    for outcome in outcomes:
        if outcome not in counts:
            raise ValueError(f"“{outcome}” is not one of: {', '.join(OUTCOMES)}")
        counts[outcome] += 1
    return Tries(counts[WORKED], counts[PARTLY], counts[FAILED])


@dataclass(frozen=True)
class Chance:
    """A chance with what it rests on; ``chance`` is exact."""

    chance: Fraction
    tries: Tries
    guess: Fraction
    guess_tries: Fraction
    partly_weight: Fraction

    @property
    def is_guess(self) -> bool:
        """Whether there are too few tries (under five) to call it more than a guess."""
        return self.tries.count < FEW_TRIES

    @property
    def percent(self) -> int:
        """In whole per cent, rounded half up; 0 and 100 only when it is exactly that."""
        nearest = int(self.chance * 100 + Fraction(1, 2))
        if nearest == 100 and self.chance < 1:
            return 99
        return 1 if nearest == 0 and self.chance > 0 else nearest

    @property
    def evidence(self) -> str:
        """What it rests on, in words: "worked 4 of 5 times", "a guess; worked 0 of 2 times"."""
        tries = self.tries
        if not tries.count:
            return "a guess: not tried yet"
        times = "time" if tries.count == 1 else "times"
        said = f"worked {tries.worked} of {tries.count} {times}"
        if tries.partly:
            said += f", partly {tries.partly}"
        return f"a guess; {said}" if self.is_guess else said

    @property
    def working(self) -> str:
        """How the figure came about, in numbers."""
        good = self.tries.worked + self.partly_weight * self.tries.partly
        return (
            f"({_plain(good)} worked + {_plain(self.guess * self.guess_tries)} of the guess) / "
            f"({self.tries.count} tried + {_plain(self.guess_tries)} for the guess)"
        )


def learn(
    tries: Tries,
    *,
    guess: Fraction | Decimal | int,
    guess_tries: Fraction | Decimal | int = GUESS_TRIES,
    partly_weight: Fraction | Decimal | int = PARTLY_WEIGHT,
) -> Chance:
    """The chance after the shop's tries, its guess counting as ``guess_tries`` tries.

    Raises ValueError for a guess or weight outside 0 to 1, a negative number of tries, or nothing at all to go by.
    """
    exact_guess, weight, prior = Fraction(guess), Fraction(partly_weight), Fraction(guess_tries)
    if not 0 <= exact_guess <= 1:
        raise ValueError("A guess runs from 0 to 1: write 0.8 for 80 %.")
    if not 0 <= weight <= 1:
        raise ValueError("The weight of a partly worked try runs from 0 to 1.")
    if prior < 0:
        raise ValueError("The guess can't count as a negative number of tries.")
    if not tries.count + prior:
        raise ValueError("There are neither tries nor a guess to go by.")
    good = tries.worked + weight * tries.partly
    return Chance((good + exact_guess * prior) / (tries.count + prior), tries, exact_guess, prior, weight)


def _plain(value: Fraction) -> str:
    return str(value.numerator) if value.denominator == 1 else f"{float(value):.2f}".rstrip("0").rstrip(".")
