"""Spread points and propagation, held against scipy, closed forms and chance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import norm, qmc

from fitsolver.errors import OutOfRange
from fitsolver.readings import uncertainty
from fitsolver.readings.uncertainty import (
    Estimate,
    normal_samples,
    propagate_linear,
    propagate_samples,
    rectangular_from_normal,
    standard_normal_points,
)

FIRST_AND_LAST = [
    [0.31465911639960614, -0.5772721050358401, -0.30436669336713035],
    [0.6830786267901381, 0.7407917082464877, 1.2457807345870267],
]

# Evenly spread points


@pytest.mark.parametrize(
    ("dimension", "count"), [(1, 64), (7, 100), (64, 8192), (65, 512), (300, 513), (21_201, 8)]
)
def test_before_scrambling_they_are_the_published_sobol_points(dimension: int, count: int) -> None:
    # scipy's generator has the table of Joe and Kuo (2008) as well: equal to the last bit.
    ours = uncertainty._sobol_digits(uncertainty._directions(dimension, count), count) / 2.0**32
    # From (0, ..., 0) on; a count that is no power of two only lacks balance.
    power = (count - 1).bit_length()
    theirs = qmc.Sobol(dimension, scramble=False).random_base2(power)[:count]
    np.testing.assert_array_equal(ours, theirs)


@pytest.mark.parametrize(("dimension", "count"), [(2, 64), (5, 512), (12, 512), (24, 1024)])
def test_discrepancy_is_that_of_scipys_scrambled_sobol_points(dimension: int, count: int) -> None:
    seeds = range(4)
    ours = [qmc.discrepancy(ndtr(standard_normal_points(dimension, count, s))) for s in seeds]
    theirs = [qmc.discrepancy(qmc.Sobol(dimension, rng=s).random(count)) for s in seeds]
    chance = [qmc.discrepancy(np.random.default_rng(s).random((count, dimension))) for s in seeds]
    # Means over four scrambles differ by up to 3 % here; 15 % leaves room for other releases.
    assert np.mean(ours) < 1.15 * np.mean(theirs)
    assert np.mean(ours) < 0.75 * np.mean(chance)


@pytest.mark.parametrize("count", [64, 512, 8192])
def test_each_column_is_spread_one_to_a_cell(count: int) -> None:
    # A scrambled net of 2^m points has exactly one in each of 2^m equal cells, in each dimension.
    cells = np.floor(ndtr(standard_normal_points(64, count, 5)) * count).astype(int)
    np.testing.assert_array_equal(np.sort(cells, axis=0), np.arange(count)[:, None].repeat(64, 1))


@pytest.mark.parametrize(
    ("dimension", "count", "of_mean", "of_deviation", "of_correlation"),
    # Largest over all columns. With one point to a cell the mean is good to about 1 / count times
    # the width of the outermost cells (0.1 at 64, 0.01 at 512), far below 1 / sqrt(count).
    # Correlations of pairs are those of chance for late columns: 5 / sqrt(count) for 2016 pairs,
    # which chance exceeds once in a thousand; early columns do better from 512 points on.
    [
        (5, 64, 0.05, 0.08, 0.3),
        (5, 512, 0.01, 0.02, 0.03),
        (20, 512, 0.01, 0.02, 5 / math.sqrt(512)),
        (64, 8192, 0.001, 0.002, 5 / math.sqrt(8192)),
    ],
)
def test_moments_are_those_of_independent_standard_normals(
    dimension: int, count: int, of_mean: float, of_deviation: float, of_correlation: float
) -> None:
    for seed in range(3):
        points = standard_normal_points(dimension, count, seed)
        assert points.shape == (count, dimension)
        assert np.isfinite(points).all()
        assert np.abs(points.mean(axis=0)).max() < of_mean
        assert np.abs(points.std(axis=0) - 1.0).max() < of_deviation
        ties = np.corrcoef(points.T) - np.eye(dimension)
        assert np.abs(ties).max() < of_correlation


def test_same_seed_same_points_and_other_seed_other_points() -> None:
    points = standard_normal_points(6, 128, 7)
    np.testing.assert_array_equal(points, standard_normal_points(6, 128, 7))
    assert not np.isclose(points, standard_normal_points(6, 128, 8)).any(axis=1).all()


def test_points_do_not_change_with_releases() -> None:
    # Own results of the first release, to 1e-12: a changed table, scramble or stream shows here.
    points = standard_normal_points(3, 4, 1)
    np.testing.assert_allclose(points[[0, 3]], FIRST_AND_LAST, atol=1e-12)


def test_more_points_and_more_inputs_extend_the_table() -> None:
    small = standard_normal_points(5, 100, 3)
    np.testing.assert_array_equal(small, standard_normal_points(5, 1000, 3)[:100])
    np.testing.assert_array_equal(small, standard_normal_points(64, 100, 3)[:, :5])
    # Where scipy's table takes over, nothing before it changes.
    own, more = standard_normal_points(64, 512, 3), standard_normal_points(65, 512, 3)
    np.testing.assert_array_equal(own, more[:, :64])


def test_smallest_of_three_clearances_needs_far_fewer_points_than_chance() -> None:
    # min of three unit normals, a kink: mean -3 / (2 sqrt(pi)) in closed form.
    exact = -1.5 / math.sqrt(math.pi)

    def error(points: np.ndarray) -> float:
        return float(points.min(axis=1).mean() - exact)

    spread = [error(standard_normal_points(3, 512, seed)) for seed in range(20)]
    chance = [error(np.random.default_rng(s).standard_normal((512, 3))) for s in range(20)]
    # Chance: 0.75 / sqrt(512) = 0.033. Ten times less is as good as 50,000 random points.
    assert np.sqrt(np.mean(np.square(spread))) < 0.1 * np.sqrt(np.mean(np.square(chance)))


@pytest.mark.parametrize(("dimension", "count"), [(0, 64), (21_202, 64), (3, 0), (3, 2**20 + 1)])
def test_what_cannot_be_served_is_refused(dimension: int, count: int) -> None:
    with pytest.raises(OutOfRange):
        standard_normal_points(dimension, count, 0)


def test_a_single_point_is_a_sample_too() -> None:
    assert standard_normal_points(4, 1, 0).shape == (1, 4)


def test_rectangular_points_fill_their_width_evenly() -> None:
    flat = rectangular_from_normal(standard_normal_points(2, 1024, 2))
    assert np.abs(flat).max() < math.sqrt(3.0)
    # One point in each of 1024 cells: mean and deviation to the width of a cell, 0.0034.
    np.testing.assert_allclose(flat.mean(axis=0), 0.0, atol=0.0034)
    np.testing.assert_allclose(flat.std(axis=0), 1.0, atol=0.0034)
    # A tenth of the width holds a tenth of the points.
    tenth = (np.abs(flat) < math.sqrt(3.0) / 10).mean(axis=0)
    np.testing.assert_allclose(tenth, 0.1, atol=0.002)


# Correlated samples


def test_samples_have_the_covariance_asked_for() -> None:
    asked = np.array([[0.04, 0.03, 0.0], [0.03, 0.09, -0.02], [0.0, -0.02, 0.01]])
    samples = normal_samples([6.0, 4.0, 1.0], covariance=asked, count=4096, seed=1)
    np.testing.assert_allclose(samples.mean(axis=0), [6.0, 4.0, 1.0], atol=1e-3)
    # 0.3 % of the largest variance, the spread of a few scrambles at this count.
    np.testing.assert_allclose(np.cov(samples.T), asked, atol=3e-4)


def test_inputs_tied_exactly_stay_tied() -> None:
    tied = normal_samples([1.0, 2.0], covariance=[[0.01, 0.02], [0.02, 0.04]], count=64)
    # The hair on each variance, 1e-12 of the largest, is 1e-6 of a standard deviation of 0.2, and
    # a point lies within 4 of them.
    np.testing.assert_allclose(tied[:, 1] - 2.0, 2.0 * (tied[:, 0] - 1.0), rtol=0, atol=4e-6)


def test_u_and_its_diagonal_covariance_describe_the_same() -> None:
    separate = normal_samples([1.0, 2.0], u=[0.3, 0.1], count=64, seed=4)
    joint = normal_samples([1.0, 2.0], covariance=np.diag([0.09, 0.01]), count=64, seed=4)
    # Eigenvectors may turn a column's sign.
    np.testing.assert_allclose(np.abs(separate - [1.0, 2.0]), np.abs(joint - [1.0, 2.0]), rtol=1e-9)


@pytest.mark.parametrize(
    "spread",
    [
        {},
        {"u": [0.1, 0.1], "covariance": np.eye(2)},
        {"u": [0.1]},
        {"u": [0.1, -0.1]},
        {"u": [0.1, math.nan]},
        {"covariance": np.eye(3)},
        {"covariance": [[1.0, 0.5], [0.2, 1.0]]},
        {"covariance": [[1.0, 2.0], [2.0, 1.0]]},
        {"covariance": [[1.0, math.inf], [math.inf, 1.0]]},
    ],
)
def test_what_is_no_covariance_is_refused(spread: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"covariance|u must hold"):
        propagate_linear(lambda x: x[:, 0], [1.0, 2.0], **spread)  # type: ignore[arg-type]


# Propagation


def test_linear_and_sampled_agree_on_a_linear_function() -> None:
    def gap(x: np.ndarray) -> np.ndarray:
        return x[:, 0] - x[:, 1] - 2.0 * x[:, 2]

    values, u = [8.30, 6.10, 1.00], [0.02, 0.03, 0.01]
    linear = propagate_linear(gap, values, u=u)
    sampled = propagate_samples(gap, normal_samples(values, u=u, count=4096))
    by_hand = math.sqrt(0.02**2 + 0.03**2 + (2 * 0.01) ** 2)
    assert linear.u == pytest.approx(by_hand, rel=1e-9)
    assert linear.high - linear.value == pytest.approx(norm.ppf(0.975) * by_hand, rel=1e-9)
    # 4096 spread points: 0.3 % of u, seen over ten seeds.
    assert sampled.value == pytest.approx(linear.value, abs=0.003 * by_hand)
    assert sampled.u == pytest.approx(by_hand, rel=0.003)
    assert sampled.low == pytest.approx(linear.low, abs=0.02 * by_hand)
    assert sampled.high == pytest.approx(linear.high, abs=0.02 * by_hand)
    assert sampled.shares == ()


def test_shares_add_up_and_name_the_worst_reading() -> None:
    found = propagate_linear(lambda x: x[:, 0] * x[:, 1], [2.0, 3.0], u=[0.1, 0.2])
    # (3 x 0.1)^2 and (2 x 0.2)^2 by hand.
    assert found.shares == pytest.approx((0.09 / 0.25, 0.16 / 0.25), rel=1e-9)
    assert sum(found.shares) == pytest.approx(1.0, rel=1e-12)


def test_a_shared_error_cancels_in_a_difference() -> None:
    found = propagate_linear(
        lambda x: x[:, 0] - x[:, 1], [6.5, 6.4], covariance=[[0.01, 0.01], [0.01, 0.01]]
    )
    # What is left of a standard uncertainty of 0.1 is the rounding of 1e-8 in the root.
    assert found.u == pytest.approx(0.0, abs=1e-8)


def test_a_certain_input_has_no_share() -> None:
    found = propagate_linear(lambda x: x.sum(axis=1), [1.0, 2.0], u=[0.1, 0.0])
    assert found.shares == pytest.approx((1.0, 0.0))
    none = propagate_linear(lambda x: x.sum(axis=1), [1.0, 2.0], u=[0.0, 0.0])
    assert (none.u, none.low, none.high, none.shares) == (0.0, 3.0, 3.0, (0.0, 0.0))


def test_linear_propagation_lies_at_a_kink_and_samples_do_not() -> None:
    def smallest(x: np.ndarray) -> np.ndarray:
        return x.min(axis=1)

    linear = propagate_linear(smallest, [0.0, 0.0], u=[1.0, 1.0])
    sampled = propagate_samples(smallest, normal_samples([0.0, 0.0], u=[1.0, 1.0], count=4096))
    # min of two unit normals: mean -1/sqrt(pi), variance 1 - 1/pi, in closed form.
    assert sampled.value == pytest.approx(-1 / math.sqrt(math.pi), abs=0.002)
    assert sampled.u == pytest.approx(math.sqrt(1 - 1 / math.pi), rel=0.005)
    assert linear.value == 0.0
    assert linear.u == pytest.approx(math.sqrt(0.5))


def test_probability_above_a_limit_is_that_of_the_normal_law() -> None:
    margin = Estimate(value=0.05, u=0.02, low=0.01, high=0.09)
    for limit in (-0.02, 0.0, 0.05, 0.11):
        expected = norm.sf(limit, loc=0.05, scale=0.02)
        assert margin.probability_above(limit) == pytest.approx(expected, rel=1e-12)
    certain = Estimate(value=0.05, u=0.0, low=0.05, high=0.05)
    assert [certain.probability_above(limit) for limit in (0.0, 0.05, 0.06)] == [1.0, 1.0, 0.0]


@pytest.mark.parametrize("coverage", [0.0, 1.0, -0.1, math.nan])
def test_an_impossible_coverage_is_refused(coverage: float) -> None:
    with pytest.raises(OutOfRange, match="coverage"):
        propagate_linear(lambda x: x[:, 0], [1.0], u=[0.1], coverage=coverage)
    with pytest.raises(OutOfRange, match="coverage"):
        propagate_samples(lambda x: x[:, 0], np.ones((8, 1)), coverage=coverage)


def test_a_function_without_an_answer_is_refused() -> None:
    with pytest.raises(ValueError, match="no finite number"):
        propagate_linear(lambda x: x[:, 0] * math.nan, [1.0], u=[1])
    with pytest.raises(ValueError, match="must give 8 numbers"):
        propagate_samples(lambda x: x, np.ones((8, 2)))
    with pytest.raises(ValueError, match="at least two samples"):
        propagate_samples(lambda x: x[:, 0], np.ones((1, 2)))
