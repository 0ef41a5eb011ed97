"""How pages answer: a fragment or a page, once only, with an undo, and refusals in plain words."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.core import signing
from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.db import IntegrityError, models, transaction
from django.forms import BaseForm
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render

from flips.models import Sent

UNDO_SALT = "undo"
# She sees ten seconds; a slow phone gets a little more before the token lapses.
UNDO_SECONDS = 10
UNDO_GRACE_SECONDS = 20


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
    """Shows what the records refuse at the form: by its field, or at the top when the form hides that field."""
    try:
        with transaction.atomic():
            yield
    except ValidationError as refused:
        if hasattr(refused, "error_dict"):
            for field, errors in refused.error_dict.items():
                for error in errors:
                    form.add_error(field if field in form.fields else None, error)
        else:
            form.add_error(None, refused)
    except IntegrityError as refused:
        # Two requests at once can both pass validation; the constraint decides, and its message is shown.
        form.add_error(None, ValidationError(_message_of(refused), code=NON_FIELD_ERRORS))


def _message_of(refused: IntegrityError) -> str:
    from django.apps import apps

    text = str(refused)
    for model in apps.get_models():
        for constraint in model._meta.constraints:
            if constraint.name in text:
                return str(constraint.get_violation_error_message())
    return "That can't be stored: it contradicts another record. Look at the page again, then retry."


def once(request: HttpRequest, form: BaseForm | None, do: Callable[[], Done]) -> HttpResponse | None:
    """Runs ``do`` at most once for the same form content, and answers the same when it is sent again.

    Returns None when the records refused (the form then carries the reason); the caller shows the form again.
    """
    sent_id, digest = sent_id_of(request), _digest(request)
    result: Done | None = None
    with refusals_on(form) if form is not None else transaction.atomic():
        # On SQLite this transaction is the only writer; on PostgreSQL the unique rule lets one of two through.
        result = _answer_before(sent_id, digest)
        if result is None:
            result = do()
            Sent.objects.create(
                sent_id=sent_id,
                digest=digest,
                person=request.user if request.user.is_authenticated else None,
                answer=result.to,
                text=result.text,
                undo=result.undo,
            )
    if form is not None and form.errors:
        result = _answer_before(sent_id, digest)
    return _go(request, result) if result is not None else None


def _answer_before(sent_id: uuid.UUID, digest: str) -> Done | None:
    before = Sent.objects.filter(sent_id=sent_id, digest=digest).first()
    return Done(before.answer, before.text, before.undo) if before is not None else None


def go(request: HttpRequest, result: Done) -> HttpResponse:
    """Answers an action that may safely be repeated (an edit, a void): go there, say what was done."""
    return _go(request, result)


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


NOT_CONTENT = {"csrfmiddlewaretoken", "sent_id"}


def _digest(request: HttpRequest) -> str:
    """A fingerprint of who sent what where, files included."""
    seal = hashlib.sha256(f"{request.user.pk}\n{request.path}\n".encode())
    for key in sorted(set(request.POST) - NOT_CONTENT):
        for value in request.POST.getlist(key):
            seal.update(f"{key}={value}\n".encode("utf-8", "surrogatepass"))
    for key in sorted(request.FILES):
        for file in request.FILES.getlist(key):
            seal.update(f"{key}:{file.size}\n".encode())
            for chunk in file.chunks():
                seal.update(chunk)
            file.seek(0)
    return seal.hexdigest()
