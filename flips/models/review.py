"""A year of the shop, read for its review: the figures of the books with what they are about. Nothing is summed in a page."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from fractions import Fraction
from functools import cached_property
from typing import Any

from django.db.models import Max, Q

from finishes.measures import trim_decimal
from flips.books import (
    EXPENSE,
    SELLING,
    Account,
    Hours,
    Id,
    Kind,
    Line,
    Method,
    PieceFigures,
    TaxPeriod,
    YearFigures,
    all_piece_figures,
    periods,
    tax_held,
    year_figures,
    year_of,
)
from flips.books.pieces import hourly, percent
from flips.models.bench import Attempt
from flips.models.closing import YearClose, year_name
from flips.models.estimates import Planned, planned_of
from flips.models.facts import shop_facts
from flips.models.people import Shop, StockMethod
from flips.models.pieces import Piece, PurchaseShare
from flips.models.receipts import ExpenseCategory, Receipt
from flips.models.records import MILLION
from flips.models.sales import Sale
from flips.models.stock import Lot, Use
from flips.models.trips import Posted, posted_trips
from flips.schedule_c import in_words, line_of

ASLEEP_DAYS = 180
BEST = 5
NOT_ON_A_PIECE = "Not on one piece"
NO_LINE = "No line yet"
OTHER_METHOD = {StockMethod.FIFO: Method.AVERAGE, StockMethod.AVERAGE: Method.FIFO}


@dataclass(frozen=True)
class ShopYear:
    """A year of the shop from its first day up to but not including ``end``, and its closing if it is closed."""

    first: date
    end: date
    close: YearClose | None = None

    def __str__(self) -> str:
        return year_name(self.first, self.end)

    @property
    def name(self) -> str:
        """As people call it."""
        return str(self)

    @property
    def last(self) -> date:
        """Its last day."""
        return self.end - timedelta(days=1)

    @property
    def is_closed(self) -> bool:
        """Whether it refuses edits."""
        return self.close is not None

    def is_over(self, today: date) -> bool:
        """Whether its last day has passed."""
        return self.end <= today


@dataclass(frozen=True)
class Books:
    """Every line and hour of the shop, read once; its years follow from them."""

    shop: Shop
    lines: Sequence[Line]
    hours: Sequence[Hours]
    closes: Sequence[YearClose]
    today: date

    @classmethod
    def read(cls, shop: Shop, *, today: date) -> Books:
        """Reads the whole shop in a fixed number of queries."""
        lines, hours = shop_facts(zone=shop.zone)
        closes = list(YearClose.objects.shut().select_related("closed_by").order_by("first"))
        return cls(shop, tuple(lines), tuple(hours), closes, today)

    @cached_property
    def years(self) -> list[ShopYear]:
        """Every year from the first that has anything in it to the present one, the earliest first.

        Closed years keep the days they were closed with; after a change of the tax year a shorter one comes between.
        """
        days = [line.on for line in self.lines] + [spell.on for spell in self.hours] + [self.today]
        days += [close.first for close in self.closes]
        closed = {close.first: close for close in self.closes}
        first_closed = min(closed, default=None)
        last = max(days)
        earliest = min(days)
        # Nothing lies before the first closing: its own first day begins the books, whatever the tax year is now.
        start = earliest if earliest == first_closed else self._year(earliest)[0]
        years: list[ShopYear] = []
        while start <= last:
            close = closed.get(start)
            end = close.end if close else self._year(start)[1]
            if close is None and first_closed is not None and start < first_closed < end:
                end = first_closed
            years.append(ShopYear(start, end, close))
            start = end
        # Something dated far ahead by mistake must not make a thousand years.
        present = next((place for place, year in enumerate(years) if self.today < year.end), len(years) - 1)
        ahead = {year.first for year in years[present + 1 :] if any(year.first <= d < year.end for d in days)}
        return [year for place, year in enumerate(years) if place <= present or year.first in ahead]

    def _year(self, day: date) -> tuple[date, date]:
        return year_of(day, month=self.shop.year_starts_month, day_of_month=self.shop.year_starts_day)

    def year(self, day: date) -> ShopYear:
        """The year a day is in."""
        found = next((year for year in self.years if year.first <= day < year.end), None)
        return found or ShopYear(*self._year(day))

    @property
    def present(self) -> ShopYear:
        """The year of today."""
        return self.year(self.today)

    def before(self, year: ShopYear) -> ShopYear | None:
        """The year before, if the shop had one."""
        return next((one for one in self.years if one.end == year.first), None)

    def after(self, year: ShopYear) -> ShopYear | None:
        """The year after, if there is one yet."""
        return next((one for one in self.years if one.first == year.end), None)

    def figures(self, year: ShopYear) -> YearFigures:
        """The figures of a year."""
        return year_figures(
            self.lines,
            first=year.first,
            end=year.end,
            hours=self.hours,
            target_rate_cents=self.shop.wanted_hourly_cents or None,
        )

    def figures_the_other_way(self, year: ShopYear) -> YearFigures:
        """The figures as they would be with the other way of costing stock."""
        lines, hours = shop_facts(
            zone=self.shop.zone, method=OTHER_METHOD[StockMethod(self.shop.stock_method)]
        )
        return year_figures(
            lines,
            first=year.first,
            end=year.end,
            hours=hours,
            target_rate_cents=self.shop.wanted_hourly_cents or None,
        )

    @cached_property
    def pieces(self) -> dict[Id, PieceFigures]:
        """Every piece's figures over its whole life, from the same lines."""
        return all_piece_figures(
            self.lines, hours=self.hours, target_rate_cents=self.shop.wanted_hourly_cents or None
        )


