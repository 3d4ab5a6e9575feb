"""The metal of one seat as labelled triangles, as a caliper's readings draw it.

A stone is convex, so surfaces alone decide what it touches; no inside and outside is needed.
Each surface is *support* (a stone may rest on it) or *movable* (opened or closed at the bench).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitsolver.seat import FACE_POINTS, Role, Seats

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A named surface of the metal: `triangles` (t, 3, 3) [mm], support or movable."""

    name: str
    role: Role
    triangles: Array


def metal(seats: Seats, sample: int = 0) -> tuple[Surface, ...]:
    """Return the surfaces of one sample of a seat (the best estimate, if not said)."""
    return tuple(_surfaces(seats, sample))


def _surfaces(seats: Seats, sample: int) -> Iterator[Surface]:
    s = slice(sample, sample + 1)
    patches = _patches(seats)
    opening = seats.opening[sample]
    outer_z = np.zeros(len(opening)) if seats.ledge_outer_z is None else seats.ledge_outer_z[sample]
    if seats.ledge_inner is not None and seats.ledge_inner_z is not None:
        outer = np.column_stack([opening, outer_z])
        inner = np.column_stack([seats.ledge_inner[sample], seats.ledge_inner_z[sample]])
        name = "notch" if seats.holds == "claws" else "ledge"
        yield Surface(name=name, role="support", triangles=_strips(inner, outer, patches))
    top = seats.top[s]
    rim = np.column_stack([seats.opening_at(top)[0 if seats.count == 1 else sample], top[0]])
    if seats.count > 1:
        one = seats.opening[sample] - (top[0] * seats.lean[sample])[:, None] * seats.outward
        rim = np.column_stack([one, top[0]])
    if seats.state == "cut":
        foot = np.column_stack([opening, outer_z])
    else:
        depth = np.full(len(opening), seats.floor_z[sample])
        below = seats.opening[sample] - (depth * seats.lean[sample])[:, None] * seats.outward
        foot = np.column_stack([below, depth])
    name = "claw" if seats.holds == "claws" else "wall"
    yield Surface(name=name, role="movable", triangles=_strips(foot, rim, patches))
    if seats.gallery is not None and seats.gallery_z is not None:
        rail = seats.gallery[sample]
        height = np.full((len(rail), 1), seats.gallery_z[sample])
        edge, band = np.hstack([rail, height]), np.hstack([rail * 1.15, height])
        closed = [np.append(np.arange(len(rail)), 0)]
        yield Surface(name="gallery", role="support", triangles=_strips(edge, band, closed))
    size = 1.5 * np.abs(opening).max()
    square = np.array([[-size, -size], [size, -size], [size, size], [-size, size]])
    plate = np.column_stack([square, np.full(4, seats.floor_z[sample])])
    yield Surface(
        name="back" if seats.back == "closed" else "finger",
        role="support",
        triangles=np.array([plate[[0, 1, 2]], plate[[0, 2, 3]]]),
    )


def _patches(seats: Seats) -> list[NDArray[np.int64]]:
    """Runs of neighbouring stations: the whole round of a wall, or each claw's face."""
    count = len(seats.claw)
    if seats.holds == "wall":
        return [np.append(np.arange(count), 0)]
    return [np.arange(k, k + FACE_POINTS) for k in range(0, count, FACE_POINTS)]


def _strips(low: Array, high: Array, runs: list[NDArray[np.int64]]) -> Array:
    """Triangles between two rows of points (n, 3), along each run of stations."""
    out = []
    for run in runs:
        a, b = run[:-1], run[1:]
        out.append(np.stack([low[a], low[b], high[b]], axis=1))
        out.append(np.stack([low[a], high[b], high[a]], axis=1))
    return np.concatenate(out)
