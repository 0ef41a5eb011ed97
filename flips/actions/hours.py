"""Timers and hours: the server keeps every start, and nothing typed is lost."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction

from flips.actions.undo import CannotUndo, undoable
from flips.models import Attempt, Part, Person, Piece, TimeEntry

MINUTE = timedelta(minutes=1)
LONGEST = timedelta(minutes=2880)
# Two clocks never agree to the second.
CLOCK_SLACK = timedelta(minutes=2)


def minutes_between(start: datetime, end: datetime) -> int:
    """Whole minutes that really passed between two instants, to the nearest and at least one."""
    return max(1, (end - start + MINUTE / 2) // MINUTE)


class TimerRunning(ValidationError):
    """The person has another timer running; ``timer`` is it."""

    def __init__(self, timer: TimeEntry) -> None:
        super().__init__(f"Your timer runs on {timer.piece or 'shop time'} already.")
        self.timer = timer


def _hold_person(person: Person) -> None:
    """Locks the person, so that two starts at once come one after the other."""
    Person.objects.select_for_update().get(pk=person.pk)


@transaction.atomic
def start_timer(
    *,
    by: Person,
    now: datetime,
    piece: Piece | None = None,
    attempt: Attempt | None = None,
    part: Part | None = None,
    instead_of: int | None = None,
    stopped_at: datetime | None = None,
) -> TimeEntry:
    """Starts a timer now. One that runs for the same already is the answer; any other raises TimerRunning.

    ``instead_of`` is the id of the timer to stop in the same breath, at ``stopped_at`` or now.
    """
    _hold_person(by)
    running = (
        TimeEntry.objects.running()
        .filter(person=by)
        .select_related("piece", "attempt")
        .select_for_update(of=("self",))
    ).first()
    wanted = (piece and piece.pk, attempt and attempt.pk)
    if running is not None:
        if (running.piece_id, running.attempt_id) == wanted:
            return running
        if running.pk != instead_of:
            raise TimerRunning(running)
        _stop(running, stopped_at or now, now)
    entry = TimeEntry(
        person=by,
        piece=piece,
        attempt=attempt,
        part=part or (attempt.part if attempt else None),
        started_at=now,
        created_by=by,
    )
    _check_time(entry, now)
    entry.full_clean()
    entry.save()
    return entry


@transaction.atomic
def stop_timer(entry: TimeEntry, *, now: datetime, at: datetime | None = None) -> TimeEntry:
    """Stops a timer now or ``at``; one that was stopped already stays as it is. Raises ValidationError."""
    entry = TimeEntry.objects.select_for_update().get(pk=entry.pk)
    if entry.is_void:
        raise ValidationError("That timer was taken out.")
    if entry.is_running:
        _stop(entry, at or now, now)
    return entry


def _stop(entry: TimeEntry, at: datetime, now: datetime) -> None:
    if at < entry.started_at:
        raise ValidationError({"at": "It can't end before it began."})
    if at > now + CLOCK_SLACK:
        raise ValidationError({"at": "That is still to come."})
    if at - entry.started_at > LONGEST:
        raise ValidationError("It ran for more than two days: say when you really stopped.")
    entry.minutes = minutes_between(entry.started_at, at)
    entry.full_clean()
    entry.save()


@undoable("stopped")
def run_on(record: models.Model, _by: Person) -> str:
    """A timer just stopped runs on from when it was started."""
    entry = _time_entry(record)
    _hold_person(entry.person)
    if TimeEntry.objects.running().filter(person=entry.person).exists():
        raise CannotUndo("Another timer runs already.")
    entry.minutes = None
    entry.save()
    return "The timer runs on."


@undoable("switched")
def switch_back(record: models.Model, by: Person) -> str:
    """The timer that was stopped for another one runs on, and the other is taken out."""
    entry = _time_entry(record)
    _hold_person(entry.person)
    for other in TimeEntry.objects.running().filter(person=entry.person).select_for_update():
        other.void(by=by, reason="taken back at once")
    entry.minutes = None
    entry.save()
    return "The first timer runs on."


def _time_entry(record: models.Model) -> TimeEntry:
    if not isinstance(record, TimeEntry) or record.is_void:
        raise CannotUndo("That can't be taken back.")
    return record


@transaction.atomic
def add_time(
    *,
    by: Person,
    person: Person,
    minutes: int,
    now: datetime,
    started_at: datetime | None = None,
    **fields: Any,
) -> TimeEntry:
    """Minutes typed in: from ``started_at`` on, or the minutes that have just passed. Raises ValidationError."""
    entry = TimeEntry(
        person=person,
        minutes=minutes,
        started_at=started_at or now - timedelta(minutes=minutes),
        typed=True,
        created_by=by,
        **fields,
    )
    _check_time(entry, now)
    entry.full_clean()
    entry.save()
    return entry


@transaction.atomic
def change_time(entry: TimeEntry, *, now: datetime) -> None:
    """Saves a corrected entry; its history keeps the old minutes. Raises ValidationError."""
    _hold_person(entry.person)
    _check_time(entry, now)
    entry.full_clean()
    entry.save()


def _check_time(entry: TimeEntry, now: datetime) -> None:
    if entry.started_at > now + CLOCK_SLACK:
        raise ValidationError({"started_at": "That is still to come."})
    if entry.attempt is not None and entry.attempt.piece_id != entry.piece_id:
        raise ValidationError({"attempt": "That attempt was on another piece."})
    if entry.part is not None and entry.part.piece_id != entry.piece_id:
        raise ValidationError({"part": "That part belongs to another piece."})


@undoable("time voided")
def bring_time_back(record: models.Model, _by: Person) -> str:
    """A voided entry counts again; a timer only if no other one runs."""
    if not isinstance(record, TimeEntry):
        raise CannotUndo("That can't be taken back.")
    _hold_person(record.person)
    if record.is_running and TimeEntry.objects.running().filter(person=record.person).exists():
        raise CannotUndo("Another timer runs already.")
    record.restore()
    return "It counts again."
