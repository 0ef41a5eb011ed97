"""Deposits, payments and tips: taken, set against a sale, given back or kept; the day a sale is paid follows."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from flips.actions.undo import CannotUndo, undoable
from flips.models import DepositEnd, PaidWith, Payment, PaymentKind, Person, Piece, Sale
from flips.models.payments import account_of, due_cents, paid_in_full_on


def _day(on: date | None) -> date:
    today = timezone.localdate()
    if on is not None and on > today:
        raise ValidationError({"on": "That day is still to come."})
    return on or today


@transaction.atomic
def take_deposit(piece: Piece, *, by: Person, cents: int, on: date | None = None, **fields: Any) -> Payment:
    """Money taken before the sale: it is the buyer's until the sale, and no revenue. Raises ValidationError."""
    now = Piece.objects.select_for_update().get(pk=piece.pk)
    if now.is_void or not now.is_owned:
        raise ValidationError(
            f"“{now}” is {now.get_stage_display().lower()}: a deposit is for a piece in the shop."
        )
    return _keep(
        Payment(kind=PaymentKind.DEPOSIT, piece=now, cents=cents, on=_day(on), created_by=by, **fields)
    )


@transaction.atomic
def pay(sale: Sale, *, by: Person, cents: int, on: date | None = None, **fields: Any) -> Payment:
    """Money towards a sale; once all of it is in, the sale counts as paid on that day. Raises ValidationError."""
    now = _lock(sale)
    if now.paid_on is not None:
        raise ValidationError("It is paid in full already. What comes on top is a tip.")
    missing = account_of(now).to_come
    if cents > missing:
        raise ValidationError({"cents": "That is more than is still to come. Enter what is over as a tip."})
    if fields.get("settles") and missing - cents > now.fee_cents:
        raise ValidationError(
            {
                "settles": "More than the channel's fee is missing. Correct the price or the fee of the sale instead."
            }
        )
    made = _keep(
        Payment(kind=PaymentKind.BALANCE, sale=now, cents=cents, on=_day(on), created_by=by, **fields)
    )
    settle(now)
    return made


@transaction.atomic
def take_tip(sale: Sale, *, by: Person, cents: int, on: date | None = None, **fields: Any) -> Payment:
    """Money on top of what was due: revenue of the day it came. Raises ValidationError."""
    now = _lock(sale)
    return _keep(Payment(kind=PaymentKind.TIP, sale=now, cents=cents, on=_day(on), created_by=by, **fields))


def _lock(sale: Sale) -> Sale:
    now = Sale.objects.select_for_update().get(pk=sale.pk)
    if now.is_void:
        raise ValidationError("That sale has been voided.")
    return now


def _keep(payment: Payment) -> Payment:
    payment.full_clean()
    payment.save()
    return payment


def settle(sale: Sale) -> None:
    """Writes the day a sale was paid from its payments; a typed day stays where there are none.

    Call it inside the transaction that changed its payments or what is due.
    """
    payments = list(Payment.objects.towards(sale))
    if not payments:
        return
    if sum(one.cents for one in payments) > due_cents(sale):
        raise ValidationError(
            "More has been paid than that: give the difference back or enter it as a tip first."
        )
    paid_on = paid_in_full_on(sale, payments)
    if sale.paid_on != paid_on:
        sale.paid_on = paid_on
        sale.save(update_fields=["paid_on"])


def set_against(sale: Sale, pieces: Sequence[int], *, by: Person) -> None:
    """Sets every deposit held on the pieces against their sale; a typed day of payment brings in the rest on it."""
    held = list(Payment.objects.held().filter(piece_id__in=pieces).order_by("on", "pk"))
    if not held:
        return
    typed = sale.paid_on
    for deposit in held:
        deposit.sale = sale
        deposit.save(update_fields=["sale"])
    rest = due_cents(sale) - sum(deposit.cents for deposit in held)
    if rest < 0:
        raise ValidationError(
            "The deposits are more than is due. Give the difference back first, or keep it."
        )
    if typed is not None and rest:
        last = max([typed, *(deposit.on for deposit in held)])
        _keep(
            Payment(
                kind=PaymentKind.BALANCE,
                sale=sale,
                cents=rest,
                on=last,
                method=PaidWith.OTHER,
                buyer=sale.buyer,
                created_by=by,
            )
        )
    settle(sale)


