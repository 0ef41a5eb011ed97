"""The shop over a period: stock, cost of sales by two separate ways, revenue, expenses, tax held, and the journal."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from flips.books.entries import EXPENSE, SELLING, STOCK, Account, Entry, keep, lots_overdrawn
from flips.books.lines import (
    BROUGHT_IN,
    LOT_IN,
    WAYS_OUT,
    Hours,
    Id,
    Kind,
    Line,
    Problem,
    Trace,
    in_order,
    lot_changes,
)
from flips.books.periods import TaxPeriod, tax_held
from flips.books.pieces import after_wages, hourly, percent

Subject = tuple[str, Id]  # ("piece", its id) or ("lot", its id)

# IRS Schedule C (Form 1040) Part III lines 36 to 39, by what kind of cost goes where.
_PURCHASES = frozenset({Kind.PURCHASE, Kind.PREMIUM, Kind.PURCHASE_TAX})
_MATERIALS = frozenset({Kind.LOT_BOUGHT, Kind.PART})


_REVENUE = frozenset({Account.SALES, Account.DELIVERY_CHARGED, Account.TIPS, Account.REFUNDS})
_LOST = frozenset({Account.WRITTEN_OFF, Account.SHRINKAGE, Account.USED_OTHERWISE})
_OUT = _LOST | {Account.COST_OF_SALES, Account.KEPT, Account.GIVEN_AWAY}
_MARGIN = _REVENUE | {Account.COST_OF_SALES}

# Figure: its accounts, the groups of accounts that belong to it, and the sign that makes a debit balance the figure.
_MADE_OF: dict[str, tuple[frozenset[str], tuple[str, ...], int]] = {
    "cost_of_sales": (frozenset({Account.COST_OF_SALES}), (), 1),
    "late_costs": (frozenset({Account.COST_OF_SALES}), (), 1),
    "written_off": (frozenset({Account.WRITTEN_OFF}), (), 1),
    "shrinkage": (frozenset({Account.SHRINKAGE}), (), 1),
    "used_otherwise": (frozenset({Account.USED_OTHERWISE}), (), 1),
    "kept": (frozenset({Account.KEPT}), (), 1),
    "given_away": (frozenset({Account.GIVEN_AWAY}), (), 1),
    "by_the_door": (_OUT, (), 1),
    "sales": (frozenset({Account.SALES}), (), -1),
    "delivery_charged": (frozenset({Account.DELIVERY_CHARGED}), (), -1),
    "tips": (frozenset({Account.TIPS}), (), -1),
    "refunds": (frozenset({Account.REFUNDS}), (), 1),
    "revenue": (_REVENUE, (), -1),
    "other_income": (frozenset({Account.OTHER_INCOME}), (), -1),
    "selling_total": (frozenset(), (SELLING,), 1),
    "margin": (_MARGIN, (SELLING,), -1),
    "expenses_total": (frozenset(), (EXPENSE,), 1),
    "profit": (_MARGIN | _LOST | {Account.OTHER_INCOME}, (SELLING, EXPENSE), -1),
    "cash": (frozenset({Account.MONEY}), (), 1),
}
_BOUGHT_PARTS: dict[str, tuple[str, ...]] = {
    "brought_in": ("brought in",),
    "purchases": ("purchases",),
    "paid_help": ("paid help",),
    "materials": ("materials",),
    "other_costs": ("other",),
    "bought": ("purchases", "paid help", "materials", "other"),
}


@dataclass(frozen=True, slots=True)
class PieceYear:
    """What one piece adds to the figures of a period; the pieces (and None, for no piece) add up to the whole."""

    revenue: int = 0
    selling_costs: int = 0
    cost_of_sales: int = 0
    written_off: int = 0
    owner_minutes: int = 0
    helper_minutes: int = 0

    @property
    def margin(self) -> int:
        """Revenue less selling costs less cost of sales."""
        return self.revenue - self.selling_costs - self.cost_of_sales


@dataclass(frozen=True)
class YearFigures:
    """The figures of ``first`` up to but not including ``end``, in cents.

    ``by_the_shelf`` counts: opening stock + bought - closing stock, from the lines alone. ``by_the_door`` adds up what
    left stock, from the entries. They must agree; ``offenders`` are the lines to look at where they do not.
    """

    first: date
    end: date
    brought_in: int
    stock_at_start: Mapping[Subject, int]
    stock_at_end: Mapping[Subject, int]
    purchases: int
    paid_help: int
    materials: int
    other_costs: int
    cost_of_sales: int
    late_costs: int
    written_off: int
    shrinkage: int
    used_otherwise: int
    kept: int
    given_away: int
    offenders: tuple[Problem, ...]
    problems: tuple[Problem, ...]
    sales: int
    delivery_charged: int
    tips: int
    refunds: int
    other_income: int
    selling_costs: Mapping[str, int]
    expenses: Mapping[str, int]
    tax: tuple[TaxPeriod, ...]
    tax_held_at_end: int
    deposits_at_end: int
    cash: int
    failed_attempts: int
    failed_minutes: int
    owner_minutes: int
    helper_minutes: int
    target_rate_cents: int | None
    pieces: Mapping[Id | None, PieceYear]
    journal: tuple[Entry, ...]
    lines: tuple[Line, ...]

    @property
    def opening_stock(self) -> int:
        """Stock on the first day, and what a shop that starts mid-life brought in during the period."""
        return sum(self.stock_at_start.values()) + self.brought_in

    @property
    def closing_stock(self) -> int:
        """Unsold pieces at basis and lots on hand at cost, at the end of the last day."""
        return sum(self.stock_at_end.values())

    @property
    def bought(self) -> int:
        """Everything that went into stock from outside."""
        return self.purchases + self.paid_help + self.materials + self.other_costs

    @property
    def by_the_shelf(self) -> int:
        """Opening stock + bought - closing stock."""
        return self.opening_stock + self.bought - self.closing_stock

    @property
    def by_the_door(self) -> int:
        """Basis of what was sold or written off + stock used up otherwise."""
        gone = self.cost_of_sales + self.written_off + self.shrinkage
        return gone + self.used_otherwise + self.kept + self.given_away

    @property
    def difference(self) -> int:
        """``by_the_shelf`` less ``by_the_door``: 0 in books that tie out."""
        return self.by_the_shelf - self.by_the_door

    @property
    def revenue(self) -> int:
        """Sales, delivery charged and tips, less refunds; never tax."""
        return self.sales + self.delivery_charged + self.tips - self.refunds

    @property
    def selling_total(self) -> int:
        """All selling costs together."""
        return sum(self.selling_costs.values())

    @property
    def margin(self) -> int:
        """Revenue less selling costs less cost of sales."""
        return self.revenue - self.selling_total - self.cost_of_sales

    @property
    def margin_percent(self) -> Fraction | None:
        """Margin in percent of revenue, exact."""
        return percent(self.margin, self.revenue)

    @property
    def hourly(self) -> int | None:
        """Margin for each hour of the owner's in the period; None at zero hours."""
        return hourly(self.margin, self.owner_minutes)

    @property
    def after_wages(self) -> int | None:
        """Margin less the owner's hours at her target rate."""
        return after_wages(self.margin, self.owner_minutes, target_rate_cents=self.target_rate_cents)

    @property
    def expenses_total(self) -> int:
        """All expenses together; selling costs are not among them."""
        return sum(self.expenses.values())

    @property
    def profit(self) -> int:
        """Margin and other income, less stock lost or used up, less expenses; kept and given away don't count."""
        lost = self.written_off + self.shrinkage + self.used_otherwise
        return self.margin + self.other_income - lost - self.expenses_total

    @property
    def pay_an_hour(self) -> int | None:
        """Profit for each hour of the owner's; None at zero hours."""
        return hourly(self.profit, self.owner_minutes)

    @property
    def cost_of_goods(self) -> dict[str, int]:
        """Lines 35 to 42 of IRS Schedule C Part III; what was kept or given away comes off the purchases."""
        withdrawn = self.kept + self.given_away
        part = {
            "35": self.opening_stock,
            "36": self.purchases - withdrawn,
            "37": self.paid_help,
            "38": self.materials,
            "39": self.other_costs,
        }
        total = sum(part.values())
        return {**part, "40": total, "41": self.closing_stock, "42": total - self.closing_stock}

    def behind(self, figure: str) -> tuple[Trace, ...]:
        """The lines behind a figure, which add up to it: any money figure of this class by its name.

        One selling cost or expense is asked for as "selling_costs/packing", "expenses/tools". The two stock figures are
        ``stock_at_start`` and ``stock_at_end``, piece by piece and lot by lot. Raises KeyError for anything else.
        """
        if figure in _BOUGHT_PARTS:
            return tuple(
                Trace(line, line.cents, line.kind.value)
                for line in self.lines
                if _bought_as(line) in _BOUGHT_PARTS[figure]
            )
        if figure == "failed_attempts":
            return tuple(
                Trace(line, line.cents, line.kind.value) for line in self.lines if line.is_failed_cost
            )
        group, _, one = figure.partition("/")
        if one:
            prefix = {"selling_costs": SELLING, "expenses": EXPENSE}[group]
            made_of: tuple[frozenset[str], tuple[str, ...], int] = frozenset({prefix + one}), (), 1
        else:
            made_of = _MADE_OF[figure]
        accounts, prefixes, sign = made_of
        traces = []
        for entry in self.journal:
            cents = sum(
                entry.on_account(account)
                for account in (entry.debit, entry.credit)
                if account in accounts or (prefixes and account.startswith(prefixes))
            )
            if cents and (entry.late or figure != "late_costs"):
                traces.append(Trace(entry.line, sign * cents, entry.text))
        return tuple(traces)


