"""Sheet layout in the shop's words: panels and sheets in exact lengths in, a plan a person can saw from out.

Lengths are ``finishes.measures.Length``; inside, everything is counted in the largest unit that divides them all, so
inches and millimetres mix without rounding. x runs along a sheet's length and its grain, y along its width, both from
the lower left corner of the raw sheet.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import gcd
from typing import Any, Literal

from estimating.money import split
from estimating.sheets.answers import USUAL_ITERATIONS, solve
from finishes.measures import Area, Length

__all__ = ["Cut", "CutSheet", "Layout", "NotPlaced", "Offcut", "Panel", "Placement", "Sheet", "lay_out"]

_NONE = Length(0)


def _check_side(length: Length, what: str, *, zero: bool = False) -> None:
    if length.nm < 0 or (not zero and length.nm == 0):
        raise ValueError(f"The {what} must be more than nothing.")


@dataclass(frozen=True)
class Panel:
    """A rectangle to be cut, ``count`` times; its length lies along the grain where it ``follows_grain``."""

    name: str
    length: Length
    width: Length
    count: int = 1
    follows_grain: bool = True

    def __post_init__(self) -> None:
        _check_side(self.length, f"length of {self.name}")
        _check_side(self.width, f"width of {self.name}")
        if self.count < 1:
            raise ValueError(f"Say how many of {self.name} are wanted.")


@dataclass(frozen=True)
class Sheet:
    """A size of sheet to buy, or an offcut in the rack; ``count`` None: as many as needed. Grain runs along the length."""

    name: str
    length: Length
    width: Length
    price_cents: int
    count: int | None = None
    is_offcut: bool = False
    trim: Length | None = None

    def __post_init__(self) -> None:
        _check_side(self.length, f"length of {self.name}")
        _check_side(self.width, f"width of {self.name}")
        if self.price_cents < 0:
            raise ValueError(f"The price of {self.name} can't be below nothing.")
        if self.count is not None and self.count < 0:
            raise ValueError(f"There can't be fewer than no {self.name}.")
        if self.trim is not None:
            _check_side(self.trim, f"trim of {self.name}", zero=True)


@dataclass(frozen=True)
class Placement:
    """A panel on a sheet: the ``copy``-th of its name, lower left corner and size as it lies."""

    name: str
    copy: int
    x: Length
    y: Length
    length: Length
    width: Length
    turned: bool


@dataclass(frozen=True)
class Offcut:
    """A rest worth keeping, with the part of the sheet's price that goes with it by area."""

    x: Length
    y: Length
    length: Length
    width: Length
    share_cents: int

    @property
    def area(self) -> Area:
        """Length times width."""
        return Area(self.length.nm * self.width.nm)


@dataclass(frozen=True)
class Cut:
    """One cut, in the order of sawing.

    ``piece`` is what lies on the saw, ``fence`` how wide the piece that comes off is ("trim": how much edge goes),
    ``yields`` the piece that comes off and ``rest`` what remains; x1, y1, x2, y2 draw the line on the raw sheet.
    """

    number: int
    kind: Literal["trim", "rip", "cross"]
    stage: int
    piece: str
    fence: Length
    yields: str
    rest: str
    x1: Length
    y1: Length
    x2: Length
    y2: Length


@dataclass(frozen=True)
class CutSheet:
    """One sheet of the plan with everything cut from it."""

    number: int
    sheet: Sheet
    placements: tuple[Placement, ...]
    cuts: tuple[Cut, ...]
    offcuts: tuple[Offcut, ...]
    waste: Area

    @property
    def parts_share_cents(self) -> int:
        """The sheet's price less what goes with its offcuts: what the parts and the waste cost."""
        return self.sheet.price_cents - sum(offcut.share_cents for offcut in self.offcuts)


@dataclass(frozen=True)
class NotPlaced:
    """Panels that are on no sheet, and why."""

    name: str
    count: int
    reason: str


