"""Outlines: closed, convex (a heart's halves), counter-clockwise, true to box and curves."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely

from fitsolver.errors import OutOfRange, UnknownName
from fitsolver.stones import outline

RATIOS = (0.6, 0.8, 1.0, 1.06, 1.5, 2.0, 4.0)
# From nothing to beyond what the family can show, where the last true shape is held.
SHAPES = {
    "side_bulge_pct": (0.0, 7.0, 25.0, 60.0),
    "corner_pct": (0.0, 0.01, 18.0, 50.0, 80.0),
    "fullness_pct": (0.0, 12.0, 60.0, 100.0),
    "head_pct": (0.0, 50.0, 90.0),
    "cleft_pct": (0.0, 12.0, 40.0),
    "point_pct": (0.0, 28.9, 90.0),
    "second_width_pct": (0.0, 70.0, 100.0, 120.0),
}
MIRRORED = [name for name, kind in outline.FAMILIES.items() if kind.mirrored]
# The half-moon is its own image in a line across its length; all others in the length itself.
ACROSS = ("half-moon",)


def shapes_of(name: str) -> list[dict[str, float]]:
    keys = outline.family(name).shape
    return [
        dict(zip(keys, values, strict=True))
        for values in itertools.product(*(SHAPES[key] for key in keys))
    ]


@pytest.mark.parametrize("ratio", RATIOS)
@pytest.mark.parametrize("name", outline.FAMILIES)
def test_every_outline_is_a_convex_counter_clockwise_polygon_in_its_box(name, ratio):
    for shape in shapes_of(name):
        points = outline.draw(name, ratio, shape)
        body = outline.upper_half(points) if name in MIRRORED else points
        edge = np.roll(body, -1, axis=0) - body
        length = np.linalg.norm(edge, axis=1)
        after = np.roll(edge, -1, axis=0)
        turn = (edge[:, 0] * after[:, 1] - edge[:, 1] * after[:, 0]) / (
            length * np.roll(length, -1)
        )
        # No two vertices within 0.5 nm on a 10 mm stone, where the edge's direction would be lost.
        assert length.min() > 5e-8, shape
        # Sine of the turn at each vertex: 1e-12 rad is what rounding leaves of "straight on".
        assert turn.min() > -1e-12, shape
        # Turning left at every vertex and crossing itself nowhere: convex as a whole.
        assert shapely.Polygon(points).is_valid, shape
        assert outline.area(points) > 0, shape
        assert np.ptp(points, axis=0) == pytest.approx([ratio, 1.0], rel=1e-12), shape


@pytest.mark.parametrize("ratio", RATIOS)
@pytest.mark.parametrize("name", outline.FAMILIES)
def test_every_outline_is_its_own_mirror_image_across_the_length(name, ratio):
    points = outline.draw(name, ratio)
    mirrored = shapely.Polygon(points * ((-1, 1) if name in ACROSS else (1, -1)))
    # 1e-12: sums in another order differ in the last places only.
    assert shapely.hausdorff_distance(shapely.Polygon(points), mirrored) < 1e-12


@pytest.mark.parametrize("name", outline.FAMILIES)
def test_half_turn_says_whether_a_half_turn_changes_the_outline(name):
    points = outline.draw(name, 1.3)
    moved = shapely.hausdorff_distance(shapely.Polygon(points), shapely.Polygon(-points))
    assert (moved < 1e-12) == outline.family(name).half_turn


@pytest.mark.parametrize(
    "name", ["marquise", "pear", "triangle", "heart", "kite", "lozenge", "shield"]
)
def test_points_lie_on_the_length(name):
    points = outline.draw(name, 1.5, {"corner_pct": 0.0})
    assert outline.family(name).pointed
    assert points[points[:, 0].argmax()][1] == pytest.approx(0.0, abs=1e-12)
    # A point of 3 deg off flat at the least: no round end.
    edge = np.roll(points, -1, axis=0) - points
    heading = np.unwrap(np.arctan2(edge[:, 1], edge[:, 0]))
    turn = np.diff(np.append(heading, heading[0] + 2 * np.pi))
    assert np.rad2deg(turn).max() > 3


def ellipse(ratio: float, _: float) -> np.ndarray:
    turn = np.linspace(0, np.pi / 2, 5001)
    return np.column_stack([ratio / 2 * np.cos(turn), 0.5 * np.sin(turn)])


def ogive(ratio: float, fullness: float) -> np.ndarray:
    """A marquise's quarter: the mean of a circle through the tip and an ellipse."""
    turn = np.linspace(0, np.pi / 2, 5001)
    x = ratio / 2 * np.cos(turn)
    radius = (ratio**2 + 1) / 4
    arc = 0.5 - radius + np.sqrt(np.maximum(radius**2 - x**2, 0.0))
    return np.column_stack([x, (1 - fullness) * arc + fullness * 0.5 * np.sin(turn)])


