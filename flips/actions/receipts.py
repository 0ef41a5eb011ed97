"""Receipts: photographed now, split into lines later; every line goes to one place, and tax to the cent with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone
from django.utils.formats import date_format

from estimating.money import split
from flips.actions.materials import prices_from_receipt
from flips.actions.photos import keep_photos
from flips.actions.stock import AT_ONCE, add_lot, known_spelling, recost, refuse_used, tidy
from flips.actions.undo import CannotUndo, undoable
from flips.models import (
    Destination,
    ExpenseCategory,
    LineShare,
    Lot,
    Moment,
    Origin,
    PaidWith,
    Person,
    Photo,
    Piece,
    Receipt,
    ReceiptLine,
)
from flips.models.taxes import scheme_on
from flips.photos import PreparedPhoto

TO_ONE_PIECE = (Destination.PIECE, Destination.TRANSPORT)
TO_PIECES = (Destination.SHARED, Destination.HAUL)


@transaction.atomic
def new_receipt(*, by: Person, photos: Sequence[PreparedPhoto] = (), **fields: Any) -> Receipt:
    """A receipt with its photos; it waits in the inbox for its lines. Raises ValidationError for an empty one."""
    receipt = Receipt(created_by=by, **fields)
    receipt.shop_name = tidy(receipt.shop_name)
    if not photos and not receipt.shop_name and receipt.total_cents is None:
        raise ValidationError("Add a photo, or write the shop or the total.")
    _check_head(receipt)
    receipt.full_clean()
    receipt.save()
    keep_photos(photos, by=by, receipt=receipt, moment=Moment.SLIP)
    return receipt


def _check_head(receipt: Receipt) -> None:
    if receipt.bought_on > timezone.localdate():
        raise ValidationError({"bought_on": "That day is still to come."})
    if receipt.total_cents is not None and receipt.tax_cents > receipt.total_cents:
        raise ValidationError({"tax_cents": "The tax is more than the total."})


@transaction.atomic
def add_photos(receipt: Receipt, photos: Sequence[PreparedPhoto], *, by: Person) -> list[Photo]:
    """More photos of the same slip."""
    _open(receipt)
    return keep_photos(photos, by=by, receipt=receipt, moment=Moment.SLIP)


@transaction.atomic
def change_receipt(receipt: Receipt, **fields: Any) -> Receipt:
    """Corrects the head of a receipt; tax is spread anew, lots take the day, and what was used is costed anew."""
    now = _open(receipt)
    for name, value in fields.items():
        setattr(now, name, value)
    now.shop_name = tidy(now.shop_name)
    _check_head(now)
    now.full_clean()
    now.save()
    _settle(now)
    return now


def _open(receipt: Receipt) -> Receipt:
    """The receipt itself, locked: whoever changes its lines waits here."""
    now = Receipt.objects.select_for_update().get(pk=receipt.pk)
    if now.is_void:
        raise ValidationError("That receipt has been voided.")
    return now


@transaction.atomic
def add_line(
    receipt: Receipt,
    *,
    by: Person,
    destination: str,
    text: str,
    amount_cents: int | None = None,
    taxed: bool = True,
    piece: Piece | None = None,
    category: ExpenseCategory | None = None,
    weights: Mapping[Piece, int] | None = None,
    lot: Mapping[str, Any] | None = None,
) -> ReceiptLine:
    """Adds a line; a stock line makes its lot (``lot`` holds its fields). No amount stands for the rest of the total.

    Raises ValidationError.
    """
    now = _open(receipt)
    amount = _rest_of(now) if amount_cents is None else amount_cents
    line = ReceiptLine(
        receipt=now,
        text=tidy(text),
        amount_cents=amount,
        taxed=taxed,
        destination=destination,
        piece=piece if destination in TO_ONE_PIECE else None,
        category=category if destination == Destination.EXPENSE else None,
        created_by=by,
    )
    _check_pieces([piece] if line.piece is not None else [])
    if destination == Destination.STOCK:
        line.lot = add_lot(
            by=by, origin=Origin.BOUGHT, came_on=now.bought_on, cost_cents=0, **dict(lot or {"name": text})
        )
        line.text = line.text or line.lot.name
    line.full_clean()
    line.save()
    if destination in TO_PIECES:
        _write_shares(line, weights or {}, by=by)
    _settle(now)
    line.refresh_from_db()
    return line


def _rest_of(receipt: Receipt) -> int:
    """What the total leaves for one more line before tax."""
    if receipt.total_cents is None:
        raise ValidationError({"amount_cents": "Write the amount; the receipt has no total yet."})
    placed = sum(line.amount_cents for line in receipt.lines.live())
    rest = receipt.total_cents - receipt.tax_cents - placed
    if rest <= 0:
        raise ValidationError({"amount_cents": "Write the amount: nothing of the total is left."})
    return rest


def _check_pieces(pieces: Sequence[Piece | None]) -> None:
    for piece in pieces:
        if piece is not None and (piece.is_void or piece.is_find):
            raise ValidationError({"piece": f"“{piece}” has not been bought."})


def _write_shares(line: ReceiptLine, weights: Mapping[Piece, int], *, by: Person) -> None:
    """Which pieces share a line, and how; what they take is written by ``_settle``."""
    if len(weights) < 2 or not any(weights.values()):
        raise ValidationError({"pieces": "Choose at least two pieces that share it."})
    _check_pieces(list(weights))
    old = {share.piece_id: share for share in line.shares.live().select_for_update()}
    for piece, weight in weights.items():
        share = old.pop(piece.pk, None) or LineShare(line=line, piece=piece, created_by=by, cents=0)
        if share.pk is None or share.weight != weight:
            share.weight = weight
            share.full_clean()
            share.save()
    for share in old.values():
        share.void(by=by, reason="no longer shared")


@transaction.atomic
def change_line(
    line: ReceiptLine,
    *,
    by: Person,
    text: str,
    amount_cents: int,
    taxed: bool,
    piece: Piece | None = None,
    category: ExpenseCategory | None = None,
    weights: Mapping[Piece, int] | None = None,
) -> ReceiptLine:
    """Corrects a line where it goes to; tax is spread anew and a lot that it made is costed anew, uses included."""
    receipt = _open(line.receipt)
    now = ReceiptLine.objects.select_for_update().get(pk=line.pk)
    if now.is_void:
        raise ValidationError("That line has been voided.")
    now.text, now.amount_cents, now.taxed = tidy(text), amount_cents, taxed
    if now.destination in TO_ONE_PIECE:
        if piece is not None and piece.pk != now.piece_id:
            _check_pieces([piece])
        now.piece = piece
    if now.destination == Destination.EXPENSE:
        now.category = category
    now.full_clean()
    now.save()
    if now.destination in TO_PIECES and weights is not None:
        _write_shares(now, weights, by=by)
    _settle(receipt)
    now.refresh_from_db()
    return now


def _settle(receipt: Receipt) -> None:
    """Spreads the tax over the taxed lines to the cent and passes every line's cost on to its lot or its pieces."""
    lines = list(receipt.lines.live().select_for_update().order_by("pk"))
    weights = [line.amount_cents if line.taxed else 0 for line in lines]
    taxes = split(receipt.tax_cents, weights) if any(weights) else [0] * len(lines)
    scheme = scheme_on(receipt.bought_on)
    changed: list[Lot] = []
    for line, tax in zip(lines, taxes, strict=True):
        # What she buys for herself is hers to pay in full.
        reclaims = scheme is not None and scheme.reclaims and line.destination != Destination.PRIVATE
        reclaimed = tax if reclaims else 0
        if (line.tax_cents, line.reclaimed_cents) != (tax, reclaimed):
            line.tax_cents, line.reclaimed_cents = tax, reclaimed
            line.save(update_fields=["tax_cents", "reclaimed_cents"])
        if line.destination in TO_PIECES:
            _settle_shares(line)
        elif line.lot_id is not None:
            changed += _settle_lot(line, line.lot_id, receipt.bought_on)
    if changed:
        recost(changed)
    prices_from_receipt(receipt)


