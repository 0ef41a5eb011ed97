"""Pieces from first sight to their end, how they were bought, and every photo."""

from __future__ import annotations

import uuid
from typing import Any, ClassVar, Self

from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from flips.models.records import Cents, Voidable, VoidableQuerySet, not_negative, one_of


class Stage(models.TextChoices):
    """Where a piece is between first sight and its end."""

    SEEN = "seen", "Seen"
    PASSED = "passed", "Passed"
    BOUGHT = "bought", "Bought"
    IN_WORK = "in_work", "In work"
    READY = "ready", "Ready"
    LISTED = "listed", "Listed"
    SOLD = "sold", "Sold"
    SCRAPPED = "scrapped", "Scrapped"
    KEPT = "kept", "Kept"
    GIVEN_AWAY = "given_away", "Given away"


OWNED_UNSOLD = (Stage.BOUGHT, Stage.IN_WORK, Stage.READY, Stage.LISTED)
ENDED = (Stage.PASSED, Stage.SOLD, Stage.SCRAPPED, Stage.KEPT, Stage.GIVEN_AWAY)

# Which stage may follow which by hand. Buying, selling and returning go through their own actions.
NEXT_BY_HAND: dict[str, tuple[Stage, ...]] = {
    Stage.SEEN: (Stage.PASSED,),
    Stage.PASSED: (Stage.SEEN,),
    Stage.BOUGHT: (Stage.IN_WORK, Stage.READY, Stage.KEPT, Stage.GIVEN_AWAY, Stage.SCRAPPED),
    Stage.IN_WORK: (Stage.BOUGHT, Stage.READY, Stage.KEPT, Stage.GIVEN_AWAY, Stage.SCRAPPED),
    Stage.READY: (Stage.IN_WORK, Stage.LISTED, Stage.KEPT, Stage.GIVEN_AWAY, Stage.SCRAPPED),
    Stage.LISTED: (Stage.READY, Stage.IN_WORK, Stage.KEPT, Stage.GIVEN_AWAY, Stage.SCRAPPED),
    Stage.SOLD: (),
    Stage.SCRAPPED: (),
    Stage.KEPT: (Stage.READY,),
    Stage.GIVEN_AWAY: (),
}


class PieceQuerySet(VoidableQuerySet):
    """Many pieces."""

    def seen(self) -> Self:
        """Finds: seen and neither bought nor passed."""
        return self.live().filter(stage=Stage.SEEN)

    def owned(self) -> Self:
        """Bought and still in the shop."""
        return self.live().filter(stage__in=OWNED_UNSOLD)

    def on_the_bench(self) -> Self:
        """Bought or in work."""
        return self.live().filter(stage__in=(Stage.BOUGHT, Stage.IN_WORK))

    def for_sale(self) -> Self:
        """Ready or listed."""
        return self.live().filter(stage__in=(Stage.READY, Stage.LISTED))

    def sold(self) -> Self:
        """Sold."""
        return self.live().filter(stage=Stage.SOLD)

    def only_a_photo(self) -> Self:
        """Unfinished entries: nothing but a placeholder name so far."""
        return self.live().filter(unnamed=True)

    def with_cover(self) -> Self:
        """Each with its photos at hand, so that lists ask once."""
        return self.prefetch_related(
            models.Prefetch("photos", Photo.objects.live().covers_first(), to_attr="cover_list")
        )

    def matching(self, words: str, *, notes_too: bool) -> Self:
        """Whose name or kind holds every word; the place and the owner's notes only where ``notes_too``."""
        found = self
        for word in words.split()[:6]:
            wanted = Q(what__icontains=word) | Q(kind__icontains=word)
            if notes_too:
                wanted |= Q(place__icontains=word) | Q(note__icontains=word)
            found = found.filter(wanted)
        return found


