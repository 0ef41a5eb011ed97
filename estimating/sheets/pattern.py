"""From pieces lying on a sheet to a sequence of cuts: a pattern pushed together, and the best plan for sawing it.

``derive`` reads a guillotine pattern as a tree of rows and columns, with every gap pushed to the far end. ``plans``
weighs the ways to saw such a tree out of a region: waste strips first or last, narrow pieces grouped so that the waste
above them stays in one rectangle. All lengths are folded (one kerf larger than the wood).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from estimating.sheets.filling import Put

__all__ = ["ACROSS_X", "ACROSS_Y", "Plan", "Saw", "derive", "plans"]

# A cut at a fixed x ("v") sets pieces side by side along x; a cut at a fixed y ("h") sets them one above the other.
ACROSS_X = 0
ACROSS_Y = 1

_KEPT = 5
_MOST_STAIRS = 16


class Tree:
    """A piece (``kind`` >= 0), or pieces in a row (``axis`` 0) or in a column (``axis`` 1), in their own bounding box."""

    __slots__ = ("axis", "h", "kind", "parts", "w")

    def __init__(self, axis: int, kind: int, w: int, h: int, parts: tuple[Tree, ...]) -> None:
        self.axis = axis
        self.kind = kind
        self.w = w
        self.h = h
        self.parts = parts


def derive(items: Sequence[Put], axis: int) -> Tree | None:
    """The pattern as a tree whose first cuts run across ``axis`` where that is possible; None if it cannot be sawn."""
    if len(items) == 1:
        kind, _, _, w, h = items[0]
        return Tree(-1, kind, w, h, ())
    for way in (axis, 1 - axis):
        groups = _apart(items, way)
        if len(groups) < 2:
            continue
        parts: list[Tree] = []
        for group in groups:
            part = derive(group, 1 - way)
            if part is None:
                return None
            parts.append(part)
        if way == ACROSS_X:
            parts.sort(key=lambda part: (-part.h, -part.w, part.kind))
            return Tree(way, -1, sum(part.w for part in parts), parts[0].h, tuple(parts))
        parts.sort(key=lambda part: (-part.w, -part.h, part.kind))
        return Tree(way, -1, parts[0].w, sum(part.h for part in parts), tuple(parts))
    return None


def _apart(items: Sequence[Put], axis: int) -> list[list[Put]]:
    """Groups that edge-to-edge cuts across ``axis`` separate."""
    low = 1 + axis
    size = 3 + axis
    ordered = sorted(items, key=lambda item: (item[low], item))
    groups = [[ordered[0]]]
    reach = ordered[0][low] + ordered[0][size]
    for item in ordered[1:]:
        if item[low] >= reach:
            groups.append([item])
        else:
            groups[-1].append(item)
        reach = max(reach, item[low] + item[size])
    return groups


@dataclass(frozen=True, slots=True)
class Plan:
    """One way to saw a region: its largest reusable rectangle (wood, not folded), its cuts and the stages it takes.

    ``after_v`` and ``after_h`` are the further stages needed when the cut before was across x or across y.
    ``node`` is ("part", kind), ("rest",), or ("cut", axis, folded distance, node, node).
    """

    largest: int
    cuts: int
    after_v: int
    after_h: int
    node: tuple[Any, ...]

    @property
    def stages(self) -> int:
        """Stages from the whole sheet."""
        return min(self.after_v, self.after_h) + (1 if self.node[0] == "cut" else 0)

    @property
    def starts_with_rip(self) -> bool:
        """Whether the first cut runs along the sheet's length."""
        return self.node[0] != "cut" or self.node[1] == ACROSS_Y


class Saw:
    """What makes a plan good on one sheet: the kerf, the least sides of an offcut worth keeping, the stage limit."""

    def __init__(
        self, kerf: int, keep: tuple[int, int], most_stages: int | None, *, rough: bool = False
    ) -> None:
        self.kerf = kerf
        self.short, self.long = keep
        self.most_stages = most_stages
        self.rough = rough

    def worth(self, w: int, h: int) -> int:
        """Area of wood of a folded rest when it is worth keeping, else 0."""
        w -= self.kerf
        h -= self.kerf
        short, long = (w, h) if w < h else (h, w)
        return w * h if short >= self.short and long >= self.long else 0

    def best_of(self, found: list[Plan]) -> list[Plan]:
        """The plans that no other beats, few enough to go on with: largest rectangle, fewest cuts, fewest stages."""
        if len(found) < 2:
            return found
        staged = self.most_stages is not None
        found.sort(key=lambda p: (-p.largest, p.cuts, p.after_v + p.after_h))
        kept: list[Plan] = []
        for plan in found:
            beaten = False
            for other in kept:
                if other.cuts <= plan.cuts and (
                    not staged or (other.after_v <= plan.after_v and other.after_h <= plan.after_h)
                ):
                    beaten = True
                    break
            if not beaten:
                kept.append(plan)
        if len(kept) > _KEPT:
            ends = {id(plan): plan for plan in (kept[0], min(kept, key=lambda p: (p.cuts, -p.largest)))}
            if staged:
                shallow_v = min(kept, key=lambda p: (p.after_v, p.after_h))
                shallow_h = min(kept, key=lambda p: (p.after_h, p.after_v))
                ends |= {id(shallow_v): shallow_v, id(shallow_h): shallow_h}
            kept = list(ends.values())
        return kept


