"""Recuts: closed forms, what holds the new stone, hearts, ranges of sizes, refusals."""

from __future__ import annotations

import dataclasses
from math import pi, sqrt

import numpy as np
import pytest
from msgspec.structs import replace
from solids import cabochon, pyramid, stone, style

from fitsolver.errors import OutOfRange
from fitsolver.recutting.inscribed import FACINGS, Programme, Room, distinct_turns, turned
from fitsolver.recutting.recut import ANY_WAY, NoRecut, Recut, recut, smallest_loss_into
from fitsolver.recutting.target import cut_of, fixed_body, free_body, height_limits
from fitsolver.stones.cut import CutStyle, Proportion, cut
from fitsolver.stones.stone import Stone

# Programmes are solved to 1e-10 of the width, log volumes to 1e-9.
EXACT = 1e-8
CORUNDUM = 4.0


def sized(wanted: Stone, width_mm: float) -> Stone:
    scale = width_mm / wanted.width_mm
    return Stone(
        form=wanted.form,
        width_mm=width_mm,
        crown_height_mm=wanted.crown_height_mm * scale,
        girdle_mm=wanted.girdle_mm * scale,
        pavilion_depth_mm=wanted.pavilion_depth_mm * scale,
    )


def shipped(name: str, width_mm: float = 7.0, **proportions: float) -> Stone:
    return sized(cut_of(cut(name), None, proportions), width_mm)


def freed(of: CutStyle, **free: tuple[float, float]) -> CutStyle:
    """The same style with wide limits for some of its heights."""
    wide = {
        name: Proportion(typical=sum(ends) / 2, spread=1, low=ends[0], high=ends[1], source="test")
        for name, ends in free.items()
    }
    none = {"crown_height_pct": 0.0, "girdle_pct": 0.0, "pavilion_depth_pct": 0.0}
    fixed = {
        name: Proportion(typical=value, spread=0, low=value, high=value, source="test")
        for name, value in none.items()
    }
    return replace(of, proportions={**of.proportions, **fixed, **wide})


ITSELF = (
    ("round-brilliant", False),
    ("oval-mixed", False),
    ("pear-brilliant", False),
    ("triangle-step", False),
    ("marquise-brilliant", False),
    ("round-cabochon", False),
    ("heart-brilliant", False),
    ("emerald", True),
    ("round-brilliant", True),
    ("heart-brilliant", True),
)


@pytest.mark.parametrize(("name", "free_heights"), ITSELF)
def test_a_cut_inside_itself_loses_nothing(name: str, free_heights: bool) -> None:
    given = shipped(name)
    wanted = cut_of(cut(name))
    found = recut(given, wanted, CORUNDUM, free_heights=free_heights)
    assert found.loss_pct == pytest.approx(0, abs=100 * 1e-9)
    assert found.after.width_mm == pytest.approx(7.0, rel=EXACT)
    assert (found.table_faces, found.turn_deg) == ("up", 0.0)
    assert found.shift_mm == pytest.approx((0, 0, 0), abs=1e-6)
    assert {"girdle", "culet"} <= set(found.touches)


CUBE = stone(style("square"), width_mm=6.0, girdle_mm=6.0)
CONE = stone(pyramid("round"), width_mm=6.0, pavilion_mm=4.0)


def test_sphere_in_cube() -> None:
    ball = stone(cabochon("round", "crown", "pavilion"), width_mm=2.0, crown_mm=1, pavilion_mm=1)
    found = recut(CUBE, ball, CORUNDUM)
    # The faceted ball reaches its radius at the poles exactly.
    assert found.scale == pytest.approx(6.0 / 2.0, rel=EXACT)
    # pi / 6 of the cube, less what the facets leave out of the ball (0.1 %).
    assert found.weight_after_ct / found.weight_before_ct == pytest.approx(pi / 6, rel=2e-3)


def test_cube_in_sphere() -> None:
    ball = stone(cabochon("round", "crown", "pavilion"), width_mm=6, crown_mm=3, pavilion_mm=3)
    found = recut(ball, CUBE, CORUNDUM)
    # Facets leave the sphere by up to 0.1 %: rings are 3.75 and directions 5 degrees apart.
    assert found.after.width_mm == pytest.approx(6 / sqrt(3), rel=1.5e-3)


