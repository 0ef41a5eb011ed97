"""What can be done next: entries left unfinished and pieces that wait for somebody."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Exists, OuterRef
from django.urls import reverse

from flips.models.bench import Attempt, TimeEntry
from flips.models.day_plan import bench_plan
from flips.models.forks import to_weigh_again
from flips.models.parts import Part, Removal
from flips.models.people import Shop
from flips.models.pieces import Piece, Stage
from flips.models.receipts import Receipt
from flips.models.stock import Use, low_materials

MOST = 20


@dataclass(frozen=True)
class NextStep:
    """One thing to do, with where to do it."""

    icon: str
    text: str
    note: str
    href: str


def _left_running(now: datetime) -> list[NextStep]:
    rows = TimeEntry.objects.running().select_related("person", "piece")
    return [
        NextStep(
            "alarm-clock",
            f"Is {row.person} still at it?",
            f"The timer runs since {row.started_at:%d %b}",
            reverse("hours"),
        )
        for row in rows
        if row.was_left_running(now)
    ]


def _only_photos() -> list[NextStep]:
    return [
        NextStep(
            "camera",
            "Only a photo so far",
            f"Seen {row.seen_on:%d %b}: say what it is",
            reverse("piece_edit", args=[row.pk]),
        )
        for row in Piece.objects.only_a_photo()[:MOST]
    ]


def _receipts() -> list[NextStep]:
    return [
        NextStep("receipt", "A receipt waits for its lines", str(row), row.get_absolute_url())
        for row in Receipt.objects.waiting()[:MOST]
    ]


def _receipts_not_adding_up() -> list[NextStep]:
    return [
        NextStep(
            "receipt",
            "A receipt has no total" if row.total_cents is None else "A receipt does not add up",
            str(row),
            row.get_absolute_url(),
        )
        for row in Receipt.objects.not_adding_up()[:MOST]
    ]


def _running_low() -> list[NextStep]:
    return [
        NextStep(
            "package-open",
            f"Running low: {row.lot}" if row.left_millionths else f"Used up: {row.lot}",
            f"{row.left_words} left",
            row.lot.get_absolute_url(),
        )
        for row in low_materials()[:MOST]
    ]


def _uses_to_fix() -> list[NextStep]:
    return [
        NextStep(
            "package-search",
            f"Which lot was it? {row.material}",
            str(row.piece),
            reverse("use", args=[row.pk]),
        )
        for row in Use.objects.to_fix().select_related("piece")[:MOST]
    ]


def _attempts() -> list[NextStep]:
    return [
        NextStep("flask-conical", f"How did it go? {row.technique}", str(row.piece), row.get_absolute_url())
        for row in Attempt.objects.under_way().select_related("piece").newest_first()[:MOST]
    ]


def _unsurveyed() -> list[NextStep]:
    parts = Part.objects.live().filter(piece=OuterRef("pk"))
    rows = Piece.objects.live().filter(stage=Stage.BOUGHT).filter(~Exists(parts))
    return [
        NextStep("list-tree", f"Look it over: {row}", "No parts noted yet", reverse("parts", args=[row.pk]))
        for row in rows[:MOST]
    ]


def _still_off() -> list[NextStep]:
    rows = (
        Removal.objects.still_off()
        .filter(piece__stage__in=(Stage.READY, Stage.LISTED))
        .select_related("piece", "part")
    )
    return [
        NextStep(
            "plug", f"{row.part} is still off", str(row.piece), reverse("taking_apart", args=[row.piece_id])
        )
        for row in rows[:MOST]
    ]


def _to_list() -> list[NextStep]:
    return [
        NextStep("tag", f"List it: {row}", f"Ready since {row.stage_on:%d %b}", row.get_absolute_url())
        for row in Piece.objects.live().filter(stage=Stage.READY)[:MOST]
    ]


def _to_weigh_again(now: datetime) -> list[NextStep]:
    return [
        NextStep(
            "split",
            f"What now? {row.fault.get_kind_display()}",
            f"{row.fault.piece}: {row.why}",
            row.fault.get_absolute_url(),
        )
        for row in to_weigh_again(now)[:MOST]
    ]


SAID = {"now": "{0} can go on now", "missed": "Window missed: {0}", "hold": "Not now: {0}"}


def _to_finish(now: datetime) -> list[NextStep]:
    """Coats that can go on now, those whose window is missed, and those the room forbids."""
    shop = Shop.current()
    if shop is None:
        return []
    plan = bench_plan(now=now, shop=shop)
    found = []
    for stand, doing in plan.standings:
        if stand.state not in SAID:
            continue
        said = SAID[stand.state] if doing.planned.step.applies or stand.state != "now" else "{0} now"
        until = f", until {doing.planned.latest:%a %H:%M}" if doing.planned.latest else ""
        found.append(
            NextStep(
                "paint-roller",
                said.format(doing.title if stand.state == "now" else doing.planned.step.title),
                f"{doing.schedule.piece}, {doing.schedule.group}{until}",
                doing.schedule.get_absolute_url(),
            )
        )
    return found[:MOST]


FOR_ALL: list[Callable[[], list[NextStep]]] = [_attempts, _uses_to_fix, _unsurveyed, _still_off, _running_low]
FOR_OWNER: list[Callable[[], list[NextStep]]] = [_only_photos, _receipts, _receipts_not_adding_up, _to_list]


def next_steps(*, owner: bool, now: datetime) -> list[NextStep]:
    """What waits, the most urgent first; receipts, finds and listings only for an owner."""
    steps = [*_left_running(now), *_to_weigh_again(now)] if owner else []
    # Paint does not wait; receipts do.
    steps += _to_finish(now)
    for ask in [*(FOR_OWNER if owner else ()), *FOR_ALL]:
        steps += ask()
    return steps
