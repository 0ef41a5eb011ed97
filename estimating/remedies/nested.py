"""Remedies of several steps, and steps that can be done in several ways: what to do next, whatever has happened.

The ratio rule is not exact from three levels on (Boros and Unluyurt 1999), so every state that can arise is weighed:
which steps are still open and which groups are undecided. A shared step is one step, so it is done and paid once.
Beyond ``MOST_STATES`` states the groups are ordered level by level instead: exact for remedies of separate steps,
flagged as not proved best otherwise. The cost given is then the exact expected cost of that plan, and the dearest is
that of the same plan turned round.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import lcm

from estimating.remedies.order import MOST_EXACT, Item, best_remedies, best_steps
from estimating.remedies.work import BadRemedy, Figures, Remedy, Step, cost_of, refuse_circles

__all__ = ["ALL", "ANY", "MOST_STATES", "Group", "Move", "Plan", "group_of", "plan", "plan_in_order"]

ALL, ANY = "all", "any"
MOST_STATES = 5000
MOST_FOLLOWED = 20_000
EVERY_STATE = "every state weighed"
LEVEL_BY_LEVEL = "ordered level by level, not proved best"
TWO_LEVELS = "ordered level by level, exact for remedies of separate steps"
# More free steps than this have more states than are weighed, so weighing is not even begun.
MOST_FREE_STEPS = 13


@dataclass(frozen=True)
class Group:
    """Parts that must all work (``ALL``) or of which one is enough (``ANY``); a part is a group or a step."""

    name: str
    kind: str
    parts: tuple[Group | Step, ...]
    after: tuple[str, ...] = ()
    spoils: tuple[str, ...] = ()

    @property
    def steps(self) -> tuple[Step, ...]:
        """Every step in it, in order, a shared one as often as it occurs."""
        return tuple(
            step for part in self.parts for step in (part.steps if isinstance(part, Group) else (part,))
        )


@dataclass(frozen=True)
class Move:
    """The step to do next and what to do then; ``None`` means there is nothing more to do."""

    step: str
    groups: tuple[str, ...]
    if_it_works: Move | None
    if_it_fails: Move | None
    works_then: bool = False
    fails_then: bool = False


@dataclass(frozen=True)
class Plan:
    """The best way of going about it: the first move, figures, and the same for the dearest way.

    ``steps`` and ``groups`` are listed as they come up when shared steps work and the others fail, then the rest by
    when they can first come up; what is in neither is not tried.
    """

    first: Move | None
    steps: tuple[str, ...]
    groups: tuple[str, ...]
    figures: Figures
    worst_cost: Fraction
    exact: bool
    method: str
    states: int = 0
    policy: tuple[str, ...] = field(default=(), compare=False)


def group_of(remedies: Sequence[Remedy], name: str = "") -> Group:
    """The remedies of a fault as one group of which one is enough."""
    return Group(
        name,
        ANY,
        tuple(
            Group(
                remedy.name,
                ALL,
                tuple(
                    part
                    if isinstance(part, Step)
                    else Group(f"{remedy.name}: {part.name}", ANY, part.options)
                    for part in remedy.steps
                ),
                remedy.after,
                remedy.spoils,
            )
            for remedy in remedies
        ),
    )


class _TooMany(Exception):
    """More states than are weighed."""


State = tuple[int, int]
FAILED, WORKED = (0, 0), (0, 1)


class _Board:
    """The tree as masks. A state is (undecided groups, steps still open that matter); root decided has no groups."""

    def __init__(self, root: Group, hour_value: Fraction, give_up: Fraction | None) -> None:
        self.steps: list[Step] = sorted(
            {step.name: step for step in root.steps}.values(), key=lambda s: s.name
        )
        self.place = {step.name: at for at, step in enumerate(self.steps)}
        self.groups: list[Group] = []
        self.parent: list[int] = []
        self.inside: list[int] = []
        self.leaves: list[int] = []
        self._add(root, -1)
        self.group_place = {group.name: at for at, group in enumerate(self.groups)}
        self.cost = [cost_of(step, hour_value) for step in self.steps]
        self.hour_value = hour_value
        self.give_up = give_up
        self.money = lcm(
            *(cost.denominator for cost in self.cost), 1 if give_up is None else give_up.denominator
        )
        self.whole = lcm(*(Fraction(step.chance).denominator for step in self.steps))
        self.cents = [int(cost * self.money) for cost in self.cost]
        self.works = [int(Fraction(step.chance) * self.whole) for step in self.steps]
        self.power = [self.whole**left for left in range(len(self.steps) + 1)]
        self.stop_cost = 0 if give_up is None else int(give_up * self.money)
        self.holders = [
            [at for at in range(len(self.groups)) if self.leaves[at] >> leaf & 1]
            for leaf in range(len(self.steps))
        ]
        self.needs_steps = [0] * len(self.steps)
        self.needs_groups = [0] * len(self.steps)
        self.spoils_steps = [0] * len(self.steps)
        self.spoils_groups = [0] * len(self.steps)
        self._note_limits()
        self.any_needs = any(self.needs_steps)
        self.any_limits = any(
            any(masks)
            for masks in (self.needs_steps, self.needs_groups, self.spoils_steps, self.spoils_groups)
        )
        self.pairs = self._absorbing_pairs()

    def _add(self, group: Group, parent: int) -> int:
        at = len(self.groups)
        self.groups.append(group)
        self.parent.append(parent)
        self.inside.append(1 << at)
        self.leaves.append(0)
        for part in group.parts:
            if isinstance(part, Group):
                self.inside[at] |= self.inside[self._add(part, at)]
            else:
                self.leaves[at] |= 1 << self.place[part.name]
        return at

    def _note_limits(self) -> None:
        for at, step in enumerate(self.steps):
            for name in step.after:
                if name in self.place:
                    self.needs_steps[at] |= 1 << self.place[name]
                else:
                    self.needs_groups[at] |= 1 << self._group(name)
            for name in step.spoils:
                if name in self.place:
                    self.spoils_steps[at] |= 1 << self.place[name]
                else:
                    self.spoils_groups[at] |= 1 << self._group(name)
        for group in self.groups:
            own = {self.place[step.name] for step in group.steps}
            for name in group.after:
                for at in own:
                    self.needs_groups[at] |= 1 << self._group(name)
            for name in group.spoils:
                target = self._group(name)
                theirs = {self.place[step.name] for step in self.groups[target].steps}
                if own <= theirs:
                    raise BadRemedy(f"“{group.name}” can't spoil “{name}”: it has no step of its own.")
                for at in own - theirs:
                    self.spoils_groups[at] |= 1 << target

    def _absorbing_pairs(self) -> list[tuple[int, int]]:
        """Sister groups of steps that share one: where the open steps of the first are all in the second, the second
        adds nothing (it can't work, or fail, without the first). Not where something needs or spoils one of them."""
        named = 0
        for at in range(len(self.steps)):
            named |= self.needs_groups[at] | self.spoils_groups[at]
        plain = [
            at
            for at in range(1, len(self.groups))
            if self.inside[at] == 1 << at
            and not named >> at & 1
            and self.groups[at].kind != self.groups[self.parent[at]].kind
        ]
        return [
            (one, other)
            for one in plain
            for other in plain
            if one != other
            and self.parent[one] == self.parent[other]
            and self.leaves[one] & self.leaves[other]
        ]

    def _group(self, name: str) -> int:
        if name in self.group_place:
            return self.group_place[name]
        ends = [at for at, group in enumerate(self.groups) if group.name.endswith(f": {name}")]
        if len(ends) != 1:
            raise BadRemedy(f"“{name}” is not one of the steps or remedies here.")
        return ends[0]

    def start(self) -> State:
        everything = (1 << len(self.groups)) - 1, (1 << len(self.steps)) - 1
        return self._settle(*everything)

    def choices(self, state: State) -> list[int]:
        """The steps that can be done now."""
        groups, left = state
        if not groups:
            return []
        return [
            at
            for at in range(len(self.steps))
            if left >> at & 1 and not self.needs_steps[at] & left and not self.needs_groups[at] & groups
        ]

    def after(self, state: State, at: int, works: bool) -> State:
        """The state once step ``at`` has been done."""
        groups, left = state
        left &= ~(1 << at)
        groups, left = self._decide(groups, left, at, works)
        if groups:
            groups, left = self._spoil(
                groups, left, self.spoils_steps[at] & left, self.spoils_groups[at] & groups
            )
        return self._settle(groups, left) if groups else (groups, left)

    def _decide(self, groups: int, left: int, leaf: int, works: bool) -> State:
        """Tells every undecided group holding the step how it went."""
        for holder in self.holders[leaf]:
            if groups >> holder & 1:
                groups, left = self._tell(groups, left, holder, works)
                if not groups:
                    return groups, left
        return groups, left

    def _tell(self, groups: int, left: int, at: int, works: bool) -> State:
        """One part of group ``at`` is decided: decides the group where that settles it, and so on upwards."""
        while at >= 0:
            settles = works == (self.groups[at].kind == ANY)
            if not settles and self._still_open(groups, left, at):
                return groups, left
            groups &= ~self.inside[at]
            if at == 0:
                return WORKED if works else FAILED
            at = self.parent[at]
        return groups, left

    def _still_open(self, groups: int, left: int, at: int) -> bool:
        if self.leaves[at] & left:
            return True
        return bool(groups & self.inside[at] & ~(1 << at))

    def _spoil(self, groups: int, left: int, steps: int, spoiled: int) -> State:
        """Steps and groups that can no longer be tried count as failed, and what needs them first goes with them."""
        while (steps or spoiled) and groups:
            before = groups
            for at in range(len(self.groups)):
                if spoiled >> at & 1 and groups >> at & 1:
                    groups &= ~self.inside[at]
                    groups, left = FAILED if at == 0 else self._tell(groups, left, self.parent[at], False)
                    if not groups:
                        return FAILED
            gone = steps & left
            left &= ~gone
            for at in range(len(self.steps)):
                if gone >> at & 1:
                    groups, left = self._decide(groups, left, at, False)
                    if not groups:
                        return FAILED
            gone_groups = spoiled | (before & ~groups)
            steps = spoiled = 0
            for at in range(len(self.steps)):
                if left >> at & 1 and (self.needs_steps[at] & gone or self.needs_groups[at] & gone_groups):
                    steps |= 1 << at
        return groups, left

    def _settle(self, groups: int, left: int) -> State:
        """Forgets the groups and steps that no longer matter, keeping steps that something still needs first."""
        leaves = self.leaves
        for one, other in self.pairs:
            if groups >> one & groups >> other & 1 and not leaves[one] & left & ~leaves[other]:
                groups &= ~(1 << other)
        matter = 0
        for at, mask in enumerate(leaves):
            if groups >> at & 1:
                matter |= mask
        matter &= left
        if self.any_needs:
            seen = -1
            while seen != matter:
                seen = matter
                for at in range(len(self.steps)):
                    if matter >> at & 1:
                        matter |= self.needs_steps[at] & left
        return groups, matter

    def served_by(self, state: State, leaf: int) -> tuple[str, ...]:
        """The undecided parts of the root that the step counts for."""
        found = []
        for at in range(1, len(self.groups)):
            if self.parent[at] == 0 and state[0] >> at & 1:
                open_inside = self.inside[at] & state[0]
                if any(open_inside >> holder & 1 for holder in self.holders[leaf]):
                    found.append(self.groups[at].name)
        return tuple(found)

    def value_at_rest(self, state: State) -> tuple[int, int]:
        """(missed, cost) of stopping here, scaled for the steps left."""
        scale = self.power[state[1].bit_count()] if state[0] else 1
        if state == WORKED:
            return 0, 0
        return scale, self.stop_cost * scale


class _Weigher:
    """The best and the dearest value of each state, remembered."""

    def __init__(self, board: _Board, most_states: int) -> None:
        self.board, self.most = board, most_states
        self.best: dict[State, tuple[tuple[int, int], int]] = {}
        self.worst: dict[State, int] = {}

    def rank(self, value: tuple[int, int]) -> tuple[int, int]:
        return value if self.board.give_up is None else (value[1], value[0])

    def sooner(self, at: int, other: int) -> bool:
        """Between equals: one that may work before one that can't, the sure one last, then by name."""
        works = self.board.works
        return (not works[at], works[at], at) < (not works[other], works[other], other)

    def weigh(self, state: State) -> tuple[tuple[int, int], int]:
        """((missed, cost) of the best way on, cost of the dearest), scaled by the steps left in the state."""
        if not state[0]:
            value = self.board.value_at_rest(state)
            return value, value[1]
        if state in self.best:
            return self.best[state][0], self.worst[state]
        if len(self.best) >= self.most:
            raise _TooMany
        board = self.board
        left = state[1].bit_count()
        best, choice = board.value_at_rest(state), -1
        best_rank = self.rank(best)
        worst = -1
        for at in board.choices(state):
            cost = board.cents[at] * board.power[left]
            missed = 0
            total = dearest = cost
            for works, weight in ((True, board.works[at]), (False, board.whole - board.works[at])):
                if not weight:
                    continue
                then = board.after(state, at, works)
                (then_missed, then_cost), then_worst = self.weigh(then)
                scale = weight * board.power[left - 1 - (then[1].bit_count() if then[0] else 0)]
                missed += scale * then_missed
                total += scale * then_cost
                dearest += scale * then_worst
            rank = self.rank((missed, total))
            if rank < best_rank or (rank == best_rank and choice >= 0 and self.sooner(at, choice)):
                best, best_rank, choice = (missed, total), rank, at
            worst = max(worst, dearest)
        self.best[state] = best, choice
        self.worst[state] = worst if worst >= 0 else board.value_at_rest(state)[1]
        return best, self.worst[state]


def plan(
    root: Group, *, hour_value: Fraction, give_up: Fraction | None = None, most_states: int = MOST_STATES
) -> Plan:
    """The best way of going about a group of steps, adaptive: after each outcome the rest is weighed again.

    The objective is that of ``best_remedies``: with ``give_up`` the least expected cost, without it the highest
    chance of success and then the least expected cost. Raises BadRemedy for names that are not there.
    """
    board = _Board(root, hour_value, give_up)
    weigher = _Weigher(board, most_states)
    start = board.start()
    try:
        if len(board.steps) > MOST_FREE_STEPS and not board.pairs and not board.any_limits:
            raise _TooMany
        _, dearest = weigher.weigh(start)
    except _TooMany:
        separate = _is_separate(root)
        order = _level_by_level(root, hour_value, give_up)
        found = plan_in_order(root, order, hour_value=hour_value, give_up=give_up)
        turned = plan_in_order(root, order[::-1], hour_value=hour_value, give_up=give_up)
        return Plan(
            found.first,
            found.steps,
            found.groups,
            found.figures,
            max(found.figures.cost, turned.figures.cost),
            exact=separate,
            method=TWO_LEVELS if separate else LEVEL_BY_LEVEL,
            policy=order,
        )

    def choose(state: State) -> int:
        return weigher.best[state][1]

    first, figures = _follow(board, start, choose)
    steps, groups = _as_they_come(first)
    scale = board.money * (board.power[start[1].bit_count()] if start[0] else 1)
    return Plan(
        first,
        steps,
        groups,
        figures,
        Fraction(dearest, scale),
        exact=True,
        method=EVERY_STATE,
        states=len(weigher.best),
    )


def plan_in_order(
    root: Group, order: Sequence[str], *, hour_value: Fraction, give_up: Fraction | None = None
) -> Plan:
    """The figures of doing the steps in one fixed order, skipping what no longer matters or can no longer be tried.

    A step whose turn comes before what it needs is done as soon as that is behind her. Raises BadRemedy for a name
    that is not there.
    """
    board = _Board(root, hour_value, give_up)
    for name in order:
        if name not in board.place:
            raise BadRemedy(f"“{name}” is not one of the steps here.")
    turns = [board.place[name] for name in dict.fromkeys(order)]

    def choose(state: State) -> int:
        now = set(board.choices(state))
        return next((at for at in turns if at in now), -1)

    first, figures = _follow(board, board.start(), choose)
    steps, groups = _as_they_come(first)
    return Plan(
        first, steps, groups, figures, figures.cost, exact=True, method="her order", policy=tuple(order)
    )


def _is_separate(root: Group) -> bool:
    """Whether going level by level is exact: remedies of plain steps that neither share, need nor spoil across.

    A remedy begun only gets better with each step that works, so it is never worth leaving for another; its best
    order of steps is then the same whatever else there is (the two-level case of Boros and Unluyurt 1999).
    """
    if root.kind != ANY:
        return False
    names = [step.name for step in root.steps]
    if len(set(names)) != len(names):
        return False
    for part in root.parts:
        if isinstance(part, Step):
            if part.after or part.spoils:
                return False
            continue
        inside = {step.name for step in part.steps}
        limits = {name for step in part.steps for name in (*step.after, *step.spoils)}
        flat = part.kind == ALL and all(isinstance(inner, Step) for inner in part.parts)
        if not flat or part.after or part.spoils or limits - inside or (limits and len(inside) > MOST_EXACT):
            return False
    return True


def _level_by_level(root: Group, hour_value: Fraction, give_up: Fraction | None) -> tuple[str, ...]:
    """The steps in order when each group is ordered by itself and then counts as one entry a level up."""

    def collapse(part: Group | Step, *, top: bool = False) -> tuple[tuple[str, ...], Item]:
        if isinstance(part, Step):
            return (part.name,), Item(part.name, cost_of(part, hour_value), Fraction(part.chance))
        inner = {child.name: collapse(child) for child in part.parts}
        items = _with_limits(part, [item for _, item in inner.values()])
        by_name = {item.name: item for item in items}
        if part.kind == ALL:
            found = best_steps(items)
            chance = Fraction(1)
            for item in items:
                chance *= item.chance
        else:
            found = best_remedies(items, give_up if top else None)
            missed = Fraction(1)
            for name in found.order:
                missed *= 1 - by_name[name].chance
            chance = 1 - missed
        order = tuple(step for name in found.order for step in inner[name][0])
        return order, Item(part.name, found.cost, chance)

    return tuple(dict.fromkeys(collapse(root, top=True)[0]))


def _with_limits(group: Group, items: Sequence[Item]) -> list[Item]:
    """The entries of a group with what their steps need and spoil, said of the entries themselves."""
    home: dict[str, str] = {}
    for part in group.parts:
        home.setdefault(part.name, part.name)
        for step in part.steps if isinstance(part, Group) else (part,):
            home.setdefault(step.name, part.name)
    found: list[Item] = []
    for part, item in zip(group.parts, items, strict=True):
        inside: tuple[Group | Step, ...] = (part, *part.steps) if isinstance(part, Group) else (part,)
        after = {home[name] for one in inside for name in one.after if name in home} - {part.name}
        spoils = {home[name] for one in inside for name in one.spoils if name in home} - {part.name}
        found.append(Item(item.name, item.cost, item.chance, frozenset(after), frozenset(spoils)))
    try:
        refuse_circles(
            {item.name: [*item.after, *(item.spoils if group.kind == ALL else ())] for item in found}
        )
    except BadRemedy:
        # Steps of two entries wait for each other crosswise: no order of whole entries fits, so the turns decide.
        return list(items)
    return found


def _follow(board: _Board, start: State, choose: Callable[[State], int]) -> tuple[Move | None, Figures]:
    """The moves and figures of a policy, each state worked out once."""
    known: dict[State, tuple[Move | None, tuple[Fraction, Fraction, Fraction, Fraction]]] = {}

    def go(state: State) -> tuple[Move | None, tuple[Fraction, Fraction, Fraction, Fraction]]:
        if not state[0]:
            return None, (Fraction(0), Fraction(0), Fraction(0), Fraction(state == WORKED))
        if state in known:
            return known[state]
        if len(known) >= MOST_FOLLOWED:
            raise BadRemedy("These steps are too tangled to work out: fewer shared steps would help.")
        at = choose(state)
        if at < 0:
            known[state] = None, (Fraction(0), Fraction(0), Fraction(0), Fraction(0))
            return known[state]
        step = board.steps[at]
        totals = [Fraction(step.materials), Fraction(step.hours), Fraction(step.days), Fraction(0)]
        moves: list[Move | None] = []
        ends: list[bool] = []
        for works, weight in ((True, Fraction(step.chance)), (False, 1 - Fraction(step.chance))):
            then = board.after(state, at, works)
            ends.append(then == WORKED)
            if not weight:
                moves.append(None)
                continue
            move, further = go(then)
            moves.append(move)
            totals = [total + weight * more for total, more in zip(totals, further, strict=True)]
        holders = board.served_by(state, at)
        found = Move(step.name, holders, moves[0], moves[1], ends[0], ends[1])
        known[state] = found, (totals[0], totals[1], totals[2], totals[3])
        return known[state]

    first, (materials, hours, days, chance) = go(start)
    spend = materials + hours * board.hour_value
    cost = spend + (board.give_up or 0) * (1 - chance)
    return first, Figures(cost, spend, materials, hours, days, chance)


def _as_they_come(first: Move | None) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Steps and first-level groups in the order in which they come up: first where shared steps work and others fail."""
    steps: dict[str, None] = {}
    groups: dict[str, None] = {}
    along: list[Move] = []
    move = first
    while move is not None:
        along.append(move)
        shared = len(move.groups) > 1 and move.if_it_works is not None
        move = move.if_it_works if shared else move.if_it_fails
    seen: set[int] = set()
    queue = along
    while queue:
        move = queue.pop(0)
        if id(move) in seen:
            continue
        seen.add(id(move))
        steps.setdefault(move.step)
        # A shared step serves several; it stands for the one that can be gone on with.
        for name in _served(move):
            groups.setdefault(name)
        queue.extend(then for then in (move.if_it_works, move.if_it_fails) if then is not None)
    return tuple(steps), tuple(groups)


def _served(move: Move) -> tuple[str, ...]:
    """The first-level group a step is done for: the only one, or that of the next step when it works."""
    if len(move.groups) <= 1 or move.if_it_works is None:
        return move.groups[:1]
    next_ones = [name for name in move.if_it_works.groups if name in move.groups]
    return tuple(next_ones[:1]) or move.groups[:1]
