"""Stones and metal as two general libraries see them: python-fcl's trees, manifold3d's solids."""

from __future__ import annotations

import fcl
import manifold3d
import numpy as np

from fitsolver.seats.seat import FACE_POINTS, Seats


def tree(vertices: np.ndarray, triangles: np.ndarray) -> fcl.CollisionObject:
    model = fcl.BVHModel()
    model.beginModel(len(vertices), len(triangles))
    model.addSubModel(np.ascontiguousarray(vertices), triangles.astype(np.int64))
    model.endModel()
    return fcl.CollisionObject(model)


def solid_of(vertices: np.ndarray, triangles: np.ndarray) -> manifold3d.Manifold:
    mesh = manifold3d.Mesh64(
        vert_properties=np.ascontiguousarray(vertices, dtype=np.float64),
        tri_verts=np.ascontiguousarray(triangles, dtype=np.uint64),
    )
    solid = manifold3d.Manifold(mesh)
    assert solid.status() == manifold3d.Error.NoError
    return solid


def runs_of(seats: Seats, there: np.ndarray) -> list[tuple[np.ndarray, bool]]:
    """Stations along which there is metal, and whether they close to a ring."""
    count = len(there)
    if seats.holds == "claws":
        return [(np.arange(k, k + FACE_POINTS), False) for k in range(0, count, FACE_POINTS)]
    if there.all():
        return [(np.arange(count), True)]
    runs, first = [], int(np.argmin(there)) + 1
    run = [first % count]
    for k in range(first, first + count):
        if there[k % count]:
            run.append((k + 1) % count)
        else:
            runs.append((np.array(run), False))
            run = [(k + 1) % count]
    return [item for item in runs if len(item[0]) > 1]


def ledge_solid(seats: Seats) -> manifold3d.Manifold:
    """The metal under a ledge, or under each notch, closed 1 mm below its lowest place."""
    assert seats.ledge_inner is not None
    assert seats.ledge_inner_z is not None
    assert seats.ledge_outer_z is not None
    inner = np.column_stack([seats.ledge_inner[0], seats.ledge_inner_z[0]])
    outer = np.column_stack([seats.opening[0], seats.ledge_outer_z[0]])
    floor = float(inner[:, 2].min()) - 1.0
    whole = manifold3d.Manifold()
    for run, closed in runs_of(seats, seats.ledge_after):
        size = len(run)
        top = np.vstack([inner[run], outer[run]])
        bottom = top * (1, 1, 0) + (0, 0, floor)
        i, o, lower = np.arange(size), np.arange(size) + size, 2 * size
        faces = []
        for a in range(size if closed else size - 1):
            b = (a + 1) % size
            # The same diagonal as the metal's: from the inner edge on to the next outer place.
            faces += [(i[a], o[b], i[b]), (i[a], o[a], o[b])]
            faces += [(i[a] + lower, i[b] + lower, o[b] + lower)]
            faces += [(i[a] + lower, o[b] + lower, o[a] + lower)]
            faces += [(i[a], i[b], i[b] + lower), (i[a], i[b] + lower, i[a] + lower)]
            faces += [(o[a], o[b] + lower, o[b]), (o[a], o[a] + lower, o[b] + lower)]
        if not closed:
            e = size - 1
            faces += [(i[0], i[0] + lower, o[0] + lower), (i[0], o[0] + lower, o[0])]
            faces += [(i[e], o[e] + lower, i[e] + lower), (i[e], o[e], o[e] + lower)]
        block = solid_of(np.vstack([top, bottom]), np.array(faces))
        assert block.volume() > 0
        whole = whole + block
    return whole


def soup_tree(triangles: np.ndarray) -> fcl.CollisionObject:
    """Loose triangles (t, 3, 3) as a tree."""
    return tree(triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3))


def meet(one: fcl.CollisionObject, other: fcl.CollisionObject) -> bool:
    """Whether triangles of the two meet."""
    return fcl.collide(one, other, fcl.CollisionRequest(), fcl.CollisionResult()) > 0


def extruded(rings: list[np.ndarray], low: float, high: float) -> manifold3d.Manifold:
    """Plan polygons, even-odd filled, between two heights."""
    section = manifold3d.CrossSection(rings, manifold3d.FillRule.EvenOdd)
    return section.extrude(high - low).translate([0.0, 0.0, low])
