"""Ends of a piece without a sale: scrapped for parts, kept, given away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from flips.actions.pieces import move, move_back
from flips.actions.stock import add_lot, void_lot
from flips.actions.undo import CannotUndo, undoable
from flips.models import Lot, Origin, Person, Piece, Shop, Stage, StageChange, StockKind
from flips.models.facts import figures_of


@dataclass(frozen=True)
class Salvaged:
    """Parts saved from a piece: what, how much of it, and what of the basis goes with them."""

    name: str
    quantity_millionths: int
    cost_cents: int
    unit: str = "piece"
    place: str = ""


@transaction.atomic
def end_piece(
    piece: Piece,
    stage: str,
    *,
    by: Person,
    on: date | None = None,
    reason: str = "",
    salvage: Sequence[Salvaged] = (),
) -> StageChange:
    """Ends a piece; salvage goes into stock with its share of the basis and the rest of it is written off.

    Raises ValidationError when the salvage would carry more than the piece has cost, or the piece can't end so.
    """
    if stage not in (Stage.SCRAPPED, Stage.KEPT, Stage.GIVEN_AWAY):
        raise ValidationError("A piece ends scrapped, kept or given away.")
    day = on or timezone.localdate()
    if day > timezone.localdate():
        raise ValidationError({"on": "That day is still to come."})
    if salvage and stage != Stage.SCRAPPED:
        raise ValidationError("Only a piece that is scrapped gives parts to the stock.")
    now = Piece.objects.select_for_update().get(pk=piece.pk)
    shop = Shop.current()
    figures = figures_of([now.pk], shop=shop).get(now.pk) if shop else None
    basis = figures.basis if figures else 0
    if sum(one.cost_cents for one in salvage) > basis:
        raise ValidationError("The parts would carry more than the piece has cost. Salvage carries no more.")
    for one in salvage:
        add_lot(
            by=by,
            name=one.name,
            origin=Origin.SALVAGE,
            cost_cents=one.cost_cents,
            kind=StockKind.SALVAGE,
            unit=one.unit or "piece",
            quantity_millionths=one.quantity_millionths,
            came_on=day,
            salvaged_from=now,
            place=one.place,
        )
    return move(now, stage, by=by, on=day, reason=reason)


@undoable("ended")
def unend_piece(record: models.Model, by: Person) -> str:
    """A piece just ended is back where it was, and what was salvaged from it is out of stock again."""
    if not isinstance(record, StageChange):
        raise CannotUndo("That can't be taken back.")
    lots = Lot.objects.live().filter(
        salvaged_from=record.piece_id, came_on=record.on, created_at__gte=record.piece.created_at
    )
    try:
        for lot in lots:
            # What was salvaged on an earlier occasion stays in stock.
            if abs((record.created_at - lot.created_at).total_seconds()) < SAME_MOMENT_SECONDS:
                void_lot(lot, by=by, reason="taken back at once")
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return move_back(record, by)


SAME_MOMENT_SECONDS = 5
