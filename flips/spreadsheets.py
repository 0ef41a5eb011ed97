"""Tables as spreadsheets save them, read whatever their encoding, delimiter, dates and decimal sign; pure, without Django."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

LARGEST = 2_000_000
MOST_ROWS = 500
MOST_COLUMNS = 60
LONGEST_CELL = 500
DELIMITERS = (",", ";", "\t", "|")


class BadTable(ValueError):
    """A file that is no table; the message says why and what would be right."""


@dataclass(frozen=True)
class Table:
    """A table with its headings; every row as long as the headings. ``numbers`` are the lines of the file the rows began on."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    encoding: str
    delimiter: str


def decode(data: bytes) -> tuple[str, str]:
    """The text of a file and the name of its encoding: by its mark, else UTF-8, UTF-16 by its zeros, else Windows Latin."""
    if data[:4] == b"PK\x03\x04":
        raise BadTable("That is a spreadsheet file. Save it as CSV first, then choose the CSV.")
    if data[:5] == b"%PDF-" or data[:4] in (
        b"\xd0\xcf\x11\xe0",
        b"\x89PNG",
        b"\xff\xd8\xff\xe0",
        b"\xff\xd8\xff\xe1",
    ):
        raise BadTable("That is no table. Save the spreadsheet as CSV, then choose the CSV.")
    for mark, name in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if data.startswith(mark):
            try:
                return data.decode(name), name
            except UnicodeDecodeError:
                break
    head = data[:2000]
    if head and head.count(0) > len(head) // 4:
        # Plain letters in UTF-16 have their zero in the second byte when the low one comes first.
        name = "utf-16-le" if head[1::2].count(0) >= head[0::2].count(0) else "utf-16-be"
        try:
            return data.decode(name), name
        except UnicodeDecodeError:
            pass
    for name in ("utf-8", "cp1252"):
        try:
            return data.decode(name), name
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1"), "latin-1"


def read_table(data: bytes) -> Table:
    """The table in a CSV file. Raises BadTable."""
    if not data.strip():
        raise BadTable("That file is empty.")
    if len(data) > LARGEST:
        raise BadTable("That file is larger than 2 MB. Split it.")
    text, encoding = decode(data)
    text = text.removeprefix("\ufeff").replace("\x00", "").replace("\r\n", "\n").replace("\r", "\n")
    delimiter = None
    if named := re.match(r"sep=(.)\n", text, re.IGNORECASE):
        # A line some spreadsheets write to name their delimiter.
        delimiter, text = named[1], text[named.end() :]
    delimiter = delimiter or _delimiter(text)
    found = [row for row in _rows(text, delimiter) if any(cell.strip() for cell in row[1])]
    if len(found) < 2:
        raise BadTable(
            "There is a heading or nothing at all: a table has a line of headings and rows below it."
        )
    if len(found) - 1 > MOST_ROWS:
        raise BadTable(f"There are {len(found) - 1} rows. {MOST_ROWS} at a time, please: split the file.")
    width = max(len(row) for _, row in found)
    if width > MOST_COLUMNS:
        raise BadTable(f"There are {width} columns. {MOST_COLUMNS} at most, please.")
    heads = [
        _tidy(cell) or f"Column {place}" for place, cell in enumerate(_wide(found[0][1], width), start=1)
    ]
    return Table(
        tuple(heads),
        tuple(tuple(_tidy(cell)[:LONGEST_CELL] for cell in _wide(row, width)) for _, row in found[1:]),
        tuple(number for number, _ in found[1:]),
        encoding,
        delimiter,
    )


def _rows(text: str, delimiter: str) -> list[tuple[int, list[str]]]:
    csv.field_size_limit(LARGEST)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    rows, before = [], 0
    try:
        for row in reader:
            rows.append((before + 1, row))
            before = reader.line_num
    except csv.Error as bad:
        raise BadTable(f"Line {reader.line_num} can't be read as a table: {bad}.") from bad
    return rows


def _wide(row: Sequence[str], width: int) -> list[str]:
    return [*row, *[""] * (width - len(row))]


def _tidy(cell: str) -> str:
    return " ".join(cell.replace("\u00a0", " ").replace("\u202f", " ").split())


def _delimiter(text: str) -> str:
    """The delimiter that cuts the first lines into the same number of columns, the more the better."""
    best, best_score = ",", (-1.0, 0)
    for delimiter in DELIMITERS:
        try:
            sizes = [len(row) for _, row in _rows("\n".join(text.split("\n")[:40]), delimiter) if any(row)]
        except BadTable:
            continue
        if not sizes:
            continue
        usual = max(set(sizes), key=lambda size: (sizes.count(size), size))
        if usual > 1 and sizes[0] >= usual - 1:
            score = (sizes.count(usual) / len(sizes), usual)
            if score > best_score:
                best, best_score = delimiter, score
    return best


