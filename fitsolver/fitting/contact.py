"""Exact contact between a stone and metal surfaces: how deep a stone can be lowered.

The stone is convex, or the union of two convex halves (a heart), each of which meets the metal by
itself. A convex body's lower side is a maximum of planes, so its height over a straight metal edge
is convex and the clearance along the edge concave: the greatest approach over a triangle lies at
one of its corners, along one of its edges, or under a vertex of the stone. All three are tried;
there is no sampling. Level or tilted makes no difference.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.fitting.body import Body, placed
from fitsolver.seats.metal import Surface
from fitsolver.stones.stone import Stone

Array = NDArray[np.float64]

# How many corners are looked at together.
_FEW = 32


class Drop(Struct, frozen=True, kw_only=True):
    """Where a stone comes to rest when lowered without turning.

    `rest_z_mm` height of the girdle's middle (the stone's origin), -inf if nothing is under the
    stone; `on` the surface that stops it, "" if none; `point_mm` (3,) where.
    """

    rest_z_mm: float
    on: str
    point_mm: tuple[float, float, float]


class Approach(Struct, frozen=True, kw_only=True):
    """How near metal edges (e,) come to a body above them.

    `rise` (e,) greatest z_metal - lower side along each, -inf where it is not under the body;
    `part` (e,) where along it; `low`, `high` (e,) the part that is under the body.
    """

    rise: Array
    part: Array
    low: Array
    high: Array


def drop(
    stone: Stone,
    surfaces: Iterable[Surface],
    *,
    shift_mm: tuple[float, float] = (0.0, 0.0),
    turn_rad: float = 0.0,
    toward_rad: float = 0.0,
    tilt_rad: float = 0.0,
    movable: bool = False,
) -> Drop:
    """Lower `stone`, at a shift and turn in the plane, until metal stops it.

    It is lowered level, or with the side at `toward_rad` lower by a tilt. Only *support* surfaces
    stop it (movable metal is judged by the gaps), or with `movable` all. The answer is exact for
    the polygons: t = max over metal points under the outline of z_metal - lower surface.
    """
    bodies = placed(stone, shift_mm, turn_rad, toward_rad=toward_rad, tilt_rad=tilt_rad)
    best = Drop(rest_z_mm=-np.inf, on="", point_mm=(0.0, 0.0, 0.0))
    for surface in surfaces:
        if (surface.role != "support" and not movable) or len(surface.triangles) == 0:
            continue
        height, point = highest(bodies, surface.triangles, best.rest_z_mm)
        if height > best.rest_z_mm:
            x, y, z = point
            best = Drop(rest_z_mm=height, on=surface.name, point_mm=(float(x), float(y), float(z)))
    return best


def highest(bodies: Sequence[Body], triangles: Array, over: float = -np.inf) -> tuple[float, Array]:
    """Greatest z_metal - lower side over triangles (t, 3, 3), and the metal point where it is.

    What does not come above `over` is not looked into.
    """
    start, stop = triangles.reshape(-1, 3), triangles[:, [1, 2, 0]].reshape(-1, 3)
    best, where = over, np.zeros(3)
    for body in bodies:
        for found in (_at_corners, _over_edges):
            height, point = found(body, start, stop, best)
            if height > best:
                best, where = height, point
        height, point = _over_vertices(body, triangles, best)
        if height > best:
            best, where = height, point
    return (best, where) if best > over else (-np.inf, where)


def approach(body: Body, start: Array, stop: Array) -> Approach:
    """How near edges from `start` to `stop` (e, 3) come to the body above them, each exactly."""
    low, high = _clipped(body, start[:, :2], stop[:, :2])
    rise, part = np.full(len(start), -np.inf), np.zeros(len(start))
    kept = high >= low
    if kept.any():
        base, rate = _lines(body, start[kept], stop[kept])
        rise[kept], part[kept] = tops(base, rate, low[kept], high[kept])
    return Approach(rise=rise, part=part, low=low, high=high)


def within(body: Body, start: Array, stop: Array, near: Approach, least: float) -> Array:
    """Parts (e, 2) of the edges where z_metal - lower side is at least `least`; nan where nowhere.

    Along an edge it is a minimum of straight lines: the part is one piece, between crossings.
    """
    base, rate = _lines(body, start, stop)
    spare = base - least
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        crossing = -spare / rate
    low = np.maximum(np.where(rate > 0, crossing, -np.inf).max(axis=1), near.low)
    high = np.minimum(np.where(rate < 0, crossing, np.inf).min(axis=1), near.high)
    # A touching point may be missed by a rounding.
    touches = near.rise >= least
    low, high = np.minimum(low, near.part), np.maximum(high, near.part)
    return np.where(touches[:, None], np.column_stack([low, high]), np.nan)


def tops(base: Array, rate: Array, low: Array, high: Array) -> tuple[Array, Array]:
    """Greatest value and its place on [low, high] of every row's least of straight lines."""
    rows = np.arange(len(base))

    def least(position: Array) -> tuple[Array, NDArray[np.int64]]:
        value = base + rate * position[:, None]
        k = value.argmin(axis=1)
        return value[rows, k], k

    value_low, k_low = least(low)
    value_high, k_high = least(high)
    best = np.maximum(value_low, value_high)
    where = np.where(value_low >= value_high, low, high)
    # Climb between a line that rises and one that falls until their crossing lies on the envelope.
    open_ = np.flatnonzero((rate[rows, k_low] > 0) & (rate[rows, k_high] < 0))
    for _ in range(60):
        if len(open_) == 0:
            break
        rising, falling = k_low[open_], k_high[open_]
        base_up, rate_up = base[open_, rising], rate[open_, rising]
        base_down, rate_down = base[open_, falling], rate[open_, falling]
        crossing = (base_down - base_up) / (rate_up - rate_down)
        crossing = np.clip(crossing, low[open_], high[open_])
        every = base[open_] + rate[open_] * crossing[:, None]
        k = every.argmin(axis=1)
        value = every[np.arange(len(open_)), k]
        better = value > best[open_]
        best[open_[better]], where[open_[better]] = value[better], crossing[better]
        line = base_up + rate_up * crossing
        climbs = rate[open_, k] > 0
        k_low[open_[climbs]], k_high[open_[~climbs]] = k[climbs], k[~climbs]
        open_ = open_[value < line - 1e-12]
    return best, where


