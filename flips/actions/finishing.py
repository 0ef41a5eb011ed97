"""Recipes and the finish of a piece: building steps, ticking them off, the room, the working week, calendars."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from finishes.models import CanFigure, FinishSchedule, OwnCan, RecipeStep, ShopShelf, StepRow, shop_shelf
from finishes.recipes import fix_for, titled
from finishes.schedules import REFUSED, WAIT, Refusal, Step, judge
from flips.models import (
    BenchHours,
    CalendarFeed,
    Part,
    Person,
    Piece,
    PieceSchedule,
    RoomReading,
    ScheduleStep,
    StepDone,
)

Builder = FinishSchedule | PieceSchedule
MOST_STEPS = 60
DONE_STAYS = "A step that is done stays where it is: take its tick away first."


# ---- building ----------------------------------------------------------------------------------------------


def rows_of(owner: Builder) -> list[Any]:
    """The steps of a recipe or of a piece's schedule, in order."""
    if isinstance(owner, FinishSchedule):
        return list(owner.steps.select_related("own").order_by("place", "pk"))
    rows = owner.steps.live().select_related("own").prefetch_related("dones")
    return list(rows.order_by("place", "pk"))


def steps_of(owner: Builder, *, shelf: ShopShelf, rows: Sequence[StepRow] | None = None) -> tuple[Step, ...]:
    """The same steps as the engines take them, each with a name to be called by."""
    rows = rows_of(owner) if rows is None else rows
    return titled([row.as_step(shelf, done_at=getattr(row, "done_at", None)) for row in rows])


def _lock(owner: Builder) -> list[Any]:
    type(owner)._default_manager.select_for_update().get(pk=owner.pk)
    return rows_of(owner)


def _new_row(owner: Builder, *, by: Person, **fields: Any) -> StepRow:
    if isinstance(owner, FinishSchedule):
        return RecipeStep(recipe=owner, **fields)
    return ScheduleStep(schedule=owner, created_by=by, **fields)


def _is_done(row: StepRow) -> bool:
    return isinstance(row, ScheduleStep) and any(not done.is_void for done in row.dones.all())


def _done_until(rows: Sequence[StepRow]) -> int:
    return max((n + 1 for n, row in enumerate(rows) if _is_done(row)), default=0)


def _number(rows: Iterable[StepRow]) -> None:
    for place, row in enumerate(rows):
        if row.place != place or row._state.adding:
            row.place = place
            row.save()


@transaction.atomic
def add_step(owner: Builder, *, by: Person, at: int | None = None, **fields: Any) -> StepRow:
    """Puts a step in before the one at ``at`` (from 0), or at the end. Raises ValidationError."""
    rows = _lock(owner)
    if len(rows) >= MOST_STEPS:
        raise ValidationError(f"{MOST_STEPS} steps are enough for one finish: start another group of parts.")
    row = _new_row(owner, by=by, **fields)
    row.full_clean()
    at = len(rows) if at is None else max(0, min(at, len(rows)))
    if at < _done_until(rows):
        raise ValidationError("What comes before is done already: put the step in later.")
    rows.insert(at, row)
    _number(rows)
    return row


@transaction.atomic
def remove_step(row: StepRow, *, by: Person) -> None:
    """Takes a step out; one of a piece is voided and can come back. Raises ValidationError when it is done."""
    if _is_done(row):
        raise ValidationError(DONE_STAYS)
    if isinstance(row, ScheduleStep):
        row.void(by=by, reason="taken out of the schedule")
    else:
        row.delete()


@transaction.atomic
def move_step(row: StepRow, *, up: bool) -> None:
    """Changes places with the neighbour; at the end it stays where it is. Raises ValidationError when done."""
    owner: Builder = row.schedule if isinstance(row, ScheduleStep) else row.recipe  # type: ignore[attr-defined]
    rows = _lock(owner)
    here = next(n for n, one in enumerate(rows) if one.pk == row.pk)
    there = here - 1 if up else here + 1
    if not 0 <= there < len(rows):
        return
    if min(here, there) < _done_until(rows):
        raise ValidationError(DONE_STAYS)
    rows[here], rows[there] = rows[there], rows[here]
    _number(rows)


def judge_steps(owner: Builder, *, shelf: ShopShelf, steps: Sequence[Step]) -> tuple[Refusal, ...]:
    """What would fail in these steps on the owner's surface."""
    return judge(steps, over=owner.over, shelf=shelf.shelf)


