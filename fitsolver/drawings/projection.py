"""A stone as a draughtsman sees it: its edges from above, below or the side, and cut upright."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitsolver.stones import outline
from fitsolver.stones.form import Form, heights
from fitsolver.stones.stone import Stone

Array = NDArray[np.float64]
View = Literal["above", "below", "end", "side"]

# Where a viewer's right and up lie in the stone's frame, and the way towards the viewer.
_VIEWS: dict[str, tuple[tuple[float, float, float], ...]] = {
    "above": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "below": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),
    "end": ((0, 1, 0), (0, 0, 1), (1, 0, 0)),
    "side": ((1, 0, 0), (0, 0, 1), (0, -1, 0)),
}
# Two girdle sides that meet flatter than this stand for a smooth curve.
_SMOOTH_DEG = 12.0
_ON_FACET_MM = 1e-6


def typical_stone(form: Form, width_mm: float) -> Stone:
    """Return a stone of this form with the style's usual heights."""
    crown, girdle, pavilion = heights(form.style, form.proportions)
    return Stone(
        form=form,
        width_mm=width_mm,
        crown_height_mm=width_mm * float(crown),
        girdle_mm=width_mm * float(girdle),
        pavilion_depth_mm=width_mm * float(pavilion),
    )


def edges(stone: Stone, view: View) -> Array:
    """Return the facet edges that can be seen, projected, shape (e, 2, 2) [mm].

    The outline is not among them, nor are edges that only stand for a curve: between the many
    sides of a round girdle, or between the tiers of a dome.
    """
    normals, offsets, names = stone.half_spaces
    solid = stone.seen_from(view) if view in ("above", "below") else stone.polyhedron
    points = np.unique(np.round(solid.vertices, 7), axis=0)
    right, up, near = (np.array(axis, dtype=np.float64) for axis in _VIEWS[view])
    mirrored = stone.form.mirrored
    if mirrored:
        # One half is looked at, from its own side; its image is added at the end.
        points, near = points[points[:, 1] >= 0], np.abs(near) if view == "side" else near
    # A dome's own edges are no lines to draw, so its many planes need no corners.
    plain = (normals @ near > 1e-9) & np.array([name not in ("dome", "mirror") for name in names])
    facing = np.flatnonzero(plain)
    normals, offsets = normals[facing], offsets[facing]
    u = np.cross(normals, np.eye(3)[np.abs(normals).argmin(axis=1)])
    v = np.cross(normals, u)
    owners: dict[tuple[int, int], list[int]] = {}
    for k, on in enumerate(np.abs(normals @ points.T - offsets[:, None]) < _ON_FACET_MM):
        corner = on.nonzero()[0]
        if len(corner) < 3:
            continue
        flat = points[corner]
        flat = flat - flat.sum(axis=0) / len(corner)
        turn = corner[np.argsort(np.arctan2(flat @ v[k], flat @ u[k]))].tolist()
        for a, b in zip(turn, turn[1:] + turn[:1], strict=True):
            owners.setdefault((min(a, b), max(a, b)), []).append(k)
    plan = view in ("above", "below")
    smooth = np.cos(np.deg2rad(_SMOOTH_DEG))
    kept = []
    for pair, facets in owners.items():
        if mirrored and not points[list(pair), 1].any():
            # Where a facet meets its own image, unless the two are one.
            if abs(normals[facets[0], 1]) > 1e-9:
                kept.append(pair)
            continue
        sides = [normals[k] for k in facets if names[facing[k]] == "girdle"]
        # An edge of one facet alone belongs to the silhouette, or is where a dome begins.
        if len(facets) < 2 and (plan or sides):
            continue
        if len(sides) == 2 and float(sides[0] @ sides[1]) > smooth:
            continue
        kept.append(pair)
    ends = points[np.array(kept, dtype=np.int64).reshape(-1, 2)]
    if mirrored and view != "side":
        ends = np.concatenate([ends, ends * (1, -1, 1)])
    seen = np.stack([ends @ right, ends @ up], axis=-1)
    if plan or "dome" not in stone.form.crown.names or stone.girdle_mm == 0:
        return seen
    reach = stone.outline_mm @ right[:2]
    border = [[reach.min(), stone.girdle_mm / 2], [reach.max(), stone.girdle_mm / 2]]
    return np.concatenate([seen, [border]])


