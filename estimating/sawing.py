"""A sawing plan as it is kept, told and drawn: stored as plain JSON, cut by cut in words, and laid out for a drawing.

``stored`` and ``read`` turn a layout into JSON and back without loss; lengths are whole nanometres with their text.
``drawn`` gives rectangles and lines of a drawing in which the sheet stands upright, its length and grain running up,
so that a phone and a page of paper are filled; coordinates count from the upper left, the longer side is 1000.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from estimating.sheets import Layout
from finishes.measures import Area, Length

__all__ = [
    "Box",
    "Drawing",
    "Line",
    "Placed",
    "Plan",
    "PlanCut",
    "PlanOffcut",
    "PlanSheet",
    "Source",
    "cut_words",
    "drawn",
    "exactly",
    "part_size",
    "read",
    "size_words",
    "stored",
]


@dataclass(frozen=True)
class Source:
    """Where a sheet comes from: a material to buy or a lot on hand, by number, with its name and size as typed."""

    where: str
    key: int
    name: str
    has_grain: bool = True


@dataclass(frozen=True)
class Placed:
    """A part on a sheet, ``place`` counting from 1 in the order of sawing the plan."""

    place: int
    name: str
    x: Length
    y: Length
    length: Length
    width: Length
    turned: bool


@dataclass(frozen=True)
class PlanCut:
    """One cut in the order of sawing; see ``estimating.sheets.Cut``."""

    number: int
    kind: str
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
class PlanOffcut:
    """A rest that goes back to stock."""

    x: Length
    y: Length
    length: Length
    width: Length

    @property
    def area(self) -> Area:
        """Length times width."""
        return self.length.by(self.width)


@dataclass(frozen=True)
class PlanSheet:
    """One sheet of the plan."""

    number: int
    source: Source
    length: Length
    width: Length
    trim: Length
    placed: tuple[Placed, ...]
    cuts: tuple[PlanCut, ...]
    offcuts: tuple[PlanOffcut, ...]

    @property
    def area(self) -> Area:
        """Of the whole sheet."""
        return self.length.by(self.width)


@dataclass(frozen=True)
class Plan:
    """All sheets, the saw cut reckoned with, and the bound beside the answer."""

    sheets: tuple[PlanSheet, ...]
    kerf: Length
    bound: str
    cut_count: int
    stages: int

    @property
    def parts(self) -> int:
        """How many parts it makes."""
        return sum(len(sheet.placed) for sheet in self.sheets)


def _put(length: Length) -> list[Any]:
    return [length.nm, length.text] if length.text else [length.nm]


def _got(value: Sequence[Any]) -> Length:
    return Length(int(value[0]), str(value[1]) if len(value) > 1 else "")


def stored(layout: Layout, sources: Mapping[str, Source], *, texts: Mapping[int, str]) -> dict[str, Any]:
    """The layout as JSON; ``sources`` by the names its sheets carry, ``texts`` what was typed for a length (by nm)."""

    def typed(length: Length) -> list[Any]:
        return _put(Length(length.nm, length.text or texts.get(length.nm, "")))

    sheets = []
    for sheet in layout.sheets:
        source = sources[sheet.sheet.name]
        # Read from where she starts to saw: from the lower left, strip by strip.
        ordered = sorted(sheet.placements, key=lambda p: (p.y.nm, p.x.nm))
        sheets.append(
            {
                "number": sheet.number,
                "source": [source.where, source.key, source.name, source.has_grain],
                "length": typed(sheet.sheet.length),
                "width": typed(sheet.sheet.width),
                "trim": _put(sheet.sheet.trim or Length(0)),
                "placed": [
                    [
                        placed.name,
                        placed.x.nm,
                        placed.y.nm,
                        typed(placed.length),
                        typed(placed.width),
                        placed.turned,
                    ]
                    for placed in ordered
                ],
                "cuts": [
                    [
                        cut.number,
                        cut.kind,
                        cut.stage,
                        cut.piece,
                        typed(cut.fence),
                        cut.yields,
                        cut.rest,
                        cut.x1.nm,
                        cut.y1.nm,
                        cut.x2.nm,
                        cut.y2.nm,
                    ]
                    for cut in sheet.cuts
                ],
                "offcuts": [
                    [offcut.x.nm, offcut.y.nm, typed(offcut.length), typed(offcut.width)]
                    for offcut in sheet.offcuts
                ],
            }
        )
    return {
        "kerf": _put(layout.kerf),
        "bound": layout.bound_text if layout.sheets_bought else "",
        "cuts": layout.cut_count,
        "stages": layout.stages,
        "sheets": sheets,
    }


def read(data: Mapping[str, Any]) -> Plan:
    """The plan that ``stored`` kept."""
    return Plan(
        sheets=tuple(_read_sheet(sheet) for sheet in data["sheets"]),
        kerf=_got(data["kerf"]),
        bound=data["bound"],
        cut_count=data["cuts"],
        stages=data["stages"],
    )


def _read_sheet(sheet: Mapping[str, Any]) -> PlanSheet:
    where, key, name, has_grain = sheet["source"]
    return PlanSheet(
        number=sheet["number"],
        source=Source(where, key, name, has_grain),
        length=_got(sheet["length"]),
        width=_got(sheet["width"]),
        trim=_got(sheet["trim"]),
        placed=tuple(
            Placed(place, row[0], Length(row[1]), Length(row[2]), _got(row[3]), _got(row[4]), row[5])
            for place, row in enumerate(sheet["placed"], start=1)
        ),
        cuts=tuple(
            PlanCut(row[0], row[1], row[2], row[3], _got(row[4]), row[5], row[6], *map(Length, row[7:11]))
            for row in sheet["cuts"]
        ),
        offcuts=tuple(
            PlanOffcut(Length(row[0]), Length(row[1]), _got(row[2]), _got(row[3])) for row in sheet["offcuts"]
        ),
    )


# In words


def exactly(length: Length, system: str) -> str:
    """A length as one sets a fence by it: as typed, else in the shop's units, with the exact one beside a rounded one."""
    if typed := length.as_typed(system):
        return typed
    shown = length.shown(system)
    if not shown.startswith("≈"):
        return shown
    other = length.in_mm(1) if system == "imperial" else length.in_inches()
    return shown if other.startswith("≈") else f"{shown} ({other})"