def _lines(body: Body, start: Array, stop: Array) -> tuple[Array, Array]:
    """Clearance along edge e under plane k is base + rate x position, (e, k)."""
    slopes, heights = body.lower
    way = stop - start
    base = start[:, 2, None] - start[:, :2] @ slopes.T - heights
    return base, way[:, 2, None] - way[:, :2] @ slopes.T


def _at_corners(body: Body, corners: Array, _: Array, over: float) -> tuple[float, Array]:
    """Greatest z_metal - lower side at metal corners (n, 3), where it is more than `over`."""
    slopes, heights = body.lower
    rise = corners[:, 2] - (corners[:, :2] @ slopes.T + heights).max(axis=1)
    normals, reach = body.sides
    order = np.argsort(-rise)
    # The highest first, until one of them is under the body.
    for first in range(0, len(order), _FEW):
        some = order[first : first + _FEW]
        if rise[some[0]] <= over:
            break
        under = some[(corners[some, :2] @ normals.T - reach).max(axis=1) <= 0]
        if len(under) and rise[under[0]] > over:
            return float(rise[under[0]]), corners[under[0]]
    return -np.inf, np.zeros(3)


def _over_edges(body: Body, start: Array, stop: Array, over: float) -> tuple[float, Array]:
    """Greatest z_metal - lower side over edges, where it is more than `over`."""
    nothing = -np.inf, np.zeros(3)
    base, rate = _lines(body, start, stop)
    # Under a plane the edge is highest at one of its ends.
    hopeful = np.maximum(base, base + rate).min(axis=1) > over
    if not hopeful.any():
        return nothing
    start, stop, base, rate = start[hopeful], stop[hopeful], base[hopeful], rate[hopeful]
    low, high = _clipped(body, start[:, :2], stop[:, :2])
    kept = high >= low
    if not kept.any():
        return nothing
    start, stop = start[kept], stop[kept]
    rise, part = tops(base[kept], rate[kept], low[kept], high[kept])
    e = int(rise.argmax())
    point: Array = start[e] + part[e] * (stop[e] - start[e])
    return float(rise[e]), point


