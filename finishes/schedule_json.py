"""Finishing schedules as people type them: times, working hours and whole plans, in and out as plain JSON values."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, date, datetime, time, timedelta
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from finishes.dayplan import DAYS, Job, Spell, WorkingHours, plan
from finishes.facts import PUBLISHED, Fact
from finishes.measures import Temperature
from finishes.products import BARE, FROM_THE_CAN, SURFACES, Product, find_product, shipped_shelf
from finishes.schedules import ACTION_OF_ROLE, ACTIONS, WAIT, Reading, Room, Step, holds, judge

_DURATION = re.compile(r"(\d+(?:[.,]\d+)?)\s*(min|minutes?|h|hrs?|hours?|d|days?|w|weeks?)\b", re.I)
_MINUTES = {"m": 1, "h": 60, "d": 1440, "w": 10080}
USUAL_HOURS = WorkingHours.daily([(time(8), time(17))])
FAR = 400 * 24 * 60


def read_duration(text: str) -> timedelta:
    """Reads "30 min", "6 h", "1 h 30 min", "2 days", "1.5 h". Raises ValueError."""
    cleaned = str(text).strip()
    parts = _DURATION.findall(cleaned)
    if not parts or _DURATION.sub("", cleaned).strip(" ,"):
        raise ValueError(f"“{cleaned[:30]}” is not a time: write it like 30 min, 6 h or 2 days.")
    minutes = sum(Fraction(number.replace(",", ".")) * _MINUTES[unit[0].lower()] for number, unit in parts)
    if minutes > FAR:
        raise ValueError(f"“{cleaned[:30]}” is longer than a year.")
    return timedelta(seconds=round(minutes * 60))


def read_hours(value: Any) -> WorkingHours:
    """Reads ``{"mon-fri": "08:00-17:00", "sat": ["09:00-12:00"], "closed": ["2026-12-24"]}``. Raises ValueError."""
    if value is None:
        return USUAL_HOURS
    if not isinstance(value, Mapping):
        raise ValueError('write it like {"mon-fri": "08:00-17:00", "sat": ["09:00-12:00"]}.')
    if {"from", "to"} <= set(value):
        days = value.get("days", ["mon-fri"])
        spell = f"{value['from']}-{value['to']}"
        value = dict.fromkeys([days] if isinstance(days, str) else days, spell) | {
            "closed": value.get("closed", [])
        }
    week: list[tuple[Spell, ...]] = [() for _ in range(7)]
    closed: frozenset[date] = frozenset()
    for key, spells in value.items():
        if key == "closed":
            try:
                closed = frozenset(date.fromisoformat(str(day)) for day in spells)
            except (ValueError, TypeError):
                raise ValueError("closed: write days like 2026-12-24.") from None
            continue
        read = tuple(_spell(text) for text in ([spells] if isinstance(spells, str) else spells or ()))
        for day in _days(str(key)):
            week[day] = read
    return WorkingHours(tuple(week), closed)


def _days(text: str) -> list[int]:
    found: list[int] = []
    for part in text.lower().replace(" ", "").split(","):
        first, _, last = part.partition("-")
        if first[:3] not in DAYS or (last and last[:3] not in DAYS):
            raise ValueError(f"“{text[:20]}” is not a day: write mon, tue, ... or mon-fri.")
        begin = DAYS.index(first[:3])
        end = DAYS.index(last[:3]) if last else begin
        found += [day % 7 for day in range(begin, end + 1 if end >= begin else end + 8)]
    return found


def _spell(text: Any) -> Spell:
    found = re.fullmatch(r"\s*(\d{1,2}):(\d{2})\s*[-–]\s*(\d{1,2}):(\d{2})\s*", str(text))
    try:
        if not found:
            raise ValueError
        a, b, c, d = map(int, found.groups())
        # 24:00 is the midnight that ends the day.
        return time(a, b), time(c % 24 if (c, d) == (24, 0) else c, d)
    except ValueError:
        raise ValueError(f"“{str(text)[:20]}” is not a working time: write it like 08:00-17:00.") from None


def answer(payload: Mapping[str, Any], _options: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Judges and plans finishing steps; ``schedules.COMPUTE_HELP`` says what goes in and out.

    Raises ValueError with one line that names the field.
    """
    if not isinstance(payload, Mapping):
        raise ValueError("Give a JSON object.")
    with _field("zone"):
        zone = _zone(payload.get("zone"))
    with _field("start"):
        start = _moment(payload.get("start"), zone)
    with _field("working_hours"):
        hours = read_hours(payload.get("working_hours"))
    hands = _count(payload.get("hands", 1), "hands")
    room = _room(payload, zone, start)
    jobs = _jobs(payload, zone)
    refusals = [(job, refusal) for job in jobs for refusal in judge(job.steps, over=job.over)]
    made = plan(jobs, start=start, zone=zone, hours=hours, hands=hands, room=room)
    by_job = {(job.piece, job.group): job for job in jobs}
    refusals += [(by_job[p.piece, p.group], refusal) for p in made.steps for refusal in p.refusals]

    def iso(moment: datetime | None) -> str | None:
        return None if moment is None else moment.isoformat(timespec="minutes")

    return {
        "ok": holds([refusal for _, refusal in refusals]) and not made.unplaced,
        "steps": [
            {
                "piece": p.piece,
                "group": p.group,
                "step": p.number,
                "action": p.step.action,
                "what": p.step.title,
                "earliest": iso(p.earliest),
                "latest": iso(p.latest),
                "starts": iso(p.starts),
                "ends": iso(p.ends),
                "after": p.after,
                "moved": p.moved,
                "missed": p.missed,
                "done": p.done,
            }
            for p in made.steps
        ],
        "refusals": [
            {
                "piece": job.piece,
                "group": job.group,
                "step": refusal.step,
                "rule": refusal.rule,
                "reason": refusal.reason,
                "way_round": refusal.way_round,
                "severity": refusal.severity,
                "source": refusal.source,
                "status": refusal.status,
            }
            for job, refusal in refusals
        ],
        "milestones": [
            {
                "piece": m.piece,
                "group": m.group,
                "dry_to_touch": iso(m.dry_to_touch),
                "may_be_handled": iso(m.may_be_handled),
                "cured": iso(m.cured),
            }
            for m in made.milestones
        ],
        "days": [
            {
                "day": day.isoformat(),
                "steps": [f"{p.starts:%H:%M} {p.piece} {p.step.title}".replace("  ", " ") for p in steps],
            }
            for day, steps in made.by_day
        ],
        "unplaced": [
            {"piece": u.piece, "group": u.group, "step": u.number, "reason": u.reason} for u in made.unplaced
        ],
        "note": made.note,
    }


