"""Finishing products as the shop has them: figures with their sources, the shop's own, cans, cautions.

Every finishing page lives on this floor: each answers, keeps and opens to helpers in the shop's one way, and the
floors below may not know of it. What the pages say is worked out below, in ``finishes``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from finishes.cautions import CAUTIONS, ORDER, Caution, cautions_for_product
from finishes.facts import Fact, Range
from finishes.measures import trim_decimal
from finishes.models import FIGURES, UNIT_WORDS, CanFigure, OwnCan, ShopShelf, shop_shelf, slug_of
from finishes.products import H_CODES_SOURCE, Product, Verdict, shipped_shelf
from flips.access import open_to_helper
from flips.actions import finishing
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status
from flips.pages.forms import RecordForm, forms
from flips.pages.step_forms import ROLE_WORDS, typed_into


def figure_words(value: Fact | Range) -> str:
    """A figure as a page shows it: "2 to 3 coats", "6 hours"."""
    unit = UNIT_WORDS.get(value.unit, value.unit)
    if isinstance(value, Fact):
        also = f" ({trim_decimal(value.value * 9 / 5 + 32, 0)} °F)" if value.unit == "C" else ""
        return f"{trim_decimal(value.value, 2)} {unit}{also}"
    low, high = trim_decimal(value.low, 2), trim_decimal(value.high, 2)
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


@dataclass(frozen=True)
class Row:
    """One figure of a product: what it is, what counts, where it is from, and what it was shipped as."""

    name: str
    label: str
    value: Fact | Range | None
    typed: CanFigure | None
    shipped: Fact | Range | None

    @property
    def words(self) -> str:
        """What counts."""
        return figure_words(self.value) if self.value else "not known"

    @property
    def shipped_words(self) -> str:
        """What it was shipped as."""
        return figure_words(self.shipped) if self.shipped else "nothing"


def rows_of(product: Product, base: Product, typed: dict[str, CanFigure]) -> list[Row]:
    """Every figure a product can have, those known first in the order of the fields."""
    return [
        Row(name, kind.label, getattr(product, name), typed.get(name), getattr(base, name))
        for name, kind in FIGURES.items()
    ]


@require_GET
@open_to_helper
def products(request: HttpRequest) -> HttpResponse:
    """Every product by what it is for: the shop's cans first, then the generic types."""
    shelf = shop_shelf()
    words = request.GET.get("q", "").replace("\x00", "").strip()[:60].lower()

    def wanted(product: Product) -> bool:
        text = " ".join((product.name, *product.also, product.family)).lower()
        return all(word in text for word in words.split())

    groups = [
        (
            title,
            [
                {
                    "product": product,
                    "href": reverse("product", args=[slug_of(product)]),
                    "own": len(shelf.own_figures(shipped=product.name)),
                }
                for product in shelf.shipped.values()
                if product.role == role and wanted(product)
            ],
        )
        for role, title in ROLE_WORDS.items()
    ]
    cans = [can for can in shelf.cans if can.pk in shelf.own and wanted(shelf.own[can.pk])]
    return answer(
        request,
        "finishes/products.html",
        {"groups": [(t, rows) for t, rows in groups if rows], "cans": cans, "words": words, "tab": "more"},
    )


def _page(
    request: HttpRequest, shelf: ShopShelf, product: Product, base: Product, **more: Any
) -> HttpResponse:
    typed = dict(shelf.own_figures(**more["key"]))
    rows = rows_of(product, base, typed)
    verdicts = shelf.shelf.may_go_over(product.family)
    return answer(
        request,
        "finishes/product.html",
        {
            "product": product,
            "known": [row for row in rows if row.value is not None],
            "unknown": [row for row in rows if row.value is None],
            "cautions": cautions_for_product(product),
            "over": _by_answer(verdicts),
            "under": _by_answer(_what_goes_over(shelf, product)),
            "h_codes_source": H_CODES_SOURCE,
            "tab": "more",
            **more,
        },
    )


ANSWERS = {
    "yes": "Goes on at once",
    "wait": "After a longer wait",
    "caution": "With care",
    "no": "Does not hold",
}


def _what_goes_over(shelf: ShopShelf, product: Product) -> list[tuple[str, Verdict]]:
    families = dict.fromkeys(one.family for one in shelf.shipped.values())
    return [(family, shelf.shelf.over(product.family, family)) for family in families]


def _by_answer(verdicts: Any) -> list[tuple[str, list[tuple[str, Verdict]]]]:
    rows: dict[str, list[tuple[str, Verdict]]] = {key: [] for key in ANSWERS}
    for name, verdict in verdicts:
        rows[verdict.answer].append((name, verdict))
    return [(ANSWERS[key], found) for key, found in rows.items() if found]


