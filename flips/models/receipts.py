"""Receipts: the photo now, the lines later; every line goes to exactly one place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Self

from django.db import models
from django.db.models import Count, Exists, F, OuterRef, Q, Sum
from django.db.models.functions import Coalesce
from django.urls import reverse
from django.utils import timezone

from flips.models.pieces import PaidWith, Photo, Piece
from flips.models.records import Cents, Record, Voidable, VoidableQuerySet, not_negative, one_of
from flips.models.stock import Lot
from flips.photos import look_alike


class ExpenseCategory(Record):
    """A heading under which the shop gathers expenses, with the line of the tax form it belongs to."""

    name = models.CharField(max_length=60, unique=True)
    tax_line = models.CharField("line of the tax form", max_length=60, blank=True, default="")
    retired = models.BooleanField("no longer offered", default=False)

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "expense categories"

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("category", args=[self.pk])


class ReceiptQuerySet(VoidableQuerySet):
    """Many receipts."""

    def waiting(self) -> Self:
        """Photographed, without any line yet."""
        return self.live().filter(~Exists(ReceiptLine.objects.live().filter(receipt=OuterRef("pk"))))

    def with_sums(self) -> Self:
        """Each with ``lines_count`` and ``lines_cents`` (tax included) of its live lines."""
        live = Q(lines__voided_at__isnull=True)
        return self.annotate(
            lines_count=Count("lines", filter=live),
            lines_cents=Coalesce(Sum(F("lines__amount_cents") + F("lines__tax_cents"), filter=live), 0),
        )

    def not_adding_up(self) -> Self:
        """With lines, but without a total, or with one that lines and tax do not make."""
        return (
            self.live()
            .with_sums()
            .filter(lines_count__gt=0)
            .filter(Q(total_cents__isnull=True) | ~Q(total_cents=F("lines_cents")))
        )

    def like(self, *, shop_name: str, bought_on: object, total_cents: int | None) -> Self:
        """Same shop, date and total: perhaps the same slip twice. Nothing is like a receipt without a total."""
        if total_cents is None:
            return self.none()
        return self.live().filter(shop_name__iexact=shop_name, bought_on=bought_on, total_cents=total_cents)


class Receipt(Voidable):
    """A slip: shop, date, total and tax as printed on it."""

    shop_name = models.CharField("shop", max_length=80, blank=True, default="")
    bought_on = models.DateField("date on the slip", default=timezone.localdate)
    total_cents = Cents("total paid", null=True, blank=True)
    tax_cents = Cents("tax in it", default=0)
    paid_with = models.CharField("how paid", max_length=10, choices=PaidWith.choices, default=PaidWith.CARD)
    note = models.CharField(max_length=200, blank=True, default="")

    objects: ClassVar = ReceiptQuerySet.as_manager()

    # Only on rows that were asked for ``with_sums``.
    lines_count: int
    lines_cents: int

    class Meta(Voidable.Meta):
        ordering = ["-bought_on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("paid_with", PaidWith, name="receipt_paid_with_is_known"),
            not_negative("total_cents", "tax_cents", name="receipt_amounts_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.shop_name or 'Receipt'}, {self.bought_on:%d %b %Y}"

    def get_absolute_url(self) -> str:
        return reverse("receipt", args=[self.pk])

    @property
    def live_lines(self) -> list[ReceiptLine]:
        """Its lines without the voided ones; uses what was prefetched."""
        return [line for line in self.lines.all() if not line.is_void]

    def lines_total(self) -> tuple[int, int]:
        """How many live lines there are and what they come to with their tax; from ``with_sums`` if asked for."""
        if hasattr(self, "lines_count"):
            return self.lines_count, self.lines_cents
        lines = self.live_lines
        return len(lines), sum(line.cost_cents for line in lines)

    @property
    def difference_cents(self) -> int | None:
        """Total less lines and their tax; None while there is no total or no line, 0 when it adds up.

        Tax counts once a line can carry it: while no line is marked as taxed it stays in the difference.
        """
        count, cents = self.lines_total()
        return None if self.total_cents is None or not count else self.total_cents - cents

    @property
    def is_waiting(self) -> bool:
        """Without any line yet."""
        return not self.lines_total()[0]

    @property
    def adds_up(self) -> bool:
        """Whether lines and tax equal the total."""
        return self.difference_cents == 0


class Destination(models.TextChoices):
    """Where the money of a receipt line went."""

    PIECE = "piece", "A part for a piece"
    TRANSPORT = "transport", "Transport of a piece"
    HAUL = "haul", "Transport of several pieces"
    SHARED = "shared", "Shared by pieces"
    STOCK = "stock", "Stock"
    EXPENSE = "expense", "Expense"
    TOOLS = "tools", "Tools"
    PRIVATE = "private", "Private"


class ReceiptLine(Voidable):
    """One line of a receipt; ``tax_cents`` is its share of the receipt's tax, so that lines and tax add up."""

    receipt = models.ForeignKey(Receipt, on_delete=models.PROTECT, related_name="lines")
    text = models.CharField("what", max_length=120)
    amount_cents = Cents("amount before tax")
    tax_cents = Cents(default=0, editable=False)
    reclaimed_cents = Cents("tax reclaimed", default=0, editable=False)
    taxed = models.BooleanField("tax was charged on it", default=True)
    destination = models.CharField("goes to", max_length=10, choices=Destination.choices)
    piece = models.ForeignKey(
        Piece, null=True, blank=True, on_delete=models.PROTECT, related_name="receipt_lines"
    )
    category = models.ForeignKey(
        ExpenseCategory, null=True, blank=True, on_delete=models.PROTECT, related_name="receipt_lines"
    )
    lot = models.OneToOneField(
        Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="receipt_line"
    )

    class Meta(Voidable.Meta):
        ordering = ["pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("destination", Destination, name="receipt_line_destination_is_known"),
            not_negative("amount_cents", "tax_cents", "reclaimed_cents", name="receipt_line_not_negative"),
            models.CheckConstraint(
                name="receipt_line_reclaims_its_tax", condition=Q(reclaimed_cents__lte=F("tax_cents"))
            ),
            models.CheckConstraint(
                name="receipt_line_goes_to_one_place",
                condition=(
                    Q(
                        destination__in=["piece", "transport"],
                        piece__isnull=False,
                        lot__isnull=True,
                        category__isnull=True,
                    )
                    | Q(destination="stock", lot__isnull=False, piece__isnull=True, category__isnull=True)
                    | Q(destination="expense", category__isnull=False, piece__isnull=True, lot__isnull=True)
                    | Q(
                        destination__in=["shared", "haul", "tools", "private"],
                        piece__isnull=True,
                        lot__isnull=True,
                        category__isnull=True,
                    )
                ),
                violation_error_message="A line goes to exactly one place: name the piece, the lot or the category.",
            ),
        ]

    def __str__(self) -> str:
        return self.text

    @property
    def cost_cents(self) -> int:
        """Amount with its share of the tax."""
        return self.amount_cents + self.tax_cents

    @property
    def carried_cents(self) -> int:
        """What it costs the shop: amount with its tax, less what of it is reclaimed."""
        return self.cost_cents - self.reclaimed_cents


