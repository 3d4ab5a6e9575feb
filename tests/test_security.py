"""Whether claws keep a stone from sliding out sideways."""

from __future__ import annotations

import numpy as np
import pytest
from drawn import mounting, stone_of
from msgspec.structs import replace

from fitsolver.fitting.security import Security, security, weakest_direction
from fitsolver.readings.reading import direct
from fitsolver.seats.belief import belief
from fitsolver.seats.seat import seats
from fitsolver.stones.cut import cut
from fitsolver.stones.form import form


def held_by(
    directions: tuple[float, ...],
    *,
    family: str = "round",
    style: str = "round-brilliant",
    ratio: float = 1.0,
    claw_mm: float = 0.4,
    most_open_deg: float = 180.0,
) -> Security:
    rng = np.random.default_rng(1)
    head = mounting(
        rng, family, "claws", "uncut",
        opening_length_mm=direct(6.0 * ratio), opening_width_mm=direct(6.0),
        claw_directions_deg=directions, claw_width_mm=direct(claw_mm),
    )  # fmt: skip
    stone = stone_of(form(cut(style), ratio), 6.2)
    return security(seats(belief(head), 0), stone, (0.0, 0.0), 0.0, most_open_deg)


@pytest.mark.parametrize("count", [3, 4, 5, 6])
def test_even_claws_block_every_direction_by_the_cosine_of_half_their_angle(count):
    """Narrow claws on a circle: the worst direction is midway between two."""
    held = held_by(tuple(360.0 * k / count for k in range(count)), claw_mm=0.1)
    assert held.held
    # A claw of 0.1 mm takes 1 deg to either side of a circle of 3 mm, a facet's normal 1 deg.
    assert held.blocked == pytest.approx(np.cos(np.pi / count), abs=0.04)
    assert held.open_arc_deg == pytest.approx(360 / count - np.rad2deg(0.1 / 3.0), abs=0.2)


def test_a_stone_slides_out_between_claws_on_one_half():
    held = held_by((0.0, 60.0, 120.0), most_open_deg=185.0)
    assert not held.held
    assert "slide" in held.reason
    assert held.weakest_deg == pytest.approx(240.0, abs=3.0)


def test_two_claws_on_the_long_sides_let_a_rectangle_slide_along():
    """Their normals point both ways across, none along."""
    held = held_by((90.0, 270.0), family="octagon", style="emerald", ratio=1.3, most_open_deg=185.0)
    assert not held.held
    assert held.blocked == pytest.approx(0.0, abs=0.02)
    assert held.weakest_deg % 180 == pytest.approx(0.0, abs=2.0)


def test_corner_claws_hold_an_octagon():
    held = held_by((38.0, 142.0, 218.0, 322.0), family="octagon", style="emerald", ratio=1.3)
    assert held.held
    assert held.blocked > 0.5


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
        stone_of(form(cut("round-brilliant"), 1.0), 6.0), (0.0, 0.0), 0.0, 60.0,
    )  # fmt: skip
    assert held == replace(held, held=True, open_arc_deg=0.0, blocked=1.0)


@pytest.mark.parametrize("start", [0.0, 77.0, 300.0])
def test_the_weakest_direction_lies_in_the_widest_gap(start):
    angle = np.deg2rad(start + np.array([0.0, 90.0, 200.0]))
    weakest, blocked = weakest_direction(np.column_stack([np.cos(angle), np.sin(angle)]))
    assert weakest == pytest.approx((start + 280) % 360)
    assert blocked == pytest.approx(np.cos(np.deg2rad(80)))
