"""Sales of one piece or several as a set, what selling cost, and what came back."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.urls import reverse
from django.utils import timezone

from flips.models.pieces import Piece
from flips.models.records import Cents, Record, Voidable, not_negative, one_of


class Channel(Record):
    """Where pieces are sold."""

    name = models.CharField(max_length=60, unique=True)
    retired = models.BooleanField("no longer used", default=False)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("channel", args=[self.pk])


class FeeRule(Voidable):
    """What a channel keeps from a day on: a share of some of the parts, a fixed amount, at least a minimum.

    The percent is in hundredths of a percent: 1250 is 12.5 %.
    """

    channel = models.ForeignKey(Channel, on_delete=models.PROTECT, related_name="fee_rules")
    from_on = models.DateField("from", default=timezone.localdate)
    percent_hundredths = models.PositiveIntegerField("percent", default=0)
    of_price = models.BooleanField("of the price", default=True)
    of_delivery = models.BooleanField("of the delivery charged", default=False)
    of_tax = models.BooleanField("of the sales tax", default=False)
    fixed_cents = Cents("fixed", default=0)
    minimum_cents = Cents("at least", default=0)

    class Meta(Voidable.Meta):
        ordering = ["channel", "-from_on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            not_negative("fixed_cents", "minimum_cents", name="fee_rule_not_negative"),
            models.CheckConstraint(
                name="fee_rule_at_most_all",
                condition=Q(percent_hundredths__lte=10_000),
                violation_error_message="A fee is at most 100 percent.",
            ),
            models.UniqueConstraint(
                name="fee_rule_once_a_day",
                fields=["channel", "from_on"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="That channel has a rule from that day already. Void it first.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.channel} from {self.from_on}"

    def get_absolute_url(self) -> str:
        return reverse("channel", args=[self.channel_id])

    @property
    def parts_in_words(self) -> str:
        """What the percent is taken of: "the price and the delivery"."""
        parts = (
            ("the price", self.of_price),
            ("the delivery", self.of_delivery),
            ("the sales tax", self.of_tax),
        )
        taken = [words for words, is_taken in parts if is_taken]
        return " and ".join([", ".join(taken[:-1]), taken[-1]] if len(taken) > 1 else taken)


class TaxCollector(models.TextChoices):
    """Who took the sales tax from the buyer and owes it."""

    NOBODY = "nobody", "No sales tax"
    SHOP = "shop", "I collected it"
    MARKETPLACE = "marketplace", "The marketplace collected it"


class Sale(Voidable):
    """Money in for one piece, or for several sold as a set."""

    sold_at = models.DateTimeField("sold", default=timezone.now)
    paid_on = models.DateField("paid on", null=True, blank=True)
    channel = models.ForeignKey(
        Channel, null=True, blank=True, on_delete=models.PROTECT, related_name="sales"
    )
    price_cents = Cents("price")
    delivery_charged_cents = Cents("delivery charged", default=0)
    delivery_paid_cents = Cents("delivery paid", default=0)
    packing_cents = Cents("packing", default=0)
    fee_cents = Cents("fee", default=0)
    fee_by_hand = models.BooleanField("the fee as on the statement", default=False)
    tax_cents = Cents("sales tax", default=0)
    tax_inside = models.BooleanField("the price contains the tax", default=False)
    tax_on_delivery = models.BooleanField("delivery was taxed too", default=False)
    tax_collector = models.CharField(max_length=12, choices=TaxCollector.choices, default=TaxCollector.NOBODY)
    buyer = models.CharField("buyer", max_length=120, blank=True, default="")
    note = models.CharField(max_length=200, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["-sold_at", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("tax_collector", TaxCollector, name="sale_tax_collector_is_known"),
            not_negative(
                "price_cents",
                "delivery_charged_cents",
                "delivery_paid_cents",
                "packing_cents",
                "fee_cents",
                "tax_cents",
                name="sale_amounts_not_negative",
            ),
            models.CheckConstraint(
                name="sale_fee_within_what_was_paid",
                condition=Q(fee_cents__lte=F("price_cents") + F("delivery_charged_cents") + F("tax_cents")),
                violation_error_message="The fee can't be more than what was paid.",
            ),
            models.CheckConstraint(
                name="sale_tax_names_its_collector",
                condition=Q(tax_cents=0) | ~Q(tax_collector="nobody"),
                violation_error_message="Say who collected the sales tax.",
            ),
            models.CheckConstraint(
                name="sale_tax_inside_fits_the_price",
                condition=Q(tax_inside=False)
                | Q(tax_cents__lte=F("price_cents") + F("delivery_charged_cents")),
                violation_error_message="Tax inside the price can't be more than the price.",
            ),
        ]

    def __str__(self) -> str:
        return f"Sale of {self.sold_at:%Y-%m-%d}"

    def get_absolute_url(self) -> str:
        return reverse("sale", args=[self.pk])


class SaleShare(Voidable):
    """What one piece takes of a sale; the price shares add up to the price, the rest is split by them."""

    sale = models.ForeignKey(Sale, on_delete=models.PROTECT, related_name="shares")
    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="sale_shares")
    weight = models.PositiveBigIntegerField(default=1)
    price_cents = Cents()
    # Where each piece is taxed by itself, as on its margin; else the sale's tax is split like the price.
    tax_cents = Cents("tax", null=True, blank=True, editable=False)
    returned = models.BooleanField("the piece came back", default=False, editable=False)

    class Meta(Voidable.Meta):
        ordering = ["pk"]
        constraints = [
            *Voidable.Meta.constraints,
            not_negative("price_cents", name="sale_share_not_negative"),
            models.UniqueConstraint(
                name="piece_has_one_live_sale",
                fields=["piece"],
                condition=Q(voided_at__isnull=True, returned=False),
                violation_error_message="That piece is sold already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.piece}: {self.price_cents}"


class Return(Voidable):
    """Money given back on a piece of a sale, with or without the piece coming back; the sale stays as it was."""

    share = models.ForeignKey(SaleShare, on_delete=models.PROTECT, related_name="returns")
    returned_on = models.DateField("given back on", default=timezone.localdate)
    refund_cents = Cents("money given back")
    tax_refund_cents = Cents("sales tax given back", default=0)
    fee_refund_cents = Cents("fee you got back", default=0)
    freight_cents = Cents("return freight you paid", default=0)
    compensation_cents = Cents("carrier's compensation", default=0)
    goods_back = models.BooleanField("the piece came back", default=True)
    reason = models.CharField("why", max_length=200)

    class Meta(Voidable.Meta):
        ordering = ["-returned_on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            not_negative(
                "refund_cents",
                "tax_refund_cents",
                "fee_refund_cents",
                "freight_cents",
                "compensation_cents",
                name="return_amounts_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return f"Return of {self.share.piece} on {self.returned_on}"
