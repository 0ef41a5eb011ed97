"""Keeping photos: three sizes on disk before the row says that they are there."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.core.files.base import ContentFile
from django.db import transaction
from django.utils import timezone

from flips.models import Moment, Person, Photo
from flips.photos import PreparedPhoto


@transaction.atomic
def keep_photos(
    photos: Sequence[PreparedPhoto], *, by: Person, moment: str = Moment.DURING, **belongs_to: Any
) -> list[Photo]:
    """Stores prepared photos for a piece, part, attempt, receipt...; files whose rows do not commit are removed."""
    kept: list[Photo] = []
    for prepared in photos:
        photo = Photo(
            created_by=by,
            moment=moment,
            width=prepared.width,
            height=prepared.height,
            digest=prepared.digest,
            fingerprint=prepared.fingerprint,
            taken_at=_instant(prepared.taken_at),
            **belongs_to,
        )
        try:
            for size in ("thumb", "screen", "full"):
                getattr(photo, size).save(f"{size}.jpg", ContentFile(prepared.sizes[size]), save=False)
            photo.full_clean()
            photo.save()
        except BaseException:
            for size in ("thumb", "screen", "full"):
                if getattr(photo, size):
                    getattr(photo, size).delete(save=False)
            raise
        kept.append(photo)
    return kept


def _instant(taken_at: datetime | None) -> datetime | None:
    """A camera without an offset is on the shop's clock."""
    if taken_at is not None and timezone.is_naive(taken_at):
        return timezone.make_aware(taken_at)
    return taken_at
