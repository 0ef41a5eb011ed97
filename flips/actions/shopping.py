"""Ticking things off the shopping list."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.db import transaction

from flips.models import Person, Shop
from flips.models.estimates import Tick
from flips.models.shopping import Wanted, shopping


def _wanted(key: str, shop: Shop) -> Wanted | None:
    return next((row for group in shopping(shop) for row in group.rows if row.key == key), None)


@transaction.atomic
def tick(key: str, *, by: Person, shop: Shop) -> Tick:
    """Ticks a row of the list as bought, as many as it wants now. Raises ValidationError when nothing is wanted."""
    row = _wanted(key, shop)
    if row is None:
        raise ValidationError("That is not on the list any more.")
    if row.is_bought:
        raise ValidationError("That is ticked already.")
    done = Tick(
        material=row.material,
        line=row.line if row.material is None else None,
        quantity_millionths=row.count_millionths,
        created_by=by,
    )
    done.full_clean()
    done.save()
    return done


@transaction.atomic
def untick(key: str, *, by: Person) -> int:
    """Takes every tick of a row away; how many there were."""
    kind, number = key[:1], key[1:]
    if kind not in ("m", "l") or not number.isdecimal():
        raise ValidationError("That is not on the list.")
    rows = Tick.objects.select_for_update().live()
    rows = rows.filter(material=int(number)) if kind == "m" else rows.filter(line=int(number))
    ticks = list(rows)
    for row in ticks:
        row.void(by=by, reason="not bought after all")
    return len(ticks)
