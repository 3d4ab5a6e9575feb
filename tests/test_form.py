"""Forms: facet rows between rings, in widths, with the depths left free."""

from __future__ import annotations

import numpy as np
import pytest
from solids import cabochon, pyramid, row, style, two_rows

from fitsolver.stones import outline
from fitsolver.stones.cut import Ring, cut
from fitsolver.stones.form import form, heights


def test_the_same_request_gives_the_same_form():
    brilliant = cut("round-brilliant")
    table = brilliant.proportions["table_pct"].typical
    assert form(brilliant, 1.0) is form(brilliant, 1, {"table_pct": table})
    assert form(brilliant, 1.0) is not form(brilliant, 1.0, {"table_pct": table + 1})


def test_makes_of_a_style_have_their_own_forms():
    well_cut = cut("round-brilliant").in_make("well-cut")
    assert well_cut is cut("round-brilliant").in_make("well-cut")
    assert form(well_cut, 1.0).proportions["lower_half_pct"] == 78
    assert form(cut("round-brilliant"), 1.0).proportions["lower_half_pct"] == 77


def test_styles_of_one_name_do_not_share_forms():
    cone, roof = pyramid("round"), pyramid("octagon")
    assert cone.name == roof.name
    assert len(form(cone, 1.0).outline) != len(form(roof, 1.0).outline)


def test_heights_come_from_angles_across_the_width():
    brilliant = cut("round-brilliant")
    angles = {"table_pct": 50.0, "crown_angle_deg": 45.0, "pavilion_angle_deg": 45.0}
    crown, girdle, pavilion = heights(brilliant, {**angles, "girdle_pct": 3.0, "culet_pct": 10.0})
    # At 45 deg the crown is as high as the table's step is wide, (1 - 0.5) / 2 widths.
    assert (crown, girdle, pavilion) == pytest.approx((0.25, 0.03, 0.45), rel=1e-12)


def test_heights_broadcast_over_samples():
    solid = pyramid("round")
    girdle = np.array([2.0, 3.0, 4.0])
    proportions = {"crown_height_pct": 15.0, "girdle_pct": girdle, "pavilion_depth_pct": 43.0}
    crown, sampled, pavilion = heights(solid, proportions)
    assert (crown, pavilion) == pytest.approx((0.15, 0.43), rel=1e-12)
    assert sampled == pytest.approx([0.02, 0.03, 0.04], rel=1e-12)


def test_a_facet_touches_its_outer_and_inner_ring():
    shape = form(two_rows("round", table_pct=55.0), 1.0)
    mains = np.array(shape.crown.names) == "mains"
    first = shape.crown.normals[mains][0]
    assert first == pytest.approx([1.0, 0.0])
    on_rings = np.array([[0.5, 0.0], [0.275, 0.0]])
    assert shape.crown.height(on_rings) == pytest.approx([0.0, 1.0], abs=1e-12)


def test_halves_dip_into_the_girdle_between_the_mains():
    shape = form(two_rows("round", culet_pct=0.0), 1.0)
    turn = np.deg2rad(np.array([0.0, 11.25, 22.5]))
    edge = 0.5 * np.column_stack([np.cos(turn), np.sin(turn)])
    # A half runs through its ring's points 11.25 deg to either side, so its plane stands at
    # cos 11.25 of the ring; at the full radius it is (1 - cos) / cos below the girdle plane.
    cosine = np.cos(np.deg2rad(11.25))
    dip = (1 - cosine) / cosine
    # 1e-9: the radius of the polygon's vertices, whose neighbours are 1.25 deg away.
    assert shape.pavilion.height(edge) == pytest.approx([0.0, -dip, 0.0], abs=1e-9)


