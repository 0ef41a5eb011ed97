"""Lots on hand, and what is taken from them; helpers see quantities, never what anything cost."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from finishes.measures import BadMeasure, Length, Mass, read_number, trim_decimal
from flips.access import open_to_helper
from flips.actions import receipts, stock
from flips.amounts import BadAmount, by_tenths, by_weighing, in_words, millionths, needs_density, weighs
from flips.models import Lot, Measured, Origin, PaidWith, Part, Piece, StockKind, Units, Use, UseKind
from flips.models.facts import figures_of
from flips.models.stock import OnHand, costs_left, low_materials, materials_of
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import (
    DayField,
    LengthField,
    MassField,
    MoneyField,
    QuantityField,
    RecordForm,
    current_shop,
    forms,
    initial_today,
)
from flips.pages.on_piece import ChoiceOf, live_tree, may_strike, on_piece, refuse_others, undo_for

ON_A_PAGE = 40
MOST_MATERIALS = 40
MOST_RECENT = 8

IMPERIAL_UNITS = ("qt", "pt", "fl oz", "gal", "lb", "oz", "ft")
METRIC_UNITS = ("l", "ml", "kg", "g", "m")
COUNTED = ("piece", "box", "sheet", "board", "roll", "set")


def units() -> list[str]:
    """What material may be counted in, the shop's own measures first."""
    own = IMPERIAL_UNITS if current_shop().units == Units.IMPERIAL else METRIC_UNITS
    other = METRIC_UNITS if own is IMPERIAL_UNITS else IMPERIAL_UNITS
    return [*COUNTED, *own, *other]


def suggestions() -> dict[str, list[str]]:
    """Materials bought before and units, for the lists under the fields."""
    names = Lot.objects.live().exclude(kind=StockKind.OFFCUT).order_by("name")
    return {
        "materials": list(names.values_list("name", flat=True).distinct()[:200]),
        "units": units(),
    }


def _words(request: HttpRequest) -> str:
    return request.GET.get("q", "").replace("\x00", "").strip()[:80]


def _asked_for(request: HttpRequest, name: str) -> int | None:
    value = request.GET.get(name, "")
    return int(value) if value.isascii() and value.isdigit() and len(value) < 16 else None


def _said(refused: ValidationError) -> str:
    return " ".join(refused.messages)


# The shelf


@require_GET
@open_to_helper
def shelf(request: HttpRequest) -> HttpResponse:
    """What is on hand: searched, by kind, what runs low and what is used up."""
    owner = request.user.is_owner  # type: ignore[union-attr]
    words, shown = _words(request), request.GET.get("show", "")
    low = low_materials()
    kinds = list(Lot.objects.on_hand().order_by().values_list("kind", flat=True).distinct())
    if shown == "empty":
        rows = Lot.objects.live().with_left()
        rows = rows.exclude(pk__in=Lot.objects.on_hand().order_by().values("pk"))
    else:
        rows = Lot.objects.on_hand()
        if shown in kinds:
            rows = rows.filter(kind=shown)
    if words:
        rows = rows.matching(words)
    page = Paginator(rows.order_by("name", "came_on", "pk"), ON_A_PAGE).get_page(request.GET.get("page"))
    lots = list(page.object_list)
    if owner:
        held = costs_left(lots, shop=current_shop())
        for lot in lots:
            lot.held_cents = held[lot.pk]  # type: ignore[attr-defined]
    tabs = [
        {"url": reverse("stock"), "text": "On hand", "current": shown not in (*kinds, "empty", "low")},
        {"url": "?show=low", "text": "Low", "current": shown == "low", "count": len(low)},
        *(
            {"url": f"?show={kind.value}", "text": kind.label, "current": shown == kind.value}
            for kind in StockKind
            if kind.value in kinds
        ),
        {"url": "?show=empty", "text": "Used up", "current": shown == "empty"},
    ]
    return answer(
        request,
        "flips/stock/list.html",
        {
            "page_obj": page,
            "lots": lots,
            "low": low,
            "shown": shown,
            "words": words,
            "tabs": tabs,
            "to_fix": Use.objects.to_fix().count(),
        },
    )


@require_GET
@open_to_helper
def lots_unknown(request: HttpRequest) -> HttpResponse:
    """Uses whose lot is unknown, to be put right."""
    uses = Use.objects.to_fix().select_related("piece", "created_by").order_by("used_on", "pk")
    page = Paginator(uses, ON_A_PAGE).get_page(request.GET.get("page"))
    return answer(
        request,
        "flips/stock/to_fix.html",
        {"page_obj": page, "uses": page.object_list, "tab": "stock"},
    )


# One lot


