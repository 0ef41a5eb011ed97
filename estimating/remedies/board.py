"""The fork: remedies or tests in the best order with the reason for each, her own order beside it, and what a wish costs.

Every figure looks forward. What has been spent already is carried along to be shown, and is in no sum.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from statistics import median

from estimating.remedies import nested, order
from estimating.remedies.order import Item
from estimating.remedies.work import (
    AnyOf,
    BadRemedy,
    Exact,
    Figures,
    Remedy,
    Step,
    check_remedies,
    check_steps,
    cost_of,
)

__all__ = [
    "Fork",
    "LeftOut",
    "Option",
    "Placed",
    "Ranking",
    "Reserve",
    "WayOut",
    "Wish",
    "ask_again",
    "order_steps",
    "price_of_wish",
    "rank",
    "remaining",
    "reserve_of",
    "weigh_ways",
]

HOURS_OVER = Fraction(3, 2)
# Twelve cards re-planned one by one stay under a fifth of a second up to about this many states in all.
MOST_REPLANNED = 5000


@dataclass(frozen=True)
class Placed:
    """One card in its place: what it costs and promises by itself, how likely its turn comes, and why it stands here.

    ``saves`` is what having it in the plan saves against leaving it out, counting success only where a sure remedy or
    a price of giving up makes the two comparable; ``later_costs`` is what moving it one place later would cost.
    Either is None where it has no meaning (the last one can't move later).
    """

    name: str
    steps: tuple[str, ...]
    cost: Fraction
    materials: Fraction
    hours: Fraction
    days: Fraction
    chance: Fraction
    reached: Fraction | None
    reason: str
    saves: Fraction | None
    later_costs: Fraction | None


@dataclass(frozen=True)
class LeftOut:
    """A remedy that the best order does not try, and why."""

    name: str
    reason: str


@dataclass(frozen=True)
class Ranking:
    """The best order with its figures, her own order's and the dearest order's.

    ``worth_it`` is whether the expected cost is below the price of giving up; a tie is not worth it. Without a price
    it is true unless there is no chance at all. ``first`` is the first move of an adaptive plan, where remedies have several steps.
    """

    order: tuple[Placed, ...]
    left_out: tuple[LeftOut, ...]
    expected: Figures
    worst_order: tuple[str, ...]
    worst_cost: Fraction
    own_order: tuple[str, ...]
    own: Figures | None
    own_notes: tuple[str, ...]
    give_up: Fraction | None
    worth_it: bool
    exact: bool
    method: str
    first: nested.Move | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """What is tried, in order."""
        return tuple(card.name for card in self.order)

    @property
    def saves_over_own(self) -> Fraction | None:
        """How much less the best order is expected to cost than hers; None without an order of hers.

        Negative only when hers has a lower chance of success and giving up has no price.
        """
        return None if self.own is None else self.own.cost - self.expected.cost

    @property
    def saves_over_worst(self) -> Fraction:
        """How much less the best order is expected to cost than the dearest."""
        return self.worst_cost - self.expected.cost


# Steps that must all work


def order_steps(
    steps: Sequence[Step], *, hour_value: Exact, give_up: Exact | None = None, own_order: Sequence[str] = ()
) -> Ranking:
    """The best order of tests that must all pass; the first failure ends it and costs ``give_up``.

    ``own_order`` must name every step once. Raises BadRemedy for steps that no order can do or names that are unknown.
    """
    check_steps(steps)
    worth = _money(hour_value, "The worth of an hour")
    price = None if give_up is None else _money(give_up, "The price of giving up")
    by_name = {step.name: step for step in steps}
    items = {
        step.name: Item(
            step.name,
            cost_of(step, worth),
            Fraction(step.chance),
            frozenset(step.after),
            frozenset(step.spoils),
        )
        for step in steps
    }
    found = order.best_steps(list(items.values()), price or Fraction(0))
    own, notes = None, []
    if own_order:
        if sorted(own_order) != sorted(by_name):
            raise BadRemedy("Her own order must name every step once.")
        own = _figures_of_steps([by_name[name] for name in own_order], worth, price)
        notes = _broken_needs(own_order, items)
    still = Fraction(1)
    cards: list[Placed] = []
    usual = median(item.cost for item in items.values())
    usual_risk = median(1 - item.chance for item in items.values())
    for at, name in enumerate(found.order):
        step, item = by_name[name], items[name]
        cards.append(
            Placed(
                name,
                (name,),
                item.cost,
                Fraction(step.materials),
                Fraction(step.hours),
                Fraction(step.days),
                item.chance,
                still,
                _why_step(found.order, at, items, usual, usual_risk),
                None,
                _later_step(found.order, at, items),
            )
        )
        still *= item.chance
    expected = _figures_of_steps([by_name[name] for name in found.order], worth, price)
    return Ranking(
        tuple(cards),
        (),
        expected,
        found.worst_order,
        found.worst_cost,
        tuple(own_order),
        own,
        tuple(notes),
        price,
        _worth_it(expected, price),
        found.exact,
        found.method,
    )


def _money(value: Exact, what: str) -> Fraction:
    if isinstance(value, (bool, float)):
        raise BadRemedy(f"{what} must be an exact number.")
    if value < 0:
        raise BadRemedy(f"{what} can't be negative.")
    return Fraction(value)


def _worth_it(figures: Figures, price: Fraction | None) -> bool:
    return figures.chance > 0 if price is None else figures.cost < price


def _figures_of_steps(steps: Sequence[Step], hour_value: Fraction, give_up: Fraction | None) -> Figures:
    return _figures(
        [(step, Fraction(step.chance)) for step in steps], hour_value, give_up, stop_on_success=False
    )


def _figures(
    entries: Sequence[tuple[Step, Fraction]],
    hour_value: Fraction,
    give_up: Fraction | None,
    *,
    stop_on_success: bool,
) -> Figures:
    materials = hours = days = Fraction(0)
    still = Fraction(1)
    for step, chance in entries:
        materials += still * Fraction(step.materials)
        hours += still * Fraction(step.hours)
        days += still * Fraction(step.days)
        still *= 1 - chance if stop_on_success else chance
    spend = materials + hours * hour_value
    success = 1 - still if stop_on_success else still
    return Figures(spend + (give_up or 0) * (1 - success), spend, materials, hours, days, success)


def _broken_needs(names: Sequence[str], items: Mapping[str, Item]) -> list[str]:
    notes = []
    for at, name in enumerate(names):
        before = set(names[:at])
        notes += [f"“{name}” needs “{other}” first." for other in sorted(items[name].after - before)]
        notes += [f"“{other}” spoils “{name}”." for other in sorted(before) if name in items[other].spoils]
    return notes


def _why_step(
    names: Sequence[str], at: int, items: Mapping[str, Item], usual: Fraction, usual_risk: Fraction
) -> str:
    item = items[names[at]]
    if len(names) == 1:
        return "the only one"
    risk = 1 - item.chance
    for later in names[at + 1 :]:
        other = items[later]
        if (item.name in other.after or item.name in other.spoils) and _dearer(
            item.cost, risk, other.cost, 1 - other.chance
        ):
            return f"“{later}” needs it first" if item.name in other.after else f"“{later}” would spoil it"
    if not risk:
        return "sure to work: it can wait until the doubtful ones have passed"
    cheap, risky = item.cost <= usual, risk >= usual_risk
    if cheap and risky:
        return "cheap and likely to fail first"
    if cheap:
        return "cheap, so found out early"
    if risky:
        return "dear, but likely to fail: found out before more is spent"
    return "dear and unlikely to fail: left until the others have passed"


def _dearer(cost: Fraction, chance: Fraction, other_cost: Fraction, other_chance: Fraction) -> bool:
    """Whether the ratio of cost to chance is the higher one, a chance of nought counting as endless."""
    return cost * other_chance > other_cost * chance


def _later_step(names: Sequence[str], at: int, items: Mapping[str, Item]) -> Fraction | None:
    return _swap(names, at, items, order.cost_of_steps)


def _swap(names: Sequence[str], at: int, items: Mapping[str, Item], cost: object) -> Fraction | None:
    if at + 1 >= len(names):
        return None
    item, following = items[names[at]], items[names[at + 1]]
    if item.name in following.after or item.name in following.spoils:
        return None
    swapped = [*names[:at], names[at + 1], names[at], *names[at + 2 :]]
    return cost([items[name] for name in swapped]) - cost([items[name] for name in names])  # type: ignore[operator]


# Remedies of which one must work


def rank(
    remedies: Sequence[Remedy],
    *,
    hour_value: Exact,
    give_up: Exact | None = None,
    own_order: Sequence[str] = (),
) -> Ranking:
    """The best order of remedies for a fault, the dearest, and hers.

    With ``give_up``, the price of not putting the fault right, the least expected cost wins and remedies not worth
    trying are left out. Without it the highest chance of success wins, then the least expected cost. Remedies that
    are one step each are ordered by every order; with several steps the plan is adaptive and a shared step is done
    once. ``own_order`` names the remedies she would try, in her order; what it can't try is skipped and noted.
    Raises BadRemedy for names that are unknown or wait for each other.
    """
    check_remedies(remedies)
    worth = _money(hour_value, "The worth of an hour")
    price = None if give_up is None else _money(give_up, "The price of giving up")
    names = {remedy.name for remedy in remedies}
    for name in own_order:
        if name not in names:
            raise BadRemedy(f"Her own order names “{name}”, which is not one of the remedies.")
    if len(set(own_order)) != len(own_order):
        raise BadRemedy("Her own order names a remedy twice.")
    if all(remedy.is_one_step and not _step_limits(remedy) for remedy in remedies) and _no_shared(remedies):
        return _rank_flat(remedies, worth, price, own_order)
    return _rank_nested(remedies, worth, price, own_order)


def _step_limits(remedy: Remedy) -> bool:
    return any(step.after or step.spoils for step in remedy.all_steps)


def _no_shared(remedies: Sequence[Remedy]) -> bool:
    names = [step.name for remedy in remedies for step in remedy.all_steps]
    return len(set(names)) == len(names)


def _rank_flat(
    remedies: Sequence[Remedy], worth: Fraction, price: Fraction | None, own_order: Sequence[str]
) -> Ranking:
    only = {remedy.name: remedy.all_steps[0] for remedy in remedies}
    items = {
        remedy.name: Item(
            remedy.name,
            cost_of(only[remedy.name], worth),
            Fraction(only[remedy.name].chance),
            frozenset(remedy.after),
            frozenset(remedy.spoils),
        )
        for remedy in remedies
    }
    found = order.best_remedies(list(items.values()), price)

    def figures(names: Iterable[str]) -> Figures:
        return _figures(
            [(only[name], items[name].chance) for name in names], worth, price, stop_on_success=True
        )

    def cost(entries: Sequence[Item]) -> Fraction:
        return order.cost_of_remedies(entries, price or Fraction(0))

    own, notes = None, []
    if own_order:
        can = [item.name for item in order.remedies_that_can_be_tried([items[name] for name in own_order])]
        notes = [f"“{name}” can't be tried at that place." for name in own_order if name not in can]
        own = figures(can)
    expected = figures(found.order)
    comparable = price is not None or expected.chance == 1
    usual = median(item.cost for item in items.values())
    still = Fraction(1)
    cards = []
    for at, name in enumerate(found.order):
        step, item = only[name], items[name]
        rest = [items[other] for other in found.order if other != name]
        saves = None
        can_go = len(order.remedies_that_can_be_tried(rest)) == len(rest)
        if comparable and can_go and (price is not None or item.chance < 1):
            saves = cost(rest) - expected.cost
        cards.append(
            Placed(
                name,
                (step.name,),
                item.cost,
                Fraction(step.materials),
                Fraction(step.hours),
                Fraction(step.days),
                item.chance,
                still,
                _why_remedy(found.order, at, items, usual),
                saves,
                _swap(found.order, at, items, cost) if item.chance < 1 else None,
            )
        )
        still *= 1 - item.chance
    return Ranking(
        tuple(cards),
        tuple(
            _why_left_out(items[name], found.order, items, price) for name in items if name not in found.order
        ),
        expected,
        found.worst_order,
        found.worst_cost,
        tuple(own_order),
        own,
        tuple(notes),
        price,
        _worth_it(expected, price),
        found.exact,
        found.method,
    )


def _why_remedy(names: Sequence[str], at: int, items: Mapping[str, Item], usual: Fraction) -> str:
    item = items[names[at]]
    if len(names) == 1:
        return "sure to work" if item.chance == 1 else "the only one to try"
    for later in names[at + 1 :]:
        other = items[later]
        forced = item.name in other.after or item.name in other.spoils
        if forced and _dearer(item.cost, item.chance, other.cost, other.chance):
            return f"“{later}” needs it first" if item.name in other.after else f"“{later}” would spoil it"
    if item.chance == 1:
        return "sure to work: the last resort" if at else "sure to work"
    cheap, likely = item.cost <= usual, item.chance >= Fraction(1, 2)
    if cheap and likely:
        return "cheap and likely to work"
    if cheap:
        return "doubtful, but cheap to try"
    if likely:
        return "dear, but likely to work"
    return (
        "dear and doubtful: only after the others" if at else "dear and doubtful, yet better than the others"
    )


def _why_left_out(
    item: Item, names: Sequence[str], items: Mapping[str, Item], price: Fraction | None
) -> LeftOut:
    tried = [items[name] for name in names]
    sure = next((other.name for other in tried if other.chance == 1), None)
    missing = sorted(item.after - set(names))
    spoiler = next((other.name for other in tried if item.name in other.spoils), None)
    spoils = next((other.name for other in tried if other.name in item.spoils), None)
    if not item.chance:
        return LeftOut(item.name, "it can't work")
    if missing:
        return LeftOut(item.name, f"it needs “{missing[0]}” first, which is not tried")
    if any(item.name in items[other].spoils for other in item.after):
        return LeftOut(item.name, "what it needs first would spoil it")
    if spoiler and not sure:
        return LeftOut(item.name, f"“{spoiler}” makes it impossible and is the better choice")
    if spoils and not sure:
        return LeftOut(item.name, f"it would spoil “{spoils}”, which is the better choice")
    if sure:
        return LeftOut(item.name, f"too dear for its chance: going straight to “{sure}” costs less")
    if price is not None:
        return LeftOut(item.name, "too dear for its chance: giving up costs less")
    return LeftOut(item.name, "it adds nothing")


def _rank_nested(
    remedies: Sequence[Remedy], worth: Fraction, price: Fraction | None, own_order: Sequence[str]
) -> Ranking:
    root = nested.group_of(remedies)
    found = nested.plan(root, hour_value=worth, give_up=price)
    by_name = {remedy.name: remedy for remedy in remedies}
    alone = {remedy.name: _alone(remedy, worth) for remedy in remedies}
    items = {
        name: Item(
            name, alone[name].spend, alone[name].chance, frozenset(remedy.after), frozenset(remedy.spoils)
        )
        for name, remedy in by_name.items()
    }
    own, notes = None, []
    if own_order:
        turns = [step.name for name in own_order for step in by_name[name].all_steps]
        own = nested.plan_in_order(root, turns, hour_value=worth, give_up=price).figures
        notes = _broken_needs(own_order, {name: items[name] for name in items})
    names = tuple(name for name in found.groups if name in by_name)
    usual = median(item.cost for item in items.values())
    comparable = (price is not None or found.figures.chance == 1) and found.exact
    replan = comparable and found.states * len(names) <= MOST_REPLANNED and len(remedies) > 1
    cards = []
    for at, name in enumerate(names):
        remedy = by_name[name]
        own_steps = [step.name for step in remedy.all_steps]
        saves = None
        if replan and not any(name in other.after for other in remedies):
            others = _ruled_in([other for other in remedies if other.name != name])
            without = nested.plan(nested.group_of(others), hour_value=worth, give_up=price)
            if without.exact and (price is not None or without.figures.chance == found.figures.chance):
                saves = without.figures.cost - found.figures.cost
        cards.append(
            Placed(
                name,
                tuple(step for step in found.steps if step in own_steps),
                alone[name].spend,
                alone[name].materials,
                alone[name].hours,
                alone[name].days,
                alone[name].chance,
                None,
                _why_remedy(names, at, items, usual),
                saves,
                None,
            )
        )
    return Ranking(
        tuple(cards),
        tuple(_why_left_out(items[name], names, items, price) for name in items if name not in names),
        found.figures,
        (),
        found.worst_cost,
        tuple(own_order),
        own,
        tuple(notes),
        price,
        _worth_it(found.figures, price),
        found.exact,
        found.method,
        found.first,
    )


def _alone(remedy: Remedy, worth: Fraction) -> Figures:
    """The figures of one remedy tried by itself, its steps in the best order."""
    bare = replace(remedy, after=(), spoils=())
    inside = {step.name for step in remedy.all_steps} | {
        part.name for part in remedy.steps if isinstance(part, AnyOf)
    }

    def trim(step: Step) -> Step:
        return replace(
            step,
            after=tuple(x for x in step.after if x in inside),
            spoils=tuple(x for x in step.spoils if x in inside),
        )

    steps = tuple(
        trim(part) if isinstance(part, Step) else AnyOf(part.name, tuple(trim(x) for x in part.options))
        for part in bare.steps
    )
    return nested.plan(nested.group_of([replace(bare, steps=steps)]), hour_value=worth).figures


def _ruled_in(remedies: Sequence[Remedy]) -> list[Remedy]:
    """The remedies with names of absent ones taken out of what they spoil, and those gone that need an absent one."""
    kept = list(remedies)
    while True:
        names = {remedy.name for remedy in kept}
        able = [remedy for remedy in kept if set(remedy.after) <= names]
        if len(able) == len(kept):
            break
        kept = able
    steps = {step.name for remedy in kept for step in remedy.all_steps}
    groups = names | {part.name for remedy in kept for part in remedy.steps if isinstance(part, AnyOf)}

    def trim(step: Step) -> Step:
        return replace(
            step,
            after=tuple(x for x in step.after if x in steps | groups),
            spoils=tuple(x for x in step.spoils if x in steps | groups),
        )

    return [
        replace(
            remedy,
            spoils=tuple(x for x in remedy.spoils if x in names),
            steps=tuple(
                trim(part) if isinstance(part, Step) else AnyOf(part.name, tuple(map(trim, part.options)))
                for part in remedy.steps
            ),
        )
        for remedy in kept
    ]


# After a failure, and before obeying a wish


def remaining(
    remedies: Sequence[Remedy],
    *,
    tried: Collection[str] = (),
    passed: Collection[str] = (),
    failed: Collection[str] = (),
) -> tuple[Remedy, ...]:
    """What is still open after some remedies were tried in vain: without those, what they spoiled and failed steps.

    ``passed`` and ``failed`` name steps: a passed one is done and costs nothing more, a remedy whose step failed is
    gone (one of several ways of doing a step only takes that way with it). A step named in neither is taken as undone.
    """
    spoiled = {name for remedy in remedies if remedy.name in tried for name in remedy.spoils}
    spoiled |= {
        name
        for remedy in remedies
        for step in remedy.all_steps
        if step.name in passed or step.name in failed
        for name in step.spoils
    }
    kept: list[Remedy] = []
    for remedy in remedies:
        if remedy.name in tried or remedy.name in spoiled:
            continue
        steps: list[Step | AnyOf] = []
        dead = False
        for part in remedy.steps:
            ways = part.options if isinstance(part, AnyOf) else (part,)
            if any(way.name in passed for way in ways):
                continue
            open_ways = [way for way in ways if way.name not in failed and way.name not in spoiled]
            dead = dead or not open_ways or part.name in spoiled
            open_ways = [replace(way, after=_undone(way.after, passed, failed, tried)) for way in open_ways]
            if isinstance(part, AnyOf) and open_ways:
                steps.append(AnyOf(part.name, tuple(open_ways)))
            else:
                steps += open_ways
        if dead:
            continue
        if not steps:
            steps = [Step(f"{remedy.name}: all steps done")]
        kept.append(
            replace(
                remedy, steps=tuple(steps), after=tuple(name for name in remedy.after if name not in tried)
            )
        )
    return tuple(_ruled_in(kept))


def _undone(names: Sequence[str], *done: Collection[str]) -> tuple[str, ...]:
    return tuple(name for name in names if not any(name in some for some in done))


@dataclass(frozen=True)
class Wish:
    """What obeying a wish costs: the best plan without it and with it, and what it rules out.

    The extras are figures with the wish less those without; None when it leaves nothing to try.
    """

    name: str
    free: Ranking
    bound: Ranking | None
    ruled_out: tuple[str, ...]
    extra_cost: Fraction | None
    extra_hours: Fraction | None
    extra_days: Fraction | None
    lost_chance: Fraction

    @property
    def words(self) -> str:
        """The answer in one line, without figures of money."""
        if not self.ruled_out:
            return "It rules nothing out and costs nothing."
        if self.bound is None:
            return "It leaves no remedy to try."
        if self.lost_chance > 0:
            return "It lowers the chance of putting this right."
        if self.extra_cost == 0:
            return "It costs nothing: the best plan obeys it anyway."
        return "The same chance, at a higher cost." if self.lost_chance == 0 else "It changes the plan."


def price_of_wish(
    remedies: Sequence[Remedy],
    *,
    wish: str,
    forbids: Collection[str],
    hour_value: Exact,
    give_up: Exact | None = None,
) -> Wish:
    """The best plan with every remedy and step whose tags include one of ``forbids`` ruled out, against the best plan.

    A remedy falls when one of its steps falls, unless that step can be done in another way, and with it whatever
    needs it first.
    """
    free = rank(remedies, hour_value=hour_value, give_up=give_up)
    barred = set(forbids)
    allowed: list[Remedy] = []
    for remedy in remedies:
        steps: list[Step | AnyOf] = []
        for part in remedy.steps:
            if isinstance(part, AnyOf):
                options = tuple(way for way in part.options if not way.tags & barred)
                steps += [AnyOf(part.name, options)] if options else []
            elif not part.tags & barred:
                steps.append(part)
        if not remedy.tags & barred and len(steps) == len(remedy.steps):
            allowed.append(replace(remedy, steps=tuple(steps)))
    allowed = _ruled_in(allowed)
    kept = {remedy.name for remedy in allowed}
    ruled_out = tuple(remedy.name for remedy in remedies if remedy.name not in kept)
    barred_ways = tuple(
        way.name
        for remedy in remedies
        if remedy.name in kept
        for part in remedy.steps
        if isinstance(part, AnyOf)
        for way in part.options
        if way.tags & barred
    )
    if not allowed:
        return Wish(wish, free, None, ruled_out, None, None, None, free.expected.chance)
    bound = rank(allowed, hour_value=hour_value, give_up=give_up)
    return Wish(
        wish,
        free,
        bound,
        ruled_out + barred_ways,
        bound.expected.cost - free.expected.cost,
        bound.expected.hours - free.expected.hours,
        bound.expected.days - free.expected.days,
        free.expected.chance - bound.expected.chance,
    )


@dataclass(frozen=True)
class WayOut:
    """A way to be done with it now: what it brings after selling costs, and what it still takes."""

    name: str
    brings: Exact
    materials: Exact = 0
    hours: Exact = 0

    def net(self, hour_value: Fraction) -> Fraction:
        """What is left of it from now on."""
        return Fraction(self.brings) - Fraction(self.materials) - Fraction(self.hours) * hour_value


@dataclass(frozen=True)
class Option:
    """One branch of the fork with what it leaves from now on."""

    name: str
    net: Fraction
    chance: Fraction
    hours: Fraction


@dataclass(frozen=True)
class Fork:
    """Carry on, sell as is or part out, best first, by future money only; ``sunk`` is shown and in no sum."""

    options: tuple[Option, ...]
    ranking: Ranking | None
    sunk: Fraction

    @property
    def best(self) -> Option:
        """The branch that leaves most from now on."""
        return self.options[0]

    @property
    def lead(self) -> Fraction | None:
        """How much more the best leaves than the next; None when there is only one."""
        return self.options[0].net - self.options[1].net if len(self.options) > 1 else None


CARRY_ON = "carry on"


def weigh_ways(
    remedies: Sequence[Remedy],
    *,
    hour_value: Exact,
    worth_fixed: Exact,
    ways_out: Sequence[WayOut],
    worth_if_it_fails: Exact | None = None,
    sunk: Exact = 0,
    own_order: Sequence[str] = (),
) -> Fork:
    """Carry on against the ways out, from now on.

    ``worth_fixed`` is what the piece brings once put right, after selling costs; ``worth_if_it_fails`` what it leaves
    when every remedy failed, as a rule the best way out (the default). Carrying on is worth chance x fixed + rest x
    failed - spend, in the order that makes this largest. A tie goes to the way out, which is certain. Raises BadRemedy
    when there is neither a remedy nor a way out.
    """
    worth = _money(hour_value, "The worth of an hour")
    exits = [Option(way.name, way.net(worth), Fraction(1), Fraction(way.hours)) for way in ways_out]
    fallback = worth_if_it_fails
    if fallback is None:
        fallback = max((way.net for way in exits), default=Fraction(0))
    ranking = None
    options = list(exits)
    if remedies:
        gain = Fraction(worth_fixed) - Fraction(fallback)
        ranking = rank(remedies, hour_value=worth, give_up=max(gain, Fraction(0)), own_order=own_order)
        figures = ranking.expected
        net = Fraction(fallback) + figures.chance * gain - figures.spend
        options.append(Option(CARRY_ON, net, figures.chance, figures.hours))
    if not options:
        raise BadRemedy("There is neither a remedy nor a way out to weigh.")
    # Python's sort keeps the order of equals, so a way out stays before carrying on.
    options.sort(key=lambda option: -option.net)
    return Fork(tuple(options), ranking, Fraction(sunk))


@dataclass(frozen=True)
class Reserve:
    """What to set aside for failures: materials and hours beyond the first remedy going well."""

    materials: Fraction
    hours: Fraction


def reserve_of(ranking: Ranking) -> Reserve:
    """How much more the plan is expected to take than its first remedy by itself; never below nothing.

    It goes into the ceiling of a find beside the materials and hours of that first remedy.
    """
    if not ranking.order:
        return Reserve(Fraction(0), Fraction(0))
    first = ranking.order[0]
    return Reserve(
        max(ranking.expected.materials - first.materials, Fraction(0)),
        max(ranking.expected.hours - first.hours, Fraction(0)),
    )


def ask_again(*, just_failed: bool, minutes_spent: int, minutes_expected: int) -> str:
    """Why the fork should be asked now, in words; empty when it need not be.

    It is asked after every failure and when the time spent passes one and a half times what was expected.
    """
    if just_failed:
        return "That did not work: weigh again before the next try."
    if minutes_expected > 0 and minutes_spent > HOURS_OVER * minutes_expected:
        return "This has taken more than one and a half times the hours expected: weigh again."
    return ""
