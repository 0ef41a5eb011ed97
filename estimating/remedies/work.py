"""Steps and remedies as the engine takes them, checked once so that the arithmetic need not ask again.

Money is in any one unit (minor units from the records, major units on the command line), hours and days are exact
fractions, chances run from 0 to 1. Nothing here is a float.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

__all__ = [
    "AnyOf",
    "BadRemedy",
    "Exact",
    "Figures",
    "Remedy",
    "Step",
    "check_remedies",
    "check_steps",
    "cost_of",
    "refuse_circles",
]

Exact = Fraction | Decimal | int
MOST_ENTRIES = 100


class BadRemedy(ValueError):
    """Steps or remedies that make no sense together; the message names the one that is wrong."""


@dataclass(frozen=True)
class Step:
    """One thing to do: hours of work, money for materials, days that pass meanwhile, and the chance that it works.

    ``after`` names steps that must be behind her before this one can start; ``spoils`` names steps or remedies that
    can no longer be tried once this one has been. A step of the same name in another remedy is the same work, done
    and paid once. Raises BadRemedy for a float, a negative figure or a chance outside 0 to 1.
    """

    name: str
    hours: Exact = 0
    materials: Exact = 0
    chance: Exact = 1
    after: tuple[str, ...] = ()
    spoils: tuple[str, ...] = ()
    days: Exact = 0
    tags: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise BadRemedy("A step needs a name.")
        for field in ("hours", "materials", "chance", "days"):
            value = getattr(self, field)
            if isinstance(value, bool) or not isinstance(value, (int, Fraction, Decimal)):
                raise BadRemedy(f"“{self.name}”: {field} must be an exact number, not {value!r}.")
            if value < 0:
                raise BadRemedy(f"“{self.name}”: {field} can't be negative.")
            object.__setattr__(self, field, Fraction(value))
        if self.chance > 1:
            raise BadRemedy(f"“{self.name}”: a chance runs from 0 to 1; write 0.8 for 80 %.")


@dataclass(frozen=True)
class AnyOf:
    """A step of a remedy that can be done in several ways: one of them working is enough."""

    name: str
    options: tuple[Step, ...]

    def __post_init__(self) -> None:
        if not self.options:
            raise BadRemedy(f"“{self.name}” has no way of doing it.")


@dataclass(frozen=True)
class Remedy:
    """One way to put a fault right: every step must work.

    ``after`` names remedies that must have been tried before ("needs first"); ``spoils`` names remedies that trying
    this one makes impossible. The ``tags`` of a remedy or step say what it asks of her ("smells", "outdoors"), so that
    a wish can rule it out.
    """

    name: str
    steps: tuple[Step | AnyOf, ...]
    after: tuple[str, ...] = ()
    spoils: tuple[str, ...] = ()
    tags: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise BadRemedy("A remedy needs a name.")
        if not self.steps:
            raise BadRemedy(f"“{self.name}” has no steps.")

    @classmethod
    def single(
        cls,
        name: str,
        *,
        hours: Exact = 0,
        materials: Exact = 0,
        chance: Exact = 1,
        after: Iterable[str] = (),
        spoils: Iterable[str] = (),
        days: Exact = 0,
        tags: Iterable[str] = (),
    ) -> Remedy:
        """A remedy that is one step."""
        step = Step(name, hours, materials, chance, days=days)
        return cls(name, (step,), tuple(after), tuple(spoils), frozenset(tags))

    @property
    def all_steps(self) -> tuple[Step, ...]:
        """Every step with its alternatives, in order."""
        return tuple(
            step for part in self.steps for step in (part.options if isinstance(part, AnyOf) else (part,))
        )

    @property
    def is_one_step(self) -> bool:
        """Whether nothing can be known about it before it is done."""
        return len(self.steps) == 1 and isinstance(self.steps[0], Step)


@dataclass(frozen=True)
class Figures:
    """What a way of going about it comes to on average, and its chance of success.

    ``spend`` is materials plus hours at the worth of an hour; ``cost`` is ``spend`` plus the price of giving up times
    the chance of ending there. ``days`` are days that pass.
    """

    cost: Fraction
    spend: Fraction
    materials: Fraction
    hours: Fraction
    days: Fraction
    chance: Fraction


def cost_of(step: Step, hour_value: Fraction) -> Fraction:
    """Materials plus hours at what an hour is worth."""
    return Fraction(step.materials) + Fraction(step.hours) * hour_value


def _once(names: Sequence[str], what: str) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise BadRemedy(f"Two {what} are called “{name}”.")
        seen.add(name)


def refuse_circles(needs: Mapping[str, Sequence[str]]) -> None:
    """Raises BadRemedy naming the circle when something needs itself first."""
    done: set[str] = set()
    for start in needs:
        path: list[str] = []
        stack: list[tuple[str, int]] = [(start, 0)]
        while stack:
            name, place = stack.pop()
            if place == 0:
                if name in done:
                    continue
                if name in path:
                    circle = [*path[path.index(name) :], name]
                    raise BadRemedy(
                        "These wait for each other: " + " after ".join(f"“{x}”" for x in circle) + "."
                    )
                path.append(name)
            if place < len(needs[name]):
                stack.append((name, place + 1))
                stack.append((needs[name][place], 0))
            else:
                done.add(name)
                path.pop()


def _check_names(rows: Sequence[tuple[str, tuple[str, ...], tuple[str, ...]]], what: str) -> None:
    if not rows:
        raise BadRemedy(f"There are no {what} to order.")
    if len(rows) > MOST_ENTRIES:
        raise BadRemedy(f"More than {MOST_ENTRIES} {what} can't be weighed at once.")
    names = [name for name, _, _ in rows]
    _once(names, what)
    known = set(names)
    for name, after, spoils in rows:
        for field, others in (("after", after), ("spoils", spoils)):
            for other in others:
                if other not in known:
                    raise BadRemedy(f"“{name}”: {field} names “{other}”, which is not one of the {what}.")
                if other == name:
                    raise BadRemedy(f"“{name}”: {field} names itself.")
    refuse_circles({name: after for name, after, _ in rows})


def check_steps(steps: Sequence[Step]) -> None:
    """Raises BadRemedy unless names are unique, known where named, and some order can do all the steps."""
    _check_names([(step.name, step.after, step.spoils) for step in steps], "steps")
    needs = {step.name: list(step.after) for step in steps}
    for step in steps:
        for spoiled in step.spoils:
            # Every step must be done, so what would be spoiled comes before what spoils it.
            needs[step.name].append(spoiled)
    try:
        refuse_circles(needs)
    except BadRemedy as error:
        raise BadRemedy(f"No order can do every step. {error}") from error


def check_remedies(remedies: Sequence[Remedy]) -> None:
    """Raises BadRemedy unless names are unique and known where named, and a shared step is the same everywhere."""
    _check_names([(remedy.name, remedy.after, remedy.spoils) for remedy in remedies], "remedies")
    known: dict[str, Step] = {}
    groups = {remedy.name for remedy in remedies}
    for remedy in remedies:
        _once([step.name for step in remedy.all_steps], f"steps of “{remedy.name}”")
        groups |= {part.name for part in remedy.steps if isinstance(part, AnyOf)}
        for step in remedy.all_steps:
            if known.setdefault(step.name, step) != step:
                raise BadRemedy(f"The step “{step.name}” is shared but not the same in “{remedy.name}”.")
    if len(known) > MOST_ENTRIES:
        raise BadRemedy(f"More than {MOST_ENTRIES} steps can't be weighed at once.")
    for step in known.values():
        for field, others in (("after", step.after), ("spoils", step.spoils)):
            for other in others:
                if other not in known and other not in groups:
                    raise BadRemedy(f"“{step.name}”: {field} names “{other}”, which is not here.")
    refuse_circles({name: [x for x in step.after if x in known] for name, step in known.items()})
