"""Laws of the pose: turning, mirroring and added metal."""

from __future__ import annotations

import numpy as np
import pytest
from drawn import Case, case, mirror_of, mirrored, mirrored_deg, turned
from hypothesis import Phase, assume, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from fitsolver.fitting.contact import drop
from fitsolver.fitting.seated import Seated
from fitsolver.fitting.security import security
from fitsolver.fitting.support import support
from fitsolver.fitting.tilt import tilt_band
from fitsolver.fitting.zone import zones
from fitsolver.seats.allowance import allowances
from fitsolver.seats.metal import metal
from fitsolver.seats.seat import Seats
from fitsolver.stones.cut import cuts, names
from fitsolver.stones.outline import family

pytestmark = pytest.mark.filterwarnings("ignore:Generating overly large repr")

CASES = st.integers(0, 100_000)
# Styles whose outline a half turn changes.
UNEVEN = [style.name for style in cuts() if not family(style.family).half_turn]
# A case is drawn from its number: there is nothing to shrink.
DRAWN = (Phase.explicit, Phase.reuse, Phase.generate)
FEW = settings(max_examples=25, deadline=None, phases=DRAWN)
# Both sides are worked out in doubles from the same planes; vertices to 1e-9 [mm].
EXACT = 1e-6


def lying(drawn: Case, where: Seats, shift: np.ndarray, turn: float, **more: object) -> Seated:
    at = {"shift_mm": (float(shift[0]), float(shift[1])), "turn_rad": turn}
    z = drop(drawn.stone, metal(where), **at).rest_z_mm
    assume(np.isfinite(z))
    return Seated(seats=where, stone=drawn.stone, z_mm=z, **at, **more)


def around(where: Seats, turn: float) -> Seats:
    matrix = turned(turn).T
    return replace(
        where,
        opening=where.opening @ matrix,
        outward=where.outward @ matrix,
        folds=None if where.folds is None else replace(where.folds, off=where.folds.off @ matrix),
        ledge_inner=None if where.ledge_inner is None else where.ledge_inner @ matrix,
        gallery=None if where.gallery is None else where.gallery @ matrix,
    )


def with_rail(drawn: Case) -> Seats:
    depth = 0.4 * drawn.stone.pavilion_depth_mm
    return replace(
        drawn.seats, gallery=0.7 * drawn.seats.opening, gallery_z=np.array([-0.3 - depth])
    )


@given(CASES, st.integers(1, 359), st.floats(-0.1, 0.1), st.floats(-0.1, 0.1))
@FEW
def test_turning_seat_and_stone_together_changes_nothing(number, turn_deg, x, y):
    drawn, turn = case(number, 60), np.deg2rad(turn_deg)
    where, shift = with_rail(drawn), np.array([x, y])
    here = lying(drawn, where, shift, drawn.turn_rad)
    there = lying(drawn, around(where, turn), turned(turn) @ shift, drawn.turn_rad + turn)
    assert there.z_mm == pytest.approx(here.z_mm, abs=EXACT)
    for one, other in zip(zones(here), zones(there), strict=True):
        assert other.name == one.name
        assert other.least_mm == pytest.approx(one.least_mm, abs=EXACT)
        if one.name not in ("finger", "back"):
            assert other.clearance_mm == pytest.approx(one.clearance_mm, abs=EXACT, nan_ok=True)
    # An arc's ends move by more than a rounding where the stone is level along it.
    found = [support(at, 0.05) for at in (here, there)]
    if found[0] is not None and found[1] is not None:
        inside = [each.may_touch.mass_inside_mm for each in found]
        assert inside[1] == pytest.approx(inside[0], abs=1e-3)
    held = [
        security(at.seats, at.stone, at.shift_mm, at.turn_rad, allowances()) for at in (here, there)
    ]
    assert held[1].held == held[0].held
    assert held[1].open_arc_deg == pytest.approx(held[0].open_arc_deg, abs=1e-6)


