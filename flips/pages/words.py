"""A record's values in words, as its history and a page changed by two people show them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from fractions import Fraction
from typing import Any

from django.db import models
from django.utils import timezone
from django.utils.formats import date_format

from finishes.measures import Length, trim_decimal
from flips.models import MILLION, Cents, Millionths, Nanometres, Shop
from flips.wording import hours_words, money_words

NOTHING = "nothing"
ENDINGS = (" cents", " nm", " hundredths", " thousandths", " millionths")


def label_of(field: models.Field) -> str:
    """What a column is called on a page."""
    label = str(field.verbose_name)
    for ending in ENDINGS:
        label = label.removesuffix(ending)
    return label[:1].upper() + label[1:]


def in_words(field: models.Field, value: Any, *, shop: Shop, names: Mapping[Any, str] | None = None) -> str:
    """A column's value as a person says it: money with its sign, measures in the shop's units, choices by name.

    ``names`` says what the rows are called that a foreign key may point to, by their ids.
    """
    if value is None or value == "":
        return NOTHING
    if isinstance(value, models.Model):
        return str(value)
    if field.is_relation:
        return (names or {}).get(value) or f"No. {value}"
    if field.choices:
        return str(dict(field.flatchoices).get(value, value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return _number_in_words(field, value, shop)
    if isinstance(value, datetime):
        return date_format(timezone.localtime(value, shop.zone), "j M Y, H:i")
    if isinstance(value, date):
        return date_format(value, "j M Y")
    return str(value)


def _number_in_words(field: models.Field, value: int, shop: Shop) -> str:
    if isinstance(field, Cents):
        return money_words(value, shop.currency)
    if isinstance(field, Nanometres):
        return Length(value).shown(shop.units)
    if isinstance(field, Millionths):
        return trim_decimal(Fraction(value, MILLION), 6)
    if field.name.endswith("_thousandths"):
        return f"{trim_decimal(Fraction(value, 1000), 3)} %"
    if field.name.endswith("_hundredths"):
        return f"{trim_decimal(Fraction(value, 100), 2)} %"
    if field.name == "minutes":
        return hours_words(value)
    return str(value)
