"""What every record of the shop has in common: who made it, its version, its history, and voiding instead of deleting."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING, Any, ClassVar, Self

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone
from simple_history.models import HistoricalRecords

if TYPE_CHECKING:
    from flips.models.people import Person


class Record(models.Model):
    """A row whose changes are kept with who and when, and which knows how often it was changed.

    ``version`` goes up with every save; an edit form carries the version it showed, so that the second of two
    people editing the same row is told (see ``flips.pages.forms.RecordForm``).
    """

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

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Saves, counting the version up when the row was there already; a closed year refuses (``ClosedYear``)."""
        from flips.models.closing import refuse_closed

        refuse_closed(self)
        if not self._state.adding:
            self.version += 1
            if kwargs.get("update_fields") is not None:
                kwargs["update_fields"] = {*kwargs["update_fields"], "version"}
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        """Removes it; a closed year refuses (``ClosedYear``)."""
        from flips.models.closing import refuse_closed_removal

        refuse_closed_removal(self)
        return super().delete(*args, **kwargs)


class VoidableQuerySet(models.QuerySet):
    """Rows that may have been voided. Changing many at once is refused in a closed year like changing one."""

    def update(self, **values: Any) -> int:
        """Changes every row; raises ``ClosedYear`` when one of them counts in a closed year."""
        from flips.models.closing import refuse_closed_update

        refuse_closed_update(self, values)
        return super().update(**values)

    def bulk_create(self, objs: Iterable[Any], *args: Any, **kwargs: Any) -> list[Any]:
        """Makes many rows; raises ``ClosedYear`` when one of them counts in a closed year."""
        from flips.models.closing import refuse_closed

        rows = list(objs)
        for row in rows:
            refuse_closed(row)
        return super().bulk_create(rows, *args, **kwargs)

    def delete(self) -> tuple[int, dict[str, int]]:
        """Removes rows; raises ``ClosedYear`` when one of them counts in a closed year."""
        from flips.models.closing import refuse_closed_update

        refuse_closed_update(self, ["deleted"])
        return super().delete()

    def live(self) -> Self:
        """Without the voided ones."""
        return self.filter(voided_at__isnull=True)

    def voided(self) -> Self:
        """Only the voided ones."""
        return self.filter(voided_at__isnull=False)


class Voidable(Record):
    """A record that is never deleted: it is voided with a reason, and can be restored."""

    voided_at = models.DateTimeField(null=True, blank=True, editable=False)
    voided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        editable=False,
        on_delete=models.PROTECT,
        related_name="+",
    )
    void_reason = models.CharField(max_length=200, blank=True, default="", editable=False)

    # ``ClassVar`` and no type, here and on every model: the checker finds the manager's type by itself, and takes one
    # that stands without it for a variable of the instance, which may not stand in for this one.
    objects: ClassVar = VoidableQuerySet.as_manager()

    class Meta:
        abstract = True
        constraints = [
            models.CheckConstraint(
                name="%(class)s_voided_with_reason",
                condition=Q(voided_at__isnull=True, void_reason="")
                | (Q(voided_at__isnull=False) & ~Q(void_reason="")),
                violation_error_message="Say why it is voided.",
            )
        ]

    @property
    def is_void(self) -> bool:
        """Whether it has been voided and no longer counts."""
        return self.voided_at is not None

    def void(self, *, by: Person, reason: str, at: datetime | None = None) -> None:
        """Takes it out of every figure and keeps it on file; voiding twice keeps the first reason."""
        if self.is_void:
            return
        self.voided_at, self.voided_by, self.void_reason = (
            at or timezone.now(),
            by,
            reason.strip() or "no reason given",
        )
        self.save()

    def restore(self) -> None:
        """Counts again."""
        if not self.is_void:
            return
        self.voided_at, self.voided_by, self.void_reason = None, None, ""
        self.save()


def one_of(field: str, choices: type[models.TextChoices], *, name: str) -> models.CheckConstraint:
    """The database's own rule that a choice is one of its choices (Django itself only checks forms)."""
    return models.CheckConstraint(
        name=name,
        condition=Q(**{f"{field}__in": choices.values}),
        violation_error_message="That is not one of the choices.",
    )


def not_negative(
    *fields: str, name: str, message: str = "An amount can't be negative."
) -> models.CheckConstraint:
    """The database's own rule that amounts are zero or more."""
    condition = Q()
    for field in fields:
        condition &= Q(**{f"{field}__gte": 0}) | Q(**{f"{field}__isnull": True})
    return models.CheckConstraint(name=name, condition=condition, violation_error_message=message)


class Cents(models.BigIntegerField):
    """Whole minor units of the shop's currency."""


class Nanometres(models.BigIntegerField):
    """A length in whole nanometres."""


MILLION = 1_000_000


class Millionths(models.BigIntegerField):
    """A quantity in millionths of its own unit: 2.5 sheets are 2,500,000."""
