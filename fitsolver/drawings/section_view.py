"""Upright sections of a stone in its seat, dimensioned.

They show the best estimate of the seat, with everything where the calculation has it. What nobody
measured is drawn in long dashes, and metal ends at a break line where nothing is known of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from string import ascii_lowercase

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from fitsolver.drawings.figure import Across, Board, Label, spread, zigzag
from fitsolver.drawings.metal_section import Side, rail, rail_foot, side
from fitsolver.drawings.projection import span
from fitsolver.drawings.set_stone import EmptySeat, SetStone
from fitsolver.fitting.sizes import HEIGHTS
from fitsolver.seats.seat import FACE_POINTS

Array = NDArray[np.float64]
Sides = Mapping[float, Side | None]

_SMALL = 10.5
# In pens: how far outside the metal dimension lines stand, and how far ends stand off or over.
_OFF = 9.0
_CLEAR = 2.0
_OVER = 3.5
_APART = 13.5


class KeyRow(Struct, frozen=True, kw_only=True):
    """One lettered dimension: what it is and its value as written."""

    letter: str
    name: str
    value: str


class Legend(Struct, kw_only=True):
    """Gives every dimension its letter, and keeps what the letters mean.

    `assumed` names readings that nobody took; `u` (by requirement) standard uncertainties [mm];
    `judged` (likewise) is what was judged, where that is told instead of what this section shows.
    """

    assumed: frozenset[str]
    u: Mapping[str, float]
    judged: Mapping[str, float] = field(default_factory=dict)
    rows: list[KeyRow] = field(default_factory=list)

    def add(self, name: str, value: float, reading: str = "", *, unit: str = "") -> str:
        """Enter a dimension and return what to write beside it.

        It is marked with ~ if `reading`, which it hangs on, is assumed.
        """
        letter = ascii_lowercase[len(self.rows)]
        mark = "~" if reading in self.assumed else ""
        # Adding 0 to the rounded value takes the sign off a zero.
        text = mark + (f"{value:.0f}{unit}" if unit else f"{round(value, 2) + 0.0:.2f}")
        shown = f"{text} ±{self.u[name]:.2f}" if name in self.u else text
        self.rows.append(KeyRow(letter=letter, name=name, value=shown))
        return f"{letter} {text}"


def section(
    scene: SetStone, direction_rad: float, pen: float, key: Legend, *, first: bool
) -> Board:
    """Draw the section along a direction, which points to the right.

    The first one carries the seat's dimensions, the second those of the stone.
    """
    board = Board(pen)
    sides = {1.0: side(scene, direction_rad), -1.0: side(scene, direction_rad + np.pi)}
    profile = scene.profile(direction_rad)
    if scene.claws:
        _claws_beyond(board, scene, direction_rad)
    for sense, metal in sides.items():
        if metal is not None:
            board.area([metal.metal * (sense, 1)], "metal")
            board.hatch([metal.metal * (sense, 1)])
    board.area([profile], "stone")
    for sense, metal in sides.items():
        if metal is not None:
            _metal_lines(board, scene, metal, sense, profile)
        if metal is None or not scene.claws:
            _loose_rail(board, scene, direction_rad, sense)
    board.stroke(profile, "stone", closed=True)
    end = scene.reach + _OFF * pen
    board.stroke([[-end, 0], [end, 0]], "datum")
    _floor(board, scene, direction_rad)
    if first:
        name = "opening, claw to claw" if scene.claws else "opening, across"
        _opening(board, sides, key, name)
        _rest_height(board, scene, profile, key)
        _metal_above(board, scene, profile, sides, key)
        _ledge(board, scene, direction_rad, sides, key)
        _culet(board, scene, direction_rad, sides, key)
    else:
        _opening(board, {} if scene.claws else sides, key, "opening, along")
        _stone_heights(board, scene, profile, key)
    return board


def empty_section(scene: EmptySeat, direction_rad: float, pen: float, key: Legend) -> Board:
    """Draw the section of a seat without a stone, with the dimensions that were read of it."""
    board = Board(pen)
    sides = {1.0: side(scene, direction_rad), -1.0: side(scene, direction_rad + np.pi)}
    if scene.claws:
        _claws_beyond(board, scene, direction_rad)
    for sense, metal in sides.items():
        if metal is not None:
            board.area([metal.metal * (sense, 1)], "metal")
            board.hatch([metal.metal * (sense, 1)])
            _metal_lines(board, scene, metal, sense, None)
        if metal is None or not scene.claws:
            _loose_rail(board, scene, direction_rad, sense)
    end = scene.reach + _OFF * pen
    board.stroke([[-end, 0], [end, 0]], "datum")
    _floor(board, scene, direction_rad)
    _opening(board, sides, key, "opening, claw to claw" if scene.claws else "opening, across")
    _metal_height(board, scene, sides, key)
    _floor_depth(board, scene, sides, key)
    _ledge(board, scene, direction_rad, sides, key)
    return board


def _metal_height(board: Board, scene: EmptySeat, sides: Sides, key: Legend) -> None:
    """Dimension what stands above the datum of a cut seat, on the right."""
    sense = 1.0 if sides[1.0] is not None else -1.0
    metal = sides[sense]
    if metal is None or not scene.cut:
        return
    pen, high = board.pen, float(metal.top[0, 1])
    x = sense * (scene.reach + _OFF * pen)
    end = x + sense * _OVER * pen
    board.stroke([[sense * (float(metal.top[1, 0]) + _CLEAR * pen), high], [end, high]],
                 "dimension")  # fmt: skip
    board.dimension([x, 0.0], [x, high])
    name, reading = ("claw above notch", "claw_length_mm") if scene.claws else (
        "wall above ledge", "wall_height_mm"
    )  # fmt: skip
    board.label([x + sense * 7 * pen, high / 2], key.add(name, high, reading),
                across="left" if sense > 0 else "right")  # fmt: skip


def _floor_depth(board: Board, scene: EmptySeat, sides: Sides, key: Legend) -> None:
    """Dimension how deep finger or back lie, in the middle of the seat."""
    pen, ground = board.pen, float(scene.seats.floor_z[0])
    corners = [metal.ledge[0, 1] for metal in sides.values()
               if metal is not None and metal.ledge is not None]  # fmt: skip
    start = float(np.mean(corners)) if corners else 0.0
    if corners:
        board.stroke([[-14 * pen, start], [14 * pen, start]], "dimension")
    board.dimension([0.0, start], [0.0, ground])
    text = key.add("depth below the ledge" if scene.cut else "depth below the rim",
                   start - ground, scene.depth_reading)  # fmt: skip
    board.label([6 * pen, (start + ground) / 2], text, across="left")


def _metal_lines(
    board: Board, scene: EmptySeat, metal: Side, sense: float, profile: Array | None
) -> None:
    flip = np.array([sense, 1.0])
    kind, height = ("claw", "claw_length_mm") if scene.claws else ("wall", "wall_height_mm")
    if profile is not None:
        board.hatch([metal.metal * flip], within=profile)
    board.stroke(metal.inner * flip, "metal")
    board.stroke(metal.top * flip, "metal", assumed=height in scene.assumed)
    board.stroke(metal.outer * flip, "metal", assumed=f"{kind}_thickness_mm" in scene.assumed)
    board.stroke(zigzag(metal.foot * flip, 3.5 * board.pen), "break")
    if metal.lip is not None:
        board.stroke(metal.lip * flip, "hidden")


def _claws_beyond(board: Board, scene: EmptySeat, direction_rad: float) -> None:
    """Draw the claws behind the cutting plane as thin outlines."""
    seats = scene.seats
    u = np.array([np.cos(direction_rad), np.sin(direction_rad)])
    v = np.array([-u[1], u[0]])
    low = float(seats.floor_z[0] / 2 if seats.gallery_z is None else seats.gallery_z[0])
    for k, body in enumerate(scene.bodies):
        if (body @ v).min() > 0:
            t = body @ u
            high = float(seats.top[0, k * FACE_POINTS])
            ends = (float(t.min()), float(t.max()))
            board.stroke(
                [(ends[0], low), (ends[0], high), (ends[1], high), (ends[1], low)], "beyond"
            )


def _loose_rail(board: Board, scene: EmptySeat, direction_rad: float, sense: float) -> None:
    """Draw the gallery rail where the section meets it away from a claw."""
    edge = rail(scene, direction_rad + (0.0 if sense > 0 else np.pi))
    if edge is None:
        return
    r, z = edge
    low, end = rail_foot(scene, z), r + 16 * board.pen
    box = np.array([[r, low], [r, z], [end, z], [end, low]]) * (sense, 1)
    board.area([box], "metal")
    board.hatch([box])
    board.stroke(box[:3], "metal")
    board.stroke(zigzag(box[2:], 3 * board.pen), "break")
    board.stroke(zigzag(box[[3, 0]], 3 * board.pen), "break")


def _floor(board: Board, scene: EmptySeat, direction_rad: float) -> None:
    """Draw the finger or the back, with short strokes on its solid side, and the directions."""
    pen, reach = board.pen, scene.reach
    t = np.linspace(-reach, reach, 81)
    open_ = scene.seats.back == "open"
    known = scene.depth_reading not in scene.assumed and (
        not open_ or scene.finger_radius_mm is not None
    )
    line = np.column_stack([t, scene.floor(t, direction_rad)])
    board.stroke(line, "ground", assumed=not known)
    marks = np.arange(-reach + 4 * pen, reach, 9 * pen)
    foot = np.column_stack([marks, scene.floor(marks, direction_rad)])
    board.lines(np.stack([foot, foot - 5 * pen], axis=1), "dimension")
    name = "finger" if open_ else "back"
    board.label(line[40] - (0.0, 8 * pen), name, size=_SMALL, up="top")
    for at, across, turn in ((line[-1], "right", 0.0), (line[0], "left", np.pi)):
        angle = float(np.rad2deg(direction_rad + turn)) % 360
        board.label(at - (0.0, 8 * pen), f"{angle % 360:.0f}°", size=_SMALL, up="top",
                    across="right" if across == "right" else "left")  # fmt: skip


def _opening(board: Board, sides: Sides, key: Legend, name: str) -> None:
    """Dimension the opening at the datum, above everything."""
    right, left = sides.get(1.0), sides.get(-1.0)
    if right is None or left is None:
        return
    pen = board.pen
    high = float(board.corners()[1, 1]) + 12 * pen
    start, stop = -left.root, right.root
    for t, metal in ((start, left), (stop, right)):
        foot = float(metal.top[0, 1]) + _CLEAR * pen
        board.stroke([[t, foot], [t, high + _OVER * pen]], "dimension")
    board.dimension([start, high], [stop, high])
    board.label([(start + stop) / 2, high + 4 * pen], key.add(name, stop - start), up="bottom")


def _rest_height(board: Board, scene: SetStone, profile: Array, key: Legend) -> None:
    """Dimension the girdle's middle over the datum, or under the rim or tips, on the left."""
    pen, z = board.pen, scene.girdle_z
    x = -scene.reach - _OFF * pen
    near = span(profile, z)[0]
    board.stroke([[near - _CLEAR * pen, z], [x - _OVER * pen, z]], "dimension")
    board.stroke([[x + _OVER * pen, 0.0], [x - _OVER * pen, 0.0]], "dimension")
    board.dimension([x, min(z, 0.0)], [x, max(z, 0.0)])
    name = "rest height"
    if not scene.cut:
        name = "girdle below the tips" if scene.claws else "girdle below the rim"
    text = key.add(name, z if scene.cut else -z)
    # The word belongs to the line at 0, the number to the space beside it.
    number, word = spread([z / 2, 0.0 if z > 0 else 0.1 * pen], _APART * pen)
    board.label([x - 7 * pen, number], text, across="right")
    board.label([x - 7 * pen, word], "datum", across="right", size=_SMALL)


