"""The fork board of a fault: its remedies as the engine sees them, what was tried, and what that leaves to weigh."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction

from estimating.chances import Chance
from estimating.pricing import Terms
from estimating.remedies import (
    BadRemedy,
    Fork,
    LeftOut,
    Placed,
    Ranking,
    Step,
    WayOut,
    Wish,
    ask_again,
    price_of_wish,
    rank,
    remaining,
    weigh_ways,
)
from estimating.remedies import Remedy as Entry
from estimating.remedies.work import cost_of
from finishes.cautions import Caution, cautions_for
from flips.fork_words import Share, chance_working, working
from flips.models.attempt_costs import attempt_costs
from flips.models.bench import Attempt, Outcome
from flips.models.learning import TryBook
from flips.models.people import Shop
from flips.models.remedies import Fault, Remedy, RemedyStep, Settled, StepMaterial, Tag
from flips.models.stock import Use

OPEN, UNDER_WAY, PASSED, FAILED = "open", "under_way", "passed", "failed"
STATE_OF = {
    Outcome.OPEN: UNDER_WAY,
    Outcome.WORKED: PASSED,
    # Partly is good enough to go on with; whether the whole is good enough is asked at the end.
    Outcome.PARTLY: PASSED,
    Outcome.FAILED: FAILED,
    Outcome.SET_ASIDE: OPEN,
}


@dataclass
class StepState:
    """A step of a remedy with its chance, what the record says, and how far it has come."""

    step: RemedyStep
    name: str
    chance: Chance
    record: str
    elsewhere: str
    state: str = OPEN
    last: Attempt | None = None

    @property
    def root(self) -> RemedyStep:
        """The step whose figures count."""
        return self.step.root

    @property
    def is_shared(self) -> bool:
        """Whether it is work shared with another remedy."""
        return self.step.root.pk != self.step.pk

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What to be careful of."""
        return self.root.technique.cautions

    @property
    def working(self) -> str:
        """How its chance came about, in words."""
        return chance_working(self.chance)

    @property
    def can_start(self) -> bool:
        """Whether it waits to be tried."""
        return self.state == OPEN


@dataclass
class RemedyState:
    """A remedy with its steps, how far it has come, and its card in the recommended order."""

    remedy: Remedy
    steps: list[StepState]
    placed: Placed | None = None
    number: int = 0

    @property
    def state(self) -> str:
        """Failed by one step, passed by all, under way, or open."""
        states = [one.state for one in self.steps]
        if FAILED in states:
            return FAILED
        if states and all(state == PASSED for state in states):
            return PASSED
        return UNDER_WAY if UNDER_WAY in states else OPEN

    @property
    def is_begun(self) -> bool:
        """Whether one of its own steps has been tried."""
        return any(one.state in (PASSED, FAILED, UNDER_WAY) and not one.is_shared for one in self.steps)

    @property
    def partly(self) -> bool:
        """Whether a step only worked partly."""
        return any(one.last is not None and one.last.outcome == Outcome.PARTLY for one in self.steps)

    @property
    def next_step(self) -> StepState | None:
        """What to do next of it, by the plan where there is one, else in its own order."""
        by_name = {one.name: one for one in self.steps if one.can_start}
        for name in self.placed.steps if self.placed else ():
            if name in by_name:
                return by_name[name]
        return next(iter(by_name.values()), None)

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """The cautions of all its steps, each once, gravest first."""
        return cautions_for({caution.code for one in self.steps for caution in one.cautions})

    @property
    def tag_words(self) -> list[str]:
        """What its steps ask for."""
        return list(dict.fromkeys(word for one in self.steps for word in one.root.tag_words))

    @property
    def evidence(self) -> str:
        """What its chance rests on: its one step's record, or how many of its steps have one."""
        if len(self.steps) == 1:
            return self.steps[0].chance.evidence
        known = sum(1 for one in self.steps if not one.chance.is_guess)
        return f"{known} of {len(self.steps)} steps rest on five tries or more"

    @property
    def is_guess(self) -> bool:
        """Whether one of its chances rests on fewer than five tries."""
        return any(one.chance.is_guess for one in self.steps)


