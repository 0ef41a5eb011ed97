"""The bench, finds, pieces, their stages and how they were bought."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from flips.access import open_to_helper
from flips.actions import pieces
from flips.models import Moment, PaidWith, Photo, Piece, Purchase, Stage
from flips.models.estimates import planned_of
from flips.models.facts import figures_of
from flips.models.next_steps import next_steps
from flips.models.timeline import timeline
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import (
    DayField,
    MoneyField,
    PhotosField,
    RecordForm,
    current_shop,
    forms,
    initial_today,
)

BENCH_STAGES = (Stage.IN_WORK, Stage.BOUGHT, Stage.READY, Stage.LISTED)
ON_BENCH_EACH = 6


@dataclass
class StageRow:
    """The pieces of one stage on the bench, and what is tied up in them."""

    stage: Stage
    pieces: list[Piece]
    count: int
    cents: int


@require_GET
@open_to_helper
def bench(request: HttpRequest) -> HttpResponse:
    """Home: pieces by stage, money tied up for the owner, and what can be done next."""
    owner = request.user.is_owner  # type: ignore[union-attr]
    owned = list(Piece.objects.owned().order_by("-stage_on", "-pk").with_cover())
    figures = figures_of([piece.pk for piece in owned], shop=current_shop()) if owner and owned else {}
    rows = []
    for stage in BENCH_STAGES:
        here = [piece for piece in owned if piece.stage == stage]
        for piece in here:
            piece.figures = figures.get(piece.pk)  # type: ignore[attr-defined]
        tied_up = sum(figures[piece.pk].basis for piece in here if piece.pk in figures)
        rows.append(StageRow(stage, here[:ON_BENCH_EACH], len(here), tied_up))
    return answer(
        request,
        "flips/pieces/bench.html",
        {
            "rows": rows,
            "owned_count": len(owned),
            "tied_up_cents": sum(row.cents for row in rows),
            "next_steps": next_steps(owner=owner, now=timezone.now()),
            "finds": Piece.objects.seen().with_cover()[:ON_BENCH_EACH] if owner else [],
            "finds_count": Piece.objects.seen().count() if owner else 0,
        },
    )


class FindForm(forms.Form):
    """A find, as fast as it can be logged: only "what" or a photo is needed."""

    photos = PhotosField(label="Photos")
    what = forms.CharField(
        label="What is it?",
        max_length=120,
        required=False,
        widget=forms.TextInput(
            attrs={"autocomplete": "off", "enterkeyhint": "done", "placeholder": "Oak dresser"}
        ),
    )
    asking = MoneyField(label="Asking price", required=False)
    place = forms.CharField(
        label="Where", max_length=120, required=False, widget=forms.TextInput(attrs={"list": "places"})
    )
    kind = forms.CharField(
        label="Kind",
        max_length=60,
        required=False,
        widget=forms.TextInput(attrs={"list": "kinds"}),
        help_text="Dresser, chair, desk…",
    )
    expected = MoneyField(label="What it may sell for", required=False)
    seen_on = DayField(label="Seen on", required=False, initial=initial_today)
    note = forms.CharField(
        label="Note", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 3})
    )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        nothing = not cleaned.get("what") and not cleaned.get("photos")
        if nothing and not {"what", "photos"} & set(self.errors):
            self.add_error("what", "Say what it is, or add a photo.")
        return cleaned


def suggestions() -> dict[str, list[str]]:
    """Places and kinds used before, for the lists under the fields."""
    places = (
        Piece.objects.live().exclude(place="").order_by("place").values_list("place", flat=True).distinct()
    )
    kinds = Piece.objects.live().exclude(kind="").order_by("kind").values_list("kind", flat=True).distinct()
    return {"places": list(places[:40]), "kinds": list(kinds[:60])}


@require_http_methods(["GET", "POST"])
def find(request: HttpRequest) -> HttpResponse:
    """Logs a find: one screen."""
    form = FindForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        typed = form.cleaned_data

        def log() -> Done:
            piece = pieces.log_find(
                by=request.user,  # type: ignore[arg-type]
                what=typed["what"],
                photos=typed["photos"],
                seen_on=typed["seen_on"],
                asking_cents=typed["asking"],
                expected_cents=typed["expected"],
                place=typed["place"],
                kind=typed["kind"],
                note=typed["note"],
            )
            return Done(piece.get_absolute_url(), "Find saved.", undo_token("made", piece))

        if done := once(request, form, log):
            return done
    # The worker keeps this page on the phone: a shell of it carries nobody's data.
    lists = {} if "shell" in request.GET else suggestions()
    return answer(
        request, "flips/pieces/find.html", {"form": form, **lists}, status=422 if form.errors else 200
    )


LISTS: dict[str, tuple[str, tuple[Stage, ...]]] = {
    "owned": ("In the shop", (Stage.BOUGHT, Stage.IN_WORK, Stage.READY, Stage.LISTED)),
    "finds": ("Finds", (Stage.SEEN,)),
    "bought": ("Bought", (Stage.BOUGHT,)),
    "in_work": ("In work", (Stage.IN_WORK,)),
    "ready": ("Ready", (Stage.READY,)),
    "listed": ("Listed", (Stage.LISTED,)),
    "sold": ("Sold", (Stage.SOLD,)),
    "passed": ("Passed", (Stage.PASSED,)),
    "ended": ("Other ends", (Stage.SCRAPPED, Stage.KEPT, Stage.GIVEN_AWAY)),
}
OWNERS_LISTS = {"finds", "passed", "sold", "ended"}
ON_A_PAGE = 30


@require_GET
@open_to_helper
def piece_list(request: HttpRequest) -> HttpResponse:
    """All pieces, by stage, and searched."""
    owner = request.user.is_owner  # type: ignore[union-attr]
    shown = request.GET.get("show", "owned")
    if shown not in LISTS or (shown in OWNERS_LISTS and not owner):
        shown = "owned"
    words = request.GET.get("q", "").replace("\x00", "").strip()[:80]
    rows = Piece.objects.live().order_by("-stage_on", "-pk").with_cover()
    if words:
        stages = None if owner else LISTS["owned"][1]
        rows = rows.matching(words, notes_too=owner)
        rows = rows.filter(stage__in=stages) if stages else rows
    else:
        rows = rows.filter(stage__in=LISTS[shown][1])
    page = Paginator(rows, ON_A_PAGE).get_page(request.GET.get("page"))
    here = list(page.object_list)
    figures = figures_of([piece.pk for piece in here], shop=current_shop()) if owner and here else {}
    for piece in here:
        piece.figures = figures.get(piece.pk)  # type: ignore[attr-defined]
    tabs = [
        {"url": f"?show={name}", "text": text, "current": name == shown and not words}
        for name, (text, _) in LISTS.items()
        if owner or name not in OWNERS_LISTS
    ]
    return answer(
        request,
        "flips/pieces/list.html",
        {
            "page_obj": page,
            "pieces": here,
            "tabs": tabs,
            "words": words,
            "list_name": LISTS[shown][0],
            "shown": shown,
        },
    )


def sections(piece: Piece, current: str, *, owner: bool) -> list[dict[str, Any]]:
    """The tabs over a piece and its sub-pages."""
    tabs = [
        ("piece", "Overview"),
        ("parts", "Parts"),
        ("faults", "Faults"),
        ("attempts", "Attempts"),
        ("log", "Log"),
        ("taking_apart", "Taking apart"),
        ("piece_finish", "Finish"),
        ("piece_uses", "Materials"),
        ("estimate", "Estimate"),
        ("cut_plans", "Cutting"),
    ]
    return [
        {"url": reverse(name, args=[piece.pk]), "text": text, "current": name == current}
        for name, text in tabs
        if owner or name != "estimate"
    ]


@require_GET
@open_to_helper
def piece(request: HttpRequest, piece_id: int) -> HttpResponse:
    """One piece: photos, stage, figures for the owner, and everything that happened."""
    owner = request.user.is_owner  # type: ignore[union-attr]
    shown = get_object_or_404(Piece, pk=piece_id)
    photos = list(Photo.objects.live().filter(piece=shown).without_money())
    by_moment = [
        (moment.label, [photo for photo in photos if photo.moment == moment])
        for moment in (Moment.BEFORE, Moment.DURING, Moment.AFTER)
    ]
    context: dict[str, Any] = {
        "piece": shown,
        "photos": photos,
        "by_moment": [(label, some) for label, some in by_moment if some],
        "happenings": timeline(shown, with_money=owner),
        "tabs": sections(shown, "piece", owner=owner),
        "moves": [(stage.value, stage.label) for stage in shown.next_stages],
    }
    if owner:
        figures = figures_of([shown.pk], shop=current_shop()).get(shown.pk)
        purchase_share = shown.purchase_shares.live().select_related("purchase").first()
        sale_share = shown.sale_shares.live().filter(returned=False).select_related("sale").first()
        context |= {
            "figures": figures,
            "strip": money_strip(figures, shown.pk) + planned_strip(shown) if figures else [],
            "purchase": purchase_share.purchase if purchase_share else None,
            "sale": sale_share.sale if sale_share else None,
        }
    return answer(request, "flips/pieces/piece.html", context)


def money_strip(figures: Any, piece_id: int) -> list[dict[str, Any]]:
    """What a piece has cost and brought, as the strip on its page shows it; each figure opens its lines."""
    from flips.templatetags.shop import as_hours, as_percent

    strip: list[dict[str, Any]] = [
        {"label": "In it so far", "figure": "in_it_so_far", "cents": figures.in_it_so_far, "main": True},
        {
            "label": "Paid",
            "figure": "paid_in",
            "cents": figures.paid + figures.premium_tax + figures.transport + figures.brought_in,
        },
        {"label": "Parts bought", "figure": "parts", "cents": figures.parts},
        {"label": "Materials", "figure": "materials", "cents": figures.materials},
        {"label": "Paid help", "figure": "paid_help", "cents": figures.paid_help},
        {
            "label": "Failed attempts",
            "figure": "failed_attempts",
            "cents": figures.failed_attempts,
            "note": f"within the above, and {as_hours(figures.failed_minutes)}"
            if figures.failed_minutes
            else "within the above",
        },
        {"label": "Your hours", "figure": "owner_minutes", "text": as_hours(figures.owner_minutes)},
    ]
    if figures.margin is not None:
        percent = as_percent(figures.margin_percent / 100) if figures.margin_percent is not None else "–"
        strip += [
            {"label": "Margin", "figure": "margin", "cents": figures.margin, "main": True},
            {"label": "Revenue", "figure": "revenue", "cents": figures.revenue},
            {"label": "Selling costs", "figure": "selling_total", "cents": figures.selling_total},
            {"label": "Margin %", "text": percent},
            {"label": "Hourly", "figure": "hourly", "cents": figures.hourly, "text": "–"},
            {"label": "After wages", "figure": "after_wages", "cents": figures.after_wages, "text": "–"},
        ]
    for one in strip:
        if "figure" in one:
            one["href"] = reverse("piece_figure", args=[piece_id, one["figure"]])
    return strip


def planned_strip(piece: Piece) -> list[dict[str, Any]]:
    """What the estimate plans for the work, where there is one."""
    plan = planned_of([piece.pk]).get(piece.pk)
    if plan is None:
        return []
    unknown = "a price is missing" if plan.missing else ""
    return [
        {
            "label": "Planned work",
            "cents": plan.cents,
            "text": unknown,
            "href": reverse("estimate", args=[piece.pk]),
        }
    ]


class PieceForm(RecordForm):
    """What is known of a piece."""

    asking_cents = MoneyField(label="Asking price", required=False)
    expected_cents = MoneyField(label="What it may sell for", required=False)
    listed_cents = MoneyField(label="The price you ask", required=False)
    seen_on = DayField(label="Seen on")

    class Meta:
        model = Piece
        fields = [
            "what",
            "kind",
            "place",
            "seen_on",
            "asking_cents",
            "expected_cents",
            "listed_cents",
            "note",
            "buyer_text",
        ]
        widgets = {
            "kind": forms.TextInput(attrs={"list": "kinds"}),
            "place": forms.TextInput(attrs={"list": "places"}),
            "note": forms.Textarea(attrs={"rows": 3}),
            "buyer_text": forms.Textarea(attrs={"rows": 3}),
        }
        help_texts = {"buyer_text": "Printed on the sale sheet.", "note": "Only you see this."}

    instance: Piece

    def save(self, commit: bool = True) -> Piece:
        self.instance.unnamed = self.instance.unnamed and self.instance.what == pieces.UNNAMED
        return super().save(commit)


@require_http_methods(["GET", "POST"])
def piece_edit(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Corrects what is known of a piece."""
    shown = get_object_or_404(Piece, pk=piece_id)
    if shown.unnamed and request.method == "GET":
        shown.what = ""
    form = PieceForm(request.POST or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.save()
            return go(request, Done(shown.get_absolute_url(), "Saved."))
    return answer(
        request,
        "flips/pieces/edit.html",
        {"piece": shown, "form": form, **suggestions()},
        status=refused_status(form),
    )


class MoveForm(forms.Form):
    """A move to another stage."""

    stage = forms.ChoiceField(label="Move to", widget=forms.RadioSelect)
    on = DayField(label="On", initial=initial_today)
    reason = forms.CharField(label="Why", max_length=200, required=False)

    def __init__(self, *args: Any, piece: Piece, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["stage"].choices = [(stage.value, stage.label) for stage in piece.next_stages]  # type: ignore[attr-defined]


@require_http_methods(["GET", "POST"])
def piece_move(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Moves a piece to its next stage, dated; ends ask for a reason."""
    shown = get_object_or_404(Piece.objects.live(), pk=piece_id)
    form = MoveForm(request.POST or None, piece=shown, initial={"stage": request.GET.get("to")})
    if request.method == "POST" and form.is_valid():
        typed = form.cleaned_data

        def move() -> Done:
            change = pieces.move(
                shown,
                typed["stage"],
                by=request.user,  # type: ignore[arg-type]
                on=typed["on"],
                reason=typed["reason"],
            )
            return Done(
                shown.get_absolute_url(),
                f"Now {Stage(change.stage).label.lower()}.",
                undo_token("moved", change),
            )

        if done := once(request, form, move):
            return done
    return answer(
        request, "flips/pieces/move.html", {"piece": shown, "form": form}, status=422 if form.errors else 200
    )


@require_POST
def piece_void(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Takes a find that was logged by mistake out of the lists; a bought piece has to be un-bought first."""
    shown = get_object_or_404(Piece.objects.live(), pk=piece_id)
    if not shown.is_find:
        return go(request, Done(shown.get_absolute_url(), "It has been bought: void the purchase first."))
    shown.void(by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    return go(request, Done(reverse("bench"), f"“{shown}” is taken out.", undo_token("voided", shown)))


class BuyForm(forms.Form):
    """What was paid for a find."""

    price = MoneyField(label="Price paid")
    tax = MoneyField(label="Tax paid on it", required=False)
    premium = MoneyField(label="Buyer's premium", required=False)
    transport = MoneyField(label="Paid transport in", required=False)
    paid_with = forms.ChoiceField(
        label="How paid", choices=PaidWith.choices, initial=PaidWith.CASH, widget=forms.RadioSelect
    )
    bought_on = DayField(label="Bought on", initial=initial_today)
    place = forms.CharField(label="Where", max_length=120, required=False)
    slip = PhotosField(label="Photo of the slip")
    note = forms.CharField(label="Note", max_length=200, required=False)

    def amounts(self) -> dict[str, Any]:
        """The fields as a Purchase takes them."""
        typed = self.cleaned_data
        return {
            "price_cents": typed["price"],
            "tax_cents": typed["tax"] or 0,
            "premium_cents": typed["premium"] or 0,
            "transport_cents": typed["transport"] or 0,
            "paid_with": typed["paid_with"],
            "bought_on": typed["bought_on"],
            "place": typed["place"],
            "note": typed["note"],
        }


@require_http_methods(["GET", "POST"])
def buy(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Buys one find."""
    shown = get_object_or_404(Piece.objects.live(), pk=piece_id)
    if not shown.is_find:
        return go(request, Done(shown.get_absolute_url(), "It has been bought already."))
    form = BuyForm(
        request.POST or None,
        request.FILES or None,
        initial={"price": shown.asking_cents, "place": shown.place},
    )
    if request.method == "POST" and form.is_valid():

        def pay() -> Done:
            purchase = pieces.buy(
                by=request.user,  # type: ignore[arg-type]
                weights={shown: 1},
                photos=form.cleaned_data["slip"],
                **form.amounts(),
            )
            return Done(shown.get_absolute_url(), "Bought.", undo_token("bought", purchase))

        if done := once(request, form, pay):
            return done
    return answer(
        request, "flips/pieces/buy.html", {"piece": shown, "form": form}, status=422 if form.errors else 200
    )


class BuyLotForm(BuyForm):
    """Several finds for one price; each takes a share by its weight (its expected sale price, to begin with)."""

    def __init__(self, *args: Any, finds: list[Piece], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.finds = finds
        for find_ in finds:
            self.fields[f"take_{find_.pk}"] = forms.BooleanField(label="In the lot", required=False)
            weight = find_.expected_cents or find_.asking_cents or None
            self.fields[f"weight_{find_.pk}"] = MoneyField(
                label="May sell for", required=False, initial=weight
            )

    def rows(self) -> list[tuple[Piece, Any, Any]]:
        """Each find with its two fields."""
        return [(find_, self[f"take_{find_.pk}"], self[f"weight_{find_.pk}"]) for find_ in self.finds]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        taken = [find_ for find_ in self.finds if cleaned.get(f"take_{find_.pk}")]
        if len(taken) < 2:
            self.add_error(None, "Choose at least two pieces; a single one is bought on its own page.")
        for find_ in taken:
            if not cleaned.get(f"weight_{find_.pk}") and f"weight_{find_.pk}" not in self.errors:
                self.add_error(f"weight_{find_.pk}", "Give it a share: what it may sell for.")
        self.weights = {find_: cleaned.get(f"weight_{find_.pk}") or 0 for find_ in taken}
        return cleaned


@require_http_methods(["GET", "POST"])
def buy_lot(request: HttpRequest) -> HttpResponse:
    """Buys several finds for one price and shows what each takes of it."""
    finds = list(Piece.objects.seen().order_by("-pk").with_cover()[:60])
    form = BuyLotForm(request.POST or None, request.FILES or None, finds=finds)
    if request.method == "POST" and form.is_valid():

        def pay() -> Done:
            purchase = pieces.buy(
                by=request.user,  # type: ignore[arg-type]
                weights=form.weights,
                photos=form.cleaned_data["slip"],
                **form.amounts(),
            )
            return Done(
                reverse("purchase", args=[purchase.pk]), "Bought as a lot.", undo_token("bought", purchase)
            )

        if done := once(request, form, pay):
            return done
    return answer(
        request,
        "flips/pieces/buy_lot.html",
        {"form": form, "finds": finds},
        status=422 if form.errors else 200,
    )


class PurchaseForm(RecordForm):
    """Corrects a purchase; the shares follow."""

    price_cents = MoneyField(label="Price paid")
    premium_cents = MoneyField(label="Buyer's premium")
    tax_cents = MoneyField(label="Tax paid on it")
    transport_cents = MoneyField(label="Paid transport in")
    bought_on = DayField(label="Bought on")

    class Meta:
        model = Purchase
        fields = [
            "price_cents",
            "premium_cents",
            "tax_cents",
            "transport_cents",
            "paid_with",
            "bought_on",
            "place",
            "note",
        ]

    def __init__(self, *args: Any, shares: list[Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.shares = shares
        if len(shares) > 1:
            for share in shares:
                self.fields[f"weight_{share.piece_id}"] = MoneyField(
                    label=f"{share.piece}: share by", required=False, initial=share.weight
                )

    def weights(self) -> dict[int, int] | None:
        """Weights by piece, where several share the price."""
        if len(self.shares) < 2:
            return None
        return {
            share.piece_id: self.cleaned_data.get(f"weight_{share.piece_id}") or 0 for share in self.shares
        }


@require_http_methods(["GET", "POST"])
def purchase(request: HttpRequest, purchase_id: int) -> HttpResponse:
    """A purchase with what each piece takes of it; corrected here."""
    shown = get_object_or_404(Purchase, pk=purchase_id)
    shares = list(shown.shares.live().select_related("piece"))
    form = PurchaseForm(request.POST or None, instance=shown, shares=shares)
    if request.method == "POST" and not shown.is_void and form.is_valid():
        with refusals_on(form):
            pieces.change_purchase(shown, weights=form.weights())
            return go(request, Done(reverse("purchase", args=[shown.pk]), "Purchase corrected."))
    return answer(
        request,
        "flips/pieces/purchase.html",
        {"purchase": shown, "shares": shares, "form": form, "slips": shown.photos.live()},
        status=refused_status(form),
    )


@require_POST
def purchase_void(request: HttpRequest, purchase_id: int) -> HttpResponse:
    """Voids a purchase with a reason; its pieces are finds again."""
    shown = get_object_or_404(Purchase.objects.live(), pk=purchase_id)
    try:
        pieces.void_purchase(shown, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(reverse("purchase", args=[shown.pk]), " ".join(refused.messages)))
    return go(request, Done(reverse("bench"), "The purchase is voided; its pieces are finds again."))


urlpatterns = [
    path("", bench, name="bench"),
    path("find/", find, name="find"),
    path("pieces/", piece_list, name="pieces"),
    path("pieces/<int:piece_id>/", piece, name="piece"),
    path("pieces/<int:piece_id>/edit/", piece_edit, name="piece_edit"),
    path("pieces/<int:piece_id>/move/", piece_move, name="piece_move"),
    path("pieces/<int:piece_id>/void/", piece_void, name="piece_void"),
    path("pieces/<int:piece_id>/buy/", buy, name="buy"),
    path("buy-lot/", buy_lot, name="buy_lot"),
    path("purchases/<int:purchase_id>/", purchase, name="purchase"),
    path("purchases/<int:purchase_id>/void/", purchase_void, name="purchase_void"),
]