def _clipped(body: Body, start: Array, stop: Array) -> tuple[Array, Array]:
    """Part [low, high] of every edge (e, 2) that lies under the body; high < low where none."""
    normals, reach = body.sides
    begin, end = start @ normals.T - reach, stop @ normals.T - reach
    low, high = np.zeros(len(start)), np.ones(len(start))
    leaves = np.flatnonzero((begin.max(axis=1) > 0) | (end.max(axis=1) > 0))
    if len(leaves):
        begin = begin[leaves]
        rate = (stop[leaves] - start[leaves]) @ normals.T
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            crossing = -begin / rate
        low[leaves] = np.maximum(np.where(rate < 0, crossing, -np.inf).max(axis=1), 0.0)
        stays = np.minimum(np.where(rate > 0, crossing, np.inf).min(axis=1), 1.0)
        outside = ((rate == 0) & (begin > 0)).any(axis=1)
        high[leaves] = np.where(outside, -np.inf, stays)
    return low, high


def _over_vertices(body: Body, triangles: Array, over: float) -> tuple[float, Array]:
    """Greatest z_metal - lower side at the body's own lower vertices, if more than `over`."""
    nothing = -np.inf, np.zeros(3)
    k, z = vertices_over(body, triangles, over)
    if len(k) == 0:
        return nothing
    below = body.underside[k]
    best = int((z - below[:, 2]).argmax())
    return float(z[best] - below[best, 2]), np.array([*below[best, :2], z[best]])


def vertices_over(body: Body, triangles: Array, over: float) -> tuple[NDArray[np.int64], Array]:
    """Which of the body's `underside` vertices stand over triangles: (vertex, z), (p,) each.

    z is the metal's height there; only pairs with z - vertex above `over` are told.
    """
    low_enough = np.flatnonzero(triangles[..., 2].max() - body.underside[:, 2] > over)
    below = body.underside[low_enough]
    a, b, c = (triangles[:, i] for i in range(3))
    u, v = b[:, :2] - a[:, :2], c[:, :2] - a[:, :2]
    cross = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    # Only vertices within a triangle's box can be over it.
    low = np.minimum(np.minimum(a, b), c)[:, :2] - 1e-9
    high = np.maximum(np.maximum(a, b), c)
    plan = below[:, None, :2]
    near = (np.abs(cross) > 1e-12) & (high[:, 2] - below[:, 2, None] > over)
    near &= (plan >= low).all(axis=2) & (plan <= high[:, :2] + 1e-9).all(axis=2)
    k, e = np.nonzero(near)
    w = below[k, :2] - a[e, :2]
    s = (w[:, 0] * v[e, 1] - w[:, 1] * v[e, 0]) / cross[e]
    t = (u[e, 0] * w[:, 1] - u[e, 1] * w[:, 0]) / cross[e]
    z = a[e, 2] + s * (b[e, 2] - a[e, 2]) + t * (c[e, 2] - a[e, 2])
    kept = (s >= -1e-12) & (t >= -1e-12) & (s + t <= 1 + 1e-12) & (z - below[k, 2] > over)
    return low_enough[k[kept]], z[kept]
