"""What to pay for a find, which of several to take, and a briefing on what it is like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from estimating.money import Money, round_half_up
from estimating.pricing import Ceiling, CostLine, Expected, ceiling_for
from estimating.pricing import Find as Candidate
from estimating.pricing.ceiling import outlay
from estimating.pricing.finds import choose_finds
from finishes.measures import trim_decimal
from flips.actions import finds, pieces
from flips.actions.finds import usual_channel, usual_terms
from flips.models import Channel, Piece, Reckoning
from flips.models.finds import Defaults, defaults_for, kind_of_piece, like_it, survey_of
from flips.models.learning import records_of_all_kinds
from flips.pages.answers import Done, answer, once, undo_token
from flips.pages.forms import MinutesField, MoneyField, PercentField, current_shop, forms
from flips.pages.parts import on_piece
from flips.survey_lists import LISTS, kind_of
from flips.templatetags.shop import as_hours

MONEY = (
    "asking",
    "likely",
    "low",
    "high",
    "materials",
    "helper",
    "travel",
    "delivery_paid",
    "delivery_charged",
    "reserve",
)


class CeilingForm(forms.Form):
    """What is known in the store aisle; what stays empty is taken from her own record."""

    kind = forms.CharField(
        label="What is it?",
        max_length=120,
        required=False,
        widget=forms.TextInput(attrs={"list": "kinds", "autocomplete": "off", "placeholder": "dresser"}),
    )
    asking = MoneyField(label="Asking", required=False)
    likely = MoneyField(label="What it may sell for", required=False)
    low = MoneyField(label="At worst", required=False)
    high = MoneyField(label="At best", required=False)
    minutes = MinutesField(
        label="Your hours",
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off", "placeholder": "9 h"}),
    )
    materials = MoneyField(label="Materials", required=False)
    helper = MoneyField(label="Paid help", required=False)
    travel = MoneyField(label="Travel", required=False)
    delivery_paid = MoneyField(label="Delivery you pay", required=False)
    delivery_charged = MoneyField(label="Delivery you charge", required=False)
    reserve = MoneyField(label="Reserve for failures", required=False)
    premium = PercentField(label="Buyer's premium", required=False)
    tax = PercentField(label="Tax on the purchase", required=False)
    channel = forms.ModelChoiceField(
        label="Where it will sell", queryset=Channel.objects.none(), required=False, empty_label="As usual"
    )
    piece = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["channel"].queryset = Channel.objects.filter(retired=False)  # type: ignore[attr-defined]
        for name in ("premium", "tax"):
            self.fields[name].after = "%"  # type: ignore[attr-defined]

    @property
    def more_open(self) -> bool:
        """Whether something is wrong where the form is closed."""
        return any(name in self.errors for name in self.fields if name not in ("kind", "asking", "likely"))


@dataclass(frozen=True)
class LineShown:
    """One line that eats into the sale, with where it comes from."""

    words: str
    cents: int
    why: str


@dataclass
class Reckoned:
    """A ceiling with everything that led to it, as the page shows and keeps it."""

    ceiling: Ceiling
    defaults: Defaults
    expected: Expected
    expected_why: str
    minutes: int
    minutes_why: str
    materials: int
    other: int
    reserve: int
    premium: int
    tax: int
    eats_most: list[LineShown]
    lines: list[LineShown]
    headline: str
    verdict: str

    def figures(self) -> dict[str, Any]:
        """As ``keep_reckoning`` takes them."""
        return {
            "asking_cents": self.ceiling.asking,
            "low_cents": self.expected.low,
            "likely_cents": self.expected.likely,
            "high_cents": self.expected.high,
            "minutes": self.minutes,
            "materials_cents": self.materials,
            "other_cents": self.other,
            "reserve_cents": self.reserve,
            "premium_hundredths": self.premium,
            "tax_hundredths": self.tax,
            "left_cents": round_half_up(self.ceiling.likely.left),
            "ceiling_cents": self.ceiling.likely.ceiling,
        }


def _first(typed: int | None, default: Any) -> tuple[int, str]:
    return (default.value, default.why) if typed is None else (typed, "as you typed it")


def _expected(typed: dict[str, Any], defaults: Defaults) -> tuple[Expected, str] | None:
    """The expected prices as typed; what is missing comes from the record, in proportion where only one was typed."""
    known = defaults.expected
    likely, low, high = typed.get("likely"), typed.get("low"), typed.get("high")
    if likely is None:
        if known is None:
            return None
        likely = known.likely
        if low is None and high is None:
            return known, defaults.expected_why
    why = "as you typed it"
    spread = known if known is not None and known.likely else None
    if (low is None or high is None) and spread is not None:
        why += ", low and high as far off as on what you sold"
    if low is None:
        low = round_half_up(Fraction(likely * spread.low, spread.likely)) if spread else likely
    if high is None:
        high = round_half_up(Fraction(likely * spread.high, spread.likely)) if spread else likely
    low, high = min(low, likely), max(high, likely)
    return Expected(low, likely, high, known.rests_on if known and typed.get("likely") is None else 0), why


def reckon(typed: dict[str, Any], *, defaults: Defaults) -> Reckoned | None:
    """The ceiling for what was typed, the rest from the defaults; None until a sale price is known."""
    found = _expected(typed, defaults)
    if found is None:
        return None
    shop = current_shop()
    expected, expected_why = found
    minutes, minutes_why = _first(typed.get("minutes"), defaults.minutes)
    materials, materials_why = _first(typed.get("materials"), defaults.materials)
    travel, travel_why = _first(typed.get("travel"), defaults.travel)
    reserve, reserve_why = _first(typed.get("reserve"), defaults.reserve)
    delivery, delivery_why = _first(typed.get("delivery_paid"), defaults.delivery)
    premium, premium_why = _first(typed.get("premium"), defaults.premium)
    tax, tax_why = _first(typed.get("tax"), defaults.tax)
    helper, charged = typed.get("helper") or 0, typed.get("delivery_charged") or 0
    channel = typed.get("channel") or usual_channel()
    terms = usual_terms(
        timezone.localdate(), channel=channel, delivery_charged=charged, delivery_paid=delivery
    )
    ceiling = ceiling_for(
        expected,
        terms,
        costs=(
            CostLine("materials", "Materials", materials),
            CostLine("helper", "Paid help", helper),
            CostLine("travel", "Travel and transport", travel),
            CostLine("reserve", "Reserve for failures", reserve),
        ),
        minutes=minutes,
        wanted_hourly=shop.wanted_hourly_cents,
        premium_percent=Fraction(premium, 100),
        tax_percent=Fraction(tax, 100),
        asking=typed.get("asking"),
    )
    pay = Money(shop.wanted_hourly_cents, shop.currency)
    why = {
        "fee": f"what {channel} keeps by today's rule" if channel else "",
        "delivery": delivery_why,
        "materials": materials_why,
        "helper": "as you typed it",
        "travel": travel_why,
        "reserve": reserve_why,
        "pay": f"{as_hours(minutes)} at the {pay} an hour you want; {minutes_why}",
        "premium": f"{trim_decimal(Fraction(premium, 100), 2)} % of the price; {premium_why}",
        "purchase_tax": f"{trim_decimal(Fraction(tax, 100), 2)} % of price and premium; {tax_why}",
    }
    likely = ceiling.likely

    def shown(lines: Sequence[CostLine]) -> list[LineShown]:
        return [LineShown(line.words, line.cents, why.get(line.key, "")) for line in lines]

    headline, verdict = _answer(ceiling)
    return Reckoned(
        ceiling=ceiling,
        defaults=defaults,
        expected=expected,
        expected_why=expected_why,
        minutes=minutes,
        minutes_why=minutes_why,
        materials=materials,
        other=travel + helper + delivery,
        reserve=reserve,
        premium=premium,
        tax=tax,
        eats_most=shown(likely.eats_most),
        lines=shown(likely.lines),
        headline=headline,
        verdict=verdict,
    )


def _answer(ceiling: Ceiling) -> tuple[str, str]:
    """The one line she reads, and its key: take it, offer, walk, or the plain most to pay."""
    shop = current_shop()

    def say(cents: int) -> str:
        return str(Money(cents, shop.currency))

    most = ceiling.likely.ceiling
    if ceiling.likely.walk:
        asked = f"Asking {say(ceiling.asking)}: walk." if ceiling.asking is not None else "Walk."
        return f"{asked} Even as a gift it would not pay you.", "walk"
    if ceiling.asking is None:
        return f"Pay up to {say(most)}.", "plain"
    if ceiling.pays:
        return f"Asking {say(ceiling.asking)}: take it. Up to {say(most)} would do.", "take"
    return f"Asking {say(ceiling.asking)}: offer up to {say(most)} or walk.", "offer"


def _asked_piece(request: HttpRequest) -> Piece | None:
    asked = request.GET.get("piece") or request.POST.get("piece") or ""
    return (
        get_object_or_404(Piece.objects.live(), pk=int(asked))
        if asked.isdecimal() and len(asked) < 18
        else None
    )


def _initial(piece: Piece | None) -> dict[str, Any]:
    if piece is None:
        return {}
    return {
        "piece": piece.pk,
        "kind": piece.kind or piece.what,
        "asking": piece.asking_cents,
        "likely": piece.expected_cents,
    }


def _kind(typed_kind: str, piece: Piece | None) -> str:
    return kind_of(typed_kind, piece.what if piece else "")


def _ceiling_of(data: Any, piece: Piece | None) -> tuple[CeilingForm, Reckoned | None, Defaults | None]:
    form = CeilingForm(data)
    if not form.is_valid():
        return form, None, None
    defaults = defaults_for(kind=_kind(form.cleaned_data["kind"], piece), piece=piece, shop=current_shop())
    return form, reckon(form.cleaned_data, defaults=defaults), defaults


@require_GET
def ceiling(request: HttpRequest) -> HttpResponse:
    """The most to pay, while standing in the store: type what it is, what is asked and what it may fetch."""
    piece = _asked_piece(request)
    typed = any(name in request.GET for name in CeilingForm.base_fields if name != "piece")
    data: Any = request.GET if typed else None
    reckoned = defaults = None
    if data is None and piece is not None:
        # A find that is known already answers at once, with what was noted on it.
        amounts = MoneyField()
        data = {
            name: amounts.prepare_value(value) if name in MONEY else value
            for name, value in _initial(piece).items()
            if value is not None
        }
    if data is not None:
        form, reckoned, defaults = _ceiling_of(data, piece)
    else:
        form = CeilingForm(initial=_initial(piece))
    context: dict[str, Any] = {
        "form": form,
        "reckoned": reckoned,
        "defaults": defaults,
        "typed": _typed(form),
        "piece": piece,
        "kinds": _kinds(),
        "tab": "find",
    }
    if getattr(request, "htmx", False):
        return answer(request, "flips/finds/_ceiling.html", context)
    return answer(request, "flips/finds/ceiling.html", context, status=422 if form.errors else 200)


def _typed(form: CeilingForm) -> list[tuple[str, str]]:
    """What the form was sent with, so that it can be kept as it was worked out."""
    if not form.is_bound:
        return []
    values = ((name, form.data.get(name)) for name in form.fields)
    return [(name, str(value)) for name, value in values if value not in (None, "")]


def _kinds() -> list[str]:
    used = Piece.objects.live().exclude(kind="").order_by("kind").values_list("kind", flat=True).distinct()
    return list(dict.fromkeys([*used[:60], *(kind for kind in LISTS if kind != "Anything else")]))


@require_POST
def ceiling_keep(request: HttpRequest) -> HttpResponse:
    """Keeps what was reckoned on the find, logging it as one first where it is not; the plan is learned from later."""
    piece = _asked_piece(request)
    form, reckoned, defaults = _ceiling_of(request.POST, piece)
    if reckoned is not None:
        typed = form.cleaned_data

        def keep() -> Done:
            on = piece or pieces.log_find(by=request.user, what=typed["kind"], kind=typed["kind"][:60])  # type: ignore[arg-type]
            row = finds.keep_reckoning(by=request.user, piece=on, **reckoned.figures())  # type: ignore[arg-type]
            return Done(
                on.get_absolute_url(), "Kept with the find.", undo_token("made", row if piece else on)
            )

        if done := once(request, form, keep):
            return done
    context = {
        "form": form,
        "reckoned": reckoned,
        "defaults": defaults,
        "typed": _typed(form),
        "piece": piece,
        "kinds": _kinds(),
        "tab": "find",
    }
    return answer(request, "flips/finds/ceiling.html", context, status=422)


# Which of these


@dataclass(frozen=True)
class Option:
    """A find on the list with what it takes and should gain."""

    piece: Piece
    cash: int
    gain: int
    minutes: int
    why: str


class HaulForm(forms.Form):
    """The cash, the van room and the bench hours at hand, and what each find takes."""

    cash = MoneyField(label="Cash at hand", required=False)
    room = forms.IntegerField(
        label="Room in the van",
        required=False,
        min_value=0,
        max_value=1000,
        help_text="Any measure: tenths of the van.",
    )
    minutes = MinutesField(
        label="Bench hours at hand",
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off", "placeholder": "20 h"}),
    )

    def __init__(self, *args: Any, options: Sequence[Option], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.options = options
        for one in options:
            self.fields[f"room_{one.piece.pk}"] = forms.IntegerField(
                label="Room", required=False, min_value=0, max_value=1000
            )
            self.fields[f"cash_{one.piece.pk}"] = MoneyField(label="Cash", required=False)

    def rows(self) -> list[tuple[Option, Any, Any]]:
        """Each find with its two fields."""
        return [(one, self[f"room_{one.piece.pk}"], self[f"cash_{one.piece.pk}"]) for one in self.options]


def _options() -> list[Option]:
    """Every find with an asking price and an expected sale, in a fixed number of queries."""
    shop = current_shop()
    rows = list(Piece.objects.seen().order_by("pk").with_cover()[:60])
    kept: dict[int, Reckoning] = {}
    for row in Reckoning.objects.live().filter(piece__in=rows).order_by("created_at", "pk"):
        kept[row.piece_id] = row
    records = records_of_all_kinds(shop=shop)
    terms = usual_terms(timezone.localdate())
    found = []
    for piece in rows:
        reckoned, asked = kept.get(piece.pk), piece.asking_cents
        if reckoned is not None:
            cash = outlay(
                asked if asked is not None else reckoned.ceiling_cents,
                premium_percent=Fraction(reckoned.premium_hundredths, 100),
                tax_percent=Fraction(reckoned.tax_hundredths, 100),
            ).total
            found.append(Option(piece, cash, reckoned.left_cents - cash, reckoned.minutes, "as reckoned"))
            continue
        record = records.get(kind_of_piece(piece)) or records[""]
        price = piece.expected_cents
        if price is None and record.expected is not None:
            price = record.expected.likely
        if price is None or asked is None:
            found.append(Option(piece, asked or 0, 0, 0, "no price to go by: reckon it first"))
            continue
        sale = terms.sale(price)
        minutes = record.minutes or 0
        costs = (record.materials_cents or 0) + (record.delivery_cents or 0) + (record.transport_cents or 0)
        pay = round_half_up(Fraction(minutes * shop.wanted_hourly_cents, 60))
        gain = sale.revenue - sale.selling_costs - costs - record.reserve_cents - pay - asked
        why = "by your record of this kind" if not record.of_all_kinds else "by your record of all kinds"
        found.append(Option(piece, asked, gain, minutes, why))
    return found


@require_GET
def which_finds(request: HttpRequest) -> HttpResponse:
    """Which of the finds to take with the cash, the van room and the bench hours at hand."""
    options = _options()
    typed = "cash" in request.GET
    form = HaulForm(request.GET if typed else None, options=options)
    context: dict[str, Any] = {"form": form, "options": options, "tab": "find", "haul": None}
    if typed and form.is_valid():
        context |= _haul(form, options)
    if getattr(request, "htmx", False):
        return answer(request, "flips/finds/_haul.html", context)
    return answer(request, "flips/finds/which.html", context, status=422 if form.errors else 200)


def _haul(form: HaulForm, options: Sequence[Option]) -> dict[str, Any]:
    given = form.cleaned_data
    by_key: dict[str, Option] = {}
    candidates = []
    for one in options:
        cash = given.get(f"cash_{one.piece.pk}")
        # Another price than the one reckoned with moves the gain by as much.
        gain = one.gain + one.cash - cash if cash is not None else one.gain
        key = f"{one.piece.what} · {one.piece.pk}"
        by_key[key] = one
        candidates.append(
            Candidate(
                key,
                cash=one.cash if cash is None else cash,
                gain=gain,
                room=given.get(f"room_{one.piece.pk}") or 0,
                minutes=one.minutes,
            )
        )
    no_limit = sum(one.cash for one in candidates)
    haul = choose_finds(
        candidates,
        cash=given["cash"] if given["cash"] is not None else no_limit,
        room=given["room"],
        minutes=given["minutes"],
    )
    gains = {one.name: one.gain for one in candidates}
    return {
        "haul": haul,
        "take": [(by_key[name].piece, gains[name]) for name in haul.take],
        "passed": [(by_key[row.name].piece, row.reason, by_key[row.name].why) for row in haul.passed],
    }


# A briefing


@require_GET
def briefing(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Before work on a find: the three pieces most like it, what was underestimated on them, what to test first."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    past = like_it(piece, shop=current_shop())
    for one in past:
        one.said = _underestimated(one)
    seen = survey_of(piece, kind_of_piece(piece))
    unseen = [one.question for one in seen if one.answer == "not_looked"]
    failed = list(dict.fromkeys(name for one in past for name in one.failed))
    return answer(
        request,
        "flips/finds/briefing.html",
        on_piece(
            request,
            piece,
            "faults",
            past=past,
            stops=[one for one in seen if one.is_stop],
            unseen=unseen[:5],
            unseen_count=len(unseen),
            failed=failed[:6],
        ),
    )


def _underestimated(past: Any) -> list[str]:
    """What turned out larger than reckoned on a piece, in words."""
    figures, row = past.figures, past.reckoned
    if figures is None:
        return []
    shop = current_shop()

    def say(cents: int) -> str:
        return str(Money(cents, shop.currency))

    said = []
    if row is not None:
        if row.minutes and figures.owner_minutes > row.minutes:
            said.append(f"hours: {as_hours(row.minutes)} reckoned, {as_hours(figures.owner_minutes)} taken")
        costs = figures.materials + figures.parts + figures.paid_help
        planned = row.materials_cents + row.reserve_cents
        if costs > planned:
            said.append(f"materials and help: {say(planned)} reckoned, {say(costs)} spent")
        if figures.price and figures.price < row.likely_cents:
            said.append(f"price: {say(row.likely_cents)} expected, {say(figures.price)} fetched")
    if figures.failed_attempts or figures.failed_minutes:
        said.append(f"failed attempts: {say(figures.failed_attempts)} and {as_hours(figures.failed_minutes)}")
    return said


urlpatterns = [
    path("find/ceiling/", ceiling, name="ceiling"),
    path("find/ceiling/keep/", ceiling_keep, name="ceiling_keep"),
    path("find/which/", which_finds, name="which_finds"),
    path("pieces/<int:piece_id>/briefing/", briefing, name="briefing"),
]
