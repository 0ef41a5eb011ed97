"""What the work on a piece will take and cost: its estimate line by line, what it holds of stock, and the sawing plan."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any, ClassVar, Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Coalesce
from django.urls import reverse
from django.utils import timezone

from estimating.models import Material, MaterialPrice
from finishes.measures import Area, BadMeasure, Length, Volume
from flips.models.parts import Part
from flips.models.pieces import ENDED, Piece
from flips.models.records import (
    MILLION,
    Cents,
    Millionths,
    Nanometres,
    Voidable,
    VoidableQuerySet,
    not_negative,
    one_of,
)
from flips.models.stock import Lot, Use, UseKind

# How stock names what was cut from a sheet.
OFFCUT_ENDING = ", offcut"


def plain_name(name: str) -> str:
    """A name to compare by: an offcut goes under the name of the sheet it was cut from."""
    return name.strip().casefold().removesuffix(OFFCUT_ENDING)


def is_counted(unit: str) -> bool:
    """Whether a unit counts things, rather than a length, an area or a volume."""
    for quantity in (Area, Volume, Length):
        try:
            quantity.factor(unit)
        except BadMeasure:
            continue
        return False
    return True


class LineKind(models.TextChoices):
    """What a line of an estimate is for; each is worked out by its own engine."""

    SHEET = "sheet", "Sheet goods"
    VENEER = "veneer", "Veneer"
    LUMBER = "lumber", "Lumber"
    FINISH = "finish", "Finish"
    GLUE = "glue", "Glue"
    HARDWARE = "hardware", "Hardware"
    OTHER = "other", "Something else"
    HOURS = "hours", "Hours"


class EstimateQuerySet(VoidableQuerySet):
    """Many estimates."""

    def open(self) -> Self:
        """Of pieces that are still to be worked on or decided."""
        return self.live().filter(piece__voided_at__isnull=True).exclude(piece__stage__in=ENDED)


class Estimate(Voidable):
    """The plan for one piece; a piece has one that counts."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="estimates")
    note = models.CharField("note", max_length=200, blank=True, default="")

    objects: ClassVar = EstimateQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            models.UniqueConstraint(
                name="piece_has_one_estimate",
                fields=["piece"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="This piece has an estimate already.",
            ),
        ]

    def __str__(self) -> str:
        return f"Estimate for {self.piece}"

    def get_absolute_url(self) -> str:
        return reverse("estimate", args=[self.piece_id])


class EstimateLineQuerySet(VoidableQuerySet):
    """Many lines of estimates."""

    def open(self) -> Self:
        """Live lines of open estimates."""
        return self.live().filter(estimate__in=Estimate.objects.open())

    def with_sawn(self) -> Self:
        """Each with how many of its sheets are sawn."""
        return self.annotate(
            sawn_count=Coalesce(
                models.Count("sawn", filter=Q(sawn__voided_at__isnull=True), distinct=True), 0
            )
        )


