"""Whether what holds a stone keeps it from coming out sideways, once it is closed.

The stone is moved as it could really be moved: straight in every direction, from where it lies,
from where other moves end and a little turned, until it meets the face of a claw. A claw's face
is flat and stops what meets it; only that of a corner claw wraps the girdle. What gets so far that
it leaves the metal closed over it on the other side comes out.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.seats.allowance import Allowances
from fitsolver.seats.seat import FACE_POINTS, Seats
from fitsolver.stones import outline
from fitsolver.stones.stone import Stone
from fitsolver.text.place import hours

Array = NDArray[np.float64]
Body = tuple[Array, Array]
"""A convex part of an outline: normals (k, 2) and how far it reaches along them (k,)."""

# A tip is guarded where metal stands within so much of it [widths]; common practice.
_GUARDED = 0.08
# Grazing metal by so much stops nothing [mm]: less than a caliper reads.
_GRAZE_MM = 0.005
# Directions of the first moves, and every how many-th of the moves after them.
_DIRECTIONS, _LATER = 72, 2
# A stone that is not round may turn in its play by steps of this, so far at most [deg]; common
# practice.
_TURN_DEG, _MOST_TURN_DEG = 2.0, 4.0
# A round one is followed further where it moves so far, of what would free it.
_LOOSE = 0.25
# What nothing stops goes so far [mm].
_FREE = 1e6
# How often moves follow moves, from how many places, and how near places are one [mm].
_ROUNDS, _FRONTIER, _STEP_MM = 8, 10, 0.03


class Security(Struct, frozen=True, kw_only=True):
    """How metal holds a stone in the plane.

    `held`; `reason` why not, or ""; `open_arc_deg` the widest arc of the girdle between holding
    metal and where it begins; `play_mm` how far the stone can be moved, toward `weakest_deg`, inf
    where nothing stops it, of the `play_most_mm` from which on it leaves the metal closed over it
    on the other side; `free_tips_deg` sharp tips without metal beside them.
    """

    held: bool
    reason: str
    open_arc_deg: float
    open_from_deg: float
    weakest_deg: float
    play_mm: float
    play_most_mm: float
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
    seats: Seats,
    stone: Stone,
    shift_mm: tuple[float, float],
    turn_rad: float,
    allowances: Allowances,
) -> Security:
    """How the first of `seats` holds a stone that lies shifted and turned."""
    most = allowances["closed_over_share"] * stone.width_mm
    if seats.holds == "wall":
        return Security(
            held=True, reason="", open_arc_deg=0.0, open_from_deg=0.0, weakest_deg=0.0,
            play_mm=0.0, play_most_mm=most, free_tips_deg=(),
        )  # fmt: skip
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    to_seat = np.array([[c, s], [-s, c]])
    points = (seats.opening[0] - shift_mm) @ to_seat.T
    widest = allowances["gap_max_mm"] if seats.state == "cut" else 0.0
    faces = _closed(seats, points, seats.outward @ to_seat.T, _bodies(stone, 0.0), widest)
    weakest, play = farthest(
        _bodies(stone, _GRAZE_MM), faces, most, round_stone=stone.form.style.family == "round"
    )
    start, size = _widest_arc(seats.opening[0])
    tips = _apart(outline.tips(stone.outline_mm), _GUARDED * stone.width_mm)
    free = [
        float(np.rad2deg(np.arctan2(tip[1], tip[0])) + np.rad2deg(turn_rad)) % 360
        for tip in tips
        if np.linalg.norm(points - tip, axis=1).min() > _GUARDED * stone.width_mm + _reach(seats)
    ]
    if play > most:
        reason = "the stone can slide out sideways between the claws"
    elif size > allowances["largest_open_arc_deg"]:
        reason = "too much of the girdle is without a claw"
    else:
        reason = ""
    return Security(
        held=not reason,
        reason=reason,
        open_arc_deg=size,
        open_from_deg=start,
        weakest_deg=(weakest + float(np.rad2deg(turn_rad))) % 360,
        play_mm=play,
        play_most_mm=most,
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


def _bodies(stone: Stone, less_mm: float) -> tuple[Body, ...]:
    """The convex parts of a stone's outline [mm], each less so much all round."""
    shape = stone.form
    reach = shape.reach * stone.width_mm - less_mm
    own = shape.normals, reach
    return (own, (shape.normals * (1.0, -1.0), reach)) if shape.mirrored else (own,)


def _meets(bodies: tuple[Body, ...], points: Array, ways: Array) -> tuple[Array, Array]:
    """When points (n, 2) enter and leave bodies that move along ways (m, 2), (bodies, m, n) each.

    Of the whole line, backwards too; inf and -inf where it passes by.
    """
    entered, left = [], []
    for normals, reach in bodies:
        off = points @ normals.T - reach  # (n, k)
        closing = (ways @ normals.T)[:, None]  # (m, 1, k)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = off / closing
        beside = (np.abs(closing) < 1e-12) & (off > 0)
        first = np.where(closing >= 1e-12, at, -np.inf).max(axis=2)
        last = np.where(closing <= -1e-12, at, np.inf).min(axis=2)
        passes = beside.any(axis=2) | (first >= last)
        entered.append(np.where(passes, np.inf, first))
        left.append(np.where(passes, -np.inf, last))
    return np.stack(entered), np.stack(left)


