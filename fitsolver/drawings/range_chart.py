"""The chart of a seating range: lengths and widths of a cut that seat, and the depths with them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from fitsolver.drawings.figure import SHEET_PENS, TEXT_PENS, Board, Drawing, Role, wrapped
from fitsolver.fitting.box import Range
from fitsolver.fitting.region import Region, Setting

Array = NDArray[np.float64]
At = Callable[[Array], Array]

_LEFT, _RIGHT, _EDGE = 52.0, 16.0, 10.0
_TALLEST = 400.0
# Room round what is drawn [mm of the stone].
_ROOM_MM = 0.05
_STEPS_MM = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)
_PEN = 0.1
_LINES: tuple[tuple[Setting, Role, str], ...] = (
    ("altered", "hidden", "with alteration: the same, dashed"),
    ("best estimate", "datum", "best estimate alone: dash and dot"),
    ("sure", "facet", "seats with 95 %: inner thin line"),
    ("ordinary", "stone", "seats as the seat is, {level}: filled"),
)


def range_chart(region: Region) -> Drawing:
    """Draw the seating range of one cut: length across, width up, at one scale.

    Lines enclose the sizes that seat at some depth; the quoted box lies inside. Calibrated sizes
    have a diamond, filled where the whole of their tolerance seats, between its four corners.
    """
    proposal, stone = region.proposal, region.proposal.ask.stone
    board = Board(_PEN)
    pen = _PEN
    _head(board, region)
    top = board.low - 10 * pen
    low, high = _window(region)
    wide = SHEET_PENS - _LEFT - _RIGHT
    per_mm = min(wide / (high[0] - low[0]), _TALLEST / (high[1] - low[1])) * pen
    origin = np.array([_LEFT * pen, top - (high[1] - low[1]) * per_mm])

    def at(sizes: Array) -> Array:
        return np.asarray(origin + (np.asarray(sizes) - low) * per_mm)

    frame = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    _scales(board, low, high, at)
    for setting, role, _ in _LINES:
        for line in region.outlines(setting):
            if setting == "ordinary":
                board.area([at(line)], "stone")
            board.stroke(at(line), role, closed=True)
    boxes = [(proposal.length_mm, proposal.width_mm)]
    if proposal.after_alteration is not None:
        boxes.append(proposal.after_alteration[:2])
    for length, width in boxes:
        board.stroke(at(_corners(length, width)), "ground", closed=True)
    for length_mm, width_mm, seats in region.calibrated():
        if not ((low <= (length_mm, width_mm)) & ((length_mm, width_mm) <= high)).all():
            continue
        _calibrated(board, at, per_mm, region.tolerance_mm, (length_mm, width_mm), seats=seats)
    _cross(board, at(np.array([stone.length_mm, stone.width_mm])))
    board.stroke(at(frame), "frame", closed=True)
    _legend(board, region)
    extent = region.extent()
    words = "nothing seats as the seat is"
    if extent is not None:
        words = (
            f"lengths {extent[0].low:.2f} to {extent[0].high:.2f} mm and widths "
            f"{extent[1].low:.2f} to {extent[1].high:.2f} mm seat at some depth"
        )
    return board.sheet(
        f"{proposal.ask.mounting.name}: seating range of {proposal.style.title}",
        f"{words}; asked for {stone.length_mm:.2f} x {stone.width_mm:.2f} mm.",
    )


def _head(board: Board, region: Region) -> None:
    proposal = region.proposal
    told = "no size seats surely"
    if region.outlines("ordinary"):
        told = "sizes that seat"
    elif region.outlines("altered"):
        told = "sizes that seat after alteration"
    title = f"{proposal.style.title}: {told}"
    size = SHEET_PENS - 2 * _EDGE
    head = wrapped(title, size, bold=True)
    board.label([_EDGE * _PEN, -_EDGE * _PEN], head, bold=True, across="left", up="top")
    name = wrapped(proposal.ask.mounting.name, size, most=2)
    board.label([_EDGE * _PEN, board.low - 5 * _PEN], name, across="left", up="top")


def _window(region: Region) -> tuple[Array, Array]:
    """Lower left and upper right corner of what is to be seen, length and width [mm]."""
    proposal = region.proposal
    points = [np.array([[proposal.ask.stone.length_mm, proposal.ask.stone.width_mm]])]
    points.append(_corners(proposal.length_mm, proposal.width_mm))
    if proposal.after_alteration is not None:
        points.append(_corners(*proposal.after_alteration[:2]))
    for setting, _, _ in _LINES:
        points += region.outlines(setting)
    every = np.concatenate(points)
    return every.min(axis=0) - _ROOM_MM, every.max(axis=0) + _ROOM_MM


def _corners(length: Range, width: Range) -> Array:
    return np.array(
        [
            [length.low, width.low], [length.high, width.low],
            [length.high, width.high], [length.low, width.high],
        ]
    )  # fmt: skip


def _scales(board: Board, low: Array, high: Array, at: At) -> None:
    """Rules along both axes, a fine line across at each."""
    span = float((high - low).max())
    step = next((each for each in _STEPS_MM if span / each <= 9), _STEPS_MM[-1])
    decimals = 2 if step < 0.1 else 1
    for axis, across, up in ((0, "centre", "top"), (1, "right", "middle")):
        first = np.ceil(low[axis] / step - 1e-9)
        for k in range(int(np.floor(high[axis] / step + 1e-9) - first) + 1):
            value = (first + k) * step
            ends = np.array([low, high])
            ends[:, axis] = value
            line = at(ends)
            board.stroke(line, "frame")
            away = np.array([0.0, -4.0] if axis == 0 else [-4.0, 0.0]) * _PEN
            board.label(line[0] + away, f"{value:.{decimals}f}", across=across, up=up)  # type: ignore[arg-type]
    corner = at(np.array([(low[0] + high[0]) / 2, low[1]]))
    board.label(corner + np.array([0.0, -20.0]) * _PEN, "length, mm", up="top")
    side = at(np.array([low[0], (low[1] + high[1]) / 2]))
    board.label(side + np.array([-43.0, 0.0]) * _PEN, "width, mm", upright=True)


def _calibrated(
    board: Board, at: At, per_mm: float, tolerance: float, size: tuple[float, float], *, seats: bool
) -> None:
    length, width = size
    band = _corners(
        Range(low=length - tolerance, high=length + tolerance),
        Range(low=width - tolerance, high=width + tolerance),
    )
    square = at(band)
    _marked(board, square, seats=seats)
    label = f"{length:g}" if length == width else f"{length:g} x {width:g}"
    board.label(square[2] + np.array([3.0, 3.0]) * _PEN, label, across="left", up="bottom")


def _marked(board: Board, square: Array, *, seats: bool) -> None:
    """Mark a calibrated size: the corners of its tolerance, a diamond in the middle."""
    middle = square.mean(axis=0)
    for k in range(4):
        ends = [square[k] + 0.3 * (square[(k + way) % 4] - square[k]) for way in (-1, 1)]
        board.stroke(np.array([ends[0], square[k], ends[1]]), "scale")
    diamond = middle + 4.0 * _PEN * np.array([[-1, 0], [0, -1], [1, 0], [0, 1]])
    if seats:
        board.area([diamond], "scale")
    board.stroke(diamond, "scale", closed=True)


def _cross(board: Board, at: Array) -> None:
    arm = 6.0 * _PEN
    board.stroke(at + np.array([[-arm, 0.0], [arm, 0.0]]), "gap")
    board.stroke(at + np.array([[0.0, -arm], [0.0, arm]]), "gap")


def _legend(board: Board, region: Region) -> None:
    """What each line is, and the depths that go with the size to ask for."""
    stone = region.proposal.ask.stone
    level = f"{100 * region.level:.0f} %"
    left = _EDGE * _PEN
    y = board.low - 12 * _PEN
    for setting, role, text in reversed(_LINES):
        if not region.outlines(setting):
            continue
        board.stroke([[left, y], [left + 26 * _PEN, y]], role)
        board.label([left + 34 * _PEN, y], text.format(level=level), across="left")
        y -= TEXT_PENS * 1.5 * _PEN
    rows = [
        ("box", "quoted box: every size inside seats; the wider one with alteration"),
        ("cross", f"size to ask for, {stone.length_mm:.2f} x {stone.width_mm:.2f} mm"),
        ("mark", "calibrated size, corners: its tolerance; filled where all of it seats"),
    ]
    if region.proposal.verdict == "not decided":
        rows = [("cross", f"nearest size, {stone.length_mm:.2f} x {stone.width_mm:.2f} mm")]
    for mark, text in rows:
        middle = np.array([left + 13 * _PEN, y])
        box = middle + np.array([[-9, -4], [9, -4], [9, 4], [-9, 4]]) * _PEN
        if mark == "box":
            board.stroke(box, "ground", closed=True)
        elif mark == "cross":
            _cross(board, middle)
        else:
            _marked(board, middle + (box - middle) * [0.9, 2.0], seats=True)
        words = wrapped(text, SHEET_PENS - _EDGE - 44)
        board.label([left + 34 * _PEN, y + TEXT_PENS / 2 * _PEN], words, across="left", up="top")
        y -= TEXT_PENS * (0.25 + 1.25 * (words.count("\n") + 1)) * _PEN
    depths = region.depths(stone.length_mm, stone.width_mm)
    altered = region.depths(stone.length_mm, stone.width_mm, "altered")
    for depth, how in ((depths, "as the seat is"), (altered, "with alteration")):
        if depth is not None:
            text = f"its depth {how}: {depth.low:.2f} to {depth.high:.2f} mm"
            board.label([left + 34 * _PEN, y], text, across="left")
            y -= TEXT_PENS * 1.5 * _PEN
