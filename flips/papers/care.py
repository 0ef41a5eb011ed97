"""The care card for the buyer: what is on the piece, when it is hard, how to look after it. It knows no costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from estimating.papers.page import Sheet
from finishes.care import ALWAYS, OLD_PAINT, Care, care_for
from finishes.models import shop_shelf
from finishes.products import OLD_FINISH, Product, duration
from finishes.schedules import Room
from flips.models import Piece, PieceSchedule, Shop
from flips.models.day_plan import Judged, judged, the_room
from flips.wording import day_words


@dataclass(frozen=True)
class Layer:
    """One product that was put on: how many coats, and when the last of them."""

    product: Product
    coats: int
    last: date


@dataclass(frozen=True)
class Finished:
    """What lies on one group of parts, from the wood up; ``hard_on`` is when the last of it is cured."""

    group: str
    over: str
    layers: tuple[Layer, ...]
    hard_on: date | None
    care: Care | None


def finished(piece: Piece, *, shop: Shop) -> list[Finished]:
    """What has really been put on a piece, group by group; in a fixed number of queries."""
    shelf = shop_shelf()
    schedules = list(PieceSchedule.objects.live().filter(piece=piece).with_steps().order_by("pk"))
    room = the_room() if schedules else Room()
    found = [_finished(judged(schedule, shelf=shelf), room=room, shop=shop) for schedule in schedules]
    return [one for one in found if one is not None]


# What is rinsed off again is not on the piece.
STAYS = ("film", "soak", "colour", "paint", "primer", "wax", "filler")


def _finished(one: Judged, *, room: Room, shop: Shop) -> Finished | None:
    layers: dict[str, Layer] = {}
    hard: list[datetime] = []
    for row, step in zip(one.rows, one.steps, strict=True):
        if row.done_at is None or not step.applies or step.product is None or step.product.role not in STAYS:
            continue
        before = layers.get(step.product.name)
        day = shop.day_of(row.done_at)
        layers[step.product.name] = Layer(step.product, (before.coats if before else 0) + 1, day)
        if step.product.cure:
            hard.append(room.dried(row.done_at, duration(step.product.cure), base=step.product.base))
    if not layers:
        return None
    in_order = tuple(layers.values())
    cares = [care for layer in in_order if (care := care_for(layer.product.family))]
    return Finished(
        one.schedule.group,
        one.schedule.over,
        in_order,
        shop.day_of(max(hard)) if hard else None,
        cares[-1] if cares else None,
    )


def care_card(
    piece: Piece, found: Sequence[Finished], *, shop: Shop, today: date, photo: bytes | None = None
) -> bytes:
    """The card as PDF."""
    sheet = Sheet(size=shop.paper, title=f"Care: {piece.what}", shop=shop.name, subject="Care card")
    sheet.say(piece.what, sheet.name)
    sheet.say(f"Looking after your piece. {shop.name}, {day_words(today)}.")
    if photo:
        sheet.space()
        sheet.pictures([("", photo)], height=70)
    for one in found:
        sheet.head(one.group)
        for layer in one.layers:
            coats = f"{layer.coats} coats" if layer.coats > 1 else "1 coat"
            sheet.say(f"• {layer.product.name}: {coats}, the last on {day_words(layer.last)}")
        if one.over == OLD_FINISH:
            sheet.say("• over the finish that was there before")
        if one.hard_on and one.hard_on > today:
            sheet.say(
                f"Still hardening: be gentle with it until about {day_words(one.hard_on)}. Until then nothing wet or heavy"
                " on it, no cloth or rubber feet left on it."
            )
        if one.care:
            sheet.space(1.5)
            sheet.say(f"This is {one.care.what}.")
            for line in (*one.care.daily, *one.care.avoid, one.care.renew):
                sheet.say(f"– {line}")
    sheet.head("Always")
    for line in ALWAYS:
        sheet.say(f"– {line}")
    if any(one.over == OLD_FINISH for one in found):
        sheet.say(f"– {OLD_PAINT}")
    sheet.space()
    sheet.say(
        "Common practice of the trade. Labels of cleaners and finishes, and local rules, come first. Dates of hardening"
        " are reckoned from the makers' usual times and the workshop's air, and are a guide.",
        sheet.small,
    )
    return sheet.as_bytes()
