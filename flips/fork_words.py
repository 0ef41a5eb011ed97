"""The fork in plain words: what an order costs more and why, what a wish costs, and what to do next; pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from estimating.chances import Chance
from estimating.money import round_half_up
from estimating.remedies import Move, Ranking, Wish
from finishes.measures import trim_decimal
from flips.wording import hours_words

Say = Callable[[Fraction | int], str]


def in_100(chance: Fraction) -> str:
    """A chance as cases of a hundred; never "0" or "100" unless it is exactly that."""
    nearest = round_half_up(chance * 100)
    if nearest == 100 and chance < 1:
        return "more than 99 of 100"
    if nearest == 0 and chance > 0:
        return "less than 1 of 100"
    return f"{nearest} of 100"


def chance_working(chance: Chance) -> str:
    """How a chance came about, told with its numbers: tries on record and the guess beside them."""
    tries = chance.tries
    guessed = chance.guess * chance.guess_tries
    good = tries.worked + chance.partly_weight * tries.partly
    beside = f"your guess counts as {_number(chance.guess_tries)} tries of which {_number(guessed)} work"
    if not tries.count:
        return f"Not tried yet; {beside}."
    partly = " (one that worked partly counts as half)" if tries.partly else ""
    return (
        f"{_number(good)} of {tries.count} worked{partly}; {beside}. Together {_number(good + guessed)}"
        f" of {_number(tries.count + chance.guess_tries)}."
    )


def _number(value: Fraction) -> str:
    return trim_decimal(Fraction(value), 1)


def time_of(hours: Fraction) -> str:
    """Hours as hours and minutes."""
    minutes = round_half_up(abs(hours) * 60)
    return hours_words(minutes)


def days_of(days: Fraction) -> str:
    """Days to the nearest half."""
    halves = round_half_up(days * 2)
    whole, half = divmod(halves, 2)
    if not whole and half:
        return "half a day"
    return f"{whole}{'½' if half else ''} day{'' if halves == 2 else 's'}"


def against_her_order(found: Ranking, *, say: Say) -> str:
    """What her order costs more than the best on average, and why; empty without an order of hers."""
    if found.own is None or found.saves_over_own is None:
        return ""
    more = found.saves_over_own
    if round_half_up(more) == 0:
        return "Your order costs the same on average."
    if more < 0:
        return (
            f"Your order costs {say(-more)} less on average, but puts it right in {in_100(found.own.chance)} cases"
            f" instead of {in_100(found.expected.chance)}."
        )
    reason = _first_difference(found, say=say)
    return f"Your order costs {say(more)} more on average{', because ' + reason if reason else '.'}"


def _first_difference(found: Ranking, *, say: Say) -> str:
    cards = {card.name: card for card in found.order}
    left_out = {row.name: row.reason for row in found.left_out}
    for best, hers in zip(found.names, found.own_order, strict=False):
        if best == hers:
            continue
        first = cards[best]
        if hers in left_out:
            return f"“{hers}” is not worth trying there: {left_out[hers]}."
        other = cards.get(hers)
        if other is None:
            return ""
        return (
            f"“{hers}” takes {say(other.cost)} and works in {in_100(other.chance)} cases, while “{best}” takes"
            f" {say(first.cost)} and works in {in_100(first.chance)}: trying that first often saves you the other."
        )
    return ""


def of_wish(wish: Wish, *, say: Say) -> str:
    """What obeying a wish costs in money, time and days."""
    if not wish.ruled_out or wish.bound is None:
        return wish.words
    parts = [
        f"{words} {'more' if extra > 0 else 'less'}{what}"
        for extra, words, what in (
            (wish.extra_cost, say(_size(wish.extra_cost)), " all in"),
            (wish.extra_hours, time_of(wish.extra_hours or Fraction(0)), " of your time"),
            (wish.extra_days, days_of(_size(wish.extra_days)), ""),
        )
        # What rounds to nothing is not worth a word.
        if extra and words not in (say(0), time_of(Fraction(0)), days_of(Fraction(0)))
    ]
    said = f"On average it takes {_listed(parts)}." if parts else "It costs nothing more."
    if wish.lost_chance > 0:
        said += (
            f" The chance of putting it right falls from {in_100(wish.free.expected.chance)}"
            f" to {in_100(wish.bound.expected.chance)}."
        )
    return said


def _size(extra: Fraction | None) -> Fraction:
    """How much, whichever way."""
    return extra if extra is not None and extra >= 0 else -(extra or Fraction(0))


def _listed(parts: Sequence[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


@dataclass(frozen=True)
class Share:
    """One line of the working: how often it comes up, what it takes then, and what that is on average."""

    name: str
    reached: Fraction
    cost: Fraction

    @property
    def average(self) -> Fraction:
        """What it adds to the expected cost."""
        return self.reached * self.cost

    @property
    def in_words(self) -> str:
        """How often it comes up."""
        return "always" if self.reached == 1 else f"in {in_100(self.reached)} cases"


def working(
    found: Ranking, *, costs: Mapping[str, Fraction], chances: Mapping[str, Fraction]
) -> tuple[Share, ...]:
    """The lines that add up to what the plan takes on average, in the order in which they first come up.

    ``costs`` and ``chances`` are by step where the plan goes by steps (``found.first``), else unused.
    """
    if found.first is None:
        return tuple(
            Share(card.name, card.reached, card.cost) for card in found.order if card.reached is not None
        )
    reached = _reached(found.first, chances)
    return tuple(Share(name, how_often, costs[name]) for name, how_often in reached.items())


def _reached(first: Move, chances: Mapping[str, Fraction]) -> dict[str, Fraction]:
    """How likely each step comes up under an adaptive plan; shared branches are walked once."""
    order: list[Move] = []
    seen: set[int] = set()

    def walk(move: Move | None) -> None:
        if move is None or id(move) in seen:
            return
        seen.add(id(move))
        walk(move.if_it_works)
        walk(move.if_it_fails)
        order.append(move)

    walk(first)
    likely: dict[int, Fraction] = {id(move): Fraction(0) for move in order}
    likely[id(first)] = Fraction(1)
    by_step: dict[str, Fraction] = {}
    for move in reversed(order):
        here = likely[id(move)]
        by_step[move.step] = by_step.get(move.step, Fraction(0)) + here
        chance = chances[move.step]
        for then, share in ((move.if_it_works, chance), (move.if_it_fails, 1 - chance)):
            if then is not None:
                likely[id(then)] += here * share
    return by_step


@dataclass(frozen=True)
class Turn:
    """One line of the plan as a story: at which depth, what to do, and after what."""

    depth: int
    after: str
    step: str
    works: str
    fails: str


MOST_TURNS = 12


def story(first: Move | None) -> tuple[Turn, ...]:
    """The plan step by step: what to do now, what if it works, what if it fails; cut off after a dozen lines."""
    turns: list[Turn] = []

    def tell(move: Move | None, after: str, depth: int) -> None:
        if move is None or len(turns) >= MOST_TURNS:
            return
        works = "" if move.if_it_works else ("done" if move.works_then else "give up")
        fails = "" if move.if_it_fails else ("done" if move.fails_then else "give up")
        turns.append(Turn(depth, after, move.step, works, fails))
        tell(move.if_it_works, f"if “{move.step}” works", depth + 1)
        tell(move.if_it_fails, f"if “{move.step}” fails", depth + 1)

    tell(first, "", 0)
    return tuple(turns)
