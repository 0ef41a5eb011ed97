"""Margin statements and sale sheets, written from the records; the papers themselves do no sums."""

from __future__ import annotations

from collections import defaultdict
from datetime import date

from django.db.models import Sum

from estimating.papers.margin import (
    AttemptRow,
    Entry,
    MarginSheet,
    SaleSheet,
    Section,
    margin_statement,
    sale_sheet,
)
from finishes.measures import trim_decimal
from flips.books import Kind, Line, PieceFigures
from flips.models import Attempt, Dimension, Moment, Photo, Piece, Shop, TimeEntry, Use
from flips.models.facts import figures_of, helper_rates, piece_facts
from flips.models.people import Role
from flips.wording import DASH, day_words, hours_words, money_words, percent_words

PICTURES = 2


class _Words:
    def __init__(self, shop: Shop) -> None:
        self.currency = shop.currency

    def money(self, cents: int | None) -> str:
        return money_words(cents, self.currency)


SECTIONS: tuple[tuple[str, frozenset[Kind]], ...] = (
    (
        "What was paid",
        frozenset({Kind.PURCHASE, Kind.PREMIUM, Kind.PURCHASE_TAX, Kind.TRANSPORT, Kind.OPENING_PIECE}),
    ),
    ("Parts bought", frozenset({Kind.PART})),
    ("Materials", frozenset({Kind.USED})),
    ("Paid help", frozenset({Kind.HELP})),
    ("Salvaged into stock", frozenset({Kind.SALVAGED})),
    ("Sale", frozenset({Kind.PRICE, Kind.DELIVERY_CHARGED, Kind.TIP, Kind.REFUND})),
    (
        "Selling costs",
        frozenset(
            {
                Kind.FEE,
                Kind.PAYMENT_FEE,
                Kind.DELIVERY_PAID,
                Kind.PACKING,
                Kind.RETURN_FREIGHT,
                Kind.COMPENSATION,
            }
        ),
    ),
)
# Lines that lessen the total of their section.
LESSENING = frozenset({Kind.REFUND, Kind.COMPENSATION, Kind.SALVAGED})


def _sections(lines: list[Line], words: _Words, quantities: dict[int, str]) -> list[Section]:
    sections = []
    for title, kinds in SECTIONS:
        own = [line for line in lines if line.kind in kinds and (line.cents or line.kind is Kind.PURCHASE)]
        entries = []
        for line in own:
            sign = -1 if line.kind in LESSENING else 1
            remark = line.note
            if line.kind is Kind.USED:
                remark = quantities.get(int(line.source[1]), "") + (", failed attempt" if line.failed else "")
            what = (
                line.note if line.kind in (Kind.PART, Kind.USED, Kind.HELP) else line.kind.value.capitalize()
            )
            entries.append(
                Entry(
                    day_words(line.on),
                    what or line.kind.value.capitalize(),
                    remark if remark != what else ("failed attempt" if line.failed else ""),
                    words.money(sign * line.cents),
                )
            )
        total = sum((-line.cents if line.kind in LESSENING else line.cents) for line in own)
        sections.append(Section(title, entries, words.money(total)))
    return sections


def figure_rows(figures: PieceFigures, shop: Shop) -> list[tuple[str, str, bool]]:
    """The result of a piece as the statement prints it; the same names as on the page."""
    words = _Words(shop)
    rows = [
        (
            "Paid",
            words.money(figures.paid + figures.premium_tax + figures.transport + figures.brought_in),
            False,
        ),
        ("Parts bought", words.money(figures.parts), False),
        ("Materials", words.money(figures.materials), False),
        ("Paid help", words.money(figures.paid_help), False),
    ]
    if figures.salvage:
        rows.append(("Salvaged into stock", words.money(-figures.salvage), False))
    rows += [
        ("Basis", words.money(figures.basis), True),
        ("Failed attempts, within the basis", words.money(figures.failed_attempts), False),
    ]
    if figures.margin is not None:
        percent = figures.margin_percent
        rows += [
            ("Revenue", words.money(figures.revenue), False),
            ("Selling costs", words.money(figures.selling_total), False),
            ("Margin", words.money(figures.margin), True),
            (
                "Margin %",
                percent_words(percent),
                False,
            ),
        ]
    rows.append(("Your hours", hours_words(figures.owner_minutes), False))
    if figures.margin is not None:
        rows += [
            ("Hourly", words.money(figures.hourly), False),
            ("After wages", words.money(figures.after_wages), False),
        ]
    return rows


