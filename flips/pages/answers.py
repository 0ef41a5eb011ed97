"""How pages answer: a fragment or a page, once only, with an undo, and refusals in plain words."""

from __future__ import annotations

import hashlib
import json
import re
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.contrib import messages
from django.core import signing
from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction
from django.forms import BaseForm
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from simple_history.models import HistoricalRecords

from flips.models import ClosedYear, Sent

UNDO_SALT = "undo"
# She sees ten seconds, longer while her finger or the keyboard is on it: the token outlasts what is shown.
UNDO_SECONDS = 10
UNDO_GRACE_SECONDS = 110


def is_htmx(request: HttpRequest) -> bool:
    """Whether htmx asked for a fragment."""
    return bool(getattr(request, "htmx", False)) and not request.htmx.boosted  # type: ignore[attr-defined]


def answer(
    request: HttpRequest, template: str, context: Mapping[str, Any] | None = None, *, status: int = 200
) -> HttpResponse:
    """Renders a page or fragment; 422 is for a form that was refused."""
    return render(request, template, dict(context or {}), status=status)


@dataclass(frozen=True)
class Done:
    """What a taken form leads to: where to go, what to say, and how to take it back."""

    to: str
    text: str = ""
    undo: str = ""


def undo_token(verb: str, record: models.Model) -> str:
    """A signed note for taking back ``verb`` on ``record`` (see ``flips.actions.undo``)."""
    return signing.dumps([verb, record._meta.label_lower, str(record.pk)], salt=UNDO_SALT)


@contextmanager
def refusals_on(form: BaseForm) -> Iterator[None]:
    """Shows what the records refuse at the form: by its field, or at the top when the form hides that field.

    What was done inside is undone then. Look at ``form.errors`` afterwards rather than answering from inside: the
    database may refuse only at the very end.
    """
    try:
        with transaction.atomic():
            yield
    except ValidationError as refused:
        if isinstance(refused, ClosedYear) and _owner_is_looking():
            form.closed_year = refused  # type: ignore[attr-defined]
        if hasattr(refused, "error_dict"):
            for field, errors in refused.error_dict.items():
                for error in errors:
                    form.add_error(_field_of(form, field), error)
        else:
            form.add_error(None, refused)
    except IntegrityError as refused:
        # Two requests at once can both pass validation; the constraint decides, and its message is shown.
        form.add_error(None, ValidationError(message_of(refused)))


def _owner_is_looking() -> bool:
    """Whether the present request is an owner's; forms render themselves and are not told."""
    request = getattr(HistoricalRecords.context, "request", None)
    return bool(getattr(getattr(request, "user", None), "is_owner", False))


def _field_of(form: BaseForm, column: str) -> str | None:
    """The field that a column is typed into: forms say "price" where the column says "price_cents"."""
    for name in (
        column,
        column.removesuffix("_cents"),
        column.removesuffix("_nm"),
        column.removesuffix("_hundredths"),
    ):
        if name in form.fields:
            return name
    return None


CONTRADICTION = "That can't be stored: it contradicts another record. Look at the page again, then retry."
_SQLITE_UNIQUE = re.compile(r"UNIQUE constraint failed: (\w+\.\w+(?:, \w+\.\w+)*)")
_POSTGRES_UNIQUE = re.compile(r'Key \(("?\w+"?(?:, "?\w+"?)*)\)')


def message_of(refused: IntegrityError) -> str:
    """What a broken rule of the database says in plain words."""
    text = str(refused)
    named = [
        (rule, model)
        for model in apps.get_models()
        for rule in model._meta.constraints
        if re.search(rf"\b{re.escape(rule.name)}\b", text)
    ]
    # SQLite names a broken rule by its columns, unless it is a check.
    if not named and (found := _SQLITE_UNIQUE.search(text)):
        table = found[1].split(".")[0]
        columns = {column.split(".")[1] for column in found[1].split(", ")}
        for model in apps.get_models():
            if model._meta.db_table != table:
                continue
            column_of = {field.name: field.column for field in model._meta.concrete_fields}
            for rule in model._meta.constraints:
                if isinstance(rule, models.UniqueConstraint) and columns == {
                    column_of[name] for name in rule.fields
                }:
                    named.append((rule, model))
    for rule, _ in named:
        # Django's own words name the rule, which says nothing to her.
        if rule.violation_error_message != rule.default_violation_error_message:
            return str(rule.violation_error_message)
    if (found := _SQLITE_UNIQUE.search(text) or _POSTGRES_UNIQUE.search(text)) and not named:
        field = found[1].split(", ")[-1].rsplit(".", 1)[-1].strip('"').replace("_", " ")
        return f"There is another one with the same {field} already."
    return CONTRADICTION


