"""The day plan: every piece's finishing steps on one calendar, what can go on now, and what was refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from django.utils.text import capfirst

from finishes.cautions import Caution, cautions_for_product, cautions_for_technique, end_of_session
from finishes.dayplan import Job, Milestones, Plan, Planned, Standing, Unplaced, plan, standing
from finishes.models import ShopShelf, shop_shelf
from finishes.products import OLD_FINISH, Product
from finishes.recipes import DANGEROUS, titled
from finishes.schedules import (
    REFUSED,
    SCUFFING,
    WAIT,
    Reading,
    Refusal,
    Room,
    Step,
    judge,
)
from flips.models.finishing import BenchHours, PieceSchedule, RoomReading, ScheduleStep, StepDone
from flips.models.people import Shop

# A coat that went on longer ago than this is cured, whatever it was.
CURED_AFTER = timedelta(days=60)
# Drying is reckoned from what the room was lately; a year of readings would only cost time.
READINGS = 150
# Rags left from this morning are what burns tonight.
SESSION = timedelta(hours=12)


@dataclass(frozen=True)
class Judged:
    """A schedule with its steps as the engines take them, and what would fail."""

    schedule: PieceSchedule
    rows: tuple[ScheduleStep, ...]
    steps: tuple[Step, ...]
    refusals: tuple[Refusal, ...]

    @property
    def blocking(self) -> tuple[Refusal, ...]:
        """What keeps it off the calendar: all that is refused, or only danger where she knows better."""
        refused = [r for r in self.refusals if r.severity == REFUSED]
        if self.schedule.anyway:
            refused = [r for r in refused if r.rule in DANGEROUS]
        return tuple(refused)

    @property
    def holds(self) -> bool:
        """Whether it may go on the calendar."""
        return bool(self.steps) and not self.blocking


def judged(schedule: PieceSchedule, *, shelf: ShopShelf) -> Judged:
    """A schedule (from ``with_steps``) judged by the rules and the shop's own figures."""
    rows = tuple(schedule.steps_in_order)
    steps = titled([row.as_step(shelf, done_at=row.done_at) for row in rows])
    return Judged(schedule, rows, steps, judge(steps, over=schedule.over, shelf=shelf.shelf))


@dataclass(frozen=True)
class Doing:
    """One step on the calendar with its record; ``stand`` where it is the next of its schedule."""

    row: ScheduleStep
    schedule: PieceSchedule
    planned: Planned
    stand: Standing | None = None

    @property
    def title(self) -> str:
        """What to do, with a capital."""
        return capfirst(self.planned.step.title)

    @property
    def is_wait(self) -> bool:
        """No hands are needed."""
        return self.planned.step.action == WAIT

    @property
    def may_tick(self) -> bool:
        """It is the next step, and the clock and the room allow it."""
        return self.stand is not None and self.stand.state in ("now", "missed")

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What to mind while doing it."""
        return step_cautions(self.planned.step, over=self.schedule.over)


def step_cautions(step: Step, *, over: str) -> tuple[Caution, ...]:
    """The cautions of one step: of its product, and of sanding, stripping or bleaching."""
    found = {c.code: c for c in (cautions_for_product(step.product) if step.product and step.applies else ())}
    words = f"{step.action} {step.name}"
    # A title like "sand lightly after linseed oil" speaks of oil that is dry by then.
    if step.action in SCUFFING:
        words = "sand"
    if not step.applies:
        technique = cautions_for_technique(words, old_paint=over == OLD_FINISH and step.action in SCUFFING)
        found |= {c.code: c for c in technique}
    return tuple(found.values())


@dataclass(frozen=True)
class Ready:
    """When the coats of a schedule are dry to touch, may be handled, and are cured."""

    schedule: PieceSchedule
    milestones: Milestones


@dataclass(frozen=True)
class BenchPlan:
    """Everything the bench has to finish, as of ``now``."""

    now: datetime
    doings: tuple[Doing, ...]
    standings: tuple[tuple[Standing, Doing], ...]
    refused: tuple[Judged, ...]
    ready: tuple[Ready, ...]
    unplaced: tuple[tuple[PieceSchedule, Unplaced], ...]
    note: str
    judged: Mapping[int, Judged] = field(default_factory=dict)

    @property
    def by_day(self) -> list[tuple[date, list[Doing]]]:
        """One list a local day of what hands are needed for and is not done."""
        days: dict[date, list[Doing]] = {}
        for doing in self.doings:
            if not doing.planned.done and not doing.is_wait:
                days.setdefault(doing.planned.starts.date(), []).append(doing)
        return sorted(days.items())

    def of(self, schedule: PieceSchedule) -> dict[int, Doing]:
        """The steps of one schedule on the calendar, by the step's id."""
        return {doing.row.pk: doing for doing in self.doings if doing.schedule.pk == schedule.pk}

    def ready_of(self, schedule: PieceSchedule) -> Milestones | None:
        """When a schedule's coats are dry, hard and cured."""
        return next((r.milestones for r in self.ready if r.schedule.pk == schedule.pk), None)


