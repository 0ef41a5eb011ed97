"""What can be bought for the work: its size, where it is sold, and every price that was seen for it."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Any, ClassVar, Self

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import OuterRef, Q, Subquery
from django.db.models.functions import Lower
from django.urls import reverse
from django.utils import timezone
from simple_history.models import HistoricalRecords

from estimating.coating import Coverage
from finishes.measures import Area, BadMeasure, Length, Volume


class MaterialKind(models.TextChoices):
    """What sort of thing is bought."""

    SHEET = "sheet", "Sheet goods"
    VENEER = "veneer", "Veneer"
    LUMBER = "lumber", "Lumber"
    FINISH = "finish", "Finish"
    GLUE = "glue", "Glue"
    HARDWARE = "hardware", "Hardware"
    OTHER = "other", "Other"


class PricedBy(models.TextChoices):
    """What one price buys."""

    PIECE = "piece", "each"
    BOARD_FOOT = "bf", "a board foot"
    FOOT = "length", "a foot of length"
    SQUARE_FOOT = "ft2", "a square foot"
    SQUARE_METRE = "m2", "a square metre"
    CUBIC_METRE = "m3", "a cubic metre"


class Grain(models.TextChoices):
    """Whether a sheet has a grain to keep to."""

    LENGTH = "length", "Runs along its length"
    NONE = "none", "Has none"


# How each kind may be priced; the engines reckon with no other.
PRICED_BY: dict[str, tuple[PricedBy, ...]] = {
    MaterialKind.SHEET: (PricedBy.PIECE, PricedBy.SQUARE_FOOT, PricedBy.SQUARE_METRE),
    MaterialKind.VENEER: (PricedBy.PIECE, PricedBy.SQUARE_FOOT, PricedBy.SQUARE_METRE),
    MaterialKind.LUMBER: (PricedBy.BOARD_FOOT, PricedBy.FOOT, PricedBy.PIECE, PricedBy.CUBIC_METRE),
    MaterialKind.FINISH: (PricedBy.PIECE,),
    MaterialKind.GLUE: (PricedBy.PIECE,),
    MaterialKind.HARDWARE: (PricedBy.PIECE,),
    MaterialKind.OTHER: (PricedBy.PIECE,),
}
IN_CANS = (MaterialKind.FINISH, MaterialKind.GLUE)


class MaterialQuerySet(models.QuerySet["Material"]):
    """Many materials."""

    def offered(self) -> Self:
        """Without those that are no longer bought."""
        return self.filter(retired=False)

    def with_price(self) -> Self:
        """Each with its newest price, ``price_cents`` and ``price_seen_on``; None where none was ever seen."""
        newest = MaterialPrice.objects.filter(material=OuterRef("pk")).order_by("-seen_on", "-pk")
        return self.annotate(
            newest_cents=Subquery(newest.values("cents")[:1]),
            newest_seen_on=Subquery(newest.values("seen_on")[:1]),
        )

    def named(self, name: str) -> Self:
        """Those of a name, whatever its capitals."""
        return self.annotate(lower_name=Lower("name")).filter(lower_name=name.strip().lower())


class Material(models.Model):
    """One thing as it is sold: a sheet, a leaf of veneer, a board, a can, a hinge. Its prices are rows of their own."""

    name = models.CharField("name", max_length=120)
    kind = models.CharField("what it is", max_length=10, choices=MaterialKind.choices)
    shop_name = models.CharField("where it is bought", max_length=80, blank=True, default="")
    length_nm = models.BigIntegerField("length", null=True, blank=True)
    length_text = models.CharField(max_length=60, blank=True, default="")
    width_nm = models.BigIntegerField("width", null=True, blank=True)
    width_text = models.CharField(max_length=60, blank=True, default="")
    thickness_nm = models.BigIntegerField("thickness", null=True, blank=True)
    thickness_text = models.CharField(max_length=60, blank=True, default="")
    # Cubic nanometres of a can outgrow a column; the typed text is exact and is the record.
    volume_text = models.CharField("in one can", max_length=60, blank=True, default="")
    coverage_area_text = models.CharField("covers", max_length=60, blank=True, default="")
    coverage_volume_text = models.CharField("from", max_length=60, blank=True, default="")
    grain = models.CharField("grain", max_length=10, choices=Grain.choices, default=Grain.LENGTH)
    surfaced = models.BooleanField("planed: it measures what it says", default=False)
    trim_nm = models.BigIntegerField("cut off each edge", default=0)
    trim_text = models.CharField(max_length=60, blank=True, default="")
    priced_by = models.CharField(
        "the price buys", max_length=10, choices=PricedBy.choices, default=PricedBy.PIECE
    )
    unit = models.CharField("counted in", max_length=20, blank=True, default="")
    note = models.CharField("note", max_length=200, blank=True, default="")
    retired = models.BooleanField("no longer bought", default=False)
    version = models.PositiveIntegerField(default=1, editable=False)
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    history = HistoricalRecords()

    objects: ClassVar = MaterialQuerySet.as_manager()

    class Meta:
        ordering = ["kind", "name", "shop_name", "pk"]
        constraints = [
            models.CheckConstraint(
                name="material_kind_is_known",
                condition=Q(kind__in=MaterialKind.values),
                violation_error_message="That is not one of the choices.",
            ),
            models.CheckConstraint(
                name="material_price_unit_is_known",
                condition=Q(priced_by__in=PricedBy.values),
                violation_error_message="That is not one of the choices.",
            ),
            models.CheckConstraint(name="material_grain_is_known", condition=Q(grain__in=Grain.values)),
            models.CheckConstraint(
                name="material_sizes_above_nothing",
                condition=(Q(length_nm__isnull=True) | Q(length_nm__gt=0))
                & (Q(width_nm__isnull=True) | Q(width_nm__gt=0))
                & (Q(thickness_nm__isnull=True) | Q(thickness_nm__gt=0))
                & Q(trim_nm__gte=0),
                violation_error_message="A size is more than zero.",
            ),
            models.CheckConstraint(
                name="material_has_a_name", condition=~Q(name=""), violation_error_message="Give it a name."
            ),
        ]

    def __str__(self) -> str:
        size = self.size_words
        return f"{self.name}, {size}" if size else self.name

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Saves, counting the version up when the row was there already."""
        if not self._state.adding:
            self.version += 1
            if kwargs.get("update_fields") is not None:
                kwargs["update_fields"] = {*kwargs["update_fields"], "version"}
        super().save(*args, **kwargs)

    def get_absolute_url(self) -> str:
        return reverse("material", args=[self.pk])

    def clean(self) -> None:
        """Each kind needs the sizes its engine reckons with, and a price it can read."""
        wrong: dict[str, str] = {}
        if self.kind in (MaterialKind.SHEET, MaterialKind.VENEER):
            what = "sheet" if self.kind == MaterialKind.SHEET else "leaf"
            for side in ("length", "width"):
                if not getattr(self, f"{side}_nm"):
                    wrong[f"{side}_nm"] = f"Say how {'long' if side == 'length' else 'wide'} a {what} is."
        if self.kind == MaterialKind.LUMBER and not self.thickness_nm:
            wrong["thickness_nm"] = "Say how thick it is: the rough thickness, or what it measures if planed."
        if self.kind == MaterialKind.LUMBER and bool(self.length_nm) != bool(self.width_nm):
            wrong["width_nm"] = "Give both length and width of a board, or neither for random widths."
        if self.kind == MaterialKind.LUMBER and self.surfaced and not self.length_nm:
            wrong["length_nm"] = "Planed boards come in sizes: say how long and wide one is."
        if self.kind in IN_CANS:
            if not self.volume_text:
                wrong["volume_text"] = "Say how much is in one, like 1 qt or 750 ml."
            if bool(self.coverage_area_text) != bool(self.coverage_volume_text):
                wrong["coverage_area_text"] = "Write both: so much area from so much volume."
        for name, reader in (
            ("volume_text", Volume),
            ("coverage_area_text", Area),
            ("coverage_volume_text", Volume),
        ):
            text = getattr(self, name)
            if text and name not in wrong:
                try:
                    if not reader.parse(text):
                        wrong[name] = "Write more than zero."
                except BadMeasure as bad:
                    wrong[name] = str(bad)
        if self.kind in PRICED_BY and self.priced_by not in PRICED_BY[self.kind]:
            ways = ", ".join(str(way.label) for way in PRICED_BY[self.kind])
            wrong["priced_by"] = f"This is priced {ways}."
        if (
            self.kind == MaterialKind.LUMBER
            and self.priced_by in (PricedBy.PIECE, PricedBy.FOOT)
            and not (self.length_nm and self.width_nm)
        ):
            wrong.setdefault("length_nm", "A price by the board needs its length and width.")
        sides = [side for side in (self.length_nm, self.width_nm) if side]
        if sides and 2 * self.trim_nm >= min(sides):
            wrong["trim_nm"] = "That leaves nothing of the sheet."
        if wrong:
            raise ValidationError(wrong)

    def _length(self, name: str) -> Length | None:
        nm = getattr(self, f"{name}_nm")
        return Length(nm, getattr(self, f"{name}_text")) if nm else None

    @property
    def length(self) -> Length | None:
        """With the grain, as typed."""
        return self._length("length")

    @property
    def width(self) -> Length | None:
        """Across the grain, as typed."""
        return self._length("width")

    @property
    def thickness(self) -> Length | None:
        """As typed."""
        return self._length("thickness")

    @property
    def trim(self) -> Length:
        """What is cut off each edge of a sheet before it is used."""
        return Length(self.trim_nm, self.trim_text)

    @property
    def volume(self) -> Volume | None:
        """What one can holds."""
        return Volume.parse(self.volume_text) if self.volume_text else None

    @property
    def coverage(self) -> Coverage | None:
        """What the label says it covers."""
        if not self.coverage_area_text or not self.coverage_volume_text:
            return None
        return Coverage(Area.parse(self.coverage_area_text), Volume.parse(self.coverage_volume_text))

    @property
    def size_words(self) -> str:
        """Its size as typed: "96 in × 48 in × 3/4 in", or what a can holds."""
        if self.volume_text:
            return self.volume_text
        sides = [size.text or size.in_mm() for size in (self.length, self.width, self.thickness) if size]
        return " × ".join(sides)

    @property
    def counted_in(self) -> str:
        """One of it, in a word."""
        usual = {
            MaterialKind.SHEET: "sheet",
            MaterialKind.VENEER: "leaf",
            MaterialKind.LUMBER: "board",
            MaterialKind.FINISH: "can",
            MaterialKind.GLUE: "bottle",
        }
        return self.unit or usual.get(MaterialKind(self.kind), "piece")

    def _newest(self) -> MaterialPrice | None:
        return self.prices.order_by("-seen_on", "-pk").first()

    @property
    def price_cents(self) -> int | None:
        """The newest price seen, None when none ever was: a missing price is asked for, it is not zero."""
        if hasattr(self, "newest_cents"):
            return self.newest_cents
        newest = self._newest()
        return newest.cents if newest else None

    @property
    def price_seen_on(self) -> date | None:
        """When that price was seen."""
        if hasattr(self, "newest_seen_on"):
            return self.newest_seen_on
        newest = self._newest()
        return newest.seen_on if newest else None

    def cents_each(self, price_cents: int) -> Fraction:
        """What one sheet, leaf, board or can costs at a price, exactly."""
        length, width, thickness = self.length, self.width, self.thickness
        if self.priced_by == PricedBy.PIECE or length is None or width is None:
            return Fraction(price_cents)
        if self.priced_by in (PricedBy.SQUARE_FOOT, PricedBy.SQUARE_METRE):
            return price_cents * length.by(width).to(self.priced_by)
        if self.priced_by == PricedBy.FOOT:
            return price_cents * length.to("ft")
        # Board measure counts anything under an inch as an inch; a cubic metre does not.
        if self.priced_by == PricedBy.BOARD_FOOT and thickness is not None:
            thick = max(thickness.to("in"), Fraction(1))
            return price_cents * thick * width.to("in") * length.to("in") / 144
        if self.priced_by == PricedBy.CUBIC_METRE and thickness is not None:
            return price_cents * length.to("m") * width.to("m") * thickness.to("m")
        return Fraction(price_cents)


