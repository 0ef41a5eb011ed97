"""Finishing a piece: its schedules and what is done of them, the room, the working week, calendars, colour matches."""

from __future__ import annotations

import secrets
from datetime import UTC, date, datetime
from fractions import Fraction
from typing import Any, ClassVar, Self

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Exists, F, OuterRef, Prefetch, Q
from django.urls import reverse
from django.utils import timezone

from finishes.colour import Lab
from finishes.dayplan import DAYS, WorkingHours
from finishes.measures import Area, BadMeasure, Temperature
from finishes.models import FinishSchedule, Sample, StepRow
from finishes.products import BARE
from finishes.schedule_json import read_hours
from finishes.schedules import ACTIONS, Reading
from flips.models.parts import Part
from flips.models.pieces import OWNED_UNSOLD, Photo, Piece
from flips.models.records import Record, Voidable, VoidableQuerySet, one_of

# ---- schedules of a piece ----------------------------------------------------------------------------------


class Sides(models.TextChoices):
    """How much of each part is coated."""

    SHOW = "show", "Show side and edges"
    BOTH = "both", "Both sides and edges"


class PieceScheduleQuerySet(VoidableQuerySet):
    """Many schedules."""

    def with_steps(self) -> Self:
        """Each with its live steps in order and what is done of them, in three queries however many."""
        done = Prefetch(
            "dones", StepDone.objects.live().select_related("created_by").order_by("pk"), to_attr="live_dones"
        )
        steps = (
            ScheduleStep.objects.live().select_related("own").order_by("place", "pk").prefetch_related(done)
        )
        return self.prefetch_related(Prefetch("steps", steps, to_attr="live_steps"))

    def of_pieces_here(self) -> Self:
        """Live ones of pieces that are in the shop."""
        return self.live().filter(piece__voided_at__isnull=True, piece__stage__in=OWNED_UNSOLD)

    def on_the_calendar(self, *, since: datetime) -> Self:
        """Of pieces in the shop, with something left to do, or with a coat that went on since ``since``."""
        open_step = ScheduleStep.objects.live().filter(
            ~Exists(StepDone.objects.live().filter(step=OuterRef("pk"))), schedule=OuterRef("pk")
        )
        lately = StepDone.objects.live().filter(step__schedule=OuterRef("pk"), done_at__gte=since)
        return self.of_pieces_here().filter(Exists(open_step) | Exists(lately))


