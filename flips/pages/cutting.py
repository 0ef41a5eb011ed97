"""At the saw, phone in hand: the plan drawn, its cuts in order, parts ticked off, sheets posted. No money on any of it."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_GET, require_POST

from estimating import sawing
from flips.access import open_to_helper
from flips.actions import sawing as actions
from flips.models import Piece
from flips.models.estimates import EstimateLine, LineKind, SawnSheet
from flips.pages.answers import Done, answer, go, is_htmx, refused_to, undo_token
from flips.pages.forms import current_shop
from flips.pages.pieces import sections
from flips.papers import estimates as papers

ZOOMS = ("1", "2", "3")


def _lines(piece: Piece) -> list[EstimateLine]:
    """The lines of a piece that have a sawing plan."""
    rows = (
        EstimateLine.objects.live()
        .filter(estimate__piece=piece, estimate__voided_at__isnull=True, kind=LineKind.SHEET)
        .with_sawn()
        .order_by("place", "pk")
    )
    return [row for row in rows if row.layout is not None]


def _line_or_404(line_id: int) -> EstimateLine:
    rows = EstimateLine.objects.live().filter(
        kind=LineKind.SHEET, estimate__voided_at__isnull=True, result__layout__isnull=False
    )
    return get_object_or_404(rows.select_related("estimate__piece"), pk=line_id)


@require_GET
@open_to_helper
def cut_plans(request: HttpRequest, piece_id: int) -> HttpResponse:
    """The sawing plans of a piece."""
    owner = request.user.is_owner  # type: ignore[union-attr]
    piece = get_object_or_404(Piece, pk=piece_id)
    if piece.is_find and not owner:
        raise PermissionDenied("Only the owner sees finds.")
    lines = _lines(piece)
    done = actions.progress(lines)
    for line in lines:
        line.cut_count, line.part_count = done.get(line.pk, (0, 0))  # type: ignore[attr-defined]
        line.sheet_count = len(line.layout["sheets"]) if line.layout else 0  # type: ignore[attr-defined]
    return answer(
        request,
        "flips/cutting/plans.html",
        {"piece": piece, "tabs": sections(piece, "cut_plans", owner=owner), "lines": lines},
    )


def _sheets(line: EstimateLine) -> list[dict[str, Any]]:
    """Each sheet of a plan as its page shows it."""
    shop = current_shop()
    plan = sawing.read(line.layout or {})
    rows = {(row.sheet, row.place): row for row in line.cut_parts.select_related("cut_by")}
    sawn = {row.sheet: row for row in line.sawn.live()}
    sheets = []
    for sheet in plan.sheets:
        parts: list[dict[str, Any]] = [
            {
                "place": placed.place,
                "name": placed.name,
                "size": sawing.part_size(placed, shop.units),
                "turned": placed.turned and sheet.source.has_grain,
                "row": rows.get((sheet.number, placed.place)),
            }
            for placed in sheet.placed
        ]
        own = [row for (number, _), row in rows.items() if number == sheet.number]
        cut = {row.place for row in own if row.is_cut}
        sheets.append(
            {
                "sheet": sheet,
                "size": sawing.size_words(sheet.length, sheet.width, shop.units),
                "drawing": sawing.drawn(sheet, shop.units),
                "parts": parts,
                "cut": cut,
                "cuts": [(one.number, sawing.cut_words(one, sheet, shop.units)) for one in sheet.cuts],
                "offcuts": [sawing.size_words(one.length, one.width, shop.units) for one in sheet.offcuts],
                "sawn": sawn.get(sheet.number),
                "void_id": f"unsaw-{sheet.number}",
            }
        )
    return sheets


@require_GET
@open_to_helper
def cutting(request: HttpRequest, line_id: int) -> HttpResponse:
    """One plan, sheet by sheet."""
    line = _line_or_404(line_id)
    owner = request.user.is_owner  # type: ignore[union-attr]
    if line.estimate.piece.is_find and not owner:
        raise PermissionDenied("Only the owner sees finds.")
    return answer(request, "flips/cutting/plan.html", _page(request, line))


def _page(request: HttpRequest, line: EstimateLine) -> dict[str, Any]:
    sheets = _sheets(line)
    zoom = request.GET.get("zoom", "1")
    plan = sawing.read(line.layout or {})
    parts = sum(len(one["parts"]) for one in sheets)
    return {
        "line": line,
        "piece": line.estimate.piece,
        "sheets": sheets,
        "kerf": sawing.exactly(plan.kerf, current_shop().units),
        "part_count": parts,
        "cut_count": sum(len(one["cut"]) for one in sheets),
        "has_grain": any(one["sheet"].source.has_grain for one in sheets),
        "zoom": zoom if zoom in ZOOMS else "1",
        "zooms": ZOOMS,
        "left_out": line.left_out,
    }


@require_POST
@open_to_helper
def cut_tick(request: HttpRequest, line_id: int) -> HttpResponse:
    """Ticks a part off, or on again; may be sent twice, the answer is the same."""
    line = _line_or_404(line_id)
    sheet, _, place = request.POST.get("part", "").partition("-")
    number = int(sheet) if sheet.isdigit() else 0
    back = f"{reverse('cutting', args=[line.pk])}#sheet-{number}"
    if number and place.isdigit():
        is_cut = request.POST.get("cut") == "1"
        try:
            actions.tick(line, by=request.user, sheet=number, place=int(place), is_cut=is_cut)  # type: ignore[arg-type]
        except ValidationError as refused:
            return refused_to(request, back, refused)
    if is_htmx(request):
        page = _page(request, line)
        one = next((sheet for sheet in page["sheets"] if sheet["sheet"].number == number), None)
        if one is not None:
            return answer(request, "flips/cutting/_ticked.html", {**page, "one": one})
    return go(request, Done(back))


@require_POST
@open_to_helper
def cut_saw(request: HttpRequest, line_id: int) -> HttpResponse:
    """Posts one sheet as sawn: used on the piece, offcuts into stock; a second time says so and posts nothing."""
    line = _line_or_404(line_id)
    number = request.POST.get("sheet", "")
    back = reverse("cutting", args=[line.pk])
    if not number.isdigit():
        return go(request, Done(back, "Say which sheet."))
    back = f"{back}#sheet-{number}"
    try:
        done = actions.saw(line, int(number), by=request.user)  # type: ignore[arg-type]
    except ValidationError as refused:
        return refused_to(request, back, refused)
    kept = done.offcuts.count()
    said = f"Sheet {number} is posted"
    if kept:
        said += f", {kept} offcut{'s' if kept > 1 else ''} put into stock"
    return go(request, Done(back, f"{said}.", undo_token("sawn", done)))


@require_POST
def cut_unsaw(request: HttpRequest, sawn_id: int) -> HttpResponse:
    """Takes a posted sheet back."""
    done = get_object_or_404(SawnSheet.objects.select_related("line"), pk=sawn_id)
    back = f"{reverse('cutting', args=[done.line_id])}#sheet-{done.sheet}"
    try:
        actions.unsaw(done, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return refused_to(request, back, refused)
    return go(request, Done(back, f"Sheet {done.sheet} is on hand again, and its offcuts are out of stock."))


@require_GET
@open_to_helper
def cut_sheet_pdf(request: HttpRequest, line_id: int) -> HttpResponse:
    """The cut sheet on paper: one sheet a page, nothing about money."""
    line = _line_or_404(line_id)
    owner = request.user.is_owner  # type: ignore[union-attr]
    if line.estimate.piece.is_find and not owner:
        raise PermissionDenied("Only the owner sees finds.")
    cut = set(line.cut_parts.filter(cut_at__isnull=False).values_list("sheet", "place"))
    content = papers.cut_sheet_pdf(line, shop=current_shop(), today=timezone.localdate(), cut=cut)
    response = HttpResponse(content, content_type="application/pdf")
    name = slugify(f"{line.estimate.piece.what} {line.words}")[:60] or line.pk
    response["Content-Disposition"] = f'inline; filename="cut-sheet-{name}.pdf"'
    return response


urlpatterns = [
    path("pieces/<int:piece_id>/cutting/", cut_plans, name="cut_plans"),
    path("cutting/<int:line_id>/", cutting, name="cutting"),
    path("cutting/<int:line_id>/tick/", cut_tick, name="cut_tick"),
    path("cutting/<int:line_id>/saw/", cut_saw, name="cut_saw"),
    path("cutting/<int:line_id>/cut-sheet.pdf", cut_sheet_pdf, name="cut_sheet_pdf"),
    path("cutting/sawn/<int:sawn_id>/void/", cut_unsaw, name="cut_unsaw"),
]
