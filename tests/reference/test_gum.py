"""Worked examples of the guides on measurement uncertainty, through this project's propagation.

Sources:

- JCGM 100:2008, Evaluation of measurement data - Guide to the expression of uncertainty in
  measurement (GUM), annexes H.1 (end gauge) and H.2 (resistance and reactance, correlated).
- JCGM 101:2008, Supplement 1, Propagation of distributions using a Monte Carlo method: 9.2
  (additive model) and 9.3 (mass calibration).
- JCGM 106:2012, The role of measurement uncertainty in conformity assessment: Phi(1.40) = 0.919.
- S. L. R. Ellison and A. Williams (eds), Eurachem/CITAC Guide: Quantifying Uncertainty in
  Analytical Measurement, example A1 (a calibration standard).

Results are those printed there. Input data, clause numbers, r(R, X) of H.2 and the normal case of
9.2 were set down from memory; that the data reproduce the printed results vouches for them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitsolver.readings.uncertainty import (
    Estimate,
    Floats,
    normal_samples,
    propagate_linear,
    propagate_samples,
    rectangular_from_normal,
    standard_normal_points,
)

COUNT = 8192

# GUM H.1: length of an end gauge against a known one, in nm.
# Inputs: length of the standard, difference read, difference of expansion coefficients, difference
# of temperatures, expansion coefficient of the standard, its temperature above 20 degrees.
END_GAUGE = [50_000_623.0, 215.0, 0.0, 0.0, 11.5e-6, -0.1]
END_GAUGE_U = [25.0, 9.7, 0.58e-6, 0.029, 1.2e-6, 0.41]


def end_gauge_nm(x: Floats) -> Floats:
    standard, read, d_alpha, d_theta, alpha, theta = x.T
    return standard + read - standard * (d_alpha * theta + alpha * d_theta)


def test_gum_h1_end_gauge() -> None:
    found = propagate_linear(end_gauge_nm, END_GAUGE, u=END_GAUGE_U)
    # Printed: 50 000 838 nm and 32 nm, each rounded to its last digit.
    assert found.value == pytest.approx(50_000_838, abs=0.5)
    assert found.u == pytest.approx(32, abs=0.5)
    # The standard causes 25^2 / 1002 of the variance: printed terms 25, 9.7, 2.9, 16.6 nm.
    variance = 25**2 + 9.7**2 + 2.9**2 + 16.6**2
    assert found.shares[0] == pytest.approx(25**2 / variance, abs=0.005)
    # H.1.7: second-order terms, which samples contain, raise it to 34 nm.
    sampled = propagate_samples(end_gauge_nm, normal_samples(END_GAUGE, u=END_GAUGE_U, count=COUNT))
    assert sampled.u == pytest.approx(34, abs=0.5)


# GUM H.2: five simultaneous observations of voltage (V), current (A), phase (rad), Table H.2.
OBSERVED = np.array(
    [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ]
)


def resistance_ohm(x: Floats) -> Floats:
    return x[:, 0] / x[:, 1] * np.cos(x[:, 2])


def reactance_ohm(x: Floats) -> Floats:
    return x[:, 0] / x[:, 1] * np.sin(x[:, 2])


def impedance_ohm(x: Floats) -> Floats:
    return x[:, 0] / x[:, 1]


def h2(function: object) -> Estimate:
    covariance = np.cov(OBSERVED.T) / len(OBSERVED)
    return propagate_linear(function, OBSERVED.mean(axis=0), covariance=covariance)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("function", "value", "u"),
    [
        (resistance_ohm, 127.732, 0.071),
        (reactance_ohm, 219.847, 0.295),
        (impedance_ohm, 254.260, 0.236),
    ],
)
def test_gum_h2_correlated_inputs(function: object, value: float, u: float) -> None:
    found = h2(function)
    # Last printed digit. The guide rounds the inputs' u and correlations to two digits before it
    # computes: hence one unit of u's last digit, not half.
    assert found.value == pytest.approx(value, abs=0.0005)
    assert found.u == pytest.approx(u, abs=0.001)
    assert sum(found.shares) == pytest.approx(1.0, abs=1e-9)


def test_gum_h2_correlation_of_the_results() -> None:
    # Table H.3: r(R, X) = -0.588, through the variance of their sum.
    both = h2(lambda x: resistance_ohm(x) + reactance_ohm(x))
    one, other = h2(resistance_ohm), h2(reactance_ohm)
    correlation = (both.u**2 - one.u**2 - other.u**2) / (2 * one.u * other.u)
    # The guide again from rounded inputs: 0.005.
    assert correlation == pytest.approx(-0.588, abs=0.005)


def test_eurachem_a1_product_and_quotient() -> None:
    # c = 1000 m P / V: mass [mg], purity, volume [ml]; the volume's doubt has three causes:
    # flask +-0.1 triangular, filling 0.02, temperature +-4 K at 2.1e-4 per K, rectangular.
    u_volume = math.hypot(0.1 / math.sqrt(6), 0.02, 100 * 4 * 2.1e-4 / math.sqrt(3))
    found = propagate_linear(
        lambda x: 1000 * x[:, 0] * x[:, 1] / x[:, 2],
        [100.28, 0.9999, 100.0],
        u=[0.05, 0.0001 / math.sqrt(3), u_volume],
    )
    # Printed: 1002.7 and, in the spreadsheet, 0.835 with the volume's u rounded to 0.066.
    assert found.value == pytest.approx(1002.7, abs=0.05)
    assert found.u == pytest.approx(0.835, abs=0.005)


@pytest.mark.parametrize(
    ("widths", "half_interval"),
    [([1.0, 1.0, 1.0, 1.0], 3.88), ([1.0, 1.0, 1.0, 10.0], 17.0)],
)
def test_jcgm_101_9_2_sum_of_rectangular_inputs(widths: list[float], half_interval: float) -> None:
    samples = rectangular_from_normal(standard_normal_points(4, COUNT, 1)) * widths
    found = propagate_samples(lambda x: x.sum(axis=1), samples)
    assert found.value == pytest.approx(0.0, abs=0.005 * math.hypot(*widths))
    assert found.u == pytest.approx(math.hypot(*widths), rel=0.003)
    # Half of the last printed digit, plus 1 % for a quantile of 8192 points, which changes by
    # 0.4 % from seed to seed.
    slack = (0.005 if half_interval < 10 else 0.05) + 0.01 * half_interval
    assert found.high == pytest.approx(half_interval, abs=slack)
    assert found.low == pytest.approx(-half_interval, abs=slack)


def test_jcgm_101_9_2_2_sum_of_normal_inputs() -> None:
    found = propagate_samples(
        lambda x: x.sum(axis=1), normal_samples(np.zeros(4), u=np.ones(4), count=COUNT, seed=1)
    )
    # Printed: +-3.92; slack as above.
    assert found.high == pytest.approx(3.92, abs=0.005 + 0.01 * 3.92)
    assert found.low == pytest.approx(-3.92, abs=0.005 + 0.01 * 3.92)


def conventional_mass_mg(x: Floats) -> Floats:
    """Deviation from 100 g nominal of a weight compared in air, JCGM 101 9.3.1.2."""
    reference, added, air, own, other = x.T
    return (reference + added) * (1 + (air - 1.2) * (1 / own - 1 / other)) - 100_000.0


def test_jcgm_101_9_3_mass_calibration() -> None:
    # Reference mass and added mass [mg] normal; density of air, of the weight, of the reference
    # weight [kg/m3] rectangular with half-widths 0.1, 1000, 50.
    values = np.array([100_000.000, 1.234, 1.20, 8000.0, 8000.0])
    u = np.array([0.050, 0.020, 0.1 / math.sqrt(3), 1000 / math.sqrt(3), 50 / math.sqrt(3)])
    linear = propagate_linear(conventional_mass_mg, values, u=u)
    # Printed for first order: 1.234 mg, 0.0539 mg.
    assert linear.value == pytest.approx(1.234, abs=0.0005)
    assert linear.u == pytest.approx(0.0539, abs=0.00005)
    points = standard_normal_points(5, COUNT, 1)
    points[:, 2:] = rectangular_from_normal(points[:, 2:])
    sampled = propagate_samples(conventional_mass_mg, values + points * u)
    # Printed for Monte Carlo: 0.0754 mg, 95 % from 1.083 to 1.383 mg (shortest interval; the
    # distribution is symmetric, so equal tails are the same). 0.5 % of u, 2 % of it for quantiles.
    assert sampled.value == pytest.approx(1.234, abs=0.001)
    assert sampled.u == pytest.approx(0.0754, rel=0.005)
    assert sampled.low == pytest.approx(1.083, abs=0.0005 + 0.02 * 0.0754)
    assert sampled.high == pytest.approx(1.383, abs=0.0005 + 0.02 * 0.0754)


def test_jcgm_106_conformance_probability() -> None:
    # A value 1.40 standard uncertainties on the right side of its limit conforms with 0.919.
    margin = Estimate(value=0.07, u=0.05, low=-0.03, high=0.17)
    assert margin.probability_above(0.0) == pytest.approx(0.919, abs=0.0005)
    # Counting evenly spread points: one point in 1024 either way, and the printed digit.
    share = (standard_normal_points(1, 1024, 3)[:, 0] < 1.40).mean()
    assert share == pytest.approx(0.919, abs=0.0005 + 1 / 1024)
