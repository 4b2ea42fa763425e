"""Text and drawings on PDF pages: one column that flows from page to page.

Labels and Western text use the reader's own Helvetica; other text an embedded free font (fonts/LICENSE.txt). Text that
runs from right to left is put in order and joined; a character that the font does not have is printed as a box, and the
sheet says so. The same input gives the same bytes.
"""

import re
from collections.abc import Sequence
from functools import lru_cache
from importlib.resources import files
from io import BytesIO
from typing import Any

import arabic_reshaper  # type: ignore[import-untyped]  # it carries no types
from bidi import get_display  # type: ignore[import-untyped]  # it carries no types
from reportlab import rl_config
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from service.report.drawing import Dot, Drawing, Line, Path, Words
from service.report.labels import END, ISOLATE, RIGHT_TO_LEFT, UNSEEN

PLAIN, BOLD, WIDE = "Helvetica", "Helvetica-Bold", "DejaVuSans"
WESTERN = re.compile(r"[\n\t\x20-\x7e\xa0-\xff–’“”•]*")
BOX = "□"
ISOLATES = ISOLATE + END  # those that the service itself puts around charted text
KEPT = ISOLATES + "\n"
rl_config.useA85 = 0  # streams as they are: a quarter smaller, and quicker
MARGIN, GUTTER = 42.0, 6.0
INK = HexColor("#000000")
PRINT = {
    "ink": INK,
    "paper": HexColor("#ffffff"),
    "line": HexColor("#8a8a8a"),
    "mark": HexColor("#1a4d50"),
    "wound": HexColor("#eeeeee"),
    "range": HexColor("#e4e4e4"),
    "look": INK,
}


@lru_cache(maxsize=1)
def wide_font() -> frozenset[int]:
    """Register the embedded font once; the characters that it has."""
    font = TTFont(WIDE, str(files("service").joinpath("report/fonts/DejaVuSans.ttf")))
    pdfmetrics.registerFont(font)
    return frozenset(font.face.charToGlyph)


def printable(text: str, bold: bool = False) -> tuple[str, str, bool]:
    """The text as it can be printed, still in the order it is read in; its font; whether characters were replaced."""
    seen = UNSEEN.sub(lambda found: found[0] if found[0] in ISOLATES else "", text).replace("\t", " ")
    if WESTERN.fullmatch(seen):
        return seen, BOLD if bold else PLAIN, False
    known = wide_font()
    if RIGHT_TO_LEFT.search(seen):
        seen = arabic_reshaper.reshape(seen)
    held = "".join(one if one in KEPT or ord(one) in known else BOX for one in seen)
    return held, WIDE, BOX in held


def ordered(line: str) -> str:
    """A line in the order in which it is printed, from left to right."""
    shown = str(get_display(line, base_dir="L")) if RIGHT_TO_LEFT.search(line) else line
    return shown.replace(ISOLATE, "").replace(END, "")


