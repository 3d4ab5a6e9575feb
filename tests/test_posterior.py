"""What readings leave open of a stone, against plain linear algebra and drawn stones."""

from __future__ import annotations

import numpy as np
import pytest

from fitsolver.stones.cut import cut
from fitsolver.weighing.evidence import Evidence, Figure, evidence_of
from fitsolver.weighing.posterior import condition, unknowns_of

OVAL = cut("oval-brilliant")
DENSITY = (4.0, 0.02)


def read(**readings: object) -> list[Evidence]:
    return evidence_of(OVAL, readings)


def test_a_proportion_read_alone_is_the_weighted_mean_of_reading_and_prior():
    """The product of two normal densities (JCGM 106:2012, 6.3.2 works it for one quantity)."""
    readings = read(width_mm=6.0, table_pct=Figure(value=66.0, u=2.0))
    before = unknowns_of(OVAL, DENSITY, readings)
    k = before.names.index("table_pct")
    mean, variance = float(before.means[k, 0]), float(before.variances[k, 0])
    value, u = condition(before, readings).value_and_u("table_pct")
    weights = np.array([1 / variance, 1 / 2.0**2])
    assert value[0] == pytest.approx((weights @ [mean, 66.0]) / weights.sum())
    assert u[0] == pytest.approx(weights.sum() ** -0.5)


def test_it_is_least_squares_at_the_result():
    """The same by the normal equations, readings and prior stacked (a general method)."""
    readings = read(length_mm=8.1, width_mm=6.0, depth_mm=3.9)
    found = condition(unknowns_of(OVAL, DENSITY, readings), readings)
    slopes, prior = found.slopes[..., 0], found.unknowns.variances[:, 0]
    noise = found.noise[..., 0]
    expected = np.linalg.inv(np.diag(1 / prior) + slopes.T @ np.linalg.solve(noise, slopes))
    assert found.covariance() == pytest.approx(expected, abs=1e-9)
    for name in ("width_mm", "weight_ct"):
        slope = found.unknowns.slopes(name, found.state)[1][:, 0]
        assert found.value_and_u(name)[1][0] == pytest.approx((slope @ expected @ slope) ** 0.5)


def test_a_million_stones_are_the_same_as_one():
    widths = np.linspace(4.0, 9.0, 7)
    singles = [read(width_mm=w, depth_mm=0.62 * w) for w in widths]
    alone = [condition(unknowns_of(OVAL, DENSITY, one), one).value_and_u("weight_ct")
             for one in singles]  # fmt: skip
    columns = [
        Evidence(
            name=parts[0].name,
            values=np.concatenate([part.values for part in parts]),
            u_own=np.concatenate([part.u_own for part in parts]),
            u_shared=np.concatenate([part.u_shared for part in parts]),
            cause=parts[0].cause,
        )
        for parts in zip(*singles, strict=True)
    ]
    together = condition(unknowns_of(OVAL, DENSITY, columns), columns).value_and_u("weight_ct")
    np.testing.assert_allclose(together, np.squeeze(alone).T, rtol=1e-6)


def test_an_unlikely_reading_misfits_and_counts_against_the_style():
    usual, odd = (read(width_mm=6.0, table_pct=Figure(value=v, u=1.0)) for v in (58.0, 80.0))
    found = [condition(unknowns_of(OVAL, DENSITY, one), one) for one in (usual, odd)]
    assert found[1].misfit[0] > 9 > found[0].misfit[0]
    assert found[1].log_evidence()[0] < found[0].log_evidence()[0] - 3


def test_what_causes_the_doubt_adds_up():
    readings = read(length_mm=8.1, width_mm=6.0, depth_mm=3.9)
    found = condition(unknowns_of(OVAL, DENSITY, readings), readings)
    shares = found.shares("weight_ct", readings)
    assert sum(shares.values()) == pytest.approx(1.0)
    assert all(share >= 0 for share in shares.values())