def kept_figures(figures: YearFigures) -> dict[str, Any]:
    """What a closing keeps of a year: every main figure in whole minor units, by its name in the books."""
    names = (
        "revenue", "sales", "delivery_charged", "tips", "refunds", "selling_total", "cost_of_sales", "margin",
        "other_income", "written_off", "shrinkage", "used_otherwise", "kept", "given_away", "expenses_total", "profit",
        "opening_stock", "bought", "closing_stock", "difference", "tax_held_at_end", "deposits_at_end", "cash",
        "failed_attempts", "owner_minutes", "helper_minutes",
    )  # fmt: skip
    return {name: getattr(figures, name) for name in names} | {
        "expenses": dict(figures.expenses),
        "selling_costs": dict(figures.selling_costs),
    }


@dataclass(frozen=True)
class Group:
    """What belongs together under one name: a kind, a place, a channel. The groups of a year add up to the year."""

    name: str
    revenue: int = 0
    selling_costs: int = 0
    cost_of_sales: int = 0
    minutes: int = 0
    sold: int = 0

    @property
    def margin(self) -> int:
        """Revenue less selling costs less cost of sales."""
        return self.revenue - self.selling_costs - self.cost_of_sales

    @property
    def margin_percent(self) -> Any:
        """Margin in percent of revenue, exact; None without revenue."""
        return percent(self.margin, self.revenue)

    @property
    def hourly(self) -> int | None:
        """Margin an hour of the owner's; None at zero hours."""
        return hourly(self.margin, self.minutes)


@dataclass(frozen=True)
class TechniqueRow:
    """What was tried with one technique in the year, and what it cost in cash and minutes."""

    name: str
    tries: int = 0
    worked: int = 0
    failed: int = 0
    cents: int = 0
    minutes: int = 0
    failed_cents: int = 0
    failed_minutes: int = 0


@dataclass(frozen=True)
class Asleep:
    """A piece or lot that has stood in stock for long, at its cost on the last day counted."""

    text: str
    href: str
    since: date
    days: int
    cents: int


@dataclass(frozen=True)
class Told:
    """A piece that was sold in the year: what was expected of it and what came of it."""

    piece: Piece
    figures: PieceFigures
    days: int | None
    planned: Planned | None = None

    @property
    def work_cents(self) -> int:
        """Parts, materials and paid help: the part of the basis that an estimate plans."""
        return self.figures.parts + self.figures.materials + self.figures.paid_help

    @property
    def over_plan_cents(self) -> int | None:
        """What the work cost beyond its plan; None without a plan, or while a price in it is missing."""
        if self.planned is None or self.planned.cents is None:
            return None
        return self.work_cents - self.planned.cents

    @property
    def worked_minutes(self) -> int:
        """The owner's and the helpers' minutes together, as an estimate plans them."""
        return self.figures.owner_minutes + self.figures.helper_minutes

    @property
    def got_cents(self) -> int:
        """What its price came to after refunds: a piece that came back and was sold again was paid for once."""
        return self.figures.price - self.figures.refunds

    @property
    def against_expected(self) -> int | None:
        """What it got less what was expected when it was bought; None when nothing was."""
        return None if self.piece.expected_cents is None else self.got_cents - self.piece.expected_cents

    @property
    def against_asked(self) -> int | None:
        """What it got less what was asked; None when nothing was."""
        return None if self.piece.listed_cents is None else self.got_cents - self.piece.listed_cents


