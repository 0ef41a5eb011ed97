"""Importing a table: matched columns, a preview that tells every row's mistake, carried out once, and taken back as a whole."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from fractions import Fraction
from functools import cached_property
from typing import Any

from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from estimating.money import BadMoney, Money
from finishes.measures import BadMeasure, read_number
from flips.actions.opening import bring_in_hours, bring_in_lot, walk_to
from flips.actions.pieces import buy, log_find, void_purchase
from flips.actions.receipts import add_line, new_receipt, void_receipt
from flips.actions.sales import sell, void_sale
from flips.actions.stock import void_lot
from flips.actions.undo import CannotUndo, undoable
from flips.models import (
    MILLION,
    Channel,
    Destination,
    ExpenseCategory,
    Import,
    ImportedRow,
    ImportFile,
    ImportKind,
    Person,
    Piece,
    Shop,
    Stage,
    StockKind,
)
from flips.models.closing import closed_until
from flips.spreadsheets import (
    BadTable,
    Table,
    guess_columns,
    guess_day_first,
    guess_decimal_comma,
    plain_words,
    read_day,
    read_table,
    with_point,
)

AT_ONCE = "the import was taken back"
MOST_HOURS = 100_000


@dataclass(frozen=True)
class Field:
    """What a column may be: its label, how it is read, the headings it goes by, and whether every row needs it."""

    name: str
    label: str
    reads: str = "text"
    needed: bool = False
    goes_by: tuple[str, ...] = ()
    most: int = 120


FIELDS: dict[str, tuple[Field, ...]] = {
    ImportKind.PIECES: (
        Field("what", "What it is", needed=True, goes_by=("piece", "item", "article", "title", "name", "description", "furniture")),
        Field("bought_on", "Bought on", "day", True, ("bought", "purchase date", "date bought", "date purchased", "acquired", "date")),
        Field("paid", "Paid", "money", True, ("purchase price", "price paid", "cost", "paid for it", "bought for", "buy price", "basis")),
        Field("sold_on", "Sold on", "day", goes_by=("sold", "sale date", "date sold", "sell date")),
        Field("price", "Sold for", "money", goes_by=("sold for", "sale price", "selling price", "sold price", "revenue", "price")),
        Field("fee", "Fee", "money", goes_by=("fees", "commission", "marketplace fee", "selling fee")),
        Field("delivery_charged", "Delivery charged", "money", goes_by=("shipping charged",)),
        Field("delivery_paid", "Delivery paid", "money", goes_by=("shipping", "shipping cost", "delivery", "postage")),
        Field("tax", "Tax paid on it", "money", goes_by=("purchase tax", "tax")),
        Field("transport", "Paid transport in", "money", goes_by=("transport", "haulage", "pickup cost")),
        Field("asked", "Price you ask", "money", goes_by=("asking price", "asked", "list price", "listed at")),
        Field("time", "Hours of yours", "minutes", goes_by=("hours", "time", "minutes", "hours worked", "labour", "labor")),
        Field("kind", "Kind", goes_by=("type", "category"), most=60),
        Field("place", "Where bought", goes_by=("where", "source", "bought from", "bought at", "seller", "shop", "store")),
        Field("channel", "Sold through", goes_by=("channel", "platform", "marketplace", "where sold", "sold on site", "sold at"), most=60),
        Field("stage", "Where it stands", "stage", goes_by=("stage", "status", "state")),
        Field("note", "Note", goes_by=("notes", "remark", "remarks", "comment", "comments"), most=500),
    ),
    ImportKind.STOCK: (
        Field("name", "Material", needed=True, goes_by=("item", "name", "what", "description", "product")),
        Field("quantity", "Quantity", "quantity", True, ("qty", "amount", "count", "how many", "left")),
        Field("cost", "Cost of all of it", "money", True, ("total cost", "value", "total", "cost", "price", "paid")),
        Field("unit", "Counted in", goes_by=("units", "per", "uom"), most=20),
        Field("came_on", "There since", "day", goes_by=("date", "bought", "bought on", "purchase date")),
        Field("kind", "Kind", "stock_kind", goes_by=("type", "category")),
        Field("place", "Where it stands", goes_by=("location", "shelf", "where"), most=80),
        Field("note", "Note", goes_by=("notes", "remark", "comment"), most=200),
    ),
    ImportKind.HOURS: (
        Field("on", "Day", "day", True, ("date", "on", "worked on", "when")),
        Field("time", "Time", "minutes", True, ("hours", "time", "minutes", "duration", "worked")),
        Field("piece", "Piece", "piece", goes_by=("item", "project", "what", "furniture")),
        Field("note", "What for", goes_by=("notes", "task", "description", "remark", "comment"), most=200),
    ),
    ImportKind.EXPENSES: (
        Field("on", "Date", "day", True, ("date", "bought on", "paid on", "when")),
        Field("what", "What", needed=True, goes_by=("description", "item", "text", "details", "memo")),
        Field("amount", "Amount with tax", "money", True, ("total", "cost", "paid", "price", "gross")),
        Field("category", "Category", needed=True, goes_by=("type", "account", "heading"), most=60),
        Field("shop", "Shop", goes_by=("store", "vendor", "payee", "supplier", "merchant", "from"), most=80),
        Field("tax", "Tax in it", "money", goes_by=("sales tax", "vat", "gst")),
        Field("note", "Note", goes_by=("notes", "remark", "comment"), most=200),
    ),
}  # fmt: skip


@dataclass
class RowRead:
    """A row as it would be imported: its values, what is wrong with it, and what is worth a look."""

    number: int
    cells: tuple[str, ...]
    values: dict[str, Any] = field(default_factory=dict)
    errors: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    again: bool = False
    digest: str = ""

    @property
    def is_fine(self) -> bool:
        """Whether it can be imported."""
        return not self.errors

    @property
    def text(self) -> str:
        """What the row is about, in a few words."""
        for name in ("what", "name", "piece", "note", "on"):
            if self.values.get(name):
                return str(self.values[name])[:120]
        return next((cell for cell in self.cells if cell), "")[:120]


@dataclass
class Preview:
    """Every row as it would be imported."""

    table: Table
    columns: dict[str, int]
    rows: list[RowRead]
    missing: list[str]
    day_first_known: bool

    @property
    def fine(self) -> list[RowRead]:
        """Rows that can be imported and have not been before."""
        return [] if self.missing else [row for row in self.rows if row.is_fine and not row.again]

    @property
    def wrong(self) -> list[RowRead]:
        """Rows with a mistake."""
        return [row for row in self.rows if row.errors]

    @property
    def again(self) -> list[RowRead]:
        """Rows that an import made before."""
        return [row for row in self.rows if row.is_fine and row.again]

    @cached_property
    def samples(self) -> list[tuple[str, list[str]]]:
        """Each heading with the first few different cells under it."""
        found = []
        for place, head in enumerate(self.table.heads):
            cells = list(dict.fromkeys(row[place] for row in self.table.rows[:30] if row[place]))[:3]
            found.append((head, cells))
        return found


@transaction.atomic
def start_import(
    *, by: Person, kind: str, file_name: str, data: bytes, begins_on: date | None = None
) -> Import:
    """Keeps a table as a draft with its columns guessed. Raises ValidationError when it is no table."""
    try:
        table = read_table(data)
    except BadTable as bad:
        raise ValidationError({"file": str(bad)}) from bad
    columns = guess_columns(table.heads, [(one.name, (one.label, *one.goes_by)) for one in FIELDS[kind]])
    shop = Shop.objects.get()
    draft = Import(
        kind=kind,
        file_name=(file_name or "table.csv")[-120:],
        digest=hashlib.sha256(data).hexdigest(),
        columns=columns,
        begins_on=begins_on,
        created_by=by,
    )
    days = [
        row[columns[one.name]]
        for one in FIELDS[kind]
        if one.reads == "day" and one.name in columns
        for row in table.rows
    ]
    guessed = guess_day_first(days)
    # Where the file does not say, the usual order of the shop's country.
    draft.day_first = guessed if guessed is not None else shop.currency_code != "USD"
    sums = [
        row[columns[one.name]]
        for one in FIELDS[kind]
        if one.reads == "money" and one.name in columns
        for row in table.rows
    ]
    draft.decimal_comma = guess_decimal_comma(sums)
    draft.full_clean()
    draft.save()
    ImportFile.objects.create(of=draft, data=data)
    return draft


@transaction.atomic
def match_columns(
    draft: Import,
    *,
    columns: Mapping[str, int],
    day_first: bool,
    decimal_comma: bool | None,
    begins_on: date | None,
) -> Import:
    """Says which column is which; refused once the import is carried out."""
    now = Import.objects.select_for_update().get(pk=draft.pk)
    if now.is_done or now.is_void:
        raise ValidationError("That import has been carried out already.")
    used = list(columns.values())
    if len(set(used)) != len(used):
        raise ValidationError("Two fields name the same column. Each column can be one thing only.")
    now.columns, now.day_first, now.decimal_comma, now.begins_on = (
        dict(columns),
        day_first,
        decimal_comma,
        begins_on,
    )
    now.full_clean()
    now.save()
    return now


def preview(draft: Import) -> Preview:
    """Reads every row of a draft; nothing is stored."""
    table = read_table(bytes(draft.file.data))
    columns = {name: place for name, place in draft.columns.items() if place < len(table.heads)}
    fields = FIELDS[draft.kind]
    missing = [one.label for one in fields if one.needed and one.name not in columns]
    reader = _Reader(draft, table, columns)
    rows = [reader.read(number, cells) for number, cells in zip(table.numbers, table.rows, strict=True)]
    known = set(
        ImportedRow.objects.filter(
            of__in=Import.objects.done(), digest__in={row.digest for row in rows}
        ).values_list("digest", flat=True)
    )
    for row in rows:
        row.again = row.digest in known
    days = [
        cells[columns[one.name]]
        for one in fields
        if one.reads == "day" and one.name in columns
        for cells in table.rows
    ]
    return Preview(table, columns, rows, missing, guess_day_first(days) is not None)


class _Reader:
    """Reads the rows of one table; asks the database once for what all rows need."""

    def __init__(self, draft: Import, table: Table, columns: Mapping[str, int]) -> None:
        self.draft, self.columns = draft, columns
        shop = Shop.objects.get()
        self.currency = shop.currency
        self.today = timezone.localdate()
        self.open_from = closed_until()
        self.fields = FIELDS[draft.kind]
        self.seen: dict[str, int] = {}
        time_head = table.heads[columns["time"]] if "time" in columns else ""
        self.counts_hours = "min" not in plain_words(time_head)
        self.pieces: dict[str, list[Piece]] = {}
        if draft.kind == ImportKind.HOURS:
            for piece in Piece.objects.live().exclude(stage__in=(Stage.SEEN, Stage.PASSED)):
                self.pieces.setdefault(plain_words(piece.what), []).append(piece)
        self.channels = {plain_words(row.name) for row in Channel.objects.all()}
        self.categories = {plain_words(row.name) for row in ExpenseCategory.objects.all()}

    def read(self, number: int, cells: tuple[str, ...]) -> RowRead:
        """One row with its values and what is wrong with it."""
        row = RowRead(number, cells)
        for one in self.fields:
            text = cells[self.columns[one.name]] if one.name in self.columns else ""
            if not text:
                if one.needed and one.name in self.columns:
                    row.errors.append(f"{one.label} is missing.")
                continue
            try:
                row.values[one.name] = self._value(one, text)
            except (ValueError, ValidationError) as bad:
                reasons = bad.messages if isinstance(bad, ValidationError) else [str(bad)]
                row.errors += [f"{one.label}: {reason}" for reason in reasons]
        if not row.errors and all(one.name in self.columns for one in self.fields if one.needed):
            _CHECKS[self.draft.kind](self, row)
        said = json.dumps([self.draft.kind, sorted((name, str(value)) for name, value in row.values.items())])
        # The same row twice in one file is meant twice.
        self.seen[said] = self.seen.get(said, 0) + 1
        row.digest = hashlib.sha256(f"{said}#{self.seen[said]}".encode()).hexdigest()
        return row

    def _value(self, one: Field, text: str) -> Any:
        if one.reads == "day":
            day = read_day(text, day_first=self.draft.day_first)
            if day > self.today:
                raise ValueError(f"{day.isoformat()} is still to come.")
            return day
        if one.reads == "money":
            bare = with_point(text, decimal_comma=self.draft.decimal_comma)
            try:
                return Money.parse(bare, self.currency).cents
            except BadMoney as bad:
                raise ValueError(str(bad)) from bad
        if one.reads == "quantity":
            try:
                number = read_number(with_point(text, decimal_comma=self.draft.decimal_comma))
            except BadMeasure as bad:
                raise ValueError(str(bad)) from bad
            if not 0 < number <= 1_000_000:
                raise ValueError("Write a quantity above zero.")
            return int((2 * number.numerator * MILLION + number.denominator) // (2 * number.denominator))
        if one.reads == "minutes":
            return read_time(text, hours=self.counts_hours)
        if one.reads == "stage":
            return _choice(
                text,
                {
                    stage.value: stage.label
                    for stage in (Stage.BOUGHT, Stage.IN_WORK, Stage.READY, Stage.LISTED, Stage.SOLD)
                },
            )
        if one.reads == "stock_kind":
            return _choice(text, dict(StockKind.choices))
        if one.reads == "piece":
            found = self.pieces.get(plain_words(text), [])
            if len(found) != 1:
                raise ValueError(f"There {'are several pieces' if found else 'is no piece'} called “{text}”.")
            return found[0]
        if len(text) > one.most:
            raise ValueError(f"{one.most} letters at most.")
        return text

    def closed(self, day: date | None) -> bool:
        """Whether a day is in a closed year."""
        return day is not None and self.open_from is not None and day < self.open_from

    def begins(self, day: date | None) -> date | None:
        """The day something from before the books counts on; None for what is not from before."""
        begin = self.draft.begins_on
        return begin if begin is not None and (day is None or day < begin) else None


def read_time(text: str, *, hours: bool) -> int:
    """Minutes from "1:30", "1.5 h", "90 min" or a bare number that counts hours or minutes. Raises ValueError."""
    import re

    cleaned = text.strip().lower().replace(",", ".")
    if clock := re.fullmatch(r"(\d{1,5}):([0-5]\d)(?::[0-5]\d)?", cleaned):
        minutes = Fraction(int(clock[1]) * 60 + int(clock[2]))
    elif both := re.fullmatch(r"(\d{1,5})\s*h(?:ours?|rs?)?\s*(\d{1,2})\s*(?:m|min|minutes?)?", cleaned):
        minutes = Fraction(int(both[1]) * 60 + int(both[2]))
    elif named := re.fullmatch(r"(\d{0,5}(?:\.\d{1,4})?)\s*(h|hours?|hrs?|m|min|minutes?|)", cleaned):
        if named[1] in ("", "."):
            raise ValueError(f"“{text}” is no time I can read. Write 1:30, 1.5 h or 90 min.")
        unit = named[2][:1] or ("h" if hours else "m")
        minutes = Fraction(named[1]) * (60 if unit == "h" else 1)
    else:
        raise ValueError(f"“{text}” is no time I can read. Write 1:30, 1.5 h or 90 min.")
    whole = int((2 * minutes.numerator + minutes.denominator) // (2 * minutes.denominator))
    if not 0 < whole <= MOST_HOURS:
        raise ValueError(f"“{text}” is no time to be reckoned with.")
    return whole


def _choice(text: str, choices: Mapping[Any, Any]) -> str:
    plain = plain_words(text)
    for value, label in choices.items():
        if plain in (plain_words(str(value)), plain_words(str(label))):
            return str(value)
    names = ", ".join(str(label).lower() for label in choices.values())
    raise ValueError(f"“{text}” is none of: {names}.")


def _check_piece(reader: _Reader, row: RowRead) -> None:
    values = row.values
    sold, price = values.get("sold_on"), values.get("price")
    if values.get("stage") == Stage.SOLD and sold is None:
        row.errors.append("It says sold, but not on which day.")
    if (sold is None) != (price is None):
        if sold is None and not values.get("stage"):
            # Many tables carry a wished price for what is still there.
            values["asked"] = values.get("asked", values.pop("price"))
            row.notes.append("No day of sale: the price counts as what you ask.")
        else:
            row.errors.append("A sale needs both the day and the price.")
        sold, price = values.get("sold_on"), values.get("price")
    if sold is not None and sold < values["bought_on"]:
        row.errors.append("It was sold before it was bought.")
    if values.get("fee", 0) > (price or 0) + values.get("delivery_charged", 0):
        row.errors.append("The fee is more than what was paid.")
    begin = reader.begins(values["bought_on"])
    if begin is not None:
        if sold is not None and sold < begin:
            row.errors.append(f"It was bought and sold before these books begin on {begin.isoformat()}.")
        row.notes.append(f"From before: comes into stock on {begin.isoformat()}.")
    for day in (begin or values["bought_on"], sold):
        if day is not None and reader.closed(day):
            row.errors.append(f"{day.isoformat()} is in a closed year.")
    channel = values.get("channel")
    if channel and plain_words(channel) not in reader.channels:
        row.notes.append(f"The channel “{channel}” will be made.")


def _check_lot(reader: _Reader, row: RowRead) -> None:
    values = row.values
    values.setdefault("came_on", reader.draft.begins_on or reader.today)
    values["came_on"] = reader.begins(values["came_on"]) or values["came_on"]
    if reader.closed(values["came_on"]):
        row.errors.append(f"{values['came_on'].isoformat()} is in a closed year.")


def _check_hours(reader: _Reader, row: RowRead) -> None:
    if reader.closed(row.values["on"]):
        row.errors.append(f"{row.values['on'].isoformat()} is in a closed year.")


def _check_expense(reader: _Reader, row: RowRead) -> None:
    values = row.values
    if reader.closed(values["on"]):
        row.errors.append(f"{values['on'].isoformat()} is in a closed year.")
    if values.get("tax", 0) > values["amount"]:
        row.errors.append("The tax is more than the amount.")
    if plain_words(values["category"]) not in reader.categories:
        row.notes.append(f"The category “{values['category']}” will be made.")


_CHECKS: dict[str, Callable[[_Reader, RowRead], None]] = {
    ImportKind.PIECES: _check_piece,
    ImportKind.STOCK: _check_lot,
    ImportKind.HOURS: _check_hours,
    ImportKind.EXPENSES: _check_expense,
}


@transaction.atomic
def carry_out(draft: Import, *, by: Person, again_too: bool = False) -> Import:
    """Makes the records of every row that is right and was not imported before (with ``again_too`` those as well).

    All of them or none: what the records refuse is told with its line. Doing it twice changes nothing.
    """
    now = Import.objects.select_for_update().get(pk=draft.pk)
    if now.is_done:
        return now
    if now.is_void:
        raise ValidationError("That import has been taken back.")
    read = preview(now)
    if read.missing:
        raise ValidationError(f"Say which column is: {', '.join(read.missing)}.")
    rows = read.fine + (read.again if again_too else [])
    if not rows:
        raise ValidationError("No row is left to import.")
    makers = {
        ImportKind.PIECES: _make_piece,
        ImportKind.STOCK: _make_lot,
        ImportKind.HOURS: _make_hours,
        ImportKind.EXPENSES: _make_expense,
    }
    shop = Shop.objects.get()
    for row in sorted(rows, key=lambda row: row.number):
        try:
            made = makers[ImportKind(now.kind)](now, row.values, by, shop)
        except ValidationError as refused:
            raise ValidationError(f"Line {row.number}, {row.text}: {' '.join(refused.messages)}") from refused
        ImportedRow.objects.create(
            of=now,
            number=row.number,
            digest=row.digest,
            text=row.text,
            made=[[record._meta.model_name, record.pk] for record in made],
            created_by=by,
        )
    now.done_at, now.rows_done = timezone.now(), len(rows)
    now.save()
    return now


def _make_piece(of: Import, values: dict[str, Any], by: Person, shop: Shop) -> list[models.Model]:
    bought = values["bought_on"]
    begin = of.begins_on if of.begins_on is not None and bought < of.begins_on else None
    on = begin or bought
    note = values.get("note", "")
    if begin is not None:
        note = f"{note}\nBought on {bought.isoformat()}, before these books began.".strip()
    piece = log_find(
        by=by,
        what=values["what"],
        seen_on=on,
        kind=values.get("kind", ""),
        place=values.get("place", ""),
        listed_cents=values.get("asked"),
        note=note,
    )
    purchase = buy(
        by=by,
        weights={piece: 1},
        price_cents=values["paid"],
        tax_cents=values.get("tax", 0),
        transport_cents=values.get("transport", 0),
        bought_on=on,
        place=values.get("place", ""),
        opening=begin is not None,
        note=f"Imported from {of.file_name}"[:200],
    )
    piece.refresh_from_db()
    made: list[models.Model] = [piece, purchase]
    if values.get("time"):
        made += bring_in_hours(
            by=by, person=by, minutes=values["time"], on=on, piece=piece, note="imported", zone=shop.zone
        )
    if values.get("sold_on"):
        sale = sell(
            by=by,
            weights={piece: 1},
            fee_cents=values.get("fee", 0) if "fee" in of.columns else None,
            price_cents=values["price"],
            delivery_charged_cents=values.get("delivery_charged", 0),
            delivery_paid_cents=values.get("delivery_paid", 0),
            channel=_channel(values.get("channel", ""), by),
            sold_at=datetime.combine(values["sold_on"], time(12), tzinfo=shop.zone),
            paid_on=values["sold_on"],
        )
        made.append(sale)
    elif values.get("stage"):
        walk_to(piece, values["stage"], by=by, on=on)
    return made


def _make_lot(_of: Import, values: dict[str, Any], by: Person, _shop: Shop) -> list[models.Model]:
    fields = {name: values[name] for name in ("kind", "unit", "place", "note") if values.get(name)}
    lot = bring_in_lot(
        by=by,
        name=values["name"],
        cost_cents=values["cost"],
        on=values["came_on"],
        quantity_millionths=values["quantity"],
        **fields,
    )
    return [lot]


def _make_hours(_of: Import, values: dict[str, Any], by: Person, shop: Shop) -> list[models.Model]:
    return list(
        bring_in_hours(
            by=by,
            person=by,
            minutes=values["time"],
            on=values["on"],
            piece=values.get("piece"),
            note=values.get("note", "") or "imported",
            zone=shop.zone,
        )
    )


def _make_expense(_of: Import, values: dict[str, Any], by: Person, _shop: Shop) -> list[models.Model]:
    tax = values.get("tax", 0)
    receipt = new_receipt(
        by=by,
        shop_name=values.get("shop", ""),
        bought_on=values["on"],
        total_cents=values["amount"],
        tax_cents=tax,
        note=values.get("note", ""),
    )
    add_line(
        receipt,
        by=by,
        destination=Destination.EXPENSE,
        text=values["what"],
        amount_cents=values["amount"] - tax,
        taxed=bool(tax),
        category=_category(values["category"], by),
    )
    return [receipt]


def _channel(name: str, by: Person) -> Channel | None:
    if not name:
        return None
    known = next((row for row in Channel.objects.all() if plain_words(row.name) == plain_words(name)), None)
    return known or Channel.objects.create(name=name, created_by=by)


def _category(name: str, by: Person) -> ExpenseCategory:
    known = next(
        (row for row in ExpenseCategory.objects.all() if plain_words(row.name) == plain_words(name)), None
    )
    return known or ExpenseCategory.objects.create(name=name, created_by=by)


@transaction.atomic
def take_back_import(done: Import, *, by: Person, reason: str) -> None:
    """Voids what an import made, and only that; refused as a whole where something has been built on it since.

    Raises ValidationError with the lines in the way.
    """
    now = Import.objects.select_for_update().get(pk=done.pk)
    if now.is_void:
        return
    in_the_way: list[str] = []
    for row in now.imported.order_by("-number"):
        try:
            with transaction.atomic():
                for name, pk in reversed(row.made):
                    _void(name, pk, by=by, reason=reason or AT_ONCE)
        except ValidationError as refused:
            in_the_way.append(f"Line {row.number}, {row.text}: {' '.join(refused.messages)}")
    if in_the_way:
        raise ValidationError(in_the_way[:20])
    now.void(by=by, reason=reason or AT_ONCE)


def _void(name: str, pk: int, *, by: Person, reason: str) -> None:
    record = apps.get_model("flips", name)._base_manager.get(pk=pk)
    if record.is_void:
        return
    if name == "sale":
        void_sale(record, by=by, reason=reason)
    elif name == "purchase":
        _bring_back_to_bought(record, by=by)
        void_purchase(record, by=by, reason=reason)
    elif name == "lot":
        void_lot(record, by=by, reason=reason)
    elif name == "receipt":
        void_receipt(record, by=by, reason=reason)
    elif name == "piece":
        _refuse_worked_on(record)
        record.void(by=by, reason=reason)
    else:
        record.void(by=by, reason=reason)


def _bring_back_to_bought(purchase: models.Model, *, by: Person) -> None:
    """A piece that the import itself put on the shelf goes back along its way, so that its purchase can be voided."""
    for share in purchase.shares.live().select_related("piece"):  # type: ignore[attr-defined]
        if share.piece.stage in (Stage.READY, Stage.LISTED):
            walk_to(share.piece, Stage.IN_WORK, by=by, on=share.piece.stage_on)


def _refuse_worked_on(piece: Piece) -> None:
    """A piece that has been worked on since is nobody's to take away at one blow."""
    for rows, what in (
        (piece.time_entries.live(), "hours"),
        (piece.uses.live(), "materials"),
        (piece.receipt_lines.live(), "receipt lines"),
        (piece.line_shares.live(), "receipt lines"),
        (piece.attempts.live(), "attempts"),
        (piece.log_entries.live(), "log entries"),
    ):
        if rows.exists():
            raise ValidationError(f"{what.capitalize()} have been entered on it since: void those first.")


@undoable("imported")
def unimport(record: models.Model, by: Person) -> str:
    """An import just carried out is taken back."""
    if not isinstance(record, Import):
        raise CannotUndo("That can't be taken back.")
    try:
        take_back_import(record, by=by, reason=AT_ONCE)
    except ValidationError as refused:
        raise CannotUndo(" ".join(refused.messages)) from refused
    return "The import is taken back."
