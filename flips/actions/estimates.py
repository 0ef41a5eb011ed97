"""Estimates: working a line out with its engine, keeping the answer, and what it holds of stock.

Working out takes up to a second or two and happens before anything is written, so that nobody waits for the database
meanwhile; keeping it then checks that the stock it counted on is still there.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from fractions import Fraction
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction
from django.db.models import F, Max
from django.utils import timezone

from estimating import coating, lumber, reckon, sawing, veneer
from estimating.models import Material, MaterialPrice
from estimating.money import Money
from estimating.sheets import Panel
from finishes.measures import BadMeasure, Length, Volume
from flips.actions.undo import CannotUndo, undoable
from flips.books import rate_on, wage_cents
from flips.models import MILLION, Lot, Person, Piece, Shop, StockKind
from flips.models.estimates import (
    Claim,
    CutPart,
    Estimate,
    EstimateItem,
    EstimateLine,
    LineKind,
    Shape,
    claimed,
    is_counted,
    plain_name,
)
from flips.models.facts import helper_rates

# The layout engine's share of a request; everything around it takes little.
LAYOUT_SECONDS = 1.2
MOST_ITEMS = 200


@dataclass
class ItemDraft:
    """A part to be reckoned with, as the form gives it."""

    name: str
    length: Length
    width: Length
    count: int = 1
    thickness: Length | None = None
    may_turn: bool = False
    shape: str = Shape.FLAT
    sides: int = 1
    part_id: int | None = None


@dataclass
class Draft:
    """A line before it is worked out: what for, which materials, which parts, and what the engine is told.

    ``told`` holds whole numbers and words only: waste_hundredths, coats, first_extra_hundredths, max_stages, faces,
    match, allowance_nm, count_millionths, unit, price_cents, helper, low/likely/high_minutes.
    """

    kind: str
    words: str
    materials: list[Material] = field(default_factory=list)
    backers: list[Material] = field(default_factory=list)
    items: list[ItemDraft] = field(default_factory=list)
    told: dict[str, Any] = field(default_factory=dict)


@dataclass
class Worked:
    """A line worked out, ready to be kept: its sums, the stored answer, and what it holds of each lot."""

    low: int | None = None
    likely: int | None = None
    high: int | None = None
    buy: int | None = None
    minutes: tuple[int, int, int] | None = None
    result: dict[str, Any] = field(default_factory=dict)
    claims: dict[int, int] = field(default_factory=dict)
    cut_parts: list[tuple[int, int, str]] = field(default_factory=list)


# What is there to work with


def prices_of(materials: Iterable[Material]) -> dict[int, reckon.Prices | None]:
    """The range of prices of each material: what was seen in the last two years, or else the last one; one query."""
    rows = list(materials)
    since = timezone.localdate() - timedelta(days=reckon.PRICE_DAYS)
    seen: dict[int, list[MaterialPrice]] = defaultdict(list)
    for price in MaterialPrice.objects.filter(material__in=rows).order_by("-seen_on", "-pk"):
        seen[price.material_id].append(price)
    found: dict[int, reckon.Prices | None] = {}
    for material in rows:
        prices = seen[material.pk]
        fresh = [price for price in prices if price.seen_on >= since] or prices[:1]
        found[material.pk] = reckon.Prices.of([material.cents_each(price.cents) for price in fresh])
    return found


def lots_for(
    materials: Sequence[Material], *, line: EstimateLine | None, include: Sequence[str] = ()
) -> list[tuple[Lot, Fraction]]:
    """Lots on hand of these materials' names (or cut from one), each with what nobody else counts on; oldest first.

    Opened cans come before closed ones. ``include`` limits the kinds of lots. Three queries.
    """
    names = {plain_name(material.name) for material in materials}
    held = claimed(but_not=line)
    found = []
    rows = Lot.objects.on_hand().select_related("cut_from")
    if include:
        rows = rows.filter(kind__in=include)
    for lot in rows:
        own = {plain_name(lot.name)} | ({plain_name(lot.cut_from.name)} if lot.cut_from else set())
        free = Fraction(lot.left_millionths - held.get(lot.pk, 0), MILLION)
        if own & names and free > 0:
            found.append((lot, free))
    found.sort(key=lambda row: (row[0].opened_on is None, row[0].came_on, row[0].pk))
    return found


def _on_hand(lot: Lot, free: Fraction, **sizes: Any) -> reckon.OnHand:
    left = lot.left
    return reckon.OnHand(
        key=lot.pk,
        name=lot.name,
        left=free,
        cents=lot.left_cents * free / left if left else Fraction(0),
        unit=lot.unit,
        **sizes,
    )


def _side(record: Lot | Material, name: str) -> Length | None:
    nm = getattr(record, f"{name}_nm")
    return Length(nm, getattr(record, f"{name}_text")) if nm else None


# Working a line out, one function a kind


def work_out(draft: Draft, *, shop: Shop, line: EstimateLine | None = None) -> Worked:
    """Works a draft out with its engine; reads, and writes nothing. Raises ValidationError in plain words."""
    try:
        return _WORKERS[LineKind(draft.kind)](draft, shop, line)
    except ValueError as refused:
        raise ValidationError(str(refused)) from refused


def _need_parts(draft: Draft) -> None:
    if not draft.items:
        raise ValueError("Tick at least one part, or write one in.")
    if len(draft.items) > MOST_ITEMS:
        raise ValueError(f"{MOST_ITEMS} parts in one line are the most. Make two lines of it.")


def _need_materials(draft: Draft) -> None:
    if not draft.materials:
        raise ValueError("Choose what it may be made from.")


def _percent(draft: Draft, name: str, default: int) -> Fraction:
    return Fraction(int(draft.told.get(name, default)), 100)


def _sheets(draft: Draft, shop: Shop, line: EstimateLine | None) -> Worked:
    _need_parts(draft)
    _need_materials(draft)
    prices = prices_of(draft.materials)
    by_name = {plain_name(material.name): material for material in draft.materials}
    offers = [
        reckon.SheetOffer(
            key=material.pk,
            name=str(material),
            length=material.length or Length(0),
            width=material.width or Length(0),
            trim=material.trim,
            has_grain=material.grain == "length",
            prices=prices[material.pk],
        )
        for material in draft.materials
    ]
    has_grain = any(offer.has_grain for offer in offers)
    stock = []
    for lot, free in lots_for(draft.materials, line=line, include=(StockKind.SHEET, StockKind.OFFCUT)):
        material = by_name.get(plain_name(lot.name))
        whole = lot.kind == StockKind.SHEET
        length = _side(lot, "length") or (_side(material, "length") if whole and material else None)
        width = _side(lot, "width") or (_side(material, "width") if whole and material else None)
        if length and width and is_counted(lot.unit):
            # An offcut's edges were sawn here; a bought sheet's were not.
            trim = material.trim if whole and material else Length(0)
            stock.append(_on_hand(lot, free, length=length, width=width, trim=trim))
    panels = [
        Panel(item.name, item.length, item.width, item.count, has_grain and not item.may_turn)
        for item in draft.items
    ]
    stages = draft.told.get("max_stages")
    found = reckon.sheets(
        panels,
        offers,
        stock,
        kerf=Length(shop.kerf_nm),
        keep=Length(shop.smallest_offcut_nm),
        offcuts_carry_cost=shop.offcuts_carry_cost,
        max_stages=int(stages) if stages else None,
        seconds=LAYOUT_SECONDS,
        system=shop.units,
    )
    worked = _worked(found)
    if found.layout is not None and found.layout.sheets:
        sources = {
            f"buy {offer.key}": sawing.Source("buy", offer.key, offer.name, offer.has_grain)
            for offer in offers
        }
        sources |= {f"stock {row.key}": sawing.Source("stock", row.key, row.name, has_grain) for row in stock}
        typed = [length for item in draft.items for length in (item.length, item.width) if length.text]
        texts = {length.nm: length.text for length in typed}
        worked.result["layout"] = sawing.stored(found.layout, sources, texts=texts)
        plan = sawing.read(worked.result["layout"])
        worked.cut_parts = [
            (sheet.number, placed.place, placed.name) for sheet in plan.sheets for placed in sheet.placed
        ]
    return worked


def _leaves(draft: Draft, shop: Shop, line: EstimateLine | None) -> Worked:
    _need_parts(draft)
    _need_materials(draft)
    chosen = [*draft.materials, *draft.backers]
    prices = prices_of(chosen)

    def offer(material: Material) -> reckon.LeafOffer:
        return reckon.LeafOffer(
            key=material.pk,
            name=material.name,
            length=material.length or Length(0),
            width=material.width or Length(0),
            thickness=material.thickness,
            prices=prices[material.pk],
        )

    on_hand: dict[int, list[reckon.OnHand]] = defaultdict(list)
    seen: set[int] = set()
    for material in chosen:
        for lot, free in lots_for([material], line=line, include=(StockKind.VENEER,)):
            fits = all(
                not getattr(lot, f"{side}_nm")
                or getattr(lot, f"{side}_nm") >= getattr(material, f"{side}_nm")
                for side in ("length", "width")
            )
            if fits and lot.pk not in seen and is_counted(lot.unit):
                seen.add(lot.pk)
                on_hand[material.pk].append(_on_hand(lot, free))
    told = draft.told
    allowance = told.get("allowance_nm")
    found = reckon.leaves(
        [
            veneer.VeneerPanel(
                name=item.name,
                length=item.length,
                width=item.width,
                qty=item.count,
                grain="any" if item.may_turn else "length",
                faces=str(told.get("faces", "balanced")),
                match=str(told.get("match", "none")),
            )
            for item in draft.items
        ],
        [offer(material) for material in draft.materials],
        backers=[offer(material) for material in draft.backers],
        on_hand=on_hand,
        allowance=Length(int(allowance)) if allowance is not None else veneer.ALLOWANCE,
        waste_percent=_percent(draft, "waste_hundredths", 1000),
        currency=shop.currency,
        system=shop.units,
    )
    return _worked(found)


def _boards(draft: Draft, shop: Shop, line: EstimateLine | None) -> Worked:
    _need_parts(draft)
    _need_materials(draft)
    thin = [item.name for item in draft.items if item.thickness is None]
    if thin:
        raise ValueError(f"Say how thick it is to be: {', '.join(thin)}.")
    prices = prices_of(draft.materials)
    sized = all(material.length and material.width for material in draft.materials)
    by_name = {plain_name(material.name): material for material in draft.materials}
    stock = []
    for lot, free in lots_for(draft.materials, line=line, include=(StockKind.BOARD,)):
        material = by_name.get(plain_name(lot.name))
        sizes = {
            side: _side(lot, side) or (_side(material, side) if material else None)
            for side in ("length", "width", "thickness")
        }
        stock.append(_on_hand(lot, free, **sizes))
    found = reckon.boards(
        [
            lumber.LumberPart(item.name, item.length, item.width, item.thickness or Length(0), item.count)
            for item in draft.items
        ],
        [
            reckon.BoardOffer(
                key=material.pk,
                name=material.name,
                thickness=material.thickness or Length(0),
                length=material.length if sized else None,
                width=material.width if sized else None,
                surfaced=material.surfaced,
                by=material.priced_by,
                prices=prices[material.pk],
            )
            for material in draft.materials
            if sized or not (material.length and material.width)
        ],
        stock,
        kerf=Length(shop.kerf_nm),
        waste_percent=_percent(draft, "waste_hundredths", 2500),
        currency=shop.currency,
        system=shop.units,
    )
    return _worked(found)


def surface_of(item: ItemDraft) -> coating.Surface:
    """The area of a part to be finished, by its shape. Raises ValueError where the shape wants a thickness."""
    count, name = item.count, item.name
    if item.shape == Shape.TURNED:
        return coating.turned(item.length, item.width, qty=count, name=name)
    if item.shape == Shape.PANELLED:
        return coating.panelled(item.length, item.width, sides=item.sides, qty=count, name=name)
    if item.shape == Shape.TAPERED:
        foot = item.thickness or item.width
        return coating.tapered(item.length, (item.width, item.width), (foot, foot), qty=count, name=name)
    if item.shape == Shape.EDGED:
        if item.thickness is None:
            raise ValueError(f"{name}: edges want a thickness.")
        return coating.edged(
            item.length, item.width, item.thickness, sides=min(2, item.sides), qty=count, name=name
        )
    return coating.flat(item.length, item.width, sides=item.sides, qty=count, name=name)


def _coats(draft: Draft, shop: Shop, line: EstimateLine | None) -> Worked:
    _need_parts(draft)
    _need_materials(draft)
    covering = next((material.coverage for material in draft.materials if material.coverage), None)
    if covering is None:
        raise ValueError(f"Say what {draft.materials[0].name} covers: it is on the label.")
    prices = prices_of(draft.materials)
    stock, unread = [], []
    wanted = (StockKind.FINISH,) if draft.kind == LineKind.FINISH else (StockKind.GLUE,)
    by_name = {plain_name(material.name): material for material in draft.materials}
    for lot, free in lots_for(draft.materials, line=line, include=wanted):
        try:
            volume = Volume.of(free, lot.unit)
        except BadMeasure:
            one = by_name.get(plain_name(lot.name))
            if one is None or one.volume is None:
                unread.append(lot.name)
                continue
            volume = Volume(int(one.volume.amount * free))
        if volume:
            stock.append(_on_hand(lot, free, volume=volume))
    surfaces = [surface_of(item) for item in draft.items]
    found = reckon.coats(
        surfaces,
        coating.Coat(
            count=int(draft.told.get("coats", 1)),
            coverage=covering,
            name="coat",
            first_extra_percent=_percent(draft, "first_extra_hundredths", 0),
        ),
        [
            reckon.CanOffer(material.pk, str(material), material.volume or Volume(0), prices[material.pk])
            for material in draft.materials
        ],
        stock,
        waste_percent=_percent(draft, "waste_hundredths", 1000),
        currency=shop.currency,
        system=shop.units,
    )
    worked = _worked(found)
    worked.result["areas"] = [
        f"{surface.qty} × {surface.name}: {surface.area.shown(shop.units)}" for surface in surfaces
    ]
    worked.result["warnings"] += [
        f"{name} on hand is not counted: its lot does not say how much it holds." for name in unread
    ]
    return worked


def _counted(draft: Draft, _shop: Shop, line: EstimateLine | None) -> Worked:
    count = Fraction(int(draft.told.get("count_millionths", 0)), MILLION)
    if len(draft.materials) > 1:
        raise ValueError("Choose one thing a line.")
    if not draft.materials:
        cents = draft.told.get("price_cents")
        found = reckon.counted(
            count,
            key=0,
            name=draft.words,
            unit=str(draft.told.get("unit") or "piece"),
            prices=reckon.Prices.of([int(cents)]) if cents is not None else None,
        )
        return _worked(found)
    material = draft.materials[0]
    found = reckon.counted(
        count,
        key=material.pk,
        name=str(material),
        unit=material.counted_in,
        prices=prices_of([material])[material.pk],
        on_hand=[_on_hand(lot, free) for lot, free in lots_for([material], line=line)],
    )
    return _worked(found)


def _hours(draft: Draft, shop: Shop, _line: EstimateLine | None) -> Worked:
    low, likely, high = (int(draft.told.get(f"{name}_minutes") or 0) for name in ("low", "likely", "high"))
    if not likely:
        raise ValueError("Say how long it will likely take.")
    minutes = (low or likely, likely, high or likely)
    if not minutes[0] <= minutes[1] <= minutes[2]:
        raise ValueError("Low comes before likely, and likely before high.")
    helper = draft.told.get("helper")
    if not helper:
        note = "Your own hours are in no cost; “after wages” takes them off at the pay you want."
        return Worked(low=0, likely=0, high=0, buy=0, minutes=minutes, result={"reasons": [note]})
    rate = rate_on(helper_rates().get(int(helper), ()), timezone.localdate())
    if rate is None:
        reason = "Paid help without a rate yet: set it under People and pay."
        return Worked(buy=0, minutes=minutes, result={"reasons": [reason], "warnings": [reason]})
    low_cents, cents, high_cents = (wage_cents(one, rate) for one in minutes)
    said = f"Paid help at {Money.rounded(rate, shop.currency)} an hour."
    return Worked(
        low=low_cents, likely=cents, high=high_cents, buy=0, minutes=minutes, result={"reasons": [said]}
    )


_WORKERS = {
    LineKind.SHEET: _sheets,
    LineKind.VENEER: _leaves,
    LineKind.LUMBER: _boards,
    LineKind.FINISH: _coats,
    LineKind.GLUE: _coats,
    LineKind.HARDWARE: _counted,
    LineKind.OTHER: _counted,
    LineKind.HOURS: _hours,
}


def _millionths(quantity: Fraction) -> int:
    # Rounded up: a millionth too few would not be enough.
    return -(-quantity.numerator * MILLION // quantity.denominator)


def _worked(found: reckon.Reckoned) -> Worked:
    claims: dict[int, int] = {}
    for take in found.take:
        claims[take.key] = claims.get(take.key, 0) + _millionths(take.quantity)
    return Worked(
        low=found.low,
        likely=found.likely,
        high=found.high,
        buy=found.buy_cents,
        claims=claims,
        result={
            "needed": found.needed,
            "reasons": list(found.reasons),
            "warnings": list(found.warnings),
            "left_out": list(found.left_out),
            "short_nm3": str(found.short.amount) if found.short is not None else None,
            "buy": [
                {
                    "material": row.key or None,
                    "name": row.name,
                    "millionths": _millionths(row.count),
                    "unit": row.unit,
                    "words": reckon.amount_words(row.count, row.unit),
                    "cents": row.cents,
                }
                for row in found.buy
            ],
            "take": [
                {
                    "lot": row.key,
                    "name": row.name,
                    "millionths": _millionths(row.quantity),
                    "unit": row.unit,
                    "words": reckon.amount_words(row.quantity, row.unit),
                    "cents": row.cents,
                }
                for row in found.take
            ],
        },
    )


# Keeping it


def estimate_of(piece: Piece, *, by: Person) -> Estimate:
    """The piece's estimate, begun if there is none yet."""
    found = Estimate.objects.live().filter(piece=piece).first()
    if found is not None:
        return found
    try:
        with transaction.atomic():
            return Estimate.objects.create(piece=piece, created_by=by)
    except IntegrityError:
        # Begun by the other of two at once.
        return Estimate.objects.live().get(piece=piece)


