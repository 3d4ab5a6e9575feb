"""The page of drawings: plan and section of the first choice, and the chart of what seats."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fitsolver.drawings.drawing import EDGE, drawing_of
from fitsolver.drawings.figure import SHEET_PENS, Drawing
from fitsolver.drawings.range_chart import range_chart
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.region import region
from fitsolver.market.spec import Spec, Wanted
from fitsolver.paper.ink import MM, ink
from fitsolver.paper.leaf import SMALL, Leaves, paragraph, safe, table
from fitsolver.paper.spec_page import sizes, span

_GAP_MM = 6.0
# Room for the head of the chart.
_HEAD_MM = 12.0
# Least part of their usual size at which drawing and chart are printed.
_SMALLEST = 0.8


def view_page(
    leaves: Leaves, spec: Spec, bench: Bench, seating: Callable[[], Drawing | None]
) -> None:
    """Add the drawings of the first choice; nothing where nothing seats.

    `seating` gives its `seating_chart`; it is called last, as it may be in the making.
    """
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
    chart = seating()
    if chart is not None:
        # Rather a little smaller than the chart on a page of its own.
        least = _SMALLEST * _half(leaves) * chart.height_mm / chart.width_mm + _HEAD_MM * MM
        natural = wide * picture.height_mm / picture.width_mm
        wide *= min(1.0, max(_SMALLEST, (leaves.room - least) / natural))
    scale = wide / MM / picture.width_mm
    leaves.draw(
        picture.height_mm * scale * MM,
        lambda canvas, x, y: ink(picture, canvas, (x - edge * wide, y), scale),
    )
    if chart is not None:
        _chart(leaves, spec, first, chart)


def _half(leaves: Leaves) -> float:
    """Width of one of two columns [pt]."""
    return (leaves.width - _GAP_MM * MM) / 2


def seating_chart(spec: Spec, bench: Bench) -> Drawing | None:
    """Describe the chart of the sizes that seat for the first choice; None where there is none."""
    first = spec.proposals.proposals[0] if spec.proposals.proposals else None
    if first is None or first.verdict == "not decided":
        return None
    return range_chart(region(bench, first))


def _chart(leaves: Leaves, spec: Spec, item: Wanted, chart: Drawing) -> None:
    """The chart on the left, its figures on the right."""
    title = paragraph("<b>Sizes that seat</b>", size=12)
    half = _half(leaves)
    room = leaves.room - _HEAD_MM * MM
    wide = half * min(1.0, max(room * chart.width_mm / (chart.height_mm * half), _SMALLEST))
    scale = wide / MM / chart.width_mm
    high = chart.height_mm * scale * MM
    beside = [
        table(_limits(spec, item), [0.3 * half, 0.35 * half, 0.35 * half], "<<<", size=7.6),
        paragraph(
            "These are the boxes of the chart: every size inside one seats so, at every depth "
            "within its limits. Lines enclose the sizes that seat at some depth: have a stone "
            "between box and line judged by itself.",
            size=SMALL,
        ),
    ]
    leaves.skip(2 * MM)
    leaves.need(high + (_HEAD_MM - 3) * MM)
    leaves.put(title)
    leaves.low -= 1 * MM

    def both(canvas: Any, x: float, y: float) -> None:
        ink(chart, canvas, (x, y), scale)
        top = y + high - 4 * MM
        for each in beside:
            _, tall = each.wrapOn(canvas, half, leaves.height)
            each.drawOn(canvas, x + half + _GAP_MM * MM, top - tall)
            top -= tall + 2 * MM

    leaves.draw(high, both)


def _limits(spec: Spec, item: Wanted) -> list[list[str]]:
    """The quoted boxes as rows of a table."""
    own, altered = (item.length_mm, item.width_mm, item.depth_mm), item.after_alteration
    boxes = (None, own) if item.verdict == "seats after alteration" else (own, altered)
    return [
        ["limits, mm", "as the seat is", "with alteration"],
        *(
            [name, *("–" if box is None else span(box[k]) for box in boxes)]
            for k, name in enumerate(("length", "width", "depth"))
        ),
    ]
