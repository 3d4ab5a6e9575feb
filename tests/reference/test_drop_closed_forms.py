"""Rest heights and gaps that school geometry gives in closed form.

Sources
-------
- Cones, ledges, boxes and wedges: similar triangles.
- Domes: the ellipsoid z = p sqrt(1 - (r / R)^2).
- Gap between ellipses: D. Eberly, "Distance from a Point to an Ellipse, an Ellipsoid, or a
  Hyperellipsoid", Geometric Tools 2013, eq. (10): the nearest point solves one equation in one
  unknown, here by bisection.

Tolerances. Circles are drawn by polygons: a polygon of k sides on a circle of radius R lies inside
it by up to R (1 - cos(pi / k)), 0.2 micrometre for the 288 sides of a 6 mm stone's outline and
0.6 micrometre for a seat of 180 stations; slopes carry that into heights by their tangent. Where
the polygons' corners face each other nothing is lost and 1e-8 is asked: a plane within 1e-10 of a
vertex counts as through it.
"""

from __future__ import annotations

import numpy as np
import pytest
from drawn import mounting
from solids import cabochon, pyramid, stone, style

from fitsolver.fitting.contact import drop
from fitsolver.fitting.placement import place
from fitsolver.fitting.requirement import bounds
from fitsolver.readings.reading import direct
from fitsolver.seats.allowance import allowances
from fitsolver.seats.belief import belief
from fitsolver.seats.metal import Surface, metal
from fitsolver.seats.seat import Seats, seats
from fitsolver.stones.form import form
from fitsolver.stones.stone import Stone

SIDES = 288


def funnel(inner_mm: float, outer_mm: float, slope: float, *, offset: float = 0.0) -> Surface:
    """A conical ledge whose outer edge is at height 0, its corners `offset` of a side turned."""
    angle = (np.arange(SIDES) + offset) * 2 * np.pi / SIDES
    ray = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    inner = inner_mm * ray - (0, 0, slope * (outer_mm - inner_mm))
    outer = outer_mm * ray
    next_inner, next_outer = np.roll(inner, -1, axis=0), np.roll(outer, -1, axis=0)
    triangles = np.concatenate(
        [
            np.stack([inner, next_inner, next_outer], axis=1),
            np.stack([inner, next_outer, outer], axis=1),
        ]
    )
    return Surface(name="ledge", role="support", triangles=triangles)


def cone(depth_mm: float, girdle_mm: float = 0.2) -> Stone:
    """A round stone, 6 mm wide, whose pavilion is a cone (a pyramid of 288 sides)."""
    return stone(pyramid("round"), width_mm=6.0, girdle_mm=girdle_mm, pavilion_mm=depth_mm)


def lower_girdle_edge(rest_z_mm: float, stone_: Stone) -> float:
    return rest_z_mm - stone_.girdle_mm / 2


@pytest.mark.parametrize("steep_deg", [41.0, 50.0, 60.0])
@pytest.mark.parametrize("ledge_deg", [0.0, 20.0, 40.0])
@pytest.mark.parametrize("offset", [0.0, 0.5])
def test_a_steeper_cone_stands_on_the_inner_edge(steep_deg, ledge_deg, offset):
    """t = tan(alpha) (R_girdle - R_ledge) above the inner edge, for the lower girdle edge."""
    alpha, beta = np.tan(np.deg2rad([steep_deg, ledge_deg]))
    stone_ = cone(3.0 * alpha)
    ledge = funnel(2.6, 3.2, beta, offset=offset)
    inner_z = -beta * 0.6
    rest = drop(stone_, [ledge])
    assert rest.point_mm[2] == pytest.approx(inner_z, abs=1e-9)
    # Turned by half a side, the edge's corners meet the middle of the cone's sides, which lie
    # 3 mm x (1 - cos(pi / 288)) inside the circle.
    short = 3.0 * (1 - np.cos(np.pi / SIDES)) if offset else 0.0
    assert lower_girdle_edge(rest.rest_z_mm, stone_) == pytest.approx(
        inner_z + alpha * (3.0 - 2.6), abs=1.1 * alpha * short + 1e-8
    )


