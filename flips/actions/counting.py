"""Counting the stock: what was found of each lot, and closing a count so that the books hold what the shelf holds."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from flips.actions import stock
from flips.actions.undo import CannotUndo, undoable
from flips.models import Count, CountLine, Lot, Measured, Origin, Person, Use, UseKind
from flips.models.counting import lines_of, with_booked

SIZES = (
    "length_nm", "length_text", "width_nm", "width_text", "thickness_nm", "thickness_text", "full_mass_ng",
    "density_g_per_l", "place", "low_millionths",
)  # fmt: skip


class CountedMeanwhile(ValidationError):
    """Somebody else counted the same lot after the page was shown."""


def start_count(*, by: Person, on: date) -> Count:
    """A new count of one day. Raises ValidationError for a day to come."""
    if on > timezone.localdate():
        raise ValidationError({"on": "That day is still to come."})
    count = Count(on=on, created_by=by)
    count.full_clean()
    count.save()
    return count


def _open(count: Count) -> Count:
    now = Count.objects.select_for_update().get(pk=count.pk)
    if now.is_void:
        raise ValidationError("This count has been taken out. Start another.")
    if now.is_closed:
        raise ValidationError("This count is closed. The owner can reopen it.")
    return now


@transaction.atomic
def count_lot(
    count: Count,
    lot: Lot,
    *,
    by: Person,
    counted_millionths: int | None,
    measured: str = Measured.QUANTITY,
    measured_text: str = "",
    shown_version: int | None = None,
) -> CountLine:
    """Writes down what was found of a lot; None takes it back: not counted after all.

    ``shown_version`` is that of the line the page showed, 0 for none. Raises ValidationError: the count is no longer
    open, or the lot is void or came in later; CountedMeanwhile when the line has moved on.
    """
    now = _open(count)
    held = with_booked(Lot.objects.filter(pk=lot.pk), now.on).first()
    if held is None:
        raise ValidationError("That lot is no longer in stock, or came in after the day of the count.")
    line = CountLine.objects.select_related("lot").filter(count=now, lot=lot).first()
    if shown_version is not None and shown_version != (line.version if line else 0):
        said = line.counted_words if line and line.is_counted else "not counted"
        raise CountedMeanwhile(f"Somebody counted it meanwhile: {said}. Save again to make it yours.")
    if line is None:
        line = CountLine(count=now, lot=lot, created_by=by)
    line.counted_millionths = counted_millionths
    line.booked_millionths = held.booked_millionths
    line.measured, line.measured_text = measured, measured_text[:80]
    line.full_clean()
    line.save()
    return line


@transaction.atomic
def close_count(count: Count, *, by: Person) -> Count:
    """Puts every difference into the books on the day of the count, all or nothing; what was not counted stays.

    What is missing becomes a use of the lot (``UseKind.SHRINKAGE``); what is more comes in as a lot of its own that
    cost nothing. Raises ValidationError: nothing was counted; what the books hold of a lot has changed since it was
    counted; or later uses have taken what the count says was missing.
    """
    now = _open(count)
    lines = [line for line in lines_of(now).values() if line.is_counted]
    if not lines:
        raise ValidationError("Nothing has been counted yet.")
    lots = [line.lot for line in lines]
    left = {lot.pk: lot.left_millionths for lot in stock.lock(*lots)}
    booked = {lot.pk: lot.booked_millionths for lot in with_booked(Lot.objects.filter(pk__in=left), now.on)}
    changed = [line for line in lines if booked.get(line.lot_id) != line.booked_millionths]
    if changed:
        raise ValidationError(
            f"The books have changed since these were counted: {_names(changed)}. Count them again."
        )
    short = [line for line in lines if line.is_missing and -line.difference_millionths > left[line.lot_id]]
    if short:
        raise ValidationError(
            f"More of these was used after {now.on.day} {now.on:%b %Y} than the count found: {_names(short)}. "
            "Count them again, or correct those uses."
        )
    for line in lines:
        _put_right(line, by=by)
    stock.recost(lots)
    now.closed_at, now.closed_by = timezone.now(), by
    now.save()
    return now


def _names(lines: Iterable[CountLine]) -> str:
    names = sorted({line.lot.name for line in lines})
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _put_right(line: CountLine, *, by: Person) -> None:
    lot, difference = line.lot, line.difference_millionths
    if not difference:
        return
    if difference < 0:
        use = Use(
            lot=lot,
            kind=UseKind.SHRINKAGE,
            quantity_millionths=-difference,
            measured=line.measured,
            measured_text=line.measured_text,
            used_on=line.count.on,
            note=str(line.count),
            created_by=by,
        )
        use.full_clean()
        use.save()
        line.use = use
    else:
        line.found = stock.add_lot(
            by=by,
            name=lot.name,
            origin=Origin.FOUND,
            kind=lot.kind,
            unit=lot.unit,
            quantity_millionths=difference,
            came_on=line.count.on,
            note=str(line.count),
            **{name: getattr(lot, name) for name in SIZES},
        )
    line.save()


@transaction.atomic
def reopen_count(count: Count, *, by: Person, reason: str) -> Count:
    """Takes what a closed count put into the books out again and opens it; what was counted stays written down.

    Raises ValidationError when something it found has been used since.
    """
    now = Count.objects.select_for_update().get(pk=count.pk)
    if not now.is_closed:
        return now
    for line in lines_of(now).values():
        if line.use is not None:
            stock.void_use(line.use, by=by, reason=reason)
        if line.found is not None:
            stock.void_lot(line.found, by=by, reason=reason)
        if line.use is not None or line.found is not None:
            line.use = line.found = None
            line.save()
    now.closed_at = now.closed_by = None
    now.save()
    return now


@transaction.atomic
def void_count(count: Count, *, by: Person, reason: str) -> None:
    """Takes a count out that was started by mistake. Raises ValidationError for a closed one: reopen it first."""
    now = Count.objects.select_for_update().get(pk=count.pk)
    if now.is_closed:
        raise ValidationError("Reopen the count first, so that what it changed is taken back.")
    now.void(by=by, reason=reason)


@undoable("count_closed")
def unclose(record: models.Model, by: Person) -> str:
    """What the count changed is taken out of the books again."""
    if not isinstance(record, Count):
        raise CannotUndo("That can't be taken back.")
    try:
        reopen_count(record, by=by, reason=stock.AT_ONCE)
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return "The count is open again."
