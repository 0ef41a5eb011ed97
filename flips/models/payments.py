"""Money that comes in for a piece: deposits before a sale, the balance, tips; and what became of a deposit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import ClassVar, Self

from django.db import models
from django.db.models import F, Prefetch, Q
from django.urls import reverse
from django.utils import timezone

from flips.models.closing import money_dates
from flips.models.pieces import PaidWith, Piece
from flips.models.records import Cents, Voidable, VoidableQuerySet, not_negative, one_of
from flips.models.sales import Sale, TaxCollector


class PaymentKind(models.TextChoices):
    """What a payment was for."""

    DEPOSIT = "deposit", "Deposit"
    BALANCE = "balance", "Payment"
    TIP = "tip", "Tip"


class PaymentQuerySet(VoidableQuerySet):
    """Many payments."""

    def with_ends(self) -> Self:
        """Each with what became of it, so that lists ask once."""
        return self.prefetch_related(Prefetch("ends", DepositEnd.objects.live(), to_attr="end_list"))

    def held(self) -> Self:
        """Deposits on pieces that are neither set against a sale, given back nor kept."""
        ended = DepositEnd.objects.live().values("payment_id")
        return self.live().filter(kind=PaymentKind.DEPOSIT, sale__isnull=True).exclude(pk__in=ended)

    def towards(self, sale: Sale) -> Self:
        """What was paid towards a sale: deposits and payments that were not given back, tips left out."""
        ended = DepositEnd.objects.live().values("payment_id")
        rows = self.live().filter(sale=sale).exclude(kind=PaymentKind.TIP).exclude(pk__in=ended)
        return rows.order_by("on", "pk")


class Payment(Voidable):
    """Money that came in on a day: a deposit on a piece, a payment towards a sale, or a tip.

    A deposit keeps its piece when a sale takes it in. ``settles`` says that no more is to come although less than the
    price arrived, as where a marketplace pays out net of its fee.
    """

    kind = models.CharField(max_length=8, choices=PaymentKind.choices)
    piece = models.ForeignKey(Piece, null=True, blank=True, on_delete=models.PROTECT, related_name="payments")
    sale = models.ForeignKey(Sale, null=True, blank=True, on_delete=models.PROTECT, related_name="payments")
    on = models.DateField("came in on", default=timezone.localdate)
    cents = Cents("amount")
    method = models.CharField("how paid", max_length=10, choices=PaidWith.choices, default=PaidWith.CASH)
    settles = models.BooleanField("nothing more is to come", default=False)
    buyer = models.CharField("from", max_length=120, blank=True, default="")
    note = models.CharField(max_length=200, blank=True, default="")

    objects: ClassVar = PaymentQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["on", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("kind", PaymentKind, name="payment_kind_is_known"),
            one_of("method", PaidWith, name="payment_method_is_known"),
            models.CheckConstraint(
                name="payment_is_above_zero",
                condition=Q(cents__gt=0),
                violation_error_message="Write an amount above zero.",
            ),
            models.CheckConstraint(
                name="payment_is_for_something",
                condition=Q(kind="deposit", piece__isnull=False)
                | Q(kind__in=["balance", "tip"], sale__isnull=False),
                violation_error_message="Say what the money is for.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} of {self.on:%Y-%m-%d}"

    def get_absolute_url(self) -> str:
        return reverse("payment", args=[self.pk])

    @property
    def end(self) -> DepositEnd | None:
        """How it was given back or kept; uses what ``with_ends`` fetched."""
        fetched = getattr(self, "end_list", None)
        if fetched is None:
            fetched = list(self.ends.live()[:1])
        return fetched[0] if fetched else None

    @property
    def is_held(self) -> bool:
        """Whether it is the buyer's money still: a deposit that no sale took in and that was not ended."""
        return (
            not self.is_void
            and self.kind == PaymentKind.DEPOSIT
            and self.sale_id is None
            and self.end is None
        )


class DepositEnd(Voidable):
    """A deposit, or a payment on a sale that fell through, given back or kept; the two add up to it."""

    payment = models.ForeignKey(Payment, on_delete=models.PROTECT, related_name="ends")
    on = models.DateField("on", default=timezone.localdate)
    given_back_cents = Cents("given back", default=0)
    kept_cents = Cents("kept", default=0)
    reason = models.CharField("why", max_length=200, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["on", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            not_negative("given_back_cents", "kept_cents", name="deposit_end_not_negative"),
            models.UniqueConstraint(
                name="deposit_ends_once",
                fields=["payment"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="That deposit has been given back or kept already.",
            ),
            models.CheckConstraint(
                name="deposit_end_is_of_something",
                condition=Q(given_back_cents__gt=0) | Q(kept_cents__gt=0),
            ),
        ]

    def __str__(self) -> str:
        return f"End of {self.payment}"

    def get_absolute_url(self) -> str:
        return reverse("payment", args=[self.payment_id])


# Which sale took a deposit in counts on the day that sale is paid, which the sale itself guards.
money_dates("payment", lambda row: [row.on], column="on", free=("sale", "method", "buyer", "note"))
money_dates("depositend", lambda row: [row.on], column="on", free=("reason",))


def due_cents(sale: Sale) -> int:
    """What the buyer pays her for a sale: price and delivery, and the tax on top of them where she collects it."""
    on_top = sale.tax_cents if sale.tax_collector == TaxCollector.SHOP and not sale.tax_inside else 0
    return sale.price_cents + sale.delivery_charged_cents + on_top


def paid_in_full_on(sale: Sale, payments: Sequence[Payment]) -> date | None:
    """The day on which payments in the order of their days first reach what is due, or one says nothing more comes."""
    due, paid = due_cents(sale), 0
    for payment in payments:
        paid += payment.cents
        if paid >= due or payment.settles:
            return payment.on
    return None


@dataclass(frozen=True)
class Account:
    """What a sale is owed and what came in for it; ``kept_back`` is what a settling payment left out."""

    sale: Sale
    payments: tuple[Payment, ...]
    tips: tuple[Payment, ...]
    due: int
    paid: int

    @property
    def to_come(self) -> int:
        """What is still missing; nothing once it counts as paid."""
        return 0 if self.sale.paid_on is not None else max(self.due - self.paid, 0)

    @property
    def by_payments(self) -> bool:
        """Whether its day of payment follows from payments, rather than having been typed."""
        return bool(self.payments)


def account_of(sale: Sale) -> Account:
    """What was paid for a sale so far; three queries."""
    payments = tuple(Payment.objects.towards(sale))
    tips = tuple(Payment.objects.live().filter(sale=sale, kind=PaymentKind.TIP).order_by("on", "pk"))
    return Account(sale, payments, tips, due_cents(sale), sum(one.cents for one in payments))


def before_the_sale_counted() -> models.Q:
    """Payments that came in before the day their sale counts, whose sale does not count, or that were ended."""
    ended = DepositEnd.objects.live().values("payment_id")
    early = Q(sale__isnull=True) | Q(sale__paid_on__isnull=True) | Q(on__lt=F("sale__paid_on"))
    return early | Q(pk__in=ended)
