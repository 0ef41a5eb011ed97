"""The first visit, who works in the shop, and what helpers are paid."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from flips.models import HelperRate, Lot, Person, Piece, Purchase, Receipt, Role, Sale, Shop, TimeEntry
from flips.models.people import person_named
from flips.models.sales import FeeRule

ALREADY_SET_UP = "This shop has been set up already. Log in instead."
LAST_OWNER = "A shop needs an owner who can log in: make somebody else owner first."


@transaction.atomic
def set_up(*, shop: Shop, username: str, password: str, owner_name: str) -> Person:
    """The shop and its first owner, both or neither; refused when there is a shop already."""
    if Shop.current() is not None:
        raise ValidationError(ALREADY_SET_UP)
    owner = _new_person(username=username, password=password, name=owner_name, role=Role.OWNER)
    shop.created_by = owner
    shop._history_user = owner  # type: ignore[attr-defined]
    shop.full_clean(validate_unique=False)
    # Two first visits at once both come this far; the unique rule on the shop lets one of them through.
    shop.save()
    return owner


@transaction.atomic
def add_person(
    *,
    username: str,
    password: str,
    name: str,
    by: Person,
    role: Role = Role.HELPER,
    hourly_cents: int | None = None,
    from_on: date | None = None,
) -> Person:
    """Somebody new who can log in, with a first rate if one is given."""
    person = _new_person(username=username, password=password, name=name, role=role)
    if hourly_cents is not None and from_on is not None:
        add_rate(person, hourly_cents=hourly_cents, from_on=from_on, by=by)
    return person


def _new_person(*, username: str, password: str, name: str, role: Role) -> Person:
    if Person.objects.filter(username__iexact=username).exists():
        raise ValidationError({"username": "That user name is taken."})
    # The row is checked before a password hash fills it: full_clean measures the password column.
    Person(username=username, name=name, role=role, password="-").full_clean()
    return person_named(username, password=password, name=name, role=role)


@transaction.atomic
def add_rate(person: Person, *, hourly_cents: int, from_on: date, by: Person) -> HelperRate:
    """What a helper is paid from a day on; hours before that day keep the rate they had."""
    rate = HelperRate(person=person, hourly_cents=hourly_cents, from_on=from_on, created_by=by)
    rate.full_clean()
    rate.save()
    return rate


@transaction.atomic
def set_active(person: Person, active: bool) -> Person:
    """Lets a person log in or not; what they did stays. The last owner can't be locked out."""
    person = _held(person, still_owner=active)
    person.is_active = active
    person.save(update_fields=["is_active"])
    return person


@transaction.atomic
def set_role(person: Person, role: Role) -> Person:
    """Makes a person owner or helper; the last owner stays one, and nobody's logged hours change their kind."""
    person = _held(person, still_owner=role == Role.OWNER)
    if person.role != role and TimeEntry.objects.filter(person=person).exists():
        # A helper's hours are a cost of the piece and an owner's are not: turning one into the other would
        # rewrite the figures of every piece worked on so far.
        raise ValidationError(
            f"{person} has hours on record, and what they cost depends on the role. "
            f"Add {person} as a new person with another user name instead."
        )
    person.role = role
    person.save(update_fields=["role"])
    return person


def _held(person: Person, *, still_owner: bool) -> Person:
    """The person as stored, locked together with every owner, so that two at once can't remove the last two."""
    owners = set(
        Person.objects.select_for_update()
        .filter(role=Role.OWNER, is_active=True)
        .order_by("pk")
        .values_list("pk", flat=True)
    )
    if not still_owner and owners <= {person.pk}:
        raise ValidationError(LAST_OWNER)
    return Person.objects.select_for_update().get(pk=person.pk)


def has_amounts() -> bool:
    """Whether amounts are on record, so that their currency can't change any more."""
    priced: tuple[Any, ...] = (
        Piece.objects.exclude(asking_cents=None, expected_cents=None, listed_cents=None),
        Purchase.objects.all(),
        Receipt.objects.all(),
        Lot.objects.all(),
        Sale.objects.all(),
        HelperRate.objects.all(),
        FeeRule.objects.all(),
    )
    return any(rows.exists() for rows in priced)
