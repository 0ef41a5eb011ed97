"""What is known about a find before it is bought: the defaults of its ceiling, and the pieces it is like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from estimating.chances import Tries, learn
from estimating.money import round_half_up
from estimating.pricing import Expected
from estimating.remedies import BadRemedy, rank, reserve_of
from finishes.measures import trim_decimal
from flips.likeness import most_like
from flips.models.facts import figures_of
from flips.models.forks import RemedyState, as_entries, load_all
from flips.models.learning import (
    KindRecord,
    Past,
    TryBook,
    pace_of,
    planned_of_pieces,
    record_of,
    traits_of,
    yes_counts,
)
from flips.models.people import Shop
from flips.models.pieces import Piece, Purchase
from flips.models.remedies import Answer, Fault, Reckoning, SurveyAnswer
from flips.survey_lists import LISTS, Question, kind_of

# How often an ordinary fault turns up that nobody looked for; a guess counting as four looks, no source.
UNSEEN = Fraction(1, 10)


@dataclass(frozen=True)
class Seen:
    """A question of the survey with its answer."""

    question: Question
    answer: str
    note: str = ""

    @property
    def is_stop(self) -> bool:
        """Whether work must not begin before this is dealt with."""
        return bool(self.question.stop) and self.answer == Answer.YES


def survey_of(piece: Piece, kind: str) -> list[Seen]:
    """The list of the kind with what was answered, in one query; a question without an answer was not looked at."""
    rows = {row.question: row for row in SurveyAnswer.objects.live().filter(piece=piece)}
    return [
        Seen(
            one,
            rows[one.key].answer if one.key in rows else Answer.NOT_LOOKED,
            rows[one.key].note if one.key in rows else "",
        )
        for one in LISTS[kind]
    ]


@dataclass(frozen=True)
class Risk:
    """Minutes to set aside for what the survey found and did not look at, with the reasons."""

    minutes: Fraction = Fraction(0)
    unseen: int = 0
    found: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()


def risk_of(seen: Sequence[Seen], *, kind: str, noted: frozenset[str], begun: bool) -> Risk:
    """What to set aside: a yes without a remedy in full, "not looked" by how often it was a yes on this kind.

    ``noted`` are the kinds of fault that have a remedy and are reckoned there. Before a survey has ``begun`` all of the
    list counts as not looked.
    """
    counts = yes_counts(kind)
    minutes = Fraction(0)
    found, unseen, reasons = [], 0, []
    for one in seen:
        if one.answer == Answer.YES and one.question.fault not in noted:
            minutes += one.question.minutes
            found.append(one.question.text)
        elif one.answer == Answer.NOT_LOOKED:
            yes, looked = counts.get(one.question.key, (0, 0))
            chance = learn(Tries(worked=yes, failed=looked - yes), guess=UNSEEN).chance
            minutes += chance * one.question.minutes
            unseen += 1
    if found:
        reasons.append(
            f"{len(found)} answered yes and without a remedy yet, each at our rough guess of its time"
        )
    if unseen:
        words = "not looked at" if begun else "of the list, none looked at yet"
        reasons.append(f"{unseen} {words}, each by how often it was a yes on this kind")
    return Risk(minutes, unseen, tuple(found), tuple(reasons))


@dataclass(frozen=True)
class Default:
    """A figure used when none is typed, and where it comes from."""

    value: int
    why: str


@dataclass
class Defaults:
    """What the ceiling reckons with where nothing is typed; an empty ``expected`` has to be typed."""

    kind: str
    record: KindRecord
    expected: Expected | None
    expected_why: str
    minutes: Default
    materials: Default
    delivery: Default
    travel: Default
    reserve: Default
    premium: Default
    tax: Default
    stops: list[Seen] = field(default_factory=list)
    unseen: int = 0


def _times(record: KindRecord) -> str:
    if record.of_all_kinds:
        return "the median of all your sold pieces"
    count = "1 sold one" if record.pieces == 1 else f"{record.pieces} sold ones"
    return f"the median of your {count} of this kind"


def defaults_for(*, kind: str, piece: Piece | None, shop: Shop) -> Defaults:
    """The defaults for a find of a kind in a fixed number of queries."""
    record = record_of(kind, shop=shop)
    minutes = Default(
        record.minutes or 0, _times(record) if record.minutes is not None else "nothing known yet"
    )
    materials = Default(
        record.materials_cents or 0,
        _times(record) if record.materials_cents is not None else "nothing known yet",
    )
    reserve = Default(
        record.reserve_cents,
        "what failed attempts came to on average" if record.minutes is not None else "nothing known yet",
    )
    expected, why = record.expected, ""
    if expected is not None:
        why = f"lower quartile, median and upper quartile of {record.pieces} sold"
    defaults = Defaults(
        kind=kind,
        record=record,
        expected=expected,
        expected_why=why,
        minutes=minutes,
        materials=materials,
        delivery=Default(
            record.delivery_cents or 0, _times(record) if record.delivery_cents else "none as a rule"
        ),
        travel=Default(
            record.transport_cents or 0, _times(record) if record.transport_cents else "none as a rule"
        ),
        reserve=reserve,
        premium=Default(0, "none"),
        tax=Default(0, "none"),
    )
    if piece is not None:
        _with_piece(defaults, piece, shop=shop)
    return defaults


def _with_piece(defaults: Defaults, piece: Piece, *, shop: Shop) -> None:
    book = TryBook.of_the_shop()
    planned_minutes = planned_cents = reserve = Fraction(0)
    noted: set[str] = set()
    faults = list(Fault.objects.open().filter(piece=piece).with_parts())
    states = load_all(faults, book=book)
    for fault in faults:
        found = _plan(states[fault.pk], shop=shop)
        if found is None:
            continue
        noted.add(fault.kind)
        minutes, cents, more = found
        planned_minutes += minutes
        planned_cents += cents
        reserve += more
    if noted:
        pace = pace_of(defaults.kind, shop=shop)
        planned_minutes *= pace.factor
        slow = (
            f", times {trim_decimal(pace.factor, 2)}, which is what you took for each hour planned"
            if pace.factor != 1
            else ""
        )
        if round_half_up(planned_minutes) >= defaults.minutes.value:
            defaults.minutes = Default(
                round_half_up(planned_minutes), f"the first remedies of its faults{slow}"
            )
        if round_half_up(planned_cents) >= defaults.materials.value:
            defaults.materials = Default(round_half_up(planned_cents), "the first remedies of its faults")
        defaults.reserve = Default(round_half_up(reserve), "what its remedies take when the first one fails")
    estimate = planned_of_pieces([piece.pk]).get(piece.pk)
    if estimate is not None:
        if estimate.minutes:
            defaults.minutes = Default(estimate.minutes, "the hours of its estimate")
        if estimate.known_cents:
            defaults.materials = Default(estimate.known_cents, "the costs of its estimate")
    seen = survey_of(piece, defaults.kind)
    begun = any(one.answer != Answer.NOT_LOOKED for one in seen)
    defaults.stops = [one for one in seen if one.is_stop]
    defaults.unseen = sum(1 for one in seen if one.answer == Answer.NOT_LOOKED)
    if begun or (defaults.record.of_all_kinds and not noted):
        risk = risk_of(seen, kind=defaults.kind, noted=frozenset(noted), begun=begun)
        worth = round_half_up(risk.minutes * shop.wanted_hourly_cents / 60)
        if worth:
            why = "; ".join([*([defaults.reserve.why] if defaults.reserve.value else []), *risk.reasons])
            defaults.reserve = Default(defaults.reserve.value + worth, why)
    _with_place(defaults, piece.place)


def _plan(states: Sequence[RemedyState], *, shop: Shop) -> tuple[Fraction, Fraction, Fraction] | None:
    """Minutes and cents of the first remedy, and the reserve for the others; None without a remedy to rank."""
    entries = as_entries(states)
    if not entries:
        return None
    try:
        ranking = rank(entries, hour_value=shop.wanted_hourly_cents)
    except BadRemedy:
        return None
    if not ranking.order:
        return None
    more = reserve_of(ranking)
    first = ranking.order[0]
    return first.hours * 60, first.materials, more.materials + more.hours * shop.wanted_hourly_cents


def _with_place(defaults: Defaults, place: str) -> None:
    """Premium and tax as they were the last time something was bought at that place."""
    if not place:
        return
    last = (
        Purchase.objects.live()
        .filter(place__iexact=place, price_cents__gt=0)
        .order_by("-bought_on", "-pk")
        .first()
    )
    if last is None:
        return
    why = f"as on {last.bought_on:%d %b %Y} at {place}"
    premium = Fraction(last.premium_cents * 100, last.price_cents)
    tax = Fraction(last.tax_cents * 100, last.price_cents + last.premium_cents)
    defaults.premium = Default(round_half_up(premium * 100), why)
    defaults.tax = Default(round_half_up(tax * 100), why)


# What a find is like


def like_it(piece: Piece, *, shop: Shop) -> list[Past]:
    """The three pieces most like a find, with their figures and what failed on them, in a fixed number of queries."""
    from flips.models.bench import Attempt

    (mine,) = traits_of(piece=piece)
    found = most_like(mine, traits_of())
    ids = [one.key for one in found]
    rows = {row.pk: row for row in Piece.objects.filter(pk__in=ids).with_cover()}
    figures = figures_of(ids, shop=shop) if ids else {}
    reckoned: dict[int, Reckoning] = {}
    for row in Reckoning.objects.live().filter(piece__in=ids).order_by("created_at", "pk"):
        reckoned[row.piece_id] = row
    failed: dict[int, list[str]] = {}
    for attempt in Attempt.objects.failed().filter(piece__in=ids).select_related("part"):
        on = f" on {attempt.part.name.lower()}" if attempt.part else ""
        failed.setdefault(attempt.piece_id, []).append(f"{attempt.technique}{on}")
    return [
        Past(
            piece=rows[one.key],
            reasons=one.reasons,
            figures=figures.get(one.key),
            reckoned=reckoned.get(one.key),
            failed=tuple(failed.get(one.key, ())),
        )
        for one in found
    ]


def kind_of_piece(piece: Piece) -> str:
    """The kind whose list and record fit a piece."""
    return kind_of(piece.kind, piece.what)
