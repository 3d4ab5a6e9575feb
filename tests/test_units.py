"""Lengths and weights, read and written as people do."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitsolver import units


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("6.5", 6.5),
        ("6,5", 6.5),
        (" 6.50 mm", 6.5),
        ("6,5mm", 6.5),
        ("6,5\u00a0mm", 6.5),  # a no-break space, as word processors put before a unit
        ("6", 6.0),
        (",5", 0.5),
        ("+0.25", 0.25),
        ("-0,25", -0.25),
        ("\u22120.25", -0.25),  # the typographic minus
        ("1,234", 1.234),
        (6.5, 6.5),
        (7, 7.0),
        (np.float32(0.5), 0.5),
        (np.int64(3), 3.0),
    ],
)
def test_lengths_as_people_write_them(text: str | float, expected: float) -> None:
    assert units.parse_length_mm(text) == expected


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('0.25"', "looks like inches"),
        ("0.25 in", "looks like inches"),
        ("1/4 inch", "looks like inches"),
        ("0.25\u2033", "looks like inches"),
        ("0,65 cm", "is in cm"),
        ("6.5 ct", "is in ct"),
        ("1.234,5", "ambiguous"),
        ("1,234.5 mm", "ambiguous"),
        ("1.234.567", "ambiguous"),
        ("1 234", "ambiguous"),
        ("nan", "not a length"),
        (math.nan, "not a finite length"),
        (math.inf, "not a finite length"),
        (-math.inf, "not a finite length"),
        ("9" * 400, "not a finite length"),
        (10**400, "not a finite length"),
        ("", "not a length"),
        ("   ", "not a length"),
        ("mm", "not a length"),
        (".", "not a length"),
        ("6 1/2", "not a length"),
        ("1e3", "not a length"),
        ("six", "not a length"),
        ("6.5 mm 7", "not a length"),
        ("\u0666", "not a length"),  # an Arabic-Indic six: accepted by float(), not here
        (True, "not a length"),
        (None, "not a length"),
        ([6.5], "not a length"),
    ],
)
def test_what_is_no_length_is_refused_with_a_clear_text(text: object, says: str) -> None:
    with pytest.raises(ValueError, match=says) as caught:
        units.parse_length_mm(text)  # type: ignore[arg-type]
    assert "millimetres" in str(caught.value) or "like 6.5 or 6,5" in str(caught.value)


def test_one_carat_of_water_density_is_two_hundred_cubic_millimetres() -> None:
    # 0.2 g of a substance of 1 g/cm3 is 0.2 cm3 = 200 mm3: the definition of the carat.
    assert units.carats_from(200.0, 1.0) == pytest.approx(1.0, rel=1e-15)


def test_carats_broadcast_volumes_against_densities() -> None:
    volumes = np.array([[50.0], [100.0]])
    densities = np.array([3.52, 4.00, 2.15])
    carats = units.carats_from(volumes, densities)
    assert carats.shape == (2, 3)
    # ct = V x rho x 0.005; four roundings of double precision at the most.
    np.testing.assert_allclose(carats, volumes * densities * 0.005, rtol=1e-15)


def test_same_stone_in_three_materials() -> None:
    # International Gem Society size chart: 6.5 mm round, 1.00 ct at 3.52, 1.14 at 4.00, 0.61 at
    # 2.15. The chart prints two decimals, and its 1.00 is itself rounded: 0.005 x (1 + 4/3.52).
    volume = 1.00 / (3.52 * 0.005)
    assert units.carats_from(volume, 4.00) == pytest.approx(1.14, abs=0.011)
    assert units.carats_from(volume, 2.15) == pytest.approx(0.61, abs=0.011)


def test_ring_sizes_of_the_standard() -> None:
    # ISO 8653:2016, size 54 is 17.2 mm across, 52 is 16.6 mm; the table prints one decimal.
    assert units.ring_diameter_mm(54) == pytest.approx(17.2, abs=0.05)
    assert units.ring_diameter_mm(52) == pytest.approx(16.6, abs=0.05)


def test_lengths_and_weights_are_written_with_their_unit() -> None:
    assert units.format_mm(6.5) == "6.50 mm"
    assert units.format_mm(0.4567, 3) == "0.457 mm"
    assert units.format_mm(-0.25) == "-0.25 mm"
    assert units.format_mm(-0.0004) == "0.00 mm"
    assert units.format_ct(0.5) == "0.50 ct"
    assert units.format_ct(1.0149, approximately=True) == "approximately 1.01 ct"


@pytest.mark.parametrize("weight", [-0.01, math.nan, math.inf, 1e12])
def test_what_is_no_weight_is_refused(weight: float) -> None:
    with pytest.raises(ValueError, match="is not a weight"):
        units.document_weight_ct(weight)


@pytest.mark.parametrize("text", ["", "-0.5", "half", "1e2", "1.2.3", "nan"])
def test_what_is_no_stated_weight_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a weight"):
        units.stated_range_ct(text)


def test_unknown_place_of_an_old_carat_lists_the_known() -> None:
    with pytest.raises(ValueError, match=r"no old carat for 'paris'; known: .*amsterdam"):
        units.metric_carats_from_old(1.0, "paris")


def test_every_old_carat_is_near_the_metric_one_and_has_a_source() -> None:
    # All old carats lay between 0.19 and 0.21 g: a slipped digit would fall outside.
    for place, old in units.OLD_CARATS.items():
        assert 0.19 < old.mass_g < 0.21, place
        assert old.source, place
