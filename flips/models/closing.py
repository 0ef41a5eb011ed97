"""Years that are closed, and the one guard that keeps everything dated in them as it was.

Years close in order and reopen the latest first, so one day says it all: whatever counts before ``closed_until`` is
shut. ``Record.save`` and the queryset verbs ask ``refuse_closed``; a record's ``MONEY_DATES`` rule says when it counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, ClassVar, Self

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q
from django.db.models.signals import m2m_changed
from django.dispatch import receiver
from django.utils import timezone

from flips.models.records import Record


class YearCloseQuerySet(models.QuerySet):
    """Many closings."""

    def shut(self) -> Self:
        """Those that have not been reopened."""
        return self.filter(reopened_at__isnull=True)


class YearClose(Record):
    """A year that was closed: its days, who closed it, and its figures as they stood then.

    ``end`` is the first day after it. Reopening keeps the row and says why; closing again makes a new one.
    """

    first = models.DateField("first day")
    end = models.DateField("first day after it")
    closed_at = models.DateTimeField(default=timezone.now)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    note = models.CharField(max_length=200, blank=True, default="")
    figures = models.JSONField(default=dict)
    reopened_at = models.DateTimeField(null=True, blank=True)
    reopened_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    reopen_note = models.CharField(max_length=200, blank=True, default="")

    objects: ClassVar = YearCloseQuerySet.as_manager()

    class Meta:
        ordering = ["first", "pk"]
        constraints = [
            models.CheckConstraint(name="year_close_has_days", condition=Q(end__gt=F("first"))),
            models.CheckConstraint(
                name="year_close_reopened_with_note",
                condition=Q(reopened_at__isnull=True, reopen_note="")
                | (Q(reopened_at__isnull=False) & ~Q(reopen_note="")),
                violation_error_message="Say why the year is reopened.",
            ),
            models.UniqueConstraint(
                name="year_is_closed_once",
                fields=["first"],
                condition=Q(reopened_at__isnull=True),
                violation_error_message="That year is closed already.",
            ),
        ]

    def __str__(self) -> str:
        return year_name(self.first, self.end)

    @property
    def is_shut(self) -> bool:
        """Whether it has not been reopened."""
        return self.reopened_at is None


def year_name(first: date, end: date) -> str:
    """A year as people call it: "2025", or "1 Apr 2025 to 31 Mar 2026" when it is no calendar year."""
    last = end - timedelta(days=1)
    if (first.month, first.day, last.month, last.day) == (1, 1, 12, 31) and first.year == last.year:
        return str(first.year)
    return f"{first.day} {first:%b %Y} to {last.day} {last:%b %Y}"


def closed_until() -> date | None:
    """The first day that is open; None while nothing is closed."""
    return YearClose.objects.shut().aggregate(end=models.Max("end"))["end"]


class ClosedYear(ValidationError):
    """Something dated in a closed year was to be changed; ``open_from`` is the first day that may be used."""

    def __init__(self, day: date, *, open_from: date, column: str = "") -> None:
        self.day, self.open_from = day, open_from
        text = (
            f"{day.day} {day:%b %Y} is in a closed year. Date it {open_from.day} {open_from:%b %Y} or later to count it "
            f"in the open year, or reopen the year with a note: Money, Years."
        )
        super().__init__({column: ValidationError(text, code="closed_year")} if column else text)
        if not column:
            self.code = "closed_year"


Days = Callable[[Any], Iterable[date | None]]


@dataclass(frozen=True)
class MoneyDates:
    """When a record counts, the column that holds that date, and the columns that touch no figure.

    Every column that is not named in ``free`` is guarded, so that a new one is guarded until somebody thinks about it.
    """

    days: Days
    column: str = ""
    free: frozenset[str] = frozenset()


def _local(moment: Any) -> date | None:
    # The shop's own clock, whatever zone happens to be on: a shell or a command has none.
    from flips.models.people import Shop

    shop = Shop.current()
    return None if moment is None or shop is None else shop.day_of(moment)


def _of_stage(change: Any) -> Iterable[date | None]:
    """A stage counts when it ends a piece without a sale, or brings back one that had ended so."""
    ends = ("scrapped", "kept", "given_away")
    if change.stage in ends:
        return [change.on]
    others = type(change).objects.live().filter(piece_id=change.piece_id, stage__in=ends)
    return [change.on] if others.exists() else []


def _of_rate(rate: Any) -> Iterable[date | None]:
    """A rate counts on every day from its first to the next rate's that a helper worked on."""
    from flips.models.bench import TimeEntry
    from flips.models.people import HelperRate

    later = (
        HelperRate.objects.live()
        .filter(person_id=rate.person_id, from_on__gt=rate.from_on)
        .exclude(pk=rate.pk)
        .order_by("from_on")
        .first()
    )
    worked = TimeEntry.objects.finished().filter(
        person_id=rate.person_id, started_at__date__gte=rate.from_on - timedelta(days=1)
    )
    days = [_local(moment) for moment in worked.order_by("started_at").values_list("started_at", flat=True)]
    return [
        day
        for day in days
        if day is not None and day >= rate.from_on and (later is None or day < later.from_on)
    ][:1]


