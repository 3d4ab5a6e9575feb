"""The metal of one seat as labelled triangles, as a caliper's readings draw it.

A stone is convex, so surfaces alone decide what it touches; no inside and outside is needed.
Each surface is *support* (a stone may rest on it) or *movable* (opened or closed at the bench).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.seats.seat import FACE_POINTS, Role, Seats

Array = NDArray[np.float64]

# Outer edge of a gallery rail over its inner one: wide enough for any pavilion to meet the rail.
RAIL_BREADTH = 1.15


class Surface(Struct, frozen=True, kw_only=True):
    """A named surface of the metal: `triangles` (t, 3, 3) [mm], support or movable."""

    name: str
    role: Role
    triangles: Array


def metal(seats: Seats, sample: int = 0) -> tuple[Surface, ...]:
    """Return the surfaces of one sample of a seat (the best estimate, if not said)."""
    return tuple(_surfaces(seats.rows(np.array([sample]))))


def _surfaces(seat: Seats) -> Iterator[Surface]:
    """The surfaces of a single seat."""
    runs = _runs(seat)
    claws = seat.holds == "claws"
    outer_z = np.zeros_like(seat.top) if seat.ledge_outer_z is None else seat.ledge_outer_z
    outer = _at_heights(seat.opening, outer_z)
    if seat.ledge_inner is not None and seat.ledge_inner_z is not None:
        inner = _at_heights(seat.ledge_inner, seat.ledge_inner_z)
        name = "notch" if claws else "ledge"
        carrying = runs if seat.ledge_after.all() else ledge_arcs(seat)
        yield Surface(name=name, role="support", triangles=_strips(inner, outer, carrying))
    rim = _at_heights(seat.opening_at(seat.top), seat.top)
    foot = outer
    if seat.state == "uncut":
        foot = _at_heights(seat.opening_at(seat.floor_z), seat.floor_z[:, None])
    name = "claw" if claws else "wall"
    yield Surface(name=name, role="movable", triangles=_strips(foot, rim, runs))
    if seat.gallery is not None and seat.gallery_z is not None:
        edge = _at_heights(seat.gallery, seat.gallery_z[:, None])
        band = edge * (RAIL_BREADTH, RAIL_BREADTH, 1.0)
        closed = [np.append(np.arange(len(edge)), 0)]
        yield Surface(name="gallery", role="support", triangles=_strips(edge, band, closed))
    size = 1.5 * np.abs(seat.opening).max()
    square = np.array([[-size, -size], [size, -size], [size, size], [-size, size]])
    plate = _at_heights(square[None], seat.floor_z[:, None])
    yield Surface(
        name="back" if seat.back == "closed" else "finger",
        role="support",
        triangles=plate[[[0, 1, 2], [0, 2, 3]]],
    )


def _at_heights(points: Array, z: Array) -> Array:
    """Points (n, 3) of a single seat's plan points (1, n, 2) at heights (1, n) or (1, 1)."""
    height = np.broadcast_to(z, points.shape[:2])
    lifted: Array = np.concatenate([points, height[..., None]], axis=2)[0]
    return lifted


def _runs(seats: Seats) -> list[NDArray[np.int64]]:
    """Runs of neighbouring stations: the whole round of a wall, or each claw's face."""
    count = len(seats.claw)
    if seats.holds == "wall":
        return [np.append(np.arange(count), 0)]
    return [np.arange(k, k + FACE_POINTS) for k in range(0, count, FACE_POINTS)]


def ledge_arcs(seat: Seats) -> list[NDArray[np.int64]]:
    """Runs of stations along which a wall's ledge is left, from gap to gap, if it has gaps."""
    count = len(seat.ledge_after)
    first = int(np.flatnonzero(~seat.ledge_after)[0]) + 1
    order = np.arange(first, first + count) % count
    kept = seat.ledge_after[order]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], kept, [False]]).astype(np.int64)))
    return [np.append(order[a:b], (order[b - 1] + 1) % count) for a, b in edges.reshape(-1, 2)]


def _strips(low: Array, high: Array, runs: list[NDArray[np.int64]]) -> Array:
    """Triangles between two rows of points (n, 3), along each run of stations."""
    out = []
    for run in runs:
        a, b = run[:-1], run[1:]
        out.append(np.stack([low[a], low[b], high[b]], axis=1))
        out.append(np.stack([low[a], high[b], high[a]], axis=1))
    return np.concatenate(out)
