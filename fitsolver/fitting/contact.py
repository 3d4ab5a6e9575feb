"""Exact contact between a stone and metal surfaces: how deep a stone can be lowered.

The stone is convex, or the union of two convex halves (a heart), of which each meets the metal by
itself: the image of one meets the image of the metal. A convex stone's lower side is a maximum of
planes, so its height over a straight metal edge is convex and the clearance along the edge
concave: the greatest approach over a triangle lies at one of its corners, along one of its edges,
or under a vertex of the stone. All three are tried; there is no sampling.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitsolver.seats.metal import Surface
from fitsolver.stones.stone import Stone

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    """Where a stone comes to rest when lowered level.

    `rest_z_mm` height of the girdle's middle plane, -inf if nothing is under the stone; `on` the
    surface that stops it, "" if none; `point_mm` (3,) where.
    """

    rest_z_mm: float
    on: str
    point_mm: tuple[float, float, float]


def drop(
    stone: Stone,
    surfaces: Iterable[Surface],
    *,
    shift_mm: tuple[float, float] = (0.0, 0.0),
    turn_rad: float = 0.0,
) -> Drop:
    """Lower `stone` level, at a shift and turn in the plane, until metal stops it.

    Only *support* surfaces stop it: movable metal is judged by the gaps. The answer is exact for
    the polygons: t = max over metal points under the outline of z_metal - lower surface.
    """
    best = Drop(rest_z_mm=-np.inf, on="", point_mm=(0.0, 0.0, 0.0))
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    to_stone = np.array([[c, -s], [s, c]])
    for surface in surfaces:
        if surface.role != "support" or len(surface.triangles) == 0:
            continue
        triangles = surface.triangles.copy()
        triangles[..., :2] = (triangles[..., :2] - shift_mm) @ to_stone
        height, point = _highest(stone, triangles)
        if height > best.rest_z_mm:
            plan = to_stone @ point[:2] + shift_mm
            best = Drop(
                rest_z_mm=height,
                on=surface.name,
                point_mm=(float(plan[0]), float(plan[1]), float(point[2])),
            )
    return best


def _highest(stone: Stone, triangles: Array) -> tuple[float, Array]:
    """Greatest z_metal - lower surface over the triangles, and the metal point where it is."""
    found = [_over_vertices(stone, triangles)]
    for side in (1.0, -1.0) if stone.form.mirrored else (1.0,):
        seen = triangles * (1.0, side, 1.0)
        start, stop = seen.reshape(-1, 3), seen[:, [1, 2, 0]].reshape(-1, 3)
        height, point = _over_edges(stone, start, stop)
        found.append((height, point * (1.0, side, 1.0)))
    return max(found, key=lambda item: item[0])


def _lower_planes(stone: Stone) -> tuple[Array, Array]:
    """Slopes (k, 2) and heights (k,) of the planes whose maximum is the stone's lower side."""
    facets, depth = stone.form.pavilion, stone.pavilion_depth_mm
    girdle = -stone.girdle_mm / 2
    if len(facets.slopes) == 0 or depth == 0:
        return np.zeros((1, 2)), np.array([girdle - depth])
    slopes = depth * facets.normals / facets.slopes[:, None] / stone.width_mm
    heights = girdle - depth * facets.offsets / facets.slopes
    return np.vstack([slopes, [[0.0, 0.0]]]), np.append(heights, girdle - depth)


