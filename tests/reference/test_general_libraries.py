"""The geometry against general libraries that know nothing of stones.

- trimesh (M. Dawson-Haggerty and others, trimesh.org): volumes and sections of meshes whose
  vertices are written down here from school geometry, not taken from half-spaces.
- manifold3d (E. Lalish, Manifold): a block cut by one plane after the other, as at the lap.
- Qhull (C. B. Barber, D. P. Dobkin, H. Huhdanpaa, ACM TOMS 22, 1996, by scipy): the same
  half-spaces, met through the hull of their dual points.
- shapely (GEOS): areas, centroids, reaches, cuts and distances of outlines.

Tolerances: both sides work in double precision; 1e-9 leaves room for the digits that Qhull loses
on its way through dual points, 1e-12 is asked of plain sums.
"""

from __future__ import annotations

from itertools import pairwise

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh
from scipy.spatial import ConvexHull, HalfspaceIntersection, KDTree
from shapely import affinity
from solids import cabochon, pyramid, row, stone, style, two_rows

from fitsolver.stones import outline
from fitsolver.stones.cut import cut, names
from fitsolver.stones.form import form
from fitsolver.stones.stone import Stone

FAMILIES = tuple(outline.FAMILIES)
SIZES = {"crown_mm": 1.0, "girdle_mm": 0.3, "pavilion_mm": 2.6}


def between(lower: np.ndarray, upper: np.ndarray) -> list[tuple[np.ndarray, ...]]:
    """Triangles of the wall between two loops (n, 3) that run counter-clockwise."""
    walls = []
    for k in range(len(lower)):
        follow = (k + 1) % len(lower)
        walls += [
            (lower[k], lower[follow], upper[follow]),
            (lower[k], upper[follow], upper[k]),
        ]
    return walls


def lid(loop: np.ndarray, up: bool) -> list[tuple[np.ndarray, ...]]:
    fan = [(loop[0], loop[k], loop[k + 1]) for k in range(1, len(loop) - 1)]
    return fan if up else [(a, c, b) for a, b, c in fan]


def mesh_of(triangles: list[tuple[np.ndarray, ...]]) -> trimesh.Trimesh:
    mesh = trimesh.Trimesh(**trimesh.triangles.to_kwargs(np.array(triangles)))
    mesh.merge_vertices()
    return mesh


def at(points: np.ndarray, scale: float, z: float) -> np.ndarray:
    return np.column_stack([points * scale, np.full(len(points), z)])


def bicone(family: str, ratio: float) -> tuple[Stone, trimesh.Trimesh]:
    """Frustum, girdle and pavilion with a culet: as a stone, and as four loops of vertices."""
    solid = style(family, rows=[row("crown"), row("pavilion")], table_pct=60.0, culet_pct=8.0)
    points = outline.draw(family, ratio) * 6.0
    loops = [
        at(points, 0.08, -2.75),
        at(points, 1.0, -0.15),
        at(points, 1.0, 0.15),
        at(points, 0.6, 1.15),
    ]
    triangles = lid(loops[0], up=False) + lid(loops[-1], up=True)
    for lower, upper in pairwise(loops):
        triangles += between(lower, upper)
    return stone(solid, ratio, **SIZES), mesh_of(triangles)


@pytest.mark.parametrize(("family", "ratio"), [("octagon", 1.4), ("pear", 1.5), ("cushion", 1.0)])
def test_volume_is_that_of_a_mesh_built_by_hand(family, ratio):
    solid, mesh = bicone(family, ratio)
    assert mesh.is_watertight
    assert solid.volume_mm3 == pytest.approx(mesh.volume, rel=1e-9)