def settle_from(day: date) -> None:
    """Settles every receipt with tax from a day on anew, as after another tax scheme was written down.

    Call it inside the transaction that changed the schemes.
    """
    rows = Receipt.objects.select_for_update().filter(
        voided_at__isnull=True, bought_on__gte=day, tax_cents__gt=0
    )
    for receipt in rows.order_by("pk"):
        _settle(receipt)


def _settle_shares(line: ReceiptLine) -> None:
    shares = list(line.shares.live().select_for_update().order_by("pk"))
    parts = split(line.carried_cents, [share.weight for share in shares])
    for share, cents in zip(shares, parts, strict=True):
        if share.cents != cents:
            share.cents = cents
            share.save(update_fields=["cents"])


def _settle_lot(line: ReceiptLine, lot_id: int, day: date) -> list[Lot]:
    lot = Lot.objects.select_for_update().get(pk=lot_id)
    if (lot.cost_cents, lot.came_on) == (line.carried_cents, day):
        return []
    first = lot.uses.live().order_by("used_on").values_list("used_on", flat=True).first()
    if first is not None and day > first:
        raise ValidationError(
            {
                "bought_on": f"“{lot}” was used on {date_format(first, 'j M Y')} already: it can't come in later."
            }
        )
    lot.cost_cents, lot.came_on = line.carried_cents, day
    lot.save(update_fields=["cost_cents", "came_on"])
    return [lot]


