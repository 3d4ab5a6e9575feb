"""Whether claws keep a stone from sliding out sideways."""

from __future__ import annotations

import numpy as np
import pytest
from drawn import mounting, stone_of
from msgspec.structs import replace
from shapely import LineString, Polygon, union_all
from shapely.affinity import translate

from fitsolver.fitting.security import Security, farthest, security
from fitsolver.readings.reading import direct
from fitsolver.seats.allowance import allowances
from fitsolver.seats.belief import belief
from fitsolver.seats.seat import seats
from fitsolver.stones import outline
from fitsolver.stones.cut import cut
from fitsolver.stones.form import form


def held_by(
    directions: tuple[float, ...],
    *,
    family: str = "round",
    style: str = "round-brilliant",
    ratio: float = 1.0,
    claw_mm: float = 0.4,
    most_open_deg: float = 185.0,
    width_mm: float = 6.2,
) -> Security:
    rng = np.random.default_rng(1)
    head = mounting(
        rng, family, "claws", "uncut",
        opening_length_mm=direct(6.0 * ratio), opening_width_mm=direct(6.0),
        claw_directions_deg=directions, claw_width_mm=direct(claw_mm),
    )  # fmt: skip
    stone = stone_of(form(cut(style), ratio), width_mm)
    allowed = allowances({"largest_open_arc_deg": most_open_deg})
    return security(seats(belief(head), 0), stone, (0.0, 0.0), 0.0, allowed)


@pytest.mark.parametrize("count", [3, 4, 5, 6])
def test_even_claws_hold_a_round(count):
    """Notches that just touch leave no play but what may graze, over a cosine."""
    held = held_by(tuple(360.0 * k / count for k in range(count)), claw_mm=0.1)
    assert held.held
    assert held.play_mm <= 0.005 / np.cos(np.pi / count) + 0.003
    assert held.open_arc_deg == pytest.approx(360 / count - np.rad2deg(0.1 / 3.0), abs=0.2)


@pytest.mark.parametrize(
    ("directions", "out_deg"), [((45.0, 135.0, 225.0), 315.0), ((45.0, 225.0), 135.0)]
)
@pytest.mark.parametrize("claw_mm", [0.4, 1.0])
def test_a_missing_claw_lets_the_stone_out(directions, out_deg, claw_mm):
    """Flat faces square to the way out stop nothing, however broad they are."""
    out = held_by(directions, claw_mm=claw_mm)
    assert not out.held
    assert "slide" in out.reason
    assert out.weakest_deg == pytest.approx(out_deg, abs=5.0)
    assert out.play_mm == np.inf


def test_a_stone_slides_out_between_claws_on_one_half():
    held = held_by((0.0, 60.0, 120.0), most_open_deg=185.0)
    assert not held.held
    assert "slide" in held.reason
    assert 180 < held.weakest_deg < 300


def tip_free(claw_mm: float, off_mm: float) -> bool:
    """Whether a marquise's right tip is free, the middle of the nearest claw so far from it."""
    figure = outline.draw("marquise", 2.0, {}) * 6.0
    angle = np.arctan2(figure[:, 1], figure[:, 0])
    off = np.linalg.norm(figure - (6.0, 0.0), axis=1)
    one = (angle > 0) & (angle < np.pi / 2)
    order = np.argsort(off[one])
    at = float(np.rad2deg(np.interp(off_mm, off[one][order], angle[one][order])))
    held = held_by((at, 90.0, 180.0, 270.0), family="marquise", style="marquise-brilliant",
                   ratio=2.0, claw_mm=claw_mm, width_mm=6.0)  # fmt: skip
    return any(min(tip, 360 - tip) < 5 for tip in held.free_tips_deg)


@pytest.mark.parametrize("claw_mm", [0.4, 0.8])
def test_a_claw_guards_a_tip_as_far_as_half_its_breadth_beyond_its_edge(claw_mm):
    """And 8 % of the stone's width more: so from its middle by a whole breadth and 0.48 mm."""
    reach = claw_mm + 0.08 * 6.0
    assert not tip_free(claw_mm, reach - 0.1)
    assert tip_free(claw_mm, reach + 0.1)


