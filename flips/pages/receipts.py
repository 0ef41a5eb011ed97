"""Receipts: the inbox, and one slip with its lines; the owner's alone, photos included."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Case, F, IntegerField, Prefetch, Q, Value, When
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from estimating.money import Money
from flips.actions import receipts
from flips.models import (
    MILLION,
    Destination,
    ExpenseCategory,
    LineShare,
    PaidWith,
    Photo,
    Piece,
    Receipt,
    ReceiptLine,
    StockKind,
)
from flips.models.receipts import twins
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import (
    DayField,
    MoneyField,
    PhotosField,
    QuantityField,
    RecordForm,
    current_shop,
    forms,
    initial_today,
)
from flips.pages.on_piece import ChoiceOf
from flips.pages.stock import SizesForm, kind_as_before, shops, suggestions

ON_A_PAGE = 30
MOST_PIECES = 100


def _said(refused: ValidationError) -> str:
    return " ".join(refused.messages)


# The inbox


@require_GET
def inbox(request: HttpRequest) -> HttpResponse:
    """All receipts: those that wait for their lines first, then those that do not add up."""
    shown, words = request.GET.get("show", ""), request.GET.get("q", "").replace("\x00", "").strip()[:80]
    rows = Receipt.objects.live().with_sums()
    waiting = Q(lines_count=0)
    off = Q(lines_count__gt=0) & (Q(total_cents__isnull=True) | ~Q(total_cents=F("lines_cents")))
    rows = rows.annotate(
        turn=Case(
            When(waiting, then=Value(0)),
            When(off, then=Value(1)),
            default=Value(2),
            output_field=IntegerField(),
        )
    )
    if shown == "waiting":
        rows = rows.filter(waiting)
    elif shown == "off":
        rows = rows.filter(off)
    for word in words.split()[:6]:
        rows = rows.filter(Q(shop_name__icontains=word) | Q(note__icontains=word))
    slips = Prefetch("photos", Photo.objects.live(), to_attr="slips")
    page = Paginator(rows.order_by("turn", "-bought_on", "-pk").prefetch_related(slips), ON_A_PAGE).get_page(
        request.GET.get("page")
    )
    tabs = [
        {"url": reverse("receipts"), "text": "All", "current": shown not in ("waiting", "off")},
        {
            "url": "?show=waiting",
            "text": "Waiting",
            "current": shown == "waiting",
            "count": Receipt.objects.waiting().count(),
        },
        {
            "url": "?show=off",
            "text": "Not adding up",
            "current": shown == "off",
            "count": Receipt.objects.not_adding_up().count(),
        },
    ]
    return answer(
        request,
        "flips/receipts/list.html",
        {
            "page_obj": page,
            "receipts": page.object_list,
            "tabs": tabs,
            "words": words,
            "shown": shown,
            "tab": "money",
        },
    )


class HeadForm(forms.Form):
    """A new receipt: a photo is enough."""

    photos = PhotosField(label="Photos of the slip")
    shop_name = forms.CharField(
        label="Shop", max_length=80, required=False, widget=forms.TextInput(attrs={"list": "shops"})
    )
    total = MoneyField(label="Total paid", required=False)
    tax = MoneyField(label="Tax added", required=False, help_text="Left empty when the prices include it.")
    bought_on = DayField(label="Date on the slip", initial=initial_today)
    paid_with = forms.ChoiceField(
        label="How paid", choices=PaidWith.choices, initial=PaidWith.CARD, widget=forms.RadioSelect
    )
    note = forms.CharField(label="Note", max_length=200, required=False)


@require_http_methods(["GET", "POST"])
def receipt_new(request: HttpRequest) -> HttpResponse:
    """Keeps a slip: the photo now, the lines later."""
    form = HeadForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        typed = form.cleaned_data

        def keep() -> Done:
            kept = receipts.new_receipt(
                by=request.user,  # type: ignore[arg-type]
                photos=typed["photos"],
                shop_name=typed["shop_name"],
                bought_on=typed["bought_on"],
                total_cents=typed["total"],
                tax_cents=typed["tax"] or 0,
                paid_with=typed["paid_with"],
                note=typed["note"],
            )
            return Done(kept.get_absolute_url(), "Receipt kept.", undo_token("receipt_made", kept))

        if done := once(request, form, keep):
            return done
    return answer(
        request,
        "flips/receipts/new.html",
        {"form": form, "shops": shops(), "tab": "money"},
        status=refused_status(form),
    )


# One receipt


class ReceiptForm(RecordForm):
    """Corrects the head of a receipt."""

    instance: Receipt

    total_cents = MoneyField(label="Total paid", required=False)
    tax_cents = MoneyField(
        label="Tax added", required=False, help_text="Left empty when the prices include it."
    )
    bought_on = DayField(label="Date on the slip")

    class Meta:
        model = Receipt
        fields = ["shop_name", "bought_on", "total_cents", "tax_cents", "paid_with", "note"]
        widgets = {
            "shop_name": forms.TextInput(attrs={"list": "shops"}),
            "paid_with": forms.RadioSelect,
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not self.instance.tax_cents:
            self.initial["tax_cents"] = None

    def clean_tax_cents(self) -> int:
        return self.cleaned_data["tax_cents"] or 0


def _offered_pieces(*besides: Piece) -> list[Piece]:
    """Pieces a line may go to, those in the shop first, then what left it last."""
    rows = Piece.objects.live().exclude(stage__in=("seen", "passed"))
    owned = Piece.objects.owned().values("pk")
    in_turn = rows.annotate(
        gone=Case(When(pk__in=owned, then=Value(0)), default=Value(1), output_field=IntegerField())
    ).order_by("gone", "-stage_on", "-pk")
    found = list(in_turn[:MOST_PIECES])
    return [*(piece for piece in besides if piece not in found), *found]


class LineForm(SizesForm):
    """One line of a receipt, with just the fields of the place it goes to."""

    text = forms.CharField(
        label="What", max_length=120, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    amount_cents = MoneyField(label="Amount before tax", required=False)
    taxed = forms.BooleanField(label="Tax was charged on it", required=False, initial=True)
    piece = ChoiceOf(label="Which piece?", blank="Choose a piece", required=True)
    category = ChoiceOf(label="Heading", blank="Choose a heading", required=True)
    quantity_millionths = QuantityField(label="How much", initial=MILLION)
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

    field_order = ["text", "amount_cents", "taxed"]

    def __init__(
        self, *args: Any, receipt: Receipt, to: str, line: ReceiptLine | None = None, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.to = to
        self.shared: dict[int, Piece] = {}
        if line is None:
            self._say_the_rest(receipt)
        else:
            self.fields["amount_cents"].required = True
        if not receipt.tax_cents:
            self.fields["taxed"].widget = forms.HiddenInput()
        self._offer(to, line)

    def _say_the_rest(self, receipt: Receipt) -> None:
        rest = rest_of(receipt)
        self.rest_cents = rest
        if rest is not None and rest > 0:
            self.fields[
                "amount_cents"
            ].help_text = f"Left empty: the rest, {Money(rest, current_shop().currency)}."
        else:
            self.fields["amount_cents"].required = True

    def _offer(self, to: str, line: ReceiptLine | None) -> None:
        stock_fields = ("quantity_millionths", "unit", "kind", *SizesForm.base_fields)
        if to != Destination.STOCK or line is not None:
            for name in stock_fields:
                del self.fields[name]
        else:
            self.fields["text"].label = "Material"
            self.fields["text"].widget.attrs["list"] = "materials"
            self.fields["density"].after = "g/ml"  # type: ignore[attr-defined]
        if to in receipts.TO_ONE_PIECE:
            besides = [line.piece] if line is not None and line.piece is not None else []
            self.fields["piece"].of(_offered_pieces(*besides))  # type: ignore[attr-defined]
        else:
            del self.fields["piece"]
        if to == Destination.EXPENSE:
            headings = list(ExpenseCategory.objects.filter(retired=False))
            self.fields["category"].of(headings, besides=line.category if line else None)  # type: ignore[attr-defined]
        else:
            del self.fields["category"]
        if to in receipts.TO_PIECES:
            self._offer_shares(line)

    def _offer_shares(self, line: ReceiptLine | None) -> None:
        taken = (
            {share.piece_id: share for share in line.shares.live().select_related("piece")} if line else {}
        )
        self.shared = {
            piece.pk: piece for piece in _offered_pieces(*(share.piece for share in taken.values()))
        }
        for pk, piece in self.shared.items():
            self.fields[f"take_{pk}"] = forms.BooleanField(
                label=str(piece), required=False, initial=pk in taken
            )
            self.fields[f"weight_{pk}"] = forms.IntegerField(
                label=f"{piece}: shares",
                required=False,
                min_value=1,
                max_value=10**12,
                initial=taken[pk].weight if pk in taken else 1,
            )

    def rows(self) -> list[tuple[Piece, Any, Any]]:
        """Each piece that may share the line with its two fields."""
        return [(piece, self[f"take_{pk}"], self[f"weight_{pk}"]) for pk, piece in self.shared.items()]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        self.weights = {
            piece: cleaned.get(f"weight_{pk}") or 1
            for pk, piece in self.shared.items()
            if cleaned.get(f"take_{pk}")
        }
        if self.to in receipts.TO_PIECES and len(self.weights) < 2:
            self.add_error(None, "Choose at least two pieces that share it.")
        return cleaned

    def line(self) -> dict[str, Any]:
        """The fields as the actions take them, without what only a new lot needs."""
        typed = self.cleaned_data
        return {
            "text": typed["text"],
            "amount_cents": typed["amount_cents"],
            "taxed": typed["taxed"],
            "piece": typed.get("piece"),
            "category": typed.get("category"),
            "weights": self.weights or None,
        }

    def lot(self) -> dict[str, Any] | None:
        """The fields of the lot that a stock line makes."""
        if self.to != Destination.STOCK:
            return None
        typed = self.cleaned_data
        return {
            "name": typed["text"],
            "unit": typed["unit"],
            "kind": typed["kind"] or kind_as_before(typed["text"]),
            "quantity_millionths": typed["quantity_millionths"],
            **self.sizes(),
        }


def rest_of(receipt: Receipt) -> int | None:
    """What the total leaves for one more line before tax; None without a total."""
    if receipt.total_cents is None:
        return None
    return receipt.total_cents - receipt.tax_cents - sum(line.amount_cents for line in receipt.live_lines)


def _receipt(receipt_id: int) -> Receipt:
    lines = (
        ReceiptLine.objects.select_related("piece", "category", "lot")
        .prefetch_related(
            Prefetch("shares", LineShare.objects.live().select_related("piece"), to_attr="live_shares")
        )
        .order_by("pk")
    )
    return get_object_or_404(Receipt.objects.prefetch_related(Prefetch("lines", lines)), pk=receipt_id)


PLACES = {
    Destination.PIECE: "Part for a piece",
    Destination.STOCK: "Stock",
    Destination.EXPENSE: "Expense",
    Destination.TOOLS: "Tools",
    Destination.SHARED: "Shared",
    Destination.TRANSPORT: "Transport",
    Destination.HAUL: "Shared transport",
    Destination.PRIVATE: "Private",
}


def _to(request: HttpRequest) -> str:
    asked = request.GET.get("to", "")
    return asked if asked in PLACES else Destination.PIECE


def _page(
    request: HttpRequest,
    shown: Receipt,
    *,
    head: ReceiptForm | None = None,
    line_form: LineForm | None = None,
    photos_form: Any = None,
) -> HttpResponse:
    to = line_form.to if line_form else _to(request)
    photos = list(shown.photos.live())
    refused = next(
        (form for form in (head, line_form, photos_form) if form is not None and form.errors), None
    )
    tabs = [
        {"url": f"{shown.get_absolute_url()}?to={place.value}#add", "text": text, "current": to == place}
        for place, text in PLACES.items()
    ]
    return answer(
        request,
        "flips/receipts/receipt.html",
        {
            "receipt": shown,
            "lines": shown.lines.all(),
            "photos": photos,
            "head": head or ReceiptForm(instance=shown),
            "form": line_form or LineForm(receipt=shown, to=to, initial=_line_initial(request)),
            "photos_form": photos_form or SlipForm(),
            "to": to,
            "to_label": Destination(to).label,
            "places": tabs,
            "twins": [] if shown.is_void else twins(shown),
            "rest": rest_of(shown),
            "adding": "to" in request.GET or line_form is not None,
            "unplaced_tax": shown.tax_cents
            and not any(line.taxed and line.amount_cents for line in shown.live_lines),
            "shops": shops(),
            "tab": "money",
            **(suggestions() if to == Destination.STOCK else {}),
        },
        status=refused_status(refused) if refused else 200,
    )


def _line_initial(request: HttpRequest) -> dict[str, Any]:
    piece = request.GET.get("piece", "")
    return {"piece": piece} if piece.isascii() and piece.isdigit() else {}


@require_http_methods(["GET", "POST"])
def receipt_page(request: HttpRequest, receipt_id: int) -> HttpResponse:
    """One receipt: its photos, its head, its lines, and whether they add up."""
    shown = _receipt(receipt_id)
    if request.method == "GET":
        return _page(request, shown)
    if shown.is_void:
        raise Http404
    head = ReceiptForm(request.POST, instance=Receipt.objects.get(pk=receipt_id))
    if head.is_valid():
        typed = {name: head.cleaned_data[name] for name in ReceiptForm.Meta.fields}
        with refusals_on(head):
            head.hold()
            receipts.change_receipt(shown, **typed)
        if not head.errors:
            return go(request, Done(shown.get_absolute_url(), "Corrected."))
    return _page(request, _receipt(receipt_id), head=head)


class SlipForm(forms.Form):
    """More photos of a slip."""

    photos = PhotosField(label="Photos of the slip", required=True)


@require_POST
def receipt_photos(request: HttpRequest, receipt_id: int) -> HttpResponse:
    """Adds photos to a receipt."""
    shown = _receipt(receipt_id)
    form = SlipForm(request.POST, request.FILES)
    if form.is_valid():

        def keep() -> Done:
            receipts.add_photos(shown, form.cleaned_data["photos"], by=request.user)  # type: ignore[arg-type]
            return Done(shown.get_absolute_url(), "Photos kept.")

        if done := once(request, form, keep):
            return done
    return _page(request, shown, photos_form=form)


@require_http_methods(["GET", "POST"])
def line_new(request: HttpRequest, receipt_id: int) -> HttpResponse:
    """Adds one line and stays for the next."""
    shown = _receipt(receipt_id)
    if request.method == "GET" or shown.is_void:
        return go(request, Done(shown.get_absolute_url()))
    form = LineForm(request.POST, receipt=shown, to=_to(request))
    if form.is_valid():

        def add() -> Done:
            line = receipts.add_line(
                shown,
                by=request.user,  # type: ignore[arg-type]
                destination=form.to,
                lot=form.lot(),
                **form.line(),
            )
            rest = rest_of(_receipt(receipt_id))
            stay = "" if rest == 0 else f"?to={form.to}#add"
            said = "Line added." if rest else "Line added: it adds up."
            return Done(
                shown.get_absolute_url() + stay,
                said if rest is not None else "Line added.",
                undo_token("line_made", line),
            )

        if done := once(request, form, add):
            return done
    return _page(request, _receipt(receipt_id), line_form=form)


@require_POST
def receipt_void(request: HttpRequest, receipt_id: int) -> HttpResponse:
    """Voids a receipt with all that it made."""
    shown = get_object_or_404(Receipt.objects.live(), pk=receipt_id)
    try:
        receipts.void_receipt(shown, by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(shown.get_absolute_url(), _said(refused)))
    return go(
        request, Done(reverse("receipts"), "The receipt is voided.", undo_token("receipt_voided", shown))
    )


# One line


class LineEditForm(LineForm):
    """Corrects a line; notices when somebody else did so meanwhile."""

    version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, line: ReceiptLine, **kwargs: Any) -> None:
        initial = {
            "text": line.text,
            "amount_cents": line.amount_cents,
            "taxed": line.taxed,
            "piece": line.piece_id,
            "category": line.category_id,
            "version": line.version,
        }
        super().__init__(
            *args, receipt=line.receipt, to=line.destination, line=line, initial=initial, **kwargs
        )
        self.of, self.changed_meanwhile = line, False

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if cleaned.get("version") != self.of.version:
            self.changed_meanwhile = True
            currency = current_shop().currency
            self.add_error(
                None,
                f"Somebody made this “{self.of.text}, {Money(self.of.amount_cents, currency)}” meanwhile. "
                "Yours is kept below; save again to make it so.",
            )
            again = self.data.copy()  # type: ignore[attr-defined]
            again["version"] = str(self.of.version)
            self.data = again
        return cleaned


@require_http_methods(["GET", "POST"])
def line_page(request: HttpRequest, line_id: int) -> HttpResponse:
    """One line, corrected here."""
    line = get_object_or_404(
        ReceiptLine.objects.select_related("receipt", "piece", "category", "lot"), pk=line_id
    )
    if line.is_void or line.receipt.is_void:
        return go(request, Done(line.receipt.get_absolute_url(), "That line has been voided."))
    form = LineEditForm(request.POST or None, line=line)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            receipts.change_line(line, by=request.user, **form.line())  # type: ignore[arg-type]
        if not form.errors:
            return go(request, Done(line.receipt.get_absolute_url(), "Corrected."))
    return answer(
        request,
        "flips/receipts/line.html",
        {"line": line, "receipt": line.receipt, "form": form, "tab": "money"},
        status=refused_status(form),
    )


@require_POST
def line_void(request: HttpRequest, line_id: int) -> HttpResponse:
    """Voids a line, with the lot it made unless something of that is used."""
    line = get_object_or_404(ReceiptLine.objects.live().select_related("receipt"), pk=line_id)
    to = line.receipt.get_absolute_url()
    try:
        receipts.void_line(line, by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(to, _said(refused)))
    return go(request, Done(to, "The line is voided.", undo_token("line_voided", line)))


urlpatterns = [
    path("receipts/", inbox, name="receipts"),
    path("receipts/new/", receipt_new, name="receipt_new"),
    path("receipts/<int:receipt_id>/", receipt_page, name="receipt"),
    path("receipts/<int:receipt_id>/photos/", receipt_photos, name="receipt_photos"),
    path("receipts/<int:receipt_id>/lines/", line_new, name="receipt_line_new"),
    path("receipts/<int:receipt_id>/void/", receipt_void, name="receipt_void"),
    path("receipt-lines/<int:line_id>/", line_page, name="receipt_line"),
    path("receipt-lines/<int:line_id>/void/", line_void, name="receipt_line_void"),
]
