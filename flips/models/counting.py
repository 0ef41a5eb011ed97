"""Counts of the stock: what was found of each lot, beside what the books held of it on the day of the count."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import ClassVar, Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q, Sum
from django.db.models.functions import Coalesce
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format

from flips.amounts import in_words
from flips.books import Method
from flips.books import lots as balances
from flips.models.facts import shop_facts
from flips.models.people import Shop
from flips.models.records import Millionths, Record, Voidable, VoidableQuerySet, not_negative, one_of
from flips.models.stock import Lot, LotQuerySet, Measured, Use


class CountQuerySet(VoidableQuerySet):
    """Many counts."""

    def open(self) -> Self:
        """Those under way."""
        return self.live().filter(closed_at__isnull=True)

    def with_lines(self) -> Self:
        """Each with ``lines_counted``, how many lots were counted in it."""
        counted = Q(lines__counted_millionths__isnull=False)
        return self.annotate(lines_counted=models.Count("lines", filter=counted))


class Count(Voidable):
    """A walk past the shelves on one day. It changes nothing in the books until it is closed."""

    on = models.DateField("counted on", default=timezone.localdate)
    closed_at = models.DateTimeField(null=True, blank=True, editable=False)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        editable=False,
        on_delete=models.PROTECT,
        related_name="+",
    )

    objects: ClassVar = CountQuerySet.as_manager()

    # Only on rows that were asked for ``with_lines``.
    lines_counted: int

    class Meta(Voidable.Meta):
        ordering = ["-on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                name="count_void_is_open",
                condition=Q(voided_at__isnull=True) | Q(closed_at__isnull=True),
                violation_error_message="Reopen the count first, so that what it changed is taken back.",
            ),
        ]

    def __str__(self) -> str:
        return f"Count of {date_format(self.on, 'j M Y')}"

    def get_absolute_url(self) -> str:
        return reverse("count", args=[self.pk])

    @property
    def is_closed(self) -> bool:
        """Whether its differences are in the books."""
        return self.closed_at is not None

    @property
    def is_open(self) -> bool:
        """Whether lots can still be counted in it."""
        return not self.is_closed and not self.is_void


class CountLine(Record):
    """What was found of one lot, and what the books held of it on that day when it was counted.

    Without ``counted_millionths`` the lot stands as not counted after all. ``use`` is what was missing and ``found``
    the lot that was more than the books had, once the count is closed.
    """

    count = models.ForeignKey(Count, on_delete=models.PROTECT, related_name="lines")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="count_lines")
    counted_millionths = Millionths("counted", null=True, blank=True)
    booked_millionths = Millionths("in the books", default=0)
    measured = models.CharField(max_length=10, choices=Measured.choices, default=Measured.QUANTITY)
    measured_text = models.CharField(max_length=80, blank=True, default="")
    use = models.OneToOneField(
        Use, null=True, blank=True, on_delete=models.PROTECT, related_name="counted_in_line"
    )
    found = models.OneToOneField(
        Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="found_in_line"
    )

    class Meta:
        ordering = ["count", "pk"]
        constraints = [
            models.UniqueConstraint(
                name="count_line_one_a_lot",
                fields=["count", "lot"],
                violation_error_message="That lot is counted already. Look at the page again.",
            ),
            one_of("measured", Measured, name="count_line_measured_is_known"),
            not_negative(
                "counted_millionths",
                "booked_millionths",
                name="count_line_not_negative",
                message="Nothing is the least there can be.",
            ),
        ]

    def __str__(self) -> str:
        return str(self.lot)

    @property
    def is_counted(self) -> bool:
        """Whether an amount was written."""
        return self.counted_millionths is not None

    @property
    def difference_millionths(self) -> int:
        """Found less booked; 0 when both read the same, since what is read off a shelf is no finer than that."""
        if self.counted_millionths is None or self.counted_words == self.booked_words:
            return 0
        return self.counted_millionths - self.booked_millionths

    @property
    def counted_words(self) -> str:
        """What was found, with its unit."""
        return "" if self.counted_millionths is None else in_words(self.counted_millionths, self.lot.unit)

    @property
    def booked_words(self) -> str:
        """What the books held, with its unit."""
        return in_words(self.booked_millionths, self.lot.unit)

    @property
    def difference_words(self) -> str:
        """How much is missing or too much, with its unit and without a sign."""
        return in_words(abs(self.difference_millionths), self.lot.unit)

    @property
    def is_missing(self) -> bool:
        """Whether less was found than the books held."""
        return self.difference_millionths < 0

    @property
    def is_more(self) -> bool:
        """Whether more was found than the books held."""
        return self.difference_millionths > 0


def with_booked(lots: LotQuerySet, on: date) -> LotQuerySet:
    """Lots that had come in by ``on``, each with ``booked_millionths``: what the books held of it at the end of that day."""
    taken = Sum("uses__quantity_millionths", filter=Q(uses__voided_at__isnull=True, uses__used_on__lte=on))
    return (
        lots.live()
        .filter(came_on__lte=on)
        .annotate(booked_millionths=F("quantity_millionths") - Coalesce(taken, 0))
    )


def to_count(count: Count, *, words: str = "") -> LotQuerySet:
    """The lots to walk past, by place, kind and name: what the books hold, and what was counted although they hold none.

    A search finds used-up lots too: one may turn up after all. What closing this count itself brought in or took out
    is left aside, so that a closed count shows the shelf as it was walked.
    """
    rows = with_booked(Lot.objects.all(), count.on).exclude(found_in_line__count=count)
    if words:
        rows = rows.matching(words)
    else:
        rows = rows.filter(Q(booked_millionths__gt=0) | Q(pk__in=count.lines.values("lot")))
    return rows.order_by("place", "kind", "name", "came_on", "pk")


@dataclass(frozen=True)
class ToCount:
    """One stop of the walk: a lot, and its line once it is counted."""

    lot: Lot
    line: CountLine | None
    booked_millionths: int

    @property
    def is_changed(self) -> bool:
        """Whether the books moved on since it was counted, so that it must be counted again."""
        return self.line is not None and self.line.booked_millionths != self.booked_millionths


def lines_of(count: Count, lots: Collection[Lot] | None = None) -> dict[int, CountLine]:
    """The lines of a count by the lot, of all lots or the given ones; one query."""
    rows = count.lines.select_related("lot", "use", "found", "created_by")
    if lots is not None:
        rows = rows.filter(lot__in=lots)
    return {line.lot_id: line for line in rows}


MOST_STOPS = 1000


def walk(count: Count, *, words: str = "") -> list[ToCount]:
    """The stops of a count in their order, a thousand at most; two queries. In a closed count nothing is changed."""
    lines = {pk: line for pk, line in lines_of(count).items() if line.is_counted}
    stops = []
    for lot in to_count(count, words=words)[:MOST_STOPS]:
        line = lines.get(lot.pk)
        booked = line.booked_millionths if line and not count.is_open else lot.booked_millionths
        stops.append(ToCount(lot, line, booked))
    return stops


def stock_worth(shop: Shop) -> dict[Method, int]:
    """What all stock on hand carries today, in cents, by either way of costing; a fixed number of queries."""
    worth = {}
    for method in Method:
        lines, _ = shop_facts(zone=shop.zone, method=method)
        worth[method] = sum(balance.left for balance in balances(lines).values())
    return worth
