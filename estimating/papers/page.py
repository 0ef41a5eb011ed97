"""The sheet of paper every document is set on: size, margins, type, running heads, tables that repeat their heading.

Black on white throughout, so that a laser printer loses nothing. Figures are set flush right.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import reportlab
from reportlab.lib import colors
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

SIZES = {"letter": LETTER, "a4": A4}
MARGIN = 16 * mm
FOOT = 9 * mm
# A heading, a table's head and two rows.
HEADING_NEEDS = 30 * mm

# Vera comes with reportlab; DejaVu, its larger sister, knows more letters and is taken where the machine has it.
DEJAVU = Path("/usr/share/fonts/truetype/dejavu")
VERA = Path(reportlab.__file__).parent / "fonts"


@cache
def _fonts() -> tuple[str, str]:
    """Registers the plain and the bold face once, and answers their names."""
    found = (DEJAVU / "DejaVuSans.ttf", DEJAVU / "DejaVuSans-Bold.ttf")
    plain, bold = found if all(file.exists() for file in found) else (VERA / "Vera.ttf", VERA / "VeraBd.ttf")
    pdfmetrics.registerFont(TTFont("Shop", str(plain)))
    pdfmetrics.registerFont(TTFont("Shop-Bold", str(bold)))
    pdfmetrics.registerFontFamily(
        "Shop", normal="Shop", bold="Shop-Bold", italic="Shop", boldItalic="Shop-Bold"
    )
    return "Shop", "Shop-Bold"


def printable(text: str) -> str:
    """``text`` with what the face cannot print replaced by its plain letter, or by "?" where there is none."""
    plain, _ = _fonts()
    known = pdfmetrics.getFont(plain).face.charToGlyph
    out = []
    for sign in str(text):
        if ord(sign) in known or sign in "\n\t ":
            out.append(sign)
            continue
        bare = "".join(c for c in unicodedata.normalize("NFKD", sign) if not unicodedata.combining(c))
        out.append(bare if bare and all(ord(c) in known for c in bare) else "?")
    return "".join(out)


@dataclass(frozen=True)
class Column:
    """One column of a table: its heading, its share of the width, and whether it holds figures."""

    heading: str
    share: float = 1
    figures: bool = False


def _style(name: str, **changes: Any) -> ParagraphStyle:
    plain, _ = _fonts()
    settings: dict[str, Any] = {"fontName": plain, "fontSize": 9, "leading": 12, "textColor": colors.black}
    return ParagraphStyle(name, **(settings | changes))


class Sheet:
    """A document in the making: add paragraphs, tables and pictures in reading order, then take the bytes."""

    def __init__(self, *, size: str, title: str, shop: str, subject: str = "") -> None:
        plain, bold = _fonts()
        self.page = SIZES[size]
        self.width = self.page[0] - 2 * MARGIN
        self.title, self.shop, self.subject = printable(title), printable(shop), printable(subject)
        self.text = _style("text")
        self.small = _style("small", fontSize=7.5, leading=10)
        self.right = _style("right", alignment=TA_RIGHT)
        self.bold = _style("bold", fontName=bold)
        self.bold_right = _style("bold_right", fontName=bold, alignment=TA_RIGHT)
        self.heading = _style(
            "heading", fontName=bold, fontSize=11.5, leading=15, spaceBefore=9, spaceAfter=3
        )
        self.name = _style("name", fontName=bold, fontSize=17, leading=21, spaceAfter=2)
        self.plain_face = plain
        self.story: list[Flowable] = []

    def say(self, text: str, style: ParagraphStyle | None = None) -> None:
        """A paragraph of plain text."""
        self.story.append(self._paragraph(text, style or self.text))

    def head(self, text: str) -> None:
        """A section heading, never left alone at the foot of a page."""
        # Keeping it with what follows would push a long table to the next page whole, and leave this one empty.
        self.story.append(CondPageBreak(HEADING_NEEDS))
        self.story.append(self._paragraph(text, self.heading))

    def new_page(self) -> None:
        """What follows starts on a new page; nothing happens at the very start."""
        if self.story:
            self.story.append(PageBreak())

    def put(self, flowable: Flowable) -> None:
        """A drawing or another thing that knows its own size."""
        self.story.append(flowable)

    def paragraph(self, text: str, style: ParagraphStyle | None = None) -> Paragraph:
        """A paragraph of plain text that is not placed yet."""
        return self._paragraph(text, style or self.text)

    def sized(self, points: float, *, strong: bool = False) -> ParagraphStyle:
        """A style of the sheet's face in another size."""
        plain, bold = _fonts()
        face = bold if strong else plain
        return _style(
            f"size {points} {face}", fontName=face, fontSize=points, leading=points * 1.25, spaceAfter=1.5
        )

    @property
    def height(self) -> float:
        """Points of height that one page offers."""
        return self.page[1] - 2 * MARGIN - FOOT - 12

    def space(self, millimetres: float = 3) -> None:
        """Some room."""
        self.story.append(Spacer(1, millimetres * mm))

    def table(
        self,
        columns: Sequence[Column],
        rows: Sequence[Sequence[str]],
        *,
        totals: Sequence[Sequence[str]] = (),
        fine: bool = False,
    ) -> None:
        """Rows under headings that repeat on every page; ``totals`` are set bold under a rule.

        ``fine`` sets them small and close, for tables of many figures.
        """
        cells = [[self._cell(column.heading, column, strong=True, fine=fine) for column in columns]]
        for row in rows:
            cells.append(
                [self._cell(text, column, fine=fine) for text, column in zip(row, columns, strict=True)]
            )
        for row in totals:
            cells.append(
                [
                    self._cell(text, column, strong=True, fine=fine)
                    for text, column in zip(row, columns, strict=True)
                ]
            )
        whole = sum(column.share for column in columns)
        table = Table(
            cells,
            colWidths=[self.width * column.share / whole for column in columns],
            repeatRows=1,
            hAlign="LEFT",
        )
        style: list[Any] = [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
            ("LEFTPADDING", (0, 0), (0, -1), 0),
            ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, colors.black),
            ("LINEBELOW", (0, 1), (-1, -1), 0.25, colors.Color(0.6, 0.6, 0.6)),
        ]
        if fine:
            style += [("LEFTPADDING", (1, 0), (-1, -1), 2), ("RIGHTPADDING", (0, 0), (-2, -1), 2)]
        if totals:
            first = len(cells) - len(totals)
            style.append(("LINEABOVE", (0, first), (-1, first), 0.8, colors.black))
        table.setStyle(TableStyle(style))
        self.story.append(table)

    def figures(self, pairs: Sequence[tuple[str, str, bool]]) -> None:
        """A box of figures: label, amount, and whether it is a main one."""
        cells = [
            [
                self._paragraph(label, self.bold if main else self.text),
                self._paragraph(amount, self.bold_right if main else self.right),
            ]
            for label, amount, main in pairs
        ]
        table = Table(cells, colWidths=[self.width * 0.34, self.width * 0.2], hAlign="LEFT")
        rules: list[Any] = [
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
            ("BOX", (0, 0), (-1, -1), 0.8, colors.black),
        ]
        rules += [
            ("LINEABOVE", (0, at), (-1, at), 0.8, colors.black)
            for at, pair in enumerate(pairs)
            if pair[2] and at
        ]
        table.setStyle(TableStyle(rules))
        self.story.append(KeepTogether([table]))

    def pictures(self, pictures: Sequence[tuple[str, bytes]], *, height: float = 62) -> None:
        """JPEG pictures beside each other with their captions, none taller than ``height`` millimetres."""
        if not pictures:
            return
        each = self.width / len(pictures) - 3 * mm
        images, captions = [], []
        for caption, jpeg in pictures:
            across, down = ImageReader(io.BytesIO(jpeg)).getSize()
            scale = min(each / across, height * mm / down)
            images.append(Image(io.BytesIO(jpeg), width=across * scale, height=down * scale))
            captions.append(self._paragraph(caption, self.small))
        table = Table(
            [images, captions], colWidths=[self.width / len(pictures)] * len(pictures), hAlign="LEFT"
        )
        table.setStyle(
            TableStyle(
                [
                    ("ALIGN", (0, 0), (-1, -1), "LEFT"),
                    ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
                    ("LEFTPADDING", (0, 0), (0, -1), 0),
                ]
            )
        )
        self.story.append(table)

    def as_bytes(self) -> bytes:
        """The finished PDF."""
        out = io.BytesIO()
        document = BaseDocTemplate(
            out,
            pagesize=self.page,
            leftMargin=MARGIN,
            rightMargin=MARGIN,
            topMargin=MARGIN,
            bottomMargin=MARGIN + FOOT,
            title=self.title,
            author=self.shop,
            subject=self.subject,
            creator="Third Coat",
            invariant=1,
        )
        frame = Frame(
            MARGIN,
            MARGIN + FOOT,
            self.width,
            self.page[1] - 2 * MARGIN - FOOT,
            leftPadding=0,
            rightPadding=0,
            topPadding=0,
        )
        document.addPageTemplates([PageTemplate(id="sheet", frames=[frame])])
        document.build(list(self.story), canvasmaker=self._numbered())
        return out.getvalue()

    def _cell(self, text: str, column: Column, *, strong: bool = False, fine: bool = False) -> Paragraph:
        if column.figures:
            style = self.bold_right if strong else self.right
        else:
            style = self.bold if strong else self.text
        return self._paragraph(text, self._fine(style) if fine else style)

    def _fine(self, style: ParagraphStyle) -> ParagraphStyle:
        return ParagraphStyle(f"fine_{style.name}", parent=style, fontSize=7, leading=9.5)

    def _paragraph(self, text: str, style: ParagraphStyle) -> Paragraph:
        return Paragraph(escape(printable(text)).replace("\n", "<br/>"), style)

    def _numbered(self) -> type[Canvas]:
        """A canvas that knows how many pages there are when it sets the foot of each."""
        sheet = self

        class Numbered(Canvas):
            def __init__(self, *args: Any, **kwargs: Any) -> None:
                super().__init__(*args, **kwargs)
                self._kept: list[dict[str, Any]] = []

            def showPage(self) -> None:
                self._kept.append(dict(self.__dict__))
                self._startPage()

            def save(self) -> None:
                for state in self._kept:
                    self.__dict__.update(state)
                    self.setFont(sheet.plain_face, 7.5)
                    self.drawString(MARGIN, MARGIN, f"{sheet.shop} · {sheet.title}"[:110])
                    self.drawRightString(
                        sheet.page[0] - MARGIN, MARGIN, f"Page {self._pageNumber} of {len(self._kept)}"
                    )
                    super().showPage()
                super().save()

        return Numbered
