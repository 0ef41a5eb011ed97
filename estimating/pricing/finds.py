"""Which of several finds to take with the cash, the van room and the bench hours at hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

__all__ = ["MOST_EXACT", "Find", "Haul", "Passed", "choose_finds"]

MOST_EXACT = 15
EVERY_COMBINATION = "every combination weighed"
GREEDY = "best gain for what it takes up, with swaps; not proved best"


@dataclass(frozen=True)
class Find:
    """One find: what it costs now, the room it takes (any whole unit), the minutes it needs, what it should gain."""

    name: str
    cash: int
    gain: int
    room: int = 0
    minutes: int = 0

    def __post_init__(self) -> None:
        if min(self.cash, self.room, self.minutes) < 0:
            raise ValueError(f"“{self.name}”: cash, room and minutes can't be negative.")


@dataclass(frozen=True)
class Passed:
    """A find that is not taken, and why."""

    name: str
    reason: str


@dataclass(frozen=True)
class Haul:
    """The finds to take, what they take up and gain together, and those to pass."""

    take: tuple[str, ...]
    passed: tuple[Passed, ...]
    cash: int
    room: int
    minutes: int
    gain: int
    exact: bool
    method: str


def choose_finds(
    finds: Sequence[Find], *, cash: int, room: int | None = None, minutes: int | None = None
) -> Haul:
    """The finds that together gain most within the limits (None: no limit), exactly up to fifteen.

    A find that gains nothing is not taken. Between equal gains the one that needs less cash wins, then fewer finds,
    then the names. More than fifteen go by a heuristic, said in ``method``. Raises ValueError for a negative limit or
    a name that comes twice.
    """
    if len({find.name for find in finds}) != len(finds):
        raise ValueError("Two finds have the same name.")
    if min(cash, room or 0, minutes or 0) < 0:
        raise ValueError("Cash, room and hours can't be negative.")
    limits = (cash, room, minutes)
    able = sorted(
        (find for find in finds if find.gain > 0 and _fits([find], limits)), key=lambda find: find.name
    )
    exact = len(able) <= MOST_EXACT
    chosen = _weigh_all(able, limits) if exact else _greedy(able, limits)
    names = {find.name for find in chosen}
    return Haul(
        tuple(find.name for find in chosen),
        tuple(
            Passed(find.name, _why_passed(find, chosen, limits)) for find in finds if find.name not in names
        ),
        sum(find.cash for find in chosen),
        sum(find.room for find in chosen),
        sum(find.minutes for find in chosen),
        sum(find.gain for find in chosen),
        exact,
        EVERY_COMBINATION if exact else GREEDY,
    )


Limits = tuple[int, int | None, int | None]


def _takes(finds: Sequence[Find]) -> tuple[int, int, int]:
    return (
        sum(find.cash for find in finds),
        sum(find.room for find in finds),
        sum(find.minutes for find in finds),
    )


def _fits(finds: Sequence[Find], limits: Limits) -> bool:
    return all(limit is None or taken <= limit for taken, limit in zip(_takes(finds), limits, strict=True))


def _weigh_all(finds: Sequence[Find], limits: Limits) -> list[Find]:
    """Every combination, each built from a smaller one; those that grew too large are not built upon."""
    cash_limit, room_limit, minutes_limit = limits
    states: list[tuple[int, int, int, int, int]] = [(0, 0, 0, 0, 0)]
    best = (0, 0, 0)
    best_set = 0
    for at, find in enumerate(finds):
        grown = []
        for gain, cash, room, minutes, taken in states:
            more_cash, more_room, more_minutes = cash + find.cash, room + find.room, minutes + find.minutes
            if more_cash > cash_limit:
                continue
            if room_limit is not None and more_room > room_limit:
                continue
            if minutes_limit is not None and more_minutes > minutes_limit:
                continue
            grown.append((gain + find.gain, more_cash, more_room, more_minutes, taken | 1 << at))
        for gain, cash, _, _, taken in grown:
            rank = (-gain, cash, taken.bit_count())
            if rank < best or (rank == best and _earlier(taken, best_set)):
                best, best_set = rank, taken
        states += grown
    return [find for at, find in enumerate(finds) if best_set >> at & 1]


def _earlier(one: int, other: int) -> bool:
    """Whether the first of two sets, places sorted by name, has the earlier name where they first differ."""
    differ = one ^ other
    return bool(one & differ & -differ)


def _greedy(finds: Sequence[Find], limits: Limits) -> list[Find]:
    def load(find: Find) -> Fraction:
        takes = zip((find.cash, find.room, find.minutes), limits, strict=True)
        return sum((Fraction(taken, limit) for taken, limit in takes if limit), Fraction(0))

    orders = (
        sorted(finds, key=lambda find: (-find.gain, find.name)),
        sorted(finds, key=lambda find: (-find.gain / (load(find) or Fraction(1, 10**9)), find.name)),
    )
    best: list[Find] = []
    for order in orders:
        chosen: list[Find] = []
        for find in order:
            if _fits([*chosen, find], limits):
                chosen.append(find)
        chosen = _swap(chosen, finds, limits)
        if sum(find.gain for find in chosen) > sum(find.gain for find in best):
            best = chosen
    return sorted(best, key=lambda find: find.name)


def _swap(chosen: list[Find], finds: Sequence[Find], limits: Limits) -> list[Find]:
    """Replaces one by a better one, or adds one, while that helps."""
    better = True
    while better:
        better = False
        for find in finds:
            if find in chosen:
                continue
            if _fits([*chosen, find], limits):
                chosen, better = [*chosen, find], True
                continue
            for out in chosen:
                trial = [one for one in chosen if one is not out] + [find]
                if find.gain > out.gain and _fits(trial, limits):
                    chosen, better = trial, True
                    break
    return chosen


def _why_passed(find: Find, chosen: Sequence[Find], limits: Limits) -> str:
    if find.gain <= 0:
        return "it should gain nothing"
    words = ("not enough cash for it", "it does not fit into the van", "not enough bench hours for it")
    for taken, limit, said in zip(_takes([find]), limits, words, strict=True):
        if limit is not None and taken > limit:
            return said
    words = (
        "no cash left beside the others",
        "no room left beside the others",
        "no bench hours left beside the others",
    )
    for taken, limit, said in zip(_takes([*chosen, find]), limits, words, strict=True):
        if limit is not None and taken > limit:
            return said
    return "the others gain more"
