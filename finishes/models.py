"""What the shop knows of its own about materials: cans, figures as on the can, recipes, sample boards.

The shipped figures stay in their file and are read from there; what is typed here lies beside them and wins, so an
update of the program can never overwrite it, nor the other way round.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any, ClassVar, Self

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone
from django.utils.text import slugify
from simple_history.models import HistoricalRecords

from finishes.colour import Lab
from finishes.facts import COMMON_PRACTICE, PUBLISHED, Fact, Range
from finishes.measures import BadMeasure, read_number
from finishes.products import BARE, FROM_THE_CAN, Product, Shelf, shipped_shelf
from finishes.recipes import ACTION_WORDS, time_words
from finishes.schedules import ACTIONS, APPLYING, Step

# ---- what every row here has in common ---------------------------------------------------------------------


class KeptQuerySet(models.QuerySet[Any]):
    """Many rows."""

    def in_use(self) -> Self:
        """Without those put away."""
        return self.filter(retired=False)


class Kept(models.Model):
    """A row whose changes are kept with who and when; it is put away rather than deleted."""

    retired = models.BooleanField("no longer used", default=False)
    version = models.PositiveIntegerField(default=1, editable=False)
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        editable=False,
        on_delete=models.PROTECT,
        related_name="+",
    )
    history = HistoricalRecords(inherit=True)

    objects: ClassVar = KeptQuerySet.as_manager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Saves, counting the version up when the row was there already."""
        if not self._state.adding:
            self.version += 1
            if kwargs.get("update_fields") is not None:
                kwargs["update_fields"] = {*kwargs["update_fields"], "version"}
        super().save(*args, **kwargs)


# ---- products ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class FigureKind:
    """A figure a product can have: what it is called, the units it is typed in, and whether it runs from low to high."""

    label: str
    units: tuple[str, ...]
    is_range: bool = False


_TIMES = ("min", "h", "d")
FIGURES: Mapping[str, FigureKind] = {
    "coverage": FigureKind("Covers", ("ft2/US gal", "m2/L"), True),
    "coats": FigureKind("Coats", ("coats",), True),
    "recoat_first": FigureKind("Second coat from", _TIMES),
    "recoat_from": FigureKind("Next coat from", _TIMES),
    "recoat_until": FigureKind("Next coat without sanding until", _TIMES),
    "wipe": FigureKind("Wipe off after", ("min",), True),
    "touch": FigureKind("Dry to touch", _TIMES),
    "handle": FigureKind("May be handled", _TIMES),
    "cure": FigureKind("Cured, may be shipped", _TIMES),
    "coldest": FigureKind("Not colder than", ("C", "F")),
    "warmest": FigureKind("Not warmer than", ("C", "F")),
    "dampest": FigureKind("Not damper than", ("%",)),
    "solids": FigureKind("Volume solids", ("%",)),
}
UNIT_WORDS = {
    "ft2/US gal": "ft² a US gallon",
    "m2/L": "m² a litre",
    "min": "minutes",
    "h": "hours",
    "d": "days",
    "C": "°C",
    "F": "°F",
}


def figure_label(name: str) -> str:
    """What a figure of a product is called on a page."""
    return FIGURES[name].label


def slug_of(product: Product) -> str:
    """The name of a shipped type as it stands in an address."""
    return slugify(product.name)


