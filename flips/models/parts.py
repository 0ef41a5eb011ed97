"""The parts of a piece, what they measure, and taking them off and putting them back."""

from __future__ import annotations

from typing import ClassVar, Self, cast

from django.db import models
from django.db.models import F, Q
from django.urls import reverse

from finishes.measures import Length
from flips.models.pieces import Piece
from flips.models.records import Nanometres, Voidable, VoidableQuerySet, one_of


class Material(models.TextChoices):
    """What a part is made of; the species goes in words beside it."""

    UNKNOWN = "unknown", "Not known yet"
    SOLID = "solid", "Solid wood"
    VENEERED_BOARD = "veneered_board", "Veneered particle board"
    VENEERED_PLY = "veneered_ply", "Veneered plywood"
    VENEERED_SOLID = "veneered_solid", "Veneer on solid wood"
    PLYWOOD = "plywood", "Plywood"
    MDF = "mdf", "MDF"
    HARDBOARD = "hardboard", "Hardboard"
    PAPER_FOIL = "paper_foil", "Printed foil on board"
    METAL = "metal", "Metal"
    GLASS = "glass", "Glass or mirror"
    STONE = "stone", "Stone"
    CANE = "cane", "Cane or rush"
    FABRIC = "fabric", "Fabric or leather"
    PLASTIC = "plastic", "Plastic"
    OTHER = "other", "Other"


class Plan(models.TextChoices):
    """What is to become of a part."""

    UNDECIDED = "undecided", "Not decided"
    KEEP = "keep", "Keep"
    MEND = "mend", "Mend"
    REPLACE = "replace", "Replace"


class PartQuerySet(VoidableQuerySet):
    """Many parts."""

    def in_tree_order(self) -> list[Part]:
        """Each part followed by its sub-parts, with ``depth`` set on them; one query."""
        rows = cast("list[Part]", list(self.prefetch_related("readings").order_by("place", "pk")))
        below: dict[int | None, list[Part]] = {}
        known = {part.pk for part in rows}
        for part in rows:
            below.setdefault(part.parent_id if part.parent_id in known else None, []).append(part)
        ordered: list[Part] = []

        def walk(parent: int | None, depth: int) -> None:
            for part in below.get(parent, []):
                part.depth = depth
                ordered.append(part)
                walk(part.pk, depth + 1)

        walk(None, 0)
        return ordered


class Part(Voidable):
    """A component of a piece; may have sub-parts."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="parts")
    parent = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="subparts"
    )
    name = models.CharField("part", max_length=80)
    count = models.PositiveSmallIntegerField("how many", default=1)
    material = models.CharField(max_length=20, choices=Material.choices, default=Material.UNKNOWN)
    species = models.CharField("wood or kind", max_length=60, blank=True, default="")
    condition = models.CharField("condition", max_length=200, blank=True, default="")
    plan = models.CharField("what to do with it", max_length=10, choices=Plan.choices, default=Plan.UNDECIDED)
    place = models.PositiveIntegerField(default=0, editable=False)
    note = models.TextField("note", blank=True, default="")

    depth: int = 0
    objects: ClassVar = PartQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["place", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("material", Material, name="part_material_is_known"),
            one_of("plan", Plan, name="part_plan_is_known"),
            models.CheckConstraint(
                name="part_counts_from_one",
                condition=Q(count__gte=1),
                violation_error_message="There is at least one of it.",
            ),
            models.CheckConstraint(
                name="part_is_not_its_own_parent",
                condition=Q(parent__isnull=True) | ~Q(parent=F("pk")),
                violation_error_message="A part can't be part of itself.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.count} × {self.name}" if self.count > 1 else self.name

    def get_absolute_url(self) -> str:
        return reverse("part", args=[self.pk])

    def sizes(self) -> list[Spread]:
        """Each dimension that was measured, in the order length, width, thickness, other."""
        by_dimension: dict[str, list[Reading]] = {}
        for reading in self.readings.all():
            if not reading.is_void:
                by_dimension.setdefault(reading.dimension, []).append(reading)
        return [Spread(name, by_dimension[name]) for name in Dimension.values if name in by_dimension]


class Dimension(models.TextChoices):
    """What was measured; length runs with the grain."""

    LENGTH = "length", "Length (with the grain)"
    WIDTH = "width", "Width"
    THICKNESS = "thickness", "Thickness"
    DIAGONAL = "diagonal", "Diagonal"
    OPENING = "opening", "Opening"


class Reading(Voidable):
    """One measuring of a part at one point; several are kept, none is averaged away."""

    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="readings")
    dimension = models.CharField(max_length=10, choices=Dimension.choices, default=Dimension.LENGTH)
    where = models.CharField("where", max_length=60, blank=True, default="")
    length_nm = Nanometres()
    length_text = models.CharField(max_length=60)

    class Meta(Voidable.Meta):
        ordering = ["pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("dimension", Dimension, name="reading_dimension_is_known"),
            models.CheckConstraint(
                name="reading_is_more_than_nothing",
                condition=Q(length_nm__gt=0),
                violation_error_message="A reading is more than zero.",
            ),
        ]

    def __str__(self) -> str:
        return self.length_text

    @property
    def length(self) -> Length:
        """The reading with its text as typed."""
        return Length(self.length_nm, self.length_text)


class Spread:
    """The readings of one dimension: smallest, largest, and the spread between them."""

    def __init__(self, dimension: str, readings: list[Reading]) -> None:
        self.dimension = Dimension(dimension)
        self.readings = readings
        self.least = min((reading.length for reading in readings), default=Length(0))
        self.most = max((reading.length for reading in readings), default=Length(0))

    @property
    def spread(self) -> Length:
        """Largest less smallest."""
        return self.most - self.least

    @property
    def varies(self) -> bool:
        """Whether the readings differ."""
        return bool(self.spread)


class RemovalQuerySet(VoidableQuerySet):
    """Many parts taken off."""

    def still_off(self) -> Self:
        """Not put back yet."""
        return self.live().filter(back_at__isnull=True)


class Removal(Voidable):
    """A part taken off: in which order, where its fasteners went, and whether all of them came back."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="removals")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="removals")
    order = models.PositiveIntegerField()
    bag = models.CharField("fastener bag", max_length=60, blank=True, default="")
    fasteners = models.CharField("fasteners", max_length=120, blank=True, default="")
    count_out = models.PositiveSmallIntegerField("how many came out", default=0)
    count_back = models.PositiveSmallIntegerField("how many went back", null=True, blank=True)
    off_at = models.DateTimeField()
    back_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True, default="")

    objects: ClassVar = RemovalQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["order", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                name="removal_back_with_count",
                condition=Q(back_at__isnull=True, count_back__isnull=True)
                | Q(back_at__isnull=False, count_back__isnull=False),
                violation_error_message="Say how many fasteners went back.",
            ),
            models.UniqueConstraint(
                name="removal_order_once",
                fields=["piece", "order"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="Another part has that place in the order.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.order}. {self.part}"

    @property
    def missing(self) -> int:
        """Fasteners that came out and did not go back; 0 while it is still off."""
        return max(0, self.count_out - self.count_back) if self.count_back is not None else 0
