"""What no layout can beat: bounds by area and by dual feasible functions, for sheets of one or several sizes.

A superadditive function f never lets the f of pieces side by side exceed the f of the sheet they lie on. So for two
such functions the sum of f(w) g(h) over all pieces is at most the sum of f(W) g(H) over the sheets used. Functions:
Fekete and Schepers 2001 (rounding by a threshold); Carlier, Clautiaux and Moukrim 2007 (rounding by a step).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from estimating.sheets.problem import Problem

__all__ = ["Row", "rows_of"]

_MOST_FUNCTIONS = 14
_MOST_ROWS = 40


@dataclass(frozen=True)
class Row:
    """All pieces together weigh ``need``; a sheet of stock i holds at most ``holds[i]``."""

    need: int
    holds: tuple[int, ...]


def _plain(size: int) -> int:
    return size


def _by_threshold(whole: int, threshold: int) -> Callable[[int], int]:
    def weight(size: int) -> int:
        if size > whole - threshold:
            return whole if size <= whole else 0
        return size if size >= threshold else 0

    return weight


def _by_step(whole: int, step: int) -> Callable[[int], int]:
    most = whole // step

    def weight(size: int) -> int:
        if 2 * size > whole:
            return 2 * (most - (whole - size) // step)
        if 2 * size == whole:
            return most
        return 2 * (size // step)

    return weight


def _spread(values: Iterable[int], most: int) -> list[int]:
    ordered = sorted(set(values))
    if len(ordered) <= most:
        return ordered
    return [ordered[place * (len(ordered) - 1) // (most - 1)] for place in range(most)]


def _functions(whole: int, sizes: Sequence[int]) -> list[Callable[[int], int]]:
    halves = [size for size in sizes if 2 * size <= whole]
    thresholds = set(halves) | {whole - size + 1 for size in sizes if 2 * size > whole}
    thresholds = {size for size in thresholds if 1 <= 2 * size <= whole}
    steps = set(halves) | {whole // parts for parts in range(2, 6) if whole // parts}
    found: list[Callable[[int], int]] = [_plain]
    found += [_by_threshold(whole, size) for size in _spread(thresholds, _MOST_FUNCTIONS)]
    found += [_by_step(whole, size) for size in _spread(steps, _MOST_FUNCTIONS // 2)]
    # Everything above half the sheet counts as a whole one, everything else as nothing.
    found.append(_by_step(whole, whole // 2 if whole > 1 else 1))
    return found


def _ways(w: int, h: int, turns: bool, wide: int, high: int) -> int:
    """0: as it stands only, 1: turned only, 2: either."""
    if not turns or h > wide or w > high:
        return 0
    return 1 if w > wide or h > high else 2


def rows_of(problem: Problem, counts: Sequence[int]) -> list[Row]:
    """Conditions every purchase must meet for ``counts`` pieces of each kind, the plain area first."""
    fitting = [(stock.w, stock.h) for stock in problem.stock if stock.w > 0]
    wanted = [(kind, count) for kind, count in zip(problem.kinds, counts, strict=True) if count]
    if not fitting or not wanted:
        return []
    wide, high = max(w for w, _ in fitting), max(h for _, h in fitting)
    sides_w = {side for kind, _ in wanted for side in ((kind.w, kind.h) if kind.turns else (kind.w,))}
    sides_h = {side for kind, _ in wanted for side in ((kind.w, kind.h) if kind.turns else (kind.h,))}
    along_x = _functions(wide, [side for side in sides_w if side <= wide])
    along_y = _functions(high, [side for side in sides_h if side <= high])
    if len(wanted) > 200:
        along_x, along_y = along_x[:1], along_y[:1]
    ways = [_ways(kind.w, kind.h, kind.turns, wide, high) for kind, _ in wanted]
    total = [count for _, count in wanted]
    x_weights = [([f(k.w) for k, _ in wanted], [f(k.h) for k, _ in wanted], f) for f in along_x]
    y_weights = [([g(k.h) for k, _ in wanted], [g(k.w) for k, _ in wanted], g) for g in along_y]
    rows: list[Row] = []
    for fw, fh, f in x_weights:
        for gh, gw, g in y_weights:
            need = 0
            for count, way, a, b, c, d in zip(total, ways, fw, gh, fh, gw, strict=True):
                # A piece that may turn counts with the lighter of its two ways round.
                need += count * (a * b if way == 0 else c * d if way == 1 else min(a * b, c * d))
            if need:
                rows.append(Row(need, tuple(f(s.w) * g(s.h) if s.w > 0 else 0 for s in problem.stock)))
    plain, others = rows[0], rows[1:]
    others.sort(key=lambda row: row.need / max(1, *row.holds), reverse=True)
    return [plain, *others[:_MOST_ROWS]]
