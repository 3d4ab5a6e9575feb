"""Polyhedra from half-spaces: vertices, hull and volume by a general library (Qhull)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Polyhedron:
    """A closed surface: `vertices` (n, 3), outward `triangles` (m, 3) of indices, `volume`."""

    vertices: Array
    triangles: NDArray[np.int64]
    volume: float


def polyhedron_of(normals: Array, offsets: Array, inside: Array) -> Polyhedron:
    """Return the polyhedron {x : n_k . x <= d_k}.

    `normals` (k, 3) of any length, `offsets` (k,), `inside` (3,) a point strictly inside.
    Raises `ValueError` if `inside` is not.
    """
    from scipy.spatial import ConvexHull, HalfspaceIntersection

    length = np.linalg.norm(normals, axis=1)
    unit, distance = normals / length[:, None], offsets / length
    if np.any(unit @ inside >= distance):
        raise ValueError("the point is not inside the half-spaces")
    crossing = HalfspaceIntersection(np.column_stack([unit, -distance]), inside).intersections
    points = np.unique(np.round(crossing, 12), axis=0)
    hull = ConvexHull(points)
    triangles = hull.simplices.astype(np.int64)
    a, b, c = (points[triangles[:, i]] for i in range(3))
    flipped = np.einsum("ij,ij->i", np.cross(b - a, c - a), hull.equations[:, :3]) < 0
    triangles[flipped] = triangles[flipped][:, ::-1]
    used, renumbered = np.unique(triangles, return_inverse=True)
    return Polyhedron(
        vertices=points[used],
        triangles=renumbered.reshape(triangles.shape).astype(np.int64),
        volume=float(hull.volume),
    )


def with_image(half: Polyhedron) -> Polyhedron:
    """Join a polyhedron at y >= 0 to its mirror image, with which it shares a face in y = 0."""
    points = half.vertices.copy()
    shared = np.abs(points[:, 1]) < 1e-9
    points[shared, 1] = 0.0
    image = np.arange(len(points))
    image[~shared] = len(points) + np.arange(int((~shared).sum()))
    outer = half.triangles[~shared[half.triangles].all(axis=1)]
    return Polyhedron(
        vertices=np.vstack([points, points[~shared] * (1, -1, 1)]),
        triangles=np.vstack([outer, image[outer][:, ::-1]]),
        volume=2 * half.volume,
    )
