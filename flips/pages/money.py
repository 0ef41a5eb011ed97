"""Money: where the shop stands this year, and the way to receipts, sales and the year review."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_GET

from flips.books import year_figures, year_of
from flips.models import Sale
from flips.models.facts import shop_facts
from flips.pages.answers import answer
from flips.pages.forms import current_shop
from flips.templatetags.shop import as_hours


@require_GET
def money(request: HttpRequest) -> HttpResponse:
    """The year so far in a few figures, each with a way to its lines."""
    shop = current_shop()
    first, end = year_of(
        timezone.localdate(), month=shop.year_starts_month, day_of_month=shop.year_starts_day
    )
    lines, hours = shop_facts(zone=shop.zone)
    year = year_figures(
        lines, first=first, end=end, hours=hours, target_rate_cents=shop.wanted_hourly_cents or None
    )
    strip = [
        {"label": "Revenue", "cents": year.revenue},
        {"label": "Selling costs", "cents": year.selling_total},
        {"label": "Cost of sales", "cents": year.cost_of_sales},
        {"label": "Margin", "cents": year.margin, "main": True},
        {"label": "Expenses", "cents": year.expenses_total},
        {"label": "Failed attempts", "cents": year.failed_attempts},
        {"label": "Your hours", "text": as_hours(year.owner_minutes)},
        {"label": "Hourly", "cents": year.hourly, "text": "–"},
        {"label": "In stock", "cents": year.closing_stock, "note": "pieces and materials at cost"},
    ]
    return answer(
        request,
        "flips/money/money.html",
        {
            "first": first,
            "strip": strip,
            "unpaid": Sale.objects.live().filter(paid_on__isnull=True).count(),
        },
    )


urlpatterns = [path("money/", money, name="money")]
