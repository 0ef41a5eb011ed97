"""The margin statement of one piece, and the sale sheet that goes to its buyer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from estimating.papers.page import Column, Sheet


@dataclass(frozen=True)
class Entry:
    """One line of a section: when, what, a remark, and the amount as it is printed."""

    when: str
    what: str
    remark: str
    amount: str


@dataclass(frozen=True)
class Section:
    """Lines that add up to ``total``, under a heading; an empty one is left out."""

    title: str
    entries: Sequence[Entry]
    total: str
    total_words: str = "Together"


@dataclass(frozen=True)
class AttemptRow:
    """One attempt: what was tried on what, how it went, and what it took."""

    what: str
    outcome: str
    why: str
    hours: str
    cash: str


@dataclass(frozen=True)
class MarginSheet:
    """A finished margin statement: everything worked out and written as it is printed."""

    shop: str
    piece: str
    printed_on: str
    facts: Sequence[tuple[str, str]]
    pictures: Sequence[tuple[str, bytes]]
    sections: Sequence[Section]
    attempts: Sequence[AttemptRow]
    attempts_total: tuple[str, str]
    hours: Sequence[tuple[str, str]]
    figures: Sequence[tuple[str, str, bool]]
    notes: Sequence[str] = field(default=())


def margin_statement(sheet: MarginSheet, *, size: str) -> bytes:
    """The margin statement as PDF; does no sums."""
    paper = Sheet(size=size, title=f"Margin statement: {sheet.piece}", shop=sheet.shop)
    paper.say(sheet.piece, paper.name)
    paper.say(f"Margin statement · {sheet.shop} · printed {sheet.printed_on}", paper.small)
    paper.space(2)
    paper.pictures(sheet.pictures)
    for label, text in sheet.facts:
        paper.say(f"{label}: {text}")
    paper.head("The result")
    paper.figures(sheet.figures)
    for note in sheet.notes:
        paper.say(note, paper.small)
    for section in sheet.sections:
        if not section.entries:
            continue
        paper.head(section.title)
        paper.table(
            [
                Column("Date", 0.9),
                Column("What", 2.6),
                Column("Remark", 2),
                Column("Amount", 1, figures=True),
            ],
            [(entry.when, entry.what, entry.remark, entry.amount) for entry in section.entries],
            totals=[("", section.total_words, "", section.total)],
        )
    if sheet.attempts:
        paper.head("What was tried")
        paper.table(
            [
                Column("Attempt", 2.4),
                Column("Outcome", 1.1),
                Column("Why", 2.6),
                Column("Hours", 0.9, figures=True),
                Column("Cash", 1, figures=True),
            ],
            [(row.what, row.outcome, row.why, row.hours, row.cash) for row in sheet.attempts],
            totals=[("Of these, failed", "", "", *sheet.attempts_total)],
        )
    if sheet.hours:
        paper.head("Hours")
        paper.table([Column("Who", 3), Column("Hours", 1, figures=True)], list(sheet.hours))
    paper.space(3)
    paper.say(
        "Margin = revenue − selling costs − basis. Your own hours are in no cost; “after wages” takes them off at the "
        "pay you want. Amounts marked “within” are part of the basis and shown apart.",
        paper.small,
    )
    return paper.as_bytes()


@dataclass(frozen=True)
class SaleSheet:
    """What the buyer gets: no cost, no margin, no hours, in the text or in the file's own data."""

    shop: str
    piece: str
    printed_on: str
    text: str
    facts: Sequence[tuple[str, str]]
    sizes: Sequence[tuple[str, str]]
    pictures: Sequence[tuple[str, bytes]]
    price: str = ""


def sale_sheet(sheet: SaleSheet, *, size: str) -> bytes:
    """The sale sheet as PDF."""
    paper = Sheet(size=size, title=sheet.piece, shop=sheet.shop)
    paper.say(sheet.piece, paper.name)
    paper.say(f"{sheet.shop} · {sheet.printed_on}", paper.small)
    paper.space(2)
    for at in range(0, len(sheet.pictures), 2):
        paper.pictures(sheet.pictures[at : at + 2], height=80)
        paper.space(2)
    if sheet.text:
        paper.head("About this piece")
        for paragraph in sheet.text.split("\n"):
            if paragraph.strip():
                paper.say(paragraph)
    for label, text in sheet.facts:
        paper.say(f"{label}: {text}")
    if sheet.sizes:
        paper.head("Measures")
        paper.table([Column("Part", 2), Column("Size", 3)], list(sheet.sizes))
    if sheet.price:
        paper.space(4)
        paper.say(f"Price: {sheet.price}", paper.name)
    return paper.as_bytes()