class EstimateLine(Voidable):
    """One line: what goes in, what came out, and how. ``result`` holds the answer so that showing never reckons."""

    estimate = models.ForeignKey(Estimate, on_delete=models.PROTECT, related_name="lines")
    kind = models.CharField("kind", max_length=10, choices=LineKind.choices)
    words = models.CharField("what for", max_length=120)
    place = models.PositiveIntegerField(default=0, editable=False)
    materials = models.ManyToManyField(Material, related_name="estimate_lines", blank=True)
    backers = models.ManyToManyField(Material, related_name="backed_lines", blank=True)
    # What the engine was told besides parts and materials: coats, waste, stages. Whole numbers and words only.
    told = models.JSONField(default=dict, blank=True)
    result = models.JSONField(default=dict, blank=True, editable=False)
    low_cents = Cents("low", null=True, blank=True)
    likely_cents = Cents("likely", null=True, blank=True)
    high_cents = Cents("high", null=True, blank=True)
    buy_cents = Cents("to buy", null=True, blank=True)
    low_minutes = models.PositiveIntegerField("hours, low", null=True, blank=True)
    likely_minutes = models.PositiveIntegerField("hours, likely", null=True, blank=True)
    high_minutes = models.PositiveIntegerField("hours, high", null=True, blank=True)
    reckoned_at = models.DateTimeField(null=True, blank=True, editable=False)

    objects: ClassVar = EstimateLineQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["place", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("kind", LineKind, name="estimate_line_kind_is_known"),
            not_negative(
                "low_cents", "likely_cents", "high_cents", "buy_cents", name="estimate_line_not_negative"
            ),
            models.CheckConstraint(
                name="estimate_line_low_to_high",
                condition=(
                    Q(low_cents__isnull=True, likely_cents__isnull=True, high_cents__isnull=True)
                    | Q(
                        low_cents__isnull=False,
                        low_cents__lte=F("likely_cents"),
                        likely_cents__lte=F("high_cents"),
                    )
                ),
                violation_error_message="Low comes before likely, and likely before high.",
            ),
            models.CheckConstraint(
                name="estimate_line_minutes_low_to_high",
                condition=(
                    Q(low_minutes__isnull=True, likely_minutes__isnull=True, high_minutes__isnull=True)
                    | Q(
                        low_minutes__isnull=False,
                        low_minutes__lte=F("likely_minutes"),
                        likely_minutes__lte=F("high_minutes"),
                    )
                ),
                violation_error_message="Low comes before likely, and likely before high.",
            ),
            models.CheckConstraint(
                name="estimate_line_says_what",
                condition=~Q(words=""),
                violation_error_message="Say what it is for.",
            ),
        ]

    def __str__(self) -> str:
        return self.words

    def get_absolute_url(self) -> str:
        return reverse("estimate_line", args=[self.pk])

    @property
    def is_hours(self) -> bool:
        """Whether it plans time, which is not part of the cost."""
        return self.kind == LineKind.HOURS

    @property
    def needed(self) -> str:
        """How much the work takes, in words."""
        return str(self.result.get("needed", ""))

    @property
    def reasons(self) -> list[str]:
        """How it came about."""
        return list(self.result.get("reasons", []))

    @property
    def warnings(self) -> list[str]:
        """What to mind."""
        return list(self.result.get("warnings", []))

    @property
    def left_out(self) -> list[str]:
        """What did not fit anywhere, with the reason."""
        return list(self.result.get("left_out", []))

    @property
    def to_buy(self) -> list[dict[str, Any]]:
        """What is to be bought: material (its id, or None), name, count, unit and cents."""
        return list(self.result.get("buy", []))

    @property
    def from_stock(self) -> list[dict[str, Any]]:
        """What comes out of stock: lot (its id), name, quantity, unit and cents."""
        return list(self.result.get("take", []))

    @property
    def missing(self) -> list[int]:
        """Materials without a price."""
        return [int(row["material"]) for row in self.to_buy if row["cents"] is None and row["material"]]

    @property
    def is_known(self) -> bool:
        """Whether its cost is known; hours cost nothing in the basis and always are."""
        return self.is_hours or self.likely_cents is not None

    @property
    def layout(self) -> dict[str, Any] | None:
        """The stored sawing plan of sheet goods."""
        return self.result.get("layout")

    @property
    def short_nm3(self) -> int | None:
        """Of finish and glue: the volume to be bought, in cubic nanometres."""
        short = self.result.get("short_nm3")
        return int(short) if short is not None else None


class Shape(models.TextChoices):
    """How the area of a part to be finished is reckoned."""

    FLAT = "flat", "Faces only"
    EDGED = "edged", "Faces and edges"
    TURNED = "turned", "Round"
    TAPERED = "tapered", "Square leg that tapers"
    PANELLED = "panelled", "Frame and panel"


