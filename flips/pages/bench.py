"""The bench: attempts and how they went, and the log."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import Max
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from flips.access import open_to_helper
from flips.actions import bench, hours
from flips.models import Attempt, LogEntry, Outcome, Photo, Piece, Use
from flips.models.attempt_costs import AttemptCost, attempt_costs
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status
from flips.pages.forms import MomentField, PhotosField, RecordForm, current_shop, forms
from flips.pages.hours import QUICK_MINUTES, time_row
from flips.pages.on_piece import (
    ChoiceOf,
    PartField,
    PartsField,
    asked_for,
    keep_seconds,
    live_tree,
    may_strike,
    on_piece,
    photos_page,
    refuse_others,
    said_of,
    undo_for,
)
from flips.templatetags.shop import as_hours

ON_A_PAGE = 30


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
    before = asked_for(request, "follows")
    earlier = piece.attempts.live().filter(pk=before).first() if before else None
    form = AttemptForm(
        request.POST or None,
        request.FILES or None,
        piece=piece,
        initial={
            "part": asked_for(request, "part") or (earlier and earlier.part_id),
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
                    hours.start_timer(by=request.user, piece=piece, attempt=attempt, now=now)  # type: ignore[arg-type]
                    said = "Attempt noted, the timer runs."
                except hours.TimerRunning as other:
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

    instance: Attempt

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

    instance: Attempt

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
        return go(request, Done(shown.get_absolute_url(), said_of(form)))
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
        initial={"attempt": asked_for(request, "attempt")},
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

    instance: LogEntry

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
]
