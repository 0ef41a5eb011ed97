"""The clamps of the shop, counted once."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from flips.models.records import Record


class Clamp(Record):
    """Clamps of one kind: how many, and what one of them presses with in pounds-force."""

    name = models.CharField("kind", max_length=60, unique=True)
    count = models.PositiveSmallIntegerField("how many", default=0)
    force_lbf = models.PositiveIntegerField("force of one, in pounds")

    class Meta:
        ordering = ["-force_lbf", "name"]
        constraints = [
            models.CheckConstraint(
                name="clamp_presses",
                condition=Q(force_lbf__gt=0),
                violation_error_message="A clamp presses with more than nothing.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.count} × {self.name}"
