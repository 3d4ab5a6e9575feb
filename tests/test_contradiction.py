"""Readings that contradict one another: which two, how far, and what is said."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import Plan, draw_case, mounting

from fitsolver.errors import InputFaults
from fitsolver.fitting.bench import bench
from fitsolver.fitting.solver import check
from fitsolver.readings.mounting_key import Place
from fitsolver.seats.belief import belief
from fitsolver.seats.contradiction import REFUSED_U, SHOWN_U, contradictions
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material
from fitsolver.telling.record import check_record
from fitsolver.telling.report import check_text
from fitsolver.weighing.weight import weigh

SEAT = {
    "holds": '"wall"', "state": '"cut"', "back": '"open"', "make": '"hand"',
    "opening_family": '"round"', "opening_level": '"girdle"', "opening_length_mm": 6.5,
    "ledge_width_mm": 0.4, "depth_below_ledge_mm": 3.0,
}  # fmt: skip


def radii(at: dict[int, float]) -> str:
    return "[" + ", ".join(f"{{ at_deg = {k}, read = {v} }}" for k, v in at.items()) + "]"


def pair(first: float, u_first: float, second: float, u_second: float, unknown: float = 50.0):
    """Two readings of one unknown length, in closed form."""
    values = np.array([first, second])
    covariance = unknown**2 + np.diag([u_first**2, u_second**2])
    return contradictions(["first", "second"], values, covariance)


class TestClosedForm:
    @pytest.mark.parametrize("apart", [0.31, 0.6, 2.0])
    def test_two_readings_of_one_length(self, apart):
        """They stand (a - b) / sqrt(u_a^2 + u_b^2) from each other."""
        (found,) = pair(5.0 + apart, 0.06, 5.0, 0.08)
        assert found.apart_u == pytest.approx(apart / 0.1, rel=1e-4)
        assert {found.first, found.second} == {"first", "second"}
        assert found.refused == (apart / 0.1 > REFUSED_U)

    def test_nearer_ones_are_let_alone(self):
        assert pair(5.0 + 0.099 * SHOWN_U, 0.06, 5.0, 0.08) == ()

    def test_a_reading_against_two_that_agree(self):
        """The one that is off is named; of the two others neither alone explains it."""
        covariance = 50.0**2 + 0.01 * np.eye(3)
        (found,) = contradictions(["a", "b", "c"], np.array([0.0, 0.01, 0.9]), covariance)
        assert found.first == "c"
        assert found.apart_u == pytest.approx(0.895 / (0.1 * 1.5**0.5), rel=1e-3)

    def test_two_pairs_are_two_contradictions(self):
        one = np.array([[2500.01, 2500.0], [2500.0, 2500.01]])
        covariance = np.kron(np.eye(2), one)
        found = contradictions(list("abcd"), np.array([0.0, 0.6, 0.0, 0.9]), covariance)
        assert [{item.first, item.second} for item in found] == [{"c", "d"}, {"a", "b"}]

    def test_few_readings_that_are_right_are_accused(self):
        """Of 4000 readings in hundreds of seats drawn from the priors one in 400 at most, by 3 u.

        They are drawn flat or within limits more than half, so that far fewer stand out.
        """
        chance = np.random.default_rng(7)
        kinds = [Plan(family="oval", radii=8), Plan(family="cushion", radii=12, level="rim"),
                 Plan(family="octagon", radii=8)]  # fmt: skip
        read = accused = 0
        for number in range(45):
            of = belief(draw_case(chance, kinds[number % 3]).mounting, 24)
            read += len([item for item in of.evidence if not item.assumed])
            accused += len(of.contradictions)
            assert not any(item.refused for item in of.contradictions)
        assert read > 500
        assert accused <= 4


def against_radii(slip: float, **more: object) -> dict[str, object]:
    """A round seat of 6.5 mm, one of twelve radii off by a slip."""
    at = dict.fromkeys(range(0, 360, 30), 3.25)
    at[60] += slip
    return {**SEAT, "opening_radii_mm": radii(at), **more}


class TestInASeat:
    def test_a_slip_of_the_hand_is_refused_with_key_line_and_how_far(self):
        with pytest.raises(InputFaults) as error:
            bench(mounting(**against_radii(0.6)))
        fault = error.value.faults[0]
        assert fault.key == "seat.opening_radii_mm[2]"
        assert fault.line == 13
        assert "standard uncertainties apart" in fault.rule
        assert "irregularity_mm" in fault.remedy

    def test_both_of_a_pair_are_named_with_their_lines(self):
        """A length of 6.5 read once and of 6.9 over two radii."""
        at = {0: 3.45, 60: 3.26, 120: 3.27, 180: 3.45, 240: 3.25, 300: 3.26}
        with pytest.raises(InputFaults) as error:
            bench(mounting(**{**SEAT, "opening_radii_mm": radii(at)}))
        fault = error.value.faults[0]
        assert (fault.key, fault.line) == ("seat.opening_length_mm", 10)
        assert "contradicts seat.opening_radii_mm[3] (line 13)" in fault.rule

    def test_a_smaller_one_is_shown_with_the_answer(self):
        for slip in np.arange(0.1, 0.6, 0.02):
            known = belief(mounting(**against_radii(float(slip))))
            if known.contradictions:
                break
        (item,) = known.contradictions
        assert SHOWN_U < item.apart_u < REFUSED_U
        assert item.first == Place("opening_radii_mm", 60)
        ready = bench(known.mounting, samples=16)
        found = check(ready, cut("round-brilliant"), 6.3, 6.3, 3.8)
        assert found.contradictions == known.contradictions
        stuff = material("corundum")
        weight = weigh(cut("round-brilliant"), stuff, length_mm=6.3, width_mm=6.3, depth_mm=3.8)
        text = check_text(found, weight, stuff)
        assert "Readings that hardly agree: take them again" in text
        assert "opening radius at 60 deg" in text
        assert check_record(found, weight, stuff)["contradictions"][0]["apart_u"] == item.apart_u

    def test_a_wilder_seat_is_no_contradiction(self):
        """What is far off for a seat of 0.05 mm is not for one said to stray by 0.3 mm."""
        assert bench(mounting(**against_radii(0.6, irregularity_mm=0.3)), samples=1)

    def test_order_of_readings_does_not_matter(self):
        seat = against_radii(0.3)
        turned = dict(reversed(seat.items()))
        first, second = (belief(mounting(**each)).contradictions for each in (seat, turned))
        assert [item.first for item in first] == [item.first for item in second]
        assert [i.apart_u for i in first] == pytest.approx([i.apart_u for i in second])
