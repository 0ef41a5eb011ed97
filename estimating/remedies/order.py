"""The best order of independent tests (all must pass) and of independent tries (until one works), exactly.

Expected cost of steps is the sum of each cost times the chance that all before it passed; of remedies, times the
chance that all before it failed. Up to ``MOST_EXACT`` entries every order is weighed by a dynamic program over the
sets already done, with whole numbers over a common denominator, so that a tie is a tie. Without precedence or spoils
the ratio rule is exact at any size: steps by cost over chance of failing, remedies by cost over chance of working
(Mitten 1960; Simon and Kadane 1975). Anything else beyond the limit is a named heuristic with ``exact`` false.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import lcm, prod

__all__ = [
    "MOST_EXACT",
    "Item",
    "Sequenced",
    "best_remedies",
    "best_steps",
    "cost_of_remedies",
    "cost_of_steps",
    "remedies_that_can_be_tried",
]

MOST_EXACT = 12
MOST_WORK = 60_000
MOST_WIDE = 20_000

EVERY_ORDER = "every order weighed"
RATIO_RULE = "ratio rule, exact without precedence or spoils"
PROMISING = "most promising orders with local search, not proved best"


@dataclass(frozen=True)
class Item:
    """One entry to place: what it costs, the chance that it works, what it needs before it and what it spoils."""

    name: str
    cost: Fraction
    chance: Fraction
    after: frozenset[str] = frozenset()
    spoils: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Sequenced:
    """The best order and the worst, each with its expected cost (the price of giving up included where it was named)."""

    order: tuple[str, ...]
    cost: Fraction
    worst_order: tuple[str, ...]
    worst_cost: Fraction
    exact: bool = True
    method: str = EVERY_ORDER


def cost_of_steps(items: Sequence[Item], give_up: Fraction = Fraction(0)) -> Fraction:
    """Expected cost of doing the steps in this order, stopping at the first failure."""
    expected, still = Fraction(0), Fraction(1)
    for item in items:
        expected += still * item.cost
        still *= item.chance
    return expected + give_up * (1 - still)


def cost_of_remedies(items: Sequence[Item], give_up: Fraction = Fraction(0)) -> Fraction:
    """Expected cost of trying the remedies in this order until one works."""
    expected, still = Fraction(0), Fraction(1)
    for item in items:
        expected += still * item.cost
        still *= 1 - item.chance
    return expected + give_up * still


def remedies_that_can_be_tried(items: Sequence[Item]) -> tuple[Item, ...]:
    """The order without what an earlier one spoiled or what lacks the remedy it needs first."""
    tried: list[Item] = []
    names: set[str] = set()
    spoiled: set[str] = set()
    for item in items:
        if item.name in spoiled or not item.after <= names:
            continue
        tried.append(item)
        names.add(item.name)
        spoiled |= item.spoils
    return tuple(tried)


class _Table:
    """The items sorted by name, as whole numbers over common denominators and as bit masks."""

    def __init__(self, items: Sequence[Item], extra: Sequence[Fraction] = ()) -> None:
        self.items = sorted(items, key=lambda item: item.name)
        place = {item.name: at for at, item in enumerate(self.items)}
        self.count = len(self.items)
        self.money = lcm(
            *(item.cost.denominator for item in self.items), *(value.denominator for value in extra)
        )
        self.whole = lcm(*(item.chance.denominator for item in self.items))
        self.cost = [self.scaled(item.cost) for item in self.items]
        self.works = [int(item.chance * self.whole) for item in self.items]
        self.fails = [self.whole - works for works in self.works]
        self.after = [sum(1 << place[name] for name in item.after) for item in self.items]
        self.spoils = [sum(1 << place[name] for name in item.spoils) for item in self.items]
        self.power = [self.whole**left for left in range(self.count + 1)]

    def scaled(self, value: Fraction) -> int:
        return int(value * self.money)

    def unscaled(self, value: int) -> Fraction:
        return Fraction(value, self.money * self.power[self.count])

    def names(self, order: tuple[int, ...]) -> tuple[str, ...]:
        return tuple(self.items[at].name for at in order)

    def spoiled_by(self) -> list[int]:
        """For each set of tried ones, what they made impossible."""
        found = [0] * (1 << self.count)
        for done in range(1, 1 << self.count):
            lowest = done & -done
            found[done] = found[done ^ lowest] | self.spoils[lowest.bit_length() - 1]
        return found


def best_steps(items: Sequence[Item], give_up: Fraction = Fraction(0)) -> Sequenced:
    """The order of steps that all must pass with the least expected cost, and the dearest order.

    ``give_up`` is paid when a step fails. What would be spoiled is done before what spoils it, as every step is
    needed. Ties go by name, so the order of the input changes nothing.
    """
    before: dict[str, set[str]] = {item.name: set(item.after) for item in items}
    for item in items:
        for spoiled in item.spoils:
            before[item.name].add(spoiled)
    plain = [Item(item.name, item.cost, item.chance, frozenset(before[item.name])) for item in items]
    if len(plain) > MOST_EXACT:
        return _many_steps(plain, give_up)
    table = _Table(plain)
    size = 1 << table.count
    best: list[tuple[int, tuple[int, ...]] | None] = [None] * size
    worst: list[tuple[int, tuple[int, ...]] | None] = [None] * size
    best[size - 1] = worst[size - 1] = (0, ())
    for done in range(size - 2, -1, -1):
        paid = table.power[table.count - done.bit_count()]
        low: tuple[int, tuple[int, ...]] | None = None
        high: tuple[int, tuple[int, ...]] | None = None
        for at in range(table.count):
            bit = 1 << at
            if done & bit or table.after[at] & ~done:
                continue
            then, then_worst = best[done | bit], worst[done | bit]
            if then is None or then_worst is None:
                continue
            cost = table.cost[at] * paid
            total = cost + table.works[at] * then[0]
            if low is None or total < low[0]:
                low = (total, (at, *then[1]))
            total = cost + table.works[at] * then_worst[0]
            if high is None or total > high[0]:
                high = (total, (at, *then_worst[1]))
        best[done], worst[done] = low, high
    found, dearest = best[0], worst[0]
    if found is None or dearest is None:
        raise ValueError("No order can do every step.")
    given_up = give_up * (1 - _product([item.chance for item in plain]))
    return Sequenced(
        table.names(found[1]),
        table.unscaled(found[0]) + given_up,
        table.names(dearest[1]),
        table.unscaled(dearest[0]) + given_up,
    )


# What to keep small first and second, tries that may work (negated), tries, their order: the smallest tuple wins.
_Offer = tuple[int, int, int, int, tuple[int, ...]]


def best_remedies(items: Sequence[Item], give_up: Fraction | None = None) -> Sequenced:
    """The order of remedies to try until one works, those not worth trying left out, and the dearest order.

    With ``give_up``, the price paid when nothing worked or nothing was tried, the least expected cost wins; then the
    higher chance. Without it giving up is no choice: the highest chance of success wins, then the least expected
    cost. Either way a tie goes to trying once more, then by name. The dearest order leaves nothing out that can
    still be tried.
    """
    if len(items) > MOST_EXACT:
        return _many_remedies(list(items), give_up)
    table = _Table(items, () if give_up is None else (give_up,))
    size = 1 << table.count
    spoiled = table.spoiled_by()
    priced = give_up is not None
    stop_cost = 0 if give_up is None else table.scaled(give_up)
    best: list[_Offer] = [(0, 0, 0, 0, ())] * size
    worst: list[tuple[int, tuple[int, ...]]] = [(0, ())] * size
    for done in range(size - 1, -1, -1):
        left = table.count - done.bit_count()
        paid = table.power[left]
        nothing = stop_cost * paid
        low: _Offer = (nothing, paid, 0, 0, ()) if priced else (paid, nothing, 0, 0, ())
        high: tuple[int, tuple[int, ...]] | None = None
        closed = done | spoiled[done]
        for at in range(table.count):
            bit = 1 << at
            if closed & bit or table.after[at] & ~done:
                continue
            cost = table.cost[at] * paid
            fails = table.fails[at]
            useful = -1 if table.works[at] else 0
            then, then_worst = best[done | bit], worst[done | bit]
            total, missed = cost, 0
            tail: tuple[int, tuple[int, ...]] = (0, ())
            if fails:
                # After a sure one nothing follows.
                total += fails * (then[0] if priced else then[1])
                missed = fails * (then[1] if priced else then[0])
                useful += then[2]
                tail = then[3], then[4]
            first, second = (total, missed) if priced else (missed, total)
            offer: _Offer = (first, second, useful, 1 + tail[0], (at, *tail[1]))
            low = min(low, offer)
            total = cost + fails * then_worst[0]
            if high is None or total > high[0]:
                high = (total, (at, *then_worst[1]) if fails else (at,))
        best[done] = low
        worst[done] = (nothing, ()) if high is None else high
    found = best[0]
    return Sequenced(
        table.names(found[4]),
        table.unscaled(found[0] if priced else found[1]),
        table.names(worst[0][1]),
        table.unscaled(worst[0][0]),
    )


def _product(chances: Sequence[Fraction]) -> Fraction:
    whole = Fraction(1)
    for chance in chances:
        whole *= chance
    return whole


def _ratio(cost: Fraction, chance: Fraction) -> tuple[int, Fraction]:
    """Cost over chance as a sort key; a chance of nought counts as an endless ratio."""
    return (0, cost / chance) if chance else (1, cost)


# Beyond the limit


def _many_steps(items: Sequence[Item], give_up: Fraction) -> Sequenced:
    if not any(item.after for item in items):
        order = sorted(items, key=lambda item: (_ratio(item.cost, 1 - item.chance), item.name))
        return Sequenced(
            tuple(item.name for item in order),
            cost_of_steps(order, give_up),
            tuple(item.name for item in reversed(order)),
            cost_of_steps(order[::-1], give_up),
            method=RATIO_RULE,
        )

    def rough(order: Sequence[Item]) -> float:
        return _rough_cost(order, 0.0, stop_on_success=False)

    starts = _by_blocks(items, stop_on_success=False), _widely(items, stop_on_success=False)
    found = min((_improve(start, rough, _keeps_needs) for start in starts), key=rough)
    dearest = _improve(
        _by_blocks(items, stop_on_success=False, dearest=True), lambda x: -rough(x), _keeps_needs
    )
    return Sequenced(
        tuple(item.name for item in found),
        cost_of_steps(found, give_up),
        tuple(item.name for item in dearest),
        cost_of_steps(dearest, give_up),
        exact=False,
        method=PROMISING,
    )


def _many_remedies(items: Sequence[Item], give_up: Fraction | None) -> Sequenced:
    if not any(item.after or item.spoils for item in items):
        return _ratio_remedies(items, give_up)
    price = Fraction(0) if give_up is None else give_up

    def rough(order: Sequence[Item]) -> tuple[float, float]:
        # Sorted, so that the same tries in another order miss by exactly the same.
        missed = prod(sorted(float(1 - item.chance) for item in order))
        cost = _rough_cost(order, float(price), stop_on_success=True)
        return (missed, cost) if give_up is None else (cost, missed)

    starts = (
        remedies_that_can_be_tried(_by_blocks(_without_spoiling(items), stop_on_success=True)),
        _widely(items, stop_on_success=True, give_up=give_up),
    )
    tried = [_improve(_until_sure(start), rough, _can_all_be_tried, spare=items) for start in starts]
    found = _until_sure(min(tried, key=rough))
    dearest = list(remedies_that_can_be_tried(_by_blocks(items, stop_on_success=True, dearest=True)))
    return Sequenced(
        tuple(item.name for item in found),
        cost_of_remedies(found, price),
        tuple(item.name for item in dearest),
        max(cost_of_remedies(dearest, price), cost_of_remedies(found, price)),
        exact=False,
        method=PROMISING,
    )


def _ratio_remedies(items: Sequence[Item], give_up: Fraction | None) -> Sequenced:
    by_ratio = sorted(items, key=lambda item: (_ratio(item.cost, item.chance), item.chance == 1, item.name))
    order: list[Item] = []
    for item in by_ratio:
        if not item.chance or (give_up is not None and item.cost / item.chance > give_up):
            continue
        order.append(item)
        if item.chance == 1:
            break
    price = Fraction(0) if give_up is None else give_up
    dearest = by_ratio[::-1]
    return Sequenced(
        tuple(item.name for item in order),
        cost_of_remedies(order, price),
        tuple(item.name for item in dearest),
        cost_of_remedies(dearest, price),
        method=RATIO_RULE,
    )


def _without_spoiling(items: Sequence[Item]) -> list[Item]:
    """The items, each also waiting for what it would spoil, unless that would close a circle."""
    needs = {item.name: set(item.after) for item in items}

    def reaches(start: str, goal: str) -> bool:
        todo, seen = [start], set()
        while todo:
            name = todo.pop()
            if name == goal:
                return True
            if name not in seen:
                seen.add(name)
                todo.extend(needs[name])
        return False

    soft: dict[str, set[str]] = {item.name: set() for item in items}
    for item in sorted(items, key=lambda item: item.name):
        for spoiled in sorted(item.spoils):
            if not reaches(spoiled, item.name):
                needs[item.name].add(spoiled)
                soft[item.name].add(spoiled)
    return [
        Item(item.name, item.cost, item.chance, item.after | soft[item.name], item.spoils) for item in items
    ]


def _by_blocks(items: Sequence[Item], *, stop_on_success: bool, dearest: bool = False) -> list[Item]:
    """Repeatedly places the item whose block (itself and what it still needs) has the best ratio."""
    left = {item.name: item for item in items}
    order: list[Item] = []

    def block_of(name: str) -> list[Item]:
        wanted: list[Item] = []

        def add(inner: str) -> None:
            if inner in left and left[inner] not in wanted:
                for needed in sorted(left[inner].after):
                    add(needed)
                wanted.append(left[inner])

        add(name)
        return wanted

    def ratio_of(block: Sequence[Item]) -> tuple[int, Fraction]:
        if stop_on_success:
            return _ratio(cost_of_remedies(block), 1 - _product([1 - item.chance for item in block]))
        return _ratio(cost_of_steps(block), 1 - _product([item.chance for item in block]))

    while left:
        blocks = sorted(((ratio_of(block_of(name)), name) for name in left), reverse=dearest)
        for item in block_of(blocks[0][1]):
            order.append(item)
            del left[item.name]
    return order


def _widely(items: Sequence[Item], *, stop_on_success: bool, give_up: Fraction | None = None) -> list[Item]:
    """Grows the most promising orders side by side; of two that hold the same items the cheaper is kept.

    How promising an order is: what it costs so far, and what the rest would cost by ratio if nothing stood in the way.
    """
    count = len(items)
    names = {item.name: at for at, item in enumerate(items)}
    after = [sum(1 << names[name] for name in item.after) for item in items]
    spoils = [sum(1 << names[name] for name in item.spoils) if stop_on_success else 0 for item in items]
    cost = [float(item.cost) for item in items]
    goes_on = [float(1 - item.chance) if stop_on_success else float(item.chance) for item in items]
    # Where giving up is no choice, a price beyond all costs stands for it.
    price = 0.0
    if stop_on_success:
        price = float(give_up) if give_up is not None else 1e6 * (1 + sum(cost))
    ratio = [cost[at] / (1 - goes_on[at]) if goes_on[at] < 1 else float("inf") for at in range(count)]
    by_ratio = sorted(range(count), key=lambda at: (ratio[at], items[at].name))

    def promise(closed: int) -> float:
        expected, still = 0.0, 1.0
        for at in by_ratio:
            if closed >> at & 1:
                continue
            if stop_on_success and ratio[at] >= price:
                break
            expected += still * cost[at]
            still *= goes_on[at]
        return expected + still * price

    width = max(2, MOST_WIDE // count**2)
    beam: dict[int, tuple[float, float, int, tuple[int, ...]]] = {0: (0.0, 1.0, 0, ())}
    best: tuple[float, tuple[int, ...]] = (price if stop_on_success else float("inf"), ())
    for _ in range(count):
        grown: dict[int, tuple[float, float, int, tuple[int, ...]]] = {}
        for done, (spent, still, spoiled, order) in beam.items():
            for at in range(count):
                if (done | spoiled) >> at & 1 or after[at] & ~done:
                    continue
                entry = (spent + still * cost[at], still * goes_on[at], spoiled | spoils[at], (*order, at))
                if done | 1 << at not in grown or entry < grown[done | 1 << at]:
                    grown[done | 1 << at] = entry
        for entry in grown.values():
            if stop_on_success or len(entry[3]) == count:
                best = min(best, (entry[0] + entry[1] * price, entry[3]))
        ranked = sorted(grown.items(), key=lambda pair: (_hope(pair[0], pair[1], promise), pair[1][3]))
        beam = dict(ranked[:width])
    return [items[at] for at in best[1]]


def _hope(
    done: int, entry: tuple[float, float, int, tuple[int, ...]], promise: Callable[[int], float]
) -> float:
    return entry[0] + entry[1] * promise(done | entry[2])


def _until_sure(order: Sequence[Item]) -> list[Item]:
    """The order without what comes after a sure one."""
    kept: list[Item] = []
    for item in order:
        kept.append(item)
        if item.chance == 1:
            break
    return kept


def _rough_cost(order: Sequence[Item], give_up: float, *, stop_on_success: bool) -> float:
    """The expected cost in floating point: good enough to choose by in a heuristic, never shown."""
    expected, still = 0.0, 1.0
    for item in order:
        expected += still * float(item.cost)
        still *= float(1 - item.chance) if stop_on_success else float(item.chance)
    return expected + give_up * still


def _keeps_needs(order: Sequence[Item]) -> bool:
    seen: set[str] = set()
    for item in order:
        if not item.after <= seen:
            return False
        seen.add(item.name)
    return True


def _can_all_be_tried(order: Sequence[Item]) -> bool:
    return len(remedies_that_can_be_tried(order)) == len(order)


def _improve(
    start: Sequence[Item],
    worth: Callable[[Sequence[Item]], object],
    allowed: Callable[[Sequence[Item]], bool],
    *,
    spare: Sequence[Item] = (),
) -> list[Item]:
    """Moves, drops and adds single items while that helps, within a fixed number of trials."""
    best = list(start)
    value = worth(best)
    trials, most_trials = 0, MOST_WORK // max(len(start), 1)
    better = True
    while better:
        better = False
        for trial in _neighbours(best, spare):
            trials += 1
            if trials >= most_trials:
                return best
            if allowed(trial) and (seen := worth(trial)) < value:  # type: ignore[operator]
                best, value, better = trial, seen, True
                break
    return best


def _neighbours(order: Sequence[Item], spare: Sequence[Item]) -> Iterator[list[Item]]:
    """The order with one item moved, dropped or added; adding and dropping only where there are spares."""
    names = {item.name for item in order}
    for item in spare:
        if item.name not in names:
            yield from ([*order[:to], item, *order[to:]] for to in range(len(order) + 1))
    for at, item in enumerate(order):
        rest = [*order[:at], *order[at + 1 :]]
        if spare:
            yield rest
        yield from ([*rest[:to], item, *rest[to:]] for to in range(len(rest) + 1) if to != at)
