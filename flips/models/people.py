"""The shop itself, its people, what helpers are paid, and the ids that make sending twice harmless."""

from __future__ import annotations

import uuid
from datetime import date, datetime
from typing import Any, ClassVar
from zoneinfo import ZoneInfo, available_timezones

from django.conf import settings
from django.contrib.auth.models import AbstractUser, UserManager
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from estimating.money import BadMoney, Currency, currency
from flips.models.records import Cents, Nanometres, Record, Voidable, not_negative, one_of


class Role(models.TextChoices):
    """What a person may see."""

    OWNER = "owner", "Owner"
    HELPER = "helper", "Helper"


class PersonManager(UserManager["Person"]):
    """Makes people; Django's own way also wants an e-mail address, which nobody here has."""

    def create_user(self, username: str, password: str | None = None, **fields: Any) -> Person:  # type: ignore[override]
        """Somebody new, stored, with a usable password or none."""
        person = self.model(username=self.model.normalize_username(username), **fields)
        person.set_password(password)
        person.save(using=self._db)
        return person

    def create_superuser(self, username: str, password: str | None = None, **fields: Any) -> Person:  # type: ignore[override]
        """An owner, as ``manage.py createsuperuser`` makes one when everybody is locked out."""
        fields.setdefault("name", username)
        return self.create_user(username, password, **(fields | {"role": Role.OWNER}))


class Person(AbstractUser):
    """Somebody who logs in: an owner, who sees everything, or a helper, who sees no money anywhere."""

    role = models.CharField(max_length=10, choices=Role.choices, default=Role.HELPER)
    name = models.CharField("name", max_length=80)

    first_name = None  # type: ignore[assignment]
    last_name = None  # type: ignore[assignment]
    email = None  # type: ignore[assignment]
    REQUIRED_FIELDS: ClassVar[list[str]] = []
    objects: ClassVar[PersonManager] = PersonManager()

    class Meta:
        constraints = [one_of("role", Role, name="person_role_is_known")]
        ordering = ["name", "pk"]

    def __str__(self) -> str:
        return self.name or self.username

    def get_absolute_url(self) -> str:
        return reverse("person", args=[self.pk])

    def get_full_name(self) -> str:
        return str(self)

    def get_short_name(self) -> str:
        return str(self)

    @property
    def is_owner(self) -> bool:
        """Whether money may be shown to this person."""
        return self.is_active and self.role == Role.OWNER


def check_time_zone(name: str) -> None:
    """Refuses a name that is not in the IANA time zone database."""
    if name not in available_timezones():
        raise ValidationError(f"“{name}” is not a time zone I know. Write one like America/Chicago.")


def check_currency(code: str) -> None:
    """Refuses a text that is not shaped like an ISO 4217 code."""
    try:
        currency(code)
    except BadMoney as bad:
        raise ValidationError(str(bad)) from bad


class StockMethod(models.TextChoices):
    """How uses of a material are costed."""

    FIFO = "fifo", "Oldest lot first"
    AVERAGE = "average", "Moving average"


class Paper(models.TextChoices):
    """What the printer holds."""

    LETTER = "letter", "US Letter"
    A4 = "a4", "A4"


class Units(models.TextChoices):
    """How measures are shown, and what a bare number counts in."""

    IMPERIAL = "imperial", "Inches, gallons, pounds"
    METRIC = "metric", "Millimetres, litres, kilograms"


class Shop(Record):
    """The one shop this program keeps: its name, currency, units, time zone and house rules."""

    name = models.CharField(max_length=80)
    currency_code = models.CharField("currency", max_length=3, default="USD", validators=[check_currency])
    units = models.CharField(max_length=10, choices=Units.choices, default=Units.IMPERIAL)
    paper = models.CharField(max_length=10, choices=Paper.choices, default=Paper.LETTER)
    time_zone = models.CharField(max_length=64, default="UTC", validators=[check_time_zone])
    wanted_hourly_cents = Cents("your wanted pay an hour", default=0)
    stock_method = models.CharField(max_length=10, choices=StockMethod.choices, default=StockMethod.FIFO)
    year_starts_month = models.PositiveSmallIntegerField(default=1)
    year_starts_day = models.PositiveSmallIntegerField(default=1)
    offcuts_carry_cost = models.BooleanField(default=True)
    smallest_offcut_nm = Nanometres(default=152_400_000)
    kerf_nm = Nanometres(default=3_175_000)
    only = models.BooleanField(default=True, editable=False, unique=True)

    class Meta:
        constraints = [
            models.CheckConstraint(name="shop_is_the_only_one", condition=Q(only=True)),
            one_of("units", Units, name="shop_units_are_known"),
            one_of("stock_method", StockMethod, name="shop_stock_method_is_known"),
            not_negative(
                "wanted_hourly_cents", "smallest_offcut_nm", "kerf_nm", name="shop_amounts_not_negative"
            ),
            models.CheckConstraint(
                name="shop_year_starts_on_a_day",
                condition=Q(year_starts_month__range=(1, 12), year_starts_day__range=(1, 28)),
                violation_error_message="A year can start on any day from the 1st to the 28th of a month.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("settings")

    @classmethod
    def current(cls) -> Shop | None:
        """The shop, or None before it has been set up."""
        return cls.objects.first()

    @property
    def currency(self) -> Currency:
        """The shop's one currency."""
        return currency(self.currency_code)

    @property
    def zone(self) -> ZoneInfo:
        """The shop's time zone."""
        return ZoneInfo(self.time_zone)

    @property
    def length_unit(self) -> str:
        """What a bare number counts in when a length is typed."""
        return "in" if self.units == Units.IMPERIAL else "mm"

    def day_of(self, instant: datetime) -> date:
        """The local date of an instant."""
        return instant.astimezone(self.zone).date()


class HelperRate(Voidable):
    """What a helper is paid an hour from a day on; the rate of a day is the latest one that started by then."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="rates")
    from_on = models.DateField("from")
    hourly_cents = Cents("pay an hour")

    class Meta(Voidable.Meta):
        ordering = ["person", "-from_on", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            not_negative("hourly_cents", name="helper_rate_not_negative"),
            models.UniqueConstraint(
                name="helper_rate_once_a_day",
                fields=["person", "from_on"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="There is a rate from that day already. Void it first.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person} from {self.from_on}"

    def get_absolute_url(self) -> str:
        return reverse("person", args=[self.person_id])


class Sent(models.Model):
    """A form that was taken: the id its page made, what it said, and the answer it got.

    The same id with the same content gets the same answer and is stored once. The id alone would not do: going
    back in a browser without scripts brings the old id with a new entry, and that one must not be lost.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    sent_id = models.UUIDField()
    digest = models.CharField(max_length=64)
    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.CASCADE, related_name="+"
    )
    answer = models.CharField(max_length=500)
    text = models.CharField(max_length=300, blank=True, default="")
    undo = models.CharField(max_length=300, blank=True, default="")
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [models.UniqueConstraint(name="sent_once", fields=["sent_id", "digest"])]

    def __str__(self) -> str:
        return f"{self.sent_id} → {self.answer}"


def person_named(username: str, **fields: Any) -> Person:
    """A new person with a usable password or none."""
    password = fields.pop("password", None)
    return Person.objects.create_user(username=username, password=password, **fields)