def year_figures(
    lines: Iterable[Line],
    *,
    first: date,
    end: date,
    hours: Iterable[Hours] = (),
    target_rate_cents: int | None = None,
) -> YearFigures:
    """Folds ALL lines of the shop up to ``end`` (those from ``end`` on are ignored) into the figures of the period."""
    known = in_order(line for line in lines if line.on < end)
    book = keep(known)
    during = [line for line in known if line.on >= first]
    journal = tuple(entry for entry in book.entries if entry.on >= first)
    worked = [spell for spell in hours if first <= spell.on < end]
    problems = (*book.problems, *lots_overdrawn(known))
    start, finish = shelf(known, on=first), shelf(known, on=end)
    balance = _balances(journal)
    costs: dict[str, int] = defaultdict(int)
    for line in during:
        costs[_bought_as(line)] += line.cents
    return YearFigures(
        first=first,
        end=end,
        brought_in=costs["brought in"],
        stock_at_start=start,
        stock_at_end=finish,
        purchases=costs["purchases"],
        paid_help=costs["paid help"],
        materials=costs["materials"],
        other_costs=costs["other"],
        cost_of_sales=balance[Account.COST_OF_SALES],
        late_costs=sum(entry.on_account(Account.COST_OF_SALES) for entry in journal if entry.late),
        written_off=balance[Account.WRITTEN_OFF],
        shrinkage=balance[Account.SHRINKAGE],
        used_otherwise=balance[Account.USED_OTHERWISE],
        kept=balance[Account.KEPT],
        given_away=balance[Account.GIVEN_AWAY],
        offenders=tuple(_offenders(during, journal, start=start, finish=finish, problems=problems)),
        problems=problems,
        sales=-balance[Account.SALES],
        delivery_charged=-balance[Account.DELIVERY_CHARGED],
        tips=-balance[Account.TIPS],
        refunds=balance[Account.REFUNDS],
        other_income=-balance[Account.OTHER_INCOME],
        selling_costs=_named(balance, SELLING),
        expenses=_named(balance, EXPENSE),
        tax=tax_held(during, first=first, end=end, months=12 * (end.year - first.year + 1)),
        tax_held_at_end=-sum(entry.on_account(Account.TAX_HELD) for entry in book.entries),
        deposits_at_end=-sum(entry.on_account(Account.DEPOSITS) for entry in book.entries),
        cash=balance[Account.MONEY],
        failed_attempts=sum(line.cents for line in during if line.is_failed_cost),
        failed_minutes=sum(spell.minutes for spell in worked if spell.failed),
        owner_minutes=sum(spell.minutes for spell in worked if not spell.helper),
        helper_minutes=sum(spell.minutes for spell in worked if spell.helper),
        target_rate_cents=target_rate_cents,
        pieces=_by_piece(journal, worked),
        journal=journal,
        lines=tuple(during),
    )


