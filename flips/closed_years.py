"""What she is told when something dated in a closed year was to be changed and no form is there to say so."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.urls import reverse

from flips.access import page_before
from flips.models import ClosedYear


class ClosedYearMiddleware:
    """Answers a refusal that no page caught with a notice where she was; nothing was changed."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, refused: Exception) -> HttpResponse | None:
        """None leaves every other exception alone."""
        if not isinstance(refused, ClosedYear):
            return None
        messages.warning(request, " ".join(refused.messages))
        back = page_before(request) or reverse("bench")
        if getattr(request, "htmx", False):
            answer = HttpResponse(status=204)
            answer["HX-Redirect"] = back
            return answer
        return HttpResponseRedirect(back)