@dataclass
class WishPrice:
    """A wish she can tick, whether it is, and what it costs when it is."""

    tag: Tag
    words: str
    ticked: bool
    price: Wish | None = None
    said: str = ""
    out: str = ""


@dataclass
class Board:
    """All that the page of a fault shows; what is spent already is shown and in no sum."""

    fault: Fault
    remedies: list[RemedyState]
    order: list[RemedyState] = field(default_factory=list)
    left_out: list[tuple[RemedyState, str]] = field(default_factory=list)
    tried: list[RemedyState] = field(default_factory=list)
    ruled_out: list[RemedyState] = field(default_factory=list)
    spoiled: list[RemedyState] = field(default_factory=list)
    unfinished: list[RemedyState] = field(default_factory=list)
    worked: RemedyState | None = None
    under_way: list[Attempt] = field(default_factory=list)
    own: list[RemedyState] = field(default_factory=list)
    ranking: Ranking | None = None
    fork: Fork | None = None
    hour_value: int = 0
    shares: tuple[Share, ...] = ()
    wishes: list[WishPrice] = field(default_factory=list)
    together: Wish | None = None
    sunk_cents: int = 0
    sunk_minutes: int = 0
    ask: str = ""
    trouble: str = ""

    @property
    def next_step(self) -> StepState | None:
        """The very next thing to do by the plan."""
        if self.ranking is None or not self.order:
            return None
        if self.ranking.first is not None:
            for one in self.remedies:
                for step in one.steps:
                    if step.name == self.ranking.first.step and step.can_start:
                        return step
        return self.order[0].next_step


# From rows to the engine


def load(fault: Fault, *, book: TryBook | None = None) -> list[RemedyState]:
    """The remedies of a fault with their steps and where each stands, in a fixed number of queries."""
    return load_all([fault], book=book)[fault.pk]


def load_all(faults: Sequence[Fault], *, book: TryBook | None = None) -> dict[int, list[RemedyState]]:
    """``load`` of several faults by their ids, in as many queries as for one; take the faults ``with_parts``."""
    book = book or TryBook.of_the_shop()
    by_fault: dict[int, list[Remedy]] = {fault.pk: [] for fault in faults}
    for remedy in Remedy.objects.live().filter(fault__in=list(by_fault)).in_order().with_steps():
        by_fault[remedy.fault_id].append(remedy)
    found = {fault.pk: _states(fault, by_fault[fault.pk], book) for fault in faults}
    _note_attempts([state for states in found.values() for state in states])
    return found


def _states(fault: Fault, rows: Sequence[Remedy], book: TryBook) -> list[RemedyState]:
    material, names, states = fault.material, _step_names(rows), []
    for remedy in rows:
        steps = []
        for step in remedy.its_steps():
            technique = step.root.technique.name
            steps.append(
                StepState(
                    step,
                    names[step.root.pk],
                    book.chance(technique, guess=step.root.guess, material=material, fault=fault.kind),
                    book.on_material(technique, material),
                    book.elsewhere(technique, material),
                )
            )
        states.append(RemedyState(remedy, steps))
    return states


def _step_names(remedies: Sequence[Remedy]) -> dict[int, str]:
    """A name for every step that is its own work, unlike any other: the technique, with more where it comes twice."""
    roots: dict[int, tuple[str, str]] = {}
    for remedy in remedies:
        for step in remedy.its_steps():
            roots.setdefault(step.root.pk, (step.root.technique.name, remedy.name))
    count: dict[str, int] = {}
    for technique, _ in roots.values():
        count[technique] = count.get(technique, 0) + 1
    named: dict[int, str] = {}
    taken: set[str] = set()
    for pk, (technique, home) in roots.items():
        name = technique if count[technique] == 1 else f"{technique} ({home})"
        again = 2
        while name in taken:
            name = f"{technique} ({home}, {again})"
            again += 1
        taken.add(name)
        named[pk] = name
    return named