@pytest.mark.parametrize("flat_deg", [0.0, 10.0, 25.0])
@pytest.mark.parametrize("ledge_deg", [26.0, 40.0, 60.0])
@pytest.mark.parametrize("offset", [0.0, 0.5])
def test_a_shallower_cone_stands_on_its_girdle(flat_deg, ledge_deg, offset):
    """-tan(beta) (R_opening - R_girdle) from the plane of the ledge's outer edge."""
    alpha, beta = np.tan(np.deg2rad([flat_deg, ledge_deg]))
    stone_ = cone(3.0 * alpha)
    rest = drop(stone_, [funnel(2.6, 3.2, beta, offset=offset)])
    assert np.hypot(*rest.point_mm[:2]) == pytest.approx(3.0, abs=3.0 * (1 - np.cos(np.pi / SIDES)))
    short = 3.2 * (1 - np.cos(np.pi / SIDES)) if offset else 0.0
    assert lower_girdle_edge(rest.rest_z_mm, stone_) == pytest.approx(
        -beta * (3.2 - 3.0), abs=1.1 * beta * short + 1e-8
    )


def test_a_cone_of_the_ledges_own_slope_lies_on_all_of_it():
    stone_ = cone(3.0 * np.tan(np.deg2rad(35)))
    rest = drop(stone_, [funnel(2.6, 3.2, np.tan(np.deg2rad(35)))])
    assert lower_girdle_edge(rest.rest_z_mm, stone_) == pytest.approx(
        -0.2 * np.tan(np.deg2rad(35)), abs=1e-9
    )


def test_a_cone_off_its_axis_rides_up_on_one_side():
    """Shifted by d in a funnel of its steeper kind: the edge is met d farther in."""
    stone_ = cone(3.0)
    ledge = funnel(2.2, 3.4, 0.2)
    centred, aside = drop(stone_, [ledge]), drop(stone_, [ledge], shift_mm=(0.15, 0.0))
    assert aside.rest_z_mm - centred.rest_z_mm == pytest.approx(0.15, abs=1e-9)
    assert aside.point_mm[0] == pytest.approx(2.2, abs=1e-9)


@pytest.mark.parametrize("part", [0.2, 0.5, 0.8])
def test_a_dome_upside_down_on_a_ring(part):
    """A cabochon's dome on a ring of radius r: p sqrt(1 - (r / R)^2) above it."""
    dome = stone(cabochon("round", "pavilion", tiers=96), width_mm=6.0, pavilion_mm=2.0, crown_mm=1)
    ring = funnel(3.0 * part, 3.0 * part + 1e-6, 0.0)
    rest = drop(dome, [ring])
    expected = 2.0 * np.sqrt(1 - part**2)
    # Facets are 5 deg wide and touch the ellipsoid's parallels in their middle, so at most
    # r (1 - cos 2.5 deg) is added to r; between tiers p (1 - cos(0.5 deg)) is missing.
    wider = 3.0 * part * (1 - np.cos(np.deg2rad(2.5)))
    slope = 2.0 / 3.0 * part / np.sqrt(1 - part**2)
    assert rest.rest_z_mm == pytest.approx(expected, abs=slope * wider + 2.0 * 4e-5)


def box_seat(ledge_deg: float, ledge_mm: float = 0.5) -> Seats:
    """A rectangular seat, 9.2 x 6.1 mm, as the best estimate of its readings has it."""
    held = mounting(
        np.random.default_rng(0),
        "rectangle",
        "wall",
        opening_length_mm=direct(9.2, measure="outside"),
        opening_width_mm=direct(6.1, measure="outside"),
        ledge_width_mm=direct(ledge_mm),
        ledge_angle_deg=ledge_deg,
        wall_lean_deg=0.0,
    )
    return seats(belief(held), 0)