@dataclass(frozen=True)
class Layout:
    """A sheet-by-sheet plan with its figures; ``least_sheets`` and ``least_cents`` are what no plan can beat."""

    sheets: tuple[CutSheet, ...]
    not_placed: tuple[NotPlaced, ...]
    cost_cents: int
    least_cents: int
    least_sheets: int
    proved_cheapest: bool
    parts_area: Area
    sheet_area: Area
    offcut_area: Area
    waste: Area
    cut_count: int
    stages: int
    kerf: Length = field(default=_NONE)

    @property
    def bought(self) -> Mapping[Sheet, int]:
        """How many of each sheet to buy."""
        return self._counted(offcuts=False)

    @property
    def from_stock(self) -> Mapping[Sheet, int]:
        """How many of each offcut to take from the rack."""
        return self._counted(offcuts=True)

    def _counted(self, *, offcuts: bool) -> dict[Sheet, int]:
        found: dict[Sheet, int] = {}
        for cut_sheet in self.sheets:
            if cut_sheet.sheet.is_offcut == offcuts:
                found[cut_sheet.sheet] = found.get(cut_sheet.sheet, 0) + 1
        return found

    @property
    def sheets_bought(self) -> int:
        """How many sheets to buy in all."""
        return sum(self.bought.values())

    @property
    def utilisation(self) -> Fraction:
        """Area of the parts over area of all sheets and offcuts used, 0 to 1."""
        return Fraction(self.parts_area.amount, self.sheet_area.amount) if self.sheet_area else Fraction(0)

    @property
    def bound_text(self) -> str:
        """The bound beside the answer."""
        if self.not_placed:
            return "Not every part has a place."
        if self.proved_cheapest:
            return (
                f"At least {self.least_sheets}, this plan {self.sheets_bought}: nothing cheaper is possible."
            )
        return f"At least {self.least_sheets}, this plan {self.sheets_bought}: nothing cheaper was found."


def lay_out(
    panels: Sequence[Panel],
    sheets: Sequence[Sheet],
    *,
    kerf: Length,
    trim: Length = _NONE,
    keep: tuple[Length, Length] | None = None,
    max_stages: int | None = None,
    seed: int = 1,
    iterations: int | None = USUAL_ITERATIONS,
    seconds: float | None = None,
) -> Layout:
    """The cheapest plan found, with one large rest, then few cuts; the same for the same input in whatever order.

    ``trim`` comes off every edge of a sheet (a sheet's own trim goes before it). ``keep`` is the least length and
    width of an offcut worth keeping. ``seconds`` adds a deadline, which may end the search early on a slow machine.
    Raises ValueError for a kerf or trim below zero, or for nothing to cut or nothing to cut it from.
    """
    _check_side(kerf, "saw kerf", zero=True)
    _check_side(trim, "trim", zero=True)
    if not panels:
        raise ValueError("There is nothing to cut.")
    if not sheets:
        raise ValueError("There is no sheet to cut from.")
    ordered_panels = sorted(panels, key=lambda p: (p.name, p.length, p.width, p.follows_grain, p.count))
    ordered_sheets = sorted(
        sheets,
        key=lambda s: (s.name, s.length, s.width, s.price_cents, s.is_offcut, s.trim or trim, s.count or 0),
    )
    unit = _common_unit(ordered_panels, ordered_sheets, kerf, trim, keep)
    instance = _instance(ordered_panels, ordered_sheets, kerf=kerf, trim=trim, keep=keep, unit=unit)
    layout = solve(instance, seconds=seconds, seed=seed, iterations=iterations, max_stages=max_stages)
    return _Reading(layout, ordered_panels, ordered_sheets, kerf=kerf, trim=trim, unit=unit).layout()


def _common_unit(
    panels: Sequence[Panel],
    sheets: Sequence[Sheet],
    kerf: Length,
    trim: Length,
    keep: tuple[Length, Length] | None,
) -> int:
    """The largest number of nanometres that divides every length in the plan."""
    lengths = [side.nm for panel in panels for side in (panel.length, panel.width)]
    lengths += [side.nm for sheet in sheets for side in (sheet.length, sheet.width)]
    lengths += [sheet.trim.nm for sheet in sheets if sheet.trim is not None]
    lengths += [side.nm for side in keep or ()]
    return gcd(kerf.nm, trim.nm, *lengths)


