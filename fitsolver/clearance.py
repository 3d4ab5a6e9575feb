"""How clear of metal a stone's outline lies in plan, for hundreds of possible seats at once.

The outline is convex: a point is off it by the greatest, over the outline's normals, of n . p - h,
negative inside. Metal is drawn by points and by the straight runs between them; a run comes
nearest at one of its ends, or where a vertex of the outline faces it squarely, as a stone's corner
faces a smooth wall. Which normals and vertices can matter is settled on one seat, the nominal one,
and only its neighbours are tried on the others.

Plan vectors lead with the axis x, y; then come samples s and points n.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitsolver.form import Form

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

# Neighbours of a point's nominal normal that are tried for the other seats [deg].
FAN_DEG = np.array([0.0, -1.2, 1.2, -3.0, 3.0, -7.0, 7.0, -15.0, 15.0])
# Vertices of the outline that are tried along a run.
RUN_VERTICES = 6


@dataclass(frozen=True, kw_only=True)
class Metal:
    """Points (2, s, n) of metal seen from above, and the runs from each to the next.

    `joined` (n,) says whether there is metal between a point and the next.
    """

    points: Array
    joined: NDArray[np.bool_]

    @cached_property
    def way(self) -> Array:
        """From each point to the next, (2, s, n)."""
        return np.roll(self.points, -1, axis=2) - self.points

    @cached_property
    def run(self) -> Array:
        """Length of each run, (s, n)."""
        length: Array = np.maximum(np.hypot(*self.way), 1e-9)
        return length

    @cached_property
    def outward(self) -> Array:
        """Normals of the runs, to the right of the way, (2, s, n)."""
        x, y = self.way / self.run
        return np.stack([y, -x])

    def row(self, sample: int) -> Metal:
        """One sample alone."""
        return Metal(points=self.points[:, sample : sample + 1], joined=self.joined)

    def moved(self, shift: Array) -> Metal:
        """Seen from a stone that is shifted by `shift` (s, 2)."""
        return Metal(points=self.points - shift.T[:, :, None], joined=self.joined)


def nearest_normals(form: Form, points: Array, width: float) -> tuple[Array, Indices]:
    """Distance off the outline of points (2, n), and the number of the normal it is along."""
    away = points.T @ form.normals.T - form.reach * width
    best = away.argmax(axis=1)
    return away[np.arange(len(best)), best], best


def fan(form: Form, nominal: Indices) -> Indices:
    """Numbers (f, n) of normals at `FAN_DEG` from the given ones (n,)."""
    angle = np.unwrap(np.arctan2(form.normals[:, 1], form.normals[:, 0]))
    start = angle[0]
    wanted = np.mod(angle[nominal] + np.deg2rad(FAN_DEG)[:, None] - start, 2 * np.pi) + start
    return np.searchsorted(angle, wanted).astype(np.int64) % len(angle)


def distance(points: Array, width: Array, form: Form, tried: Indices) -> tuple[Array, Array]:
    """Distance of points (2, s, n) off outlines of `width` (s,) and its direction (2, s, n).

    `tried` (f, n) are the normals that may be the nearest.
    """
    x, y = points
    away = np.full(x.shape, -np.inf)
    along = np.zeros(points.shape)
    for normal, reach in zip(form.normals[tried], form.reach[tried], strict=True):
        here = x * normal[:, 0] + y * normal[:, 1] - width[:, None] * reach
        better = here > away
        np.copyto(away, here, where=better)
        np.copyto(along[0], normal[:, 0], where=better)
        np.copyto(along[1], normal[:, 1], where=better)
    return away, along
