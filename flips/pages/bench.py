"""The bench: attempts and how they went, the log, timers and hours."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.paginator import Paginator
from django.db.models import Max, Q
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from flips.access import open_to_helper, page_before
from flips.actions import bench
from flips.models import Attempt, LogEntry, Outcome, Person, Photo, Piece, TimeEntry, Use
from flips.models.attempt_costs import AttemptCost, attempt_costs
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status
from flips.pages.forms import (
    DayField,
    MinutesField,
    MomentField,
    PhotosField,
    RecordForm,
    current_shop,
    forms,
    initial_today,
)
from flips.pages.parts import (
    PartField,
    PartsField,
    live_tree,
    may_strike,
    on_piece,
    photos_page,
    refuse_others,
    undo_for,
)
from flips.templatetags.shop import as_hours
from flips.weeks import Week

QUICK_MINUTES = (15, 30, 60)
ON_A_PAGE = 30


def _asked_for(request: HttpRequest, name: str) -> int | None:
    """An id in the query string; None when there is none."""
    value = request.GET.get(name, "")
    return int(value) if value.isascii() and value.isdigit() and len(value) < 16 else None


def _here_or(request: HttpRequest, otherwise: str) -> str:
    """The page she was on, unless it is the one that asked; otherwise ``otherwise``."""
    back = page_before(request)
    return back if 0 < len(back) <= 400 and back != request.get_full_path() else otherwise


def _said(form: forms.Form) -> str:
    return " ".join(str(error) for errors in form.errors.values() for error in errors)


class ChoiceOf(forms.ChoiceField):
    """One of some rows, or none; ``of`` says which."""

    def __init__(self, *, blank: str, **kwargs: Any) -> None:
        self.blank = blank
        self.by_id: dict[str, Any] = {}
        kwargs.setdefault("required", False)
        super().__init__(**kwargs)

    def of(self, rows: Sequence[Any], *, besides: Any = None) -> None:
        """Offers ``rows`` in their order; ``besides`` is one that is chosen already."""
        offered = [*rows, *([besides] if besides is not None and besides not in rows else [])]
        self.by_id = {str(row.pk): row for row in offered}
        self.choices = [("", self.blank), *((pk, str(row)) for pk, row in self.by_id.items())]

    def clean(self, value: Any) -> Any:
        return self.by_id.get(super().clean(value))

    def prepare_value(self, value: Any) -> Any:
        return value.pk if hasattr(value, "pk") else value


# Attempts


def techniques() -> list[str]:
    """The shop's earlier techniques in its own words, the last used first."""
    rows = Attempt.objects.live().values("technique").annotate(last=Max("began_at")).order_by("-last")[:60]
    return [row["technique"] for row in rows]


def _outcomes() -> list[tuple[str, str]]:
    return [(outcome.value, outcome.label) for outcome in Outcome]