class EstimateItem(models.Model):
    """A part of a line with the size it is reckoned at, which may differ from what the survey says."""

    line = models.ForeignKey(EstimateLine, on_delete=models.CASCADE, related_name="items")
    part = models.ForeignKey(Part, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    name = models.CharField("part", max_length=80)
    count = models.PositiveIntegerField("how many", default=1)
    length_nm = Nanometres("length")
    length_text = models.CharField(max_length=60)
    width_nm = Nanometres("width")
    width_text = models.CharField(max_length=60)
    thickness_nm = Nanometres("thickness", null=True, blank=True)
    thickness_text = models.CharField(max_length=60, blank=True, default="")
    may_turn = models.BooleanField("may lie across the grain", default=False)
    shape = models.CharField(max_length=10, choices=Shape.choices, default=Shape.FLAT)
    sides = models.PositiveSmallIntegerField(default=1)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                name="item_counts_from_one",
                condition=Q(count__gte=1),
                violation_error_message="There is at least one of it.",
            ),
            models.CheckConstraint(
                name="item_has_a_size",
                condition=Q(length_nm__gt=0, width_nm__gt=0)
                & (Q(thickness_nm__isnull=True) | Q(thickness_nm__gt=0)),
                violation_error_message="A size is more than zero.",
            ),
            one_of("shape", Shape, name="item_shape_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.count} × {self.name}" if self.count > 1 else self.name

    @property
    def length(self) -> Length:
        """With the grain, as typed."""
        return Length(self.length_nm, self.length_text)

    @property
    def width(self) -> Length:
        """Across the grain, as typed."""
        return Length(self.width_nm, self.width_text)

    @property
    def thickness(self) -> Length | None:
        """As typed, where it was."""
        return Length(self.thickness_nm, self.thickness_text) if self.thickness_nm else None


class Claim(models.Model):
    """So much of a lot that a line counts on: what one piece is to take, another cannot."""

    line = models.ForeignKey(EstimateLine, on_delete=models.CASCADE, related_name="claims")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="claims")
    quantity_millionths = Millionths("quantity")

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(name="claim_takes_something", condition=Q(quantity_millionths__gt=0)),
            models.UniqueConstraint(name="claim_once_a_lot", fields=["line", "lot"]),
        ]

    def __str__(self) -> str:
        return f"{self.line}: {self.lot}"


def claimed(*, but_not: EstimateLine | None = None) -> dict[int, int]:
    """Millionths of each lot that open estimates still count on, those of one line left out; two queries.

    What a piece has taken of a lot since its line was reckoned is no longer counted on.
    """
    rows = Claim.objects.filter(line__in=EstimateLine.objects.open()).select_related("line__estimate")
    if but_not is not None and but_not.pk:
        rows = rows.exclude(line=but_not)
    claims = list(rows)
    if not claims:
        return {}
    uses: dict[tuple[int, int], list[tuple[datetime, int]]] = defaultdict(list)
    # A sawn sheet lowers the claim itself.
    taken = Use.objects.live().filter(
        lot__in={claim.lot_id for claim in claims}, kind=UseKind.USED, sawn_sheet__isnull=True
    )
    for lot, piece, at, quantity in taken.values_list("lot", "piece", "created_at", "quantity_millionths"):
        uses[lot, piece].append((at, quantity))
    held: dict[int, int] = defaultdict(int)
    for claim in claims:
        since = claim.line.reckoned_at
        used = sum(
            quantity
            for at, quantity in uses[claim.lot_id, claim.line.estimate.piece_id]
            if since is None or at > since
        )
        held[claim.lot_id] += max(0, claim.quantity_millionths - used)
    return dict(held)


