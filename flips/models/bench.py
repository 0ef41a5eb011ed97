"""What happened at the bench: attempts, log entries and hours."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, ClassVar, Self

from django.conf import settings
from django.db import models
from django.db.models import Count, F, Q
from django.db.models.functions import Coalesce, Lower, Trim
from django.urls import reverse
from django.utils import timezone

from flips.models.parts import Part
from flips.models.pieces import Piece
from flips.models.records import Cents, Voidable, VoidableQuerySet, one_of


class Outcome(models.TextChoices):
    """How an attempt ended."""

    OPEN = "open", "Under way"
    WORKED = "worked", "Worked"
    PARTLY = "partly", "Partly worked"
    FAILED = "failed", "Failed"
    SET_ASIDE = "set_aside", "Set aside"


class AttemptQuerySet(VoidableQuerySet):
    """Many attempts."""

    def under_way(self) -> Self:
        """Without an outcome yet."""
        return self.live().filter(outcome=Outcome.OPEN)

    def failed(self) -> Self:
        """Those that failed."""
        return self.live().filter(outcome=Outcome.FAILED)

    def newest_first(self) -> Self:
        """The last begun first."""
        return self.order_by("-began_at", "-pk")

    def tried(self) -> Self:
        """Those that say something about a technique: worked, partly worked or failed."""
        return self.live().filter(outcome__in=(Outcome.WORKED, Outcome.PARTLY, Outcome.FAILED))

    def tallied(self) -> models.QuerySet[Any, dict[str, Any]]:
        """Counts by technique, material of the part, kind of fault and outcome, as rows of ``n``."""
        return (
            self.tried()
            .annotate(
                # A technique that was renamed keeps its record.
                name=Lower(Coalesce("step__technique__name", Trim("technique"))),
                material=F("part__material"),
                fault=F("remedy__fault__kind"),
            )
            .order_by()
            .values("name", "material", "fault", "outcome")
            .annotate(n=Count("pk"))
        )


class Attempt(Voidable):
    """A remedy tried for real. One that failed stays; its hours and uses hang on it and are summed apart."""

    class Again(models.TextChoices):
        UNSAID = "", "Not said"
        YES = "yes", "Yes"
        NO = "no", "No"
        OTHERWISE = "otherwise", "Only differently"

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="attempts")
    part = models.ForeignKey(Part, null=True, blank=True, on_delete=models.PROTECT, related_name="attempts")
    technique = models.CharField("what you try", max_length=120)
    began_at = models.DateTimeField("begun", default=timezone.now)
    outcome = models.CharField(max_length=10, choices=Outcome.choices, default=Outcome.OPEN)
    ended_at = models.DateTimeField(null=True, blank=True)
    why = models.TextField("why", blank=True, default="")
    left_usable = models.CharField("what stayed usable", max_length=200, blank=True, default="")
    again = models.CharField(
        "would you try it again?", max_length=10, choices=Again.choices, blank=True, default=Again.UNSAID
    )
    follows = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="followed_by"
    )
    # What was planned, as it was thought of when the attempt began: a later guess does not change it.
    remedy = models.ForeignKey(
        "Remedy", null=True, blank=True, editable=False, on_delete=models.PROTECT, related_name="attempts"
    )
    step = models.ForeignKey(
        "RemedyStep", null=True, blank=True, editable=False, on_delete=models.PROTECT, related_name="attempts"
    )
    planned_minutes = models.PositiveIntegerField("time planned", null=True, blank=True, editable=False)
    planned_cents = Cents("money planned", null=True, blank=True, editable=False)
    chance_percent = models.PositiveSmallIntegerField("chance then", null=True, blank=True, editable=False)

    objects: ClassVar = AttemptQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["began_at", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("outcome", Outcome, name="attempt_outcome_is_known"),
            models.CheckConstraint(
                name="attempt_ends_with_its_outcome",
                condition=Q(outcome=Outcome.OPEN, ended_at__isnull=True)
                | (~Q(outcome=Outcome.OPEN) & Q(ended_at__isnull=False)),
            ),
            models.CheckConstraint(
                name="attempt_ends_after_it_begins",
                condition=Q(ended_at__isnull=True) | Q(ended_at__gte=F("began_at")),
                violation_error_message="An attempt can't end before it begins.",
            ),
            models.CheckConstraint(
                name="attempt_step_of_its_remedy",
                condition=Q(step__isnull=True) | Q(remedy__isnull=False),
            ),
            models.CheckConstraint(
                name="attempt_chance_is_a_percentage",
                condition=Q(chance_percent__isnull=True) | Q(chance_percent__lte=100),
            ),
        ]

    def __str__(self) -> str:
        return self.technique

    def get_absolute_url(self) -> str:
        return reverse("attempt", args=[self.pk])

    @property
    def is_open(self) -> bool:
        """Whether its outcome is still to come."""
        return self.outcome == Outcome.OPEN

    @property
    def has_failed(self) -> bool:
        """Whether its cash and hours count as the cost of failed attempts."""
        return self.outcome == Outcome.FAILED


class LogEntry(Voidable):
    """What was done, when and by whom."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="log_entries")
    parts = models.ManyToManyField(Part, blank=True, related_name="log_entries")
    attempt = models.ForeignKey(
        Attempt, null=True, blank=True, on_delete=models.PROTECT, related_name="log_entries"
    )
    text = models.TextField("what you did")
    at = models.DateTimeField("when", default=timezone.now)

    class Meta(Voidable.Meta):
        ordering = ["-at", "-pk"]
        verbose_name_plural = "log entries"
        constraints = [*Voidable.Meta.constraints]

    def __str__(self) -> str:
        return self.text[:60]


