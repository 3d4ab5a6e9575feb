"""How many waves are told apart round a seat, how high they may be, what repeats make of them."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import mounting

from fitsolver.seats import wave
from fitsolver.seats.belief import belief
from fitsolver.seats.parameter import Columns, Parameter
from fitsolver.seats.usual_seat import WAVES

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


def seat(**changes: object):
    return mounting("", **{**WALL, **changes})


def widths(values) -> str:
    step = 360 / len(values)
    rows = (f"{{ at_deg = {k * step}, read = {v} }}" for k, v in enumerate(values))
    return "[" + ", ".join(rows) + "]"


@pytest.mark.parametrize(("read", "waves"), [(9, 5), (10, 5), (11, 6), (20, 10), (30, 12)])
def test_as_many_waves_as_two_readings_each_tell_apart(read, waves):
    """A wave takes two readings to tell (a cosine and a sine), and never more than twelve."""
    found = wave.fields(seat(ledge_width_mm=None, ledge_widths_mm=widths([0.4] * read)), 0.03)
    assert list(found["ledge_width"].numbers) == list(range(1, waves + 1))


def test_never_fewer_waves_than_usual():
    usual = WAVES["ledge_width"]
    for read in (3, 4):
        found = wave.fields(seat(ledge_width_mm=None, ledge_widths_mm=widths([0.4] * read)), 0.03)
        assert list(found["ledge_width"].numbers) == list(range(1, usual[-1] + 1))
    assert wave.fields(seat(), 0.03)["ledge_width"].numbers == usual


def test_it_strays_as_far_as_its_readings_do_and_no_less_than_supposed():
    far, near = [0.2, 0.6, 0.2, 0.6], [0.4, 0.401, 0.4, 0.401]
    for values, spread in ((far, 0.2), (near, 0.03)):
        found = wave.fields(seat(ledge_width_mm=None, ledge_widths_mm=widths(values)), 0.03)
        assert found["ledge_width"].spread == pytest.approx(spread)


def test_variance_at_a_place_is_that_of_drawn_waves():
    field = wave.Field(numbers=range(1, 5), spread=0.06)
    rng = np.random.default_rng(5)
    k = np.arange(1, 5)
    cosine, sine = rng.standard_normal((2, 100_000, 4)) * 0.06 / k
    for at in (0.0, 1.1):
        drawn = cosine @ np.cos(k * at) + sine @ np.sin(k * at)
        assert drawn.var() == pytest.approx(field.variance, rel=0.02)


def test_rows_are_cosines_and_sines_of_their_own_field_only():
    at = Columns((
        Parameter("ledge_width_mm"), *wave.parameters("ledge_width", (1, 3)),
        *wave.parameters("opening", (2,)),
    ))  # fmt: skip
    angle = np.array([0.0, 0.7, 4.0])
    rows = wave.rows(at, "ledge_width", angle)
    expected = [np.cos(angle), np.sin(angle), np.cos(3 * angle), np.sin(3 * angle)]
    assert rows[:, 1:5] == pytest.approx(np.column_stack(expected))
    assert not rows[:, [0, 5, 6]].any()


@pytest.mark.parametrize("repeats", [1, 2, 5])
def test_what_waves_add_to_a_reading_is_met_anew_by_every_repeat(repeats):
    """Variance of a mean of n independent places, JCGM 100, 4.2.3: the waves' own over n."""

    def variance(tau: float) -> float:
        of = belief(seat(ledge_width_mm=str([0.4] * repeats), irregularity_mm=tau))
        i = of.columns["ledge_width_mm"]
        return float(of.covariance[i, i])

    numbers = WAVES["ledge_width"]
    added = sum(((0.08**2 - 0.02**2) / k**2) for k in numbers) / repeats
    assert variance(0.08) - variance(0.02) == pytest.approx(added, rel=0.01)