@contextmanager
def _field(name: str) -> Iterator[None]:
    """Puts the name of the field before the message of a ValueError."""
    try:
        yield
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from error


def _zone(value: Any) -> ZoneInfo:
    try:
        if not isinstance(value, str) or not value:
            raise ValueError
        return ZoneInfo(value)
    except (ValueError, OSError, ZoneInfoNotFoundError):
        raise ValueError("name a time zone like Europe/Berlin or America/Chicago.") from None


def _moment(value: Any, zone: ZoneInfo) -> datetime:
    try:
        if not isinstance(value, str):
            raise ValueError
        found = datetime.fromisoformat(value)
    except ValueError:
        raise ValueError("write a day and time like 2026-03-27T08:00.") from None
    # Through UTC and back: a time in the hour that is skipped becomes the real one after it.
    found = found if found.tzinfo else found.replace(tzinfo=zone)
    if not 1971 <= found.year <= 9000:
        raise ValueError("that year is out of reach.")
    return found.astimezone(UTC).astimezone(zone)


def _count(value: Any, name: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 100:
        raise ValueError(f"{name}: give a whole number from 1 to 100.")
    return value


def _percent(value: Any) -> Fraction | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value <= 100:
        raise ValueError("humidity runs from above 0 to 100.")
    return Fraction(str(value))


def _room(payload: Mapping[str, Any], zone: ZoneInfo, start: datetime) -> Room:
    rows = payload.get("room")
    if rows is None:
        if payload.get("temperature") is None:
            if payload.get("humidity_percent") is not None:
                raise ValueError("temperature: humidity alone says too little, give the temperature too.")
            return Room()
        rows = [{**payload, "at": start.isoformat()}]
        prefix = ""
    else:
        prefix = "room."
    if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
        raise ValueError('room: give a list like [{"at": "2026-03-27T08:00", "temperature": "18 C"}].')
    readings = []
    for row in rows:
        with _field(f"{prefix}at"):
            at = _moment(row.get("at"), zone)
        with _field(f"{prefix}temperature"):
            warmth = Temperature.parse(str(row.get("temperature", "")))
            if not -30 <= warmth.celsius <= 60:
                raise ValueError("no workshop is that cold or hot.")
        with _field(f"{prefix}humidity_percent"):
            readings.append(Reading(at, warmth, _percent(row.get("humidity_percent"))))
    return Room(tuple(readings))


def _jobs(payload: Mapping[str, Any], zone: ZoneInfo) -> list[Job]:
    pieces = payload.get("pieces")
    if pieces is None:
        pieces, prefix = [payload], ""
    else:
        prefix = "pieces"
        if not isinstance(pieces, list) or not pieces or not all(isinstance(row, Mapping) for row in pieces):
            raise ValueError("pieces: give a list of pieces, each with its steps.")
    jobs: list[Job] = []
    for k, row in enumerate(pieces, 1):
        where = f"{prefix}[{k}]." if prefix else ""
        steps = row.get("steps")
        if not isinstance(steps, list) or not steps:
            raise ValueError(f"{where}steps: give a list of at least one step.")
        if len(steps) > 200:
            raise ValueError(f"{where}steps: more than 200 steps are too many.")
        read = tuple(_read_step(step, zone, f"{where}steps[{n}]") for n, step in enumerate(steps, 1))
        begin = None
        if prefix and row.get("start") is not None:
            with _field(f"{where}start"):
                begin = _moment(row["start"], zone)
        over = str(row.get("over", payload.get("over", BARE)))
        with _field(f"{where}over"):
            if over not in SURFACES and not any(p.family == over for p in shipped_shelf().products):
                over = find_product(over).family
        job = Job(str(row.get("piece", "")), read, str(row.get("group", "")), over, begin)
        if any((job.piece, job.group) == (other.piece, other.group) for other in jobs):
            raise ValueError(f"{where}piece: “{job.piece}” is there twice; give each its own piece or group.")
        jobs.append(job)
    return jobs


_CAN_TIMES = ("recoat_first", "recoat_from", "recoat_until", "touch", "handle", "cure")


def _read_step(row: Any, zone: ZoneInfo, where: str) -> Step:
    if not isinstance(row, Mapping):
        raise ValueError(f'{where}: write a step like {{"product": "danish oil"}} or {{"action": "sand"}}.')
    product = None
    if row.get("product") is not None:
        with _field(f"{where}.product"):
            product = find_product(str(row["product"]))
    if row.get("can") is not None:
        if product is None or not isinstance(row["can"], Mapping):
            raise ValueError(f"{where}.can: give the figures of the can together with its product.")
        product = _as_on_can(product, row["can"], f"{where}.can")
    action = row.get("action") or (ACTION_OF_ROLE[product.role] if product else None)
    if action not in ACTIONS:
        raise ValueError(f"{where}.action: “{str(action)[:20]}” is not one of {', '.join(ACTIONS)}.")
    spans: dict[str, timedelta | None] = {}
    for key in ("wait", "until", "work"):
        with _field(f"{where}.{key}"):
            spans[key] = read_duration(row[key]) if row.get(key) is not None else None
    if action == WAIT and spans["wait"] is None:
        raise ValueError(f"{where}.wait: say how long to wait.")
    if spans["wait"] is not None and spans["until"] is not None and spans["until"] < spans["wait"]:
        raise ValueError(f"{where}.until: it closes before the wait is over.")
    done_at = None
    if row.get("done_at") is not None:
        with _field(f"{where}.done_at"):
            done_at = _moment(row["done_at"], zone)
    hands = _count(row.get("hands", 1), f"{where}.hands")
    return Step(action, product, str(row.get("name", "")), hands=hands, done_at=done_at, **spans)


def _as_on_can(product: Product, can: Mapping[str, Any], where: str) -> Product:
    figures: dict[str, Fact | None] = {}
    for key, value in can.items():
        with _field(f"{where}.{key}"):
            if key in _CAN_TIMES:
                minutes = None if value is None else Fraction(round(read_duration(value).total_seconds()), 60)
                figures[key] = None if minutes is None else Fact(minutes, "min", FROM_THE_CAN, PUBLISHED)
            elif key in {"coldest", "warmest"}:
                warmth = Temperature.parse(str(value)).celsius
                figures[key] = Fact(warmth, "C", FROM_THE_CAN, PUBLISHED)
            elif key == "dampest":
                damp = _percent(value)
                figures[key] = None if damp is None else Fact(damp, "%", FROM_THE_CAN, PUBLISHED)
            else:
                raise ValueError("no can has that figure here.")
    return product.as_on_my_can(**figures)
