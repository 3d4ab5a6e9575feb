"""Whether what holds a stone keeps it from sliding out sideways, once it is closed.

Metal that is closed over the girdle blocks the direction that points at it: the outline's own
normal there, over the breadth of a claw. A stone can slide out in the plane where some direction
is blocked by none: the normals must point all round (their positive hull is the whole plane).
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.seats.seat import FACE_POINTS, Seats
from fitsolver.stones import outline
from fitsolver.stones.stone import Stone
from fitsolver.text.place import hours

Array = NDArray[np.float64]

# A tip is guarded where metal stands within so much of it [widths]; common practice.
_GUARDED = 0.08
# Directions blocked by less than this, as a sine (about a degree), are not blocked: what turning
# and play undo. Common practice.
_BLOCKED = 0.02


class Security(Struct, frozen=True, kw_only=True):
    """How metal holds a stone in the plane.

    `held`; `reason` why not, or ""; `open_arc_deg` the widest arc of the girdle between holding
    metal and where it begins; `weakest_deg` the direction that is blocked least, `blocked` its
    share (1 = squarely, 0 or less = free); `free_tips_deg` sharp tips without metal beside them.
    """

    held: bool
    reason: str
    open_arc_deg: float
    open_from_deg: float
    weakest_deg: float
    blocked: float
    free_tips_deg: tuple[float, ...]


def not_held(security: Security) -> str:
    """Why metal does not hold the stone in the plane, "" if it does."""
    if security.held:
        return ""
    where = (
        f"{security.open_arc_deg:.0f} deg are open from {security.open_from_deg:.0f} deg on"
        if "without" in security.reason
        else f"toward {hours(security.weakest_deg)}"
    )
    return f"{security.reason} ({where})"


def security(
    seats: Seats, stone: Stone, shift_mm: tuple[float, float], turn_rad: float, most_open_deg: float
) -> Security:
    """How the first of `seats` holds a stone; `most_open_deg` is the widest arc allowed open."""
    if seats.holds == "wall":
        return Security(
            held=True, reason="", open_arc_deg=0.0, open_from_deg=0.0, weakest_deg=0.0,
            blocked=1.0, free_tips_deg=(),
        )  # fmt: skip
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    to_seat = np.array([[c, s], [-s, c]])
    points = (seats.opening[0] - shift_mm) @ to_seat.T
    normals = blocking_normals(stone, points) @ to_seat
    weakest, blocked = weakest_direction(normals)
    start, size = _widest_arc(seats.opening[0])
    tips = _apart(outline.tips(stone.outline_mm), _GUARDED * stone.width_mm)
    free = [
        float(np.rad2deg(np.arctan2(tip[1], tip[0])) + np.rad2deg(turn_rad)) % 360
        for tip in tips
        if np.linalg.norm(points - tip, axis=1).min() > _GUARDED * stone.width_mm + _reach(seats)
    ]
    if blocked <= _BLOCKED:
        reason = "the stone can slide out sideways between the claws"
    elif size > most_open_deg:
        reason = "too much of the girdle is without a claw"
    else:
        reason = ""
    return Security(
        held=not reason,
        reason=reason,
        open_arc_deg=size,
        open_from_deg=start,
        weakest_deg=weakest,
        blocked=blocked,
        free_tips_deg=tuple(free),
    )


def _apart(tips: Array, least_mm: float) -> list[Array]:
    """Tips without those that lie nearer than so much to one before: halves of one blunt tip."""
    kept: list[Array] = []
    for tip in tips:
        if all(np.linalg.norm(tip - other) >= least_mm for other in kept):
            kept.append(tip)
    return kept


def _reach(seats: Seats) -> float:
    """Half of a claw's breadth [mm]: so far to either side a claw guards."""
    return float(np.linalg.norm(seats.opening[0, FACE_POINTS - 1] - seats.opening[0, 0])) / 2


def blocking_normals(stone: Stone, points: Array) -> Array:
    """Outward normals (n, 2) of the outline that face metal points (n, 2) of the stone's frame."""
    shape = stone.form
    away = shape.fold(points) @ shape.normals.T - shape.reach * stone.width_mm
    chosen: Array = shape.unfold(shape.normals[away.argmax(axis=1)], points)
    return chosen


def weakest_direction(normals: Array) -> tuple[float, float]:
    """Direction [deg] that unit normals (n, 2) block least, and its greatest n . d.

    Between two neighbours the middle is blocked least, by the cosine of half their angle.
    """
    angle = np.sort(np.arctan2(normals[:, 1], normals[:, 0]))
    apart = np.append(angle[1:], angle[0] + 2 * np.pi) - angle
    k = int(np.round(apart, 9).argmax())
    middle = angle[k] + apart[k] / 2
    return float(np.rad2deg(middle)) % 360, float(np.cos(apart[k] / 2))


def _widest_arc(opening: Array) -> tuple[float, float]:
    """Where the widest arc between claws begins, and its size, seen from the centre [deg]."""
    claws = np.unwrap(np.arctan2(opening[:, 1], opening[:, 0]).reshape(-1, FACE_POINTS), axis=1)
    low, high = np.rad2deg(claws.min(axis=1)), np.rad2deg(claws.max(axis=1))
    turn = np.floor(low / 360) * 360
    order = np.argsort(low - turn)
    low, high = (low - turn)[order], (high - turn)[order]
    size = np.append(low[1:], low[0] + 360) - high
    k = int(np.round(size, 9).argmax())
    return float(high[k] % 360), float(max(size[k], 0.0))
