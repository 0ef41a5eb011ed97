"""Closing a year and reopening it."""

from __future__ import annotations

from datetime import date

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from flips.models import Person, Shop, YearClose
from flips.models.review import Books, before_closing, kept_figures


@transaction.atomic
def close_year(first: date, *, by: Person, today: date, note: str = "") -> YearClose:
    """Closes the year that starts on ``first`` and keeps its figures as they stand.

    Raises ValidationError when it is not over, an earlier one is open, or its books do not tie out.
    """
    shop = Shop.objects.select_for_update().get()
    books = Books.read(shop, today=today)
    year = next((one for one in books.years if one.first == first), None)
    if year is None:
        raise ValidationError("No year of yours starts on that day.")
    if year.is_closed:
        raise ValidationError("That year is closed already.")
    figures = books.figures(year)
    in_the_way = [todo.text for todo in before_closing(books, year, figures) if todo.stops]
    if in_the_way:
        raise ValidationError([f"{text}." for text in in_the_way])
    close = YearClose(
        first=year.first,
        end=year.end,
        closed_by=by,
        created_by=by,
        note=note.strip(),
        figures=kept_figures(figures),
    )
    close.full_clean()
    close.save()
    return close


@transaction.atomic
def reopen_year(close: YearClose, *, by: Person, note: str) -> YearClose:
    """Opens a closed year again and keeps why; the latest first. Raises ValidationError."""
    Shop.objects.select_for_update().get()
    now = YearClose.objects.select_for_update().get(pk=close.pk)
    if not now.is_shut:
        raise ValidationError("That year is open already.")
    if not note.strip():
        raise ValidationError({"note": "Say why the year is reopened."})
    later = YearClose.objects.shut().filter(first__gt=now.first).order_by("-first").first()
    if later is not None:
        raise ValidationError(f"{later} builds on it: reopen that year first.")
    now.reopened_at, now.reopened_by, now.reopen_note = timezone.now(), by, note.strip()
    now.full_clean()
    now.save()
    return now
