"""What is asked for a piece, and prices noted elsewhere."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from flips.models import Comparable, Person, Piece


@transaction.atomic
def ask(piece: Piece, cents: int) -> Piece:
    """Writes the price she asks for a piece in the shop. Raises ValidationError."""
    now = Piece.objects.select_for_update().get(pk=piece.pk)
    if now.is_void or not now.is_owned:
        raise ValidationError(f"“{now}” is {now.get_stage_display().lower()}: no price is asked for it.")
    now.listed_cents = cents
    now.full_clean()
    now.save()
    return now


@transaction.atomic
def note_price(*, by: Person, **fields: Any) -> Comparable:
    """A price seen elsewhere. Raises ValidationError."""
    seen = Comparable(created_by=by, **fields)
    seen.full_clean()
    seen.save()
    return seen