@transaction.atomic
def keep_line(
    draft: Draft, worked: Worked, *, by: Person, piece: Piece | None = None, line: EstimateLine | None = None
) -> EstimateLine:
    """Keeps a worked-out line, new on ``piece`` or in place of what ``line`` said before.

    Raises ValidationError when the stock it counts on was taken meanwhile, or when a sheet of the plan is sawn.
    """
    if line is None:
        if piece is None:
            raise ValueError("A new line belongs to a piece.")
        estimate = estimate_of(piece, by=by)
        last = estimate.lines.aggregate(last=Max("place"))["last"] or 0
        line = EstimateLine(estimate=estimate, kind=draft.kind, place=last + 1, created_by=by)
    else:
        line = EstimateLine.objects.select_for_update().get(pk=line.pk)
        if line.is_void:
            raise ValidationError("This line has been taken out.")
        if line.sawn.live().exists():
            raise ValidationError(
                "A sheet of this plan is sawn already: it stays as it is. Start another line."
            )
    _check_claims(worked, line)
    line.words, line.told, line.result = draft.words.strip(), draft.told, worked.result
    line.low_cents, line.likely_cents, line.high_cents = worked.low, worked.likely, worked.high
    line.buy_cents = worked.buy
    line.low_minutes, line.likely_minutes, line.high_minutes = worked.minutes or (None, None, None)
    line.reckoned_at = timezone.now()
    line.full_clean()
    line.save()
    line.materials.set(draft.materials)
    line.backers.set(draft.backers)
    _keep_items(line, draft.items)
    line.claims.all().delete()
    Claim.objects.bulk_create(
        Claim(line=line, lot_id=lot, quantity_millionths=quantity) for lot, quantity in worked.claims.items()
    )
    _keep_cut_parts(line, worked.cut_parts)
    return line


