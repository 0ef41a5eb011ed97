"""Who may see what: one rule, deny by default.

Every view is for the owner alone unless it says otherwise with ``open_to_helper`` (any signed-in person) or
``open_to_all`` (nobody needs to sign in). The middleware asks each view before it runs, so a new page that says
nothing is closed to helpers and strangers.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum
from typing import Any
from urllib.parse import urlencode, urlsplit

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.urls import reverse

View = Callable[..., HttpResponseBase]


class Audience(Enum):
    """Whom a view is for."""

    OWNER = "owner"
    HELPER = "helper"
    ALL = "all"


def open_to_helper(view: View) -> View:
    """Marks a view as fit for helpers too: it shows no money, whoever asks."""
    view.audience = Audience.HELPER  # type: ignore[attr-defined]
    return view


def open_to_all(view: View) -> View:
    """Marks a view that needs no log-in."""
    view.audience = Audience.ALL  # type: ignore[attr-defined]
    return view


def audience_of(view: View) -> Audience:
    """Whom a view is for; the owner when it says nothing."""
    named = getattr(view, "audience", None) or getattr(getattr(view, "view_class", None), "audience", None)
    return named if isinstance(named, Audience) else Audience.OWNER


class AccessMiddleware:
    """Turns away whoever a view is not for, before it runs."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: View, _args: Any, _kwargs: Any) -> HttpResponse | None:
        """None lets the view run."""
        audience = audience_of(view)
        if audience is Audience.ALL:
            return None
        person = request.user
        if not person.is_authenticated:
            return _to_log_in(request)
        if audience is Audience.HELPER or getattr(person, "is_owner", False):
            return None
        raise PermissionDenied("Only the owner sees this page.")


def _to_log_in(request: HttpRequest) -> HttpResponse:
    """To the log-in, and from there back to the page she was on; a form that was sent cannot be sent again."""
    is_htmx = request.headers.get("HX-Request") == "true"
    if request.method in ("GET", "HEAD") and not is_htmx:
        back = request.get_full_path()
    else:
        back = page_before(request)
    target = reverse("log_in")
    if back not in ("", "/"):
        target = f"{target}?{urlencode({'next': back})}"
    if is_htmx:
        answer = HttpResponse(status=401)
        answer["HX-Redirect"] = target
        return answer
    return HttpResponseRedirect(target)


def page_before(request: HttpRequest) -> str:
    """The path of the page of this program that sent the request, or "" when the browser does not say."""
    named = request.headers.get("HX-Current-URL") or request.headers.get("Referer") or ""
    try:
        parts = urlsplit(named)
    except ValueError:
        return ""
    if parts.netloc != request.get_host() or not parts.path.startswith("/") or parts.path.startswith("//"):
        return ""
    return f"{parts.path}?{parts.query}" if parts.query else parts.path
