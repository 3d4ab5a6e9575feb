"""How clear of metal a stone's outline lies in plan, for hundreds of possible seats at once.

The outline is convex, or folded into a convex half (a heart): a point is off it by the greatest,
over the outline's normals, of n . p - h, negative inside. Metal is drawn by points and the
straight runs between them; a run comes nearest at one of its ends, or where a vertex of the
outline faces it squarely, as a stone's corner faces a smooth wall. Which normals and vertices can
matter is settled on one seat, the nominal one, and only their neighbours are tried on the others.

Lengths are in widths of the stone, so that one outline serves every size. Plan vectors lead with
the axis x, y; then come samples s and points n. Answers come in the precision of the points.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.stones.form import Form

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

# Normals that are tried for a point besides the nominal seat's own: close by, and parts of the way
# to those of the points before and after it, which are taken as so far at least and at most [deg].
CLOSE_DEG = 1.5
FAN = np.array([0.2, 0.5, 1.0])
FAN_DEG = 8.0, 60.0
# The same for the vertices that face a run, which only irregularity turns [deg].
RUN_FAN_DEG = np.array([0.0, -1.5, 1.5])


# Runs of metal that are shorter have no way of their own [widths].
SHORTEST_RUN = 1e-3


class Metal(Struct, frozen=True, kw_only=True):
    """Points (2, s, n) of metal seen from above, and the straight runs from each to the next.

    `joined` (n,) says whether there is metal between a point and the next; `way` (2, s, n) and
    `length` (s, n) of the runs, `outward` (2, s, n) their unit normals, to the right of the way.
    """

    points: Array
    joined: NDArray[np.bool_]
    way: Array
    length: Array
    outward: Array

    @staticmethod
    def of(points: Array, joined: NDArray[np.bool_]) -> Metal:
        """Draw the runs through points."""
        way = following(points) - points
        length = np.sqrt(np.maximum(way[0] ** 2 + way[1] ** 2, 1e-18))
        outward = np.stack([way[1], -way[0]]) / length
        return Metal(points=points, joined=joined, way=way, length=length, outward=outward)

    def row(self, sample: int) -> Metal:
        """One sample alone."""
        row = slice(sample, sample + 1)
        return Metal(
            points=self.points[:, row],
            joined=self.joined,
            way=self.way[:, row],
            length=self.length[row],
            outward=self.outward[:, row],
        )

    def moved(self, shift: Array) -> Metal:
        """As seen from a stone that is shifted by (2, s, 1)."""
        return replace(self, points=self.points - shift)


def following(values: Array) -> Array:
    """Values (..., n) of the next point round."""
    return np.concatenate([values[..., 1:], values[..., :1]], axis=-1)


def greatest(form: Form, points: Array, slopes: Array, levels: Array) -> Array:
    """Greatest of slopes . point - levels over points (2, s, n), shape (s, n).

    `slopes` (f, 2, n) and `levels` (f, n) are those tried at each point: of normals of the
    outline, or of pavilion facets.
    """
    x, y = points[0], np.abs(points[1]) if form.mirrored else points[1]
    best: Array = np.full_like(x, -np.inf)
    here, more = np.empty_like(best), np.empty_like(best)
    slopes, levels = slopes.astype(x.dtype, copy=False), levels.astype(x.dtype, copy=False)
    for slope, level in zip(slopes, levels, strict=True):
        np.multiply(x, slope[0], out=here)
        np.multiply(y, slope[1], out=more)
        here += more
        here -= level
        np.maximum(best, here, out=best)
    return best


def distance(form: Form, points: Array, tried: Indices) -> Array:
    """Distance of points (2, s, n) off the outline, trying normals (f, n): (s, n)."""
    return greatest(form, points, form.normals[tried].transpose(0, 2, 1), form.reach[tried])


def distance_of(form: Form, points: Array) -> tuple[Array, Array]:
    """Distance of points (2, n) of one seat off the outline, trying all normals: (n,) each.

    Beside it how far along the length the normal is that tells it.
    """
    away = form.fold(points.T) @ form.normals.T - form.reach
    nearest = away.argmax(axis=1)
    return away[np.arange(len(away)), nearest], form.normals[nearest, 0]


def nearest_normals(form: Form, points: Array, sides: int) -> Indices:
    """Numbers (sides, n) of the outline's normals that points (2, n) of one seat are nearest along.

    A second one is the next crest of n . p - h: from inside, another side may be nearly as near.
    """
    away = form.fold(points.T) @ form.normals.T - form.reach
    first = away.argmax(axis=1)
    if sides == 1:
        return np.asarray(first[None])
    rises = following(away) >= away
    before = np.concatenate([rises[:, -1:], rises[:, :-1]], axis=1)
    crest = before & (away >= following(away))
    crest[np.arange(len(first)), first] = False
    return np.stack([first, np.where(crest, away, -np.inf).argmax(axis=1)])


def fan() -> Array:
    """How normals are fanned: the close angle, parts, and least and most of what they are of."""
    return np.array([np.deg2rad(CLOSE_DEG), *FAN, *np.deg2rad(FAN_DEG)])


def with_neighbours(form: Form, nearest: Indices) -> Indices:
    """The same with normals on both sides of the first, as far as those of the points beside it.

    Shape (f, n): where a corner faces the points the fan is wide, along a smooth side narrow.
    """
    angle, middle = turns(form)
    own = angle[nearest[0]]
    close = np.full((1, len(own)), np.deg2rad(CLOSE_DEG))
    after = np.clip(_turn(following(own) - own), *np.deg2rad(FAN_DEG))
    before = np.clip(_turn(own - np.roll(own, 1)), *np.deg2rad(FAN_DEG))
    parts = np.concatenate([close, FAN[:, None] * after, -close, -FAN[:, None] * before])
    tried: Indices = np.vstack([nearest[0], _sectors(middle, own + parts), nearest[1:]])
    return tried


def facing(form: Form, metal: Metal, nominal: int) -> Array:
    """Vertex of the outline that reaches farthest toward each run of the metal, (2, s, n).

    It does not depend on the shift. (A heart's cleft faces no run: metal there has points.)
    """
    ring, before = _ring(form)
    out_x, out_y = metal.outward
    turn = np.arctan2(out_y[nominal], out_x[nominal]) + np.deg2rad(RUN_FAN_DEG)[:, None]
    tried = ring[_sectors(before, turn)].transpose(0, 2, 1)
    best = np.full_like(out_x, -np.inf)
    place = np.empty_like(metal.points)
    for x, y in tried.astype(best.dtype):
        here = out_x * x
        here += out_y * y
        better = here > best
        np.maximum(best, here, out=best)
        np.copyto(place[0], x, where=better)
        np.copyto(place[1], y, where=better)
    return place


def nearest_of_run(metal: Metal, gap: Array, vertex: Array) -> Array:
    """Least distance (s, n) of each run, from a point to the next, off an outline.

    `gap` is that of the points themselves, `vertex` (2, s, n) faces the runs. A run is nearer
    than its ends only where the vertex stands before it.
    """
    to_x, to_y = vertex - metal.points
    off = to_x * metal.outward[0]
    off += to_y * metal.outward[1]
    to_x *= metal.way[0]
    to_y *= metal.way[1]
    to_x += to_y
    part = np.divide(to_x, metal.length**2, out=to_x)
    # Of runs all but without a length, as at a tip, the ends tell all.
    squarely = metal.joined & (part > 0) & (part < 1) & (metal.length > SHORTEST_RUN)
    return np.asarray(np.minimum(gap, -off, out=gap.copy(order="K"), where=squarely))


@lru_cache(maxsize=64)
def turns(form: Form) -> tuple[Array, Array]:
    """Angles of the outline's normals (k,), and half-way to each from the one before."""
    angle = _angle(form.normals)
    return angle, (angle + np.append(angle[-1] - 2 * np.pi, angle[:-1])) / 2


@lru_cache(maxsize=64)
def _ring(form: Form) -> tuple[Array, Array]:
    """Vertices of the hull (h, 2), and the angle from which on each reaches farthest (h,)."""
    ring = _hull(form)
    edge = np.roll(ring, -1, axis=0) - ring
    # A vertex reaches farthest between the normals of the edges before and after it.
    before = np.roll(_angle(np.column_stack([edge[:, 1], -edge[:, 0]])), 1)
    before[0] -= 2 * np.pi
    return ring, before


def _hull(form: Form) -> Array:
    """The outline's convex hull, counter-clockwise."""
    if not form.mirrored:
        return form.outline
    import shapely

    hull = shapely.MultiPoint(form.outline).convex_hull.normalize()
    corners: Array = shapely.get_coordinates(hull)[:-1]
    return corners[::-1]


def _angle(normals: Array) -> Array:
    """Angles of normals (k, 2) that go once round, rising."""
    return np.unwrap(np.arctan2(normals[:, 1], normals[:, 0]))


def _turn(angle: Array) -> Array:
    """Angles brought to between half a turn back and half a turn on."""
    turned: Array = np.mod(angle + np.pi, 2 * np.pi) - np.pi
    return turned


def _sectors(starts: Array, turn: Array) -> Indices:
    """Number of the sector, from each start to the next, that every angle lies in."""
    turned = np.mod(turn - starts[0], 2 * np.pi) + starts[0]
    number: Indices = np.searchsorted(starts, turned, side="right").astype(np.int64) - 1
    return number
