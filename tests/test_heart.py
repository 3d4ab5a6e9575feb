"""Hearts: two convex halves, mirror images, that must behave as one stone in every question."""

from __future__ import annotations

import fcl
import manifold3d
import numpy as np
import pytest
import shapely
import trimesh

from fitsolver.drawings.projection import edges, silhouette, typical_stone, upright_section
from fitsolver.fitting.contact import drop
from fitsolver.seats.metal import Surface
from fitsolver.stones import outline
from fitsolver.stones.cut import cut
from fitsolver.stones.form import form
from fitsolver.stones.stone import Stone

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


def upright_lines(triangles: np.ndarray, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest place where upright lines (n, 2) meet triangles (m, 3, 3)."""
    a, b, c = (triangles[:, k] for k in range(3))
    u, v = (b - a)[:, :2], (c - a)[:, :2]
    area = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    level = np.abs(area) > 1e-12
    a, b, c, u, v, area = a[level], b[level], c[level], u[level], v[level], area[level]
    w = points[:, None] - a[None, :, :2]
    s = (w[..., 0] * v[:, 1] - w[..., 1] * v[:, 0]) / area
    t = (u[:, 0] * w[..., 1] - u[:, 1] * w[..., 0]) / area
    z = a[:, 2] + s * (b - a)[:, 2] + t * (c - a)[:, 2]
    on = (s >= 0) & (t >= 0) & (s + t <= 1)
    return np.where(on, z, np.inf).min(axis=1), np.where(on, z, -np.inf).max(axis=1)


def solid_of(heart: Stone) -> manifold3d.Manifold:
    mesh = heart.polyhedron
    return manifold3d.Manifold(
        manifold3d.Mesh(
            vert_properties=mesh.vertices.astype(np.float32),
            tri_verts=mesh.triangles.astype(np.uint32),
        )
    )


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
    assert figure.area < 0.985 * figure.convex_hull.area  # the cleft
    low_x, low_y, high_x, high_y = figure.bounds
    assert (high_x - low_x, high_y - low_y) == pytest.approx((heart.length_mm, heart.width_mm))


def test_surfaces_are_those_of_the_mesh(heart):
    points = plan_points(heart)
    inside = shapely.contains_xy(heart.girdle_outline(), points)
    near = shapely.distance(shapely.points(points), heart.girdle_outline().exterior) < 1e-3
    chosen = points[inside & ~near]
    low, high = upright_lines(heart.mesh().triangles, chosen)
    assert low == pytest.approx(heart.lower_surface(chosen), abs=1e-9)
    assert high == pytest.approx(heart.upper_surface(chosen), abs=1e-9)
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
    # 1e-5: manifold3d takes vertices in single precision, 6e-8 of 6 mm, on slivers near the ends.
    assert section.area == pytest.approx(solid_of(heart).slice(z).area(), rel=1e-5)


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


def bars(seed: int) -> np.ndarray:
    """Five thin bars of metal with tilted tops lying about the heart's edge, (60, 3, 3)."""
    random = np.random.default_rng(seed)
    found = []
    for angle in random.uniform(0, 2 * np.pi, 5):
        box = trimesh.creation.box((1.6, 0.15, 0.5))
        tilt = trimesh.transformations.euler_matrix(*random.uniform(-0.3, 0.3, 2), angle)
        tilt[:3, 3] = (
            *(2.2 * np.array([np.cos(angle), np.sin(angle)])),
            random.uniform(-1.5, -0.5),
        )
        found.append(box.apply_transform(tilt).triangles)
    # One bar across the cleft, so that an edge passes from half to half.
    box = trimesh.creation.box((0.15, 3.0, 0.3))
    return np.concatenate([*found, box.apply_translation((-2.2, 0.1, -1.0)).triangles])


def tree(vertices: np.ndarray, triangles: np.ndarray) -> fcl.CollisionObject:
    model = fcl.BVHModel()
    model.beginModel(len(vertices), len(triangles))
    model.addSubModel(vertices, triangles)
    model.endModel()
    return fcl.CollisionObject(model)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("turn_deg", [0.0, 70.0])
def test_a_heart_comes_to_rest_where_another_library_says(seed, turn_deg):
    """python-fcl: apart by its own distance just above the rest, in collision just below."""
    heart, metal = HEARTS["brilliant"], bars(seed)
    turn, shift = np.deg2rad(turn_deg), (0.15, -0.2)
    rest = drop(
        heart,
        [Surface(name="bars", role="support", triangles=metal)],
        shift_mm=shift,
        turn_rad=turn,
    )
    assert rest.on == "bars"
    below = tree(metal.reshape(-1, 3), np.arange(3 * len(metal)).reshape(-1, 3))
    stone = tree(heart.polyhedron.vertices, heart.polyhedron.triangles)
    c, s = np.cos(turn), np.sin(turn)
    rotation = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    for step, meets in ((1e-5, False), (-1e-5, True)):
        stone.setTransform(fcl.Transform(rotation, np.array([*shift, rest.rest_z_mm + step])))
        assert (fcl.collide(stone, below) > 0) == meets


def test_a_heart_rests_on_a_peg_under_its_cleft_no_earlier_than_its_groove_allows():
    """A needle upright on the axis beside the cleft, and the same needle off the axis."""
    heart = HEARTS["brilliant"]
    for plan in ((-0.25 * heart.length_mm, 0.0), (-0.3 * heart.length_mm, 1.2), (0.2, -0.8)):
        foot = np.array([[[-1e-3, 0, -9.0], [1e-3, 0, -9.0], [0, 0, 0.0]]])
        foot[..., :2] += plan
        rest = drop(heart, [Surface(name="peg", role="support", triangles=foot)])
        # The peg's own sides are steeper than the stone: the tip touches first.
        assert rest.rest_z_mm == pytest.approx(
            -float(heart.lower_surface(np.array(plan))), abs=1e-9
        )
        assert rest.point_mm == pytest.approx((*plan, 0.0), abs=1e-9)
