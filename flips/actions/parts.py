"""Surveying the parts of a piece, taking them off and putting them back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.db.models import Max
from django.utils import timezone

from finishes.measures import Length
from flips.actions.photos import keep_photos
from flips.actions.undo import CannotUndo, undoable
from flips.models import Moment, Part, Person, Piece, Reading, Removal
from flips.photos import PreparedPhoto
from flips.usual_parts import Line


def _hold(piece_id: int) -> Piece:
    """The piece, locked: whatever looks at all its parts or numbers waits for the other."""
    return Piece.objects.select_for_update().get(pk=piece_id)


@transaction.atomic
def add_part(
    *, by: Person, piece: Piece, name: str, count: int = 1, parent: Part | None = None, **fields: Any
) -> Part:
    """A new part at the end of its piece, on its own or within ``parent``. Raises ValidationError."""
    _hold(piece.pk)
    part = Part(created_by=by, piece=piece, name=name.strip(), count=count, parent=parent, **fields)
    part.place = _next_place(piece)
    _check_parent(part)
    part.full_clean()
    part.save()
    return part


def _next_place(piece: Piece) -> int:
    return (Part.objects.filter(piece=piece).aggregate(last=Max("place"))["last"] or 0) + 1


def _check_parent(part: Part) -> None:
    """Refuses a parent on another piece, one that is taken out, and one that lies within the part itself."""
    if part.parent_id is None:
        return
    above = dict(Part.objects.filter(piece_id=part.piece_id).values_list("pk", "parent_id"))
    if part.parent_id not in above:
        raise ValidationError({"parent": "That part belongs to another piece."})
    if part.parent is not None and part.parent.is_void:
        raise ValidationError({"parent": f"“{part.parent.name}” is taken out."})
    seen: set[int] = set()
    walk: int | None = part.parent_id
    while walk is not None and walk not in seen:
        if walk == part.pk:
            raise ValidationError({"parent": "A part can't go into itself or into one of its own sub-parts."})
        seen.add(walk)
        walk = above.get(walk)


@transaction.atomic
def change_part(part: Part) -> None:
    """Saves a corrected part, and where it belongs. Raises ValidationError."""
    _hold(part.piece_id)
    _check_parent(part)
    part.full_clean()
    part.save()


@transaction.atomic
def add_usual_parts(
    *, by: Person, piece: Piece, chosen: Mapping[int, int], lines: Sequence[Line]
) -> list[Part]:
    """Adds the ticked ``lines`` (number of the line -> how many) as parts, each within its part where that is ticked.

    All of them carry one time of entry, so that they can be taken back together.
    """
    _hold(piece.pk)
    now, place = timezone.now(), _next_place(piece)
    made: dict[int, Part] = {}
    for line in lines:
        if line.number not in chosen:
            continue
        part = Part(
            piece=piece,
            parent=made.get(line.above) if line.above is not None else None,
            name=line.part.name,
            count=chosen[line.number],
            material=line.part.material,
            place=place + len(made),
            created_by=by,
            created_at=now,
        )
        part.full_clean()
        part.save()
        made[line.number] = part
    if not made:
        raise ValidationError("Tick at least one part.")
    return list(made.values())


@undoable("usual parts")
def take_usual_parts_back(record: models.Model, by: Person) -> str:
    """The parts ticked together are taken out together."""
    if not isinstance(record, Part):
        raise CannotUndo("That can't be taken back.")
    batch = Part.objects.live().filter(
        piece_id=record.piece_id, created_at=record.created_at, created_by=record.created_by
    )
    count = 0
    for part in batch.select_for_update():
        part.void(by=by, reason="taken back at once")
        count += 1
    return f"{count} parts taken back."


def _with_all_below(part: Part) -> list[Part]:
    """A part and every live sub-part below it."""
    below: dict[int | None, list[Part]] = {}
    for row in Part.objects.live().filter(piece_id=part.piece_id).select_for_update():
        below.setdefault(row.parent_id, []).append(row)
    found, waiting = [], [part]
    while waiting:
        one = waiting.pop()
        found.append(one)
        waiting += [row for row in below.get(one.pk, []) if row not in found]
    return found


@transaction.atomic
def void_part(part: Part, *, by: Person, reason: str) -> int:
    """Takes a part and its sub-parts out, and says how many; their attempts, hours and photos stay where they are.

    Refused while one of them is noted as taken off, so that no bag of fasteners is lost sight of.
    """
    _hold(part.piece_id)
    if not reason.strip():
        raise ValidationError("Say why it is taken out.")
    parts = _with_all_below(part)
    off = Removal.objects.still_off().filter(part__in=parts).select_related("part").first()
    if off is not None:
        raise ValidationError(
            f"“{off.part.name}” is noted as taken off: put it back first, or strike that from the taking apart."
        )
    now = timezone.now()
    for one in parts:
        one.void(by=by, reason=reason, at=now)
    return len(parts)


@undoable("part voided")
def bring_part_back(record: models.Model, _by: Person) -> str:
    """A part that was taken out comes back with the sub-parts that went with it."""
    if not isinstance(record, Part):
        raise CannotUndo("That can't be taken back.")
    together = Part.objects.filter(piece_id=record.piece_id, voided_at=record.voided_at)
    for part in together.exclude(voided_at=None).select_for_update():
        part.restore()
    return f"“{record.name}” is back."


@transaction.atomic
def add_readings(
    part: Part, *, by: Person, dimension: str, readings: Sequence[tuple[str, Length]]
) -> list[Reading]:
    """Keeps every reading of one dimension (point, length); none is averaged away."""
    if not readings:
        raise ValidationError({"typed": "Write at least one reading."})
    now, kept = timezone.now(), []
    for where, length in readings:
        reading = Reading(
            part=part,
            dimension=dimension,
            where=where,
            length_nm=length.nm,
            length_text=length.text,
            created_by=by,
            created_at=now,
        )
        reading.full_clean()
        reading.save()
        kept.append(reading)
    return kept


@undoable("readings")
def take_readings_back(record: models.Model, by: Person) -> str:
    """The readings typed together are taken out together."""
    if not isinstance(record, Reading):
        raise CannotUndo("That can't be taken back.")
    batch = Reading.objects.live().filter(
        part_id=record.part_id, created_at=record.created_at, created_by=record.created_by
    )
    for reading in batch.select_for_update():
        reading.void(by=by, reason="taken back at once")
    return "Readings taken back."


@transaction.atomic
def take_off(
    *,
    by: Person,
    piece: Piece,
    part: Part | None = None,
    new_part: str = "",
    at: datetime,
    photos: Sequence[PreparedPhoto] = (),
    **fields: Any,
) -> Removal:
    """Notes the next part taken off, numbered in order; ``new_part`` names one that was not listed yet."""
    _hold(piece.pk)
    if part is None:
        if not new_part.strip():
            raise ValidationError({"part": "Say which part came off."})
        part = add_part(by=by, piece=piece, name=new_part)
    if part.piece_id != piece.pk or part.is_void:
        raise ValidationError({"part": "That part is not on this piece."})
    _refuse_twice_off(part)
    removal = Removal(piece=piece, part=part, order=_next_order(piece), off_at=at, created_by=by, **fields)
    removal.full_clean()
    removal.save()
    keep_photos(photos, by=by, piece=piece, part=part, removal=removal, moment=Moment.DURING)
    return removal


def _next_order(piece: Piece) -> int:
    # Struck ones keep their number, so that bringing one back meets no other.
    return (Removal.objects.filter(piece=piece).aggregate(last=Max("order"))["last"] or 0) + 1


def next_order(piece: Piece) -> int:
    """The number the next part taken off will get, as long as nobody is faster."""
    return _next_order(piece)


def _refuse_twice_off(part: Part, *, besides: int | None = None) -> None:
    others: Iterable[Removal] = Removal.objects.still_off().filter(part=part).exclude(pk=besides or 0)[:1]
    for other in others:
        raise ValidationError({"part": f"“{part.name}” is off already: it was number {other.order}."})


@transaction.atomic
def put_back(removal: Removal, *, at: datetime, count_back: int) -> Removal:
    """Notes that a part went back on with so many of its fasteners; putting it back twice changes nothing."""
    removal = Removal.objects.select_for_update().select_related("part").get(pk=removal.pk)
    if removal.is_void:
        raise ValidationError("That was struck from the list.")
    if removal.back_at is None:
        removal.back_at, removal.count_back = at, count_back
        removal.full_clean()
        removal.save()
    return removal


@undoable("put back")
def take_off_again(record: models.Model, _by: Person) -> str:
    """A part that was just put back is off as before."""
    if not isinstance(record, Removal):
        raise CannotUndo("That can't be taken back.")
    try:
        off_again(record)
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return f"“{record.part.name}” is off again."


@transaction.atomic
def off_again(removal: Removal) -> Removal:
    """Takes back that a part was put back."""
    _hold(removal.piece_id)
    removal = Removal.objects.select_for_update().get(pk=removal.pk)
    _refuse_twice_off(removal.part, besides=removal.pk)
    removal.back_at, removal.count_back = None, None
    removal.full_clean()
    removal.save()
    return removal


@transaction.atomic
def change_removal(removal: Removal, *, by: Person, photos: Sequence[PreparedPhoto] = ()) -> None:
    """Saves a corrected line of the taking apart. Raises ValidationError."""
    _hold(removal.piece_id)
    if removal.back_at is None:
        _refuse_twice_off(removal.part, besides=removal.pk)
    removal.full_clean()
    removal.save()
    keep_photos(photos, by=by, piece=removal.piece, part=removal.part, removal=removal, moment=Moment.DURING)


@undoable("removal struck")
def bring_removal_back(record: models.Model, _by: Person) -> str:
    """A struck line of the taking apart counts again."""
    if not isinstance(record, Removal):
        raise CannotUndo("That can't be taken back.")
    _hold(record.piece_id)
    try:
        if record.back_at is None:
            _refuse_twice_off(record.part, besides=record.pk)
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    record.restore()
    return f"Number {record.order} is back on the list."
