"""The fork board of a fault, its remedies and their steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from estimating.chances import LEVELS
from estimating.money import round_half_up
from finishes.measures import Temperature
from flips.access import open_to_helper
from flips.actions import remedies
from flips.actions.finds import usual_terms
from flips.fork_words import against_her_order, days_of, in_100, of_wish, story, time_of
from flips.models import EstimateLine, Fault, Lot, Remedy, RemedyStep, StepMaterial, Tag, Technique
from flips.models.forks import (
    PART_OUT,
    SELL_AS_IS,
    Board,
    RemedyState,
    board_of,
    load,
    planned_of,
    under_way_of,
)
from flips.models.people import Shop
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.faults import ways_form
from flips.pages.forms import (
    MinutesField,
    MoneyField,
    QuantityField,
    RecordForm,
    TemperatureField,
    current_shop,
    forms,
)
from flips.pages.on_piece import on_piece
from flips.wording import money_words

LEVEL_CHOICES = [(one.key, one.words.capitalize()) for one in LEVELS]


def fault_or_404(fault_id: int) -> Fault:
    """A live fault with its piece and parts."""
    return get_object_or_404(
        Fault.objects.live().select_related("piece").with_parts(), pk=fault_id, piece__voided_at__isnull=True
    )


def saying(shop: Shop) -> Any:
    """How an amount of minor units is said: in the shop's currency, rounded once."""

    def say(cents: Fraction | int) -> str:
        return money_words(round_half_up(cents), shop.currency)

    return say


# The quick form


class StepForm(forms.Form):
    """A step, as fast as it can be typed: technique, time, money, chance; everything else may stay closed."""

    technique = forms.CharField(
        label="What would you do?",
        max_length=120,
        widget=forms.TextInput(attrs={"list": "techniques", "autocomplete": "off", "enterkeyhint": "next"}),
    )
    minutes = MinutesField(
        label="Time",
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off", "placeholder": "45 or 1:30"}),
    )
    money_cents = MoneyField(label="Money", required=False)
    level = forms.ChoiceField(
        label="Will it work?", choices=LEVEL_CHOICES, required=False, widget=forms.RadioSelect
    )
    days = forms.IntegerField(
        label="Days of waiting", required=False, min_value=0, max_value=365, widget=forms.NumberInput
    )
    tags = forms.MultipleChoiceField(
        label="What it asks for", choices=Tag.choices, required=False, widget=forms.CheckboxSelectMultiple
    )
    least = TemperatureField(label="Not colder than", required=False)
    clamps = forms.IntegerField(label="Clamps it takes", required=False, min_value=0, max_value=999)
    any_time = forms.BooleanField(label="A test that can come before the other steps", required=False)
    material = forms.CharField(
        label="Takes from stock",
        max_length=120,
        required=False,
        widget=forms.TextInput(attrs={"list": "stock-names", "autocomplete": "off"}),
    )
    quantity = QuantityField(label="How much", required=False)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if cleaned.get("material") and not cleaned.get("quantity") and "quantity" not in self.errors:
            self.add_error("quantity", "Write how much of it.")
        return cleaned

    @property
    def details_open(self) -> bool:
        """Whether something is wrong, or was typed, where the form is closed."""
        closed = ("days", "tags", "least", "clamps", "any_time", "material", "quantity")
        return any(name in self.errors for name in closed)

    def step(self) -> dict[str, Any]:
        """The fields as ``add_step`` takes them; tags only where they were ticked, else the technique's own."""
        typed = self.cleaned_data
        return {
            "technique": typed["technique"],
            "minutes": typed["minutes"],
            "money_cents": typed["money_cents"],
            "level": typed["level"],
            "days": typed["days"],
            "tags": typed["tags"] or None,
            "least_millicelsius": millicelsius(typed["least"]),
            "clamps": typed["clamps"],
            "any_time": typed["any_time"],
            "materials": [(typed["material"], typed["quantity"], unit_of(typed["material"]))]
            if typed["material"]
            else [],
        }


def millicelsius(temperature: Temperature | None) -> int | None:
    """A temperature as its column holds it."""
    return None if temperature is None else round_half_up(temperature.celsius * 1000)


def unit_of(material: str) -> str:
    """What a material in stock is counted in; empty when there is none of that name."""
    lot = (
        Lot.objects.live().filter(name__iexact=" ".join(material.split())).order_by("-came_on", "-pk").first()
    )
    return lot.unit if lot else ""