@pytest.mark.parametrize("ledge_deg", [0.0, 25.0, 45.0])
def test_a_box_in_a_box_stands_on_its_tighter_sides(ledge_deg):
    """A slab of 9 x 6 mm has 0.1 mm at its ends and 0.05 mm at its sides: the sides stop it."""
    slab = stone(style("rectangle"), 1.5, width_mm=6.0, girdle_mm=1.0)
    beta = np.tan(np.deg2rad(ledge_deg))
    ledge = [item for item in metal(box_seat(ledge_deg)) if item.name == "ledge"]
    rest = drop(slab, ledge)
    # 1e-6: the opening's size is what readings make of it.
    assert lower_girdle_edge(rest.rest_z_mm, slab) == pytest.approx(-beta * 0.05, abs=1e-5)


@pytest.mark.parametrize("ledge_mm", [0.3, 0.5, 0.8])
def test_a_wedge_stands_on_the_inner_edge_of_a_box(ledge_mm):
    """A step-cut rectangle, all sides at one angle, meets the inner edge of its sides first.

    Inset rings give pavilion sides the slope depth / half width; the sides overhang the inner edge
    by ledge - gap, the ends by a little less because their gap is wider.
    """
    wedge = stone(pyramid("rectangle", rings="inset"), 1.5, width_mm=6.0, pavilion_mm=2.4)
    alpha, beta = 2.4 / 3.0, np.tan(np.deg2rad(20.0))
    ledge = [item for item in metal(box_seat(20.0, ledge_mm)) if item.name == "ledge"]
    rest = drop(wedge, ledge)
    assert rest.rest_z_mm == pytest.approx(-beta * ledge_mm + alpha * (ledge_mm - 0.05), abs=1e-5)


def to_ellipse(x: float, y: float, a: float, b: float) -> float:
    """Distance from a point outside to the ellipse with half axes a and b (Eberly, eq. 10)."""
    low, high = 0.0, float(np.hypot(a * x, b * y))
    for _ in range(200):
        t = (low + high) / 2
        if (a * x / (t + a * a)) ** 2 + (b * y / (t + b * b)) ** 2 > 1:
            low = t
        else:
            high = t
    return float(np.hypot(x * t / (t + a * a), y * t / (t + b * b)))


@pytest.mark.parametrize("ratio", [1.1, 1.3, 1.5])
def test_an_ellipse_in_an_ellipse(ratio):
    """The gap all round an oval stone in an oval seat, station by station."""
    width = 6.0
    held = mounting(
        np.random.default_rng(0),
        "oval",
        "wall",
        opening_length_mm=direct(width * ratio + 0.2),
        opening_width_mm=direct(width + 0.2),
        ledge_width_mm=direct(0.4),
        wall_lean_deg=0.0,
    )
    possible = seats(belief(held, 180), 0)
    one = np.ones(1)
    placed = place(
        form(cabochon("oval", "crown"), ratio),
        possible,
        width * ratio * one,
        width * one,
        0.2 * one,
        bounds(possible, allowances()),
    )
    assert placed.shift == pytest.approx(np.zeros((1, 2)), abs=1e-4)
    # The seat's stations lie on its own ellipse; the stone's polygon is 0.4 micrometre inside.
    expected = [
        to_ellipse(abs(x), abs(y), width * ratio / 2, width / 2) for x, y in possible.opening[0]
    ]
    assert placed.gap[0] == pytest.approx(expected, abs=6e-4)
    # Of 180 stations each lies 0.4 micrometre outside the ellipse, chords as much inside.
    assert placed.gap[0, 0] == pytest.approx(0.1, abs=5e-4)
    # Between stations chords come nearer, by up to 0.8 micrometre where the oval is flat.
    assert placed.near[0].min() == pytest.approx(min(expected), abs=1.4e-3)
    assert np.all(placed.near[0] <= placed.gap[0])