def once(request: HttpRequest, form: BaseForm | None, do: Callable[[], Done]) -> HttpResponse | None:
    """Runs ``do`` at most once for the same form content, and answers the same when it is sent again.

    Returns None when the records refused (the form then carries the reason); the caller shows the form again.
    Without a form, what the records refuse is raised.
    """
    sent_id, digest = sent_id_of(request), _digest(request)

    def do_once() -> Done:
        # On SQLite this transaction is the only writer; on PostgreSQL the unique rule lets one of two through.
        before = _answer_before(sent_id, digest)
        if before is not None:
            return before
        done = do()
        Sent.objects.create(
            sent_id=sent_id,
            digest=digest,
            person=request.user if request.user.is_authenticated else None,
            answer=done.to,
            text=done.text,
            undo=done.undo,
        )
        return done

    result: Done | None = None
    if form is None:
        try:
            with transaction.atomic():
                result = do_once()
        except (ValidationError, IntegrityError):
            # The other of two at once may have got through just now, and then this is no refusal.
            result = _answer_before(sent_id, digest)
            if result is None:
                raise
    else:
        with refusals_on(form):
            result = do_once()
        if form.errors:
            result = _answer_before(sent_id, digest)
    return _go(request, result) if result is not None else None


def _answer_before(sent_id: uuid.UUID, digest: str) -> Done | None:
    before = Sent.objects.filter(sent_id=sent_id, digest=digest).first()
    return Done(before.answer, before.text, before.undo) if before is not None else None


def go(request: HttpRequest, result: Done) -> HttpResponse:
    """Answers an action that may safely be repeated (an edit, a void): go there, say what was done."""
    return _go(request, result)


def refused_to(request: HttpRequest, to: str, refused: ValidationError) -> HttpResponse:
    """Answers a press of a button that the records refuse: back to where she was, told why."""
    messages.warning(request, " ".join(refused.messages))
    return _go(request, Done(to))


def _go(request: HttpRequest, result: Done) -> HttpResponse:
    if result.text:
        messages.success(request, result.text, extra_tags=result.undo)
    if getattr(request, "htmx", False):
        response = HttpResponse(status=204)
        response["HX-Redirect"] = result.to
        return response
    return HttpResponseRedirect(result.to)


def sent_id_of(request: HttpRequest) -> uuid.UUID:
    """The id the form's page made; a new one when there is none or it is no UUID."""
    try:
        return uuid.UUID(request.POST.get("sent_id", ""))
    except ValueError:
        return uuid.uuid4()


def refused_status(form: BaseForm) -> int:
    """The status for showing a form: 200 untouched, 409 when somebody else changed the record, 422 refused."""
    if not form.is_bound or not form.errors:
        return 200
    return 409 if getattr(form, "changed_meanwhile", False) else 422


# A password leaves no trace in the records, not even as part of a fingerprint.
NOT_CONTENT = ("csrfmiddlewaretoken", "sent_id", "password")


def _digest(request: HttpRequest) -> str:
    """A fingerprint of who sent what where, files included."""
    typed = [
        (key, request.POST.getlist(key)) for key in sorted(request.POST) if not key.startswith(NOT_CONTENT)
    ]
    seal = hashlib.sha256(json.dumps([request.user.pk, request.get_full_path(), typed]).encode())
    for key in sorted(request.FILES):
        for file in request.FILES.getlist(key):
            seal.update(f"\n{key}:{file.size}\n".encode())
            for chunk in file.chunks():
                seal.update(chunk)
            file.seek(0)
    return seal.hexdigest()