@transaction.atomic
def put_step_right(owner: Builder, *, by: Person, number: int, rule: str) -> str:
    """Makes the change that is offered for the refusal of a rule at a step (from 1); answers what was done."""
    rows, shelf = _lock(owner), shop_shelf()
    steps = steps_of(owner, shelf=shelf, rows=rows)
    for refusal in judge_steps(owner, shelf=shelf, steps=steps):
        if refusal.step != number or refusal.rule != rule:
            continue
        fix = fix_for(refusal, steps, over=owner.over, shelf=shelf.shelf)
        if fix is None:
            break
        if fix.at < _done_until(rows) and fix.verb != "clear":
            raise ValidationError("That part of the schedule is done already.")
        if fix.verb == "insert":
            rows.insert(fix.at, _new_row(owner, by=by, **_columns(fix.action, fix.product, shelf)))
        elif fix.verb == "last":
            rows.append(rows.pop(fix.at))
        else:
            for row in rows[fix.at : fix.until]:
                if row.action != WAIT and row.wait_minutes is not None:
                    row.wait_minutes = None
                    row.save()
        _number(rows)
        return fix.words
    raise ValidationError("That has been put right already.")


def _columns(action: str, product: str, shelf: ShopShelf) -> dict[str, Any]:
    own = next((pk for pk, can in shelf.own.items() if can.name == product), None)
    return {"action": action, "own_id": own} if own else {"action": action, "shipped": product}


# ---- recipes and schedules ---------------------------------------------------------------------------------


@transaction.atomic
def new_recipe(*, by: Person, steps: Sequence[StepRow] = (), **fields: Any) -> FinishSchedule:
    """A recipe, empty or with copies of steps."""
    recipe = FinishSchedule(created_by=by, **fields)
    recipe.full_clean()
    recipe.save()
    for row in steps:
        RecipeStep(recipe=recipe, **row.copied()).save()
    return recipe


def refused_words(refusals: Sequence[Refusal]) -> list[str]:
    """Each refusal with its way round, as one line."""
    return [f"Step {r.step}: {r.reason} {r.way_round}" for r in refusals if r.severity == REFUSED]


@transaction.atomic
def plan_finish(
    piece: Piece,
    *,
    by: Person,
    recipe: FinishSchedule | None = None,
    parts: Sequence[Part] = (),
    **fields: Any,
) -> PieceSchedule:
    """The finish of a group of parts; a recipe is copied only if it holds on that surface. Raises ValidationError."""
    if piece.is_void or not piece.is_owned:
        raise ValidationError(f"“{piece}” is not in the shop.")
    if any(part.piece_id != piece.pk for part in parts):
        raise ValidationError({"parts": "One of those parts is of another piece."})
    schedule = PieceSchedule(piece=piece, recipe=recipe, created_by=by, **fields)
    schedule.full_clean()
    if recipe is not None:
        shelf = shop_shelf()
        steps = steps_of(recipe, shelf=shelf)
        if not steps:
            raise ValidationError({"recipe": "That recipe has no steps yet."})
        refused = refused_words(judge(steps, over=schedule.over, shelf=shelf.shelf))
        if refused:
            raise ValidationError({"recipe": [f"That recipe would fail on {schedule.over}.", *refused]})
    schedule.save()
    schedule.parts.set(parts)
    if recipe is not None:
        for row in rows_of(recipe):
            ScheduleStep(schedule=schedule, created_by=by, **row.copied()).save()
    return schedule


@transaction.atomic
def change_schedule(schedule: PieceSchedule, *, parts: Sequence[Part]) -> None:
    """Saves a changed schedule with its parts. Raises ValidationError."""
    if any(part.piece_id != schedule.piece_id for part in parts):
        raise ValidationError({"parts": "One of those parts is of another piece."})
    schedule.full_clean()
    schedule.save()
    schedule.parts.set(parts)


# ---- ticking off -------------------------------------------------------------------------------------------

A_MOMENT = timedelta(minutes=2)