def shelf(lines: Iterable[Line], *, on: date) -> dict[Subject, int]:
    """What stands in the shop at the start of a day, at cost: a count from the lines alone, without the journal.

    A piece is there unless it left once more than it came back. A lot is worth what went in less what came out, and
    never less than nothing.
    """
    cost: dict[Subject, int] = defaultdict(int)
    away: dict[Subject, int] = defaultdict(int)
    for line in lines:
        if line.on >= on:
            continue
        if line.piece is not None:
            piece: Subject = ("piece", line.piece)
            if line.is_piece_cost:
                cost[piece] += line.cents
            elif line.kind is Kind.SALVAGED:
                cost[piece] -= line.cents
            elif line.kind in WAYS_OUT:
                away[piece] += 1
            elif line.kind is Kind.RETURNED:
                away[piece] -= 1
        for lot, cents in lot_changes(line):
            cost["lot", lot] += cents
    return {
        subject: cost[subject]
        for subject in sorted(cost, key=lambda subject: (subject[0], str(subject[1])))
        if not away[subject] and cost[subject] and (subject[0] == "piece" or cost[subject] > 0)
    }


def _bought_as(line: Line) -> str:
    """Which part of what was bought a line belongs to; "" for what does not come into stock from outside."""
    if line.kind in BROUGHT_IN:
        return "brought in"
    if line.kind in _PURCHASES:
        return "purchases"
    if line.kind in _MATERIALS:
        return "materials"
    if line.kind is Kind.TRANSPORT:
        return "other"
    return "paid help" if line.kind is Kind.HELP and line.piece is not None else ""


