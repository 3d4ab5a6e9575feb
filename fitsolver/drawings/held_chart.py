"""The chart of how weights held on weighed stones: by cut, errors and how often intervals held."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fitsolver.drawings.figure import SHEET_PENS, Across, Board, Drawing, wrapped
from fitsolver.weighing.learned import Held

_PEN = 0.1
_EDGE, _RIGHT = 10.0, 24.0
_ROW, _BAR = 42.0, 7.0
# Errors beyond this are cut off, with their number beside them.
_MOST_PCT = 20.0


def held_chart(held: Sequence[Held]) -> Drawing:
    """Draw the mean error by cut, filled here and dashed for the handbook, and what held.

    Raises ValueError if nothing is given.
    """
    if not held:
        raise ValueError("no weighed stones")
    board = Board(_PEN)
    wide = SHEET_PENS - 2 * _EDGE
    title = wrapped("How the weights held on weighed stones", wide, bold=True)
    board.label([_EDGE * _PEN, -_EDGE * _PEN], title, bold=True, across="left", up="top")
    legend = "Mean error by cut: here, filled; by the handbook's coefficient, dashed below it."
    board.label(
        [_EDGE * _PEN, board.low - 4 * _PEN], wrapped(legend, wide), across="left", up="top"
    )
    most = max(max(each.mean_error_pct, each.handbook_error_pct or 0.0) for each in held)
    most = min(max(math.ceil(most), 2), _MOST_PCT)
    per = (SHEET_PENS - _EDGE - _RIGHT - 30.0) / most
    top = board.low / _PEN - 8.0
    for row, each in enumerate(held):
        _row(board, each, top - row * _ROW, per, most)
    foot = top - len(held) * _ROW - 2.0
    for pct in (0.0, most / 2, most):
        x = _EDGE + pct * per
        board.stroke(np.array([[x, foot], [x, foot - 4.0]]) * _PEN, "scale")
        across: Across = "centre" if pct else "left"
        board.label([x * _PEN, (foot - 12.0) * _PEN], f"{pct:g} %", across=across)
    board.stroke(np.array([[_EDGE, foot], [_EDGE + most * per, foot]]) * _PEN, "scale")
    worst = min(held, key=lambda each: each.holds_pct)
    return board.sheet(
        "How the weights held on weighed stones",
        f"{len(held)} cuts; the interval held least in {worst.cut}, {worst.holds_pct:.0f} %.",
    )


def _row(board: Board, each: Held, y: float, per: float, most: float) -> None:
    """Draw one cut: its words, a bar for the error here and one for the handbook's."""
    stones = "1 stone" if each.stones == 1 else f"{each.stones:,} stones"
    held = f"{stones}, interval held {each.holds_pct:.0f} %"
    words = f"{each.cut}, {each.material}: {held}"
    board.label([_EDGE * _PEN, y * _PEN], wrapped(words, SHEET_PENS - 2 * _EDGE, most=1),
                across="left", up="top")  # fmt: skip
    # Beside a handbook's, the error on the same stones.
    here = each.mean_error_pct if each.own_error_pct is None else each.own_error_pct
    for k, error in enumerate((here, each.handbook_error_pct)):
        if error is None:
            continue
        high, end = y - 15.0 - k * (_BAR + 2.0), _EDGE + min(error, most) * per
        corners = [[_EDGE, high], [end, high], [end, high - _BAR], [_EDGE, high - _BAR]]
        ring = np.array(corners) * _PEN
        if k == 0:
            board.area([ring], "stone")
        board.stroke(ring, "stone" if k == 0 else "hidden", closed=True)
        board.label([(end + 3.0) * _PEN, (high - _BAR / 2) * _PEN], f"{error:.1f} %", size=8.5,
                    across="left")  # fmt: skip