def _note_attempts(states: Sequence[RemedyState]) -> None:
    by_root: dict[int, list[StepState]] = {}
    root_of: dict[int, int] = {}
    for one in states:
        for step in one.steps:
            by_root.setdefault(step.root.pk, []).append(step)
            root_of[step.step.pk] = step.root.pk
    rows = (
        Attempt.objects.live()
        .filter(step__in=list({*root_of, *by_root}))
        .select_related("remedy", "piece")
        .prefetch_related("time_entries")
        .order_by("began_at", "pk")
    )
    for attempt in rows:
        tried = attempt.step_id or 0
        for step in by_root.get(root_of.get(tried, tried), ()):
            step.last, step.state = attempt, STATE_OF[Outcome(attempt.outcome)]


def as_entries(states: Sequence[RemedyState]) -> list[Entry]:
    """The remedies as the engine takes them, money in minor units; those without steps or ruled out are left out.

    A step comes after the one before it in its remedy, unless it is a test that can come at any point.
    """
    able = [one for one in states if one.steps and not one.remedy.ruled_out]
    names = {one.remedy.pk: one.remedy.name for one in able}
    built: dict[int, Step] = {}
    for one in able:
        before = ""
        for state in one.steps:
            root = state.root
            if root.pk not in built:
                built[root.pk] = Step(
                    state.name,
                    hours=Fraction(root.minutes, 60),
                    materials=root.money_cents,
                    chance=state.chance.chance,
                    after=(before,) if before and not root.any_time else (),
                    days=root.days,
                    tags=frozenset(root.tags),
                )
            if not root.any_time:
                before = state.name
    return [
        Entry(
            one.remedy.name,
            tuple(dict.fromkeys(built[state.root.pk] for state in one.steps)),
            after=tuple(names[other.pk] for other in one.remedy.needs_first.all() if other.pk in names),
            spoils=tuple(names[other.pk] for other in one.remedy.spoils.all() if other.pk in names),
        )
        for one in able
    ]


def what_is_left(states: Sequence[RemedyState]) -> tuple[list[Entry], set[str]]:
    """What is still open after what was tried, and the names of remedies that one begun already has made impossible."""
    entries = as_entries(states)
    passed = {step.name for one in states for step in one.steps if step.state == PASSED}
    failed = {step.name for one in states for step in one.steps if step.state == FAILED}
    tried = {one.remedy.name for one in states if one.state == FAILED}
    begun = {one.remedy.name for one in states if one.is_begun and not one.remedy.ruled_out}
    spoiled = {name for entry in entries if entry.name in begun for name in entry.spoils} - begun
    names = {entry.name for entry in entries}
    kept = remaining(entries, tried=tried & names, passed=passed, failed=failed)
    return [entry for entry in kept if entry.name not in spoiled], spoiled


# The board


def board_of(fault: Fault, *, shop: Shop, terms: Terms, now: datetime, wishes: Sequence[str] = ()) -> Board:
    """Everything the board shows, for an owner: the order, hers, the ways out, what wishes cost, and what is sunk.

    ``terms`` are what selling the piece would cost.
    """
    states = load(fault)
    board = Board(fault, states, hour_value=shop.wanted_hourly_cents)
    by_name = {one.remedy.name: one for one in states}
    board.ruled_out = [one for one in states if one.remedy.ruled_out]
    board.unfinished = [one for one in states if not one.steps and not one.remedy.ruled_out]
    board.tried = [one for one in states if one.state == FAILED and not one.remedy.ruled_out]
    board.worked = next((one for one in states if one.state == PASSED and not one.remedy.ruled_out), None)
    _note_sunk(board, shop=shop, now=now)
    try:
        left, spoiled = what_is_left(states)
        board.spoiled = [by_name[name] for name in sorted(spoiled) if by_name[name].state == OPEN]
        left = [entry for entry in left if by_name[entry.name].state != PASSED]
        own = _her_order(fault, states, left)
        _weigh(board, left, own, terms=terms)
    except BadRemedy as bad:
        board.trouble = str(bad)
        return board
    if board.ranking is not None:
        _place(board, by_name, left)
        _note_wishes(board, left, wishes)
    return board


def _her_order(fault: Fault, states: Sequence[RemedyState], left: Sequence[Entry]) -> list[str]:
    names = {entry.name for entry in left}
    return [one.remedy.name for one in states if one.remedy.name in names] if fault.own_order else []


