"""A layout problem in whole units: read from JSON, refused by field name, and put in one order whatever the input's.

The kerf is folded in: every part and every usable sheet is one kerf larger each way, so that folded pieces may touch.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from math import isfinite, lcm
from typing import Any

__all__ = ["BadInstance", "Kind", "Problem", "Stock", "read_problem"]

# More than a shop saws in one go; beyond it a quantity is a slip of the keyboard.
MOST_PIECES = 5_000
MOST_STOCK_KINDS = 500
# 10^15 nm is 1,000 km: nothing real is longer, and areas stay cheap to multiply.
LONGEST = 10**15
LONGEST_NAME = 200
MOST_COST = 10**12
# One step of money outweighs every sheet there could be.
PRICE_STEP = MOST_PIECES + 1


class BadInstance(ValueError):
    """An instance that cannot be read; the message begins with the field at fault."""


@dataclass(frozen=True)
class Kind:
    """Parts of one folded size and one grain rule; ``parts`` are (id, count) in order of id."""

    w: int
    h: int
    turns: bool
    parts: tuple[tuple[str, int], ...]

    @property
    def count(self) -> int:
        """How many pieces of this kind are wanted."""
        return sum(count for _, count in self.parts)


@dataclass(frozen=True)
class Stock:
    """One kind of sheet or offcut; ``w`` and ``h`` are the usable size with one kerf folded in."""

    name: str
    is_offcut: bool
    raw_w: int
    raw_h: int
    left: int
    right: int
    bottom: int
    top: int
    limit: int | None
    cost: int | float | Decimal
    w: int
    h: int


@dataclass(frozen=True)
class Problem:
    """Everything a layout depends on, in one canonical order; lengths in the instance's unit, kerf folded in."""

    kerf: int
    kinds: tuple[Kind, ...]
    stock: tuple[Stock, ...]
    # What the search minimises, per stock: money in whole steps first, then one for each sheet bought.
    prices: tuple[int, ...]
    # Steps of money in one unit of cost: 100 where costs have two decimals.
    money_steps: int
    # Least short side and least long side of an offcut worth keeping; None: a tenth of the sheet's short side.
    keep: tuple[int, int] | None
    max_stages: int | None = None

    @property
    def pieces(self) -> int:
        """How many pieces are wanted in all."""
        return sum(kind.count for kind in self.kinds)

    def keep_sides(self, stock: Stock) -> tuple[int, int]:
        """Least short and long side worth keeping from this stock."""
        if self.keep is not None:
            return self.keep
        tenth = max(1, -(-min(stock.raw_w, stock.raw_h) // 10))
        return tenth, tenth


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _whole(value: object, field: str, least: int, most: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise BadInstance(f"{field}: a whole number is wanted, not {_shown(value)}")
    if value < least:
        raise BadInstance(f"{field}: must be at least {least}, not {_shown(value)}")
    if value > most:
        raise BadInstance(f"{field}: must be at most {most}, not {_shown(value)}")
    return value


def _object(value: object, field: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise BadInstance(f"{field}: an object is wanted, not {_shown(value)}")
    return value


def _rows(instance: Mapping[str, Any], field: str) -> Sequence[Any]:
    if field not in instance:
        raise BadInstance(f"{field}: missing")
    rows = instance[field]
    if not isinstance(rows, Sequence) or isinstance(rows, (str, bytes)):
        raise BadInstance(f"{field}: a list is wanted, not {_shown(rows)}")
    return rows


def _need(row: Mapping[str, Any], key: str, field: str) -> Any:
    if key not in row:
        raise BadInstance(f"{field}.{key}: missing")
    return row[key]


def _name(row: Mapping[str, Any], field: str, seen: set[str]) -> str:
    name = _need(row, "id", field)
    if not isinstance(name, str) or not name or len(name) > LONGEST_NAME:
        raise BadInstance(
            f"{field}.id: a text of 1 to {LONGEST_NAME} characters is wanted, not {_shown(name)}"
        )
    if name in seen:
        raise BadInstance(f"{field}.id: {_shown(name)} comes twice")
    seen.add(name)
    return name


def _trim(value: object, field: str) -> tuple[int, int, int, int]:
    if isinstance(value, Mapping):
        for key in value:
            if key not in ("left", "right", "bottom", "top"):
                raise BadInstance(f"{field}.{key}: no such side; left, right, bottom and top are known")
        left, right, bottom, top = (
            _whole(value.get(side, 0), f"{field}.{side}", 0, LONGEST)
            for side in ("left", "right", "bottom", "top")
        )
        return left, right, bottom, top
    every = _whole(value, field, 0, LONGEST)
    return every, every, every, every


def _cost(value: object, field: str) -> int | float | Decimal:
    if isinstance(value, bool) or not isinstance(value, (int, float, Decimal)):
        raise BadInstance(f"{field}: a number is wanted, not {_shown(value)}")
    finite = value.is_finite() if isinstance(value, Decimal) else isfinite(value)
    if not finite or value < 0 or value > MOST_COST:
        raise BadInstance(f"{field}: must be from 0 to {MOST_COST}, not {_shown(value)}")
    return value


def exact_cost(value: int | float | Decimal) -> Fraction:
    """A cost exactly as it was written: 12.1 is 121/10."""
    return Fraction(repr(value)) if isinstance(value, float) else Fraction(value)


def _keep(instance: Mapping[str, Any]) -> tuple[int, int] | None:
    value = instance.get("min_offcut")
    if value is None:
        return None
    if isinstance(value, Mapping):
        sides = sorted(
            _whole(_need(value, side, "min_offcut"), f"min_offcut.{side}", 1, LONGEST) for side in ("w", "h")
        )
        return sides[0], sides[1]
    side = _whole(value, "min_offcut", 1, LONGEST)
    return side, side


def read_problem(instance: Mapping[str, Any], *, max_stages: int | None = None) -> Problem:
    """The problem in an instance's JSON; raises BadInstance, naming the field, for anything that makes no sense."""
    instance = _object(instance, "the input")
    kerf = _whole(instance.get("kerf", 0), "kerf", 0, LONGEST)
    trim = _trim(instance.get("trim", 0), "trim")
    if max_stages is None:
        max_stages = instance.get("max_stages")
    if max_stages is not None:
        max_stages = _whole(max_stages, "max_stages", 1, 1000)
    return Problem(
        kerf=kerf,
        kinds=_read_kinds(instance, kerf),
        **_read_stock(instance, kerf, trim),
        keep=_keep(instance),
        max_stages=max_stages,
    )


def _read_kinds(instance: Mapping[str, Any], kerf: int) -> tuple[Kind, ...]:
    gathered: dict[tuple[int, int, bool], list[tuple[str, int]]] = {}
    seen: set[str] = set()
    pieces = 0
    rows = _rows(instance, "parts")
    if not rows:
        raise BadInstance("parts: at least one part is wanted")
    for place, raw in enumerate(rows):
        field = f"parts[{place}]"
        row = _object(raw, field)
        name = _name(row, field, seen)
        w = _whole(_need(row, "w", field), f"{field}.w", 1, LONGEST)
        h = _whole(_need(row, "h", field), f"{field}.h", 1, LONGEST)
        count = _whole(row.get("qty", 1), f"{field}.qty", 1, MOST_PIECES)
        turns = row.get("rotate", False)
        if not isinstance(turns, bool):
            raise BadInstance(f"{field}.rotate: true or false is wanted, not {_shown(turns)}")
        pieces += count
        if pieces > MOST_PIECES:
            raise BadInstance(f"{field}.qty: more than {MOST_PIECES} pieces in all")
        if turns and w < h:
            w, h = h, w
        gathered.setdefault((w + kerf, h + kerf, turns and w != h), []).append((name, count))
    kinds = [Kind(w, h, turns, tuple(sorted(parts))) for (w, h, turns), parts in gathered.items()]
    return tuple(sorted(kinds, key=lambda kind: (-kind.w * kind.h, -kind.w, kind.turns)))


def _read_stock(instance: Mapping[str, Any], kerf: int, trim: tuple[int, int, int, int]) -> dict[str, Any]:
    rows = _rows(instance, "stock")
    if not rows:
        raise BadInstance("stock: at least one sheet or offcut is wanted")
    if len(rows) > MOST_STOCK_KINDS:
        raise BadInstance(f"stock: more than {MOST_STOCK_KINDS} rows")
    seen: set[str] = set()
    found: list[Stock] = []
    for place, raw in enumerate(rows):
        field = f"stock[{place}]"
        row = _object(raw, field)
        name = _name(row, field, seen)
        kind = row.get("kind", "sheet")
        if kind not in ("sheet", "offcut"):
            raise BadInstance(f"{field}.kind: sheet or offcut is wanted, not {_shown(kind)}")
        w = _whole(_need(row, "w", field), f"{field}.w", 1, LONGEST)
        h = _whole(_need(row, "h", field), f"{field}.h", 1, LONGEST)
        limit = row.get("qty")
        if limit is not None:
            limit = _whole(limit, f"{field}.qty", 0, 10**9)
        own = _trim(row["trim"], f"{field}.trim") if "trim" in row else trim
        left, right, bottom, top = own
        cost = _cost(row.get("cost", 0), f"{field}.cost")
        usable_w, usable_h = w - left - right, h - bottom - top
        folded = (usable_w + kerf, usable_h + kerf) if usable_w > 0 and usable_h > 0 else (0, 0)
        found.append(Stock(name, kind == "offcut", w, h, left, right, bottom, top, limit, cost, *folded))
    found.sort(key=lambda s: (not s.is_offcut, exact_cost(s.cost), s.w * s.h, s.w, s.name))
    costs = [exact_cost(stock.cost) for stock in found]
    whole = lcm(*(cost.denominator for cost in costs))
    prices = tuple(
        int(cost * whole) * PRICE_STEP + (0 if stock.is_offcut and stock.limit is not None else 1)
        for cost, stock in zip(costs, found, strict=True)
    )
    return {"stock": tuple(found), "prices": prices, "money_steps": whole}
