"""The search: a greedy floor, ruin and recreate towards a cheaper purchase, then a larger rest, then fewer cuts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations
from math import gcd
from random import Random
from time import perf_counter

from estimating.sheets.bounds import Row, rows_of
from estimating.sheets.filling import RULES, SPLITS, Block, Put, Sizes, fill, fill_in_stages
from estimating.sheets.pattern import ACROSS_X, ACROSS_Y, Plan, Saw, derive, plans
from estimating.sheets.problem import Problem

__all__ = ["Clock", "Found", "Sawn", "search"]

_MEMORY = 30
_JITTERS = (0.0, 0.1, 0.3, 0.6, 1.0)
_SHEETS_AT_ONCE = (1, 2, 2, 3)
_SORTS = 5
# How often pieces are taken in pairs.
_PAIRED = 0.1
# How often the last order of a sheet's pieces is nudged rather than made anew: it pays where a sheet holds many.
_NUDGED_MANY = 0.35
_NUDGED_FEW = 0.05
_MANY_ON_A_SHEET = 8
_MOST_GOALS = 24
_MOST_TRIED_PURCHASES = 4000
# Rounds without a better answer after which a finished plan is not polished further.
_PATIENCE = 2500
_MOST_REMEMBERED = 2000
# Beyond so many pieces the sawing is planned in a simpler way, to answer in time.
_MANY_PIECES = 400


class Clock:
    """Counts rounds and watches a deadline; how far along it is decides when one aim gives way to the next."""

    def __init__(self, *, deadline: float | None, rounds: int | None) -> None:
        self.started = perf_counter()
        self.deadline = deadline
        self.rounds = rounds
        self.done = 0

    @property
    def out(self) -> bool:
        """Whether it is time to answer."""
        if self.rounds is not None and self.done >= self.rounds:
            return True
        return self.deadline is not None and perf_counter() >= self.deadline

    @property
    def share(self) -> float:
        """How much of the allowance is used, 0 to 1; by rounds where they are counted."""
        if self.rounds is not None:
            return self.done / self.rounds if self.rounds else 1.0
        if self.deadline is None:
            return 0.0
        whole = self.deadline - self.started
        return (perf_counter() - self.started) / whole if whole > 0 else 1.0


@dataclass(frozen=True)
class Sawn:
    """One sheet used: which stock it is, the pieces on it and the plan for sawing it."""

    stock: int
    puts: tuple[Put, ...]
    plan: Plan


@dataclass(frozen=True)
class Found:
    """The best layout found; ``left`` are the kinds of pieces there was no stock for."""

    sheets: tuple[Sawn, ...]
    left: tuple[int, ...]
    proved: bool
    least_price: int
    least_bought: int


class _Packer:
    """What every step of the search needs to know about the problem."""

    def __init__(self, problem: Problem, counts: Sequence[int], clock: Clock, rng: Random) -> None:
        self.problem = problem
        self.clock = clock
        self.rng = rng
        self.sizes = Sizes([(kind.w, kind.h, kind.turns) for kind in problem.kinds])
        self.pool = [kind for kind, count in enumerate(counts) for _ in range(count)]
        self.boxes = [(stock.w, stock.h) for stock in problem.stock]
        rough = len(self.pool) > _MANY_PIECES
        self.saws = [
            Saw(problem.kerf, problem.keep_sides(stock), problem.max_stages, rough=rough)
            for stock in problem.stock
        ]
        self.sawn: dict[tuple[int, tuple[Put, ...]], list[Plan]] = {}
        area, w, h = self.sizes.area, self.sizes.w, self.sizes.h
        longer = [max(pair) for pair in zip(w, h, strict=True)]
        around = [a + b for a, b in zip(w, h, strict=True)]
        self.weights = (area, longer, w, h, around)

    def fill(
        self, box: tuple[int, int], order: Sequence[int], rule: int, split: int, *, paired: bool = False
    ) -> tuple[list[Put], list[int]]:
        """One sheet filled, within the stage limit where there is one."""
        chance = self.rng.random
        most = self.problem.max_stages
        if most is None:
            if paired and len(order) > 2:
                return self._fill_paired(box, order, rule, split)
            return fill(box[0], box[1], order, self.sizes, rule, split, chance)
        return fill_in_stages(box[0], box[1], order, self.sizes, rule, split, chance, most)

    def _fill_paired(
        self, box: tuple[int, int], order: Sequence[int], rule: int, split: int
    ) -> tuple[list[Put], list[int]]:
        """As ``fill``, with one or two pairs of pieces taken as one: a single piece need not set every cut."""
        sizes, rng = self.sizes, self.rng
        known = len(sizes.w)
        order = list(order)
        blocks: dict[int, Block] = {}
        needed: Counter[int] = Counter()
        for _ in range(rng.choice((1, 1, 2))):
            block = self._pair(box, order)
            if block is None:
                continue
            needed.update(block[:2])
            if any(needed[kind] > order.count(kind) for kind in block[:2]):
                break
            first, second, _, w, h, *_ = block
            mark = known + len(blocks)
            blocks[mark] = block
            sizes.w.append(w)
            sizes.h.append(h)
            sizes.area.append(w * h)
            sizes.turns.append(sizes.turns[first] and sizes.turns[second] and w != h)
            order.insert(min(order.index(first), order.index(second)), mark)
        try:
            return fill(box[0], box[1], order, sizes, rule, split, rng.random, blocks)
        finally:
            for values in (sizes.w, sizes.h, sizes.area, sizes.turns):
                del values[known:]

    def _pair(self, box: tuple[int, int], order: Sequence[int]) -> Block | None:
        """A piece and the one of a few others that matches it best along one side."""
        sizes, rng = self.sizes, self.rng
        known = len(self.problem.kinds)
        count = len(order)
        place = int(rng.random() * count)
        first = order[place]
        if first >= known:
            return None
        aw, ah = sizes.w[first], sizes.h[first]
        if sizes.turns[first] and rng.random() < 0.5:
            aw, ah = ah, aw
        best: Block | None = None
        least = 0
        for _ in range(min(6, count)):
            other = int(rng.random() * count)
            second = order[other]
            if other == place or second >= known:
                continue
            ways = [(sizes.w[second], sizes.h[second])]
            if sizes.turns[second]:
                ways.append((sizes.h[second], sizes.w[second]))
            for bw, bh in ways:
                for above in (0, 1):
                    w, h = (max(aw, bw), ah + bh) if above else (aw + bw, max(ah, bh))
                    if w > box[0] or h > box[1]:
                        continue
                    lost = w * h - aw * ah - bw * bh
                    if best is None or lost < least:
                        least = lost
                        best = (first, second, above, w, h, aw, ah, bw, bh)
        return best

    def ordered(self, pool: Sequence[int], sort: int, jitter: float) -> list[int]:
        """The pieces from big to small by one measure, shaken by ``jitter``."""
        weight = self.weights[sort]
        if not jitter:
            return sorted(pool, key=lambda kind: (-weight[kind], kind))
        chance = self.rng.random
        return sorted(pool, key=lambda kind: -weight[kind] * (1.0 + jitter * chance()))

    def saw(self, stock: int, puts: Sequence[Put]) -> list[Plan]:
        """Worthwhile plans for a sheet, largest rectangle first; none if it cannot be sawn within the limit."""
        key = (stock, tuple(puts))
        found = self.sawn.get(key)
        if found is None:
            if len(self.sawn) >= _MOST_REMEMBERED:
                self.sawn.clear()
            found = self.sawn[key] = self._sawn(stock, puts)
        return found

    def _sawn(self, stock: int, puts: Sequence[Put]) -> list[Plan]:
        saw = self.saws[stock]
        found: list[Plan] = []
        most = self.problem.max_stages
        for axis in (ACROSS_Y, ACROSS_X):
            tree = derive(puts, axis)
            if tree is None:
                return []
            found += plans(tree, *self.boxes[stock], saw)
            if saw.rough and (most is None or any(plan.stages <= most for plan in found)):
                break
        if most is not None:
            found = [plan for plan in found if plan.stages <= most]
        found.sort(key=lambda p: (-p.largest, p.cuts, p.stages, not p.starts_with_rip))
        return found


class _Goal:
    """Ruin and recreate on a fixed set of sheets until every piece is placed."""

    def __init__(
        self, packer: _Packer, boxes: Sequence[tuple[int, int]], puts: list[list[Put]], left: list[int]
    ) -> None:
        self.packer = packer
        self.boxes = boxes
        self.puts = puts
        self.left = left
        self.waste = [w * h - sum(p[3] * p[4] for p in on) for (w, h), on in zip(boxes, puts, strict=True)]
        self.short = self._area(left)
        self.memory = [self.short] * _MEMORY
        self.round = 0
        self.ways = [(0, 0)] * len(boxes)
        many = len(packer.pool) >= _MANY_ON_A_SHEET * len(boxes)
        self.nudged = _NUDGED_MANY if many else _NUDGED_FEW

    def _area(self, kinds: Sequence[int]) -> int:
        area = self.packer.sizes.area
        return sum(area[kind] for kind in kinds)

    def _chosen(self) -> list[int]:
        rng = self.packer.rng
        chance = rng.random
        count = len(self.boxes)
        several = min(count, _SHEETS_AT_ONCE[int(chance() * len(_SHEETS_AT_ONCE))])
        if count > 1 and chance() < 0.25:
            wasted = sorted(range(count), key=lambda box: -self.waste[box] * chance())
            return wasted[:several]
        return rng.sample(range(count), several)

    def _nudged(self, chosen: Sequence[int]) -> list[int]:
        """The pieces in the order they were placed, with a few moved and those without a place thrown in."""
        chance = self.packer.rng.random
        order = [put[0] for box in chosen for put in self.puts[box]]
        for kind in self.left:
            order.insert(int(chance() * chance() * (len(order) + 1)), kind)
        for _ in range(1 + int(chance() * 3)):
            moved = order.pop(int(chance() * len(order)))
            order.insert(int(chance() * (len(order) + 1)), moved)
        return order

    def run(self, rounds: int) -> bool:
        """Up to so many rounds; whether every piece is placed."""
        packer = self.packer
        clock, rng = packer.clock, packer.rng
        for _ in range(rounds):
            if not self.left:
                return True
            if clock.out:
                return False
            clock.done += 1
            self._step(packer, rng)
        return not self.left

    def _step(self, packer: _Packer, rng: Random) -> None:
        chance = rng.random
        chosen = self._chosen()
        nudged = chance() < self.nudged
        if nudged:
            pool = self._nudged(chosen)
        else:
            pool = self.left + [put[0] for box in chosen for put in self.puts[box]]
            pool = packer.ordered(pool, int(chance() * _SORTS), _JITTERS[int(chance() * len(_JITTERS))])
        built: list[list[Put]] = []
        ways: list[tuple[int, int]] = []
        for box in chosen:
            way = self.ways[box] if nudged else (int(chance() * RULES), int(chance() * SPLITS))
            on, pool = packer.fill(self.boxes[box], pool, *way, paired=chance() < _PAIRED)
            built.append(on)
            ways.append(way)
        short = self._area(pool)
        place = self.round % _MEMORY
        self.round += 1
        if short <= self.short or short <= self.memory[place]:
            for box, on, way in zip(chosen, built, ways, strict=True):
                w, h = self.boxes[box]
                self.ways[box] = way
                self.puts[box] = on
                self.waste[box] = w * h - sum(put[3] * put[4] for put in on)
            self.left = pool
            self.short = short
        self.memory[place] = min(self.memory[place], self.short)


@dataclass
class _Answer:
    """A layout while it is being worked on: parallel lists of stock and pieces, and what has no place."""

    stock: list[int]
    puts: list[list[Put]]
    left: list[int]

    def price(self, problem: Problem) -> int:
        return sum(problem.prices[stock] for stock in self.stock)

    def without_empty(self) -> _Answer:
        full = [(stock, on) for stock, on in zip(self.stock, self.puts, strict=True) if on]
        return _Answer([stock for stock, _ in full], [on for _, on in full], self.left)


def search(problem: Problem, counts: Sequence[int], *, clock: Clock, seed: int) -> Found:
    """The best layout of ``counts`` pieces of each kind (all of which fit on some sheet) within the clock's allowance."""
    rng = Random(seed)
    packer = _Packer(problem, counts, clock, rng)
    answer = _floor(packer)
    if answer.left:
        answer = _as_much_as_possible(packer, answer)
        proved = False
        least = _Least(problem, counts, packer)
    else:
        least = _Least(problem, counts, packer)
        answer, proved = _cheaper(packer, answer, least)
    if not answer.left and not answer.price(problem):
        answer = _fewer_offcuts(packer, answer)
    sheets = _polish(packer, _tidy(answer), least)
    price = answer.price(problem)
    return Found(
        tuple(sheets),
        tuple(sorted(answer.left)),
        proved,
        # Bounds speak of all pieces: they mean nothing beside a layout that lacks some.
        0 if answer.left else price if proved else least.price,
        0 if answer.left else least.bought,
    )


