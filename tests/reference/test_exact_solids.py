"""Volumes of plain solids against their closed forms.

I. N. Bronshtein, K. A. Semendyayev, G. Musiol, H. Muehlig, Handbook of Mathematics, 5th edition,
Springer 2007, chapter 3.3 "Stereometry" (prism, cone, frustum, wedge, ellipsoid). As handbook
coefficients, volume / (length x width x depth) / 200, they are: box 0.00500, elliptic cylinder
0.003927, half-ellipsoid and sphere 0.002618, cone 0.001309.

Tolerance. Curved outlines are inscribed polygons of 288 vertices or more to the turn, so their
areas fall short by (2 pi / 288)^2 / 6 = 8e-5 of themselves: 1e-4 is asked. Straight-sided solids
are exact, but for a plane within 1e-10 of a vertex, which counts as through it: 1e-9 is asked.
Domes have their own tolerance, given with them.
"""

from __future__ import annotations

import numpy as np
import pytest
from solids import cabochon, pyramid, row, stone, style

from fitsolver.stones import outline
from fitsolver.stones.cut import cut
from fitsolver.stones.stone import Stone

CURVED, STRAIGHT = 1e-4, 1e-9


def coefficient(solid: Stone) -> float:
    return solid.volume_mm3 / (solid.length_mm * solid.width_mm * solid.depth_mm) / 200


@pytest.mark.parametrize("ratio", [1.0, 1.6])
def test_box(ratio):
    box = stone(style("rectangle"), ratio, girdle_mm=2.0)
    assert coefficient(box) == pytest.approx(0.005, rel=STRAIGHT)
    # The same box, its height shared between crown, girdle and pavilion.
    shared = stone(style("rectangle"), ratio, crown_mm=0.5, girdle_mm=0.5, pavilion_mm=1.0)
    assert shared.volume_mm3 == pytest.approx(box.volume_mm3, rel=STRAIGHT)


@pytest.mark.parametrize("ratio", [1.0, 1.3, 2.5])
def test_elliptic_cylinder(ratio):
    cylinder = stone(style("oval"), ratio, girdle_mm=2.0)
    assert coefficient(cylinder) == pytest.approx(np.pi / 4 / 200, rel=CURVED)
    assert coefficient(cylinder) == pytest.approx(0.003927, rel=CURVED + 1e-4)  # as printed


def test_octagonal_prism():
    prism = stone(style("octagon"), width_mm=5.0, girdle_mm=3.0, corner_pct=100 / (2 + np.sqrt(2)))
    # A regular octagon of width w has the area 2 (sqrt 2 - 1) w^2.
    assert prism.volume_mm3 == pytest.approx(2 * (np.sqrt(2) - 1) * 25 * 3, rel=STRAIGHT)


@pytest.mark.parametrize("ratio", [1.0, 1.3])
def test_cone(ratio):
    cone = stone(pyramid("oval"), ratio, pavilion_mm=2.6)
    assert coefficient(cone) == pytest.approx(np.pi / 12 / 200, rel=CURVED)
    assert coefficient(cone) == pytest.approx(0.001309, rel=CURVED + 1e-4)  # as printed


def test_double_cone_with_a_girdle():
    solid = stone(
        style("round", rows=[row("crown"), row("pavilion")]),
        crown_mm=1.0,
        girdle_mm=0.3,
        pavilion_mm=2.6,
    )
    assert solid.volume_mm3 == pytest.approx(np.pi * 9 * (0.3 + (1.0 + 2.6) / 3), rel=CURVED)


def test_frustum():
    solid = style("round", rows=[row("crown"), row("pavilion")])
    cut = stone(solid, crown_mm=1.0, pavilion_mm=2.0, table_pct=57.0, culet_pct=10.0)
    # V = pi h / 3 (R^2 + R r + r^2).
    crown = np.pi * 1.0 / 3 * 9 * (1 + 0.57 + 0.57**2)
    pavilion = np.pi * 2.0 / 3 * 9 * (1 + 0.10 + 0.10**2)
    assert cut.volume_mm3 == pytest.approx(crown + pavilion, rel=CURVED)


@pytest.mark.parametrize("ratio", [1.0, 1.5])
def test_pyramid(ratio):
    solid = stone(pyramid("rectangle"), ratio, width_mm=5.0, pavilion_mm=3.0)
    assert solid.volume_mm3 == pytest.approx(25 * ratio * 3 / 3, rel=STRAIGHT)


@pytest.mark.parametrize("ratio", [1.0, 1.5, 2.2])
def test_wedge(ratio):
    """A step cut's pavilion: rectangular base a x b, keel c = a - b: V = b h (2 a + c) / 6."""
    solid = stone(pyramid("rectangle", rings="inset"), ratio, width_mm=5.0, pavilion_mm=3.0)
    a, b, h = 5 * ratio, 5.0, 3.0
    assert solid.volume_mm3 == pytest.approx(b * h * (2 * a + (a - b)) / 6, rel=STRAIGHT)


def test_obelisk():
    """A step cut's crown: base a x b, top a1 x b1: V = h / 6 (ab + (a + a1)(b + b1) + a1 b1)."""
    steps = style("rectangle", rows=[row("crown")], rings="inset")
    solid = stone(steps, 1.5, width_mm=5.0, crown_mm=1.2, table_pct=60.0)
    a, b, a1, b1 = 7.5, 5.0, 5.5, 3.0
    volume = 1.2 / 6 * (a * b + (a + a1) * (b + b1) + a1 * b1)
    assert solid.volume_mm3 == pytest.approx(volume, rel=STRAIGHT)