class PieceSchedule(Voidable):
    """The finish of one group of parts of a piece: a copy of a recipe, or steps of its own."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="schedules")
    group = models.CharField("which parts", max_length=60, default="All of it")
    parts = models.ManyToManyField(Part, blank=True, related_name="schedules")
    recipe = models.ForeignKey(
        FinishSchedule, null=True, blank=True, on_delete=models.PROTECT, related_name="piece_schedules"
    )
    over = models.CharField("what it goes on", max_length=60, default=BARE)
    sides = models.CharField("coated", max_length=4, choices=Sides.choices, default=Sides.SHOW)
    area_text = models.CharField("area, if the parts are not measured", max_length=30, blank=True, default="")
    not_before = models.DateTimeField("not before", null=True, blank=True)
    anyway = models.CharField("why it will hold all the same", max_length=200, blank=True, default="")

    objects: ClassVar = PieceScheduleQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["piece", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("sides", Sides, name="piece_schedule_sides_are_known"),
            models.CheckConstraint(
                name="piece_schedule_names_its_parts",
                condition=~Q(group=""),
                violation_error_message="Say which parts.",
            ),
            models.UniqueConstraint(
                name="piece_schedule_group_once",
                fields=["piece", "group"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="Those parts have a finish already: call these otherwise.",
            ),
        ]

    def __str__(self) -> str:
        return self.group

    def get_absolute_url(self) -> str:
        return reverse("piece_schedule", args=[self.pk])

    def clean(self) -> None:
        """A typed area can be read."""
        if self.area_text:
            try:
                if not Area.parse(self.area_text):
                    raise ValidationError({"area_text": "Write an area above zero."})
            except BadMeasure as bad:
                raise ValidationError({"area_text": str(bad)}) from bad

    @property
    def area(self) -> Area | None:
        """The area that was typed in place of the parts."""
        return Area.parse(self.area_text) if self.area_text else None

    @property
    def steps_in_order(self) -> list[ScheduleStep]:
        """Its live steps, from ``with_steps`` where that was asked for."""
        found: list[ScheduleStep] | None = getattr(self, "live_steps", None)
        return found if found is not None else list(self.steps.live().order_by("place", "pk"))


class ScheduleStep(StepRow, Voidable):
    """One step of the finish of a piece."""

    schedule = models.ForeignKey(PieceSchedule, on_delete=models.PROTECT, related_name="steps")

    objects: ClassVar = VoidableQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["place", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                name="schedule_step_action_is_known", condition=Q(action__in=list(ACTIONS))
            ),
            models.CheckConstraint(name="schedule_step_takes_hands", condition=Q(hands__gte=1)),
        ]

    def get_absolute_url(self) -> str:
        return reverse("schedule_step", args=[self.pk])

    @property
    def done(self) -> StepDone | None:
        """What says that it is done."""
        found: list[StepDone] | None = getattr(self, "live_dones", None)
        rows = found if found is not None else list(self.dones.live()[:1])
        return rows[0] if rows else None

    @property
    def done_at(self) -> datetime | None:
        """When it was finished for real."""
        return self.done.done_at if self.done else None


class StepDone(Voidable):
    """A step ticked off: when it was finished, and by whom."""

    step = models.ForeignKey(ScheduleStep, on_delete=models.PROTECT, related_name="dones")
    done_at = models.DateTimeField("finished", default=timezone.now)

    class Meta(Voidable.Meta):
        ordering = ["-done_at", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            models.UniqueConstraint(
                name="step_is_done_once",
                fields=["step"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="That step is ticked off already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.step} done"


# ---- the room and the working week -------------------------------------------------------------------------


class RoomReading(Voidable):
    """Temperature and humidity of the workshop at a moment, read off by hand."""

    at = models.DateTimeField("when", default=timezone.now)
    celsius_hundredths = models.IntegerField("temperature")
    temperature_text = models.CharField(max_length=20)
    humidity_percent = models.PositiveSmallIntegerField("humidity", null=True, blank=True)
    surface_celsius_hundredths = models.IntegerField("of the wood itself", null=True, blank=True)
    surface_text = models.CharField(max_length=20, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["-at", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                name="room_reading_of_a_workshop",
                condition=Q(celsius_hundredths__range=(-3000, 6000)),
                violation_error_message="No workshop is that cold or hot.",
            ),
            models.CheckConstraint(
                name="room_humidity_is_a_percentage",
                condition=Q(humidity_percent__isnull=True) | Q(humidity_percent__range=(1, 100)),
                violation_error_message="Humidity runs from 1 to 100 %.",
            ),
        ]

    def __str__(self) -> str:
        damp = f", {self.humidity_percent} %" if self.humidity_percent else ""
        return f"{self.temperature_text}{damp}"

    @property
    def temperature(self) -> Temperature:
        """Of the air, as typed."""
        return Temperature(Fraction(self.celsius_hundredths, 100), self.temperature_text)

    @property
    def surface(self) -> Temperature | None:
        """Of the wood, where it was measured."""
        if self.surface_celsius_hundredths is None:
            return None
        return Temperature(Fraction(self.surface_celsius_hundredths, 100), self.surface_text)

    def as_reading(self) -> Reading:
        """As the calendar takes it."""
        damp = None if self.humidity_percent is None else Fraction(self.humidity_percent)
        return Reading(self.at.astimezone(UTC), self.temperature, damp, self.surface)


USUAL_DAY = "08:00-17:00"


class BenchHours(Record):
    """When the bench is worked at, and by how many; the one row there is."""

    hands = models.PositiveSmallIntegerField("pairs of hands", default=1)
    mon = models.CharField("Monday", max_length=60, blank=True, default=USUAL_DAY)
    tue = models.CharField("Tuesday", max_length=60, blank=True, default=USUAL_DAY)
    wed = models.CharField("Wednesday", max_length=60, blank=True, default=USUAL_DAY)
    thu = models.CharField("Thursday", max_length=60, blank=True, default=USUAL_DAY)
    fri = models.CharField("Friday", max_length=60, blank=True, default=USUAL_DAY)
    sat = models.CharField("Saturday", max_length=60, blank=True, default="")
    sun = models.CharField("Sunday", max_length=60, blank=True, default="")
    closed = models.TextField("closed on", blank=True, default="")
    only = models.BooleanField(default=True, editable=False, unique=True)

    class Meta:
        constraints = [
            models.CheckConstraint(name="bench_hours_are_the_only_ones", condition=Q(only=True)),
            models.CheckConstraint(
                name="bench_has_hands",
                condition=Q(hands__range=(1, 20)),
                violation_error_message="From 1 to 20 pairs of hands.",
            ),
        ]

    def __str__(self) -> str:
        return "Working hours"

    def get_absolute_url(self) -> str:
        return reverse("bench_hours")

    @classmethod
    def current(cls) -> BenchHours:
        """The shop's hours; the usual ones, not stored, until somebody sets them."""
        return cls.objects.first() or cls()

    def clean(self) -> None:
        """Every day can be read, and the bench is open at some time."""
        wrong: dict[str, str] = {}
        for day in DAYS:
            try:
                read_hours({day: _spells(getattr(self, day)), "sun" if day == "mon" else "mon": [USUAL_DAY]})
            except ValueError as bad:
                wrong[day] = str(bad)
        try:
            self.closed_days()
        except ValueError:
            wrong["closed"] = "Write days like 2026-12-24, one a line."
        if not wrong and not any(_spells(getattr(self, day)) for day in DAYS):
            wrong["mon"] = "The bench is never open: give at least one day its hours."
        if wrong:
            raise ValidationError(wrong)

    def closed_days(self) -> list[date]:
        """Single days without work; raises ValueError for one that can't be read."""
        return [date.fromisoformat(word) for word in self.closed.replace(",", " ").split()]

    def working_hours(self) -> WorkingHours:
        """As the calendar takes them."""
        told: dict[str, Any] = {day: _spells(getattr(self, day)) for day in DAYS}
        return read_hours(told | {"closed": [day.isoformat() for day in self.closed_days()]})


