"""Lots of material on hand, and what is taken from them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar, Self

from django.db import models
from django.db.models import Q, Sum
from django.db.models.functions import Coalesce
from django.urls import reverse
from django.utils import timezone

from estimating.money import split
from finishes.measures import Length
from flips.amounts import in_words
from flips.models.bench import Attempt
from flips.models.parts import Part
from flips.models.people import Shop, StockMethod
from flips.models.pieces import Piece
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

SIDES = ("length", "width", "thickness")


class StockKind(models.TextChoices):
    """What sort of thing a lot holds."""

    SHEET = "sheet", "Sheet goods"
    OFFCUT = "offcut", "Offcut"
    VENEER = "veneer", "Veneer"
    BOARD = "board", "Boards"
    FINISH = "finish", "Finish"
    GLUE = "glue", "Glue"
    ABRASIVE = "abrasive", "Abrasives"
    HARDWARE = "hardware", "Hardware"
    SALVAGE = "salvage", "Salvaged parts"
    OTHER = "other", "Other"


class Origin(models.TextChoices):
    """How a lot came into stock."""

    BOUGHT = "bought", "Bought"
    OPENING = "opening", "Had before these books began"
    OFFCUT = "offcut", "Cut from another lot"
    SALVAGE = "salvage", "Taken from a scrapped piece"
    FOUND = "found", "Found in the count"


class LotQuerySet(VoidableQuerySet):
    """Many lots."""

    def with_left(self) -> Self:
        """Each with ``used_millionths`` and ``used_cents`` summed by the database."""
        live = Q(uses__voided_at__isnull=True)
        return self.annotate(
            used_millionths=Coalesce(Sum("uses__quantity_millionths", filter=live), 0),
            used_cents=Coalesce(Sum("uses__cost_cents", filter=live), 0),
        )

    def matching(self, words: str) -> Self:
        """Whose material or place holds every word."""
        found = self
        for word in words.split()[:6]:
            found = found.filter(Q(name__icontains=word) | Q(place__icontains=word))
        return found

    def same_material(self, lot: Lot) -> Self:
        """Live lots of the material of ``lot``, oldest first; an offcut is one of its own."""
        rows = self.live().order_by("came_on", "pk")
        if not lot.is_pooled:
            return rows.filter(pk=lot.pk)
        return rows.filter(name=lot.name, unit=lot.unit).exclude(kind=StockKind.OFFCUT)

    def on_hand(self) -> Self:
        """Live lots with something left, oldest first."""
        return (
            self.live()
            .with_left()
            .filter(quantity_millionths__gt=models.F("used_millionths"))
            .order_by("came_on", "pk")
        )


class Lot(Voidable):
    """A quantity of one material bought at one price: a can, a sheet, a board, a box."""

    name = models.CharField("material", max_length=120)
    kind = models.CharField(max_length=10, choices=StockKind.choices, default=StockKind.OTHER)
    unit = models.CharField("counted in", max_length=20, default="piece")
    quantity_millionths = Millionths("quantity")
    cost_cents = Cents("cost")
    origin = models.CharField(max_length=10, choices=Origin.choices, default=Origin.BOUGHT)
    came_on = models.DateField("bought on", default=timezone.localdate)
    opened_on = models.DateField("opened on", null=True, blank=True)
    cut_from = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="offcuts"
    )
    salvaged_from = models.ForeignKey(
        Piece, null=True, blank=True, on_delete=models.PROTECT, related_name="salvaged"
    )
    length_nm = Nanometres("length", null=True, blank=True)
    length_text = models.CharField(max_length=60, blank=True, default="")
    width_nm = Nanometres("width", null=True, blank=True)
    width_text = models.CharField(max_length=60, blank=True, default="")
    thickness_nm = Nanometres("thickness", null=True, blank=True)
    thickness_text = models.CharField(max_length=60, blank=True, default="")
    full_mass_ng = models.BigIntegerField("weight of the full can", null=True, blank=True)
    density_g_per_l = models.PositiveIntegerField("density, g per litre", null=True, blank=True)
    place = models.CharField("where it stands", max_length=80, blank=True, default="")
    low_millionths = Millionths("tell me below", null=True, blank=True)
    note = models.CharField(max_length=200, blank=True, default="")

    objects: ClassVar = LotQuerySet.as_manager()

    # Only on rows that were asked for ``with_left``.
    used_millionths: int
    used_cents: int

    class Meta(Voidable.Meta):
        ordering = ["name", "came_on", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("kind", StockKind, name="lot_kind_is_known"),
            one_of("origin", Origin, name="lot_origin_is_known"),
            not_negative("cost_cents", name="lot_cost_not_negative"),
            models.CheckConstraint(
                name="lot_holds_something",
                condition=Q(quantity_millionths__gt=0),
                violation_error_message="A lot holds more than nothing.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("lot", args=[self.pk])

    @property
    def is_pooled(self) -> bool:
        """Whether other lots of the same name and unit are as good; an offcut has a size of its own."""
        return self.kind != StockKind.OFFCUT

    @property
    def material_key(self) -> str:
        """The same for all lots of one material in one unit, and never a lot's number."""
        return f"{self.name}\x1f{self.unit}" if self.is_pooled else f"lot {self.pk}"

    @property
    def is_cuttable(self) -> bool:
        """Whether one of it has a length and a width, so that an offcut of it has a share by area."""
        return bool(self.length_nm and self.width_nm)

    @property
    def sides(self) -> list[Length]:
        """Length, width and thickness, as far as they are known."""
        known = [(getattr(self, f"{name}_nm"), getattr(self, f"{name}_text")) for name in SIDES]
        return [Length(nm, text) for nm, text in known if nm]

    @property
    def quantity(self) -> Fraction:
        """The whole lot in its own unit."""
        return Fraction(self.quantity_millionths, MILLION)

    def uses_total(self) -> tuple[int, int]:
        """Millionths and cents of the live uses, from ``with_left`` where that was asked for."""
        if hasattr(self, "used_millionths"):
            return self.used_millionths, self.used_cents
        sums = self.uses.live().aggregate(
            quantity=Coalesce(Sum("quantity_millionths"), 0), cost=Coalesce(Sum("cost_cents"), 0)
        )
        return sums["quantity"], sums["cost"]

    @property
    def left_millionths(self) -> int:
        """What is left, in millionths of the unit."""
        return self.quantity_millionths - self.uses_total()[0]

    @property
    def left_words(self) -> str:
        """What is left with its unit, as it is read: "12 pieces"."""
        return in_words(self.left_millionths, self.unit)

    @property
    def quantity_words(self) -> str:
        """The whole of it with its unit."""
        return in_words(self.quantity_millionths, self.unit)

    @property
    def low_words(self) -> str:
        """Where she wants to be told, with its unit."""
        return "" if self.low_millionths is None else in_words(self.low_millionths, self.unit)

    @property
    def left(self) -> Fraction:
        """What is left, in the lot's unit."""
        return Fraction(self.left_millionths, MILLION)

    @property
    def left_cents(self) -> int:
        """What the rest of it cost."""
        return self.cost_cents - self.uses_total()[1]

    @property
    def tenths_left(self) -> int:
        """How full it is, in tenths, for the eye."""
        return int((self.left_millionths * 10 + self.quantity_millionths // 2) // self.quantity_millionths)

    @property
    def is_low(self) -> bool:
        """Whether it is down to where she wants to be told."""
        return self.low_millionths is not None and self.left_millionths <= self.low_millionths


@dataclass(frozen=True)
class OnHand:
    """The lots of one material with something left, oldest first."""

    lots: Sequence[Lot]

    @property
    def first(self) -> Lot:
        """The oldest, which is used up first."""
        return self.lots[0]

    @property
    def left_millionths(self) -> int:
        """What is left of all of them together."""
        return sum(lot.left_millionths for lot in self.lots)

    @property
    def left_words(self) -> str:
        """The same with its unit."""
        return in_words(self.left_millionths, self.first.unit)


def materials_of(lots: Iterable[Lot]) -> list[OnHand]:
    """Lots gathered by material, in the order in which each material first comes."""
    groups: dict[str, list[Lot]] = defaultdict(list)
    for lot in lots:
        groups[lot.material_key].append(lot)
    return [OnHand(group) for group in groups.values()]


@dataclass(frozen=True)
class Low:
    """A material that is down to where she wants to be told, or used up."""

    lot: Lot
    left_millionths: int

    @property
    def left_words(self) -> str:
        """What is left with its unit."""
        return in_words(self.left_millionths, self.lot.unit)


def low_materials() -> list[Low]:
    """Materials of which no more is left than the highest mark set on any of their lots, in two queries."""
    marked = list(Lot.objects.live().filter(low_millionths__isnull=False).order_by("name", "-came_on", "-pk"))
    if not marked:
        return []
    left: dict[str, int] = defaultdict(int)
    for lot in Lot.objects.on_hand().filter(name__in={lot.name for lot in marked}):
        left[lot.material_key] += lot.left_millionths
    newest: dict[str, Lot] = {}
    mark: dict[str, int] = defaultdict(int)
    for lot in marked:
        # An offcut is not bought again.
        if lot.is_pooled:
            newest.setdefault(lot.material_key, lot)
            mark[lot.material_key] = max(mark[lot.material_key], lot.low_millionths or 0)
    return [Low(lot, left[key]) for key, lot in newest.items() if left[key] <= mark[key]]


def costs_left(lots: Sequence[Lot], *, shop: Shop) -> dict[int, int]:
    """What the rest of each lot carries, in cents, by its id; where costs are averaged a material's is shared by quantity.

    The lots come from ``with_left``; at most one query.
    """
    if shop.stock_method == StockMethod.FIFO or not lots:
        return {lot.pk: lot.left_cents for lot in lots}
    found = {lot.pk: lot.left_cents for lot in lots if not lot.is_pooled}
    names = {lot.name for lot in lots if lot.is_pooled}
    alike = Lot.objects.live().with_left().filter(name__in=names).exclude(kind=StockKind.OFFCUT)
    for material in materials_of(alike.order_by("came_on", "pk")):
        weights = [lot.left_millionths for lot in material.lots]
        held = sum(lot.left_cents for lot in material.lots)
        parts = split(held, weights) if any(weights) else [0] * len(weights)
        found |= {lot.pk: part for lot, part in zip(material.lots, parts, strict=True)}
    return {lot.pk: found.get(lot.pk, 0) for lot in lots}


class UseKind(models.TextChoices):
    """Where what was taken went."""

    USED = "used", "Used"
    WRITTEN_OFF = "written_off", "Written off"
    SHRINKAGE = "shrinkage", "Missing in the count"
    INTO_OFFCUT = "into_offcut", "Put back as an offcut"


class Measured(models.TextChoices):
    """How the quantity was found."""

    QUANTITY = "quantity", "By quantity"
    TENTHS = "tenths", "By tenths"
    WEIGHED = "weighed", "By weighing"
    REST = "rest", "All that was left"


class UseQuerySet(VoidableQuerySet):
    """Many uses."""

    def to_fix(self) -> Self:
        """Logged without a lot: to be put right later."""
        return self.live().filter(lot__isnull=True)


class Use(Voidable):
    """A quantity taken from a lot for a piece; or written off, missing, or put back as an offcut.

    Without a lot ("stock unknown, fix later") it costs nothing yet and is asked about until a lot is named.
    """

    lot = models.ForeignKey(Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="uses")
    material = models.CharField("material", max_length=120, blank=True, default="")
    kind = models.CharField(max_length=12, choices=UseKind.choices, default=UseKind.USED)
    piece = models.ForeignKey(Piece, null=True, blank=True, on_delete=models.PROTECT, related_name="uses")
    attempt = models.ForeignKey(Attempt, null=True, blank=True, on_delete=models.PROTECT, related_name="uses")
    part = models.ForeignKey(Part, null=True, blank=True, on_delete=models.PROTECT, related_name="uses")
    into = models.OneToOneField(Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="came_by")
    quantity_millionths = Millionths("quantity")
    unit = models.CharField(max_length=20, blank=True, default="")
    cost_cents = Cents(default=0)
    measured = models.CharField(max_length=10, choices=Measured.choices, default=Measured.QUANTITY)
    measured_text = models.CharField(max_length=80, blank=True, default="")
    used_on = models.DateField("when", default=timezone.localdate)
    note = models.CharField(max_length=200, blank=True, default="")

    objects: ClassVar = UseQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["-used_on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("kind", UseKind, name="use_kind_is_known"),
            one_of("measured", Measured, name="use_measured_is_known"),
            not_negative("cost_cents", name="use_cost_not_negative"),
            models.CheckConstraint(
                name="use_takes_something",
                condition=Q(quantity_millionths__gt=0),
                violation_error_message="A use takes more than nothing.",
            ),
            models.CheckConstraint(
                name="use_names_lot_or_material",
                condition=Q(lot__isnull=False) | (~Q(material="") & Q(cost_cents=0, kind=UseKind.USED)),
                violation_error_message="Say which lot or what material.",
            ),
            models.CheckConstraint(
                name="use_into_offcut_names_it",
                condition=Q(kind=UseKind.INTO_OFFCUT, into__isnull=False)
                | (~Q(kind=UseKind.INTO_OFFCUT) & Q(into__isnull=True)),
            ),
            models.CheckConstraint(
                name="use_without_piece_is_no_work",
                condition=~Q(kind=UseKind.USED) | Q(piece__isnull=False),
                violation_error_message="Say which piece it went into.",
            ),
        ]

    def __str__(self) -> str:
        return self.material or str(self.lot)

    def get_absolute_url(self) -> str:
        return reverse("use", args=[self.pk])

    @property
    def counted_in(self) -> str:
        """The unit of its quantity."""
        return self.lot.unit if self.lot else self.unit

    @property
    def quantity_words(self) -> str:
        """How much with its unit, as it is read."""
        return in_words(self.quantity_millionths, self.counted_in)

    @property
    def quantity(self) -> Fraction:
        """How much, in the lot's unit."""
        return Fraction(self.quantity_millionths, MILLION)

    @property
    def is_to_fix(self) -> bool:
        """Whether its lot is still unknown."""
        return self.lot_id is None
