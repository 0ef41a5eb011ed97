"""Estimate against actual, line by line: what was planned beside what was booked on the piece."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from flips.books import Kind
from flips.models.estimates import EstimateLine, LineKind, SawnSheet, plain_name
from flips.models.facts import piece_facts
from flips.models.people import Shop
from flips.models.pieces import Piece
from flips.models.stock import Lot


@dataclass
class Row:
    """One line with what was planned and what it came to; ``line`` is None for what nobody planned."""

    words: str
    line: EstimateLine | None = None
    planned: int | None = 0
    actual: int = 0
    planned_minutes: int = 0
    actual_minutes: int = 0
    is_hours: bool = False
    of: list[str] = field(default_factory=list)

    @property
    def difference(self) -> int | None:
        """Actual less planned: above zero it cost more. None while the plan has no price."""
        return None if self.planned is None else self.actual - self.planned

    @property
    def over_minutes(self) -> int:
        """Minutes more than planned, below zero when it went faster."""
        return self.actual_minutes - self.planned_minutes

    @property
    def minutes_apart(self) -> int:
        """The same without its sign."""
        return abs(self.over_minutes)


@dataclass
class Compared:
    """All rows and their sums; ``planned`` is None while a price is missing."""

    rows: list[Row]
    planned: int | None
    actual: int
    planned_minutes: int
    actual_minutes: int

    @property
    def has_begun(self) -> bool:
        """Whether anything was booked yet."""
        return bool(self.actual or self.actual_minutes)

    @property
    def difference(self) -> int | None:
        """Actual less planned."""
        return None if self.planned is None else self.actual - self.planned


def compare(piece: Piece, lines: Sequence[EstimateLine], *, shop: Shop) -> Compared:
    """Each line with what was booked for it: sawn sheets by their posting, materials by name, bought parts by their words.

    What fits no line stands at the end. Purchase, transport and selling are no part of an estimate. Expects the
    lines' materials fetched; a fixed number of queries.
    """
    facts, hours = piece_facts([piece.pk], zone=shop.zone)
    rows = [
        Row(
            line.words,
            line,
            planned=line.likely_cents if not (line.is_hours and line.likely_cents is None) else None,
            planned_minutes=line.likely_minutes or 0,
            is_hours=line.is_hours,
        )
        for line in lines
    ]
    by_line = {row.line.pk: row for row in rows if row.line is not None}
    sawn = {
        done.use_id: done.line_id
        for done in SawnSheet.objects.live().filter(line__in=list(by_line)).only("use", "line")
    }
    lots = {
        lot.pk: lot
        for lot in Lot.objects.filter(pk__in={fact.lot for fact in facts if fact.lot}).select_related(
            "cut_from"
        )
    }
    named: dict[str, list[Row]] = defaultdict(list)
    worded: dict[str, list[Row]] = defaultdict(list)
    for one in rows:
        if one.line is None:
            continue
        worded[plain_name(one.words)].append(one)
        for material in (*one.line.materials.all(), *one.line.backers.all()):
            named[plain_name(material.name)].append(one)
    extra: dict[str, Row] = {}

    def beyond(words: str) -> Row:
        return extra.setdefault(words, Row(words))

    def emptiest(choices: list[Row]) -> Row:
        # Two lines of one material: what was used goes where most of the plan is still open.
        return max(choices, key=lambda row: (row.planned or 0) - row.actual)

    for fact in facts:
        row: Row | None
        if fact.kind is Kind.USED:
            lot = lots.get(int(fact.lot)) if fact.lot else None
            found = by_line.get(sawn.get(int(fact.source[1]), 0))
            if found is None and lot is not None:
                names = [plain_name(lot.name)] + ([plain_name(lot.cut_from.name)] if lot.cut_from else [])
                choices = [one for name in names for one in named.get(name, worded.get(name, []))]
                found = emptiest(choices) if choices else beyond(lot.name)
            row = found or beyond(fact.note or "Material")
        elif fact.kind is Kind.PART:
            choices = worded.get(plain_name(fact.note)) or named.get(plain_name(fact.note)) or []
            row = emptiest(choices) if choices else beyond(fact.note or "Parts bought")
        elif fact.kind is Kind.HELP:
            helpers = [one for one in rows if one.is_hours and one.line and one.line.told.get("helper")]
            row = emptiest(helpers) if helpers else beyond("Paid help")
        else:
            continue
        row.actual += fact.cents
        if fact.note and fact.note not in row.of:
            row.of.append(fact.note)
    _put_hours(rows, [(entry.minutes, entry.helper) for entry in hours], beyond)
    rows += extra.values()
    costs = [row for row in rows if row.line is None or row.line.is_known]
    complete = len(costs) == len(rows)
    return Compared(
        rows=rows,
        planned=sum(row.planned or 0 for row in rows) if complete else None,
        actual=sum(row.actual for row in rows),
        planned_minutes=sum(row.planned_minutes for row in rows),
        actual_minutes=sum(row.actual_minutes for row in rows),
    )


def _put_hours(rows: list[Row], worked: list[tuple[int, bool]], beyond: object) -> None:
    """Minutes fill the lines of their kind of person in order; the last one takes what is over."""
    for is_help in (False, True):
        minutes = sum(count for count, helper in worked if helper == is_help)
        own = [
            row
            for row in rows
            if row.line is not None
            and row.line.kind == LineKind.HOURS
            and bool(row.line.told.get("helper")) == is_help
        ]
        if not minutes:
            continue
        if not own:
            row = beyond("Paid help" if is_help else "Your hours")  # type: ignore[operator]
            row.is_hours = True
            row.actual_minutes += minutes
            continue
        for row in own[:-1]:
            row.actual_minutes = min(minutes, row.planned_minutes)
            minutes -= row.actual_minutes
        own[-1].actual_minutes += minutes
