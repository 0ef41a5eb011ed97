"""The years of the shop: how each came out, every figure with its lines, closing and reopening, and how figures are made."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from django.core.paginator import Page, Paginator
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import path, register_converter, reverse
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_GET, require_http_methods

from flips.actions.closing import close_year, reopen_year
from flips.books import Hours, Trace
from flips.models import Piece, YearClose
from flips.models.facts import figures_of, piece_facts
from flips.models.people import Shop
from flips.models.review import Books, Review, ShopYear, before_closing, review
from flips.models.sources import (
    PART_KEYS,
    PIECE_LABELS,
    Part,
    Place,
    hours_of,
    part_of,
    piece_cents,
    piece_traces,
    places_of,
    standing,
    traces_of,
)
from flips.pages.answers import Done, answer, go, refusals_on, refused_status
from flips.pages.charts import Bar, columns, rows
from flips.pages.forms import current_shop, forms
from flips.pages.papers import pdf
from flips.papers.pack import pack_size, write_pack
from flips.papers.year_pdf import review_pdf
from flips.papers.year_statement import ADDS_UP, COMPOSED, cents_of, label_of, statement
from flips.templatetags.shop import as_percent
from flips.wording import hours_words, money_words

ON_A_PAGE = 100
TAX_PERIODS = ((1, "Month by month"), (3, "Quarter by quarter"), (12, "The whole year"))


class DayConverter:
    """A day in an address, as 2025-04-01."""

    regex = r"\d{4}-\d{2}-\d{2}"

    def to_python(self, value: str) -> date:
        return date.fromisoformat(value)

    def to_url(self, value: date | str) -> str:
        return value if isinstance(value, str) else value.isoformat()


register_converter(DayConverter, "day")


def read_books() -> Books:
    """The shop's books as they stand."""
    return Books.read(current_shop(), today=timezone.localdate())


COMPARED = (
    ("Revenue", "revenue"),
    ("Selling costs", "selling_total"),
    ("Cost of sales", "cost_of_sales"),
    ("Margin", "margin"),
    ("Expenses", "expenses_total"),
    ("Profit", "profit"),
    ("Pay an hour", "pay_an_hour"),
    ("Failed attempts", "failed_attempts"),
    ("Closing stock", "closing_stock"),
)


@require_GET
def years(request: HttpRequest) -> HttpResponse:
    """Every year with its state, and the last few side by side."""
    books, shop = read_books(), current_shop()
    latest = books.years[-4:]
    figures = [books.figures(year) for year in latest]
    table = [
        (label, [(getattr(one, name), year, name) for one, year in zip(figures, latest, strict=True)])
        for label, name in COMPARED
    ]
    chart = columns(
        "compare",
        title="Revenue and margin by year",
        text="; ".join(
            f"{year}: revenue {money_words(one.revenue, shop.currency)}, margin {money_words(one.margin, shop.currency)}"
            for year, one in zip(latest, figures, strict=True)
        ),
        bars=[
            Bar(str(year.last.year), one.revenue, "", one.margin)
            for year, one in zip(latest, figures, strict=True)
        ],
    )
    return answer(
        request,
        "flips/years/years.html",
        {
            "tab": "money",
            "years": books.years[::-1],
            "latest": latest,
            "table": table,
            "minutes": [(one.owner_minutes, year) for one, year in zip(figures, latest, strict=True)],
            "chart": chart,
            "today": books.today,
            "reopened": YearClose.objects.exclude(reopened_at=None).select_related("reopened_by"),
        },
    )


def _year_of(books: Books, first: date) -> ShopYear:
    year = books.year(first)
    if year not in books.years:
        raise Http404("The shop has nothing in that year.")
    return year


def _page(request: HttpRequest, rows: Sequence[Any]) -> Page[Any]:
    return Paginator(rows, ON_A_PAGE).get_page(request.GET.get("page"))


def _figure_url(year: ShopYear, figure: str) -> str:
    return reverse("year_figure", args=[year.first, figure])