def _weigh(board: Board, left: list[Entry], own: list[str], *, terms: Terms) -> None:
    fault = board.fault
    fixed = fault.fixed_cents if fault.fixed_cents is not None else fault.piece.expected_cents
    ways = ways_out(fault, terms)
    if ways and fixed is not None:
        board.fork = weigh_ways(
            left,
            hour_value=board.hour_value,
            worth_fixed=max(0, _net(terms, fixed)),
            ways_out=ways,
            sunk=board.sunk_cents,
            own_order=own,
        )
        board.ranking = board.fork.ranking
    elif left:
        board.ranking = rank(left, hour_value=board.hour_value, own_order=own)


def _net(terms: Terms, price: int) -> int:
    sale = terms.sale(price)
    return sale.revenue - sale.selling_costs


SELL_AS_IS, PART_OUT = "sell as is", "part out"


def ways_out(fault: Fault, terms: Terms) -> list[WayOut]:
    """Selling the piece as it is and parting it out, where she has said what they bring."""
    ways = []
    if fault.as_is_cents is not None:
        ways.append(WayOut(SELL_AS_IS, max(0, _net(terms, fault.as_is_cents))))
    if fault.as_parts_cents is not None:
        ways.append(
            WayOut(
                PART_OUT, max(0, _net(terms, fault.as_parts_cents)), hours=Fraction(fault.parting_minutes, 60)
            )
        )
    return ways


def _note_sunk(board: Board, *, shop: Shop, now: datetime) -> None:
    attempts = {
        step.last.pk: step.last for one in board.remedies for step in one.steps if step.last is not None
    }
    every = set(Attempt.objects.live().filter(remedy__fault=board.fault).values_list("pk", flat=True)) | set(
        attempts
    )
    costs = attempt_costs([board.fault.piece_id], zone=shop.zone) if every else {}
    board.sunk_cents = sum(cost.cents for pk, cost in costs.items() if pk in every)
    board.sunk_minutes = sum(cost.minutes for pk, cost in costs.items() if pk in every)
    board.under_way = under_way_of(board.remedies, now)
    for attempt in board.under_way:
        board.ask = board.ask or ask_again(
            just_failed=False,
            minutes_spent=minutes_on(attempt, now),
            minutes_expected=attempt.planned_minutes or 0,
        )
    ended = [one for one in attempts.values() if one.ended_at is not None]
    last = max(ended, key=lambda one: (one.ended_at, one.pk), default=None)
    just_failed = last is not None and last.outcome == Outcome.FAILED and not board.under_way
    if just_failed and board.fault.is_open:
        board.ask = ask_again(just_failed=True, minutes_spent=0, minutes_expected=0)


