"""How much one piece is like another, as a briefing on a find needs it; pure, without the database."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

# What counts how much; workshop judgement, no source.
SAME_KIND, SAME_FAULT, SAME_MATERIAL, SAME_WORD = 4, 3, 2, 1
SMALL_WORDS = frozenset(
    {"a", "an", "and", "for", "from", "in", "of", "on", "only", "so", "the", "with", "photo", "far"}
)


@dataclass(frozen=True)
class Traits:
    """What is compared of a piece."""

    key: int
    kind: str = ""
    what: str = ""
    faults: frozenset[str] = field(default_factory=frozenset)
    materials: frozenset[str] = field(default_factory=frozenset)

    @property
    def words(self) -> frozenset[str]:
        """The words of its name that say something."""
        return frozenset(re.findall(r"[^\W\d_]{3,}", self.what.lower())) - SMALL_WORDS


@dataclass(frozen=True)
class Like:
    """A piece that is like another, with the reasons; the higher the score the more."""

    key: int
    score: int
    reasons: tuple[str, ...]


def like(one: Traits, other: Traits) -> Like:
    """How much ``other`` is like ``one``: same kind, faults and materials in common, words of the name in common."""
    score, reasons = 0, []
    if one.kind and one.kind == other.kind:
        score += SAME_KIND
        reasons.append(f"also {_a(other.kind.lower())}")
    for shared, worth in (
        (one.faults & other.faults, SAME_FAULT),
        (one.materials & other.materials, SAME_MATERIAL),
    ):
        score += worth * len(shared)
        reasons += [word.lower() for word in sorted(shared)]
    words = one.words & other.words
    score += SAME_WORD * len(words)
    reasons += [f"“{word}”" for word in sorted(words) if word not in one.kind.lower()]
    return Like(other.key, score, tuple(reasons))


def most_like(one: Traits, others: Sequence[Traits], *, most: int = 3) -> tuple[Like, ...]:
    """The ``most`` pieces most like ``one``, best first; those with nothing in common and itself are left out."""
    found = [like(one, other) for other in others if other.key != one.key]
    ranked = sorted((row for row in found if row.score), key=lambda row: (-row.score, -row.key))
    return tuple(ranked[:most])


def _a(word: str) -> str:
    return f"{'an' if word[:1] in 'aeiou' else 'a'} {word}"
