"""Deposits, payments towards sales, and tips."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from flips.actions import payments
from flips.models import DepositEnd, PaidWith, Payment, PaymentKind, Piece, Sale
from flips.models.payments import account_of
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import DayField, MoneyField, RecordForm, forms

ON_A_PAGE = 30


class PaymentForm(forms.Form):
    """Money that came in."""

    cents = MoneyField(label="Amount", allow_zero=False)
    on = DayField(label="Came in on", initial=timezone.localdate)
    method = forms.ChoiceField(
        label="How paid", choices=PaidWith.choices, initial=PaidWith.CASH, widget=forms.RadioSelect
    )
    buyer = forms.CharField(label="From", max_length=120, required=False)
    note = forms.CharField(label="Note", max_length=200, required=False)


@require_http_methods(["GET", "POST"])
def deposit_new(request: HttpRequest, piece_id: int) -> HttpResponse:
    """A deposit on a piece that is not sold yet."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    form = PaymentForm(request.POST or None)
    if form.is_valid():

        def do() -> Done:
            made = payments.take_deposit(piece, by=request.user, **form.cleaned_data)  # type: ignore[arg-type]
            return Done(piece.get_absolute_url(), "Deposit taken.", undo_token("paid", made))

        if done := once(request, form, do):
            return done
    held = Payment.objects.held().filter(piece=piece)
    return answer(
        request,
        "flips/payments/deposit.html",
        {"piece": piece, "form": form, "held": held, "tab": "bench"},
        status=refused_status(form),
    )


class SalePaymentForm(PaymentForm):
    """Money towards a sale, or on top of it."""

    kind = forms.ChoiceField(
        label="What is it?",
        choices=[(PaymentKind.BALANCE, "Towards the price"), (PaymentKind.TIP, "A tip on top")],
        widget=forms.RadioSelect,
        initial=PaymentKind.BALANCE,
    )
    settles = forms.BooleanField(
        label="Nothing more is to come", required=False, help_text="Where the channel kept its fee back."
    )

    field_order = ["kind", "cents", "settles", "on", "method", "buyer", "note"]


@require_http_methods(["GET", "POST"])
def payment_new(request: HttpRequest, sale_id: int) -> HttpResponse:
    """A payment on a sale, or a tip."""
    sale = get_object_or_404(Sale.objects.live().select_related("channel"), pk=sale_id)
    account = account_of(sale)
    kind = PaymentKind.TIP if sale.paid_on is not None else PaymentKind.BALANCE
    form = SalePaymentForm(
        request.POST or None,
        initial={"kind": kind, "cents": account.to_come or None, "buyer": sale.buyer},
    )
    if form.is_valid():
        typed = dict(form.cleaned_data)
        kind = PaymentKind(typed.pop("kind"))

        def do() -> Done:
            if kind == PaymentKind.TIP:
                typed.pop("settles")
                made = payments.take_tip(sale, by=request.user, **typed)  # type: ignore[arg-type]
                return Done(sale.get_absolute_url(), "Tip kept.", undo_token("paid", made))
            made = payments.pay(sale, by=request.user, **typed)  # type: ignore[arg-type]
            return Done(sale.get_absolute_url(), "Payment kept.", undo_token("paid", made))

        if done := once(request, form, do):
            return done
    return answer(
        request,
        "flips/payments/payment_new.html",
        {"sale": sale, "form": form, "account": account, "tab": "money"},
        status=refused_status(form),
    )


class CorrectForm(RecordForm):
    """What may be corrected on a payment; its amount and day are entered anew after voiding."""

    class Meta:
        model = Payment
        fields = ["method", "buyer", "note"]


class EndForm(forms.Form):
    """A deposit given back, or kept."""

    given_back = MoneyField(label="You give back", help_text="What you keep of it is other income.")
    on = DayField(label="On", initial=timezone.localdate)
    reason = forms.CharField(label="Why", max_length=200, required=False)


