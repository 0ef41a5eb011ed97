"""``solve``: an instance's JSON in, a checked layout's JSON out. ``compute`` is the same for the command line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from itertools import chain
from logging import getLogger
from pathlib import Path
from time import CLOCK_BOOTTIME, clock_gettime, perf_counter, process_time
from typing import TYPE_CHECKING, Any

from estimating.sheets.pattern import ACROSS_X
from estimating.sheets.problem import PRICE_STEP, BadInstance, Kind, Problem, Stock, exact_cost, read_problem
from estimating.sheets.proof import faults
from estimating.sheets.search import Clock, Found, Sawn, search

if TYPE_CHECKING:
    from estimating.compute import Options

__all__ = ["COMPUTE_HELP", "compute", "solve"]

log = getLogger(__name__)

# Rounds of the search when neither a time nor a count is asked for: about half a second, the same on any machine.
USUAL_ITERATIONS = 6_000
USUAL_SECONDS = 1.0
# Time kept back for drawing up and checking the answer, and for each piece of it.
_KEPT_BACK = 0.02
_KEPT_BACK_A_PIECE = 0.0003
_MOST_KEPT_BACK = 0.4
_MOST_SECONDS = 3600
# What a program takes to write its answer and leave.
_TO_LEAVE = 0.03

COMPUTE_HELP = """\
Lays parts out on sheets with guillotine cuts: least money, then one large reusable rectangle, then fewer cuts.

in   {"kerf": int, "trim": {"left","right","bottom","top"} or int,
      "stock": [{"id", "kind": "sheet"|"offcut", "w", "h", "qty": int|null, "cost", "trim"?}],
      "parts": [{"id", "w", "h", "qty", "rotate": bool}],
      "min_offcut"?: {"w","h"} or int, "max_stages"?: int}
     Whole numbers in one unit. Grain runs along the stock's w; "rotate": false keeps a part as it is written.
     qty null means as many as needed. min_offcut: least sides of a rest worth keeping (a tenth of the sheet if not given).
out  {"sheets": [{"stock", "placements": [{"part","x","y","w","h"}], "offcuts": [{"x","y","w","h"}],
                  "waste_area", "cut_tree"}],
      "sheets_used", "sheets_bought", "cost", "waste_area", "utilisation", "cuts", "stages",
      "least_sheets", "least_cost": what no layout can beat, "proved_cheapest": bool,
      "not_placed"?: [{"part","qty","reason"}]}
     cut_tree: {"cut": "v"|"h", "at", "a", "b"?} down to {"part": id}, {"offcut": true} or {"waste": true}.

--seconds S (1): the whole time, start of the program included. --iterations N: rounds instead of time; the same
instance, seed and N give the same layout. --seed N (1). --max-stages N: at most so many stages of cuts.

example  {"kerf": 4, "trim": 8, "stock": [{"id": "full", "kind": "sheet", "w": 3072, "h": 1536, "qty": null, "cost": 64}],
          "parts": [{"id": "side", "w": 1484, "h": 610, "qty": 2, "rotate": false}]}