@given(CASES, st.integers(1, 11))
@settings(max_examples=8, deadline=None, phases=DRAWN)
def test_the_tilt_band_turns_with_seat_and_stone(number, twelfths):
    drawn = case(number, 61)
    turn = twelfths * np.pi / 6
    here = lying(drawn, drawn.seats, np.zeros(2), drawn.turn_rad)
    there = lying(drawn, around(drawn.seats, turn), np.zeros(2), drawn.turn_rad + turn)
    one, other = tilt_band(here, 0.03), tilt_band(there, 0.03)
    assert one is not None
    assert other is not None
    # Halved to a sixteenth of a bracket of up to 6 deg; found by steps that may end a bit apart.
    step = np.maximum(0.13, 0.08 * one.tilt_deg)
    away = np.abs(np.roll(other.tilt_deg, -twelfths) - one.tilt_deg)
    assert (away <= 3 * step).all()
    assert np.median(away) <= 0.07


@pytest.mark.parametrize("name", UNEVEN)
@given(st.integers(0, 2000), st.floats(-0.1, 0.1), st.floats(-0.1, 0.1))
@settings(max_examples=4, deadline=None, phases=DRAWN)
def test_mirrored_inputs_give_mirrored_answers_for_uneven_outlines(name, number, x, y):
    in_the_mirror(case(len(names()) * number + names().index(name), 62), x, y)


@given(CASES, st.floats(-0.1, 0.1), st.floats(-0.1, 0.1))
@FEW
def test_mirrored_inputs_give_mirrored_answers(number, x, y):
    in_the_mirror(case(number, 62), x, y)


def in_the_mirror(drawn: Case, x: float, y: float) -> None:
    """Hold a case against its mirror image."""
    where, mirror = with_rail(drawn), mirror_of(drawn.style)
    here = lying(drawn, where, np.array([x, y]), drawn.turn_rad)
    there = lying(drawn, mirrored(where, mirror), mirror * (x, y), -drawn.turn_rad)
    # Quads are split along the other diagonal, and a facet's direction rounds differently.
    assert there.z_mm == pytest.approx(here.z_mm, abs=0.002)
    there = replace(there, z_mm=here.z_mm)
    for one, other in zip(zones(here), zones(there), strict=True):
        assert other.least_mm == pytest.approx(one.least_mm, abs=1e-5)
        if one.at_deg is not None and other.at_deg is not None:
            # There the other is about as tight; it may be tightest between two of its places.
            at_deg = mirrored_deg(one.at_deg, mirror)
            k = int(np.argmin(np.abs((other.direction_deg - at_deg + 180) % 360 - 180)))
            near, spread = (
                of(np.take(zone.clearance_mm, [k - 1, k, k + 1], mode="wrap"))
                for zone, of in ((other, np.nanmin), (other, np.ptp))
            )
            assert near <= other.least_mm + max(0.01, spread)


@given(CASES, st.integers(0, 2**32 - 1), st.floats(0.0, 0.15))
@FEW
def test_added_metal_never_raises_a_clearance_nor_lowers_the_rest(number, seed, most):
    """At a fixed pose: the wall comes in, the ledge comes in and up, the rail comes in."""
    drawn = case(number, 63)
    where = with_rail(drawn)
    here = lying(drawn, where, np.zeros(2), drawn.turn_rad)
    rng = np.random.default_rng(seed)
    assert where.ledge_inner is not None
    assert where.ledge_inner_z is not None
    assert where.ledge_outer_z is not None
    assert where.gallery is not None
    up = most * rng.uniform(0, 1, where.ledge_inner_z.shape)
    in_ = (most * rng.uniform(0, 1, len(where.outward)))[:, None]
    # Straight up at every station: the old ledge lies in the new metal.
    higher = replace(
        where, ledge_inner_z=where.ledge_inner_z + up, ledge_outer_z=where.ledge_outer_z + up
    )
    assert lying(drawn, higher, np.zeros(2), drawn.turn_rad).z_mm >= here.z_mm - EXACT
    if where.holds == "wall":
        # A convex opening that is drawn in toward its middle by one factor lies inside itself.
        narrower = replace(where, opening=where.opening * (1 - 0.1 * most))
    else:
        narrower = replace(where, opening=where.opening - in_.max() * where.outward)
    rail = replace(where, gallery=where.gallery, gallery_z=where.gallery_z + most)
    floor = replace(where, floor_z=where.floor_z + most)
    before = {zone.name: zone.least_mm for zone in zones(here)}
    for changed in (higher, narrower, rail, floor):
        after = {zone.name: zone.least_mm for zone in zones(replace(here, seats=changed))}
        for name, least in before.items():
            assert after[name] <= least + EXACT, name