def _base(name: str) -> Product:
    return next(product for product in shipped_shelf().products if product.name == name)


@require_GET
@open_to_helper
def product(request: HttpRequest, slug: str) -> HttpResponse:
    """One generic type: every figure with its source, the shop's own in place of it, what it goes over."""
    shelf = shop_shelf()
    shown = shelf.by_slug(slug)
    if shown is None:
        raise Http404("There is no product of that name.")
    return _page(
        request,
        shelf,
        shown,
        _base(shown.name),
        key={"shipped": shown.name},
        edit_base=reverse("product", args=[slug]),
        cans=[can for can in shelf.cans if can.kind == shown.name and not can.retired],
    )


class FigureForm(forms.Form):
    """One figure as it stands on the can."""

    low = forms.CharField(
        label="As on my can", max_length=30, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    high = forms.CharField(
        label="to", max_length=30, required=False, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    unit = forms.ChoiceField(label="Unit")
    reason = forms.CharField(
        label="Where it stands, or why", max_length=200, help_text="Like: label, front, bought in March."
    )

    def __init__(self, *args: Any, figure: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kind = FIGURES[figure]
        self.fields["unit"].choices = [(unit, UNIT_WORDS.get(unit, unit)) for unit in kind.units]  # type: ignore[attr-defined]
        if not kind.is_range:
            del self.fields["high"]

    def columns(self) -> dict[str, str]:
        """As a row takes them."""
        typed = self.cleaned_data
        return {
            "low_text": typed["low"],
            "high_text": typed.get("high", ""),
            "unit": typed["unit"],
            "reason": typed["reason"],
        }


def _figure_page(
    request: HttpRequest, *, figure: str, shown: Product, base: Product, key: dict[str, Any], back: str
) -> HttpResponse:
    if figure not in FIGURES:
        raise Http404("There is no such figure.")
    row = CanFigure.objects.filter(**({"own": None, "shipped": ""} | key), figure=figure).first()
    first: dict[str, Any] = {}
    if row is not None:
        first = {"low": row.low_text, "high": row.high_text, "unit": row.unit, "reason": row.reason}
    elif value := getattr(base, figure):
        first = {"unit": value.unit}
    form = FigureForm(request.POST or None, figure=figure, initial=first)
    if request.method == "POST" and form.is_valid():
        high = "high" if "high" in form.fields else "low"
        with refusals_on(form), typed_into(low_text="low", high_text=high):
            finishing.set_figure(by=request.user, figure=figure, **key, **form.columns())  # type: ignore[arg-type]
        if not form.errors:
            return go(request, Done(back, "Kept, as on your can."))
    shipped = getattr(base, figure)
    return answer(
        request,
        "finishes/figure.html",
        {
            "form": form,
            "product": shown,
            "label": FIGURES[figure].label,
            "shipped": figure_words(shipped) if shipped else "",
            "source": shipped.label if shipped else "",
            "row": row,
            "back": back,
            "figure": figure,
            "clear_url": f"{back}figures/{figure}/clear/",
            "tab": "more",
        },
        status=refused_status(form),
    )


@require_http_methods(["GET", "POST"])
def product_figure(request: HttpRequest, slug: str, figure: str) -> HttpResponse:
    """Types in a figure of a generic type as on the shop's can."""
    shown = shop_shelf().by_slug(slug)
    if shown is None:
        raise Http404("There is no product of that name.")
    return _figure_page(
        request,
        figure=figure,
        shown=shown,
        base=_base(shown.name),
        key={"shipped": shown.name},
        back=reverse("product", args=[slug]),
    )


@require_POST
def product_figure_clear(request: HttpRequest, slug: str, figure: str) -> HttpResponse:
    """Goes back to the shipped figure."""
    shown = shop_shelf().by_slug(slug)
    if shown is None:
        raise Http404("There is no product of that name.")
    finishing.clear_figure(figure=figure, shipped=shown.name)
    return go(request, Done(reverse("product", args=[slug]), "Back to the shipped figure."))


# ---- the shop's own cans -----------------------------------------------------------------------------------


def _kinds() -> list[tuple[str, Any]]:
    shelf = shipped_shelf()
    return [
        (title, [(p.name, p.name) for p in shelf.products if p.role == role])
        for role, title in ROLE_WORDS.items()
    ]


class CanForm(forms.Form):
    """A new can."""

    name = forms.CharField(label="What it says on the can", max_length=120)
    kind = forms.ChoiceField(
        label="Generic type", choices=_kinds, help_text="Its figures hold until you type your own."
    )
    stock_name = forms.CharField(
        label="Its name in stock, if another",
        max_length=120,
        required=False,
        widget=forms.TextInput(attrs={"list": "finish-lots"}),
    )
    note = forms.CharField(label="Note", max_length=200, required=False)


class CanEditForm(RecordForm):
    """Corrects a can."""

    class Meta:
        model = OwnCan
        fields = ["name", "kind", "stock_name", "note", "retired"]
        widgets = {"stock_name": forms.TextInput(attrs={"list": "finish-lots"})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"] = forms.ChoiceField(label="Generic type", choices=_kinds())


def _lot_names() -> list[str]:
    from flips.models import Lot, StockKind

    rows = Lot.objects.live().filter(kind=StockKind.FINISH).order_by("name")
    return list(rows.values_list("name", flat=True).distinct()[:60])


@require_http_methods(["GET", "POST"])
def own_can_new(request: HttpRequest) -> HttpResponse:
    """Adds a can of the shop's own."""
    form = CanForm(request.POST or None, initial={"kind": request.GET.get("kind")})
    if request.method == "POST" and form.is_valid():

        def add() -> Done:
            can = finishing.new_can(by=request.user, **form.cleaned_data)  # type: ignore[arg-type]
            return Done(can.get_absolute_url(), "On the shelf. Now type what the label says.")

        if done := once(request, form, add):
            return done
    return answer(
        request,
        "finishes/can_new.html",
        {"form": form, "lots": _lot_names(), "tab": "more"},
        status=refused_status(form),
    )


def _own(can_id: int) -> tuple[ShopShelf, OwnCan, Product]:
    shelf = shop_shelf()
    can = get_object_or_404(OwnCan, pk=can_id)
    if can.pk not in shelf.own:
        raise Http404("Its generic type is not known any more.")
    return shelf, can, shelf.own[can.pk]


@require_GET
@open_to_helper
def own_can(request: HttpRequest, can_id: int) -> HttpResponse:
    """One can of the shop's own, with its figures."""
    shelf, can, shown = _own(can_id)
    return _page(
        request,
        shelf,
        shown,
        shelf.shipped[can.kind],
        key={"own": can.pk},
        edit_base=reverse("own_can", args=[can.pk]),
        can=can,
        kind_url=reverse("product", args=[slug_of(shelf.shipped[can.kind])]),
    )


@require_http_methods(["GET", "POST"])
def own_can_edit(request: HttpRequest, can_id: int) -> HttpResponse:
    """Corrects a can, or puts it away."""
    can = get_object_or_404(OwnCan, pk=can_id)
    form = CanEditForm(request.POST or None, instance=can)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.save()
        if not form.errors:
            return go(request, Done(can.get_absolute_url(), "Saved."))
    return answer(
        request,
        "finishes/can_edit.html",
        {"form": form, "can": can, "lots": _lot_names(), "tab": "more"},
        status=refused_status(form),
    )


@require_http_methods(["GET", "POST"])
def own_can_figure(request: HttpRequest, can_id: int, figure: str) -> HttpResponse:
    """Types in a figure of a can."""
    shelf, can, shown = _own(can_id)
    return _figure_page(
        request,
        figure=figure,
        shown=shown,
        base=shelf.shipped[can.kind],
        key={"own": can},
        back=reverse("own_can", args=[can.pk]),
    )


@require_POST
def own_can_figure_clear(request: HttpRequest, can_id: int, figure: str) -> HttpResponse:
    """Goes back to the figure of the generic type."""
    _, can, _ = _own(can_id)
    finishing.clear_figure(figure=figure, own=can)
    return go(request, Done(reverse("own_can", args=[can.pk]), "Back to the figure of its type."))


# ---- cautions ----------------------------------------------------------------------------------------------


@require_GET
@open_to_helper
def cautions(request: HttpRequest) -> HttpResponse:
    """Every caution, the gravest first."""
    found: list[Caution] = [CAUTIONS[code] for code in ORDER]
    return answer(request, "finishes/cautions.html", {"cautions": found, "tab": "more"})


urlpatterns = [
    path("products/", products, name="products"),
    path("products/cautions/", cautions, name="cautions"),
    path("products/own/new/", own_can_new, name="own_can_new"),
    path("products/own/<int:can_id>/", own_can, name="own_can"),
    path("products/own/<int:can_id>/edit/", own_can_edit, name="own_can_edit"),
    path("products/own/<int:can_id>/figures/<slug:figure>/", own_can_figure, name="own_can_figure"),
    path(
        "products/own/<int:can_id>/figures/<slug:figure>/clear/",
        own_can_figure_clear,
        name="own_can_figure_clear",
    ),
    path("products/type/<slug:slug>/", product, name="product"),
    path("products/type/<slug:slug>/figures/<slug:figure>/", product_figure, name="product_figure"),
    path(
        "products/type/<slug:slug>/figures/<slug:figure>/clear/",
        product_figure_clear,
        name="product_figure_clear",
    ),
]
