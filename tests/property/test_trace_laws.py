"""Laws of traced openings: what must not matter, and what more points may do."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from clicked import oval_points, traced
from hypothesis import given, settings
from hypothesis import strategies as st

from fitsolver.seats.belief import Belief, belief
from fitsolver.seats.trace import trace_from

# Rounding, and that the circle's 360 directions of a curve begin elsewhere: chords stray by
# r (pi / 360)^2 / 2 = 0.15 micrometre.
SAME_MM = 1e-3
seeds = st.integers(0, 10_000)


def far(a: np.ndarray, b: np.ndarray) -> float:
    return float(shapely.hausdorff_distance(shapely.LinearRing(a), shapely.LinearRing(b)))


def edge_of(seed: int, count: int = 40) -> np.ndarray:
    return oval_points(count, noise_mm=0.03, seed=seed)


@given(seed=seeds, first=st.integers(0, 39), backwards=st.booleans(), closed=st.booleans())
@settings(max_examples=15, deadline=None)
def test_start_direction_and_closing_do_not_matter(seed, first, backwards, closed):
    points = edge_of(seed)
    other = np.roll(points, first, axis=0)[:: -1 if backwards else 1]
    if closed:
        other = np.vstack([other, other[:1]])
    one, two = trace_from(points), trace_from(other)
    assert far(one.curve, two.curve) < SAME_MM
    assert one.residual_u_mm == pytest.approx(two.residual_u_mm, abs=1e-6)


@given(seed=seeds, repeated=st.lists(st.integers(0, 39), max_size=20))
@settings(max_examples=15, deadline=None)
def test_points_clicked_twice_do_not_matter(seed, repeated):
    points = edge_of(seed)
    times = 1 + np.bincount(np.array(repeated, dtype=np.int64), minlength=40)
    one, two = trace_from(points), trace_from(np.repeat(points, times, axis=0))
    assert far(one.curve, two.curve) < 1e-9
    assert one.residual_u_mm == pytest.approx(two.residual_u_mm, abs=1e-12)


@given(seed=seeds, turn=st.floats(0, 360), x=st.floats(-50, 50), y=st.floats(-50, 50))
@settings(max_examples=15, deadline=None)
def test_a_moved_trace_gives_the_moved_curve(seed, turn, x, y):
    points = edge_of(seed)
    c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    moved = [
        each @ np.array([[c, s], [-s, c]]) + (x, y) for each in (points, None) if each is not None
    ]
    one, two = trace_from(points), trace_from(moved[0])
    assert far(one.curve @ np.array([[c, s], [-s, c]]) + (x, y), two.curve) < SAME_MM


@given(seed=seeds, scale=st.floats(0.5, 3))
@settings(max_examples=15, deadline=None)
def test_a_larger_trace_gives_the_larger_curve(seed, scale):
    points = edge_of(seed)
    one, two = trace_from(points), trace_from(scale * points)
    assert far(scale * one.curve, two.curve) < SAME_MM
    assert two.residual_u_mm == pytest.approx(scale * one.residual_u_mm, rel=1e-3)


def radius_u(of: Belief) -> np.ndarray:
    return np.sqrt(np.einsum("ij,jk,ik->i", of.slopes, of.covariance, of.slopes))


@given(seed=seeds, x=st.floats(-30, 30), y=st.floats(-30, 30))
@settings(max_examples=5, deadline=None)
def test_the_seat_does_not_know_where_on_the_photograph_it_lay(seed, x, y):
    here, there = (belief(traced(edge_of(seed) + shift)) for shift in ((0, 0), (x, y)))
    assert here.radius == pytest.approx(there.radius, abs=1e-6)
    assert radius_u(here) == pytest.approx(radius_u(there), abs=1e-6)


@given(seed=seeds)
@settings(max_examples=5, deadline=None)
def test_a_mirrored_trace_gives_the_mirrored_seat(seed):
    points = edge_of(seed)
    one, two = belief(traced(points)), belief(traced(points * (1, -1)))
    for name in one.names:
        if name.startswith(("opening_", "trace_")):
            odd = "_sin_" in name or name in ("trace_y_mm", "trace_turn_deg")
            way = -1 if odd else 1
            got = two.mean[two.index(name)]
            assert way * got == pytest.approx(one.mean[one.index(name)], abs=2e-3), name


@given(seed=seeds, kept=st.integers(14, 39))
@settings(max_examples=8, deadline=None)
def test_more_points_never_raise_the_doubt(seed, kept):
    """With the irregularity stated, and points as good as stated: along the same edge."""
    points = oval_points(40)
    some = np.sort(np.random.default_rng(seed).permutation(40)[:kept])
    more = {"irregularity_mm": 0.15, "opening_points_u_mm": 0.05, "opening_points_turn_deg": 0}
    try:
        few = belief(traced(points[some], **more))
    except Exception as error:  # a gap: no trace
        assert "gap" in str(error)  # noqa: PT017
        return
    all_of = belief(traced(points, **more))
    # Both are linearised at their own best estimate: 2 %.
    at = [few.index(name) for name in few.names if name.startswith("opening_")]
    before, after = (np.sqrt(np.diag(of.covariance))[at] for of in (few, all_of))
    assert np.all(after <= before * 1.02 + 1e-6)


def test_nor_do_they_lower_it_without_limit():
    """From 60 to 960 points, 16 times as many: independent ones would quarter the doubt."""
    more = {"irregularity_mm": 0.15, "opening_points_u_mm": 0.05, "opening_points_turn_deg": 0,
            "opening_points_scale_u_pct": 0}  # fmt: skip
    u = {count: radius_u(belief(traced(oval_points(count), **more))).mean()
         for count in (60, 240, 960)}  # fmt: skip
    assert u[60] > u[240] > u[960] > 0.6 * u[60]
    # A quarter of the variance is common to all.
    assert u[960] > 0.05 / 2