@require_GET
def year(request: HttpRequest, first: date) -> HttpResponse:
    """The review of a year; any of its days leads to it."""
    books, shop = read_books(), current_shop()
    shown = _year_of(books, first)
    if shown.first != first:
        return redirect("year", shown.first)
    asked = request.GET.get("tax", "3")
    months = int(asked) if asked in {str(length) for length, _ in TAX_PERIODS} else 3
    read = review(books, shown, tax_months=months)
    sections = [
        {
            "title": section.title,
            "note": section.note,
            "rows": [
                {"row": row, "href": _figure_url(shown, row.figure) if row.figure else ""}
                for row in section.rows
            ],
        }
        for section in statement(read, shop=shop)
    ]
    return answer(
        request,
        "flips/years/year.html",
        {
            "tab": "money",
            "year": shown,
            "review": read,
            "figures": read.figures,
            "sections": sections,
            "charts": _charts(read, shop),
            "before": books.before(shown),
            "after": books.after(shown),
            "is_over": shown.is_over(books.today),
            "periods": [
                {"url": f"?tax={length}#tax", "text": text, "current": length == months}
                for length, text in TAX_PERIODS
            ],
            "groups": [
                ("kind", "By kind", read.by_kind),
                ("place", "By place bought", read.by_place),
                ("channel", "By channel", read.by_channel),
            ],
            "offenders": _traced(
                [
                    Trace(problem.line, problem.line.cents, problem.reason)
                    for problem in read.figures.offenders[:50]
                ]
            ),
            "problems": _traced(
                [
                    Trace(problem.line, problem.line.cents, problem.reason)
                    for problem in read.figures.problems[:50]
                ]
            ),
        },
    )


def _charts(read: Review, shop: Shop) -> dict[str, Any]:
    """The pictures of a year; the same figures stand in the tables behind them."""
    where = [("Cost of sales", read.figures.cost_of_sales)]
    where += [(row.name[:1].upper() + row.name[1:], row.cents) for row in [*read.selling, *read.expenses]]
    where.sort(key=lambda row: -row[1])
    return {
        "months": columns(
            "months",
            title="Revenue and margin month by month",
            text="; ".join(
                f"{month.first:%b %Y}: revenue {money_words(month.revenue, shop.currency)}, margin {money_words(month.margin, shop.currency)}"
                for month in read.months
            ),
            bars=[Bar(f"{month.first:%b}"[:3], month.revenue, "", month.margin) for month in read.months],
        ),
        "where": rows(
            "where",
            title="Where the money went",
            text="; ".join(f"{name}: {money_words(cents, shop.currency)}" for name, cents in where),
            bars=[Bar(name, cents, money_words(cents, shop.currency)) for name, cents in where if cents][:12],
        ),
        "where_rows": where,
        "kinds": rows(
            "kinds",
            title="Margin by kind",
            text="; ".join(
                f"{group.name}: {money_words(group.margin, shop.currency)}" for group in read.by_kind
            ),
            bars=[
                Bar(group.name, group.margin, money_words(group.margin, shop.currency))
                for group in read.by_kind
            ][:12],
        ),
    }


def _traced(traces: Sequence[Trace]) -> list[dict[str, Any]]:
    """Lines as a page shows them: with their record, their slip and their piece."""
    places = places_of(trace.line for trace in traces)
    pieces = Piece.objects.in_bulk(
        [int(trace.line.piece) for trace in traces if trace.line.piece is not None]
    )
    found = []
    for trace in traces:
        line = trace.line
        found.append(
            {
                "on": line.on,
                "text": trace.text[:1].upper() + trace.text[1:],
                "note": line.note,
                "cents": trace.cents,
                "piece": pieces.get(int(line.piece)) if line.piece is not None else None,
                "place": places.get(
                    (line.source[0], int(line.source[1])) if line.source[0] else ("", 0), Place("", "")
                ),
                "failed": line.failed,
                "basis": line.kind.value == "price" and trace.text.startswith("basis"),
            }
        )
    return found


