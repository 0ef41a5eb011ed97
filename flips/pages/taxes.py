"""Tax schemes by date, tax held by period and collector, and tax paid over."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from finishes.measures import BadMeasure, read_number
from flips.actions import taxes
from flips.books import tax_held
from flips.models import Scheme, TaxPayment, TaxScheme
from flips.models.review import Books
from flips.models.taxes import scheme_on
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import DayField, MoneyField, ReadField, RecordForm, current_shop, forms

EVERY = ((1, "Month by month"), (3, "By quarter"), (12, "The year"))


class RateField(ReadField):
    """A typed rate as whole thousandths of a percent: "8.875" is 8875."""

    def to_python(self, value: Any) -> int | None:  # type: ignore[override]
        text = (super().to_python(value) or "").replace("%", "").strip()
        if not text:
            return None
        try:
            thousandths = read_number(text) * 1000
        except BadMeasure as bad:
            raise ValidationError(str(bad)) from bad
        if thousandths.denominator != 1:
            raise ValidationError("Three decimals at most.")
        if thousandths > 100_000:
            raise ValidationError("100 percent at most.")
        return int(thousandths)


class SchemeForm(forms.Form):
    """A scheme from a day on."""

    scheme = forms.ChoiceField(label="Scheme", choices=Scheme.choices, widget=forms.RadioSelect)
    from_on = DayField(label="From", initial=timezone.localdate)
    rate = RateField(
        label="Rate",
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
    )
    price_includes = forms.BooleanField(label="The prices I ask contain the tax", required=False)
    on_delivery = forms.BooleanField(label="Delivery I charge is taxed too", required=False)
    note = forms.CharField(label="Note", max_length=200, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["rate"].after = "%"  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if (
            cleaned.get("scheme") not in (None, Scheme.NONE)
            and not cleaned.get("rate")
            and "rate" not in self.errors
        ):
            self.add_error("rate", "Write the rate.")
        return cleaned


class TaxPaymentForm(forms.Form):
    """Tax paid over."""

    cents = MoneyField(label="Amount", allow_zero=False)
    on = DayField(label="On", initial=timezone.localdate)
    refunded = forms.BooleanField(label="They refunded it to me", required=False)
    period = forms.CharField(label="For which period", max_length=60, required=False)
    note = forms.CharField(label="Note", max_length=200, required=False)


def _page(request: HttpRequest, **sent: forms.BaseForm) -> HttpResponse:
    today = timezone.localdate()
    books = Books.read(current_shop(), today=today)
    wanted = request.GET.get("year", "")
    year = next((one for one in books.years if one.first.isoformat() == wanted), books.present)
    every = request.GET.get("every", "")
    months = int(every) if every in {str(one) for one, _ in EVERY} else 3
    context: dict[str, Any] = {
        "schemes": TaxScheme.objects.live().order_by("-from_on", "-pk"),
        "scheme_now": scheme_on(today),
        "year": year,
        "held": [
            (period, period.end - timedelta(days=1))
            for period in tax_held(books.lines, first=year.first, end=year.end, months=months)
        ],
        "held_now": books.figures(year).tax_held_at_end,
        "periods": [
            {"url": f"?year={year.first}&every={one}#held", "text": text, "current": one == months}
            for one, text in EVERY
        ],
        "years": [
            {
                "url": f"?year={one.first}&every={months}#held",
                "text": one.name,
                "current": one.first == year.first,
            }
            for one in books.years[-6:]
        ],
        "paid": TaxPayment.objects.live().filter(on__gte=year.first, on__lt=year.end),
        "scheme_form": SchemeForm(),
        "pay_form": TaxPaymentForm(),
        "tab": "money",
    }
    for scheme in context["schemes"]:
        scheme.void_id = f"void-scheme-{scheme.pk}"
    status = max((refused_status(form) for form in sent.values()), default=200)
    return answer(request, "flips/taxes/taxes.html", context | sent, status=status)


@require_http_methods(["GET", "POST"])
def tax_page(request: HttpRequest) -> HttpResponse:
    """The schemes by date, and the tax in the shop's hands."""
    if request.method == "GET":
        return _page(request)
    form = SchemeForm(request.POST)
    if form.is_valid():
        typed = dict(form.cleaned_data)
        typed["rate_thousandths"] = typed.pop("rate") or 0

        def do() -> Done:
            made = taxes.add_scheme(by=request.user, **typed)  # type: ignore[arg-type]
            return Done(reverse("taxes"), "Scheme saved.", undo_token("scheme_made", made))

        if done := once(request, form, do):
            return done
    return _page(request, scheme_form=form)


@require_POST
def tax_scheme_void(request: HttpRequest, scheme_id: int) -> HttpResponse:
    """Takes a scheme out with a reason."""
    shown = get_object_or_404(TaxScheme.objects.live(), pk=scheme_id)
    try:
        taxes.void_scheme(shown, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(reverse("taxes"), " ".join(refused.messages)))
    return go(request, Done(reverse("taxes"), "The scheme is voided; sales keep the tax they have."))


@require_POST
def tax_payment_new(request: HttpRequest) -> HttpResponse:
    """Tax paid over, or refunded."""
    form = TaxPaymentForm(request.POST)
    if form.is_valid():

        def do() -> Done:
            made = taxes.pay_over(by=request.user, **form.cleaned_data)  # type: ignore[arg-type]
            return Done(reverse("taxes"), "Kept.", undo_token("made", made))

        if done := once(request, form, do):
            return done
    return _page(request, pay_form=form)


class TaxPaymentEdit(RecordForm):
    """Corrects tax paid over."""

    cents = MoneyField(label="Amount", allow_zero=False)
    on = DayField(label="On")

    class Meta:
        model = TaxPayment
        fields = ["cents", "on", "refunded", "period", "note"]


@require_http_methods(["GET", "POST"])
def tax_payment(request: HttpRequest, tax_payment_id: int) -> HttpResponse:
    """Tax paid over on one day; corrected here."""
    shown = get_object_or_404(TaxPayment, pk=tax_payment_id)
    form = TaxPaymentEdit(request.POST or None, instance=shown)
    if request.method == "POST" and not shown.is_void and form.is_valid():
        with refusals_on(form):
            form.save()
        if not form.errors:
            return go(request, Done(reverse("taxes"), "Saved."))
    shown = get_object_or_404(TaxPayment, pk=tax_payment_id)
    return answer(
        request,
        "flips/taxes/payment.html",
        {"paid": shown, "form": form, "tab": "money"},
        status=refused_status(form),
    )


@require_POST
def tax_payment_void(request: HttpRequest, tax_payment_id: int) -> HttpResponse:
    """Takes it out with a reason."""
    shown = get_object_or_404(TaxPayment.objects.live(), pk=tax_payment_id)
    try:
        shown.void(by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(shown.get_absolute_url(), " ".join(refused.messages)))
    return go(request, Done(reverse("taxes"), "It is voided.", undo_token("voided", shown)))


urlpatterns = [
    path("taxes/", tax_page, name="taxes"),
    path("taxes/schemes/<int:scheme_id>/void/", tax_scheme_void, name="tax_scheme_void"),
    path("taxes/paid/new/", tax_payment_new, name="tax_payment_new"),
    path("taxes/paid/<int:tax_payment_id>/", tax_payment, name="tax_payment"),
    path("taxes/paid/<int:tax_payment_id>/void/", tax_payment_void, name="tax_payment_void"),
]
