"""Trips by distance, the dated rates they are worth, and slips of the same day that may claim the same drive."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.urls import reverse
from django.utils import timezone

from estimating.money import Currency, split_evenly
from finishes.measures import trim_decimal
from flips.books import running_cents, year_of
from flips.models.closing import YearClose, money_dates
from flips.models.people import Shop
from flips.models.pieces import Piece
from flips.models.receipts import Destination, ReceiptLine
from flips.models.records import MILLION, Millionths, Voidable, VoidableQuerySet, one_of

# The international yard and pound agreement of 1959: a mile is 1.609344 km exactly.
KM_IN_A_MILE = Fraction(1_609_344, 1_000_000)


class Distance(models.TextChoices):
    """What distances are counted in."""

    MILES = "mi", "Miles"
    KILOMETRES = "km", "Kilometres"


class MileageRate(Voidable):
    """What a mile or kilometre is worth from a day on, in millionths of a minor unit: 72,500,000 is 72.5 cents."""

    from_on = models.DateField("from")
    unit = models.CharField("for each", max_length=2, choices=Distance.choices, default=Distance.MILES)
    rate_millionths = Millionths("rate")
    source = models.CharField("where it is from", max_length=200)

    class Meta(Voidable.Meta):
        ordering = ["-from_on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("unit", Distance, name="mileage_rate_unit_is_known"),
            models.CheckConstraint(
                name="mileage_rate_not_negative",
                condition=Q(rate_millionths__gte=0),
                violation_error_message="A rate can't be negative.",
            ),
            models.UniqueConstraint(
                name="mileage_rate_once_a_day",
                fields=["from_on"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="There is a rate from that day already. Void it first.",
            ),
        ]

    def __str__(self) -> str:
        return f"Rate from {self.from_on:%Y-%m-%d}"

    def get_absolute_url(self) -> str:
        return reverse("mileage_rates")

    @property
    def cents(self) -> Fraction:
        """Minor units for one of its unit, exact."""
        return Fraction(self.rate_millionths, MILLION)

    def in_words(self, money_of: Currency) -> str:
        """As "$0.725 a mi"."""
        return f"{money_of.sign}{trim_decimal(self.cents / 10**money_of.digits, money_of.digits + 4)} a {self.unit}"


class TripQuerySet(VoidableQuerySet):
    """Many trips."""

    def in_order(self) -> TripQuerySet:
        """As they were driven."""
        return self.order_by("on", "pk")


class Trip(Voidable):
    """A drive in her own vehicle: its distance and why; for some pieces, which share it evenly, or for the shop."""

    on = models.DateField("driven on", default=timezone.localdate)
    distance_millionths = Millionths("distance")
    odometer_from_millionths = Millionths("odometer at the start", null=True, blank=True)
    odometer_to_millionths = Millionths("odometer at the end", null=True, blank=True)
    unit = models.CharField(max_length=2, choices=Distance.choices, default=Distance.MILES)
    purpose = models.CharField("what for", max_length=160)
    pieces = models.ManyToManyField(Piece, blank=True, related_name="trips")

    objects: ClassVar = TripQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["-on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("unit", Distance, name="trip_unit_is_known"),
            models.CheckConstraint(
                name="trip_goes_somewhere",
                condition=Q(distance_millionths__gt=0),
                violation_error_message="Write a distance above zero.",
            ),
            models.CheckConstraint(
                name="trip_follows_its_odometer",
                condition=Q(odometer_from_millionths__isnull=True, odometer_to_millionths__isnull=True)
                | Q(
                    odometer_from_millionths__isnull=False,
                    odometer_to_millionths=F("odometer_from_millionths") + F("distance_millionths"),
                ),
                violation_error_message="The distance is not what the odometer says.",
            ),
        ]

    def __str__(self) -> str:
        return f"Trip of {self.on:%Y-%m-%d}: {self.purpose}"

    def get_absolute_url(self) -> str:
        return reverse("trip", args=[self.pk])

    @property
    def distance(self) -> Fraction:
        """In its own unit, exact."""
        return Fraction(self.distance_millionths, MILLION)

    @property
    def distance_words(self) -> str:
        """As "18.4 mi"."""
        return f"{trim_decimal(self.distance, 2)} {self.unit}"


def _of_rate(rate: MileageRate) -> Iterable[date | None]:
    """A rate counts on every trip from its first day to the next rate's."""
    later = (
        MileageRate.objects.live()
        .filter(from_on__gt=rate.from_on)
        .exclude(pk=rate.pk)
        .order_by("from_on")
        .first()
    )
    driven = Trip.objects.live().filter(on__gte=rate.from_on)
    if later is not None:
        driven = driven.filter(on__lt=later.from_on)
    return list(driven.order_by("on").values_list("on", flat=True)[:1])


