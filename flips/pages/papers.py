"""The papers of a piece, as PDF."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_GET

from flips.models import Piece
from flips.pages.forms import current_shop
from flips.papers import statements


def pdf(content: bytes, name: str) -> HttpResponse:
    """A PDF the browser shows, under a file name made of plain letters."""
    response = HttpResponse(content, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{slugify(name)[:80] or "paper"}.pdf"'
    return response


@require_GET
def margin_pdf(_request: HttpRequest, piece_id: int) -> HttpResponse:
    """The margin statement; owner only, as every page that says nothing else."""
    piece = get_object_or_404(Piece, pk=piece_id)
    shop = current_shop()
    return pdf(statements.margin_pdf(piece, shop=shop, today=timezone.localdate()), f"margin-{piece.what}")


@require_GET
def sale_sheet_pdf(_request: HttpRequest, piece_id: int) -> HttpResponse:
    """The sale sheet for the buyer."""
    piece = get_object_or_404(Piece, pk=piece_id)
    shop = current_shop()
    return pdf(statements.sale_sheet_pdf(piece, shop=shop, today=timezone.localdate()), f"sale-{piece.what}")


urlpatterns = [
    path("pieces/<int:piece_id>/margin.pdf", margin_pdf, name="margin_pdf"),
    path("pieces/<int:piece_id>/sale-sheet.pdf", sale_sheet_pdf, name="sale_sheet_pdf"),
]