class AttemptForm(forms.Form):
    """A try, as fast as it can be said."""

    technique = forms.CharField(
        label="What do you try?",
        max_length=120,
        widget=forms.TextInput(attrs={"list": "techniques", "autocomplete": "off", "enterkeyhint": "done"}),
    )
    part = PartField(label="On which part?")
    outcome = forms.ChoiceField(
        label="How did it go?", choices=_outcomes(), initial=Outcome.OPEN, widget=forms.RadioSelect
    )
    why = forms.CharField(
        label="Why?", required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 2})
    )
    photos = PhotosField(label="Photos")
    left_usable = forms.CharField(label="What stayed usable", max_length=200, required=False)
    again = forms.ChoiceField(
        label="Would you try it again?",
        choices=Attempt.Again.choices,
        required=False,
        initial="",
        widget=forms.RadioSelect,
    )
    follows = ChoiceOf(label="It follows", blank="No earlier attempt")
    began_at = MomentField(label="Begun", required=False, help_text="Left empty, it begins now.")

    def __init__(self, *args: Any, piece: Piece, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["part"].of(live_tree(piece))  # type: ignore[attr-defined]
        earlier = list(piece.attempts.live().select_related("part").newest_first()[:60])
        self.fields["follows"].of([Named(one.pk, f"{_on_part(one)}") for one in earlier])  # type: ignore[attr-defined]
        self.earlier = {one.pk: one for one in earlier}

    def typed(self) -> dict[str, Any]:
        """What was typed, as ``start_attempt`` takes it."""
        typed = dict(self.cleaned_data)
        typed["follows"] = self.earlier[typed["follows"].pk] if typed["follows"] else None
        return typed


@dataclass(frozen=True)
class Named:
    """A row in a list of choices under a longer name."""

    pk: int
    name: str

    def __str__(self) -> str:
        return self.name


def _on_part(attempt: Attempt) -> str:
    on = f" on {attempt.part.name}" if attempt.part else ""
    return f"{attempt.technique}{on} ({attempt.get_outcome_display().lower()})"


@require_http_methods(["GET", "POST"])
@open_to_helper
def attempt_new(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Starts an attempt, or notes one with its outcome at once; with a timer if she likes."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    before = _asked_for(request, "follows")
    earlier = piece.attempts.live().filter(pk=before).first() if before else None
    form = AttemptForm(
        request.POST or None,
        request.FILES or None,
        piece=piece,
        initial={
            "part": _asked_for(request, "part") or (earlier and earlier.part_id),
            "follows": before,
            "outcome": Outcome.OPEN,
        },
    )
    if request.method == "POST" and form.is_valid():
        now = timezone.now()

        def start() -> Done:
            attempt = bench.start_attempt(by=request.user, piece=piece, now=now, **form.typed())  # type: ignore[arg-type]
            said = "Attempt noted."
            if "timer" in request.POST and attempt.is_open:
                try:
                    bench.start_timer(by=request.user, piece=piece, attempt=attempt, now=now)  # type: ignore[arg-type]
                    said = "Attempt noted, the timer runs."
                except bench.TimerRunning as other:
                    said = f"Attempt noted. Your timer still runs on {other.timer.piece or 'shop time'}."
            return Done(attempt.get_absolute_url(), said, undo_for(request, "attempt made", attempt))

        if done := once(request, form, start):
            return done
    return answer(
        request,
        "flips/bench/attempt_new.html",
        on_piece(request, piece, "attempts", form=form, techniques=techniques(), earlier=earlier),
        status=refused_status(form),
    )


@require_GET
@open_to_helper
def attempts(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Every attempt on a piece, the failed ones too, each with its hours and, for the owner, its cash."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    owner = request.user.is_owner  # type: ignore[union-attr]
    rows = (
        piece.attempts.live()
        .select_related("part", "created_by", "follows")
        .prefetch_related("photos")
        .newest_first()
    )
    page = Paginator(rows, ON_A_PAGE).get_page(request.GET.get("page"))
    costs = attempt_costs([piece.pk], zone=current_shop().zone)
    here = list(page.object_list)
    for row in here:
        _with_cost(row, costs.get(row.pk, AttemptCost()), owner=owner)
        row.shown_photos = [photo for photo in row.photos.all() if not photo.is_void]  # type: ignore[attr-defined]
    failed = [costs.get(pk, AttemptCost()) for pk in piece.attempts.failed().values_list("pk", flat=True)]
    summary: list[dict[str, Any]] = [
        {"label": "Failed attempts", "text": len(failed)},
        {"label": "Hours in them", "text": as_hours(sum(one.minutes for one in failed))},
    ]
    if owner:
        summary.append({"label": "Cash in them", "cents": sum(one.cents for one in failed)})
    return answer(
        request,
        "flips/bench/attempts.html",
        on_piece(request, piece, "attempts", attempts=here, page_obj=page, summary=summary if failed else []),
    )


def _with_cost(attempt: Attempt, cost: AttemptCost, *, owner: bool) -> None:
    attempt.minutes = cost.minutes  # type: ignore[attr-defined]
    if owner:
        attempt.cents = cost.cents  # type: ignore[attr-defined]


class OutcomeForm(RecordForm):
    """How an attempt went; "under way" opens it again."""

    photos = PhotosField(label="Photos")

    class Meta:
        model = Attempt
        fields = ["outcome", "why", "left_usable", "again"]
        widgets = {
            "outcome": forms.RadioSelect,
            "again": forms.RadioSelect,
            "why": forms.Textarea(attrs={"rows": 2}),
        }
        labels = {"outcome": "How did it go?"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["again"].choices = Attempt.Again.choices  # type: ignore[attr-defined]


@dataclass(frozen=True)
class Judgement:
    """What was said of an attempt at some time, and by whom."""

    at: datetime
    who: str
    outcome: str
    label: str
    why: str


def judgements(attempt: Attempt) -> list[Judgement]:
    """What was said of an attempt, the latest first; one query."""
    found: list[Judgement] = []
    last: tuple[str, str] | None = None
    for row in attempt.history.select_related("history_user").order_by("history_date", "history_id"):
        if (row.outcome, row.why) != last:
            last = (row.outcome, row.why)
            found.append(
                Judgement(
                    row.history_date,
                    str(row.history_user or ""),
                    row.outcome,
                    Outcome(row.outcome).label,
                    row.why,
                )
            )
    return found[::-1]


def _attempt(attempt_id: int) -> Attempt:
    return get_object_or_404(
        Attempt.objects.select_related("piece", "part", "created_by", "follows", "follows__part"),
        pk=attempt_id,
    )


def _attempt_page(request: HttpRequest, attempt: Attempt, form: OutcomeForm) -> HttpResponse:
    owner = request.user.is_owner  # type: ignore[union-attr]
    costs = attempt_costs([attempt.piece_id], zone=current_shop().zone)
    _with_cost(attempt, costs.get(attempt.pk, AttemptCost()), owner=owner)
    figures: list[dict[str, Any]] = [{"label": "Hours", "text": as_hours(attempt.minutes)}]  # type: ignore[attr-defined]
    if owner:
        figures.append({"label": "Cash", "cents": attempt.cents})  # type: ignore[attr-defined]
    entries = list(attempt.time_entries.live().select_related("person", "part", "attempt")[:60])
    uses: list[Use] = list(attempt.uses.live().select_related("lot"))
    said = judgements(attempt)
    return answer(
        request,
        "flips/bench/attempt.html",
        on_piece(
            request,
            attempt.piece,
            "attempts",
            attempt=attempt,
            form=form,
            figures=figures,
            entries=[time_row(entry) for entry in entries if not entry.is_running],
            uses=uses,
            photos=list(Photo.objects.live().filter(attempt=attempt).without_money()),
            log_entries=list(attempt.log_entries.live().select_related("created_by")[:30]),
            followed_by=list(attempt.followed_by.live()),
            judgements=said[1:],
            judged=said[0] if said else None,
            may_strike=may_strike(request, attempt),
            quick_minutes=[(minutes, f"+{minutes} min") for minutes in QUICK_MINUTES],
            clock={
                "start": f"{reverse('timer_start', args=[attempt.piece_id])}?attempt={attempt.pk}",
                "minutes": f"{reverse('add_minutes', args=[attempt.piece_id])}?attempt={attempt.pk}",
                "type_in": f"{reverse('time_new')}?piece={attempt.piece_id}&attempt={attempt.pk}",
            },
        ),
        status=refused_status(form),
    )


@require_GET
@open_to_helper
def attempt(request: HttpRequest, attempt_id: int) -> HttpResponse:
    """One attempt: its outcome, its hours and uses, and what was said of it before."""
    shown = _attempt(attempt_id)
    return _attempt_page(request, shown, OutcomeForm(instance=shown))


@require_http_methods(["GET", "POST"])
@open_to_helper
def attempt_outcome(request: HttpRequest, attempt_id: int) -> HttpResponse:
    """Says how an attempt went, corrects that, or opens it again."""
    shown = _attempt(attempt_id)
    if shown.is_void:
        raise Http404
    form = OutcomeForm(request.POST or None, request.FILES or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.hold()
            bench.change_attempt(
                shown,
                by=request.user,  # type: ignore[arg-type]
                now=timezone.now(),
                photos=form.cleaned_data["photos"],
            )
        if not form.errors:
            return go(
                request,
                Done(shown.get_absolute_url(), f"{shown.technique}: {shown.get_outcome_display().lower()}."),
            )
    return answer(
        request,
        "flips/bench/outcome.html",
        on_piece(request, shown.piece, "attempts", attempt=shown, form=form),
        status=refused_status(form),
    )


class AttemptEditForm(RecordForm):
    """Corrects what was tried, on which part, and when."""

    part = PartField(label="On which part?")
    follows = ChoiceOf(label="It follows", blank="No earlier attempt")
    began_at = MomentField(label="Begun")
    ended_at = MomentField(label="Ended", required=False)

    class Meta:
        model = Attempt
        fields = ["technique", "part", "follows", "began_at", "ended_at"]
        widgets = {"technique": forms.TextInput(attrs={"list": "techniques", "autocomplete": "off"})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        attempt = self.instance
        self.fields["part"].of(live_tree(attempt.piece), besides=attempt.part)  # type: ignore[attr-defined]
        earlier = (
            attempt.piece.attempts.live().exclude(pk=attempt.pk).select_related("part").newest_first()[:60]
        )
        self.fields["follows"].of(list(earlier), besides=attempt.follows)  # type: ignore[attr-defined]
        if attempt.is_open:
            del self.fields["ended_at"]
        else:
            self.fields["ended_at"].required = True

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        keep_seconds(self, cleaned, "began_at", "ended_at")
        return cleaned


def keep_seconds(form: RecordForm, cleaned: dict[str, Any], *names: str) -> None:
    """A time that was not touched keeps its seconds, which the field does not show, and its side of a clock change."""
    if form.instance.pk is None:
        return
    before = type(form.instance)._default_manager.filter(pk=form.instance.pk).values(*names).first() or {}
    for name in names:
        typed, old = cleaned.get(name), before.get(name)
        if typed is None or old is None or name not in form.fields:
            continue
        local = [
            timezone.localtime(moment).replace(second=0, microsecond=0, tzinfo=None)
            for moment in (typed, old)
        ]
        if local[0] == local[1]:
            cleaned[name] = old


@require_http_methods(["GET", "POST"])
@open_to_helper
def attempt_edit(request: HttpRequest, attempt_id: int) -> HttpResponse:
    """Corrects what was tried, on which part, and when."""
    shown = _attempt(attempt_id)
    if shown.is_void:
        raise Http404
    form = AttemptEditForm(request.POST or None, instance=shown)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.hold()
            bench.change_attempt(shown, by=request.user, now=timezone.now())  # type: ignore[arg-type]
        if not form.errors:
            return go(request, Done(shown.get_absolute_url(), "Corrected."))
    return answer(
        request,
        "flips/bench/attempt_edit.html",
        on_piece(
            request,
            shown.piece,
            "attempts",
            attempt=shown,
            form=form,
            techniques=techniques(),
            may_strike=may_strike(request, shown),
        ),
        status=refused_status(form),
    )


@require_POST
@open_to_helper
def attempt_void(request: HttpRequest, attempt_id: int) -> HttpResponse:
    """Takes out an attempt noted by mistake; one that failed stays, so hours or materials on it refuse this."""
    shown = get_object_or_404(Attempt.objects.live(), pk=attempt_id)
    refuse_others(request, shown)
    form = forms.Form(request.POST)
    if form.is_valid():
        with refusals_on(form):
            bench.void_attempt(shown, by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    if form.errors:
        return go(request, Done(shown.get_absolute_url(), _said(form)))
    return go(
        request,
        Done(
            reverse("attempts", args=[shown.piece_id]),
            "The attempt is taken out.",
            undo_for(request, "voided", shown),
        ),
    )


@require_http_methods(["GET", "POST"])
@open_to_helper
def attempt_photos(request: HttpRequest, attempt_id: int) -> HttpResponse:
    """Adds photos of an attempt."""
    shown = get_object_or_404(Attempt.objects.live().select_related("piece"), pk=attempt_id)
    return photos_page(request, shown, shown.piece, part=shown.part, attempt=shown)


# The log


class LogForm(forms.Form):
    """What was done."""

    text = forms.CharField(
        label="What did you do?", max_length=8000, widget=forms.Textarea(attrs={"rows": 3})
    )
    photos = PhotosField(label="Photos")
    parts = PartsField(label="To which parts?")
    attempt = ChoiceOf(label="In which attempt?", blank="None")
    at = MomentField(label="When", required=False, help_text="Left empty, it is now.")

    def __init__(self, *args: Any, piece: Piece, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["parts"].of(live_tree(piece))  # type: ignore[attr-defined]
        self.fields["attempt"].of(list(piece.attempts.live().newest_first()[:60]))  # type: ignore[attr-defined]


@require_http_methods(["GET", "POST"])
@open_to_helper
def log(request: HttpRequest, piece_id: int) -> HttpResponse:
    """What was done to a piece, the newest first, with a form for the next entry on top."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    form = LogForm(
        request.POST or None,
        request.FILES or None,
        piece=piece,
        initial={"attempt": _asked_for(request, "attempt")},
    )
    if request.method == "POST" and form.is_valid():
        typed, now = form.cleaned_data, timezone.now()

        def write() -> Done:
            entry = bench.log_work(
                by=request.user,  # type: ignore[arg-type]
                piece=piece,
                text=typed["text"],
                at=typed["at"] or now,
                now=now,
                parts=typed["parts"],
                attempt=typed["attempt"],
                photos=typed["photos"],
            )
            return Done(reverse("log", args=[piece.pk]), "Logged.", undo_for(request, "made", entry))

        if done := once(request, form, write):
            return done
    rows = (
        piece.log_entries.live()
        .select_related("created_by", "attempt")
        .prefetch_related("parts", "photos")
        .order_by("-at", "-pk")
    )
    page = Paginator(rows, ON_A_PAGE).get_page(request.GET.get("page"))
    here = list(page.object_list)
    for entry in here:
        entry.shown_photos = [photo for photo in entry.photos.all() if not photo.is_void]  # type: ignore[attr-defined]
    return answer(
        request,
        "flips/bench/log.html",
        on_piece(request, piece, "log", form=form, entries=here, page_obj=page),
        status=refused_status(form),
    )


class LogEditForm(RecordForm):
    """Corrects a log entry."""

    parts = PartsField(label="To which parts?")
    attempt = ChoiceOf(label="In which attempt?", blank="None")
    at = MomentField(label="When")
    photos = PhotosField(label="More photos")

    class Meta:
        model = LogEntry
        fields = ["text", "attempt", "at"]
        widgets = {"text": forms.Textarea(attrs={"rows": 4})}

    field_order = ["text", "photos", "parts", "attempt", "at"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        entry = self.instance
        chosen = list(entry.parts.all())
        self.initial["parts"] = chosen
        self.fields["parts"].of(live_tree(entry.piece), besides=chosen)  # type: ignore[attr-defined]
        self.fields["attempt"].of(  # type: ignore[attr-defined]
            list(entry.piece.attempts.live().newest_first()[:60]), besides=entry.attempt
        )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        keep_seconds(self, cleaned, "at")
        return cleaned


@require_http_methods(["GET", "POST"])
@open_to_helper
def log_entry(request: HttpRequest, entry_id: int) -> HttpResponse:
    """One log entry; a helper corrects their own, an owner all."""
    shown = get_object_or_404(
        LogEntry.objects.select_related("piece", "created_by", "attempt").prefetch_related("parts"),
        pk=entry_id,
    )
    mine = may_strike(request, shown) and not shown.is_void
    form = LogEditForm(request.POST or None, request.FILES or None, instance=shown)
    if request.method == "POST":
        if not mine:
            raise PermissionDenied("Only who wrote it, or the owner.")
        if form.is_valid():
            with refusals_on(form):
                form.hold()
                bench.change_entry(
                    shown,
                    by=request.user,  # type: ignore[arg-type]
                    now=timezone.now(),
                    parts=form.cleaned_data["parts"],
                    photos=form.cleaned_data["photos"],
                )
            if not form.errors:
                return go(request, Done(reverse("log", args=[shown.piece_id]), "Corrected."))
    return answer(
        request,
        "flips/bench/log_entry.html",
        on_piece(
            request, shown.piece, "log", entry=shown, form=form, mine=mine, photos=list(shown.photos.live())
        ),
        status=refused_status(form),
    )


@require_POST
@open_to_helper
def log_void(request: HttpRequest, entry_id: int) -> HttpResponse:
    """Takes a log entry out with a reason."""
    shown = get_object_or_404(LogEntry.objects.live(), pk=entry_id)
    refuse_others(request, shown)
    shown.void(by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    return go(
        request,
        Done(
            reverse("log", args=[shown.piece_id]), "Taken out of the log.", undo_for(request, "voided", shown)
        ),
    )


# Timers


class StopForm(forms.Form):
    """When a timer was really stopped: now, after so many hours, or at a time of her own."""

    how = forms.ChoiceField(label="When did you stop?", widget=forms.RadioSelect)
    at = MomentField(label="At", required=False)

    def __init__(self, *args: Any, timer: TimeEntry, now: datetime, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.timer, self.now = timer, now
        passed = now - timer.started_at
        choices = [] if passed > bench.LONGEST else [("now", f"Just now ({_passed(passed)})")]
        choices += [
            (str(hours), f"After {hours} h")
            for hours in (1, 2, 3, 4, 6, 8)
            if timedelta(hours=hours) < passed
        ]
        self.fields["how"].choices = [*choices, ("at", "At another time")]  # type: ignore[attr-defined]
        self.initial.setdefault("at", timer.started_at)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        how = cleaned.get("how")
        if how == "at" and "at" not in self.errors:
            if cleaned.get("at") is None:
                self.add_error("at", "Write when you stopped.")
            elif cleaned["at"] < self.timer.started_at.replace(second=0, microsecond=0):
                self.add_error("at", "It can't end before it began.")
            elif cleaned["at"] > self.now + bench.CLOCK_SLACK:
                self.add_error("at", "That is still to come.")
            elif cleaned["at"] - self.timer.started_at > bench.LONGEST:
                self.add_error("at", "That is more than two days: split it.")
        return cleaned

    def stopped_at(self) -> datetime:
        """The instant it was stopped."""
        how = self.cleaned_data["how"]
        if how == "now":
            return self.now
        if how == "at":
            return max(self.cleaned_data["at"], self.timer.started_at)
        return self.timer.started_at + timedelta(hours=int(how))


def _passed(span: timedelta) -> str:
    return as_hours(span // bench.MINUTE)


class TimerForm(forms.Form):
    """What a timer is started for, and which running one it replaces."""

    attempt = forms.IntegerField(required=False)
    part = forms.IntegerField(required=False)
    instead_of = forms.IntegerField(required=False)


def _on_what(request: HttpRequest, piece: Piece | None, form: TimerForm) -> dict[str, Any]:
    """The attempt and part named in the form or the address, if they are on this piece."""
    wanted = {name: form.cleaned_data.get(name) or _asked_for(request, name) for name in ("attempt", "part")}
    if piece is None:
        return {}
    found: dict[str, Any] = {}
    if wanted["attempt"]:
        found["attempt"] = get_object_or_404(
            piece.attempts.live().select_related("part"), pk=wanted["attempt"]
        )
    if wanted["part"]:
        found["part"] = get_object_or_404(piece.parts.live(), pk=wanted["part"])
    return found


@require_POST
@open_to_helper
def timer_start(request: HttpRequest, piece_id: int | None = None) -> HttpResponse:
    """Starts her timer; when another one runs, asks whether to stop that one and start this, in one step."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id) if piece_id is not None else None
    form = TimerForm(request.POST)
    if not form.is_valid():
        raise Http404
    on = _on_what(request, piece, form)
    now = timezone.now()
    there = piece.get_absolute_url() if piece else reverse("hours")
    if "attempt" in on:
        there = on["attempt"].get_absolute_url()
    running = (
        TimeEntry.objects.running().filter(person=request.user).select_related("piece", "attempt").first()
    )
    replaced = form.cleaned_data["instead_of"]
    stop: StopForm | None = None
    if running is not None and running.pk == replaced:
        asked = running.was_left_running(now)
        stop = StopForm(request.POST if "how" in request.POST else None, timer=running, now=now)
        if asked and not stop.is_bound:
            return _switch_page(request, running=running, stop=stop, now=now, there=there, on=on, piece=piece)
        if stop.is_bound and not stop.is_valid():
            return _switch_page(request, running=running, stop=stop, now=now, there=there, on=on, piece=piece)

    def start() -> Done:
        entry = bench.start_timer(
            by=request.user,  # type: ignore[arg-type]
            piece=piece,
            now=now,
            instead_of=replaced,
            stopped_at=stop.stopped_at() if stop is not None and stop.is_bound else None,
            **on,
        )
        if running is not None and entry.pk == running.pk:
            return Done(there, "It is running already.")
        if running is not None:
            return Done(
                there,
                f"Stopped {running.piece or 'shop time'}, started this.",
                undo_for(request, "switched", running),
            )
        return Done(_here_or(request, there), "The timer runs.", undo_for(request, "made", entry))

    if done := once(request, form, start):
        return done
    # Somebody may have started it on another phone just now: look again.
    running = (
        TimeEntry.objects.running().filter(person=request.user).select_related("piece", "attempt").first()
    )
    if running is None:
        return go(request, Done(there, _said(form)))
    stop = StopForm(timer=running, now=now)
    return _switch_page(request, running=running, stop=stop, now=now, there=there, on=on, piece=piece)


def _switch_page(
    request: HttpRequest,
    *,
    running: TimeEntry,
    stop: StopForm,
    now: datetime,
    there: str,
    on: dict[str, Any],
    piece: Piece | None,
) -> HttpResponse:
    context = {
        "running": running,
        "form": stop,
        "left_running": running.was_left_running(now),
        "passed": _passed(now - running.started_at),
        "there": there,
        "piece": piece,
        "on": on,
        "address": request.get_full_path(),
        "tab": "bench",
    }
    return answer(request, "flips/bench/switch.html", context, status=422 if stop.errors else 409)


def may_change_time(request: HttpRequest, entry: TimeEntry) -> bool:
    """Whether the person looking may correct an entry: an owner any, a helper their own hours."""
    return request.user.is_owner or entry.person_id == request.user.pk  # type: ignore[union-attr]


def _time_entry(request: HttpRequest, entry_id: int) -> TimeEntry:
    entry = get_object_or_404(
        TimeEntry.objects.select_related("person", "piece", "attempt", "part", "created_by"), pk=entry_id
    )
    if request.method == "POST" and not may_change_time(request, entry):
        raise PermissionDenied("Only your own hours.")
    return entry


@require_http_methods(["GET", "POST"])
@open_to_helper
def timer_stop(request: HttpRequest, entry_id: int) -> HttpResponse:
    """Stops a timer; one left running is asked about first."""
    timer = _time_entry(request, entry_id)
    if not may_change_time(request, timer):
        raise PermissionDenied("Only your own timer.")
    there = timer.attempt.get_absolute_url() if timer.attempt else ""
    there = there or (timer.piece.get_absolute_url() if timer.piece else reverse("hours"))
    if timer.is_void or not timer.is_running:
        said = (
            "That timer was taken out." if timer.is_void else f"Stopped already: {as_hours(timer.minutes)}."
        )
        return go(request, Done(_here_or(request, there), said))
    now = timezone.now()
    form = StopForm(request.POST if "how" in request.POST else None, timer=timer, now=now)
    at: datetime | None = None
    if request.method == "POST":
        if not form.is_bound and timer.was_left_running(now):
            return HttpResponseRedirect(reverse("timer_stop", args=[timer.pk]))
        if not form.is_bound:
            at = now
        elif form.is_valid():
            at = form.stopped_at()
    if at is not None:
        stopped = _stop(request, timer, now=now, at=at)
        if stopped is not None:
            on = timer.piece or "shop time"
            # The page that asked is no place to come back to.
            back = there if form.is_bound else _here_or(request, there)
            return go(
                request,
                Done(back, f"{as_hours(stopped.minutes)} on {on}.", undo_for(request, "stopped", stopped)),
            )
    return answer(
        request,
        "flips/bench/stop.html",
        {
            "timer": timer,
            "form": form,
            "passed": _passed(now - timer.started_at),
            "back": there,
            "tab": "bench",
        },
        status=refused_status(form),
    )


def _stop(request: HttpRequest, timer: TimeEntry, *, now: datetime, at: datetime) -> TimeEntry | None:
    """The stopped timer; None when it was refused, with the reason said."""
    try:
        return bench.stop_timer(timer, now=now, at=at)
    except ValidationError as refused:
        messages.warning(request, " ".join(refused.messages))
        return None


# Hours


@require_POST
@open_to_helper
def add_minutes(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Adds the minutes that have just passed, with one tap."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    form = QuickForm(request.POST)
    if not form.is_valid():
        raise Http404
    on = _on_what(request, piece, form)
    minutes = form.cleaned_data["minutes"]

    def add() -> Done:
        entry = bench.add_time(
            by=request.user,  # type: ignore[arg-type]
            person=request.user,  # type: ignore[arg-type]
            minutes=minutes,
            now=timezone.now(),
            piece=piece,
            **on,
        )
        return Done(
            _here_or(request, piece.get_absolute_url()),
            f"{as_hours(minutes)} added to {piece}.",
            undo_for(request, "made", entry),
        )

    return once(request, form, add) or go(request, Done(piece.get_absolute_url(), _said(form)))


class QuickForm(TimerForm):
    """So many minutes with one tap."""

    minutes = forms.TypedChoiceField(coerce=int, choices=[(str(one), str(one)) for one in QUICK_MINUTES])


@dataclass(frozen=True)
class TimeRow:
    """An entry as lists show it: its day, its span on the shop's clock, and what it was for."""

    entry: TimeEntry
    day: date
    span: str
    what: str


def time_row(entry: TimeEntry) -> TimeRow:
    """An entry as lists show it; the end is where that many real minutes lead, whatever the clocks did."""
    start = timezone.localtime(entry.started_at)
    span = f"{start:%H:%M}"
    if entry.minutes is not None:
        end = timezone.localtime(entry.started_at + timedelta(minutes=entry.minutes))
        later = (end.date() - start.date()).days
        span = f"{start:%H:%M} to {end:%H:%M}" + (
            "" if not later else " next day" if later == 1 else f" +{later} days"
        )
    what = " · ".join(str(one) for one in (entry.attempt, entry.part) if one) or entry.note
    return TimeRow(entry, start.date(), span, what)


@dataclass
class PersonWeek:
    """One person's week: every entry, newest first, and sums by day. An entry counts on the day it began."""

    person: Person
    rows: list[TimeRow] = field(default_factory=list)
    by_day: dict[date, int] = field(default_factory=lambda: defaultdict(int))

    @property
    def minutes(self) -> int:
        """All of the week."""
        return sum(self.by_day.values())


def _instant(day: date) -> datetime:
    """The first instant of a local day."""
    return datetime.combine(day, time.min, tzinfo=timezone.get_current_timezone())


@require_GET
@open_to_helper
def hours(request: HttpRequest) -> HttpResponse:
    """Today's and a week's hours of everybody, by the shop's own days and ISO weeks."""
    today, now = timezone.localdate(), timezone.now()
    this_week = Week.of(today)
    week = Week.read(request.GET.get("week", "")) or this_week
    rows = (
        TimeEntry.objects.finished()
        .filter(started_at__gte=_instant(week.first), started_at__lt=_instant(week.after.first))
        .select_related("person", "piece", "attempt", "part")
        .order_by("-started_at", "-pk")
    )
    people: dict[int, PersonWeek] = {}
    for entry in rows:
        row = time_row(entry)
        one = people.setdefault(entry.person_id, PersonWeek(entry.person))
        one.rows.append(row)
        one.by_day[row.day] += entry.minutes or 0
    weeks = sorted(people.values(), key=lambda one: (one.person.pk != request.user.pk, str(one.person)))
    running = list(TimeEntry.objects.running().select_related("person", "piece", "attempt"))
    for timer in running:
        timer.left = timer.was_left_running(now)  # type: ignore[attr-defined]
        timer.mine = timer.person_id == request.user.pk  # type: ignore[attr-defined]
    context = {
        "week": week,
        "this_week": this_week,
        "is_this_week": week == this_week,
        "today": today,
        "people": [
            {
                "person": one.person,
                "rows": one.rows,
                "minutes": one.minutes,
                "today": one.by_day.get(today, 0) if week == this_week else None,
                "days": [(day, one.by_day.get(day, 0)) for day in week.days if one.by_day.get(day)],
            }
            for one in weeks
        ],
        "total": sum(one.minutes for one in weeks),
        "timers": running,
        "tab": "more",
    }
    return answer(request, "flips/bench/hours.html", context)


class TimeForm(forms.Form):
    """Hours typed in."""

    minutes = MinutesField(label="How long", help_text="45, 1:30 or 1.5 h")
    on = DayField(label="On", initial=initial_today)
    began = forms.TimeField(
        label="Began at",
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        help_text="If it matters.",
    )
    person = ChoiceOf(label="Who", blank="Me")
    piece = ChoiceOf(label="Which piece", blank="Shop time, no piece")
    attempt = ChoiceOf(label="In which attempt", blank="None")
    part = PartField(label="On which part")
    note = forms.CharField(label="What for", max_length=200, required=False)

    def __init__(self, *args: Any, viewer: Person, piece: Piece | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        offer_people(self, viewer)
        offer_work(self, piece)

    def started_at(self, now: datetime) -> datetime | None:
        """When it began: as typed; else just before now if it was today; else at noon, the middle of a day unknown."""
        day, began = self.cleaned_data["on"], self.cleaned_data["began"]
        if began is not None:
            return MomentField().clean(f"{day:%Y-%m-%d}T{began:%H:%M}")
        if day == timezone.localdate(now):
            ago = now - timedelta(minutes=self.cleaned_data["minutes"])
            return max(ago, _instant(day))
        return datetime.combine(day, time(12), tzinfo=timezone.get_current_timezone())

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or self.cleaned_data
        if cleaned.get("on") and cleaned["on"] > timezone.localdate():
            self.add_error("on", "That day is still to come.")
        return cleaned


def offer_people(form: forms.BaseForm, viewer: Person, besides: Person | None = None) -> None:
    """Lets an owner enter hours for anybody who works here; a helper enters their own."""
    if not viewer.is_owner:
        del form.fields["person"]
        return
    others = Person.objects.filter(is_active=True).exclude(pk=viewer.pk)
    form.fields["person"].of(list(others), besides=besides)  # type: ignore[attr-defined]


def offer_work(form: forms.BaseForm, piece: Piece | None, *, attempt: Any = None, part: Any = None) -> None:
    """Offers the pieces in the shop, and the attempts and parts of the piece that is chosen already."""
    owned = list(Piece.objects.owned().order_by("-stage_on", "-pk")[:200])
    form.fields["piece"].of(owned, besides=piece)  # type: ignore[attr-defined]
    if piece is None:
        del form.fields["attempt"], form.fields["part"]
        return
    form.fields["attempt"].of(list(piece.attempts.live().newest_first()[:60]), besides=attempt)  # type: ignore[attr-defined]
    form.fields["part"].of(live_tree(piece), besides=part)  # type: ignore[attr-defined]


@require_http_methods(["GET", "POST"])
@open_to_helper
def time_new(request: HttpRequest) -> HttpResponse:
    """Types hours in; an owner also for a helper."""
    asked = _asked_for(request, "piece")
    piece = Piece.objects.live().filter(pk=asked).first() if asked else None
    viewer: Person = request.user  # type: ignore[assignment]
    form = TimeForm(
        request.POST or None,
        viewer=viewer,
        piece=piece,
        initial={
            "piece": asked,
            "attempt": _asked_for(request, "attempt"),
            "part": _asked_for(request, "part"),
        },
    )
    if request.method == "POST" and form.is_valid():
        typed, now = form.cleaned_data, timezone.now()

        def add() -> Done:
            entry = bench.add_time(
                by=viewer,
                person=typed.get("person") or viewer,
                minutes=typed["minutes"],
                now=now,
                started_at=_moment_on(form, now),
                piece=typed["piece"],
                attempt=typed.get("attempt"),
                part=typed.get("part"),
                note=typed["note"],
            )
            to = typed["piece"].get_absolute_url() if piece is not None else reverse("hours")
            return Done(to, f"{as_hours(entry.minutes)} noted.", undo_for(request, "made", entry))

        if done := once(request, form, add):
            return done
    return answer(
        request,
        "flips/bench/time_new.html",
        {"form": form, "piece": piece, "tab": "bench" if piece else "more"},
        status=refused_status(form),
    )


def _moment_on(form: TimeForm, now: datetime) -> datetime | None:
    """When it began; what the clock does not have is refused beside its field."""
    try:
        return form.started_at(now)
    except ValidationError as refused:
        raise ValidationError({"began": refused.messages}) from refused


class TimeEditForm(RecordForm):
    """Corrects an entry; its history keeps what it was."""

    minutes = MinutesField(label="How long", help_text="45, 1:30 or 1.5 h")
    started_at = MomentField(label="Began")
    person = ChoiceOf(label="Who", blank="Choose", required=True)
    piece = ChoiceOf(label="Which piece", blank="Shop time, no piece")
    attempt = ChoiceOf(label="In which attempt", blank="None")
    part = PartField(label="On which part")

    class Meta:
        model = TimeEntry
        fields = ["minutes", "started_at", "person", "piece", "attempt", "part", "note"]

    def __init__(self, *args: Any, viewer: Person, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        entry = self.instance
        if entry.is_running:
            # A running timer gets its minutes when it is stopped.
            del self.fields["minutes"], self.fields["person"]
        elif viewer.is_owner:
            people = Person.objects.filter(Q(is_active=True) | Q(pk=entry.person_id))
            self.fields["person"].of(list(people))  # type: ignore[attr-defined]
        else:
            del self.fields["person"]
        offer_work(self, entry.piece, attempt=entry.attempt, part=entry.part)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        keep_seconds(self, cleaned, "started_at")
        # Another piece has other attempts and parts: those of the old one are left behind.
        if "piece" in cleaned and cleaned["piece"] != self.instance.piece and "attempt" in self.fields:
            cleaned["attempt"] = cleaned["part"] = None
        return cleaned


@dataclass(frozen=True)
class TimeBefore:
    """What an entry said at some time."""

    at: datetime
    who: str
    minutes: int | None
    started_at: datetime
    reason: str


def time_history(entry: TimeEntry) -> list[TimeBefore]:
    """What an entry has said, the latest first; one query."""
    return [
        TimeBefore(
            row.history_date, str(row.history_user or ""), row.minutes, row.started_at, row.void_reason
        )
        for row in entry.history.select_related("history_user").order_by("-history_date", "-history_id")
    ]


@require_http_methods(["GET", "POST"])
@open_to_helper
def time_entry(request: HttpRequest, entry_id: int) -> HttpResponse:
    """One entry of hours: corrected here by whose it is or by the owner; what it said before stays to be seen."""
    shown = _time_entry(request, entry_id)
    viewer: Person = request.user  # type: ignore[assignment]
    mine = may_change_time(request, shown) and not shown.is_void
    form = TimeEditForm(request.POST or None, instance=shown, viewer=viewer)
    if request.method == "POST" and mine and form.is_valid():
        with refusals_on(form):
            form.hold()
            bench.change_time(shown, now=timezone.now())
        if not form.errors:
            there = shown.piece.get_absolute_url() if shown.piece else reverse("hours")
            return go(request, Done(there, "Hours corrected."))
    said = time_history(shown)
    return answer(
        request,
        "flips/bench/time_entry.html",
        {
            "entry": shown,
            "row": time_row(shown),
            "form": form,
            "mine": mine,
            "before": said if len(said) > 1 else [],
            "back": shown.piece.get_absolute_url() if shown.piece else reverse("hours"),
            "tab": "bench",
        },
        status=refused_status(form),
    )


@require_POST
@open_to_helper
def time_void(request: HttpRequest, entry_id: int) -> HttpResponse:
    """Takes an entry, or a running timer, out of the hours with a reason."""
    shown = _time_entry(request, entry_id)
    if shown.is_void:
        raise Http404
    shown.void(by=request.user, reason=request.POST.get("reason", "")[:200])  # type: ignore[arg-type]
    there = shown.piece.get_absolute_url() if shown.piece else reverse("hours")
    return go(request, Done(there, "Taken out of the hours.", undo_for(request, "time voided", shown)))


urlpatterns = [
    path("pieces/<int:piece_id>/attempts/", attempts, name="attempts"),
    path("pieces/<int:piece_id>/attempts/new/", attempt_new, name="attempt_new"),
    path("attempts/<int:attempt_id>/", attempt, name="attempt"),
    path("attempts/<int:attempt_id>/outcome/", attempt_outcome, name="attempt_outcome"),
    path("attempts/<int:attempt_id>/edit/", attempt_edit, name="attempt_edit"),
    path("attempts/<int:attempt_id>/void/", attempt_void, name="attempt_void"),
    path("attempts/<int:attempt_id>/photos/", attempt_photos, name="attempt_photos"),
    path("pieces/<int:piece_id>/log/", log, name="log"),
    path("log/<int:entry_id>/", log_entry, name="log_entry"),
    path("log/<int:entry_id>/void/", log_void, name="log_void"),
    path("hours/", hours, name="hours"),
    path("hours/new/", time_new, name="time_new"),
    path("hours/<int:entry_id>/", time_entry, name="time_entry"),
    path("hours/<int:entry_id>/void/", time_void, name="time_void"),
    path("hours/<int:entry_id>/stop/", timer_stop, name="timer_stop"),
    path("hours/start/", timer_start, name="shop_timer_start"),
    path("pieces/<int:piece_id>/timer/", timer_start, name="timer_start"),
    path("pieces/<int:piece_id>/minutes/", add_minutes, name="add_minutes"),
]
