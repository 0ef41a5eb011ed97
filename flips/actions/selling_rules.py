"""What channels keep of a sale, from a day on."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db import transaction

from flips.models import Channel, FeeRule, Person


@transaction.atomic
def add_channel(*, name: str, by: Person) -> Channel:
    """A new place to sell."""
    channel = Channel(name=name, created_by=by)
    channel.full_clean()
    channel.save()
    return channel


@transaction.atomic
def add_fee_rule(channel: Channel, *, from_on: date, by: Person, **terms: Any) -> FeeRule:
    """What a channel keeps from a day on; sales before that day keep the fee they had."""
    rule = FeeRule(channel=channel, from_on=from_on, created_by=by, **terms)
    rule.full_clean()
    rule.save()
    return rule