class PriceSource(models.TextChoices):
    """How a price came to be known."""

    TYPED = "typed", "Typed in"
    RECEIPT = "receipt", "From a receipt"


class MaterialPrice(models.Model):
    """A price that was seen on a day; the newest one counts, the others tell how it moved."""

    material = models.ForeignKey(Material, on_delete=models.CASCADE, related_name="prices")
    cents = models.BigIntegerField("price")
    seen_on = models.DateField("seen on", default=timezone.localdate)
    source = models.CharField(max_length=10, choices=PriceSource.choices, default=PriceSource.TYPED)
    # Which slip line it came from; floors below the shop's records know it only by its number.
    receipt_line = models.BigIntegerField(null=True, blank=True, unique=True)
    note = models.CharField(max_length=120, blank=True, default="")
    noted_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["-seen_on", "-pk"]
        constraints = [
            models.CheckConstraint(
                name="material_price_above_nothing",
                condition=Q(cents__gt=0),
                violation_error_message="A price is more than zero.",
            ),
            models.CheckConstraint(
                name="material_price_source_is_known", condition=Q(source__in=PriceSource.values)
            ),
        ]
        indexes = [models.Index(fields=["material", "-seen_on", "-id"])]

    def __str__(self) -> str:
        return f"{self.material}: {self.cents} on {self.seen_on}"