def test_half_ball_in_cube_is_as_wide_as_the_cube() -> None:
    dome = stone(cabochon("round", "crown"), width_mm=2.0, crown_mm=1.0)
    assert recut(CUBE, dome, CORUNDUM).scale == pytest.approx(6.0 / 2.0, rel=1e-4)


@pytest.mark.parametrize("depth", [1.0, 1.5, 4.0, 9.0])
def test_cone_in_cone(depth: float) -> None:
    """Upright, held by its height or its width; upside down, s (r / R + h / H) = 1."""
    wanted = stone(pyramid("round"), width_mm=6.0, pavilion_mm=depth)
    upright = recut(CONE, wanted, CORUNDUM, facings=("up",))
    assert upright.scale == pytest.approx(min(1.0, 4.0 / depth), rel=EXACT)
    # The same outline of 288 sides, side on side: no turn brings more.
    upside_down = recut(CONE, wanted, CORUNDUM, facings=("down",))
    assert upside_down.scale == pytest.approx(1 / (1 + depth / 4.0), rel=EXACT)


def test_best_cylinder_in_a_cone() -> None:
    """Free heights find the textbook optimum: r = 2/3 R, h = 1/3 H, 4/9 of the volume."""
    prism = cut_of(freed(style("round"), girdle_pct=(1.0, 500.0)), 1.0)
    found = recut(CONE, prism, CORUNDUM, free_heights=True)
    assert found.after.width_mm == pytest.approx(4.0, rel=1e-4)  # flat top: sqrt of 1e-9
    assert found.after.girdle_mm == pytest.approx(4.0 / 3, rel=1e-4)
    assert found.weight_after_ct / found.weight_before_ct == pytest.approx(4 / 9, rel=EXACT)


def test_best_cone_upside_down_in_a_cone() -> None:
    """Textbook optimum: r = 2/3 R, h = 1/3 H, 4/27 of the volume."""
    wanted = cut_of(freed(pyramid("round"), pavilion_depth_pct=(1.0, 500.0)), 1.0)
    found = recut(CONE, wanted, CORUNDUM, free_heights=True, facings=("down",))
    assert found.weight_after_ct / found.weight_before_ct == pytest.approx(4 / 27, rel=EXACT)


def test_a_long_stone_is_laid_along_a_long_one() -> None:
    """A rod whose axis is its table axis only lies down where that is allowed."""
    bar = stone(style("rectangle"), 4.0, width_mm=2.0, girdle_mm=2.0)
    rod = stone(style("square"), width_mm=1.0, girdle_mm=4.0)
    assert recut(bar, rod, CORUNDUM).scale == pytest.approx(0.5, rel=EXACT)
    lying = recut(bar, rod, CORUNDUM, facings=ANY_WAY)
    assert lying.scale == pytest.approx(2.0, rel=EXACT)
    assert lying.table_faces in ("+length", "-length")
    assert lying.loss_pct == pytest.approx(0.0, abs=1e-6)


def test_facings_are_rotations_that_do_what_they_say() -> None:
    ways = {"up": (0, 0, 1), "down": (0, 0, -1), "+length": (1, 0, 0), "-length": (-1, 0, 0)}
    ways |= {"+width": (0, 1, 0), "-width": (0, -1, 0)}
    assert set(ways) == set(FACINGS)
    for facing, table in ways.items():
        rotation = turned(facing, 0.3)
        assert rotation @ rotation.T == pytest.approx(np.eye(3), abs=1e-15)
        assert np.linalg.det(rotation) == pytest.approx(1)
        assert rotation @ (0, 0, 1) == pytest.approx(table, abs=1e-15)


def test_turns_that_symmetry_makes_equal_are_left_out() -> None:
    brilliant = shipped("round-brilliant").polyhedron.vertices
    oval = shipped("oval-brilliant").polyhedron.vertices
    pear = shipped("pear-brilliant").polyhedron.vertices
    assert np.rad2deg(distinct_turns(brilliant, brilliant)[0]).max() == pytest.approx(22.5)
    assert np.rad2deg(distinct_turns(oval, oval)[0]).max() == pytest.approx(90)
    assert np.rad2deg(distinct_turns(oval, pear)[0]).max() == pytest.approx(90)
    assert np.rad2deg(distinct_turns(pear, pear)[0]).max() == pytest.approx(180)
    lopsided = pear + 0.1 * np.outer(pear[:, 0], (0, 1, 0))
    turns, step, mirrored = distinct_turns(pear, lopsided)
    assert not mirrored
    assert np.rad2deg(turns.max() + step) == pytest.approx(360)


