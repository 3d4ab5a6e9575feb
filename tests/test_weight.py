"""The weight of one stone and of a parcel: readings in, an honest interval out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace

from fitsolver.errors import FitsolverError, OutOfRange, UnknownName
from fitsolver.readings.reading import direct
from fitsolver.stones.cut import CutStyle, cut, cuts
from fitsolver.stones.form import form, heights
from fitsolver.stones.material import material
from fitsolver.stones.prior import prior_of, truncated_normal
from fitsolver.stones.stone import Stone
from fitsolver.units import carats_from
from fitsolver.weighing.coefficient import terms_of
from fitsolver.weighing.consistency import consistency, implied_density
from fitsolver.weighing.evidence import Figure
from fitsolver.weighing.weight import (
    every_make,
    height_prior,
    heights_given_depth,
    weigh,
    weigh_list,
)

OVAL = cut("oval-brilliant")
ROUND = cut("round-brilliant")
SIZE = {"length_mm": 8.1, "width_mm": 6.1, "depth_mm": 4.05}


def exact_weight_ct(style: CutStyle, sample: dict[str, float], width_mm: float, density: float):
    """Weight of the faceted solid itself, by its half-spaces."""
    crown, girdle, pavilion = heights(style, sample)
    proportions = {name: value for name, value in sample.items() if name != "length_ratio"}
    stone = Stone(
        form=form(style, sample["length_ratio"], proportions),
        width_mm=width_mm,
        crown_height_mm=crown * width_mm,
        girdle_mm=girdle * width_mm,
        pavilion_depth_mm=pavilion * width_mm,
    )
    return carats_from(stone.volume_mm3, density)


def drawn(style: CutStyle, count: int, seed: int = 0) -> list[dict[str, float]]:
    """Stones of a style: proportions from its cut-off normals, by rejection."""
    prior, rng = prior_of(style), np.random.default_rng(seed)
    items = (style.length_ratio, *style.proportions.values())
    stones = []
    for _ in range(count):
        values = []
        for item in items:
            value = rng.normal(item.typical, item.spread)
            while not item.low <= value <= item.high:
                value = rng.normal(item.typical, item.spread)
            values.append(float(value))
        stones.append(dict(zip(prior.names, values, strict=True)))
    return stones


# --- the prior ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typical", "spread", "low", "high"),
    [(4.0, 1.2, 0.0, 14.0), (0.0, 0.1, 0.0, 3.0), (1.5, 1.2, 0.0, 2.0), (5.0, 1.0, 4.9, 9.0)],
)
def test_truncated_moments_agree_with_a_general_library(
    typical: float, spread: float, low: float, high: float
) -> None:
    from scipy.stats import truncnorm

    a, b = (low - typical) / spread, (high - typical) / spread
    mean, deviation = (
        truncnorm.stats(a, b, loc=typical, scale=spread)[0],
        truncnorm.std(a, b, loc=typical, scale=spread),
    )
    # 1e-9: both are closed forms in double precision.
    assert truncated_normal(typical, spread, low, high) == pytest.approx(
        (mean, deviation), rel=1e-9
    )


def test_height_prior_agrees_with_drawn_stones() -> None:
    """4,000 draws know a standard deviation to 1.1 %, a mean to 1.6 % of it; four times that."""
    for style in (ROUND, cut("oval-mixed").in_make("native")):
        mean, covariance = height_prior(style)
        found = np.array([heights(style, stone) for stone in drawn(style, 4000)], dtype=float)
        deviation = np.sqrt(np.diag(covariance))
        # A tangent's curvature moves the mean by a few hundredths of its spread more.
        assert (np.abs(found.mean(axis=0) - mean) <= 0.12 * deviation).all()
        assert found.std(axis=0) == pytest.approx(deviation, rel=0.05)


def test_heights_given_depth_add_up_to_it() -> None:
    depth = np.array([0.2, 0.45, 0.6, 0.8, 1.2])
    for style in cuts():
        mean, covariance = heights_given_depth(style, depth)
        assert mean.sum(axis=-1) == pytest.approx(depth, rel=1e-12)
        assert (mean >= 0).all()
        assert covariance.sum(axis=0) == pytest.approx(np.zeros(3), abs=1e-12)


def test_heights_given_depth_agree_with_drawn_stones() -> None:
    """Of 20,000 drawn stones, the 1,300 or so within 0.5 % of a depth: u of their mean is 3 % of
    their spread; four times that, and 10 % of the spread itself.
    """
    style, depth = ROUND, 0.67
    found = np.array([heights(style, stone) for stone in drawn(style, 20_000)], dtype=float)
    near = found[np.abs(found.sum(axis=1) - depth) < 0.005]
    mean, covariance = heights_given_depth(style, depth)
    deviation = np.sqrt(np.diag(covariance))
    assert len(near) > 800
    assert (np.abs(near.mean(axis=0) - mean) <= 0.12 * deviation).all()
    assert near.std(axis=0) == pytest.approx(deviation, rel=0.1)


# --- the volume, fast ---------------------------------------------------------------------------


@pytest.mark.parametrize("style", cuts(), ids=lambda style: style.name)
def test_fast_volume_agrees_with_the_solid(style: CutStyle) -> None:
    """Stones drawn from the spreads: 1.5 % at worst, under half the u of a measured stone.

    Most styles agree to 0.3 %; cushions and triangles are worst, where the swell of the sides and
    the size of the corners act on the outline together.
    """
    terms = terms_of(style)
    for stone in drawn(style, 3, seed=7):
        crown, girdle, pavilion = heights(style, stone)
        exact = exact_weight_ct(style, stone, 1.0, 200.0)
        assert terms.volume(stone, crown, girdle, pavilion) == pytest.approx(exact, rel=0.015)


# --- the estimate -------------------------------------------------------------------------------


def test_conditioning_agrees_with_weighted_samples() -> None:
    """Second road: 600,000 drawn stones, each counted by how likely it makes the readings.

    Some 2,500 of them count, so the mean is known to 2 % of u and u to 1.5 %; 10 % and 5 % leave
    room for chance and for what is linearised.
    """
    prior, rng = prior_of(ROUND), np.random.default_rng(3)
    count = 600_000
    read = {"length_mm": 6.55, "width_mm": 6.5, "depth_mm": 4.2, "table_pct": 60.0}
    u_table = 1 / math.sqrt(3)
    reading = direct(1.0)
    state = prior.means[:, None] + prior.spreads[:, None] * rng.normal(
        size=(len(prior.names), count)
    )
    values = dict(zip(prior.names, state, strict=True))
    zero = rng.normal(0, reading.u_systematic_mm, count)
    width = read["width_mm"] - zero + rng.normal(0, reading.u_own_mm, count)
    crown, girdle, pavilion = heights(ROUND, values)
    misses = [
        (read["length_mm"] - zero - width * values["length_ratio"]) / reading.u_own_mm,
        (read["depth_mm"] - zero - width * (crown + girdle + pavilion)) / reading.u_own_mm,
        (read["table_pct"] - values["table_pct"]) / u_table,
    ]
    weights = np.exp(-0.5 * sum(miss**2 for miss in misses))
    weights /= weights.sum()
    assert 1 / np.sum(weights**2) > 1500
    density = material("corundum")
    volume = terms_of(ROUND).volume(values, crown, girdle, pavilion) * width**3
    volume = volume * values["fill_pct"] / 100
    weight = carats_from(volume, rng.normal(density.density_g_cm3, density.density_u_g_cm3, count))
    mean = np.sum(weights * weight)
    deviation = math.sqrt(np.sum(weights * (weight - mean) ** 2))
    found = weigh(ROUND, "corundum", **read).weight_ct
    assert found.value == pytest.approx(mean, abs=0.1 * deviation)
    assert found.u == pytest.approx(deviation, rel=0.05)


@pytest.mark.parametrize(
    ("name", "make"), [("oval-brilliant", "commercial"), ("emerald", "native")]
)
def test_interval_holds_the_weight_of_stones_drawn_from_the_style(name: str, make: str) -> None:
    """95 % of 200 solids, read with a caliper that errs as it may; three binomial deviations."""
    style, rng, count = cut(name).in_make(make), np.random.default_rng(11), 200
    stones, width = drawn(style, count, seed=5), 6.0
    caliper = direct(1.0)
    density = material("corundum")
    truth = np.array([exact_weight_ct(style, stone, width, 1.0) for stone in stones])
    truth *= rng.normal(density.density_g_cm3, density.density_u_g_cm3, count)
    zero = rng.normal(0, caliper.u_systematic_mm, count)

    def read(values: list[float]) -> np.ndarray:
        return np.array(values) + zero + rng.normal(0, caliper.u_own_mm, count)

    found = weigh_list(
        style,
        density,
        {
            "length_mm": read([width * stone["length_ratio"] for stone in stones]),
            "width_mm": read([width] * count),
            "depth_mm": read([width * sum(heights(style, stone)) for stone in stones]),
        },
    )
    held = np.mean((found.low_ct <= truth) & (truth <= found.high_ct))
    three = 3 * math.sqrt(0.95 * 0.05 / count)
    assert 0.95 - three <= held <= min(0.95 + three, 1.0)
    scaled = (np.log(found.weight_ct / truth)) / (found.u_ct / found.weight_ct)
    # The estimate is neither high nor low: a mean of 200 is known to 0.07 of the spread.
    assert abs(scaled.mean()) < 0.25


def test_mass_settles_the_weight() -> None:
    found = weigh(OVAL, "sapphire", mass_ct=Figure(value=1.62, u=0.003), **SIZE)
    assert found.weight_ct.value == pytest.approx(1.62, abs=0.003)
    assert found.weight_ct.u <= 0.003


def test_several_readings_count_as_one_with_less_scatter() -> None:
    once = weigh(OVAL, "sapphire", **{**SIZE, "depth_mm": 4.05})
    thrice = weigh(OVAL, "sapphire", **{**SIZE, "depth_mm": [4.05, 4.06, 4.04]})
    two_kinds = weigh(
        OVAL,
        "sapphire",
        **{**SIZE, "depth_mm": [direct(4.05), direct(4.1, instrument="seller-0.1")]},
    )
    assert thrice.sizes_mm["depth_mm"].u < once.sizes_mm["depth_mm"].u
    assert two_kinds.sizes_mm["depth_mm"].value > once.sizes_mm["depth_mm"].value


def test_sellers_rounded_sizes_widen_the_interval() -> None:
    rounded = {name: direct(size, instrument="seller-0.1") for name, size in SIZE.items()}
    assert (
        weigh(OVAL, "sapphire", **rounded).weight_ct.u > weigh(OVAL, "sapphire", **SIZE).weight_ct.u
    )


def test_depth_of_a_mounted_stone_is_assumed() -> None:
    seen = {"length_mm": 8.1, "width_mm": 6.1}
    found = weigh(OVAL, "sapphire", **seen)
    assert found.next_readings[0][0] == "depth_mm"
    assert found.weight_ct.low < weigh(OVAL, "sapphire", **SIZE).weight_ct.value
    assert {item.name for item in found.assumed} >= {"crown_height_pct", "pavilion_depth_pct"}
    assert all(item.source for item in found.assumed)


def test_shares_add_up_and_name_what_was_read_and_assumed() -> None:
    for styles in (OVAL, every_make(OVAL)):
        shares = weigh(styles, "sapphire", table_pct=58, **SIZE).shares
        assert sum(shares.values()) == pytest.approx(1, abs=1e-9)
        assert {"depth_mm", "caliper outside", "girdle_pct", "density_g_cm3"} <= set(shares)


@pytest.mark.parametrize("name", ["girdle_mm", "pavilion_bulge_mm", "table_mm", "crown_height_mm"])
def test_gain_is_what_the_reading_brings(name: str) -> None:
    """Take the reading, as expected: u shrinks by the gain announced, to 10 %.

    The gain is linear, and takes the reading's error as its own where the caliper's is shared.
    """
    before = weigh(OVAL, "sapphire", **SIZE)
    gain = dict(before.next_readings)[name]
    expected = before.proportions[name.removesuffix("_mm") + "_pct"].value / 100
    reading = direct(expected * before.sizes_mm["width_mm"].value)
    after = weigh(OVAL, "sapphire", **SIZE, **{name: reading})
    assert before.weight_ct.u - after.weight_ct.u == pytest.approx(
        gain, rel=0.1, abs=0.01 * before.weight_ct.u
    )
    assert after.weight_ct.value == pytest.approx(before.weight_ct.value, rel=0.002)


def test_uneven_girdle_counts_as_its_mean() -> None:
    even = weigh(OVAL, "sapphire", girdle_mm=0.4, **SIZE)
    uneven = weigh(OVAL, "sapphire", girdle_least_mm=0.2, girdle_most_mm=0.6, **SIZE)
    assert uneven.weight_ct.value == pytest.approx(even.weight_ct.value, rel=0.01)
    assert uneven.weight_ct.u > even.weight_ct.u
    with pytest.raises(FitsolverError, match="go together"):
        weigh(OVAL, "sapphire", girdle_least_mm=0.2, **SIZE)


def test_a_fixed_proportion_can_be_read() -> None:
    pointed = weigh(ROUND, "sapphire", length_mm=6.5, width_mm=6.5, depth_mm=4.2)
    blunt = weigh(ROUND, "sapphire", length_mm=6.5, width_mm=6.5, depth_mm=4.2, culet_pct=12)
    assert pointed.proportions["culet_pct"].value == 0
    assert blunt.proportions["culet_pct"].value == pytest.approx(12, abs=0.2)


def test_readings_decide_between_makes() -> None:
    flat = weigh(every_make(OVAL), "sapphire", **{**SIZE, "depth_mm": 3.78})
    deep = weigh(every_make(OVAL), "sapphire", **{**SIZE, "depth_mm": 5.4})
    assert sum(deep.makes.values()) == pytest.approx(1)
    assert max(deep.makes, key=deep.makes.__getitem__) == "native"
    # Well-cut stones count a sixth before measuring.
    assert flat.makes["well-cut"] > 2 / 6 > 2 * deep.makes["well-cut"]
    assert "make" in flat.shares


def test_handbook_stands_beside_the_estimate_by_name_and_form() -> None:
    found = weigh(OVAL, "sapphire", **SIZE)
    assert found.handbook is not None
    length, width, depth = (found.sizes_mm[name].value for name in SIZE)
    plan = {"length x width": length * width, "mean diameter squared": ((length + width) / 2) ** 2}
    assert found.handbook.weight_ct == pytest.approx(
        plan[found.handbook.form] * depth * 4.0 * found.handbook.k
    )
    assert found.coefficient == pytest.approx(
        found.weight_ct.value / (length * width * depth * 4.0), rel=1e-9
    )


def test_no_girdle_is_thinner_than_nothing() -> None:
    """A stone so flat that its girdle would be less than nothing; what was read stays as read."""
    read = {"length_mm": 6.0, "width_mm": 6.0, "depth_mm": 2.7}
    found = weigh(ROUND.in_make("well-cut"), "diamond", **read)
    assert found.proportions["girdle_pct"].value == 0
    for name, size in read.items():
        assert found.sizes_mm[name].value == pytest.approx(size, abs=0.05)
    assert any("do not fit" in text for text in found.warnings)


# --- what cannot be, and what is odd ------------------------------------------------------------


@pytest.mark.parametrize("size", ["length_mm", "width_mm", "depth_mm"])
@pytest.mark.parametrize("value", [0.0, -6.0, math.nan, math.inf, 400.0])
def test_impossible_sizes_are_refused(size: str, value: float) -> None:
    with pytest.raises(OutOfRange) as caught:
        weigh(OVAL, "sapphire", **{**SIZE, size: value})
    assert caught.value.name == size


def test_width_over_length_is_refused_with_the_convention() -> None:
    with pytest.raises(OutOfRange, match="length: longest diameter; width: shortest"):
        weigh(OVAL, "sapphire", length_mm=6.1, width_mm=8.1)


def test_unknown_names_are_refused_with_a_suggestion() -> None:
    with pytest.raises(UnknownName, match="did you mean table_pct") as caught:
        weigh(OVAL, "sapphire", tabel_pct=58, **SIZE)
    assert caught.value.suggestions[0] == "table_pct"
    with pytest.raises(UnknownName, match="did you mean sapphire"):
        weigh(OVAL, "saphire", **SIZE)


def test_a_weight_needs_a_size() -> None:
    with pytest.raises(FitsolverError, match="length_mm"):
        weigh(OVAL, "sapphire", depth_mm=4)


@pytest.mark.parametrize("value", [0.5, 9.0])
def test_density_outside_gem_materials_is_refused(value: float) -> None:
    with pytest.raises(OutOfRange, match="density_g_cm3"):
        weigh(OVAL, "sapphire", density_g_cm3=value, **SIZE)


def test_a_length_is_no_proportion() -> None:
    with pytest.raises(FitsolverError, match="table_pct is no length"):
        weigh(OVAL, "sapphire", table_pct=direct(3.5), **SIZE)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"depth_mm": 8.0}, "depth is 131 % of the width"),
        ({"depth_mm": 0.9}, "depth is 15 % of the width"),
        ({"length_mm": 14.0}, "length_ratio is 2.295, outside"),
        ({"table_pct": 85.0}, "table_pct is 85, outside"),
        ({"crown_height_mm": 2.6, "pavilion_depth_mm": 2.6}, "the readings do not fit"),
    ],
)
def test_odd_stones_are_weighed_with_a_warning(change: dict[str, float], text: str) -> None:
    assert weigh(OVAL, "sapphire", **SIZE).warnings == ()
    assert any(text in line for line in weigh(OVAL, "sapphire", **{**SIZE, **change}).warnings)


# --- a parcel -----------------------------------------------------------------------------------


def test_a_parcel_weighs_what_its_stones_weigh_one_by_one() -> None:
    sizes = np.array([[8.1, 6.1, 4.05], [7.0, 5.0, 3.3], [12.0, 10.0, 6.5]])
    columns = dict(zip(SIZE, sizes.T, strict=True))
    for styles in (OVAL, every_make(OVAL)):
        together = weigh_list(styles, "sapphire", columns)
        for row, size in enumerate(sizes):
            alone = weigh(styles, "sapphire", **dict(zip(SIZE, size, strict=True))).weight_ct
            found = (array[row] for array in (together.weight_ct, together.u_ct))
            assert tuple(found) == pytest.approx((alone.value, alone.u), rel=1e-9)
            assert together.low_ct[row] == pytest.approx(alone.low, rel=1e-9)
            assert together.high_ct[row] == pytest.approx(alone.high, rel=1e-9)


def test_bad_rows_are_named_and_the_good_ones_kept() -> None:
    columns = {
        "length_mm": [8.1, 8.1, 5.0, np.nan, 8.1],
        "width_mm": [6.1, 0.0, 6.1, np.nan, 6.1],
        "depth_mm": [4.05, 4.05, 4.05, 4.05, np.nan],
    }
    found = weigh_list(OVAL, "sapphire", columns)
    assert [row for row, _ in found.faults] == [1, 2, 3]
    reasons = dict(found.faults)
    assert "width_mm = 0" in reasons[1]
    assert "longest diameter" in reasons[2]
    assert "neither length_mm nor width_mm" in reasons[3]
    assert np.isnan(found.weight_ct[[1, 2, 3]]).all()
    alone = weigh(OVAL, "sapphire", **SIZE).weight_ct
    assert found.weight_ct[0] == pytest.approx(alone.value, rel=1e-9)
    unseen = weigh(OVAL, "sapphire", length_mm=8.1, width_mm=6.1).weight_ct
    assert (found.weight_ct[4], found.u_ct[4]) == pytest.approx((unseen.value, unseen.u), rel=1e-6)


def test_an_empty_parcel_is_a_result() -> None:
    found = weigh_list(OVAL, "sapphire", {"length_mm": [], "width_mm": []})
    assert len(found.weight_ct) == 0


def test_stated_uncertainties_take_the_place_of_the_caliper() -> None:
    columns = {name: [size] for name, size in SIZE.items()}
    exact = weigh_list(OVAL, "sapphire", columns, u=dict.fromkeys(SIZE, 1e-4))
    caliper = weigh_list(OVAL, "sapphire", columns)
    rounded = weigh_list(OVAL, "sapphire", columns, instrument="seller-0.5")
    assert exact.u_ct[0] < caliper.u_ct[0] < rounded.u_ct[0]


# --- mass against size --------------------------------------------------------------------------


def test_implied_density_undoes_the_weight() -> None:
    weight = weigh(OVAL, "sapphire", **SIZE)
    density = implied_density(OVAL, weight.weight_ct.value, **SIZE)
    # The weight is the volume times 4.00; its u also holds that of the material's density.
    assert density.value == pytest.approx(4.0, rel=1e-6)
    assert density.low < 4.0 < density.high
    assert density.u / density.value < weight.weight_ct.u / weight.weight_ct.value + 0.003


def test_consistency_names_materials_but_no_identity() -> None:
    weight = weigh(OVAL, "sapphire", **SIZE).weight_ct.value
    found = consistency(implied_density(OVAL, weight, **SIZE), "sapphire")
    names = [item.material for item in found.materials_compatible]
    assert found.offered is not None
    assert found.offered.compatible
    assert {"corundum", "almandine"} <= set(names)
    assert "quartz" not in names
    assert "standard uncertainties" in found.measure
    assert "natural" in found.cannot_tell


def test_offered_material_that_does_not_agree_is_said_to_disagree() -> None:
    found = consistency(implied_density(OVAL, 1.1, **SIZE), "sapphire")
    assert found.offered is not None
    assert not found.offered.compatible
    assert "corundum" not in [item.material for item in found.materials_compatible]


def test_masses_are_checked() -> None:
    with pytest.raises(OutOfRange, match="mass_ct"):
        implied_density(OVAL, 0.0, **SIZE)


def test_styles_must_be_one() -> None:
    with pytest.raises(FitsolverError, match="one cut style"):
        weigh([OVAL, ROUND], "sapphire", **SIZE)


def test_a_changed_style_is_a_style_of_its_own() -> None:
    """Terms and priors are kept by style: a style with other proportions must not share them."""
    thick = replace(OVAL.proportions["girdle_pct"], typical=9.0)
    changed = replace(OVAL, proportions={**OVAL.proportions, "girdle_pct": thick})
    assert (
        weigh(changed, "sapphire", **SIZE).weight_ct.value
        > weigh(OVAL, "sapphire", **SIZE).weight_ct.value
    )
