"""The accountant's pack: one zip of tables, the review on paper and the slips; its sums are the screen's."""

from __future__ import annotations

import csv
import io
import re
import shutil
import tempfile
import zipfile
from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from typing import IO

from django.db.models import Q
from django.utils.text import slugify

from estimating.money import Money
from flips.books import Id, Line, trial_balance
from flips.models.people import Shop
from flips.models.pieces import Photo, Piece
from flips.models.receipts import ExpenseCategory
from flips.models.review import Books, Review, ShopYear, review
from flips.models.sources import places_of, standing
from flips.papers.year_pdf import review_pdf
from flips.papers.year_statement import statement
from flips.schedule_c import in_words, line_of

# What spreadsheets take for the beginning of a formula.
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
# So that spreadsheets on every system read the letters right.
BYTE_ORDER_MARK = "\ufeff"
LARGEST_TABLES = 400_000

Cell = str | int | Decimal | date | None


def safe_cell(cell: Cell) -> str:
    """A cell as text. Numbers and dates stay themselves; other text that could be a formula gets an apostrophe."""
    if cell is None:
        return ""
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, int | Decimal):
        return f"{cell:f}" if isinstance(cell, Decimal) else str(cell)
    bare = cell.lstrip(" \u00a0\ufeff")
    return f"'{cell}" if cell.startswith(FORMULA) or bare.startswith(FORMULA) else cell


