"""Trips by distance, and the dated rates they are worth."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from finishes.measures import BadMeasure, read_number, trim_decimal
from flips.actions import trips
from flips.mileage import IRS_RATES
from flips.models import MILLION, Distance, MileageRate, Piece, Stage, Trip, Units
from flips.models.trips import Posted, claimed_twice, posted_trips, rate_for
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import DayField, QuantityField, ReadField, RecordForm, current_shop, forms

ON_A_PAGE = 30
MOST_PIECES = 60


def _unit() -> str:
    """What distances count in until she says otherwise: that of her last trip, else by the shop's measures."""
    last = Trip.objects.live().order_by("-pk").values_list("unit", flat=True).first()
    if last:
        return last
    return Distance.MILES if current_shop().units == Units.IMPERIAL else Distance.KILOMETRES


def _choices(chosen: list[int]) -> Any:
    """Pieces a drive may have been for: those not gone, the latest sold, and those chosen already."""
    stages = (Stage.SEEN, Stage.BOUGHT, Stage.IN_WORK, Stage.READY, Stage.LISTED, Stage.SOLD)
    latest = (
        Piece.objects.live()
        .filter(stage__in=stages)
        .order_by("-stage_on", "-pk")
        .values_list("pk", flat=True)
    )
    return Piece.objects.filter(Q(pk__in=list(latest[:MOST_PIECES])) | Q(pk__in=chosen)).order_by(
        "-stage_on", "-pk"
    )


class TripForm(RecordForm):
    """A drive: its distance typed, or both readings of the odometer."""

    instance: Trip
    on = DayField(label="Driven on", initial=timezone.localdate)
    distance = QuantityField(label="Distance", required=False)
    odometer_from = QuantityField(label="Odometer at the start", required=False, allow_zero=True)
    odometer_to = QuantityField(label="Odometer at the end", required=False)
    unit = forms.ChoiceField(label="Counted in", choices=Distance.choices, widget=forms.RadioSelect)
    pieces = forms.ModelMultipleChoiceField(
        label="For these pieces",
        queryset=Piece.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="They share it evenly. None: the trip is the shop's.",
    )

    class Meta:
        model = Trip
        fields = ["on", "unit", "purpose"]

    field_order = ["on", "purpose", "distance", "unit", "odometer_from", "odometer_to", "pieces"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        chosen: list[int] = []
        if self.instance.pk is None:
            self.initial.setdefault("unit", _unit())
        else:
            chosen = list(self.instance.pieces.values_list("pk", flat=True))
            read = self.instance.odometer_from_millionths is not None
            self.initial.update(
                {
                    "distance": None if read else self.instance.distance_millionths,
                    "odometer_from": self.instance.odometer_from_millionths,
                    "odometer_to": self.instance.odometer_to_millionths,
                    "pieces": chosen,
                }
            )
        self.fields["pieces"].queryset = _choices(chosen)  # type: ignore[attr-defined]

    def _post_clean(self) -> None:
        # The distance may follow from the odometer: the action works it out and checks the whole row.
        pass

    @property
    def typed(self) -> dict[str, Any]:
        """The fields as the actions take them."""
        typed = self.cleaned_data
        return {
            "on": typed["on"],
            "unit": typed["unit"],
            "purpose": typed["purpose"],
            "distance_millionths": typed["distance"],
            "odometer_from_millionths": typed["odometer_from"],
            "odometer_to_millionths": typed["odometer_to"],
            "pieces": list(typed["pieces"]),
        }


def _warned(text: str, trip: Trip) -> str:
    """What to say after keeping a trip; slips of the same day that may claim the same drive are named at once."""
    slips = claimed_twice([trip.on]).get(trip.on)
    if not slips:
        return text
    return (
        f"{text} A slip of that day may claim the same drive: {slips[0].text}. Claim one of them, not both."
    )


@require_http_methods(["GET", "POST"])
def trip_list(request: HttpRequest) -> HttpResponse:
    """All trips with what they are worth; a new one at the top."""
    form = TripForm(request.POST or None)
    if request.method == "POST" and form.is_valid():

        def do() -> Done:
            made = trips.log_trip(by=request.user, **form.typed)  # type: ignore[arg-type]
            return Done(reverse("trips"), _warned("Trip kept.", made), undo_token("made", made))

        if done := once(request, form, do):
            return done
    rows = list(reversed(posted_trips()))
    page = Paginator(rows, ON_A_PAGE).get_page(request.GET.get("page"))
    here: list[Posted] = list(page.object_list)
    twice = claimed_twice([row.trip.on for row in here])
    for row in here:
        row.trip.slips = twice.get(row.trip.on, [])  # type: ignore[attr-defined]
    return answer(
        request,
        "flips/trips/list.html",
        {
            "form": form,
            "page_obj": page,
            "trips": here,
            "rate_now": rate_for(timezone.localdate(), list(MileageRate.objects.live())),
            "tab": "money",
        },
        status=refused_status(form),
    )


@require_http_methods(["GET", "POST"])
def trip(request: HttpRequest, trip_id: int) -> HttpResponse:
    """One trip: what it is worth and at which rate; corrected here."""
    shown = get_object_or_404(Trip, pk=trip_id)
    form = TripForm(request.POST or None, instance=shown)
    if request.method == "POST" and not shown.is_void and form.is_valid():
        with refusals_on(form):
            form.hold()
            trips.change_trip(Trip.objects.get(pk=shown.pk), **form.typed)
        if not form.errors:
            return go(
                request,
                Done(shown.get_absolute_url(), _warned("Trip corrected.", Trip.objects.get(pk=shown.pk))),
            )
    shown = get_object_or_404(Trip.objects.prefetch_related("pieces"), pk=trip_id)
    posted = next((row for row in posted_trips() if row.trip.pk == shown.pk), None)
    return answer(
        request,
        "flips/trips/trip.html",
        {
            "trip": shown,
            "posted": posted,
            "form": form,
            "slips": claimed_twice([shown.on]).get(shown.on, []),
            "tab": "money",
        },
        status=refused_status(form),
    )


@require_POST
def trip_void(request: HttpRequest, trip_id: int) -> HttpResponse:
    """Takes a trip out with a reason."""
    shown = get_object_or_404(Trip.objects.live(), pk=trip_id)
    try:
        shown.void(by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(shown.get_absolute_url(), " ".join(refused.messages)))
    return go(request, Done(reverse("trips"), "The trip is voided.", undo_token("voided", shown)))


class RateField(ReadField):
    """A typed amount of money finer than a minor unit ("0.725"), as millionths of a minor unit."""

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, int) and not isinstance(value, bool):
            return trim_decimal(Fraction(value, MILLION * 10 ** current_shop().currency.digits), 8)
        return value

    def to_python(self, value: Any) -> int | None:  # type: ignore[override]
        text = super().to_python(value)
        if not text:
            return None
        try:
            exact = read_number(text.replace(current_shop().currency.sign, "").strip())
        except BadMeasure as bad:
            raise ValidationError(str(bad)) from bad
        millionths = exact * MILLION * 10 ** current_shop().currency.digits
        if millionths.denominator != 1 or millionths > 10**13:
            raise ValidationError("Write a rate like 0.725.")
        return int(millionths)