@pytest.mark.parametrize(("family", "ratio"), [("octagon", 1.4), ("pear", 1.5), ("cushion", 1.0)])
@pytest.mark.parametrize("z_mm", [-2.7, -1.0, 0.05, 0.8, 1.1])
def test_sections_are_those_of_a_mesh_built_by_hand(family, ratio, z_mm):
    solid, mesh = bicone(family, ratio)
    cuts = trimesh.intersections.mesh_plane(mesh, [0.0, 0.0, 1.0], [0.0, 0.0, z_mm])
    expected = shapely.MultiPoint(cuts.reshape(-1, 3)[:, :2]).convex_hull
    section = shapely.Polygon(solid.section(z_mm))
    assert shapely.hausdorff_distance(section, expected) < 1e-9
    assert section.area == pytest.approx(expected.area, rel=1e-9)


def test_a_round_brilliant_is_what_a_lap_leaves_of_a_block():
    shape = form(cut("round-brilliant"), 1.0)
    solid = Stone(
        form=shape, width_mm=6.5, crown_height_mm=1.0, girdle_mm=0.26, pavilion_depth_mm=2.9
    )
    _assert_lapped(solid)


@pytest.mark.parametrize(
    "solid",
    [
        stone(two_rows("pear"), 1.5, **SIZES),
        stone(two_rows("cushion"), 1.2, **SIZES),
        stone(pyramid("octagon", rings="inset"), 1.4, **SIZES),
        stone(cabochon("oval", "crown", tiers=8), 1.3, crown_mm=2.5, girdle_mm=0.4),
    ],
    ids=["pear", "cushion", "step", "cabochon"],
)
def test_a_stone_is_what_a_lap_leaves_of_a_block(solid):
    _assert_lapped(solid)


def _assert_lapped(solid: Stone) -> None:
    block = manifold3d.Manifold.cube((20.0, 20.0, 20.0), True)
    normals, offsets, _ = solid.half_spaces
    for normal, offset in zip(normals, offsets, strict=True):
        block = block.trim_by_plane(tuple(-normal), -offset)
    # 1e-6: Manifold merges vertices within its own tolerance of 1e-12 of the block's size and may
    # drop slivers where many facets meet.
    assert solid.volume_mm3 == pytest.approx(block.volume(), rel=1e-6)


@pytest.mark.parametrize("name", names())
def test_corners_and_volume_are_those_that_qhull_finds(name):
    style = cut(name)
    ratio = style.length_ratio.low * 0.4 + style.length_ratio.high * 0.6
    solid = Stone(
        form=form(style, ratio), width_mm=6.0, crown_height_mm=1.0 if style.rows else 2.0,
        girdle_mm=0.2, pavilion_depth_mm=2.6,
    )  # fmt: skip
    normals, offsets, _ = solid.half_spaces
    bodies = 2 if solid.form.mirrored else 1  # the half-spaces are those of one half
    inside = np.array([*outline.centroid(solid.body_mm), 0.0])
    corners = HalfspaceIntersection(np.column_stack([normals, -offsets]), inside).intersections
    found = solid.polyhedron
    assert found.volume == pytest.approx(bodies * ConvexHull(corners).volume, rel=1e-9)
    # 1e-6 mm: where two planes hardly differ the corner between them is not known any better.
    assert KDTree(found.vertices).query(corners)[0].max() < 1e-6
    own = found.vertices[found.vertices[:, 1] >= 0] if bodies == 2 else found.vertices
    assert (own @ normals.T - offsets).max() < 1e-9
    # Closed: every edge is run through once either way.
    edges = found.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    once = {tuple(edge) for edge in edges.tolist()}
    assert len(once) == len(edges)
    assert once == {(b, a) for a, b in once}


def test_a_dome_is_a_squashed_ball():
    ball = trimesh.creation.icosphere(subdivisions=4, radius=1.0).vertices * (3.9, 3.0, 2.5)
    solid = stone(cabochon("oval", "crown", "pavilion"), 1.3, crown_mm=2.5, pavilion_mm=2.5)
    normals, offsets, _ = solid.half_spaces
    beyond = (ball @ normals.T - offsets).max(axis=1)
    # The ball's vertices lie on the true surface. Chords of 90 deg / 24 leave at most
    # 1 - cos(90 deg / 48) of 3.9 mm inside it; tangents 5 deg apart stand out of it by at most
    # 1 / cos(2.5 deg) - 1 of 3.9 mm.
    assert beyond.max() < (1 - np.cos(np.pi / 96)) * 3.9
    assert beyond.min() > (1 - 1 / np.cos(np.pi / 72)) * 3.9


