"""A stone of unknown make: parts by Bayes' rule, and which reading would say more."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from fitsolver.stones.cut import cut
from fitsolver.stones.material import material
from fitsolver.weighing.evidence import evidence_of
from fitsolver.weighing.makes import DENSITY_U_G_CM3, mixture_of
from fitsolver.weighing.posterior import condition, unknowns_of
from fitsolver.weighing.weight import every_make

ROUND = cut("round-brilliant")
READ = evidence_of(ROUND, {"width_mm": 6.5, "depth_mm": 4.0})


@pytest.mark.parametrize(("times", "worth"), [(1.0, False), (1.3, False), (1.5, True), (3, True)])
def test_what_is_known_about_as_well_already_is_not_advised(times, worth):
    """As well: a variance of at most twice what the reading itself would have."""
    known = mixture_of([ROUND], (4.0, times * DENSITY_U_G_CM3), READ)
    assert ("density_g_cm3" in known.gains("weight_ct", ["density_g_cm3"])) is worth


def test_a_gain_is_what_the_reading_then_brings():
    """Weighing in water, foretold by the covariance and then put in as the density's own spread."""
    before, noise = 0.1, DENSITY_U_G_CM3
    known = mixture_of([ROUND], (4.0, before), READ)
    after = before * noise / np.hypot(before, noise)
    then = mixture_of([ROUND], (4.0, after), READ)
    gained = known.value_and_u("weight_ct")[1][0] - then.value_and_u("weight_ct")[1][0]
    told = known.gains("weight_ct", ["density_g_cm3"])["density_g_cm3"]
    assert told == pytest.approx(gained, rel=0.01)


def test_one_make_counts_alone():
    assert mixture_of([ROUND], (4.0, 0.01), READ).parts.tolist() == [[1.0]]


def test_makes_count_by_their_share_and_by_how_well_they_foretold_the_readings():
    makes = every_make(ROUND, material("corundum"))
    found = mixture_of(makes, (4.0, 0.01), READ)
    logs = [condition(unknowns_of(m, (4.0, 0.01), READ), READ).log_evidence()[0] for m in makes]
    expected = np.exp(logs) * [make.share for make in makes]
    expected /= expected.sum()
    assert found.parts[:, 0] == pytest.approx(expected)
    assert found.likeliest().unknowns.style == makes[int(expected.argmax())]


def test_the_variance_of_a_mixture_is_that_of_draws_from_it():
    """Mean of the variances and variance of the means: the law of total variance."""
    makes = every_make(ROUND, material("corundum"))
    found = mixture_of(makes, (4.0, 0.01), READ)
    value, u = (float(each[0]) for each in found.value_and_u("weight_ct"))
    rng = np.random.default_rng(2)
    which = rng.choice(len(makes), 200_000, p=found.parts[:, 0])
    own = np.array([[each[0] for each in p.value_and_u("weight_ct")] for p in found.posteriors])
    drawn = norm.rvs(*own[which].T, random_state=rng)
    assert value == pytest.approx(drawn.mean(), rel=1e-3)
    assert u == pytest.approx(drawn.std(), rel=0.02)


def test_shares_of_the_doubt_add_up_to_one():
    makes = every_make(ROUND, material("corundum"))
    for offered in (makes, makes[:1]):
        shares = mixture_of(offered, (4.0, 0.05), READ).shares("weight_ct", READ)
        assert sum(shares.values()) == pytest.approx(1.0)
        assert list(shares.values()) == sorted(shares.values(), reverse=True)
        assert ("make" in shares) is (len(offered) > 1)