@require_GET
def year_figure(request: HttpRequest, first: date, figure: str) -> HttpResponse:
    """The lines a figure is made of; they add up to it."""
    books = read_books()
    shown = _year_of(books, first)
    figures = books.figures(shown)
    asked = [(key, value) for key in PART_KEYS for value in request.GET.getlist(key)]
    if asked or figure.startswith(("form/", "trips/")):
        if len(asked) > 1:
            raise Http404("A figure is shown for one part of the year at a time.")
        key, value = asked[0] if asked else ("", "")
        try:
            part = part_of(books, shown, figures, figure=figure, key=key, value=value)
        except KeyError:
            raise Http404("There is no figure of that name.") from None
        return _part(request, shown, part)
    try:
        label = label_of(figure)
        amount = cents_of(figures, figure)
    except (KeyError, AttributeError):
        if figure != "tax":
            raise Http404("There is no figure of that name.") from None
        label, amount = "Sales tax", None
    context: dict[str, Any] = {
        "tab": "money",
        "year": shown,
        "figure": figure,
        "label": label,
        "cents": amount,
    }
    if figure in COMPOSED:
        parts = COMPOSED[figure][1]
        context["parts"] = [
            {
                "label": label_of(part),
                "cents": cents_of(figures, part),
                "text": hours_words(figures.owner_minutes) if part == "owner_minutes" else "",
                "sign": "−" if sign < 0 else "",
                "href": _figure_url(shown, part),
            }
            for part, sign in parts
        ]
        context["adds_up"] = figure in ADDS_UP
        if figure == "margin_percent":
            percent = figures.margin_percent
            context["percent_shown"] = as_percent(None if percent is None else percent / 100)
        return answer(request, "flips/years/composed.html", context)
    if figure in ("stock_at_start", "closing_stock"):
        stock = figures.stock_at_start if figure == "stock_at_start" else figures.stock_at_end
        return answer(
            request, "flips/years/standing.html", context | {"page_obj": _page(request, standing(stock))}
        )
    if figure.endswith("_minutes"):
        spells = hours_of(books, shown, figure)
        page = _page(request, spells)
        return answer(
            request,
            "flips/years/hours.html",
            context
            | {
                "page_obj": page,
                "rows": _spells(list(page)),
                "minutes": sum(s.minutes for s in spells),
            },
        )
    try:
        traces = traces_of(books, shown, figures, figure)
    except (KeyError, ValueError):
        raise Http404("There is no figure of that name.") from None
    page = _page(request, traces)
    return answer(
        request,
        "flips/years/lines.html",
        context
        | {
            "page_obj": page,
            "rows": _traced(list(page)),
            "total": sum(trace.cents for trace in traces),
        },
    )


def _part(request: HttpRequest, year: ShopYear, part: Part) -> HttpResponse:
    context: dict[str, Any] = {"tab": "money", "year": year, "label": part.words}
    if part.spells is not None:
        page = _page(request, part.spells)
        context |= {"rows": _spells(list(page)), "minutes": sum(spell.minutes for spell in part.spells)}
        return answer(request, "flips/years/hours.html", context | {"page_obj": page})
    page = _page(request, part.traces)
    total = sum(trace.cents for trace in part.traces)
    context |= {"rows": _traced(list(page)), "cents": total, "total": total}
    return answer(request, "flips/years/lines.html", context | {"page_obj": page})


def _spells(spells: Sequence[Hours]) -> list[dict[str, Any]]:
    pieces = Piece.objects.in_bulk([int(spell.piece) for spell in spells if spell.piece is not None])
    return [
        {
            "on": spell.on,
            "minutes": spell.minutes,
            "note": spell.note,
            "failed": spell.failed,
            "piece": pieces.get(int(spell.piece)) if spell.piece is not None else None,
            "href": reverse("time_entry", args=[spell.source[1]]),
        }
        for spell in spells
    ]


@require_GET
def piece_figure(request: HttpRequest, piece_id: int, figure: str) -> HttpResponse:
    """The lines behind a figure of one piece."""
    shown = get_object_or_404(Piece, pk=piece_id)
    shop = current_shop()
    figures = figures_of([shown.pk], shop=shop).get(shown.pk)
    if figures is None or (figure not in PIECE_LABELS and not figure.startswith("selling_costs/")):
        raise Http404("There is no figure of that name.")
    context: dict[str, Any] = {
        "tab": "bench",
        "piece": shown,
        "label": PIECE_LABELS.get(figure, figure.partition("/")[2].capitalize()),
    }
    if figure == "owner_minutes":
        spells = [spell for spell in piece_facts([shown.pk], zone=shop.zone)[1] if not spell.helper]
        page = _page(request, spells)
        return answer(
            request,
            "flips/years/hours.html",
            context | {"page_obj": page, "rows": _spells(list(page)), "minutes": figures.owner_minutes},
        )
    try:
        traces = piece_traces(figures, figure)
    except (KeyError, ValueError):
        raise Http404("There is no figure of that name.") from None
    page = _page(request, traces)
    return answer(
        request,
        "flips/years/lines.html",
        context
        | {
            "page_obj": page,
            "rows": _traced(list(page)),
            "total": sum(trace.cents for trace in traces),
            "cents": None if figure.startswith("selling_costs/") else piece_cents(figures, figure),
            "minutes": figures.owner_minutes if figure in ("hourly", "after_wages") else None,
        },
    )


