"""The page of drawings: plan and section of the first choice, and the chart of what seats."""

from __future__ import annotations

from typing import Any

from fitsolver.drawings.drawing import EDGE, drawing_of
from fitsolver.drawings.figure import SHEET_PENS, Drawing
from fitsolver.drawings.size_chart import SizeMark, SizeRegion, State, box_corners, size_chart
from fitsolver.fitting.solver import Bench
from fitsolver.market.spec import Spec, Wanted
from fitsolver.paper.ink import MM, ink
from fitsolver.paper.leaf import SMALL, Leaves, paragraph, safe, table
from fitsolver.paper.spec_page import altered_box, sizes, span

_GAP_MM = 6.0


def view_page(leaves: Leaves, spec: Spec, bench: Bench) -> None:
    """Add the drawings of the first choice; nothing where nothing seats."""
    if not spec.wanted:
        return
    first = spec.wanted[0]
    stone = first.ask.stone
    leaves.turn()
    leaves.put(paragraph("<b>Plan and sections of the first choice</b>", size=12))
    size = sizes(stone.length_mm, stone.width_mm, stone.depth_mm)
    leaves.put(
        paragraph(
            f"{safe(first.style.title)}, {size} mm. Enlarged; the bar gives the scale. Heights "
            "of the stone marked ~ are shared out of its depth as is usual for the cut."
        )
    )
    leaves.low -= 1 * MM
    picture = drawing_of(bench, first.ask, wide=True, headed=False)
    # The drawing has an empty edge of its own: it stands in the margin of the page.
    edge = EDGE / (2 * SHEET_PENS)
    wide = leaves.width / (1 - 2 * edge)
    # Leave the chart its room where the drawing is tall.
    wide = min(wide, 0.66 * leaves.height * picture.width_mm / picture.height_mm)
    scale = wide / MM / picture.width_mm
    leaves.draw(
        picture.height_mm * scale * MM,
        lambda canvas, x, y: ink(picture, canvas, (x - edge * wide, y), scale),
    )
    if first.verdict != "not decided":
        _chart(leaves, spec, first)


def seating_chart(spec: Spec, item: Wanted) -> Drawing:
    """Describe the chart of the sizes that seat for one of the cuts asked for."""
    altered = altered_box(spec, item)
    own: State = "with alteration" if item.verdict == "seats after alteration" else "as the seat is"
    regions = [SizeRegion(state=own, corners_mm=_corners(item.length_mm, item.width_mm))]
    if altered is not None:
        regions.append(
            SizeRegion(state="with alteration", corners_mm=_corners(altered[0], altered[1]))
        )
    stone = item.ask.stone
    marks = [SizeMark(kind="ask", length_mm=stone.length_mm, width_mm=stone.width_mm)]
    marks += [
        SizeMark(kind="calibrated", length_mm=each.length_mm, width_mm=each.width_mm)
        for each in item.calibrated
    ]
    return size_chart(f"Sizes that seat: {item.style.title}", regions, marks)


def _corners(length: Any, width: Any) -> Any:
    return box_corners((length.low, length.high), (width.low, width.high))


def _chart(leaves: Leaves, spec: Spec, item: Wanted) -> None:
    """The chart on the left, its figures on the right."""
    chart = seating_chart(spec, item)
    half = (leaves.width - _GAP_MM * MM) / 2
    scale = half / MM / SHEET_PENS
    high = chart.height_mm * scale * MM
    altered = altered_box(spec, item)
    rows = [["", "as the seat is", "with alteration"]]
    if item.verdict == "seats after alteration":
        rows = [["", "", "with alteration"]]
    own = (item.length_mm, item.width_mm, item.depth_mm)
    for k, name in enumerate(("length", "width", "depth")):
        more = span(altered[k]) if altered is not None else "–"
        if item.verdict == "seats after alteration":
            rows.append([f"{name}, mm", "", span(own[k])])
        else:
            rows.append([f"{name}, mm", span(own[k]), more])
    beside = [
        table(rows, [0.3 * half, 0.35 * half, 0.35 * half], "<<<", size=7.6),
        paragraph(
            "Every size inside a rectangle earns the verdict at every depth within the limits; "
            "sizes outside may seat too, if length and width stray one way: have such a stone "
            "judged by itself. Numbers are those of the table.",
            size=SMALL,
        ),
    ]
    leaves.skip(2 * MM)
    title = paragraph("<b>Sizes that seat</b>", size=12)
    _, head = title.wrapOn(leaves.canvas, leaves.width, leaves.height)
    leaves.need(head + high + 2 * MM)
    leaves.put(title)
    leaves.low -= 1 * MM

    def both(canvas: Any, x: float, y: float) -> None:
        ink(chart, canvas, (x, y), scale)
        top = y + high - 2 * MM
        for each in beside:
            _, tall = each.wrapOn(canvas, half, high)
            each.drawOn(canvas, x + half + _GAP_MM * MM, top - tall)
            top -= tall + 2 * MM

    leaves.draw(high, both)