@transaction.atomic
def tick(step: ScheduleStep, *, by: Person, done_at: datetime, now: datetime) -> StepDone:
    """Marks a step as finished; waits before it are over then. Raises ValidationError when it can't have been.

    Steps are done in order: what is open before it must be ticked or taken out first.
    """
    # The plan counts whole minutes: with seconds, what follows at once would have to wait for the next one.
    done_at = done_at.replace(second=0, microsecond=0)
    schedule = PieceSchedule.objects.select_for_update().select_related("piece").get(pk=step.schedule_id)
    if schedule.is_void or schedule.piece.is_void:
        raise ValidationError("That schedule has been voided.")
    if done_at > now + A_MOMENT:
        raise ValidationError({"done_at": "That is still to come."})
    rows = rows_of(schedule)
    here = next((n for n, row in enumerate(rows) if row.pk == step.pk), None)
    if here is None:
        raise ValidationError("That step has been taken out.")
    if _is_done(rows[here]):
        raise ValidationError("That step is ticked off already.")
    names = [one.title for one in steps_of(schedule, shelf=shop_shelf(), rows=rows)]
    open_before = [n for n in range(here) if not _is_done(rows[n])]
    for n in open_before:
        if rows[n].action != WAIT:
            raise ValidationError(f"First comes “{names[n]}”: tick it off, or take it out.")
    before = [row.done_at for row in rows[:here] if row.done_at]
    if before and done_at < max(before):
        raise ValidationError({"done_at": "The step before was finished later than that."})
    for n in open_before:
        StepDone.objects.create(step=rows[n], done_at=done_at, created_by=by)
    done = StepDone(step=rows[here], done_at=done_at, created_by=by)
    done.full_clean()
    done.save()
    return done


@transaction.atomic
def untick(step: ScheduleStep, *, by: Person, reason: str) -> None:
    """Takes a tick away; later steps must be open. Raises ValidationError."""
    schedule = PieceSchedule.objects.select_for_update().get(pk=step.schedule_id)
    rows = rows_of(schedule)
    here = next((n for n, row in enumerate(rows) if row.pk == step.pk), None)
    if here is None or not _is_done(rows[here]):
        raise ValidationError("It is not ticked off.")
    if any(_is_done(row) for row in rows[here + 1 :]):
        raise ValidationError("A later step is done: take that tick away first.")
    for done in step.dones.live():
        done.void(by=by, reason=reason)


# ---- products ----------------------------------------------------------------------------------------------


@transaction.atomic
def set_figure(
    *,
    by: Person,
    figure: str,
    shipped: str = "",
    own: OwnCan | None = None,
    from_use: bool = False,
    **fields: Any,
) -> CanFigure:
    """Keeps a figure as on the shop's can, in place of the one typed before. Raises ValidationError."""
    row = CanFigure.objects.select_for_update().filter(shipped=shipped, own=own, figure=figure).first()
    if row is None:
        row = CanFigure(shipped=shipped, own=own, figure=figure, created_by=by)
    row.from_use = from_use
    for name, value in fields.items():
        setattr(row, name, value)
    row.full_clean()
    row.save()
    return row


@transaction.atomic
def clear_figure(*, figure: str, shipped: str = "", own: OwnCan | None = None) -> bool:
    """Goes back to the shipped figure; whether there was one of the shop's own."""
    row = CanFigure.objects.filter(shipped=shipped, own=own, figure=figure).first()
    if row is None:
        return False
    row.delete()
    return True


@transaction.atomic
def new_can(*, by: Person, **fields: Any) -> OwnCan:
    """A can of the shop's own. Raises ValidationError."""
    can = OwnCan(created_by=by, **fields)
    can.full_clean()
    can.save()
    return can


# ---- room, week, calendars ---------------------------------------------------------------------------------


@transaction.atomic
def log_room(*, by: Person, at: datetime, now: datetime, **fields: Any) -> RoomReading:
    """Keeps a reading of the room. Raises ValidationError."""
    if at > now + A_MOMENT:
        raise ValidationError({"at": "That is still to come."})
    reading = RoomReading(created_by=by, at=at, **fields)
    reading.full_clean()
    reading.save()
    return reading


@transaction.atomic
def set_hours(hours: BenchHours) -> None:
    """Keeps the working week. Raises ValidationError."""
    hours.full_clean()
    hours.save()


@transaction.atomic
def new_feed(*, by: Person, name: str) -> CalendarFeed:
    """A new secret calendar address."""
    feed = CalendarFeed(created_by=by, name=name)
    feed.full_clean()
    feed.save()
    return feed


def revoke_feed(feed: CalendarFeed) -> None:
    """Makes a calendar address worthless from now on."""
    feed.revoke(at=timezone.now())


def fixes_for(
    owner: Builder, *, shelf: ShopShelf, steps: Sequence[Step], refusals: Sequence[Refusal]
) -> dict[Refusal, str]:
    """What can be put right with one tap, by refusal: the words of the button."""
    found = {}
    for refusal in refusals:
        fix = fix_for(refusal, steps, over=owner.over, shelf=shelf.shelf)
        if fix is not None:
            found[refusal] = fix.words
    return found