def test_the_best_turn_is_found_as_by_trying_every_fourth_degree() -> None:
    given, wanted = shipped("triangle-brilliant"), shipped("pear-step")
    found = recut(given, wanted, CORUNDUM)
    normals, offsets, _ = given.half_spaces
    room = Room(normals=normals, offsets=offsets, corners=given.polyhedron.vertices, unit=7.0)
    programme = Programme(room, fixed_body(wanted))
    tried = [
        programme.largest(turned(facing, np.deg2rad(turn)))
        for facing in ("up", "down")
        for turn in range(0, 360, 4)
    ]
    best = max(one.sizes[0] for one in tried if one is not None)
    # Between them there may be a little more, never less.
    assert best * (1 - EXACT) <= found.after.width_mm <= best * 1.005


def test_the_programme_agrees_with_a_climb_over_the_gauge() -> None:
    """Another road: the largest scale at a shift is min (d - n . c) / h, concave in the shift."""
    from scipy.optimize import minimize

    given, wanted = shipped("old-mine"), shipped("round-brilliant", 1.0)
    found = recut(given, wanted, CORUNDUM, facings=("up",))
    normals, offsets, _ = given.half_spaces
    turn = turned("up", np.deg2rad(found.turn_deg))
    reach = (wanted.polyhedron.vertices @ turn.T @ normals.T).max(axis=0)
    shift = np.array([0.1, 0.1, 0.1])
    for _ in range(5):  # a climb stalls on ridges; begun again it gets on
        climbed = minimize(
            lambda shift: -((offsets - normals @ shift) / reach).min(), shift, method="Nelder-Mead"
        )
        shift = climbed.x
    # Still a little short of the top perhaps, never beyond it.
    assert found.scale * (1 - 1e-3) <= -climbed.fun <= found.scale * (1 + EXACT)


def test_a_window_between_known_sizes() -> None:
    """Sizes asked for exactly: a copy of the stone 90 % as large in every direction fits."""
    given = shipped("oval-brilliant")
    sizes = {
        f"{name}_mm": (0.9 * getattr(given, f"{name}_mm"),) * 2
        for name in ("length", "width", "depth")
    }
    found = smallest_loss_into(given, given.form.style, CORUNDUM, **sizes)
    assert isinstance(found, Recut)
    assert found.after.length_mm == pytest.approx(sizes["length_mm"][0], rel=EXACT)
    assert found.after.depth_mm == pytest.approx(sizes["depth_mm"][0], rel=EXACT)
    # A copy in proportion loses 1 - 0.9^3; heights may be shared out better, never worse.
    assert found.loss_pct <= 100 * (1 - 0.9**3) + 1e-6


def test_ranges_that_hold_the_stone_itself_lose_nothing() -> None:
    given = shipped("emerald")
    found = smallest_loss_into(
        given,
        given.form.style,
        CORUNDUM,
        length_mm=(given.length_mm - 0.3, given.length_mm + 0.3),
        width_mm=(6.8, 7.3),
        depth_mm=(1.0, 9.0),
    )
    assert isinstance(found, Recut)
    # The ratio of length to width is refined to 0.0005.
    assert found.loss_pct == pytest.approx(0, abs=0.1)


def test_too_small_a_stone_is_short_by_what_is_missing() -> None:
    """A cube of 6 mm into sizes of at least 6.5 mm: a quarter of a millimetre on every side."""
    block = replace(
        freed(style("square"), girdle_pct=(50.0, 200.0)),
        length_ratio=Proportion(typical=1, spread=0, low=1, high=1, source="test"),
    )
    found = smallest_loss_into(
        CUBE, block, CORUNDUM, length_mm=(6.5, 8), width_mm=(6.5, 8), depth_mm=(6.2, 8)
    )
    assert isinstance(found, NoRecut)
    assert found.short_by_mm == pytest.approx(0.25, abs=1e-6)