@pytest.mark.parametrize("ratio", [1.0, 1.5, 4.0])
@pytest.mark.parametrize(
    ("name", "curve", "fullness"),
    [("oval", ellipse, 0.0), ("marquise", ogive, 0.0), ("marquise", ogive, 0.6)],
)
def test_curves_leave_their_polygon_by_less_than_stated(name, curve, fullness, ratio):
    drawn = shapely.Polygon(outline.draw(name, ratio, {"fullness_pct": 100 * fullness})).exterior
    away = shapely.distance(shapely.points(curve(ratio, fullness)), drawn)
    # The module's own bound, 5e-5 of the longer side; and chords that met the curve everywhere
    # would not be chords.
    assert 1e-6 < away.max() < 5e-5 * max(ratio, 1)


def test_cushion_corners_have_their_radius_and_sides_their_bulge():
    radius, bulge, ratio = 0.15, 0.08, 1.4
    points = outline.draw("cushion", ratio, {"corner_pct": 15.0, "side_bulge_pct": 8.0})
    # Erode by the corner's radius and grow again: a figure rounded that far is unchanged. Shapely
    # rounds with 64 chords to the quarter; 5e-5 is the drawing's own bound.
    figure = shapely.Polygon(points)
    opened = figure.buffer(-radius + 5e-5).buffer(radius - 5e-5, quad_segs=64)
    assert shapely.hausdorff_distance(figure, opened) < 1e-4
    # The long side sinks by the bulge over its span less the corners: chord and sagitta of its
    # circle, checked at a fifth of the way where the corner has not begun.
    span = ratio / 2 - radius
    r_long = (span**2 + bulge**2) / (2 * bulge) + radius
    x = 0.2 * span
    top = points[(np.abs(points[:, 0]) < 0.3 * span) & (points[:, 1] > 0)]
    top = top[np.argsort(top[:, 0])]
    y = np.interp(x, top[:, 0], top[:, 1])
    assert y == pytest.approx(0.5 - (r_long - np.sqrt(r_long**2 - x**2)), abs=5e-5)


def test_octagon_corners_are_cut_by_their_leg():
    points = outline.draw("octagon", 1.5, {"corner_pct": 15.0})
    assert len(points) == 8
    # Box less four right triangles with legs of 0.15: 1.5 - 4 x 0.15^2 / 2.
    assert outline.area(points) == pytest.approx(1.455, rel=1e-12)


def test_an_octagon_without_cut_corners_is_a_rectangle():
    points = outline.draw("octagon", 1.5, {"corner_pct": 0.0})
    assert len(points) == 4
    assert outline.area(points) == pytest.approx(1.5, rel=1e-12)


def test_a_heart_has_its_cleft_and_a_right_angle_at_its_point():
    points = outline.draw("heart", 1.0)
    cleft = points[(points[:, 1] == 0) & (points[:, 0] < 0)]
    # The cleft lies 12 % of the width below the line across the lobes.
    assert cleft[:, 0] == pytest.approx([-0.5 + 0.12], abs=1e-12)
    tip = int(points[:, 0].argmax())
    wings = points[[tip - 1, (tip + 1) % len(points)]] - points[tip]
    angle = np.arccos(wings[0] @ wings[1] / np.prod(np.linalg.norm(wings, axis=1)))
    # "About a right angle" in the profile: hearts look odd below 80 and above 110 deg.
    assert 80 < np.rad2deg(angle) < 110


