"""The one fold: lines in, double entries out. Piece page, margin statement, review and pack all read these."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from flips.books.lines import (
    SELLING_COSTS,
    WAYS_OUT,
    Collector,
    Id,
    Kind,
    Line,
    Problem,
    in_order,
    lot_changes,
)


class Account(StrEnum):
    """The accounts of the journal, in our own plain names; each expense category adds one of its own."""

    MONEY = "Money"
    PIECES = "Stock: pieces"
    MATERIALS = "Stock: materials"
    TAX_HELD = "Tax held"
    DEPOSITS = "Deposits held"
    OWNER = "Owner's money"
    KEPT = "Owner: stock kept"
    GIVEN_AWAY = "Owner: stock given away"
    SALES = "Sales"
    DELIVERY_CHARGED = "Delivery charged"
    TIPS = "Tips"
    REFUNDS = "Refunds"
    OTHER_INCOME = "Other income"
    COST_OF_SALES = "Cost of sales"
    WRITTEN_OFF = "Stock written off"
    SHRINKAGE = "Shrinkage"
    USED_OTHERWISE = "Stock used otherwise"


EXPENSE = "Expense: "
SELLING = "Selling: "
WAGES = "wages"
TRIPS = "trips"
STOCK = frozenset({Account.PIECES, Account.MATERIALS})

_OUT_TO: dict[Kind, Account] = {
    Kind.PRICE: Account.COST_OF_SALES,
    Kind.SCRAPPED: Account.WRITTEN_OFF,
    Kind.KEPT: Account.KEPT,
    Kind.GIVEN_AWAY: Account.GIVEN_AWAY,
}

# (debit, credit) of every kind whose entry does not depend on where the piece is.
_PLAIN: dict[Kind, tuple[str, str]] = {
    Kind.PRICE: (Account.MONEY, Account.SALES),
    Kind.LOT_BOUGHT: (Account.MATERIALS, Account.MONEY),
    Kind.LOT_OPENING: (Account.MATERIALS, Account.OWNER),
    Kind.LOT_WRITTEN_OFF: (Account.WRITTEN_OFF, Account.MATERIALS),
    Kind.SHRINKAGE: (Account.SHRINKAGE, Account.MATERIALS),
    Kind.LOT_USED: (Account.USED_OTHERWISE, Account.MATERIALS),
    Kind.LOT_KEPT: (Account.KEPT, Account.MATERIALS),
    Kind.DELIVERY_CHARGED: (Account.MONEY, Account.DELIVERY_CHARGED),
    Kind.TIP: (Account.MONEY, Account.TIPS),
    Kind.REFUND: (Account.REFUNDS, Account.MONEY),
    Kind.TAX_RECLAIMED: (Account.TAX_HELD, Account.MONEY),
    Kind.TAX_PAID_OVER: (Account.TAX_HELD, Account.MONEY),
    Kind.DEPOSIT: (Account.MONEY, Account.DEPOSITS),
    Kind.DEPOSIT_APPLIED: (Account.DEPOSITS, Account.MONEY),
    Kind.DEPOSIT_GIVEN_BACK: (Account.DEPOSITS, Account.MONEY),
    Kind.DEPOSIT_KEPT: (Account.DEPOSITS, Account.OTHER_INCOME),
    Kind.TRIP: (EXPENSE + TRIPS, Account.OWNER),
    Kind.OTHER_INCOME: (Account.MONEY, Account.OTHER_INCOME),
}
_COSTS_PAID_BY: dict[Kind, Account] = {Kind.USED: Account.MATERIALS, Kind.OPENING_PIECE: Account.OWNER}


@dataclass(frozen=True, slots=True)
class Entry:
    """One balanced journal entry: ``cents`` above zero from ``credit`` to ``debit``, and the line behind it."""

    on: date
    debit: str
    credit: str
    cents: int
    text: str
    line: Line
    late: bool = False

    def on_account(self, account: str) -> int:
        """What this adds to ``account``, debit positive."""
        return self.cents * ((self.debit == account) - (self.credit == account))


class State(StrEnum):
    """Where a piece stands by its money lines."""

    IN_STOCK = "in stock"
    SOLD = "sold"
    SCRAPPED = "scrapped"
    KEPT = "kept"
    GIVEN_AWAY = "given away"


_STATES = {
    Kind.PRICE: State.SOLD,
    Kind.SCRAPPED: State.SCRAPPED,
    Kind.KEPT: State.KEPT,
    Kind.GIVEN_AWAY: State.GIVEN_AWAY,
}


@dataclass
class Standing:
    """A piece as the fold left it: what it carries in stock, or what its way out was charged with."""

    state: State = State.IN_STOCK
    left_on: date | None = None
    in_stock_cents: int = 0
    charged_cents: int = 0
    charged_to: Account = Account.COST_OF_SALES
    late: list[Line] = field(default_factory=list)


@dataclass(frozen=True)
class Book:
    """Every entry in order, how each piece stands, and the lines that do not fit."""

    entries: tuple[Entry, ...]
    standing: dict[Id, Standing]
    problems: tuple[Problem, ...]


def keep(lines: Iterable[Line]) -> Book:
    """Folds lines in any order into the book; the same lines always give the same book."""
    entries: list[Entry] = []
    problems: list[Problem] = []
    of_piece: dict[Id, list[Line]] = defaultdict(list)
    ordered = in_order(lines)
    for line in ordered:
        if line.piece is not None and (line.is_piece_cost or line.kind in _MOVES_A_PIECE):
            of_piece[line.piece].append(line)
        entries.extend(_plain_entries(line))
    standing = {piece: _follow(own, entries, problems) for piece, own in of_piece.items()}
    problems.extend(_deposits_out_of_step(ordered))
    # A stable sort by line keeps the entries of one line in the order they were written.
    entries.sort(key=lambda entry: entry.line.key)
    problems.sort(key=lambda problem: (problem.line.key, problem.reason))
    return Book(tuple(entries), standing, tuple(problems))


_MOVES_A_PIECE = WAYS_OUT | {Kind.RETURNED, Kind.SALVAGED}


def _entry(
    line: Line, debit: str, credit: str, *, cents: int, text: str = "", late: bool = False
) -> Iterator[Entry]:
    """At most one entry: nothing for zero, sides swapped for a negative amount."""
    if cents < 0:
        debit, credit, cents = credit, debit, -cents
    if cents and debit != credit:
        yield Entry(line.on, debit, credit, cents, text or line.kind.value, line, late)


def _plain_entries(line: Line) -> Iterator[Entry]:
    kind = line.kind
    if kind in _PLAIN:
        debit, credit = _PLAIN[kind]
    elif kind in SELLING_COSTS:
        debit, credit = SELLING + kind.value, Account.MONEY
        if kind is Kind.COMPENSATION:
            debit, credit = credit, debit
    elif kind is Kind.EXPENSE:
        debit, credit = EXPENSE + line.category, Account.MONEY
    elif kind is Kind.HELP and line.piece is None:
        debit, credit = EXPENSE + (line.category or WAGES), Account.MONEY
    elif kind is Kind.TAX_COLLECTED and line.collector is Collector.SHOP:
        debit, credit = Account.MONEY, Account.TAX_HELD
    elif kind is Kind.TAX_GIVEN_BACK and line.collector is Collector.SHOP:
        debit, credit = Account.TAX_HELD, Account.MONEY
    else:
        return  # what a marketplace collects, and what is private, is never the shop's money
    yield from _entry(line, debit, credit, cents=line.cents)


def _follow(own: list[Line], entries: list[Entry], problems: list[Problem]) -> Standing:
    """Walks one piece through its lines, day by day, costs of a day before what happens to the piece that day."""
    piece = Standing()
    days: dict[date, list[Line]] = defaultdict(list)
    for line in own:
        days[line.on].append(line)
    for day in sorted(days):
        before = piece.in_stock_cents + piece.charged_cents
        events = []
        for line in days[day]:
            if line.is_piece_cost:
                _add_cost(piece, line, entries=entries)
            elif line.kind is Kind.SALVAGED:
                _salvage(piece, line, entries=entries)
            else:
                events.append(line)
        while events:
            line = _next_event(events, piece)
            events.remove(line)
            reason = _move(piece, line, entries)
            if reason:
                problems.append(Problem(line, reason))
        if piece.in_stock_cents + piece.charged_cents < min(before, 0):
            problems.append(Problem(days[day][-1], "More was taken from the piece than it had cost."))
    return piece


def _add_cost(piece: Standing, line: Line, *, entries: list[Entry]) -> None:
    credit = _COSTS_PAID_BY.get(line.kind, Account.MONEY)
    entries.extend(_entry(line, Account.PIECES, credit, cents=line.cents))
    _carry(piece, line, cents=line.cents, entries=entries)


def _salvage(piece: Standing, line: Line, *, entries: list[Entry]) -> None:
    entries.extend(_entry(line, Account.MATERIALS, Account.PIECES, cents=line.cents))
    _carry(piece, line, cents=-line.cents, entries=entries)


def _carry(piece: Standing, line: Line, *, cents: int, entries: list[Entry]) -> None:
    """Keeps ``cents`` in stock, or passes it on at once to where the piece went."""
    if piece.state is State.IN_STOCK:
        piece.in_stock_cents += cents
        return
    piece.charged_cents += cents
    if line.is_piece_cost:
        piece.late.append(line)
    text = f"late: {line.kind.value}, the piece is {piece.state.value}"
    entries.extend(_entry(line, piece.charged_to, Account.PIECES, cents=cents, text=text, late=True))


def _next_event(events: list[Line], piece: Standing) -> Line:
    """The first of the day that can happen to a piece standing where it does, else simply the first.

    What was typed in later may have happened earlier in the day: a piece must be back before it is sold again.
    """
    here = piece.state is State.IN_STOCK
    return next((line for line in events if (line.kind is not Kind.RETURNED) == here), events[0])


def _move(piece: Standing, line: Line, entries: list[Entry]) -> str:
    """Takes the piece out of stock at its basis, or back in; the reason when it cannot."""
    if line.kind is Kind.RETURNED:
        if piece.state is State.IN_STOCK:
            return "It came back without having left."
        text = "back in stock at its basis"
        entries.extend(_entry(line, Account.PIECES, piece.charged_to, cents=piece.charged_cents, text=text))
        piece.in_stock_cents, piece.charged_cents = piece.charged_cents, 0
        piece.state, piece.left_on, piece.late = State.IN_STOCK, None, []
        return ""
    if piece.state is not State.IN_STOCK:
        return f"It had left already: {piece.state.value}."
    piece.state, piece.left_on, piece.charged_to = _STATES[line.kind], line.on, _OUT_TO[line.kind]
    text = f"basis, {piece.state.value}"
    entries.extend(_entry(line, piece.charged_to, Account.PIECES, cents=piece.in_stock_cents, text=text))
    piece.in_stock_cents, piece.charged_cents = 0, piece.in_stock_cents
    return ""


def _deposits_out_of_step(ordered: list[Line]) -> Iterator[Problem]:
    held: dict[Id, int] = defaultdict(int)
    gone = (Kind.DEPOSIT_APPLIED, Kind.DEPOSIT_GIVEN_BACK, Kind.DEPOSIT_KEPT)
    for line in sorted(ordered, key=lambda line: (line.on, line.kind in gone)):
        if line.sale is None:
            continue
        if line.kind is Kind.DEPOSIT:
            held[line.sale] += line.cents
        elif line.kind in gone:
            held[line.sale] -= line.cents
            if held[line.sale] < 0:
                yield Problem(line, "More of the deposit is gone than was taken.")


def lots_overdrawn(lines: Iterable[Line]) -> Iterator[Problem]:
    """The last line of each day on which a lot gave more than it had cost; within a day the order is free."""
    left: dict[Id, int] = defaultdict(int)
    days: dict[tuple[date, Id], list[tuple[Line, int]]] = defaultdict(list)
    for line in in_order(lines):
        for lot, cents in lot_changes(line):
            days[line.on, lot].append((line, cents))
    for (_, lot), changes in sorted(days.items(), key=lambda day: (day[0][0], str(day[0][1]))):
        before = left[lot]
        left[lot] += sum(cents for _, cents in changes)
        if left[lot] < min(before, 0):
            line = next(line for line, cents in reversed(changes) if cents < 0)
            yield Problem(line, "More was taken from the stock than it had cost.")