class OwnCan(Kept):
    """A can of the shop's own, of one generic type: it has the type's figures until its own are typed in."""

    name = models.CharField("what it says on the can", max_length=120)
    kind = models.CharField("generic type", max_length=120)
    stock_name = models.CharField("its name in stock, if another", max_length=120, blank=True, default="")
    note = models.CharField("note", max_length=200, blank=True, default="")

    class Meta:
        ordering = ["name", "pk"]
        constraints = [
            models.CheckConstraint(
                name="own_can_has_a_name", condition=~Q(name=""), violation_error_message="Give it a name."
            ),
            models.UniqueConstraint(
                name="own_can_named_once",
                fields=["name"],
                condition=Q(retired=False),
                violation_error_message="There is a can of that name already.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("own_can", args=[self.pk])

    def clean(self) -> None:
        """The type is one of the shipped ones, and the name is none of theirs."""
        names = {product.name for product in shipped_shelf().products}
        if self.kind not in names:
            raise ValidationError({"kind": "Choose the generic type it belongs to."})
        if self.name.strip().lower() in names:
            raise ValidationError({"name": "That is the name of a type; say what stands on your can."})


class CanFigure(Kept):
    """One figure as it stands on the shop's can; it wins over the shipped one, which stays as it was."""

    own = models.ForeignKey(OwnCan, null=True, blank=True, on_delete=models.PROTECT, related_name="figures")
    shipped = models.CharField("generic type", max_length=120, blank=True, default="")
    figure = models.CharField("figure", max_length=20, choices=[(k, f.label) for k, f in FIGURES.items()])
    low_text = models.CharField("figure", max_length=30)
    high_text = models.CharField("to", max_length=30, blank=True, default="")
    unit = models.CharField("unit", max_length=12)
    reason = models.CharField("why, or where it stands", max_length=200)
    from_use = models.BooleanField("worked out from what was used", default=False, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                name="can_figure_of_one_product",
                condition=Q(own__isnull=False, shipped="") | (Q(own__isnull=True) & ~Q(shipped="")),
            ),
            models.CheckConstraint(
                name="can_figure_is_known",
                condition=Q(figure__in=list(FIGURES)),
                violation_error_message="That is not one of the figures.",
            ),
            models.CheckConstraint(
                name="can_figure_with_reason",
                condition=~Q(reason=""),
                violation_error_message="Say why, or where it stands.",
            ),
            models.UniqueConstraint(name="can_figure_once_a_can", fields=["own", "figure"]),
            models.UniqueConstraint(
                name="can_figure_once_a_type", fields=["shipped", "figure"], condition=Q(own__isnull=True)
            ),
        ]

    def __str__(self) -> str:
        return f"{figure_label(self.figure)}: {self.low_text}"

    def clean(self) -> None:
        """Both ends can be read, in order, in a unit of that figure."""
        kind = FIGURES.get(self.figure)
        if kind is None:
            return
        if self.unit not in kind.units:
            raise ValidationError({"unit": "Choose one of the units."})
        try:
            low = _number(self.low_text, self.unit)
        except BadMeasure as bad:
            raise ValidationError({"low_text": str(bad)}) from bad
        try:
            high = _number(self.high_text, self.unit) if self.high_text else low
        except BadMeasure as bad:
            raise ValidationError({"high_text": str(bad)}) from bad
        if high < low:
            raise ValidationError({"high_text": "The second figure is the larger one."})
        if self.unit not in ("C", "F") and low <= 0:
            raise ValidationError({"low_text": "Write a figure above zero."})
        if self.unit == "%" and high > 100:
            raise ValidationError({"low_text": "A percentage runs up to 100."})
        if self.unit in _TIMES and low > 1_000_000:
            raise ValidationError({"low_text": "That is longer than any can says."})

    def value(self) -> Fact | Range:
        """The figure as the engines take it, with where it is from."""
        low = _number(self.low_text, self.unit)
        high = _number(self.high_text, self.unit) if self.high_text else low
        unit = "C" if self.unit == "F" else self.unit
        source = self.reason if self.from_use else f"{FROM_THE_CAN}: {self.reason}"
        status = COMMON_PRACTICE if self.from_use else PUBLISHED
        if FIGURES[self.figure].is_range:
            return Range(low, high, unit, source, status)
        return Fact(low, unit, source, status)


def _number(text: str, unit: str) -> Fraction:
    # A freezing workshop has a minus; every other figure is read as a measure.
    sign = -1 if unit in ("C", "F") and text.strip().startswith(("-", "−")) else 1
    value = sign * read_number(text.strip().lstrip("-−") if sign < 0 else text)
    return (value - 32) * Fraction(5, 9) if unit == "F" else value


@dataclass(frozen=True)
class ShopShelf:
    """Every product the shop can name: shipped types with the shop's figures put in, and its own cans."""

    shelf: Shelf
    shipped: Mapping[str, Product]
    own: Mapping[int, Product]
    cans: tuple[OwnCan, ...]
    figures: Mapping[tuple[str, int | None], Mapping[str, CanFigure]]

    def product(self, shipped: str, own: int | None) -> Product | None:
        """The product a step names; None when it is on the shelf no more."""
        return self.own.get(own) if own is not None else self.shipped.get(shipped)

    def by_slug(self, slug: str) -> Product | None:
        """The shipped type of an address."""
        return next((product for product in self.shipped.values() if slug_of(product) == slug), None)

    def own_figures(self, *, shipped: str = "", own: int | None = None) -> Mapping[str, CanFigure]:
        """What the shop typed in for one product, by figure."""
        return self.figures.get((shipped, own), {})


def shop_shelf() -> ShopShelf:
    """Products as the shop has them, in two queries; rules of what goes over what are the shipped ones."""
    typed: dict[tuple[str, int | None], dict[str, CanFigure]] = {}
    for row in CanFigure.objects.all():
        typed.setdefault((row.shipped, row.own_id), {})[row.figure] = row

    def with_figures(product: Product, key: tuple[str, int | None]) -> Product:
        return product.as_on_my_can(**{name: row.value() for name, row in typed.get(key, {}).items()})

    base = shipped_shelf()
    shipped = {product.name: with_figures(product, (product.name, None)) for product in base.products}
    cans = tuple(OwnCan.objects.all())
    own = {
        can.pk: with_figures(replace(shipped[can.kind], name=can.name, also=_also(can)), ("", can.pk))
        for can in cans
        if can.kind in shipped
    }
    in_use = tuple(own[can.pk] for can in cans if can.pk in own and not can.retired)
    shelf = Shelf((*shipped.values(), *in_use), base.groups, base.rules)
    return ShopShelf(shelf, shipped, own, cans, typed)


def _also(can: OwnCan) -> tuple[str, ...]:
    return (can.stock_name,) if can.stock_name else ()


# ---- recipes -----------------------------------------------------------------------------------------------


class StepRow(models.Model):
    """One step as it is kept, in a recipe or on a piece; times in whole minutes."""

    place = models.PositiveIntegerField(default=0, editable=False)
    action = models.CharField(
        "what", max_length=12, choices=[(action, ACTION_WORDS[action]) for action in ACTIONS]
    )
    shipped = models.CharField("product", max_length=120, blank=True, default="")
    own = models.ForeignKey(OwnCan, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    remark = models.CharField("paper, pad, tool", max_length=60, blank=True, default="")
    wait_minutes = models.PositiveIntegerField("wait after it", null=True, blank=True)
    until_minutes = models.PositiveIntegerField("next step at the latest after", null=True, blank=True)
    work_minutes = models.PositiveIntegerField("bench time", null=True, blank=True)
    hands = models.PositiveSmallIntegerField("pairs of hands", default=1)

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return f"{self.get_action_display()} {self.shipped or self.own or ''}".strip()

    def clean(self) -> None:
        """What is put on needs a product, what is not has none, and times are in order."""
        if self.action in APPLYING and not self.shipped and not self.own_id:
            raise ValidationError({"product": f"Say what to {self.action} with."})
        if self.action == "wait" and not self.wait_minutes:
            raise ValidationError({"wait_minutes": "Say how long to wait."})
        if self.until_minutes is not None and self.until_minutes < (self.wait_minutes or 0):
            raise ValidationError({"until_minutes": "That closes before the wait is over."})
        if not 1 <= self.hands <= 20:
            raise ValidationError({"hands": "A step takes from 1 to 20 pairs of hands."})

    def as_step(self, shelf: ShopShelf, *, done_at: datetime | None = None) -> Step:
        """The step as the engines take it, with the shop's own figures."""

        def span(minutes: int | None) -> timedelta | None:
            return None if minutes is None else timedelta(minutes=minutes)

        return Step(
            self.action,
            shelf.product(self.shipped, self.own_id) if self.action in APPLYING else None,
            name=self.remark,
            wait=span(self.wait_minutes),
            until=span(self.until_minutes),
            work=span(self.work_minutes),
            hands=self.hands,
            done_at=done_at,
        )

    @property
    def wait_words(self) -> str:
        """The wait as typed, empty for what the product needs."""
        return "" if self.wait_minutes is None else time_words(self.wait_minutes)

    def copied(self) -> dict[str, Any]:
        """Its columns for a copy in another place."""
        names = (
            "place",
            "action",
            "shipped",
            "remark",
            "wait_minutes",
            "until_minutes",
            "work_minutes",
            "hands",
        )
        return {name: getattr(self, name) for name in names} | {"own_id": self.own_id}


class FinishSchedule(Kept):
    """A recipe: steps in order for a surface, to be put on any piece."""

    name = models.CharField("name of the recipe", max_length=80)
    over = models.CharField("what it goes on", max_length=60, default=BARE)
    note = models.CharField("note", max_length=200, blank=True, default="")

    class Meta:
        ordering = ["name", "pk"]
        constraints = [
            models.CheckConstraint(
                name="recipe_has_a_name", condition=~Q(name=""), violation_error_message="Give it a name."
            ),
            models.UniqueConstraint(
                name="recipe_named_once",
                fields=["name"],
                condition=Q(retired=False),
                violation_error_message="There is a recipe of that name already.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("recipe", args=[self.pk])


class RecipeStep(StepRow):
    """One step of a recipe."""

    recipe = models.ForeignKey(FinishSchedule, on_delete=models.CASCADE, related_name="steps")
    history = HistoricalRecords()

    class Meta:
        ordering = ["place", "pk"]
        constraints = [
            models.CheckConstraint(name="recipe_step_action_is_known", condition=Q(action__in=list(ACTIONS))),
            models.CheckConstraint(name="recipe_step_takes_hands", condition=Q(hands__gte=1)),
        ]


# ---- sample boards -----------------------------------------------------------------------------------------


class SampleQuerySet(KeptQuerySet):
    """Many sample boards."""

    def matching(self, words: str) -> Self:
        """Whose name, wood, recipe or note holds every word."""
        found = self
        for word in words.split()[:6]:
            found = found.filter(
                Q(name__icontains=word)
                | Q(wood__icontains=word)
                | Q(how__icontains=word)
                | Q(note__icontains=word)
                | Q(recipe__name__icontains=word)
            )
        return found


class Sample(Kept):
    """A sample board: a recipe on a wood, and the colour it came out; L*a*b* in hundredths, D65."""

    name = models.CharField("what is written on the board", max_length=80)
    wood = models.CharField("wood", max_length=60, blank=True, default="")
    recipe = models.ForeignKey(
        FinishSchedule, null=True, blank=True, on_delete=models.PROTECT, related_name="samples"
    )
    how = models.CharField("what is on it, if no recipe says so", max_length=200, blank=True, default="")
    lightness_hundredths = models.IntegerField("lightness", null=True, blank=True)
    a_hundredths = models.IntegerField("red to green", null=True, blank=True)
    b_hundredths = models.IntegerField("yellow to blue", null=True, blank=True)
    note = models.CharField("note", max_length=200, blank=True, default="")

    objects: ClassVar = SampleQuerySet.as_manager()

    class Meta:
        ordering = ["name", "pk"]
        constraints = [
            models.CheckConstraint(
                name="sample_has_a_name", condition=~Q(name=""), violation_error_message="Give it a name."
            ),
            models.CheckConstraint(
                name="sample_colour_whole_or_none",
                condition=Q(
                    lightness_hundredths__isnull=True, a_hundredths__isnull=True, b_hundredths__isnull=True
                )
                | Q(
                    # Without these an unknown would pass for true.
                    lightness_hundredths__isnull=False,
                    a_hundredths__isnull=False,
                    b_hundredths__isnull=False,
                    lightness_hundredths__range=(0, 10_000),
                    a_hundredths__range=(-20_000, 20_000),
                    b_hundredths__range=(-20_000, 20_000),
                ),
                violation_error_message="A colour has all three figures: lightness 0 to 100, and two from -200 to 200.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("sample", args=[self.pk])

    @property
    def lab(self) -> Lab | None:
        """Its colour, where it was measured."""
        if self.lightness_hundredths is None or self.a_hundredths is None or self.b_hundredths is None:
            return None
        return Lab(self.lightness_hundredths / 100, self.a_hundredths / 100, self.b_hundredths / 100)
