"""Stock: lots coming in, uses taken from them, and what every use costs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone
from django.utils.formats import date_format

from finishes.measures import Length
from flips.actions.materials import price_from_receipt
from flips.actions.undo import CannotUndo, undoable
from flips.amounts import BadAmount, by_area, in_words, millionths, take_from
from flips.books import Kind, Line, Method, Moved, cost_stock
from flips.models import (
    MILLION,
    Attempt,
    Lot,
    Measured,
    Origin,
    Part,
    Person,
    Piece,
    ReceiptLine,
    Shop,
    StockKind,
    StockMethod,
    Use,
    UseKind,
)
from flips.models.facts import COST_ORDER, figures_of

OUT = {
    UseKind.USED: Kind.USED,
    UseKind.WRITTEN_OFF: Kind.LOT_WRITTEN_OFF,
    UseKind.SHRINKAGE: Kind.SHRINKAGE,
    UseKind.INTO_OFFCUT: Kind.OFFCUT,
}
AT_ONCE = "taken back at once"


# What uses cost


def recost(lots: Iterable[Lot]) -> None:
    """Writes the cost of every use of ``lots`` anew, and of the offcuts cut from them and their uses in turn.

    Oldest lot first leaves other lots alone; with averaged costs every lot of the same material is costed again.
    Call it inside the transaction that changed the lots or their uses, with their rows locked.
    """
    average = _method() is Method.AVERAGE
    scope: dict[int, Lot] = {}
    wanted = {lot.pk for lot in lots}
    while wanted:
        found = list(Lot.objects.live().filter(pk__in=wanted))
        if average:
            found += _alike(found)
        scope |= {lot.pk: lot for lot in found}
        cuts = Use.objects.live().filter(lot__in=scope, into__isnull=False)
        wanted = set(cuts.values_list("into_id", flat=True)) - set(scope)
    if scope:
        _write_costs(scope, average=average)


def _alike(lots: Iterable[Lot]) -> list[Lot]:
    """Live lots of the same materials; one query, by name first: a condition a material is too long for SQLite."""
    materials = {(lot.name, lot.unit) for lot in lots if lot.is_pooled}
    if not materials:
        return []
    rows = Lot.objects.live().filter(name__in={name for name, _ in materials}).exclude(kind=StockKind.OFFCUT)
    return [lot for lot in rows if (lot.name, lot.unit) in materials]


def recost_everything() -> None:
    """Costs all uses anew, as after another way of costing was chosen."""
    with transaction.atomic():
        recost(Lot.objects.select_for_update().filter(voided_at__isnull=True))


def _method() -> Method:
    shop = Shop.current()
    return Method.AVERAGE if shop and shop.stock_method == StockMethod.AVERAGE else Method.FIFO


def _write_costs(scope: dict[int, Lot], *, average: bool) -> None:
    uses = {use.pk: use for use in Use.objects.live().filter(lot__in=scope)}
    cut = {use.into_id for use in uses.values() if use.into_id}
    moves = [_comes_in(lot) for lot in scope.values() if lot.pk not in cut]
    moves += [_goes_out(use, scope) for use in uses.values()]
    stocked = cost_stock(
        moves,
        method=Method.AVERAGE if average else Method.FIFO,
        material_of={lot.pk: lot.material_key for lot in scope.values() if lot.is_pooled},
    )
    if stocked.problems:
        raise ValidationError(" ".join(problem.reason for problem in stocked.problems))
    for line in stocked.lines:
        if line.source[0] != "use":
            continue
        use = uses[int(line.source[1])]
        if use.cost_cents != line.cents:
            use.cost_cents = line.cents
            use.save(update_fields=["cost_cents"])
        offcut = scope.get(use.into_id) if use.into_id else None
        if offcut is not None and offcut.cost_cents != line.cents:
            offcut.cost_cents = line.cents
            offcut.save(update_fields=["cost_cents"])


def _comes_in(lot: Lot) -> Moved:
    salvaged = lot.origin == Origin.SALVAGE and lot.salvaged_from_id is not None
    kind = (
        Kind.SALVAGED if salvaged else Kind.LOT_OPENING if lot.origin == Origin.OPENING else Kind.LOT_BOUGHT
    )
    line = Line(
        kind=kind,
        on=lot.came_on,
        cents=lot.cost_cents,
        piece=lot.salvaged_from_id if salvaged else None,
        lot=None if salvaged else lot.pk,
        into=lot.pk if salvaged else None,
        source=("lot", lot.pk),
    )
    quantity = lot.quantity
    return Moved(line, into_quantity=quantity) if salvaged else Moved(line, quantity)


def _goes_out(use: Use, scope: dict[int, Lot]) -> Moved:
    into = scope.get(use.into_id) if use.into_id else None
    line = Line(
        kind=OUT[UseKind(use.kind)],
        on=use.used_on,
        piece=use.piece_id if use.kind == UseKind.USED else None,
        lot=use.lot_id,
        into=into.pk if into else None,
        order=COST_ORDER,
        source=("use", use.pk),
    )
    return Moved(line, use.quantity, into.quantity if into else Fraction(0))


# Taking material


@dataclass(frozen=True)
class Taken:
    """What came of logging a use: one use a lot, and perhaps one whose lot is unknown."""

    uses: tuple[Use, ...]

    @property
    def to_fix(self) -> Use | None:
        """The part that no lot could give."""
        return next((use for use in self.uses if use.is_to_fix), None)


@transaction.atomic
def take(
    *,
    by: Person,
    piece: Piece,
    lot: Lot,
    quantity_millionths: int | None = None,
    picked: bool = False,
    used_on: date | None = None,
    attempt: Attempt | None = None,
    part: Part | None = None,
    **fields: Any,
) -> Taken:
    """Logs material of the kind of ``lot`` used on a piece: oldest lot first, or ``lot`` itself first when ``picked``.

    None takes all that is left of the first of them. What one lot can't give comes from the next; what none can give
    is kept as a use without a lot, to be fixed later. Raises ValidationError.
    """
    day = _day(used_on)
    _check_place(piece, attempt, part)
    if Lot.objects.filter(pk=lot.pk, voided_at__isnull=False).exists():
        raise ValidationError("That lot has been voided. Choose another.")
    choices = lock(lot)
    if picked:
        choices.sort(key=lambda one: one.pk != lot.pk)
    held = [(one.pk, one.left_millionths) for one in choices if one.came_on <= day]
    if quantity_millionths is None:
        first = next(((pk, left) for pk, left in held if left > 0), None)
        if first is None or (picked and first[0] != lot.pk):
            raise ValidationError(
                "Nothing is left of it. Write how much you used, and put the lot right later."
            )
        quantity_millionths = first[1]
    picks, missing = take_from(held, quantity_millionths)
    known = {one.pk: one for one in choices}
    common = {"piece": piece, "attempt": attempt, "part": part, "used_on": day, **fields}
    # One instant for all of them: that is how undo knows what belongs together.
    at = timezone.now()
    uses = [_new_use(by, at, lot=known[pk], quantity_millionths=amount, **common) for pk, amount in picks]
    if missing:
        uses.append(_new_use(by, at, material=lot.name, unit=lot.unit, quantity_millionths=missing, **common))
    recost(known[pk] for pk, _ in picks)
    return Taken(tuple(uses))


@transaction.atomic
def take_unknown(
    *,
    by: Person,
    piece: Piece,
    material: str,
    quantity_millionths: int,
    unit: str = "",
    used_on: date | None = None,
    attempt: Attempt | None = None,
    part: Part | None = None,
    **fields: Any,
) -> Taken:
    """Logs material that is in no lot yet; it costs nothing until its lot is named."""
    _check_place(piece, attempt, part)
    use = _new_use(
        by,
        timezone.now(),
        piece=piece,
        material=tidy(material),
        unit=tidy(unit),
        quantity_millionths=quantity_millionths,
        used_on=_day(used_on),
        attempt=attempt,
        part=part,
        **fields,
    )
    return Taken((use,))


def _new_use(by: Person, at: datetime, **fields: Any) -> Use:
    use = Use(created_by=by, created_at=at, kind=UseKind.USED, **fields)
    use.full_clean()
    use.save()
    return use


def _day(used_on: date | None) -> date:
    today = timezone.localdate()
    if used_on is not None and used_on > today:
        raise ValidationError({"used_on": "That day is still to come."})
    return used_on or today


def _check_place(piece: Piece, attempt: Attempt | None, part: Part | None) -> None:
    if piece.is_void or piece.is_find:
        raise ValidationError(f"“{piece}” is not in the shop: buy it first.")
    if attempt is not None and attempt.piece_id != piece.pk:
        raise ValidationError({"attempt": "That attempt is on another piece."})
    if part is not None and part.piece_id != piece.pk:
        raise ValidationError({"part": "That part is of another piece."})


def lock(*lots: Lot) -> list[Lot]:
    """The lots of the same materials, locked, then read with what is left of each; oldest first."""
    keys = {lot.pk for lot in lots} | {lot.pk for lot in _alike(lots)}
    # Locking first: a query that sums can't lock.
    list(Lot.objects.select_for_update().filter(pk__in=keys).order_by("pk"))
    return list(Lot.objects.live().with_left().filter(pk__in=keys).order_by("came_on", "pk"))


# Putting uses right


@transaction.atomic
def correct(
    use: Use,
    *,
    by: Person,
    quantity_millionths: int,
    used_on: date,
    lot: Lot | None = None,
    attempt: Attempt | None = None,
    part: Part | None = None,
    **fields: Any,
) -> Taken:
    """Corrects a use, or names its lot; what the lot can't give spills over as in ``take``. Costs follow.

    Raises ValidationError when nothing is left of the lot, or it came in after the day of the use.
    """
    now = Use.objects.select_for_update().get(pk=use.pk)
    if now.is_void:
        raise ValidationError("That use has been voided.")
    if now.kind == UseKind.INTO_OFFCUT:
        raise ValidationError("An offcut's share follows from its size. Void it and cut it anew.")
    if now.piece is not None:
        _check_place(now.piece, attempt, part)
    day = _day(used_on)
    before = now.lot
    rows = lock(*(one for one in (before, lot) if one is not None))
    now.used_on, now.attempt, now.part = day, attempt, part
    for name, value in fields.items():
        setattr(now, name, value)
    if lot is None:
        if before is not None:
            raise ValidationError({"lot": "Say which lot it came from."})
        now.quantity_millionths = quantity_millionths
        now.full_clean()
        now.save()
        return Taken((now,))
    chosen = next((row for row in rows if row.pk == lot.pk), None)
    if chosen is None:
        raise ValidationError({"lot": "That lot has been voided. Choose another."})
    if chosen.came_on > day:
        raise ValidationError(
            {"lot": f"That lot came in on {_on(chosen.came_on)}, after this use. Change the lot or the day."}
        )
    own = now.quantity_millionths if before is not None else 0
    held = [
        (row.pk, row.left_millionths + (own if before and row.pk == before.pk else 0))
        for row in sorted(rows, key=lambda row: row.pk != chosen.pk)
        if row.came_on <= day and row.material_key == chosen.material_key
    ]
    picks, missing = take_from(held, quantity_millionths)
    if not picks or picks[0][0] != chosen.pk:
        raise ValidationError({"lot": "Nothing is left of that lot. Choose another."})
    if now.kind != UseKind.USED and (missing or len(picks) > 1):
        raise ValidationError(
            {"quantity_millionths": f"Only {in_words(held[0][1], chosen.unit)} is left of it."}
        )
    known = {row.pk: row for row in rows}
    now.lot, now.material, now.unit = chosen, "", ""
    now.quantity_millionths = picks[0][1]
    now.full_clean()
    now.save()
    at = timezone.now()
    common = {
        "piece": now.piece,
        "attempt": attempt,
        "part": part,
        "used_on": day,
        "measured": now.measured,
        "measured_text": now.measured_text,
    }
    more = [_new_use(by, at, lot=known[pk], quantity_millionths=amount, **common) for pk, amount in picks[1:]]
    if missing:
        more.append(
            _new_use(by, at, material=chosen.name, unit=chosen.unit, quantity_millionths=missing, **common)
        )
    recost([known[pk] for pk, _ in picks] + ([before] if before is not None else []))
    return Taken((now, *more))


@transaction.atomic
def void_use(use: Use, *, by: Person, reason: str) -> None:
    """Takes a use out of the figures; what it took is on hand again and later uses are costed anew.

    The share of an offcut goes back with the offcut, which must not have been used itself.
    """
    now = Use.objects.select_for_update().get(pk=use.pk)
    if now.is_void:
        return
    at = timezone.now()
    lots = lock(now.lot) if now.lot is not None else []
    if now.into is not None:
        lock(now.into)
        refuse_used(now.into)
        now.into.void(by=by, reason=reason, at=at)
    now.void(by=by, reason=reason, at=at)
    recost(lot for lot in lots if lot.pk == now.lot_id)


@transaction.atomic
def restore_use(use: Use) -> None:
    """Counts a voided use again; refused once the lot has been used up otherwise."""
    now = Use.objects.select_for_update().get(pk=use.pk)
    if not now.is_void:
        return
    if now.lot is not None:
        left = {lot.pk: lot.left_millionths for lot in lock(now.lot)}
        if left.get(now.lot.pk, 0) < now.quantity_millionths:
            raise ValidationError("The lot has been used or voided since.")
    if now.into is not None and now.into.voided_at == now.voided_at:
        now.into.restore()
    now.restore()
    if now.lot is not None:
        recost([now.lot])


@undoable("used")
def unuse(record: models.Model, by: Person) -> str:
    """Every use that was logged in the same moment is voided."""
    if not isinstance(record, Use):
        raise CannotUndo("That can't be taken back.")
    for use in Use.objects.live().filter(
        created_at=record.created_at, created_by=record.created_by_id, piece=record.piece_id
    ):
        void_use(use, by=by, reason=AT_ONCE)
    return "Not used after all."


@undoable("use_voided")
def unvoid_use(record: models.Model, _by: Person) -> str:
    """A use that was just voided counts again."""
    if not isinstance(record, Use):
        raise CannotUndo("That can't be taken back.")
    try:
        restore_use(record)
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return "It counts again."


@transaction.atomic
def write_off(
    lot: Lot, *, by: Person, reason: str, quantity_millionths: int | None = None, on: date | None = None
) -> Use:
    """Writes off what dried out or broke: all that is left, or part of it. Raises ValidationError."""
    now = next((row for row in lock(lot) if row.pk == lot.pk), None)
    if now is None:
        raise ValidationError("That lot has been voided.")
    left = now.left_millionths
    day = _day(on)
    if day < now.came_on:
        raise ValidationError({"on": f"It came in on {_on(now.came_on)}."})
    amount = left if quantity_millionths is None else quantity_millionths
    if not left:
        raise ValidationError("Nothing is left of it.")
    if amount > left:
        raise ValidationError({"quantity": f"Only {in_words(left, now.unit)} is left."})
    if not reason.strip():
        raise ValidationError({"reason": "Say why."})
    picks, _ = take_from([(now.pk, left)], amount)
    use = Use(
        lot=now,
        kind=UseKind.WRITTEN_OFF,
        quantity_millionths=picks[0][1],
        measured=Measured.REST if quantity_millionths is None else Measured.QUANTITY,
        used_on=day,
        note=reason.strip(),
        created_by=by,
    )
    use.full_clean()
    use.save()
    recost([now])
    return use


@transaction.atomic
def keep_offcut(
    lot: Lot,
    *,
    by: Person,
    length: Length,
    width: Length,
    out_of: Use | None = None,
    on: date | None = None,
    place: str = "",
) -> Lot:
    """Puts an offcut of one sheet or board of ``lot`` into stock, with its share of the cost by area.

    It is cut from what is left, or taken back ``out_of`` a use that had taken the whole sheet. Where the shop lets
    offcuts carry no cost, the cost stays where it is. Raises ValidationError.
    """
    now = next((row for row in lock(lot) if row.pk == lot.pk), None)
    if now is None or not now.length_nm or not now.width_nm:
        raise ValidationError("Write the length and width of the lot first.")
    try:
        share = by_area(length.by(width), Length(now.length_nm).by(Length(now.width_nm)))
    except BadAmount as bad:
        raise ValidationError({"length": str(bad)}) from bad
    if min(length.nm, width.nm) > min(now.length_nm, now.width_nm) or max(length.nm, width.nm) > max(
        now.length_nm, now.width_nm
    ):
        raise ValidationError({"length": f"It is larger than the {now.unit} it was cut from."})
    day = _day(on if out_of is None else max(on or out_of.used_on, out_of.used_on))
    if day < now.came_on:
        raise ValidationError({"on": f"It came in on {_on(now.came_on)}."})
    amount = max(1, millionths(share))
    carries = Shop.objects.filter(offcuts_carry_cost=True).exists()
    taken_back = None
    if out_of is not None:
        taken_back = Use.objects.select_for_update().get(pk=out_of.pk)
        if taken_back.is_void or taken_back.lot_id != now.pk or taken_back.quantity_millionths <= amount:
            raise ValidationError({"out_of": "That use did not take as much."})
    elif carries and now.left_millionths < amount:
        raise ValidationError("Less than that is left. Say which use took the sheet it was cut from.")
    offcut = Lot(
        name=now.name if now.kind == StockKind.OFFCUT else f"{now.name}, offcut"[:120],
        kind=StockKind.OFFCUT,
        unit="piece",
        quantity_millionths=MILLION,
        cost_cents=0,
        origin=Origin.OFFCUT,
        cut_from=now,
        came_on=day,
        length_nm=length.nm,
        length_text=length.text,
        width_nm=width.nm,
        width_text=width.text,
        thickness_nm=now.thickness_nm,
        thickness_text=now.thickness_text,
        place=place,
        created_by=by,
    )
    offcut.full_clean()
    offcut.save()
    if carries:
        if taken_back is not None:
            taken_back.quantity_millionths -= amount
            taken_back.save()
        cut = Use(
            lot=now,
            kind=UseKind.INTO_OFFCUT,
            into=offcut,
            quantity_millionths=amount,
            used_on=day,
            created_by=by,
        )
        cut.full_clean()
        cut.save()
        recost([now])
        offcut.refresh_from_db()
    return offcut


# Lots


def tidy(text: str) -> str:
    """A name without stray spaces."""
    return " ".join(text.split())


def known_spelling(name: str) -> str:
    """The name as an earlier lot spells it, so that "shellac" and "Shellac" are one material."""
    tidied = tidy(name)
    return Lot.objects.filter(name__iexact=tidied).values_list("name", flat=True).first() or tidied


@transaction.atomic
def add_lot(*, by: Person, name: str, origin: str, cost_cents: int = 0, **fields: Any) -> Lot:
    """A lot that came in without a receipt line: there from the start, found, or salvaged from a piece.

    Raises ValidationError: a found one costs nothing, and salvage never carries more than its piece had in it.
    """
    lot = Lot(name=known_spelling(name), origin=origin, cost_cents=cost_cents, created_by=by, **fields)
    lot.unit = tidy(lot.unit)
    if lot.came_on > timezone.localdate():
        raise ValidationError({"came_on": "That day is still to come."})
    if origin == Origin.FOUND and cost_cents:
        raise ValidationError({"cost_cents": "What was found cost nothing. If it was paid for, say bought."})
    if origin == Origin.SALVAGE:
        _check_salvage(lot)
    lot.full_clean()
    lot.save()
    # Where costs are averaged, what came in earlier than today's uses changes what they cost.
    recost([lot])
    return lot


def _check_salvage(lot: Lot) -> None:
    piece = lot.salvaged_from
    if piece is None:
        if lot.cost_cents:
            raise ValidationError(
                {"salvaged_from": "Say which piece it came from, so that its cost goes along."}
            )
        return
    if piece.is_find or piece.is_void:
        raise ValidationError({"salvaged_from": "That piece was never bought."})
    shop = Shop.current()
    if not lot.cost_cents or shop is None:
        return
    figures = figures_of([piece.pk], shop=shop).get(piece.pk)
    own = 0 if lot.pk is None else Lot.objects.get(pk=lot.pk).cost_cents
    if lot.cost_cents > (figures.basis if figures else 0) + own:
        raise ValidationError(
            {"cost_cents": "That is more than the piece has cost. Salvage carries no more."}
        )


# A receipt line, or the cut, says what these cost; nothing else may.
LOT_FIELDS = frozenset(
    {
        "name", "kind", "unit", "quantity_millionths", "cost_cents", "came_on", "opened_on", "place", "low_millionths",
        "note", "length_nm", "length_text", "width_nm", "width_text", "thickness_nm", "thickness_text", "full_mass_ng",
        "density_g_per_l", "salvaged_from",
    }
)  # fmt: skip


@transaction.atomic
def change_lot(lot: Lot, **fields: Any) -> Lot:
    """Corrects a lot; its uses, and those of lots costed with it, are costed anew. Raises ValidationError."""
    rows = lock(lot)
    now = next((row for row in rows if row.pk == lot.pk), None)
    if now is None:
        raise ValidationError("That lot has been voided.")
    used = now.uses_total()[0]
    fresh = Lot.objects.get(pk=lot.pk)
    for name, value in fields.items():
        if name not in LOT_FIELDS:
            raise TypeError(f"A lot's {name} can't be changed.")
        setattr(fresh, name, value)
    if fresh.quantity_millionths < used:
        raise ValidationError(
            {"quantity_millionths": f"{in_words(used, now.unit)} of it has been used already."}
        )
    fixed: list[str] = []
    if fresh.origin == Origin.OFFCUT:
        fixed = ["cost_cents", "came_on", "quantity_millionths"]
    elif line_behind(now) is not None:
        fixed = ["cost_cents", "came_on"]
    for name in fixed:
        if getattr(fresh, name) != getattr(now, name):
            raise ValidationError({name: "That follows from the cut or from its receipt."})
    first = now.uses.live().order_by("used_on").values_list("used_on", flat=True).first()
    if first is not None and fresh.came_on > first:
        raise ValidationError({"came_on": f"It was used on {_on(first)} already."})
    if fresh.came_on > timezone.localdate():
        raise ValidationError({"came_on": "That day is still to come."})
    fresh.unit = tidy(fresh.unit)
    if tidy(fresh.name).casefold() != now.name.casefold():
        fresh.name = known_spelling(fresh.name)
    fresh.name = tidy(fresh.name)
    if fresh.origin == Origin.FOUND and fresh.cost_cents:
        raise ValidationError({"cost_cents": "What was found cost nothing."})
    if fresh.origin == Origin.SALVAGE:
        _check_salvage(fresh)
    fresh.full_clean()
    fresh.save()
    recost([*rows, fresh])
    if (line := line_behind(fresh)) is not None:
        price_from_receipt(line)
    return fresh


def line_behind(lot: Lot) -> ReceiptLine | None:
    """The receipt line that brought a lot in, unless it has been voided."""
    return ReceiptLine.objects.live().filter(lot=lot).select_related("receipt").first()


def refuse_used(lot: Lot) -> None:
    """Refuses when something hangs on a lot that is about to be voided, and says what to do."""
    uses = list(lot.uses.live().select_related("piece", "lot").order_by("pk")[:2])
    if not uses:
        return
    use = uses[0]
    amount = in_words(use.quantity_millionths, lot.unit)
    if use.kind == UseKind.USED:
        where = f"for “{use.piece}”"
    else:
        where = f"({use.get_kind_display().lower()})"
    more = ", and more besides" if len(uses) > 1 else ""
    raise ValidationError(
        f"{amount} of “{lot}” has been used {where}{more}. Name another lot on those uses or void them first."
    )


@transaction.atomic
def void_lot(lot: Lot, *, by: Person, reason: str, at: datetime | None = None) -> None:
    """Takes a lot out of stock and of the figures; refused while uses hang on it or a receipt line stands behind it.

    An offcut goes back into what it was cut from.
    """
    list(Lot.objects.select_for_update().filter(pk=lot.pk))
    now = Lot.objects.get(pk=lot.pk)
    if now.is_void:
        return
    refuse_used(now)
    if line_behind(now) is not None:
        raise ValidationError("Its receipt line brought it in: void that line.")
    cut = Use.objects.live().filter(into=now).first()
    if cut is not None:
        void_use(cut, by=by, reason=reason)
        return
    others = [row for row in lock(now) if row.pk != now.pk]
    now.void(by=by, reason=reason, at=at)
    recost(others)


@undoable("lot_made")
def unmake_lot(record: models.Model, by: Person) -> str:
    """A lot just entered is voided."""
    if not isinstance(record, Lot):
        raise CannotUndo("That can't be taken back.")
    try:
        void_lot(record, by=by, reason=AT_ONCE)
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return "The lot is taken out again."


def _on(day: date) -> str:
    return date_format(day, "j M Y")