class CutPart(models.Model):
    """One part on a sheet of a sawing plan, ticked off once it is cut."""

    line = models.ForeignKey(EstimateLine, on_delete=models.CASCADE, related_name="cut_parts")
    sheet = models.PositiveIntegerField()
    place = models.PositiveIntegerField()
    name = models.CharField(max_length=80)
    cut_at = models.DateTimeField(null=True, blank=True)
    cut_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["sheet", "place"]
        constraints = [
            models.UniqueConstraint(name="cut_part_once", fields=["line", "sheet", "place"]),
            models.CheckConstraint(
                name="cut_part_by_somebody",
                condition=Q(cut_at__isnull=True, cut_by__isnull=True)
                | Q(cut_at__isnull=False, cut_by__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_cut(self) -> bool:
        """Whether it has been cut."""
        return self.cut_at is not None


class SawnSheet(Voidable):
    """A sheet of a plan that has been sawn and posted: its use, and each offcut that went back to stock.

    Only one live row for a sheet of a plan, so that nothing is posted twice, whoever presses what how often.
    """

    line = models.ForeignKey(EstimateLine, on_delete=models.PROTECT, related_name="sawn")
    sheet = models.PositiveIntegerField()
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="+")
    use = models.OneToOneField(Use, null=True, on_delete=models.PROTECT, related_name="sawn_sheet")
    offcuts = models.ManyToManyField(Lot, related_name="sawn_from", blank=True)
    sawn_on = models.DateField("sawn on", default=timezone.localdate)

    class Meta(Voidable.Meta):
        ordering = ["line", "sheet"]
        constraints = [
            *Voidable.Meta.constraints,
            models.UniqueConstraint(
                name="sheet_is_sawn_once",
                fields=["line", "sheet"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="That sheet has been posted already.",
            ),
        ]

    def __str__(self) -> str:
        return f"Sheet {self.sheet} of {self.line}"


class Tick(Voidable):
    """Something on the shopping list that is bought, until its receipt makes it stock."""

    material = models.ForeignKey(
        Material, null=True, blank=True, on_delete=models.PROTECT, related_name="ticks"
    )
    line = models.ForeignKey(
        EstimateLine, null=True, blank=True, on_delete=models.PROTECT, related_name="ticks"
    )
    quantity_millionths = Millionths("quantity")

    class Meta(Voidable.Meta):
        ordering = ["pk"]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(name="tick_of_something", condition=Q(quantity_millionths__gt=0)),
            models.CheckConstraint(
                name="tick_names_one_thing",
                condition=Q(material__isnull=False, line__isnull=True)
                | Q(material__isnull=True, line__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return str(self.material or self.line)

    @property
    def quantity(self) -> Fraction:
        """How much was bought."""
        return Fraction(self.quantity_millionths, MILLION)


@dataclass(frozen=True)
class Planned:
    """What an estimate plans: the cost the piece will carry and the hours.

    ``cents`` (and low, high, buy) are None while ``missing`` lines have no price; ``known_cents`` is what is known so far.
    """

    lines: int = 0
    low: int | None = 0
    cents: int | None = 0
    high: int | None = 0
    buy: int | None = 0
    known_cents: int = 0
    low_minutes: int = 0
    minutes: int = 0
    high_minutes: int = 0
    missing: int = 0
    left_out: int = 0


def planned(lines: Iterable[EstimateLine]) -> Planned:
    """The sums of some lines."""
    rows = list(lines)
    costs = [row for row in rows if not row.is_hours]
    unknown = [row for row in costs if row.likely_cents is None]

    def total(name: str) -> int | None:
        return None if unknown else sum(getattr(row, name) or 0 for row in costs)

    without_buy = any(row.buy_cents is None for row in costs)
    return Planned(
        lines=len(rows),
        low=total("low_cents"),
        cents=total("likely_cents"),
        high=total("high_cents"),
        buy=None if without_buy else sum(row.buy_cents or 0 for row in costs),
        known_cents=sum(row.likely_cents or 0 for row in costs),
        low_minutes=sum(row.low_minutes or 0 for row in rows),
        minutes=sum(row.likely_minutes or 0 for row in rows),
        high_minutes=sum(row.high_minutes or 0 for row in rows),
        missing=len(unknown),
        left_out=sum(1 for row in rows if row.left_out),
    )


def stale_lines(lines: Sequence[EstimateLine]) -> set[int]:
    """Those for whose materials a price was noted since they were reckoned; expects materials fetched, one query."""
    keys = {
        line.pk: {material.pk for material in (*line.materials.all(), *line.backers.all())} for line in lines
    }
    newest = dict(
        MaterialPrice.objects.filter(material__in=set().union(*keys.values()) if keys else set())
        .order_by()
        .values_list("material")
        .annotate(models.Max("noted_at"))
    )
    return {
        line.pk
        for line in lines
        if line.reckoned_at is not None
        and any(newest[key] > line.reckoned_at for key in keys[line.pk] if key in newest)
    }


def planned_of(pieces: Collection[int]) -> dict[int, Planned]:
    """What is planned for each piece that has an estimate, by the piece's id; one query."""
    by_piece: dict[int, list[EstimateLine]] = defaultdict(list)
    rows = EstimateLine.objects.live().filter(
        estimate__voided_at__isnull=True, estimate__piece__in=list(pieces)
    )
    for row in rows.select_related("estimate"):
        by_piece[row.estimate.piece_id].append(row)
    return {piece: planned(lines) for piece, lines in by_piece.items()}


def planned_cents(piece: Piece) -> int | None:
    """The likely planned cost of a piece; None without an estimate or while a price is missing."""
    found = planned_of([piece.pk]).get(piece.pk)
    return found.cents if found else None


def planned_minutes(piece: Piece) -> int:
    """The likely planned minutes of work on a piece, 0 without an estimate."""
    found = planned_of([piece.pk]).get(piece.pk)
    return found.minutes if found else 0
