"""Laws of weighing: scale, order, doubt."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fitsolver.readings.reading import direct
from fitsolver.stones.cut import cut
from fitsolver.weighing.evidence import Figure
from fitsolver.weighing.weight import every_make, weigh, weigh_list

STYLES = {name: cut(name) for name in ("round-brilliant", "oval-mixed", "emerald", "oval-cabochon")}

# Deterministic, so that a law never fails on one run and holds on the next.
settings.register_profile("laws", deadline=None, derandomize=True, max_examples=25)
settings.load_profile("laws")

names = st.sampled_from(sorted(STYLES))
widths = st.floats(2.0, 12.0)
depths = st.floats(0.5, 0.8)
DOUBT = 0.01


def sizes(name: str, width: float, depth: float, doubt: float = DOUBT):
    """Readings of a stone at the style's usual length."""
    length = width * STYLES[name].length_ratio.typical
    return {
        "length_mm": direct(length, half_width_mm=doubt),
        "width_mm": direct(width, half_width_mm=doubt),
        "depth_mm": direct(width * depth, half_width_mm=doubt),
    }


def list_of(name: str, width: float, depth: float, u: float, **more: float):
    columns = {
        "length_mm": width * STYLES[name].length_ratio.typical,
        "width_mm": width,
        "depth_mm": width * depth,
        **more,
    }
    return weigh_list(STYLES[name], "corundum", columns, u=dict.fromkeys(columns, u))


@given(names, widths, depths, st.floats(0.5, 3.0))
def test_scale_by_s_gives_weight_by_s_cubed(name: str, width: float, depth: float, s: float):
    small = list_of(name, width, depth, 0.01)
    large = list_of(name, width * s, depth, 0.01 * s)
    # Steps and iterations follow the scale to rounding.
    assert large.weight_ct == pytest.approx(s**3 * small.weight_ct, rel=1e-6)
    assert large.u_ct == pytest.approx(s**3 * small.u_ct, rel=1e-5)


@given(names, widths, depths, st.permutations(["length_mm", "width_mm", "depth_mm", "girdle_mm"]))
def test_reading_order_does_not_matter(name: str, width: float, depth: float, order: list[str]):
    readings = {**sizes(name, width, depth), "girdle_mm": direct(0.03 * width)}
    style = every_make(STYLES[name])
    one = weigh(style, "corundum", **readings)
    other = weigh(style, "corundum", **{key: readings[key] for key in order})
    assert other.weight_ct.value == pytest.approx(one.weight_ct.value, rel=1e-9)
    assert other.weight_ct.u == pytest.approx(one.weight_ct.u, rel=1e-7)


@given(names, widths, depths, st.floats(1.1, 20.0))
def test_a_larger_doubt_never_narrows_the_weight(name: str, width: float, depth: float, f: float):
    fine, coarse = list_of(name, width, depth, 0.01), list_of(name, width, depth, 0.01 * f)
    # A coarser depth moves the estimate towards the usual stone, so u is compared relative to it.
    assert coarse.u_ct / coarse.weight_ct >= 0.999 * fine.u_ct / fine.weight_ct


@given(names, widths, depths)
def test_one_reading_more_never_widens_the_weight(name: str, width: float, depth: float):
    """By linear conditioning at one place; the place moves a little with the reading."""
    readings = sizes(name, width, depth)
    before = weigh(STYLES[name], "corundum", **readings)
    expected = before.proportions["girdle_pct"].value * before.sizes_mm["width_mm"].value / 100
    after = weigh(STYLES[name], "corundum", **readings, girdle_mm=expected)
    assert after.weight_ct.u <= 1.001 * before.weight_ct.u


@given(names, widths, depths, st.floats(1.01, 1.2))
def test_a_deeper_or_wider_stone_is_heavier(name: str, width: float, depth: float, f: float):
    usual = list_of(name, width, depth, 0.01).weight_ct
    assert list_of(name, width, depth * f, 0.01).weight_ct > usual
    assert list_of(name, width * f, depth / f, 0.01).weight_ct > usual


@given(names, widths, depths, st.floats(1.5, 7.5))
def test_weight_goes_with_density(name: str, width: float, depth: float, density: float):
    exact = Figure(value=density, u=1e-6)
    readings = sizes(name, width, depth)
    found = weigh(STYLES[name], "glass", density_g_cm3=exact, **readings).weight_ct
    unit = weigh(STYLES[name], "glass", density_g_cm3=Figure(value=4.0, u=1e-6), **readings)
    assert found.value == pytest.approx(unit.weight_ct.value * density / 4.0, rel=1e-6)


@given(names, widths, depths)
def test_interval_is_positive_and_holds_the_estimate(name: str, width: float, depth: float):
    columns = {"width_mm": np.array([width]), "depth_mm": np.array([np.nan])}
    found = weigh_list(STYLES[name], "corundum", columns)
    assert 0 < found.low_ct < found.weight_ct < found.high_ct
    assert list_of(name, width, depth, 0.01).low_ct > 0