def test_free_heights_stay_within_the_style() -> None:
    given, wanted = shipped("oval-step", 8.0), cut_of(cut("oval-mixed"))
    found = recut(given, wanted, CORUNDUM, free_heights=True)
    low, high = height_limits(wanted)
    after = found.after
    in_widths = np.array([after.crown_height_mm, after.girdle_mm, after.pavilion_depth_mm])
    in_widths /= after.width_mm
    assert np.all(in_widths >= low - 1e-9)
    assert np.all(in_widths <= high + 1e-9)
    assert found.loss_pct < recut(given, wanted, CORUNDUM).loss_pct


def test_a_body_with_free_heights_has_the_corners_of_the_stone() -> None:
    wanted = shipped("round-brilliant", 1.0)
    body = free_body(wanted)
    corners = body.points(body.usual)
    normals, offsets, _ = wanted.half_spaces
    reach = (corners @ normals.T).max(axis=0)
    assert reach == pytest.approx(offsets, abs=1e-9)
    assert body.usual[0] ** 2 * body.fill @ body.usual == pytest.approx(wanted.volume_mm3, rel=1e-9)


def test_grinding_takes_off_every_facet() -> None:
    """A cube in a cube ground by 0.1 mm is 0.2 mm smaller each way."""
    found = recut(CUBE, CUBE, CORUNDUM, grind_mm=0.1)
    assert found.after.width_mm == pytest.approx(5.8, rel=EXACT)


def test_weights_by_hand() -> None:
    found = recut(CUBE, stone(style("square"), girdle_mm=3.0), CORUNDUM)
    # 6 x 6 x 6 and 6 x 6 x 3 mm at 4 g/cm3: 0.02 ct to the mm3.
    assert found.weight_before_ct == pytest.approx(4.32, rel=EXACT)
    assert found.weight_after_ct == pytest.approx(2.16, rel=EXACT)
    assert found.loss_pct == pytest.approx(50.0, rel=EXACT)


def test_a_stone_in_front_of_the_cleft_of_a_heart() -> None:
    heart = shipped("heart-brilliant", 8.0)
    found = recut(heart, cut_of(cut("round-brilliant")), CORUNDUM)
    corners = found.corners_mm()
    # By the heart's own surfaces, apart from the facets that the search used.
    assert np.all(corners[:, 2] <= heart.upper_surface(corners[:, :2] * (1 - 1e-9)) + 1e-6)
    assert np.all(corners[:, 2] >= heart.lower_surface(corners[:, :2] * (1 - 1e-9)) - 1e-6)
    # The cleft costs more than the corners of a heart would.
    assert found.loss_pct > 40


def test_a_smaller_heart_in_a_heart() -> None:
    heart = shipped("heart-brilliant", 8.0)
    shallow = shipped("heart-brilliant", 1.0, girdle_pct=8.0)
    found = recut(heart, shallow, CORUNDUM)
    assert 0 < found.loss_pct < 20
    assert found.shift_mm[1] == 0


def test_a_result_that_sticks_out_is_refused() -> None:
    found = recut(CUBE, CONE, CORUNDUM)
    with pytest.raises(ValueError, match="sticks out"):
        dataclasses.replace(found, after=sized(found.after, found.after.width_mm * 1.001))


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({"density_g_cm3": 9.0}, "density_g_cm3"),
        ({"density_g_cm3": 0.5}, "density_g_cm3"),
        ({"grind_mm": -0.1}, "grind_mm"),
        ({"grind_mm": 2.0}, "grind_mm"),
    ],
)
def test_what_cannot_be_is_refused(changes: dict[str, float], name: str) -> None:
    with pytest.raises(OutOfRange) as caught:
        recut(**{"given": CUBE, "wanted": CUBE, "density_g_cm3": 4.0, **changes})
    assert caught.value.name == name


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({"length_mm": (20.0, 22.0)}, "length over width"),
        ({"depth_mm": (0.5, 0.8)}, "depth over width"),
        ({"width_mm": (6.0, 5.0)}, "width_mm"),
        ({"depth_mm": (0.0, 5.0)}, "depth_mm"),
    ],
)
def test_ranges_that_cannot_be_are_refused(changes: dict, name: str) -> None:
    ranges = {"length_mm": (8, 9), "width_mm": (6, 7), "depth_mm": (3, 5), **changes}
    with pytest.raises(OutOfRange) as caught:
        smallest_loss_into(shipped("oval-mixed"), cut("oval-brilliant"), CORUNDUM, **ranges)
    assert caught.value.name == name
