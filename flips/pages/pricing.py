"""Pricing a finished piece: floors, prices for a target, what like pieces fetch, and a plan to come down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from typing import Any

from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from estimating.margin import Margin
from estimating.money import round_half_up
from estimating.pricing.fees import Terms
from estimating.pricing.prices import NoPrice, drop_plan, floors, price_for_hourly, price_for_margin
from finishes.measures import trim_decimal
from flips.actions import pricing as prices
from flips.books import year_figures
from flips.models import Comparable, Piece
from flips.models.comparables import own_sales
from flips.models.facts import figures_of, shop_facts
from flips.models.people import Shop
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import DayField, MoneyField, PercentField, RecordForm, current_shop, forms
from flips.pages.pieces import suggestions
from flips.pages.sales import LOSE, OWN, OfferForm

ON_A_PAGE = 30
A_YEAR = timedelta(days=365)


class PricingForm(OfferForm):
    """What a price has to reach, and how to come down from it."""

    price = MoneyField(label="The price you ask", required=False)
    percent = PercentField(label="Wanted margin", required=False, initial=4000, most=99)
    hourly = MoneyField(label="Wanted pay an hour", required=False)
    running = MoneyField(
        label="Its share of running costs",
        required=False,
        help_text="Rent, power, insurance: what a sale must bring in besides its own costs.",
    )
    every_days = forms.IntegerField(
        label="Come down every", required=False, min_value=1, max_value=366, initial=14
    )
    drop = PercentField(label="By", required=False, initial=1000, most=99)
    holding = MoneyField(
        label="A day of waiting costs", required=False, help_text="Storage, a booth, money tied up."
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["percent"].after = "%"  # type: ignore[attr-defined]
        self.fields["drop"].after = "%"  # type: ignore[attr-defined]
        self.fields["every_days"].after = "days"  # type: ignore[attr-defined]


@dataclass(frozen=True)
class Row:
    """A price that reaches something, what it leaves, and what one minor unit less would leave."""

    words: str
    price: int | None
    sale: Margin | None = None
    less: Margin | None = None
    why: str = ""


def running_share(shop: Shop, *, today: date) -> int | None:
    """The expenses of the last 365 days for each piece sold in them, rounded half up; None when none was sold."""
    lines, _ = shop_facts(zone=shop.zone)
    year = year_figures(lines, first=today - A_YEAR, end=today + timedelta(days=1))
    sold = sum(1 for one in year.pieces.values() if one.revenue > 0)
    return round_half_up(Fraction(year.expenses_total, sold)) if sold else None


def _row(words: str, price: int | None, *, terms: Terms, basis: int, minutes: int, wanted: int) -> Row:
    if price is None:
        return Row(words, None, why="No price gets there: fees and tax take whatever is added.")

    def at(cents: int) -> Margin:
        return terms.sale(cents, basis=basis, minutes=minutes, wanted_hourly=wanted)

    return Row(words, price, at(price), at(price - 1) if price else None)


def price_rows(form: PricingForm, *, terms: Terms, basis: int, minutes: int, wanted: int) -> list[Row]:
    """The three floors and the prices for the targets that were typed."""
    typed = form.cleaned_data
    running = typed.get("running") or 0
    lowest = floors(terms, basis=basis, minutes=minutes, wanted_hourly=wanted, running=running)
    figures: dict[str, Any] = {"terms": terms, "basis": basis, "minutes": minutes, "wanted": wanted}
    rows = [_row("You lose money below", lowest.lose_money_below, **figures)]
    if running:
        rows.append(_row("You work for free below", lowest.work_for_free_below, **figures))
    rows.append(_row("Own pay from", lowest.own_pay_above, **figures))
    if typed.get("percent") is not None:
        percent = Fraction(typed["percent"], 100)
        try:
            price = price_for_margin(terms, basis=basis, percent=percent)
        except NoPrice:
            price = None
        rows.append(_row(f"For a margin of {trim_decimal(percent, 2)} %", price, **figures))
    if typed.get("hourly") is not None:
        try:
            price = price_for_hourly(
                terms, basis=basis, minutes=minutes, hourly=typed["hourly"], running=running
            )
        except NoPrice:
            price = None
        rows.append(_row("For the pay an hour you typed", price, **figures))
    return rows


def pricing_context(piece: Piece, form: PricingForm, shop: Shop) -> dict[str, Any]:
    """Every price worked out from what is typed; errors only while something is wrong."""
    if not form.is_valid():
        return {"price_errors": form.errors}
    typed = form.cleaned_data
    figures = figures_of([piece.pk], shop=shop).get(piece.pk)
    basis = figures.basis if figures else 0
    minutes = figures.owner_minutes if figures else 0
    wanted, terms = shop.wanted_hourly_cents, form.terms([piece])
    rows = price_rows(form, terms=terms, basis=max(basis, 0), minutes=minutes, wanted=wanted)
    lowest = floors(
        terms, basis=max(basis, 0), minutes=minutes, wanted_hourly=wanted, running=typed.get("running") or 0
    )
    asked, floor_price = typed.get("price"), form.floor_from(lowest)
    plan: Sequence[Any] = ()
    if asked and floor_price is not None and typed.get("every_days") and typed.get("drop"):
        plan = drop_plan(
            terms,
            asking=asked,
            floor_price=floor_price,
            every_days=typed["every_days"],
            percent=Fraction(typed["drop"], 100),
            basis=max(basis, 0),
            minutes=minutes,
            wanted_hourly=wanted,
            holding_per_day=typed.get("holding") or 0,
            step=10**shop.currency.digits,
        )
    start = timezone.localdate()
    return {
        "rows": rows,
        "basis": basis,
        "minutes": minutes,
        "asked": terms.sale(asked, basis=max(basis, 0), minutes=minutes, wanted_hourly=wanted)
        if asked
        else None,
        "asked_cents": asked,
        "plan": [(start + timedelta(days=step.day), step) for step in plan],
        "below_floor": bool(asked and floor_price is not None and asked < floor_price),
        "no_floor": asked is not None and floor_price is None,
    }


@require_GET
def pricing(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Floors, targets, like pieces and the plan for one piece, live while figures are typed."""
    shown = get_object_or_404(Piece.objects.live(), pk=piece_id)
    shop = current_shop()
    live = bool(getattr(request, "htmx", False))
    typed: Any = request.GET if "price" in request.GET else None
    if typed is None:
        first = PricingForm()
        start = {
            "price": shown.listed_cents or shown.expected_cents,
            "percent": 4000,
            "hourly": shop.wanted_hourly_cents or None,
            "running": running_share(shop, today=timezone.localdate()),
            "every_days": 14,
            "drop": 1000,
            "floor": LOSE,
        }
        typed = {
            name: first.fields[name].prepare_value(value)
            for name, value in start.items()
            if value is not None
        }
    form = PricingForm(typed)
    context: dict[str, Any] = {"piece": shown, "form": form, "tab": "bench", "own_floor": OWN}
    context |= pricing_context(shown, form, shop)
    if live:
        return answer(request, "flips/pricing/_prices.html", context)
    context["sold"] = own_sales(shown.kind, but=shown)
    if shown.kind:
        context["noted"] = Comparable.objects.live().filter(kind__iexact=shown.kind)[:20]
    return answer(request, "flips/pricing/pricing.html", context)


