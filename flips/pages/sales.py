"""Offers, sales, sets and returns."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from estimating.money import split
from estimating.pricing.fees import Terms
from estimating.pricing.prices import Floors, check_offer, floors
from flips.actions import sales
from flips.models import Channel, Payment, Piece, Return, Sale, SaleShare, Stage, TaxCollector
from flips.models.facts import figures_of
from flips.models.payments import account_of
from flips.models.people import Shop
from flips.models.taxes import scheme_on
from flips.pages.answers import Done, answer, go, once, refusals_on, undo_token
from flips.pages.forms import DayField, MomentField, MoneyField, RecordForm, current_shop, forms

LOSE, PAY, OWN = "lose", "pay", "own"
FLOORS = ((LOSE, "Break-even"), (PAY, "Own pay"), (OWN, "My own"))


class OfferForm(forms.Form):
    """What is on the table while haggling."""

    price = MoneyField(label="The offer")
    channel = forms.ModelChoiceField(
        label="Channel", queryset=Channel.objects.none(), required=False, empty_label="None, no fee"
    )
    delivery_charged = MoneyField(label="Delivery charged", required=False)
    delivery_paid = MoneyField(label="Delivery paid", required=False)
    packing = MoneyField(label="Packing", required=False)
    tax_collector = forms.ChoiceField(choices=TaxCollector.choices, required=False, widget=forms.HiddenInput)
    floor = forms.ChoiceField(
        label="Your floor", choices=FLOORS, required=False, initial=LOSE, widget=forms.RadioSelect
    )
    floor_price = MoneyField(label="A floor of your own", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["channel"].queryset = Channel.objects.filter(retired=False)  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if (
            cleaned.get("floor") == OWN
            and cleaned.get("floor_price") is None
            and "floor_price" not in self.errors
        ):
            self.add_error("floor_price", "Write your floor.")
        return cleaned

    def terms(self, pieces: Iterable[Piece] = ()) -> Terms:
        """Fees, costs and tax of selling ``pieces`` as the channel's rule and the shop's scheme stand today."""
        typed, today = self.cleaned_data, timezone.localdate()
        fee = sales.fee_of(typed.get("channel"), today)
        taxed = typed.get("tax_collector") in ("", None, TaxCollector.SHOP)
        paid = sum(sales.bought_for(piece.pk for piece in pieces).values())
        return Terms(
            fees=(fee,) if fee else (),
            delivery_charged=typed.get("delivery_charged") or 0,
            delivery_paid=typed.get("delivery_paid") or 0,
            packing=typed.get("packing") or 0,
            **(sales.tax_terms(scheme_on(today), paid_for_it=paid) if taxed else {}),
        )

    def floor_from(self, lowest: Floors) -> int | None:
        """The floor she chose; None where no price gets there."""
        chosen = self.cleaned_data.get("floor") or LOSE
        if chosen == OWN:
            return self.cleaned_data["floor_price"]
        return lowest.own_pay_above if chosen == PAY else lowest.lose_money_below


def offer_context(pieces: list[Piece], form: OfferForm, shop: Shop) -> dict[str, Any]:
    """The margin of an offer for a piece or a set, its floors and the answer to give; empty while nothing is typed."""
    if not form.is_valid():
        return {"offer_errors": form.errors}
    figures = figures_of([piece.pk for piece in pieces], shop=shop)
    basis = sum(one.basis for one in figures.values())
    minutes = sum(one.owner_minutes for one in figures.values())
    terms = form.terms(pieces)
    price, wanted = form.cleaned_data["price"], shop.wanted_hourly_cents
    lowest = floors(terms, basis=basis, minutes=minutes, wanted_hourly=wanted)
    floor_price = form.floor_from(lowest)
    check = None
    if floor_price is not None:
        asking = max(sum(piece.listed_cents or 0 for piece in pieces), floor_price)
        check = check_offer(
            terms,
            offer=price,
            asking=asking,
            floor_price=floor_price,
            basis=basis,
            minutes=minutes,
            wanted_hourly=wanted,
            step=10**shop.currency.digits,
        )
    return {
        "floor_name": dict(FLOORS)[form.cleaned_data.get("floor") or LOSE].lower(),
        "tax_on_top": terms.tax_added(price),
        "offer": terms.sale(price, basis=basis, minutes=minutes, wanted_hourly=wanted),
        "check": check,
        "floors": lowest,
    }


@require_GET
def offer(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Type an offer, see what it leaves; the page for haggling, and the live fragment of the sale form."""
    shown = get_object_or_404(Piece.objects.live(), pk=piece_id)
    typed = request.GET.copy() if "price" in request.GET else None
    if typed is not None:
        typed.setdefault("floor", LOSE)
    form = OfferForm(typed, initial={"price": shown.listed_cents or shown.expected_cents})
    context = {"piece": shown, "form": form}
    if typed is not None and request.GET.get("price", "").strip():
        context |= offer_context([shown], form, current_shop())
    if getattr(request, "htmx", False):
        return answer(request, "flips/sales/_offer.html", context)
    return answer(request, "flips/sales/offer.html", context)