def the_room() -> Room:
    """The room's log, as the calendar takes it; one query."""
    readings = RoomReading.objects.live().order_by("-at", "-pk")[:READINGS]
    return Room(tuple(row.as_reading() for row in readings))


def room_now(room: Room, now: datetime) -> Reading | None:
    """What the room is like, by its last reading."""
    return room.at(now)


def bench_plan(*, now: datetime, shop: Shop, also: Sequence[PieceSchedule] = ()) -> BenchPlan:
    """All pieces' schedules on one calendar from ``now`` on, in a fixed number of queries.

    ``also`` are schedules (from ``with_steps``) to be shown though nothing is left to do on them.
    """
    # Nobody starts a coat on the second; and the calendar begins at the next whole minute.
    now = now.replace(second=0, microsecond=0)
    rows = list(
        PieceSchedule.objects.on_the_calendar(since=now - CURED_AFTER)
        .select_related("piece")
        .with_steps()
        .order_by("piece_id", "pk")
    )
    rows += [one for one in also if one.pk not in {row.pk for row in rows}]
    if not rows:
        return BenchPlan(now, (), (), (), (), (), "")
    shelf, hours = shop_shelf(), BenchHours.current()
    known = {row.pk: judged(row, shelf=shelf) for row in rows}
    holding = [one for one in known.values() if one.holds]
    made = plan(
        [_job(one) for one in holding],
        start=now,
        zone=shop.zone,
        hours=hours.working_hours(),
        hands=hours.hands,
        room=the_room(),
        shelf=shelf.shelf,
    )
    return _with_records(made, known, now)


def _job(one: Judged) -> Job:
    schedule = one.schedule
    return Job(str(schedule.piece_id), one.steps, str(schedule.pk), schedule.over, schedule.not_before)


def _with_records(made: Plan, known: Mapping[int, Judged], now: datetime) -> BenchPlan:
    stands = {(int(s.group), s.number): s for s in standing(made, now=now)}
    doings = []
    for planned in made.steps:
        one = known[int(planned.group)]
        stand = stands.get((one.schedule.pk, planned.number))
        doings.append(Doing(one.rows[planned.number - 1], one.schedule, planned, stand))
    return BenchPlan(
        now,
        tuple(doings),
        tuple((doing.stand, doing) for doing in sorted(doings, key=_urgency) if doing.stand),
        tuple(one for one in known.values() if one.steps and not one.holds),
        tuple(Ready(known[int(m.group)].schedule, m) for m in made.milestones),
        tuple((known[int(u.group)].schedule, u) for u in made.unplaced),
        made.note,
        known,
    )


STATES = ("missed", "now", "hold", "wait")


def _urgency(doing: Doing) -> tuple[int, datetime]:
    state = doing.stand.state if doing.stand else "wait"
    return (STATES.index(state), doing.planned.starts)


def rags_about(now: datetime) -> tuple[Caution, ...]:
    """What to be reminded of before leaving: rags of the oil that was put on in the last hours."""
    lately = StepDone.objects.live().filter(done_at__gte=now - SESSION, done_at__lte=now)
    rows = [done.step for done in lately.select_related("step")]
    if not rows:
        return ()
    shelf = shop_shelf()
    products = [shelf.product(row.shipped, row.own_id) for row in rows]
    return end_of_session([p for p in products if p is not None])


def rags_of(product: Product | None) -> tuple[Caution, ...]:
    """What to be reminded of after putting one product on."""
    return end_of_session([product] if product else [])