def _check_claims(worked: Worked, line: EstimateLine) -> None:
    if not worked.claims:
        return
    held = claimed(but_not=line)
    lots = {lot.pk: lot for lot in Lot.objects.live().with_left().filter(pk__in=worked.claims)}
    for key, wanted in worked.claims.items():
        lot = lots.get(key)
        if lot is None or lot.left_millionths - held.get(key, 0) < wanted:
            raise ValidationError(
                "Some of the stock it counts on was taken meanwhile. Save again to reckon anew."
            )


def _keep_items(line: EstimateLine, items: Sequence[ItemDraft]) -> None:
    line.items.all().delete()
    rows = [
        EstimateItem(
            line=line,
            part_id=item.part_id,
            name=item.name,
            count=item.count,
            length_nm=item.length.nm,
            length_text=item.length.text,
            width_nm=item.width.nm,
            width_text=item.width.text,
            thickness_nm=item.thickness.nm if item.thickness else None,
            thickness_text=item.thickness.text if item.thickness else "",
            may_turn=item.may_turn,
            shape=item.shape,
            sides=item.sides,
        )
        for item in items
    ]
    for row in rows:
        row.full_clean(exclude=["length_text", "width_text"])
    EstimateItem.objects.bulk_create(rows)


def _keep_cut_parts(line: EstimateLine, wanted: Sequence[tuple[int, int, str]]) -> None:
    """The parts of the plan, to be ticked; ticks stay only while the plan is the very same."""
    before = list(line.cut_parts.values_list("sheet", "place", "name"))
    if before == list(wanted):
        return
    line.cut_parts.all().delete()
    CutPart.objects.bulk_create(
        CutPart(line=line, sheet=sheet, place=place, name=name) for sheet, place, name in wanted
    )


