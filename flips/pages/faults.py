"""Faults of a piece and the survey that finds them."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from flips.access import open_to_helper
from flips.actions import remedies
from flips.models import Answer, Fault, FaultKind, Piece, Settled, Severity, Stage
from flips.models.finds import kind_of_piece, survey_of
from flips.models.forks import RemedyState, load_all
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status, undo_token
from flips.pages.forms import (
    MinutesField,
    MoneyField,
    PhotosField,
    RecordForm,
    choices_with_blank,
    forms,
)
from flips.pages.on_piece import PartsField, live_tree, on_piece
from flips.survey_lists import LISTS


@require_GET
@open_to_helper
def faults(request: HttpRequest, piece_id: int) -> HttpResponse:
    """What is wrong with a piece, part by part, and how far each fault has come."""
    piece = get_object_or_404(Piece, pk=piece_id)
    rows = list(Fault.objects.live().filter(piece=piece).with_parts().order_by("pk"))
    states = load_all(rows)
    for fault in rows:
        fault.words = where_it_stands(fault, states[fault.pk])  # type: ignore[attr-defined]
    seen = survey_of(piece, kind_of_piece(piece))
    return answer(
        request,
        "flips/remedies/faults.html",
        on_piece(
            request,
            piece,
            "faults",
            open_faults=[fault for fault in rows if fault.is_open],
            settled_faults=[fault for fault in rows if not fault.is_open],
            stops=[one for one in seen if one.is_stop],
            unseen=sum(1 for one in seen if one.answer == Answer.NOT_LOOKED),
            looked=sum(1 for one in seen if one.answer != Answer.NOT_LOOKED),
            suggested=_suggested([one for one in seen if one.answer == Answer.YES], rows),
        ),
    )


def _suggested(found: list[Any], rows: list[Fault]) -> list[Any]:
    """What the survey found and no fault says yet."""
    noted = {fault.kind for fault in rows}
    return [one for one in found if one.question.fault not in noted]


def where_it_stands(fault: Fault, states: list[RemedyState]) -> str:
    """How far a fault has come, in a few words without money."""
    if not fault.is_open:
        return str(fault.get_settled_display())
    if not states:
        return "No remedy noted yet"
    under_way = [one for one in states if one.state == "under_way"]
    failed = sum(1 for one in states if one.state == "failed")
    words = [f"{len(states)} remed{'y' if len(states) == 1 else 'ies'}"]
    if under_way:
        words.append(f"“{under_way[0].remedy.name}” under way")
    if failed:
        words.append(f"{failed} failed")
    return ", ".join(words)


class FaultForm(forms.Form):
    """A fault, as fast as it can be said."""

    kind = forms.ChoiceField(
        label="What is wrong?", choices=choices_with_blank(FaultKind, "Choose"), initial=""
    )
    where = forms.CharField(
        label="Where",
        max_length=120,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off", "placeholder": "left side, near the foot"}),
    )
    parts = PartsField(label="On which parts?")
    severity = forms.ChoiceField(
        label="How bad?", choices=Severity.choices, initial=Severity.PLAIN, widget=forms.RadioSelect
    )
    photos = PhotosField(label="Photos")
    note = forms.CharField(label="Note", max_length=200, required=False)


@require_http_methods(["GET", "POST"])
@open_to_helper
def fault_new(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Notes a fault; the remedies come on its own page."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    asked = request.GET.get("part", "")
    kind = request.GET.get("kind", "")
    form = FaultForm(
        request.POST or None,
        request.FILES or None,
        initial={
            "parts": [asked] if asked.isdigit() else [],
            "kind": kind if kind in FaultKind.values else "",
        },
    )
    form.fields["parts"].of(live_tree(piece))  # type: ignore[attr-defined]
    if request.method == "POST" and form.is_valid():

        def note() -> Done:
            fault = remedies.add_fault(by=request.user, piece=piece, **form.cleaned_data)  # type: ignore[arg-type]
            return Done(fault.get_absolute_url(), "Fault noted.", undo_token("made", fault))

        if done := once(request, form, note):
            return done
    return answer(
        request,
        "flips/remedies/fault_new.html",
        on_piece(request, piece, "faults", form=form),
        status=refused_status(form),
    )


class FaultEditForm(RecordForm):
    """Corrects a fault."""

    parts = PartsField(label="On which parts?")
    photos = PhotosField(label="More photos")

    class Meta:
        model = Fault
        fields = ["kind", "where", "severity", "note"]
        widgets = {"severity": forms.RadioSelect}


@require_http_methods(["GET", "POST"])
@open_to_helper
def fault_edit(request: HttpRequest, fault_id: int) -> HttpResponse:
    """Corrects what is wrong, where and how bad."""
    fault = _fault(fault_id)
    chosen = fault.its_parts()
    form = FaultEditForm(
        request.POST or None, request.FILES or None, instance=fault, initial={"parts": chosen}
    )
    if not request.user.is_owner:  # type: ignore[union-attr]
        # What an owner notes for herself may name a price.
        del form.fields["note"]
    form.fields["parts"].of(live_tree(fault.piece), besides=chosen)  # type: ignore[attr-defined]
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.hold()
            remedies.change_fault(
                fault,
                by=request.user,  # type: ignore[arg-type]
                parts=form.cleaned_data["parts"],
                photos=form.cleaned_data["photos"],
            )
        if not form.errors:
            return go(request, Done(fault.get_absolute_url(), "Saved."))
    return answer(
        request,
        "flips/remedies/fault_edit.html",
        on_piece(request, fault.piece, "faults", fault=fault, form=form),
        status=refused_status(form),
    )


def _fault(fault_id: int) -> Fault:
    fault = get_object_or_404(Fault.objects.select_related("piece").with_parts(), pk=fault_id)
    if fault.is_void:
        raise Http404
    return fault


@require_POST
def fault_void(request: HttpRequest, fault_id: int) -> HttpResponse:
    """Takes out a fault noted by mistake."""
    fault = _fault(fault_id)
    try:
        remedies.void_fault(fault, by=request.user, reason=request.POST.get("reason", ""))  # type: ignore[arg-type]
    except ValidationError as refused:
        return go(request, Done(fault.get_absolute_url(), " ".join(refused.messages)))
    return go(
        request,
        Done(
            reverse("faults", args=[fault.piece_id]), "The fault is taken out.", undo_token("voided", fault)
        ),
    )


@require_POST
def fault_settle(request: HttpRequest, fault_id: int) -> HttpResponse:
    """Closes a fault as put right, left as it is or parted out, or opens it again."""
    fault = _fault(fault_id)
    how = request.POST.get("how", "")
    if how not in Settled.values:
        raise Http404
    fault = remedies.settle(fault, how, on=timezone.localdate())
    said = "It is open again." if how == Settled.OPEN else f"{fault.get_settled_display()}."
    undo = "" if how == Settled.OPEN else undo_token("fault settled", fault)
    to = fault.get_absolute_url()
    if how == Settled.PARTED and Stage.SCRAPPED in fault.piece.next_stages:
        to = f"{reverse('piece_move', args=[fault.piece_id])}?to={Stage.SCRAPPED.value}"
    return go(request, Done(to, said, undo))


class WaysForm(RecordForm):
    """What the piece brings with the fault put right, left as it is, or in parts."""

    fixed_cents = MoneyField(label="Put right, the piece brings", required=False)
    as_is_cents = MoneyField(label="As it is now, it brings", required=False)
    as_parts_cents = MoneyField(label="In parts, it brings", required=False)
    parting_minutes = MinutesField(label="Time to part it out", required=False)

    class Meta:
        model = Fault
        fields = ["fixed_cents", "as_is_cents", "as_parts_cents", "parting_minutes"]

    def clean_parting_minutes(self) -> int:
        """Nothing typed takes no time."""
        return self.cleaned_data["parting_minutes"] or 0


def ways_form(fault: Fault, data: Any = None) -> WaysForm:
    """The form of the ways out, with what is known."""
    initial: dict[str, Any] = {"parting_minutes": fault.parting_minutes or None}
    if fault.fixed_cents is None:
        initial["fixed_cents"] = fault.piece.expected_cents
    form = WaysForm(data, instance=fault, initial=initial)
    return form


@require_http_methods(["GET", "POST"])
def fault_ways(request: HttpRequest, fault_id: int) -> HttpResponse:
    """Says what the ways out bring, so that giving up is weighed too."""
    fault = _fault(fault_id)
    form = ways_form(fault, request.POST or None)
    if request.method == "POST" and form.is_valid():
        with refusals_on(form):
            form.save()
            return go(request, Done(fault.get_absolute_url(), "Weighed again."))
    return answer(
        request,
        "flips/remedies/ways.html",
        on_piece(request, fault.piece, "faults", fault=fault, form=form),
        status=refused_status(form),
    )


class SurveyForm(forms.Form):
    """The survey of a piece: every question with yes, no or not looked."""

    def __init__(self, *args: Any, seen: list[Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.seen = seen
        for one in seen:
            self.fields[one.question.key] = forms.ChoiceField(
                label=one.question.text,
                choices=Answer.choices,
                initial=one.answer,
                required=False,
                widget=forms.RadioSelect,
            )

    def rows(self) -> list[tuple[Any, Any]]:
        """Each question with its field; those that stop the work first."""
        ordered = sorted(self.seen, key=lambda one: not one.question.stop)
        return [(one, self[one.question.key]) for one in ordered]

    def answers(self) -> dict[str, str]:
        """The answers by question; one left out was not looked at."""
        return {
            one.question.key: self.cleaned_data[one.question.key] or Answer.NOT_LOOKED.value
            for one in self.seen
        }


@require_http_methods(["GET", "POST"])
@open_to_helper
def survey(request: HttpRequest, piece_id: int) -> HttpResponse:
    """The list for this kind of furniture: yes, no or not looked; a yes that stops the work says what to do."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    kind = request.GET.get("kind", "")
    if kind not in LISTS:
        kind = kind_of_piece(piece)
    form = SurveyForm(request.POST or None, seen=survey_of(piece, kind))
    if request.method == "POST" and form.is_valid():
        typed = form.answers()
        with refusals_on(form):
            remedies.answer_survey(by=request.user, piece=piece, answers=typed)  # type: ignore[arg-type]
        if not form.errors:
            found = sum(1 for given in typed.values() if given == Answer.YES)
            unseen = sum(1 for given in typed.values() if given == Answer.NOT_LOOKED)
            return go(
                request,
                Done(reverse("faults", args=[piece.pk]), f"Kept: {found} found, {unseen} not looked at."),
            )
    return answer(
        request,
        "flips/remedies/survey.html",
        on_piece(request, piece, "faults", form=form, kind=kind, kinds=list(LISTS)),
        status=refused_status(form),
    )


urlpatterns = [
    path("pieces/<int:piece_id>/faults/", faults, name="faults"),
    path("pieces/<int:piece_id>/faults/new/", fault_new, name="fault_new"),
    path("pieces/<int:piece_id>/survey/", survey, name="survey"),
    path("faults/<int:fault_id>/edit/", fault_edit, name="fault_edit"),
    path("faults/<int:fault_id>/void/", fault_void, name="fault_void"),
    path("faults/<int:fault_id>/settle/", fault_settle, name="fault_settle"),
    path("faults/<int:fault_id>/ways/", fault_ways, name="fault_ways"),
]
