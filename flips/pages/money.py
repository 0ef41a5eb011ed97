"""Money: where the shop stands this year, and the way to everything that has to do with it."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import NoReverseMatch, path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET

from flips.models import Receipt, Sale
from flips.models.review import Books
from flips.pages.answers import answer
from flips.pages.forms import current_shop
from flips.pages.more import Link
from flips.templatetags.shop import as_hours

# What is not there yet in this shop's program is left out.
GROUPS: tuple[tuple[str, tuple[Link, ...]], ...] = (
    (
        "Every day",
        (
            Link("receipts", "Receipts", "receipt", "Photo now, lines later"),
            Link("sales", "Sales", "hand-coins"),
            Link("payments", "Deposits and payments", "banknote"),
            Link("trips", "Trips", "route", "Distance at the rate of the day"),
            Link("comparables", "Prices seen elsewhere", "scale"),
        ),
    ),
    (
        "The year",
        (
            Link("years", "Years", "calendar-range", "Review, accountant’s pack, closing"),
            Link("taxes", "Tax", "percent", "Schemes by date, tax held and paid over"),
            Link("how_figures_are_made", "How the figures are made", "circle-question-mark"),
        ),
    ),
    (
        "Starting with what is there",
        (
            Link("opening", "Pieces, stock and hours from before", "package-open"),
            Link(
                "imports", "From a spreadsheet", "file-up", "With a preview, and an undo of just that import"
            ),
        ),
    ),
)


@require_GET
def money(request: HttpRequest) -> HttpResponse:
    """The year so far in a few figures, each with a way to its lines."""
    books = Books.read(current_shop(), today=timezone.localdate())
    present = books.present
    year = books.figures(present)
    strip: list[dict[str, Any]] = [
        {"label": "Revenue", "cents": year.revenue, "figure": "revenue"},
        {"label": "Selling costs", "cents": year.selling_total, "figure": "selling_total"},
        {"label": "Cost of sales", "cents": year.cost_of_sales, "figure": "cost_of_sales"},
        {"label": "Margin", "cents": year.margin, "main": True, "figure": "margin"},
        {"label": "Expenses", "cents": year.expenses_total, "figure": "expenses_total"},
        {"label": "Failed attempts", "cents": year.failed_attempts, "figure": "failed_attempts"},
        {"label": "Your hours", "text": as_hours(year.owner_minutes), "figure": "owner_minutes"},
        {"label": "Hourly", "cents": year.hourly, "text": "–", "figure": "hourly"},
        {
            "label": "In stock",
            "cents": year.closing_stock,
            "note": "pieces and materials at cost",
            "figure": "closing_stock",
        },
    ]
    for one in strip:
        one["href"] = reverse("year_figure", args=[present.first, one["figure"]])
    before = books.before(present)
    return answer(
        request,
        "flips/money/money.html",
        {
            "year": present,
            "strip": strip,
            "to_close": before if before is not None and not before.is_closed else None,
            "groups": [(title, _open(links)) for title, links in GROUPS],
            "unpaid": Sale.objects.live().filter(paid_on__isnull=True).count(),
            "waiting": Receipt.objects.waiting().count(),
        },
    )


def _open(links: tuple[Link, ...]) -> list[tuple[Link, str]]:
    found = []
    for link in links:
        try:
            found.append((link, reverse(link.route)))
        except NoReverseMatch:
            continue
    return found


urlpatterns = [path("money/", money, name="money")]
