"""Taking back what was just done: each verb names what was done, and knows how to take it back."""

from __future__ import annotations

from collections.abc import Callable

from django.apps import apps
from django.core.exceptions import ObjectDoesNotExist, PermissionDenied
from django.db import models, transaction

from flips.models import Person, Voidable

TakeBack = Callable[[models.Model, Person], str]
_VERBS: dict[str, TakeBack] = {}


def undoable(verb: str) -> Callable[[TakeBack], TakeBack]:
    """Registers how ``verb`` is taken back: a function of the record and the person, answering what to say."""

    def register(take_back: TakeBack) -> TakeBack:
        _VERBS[verb] = take_back
        return take_back

    return register


class CannotUndo(Exception):
    """What was done can't be taken back any more; the message says why."""


def take_back(verb: str, model: str, pk: str, *, by: Person) -> str:
    """Takes ``verb`` on one record back, all or nothing, and answers what to say. Raises CannotUndo."""
    action = _VERBS.get(verb)
    if action is None:
        raise CannotUndo("That can't be taken back.")
    with transaction.atomic():
        try:
            record = apps.get_model(model)._default_manager.select_for_update().get(pk=pk)
        except (LookupError, ValueError, ObjectDoesNotExist):
            raise CannotUndo("That record is gone.") from None
        if not by.is_owner and getattr(record, "created_by_id", None) != by.pk:
            raise PermissionDenied("You can take back only what you entered yourself.")
        return action(record, by)


@undoable("made")
def unmake(record: models.Model, by: Person) -> str:
    """A record that was just made is voided."""
    if not isinstance(record, Voidable):
        raise CannotUndo("That can't be taken back.")
    record.void(by=by, reason="taken back at once")
    return "Taken back."


@undoable("voided")
def unvoid(record: models.Model, _by: Person) -> str:
    """A record that was just voided counts again."""
    if not isinstance(record, Voidable):
        raise CannotUndo("That can't be taken back.")
    record.restore()
    return "It counts again."
