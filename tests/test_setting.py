"""What the setter does beyond ordinary setting: how far, within what, and what to mind."""

from __future__ import annotations

import numpy as np
import pytest
from test_requirement import every_margin, ready
from test_seat import CLAWS, ROUND

from fitsolver.fitting.requirement import KINDS
from fitsolver.fitting.setting import (
    alteration_total_mm,
    alterations,
    cautions,
    ordinary_setting,
    weak_claws,
)
from fitsolver.fitting.solver import Check, check
from fitsolver.seats.allowance import TABLE
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material


def judged(seat: dict[str, object], *size: float, style: str = "round-cabochon",
           allowed: str = "", **changes: object) -> Check:  # fmt: skip
    return check(ready(seat, samples=64, allowed=allowed, **changes), cut(style), *size)


def limit(found: Check, name: str) -> float:
    return next(item.alteration_limit_mm for item in found.requirements if item.name == name)


class TestWhatMustRemain:
    @pytest.mark.parametrize("thickness", [0.36, 0.38])
    def test_a_wall_is_relieved_only_down_to_what_must_remain(self, thickness):
        found = judged(ROUND, 6.63, 6.63, 2.6, wall_thickness_mm=thickness)
        remain = TABLE["wall_remaining_min_mm"].default
        assert limit(found, "girdle gap") == pytest.approx(thickness - remain, abs=0.003)

    def test_a_thick_wall_is_relieved_up_to_the_allowance(self):
        found = judged(ROUND, 6.63, 6.63, 2.6, wall_thickness_mm=0.8)
        default = TABLE["alter_wall_relief_mm"].default
        assert limit(found, "girdle gap") == pytest.approx(default, abs=1e-6)

    @pytest.mark.parametrize(("thickness", "notch"), [(1.0, 0.45), (1.2, 0.55)])
    def test_notches_stay_within_half_the_claw(self, thickness, notch):
        """At most 50 % of the claw goes into the notch (Professional Jeweler, July 2004)."""
        found = judged(CLAWS, 9.2, 7.2, 4.6, style="emerald", claw_thickness_mm=thickness,
                       ledge_width_mm=notch)  # fmt: skip
        assert limit(found, "girdle gap") == pytest.approx(0.5 * thickness - notch, abs=0.004)

    def test_where_nothing_may_go_the_stone_does_not_seat_after_alteration(self):
        """0.08 mm too wide on each side: the wall could give them, a thin one could not."""
        thick = judged(ROUND, 6.72, 6.72, 2.6, wall_thickness_mm=0.8)
        thin = judged(ROUND, 6.72, 6.72, 2.6, wall_thickness_mm=0.32)
        assert thick.probability_after_alteration > 0.5
        assert thin.probability_after_alteration < 0.01


class TestTelling:
    def test_amount_limit_and_caution_stand_together(self):
        found = judged(ROUND, 6.66, 6.66, 2.6)
        works = {item.requirement: item for item in alterations(found)}
        relief = works["girdle gap"]
        assert relief.about_mm == pytest.approx(0.03, abs=0.012)  # chords, and the stone.s caliper
        assert relief.about_mm <= relief.at_most_mm <= relief.limit_mm
        assert relief.caution == KINDS["girdle gap"].caution

    def test_the_sum_is_that_of_its_parts(self):
        found = judged(ROUND, 6.66, 6.66, 2.6)
        every = alterations(found)
        about, most = alteration_total_mm(found)
        assert every
        assert about == pytest.approx(sum(item.about_mm for item in every))
        assert most == pytest.approx(sum(item.at_most_mm for item in every))

    def test_a_tighter_stone_asks_for_more(self):
        totals = [alteration_total_mm(judged(ROUND, d, d, 2.6))[0] for d in (6.62, 6.66, 6.69)]
        assert totals == sorted(totals)
        assert totals[0] < totals[-1]

    def test_a_stone_that_seats_asks_for_nothing(self):
        assert alteration_total_mm(judged(ROUND, 6.45, 6.45, 3.9, style="round-brilliant")) == (
            0,
            0,
        )

    def test_every_alteration_has_its_caution(self):
        for kind in KINDS.values():
            assert bool(kind.alteration) == bool(kind.caution), kind.name

    def test_tall_claws_are_shortened_to_eight_tenths_of_the_crown(self):
        """Finished claws end 60 to 80 % of the crown above the girdle (GIA benchmark)."""
        found = judged(CLAWS, 9.05, 7.05, 4.6, style="emerald", claw_length_mm=2.5)
        (line,) = [line for line in ordinary_setting(found) if line.startswith("Shorten")]
        assert f"{0.8 * found.stone.crown_height_mm:.2f} mm" in line
        short = judged(CLAWS, 9.05, 7.05, 4.6, style="emerald", claw_length_mm=0.7)
        assert not [line for line in ordinary_setting(short) if line.startswith("Shorten")]


def test_altered_margins_are_the_margins_and_the_room() -> None:
    needs, _ = every_margin(ready(ROUND), "round-cabochon", 6.66, 6.66, 2.6)
    for name, room in needs.room.items():
        assert KINDS[name].alteration_allowance
        if name != "metal above girdle":  # cut only as deep as is needed
            np.testing.assert_allclose(needs.altered[name], needs.margins[name] + room)


class TestWeakClaws:
    """Professional Jeweler, 2004 and 2002: at most half of a claw, a quarter of a shared one."""

    @pytest.mark.parametrize(("notch", "weak"), [(0.36, False), (0.50, False), (0.70, True)])
    def test_a_notch_over_half_the_claw_is_told_first(self, notch, weak):
        found = judged(CLAWS, 9.0, 7.0, 4.0, style="emerald", ledge_width_mm=notch)
        said = weak_claws(found.mounting)
        assert bool(said) == weak
        if weak:
            assert "70 % at 38 deg, 70 % at 142 deg" in said[0]
            assert cautions(material("corundum"), found.mounting)[0] == said[0]

    def test_a_wall_has_none(self):
        assert weak_claws(judged(ROUND, 6.5, 6.5, 2.6).mounting) == ()
