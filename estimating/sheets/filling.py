"""Filling one sheet with pieces, biggest trouble first: the inner loop of the search.

A sheet starts as one free rectangle. Each piece goes into the lower-left corner of the free rectangle its rule likes
best; two edge-to-edge cuts then split what is left of that rectangle, so every result is a guillotine pattern.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Callable, Mapping, Sequence

__all__ = ["RULES", "SPLITS", "Block", "Put", "Sizes", "fill", "fill_in_stages"]

# (kind, x, y, w, h) as placed, folded.
Put = tuple[int, int, int, int, int]

# Two pieces taken as one: their kinds, whether the second lies above (1) or beside (0) the first, the block's w and h,
# the first's w and h, the second's w and h.
Block = tuple[int, int, int, int, int, int, int, int, int]

RULES = 5
SPLITS = 6
_BEYOND = 1 << 120


class Sizes:
    """The kinds' folded sizes as plain lists, and the smallest sides any piece can show along x and y."""

    __slots__ = ("area", "h", "least_h", "least_w", "turns", "w")

    def __init__(self, kinds: Sequence[tuple[int, int, bool]]) -> None:
        self.w = [w for w, _, _ in kinds]
        self.h = [h for _, h, _ in kinds]
        self.turns = [turns for _, _, turns in kinds]
        self.area = [w * h for w, h, _ in kinds]
        self.least_w = min((min(w, h) if turns else w for w, h, turns in kinds), default=1)
        self.least_h = min((min(w, h) if turns else h for w, h, turns in kinds), default=1)


def _score(rule: int, free: tuple[int, ...], spare_w: int, spare_h: int, width: int, height: int) -> int:
    if rule == 1:
        return spare_w if spare_w < spare_h else spare_h
    if rule == 2:
        return spare_w if spare_w > spare_h else spare_h
    if rule == 3:
        return free[4] * width + free[3]
    return free[3] * height + free[4]


def _rows_first(split: int, w: int, h: int, spare_w: int, spare_h: int, chance: Callable[[], float]) -> bool:
    """Whether the cut above the piece comes before the cut beside it."""
    if split == 0:
        return spare_w < spare_h
    if split == 1:
        return spare_w >= spare_h
    if split == 2:
        return spare_w * h < spare_h * w
    if split == 3:
        return True
    if split == 4:
        return False
    return chance() < 0.5


def fill(
    width: int,
    height: int,
    order: Sequence[int],
    sizes: Sizes,
    rule: int,
    split: int,
    chance: Callable[[], float],
    blocks: Mapping[int, Block] | None = None,
) -> tuple[list[Put], list[int]]:
    """The pieces of ``order`` (kinds) put on one sheet, and those that found no room. Folded lengths.

    Rules: 0 smallest free rectangle, 1 least short rest, 2 least long rest, 3 lowest, 4 leftmost.
    A block stands in ``order`` before its two pieces: they are tried alone where it found no room.
    """
    spent: dict[int, int] = {}
    sizes_w, sizes_h, turns = sizes.w, sizes.h, sizes.turns
    least_w, least_h = sizes.least_w, sizes.least_h
    free = [(width * height, width, height, 0, 0)]
    put: list[Put] = []
    left: list[int] = []
    no_room: set[int] = set()
    for kind in order:
        if spent and spent.get(kind):
            spent[kind] -= 1
            continue
        if kind in no_room:
            left.append(kind)
            continue
        w = sizes_w[kind]
        h = sizes_h[kind]
        turn = turns[kind]
        best = -1
        # Free rectangles are kept by area: smaller ones than the piece need no look.
        start = bisect_left(free, (w * h,))
        if rule == 0:
            for place in range(start, len(free)):
                _, fw, fh, _, _ = free[place]
                if fw >= w and fh >= h:
                    best = place
                    if turn and fw >= h and fh >= w:
                        a = fw - w
                        b = fh - h
                        c = fw - h
                        d = fh - w
                        if (a if a < b else b) > (c if c < d else d):
                            w, h = h, w
                    break
                if turn and fw >= h and fh >= w:
                    w, h = h, w
                    best = place
                    break
        else:
            best_score = _BEYOND
            turned = False
            for place in range(start, len(free)):
                rect = free[place]
                fw = rect[1]
                fh = rect[2]
                if fw >= w and fh >= h:
                    score = _score(rule, rect, fw - w, fh - h, width, height)
                    if score < best_score:
                        best_score = score
                        best = place
                        turned = False
                if turn and fw >= h and fh >= w:
                    score = _score(rule, rect, fw - h, fh - w, width, height)
                    if score < best_score:
                        best_score = score
                        best = place
                        turned = True
            if turned:
                w, h = h, w
        if best < 0:
            if blocks is None or kind not in blocks:
                left.append(kind)
                no_room.add(kind)
            continue
        _, fw, fh, x, y = free.pop(best)
        if blocks is None or kind not in blocks:
            put.append((kind, x, y, w, h))
        else:
            _unfold(blocks[kind], x, y, w, h, sizes, put, free, spent)
        spare_w = fw - w
        spare_h = fh - h
        if _rows_first(split, w, h, spare_w, spare_h, chance):
            if spare_h >= least_h and fw >= least_w:
                insort(free, (fw * spare_h, fw, spare_h, x, y + h))
            if spare_w >= least_w and h >= least_h:
                insort(free, (spare_w * h, spare_w, h, x + w, y))
        else:
            if spare_w >= least_w and fh >= least_h:
                insort(free, (spare_w * fh, spare_w, fh, x + w, y))
            if spare_h >= least_h and w >= least_w:
                insort(free, (w * spare_h, w, spare_h, x, y + h))
    return put, left


