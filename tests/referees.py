"""Stones and metal as two general libraries see them: python-fcl's trees, manifold3d's solids."""

from __future__ import annotations

import fcl
import manifold3d
import numpy as np
import shapely

from fitsolver.fitting.body import rotation
from fitsolver.fitting.seated import Seated
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


def curtain(ring: np.ndarray, closed: bool) -> np.ndarray:
    """Triangles that hang 3 mm down from the edges of a ring (n, 3)."""
    ends = [(k, (k + 1) % len(ring)) for k in range(len(ring) if closed else len(ring) - 1)]
    down = ring - (0.0, 0.0, 3.0)
    quads = [((ring[a], ring[b], down[b]), (ring[a], down[b], down[a])) for a, b in ends]
    return np.array(quads).reshape(-1, 3, 3)


def strands(at: Seated, points: np.ndarray) -> list[np.ndarray]:
    """The stations as one ring, or claw by claw."""
    if not at.claws:
        return [points]
    return [points[k : k + FACE_POINTS] for k in range(0, len(points), FACE_POINTS)]


def cylinder(at: Seated) -> manifold3d.Manifold:
    """The finger, 60 mm of it."""
    assert at.finger_diameter_mm is not None
    radius = at.finger_diameter_mm / 2
    round_ = manifold3d.Manifold.cylinder(60.0, radius, radius, 720, True)
    # Along the width it lies along y.
    lying = round_.rotate([90.0, 0.0, 0.0] if at.finger_along == "width" else [0.0, 90.0, 0.0])
    return lying.translate([0.0, 0.0, float(at.seats.floor_z[0]) - radius])


def under(at: Seated, zone: str) -> np.ndarray:
    """Triangles of a zone's metal below the stone."""
    if zone == "gallery":
        assert at.seats.gallery is not None
        assert at.seats.gallery_z is not None
        rail = at.seats.gallery[0]
        edge = np.column_stack([rail, np.full(len(rail), at.seats.gallery_z[0])])
        triangles = [curtain(edge, closed=True)]
        # Its breadth, outward to 1.15 of it.
        wide = edge * (1.15, 1.15, 1.0)
        follow, wide_follow = np.roll(edge, -1, axis=0), np.roll(wide, -1, axis=0)
        triangles += [
            np.stack([edge, follow, wide_follow], axis=1),
            np.stack([edge, wide_follow, wide], axis=1),
        ]
        return np.concatenate(triangles)
    if zone == "finger" and at.finger_diameter_mm is not None:
        mesh = cylinder(at).to_mesh64()
        return np.asarray(mesh.vert_properties)[mesh.tri_verts][..., :3]
    if zone in ("finger", "back"):
        z = float(at.seats.floor_z[0])
        a, b, c, d = ((x, y, z) for x, y in ((-30, -30), (30, -30), (30, 30), (-30, 30)))
        return np.array([[a, b, c], [a, c, d]], dtype=float)
    assert at.seats.ledge_inner is not None
    assert at.seats.ledge_inner_z is not None
    inner = np.column_stack([at.seats.ledge_inner[0], at.seats.ledge_inner_z[0]])
    runs = runs_of(at.seats, at.seats.ledge_after)
    return np.concatenate([curtain(inner[run], closed) for run, closed in runs])


def beside(at: Seated) -> tuple[shapely.Polygon, list[np.ndarray], float]:
    """The outline, the metal's closed plan polygons and the level they are compared at."""
    seats, stone = at.seats, at.stone
    level = at.z_mm - stone.girdle_mm / 2
    # Metal that leans inward is nearest to the girdle's upper edge.
    height = level + np.where(seats.lean[0] > 0, stone.girdle_mm, 0.0)
    if seats.state == "cut":  # below the datum there is the ledge
        height = np.maximum(height, 0.0)
    face = seats.opening[0] - (height * seats.lean[0])[:, None] * seats.outward
    turned = rotation(at.turn_rad)[:2, :2]
    outline = shapely.Polygon(stone.outline_mm @ turned.T + at.shift_mm)
    if not at.claws:
        box = np.array([[-30.0, -30.0], [30.0, -30.0], [30.0, 30.0], [-30.0, 30.0]])
        return outline, [box, face], level
    behind = face + 0.6 * seats.outward
    return (
        outline,
        [
            np.vstack([back[::-1], front])
            for front, back in zip(strands(at, face), strands(at, behind), strict=True)
        ],
        level,
    )


def beside_curtains(at: Seated) -> tuple[np.ndarray, np.ndarray]:
    """Triangles of the outline and of the metal beside it, both hung from about its level."""
    outline, rings, level = beside(at)
    ring = shapely.get_coordinates(outline.exterior)[:-1]
    hung = curtain(np.column_stack([ring, np.full(len(ring), level + 1.0)]), closed=True)
    faces = [each[FACE_POINTS:] for each in rings] if at.claws else [rings[1]]
    flat = [
        curtain(np.column_stack([face, np.full(len(face), level + 1.5)]), not at.claws)
        for face in faces
    ]
    return hung, np.concatenate(flat)
