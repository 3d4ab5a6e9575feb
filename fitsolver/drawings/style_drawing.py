"""Drawings of cut styles by themselves: one in detail, a gallery of many, proposals for a seat."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fitsolver.drawings.figure import SHEET_PENS, Board, Drawing, spread, wrapped
from fitsolver.drawings.projection import View, contours, edges, silhouette, span, typical_stone
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import Form, form
from fitsolver.stones.stone import Stone

Array = NDArray[np.float64]
Proposed = tuple[str, str, Form, float, float]

# A style is drawn at this width; its numbers are per cent of the width.
_WIDTH_MM = 6.0
_SMALL = 9.5
_EDGE = 12.0


def view_of(stone: Stone, view: View, pen_mm: float, *, fill: bool = True) -> Board:
    """Draw a stone by itself as seen from one side, about its own origin."""
    board = Board(pen_mm)
    outer = silhouette(stone, view)
    if fill:
        board.area([outer], "stone")
    board.lines(edges(stone, view), "facet")
    if view == "above":
        for line in contours(stone):
            board.stroke(line, "facet", closed=True)
    board.stroke(outer, "stone", closed=True)
    return board


def _size(points: Array) -> tuple[Array, Array]:
    return points.min(axis=0), points.max(axis=0)


def cut_drawing(style: CutStyle) -> Drawing:
    """Draw one cut style at its usual proportions: crown, pavilion and two sides, dimensioned.

    The heights and the table are given in per cent of the width.
    """
    stone = typical_stone(form(style, style.length_ratio.typical), _WIDTH_MM)
    low, high = _size(stone.outline_mm)
    size = high - low
    pen = max(size[0] / 172, size[1] / 215)
    board = Board(pen)
    half, quarter = SHEET_PENS * pen / 2, SHEET_PENS * pen / 4
    begun = f"{style.period_from} to {style.period_to or 'now'}"
    faces = "1 face" if style.facet_count == 1 else f"{style.facet_count} facets"
    title = wrapped(style.title, SHEET_PENS - 2 * _EDGE, 15, bold=True, most=2)
    board.label([_EDGE * pen, -8 * pen], title, size=15, bold=True, across="left", up="top")
    y = board.low - 5 * pen
    ratio = style.length_ratio.typical
    facts = f"{faces}; {begun}; {style.make} make; length / width {ratio:g}"
    board.label([_EDGE * pen, y], wrapped(facts, SHEET_PENS - 2 * _EDGE, most=2), across="left",
                up="top")  # fmt: skip

    y = board.low - 12 * pen
    views: tuple[tuple[View, str, float], ...] = (
        ("above", "crown, from above", quarter),
        ("below", "pavilion, from below", half + quarter),
    )
    foot = y
    for view, caption, x in views:
        picture = view_of(stone, view, pen)
        box = picture.corners()
        board.take(picture.items, (x - (low[0] + high[0]) / 2, y - box[1, 1]))
        foot = y - (box[1, 1] - box[0, 1])
        board.label([x, foot - 7 * pen], caption, up="top", size=10.5)
    y = board.low - 20 * pen

    y = _end_view(board, stone, y)
    side = view_of(stone, "side", pen)
    box = side.corners()
    shift = half - (low[0] + high[0]) / 2, y - 12 * pen - box[1, 1]
    board.take(side.items, shift)
    foot = float(box[0, 1] + shift[1])
    board.label([half, foot - 7 * pen], "side, along the length", up="top", size=10.5)
    note = (
        "Usual values of this style in % of the width, not a measured stone. Table from "
        "corner to corner; girdle where the main facets meet it."
    )
    y = board.low - 10 * pen
    board.label([_EDGE * pen, y], wrapped(note, SHEET_PENS - 2 * _EDGE, 10), size=10,
                across="left", up="top")  # fmt: skip
    described = (
        f"{style.title}: plan of the crown and the pavilion, end and side view. "
        + ", ".join(f"{name} {value}" for name, value, _, _ in _heights(stone))
    )
    return board.sheet(style.title, described)


def _heights(stone: Stone) -> list[tuple[str, str, float, float]]:
    """Name, text and lower and upper height of each part of a stone."""
    girdle, width = stone.girdle_mm / 2, stone.width_mm
    parts = (
        ("crown", girdle, stone.table_z_mm),
        ("girdle", -girdle, girdle),
        ("pavilion", stone.culet_z_mm, -girdle),
    )
    return [
        (name, f"{100 * (high - low) / width:.3g} %", low, high)
        for name, low, high in parts
        if high > low + 1e-9
    ]


def _end_view(board: Board, stone: Stone, y: float) -> float:
    """Draw the view along the length with its dimensions, under y; return its foot."""
    pen = board.pen
    picture = view_of(stone, "end", pen)
    outer = silhouette(stone, "end")
    low, high = _size(outer)
    table = stone.form.proportions.get("table_pct", 0.0) / 100 * stone.width_mm
    level = stone.table_z_mm
    if table > 0 and stone.form.crown.names and "dome" not in stone.form.crown.names:
        top = level + 12 * pen
        # Corner to corner where the view shows it: the two ends of the top edge.
        ends = outer[np.abs(outer[:, 1] - level) < 1e-6, 0]
        for x in (ends.min(), ends.max()):
            picture.stroke([[x, level + 2 * pen], [x, top + 3 * pen]], "dimension")
        picture.dimension([ends.min(), top], [ends.max(), top])
        share = 100 * float(np.ptp(ends)) / stone.width_mm
        picture.label([ends.mean(), top + 4 * pen], f"table {share:.3g} %", up="bottom")
    right, left = float(high[0]) + 14 * pen, float(low[0]) - 14 * pen
    rows = _heights(stone)
    levels = sorted({row[2] for row in rows} | {row[3] for row in rows})
    for z in levels:
        inner = span(outer, z)[1]
        picture.stroke([[inner + 2 * pen, z], [right + 3 * pen, z]], "dimension")
    middles = [(row[2] + row[3]) / 2 for row in rows]
    for (name, text, bottom, top), z in zip(rows, spread(middles, 14 * pen), strict=True):
        picture.dimension([right, bottom], [right, top])
        picture.label([right + 8 * pen, z], f"{name} {text}", across="left")
    bottom, top = stone.culet_z_mm, stone.table_z_mm
    for z in (bottom, top):
        inner = span(outer, z)[0]
        picture.stroke([[inner - 2 * pen, z], [left - 3 * pen, z]], "dimension")
    picture.dimension([left, bottom], [left, top])
    total = f"depth {100 * stone.depth_mm / stone.width_mm:.3g} %"
    picture.label([left - 5 * pen, (bottom + top) / 2], total, upright=True, up="bottom")
    foot = float(picture.corners()[0, 1])
    picture.label([0.0, foot - 7 * pen], "end, across the width", up="top", size=10.5)
    box = picture.corners()
    middle = (SHEET_PENS * pen - (box[1, 0] - box[0, 0])) / 2 - box[0, 0]
    board.take(picture.items, (float(middle), y - float(box[1, 1])))
    return y - float(box[1, 1] - box[0, 1])


def gallery(styles: Sequence[CutStyle], *, columns: int = 3) -> Drawing:
    """Draw a sheet of cut styles, each with a small plan, a side view and its name."""
    pen = _WIDTH_MM / 64
    cell = 130.0
    board = Board(pen)
    y = 0.0
    for start in range(0, len(styles), columns):
        y -= 10 * pen
        tops, plans, sides, names = [], [], [], []
        for style in styles[start : start + columns]:
            stone = typical_stone(form(style, style.length_ratio.typical), _WIDTH_MM)
            longest = max(float(np.ptp(stone.outline_mm[:, 0])), stone.width_mm)
            scale = min(1.0, 108 * pen / longest)
            if scale < 1:
                stone = typical_stone(stone.form, _WIDTH_MM * scale)
            plans.append(view_of(stone, "above", pen))
            sides.append(view_of(stone, "side", pen))
            names.append(wrapped(style.title, cell - 8, _SMALL, most=2))
            tops.append(stone)
        plan_height = max(float(np.ptp(plan.corners()[:, 1])) for plan in plans)
        side_height = max(float(np.ptp(side.corners()[:, 1])) for side in sides)
        for k, (plan, side, name) in enumerate(zip(plans, sides, names, strict=True)):
            x = (k + 0.5) * cell * pen
            box = plan.corners()
            centre = x - float(box[:, 0].mean())
            board.take(plan.items, (centre, y - plan_height / 2 - float(box[:, 1].mean())))
            under = y - plan_height - 8 * pen
            board.take(side.items, (centre, under - float(side.corners()[1, 1])))
            below = under - side_height - 6 * pen
            board.label([x, below], name, size=_SMALL, up="top")
        y = board.low - 6 * pen
        board.stroke([[4 * pen, y], [(columns * cell - 4) * pen, y]], "frame")
    described = "Cut styles from above and from the side: " + ", ".join(
        style.title for style in styles
    )
    return board.sheet("Cut styles", described, columns * cell)


def proposals_drawing(items: Sequence[Proposed], opening_mm: Array, *, columns: int = 2) -> Drawing:
    """Draw stones proposed for one opening, all to one scale, the opening dashed behind each.

    `items` are (title, subtitle, form, length, width) [mm]; `opening_mm` (n, 2) the polygon of
    the opening about its centre.
    """
    low, high = _size(opening_mm)
    reach = max([float(np.abs(opening_mm[:, 0]).max()), *(item[3] / 2 for item in items)])
    cell = SHEET_PENS / columns
    pen = 2 * reach / (cell - 24)
    board = Board(pen)
    y = 0.0
    for start in range(0, len(items), columns):
        y -= 12 * pen
        row = items[start : start + columns]
        stones = [_sized(figure, length, width) for _, _, figure, length, width in row]
        top = max([float(high[1]), *(float(points[:, 1].max()) for points, _ in stones)])
        bottom = min([float(low[1]), *(float(points[:, 1].min()) for points, _ in stones)])
        for k, ((title, subtitle, _, _, _), (points, lines)) in enumerate(
            zip(row, stones, strict=True)
        ):
            picture = Board(pen)
            picture.area([points], "stone")
            picture.lines(lines, "facet")
            picture.stroke(points, "stone", closed=True)
            picture.stroke(opening_mm, "opening", closed=True)
            x = (k + 0.5) * cell * pen
            board.take(picture.items, (x, y - top))
            at = y - (top - bottom) - 8 * pen
            name = wrapped(title, cell - 10, bold=True, most=2)
            board.label([x, at], name, up="top", bold=True)
            at -= (16 + 14.5 * name.count("\n")) * pen
            if subtitle:
                board.label([x, at], wrapped(subtitle, cell - 10, 10, most=3), size=10, up="top")
        y = board.low - 4 * pen
    y -= 10 * pen
    scale_bar(board, _EDGE * pen, y)
    board.stroke([[200 * pen, y], [232 * pen, y]], "opening")
    board.label([238 * pen, y], "opening of the seat", size=10, across="left")
    described = "Stones to one scale over the opening of the seat: " + "; ".join(
        f"{title}, {subtitle}" for title, subtitle, _, _, _ in items
    )
    return board.sheet("Stones proposed for the seat", described)


def _sized(figure: Form, length_mm: float, width_mm: float) -> tuple[Array, Array]:
    """Outline (n, 2) and plan edges (e, 2, 2) [mm] of a form stretched to a length and width."""
    stone = typical_stone(figure, width_mm)
    stretch = np.array([length_mm / stone.length_mm, 1.0])
    lines = [edges(stone, "above")]
    for line in contours(stone):
        lines.append(np.stack([line, np.roll(line, -1, axis=0)], axis=1))
    return stone.outline_mm * stretch, np.concatenate(lines) * stretch


def scale_bar(board: Board, x: float, y: float, pens: float = 110.0) -> None:
    """Draw a bar of whole millimetres, every other one black, no longer than `pens`."""
    room = pens * board.pen
    step = max([each for each in (0.5, 1.0, 2.0, 5.0) if 2 * each <= room], default=0.5)
    count = max(1, min(5, int(room / step)))
    thick = 2.5 * board.pen
    for k in range(count):
        corners = np.array([[0, -1], [1, -1], [1, 1], [0, 1]]) * (step, thick) + (x + k * step, y)
        if k % 2 == 0:
            board.area([corners], "scale")
        board.stroke(corners, "scale", closed=True)
    board.label([x + count * step + 6 * board.pen, y], f"{count * step:g} mm", across="left")