@dataclass(frozen=True)
class ExpenseRow:
    """An expense or selling cost with its line of the tax form."""

    name: str
    cents: int
    figure: str
    line: str
    line_words: str


@dataclass(frozen=True)
class TripRow:
    """The trips of a year that were worth the same rate: how many, how far, and what they come to."""

    rate: str
    source: str
    trips: int
    distance: str
    cents: int
    figure: str = ""


@dataclass(frozen=True)
class Month:
    """A stretch of a year for the chart."""

    first: date
    end: date
    revenue: int
    margin: int
    expenses: int


@dataclass(frozen=True)
class TodoBeforeClosing:
    """Something to look at before a year is closed."""

    text: str
    route: str
    count: int
    stops: bool = False


@dataclass(frozen=True)
class Review:
    """The year review: the figures of the books and every table beside them, each adding up to the same."""

    year: ShopYear
    figures: YearFigures
    other_way: YearFigures
    previous: YearFigures | None
    by_kind: list[Group]
    by_place: list[Group]
    by_channel: list[Group]
    techniques: list[TechniqueRow]
    expenses: list[ExpenseRow]
    selling: list[ExpenseRow]
    by_line: list[tuple[str, int]]
    tax: tuple[TaxPeriod, ...]
    trips: list[TripRow]
    months: list[Month]
    asleep: list[Asleep]
    told: list[Told]
    moved_since_closing: list[tuple[str, int, int]] = field(default_factory=list)

    @property
    def with_plan(self) -> list[Told]:
        """Those that had an estimate, to set it against what came of it."""
        return [row for row in self.told if row.planned is not None]

    @property
    def by_margin(self) -> list[Told]:
        """The pieces sold in the year, the best first."""
        return sorted(self.told, key=lambda one: (-(one.figures.margin or 0), one.piece.pk))

    @property
    def best(self) -> list[Told]:
        """The pieces that left most."""
        return self.by_margin[:BEST]

    @property
    def worst(self) -> list[Told]:
        """The pieces that left least, the worst first; none that is among the best already."""
        return self.by_margin[BEST:][::-1][:BEST]

    @property
    def asleep_cents(self) -> int:
        """Money in what has stood for long."""
        return sum(one.cents for one in self.asleep)


def review(books: Books, year: ShopYear, *, tax_months: int = 3) -> Review:
    """The review of a year, in a fixed number of queries however many rows there are."""
    figures = books.figures(year)
    pieces = {piece.pk: piece for piece in Piece.objects.all()}
    bought = _bought()
    name_of = _names(books, year, pieces=pieces, bought=bought)
    expenses, selling = cost_rows(figures)
    before = books.before(year)
    return Review(
        year=year,
        figures=figures,
        other_way=books.figures_the_other_way(year),
        previous=books.figures(before) if before else None,
        by_kind=_groups(figures, books, name_of["kind"]),
        by_place=_groups(figures, books, name_of["place"]),
        by_channel=_groups(figures, books, name_of["channel"]),
        techniques=_techniques(figures, books),
        expenses=expenses,
        selling=selling,
        by_line=_by_line(expenses + selling),
        tax=tax_held(figures.lines, first=year.first, end=year.end, months=tax_months),
        trips=_trips(year, books.shop),
        months=_months(figures),
        asleep=_asleep(figures, books, pieces=pieces, bought=bought),
        told=_told(figures, books, pieces=pieces, bought=bought),
        moved_since_closing=_moved(year, figures),
    )


NameOf = Callable[[Id | None, Id | None], str]
GROUPINGS = ("kind", "place", "channel")


def names_of(books: Books, year: ShopYear) -> dict[str, NameOf]:
    """For each grouping (kind, place, channel) what a piece and sale count under, as the review names it."""
    return _names(books, year, pieces={row.pk: row for row in Piece.objects.all()}, bought=_bought())


