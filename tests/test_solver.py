"""The judgement on one stone: verdict, what binds, what to alter, what to read again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import fields
from simulated import EXACT, exact, mounting
from test_requirement import uncut_claws
from test_seat import CLAWS, ROUND, TUBE

from fitsolver.errors import OutOfRange, UnknownName
from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.judge import decide
from fitsolver.fitting.requirement import KINDS
from fitsolver.fitting.solver import Check, Margin, check
from fitsolver.seats.allowance import TABLE, allowances
from fitsolver.seats.belief import STATIONS
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut

BRILLIANT = cut("round-brilliant")


def ready(
    seat: dict[str, object], *, samples: int = 64, top: str = "", allowed: str = "", **more: object
) -> Bench:
    """Make a seat ready; a number is read exactly, text stands as it is."""
    head = f"{EXACT}{top}\n[allowances]\n{allowed}\n"
    return bench(mounting(head, **{**seat, **exact(**more)}), samples=samples)


def margin(judged: Check, name: str) -> Margin:
    return next(item for item in judged.requirements if item.name == name)


ROUND_CLAWS = {
    **{key: value for key, value in CLAWS.items() if key != "opening_width_mm"},
    "opening_family": '"round"',
    **exact(depth_below_ledge_mm=4.5),
}
# For every requirement a mounting that fails it alone: seat, what is changed, diameter of a round
# brilliant 62 % deep.
BINDING = {
    "entry": (ROUND, {"wall_lean_deg": 10}, 6.4),
    "girdle gap": (ROUND, {}, 6.66),
    "closing gap": (ROUND, {}, 6.0),
    "ledge cover": (ROUND, {"ledge_width_mm": 0.3}, 6.15),
    "ledge arc": (ROUND, {"ledge_missing_deg": "[[10, 115]]"}, 6.4),
    "bearing match": (
        ROUND,
        {"ledge_width_mm": 0.6, "ledge_angle_deg": 5, "wall_height_mm": 2},
        6.4,
    ),
    "metal above girdle": (ROUND, {"wall_height_mm": 0.3}, 6.4),
    "culet clearance": (ROUND, {"depth_below_ledge_mm": 2.3}, 6.4),
    "gallery clearance": (ROUND, {"gallery_length_mm": 4.6, "gallery_depth_mm": 0.8}, 6.4),
    "notch mouth": (ROUND_CLAWS, {"notch_height_mm": 0.2}, 8.8),
    "notch floor": (uncut_claws(), {}, 5.9),
    "notch ceiling": (uncut_claws(), {"claw_thickness_mm": 0.6}, 7.0),
    "height play": (uncut_claws(), {"depth_below_rim_mm": 3.6}, 6.5),
}  # fmt: skip


class TestBinding:
    def test_every_requirement_has_its_mounting(self):
        assert set(BINDING) == set(KINDS)

    @pytest.mark.parametrize("name", BINDING)
    def test_it_binds_and_is_named(self, name):
        seat, changes, diameter = BINDING[name]
        judged = check(ready(seat, **changes), BRILLIANT, diameter, diameter, 0.62 * diameter)
        assert judged.binding == name
        assert margin(judged, name).margin_mm < 0
        assert judged.verdict != "seats"
        others = [item for item in judged.requirements if item.name != name]
        assert all(item.margin_mm > -0.01 for item in others)

    @pytest.mark.parametrize("name", BINDING)
    def test_it_is_explained(self, name):
        seat, changes, diameter = BINDING[name]
        judged = check(ready(seat, **changes), BRILLIANT, diameter, diameter, 0.62 * diameter)
        found = margin(judged, name)
        assert found.meaning == KINDS[name].meaning
        assert found.source
        assert found.probability < 0.5
        assert found.direction_deg is None or 0 <= found.direction_deg < 360

    @pytest.mark.parametrize(
        ("seat", "changes", "diameter", "name"),
        [(TUBE, {}, 6.6, "notch floor"), (TUBE, {}, 7.3, "notch ceiling"),
         (TUBE, {"depth_below_rim_mm": 3.4}, 6.9, "height play")],
    )  # fmt: skip
    def test_a_tube_has_its_own(self, seat, changes, diameter, name):
        judged = check(ready(seat, **changes), BRILLIANT, diameter, diameter, 0.62 * diameter)
        assert judged.binding == name


class TestAlteration:
    @pytest.mark.parametrize(
        ("name", "seat", "changes", "diameter"),
        [(name, *BINDING[name]) for name in
         ("entry", "girdle gap", "closing gap", "bearing match", "metal above girdle",
          "gallery clearance", "notch mouth", "notch floor", "notch ceiling")],
    )  # fmt: skip
    def test_the_metal_to_move_is_what_is_short(self, name, seat, changes, diameter):
        # A girdle's thickness is known to 0.1 mm only: let the mouth be opened well beyond that.
        at = ready(seat, allowed="alter_mouth_mm = 0.6", **changes)
        judged = check(at, BRILLIANT, diameter, diameter, 0.62 * diameter)
        found = margin(judged, name)
        assert found.alteration == KINDS[name].alteration
        assert found.alteration_mm == pytest.approx(-found.margin_mm)
        assert found.alteration_mm <= at.allowances[KINDS[name].alteration_allowance]
        assert judged.verdict == "seats after alteration"

    @pytest.mark.parametrize("name", ["ledge cover", "culet clearance", "height play"])
    def test_what_no_bench_can_alter(self, name):
        seat, changes, diameter = BINDING[name]
        judged = check(ready(seat, **changes), BRILLIANT, diameter, diameter, 0.62 * diameter)
        assert margin(judged, name).alteration == ""
        assert judged.verdict == "does not seat"

    def test_more_than_the_allowance_is_no_alteration(self):
        judged = check(ready(ROUND), BRILLIANT, 7.0, 7.0, 4.3)
        found = margin(judged, "girdle gap")
        assert found.margin_mm < -TABLE["alter_wall_relief_mm"].default
        assert (found.alteration, found.alteration_mm) == ("", 0.0)
        assert judged.verdict == "does not seat"

    def test_the_allowance_decides(self):
        wider = ready(ROUND, allowed="alter_wall_relief_mm = 0.3\nalter_rim_open_mm = 0.3")
        assert check(wider, BRILLIANT, 7.0, 7.0, 4.3).verdict == "seats after alteration"

    def test_what_holds_needs_none(self):
        judged = check(ready(ROUND), BRILLIANT, 6.4, 6.4, 3.97)
        assert judged.verdict == "seats"
        assert all(item.alteration == "" for item in judged.requirements)


class TestDecisionRule:
    """Seats from 0.90, does not from 0.10 down, between them not decided (JCGM 106, 8.3)."""

    @pytest.mark.parametrize(
        ("ordinary", "altered", "verdict"),
        [
            (1.0, 1.0, "seats"),
            (0.90, 0.95, "seats"),
            (0.899, 0.95, "seats after alteration"),
            (0.0, 0.90, "seats after alteration"),
            (0.5, 0.899, "not decided"),
            (0.05, 0.11, "not decided"),
            (0.10, 0.10, "does not seat"),
            (0.0, 0.0, "does not seat"),
        ],
    )
    def test_by_default(self, ordinary, altered, verdict):
        assert decide(ordinary, altered, allowances()) == verdict

    def test_the_levels_are_allowances(self):
        strict = allowances({"seats_from_probability": 0.99, "fails_to_probability": 0.3})
        assert decide(0.95, 0.95, strict) == "not decided"
        assert decide(0.2, 0.3, strict) == "does not seat"

    def test_alteration_never_lowers_the_probability(self):
        for diameter in (6.0, 6.3, 6.5, 6.6):
            judged = check(ready(ROUND), BRILLIANT, diameter, diameter, 0.62 * diameter)
            assert judged.probability_after_alteration >= judged.probability


class TestProbability:
    """Where one margin matters and is linear, the probability is Phi(margin / u)."""

    @pytest.mark.parametrize(
        ("standard", "expected"), [(1.40, 0.919), (0.0, 0.5), (-1.0, 0.159), (2.0, 0.977)]
    )
    def test_a_gap_of_so_many_standard_uncertainties(self, standard, expected):
        """Phi(1.40) = 0.919 is the example of JCGM 106; the others from a table of the normal.

        The opening is doubtful by 0.3 / sqrt(3) mm, half of it is the gap's; that no file knows a
        wall's lean better than to 2 degrees adds 0.3 % to it. 512 even draws of one input are good
        to 0.01. The chords between stations take 0.005 mm off the gap (given back here), and a lean
        of either sign takes as much again: 0.025 in all.
        """
        u = 0.3 / np.sqrt(3) / 2
        at = ready(
            ROUND,
            samples=512,
            allowed="stone_reading_u_mm = 0\nrim_give_mm = 0.5\ngap_max_mm = 1.5",
            opening_length_mm="{ read = 6.6, half_width_mm = 0.3 }",
            ledge_width_mm=1.2,
            ledge_angle_deg=40,
        )
        diameter = 6.6 - 2 * (standard * u + 3.3 * (1 - np.cos(np.pi / STATIONS)))
        judged = check(at, BRILLIANT, diameter, diameter, 4.0)
        assert judged.binding == "girdle gap"
        assert margin(judged, "girdle gap").u_mm == pytest.approx(u, rel=0.05)
        assert judged.probability == pytest.approx(expected, abs=0.025)

    def test_it_is_joint_and_not_a_product(self):
        """Gap and closing gap of one doubtful opening exclude each other."""
        at = ready(ROUND, samples=512, allowed="stone_reading_u_mm = 0\ngap_max_mm = 0.05",
                   opening_length_mm="{ read = 6.6, half_width_mm = 0.3 }")  # fmt: skip
        judged = check(at, BRILLIANT, 6.55, 6.55, 4.0)
        gap, closing = (margin(judged, name).probability for name in ("girdle gap", "closing gap"))
        assert judged.probability == pytest.approx(gap + closing - 1, abs=0.03)
        assert judged.probability < gap * closing

    def test_a_poorer_stone_reading_makes_it_less_certain(self):
        fine, coarse = (
            check(ready(ROUND, samples=256, allowed=f"stone_reading_u_mm = {u}"),
                  BRILLIANT, 6.54, 6.54, 4.0)
            for u in (0.01, 0.1)
        )  # fmt: skip
        assert fine.probability > coarse.probability
        assert margin(coarse, "girdle gap").u_mm > margin(fine, "girdle gap").u_mm


class TestAdvice:
    """Each reading made poor on purpose is the one that is asked for, and taking it again helps."""

    HAND = {  # noqa: RUF012
        **ROUND, "opening_family": '"oval"', "wall_lean_deg": 0, "ledge_angle_deg": 38,
        **exact(opening_length_mm=8.2, opening_width_mm=6.2),
    }  # fmt: skip
    POOR = {  # noqa: RUF012
        # reading: its value, its half-width, what then binds, length and width of the stone
        "opening_width_mm": (6.2, 0.12, "girdle gap", (7.95, 6.17)),
        "ledge_width_mm": (0.3, 0.12, "ledge cover", (7.95, 5.9)),
        "wall_height_mm": (0.5, 0.25, "metal above girdle", (8.0, 6.05)),
        "depth_below_ledge_mm": (2.5, 0.5, "culet clearance", (8.0, 6.05)),
    }

    @staticmethod
    def _judged(
        seat: dict[str, object], size: tuple[float, float] = (8.0, 6.05), **changes: object
    ) -> Check:
        at = ready(seat, samples=512, **changes)
        return check(at, cut("oval-brilliant"), *size, 0.62 * size[1])

    @pytest.mark.parametrize("name", POOR)
    def test_the_poor_reading_is_named_first(self, name):
        value, half_width, binding, size = self.POOR[name]
        poor = f"{{ read = {value}, with = 'exact', half_width_mm = {half_width} }}"
        judged = self._judged(self.HAND, size, **{name: poor})
        assert judged.binding == binding
        first = judged.advice[0]
        assert first.reading == name
        assert first.measured
        assert first.share > 0.3
        assert first.u_then_mm < first.u_now_mm

    @pytest.mark.parametrize("name", POOR)
    def test_one_more_such_reading_narrows_as_much_as_foretold(self, name):
        """Two readings of half-width a, independent, are one of a / sqrt(2).

        Within 15 %: the margin bends a little, and 512 draws tell a spread to 3 %.
        """
        value, half_width, binding, size = self.POOR[name]

        def read(wide: float) -> dict[str, object]:
            return {name: f"{{ read = {value}, with = 'exact', half_width_mm = {wide} }}"}

        once = self._judged(self.HAND, size, **read(half_width))
        twice = self._judged(self.HAND, size, **read(half_width / np.sqrt(2)))
        foretold = once.advice[0].u_then_mm
        assert margin(twice, binding).u_mm == pytest.approx(foretold, rel=0.15)
        assert margin(twice, binding).u_mm < once.advice[0].u_now_mm

    def test_what_was_never_read_is_asked_for(self):
        """The wall's height unread: its prior of 0.15 mm is most of the doubt."""
        seat = {key: value for key, value in self.HAND.items() if key != "wall_height_mm"}
        judged = self._judged(seat)
        height = next(item for item in judged.advice if item.reading == "wall_height_mm")
        assert not height.measured
        read = self._judged(self.HAND)
        before, after = (margin(each, "metal above girdle").u_mm for each in (judged, read))
        if judged.binding == "metal above girdle":
            assert after < 1.1 * height.u_then_mm
        assert after < before

    def test_an_unread_lean_is_asked_for(self):
        """A rim reading says little of the girdle's level while the lean is unknown."""
        seat = {key: value for key, value in self.HAND.items() if key != "wall_lean_deg"}
        allowed = "rim_give_mm = 0.5"
        judged = self._judged(seat, (8.1, 6.15), opening_level='"rim"', allowed=allowed)
        assert judged.binding == "girdle gap"
        assert judged.advice[0].reading == "wall_lean_deg"
        assert not judged.advice[0].measured

    def test_a_certain_margin_needs_no_advice(self):
        at = ready(ROUND, allowed="stone_reading_u_mm = 0", wall_lean_deg=0)
        judged = check(at, cut("round-cabochon"), 6.4, 6.4, 2.6)
        exact_gap = margin(judged, "girdle gap")
        if judged.binding == "girdle gap" and exact_gap.u_mm < 1e-5:
            assert judged.advice == ()

    def test_shares_are_sorted_and_at_most_one(self):
        judged = self._judged(self.HAND, (7.95, 6.17))
        shares = [item.share for item in judged.advice]
        assert shares == sorted(shares, reverse=True)
        assert all(0 < share <= 1 for share in shares)