def _payment_page(request: HttpRequest, shown: Payment, **sent: forms.BaseForm) -> HttpResponse:
    end = shown.end
    may_end = (
        not shown.is_void
        and end is None
        and shown.kind != PaymentKind.TIP
        and (shown.sale is None or shown.sale.paid_on is None)
    )
    context: dict[str, Any] = {
        "payment": shown,
        "end": end,
        "may_end": may_end,
        "form": CorrectForm(instance=shown),
        "end_form": EndForm(initial={"given_back": shown.cents}),
        "tab": "money",
    }
    status = max((refused_status(form) for form in sent.values()), default=200)
    return answer(request, "flips/payments/payment.html", context | sent, status=status)


def _payment(payment_id: int) -> Payment:
    return get_object_or_404(
        Payment.objects.select_related("piece", "sale", "created_by", "voided_by"), pk=payment_id
    )


@require_http_methods(["GET", "POST"])
def payment(request: HttpRequest, payment_id: int) -> HttpResponse:
    """One payment: what it was for and what became of it."""
    shown = _payment(payment_id)
    if request.method == "GET" or shown.is_void:
        return _payment_page(request, shown)
    form = CorrectForm(request.POST, instance=shown)
    if form.is_valid():
        with refusals_on(form):
            form.save()
        if not form.errors:
            return go(request, Done(shown.get_absolute_url(), "Saved."))
    return _payment_page(request, _payment(payment_id), form=form)


@require_POST
def payment_end(request: HttpRequest, payment_id: int) -> HttpResponse:
    """Gives a deposit back or keeps it."""
    shown = _payment(payment_id)
    form = EndForm(request.POST)
    if form.is_valid():
        typed = form.cleaned_data

        def do() -> Done:
            end = payments.end_deposit(
                shown,
                by=request.user,  # type: ignore[arg-type]
                given_back_cents=typed["given_back"],
                on=typed["on"],
                reason=typed["reason"],
            )
            said = "The deposit is given back." if not end.kept_cents else "What was kept is other income."
            return Done(shown.get_absolute_url(), said, undo_token("deposit_ended", end))

        if done := once(request, form, do):
            return done
    return _payment_page(request, shown, end_form=form)


@require_POST
def payment_void(request: HttpRequest, payment_id: int) -> HttpResponse:
    """Takes a payment out with a reason."""
    shown = _payment(payment_id)
    try:
        payments.void_payment(shown, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(shown.get_absolute_url(), " ".join(refused.messages)))
    return go(request, Done(shown.get_absolute_url(), "The payment is voided."))


@require_POST
def deposit_end_void(request: HttpRequest, end_id: int) -> HttpResponse:
    """A deposit given back or kept by mistake is held again."""
    end = get_object_or_404(DepositEnd.objects.live().select_related("payment__sale"), pk=end_id)
    to = end.get_absolute_url()
    try:
        payments.void_end(end, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(to, " ".join(refused.messages)))
    return go(request, Done(to, "It is held again."))


@require_GET
def payment_list(request: HttpRequest) -> HttpResponse:
    """Deposits held, sales that wait for money, and everything that came in."""
    rows = Payment.objects.live().select_related("piece", "sale").with_ends().order_by("-on", "-pk")
    page = Paginator(rows, ON_A_PAGE).get_page(request.GET.get("page"))
    waiting = (
        Sale.objects.live()
        .filter(paid_on__isnull=True)
        .prefetch_related("shares__piece")
        .order_by("sold_at")[:ON_A_PAGE]
    )
    return answer(
        request,
        "flips/payments/list.html",
        {
            "page_obj": page,
            "payments": page.object_list,
            "held": Payment.objects.held().select_related("piece"),
            "waiting": waiting,
            "tab": "money",
        },
    )


urlpatterns = [
    path("payments/", payment_list, name="payments"),
    path("payments/<int:payment_id>/", payment, name="payment"),
    path("payments/<int:payment_id>/end/", payment_end, name="payment_end"),
    path("payments/<int:payment_id>/void/", payment_void, name="payment_void"),
    path("deposit-ends/<int:end_id>/void/", deposit_end_void, name="deposit_end_void"),
    path("pieces/<int:piece_id>/deposit/", deposit_new, name="deposit_new"),
    path("sales/<int:sale_id>/payments/new/", payment_new, name="payment_new"),
]