MEASURES = frozenset(
    f"{name}_{end}" for name in ("length", "width", "thickness") for end in ("nm", "text")
) | {"full_mass_ng", "density_g_per_l"}

MONEY_DATES: dict[str, MoneyDates] = {
    "purchase": MoneyDates(lambda row: [row.bought_on], "bought_on", frozenset({"note"})),
    "purchaseshare": MoneyDates(lambda row: [row.purchase.bought_on]),
    "receipt": MoneyDates(lambda row: [row.bought_on], "bought_on", frozenset({"note"})),
    "receiptline": MoneyDates(lambda row: [row.receipt.bought_on]),
    "lineshare": MoneyDates(lambda row: [row.line.receipt.bought_on]),
    "sale": MoneyDates(lambda row: [row.paid_on], "paid_on", frozenset({"note", "buyer"})),
    # A piece that comes back in the open year is marked on the share of its sale.
    "saleshare": MoneyDates(lambda row: [row.sale.paid_on], free=frozenset({"returned"})),
    "return": MoneyDates(lambda row: [row.returned_on], "returned_on", frozenset({"reason"})),
    "lot": MoneyDates(
        lambda row: [row.came_on],
        "came_on",
        MEASURES | {"opened_on", "place", "low_millionths", "note"},
    ),
    # A use without a lot costs nothing yet; it counts from the day it gets one.
    "use": MoneyDates(
        lambda row: [row.used_on] if row.lot_id else [],
        "used_on",
        frozenset({"note", "part", "measured", "measured_text", "material"}),
    ),
    "timeentry": MoneyDates(
        lambda row: [_local(row.started_at)] if row.minutes is not None else [],
        "started_at",
        frozenset({"note", "part", "attempt"}),
    ),
    "stagechange": MoneyDates(_of_stage, "on", frozenset({"reason"})),
    "helperrate": MoneyDates(_of_rate, "from_on"),
}

# Records with amounts that no figure of a year is made of, each with the reason.
NOT_DATED: dict[str, str] = {
    "piece": "asking, expected and listed prices are wishes; what it cost and brought is dated elsewhere",
    "shop": "its wanted pay is a yardstick; what would move figures is refused by refuse_moving_figures",
    "feerule": "a sale keeps the fee it was entered with",
    "attempt": "what it was planned to cost is a guess; what it did cost is in its uses and hours",
    "fault": "what putting it right would add to the price is a guess",
    "remedystep": "what a step would cost is a guess",
    "reckoning": "a reckoning for a find is a guess",
    "estimateline": "an estimate is a guess",
    "comparable": "what others asked and got",
}


def money_dates(name: str, days: Days, *, column: str = "", free: Iterable[str] = ()) -> None:
    """Tells the guard when records of a model count; for models that live in files of their own."""
    MONEY_DATES[name] = MoneyDates(days, column, frozenset(free))


