"""Starting mid-life: what the shop had before its books began, by hand or from a spreadsheet."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from estimating.money import Money
from flips.actions import imports, opening
from flips.models import Import, ImportKind, Lot, Origin, Person, Piece, Purchase, Role, Stage, StockKind
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import (
    DayField,
    MoneyField,
    QuantityField,
    current_shop,
    forms,
)
from flips.spreadsheets import LARGEST
from flips.templatetags.shop import as_hours, as_quantity

ON_A_PAGE = 50
SHOWN_ROWS = 40


class TimeField(forms.CharField):
    """Typed time of any length as whole minutes; a bare number counts hours."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "text", "autocomplete": "off"}))
        kwargs.setdefault("help_text", "Hours, or like 12:30 or 90 min.")
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> Any:
        text = super().to_python(value)
        if not text:
            return None
        try:
            return imports.read_time(text, hours=True)
        except ValueError as bad:
            raise ValidationError(str(bad)) from bad

    def run_validators(self, value: Any) -> None:
        """Nothing: the validators of a text would measure the minutes."""


class OpeningPieceForm(forms.Form):
    """A piece owned before the books began."""

    what = forms.CharField(label="What is it?", max_length=120)
    basis = MoneyField(
        label="What it has cost so far", help_text="Price, parts and materials together; not your own hours."
    )
    on = DayField(label="Counts from", help_text="The day these books begin for it.")
    stage = forms.ChoiceField(
        label="Where it stands",
        choices=[(stage.value, stage.label) for stage in opening.STAGES],
        widget=forms.RadioSelect,
        initial=Stage.BOUGHT,
    )
    time = TimeField(label="Your hours on it so far", required=False)
    kind = forms.CharField(label="Kind", max_length=60, required=False)
    place = forms.CharField(label="Where it was bought", max_length=120, required=False)
    asked = MoneyField(label="Price you ask", required=False)
    note = forms.CharField(label="Note", widget=forms.Textarea(attrs={"rows": 2}), required=False)


class OpeningLotForm(forms.Form):
    """Material on hand before the books began."""

    name = forms.CharField(label="Material", max_length=120)
    quantity = QuantityField(label="How much is left")
    unit = forms.CharField(label="Counted in", max_length=20, initial="piece")
    cost = MoneyField(label="What the rest of it had cost")
    on = DayField(label="Counts from")
    kind = forms.ChoiceField(
        label="Kind",
        choices=[choice for choice in StockKind.choices if choice[0] != StockKind.OFFCUT],
        initial=StockKind.OTHER,
    )
    place = forms.CharField(label="Where it stands", max_length=80, required=False)


