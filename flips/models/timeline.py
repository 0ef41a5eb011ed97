"""Everything that happened to a piece, on one line of time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any

from django.db.models import Q
from django.urls import reverse
from django.utils import timezone

from flips.models.bench import Attempt, LogEntry, Outcome, TimeEntry
from flips.models.parts import Removal
from flips.models.payments import Payment
from flips.models.pieces import Photo, Piece, PurchaseShare, Stage, StageChange
from flips.models.receipts import LineShare, ReceiptLine
from flips.models.remedies import Fault
from flips.models.sales import Return, SaleShare
from flips.models.stock import Use


@dataclass(frozen=True)
class Happening:
    """One thing that happened; ``cents`` only where an owner asked for the timeline."""

    at: datetime
    icon: str
    title: str
    who: str = ""
    text: str = ""
    href: str = ""
    cents: int | None = None
    photos: list[Photo] = field(default_factory=list)
    by_day: bool = False


OUTCOME_ICONS = {
    Outcome.OPEN: "flask-conical",
    Outcome.WORKED: "circle-check",
    Outcome.PARTLY: "circle-dot",
    Outcome.FAILED: "circle-x",
    Outcome.SET_ASIDE: "circle-pause",
}


def timeline(piece: Piece, *, with_money: bool) -> list[Happening]:
    """What happened to ``piece``, the newest first, in a fixed number of queries; no money unless ``with_money``."""
    zone = timezone.get_current_timezone()
    happenings = [
        *_stages(piece, zone, but=TOLD_BY_MONEY if with_money else ()),
        *_bench(piece),
        *_taken_apart(piece),
        *_faults(piece, zone),
        *_photos(piece),
        *_uses(piece, zone, with_money),
    ]
    if with_money:
        happenings += _money(piece, zone)
    return sorted(happenings, key=lambda one: one.at, reverse=True)


def _at(day: date, entered_at: datetime, zone: Any) -> datetime:
    """An instant for a dated fact: when it was entered, if that was on the same day; else the end of its day."""
    if entered_at.astimezone(zone).date() == day:
        return entered_at
    return datetime.combine(day, time(23, 59), tzinfo=zone)


# An owner sees the purchase and the sale themselves, with their amounts.
TOLD_BY_MONEY = (Stage.BOUGHT, Stage.SOLD)


def _stages(piece: Piece, zone: Any, *, but: Collection[Stage]) -> list[Happening]:
    rows = StageChange.objects.live().filter(piece=piece).exclude(stage__in=but).select_related("created_by")
    return [
        Happening(
            at=_at(row.on, row.created_at, zone),
            icon="milestone",
            title=Stage(row.stage).label,
            who=str(row.created_by or ""),
            text=row.reason,
            by_day=True,
        )
        for row in rows
    ]


def _bench(piece: Piece) -> list[Happening]:
    photos = list(Photo.objects.live().filter(piece=piece))
    of_attempt: dict[int | None, list[Photo]] = defaultdict(list)
    of_entry: dict[int | None, list[Photo]] = defaultdict(list)
    for photo in photos:
        of_attempt[photo.attempt_id if photo.log_entry_id is None else None].append(photo)
        of_entry[photo.log_entry_id].append(photo)
    attempts = Attempt.objects.live().filter(piece=piece).select_related("created_by", "part")
    found = []
    for row in attempts:
        on = f" on {row.part.name}" if row.part else ""
        found.append(
            Happening(
                at=row.ended_at or row.began_at,
                icon=OUTCOME_ICONS[Outcome(row.outcome)],
                title=f"{row.technique}{on}: {row.get_outcome_display().lower()}",
                who=str(row.created_by or ""),
                text=row.why,
                href=row.get_absolute_url(),
                photos=of_attempt[row.pk] if row.pk else [],
            )
        )
    for entry in LogEntry.objects.live().filter(piece=piece).select_related("created_by"):
        found.append(
            Happening(
                at=entry.at,
                icon="notebook-pen",
                title="Logged",
                who=str(entry.created_by or ""),
                text=entry.text,
                href=reverse("log_entry", args=[entry.pk]),
                photos=of_entry[entry.pk],
            )
        )
    for spell in TimeEntry.objects.finished().filter(piece=piece).select_related("person"):
        hours, minutes = divmod(spell.minutes or 0, 60)
        found.append(
            Happening(
                at=spell.started_at,
                icon="clock",
                title=f"{hours} h {minutes:02d}" if hours else f"{minutes} min",
                who=str(spell.person),
                text=spell.note,
                href=reverse("time_entry", args=[spell.pk]),
            )
        )
    return found


def _taken_apart(piece: Piece) -> list[Happening]:
    found = []
    for row in Removal.objects.live().filter(piece=piece).select_related("part", "created_by"):
        bag = f"Bag {row.bag}: {row.count_out} out" if row.bag else f"{row.count_out} fasteners out"
        found.append(
            Happening(
                at=row.off_at,
                icon="unplug",
                title=f"Took off {row.part.name}",
                who=str(row.created_by or ""),
                text=bag if row.count_out else row.note,
            )
        )
        if row.back_at:
            short = f"{row.missing} missing" if row.missing else "all fasteners back"
            found.append(
                Happening(at=row.back_at, icon="plug", title=f"Put back {row.part.name}", text=short)
            )
    return found


def _faults(piece: Piece, zone: Any) -> list[Happening]:
    found = []
    for row in Fault.objects.live().filter(piece=piece).select_related("created_by"):
        found.append(
            Happening(
                at=row.created_at,
                icon="search-check",
                title=f"Fault noted: {row}",
                who=str(row.created_by or ""),
                href=row.get_absolute_url(),
            )
        )
        if row.settled_on is not None:
            found.append(
                Happening(
                    at=datetime.combine(row.settled_on, time(23, 59), tzinfo=zone),
                    icon="check",
                    title=f"{row}: {row.get_settled_display().lower()}",
                    href=row.get_absolute_url(),
                    by_day=True,
                )
            )
    return found


def _photos(piece: Piece) -> list[Happening]:
    """Photos that hang on nothing else, gathered by moment, day and person."""
    groups: dict[tuple[str, date, str], list[Photo]] = defaultdict(list)
    rows = (
        Photo.objects.live()
        .filter(piece=piece, attempt__isnull=True, log_entry__isnull=True, removal__isnull=True)
        .without_money()
        .select_related("created_by")
    )
    for photo in rows:
        groups[(photo.moment, timezone.localdate(photo.created_at), str(photo.created_by or ""))].append(
            photo
        )
    return [
        Happening(
            at=photos[0].created_at,
            icon="camera",
            title=f"{photos[0].get_moment_display()}: {len(photos)} photo{'s' if len(photos) > 1 else ''}",
            who=who,
            photos=photos,
        )
        for (_, _, who), photos in groups.items()
    ]


def _uses(piece: Piece, zone: Any, with_money: bool) -> list[Happening]:
    return [
        Happening(
            at=_at(row.used_on, row.created_at, zone),
            icon="paint-bucket",
            title=f"Used {row.quantity_words} {row}",
            who=str(row.created_by or ""),
            text="Lot unknown, to be fixed" if row.is_to_fix else row.note if with_money else "",
            href=reverse("use", args=[row.pk]),
            cents=row.cost_cents if with_money else None,
            by_day=True,
        )
        for row in Use.objects.live().filter(piece=piece).select_related("lot", "created_by")
    ]


def _money(piece: Piece, zone: Any) -> list[Happening]:
    found = []
    for share in PurchaseShare.objects.live().filter(piece=piece).select_related("purchase", "created_by"):
        total = share.price_cents + share.premium_cents + share.tax_cents + share.transport_cents
        found.append(
            Happening(
                at=_at(share.purchase.bought_on, share.created_at, zone),
                icon="wallet",
                title="Bought",
                who=str(share.created_by or ""),
                text=share.purchase.place,
                href=reverse("purchase", args=[share.purchase_id]),
                cents=total,
                by_day=True,
            )
        )
    lines = (
        ReceiptLine.objects.live()
        .filter(piece=piece, receipt__voided_at__isnull=True)
        .select_related("receipt")
    )
    for line in lines:
        found.append(
            Happening(
                at=_at(line.receipt.bought_on, line.created_at, zone),
                icon="receipt",
                title=line.text,
                text=line.receipt.shop_name,
                href=line.receipt.get_absolute_url(),
                cents=line.cost_cents,
                by_day=True,
            )
        )
    shares = (
        LineShare.objects.live()
        .filter(piece=piece, line__voided_at__isnull=True, line__receipt__voided_at__isnull=True)
        .select_related("line__receipt")
    )
    for part in shares:
        found.append(
            Happening(
                at=_at(part.line.receipt.bought_on, part.created_at, zone),
                icon="receipt",
                title=f"{part.line.text} (shared)",
                text=part.line.receipt.shop_name,
                href=part.line.receipt.get_absolute_url(),
                cents=part.cents,
                by_day=True,
            )
        )
    for sold in (
        SaleShare.objects.live()
        .filter(piece=piece, sale__voided_at__isnull=True)
        .select_related("sale__channel")
    ):
        found.append(
            Happening(
                at=sold.sale.sold_at,
                icon="handshake",
                title="Sold",
                text=str(sold.sale.channel or ""),
                href=sold.sale.get_absolute_url(),
                cents=sold.price_cents,
            )
        )
    for paid in Payment.objects.live().filter(Q(piece=piece) | Q(sale__shares__piece=piece)).distinct():
        found.append(
            Happening(
                at=_at(paid.on, paid.created_at, zone),
                icon="banknote",
                title=f"{paid.get_kind_display()} came in",
                text=paid.buyer,
                href=paid.get_absolute_url(),
                cents=paid.cents,
                by_day=True,
            )
        )
    for back in Return.objects.live().filter(share__piece=piece).select_related("share__sale"):
        found.append(
            Happening(
                at=_at(back.returned_on, back.created_at, zone),
                icon="undo-2",
                title="Came back" if back.goods_back else "Money given back",
                text=back.reason,
                href=back.share.sale.get_absolute_url(),
                cents=-back.refund_cents,
                by_day=True,
            )
        )
    return found