class SizesForm(forms.Form):
    """What a lot measures and where it stands; shared by lots by hand and lots of a receipt line."""

    length = LengthField(label="Length", required=False)
    width = LengthField(label="Width", required=False)
    thickness = LengthField(label="Thickness", required=False)
    place = forms.CharField(label="Where it stands", max_length=80, required=False)
    low_millionths = QuantityField(
        label="Tell me below", required=False, help_text="Counts all there is of it together."
    )
    density = forms.CharField(
        label="Density",
        required=False,
        max_length=10,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
        help_text="On the label or data sheet; needed to find a use by weighing.",
    )
    full_mass = MassField(label="Weight of the full can", required=False)

    def clean_density(self) -> int | None:
        return read_density(self.cleaned_data["density"])

    def sizes(self) -> dict[str, Any]:
        """The fields as a Lot takes them."""
        typed = self.cleaned_data
        found: dict[str, Any] = {
            "place": typed["place"],
            "low_millionths": typed["low_millionths"],
            "density_g_per_l": typed["density"],
            "full_mass_ng": typed["full_mass"].amount if typed["full_mass"] else None,
        }
        for name in ("length", "width", "thickness"):
            length = typed[name]
            found |= {
                f"{name}_nm": length.nm if length else None,
                f"{name}_text": length.text if length else "",
            }
        return found


def sizes_of(lot: Lot) -> dict[str, Any]:
    """What ``SizesForm`` shows of a lot."""
    found: dict[str, Any] = {
        "place": lot.place,
        "low_millionths": lot.low_millionths,
        "density": density_typed(lot.density_g_per_l),
        "full_mass": Mass(lot.full_mass_ng) if lot.full_mass_ng else None,
    }
    for name in ("length", "width", "thickness"):
        nm = getattr(lot, f"{name}_nm")
        found[name] = Length(nm, getattr(lot, f"{name}_text")) if nm else None
    return found


def read_density(text: str) -> int | None:
    """Grams a litre from typed g/ml ("0.87"). Raises ValidationError."""
    text = text.lower().replace("g/ml", "").replace("kg/l", "").strip()
    if not text:
        return None
    try:
        grams = read_number(text) * 1000
    except BadMeasure as bad:
        raise ValidationError(str(bad)) from bad
    if grams.denominator != 1:
        raise ValidationError("Three decimals at most, like 0.875.")
    if not 300 <= grams <= 5000:
        raise ValidationError("Write it in g/ml: most finishes and glues lie between 0.7 and 1.5.")
    return int(grams)


def density_typed(density_g_per_l: int | None) -> str:
    return trim_decimal(Fraction(density_g_per_l, 1000), 3) if density_g_per_l else ""


BY_HAND = (
    (Origin.BOUGHT, "Bought, no slip"),
    (Origin.OPENING, "Had it before"),
    (Origin.FOUND, "Found or given"),
    (Origin.SALVAGE, "Salvaged"),
)


