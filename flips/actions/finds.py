"""Reckonings of finds, and what selling costs as a rule."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db import transaction
from django.db.models import Count, Q

from estimating.pricing import Terms
from flips.actions.sales import fee_of
from flips.models import Channel, Person, Piece, Reckoning


def usual_channel() -> Channel | None:
    """The channel most was sold on, of those in use."""
    return (
        Channel.objects.filter(retired=False)
        .annotate(count=Count("sales", filter=Q(sales__voided_at__isnull=True)))
        .order_by("-count", "name")
        .first()
    )


def usual_terms(
    day: date, *, channel: Channel | None = None, delivery_charged: int = 0, delivery_paid: int = 0
) -> Terms:
    """What selling costs on a channel (the usual one where none is named) by its rule of the day."""
    fee = fee_of(channel or usual_channel(), day)
    return Terms(fees=(fee,) if fee else (), delivery_charged=delivery_charged, delivery_paid=delivery_paid)


@transaction.atomic
def keep_reckoning(*, by: Person, piece: Piece, **figures: Any) -> Reckoning:
    """Keeps what a find was reckoned to be worth, to learn from; earlier ones stay. Raises ValidationError."""
    row = Reckoning(piece=piece, created_by=by, **figures)
    row.full_clean()
    row.save()
    changed = Piece.objects.select_for_update().get(pk=piece.pk)
    # What was typed in the store is what the find is known by from now on.
    asked = row.asking_cents if row.asking_cents is not None else changed.asking_cents
    if (changed.asking_cents, changed.expected_cents) != (asked, row.likely_cents):
        changed.asking_cents, changed.expected_cents = asked, row.likely_cents
        changed.full_clean()
        changed.save()
    return row