# A dome of n tiers stands on chords of its curve, which takes off (pi / 2n)^2 / 4 of the volume
# of a half-ellipsoid, to leading order; its rings are 72-gons about the outline, which adds
# (pi / 72)^2 / 3 = 6e-4 (less what the outline itself takes off at the girdle).
@pytest.mark.parametrize("tiers", [12, 24, 48])
@pytest.mark.parametrize("ratio", [1.0, 1.4])
def test_half_ellipsoid(tiers, ratio):
    solid = stone(cabochon("oval", "crown", tiers=tiers), ratio, crown_mm=2.5)
    low, high = -((np.pi / (2 * tiers)) ** 2) / 4, (np.pi / 72) ** 2 / 3
    error = coefficient(solid) / (np.pi / 6 / 200) - 1
    assert low <= error <= high
    if tiers == 24:  # what profiles use by default: to the four digits of a handbook
        assert coefficient(solid) == pytest.approx(0.002618, rel=5e-4)


def test_sphere_and_lens():
    ball = stone(cabochon("round", "crown", "pavilion"), crown_mm=3.0, pavilion_mm=3.0)
    assert ball.volume_mm3 == pytest.approx(4 / 3 * np.pi * 27, rel=5e-4)
    lens = stone(cabochon("round", "crown", "pavilion"), crown_mm=2.0, pavilion_mm=0.5)
    assert coefficient(lens) == pytest.approx(coefficient(ball), rel=STRAIGHT)


def test_a_bead_is_a_ball_and_a_rondel_a_flattened_one():
    """k = pi / 6 / 200 = 0.002618, the ball's share of its box; the drill hole is not taken off."""
    for flat in (1.0, 0.7):
        bead = stone(cut("round-bead"), crown_mm=3.0 * flat, pavilion_mm=3.0 * flat)
        assert bead.volume_mm3 == pytest.approx(4 / 3 * np.pi * 27 * flat, rel=5e-4)
        assert coefficient(bead) == pytest.approx(0.002618, rel=5e-4)


def test_a_briolette_lies_between_a_cone_on_a_half_ball_and_an_ellipsoid():
    drop = stone(cut("briolette"), width_mm=6.0, crown_mm=6.6, pavilion_mm=3.0)
    slender = np.pi * 9 * 6.6 / 3 + 2 / 3 * np.pi * 27
    full = 2 / 3 * np.pi * 9 * (6.6 + 3.0)
    assert slender < drop.volume_mm3 < full


@pytest.mark.parametrize("name", ["kite", "lozenge", "shield", "hexagon"])
def test_pyramids_on_straight_sided_outlines(name):
    """V = area x height / 3, whether the sides scale to the point or all move in alike."""
    ratio, regular = (2 / np.sqrt(3), 50 / np.sqrt(3)) if name == "hexagon" else (1.3, 0.0)
    scaled = stone(pyramid(name), ratio, pavilion_mm=2.5, point_pct=regular)
    volume = outline.area(scaled.outline_mm) * 2.5 / 3
    assert scaled.volume_mm3 == pytest.approx(volume, rel=STRAIGHT)
    if name != "shield":  # its straight sides do not touch the largest circle inside
        even = stone(pyramid(name, rings="even"), ratio, pavilion_mm=2.5, point_pct=regular)
        assert even.volume_mm3 == pytest.approx(volume, rel=STRAIGHT)


def test_hipped_roof_on_a_trapezium():
    """A tapered baguette's pavilion, sliced by hand: a roof of one angle over a trapezium.

    Ends a and b wide, the length l, along x. All slopes rise by h over the radius of the circle
    that touches the wide end and both sides. A slice across is a triangle up to the ridge, or is
    cut off level by the slope of the nearer end.
    """
    h, a, b, length = 2.5, 6.0, 4.2, 12.0
    solid = stone(pyramid("tapered", rings="even"), 2.0, pavilion_mm=h)
    lean = np.arctan((a - b) / 2 / length)
    radius = a / 2 * np.cos(lean) / (1 + np.sin(lean))
    x = np.linspace(0.0, length, 2001)
    half = a / 2 - x * np.tan(lean)
    ridge = half * np.cos(lean) * h / radius
    level = np.minimum(np.minimum(x, length - x) * h / radius, ridge)
    area = level * half * (2 - level / ridge)
    # 1e-6: the trapezium rule over 2000 slices whose area is a broken parabola.
    assert solid.volume_mm3 == pytest.approx(np.trapezoid(area, x), rel=1e-6)


@pytest.mark.parametrize("exponent", [1.5, 2.0, 3.0])
def test_superellipsoid(exponent):
    """s^e + u^e = 1 turned about u: V = pi R^2 h / e x B(1/e, 1 + 2/e), B the beta function."""
    from scipy.special import beta

    solid = stone(cabochon("round", "crown", exponent=exponent), crown_mm=2.5)
    volume = np.pi * 9 * 2.5 / exponent * beta(1 / exponent, 1 + 2 / exponent)
    # Chords and 72-gons as above, which partly make up for each other.
    assert solid.volume_mm3 == pytest.approx(volume, rel=5e-4)
