"""Starting mid-life: pieces, stock and hours from before the books began."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from flips.actions.pieces import buy, log_find, move
from flips.actions.stock import add_lot
from flips.models import Lot, Origin, Person, Piece, Stage, TimeEntry
from flips.models.pieces import NEXT_BY_HAND

MOST_AT_ONCE = 2880
STAGES = (Stage.BOUGHT, Stage.IN_WORK, Stage.READY, Stage.LISTED)


@transaction.atomic
def bring_in_piece(
    *,
    by: Person,
    what: str,
    basis_cents: int,
    on: date,
    stage: str = Stage.BOUGHT,
    minutes: int = 0,
    **fields: Any,
) -> Piece:
    """A piece owned before the books began, at what it has cost so far; it is stock from ``on``. Raises ValidationError.

    ``minutes`` are the owner's on it so far; they count on ``on``.
    """
    _not_ahead(on)
    if stage not in STAGES:
        raise ValidationError({"stage": "Choose where it stands in the shop."})
    piece = log_find(by=by, what=what, seen_on=on, **fields)
    buy(
        by=by,
        weights={piece: 1},
        price_cents=basis_cents,
        bought_on=on,
        place=piece.place,
        opening=True,
        note="brought in at the start",
    )
    piece.refresh_from_db()
    walk_to(piece, stage, by=by, on=on)
    if minutes:
        bring_in_hours(by=by, person=by, minutes=minutes, on=on, piece=piece)
    piece.refresh_from_db()
    return piece


def walk_to(piece: Piece, stage: str, *, by: Person, on: date) -> None:
    """Moves an owned piece by hand along the shortest way to a stage of the shop."""
    ways: list[list[str]] = [[piece.stage]]
    while ways:
        way = ways.pop(0)
        if way[-1] == stage:
            for step in way[1:]:
                move(piece, step, by=by, on=on)
                piece.refresh_from_db()
            return
        ways += [[*way, step] for step in NEXT_BY_HAND[way[-1]] if step in STAGES and step not in way]


@transaction.atomic
def bring_in_lot(*, by: Person, name: str, cost_cents: int, on: date, **fields: Any) -> Lot:
    """Material on hand when the books began, at what the rest of it had cost. Raises ValidationError."""
    _not_ahead(on)
    return add_lot(by=by, name=name, origin=Origin.OPENING, cost_cents=cost_cents, came_on=on, **fields)


@transaction.atomic
def bring_in_hours(
    *,
    by: Person,
    person: Person,
    minutes: int,
    on: date,
    piece: Piece | None = None,
    note: str = "from before",
    zone: ZoneInfo | None = None,
) -> list[TimeEntry]:
    """Hours worked, typed in as one sum for a day; long ones are kept in parts of two days at most."""
    _not_ahead(on)
    if minutes <= 0:
        raise ValidationError({"minutes": "Write at least one minute."})
    if piece is not None and (piece.is_void or piece.is_find):
        raise ValidationError({"piece": f"“{piece}” is not in the shop: buy it first."})
    # Noon is that day in every zone the clocks know, whatever they do at night.
    start = datetime.combine(on, time(12), tzinfo=zone or timezone.get_current_timezone())
    entries: list[TimeEntry] = []
    while minutes > 0:
        part = min(minutes, MOST_AT_ONCE)
        entry = TimeEntry(
            person=person,
            piece=piece,
            minutes=part,
            started_at=start + timedelta(seconds=len(entries)),
            typed=True,
            note=note[:200],
            created_by=by,
        )
        entry.full_clean()
        entry.save()
        entries.append(entry)
        minutes -= part
    return entries


def _not_ahead(on: date) -> None:
    if on > timezone.localdate():
        raise ValidationError({"on": "That day is still to come."})
