"""Template words of the shop: money that helpers never see, measures in the shop's units, hidden ids."""

from __future__ import annotations

import uuid
from datetime import datetime
from fractions import Fraction
from typing import Any

from django import template
from django.template import Context
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from estimating.money import Money
from finishes.measures import Area, Length, Mass, Temperature, Volume, trim_decimal
from flips.models import MILLION, Photo, Record
from flips.wording import hours_words, money_words, percent_words

register = template.Library()


@register.simple_tag(takes_context=True)
def money(context: Context, cents: int | None, dash: str = "–") -> SafeString | str:
    """An amount in the shop's currency; a dash for none; nothing at all unless an owner is looking."""
    if context.get("owner") is not True:
        return ""
    if cents is None or cents == "":
        return dash
    amount = Money(int(cents), context["shop"].currency)
    return format_html(
        '<span class="money{}">{}</span>',
        " is-minus" if amount.cents < 0 else "",
        money_words(amount.cents, amount.currency),
    )


@register.simple_tag(takes_context=True)
def money_text(context: Context, cents: int | None, dash: str = "–") -> str:
    """Like ``money`` without markup, for titles and attributes."""
    if context.get("owner") is not True:
        return ""
    return money_words(None if cents is None else int(cents), context["shop"].currency, none=dash)


@register.simple_tag(takes_context=True)
def shown(context: Context, quantity: Length | Area | Volume | Mass | Temperature | None) -> str:
    """A measure in the shop's units; what was typed is shown as typed."""
    if quantity is None:
        return "–"
    return quantity.text or quantity.shown(context["shop"].units)


@register.filter
def as_hours(minutes: int | None) -> str:
    """Minutes as hours and minutes: "2 h 05", "40 min"; a dash for none."""
    if minutes is None:
        return "–"
    minutes = int(minutes)
    return hours_words(minutes)


@register.filter
def as_percent(ratio: Fraction | None) -> str:
    """A ratio as a percentage with one decimal; a dash for none."""
    return percent_words(None if ratio is None else Fraction(ratio) * 100)


@register.filter
def as_hundredths(hundredths: int) -> str:
    """Hundredths as a plain number: 1250 is "12.5"."""
    return trim_decimal(Fraction(hundredths, 100), 2)


@register.filter
def as_quantity(millionths: int | Fraction | None) -> str:
    """Millionths of a unit as a plain number."""
    if millionths is None:
        return "–"
    exact = millionths if isinstance(millionths, Fraction) else Fraction(millionths, MILLION)
    return trim_decimal(exact, 3)


@register.filter
def epoch(moment: datetime) -> int:
    """Whole seconds since 1970, for a clock that the page counts on."""
    return int(moment.timestamp())


@register.simple_tag(takes_context=True)
def sent_id(context: Context) -> SafeString:
    """The hidden id that makes sending twice harmless; kept when a form comes back with errors."""
    request = context.get("request")
    kept = request.POST.get("sent_id", "") if request is not None and request.method == "POST" else ""
    value = kept or str(uuid.uuid4())
    return format_html(
        '<input type="hidden" name="sent_id" value="{}"{}>',
        value,
        SafeString(' data-kept="1"') if kept else "",
    )


@register.simple_tag
def version(record: Record) -> SafeString:
    """The hidden version an edit form was made from."""
    return format_html('<input type="hidden" name="version" value="{}">', record.version)


@register.simple_tag(takes_context=True)
def query_with(context: Context, **changes: Any) -> str:
    """The present query string with some values changed; an empty value takes one out."""
    query = context["request"].GET.copy()
    for key, value in changes.items():
        if value in (None, ""):
            query.pop(key, None)
        else:
            query[key] = value
    return f"?{query.urlencode()}" if query else "?"


@register.simple_tag
def photo(picture: Photo, size: str = "thumb", link: str = "", *, beside_words: bool = False) -> SafeString:
    """A photo as a link to its own page; ``link`` leads elsewhere, "none" leads nowhere.

    ``beside_words``: what it shows is said beside it already, so that a screen reader need not say it again.
    """
    box = 320 if size == "thumb" else 1280
    shrink = min(1.0, box / max(picture.width, picture.height, 1))
    image = format_html(
        '<img src="{}" width="{}" height="{}" alt="{}" loading="lazy" decoding="async">',
        reverse("photo_file", args=[picture.pk, size]),
        max(1, round(picture.width * shrink)),
        max(1, round(picture.height * shrink)),
        "" if beside_words else picture.caption or f"{picture.get_moment_display()} photo",
    )
    if link == "none":
        return image
    return format_html(
        '<a class="photo" href="{}">{}</a>', link or reverse("photo", args=[picture.pk]), image
    )


@register.filter
def ago(moment: datetime) -> str:
    """How long ago, in the coarsest word that is true."""
    minutes = int((timezone.now() - moment).total_seconds() // 60)
    if minutes < 1:
        return "just now"
    if minutes < 60:
        return f"{minutes} min ago"
    if minutes < 24 * 60:
        return f"{minutes // 60} h ago"
    return f"{minutes // (24 * 60)} d ago"