class RateForm(RecordForm):
    """A rate from a day on, and where it is from."""

    from_on = DayField(label="From")
    rate_millionths = RateField(
        label="For each one", widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})
    )
    unit = forms.ChoiceField(label="Counted in", choices=Distance.choices, widget=forms.RadioSelect)

    class Meta:
        model = MileageRate
        fields = ["from_on", "rate_millionths", "unit", "source"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["rate_millionths"].before = current_shop().currency.sign  # type: ignore[attr-defined]
        if self.instance.pk is None:
            self.initial.setdefault("unit", _unit())


@require_http_methods(["GET", "POST"])
def mileage_rates(request: HttpRequest) -> HttpResponse:
    """The rates by date, each with its source."""
    form = RateForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        typed = {name: form.cleaned_data[name] for name in RateForm.Meta.fields}

        def do() -> Done:
            made = trips.add_rate(by=request.user, **typed)  # type: ignore[arg-type]
            return Done(reverse("mileage_rates"), "Rate saved.", undo_token("made", made))

        if done := once(request, form, do):
            return done
    rates = list(MileageRate.objects.live())
    for rate in rates:
        rate.shown = rate.in_words(current_shop().currency)  # type: ignore[attr-defined]
    return answer(
        request,
        "flips/trips/rates.html",
        {
            "rates": rates,
            "rate_now": rate_for(timezone.localdate(), rates),
            "form": form,
            "missing": current_shop().currency_code == "USD"
            and {first for first, _, _ in IRS_RATES} - {rate.from_on for rate in rates},
            "tab": "money",
        },
        status=refused_status(form),
    )


@require_POST
def mileage_rates_irs(request: HttpRequest) -> HttpResponse:
    """Puts in the published US rates that are missing."""

    def do() -> Done:
        added = trips.add_irs_rates(by=request.user)  # type: ignore[arg-type]
        return Done(reverse("mileage_rates"), f"{added} rates are added." if added else "You have them all.")

    return once(request, None, do) or go(request, Done(reverse("mileage_rates")))


@require_http_methods(["GET", "POST"])
def mileage_rate(request: HttpRequest, rate_id: int) -> HttpResponse:
    """One rate; corrected here."""
    shown = get_object_or_404(MileageRate.objects.live(), pk=rate_id)
    form = RateForm(request.POST or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.save()
        if not form.errors:
            return go(request, Done(reverse("mileage_rates"), "Rate corrected; trips follow it."))
    return answer(
        request,
        "flips/trips/rate.html",
        {"rate": get_object_or_404(MileageRate, pk=rate_id), "form": form, "tab": "money"},
        status=refused_status(form),
    )


@require_POST
def mileage_rate_void(request: HttpRequest, rate_id: int) -> HttpResponse:
    """Takes a rate out; its trips follow the one before it."""
    shown = get_object_or_404(MileageRate.objects.live(), pk=rate_id)
    try:
        shown.void(by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(reverse("mileage_rates"), " ".join(refused.messages)))
    return go(request, Done(reverse("mileage_rates"), "The rate is voided.", undo_token("voided", shown)))


urlpatterns = [
    path("trips/", trip_list, name="trips"),
    path("trips/<int:trip_id>/", trip, name="trip"),
    path("trips/<int:trip_id>/void/", trip_void, name="trip_void"),
    path("trips/rates/", mileage_rates, name="mileage_rates"),
    path("trips/rates/irs/", mileage_rates_irs, name="mileage_rates_irs"),
    path("trips/rates/<int:rate_id>/", mileage_rate, name="mileage_rate"),
    path("trips/rates/<int:rate_id>/void/", mileage_rate_void, name="mileage_rate_void"),
]
