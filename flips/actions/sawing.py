"""At the saw: ticking parts off as they are cut, and posting a sawn sheet once, with its offcuts."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from estimating import sawing
from estimating.models import Material
from flips.actions import stock
from flips.actions.estimates import lots_for
from flips.actions.undo import CannotUndo, undoable
from flips.models import MILLION, Lot, Origin, Person, StockKind, Use, UseKind
from flips.models.estimates import CutPart, EstimateLine, SawnSheet


@transaction.atomic
def tick(line: EstimateLine, *, by: Person, sheet: int, place: int, is_cut: bool) -> CutPart:
    """Ticks one part of a plan off as cut, or takes the tick away. Raises ValidationError for a part it doesn't have."""
    row = CutPart.objects.select_for_update().filter(line=line, sheet=sheet, place=place).first()
    if row is None:
        raise ValidationError("The plan was reckoned anew: that part lies somewhere else now.")
    if row.is_cut != is_cut:
        row.cut_at, row.cut_by = (timezone.now(), by) if is_cut else (None, None)
        row.save()
    return row


@transaction.atomic
def saw(line: EstimateLine, sheet_number: int, *, by: Person, on: date | None = None) -> SawnSheet:
    """Posts a sheet as sawn: it is used on the piece, its offcuts go to stock with their share, its parts are cut.

    Exactly once: a second time is refused, and the database refuses it too. Raises ValidationError when the sheet is
    not in stock.
    """
    line = EstimateLine.objects.select_for_update().get(pk=line.pk)
    plan = _plan_of(line)
    sheet = next((one for one in plan.sheets if one.number == sheet_number), None)
    if sheet is None:
        raise ValidationError("The plan has no such sheet.")
    if line.sawn.live().filter(sheet=sheet_number).exists():
        raise ValidationError("That sheet has been posted already.")
    lot = _lot_for(line, sheet)
    if not lot.length_nm or not lot.width_nm:
        lot = stock.change_lot(
            lot,
            length_nm=sheet.length.nm,
            length_text=sheet.length.text,
            width_nm=sheet.width.nm,
            width_text=sheet.width.text,
        )
    day = on or timezone.localdate()
    taken = stock.take(
        by=by,
        piece=line.estimate.piece,
        lot=lot,
        quantity_millionths=MILLION,
        picked=True,
        used_on=day,
        note=f"Sheet {sheet_number}: {line.words}"[:200],
    )
    if taken.to_fix is not None or len(taken.uses) != 1 or taken.uses[0].lot_id != lot.pk:
        raise ValidationError(f"There is no whole sheet of “{lot}” left.")
    use = taken.uses[0]
    # The row first: should two post at once, the database lets one through before any offcut is made.
    done = SawnSheet(line=line, sheet=sheet_number, lot=lot, use=use, sawn_on=day, created_by=by)
    done.full_clean()
    done.save()
    offcuts = [
        stock.keep_offcut(lot, by=by, length=offcut.length, width=offcut.width, out_of=use, on=day)
        for offcut in sheet.offcuts
    ]
    done.offcuts.set(offcuts)
    _release(line, lot)
    uncut = CutPart.objects.filter(line=line, sheet=sheet_number, cut_at__isnull=True)
    uncut.update(cut_at=timezone.now(), cut_by=by)
    return done


def _plan_of(line: EstimateLine) -> sawing.Plan:
    if line.is_void or line.layout is None:
        raise ValidationError("There is no sawing plan.")
    return sawing.read(line.layout)


def _lot_for(line: EstimateLine, sheet: sawing.PlanSheet) -> Lot:
    """The lot the sheet comes from: the one the plan names, or the oldest whole sheets of the material it was to buy."""
    if sheet.source.where == "stock":
        lot = Lot.objects.live().with_left().filter(pk=sheet.source.key).first()
        if lot is None or lot.left_millionths < MILLION:
            raise ValidationError(f"“{sheet.source.name}” is used up or gone: reckon the plan anew.")
        return lot
    material = Material.objects.filter(pk=sheet.source.key).first()
    if material is None:
        raise ValidationError("That material is gone from the list.")
    for lot, free in lots_for([material], line=line, include=(StockKind.SHEET,)):
        same_size = all(
            not getattr(lot, f"{side}_nm") or getattr(lot, f"{side}_nm") == getattr(sheet, side).nm
            for side in ("length", "width")
        )
        if free >= 1 and same_size:
            return lot
    raise ValidationError(
        f"There is no sheet of {sheet.source.name} in stock yet. Enter its receipt, or the lot, first."
    )


def _release(line: EstimateLine, lot: Lot) -> None:
    """What was counted on has been taken."""
    claim = line.claims.filter(lot=lot).first()
    if claim is None:
        return
    claim.quantity_millionths -= MILLION
    if claim.quantity_millionths > 0:
        claim.save()
    else:
        claim.delete()


@transaction.atomic
def unsaw(done: SawnSheet, *, by: Person, reason: str) -> None:
    """Takes a posted sheet back: its offcuts leave stock and the sheet is on hand again.

    Refused once an offcut of it has been used.
    """
    now = SawnSheet.objects.select_for_update().get(pk=done.pk)
    if now.is_void:
        return
    for offcut in now.offcuts.live():
        stock.refuse_used(offcut)
        cut = Use.objects.live().filter(into=offcut, kind=UseKind.INTO_OFFCUT).first()
        if cut is not None:
            # What the offcut took comes back to the use it was taken out of.
            whole = Use.objects.select_for_update().get(sawn_sheet=now)
            amount = cut.quantity_millionths
            stock.void_use(cut, by=by, reason=reason)
            whole.quantity_millionths += amount
            whole.save()
        elif offcut.origin == Origin.OFFCUT:
            stock.void_lot(offcut, by=by, reason=reason)
    if now.use is not None:
        stock.void_use(now.use, by=by, reason=reason)
    now.void(by=by, reason=reason)


@undoable("sawn")
def unsaw_at_once(record: models.Model, by: Person) -> str:
    """A sheet just posted is taken back."""
    if not isinstance(record, SawnSheet):
        raise CannotUndo("That can't be taken back.")
    try:
        unsaw(record, by=by, reason=stock.AT_ONCE)
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return "The sheet is whole again; its parts stay ticked."


def progress(lines: list[EstimateLine]) -> dict[int, tuple[int, int]]:
    """Parts cut and parts in all of each plan, by the line's id; one query."""
    rows = CutPart.objects.filter(line__in=lines).values("line")
    counted: Any = rows.annotate(
        cut=models.Count("pk", filter=models.Q(cut_at__isnull=False)), total=models.Count("pk")
    ).order_by()
    return {row["line"]: (row["cut"], row["total"]) for row in counted}
