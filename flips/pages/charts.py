"""Small charts as SVG: plain shapes in the colour of the text, so that dark mode and paper need nothing else.

Each has a title and a description for those who do not see it, and the page shows its figures in a table behind it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

INK = "currentColor"


@dataclass(frozen=True)
class Bar:
    """One bar: its label, its amount, the amount as it is printed, and a second amount set into it if there is one."""

    label: str
    value: int
    shown: str
    inner: int | None = None


def _at(value: Fraction | int) -> str:
    """A coordinate with one decimal."""
    return f"{float(value):.1f}"


def columns(name: str, *, title: str, text: str, bars: Sequence[Bar]) -> SafeString:
    """Upright bars beside each other, as for the months of a year; what is below zero hangs down.

    ``value`` is drawn light with an outline, ``inner`` solid in front of it.
    """
    width, height, foot = 360, 150, 16
    values = [bar.value for bar in bars] + [bar.inner or 0 for bar in bars] + [0]
    top, low = max(values), min(values)
    span = (top - low) or 1
    room = height - foot - 4

    def down(value: int) -> Fraction:
        return Fraction(4) + Fraction(room * (top - value), span)

    step = Fraction(width, max(len(bars), 1))
    shapes = []
    for place, bar in enumerate(bars):
        left = step * place + step / 8
        for value, wide, look in ((bar.value, step * 3 / 4, "light"), (bar.inner, step * 3 / 8, "solid")):
            if value is None:
                continue
            start, end = sorted((down(0), down(value)))
            shapes.append(
                (
                    _at(left + (step * 3 / 4 - wide) / 2),
                    _at(start),
                    _at(wide),
                    _at(max(end - start, Fraction(0))),
                    INK,
                    "0.18" if look == "light" else "0.85",
                    INK,
                )
            )
    rects = format_html_join(
        "",
        '<rect x="{}" y="{}" width="{}" height="{}" fill="{}" fill-opacity="{}" stroke="{}" stroke-width="1"/>',
        shapes,
    )
    labels = format_html_join(
        "",
        '<text x="{}" y="{}" font-size="11" text-anchor="middle" fill="{}">{}</text>',
        ((_at(step * place + step / 2), height - 3, INK, bar.label) for place, bar in enumerate(bars)),
    )
    zero = format_html(
        '<line x1="0" x2="{}" y1="{}" y2="{}" stroke="{}" stroke-width="1"/>',
        width,
        _at(down(0)),
        _at(down(0)),
        INK,
    )
    return _svg(
        name, title, text, width=width, height=height, inside=format_html("{}{}{}", rects, zero, labels)
    )


def rows(name: str, *, title: str, text: str, bars: Sequence[Bar]) -> SafeString:
    """Lying bars under each other with their amounts, the label above each; what is below zero is hatched by a dash."""
    width, each = 360, 34
    height = each * max(len(bars), 1)
    most = max((abs(bar.value) for bar in bars), default=0) or 1
    parts = []
    for place, bar in enumerate(bars):
        y = each * place
        long = Fraction(width * abs(bar.value), most)
        parts.append(
            format_html(
                '<text x="0" y="{}" font-size="12" fill="{}">{}</text>'
                '<text x="{}" y="{}" font-size="12" text-anchor="end" fill="{}">{}</text>'
                '<rect x="0.5" y="{}" width="{}" height="10" fill="{}" fill-opacity="{}" stroke="{}" stroke-width="1"{}/>',
                y + 13, INK, bar.label[:34], width, y + 13, INK, bar.shown, y + 18, _at(max(long - 1, Fraction(0))), INK,
                "0.6" if bar.value >= 0 else "0", INK, SafeString(' stroke-dasharray="3 2"') if bar.value < 0 else "",
            )
        )  # fmt: skip
    inside = format_html_join("", "{}", ((part,) for part in parts))
    return _svg(name, title, text, width=width, height=height, inside=inside)


def _svg(name: str, title: str, text: str, *, width: int, height: int, inside: SafeString) -> SafeString:
    return format_html(
        '<svg role="img" aria-labelledby="{0}-title {0}-text" viewBox="0 0 {1} {2}" width="100%" height="{2}" '
        'preserveAspectRatio="xMinYMid meet" font-family="inherit"><title id="{0}-title">{3}</title>'
        '<desc id="{0}-text">{4}</desc>{5}</svg>',
        name,
        width,
        height,
        title,
        text,
        inside,
    )