def _metal_above(board: Board, scene: SetStone, profile: Array, sides: Sides, key: Legend) -> None:
    """Dimension what stands above the girdle's upper edge, on the right."""
    sense = 1.0 if sides[1.0] is not None else -1.0
    metal = sides[sense]
    if metal is None:
        return
    pen = board.pen
    low, high = scene.girdle_z + scene.stone.girdle_mm / 2, float(metal.top[0, 1])
    x = sense * (scene.reach + _OFF * pen)
    girdle = span(profile, low)[int(sense > 0)]
    for start, z in ((girdle, low), (sense * float(metal.top[1, 0]), high)):
        end = x + sense * _OVER * pen
        board.stroke([[start + sense * _CLEAR * pen, z], [end, z]], "dimension")
    board.dimension([x, min(low, high)], [x, max(low, high)])
    reading = "claw_length_mm" if scene.claws else "wall_height_mm"
    # The least of the whole seat, as every text has it; it may stand elsewhere.
    told = key.judged.get("metal above girdle", high - low)
    text = key.add("metal above girdle", told, reading if scene.cut else "")
    board.label([x + sense * 7 * pen, (low + high) / 2], text,
                across="left" if sense > 0 else "right")  # fmt: skip


def _culet(board: Board, scene: SetStone, direction_rad: float, sides: Sides, key: Legend) -> None:
    """Dimension the culet's clearance over the finger or back: beside it if there is room."""
    pen = board.pen
    t = float(scene.shift @ (np.cos(direction_rad), np.sin(direction_rad)))
    culet, ground = scene.girdle_z + scene.stone.culet_z_mm, float(scene.seats.floor_z[0])
    text = key.add("culet clearance", culet - ground, scene.depth_reading)
    lane = -scene.reach - _OFF * pen
    for x, steps in ((t - 16 * pen, 1), (t + 16 * pen, 1), (lane, 40)):
        sense = 1.0 if x > t else -1.0
        for step in range(steps):
            # Clear of the floor's line, however little room there is.
            height = max((culet + ground) / 2, ground + 8 * pen) - 2 * step * pen
            label = Label(
                at=np.array([x + sense * 6 * pen, height]),
                text=text,
                across="left" if sense > 0 else "right",
            )
            if board.is_free(label) and _in_hollow(label.box(pen), sides[sense], sense, lane):
                break
        else:
            continue
        break
    board.items.append(label)
    levels = (culet, ground) if x == lane else (culet,)
    for z in levels:
        end = x + sense * _OVER * pen
        board.stroke([[t + sense * _CLEAR * pen, z], [end, z]], "dimension")
    board.dimension([x, min(culet, ground)], [x, max(culet, ground)])