"""


def solve(
    instance: Mapping[str, Any],
    *,
    seconds: float | None = None,
    seed: int = 1,
    iterations: int | None = None,
    max_stages: int | None = None,
) -> dict[str, Any]:
    """The best layout found, as JSON that has been checked; raises BadInstance for an instance that makes no sense.

    ``seconds`` is a deadline; ``iterations`` a number of rounds, which alone makes the answer the same every time.
    With neither, a usual number of rounds is run.
    """
    started = perf_counter()
    problem = read_problem(instance, max_stages=max_stages)
    _check_settings(seconds, seed, iterations)
    if seconds is None and iterations is None:
        iterations = USUAL_ITERATIONS
    deadline = None
    if seconds is not None:
        kept_back = min(seconds / 2, _MOST_KEPT_BACK, _KEPT_BACK + _KEPT_BACK_A_PIECE * problem.pieces)
        deadline = started + seconds - kept_back
    reasons = [_why_not(kind, problem) for kind in problem.kinds]
    counts = [0 if reason else kind.count for kind, reason in zip(problem.kinds, reasons, strict=True)]
    try:
        found = search(problem, counts, clock=Clock(deadline=deadline, rounds=iterations), seed=seed)
        layout = _drawn_up(problem, reasons, found)
        wrong = faults(instance, layout)
    except Exception:
        # An answer is owed even then; the fault is ours and goes to the log.
        log.exception("the search for a layout failed")
        wrong = ["no layout"]
    if wrong:
        log.error("a layout did not check: %s", wrong[0])
        found = search(problem, counts, clock=Clock(deadline=None, rounds=0), seed=seed)
        layout = _drawn_up(problem, reasons, found)
        wrong = faults(instance, layout)
        if wrong:
            raise RuntimeError(f"the layout does not check: {wrong[0]}")
    return layout


def compute(payload: Mapping[str, Any], options: Options | None = None) -> dict[str, Any]:
    """The answer of ``compute sheets``; the shapes are in ``COMPUTE_HELP``. Raises ValueError with one clear line.

    A time limit counts from the start of a young process, as the person waiting does.
    """
    seconds = options.seconds if options else None
    iterations = options.iterations if options else None
    seed = options.seed if options and options.seed is not None else 1
    if seconds is None and iterations is None:
        seconds = USUAL_SECONDS
    if seconds is not None:
        age = _age_of_process()
        if age < seconds + 1:
            seconds = max(seconds - age - _TO_LEAVE, seconds / 8)
    stages = options.max_stages if options else None
    return solve(payload, seconds=seconds, seed=seed, iterations=iterations, max_stages=stages)


def _age_of_process() -> float:
    """Seconds since this process started, where the system tells; else the processor time it has used."""
    try:
        after_name = Path("/proc/self/stat").read_text().rpartition(")")[2].split()
        # Field 22 of proc(5), in hundredths of a second on every Linux we know.
        return max(0.0, clock_gettime(CLOCK_BOOTTIME) - int(after_name[19]) / 100)
    except (OSError, ValueError, IndexError):
        return process_time()


def _check_settings(seconds: float | None, seed: int, iterations: int | None) -> None:
    if isinstance(seed, bool) or not isinstance(seed, int):
        raise BadInstance(f"seed: a whole number is wanted, not {seed!r}")
    if seconds is not None and not 0 < seconds <= _MOST_SECONDS:
        raise BadInstance(f"seconds: must be above 0 and at most {_MOST_SECONDS}, not {seconds!r}")
    if iterations is not None and (
        isinstance(iterations, bool) or not isinstance(iterations, int) or iterations < 0
    ):
        raise BadInstance(f"iterations: a whole number from 0 up is wanted, not {iterations!r}")


# -- parts that fit nowhere --------------------------------------------------------------------------------------------

USED_UP = "the stock on hand is used up"
NO_STOCK = "there is no sheet to cut it from"
ALL_TRIMMED = "nothing is left of any sheet once its edges are trimmed"
AGAINST_GRAIN = "it would fit only turned, against its grain"
TOO_LARGE_TRIMMED = "it fits a whole sheet only before the edges are trimmed"
TOO_LARGE = "it is larger than every sheet"
TOO_MANY_STAGES = "it would take more stages of cuts than allowed"


def _goes(kind: Kind, stock: Stock) -> bool:
    return (kind.w <= stock.w and kind.h <= stock.h) or (
        kind.turns and kind.h <= stock.w and kind.w <= stock.h
    )


def _why_not(kind: Kind, problem: Problem) -> str | None:
    """Why a part fits on no sheet at all, or None if it does."""
    there = [stock for stock in problem.stock if stock.limit is None or stock.limit > 0]
    if not there:
        return NO_STOCK
    fitting = [stock for stock in there if stock.w > 0 and _goes(kind, stock)]
    if fitting:
        if problem.max_stages == 1 and not any(_in_one_stage(kind, stock) for stock in fitting):
            return TOO_MANY_STAGES
        return None
    if all(stock.w <= 0 for stock in there):
        return ALL_TRIMMED
    if any(_goes(replace(kind, turns=True), stock) for stock in there if stock.w > 0):
        return AGAINST_GRAIN
    raw = [replace(stock, w=stock.raw_w + problem.kerf, h=stock.raw_h + problem.kerf) for stock in there]
    return TOO_LARGE_TRIMMED if any(_goes(kind, stock) for stock in raw) else TOO_LARGE


def _in_one_stage(kind: Kind, stock: Stock) -> bool:
    ways = [(kind.w, kind.h)] + ([(kind.h, kind.w)] if kind.turns else [])
    return any(w <= stock.w and h <= stock.h and (w == stock.w or h == stock.h) for w, h in ways)


# -- the layout as JSON ------------------------------------------------------------------------------------------------


def _drawn_up(problem: Problem, reasons: list[str | None], found: Found) -> dict[str, Any]:
    names = [chain.from_iterable([name] * count for name, count in kind.parts) for kind in problem.kinds]
    sheets = []
    sheet_area = part_area = waste = cuts = stages = bought = 0
    cost = Fraction(0)
    for sawn in found.sheets:
        stock = problem.stock[sawn.stock]
        sheet = _Drawing(problem, stock, names).of(sawn)
        area = sum(part["w"] * part["h"] for part in sheet["placements"])
        sheets.append(sheet)
        sheet_area += stock.raw_w * stock.raw_h
        part_area += area
        waste += sheet["waste_area"]
        cuts += sawn.plan.cuts
        stages = max(stages, sawn.plan.stages)
        bought += not stock.is_offcut
        cost += exact_cost(stock.cost)
    layout = {
        "sheets": sheets,
        "sheets_used": len(sheets),
        "sheets_bought": bought,
        "cost": _number(cost),
        "waste_area": waste,
        "utilisation": round(part_area / sheet_area, 6) if sheet_area else 0,
        "cuts": cuts,
        "stages": stages,
        "least_sheets": found.least_bought,
        "least_cost": _number(_money(problem, found.least_price)),
        "proved_cheapest": found.proved,
    }
    missing = _not_placed(problem, reasons, found)
    if missing:
        layout["not_placed"] = missing
    return layout


def _money(problem: Problem, price: int) -> Fraction:
    """What a price of the search is in the instance's own money."""
    return Fraction(price // PRICE_STEP, problem.money_steps)


def _number(value: Fraction) -> int | float:
    return value.numerator if value.denominator == 1 else float(value)


def _not_placed(problem: Problem, reasons: list[str | None], found: Found) -> list[dict[str, Any]]:
    left = Counter(found.left)
    rows = []
    for place, (kind, reason) in enumerate(zip(problem.kinds, reasons, strict=True)):
        short = kind.count if reason else left[place]
        # Pieces are handed out in order of id, so what is missing is missing from the end.
        for name, count in reversed(kind.parts):
            missing = min(short, count)
            short -= missing
            if missing:
                rows.append({"part": name, "qty": missing, "reason": reason or USED_UP})
    return sorted(rows, key=lambda row: row["part"])


class _Drawing:
    """Turns a plan into placements, offcuts and a cut tree in raw sheet coordinates."""

    def __init__(self, problem: Problem, stock: Stock, names: list[Any]) -> None:
        self.kerf = problem.kerf
        self.keep = problem.keep_sides(stock)
        self.stock = stock
        self.names = names
        self.placements: list[dict[str, Any]] = []
        self.offcuts: list[dict[str, int]] = []

    def of(self, sawn: Sawn) -> dict[str, Any]:
        """The sheet's entry in the layout."""
        stock = self.stock
        tree = self._node(sawn.plan.node, stock.left, stock.bottom, stock.w, stock.h)
        filled = sum(box["w"] * box["h"] for box in chain(self.placements, self.offcuts))
        return {
            "stock": stock.name,
            "placements": self.placements,
            "offcuts": self.offcuts,
            "waste_area": stock.raw_w * stock.raw_h - filled,
            "cut_tree": tree,
        }

    def _node(self, node: tuple[Any, ...], x: int, y: int, w: int, h: int) -> dict[str, Any]:
        """A region at (x, y) of folded size w by h."""
        kerf = self.kerf
        if node[0] == "part":
            name = next(self.names[node[1]])
            self.placements.append({"part": name, "x": x, "y": y, "w": w - kerf, "h": h - kerf})
            return {"part": name}
        if node[0] == "rest":
            sides = sorted((w - kerf, h - kerf))
            if sides[0] >= self.keep[0] and sides[1] >= self.keep[1]:
                self.offcuts.append({"x": x, "y": y, "w": w - kerf, "h": h - kerf})
                return {"offcut": True}
            return {"waste": True}
        _, axis, far, first, second = node
        if axis == ACROSS_X:
            cut = {"cut": "v", "at": x + far - kerf, "a": self._node(first, x, y, far, h)}
            if w - far > kerf:
                cut["b"] = self._node(second, x + far, y, w - far, h)
        else:
            cut = {"cut": "h", "at": y + far - kerf, "a": self._node(first, x, y, w, far)}
            if h - far > kerf:
                cut["b"] = self._node(second, x, y + far, w, h - far)
        return cut
