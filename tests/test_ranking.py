"""What counts how much in the order of cuts, and what is said of it."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import ClassVar

import pytest

from fitsolver.errors import InputFaults, OutOfRange, UnknownName
from fitsolver.files.datafile import parse_toml
from fitsolver.fitting.bench import bench
from fitsolver.fitting.merit import AS_GOOD, AS_GOOD_IN_ALL, LESS_GOOD, parts, reasons
from fitsolver.fitting.proposal import propose
from fitsolver.seats.mounting import mounting_from
from fitsolver.seats.ranking import PARTS, ranking
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"


def mounting_with(ranks: str):
    text = (EXAMPLES / "claw-ring.toml").read_text(encoding="utf-8")
    return mounting_from(parse_toml(f"{text}\n[ranking]\n{ranks}\n", name="claw-ring.toml"))


class TestWeights:
    def test_they_sum_to_one_however_they_are_given(self):
        for weights in (None, {"fill": 3}, {"probability": 0, "evenness": 0.1}):
            assert sum(ranking(weights).weights.values()) == pytest.approx(1)

    def test_only_the_given_one_changes_against_the_others(self):
        usual, changed = ranking().weights, ranking({"fill": 0.8}).weights
        assert changed["fill"] > usual["fill"]
        assert changed["probability"] / changed["evenness"] == pytest.approx(
            usual["probability"] / usual["evenness"]
        )

    def test_an_unknown_part_gets_a_suggestion(self):
        with pytest.raises(UnknownName) as error:
            ranking({"evennes": 1})
        assert error.value.suggestions[0] == "evenness"

    @pytest.mark.parametrize("value", [-0.1, 101.0, float("nan")])
    def test_a_weight_that_makes_no_sense_is_refused(self, value):
        with pytest.raises(OutOfRange):
            ranking({"fill": value})

    def test_something_has_to_count(self):
        with pytest.raises(OutOfRange):
            ranking(dict.fromkeys(PARTS, 0.0))


class TestInTheFile:
    def test_it_changes_the_ranking(self):
        assert bench(mounting_with('fill = "0,9"'), samples=8).ranking.weights["fill"] == (
            pytest.approx(0.9 / 1.7)
        )

    def test_faults_are_named_all_at_once(self):
        with pytest.raises(InputFaults) as error:
            mounting_with("fil = 0.3\nperiod = -1")
        keys = [fault.key for fault in error.value.faults]
        assert keys == ["ranking.fil", "ranking.period"]
        assert all(fault.line for fault in error.value.faults)

    def test_weights_of_nothing_are_a_fault(self):
        with pytest.raises(InputFaults, match="leaves no part that counts"):
            mounting_with("\n".join(f"{name} = 0" for name in PARTS))


@pytest.mark.parametrize(
    ("year", "part"), [(1799, 0.0), (1800, 1.0), (1850, 1.0), (1900, 1.0), (1901, 0.0), (None, 0.5)]
)
def test_a_period_holds_its_first_year_and_its_last(year, part):
    ready = SimpleNamespace(mounting=SimpleNamespace(period=year))
    style = SimpleNamespace(period_from=1800, period_to=1900)
    assert parts(ready, style, 1.0, 1.0, 1.0, 1.0)["period"] == part


def test_a_cut_still_made_is_of_any_later_time():
    style = SimpleNamespace(period_from=1800, period_to=None)
    for year, part in ((1799, 0.0), (2100, 1.0)):
        ready = SimpleNamespace(mounting=SimpleNamespace(period=year))
        assert parts(ready, style, 1.0, 1.0, 1.0, 1.0)["period"] == part


def test_what_counts_alone_decides_the_order():
    """An oval fills an oval opening better than a cushion, which may be surer to seat."""
    styles = [cut("oval-brilliant"), cut("cushion-brilliant"), cut("oval-cabochon")]
    for part in ("fill", "evenness"):
        weights = dict.fromkeys(PARTS, "0") | {part: "1"}
        ready = bench(mounting_with("\n".join(f"{k} = {v}" for k, v in weights.items())))
        found = propose(ready, material("corundum"), styles=styles).proposals
        merits = [round(item.merits[part], 2) for item in found]
        assert merits == sorted(merits, reverse=True)
        assert all(item.score == pytest.approx(item.merits[part]) for item in found)


class TestReasons:
    BEST: ClassVar = {"probability": 0.95, "evenness": 0.9, "fill": 0.9, "period": 1.0}

    def test_the_best_in_all_is_said_so(self):
        assert reasons(self.BEST, [self.BEST], period=True) == (AS_GOOD_IN_ALL,)

    def test_what_is_missing_is_named(self):
        poor = {**self.BEST, "fill": 0.5, "period": 0.0}
        found = reasons(poor, [self.BEST, poor], period=True)
        assert LESS_GOOD["fill"] in found
        assert LESS_GOOD["period"] in found
        assert AS_GOOD["probability"] in found

    def test_no_word_of_a_period_that_nobody_gave(self):
        neutral = {**self.BEST, "period": 0.5}
        found = reasons({**neutral, "fill": 0.6}, [neutral], period=False)
        assert not {AS_GOOD["period"], LESS_GOOD["period"]} & set(found)

    def test_a_small_difference_is_not_worth_a_word(self):
        near = {**self.BEST, "evenness": 0.82}
        found = reasons(near, [self.BEST, near], period=True)
        assert not {AS_GOOD["evenness"], LESS_GOOD["evenness"]} & set(found)
