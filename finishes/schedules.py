"""Finishing schedules: the steps, the room they are done in, and whether the coats will hold.

``judge`` looks at the order and the waits and refuses what would fail, with the reason and the way round. The
calendar that puts the steps on days is in ``dayplan``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any

from finishes.facts import COMMON_PRACTICE, PUBLISHED, Fact
from finishes.measures import Temperature, trim_decimal
from finishes.products import (
    BARE,
    OLD_FINISH,
    SURFACES,
    Product,
    Shelf,
    duration,
    shipped_shelf,
)
from finishes.wood import check_dew

# ---- steps ------------------------------------------------------------------------------------------------

COAT, STAIN, WAX, BLEACH, FILL, PRIME, STRIP = "coat", "stain", "wax", "bleach", "fill", "prime", "strip"
SAND, RUB, WIPE, RINSE, RAISE, CLEAN = "sand", "rub", "wipe", "rinse", "raise grain", "clean"
REMOVE_WAX, TO_BARE, WAIT, HANDLE, SHIP = "remove wax", "sand to bare", "wait", "handle", "ship"

APPLYING = frozenset({COAT, STAIN, WAX, BLEACH, FILL, PRIME, STRIP})
SCUFFING = frozenset({SAND, RUB, TO_BARE})
# Bench time of a step when nobody has said (common practice, no source; the shop's own log is better).
USUAL_WORK: Mapping[str, timedelta] = {
    **dict.fromkeys((COAT, STAIN, PRIME, BLEACH, WAX), timedelta(minutes=30)),
    **dict.fromkeys((SAND, FILL, REMOVE_WAX, HANDLE, SHIP), timedelta(minutes=45)),
    **dict.fromkeys((STRIP, TO_BARE), timedelta(minutes=90)),
    **dict.fromkeys((RUB, RINSE), timedelta(minutes=20)),
    **dict.fromkeys((WIPE, RAISE, CLEAN), timedelta(minutes=10)),
    WAIT: timedelta(0),
}
ACTIONS = tuple(USUAL_WORK)
ACTION_OF_ROLE: Mapping[str, str] = {
    "film": COAT,
    "soak": COAT,
    "paint": COAT,
    "colour": STAIN,
    "wax": WAX,
    "primer": PRIME,
    "bleach": BLEACH,
    "filler": FILL,
    "stripper": STRIP,
}
# Wood that was wetted, washed or rinsed dries overnight before anything goes on it.
DAMP_WOOD = timedelta(hours=24)
RAISED_GRAIN = timedelta(hours=2)


@dataclass(frozen=True)
class Step:
    """One thing to do: an action of ``ACTIONS``, with a product where something is put on.

    ``wait`` is the wait after it as typed (None: what the product needs), ``until`` the latest the next step may
    begin after it, ``work`` the bench time (None: the usual), ``hands`` how many people it takes. ``done_at`` is
    when it was finished for real (aware).
    """

    action: str
    product: Product | None = None
    name: str = ""
    wait: timedelta | None = None
    until: timedelta | None = None
    work: timedelta | None = None
    hands: int = 1
    done_at: datetime | None = None

    def __post_init__(self) -> None:
        if self.action not in USUAL_WORK:
            raise ValueError(f"“{self.action}” is not an action: {', '.join(ACTIONS)}.")
        for span in (self.wait, self.until, self.work):
            if span is not None and span < timedelta(0):
                raise ValueError("A wait can't be negative.")
        if self.hands < 1:
            raise ValueError("A step takes at least one pair of hands.")
        if self.done_at is not None and self.done_at.tzinfo is None:
            raise ValueError("done_at needs a time zone.")

    @property
    def applies(self) -> bool:
        """Something is put on the surface."""
        return self.action in APPLYING and self.product is not None

    @property
    def bench_time(self) -> timedelta:
        """How long hands are on it; a wait takes none."""
        if self.action == WAIT:
            return timedelta(0)
        return USUAL_WORK[self.action] if self.work is None else self.work

    @property
    def title(self) -> str:
        """What to call it: its own name, or the action with the product."""
        if self.name:
            return self.name
        return f"{self.action}: {self.product.name}" if self.product else self.action


def put_on(product: Product, **details: Any) -> Step:
    """The step that puts a product on, with the action of its role."""
    return Step(ACTION_OF_ROLE[product.role], product, **details)


# ---- the room ---------------------------------------------------------------------------------------------

USUAL_TEMPERATURE = Fact(Fraction(21), "C", "data sheets give drying times at 21 to 25 °C", COMMON_PRACTICE)
DOUBLES_PER = Fact(
    Fraction(10), "°C colder doubles the drying time", "rule of thumb, no source", COMMON_PRACTICE
)
USUAL_HUMIDITY = Fact(
    Fraction(50), "%; damper air slows water in proportion", "rule of thumb, no source", COMMON_PRACTICE
)
RULE_OF_THUMB = (
    "Drying times are scaled by a rule of thumb: twice as long for every 10 °C colder, and for water products longer"
    " in damp air. A warm room never shortens a wait below the can's. Press a thumb nail in before you trust it."
)


def drying_factor(temperature: Temperature) -> float:
    """How many times as long drying takes as at 21 °C (rule of thumb, no source)."""
    colder = float(USUAL_TEMPERATURE.value - temperature.celsius)
    return 2 ** (colder / float(DOUBLES_PER.value))


@dataclass(frozen=True)
class Reading:
    """Temperature and humidity (%) of the room from a moment on; ``surface`` if the wood itself was measured."""

    at: datetime
    temperature: Temperature
    humidity_percent: Fraction | None = None
    surface: Temperature | None = None

    def factor(self, base: str) -> float:
        """How many times as long a product of this base dries in this room."""
        factor = drying_factor(self.temperature)
        if base == "water" and self.humidity_percent is not None:
            # Water leaves in proportion to how far the air is from full; above 95 % that proportion blows up.
            damp = min(float(self.humidity_percent), 95.0)
            factor *= max(1.0, (100 - float(USUAL_HUMIDITY.value)) / (100 - damp))
        return factor


@dataclass(frozen=True)
class Room:
    """The room's log, oldest first; before the first reading it counts as the first, after the last as the last."""

    readings: tuple[Reading, ...] = ()

    def __post_init__(self) -> None:
        if any(reading.at.tzinfo is None for reading in self.readings):
            raise ValueError("A reading needs a time zone.")
        object.__setattr__(self, "readings", tuple(sorted(self.readings, key=lambda r: r.at)))

    def at(self, moment: datetime) -> Reading | None:
        """The reading that holds at a moment, None without any."""
        earlier = [reading for reading in self.readings if reading.at <= moment]
        return earlier[-1] if earlier else (self.readings[0] if self.readings else None)

    def dried(self, start: datetime, needs: timedelta, *, base: str) -> datetime:
        """When something that needs so long at 21 °C is dry: never sooner than the can says."""
        return self._reach(start, needs, base, quick=False)

    def closes(self, start: datetime, lasts: timedelta, *, base: str) -> datetime:
        """When a window of so long at 21 °C closes: never later than the can says, sooner in a warm room."""
        return self._reach(start, lasts, base, quick=True)

    def _reach(self, start: datetime, needs: timedelta, base: str, *, quick: bool) -> datetime:
        if not self.readings:
            return start + needs
        left, now = needs.total_seconds(), start
        turns = [reading.at for reading in self.readings if reading.at > start]
        for turn in [*turns, None]:
            reading = self.at(now)
            factor = reading.factor(base) if reading else 1.0
            factor = min(1.0, factor) if quick else max(1.0, factor)
            if turn is None or (turn - now).total_seconds() >= left * factor:
                return now + timedelta(seconds=left * factor)
            left -= (turn - now).total_seconds() / factor
            now = turn
        raise AssertionError("unreachable")


