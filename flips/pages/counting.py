"""The count sheet on the phone: lot by lot past the shelves, then one press that puts the books right."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import groupby
from typing import Any

from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from finishes.measures import Mass
from flips.access import open_to_helper
from flips.actions import counting
from flips.amounts import BadAmount, by_tenths, by_weighing, in_words, millionths, needs_density, weighs
from flips.books import Method
from flips.models import Count, CountLine, Lot, Measured, StockMethod
from flips.models.counting import ToCount, lines_of, stock_worth, walk, with_booked
from flips.pages.answers import Done, answer, go, once, refused_status, refused_to, undo_token
from flips.pages.forms import DayField, MassField, QuantityField, current_shop, forms, initial_today
from flips.pages.stock import density_typed, read_density

ON_A_PAGE = 40


class StartForm(forms.Form):
    """The day whose shelf is counted."""

    on = DayField(label="Counted on", initial=initial_today)


def _worth() -> list[dict[str, Any]]:
    """What the stock carries by either way of costing, for the strip of figures; the shop's own stands out."""
    own = Method.AVERAGE if current_shop().stock_method == StockMethod.AVERAGE else Method.FIFO
    return [
        {
            "label": str(method).capitalize(),
            "cents": cents,
            "main": method is own,
            "note": "the way of this shop" if method is own else "for comparison",
        }
        for method, cents in stock_worth(current_shop()).items()
    ]


@require_http_methods(["GET", "POST"])
@open_to_helper
def counts(request: HttpRequest) -> HttpResponse:
    """Every count, and starting one."""
    form = StartForm(request.POST or None)
    if request.method == "POST" and form.is_valid():

        def start() -> Done:
            count = counting.start_count(by=request.user, on=form.cleaned_data["on"])  # type: ignore[arg-type]
            return Done(count.get_absolute_url(), "Walk along and write what is there.")

        if done := once(request, form, start):
            return done
    rows = Count.objects.with_lines().select_related("created_by")
    owner = request.user.is_owner  # type: ignore[union-attr]
    if not owner:
        rows = rows.live()
    page = Paginator(rows.order_by("-on", "-pk"), ON_A_PAGE).get_page(request.GET.get("page"))
    context = {"form": form, "page_obj": page, "tab": "stock", "worth": _worth() if owner else None}
    return answer(request, "flips/counting/counts.html", context, status=refused_status(form))


def _grouped(stops: Sequence[ToCount], by: str) -> list[dict[str, Any]]:
    """The stops under their place or kind, in that order, with how many are counted."""

    def name(stop: ToCount) -> str:
        return stop.lot.get_kind_display() if by == "kind" else stop.lot.place

    rows = sorted(stops, key=name) if by == "kind" else stops
    return [
        {"name": title, "stops": own, "counted": sum(1 for stop in own if stop.line is not None)}
        for title, group in groupby(rows, key=name)
        if (own := list(group))
    ]


@require_GET
@open_to_helper
def count_page(request: HttpRequest, count_id: int) -> HttpResponse:
    """One count: what is still to count by place or kind, what differs, and closing it."""
    count = get_object_or_404(Count.objects.select_related("created_by", "closed_by"), pk=count_id)
    words = request.GET.get("q", "").replace("\x00", "").strip()[:80]
    by = "kind" if request.GET.get("by") == "kind" else "place"
    stops = walk(count, words=words)
    lines = [stop.line for stop in stops if stop.line is not None]
    owner = request.user.is_owner  # type: ignore[union-attr]
    context = {
        "count": count,
        "words": words,
        "groups": _grouped(stops, by),
        "of": len(stops),
        "counted": len(lines),
        "changed": sum(1 for stop in stops if stop.is_changed),
        "differences": [line for line in lines if line.difference_millionths],
        "tabs": [
            {"url": "?", "text": "By place", "current": by == "place"},
            {"url": "?by=kind", "text": "By kind", "current": by == "kind"},
        ],
        "worth": _worth() if owner and not words else None,
        "tab": "stock",
    }
    return answer(request, "flips/counting/count.html", context)


TENTHS = [("", "As written"), ("0", "Empty"), *((str(n), f"{n}/10") for n in range(1, 10)), ("10", "Full")]


