"""From a figure to its lines, from a line to its record and to the photo of its slip."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from django.db.models import Q
from django.urls import NoReverseMatch, reverse

from flips.books import (
    Account,
    Collector,
    Hours,
    Id,
    Kind,
    Line,
    PieceFigures,
    Trace,
    YearFigures,
    keep,
    periods,
)
from flips.models.bench import Attempt
from flips.models.pieces import Photo, Piece
from flips.models.receipts import ReceiptLine
from flips.models.review import (
    GROUPINGS,
    NO_LINE,
    Books,
    ShopYear,
    cost_rows,
    names_of,
    trips_by_rate,
)
from flips.models.sales import Return
from flips.models.stock import Lot, Use

Source = tuple[str, Id]


@dataclass(frozen=True)
class Place:
    """Where the record of a line is shown, what it is called, and the photos of its slip."""

    text: str
    href: str
    slips: list[Photo] = field(default_factory=list)


_ROUTES = {
    "purchase": ("purchase", "Purchase"),
    "receipt": ("receipt", "Receipt"),
    "use": ("use", "Use of material"),
    "time": ("time_entry", "Hours"),
    "sale": ("sale", "Sale"),
    "lot": ("lot", "Stock"),
    "piece": ("piece", "Piece"),
    "payment": ("payment", "Payment"),
    "tax_payment": ("tax_payment", "Tax paid over"),
    "trip": ("trip", "Trip"),
}


def places_of(lines: Iterable[Line | Hours]) -> dict[Source, Place]:
    """The record behind every line, and its slips, in a fixed number of queries.

    Material leads on to the receipt its lot was bought with, so that its slip is one tap away too.
    """
    ids: dict[str, set[int]] = defaultdict(set)
    for line in lines:
        if line.source[0]:
            ids[line.source[0]].add(int(line.source[1]))
    lot_of_use = dict(Use.objects.filter(pk__in=ids["use"]).values_list("pk", "lot_id"))
    lots = ids["lot"] | {lot for lot in lot_of_use.values() if lot}
    # An offcut's slip is the one of the sheet it was cut from.
    parent = dict(Lot.objects.filter(pk__in=lots, cut_from__isnull=False).values_list("pk", "cut_from_id"))
    receipt_of_lot: dict[int, int] = dict(
        ReceiptLine.objects.live()
        .filter(lot__in=lots | set(parent.values()))
        .values_list("lot_id", "receipt_id")
    )
    sale_of_return = dict(Return.objects.filter(pk__in=ids["return"]).values_list("pk", "share__sale_id"))
    receipts = ids["receipt"] | set(receipt_of_lot.values())
    slips: dict[Source, list[Photo]] = defaultdict(list)
    wanted = Q(receipt__in=receipts) | Q(purchase__in=ids["purchase"])
    for photo in Photo.objects.live().filter(wanted).order_by("created_at", "pk"):
        if photo.receipt_id is not None:
            slips["receipt", photo.receipt_id].append(photo)
        elif photo.purchase_id is not None:
            slips["purchase", photo.purchase_id].append(photo)
    found: dict[Source, Place] = {}
    for kind, of_kind in ids.items():
        for pk in of_kind:
            own = slips.get((kind, pk), [])
            lot = pk if kind == "lot" else lot_of_use.get(pk) if kind == "use" else None
            if lot is not None:
                bought = receipt_of_lot.get(lot) or receipt_of_lot.get(parent.get(lot, 0))
                own = slips.get(("receipt", bought), []) if bought else []
            target = ("sale", sale_of_return.get(pk, 0)) if kind == "return" else (kind, pk)
            found[kind, pk] = Place(*_shown(kind, target), own)
    return found


def _shown(kind: str, target: tuple[str, int]) -> tuple[str, str]:
    route, text = _ROUTES.get(target[0], (target[0], kind.replace("_", " ").capitalize()))
    try:
        return ("Return" if kind == "return" else text), reverse(route, args=[target[1]])
    except NoReverseMatch:
        return text, ""


_DEPOSITS = {
    Kind.DEPOSIT: 1,
    Kind.DEPOSIT_APPLIED: -1,
    Kind.DEPOSIT_GIVEN_BACK: -1,
    Kind.DEPOSIT_KEPT: -1,
}


def traces_of(books: Books, year: ShopYear, figures: YearFigures, figure: str) -> tuple[Trace, ...]:
    """The lines behind a figure of a year, which add up to it. Raises KeyError for what has none."""
    if figure == "tax":
        signs = {
            Kind.TAX_COLLECTED: 1,
            Kind.TAX_GIVEN_BACK: -1,
            Kind.TAX_RECLAIMED: -1,
            Kind.TAX_PAID_OVER: -1,
        }
        return tuple(
            Trace(line, signs[line.kind] * line.cents, _tax_words(line))
            for line in figures.lines
            if line.kind in signs
        )
    if figure in ("tax_held_at_end", "deposits_at_end"):
        account = Account.TAX_HELD if figure == "tax_held_at_end" else Account.DEPOSITS
        book = keep(line for line in books.lines if line.on < year.end)
        return tuple(
            Trace(entry.line, -entry.on_account(account), entry.text)
            for entry in book.entries
            if entry.on_account(account)
        )
    return figures.behind(figure)


def _tax_words(line: Line) -> str:
    who = {Collector.SHOP: "you", Collector.MARKETPLACE: "the marketplace"}
    return f"{line.kind.value}, by {who[line.collector]}" if line.collector else line.kind.value


def hours_of(books: Books, year: ShopYear, figure: str) -> list[Hours]:
    """The spells behind a figure of minutes. Raises KeyError for what is none."""
    keep_spell = {
        "owner_minutes": lambda spell: not spell.helper,
        "helper_minutes": lambda spell: spell.helper,
        "failed_minutes": lambda spell: spell.failed,
    }[figure]
    return [spell for spell in books.hours if year.first <= spell.on < year.end and keep_spell(spell)]


@dataclass(frozen=True)
class Part:
    """What stands behind one cell of a table of the review: money lines, or hours where ``spells`` is not None."""

    words: str
    traces: tuple[Trace, ...] = ()
    spells: list[Hours] | None = None


PART_KEYS = (*GROUPINGS, "month", "technique")
_GROUP_FIGURES = {
    "sales": "Sales",
    "revenue": "Revenue",
    "selling_total": "Selling costs",
    "cost_of_sales": "Cost of sales",
    "margin": "Margin",
    "owner_minutes": "Your hours",
}
_MONTH_FIGURES = {"revenue": "Revenue", "margin": "Margin", "expenses_total": "Expenses"}
_TECHNIQUE_FIGURES = {
    "attempts": "Cash in attempts",
    "attempt_minutes": "Hours in attempts",
    "failed_attempts": "Cash in attempts that failed",
    "failed_minutes": "Hours in attempts that failed",
}


def part_of(
    books: Books, year: ShopYear, figures: YearFigures, *, figure: str, key: str = "", value: str = ""
) -> Part:
    """What is behind ``figure`` of the part of a year whose ``key`` (one of PART_KEYS) is ``value``, and which adds up
    to the cell of the review; ``form/…`` and ``trips/…`` need no key. A fixed number of queries.

    Raises KeyError for a figure, key or value the review does not show.
    """
    group, _, one = figure.partition("/")
    if not key and group == "form":
        rows = [row for of in cost_rows(figures) for row in of if (row.line_words or NO_LINE) == one]
        if not rows:
            raise KeyError(one)
        return Part(one, tuple(trace for row in rows for trace in figures.behind(row.figure)))
    if not key and group == "trips":
        posted = {f"{rate}-{unit}": trips for (rate, unit), trips in trips_by_rate(year).items()}[one]
        trips = {("trip", row.trip.pk) for row in posted}
        return Part(
            "Trips at one rate",
            tuple(trace for trace in figures.behind("expenses/trips") if trace.line.source in trips),
        )
    if key == "month":
        stretches = {first.isoformat(): (first, end) for first, end in periods(figures.first, figures.end)}
        first, end = stretches[value]
        words = f"{_MONTH_FIGURES[figure]}, from {first:%-d %b %Y}"
        return Part(words, tuple(t for t in figures.behind(figure) if first <= t.line.on < end))
    if key == "technique":
        return _of_technique(books, year, figures, figure=figure, technique=value)
    return _of_group(books, year, figures, figure=figure, name_of=names_of(books, year)[key], name=value)


def _of_group(
    books: Books,
    year: ShopYear,
    figures: YearFigures,
    *,
    figure: str,
    name_of: Callable[[Id | None, Id | None], str],
    name: str,
) -> Part:
    own = [spell for spell in hours_of(books, year, "owner_minutes") if name_of(spell.piece, None) == name]
    margin = [t for t in figures.behind("margin") if name_of(t.line.piece, t.line.sale) == name]
    words = f"{_GROUP_FIGURES[figure]}, {name}"
    if not own and not margin:
        raise KeyError(name)
    if figure == "owner_minutes":
        return Part(words, spells=own)
    if figure == "margin":
        return Part(words, tuple(margin))
    return Part(words, tuple(t for t in figures.behind(figure) if name_of(t.line.piece, t.line.sale) == name))


def _of_technique(books: Books, year: ShopYear, figures: YearFigures, *, figure: str, technique: str) -> Part:
    attempts = list(Attempt.objects.live().filter(technique=technique))
    words = f"{_TECHNIQUE_FIGURES[figure]}, {technique}"
    if not attempts:
        raise KeyError(technique)
    wanted = {row.pk for row in attempts if row.has_failed or not figure.startswith("failed_")}
    if figure.endswith("_minutes"):
        spells = [s for s in books.hours if s.attempt in wanted and year.first <= s.on < year.end]
        return Part(words, spells=spells)
    lines = [line for line in figures.lines if line.attempt in wanted and line.is_piece_cost]
    return Part(words, tuple(Trace(line, line.cents, line.kind.value) for line in lines))


@dataclass(frozen=True)
class Standing:
    """A piece or a lot in stock on a day, at its cost."""

    text: str
    href: str
    cents: int


def standing(stock: Mapping[tuple[str, Id], int]) -> list[Standing]:
    """What stands on the shelf, by name, the dearest first."""
    pieces = Piece.objects.in_bulk([int(whose) for what, whose in stock if what == "piece"])
    lots = {lot.pk: lot for lot in Lot.objects.live()}
    of_key = {lot.material_key: lot for lot in lots.values()}
    rows = []
    for (what, whose), cents in stock.items():
        if what == "piece":
            piece = pieces.get(int(whose))
            href = reverse("piece_figure", args=[whose, "basis"]) if piece else ""
            rows.append(Standing(str(piece or f"Piece {whose}"), href, cents))
        else:
            lot = lots.get(whose) if isinstance(whose, int) else of_key.get(str(whose))
            rows.append(
                Standing(
                    str(lot) if lot else str(whose).split("\x1f", maxsplit=1)[0],
                    lot.get_absolute_url() if lot else "",
                    cents,
                )
            )
    return sorted(rows, key=lambda row: (-row.cents, row.text))


PIECE_LABELS = {
    "paid_in": "Paid",
    "paid": "Purchase price",
    "premium": "Buyer's premium",
    "purchase_tax": "Tax on the purchase",
    "transport": "Transport in",
    "brought_in": "Brought in at the start",
    "parts": "Parts bought",
    "materials": "Materials",
    "paid_help": "Paid help",
    "salvage": "Salvaged into stock",
    "failed_attempts": "Failed attempts, within the basis",
    "late_costs": "Costs that came after it had left",
    "basis": "Basis",
    "in_it_so_far": "In it so far",
    "price": "Price",
    "delivery_charged": "Delivery charged",
    "tips": "Tips",
    "refunds": "Refunds",
    "revenue": "Revenue",
    "selling_total": "Selling costs",
    "margin": "Margin",
    "hourly": "Hourly: margin for each hour of yours",
    "after_wages": "After wages: margin less your hours at your wanted pay",
    "owner_minutes": "Your hours",
}
_PAID_IN = ("paid", "premium_tax", "transport", "brought_in")


def piece_traces(figures: PieceFigures, figure: str) -> tuple[Trace, ...]:
    """The lines behind a figure of a piece. Raises KeyError for what has none."""
    if figure == "paid_in":
        return tuple(trace for part in _PAID_IN for trace in figures.behind(part))
    if figure in ("hourly", "after_wages"):
        return figures.behind("margin")
    return figures.behind(figure)


def piece_cents(figures: PieceFigures, figure: str) -> int | None:
    """The amount of a figure of a piece; None where there is none."""
    if figure == "paid_in":
        return sum(getattr(figures, part) for part in _PAID_IN)
    return getattr(figures, figure)