money_dates("trip", lambda row: [row.on], column="on", free=("purpose",))
money_dates("mileagerate", _of_rate, column="from_on", free=("source",))


def worth(distance: Fraction, unit: str, *, rate: MileageRate) -> Fraction:
    """A distance at a rate in minor units, exact; miles and kilometres are turned into each other."""
    if unit == rate.unit:
        return distance * rate.cents
    return distance * (KM_IN_A_MILE if unit == Distance.MILES else 1 / KM_IN_A_MILE) * rate.cents


def rate_for(day: date, rates: Sequence[MileageRate]) -> MileageRate | None:
    """The rate of a day: the latest begun by then; None before the first."""
    return max((one for one in rates if one.from_on <= day), key=lambda one: one.from_on, default=None)


@dataclass(frozen=True)
class Posted:
    """A trip with its rate and what it comes to, rounded so that a year's trips add up to their exact total."""

    trip: Trip
    rate: MileageRate | None
    cents: int


def posted_trips() -> list[Posted]:
    """Every live trip as it was driven, with what it is worth, rounded year by year; five queries.

    A closed year keeps the days it was closed with, whatever the shop's year starts on now.
    """
    trips = list(Trip.objects.live().in_order().prefetch_related("pieces"))
    if not trips:
        return []
    rates = list(MileageRate.objects.live())
    shop = Shop.current()
    closes = list(YearClose.objects.shut())

    def year(day: date) -> date:
        for close in closes:
            if close.first <= day < close.end:
                return close.first
        if shop is None:
            return year_of(day)[0]
        return year_of(day, month=shop.year_starts_month, day_of_month=shop.year_starts_day)[0]

    by_year: dict[date, list[Trip]] = defaultdict(list)
    for trip in trips:
        by_year[year(trip.on)].append(trip)
    posted = []
    for own in by_year.values():
        of_day = [rate_for(trip.on, rates) for trip in own]
        exact = [
            worth(trip.distance, trip.unit, rate=rate) if rate else Fraction(0)
            for trip, rate in zip(own, of_day, strict=True)
        ]
        posted += [Posted(*row) for row in zip(own, of_day, running_cents(exact), strict=True)]
    return posted


def shares_of(one: Posted) -> list[tuple[int | None, int]]:
    """What each piece takes of a trip, evenly to the cent; one share of nobody's for a trip without pieces."""
    pieces = sorted(piece.pk for piece in one.trip.pieces.all())
    return (
        list(zip(pieces, split_evenly(one.cents, len(pieces)), strict=True))
        if pieces
        else [(None, one.cents)]
    )


_VEHICLE = re.compile(r"\b(van|truck|trailer|car|fuel|gas|gasoline|petrol|diesel|mileage)\b", re.IGNORECASE)
_VEHICLE_LINE = "9"
_CLAIMED = (Destination.EXPENSE, Destination.TRANSPORT, Destination.HAUL)


def claimed_twice(days: Collection[date]) -> dict[date, list[ReceiptLine]]:
    """Slips of a hired van or fuel on the given days: where a distance is claimed too, one drive may count twice."""
    rows = (
        ReceiptLine.objects.live()
        .filter(receipt__voided_at__isnull=True, receipt__bought_on__in=set(days), destination__in=_CLAIMED)
        .select_related("receipt", "category")
        .order_by("pk")
    )
    found: dict[date, list[ReceiptLine]] = defaultdict(list)
    for row in rows:
        words = f"{row.text} {row.receipt.shop_name} {row.category.name if row.category else ''}"
        # Paid transport on a day with a drive of her own is looked at too: it may be the hire of the van.
        on_the_line = row.category is not None and row.category.tax_line == _VEHICLE_LINE
        if row.destination != Destination.EXPENSE or on_the_line or _VEHICLE.search(words):
            found[row.receipt.bought_on].append(row)
    return dict(found)
