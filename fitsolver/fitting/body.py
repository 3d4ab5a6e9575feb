"""A stone's convex bodies in any position: half-spaces, vertices, lower side and shadow.

A stone is one convex body, or two that are mirror images (a heart). Turned, tilted and shifted
they stay half-spaces, so that contact with metal is exact in any position.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.stones.stone import Stone

Array = NDArray[np.float64]

# A facet whose normal points down by less carries nothing: it stands upright.
_UPRIGHT = 1e-9


class Body(Struct, frozen=True, kw_only=True, eq=False, dict=True):
    """A convex body {x : n_k . x <= d_k}: `normals` (k, 3) unit, `offsets` (k,), `vertices` [mm].

    `vertices` (n, 3) are its corners.
    """

    normals: Array
    offsets: Array
    vertices: Array

    def moved(self, rotation: Array, shift: Array) -> Body:
        """The body turned by a matrix (3, 3) about the origin, then shifted by (3,) [mm]."""
        normals = self.normals @ rotation.T
        return Body(
            normals=normals,
            offsets=self.offsets + normals @ shift,
            vertices=self.vertices @ rotation.T + shift,
        )

    @cached_property
    def lower(self) -> tuple[Array, Array]:
        """Slopes (m, 2) and heights (m,) of the planes whose greatest is the lower side [mm]."""
        down = self.normals[:, 2] < -_UPRIGHT
        normals, offsets = self.normals[down], self.offsets[down]
        return -normals[:, :2] / normals[:, 2:], offsets / normals[:, 2]

    def lower_at(self, points: Array) -> Array:
        """Height of the lower side over plan points (..., 2) [mm]; +inf beside the shadow."""
        slopes, heights = self.lower
        z = (points @ slopes.T + heights).max(axis=-1)
        normals, reach = self.sides
        beside = (points @ normals.T - reach).max(axis=-1) > 0
        return np.where(beside, np.inf, z)

    @cached_property
    def shadow(self) -> Array:
        """The body seen from above, counter-clockwise, (m, 2) [mm].

        Level, it is the outline less what crown and pavilion facets that meet take off a thin
        girdle.
        """
        import shapely

        # Rounded so that the girdle's upper and lower vertices are one.
        plan = np.round(self.vertices[:, :2], 9)
        hull = shapely.MultiPoint(plan).convex_hull.exterior
        ring: Array = shapely.get_coordinates(hull)[:-1]
        return ring if hull.is_ccw else ring[::-1]

    @cached_property
    def sides(self) -> tuple[Array, Array]:
        """Normals (m, 2), not of unit length, and reach (m,) of the shadow's sides."""
        ring = self.shadow
        edge = np.roll(ring, -1, axis=0) - ring
        normals = np.column_stack([edge[:, 1], -edge[:, 0]])
        return normals, np.einsum("ij,ij->i", normals, ring) + 1e-12

    @cached_property
    def underside(self) -> Array:
        """The vertices on the lower side, (n, 3)."""
        slopes, heights = self.lower
        z = (self.vertices[:, :2] @ slopes.T + heights).max(axis=1)
        kept: Array = self.vertices[self.vertices[:, 2] <= z + 1e-7]
        return kept


def bodies(stone: Stone) -> tuple[Body, ...]:
    """The convex bodies of a stone in its own frame: one, or a heart's two halves."""
    normals, offsets, _ = stone.half_spaces
    vertices = stone.polyhedron.vertices
    if not stone.form.mirrored:
        return (Body(normals=normals, offsets=offsets, vertices=vertices),)
    half = vertices[vertices[:, 1] >= 0]
    image = np.array([1.0, -1.0, 1.0])
    return (
        Body(normals=normals, offsets=offsets, vertices=half),
        Body(normals=normals * image, offsets=offsets, vertices=half * image),
    )


def rotation(turn_rad: float, toward_rad: float = 0.0, tilt_rad: float = 0.0) -> Array:
    """Matrix (3, 3) of a turn in the plane, then of a tilt that lowers the side at `toward_rad`."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    if tilt_rad == 0:
        return turn
    a, b = np.cos(toward_rad), np.sin(toward_rad)
    way = np.array([[a, -b, 0.0], [b, a, 0.0], [0.0, 0.0, 1.0]])
    c, s = np.cos(tilt_rad), np.sin(tilt_rad)
    lower = np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
    tilted: Array = way @ lower @ way.T @ turn
    return tilted


def placed(
    stone: Stone,
    shift_mm: tuple[float, float] = (0.0, 0.0),
    turn_rad: float = 0.0,
    *,
    z_mm: float = 0.0,
    toward_rad: float = 0.0,
    tilt_rad: float = 0.0,
) -> tuple[Body, ...]:
    """The bodies in the seat's frame, the stone's origin (its girdle's middle) at shift and z."""
    about = rotation(turn_rad, toward_rad, tilt_rad)
    to = np.array([*shift_mm, z_mm])
    return tuple(body.moved(about, to) for body in bodies(stone))