class TestPose:
    def test_a_pear_lies_the_way_its_seat_points(self):
        seat = {**ROUND, "opening_family": '"pear"', **exact(opening_length_mm=9.0,
                opening_width_mm=6.2)}  # fmt: skip
        judged = check(ready(seat), cut("pear-brilliant"), 8.8, 6.05, 3.9)
        assert judged.turn_deg == 0
        turned = check(ready(seat), cut("pear-brilliant"), 8.8, 6.05, 3.9, turn_rad=np.pi)
        assert turned.probability <= judged.probability
        assert turned.verdict == "does not seat"

    def test_an_even_seat_keeps_the_stone_in_its_middle(self):
        judged = check(ready(ROUND), BRILLIANT, 6.4, 6.4, 3.97)
        assert np.hypot(*judged.shift_mm) < 0.01

    def test_evenness_and_fill(self):
        """Fill is area over area, (6.4 / 6.6)^2, and a round in a round is wholly even."""
        judged = check(ready(ROUND), BRILLIANT, 6.4, 6.4, 3.97)
        assert judged.face_up_fill == pytest.approx((6.4 / 6.6) ** 2, rel=2e-3)
        assert judged.gap_evenness == pytest.approx(1.0, abs=2e-3)
        other = check(ready(ROUND), cut("square-emerald"), 5.0, 5.0, 3.2)
        assert other.gap_evenness < 0.95