class Piece(Voidable):
    """One item of furniture, from first sight to its end."""

    what = models.CharField("what is it", max_length=120)
    unnamed = models.BooleanField(default=False, editable=False)
    kind = models.CharField("kind", max_length=60, blank=True, default="")
    place = models.CharField("where", max_length=120, blank=True, default="")
    asking_cents = Cents("asking price", null=True, blank=True)
    expected_cents = Cents("expected sale price", null=True, blank=True)
    listed_cents = Cents("price you ask", null=True, blank=True)
    stage = models.CharField(max_length=12, choices=Stage.choices, default=Stage.SEEN, editable=False)
    stage_on = models.DateField(default=timezone.localdate, editable=False)
    seen_on = models.DateField("seen on", default=timezone.localdate)
    note = models.TextField("note", blank=True, default="")
    buyer_text = models.TextField("what the buyer should know", blank=True, default="")

    objects: ClassVar = PieceQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("stage", Stage, name="piece_stage_is_known"),
            not_negative("asking_cents", "expected_cents", "listed_cents", name="piece_amounts_not_negative"),
            models.CheckConstraint(
                name="piece_has_a_name", condition=~Q(what=""), violation_error_message="Say what it is."
            ),
        ]
        indexes = [models.Index(fields=["stage", "-stage_on"])]

    def __str__(self) -> str:
        return self.what

    def get_absolute_url(self) -> str:
        return reverse("piece", args=[self.pk])

    @property
    def cover(self) -> Photo | None:
        """The photo to show in lists; uses what ``with_cover`` fetched."""
        fetched = getattr(self, "cover_list", None)
        if fetched is None:
            fetched = list(self.photos.live().covers_first()[:1])
        return fetched[0] if fetched else None

    @property
    def deposits_held(self) -> list[Any]:
        """Deposits taken on it that no sale took in; one query."""
        return list(self.payments.held()) if self.is_owned else []

    @property
    def is_owned(self) -> bool:
        """Bought and not gone: its basis is stock."""
        return self.stage in OWNED_UNSOLD

    @property
    def is_find(self) -> bool:
        """Seen but not bought."""
        return self.stage in (Stage.SEEN, Stage.PASSED)

    @property
    def is_sold(self) -> bool:
        """Sold, and not come back."""
        return self.stage == Stage.SOLD

    @property
    def next_stages(self) -> list[Stage]:
        """Where it may be moved by hand."""
        return list(NEXT_BY_HAND[self.stage])


