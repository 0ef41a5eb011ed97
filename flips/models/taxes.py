"""How the shop is taxed from a day on, and tax it has paid over. What applies is for local rules and an adviser to say."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from fractions import Fraction

from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from estimating.pricing.fees import TAX_ADDED, TAX_INSIDE, TAX_NONE, TAX_ON_MARGIN
from finishes.measures import trim_decimal
from flips.models.closing import money_dates
from flips.models.records import Cents, Voidable, one_of


class Scheme(models.TextChoices):
    """Ways a shop may be taxed on what it sells."""

    NONE = "none", "Not registered: no tax on sales"
    SALES_TAX = "sales_tax", "Sales tax"
    VAT = "vat", "VAT on the whole price; VAT paid is reclaimed"
    VAT_MARGIN = "vat_margin", "VAT on the margin of second-hand goods"


class TaxScheme(Voidable):
    """The scheme from a day on; the one of a day is the latest that began by then, so a change leaves what was before.

    The rate is in thousandths of a percent: 8875 is 8.875 %.
    """

    from_on = models.DateField("from", default=timezone.localdate)
    scheme = models.CharField("scheme", max_length=10, choices=Scheme.choices)
    rate_thousandths = models.PositiveIntegerField("rate", default=0)
    price_includes = models.BooleanField("the prices you ask contain the tax", default=False)
    on_delivery = models.BooleanField("delivery you charge is taxed too", default=False)
    note = models.CharField(max_length=200, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["-from_on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("scheme", Scheme, name="tax_scheme_is_known"),
            models.CheckConstraint(
                name="tax_scheme_rate_at_most_all",
                condition=Q(rate_thousandths__lte=100_000),
                violation_error_message="A rate is at most 100 percent.",
            ),
            models.CheckConstraint(
                name="tax_scheme_needs_its_rate",
                condition=Q(scheme="none", rate_thousandths=0)
                | (~Q(scheme="none") & Q(rate_thousandths__gt=0)),
                violation_error_message="A scheme with tax needs its rate; without, it has none.",
            ),
            models.CheckConstraint(
                name="margin_tax_is_inside_the_price",
                condition=~Q(scheme="vat_margin") | Q(price_includes=True),
                violation_error_message="Tax on the margin is always inside the price.",
            ),
            models.UniqueConstraint(
                name="tax_scheme_once_a_day",
                fields=["from_on"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="There is a scheme from that day already. Void it first.",
            ),
        ]

    def __str__(self) -> str:
        rate = f", {self.rate_text} %" if self.rate_thousandths else ""
        return f"{self.get_scheme_display()}{rate}"

    def get_absolute_url(self) -> str:
        return reverse("taxes")

    @property
    def rate(self) -> Fraction:
        """The rate in percent, exact."""
        return Fraction(self.rate_thousandths, 1000)

    @property
    def rate_text(self) -> str:
        """The rate as people write it: "8.875"."""
        return trim_decimal(self.rate, 3)

    @property
    def how(self) -> str:
        """As ``estimating.pricing.Terms`` names it."""
        if self.scheme == Scheme.NONE:
            return TAX_NONE
        if self.scheme == Scheme.VAT_MARGIN:
            return TAX_ON_MARGIN
        return TAX_INSIDE if self.price_includes else TAX_ADDED

    @property
    def reclaims(self) -> bool:
        """Whether tax paid on purchases is reclaimed, and so no cost."""
        return self.scheme == Scheme.VAT


class TaxPayment(Voidable):
    """Tax paid over to whom it is owed, or refunded by them."""

    on = models.DateField("paid on", default=timezone.localdate)
    cents = Cents("amount")
    refunded = models.BooleanField("they refunded it to you", default=False)
    period = models.CharField("for which period", max_length=60, blank=True, default="")
    note = models.CharField(max_length=200, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["-on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                name="tax_payment_is_above_zero",
                condition=Q(cents__gt=0),
                violation_error_message="Write an amount above zero.",
            ),
        ]

    def __str__(self) -> str:
        return f"Tax {'refunded' if self.refunded else 'paid over'} on {self.on:%Y-%m-%d}"

    def get_absolute_url(self) -> str:
        return reverse("tax_payment", args=[self.pk])

    @property
    def paid_over_cents(self) -> int:
        """What left the shop; below zero for a refund."""
        return -self.cents if self.refunded else self.cents


# A scheme touches every day from its first on, so one that begins in a closed year stands as it is.
money_dates("taxscheme", lambda row: [row.from_on], column="from_on", free=("note",))
money_dates("taxpayment", lambda row: [row.on], column="on", free=("period", "note"))


def schemes() -> list[TaxScheme]:
    """Every scheme that counts, the earliest first."""
    return list(TaxScheme.objects.live().order_by("from_on", "pk"))


def scheme_on(day: date, known: Sequence[TaxScheme] | None = None) -> TaxScheme | None:
    """The scheme of a day; None before the first one, when nothing is taxed by itself."""
    begun = [one for one in (schemes() if known is None else known) if one.from_on <= day]
    return max(begun, key=lambda one: one.from_on, default=None)