def _names(
    books: Books,
    year: ShopYear,
    *,
    pieces: Mapping[int, Piece],
    bought: Mapping[int, tuple[date | None, str]],
) -> dict[str, NameOf]:
    channels = {sale.pk: str(sale.channel or "No channel") for sale in Sale.objects.select_related("channel")}
    last_sale = _last_sales(books, year)

    def kind_of(piece: Id | None) -> str:
        row = pieces.get(int(piece)) if piece is not None else None
        return (row.kind or "No kind given") if row else NOT_ON_A_PIECE

    def place_of(piece: Id | None) -> str:
        row = pieces.get(int(piece)) if piece is not None else None
        if row is None:
            return NOT_ON_A_PIECE
        return bought.get(row.pk, (None, ""))[1] or row.place or "No place given"

    def channel_of(piece: Id | None, sale: Id | None) -> str:
        # A deposit names itself where a sale would stand: there may not be one yet.
        known = sale if isinstance(sale, int) else last_sale.get(piece) if piece is not None else None
        if known is not None:
            return channels.get(int(known), "No channel")
        return "Not sold yet" if piece is not None else NOT_ON_A_PIECE

    return {
        "kind": lambda piece, _: kind_of(piece),
        "place": lambda piece, _: place_of(piece),
        "channel": channel_of,
    }


def cost_rows(figures: YearFigures) -> tuple[list[ExpenseRow], list[ExpenseRow]]:
    """The expenses and the selling costs of a year, each with its line of the form; one query."""
    chart = {row.name.lower(): row.tax_line for row in ExpenseCategory.objects.exclude(tax_line="")}
    return (
        [_expense(name, cents, f"expenses/{name}", chart) for name, cents in figures.expenses.items()],
        [
            _expense(name, cents, f"selling_costs/{name}", chart)
            for name, cents in figures.selling_costs.items()
        ],
    )


def _expense(name: str, cents: int, figure: str, chart: Mapping[str, str]) -> ExpenseRow:
    line = line_of(name, chart)
    return ExpenseRow(name, cents, figure, line, in_words(line))


def _by_line(rows: Iterable[ExpenseRow]) -> list[tuple[str, int]]:
    """The sum of each line of the form; what has no line yet comes last."""
    sums: dict[str, int] = defaultdict(int)
    for row in rows:
        sums[row.line_words] += row.cents

    def place(words: str) -> tuple[int, int, str]:
        digits = "".join(sign for sign in words.split(" ", maxsplit=1)[0] if sign.isdigit())
        return (1 if not words else 0, int(digits) if digits else 10_000, words)

    return [(words, sums[words]) for words in sorted(sums, key=place)]


def _bought() -> dict[int, tuple[date | None, str]]:
    """When and where each piece was bought."""
    found: dict[int, tuple[date | None, str]] = {}
    for share in (
        PurchaseShare.objects.live().filter(purchase__voided_at__isnull=True).select_related("purchase")
    ):
        found[share.piece_id] = (share.purchase.bought_on, share.purchase.place)
    return found


def _last_sales(books: Books, year: ShopYear) -> dict[Id, Id]:
    """The last sale of each piece up to the end of the year."""
    found: dict[Id, tuple[tuple[object, ...], Id]] = {}
    for line in books.lines:
        if line.kind is not Kind.PRICE or line.piece is None or line.sale is None or line.on >= year.end:
            continue
        if line.piece not in found or found[line.piece][0] < line.key:
            found[line.piece] = (line.key, line.sale)
    return {piece: sale for piece, (_, sale) in found.items()}


_REVENUE = frozenset({Account.SALES, Account.DELIVERY_CHARGED, Account.TIPS, Account.REFUNDS})


def _groups(
    figures: YearFigures, books: Books, name_of: Callable[[Id | None, Id | None], str]
) -> list[Group]:
    """The year by what ``name_of`` (piece, sale) says, the largest margin first."""
    sums: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for entry in figures.journal:
        line = entry.line
        name = name_of(line.piece, line.sale)
        for account in (entry.debit, entry.credit):
            cents = entry.on_account(account)
            if account in _REVENUE:
                sums[name]["revenue"] -= cents
            elif account.startswith(SELLING):
                sums[name]["selling_costs"] += cents
            elif account == Account.COST_OF_SALES:
                sums[name]["cost_of_sales"] += cents
    for line in figures.lines:
        if line.kind is Kind.PRICE:
            sums[name_of(line.piece, line.sale)]["sold"] += 1
    for spell in books.hours:
        if figures.first <= spell.on < figures.end and not spell.helper:
            sums[name_of(spell.piece, None)]["minutes"] += spell.minutes
    groups = [Group(name, **values) for name, values in sums.items() if any(values.values())]
    return sorted(groups, key=lambda group: (-group.margin, group.name))


