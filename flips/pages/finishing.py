"""Finishing at the bench: the finish of a piece, the day plan, the room, the working week, calendars, the care card."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from finishes.measures import Temperature, trim_decimal
from finishes.models import FinishSchedule, ShopShelf, shop_shelf, slug_of
from finishes.products import BARE, Product
from finishes.schedules import RULE_OF_THUMB
from finishes.wood import check_dew, equilibrium_moisture
from flips.access import open_to_all, open_to_helper, page_before
from flips.actions import finishing
from flips.models import (
    BenchHours,
    CalendarFeed,
    Moment,
    Part,
    Piece,
    PieceSchedule,
    RoomReading,
    ScheduleStep,
)
from flips.models.day_plan import BenchPlan, bench_plan, rags_about, step_cautions
from flips.models.finish_needs import FIRST_DRINKS, WASTE, FinishNeed, finish_needs, took
from flips.models.finishing import Sides
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import MomentField, RecordForm, TemperatureField, current_shop, forms
from flips.pages.papers import pdf
from flips.pages.pieces import sections
from flips.pages.recipes import add_from, built, change_from, move_from, right_from, step_title
from flips.pages.step_forms import StepForm, surface_choices, typed_into
from flips.papers.calendar import bench_calendar
from flips.papers.care import care_card, finished

WEEK = timedelta(days=7)


def _piece(piece_id: int) -> Piece:
    return get_object_or_404(Piece.objects.live(), pk=piece_id)


# ---- the finish of a piece ---------------------------------------------------------------------------------


@require_GET
@open_to_helper
def piece_finish(request: HttpRequest, piece_id: int) -> HttpResponse:
    """The finish of a piece: its groups of parts, where each stands, what it takes, what it really took."""
    piece, shop, now = _piece(piece_id), current_shop(), timezone.now()
    owner = request.user.is_owner  # type: ignore[union-attr]
    schedules = list(PieceSchedule.objects.live().filter(piece=piece).select_related("piece").with_steps())
    plan = bench_plan(now=now, shop=shop, also=schedules if piece.is_owned else ())
    groups = [_group(schedule, plan) for schedule in schedules]
    needs = finish_needs([piece], shop=shop, with_cost=owner) if schedules else []
    return answer(
        request,
        "flips/finishing/piece.html",
        {
            "piece": piece,
            "tabs": sections(piece, "piece_finish", owner=owner),
            "groups": groups,
            "needs": [_need(need, owner=owner) for need in needs],
            "waste": WASTE,
            "first_drinks": FIRST_DRINKS,
            "took": took(piece) if schedules and owner else [],
            "rags": rags_about(now),
            "has_care": any(row.done for schedule in schedules for row in schedule.steps_in_order),
            "matches": piece.colour_matches.live().count(),
            "tab": "bench",
        },
    )


def _group(schedule: PieceSchedule, plan: BenchPlan) -> dict[str, Any]:
    one = plan.judged.get(schedule.pk)
    doings = plan.of(schedule)
    stand = next((doing for doing in doings.values() if doing.stand), None)
    rows = schedule.steps_in_order
    return {
        "schedule": schedule,
        "steps": len(rows),
        "done": sum(1 for row in rows if row.done),
        "refused": one.blocking if one else (),
        "stand": stand,
        "milestones": plan.ready_of(schedule),
    }


def _need(need: FinishNeed, *, owner: bool) -> dict[str, Any]:
    return {
        "need": need,
        "href": product_href(need.product, need.schedule),
        "wanted": need.coating.volume if need.coating else None,
        "area": need.coating.area if need.coating else None,
        "short": need.short if need.short else None,
        "cans": need.cans if owner else (),
        "cost_cents": need.cost.cents if owner and need.cost and need.short else None,
    }


def product_href(product: Product, schedule: PieceSchedule) -> str:
    """The page of a product of a schedule: the shop's own can, or the generic type."""
    for row in schedule.steps_in_order:
        if row.own_id and row.own and row.own.name == product.name:
            return row.own.get_absolute_url()
    return reverse("product", args=[slug_of(product)])


