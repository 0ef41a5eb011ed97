"""Imports from a spreadsheet: the file as it came, how its columns were matched, and every record that it made."""

from __future__ import annotations

from typing import ClassVar, Self

from django.db import models
from django.db.models import Q
from django.urls import reverse

from flips.models.records import Record, Voidable, VoidableQuerySet, one_of


class ImportKind(models.TextChoices):
    """What the rows of a table are."""

    PIECES = "pieces", "Pieces, sold ones too"
    STOCK = "stock", "Stock on hand"
    HOURS = "hours", "Hours"
    EXPENSES = "expenses", "Expenses"


class ImportQuerySet(VoidableQuerySet):
    """Many imports."""

    def done(self) -> Self:
        """Carried out and not taken back."""
        return self.live().filter(done_at__isnull=False)


class Import(Voidable):
    """A table that was sent in; a draft until it is carried out. Voiding it takes back what it made, and only that."""

    kind = models.CharField("what the rows are", max_length=10, choices=ImportKind.choices)
    file_name = models.CharField(max_length=120)
    digest = models.CharField(max_length=64, db_index=True)
    columns = models.JSONField(default=dict, blank=True)
    day_first = models.BooleanField("the day comes first", default=False)
    decimal_comma = models.BooleanField("decimal comma", null=True, blank=True, default=None)
    begins_on = models.DateField("these books begin on", null=True, blank=True)
    done_at = models.DateTimeField(null=True, blank=True)
    rows_done = models.PositiveIntegerField(default=0)

    objects: ClassVar = ImportQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("kind", ImportKind, name="import_kind_is_known"),
        ]

    def __str__(self) -> str:
        return self.file_name

    def get_absolute_url(self) -> str:
        return reverse("import", args=[self.pk])

    @property
    def is_done(self) -> bool:
        """Whether it has been carried out."""
        return self.done_at is not None


class ImportFile(models.Model):
    """The bytes of a table; apart from its import, so that a change of that does not copy them into its history."""

    of = models.OneToOneField(Import, on_delete=models.PROTECT, related_name="file")
    data = models.BinaryField()

    def __str__(self) -> str:
        return str(self.of)


class ImportedRow(Record):
    """One row of a carried-out import: its line in the file, what it said, and the record it made."""

    of = models.ForeignKey(Import, on_delete=models.PROTECT, related_name="imported")
    number = models.PositiveIntegerField()
    digest = models.CharField(max_length=64, db_index=True)
    text = models.CharField(max_length=120)
    made = models.JSONField(default=list)

    class Meta:
        ordering = ["number", "pk"]
        constraints = [
            models.UniqueConstraint(name="imported_row_once", fields=["of", "number"]),
            models.CheckConstraint(name="imported_row_has_a_digest", condition=~Q(digest="")),
        ]

    def __str__(self) -> str:
        return f"{self.number}: {self.text}"