@pytest.mark.parametrize("ratio", [1.0, 1.4])
def test_facets_of_a_stretched_stone_are_the_stretched_facets(ratio):
    plain = form(two_rows("oval"), 1.0)
    stretched = form(two_rows("oval"), ratio)
    points = np.random.default_rng(1).uniform(-0.5, 0.5, (200, 2))
    # Planes stretch to planes: the height over a point does not change (lemma 1).
    assert stretched.pavilion.height(points * (ratio, 1)) == pytest.approx(
        plain.pavilion.height(points), abs=1e-9
    )
    assert stretched.crown_volume == pytest.approx(ratio * plain.crown_volume, rel=1e-9)


def test_inset_rings_keep_one_angle_all_round_and_end_in_a_keel():
    shape = form(pyramid("rectangle", rings="inset"), 1.5)
    assert shape.pavilion.slopes == pytest.approx([0.5] * 4, rel=1e-12)
    keel = np.array([[-0.25, 0.0], [0.25, 0.0]])
    assert shape.pavilion.height(keel) == pytest.approx([1.0, 1.0], abs=1e-12)


@pytest.mark.parametrize(
    ("name", "ratio"), [("kite", 1.5), ("shield", 1.2), ("hexagon", 1.8), ("tapered", 2.0)]
)
def test_even_rings_keep_one_angle_on_every_side(name, ratio):
    shape = form(pyramid(name, rings="even"), ratio)
    x, radius = outline.inscribed(shape.outline)
    assert shape.pavilion.slopes == pytest.approx(np.full(len(shape.outline), radius), rel=1e-12)
    # The deepest place is over the middle of the largest circle.
    assert shape.pavilion.height(np.array([[x, 0.0]])) == pytest.approx([1.0], abs=1e-12)


def test_the_keel_of_a_tapered_baguette_rises_towards_its_narrow_end():
    shape = form(cut("tapered-baguette"), 2.0)
    wide, middle, narrow = shape.pavilion.height(np.array([[-0.5, 0.0], [0.0, 0.0], [0.5, 0.0]]))
    assert wide > middle > narrow > 0.7


def test_a_heart_is_described_by_its_half():
    shape = form(cut("heart-brilliant"), 1.0)
    assert shape.mirrored
    assert shape.body[:, 1].min() == 0.0
    assert 2 * outline.area(shape.body) == pytest.approx(shape.area, rel=1e-12)
    points = np.array([[0.1, -0.2], [0.1, 0.2]])
    assert shape.fold(points) == pytest.approx(points[[1, 1]])
    assert shape.unfold(points, points) == pytest.approx(points * [[1, -1], [1, 1]])
    oval = form(cut("oval-brilliant"), 1.3)
    assert oval.body is oval.outline
    assert oval.fold(points) is points


def test_height_is_cut_off_at_the_table_and_negative_outside():
    shape = form(pyramid("square"), 1.0, {"culet_pct": 40.0})
    points = np.array([[0.0, 0.0], [0.19, 0.0], [0.35, 0.0], [0.65, 0.0]])
    # The side falls from 0.5 to 0.2 over the whole depth.
    assert shape.pavilion.height(points) == pytest.approx([1.0, 1.0, 0.5, -0.5], abs=1e-12)


def test_a_part_without_facets_is_upright():
    shape = form(style("oval"), 1.5)
    assert shape.crown_volume == shape.area
    assert shape.crown.height(np.zeros((3, 4, 2))) == pytest.approx(np.ones((3, 4)))


def test_a_bulge_stands_out_by_its_per_cent_at_half_height():
    solid = style("round", rows=[row("pavilion")], pavilion_bulge_pct=3.0)
    swelled, straight = form(solid, 1.0), form(solid, 1.0, {"pavilion_bulge_pct": 0.0})
    half_height = swelled.pavilion.height(np.array([[0.25 + 0.03, 0.0]]))
    # The sides beside direction 0 are chords of the circle, up to 6e-5 of the radius inside it.
    assert half_height == pytest.approx([0.5], abs=6e-5)
    # Two frusta of scales 1, 0.56 and 0 in the place of one cone.
    two = 0.5 * (1 + 0.56 + 0.56**2) / 3 + 0.5 * 0.56**2 / 3
    assert swelled.pavilion_volume / straight.pavilion_volume == pytest.approx(3 * two, rel=1e-9)