def size_words(length: Length, width: Length, system: str) -> str:
    """Length by width: the one with the grain first."""
    return f"{exactly(length, system)} × {exactly(width, system)}"


def cut_words(cut: PlanCut, sheet: PlanSheet, system: str) -> str:
    """One step as a stranger at the saw needs it, beginning with what to do."""
    fence = exactly(cut.fence, system)
    if cut.kind == "trim":
        return f"Trim {fence} off {_edge(cut, sheet)}."
    verb = "Rip" if cut.kind == "rip" else "Crosscut"
    comes = {"waste": "what comes off is waste", "offcut": "keep what comes off as an offcut"}.get(
        cut.yields, f"that is {cut.yields}"
    )
    if cut.rest.startswith("rest of"):
        left = "go on with the rest"
    else:
        left = {"waste": "the rest is waste", "offcut": "keep the rest as an offcut"}.get(
            cut.rest, f"what is left is {cut.rest}"
        )
    return f"{verb} {cut.piece} at {fence}: {comes}; {left}."


def _edge(cut: PlanCut, sheet: PlanSheet) -> str:
    if cut.y1 == cut.y2:
        return "the left long edge" if cut.y1.nm * 2 < sheet.width.nm else "the right long edge"
    return "the lower end" if cut.x1.nm * 2 < sheet.length.nm else "the upper end"


# Drawn

LONG = 1000
SMALLEST, LARGEST = 15.0, 32.0
# A letter of the face takes about so much of its size across.
LETTER = 0.62


@dataclass(frozen=True)
class Text:
    """A label in the middle of a box: its lines, their size, and whether they run up the box."""

    lines: tuple[str, ...]
    x: float
    y: float
    size: float
    upright: bool

    @property
    def line_places(self) -> list[tuple[str, float]]:
        """Each line with how far it stands below the middle."""
        middle = (len(self.lines) - 1) / 2
        return [(line, round((at - middle) * self.size * 1.15, 1)) for at, line in enumerate(self.lines)]


@dataclass(frozen=True)
class Box:
    """A part or an offcut in the drawing; ``place`` is the part's number, 0 for an offcut."""

    place: int
    x: float
    y: float
    width: float
    height: float
    text: Text
    title: str


