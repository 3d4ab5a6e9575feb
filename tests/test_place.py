"""Directions in words."""

from __future__ import annotations

import pytest

from fitsolver.text.place import dial, hours, place_words


@pytest.mark.parametrize(
    ("direction", "said"),
    [
        (0, "3 o'clock"), (90, "12 o'clock"), (180, "9 o'clock"), (270, "6 o'clock"),
        (30, "2 o'clock"), (60, "1 o'clock"), (120, "11 o'clock"), (359, "3 o'clock"),
        (41, "between 1 and 2 o'clock"), (75, "between 12 and 1 o'clock"),
        (105, "between 11 and 12 o'clock"), (345, "between 3 and 4 o'clock"),
    ],
)  # fmt: skip
def test_the_dial_has_12_up_and_3_to_the_right(direction, said):
    assert hours(direction) == said


def test_a_direction_and_a_full_turn_more_are_one():
    assert [hours(k) for k in range(0, 360, 7)] == [hours(k + 360) for k in range(0, 360, 7)]


def test_near_a_claw_the_claw_is_named():
    assert place_words(50, (40, 140)) == "at the claw at 40 deg"
    assert place_words(355, (3, 90)) == "at the claw at 3 deg"
    assert place_words(60, (40, 140)) == "60 deg, at 1 o'clock"


def test_a_column_has_degrees_and_hours():
    assert dial(142.4) == "142 deg, 10-11 o'clock"