def minutes_on(attempt: Attempt, now: datetime) -> int:
    """Minutes of everybody on it, those on a timer that still runs included."""
    return sum(
        entry.minutes if entry.minutes is not None else int((now - entry.started_at).total_seconds() // 60)
        for entry in attempt.time_entries.all()
        if entry.voided_at is None
    )


def _place(board: Board, by_name: dict[str, RemedyState], left: Sequence[Entry]) -> None:
    ranking = board.ranking
    assert ranking is not None
    for number, card in enumerate(ranking.order, 1):
        state = by_name[card.name]
        state.placed, state.number = card, number
        board.order.append(state)
    board.left_out = [(by_name[row.name], row.reason) for row in ranking.left_out]
    places = {name: at for at, name in enumerate(ranking.own_order)}
    if places:
        board.own = sorted((by_name[name] for name in places), key=lambda one: places[one.remedy.name])
    else:
        board.own = [*board.order, *(state for state, _ in board.left_out)]
    worth = Fraction(board.hour_value)
    steps = {step.name: step for entry in left for step in entry.all_steps}
    board.shares = working(
        ranking,
        costs={name: cost_of(step, worth) for name, step in steps.items()},
        chances={name: Fraction(step.chance) for name, step in steps.items()},
    )


def _note_wishes(board: Board, left: list[Entry], wishes: Sequence[str]) -> None:
    present = {tag for entry in left for step in entry.all_steps for tag in step.tags}
    give_up = board.ranking.give_up if board.ranking else None
    ticked = [Tag(key) for key in Tag.values if key in wishes]
    for tag in Tag:
        if tag.value not in present and tag not in ticked:
            continue
        price = None
        if tag in ticked:
            price = price_of_wish(
                left, wish=tag.label, forbids={tag.value}, hour_value=board.hour_value, give_up=give_up
            )
        board.wishes.append(WishPrice(tag, wish_words(tag), tag in ticked, price))
    if len(ticked) > 1:
        board.together = price_of_wish(
            left,
            wish="all of these",
            forbids={tag.value for tag in ticked},
            hour_value=board.hour_value,
            give_up=give_up,
        )


WISHES = {
    Tag.SMELLS: "No smell indoors",
    Tag.OUTDOORS: "Not outdoors",
    Tag.DUST: "No dust",
    Tag.NOISE: "No noise",
    Tag.HEAT: "No heat",
    Tag.TWO_PEOPLE: "On my own",
    Tag.NEW_TOOL: "With the tools I have",
}


def wish_words(tag: Tag) -> str:
    """How a wish is put."""
    return WISHES[tag]


def under_way_of(states: Sequence[RemedyState], now: datetime) -> list[Attempt]:
    """The attempts of these remedies whose outcome is still to come, each once, with ``spent_minutes``."""
    found = {
        step.last.pk: step.last for one in states for step in one.steps if step.last and step.last.is_open
    }
    for attempt in found.values():
        attempt.spent_minutes = minutes_on(attempt, now)  # type: ignore[attr-defined]
    return list(found.values())


def planned_of(attempts: Sequence[Attempt]) -> None:
    """Puts ``planned`` on each: what its step planned from stock, and whether it was taken; two queries."""
    steps = [attempt.step_id for attempt in attempts if attempt.step_id]
    rows: dict[int, list[StepMaterial]] = {}
    for row in StepMaterial.objects.live().filter(step__in=steps):
        rows.setdefault(row.step_id, []).append(row)
    taken: dict[int, set[str]] = {}
    for attempt_id, lot, material in (
        Use.objects.live().filter(attempt__in=attempts).values_list("attempt_id", "lot__name", "material")
    ):
        taken.setdefault(attempt_id, set()).add((lot or material).lower())
    for attempt in attempts:
        attempt.planned = [  # type: ignore[attr-defined]
            (row, row.material.lower() in taken.get(attempt.pk, set()))
            for row in rows.get(attempt.step_id or 0, [])
        ]


# What is waiting to be weighed again


@dataclass(frozen=True)
class Waiting:
    """A fault whose fork should be looked at again, and why."""

    fault: Fault
    why: str


def to_weigh_again(now: datetime) -> list[Waiting]:
    """Open faults whose last attempt failed, or whose attempt under way takes more than one and a half times its plan.

    In a fixed number of queries.
    """
    from django.db.models import Q

    rows = (
        Attempt.objects.live()
        .filter(remedy__fault__settled=Settled.OPEN, remedy__fault__voided_at__isnull=True)
        .filter(piece__voided_at__isnull=True, piece__stage__in=("bought", "in_work", "ready", "listed"))
        .filter(~Q(outcome=Outcome.SET_ASIDE))
        .select_related("remedy__fault__piece")
        .prefetch_related("time_entries")
        .order_by("began_at", "pk")
    )
    last: dict[int, Attempt] = {}
    for row in rows:
        if row.remedy is not None:
            last[row.remedy.fault_id] = row
    found = []
    for attempt in last.values():
        why = ask_again(
            just_failed=attempt.outcome == Outcome.FAILED,
            minutes_spent=minutes_on(attempt, now),
            minutes_expected=(attempt.planned_minutes or 0) if attempt.is_open else 0,
        )
        if why and attempt.remedy is not None:
            found.append(Waiting(attempt.remedy.fault, why))
    return found


__all__ = [
    "FAILED",
    "OPEN",
    "PART_OUT",
    "PASSED",
    "SELL_AS_IS",
    "UNDER_WAY",
    "Board",
    "LeftOut",
    "RemedyState",
    "StepState",
    "Waiting",
    "WishPrice",
    "as_entries",
    "board_of",
    "load",
    "load_all",
    "minutes_on",
    "planned_of",
    "to_weigh_again",
    "under_way_of",
    "ways_out",
    "what_is_left",
    "wish_words",
]
