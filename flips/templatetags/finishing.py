"""Template words of finishing: areas, volumes and swatches."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import ceil

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

from finishes.cautions import Caution
from finishes.colour import lab_to_srgb
from finishes.measures import Area, Length, Volume, trim_decimal
from flips.models import Shop

register = template.Library()


@register.filter
def volume(quantity: Volume, shop: Shop) -> str:
    """A volume in the shop's units."""
    return quantity.shown(shop.units)


@register.filter
def area(quantity: Area, shop: Shop) -> str:
    """An area in the shop's units, to a tenth."""
    return quantity.shown(shop.units, 1)


@register.filter
def plain(figure: Fraction) -> str:
    """An exact figure to one decimal."""
    return trim_decimal(figure, 1)


@register.simple_tag
def swatch(lab: Sequence[float] | None) -> SafeString | str:
    """A square of a colour; nothing where it was not measured. Its name is beside it, so it says nothing itself."""
    if lab is None:
        return ""
    code = "#" + "".join(f"{round(level):02x}" for level in lab_to_srgb(lab))
    return format_html(
        '<svg class="swatch" viewBox="0 0 1 1" aria-hidden="true"><rect width="1" height="1" fill="{}"/></svg>',
        code,
    )


@register.filter
def per_ten_thousand(share: Fraction) -> str:
    """A share in hundredths of a percent, to a tenth: 0.00369 is "36.9"."""
    return trim_decimal(share * 10_000, 1)


@register.filter
def last_word(cautions: Sequence[Caution]) -> str:
    """Who has the last word on any of these cautions: the longest says all that the others say."""
    return max((caution.defer for caution in cautions), key=len, default="")


@register.filter
def rounded_up(length: Length, shop: Shop) -> str:
    """A gap in the shop's units, never narrower than it was worked out: up to a 64th of an inch or a tenth of a mm."""
    step, unit = (Fraction(1, 64), "in") if shop.units == "imperial" else (Fraction(1, 10), "mm")
    return Length.of(ceil(length.to(unit) / step) * step, unit).shown(shop.units)