def table(heads: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    """A CSV table (RFC 4180: commas, CRLF) in UTF-8 with a byte order mark."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(heads)
    writer.writerows([safe_cell(cell) for cell in row] for row in rows)
    return (BYTE_ORDER_MARK + out.getvalue()).encode()


def slips_of(year: ShopYear) -> list[Photo]:
    """The photos of slips of receipts and purchases dated in the year, by date."""
    during = {"bought_on__gte": year.first, "bought_on__lt": year.end, "voided_at__isnull": True}
    wanted = Q(**{f"receipt__{key}": value for key, value in during.items()}) | Q(
        **{f"purchase__{key}": value for key, value in during.items()}
    )
    photos = (
        Photo.objects.live().filter(wanted).select_related("receipt", "purchase").order_by("created_at", "pk")
    )
    return sorted(photos, key=lambda photo: (_slip_day(photo), str(photo.pk)))


def _slip_day(photo: Photo) -> date:
    paper = photo.receipt or photo.purchase
    assert paper is not None
    return paper.bought_on


def slip_names(photos: Sequence[Photo]) -> dict[Photo, str]:
    """A file name for every slip: date, shop, and a number where there are several."""
    names: dict[Photo, str] = {}
    taken: dict[str, int] = {}
    for photo in photos:
        where = photo.receipt.shop_name if photo.receipt else photo.purchase.place if photo.purchase else ""
        stem = f"{_slip_day(photo).isoformat()}-{slugify(where)[:40] or 'slip'}"
        taken[stem] = taken.get(stem, 0) + 1
        names[photo] = f"slips/{stem}-{taken[stem]}.jpg"
    return names


def pack_size(books: Books, year: ShopYear) -> tuple[int, int]:
    """How many slips there are and how many bytes the pack will have, roughly."""
    photos = slips_of(year)
    size = 0
    for photo in photos:
        try:
            size += photo.full.size
        except OSError:
            continue
    lines = sum(1 for line in books.lines if year.first <= line.on < year.end)
    return len(photos), size + min(60_000 + 120 * lines, LARGEST_TABLES)


def write_pack(books: Books, year: ShopYear, *, shop: Shop) -> IO[bytes]:
    """The zip as an open temporary file at its beginning; photos are copied through piece by piece, never held whole."""
    read = review(books, year, tax_months=1)
    photos = slips_of(year)
    names = slip_names(photos)
    # Not closed here: whoever sends it closes it, and with that it is gone from the disk.
    file = tempfile.TemporaryFile(suffix=".zip")  # noqa: SIM115
    missing: list[str] = []
    with zipfile.ZipFile(file, "w", compression=zipfile.ZIP_DEFLATED) as pack:
        for name, content in _tables(books, read, shop, names):
            pack.writestr(name, content)
        pack.writestr("review.pdf", review_pdf(read, shop=shop, today=books.today))
        for photo in photos:
            try:
                # A JPEG does not get smaller by packing it again.
                entry = zipfile.ZipInfo(names[photo], _stamp(photo))
                with photo.full.open("rb") as source, pack.open(entry, "w", force_zip64=True) as target:
                    shutil.copyfileobj(source, target, 1 << 20)
            except FileNotFoundError:
                missing.append(names[photo])
        pack.writestr("READ ME.txt", _read_me(read, shop, missing))
    file.seek(0)
    return file


def _stamp(photo: Photo) -> tuple[int, int, int, int, int, int]:
    day = _slip_day(photo)
    # Zip knows no time before 1980.
    return (max(day.year, 1980), day.month, day.day, 12, 0, 0)


def _tables(books: Books, read: Review, shop: Shop, names: dict[Photo, str]) -> Iterable[tuple[str, bytes]]:
    year = read.figures

    def amount(cents: int | None) -> Decimal | None:
        return None if cents is None else Money(cents, shop.currency).decimal

    pieces = Piece.objects.in_bulk()
    chart = {row.name.lower(): row.tax_line for row in ExpenseCategory.objects.exclude(tax_line="")}

    def piece_name(piece: Id | None) -> str:
        return "" if piece is None else str(pieces.get(int(piece), f"Piece {piece}"))

    yield (
        "figures.csv",
        table(
            ["Section", "Figure", "Amount", "Text", "Remark"],
            [
                (section.title, row.label, amount(row.cents), row.text, row.note)
                for section in statement(read, shop=shop)
                for row in section.rows
            ],
        ),
    )
    places = places_of(year.lines)
    slips = {photo.pk: name for photo, name in names.items()}

    def slip(line: Line) -> str:
        place = places.get((line.source[0], int(line.source[1]))) if line.source[0] else None
        found = [slips[photo.pk] for photo in place.slips if photo.pk in slips] if place else []
        return " ".join(found)

    journal: list[Sequence[Cell]] = []
    for number, entry in enumerate(year.journal, start=1):
        text = " · ".join(part for part in (entry.text, entry.line.note) if part)
        source = f"{entry.line.source[0]} {entry.line.source[1]}".strip()
        common = (text, piece_name(entry.line.piece), source, "late" if entry.late else "", slip(entry.line))
        journal.append((number, entry.on, str(entry.debit), amount(entry.cents), None, *common))
        journal.append((number, entry.on, str(entry.credit), None, amount(entry.cents), *common))
    yield (
        "journal.csv",
        table(
            ["Entry", "Date", "Account", "Debit", "Credit", "Text", "Piece", "Record", "Late", "Slip"],
            journal,
        ),
    )
    yield (
        "trial balance.csv",
        table(
            ["Account", "Line of the form", "Debit", "Credit"],
            [
                (
                    account,
                    in_words(line_of(account.partition(": ")[2], chart)) if ": " in account else "",
                    amount(cents) if cents >= 0 else None,
                    amount(-cents) if cents < 0 else None,
                )
                for account, cents in trial_balance(year.journal).items()
            ],
        ),
    )
    yield (
        "lines.csv",
        table(
            [
                "Date",
                "What",
                "Amount",
                "Category",
                "Piece",
                "Collected by",
                "Failed attempt",
                "Note",
                "Record",
                "Slip",
            ],
            [
                (
                    line.on,
                    line.kind.value,
                    amount(line.cents),
                    line.category,
                    piece_name(line.piece),
                    line.collector.value if line.collector else "",
                    "yes" if line.failed else "",
                    line.note,
                    f"{line.source[0]} {line.source[1]}".strip(),
                    slip(line),
                )
                for line in year.lines
            ],
        ),
    )
    yield (
        "expenses.csv",
        table(
            ["Category", "Group", "Line of the form", "Amount"],
            [
                *((row.name, "expense", row.line_words, amount(row.cents)) for row in read.expenses),
                *((row.name, "selling cost", row.line_words, amount(row.cents)) for row in read.selling),
            ],
        ),
    )
    yield (
        "pieces.csv",
        table(
            [
                "Piece",
                "Kind",
                "Revenue",
                "Selling costs",
                "Cost of sales",
                "Margin",
                "Written off",
                "Your minutes",
                "Helpers' minutes",
            ],
            [
                (
                    piece_name(piece) or "(none)",
                    pieces[int(piece)].kind if piece is not None and int(piece) in pieces else "",
                    amount(one.revenue),
                    amount(one.selling_costs),
                    amount(one.cost_of_sales),
                    amount(one.margin),
                    amount(one.written_off),
                    one.owner_minutes,
                    one.helper_minutes,
                )
                for piece, one in year.pieces.items()
            ],
        ),
    )
    for name, stock in (("stock at the start", year.stock_at_start), ("stock at the end", year.stock_at_end)):
        yield (
            f"{name}.csv",
            table(["What", "Cost"], [(row.text, amount(row.cents)) for row in standing(stock)]),
        )
    yield (
        "tax by month.csv",
        table(
            ["From", "Before", "Collected by", "Collected", "Given back", "Reclaimed", "Paid over", "Held"],
            [
                (
                    tax.first,
                    tax.end,
                    tax.collector.value,
                    amount(tax.collected),
                    amount(tax.given_back),
                    amount(tax.reclaimed),
                    amount(tax.paid_over),
                    amount(tax.held),
                )
                for tax in read.tax
            ],
        ),
    )
    yield (
        "hours.csv",
        table(
            ["Date", "Minutes", "Who", "Piece", "Failed attempt", "Note"],
            [
                (
                    spell.on,
                    spell.minutes,
                    "helper" if spell.helper else "owner",
                    piece_name(spell.piece),
                    "yes" if spell.failed else "",
                    spell.note,
                )
                for spell in sorted(books.hours, key=lambda spell: (spell.on, str(spell.source)))
                if year.first <= spell.on < year.end
            ],
        ),
    )


def _read_me(read: Review, shop: Shop, missing: Sequence[str]) -> str:
    year = read.year
    state = "closed" if year.is_closed else "NOT closed: it may still change"
    text = f"""{shop.name}, {year.first.isoformat()} to {year.last.isoformat()}, {state}.
Amounts in {shop.currency_code}. Days by the clock of {shop.time_zone}.

review.pdf              the year review on paper
figures.csv             every figure of the review
journal.csv             double entry: two rows an entry, debits equal credits
trial balance.csv       what the journal adds up to, account by account
lines.csv               every money line of the year; "Record" and "Slip" lead to where it came from
expenses.csv            expenses and selling costs with the line of the form they were put to
pieces.csv              what each piece adds to the year
stock at the start.csv, stock at the end.csv   pieces at basis and materials at cost
tax by month.csv        sales tax by month and collector; never part of revenue
hours.csv               hours worked
slips/                  photos of receipts, named by date and shop

Tables are UTF-8 with a byte order mark, comma between columns, point before decimals. Text that a spreadsheet could
take for a formula has an apostrophe in front.
What is taxable, deductible or due is for local rules and a licensed adviser to say.
"""
    if missing:
        text += "\nThese photos could not be found on the disk:\n" + "\n".join(missing) + "\n"
    # Notepad on older systems wants both.
    return re.sub(r"(?<!\r)\n", "\r\n", text)
