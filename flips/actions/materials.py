"""What can be bought and what it costs: prices as they are seen, also those that a receipt brings."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from estimating.models import IN_CANS, Material, MaterialKind, MaterialPrice, PricedBy, PriceSource
from estimating.money import round_half_up
from finishes.measures import BadMeasure, Length, Volume
from flips.actions.undo import CannotUndo, undoable
from flips.models import Lot, Person, Receipt, ReceiptLine, StockKind

# What kind of material a lot is once it is bought; offcuts and salvage are not bought.
KIND_OF_LOT: dict[str, MaterialKind] = {
    StockKind.SHEET: MaterialKind.SHEET,
    StockKind.VENEER: MaterialKind.VENEER,
    StockKind.BOARD: MaterialKind.LUMBER,
    StockKind.FINISH: MaterialKind.FINISH,
    StockKind.GLUE: MaterialKind.GLUE,
    StockKind.ABRASIVE: MaterialKind.OTHER,
    StockKind.HARDWARE: MaterialKind.HARDWARE,
    StockKind.OTHER: MaterialKind.OTHER,
}


@transaction.atomic
def add_material(*, price_cents: int | None, seen_on: date | None, **fields: Any) -> Material:
    """A new material, with its first price where one was seen. Raises ValidationError."""
    material = Material(**fields)
    material.full_clean()
    material.save()
    if price_cents is not None:
        see_price(material, cents=price_cents, seen_on=seen_on)
    return material


@transaction.atomic
def see_price(
    material: Material, *, cents: int, seen_on: date | None = None, note: str = ""
) -> MaterialPrice:
    """A price that was seen on a day; the newest day counts from then on. Raises ValidationError."""
    price = MaterialPrice(material=material, cents=cents, seen_on=seen_on or timezone.localdate(), note=note)
    price.full_clean()
    price.save()
    return price


@transaction.atomic
def forget_price(price: MaterialPrice) -> None:
    """A price noted by mistake is gone; one that a receipt brought stays with its receipt. Raises ValidationError."""
    if price.source == PriceSource.RECEIPT:
        raise ValidationError("That price is from a receipt: correct or void the receipt's line.")
    price.delete()


@undoable("price seen")
def unsee(record: models.Model, _by: Person) -> str:
    """A price just noted is taken back."""
    if not isinstance(record, MaterialPrice):
        raise CannotUndo("That can't be taken back.")
    forget_price(record)
    return "The price is forgotten."


@transaction.atomic
def price_from_receipt(line: ReceiptLine) -> MaterialPrice | None:
    """Keeps the prices in step with a receipt line: call it whenever a line was posted, corrected or voided.

    A line whose lot has the name of a material is a price seen on the day of the slip, tax included; a new name makes
    a new material. Calling it again corrects the same price; a voided line, or one that is not stock, takes it away.
    """
    lot, receipt = line.lot, line.receipt
    gone = line.is_void or receipt.is_void or lot is None or lot.is_void
    if gone or lot is None or lot.kind not in KIND_OF_LOT or line.cost_cents <= 0:
        MaterialPrice.objects.filter(receipt_line=line.pk).delete()
        return None
    material = _material_of(lot, shop_name=receipt.shop_name)
    cents = _price_of(material, lot, line.cost_cents) if material else None
    if material is None or not cents:
        MaterialPrice.objects.filter(receipt_line=line.pk).delete()
        return None
    price, _ = MaterialPrice.objects.update_or_create(
        receipt_line=line.pk,
        defaults={
            "material": material,
            "cents": cents,
            "seen_on": receipt.bought_on,
            "source": PriceSource.RECEIPT,
            "note": receipt.shop_name,
        },
    )
    return price


@transaction.atomic
def prices_from_receipt(receipt: Receipt) -> None:
    """Keeps the prices in step with every line of a receipt, voided ones included."""
    for line in receipt.lines.select_related("lot", "receipt"):
        price_from_receipt(line)


def _material_of(lot: Lot, *, shop_name: str) -> Material | None:
    """The material a lot is one of: by name and kind, the same size and shop first; made when there is none."""
    kind = KIND_OF_LOT[lot.kind]
    found = list(Material.objects.named(lot.name).filter(kind=kind).order_by("retired", "pk"))
    if not found:
        return _made_from(lot, kind=kind, shop_name=shop_name)

    def differs(material: Material) -> tuple[int, bool]:
        sizes = sum(
            1
            for side in ("length_nm", "width_nm", "thickness_nm")
            if getattr(lot, side) and getattr(material, side) != getattr(lot, side)
        )
        if kind in IN_CANS and (volume := _volume(lot)) is not None and material.volume != volume:
            sizes += 1
        return sizes, material.shop_name.casefold() != shop_name.casefold()

    return min(found, key=differs)


def _volume(lot: Lot) -> Volume | None:
    try:
        return Volume.of(lot.quantity, lot.unit)
    except BadMeasure:
        return None


def _made_from(lot: Lot, *, kind: MaterialKind, shop_name: str) -> Material | None:
    """A new material out of a lot, or None where the lot does not say enough to reckon with."""
    material = Material(
        name=lot.name,
        kind=kind,
        shop_name=shop_name,
        **{
            name: getattr(lot, name)
            for side in ("length", "width", "thickness")
            for name in (f"{side}_nm", f"{side}_text")
        },
    )
    if kind in IN_CANS:
        if _volume(lot) is None:
            return None
        whole = lot.quantity.denominator == 1
        amount = (
            str(lot.quantity.numerator) if whole else f"{lot.quantity.numerator}/{lot.quantity.denominator}"
        )
        material.volume_text = f"{amount} {lot.unit}"[:60]
    if kind == MaterialKind.LUMBER:
        material.priced_by = PricedBy.BOARD_FOOT if _is_board_feet(lot.unit) else PricedBy.PIECE
    elif kind not in (MaterialKind.SHEET, MaterialKind.VENEER, *IN_CANS):
        material.unit = lot.unit
    try:
        material.full_clean()
    except ValidationError:
        return None
    material.save()
    return material


def _is_board_feet(unit: str) -> bool:
    return unit.strip().lower() in ("bf", "bd ft", "board foot", "board feet")


def _price_of(material: Material, lot: Lot, cost_cents: int) -> int | None:
    """The price in the unit the material is priced by; None where the lot can't tell."""
    each = Fraction(cost_cents) / lot.quantity
    if material.kind in IN_CANS:
        held = _volume(lot)
        if held is None or material.volume is None:
            # Counted in cans: the price of one can.
            return round_half_up(each)
        return round_half_up(Fraction(cost_cents) * material.volume.amount / held.amount)
    if material.priced_by == PricedBy.BOARD_FOOT and _is_board_feet(lot.unit):
        return round_half_up(each)
    if material.priced_by == PricedBy.PIECE:
        return round_half_up(each)
    sized = Material(
        kind=material.kind,
        priced_by=material.priced_by,
        length_nm=lot.length_nm or material.length_nm,
        width_nm=lot.width_nm or material.width_nm,
        thickness_nm=lot.thickness_nm or material.thickness_nm,
    )
    if not (sized.length_nm and sized.width_nm):
        return None
    per_unit = sized.cents_each(1)
    return round_half_up(each / per_unit) if per_unit else None


def length_fields(name: str, length: Length | None) -> dict[str, Any]:
    """The two columns of a length: whole nanometres and what was typed."""
    return {f"{name}_nm": length.nm if length else None, f"{name}_text": length.text if length else ""}