def _in_hollow(box: Array, metal: Side | None, sense: float, lane: float) -> bool:
    """Whether a text lies inside the metal's inner face, or under its foot, or out in the lane."""
    if metal is None or box[1, 0] < lane:
        return True
    outermost = float((box[:, 0] * sense).max())
    foot = metal.foot[0]
    return bool(outermost < foot[0] or box[1, 1] < foot[1])


def _ledge(board: Board, scene: EmptySeat, direction_rad: float, sides: Sides, key: Legend) -> None:
    """Dimension the ledge, or the floor of the notch: its width on the left, its angle right."""
    pen = board.pen
    for sense in (-1.0, 1.0):
        metal = sides[sense]
        if metal is None or metal.ledge is None:
            continue
        corners = metal.ledge * (sense, 1)
        middle = corners.mean(axis=0)
        low = float(metal.foot[:, 1].min()) - 10 * pen
        ground = float(scene.floor(middle[:1], direction_rad)[0])
        align: Across = "centre"
        if low - 18 * pen < ground:  # no room above the floor: under it, clear of its name
            low, align = ground - 10 * pen, "right" if sense < 0 else "left"
        across, rise = metal.ledge[1] - metal.ledge[0]
        if sense < 0 or sides[-1.0] is None:
            for r, z in corners:
                board.stroke([[r, z], [r, low - _OVER * pen]], "dimension")
            board.dimension([corners[:, 0].min(), low], [corners[:, 0].max(), low])
            name = "notch depth" if scene.claws else "ledge width"
            text = key.add(name, float(across), "ledge_width_mm")
        else:
            board.stroke([middle, [middle[0], low - _OVER * pen]], "dimension")
            angle = float(np.rad2deg(np.arctan2(rise, across)))
            text = key.add("ledge angle", angle, "ledge_angle_deg", unit="°")
        board.label([middle[0], low - 5 * pen], text, across=align, up="top", clear=True)


