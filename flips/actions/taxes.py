"""Tax schemes by date, and tax paid over."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from flips.actions.receipts import settle_from
from flips.actions.undo import CannotUndo, undoable
from flips.models import Person, Scheme, TaxPayment, TaxScheme
from flips.models.taxes import schemes


@transaction.atomic
def add_scheme(*, by: Person, from_on: date, scheme: str, **fields: Any) -> TaxScheme:
    """The scheme from a day on. Sales keep the tax they were entered with; what is reclaimed of slips since that day
    follows. Raises ValidationError.
    """
    before = [one.reclaims for one in schemes()]
    made = TaxScheme(from_on=from_on, scheme=scheme, created_by=by, **fields)
    if scheme == Scheme.NONE:
        made.rate_thousandths, made.price_includes, made.on_delivery = 0, False, False
    elif scheme == Scheme.VAT_MARGIN:
        made.price_includes = True
    made.full_clean()
    made.save()
    if any(before) or made.reclaims:
        settle_from(from_on)
    return made


@transaction.atomic
def void_scheme(scheme: TaxScheme, *, by: Person, reason: str) -> None:
    """Takes a scheme out; sales keep their tax, and what is reclaimed of slips follows the scheme before it."""
    if not reason.strip():
        raise ValidationError("Say why.")
    reclaimed = any(one.reclaims for one in schemes())
    scheme.void(by=by, reason=reason)
    if reclaimed:
        settle_from(scheme.from_on)


@undoable("scheme_made")
def unmake_scheme(record: models.Model, by: Person) -> str:
    """A scheme just entered is voided."""
    if not isinstance(record, TaxScheme):
        raise CannotUndo("That can't be taken back.")
    try:
        void_scheme(record, by=by, reason="taken back at once")
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return "The scheme is taken out again."


@transaction.atomic
def pay_over(
    *, by: Person, cents: int, on: date | None = None, refunded: bool = False, **fields: Any
) -> TaxPayment:
    """Tax paid over to whom it is owed, or refunded by them. Raises ValidationError."""
    day = on or timezone.localdate()
    if day > timezone.localdate():
        raise ValidationError({"on": "That day is still to come."})
    paid = TaxPayment(on=day, cents=cents, refunded=refunded, created_by=by, **fields)
    paid.full_clean()
    paid.save()
    return paid