def _unfold(
    block: Block,
    x: int,
    y: int,
    w: int,
    h: int,
    sizes: Sizes,
    put: list[Put],
    free: list[tuple[int, int, int, int, int]],
    spent: dict[int, int],
) -> None:
    """The two pieces of a placed block, and the rest beside the smaller one."""
    first, second, above, own_w, own_h, aw, ah, bw, bh = block
    if (w, h) != (own_w, own_h):
        above, aw, ah, bw, bh = 1 - above, ah, aw, bh, bw
    spent[first] = spent.get(first, 0) + 1
    spent[second] = spent.get(second, 0) + 1
    put.append((first, x, y, aw, ah))
    if above:
        put.append((second, x, y + ah, bw, bh))
        rests = ((w - aw, ah, x + aw, y), (w - bw, bh, x + bw, y + ah))
    else:
        put.append((second, x + aw, y, bw, bh))
        rests = ((aw, h - ah, x, y + ah), (bw, h - bh, x + aw, y + bh))
    for rw, rh, rx, ry in rests:
        if rw >= sizes.least_w and rh >= sizes.least_h:
            insort(free, (rw * rh, rw, rh, rx, ry))


# A free rectangle with its history: (area, w, h, x, y, stages so far, last cut: 0 across x ("v"), 1 across y ("h"), 2 none).
_Staged = tuple[int, int, int, int, int, int, int]


def _stages_after(used: int, last: int, axis: int) -> int:
    return used if last == axis else used + 1


def _split_in_stages(rect: _Staged, w: int, h: int, most: int, rows_first: bool) -> list[_Staged] | None:
    """What is left of ``rect`` once a piece is cut from its corner, or None where that takes too many stages."""
    _, fw, fh, x, y, used, last = rect
    spare_w, spare_h = fw - w, fh - h
    rest: list[_Staged] = []
    first, second = (1, 0) if rows_first else (0, 1)
    for axis in (first, second):
        spare = spare_h if axis else spare_w
        if spare == 0:
            continue
        used = _stages_after(used, last, axis)
        last = axis
        if used > most:
            return None
        if axis:
            wide = fw if axis == first else w
            rest.append((wide * spare, wide, spare, x, y + h, used, 1))
        else:
            high = fh if axis == first else h
            rest.append((spare * high, spare, high, x + w, y, used, 0))
    return rest


def fill_in_stages(
    width: int,
    height: int,
    order: Sequence[int],
    sizes: Sizes,
    rule: int,
    split: int,
    chance: Callable[[], float],
    most: int,
) -> tuple[list[Put], list[int]]:
    """As ``fill``, with no piece more than ``most`` stages of cuts away from the whole sheet."""
    free: list[_Staged] = [(width * height, width, height, 0, 0, 0, 2)]
    put: list[Put] = []
    left: list[int] = []
    no_room: set[int] = set()
    for kind in order:
        if kind in no_room:
            left.append(kind)
            continue
        kw, kh = sizes.w[kind], sizes.h[kind]
        ways = ((kw, kh), (kh, kw)) if sizes.turns[kind] else ((kw, kh),)
        best: tuple[int, int, int, int, list[_Staged]] | None = None
        for place in range(bisect_left(free, (kw * kh,)), len(free)):
            rect = free[place]
            for w, h in ways:
                if rect[1] < w or rect[2] < h:
                    continue
                spare_w, spare_h = rect[1] - w, rect[2] - h
                score = rect[0] if rule == 0 else _score(rule, rect, spare_w, spare_h, width, height)
                if best is not None and score >= best[0]:
                    continue
                rows = _rows_first(split, w, h, spare_w, spare_h, chance)
                rest = _split_in_stages(rect, w, h, most, rows)
                if rest is None:
                    rest = _split_in_stages(rect, w, h, most, not rows)
                if rest is not None:
                    best = (score, place, w, h, rest)
        if best is None:
            left.append(kind)
            no_room.add(kind)
            continue
        _, place, w, h, rest = best
        rect = free.pop(place)
        put.append((kind, rect[3], rect[4], w, h))
        for piece in rest:
            if piece[1] >= sizes.least_w and piece[2] >= sizes.least_h:
                insort(free, piece)
    return put, left
