"""Lots on hand and what is taken from them."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.urls import path
from django.views.decorators.http import require_GET

from flips.access import open_to_helper
from flips.pages.answers import answer


@require_GET
@open_to_helper
def stock(request: HttpRequest, **_: int) -> HttpResponse:
    """The lots on hand."""
    return answer(request, "flips/stock/list.html", {"tab": "stock"})


urlpatterns = [
    path("stock/", stock, name="stock"),
    path("stock/new/", stock, name="lot_new"),
    path("stock/<int:lot_id>/", stock, name="lot"),
    path("uses/<int:use_id>/", stock, name="use"),
    path("pieces/<int:piece_id>/use/", stock, name="use_new"),
    path("pieces/<int:piece_id>/materials/", stock, name="piece_uses"),
]
