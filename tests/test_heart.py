"""Hearts: two convex halves, mirror images, that must behave as one stone in every question."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh

from fitsolver import outline
from fitsolver.cut import cut
from fitsolver.form import form
from fitsolver.projection import edges, silhouette, typical_stone, upright_section
from fitsolver.stone import Stone

HEARTS = {
    "brilliant": typical_stone(form(cut("heart-brilliant"), 1.0), 6.0),
    "well-cut": typical_stone(form(cut("heart-brilliant").in_make("well-cut"), 0.92), 5.0),
    "cabochon": typical_stone(form(cut("heart-cabochon"), 1.05), 7.0),
}


@pytest.fixture(params=HEARTS)
def heart(request: pytest.FixtureRequest) -> Stone:
    return HEARTS[request.param]


def plan_points(heart: Stone, count: int = 500) -> np.ndarray:
    box = (heart.length_mm, heart.width_mm)
    return np.random.default_rng(4).uniform(-0.55, 0.55, (count, 2)) * box


def test_the_mesh_is_one_closed_body_of_twice_the_half(heart):
    mesh = heart.mesh()
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.body_count == 1
    half = trimesh.PointCloud(mesh.vertices[mesh.vertices[:, 1] >= 0]).convex_hull
    assert mesh.volume == pytest.approx(2 * half.volume, rel=1e-9)
    assert mesh.volume == pytest.approx(heart.volume_mm3, rel=1e-9)
    assert mesh.volume < 0.99 * mesh.convex_hull.volume  # the cleft and its groove


def test_a_heart_is_the_union_of_two_halves_by_another_library(heart):
    """manifold3d cuts a block to the half-spaces, mirrors it and joins the two."""
    block = manifold3d.Manifold.cube((30.0, 30.0, 30.0), True)
    normals, offsets, names = heart.half_spaces
    assert names.count("mirror") == 1
    for normal, offset in zip(normals, offsets, strict=True):
        block = block.trim_by_plane(tuple(-normal), -offset)
    both = block + block.mirror((0.0, 1.0, 0.0))
    # 1e-6, as for convex stones: slivers where many facets meet may be dropped.
    assert heart.volume_mm3 == pytest.approx(both.volume(), rel=1e-6)


def test_the_girdle_outline_is_the_whole_heart(heart):
    figure = heart.girdle_outline()
    assert figure.is_valid
    assert figure.area < 0.97 * figure.convex_hull.area
    low_x, low_y, high_x, high_y = figure.bounds
    assert (high_x - low_x, high_y - low_y) == pytest.approx((heart.length_mm, heart.width_mm))


def test_surfaces_are_those_of_the_mesh(heart):
    points = plan_points(heart)
    inside = shapely.contains_xy(heart.girdle_outline(), points)
    near = shapely.distance(shapely.points(points), heart.girdle_outline().exterior) < 1e-3
    ray = trimesh.ray.ray_triangle.RayMeshIntersector(heart.mesh())
    chosen = points[inside & ~near][:60]
    start = np.column_stack([chosen, np.full(len(chosen), 50.0)])
    places, which, _ = ray.intersects_location(start, np.tile([0.0, 0.0, -1.0], (len(chosen), 1)))
    for k, point in enumerate(chosen):
        z = places[which == k][:, 2]
        # 1e-6 mm: trimesh's rays are good to about that.
        assert z.max() == pytest.approx(heart.upper_surface(point), abs=1e-6)
        assert z.min() == pytest.approx(heart.lower_surface(point), abs=1e-6)
    assert np.all(heart.lower_surface(points)[~inside & ~near] == np.inf)
    assert np.all(heart.upper_surface(points)[~inside & ~near] == -np.inf)


def test_both_halves_are_alike(heart):
    points = plan_points(heart)
    assert heart.lower_surface(points) == pytest.approx(heart.lower_surface(points * (1, -1)))
    assert heart.upper_surface(points) == pytest.approx(heart.upper_surface(points * (1, -1)))


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.8, 0.97])
def test_level_sections_are_those_of_the_mesh(heart, share):
    z = heart.culet_z_mm + share * heart.depth_mm
    section = shapely.Polygon(heart.section(z))
    assert section.is_valid
    cuts = heart.mesh().section(plane_origin=[0, 0, z], plane_normal=[0, 0, 1])
    path = cuts.to_planar(to_2D=np.eye(4))[0] if hasattr(cuts, "to_planar") else cuts.to_2D()[0]
    assert section.area == pytest.approx(path.area, rel=1e-6)


@pytest.mark.parametrize("direction_deg", [0.0, 40.0, 90.0])
@pytest.mark.parametrize("through", [(0.0, 0.0), (0.4, 0.7), (-0.2, 0.0)])
def test_upright_sections_lie_between_the_surfaces(heart, direction_deg, through):
    turn = np.deg2rad(direction_deg)
    points = upright_section(heart, turn, through)
    figure = shapely.Polygon(points)
    assert figure.is_valid
    along = np.linspace(points[:, 0].min() + 1e-3, points[:, 0].max() - 1e-3, 60)
    plan = np.array(through) + along[:, None] * (np.cos(turn), np.sin(turn))
    low, high = heart.lower_surface(plan), heart.upper_surface(plan)
    for t, bottom, top in zip(along, low, high, strict=True):
        span = figure.intersection(shapely.LineString([(t, -50.0), (t, 50.0)]))
        assert span.bounds[1] == pytest.approx(bottom, abs=1e-6)
        assert span.bounds[3] == pytest.approx(top, abs=1e-6)


def test_a_section_through_both_lobes_beside_the_cleft_is_one_of_them():
    heart = HEARTS["brilliant"]
    points = upright_section(heart, np.pi / 2, (-0.45 * heart.length_mm, 0.0))
    assert shapely.Polygon(points).is_valid
    assert points[:, 0].min() > 0 or points[:, 0].max() < 0


@pytest.mark.parametrize("view", ["above", "below", "end", "side"])
def test_edges_are_drawn_on_both_halves_within_the_silhouette(heart, view):
    lines = edges(heart, view)
    figure = shapely.Polygon(silhouette(heart, view)).buffer(1e-6)
    assert all(figure.covers(shapely.LineString(line)) for line in lines)
    if view in ("above", "below", "end"):
        image = (1, -1) if view != "end" else (-1, 1)
        here = {tuple(np.round(line.mean(axis=0), 5) + 0.0) for line in lines}
        there = {tuple(np.round(line.mean(axis=0) * image, 5) + 0.0) for line in lines}
        assert here == there


def test_a_heart_without_a_cleft_is_convex_and_its_halves_say_the_same():
    """At no cleft and full wings both roads, two halves or one body, are the same outline."""
    shape = form(cut("heart-brilliant"), 1.0, {"cleft_pct": 0.0, "fullness_pct": 100.0})
    whole = outline.normals_of(shape.outline)
    reach = outline.support(shape.outline, whole)
    points = np.random.default_rng(6).uniform(-1.0, 1.0, (300, 2))
    one_body = (points @ whole.T - reach).max(axis=1)
    halves = (shape.fold(points) @ shape.normals.T - shape.reach).max(axis=1)
    assert halves == pytest.approx(one_body, abs=1e-4)