def _balances(entries: Iterable[Entry]) -> dict[str, int]:
    balance: dict[str, int] = defaultdict(int)
    for entry in entries:
        balance[entry.debit] += entry.cents
        balance[entry.credit] -= entry.cents
    return balance


def trial_balance(entries: Iterable[Entry]) -> dict[str, int]:
    """The balance of every account, debit positive, by name; they add up to zero."""
    balance = _balances(entries)
    return {str(account): balance[account] for account in sorted(balance)}


def _named(balance: Mapping[str, int], prefix: str) -> dict[str, int]:
    """The accounts of a group by their own names, those that moved."""
    return {
        account.removeprefix(prefix): balance[account]
        for account in sorted(balance)
        if account.startswith(prefix) and balance[account]
    }


def _by_piece(journal: Iterable[Entry], worked: Iterable[Hours]) -> dict[Id | None, PieceYear]:
    sums: dict[Id | None, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for entry in journal:
        for account in (entry.debit, entry.credit):
            cents = entry.on_account(account)
            if account in _REVENUE:
                sums[entry.line.piece]["revenue"] -= cents
            elif account.startswith(SELLING):
                sums[entry.line.piece]["selling_costs"] += cents
            elif account == Account.COST_OF_SALES:
                sums[entry.line.piece]["cost_of_sales"] += cents
            elif account == Account.WRITTEN_OFF:
                sums[entry.line.piece]["written_off"] += cents
    for spell in worked:
        sums[spell.piece]["helper_minutes" if spell.helper else "owner_minutes"] += spell.minutes
    return {piece: PieceYear(**sums[piece]) for piece in sorted(sums, key=str)}


def _offenders(
    during: list[Line],
    journal: tuple[Entry, ...],
    *,
    start: Mapping[Subject, int],
    finish: Mapping[Subject, int],
    problems: tuple[Problem, ...],
) -> Iterator[Problem]:
    """The lines of each piece or lot whose own two ways differ: those known not to fit, else all of the period's."""
    difference: dict[Subject, int] = defaultdict(int)
    for sign, stock in ((1, start), (-1, finish)):
        for standing, cents in stock.items():
            difference[standing] += sign * cents
    for line in during:
        if line.is_piece_cost and line.piece is not None:
            difference["piece", line.piece] += line.cents
        if line.kind is Kind.SALVAGED and line.piece is not None:
            difference["piece", line.piece] -= line.cents
        for lot, cents in lot_changes(line):
            # What goes on to a piece or another lot is not gone; what leaves the shelves is the door's to say.
            if line.kind in LOT_IN | {Kind.USED, Kind.OFFCUT, Kind.SALVAGED}:
                difference["lot", lot] += cents
    for entry in journal:
        for account in STOCK:
            other = entry.credit if entry.debit == account else entry.debit
            if entry.on_account(account) and other in _OUT:
                whose = entry.line.piece if account == Account.PIECES else entry.line.lot
                subject: Subject = ("piece" if account == Account.PIECES else "lot", whose or "")
                difference[subject] += entry.on_account(account)
    for subject in sorted((s for s in difference if difference[s]), key=str):
        known = [problem for problem in problems if subject in _subjects(problem.line)]
        yield from known or [
            Problem(line, "Its piece or lot does not add up.")
            for line in during
            if subject in _subjects(line)
        ]


def _subjects(line: Line) -> set[Subject]:
    named = {("piece", line.piece), ("lot", line.lot), ("lot", line.into)}
    return {(what, whose) for what, whose in named if whose is not None}
