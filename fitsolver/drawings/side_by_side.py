"""Several stones checked in one seat on one sheet, to one scale."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from fitsolver.drawings.drawing import drawing_of
from fitsolver.drawings.figure import SHEET_PENS, Board, Drawing, wrapped
from fitsolver.drawings.set_stone import set_stone
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.solver import Check

Drawn = tuple[str, Check, Collection[str]]
"""What a stone is called, its judgement, and which of its heights were read."""


def side_by_side(bench: Bench, stones: Sequence[Drawn]) -> Drawing:
    """Draw stones as `drawing_of` does, one beside the other under their names."""
    reach = max(set_stone(bench, check).reach for _, check, _ in stones)
    sheets = [drawing_of(bench, check, measured=read, reach_mm=reach) for _, check, read in stones]
    pen = max(sheet.pen_mm for sheet in sheets)
    board = Board(pen)
    for k, ((name, _, _), sheet) in enumerate(zip(stones, sheets, strict=True)):
        left = k * SHEET_PENS * pen
        title = wrapped(name, SHEET_PENS - 20, 15, bold=True, most=1)
        board.label([left + 10 * pen, -8 * pen], title, size=15, bold=True, across="left", up="top")
        # Items of a finished sheet stand on its foot.
        board.take(sheet.items, (left, -26 * pen - sheet.height_mm))
        if k:
            board.stroke([[left, 0.0], [left, -26 * pen - sheet.height_mm]], "frame")
    said = " ".join(
        f"{name}: {sheet.description}"
        for (name, _, _), sheet in zip(stones, sheets, strict=True)
    )  # fmt: skip
    title = f"{bench.mounting.name}: {len(stones)} stones side by side"
    return board.sheet(title, said, SHEET_PENS * len(stones))