def draft_of(line: EstimateLine) -> Draft:
    """What a line was made from, to be worked out again."""
    return Draft(
        kind=line.kind,
        words=line.words,
        materials=list(line.materials.all()),
        backers=list(line.backers.all()),
        told=dict(line.told),
        items=[
            ItemDraft(
                name=item.name,
                length=item.length,
                width=item.width,
                count=item.count,
                thickness=item.thickness,
                may_turn=item.may_turn,
                shape=item.shape,
                sides=item.sides,
                part_id=item.part_id,
            )
            for item in line.items.all()
        ],
    )


def reckon_again(lines: Sequence[EstimateLine], *, by: Person, shop: Shop) -> list[EstimateLine]:
    """Works lines out anew with today's prices and stock, one after another; sawn plans stay as they are.

    Not one transaction: a plan takes a second, and each line stands for itself.
    """
    done = []
    for line in lines:
        if line.sawn.live().exists():
            continue
        draft = draft_of(line)
        done.append(keep_line(draft, work_out(draft, shop=shop, line=line), by=by, line=line))
    return done


@transaction.atomic
def void_line(line: EstimateLine, *, by: Person, reason: str) -> None:
    """Takes a line out; the stock it held is free again. Refused once a sheet of it is sawn."""
    line = EstimateLine.objects.select_for_update().get(pk=line.pk)
    if line.sawn.live().exists():
        raise ValidationError("A sheet of this plan is sawn and posted: take that back first.")
    line.void(by=by, reason=reason)


@undoable("line kept")
def unkeep(record: models.Model, by: Person) -> str:
    """A line just added is taken out."""
    if not isinstance(record, EstimateLine):
        raise CannotUndo("That can't be taken back.")
    void_line(record, by=by, reason="taken back at once")
    return "The line is taken out."


@transaction.atomic
def move_line(line: EstimateLine, *, up: bool) -> None:
    """Moves a line one place up or down in its estimate."""
    rows = list(EstimateLine.objects.select_for_update().live().filter(estimate=line.estimate_id))
    at = next((place for place, row in enumerate(rows) if row.pk == line.pk), None)
    if at is None:
        return
    other = at - 1 if up else at + 1
    if not 0 <= other < len(rows):
        return
    rows[at], rows[other] = rows[other], rows[at]
    for place, row in enumerate(rows, start=1):
        EstimateLine.objects.filter(pk=row.pk).update(place=place, version=F("version") + 1)
