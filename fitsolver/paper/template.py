"""The template at true scale: two check bars, outlines of sizes, and a go / no-go pair.

The outer edge of a line is the size: a stone of that size just hides the line. The lines are drawn
inwards from it, by a clip, so that nothing depends on how a mitre or a cap is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.errors import OutOfRange
from fitsolver.paper.ink import MM, path_of
from fitsolver.paper.leaf import (
    GREY,
    INK,
    PAPERS,
    SMALL,
    TOP_MM,
    Leaves,
    paragraph,
)
from fitsolver.paper.lettering import BOLD, REGULAR

Array = NDArray[np.float64]

BAR_MM = 50.0
# Further off it is not the printer's scale but another page setting or a misread caliper.
BAR_LIMITS_MM = (40.0, 60.0)
LINE_MM = 0.1
_BAR_THICK_MM = 2.5
# Room for the upright bar and its words, right of the outlines.
_LANE_MM = 14.0
_GAP_MM = 7.0
# Least width of a column, for what is written under an outline.
_CELL_MM = 37.0
_CARD_MM = 5.0


class TrueSize(Struct, frozen=True, kw_only=True):
    """One outline at true size: what it is, its length and width [mm] and its points (n, 2)."""

    what: str
    length_mm: float
    width_mm: float
    outline_mm: Array


class TrueShape(Struct, frozen=True, kw_only=True):
    """The sizes of one cut: smallest, asked for, largest, and what alteration opens."""

    name: str
    sizes: tuple[TrueSize, ...]


def correction(bar_measured_mm: float | None) -> float:
    """Return by how much a page must grow so that a bar that measured so much measures 50 mm.

    Raises `OutOfRange` outside 40 to 60 mm.

    >>> correction(None), round(correction(49.6), 4)
    (1.0, 1.0081)
    """
    if bar_measured_mm is None:
        return 1.0
    low, high = BAR_LIMITS_MM
    if not low <= bar_measured_mm <= high:
        raise OutOfRange(
            "bar_measured_mm",
            bar_measured_mm,
            low,
            high,
            remedy="print at 100 %, without fitting to the page, and measure the bar again",
        )
    return BAR_MM / bar_measured_mm


def template(
    leaves: Leaves, shapes: Sequence[TrueShape], bar_measured_mm: float | None = None
) -> None:
    """Add the pages of the template: the outlines of the shapes, the pair of the first of them."""
    scale = correction(bar_measured_mm)
    _head(leaves, bar_measured_mm, scale)
    wide = leaves.width - _LANE_MM * MM
    for number, shape in enumerate(shapes, 1):
        title = shape.name if len(shapes) == 1 else f"{number}  {shape.name}"
        _outlines(leaves, title, shape.sizes, scale, wide, bar_measured_mm)
    if shapes:
        _pair(leaves, shapes[0], scale, wide, bar_measured_mm)


def _head(leaves: Leaves, measured: float | None, scale: float) -> None:
    """Begin a page of the template with the two bars and the words about them."""
    leaves.turn()
    leaves.put(paragraph("<b>Template at true scale</b>", size=12))
    leaves.low -= 2 * MM
    if measured is None:
        how = (
            "Print at 100 % (actual size, no fitting to the page). Then measure both bars with "
            "the caliper, over their ends: each is 50.0 mm long. If they measure, say, 49.6 mm, "
            "this print is not true: make the sheet again with <b>--bar-measured 49.6</b> and "
            "print it on the same printer in the same way."
        )
    else:
        how = (
            f"<b>Corrected for a printer on which the bar measured {measured:g} mm</b>: this page "
            f"is drawn {100 * scale:.2f} % of true size and comes out true on that printer only, "
            "at the same setting. Measure both bars with the caliper, over their ends: each must "
            "now be 50.0 mm long."
        )
    how += (
        " If the two bars differ from each other by more than 0.2 mm, the printer stretches one "
        "way and no number corrects it: use another."
    )
    tail = leaves.width - _LANE_MM * MM
    leaves.put(paragraph(how), width=tail)
    leaves.low -= 3 * MM
    bar = BAR_MM * MM * scale
    thick = _BAR_THICK_MM * MM

    def across(canvas: Any, x: float, y: float) -> None:
        _bar(canvas, x, y, bar, thick)
        canvas.setFont(REGULAR, SMALL)
        canvas.drawString(x + bar + 3 * MM, y + 0.2 * MM, f"50 mm over its ends{_asks(measured)}")

    right = leaves.width - thick
    top = (PAPERS[leaves.paper][1] - TOP_MM) * MM

    def upright(canvas: Any, x: float, _: float) -> None:
        canvas.saveState()
        canvas.translate(x + thick, top - bar)
        canvas.rotate(90)
        _bar(canvas, 0, 0, bar, thick)
        canvas.setFont(REGULAR, SMALL)
        canvas.drawCentredString(bar / 2, thick + 1.6 * MM, "50 mm over its ends")
        canvas.restoreState()

    leaves.draw(thick, across)
    leaves.draw(0.0, upright, right)
    leaves.low -= 3 * MM
    words = (
        f"<b>The outer edge of a line is the size.</b> Lines are {LINE_MM:g} mm thick, drawn "
        "inwards: a stone of just that size hides its line and shows no paper of its own outline. "
        "Lay the stone table down, its length across the page, and look straight down with one "
        "eye: the girdle stands above the paper, and a slant look adds tenths. A template sorts; "
        "the caliper decides."
    )
    leaves.put(paragraph(words), width=tail)
    leaves.low = min(leaves.low, top - bar - 4 * MM)


def _asks(measured: float | None) -> str:
    return "; measured: ............ mm" if measured is None else " on this printer"


def _bar(canvas: Any, x: float, y: float, length: float, thick: float) -> None:
    """Draw a bar of five black and white parts from (x, y); its ends are the measure."""
    canvas.setFillColor(INK)
    for part in (0, 2, 4):
        canvas.rect(x + part * length / 5, y, length / 5, thick, stroke=0, fill=1)
    line = LINE_MM * MM
    for edge in (y, y + thick - line):
        canvas.rect(x, edge, length, line, stroke=0, fill=1)


def _outlines(
    leaves: Leaves,
    title: str,
    sizes: Sequence[TrueSize],
    scale: float,
    wide: float,
    measured: float | None,
) -> None:
    """Draw the sizes of one cut side by side, in as many rows as they need."""
    cell = max(_CELL_MM, scale * max(size.length_mm for size in sizes) + _GAP_MM) * MM
    high = scale * max(float(np.ptp(size.outline_mm[:, 1])) for size in sizes) * MM
    row = high + 12 * MM
    each_row = max(1, int(wide / cell))
    for start in range(0, len(sizes), each_row):
        _room(leaves, row + 7 * MM, measured, scale)
        if start == 0:
            leaves.skip(2 * MM)
            leaves.put(paragraph(f"<b>{title}</b>"), width=wide)
        part = sizes[start : start + each_row]

        def outlines(canvas: Any, x: float, y: float, part: Sequence[TrueSize] = part) -> None:
            for k, size in enumerate(part):
                middle = x + (k + 0.5) * cell if len(part) > 1 else x + cell / 2
                centre = np.array([middle, y + 9 * MM + high / 2])
                trace(canvas, size.outline_mm, centre, scale)
                _cross(canvas, centre)
                canvas.setFont(REGULAR, SMALL)
                canvas.drawCentredString(middle, y + 4.6 * MM, size.what)
                canvas.setFont(BOLD, SMALL)
                text = f"{size.length_mm:.2f} × {size.width_mm:.2f} mm"
                canvas.drawCentredString(middle, y + 1.2 * MM, text)

        leaves.draw(row, outlines)


def _pair(
    leaves: Leaves, shape: TrueShape, scale: float, wide: float, measured: float | None
) -> None:
    """Draw the go / no-go pair: two cards to cut out, a window in each."""
    named = {size.what: size for size in shape.sizes}
    go, no_go = named.get("largest"), named.get("smallest")
    if go is None or no_go is None:
        return
    length = scale * max(go.length_mm, no_go.length_mm)
    high = scale * float(np.ptp(go.outline_mm[:, 1]))
    card = np.array([max(length + 2 * _CARD_MM, 44.0), high + 2 * _CARD_MM + 7]) * MM
    beside = 2 * card[0] + 6 * MM <= wide
    height = float(card[1] if beside else 2 * card[1] + 4 * MM)
    words = paragraph(
        f"<b>Go / no-go pair: {shape.name}.</b> Paste this on card, cut along the dashes and cut "
        "each line away, to its outer edge. A stone that seats passes the GO window and does not "
        "pass the NO-GO window. A hand-cut window is good to about 0.1 mm: where the two sizes "
        "lie closer together, trust the caliper alone."
    )
    _, room = words.wrapOn(leaves.canvas, wide, leaves.height)
    _room(leaves, height + room + 8 * MM, measured, scale)
    leaves.skip(3 * MM)
    leaves.put(words, width=wide)
    leaves.low -= 2.5 * MM

    def cards(canvas: Any, x: float, y: float) -> None:
        for k, (name, what, size) in enumerate(
            (("GO", "passes", go), ("NO-GO", "does not pass", no_go))
        ):
            corner = np.array([x, y + height - card[1]])
            corner += (k * (card[0] + 6 * MM), 0) if beside else (0, -k * (card[1] + 4 * MM))
            canvas.setStrokeColor(GREY)
            canvas.setLineWidth(0.4)
            canvas.setDash([3, 2])
            canvas.rect(*corner.tolist(), *card.tolist(), stroke=1, fill=0)
            canvas.setDash()
            middle = float(corner[0] + card[0] / 2)
            centre = np.array([middle, corner[1] + card[1] - (_CARD_MM * MM + high * MM / 2)])
            trace(canvas, size.outline_mm, centre, scale)
            canvas.setFont(BOLD, SMALL)
            canvas.drawCentredString(middle, float(corner[1]) + 4.6 * MM, f"{name}: {what}")
            canvas.setFont(REGULAR, SMALL)
            text = f"{size.what}, {size.length_mm:.2f} × {size.width_mm:.2f} mm"
            canvas.drawCentredString(middle, float(corner[1]) + 1.6 * MM, text)

    leaves.draw(height, cards)


def _room(leaves: Leaves, height: float, measured: float | None, scale: float) -> None:
    """Begin another page of the template, with its own bars, where there is no room."""
    if leaves.room < height:
        _head(leaves, measured, scale)


def trace(canvas: Any, outline_mm: Array, centre: Array, scale: float) -> None:
    """Draw an outline about a centre [pt], the outer edge of its line at `scale` times its size."""
    middle = (outline_mm.min(axis=0) + outline_mm.max(axis=0)) / 2
    points = centre + (outline_mm - middle) * scale * MM
    canvas.saveState()
    canvas.clipPath(path_of(canvas, points, closed=True), stroke=0, fill=0)
    canvas.setStrokeColor(INK)
    canvas.setDash()
    canvas.setLineJoin(0)
    canvas.setLineWidth(2 * LINE_MM * MM)
    canvas.drawPath(path_of(canvas, points, closed=True), stroke=1, fill=0)
    canvas.restoreState()


def _cross(canvas: Any, centre: Array) -> None:
    """Mark the middle with a small thin cross."""
    x, y = centre.tolist()
    canvas.setStrokeColor(GREY)
    canvas.setLineWidth(0.25)
    canvas.line(x - MM, y, x + MM, y)
    canvas.line(x, y - MM, x, y + MM)
