"""The estimate of a piece and the shopping list, on paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from estimating.papers.page import Column, Sheet


@dataclass(frozen=True)
class EstimateRow:
    """One line: what for, what it takes, the amounts as printed, and how it came about."""

    words: str
    needed: str
    low: str
    likely: str
    high: str
    buy: str
    reasons: Sequence[str]


@dataclass(frozen=True)
class ActualRow:
    """One line held against what it came to."""

    words: str
    planned: str
    actual: str
    difference: str


@dataclass(frozen=True)
class EstimatePaper:
    """A finished estimate: everything worked out and written as it is printed."""

    shop: str
    piece: str
    printed_on: str
    figures: Sequence[tuple[str, str, bool]]
    rows: Sequence[EstimateRow]
    totals: tuple[str, str, str, str]
    actual: Sequence[ActualRow]
    actual_totals: tuple[str, str, str]
    notes: Sequence[str]


def estimate(sheet: EstimatePaper, *, size: str) -> bytes:
    """The estimate as PDF; does no sums."""
    paper = Sheet(size=size, title=f"Estimate: {sheet.piece}", shop=sheet.shop)
    paper.say(sheet.piece, paper.name)
    paper.say(f"Estimate · {sheet.shop} · printed {sheet.printed_on}", paper.small)
    paper.space(2)
    paper.figures(sheet.figures)
    for note in sheet.notes:
        paper.say(note)
    paper.head("Line by line")
    paper.table(
        [
            Column("What for", 2.4),
            Column("Takes", 1.5),
            Column("Low", 1, figures=True),
            Column("Likely", 1, figures=True),
            Column("High", 1, figures=True),
            Column("To buy", 1, figures=True),
        ],
        [(row.words, row.needed, row.low, row.likely, row.high, row.buy) for row in sheet.rows],
        totals=[("Together", "", *sheet.totals)],
    )
    if sheet.actual:
        paper.head("Planned and actual")
        paper.table(
            [
                Column("What for", 3),
                Column("Planned", 1, figures=True),
                Column("Actual", 1, figures=True),
                Column("Difference", 1, figures=True),
            ],
            [(row.words, row.planned, row.actual, row.difference) for row in sheet.actual],
            totals=[("Together", *sheet.actual_totals)],
        )
    paper.head("How each line came about")
    for row in sheet.rows:
        paper.say(row.words, paper.bold)
        for reason in row.reasons:
            paper.say(f"·  {reason}", paper.small)
        paper.space(1)
    return paper.as_bytes()


@dataclass(frozen=True)
class ShoppingRow:
    """One thing to buy as it is printed; ticked ones are bought."""

    count: str
    what: str
    pieces: str
    cost: str
    is_bought: bool


@dataclass(frozen=True)
class ShoppingPaper:
    """A finished shopping list by shop: (shop, rows, what it comes to there)."""

    shop: str
    printed_on: str
    groups: Sequence[tuple[str, Sequence[ShoppingRow], str]]


def shopping_list(sheet: ShoppingPaper, *, size: str) -> bytes:
    """The shopping list as PDF; does no sums."""
    paper = Sheet(size=size, title="Shopping list", shop=sheet.shop)
    paper.say("Shopping list", paper.name)
    paper.say(f"{sheet.shop} · printed {sheet.printed_on}", paper.small)
    if not sheet.groups:
        paper.say("Nothing is to be bought.")
    for name, rows, cost in sheet.groups:
        paper.head(name)
        paper.table(
            [
                Column("", 0.35),
                Column("How many", 1.1),
                Column("What", 3.4),
                Column("For", 2),
                Column("About", 1, figures=True),
            ],
            [("[x]" if row.is_bought else "[  ]", row.count, row.what, row.pieces, row.cost) for row in rows],
            totals=[("", "", "Still to pay here", "", cost)],
        )
    return paper.as_bytes()
