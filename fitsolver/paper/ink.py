"""Ink: puts a drawing, described in millimetres, on a page of a PDF.

The same description feeds SVG and PNG (`drawings.paint`), whose table of pens is used here too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitsolver.drawings.figure import (
    LINE_SPACING,
    Area,
    Arrow,
    Dimension,
    Drawing,
    Item,
    Label,
    Lines,
    Stroke,
)
from fitsolver.drawings.paint import (
    ASSUMED_DASH,
    BASELINE,
    FILL_ORDERS,
    FILLS,
    HATCH_WIDTH,
    HEAD,
    PENS,
    POINTS_TO_MM,
    TICK,
    Pen,
)
from fitsolver.paper.lettering import BOLD, REGULAR, register_fonts, seen

Array = NDArray[np.float64]

MM = 1 / POINTS_TO_MM
_PLATE_ORDER, _TEXT_ORDER = 4.5, 5.0


def ink(drawing: Drawing, canvas: Any, at: Sequence[float], mm_per_mm: float) -> None:
    """Put a drawing on a reportlab canvas, its lower left corner at a point of the page [pt].

    `mm_per_mm` millimetres of paper stand for one of the piece; pens and texts go with it.
    """
    register_fonts()
    inked = _Ink(canvas, np.asarray(at, dtype=np.float64), mm_per_mm * MM, drawing.pen_mm)
    for item in drawing.items:
        inked.put(item)
    canvas.saveState()
    canvas.setLineJoin(1)
    for _, _, work in sorted(inked.work, key=lambda each: each[:2]):
        work()
    canvas.restoreState()


def path_of(canvas: Any, points: Array, *, closed: bool = False, path: Any = None) -> Any:
    """Return a path of the canvas through points (n, 2) [pt], added to `path` if given."""
    path = canvas.beginPath() if path is None else path
    path.moveTo(*points[0].tolist())
    for x, y in points[1:].tolist():
        path.lineTo(x, y)
    if closed:
        path.close()
    return path


class _Ink:
    """Collects what is to be drawn with its order, since some items lie over later ones."""

    def __init__(self, canvas: Any, at: Array, points: float, pen_mm: float) -> None:
        self.canvas = canvas
        self.at = at
        self.points = points
        self.mm = pen_mm
        self.work: list[tuple[float, int, Callable[[], None]]] = []

    def later(self, order: float, work: Callable[[], None]) -> None:
        self.work.append((order, len(self.work), work))

    def on_page(self, points: Array) -> Array:
        placed: Array = self.at + points * self.points
        return placed

    def put(self, item: Item) -> None:
        if isinstance(item, Stroke):
            pen = PENS[item.role]
            dash = ASSUMED_DASH if item.assumed else pen.dash
            self.line([item.points], pen, dash=dash, closed=item.closed)
        elif isinstance(item, Area):
            self.fill(item.rings, FILLS[item.fill], FILL_ORDERS[item.fill])
        elif isinstance(item, Lines):
            pen = PENS[item.role]
            width = HATCH_WIDTH if item.role == "metal" else pen.width
            self.line(list(item.segments), pen, width=width, order=pen.order - 0.15)
        elif isinstance(item, Dimension):
            self.dimension(item)
        elif isinstance(item, Arrow):
            self.line([item.points], PENS[item.role])
            self.head(item.points[-2], item.points[-1], PENS[item.role])
        else:
            self.label(item)

    def line(
        self,
        parts: Sequence[Array],
        pen: Pen,
        *,
        dash: Sequence[float] = (),
        closed: bool = False,
        width: float | None = None,
        order: float | None = None,
    ) -> None:
        unit = self.mm * self.points
        placed = [self.on_page(part) for part in parts]
        thick = (pen.width if width is None else width) * unit

        def draw() -> None:
            path = self.canvas.beginPath()
            for part in placed:
                path_of(self.canvas, part, closed=closed, path=path)
            self.canvas.setStrokeColor(pen.colour)
            self.canvas.setLineWidth(thick)
            self.canvas.setDash([step * unit for step in dash])
            self.canvas.drawPath(path, stroke=1, fill=0)

        self.later(pen.order if order is None else order, draw)

    def fill(self, rings: Sequence[Array], colour: str, order: float) -> None:
        placed = [self.on_page(ring) for ring in rings]

        def draw() -> None:
            path = self.canvas.beginPath()
            for ring in placed:
                path_of(self.canvas, ring, closed=True, path=path)
            self.canvas.setFillColor(colour)
            self.canvas.drawPath(path, stroke=0, fill=1, fillMode=0)  # even-odd

        self.later(order, draw)

    def dimension(self, item: Dimension) -> None:
        pen = PENS["gap" if item.outside else "dimension"]
        way = item.stop - item.start
        length = float(np.hypot(*way))
        along = way / length if length > 0 else np.array([1.0, 0.0])
        if item.outside:
            tail = along * item.outside * self.mm
            for tip, sense in ((item.start, -1.0), (item.stop, 1.0)):
                self.line([np.array([tip + sense * tail, tip])], pen)
                self.head(tip + sense * tail, tip, pen)
            return
        over = along * TICK * self.mm
        self.line([np.array([item.start - over, item.stop + over])], pen)
        slant = (along + np.array([-along[1], along[0]])) * TICK * self.mm
        for end in (item.start, item.stop):
            self.line([np.array([end - slant, end + slant])], PENS["gap"])

    def head(self, tail: Array, tip: Array, pen: Pen) -> None:
        way = tip - tail
        along = way / max(float(np.hypot(*way)), 1e-12) * HEAD * self.mm
        aside = np.array([-along[1], along[0]]) * 0.3
        corners = np.array([tip, tip - along + aside, tip - along - aside])
        self.fill([corners], pen.colour, pen.order)

    def label(self, item: Label) -> None:
        low, high = item.box(self.mm)
        # Lines that pass under a text stop short of it.
        wide = np.array([self.mm, 0.0])
        plate = np.array([low - wide, [high[0] + self.mm, low[1]], high + wide, [low[0], high[1]]])
        plate[3] -= wide
        self.fill([plate], FILLS["paper"], _PLATE_ORDER)
        size, spacing = item.size * self.mm, item.size * LINE_SPACING * self.mm
        share = {"left": 0.0, "centre": 0.5, "right": 1.0}[item.across]
        for row, line in enumerate(reversed(item.text.split("\n"))):
            baseline = BASELINE * size + row * spacing
            if item.upright:
                held = np.array([high[0] - baseline, low[1] + share * (high[1] - low[1])])
            else:
                held = np.array([low[0] + share * (high[0] - low[0]), low[1] + baseline])
            self.text(item, seen(line), held)

    def text(self, item: Label, line: str, held: Array) -> None:
        x, y = self.on_page(held).tolist()
        font, size = BOLD if item.bold else REGULAR, item.size * self.mm * self.points

        def draw() -> None:
            canvas = self.canvas
            canvas.saveState()
            canvas.translate(x, y)
            if item.upright:
                canvas.rotate(90)
            canvas.setFillColor("#000000")
            canvas.setFont(font, size)
            put = {
                "left": canvas.drawString,
                "centre": canvas.drawCentredString,
                "right": canvas.drawRightString,
            }
            put[item.across](0, 0, line)
            canvas.restoreState()

        self.later(_TEXT_ORDER, draw)