@dataclass(frozen=True)
class Line:
    """A cut in the drawing, its number in a disc at its start."""

    number: int
    kind: str
    x1: float
    y1: float
    x2: float
    y2: float
    disc_x: float
    disc_y: float


@dataclass(frozen=True)
class Drawing:
    """A sheet to be drawn: ``width`` by ``height``, its parts, offcuts and cuts."""

    width: float
    height: float
    parts: tuple[Box, ...]
    offcuts: tuple[Box, ...]
    cuts: tuple[Line, ...]
    grain: tuple[float, ...]

    @property
    def view_box(self) -> str:
        """What an SVG of it shows, with room for the outer lines."""
        return f"-6 -6 {round(self.width + 12, 1)} {round(self.height + 12, 1)}"

    @property
    def has_numbers_only(self) -> bool:
        """Whether some part is too small for its name and shows its number."""
        return any(box.text.lines == (str(box.place),) for box in self.parts)


def drawn(sheet: PlanSheet, system: str, *, smallest: float = SMALLEST) -> Drawing:
    """The drawing of one sheet; a label that would be smaller than ``smallest`` gives way to the part's number."""
    scale = LONG / max(sheet.length.nm, sheet.width.nm)

    def across(y: Length) -> float:
        return round(y.nm * scale, 1)

    def down(x: Length) -> float:
        return round((sheet.length.nm - x.nm) * scale, 1)

    parts = []
    for placed in sheet.placed:
        size = part_size(placed, system)
        left, top = across(placed.y), down(placed.x + placed.length)
        wide, high = across(placed.width), round(placed.length.nm * scale, 1)
        text = _label((placed.name, size), str(placed.place), left, top, wide, high, smallest)
        parts.append(Box(placed.place, left, top, wide, high, text, f"{placed.place}. {placed.name}, {size}"))
    offcuts = []
    for offcut in sheet.offcuts:
        # Nobody sets a fence by an offcut: rounded will do.
        size = f"{offcut.length.shown(system)} × {offcut.width.shown(system)}"
        left, top = across(offcut.y), down(offcut.x + offcut.length)
        wide, high = across(offcut.width), round(offcut.length.nm * scale, 1)
        text = _label(("offcut", size), "", left, top, wide, high, smallest)
        offcuts.append(Box(0, left, top, wide, high, text, f"Offcut, {size}"))
    cuts = tuple(_line(cut, across, down) for cut in sheet.cuts)
    width, height = across(sheet.width), round(sheet.length.nm * scale, 1)
    grain: tuple[float, ...] = ()
    if sheet.source.has_grain:
        grain = tuple(round(width * step / 16, 1) for step in range(1, 16))
    return Drawing(width, height, tuple(parts), tuple(offcuts), cuts, grain)


def part_size(placed: Placed, system: str) -> str:
    """Length by width of a part, its own length first even where it lies turned."""
    # As she wrote it down: a turned part still has its own length first.
    if placed.turned:
        return size_words(placed.width, placed.length, system)
    return size_words(placed.length, placed.width, system)


def _label(
    lines: tuple[str, str], short: str, left: float, top: float, wide: float, high: float, smallest: float
) -> Text:
    x, y = round(left + wide / 2, 1), round(top + high / 2, 1)
    one_line = (f"{lines[0]}, {lines[1]}",)
    for words in (lines, one_line):
        longest = max(len(line) for line in words)
        for room, depth, upright in ((wide, high, False), (high, wide, True)):
            size = min(LARGEST, (room - 10) / (longest * LETTER), (depth - 6) / (len(words) * 1.15))
            if size >= smallest:
                return Text(words, x, y, round(size, 1), upright)
    # Only its number fits; the list beside the drawing says the rest.
    size = max(9.0, min(LARGEST, wide - 4, high - 4))
    return Text((short,), x, y, round(size, 1), False)


DISC = 13


def _line(cut: PlanCut, across: Any, down: Any) -> Line:
    x1, y1, x2, y2 = across(cut.y1), down(cut.x1), across(cut.y2), down(cut.x2)
    long = max(abs(x2 - x1), abs(y2 - y1))
    into = min(DISC + 2, long / 2)
    if y1 == y2:
        disc = (x1 + into, y1)
    else:
        disc = (x1, y1 - into)
    return Line(cut.number, cut.kind, x1, y1, x2, y2, round(disc[0], 1), round(disc[1], 1))