def test_a_heart_of_straight_wings_is_a_square_and_two_half_circles():
    """The school-book heart: a square on its corner, half circles on its two upper sides.

    Lobes about the middles of a square's sides a: width (1 / sqrt 2 + 1) a, length
    (3 / (2 sqrt 2) + 1 / 2) a, the cleft (1 / 2 - 1 / (2 sqrt 2)) a below the lobes' line.
    """
    root = np.sqrt(2)
    side = 1 / (1 / root + 1)
    ratio, cleft = (1.5 / root + 0.5) * side, (0.5 - 0.5 / root) * side
    points = outline.draw("heart", ratio, {"cleft_pct": 100 * cleft, "fullness_pct": 0.0})
    # 5e-4: the straightest wing still swells a little (0.002 of the way to the fullest), and the
    # lobes are polygons inscribed within 4e-5.
    assert outline.area(points) == pytest.approx(side**2 * (1 + np.pi / 4), rel=5e-4)


def test_a_half_moon_twice_as_long_as_wide_is_a_half_circle():
    points = outline.draw("half-moon", 2.0)
    radius = np.hypot(points[:, 0], points[:, 1] + 0.5)
    assert radius == pytest.approx(np.ones(len(points)), abs=1e-12)
    assert outline.area(points) == pytest.approx(np.pi / 2, rel=1e-4)
    # Longer ones are flatter than a half ellipse, but no less than a circular arc.
    flat, full = (outline.draw("half-moon", 3.0, {"fullness_pct": f}) for f in (0, 100))
    assert outline.area(full) == pytest.approx(3 * np.pi / 4, rel=1e-4)
    radius = np.hypot(flat[:, 0], flat[:, 1] + 0.5 + 0.625)
    assert radius == pytest.approx(np.full(len(flat), 1.625), abs=1e-12)


def test_a_hexagon_of_its_own_ratio_is_regular():
    points = outline.draw("hexagon", 2 / np.sqrt(3), {"point_pct": 50 / np.sqrt(3)})
    sides = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    assert sides == pytest.approx(np.full(6, 1 / np.sqrt(3)), rel=1e-12)


@pytest.mark.parametrize(
    ("name", "ratio", "area"),
    [
        # Half the product of the diagonals; a trapezium; a rectangle and a triangle.
        ("kite", 1.5, 0.75),
        ("lozenge", 1.6, 0.8),
        ("tapered", 2.0, 2.0 * (1 + 0.7) / 2),
        ("shield", 1.2, 0.45 + (1.2 - 0.45) / 2),
        ("hexagon", 1.5, 1.5 - 2 * 0.289 * 0.5),
    ],
)
def test_straight_sided_outlines_have_their_school_areas(name, ratio, area):
    assert outline.area(outline.draw(name, ratio)) == pytest.approx(area, rel=1e-12)


@pytest.mark.parametrize("name", ["kite", "lozenge", "shield"])
def test_kites_lozenges_and_shields_stand_about_their_largest_circle(name):
    points = outline.draw(name, 1.3)
    x, radius = outline.inscribed(points)
    assert x == pytest.approx(0.0, abs=1e-12)
    # Shapely's own: no circle about a point nearby is larger.
    figure = shapely.Polygon(points)
    assert figure.exterior.distance(shapely.Point(0, 0)) == pytest.approx(radius, rel=1e-9)
    near = np.random.default_rng(2).uniform(-0.2, 0.2, (500, 2))
    assert shapely.distance(shapely.points(near), figure.exterior).max() <= radius + 1e-12


def test_the_largest_circle_of_a_rectangle_is_the_middle_one():
    points = outline.draw("rectangle", 2.0) + np.array([0.3, 0.0])
    assert outline.inscribed(points) == pytest.approx((0.3, 0.5), abs=1e-12)