# ---- will it hold -----------------------------------------------------------------------------------------

REFUSED, CAUTION = "refused", "caution"


@dataclass(frozen=True)
class Refusal:
    """One thing wrong with a schedule: ``step`` counts from 1; ``severity`` is refused or caution."""

    step: int
    rule: str
    reason: str
    way_round: str
    severity: str = REFUSED
    source: str = "common practice, no source"
    status: str = COMMON_PRACTICE


def show_time(span: timedelta) -> str:
    """A time as it is said at the bench: "45 min", "6 h", "3 days"."""
    minutes = round(span.total_seconds() / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes % 1440 == 0 and minutes >= 2880:
        return f"{minutes // 1440} days"
    return f"{trim_decimal(Fraction(minutes, 60), 1)} h"


def _typed_gap(steps: Sequence[Step], start: int, end: int) -> timedelta | None:
    """The wait typed between two steps with the work between; None when no wait was typed."""
    between = steps[start:end]
    typed = [step.wait for step in between if step.wait is not None]
    if not typed:
        return None
    return sum((*typed, *(step.bench_time for step in between[1:])), timedelta(0))


def judge(
    steps: Sequence[Step], *, over: str = BARE, room: Reading | None = None, shelf: Shelf | None = None
) -> tuple[Refusal, ...]:
    """Everything that would fail in these steps on this surface (a family, or one of ``SURFACES``), in order.

    A wait that was not typed is taken from the product and so cannot be too short. Cautions are returned beside
    refusals; a schedule holds when nothing is refused. Raises ValueError for a surface that is not known.
    """
    found = _Judge(steps, over=over, shelf=shelf or shipped_shelf()).found
    if room is not None:
        for n, step in enumerate(steps):
            found += room_refusals(step, room, number=n + 1)
    return tuple(sorted(dict.fromkeys(found), key=lambda r: (r.step, r.severity != REFUSED)))


def holds(refusals: Sequence[Refusal]) -> bool:
    """Nothing is refused; cautions may be left."""
    return all(refusal.severity != REFUSED for refusal in refusals)


def check_surface(over: str, shelf: Shelf) -> None:
    """Raises ValueError for a surface that is neither a family on the shelf nor one of ``SURFACES``."""
    known = dict.fromkeys((*SURFACES, *(product.family for product in shelf.products)))
    if over not in known:
        raise ValueError(f"“{over}” is not a surface I know: {', '.join(known)}.")


class _Judge:
    """Walks through the steps once, keeping what lies on the wood."""

    def __init__(self, steps: Sequence[Step], *, over: str, shelf: Shelf) -> None:
        check_surface(over, shelf)
        self.steps, self.shelf = steps, shelf
        self.found: list[Refusal] = []
        self.layers = [over]
        self.last: int | None = None
        self.wet_at: int | None = None
        self.scuffed = self.grain_up = self.raised_before = self.wiped = False
        for n, step in enumerate(steps):
            self._step(n, step)
        self._end()
        self.found += _coat_counts(steps)

    @property
    def below(self) -> Product | None:
        """The product put on last, None on what was there before."""
        return None if self.last is None else self.steps[self.last].product

    def _refuse(self, at: int, rule: str, *, reason: str, way_round: str, **more: str) -> None:
        self.found.append(Refusal(at + 1, rule, reason, way_round, **more))

    def _step(self, n: int, step: Step) -> None:
        if step.action in APPLYING and step.product is None:
            self._refuse(
                n,
                "no product",
                reason=f"This step does not say what to {step.action}.",
                way_round="Pick the product.",
            )
        elif step.action in SCUFFING:
            self._scuff(n, step)
        elif step.action == RAISE:
            self.grain_up = self.raised_before = self.layers[-1] == BARE
            self.wet_at = n
        elif step.action == WIPE:
            self._wipe(n)
        elif step.action == RINSE:
            if (below := self.below) and below.role in {"bleach", "stripper"}:
                self.grain_up = self.raised_before = below.role == "bleach"
                self._back_to(BARE)
            self.wet_at = n
        elif step.action == REMOVE_WAX:
            while self.layers and self.layers[-1] == "wax":
                self.layers.pop()
            self.layers = self.layers or [OLD_FINISH]
        elif step.applies and step.product:
            self._put_on(n, step.product)

    def _back_to(self, surface: str) -> None:
        self.layers, self.last, self.scuffed, self.wiped = [surface], None, False, False

    def _scuff(self, n: int, step: Step) -> None:
        self._check_damp(n)
        if self.last is not None:
            self.found += _too_soon(self.steps, n, self.last)
        below = self.below
        if self.layers[-1] == OLD_FINISH:
            self._refuse(
                n,
                "possible lead",
                reason="Old paint or varnish may hold lead, and sanding puts it into the air.",
                way_round="Test it before any sanding; if there is lead or doubt, follow local rules or call a licensed firm.",
                severity=CAUTION,
                source="EPA guidance: built or painted before 1978, treat as lead until tested",
                status=PUBLISHED,
            )
        if step.action == SAND and below and below.role == "colour":
            self._refuse(
                n,
                "sanding colour",
                reason="Sanding a stain cuts through the colour on the edges.",
                way_round="Raise the grain with a damp cloth and sand before staining; now rub only lightly.",
                severity=CAUTION,
            )
        self.scuffed, self.grain_up = True, False
        if step.action == TO_BARE:
            self._back_to(BARE)
            self.raised_before = False

    def _wipe(self, n: int) -> None:
        self.wiped = True
        below = self.below
        if self.last is None or not below or not below.wipe:
            return
        gap = _typed_gap(self.steps, self.last, n)
        low, high = (trim_decimal(v, 0) for v in (below.wipe.low, below.wipe.high))
        if gap is not None and gap > timedelta(minutes=float(below.wipe.high)):
            self._refuse(
                n,
                "wiped too late",
                reason=f"After {show_time(gap)} the excess of {below.name} has gone tacky.",
                way_round=f"Wipe {low} to {high} minutes after putting it on.",
                source=below.wipe.source,
                status=below.wipe.status,
            )

    def _check_damp(self, n: int) -> None:
        if self.wet_at is None:
            return
        rinsed = self.steps[self.wet_at].action == RINSE
        needs = DAMP_WOOD if rinsed else RAISED_GRAIN
        gap = _typed_gap(self.steps, self.wet_at, n)
        if gap is not None and gap < needs:
            self._refuse(
                n,
                "wood still damp",
                reason=f"{show_time(gap)} after {'rinsing' if rinsed else 'wetting'} the wood is still damp.",
                way_round=f"Let it dry {show_time(needs)}, longer in a cold or damp room.",
            )
        self.wet_at = None

    def _put_on(self, n: int, product: Product) -> None:
        self._check_damp(n)
        self._check_over(n, product)
        below = self.below
        if below and below.wipe and below.role != "wax" and not self.wiped:
            self.found.append(_not_wiped(n, below))
        if self.last is not None and not self.scuffed:
            self.found += _too_late(self.steps, n, self.last)
        # Over bleach that was not rinsed off the rough grain is the least of it.
        if self.grain_up and "bleach" not in {product.role, below.role if below else ""}:
            self._refuse(
                n,
                "raised grain not sanded",
                reason="Water has raised the grain; under the next coat the wood stays rough.",
                way_round="Let it dry and sand lightly with fine paper before this coat.",
            )
            self.grain_up = False
        elif not self.grain_up:
            self.grain_up = product.raises_grain and self.layers[-1] == BARE and not self.raised_before
        self.layers.append(product.family)
        self.last, self.scuffed, self.wiped = n, False, False

    def _check_over(self, n: int, product: Product) -> None:
        verdict = self.shelf.over(self.layers[-1], product.family)
        said = {"source": verdict.source, "status": verdict.status}
        soon = _too_soon(self.steps, n, self.last) if self.last is not None else []
        if verdict.answer in {"no", "caution"}:
            severity = REFUSED if verdict.answer == "no" else CAUTION
            self._refuse(
                n, verdict.rule, reason=verdict.reason, way_round=verdict.way_round, severity=severity, **said
            )
        elif verdict.answer == "wait" and verdict.wait:
            gap = _typed_gap(self.steps, self.last, n) if self.last is not None else None
            needs = show_time(verdict.wait)
            usual = recoat_from(self.steps, self.last) if self.last is not None else None
            if gap is None and (usual is None or verdict.wait > duration(usual)):
                self._refuse(
                    n,
                    verdict.rule,
                    reason=f"{verdict.reason} It needs {needs}.",
                    way_round=verdict.way_round,
                    severity=CAUTION,
                    **said,
                )
            elif gap is not None and gap < verdict.wait:
                reason = f"{verdict.reason} It has {show_time(gap)}, it needs {needs}."
                self._refuse(n, verdict.rule, reason=reason, way_round=verdict.way_round, **said)
                soon = []
        self.found += soon
        if verdict.sand and not self.scuffed:
            self._refuse(
                n,
                "not sanded",
                reason=f"{product.name} does not grip a glossy film.",
                way_round="Scuff sand with 320 paper first.",
            )

    def _end(self) -> None:
        below, n = self.below, self.last
        if below is None or n is None:
            return
        if below.wipe and below.role != "wax" and not self.wiped:
            self.found.append(_not_wiped(n, below))
        if below.role in {"bleach", "stripper"}:
            verdict = self.shelf.over(below.family, "shellac")
            self._refuse(n, verdict.rule, reason=verdict.reason, way_round=verdict.way_round)
        elif below.role == "colour":
            self._refuse(
                n,
                "no topcoat",
                reason="Colour alone rubs off and shows every drop of water.",
                way_round="Put a clear finish or wax over it.",
                severity=CAUTION,
            )
        elif self.grain_up:
            self._refuse(
                n,
                "raised grain not sanded",
                reason="Water has raised the grain and nothing takes it down again.",
                way_round="Let it dry, sand lightly with fine paper and put on another coat.",
                severity=CAUTION,
            )


def _not_wiped(n: int, product: Product) -> Refusal:
    low, high = (
        (trim_decimal(v, 0) for v in (product.wipe.low, product.wipe.high)) if product.wipe else ("", "")
    )
    return Refusal(
        n + 1,
        "excess not wiped off",
        f"What {product.name} leaves on top turns to a sticky skin.",
        f"Wipe it off {low} to {high} minutes after putting it on.",
        REFUSED if product.role == "soak" else CAUTION,
    )


def first_coat(steps: Sequence[Step], n: int) -> bool:
    """Whether step ``n`` is the first coat of its family in the steps."""
    product = steps[n].product
    return product is not None and not any(
        s.applies and s.product and s.product.family == product.family for s in steps[:n]
    )


def recoat_from(steps: Sequence[Step], n: int) -> Fact | None:
    """How long what step ``n`` puts on must dry before the next coat; None where it is not known."""
    product = steps[n].product
    if product is None:
        return None
    return product.recoat_first if product.recoat_first and first_coat(steps, n) else product.recoat_from


def _too_soon(steps: Sequence[Step], n: int, last: int | None) -> list[Refusal]:
    if last is None:
        return []
    below, needs = steps[last].product, recoat_from(steps, last)
    gap = _typed_gap(steps, last, n)
    if below is None or needs is None or gap is None or gap >= duration(needs):
        return []
    doing = "sanded" if steps[n].action in SCUFFING else "coated"
    what = f"{below.name} should not be {doing} before {show_time(duration(needs))}"
    if gap <= sum((s.bench_time for s in steps[last + 1 : n]), timedelta(0)):
        rule, reason = "no wait", f"There is no wait: {what}."
    else:
        rule, reason = "too soon", f"{show_time(gap)} is too soon: {what}."
    return [
        Refusal(
            n + 1,
            rule,
            reason,
            f"Wait {show_time(duration(needs))} at 21 °C, longer in a cold or damp room.",
            source=needs.source,
            status=needs.status,
        )
    ]


def _too_late(steps: Sequence[Step], n: int, last: int) -> list[Refusal]:
    below, above, gap = steps[last].product, steps[n].product, _typed_gap(steps, last, n)
    if below is None or above is None or gap is None or below.recoat_until is None:
        return []
    if below.family != above.family or gap <= duration(below.recoat_until):
        return []
    return [
        Refusal(
            n + 1,
            "outside the recoat window",
            f"After {show_time(gap)} {below.name} is too hard for the next coat to bite:"
            f" the window closes at {show_time(duration(below.recoat_until))}.",
            scuff_advice(below),
            source=below.recoat_until.source,
            status=below.recoat_until.status,
        )
    ]


def scuff_advice(product: Product) -> str:
    """What to do when the recoat window of a product has closed."""
    paper = "a fine pad" if product.family == "hardwax oil" else "320 paper"
    return f"Scuff sand lightly with {paper} until the shine is gone, wipe off the dust, then go on."


def _coat_counts(steps: Sequence[Step]) -> list[Refusal]:
    counts: dict[str, list[int]] = {}
    for n, step in enumerate(steps):
        if step.applies and step.product and step.product.coats:
            counts.setdefault(step.product.name, []).append(n)
    found = []
    for numbers in counts.values():
        product = steps[numbers[0]].product
        if product is None or product.coats is None or len(numbers) <= product.coats.high:
            continue
        most = trim_decimal(product.coats.high, 0)
        found.append(
            Refusal(
                numbers[int(product.coats.high)] + 1,
                "many coats",
                f"More than {most} coats of {product.name} are unusual: a thick film cracks or stays soft.",
                "Sand between coats, or stop when the surface is even.",
                CAUTION,
                product.coats.source,
                product.coats.status,
            )
        )
    return found


def room_refusals(step: Step, room: Reading, *, number: int) -> tuple[Refusal, ...]:
    """What speaks against putting a product on in this room: cold, heat, damp, a surface near the dew point."""
    product = step.product
    if product is None or not step.applies:
        return ()
    found, warmth = [], room.temperature
    name = product.name
    if product.coldest and warmth.celsius < product.coldest.value:
        least = f"{trim_decimal(product.coldest.value, 0)} °C"
        reason = f"The room is at {trim_decimal(warmth.celsius, 1)} °C; {name} needs {least}."
        found.append(
            (
                "too cold",
                reason,
                "Warm the room and the wood first, and keep it warm overnight.",
                product.coldest,
            )
        )
    if product.warmest and warmth.celsius > product.warmest.value:
        most = f"{trim_decimal(product.warmest.value, 0)} °C"
        reason = (
            f"The room is at {trim_decimal(warmth.celsius, 1)} °C; above {most} {name} sets before it levels."
        )
        found.append(
            ("too warm", reason, "Work in the cool of the morning, out of the sun.", product.warmest)
        )
    damp = room.humidity_percent
    if product.dampest and damp is not None and damp > product.dampest.value:
        most = f"{trim_decimal(product.dampest.value, 0)} %"
        reason = f"The air is at {trim_decimal(damp, 0)} % humidity; {name} wants at most {most}."
        found.append(
            (
                "too damp",
                reason,
                "Heat and air the room, or run a dehumidifier, until it is drier.",
                product.dampest,
            )
        )
    refusals = [
        Refusal(number, rule, reason, way_round, source=fact.source, status=fact.status)
        for rule, reason, way_round, fact in found
    ]
    if damp and -45 <= warmth.celsius <= 60:
        dew = check_dew(surface=room.surface or warmth, air=warmth, humidity_percent=float(damp))
        if not dew.safe:
            way_round = "Bring the piece into the room a day before, warm it, or dry the air."
            refusals.append(Refusal(number, "near the dew point", dew.reason, way_round))
    return tuple(refusals)


# ---- command line -----------------------------------------------------------------------------------------

COMPUTE_HELP = """Whether finishing steps will hold, and when each can be done.

in   start            "2026-03-27T08:00", local unless it carries an offset; nothing is planned before it
     zone             "Europe/Berlin"
     steps            a list of steps, or
     pieces           [{"piece", "group"?, "over"?, "start"?, "steps"}] for several at one bench
     over             what is on the wood: "bare wood" (if left out), "old finish", "silicone polish" or a product
     working_hours    {"mon-fri": "08:00-17:00", "sat": ["09:00-12:00"], "closed": ["2026-12-24"]};
                      mon-fri 08:00-17:00 if left out
     hands            1 if left out
     temperature, humidity_percent   of the room; or room: [{"at", "temperature", "humidity_percent"?}]
     A step has a product, an action, or both, and optionally
       name, wait ("24 h": the next step not before), until ("48 h": not after), work ("30 min"), hands,
       done_at (when it was really finished), can (figures of her own can: recoat_first, recoat_from,
       recoat_until, touch, handle, cure as times; coldest, warmest as temperatures; dampest in %)
     actions: coat, stain, wax, bleach, fill, prime, strip (these need a product), sand, rub, wipe, rinse,
       raise grain, clean, remove wax, sand to bare, wait, handle, ship
out  ok           nothing refused and every step placed
     steps        [{"piece", "group", "step", "action", "what", "earliest", "latest", "starts", "ends", "after",
                  "moved", "missed", "done"}] in order of starts; local times with offset; latest null: no window
     refusals     [{"piece", "group", "step", "rule", "reason", "way_round", "severity", "source", "status"}];
                  severity is refused or caution
     milestones   [{"piece", "group", "dry_to_touch", "may_be_handled", "cured"}]
     days         [{"day", "steps"}]
     unplaced     [{"piece", "group", "step", "reason"}]
     note         what the drying times rest on

example  {"start": "2026-03-02T08:00", "zone": "Europe/Berlin",
          "steps": [{"product": "oil polyurethane"}, {"product": "oil polyurethane"}]}
         ->  second coat earliest 2026-03-02T14:30+01:00, latest 2026-03-03T08:30+01:00"""


def compute_schedule(payload: Mapping[str, Any], options: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Judges and plans finishing steps; ``COMPUTE_HELP`` says what goes in and out. Raises ValueError."""
    # Here and not above: the calendar is built on this module.
    from finishes import schedule_json

    return schedule_json.answer(payload, options)
