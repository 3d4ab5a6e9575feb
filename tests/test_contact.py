"""The exact drop: what stops a stone, where, and at which height.

The linear programmes below are a second road to the same number: the largest t for which some
metal point, lowered by t, lies in all half-spaces of the stone. HiGHS (scipy.optimize.linprog)
solves them to about 1e-9; asked for is 1e-7 mm, a thousandth of what any setter could see.
"""

from __future__ import annotations

import numpy as np
import pytest
from drawn import stone_of, turned
from scipy.optimize import linprog
from solids import cabochon, pyramid, stone, style

from fitsolver.fitting.contact import drop
from fitsolver.seats.metal import Role, Surface
from fitsolver.stones.cut import cut, names
from fitsolver.stones.form import form
from fitsolver.stones.stone import Stone

SOLVED_MM = 1e-7


def surface(*triangles: object, name: str = "ledge", role: Role = "support") -> Surface:
    return Surface(name=name, role=role, triangles=np.array(triangles, dtype=np.float64))


def plate(z: float, size: float = 60.0) -> Surface:
    """One level triangle so large that none of its edges is near."""
    return surface([[-size, -size, z], [size, -size, z], [0, size, z]], name="plate")


def brilliant(width_mm: float = 6.5) -> Stone:
    return stone_of(form(cut("round-brilliant"), 1.0), width_mm)


def by_linear_programme(stone_: Stone, triangle: np.ndarray) -> float:
    """Height of the highest pose at which the stone still meets one triangle, -inf if none.

    Unknowns are three weights of the triangle's corners and the height t of the stone.
    """
    normals, offsets, _ = stone_.half_spaces
    best = -np.inf
    for side in (1.0, -1.0) if stone_.form.mirrored else (1.0,):
        corners = triangle * (1.0, side, 1.0)
        found = linprog(
            [0.0, 0.0, 0.0, -1.0],
            A_ub=np.column_stack([normals @ corners.T, -normals[:, 2]]),
            b_ub=offsets,
            A_eq=[[1.0, 1.0, 1.0, 0.0]],
            b_eq=[1.0],
            bounds=[(0, 1)] * 3 + [(None, None)],
        )
        if found.status == 0:
            best = max(best, found.x[3])
    return best


def test_a_stone_stands_on_its_culet_on_a_plate():
    round_ = brilliant()
    rest = drop(round_, [plate(0.4)])
    assert rest.rest_z_mm == pytest.approx(0.4 - round_.culet_z_mm, abs=1e-9)
    assert rest.on == "plate"
    assert rest.point_mm == pytest.approx((0.0, 0.0, 0.4), abs=1e-6)


def test_nothing_under_the_stone_is_an_answer():
    beside = surface([[20, 0, 0], [21, 0, 0], [20, 1, 0]])
    for surfaces in ([], [beside], [surface(name="empty")]):
        rest = drop(brilliant(), surfaces)
        assert rest.rest_z_mm == -np.inf
        assert rest.on == ""


def test_movable_metal_stops_nothing():
    wall = Surface(name="wall", role="movable", triangles=plate(3.0).triangles)
    assert drop(brilliant(), [wall]).on == ""
    assert drop(brilliant(), [wall, plate(0.0)]).on == "plate"


def test_the_highest_of_several_surfaces_stops_it():
    bump = surface([[1.0, -0.1, 0], [1.2, -0.1, 0], [1.1, 0.1, 0.9]], name="bump")
    round_ = brilliant()
    alone = [drop(round_, [item]).rest_z_mm for item in (plate(-1.0), bump)]
    both = drop(round_, [plate(-1.0), bump])
    assert both.rest_z_mm == max(alone)
    assert both.on == ("bump" if alone[1] > alone[0] else "plate")


@pytest.mark.parametrize("girdle_mm", [0.3, 0.0])
def test_a_flat_back_lies_on_a_plate_that_has_no_edge_near(girdle_mm):
    """Whether or not it has a girdle: only the stone's own corners meet such a plate."""
    flat = stone(cabochon("oval", "crown"), 1.3, crown_mm=2.5, girdle_mm=girdle_mm)
    assert drop(flat, [plate(0.2)]).rest_z_mm == pytest.approx(0.2 + girdle_mm / 2, abs=1e-9)
    sloping = plate(0.0).triangles * 1.0
    sloping[..., 2] = 0.2 * sloping[..., 0]
    rest = drop(flat, [surface(*sloping)])
    assert rest.rest_z_mm == pytest.approx(0.2 * flat.length_mm / 2 + girdle_mm / 2, abs=1e-9)


