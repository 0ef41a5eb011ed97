"""What happens at the bench: attempts with their outcomes, and the log."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction

from flips.actions.hours import CLOCK_SLACK
from flips.actions.photos import keep_photos
from flips.actions.undo import CannotUndo, undoable
from flips.models import Attempt, LogEntry, Moment, Outcome, Part, Person, Piece, TimeEntry, Use
from flips.photos import PreparedPhoto

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