def _techniques(figures: YearFigures, books: Books) -> list[TechniqueRow]:
    cents: dict[Id, int] = defaultdict(int)
    minutes: dict[Id, int] = defaultdict(int)
    for line in figures.lines:
        if line.attempt is not None and line.is_piece_cost:
            cents[line.attempt] += line.cents
    for spell in books.hours:
        if spell.attempt is not None and figures.first <= spell.on < figures.end:
            minutes[spell.attempt] += spell.minutes
    rows: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    began = Q(began_at__date__gte=figures.first, began_at__date__lt=figures.end)
    touched = set(cents) | set(minutes)
    for attempt in Attempt.objects.live().filter(began | Q(pk__in=touched)):
        row = rows[attempt.technique]
        row["tries"] += 1
        row["worked"] += attempt.outcome == "worked"
        row["failed"] += attempt.has_failed
        row["cents"] += cents[attempt.pk]
        row["minutes"] += minutes[attempt.pk]
        if attempt.has_failed:
            row["failed_cents"] += cents[attempt.pk]
            row["failed_minutes"] += minutes[attempt.pk]
    return sorted(
        (TechniqueRow(name, **row) for name, row in rows.items()),
        key=lambda row: (-row.failed_cents, -row.failed_minutes, -row.tries, row.name),
    )


def trips_by_rate(year: ShopYear) -> dict[tuple[int, str], list[Posted]]:
    """The trips of a year by the id of their rate (0 for none yet) and their unit."""
    found: dict[tuple[int, str], list[Posted]] = defaultdict(list)
    for one in posted_trips():
        if year.first <= one.trip.on < year.end:
            found[one.rate.pk if one.rate else 0, one.trip.unit].append(one)
    return found


def _trips(year: ShopYear, shop: Shop) -> list[TripRow]:
    """The trips of the year by rate, the earliest rate first; a trip before the first rate is worth nothing yet."""
    rows = []
    for (rate_id, unit), posted in trips_by_rate(year).items():
        rate = posted[0].rate
        words = "no rate yet"
        if rate is not None:
            in_major = Fraction(rate.rate_millionths, MILLION * 10**shop.currency.digits)
            words = f"{trim_decimal(in_major, 6)} {shop.currency_code} a {rate.unit} from {rate.from_on.isoformat()}"
        far = trim_decimal(sum((one.trip.distance for one in posted), Fraction(0)), 2)
        rows.append(
            TripRow(
                words,
                rate.source if rate else "",
                len(posted),
                f"{far} {unit}",
                sum(one.cents for one in posted),
                f"trips/{rate_id}-{unit}",
            )
        )
    return rows


def _months(figures: YearFigures) -> list[Month]:
    stretches = periods(figures.first, figures.end)
    sums: list[dict[str, int]] = [defaultdict(int) for _ in stretches]
    for entry in figures.journal:
        place = next(at for at in range(len(stretches) - 1, -1, -1) if stretches[at][0] <= entry.on)
        for account in (entry.debit, entry.credit):
            cents = entry.on_account(account)
            if account in _REVENUE:
                sums[place]["revenue"] -= cents
                sums[place]["margin"] -= cents
            elif account.startswith(SELLING) or account == Account.COST_OF_SALES:
                sums[place]["margin"] -= cents
            elif account.startswith(EXPENSE):
                sums[place]["expenses"] += cents
    return [
        Month(first, end, of["revenue"], of["margin"], of["expenses"])
        for (first, end), of in zip(stretches, sums, strict=True)
    ]


