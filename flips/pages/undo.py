"""Taking back what was just done, while its note is fresh."""

from __future__ import annotations

from urllib.parse import urlsplit

from django.contrib import messages
from django.core import signing
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.urls import Resolver404, path, resolve, reverse
from django.views.decorators.http import require_POST

from flips.access import open_to_helper, page_before
from flips.actions.undo import CannotUndo, take_back
from flips.pages.answers import UNDO_GRACE_SECONDS, UNDO_SALT, UNDO_SECONDS, message_of

# What a helper enters, and so may take back; everything else shows money or is the owner's to decide.
HELPERS_MAY = {
    "flips.attempt",
    "flips.colourmatch",
    "flips.fault",
    "flips.logentry",
    "flips.part",
    "flips.photo",
    "flips.pieceschedule",
    "flips.reading",
    "flips.removal",
    "flips.roomreading",
    "flips.sawnsheet",
    "flips.schedulestep",
    "flips.stepdone",
    "flips.timeentry",
    "flips.use",
}
TOO_LATE = "Too late to undo: that works for {seconds} seconds. Open the record and void it instead."


@require_POST
@open_to_helper
def undo(request: HttpRequest) -> HttpResponse:
    """Takes back what the signed note names; afterwards she is where she was, told what happened."""
    back = page_before(request) or reverse("bench")
    try:
        verb, model, pk = signing.loads(
            request.POST.get("token", ""), salt=UNDO_SALT, max_age=UNDO_SECONDS + UNDO_GRACE_SECONDS
        )
    except signing.SignatureExpired:
        messages.warning(request, TOO_LATE.format(seconds=UNDO_SECONDS))
        return _to(request, back)
    except (signing.BadSignature, ValueError, TypeError):
        messages.error(request, "That can't be undone.")
        return _to(request, back)
    person = request.user
    if not person.is_owner and model not in HELPERS_MAY:  # type: ignore[union-attr]
        raise PermissionDenied("You can take back only what you entered yourself.")
    try:
        said = take_back(verb, model, pk, by=person)  # type: ignore[arg-type]
    except CannotUndo as refused:
        messages.warning(request, str(refused))
    except ValidationError as refused:
        messages.warning(request, " ".join(refused.messages))
    except IntegrityError as refused:
        messages.warning(request, message_of(refused))
    else:
        messages.success(request, said)
        if verb == "made" and _is_page_of(back, model, pk):
            back = reverse("bench")
    return _to(request, back)


def _is_page_of(back: str, model: str, pk: str) -> bool:
    """Whether a path is a page of the record itself, where there is little to see once it is taken back."""
    try:
        place = resolve(urlsplit(back).path)
    except Resolver404:
        return False
    named = (place.url_name or "").replace("_", "")
    return named.startswith(model.rsplit(".", maxsplit=1)[-1]) and pk in map(str, place.kwargs.values())


def _to(request: HttpRequest, back: str) -> HttpResponse:
    if getattr(request, "htmx", False):
        response = HttpResponse(status=204)
        response["HX-Redirect"] = back
        return response
    return HttpResponseRedirect(back)


urlpatterns = [path("undo/", undo, name="undo")]
