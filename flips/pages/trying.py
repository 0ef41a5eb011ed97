"""Before a step, beginning it with one tap, and saying how it went."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from estimating.glueup import Clamps, Joint
from finishes.forces import Force
from finishes.glue import ADHESIVES
from finishes.measures import BadMeasure, Temperature
from finishes.products import SURFACES, shipped_shelf
from flips.access import open_to_helper
from flips.actions import hours, remedies
from flips.models import Attempt, Clamp, Dimension, Lot, Outcome, Part, RemedyStep, StepMaterial, TimeEntry
from flips.models.forks import StepState, load
from flips.pages.answers import Done, answer, go, once, refused_status
from flips.pages.forms import LengthField, TemperatureField, current_shop, forms
from flips.pages.on_piece import on_piece, undo_for
from flips.pages.remedies import fault_or_404
from flips.step_checks import (
    StepCheck,
    clamp_check,
    coat_check,
    fit_check,
    glue_check,
    stock_check,
    temperature_check,
)

# What was typed last about the shop is offered again: clamps do not change from step to step.
KEPT = ("room", "clamps", "force", "adhesive")
KEPT_AS = "before_a_step"


class ForceField(forms.CharField):
    """The force of one clamp; a bare number counts in lbf, or in newtons in a metric shop."""

    def to_python(self, value: Any) -> Force | None:  # type: ignore[override]
        text = super().to_python(value)
        if not text:
            return None
        try:
            force = Force.parse(text, "lbf" if current_shop().length_unit == "in" else "n")
        except BadMeasure as bad:
            raise ValidationError(str(bad)) from bad
        if not force.lbf:
            raise ValidationError("Write a force above zero.")
        return force


def _families() -> list[str]:
    return sorted({product.family for product in shipped_shelf().products})


class BeforeForm(forms.Form):
    """What only she can say before a step; everything may stay empty."""

    room = TemperatureField(label="How warm is it?", required=False)
    adhesive = forms.ChoiceField(label="Glue", required=False)
    length = LengthField(label="Joint, length", required=False)
    width = LengthField(label="Joint, width", required=False)
    clamps = forms.IntegerField(label="Clamps you have", required=False, min_value=0, max_value=999)
    force = ForceField(label="One clamp presses", required=False)
    under = forms.ChoiceField(label="What is on it now", required=False)
    over = forms.ChoiceField(label="What goes on", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        families = _families()
        glues = [("", "Choose"), *((row.key, row.name) for row in ADHESIVES.values())]
        self.fields["adhesive"].choices = glues  # type: ignore[attr-defined]
        self.fields["under"].choices = [("", "Choose"), *((one, one) for one in (*SURFACES, *families))]  # type: ignore[attr-defined]
        self.fields["over"].choices = [("", "Choose"), *((one, one) for one in families)]  # type: ignore[attr-defined]


def _step_state(step: RemedyStep) -> tuple[Any, StepState]:
    fault = fault_or_404(step.remedy.fault_id)
    for one in load(fault):
        for state in one.steps:
            if state.step.pk == step.pk:
                return fault, state
    raise Http404


def step_or_404(step_id: int) -> RemedyStep:
    """A live step of a live remedy."""
    return get_object_or_404(
        RemedyStep.objects.live()
        .select_related("technique", "remedy", "shares__technique")
        .filter(remedy__voided_at__isnull=True),
        pk=step_id,
    )


@require_GET
@open_to_helper
def step_before(request: HttpRequest, step_id: int) -> HttpResponse:
    """What would make a step fail, with figures, before it begins; no money on it."""
    step = step_or_404(step_id)
    fault, state = _step_state(step)
    part = next(iter(fault.its_parts()), None)
    typed = request.GET if any(name in request.GET for name in BeforeForm.base_fields) else None
    form = BeforeForm(typed, initial=request.session.get(KEPT_AS, {}) | _joint_of(part))
    if typed is not None:
        request.session[KEPT_AS] = {name: typed[name] for name in KEPT if typed.get(name)}
    checks = _checks(fault, state, part, _typed(form))
    if getattr(request, "htmx", False):
        return answer(request, "flips/remedies/_checks.html", {"checks": checks})
    context = on_piece(
        request,
        fault.piece,
        "faults",
        fault=fault,
        step=step,
        state=state,
        form=form,
        checks=checks,
        glues=_glues(state),
        coats=_coats(state),
        failures=_failures(state, fault.material),
        materials=list(step.materials.live()),
    )
    return answer(request, "flips/remedies/before.html", context)


def _typed(form: BeforeForm) -> dict[str, Any]:
    """What was typed where it could be read; what is offered where nothing was typed yet."""
    if form.is_bound:
        form.is_valid()
        return dict(form.cleaned_data)
    found = {}
    for name, field in form.fields.items():
        try:
            found[name] = field.clean(form.initial.get(name, ""))
        except ValidationError:
            found[name] = None
    return found


def _joint_of(part: Part | None) -> dict[str, str]:
    """The largest length and width measured on the part, as the first guess of the joint."""
    if part is None:
        return {}
    sizes = {size.dimension: size.most for size in part.sizes()}
    return {
        name: size.text or size.shown(current_shop().units)
        for name, size in sizes.items()
        if name in ("length", "width")
    }


def _glues(state: StepState) -> bool:
    return "glue-up" in {caution.code for caution in state.cautions} or state.root.clamps is not None


COATING = (
    "stain",
    "shellac",
    "varnish",
    "lacquer",
    "paint",
    "oil",
    "wax",
    "finish",
    "coat",
    "poly",
    "seal",
    "prime",
)


def _coats(state: StepState) -> bool:
    name = state.root.technique.name.lower()
    return any(word in name for word in COATING)


def _checks(fault: Any, state: StepState, part: Part | None, typed: dict[str, Any]) -> list[StepCheck]:
    system = current_shop().units
    adhesive = ADHESIVES.get(typed.get("adhesive") or "") if _glues(state) else None
    least: list[tuple[str, Temperature]] = []
    if state.root.least_temperature is not None:
        least.append(("the step", state.root.least_temperature))
    if adhesive is not None:
        coldest = (Fraction(adhesive.least_temperature.value) - 32) * Fraction(5, 9)
        least.append((adhesive.name, Temperature(coldest)))
    found = [temperature_check(typed.get("room"), least=least, system=system)]
    owned = [
        Clamps(clamp.count, Force(Fraction(clamp.force_lbf)), clamp.name)
        for clamp in Clamp.objects.filter(count__gt=0)
    ]
    counted = typed.get("clamps")
    if counted is None and owned:
        counted = sum(clamps.count for clamps in owned)
    found.append(clamp_check(counted, needs=state.root.clamps))
    if _glues(state):
        length, width = typed.get("length"), typed.get("width")
        found.append(
            glue_check(
                joint=Joint(length, width) if length and width else None,
                adhesive=adhesive,
                clamps=typed.get("clamps"),
                force=typed.get("force"),
                owned=owned,
                room=typed.get("room"),
                thin_face=fault.material.startswith("veneered")
                or "veneer" in state.root.technique.name.lower(),
                system=system,
            )
        )
    if part is not None:
        readings = {size.dimension: [one.length for one in size.readings] for size in part.sizes()}
        found.append(
            fit_check(
                part.name,
                thickness=readings.get(Dimension.THICKNESS, []),
                opening=readings.get(Dimension.OPENING, []),
                system=system,
            )
        )
    found.append(coat_check(shipped_shelf(), under=typed.get("under") or "", over=typed.get("over") or ""))
    found += _stock(state.step)
    return [one for one in found if one is not None]


def _stock(step: RemedyStep) -> list[StepCheck]:
    """Whether what is planned is on hand; one query however much is planned."""
    planned = list(step.materials.live())
    if not planned:
        return []
    left: dict[str, Fraction] = {}
    units: dict[str, str] = {}
    for lot in Lot.objects.live().with_left():
        key = lot.name.lower()
        left[key] = left.get(key, Fraction(0)) + lot.left
        units.setdefault(key, lot.unit)
    return [
        stock_check(
            row.material,
            wanted=row.quantity,
            left=left.get(row.material.lower()),
            unit=row.unit or units.get(row.material.lower(), ""),
        )
        for row in planned
    ]


def _failures(state: StepState, material: str) -> list[Attempt]:
    """The last three failures of the technique on this material, with what was said of them."""
    name = state.root.technique.name
    rows = Attempt.objects.failed().filter(technique__iexact=name).select_related("piece", "part")
    if material != "unknown":
        rows = rows.filter(part__material=material)
    return list(rows.newest_first()[:3])


@require_POST
@open_to_helper
def step_try(request: HttpRequest, step_id: int) -> HttpResponse:
    """Begins the attempt of a step with one tap, its timer with it."""
    step = step_or_404(step_id)
    fault = fault_or_404(step.remedy.fault_id)
    now = timezone.now()
    running = TimeEntry.objects.running().filter(person=request.user.pk).select_related("piece").first()
    # A timer on another piece is hers to stop: it is asked about there, not lost here.
    elsewhere = running is not None and running.piece_id != fault.piece_id

    def begin() -> Done:
        attempt = remedies.try_step(
            step,
            by=request.user,  # type: ignore[arg-type]
            now=now,
            timer=not elsewhere,
            instead_of=running.pk if running is not None else None,
        )
        said = f"Begun: {attempt}."
        if elsewhere and running is not None:
            said += f" Your timer still runs on {running.piece or 'shop time'}."
        return Done(f"{fault.get_absolute_url()}#under-way", said, undo_for(request, "attempt made", attempt))

    try:
        done = once(request, None, begin)
    except (ValidationError, hours.TimerRunning) as refused:
        return go(request, Done(fault.get_absolute_url(), " ".join(refused.messages)))
    return done or go(request, Done(fault.get_absolute_url()))


class WentForm(forms.Form):
    """How an attempt went, and the three things worth knowing."""

    outcome = forms.ChoiceField(
        label="How did it go?",
        choices=[(one.value, one.label) for one in Outcome if one != Outcome.OPEN],
        widget=forms.RadioSelect,
    )
    why = forms.CharField(
        label="Why?", max_length=4000, required=False, widget=forms.Textarea(attrs={"rows": 2})
    )
    left_usable = forms.CharField(label="What is left usable?", max_length=200, required=False)
    again = forms.ChoiceField(
        label="Would you try it again?",
        choices=[one for one in Attempt.Again.choices if one[0]],
        required=False,
        widget=forms.RadioSelect,
    )


@require_http_methods(["GET", "POST"])
@open_to_helper
def went(request: HttpRequest, attempt_id: int) -> HttpResponse:
    """Says how an attempt of a remedy went; after a failure the board asks what now."""
    attempt = get_object_or_404(
        Attempt.objects.live().select_related("remedy__fault", "piece").filter(remedy__isnull=False),
        pk=attempt_id,
    )
    assert attempt.remedy is not None
    fault = attempt.remedy.fault
    asked = request.GET.get("outcome", "")
    data = request.POST if request.method == "POST" else None
    form = WentForm(
        data,
        initial={
            "outcome": asked or (attempt.outcome if not attempt.is_open else ""),
            "why": attempt.why,
            "left_usable": attempt.left_usable or attempt.remedy.leaves_usable,
            "again": attempt.again,
        },
    )
    if request.method == "POST" and form.is_valid():

        def end() -> Done:
            ended = remedies.end_attempt(
                attempt,
                by=request.user,  # type: ignore[arg-type]
                now=timezone.now(),
                **form.cleaned_data,
            )
            said = f"{ended}: {ended.get_outcome_display().lower()}."
            return Done(fault.get_absolute_url(), said)

        if done := once(request, form, end):
            return done
    context = on_piece(request, attempt.piece, "faults", attempt=attempt, fault=fault, form=form)
    return answer(request, "flips/remedies/went.html", context, status=refused_status(form))


@require_POST
@open_to_helper
def take_planned(request: HttpRequest, attempt_id: int, material_id: int) -> HttpResponse:
    """Takes what the step planned from stock, with one tap."""
    attempt = get_object_or_404(
        Attempt.objects.live().select_related("remedy__fault", "piece", "part").filter(remedy__isnull=False),
        pk=attempt_id,
    )
    row = get_object_or_404(StepMaterial.objects.live(), pk=material_id, step=attempt.step_id)
    assert attempt.remedy is not None
    to = f"{attempt.remedy.fault.get_absolute_url()}#under-way"

    def take() -> Done:
        taken = remedies.take_planned(row, attempt=attempt, by=request.user)  # type: ignore[arg-type]
        return Done(to, f"Taken: {row}.", undo_for(request, "used", taken.uses[0]))

    try:
        done = once(request, None, take)
    except ValidationError as refused:
        return go(request, Done(to, " ".join(refused.messages)))
    return done or go(request, Done(to))


urlpatterns = [
    path("steps/<int:step_id>/before/", step_before, name="step_before"),
    path("steps/<int:step_id>/try/", step_try, name="step_try"),
    path("attempts/<int:attempt_id>/went/", went, name="went"),
    path("attempts/<int:attempt_id>/planned/<int:material_id>/", take_planned, name="take_planned"),
]
