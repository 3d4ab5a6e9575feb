"""How clear of metal a stone's outline lies in plan, for hundreds of possible seats at once.

The outline is convex: a point is off it by the greatest, over the outline's normals, of n . p - h,
negative inside. Metal is drawn by points and the straight runs between them; a run comes nearest
at one of its ends, or where a vertex of the outline faces it squarely, as a stone's corner faces a
smooth wall. Which normals and vertices can matter is settled on one seat, the nominal one, and
only their neighbours are tried on the others.

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

# Neighbours of the nominal seat's normals that are tried for the others [deg].
FAN_DEG = np.array([0.0, -1.2, 1.2, -3.0, 3.0, -7.0, 7.0, -15.0, 15.0])
# The same for the normals of runs, which only irregularity turns [deg].
RUN_FAN_DEG = np.array([0.0, -1.2, 1.2, -3.5, 3.5])


@dataclass(frozen=True, kw_only=True)
class Metal:
    """Points (2, s, n) of metal seen from above, and the straight runs from each to the next.

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


def distance(form: Form, points: Array, width: Array, nominal: int) -> tuple[Array, Array]:
    """Distance of points (2, s, n) off outlines of `width` (s,) and its direction (2, s, n)."""
    away = points[:, nominal].T @ form.normals.T - form.reach * width[nominal]
    angle = _angle(form.normals)
    middle = (angle + np.append(angle[-1] - 2 * np.pi, angle[:-1])) / 2
    tried = _sectors(middle, angle[away.argmax(axis=1)] + np.deg2rad(FAN_DEG)[:, None])
    x, y = points
    best = np.full(x.shape, -np.inf)
    along = np.zeros(points.shape)
    for normal, reach in zip(form.normals[tried], form.reach[tried], strict=True):
        here = x * normal[:, 0]
        here += y * normal[:, 1]
        here -= width[:, None] * reach
        better = here > best
        np.copyto(best, here, where=better)
        np.copyto(along[0], normal[:, 0], where=better)
        np.copyto(along[1], normal[:, 1], where=better)
    return best, along


def facing(form: Form, metal: Metal, width: Array, nominal: int) -> Array:
    """Vertex of the outline that reaches farthest toward each run of the metal, (2, s, n)."""
    edge = np.roll(form.outline, -1, axis=0) - form.outline
    # A vertex reaches farthest between the normals of the edges before and after it.
    before = np.roll(_angle(np.column_stack([edge[:, 1], -edge[:, 0]])), 1)
    before[0] -= 2 * np.pi
    out_x, out_y = metal.outward
    turn = np.arctan2(out_y[nominal], out_x[nominal]) + np.deg2rad(RUN_FAN_DEG)[:, None]
    best = np.full(out_x.shape, -np.inf)
    place = np.zeros(metal.points.shape)
    for x, y in form.outline[_sectors(before, turn)].transpose(0, 2, 1):
        here = out_x * x
        here += out_y * y
        better = here > best
        np.copyto(best, here, where=better)
        np.copyto(place[0], x, where=better)
        np.copyto(place[1], y, where=better)
    place *= width[:, None]
    return place


def nearest(
    metal: Metal, gap: Array, along: Array, vertex: Array, shift: Array
) -> tuple[Array, Array]:
    """Least distance (s, n) from each point to the next, and its direction (2, s, n).

    `gap` and `along` are those of the points themselves from the outline at `shift` (2, s, 1);
    `vertex` (2, s, n) faces the runs.
    """
    to_x, to_y = vertex + shift - metal.points
    out_x, out_y = metal.outward
    way_x, way_y = metal.way
    off = -(to_x * out_x + to_y * out_y)
    part = (to_x * way_x + to_y * way_y) / metal.run**2
    closer = metal.joined & (part > 0) & (part < 1) & (off < gap)
    return np.where(closer, off, gap), np.where(closer, metal.outward, along)


def _angle(normals: Array) -> Array:
    """Angles of normals (k, 2) that go once round, rising."""
    return np.unwrap(np.arctan2(normals[:, 1], normals[:, 0]))


def _sectors(starts: Array, turn: Array) -> Indices:
    """Number of the sector, from each start to the next, that every angle lies in."""
    turned = np.mod(turn - starts[0], 2 * np.pi) + starts[0]
    return np.searchsorted(starts, turned, side="right").astype(np.int64) - 1
