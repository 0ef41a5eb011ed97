"""Makers of valid records: a test says only what matters to it. Extend them with what new subjects need."""

import itertools
from datetime import UTC, date, datetime

from finishes.measures import Length
from flips.actions import bench, estimates, hours, materials, parts, pieces, remedies, stock
from flips.models import Channel, ExpenseCategory, HelperRate, Origin, Person, Role, Shop, Stage
from flips.pages.parts import read_readings

PASSWORD = "sawdust-and-shellac"
_count = itertools.count(1)


def make_shop(**fields):
    """The shop, in dollars and inches unless told otherwise."""
    told = {"name": "Fern Street Workshop", "currency_code": "USD", "time_zone": "America/Chicago"}
    return Shop.objects.create(**(told | fields))


def make_person(*, role, password=PASSWORD, **fields):
    """Somebody who can log in with ``PASSWORD``."""
    number = next(_count)
    told = {"username": f"{role}{number}", "name": f"{role.title()} {number}"}
    return Person.objects.create_user(password=password, role=role, **(told | fields))


def make_owner(**fields):
    """An owner."""
    return make_person(role=Role.OWNER, **fields)


def make_helper(*, hourly_cents=None, from_on=date(2024, 1, 1), **fields):
    """A helper, with a rate if one is given."""
    helper = make_person(role=Role.HELPER, **fields)
    if hourly_cents is not None:
        HelperRate.objects.create(person=helper, hourly_cents=hourly_cents, from_on=from_on)
    return helper


def make_piece(*, by=None, what="Oak dresser", price_cents=None, on=date(2026, 3, 2), stage=None, **fields):
    """A find; bought when a price is given, and then moved by hand to ``stage``."""
    by = by or Person.objects.filter(role=Role.OWNER).first() or make_owner()
    piece = pieces.log_find(by=by, what=what, seen_on=on, **fields)
    if price_cents is not None:
        pieces.buy(by=by, weights={piece: 1}, price_cents=price_cents, bought_on=on)
        piece.refresh_from_db()
    for step in _way(piece.stage, stage):
        pieces.move(piece, step, by=by, on=on, reason="as it goes")
        piece.refresh_from_db()
    return piece


def _way(here, there):
    """The stages to pass by hand on the way."""
    if there is None or here == there:
        return []
    straight = [Stage.BOUGHT, Stage.IN_WORK, Stage.READY, Stage.LISTED]
    if there in straight and here in straight:
        return straight[straight.index(here) + 1 : straight.index(there) + 1]
    return [there]


def make_channel(**fields):
    """Where something is sold."""
    return Channel.objects.create(**({"name": f"Channel {next(_count)}"} | fields))


def make_category(**fields):
    """A heading for expenses."""
    return ExpenseCategory.objects.create(**({"name": f"Category {next(_count)}"} | fields))


def make_part(*, piece, name="Top", by=None, **fields):
    """A part of a piece."""
    return parts.add_part(by=by or piece.created_by, piece=piece, name=name, **fields)


def make_readings(part, typed, *, dimension, by=None):
    """Readings as typed in one line, in inches."""
    return parts.add_readings(
        part, by=by or part.created_by, dimension=dimension, readings=read_readings(typed, "in")
    )


def make_removal(part, *, by=None, at=datetime(2026, 3, 4, 18, tzinfo=UTC), **fields):
    """A part taken off."""
    return parts.take_off(by=by or part.created_by, piece=part.piece, part=part, at=at, **fields)


def make_attempt(
    *, piece, by=None, technique="Iron down veneer", now=datetime(2026, 3, 4, 18, tzinfo=UTC), **fields
):
    """A try on a piece."""
    return bench.start_attempt(by=by or piece.created_by, piece=piece, technique=technique, now=now, **fields)


def make_time(*, person, minutes=30, now=datetime(2026, 3, 4, 18, tzinfo=UTC), **fields):
    """Minutes typed in, that ended ``now``."""
    return hours.add_time(by=person, person=person, minutes=minutes, now=now, **fields)


def make_fault(*, piece, kind="lifted_veneer", by=None, **fields):
    """Something wrong with a piece."""
    return remedies.add_fault(by=by or piece.created_by, piece=piece, kind=kind, **fields)


def make_remedy(fault, technique, *, minutes=60, money_cents=0, level="even", by=None, **fields):
    """A remedy of one step."""
    return remedies.add_remedy(
        by=by or fault.created_by,
        fault=fault,
        technique=technique,
        minutes=minutes,
        money_cents=money_cents,
        level=level,
        **fields,
    )


def make_tried(remedy, outcome, *, by=None, now=datetime(2026, 3, 6, 18, tzinfo=UTC), minutes=None, **fields):
    """A remedy's next step tried, with its outcome; ``minutes`` of work where given."""
    by = by or remedy.created_by
    step = remedy.steps.live().order_by("place", "pk").first()
    attempt = remedies.try_step(step, by=by, now=now, timer=False)
    if minutes:
        make_time(person=by, minutes=minutes, now=now, piece=attempt.piece, attempt=attempt)
    if outcome == "failed":
        fields.setdefault("why", "It came up again")
    return remedies.end_attempt(attempt, by=by, now=now, outcome=outcome, **fields)


def make_material(name="Birch plywood 3/4", kind="sheet", *, price_cents=None, seen_on=None, **fields):
    """Something that can be bought; lengths as typed, a bare number in inches. A sheet is 96 by 48 in."""
    if kind in ("sheet", "veneer"):
        fields = {"length": "96 in", "width": "48 in"} | fields
    columns = {}
    for side in ("length", "width", "thickness", "trim"):
        if side in fields:
            columns |= materials.length_fields(side, Length.parse(fields.pop(side), "in"))
    return materials.add_material(
        name=name, kind=kind, price_cents=price_cents, seen_on=seen_on, **columns, **fields
    )


def make_lot(name="Birch plywood 3/4", kind="sheet", *, by=None, quantity=1, cost_cents=0, **fields):
    """A lot the shop had before these books began; lengths as typed, a bare number in inches."""
    columns = {}
    for side in ("length", "width", "thickness"):
        if side in fields:
            columns |= materials.length_fields(side, Length.parse(fields.pop(side), "in"))
    told = {"origin": Origin.OPENING, "unit": "piece", "came_on": date(2026, 3, 1)}
    return stock.add_lot(
        by=by or Person.objects.filter(role=Role.OWNER).first(),
        name=name,
        kind=kind,
        cost_cents=cost_cents,
        quantity_millionths=int(quantity * 1_000_000),
        **(told | columns | fields),
    )


def make_line(*, piece, kind="sheet", items=(), of=(), backers=(), by=None, words="Case", line=None, **told):
    """A line of an estimate, worked out; ``items`` are (name, length, width, how many) as typed, in inches."""
    drafts = [
        estimates.ItemDraft(
            name=name,
            length=Length.parse(length, "in"),
            width=Length.parse(width, "in"),
            count=count,
            thickness=Length.parse(more[0], "in") if more else None,
        )
        for name, length, width, count, *more in items
    ]
    draft = estimates.Draft(
        kind=kind, words=words, materials=list(of), backers=list(backers), items=drafts, told=told
    )
    worked = estimates.work_out(draft, shop=Shop.current(), line=line)
    return estimates.keep_line(draft, worked, by=by or piece.created_by, piece=piece, line=line)