def _over_edges(stone: Stone, start: Array, stop: Array) -> tuple[float, Array]:
    """Greatest z_metal - lower surface over metal edges under the stone's convex body."""
    nothing = -np.inf, np.zeros(3)
    low, high = _clipped(stone, start[:, :2], stop[:, :2])
    kept = high >= low
    if not kept.any():
        return nothing
    start, stop, low, high = start[kept], stop[kept], low[kept], high[kept]
    slopes, heights = _lower_planes(stone)
    way = stop - start
    # Clearance along edge e under plane k: base + rate x position.
    base = start[:, 2, None] - start[:, :2] @ slopes.T - heights
    rate = way[:, 2, None] - way[:, :2] @ slopes.T
    rows = np.arange(len(base))

    def least(position: Array) -> tuple[Array, NDArray[np.int64]]:
        value = base + rate * position[:, None]
        k = value.argmin(axis=1)
        return value[rows, k], k

    value_low, k_low = least(low)
    value_high, k_high = least(high)
    best = np.where(value_low >= value_high, value_low, value_high)
    where = np.where(value_low >= value_high, low, high)
    # Climb between a line that rises and one that falls until their crossing lies on the envelope.
    open_ = (rate[rows, k_low] > 0) & (rate[rows, k_high] < 0)
    for _ in range(60):
        if not open_.any():
            break
        fall = rate[rows, k_low] - rate[rows, k_high]
        crossing = (base[rows, k_high] - base[rows, k_low]) / np.where(open_, fall, 1.0)
        crossing = np.clip(np.where(open_, crossing, low), low, high)
        value, k = least(crossing)
        better = open_ & (value > best)
        best, where = np.where(better, value, best), np.where(better, crossing, where)
        line = base[rows, k_low] + rate[rows, k_low] * crossing
        rising = rate[rows, k] > 0
        k_low = np.where(open_ & rising, k, k_low)
        k_high = np.where(open_ & ~rising, k, k_high)
        open_ = open_ & (value < line - 1e-12)
    e = int(best.argmax())
    point: Array = start[e] + where[e] * way[e]
    return float(best[e]), point


def _clipped(stone: Stone, start: Array, stop: Array) -> tuple[Array, Array]:
    """Part [low, high] of every edge that lies under the stone; high < low where none does."""
    outline = _shadow(stone)
    edge = np.roll(outline, -1, axis=0) - outline
    normals = np.column_stack([edge[:, 1], -edge[:, 0]])
    reach = np.einsum("ij,ij->i", normals, outline) + 1e-12
    begin = start @ normals.T - reach
    rate = (stop - start) @ normals.T
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = -begin / rate
    low = np.where(rate < 0, crossing, -np.inf).max(axis=1)
    high = np.where(rate > 0, crossing, np.inf).min(axis=1)
    outside = ((rate == 0) & (begin > 0)).any(axis=1)
    low, high = np.maximum(low, 0.0), np.minimum(high, 1.0)
    return low, np.where(outside, -np.inf, high)


def _shadow(stone: Stone) -> Array:
    """The convex body seen from above, counter-clockwise, shape (m, 2) [mm].

    That is its outline, less what crown and pavilion facets that meet take off a thin girdle.
    """
    import shapely

    vertices = stone.polyhedron.vertices
    if stone.form.mirrored:
        vertices = vertices[vertices[:, 1] >= 0]
    # Rounded so that the girdle's upper and lower vertices are one.
    plan = np.round(vertices[:, :2], 9)
    hull = shapely.MultiPoint(plan).convex_hull.exterior
    ring: Array = shapely.get_coordinates(hull)[:-1]
    return ring if hull.is_ccw else ring[::-1]


def _over_vertices(stone: Stone, triangles: Array) -> tuple[float, Array]:
    """Greatest z_metal - lower surface over the triangles at the stone's own vertices.

    (Those of the upper side never win.)
    """
    below = stone.polyhedron.vertices
    a, b, c = (triangles[:, i] for i in range(3))
    u, v = b[:, :2] - a[:, :2], c[:, :2] - a[:, :2]
    cross = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    flat = np.abs(cross) > 1e-12
    if not flat.any():
        return -np.inf, np.zeros(3)
    a, b, c, u, v, cross = a[flat], b[flat], c[flat], u[flat], v[flat], cross[flat]
    # Only vertices within a triangle's box can be over it.
    low = np.minimum(np.minimum(a, b), c)[:, :2] - 1e-9
    high = np.maximum(np.maximum(a, b), c)[:, :2] + 1e-9
    plan = below[:, None, :2]
    k, e = np.nonzero(((plan >= low) & (plan <= high)).all(axis=2))
    if not len(k):
        return -np.inf, np.zeros(3)
    w = below[k, :2] - a[e, :2]
    s = (w[:, 0] * v[e, 1] - w[:, 1] * v[e, 0]) / cross[e]
    t = (u[e, 0] * w[:, 1] - u[e, 1] * w[:, 0]) / cross[e]
    inside = (s >= -1e-12) & (t >= -1e-12) & (s + t <= 1 + 1e-12)
    z = a[e, 2] + s * (b[e, 2] - a[e, 2]) + t * (c[e, 2] - a[e, 2])
    value = np.where(inside, z - below[k, 2], -np.inf)
    best = int(value.argmax())
    return float(value[best]), np.array([*below[k[best], :2], z[best]])
