"""Setting practice as published, where it can be held against the judgement of a stone.

Sources
-------
.. [1] Collet-setting tutorial (bench forum): in a straight collet a stone 0.1 mm too large stands
   proud, one 0.2 mm too small falls through.
.. [2] JCK, "Cast six-prong": a 4.5 mm head takes 4.2 to 4.8 mm.
.. [3] A. Revere: a 6.1 mm head takes 5.5 to 7 mm.
.. [4] GIA, benchmark for round stones: the notch takes 40 % of a claw; a finished claw stands 60 to
   80 % of the crown above the girdle.
.. [5] Professional Jeweler, July 2004: a notch of at most 50 % of the claw; 70 % is a fault.
.. [6] ISO 8653:2016: a ring size is the inner circumference in mm.

[2] and [3] are illustrations only: they do not say how thick the claws are or how far they are
bent, so claws were chosen here with which the ranges come out.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from simulated import EXACT, exact, mounting

from fitsolver.errors import OutOfRange
from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.solver import Check, check
from fitsolver.readings.instrument import INSTRUMENTS
from fitsolver.stones.cut import cut

BRILLIANT = cut("round-brilliant")
EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


def ready(allowed: str = "", **seat: object) -> Bench:
    return bench(mounting(f"{EXACT}\n[allowances]\n{allowed}\n", **exact(**seat)), samples=128)


def judge(at: Bench, diameter: float) -> Check:
    return check(at, BRILLIANT, diameter, diameter, 0.62 * diameter)


def margins(judged: Check) -> dict[str, float]:
    return {item.name: item.best_estimate_mm for item in judged.requirements}


PLAIN = {"back": '"open"', "make": '"cast"', "irregularity_mm": 0, "opening_family": '"round"'}


class TestStraightCollet:
    """A tube of 5.84 mm bore, opened to 6.04 mm for a 6.0 mm stone: a ledge of 0.1 mm [1]_.

    Half the ledge has to carry (the usual 0.10 mm of cover would refuse every stone).
    """

    CUT = ready(
        "cover_min_mm = 0.05",
        **PLAIN, holds='"wall"', state='"cut"', opening_level='"girdle"', opening_length_mm=6.04,
        ledge_width_mm=0.1, ledge_angle_deg=42, wall_height_mm=0.8, wall_thickness_mm=0.7,
        wall_lean_deg=0, depth_below_ledge_mm=3.5,
    )  # fmt: skip

    def test_the_stone_it_was_cut_for_seats(self):
        assert judge(self.CUT, 6.0).verdict == "seats"

    def test_a_tenth_too_large_stands_proud(self):
        """It binds on the wall and cannot go down to the ledge."""
        judged = judge(self.CUT, 6.1)
        assert judged.verdict != "seats"
        assert judged.binding == "girdle gap"
        assert margins(judged)["girdle gap"] < 0

    def test_a_fifth_too_small_falls_through(self):
        judged = judge(self.CUT, 5.8)
        assert judged.verdict == "does not seat"
        assert judged.binding == "ledge cover"
        # No ledge is left under the girdle at all.
        assert margins(judged)["ledge cover"] + 0.05 < 0

    @pytest.mark.parametrize("diameter", [6.0, 6.1])
    def test_the_same_tube_uncut_welcomes_it(self, diameter):
        """Its bearing is yet to be cut, as wide as the stone asks: 0.08 and 0.13 mm deep."""
        tube = ready(
            "wall_bearing_min_mm = 0.05",
            **PLAIN, holds='"wall"', state='"uncut"', opening_level='"rim"',
            opening_length_mm=5.84, wall_thickness_mm=0.8, wall_lean_deg=0, depth_below_rim_mm=4.4,
        )  # fmt: skip
        judged = judge(tube, diameter)
        assert judged.verdict == "seats"
        assert judged.rests_on == "bearing yet to be cut"

    def test_an_uncut_bore_as_wide_as_the_cut_opening_welcomes_it_too(self):
        """A tenth of a millimetre more is a bearing of 0.03 mm: narrow, but one can be cut."""
        tube = ready(
            "wall_bearing_min_mm = 0.02",
            **PLAIN, holds='"wall"', state='"uncut"', opening_level='"rim"',
            opening_length_mm=6.04, wall_thickness_mm=0.7, wall_lean_deg=0, depth_below_rim_mm=4.4,
        )  # fmt: skip
        assert margins(judge(tube, 6.1))["notch floor"] > 0
        assert margins(judge(tube, 5.8))["notch floor"] < 0


def head(opening_mm: float, claw_mm: float, allowed: str = "", claws: int = 6) -> Bench:
    return ready(
        allowed,
        **PLAIN, holds='"claws"', state='"uncut"', opening_level='"rim"',
        opening_length_mm=opening_mm, claw_directions_deg=[360 / claws * k for k in range(claws)],
        claw_thickness_mm=claw_mm, claw_width_mm=0.8, claw_lean_deg=0, depth_below_rim_mm=7.0,
    )  # fmt: skip


class TestHeads:
    """Illustrations [2]_ [3]_: the stone a head is named by takes 40 % of the claw [4]_."""

    OPENED = "claw_give_mm = 0.5"  # a tenth more than usual, for the largest to enter

    @pytest.mark.parametrize("diameter", [4.2, 4.5, 4.8])
    def test_a_head_of_4_5_mm_takes_4_2_to_4_8(self, diameter):
        assert judge(head(4.5 - 2 * 0.4 * 0.8, 0.8, self.OPENED), diameter).verdict == "seats"

    @pytest.mark.parametrize("diameter", [3.2, 5.6])
    def test_and_not_everything(self, diameter):
        assert (
            judge(head(4.5 - 2 * 0.4 * 0.8, 0.8, self.OPENED), diameter).verdict == "does not seat"
        )

    @pytest.mark.parametrize("diameter", [5.5, 6.1, 7.0])
    def test_a_head_of_6_1_mm_takes_5_5_to_7_by_bending(self, diameter):
        """Its upper end needs claws that are set 0.4 mm outward for good."""
        bent = head(6.1 - 2 * 0.4 * 1.0, 1.0, "claw_bend_out_mm = 0.4\nclaw_give_mm = 0.6")
        assert judge(bent, diameter).verdict == "seats"

    def test_without_bending_it_does_not_reach_7(self):
        assert judge(head(6.1 - 2 * 0.4 * 1.0, 1.0), 7.0).verdict != "seats"


class TestNotches:
    """What a claw may lose is its share: 40 % aimed at [4]_, 50 % at most, 70 % a fault [5]_."""

    @pytest.mark.parametrize("share", [0.40, 0.50, 0.70])
    def test_the_deepest_notch_is_its_share_of_the_claw(self, share):
        least = margins(judge(head(5.2, 1.0, "notch_share_max = 0.3"), 6.0))["notch ceiling"]
        found = margins(judge(head(5.2, 1.0, f"notch_share_max = {share}"), 6.0))["notch ceiling"]
        assert found - least == pytest.approx(share - 0.3, abs=1e-6)

    def test_half_a_claw_is_the_default(self):
        """A stone that reaches 0.55 mm into a 1.0 mm claw, claws not bent: 0.05 too deep."""
        found = margins(judge(head(5.2, 1.0, "claw_bend_out_mm = 0"), 6.3))["notch ceiling"]
        # Flat faces 0.8 mm wide are on average 0.015 mm further out than their middles.
        assert found == pytest.approx(-0.05, abs=0.02)

    def test_a_fault_cannot_be_allowed(self):
        with pytest.raises(OutOfRange):
            head(5.2, 1.0, "notch_share_max = 0.71")


class TestClawHeight:
    @pytest.mark.parametrize("share", [0.60, 0.80])
    def test_a_finished_claw_stands_its_share_of_the_crown_above_the_girdle(self, share):
        """Tips at the rim: what is left for play is the depth less stone, finger and claw [4]_."""
        judged = judge(head(5.2, 1.0, f"claw_top_share = {share}"), 6.0)
        stone = judged.stone
        needed = stone.pavilion_depth_mm + stone.girdle_mm + share * stone.crown_height_mm + 0.20
        assert margins(judged)["height play"] == pytest.approx(7.0 - needed, abs=1e-6)


class TestRingSizes:
    """Inner circumference over pi [6]_."""

    @pytest.mark.parametrize(("size", "diameter"), [(54, 17.2), (52, 16.6)])
    def test_diameters(self, size, diameter):
        assert round(size / math.pi, 1) == diameter

    def test_a_ring_stick_steps_by_one_millimetre_of_circumference(self):
        assert INSTRUMENTS["ring-stick"].step_mm * math.pi == pytest.approx(1.0)

    def test_the_examples_say_the_same(self):
        """Every example that names its size gives the diameter of that size."""
        found = [
            (float(diameter), int(size))
            for path in sorted(EXAMPLES.glob("*.toml"))
            for diameter, size in re.findall(
                r"finger_diameter_mm = ([\d.]+) +# ring size (\d+)", path.read_text("utf-8")
            )
        ]
        assert found
        for diameter, size in found:
            assert diameter == round(size / math.pi, 1)