class LotForm(SizesForm):
    """A lot that comes in without a receipt."""

    name = forms.CharField(
        label="Material",
        max_length=120,
        widget=forms.TextInput(attrs={"list": "materials", "autocomplete": "off"}),
    )
    quantity_millionths = QuantityField(label="How much", initial=1_000_000)
    unit = forms.CharField(
        label="Counted in",
        max_length=20,
        initial="piece",
        widget=forms.TextInput(attrs={"list": "units", "autocomplete": "off", "autocapitalize": "none"}),
    )
    kind = forms.ChoiceField(
        label="Kind",
        required=False,
        choices=[
            ("", "As before, or other"),
            *((kind.value, kind.label) for kind in StockKind if kind != StockKind.OFFCUT),
        ],
    )
    origin = forms.ChoiceField(
        label="Where it came from", choices=BY_HAND, initial=Origin.BOUGHT, widget=forms.RadioSelect
    )
    cost_cents = MoneyField(label="What it cost", required=False)
    came_on = DayField(label="On", initial=initial_today)
    shop_name = forms.CharField(
        label="Bought at", max_length=80, required=False, widget=forms.TextInput(attrs={"list": "shops"})
    )
    paid_with = forms.ChoiceField(
        label="How paid",
        choices=PaidWith.choices,
        initial=PaidWith.CASH,
        required=False,
        widget=forms.RadioSelect,
    )
    salvaged_from = ChoiceOf(label="Salvaged from", blank="No piece of yours")
    note = forms.CharField(label="Note", max_length=200, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["density"].after = "g/ml"  # type: ignore[attr-defined]
        pieces = Piece.objects.live().exclude(stage__in=("seen", "passed")).order_by("-stage_on", "-pk")
        self.fields["salvaged_from"].of(list(pieces[:100]))  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        origin, cost = cleaned.get("origin"), cleaned.get("cost_cents")
        if origin in (Origin.BOUGHT, Origin.OPENING) and cost is None and "cost_cents" not in self.errors:
            self.add_error("cost_cents", "Write what it cost; 0 if nothing.")
        if origin == Origin.FOUND and cost:
            self.add_error("cost_cents", "What was found or given cost nothing. If you paid, say bought.")
        return cleaned

    def lot(self) -> dict[str, Any]:
        """The fields as a lot takes them, however it came."""
        typed = self.cleaned_data
        return {
            "name": typed["name"],
            "unit": typed["unit"],
            "kind": typed["kind"] or kind_as_before(typed["name"]),
            "quantity_millionths": typed["quantity_millionths"],
            "note": typed["note"],
            **self.sizes(),
        }


def kind_as_before(name: str) -> str:
    """The kind of an earlier lot of that name, else "other"."""
    before = Lot.objects.live().filter(name__iexact=stock.tidy(name)).exclude(kind=StockKind.OFFCUT).last()
    return before.kind if before else StockKind.OTHER


def shops() -> list[str]:
    """Shops that receipts came from, for the list under the field."""
    from flips.models import Receipt

    names = Receipt.objects.live().exclude(shop_name="").order_by("shop_name")
    return list(names.values_list("shop_name", flat=True).distinct()[:80])


@require_http_methods(["GET", "POST"])
def lot_new(request: HttpRequest) -> HttpResponse:
    """Brings a lot in by hand; one that was bought without a slip makes its receipt by itself."""
    form = LotForm(request.POST or None, initial={"name": request.GET.get("name", "")[:120]})
    if request.method == "POST" and form.is_valid():
        typed = form.cleaned_data

        def bring_in() -> Done:
            if typed["origin"] == Origin.BOUGHT:
                lot = receipts.buy_without_slip(
                    by=request.user,  # type: ignore[arg-type]
                    cost_cents=typed["cost_cents"],
                    came_on=typed["came_on"],
                    shop_name=typed["shop_name"],
                    paid_with=typed["paid_with"] or PaidWith.CASH,
                    **form.lot(),
                )
            else:
                lot = stock.add_lot(
                    by=request.user,  # type: ignore[arg-type]
                    origin=typed["origin"],
                    cost_cents=typed["cost_cents"] or 0,
                    came_on=typed["came_on"],
                    salvaged_from=typed["salvaged_from"] if typed["origin"] == Origin.SALVAGE else None,
                    **form.lot(),
                )
            verb = "lot_bought" if typed["origin"] == Origin.BOUGHT else "lot_made"
            return Done(lot.get_absolute_url(), "In stock.", undo_token(verb, lot))

        if done := once(request, form, bring_in):
            return done
    return answer(
        request,
        "flips/stock/lot_new.html",
        {"form": form, "shops": shops(), "tab": "stock", **suggestions()},
        status=refused_status(form),
    )


def _lot(lot_id: int) -> Lot:
    return get_object_or_404(Lot.objects.with_left().select_related("cut_from", "salvaged_from"), pk=lot_id)


def _lot_page(request: HttpRequest, lot: Lot, *, status: int = 200, **more: Any) -> HttpResponse:
    owner = request.user.is_owner  # type: ignore[union-attr]
    uses = lot.uses.select_related("piece", "attempt", "created_by", "into", "lot").order_by(
        "-used_on", "-pk"
    )
    if not owner:
        uses = uses.live()
    page = Paginator(uses, ON_A_PAGE).get_page(request.GET.get("page"))
    context: dict[str, Any] = {
        "lot": lot,
        "page_obj": page,
        "uses": page.object_list,
        "sizes": sizes_of(lot),
        "offcuts": list(lot.offcuts.live().with_left()),
        "pieces": list(Piece.objects.owned().order_by("-stage_on", "-pk")[:6]),
        "tab": "stock",
        **more,
    }
    if owner:
        held = costs_left([lot], shop=current_shop())[lot.pk]
        line = stock.line_behind(lot)
        averaged = current_shop().stock_method == "average" and lot.is_pooled
        context |= {
            "line": line,
            "strip": [
                {"label": "Cost", "cents": lot.cost_cents},
                *([] if averaged else [{"label": "Used", "cents": lot.uses_total()[1]}]),
                {
                    "label": "Left",
                    "cents": held,
                    "main": True,
                    "note": "by the material's average" if averaged else "",
                },
            ],
        }
    return answer(request, "flips/stock/lot.html", context, status=status)


@require_GET
@open_to_helper
def lot_page(request: HttpRequest, lot_id: int) -> HttpResponse:
    """One lot: what is left, where it went, and for the owner what it cost."""
    return _lot_page(request, _lot(lot_id), write_off=WriteOffForm(), offcut=_offcut_form(_lot(lot_id)))


class LotEditForm(RecordForm, SizesForm):
    """Corrects a lot; cost and day only where no receipt says them."""

    quantity_millionths = QuantityField(label="How much there was")
    low_millionths = QuantityField(
        label="Tell me below", required=False, help_text="Counts all there is of it together."
    )
    cost_cents = MoneyField(label="What it cost")
    came_on = DayField(label="Came in on")
    opened_on = DayField(label="Opened on", required=False)

    class Meta:
        model = Lot
        fields = [
            "name",
            "quantity_millionths",
            "unit",
            "kind",
            "cost_cents",
            "came_on",
            "opened_on",
            "place",
            "low_millionths",
            "note",
        ]
        widgets = {
            "name": forms.TextInput(attrs={"list": "materials", "autocomplete": "off"}),
            "unit": forms.TextInput(attrs={"list": "units", "autocomplete": "off"}),
        }

    def __init__(self, *args: Any, instance: Lot, follows: bool, **kwargs: Any) -> None:
        super().__init__(*args, instance=instance, initial=sizes_of(instance), **kwargs)
        self.fields["density"].after = "g/ml"  # type: ignore[attr-defined]
        if instance.kind == StockKind.OFFCUT:
            del self.fields["quantity_millionths"], self.fields["kind"]
        else:
            kinds = [(kind.value, kind.label) for kind in StockKind if kind != StockKind.OFFCUT]
            self.fields["kind"].choices = kinds  # type: ignore[attr-defined]
        if follows or instance.origin == Origin.OFFCUT:
            del self.fields["cost_cents"], self.fields["came_on"]

    def changes(self) -> dict[str, Any]:
        """The fields as ``stock.change_lot`` takes them."""
        own = {name: self.cleaned_data[name] for name in self.Meta.fields if name in self.cleaned_data}
        return own | self.sizes()


@require_http_methods(["GET", "POST"])
def lot_edit(request: HttpRequest, lot_id: int) -> HttpResponse:
    """Corrects a lot; uses are costed anew."""
    shown = _lot(lot_id)
    if shown.is_void:
        raise Http404
    line = stock.line_behind(shown)
    form = LotEditForm(request.POST or None, instance=shown, follows=line is not None)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.hold()
            stock.change_lot(shown, **form.changes())
        if not form.errors:
            return go(request, Done(shown.get_absolute_url(), "Corrected."))
    return answer(
        request,
        "flips/stock/lot_edit.html",
        {"lot": shown, "form": form, "line": line, "tab": "stock", **suggestions()},
        status=refused_status(form),
    )


@require_POST
def lot_void(request: HttpRequest, lot_id: int) -> HttpResponse:
    """Takes a lot out that was entered by mistake."""
    shown = get_object_or_404(Lot.objects.live(), pk=lot_id)
    try:
        stock.void_lot(shown, by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(shown.get_absolute_url(), _said(refused)))
    return go(request, Done(reverse("stock"), f"“{shown}” is taken out."))


class WriteOffForm(forms.Form):
    """What dried out, broke or was thrown away."""

    quantity = QuantityField(label="How much", required=False, help_text="Left empty: all that is left.")
    reason = forms.CharField(
        label="Why", max_length=200, widget=forms.TextInput(attrs={"placeholder": "Dried out"})
    )
    on = DayField(label="On", initial=initial_today)


@require_POST
def lot_write_off(request: HttpRequest, lot_id: int) -> HttpResponse:
    """Writes off what is left of a lot, or part of it."""
    shown = _lot(lot_id)
    form = WriteOffForm(request.POST)
    if form.is_valid():

        def write_off() -> Done:
            use = stock.write_off(
                shown,
                by=request.user,  # type: ignore[arg-type]
                quantity_millionths=form.cleaned_data["quantity"],
                reason=form.cleaned_data["reason"],
                on=form.cleaned_data["on"],
            )
            amount = in_words(use.quantity_millionths, shown.unit)
            return Done(shown.get_absolute_url(), f"{amount} written off.", undo_token("used", use))

        if done := once(request, form, write_off):
            return done
    return _lot_page(
        request, _lot(lot_id), write_off=form, offcut=_offcut_form(shown), status=refused_status(form)
    )


class OffcutForm(forms.Form):
    """A rectangle that goes back on the shelf."""

    length = LengthField(label="Length")
    width = LengthField(label="Width")
    out_of = ChoiceOf(label="Cut from", blank="What is left on the shelf")
    on = DayField(label="On", initial=initial_today)
    place = forms.CharField(label="Where it stands", max_length=80, required=False)


def _offcut_form(lot: Lot, data: Any = None) -> OffcutForm | None:
    if not lot.is_cuttable or lot.is_void:
        return None
    form = OffcutForm(data)
    uses = lot.uses.live().filter(kind=UseKind.USED).select_related("piece").order_by("-used_on", "-pk")[:12]
    form.fields["out_of"].of([Chosen(use.pk, _use_words(use, lot.unit), use) for use in uses])  # type: ignore[attr-defined]
    return form


class Chosen:
    """A row in a list of choices under a longer name."""

    def __init__(self, pk: int, name: str, row: Any) -> None:
        self.pk, self.name, self.row = pk, name, row

    def __str__(self) -> str:
        return self.name

    def __eq__(self, other: object) -> bool:
        return getattr(other, "pk", None) == self.pk

    def __hash__(self) -> int:
        return hash(self.pk)


def _use_words(use: Use, unit: str) -> str:
    amount = in_words(use.quantity_millionths, unit)
    return f"{amount} for {use.piece}, {date_format(use.used_on, 'j M Y')}"


@require_POST
@open_to_helper
def offcut_new(request: HttpRequest, lot_id: int) -> HttpResponse:
    """Puts an offcut of a lot into stock, with its share of the cost by area."""
    shown = _lot(lot_id)
    form = _offcut_form(shown, request.POST)
    if form is None:
        raise Http404
    if form.is_valid():
        typed = form.cleaned_data

        def keep() -> Done:
            offcut = stock.keep_offcut(
                shown,
                by=request.user,  # type: ignore[arg-type]
                length=typed["length"],
                width=typed["width"],
                out_of=typed["out_of"].row if typed["out_of"] else None,
                on=typed["on"],
                place=typed["place"],
            )
            return Done(offcut.get_absolute_url(), "The offcut is in stock.")

        if done := once(request, form, keep):
            return done
    return _lot_page(
        request, _lot(lot_id), write_off=WriteOffForm(), offcut=form, status=refused_status(form)
    )


# Using material


class PlaceForm(forms.Form):
    """Where on the piece, and when."""

    attempt = ChoiceOf(label="In which attempt?", blank="None")
    part = ChoiceOf(label="On which part?", blank="The piece as a whole")
    used_on = DayField(label="When", initial=initial_today)
    note = forms.CharField(label="Note", max_length=200, required=False, help_text="Only you see this.")

    def offer(self, piece: Piece, *, owner: bool, attempt: Any = None, part: Part | None = None) -> None:
        """Offers the attempts and parts of ``piece``; a note only to an owner, who may write a price into it."""
        attempts = list(piece.attempts.live().newest_first()[:60])
        self.fields["attempt"].of(attempts, besides=attempt)  # type: ignore[attr-defined]
        self.fields["part"].of(live_tree(piece), besides=part)  # type: ignore[attr-defined]
        if not owner:
            del self.fields["note"]

    def placed(self) -> dict[str, Any]:
        """The fields as the actions take them."""
        return {
            name: self.cleaned_data[name]
            for name in ("attempt", "part", "used_on", "note")
            if name in self.fields
        }

    def clean_used_on(self) -> Any:
        day = self.cleaned_data["used_on"]
        if day and day > timezone.localdate():
            raise ValidationError("That day is still to come.")
        return day


TENTHS = [("", "As written"), *((str(n), f"{n}/10") for n in range(1, 10)), ("rest", "All that was left")]


class UseForm(PlaceForm):
    """How much of a material: by tenths, by quantity or by weighing; one of the three."""

    quantity = QuantityField(label="How much", required=False)
    tenths = forms.ChoiceField(
        label="Or in tenths of a full one",
        choices=TENTHS,
        required=False,
        initial="",
        widget=forms.RadioSelect,
    )
    before = MassField(label="Weight before", required=False)
    after = MassField(label="Weight after", required=False)
    density = forms.CharField(
        label="Density",
        required=False,
        max_length=10,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
    )
    from_lot = ChoiceOf(label="From which one?", blank="The oldest first")

    def __init__(self, *args: Any, material: OnHand, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.material, first = material, material.first
        self.fields["quantity"].after = first.unit  # type: ignore[attr-defined]
        self.fields["density"].after = "g/ml"  # type: ignore[attr-defined]
        rows = [
            Chosen(
                lot.pk,
                f"{date_format(lot.came_on, 'j M Y')}: {in_words(lot.left_millionths, lot.unit)} left",
                lot,
            )
            for lot in material.lots
        ]
        self.fields["from_lot"].of(rows)  # type: ignore[attr-defined]
        if len(rows) < 2:
            del self.fields["from_lot"]
        self.weighs, self.asks_density = weighs(first.unit), needs_density(first.unit)
        if not self.weighs:
            del self.fields["before"], self.fields["after"]
        if not self.asks_density:
            del self.fields["density"]
        elif first.density_g_per_l:
            self.initial.setdefault("density", density_typed(first.density_g_per_l))

    def clean_density(self) -> int | None:
        return read_density(self.cleaned_data["density"])

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        chosen = cleaned.get("from_lot")
        self.lot: Lot = chosen.row if chosen else self.material.first
        ways = [
            name
            for name in ("quantity", "tenths", "after")
            if cleaned.get(name) or (name in self.errors and self.data.get(self.add_prefix(name)))
        ]
        if len(ways) > 1:
            self.add_error(None, "Say how much in one way only: a quantity, tenths or two weights.")
        elif not ways and not {"before", "density"} & set(self.errors):
            field = "after" if cleaned.get("before") else "quantity"
            self.add_error(
                field, "Write what it weighs now." if field == "after" else "Say how much you used."
            )
        elif not self.errors:
            self._measure(ways[0], cleaned)
        return cleaned

    def _measure(self, way: str, cleaned: dict[str, Any]) -> None:
        """Sets ``measured``, ``text`` and ``amount`` (millionths of the unit; None for all that is left)."""
        self.amount: int | None = None
        if way == "quantity":
            self.measured, self.amount = Measured.QUANTITY, cleaned["quantity"]
            self.text = str(self.data.get(self.add_prefix("quantity"), "")).strip()[:80]
        elif cleaned.get("tenths") == "rest":
            self.measured, self.text = Measured.REST, ""
        elif way == "tenths":
            self.measured = Measured.TENTHS
            self.text = f"{cleaned['tenths']}/10"
            self.amount = millionths(by_tenths(self.lot.quantity, int(cleaned["tenths"])))
        else:
            self._weigh(cleaned)

    def _weigh(self, cleaned: dict[str, Any]) -> None:
        before, after = cleaned.get("before"), cleaned["after"]
        if before is None and self.lot.full_mass_ng and not self.lot.uses_total()[0]:
            before = Mass(self.lot.full_mass_ng)
        if before is None:
            self.add_error("before", "Write what it weighed before.")
            return
        try:
            taken: Fraction = by_weighing(
                before=before,
                after=after,
                unit=self.lot.unit,
                density_g_per_l=cleaned.get("density") or self.lot.density_g_per_l,
            )
        except BadAmount as bad:
            self.add_error("density" if "density" in str(bad) else "after", str(bad))
            return
        system = current_shop().units
        self.measured, self.amount = Measured.WEIGHED, max(1, millionths(taken))
        self.text = f"{before.text or before.shown(system)} → {after.text}"[:80]


class UnknownForm(PlaceForm):
    """Material that is in no lot yet."""

    material = forms.CharField(
        label="What was it?",
        max_length=120,
        widget=forms.TextInput(attrs={"list": "materials", "autocomplete": "off"}),
    )
    quantity = QuantityField(label="How much", initial=1_000_000)
    unit = forms.CharField(
        label="Counted in",
        max_length=20,
        required=False,
        widget=forms.TextInput(attrs={"list": "units", "autocomplete": "off", "autocapitalize": "none"}),
    )


def _usable(request: HttpRequest, piece_id: int) -> Piece:
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    if piece.is_find and not request.user.is_owner:  # type: ignore[union-attr]
        raise Http404
    return piece


def _recent(piece: Piece, person_id: int) -> list[str]:
    """Materials by name, those last used on this piece first, then what this person used, then anybody."""
    rows = (
        Use.objects.live()
        .filter(lot__isnull=False, kind=UseKind.USED)
        .order_by("-used_on", "-pk")
        .values_list("lot__name", "piece_id", "created_by_id")[:120]
    )
    ranked = sorted(rows, key=lambda row: 0 if row[1] == piece.pk else 1 if row[2] == person_id else 2)
    return list(dict.fromkeys(name for name, _, _ in ranked))[:MOST_RECENT]


@require_http_methods(["GET", "POST"])
@open_to_helper
def use_new(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Logs material used on a piece: choose it with one tap, then say how much with another."""
    piece = _usable(request, piece_id)
    if piece.is_find:
        return go(request, Done(piece.get_absolute_url(), "Buy it first; then materials can go into it."))
    asked = _asked_for(request, "lot")
    if asked is None:
        return _choose_material(request, piece)
    lot = get_object_or_404(Lot.objects.live(), pk=asked)
    return _how_much(request, piece, lot)


def _initial_place(request: HttpRequest, piece: Piece) -> dict[str, Any]:
    """The attempt and part she came from; the one attempt under way when there is just one."""
    attempt = _asked_for(request, "attempt")
    if attempt is None:
        under_way = list(piece.attempts.under_way().values_list("pk", flat=True)[:2])
        attempt = under_way[0] if len(under_way) == 1 else None
    return {"attempt": attempt, "part": _asked_for(request, "part")}


def _choose_material(request: HttpRequest, piece: Piece) -> HttpResponse:
    words = _words(request)
    form = UnknownForm(
        request.POST or None,
        initial={**_initial_place(request, piece), **({"material": words} if words else {})},
    )
    form.offer(piece, owner=request.user.is_owner)  # type: ignore[union-attr]
    if request.method == "POST" and form.is_valid():

        def take() -> Done:
            taken = stock.take_unknown(
                by=request.user,  # type: ignore[arg-type]
                piece=piece,
                material=form.cleaned_data["material"],
                unit=form.cleaned_data["unit"],
                quantity_millionths=form.cleaned_data["quantity"],
                **form.placed(),
            )
            return _taken(piece, taken, form)

        if done := once(request, form, take):
            return done
    rows = Lot.objects.on_hand()
    if words:
        rows = rows.matching(words)
    materials = materials_of(rows)
    names = _recent(piece, request.user.pk)  # type: ignore[arg-type]
    recent = [] if words else [one for one in materials if one.first.name in names]
    recent.sort(key=lambda one: names.index(one.first.name))
    others = sorted(
        (one for one in materials if one not in recent[:MOST_RECENT]), key=lambda one: one.first.name.lower()
    )
    return answer(
        request,
        "flips/stock/choose.html",
        on_piece(
            request,
            piece,
            "piece_uses",
            form=form,
            recent=recent[:MOST_RECENT],
            others=others[:MOST_MATERIALS],
            more=max(0, len(others) - MOST_MATERIALS),
            words=words,
            place=_place_query(request),
            **suggestions(),
        ),
        status=refused_status(form),
    )


def _place_query(request: HttpRequest) -> str:
    """The attempt and part as they go along from page to page."""
    return "".join(
        f"&{name}={value}" for name in ("attempt", "part") if (value := _asked_for(request, name)) is not None
    )


def _how_much(request: HttpRequest, piece: Piece, lot: Lot) -> HttpResponse:
    lots = list(Lot.objects.on_hand().filter(pk__in=Lot.objects.same_material(lot).order_by().values("pk")))
    # A lot that is empty can still be named: what it can't give is kept to be fixed later.
    material = OnHand(lots or [Lot.objects.with_left().get(pk=lot.pk)])
    form = UseForm(request.POST or None, material=material, initial=_initial_place(request, piece))
    form.offer(piece, owner=request.user.is_owner)  # type: ignore[union-attr]
    if request.method == "POST" and form.is_valid():

        def take() -> Done:
            taken = stock.take(
                by=request.user,  # type: ignore[arg-type]
                piece=piece,
                lot=form.lot,
                picked=bool(form.cleaned_data.get("from_lot")),
                quantity_millionths=form.amount,
                measured=form.measured,
                measured_text=form.text,
                **form.placed(),
            )
            return _taken(piece, taken, form)

        if done := once(request, form, take):
            return done
    return answer(
        request,
        "flips/stock/how_much.html",
        on_piece(
            request,
            piece,
            "piece_uses",
            form=form,
            material=material,
            lot=material.first,
            place=_place_query(request),
        ),
        status=refused_status(form),
    )


def _taken(piece: Piece, taken: stock.Taken, form: PlaceForm) -> Done:
    """Where to go after a use, and what to say of it."""
    known = [use for use in taken.uses if use.lot is not None]
    parts = []
    for use in known:
        amount = in_words(use.quantity_millionths, use.counted_in)
        lot_of = f" from {date_format(use.lot.came_on, 'j M')}" if use.lot and len(known) > 1 else ""
        parts.append(f"{amount}{lot_of}")
    said = f"Used {' and '.join(parts)} of {known[0].lot}." if known else ""
    if (unknown := taken.to_fix) is not None:
        amount = in_words(unknown.quantity_millionths, unknown.unit)
        said = f"{said} {amount} {unknown.material} is logged; say later which lot it was.".strip()
    attempt = form.cleaned_data.get("attempt")
    to = attempt.get_absolute_url() if attempt else reverse("piece_uses", args=[piece.pk])
    return Done(to, said[:300], undo_token("used", taken.uses[0]))


@require_GET
@open_to_helper
def piece_uses(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Every material used on a piece."""
    piece = _usable(request, piece_id)
    owner = request.user.is_owner  # type: ignore[union-attr]
    uses = (
        Use.objects.live()
        .filter(piece=piece)
        .select_related("lot", "attempt", "part", "created_by")
        .order_by("-used_on", "-pk")
    )
    figures = figures_of([piece.pk], shop=current_shop()).get(piece.pk) if owner else None
    return answer(
        request,
        "flips/stock/piece_uses.html",
        on_piece(request, piece, "piece_uses", uses=list(uses), figures=figures),
    )


# One use


class UseEditForm(RecordForm, PlaceForm):
    """Corrects a use, or says at last which lot it was."""

    quantity_millionths = QuantityField(label="How much")
    lot = ChoiceOf(label="From which lot?", blank="Still unknown")

    class Meta:
        model = Use
        fields = ["quantity_millionths", "used_on", "note"]

    instance: Use
    field_order = ["lot", "quantity_millionths", "used_on", "attempt", "part", "note"]

    def __init__(self, *args: Any, instance: Use, owner: bool, **kwargs: Any) -> None:
        super().__init__(*args, instance=instance, **kwargs)
        self.initial.update(attempt=instance.attempt, part=instance.part)
        if instance.piece is not None:
            self.offer(instance.piece, owner=owner, attempt=instance.attempt, part=instance.part)
        else:
            del self.fields["attempt"], self.fields["part"]
        self.fields["quantity_millionths"].after = instance.counted_in or None  # type: ignore[attr-defined]
        self.fields["lot"].of(self._lots(instance))  # type: ignore[attr-defined]
        if instance.lot is not None:
            self.fields["lot"].required = True
            self.initial["lot"] = instance.lot_id
        if instance.kind == UseKind.WRITTEN_OFF:
            del self.fields["lot"]

    @staticmethod
    def _lots(use: Use) -> list[Chosen]:
        """Lots it may have come from: its own, those of its name, then all that is on hand."""
        name = (use.lot.name if use.lot else use.material).casefold()
        rows = list(Lot.objects.on_hand())
        if use.lot is not None and use.lot not in rows:
            rows = [Lot.objects.with_left().get(pk=use.lot.pk), *rows]
        rows.sort(key=lambda lot: (lot.name.casefold() != name, lot.name.casefold(), lot.came_on, lot.pk))
        return [
            Chosen(
                lot.pk,
                f"{lot}, {date_format(lot.came_on, 'j M Y')}: {in_words(lot.left_millionths, lot.unit)} left",
                lot,
            )
            for lot in rows[:200]
        ]

    def changes(self) -> dict[str, Any]:
        """The fields as ``stock.correct`` takes them."""
        typed = self.cleaned_data
        chosen = typed.get("lot")
        names = ("quantity_millionths", "used_on", "note")
        found: dict[str, Any] = {name: typed[name] for name in names if name in typed}
        found |= {name: typed.get(name) for name in ("attempt", "part")}
        return found | {
            "lot": chosen.row if chosen else self.instance.lot if "lot" not in self.fields else None
        }


@require_http_methods(["GET", "POST"])
@open_to_helper
def use_page(request: HttpRequest, use_id: int) -> HttpResponse:
    """One use; a helper corrects their own or says which lot it was, an owner corrects all."""
    owner = request.user.is_owner  # type: ignore[union-attr]
    shown = get_object_or_404(
        Use.objects.select_related("lot", "piece", "attempt", "part", "into", "created_by"), pk=use_id
    )
    if shown.piece is None and not owner:
        raise PermissionDenied("Only the owner sees this page.")
    mine = not shown.is_void and shown.kind != UseKind.INTO_OFFCUT
    mine = mine and (may_strike(request, shown) or shown.is_to_fix)
    form = UseEditForm(request.POST or None, instance=shown, owner=owner)
    if request.method == "POST":
        if not mine:
            raise PermissionDenied("Only who entered it, or the owner.")
        if form.is_valid():
            taken = None
            with refusals_on(form):
                form.hold()
                taken = stock.correct(shown, by=request.user, **form.changes())  # type: ignore[arg-type]
            if taken is not None and not form.errors:
                to = (
                    reverse("piece_uses", args=[shown.piece_id])
                    if shown.piece_id
                    else shown.get_absolute_url()
                )
                more = " What the lot could not give is logged apart." if len(taken.uses) > 1 else ""
                return go(request, Done(to, f"Corrected.{more}"))
    context = {
        "use": Use.objects.select_related(
            "lot", "piece", "attempt", "part", "into", "created_by", "voided_by"
        ).get(pk=shown.pk),
        "form": form,
        "mine": mine,
        "may_strike": may_strike(request, shown),
        "tab": "bench" if shown.piece_id else "stock",
    }
    return answer(request, "flips/stock/use.html", context, status=refused_status(form))


@require_POST
@open_to_helper
def use_void(request: HttpRequest, use_id: int) -> HttpResponse:
    """Takes a use out; what it took is on hand again."""
    shown = get_object_or_404(Use.objects.live(), pk=use_id)
    refuse_others(request, shown)
    to = (
        reverse("piece_uses", args=[shown.piece_id])
        if shown.piece_id
        else reverse("lot", args=[shown.lot_id])
    )
    try:
        stock.void_use(shown, by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(shown.get_absolute_url(), _said(refused)))
    return go(request, Done(to, "The use is taken out.", undo_for(request, "use_voided", shown)))


urlpatterns = [
    path("stock/", shelf, name="stock"),
    path("stock/new/", lot_new, name="lot_new"),
    path("stock/unknown/", lots_unknown, name="uses_to_fix"),
    path("stock/<int:lot_id>/", lot_page, name="lot"),
    path("stock/<int:lot_id>/edit/", lot_edit, name="lot_edit"),
    path("stock/<int:lot_id>/void/", lot_void, name="lot_void"),
    path("stock/<int:lot_id>/write-off/", lot_write_off, name="lot_write_off"),
    path("stock/<int:lot_id>/offcut/", offcut_new, name="offcut_new"),
    path("uses/<int:use_id>/", use_page, name="use"),
    path("uses/<int:use_id>/void/", use_void, name="use_void"),
    path("pieces/<int:piece_id>/use/", use_new, name="use_new"),
    path("pieces/<int:piece_id>/materials/", piece_uses, name="piece_uses"),
]