class AskForm(forms.Form):
    """The price to ask."""

    price = MoneyField(label="The price you ask", allow_zero=False)


@require_POST
def price_ask(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Writes the price she asks."""
    shown = get_object_or_404(Piece.objects.live(), pk=piece_id)
    form = AskForm(request.POST)
    back = reverse("pricing", args=[shown.pk])
    if form.is_valid():
        with refusals_on(form):
            prices.ask(shown, form.cleaned_data["price"])
        if not form.errors:
            return go(request, Done(shown.get_absolute_url(), "The price you ask is kept."))
    return go(
        request, Done(back, " ".join(str(error) for errors in form.errors.values() for error in errors))
    )


class ComparableForm(RecordForm):
    """A price seen elsewhere."""

    price_cents = MoneyField(label="Price", allow_zero=False)
    seen_on = DayField(label="Seen on", initial=timezone.localdate)

    class Meta:
        model = Comparable
        fields = ["what", "kind", "price_cents", "was_paid", "place", "seen_on", "note"]
        widgets = {"kind": forms.TextInput(attrs={"list": "kinds"})}


@require_http_methods(["GET", "POST"])
def comparables(request: HttpRequest) -> HttpResponse:
    """Prices noted elsewhere, and her own sales of a kind."""
    kind = request.GET.get("kind", "").replace("\x00", "").strip()[:60]
    form = ComparableForm(request.POST or None, initial={"kind": kind})
    if request.method == "POST" and form.is_valid():
        typed = {name: form.cleaned_data[name] for name in ComparableForm.Meta.fields}

        def do() -> Done:
            made = prices.note_price(by=request.user, **typed)  # type: ignore[arg-type]
            return Done(request.get_full_path(), "Price noted.", undo_token("made", made))

        if done := once(request, form, do):
            return done
    rows = Comparable.objects.live()
    if kind:
        rows = rows.filter(kind__iexact=kind)
    page = Paginator(rows, ON_A_PAGE).get_page(request.GET.get("page"))
    return answer(
        request,
        "flips/pricing/comparables.html",
        {
            "form": form,
            "page_obj": page,
            "noted": page.object_list,
            "kind": kind,
            "sold": own_sales(kind),
            "tab": "money",
            **suggestions(),
        },
        status=refused_status(form),
    )


@require_http_methods(["GET", "POST"])
def comparable(request: HttpRequest, comparable_id: int) -> HttpResponse:
    """One noted price; corrected here."""
    shown = get_object_or_404(Comparable, pk=comparable_id)
    form = ComparableForm(request.POST or None, instance=shown)
    if request.method == "POST" and not shown.is_void and form.is_valid():
        with refusals_on(form):
            form.save()
        if not form.errors:
            return go(request, Done(reverse("comparables"), "Saved."))
    return answer(
        request,
        "flips/pricing/comparable.html",
        {
            "noted": get_object_or_404(Comparable, pk=comparable_id),
            "form": form,
            "tab": "money",
            **suggestions(),
        },
        status=refused_status(form),
    )


@require_POST
def comparable_void(request: HttpRequest, comparable_id: int) -> HttpResponse:
    """Takes a noted price out with a reason."""
    shown = get_object_or_404(Comparable.objects.live(), pk=comparable_id)
    try:
        shown.void(by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(shown.get_absolute_url(), " ".join(refused.messages)))
    return go(request, Done(reverse("comparables"), "It is voided.", undo_token("voided", shown)))


urlpatterns = [
    path("pieces/<int:piece_id>/pricing/", pricing, name="pricing"),
    path("pieces/<int:piece_id>/pricing/ask/", price_ask, name="price_ask"),
    path("comparables/", comparables, name="comparables"),
    path("comparables/<int:comparable_id>/", comparable, name="comparable"),
    path("comparables/<int:comparable_id>/void/", comparable_void, name="comparable_void"),
]
