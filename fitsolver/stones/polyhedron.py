"""Polyhedra from half-spaces: an upright prism, cut by one plane after the other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A vertex this near a plane lies on it, so that planes through one point share a vertex.
_ON = 1e-10


class Polyhedron(Struct, frozen=True, kw_only=True, eq=False):
    """A closed surface: `vertices` (n, 3), outward `triangles` (m, 3) of indices, `volume`."""

    vertices: Array
    triangles: NDArray[np.int64]
    volume: float


def cut_prism(ring: Array, low: float, high: float, normals: Array, offsets: Array) -> Polyhedron:
    """Return the prism over a ring, as far as it lies in the half-spaces n_k . x <= d_k.

    `ring` (m, 2) is convex and counter-clockwise, the prism stands from `low` to `high`; `normals`
    (k, 3) of any length, `offsets` (k,). Sizes are of the order of one to a hundred. A plane that
    passes within 1e-10 of a vertex passes through it. Raises `ValueError` if nothing is left.
    """
    count = len(ring)
    points = np.vstack([np.c_[ring, np.full(count, low)], np.c_[ring, np.full(count, high)]])
    first = range(count)
    solid = _Solid(points)
    solid.add(list(first)[::-1])
    solid.add([count + k for k in first])
    for k in first:
        after = (k + 1) % count
        solid.add([k, after, count + after, count + k])
    length = np.linalg.norm(normals, axis=1)
    for normal, offset in zip(normals / length[:, None], (offsets / length).tolist(), strict=True):
        solid.cut(normal, offset)
    return solid.polyhedron()


class _Solid:
    """A convex solid while it is cut: loops of vertices, and the faces that meet at each."""

    def __init__(self, points: Array) -> None:
        # Places of vertices that are gone hold nan, which lies beyond no plane, until used again.
        self._points = np.full((2 * len(points), 3), np.nan)
        self._points[: len(points)] = points
        self._free = list(range(2 * len(points) - 1, len(points) - 1, -1))
        self._faces: dict[int, list[int]] = {}
        self._made = 0
        self._at: list[set[int]] = [set() for _ in self._points]

    def add(self, loop: list[int]) -> None:
        """Add a face, counter-clockwise seen from outside."""
        self._faces[self._made] = loop
        for vertex in loop:
            self._at[vertex].add(self._made)
        self._made += 1

    def cut(self, normal: Array, offset: float) -> None:
        """Take off what lies beyond a plane."""
        beyond = self._points @ normal - offset
        out = np.flatnonzero(beyond > _ON).tolist()
        if not out:
            return
        met = set().union(*(self._at[vertex] for vertex in out))
        near = list(set().union(*(self._faces[face] for face in met)))
        away = dict(zip(near, beyond[near].tolist(), strict=True))
        made: dict[tuple[int, int], int] = {}
        after: dict[int, int] = {}
        for face in met:
            leaves, enters = self._shorten(face, away, made)
            if leaves != enters:
                after[enters] = leaves
        self._points[out] = np.nan
        self._free += out
        if not self._faces:
            raise ValueError("nothing is left between the half-spaces")
        cap = [next(iter(after))]
        while (vertex := after[cap[-1]]) != cap[0]:
            cap.append(vertex)
        self.add(cap)

    def _shorten(
        self, face: int, away: Mapping[int, float], made: dict[tuple[int, int], int]
    ) -> tuple[int, int]:
        """Keep what is left of a face; where its edge leaves and enters, -1 where it never does."""
        loop = self._faces.pop(face)
        kept: list[int] = []
        leaves = enters = -1
        before = loop[-1]
        last = away[before]
        for vertex in loop:
            here = away[vertex]
            if here > _ON:
                self._at[vertex].discard(face)
                if last <= _ON:
                    leaves = before
                    if last < -_ON:
                        leaves = self._between(before, vertex, away, made)
                        self._at[leaves].add(face)
                        kept.append(leaves)
            else:
                if last > _ON:
                    enters = vertex
                    if here < -_ON:
                        enters = self._between(before, vertex, away, made)
                        self._at[enters].add(face)
                        kept.append(enters)
                kept.append(vertex)
            before, last = vertex, here
        if len(kept) > 2:
            self._faces[face] = kept
        else:  # it encloses nothing any more
            for vertex in kept:
                self._at[vertex].discard(face)
        return leaves, enters

    def _between(
        self, one: int, other: int, away: Mapping[int, float], made: dict[tuple[int, int], int]
    ) -> int:
        """The vertex where an edge meets the plane, the same for both of its faces."""
        edge = (one, other) if one < other else (other, one)
        if edge not in made:
            if not self._free:
                count = len(self._points)
                self._free = list(range(2 * count - 1, count - 1, -1))
                self._points = np.vstack([self._points, np.full_like(self._points, np.nan)])
                self._at += [set() for _ in range(count)]
            a, b = edge
            part = away[a] / (away[a] - away[b])
            made[edge] = self._free.pop()
            start = self._points[a]
            self._points[made[edge]] = start + part * (self._points[b] - start)
        return made[edge]

    def polyhedron(self) -> Polyhedron:
        """The solid as it is now, each face as a fan of triangles."""
        fans = np.array(list(_fans(self._faces.values())), dtype=np.int64)
        used, triangles = np.unique(fans, return_inverse=True)
        points, triangles = self._points[used], triangles.reshape(-1, 3).astype(np.int64)
        a, b, c = (points[triangles[:, k]] - points[0] for k in range(3))
        volume = float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)
        return Polyhedron(vertices=points, triangles=triangles, volume=volume)


def _fans(loops: Iterable[Sequence[int]]) -> Iterable[tuple[int, int, int]]:
    for first, *rest in loops:
        for k in range(len(rest) - 1):
            yield first, rest[k], rest[k + 1]


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
