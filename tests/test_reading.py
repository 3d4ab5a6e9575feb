"""Readings: each kind, each cause of doubt, and the laws they follow.

Expected figures are worked out by hand from DIN 862 (0.02 mm over short ranges, 0.02 mm more for
inside and depth) and from JCGM 100:2008, 4.3.7: u = a / sqrt(3). Comparisons are to 1e-12 mm, the
rounding of doubles, unless said otherwise.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitsolver.errors import FitsolverError, OutOfRange, UnknownName
from fitsolver.readings import reading
from fitsolver.readings.instrument import INSTRUMENTS, Instrument, instrument
from fitsolver.readings.reading import Reading

ROOT_3 = math.sqrt(3.0)
STEP_U = 0.005 / ROOT_3  # half of the caliper's 0.01 mm step

sizes = st.floats(1.0, 40.0)
repeats = st.lists(sizes, min_size=1, max_size=8)


def near(value: float) -> object:
    return pytest.approx(value, abs=1e-12)


# Instruments


def test_caliper_holds_what_the_standard_says() -> None:
    caliper = INSTRUMENTS["caliper"]
    assert caliper.half_width_mm("outside") == 0.02
    assert caliper.half_width_mm("inside") == 0.04
    assert caliper.half_width_mm("depth") == 0.04


@pytest.mark.parametrize("name", INSTRUMENTS)
def test_every_instrument_has_its_name_a_source_and_some_doubt(name: str) -> None:
    known = instrument(name)
    assert known.name == name
    assert known.source
    assert reading.direct(5.0, instrument=known).u_mm > 0.0


def test_the_bench_is_complete() -> None:
    assert set(INSTRUMENTS) == {
        "caliper",
        "gauge-plate",
        "stone-gauge",
        "seller-0.1",
        "seller-0.5",
        "ring-stick",
    }


def test_overriding_one_figure_keeps_the_others_and_says_so() -> None:
    mine = instrument("caliper", permissible_error_mm=0.03)
    assert mine.half_width_mm("inside") == near(0.05)
    assert mine.repeatability_mm == INSTRUMENTS["caliper"].repeatability_mm
    assert mine.source.startswith("given by the user: permissible_error_mm; otherwise DIN 862")
    assert instrument("caliper", source="checked with blocks").source == "checked with blocks"
    assert instrument("caliper") is INSTRUMENTS["caliper"]


def test_a_new_instrument_needs_its_permissible_error() -> None:
    dial = instrument("dial-gauge", permissible_error_mm=0.01, source="maker's sheet, invented")
    assert dial == Instrument(
        name="dial-gauge", permissible_error_mm=0.01, source="maker's sheet, invented"
    )
    with pytest.raises(UnknownName, match="did you mean caliper"):
        instrument("calliper")


@pytest.mark.parametrize("figure", [-0.01, math.nan, math.inf, 6.0])
def test_an_impossible_figure_is_refused(figure: float) -> None:
    with pytest.raises(OutOfRange, match="step_mm"):
        instrument("caliper", step_mm=figure)


# Direct readings


def test_one_outside_reading_of_a_caliper() -> None:
    width = reading.direct(6.10)
    assert width.value_mm == 6.10
    assert width.u_systematic_mm == near(0.02 / ROOT_3)
    assert width.u_scatter_mm == near(0.01)
    assert width.u_definition_mm == near(STEP_U)
    assert width.u_mm == near(math.sqrt(0.02**2 / 3 + 0.01**2 + 0.005**2 / 3))
    assert (width.cause, width.kind, width.repeats) == ("caliper outside", "direct", 1)
    assert not width.assumed


def test_depth_reading_adds_what_the_standard_adds() -> None:
    assert reading.direct(2.0, measure="depth").u_systematic_mm == near(0.04 / ROOT_3)


def test_repeats_shrink_scatter_only() -> None:
    one = reading.direct([6.10], definition_mm=0.05)
    nine = reading.direct([6.10] * 9, definition_mm=0.05)
    assert nine.u_scatter_mm == near(one.u_scatter_mm / 3)
    assert nine.u_systematic_mm == one.u_systematic_mm
    assert nine.u_definition_mm == one.u_definition_mm
    assert nine.repeats == 9


def test_repeats_that_scatter_more_than_the_instrument_are_believed() -> None:
    # 6.00, 6.10, 6.20: standard deviation 0.1 by hand, over the root of three.
    assert reading.direct([6.0, 6.1, 6.2]).u_scatter_mm == near(0.1 / ROOT_3)


def test_worn_edges_add_in_quadrature() -> None:
    worn = reading.direct(6.10, definition_mm=0.1)
    assert worn.u_definition_mm == near(math.hypot(0.1 / ROOT_3, STEP_U))


def test_flats_of_the_inside_jaws_under_read_a_small_bore() -> None:
    # A bore of 5 mm and flats of 1 mm: D - sqrt(D^2 - t^2) = 5 - sqrt(24) = 0.1010 by hand.
    tool = instrument("caliper", jaw_flat_mm=1.0)
    shown = math.sqrt(24.0)
    bore = reading.direct(shown, instrument=tool, measure="inside")
    assert 2 * bore.correction_mm == pytest.approx(0.1010, abs=5e-5)  # last digit printed
    assert bore.value_mm + bore.correction_mm == near(5.0)
    assert bore.value_mm - bore.correction_mm == near(shown)
    assert bore.u_systematic_mm == near(math.hypot(0.04, bore.correction_mm) / ROOT_3)
    assert bore.distribution == "one-sided"


def test_a_tighter_curve_under_reads_more() -> None:
    plain = reading.direct(8.0, measure="inside")
    tight = reading.direct(8.0, measure="inside", bore_mm=4.5)
    assert 2 * tight.correction_mm == near(4.5 - math.sqrt(4.5**2 - 0.8**2))
    assert tight.correction_mm > plain.correction_mm > 0.0
    with pytest.raises(OutOfRange, match="flats cannot enter"):
        reading.direct(8.0, measure="inside", bore_mm=0.8)


def test_the_readers_own_judgement_takes_the_instruments_place() -> None:
    judged = reading.direct(6.10, measure="inside", half_width_mm=0.15)
    assert judged.value_mm == 6.10
    assert judged.u_systematic_mm == 0.0
    assert judged.cause is None
    assert judged.u_definition_mm == near(0.15 / ROOT_3)
    assert judged.half_width_mm == near(0.15)


@pytest.mark.parametrize(("name", "half_width"), [("seller-0.1", 0.05), ("seller-0.5", 0.25)])
def test_a_sellers_rounded_size_is_rectangular_and_shares_nothing(
    name: str, half_width: float
) -> None:
    size = reading.direct(6.5, instrument=name)
    assert size.u_mm == near(half_width / ROOT_3)
    assert size.half_width_mm == near(half_width)
    assert (size.cause, size.distribution) == (None, "rectangular")


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf, 151.0])
def test_what_no_caliper_can_show_is_refused(value: float) -> None:
    with pytest.raises(OutOfRange):
        reading.direct(value)


def test_no_reading_at_all_is_refused() -> None:
    with pytest.raises(FitsolverError, match="holds no value"):
        reading.direct([])


@pytest.mark.parametrize("argument", ["half_width_mm", "definition_mm"])
def test_a_negative_half_width_is_refused(argument: str) -> None:
    with pytest.raises(OutOfRange, match=argument):
        reading.direct(6.1, **{argument: -0.1})  # type: ignore[arg-type]


# Readings made of several


def test_a_difference_counts_the_permissible_error_for_both() -> None:
    wall = reading.difference([2.10, 2.12], 1.20)
    assert wall.value_mm == near(0.91)
    assert wall.u_systematic_mm == near(math.sqrt(2) * 0.04 / ROOT_3)
    # The pair scatters 0.0141 by its own spread, the single one 0.01 by repeatability.
    assert wall.u_scatter_mm == near(math.hypot(0.02 / math.sqrt(2) / math.sqrt(2), 0.01))
    assert wall.u_definition_mm == near(math.sqrt(2) * STEP_U)
    assert (wall.kind, wall.cause, wall.repeats) == ("difference", "caliper depth difference", 1)


def test_swapped_depths_are_noticed() -> None:
    with pytest.raises(OutOfRange, match="part taken off is too large") as caught:
        reading.difference(1.2, 2.1)
    assert caught.value.value == near(-0.9)


def test_an_opening_between_two_claws_each_measured() -> None:
    opening = reading.outside_minus_metal(8.30, [1.02, 0.98], level="rim")
    assert opening.value_mm == near(6.30)
    assert opening.u_systematic_mm == near(0.02)  # sqrt(3) x 0.02 / sqrt(3)
    assert opening.u_scatter_mm == near(ROOT_3 * 0.01)
    assert opening.cause == "caliper outside outside-minus-metal"


def test_an_opening_between_two_claws_one_measured() -> None:
    opening = reading.outside_minus_metal(8.30, 1.00)
    assert opening.value_mm == near(6.30)
    assert opening.u_systematic_mm == near(math.sqrt(5) * 0.02 / ROOT_3)
    both = reading.outside_minus_metal(8.30, [1.00, 1.00])
    assert opening.u_mm > both.u_mm


def test_metal_thicker_than_the_span_is_noticed() -> None:
    with pytest.raises(OutOfRange, match="outside-minus-metal reading"):
        reading.outside_minus_metal(2.0, 1.5)


def test_a_gauge_tried_gives_an_interval() -> None:
    opening = reading.tried(6.0, 6.25, level="girdle")
    assert opening.value_mm == near(6.125)
    assert opening.u_definition_mm == near(0.125 / ROOT_3)
    assert opening.u_systematic_mm == near(0.02 / ROOT_3)
    assert (opening.kind, opening.distribution) == ("tried", "rectangular")
    assert opening.cause == "gauge-plate inside"
    assert reading.tried(6.0, 6.25, instrument="stone-gauge").u_mm > opening.u_mm
    with pytest.raises(OutOfRange, match="larger than drops_in"):
        reading.tried(6.25, 6.0)


def test_an_assumed_value_is_marked_and_has_a_source() -> None:
    thickness = reading.assumed(0.6, 0.15, source="common practice", note="wall not reached")
    assert thickness.assumed
    assert thickness.u_mm == 0.15
    assert thickness.cause is None
    assert thickness.distribution == "normal"
    with pytest.raises(FitsolverError, match="needs a source"):
        reading.assumed(0.6, 0.15, source=" ")
    with pytest.raises(OutOfRange):
        reading.assumed(0.6, -0.1, source="common practice")


def test_a_reading_is_a_frozen_record() -> None:
    with pytest.raises(AttributeError):
        reading.direct(6.1).value_mm = 6.2  # type: ignore[misc]


# Shared causes


def test_readings_of_one_caliper_move_together_and_others_do_not() -> None:
    length = reading.direct(8.1)
    width = reading.direct(6.1)
    depth = reading.direct(3.1, measure="depth")
    wall = reading.difference(2.1, 1.2)
    prior = reading.assumed(0.6, 0.1, source="common practice")
    together = reading.covariance_mm2([length, width, depth, wall, prior])
    assert together[0, 1] == near(0.02**2 / 3)
    np.testing.assert_array_equal(together, together.T)
    np.testing.assert_array_equal(np.triu(together, 1)[1:], 0.0)
    np.testing.assert_array_equal(together[0, 2:], 0.0)


def test_no_readings_have_an_empty_covariance() -> None:
    assert reading.covariance_mm2([]).shape == (0, 0)


def bench() -> st.SearchStrategy[Reading]:
    return st.one_of(
        st.builds(reading.direct, repeats, measure=st.sampled_from(["outside", "inside", "depth"])),
        st.builds(reading.difference, st.floats(2.0, 5.0), st.floats(0.5, 1.5)),
        st.builds(reading.outside_minus_metal, sizes.map(lambda size: size + 2), st.just(0.9)),
        st.builds(reading.tried, st.floats(5.0, 6.0), st.floats(6.1, 7.0)),
        st.builds(reading.direct, sizes, instrument=st.just("seller-0.1")),
    )


@given(st.lists(bench(), max_size=6))
def test_covariance_has_the_single_variances_and_none_below_zero(readings: list[Reading]) -> None:
    together = reading.covariance_mm2(readings)
    np.testing.assert_allclose(np.diag(together), [r.u_mm**2 for r in readings], rtol=1e-12)
    if readings:
        assert np.linalg.eigvalsh(together).min() > -1e-12


# Laws


@given(repeats, st.randoms())
def test_reading_order_does_not_matter(values: list[float], random: object) -> None:
    shuffled = list(values)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert reading.direct(shuffled, measure="inside") == reading.direct(values, measure="inside")


@given(repeats, st.sampled_from(["outside", "inside", "depth"]), st.floats(0.0, 0.2))
def test_no_number_of_repeats_beats_the_permissible_error(
    values: list[float], measure: reading.Measure, definition: float
) -> None:
    taken = reading.direct(values * 5, measure=measure, definition_mm=definition)
    assert taken.u_mm >= INSTRUMENTS["caliper"].half_width_mm(measure) / ROOT_3
    assert taken.u_mm == pytest.approx(math.hypot(taken.u_own_mm, taken.u_systematic_mm), rel=1e-12)


@given(sizes, st.floats(0.0, 0.9))
def test_the_true_bore_lies_within_the_corrected_reading(bore: float, flat: float) -> None:
    tool = instrument("caliper", jaw_flat_mm=flat)
    shown = math.sqrt(bore**2 - flat**2)
    taken = reading.direct(shown, instrument=tool, measure="inside")
    # On the edge of the interval by construction; 1e-9 mm for the roundings.
    assert taken.value_mm - taken.correction_mm - 1e-9 <= bore
    assert bore <= taken.value_mm + taken.correction_mm + 1e-9


@given(sizes, st.floats(0.0, 0.2), st.floats(0.0, 0.2))
def test_a_harder_edge_to_find_never_lowers_the_uncertainty(
    size: float, one: float, other: float
) -> None:
    sharp, worn = sorted((one, other))
    assert (
        reading.direct(size, definition_mm=sharp).u_mm
        <= reading.direct(size, definition_mm=worn).u_mm
    )