class SellForm(forms.Form):
    """A sale as it happened."""

    price = MoneyField(label="Price")
    channel = forms.ModelChoiceField(
        label="Channel", queryset=Channel.objects.none(), required=False, empty_label="None, no fee"
    )
    delivery_charged = MoneyField(label="Delivery charged", required=False)
    delivery_paid = MoneyField(label="Delivery paid", required=False)
    packing = MoneyField(label="Packing", required=False)
    tax = MoneyField(label="Tax", required=False)
    tax_collector = forms.ChoiceField(
        label="Who collected it",
        choices=TaxCollector.choices,
        initial=TaxCollector.NOBODY,
        widget=forms.RadioSelect,
    )
    fee = MoneyField(
        label="Fee, if the statement differs",
        required=False,
        help_text="Left empty, the channel's rule works it out.",
    )
    sold_at = MomentField(label="Sold", initial=timezone.localtime)
    paid_on = DayField(
        label="Paid on",
        required=False,
        initial=timezone.localdate,
        help_text="Empty while you wait for the money.",
    )
    buyer = forms.CharField(label="Buyer", max_length=120, required=False)
    note = forms.CharField(label="Note", max_length=200, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.deposits: list[Payment] = list(kwargs.pop("deposits", ()))
        super().__init__(*args, **kwargs)
        self.fields["channel"].queryset = Channel.objects.filter(retired=False)  # type: ignore[attr-defined]
        self.scheme = scheme_on(timezone.localdate())
        if self.scheme is not None and self.scheme.rate_thousandths:
            self.fields["tax_collector"].initial = TaxCollector.SHOP
            where = "inside the price" if self.scheme.price_includes else "on top of the price"
            self.fields[
                "tax"
            ].help_text = (
                f"Left empty, it is worked out by the scheme of the day: {self.scheme.rate_text} % {where}."
            )
        if self.deposits:
            self.fields["use_deposits"] = forms.BooleanField(
                label="Set the deposit against the price", required=False, initial=True
            )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if cleaned.get("tax") and cleaned.get("tax_collector") == TaxCollector.NOBODY:
            self.add_error("tax_collector", "Say who collected the sales tax.")
        if cleaned.get("sold_at") and cleaned["sold_at"] > timezone.now() + timedelta(days=1):
            self.add_error("sold_at", "That is in the future.")
        return cleaned

    def amounts(self) -> dict[str, Any]:
        """The fields as ``sales.sell`` takes them."""
        typed = self.cleaned_data
        by_scheme = typed["tax"] is None and typed["tax_collector"] == TaxCollector.SHOP
        if by_scheme:
            by_scheme = scheme_on(timezone.localdate(typed["sold_at"])) is not None
        return {
            "with_deposits": typed.get("use_deposits", False),
            "price_cents": typed["price"],
            "channel": typed["channel"],
            "delivery_charged_cents": typed["delivery_charged"] or 0,
            "delivery_paid_cents": typed["delivery_paid"] or 0,
            "packing_cents": typed["packing"] or 0,
            "tax_cents": None if by_scheme else typed["tax"] or 0,
            "tax_collector": typed["tax_collector"] if typed["tax"] or by_scheme else TaxCollector.NOBODY,
            "fee_cents": typed["fee"],
            "sold_at": typed["sold_at"],
            "paid_on": typed["paid_on"],
            "buyer": typed["buyer"],
            "note": typed["note"],
        }


@require_http_methods(["GET", "POST"])
def sell(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Sells one piece; the margin is shown while the price is typed."""
    shown = get_object_or_404(Piece.objects.live(), pk=piece_id)
    if not shown.is_owned:
        return go(
            request,
            Done(shown.get_absolute_url(), f"It is {shown.get_stage_display().lower()} and can't be sold."),
        )
    held = list(Payment.objects.held().filter(piece=shown))
    form = SellForm(
        request.POST or None,
        deposits=held,
        initial={"price": shown.listed_cents, "buyer": held[0].buyer if held else ""},
    )
    if request.method == "POST" and form.is_valid():

        def do() -> Done:
            sale = sales.sell(by=request.user, weights={shown: 1}, **form.amounts())  # type: ignore[arg-type]
            return Done(shown.get_absolute_url(), "Sold.", undo_token("sold", sale))

        if done := once(request, form, do):
            return done
    context = {"piece": shown, "form": form}
    context |= _live(request, [shown], form)
    return answer(request, "flips/sales/sell.html", context, status=422 if form.errors else 200)


def _live(request: HttpRequest, pieces: list[Piece], form: SellForm) -> dict[str, Any]:
    """The margin beside a sale form on its first showing and after an error, without any script."""
    price = form["price"].value()
    if price in (None, ""):
        return {}
    typed = request.POST if request.method == "POST" else {"price": form.fields["price"].prepare_value(price)}
    return offer_context(pieces, OfferForm(typed), current_shop())


class SetForm(SellForm):
    """Several pieces sold for one price; each takes a share by its weight."""

    def __init__(self, *args: Any, choices: list[Piece], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.choices = choices
        for one in choices:
            weight = one.listed_cents or one.expected_cents
            self.fields[f"take_{one.pk}"] = forms.BooleanField(label="In the set", required=False)
            self.fields[f"weight_{one.pk}"] = MoneyField(label="Worth alone", required=False, initial=weight)

    def rows(self) -> list[tuple[Piece, Any, Any]]:
        """Each piece with its two fields."""
        return [(one, self[f"take_{one.pk}"], self[f"weight_{one.pk}"]) for one in self.choices]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        taken = [one for one in self.choices if cleaned.get(f"take_{one.pk}")]
        if len(taken) < 2:
            self.add_error(None, "Choose at least two pieces; a single one is sold on its own page.")
        for one in taken:
            if not cleaned.get(f"weight_{one.pk}") and f"weight_{one.pk}" not in self.errors:
                self.add_error(f"weight_{one.pk}", "Give it a share: what it would fetch alone.")
        self.weights = {one: cleaned.get(f"weight_{one.pk}") or 0 for one in taken}
        return cleaned


@require_http_methods(["GET", "POST"])
def sale_new(request: HttpRequest) -> HttpResponse:
    """Sells several pieces as one set."""
    choices = list(
        Piece.objects.live()
        .filter(stage__in=(Stage.READY, Stage.LISTED, Stage.IN_WORK, Stage.BOUGHT))
        .order_by("-stage", "-pk")[:80]
    )
    held = Payment.objects.held().filter(piece__in=choices).select_related("piece")
    form = SetForm(request.POST or None, choices=choices, deposits=held)
    if request.method == "POST" and form.is_valid():

        def do() -> Done:
            sale = sales.sell(by=request.user, weights=form.weights, **form.amounts())  # type: ignore[arg-type]
            return Done(sale.get_absolute_url(), "Sold as a set.", undo_token("sold", sale))

        if done := once(request, form, do):
            return done
    return answer(
        request,
        "flips/sales/sell_set.html",
        {"form": form, "choices": choices},
        status=422 if form.errors else 200,
    )


class SaleForm(RecordForm):
    """Corrects a sale."""

    price_cents = MoneyField(label="Price")
    delivery_charged_cents = MoneyField(label="Delivery charged")
    delivery_paid_cents = MoneyField(label="Delivery paid")
    packing_cents = MoneyField(label="Packing")
    tax_cents = MoneyField(
        label="Tax",
        required=False,
        help_text="Empty it to let the scheme of the day of the sale work it out.",
    )
    fee_cents = MoneyField(
        label="Fee", required=False, help_text="Empty it to let the channel's rule work it out."
    )
    sold_at = MomentField(label="Sold")
    paid_on = DayField(label="Paid on", required=False)

    class Meta:
        model = Sale
        fields = [
            "price_cents",
            "channel",
            "delivery_charged_cents",
            "delivery_paid_cents",
            "packing_cents",
            "tax_cents",
            "tax_collector",
            "fee_cents",
            "sold_at",
            "paid_on",
            "buyer",
            "note",
        ]

    def __init__(self, *args: Any, shares: list[SaleShare], by_payments: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.shares = shares
        if by_payments:
            self.fields["paid_on"].disabled = True
            self.fields["paid_on"].help_text = "Follows from the payments above."
        if len(shares) > 1:
            for share in shares:
                self.fields[f"weight_{share.piece_id}"] = MoneyField(
                    label=f"{share.piece}: share by", required=False, initial=share.weight
                )

    def _post_clean(self) -> None:
        # Fee and tax may be left empty here, which the row can't hold: the action works them out and checks the row.
        for name in ("fee_cents", "tax_cents"):
            self.cleaned_data.setdefault(name, None)
        if self.cleaned_data["fee_cents"] is not None and self.cleaned_data["tax_cents"] is not None:
            super()._post_clean()  # type: ignore[misc]


@require_http_methods(["GET", "POST"])
def sale(request: HttpRequest, sale_id: int) -> HttpResponse:
    """A sale: what each piece took of it, what selling cost, and what came back; corrected here."""
    shown = get_object_or_404(Sale.objects.select_related("channel"), pk=sale_id)
    shares = list(shown.shares.live().select_related("piece").order_by("pk"))
    initial = {} if shown.fee_by_hand else {"fee_cents": None}
    account = account_of(shown)
    form = SaleForm(
        request.POST or None, instance=shown, shares=shares, initial=initial, by_payments=account.by_payments
    )
    if request.method == "POST" and not shown.is_void and form.is_valid():
        typed = {name: form.cleaned_data[name] for name in SaleForm.Meta.fields if name != "fee_cents"}
        weights = {share.piece_id: form.cleaned_data.get(f"weight_{share.piece_id}") or 0 for share in shares}
        with refusals_on(form):
            fresh = Sale.objects.select_for_update().get(pk=shown.pk)
            sales.change_sale(
                fresh,
                weights=weights if len(shares) > 1 else None,
                fee_cents=form.cleaned_data["fee_cents"],
                **typed,
            )
            return go(request, Done(shown.get_absolute_url(), "Sale corrected."))
    shown.refresh_from_db()
    figures = figures_of([share.piece_id for share in shares], shop=current_shop())
    for share in shares:
        share.figures = figures.get(share.piece_id)  # type: ignore[attr-defined]
    returns = list(
        Return.objects.filter(share__sale=shown).select_related("share__piece").order_by("returned_on", "pk")
    )
    for given in returns:
        given.void_id = f"void-return-{given.pk}"  # type: ignore[attr-defined]
    return answer(
        request,
        "flips/sales/sale.html",
        {"sale": shown, "shares": shares, "form": form, "returns": returns, "account": account_of(shown)},
        status=409 if form.changed_meanwhile else 422 if form.errors else 200,
    )


@require_POST
def sale_void(request: HttpRequest, sale_id: int) -> HttpResponse:
    """Voids a sale with a reason; its pieces are back in the shop."""
    shown = get_object_or_404(Sale.objects.live(), pk=sale_id)
    try:
        sales.void_sale(shown, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(shown.get_absolute_url(), " ".join(refused.messages)))
    return go(request, Done(shown.get_absolute_url(), "The sale is voided; its pieces are back in the shop."))


class ReturnForm(forms.Form):
    """What was given back."""

    refund = MoneyField(label="Money given back")
    goods_back = forms.BooleanField(label="The piece came back", required=False, initial=True)
    tax_refund = MoneyField(label="Sales tax given back", required=False)
    fee_refund = MoneyField(label="Fee you got back", required=False)
    freight = MoneyField(label="Return freight you paid", required=False)
    compensation = MoneyField(label="Carrier's compensation", required=False)
    returned_on = DayField(label="On", initial=timezone.localdate)
    reason = forms.CharField(label="Why", max_length=200)

    def amounts(self) -> dict[str, Any]:
        """The fields as ``sales.take_back`` takes them."""
        typed = self.cleaned_data
        cents = {
            f"{name}_cents": typed[name] or 0
            for name in ("refund", "tax_refund", "fee_refund", "freight", "compensation")
        }
        return cents | {name: typed[name] for name in ("goods_back", "returned_on", "reason")}


@require_http_methods(["GET", "POST"])
def return_new(request: HttpRequest, share_id: int) -> HttpResponse:
    """Gives money back on a sold piece."""
    share = get_object_or_404(
        SaleShare.objects.live().select_related("piece", "sale").filter(sale__voided_at__isnull=True),
        pk=share_id,
    )
    shares = list(share.sale.shares.live().order_by("pk"))
    weights = [one.price_cents for one in shares]
    tax = share.tax_cents
    if tax is None:
        parts = split(share.sale.tax_cents, weights if any(weights) else [1] * len(weights))
        tax = parts[[one.pk for one in shares].index(share.pk)]
    form = ReturnForm(request.POST or None, initial={"refund": share.price_cents, "tax_refund": tax or None})
    if share.sale.tax_inside:
        form.fields["tax_refund"].label = "Tax inside the money given back"
    if request.method == "POST" and form.is_valid():

        def do() -> Done:
            given = sales.take_back(share, by=request.user, **form.amounts())  # type: ignore[arg-type]
            return Done(share.piece.get_absolute_url(), f"Return of {given.returned_on:%d %b} kept.")

        if done := once(request, form, do):
            return done
    return answer(
        request, "flips/sales/return.html", {"share": share, "form": form}, status=422 if form.errors else 200
    )


@require_POST
def return_void(request: HttpRequest, return_id: int) -> HttpResponse:
    """Voids a return with a reason."""
    given = get_object_or_404(Return.objects.live().select_related("share__sale"), pk=return_id)
    to = given.share.sale.get_absolute_url()
    try:
        sales.void_return(given, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(to, " ".join(refused.messages)))
    return go(request, Done(to, "The return is voided."))


ON_A_PAGE = 30


@require_GET
def sale_list(request: HttpRequest) -> HttpResponse:
    """All sales, the newest first."""
    rows = (
        Sale.objects.live()
        .select_related("channel")
        .prefetch_related("shares__piece")
        .order_by("-sold_at", "-pk")
    )
    if request.GET.get("show") == "unpaid":
        rows = rows.filter(paid_on__isnull=True)
    page = Paginator(rows, ON_A_PAGE).get_page(request.GET.get("page"))
    return answer(
        request,
        "flips/sales/list.html",
        {"page_obj": page, "sales": page.object_list, "unpaid": request.GET.get("show") == "unpaid"},
    )


urlpatterns = [
    path("pieces/<int:piece_id>/offer/", offer, name="offer"),
    path("pieces/<int:piece_id>/sell/", sell, name="sell"),
    path("sales/", sale_list, name="sales"),
    path("sales/new/", sale_new, name="sale_new"),
    path("sales/<int:sale_id>/", sale, name="sale"),
    path("sales/<int:sale_id>/void/", sale_void, name="sale_void"),
    path("sale-shares/<int:share_id>/return/", return_new, name="return_new"),
    path("returns/<int:return_id>/void/", return_void, name="return_void"),
]