def _spells(text: str) -> list[str]:
    return [spell.strip() for spell in text.replace(";", ",").split(",") if spell.strip()]


# ---- calendars outside -------------------------------------------------------------------------------------


def new_token() -> str:
    """A secret nobody guesses, fit for an address."""
    return secrets.token_urlsafe(32)


class CalendarFeedQuerySet(models.QuerySet["CalendarFeed"]):
    """Many calendar addresses."""

    def valid(self) -> Self:
        """Not revoked."""
        return self.filter(revoked_at__isnull=True)


class CalendarFeed(Record):
    """A secret address at which a phone's calendar reads the plan; worth nothing once revoked."""

    name = models.CharField("for which phone or calendar", max_length=60)
    token = models.CharField(max_length=64, unique=True, default=new_token, editable=False)
    revoked_at = models.DateTimeField(null=True, blank=True, editable=False)

    objects: ClassVar = CalendarFeedQuerySet.as_manager()

    class Meta:
        ordering = ["revoked_at", "pk"]
        constraints = [
            models.CheckConstraint(
                name="calendar_feed_has_a_name",
                condition=~Q(name=""),
                violation_error_message="Say for whom it is.",
            )
        ]

    def __str__(self) -> str:
        return self.name

    def revoke(self, *, at: datetime) -> None:
        """Makes the address worthless; twice keeps the first time."""
        if self.revoked_at is None:
            self.revoked_at = at
            self.save()


# ---- colour ------------------------------------------------------------------------------------------------


class ReferenceKind(models.TextChoices):
    """What lies in the photo as a reference."""

    UNKNOWN = "unknown", "Something grey or white"
    GREY = "grey", "Grey card (18 %)"
    PAPER = "paper", "White paper"


class ColourMatch(Voidable):
    """A photo of the old wood with scraps and a reference, what was marked in it, and the eye's pick."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="colour_matches")
    photo = models.ForeignKey(Photo, on_delete=models.PROTECT, related_name="colour_matches")
    about = models.CharField("what is to be matched", max_length=80, blank=True, default="")
    reference = models.CharField(
        "reference", max_length=8, choices=ReferenceKind.choices, default=ReferenceKind.UNKNOWN
    )
    notes = models.JSONField(default=list, blank=True, editable=False)
    pick = models.CharField("what your eye picks", max_length=40, blank=True, default="")
    pick_note = models.CharField("why", max_length=200, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("reference", ReferenceKind, name="colour_reference_is_known"),
        ]

    def __str__(self) -> str:
        return self.about or f"Colours of {self.piece}"

    def get_absolute_url(self) -> str:
        return reverse("colour", args=[self.pk])


class MarkKind(models.TextChoices):
    """What a mark in the photo is."""

    TARGET = "target", "Old wood"
    SCRAP = "scrap", "Scrap"
    REFERENCE = "reference", "Grey or white"


FULL_SIDE = 10_000


class ColourMark(models.Model):
    """A square patch of a photo: its middle in ten thousandths of width and height, half its side in those of the width.

    What was measured is stored beside it: L*a*b* and the difference to the old wood in hundredths.
    """

    match = models.ForeignKey(ColourMatch, on_delete=models.CASCADE, related_name="marks")
    kind = models.CharField(max_length=10, choices=MarkKind.choices)
    name = models.CharField(max_length=40)
    x = models.PositiveIntegerField()
    y = models.PositiveIntegerField()
    half = models.PositiveIntegerField()
    lightness_hundredths = models.IntegerField(null=True, blank=True)
    a_hundredths = models.IntegerField(null=True, blank=True)
    b_hundredths = models.IntegerField(null=True, blank=True)
    difference_hundredths = models.PositiveIntegerField(null=True, blank=True)
    level_with_best = models.BooleanField(default=False)
    notes = models.JSONField(default=list, blank=True)
    sample = models.ForeignKey(Sample, null=True, blank=True, on_delete=models.SET_NULL, related_name="marks")

    class Meta:
        ordering = [F("difference_hundredths").asc(nulls_last=True), "name", "pk"]
        constraints = [
            one_of("kind", MarkKind, name="colour_mark_kind_is_known"),
            models.CheckConstraint(
                name="colour_mark_inside_the_photo",
                condition=Q(x__lte=FULL_SIDE, y__lte=FULL_SIDE, half__range=(1, FULL_SIDE // 2)),
            ),
            models.UniqueConstraint(
                name="colour_mark_named_once",
                fields=["match", "kind", "name"],
                violation_error_message="Two scraps have the same name.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def lab(self) -> Lab | None:
        """Its colour as it would look in daylight."""
        if self.lightness_hundredths is None or self.a_hundredths is None or self.b_hundredths is None:
            return None
        return Lab(self.lightness_hundredths / 100, self.a_hundredths / 100, self.b_hundredths / 100)