class Sheet:
    """Pages with a column of text; every call goes on below the last."""

    def __init__(self, title: str, footer: str) -> None:
        """`footer` stands on every page, before its number."""
        self._kept = BytesIO()
        self._canvas = Canvas(self._kept, pagesize=A4, invariant=1, pageCompression=1)
        self._canvas.setTitle(title)
        self._footer = footer
        self._page = 1
        self.replaced = False  # whether some character could not be printed
        self.width = A4[0] - 2 * MARGIN
        self._y = A4[1] - MARGIN

    def heading(self, text: str, size: float = 12.0) -> None:
        """A heading with a rule below, kept with what follows."""
        self._need(size * 4)
        self._y -= size * 1.5
        self._write(MARGIN, self._y, text, size, bold=True)
        self._canvas.setStrokeColor(PRINT["line"])
        self._canvas.setLineWidth(0.6)
        self._canvas.line(MARGIN, self._y - 3, MARGIN + self.width, self._y - 3)
        self._y -= 5

    def paragraph(self, text: str, size: float = 9.5, bold: bool = False, indent: float = 0.0) -> None:
        """Text over the whole width, broken into lines."""
        held, font, replaced = printable(text, bold)
        self.replaced = self.replaced or replaced
        for line in simpleSplit(
            held, font, size, self.width - indent
        ):  # broken in reading order, then put in printing order
            self._need(size * 1.3)
            self._y -= size * 1.3
            self._put(MARGIN + indent, self._y, line, font, size)

    def table(self, shares: Sequence[float], rows: Sequence[Sequence[str]], size: float = 9.0) -> None:
        """Rows of short texts; the first row is the head, told again on every page. Long cells are cut."""
        step = size * 1.6
        for place, row in enumerate(rows):
            if self._y - step < MARGIN + 20:
                self.next_page()
                if place:
                    self._row(shares, rows[0], size, step, bold=True)
            self._row(shares, row, size, step, bold=place == 0)

    def _row(self, shares: Sequence[float], row: Sequence[str], size: float, step: float, bold: bool) -> None:
        self._y -= step
        x, whole = MARGIN, sum(shares)
        for share, cell in zip(shares, row, strict=True):
            width = self.width * share / whole
            self._write(x, self._y, self._cut(cell, width - GUTTER, size, bold), size, bold)
            x += width
        self._canvas.setStrokeColor(PRINT["line"])
        self._canvas.setLineWidth(0.8 if bold else 0.3)
        self._canvas.line(MARGIN, self._y - size * 0.4, MARGIN + self.width, self._y - size * 0.4)

    def blank(self, labels: Sequence[str], columns: int = 2, step: float = 24.0) -> None:
        """Lines to be written on by hand, each with what belongs there."""
        width = self.width / columns
        for place, label in enumerate(labels):
            if place % columns == 0:
                self._need(step)
                self._y -= step
            x = MARGIN + place % columns * width
            self._write(x, self._y, label, 9.0)
            start = x + pdfmetrics.stringWidth(label, PLAIN, 9.0) + 4
            self._canvas.setLineWidth(0.5)
            self._canvas.setStrokeColor(PRINT["ink"])
            self._canvas.line(start, self._y - 2, x + width - GUTTER, self._y - 2)
        self._y -= 4

    def drawing(self, drawn: Drawing, tallest: float = 230.0) -> None:
        """A drawing as wide as the column or as tall as allowed, whichever is less."""
        factor = min(self.width / drawn.width, tallest / drawn.height)
        self._need(drawn.height * factor + 6)
        self._y -= drawn.height * factor + 6
        self._canvas.saveState()
        self._canvas.translate(MARGIN + (self.width - drawn.width * factor) / 2, self._y + drawn.height * factor)
        self._canvas.scale(factor, -factor)  # y downwards as in the drawing
        for shape in drawn.shapes:
            _draw(self._canvas, shape)
        self._canvas.restoreState()

    def next_page(self) -> None:
        """Begin a new page."""
        self._foot()
        self._canvas.showPage()
        self._page += 1
        self._y = A4[1] - MARGIN

    def finish(self) -> bytes:
        """The PDF."""
        self._foot()
        self._canvas.showPage()
        self._canvas.save()
        return self._kept.getvalue()

    def _foot(self) -> None:
        self._write(MARGIN, MARGIN - 16, f"{self._footer} · {self._page}", 8.0)

    def room(self, height: float = 8.0) -> None:
        """A little room."""
        self._y -= height

    def _need(self, height: float) -> None:
        if self._y - height < MARGIN + 4:
            self.next_page()

    def _cut(self, cell: str, width: float, size: float, bold: bool) -> str:
        held, font, _ = printable(cell, bold)
        if pdfmetrics.stringWidth(held, font, size) <= width:
            return cell
        kept = cell
        while kept and pdfmetrics.stringWidth(printable(kept + "...", bold)[0], font, size) > width:
            kept = kept[: len(kept) * 9 // 10]
        return kept.rstrip() + "..."

    def _write(self, x: float, y: float, text: str, size: float, bold: bool = False) -> None:
        held, font, replaced = printable(text, bold)
        self.replaced = self.replaced or replaced
        self._put(x, y, held, font, size)

    def _put(self, x: float, y: float, held: str, font: str, size: float) -> None:
        self._canvas.setFillColor(INK)
        self._canvas.setFont(font, size)
        self._canvas.drawString(x, y, ordered(held))


def _draw(canvas: Canvas, shape: Any) -> None:
    match shape:
        case Line():
            _stroke(canvas, shape.stroke, shape.width, shape.dash)
            canvas.line(shape.x1, shape.y1, shape.x2, shape.y2)
        case Path():
            _path(canvas, shape)
        case Dot():
            _stroke(canvas, shape.stroke, shape.width)
            canvas.setFillColor(PRINT[shape.fill])
            canvas.circle(shape.x, shape.y, shape.r, stroke=1, fill=1)
        case Words():
            _words(canvas, shape)


def _stroke(canvas: Canvas, role: str, width: float, dash: Sequence[float] = ()) -> None:
    canvas.setLineWidth(width)
    canvas.setDash(list(dash))
    if role != "none":
        canvas.setStrokeColor(PRINT[role])


def _path(canvas: Canvas, shape: Path) -> None:
    path = canvas.beginPath()
    path.moveTo(*shape.points[0])
    for point in shape.points[1:]:
        path.lineTo(*point)
    if shape.closed:
        path.close()
    _stroke(canvas, shape.stroke, shape.width, shape.dash)
    if shape.fill != "none":
        canvas.setFillColor(PRINT[shape.fill])
    canvas.drawPath(path, stroke=int(shape.stroke != "none"), fill=int(shape.fill != "none"))


def _words(canvas: Canvas, shape: Words) -> None:
    held, font, _ = printable(shape.text, shape.bold)
    canvas.saveState()
    canvas.translate(shape.x, shape.y)
    canvas.scale(1, -1)
    canvas.setFont(font, shape.size)
    canvas.setFillColor(PRINT[shape.fill])
    write = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
    write[shape.anchor](0, 0, ordered(held))
    canvas.restoreState()