def test_two_claws_on_the_long_sides_let_a_rectangle_slide_along():
    """Their normals point both ways across, none along."""
    held = held_by((90.0, 270.0), family="octagon", style="emerald", ratio=1.3, most_open_deg=185.0)
    assert not held.held
    assert held.play_mm == np.inf
    assert held.weakest_deg % 180 == pytest.approx(0.0, abs=5.0)


def test_corner_claws_hold_an_octagon():
    held = held_by((38.0, 142.0, 218.0, 322.0), family="octagon", style="emerald", ratio=1.3)
    assert held.held
    assert held.play_mm < 0.02


def test_a_wide_open_arc_is_refused_by_its_allowance():
    three = (0.0, 110.0, 250.0)
    assert held_by(three, most_open_deg=180.0).held
    refused = held_by(three, most_open_deg=120.0)
    assert not refused.held
    assert "without a claw" in refused.reason
    assert refused.open_from_deg == pytest.approx(114, abs=2)


def test_a_marquise_in_side_claws_has_free_tips():
    free = held_by(
        (30.0, 150.0, 210.0, 330.0), family="marquise", style="marquise-brilliant", ratio=2.0
    )
    assert sorted(round(tip) % 360 for tip in free.free_tips_deg) == [0, 180]
    guarded = held_by(
        (0.0, 30.0, 150.0, 180.0, 210.0, 330.0), family="marquise", style="marquise-brilliant",
        ratio=2.0,
    )  # fmt: skip
    assert guarded.free_tips_deg == ()


def test_a_wall_holds_all_round():
    rng = np.random.default_rng(1)
    held = security(
        seats(belief(mounting(rng, "round", "wall")), 0),
        stone_of(form(cut("round-brilliant"), 1.0), 6.0), (0.0, 0.0), 0.0,
        allowances({"largest_open_arc_deg": 60.0}),
    )  # fmt: skip
    assert held == replace(held, held=True, open_arc_deg=0.0, play_mm=0.0)


def moved_out(outline: Polygon, faces: list[LineString], most_mm: float) -> bool:
    """Whether straight moves take a polygon so far without cutting into a face by 0.005 mm.

    By shapely alone: the polygon less what may graze is moved step by step.
    """
    less = outline.buffer(-0.005)
    metal = union_all(faces)
    for way in np.deg2rad(np.arange(0, 360, 5)):
        step = 0.02 * np.array([np.cos(way), np.sin(way)])
        steps = int(np.ceil(most_mm / 0.02))
        if not any(translate(less, *(k * step)).intersects(metal) for k in range(1, steps + 1)):
            return True
    return False


@pytest.mark.parametrize(
    ("family", "style", "ratio"),
    [("round", "round-brilliant", 1.0), ("oval", "oval-brilliant", 1.3),
     ("octagon", "emerald", 1.3), ("pear", "pear-brilliant", 1.5), ("square", "princess", 1.0)],
)  # fmt: skip
def test_a_stone_is_held_where_it_cannot_be_moved_out(family, style, ratio):
    """Heads drawn at random, cut, a stone with room: the same answer as by moving a polygon."""
    rng = np.random.default_rng(8653)
    answers = []
    for _ in range(24):
        claws = tuple(np.sort(rng.choice(np.arange(0.0, 360.0, 15.0), rng.integers(2, 6), False)))
        head = mounting(
            rng, family, "claws", "cut", opening_length_mm=direct(6.0 * ratio),
            opening_width_mm=direct(6.0), claw_directions_deg=claws,
            claw_width_mm=direct(0.6),
        )  # fmt: skip
        where = seats(belief(head), 0)
        stone = stone_of(form(cut(style), ratio), 5.9)
        shape = Polygon(stone.outline_mm)
        faces = [LineString(where.opening[0, k : k + 5]) for k in range(0, 5 * len(claws), 5)]
        if shape.buffer(-0.005).intersects(union_all(faces)):
            continue  # it does not enter
        # What is asked is held against straight moves: turns and later moves are left out.
        bodies = (stone.form.normals, stone.form.reach * stone.width_mm - 0.005)
        _, play = farthest((bodies,), where.opening[0], 1e-9, round_stone=True)
        assert (play > 0.6) == moved_out(shape, faces, 0.6), (claws, play)
        answers.append(play > 0.6)
    assert 0 < sum(answers) < len(answers)
