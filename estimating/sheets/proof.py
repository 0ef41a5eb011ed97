"""A second look at a finished layout: does its cut tree really make the parts, and are the stated figures right?

Works from the instance and the layout as JSON alone, shares nothing with the search, and trusts no figure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

__all__ = ["faults"]

_Box = tuple[int, int, int, int]


def faults(instance: Mapping[str, Any], layout: Mapping[str, Any]) -> list[str]:
    """What is wrong with ``layout`` as an answer to ``instance``, in words; empty when all is well. Needs cut trees."""
    found: list[str] = []
    parts = {part["id"]: part for part in instance["parts"]}
    stock = {row["id"]: row for row in instance["stock"]}
    made: Counter[str] = Counter()
    used: Counter[str] = Counter()
    figures: Counter[str] = Counter()
    money = Fraction(0)
    stages = 0
    for number, sheet in enumerate(layout["sheets"], start=1):
        row = stock.get(sheet["stock"])
        if row is None:
            found.append(f"sheet {number}: no such stock {sheet['stock']!r}")
            continue
        used[row["id"]] += 1
        money += _exact(row.get("cost", 0))
        figures["bought"] += row.get("kind", "sheet") != "offcut"
        leaves: list[tuple[str, str, _Box]] = []
        try:
            cuts, depth = _saw(
                sheet["cut_tree"], _usable(instance, row), instance.get("kerf", 0), leaves, "", 0
            )
        except ValueError as fault:
            found.append(f"sheet {number}: {fault}")
            continue
        figures["cuts"] += cuts
        stages = max(stages, depth)
        claimed = [("part", p["part"], (p["x"], p["y"], p["w"], p["h"])) for p in sheet["placements"]]
        claimed += [("offcut", "", (o["x"], o["y"], o["w"], o["h"])) for o in sheet.get("offcuts", [])]
        if sorted(claimed) != sorted(leaves):
            found.append(f"sheet {number}: the cuts do not make what is drawn")
        filled = 0
        for kind, name, (_, _, w, h) in leaves:
            filled += w * h
            if kind == "part":
                made[name] += 1
                figures["part_area"] += w * h
                found += _misfit(parts.get(name), name, w, h, number)
        waste = row["w"] * row["h"] - filled
        figures["sheet_area"] += row["w"] * row["h"]
        figures["waste"] += waste
        if sheet["waste_area"] != waste:
            found.append(f"sheet {number}: waste is {waste}, not {sheet['waste_area']}")
    missing = Counter({row["part"]: row["qty"] for row in layout.get("not_placed", [])})
    for name, part in parts.items():
        if made[name] + missing[name] != part.get("qty", 1):
            found.append(
                f"part {name}: {made[name]} made and {missing[name]} given up of {part.get('qty', 1)}"
            )
    for name, count in used.items():
        limit = stock[name].get("qty")
        if limit is not None and count > limit:
            found.append(f"stock {name}: {count} used, {limit} there")
    told = {
        "sheets_used": len(layout["sheets"]),
        "sheets_bought": figures["bought"],
        "waste_area": figures["waste"],
        "cuts": figures["cuts"],
        "stages": stages,
    }
    found += [f"{key} is {value}, not {layout[key]}" for key, value in told.items() if layout[key] != value]
    if abs(_exact(layout["cost"]) - money) > Fraction(1, 10**9):
        found.append(f"cost is {float(money)}, not {layout['cost']}")
    share = figures["part_area"] / figures["sheet_area"] if figures["sheet_area"] else 0
    if abs(share - layout["utilisation"]) > 1e-4:
        found.append(f"utilisation is {share:.4f}, not {layout['utilisation']}")
    return found


def _exact(cost: Any) -> Fraction:
    return Fraction(repr(cost)) if isinstance(cost, float) else Fraction(cost)


def _usable(instance: Mapping[str, Any], row: Mapping[str, Any]) -> _Box:
    """Left, bottom, width and height inside the trims."""
    trim = row.get("trim", instance.get("trim", 0))
    if isinstance(trim, int):
        trim = dict.fromkeys(("left", "right", "bottom", "top"), trim)
    left, bottom = trim.get("left", 0), trim.get("bottom", 0)
    return left, bottom, row["w"] - left - trim.get("right", 0), row["h"] - bottom - trim.get("top", 0)


def _misfit(part: Mapping[str, Any] | None, name: str, w: int, h: int, number: int) -> list[str]:
    if part is None:
        return [f"sheet {number}: no such part {name!r}"]
    size = (part["w"], part["h"])
    if (w, h) == size or (part.get("rotate", False) and (h, w) == size):
        return []
    return [f"sheet {number}: part {name} comes out {w} x {h}"]


def _saw(
    node: Mapping[str, Any],
    box: _Box,
    kerf: int,
    leaves: list[tuple[str, str, _Box]],
    before: str,
    depth: int,
) -> tuple[int, int]:
    """Saws ``box`` as the tree says; the number of cuts and the deepest stage. Raises ValueError for an impossible cut."""
    x, y, w, h = box
    if w <= 0 or h <= 0:
        raise ValueError("a piece without size")
    if "cut" not in node:
        if "part" in node:
            leaves.append(("part", node["part"], box))
        elif "offcut" in node:
            leaves.append(("offcut", "", box))
        return 0, depth
    depth += node["cut"] != before
    across_x = node["cut"] == "v"
    start, size = (x, w) if across_x else (y, h)
    first = node["at"] - start
    rest = size - first - kerf
    if not 0 < first < size:
        raise ValueError(f"a cut at {node['at']} outside its piece")
    near = (x, y, first, h) if across_x else (x, y, w, first)
    cuts, deepest = _saw(node["a"], near, kerf, leaves, node["cut"], depth)
    deepest = max(deepest, depth)
    if "b" in node:
        if rest <= 0:
            raise ValueError(f"nothing is left beyond the cut at {node['at']}")
        far = (node["at"] + kerf, y, rest, h) if across_x else (x, node["at"] + kerf, w, rest)
        more, deep = _saw(node["b"], far, kerf, leaves, node["cut"], depth)
        cuts += more
        deepest = max(deepest, deep)
    return cuts + 1, deepest