def contours(stone: Stone, shares: tuple[float, ...] = (0.5, 0.85)) -> list[Array]:
    """Return level lines of a domed crown at shares of its height, each (n, 2) [mm]; else none."""
    if "dome" not in stone.form.crown.names:
        return []
    return [stone.section(stone.girdle_mm / 2 + part * stone.crown_height_mm) for part in shares]


def silhouette(stone: Stone, view: View) -> Array:
    """Return the outer contour of the whole stone, a polygon (n, 2) [mm]."""
    if view in ("above", "below"):
        points = stone.outline_mm
        return points if view == "above" else points[::-1] * (1, -1)
    import shapely

    right, up, _ = (np.array(axis, dtype=np.float64) for axis in _VIEWS[view])
    flat = stone.polyhedron.vertices @ np.column_stack([right, up])
    hull = shapely.MultiPoint(flat).convex_hull.normalize().exterior
    ring: Array = shapely.get_coordinates(hull)[:-1]
    return ring[::-1]


def upright_section(
    stone: Stone, direction_rad: float, through: tuple[float, float] = (0.0, 0.0)
) -> Array:
    """Cut the stone by the upright plane along a direction through a plan point.

    Returns the polygon (n, 2) of distance along the direction from that point, and height [mm];
    shape (0, 2) if the plane misses the stone. Exact: every half-space clips it by one line. Of a
    heart cut through both lobes beside its cleft, the larger piece.
    """
    along = np.array([np.cos(direction_rad), np.sin(direction_rad)])
    middle = np.asarray(through)
    if not stone.form.mirrored:
        return _upright(stone, along, middle)
    sides = np.array([[1.0, 1.0], [1.0, -1.0]])
    halves = [_upright(stone, along * side, middle * side) for side in sides]
    one, other = (half if len(half) > 2 else np.zeros((0, 2)) for half in halves)
    if not len(one) or not len(other):
        return one if len(one) else other
    import shapely

    # Snapped to a grid of 1e-9 mm, so that the two share the line where they meet.
    both = shapely.union_all([shapely.Polygon(one), shapely.Polygon(other)], grid_size=1e-9)
    largest = max(shapely.get_parts(both), key=lambda part: float(part.area))
    ring: Array = np.array(largest.exterior.coords)[:-1]
    return ring if outline.area(ring) > 0 else ring[::-1]


def _upright(stone: Stone, along: Array, through: Array) -> Array:
    """Cut the stone's convex body by the upright plane along a unit direction through a point."""
    normals, offsets, _ = stone.half_spaces
    far = 2 * (stone.length_mm + stone.width_mm + float(np.hypot(*through)))
    low, high = stone.culet_z_mm, stone.table_z_mm
    points = np.array([[-far, low], [far, low], [far, high], [-far, high]])
    lines = np.column_stack([normals[:, :2] @ along, normals[:, 2]])
    rests = offsets - normals[:, :2] @ through
    for line, rest in zip(lines, rests, strict=True):
        points = outline.clip(points, line, float(rest))
    return points


def span(profile: Array, level: float) -> tuple[float, float]:
    """Return where a convex figure lies at a height (held inside its own), left and right."""
    z = np.clip(level, profile[:, 1].min() + 1e-9, profile[:, 1].max() - 1e-9)
    follow = np.roll(profile, -1, axis=0)
    a, b = profile[:, 1] - z, follow[:, 1] - z
    cut = (a < 0) != (b < 0)
    t = profile[cut, 0] + (follow - profile)[cut, 0] * (a[cut] / (a[cut] - b[cut]))
    return float(t.min()), float(t.max())