@pytest.mark.parametrize("family", FAMILIES)
def test_area_and_centroid_of_outlines(family):
    points = outline.draw(family, 1.3)
    figure = shapely.Polygon(points)
    assert outline.area(points) == pytest.approx(figure.area, rel=1e-12)
    centre = (figure.centroid.x, figure.centroid.y)
    assert outline.centroid(points) == pytest.approx(centre, abs=1e-12)


@pytest.mark.parametrize("family", FAMILIES)
def test_support_is_the_reach_of_the_turned_outline(family):
    points = outline.draw(family, 1.3)
    for turn_deg in (0.0, 17.0, 90.0, 133.0, 251.0):
        turned = affinity.rotate(shapely.Polygon(points), -turn_deg, origin=(0, 0))
        turn = np.deg2rad(turn_deg)
        normal = np.array([[np.cos(turn), np.sin(turn)]])
        assert outline.support(points, normal) == pytest.approx([turned.bounds[2]], rel=1e-12)
        touched = outline.contact(points, normal)
        assert normal @ touched[0] == pytest.approx([turned.bounds[2]], rel=1e-9)
        assert shapely.Polygon(points).exterior.distance(shapely.Point(touched[0])) < 1e-9


@pytest.mark.parametrize("family", FAMILIES)
def test_clip_is_an_intersection_with_a_half_plane(family):
    points = outline.draw(family, 1.3)
    random = np.random.default_rng(5)
    for turn, offset in zip(
        random.uniform(0, 2 * np.pi, 20), np.linspace(-0.7, 0.7, 20), strict=True
    ):
        normal = np.array([np.cos(turn), np.sin(turn)])
        half_plane = affinity.rotate(
            shapely.box(-9.0, -9.0, offset, 9.0), turn, origin=(0, 0), use_radians=True
        )
        expected = shapely.Polygon(points).intersection(half_plane)
        clipped = outline.clip(points, normal, offset)
        got = shapely.Polygon(clipped) if len(clipped) else shapely.Polygon()
        assert got.symmetric_difference(expected).area < 1e-12


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("fan_deg", [1.0, 3.0, 10.0])
def test_distances_from_normals_are_true_within_their_bound(family, fan_deg):
    points = outline.draw(family, 1.3)
    mirrored = outline.family(family).mirrored
    body = outline.upper_half(points) if mirrored else points
    normals = (outline.half_normals_of if mirrored else outline.normals_of)(body, fan_deg)
    sample = np.random.default_rng(3).uniform(-1.3, 1.3, (400, 2))
    folded = np.abs(sample) * np.where(sample < 0, (-1, 1), 1) if mirrored else sample
    reached = (folded @ normals.T - outline.support(body, normals)).max(axis=1)
    figure = shapely.Polygon(points)
    true = shapely.distance(shapely.points(sample), figure)
    outside = true > 0
    assert np.all(reached[outside] <= true[outside] * (1 + 1e-9) + 1e-12)
    assert np.all(reached[outside] >= true[outside] * np.cos(np.deg2rad(fan_deg / 2)) - 1e-12)
    # Inside, the distance to the nearest edge, exactly; beside a cleft the edges' lines go on, and
    # lie nearer than the cleft itself.
    depth = shapely.distance(shapely.points(sample), figure.exterior)
    if mirrored:
        assert np.all((-depth[~outside] - 1e-12 <= reached[~outside]) & (reached[~outside] < 1e-12))
        clear = ~outside & (np.abs(sample[:, 1]) > 0.25)
        assert clear.any()
        assert reached[clear] == pytest.approx(-depth[clear], abs=1e-12)
        return
    assert reached[~outside] == pytest.approx(-depth[~outside], abs=1e-12)
