"""Receipts: the photo now, the lines later."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.urls import path
from django.views.decorators.http import require_GET

from flips.pages.answers import answer


@require_GET
def receipts(request: HttpRequest, **_: int) -> HttpResponse:
    """The inbox."""
    return answer(request, "flips/receipts/list.html", {"tab": "money"})


urlpatterns = [
    path("receipts/", receipts, name="receipts"),
    path("receipts/new/", receipts, name="receipt_new"),
    path("receipts/<int:receipt_id>/", receipts, name="receipt"),
]
