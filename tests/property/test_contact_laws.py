"""Laws of contact: what must hold for any stone over any metal."""

from __future__ import annotations

import numpy as np
import pytest
from drawn import case, mirror_of, mirrored, stone_of, turned
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from fitsolver.fitting.centring import Bounds
from fitsolver.fitting.clearance import (
    Metal,
    distance,
    facing,
    nearest_normals,
    nearest_of_run,
    with_neighbours,
)
from fitsolver.fitting.contact import drop
from fitsolver.fitting.placement import place
from fitsolver.seats.metal import Surface
from fitsolver.seats.seat import Seats
from fitsolver.stones.cut import cut, cuts, names
from fitsolver.stones.form import Form, form
from fitsolver.stones.outline import family
from fitsolver.stones.stone import Stone

# Only a law that fails is printed with its stone, which then is long.
pytestmark = pytest.mark.filterwarnings("ignore:Generating overly large repr")

# Both sides of a law are worked out in doubles from the same planes [mm].
EXACT = 1e-9
# The pose of the two sides of a law may differ by what centring leaves open [mm].
CENTRED = 0.004


# Styles whose outline a half turn changes.
UNEVEN = [style.name for style in cuts() if not family(style.family).half_turn]


@st.composite
def stones(draw: st.DrawFn, named: tuple[str, ...] = names()) -> Stone:
    style = cut(draw(st.sampled_from(named)))
    ratio = style.length_ratio
    low = max(ratio.low, ratio.typical - 2 * ratio.spread)
    high = min(ratio.high, ratio.typical + 2 * ratio.spread)
    shape = form(style, draw(st.floats(low, high)))
    stone = stone_of(shape, draw(st.floats(3.0, 9.0)))
    return replace(stone, girdle_mm=stone.girdle_mm * draw(st.sampled_from([0.0, 1.0])))


