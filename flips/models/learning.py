"""What the shop has learned: how often techniques work, what attempts took, and plans against what became of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from statistics import median
from typing import Any

from django.db.models import F
from django.db.models.functions import Coalesce, Trim

from estimating.chances import Chance, Tries, learn
from estimating.money import round_half_up
from estimating.pricing import Expected, expect_from
from flips.books import Kind as LineKind
from flips.books import PieceFigures
from flips.likeness import Traits
from flips.models.attempt_costs import AttemptCost, attempt_costs
from flips.models.bench import Attempt, Outcome
from flips.models.estimates import EstimateLine, Planned, planned
from flips.models.facts import figures_of
from flips.models.parts import Material, Part
from flips.models.people import Shop
from flips.models.pieces import Piece
from flips.models.remedies import Fault, FaultKind, Reckoning, SurveyAnswer, Technique
from flips.survey_lists import kind_of

UNKNOWN = "unknown"


def _key(name: str) -> str:
    return " ".join(name.split()).lower()


class TryBook:
    """How often each technique was tried, by material and fault, and with what outcome.

    A try that names no fault counts for every fault; one on a part of unknown material counts only where the material
    does not matter.
    """

    def __init__(self, rows: Iterable[Any]) -> None:
        self._rows: dict[str, list[tuple[str | None, str | None, str, int]]] = defaultdict(list)
        for row in rows:
            self._rows[_key(str(row["name"]))].append(
                (row["material"], row["fault"], str(row["outcome"]), int(str(row["n"])))
            )

    @classmethod
    def of_the_shop(cls) -> TryBook:
        """The whole record, in one query."""
        return cls(Attempt.objects.tallied())

    def tries(self, technique: str, *, material: str | None = None, fault: str | None = None) -> Tries:
        """Tries of a technique, on one material and for one fault where those are named."""
        counts = {Outcome.WORKED: 0, Outcome.PARTLY: 0, Outcome.FAILED: 0}
        for its_material, its_fault, outcome, count in self._rows.get(_key(technique), ()):
            if material is not None and its_material != material:
                continue
            if fault is not None and its_fault not in (None, fault):
                continue
            counts[Outcome(outcome)] += count
        return Tries(counts[Outcome.WORKED], counts[Outcome.PARTLY], counts[Outcome.FAILED])

    def chance(self, technique: str, *, guess: Fraction, material: str, fault: str) -> Chance:
        """The chance of a technique on this material and fault, with the guess counting as its stated tries."""
        known = None if material == UNKNOWN else material
        return learn(self.tries(technique, material=known, fault=fault), guess=guess)

    def on_material(self, technique: str, material: str) -> str:
        """Ahead of a repeat: "tried on veneered particle board: 0 of 2"; empty when it was not tried on it."""
        if material == UNKNOWN:
            return ""
        tries = self.tries(technique, material=material)
        if not tries.count:
            return ""
        partly = f", partly {tries.partly}" if tries.partly else ""
        return f"tried on {Material(material).label.lower()}: {tries.worked} of {tries.count}{partly}"

    def elsewhere(self, technique: str, material: str) -> str:
        """How it went on other materials, in words; empty without any."""
        every, here = self.tries(technique), self.tries(technique, material=material)
        count = every.count - here.count
        return f"on other materials: {every.worked - here.worked} of {count}" if count else ""


# Techniques by material and fault


@dataclass(frozen=True)
class Learned:
    """One technique on one material for one fault: what came of it, and what it took."""

    technique: str
    material: str
    fault: str
    chance: Chance
    median_minutes: int | None
    lost_cents: int

    @property
    def tries(self) -> Tries:
        """All tries with an outcome."""
        return self.chance.tries


def learned(*, shop: Shop, material: str = "", fault: str = "") -> list[Learned]:
    """Every technique by material and fault, the most tried first, in a fixed number of queries.

    ``lost_cents`` is the cash that went into attempts that failed.
    """
    rows = (
        Attempt.objects.tried()
        .annotate(
            name=Coalesce("step__technique__name", Trim("technique")),
            on=F("part__material"),
            of=F("remedy__fault__kind"),
        )
        .order_by("began_at", "pk")
        .values("pk", "piece_id", "name", "on", "of", "outcome")
    )
    kept = [
        row
        for row in rows
        if (not material or row["on"] == material) and (not fault or row["of"] in (None, fault))
    ]
    costs = attempt_costs({row["piece_id"] for row in kept}, zone=shop.zone) if kept else {}
    guesses = {_key(one.name): one.guess for one in Technique.objects.live()}
    groups: dict[tuple[str, str, str], list[Mapping[str, object]]] = defaultdict(list)
    for row in kept:
        groups[(_key(str(row["name"])), row["on"] or UNKNOWN, row["of"] or "")].append(row)
    found = []
    for (name, on, of), some in groups.items():
        outcomes = [str(row["outcome"]) for row in some]
        spent: list[AttemptCost] = [costs.get(int(str(row["pk"])), AttemptCost()) for row in some]
        minutes = [cost.minutes for cost in spent if cost.minutes]
        tries = Tries(
            outcomes.count(Outcome.WORKED), outcomes.count(Outcome.PARTLY), outcomes.count(Outcome.FAILED)
        )
        found.append(
            Learned(
                technique=str(some[-1]["name"]),
                material=Material(on).label if on != UNKNOWN else "Material not noted",
                fault=FaultKind(of).label if of else "",
                chance=learn(tries, guess=guesses.get(name, Fraction(1, 2))),
                median_minutes=round_half_up(Fraction(median(minutes))) if minutes else None,
                lost_cents=sum(
                    cost.cents
                    for cost, outcome in zip(spent, outcomes, strict=True)
                    if outcome == Outcome.FAILED
                ),
            )
        )
    return sorted(found, key=lambda row: (-row.tries.count, row.technique, row.material, row.fault))


# What pieces of a kind fetched and took


@dataclass(frozen=True)
class KindRecord:
    """What sold pieces of a kind fetched and took: the defaults for the next find of that kind.

    Hours and materials are medians without the failed attempts; ``reserve_cents`` is what failed attempts came to on
    average, cash and her time at the wanted pay, so that nothing is counted twice.
    """

    kind: str
    pieces: int
    expected: Expected | None
    minutes: int | None
    materials_cents: int | None
    delivery_cents: int | None
    transport_cents: int | None
    reserve_cents: int
    of_all_kinds: bool = False


def _median(values: Sequence[int]) -> int | None:
    return round_half_up(Fraction(median(values))) if values else None


def sold_by_kind() -> dict[str, list[int]]:
    """The ids of sold pieces by the kind of furniture they are, in one query."""
    found: dict[str, list[int]] = defaultdict(list)
    for pk, kind, what in Piece.objects.sold().order_by("pk").values_list("pk", "kind", "what"):
        found[kind_of(kind, what)].append(pk)
    return found


def record_of(kind: str, *, shop: Shop) -> KindRecord:
    """What this kind fetched and took; hours and materials from all kinds when none of it was sold yet."""
    by_kind = sold_by_kind()
    own = by_kind.get(kind, [])
    pieces = own or [pk for some in by_kind.values() for pk in some]
    figures = list(figures_of(pieces, shop=shop).values()) if pieces else []
    return _record(kind, figures, shop=shop, of_all_kinds=not own)


def records_of_all_kinds(*, shop: Shop) -> dict[str, KindRecord]:
    """The record of every kind that was sold, and under "" that of all kinds, in a fixed number of queries."""
    by_kind = sold_by_kind()
    every = [pk for some in by_kind.values() for pk in some]
    figures = figures_of(every, shop=shop) if every else {}
    found = {
        kind: _record(kind, [figures[pk] for pk in some if pk in figures], shop=shop, of_all_kinds=False)
        for kind, some in by_kind.items()
    }
    found[""] = _record("", list(figures.values()), shop=shop, of_all_kinds=True)
    return found


def _record(kind: str, figures: Sequence[PieceFigures], *, shop: Shop, of_all_kinds: bool) -> KindRecord:
    prices = [one.price for one in figures if one.price]
    delivery = [one.selling_costs.get(LineKind.DELIVERY_PAID, 0) for one in figures]
    failed = [
        one.failed_attempts + Fraction(one.failed_minutes * shop.wanted_hourly_cents, 60) for one in figures
    ]
    return KindRecord(
        kind=kind,
        pieces=0 if of_all_kinds else len(figures),
        expected=expect_from(prices) if prices and not of_all_kinds else None,
        minutes=_median([max(0, one.owner_minutes - one.failed_minutes) for one in figures]),
        materials_cents=_median(
            [max(0, one.materials + one.parts + one.paid_help - one.failed_attempts) for one in figures]
        ),
        delivery_cents=_median(delivery),
        transport_cents=_median([one.transport for one in figures]),
        reserve_cents=round_half_up(sum(failed, Fraction(0)) / len(figures)) if figures else 0,
        of_all_kinds=of_all_kinds,
    )


# Plans against what became of them


@dataclass(frozen=True)
class Against:
    """Plans of a kind of piece against what became of them, summed over ``pieces`` sold pieces with a reckoning."""

    kind: str
    pieces: int
    planned_minutes: int
    minutes: int
    planned_cents: int
    cents: int
    planned_price: int
    price: int

    @property
    def hours_factor(self) -> Fraction | None:
        """Hours taken for each hour planned."""
        return Fraction(self.minutes, self.planned_minutes) if self.planned_minutes else None


@dataclass(frozen=True)
class _Plan:
    """What was planned for one piece."""

    minutes: int
    cents: int
    price: int


def _plan(reckoned: Reckoning | None, estimate: Planned | None, wished: int | None) -> _Plan:
    price = reckoned.likely_cents if reckoned is not None else wished or 0
    if estimate is not None:
        return _Plan(estimate.minutes, estimate.known_cents, price)
    if reckoned is None:
        return _Plan(0, 0, price)
    return _Plan(reckoned.minutes, reckoned.materials_cents + reckoned.reserve_cents, price)


def planned_of_pieces(pieces: Sequence[int]) -> dict[int, Planned]:
    """What the estimates of pieces plan, by piece, for those that have one; one query."""
    lines: dict[int, list[EstimateLine]] = defaultdict(list)
    rows = (
        EstimateLine.objects.live()
        .filter(estimate__voided_at__isnull=True, estimate__piece__in=pieces)
        .select_related("estimate")
    )
    for line in rows:
        lines[line.estimate.piece_id].append(line)
    return {pk: planned(some) for pk, some in lines.items()}


def plans_against_actual(*, shop: Shop) -> list[Against]:
    """By kind of piece: what was planned against hours, costs and price of the sold pieces, in a fixed number of queries.

    Hours and costs were planned by the estimate of a piece where it has one, else by what was reckoned before buying.
    """
    sold = {pk: kind for kind, some in sold_by_kind().items() for pk in some}
    last: dict[int, Reckoning] = {}
    for row in Reckoning.objects.live().filter(piece__in=list(sold)).order_by("created_at", "pk"):
        last[row.piece_id] = row
    estimates = planned_of_pieces(list(sold))
    if not last and not estimates:
        return []
    figures = figures_of([*last, *estimates], shop=shop)
    wished = dict(Piece.objects.filter(pk__in=list(estimates)).values_list("pk", "expected_cents"))
    groups: dict[str, list[tuple[_Plan, PieceFigures]]] = defaultdict(list)
    for pk in sorted({*last, *estimates} & set(figures)):
        groups[sold[pk]].append((_plan(last.get(pk), estimates.get(pk), wished.get(pk)), figures[pk]))
    return [
        Against(
            kind=kind,
            pieces=len(some),
            planned_minutes=sum(plan.minutes for plan, _ in some),
            minutes=sum(one.owner_minutes for _, one in some),
            planned_cents=sum(plan.cents for plan, _ in some),
            cents=sum(one.materials + one.parts + one.paid_help for _, one in some),
            planned_price=sum(plan.price for plan, _ in some),
            price=sum(one.price for _, one in some),
        )
        for kind, some in sorted(groups.items())
    ]


@dataclass(frozen=True)
class Pace:
    """Minutes taken for each minute planned in ``tries`` ended attempts that had a plan."""

    tries: int
    planned: int
    taken: int

    # With fewer than this many a factor says more about one bad day than about her.
    ENOUGH = 3

    @property
    def factor(self) -> Fraction:
        """What to multiply the next plan by; 1 until there are enough tries."""
        if self.tries < self.ENOUGH or not self.planned:
            return Fraction(1)
        return Fraction(self.taken, self.planned)


def pace_of(kind: str, *, shop: Shop) -> Pace:
    """How planned minutes of remedies turned out on pieces of a kind, in a fixed number of queries."""
    rows = [
        row
        for row in Attempt.objects.tried()
        .filter(planned_minutes__gt=0)
        .values("pk", "piece_id", "planned_minutes", "piece__kind", "piece__what")
        if kind_of(row["piece__kind"], row["piece__what"]) == kind
    ]
    costs = attempt_costs({row["piece_id"] for row in rows}, zone=shop.zone) if rows else {}
    timed = [row for row in rows if costs.get(row["pk"], AttemptCost()).minutes]
    return Pace(
        len(timed),
        sum(row["planned_minutes"] or 0 for row in timed),
        sum(costs[row["pk"]].minutes for row in timed),
    )


# What the survey says of a kind


def yes_counts(kind: str) -> dict[str, tuple[int, int]]:
    """For every question: how often it was a yes, and how often it was looked at, on pieces of this kind."""
    found: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    rows = (
        SurveyAnswer.objects.live()
        .exclude(answer="not_looked")
        .values_list("question", "answer", "piece__kind", "piece__what")
    )
    for question, answer, its_kind, what in rows:
        if kind_of(its_kind, what) == kind:
            found[question][0] += 1 if answer == "yes" else 0
            found[question][1] += 1
    return {question: (yes, looked) for question, (yes, looked) in found.items()}


# Likeness


@dataclass
class Past:
    """A piece that is like a find, with what was underestimated on it."""

    piece: Piece
    reasons: tuple[str, ...]
    figures: PieceFigures | None
    reckoned: Reckoning | None
    failed: tuple[str, ...]
    said: list[str] = field(default_factory=list)


def traits_of(piece: Piece | None = None) -> list[Traits]:
    """What is compared of a piece, or of every piece that was bought, in three queries."""
    rows = Piece.objects.live()
    rows = rows.exclude(stage__in=("seen", "passed")) if piece is None else rows.filter(pk=piece.pk)
    names = list(rows.values_list("pk", "kind", "what"))
    about = {} if piece is None else {"piece": piece}
    faults: dict[int, set[str]] = defaultdict(set)
    for pk, kind in Fault.objects.live().filter(**about).values_list("piece_id", "kind"):
        faults[pk].add(FaultKind(kind).label)
    materials: dict[int, set[str]] = defaultdict(set)
    parts = Part.objects.live().filter(**about).exclude(material=UNKNOWN)
    for pk, material in parts.values_list("piece_id", "material"):
        materials[pk].add(Material(material).label)
    return [
        Traits(pk, kind_of(kind, what), what, frozenset(faults[pk]), frozenset(materials[pk]))
        for pk, kind, what in names
    ]
