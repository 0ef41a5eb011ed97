"""What pieces like one fetch: her own sold ones, and prices she noted elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.db import models
from django.db.models import Min
from django.urls import reverse
from django.utils import timezone

from flips.models.closing import NOT_DATED
from flips.models.pieces import Piece, PurchaseShare, Stage, StageChange
from flips.models.records import Cents, Voidable
from flips.models.sales import SaleShare


class Comparable(Voidable):
    """A price seen elsewhere for a piece of some kind: asked, or known to have been paid."""

    kind = models.CharField("kind", max_length=60)
    what = models.CharField("what was it", max_length=120)
    place = models.CharField("seen where", max_length=120, blank=True, default="")
    price_cents = Cents("price")
    was_paid = models.BooleanField("somebody paid it (else: asked)", default=False)
    seen_on = models.DateField("seen on", default=timezone.localdate)
    note = models.CharField(max_length=200, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["-seen_on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                name="comparable_is_above_zero",
                condition=models.Q(price_cents__gt=0),
                violation_error_message="Write a price above zero.",
            ),
        ]

    def __str__(self) -> str:
        return self.what

    def get_absolute_url(self) -> str:
        return reverse("comparable", args=[self.pk])


NOT_DATED["comparable"] = "what others ask or pay is no money of the shop"


@dataclass(frozen=True)
class OwnSale:
    """A sold piece of the shop: what was asked and got for it, and how many days it stood listed (or in the shop)."""

    piece: Piece
    asked: int | None
    got: int
    on: date
    days: int | None


def own_sales(kind: str, *, but: Piece | None = None, most: int = 20) -> list[OwnSale]:
    """Sold pieces of a kind that did not come back, the latest first; three queries."""
    if not kind.strip():
        return []
    shares = (
        SaleShare.objects.live()
        .filter(sale__voided_at__isnull=True, returned=False, piece__kind__iexact=kind.strip())
        .select_related("sale", "piece")
        .order_by("-sale__sold_at", "-pk")
    )
    if but is not None:
        shares = shares.exclude(piece=but)
    rows = list(shares[:most])
    pieces = [row.piece_id for row in rows]
    listed = dict(
        StageChange.objects.live()
        .filter(piece__in=pieces, stage__in=(Stage.LISTED, Stage.READY))
        .values_list("piece_id")
        .annotate(first=Min("on"))
    )
    bought = dict(
        PurchaseShare.objects.live().filter(piece__in=pieces).values_list("piece_id", "purchase__bought_on")
    )
    found = []
    for row in rows:
        on = timezone.localdate(row.sale.sold_at)
        since = listed.get(row.piece_id) or bought.get(row.piece_id)
        days = max((on - since).days, 0) if since else None
        found.append(OwnSale(row.piece, row.piece.listed_cents, row.price_cents, on, days))
    return found
