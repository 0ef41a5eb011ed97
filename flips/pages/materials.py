"""What can be bought: sizes, where, and every price seen."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from estimating.models import IN_CANS, PRICED_BY, Material, MaterialKind, MaterialPrice, PricedBy
from finishes.measures import Length
from flips.actions import materials as actions
from flips.models import Units
from flips.pages.answers import (
    Done,
    answer,
    go,
    once,
    refusals_on,
    refused_status,
    refused_to,
    undo_token,
)
from flips.pages.forms import DayField, LengthField, MoneyField, RecordForm, current_shop, initial_today

ICONS = {
    MaterialKind.SHEET: "layers",
    MaterialKind.VENEER: "scroll",
    MaterialKind.LUMBER: "trees",
    MaterialKind.FINISH: "paint-bucket",
    MaterialKind.GLUE: "droplet",
    MaterialKind.HARDWARE: "wrench",
    MaterialKind.OTHER: "box",
}
SIZED = (MaterialKind.SHEET, MaterialKind.VENEER, MaterialKind.LUMBER)
EXAMPLES = {
    MaterialKind.SHEET: "Birch plywood 3/4",
    MaterialKind.VENEER: "Walnut veneer, paper-backed",
    MaterialKind.LUMBER: "Poplar 4/4",
    MaterialKind.FINISH: "Water-based satin topcoat",
    MaterialKind.GLUE: "PVA wood glue",
    MaterialKind.HARDWARE: "Drawer pull, brass",
    MaterialKind.OTHER: "Sanding discs, 120",
}


def then_of(request: HttpRequest) -> str:
    """Where to go back to after this, an address of this program or nothing."""
    wanted = request.POST.get("then") or request.GET.get("then") or ""
    here = url_has_allowed_host_and_scheme(wanted, allowed_hosts=None) and wanted.startswith("/")
    return wanted if here else ""


class MaterialForm(RecordForm):
    """What a material is; only what matters to its kind is asked."""

    instance: Material  # type: ignore[assignment]

    length_nm = LengthField(label="Length", required=False)
    width_nm = LengthField(label="Width", required=False)
    thickness_nm = LengthField(label="Thickness", required=False)
    trim_nm = LengthField(
        label="Cut off each edge first",
        required=False,
        allow_zero=True,
        help_text="Where factory edges are not clean.",
    )

    class Meta:
        model = Material
        fields = [
            "name",
            "shop_name",
            "priced_by",
            "unit",
            "volume_text",
            "coverage_area_text",
            "coverage_volume_text",
            "grain",
            "surfaced",
            "note",
        ]
        widgets = {"grain": forms.RadioSelect, "priced_by": forms.RadioSelect}
        help_texts = {
            "name": "Use the name that stock has: that is how what is on hand is found.",
            "coverage_area_text": "As the label says, one coat.",
            "surfaced": "Otherwise the thickness is rough and planes down.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kind = MaterialKind(self.instance.kind)
        unwanted = {"length_nm", "width_nm", "thickness_nm", "trim_nm", "grain", "surfaced", "unit"}
        unwanted |= {"volume_text", "coverage_area_text", "coverage_volume_text", "priced_by"}
        if kind in SIZED:
            unwanted -= {"length_nm", "width_nm", "thickness_nm", "priced_by"}
        if kind == MaterialKind.SHEET:
            unwanted -= {"trim_nm", "grain"}
        if kind == MaterialKind.LUMBER:
            unwanted -= {"surfaced"}
        if kind in IN_CANS:
            unwanted -= {"volume_text", "coverage_area_text", "coverage_volume_text"}
        if kind in (MaterialKind.HARDWARE, MaterialKind.OTHER):
            unwanted -= {"unit"}
        for name in unwanted:
            del self.fields[name]
        self.fields["name"].widget.attrs["placeholder"] = EXAMPLES[kind]
        self.fields["shop_name"].widget.attrs["list"] = "shops"
        if "priced_by" in self.fields:
            self.fields["priced_by"].choices = [  # type: ignore[attr-defined]
                (way.value, way.label) for way in PRICED_BY[kind]
            ]
            if self.instance.pk is None:
                self.initial["priced_by"] = PRICED_BY[kind][0]
        metric = current_shop().units == Units.METRIC
        if "volume_text" in self.fields:
            self.fields["volume_text"].widget.attrs["placeholder"] = "1 l" if metric else "1 qt"
            self.fields["coverage_area_text"].widget.attrs["placeholder"] = "10 m2" if metric else "100 ft2"
            self.fields["coverage_volume_text"].widget.attrs["placeholder"] = "1 l" if metric else "1 qt"
        for name in ("length_nm", "width_nm", "thickness_nm", "trim_nm"):
            if name in self.fields and getattr(self.instance, name):
                self.initial[name] = Length(
                    getattr(self.instance, name), getattr(self.instance, f"{name[:-3]}_text")
                )
        if kind in (MaterialKind.SHEET, MaterialKind.VENEER):
            self.fields["length_nm"].help_text = "The way the grain runs."
        if kind == MaterialKind.LUMBER:
            self.fields["length_nm"].help_text = "Leave length and width empty for random sizes."
            self.fields["thickness_nm"].help_text = "4/4 is 1 in, 8/4 is 2 in."

    def _length(self, name: str) -> int | None:
        length = self.cleaned_data.get(name)
        setattr(self.instance, f"{name[:-3]}_text", length.text if length else "")
        return int(length.nm) if length else None

    def clean_length_nm(self) -> int | None:
        """Whole nanometres, as stored."""
        return self._length("length_nm")

    def clean_width_nm(self) -> int | None:
        """Whole nanometres, as stored."""
        return self._length("width_nm")

    def clean_thickness_nm(self) -> int | None:
        """Whole nanometres, as stored."""
        return self._length("thickness_nm")

    def clean_trim_nm(self) -> int:
        """Whole nanometres, as stored."""
        return self._length("trim_nm") or 0

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        for name in ("length_nm", "width_nm", "thickness_nm", "trim_nm"):
            if name in cleaned:
                setattr(self.instance, name, cleaned[name])
        return cleaned


class NewMaterialForm(MaterialForm):
    """A new material, with the price that was seen for it."""

    price = MoneyField(
        label="Price",
        required=False,
        allow_zero=False,
        help_text="With tax. Leave it empty if you don't know yet.",
    )
    seen_on = DayField(label="Seen on", required=False, initial=initial_today)


class PriceForm(forms.Form):
    """A price seen for a material."""

    # Which material it is asked for, where a page asks for several.
    material_id: int | None = None

    price = MoneyField(label="Price", allow_zero=False, help_text="With tax, as the receipt will say.")
    seen_on = DayField(label="Seen on", initial=initial_today)

    def clean_seen_on(self) -> Any:
        """A day that has come."""
        day = self.cleaned_data["seen_on"]
        if day and day > timezone.localdate():
            raise ValidationError("That day is still to come.")
        return day


@require_GET
def materials(request: HttpRequest) -> HttpResponse:
    """The list by kind, with prices and when each was seen."""
    kind = request.GET.get("kind", "")
    with_retired = request.GET.get("show") == "retired"
    rows = Material.objects.with_price().filter(retired=with_retired)
    if kind in MaterialKind.values:
        rows = rows.filter(kind=kind)
    by_kind: dict[str, list[Material]] = {}
    for row in rows:
        by_kind.setdefault(row.kind, []).append(row)
    groups = [
        {"kind": one, "icon": ICONS[one], "rows": by_kind[one]} for one in MaterialKind if one in by_kind
    ]
    tabs = [{"url": "?", "text": "All", "current": kind not in MaterialKind.values and not with_retired}]
    tabs += [{"url": f"?kind={one.value}", "text": one.label, "current": kind == one} for one in MaterialKind]
    tabs.append({"url": "?show=retired", "text": "No longer bought", "current": with_retired})
    return answer(
        request,
        "flips/materials/list.html",
        {"tab": "stock", "groups": groups, "tabs": tabs, "kind": kind, "kinds": kinds_to_add()},
    )


def kinds_to_add() -> list[dict[str, str]]:
    """Each kind with where to add one."""
    return [
        {"url": f"{reverse('material_new')}?kind={kind.value}", "text": str(kind.label), "icon": ICONS[kind]}
        for kind in MaterialKind
    ]


def _shops() -> list[str]:
    names = Material.objects.exclude(shop_name="").order_by("shop_name").values_list("shop_name", flat=True)
    return list(names.distinct()[:40])


@require_http_methods(["GET", "POST"])
def material_new(request: HttpRequest) -> HttpResponse:
    """Adds a material; its kind decides what is asked."""
    kind = request.POST.get("kind") or request.GET.get("kind") or ""
    then = then_of(request)
    if kind not in MaterialKind.values:
        return answer(
            request, "flips/materials/kinds.html", {"tab": "stock", "kinds": kinds_to_add(), "then": then}
        )
    form = NewMaterialForm(request.POST or None, instance=Material(kind=kind))
    if request.method == "POST" and form.is_valid():
        typed = form.cleaned_data
        columns = {
            name: getattr(form.instance, name)
            for name in [field.name for field in Material._meta.concrete_fields]
            if name not in ("id", "version", "created_at")
        }

        def add() -> Done:
            material = actions.add_material(price_cents=typed["price"], seen_on=typed["seen_on"], **columns)
            return Done(then or material.get_absolute_url(), f"“{material.name}” is on the list.")

        if done := once(request, form, add):
            return done
    return answer(
        request,
        "flips/materials/new.html",
        {
            "tab": "stock",
            "form": form,
            "kind": kind,
            "kind_name": MaterialKind(kind).label,
            "then": then,
            "shops": _shops(),
        },
        status=refused_status(form),
    )


@require_http_methods(["GET", "POST"])
def material(request: HttpRequest, material_id: int) -> HttpResponse:
    """One material: what it is, its prices, and correcting it."""
    shown = get_object_or_404(Material, pk=material_id)
    form = MaterialForm(request.POST or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.save()
            return go(request, Done(shown.get_absolute_url(), "Saved."))
    fresh = get_object_or_404(Material, pk=material_id)
    return answer(
        request,
        "flips/materials/material.html",
        _material_page(fresh, form, PriceForm(), then_of(request)),
        status=refused_status(form),
    )


def _material_page(shown: Material, form: forms.BaseForm, price_form: PriceForm, then: str) -> dict[str, Any]:
    prices = list(shown.prices.all())
    return {
        "tab": "stock",
        "material": shown,
        "form": form,
        "price_form": price_form,
        "prices": prices,
        "newest": prices[0] if prices else None,
        "priced_by": PricedBy(shown.priced_by).label,
        "shops": _shops(),
        "then": then,
    }


@require_POST
def material_price(request: HttpRequest, material_id: int) -> HttpResponse:
    """Notes a price that was seen."""
    shown = get_object_or_404(Material, pk=material_id)
    form = PriceForm(request.POST)
    then = then_of(request)
    if form.is_valid():
        typed = form.cleaned_data

        def note() -> Done:
            price = actions.see_price(shown, cents=typed["price"], seen_on=typed["seen_on"])
            return Done(then or shown.get_absolute_url(), "Price noted.", undo_token("price seen", price))

        if done := once(request, form, note):
            return done
    page = _material_page(shown, MaterialForm(instance=shown), form, then)
    return answer(request, "flips/materials/material.html", page, status=refused_status(form))


@require_POST
def price_forget(request: HttpRequest, price_id: int) -> HttpResponse:
    """Takes out a price that was noted by mistake."""
    price = get_object_or_404(MaterialPrice.objects.select_related("material"), pk=price_id)
    back = price.material.get_absolute_url()
    try:
        actions.forget_price(price)
    except ValidationError as refused:
        return refused_to(request, back, refused)
    return go(request, Done(back, "The price is forgotten."))


@require_POST
def material_retire(request: HttpRequest, material_id: int) -> HttpResponse:
    """No longer offered for new lines, or offered again."""
    shown = get_object_or_404(Material, pk=material_id)
    shown.retired = request.POST.get("retired") == "1"
    shown.save(update_fields=["retired"])
    said = "It is no longer offered." if shown.retired else "It is offered again."
    return go(request, Done(shown.get_absolute_url(), said))


urlpatterns = [
    path("material-list/", materials, name="materials"),
    path("material-list/new/", material_new, name="material_new"),
    path("material-list/<int:material_id>/", material, name="material"),
    path("material-list/<int:material_id>/price/", material_price, name="material_price"),
    path("material-list/<int:material_id>/retire/", material_retire, name="material_retire"),
    path("material-list/prices/<int:price_id>/forget/", price_forget, name="price_forget"),
]
