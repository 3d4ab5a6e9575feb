"""Drawings as SVG inside a page: made in milliseconds, coloured by the page's own style sheet.

The files that `paint` writes carry their colours and letter shapes with them. Inside a page a
drawing follows light and dark mode and the reader's fonts, so its parts only carry their role.
"""

from __future__ import annotations

import html
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

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

Array = NDArray[np.float64]

# What lies over what; within a rank in the order of drawing.
_AREAS = {"metal": 1, "stone": 3, "paper": 4, "scale": 6}
_STROKES = {"frame": 0, "beyond": 2, "facet": 5, "ground": 5, "scale": 6, "conflict": 8,
            "dimension": 10, "gap": 10}  # fmt: skip
TICK, HEAD = 2.6, 5.0
BASELINE = 0.2


def svg(drawing: Drawing, *, hidden: bool = False) -> str:
    """Return a drawing as one <svg> element, a pen to a unit; `hidden` from screen readers."""
    unit, height = drawing.pen_mm, drawing.height_mm
    size = drawing.width_mm / unit, height / unit

    def at(points: ArrayLike) -> Array:
        placed = np.atleast_2d(np.asarray(points, dtype=np.float64)) / unit
        turned: Array = np.column_stack([placed[:, 0], size[1] - placed[:, 1]])
        return turned

    ranked = sorted(
        ((rank, k, mark) for k, item in enumerate(drawing.items)
         for rank, mark in _marks(item, at, unit)),
        key=lambda each: each[:2],
    )  # fmt: skip
    marks = "".join(mark for _, _, mark in ranked)
    title, told = html.escape(drawing.title), html.escape(drawing.description)
    named = 'aria-hidden="true"' if hidden else 'role="img"'
    inner = "" if hidden else f"<title>{title}</title><desc>{told}</desc>"
    return (
        f'<svg class="drawing" viewBox="0 0 {size[0]:.1f} {size[1]:.1f}" {named}>{inner}'
        f"{marks}</svg>"
    )


def _marks(item: Item, at: object, unit: float) -> Iterable[tuple[float, str]]:
    place = at
    assert callable(place)
    if isinstance(item, Stroke):
        assumed = " assumed" if item.assumed else ""
        shape = _path(place(item.points), closed=item.closed)
        yield _STROKES.get(item.role, 7), f'<path class="s-{item.role}{assumed}" d="{shape}"/>'
    elif isinstance(item, Area):
        shape = "".join(_path(place(ring), closed=True) for ring in item.rings)
        yield _AREAS[item.fill], f'<path class="a-{item.fill}" d="{shape}"/>'
    elif isinstance(item, Lines):
        ends = place(item.segments.reshape(-1, 2)).reshape(-1, 4)
        shape = "".join(f"M{a:.1f} {b:.1f}L{c:.1f} {d:.1f}" for a, b, c, d in ends.tolist())
        role = "hatch" if item.role == "metal" else item.role
        yield (
            _STROKES.get(item.role, 7) - 0.5 if item.role != "metal" else 2,
            (f'<path class="s-{role}" d="{shape}"/>'),
        )
    elif isinstance(item, Dimension):
        yield from _dimension(place(item.start)[0], place(item.stop)[0], item.outside)
    elif isinstance(item, Arrow):
        points = place(item.points)
        yield 10, f'<path class="s-{item.role}" d="{_path(points)}"/>'
        yield 10, _head(points[-2], points[-1])
    else:
        yield 12, _label(item, place(item.box(unit)))


def _path(points: Array, *, closed: bool = False) -> str:
    steps = "L".join(f"{x:.1f} {y:.1f}" for x, y in points.tolist())
    return f"M{steps}{'Z' if closed else ''}"


def _dimension(start: Array, stop: Array, outside: float) -> Iterable[tuple[float, str]]:
    way = stop - start
    length = float(np.hypot(*way))
    along = way / length if length > 0 else np.array([1.0, 0.0])
    if outside:
        for tip, sense in ((start, -1.0), (stop, 1.0)):
            tail = tip + sense * along * outside
            yield 10, f'<path class="s-gap" d="{_path(np.array([tail, tip]))}"/>'
            yield 10, _head(tail, tip)
        return
    over = along * TICK
    yield 10, f'<path class="s-dimension" d="{_path(np.array([start - over, stop + over]))}"/>'
    slant = (along + np.array([along[1], -along[0]])) * TICK
    for end in (start, stop):
        yield 10, f'<path class="s-gap" d="{_path(np.array([end - slant, end + slant]))}"/>'


def _head(tail: Array, tip: Array) -> str:
    way = tip - tail
    along = way / max(float(np.hypot(*way)), 1e-9) * HEAD
    aside = np.array([-along[1], along[0]]) * 0.3
    corners = np.array([tip, tip - along + aside, tip - along - aside])
    return f'<path class="a-head" d="{_path(corners, closed=True)}"/>'


def _label(item: Label, box: Array) -> str:
    (left, bottom), (right, top) = box.tolist()
    share = {"left": 0.0, "centre": 0.5, "right": 1.0}[item.across]
    anchor = {"left": "start", "centre": "middle", "right": "end"}[item.across]
    lines = item.text.split("\n")
    parts = []
    for row, line in enumerate(reversed(lines)):
        rise = BASELINE * item.size + row * item.size * LINE_SPACING
        if item.upright:
            x, y = right - rise, bottom + share * (top - bottom)
            turn = f' transform="rotate(-90 {x:.1f} {y:.1f})"'
        else:
            x, y, turn = left + share * (right - left), bottom - rise, ""
        bold = " bold" if item.bold else ""
        parts.append(
            f'<text class="t{bold}" x="{x:.1f}" y="{y:.1f}" font-size="{item.size:g}" '
            f'text-anchor="{anchor}"{turn}>{html.escape(line)}</text>'
        )
    return "".join(parts)
