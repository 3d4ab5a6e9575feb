"""The chart of what seats: lengths across, widths up, to one scale, the regions and sizes on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitsolver.drawings.figure import SHEET_PENS, Across, Board, Drawing, Label, Up

Array = NDArray[np.float64]

State = Literal["as the seat is", "with alteration"]
Kind = Literal["ask", "calibrated"]

_LEFT, _RIGHT, _TOP, _FOOT = 46.0, 12.0, 10.0, 46.0
_TALLEST = 250.0
_SMALL = 10.0
_STEPS_MM = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
# So small a range of sizes would be drawn finer than a caliper reads [mm].
_LEAST_MM = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeRegion:
    """A region of sizes that seat: its corners (n, 2), length and width [mm], and in what state."""

    state: State
    corners_mm: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeMark:
    """A size on the chart: the one to ask for, or a calibrated one that holds."""

    kind: Kind
    length_mm: float
    width_mm: float


def box_corners(length_mm: tuple[float, float], width_mm: tuple[float, float]) -> Array:
    """Return the corners of a quoted box, (4, 2) [mm]."""
    (l0, l1), (w0, w1) = length_mm, width_mm
    return np.array([[l0, w0], [l1, w0], [l1, w1], [l0, w1]])


def size_chart(title: str, regions: Sequence[SizeRegion], marks: Sequence[SizeMark]) -> Drawing:
    """Draw regions and sizes on a sheet as wide as a phone, as high as they need."""
    every = np.concatenate(
        [*(region.corners_mm for region in regions),
         *(np.array([[mark.length_mm, mark.width_mm]]) for mark in marks)]
    )  # fmt: skip
    low, high = every.min(axis=0), every.max(axis=0)
    pad = np.maximum(0.14 * (high - low).max(), (_LEAST_MM - (high - low)) / 2)
    low, high = low - pad, high + pad
    inner = SHEET_PENS - _LEFT - _RIGHT
    # One scale both ways; a pen is the chart's unit.
    scale = min(inner / (high - low)[0], _TALLEST / (high - low)[1])
    size = np.array([inner, max(scale * (high - low)[1], 60.0)])
    middle = (low + high) / 2
    low, high = middle - size / scale / 2, middle + size / scale / 2
    origin = np.array([_LEFT, -_TOP - size[1]])

    def at(points: Array) -> Array:
        placed: Array = origin + (points - low) * scale
        return placed

    board = Board(1.0)
    _grid(board, low, high, at(low), at(high), scale)
    order = {"with alteration": 0, "as the seat is": 1}
    for region in sorted(regions, key=lambda each: order[each.state]):
        corners = at(region.corners_mm)
        if region.state == "as the seat is":
            board.area([corners], "stone")
            board.stroke(corners, "stone", closed=True)
        else:
            board.stroke(corners, "opening", closed=True)
    borders = np.concatenate([_along(at(region.corners_mm)) for region in regions])
    for mark in marks:
        place = at(np.array([mark.length_mm, mark.width_mm]))
        _mark(board, mark, place, (at(low), at(high)), borders)
    _key(board, regions, marks, float(origin[1]) - _FOOT)
    told = "; ".join(
        f"{region.state}: length {_span(region.corners_mm[:, 0])}, "
        f"width {_span(region.corners_mm[:, 1])} mm"
        for region in regions
    )
    return board.sheet(title, f"Sizes that seat, {told}.")


def _span(values: Array) -> str:
    return f"{values.min():.2f} to {values.max():.2f}"


def _grid(board: Board, low: Array, high: Array, near: Array, far: Array, scale: float) -> None:
    """Draw the frame, thin lines at round sizes and their numbers."""
    step = next(step for step in _STEPS_MM if step * scale >= 44 or step == _STEPS_MM[-1])
    decimals = 2 if step < 0.1 else 1
    for axis in (0, 1):
        first, last = np.ceil(low[axis] / step - 1e-9), np.floor(high[axis] / step + 1e-9)
        for value in np.arange(first, last + 1) * step:
            place = near[axis] + (value - low[axis]) * scale
            text = f"{value:.{decimals}f}"
            if axis == 0:
                board.stroke([[place, near[1]], [place, far[1]]], "frame")
                board.label([place, near[1] - 4], text, size=_SMALL, up="top")
            else:
                board.stroke([[near[0], place], [far[0], place]], "frame")
                board.label([near[0] - 4, place], text, size=_SMALL, across="right")
    frame = box_corners((near[0], far[0]), (near[1], far[1]))
    board.stroke(frame, "dimension", closed=True)
    board.label([(near[0] + far[0]) / 2, near[1] - 18], "length of the stone, mm", size=_SMALL,
                up="top")  # fmt: skip
    board.label([8, (near[1] + far[1]) / 2], "width of the stone, mm", size=_SMALL,
                upright=True)  # fmt: skip


def _along(corners: Array) -> Array:
    """Points close together along the border of a region, (m, 2)."""
    part = np.linspace(0, 1, 60, endpoint=False)[:, None]
    sides = zip(corners, np.roll(corners, -1, axis=0), strict=True)
    return np.concatenate([start + part * (stop - start) for start, stop in sides])


def _mark(
    board: Board, mark: SizeMark, at: Array, frame: tuple[Array, Array], borders: Array
) -> None:
    """Draw a cross for the size to ask for, a ring for a calibrated one, and its numbers.

    The numbers stand where they are inside the frame, and hide no border of a region if they can.
    """
    if mark.kind == "ask":
        _cross(board, at)
        text = f"{mark.length_mm:.2f} × {mark.width_mm:.2f}"
    else:
        _ring(board, at)
        text = f"{mark.length_mm:g} × {mark.width_mm:g}"
    places: tuple[tuple[Across, Up, tuple[int, int]], ...] = (
        ("left", "bottom", (7, 5)), ("right", "bottom", (-7, 5)), ("left", "top", (7, -5)),
        ("right", "top", (-7, -5)), ("centre", "top", (0, -16)), ("centre", "bottom", (0, 16)),
    )  # fmt: skip
    found: list[tuple[bool, bool, int, Label]] = []
    for k, (across, up, step) in enumerate(places):
        label = Label(
            at=at + step, text=text, size=_SMALL, bold=mark.kind == "ask", across=across, up=up
        )
        low, high = label.box(board.pen)
        inside = bool((low > frame[0]).all() and (high < frame[1]).all()) and board.is_free(label)
        hides = bool(((borders > low) & (borders < high)).all(axis=1).any())
        found.append((not inside, hides, k, label))
    board.items.append(min(found, key=lambda each: each[:3])[3])


def _cross(board: Board, at: Array) -> None:
    for way in (np.array([5.0, 5.0]), np.array([5.0, -5.0])):
        board.stroke([at - way, at + way], "metal")


def _ring(board: Board, at: Array) -> None:
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    board.stroke(at + 3.5 * np.column_stack([np.cos(angle), np.sin(angle)]), "metal", closed=True)


def _key(board: Board, regions: Sequence[SizeRegion], marks: Sequence[SizeMark], y: float) -> None:
    """Say what the lines and marks mean."""
    entries = []
    states = {region.state for region in regions}
    if "as the seat is" in states:
        entries.append(("stone", "seats as the seat is"))
    if "with alteration" in states:
        entries.append(("opening", "seats with alteration"))
    kinds = {mark.kind for mark in marks}
    if "ask" in kinds:
        entries.append(("ask", "size to ask for"))
    if "calibrated" in kinds:
        entries.append(("calibrated", "calibrated size"))
    columns = (_LEFT, SHEET_PENS / 2 + 20)
    for k, (what, words) in enumerate(entries):
        x, level = columns[k % 2], y - (k // 2) * 15
        middle = np.array([x + 14, level])
        if what == "stone":
            box = middle + np.array([[-14, -5], [14, -5], [14, 5], [-14, 5]])
            board.area([box], "stone")
            board.stroke(box, "stone", closed=True)
        elif what == "opening":
            board.stroke(middle + np.array([[-14, 0], [14, 0]]), "opening")
        elif what == "ask":
            _cross(board, middle)
        else:
            _ring(board, middle)
        board.label([x + 34, level], words, size=_SMALL, across="left")