class StageChange(Voidable):
    """A dated move of a piece to a stage; the live ones in order are its way so far."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="stage_changes")
    stage = models.CharField(max_length=12, choices=Stage.choices)
    on = models.DateField()
    reason = models.CharField(max_length=200, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["on", "pk"]
        constraints = [*Voidable.Meta.constraints, one_of("stage", Stage, name="stage_change_is_known")]

    def __str__(self) -> str:
        return f"{self.piece}: {self.get_stage_display()}"


class PaidWith(models.TextChoices):
    """How something was paid."""

    CASH = "cash", "Cash"
    CARD = "card", "Card"
    TRANSFER = "transfer", "Bank transfer"
    OTHER = "other", "Other"


class Purchase(Voidable):
    """Pieces bought for one price: one piece, or a lot split by weights to the cent."""

    bought_on = models.DateField("bought on", default=timezone.localdate)
    place = models.CharField("where", max_length=120, blank=True, default="")
    price_cents = Cents("price")
    premium_cents = Cents("buyer's premium", default=0)
    tax_cents = Cents("tax paid on it", default=0)
    transport_cents = Cents("paid transport in", default=0)
    paid_with = models.CharField("how paid", max_length=10, choices=PaidWith.choices, default=PaidWith.CASH)
    opening = models.BooleanField("owned before these books began", default=False)
    note = models.CharField(max_length=200, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["-bought_on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("paid_with", PaidWith, name="purchase_paid_with_is_known"),
            not_negative(
                "price_cents",
                "premium_cents",
                "tax_cents",
                "transport_cents",
                name="purchase_amounts_not_negative",
            ),
        ]

    def __str__(self) -> str:
        return f"Bought {self.bought_on}" + (f" at {self.place}" if self.place else "")

    @property
    def total_cents(self) -> int:
        """All that was paid for it."""
        return self.price_cents + self.premium_cents + self.tax_cents + self.transport_cents


class PurchaseShare(Voidable):
    """What one piece takes of a purchase; the shares of a purchase add up to it, column by column."""

    purchase = models.ForeignKey(Purchase, on_delete=models.PROTECT, related_name="shares")
    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="purchase_shares")
    weight = models.PositiveBigIntegerField(default=1)
    price_cents = Cents()
    premium_cents = Cents(default=0)
    tax_cents = Cents(default=0)
    transport_cents = Cents(default=0)

    class Meta(Voidable.Meta):
        ordering = ["pk"]
        constraints = [
            *Voidable.Meta.constraints,
            not_negative(
                "price_cents",
                "premium_cents",
                "tax_cents",
                "transport_cents",
                name="purchase_share_not_negative",
            ),
            models.UniqueConstraint(
                name="piece_is_bought_once",
                fields=["piece"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="That piece has been bought already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.piece}: {self.price_cents}"


class Moment(models.TextChoices):
    """When in the life of a piece a photo was taken, or what else it shows."""

    BEFORE = "before", "Before"
    DURING = "during", "During"
    AFTER = "after", "After"
    SLIP = "slip", "Slip"


class PhotoQuerySet(VoidableQuerySet):
    """Many photos."""

    def covers_first(self) -> Self:
        """The best one for a list first: after, then the newest."""
        return self.order_by(
            models.Case(
                models.When(moment=Moment.AFTER, then=0),
                models.When(moment=Moment.BEFORE, then=1),
                default=2,
                output_field=models.IntegerField(),
            ),
            "created_at",
            "pk",
        )

    def without_money(self) -> Self:
        """Those a helper may see: no slips."""
        return self.filter(receipt__isnull=True, purchase__isnull=True).exclude(moment=Moment.SLIP)


def photo_place(photo: Any, name: str) -> str:
    """Where a size of a photo is stored: two letters of its id, then the id and the size."""
    return f"{str(photo.id)[:2]}/{photo.id}-{name}"


class Photo(Voidable):
    """A photo in three sizes, without its camera's notes (position and the like)."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    piece = models.ForeignKey(Piece, null=True, blank=True, on_delete=models.PROTECT, related_name="photos")
    part = models.ForeignKey("Part", null=True, blank=True, on_delete=models.PROTECT, related_name="photos")
    attempt = models.ForeignKey(
        "Attempt", null=True, blank=True, on_delete=models.PROTECT, related_name="photos"
    )
    log_entry = models.ForeignKey(
        "LogEntry", null=True, blank=True, on_delete=models.PROTECT, related_name="photos"
    )
    removal = models.ForeignKey(
        "Removal", null=True, blank=True, on_delete=models.PROTECT, related_name="photos"
    )
    fault = models.ForeignKey("Fault", null=True, blank=True, on_delete=models.PROTECT, related_name="photos")
    receipt = models.ForeignKey(
        "Receipt", null=True, blank=True, on_delete=models.PROTECT, related_name="photos"
    )
    purchase = models.ForeignKey(
        Purchase, null=True, blank=True, on_delete=models.PROTECT, related_name="photos"
    )
    moment = models.CharField(max_length=10, choices=Moment.choices, default=Moment.BEFORE)
    caption = models.CharField(max_length=120, blank=True, default="")
    taken_at = models.DateTimeField(null=True, blank=True)
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    thumb = models.FileField(upload_to=photo_place)
    screen = models.FileField(upload_to=photo_place)
    full = models.FileField(upload_to=photo_place)
    digest = models.CharField(max_length=64, db_index=True)
    fingerprint = models.CharField(max_length=512, blank=True, default="")

    objects: ClassVar = PhotoQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["created_at", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("moment", Moment, name="photo_moment_is_known"),
            models.CheckConstraint(
                name="photo_belongs_somewhere",
                condition=Q(piece__isnull=False) | Q(receipt__isnull=False) | Q(purchase__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return self.caption or self.get_moment_display()

    @property
    def shows_money(self) -> bool:
        """Whether it is a slip, which a helper may not see."""
        return self.receipt_id is not None or self.purchase_id is not None or self.moment == Moment.SLIP
