"""One shopping list over all pieces, by shop."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from flips.actions import shopping as actions
from flips.models.shopping import shopping
from flips.pages.answers import Done, answer, go, refused_to
from flips.pages.forms import current_shop
from flips.papers import estimates as papers


@require_GET
def shopping_page(request: HttpRequest) -> HttpResponse:
    """What is to be bought, with what is in hand taken off."""
    groups = shopping(current_shop())
    rows = [row for group in groups for row in group.rows]
    still = [row.cents for row in rows if not row.is_bought]
    return answer(
        request,
        "flips/shopping/list.html",
        {
            "tab": "stock",
            "groups": groups,
            "count": len(still),
            "total": None if None in still else sum(cents for cents in still if cents is not None),
            "known": sum(cents or 0 for cents in still),
            "bought": sum(1 for row in rows if row.is_bought),
        },
    )


@require_POST
def shopping_tick(request: HttpRequest) -> HttpResponse:
    """Ticks a row as bought, or not bought after all; sending it twice changes nothing."""
    key = request.POST.get("key", "")
    back = reverse("shopping")
    try:
        if request.POST.get("bought") == "1":
            actions.tick(key, by=request.user, shop=current_shop())  # type: ignore[arg-type]
            return go(request, Done(back, "Ticked. Enter the receipt, and it becomes stock."))
        actions.untick(key, by=request.user)  # type: ignore[arg-type]
    except ValidationError as refused:
        return refused_to(request, back, refused)
    return go(request, Done(back))


@require_GET
def shopping_pdf(request: HttpRequest) -> HttpResponse:
    """The list on paper."""
    shop = request.shop  # type: ignore[attr-defined]
    content = papers.shopping_pdf(shopping(shop), shop=shop, today=timezone.localdate())
    response = HttpResponse(content, content_type="application/pdf")
    response["Content-Disposition"] = 'inline; filename="shopping-list.pdf"'
    return response


urlpatterns = [
    path("shopping/", shopping_page, name="shopping"),
    path("shopping/tick/", shopping_tick, name="shopping_tick"),
    path("shopping/list.pdf", shopping_pdf, name="shopping_pdf"),
]
