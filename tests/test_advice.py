"""Which reading to take again: what is foretold is what taking it again brings."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import mounting

from fitsolver.fitting.advice import Advice, advise
from fitsolver.seats.allowance import allowances
from fitsolver.seats.belief import Belief, belief
from fitsolver.seats.equation import SHARED_PART

WALL = {
    "holds": '"wall"',
    "state": '"cut"',
    "back": '"open"',
    "opening_family": '"oval"',
    "opening_level": '"girdle"',
    "opening_length_mm": 8.1,
    "opening_width_mm": 6.1,
    "ledge_width_mm": 0.4,
    "depth_below_ledge_mm": 3.1,
}
STONE = dict.fromkeys(("girdle", "crown", "pavilion"), np.zeros(20_000))


def known(**changes: object) -> Belief:
    return belief(mounting("", **{**WALL, **changes}))


def draws(of: Belief) -> np.ndarray:
    """Draws (s, d) whose mean and covariance are the belief's own, exactly."""
    plain = np.random.default_rng(7).standard_normal((len(STONE["girdle"]), len(of.mean)))
    plain -= plain.mean(axis=0)
    plain = plain @ np.linalg.inv(np.linalg.cholesky(np.cov(plain.T, bias=True))).T
    values, ways = np.linalg.eigh(of.covariance)
    return of.mean + plain @ (ways * np.sqrt(np.maximum(values, 0))).T


def advised(of: Belief, key: str, at_least: float = 0.0) -> Advice:
    """Advice on a margin that is one parameter alone, which has to be more than `at_least`."""
    drawn = draws(of)
    margin = drawn[:, of.columns[key]]
    held = margin > np.quantile(margin, at_least)
    return advise(of, drawn, margin, held, STONE, allowances())[0]


def test_a_reading_taken_again_leaves_what_was_foretold():
    """Two readings then have what lasts in both and half of the rest (JCGM 100, 4.2.3, 5.2).

    What lasts is the half of a caliper's permissible error, 0.02 mm rectangular, that is shared.
    """
    of, key = known(), "ledge_width_mm"
    found = advised(of, key)
    shared = SHARED_PART * 0.02**2 / 3
    own = found.u_now_mm**2 - shared
    assert found.measured
    assert found.u_now_mm == pytest.approx(of.covariance[of.columns[key]][of.columns[key]] ** 0.5)
    assert found.u_then_mm == pytest.approx((shared + own / 2) ** 0.5, rel=0.01)
    assert found.share == pytest.approx(1 - (found.u_then_mm / found.u_now_mm) ** 2)


def test_it_comes_true_when_the_reading_is_taken_again():
    """Half a step and the reading's own definition do not shrink with repeats: within 5 %."""
    foretold = advised(known(), "ledge_width_mm").u_then_mm
    twice = known(ledge_width_mm="[0.4, 0.4]")
    i = twice.columns["ledge_width_mm"]
    assert foretold == pytest.approx(twice.covariance[i, i] ** 0.5, rel=0.05)


def test_what_is_not_read_is_worth_more_than_what_is():
    of = known()
    drawn = draws(of)
    margin = drawn[:, of.columns["wall_height_mm"]] + drawn[:, of.columns["ledge_width_mm"]]
    first = advise(of, drawn, margin, margin > margin.mean(), STONE, allowances())[0]
    assert not first.measured
    assert "wall" in first.reading
    assert first.u_then_mm < 0.5 * first.u_now_mm


def test_a_sharper_reading_settles_more_often():
    """Of a stone as likely to seat as not, and never less than the one that was read."""
    for found in (advised(known(), "ledge_width_mm", 0.5), advised(known(), "ledge_width_mm", 0.3)):
        assert 0 < found.settled < found.settled_better < 1


def test_a_margin_without_doubt_needs_no_reading():
    of = known()
    drawn = draws(of)
    none = np.zeros(len(drawn))
    assert advise(of, drawn, none, none < 1, STONE, allowances()) == ()


def test_heights_of_the_stone_are_advised_too():
    of = known()
    drawn = draws(of)
    girdle = np.random.default_rng(3).normal(0.3, 0.1, len(drawn))
    found = advise(of, drawn, 2 * girdle, girdle > 0.3, {**STONE, "girdle": girdle}, allowances())
    assert found[0].reading == "girdle thickness of the stone"
    u = max(allowances()["stone_reading_u_mm"], 1e-3)
    # Two normal variances, one of the spread and one of the caliper's: v u^2 / (v + u^2).
    left = girdle.var() * u**2 / (girdle.var() + u**2)
    assert found[0].u_then_mm == pytest.approx(2 * left**0.5, rel=0.01)
