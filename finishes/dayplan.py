"""The calendar of finishing steps: when each can be done, for several pieces and few hands.

Waits are elapsed time, reckoned in UTC, so a clock change neither lengthens nor shortens them; working hours are
local. The clock and the zone are arguments; same input, same plan.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from finishes.facts import Fact
from finishes.products import BARE, Shelf, duration, shipped_shelf
from finishes.schedules import (
    APPLYING,
    DAMP_WOOD,
    HANDLE,
    RAISE,
    RAISED_GRAIN,
    REFUSED,
    RINSE,
    RULE_OF_THUMB,
    SCUFFING,
    SHIP,
    TO_BARE,
    WAIT,
    WIPE,
    Refusal,
    Room,
    Step,
    check_surface,
    recoat_from,
    room_refusals,
    scuff_advice,
    show_time,
)

# ---- working hours ----------------------------------------------------------------------------------------

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Spell = tuple[time, time]
HORIZON = timedelta(days=370)


@dataclass(frozen=True)
class WorkingHours:
    """Local working hours by weekday (0 is Monday); a spell that ends at or before its start runs past midnight."""

    week: tuple[tuple[Spell, ...], ...]
    closed: frozenset[date] = frozenset()

    def __post_init__(self) -> None:
        if len(self.week) != 7:
            raise ValueError("Working hours name seven days.")
        if not any(self.week):
            raise ValueError("The workshop is never open.")

    @classmethod
    def daily(cls, spells: Sequence[Spell], *, days: Sequence[int] = (0, 1, 2, 3, 4)) -> WorkingHours:
        """The same spells on the given weekdays."""
        return cls(tuple(tuple(spells) if day in days else () for day in range(7)))

    def spells(self, zone: ZoneInfo, *, start: datetime) -> Iterator[tuple[datetime, datetime]]:
        """The open times from the day before ``start`` on, in UTC, merged and in order, for about a year."""
        day, stop = start.astimezone(zone).date() - timedelta(days=1), start + HORIZON
        held: tuple[datetime, datetime] | None = None
        while (moment := datetime.combine(day, time(0), zone).astimezone(UTC)) < stop:
            for begin, end in self._on(day, zone):
                if held and begin <= held[1]:
                    held = (held[0], max(held[1], end))
                    continue
                if held:
                    yield held
                held = (begin, end)
            if held and held[1] < moment:
                yield held
                held = None
            day += timedelta(days=1)
        if held:
            yield held

    def _on(self, day: date, zone: ZoneInfo) -> list[tuple[datetime, datetime]]:
        if day in self.closed:
            return []
        found = []
        for opens, closes in self.week[day.weekday()]:
            ends = day if closes > opens else day + timedelta(days=1)
            # In the hour that happens twice: open at its first, close at its second. In the hour that is
            # skipped the two readings swap, which can only make the spell shorter.
            begin = datetime.combine(day, opens, zone).astimezone(UTC)
            end = datetime.combine(ends, closes.replace(fold=1), zone).astimezone(UTC)
            if begin < end:
                found.append((begin, end))
        return sorted(found)


# ---- the calendar -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Job:
    """The steps of one group of parts of a piece, and what they go over; not before ``start`` if given."""

    piece: str
    steps: tuple[Step, ...]
    group: str = ""
    over: str = BARE
    start: datetime | None = None


@dataclass(frozen=True)
class Planned:
    """One step on the calendar; all times are local.

    ``earliest``: when it may first begin, by the waits, within working hours. ``latest``: the last beginning that
    still falls in its window (None: nothing closes). ``starts`` to ``ends``: when it is planned, between the two.
    ``missed`` says what to do because the window can no longer be met. ``after`` tells what it waits for.
    """

    piece: str
    group: str
    number: int
    step: Step
    earliest: datetime
    latest: datetime | None
    starts: datetime
    ends: datetime
    after: str = ""
    moved: str = ""
    missed: str = ""
    refusals: tuple[Refusal, ...] = ()

    @property
    def done(self) -> bool:
        """It was finished for real."""
        return self.step.done_at is not None


@dataclass(frozen=True)
class Milestones:
    """When the last of a job's coats is dry to touch, may be handled, and is cured and may be shipped (local).

    None where a product's figure is not known.
    """

    piece: str
    group: str
    dry_to_touch: datetime | None
    may_be_handled: datetime | None
    cured: datetime | None


@dataclass(frozen=True)
class Unplaced:
    """A step that found no place on the calendar, and why; the steps after it have none either."""

    piece: str
    group: str
    number: int
    reason: str


@dataclass(frozen=True)
class Plan:
    """The calendar of several jobs: steps in the order of their beginning, milestones, and what did not fit."""

    steps: tuple[Planned, ...]
    milestones: tuple[Milestones, ...]
    unplaced: tuple[Unplaced, ...]
    note: str = RULE_OF_THUMB

    @property
    def by_day(self) -> tuple[tuple[date, tuple[Planned, ...]], ...]:
        """One list a local day of what hands are needed for and is not done, in order."""
        days: dict[date, list[Planned]] = {}
        for planned in self.steps:
            if not planned.done and planned.step.action != WAIT:
                days.setdefault(planned.starts.date(), []).append(planned)
        return tuple((day, tuple(found)) for day, found in sorted(days.items()))


EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ROUND_FROM = timedelta(hours=1)


@dataclass(frozen=True)
class _Bond:
    """What step ``after`` asks of a later step: begin from ``least`` on, and at most ``most`` after it ended."""

    after: int
    least: timedelta = timedelta(0)
    most: timedelta | None = None
    base: str | None = None
    why: str = ""
    rescue: str = ""

    def opens(self, end: datetime, room: Room) -> datetime:
        found = end + self.least if self.base is None else room.dried(end, self.least, base=self.base)
        # Nobody reads the clock to the minute after hours of drying, and a round time is easier to keep.
        step = timedelta(minutes=5 if self.base is not None and found - end >= ROUND_FROM else 1)
        return found + (EPOCH - found) % step

    def closes(self, end: datetime, room: Room) -> datetime | None:
        if self.most is None:
            return None
        found = end + self.most if self.base is None else room.closes(end, self.most, base=self.base)
        return found.replace(second=0, microsecond=0)


def _bonds(steps: Sequence[Step], over: str, shelf: Shelf) -> list[list[_Bond]]:
    """For every step what earlier steps ask of it."""
    bonds: list[list[_Bond]] = [[] for _ in steps]
    last: int | None = None
    scuffed = False
    surface = over
    for n, step in enumerate(steps):
        mine = bonds[n]
        if n:
            before = steps[n - 1]
            wait = timedelta(0) if before.action == WAIT or before.wait is None else before.wait
            why = f"{show_time(wait)} after {before.title}" if wait else f"after {before.title}"
            rescue = "The time you set has passed: check the surface before you go on."
            mine.append(_Bond(n - 1, wait, before.until, why=why, rescue=rescue))
        below = steps[last].product if last is not None else None
        if step.action in SCUFFING and last is not None and below:
            if below.role not in {"bleach", "stripper"} and (needs := recoat_from(steps, last)):
                mine.append(
                    _Bond(last, duration(needs), base=below.base, why=f"until {below.name} can be sanded")
                )
            scuffed = True
        elif step.action == WIPE and last is not None and below and below.wipe:
            low, high = (timedelta(minutes=float(v)) for v in (below.wipe.low, below.wipe.high))
            rescue = "Too tacky to wipe: wet it with a little fresh product or its thinner and wipe again."
            mine.append(_Bond(last, low, high, why=f"wipe off {below.name}", rescue=rescue))
        elif step.action in {HANDLE, SHIP}:
            mine += _ready_bonds(steps, n)
        damp = [k for k in range(n) if steps[k].action in {RINSE, RAISE}]
        if damp and step.action in SCUFFING | APPLYING:
            needs_dry = DAMP_WOOD if steps[damp[-1]].action == RINSE else RAISED_GRAIN
            mine.append(_Bond(damp[-1], needs_dry, base="water", why="until the wood is dry"))
        washed_off = step.action == RINSE and below is not None and below.role in {"bleach", "stripper"}
        if washed_off or step.action == TO_BARE:
            surface, last = BARE, None
        if not step.applies or step.product is None:
            continue
        if last is not None and below:
            verdict = shelf.over(surface, step.product.family)
            least = max(
                duration(f) if (f := recoat_from(steps, last)) else timedelta(0), verdict.wait or timedelta(0)
            )
            window = below.recoat_until if below.family == step.product.family and not scuffed else None
            mine.append(
                _Bond(
                    last,
                    least,
                    max(duration(window), least) if window else None,
                    below.base,
                    f"{show_time(least)} after {below.name}" if least else f"after {below.name}",
                    scuff_advice(below),
                )
            )
        surface, last, scuffed = step.product.family, n, False
    return bonds


def _ready_bonds(steps: Sequence[Step], n: int) -> list[_Bond]:
    found = []
    for k, step in enumerate(steps[:n]):
        if not step.applies or step.product is None:
            continue
        fact = step.product.cure if steps[n].action == SHIP else step.product.handle
        if fact:
            why = f"until {step.product.name} is {'cured' if steps[n].action == SHIP else 'hard enough to handle'}"
            found.append(_Bond(k, duration(fact), base=step.product.base, why=why))
    return found


class _Bench:
    """Working hours with hands already taken."""

    def __init__(self, hours: WorkingHours, zone: ZoneInfo, *, start: datetime, hands: int) -> None:
        self.spells = list(hours.spells(zone, start=start))
        self.closings = [end for _, end in self.spells]
        self.hands = hands
        self.taken: list[tuple[datetime, datetime, int]] = []

    def first(self, moment: datetime, work: timedelta, *, hands: int) -> datetime | None:
        """The first time from ``moment`` on with so many hands free for so long within one spell."""
        if hands > self.hands:
            return None
        for begin, end in self.spells[bisect_left(self.closings, moment) :]:
            start = max(begin, moment)
            while start + work <= end:
                free_at = self._busy_until(start, work, hands)
                if free_at is None:
                    return start
                start = free_at
        return None

    def last(self, moment: datetime, work: timedelta) -> datetime | None:
        """The last time up to ``moment`` at which so much work still fits into a spell."""
        found = None
        for begin, end in self.spells:
            if begin > moment:
                break
            if end - work >= begin:
                found = min(moment, end - work)
        return found

    def _busy_until(self, start: datetime, work: timedelta, hands: int) -> datetime | None:
        end = start + max(work, timedelta(minutes=1))
        overlapping = [t for t in self.taken if t[0] < end and start < t[1]]
        # Hands in use are highest at the beginning of one of the overlapping steps, or at our own.
        for moment in sorted({start, *(t[0] for t in overlapping if t[0] > start)}):
            used = sum(t[2] for t in overlapping if t[0] <= moment < t[1])
            if used + hands > self.hands:
                return min(t[1] for t in overlapping if t[1] > moment)
        return None

    def take(self, start: datetime, end: datetime, *, hands: int) -> None:
        if end > start:
            self.taken.append((start, end, hands))


def plan(
    jobs: Sequence[Job],
    *,
    start: datetime,
    zone: ZoneInfo,
    hours: WorkingHours,
    hands: int = 1,
    room: Room | None = None,
    shelf: Shelf | None = None,
) -> Plan:
    """The calendar of these jobs from ``start`` (aware) on, for one bench with so many hands.

    No step begins before what it waits for, outside working hours, or with more hands than there are. Steps bound
    by a window are moved together so that all fall inside it, if any beginning allows that; otherwise ``missed``
    says what to do. Steps already done keep their times. Same input, same plan.
    """
    if start.tzinfo is None:
        raise ValueError("The start needs a time zone.")
    if hands < 1:
        raise ValueError("At least one pair of hands is needed.")
    shelf, room = shelf or shipped_shelf(), room or Room()
    now = start.astimezone(UTC)
    if now.second or now.microsecond:
        now = now.replace(second=0, microsecond=0) + timedelta(minutes=1)
    bench = _Bench(hours, zone, start=now, hands=hands)
    threads = [_Thread(job, bench=bench, room=room, shelf=shelf, now=now) for job in jobs]
    while waiting := [t for t in threads if not t.finished]:
        tried = [(thread, thread.next_group()) for thread in waiting]
        # Of two that could begin at the same time the one whose window closes first goes first.
        placeable = [
            (placed[0].start, placed[0].latest is None, placed[0].latest or now, n)
            for n, (_, placed) in enumerate(tried)
            if placed
        ]
        if not placeable:
            break
        thread, placed = tried[min(placeable)[-1]]
        thread.accept(placed)
    steps = [planned for thread in threads for planned in thread.planned(zone)]
    return Plan(
        tuple(
            sorted(
                steps,
                key=lambda p: (p.starts.astimezone(UTC), p.ends.astimezone(UTC), p.piece, p.group, p.number),
            )
        ),
        tuple(m for thread in threads if (m := thread.milestones(zone)) is not None),
        tuple(thread.unplaced for thread in threads if thread.unplaced is not None),
    )


@dataclass(frozen=True)
class _Placed:
    number: int
    start: datetime
    end: datetime
    opens: datetime
    earliest: datetime
    latest: datetime | None = None
    after: str = ""
    missed: str = ""


@dataclass(frozen=True)
class _Clash:
    """A step that begins ``late`` by so much for the window that ``bond`` gives it."""

    number: int
    bond: _Bond
    late: timedelta


# How far a step is moved back to bring the next one into its window before giving the window up.
FARTHEST_MOVE = timedelta(days=21)


@dataclass
class _Thread:
    """One job on its way onto the calendar."""

    job: Job
    bench: _Bench
    room: Room
    shelf: Shelf
    now: datetime
    placed: dict[int, _Placed] = field(default_factory=dict)
    bound: set[int] = field(default_factory=set)
    unplaced: Unplaced | None = None

    def __post_init__(self) -> None:
        check_surface(self.job.over, self.shelf)
        self.steps = self.job.steps
        self.bonds = _bonds(self.steps, self.job.over, self.shelf)
        for n, step in enumerate(self.steps):
            if step.done_at is not None:
                end = step.done_at.astimezone(UTC)
                begin = end - step.bench_time
                self.placed[n] = _Placed(n, begin, end, begin, begin)

    @property
    def finished(self) -> bool:
        return self.unplaced is not None or len(self.placed) == len(self.steps)

    def _group(self) -> list[int]:
        """The next steps to place: the first open one and all that windows tie to it."""
        waiting = [n for n in range(len(self.steps)) if n not in self.placed]
        first = end = waiting[0]
        for n in waiting:
            if any(bond.most is not None and first <= bond.after <= end for bond in self.bonds[n]):
                end = n
        return [n for n in waiting if n <= end]

    def next_group(self) -> list[_Placed]:
        """Where the next group would go; empty (and noted in ``unplaced``) when nowhere.

        A step that comes too late for its window pushes the step it is bound to by just that much, and so on up:
        the least push that works is found, because a later beginning never makes anything earlier.
        """
        group = self._group()
        floor: dict[int, datetime] = {}
        given_up: set[tuple[int, int]] = set()
        first_try: dict[int, datetime] = {}
        while True:
            placed, clash = self._try(group, floor, given_up)
            if placed is None:
                return []
            for one in placed:
                first_try.setdefault(one.number, one.start)
            if clash is None:
                self.bound |= {n for n in floor if n in group}
                return placed
            anchor = next((one for one in placed if one.number == clash.bond.after), None)
            helps = anchor is not None and self._fits_alone(clash.bond, anchor, clash.number)
            pushed = anchor.start + max(clash.late, timedelta(minutes=1)) if anchor else self.now
            if anchor is None or not helps or pushed > first_try[anchor.number] + FARTHEST_MOVE:
                given_up.add((clash.number, clash.bond.after))
                floor.clear()
            else:
                floor[anchor.number] = pushed

    def _fits_alone(self, bond: _Bond, anchor: _Placed, number: int) -> bool:
        """Whether any beginning of the earlier step brings the later one into its window, hands aside."""
        early, late = self.steps[anchor.number], self.steps[number]
        between = sum((s.bench_time for s in self.steps[anchor.number + 1 : number]), timedelta(0))
        moment: datetime | None = anchor.start
        while moment is not None and moment <= anchor.start + FARTHEST_MOVE:
            begin = self.bench.first(moment, early.bench_time, hands=0)
            if begin is None:
                return False
            end = begin + early.bench_time
            opens, limit = max(bond.opens(end, self.room), end + between), bond.closes(end, self.room)
            start = self.bench.first(opens, late.bench_time, hands=0)
            if start is None or limit is None or start <= limit:
                return start is not None
            moment = begin + max(start - limit, timedelta(minutes=1))
        return False

    def _try(
        self, group: Sequence[int], floor: Mapping[int, datetime], given_up: set[tuple[int, int]]
    ) -> tuple[list[_Placed] | None, _Clash | None]:
        found: dict[int, _Placed] = {}
        begin = self.now if self.job.start is None else max(self.now, self.job.start.astimezone(UTC))
        for n in group:
            step = self.steps[n]
            ends = {k: one.end for k, one in (self.placed | found).items() if k < n}
            opens, why = max([begin, *ends.values()]), ""
            for bond in self.bonds[n]:
                if bond.after in ends and (moment := bond.opens(ends[bond.after], self.room)) >= opens:
                    opens, why = moment, bond.why
            if step.action == WAIT:
                found[n] = _Placed(n, opens, opens + (step.wait or timedelta(0)), opens, opens, after=why)
                continue
            earliest = self.bench.first(opens, step.bench_time, hands=0)
            start = self.bench.first(max(opens, floor.get(n, opens)), step.bench_time, hands=step.hands)
            if start is None or earliest is None:
                self.unplaced = Unplaced(self.job.piece, self.job.group, n + 1, self._no_place(step))
                return None, None
            one = _Placed(n, start, start + step.bench_time, opens, earliest, after=why)
            limits, missed = [], ""
            for bond in self.bonds[n]:
                limit = bond.closes(ends[bond.after], self.room) if bond.after in ends else None
                if limit is None:
                    continue
                if start <= limit:
                    limits.append(limit)
                elif (n, bond.after) in given_up:
                    missed = bond.rescue
                else:
                    return [*found.values(), one], _Clash(n, bond, start - limit)
            latest = self.bench.last(min(limits), step.bench_time) if limits and not missed else None
            found[n] = replace(one, latest=latest, missed=missed)
        return list(found.values()), None

    def _no_place(self, step: Step) -> str:
        longest = max((end - begin for begin, end in self.bench.spells), default=timedelta(0))
        if step.hands > self.bench.hands:
            return (
                f"{step.title} takes {step.hands} pairs of hands, there are {self.bench.hands}: ask for help."
            )
        if step.bench_time > longest:
            return f"{step.title} takes {show_time(step.bench_time)}, no working time is that long: split it in two steps."
        return f"{step.title} finds no working time within a year."

    def accept(self, group: Sequence[_Placed]) -> None:
        """Puts the steps on the calendar and takes the hands they need."""
        for one in group:
            self.placed[one.number] = one
            if self.steps[one.number].action != WAIT:
                self.bench.take(one.start, one.end, hands=self.steps[one.number].hands)

    def planned(self, zone: ZoneInfo) -> list[Planned]:
        """The placed steps in local time."""
        found = []
        for n, one in sorted(self.placed.items()):
            step = self.steps[n]
            reading = self.room.at(one.start)
            refusals = () if reading is None or step.done_at else room_refusals(step, reading, number=n + 1)
            moved = ""
            if n in self.bound:
                moved = "moved so that what follows still falls in its window"
            elif one.earliest > one.opens:
                moved = f"would be {one.opens.astimezone(zone):%a %H:%M}, moved into working hours"
            found.append(
                Planned(
                    self.job.piece,
                    self.job.group,
                    n + 1,
                    step,
                    one.earliest.astimezone(zone),
                    one.latest.astimezone(zone) if one.latest else None,
                    one.start.astimezone(zone),
                    one.end.astimezone(zone),
                    one.after,
                    moved,
                    one.missed,
                    refusals,
                )
            )
        return found

    def milestones(self, zone: ZoneInfo) -> Milestones | None:
        """When the coats are dry, hard and cured; None until every coat has its place."""
        coats = [(n, s.product) for n, s in enumerate(self.steps) if s.applies and s.product]
        if not coats or any(n not in self.placed for n, _ in coats):
            return None

        def when(name: str) -> datetime | None:
            moments = []
            for n, product in coats:
                fact: Fact | None = getattr(product, name)
                if fact is None:
                    if product.role in {"bleach", "stripper", "filler"}:
                        continue
                    return None
                moments.append(self.room.dried(self.placed[n].end, duration(fact), base=product.base))
            return max(moments).astimezone(zone) if moments else None

        return Milestones(self.job.piece, self.job.group, when("touch"), when("handle"), when("cure"))


# ---- what can be done now ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Standing:
    """Where a job stands: its next step, ``state`` now, wait, hold or missed, and words for the bench."""

    piece: str
    group: str
    number: int
    title: str
    state: str
    text: str
    at: datetime


def standing(made: Plan, *, now: datetime) -> tuple[Standing, ...]:
    """The next open step of every job of a plan that was made for ``now``: what can go on, what must wait and why."""
    seen: set[tuple[str, str]] = set()
    found = []
    for planned in sorted((p for p in made.steps if not p.done), key=lambda p: p.number):
        job = (planned.piece, planned.group)
        if job in seen or (planned.step.action == WAIT and planned.ends <= now):
            continue
        seen.add(job)
        found.append(_stand(planned, now))
    return tuple(sorted(found, key=lambda s: (s.at.astimezone(UTC), s.piece, s.group)))


def _stand(planned: Planned, now: datetime) -> Standing:
    title, at = planned.step.title, planned.earliest
    refused = [r for r in planned.refusals if r.severity == REFUSED]
    if planned.step.action == WAIT:
        state, at, text = "wait", planned.ends, f"wait until {planned.ends:%a %H:%M}"
    elif planned.missed and planned.earliest <= now:
        state, text = "missed", planned.missed
    elif planned.earliest > now:
        why = f" ({planned.after})" if planned.after else ""
        state, text = "wait", f"not before {planned.earliest:%a %H:%M}{why}"
    elif refused:
        state, text = "hold", f"{refused[0].reason} {refused[0].way_round}"
    else:
        until = f", until {planned.latest:%a %H:%M}" if planned.latest else ""
        state, text = "now", f"can go on now{until}"
    return Standing(planned.piece, planned.group, planned.number, title, state, text, at)