class CloseForm(forms.Form):
    """A remark for later."""

    note = forms.CharField(label="Note", max_length=200, required=False)


class ReopenForm(forms.Form):
    """Why a year is reopened."""

    note = forms.CharField(label="Why is it reopened?", max_length=200)


@require_http_methods(["GET", "POST"])
def year_close(request: HttpRequest, first: date) -> HttpResponse:
    """What to look at before a year is closed, and the closing itself."""
    books = read_books()
    shown = _year_of(books, first)
    if shown.close is not None:
        return redirect("year", shown.first)
    form = CloseForm(request.POST or None)
    figures = books.figures(shown)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            close = close_year(
                shown.first,
                by=request.user,  # type: ignore[arg-type]
                today=books.today,
                note=form.cleaned_data["note"],
            )
        if not form.errors:
            return go(request, Done(reverse("year", args=[shown.first]), f"{close} is closed."))
    todo = before_closing(books, shown, figures)
    return answer(
        request,
        "flips/years/close.html",
        {
            "tab": "money",
            "year": shown,
            "figures": figures,
            "todo": todo,
            "stopped": any(one.stops for one in todo),
            "form": form,
        },
        status=refused_status(form),
    )


@require_http_methods(["GET", "POST"])
def year_reopen(request: HttpRequest, first: date) -> HttpResponse:
    """Opens a closed year again, with a note."""
    books = read_books()
    shown = _year_of(books, first)
    if shown.close is None:
        return redirect("year", shown.first)
    form = ReopenForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            reopen_year(shown.close, by=request.user, note=form.cleaned_data["note"])  # type: ignore[arg-type]
        if not form.errors:
            return go(request, Done(reverse("year", args=[shown.first]), f"{shown} is open again."))
    return answer(
        request,
        "flips/years/reopen.html",
        {"tab": "money", "year": shown, "form": form},
        status=refused_status(form),
    )


@require_GET
def year_pdf(_: HttpRequest, first: date) -> HttpResponse:
    """The review on paper."""
    books, shop = read_books(), current_shop()
    shown = _year_of(books, first)
    return pdf(review_pdf(review(books, shown), shop=shop, today=books.today), f"review-{shown}")


@require_GET
def year_pack(request: HttpRequest, first: date) -> HttpResponse:
    """What is in the accountant's pack and how large it will be, before it is made."""
    books = read_books()
    shown = _year_of(books, first)
    photos, size = pack_size(books, shown)
    return answer(
        request,
        "flips/years/pack.html",
        {"tab": "money", "year": shown, "photos": photos, "size": size, "seconds": 5 + size // 20_000_000},
    )


@require_GET
def year_pack_file(_: HttpRequest, first: date) -> FileResponse:
    """The pack itself: written to a file on disk and sent from there, so that photos never fill the memory."""
    books, shop = read_books(), current_shop()
    shown = _year_of(books, first)
    file = write_pack(books, shown, shop=shop)
    name = f"{slugify(shop.name)[:40] or 'shop'}-{slugify(str(shown))}.zip"
    return FileResponse(file, as_attachment=True, filename=name, content_type="application/zip")


@require_GET
def how(request: HttpRequest) -> HttpResponse:
    """The rules every figure follows, in plain words."""
    return answer(request, "flips/years/how.html", {"tab": "money"})


urlpatterns = [
    path("money/years/", years, name="years"),
    path("money/years/<day:first>/", year, name="year"),
    path("money/years/<day:first>/figures/<path:figure>/", year_figure, name="year_figure"),
    path("money/years/<day:first>/close/", year_close, name="year_close"),
    path("money/years/<day:first>/reopen/", year_reopen, name="year_reopen"),
    path("money/years/<day:first>/review.pdf", year_pdf, name="year_pdf"),
    path("money/years/<day:first>/pack/", year_pack, name="year_pack"),
    path("money/years/<day:first>/pack.zip", year_pack_file, name="year_pack_file"),
    path("money/how/", how, name="how_figures_are_made"),
    path("pieces/<int:piece_id>/figures/<path:figure>/", piece_figure, name="piece_figure"),
]