class TestReproducible:
    def test_two_runs_are_equal(self):
        """Everything that is said, from two benches made anew."""
        one, other = (
            check(bench(load_mounting(EXAMPLE)), cut("oval-brilliant"), 7.0, 5.4, 3.4)
            for _ in range(2)
        )
        for field in fields(Check):
            if field.name != "stone":
                assert getattr(one, field.name) == getattr(other, field.name)

    def test_other_checks_between_leave_no_trace(self):
        at = bench(load_mounting(EXAMPLE))
        first = check(at, cut("oval-brilliant"), 7.0, 5.4, 3.4)
        check(at, cut("oval-cabochon"), 6.9, 5.3, 2.4)
        again = check(at, cut("oval-brilliant"), 7.0, 5.4, 3.4)
        assert first.requirements == again.requirements
        assert first.probability == again.probability


class TestRefusals:
    @pytest.mark.parametrize("size", [(0.2, 0.2, 0.1), (6.4, 6.4, float("nan")), (6.4, 6.4, 20)])
    def test_sizes_that_make_no_stone(self, size):
        with pytest.raises(OutOfRange):
            check(ready(ROUND, samples=8), BRILLIANT, *size)

    def test_an_unknown_allowance(self):
        with pytest.raises(UnknownName):
            ready(ROUND, samples=8, allowed="gap_minimum_mm = 0.1")


EXAMPLE = Path(__file__).resolve().parents[1] / "examples" / "closed-back-oval.toml"