def _instance(
    panels: Sequence[Panel],
    sheets: Sequence[Sheet],
    *,
    kerf: Length,
    trim: Length,
    keep: tuple[Length, Length] | None,
    unit: int,
) -> dict[str, Any]:
    instance: dict[str, Any] = {
        "kerf": kerf.nm // unit,
        "trim": trim.nm // unit,
        "stock": [
            {
                "id": f"{place:06}",
                "kind": "offcut" if sheet.is_offcut else "sheet",
                "w": sheet.length.nm // unit,
                "h": sheet.width.nm // unit,
                "qty": sheet.count,
                "cost": sheet.price_cents,
                "trim": (trim if sheet.trim is None else sheet.trim).nm // unit,
            }
            for place, sheet in enumerate(sheets)
        ],
        "parts": [
            {
                "id": f"{place:06}",
                "w": panel.length.nm // unit,
                "h": panel.width.nm // unit,
                "qty": panel.count,
                "rotate": not panel.follows_grain,
            }
            for place, panel in enumerate(panels)
        ],
    }
    if keep is not None:
        least = [max(1, side.nm // unit) for side in keep]
        instance["min_offcut"] = {"w": least[0], "h": least[1]}
    return instance


class _Reading:
    """A layout's JSON turned back into lengths, names and cuts in order."""

    def __init__(
        self,
        layout: Mapping[str, Any],
        panels: Sequence[Panel],
        sheets: Sequence[Sheet],
        *,
        kerf: Length,
        trim: Length,
        unit: int,
    ) -> None:
        self.json = layout
        self.panels = panels
        self.stock = sheets
        self.kerf = kerf
        self.trim = trim
        self.unit = unit
        self.copies: dict[str, int] = {}

    def layout(self) -> Layout:
        """The whole plan."""
        found = tuple(self._sheet(number, sheet) for number, sheet in enumerate(self.json["sheets"], start=1))
        missing = tuple(
            NotPlaced(self.panels[int(row["part"])].name, row["qty"], row["reason"])
            for row in self.json.get("not_placed", ())
        )
        placements = [placement for sheet in found for placement in sheet.placements]
        return Layout(
            sheets=found,
            not_placed=missing,
            cost_cents=int(self.json["cost"]),
            least_cents=int(self.json["least_cost"]),
            least_sheets=self.json["least_sheets"],
            proved_cheapest=self.json["proved_cheapest"],
            parts_area=Area(sum(p.length.nm * p.width.nm for p in placements)),
            sheet_area=Area(sum(s.sheet.length.nm * s.sheet.width.nm for s in found)),
            offcut_area=Area(sum(offcut.area.amount for sheet in found for offcut in sheet.offcuts)),
            waste=Area(sum(sheet.waste.amount for sheet in found)),
            cut_count=self.json["cuts"],
            stages=self.json["stages"],
            kerf=self.kerf,
        )

    def _length(self, units: int) -> Length:
        return Length(units * self.unit)

    def _sheet(self, number: int, drawn: Mapping[str, Any]) -> CutSheet:
        sheet = self.stock[int(drawn["stock"])]
        placements = []
        for put in drawn["placements"]:
            panel = self.panels[int(put["part"])]
            self.copies[put["part"]] = copy = self.copies.get(put["part"], 0) + 1
            length, width = self._length(put["w"]), self._length(put["h"])
            turned = (length, width) != (panel.length, panel.width)
            placements.append(
                Placement(
                    panel.name, copy, self._length(put["x"]), self._length(put["y"]), length, width, turned
                )
            )
        offcuts = tuple(self._offcuts(sheet, drawn["offcuts"]))
        cuts = tuple(_Sawing(self, sheet, number).cuts(drawn["cut_tree"]))
        waste = Area(drawn["waste_area"] * self.unit**2)
        return CutSheet(number, sheet, tuple(placements), cuts, offcuts, waste)

    def _offcuts(self, sheet: Sheet, boxes: Sequence[Mapping[str, int]]) -> Iterator[Offcut]:
        whole = sheet.length.nm * sheet.width.nm
        areas = [box["w"] * box["h"] * self.unit**2 for box in boxes]
        shares = split(sheet.price_cents, [whole - sum(areas), *areas])[1:]
        for box, share in zip(boxes, shares, strict=True):
            x, y, length, width = (self._length(box[key]) for key in ("x", "y", "w", "h"))
            yield Offcut(x, y, length, width, share)


_Box = tuple[int, int, int, int]


class _Sawing:
    """Walks a cut tree in the order of sawing: all cuts in one direction first, then each piece that came off."""

    def __init__(self, reading: _Reading, sheet: Sheet, number: int) -> None:
        self.reading = reading
        self.sheet = sheet
        self.whole = f"sheet {number}"
        self.done = 0

    def cuts(self, tree: Mapping[str, Any]) -> Iterator[Cut]:
        """Trims, then rips and crosscuts, numbered from 1."""
        sheet, reading = self.sheet, self.reading
        trim = reading.trim if sheet.trim is None else sheet.trim
        length, width = sheet.length.nm, sheet.width.nm
        if trim:
            edges = (
                (0, trim.nm, length, trim.nm),
                (0, width - trim.nm, length, width - trim.nm),
                (trim.nm, 0, trim.nm, width),
                (length - trim.nm, 0, length - trim.nm, width),
            )
            for line in edges:
                yield self._cut("trim", 0, self.whole, trim, "waste", self.whole, line)
        box = (trim.nm, trim.nm, length - 2 * trim.nm, width - 2 * trim.nm)
        yield from self._sawn(tree, box, self.whole, "", 1)

    def _cut(
        self,
        kind: Literal["trim", "rip", "cross"],
        stage: int,
        piece: str,
        fence: Length,
        yields: str,
        rest: str,
        line: _Box,
    ) -> Cut:
        self.done += 1
        x1, y1, x2, y2 = (Length(end) for end in line)
        return Cut(self.done, kind, stage, piece, fence, yields, rest, x1, y1, x2, y2)

    def _name(self, node: Mapping[str, Any] | None, label: str) -> str:
        if node is None or "waste" in node:
            return "waste"
        if "offcut" in node:
            return "offcut"
        if "part" in node:
            return self.reading.panels[int(node["part"])].name
        return f"piece {label}"

    def _sawn(self, node: Mapping[str, Any], box: _Box, piece: str, label: str, stage: int) -> Iterator[Cut]:
        if "cut" not in node:
            return
        unit, kerf = self.reading.unit, self.reading.kerf.nm
        way = node["cut"]
        off: list[tuple[Mapping[str, Any], _Box, str]] = []
        rest: Mapping[str, Any] | None = node
        while rest is not None and rest.get("cut") == way:
            at = rest["at"] * unit
            x, y, w, h = box
            mark = _mark(label, len(off))
            near = (x, y, at - x, h) if way == "v" else (x, y, w, at - y)
            line = (at, y, at, y + h) if way == "v" else (x, at, x + w, at)
            box = (at + kerf, y, x + w - at - kerf, h) if way == "v" else (x, at + kerf, w, y + h - at - kerf)
            off.append((rest["a"], near, mark))
            beyond = rest.get("b")
            goes_on = beyond is not None and beyond.get("cut") == way
            left = f"rest of {piece}" if goes_on else self._name(beyond, _mark(label, len(off)))
            yield self._cut(
                "cross" if way == "v" else "rip",
                stage,
                piece if len(off) == 1 else f"rest of {piece}",
                Length(near[2] if way == "v" else near[3]),
                self._name(rest["a"], mark),
                left,
                line,
            )
            rest = beyond
        if rest is not None:
            off.append((rest, box, _mark(label, len(off))))
        for part, place, mark in off:
            yield from self._sawn(part, place, f"piece {mark}", mark, stage + 1)


def _mark(label: str, place: int) -> str:
    """A piece's mark under its parent's: A, B, ... then A1, A2, ... then A1a, ..."""
    if label and not label[-1].isdigit():
        return f"{label}{place + 1}"
    first = "a" if label else "A"
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(ord(first) + rest) + letters
    return label + letters
