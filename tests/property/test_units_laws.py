"""Laws of lengths and weights."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitsolver.units import (
    OLD_CARATS,
    carats_from,
    document_weight_ct,
    format_mm,
    metric_carats_from_old,
    parse_length_mm,
    stated_range_ct,
)

lengths = st.floats(-100.0, 100.0)
micrometres = st.integers(0, 150_000)
weights = st.floats(0.0, 500.0)
points = st.integers(0, 50_000)


@given(micrometres)
def test_comma_and_point_read_the_same(thousandths: int) -> None:
    text = f"{thousandths / 1000:.3f}"
    assert parse_length_mm(text.replace(".", ",")) == parse_length_mm(text)


@given(micrometres, st.sampled_from(["", " ", "\t", "\u00a0"]), st.sampled_from(["", "mm", " mm"]))
def test_blanks_and_the_unit_change_nothing(thousandths: int, blank: str, unit: str) -> None:
    text = f"{thousandths / 1000:.3f}"
    assert parse_length_mm(blank + text + unit + blank) == float(text)


@given(lengths)
def test_a_number_is_read_as_itself(value: float) -> None:
    assert parse_length_mm(value) == value


@given(lengths, st.integers(0, 6))
def test_what_is_written_is_read_back_to_the_last_place(value: float, decimals: int) -> None:
    back = parse_length_mm(format_mm(value, decimals))
    # Half of the last place, and the rounding of a double near 100 (1.4e-14).
    assert back == pytest.approx(value, abs=0.5 * 10.0**-decimals + 2e-14)


@given(st.text(max_size=12))
def test_any_text_is_a_finite_length_or_a_clear_refusal(text: str) -> None:
    # Nothing but a ValueError may come out, and it shows the text that was given.
    refusal = None
    try:
        value = parse_length_mm(text)
    except ValueError as error:
        refusal = str(error)
    assert math.isfinite(value) if refusal is None else repr(text) in refusal


@given(st.floats(0.01, 5000.0), st.floats(1.0, 8.0), st.floats(0.1, 10.0))
def test_scaling_a_stone_scales_its_weight_by_the_cube(
    volume: float, density: float, scale: float
) -> None:
    grown = carats_from(volume * scale**3, density)
    assert grown == pytest.approx(carats_from(volume, density) * scale**3, rel=1e-14)


@given(weights, weights)
def test_the_heavier_stone_is_never_written_lighter(one: float, other: float) -> None:
    light, heavy = sorted((one, other))
    assert document_weight_ct(light) <= document_weight_ct(heavy)


@given(weights)
def test_a_document_overstates_by_a_thousandth_at_most(weight: float) -> None:
    written = document_weight_ct(weight)
    # Up by at most 0.001 from a nine, down by less than 0.009; 1e-6 is the stated pre-rounding.
    excess = written - Decimal(repr(weight))
    assert Decimal("-0.009") - Decimal("1e-6") < excess <= Decimal("0.001") + Decimal("1e-6")
    assert written == written.quantize(Decimal("0.01"))


@given(points)
def test_whole_points_are_written_as_they_are(hundredths: int) -> None:
    assert document_weight_ct(hundredths / 100) == Decimal(hundredths).scaleb(-2)


@given(st.integers(0, 9_999))
def test_stated_ranges_follow_one_another_without_gap_or_overlap(thousandths: int) -> None:
    stated = Decimal(thousandths).scaleb(-3)
    low, high = stated_range_ct(str(stated))
    after, _ = stated_range_ct(str(stated + Decimal("0.001")))
    assert low <= stated <= high
    assert after - high == Decimal("0.0001")


@given(st.floats(0.01, 100.0), st.sampled_from(sorted(OLD_CARATS)))
def test_old_weights_add_up(old_ct: float, place: str) -> None:
    parts = metric_carats_from_old(old_ct, place) + metric_carats_from_old(1.0, place)
    assert metric_carats_from_old(old_ct + 1.0, place) == pytest.approx(parts, rel=1e-14)