@transaction.atomic
def void_line(line: ReceiptLine, *, by: Person, reason: str) -> None:
    """Takes a line out, with the lot it made; refused while something of that lot is used. Tax is spread anew."""
    receipt = _open(line.receipt)
    now = ReceiptLine.objects.select_for_update().get(pk=line.pk)
    if now.is_void:
        return
    _void_one(now, by=by, reason=reason)
    _settle(receipt)


def _void_one(line: ReceiptLine, *, by: Person, reason: str, at: Any = None) -> None:
    at = at or timezone.now()
    if line.lot_id is not None:
        lot = Lot.objects.select_for_update().get(pk=line.lot_id)
        refuse_used(lot)
        lot.void(by=by, reason=reason, at=at)
        recost(Lot.objects.same_material(lot))
    for share in line.shares.live():
        share.void(by=by, reason=reason, at=at)
    line.void(by=by, reason=reason, at=at)


def _restore_one(line: ReceiptLine) -> None:
    """A line counts again, with all that was voided in the same moment."""
    at = line.voided_at
    if line.lot is not None and line.lot.voided_at == at:
        line.lot.restore()
    for share in line.shares.voided().filter(voided_at=at):
        share.restore()
    line.restore()


@transaction.atomic
def void_receipt(receipt: Receipt, *, by: Person, reason: str) -> None:
    """Takes a receipt out of the figures with all that it made; refused while something of a lot of it is used."""
    now = Receipt.objects.select_for_update().get(pk=receipt.pk)
    if now.is_void:
        return
    at = timezone.now()
    for line in now.lines.live().select_for_update().order_by("pk"):
        _void_one(line, by=by, reason=reason, at=at)
    now.void(by=by, reason=reason, at=at)
    prices_from_receipt(now)


@transaction.atomic
def buy_without_slip(
    *,
    by: Person,
    cost_cents: int,
    came_on: date,
    shop_name: str = "",
    paid_with: str = PaidWith.CASH,
    **lot: Any,
) -> Lot:
    """A lot paid for without a slip: a receipt of one line, so that the money is entered once and in one place."""
    receipt = new_receipt(
        by=by,
        shop_name=shop_name,
        bought_on=came_on,
        total_cents=cost_cents,
        paid_with=paid_with,
        note="No slip",
    )
    name = known_spelling(lot.pop("name"))
    line = add_line(
        receipt,
        by=by,
        destination=Destination.STOCK,
        text=name,
        amount_cents=cost_cents,
        taxed=False,
        lot={"name": name, **lot},
    )
    made = line.lot
    if made is None:
        raise AssertionError("A stock line makes a lot.")
    return made


def _refuse_undo(refused: ValidationError) -> CannotUndo:
    return CannotUndo(" ".join(refused.messages))


@undoable("receipt_made")
def unmake_receipt(record: models.Model, by: Person) -> str:
    """A receipt just entered is voided with all that it made."""
    if not isinstance(record, Receipt):
        raise CannotUndo("That can't be taken back.")
    try:
        void_receipt(record, by=by, reason=AT_ONCE)
    except ValidationError as refused:
        raise _refuse_undo(refused) from refused
    return "The receipt is taken out again."


@undoable("receipt_voided")
def unvoid_receipt(record: models.Model, _by: Person) -> str:
    """A receipt just voided counts again, with all that went with it."""
    if not isinstance(record, Receipt) or not record.is_void:
        raise CannotUndo("That can't be taken back.")
    for line in record.lines.voided().filter(voided_at=record.voided_at).select_related("lot"):
        _restore_one(line)
    record.restore()
    _settle(record)
    recost(Lot.objects.live().filter(receipt_line__receipt=record))
    return "The receipt counts again."


@undoable("line_made")
def unmake_line(record: models.Model, by: Person) -> str:
    """A line just entered is voided with the lot it made."""
    if not isinstance(record, ReceiptLine):
        raise CannotUndo("That can't be taken back.")
    try:
        void_line(record, by=by, reason=AT_ONCE)
    except ValidationError as refused:
        raise _refuse_undo(refused) from refused
    return "The line is taken out again."


@undoable("line_voided")
def unvoid_line(record: models.Model, _by: Person) -> str:
    """A line just voided counts again."""
    if not isinstance(record, ReceiptLine) or not record.is_void:
        raise CannotUndo("That can't be taken back.")
    try:
        receipt = _open(record.receipt)
        _restore_one(record)
        _settle(receipt)
        if record.lot is not None:
            recost([record.lot])
    except ValidationError as refused:
        raise _refuse_undo(refused) from refused
    return "The line counts again."


@undoable("lot_bought")
def unbuy_lot(record: models.Model, by: Person) -> str:
    """A lot bought without a slip is voided with its receipt."""
    if not isinstance(record, Lot):
        raise CannotUndo("That can't be taken back.")
    try:
        void_receipt(record.receipt_line.receipt, by=by, reason=AT_ONCE)
    except ValidationError as refused:
        raise _refuse_undo(refused) from refused
    return "The lot is taken out again."