class RemedyForm(StepForm):
    """A remedy with its first step."""

    name = forms.CharField(
        label="Call it", max_length=120, required=False, help_text="Empty: after the technique."
    )
    leaves_usable = forms.CharField(label="If it fails, this stays usable", max_length=200, required=False)

    def __init__(self, *args: Any, others: Sequence[Remedy], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        link_fields(self, others)

    @property
    def details_open(self) -> bool:
        """As for a step, with the links of a remedy."""
        closed = ("name", "leaves_usable", "needs_first", "spoils")
        return super().details_open or any(name in self.errors for name in closed)

    def remedy(self) -> dict[str, Any]:
        """The fields as ``add_remedy`` takes them."""
        typed = self.cleaned_data
        return {
            **self.step(),
            "name": typed["name"],
            "leaves_usable": typed["leaves_usable"],
            "needs_first": typed.get("needs_first", ()),
            "spoils": typed.get("spoils", ()),
        }


class RemediesField(forms.MultipleChoiceField):
    """Some of the other remedies of a fault."""

    def __init__(self, *, rows: Sequence[Remedy], **kwargs: Any) -> None:
        self.by_id = {str(row.pk): row for row in rows}
        super().__init__(
            choices=[(pk, row.name) for pk, row in self.by_id.items()],
            required=False,
            widget=forms.CheckboxSelectMultiple,
            **kwargs,
        )

    def clean(self, value: Any) -> list[Remedy]:
        return [self.by_id[pk] for pk in super().clean(value)]


def link_fields(form: forms.BaseForm, others: Sequence[Remedy]) -> None:
    """Adds "only after" and "makes impossible", where there is another remedy to name."""
    if others:
        form.fields["needs_first"] = RemediesField(rows=others, label="Only after trying")
        form.fields["spoils"] = RemediesField(rows=others, label="Trying it makes impossible")


def lists() -> dict[str, list[str]]:
    """Names for the lists under the fields."""
    names = Technique.objects.live().order_by("name").values_list("name", flat=True)
    stock = Lot.objects.live().order_by("name").values_list("name", flat=True).distinct()
    return {"techniques": list(names[:300]), "stock_names": list(stock[:200])}


# The board


@dataclass(frozen=True)
class Way:
    """One branch of the fork as the page shows it."""

    key: str
    title: str
    leaves: str
    more: str
    is_best: bool


WAY_WORDS = {"carry on": "Carry on", SELL_AS_IS: "Sell as is", PART_OUT: "Part out"}


def ways_of(board: Board, say: Any) -> list[Way]:
    """Carry on, sell as is, part out: best first, what each leaves from now on."""
    if board.fork is None:
        return []
    found = []
    for option in board.fork.options:
        more = ""
        if option.name == "carry on":
            more = (
                f"on average, {time_of(option.hours)} more work, put right in {in_100(option.chance)} cases"
            )
        elif option.hours:
            more = f"after {time_of(option.hours)} of taking it apart"
        found.append(
            Way(
                key=option.name.replace(" ", "-"),
                title=WAY_WORDS[option.name],
                leaves=say(option.net),
                more=more,
                is_best=option is board.fork.best,
            )
        )
    return found


def advice_of(board: Board, say: Any) -> str:
    """What the fork comes to, in one sentence."""
    if board.fork is None:
        return ""
    if board.fork.lead is None:
        return f"Nothing is left to try: {WAY_WORDS[board.fork.best.name].lower()}."
    best, lead = WAY_WORDS[board.fork.best.name], round_half_up(board.fork.lead)
    if not lead:
        return f"{best}: it leaves the same, and it is certain."
    second = WAY_WORDS[board.fork.options[1].name].lower()
    return f"{best}: it leaves {say(lead)} more from now on than to {second}."


def board_words(board: Board, shop: Shop) -> dict[str, Any]:
    """The board's figures in plain words, for an owner."""
    say = saying(shop)
    found = board.ranking
    context: dict[str, Any] = {
        "ways": ways_of(board, say),
        "advice": advice_of(board, say),
        "sunk": say(board.sunk_cents),
        "sunk_time": time_of(Fraction(board.sunk_minutes, 60)),
        "has_sunk": bool(board.sunk_cents or board.sunk_minutes),
        "hour_value": say(board.hour_value),
    }
    for state in board.order:
        _card_words(state, say)
    for state, _ in board.left_out:
        _alone_words(state, say, board.hour_value)
    for wish in board.wishes:
        if wish.price is not None:
            wish.said = of_wish(wish.price, say=say)
            wish.out = _named(wish.price.ruled_out)
    if found is None:
        return context
    figures = found.expected
    context |= {
        "plan_cost": say(figures.spend),
        "plan_money": say(figures.materials),
        "plan_time": time_of(figures.hours),
        "plan_days": days_of(figures.days) if figures.days else "",
        "plan_chance": in_100(figures.chance),
        "own_words": against_her_order(found, say=say),
        "own_notes": found.own_notes,
        "worst_words": worst_words(board, say),
        "shares": [(one.name, one.in_words, say(one.cost), say(one.average)) for one in board.shares],
        "shares_total": say(sum((one.average for one in board.shares), Fraction(0))),
        "missed": in_100(1 - figures.chance) if figures.chance < 1 else "",
        "missed_cost": say(found.give_up) if found.give_up is not None else "",
        "missed_average": say(found.give_up * (1 - figures.chance)) if found.give_up is not None else "",
        "expected_cost": say(figures.cost),
        "turns": story(found.first),
        "together_words": of_wish(board.together, say=say) if board.together else "",
        "together_out": _named(board.together.ruled_out) if board.together else "",
    }
    return context


def _named(names: Sequence[str]) -> str:
    return ", ".join(f"“{name}”" for name in names)


def worst_words(board: Board, say: Any) -> str:
    """What the dearest order would cost more, named where it is one order."""
    found = board.ranking
    if found is None or round_half_up(found.saves_over_worst) <= 0:
        return ""
    names = " → ".join(found.worst_order)
    said = f"The dearest order costs {say(found.saves_over_worst)} more on average"
    return f"{said}: {names}." if names else f"{said}."


def _card_words(state: RemedyState, say: Any) -> None:
    card = state.placed
    if card is None:
        return
    state.cost = say(card.cost)  # type: ignore[attr-defined]
    state.time = time_of(card.hours)  # type: ignore[attr-defined]
    state.days = days_of(card.days) if card.days else ""  # type: ignore[attr-defined]
    state.chance_words = in_100(card.chance)  # type: ignore[attr-defined]
    state.reason = card.reason[:1].upper() + card.reason[1:]  # type: ignore[attr-defined]
    state.saves = (  # type: ignore[attr-defined]
        say(card.saves) if card.saves is not None and round_half_up(card.saves) > 0 else ""
    )


def _alone_words(state: RemedyState, say: Any, hour_value: int) -> None:
    roots = {one.root.pk: one for one in state.steps}.values()
    hours = sum((Fraction(one.root.minutes, 60) for one in roots), Fraction(0))
    chance = Fraction(1)
    for one in roots:
        chance *= one.chance.chance
    state.cost = say(sum(one.root.money_cents for one in roots) + hours * hour_value)  # type: ignore[attr-defined]
    state.time = time_of(hours)  # type: ignore[attr-defined]
    state.chance_words = in_100(chance)  # type: ignore[attr-defined]


@require_GET
@open_to_helper
def fault(request: HttpRequest, fault_id: int) -> HttpResponse:
    """A fault: for an owner the fork board, for a helper its remedies and steps without money."""
    shown = fault_or_404(fault_id)
    if not request.user.is_owner:  # type: ignore[union-attr]
        states = load(shown)
        under_way = under_way_of(states, timezone.now())
        planned_of(under_way)
        context = on_piece(
            request,
            shown.piece,
            "faults",
            fault=shown,
            states=states,
            under_way=under_way,
            parts=shown.its_parts(),
            photos=list(shown.photos.live()),
        )
        return answer(request, "flips/remedies/fault.html", context)
    return board_page(request, shown)


def board_page(request: HttpRequest, shown: Fault, form: RemedyForm | None = None) -> HttpResponse:
    """The fork board, with the form of a remedy as it was sent when it was refused."""
    shop, now = current_shop(), timezone.now()
    board = board_of(
        shown,
        shop=shop,
        terms=usual_terms(timezone.localdate(now)),
        now=now,
        wishes=request.GET.getlist("wish"),
    )
    planned_of(board.under_way)
    form = form or RemedyForm(others=[one.remedy for one in board.remedies])
    context = on_piece(
        request,
        shown.piece,
        "faults",
        fault=shown,
        parts=shown.its_parts(),
        photos=list(shown.photos.live()),
        board=board,
        form=form,
        ways_form=ways_form(shown) if board.fork is None else None,
        **board_words(board, shop),
        **lists(),
    )
    return answer(request, "flips/remedies/board.html", context, status=refused_status(form))


@require_POST
def remedy_new(request: HttpRequest, fault_id: int) -> HttpResponse:
    """Adds a remedy with its first step, and is ready for the next."""
    shown = fault_or_404(fault_id)
    others = list(Remedy.objects.live().filter(fault=shown).in_order())
    form = RemedyForm(request.POST, others=others)
    if form.is_valid():

        def add() -> Done:
            made = remedies.add_remedy(by=request.user, fault=shown, **form.remedy())  # type: ignore[arg-type]
            return Done(f"{shown.get_absolute_url()}#add", f"“{made}” added.", undo_token("made", made))

        if done := once(request, form, add):
            return done
    return board_page(request, shown, form)


@require_POST
def fault_order(request: HttpRequest, fault_id: int) -> HttpResponse:
    """Moves one remedy up or down in her own order, or goes back to the recommended one."""
    shown = fault_or_404(fault_id)
    to = f"{shown.get_absolute_url()}#own"
    if request.POST.get("drop"):
        remedies.drop_own_order(shown)
        return go(request, Done(to))
    try:
        ids = [int(one) for one in request.POST.get("order", "").split(",") if one]
        moved, by = int(request.POST.get("move", "")), int(request.POST.get("by", ""))
        place = ids.index(moved)
    except ValueError:
        raise Http404 from None
    other = place + (1 if by > 0 else -1)
    if 0 <= other < len(ids):
        ids[place], ids[other] = ids[other], ids[place]
    try:
        remedies.put_in_order(shown, ids)
    except ValidationError as refused:
        return go(request, Done(to, " ".join(refused.messages)))
    return go(request, Done(to))


# One remedy


class RemedyEditForm(RecordForm):
    """Corrects a remedy."""

    class Meta:
        model = Remedy
        fields = ["name", "leaves_usable", "note"]

    def __init__(self, *args: Any, others: Sequence[Remedy], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        link_fields(self, others)


def _remedy(remedy_id: int) -> Remedy:
    return get_object_or_404(
        Remedy.objects.live().select_related("fault__piece").filter(fault__voided_at__isnull=True),
        pk=remedy_id,
    )


@require_http_methods(["GET", "POST"])
def remedy(request: HttpRequest, remedy_id: int) -> HttpResponse:
    """A remedy: its steps in order, what it needs first and spoils."""
    shown = _remedy(remedy_id)
    others = list(Remedy.objects.live().filter(fault=shown.fault_id).exclude(pk=shown.pk).in_order())
    form = RemedyEditForm(
        request.POST or None,
        instance=shown,
        others=others,
        initial={
            "needs_first": [str(row.pk) for row in shown.needs_first.all()],
            "spoils": [str(row.pk) for row in shown.spoils.all()],
        },
    )
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.hold()
            remedies.change_remedy(
                shown,
                needs_first=form.cleaned_data.get("needs_first", ()),
                spoils=form.cleaned_data.get("spoils", ()),
            )
        if not form.errors:
            return go(request, Done(shown.fault.get_absolute_url(), "Saved."))
    return _remedy_page(request, shown, form=form)


def _remedy_page(
    request: HttpRequest,
    shown: Remedy,
    *,
    form: RemedyEditForm | None = None,
    step_form: StepForm | None = None,
) -> HttpResponse:
    fault_of = fault_or_404(shown.fault_id)
    state = next((one for one in load(fault_of) if one.remedy.pk == shown.pk), None)
    if form is None:
        others = list(Remedy.objects.live().filter(fault=shown.fault_id).exclude(pk=shown.pk).in_order())
        form = RemedyEditForm(instance=shown, others=others)
    context = on_piece(
        request,
        fault_of.piece,
        "faults",
        fault=fault_of,
        remedy=shown,
        state=state,
        form=form,
        step_form=step_form or StepForm(),
        **lists(),
    )
    return answer(
        request,
        "flips/remedies/remedy.html",
        context,
        status=max(refused_status(form), refused_status(step_form) if step_form else 200),
    )


@require_POST
def step_new(request: HttpRequest, remedy_id: int) -> HttpResponse:
    """Adds a step at the end of a remedy."""
    shown = _remedy(remedy_id)
    form = StepForm(request.POST)
    if form.is_valid():

        def add() -> Done:
            step = remedies.add_step(by=request.user, remedy=shown, **form.step())  # type: ignore[arg-type]
            return Done(f"{shown.get_absolute_url()}#add", f"“{step}” added.", undo_token("made", step))

        if done := once(request, form, add):
            return done
    return _remedy_page(request, shown, step_form=form)


@require_POST
def remedy_void(request: HttpRequest, remedy_id: int) -> HttpResponse:
    """Takes out a remedy noted by mistake."""
    shown = _remedy(remedy_id)
    try:
        remedies.void_remedy(shown, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(shown.get_absolute_url(), " ".join(refused.messages)))
    return go(
        request,
        Done(shown.fault.get_absolute_url(), f"“{shown}” is taken out.", undo_token("voided", shown)),
    )


@require_POST
def remedy_rule_out(request: HttpRequest, remedy_id: int) -> HttpResponse:
    """Rules a remedy out with a reason, or in again."""
    shown = _remedy(remedy_id)
    reason = request.POST.get("reason", "").strip()[:200]
    back_in = bool(request.POST.get("back"))
    if not reason and not back_in:
        return go(request, Done(shown.get_absolute_url(), "Say why it is ruled out."))
    remedies.rule_out(shown, reason="" if back_in else reason)
    return go(
        request,
        Done(shown.fault.get_absolute_url(), f"“{shown}” is {'weighed again' if back_in else 'ruled out'}."),
    )


# One step


class StepEditForm(RecordForm):
    """Corrects a step; attempts keep what was planned when they began."""

    technique_name = forms.CharField(
        label="Technique",
        max_length=120,
        widget=forms.TextInput(attrs={"list": "techniques", "autocomplete": "off"}),
    )
    minutes = MinutesField(label="Time", required=False)
    money_cents = MoneyField(label="Money", required=False)
    tags = forms.MultipleChoiceField(
        label="What it asks for", choices=Tag.choices, required=False, widget=forms.CheckboxSelectMultiple
    )
    least = TemperatureField(label="Not colder than", required=False)
    shares = forms.ModelChoiceField(
        label="The same work as",
        queryset=RemedyStep.objects.none(),
        required=False,
        empty_label="Its own work",
        help_text="Shared work is done once and paid once, with the figures of the step it is named after.",
    )

    instance: RemedyStep

    class Meta:
        model = RemedyStep
        fields = ["minutes", "money_cents", "level", "days", "any_time", "clamps", "shares", "note"]
        widgets = {"level": forms.RadioSelect}
        labels = {"level": "Will it work?", "any_time": "A test that can come before the other steps"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["level"].choices = LEVEL_CHOICES  # type: ignore[attr-defined]
        self.fields["shares"].queryset = (  # type: ignore[attr-defined]
            RemedyStep.objects.live()
            .filter(
                remedy__fault=self.instance.remedy.fault_id,
                remedy__voided_at__isnull=True,
                shares__isnull=True,
            )
            .exclude(remedy=self.instance.remedy_id)
            .select_related("technique", "remedy")
        )
        self.fields["shares"].label_from_instance = lambda one: f"{one.technique} in “{one.remedy}”"  # type: ignore[attr-defined]
        step = self.instance
        self.initial = self.initial | {  # type: ignore[operator]
            "technique_name": step.technique.name,
            "tags": step.tags,
            "least": step.least_temperature,
            "minutes": step.minutes or None,
        }

    def clean_minutes(self) -> int:
        """Nothing typed takes no time."""
        return self.cleaned_data["minutes"] or 0

    def clean_money_cents(self) -> int:
        """Nothing typed costs nothing."""
        return self.cleaned_data["money_cents"] or 0


def _step(step_id: int) -> RemedyStep:
    return get_object_or_404(
        RemedyStep.objects.live()
        .select_related("technique", "remedy__fault__piece", "shares__technique")
        .filter(remedy__voided_at__isnull=True, remedy__fault__voided_at__isnull=True),
        pk=step_id,
    )


@require_http_methods(["GET", "POST"])
def step(request: HttpRequest, step_id: int) -> HttpResponse:
    """Corrects a step, and says what it takes from stock."""
    shown = _step(step_id)
    form = StepEditForm(request.POST or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.hold()
            shown.least_millicelsius = millicelsius(form.cleaned_data["least"])
            remedies.change_step(
                shown,
                by=request.user,  # type: ignore[arg-type]
                technique=form.cleaned_data["technique_name"],
                tags=form.cleaned_data["tags"],
            )
        if not form.errors:
            return go(request, Done(shown.remedy.get_absolute_url(), "Saved."))
    return _step_page(request, shown, form=form)


class MaterialForm(forms.Form):
    """What a step takes from stock."""

    material = forms.CharField(
        label="Takes from stock",
        max_length=120,
        widget=forms.TextInput(attrs={"list": "stock-names", "autocomplete": "off"}),
    )
    quantity = QuantityField(label="How much")
    unit = forms.CharField(label="Counted in", max_length=20, required=False, help_text="Empty: as in stock.")


def _step_page(
    request: HttpRequest, shown: RemedyStep, *, form: StepEditForm, material: MaterialForm | None = None
) -> HttpResponse:
    context = on_piece(
        request,
        shown.remedy.fault.piece,
        "faults",
        step=shown,
        remedy=shown.remedy,
        fault=shown.remedy.fault,
        form=form,
        material_form=material or MaterialForm(),
        materials=list(shown.materials.live()),
        estimate_lines=list(EstimateLine.objects.open().filter(estimate__piece=shown.remedy.fault.piece_id)),
        **lists(),
    )
    status = max(refused_status(form), refused_status(material) if material else 200)
    return answer(request, "flips/remedies/step.html", context, status=status)


@require_POST
def step_from_estimate(request: HttpRequest, step_id: int) -> HttpResponse:
    """Takes the money or the time of a step from a line of the piece's estimate, as it stands now."""
    shown = _step(step_id)
    line = get_object_or_404(
        EstimateLine.objects.open().filter(estimate__piece=shown.remedy.fault.piece_id),
        pk=int(request.POST["line"]) if request.POST.get("line", "").isdecimal() else 0,
    )
    said = remedies.take_estimate(shown, line)
    return go(request, Done(shown.get_absolute_url(), said))


@require_POST
def step_material(request: HttpRequest, step_id: int) -> HttpResponse:
    """Adds what a step takes from stock."""
    shown = _step(step_id)
    form = MaterialForm(request.POST)
    if form.is_valid():
        typed = form.cleaned_data

        def add() -> Done:
            row = remedies.add_material(
                by=request.user,  # type: ignore[arg-type]
                step=shown,
                material=typed["material"],
                quantity_millionths=typed["quantity"],
                unit=typed["unit"] or unit_of(typed["material"]),
            )
            return Done(f"{shown.get_absolute_url()}#stock", f"{row} added.", undo_token("made", row))

        if done := once(request, form, add):
            return done
    return _step_page(request, shown, form=StepEditForm(instance=shown), material=form)


@require_POST
def step_material_void(request: HttpRequest, material_id: int) -> HttpResponse:
    """Takes a planned material off a step."""
    row = get_object_or_404(StepMaterial.objects.live().select_related("step"), pk=material_id)
    row.void(by=request.user, reason="not needed")  # type: ignore[arg-type]
    return go(
        request, Done(f"{row.step.get_absolute_url()}#stock", f"{row} taken off.", undo_token("voided", row))
    )


@require_POST
def step_void(request: HttpRequest, step_id: int) -> HttpResponse:
    """Takes out a step noted by mistake."""
    shown = _step(step_id)
    try:
        remedies.void_step(shown, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(shown.get_absolute_url(), " ".join(refused.messages)))
    return go(
        request,
        Done(shown.remedy.get_absolute_url(), f"“{shown}” is taken out.", undo_token("voided", shown)),
    )


urlpatterns = [
    path("faults/<int:fault_id>/", fault, name="fault"),
    path("faults/<int:fault_id>/remedies/new/", remedy_new, name="remedy_new"),
    path("faults/<int:fault_id>/order/", fault_order, name="fault_order"),
    path("remedies/<int:remedy_id>/", remedy, name="remedy"),
    path("remedies/<int:remedy_id>/void/", remedy_void, name="remedy_void"),
    path("remedies/<int:remedy_id>/rule-out/", remedy_rule_out, name="remedy_rule_out"),
    path("remedies/<int:remedy_id>/steps/new/", step_new, name="step_new"),
    path("steps/<int:step_id>/", step, name="step"),
    path("steps/<int:step_id>/void/", step_void, name="step_void"),
    path("steps/<int:step_id>/estimate/", step_from_estimate, name="step_from_estimate"),
    path("steps/<int:step_id>/materials/new/", step_material, name="step_material"),
    path("step-materials/<int:material_id>/void/", step_material_void, name="step_material_void"),
]
