"""Timers and hours."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from flips.access import open_to_helper, page_before
from flips.actions import hours as entries
from flips.models import Person, Piece, TimeEntry
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status
from flips.pages.forms import DayField, MinutesField, MomentField, RecordForm, forms, initial_today
from flips.pages.on_piece import ChoiceOf, PartField, asked_for, keep_seconds, live_tree, said_of, undo_for
from flips.templatetags.shop import as_hours
from flips.weeks import Week

QUICK_MINUTES = (15, 30, 60)


def _tab(request: HttpRequest) -> str:
    """The tab that hours are under: a helper has one for them."""
    return "more" if request.user.is_owner else "hours"  # type: ignore[union-attr]


def _here_or(request: HttpRequest, otherwise: str) -> str:
    """The page she was on, unless it is the one that asked; otherwise ``otherwise``."""
    back = page_before(request)
    return back if 0 < len(back) <= 400 and back != request.get_full_path() else otherwise


class StopForm(forms.Form):
    """When a timer was really stopped: now, after so many hours, or at a time of her own."""

    how = forms.ChoiceField(label="When did you stop?", widget=forms.RadioSelect)
    at = MomentField(label="At", required=False)

    def __init__(self, *args: Any, timer: TimeEntry, now: datetime, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.timer, self.now = timer, now
        passed = now - timer.started_at
        choices = [] if passed > entries.LONGEST else [("now", f"Just now ({_passed(passed)})")]
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
            elif cleaned["at"] > self.now + entries.CLOCK_SLACK:
                self.add_error("at", "That is still to come.")
            elif cleaned["at"] - self.timer.started_at > entries.LONGEST:
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
    return as_hours(span // entries.MINUTE)


class TimerForm(forms.Form):
    """What a timer is started for, and which running one it replaces."""

    attempt = forms.IntegerField(required=False)
    part = forms.IntegerField(required=False)
    instead_of = forms.IntegerField(required=False)


def _on_what(request: HttpRequest, piece: Piece | None, form: TimerForm) -> dict[str, Any]:
    """The attempt and part named in the form or the address, if they are on this piece."""
    wanted = {name: form.cleaned_data.get(name) or asked_for(request, name) for name in ("attempt", "part")}
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
        TimeEntry.objects.running()
        .filter(person_id=request.user.pk or 0)
        .select_related("piece", "attempt")
        .first()
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
        entry = entries.start_timer(
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
        TimeEntry.objects.running()
        .filter(person_id=request.user.pk or 0)
        .select_related("piece", "attempt")
        .first()
    )
    if running is None:
        return go(request, Done(there, said_of(form)))
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
    return answer(request, "flips/hours/switch.html", context, status=refused_status(stop))


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
        "flips/hours/stop.html",
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
        return entries.stop_timer(timer, now=now, at=at)
    except ValidationError as refused:
        messages.warning(request, " ".join(refused.messages))
        return None


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
        entry = entries.add_time(
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

    return once(request, form, add) or go(request, Done(piece.get_absolute_url(), said_of(form)))


class QuickForm(TimerForm):
    """So many minutes with one tap."""

    minutes = forms.TypedChoiceField(coerce=int, choices=[(str(one), str(one)) for one in QUICK_MINUTES])


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
        "tab": _tab(request),
    }
    return answer(request, "flips/hours/hours.html", context)


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
    asked = asked_for(request, "piece")
    piece = Piece.objects.live().filter(pk=asked).first() if asked else None
    viewer: Person = request.user  # type: ignore[assignment]
    form = TimeForm(
        request.POST or None,
        viewer=viewer,
        piece=piece,
        initial={
            "piece": asked,
            "attempt": asked_for(request, "attempt"),
            "part": asked_for(request, "part"),
        },
    )
    if request.method == "POST" and form.is_valid():
        typed, now = form.cleaned_data, timezone.now()

        def add() -> Done:
            entry = entries.add_time(
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
        "flips/hours/time_new.html",
        {"form": form, "piece": piece, "tab": "bench" if piece else _tab(request)},
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

    instance: TimeEntry

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
            entries.change_time(shown, now=timezone.now())
        if not form.errors:
            there = shown.piece.get_absolute_url() if shown.piece else reverse("hours")
            return go(request, Done(there, "Hours corrected."))
    said = time_history(shown)
    return answer(
        request,
        "flips/hours/time_entry.html",
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


urlpatterns = [
    path("hours/", hours, name="hours"),
    path("hours/new/", time_new, name="time_new"),
    path("hours/<int:entry_id>/", time_entry, name="time_entry"),
    path("hours/<int:entry_id>/void/", time_void, name="time_void"),
    path("hours/<int:entry_id>/stop/", timer_stop, name="timer_stop"),
    path("hours/start/", timer_start, name="shop_timer_start"),
    path("pieces/<int:piece_id>/timer/", timer_start, name="timer_start"),
    path("pieces/<int:piece_id>/minutes/", add_minutes, name="add_minutes"),
]
