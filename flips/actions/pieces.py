"""From first sight to a bought piece, and from stage to stage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from estimating.money import split
from flips.actions.photos import keep_photos
from flips.actions.undo import CannotUndo, undoable
from flips.models import Moment, Person, Piece, Purchase, PurchaseShare, Stage, StageChange
from flips.photos import PreparedPhoto

UNNAMED = "Only a photo so far"


@transaction.atomic
def log_find(
    *,
    by: Person,
    what: str = "",
    photos: Sequence[PreparedPhoto] = (),
    seen_on: date | None = None,
    **fields: Any,
) -> Piece:
    """A new find with its first photos; a photo alone will do, and waits among the unfinished entries."""
    name = what.strip()
    if not name and not photos:
        raise ValidationError({"what": "Say what it is, or add a photo."})
    piece = Piece(
        what=name or UNNAMED,
        unnamed=not name,
        created_by=by,
        seen_on=seen_on or timezone.localdate(),
        **fields,
    )
    piece.stage_on = piece.seen_on
    piece.full_clean()
    piece.save()
    StageChange.objects.create(piece=piece, stage=Stage.SEEN, on=piece.seen_on, created_by=by)
    keep_photos(photos, by=by, piece=piece, moment=Moment.BEFORE)
    return piece


@transaction.atomic
def move(piece: Piece, stage: str, *, by: Person, on: date | None = None, reason: str = "") -> StageChange:
    """Moves a piece by hand to one of ``piece.next_stages``, dated; raises ValidationError otherwise."""
    piece = Piece.objects.select_for_update().get(pk=piece.pk)
    if stage not in piece.next_stages:
        raise ValidationError(
            f"A piece that is {piece.get_stage_display().lower()} can't be moved there by hand."
        )
    if stage in (Stage.PASSED, Stage.SCRAPPED) and not reason.strip():
        raise ValidationError({"reason": "Say why."})
    return set_stage(piece, stage, by=by, on=on or timezone.localdate(), reason=reason.strip())


def set_stage(piece: Piece, stage: str, *, by: Person, on: date, reason: str = "") -> StageChange:
    """Writes a stage change and the stage itself together; the one place where either is written."""
    change = StageChange(piece=piece, stage=stage, on=on, reason=reason, created_by=by)
    change.full_clean()
    change.save()
    piece.stage, piece.stage_on = stage, on
    piece.save(update_fields=["stage", "stage_on"])
    return change


@undoable("moved")
def move_back(record: models.Model, by: Person) -> str:
    """The last stage change is voided and the piece is where it was before."""
    if not isinstance(record, StageChange):
        raise CannotUndo("That can't be taken back.")
    piece = Piece.objects.select_for_update().get(pk=record.piece_id)
    live = list(piece.stage_changes.live().order_by("pk"))
    if not live or live[-1].pk != record.pk or len(live) < 2:
        raise CannotUndo("The piece has moved on since.")
    record.void(by=by, reason="taken back at once")
    before = live[-2]
    piece.stage, piece.stage_on = before.stage, before.on
    piece.save(update_fields=["stage", "stage_on"])
    return f"It is {piece.get_stage_display().lower()} again."


@transaction.atomic
def buy(
    *, by: Person, weights: Mapping[Piece, int], photos: Sequence[PreparedPhoto] = (), **fields: Any
) -> Purchase:
    """Buys one find, or several for one price split by ``weights`` to the cent, premium, tax and transport included.

    Raises ValidationError when one of them is not a find, or when no weight is above zero.
    """
    pieces = list(weights)
    if not pieces:
        raise ValidationError("Choose at least one piece.")
    locked = {
        piece.pk: piece for piece in Piece.objects.select_for_update().filter(pk__in=[p.pk for p in pieces])
    }
    for piece in pieces:
        if piece.pk not in locked or locked[piece.pk].is_void or not locked[piece.pk].is_find:
            raise ValidationError(f"“{piece}” is not a find any more: it has been bought already.")
    if not any(weights.values()):
        raise ValidationError("Give at least one piece a share above zero.")
    purchase = Purchase(created_by=by, **fields)
    purchase.full_clean()
    purchase.save()
    write_shares(purchase, {locked[piece.pk]: weight for piece, weight in weights.items()}, by=by)
    for piece in pieces:
        set_stage(locked[piece.pk], Stage.BOUGHT, by=by, on=purchase.bought_on)
    keep_photos(photos, by=by, purchase=purchase, moment=Moment.SLIP)
    return purchase


def write_shares(purchase: Purchase, weights: Mapping[Piece, int], *, by: Person) -> None:
    """Writes what each piece takes of a purchase; every column adds up to the purchase's."""
    columns = {
        name: split(getattr(purchase, name), list(weights.values()))
        for name in ("price_cents", "premium_cents", "tax_cents", "transport_cents")
    }
    for place, (piece, weight) in enumerate(weights.items()):
        share = PurchaseShare(
            purchase=purchase,
            piece=piece,
            weight=weight,
            created_by=by,
            **{name: parts[place] for name, parts in columns.items()},
        )
        share.full_clean()
        share.save()


@transaction.atomic
def change_purchase(purchase: Purchase, *, weights: Mapping[int, int] | None = None, **fields: Any) -> None:
    """Corrects a purchase and splits it anew by its weights (by piece id; the old ones where none are given)."""
    for name, value in fields.items():
        setattr(purchase, name, value)
    purchase.full_clean()
    purchase.save()
    shares = list(purchase.shares.live().select_for_update())
    given = [weights.get(share.piece_id, share.weight) if weights else share.weight for share in shares]
    if not any(given):
        raise ValidationError("Give at least one piece a share above zero.")
    for name in ("price_cents", "premium_cents", "tax_cents", "transport_cents"):
        for share, part in zip(shares, split(getattr(purchase, name), given), strict=True):
            setattr(share, name, part)
    for share, weight in zip(shares, given, strict=True):
        share.weight = weight
        share.full_clean()
        share.save()


@transaction.atomic
def void_purchase(purchase: Purchase, *, by: Person, reason: str) -> None:
    """Takes a purchase out of the figures; its pieces are finds again. Refused once one of them has gone on."""
    shares = list(purchase.shares.live().select_related("piece"))
    for share in shares:
        if share.piece.stage not in (Stage.BOUGHT, Stage.IN_WORK):
            raise ValidationError(
                f"“{share.piece}” is {share.piece.get_stage_display().lower()}: take that back first."
            )
    for share in shares:
        share.void(by=by, reason=reason)
        piece = Piece.objects.select_for_update().get(pk=share.piece_id)
        for change in piece.stage_changes.live().exclude(stage__in=(Stage.SEEN, Stage.PASSED)):
            change.void(by=by, reason=reason)
        piece.stage, piece.stage_on = Stage.SEEN, piece.seen_on
        piece.save(update_fields=["stage", "stage_on"])
    purchase.void(by=by, reason=reason)


@undoable("bought")
def unbuy(record: models.Model, by: Person) -> str:
    """A purchase just made is voided and its pieces are finds again."""
    if not isinstance(record, Purchase):
        raise CannotUndo("That can't be taken back.")
    try:
        void_purchase(record, by=by, reason="taken back at once")
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return "Not bought after all."