class CountForm(forms.Form):
    """What is there of one lot: by quantity, by tenths of a full one, or by weighing; one of the three."""

    quantity = QuantityField(label="What is there", required=False, allow_zero=True)
    tenths = forms.ChoiceField(
        label="Or in tenths of a full one", choices=TENTHS, required=False, widget=forms.RadioSelect
    )
    now = MassField(label="It weighs now", required=False)
    full = MassField(label="It weighed when full", required=False)
    empty = MassField(label="Or: the empty can weighs", required=False)
    density = forms.CharField(
        label="Density",
        required=False,
        max_length=10,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
    )
    line_version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, lot: Lot, line: CountLine | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lot = lot
        self.fields["quantity"].after = lot.unit  # type: ignore[attr-defined]
        self.initial["line_version"] = line.version if line else 0
        if line is not None and line.is_counted:
            self.initial["quantity"] = line.counted_millionths
        self.weighs = weighs(lot.unit)
        if not self.weighs:
            del self.fields["now"], self.fields["full"], self.fields["empty"]
        elif lot.full_mass_ng:
            self.initial["full"] = Mass(lot.full_mass_ng)
        if not needs_density(lot.unit):
            del self.fields["density"]
        else:
            self.fields["density"].after = "g/ml"  # type: ignore[attr-defined]
            self.initial["density"] = density_typed(lot.density_g_per_l)

    def clean_density(self) -> int | None:
        return read_density(self.cleaned_data["density"])

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        typed = {
            "quantity": cleaned.get("quantity") is not None,
            "tenths": bool(cleaned.get("tenths")),
            "now": cleaned.get("now") is not None,
        }
        # The amount written before stands in the field; choosing another way replaces it.
        if typed["tenths"] or typed["now"]:
            typed["quantity"] = typed["quantity"] and "quantity" in self.changed_data
        ways = [way for way, is_typed in typed.items() if is_typed]
        if self.errors:
            return cleaned
        if len(ways) > 1:
            self.add_error(None, "Say what is there in one way only: a quantity, tenths or a weight.")
        elif not ways:
            self.add_error("quantity", "Say what is there; 0 when nothing is.")
        else:
            self._measure(ways[0], cleaned)
        return cleaned

    def _measure(self, way: str, cleaned: dict[str, Any]) -> None:
        """Sets ``measured``, ``text`` and ``amount`` (millionths of the unit)."""
        if way == "quantity":
            self.measured, self.amount = Measured.QUANTITY, cleaned["quantity"]
            self.text = str(self.data.get(self.add_prefix("quantity"), "")).strip()[:80]
        elif way == "tenths":
            self.measured, self.text = Measured.TENTHS, f"{cleaned['tenths']}/10"
            self.amount = millionths(by_tenths(self.lot.quantity, int(cleaned["tenths"])))
        else:
            self._weigh(cleaned)

    def _weigh(self, cleaned: dict[str, Any]) -> None:
        now: Mass = cleaned["now"]
        empty: Mass | None = cleaned.get("empty")
        other: Mass | None = empty if empty is not None else cleaned.get("full")
        density = cleaned.get("density") or self.lot.density_g_per_l
        if other is None:
            self.add_error("full", "Write what it weighed when full, or what the empty can weighs.")
            return
        heavier, lighter = (now, other) if empty is not None else (other, now)
        try:
            # Two equal weights leave nothing between them.
            between = (
                Fraction(0)
                if heavier.amount == lighter.amount
                else by_weighing(before=heavier, after=lighter, unit=self.lot.unit, density_g_per_l=density)
            )
        except BadAmount as bad:
            if "density" in str(bad) and "density" in self.fields:
                self.add_error("density", str(bad))
            elif empty is not None:
                self.add_error("now", "It weighs less than the empty can. Check both weights.")
            else:
                self.add_error("now", "It weighs more than when it was full. Check both weights.")
            return
        there = between if empty is not None else self.lot.quantity - between
        if there < 0:
            self.add_error("now", "That is lighter than the can could be. Check the weights and the density.")
            return
        system = current_shop().units
        self.measured, self.amount = Measured.WEIGHED, millionths(there)
        self.text = f"{now.text or now.shown(system)} ({other.text or other.shown(system)})"[:80]


def _next(count: Count, lot: Lot) -> str:
    """The page of the next lot not counted yet, past the end from the beginning; the count when all are."""
    stops = walk(count)
    place = next((at for at, stop in enumerate(stops) if stop.lot.pk == lot.pk), -1)
    for stop in [*stops[place + 1 :], *stops[: max(place, 0)]]:
        if stop.line is None:
            return reverse("count_lot", args=[count.pk, stop.lot.pk])
    return count.get_absolute_url()


@require_http_methods(["GET", "POST"])
@open_to_helper
def count_lot(request: HttpRequest, count_id: int, lot_id: int) -> HttpResponse:
    """Writes down what is there of one lot and goes on to the next."""
    count = get_object_or_404(Count.objects.live(), pk=count_id)
    lot = get_object_or_404(with_booked(Lot.objects.all(), count.on), pk=lot_id)
    line = lines_of(count, [lot]).get(lot.pk)
    form = CountForm(request.POST or None, lot=lot, line=line)
    if not count.is_open:
        return go(request, Done(count.get_absolute_url(), "This count is closed."))
    if request.method == "POST" and form.is_valid():

        def write() -> Done:
            written = counting.count_lot(
                count,
                lot,
                by=request.user,  # type: ignore[arg-type]
                counted_millionths=form.amount,
                measured=form.measured,
                measured_text=form.text,
                shown_version=form.cleaned_data["line_version"] or 0,
            )
            return Done(_next(count, lot), f"{lot}: {written.counted_words}.")

        if done := once(request, form, write):
            return done
        _show_again(form, count=count, lot=lot)
    context = {
        "count": count,
        "lot": lot,
        "line": line if line and line.is_counted else None,
        "form": form,
        "booked_words": _booked(lot),
        "skip": _next(count, lot),
        "tab": "stock",
    }
    return answer(request, "flips/counting/lot.html", context, status=refused_status(form))


