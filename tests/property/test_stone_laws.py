"""Laws that hold for every stone, whatever its style, size and proportions."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fitsolver.stones import outline
from fitsolver.stones.cut import cut, names
from fitsolver.stones.form import Form, form, heights
from fitsolver.stones.polyhedron import cut_prism
from fitsolver.stones.stone import Stone

# Only a law that fails is printed with its stone, which then is long.
pytestmark = pytest.mark.filterwarnings("ignore:Generating overly large repr")

# 1e-9: a plane within 1e-10 of a vertex is taken to pass through it.
EXACT = 1e-9


@st.composite
def forms(draw: st.DrawFn) -> Form:
    """A shipped style, its proportions anywhere within two spreads and its limits."""
    style = cut(draw(st.sampled_from(names())))

    def within(item):
        low = max(item.low, item.typical - 2 * item.spread)
        high = min(item.high, item.typical + 2 * item.spread)
        return draw(st.floats(low, high))

    proportions = {name: within(item) for name, item in style.proportions.items()}
    return form(style, within(style.length_ratio), proportions)


@st.composite
def stones(draw: st.DrawFn, thinnest_girdle: float = 0.0) -> Stone:
    shape = draw(forms())
    width = draw(st.floats(2.0, 15.0))
    crown, girdle, pavilion = heights(shape.style, shape.proportions)
    return Stone(
        form=shape,
        width_mm=width,
        crown_height_mm=float(crown) * width,
        girdle_mm=max(float(girdle), thinnest_girdle) * width,
        pavilion_depth_mm=float(pavilion) * width,
    )


def rescaled(stone: Stone, plan: float = 1.0, depth: float = 1.0) -> Stone:
    return Stone(
        form=stone.form,
        width_mm=stone.width_mm * plan,
        crown_height_mm=stone.crown_height_mm * depth,
        girdle_mm=stone.girdle_mm * depth,
        pavilion_depth_mm=stone.pavilion_depth_mm * depth,
    )


@given(stones(), st.floats(0.5, 3.0))
def test_scale_s_gives_volume_s_cubed(stone, scale):
    larger = rescaled(stone, scale, scale)
    assert larger.volume_mm3 == pytest.approx(scale**3 * stone.volume_mm3, rel=EXACT)


@given(stones(), st.floats(0.5, 2.0))
def test_stretching_the_depth_stretches_the_volume(stone, stretch):
    deeper = rescaled(stone, depth=stretch)
    assert deeper.volume_mm3 == pytest.approx(stretch * stone.volume_mm3, rel=EXACT)


@given(stones(thinnest_girdle=0.25), st.floats(0.1, 1.9))
def test_each_height_adds_its_own_volume(stone, share):
    """Linear in crown, girdle and pavilion as long as no dip reaches through the girdle."""
    shape, width = stone.form, stone.width_mm
    other = Stone(
        form=shape,
        width_mm=width,
        crown_height_mm=stone.crown_height_mm * share,
        girdle_mm=stone.girdle_mm * 1.5,
        pavilion_depth_mm=stone.pavilion_depth_mm * (2 - share),
    )
    for each in (stone, other):
        linear = width**2 * (
            shape.area * each.girdle_mm
            + shape.crown_volume * each.crown_height_mm
            + shape.pavilion_volume * each.pavilion_depth_mm
        )
        assert each.volume_mm3 == pytest.approx(linear, rel=EXACT)


@given(stones(), st.floats(0.0, 2 * np.pi))
def test_turning_a_stone_changes_nothing(stone, turn):
    normals, offsets, _ = stone.half_spaces
    c, s = np.cos(turn), np.sin(turn)
    rotation = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    bodies = 2 if stone.form.mirrored else 1  # the half-spaces are those of one half
    ring = stone.body_mm @ rotation[:2, :2].T
    turned = cut_prism(ring, stone.culet_z_mm, stone.table_z_mm, normals @ rotation.T, offsets)
    assert bodies * turned.volume == pytest.approx(stone.volume_mm3, rel=EXACT)


@given(stones())
@settings(max_examples=12)
def test_sections_integrate_to_the_volume(stone):
    """Between the heights of its vertices the section's area is a parabola: Simpson is exact."""
    levels = np.unique(np.round(stone.polyhedron.vertices[:, 2], 9))
    levels = np.clip(levels, stone.culet_z_mm, stone.table_z_mm)

    def areas(heights_mm: np.ndarray) -> np.ndarray:
        sections = [stone.section(float(z_mm)) for z_mm in heights_mm]
        return np.array([outline.area(each) if len(each) > 2 else 0.0 for each in sections])

    at_levels, between = areas(levels), areas((levels[:-1] + levels[1:]) / 2)
    simpson = np.diff(levels) / 6 * (at_levels[:-1] + 4 * between + at_levels[1:])
    # 1e-7: levels are rounded to 1e-9 mm of a stone that may be half a millimetre deep.
    assert simpson.sum() == pytest.approx(stone.volume_mm3, rel=1e-7)