class OpeningHoursForm(forms.Form):
    """Hours worked before the books began."""

    person = forms.ModelChoiceField(label="Whose hours", queryset=Person.objects.none())
    piece = forms.ModelChoiceField(label="On which piece", queryset=Piece.objects.none(), required=False)
    time = TimeField(label="How long")
    on = DayField(label="Counts on")
    note = forms.CharField(label="What for", max_length=200, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["person"].queryset = Person.objects.filter(is_active=True)  # type: ignore[attr-defined]
        owned = Piece.objects.live().exclude(stage__in=(Stage.SEEN, Stage.PASSED)).order_by("-pk")
        self.fields["piece"].queryset = owned  # type: ignore[attr-defined]


@require_GET
def opening_page(request: HttpRequest) -> HttpResponse:
    """What has been brought in so far, and the ways to bring in more."""
    purchases = Purchase.objects.live().filter(opening=True).prefetch_related("shares__piece").order_by("-pk")
    lots = Lot.objects.live().filter(origin=Origin.OPENING).order_by("-pk")
    sums = {
        "pieces": purchases.aggregate(sum=Sum("price_cents"))["sum"] or 0,
        "lots": lots.aggregate(sum=Sum("cost_cents"))["sum"] or 0,
    }
    return answer(
        request,
        "flips/opening/opening.html",
        {"tab": "money", "purchases": purchases[:ON_A_PAGE], "lots": lots[:ON_A_PAGE], "sums": sums},
    )


def _begin() -> dict[str, Any]:
    """The day that was given the last time something was brought in, else today."""
    last = Purchase.objects.live().filter(opening=True).order_by("-pk").first()
    return {"on": last.bought_on if last else timezone.localdate()}


@require_http_methods(["GET", "POST"])
def opening_piece(request: HttpRequest) -> HttpResponse:
    """Brings in a piece."""
    form = OpeningPieceForm(request.POST or None, initial=_begin() | {"stage": Stage.BOUGHT})
    if request.method == "POST" and form.is_valid():

        def do() -> Done:
            typed = form.cleaned_data
            piece = opening.bring_in_piece(
                by=request.user,  # type: ignore[arg-type]
                what=typed["what"],
                basis_cents=typed["basis"],
                on=typed["on"],
                stage=typed["stage"],
                minutes=typed["time"] or 0,
                kind=typed["kind"],
                place=typed["place"],
                listed_cents=typed["asked"],
                note=typed["note"],
            )
            return Done(reverse("opening"), f"“{piece}” is in the books.")

        if done := once(request, form, do):
            return done
    return _form(request, form, "A piece from before", ("what", "basis", "on", "stage", "time"))


@require_http_methods(["GET", "POST"])
def opening_lot(request: HttpRequest) -> HttpResponse:
    """Brings in material on hand."""
    form = OpeningLotForm(request.POST or None, initial=_begin() | {"unit": "piece", "kind": StockKind.OTHER})
    if request.method == "POST" and form.is_valid():

        def do() -> Done:
            typed = form.cleaned_data
            lot = opening.bring_in_lot(
                by=request.user,  # type: ignore[arg-type]
                name=typed["name"],
                cost_cents=typed["cost"],
                on=typed["on"],
                quantity_millionths=typed["quantity"],
                unit=typed["unit"],
                kind=typed["kind"],
                place=typed["place"],
            )
            return Done(reverse("opening"), f"“{lot}” is in the books.", undo_token("lot_made", lot))

        if done := once(request, form, do):
            return done
    return _form(request, form, "Stock from before", ("name", "quantity", "unit", "cost", "on"))


@require_http_methods(["GET", "POST"])
def opening_hours(request: HttpRequest) -> HttpResponse:
    """Brings in hours."""
    owner = Person.objects.filter(is_active=True, role=Role.OWNER).order_by("pk").first()
    form = OpeningHoursForm(request.POST or None, initial=_begin() | {"person": owner})
    if request.method == "POST" and form.is_valid():

        def do() -> Done:
            typed = form.cleaned_data
            opening.bring_in_hours(
                by=request.user,  # type: ignore[arg-type]
                person=typed["person"],
                minutes=typed["time"],
                on=typed["on"],
                piece=typed["piece"],
                note=typed["note"] or "from before",
            )
            return Done(reverse("opening"), "The hours are in the books.")

        if done := once(request, form, do):
            return done
    return _form(request, form, "Hours from before", ("person", "piece", "time", "on"))


def _form(request: HttpRequest, form: forms.Form, title: str, first: tuple[str, ...]) -> HttpResponse:
    return answer(
        request,
        "flips/opening/form.html",
        {
            "tab": "money",
            "form": form,
            "title": title,
            "first": [form[name] for name in first],
            "more": [form[name] for name in form.fields if name not in first],
        },
        status=refused_status(form),
    )


# From a spreadsheet


class ImportForm(forms.Form):
    """The file and what its rows are."""

    kind = forms.ChoiceField(
        label="What the rows are",
        choices=ImportKind.choices,
        widget=forms.RadioSelect,
        initial=ImportKind.PIECES,
    )
    file = forms.FileField(
        label="CSV file",
        help_text="From a spreadsheet: Save as, CSV. Headings in the first line; up to 500 rows at a time.",
        widget=forms.FileInput(attrs={"accept": ".csv,.tsv,.txt,text/csv,text/plain"}),
    )
    begins_on = DayField(
        label="These books begin on",
        required=False,
        help_text="What was bought before that day comes in as stock at the start. Leave it empty to take every row on its own day.",
    )

    def clean_file(self) -> Any:
        file = self.cleaned_data["file"]
        if file.size > LARGEST:
            raise ValidationError("That file is larger than 2 MB. Split it.")
        return file


@require_http_methods(["GET", "POST"])
def import_list(request: HttpRequest) -> HttpResponse:
    """Every import with its undo, and a new one."""
    form = ImportForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():

        def do() -> Done:
            typed = form.cleaned_data
            draft = imports.start_import(
                by=request.user,  # type: ignore[arg-type]
                kind=typed["kind"],
                file_name=typed["file"].name or "",
                data=typed["file"].read(),
                begins_on=typed["begins_on"],
            )
            return Done(draft.get_absolute_url())

        if done := once(request, form, do):
            return done
    page = Paginator(Import.objects.select_related("created_by"), ON_A_PAGE).get_page(request.GET.get("page"))
    return answer(
        request,
        "flips/opening/imports.html",
        {"tab": "money", "form": form, "page_obj": page},
        status=refused_status(form),
    )


DAY_ORDERS = (("no", "3/31/2025: month first"), ("yes", "31/3/2025: day first"))
SIGNS = (("", "As each amount says"), ("no", "1,234.50: decimal point"), ("yes", "1.234,50: decimal comma"))


class ColumnsForm(forms.Form):
    """Which column is which."""

    day_first = forms.ChoiceField(label="Dates", choices=DAY_ORDERS)
    decimal_comma = forms.ChoiceField(label="Amounts", choices=SIGNS, required=False)
    begins_on = DayField(label="These books begin on", required=False)

    def __init__(self, *args: Any, draft: Import, read: imports.Preview, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.kinds = imports.FIELDS[draft.kind]
        columns = [("", "Not in the table")]
        columns += [
            (str(place), f"{head}: {', '.join(cells)}"[:80] if cells else head)
            for place, (head, cells) in enumerate(read.samples)
        ]
        for one in self.kinds:
            self.fields[f"is_{one.name}"] = forms.ChoiceField(
                label=one.label,
                choices=columns,
                required=one.needed,
                initial=str(read.columns.get(one.name, "")),
            )

    def columns(self) -> dict[str, int]:
        """Field by field, the place of its column."""
        chosen = {one.name: self.cleaned_data.get(f"is_{one.name}", "") for one in self.kinds}
        return {name: int(place) for name, place in chosen.items() if place != ""}

    def fields_of_table(self) -> list[Any]:
        """The bound fields of the columns."""
        return [self[f"is_{one.name}"] for one in self.kinds]


_YES_NO: dict[str, bool | None] = {"yes": True, "no": False, "": None}


@require_http_methods(["GET", "POST"])
def import_page(request: HttpRequest, import_id: int) -> HttpResponse:
    """A draft with its columns and preview, or what a carried-out import made."""
    shown = get_object_or_404(Import, pk=import_id)
    if shown.is_done or shown.is_void:
        rows = Paginator(shown.imported.all(), ON_A_PAGE).get_page(request.GET.get("page"))
        for row in rows:
            row.href = _made_url(row.made)  # type: ignore[attr-defined]
        return answer(
            request, "flips/opening/import_done.html", {"tab": "money", "import": shown, "page_obj": rows}
        )
    read = imports.preview(shown)
    says = {True: "yes", False: "no", None: ""}
    form = ColumnsForm(
        request.POST or None,
        draft=shown,
        read=read,
        initial={
            "day_first": says[shown.day_first],
            "decimal_comma": says[shown.decimal_comma],
            "begins_on": shown.begins_on,
        },
    )
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            imports.match_columns(
                shown,
                columns=form.columns(),
                day_first=form.cleaned_data["day_first"] == "yes",
                decimal_comma=_YES_NO[form.cleaned_data["decimal_comma"]],
                begins_on=form.cleaned_data["begins_on"],
            )
        if not form.errors:
            return go(request, Done(shown.get_absolute_url() + "#preview"))
    return answer(
        request,
        "flips/opening/import.html",
        {
            "tab": "money",
            "import": shown,
            "form": form,
            "read": read,
            "wrong": read.wrong[:SHOWN_ROWS],
            "more_wrong": max(0, len(read.wrong) - SHOWN_ROWS),
            "fine": [_cells(row, read, form.kinds) for row in read.fine[:SHOWN_ROWS]],
            "more_fine": max(0, len(read.fine) - SHOWN_ROWS),
            "heads": [one.label for one in form.kinds if one.name in read.columns],
            "noted": [row for row in read.fine if row.notes][:SHOWN_ROWS],
            "earlier": Import.objects.done().filter(digest=shown.digest, kind=shown.kind).first(),
        },
        status=refused_status(form),
    )


_MADE = {"piece": "piece", "lot": "lot", "timeentry": "time_entry", "receipt": "receipt"}


def _made_url(made: list[list[Any]]) -> str:
    """The page of what a row made."""
    return next((reverse(_MADE[name], args=[pk]) for name, pk in made if name in _MADE), "")


def _cells(row: imports.RowRead, read: imports.Preview, kinds: tuple[imports.Field, ...]) -> dict[str, Any]:
    """A row as it was read, in the order of the fields, for the preview."""
    currency = current_shop().currency
    cells = []
    for one in kinds:
        if one.name not in read.columns:
            continue
        value = row.values.get(one.name, "")
        if one.reads == "money" and value != "":
            value = str(Money(value, currency))
        elif one.reads == "quantity" and value != "":
            value = as_quantity(value)
        elif one.reads == "minutes" and value != "":
            value = as_hours(value)
        cells.append(value.isoformat() if isinstance(value, date) else str(value))
    return {"number": row.number, "cells": cells}


@require_POST
def import_do(request: HttpRequest, import_id: int) -> HttpResponse:
    """Carries an import out."""
    draft = get_object_or_404(Import, pk=import_id)
    to = draft.get_absolute_url()

    def do() -> Done:
        done = imports.carry_out(draft, by=request.user, again_too=request.POST.get("again") == "on")  # type: ignore[arg-type]
        return Done(to, f"{done.rows_done} rows are in the books.", undo_token("imported", done))

    try:
        answered = once(request, None, do)
    except ValidationError as refused:
        return go(request, Done(to, " ".join(refused.messages)))
    return answered or go(request, Done(to))


@require_POST
def import_void(request: HttpRequest, import_id: int) -> HttpResponse:
    """Takes an import back, or throws a draft away."""
    shown = get_object_or_404(Import, pk=import_id)
    try:
        imports.take_back_import(shown, by=request.user, reason=request.POST.get("reason", "").strip())  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(shown.get_absolute_url(), " ".join(refused.messages)))
    said = "The import is taken back." if shown.is_done else "The draft is thrown away."
    return go(request, Done(reverse("imports"), said))


urlpatterns = [
    path("money/opening/", opening_page, name="opening"),
    path("money/opening/piece/", opening_piece, name="opening_piece"),
    path("money/opening/stock/", opening_lot, name="opening_lot"),
    path("money/opening/hours/", opening_hours, name="opening_hours"),
    path("money/imports/", import_list, name="imports"),
    path("money/imports/<int:import_id>/", import_page, name="import"),
    path("money/imports/<int:import_id>/do/", import_do, name="import_do"),
    path("money/imports/<int:import_id>/void/", import_void, name="import_void"),
]