class TimeEntryQuerySet(VoidableQuerySet):
    """Many time entries."""

    def running(self) -> Self:
        """Timers that have not been stopped."""
        return self.live().filter(minutes__isnull=True)

    def finished(self) -> Self:
        """Entries with minutes."""
        return self.live().filter(minutes__isnull=False)


LEFT_RUNNING_AFTER = timedelta(hours=4)


class TimeEntry(Voidable):
    """Minutes on a piece. A running timer has a start and no minutes; the server keeps the start."""

    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="time_entries"
    )
    piece = models.ForeignKey(
        Piece, null=True, blank=True, on_delete=models.PROTECT, related_name="time_entries"
    )
    attempt = models.ForeignKey(
        Attempt, null=True, blank=True, on_delete=models.PROTECT, related_name="time_entries"
    )
    part = models.ForeignKey(
        Part, null=True, blank=True, on_delete=models.PROTECT, related_name="time_entries"
    )
    started_at = models.DateTimeField("started")
    minutes = models.PositiveIntegerField("minutes", null=True, blank=True)
    note = models.CharField("what for", max_length=200, blank=True, default="")
    typed = models.BooleanField(default=False, editable=False)

    objects: ClassVar = TimeEntryQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["-started_at", "-pk"]
        verbose_name_plural = "time entries"
        constraints = [
            *Voidable.Meta.constraints,
            models.UniqueConstraint(
                name="one_running_timer_a_person",
                fields=["person"],
                condition=Q(minutes__isnull=True, voided_at__isnull=True),
                violation_error_message="A timer of yours is running already.",
            ),
            models.CheckConstraint(
                name="time_entry_within_two_days",
                condition=Q(minutes__isnull=True) | Q(minutes__lte=2880),
                violation_error_message="That is more than two days: split it.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.minutes if self.minutes is not None else 'running'}"

    @property
    def is_running(self) -> bool:
        """Whether the timer has not been stopped."""
        return self.minutes is None

    def was_left_running(self, now: datetime) -> bool:
        """Whether it runs so long that she should be asked."""
        return self.is_running and now - self.started_at > LEFT_RUNNING_AFTER