BOOKKEEPING = frozenset({"id", "version", "created_at", "created_by", "voided_by", "void_reason"})


def _guarded_columns(model: type[models.Model], rule: MoneyDates) -> list[models.Field]:
    return [column for column in model._meta.concrete_fields if column.name not in rule.free | BOOKKEEPING]


def refuse_closed(record: models.Model) -> None:
    """Raises ClosedYear when saving ``record`` would change what counts in a closed year, as it was or as it will be."""
    rule = MONEY_DATES.get(record._meta.model_name or "")
    if rule is None:
        if record._meta.model_name == "shop":
            refuse_moving_figures(record)
        return
    open_from = closed_until()
    if open_from is None:
        return
    model = type(record)
    stored = None if record._state.adding else model._base_manager.filter(pk=record.pk).first()
    if stored is not None and all(
        getattr(stored, column.attname) == getattr(record, column.attname)
        for column in _guarded_columns(model, rule)
    ):
        return
    for row in (stored, record):
        # What was void and stays void counts nowhere.
        if row is None or getattr(row, "voided_at", None) is not None:
            continue
        for day in rule.days(row):
            if day is not None and day < open_from:
                raise ClosedYear(day, open_from=open_from, column=rule.column)


def refuse_closed_removal(record: models.Model) -> None:
    """Raises ClosedYear when a record that counts in a closed year would be removed."""
    refuse_closed_update(type(record)._base_manager.filter(pk=record.pk), ["removed"])


def refuse_closed_update(rows: models.QuerySet, columns: Iterable[str]) -> None:
    """The same for changing many rows at once: raises ClosedYear when one of them counts in a closed year."""
    rule = MONEY_DATES.get(rows.model._meta.model_name or "")
    if rule is None or not set(columns) - rule.free - BOOKKEEPING:
        return
    open_from = closed_until()
    if open_from is None:
        return
    for row in rows:
        if getattr(row, "voided_at", None) is None:
            for day in rule.days(row):
                if day is not None and day < open_from:
                    raise ClosedYear(day, open_from=open_from)


def refuse_moving_figures(shop: Any) -> None:
    """Refuses what would move the figures of a closed year at one blow: the way of costing, or the clock."""
    from flips.models.bench import TimeEntry

    stored = type(shop)._base_manager.filter(pk=shop.pk).first()
    if stored is None:
        return
    if shop.stock_method != stored.stock_method and YearClose.objects.shut().exists():
        raise ValidationError(
            {"stock_method": "A year is closed with the other way of costing. Reopen it first: Money, Years."}
        )
    if shop.time_zone == stored.time_zone:
        return
    for bound in {day for year in YearClose.objects.shut() for day in (year.first, year.end)}:
        near = TimeEntry.objects.finished().filter(
            started_at__date__range=(bound - timedelta(days=2), bound + timedelta(days=2))
        )
        for moment in near.values_list("started_at", flat=True):
            if (shop.day_of(moment) < bound) != (stored.day_of(moment) < bound):
                raise ValidationError(
                    {
                        "time_zone": f"In that zone hours near {bound.day} {bound:%b %Y} would change years, and that "
                        "year is closed. Reopen it first: Money, Years."
                    }
                )


@receiver(m2m_changed)
def refuse_closed_links(
    instance: models.Model,
    action: str,
    reverse: bool,
    model: type[models.Model],
    pk_set: set[Any] | None,
    **_: Any,
) -> None:
    """The same for what a record is linked to, which no saving of the record itself would show."""
    if not action.startswith("pre_"):
        return
    if not reverse:
        rows: Iterable[models.Model] = [instance]
    elif (model._meta.model_name or "") in MONEY_DATES:
        rows = model._base_manager.filter(pk__in=pk_set or ())
    else:
        return
    for row in rows:
        rule = MONEY_DATES.get(row._meta.model_name or "")
        open_from = closed_until() if rule is not None else None
        if rule is None or open_from is None:
            return
        for day in rule.days(row):
            if day is not None and day < open_from:
                raise ClosedYear(day, open_from=open_from)
