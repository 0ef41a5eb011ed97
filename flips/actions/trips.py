"""Trips and the rates they are worth."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from flips.mileage import IRS_RATES
from flips.models import ClosedYear, Distance, MileageRate, Person, Piece, Trip


@transaction.atomic
def log_trip(*, by: Person, pieces: Sequence[Piece] = (), **fields: Any) -> Trip:
    """A drive, by its distance or by the odometer; its pieces share it evenly. Raises ValidationError."""
    trip = Trip(created_by=by)
    return _write(trip, pieces, fields)


@transaction.atomic
def change_trip(trip: Trip, *, pieces: Sequence[Piece], **fields: Any) -> Trip:
    """Corrects a trip. Raises ValidationError."""
    if trip.is_void:
        raise ValidationError("That trip has been voided.")
    return _write(trip, pieces, fields)


def _write(trip: Trip, pieces: Sequence[Piece], fields: dict[str, Any]) -> Trip:
    for name, value in fields.items():
        setattr(trip, name, value)
    start, end = trip.odometer_from_millionths, trip.odometer_to_millionths
    if (start is None) != (end is None):
        raise ValidationError({"odometer_to": "Write both readings of the odometer, or neither."})
    if start is not None and end is not None:
        if end <= start:
            raise ValidationError({"odometer_to": "The odometer can't have gone back."})
        typed = trip.distance_millionths
        if typed is not None and typed != end - start:
            raise ValidationError({"distance": "The odometer says otherwise. Leave one of them empty."})
        trip.distance_millionths = end - start
    if trip.distance_millionths is None:
        raise ValidationError({"distance": "Write the distance, or both readings of the odometer."})
    if trip.on > timezone.localdate():
        raise ValidationError({"on": "That day is still to come."})
    if any(piece.is_void for piece in pieces):
        raise ValidationError({"pieces": "One of those pieces has been taken out."})
    trip.full_clean()
    trip.save()
    trip.pieces.set(pieces)
    return trip


@transaction.atomic
def add_rate(*, by: Person, from_on: date, rate_millionths: int, unit: str, source: str) -> MileageRate:
    """A rate from a day on; trips since then follow it. Raises ValidationError, also where a closed year would move."""
    rate = MileageRate(
        from_on=from_on, rate_millionths=rate_millionths, unit=unit, source=source.strip(), created_by=by
    )
    rate.full_clean()
    rate.save()
    return rate


@transaction.atomic
def add_irs_rates(*, by: Person) -> int:
    """Puts in the IRS standard mileage rates that are not there yet and move no closed year; answers how many."""
    there = set(MileageRate.objects.live().values_list("from_on", flat=True))
    added = 0
    for rate in _missing(there):
        made = MileageRate(
            from_on=rate[0],
            unit=Distance.MILES,
            rate_millionths=rate[1],
            source=rate[2],
            created_by=by,
        )
        made.full_clean()
        try:
            made.save()
        except ClosedYear:
            continue
        added += 1
    return added


def _missing(there: set[date]) -> Iterable[tuple[date, int, str]]:
    # The latest first: each is then bounded by the next, and an old one can't reach into days it was not made for.
    return [row for row in reversed(IRS_RATES) if row[0] not in there]
