"""What happens at the bench: attempts with their outcomes, the log, timers and hours."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction

from flips.actions.photos import keep_photos
from flips.actions.undo import CannotUndo, undoable
from flips.models import Attempt, LogEntry, Moment, Outcome, Part, Person, Piece, TimeEntry, Use
from flips.photos import PreparedPhoto

MINUTE = timedelta(minutes=1)
LONGEST = timedelta(minutes=2880)
# Two clocks never agree to the second.
CLOCK_SLACK = timedelta(minutes=2)


def minutes_between(start: datetime, end: datetime) -> int:
    """Whole minutes that really passed between two instants, to the nearest and at least one."""
    return max(1, (end - start + MINUTE / 2) // MINUTE)


# Attempts


@transaction.atomic
def start_attempt(
    *,
    by: Person,
    piece: Piece,
    technique: str,
    now: datetime,
    part: Part | None = None,
    began_at: datetime | None = None,
    outcome: str = Outcome.OPEN,
    photos: Sequence[PreparedPhoto] = (),
    **fields: Any,
) -> Attempt:
    """A remedy tried for real, with its outcome if that is known already. Raises ValidationError."""
    attempt = Attempt(
        piece=piece,
        part=part,
        technique=technique.strip(),
        began_at=began_at or now,
        outcome=outcome,
        ended_at=None if outcome == Outcome.OPEN else max(now, began_at or now),
        created_by=by,
        **fields,
    )
    _check_attempt(attempt, now)
    attempt.full_clean()
    attempt.save()
    keep_photos(photos, by=by, piece=piece, part=part, attempt=attempt, moment=Moment.DURING)
    return attempt


def _check_attempt(attempt: Attempt, now: datetime) -> None:
    if attempt.part is not None and attempt.part.piece_id != attempt.piece_id:
        raise ValidationError({"part": "That part belongs to another piece."})
    if attempt.began_at > now + CLOCK_SLACK:
        raise ValidationError({"began_at": "That is still to come."})
    before = attempt.follows
    if before is None:
        return
    if before.piece_id != attempt.piece_id:
        raise ValidationError({"follows": "That attempt was on another piece."})
    seen: set[int] = set()
    while before is not None and before.pk not in seen:
        if before.pk == attempt.pk:
            raise ValidationError({"follows": "An attempt can't follow itself."})
        seen.add(before.pk)
        before = before.follows


@transaction.atomic
def change_attempt(
    attempt: Attempt, *, by: Person, now: datetime, photos: Sequence[PreparedPhoto] = ()
) -> None:
    """Saves a corrected attempt or its outcome; going back to "under way" opens it again. The history keeps both."""
    if attempt.is_open:
        attempt.ended_at = None
    elif attempt.ended_at is None:
        attempt.ended_at = max(now, attempt.began_at)
    _check_attempt(attempt, now)
    attempt.full_clean()
    attempt.save()
    keep_photos(photos, by=by, piece=attempt.piece, part=attempt.part, attempt=attempt, moment=Moment.DURING)


@transaction.atomic
def void_attempt(attempt: Attempt, *, by: Person, reason: str) -> None:
    """Takes out an attempt noted by mistake; refused while hours or materials hang on it."""
    if not reason.strip():
        raise ValidationError("Say why it is taken out.")
    hours = TimeEntry.objects.live().filter(attempt=attempt).count()
    uses = Use.objects.live().filter(attempt=attempt).count()
    if hours or uses:
        raise ValidationError(
            f"Hours ({hours}) or materials ({uses}) hang on it, so it stays. "
            "Correct its outcome instead, or take those off it first."
        )
    attempt.void(by=by, reason=reason)


@undoable("attempt made")
def unmake_attempt(record: models.Model, by: Person) -> str:
    """An attempt just noted is taken out, with the timer that was started for it."""
    if not isinstance(record, Attempt):
        raise CannotUndo("That can't be taken back.")
    reason = "taken back at once"
    for timer in TimeEntry.objects.running().filter(attempt=record, person=by).select_for_update():
        timer.void(by=by, reason=reason)
    try:
        void_attempt(record, by=by, reason=reason)
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return "Taken back."


# The log


@transaction.atomic
def log_work(
    *,
    by: Person,
    piece: Piece,
    text: str,
    at: datetime,
    now: datetime,
    parts: Sequence[Part] = (),
    attempt: Attempt | None = None,
    photos: Sequence[PreparedPhoto] = (),
) -> LogEntry:
    """What was done, with the parts it was done to and photos. Raises ValidationError."""
    entry = LogEntry(piece=piece, text=text.strip(), at=at, attempt=attempt, created_by=by)
    _save_entry(entry, parts=parts, now=now)
    keep_photos(photos, by=by, piece=piece, log_entry=entry, moment=Moment.DURING)
    return entry


@transaction.atomic
def change_entry(
    entry: LogEntry,
    *,
    by: Person,
    now: datetime,
    parts: Sequence[Part],
    photos: Sequence[PreparedPhoto] = (),
) -> None:
    """Saves a corrected log entry. Raises ValidationError."""
    _save_entry(entry, parts=parts, now=now)
    keep_photos(photos, by=by, piece=entry.piece, log_entry=entry, moment=Moment.DURING)


def _save_entry(entry: LogEntry, *, parts: Sequence[Part], now: datetime) -> None:
    if any(part.piece_id != entry.piece_id for part in parts):
        raise ValidationError({"parts": "That part belongs to another piece."})
    if entry.attempt is not None and entry.attempt.piece_id != entry.piece_id:
        raise ValidationError({"attempt": "That attempt was on another piece."})
    if entry.at > now + CLOCK_SLACK:
        raise ValidationError({"at": "That is still to come."})
    entry.full_clean()
    entry.save()
    entry.parts.set(parts)


# Timers and hours


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