def test_stars_and_lower_halves_end_where_their_per_cent_says():
    brilliant = cut("round-brilliant").in_make("well-cut")
    shape = form(brilliant, 1.0, {"table_pct": 57, "star_pct": 50, "lower_half_pct": 78})
    turn = np.array([np.cos(np.deg2rad(22.5)), np.sin(np.deg2rad(22.5))])
    # Half way from the table's edge to the girdle, seen from above; 78 % from girdle to culet.
    table_edge = 0.57 * np.cos(np.deg2rad(22.5))
    for part, scale, rows in (
        (shape.crown, (table_edge + 1) / 2, {"mains", "stars", "upper halves"}),
        (shape.pavilion, 0.22, {"mains", "lower halves"}),
    ):
        rise = (part.offsets - part.normals @ (turn * scale / 2)) / part.slopes
        meeting = np.flatnonzero(rise < rise.min() + 1e-9)
        assert {part.names[k] for k in meeting} == rows


def test_the_number_of_directions_sets_where_the_mains_meet():
    six = tuple(60.0 * k for k in range(6))
    between = tuple(30.0 + 60.0 * k for k in range(6))
    solid = style(
        "round",
        rows=[row("pavilion", six), row("pavilion", between, name="halves", inner="point")],
    )
    solid.rings["point"] = Ring(part="pavilion", scale=0.5, height="mains")
    shape = form(solid, 1.0)
    # Two mains 60 deg apart meet at radius r where r cos 30 is their own scale.
    point = 0.25 * np.array([[np.cos(np.pi / 6), np.sin(np.pi / 6)]])
    assert shape.pavilion.height(point) == pytest.approx([1 - 0.5 * np.cos(np.pi / 6)], abs=1e-9)


def test_domes_follow_their_curve():
    shape = form(cabochon("round", "crown", exponent=2.0), 1.0)
    radius = np.linspace(0.0, 0.5, 41)
    points = np.column_stack([radius, np.zeros(41)])
    height = shape.crown.height(points)
    # In half-widths the dome is a unit sphere; 24 chords over its quarter come within
    # 1 - cos(90 deg / 48) = 0.00054 of it and never stand out.
    from_centre = np.hypot(2 * radius, height)
    assert from_centre.max() < 1 + 1e-12
    assert from_centre.min() > np.cos(np.pi / 96) - 1e-12


def test_normals_and_reach_describe_the_outline():
    shape = form(two_rows("cushion"), 1.2)
    beyond = shape.outline @ shape.normals.T - shape.reach
    assert beyond.max() == pytest.approx(0.0, abs=1e-15)
    assert shape.reach == pytest.approx(outline.support(shape.outline, shape.normals), abs=0)


def test_a_culet_off_the_centre_moves_the_lowest_point_and_keeps_the_volume() -> None:
    """Shearing keeps volumes (Cavalieri); the culet moves by its share of the width."""
    style = cut("pear-brilliant").in_make("native")
    sheared, straight = (
        form(style, 1.5, {"culet_offset_pct": offset, "pavilion_bulge_pct": 0.0})
        for offset in (8.0, 0.0)
    )
    # The dips into the girdle shear too, its wall does not: 1e-5 of the pavilion.
    assert sheared.pavilion_volume == pytest.approx(straight.pavilion_volume, rel=3e-5)
    assert sheared.crown_volume == straight.crown_volume
    deepest = np.array([[0.08, 0.0]])
    assert sheared.pavilion.height(deepest)[0] == pytest.approx(1.0, abs=1e-9)
    assert straight.pavilion.height(deepest)[0] < 0.95