def _asleep(
    figures: YearFigures,
    books: Books,
    *,
    pieces: Mapping[int, Piece],
    bought: Mapping[int, tuple[date | None, str]],
) -> list[Asleep]:
    """What has stood for more than 180 days on the last day of the year, or today while it lasts."""
    until = min(figures.end - timedelta(days=1), books.today)
    back: dict[Id, date] = {}
    for line in books.lines:
        if line.kind is Kind.RETURNED and line.piece is not None and line.on <= until:
            back[line.piece] = max(line.on, back.get(line.piece, line.on))
    moved = dict(
        Use.objects.live()
        .filter(lot__isnull=False, used_on__lte=until)
        .values_list("lot_id")
        .annotate(Max("used_on"))
    )
    lots = {lot.pk: lot for lot in Lot.objects.live()}
    of_key: dict[str, list[Lot]] = defaultdict(list)
    for lot in lots.values():
        of_key[lot.material_key].append(lot)
    rows = []
    for (what, whose), cents in figures.stock_at_end.items():
        if what == "piece":
            piece = pieces.get(int(whose))
            since = (
                back.get(whose) or bought.get(int(whose), (None, ""))[0] or (piece.seen_on if piece else None)
            )
            text, href = (str(piece), piece.get_absolute_url()) if piece else (f"Piece {whose}", "")
        else:
            own = [lots[whose]] if isinstance(whose, int) and whose in lots else of_key.get(str(whose), [])
            if not own:
                continue
            since = max((moved.get(lot.pk) or lot.came_on for lot in own), default=None)
            text, href = str(own[0]), own[0].get_absolute_url()
        if since is not None and (until - since).days > ASLEEP_DAYS:
            rows.append(Asleep(text, href, since, (until - since).days, cents))
    return sorted(rows, key=lambda row: (-row.cents, row.text))


def _told(
    figures: YearFigures,
    books: Books,
    *,
    pieces: Mapping[int, Piece],
    bought: Mapping[int, tuple[date | None, str]],
) -> list[Told]:
    """The pieces whose last way out by the end of the year was a sale in it."""
    sold_on: dict[Id, date] = {}
    for line in figures.lines:
        if line.kind is Kind.PRICE and line.piece is not None:
            sold_on[line.piece] = line.on
    rows = []
    for whose, on in sold_on.items():
        piece, own = pieces.get(int(whose)), books.pieces.get(whose)
        if piece is None or own is None or own.margin is None:
            continue
        since = bought.get(piece.pk, (None, ""))[0]
        rows.append(Told(piece, own, (on - since).days if since else None))
    plans = planned_of([row.piece.pk for row in rows])
    rows = [replace(row, planned=plans.get(row.piece.pk)) for row in rows]
    return sorted(rows, key=lambda row: row.piece.pk)


def _moved(year: ShopYear, figures: YearFigures) -> list[tuple[str, int, int]]:
    """Figures that are no longer what they were at closing: (name, then, now); empty in books that hold."""
    if year.close is None:
        return []
    now = kept_figures(figures)
    return [
        (name.replace("_", " "), then, now[name])
        for name, then in year.close.figures.items()
        if isinstance(then, int) and name in now and now[name] != then
    ]


def before_closing(books: Books, year: ShopYear, figures: YearFigures) -> list[TodoBeforeClosing]:
    """What to look at before a year is closed; what ``stops`` must be put right first."""
    days = {"bought_on__gte": year.first, "bought_on__lt": year.end}
    zone = books.shop.zone
    from flips.models.bench import TimeEntry

    running = [
        row
        for row in TimeEntry.objects.running()
        if year.first <= row.started_at.astimezone(zone).date() < year.end
    ]
    unpaid = Sale.objects.live().filter(paid_on__isnull=True)
    unpaid_then = sum(1 for sale in unpaid if sale.sold_at.astimezone(zone).date() < year.end)
    waiting = Receipt.objects.waiting().filter(**days).count()
    to_fix = Use.objects.to_fix().filter(used_on__gte=year.first, used_on__lt=year.end).count()
    earlier = [
        one
        for one in books.years
        if one.end <= year.first
        and not one.is_closed
        and any(one.first <= line.on < one.end for line in books.lines)
    ]
    todo = [
        TodoBeforeClosing("The year is not over yet", "years", int(not year.is_over(books.today)), True),
        TodoBeforeClosing("Earlier years are still open: close those first", "years", len(earlier), True),
        TodoBeforeClosing(
            "Lines that do not add up", "years", len(figures.offenders) or int(figures.difference != 0), True
        ),
        TodoBeforeClosing("Timers of that year still running", "hours", len(running), True),
        TodoBeforeClosing("Lines that do not fit each other", "years", len(figures.problems)),
        TodoBeforeClosing("Receipts without lines", "receipts", waiting),
        TodoBeforeClosing("Materials used from an unknown lot", "stock", to_fix),
        TodoBeforeClosing("Sales not paid yet: they count in the year they are paid", "sales", unpaid_then),
    ]
    return [one for one in todo if one.count]
