"""Estimates, cut sheets and shopping lists, written from the records; the papers themselves do no sums."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date

from estimating import sawing
from estimating.papers.cutting import SMALLEST_POINTS, CutPage, CutSheetPaper, cut_sheet, scale_of
from estimating.papers.estimate import (
    ActualRow,
    EstimatePaper,
    EstimateRow,
    ShoppingPaper,
    ShoppingRow,
    estimate,
    shopping_list,
)
from flips.models import Piece, Shop
from flips.models.compared import Row, compare
from flips.models.estimates import EstimateLine, planned
from flips.models.shopping import ShopGroup, Wanted
from flips.wording import DASH, day_words, hours_words, money_words

ASK = "price missing"


def _money(cents: int | None, shop: Shop, *, none: str = ASK) -> str:
    return money_words(cents, shop.currency, none=none)


def _row(line: EstimateLine, shop: Shop) -> EstimateRow:
    reasons = [*line.warnings, *line.left_out, *line.reasons]
    if line.is_hours and not line.likely_cents:
        return EstimateRow(
            line.words,
            "",
            hours_words(line.low_minutes or 0),
            hours_words(line.likely_minutes or 0),
            hours_words(line.high_minutes or 0),
            "",
            reasons,
        )
    needed = line.needed or (hours_words(line.likely_minutes or 0) if line.is_hours else "")
    return EstimateRow(
        line.words,
        needed,
        _money(line.low_cents, shop),
        _money(line.likely_cents, shop),
        _money(line.high_cents, shop),
        _money(line.buy_cents, shop),
        reasons,
    )


def estimate_pdf(piece: Piece, lines: Sequence[EstimateLine], *, shop: Shop, today: date) -> bytes:
    """The estimate of a piece, with what it came to once something was booked."""
    sums = planned(lines)
    hours = hours_words(sums.minutes) if sums.minutes else DASH
    figures = [
        ("Planned cost, likely", _money(sums.cents, shop), True),
        ("Low", _money(sums.low, shop), False),
        ("High", _money(sums.high, shop), False),
        ("To buy", _money(sums.buy, shop), False),
        ("Planned hours", hours, False),
    ]
    notes = []
    if sums.missing:
        some = f"{sums.missing} line{'s have' if sums.missing > 1 else ' has'} no price yet"
        notes.append(f"{some}: what is known so far comes to {_money(sums.known_cents, shop)}.")
    compared = compare(piece, lines, shop=shop)
    rows = [_actual(row, shop) for row in compared.rows] if compared.has_begun else []
    return estimate(
        EstimatePaper(
            shop=shop.name,
            piece=piece.what,
            printed_on=day_words(today),
            figures=figures,
            rows=[_row(line, shop) for line in lines],
            totals=tuple(_money(cents, shop) for cents in (sums.low, sums.cents, sums.high, sums.buy)),  # type: ignore[arg-type]
            actual=rows,
            actual_totals=(
                _money(compared.planned, shop),
                _money(compared.actual, shop),
                _money(compared.difference, shop, none=DASH),
            ),
            notes=notes,
        ),
        size=shop.paper,
    )


def _actual(row: Row, shop: Shop) -> ActualRow:
    words = row.words if row.line is not None else f"{row.words} (not planned)"
    if row.is_hours and not row.actual and not row.planned:
        over = row.over_minutes
        sign = "−" if over < 0 else ""
        return ActualRow(
            words,
            hours_words(row.planned_minutes),
            hours_words(row.actual_minutes) if row.actual_minutes else "not yet",
            f"{sign}{hours_words(abs(over))}" if row.actual_minutes else DASH,
        )
    return ActualRow(
        words,
        _money(row.planned, shop),
        _money(row.actual, shop) if row.actual else "not yet",
        _money(row.difference if row.actual else None, shop, none=DASH),
    )


HOW_TO_SAW = (
    "Measure every cut from the edge that was trimmed or sawn last. The saw cut is in the plan: set the fence to the "
    "figure given.",
    "Read the saw's own manual; wear eye and ear protection, keep guards on, and have somebody hold large sheets.",
)


def cut_sheet_pdf(
    line: EstimateLine, *, shop: Shop, today: date, cut: Collection[tuple[int, int]] = ()
) -> bytes:
    """The cut sheet of a line that has a plan; ``cut`` are the (sheet, place) that are ticked. Nothing about money."""
    if line.layout is None:
        raise ValueError("This line has no sawing plan.")
    plan = sawing.read(line.layout)
    count = len(plan.sheets)
    pages = []
    for sheet in plan.sheets:
        drawing = sawing.drawn(sheet, shop.units)
        drawing = sawing.drawn(sheet, shop.units, smallest=SMALLEST_POINTS / scale_of(drawing))
        comes = "from stock" if sheet.source.where == "stock" else "whole sheet"
        pages.append(
            CutPage(
                heading=f"Sheet {sheet.number} of {count}",
                size=sawing.size_words(sheet.length, sheet.width, shop.units),
                source=f"{sheet.source.name}, {comes}",
                drawing=drawing,
                parts=[
                    (
                        placed.place,
                        f"{placed.name}, {sawing.part_size(placed, shop.units)}",
                        (sheet.number, placed.place) in cut,
                    )
                    for placed in sheet.placed
                ],
                cuts=[(one.number, sawing.cut_words(one, sheet, shop.units)) for one in sheet.cuts],
            )
        )
    has_grain = any(sheet.source.has_grain for sheet in plan.sheets)
    facts = f"saw cut {sawing.exactly(plan.kerf, shop.units)}"
    if has_grain:
        facts += ", grain runs up the page"
    return cut_sheet(
        CutSheetPaper(
            shop=shop.name,
            piece=line.estimate.piece.what,
            title=line.words,
            printed_on=day_words(today),
            facts=facts,
            pages=pages,
            notes=HOW_TO_SAW,
        ),
        size=shop.paper,
    )


def _shopping_row(row: Wanted, shop: Shop) -> ShoppingRow:
    what = f"{row.name}, {row.size}" if row.size else row.name
    return ShoppingRow(
        count=row.count_words,
        what=what + (f" ({row.in_hand} more in hand)" if row.in_hand else ""),
        pieces=", ".join(piece.what for piece in row.pieces),
        cost=_money(row.cents, shop),
        is_bought=row.is_bought,
    )


def shopping_pdf(groups: Sequence[ShopGroup], *, shop: Shop, today: date) -> bytes:
    """The shopping list by shop."""
    return shopping_list(
        ShoppingPaper(
            shop=shop.name,
            printed_on=day_words(today),
            groups=[
                (group.name, [_shopping_row(row, shop) for row in group.rows], _money(group.cents, shop))
                for group in groups
            ],
        ),
        size=shop.paper,
    )