def test_halves_join_to_the_outline_they_were_taken_from():
    points = outline.draw("heart", 1.0)
    half = outline.upper_half(points)
    assert half[:, 1].min() == 0.0
    assert outline.whole(half) == pytest.approx(points, abs=0)
    assert 2 * outline.area(half) == pytest.approx(outline.area(points), rel=1e-12)


def test_a_triangle_without_bulge_and_cut_is_straight_and_centred():
    points = outline.draw("triangle", np.sqrt(3) / 2, {"corner_pct": 0.0, "side_bulge_pct": 0.0})
    # Area of the equilateral triangle of side 1; the flattest side still swells by 0.0001, worth
    # 2/3 x 0.0001 on each of three sides or 0.05 % of the area.
    assert outline.area(points) == pytest.approx(np.sqrt(3) / 4, rel=6e-4)
    assert outline.centroid(points) == pytest.approx([0.0, 0.0], abs=1e-12)


def test_a_pear_is_widest_over_its_culet():
    points = outline.draw("pear", 1.5)
    assert points[points[:, 1].argmax()] == pytest.approx([0.0, 0.5], abs=1e-12)
    assert points[:, 0].min() == pytest.approx(-0.5, abs=1e-12)


def test_wings_swell_with_fullness():
    areas = [outline.area(outline.draw("marquise", 2.0, {"fullness_pct": f})) for f in (0, 50, 100)]
    # Full wings are an ellipse (area pi/4 L W), empty ones two circular segments.
    radius, half_angle = 1.25, np.arcsin(1.0 / 1.25)
    lens = 2 * radius**2 * (half_angle - np.sin(half_angle) * np.cos(half_angle))
    # 2e-4: a polygon inscribed within 4e-5 of a curve 5 long, on an area of 1.4.
    assert areas[0] == pytest.approx(lens, rel=2e-4)
    assert areas[1] == pytest.approx((areas[0] + areas[2]) / 2, rel=1e-12)
    assert areas[2] == pytest.approx(np.pi / 2, rel=2e-4)


@pytest.mark.parametrize("ratio", [0.29, 10.1, float("nan")])
def test_ratios_no_stone_has_are_refused(ratio):
    with pytest.raises(OutOfRange, match="length_ratio") as caught:
        outline.draw("oval", ratio)
    assert (caught.value.low, caught.value.high) == outline.LENGTH_RATIOS


def test_unknown_families_get_suggestions():
    with pytest.raises(UnknownName) as caught:
        outline.family("cushon")
    assert caught.value.suggestions == ("cushion",)


def test_clip_keeps_what_lies_on_the_line():
    square = outline.draw("square", 1.0)
    assert outline.clip(square, np.array([1.0, 0.0]), 0.5) == pytest.approx(square)
    half = outline.clip(square, np.array([1.0, 0.0]), 0.0)
    assert outline.area(half) == pytest.approx(0.5, rel=1e-12)
    assert outline.clip(square, np.array([1.0, 0.0]), -0.6).shape == (0, 2)
    assert outline.clip(np.zeros((0, 2)), np.array([1.0, 0.0]), 0.0).shape == (0, 2)


def test_normals_hold_every_edge_and_a_fan_at_every_corner():
    square = outline.draw("square", 1.0)
    normals = outline.normals_of(square, fan_deg=30.0)
    angles = np.unwrap(np.arctan2(normals[:, 1], normals[:, 0]))
    assert np.rad2deg(angles) == pytest.approx(30.0 * np.arange(12), abs=1e-9)


def test_normals_of_a_half_leave_out_its_cut():
    half = outline.upper_half(outline.draw("heart", 1.0))
    normals = outline.half_normals_of(half)
    angles = np.rad2deg(np.unwrap(np.arctan2(normals[:, 1], normals[:, 0])))
    # From straight out of the point, round the lobe, to the last edge before the cleft.
    assert angles[0] == 0.0
    assert 220 < angles[-1] < 270
    steps = np.diff(angles)
    assert steps.min() > -1e-9
    assert steps.max() <= 3 + 1e-9
