"""The card's drawing: plan and section of the first choice, and where a direction is on it."""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.drawings.figure import SHEET_PENS, Board
from fitsolver.drawings.markup import svg
from fitsolver.drawings.plan_view import plan
from fitsolver.drawings.section_view import Legend, section
from fitsolver.drawings.set_stone import section_directions, set_stone
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.sizes import HEIGHTS
from fitsolver.fitting.solver import Check

Array = NDArray[np.float64]

# Room left and right of the metal for dimensions, in pens, as on a sheet.
LANE = 70.0
# Directions at which the metal's inner face is told, evenly spread.
DIRECTIONS = 72


class View(Struct, frozen=True, kw_only=True):
    """Drawings as SVG, and on the plan's: the seat's `centre` (2,), and how far out its metal is.

    Both in the units of the plan's view box; `face` (72,) at every 5 deg from the length.
    """

    plan: str
    section: str
    letters: tuple[tuple[str, str, str], ...]
    centre: Array
    face: Array


def view(ready: Bench, check: Check) -> View:
    """Draw the plan and the section across the width of a checked stone in its seat."""
    scene = set_stone(ready, check)
    pen = 2 * scene.reach / (SHEET_PENS - 2 * LANE)
    title = f"{ready.mounting.name}: {check.stone.form.style.title}"
    key = Legend(
        assumed=scene.assumed | set(HEIGHTS),
        u={margin.name: margin.u_mm for margin in check.requirements},
    )
    above, centre = _hung(plan(scene, ("A", "B"), pen))
    upright, _ = _hung(section(scene, section_directions(scene)[0], pen, key, first=True))
    seen = above.sheet(
        f"{title}, from above", "Plan of stone and seat, the metal cut at the girdle."
    )
    cut = upright.sheet(
        f"{title}, section A–A",
        "; ".join(f"{row.name} {row.value}" for row in key.rows) + ".",
    )
    angles = np.linspace(0, 2 * np.pi, DIRECTIONS, endpoint=False)
    face = scene.face
    # Claws leave gaps between them: there the distance runs on from claw to claw.
    around = np.arctan2(face[:, 1], face[:, 0]) % (2 * np.pi)
    order = np.argsort(around)
    far = np.interp(angles, around[order], np.hypot(*face[order].T), period=2 * np.pi)
    return View(
        plan=svg(seen),
        section=svg(cut),
        letters=tuple((row.letter, row.name, row.value) for row in key.rows),
        centre=np.array([centre[0], -centre[1]]) / pen,
        face=far / pen,
    )


def _hung(board: Board) -> tuple[Board, Array]:
    """Hang a view from y = 0 in the middle of a sheet; return it and where its origin came."""
    pen = board.pen
    top = float(board.corners()[1, 1])
    step = np.array([SHEET_PENS / 2 * pen, -8 * pen - top])
    hung = Board(pen)
    hung.take(board.items, (float(step[0]), float(step[1])))
    return hung, step
