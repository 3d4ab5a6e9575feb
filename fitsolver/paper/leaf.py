"""Leaves: the pages of a sheet, filled from the top; what does not fit flows to the next.

Sections have their heads in a narrow column on the left, so that a reader finds his line; drawings
and templates take the whole width. Nothing is drawn before all is placed: each page then says
which of how many it is.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from html import escape
from typing import Any

from msgspec import Struct, field

from fitsolver.errors import UnknownName
from fitsolver.paper.ink import MM
from fitsolver.paper.lettering import (
    BOLD,
    REGULAR,
    markup,
    register_fonts,
    runs_left,
    seen,
    shortened,
)

# Width and height [mm]: ISO 216 and ANSI/ASME Y14.1.
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
SIDE_MM, TOP_MM, FOOT_MM = 16.0, 22.0, 17.0
HEAD_MM = 34.0
BODY, SMALL, TITLE = 8.2, 7.2, 15.0
LEADING = 1.36
INK, GREY, RULE = "#000000", "#4d4d4d", "#8c8c8c"

Draw = Callable[[Any, float, float], None]


class Leaves(Struct, kw_only=True):
    """Pages that grow: `title` heads each of them, `note` and the date stand at their feet.

    `paper` is a key of `PAPERS`. Lengths of this class are points.
    """

    paper: str
    title: str
    date: str
    note: str
    canvas: Any
    file: io.BytesIO
    pages: list[list[Callable[[], None]]] = field(default_factory=list)
    low: float = 0.0
    fresh: bool = False

    @property
    def width(self) -> float:
        """Width of what is printed."""
        return (PAPERS[self.paper][0] - 2 * SIDE_MM) * MM

    @property
    def left(self) -> float:
        """Where what is printed begins."""
        return SIDE_MM * MM

    @property
    def column(self) -> float:
        """Width beside the heads of sections."""
        return self.width - HEAD_MM * MM

    @property
    def room(self) -> float:
        """Height that is left on the page."""
        return self.low - FOOT_MM * MM

    @property
    def height(self) -> float:
        """Height of an empty page."""
        return (PAPERS[self.paper][1] - TOP_MM - FOOT_MM) * MM

    def turn(self) -> None:
        """Begin a new page."""
        self.pages.append([])
        self.low = (PAPERS[self.paper][1] - TOP_MM) * MM
        self.fresh = True

    def need(self, height: float) -> None:
        """Begin a new page unless so much room is left on this one."""
        if not self.pages or (self.room < height and not self.fresh):
            self.turn()

    def skip(self, height: float) -> None:
        """Leave some room, except at the head of a page."""
        if not self.fresh:
            self.low -= height

    def draw(self, height: float, draw: Draw, indent: float = 0.0) -> None:
        """Draw something of a known height: `draw(canvas, x, y)`, its lower left corner given."""
        self.need(height)
        self.low -= height
        x, y = self.left + indent, self.low
        self.pages[-1].append(lambda: draw(self.canvas, x, y))
        self.fresh = False

    def put(self, item: Any, width: float | None = None, indent: float = 0.0) -> None:
        """Put a paragraph or table; what does not fit goes on a new page."""
        wide = self.width - indent if width is None else width
        if not self.pages:
            self.turn()
        todo = [item]
        while todo:
            one = todo.pop(0)
            _, height = one.wrapOn(self.canvas, wide, self.room)
            if height <= self.room + 0.01:
                self.draw(height, _placed(one), indent)
                continue
            parts = one.splitOn(self.canvas, wide, self.room)
            if len(parts) > 1:
                todo = [*parts, *todo]
            elif self.fresh:  # taller than a page and in one piece: shown as far as it goes
                self.draw(self.room, _placed(one), indent)
            else:
                todo.insert(0, one)
                self.turn()

    def section(self, head: str, items: Sequence[Any]) -> None:
        """Put items beside a head and under a rule; numbers among them are gaps [mm].

        What takes no more than a quarter of a page stays together.
        """
        if not items:
            return
        self.skip(2.4 * MM)
        flowing = [item for item in items if not isinstance(item, float)]
        heights = [float(item.wrapOn(self.canvas, self.column, self.height)[1]) for item in flowing]
        together = sum(heights) if sum(heights) < self.height / 4 else min(heights[0], 24 * MM)
        self.need(together + 5 * MM)
        self.rule()
        self.low -= 1.6 * MM
        room = HEAD_MM * MM - 4 * MM
        title = paragraph(head, bold=True)
        _, height = title.wrapOn(self.canvas, room, self.height)
        y, draw = self.low - height, _placed(title)
        self.pages[-1].append(lambda: draw(self.canvas, self.left, y))
        page = len(self.pages)
        for item in items:
            if isinstance(item, float):
                self.skip(item * MM)
            else:
                self.put(item, self.column, HEAD_MM * MM)
        if len(self.pages) == page:
            self.low = min(self.low, y)

    def rule(self) -> None:
        """Draw a thin line across."""

        def line(canvas: Any, x: float, y: float) -> None:
            canvas.setStrokeColor(RULE)
            canvas.setLineWidth(0.4)
            canvas.setDash()
            canvas.line(x, y, x + self.width, y)

        self.draw(0.0, line)

    def finish(self) -> bytes:
        """Draw all pages with their heads and feet, and return the file."""
        for number, page in enumerate(self.pages, 1):
            self._edges(number)
            for work in page:
                work()
            self.canvas.showPage()
        self.canvas.save()
        return self.file.getvalue()

    def _edges(self, number: int) -> None:
        wide, high = (size * MM for size in PAPERS[self.paper])
        canvas, right = self.canvas, wide - self.left
        canvas.setFillColor(GREY)
        head, foot = high - 13 * MM, 10 * MM
        canvas.setFont(REGULAR, SMALL)
        canvas.drawRightString(right, head, seen(self.date))
        canvas.drawString(self.left, head, shortened(self.title, 0.7 * self.width, size=SMALL))
        canvas.drawString(self.left, foot, shortened(self.note, 0.8 * self.width, size=SMALL))
        canvas.drawRightString(right, foot, f"page {number} of {len(self.pages)}")
        canvas.setStrokeColor(RULE)
        canvas.setLineWidth(0.4)
        for y in (head - 1.8 * MM, foot + 3.6 * MM):
            canvas.line(self.left, y, right, y)
        canvas.setFillColor(INK)


def leaves(paper: str, title: str, *, head: str, date: str, note: str) -> Leaves:
    """Begin a sheet: `title` names the document, `head` stands above each page.

    Raises `UnknownName` for a paper that is not in `PAPERS`.
    """
    if paper not in PAPERS:
        raise UnknownName("paper", paper, PAPERS)
    from reportlab.pdfgen.canvas import Canvas

    register_fonts()
    file = io.BytesIO()
    wide, high = PAPERS[paper]
    canvas = Canvas(
        file, pagesize=(wide * MM, high * MM), invariant=1, lang="en-GB", initialFontName=REGULAR
    )
    canvas.setTitle(title)
    canvas.setAuthor("")
    canvas.setSubject("Size of the stone to ask for, with a template at true scale")
    canvas.setCreator("fitsolver")
    canvas.setProducer("fitsolver")
    canvas.setDateFormatter(lambda *_: f"D:{date.replace('-', '')}")
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setViewerPreference("DisplayDocTitle", "true")
    return Leaves(paper=paper, title=head, date=date, note=note, canvas=canvas, file=file)


def _placed(item: Any) -> Draw:
    def draw(canvas: Any, x: float, y: float) -> None:
        item.drawOn(canvas, x, y)

    return draw


def paragraph(
    text: str,
    *,
    size: float = BODY,
    bold: bool = False,
    own: bool = False,
    width: float = 0.0,
    across: str = "left",
    colour: str = INK,
    bullet: str = "",
    after: float = 0.0,
) -> Any:
    """Return a paragraph; plain text, <b> allowed unless it is a user's `own`.

    A user's own text needs the `width` in which it will stand, to break right-to-left lines.
    """
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    font = BOLD if bold else REGULAR
    style = ParagraphStyle(
        name="sheet",
        fontName=font,
        fontSize=size,
        leading=LEADING * size,
        textColor=colour,
        alignment=2 if own and runs_left(text) else {"left": 0, "centre": 1, "right": 2}[across],
        leftIndent=3.2 * MM if bullet else 0.0,
        bulletFontName=REGULAR,
        bulletFontSize=size,
        splitLongWords=1,
        spaceAfter=after,
    )
    body = markup(text, width, font, size) if own else text
    return Paragraph(body, style, bulletText=bullet or None)


def safe(text: str) -> str:
    """Write the library's own words into a paragraph that may hold marks such as <b>."""
    return escape(text, quote=False)


