"""The cut sheet: each sheet of a sawing plan on a page of its own, drawn large, with its cuts in order. No prices on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reportlab.lib import colors
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph, Table, TableStyle

from estimating.papers.page import Sheet, printable
from estimating.sawing import Box, Drawing

# The drawing leaves room for the cuts beside it.
MOST_WIDE, MOST_HIGH = 108 * mm, 205 * mm
GAP = 5 * mm
# What is drawn smaller than this is not read at arm's length.
SMALLEST_POINTS = 10.5
WASTE = colors.Color(0.86, 0.86, 0.86)
FAINT = colors.Color(0.72, 0.72, 0.72)


@dataclass(frozen=True)
class CutPage:
    """One sheet to be printed: its heading, drawing, parts (number, words, whether cut) and cuts in words."""

    heading: str
    size: str
    source: str
    drawing: Drawing
    parts: Sequence[tuple[int, str, bool]]
    cuts: Sequence[tuple[int, str]]


@dataclass(frozen=True)
class CutSheetPaper:
    """A finished cut sheet."""

    shop: str
    piece: str
    title: str
    printed_on: str
    facts: str
    pages: Sequence[CutPage]
    notes: Sequence[str] = ()


def scale_of(drawing: Drawing) -> float:
    """Points a unit of the drawing takes on the page."""
    return min(MOST_WIDE / drawing.width, MOST_HIGH / drawing.height)


class SheetDrawing(Flowable):
    """A sheet with its parts, offcuts, cuts and grain; waste is grey, offcuts are dashed."""

    def __init__(self, drawing: Drawing, *, plain: str, bold: str) -> None:
        super().__init__()
        self.drawing = drawing
        self.scale = scale_of(drawing)
        self.plain, self.bold = plain, bold

    def wrap(self, _available_width: float, _available_height: float) -> tuple[float, float]:
        return self.drawing.width * self.scale, self.drawing.height * self.scale + 2

    def draw(self) -> None:
        canvas, drawing = self.canv, self.drawing
        canvas.setFillColor(WASTE)
        canvas.setStrokeColor(colors.black)
        canvas.setLineWidth(1.2)
        self._rectangle(canvas, 0, 0, drawing.width, drawing.height)
        for box in (*drawing.offcuts, *drawing.parts):
            self._box(canvas, box, is_offcut=box.place == 0)
        self._grain(canvas)
        for cut in drawing.cuts:
            canvas.setLineWidth(0.9)
            canvas.setDash(1, 2) if cut.kind == "trim" else canvas.setDash()
            canvas.line(*self._point(cut.x1, cut.y1), *self._point(cut.x2, cut.y2))
        canvas.setDash()
        for cut in drawing.cuts:
            self._disc(canvas, cut.number, cut.disc_x, cut.disc_y)

    def _point(self, x: float, y: float) -> tuple[float, float]:
        return x * self.scale, (self.drawing.height - y) * self.scale

    def _rectangle(self, canvas: Canvas, x: float, y: float, width: float, height: float) -> None:
        left, bottom = self._point(x, y + height)
        canvas.rect(left, bottom, width * self.scale, height * self.scale, fill=1, stroke=1)

    def _box(self, canvas: Canvas, box: Box, *, is_offcut: bool) -> None:
        canvas.setFillColor(colors.white)
        canvas.setStrokeColor(colors.black)
        canvas.setLineWidth(0.7)
        canvas.setDash(4, 3) if is_offcut else canvas.setDash()
        self._rectangle(canvas, box.x, box.y, box.width, box.height)
        canvas.setDash()
        canvas.setFillColor(colors.black)
        text = box.text
        canvas.saveState()
        canvas.translate(*self._point(text.x, text.y))
        if text.upright:
            canvas.rotate(90)
        for at, (line, below) in enumerate(text.line_places):
            words = printable(line)
            face = self.plain if is_offcut or at else self.bold
            size = text.size * self.scale
            room = (box.height if text.upright else box.width) * self.scale - 3
            wide = stringWidth(words, face, size)
            size = size * room / wide if wide > room > 0 else size
            canvas.setFont(face, size)
            canvas.drawCentredString(0, -below * self.scale - size * 0.35, words)
        canvas.restoreState()

    def _grain(self, canvas: Canvas) -> None:
        if not self.drawing.grain:
            return
        # Two arrows at the upper right tell the way of the grain without lying over a label.
        canvas.setStrokeColor(FAINT)
        canvas.setLineWidth(0.5)
        for x in self.drawing.grain[::3]:
            for y in (0.02, 0.94):
                start = self._point(x, self.drawing.height * y)
                canvas.line(start[0], start[1], start[0], start[1] - self.drawing.height * 0.04 * self.scale)
        canvas.setStrokeColor(colors.black)

    def _disc(self, canvas: Canvas, number: int, x: float, y: float) -> None:
        across, up = self._point(x, y)
        canvas.setFillColor(colors.black)
        canvas.circle(across, up, 6.4, fill=1, stroke=0)
        canvas.setFillColor(colors.white)
        canvas.setFont(self.bold, 8 if number < 100 else 6.5)
        canvas.drawCentredString(across, up - 2.9, str(number))
        canvas.setFillColor(colors.black)


def _column(paper: Sheet, page: CutPage, points: float) -> list[Paragraph]:
    text, strong = paper.sized(points), paper.sized(points + 1, strong=True)
    rows = [paper.paragraph("Cuts, in order", strong)]
    rows += [paper.paragraph(f"{number}.  {words}", text) for number, words in page.cuts]
    rows.append(paper.paragraph(" ", text))
    rows.append(paper.paragraph("Parts", strong))
    for number, words, is_cut in page.parts:
        rows.append(paper.paragraph(f"{'[x]' if is_cut else '[  ]'}  {number}.  {words}", text))
    return rows


def _tall(rows: Sequence[Paragraph], width: float) -> float:
    return sum(row.wrap(width, 10_000)[1] + 1.5 for row in rows)


def cut_sheet(sheet: CutSheetPaper, *, size: str) -> bytes:
    """The cut sheet as PDF; does no sums."""
    paper = Sheet(size=size, title=f"Cut sheet: {sheet.title}", shop=sheet.shop)
    bold = paper.bold.fontName
    for page in sheet.pages:
        paper.new_page()
        paper.say(page.heading, paper.name)
        paper.say(f"{page.source} · {page.size}", paper.sized(11))
        paper.say(f"{sheet.piece} · {sheet.title} · {sheet.facts} · printed {sheet.printed_on}", paper.small)
        paper.space(2)
        drawing = SheetDrawing(page.drawing, plain=paper.plain_face, bold=bold)
        wide, _ = drawing.wrap(0, 0)
        rest = paper.width - wide - GAP
        # Headings and notes above and below take about this much.
        room = paper.height - 24 * mm
        beside = next(
            (
                rows
                for points in (11, 10, 9, 8.5)
                if _tall(rows := _column(paper, page, points), rest - 2) <= room
            ),
            None,
        )
        cells = [
            [drawing, beside if beside is not None else [paper.paragraph("The cuts are on the next page.")]]
        ]
        table = Table(cells, colWidths=[wide + GAP, rest], hAlign="LEFT")
        table.setStyle(
            TableStyle(
                [
                    ("VALIGN", (0, 0), (-1, -1), "TOP"),
                    ("LEFTPADDING", (0, 0), (-1, -1), 0),
                    ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                    ("TOPPADDING", (0, 0), (-1, -1), 0),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
                ]
            )
        )
        paper.put(table)
        if beside is None:
            paper.new_page()
            for row in _column(paper, page, 11):
                paper.put(row)
    if sheet.notes:
        paper.space(3)
        for note in sheet.notes:
            paper.say(note, paper.small)
    return paper.as_bytes()
