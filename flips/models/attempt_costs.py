"""What attempts have cost, in cash and in minutes, apart."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from flips.models.facts import piece_facts


@dataclass(frozen=True)
class AttemptCost:
    """Cash in whole minor units (materials used and paid help), and minutes of everybody."""

    cents: int = 0
    minutes: int = 0


def attempt_costs(pieces: Collection[int], *, zone: ZoneInfo) -> dict[int, AttemptCost]:
    """The cost of every attempt on the given pieces that has any, by its id, in a fixed number of queries."""
    lines, hours = piece_facts(pieces, zone=zone)
    cents: dict[int, int] = defaultdict(int)
    minutes: dict[int, int] = defaultdict(int)
    for line in lines:
        if line.attempt is not None and line.is_piece_cost:
            cents[int(line.attempt)] += line.cents
    for spell in hours:
        if spell.attempt is not None:
            minutes[int(spell.attempt)] += spell.minutes
    return {pk: AttemptCost(cents[pk], minutes[pk]) for pk in cents.keys() | minutes.keys()}