def _booked(lot: Any) -> str:
    return in_words(lot.booked_millionths, lot.unit)


def _show_again(form: CountForm, *, count: Count, lot: Lot) -> None:
    """The form sent back carries the version of the line as it is now, so that saving again is meant."""
    line = CountLine.objects.filter(count=count, lot=lot).first()
    version = line.version if line else 0
    if version != (form.cleaned_data["line_version"] or 0):
        form.changed_meanwhile = True  # type: ignore[attr-defined]
        again = form.data.copy()  # type: ignore[attr-defined]
        again[form.add_prefix("line_version")] = str(version)
        form.data = again


@require_POST
@open_to_helper
def count_as_booked(request: HttpRequest, count_id: int, lot_id: int) -> HttpResponse:
    """One press: what is there is what the books say, or nothing is."""
    count = get_object_or_404(Count.objects.live(), pk=count_id)
    lot = get_object_or_404(with_booked(Lot.objects.all(), count.on), pk=lot_id)
    empty = request.POST.get("there") == "nothing"

    def write() -> Done:
        written = counting.count_lot(
            count,
            lot,
            by=request.user,  # type: ignore[arg-type]
            counted_millionths=0 if empty else lot.booked_millionths,
        )
        return Done(_next(count, lot), f"{lot}: {written.counted_words}.")

    try:
        done = once(request, None, write)
    except ValidationError as refused:
        return refused_to(request, count.get_absolute_url(), refused)
    return done or go(request, Done(count.get_absolute_url()))


@require_POST
@open_to_helper
def count_not(request: HttpRequest, count_id: int, lot_id: int) -> HttpResponse:
    """Not counted after all: the lot stays as the books have it."""
    count = get_object_or_404(Count.objects.live(), pk=count_id)
    lot = get_object_or_404(Lot.objects.all(), pk=lot_id)
    try:
        counting.count_lot(count, lot, by=request.user, counted_millionths=None)  # type: ignore[arg-type]
    except ValidationError as refused:
        return refused_to(request, count.get_absolute_url(), refused)
    return go(request, Done(count.get_absolute_url(), f"{lot} is not counted."))


@require_POST
def count_close(request: HttpRequest, count_id: int) -> HttpResponse:
    """Puts every difference into the books at once."""
    count = get_object_or_404(Count.objects.live(), pk=count_id)
    to = count.get_absolute_url()

    def close() -> Done:
        closed = counting.close_count(count, by=request.user)  # type: ignore[arg-type]
        return Done(to, "The books hold what you counted.", undo_token("count_closed", closed))

    try:
        done = once(request, None, close)
    except ValidationError as refused:
        return refused_to(request, to, refused)
    return done or go(request, Done(to))


@require_POST
def count_reopen(request: HttpRequest, count_id: int) -> HttpResponse:
    """Takes what the count changed out of the books and opens it again."""
    count = get_object_or_404(Count.objects.live(), pk=count_id)
    to = count.get_absolute_url()
    try:
        counting.reopen_count(count, by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    except ValidationError as refused:
        return refused_to(request, to, refused)
    return go(request, Done(to, "The count is open again; the books are as before it."))


@require_POST
def count_void(request: HttpRequest, count_id: int) -> HttpResponse:
    """Takes out a count that was started by mistake."""
    count = get_object_or_404(Count.objects.live(), pk=count_id)
    try:
        counting.void_count(count, by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    except ValidationError as refused:
        return refused_to(request, count.get_absolute_url(), refused)
    return go(request, Done(reverse("counts"), "The count is taken out.", undo_token("voided", count)))


urlpatterns = [
    path("stock/counts/", counts, name="counts"),
    path("stock/counts/<int:count_id>/", count_page, name="count"),
    path("stock/counts/<int:count_id>/close/", count_close, name="count_close"),
    path("stock/counts/<int:count_id>/reopen/", count_reopen, name="count_reopen"),
    path("stock/counts/<int:count_id>/void/", count_void, name="count_void"),
    path("stock/counts/<int:count_id>/<int:lot_id>/", count_lot, name="count_lot"),
    path("stock/counts/<int:count_id>/<int:lot_id>/as-booked/", count_as_booked, name="count_as_booked"),
    path("stock/counts/<int:count_id>/<int:lot_id>/not/", count_not, name="count_not"),
]