def _stone_heights(board: Board, scene: SetStone, profile: Array, key: Legend) -> None:
    """Dimension the depth on the left, on the right its parts: estimated from the style."""
    pen, stone, z = board.pen, scene.stone, scene.girdle_z
    right = scene.reach + _OFF * pen
    left = -right
    levels = (z + stone.culet_z_mm, z - stone.girdle_mm / 2, z + stone.girdle_mm / 2,
              z + stone.table_z_mm)  # fmt: skip
    parts = {
        name: ends
        for name, ends in zip(HEIGHTS, reversed(list(pairwise(levels))), strict=True)
        if ends[1] - ends[0] > 1e-6
    }
    for level in (levels[0], levels[-1]):
        end = span(profile, level)[0] - _CLEAR * pen
        board.stroke([[end, level], [left - _OVER * pen, level]], "dimension")
    board.dimension([left, levels[0]], [left, levels[-1]])
    text = key.add("depth of the stone", stone.depth_mm)
    middle = (levels[0] + levels[-1]) / 2
    board.label([left - 5 * pen, middle], text, upright=True, up="bottom")
    for level in sorted({level for ends in parts.values() for level in ends}):
        end = span(profile, level)[1] + _CLEAR * pen
        board.stroke([[end, level], [right + _OVER * pen, level]], "dimension")
    heights = spread([sum(ends) / 2 for ends in parts.values()], _APART * pen)
    for (name, (low, high)), height in zip(parts.items(), heights, strict=True):
        board.dimension([right, low], [right, high])
        text = key.add(name.partition("_")[0], high - low, name)
        board.label([right + 7 * pen, height], text, across="left")
