"""Glue-ups judged before glue is spread: pressure reached against pressure wanted, and what would help.

The force is pressure times the area of ONE joint. A panel of many boards, or a stack, passes the same force
through every joint, so it is never multiplied (wood scientist's answer in a trade magazine, 2014).
Clamps are counted strongest first; when what she owns is not enough, the missing ones are taken to be like her
strongest. Force spreads from a clamp at 45 degrees each way through caul and stock (workshop rule), so one clamp
presses a square twice as wide as the depth. Forces in lbf, pressures in psi, areas in in2, all exact.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from estimating.compute import Options
from estimating.money import Money, round_half_up
from estimating.payload import Fields, figure
from finishes.facts import CLAMP_FROM_END, CLAMP_SPACING, HAND_FACTOR, PSI_IN_KPA, VACUUM_VENEER_PSI
from finishes.forces import Force, Pressure
from finishes.glue import ADHESIVES, DENSITIES, Adhesive, vacuum_pressure
from finishes.measures import Area, Length, Mass, Temperature, Volume, trim_decimal

__all__ = [
    "Alternative",
    "Check",
    "Clamps",
    "Conditions",
    "GlueUp",
    "Joint",
    "Prices",
    "Spacing",
    "Vacuum",
    "Work",
    "clamps_for",
    "compute_glueup",
    "judge",
    "widest",
]

MOST_POSITIONS = 200
CAUL_DRAWBACKS = ("stiff, straight stock and paper against squeeze-out", "heavy to handle alone")
# Two parts that differ more than this move against each other after gluing; workshop rule, no source.
MOISTURE_APART = Fraction(2)
# A jaw and a hand need about this much room along the joint; workshop rule, no source.
CLAMP_ROOM = Length.inches(2)
# Up to this width one row of clamps presses the whole joint; workshop rule, no source.
ONE_ROW = Length.inches(4)


@dataclass(frozen=True)
class Joint:
    """One glue line: the rectangle where two surfaces meet."""

    length: Length
    width: Length

    def __post_init__(self) -> None:
        if self.length <= Length(0) or self.width <= Length(0):
            raise ValueError("A joint needs a length and a width above zero.")

    @property
    def area(self) -> Area:
        """The glued area."""
        return self.length.by(self.width)


def widest(joints: Sequence[Joint]) -> Joint:
    """The joint of a panel or stack that wants most force: the one with the largest area (first on a tie)."""
    if not joints:
        raise ValueError("A glue-up needs at least one joint.")
    return max(joints, key=lambda joint: joint.area)


@dataclass(frozen=True)
class Clamps:
    """So many clamps of one kind; ``force`` each, ``price`` of one more."""

    count: int
    force: Force
    name: str = "clamp"
    price: Money | None = None

    def __post_init__(self) -> None:
        if self.count < 0 or self.force.lbf <= 0:
            raise ValueError("Clamps have a count from 0 and a force above 0.")


@dataclass(frozen=True)
class Vacuum:
    """A bag or press: what the gauge shows at full pull, and how high above the sea the shop lies."""

    gauge_inhg: Fraction
    altitude_ft: Fraction = Fraction(0)

    @property
    def pressure(self) -> Pressure:
        """What it presses with."""
        return vacuum_pressure(self.gauge_inhg, altitude_ft=self.altitude_ft)


@dataclass(frozen=True)
class Conditions:
    """Temperatures and moisture readings; leave out what was not measured."""

    room: Temperature | None = None
    wood: Temperature | None = None
    moisture_percent: tuple[Fraction, ...] = ()


@dataclass(frozen=True)
class Work:
    """How long from first glue to last clamp: joints or parts times seconds for each, and a fixed start."""

    joints: int
    seconds_each: int
    start_seconds: int = 0

    @property
    def minutes(self) -> Fraction:
        """All of it, in minutes."""
        return Fraction(self.joints * self.seconds_each + self.start_seconds, 60)


@dataclass(frozen=True)
class Prices:
    """What the other ways would cost; an unknown price stays None and is asked for, never taken as 0."""

    vacuum: Money | None = None
    caul: Money | None = None
    contact_can: Money | None = None
    contact_can_size: Volume | None = None


@dataclass(frozen=True)
class Check:
    """One condition: whether it is met, and the sentence with its figures."""

    name: str
    met: bool
    text: str


@dataclass(frozen=True)
class Alternative:
    """Another way: whether it would do, what it is, what speaks against it, its cost when prices are known."""

    name: str
    would_do: bool
    text: str
    drawbacks: tuple[str, ...]
    cost: Money | None = None


@dataclass(frozen=True)
class Spacing:
    """Where clamps go along the joint, in ``rows`` rows across it; ``apart`` is the gap between neighbours."""

    per_row: int
    rows: int
    apart: Length | None
    from_end: Length
    positions: tuple[Length, ...]


@dataclass(frozen=True)
class GlueUp:
    """The verdict with everything it stands on.

    ``reached_low`` and ``reached_high`` are the same clamps in a weak and in a strong hand. ``clamps_needed`` is None
    when she owns no kind of clamp whose force could be reckoned with.
    """

    holds: bool
    verdict: str
    area: Area
    wanted: Pressure
    force_needed: Force
    force_owned: Force
    reached: Pressure
    reached_low: Pressure
    reached_high: Pressure
    clamps_needed: int | None
    for_force: int | None
    for_spread: int | None
    used: tuple[tuple[str, int], ...]
    spacing: Spacing | None
    checks: tuple[Check, ...]
    reasons: tuple[str, ...]
    alternatives: tuple[Alternative, ...] = ()
    cautions: tuple[str, ...] = ()
    glue: tuple[Mass, Mass] | tuple[Volume, Volume] | None = None
    clamp_hours: tuple[Fraction, Fraction] | None = None


def _ceil(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)


def _strongest_first(clamps: Sequence[Clamps]) -> list[Clamps]:
    return sorted(clamps, key=lambda kind: (-kind.force.lbf, kind.name))


def clamps_for(force: Force, clamps: Sequence[Clamps]) -> tuple[int | None, tuple[tuple[str, int], ...]]:
    """How many clamps reach ``force``, and how many of each kind: strongest first, missing ones like the strongest.

    None and nothing when no kind of clamp is known.
    """
    ordered = _strongest_first(clamps)
    if not ordered:
        return None, ()
    left, used = force.lbf, []
    for kind in ordered:
        taken = min(kind.count, max(0, _ceil(left / kind.force.lbf)))
        if taken:
            used.append((kind.name, taken))
            left -= taken * kind.force.lbf
    count = sum(taken for _, taken in used)
    if left > 0:
        count += _ceil(left / ordered[0].force.lbf)
    return count, tuple(used)


def _squares(joint: Joint, depth: Length) -> tuple[int, int]:
    """How many clamps along and across the joint, each pressing a square of twice the depth."""
    return _ceil(Fraction(joint.length.nm, 2 * depth.nm)), _ceil(Fraction(joint.width.nm, 2 * depth.nm))


def _depth_that_covers(joint: Joint, count: int) -> Length:
    """The least caul and stock depth with which ``count`` clamps press the whole joint."""
    best = None
    for along in range(1, min(count, 2000) + 1):
        across = count // along
        depth = max(Fraction(joint.length.nm, 2 * along), Fraction(joint.width.nm, 2 * across))
        best = depth if best is None else min(best, depth)
    return Length(_ceil(best or Fraction(joint.length.nm)))


def _space(joint: Joint, count: int, depth: Length | None) -> Spacing:
    """Places for ``count`` clamps: even, first one 2 in from the end unless the spread wants it elsewhere."""
    if depth is None:
        rows = 1 if joint.width <= ONE_ROW else 2
        per_row = _ceil(Fraction(count, rows))
    else:
        along, rows = _squares(joint, depth)
        per_row = max(along, _ceil(Fraction(count, rows)))
    if per_row == 1:
        middle = Length(joint.length.nm // 2)
        return Spacing(1, rows, None, middle, (middle,))
    end = min(Fraction(Length.of(CLAMP_FROM_END.high, "in").nm), Fraction(joint.length.nm, 2 * per_row))
    if depth is not None:
        # The end clamp may stand no farther in than the depth, and the gaps must stay within twice the depth.
        end = max(min(end, Fraction(depth.nm)), Fraction(joint.length.nm, 2) - depth.nm * (per_row - 1))
    apart = (joint.length.nm - 2 * end) / (per_row - 1)
    shown = min(per_row, MOST_POSITIONS)
    places = tuple(Length(round_half_up(end + apart * at)) for at in range(shown))
    return Spacing(per_row, rows, Length(round_half_up(apart)), Length(round_half_up(end)), places)


@dataclass(frozen=True)
class _Words:
    """Figures for sentences, in the shop's own units."""

    system: str

    def bare(self, value: Fraction, *, below: Fraction | None = None) -> str:
        """A number of psi or kPa; one that falls short never reads as if it did not."""
        scale = Fraction(1) if self.system == "imperial" else PSI_IN_KPA.value
        for places in (0, 1, 2, 3) if value * scale >= 20 else (1, 2, 3):
            text = trim_decimal(value * scale, places)
            if below is None or Fraction(text) < below * scale:
                return text
        return f"just under {trim_decimal((below or value) * scale, 3)}"

    def pressure(self, value: Fraction, *, below: Fraction | None = None) -> str:
        return f"{self.bare(value, below=below)} {'psi' if self.system == 'imperial' else 'kPa'}"

    def reached(self, reached: Pressure, wanted: Pressure) -> str:
        short = wanted.psi if reached.psi < wanted.psi else None
        return f"{self.pressure(reached.psi, below=short)} reached of {self.bare(wanted.psi)} wanted"

    def fahrenheit(self, degrees: Fraction) -> str:
        return Temperature((degrees - 32) * Fraction(5, 9)).shown(self.system)

    def length(self, length: Length) -> str:
        if self.system == "imperial":
            return length.in_inches(16)
        return length.in_mm(0)

    def at_least(self, length: Length) -> str:
        step = Length.inches("1/16").nm if self.system == "imperial" else Length.mm(1).nm
        return self.length(Length(-(-length.nm // step) * step))

    def at_most(self, length: Length) -> str:
        step = Length.inches("1/16").nm if self.system == "imperial" else Length.mm(1).nm
        return self.length(Length(length.nm // step * step))

    def area(self, area: Area) -> str:
        return area.show("in²", 1) if self.system == "imperial" else area.show("cm²", 0)


def judge(
    joint: Joint,
    *,
    clamps: Sequence[Clamps] = (),
    wanted: Pressure | None = None,
    adhesive: Adhesive | None = None,
    density: str = "medium",
    layers: int = 2,
    spread_depth: Length | None = None,
    conditions: Conditions | None = None,
    work: Work | None = None,
    vacuum: Vacuum | None = None,
    use_vacuum: bool = False,
    thin_face: bool = False,
    prices: Prices | None = None,
    system: str = "imperial",
) -> GlueUp:
    """Whether the glue-up will hold, with the figures, the reasons and, when it will not, the other ways.

    ``wanted`` goes before the adhesive's own range for the wood density; one of the two is needed. ``layers`` boards
    or plies share the same force. ``spread_depth`` is caul plus stock between jaw and glue line; without it the
    spread is not judged. ``thin_face`` says that one side is veneer or another thin, limp face; ``use_vacuum``
    presses with the bag instead of the clamps; ``system`` ("imperial" or "metric") is how the sentences speak. Raises ValueError for a missing figure or a wrong density.
    """
    wanted_range = adhesive.wanted(density) if adhesive else None
    if wanted is None:
        if wanted_range is None:
            raise ValueError("Name the pressure wanted, or the adhesive it comes from.")
        wanted = Pressure(wanted_range.low)
    if layers < 2:
        raise ValueError("A glue-up joins at least two layers or boards.")
    if spread_depth is not None and spread_depth <= Length(0):
        raise ValueError("The spread depth is above zero.")
    if use_vacuum and vacuum is None:
        raise ValueError("A vacuum glue-up needs the gauge reading.")
    words = _Words(system)
    area = joint.area
    needed = wanted.on(area)
    owned = Force(sum((kind.force.lbf * kind.count for kind in clamps), Fraction(0)))
    reached = vacuum.pressure if use_vacuum and vacuum else owned.over(area)
    low, high = (
        (reached, reached)
        if use_vacuum
        else (owned.times(HAND_FACTOR.low).over(area), owned.times(HAND_FACTOR.high).over(area))
    )
    for_force, used = clamps_for(needed, clamps)
    for_spread = None
    if spread_depth is not None and wanted.psi > 0 and not use_vacuum:
        along, across = _squares(joint, spread_depth)
        for_spread = along * across
    needed_count = None if for_force is None else max(for_force, for_spread or 0)
    own_count = sum(kind.count for kind in clamps)

    checks = [_pressure_check(words, reached, wanted, thin_face=thin_face and use_vacuum)]
    if for_spread is not None and spread_depth is not None:
        checks.append(_spread_check(words, own=own_count, needed=for_spread, depth=spread_depth))
    if adhesive is not None and adhesive.sticks_by_touch:
        what = (
            "sticks a thin face"
            if thin_face
            else "holds thin faces only, not two stiff parts or an edge joint"
        )
        checks.append(Check("kind of joint", thin_face, f"{adhesive.name.lower()} {what}"))
    checks += _condition_checks(words, adhesive, conditions or Conditions())
    if work is not None:
        checks.append(_time_check(adhesive, work))
    holds = all(check.met for check in checks)
    failed = [check.text for check in checks if not check.met]
    return GlueUp(
        holds=holds,
        verdict="will hold" if holds else f"will not: {'; '.join(failed)}",
        area=area,
        wanted=wanted,
        force_needed=needed,
        force_owned=owned,
        reached=reached,
        reached_low=low,
        reached_high=high,
        clamps_needed=needed_count,
        for_force=for_force,
        for_spread=for_spread,
        used=used,
        spacing=_space(joint, needed_count, spread_depth) if needed_count and not use_vacuum else None,
        checks=tuple(checks),
        reasons=_reasons(
            words,
            joint,
            wanted,
            needed,
            layers=layers,
            low=low,
            high=high,
            reached=reached,
            wanted_high=Pressure(wanted_range.high) if wanted_range and wanted_range.high else None,
            spread_depth=spread_depth,
            needed_count=needed_count,
            own_count=own_count,
            use_vacuum=use_vacuum,
            adhesive=adhesive,
            density=density,
        ),
        alternatives=()
        if holds
        else _alternatives(
            words,
            joint,
            wanted=wanted,
            owned=owned,
            clamps=clamps,
            needed_count=needed_count,
            for_spread=for_spread,
            spread_depth=spread_depth,
            vacuum=vacuum,
            thin_face=thin_face,
            pressed=checks[0].met,
            adhesive=adhesive,
            prices=prices or Prices(),
        ),
        cautions=adhesive.cautions if adhesive else (),
        glue=_glue(adhesive, area, layers),
        clamp_hours=(adhesive.clamped.low, adhesive.clamped.high) if adhesive else None,
    )


def _glue(
    adhesive: Adhesive | None, area: Area, layers: int
) -> tuple[Mass, Mass] | tuple[Volume, Volume] | None:
    if adhesive is None:
        return None
    bonded = area * (layers - 1)
    return adhesive.mass_for(bonded) or adhesive.volume_for(bonded)


def _pressure_check(words: _Words, reached: Pressure, wanted: Pressure, *, thin_face: bool) -> Check:
    if reached.psi >= wanted.psi:
        return Check("pressure", True, words.reached(reached, wanted))
    text = words.reached(reached, wanted)
    if thin_face and reached.psi >= VACUUM_VENEER_PSI.value:
        return Check(
            "pressure",
            True,
            f"{words.pressure(reached.psi)} from the bag, and about {words.bare(VACUUM_VENEER_PSI.value)} does for a thin face on "
            f"a flat core ({VACUUM_VENEER_PSI.status})",
        )
    return Check("pressure", False, text)


def _spread_check(words: _Words, *, own: int, needed: int, depth: Length) -> Check:
    each = words.length(depth * 2)
    met = own >= needed
    text = f"{own} clamps each press {each} square through {words.length(depth)}, {needed} cover the joint"
    return Check("spread", met, text)


def _condition_checks(words: _Words, adhesive: Adhesive | None, conditions: Conditions) -> list[Check]:
    checks: list[Check] = []
    readings = conditions.moisture_percent
    if adhesive is not None:
        least = adhesive.least_temperature
        for what, found in (("room", conditions.room), ("wood", conditions.wood)):
            if found is not None:
                met = found.fahrenheit >= least.value
                compared = "reaches" if met else "is below"
                checks.append(
                    Check(
                        "temperature",
                        met,
                        f"the {what} at {found.shown(words.system)} {compared} the {words.fahrenheit(least.value)} this glue needs",
                    )
                )
        limits = adhesive.moisture
        for reading in readings:
            met = limits.low <= reading <= limits.high
            side = "within" if met else ("wetter than" if reading > limits.high else "drier than")
            checks.append(
                Check(
                    "moisture",
                    met,
                    f"wood at {trim_decimal(reading, 1)} % is {side} {limits.low} to {limits.high} %",
                )
            )
    if len(readings) > 1:
        apart = max(readings) - min(readings)
        met = apart <= MOISTURE_APART
        checks.append(
            Check(
                "moisture difference",
                met,
                f"parts differ by {trim_decimal(apart, 1)} % moisture, {'within' if met else 'more than'} "
                f"{MOISTURE_APART} %",
            )
        )
    return checks


def _time_check(adhesive: Adhesive | None, work: Work) -> Check:
    minutes = trim_decimal(work.minutes, 1)
    if adhesive is None:
        raise ValueError("Open time is judged by the adhesive: name it.")
    # The short end of the range: in a warm, dry room the open time is never longer.
    limit = adhesive.open.low
    met = work.minutes <= limit
    return Check(
        "open time",
        met,
        f"spreading and closing takes {minutes} min, {'within' if met else 'more than'} the {trim_decimal(limit, 1)} min it "
        f"stays open",
    )


def _reasons(
    words: _Words,
    joint: Joint,
    wanted: Pressure,
    needed: Force,
    *,
    layers: int,
    low: Pressure,
    high: Pressure,
    reached: Pressure,
    wanted_high: Pressure | None,
    spread_depth: Length | None,
    needed_count: int | None,
    own_count: int,
    use_vacuum: bool,
    adhesive: Adhesive | None,
    density: str,
) -> tuple[str, ...]:
    said = [f"{words.pressure(wanted.psi)} on {words.area(joint.area)} takes {needed.shown(words.system)}."]
    if adhesive is not None and adhesive.sticks_by_touch:
        return (f"{adhesive.name} needs no clamps: {adhesive.wanted(density).source}.",)
    if adhesive is not None:
        asked = adhesive.wanted(density)
        said.append(
            f"{adhesive.name} asks {words.bare(asked.low)} to {words.pressure(asked.high)} on {DENSITIES[density]} ({asked.label})."
        )
    if layers > 2:
        said.append(
            f"All {layers} layers share the same force: it goes through every joint, so it is counted once."
        )
    if use_vacuum:
        said.append("Vacuum presses everywhere alike, but never with more than the weight of the air.")
        return tuple(said)
    if own_count:
        said.append(
            f"The same clamps give {words.pressure(low.psi)} in a weak hand and {words.pressure(high.psi)} in a strong one."
        )
        if reached.psi >= wanted.psi > low.psi:
            said.append("A weak hand falls short: use more clamps or have the stronger person tighten.")
    if wanted_high is not None and reached.psi > wanted_high.psi:
        said.append(
            f"All clamps at full force would give {words.pressure(reached.psi)}: stop at {words.pressure(wanted_high.psi)}, or the "
            "joint is starved of glue."
        )
    if spread_depth is None and needed_count:
        said.append(
            f"Spread not judged: give the depth of caul and stock. The glue maker's guide spaces clamps "
            f"{words.length(Length.of(CLAMP_SPACING.low, 'in'))} to {words.length(Length.of(CLAMP_SPACING.high, 'in'))} apart."
        )
    elif spread_depth is not None:
        said.append(
            f"Force spreads 45° each way through {words.length(spread_depth)}, so clamps stand at most "
            f"{words.length(spread_depth * 2)} apart (common practice)."
        )
    if needed_count:
        per_row = _space(joint, needed_count, spread_depth)
        if per_row.apart is not None and per_row.apart < CLAMP_ROOM:
            said.append("So many clamps won't stand side by side; take stronger ones, or both sides in turn.")
    return tuple(said)


def _alternatives(
    words: _Words,
    joint: Joint,
    *,
    wanted: Pressure,
    owned: Force,
    clamps: Sequence[Clamps],
    needed_count: int | None,
    for_spread: int | None,
    spread_depth: Length | None,
    vacuum: Vacuum | None,
    thin_face: bool,
    pressed: bool,
    adhesive: Adhesive | None,
    prices: Prices,
) -> tuple[Alternative, ...]:
    found: list[Alternative] = []
    own_count = sum(kind.count for kind in clamps)
    if not pressed and owned.lbf > 0 and wanted.psi > 0:
        at_once = owned.lbf / wanted.psi
        batches = _ceil(joint.area.to("in2") / at_once)
        along = Length.of(at_once / joint.width.to("in"), "in")
        found.append(
            Alternative(
                "smaller area",
                True,
                f"Glue at most {words.area(Area.of(at_once, 'in2'))} at once, {words.at_most(along)} of this joint: "
                f"{batches} batches if the job can be divided.",
                ("one clamp time after another", "each batch must line up with the last"),
            )
        )
    if needed_count is not None and needed_count > own_count:
        strongest = _strongest_first(clamps)[0]
        more = needed_count - own_count
        found.append(
            Alternative(
                "more clamps",
                True,
                f"{more} more clamps like “{strongest.name}” ({strongest.force.shown(words.system)} each).",
                ("money for clamps", "takes longer to tighten: mind the open time"),
                Money(strongest.price.cents * more, strongest.price.currency) if strongest.price else None,
            )
        )
    if for_spread is not None and spread_depth is not None and for_spread > own_count and own_count:
        depth = _depth_that_covers(joint, own_count)
        found.append(
            Alternative(
                "cauls",
                pressed,
                f"Cauls that bring the depth from {words.length(spread_depth)} to {words.at_least(depth)} let "
                f"{own_count} clamps cover the joint. They spread force, they don't add any.",
                CAUL_DRAWBACKS,
                prices.caul,
            )
        )
    elif not pressed:
        found.append(
            Alternative(
                "cauls",
                False,
                "Stiff cauls let clamps stand apart and press evenly, but they add no force: alone they won't do here.",
                CAUL_DRAWBACKS,
                prices.caul,
            )
        )
    if not pressed:
        found.append(
            _vacuum_way(
                words, joint, wanted, vacuum, thin_face=thin_face, adhesive=adhesive, price=prices.vacuum
            )
        )
        found.append(_contact_way(words, joint, thin_face=thin_face, prices=prices))
    return tuple(found)


def _vacuum_way(
    words: _Words,
    joint: Joint,
    wanted: Pressure,
    vacuum: Vacuum | None,
    *,
    thin_face: bool,
    adhesive: Adhesive | None,
    price: Money | None,
) -> Alternative:
    bag = vacuum or Vacuum(Fraction(21))
    reached = bag.pressure
    enough = reached.psi >= wanted.psi
    thin_enough = (
        thin_face and reached.psi >= VACUUM_VENEER_PSI.value and (adhesive is None or adhesive.bag_ready)
    )
    gauge = f"{trim_decimal(bag.gauge_inhg, 1)} inHg" + ("" if vacuum else ", a usual pump,")
    tail = (
        "and that is enough."
        if enough
        else f"of {words.bare(wanted.psi)} wanted; it does for a thin face on a flat core, when the adhesive allows."
        if thin_enough
        else f"of {words.bare(wanted.psi)} wanted: not enough for two stiff parts. For veneer on a flat core about "
        f"{words.pressure(VACUUM_VENEER_PSI.value)} does ({VACUUM_VENEER_PSI.status})."
        if not thin_face
        else f"of {words.bare(wanted.psi)} wanted: not enough here."
    )
    force = reached.on(joint.area).shown(words.system)
    return Alternative(
        "vacuum",
        enough or thin_enough,
        f"A bag at {gauge} gives {words.pressure(reached.psi)}, {force} all over, {tail}",
        (
            "pump, bag and flat platen",
            "can't close a gap or flatten a warped core",
            "water glue dries slowly in a bag",
        ),
        price,
    )


def _contact_way(words: _Words, joint: Joint, *, thin_face: bool, prices: Prices) -> Alternative:
    cement = ADHESIVES["contact, solvent"]
    volume = cement.volume_for(joint.area)
    most = volume[1] if volume else Volume(0)
    cost = None
    if prices.contact_can is not None and prices.contact_can_size:
        cans = _ceil(Fraction(most.amount, prices.contact_can_size.amount))
        cost = Money(prices.contact_can.cents * cans, prices.contact_can.currency)
    coated = (joint.area * cement.faces).shown(words.system, 2)
    return Alternative(
        "contact cement",
        thin_face,
        f"No clamps: coat both faces ({coated} in all, up to {most.shown(words.system)}), let dry, press with a roller."
        + ("" if thin_face else " Only for a thin face; not for this joint if both sides are stiff."),
        (*cement.drawbacks, "needs ventilation: " + cement.cautions[0]),
        cost,
    )


COMPUTE_HELP = """
compute glueup: will the clamps reach the pressure wanted, before glue is spread

Input, a JSON object (? = may be left out):
  length, width     of ONE glue line: text like "24 in", "600 mm", "23 5/8", or a number.
                    A number, or a text without a unit, is inches.
  pressure_psi      number above 0: pressure wanted
                    (may be left out when "adhesive" is given)
  clamps            list of {"count": whole number from 0, "force_lbf": number above 0, "name"?, "price"?}
  spread_depth?     caul plus stock between jaw and glue line, as a length: one clamp presses a square
                    twice as wide (45 degrees each way). Without it the spread is not judged.
  layers?           boards or plies in the stack (default 2); they share the same force
  adhesive?         one of: ADHESIVES
  density?          wood: low, medium (default) or high
  room?, wood?      temperatures like "70 F" or "18 C"
  moisture_percent? list of readings
  joints?, seconds_each?   spreading and closing, judged against the adhesive's open time
  vacuum_inhg?, altitude_ft?, use_vacuum?, thin_face?   a bag instead of clamps; thin_face for veneer
  contact_can?      {"size": "1 qt", "price": "24.00"} to price the way round;  currency? (default USD)
  system?           imperial (default) or metric: how the texts speak

Output:
  area_in2               number, length x width
  pressure_reached_psi   number, force of all clamps over the area (or the vacuum's)
  clamps_needed          whole number: strongest first, missing ones like the strongest; also enough to
                         cover the joint when spread_depth is given; null when no clamp is known
  verdict                "will hold", or "will not: 22 psi reached of 120 wanted" and what else is wrong
  then: holds, pressure_wanted_psi, pressure_range_psi (weak and strong hand, 0.6 to 1.4 x),
  force_needed_lbf, force_owned_lbf, told (pressures and force as texts), spacing, checks, reasons, alternatives, cautions, and with an
  adhesive: glue [least, most] and clamp_hours [least, most]

Example:
  echo '{"length":"24 in","width":"12 in","pressure_psi":120,
         "clamps":[{"count":6,"force_lbf":1050}]}' | python manage.py compute glueup
""".replace("ADHESIVES", "; ".join(f'"{key}"' for key in ADHESIVES))

_ALLOWED = (
    "length",
    "width",
    "pressure_psi",
    "clamps",
    "spread_depth",
    "layers",
    "adhesive",
    "density",
    "room",
    "wood",
    "moisture_percent",
    "joints",
    "seconds_each",
    "vacuum_inhg",
    "altitude_ft",
    "use_vacuum",
    "thin_face",
    "contact_can",
    "currency",
    "system",
)


def compute_glueup(payload: Mapping[str, Any], _options: Options | None = None) -> dict[str, Any]:
    """The JSON contract of ``compute glueup``, as ``COMPUTE_HELP`` tells it; raises ValueError naming the field."""
    fields = Fields(payload, allowed=_ALLOWED)
    system = fields.choice("system", ("imperial", "metric"), default="imperial")
    joint = Joint(fields.length("length"), fields.length("width"))
    adhesive = ADHESIVES[fields.choice("adhesive", ADHESIVES)] if fields.has("adhesive") else None
    wanted = None
    if adhesive is None or fields.has("pressure_psi"):
        wanted = Pressure(fields.number("pressure_psi", above=0, most=100_000))
    money_of = fields.currency()
    clamps = [
        Clamps(
            count=row.whole("count", least=0),
            force=Force(row.number("force_lbf", above=0, most=1_000_000)),
            name=row.text("name", default=f"clamp of {trim_decimal(row.number('force_lbf'), 1)} lbf"),
            price=row.money("price", money_of) if row.has("price") else None,
        )
        for row in fields.rows("clamps", allowed=("count", "force_lbf", "price"))
    ]
    vacuum = None
    if fields.has("vacuum_inhg"):
        vacuum = Vacuum(
            fields.number("vacuum_inhg", most=30),
            fields.number("altitude_ft", default=0, most=20_000),
        )
    elif fields.flag("use_vacuum"):
        raise fields.bad("vacuum_inhg", "is missing: what does the gauge show?")
    work = None
    if fields.has("joints") or fields.has("seconds_each"):
        if adhesive is None:
            raise fields.bad("adhesive", "is missing: open time is judged by it")
        work = Work(fields.whole("joints"), fields.whole("seconds_each"))
    prices = Prices()
    if fields.has("contact_can"):
        can = fields.record("contact_can", allowed=("size", "price"))
        prices = Prices(contact_can=can.money("price", money_of), contact_can_size=can.volume("size"))
    found = judge(
        joint,
        clamps=clamps,
        wanted=wanted,
        adhesive=adhesive,
        density=fields.choice("density", DENSITIES, default="medium"),
        layers=fields.whole("layers", default=2, least=2, most=1000),
        spread_depth=fields.length("spread_depth") if fields.has("spread_depth") else None,
        conditions=Conditions(
            room=fields.temperature("room") if fields.has("room") else None,
            wood=fields.temperature("wood") if fields.has("wood") else None,
            moisture_percent=fields.percents("moisture_percent") if fields.has("moisture_percent") else (),
        ),
        work=work,
        vacuum=vacuum,
        use_vacuum=fields.flag("use_vacuum"),
        thin_face=fields.flag("thin_face"),
        prices=prices,
        system=system,
    )
    return _as_json(found, system)


def _as_json(found: GlueUp, system: str) -> dict[str, Any]:
    words = _Words(system)
    answer: dict[str, Any] = {
        "area_in2": figure(found.area.to("in2")),
        "pressure_reached_psi": figure(found.reached.psi),
        "clamps_needed": found.clamps_needed,
        "verdict": found.verdict,
        "holds": found.holds,
        "pressure_wanted_psi": figure(found.wanted.psi),
        "pressure_range_psi": [figure(found.reached_low.psi), figure(found.reached_high.psi)],
        "force_needed_lbf": figure(found.force_needed.lbf),
        "force_owned_lbf": figure(found.force_owned.lbf),
        "told": {
            "reached": words.pressure(found.reached.psi),
            "wanted": words.pressure(found.wanted.psi),
            "force_needed": found.force_needed.shown(system),
        },
        "clamps_used": [{"name": name, "count": count} for name, count in found.used],
        "spacing": None,
        "checks": [{"name": check.name, "met": check.met, "text": check.text} for check in found.checks],
        "reasons": list(found.reasons),
        "alternatives": [
            {
                "name": way.name,
                "would_do": way.would_do,
                "text": way.text,
                "drawbacks": list(way.drawbacks),
                "cost": way.cost.typed if way.cost is not None else None,
            }
            for way in found.alternatives
        ],
        "cautions": list(found.cautions),
        "glue": [amount.shown("imperial") for amount in found.glue] if found.glue else None,
        "clamp_hours": [figure(hours) for hours in found.clamp_hours] if found.clamp_hours else None,
    }
    if found.spacing is not None:
        answer["spacing"] = {
            "rows": found.spacing.rows,
            "per_row": found.spacing.per_row,
            "apart_in": figure(found.spacing.apart.to("in"), 3) if found.spacing.apart else None,
            "positions_in": [figure(place.to("in"), 3) for place in found.spacing.positions],
        }
    return answer