@given(stones(), st.floats(0.01, 0.99), st.floats(0.01, 0.99))
def test_sections_shrink_like_those_of_a_convex_body(stone, one, other):
    """Brunn and Minkowski: the square root of the section's area is concave in the height."""
    bottom, depth = stone.culet_z_mm, stone.depth_mm

    def size(share: float) -> float:
        section = stone.section(bottom + share * depth)
        return np.sqrt(max(outline.area(section), 0.0)) if len(section) > 2 else 0.0

    assert size((one + other) / 2) >= (size(one) + size(other)) / 2 - EXACT * stone.width_mm


POINT = st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5))


@given(stones(), POINT, POINT)
def test_the_lower_surface_is_convex_and_the_upper_concave(stone, one, other):
    box = (stone.length_mm, stone.width_mm)
    points = stone.form.fold(np.array([one, other]) * box)  # a heart: within one half
    middle = points.mean(axis=0)
    slack = EXACT * stone.depth_mm
    assert stone.lower_surface(middle) <= stone.lower_surface(points).mean() + slack
    assert stone.upper_surface(middle) >= stone.upper_surface(points).mean() - slack


@given(stones(), st.lists(POINT, min_size=1, max_size=20))
def test_distances_from_normals_are_true_within_their_bound(stone, points):
    places = np.array(points) * (3 * stone.length_mm, 3 * stone.width_mm)
    shape = stone.form
    reached = (shape.fold(places) @ shape.normals.T - shape.reach * stone.width_mm).max(axis=1)
    figure = stone.girdle_outline()
    true = shapely.distance(shapely.points(places), figure)
    outside = true > 0
    # The bound that `outline.normals_of` states, for its fan of 3 deg.
    assert np.all(reached[outside] <= true[outside] * (1 + EXACT) + EXACT)
    assert np.all(reached[outside] >= true[outside] * np.cos(np.deg2rad(1.5)) - EXACT)
    depth = shapely.distance(shapely.points(places), figure.exterior)
    if shape.mirrored:  # beside a cleft the lobes' lines lie nearer than the cleft itself
        assert np.all(reached[~outside] >= -depth[~outside] - EXACT)
        assert np.all(reached[~outside] <= EXACT)
    else:
        assert reached[~outside] == pytest.approx(-depth[~outside], abs=EXACT)


@given(stones(), st.floats(0.02, 0.98))
def test_a_stone_is_its_own_mirror_image(stone, share):
    section = stone.section(stone.culet_z_mm + share * stone.depth_mm)
    # In its length; a half-moon in a line across it.
    image = (-1, 1) if stone.form.style.family == "half-moon" else (1, -1)
    mirrored = shapely.Polygon(section * image)
    # A facet's direction rounds differently on either side: 1e-6 of the width.
    assert shapely.hausdorff_distance(shapely.Polygon(section), mirrored) < 1e-6 * stone.width_mm


@given(
    st.sampled_from(tuple(outline.FAMILIES)),
    st.floats(0.6, 4.0),
    st.fixed_dictionaries(
        {
            "side_bulge_pct": st.floats(0.0, 40.0),
            "corner_pct": st.floats(0.0, 60.0),
            "fullness_pct": st.floats(0.0, 100.0),
            "head_pct": st.floats(0.0, 100.0),
            "cleft_pct": st.floats(0.0, 40.0),
            "point_pct": st.floats(0.0, 100.0),
            "second_width_pct": st.floats(0.0, 120.0),
        }
    ),
)
@settings(max_examples=1000)
def test_every_outline_is_convex_and_fills_its_box(family, ratio, shape):
    points = outline.draw(family, ratio, shape)
    body = outline.upper_half(points) if outline.family(family).mirrored else points
    edge = np.roll(body, -1, axis=0) - body
    length = np.linalg.norm(edge, axis=1)
    after = np.roll(edge, -1, axis=0)
    turn = (edge[:, 0] * after[:, 1] - edge[:, 1] * after[:, 0]) / (length * np.roll(length, -1))
    # 1e-9: where a cut just misses a vertex the short edge left over has lost digits.
    assert turn.min() > -1e-9
    assert shapely.Polygon(points).is_valid
    assert np.ptp(points, axis=0) == pytest.approx([ratio, 1.0], rel=1e-12)
    assert outline.area(points) > 0


@given(st.sampled_from(["cushion", "marquise", "pear"]), st.floats(1.0, 3.0), st.floats(0.0, 0.9))
def test_fuller_outlines_cover_more(family, ratio, share):
    key = "side_bulge_pct" if family == "cushion" else "fullness_pct"
    # A cushion's side bulges into its box, so it covers less the rounder it is.
    sign = -1 if family == "cushion" else 1
    top = 25.0 if family == "cushion" else 100.0
    low = outline.area(outline.draw(family, ratio, {key: share * top}))
    high = outline.area(outline.draw(family, ratio, {key: (share + 0.1) * top}))
    # 1e-4: the number of chords to an arc changes with the arc.
    assert sign * (high - low) > -1e-4
