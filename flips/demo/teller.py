"""Tells a story through the shop's own actions, each scene dated in the past."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.utils import timezone

from finishes.measures import Length
from flips.actions import bench, hours, parts, pieces, receipts, remedies, stock
from flips.actions.photos import keep_photos
from flips.demo.pictures import draw, draw_slip
from flips.models import (
    MILLION,
    Attempt,
    Destination,
    ExpenseCategory,
    Lot,
    Material,
    Moment,
    Part,
    Person,
    Piece,
    Receipt,
    Record,
)
from flips.photos import PreparedPhoto, read_photo

Line = tuple[str, str, int, Any]


class Teller:
    """Speaks for the owner and the helper; ``today`` is the last day of the story, all else is counted back from it."""

    def __init__(self, *, owner: Person, helper: Person, zone: ZoneInfo, today: date) -> None:
        self.owner, self.helper, self.zone, self.today = owner, helper, zone, today
        self.now = timezone.now()

    def day(self, ago: int) -> date:
        """The date so many days ago."""
        return self.today - timedelta(days=ago)

    @contextmanager
    def scene(self, ago: int, hour: int = 10, minute: int = 0) -> Iterator[datetime]:
        """What is done inside was done then: rows made in it carry that time."""
        then = datetime.combine(self.day(ago), time(hour, minute), tzinfo=self.zone)
        self.now = min(then, timezone.now())
        began = timezone.now()
        yield self.now
        for model in _records():
            model._default_manager.filter(created_at__gte=began).update(created_at=self.now)
            model.history.model.objects.filter(history_date__gte=began).update(history_date=self.now)

    def photo(self, kind: str, wood: str, moment: str, *, seed: int = 1) -> list[PreparedPhoto]:
        """A drawn photo, read like one from a phone."""
        return [read_photo(io.BytesIO(draw(kind, wood, moment, seed=seed)))]

    def find(
        self,
        what: str,
        *,
        kind: str,
        wood: str,
        ago: int,
        asking: int,
        sells_for: int,
        place: str,
        **more: Any,
    ) -> Piece:
        """A find logged in a store, with a photo."""
        with self.scene(ago, 11):
            return pieces.log_find(
                by=self.owner,
                what=what,
                kind=kind,
                photos=self.photo(kind, wood, "before", seed=ago),
                seen_on=self.day(ago),
                asking_cents=asking,
                expected_cents=sells_for,
                place=place,
                **more,
            )

    def buy(
        self,
        *found: Piece,
        ago: int,
        price: int,
        tax: int = 0,
        premium: int = 0,
        transport: int = 0,
        **more: Any,
    ) -> None:
        """One find, or several for one price split by what they may sell for."""
        with self.scene(ago, 12):
            pieces.buy(
                by=self.owner,
                weights={one: one.expected_cents or 1 for one in found},
                price_cents=price,
                tax_cents=tax,
                premium_cents=premium,
                transport_cents=transport,
                bought_on=self.day(ago),
                place=found[0].place,
                **more,
            )
        for one in found:
            one.refresh_from_db()

    def move(self, piece: Piece, stage: str, *, ago: int, reason: str = "") -> None:
        """To another stage by hand."""
        with self.scene(ago, 17):
            pieces.move(piece, stage, by=self.owner, on=self.day(ago), reason=reason)
        piece.refresh_from_db()

    def part(
        self,
        piece: Piece,
        name: str,
        *,
        count: int = 1,
        material: str = Material.SOLID,
        species: str = "",
        within: Part | None = None,
        **more: Any,
    ) -> Part:
        """A part of a piece; readings as ``length``, ``width``, ``thickness`` texts parted by ";"."""
        sizes = {key: more.pop(key) for key in ("length", "width", "thickness") if key in more}
        made = parts.add_part(
            by=self.owner,
            piece=piece,
            name=name,
            count=count,
            parent=within,
            material=material,
            species=species,
            **more,
        )
        for dimension, texts in sizes.items():
            readings = [("", Length.parse(text, "in")) for text in texts.split(";")]
            parts.add_readings(made, by=self.owner, dimension=dimension, readings=readings)
        return made

    def work(
        self,
        piece: Piece,
        minutes: int,
        note: str,
        *,
        ago: int,
        hour: int = 9,
        who: Person | None = None,
        attempt: Attempt | None = None,
        part: Part | None = None,
    ) -> None:
        """Hours on a piece."""
        with self.scene(ago, hour) as then:
            hours.add_time(
                by=who or self.owner,
                person=who or self.owner,
                minutes=minutes,
                now=timezone.now(),
                started_at=then,
                piece=piece,
                attempt=attempt,
                part=part,
                note=note,
            )

    def log(
        self,
        piece: Piece,
        text: str,
        *,
        ago: int,
        hour: int = 15,
        who: Person | None = None,
        of: Sequence[Part] = (),
    ) -> None:
        """A log entry."""
        with self.scene(ago, hour) as then:
            bench.log_work(
                by=who or self.owner, piece=piece, text=text, at=then, now=timezone.now(), parts=of
            )

    def tried(
        self,
        piece: Piece,
        technique: str,
        *,
        ago: int,
        outcome: str,
        why: str = "",
        part: Part | None = None,
        minutes: int = 0,
        who: Person | None = None,
        **more: Any,
    ) -> Attempt:
        """An attempt with its hours and its end."""
        with self.scene(ago, 13) as then:
            attempt = bench.start_attempt(
                by=who or self.owner,
                piece=piece,
                technique=technique,
                part=part,
                now=timezone.now(),
                began_at=then,
                **more,
            )
        if minutes:
            self.work(piece, minutes, technique, ago=ago, hour=13, who=who, attempt=attempt, part=part)
        if outcome != "open":
            self.end(attempt, ago=ago, outcome=outcome, why=why)
        return attempt

    def end(
        self,
        attempt: Attempt,
        *,
        ago: int,
        outcome: str,
        why: str = "",
        left_usable: str = "",
        again: str = "",
    ) -> None:
        """How an attempt went."""
        attempt.refresh_from_db()
        with self.scene(ago, 18) as then:
            remedies.end_attempt(
                attempt,
                by=self.owner,
                now=max(then, attempt.began_at),
                outcome=outcome,
                why=why,
                left_usable=left_usable,
                again=again,
            )

    def use(
        self,
        piece: Piece,
        material: str,
        quantity: str,
        *,
        ago: int,
        attempt: Attempt | None = None,
        who: Person | None = None,
    ) -> None:
        """Material taken from the oldest lot of that name."""
        lot = Lot.objects.live().filter(name=material).order_by("came_on", "pk").first()
        if lot is None:
            raise LookupError(f"the story has no lot of {material}")
        with self.scene(ago, 16):
            stock.take(
                by=who or self.owner,
                piece=piece,
                lot=lot,
                quantity_millionths=int(Fraction(quantity) * MILLION),
                used_on=self.day(ago),
                attempt=attempt,
            )

    def slip(self, shop: str, *, ago: int, lines: Sequence[Line], tax: int = 0, off_by: int = 0) -> Receipt:
        """A receipt with its photo; each line is (where it goes, what, cents, and the piece, category or lot)."""
        total = sum(line[2] for line in lines) + tax + off_by
        rows = [(what, f"{cents / 100:.2f}") for _, what, cents, _ in lines] + (
            [("Tax", f"{tax / 100:.2f}")] if tax else []
        )
        with self.scene(ago, 14):
            receipt = receipts.new_receipt(
                by=self.owner,
                photos=[read_photo(io.BytesIO(draw_slip(shop, rows, f"{total / 100:.2f}")))],
                shop_name=shop,
                bought_on=self.day(ago),
                total_cents=total,
                tax_cents=tax,
            )
            for destination, what, cents, target in lines:
                receipts.add_line(
                    receipt,
                    by=self.owner,
                    destination=destination,
                    text=what,
                    amount_cents=cents,
                    **_target(destination, target),
                )
        return receipt

    def picture(self, piece: Piece, wood: str, moment: str, *, ago: int) -> None:
        """One more photo of a piece."""
        with self.scene(ago, 17):
            keep_photos(
                self.photo(piece.kind, wood, moment, seed=ago),
                by=self.owner,
                piece=piece,
                moment=Moment(moment),
            )


def _target(destination: str, target: Any) -> dict[str, Any]:
    if destination in (Destination.PIECE, Destination.TRANSPORT):
        return {"piece": target}
    if destination == Destination.EXPENSE:
        return {"category": ExpenseCategory.objects.get(name=target)}
    if destination == Destination.STOCK:
        return {"lot": target}
    if destination in (Destination.SHARED, Destination.HAUL):
        return {"weights": target}
    return {}


def _records() -> list[type[Record]]:
    return [model for model in apps.get_models() if issubclass(model, Record)]