def plain_words(text: str) -> str:
    """Letters and digits only, small, without accents: what headings are compared by."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(c))
    return " ".join(re.findall(r"[a-z0-9]+", bare))


def guess_columns(heads: Sequence[str], wanted: Sequence[tuple[str, Iterable[str]]]) -> dict[str, int]:
    """Which column is which field: (field, names it goes by) in order of how much they matter; each column once.

    A heading that is one of the names wins over one that only holds it.
    """
    plain = [plain_words(head) for head in heads]
    found: dict[str, int] = {}
    for exact in (True, False):
        for field, names in wanted:
            if field in found:
                continue
            words = [plain_words(name) for name in (field.replace("_", " "), *names)]
            for place, head in enumerate(plain):
                if place in found.values() or not head:
                    continue
                hit = (
                    head in words
                    if exact
                    else any(f" {word} " in f" {head} " for word in words if len(word) > 2)
                )
                if hit:
                    found[field] = place
                    break
    return found


MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan january", "feb february", "mar march", "apr april", "may", "jun june",
            "jul july", "aug august", "sep sept september", "oct october", "nov november", "dec december",
        ),
        start=1,
    )
    for name in names.split()
}  # fmt: skip
_PARTS = re.compile(r"(\d{1,4})[./\- ](\d{1,2})[./\- ](\d{1,4})")


def guess_day_first(cells: Iterable[str]) -> bool | None:
    """Whether dates like 3/4/2025 have the day first, by those that can be read only one way; None when none can."""
    first = second = points = 0
    for cell in cells:
        if parts := _PARTS.match(cell.strip()):
            if len(parts[1]) > 2:
                continue
            first += int(parts[1]) > 12
            second += int(parts[2]) > 12
            points += "." in parts[0]
    if first != second:
        return first > second
    # 3.4.2025 is written where the day comes first.
    return True if points else None


def read_day(cell: str, *, day_first: bool) -> date:
    """A date as spreadsheets write it. Raises ValueError with what would be right."""
    text = cell.strip()
    # A time behind the date says nothing here.
    text = re.sub(r"[T ]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?( ?[AP]M)?Z?$", "", text, flags=re.IGNORECASE)
    wrong = ValueError(f"“{cell}” is no date I can read. Write it like 2025-03-31.")
    if parts := re.fullmatch(_PARTS, text):
        one, two, three = int(parts[1]), int(parts[2]), int(parts[3])
        if len(parts[1]) == 4:
            year, month, day = one, two, three
        elif len(parts[3]) in (2, 4):
            year = three if len(parts[3]) == 4 else 2000 + three if three < 70 else 1900 + three
            month, day = (two, one) if day_first else (one, two)
        else:
            raise wrong
    elif words := re.fullmatch(r"(\d{1,2})\.?[ \-]([A-Za-z]+)\.?,?[ \-](\d{4})", text):
        day, month, year = int(words[1]), MONTHS.get(words[2].casefold(), 0), int(words[3])
    elif words := re.fullmatch(r"([A-Za-z]+)\.? (\d{1,2}),? (\d{4})", text):
        month, day, year = MONTHS.get(words[1].casefold(), 0), int(words[2]), int(words[3])
    elif re.fullmatch(r"\d{8}", text):
        year, month, day = int(text[:4]), int(text[4:6]), int(text[6:])
    else:
        raise wrong
    try:
        found = date(year, month, day)
    except ValueError:
        raise wrong from None
    if not 1970 <= found.year <= 2100:
        raise ValueError(f"Check the year of “{cell}”.")
    return found


def guess_decimal_comma(cells: Iterable[str]) -> bool | None:
    """Whether amounts have a decimal comma, by those that can be read only one way; None when none can or they differ."""
    comma = point = 0
    for cell in cells:
        bare = re.sub(r"[^\d.,]", "", cell)
        comma += bool(re.search(r",\d{1,2}$", bare)) or bare.count(".") > 1
        point += bool(re.search(r"\.\d{1,2}$", bare)) or bare.count(",") > 1
    return None if bool(comma) == bool(point) else comma > point


def with_point(cell: str, *, decimal_comma: bool | None) -> str:
    """An amount with a decimal point and no signs between thousands; as it is when the sign is not known."""
    if decimal_comma is None:
        return cell
    thousands, decimal = (".", ",") if decimal_comma else (",", ".")
    bare = cell.replace(thousands, "").replace("'", "").replace("’", "")
    return bare.replace(decimal, ".")