def _travel(bodies: tuple[Body, ...], points: Array, ways: Array) -> Array:
    """How far bodies move along each way (m, 2) before they meet a point (n, 2); or `_FREE`."""
    entered, left = _meets(bodies, points, ways)
    gone: Array = np.where(left > 0, np.maximum(entered, 0.0), _FREE).min(axis=(0, 2))
    return np.minimum(gone, _FREE)


def _closed(
    seats: Seats, points: Array, outward: Array, bodies: tuple[Body, ...], widest_mm: float
) -> Array:
    """Faces of the claws (n, 2) once closed: those that the stone passes are moved out to it.

    Those farther off than `widest_mm` are moved in to it: that they cannot reach so far is told by
    the gaps. In an uncut seat that is all of them, notches being cut to the stone.
    """
    faces = points.copy()
    for claw in range(int(seats.claw.max()) + 1):
        own = seats.claw == claw
        # A face goes out along its middle normal.
        way = outward[own].mean(axis=0)
        way /= np.linalg.norm(way)
        entered, left = _meets(bodies, points[own], -way[None])
        out = float(np.max(np.where((entered < 0) & (left > 0), left, 0.0)))
        if out == 0.0:
            back, _ = _meets(bodies, points[own], way[None])
            nearest = float(np.min(np.where(back > 0, back, np.inf)))
            out = -nearest if widest_mm < nearest < np.inf else 0.0
        faces[own] = points[own] + out * way
    return faces


def farthest(
    bodies: tuple[Body, ...], faces: Array, most_mm: float, *, round_stone: bool = False
) -> tuple[float, float]:
    """Direction [deg] in which a stone can be moved farthest among faces (n, 2), and how far [mm].

    Straight moves first, then moves from the farthest places that moves end at, with the stone
    turned a little on the way unless it is round, until nothing new is reached or it is out.
    """
    ways = _circle(_DIRECTIONS)
    gone = _travel(bodies, faces, ways)
    best = _farther((0.0, -1.0), ways * gone[:, None])
    if best[1] > most_mm or (round_stone and best[1] <= _LOOSE * most_mm):
        return best
    later, seen = ways[::_LATER], {(0, 0, 0.0)}
    frontier = [(0.0, 0.0, 0.0)]
    for _ in range(_ROUNDS):
        reached = {}
        for x, y, turn in frontier:
            for next_turn in _turns_from(turn, round_stone=round_stone):
                there = _turned(faces - (x, y), next_turn)
                if next_turn != turn and _inside(bodies, there):
                    continue
                ends = (x, y) + later * _travel(bodies, there, _turned(later, next_turn))[:, None]
                best = _farther(best, ends)
                if best[1] > most_mm:
                    return best
                for end in ends.tolist():
                    key = (round(end[0] / _STEP_MM), round(end[1] / _STEP_MM), next_turn)
                    if key not in seen:
                        seen.add(key)
                        reached[key] = (*end, next_turn)
        frontier = sorted(reached.values(), key=lambda at: -np.hypot(at[0], at[1]))[:_FRONTIER]
        if not frontier:
            break
    return best


def _circle(count: int) -> Array:
    """Unit vectors all round, (count, 2)."""
    angle = 2 * np.pi * np.arange(count) / count
    return np.column_stack([np.cos(angle), np.sin(angle)])


def _turns_from(turn_deg: float, *, round_stone: bool) -> tuple[float, ...]:
    """The turns of a stone that can follow one [deg]: the same, and a step to either side."""
    if round_stone:
        return (turn_deg,)
    near = (turn_deg, turn_deg - _TURN_DEG, turn_deg + _TURN_DEG)
    return tuple(each for each in near if abs(each) <= _MOST_TURN_DEG)


def _turned(vectors: Array, turn_deg: float) -> Array:
    """Plan vectors (n, 2) as a stone sees them that is turned by so much."""
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    turned: Array = vectors @ np.array([[c, -s], [s, c]])
    return turned


def _inside(bodies: tuple[Body, ...], points: Array) -> bool:
    """Whether any point (n, 2) lies inside a body."""
    return any(bool((points @ n.T < reach - 1e-9).all(axis=1).any()) for n, reach in bodies)


def _farther(best: tuple[float, float], ends: Array) -> tuple[float, float]:
    """The farther of what was found and places (m, 2) that moves end at; inf goes on for ever."""
    away = np.hypot(*ends.T)
    k = int(np.round(away, 9).argmax())
    if away[k] <= best[1]:
        return best
    toward = float(np.rad2deg(np.arctan2(ends[k, 1], ends[k, 0]))) % 360
    return toward, float(away[k]) if away[k] < _FREE / 2 else np.inf


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
