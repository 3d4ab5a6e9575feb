"""The table of allowances: defaults, overrides, sources, and that nothing in it is idle."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import fitsolver
from fitsolver.errors import OutOfRange, UnknownName
from fitsolver.fitting.requirement import KINDS
from fitsolver.seats.allowance import TABLE, allowances


@pytest.mark.parametrize("name", TABLE)
class TestTable:
    def test_the_default_lies_in_the_range_that_makes_sense(self, name):
        item = TABLE[name]
        assert item.low <= item.default <= item.high
        assert item.low < item.high

    def test_it_says_what_it_means_and_whence_it_comes(self, name):
        item = TABLE[name]
        assert item.name == name
        assert item.meaning
        assert item.source

    def test_its_name_carries_its_unit(self, name):
        item = TABLE[name]
        assert name.endswith("_mm") == (item.unit == "mm")

    def test_some_rule_uses_it(self, name):
        """By its name in another module, or in pieces where the back or the metal chooses."""
        folder = Path(fitsolver.__file__).parent
        used = "\n".join(
            path.read_text(encoding="utf-8")
            for path in folder.rglob("*.py")
            if path.name != "allowance.py"
        )
        pattern = re.sub("open|closed", "(open|closed|{seats.back})", name)
        assert re.search(pattern.replace("{", r"\{").replace("}", r"\}"), used)


class TestPublishedValues:
    """The few that a publication settles (list of sources in the table)."""

    def test_notches(self):
        """At most 50 % of the claw; 70 % is a fault (Professional Jeweler, July 2004)."""
        item = TABLE["notch_share_max"]
        assert (item.default, item.high) == (0.50, 0.70)

    def test_finished_claws(self):
        """60 to 80 % of the crown height (GIA): the least of it is what must be there."""
        assert TABLE["claw_top_share"].default == 0.60

    def test_stones_are_read_by_a_caliper(self):
        """0.02 mm over short ranges (DIN 862), rectangular: 0.02 / sqrt(3) = 0.0115 mm."""
        assert TABLE["stone_reading_u_mm"].default == pytest.approx(0.0115, abs=0.001)


class TestOverrides:
    def test_nothing_overridden(self):
        found = allowances()
        assert dict(found) == {name: item.default for name, item in TABLE.items()}
        assert len(found) == len(TABLE)

    def test_a_mountings_own_value_takes_the_place_of_the_default(self):
        found = allowances({"gap_max_mm": 0.4})
        assert found["gap_max_mm"] == 0.4
        assert found["gap_min_mm"] == TABLE["gap_min_mm"].default
        assert found.source("gap_max_mm") == "set in the mounting file"
        assert found.source("gap_min_mm") == TABLE["gap_min_mm"].source

    def test_an_unknown_name_gets_a_suggestion(self):
        with pytest.raises(UnknownName) as error:
            allowances({"gap_maximum_mm": 0.4})
        assert error.value.suggestions[0] == "gap_max_mm"

    @pytest.mark.parametrize(("name", "value"), [("gap_max_mm", 3.0), ("notch_share_max", 0.75)])
    def test_a_value_that_makes_no_sense_is_refused(self, name, value):
        with pytest.raises(OutOfRange) as error:
            allowances({name: value})
        assert (error.value.low, error.value.high) == (TABLE[name].low, TABLE[name].high)

    def test_not_a_number_is_refused(self):
        with pytest.raises(OutOfRange):
            allowances({"gap_max_mm": float("nan")})


def test_every_requirement_names_allowances_that_exist():
    for kind in KINDS.values():
        assert kind.allowance in TABLE
        assert bool(kind.alteration) == bool(kind.alteration_allowance)
        assert not kind.alteration_allowance or kind.alteration_allowance in TABLE