def test_an_upright_wall_and_a_degenerate_triangle_stop_it_by_their_edges():
    round_ = brilliant()
    wall = surface([[1, -2, -5], [1, 2, -5], [1, 2, 0]], [[1, -2, -5], [1, 2, 0], [1, -2, 0]])
    line = surface([[1, -2, 0], [1, 2, 0], [1, 2, 0]])
    assert drop(round_, [wall]).rest_z_mm == pytest.approx(
        drop(round_, [line]).rest_z_mm, abs=1e-12
    )
    # Along x = 1 the pavilion is deepest at y = 0, midway between the wall's corners.
    deepest = round_.lower_surface(np.array([1.0, 0.0]))
    assert drop(round_, [wall]).rest_z_mm == pytest.approx(-float(deepest), abs=1e-9)
    corners = round_.lower_surface(np.array([[1.0, 2.0], [1.0, -2.0]]))
    assert drop(round_, [wall]).rest_z_mm > -float(corners.min()) + 0.5


def test_shift_and_turn_move_the_stone_in_the_seat():
    rng = np.random.default_rng(3)
    triangles = rng.uniform(-3, 3, (20, 3, 3)) * (1, 1, 0.2)
    baguette = stone_of(form(cut("baguette"), 2.0), 3.0)
    moved = drop(baguette, [surface(*triangles)], shift_mm=(0.3, -0.2), turn_rad=0.7)
    back = triangles.copy()
    back[..., :2] = (back[..., :2] - (0.3, -0.2)) @ turned(0.7)
    still = drop(baguette, [surface(*back)])
    assert moved.rest_z_mm == pytest.approx(still.rest_z_mm, abs=1e-12)
    plan = turned(0.7) @ still.point_mm[:2] + (0.3, -0.2)
    assert moved.point_mm[:2] == pytest.approx(plan, abs=1e-12)


@pytest.mark.parametrize("name", names())
def test_every_style_rests_where_a_linear_programme_says(name):
    rng = np.random.default_rng([7, len(name), ord(name[0])])
    style_ = cut(name)
    stone_ = stone_of(form(style_, style_.length_ratio.typical), 5.0)
    for _ in range(4):
        corners = rng.uniform(-0.7, 0.7, (3, 3)) * (stone_.length_mm, stone_.width_mm, 1.5)
        rest = drop(stone_, [surface(corners)])
        expected = by_linear_programme(stone_, corners)
        if expected == -np.inf:
            assert rest.rest_z_mm == -np.inf
            continue
        assert rest.rest_z_mm == pytest.approx(expected, abs=SOLVED_MM)
        # The point that is named lies on the metal and on the stone.
        under = stone_.lower_surface(np.array(rest.point_mm[:2]) * (1 - 1e-9))
        assert rest.point_mm[2] - float(under) == pytest.approx(rest.rest_z_mm, abs=1e-6)


@pytest.mark.parametrize("girdle_mm", [0.0, 0.02, 0.12])
def test_a_thin_girdle_is_cut_into_and_carries_less(girdle_mm):
    """Between its mains a knife-edged brilliant ends inside its outline: metal there is free."""
    thin = Stone(
        form=form(cut("round-brilliant"), 1.0),
        width_mm=6.0,
        crown_height_mm=1.0,
        girdle_mm=girdle_mm,
        pavilion_depth_mm=2.6,
    )
    # A hair inside the outline at 11.25 deg, where a half facet cuts deepest.
    angle, reach = np.deg2rad(11.25), thin.width_mm / 2 - 0.002
    x, y = reach * np.cos(angle), reach * np.sin(angle)
    needle = np.array([[x, y, 0.0], [x, y, -9.0], [x + 1e-4, y, -9.0]])
    rest = drop(thin, [surface(needle)]).rest_z_mm
    assert rest == pytest.approx(by_linear_programme(thin, needle), abs=SOLVED_MM)
    # Dips of 0.9 % of the width from above and below meet in the two thinner girdles.
    assert (rest < -5) == (girdle_mm < 0.1)


def test_a_box_on_a_ridge():
    """A prism on a roof: it rests on the ridge at the height of its flat bottom."""
    slab = stone(style("rectangle"), 1.5, girdle_mm=1.2)
    roof = surface(
        [[-9, 0, 0.7], [9, 0, 0.7], [0, 9, -3]], [[9, 0, 0.7], [-9, 0, 0.7], [0, -9, -3]]
    )
    assert drop(slab, [roof]).rest_z_mm == pytest.approx(0.7 + 0.6, abs=1e-9)


def test_a_pyramid_on_a_needle_off_its_axis():
    square = stone(pyramid("square"), width_mm=6.0, girdle_mm=0.2, pavilion_mm=3.0)
    needle = surface([[1.0, 0.5, 0.0], [1.0, 0.5, -4.0], [1.0, 0.6, -4.0]])
    # The side at x = 3 slopes at 45 deg: the pavilion is 3 - 1 deep there.
    assert drop(square, [needle]).rest_z_mm == pytest.approx(0.1 + 2.0, abs=1e-9)