class LineShare(Voidable):
    """What one piece takes of a shared receipt line; the shares add up to the line with its tax."""

    line = models.ForeignKey(ReceiptLine, on_delete=models.PROTECT, related_name="shares")
    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="line_shares")
    weight = models.PositiveBigIntegerField(default=1)
    cents = Cents()

    class Meta(Voidable.Meta):
        ordering = ["pk"]
        constraints = [
            *Voidable.Meta.constraints,
            not_negative("cents", name="line_share_not_negative"),
            models.UniqueConstraint(
                name="line_share_once_a_piece", fields=["line", "piece"], condition=Q(voided_at__isnull=True)
            ),
        ]

    def __str__(self) -> str:
        return f"{self.piece}: {self.cents}"


@dataclass(frozen=True)
class Twin:
    """Another paper that may be the same slip, and why."""

    text: str
    href: str
    why: str


def twins(receipt: Receipt) -> list[Twin]:
    """What may be the same slip as ``receipt``: same shop, date and total, or a photo of the same paper; three queries."""
    found: dict[str, Twin] = {}
    alike = Receipt.objects.like(
        shop_name=receipt.shop_name, bought_on=receipt.bought_on, total_cents=receipt.total_cents
    )
    for other in alike.exclude(pk=receipt.pk):
        href = other.get_absolute_url()
        found[href] = Twin(str(other), href, "Same shop, date and total")
    own = [(photo.digest, photo.fingerprint) for photo in Photo.objects.live().filter(receipt=receipt)]
    if not own:
        return list(found.values())
    slips = (
        Photo.objects.live()
        .filter(
            Q(receipt__isnull=False, receipt__voided_at__isnull=True)
            | Q(purchase__isnull=False, purchase__voided_at__isnull=True)
        )
        .exclude(receipt=receipt)
        .select_related("receipt", "purchase")
        .order_by("created_at", "pk")
    )
    same = [slip for slip in slips if any(slip.digest == digest for digest, _ in own)]
    like_it = [
        slip
        for slip in slips
        if slip.fingerprint and any(mark and look_alike(mark, slip.fingerprint) for _, mark in own)
    ]
    for slips_so, why in ((same, "The very same photo"), (like_it, "A photo that looks the same")):
        for slip in slips_so:
            name, pk = ("receipt", slip.receipt_id) if slip.receipt_id else ("purchase", slip.purchase_id)
            href = reverse(name, args=[pk])
            found.setdefault(href, Twin(str(slip.receipt or slip.purchase), href, why))
    return list(found.values())