class ScheduleForm(forms.Form):
    """The finish of a group of parts."""

    group = forms.CharField(label="Which parts", max_length=60, initial="All of it")
    recipe = forms.ModelChoiceField(
        queryset=FinishSchedule.objects.in_use(),
        label="Recipe",
        required=False,
        empty_label="None: I add the steps",
    )
    over = forms.ChoiceField(label="What it goes on", help_text="What is on the wood now.")
    sides = forms.ChoiceField(
        label="Coated", choices=Sides.choices, initial=Sides.SHOW, widget=forms.RadioSelect
    )
    parts = forms.ModelMultipleChoiceField(
        queryset=Part.objects.none(),
        label="Parts",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="None ticked: all of them.",
    )
    area_text = forms.CharField(
        label="Area, if the parts are not measured",
        max_length=30,
        required=False,
        widget=forms.TextInput(attrs={"placeholder": "24 ft2", "autocomplete": "off"}),
    )
    not_before = MomentField(label="Not before", required=False)

    def __init__(self, *args: Any, piece: Piece, shelf: ShopShelf, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["over"].choices = surface_choices(shelf)  # type: ignore[attr-defined]
        self.fields["parts"].queryset = Part.objects.live().filter(piece=piece)  # type: ignore[attr-defined]
        self.has_parts = Part.objects.live().filter(piece=piece).exists()


@require_http_methods(["GET", "POST"])
@open_to_helper
def piece_schedule_new(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Plans a finish for a group of parts; a recipe that would fail there is refused with its reasons."""
    piece, shelf = _piece(piece_id), shop_shelf()
    asked = request.GET.get("recipe", "")
    chosen = (
        FinishSchedule.objects.in_use().filter(pk=asked).first()
        if asked.isdigit() and len(asked) < 10
        else None
    )
    initial = {"recipe": chosen.pk, "over": chosen.over} if chosen else {"over": BARE}
    form = ScheduleForm(request.POST or None, piece=piece, shelf=shelf, initial=initial)
    if request.method == "POST" and form.is_valid():

        def add() -> Done:
            typed = dict(form.cleaned_data)
            schedule = finishing.plan_finish(
                piece,
                by=request.user,  # type: ignore[arg-type]
                **typed,
            )
            return Done(schedule.get_absolute_url(), "Finish planned.", undo_token("made", schedule))

        if done := once(request, form, add):
            return done
    return answer(
        request,
        "flips/finishing/schedule_new.html",
        {"piece": piece, "form": form, "tab": "bench"},
        status=refused_status(form),
    )


class ScheduleEditForm(RecordForm):
    """Changes what a schedule is for."""

    instance: PieceSchedule

    not_before = MomentField(label="Not before", required=False)

    class Meta:
        model = PieceSchedule
        fields = ["group", "over", "sides", "area_text", "not_before", "anyway"]
        widgets = {"sides": forms.RadioSelect}
        help_texts = {
            "anyway": "Only if you know better than the reasons above. Poison and fire are not set aside by it."
        }

    def __init__(self, *args: Any, shelf: ShopShelf, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["over"] = forms.ChoiceField(label="What it goes on", choices=surface_choices(shelf))
        self.fields["parts"] = forms.ModelMultipleChoiceField(
            queryset=Part.objects.live().filter(piece=self.instance.piece_id),
            label="Parts",
            required=False,
            widget=forms.CheckboxSelectMultiple,
            initial=list(self.instance.parts.all()),
            help_text="None ticked: all of them.",
        )


def _schedule(schedule_id: int) -> PieceSchedule:
    rows = PieceSchedule.objects.live().select_related("piece").with_steps()
    return get_object_or_404(rows.filter(piece__voided_at__isnull=True), pk=schedule_id)


def _schedule_page(
    request: HttpRequest, schedule: PieceSchedule, shelf: ShopShelf, **more: Any
) -> HttpResponse:
    plan = bench_plan(now=timezone.now(), shop=current_shop(), also=[schedule])
    doings = plan.of(schedule)
    shown = built(schedule, shelf=shelf, rows=schedule.steps_in_order, doings=doings)
    one = plan.judged.get(schedule.pk)
    done = sum(1 for line in shown.lines if getattr(line.row, "done", None))
    context = {
        "schedule": schedule,
        "piece": schedule.piece,
        "built": shown,
        "blocking": one.blocking if one else (),
        "unplaced": [unplaced for where, unplaced in plan.unplaced if where.pk == schedule.pk],
        "milestones": plan.ready_of(schedule),
        "note": plan.note or RULE_OF_THUMB,
        "form": StepForm(shelf=shelf, titles=shown.titles, first=done),
        "edit_form": ScheduleEditForm(instance=schedule, shelf=shelf),
        "add_url": reverse("schedule_step_new", args=[schedule.pk]),
        "right_url": reverse("schedule_right", args=[schedule.pk]),
        "step_route": "schedule_step",
        "move_route": "schedule_step_move",
        "tab": "bench",
    }
    status = more.pop("status", 200)
    return answer(request, "flips/finishing/schedule.html", context | more, status=status)


@require_http_methods(["GET", "POST"])
@open_to_helper
def piece_schedule(request: HttpRequest, schedule_id: int) -> HttpResponse:
    """The finish of a group of parts, step by step: when, what would fail, and ticking off."""
    schedule, shelf = _schedule(schedule_id), shop_shelf()
    if request.method == "GET":
        return _schedule_page(request, schedule, shelf)
    form = ScheduleEditForm(request.POST, instance=schedule, shelf=shelf)
    if form.is_valid():
        with refusals_on(form):
            form.hold()
            finishing.change_schedule(form.instance, parts=list(form.cleaned_data["parts"]))
        if not form.errors:
            return go(request, Done(schedule.get_absolute_url(), "Saved."))
    return _schedule_page(request, _schedule(schedule_id), shelf, edit_form=form, status=refused_status(form))


@require_POST
@open_to_helper
def piece_schedule_void(request: HttpRequest, schedule_id: int) -> HttpResponse:
    """Takes a planned finish off the piece; helpers only their own."""
    schedule = _schedule(schedule_id)
    if not request.user.is_owner and schedule.created_by_id != request.user.pk:  # type: ignore[union-attr]
        raise PermissionDenied("You can take back only what you planned yourself.")
    schedule.void(by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    back = reverse("piece_finish", args=[schedule.piece_id])
    return go(request, Done(back, "Taken off the piece.", undo_token("voided", schedule)))


@require_POST
@open_to_helper
def schedule_keep(request: HttpRequest, schedule_id: int) -> HttpResponse:
    """Keeps the steps of a piece's finish as a recipe."""
    schedule = _schedule(schedule_id)
    name = request.POST.get("name", "").replace("\x00", "").strip()[:80]

    def keep() -> Done:
        recipe = finishing.new_recipe(
            by=request.user,  # type: ignore[arg-type]
            name=name,
            over=schedule.over,
            steps=finishing.rows_of(schedule),
        )
        return Done(recipe.get_absolute_url(), "Kept as a recipe.")

    try:
        done = once(request, None, keep)
    except ValidationError as refused:
        return go(request, Done(schedule.get_absolute_url(), " ".join(refused.messages)))
    return done or go(request, Done(schedule.get_absolute_url()))


@require_http_methods(["GET", "POST"])
@open_to_helper
def schedule_step_new(request: HttpRequest, schedule_id: int) -> HttpResponse:
    """Adds a step."""
    schedule, shelf = _schedule(schedule_id), shop_shelf()
    titles = [step.title for step in finishing.steps_of(schedule, shelf=shelf)]
    form = StepForm(request.POST or None, shelf=shelf, titles=titles)
    if request.method == "POST" and form.is_valid():
        done = add_from(request, schedule, form, back=f"{schedule.get_absolute_url()}#add-step")
        if done:
            return done
    return _schedule_page(request, schedule, shelf, form=form, status=refused_status(form))


def _step(step_id: int) -> ScheduleStep:
    rows = ScheduleStep.objects.live().select_related("schedule__piece")
    return get_object_or_404(rows.filter(schedule__voided_at__isnull=True), pk=step_id)


class TickForm(forms.Form):
    """When a step was finished for real."""

    done_at = MomentField(label="Finished", help_text="When it was really done; waits count from then.")


@require_http_methods(["GET", "POST"])
@open_to_helper
def schedule_step(request: HttpRequest, step_id: int) -> HttpResponse:
    """One step of a piece's finish: changed, taken out, ticked off with its real time, or un-ticked."""
    row, shelf = _step(step_id), shop_shelf()
    back = row.schedule.get_absolute_url()
    form = StepForm(request.POST or None, shelf=shelf, initial=StepForm.of(row))
    if request.method == "POST" and row.done:
        return go(request, Done(row.get_absolute_url(), finishing.DONE_STAYS))
    if request.method == "POST" and form.is_valid():
        done = change_from(request, row, form, back=f"{back}#step-{row.pk}")
        if done:
            return done
    return _step_page(request, row, shelf, form=form, status=refused_status(form))


def _step_page(request: HttpRequest, row: ScheduleStep, shelf: ShopShelf, **more: Any) -> HttpResponse:
    status = more.pop("status", 200)
    context = {
        "form": StepForm(shelf=shelf, initial=StepForm.of(row)),
        "tick_form": TickForm(initial={"done_at": timezone.localtime()}),
        "done": row.done,
        "title": step_title(row.schedule, row, shelf),
        "cautions": step_cautions(row.as_step(shelf), over=row.schedule.over),
        "back": row.schedule.get_absolute_url(),
        "back_text": f"{row.schedule.piece}: {row.schedule.group}",
        "tick_url": reverse("step_tick", args=[row.pk]),
        "untick_url": reverse("step_untick", args=[row.pk]),
        "remove_url": reverse("schedule_step_remove", args=[row.pk]),
        "tab": "bench",
    }
    return answer(request, "finishes/step.html", context | more, status=status)


@require_POST
@open_to_helper
def step_tick(request: HttpRequest, step_id: int) -> HttpResponse:
    """Ticks a step off, now or at the time typed; after oil it says what becomes of the rags."""
    row, now = _step(step_id), timezone.now()
    typed = "done_at" in request.POST
    form = TickForm(request.POST) if typed else TickForm({"done_at": timezone.localtime(now)})
    back = page_before(request) or reverse("day_plan")
    # From its own page she goes on to the schedule, where the next step is.
    if back.startswith(row.get_absolute_url()) or back == request.path:
        back = row.schedule.get_absolute_url()
    if form.is_valid():

        def tick() -> Done:
            at = form.cleaned_data["done_at"] if typed else now
            done = finishing.tick(row, by=request.user, done_at=at, now=now)  # type: ignore[arg-type]
            return Done(back, "Ticked off.", undo_token("made", done))

        if typed:
            if done := once(request, form, tick):
                return done
        else:
            try:
                if done := once(request, None, tick):
                    return done
            except ValidationError as refused:
                messages.warning(request, " ".join(refused.messages))
                return go(request, Done(back))
    return _step_page(request, row, shop_shelf(), tick_form=form, status=refused_status(form))


@require_POST
@open_to_helper
def step_untick(request: HttpRequest, step_id: int) -> HttpResponse:
    """Takes a tick away, with a reason; helpers only their own."""
    row = _step(step_id)
    done = row.done
    if done and not request.user.is_owner and done.created_by_id != request.user.pk:  # type: ignore[union-attr]
        raise PermissionDenied("You can take back only what you ticked yourself.")
    try:
        finishing.untick(row, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(row.get_absolute_url(), " ".join(refused.messages)))
    return go(request, Done(row.schedule.get_absolute_url(), "The tick is taken away."))


@require_POST
@open_to_helper
def schedule_step_remove(request: HttpRequest, step_id: int) -> HttpResponse:
    """Takes a step out."""
    row = _step(step_id)
    back = row.schedule.get_absolute_url()
    try:
        finishing.remove_step(row, by=request.user)  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(row.get_absolute_url(), " ".join(refused.messages)))
    return go(request, Done(back, "Step taken out.", undo_token("voided", row)))


@require_POST
@open_to_helper
def schedule_step_move(request: HttpRequest, step_id: int) -> HttpResponse:
    """Moves a step up or down."""
    row = _step(step_id)
    return move_from(request, row, back=row.schedule.get_absolute_url())


@require_POST
@open_to_helper
def schedule_right(request: HttpRequest, schedule_id: int) -> HttpResponse:
    """Puts one refused step right."""
    schedule = _schedule(schedule_id)
    return right_from(request, schedule, back=schedule.get_absolute_url())


@require_POST
def take_coverage(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Takes the coverage worked out from what was really used as the shop's own."""
    piece = _piece(piece_id)
    back = reverse("piece_finish", args=[piece.pk])
    shelf = shop_shelf()
    wanted = request.POST.get("product", "")
    found = next((one for one in took(piece, shelf=shelf) if one.product.name == wanted), None)
    if found is None or not found.believable:
        return go(request, Done(back, "That can't be worked out any more."))
    own = next((can for can in shelf.cans if can.pk in shelf.own and can.name == wanted), None)
    row = finishing.set_figure(
        by=request.user,  # type: ignore[arg-type]
        figure="coverage",
        shipped="" if own else wanted,
        own=own,
        low_text=trim_decimal(found.coverage.low, 1),
        high_text="",
        unit=found.coverage.unit,
        reason=found.coverage.source,
        from_use=True,
    )
    return go(request, Done(back, f"From now on {row.low_text} {row.unit} is reckoned with."))


# ---- the day plan ------------------------------------------------------------------------------------------


class RoomForm(forms.Form):
    """What thermometer and hygrometer say."""

    temperature = TemperatureField(label="Temperature", max_length=20)
    humidity = forms.IntegerField(label="Humidity", min_value=1, max_value=100, required=False)
    surface = TemperatureField(
        label="Temperature of the wood, if you measured it", max_length=20, required=False
    )
    at = MomentField(label="When", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["humidity"].after = "%"  # type: ignore[attr-defined]
        unit = "°F" if current_shop().units == "imperial" else "°C"
        for name in ("temperature", "surface"):
            self.fields[name].after = unit  # type: ignore[attr-defined]
            self.fields[name].widget.attrs |= {"autocomplete": "off"}

    @property
    def columns(self) -> dict[str, Any]:
        """As a reading takes them."""
        typed, unit = self.cleaned_data, "°F" if current_shop().units == "imperial" else "°C"

        def hundredths(warmth: Temperature | None) -> int | None:
            return None if warmth is None else round(warmth.celsius * 100)

        def text(warmth: Temperature | None) -> str:
            if warmth is None:
                return ""
            return warmth.text if warmth.text[-1:].isalpha() else f"{warmth.text} {unit}"

        return {
            "celsius_hundredths": hundredths(typed["temperature"]),
            "temperature_text": text(typed["temperature"]),
            "humidity_percent": typed["humidity"],
            "surface_celsius_hundredths": hundredths(typed["surface"]),
            "surface_text": text(typed["surface"]),
        }


def room_words(reading: RoomReading | None) -> dict[str, Any]:
    """What a reading of the room means for the work: moisture of wood, dew point."""
    if reading is None:
        return {}
    found: dict[str, Any] = {"reading": reading}
    if reading.humidity_percent and -20 <= reading.temperature.celsius <= 60:
        found["emc"] = round(equilibrium_moisture(reading.temperature, reading.humidity_percent), 1)
        found["dew"] = check_dew(
            surface=reading.surface or reading.temperature,
            air=reading.temperature,
            humidity_percent=reading.humidity_percent,
        )
    return found


@require_GET
@open_to_helper
def day_plan(request: HttpRequest) -> HttpResponse:
    """Today and the week over all pieces, what can go on now, what must wait, and the room."""
    shop, now = current_shop(), timezone.now()
    plan = bench_plan(now=now, shop=shop)
    today = shop.day_of(now)
    days = plan.by_day
    return answer(
        request,
        "flips/finishing/day_plan.html",
        {
            "plan": plan,
            "urgent": [doing for stand, doing in plan.standings if stand.state in ("missed", "hold")],
            "today": next((doings for day, doings in days if day == today), []),
            "today_day": today,
            "week": [(day, doings) for day, doings in days if today < day < today + WEEK],
            "later": [(day, doings) for day, doings in days if day >= today + WEEK],
            "ready": [r for r in plan.ready if r.milestones.cured is None or r.milestones.cured > now],
            "rags": rags_about(now),
            "room": room_words(RoomReading.objects.live().first()),
            "room_form": RoomForm(),
            "hours": BenchHours.current(),
            "now": now,
            "tab": "bench",
        },
    )


@require_http_methods(["GET", "POST"])
@open_to_helper
def room(request: HttpRequest) -> HttpResponse:
    """The room log: a new reading and those before."""
    now = timezone.now()
    form = RoomForm(request.POST or None)
    if request.method == "POST" and form.is_valid():

        def keep() -> Done:
            with typed_into(
                celsius_hundredths="temperature",
                humidity_percent="humidity",
                surface_celsius_hundredths="surface",
            ):
                reading = finishing.log_room(
                    by=request.user,  # type: ignore[arg-type]
                    at=form.cleaned_data["at"] or now,
                    now=now,
                    **form.columns,
                )
            back = page_before(request) or reverse("room")
            return Done(
                back if back.startswith(reverse("day_plan")) else reverse("room"),
                "Room noted.",
                undo_token("made", reading),
            )

        if done := once(request, form, keep):
            return done
    rows = RoomReading.objects.live().select_related("created_by")
    page = Paginator(rows, 30).get_page(request.GET.get("page"))
    return answer(
        request,
        "flips/finishing/room.html",
        {
            "form": form,
            "page_obj": page,
            "rows": [room_words(reading) for reading in page.object_list],
            "note": RULE_OF_THUMB,
            "tab": "bench",
        },
        status=refused_status(form),
    )


@require_POST
@open_to_helper
def room_void(request: HttpRequest, reading_id: int) -> HttpResponse:
    """Strikes a reading; helpers only their own."""
    reading = get_object_or_404(RoomReading.objects.live(), pk=reading_id)
    if not request.user.is_owner and reading.created_by_id != request.user.pk:  # type: ignore[union-attr]
        raise PermissionDenied("You can take back only what you entered yourself.")
    reading.void(by=request.user, reason=request.POST.get("reason", "") or "struck")  # type: ignore[arg-type]
    return go(request, Done(reverse("room"), "Reading struck.", undo_token("voided", reading)))


class HoursForm(RecordForm):
    """The working week."""

    instance: BenchHours

    class Meta:
        model = BenchHours
        fields = ["hands", "mon", "tue", "wed", "thu", "fri", "sat", "sun", "closed"]
        widgets = {"closed": forms.Textarea(attrs={"rows": 3, "placeholder": "2026-12-24"})}
        labels = {"hands": "Pairs of hands at the bench"}
        help_texts = {
            "mon": "Like 08:00-12:00, 13:00-17:00. Empty: closed.",
            "closed": "Single days without work, one a line.",
        }


@require_http_methods(["GET", "POST"])
def bench_hours(request: HttpRequest) -> HttpResponse:
    """When the bench is worked at, and by how many."""
    form = HoursForm(request.POST or None, instance=BenchHours.current())
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.hold()
            finishing.set_hours(form.instance)
        if not form.errors:
            return go(request, Done(reverse("day_plan"), "Working hours saved."))
    return answer(
        request, "flips/finishing/hours.html", {"form": form, "tab": "bench"}, status=refused_status(form)
    )


# ---- calendars outside -------------------------------------------------------------------------------------


class FeedForm(forms.Form):
    """A new calendar address."""

    name = forms.CharField(label="For which phone or calendar", max_length=60)


@require_http_methods(["GET", "POST"])
def feeds(request: HttpRequest) -> HttpResponse:
    """Secret calendar addresses: made, shown, revoked."""
    form = FeedForm(request.POST or None)
    if request.method == "POST" and form.is_valid():

        def make() -> Done:
            finishing.new_feed(by=request.user, name=form.cleaned_data["name"])  # type: ignore[arg-type]
            return Done(reverse("feeds"), "Here is its address. Whoever has it can read the plan.")

        if done := once(request, form, make):
            return done
    rows = [
        (feed, request.build_absolute_uri(reverse("calendar_feed", args=[feed.token])))
        for feed in CalendarFeed.objects.valid()
    ]
    return answer(
        request,
        "flips/finishing/feeds.html",
        {
            "form": form,
            "feeds": rows,
            "revoked": CalendarFeed.objects.exclude(revoked_at=None),
            "tab": "bench",
        },
        status=refused_status(form),
    )


@require_POST
def feed_revoke(request: HttpRequest, feed_id: int) -> HttpResponse:
    """Makes a calendar address worthless."""
    feed = get_object_or_404(CalendarFeed, pk=feed_id)
    finishing.revoke_feed(feed)
    return go(request, Done(reverse("feeds"), f"“{feed}” reads nothing any more."))


@require_GET
@open_to_all
def calendar_feed(request: HttpRequest, token: str) -> HttpResponse:  # noqa: ARG001
    """The plan as iCalendar for whoever has the address; a wrong or revoked one does not exist."""
    feed = CalendarFeed.objects.valid().filter(token=token).first() if token.isascii() else None
    if feed is None:
        raise Http404("There is no calendar here.")
    shop = current_shop()
    made = bench_plan(now=timezone.now(), shop=shop)
    response = HttpResponse(
        bench_calendar(made, feed, shop=shop), content_type="text/calendar; charset=utf-8"
    )
    response["Content-Disposition"] = 'inline; filename="to-finish.ics"'
    response["X-Robots-Tag"] = "noindex"
    return response


# ---- the care card -----------------------------------------------------------------------------------------


@require_GET
@open_to_helper
def care_pdf(request: HttpRequest, piece_id: int) -> HttpResponse:
    """The care card for the buyer: what is on the piece and how to look after it; no costs."""
    piece, shop = _piece(piece_id), current_shop()
    found = finished(piece, shop=shop)
    if not found:
        messages.warning(request, "Nothing is ticked off yet: the card says what is really on the piece.")
        return go(request, Done(reverse("piece_finish", args=[piece.pk])))
    # The piece as it leaves; what it looked like on the way is nobody's keepsake.
    shown = piece.photos.live().without_money().filter(moment=Moment.AFTER).first()
    photo = None
    if shown is not None:
        try:
            with shown.screen.open("rb") as file:
                photo = file.read()
        except FileNotFoundError:
            photo = None
    content = care_card(piece, found, shop=shop, today=timezone.localdate(), photo=photo)
    return pdf(content, f"care-{piece.what}")


urlpatterns = [
    path("pieces/<int:piece_id>/finish/", piece_finish, name="piece_finish"),
    path("pieces/<int:piece_id>/finish/new/", piece_schedule_new, name="piece_schedule_new"),
    path("pieces/<int:piece_id>/finish/coverage/", take_coverage, name="take_coverage"),
    path("pieces/<int:piece_id>/care.pdf", care_pdf, name="care_pdf"),
    path("finish/<int:schedule_id>/", piece_schedule, name="piece_schedule"),
    path("finish/<int:schedule_id>/void/", piece_schedule_void, name="piece_schedule_void"),
    path("finish/<int:schedule_id>/keep/", schedule_keep, name="schedule_keep"),
    path("finish/<int:schedule_id>/steps/", schedule_step_new, name="schedule_step_new"),
    path("finish/<int:schedule_id>/right/", schedule_right, name="schedule_right"),
    path("finish/steps/<int:step_id>/", schedule_step, name="schedule_step"),
    path("finish/steps/<int:step_id>/done/", step_tick, name="step_tick"),
    path("finish/steps/<int:step_id>/not-done/", step_untick, name="step_untick"),
    path("finish/steps/<int:step_id>/remove/", schedule_step_remove, name="schedule_step_remove"),
    path("finish/steps/<int:step_id>/move/", schedule_step_move, name="schedule_step_move"),
    path("plan/", day_plan, name="day_plan"),
    path("plan/room/", room, name="room"),
    path("plan/room/<int:reading_id>/void/", room_void, name="room_void"),
    path("plan/hours/", bench_hours, name="bench_hours"),
    path("plan/calendars/", feeds, name="feeds"),
    path("plan/calendars/<int:feed_id>/revoke/", feed_revoke, name="feed_revoke"),
    path("calendar/<str:token>.ics", calendar_feed, name="calendar_feed"),
]