def let_go_of_payments(sale: Sale, *, by: Person, reason: str) -> None:
    """Frees the payments of a sale that is being voided: deposits are held again, the others voided with it."""
    for payment in Payment.objects.live().filter(sale=sale).order_by("pk"):
        if payment.kind == PaymentKind.DEPOSIT:
            payment.sale = None
            payment.save(update_fields=["sale"])
        elif payment.end is None:
            payment.void(by=by, reason=reason)


@transaction.atomic
def end_deposit(
    payment: Payment, *, by: Person, given_back_cents: int, on: date | None = None, reason: str = ""
) -> DepositEnd:
    """Gives a deposit back, wholly or in part; what is not given back is kept, as other income. Raises ValidationError.

    Also for what came in on a sale that was never paid in full and fell through.
    """
    now = Payment.objects.select_for_update(of=("self",)).select_related("sale").get(pk=payment.pk)
    if now.is_void:
        raise ValidationError("That payment has been voided.")
    if now.kind == PaymentKind.TIP:
        raise ValidationError("A tip is nobody's deposit.")
    if now.sale is not None and now.sale.paid_on is not None:
        raise ValidationError("The sale is paid. To give money back, enter a return on it.")
    day = _day(on)
    if day < now.on:
        raise ValidationError({"on": "That is before it came in."})
    if not 0 <= given_back_cents <= now.cents:
        raise ValidationError({"given_back_cents": "That is more than was taken."})
    end = DepositEnd(
        payment=now,
        on=day,
        given_back_cents=given_back_cents,
        kept_cents=now.cents - given_back_cents,
        reason=reason.strip(),
        created_by=by,
    )
    end.full_clean()
    end.save()
    return end


@transaction.atomic
def void_payment(payment: Payment, *, by: Person, reason: str) -> None:
    """Takes a payment out of the figures; a sale that was paid by it waits for its money again. Raises ValidationError."""
    now = Payment.objects.select_for_update(of=("self",)).select_related("sale").get(pk=payment.pk)
    if now.is_void:
        return
    if now.end is not None:
        raise ValidationError("It has been given back or kept: void that first.")
    now.void(by=by, reason=reason)
    if now.sale is not None and now.kind != PaymentKind.TIP:
        _settle_anew(now.sale)


def _settle_anew(sale: Sale) -> None:
    """After a payment left: without any other the sale is not paid at all."""
    now = _lock(sale)
    if Payment.objects.towards(now).exists():
        settle(now)
    elif now.paid_on is not None:
        now.paid_on = None
        now.save(update_fields=["paid_on"])


@transaction.atomic
def void_end(end: DepositEnd, *, by: Person, reason: str) -> None:
    """A deposit given back or kept by mistake is held again."""
    end.void(by=by, reason=reason)
    if end.payment.sale is not None:
        settle(_lock(end.payment.sale))


@undoable("paid")
def unpay(record: models.Model, by: Person) -> str:
    """A payment just entered is voided."""
    if not isinstance(record, Payment):
        raise CannotUndo("That can't be taken back.")
    try:
        void_payment(record, by=by, reason="taken back at once")
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return "The payment is taken out again."


@undoable("deposit_ended")
def unend(record: models.Model, by: Person) -> str:
    """A deposit just given back or kept is held again."""
    if not isinstance(record, DepositEnd):
        raise CannotUndo("That can't be taken back.")
    try:
        void_end(record, by=by, reason="taken back at once")
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return "The deposit is held again."