# -- the floor ---------------------------------------------------------------------------------------------------------


def _limits(packer: _Packer) -> list[int]:
    """How many of each stock there can be in a layout."""
    pieces = len(packer.pool)
    return [
        0 if stock.w <= 0 else (pieces if stock.limit is None else min(stock.limit, pieces))
        for stock in packer.problem.stock
    ]


def _orders_of_stock(packer: _Packer) -> list[list[int]]:
    """Free offcuts first, from small to large; then the sheets, each in turn before the others."""
    problem = packer.problem
    usable = [stock for stock, limit in enumerate(_limits(packer)) if limit]
    area = [w * h for w, h in packer.boxes]
    free = sorted((s for s in usable if problem.prices[s] == 0), key=lambda s: (area[s], s))
    paid = sorted(
        (s for s in usable if problem.prices[s] > 0), key=lambda s: (problem.prices[s] / area[s], s)
    )
    if len(paid) <= 3:
        return [free + list(order) for order in permutations(paid)]
    ways = [paid]
    ways += [[first] + [other for other in paid if other != first] for first in paid[1:7]]
    return [free + order for order in ways]


def _floor(packer: _Packer) -> _Answer:
    """Greedy layouts over sorts, rules, splits and orders of stock; the cheapest one."""
    problem, clock = packer.problem, packer.clock
    orders = _orders_of_stock(packer)
    best: tuple[tuple[int, int], _Answer] | None = None
    # Growing strides so that a short allowance still sees each sort, rule and split.
    settings = [
        (sort, rule, split) for split in (0, 2, 3, 4, 1) for rule in range(3) for sort in range(_SORTS)
    ]
    few = max(1, min(len(settings), 40_000 // max(1, len(packer.pool) * len(orders))))
    for sort, rule, split in settings[:few]:
        pool = packer.ordered(packer.pool, sort, 0.0)
        for order in orders:
            answer = _greedy(packer, pool, order, rule, split, patient=best is None)
            if answer is None:
                break
            key = (sum(packer.sizes.area[kind] for kind in answer.left), answer.price(problem))
            if best is None or key < best[0]:
                best = (key, answer)
        if clock.deadline is not None and clock.share > 0.15:
            break
    if best is None:
        return _Answer([], [], list(packer.pool))
    return best[1]


def _greedy(
    packer: _Packer, pool: list[int], order: Sequence[int], rule: int, split: int, *, patient: bool
) -> _Answer | None:
    """Sheet after sheet of the stock in ``order``; a rough shelf packing where the deadline is near."""
    clock = packer.clock
    limits = _limits(packer)
    answer = _Answer([], [], [])
    for stock in order:
        for _ in range(limits[stock]):
            if not pool:
                break
            if clock.deadline is not None and clock.share > 0.5:
                if not patient:
                    return None
                on, pool = _shelves(packer, packer.boxes[stock], pool)
            else:
                on, pool = packer.fill(packer.boxes[stock], pool, rule, split)
            if not on:
                break
            answer.stock.append(stock)
            answer.puts.append(on)
    answer.left = pool
    return answer


def _shelves(packer: _Packer, box: tuple[int, int], pool: list[int]) -> tuple[list[Put], list[int]]:
    """Pieces in the order given, side by side in rows, stopping at the first that finds no room: quick and rough."""
    sizes = packer.sizes
    put: list[Put] = []
    x = y = row = 0
    for place, kind in enumerate(pool):
        w, h = sizes.w[kind], sizes.h[kind]
        if sizes.turns[kind] and (w > box[0] or h > box[1]):
            w, h = h, w
        if x + w > box[0] or y + h > box[1] or (x and h > row):
            x, y, row = 0, y + row, 0
        if x + w > box[0] or y + h > box[1]:
            if put:
                return put, pool[place:]
            # The first piece does not go on this stock at all: leave the choice to the careful filler.
            return packer.fill(box, pool, 0, 3)
        put.append((kind, x, y, w, h))
        x += w
        row = max(row, h)
    return put, []


def _as_much_as_possible(packer: _Packer, answer: _Answer) -> _Answer:
    """Where the stock on hand runs out: the layout on all of it that leaves the least area undone."""
    boxes: list[int] = []
    for place, limit in enumerate(_limits(packer)):
        boxes += [place] * limit
    spare = Counter(boxes) - Counter(answer.stock)
    stock = answer.stock + sorted(spare.elements())
    puts = [list(on) for on in answer.puts] + [[] for _ in range(len(stock) - len(answer.stock))]
    goal = _Goal(packer, [packer.boxes[s] for s in stock], puts, list(answer.left))
    best = (goal.short, _Answer(list(stock), [list(on) for on in goal.puts], list(goal.left)))
    while not packer.clock.out and packer.clock.share < 0.7 and goal.left:
        goal.run(1)
        if goal.short < best[0]:
            best = (goal.short, _Answer(list(stock), [list(on) for on in goal.puts], list(goal.left)))
    return best[1].without_empty()


# -- a cheaper purchase ------------------------------------------------------------------------------------------------


class _Least:
    """Lower bounds on money and on sheets bought, and which purchases they leave open."""

    def __init__(self, problem: Problem, counts: Sequence[int], packer: _Packer) -> None:
        self.problem = problem
        self.rows: list[Row] = rows_of(problem, counts)
        self.limits = _limits(packer)
        self.free = [s for s, price in enumerate(problem.prices) if price == 0 and self.limits[s]]
        self.paid = [s for s, price in enumerate(problem.prices) if price > 0 and self.limits[s]]
        # What each row still needs once all free offcuts are full.
        self.needs = [
            max(0, row.need - sum(row.holds[s] * self.limits[s] for s in self.free)) for row in self.rows
        ]
        self.bought = max((self._fewest(row) for row in self.rows), default=0)
        self.price = self._least_price()

    def _fewest(self, row: Row) -> int:
        """Sheets to buy at least, were every offcut filled first, free or not."""
        stock = self.problem.stock
        offcuts = [s for s, limit in enumerate(self.limits) if limit and stock[s].is_offcut]
        need = row.need - sum(row.holds[s] * self.limits[s] for s in offcuts)
        most = max((row.holds[s] for s in self.paid if not stock[s].is_offcut), default=0)
        return -(-need // most) if most and need > 0 else 0

    def _least_price(self) -> int:
        prices = self.problem.prices
        least = 0
        for row, need in zip(self.rows, self.needs, strict=True):
            if not need:
                continue
            # The best price for what it holds, as a fraction, then up to a whole number of the common step.
            ways = [(prices[s], row.holds[s]) for s in self.paid if row.holds[s]]
            if not ways:
                continue
            least = max(least, min(-(-need * price // hold) for price, hold in ways))
        step = gcd(*(prices[s] for s in self.paid)) if self.paid else 1
        return -(-least // step) * step

    def allows(self, purchase: dict[int, int]) -> bool:
        """Whether no bound forbids this purchase together with all free offcuts."""
        return all(
            sum(row.holds[s] * count for s, count in purchase.items()) >= need
            for row, need in zip(self.rows, self.needs, strict=True)
        )

    def below(self, price: int) -> tuple[list[dict[int, int]], bool]:
        """Open purchases cheaper than ``price`` to which nothing could be added, roomiest first; and if those are all."""
        prices = self.problem.prices
        area = {s: self.problem.stock[s].w * self.problem.stock[s].h for s in self.paid}
        order = sorted(self.paid, key=lambda s: (-prices[s], s))
        found: list[dict[int, int]] = []
        tried = 0

        def extend(place: int, budget: int, chosen: dict[int, int]) -> None:
            nonlocal tried
            if tried >= _MOST_TRIED_PURCHASES:
                return
            if place == len(order):
                tried += 1
                if self.allows(chosen):
                    found.append(dict(chosen))
                return
            stock = order[place]
            most = min(self.limits[stock], budget // prices[stock])
            last = place == len(order) - 1
            for count in range(most, most - 1 if last else -1, -1):
                if count:
                    chosen[stock] = count
                extend(place + 1, budget - count * prices[stock], chosen)
                chosen.pop(stock, None)

        extend(0, price - 1, {})
        found.sort(key=lambda bought: (-sum(area[s] * n for s, n in bought.items()), sorted(bought.items())))
        return _none_within_another(found), tried < _MOST_TRIED_PURCHASES


def _none_within_another(purchases: list[dict[int, int]]) -> list[dict[int, int]]:
    """The purchases that are no part of a larger one in the list; roomiest first stays."""
    kept: list[dict[int, int]] = []
    for bought in purchases[:400]:
        if not any(all(more.get(s, 0) >= n for s, n in bought.items()) for more in kept):
            kept.append(bought)
    return kept


def _goal_for(packer: _Packer, answer: _Answer, stock: list[int]) -> _Goal:
    """A fresh attempt on ``stock``, keeping the fullest sheets of the answer so far that are among it."""
    wanted = Counter(stock)
    fullness = [
        (-sum(p[3] * p[4] for p in on) / (packer.boxes[s][0] * packer.boxes[s][1]), place)
        for place, (s, on) in enumerate(zip(answer.stock, answer.puts, strict=True))
    ]
    kept: dict[int, list[list[Put]]] = {}
    left: list[int] = list(answer.left)
    for _, place in sorted(fullness):
        s = answer.stock[place]
        if wanted[s] > 0:
            wanted[s] -= 1
            kept.setdefault(s, []).append(list(answer.puts[place]))
        else:
            left += [put[0] for put in answer.puts[place]]
    puts = [kept[s].pop(0) if kept.get(s) else [] for s in stock]
    return _Goal(packer, [packer.boxes[s] for s in stock], puts, left)


def _cheaper(packer: _Packer, answer: _Answer, least: _Least) -> tuple[_Answer, bool]:
    """Cheaper and cheaper layouts until a bound or the clock stops it; and whether the last is proved cheapest."""
    problem, clock = packer.problem, packer.clock
    free = [s for s in least.free for _ in range(least.limits[s])]
    while True:
        price = answer.price(problem)
        if price <= least.price:
            return answer, True
        purchases, all_seen = least.below(price)
        if not purchases:
            return answer, all_seen
        goals: list[tuple[list[int], _Goal]] = []
        for bought in purchases[:_MOST_GOALS]:
            stock = free + [s for s in sorted(bought) for _ in range(bought[s])]
            goals.append((stock, _goal_for(packer, answer, stock)))
        won = _first_reached(packer, goals)
        if won is None:
            return answer, False
        stock, goal = won
        answer = _Answer(list(stock), goal.puts, []).without_empty()
        if clock.out:
            return answer, answer.price(problem) <= least.price


def _first_reached(packer: _Packer, goals: list[tuple[list[int], _Goal]]) -> tuple[list[int], _Goal] | None:
    """Rounds shared among the goals, more for those that lack least; the first one reached, or None at the end."""
    clock = packer.clock
    turn = 40
    while not clock.out and clock.share < 0.82:
        for stock, goal in goals:
            if goal.run(turn):
                return stock, goal
            if clock.out:
                return None
        if len(goals) > 1:
            goals.sort(key=lambda pair: pair[1].short)
            goals = goals[: max(1, (2 * len(goals) + 2) // 3)] if turn >= 160 else goals
            turn = min(640, turn * 2)
    return None


# -- one large rest, then fewer cuts -----------------------------------------------------------------------------------


def _tidy(answer: _Answer) -> _Answer:
    """Used sheets only, in a steady order."""
    pairs = sorted(
        ((s, on) for s, on in zip(answer.stock, answer.puts, strict=True) if on),
        key=lambda pair: (pair[0], -sum(p[3] * p[4] for p in pair[1]), sorted(pair[1])),
    )
    return _Answer([s for s, _ in pairs], [list(on) for _, on in pairs], answer.left)


def _fewer_offcuts(packer: _Packer, answer: _Answer) -> _Answer:
    """Where nothing need be bought: the same pieces on less of the offcuts, the largest one spared first."""
    clock = packer.clock
    stop = min(0.6, clock.share + 0.4)
    spared = 0
    answer = _tidy(answer)
    while spared < len(answer.stock) > 1 and not clock.out and clock.share < stop:
        by_size = sorted(
            range(len(answer.stock)),
            key=lambda place: (
                -packer.problem.stock[answer.stock[place]].w * packer.problem.stock[answer.stock[place]].h,
                place,
            ),
        )
        without = [s for place, s in enumerate(answer.stock) if place != by_size[spared]]
        goal = _goal_for(packer, answer, without)
        if goal.run(300):
            answer = _tidy(_Answer(without, goal.puts, []))
        else:
            spared += 1
    return answer


def _polish(packer: _Packer, answer: _Answer, least: _Least) -> list[Sawn]:
    """The same purchase with the largest rest that time allows to find, then with fewer cuts."""
    problem = packer.problem
    if not answer.left and answer.price(problem) and not packer.clock.out:
        _larger_rest(packer, answer, least)
        answer = _tidy(answer)
    options = [packer.saw(s, on) for s, on in zip(answer.stock, answer.puts, strict=True)]
    if not all(options):
        raise AssertionError("a pattern came out that cannot be sawn")
    holder = max(
        _rest_from(problem, answer), key=lambda place: (options[place][0].largest, -place), default=-1
    )
    sheets = []
    for place, (s, on) in enumerate(zip(answer.stock, answer.puts, strict=True)):
        keep = options[place][0].largest if place == holder else 0
        puts, plan = _fewer_cuts(packer, s, on, options[place], keep, len(answer.stock) - place)
        sheets.append(Sawn(s, tuple(puts), plan))
    return sheets


def _rest_from(problem: Problem, answer: _Answer) -> list[int]:
    """The sheets whose rest counts: those paid for, else any."""
    bought = [place for place, s in enumerate(answer.stock) if problem.prices[s] > 0]
    return bought or list(range(len(answer.stock)))


def _room(packer: _Packer, answer: _Answer) -> list[int]:
    return [
        packer.boxes[s][0] * packer.boxes[s][1] - sum(p[3] * p[4] for p in on)
        for s, on in zip(answer.stock, answer.puts, strict=True)
    ]


def _larger_rest(packer: _Packer, answer: _Answer, least: _Least) -> None:
    """Pushes the pieces of the emptiest sheet together, and onto the others, until one strip of it is as large as can be.

    Free offcuts still in the rack take part: what goes on them leaves more of the sheet.
    """
    problem, clock, kerf = packer.problem, packer.clock, packer.problem.kerf
    used = Counter(answer.stock)
    for s in least.free:
        for _ in range(least.limits[s] - used[s]):
            answer.stock.append(s)
            answer.puts.append([])
    places = _rest_from(problem, answer)

    def largest(puts: list[list[Put]]) -> int:
        """The largest rest of any sheet paid for; below zero where one cannot be sawn within the stage limit."""
        found = [packer.saw(answer.stock[place], puts[place]) if puts[place] else [] for place in places]
        if any(not plans and puts[place] for place, plans in zip(places, found, strict=True)):
            return -1
        return max((plans[0].largest for plans in found if plans), default=0)

    best = largest(answer.puts)
    stop = min(0.95, clock.share + 0.4)
    idle = 0
    reach = [0.5, 0.5]
    way = ACROSS_X
    while not clock.out and clock.share < stop and idle < _PATIENCE:
        room = _room(packer, answer)
        target = max(places, key=lambda place: (room[place], -place))
        w, h = packer.boxes[answer.stock[target]]
        along, deep = (w, h) if way == ACROSS_X else (h, w)
        # A strip of folded length t leaves (t - kerf) x (deep - kerf) of wood.
        now = best // max(1, deep - kerf) + kerf
        most = min(sum(room) // deep, along - 1)
        if most <= now:
            way = 1 - way
            idle += 250
            continue
        strip = now + max(1, int((most - now) * reach[way]))
        boxes = [packer.boxes[s] for s in answer.stock]
        boxes[target] = (w - strip, h) if way == ACROSS_X else (w, h - strip)
        puts = [list(on) if place != target else [] for place, on in enumerate(answer.puts)]
        goal = _Goal(packer, boxes, puts, [put[0] for put in answer.puts[target]])
        before = clock.done
        reached = goal.run(120)
        idle += clock.done - before + 1
        fresh = largest(goal.puts) if reached else -1
        if fresh > best:
            best = fresh
            answer.puts[:] = goal.puts
            idle = 0
            continue
        reach[way] *= 0.6
        if reach[way] < 0.004:
            reach[way] = 0.25
        way = 1 - way


def _fewer_cuts(
    packer: _Packer, stock: int, puts: Sequence[Put], options: list[Plan], keep: int, sheets_left: int
) -> tuple[Sequence[Put], Plan]:
    """The same pieces on the same sheet in fewer cuts, the kept rectangle no smaller."""
    clock, rng = packer.clock, packer.rng

    def weigh(plan: Plan) -> tuple[int, int, int, bool]:
        return plan.cuts, -plan.largest, plan.stages, not plan.starts_with_rip

    best = min((plan for plan in options if plan.largest >= keep), key=weigh)
    kinds = [put[0] for put in puts]
    start = clock.share
    stop = start + (1.0 - start) / max(1, sheets_left)
    idle = 0
    while not clock.out and clock.share < stop and idle < 60 and len(kinds) > 1:
        clock.done += 1
        idle += 1
        order = packer.ordered(kinds, rng.randrange(_SORTS), rng.choice((0.0, 0.0, 0.1, 0.3)))
        on, left = packer.fill(packer.boxes[stock], order, rng.randrange(RULES), rng.randrange(SPLITS))
        if left:
            continue
        for plan in packer.saw(stock, on):
            if plan.largest >= keep and weigh(plan) < weigh(best):
                puts, best = on, plan
                idle = 0
    return puts, best