def _cut(axis: int, at: int, first: Plan, second: Plan) -> Plan:
    if axis == ACROSS_X:
        stay = max(first.after_v, second.after_v)
        after_v, after_h = stay, stay + 1
    else:
        stay = max(first.after_h, second.after_h)
        after_v, after_h = stay + 1, stay
    largest = first.largest if first.largest > second.largest else second.largest
    return Plan(
        largest, first.cuts + second.cuts + 1, after_v, after_h, ("cut", axis, at, first.node, second.node)
    )


def plans(tree: Tree, w: int, h: int, saw: Saw) -> list[Plan]:
    """The worthwhile ways to saw ``tree`` out of a folded region of ``w`` by ``h``, largest rectangle first."""
    if tree.axis < 0:
        return _plans_of_piece(tree, w, h, saw)
    if tree.axis == ACROSS_X:
        return _Row(tree, saw).plans(w, h)
    return _Row(tree, saw).plans(h, w)


def _rest(w: int, h: int, saw: Saw) -> Plan:
    return Plan(saw.worth(w, h), 0, 0, 0, ("rest",))


def _plans_of_piece(piece: Tree, w: int, h: int, saw: Saw) -> list[Plan]:
    alone = Plan(0, 0, 0, 0, ("part", piece.kind))
    spare_w, spare_h = w - piece.w, h - piece.h
    if not spare_w and not spare_h:
        return [alone]
    if not spare_w:
        return [_cut(ACROSS_Y, piece.h, alone, _rest(w, spare_h, saw))]
    if not spare_h:
        return [_cut(ACROSS_X, piece.w, alone, _rest(spare_w, h, saw))]
    rows = _cut(ACROSS_X, piece.w, alone, _rest(spare_w, piece.h, saw))
    rows = _cut(ACROSS_Y, piece.h, rows, _rest(w, spare_h, saw))
    columns = _cut(ACROSS_Y, piece.h, alone, _rest(piece.w, spare_h, saw))
    columns = _cut(ACROSS_X, piece.w, columns, _rest(spare_w, h, saw))
    if saw.most_stages is None:
        return [rows if rows.largest >= columns.largest else columns]
    return [rows, columns]


class _Row:
    """Plans for pieces side by side, sorted by falling depth. Along: the direction they follow; deep: the other one."""

    def __init__(self, tree: Tree, saw: Saw) -> None:
        self.saw = saw
        self.axis = tree.axis
        self.parts = tree.parts
        flat = tree.axis == ACROSS_X
        self.longs = [part.w if flat else part.h for part in tree.parts]
        self.deeps = [part.h if flat else part.w for part in tree.parts]
        self.known: dict[tuple[int, int, int], list[Plan]] = {}
        self.parts_known: dict[tuple[int, int], list[Plan]] = {}
        # Many pieces in a row: trim first only before the first of them, to stay quick.
        self.stairs = len(tree.parts) <= _MOST_STAIRS and not saw.rough

    def plans(self, along: int, deep: int) -> list[Plan]:
        """Ways to saw the whole row out of a region."""
        return self._from(0, along, deep)

    def _region(self, along: int, deep: int) -> tuple[int, int]:
        return (along, deep) if self.axis == ACROSS_X else (deep, along)

    def _part(self, place: int, deep: int) -> list[Plan]:
        key = (place, deep)
        if key not in self.parts_known:
            self.parts_known[key] = plans(self.parts[place], *self._region(self.longs[place], deep), self.saw)
        return self.parts_known[key]

    def _from(self, place: int, along: int, deep: int) -> list[Plan]:
        """Ways to saw the pieces from ``place`` on out of what is left of the region."""
        if place == len(self.parts):
            return [_rest(*self._region(along, deep), self.saw)]
        key = (place, along, deep)
        found = self.known.get(key)
        if found is None:
            found = self.known[key] = self._worked_out(place, along, deep)
        return found

    def _worked_out(self, place: int, along: int, deep: int) -> list[Plan]:
        saw, axis = self.saw, self.axis
        long = self.longs[place]
        first = self._part(place, deep)
        if place == len(self.parts) - 1 and along == long:
            found = list(first)
        else:
            found = [
                _cut(axis, long, one, other)
                for other in self._from(place + 1, along - long, deep)
                for one in first
            ]
        need = self.deeps[place]
        if deep > need and (self.stairs or place == 0):
            strip = _rest(*self._region(along, deep - need), saw)
            found += [_cut(1 - axis, need, one, strip) for one in self._from(place, along, need)]
            # The rest beside the row first, at full depth, then the waste strip over what remains.
            row = sum(self.longs[place:])
            if along > row and self.stairs:
                beside = _rest(*self._region(along - row, deep), saw)
                over = _rest(*self._region(row, deep - need), saw)
                found += [
                    _cut(axis, row, _cut(1 - axis, need, one, over), beside)
                    for one in self._from(place, row, need)
                ]
        return saw.best_of(found)
