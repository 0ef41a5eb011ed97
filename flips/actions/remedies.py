"""Faults, surveys, techniques and remedies: noting them, ordering them, trying them, and saying what came of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.db.models import Max
from django.utils import timezone

from finishes.cautions import CAUTIONS, hazards_of
from flips.actions import bench, hours, stock
from flips.actions.photos import keep_photos
from flips.actions.undo import CannotUndo, undoable
from flips.models import (
    Answer,
    Attempt,
    EstimateLine,
    Fault,
    Level,
    Lot,
    Moment,
    Outcome,
    Part,
    Person,
    Piece,
    Remedy,
    RemedyStep,
    Settled,
    StepMaterial,
    SurveyAnswer,
    Tag,
    Technique,
)
from flips.models.forks import PASSED, load
from flips.models.learning import TryBook
from flips.photos import PreparedPhoto

# Faults and the survey


@transaction.atomic
def add_fault(
    *,
    by: Person,
    piece: Piece,
    kind: str,
    parts: Sequence[Part] = (),
    photos: Sequence[PreparedPhoto] = (),
    **fields: Any,
) -> Fault:
    """A fault on parts of a piece (or on the whole piece), with photos. Raises ValidationError."""
    fault = Fault(piece=piece, kind=kind, created_by=by, **fields)
    _check_parts(fault, parts)
    fault.full_clean()
    fault.save()
    fault.parts.set(parts)
    keep_photos(photos, by=by, piece=piece, fault=fault, moment=Moment.BEFORE)
    return fault


def _check_parts(fault: Fault, parts: Sequence[Part]) -> None:
    if any(part.piece_id != fault.piece_id for part in parts):
        raise ValidationError({"parts": "That part belongs to another piece."})


@transaction.atomic
def change_fault(
    fault: Fault, *, by: Person, parts: Sequence[Part], photos: Sequence[PreparedPhoto] = ()
) -> None:
    """Saves a corrected fault and the parts it is on. Raises ValidationError."""
    _check_parts(fault, parts)
    fault.full_clean()
    fault.save()
    fault.parts.set(parts)
    keep_photos(photos, by=by, piece=fault.piece, fault=fault, moment=Moment.BEFORE)


@transaction.atomic
def settle(fault: Fault, how: str, *, on: date) -> Fault:
    """Closes a fault as put right, left as it is or parted out; "open" opens it again. Raises ValidationError."""
    fault = Fault.objects.select_for_update().get(pk=fault.pk)
    fault.settled = how
    fault.settled_on = None if how == Settled.OPEN else on
    fault.full_clean()
    fault.save()
    return fault


@undoable("fault settled")
def unsettle(record: models.Model, _by: Person) -> str:
    """A fault just closed is open again."""
    if not isinstance(record, Fault):
        raise CannotUndo("That can't be taken back.")
    record.settled, record.settled_on = Settled.OPEN, None
    record.save()
    return "It is open again."


@transaction.atomic
def void_fault(fault: Fault, *, by: Person, reason: str) -> None:
    """Takes out a fault noted by mistake; refused once one of its remedies was tried."""
    if not reason.strip():
        raise ValidationError("Say why it is taken out.")
    if Attempt.objects.live().filter(remedy__fault=fault).exists():
        raise ValidationError("A remedy for it was tried: close it instead, so that the record stays.")
    fault.void(by=by, reason=reason)


@transaction.atomic
def answer_survey(
    *, by: Person, piece: Piece, answers: Mapping[str, str], notes: Mapping[str, str] | None = None
) -> list[SurveyAnswer]:
    """Keeps the answers to the survey by question; what is answered anew is changed, never doubled."""
    Piece.objects.select_for_update().get(pk=piece.pk)
    before = {row.question: row for row in SurveyAnswer.objects.live().filter(piece=piece)}
    kept = []
    for question, answer in answers.items():
        note = (notes or {}).get(question, "")
        row = before.get(question)
        if row is None:
            if answer == Answer.NOT_LOOKED and not note:
                # Nothing was seen, so nothing is kept: what has no answer was not looked at.
                continue
            row = SurveyAnswer(piece=piece, question=question, created_by=by)
        elif (row.answer, row.note) == (answer, note):
            continue
        row.answer, row.note = answer, note
        row.full_clean()
        row.save()
        kept.append(row)
    return kept


# Techniques


def technique_named(name: str, *, by: Person, level: str = "") -> Technique:
    """The technique of that name, whatever its capitals; a new one with the hazards its name speaks of otherwise."""
    name = " ".join(name.split())
    found = Technique.objects.called(name).first()
    if found is not None:
        return found
    technique = Technique(name=name, level=level or Level.EVEN, created_by=by)
    technique.hazards = list(hazards_of(name))
    technique.full_clean()
    technique.save()
    return technique


@transaction.atomic
def change_technique(technique: Technique, *, hazards: Sequence[str]) -> None:
    """Saves a corrected technique; its tries keep the chance they began with. Raises ValidationError."""
    if unknown := set(hazards) - set(CAUTIONS):
        raise ValidationError(f"There is no caution for {', '.join(sorted(unknown))}.")
    technique.hazards = [code for code in CAUTIONS if code in hazards]
    technique.full_clean()
    technique.save()


# Remedies and their steps

DETAILS = ("days", "any_time", "tags", "least_millicelsius", "clamps", "note")


@transaction.atomic
def add_remedy(
    *,
    by: Person,
    fault: Fault,
    technique: str,
    name: str = "",
    needs_first: Sequence[Remedy] = (),
    spoils: Sequence[Remedy] = (),
    leaves_usable: str = "",
    **step: Any,
) -> Remedy:
    """A remedy with its first step; it is called after its technique unless it is given a name. Raises ValidationError."""
    Fault.objects.select_for_update().get(pk=fault.pk)
    last = Remedy.objects.filter(fault=fault).aggregate(last=Max("place"))["last"] or 0
    remedy = Remedy(
        fault=fault,
        name=" ".join((name or technique).split()),
        place=last + 1,
        leaves_usable=leaves_usable.strip(),
        created_by=by,
    )
    try:
        remedy.full_clean()
    except ValidationError as refused:
        raise _said_of(refused, "name", "technique") from refused
    remedy.save()
    link_remedy(remedy, needs_first=needs_first, spoils=spoils)
    add_step(by=by, remedy=remedy, technique=technique, **step)
    return remedy


def _said_of(refused: ValidationError, field: str, shown_at: str) -> ValidationError:
    """The same refusal at the field she typed it into."""
    if not hasattr(refused, "error_dict"):
        return refused
    errors = dict(refused.error_dict)
    if field in errors:
        errors[shown_at] = errors.pop(field)
    return ValidationError(errors)


@transaction.atomic
def change_remedy(remedy: Remedy, *, needs_first: Sequence[Remedy], spoils: Sequence[Remedy]) -> None:
    """Saves a corrected remedy and what it needs first and spoils. Raises ValidationError."""
    remedy.full_clean()
    remedy.save()
    link_remedy(remedy, needs_first=needs_first, spoils=spoils)


def link_remedy(remedy: Remedy, *, needs_first: Sequence[Remedy], spoils: Sequence[Remedy]) -> None:
    """Says which remedies must have been tried before, and which ones trying this makes impossible."""
    for field, others in (("needs_first", needs_first), ("spoils", spoils)):
        if any(other.pk == remedy.pk for other in others):
            raise ValidationError({field: "That is this remedy itself."})
        if any(other.fault_id != remedy.fault_id for other in others):
            raise ValidationError({field: "That remedy belongs to another fault."})
    needs = {
        row.pk: {other.pk for other in row.needs_first.all()}
        for row in Remedy.objects.live().filter(fault=remedy.fault_id).prefetch_related("needs_first")
    }
    needs[remedy.pk] = {other.pk for other in needs_first}
    _refuse_circle(remedy, needs)
    remedy.needs_first.set(needs_first)
    remedy.spoils.set(spoils)


def _refuse_circle(remedy: Remedy, needs: Mapping[int, set[int]]) -> None:
    seen: set[int] = set()
    todo = list(needs.get(remedy.pk, ()))
    while todo:
        other = todo.pop()
        if other == remedy.pk:
            raise ValidationError({"needs_first": "They would wait for each other."})
        if other not in seen:
            seen.add(other)
            todo += needs.get(other, ())


@transaction.atomic
def add_step(
    *,
    by: Person,
    remedy: Remedy,
    technique: str,
    minutes: int | None = None,
    money_cents: int | None = None,
    level: str = "",
    materials: Sequence[tuple[str, int, str]] = (),
    shares: RemedyStep | None = None,
    **details: Any,
) -> RemedyStep:
    """A step at the end of a remedy, by the name of its technique; what is left out is taken from the last time.

    Without minutes, a step of the same technique in another remedy of this fault is the same work, done and paid once
    (or name it with ``shares``). ``materials`` are (material, millionths, unit). Raises ValidationError.
    """
    known = technique_named(technique, by=by, level=level)
    shares = shares or (_same_work(remedy, known) if minutes is None else None)
    if shares is not None:
        shares = shares.root
        if shares.remedy.fault_id != remedy.fault_id:
            raise ValidationError({"shares": "That step belongs to another fault."})
    usual = _last_time(known) if shares is None else shares
    if minutes is None and usual is None:
        raise ValidationError({"minutes": "Write how long it takes: 45, or 1:30."})
    last = RemedyStep.objects.filter(remedy=remedy).aggregate(last=Max("place"))["last"] or 0
    step = RemedyStep(
        remedy=remedy,
        technique=known,
        place=last + 1,
        minutes=minutes if minutes is not None else (usual.minutes if usual else 0),
        money_cents=money_cents
        if money_cents is not None
        else (usual.money_cents if usual and minutes is None else 0),
        level=level or (usual.level if usual else known.level),
        shares=shares,
        created_by=by,
    )
    _put_details(step, usual, details)
    step.full_clean()
    step.save()
    for material, millionths, unit in materials:
        add_material(by=by, step=step, material=material, quantity_millionths=millionths, unit=unit)
    return step


def _put_details(step: RemedyStep, usual: RemedyStep | None, details: Mapping[str, Any]) -> None:
    tags = details.get("tags")
    if tags is None:
        tags = usual.tags if usual else step.technique.usual_tags()
    step.tags = [key for key in Tag.values if key in tags]
    for name in ("days", "any_time", "least_millicelsius", "clamps", "note"):
        if details.get(name) is not None:
            setattr(step, name, details[name])
        elif usual is not None and name in ("days", "least_millicelsius", "clamps"):
            setattr(step, name, getattr(usual, name))
    if unknown := set(details) - set(DETAILS):
        raise TypeError(f"a step has no {', '.join(sorted(unknown))}")


def _same_work(remedy: Remedy, technique: Technique) -> RemedyStep | None:
    return (
        RemedyStep.objects.live()
        .filter(
            technique=technique,
            remedy__fault=remedy.fault_id,
            remedy__voided_at__isnull=True,
            shares__isnull=True,
        )
        .exclude(remedy=remedy)
        .order_by("pk")
        .first()
    )


def _last_time(technique: Technique) -> RemedyStep | None:
    return RemedyStep.objects.live().filter(technique=technique).order_by("-pk").first()


@transaction.atomic
def change_step(step: RemedyStep, *, by: Person, technique: str, tags: Sequence[str]) -> None:
    """Saves a corrected step. Attempts of it keep what was planned when they began. Raises ValidationError."""
    step.technique = technique_named(technique, by=by)
    step.tags = [key for key in Tag.values if key in tags]
    if step.shares is not None and step.shares.remedy.fault_id != step.remedy.fault_id:
        raise ValidationError({"shares": "That step belongs to another fault."})
    if step.shares_id and step.shared_by.live().exists():
        raise ValidationError({"shares": "Other steps share this one: let those name the other step."})
    step.full_clean()
    step.save()


@transaction.atomic
def take_estimate(step: RemedyStep, line: EstimateLine) -> str:
    """Takes what an estimate line plans into a step: its hours, or its likely cost. Answers what to say."""
    if line.is_hours:
        step.minutes = line.likely_minutes or 0
    elif line.likely_cents is None:
        return "That line has no price yet: give its materials one first."
    else:
        step.money_cents = line.likely_cents
    step.full_clean()
    step.save()
    return f"Taken from the estimate: {line.words}."


def add_material(
    *, by: Person, step: RemedyStep, material: str, quantity_millionths: int, unit: str = ""
) -> StepMaterial:
    """What a step will take from stock. Raises ValidationError."""
    row = StepMaterial(
        step=step,
        material=" ".join(material.split()),
        quantity_millionths=quantity_millionths,
        unit=unit.strip(),
        created_by=by,
    )
    row.full_clean()
    row.save()
    return row


@transaction.atomic
def void_remedy(remedy: Remedy, *, by: Person, reason: str) -> None:
    """Takes out a remedy noted by mistake; refused once it was tried, or while another one shares its work."""
    if not reason.strip():
        raise ValidationError("Say why it is taken out.")
    if Attempt.objects.live().filter(remedy=remedy).exists():
        raise ValidationError("It was tried: rule it out instead, so that the record stays.")
    for step in remedy.steps.live():
        _give_up_sharing(step)
    remedy.void(by=by, reason=reason)


@transaction.atomic
def void_step(step: RemedyStep, *, by: Person, reason: str) -> None:
    """Takes out a step noted by mistake; refused once it was tried."""
    if not reason.strip():
        raise ValidationError("Say why it is taken out.")
    if Attempt.objects.live().filter(step=step).exists():
        raise ValidationError("It was tried: rule the remedy out instead, so that the record stays.")
    _give_up_sharing(step)
    step.void(by=by, reason=reason)


def _give_up_sharing(step: RemedyStep) -> None:
    """The first step that shares the work takes it over, and the others share that one."""
    others = list(step.shared_by.live().filter(remedy__voided_at__isnull=True).order_by("pk"))
    if not others:
        return
    heir = others[0]
    for name in (
        "minutes",
        "money_cents",
        "level",
        "days",
        "any_time",
        "tags_text",
        "least_millicelsius",
        "clamps",
    ):
        setattr(heir, name, getattr(step, name))
    heir.shares = None
    heir.save()
    for other in others[1:]:
        other.shares = heir
        other.save()


@transaction.atomic
def rule_out(remedy: Remedy, *, reason: str) -> Remedy:
    """Rules a remedy out with a reason ("not in this weather"), or in again with an empty one."""
    remedy = Remedy.objects.select_for_update().get(pk=remedy.pk)
    remedy.ruled_out = reason.strip()
    remedy.full_clean()
    remedy.save()
    return remedy


# Her order


@transaction.atomic
def put_in_order(fault: Fault, ids: Sequence[int]) -> None:
    """Keeps her own order of the remedies of a fault; those not named come last. Raises ValidationError."""
    fault = Fault.objects.select_for_update().get(pk=fault.pk)
    rows = {row.pk: row for row in Remedy.objects.live().filter(fault=fault).order_by("place", "pk")}
    if set(ids) - set(rows) or len(set(ids)) != len(ids):
        raise ValidationError("The remedies have changed meanwhile: look at the list again.")
    for place, pk in enumerate([*ids, *(pk for pk in rows if pk not in ids)], 1):
        if rows[pk].place != place:
            rows[pk].place = place
            rows[pk].save()
    if not fault.own_order:
        fault.own_order = True
        fault.save()


@transaction.atomic
def drop_own_order(fault: Fault) -> None:
    """Goes back to the recommended order."""
    fault = Fault.objects.select_for_update().get(pk=fault.pk)
    if fault.own_order:
        fault.own_order = False
        fault.save()


# Trying


@transaction.atomic
def try_step(
    step: RemedyStep, *, by: Person, now: datetime, timer: bool = True, instead_of: int | None = None
) -> Attempt:
    """Starts the attempt of a step with what was planned, and its timer. Raises ValidationError, TimerRunning.

    The attempt keeps the plan and the chance as they are thought of now; later guesses do not change it.
    """
    root, remedy = step.root, step.remedy
    fault = Fault.objects.select_for_update().select_related("piece").get(pk=remedy.fault_id)
    _check_can_try(fault, step)
    book = TryBook.of_the_shop()
    chance = book.chance(root.technique.name, guess=root.guess, material=fault.material, fault=fault.kind)
    parts = fault.its_parts()
    follows = (
        Attempt.objects.live()
        .filter(remedy__fault=fault, outcome=Outcome.FAILED)
        .order_by("-began_at", "-pk")
        .first()
    )
    known = [part for part in parts if part.material == fault.material] or parts
    attempt = bench.start_attempt(
        by=by,
        piece=fault.piece,
        part=known[0] if known else None,
        technique=root.technique.name,
        now=now,
        follows=follows,
        remedy=remedy,
        step=step,
        planned_minutes=root.minutes,
        planned_cents=root.money_cents,
        chance_percent=chance.percent,
    )
    if timer:
        hours.start_timer(by=by, now=now, piece=fault.piece, attempt=attempt, instead_of=instead_of)
    return attempt


def _check_can_try(fault: Fault, step: RemedyStep) -> None:
    if fault.is_void or step.is_void or step.remedy.is_void:
        raise ValidationError("That was taken out.")
    if not fault.is_open:
        raise ValidationError(f"This fault is {fault.get_settled_display().lower()}: open it again first.")
    if not fault.piece.is_owned:
        raise ValidationError("It is not in the shop: buy it first.")
    root = step.root
    running = Attempt.objects.under_way().filter(
        models.Q(step=root) | models.Q(step__shares=root), piece=fault.piece
    )
    if running.exists():
        raise ValidationError("That is under way already: say first how it went.")


@transaction.atomic
def take_planned(material: StepMaterial, *, attempt: Attempt, by: Person) -> stock.Taken:
    """Takes what a step planned from stock, oldest lot first; what no lot has is kept to be fixed. Raises ValidationError."""
    lot = (
        Lot.objects.on_hand().filter(name__iexact=material.material).first()
        or Lot.objects.live().filter(name__iexact=material.material).order_by("-came_on", "-pk").first()
    )
    place: dict[str, Any] = {"by": by, "piece": attempt.piece, "attempt": attempt, "part": attempt.part}
    if lot is None or (material.unit and material.unit.lower() != lot.unit.lower()):
        return stock.take_unknown(
            material=material.material,
            quantity_millionths=material.quantity_millionths,
            unit=material.unit,
            **place,
        )
    return stock.take(lot=lot, quantity_millionths=material.quantity_millionths, **place)


@transaction.atomic
def end_attempt(
    attempt: Attempt,
    *,
    by: Person,
    now: datetime,
    outcome: str,
    why: str = "",
    left_usable: str = "",
    again: str = "",
    stop_timer: bool = True,
) -> Attempt:
    """Says how an attempt went and stops its timers; a failure asks why. A remedy whose last step worked closes the fault.

    Raises ValidationError.
    """
    attempt = Attempt.objects.select_for_update().get(pk=attempt.pk)
    if attempt.is_void:
        raise ValidationError("That attempt was taken out.")
    if outcome == Outcome.OPEN:
        raise ValidationError({"outcome": "Say how it went."})
    if outcome == Outcome.FAILED and not why.strip():
        raise ValidationError({"why": "Say why in a few words: the next piece will ask."})
    attempt.outcome = outcome
    attempt.why = why.strip() or attempt.why
    attempt.left_usable = left_usable.strip() or attempt.left_usable
    attempt.again = again or attempt.again
    bench.change_attempt(attempt, by=by, now=now)
    if stop_timer:
        for timer in attempt.time_entries.live().filter(minutes__isnull=True):
            hours.stop_timer(timer, now=now)
    if attempt.remedy is not None:
        _close_if_done(attempt.remedy, now=now)
    return attempt


def _close_if_done(remedy: Remedy, *, now: datetime) -> None:
    fault = Fault.objects.select_for_update().get(pk=remedy.fault_id)
    if not fault.is_open:
        return
    mine = next((one for one in load(fault) if one.remedy.pk == remedy.pk), None)
    # What worked only partly is hers to judge.
    if mine is not None and mine.state == PASSED and not mine.partly:
        settle(fault, Settled.FIXED, on=timezone.localdate(now))