def bulleted(texts: Sequence[str], *, size: float = BODY) -> list[Any]:
    """Return a paragraph with a dash for each text."""
    return [paragraph(safe(text), bullet="–", size=size) for text in texts]


def table(
    rows: Sequence[Sequence[Any]],
    widths: Sequence[float],
    align: str,
    *,
    heads: int = 1,
    size: float = BODY,
    lines: bool = True,
    framed: bool = False,
) -> Any:
    """Return a table; `align` has "<" or ">" a column, `heads` rows are repeated on each page.

    Cells are texts, set as paragraphs so that they wrap, or paragraphs.
    """
    from reportlab.platypus import Table

    sides = {"<": "left", ">": "right", "^": "centre"}
    cells = [
        [
            paragraph(safe(cell), size=size if row >= heads else SMALL, across=sides[side],
                      colour=INK if row >= heads else GREY)
            if isinstance(cell, str) else cell
            for cell, side in zip(cells_of_row, align, strict=True)
        ]
        for row, cells_of_row in enumerate(rows)
    ]  # fmt: skip
    style: list[tuple[Any, ...]] = [
        ("FONTNAME", (0, 0), (-1, -1), REGULAR),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2.2 * MM),
        ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 0.5 * MM),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 0.7 * MM),
    ]
    if heads:
        style.append(("LINEBELOW", (0, heads - 1), (-1, heads - 1), 0.5, INK))
    if lines and len(rows) > heads + 1:
        style.append(("LINEBELOW", (0, heads), (-1, -2), 0.25, "#c8c8c8"))
    if framed:
        style += [("BOX", (0, 0), (-1, -1), 0.8, INK), ("LEFTPADDING", (0, 0), (0, -1), 2 * MM)]
    return Table(cells, colWidths=list(widths), repeatRows=heads, style=style, hAlign="LEFT")