def _pictures(piece: Piece, *, most: int = PICTURES) -> list[tuple[str, bytes]]:
    photos = list(Photo.objects.live().filter(piece=piece).without_money().order_by("created_at", "pk"))
    before = [photo for photo in photos if photo.moment == Moment.BEFORE]
    after = [photo for photo in photos if photo.moment == Moment.AFTER]
    chosen = before[:1] + after[-1:] if before and after else (after or before or photos)[:most]
    return [(photo.caption or photo.get_moment_display(), _read(photo)) for photo in chosen[:most]]


def _read(photo: Photo) -> bytes:
    with photo.screen.open("rb") as file:
        return file.read()


def margin_pdf(piece: Piece, *, shop: Shop, today: date) -> bytes:
    """The margin statement of ``piece`` as it stands today."""
    words = _Words(shop)
    lines, _ = piece_facts([piece.pk], zone=shop.zone)
    figures = figures_of([piece.pk], shop=shop).get(piece.pk)
    quantities = {
        use.pk: f"{trim_decimal(use.quantity, 3)} {use.lot.unit if use.lot else use.unit}"
        for use in Use.objects.live().filter(piece=piece).select_related("lot")
    }
    cash: dict[int, int] = defaultdict(int)
    for line in lines:
        if line.attempt is not None and line.is_piece_cost:
            cash[int(line.attempt)] += line.cents
    attempts = list(
        Attempt.objects.live().filter(piece=piece).select_related("part").order_by("began_at", "pk")
    )
    spent = {
        row["attempt"]: row["minutes"]
        for row in TimeEntry.objects.finished()
        .filter(piece=piece, attempt__isnull=False)
        .values("attempt")
        .annotate(minutes=Sum("minutes"))
    }
    rates = helper_rates()
    hours: dict[str, int] = defaultdict(int)
    for spell in (
        TimeEntry.objects.finished().filter(piece=piece).select_related("person").order_by("person__name")
    ):
        paid = spell.person.role != Role.OWNER and spell.person_id in rates
        hours[f"{spell.person}{' (paid)' if paid else ''}"] += spell.minutes or 0
    failed = [attempt for attempt in attempts if attempt.has_failed]
    facts = [("Stage", f"{piece.get_stage_display()} since {day_words(piece.stage_on)}")]
    if piece.kind:
        facts.insert(0, ("Kind", piece.kind))
    notes = []
    if figures is not None and figures.late_costs:
        notes.append(f"Restated: {words.money(figures.late_costs)} came in after the sale.")
    sheet = MarginSheet(
        shop=shop.name,
        piece=piece.what,
        printed_on=day_words(today),
        facts=facts,
        pictures=_pictures(piece),
        sections=_sections(lines, words, quantities),
        attempts=[
            AttemptRow(
                f"{attempt.technique}{f', {attempt.part.name}' if attempt.part else ''}",
                attempt.get_outcome_display(),
                attempt.why,
                hours_words(spent.get(attempt.pk, 0)),
                words.money(cash[attempt.pk]),
            )
            for attempt in attempts
        ],
        attempts_total=(
            hours_words(sum(spent.get(attempt.pk, 0) for attempt in failed)),
            words.money(sum(cash[attempt.pk] for attempt in failed)),
        ),
        hours=[(who, hours_words(minutes)) for who, minutes in hours.items()],
        figures=figure_rows(figures, shop) if figures else [("Nothing entered yet", DASH, False)],
        notes=notes,
    )
    return margin_statement(sheet, size=shop.paper)


def sale_sheet_pdf(piece: Piece, *, shop: Shop, today: date) -> bytes:
    """What the buyer gets: photos, words and measures of ``piece``; the asking price, never a cost."""
    photos = list(Photo.objects.live().filter(piece=piece).without_money().order_by("created_at", "pk"))
    after = [photo for photo in photos if photo.moment == Moment.AFTER][-4:]
    before = [photo for photo in photos if photo.moment == Moment.BEFORE][:1]
    sizes = []
    for part in piece.parts.live().in_tree_order():
        spreads = [
            one
            for one in part.sizes()
            if one.dimension in (Dimension.LENGTH, Dimension.WIDTH, Dimension.THICKNESS)
        ]
        if spreads and part.parent_id is None:
            sizes.append(
                (
                    str(part),
                    ", ".join(f"{one.dimension.value} {one.most.shown(shop.units)}" for one in spreads),
                )
            )
    facts = [("Kind", piece.kind)] if piece.kind else []
    sheet = SaleSheet(
        shop=shop.name,
        piece=piece.what,
        printed_on=day_words(today),
        text=piece.buyer_text,
        facts=facts,
        sizes=sizes,
        pictures=[
            *(("As it is now", _read(photo)) for photo in after),
            *(("As it was found", _read(photo)) for photo in before),
        ],
        price=_Words(shop).money(piece.listed_cents)
        if piece.listed_cents is not None and not piece.is_sold
        else "",
    )
    return sale_sheet(sheet, size=shop.paper)