@st.composite
def metals(draw: st.DrawFn, most: int = 12, near: float = 4.0) -> Surface:
    """Triangles anywhere under a stone, within `near` of its middle or so, in no order."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.integers(1, most))
    triangles = rng.uniform(-near, near, (count, 1, 3)) + rng.normal(0, 1.5, (count, 3, 3))
    return Surface(name="metal", role="support", triangles=triangles * (1, 1, 0.2))


@st.composite
def funnels(draw: st.DrawFn) -> Surface:
    """A conical seat, round or oval, wide enough for any of the stones."""
    angle = np.arange(48) * np.pi / 24
    ray = np.column_stack([np.cos(angle) * draw(st.floats(1.0, 1.8)), np.sin(angle), 0 * angle])
    inner = draw(st.floats(0.5, 2.5))
    slope = draw(st.floats(0.0, 1.5))
    low = inner * ray - (0, 0, slope * (20 - inner))
    high = 20.0 * ray
    triangles = np.stack([low, np.roll(low, -1, axis=0), high], axis=1)
    others = np.stack([np.roll(low, -1, axis=0), np.roll(high, -1, axis=0), high], axis=1)
    return Surface(name="ledge", role="support", triangles=np.concatenate([triangles, others]))


SHIFTS = st.tuples(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
TURNS = st.floats(-np.pi, np.pi)
CASES = st.integers(0, 100_000)


@given(stones(), metals(), metals(), SHIFTS, TURNS)
def test_added_support_metal_never_lowers_the_rest_height(stone, some, more, shift, turn):
    before = drop(stone, [some], shift_mm=shift, turn_rad=turn).rest_z_mm
    after = drop(stone, [some, more], shift_mm=shift, turn_rad=turn).rest_z_mm
    alone = drop(stone, [more], shift_mm=shift, turn_rad=turn).rest_z_mm
    assert after == max(before, alone)


@given(stones(), metals(), SHIFTS, TURNS, TURNS)
def test_turning_seat_and_stone_together_changes_nothing(stone, metal, shift, turn, together):
    rest = drop(stone, [metal], shift_mm=shift, turn_rad=turn)
    triangles = metal.triangles.copy()
    triangles[..., :2] = triangles[..., :2] @ turned(together).T
    around = drop(
        stone,
        [replace(metal, triangles=triangles)],
        shift_mm=tuple(turned(together) @ shift),
        turn_rad=turn + together,
    )
    if rest.rest_z_mm == -np.inf or around.rest_z_mm == -np.inf:
        # Metal that only grazes the outline may lie a rounding off either side of it.
        assume(rest.rest_z_mm == around.rest_z_mm)
    else:
        assert around.rest_z_mm == pytest.approx(rest.rest_z_mm, abs=1e-7)


def rest_in_mirror(
    stone: Stone, metal: Surface, shift: tuple[float, float], turn: float, mirror: np.ndarray
) -> float:
    """Rest height with metal, shift and turn in a mirror, the stone as it is."""
    image = replace(metal, triangles=metal.triangles * (*mirror, 1.0))
    x, y = np.array(shift) * mirror
    return drop(stone, [image], shift_mm=(float(x), float(y)), turn_rad=-turn).rest_z_mm


@given(stones(), metals(), SHIFTS, TURNS)
def test_a_mirrored_stone_rests_as_high(stone, metal, shift, turn):
    """Every shipped stone is its own mirror image: across its length, a half-moon along it."""
    rest = drop(stone, [metal], shift_mm=shift, turn_rad=turn).rest_z_mm
    image = rest_in_mirror(stone, metal, shift, turn, mirror_of(stone.form.style))
    # A facet's direction rounds differently on either side: 1e-6 of the width.
    assert image == pytest.approx(rest, abs=1e-5)


@pytest.mark.parametrize("name", UNEVEN)
@given(st.data())
@settings(max_examples=12)
def test_a_mirrored_uneven_stone_rests_as_high(name, data):
    """Outlines that a half turn changes, each in turn: a mirror is all the symmetry they have."""
    stone = data.draw(stones((name,)))
    metal, shift, turn = data.draw(metals(near=3.0)), data.draw(SHIFTS), data.draw(TURNS)
    rest = drop(stone, [metal], shift_mm=shift, turn_rad=turn).rest_z_mm
    image = rest_in_mirror(stone, metal, shift, turn, mirror_of(stone.form.style))
    assert image == pytest.approx(rest, abs=1e-5)


@pytest.mark.parametrize("name", UNEVEN)
def test_in_the_other_mirror_it_does_not(name):
    """So the law above would notice a stone that is turned round."""
    style = cut(name)
    stone = stone_of(form(style, style.length_ratio.typical), 6.0)
    rng = np.random.default_rng(12)
    off = []
    for _ in range(20):
        triangles = rng.uniform(-4, 4, (6, 1, 3)) + rng.normal(0, 0.3, (6, 3, 3))
        metal = Surface(name="metal", role="support", triangles=triangles * (1, 1, 0.2))
        rest = drop(stone, [metal]).rest_z_mm
        other = rest_in_mirror(stone, metal, (0.0, 0.0), 0.0, -mirror_of(style))
        if np.isfinite([rest, other]).all():
            off.append(abs(rest - other))
    assert max(off) > 0.1


@given(stones(), metals(), st.floats(-3.0, 3.0))
def test_raised_metal_raises_the_stone_as_much(stone, metal, lift):
    rest = drop(stone, [metal]).rest_z_mm
    raised = replace(metal, triangles=metal.triangles + np.array([0, 0, lift]))
    assert drop(stone, [raised]).rest_z_mm == pytest.approx(rest + lift, abs=EXACT)


@given(stones(), funnels(), SHIFTS, TURNS, st.floats(1.0, 1.6))
def test_a_wider_stone_of_the_same_shape_never_rests_lower(stone, funnel, shift, turn, scale):
    """Scaled about a point inside it, a convex stone contains the smaller one."""
    larger = Stone(
        form=stone.form,
        width_mm=stone.width_mm * scale,
        crown_height_mm=stone.crown_height_mm * scale,
        girdle_mm=stone.girdle_mm * scale,
        pavilion_depth_mm=stone.pavilion_depth_mm * scale,
    )
    rests = [
        drop(each, [funnel], shift_mm=shift, turn_rad=turn).rest_z_mm for each in (stone, larger)
    ]
    assert rests[1] >= rests[0] - EXACT


@given(stones(), metals(), SHIFTS, TURNS)
def test_moving_the_stone_is_moving_the_metal_the_other_way(stone, metal, shift, turn):
    rest = drop(stone, [metal], shift_mm=shift, turn_rad=turn).rest_z_mm
    moved = replace(metal, triangles=metal.triangles - (*shift, 0.0))
    assert drop(stone, [moved], turn_rad=turn).rest_z_mm == pytest.approx(rest, abs=1e-7)


def clearances(shape: Form, points: np.ndarray) -> np.ndarray:
    """Least distance of every run of a ring (n, 2) off the outline at rest in its own frame."""
    ring = Metal.of(points.T[:, None], np.ones(len(points), dtype=bool))
    tried = with_neighbours(shape, nearest_normals(shape, ring.points[:, 0], 1))
    gap = distance(shape, ring.points, tried)
    return nearest_of_run(ring, gap, facing(shape, ring, 0))[0]


@given(stones(), st.integers(12, 60), st.integers(0, 2**32 - 1), st.floats(0.0, 0.2))
def test_at_a_fixed_pose_added_metal_never_raises_a_clearance(stone, stations, seed, most):
    """A wall is thickened inward at some stations: no run between them comes to stand farther."""
    rng = np.random.default_rng(seed)
    shape = stone.form
    angle = np.sort(rng.uniform(0, 2 * np.pi, stations))
    assume(np.diff(angle, append=angle[0] + 2 * np.pi).max() < np.pi / 2)
    ray = np.column_stack([np.cos(angle), np.sin(angle)])
    radius = 1.05 / (shape.fold(ray) @ shape.normals.T / shape.reach).max(axis=1)
    radius = radius * rng.uniform(1.0, 1.1, stations)
    thinner = radius[:, None] * ray
    thicker = thinner * (1 - most * rng.uniform(0, 1, stations) ** 3)[:, None]
    before, after = clearances(shape, thinner), clearances(shape, thicker)
    # The fan of normals across a corner is 3 deg wide: 1 - cos(1.5 deg) of a distance.
    assert after.min() <= before.min() + 4e-4 * max(before.min(), 0.0) + EXACT


def entering(shape: Form, seats: Seats, turn_rad: float) -> float:
    """Width of the largest outline that enters, shifted as it likes, by bisection [mm]."""
    one = np.ones(1)
    free = Bounds(gap_low=0.0 * one, gap_high=99.0 * one, cover_low=-99.0 * one)
    low, high = 0.5, 15.0
    for _ in range(16):
        width = (low + high) / 2
        placed = place(
            shape, seats, width * shape.length_ratio * one, width * one, 0.2 * one, free,
            turn_rad=turn_rad,
        )  # fmt: skip
        if placed.near.min() >= 0:
            low = width
        else:
            high = width
    return low


@given(CASES, st.floats(0.0, 0.4), st.integers(0, 2**32 - 1))
@settings(max_examples=30)
def test_a_larger_opening_never_lowers_the_largest_outline_that_enters(number, most, seed):
    """The metal is cut back by up to 0.4 mm, unevenly and smoothly, all outward."""
    drawn = case(number, 9)
    shape, spots = drawn.stone.form, drawn.seats
    phase = np.random.default_rng(seed).uniform(0, 2 * np.pi)
    angle = np.arctan2(spots.opening[0, :, 1], spots.opening[0, :, 0])
    back = most * (1 + np.cos(2 * angle + phase)) / 2
    wider = replace(spots, opening=spots.opening * (1 + 0.1 * back)[:, None])
    before = entering(shape, spots, drawn.turn_rad)
    after = entering(shape, wider, drawn.turn_rad)
    assert after >= before - CENTRED


@pytest.mark.parametrize("name", [*UNEVEN, "oval-brilliant", "cushion-mixed", "hexagon-step"])
@given(st.integers(0, 2000))
@settings(max_examples=6)
def test_a_mirrored_seat_gives_mirrored_answers(name, number):
    """The same case in a mirror: stations run the other way round, the shift changes its side."""
    drawn = case(len(names()) * number + names().index(name), 10)
    mirror = mirror_of(drawn.style)
    spots, stone = drawn.seats, drawn.stone
    image = mirrored(spots, mirror)
    one = np.ones(1)
    goal = Bounds(gap_low=0.0 * one, gap_high=0.25 * one, cover_low=0.1 * one)
    here, there = (
        place(
            stone.form, seat, stone.length_mm * one, stone.width_mm * one, 0.2 * one, goal,
            turn_rad=turn,
        )
        for seat, turn in ((spots, drawn.turn_rad), (image, -drawn.turn_rad))
    )  # fmt: skip
    assert here.cover is not None
    assert there.cover is not None
    least = [min(at.near.min(), 0.25 - at.gap.max(), at.cover.min() - 0.1) for at in (here, there)]
    # Centring ends where a step is shorter than a thousandth of the width.
    assert least[1] == pytest.approx(least[0], abs=0.001 * stone.width_mm)


@given(CASES, st.floats(0.2, 1.0))
@settings(max_examples=40)
def test_a_deeper_pavilion_never_rests_lower_on_its_ledge(number, share):
    drawn = case(number, 11)
    stone, spots = drawn.stone, drawn.seats
    one = np.ones(1)
    goal = Bounds(gap_low=0.0 * one, gap_high=0.25 * one, cover_low=0.1 * one)
    placed = place(
        stone.form, spots, stone.length_mm * one, stone.width_mm * one, 0.2 * one, goal,
        turn_rad=drawn.turn_rad,
    )  # fmt: skip
    assume(placed.cover is not None and placed.cover.min() > 0)
    depth = stone.pavilion_depth_mm
    shallow, deep = (placed.girdle_bottom(np.array([d]))[0] for d in (share * depth, depth))
    # Facets that cut into the girdle (a share below 0) may let it down by their dip alone.
    dip = -min(0.0, float(stone.form.rim[1].min())) * depth
    assert deep >= shallow - dip - EXACT
