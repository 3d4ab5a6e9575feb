"""What is said about uneven seats and single claws that cannot be, and about degenerate seats."""

from __future__ import annotations

import math

import pytest
from test_mounting import CLAWS, TUBE, WALL, faults, mounting

from fitsolver.errors import FitsolverError
from fitsolver.fitting.bench import bench
from fitsolver.fitting.proposal import propose
from fitsolver.fitting.solver import check
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material

TRACED = {**WALL, "opening_length_mm": None, "opening_width_mm": None}
NARROW = {**WALL, "ledge_width_mm": None}
HEAD = {key: value for key, value in CLAWS.items() if key != "claw_directions_deg"}
SHARP = {**HEAD, "opening_family": '"rectangle"', "ledge_width_mm": "0.35"}


def places(*pairs: tuple[float, object], name: str = "read") -> str:
    return "[" + ", ".join(f"{{at_deg = {at}, {name} = {value}}}" for at, value in pairs) + "]"


THREE = [(0, 0.4), (120, 0.5), (240, 0.45)]


class TestPlaces:
    def test_three_places_are_enough_and_stand_for_the_plain_reading(self):
        read = mounting(NARROW, ledge_widths_mm=places(*THREE))
        assert [at for at, _ in read.ledge_widths_mm] == [0, 120, 240]
        assert read.ledge_width_mm is None

    @pytest.mark.parametrize(
        ("base", "key", "value", "said"),
        [
            (WALL, "ledge_widths_mm", places((0, 0.4), (90, 0.5)),
             "seat.ledge_widths_mm: holds 2 directions, at least 3 are needed. Read more places, "
             "or give one reading for all as ledge_width_mm."),
            (WALL, "ledge_heights_mm", places((0, 5.4), (90, 5.5)),
             "seat.ledge_heights_mm: holds 2 directions, at least 3 are needed."),
            (WALL, "wall_heights_mm", places(*THREE, (360, 0.4)),
             "seat.wall_heights_mm[3].at_deg: repeats the direction 0."),
            (WALL, "wall_heights_mm", places(*THREE[:2], (240, 7.0)),
             "seat.wall_heights_mm[2].read: must be 0.05 to 6 mm."),
            ({**WALL, "opening_width_mm": "5.9"}, "ledge_widths_mm", places(*THREE[:2], (240, 3)),
             "seat.ledge_widths_mm[2]: must be less than half the opening, 2.95 mm"),
            (WALL, "wall_leans_deg", places(*THREE[:2], (240, 80), name="lean_deg"),
             "seat.wall_leans_deg[2]: must be -30 to 45 degrees."),
            (WALL, "wall_leans_deg", places(*THREE),
             "seat.wall_leans_deg[0].lean_deg: is missing."),
            (TUBE, "ledge_widths_mm", places(*THREE),
             'seat.ledge_widths_mm: belongs to cut seats, but the seat has state = "uncut".'),
            (CLAWS, "wall_heights_mm", places(*THREE),
             'seat.wall_heights_mm: belongs to wall, but the seat has holds = "claws".'),
            (CLAWS, "flush", "true", "seat.flush: is for flat metal round the opening"),
            (WALL, "flush", "1", "seat.flush: must be true or false."),
        ],
    )  # fmt: skip
    def test_a_fault_is_named(self, base, key, value, said):
        assert any(fault.startswith(said) for fault in faults(base, **{key: value}))


class TestGaps:
    def test_they_may_pass_zero_and_are_sorted(self):
        read = mounting(WALL, ledge_missing_deg="[[200, 220], [-20, 10]]")
        assert read.ledge_missing_deg == ((200, 220), (340, 370))

    @pytest.mark.parametrize(
        ("value", "said"),
        [
            ("[[10]]", "seat.ledge_missing_deg[0]: must be two directions."),
            ("[[10, 20, 30]]", "seat.ledge_missing_deg[0]: must be two directions."),
            ("[[0, 360]]", "seat.ledge_missing_deg[0]: goes all the way round, or nowhere"),
            ("[[10, 60], [50, 80]]", "seat.ledge_missing_deg[1]: overlaps the gap from 10 to 60"),
            ("[[340, 20], [10, 80]]", "seat.ledge_missing_deg[1]: overlaps the gap from 340 to 20"),
            ("[[340, 20], [0, 10]]", "seat.ledge_missing_deg"),
            ("[[10, 500]]", "seat.ledge_missing_deg: must be -180 to 360 degrees."),
        ],
    )
    def test_a_fault_is_named(self, value, said):
        found = faults(WALL, ledge_missing_deg=value)
        assert any(fault.startswith(said) for fault in found), found


class TestClaws:
    ROUND = "[{at_deg = 45}, {at_deg = 135}, {at_deg = 225}, {at_deg = 315}]"

    def test_they_take_the_place_of_directions(self):
        read = mounting(HEAD, claws=self.ROUND.replace("225", "225, lean_deg = 4"))
        assert read.claw_directions_deg == (45, 135, 225, 315)
        assert [claw.lean_deg and claw.lean_deg.value_deg for claw in read.claws] == [
            None, None, 4, None
        ]  # fmt: skip

    @pytest.mark.parametrize(
        ("base", "claws", "said"),
        [
            (CLAWS, ROUND, "seat.claws: lists the claws, and so does claw_directions_deg."),
            (WALL, ROUND, 'seat.claws: belongs to claws, but the seat has holds = "wall".'),
            (HEAD, "[{at_deg = 45}]", "seat.claws: is one claw"),
            (HEAD, "[{thickness_mm = 1}, {at_deg = 90}]", "seat.claws[0].at_deg: is missing."),
            (HEAD, ROUND.replace("45", "45, thickness_mm = 9", 1),
             "seat.claws[0].thickness_mm: must be 0.3 to 3 mm."),
            (HEAD, ROUND.replace("45", "45, width = 1", 1), "seat.claws[0].width: is not known"),
            (HEAD, ROUND.replace("45", "45, notch_depth_mm = 1.1", 1),
             "seat.claws[0].notch_depth_mm: has a notch as deep as the claw is thick"),
            (HEAD, ROUND.replace("135", "135, notch_level_mm = 4", 1),
             "seat.claws[0].notch_level_mm: is missing: other claws have one"),
            (HEAD, "[{at_deg = 0}, {at_deg = 5}, {at_deg = 180}]",
             "seat.claws: has claws at 0 and 5 degrees that overlap"),
            (HEAD, "[{at_deg = 0}, {at_deg = 90}]", "seat.claws: leaves 270 degrees without"),
            (HEAD, ROUND.replace("45", "45, corner = true", 1),
             "seat.claws[0].corner: needs a sharp corner to wrap, and the family oval has none."),
            (SHARP, ROUND.replace("45", "60, corner = true", 1),
             "seat.claws[0].at_deg: is 23 degrees from the nearest corner"),
        ],
    )  # fmt: skip
    def test_a_fault_is_named(self, base, claws, said):
        found = faults({**base, "claw_width_mm": "1.1"}, claws=claws)
        assert any(fault.startswith(said) for fault in found), found

    def test_a_pair_may_stand_close(self):
        pair = (
            "[{at_deg = 0, pair = true}, {at_deg = 5, pair = true}, {at_deg = 120}, {at_deg = 240}]"
        )
        assert len(mounting({**HEAD, "claw_width_mm": "1.1"}, claws=pair).claws) == 4

    def test_one_of_a_pair_is_none(self):
        half = "[{at_deg = 0, pair = true}, {at_deg = 5}, {at_deg = 120}, {at_deg = 240}]"
        assert "that overlap" in faults({**HEAD, "claw_width_mm": "1.1"}, claws=half)[0]

    def test_wide_claws_overlap_by_their_own_widths(self):
        wide = "[{at_deg = 0, width_mm = 4}, {at_deg = 60, width_mm = 4}, {at_deg = 180}]"
        assert "and a claw is 4 mm wide" in faults(HEAD, claws=wide)[0]

    def test_a_direction_may_have_a_decimal_comma(self):
        read = mounting(HEAD, claws=self.ROUND.replace("at_deg = 45", 'at_deg = "45,5"'))
        assert read.claw_directions_deg[0] == 45.5


def traced_in(units_per_mm: float) -> str:
    """An oval of 8.1 by 6.1 mm clicked at 40 places in some unit."""
    turns = (math.tau * k / 40 for k in range(40))
    points = ((4.05 * units_per_mm * math.cos(t), 3.05 * units_per_mm * math.sin(t)) for t in turns)
    return "[" + ", ".join(f"[{x:.5f}, {y:.5f}]" for x, y in points) + "]"


class TestDegenerateSeats:
    """Each is a fault, or an answer that names its cause; none is guessed."""

    @pytest.mark.parametrize(
        ("base", "change", "said"),
        [
            (WALL, {"ledge_width_mm": "0"}, "seat.ledge_width_mm: must be 0.05 to 3 mm"),
            (WALL, {"ledge_angle_deg": "85"}, "seat.ledge_angle_deg: must be 0 to 75 degrees"),
            (WALL, {"opening_length_mm": "0.8"}, "seat.opening_length_mm: must be 1 to 40 mm"),
            (WALL, {"depth_below_ledge_mm": "-0.4"}, "seat.depth_below_ledge_mm: must be 0.3 to"),
            (WALL, {"depth_below_ledge_mm": "{deep = 1.0, shallow = 1.6}"},
             "seat.depth_below_ledge_mm: must have deep larger than shallow"),
            (TUBE, {"depth_below_rim_mm": "-0.4"}, "seat.depth_below_rim_mm: must be 0.5 to"),
            (CLAWS, {"claw_directions_deg": "[45]"}, "seat.claw_directions_deg: is one claw"),
            (CLAWS, {"claw_directions_deg": "[0, 1, 180]"}, "seat.claw_directions_deg: has claws"),
            (CLAWS, {"claw_directions_deg": "[20, 45, 180, 225]", "claw_width_mm": "2.5"},
             "seat.claw_directions_deg: has claws at 20 and 45 degrees that overlap"),
            (TRACED, {"opening_points_mm": traced_in(1 / 25.4)},
             "seat.opening_points_mm: is 0.318 by 0.24 across, and an opening is 1 to 40 mm: it "
             "looks like inches (8.1 by 6.1 mm) or centimetres"),
            (TRACED, {"opening_points_mm": traced_in(30.0)},
             "seat.opening_points_mm: is 243 by 183 across, and an opening is 1 to 40 mm: it looks "
             "like pixels"),
            ({**TRACED, "opening_length_mm": "8.1"}, {"opening_points_mm": traced_in(0.1)},
             "seat.opening_points_mm: is 0.809 by 0.609 across, and a reading says 8.1 mm: it "
             "looks like centimetres"),
            ({**TRACED, "opening_length_mm": "30.1"}, {"opening_points_mm": traced_in(3.7 / 25.4)},
             "seat.opening_points_mm: is 1.18 by 0.887 across, and a reading says 30.1 mm: it "
             "looks like inches"),
        ],
    )  # fmt: skip
    def test_it_is_a_fault(self, base, change, said):
        found = faults(base, **change)
        assert any(fault.startswith(said) for fault in found), found

    @pytest.mark.parametrize("angle", ["0", "75"])
    def test_a_flat_and_a_steep_ledge_are_answered(self, angle):
        """No pavilion of 40 deg lies on either: the answer says how far ledge and pavilion part.

        Over 0.3 mm of ledge under the girdle by about 0.3 tan(40 deg) and 0.3 (tan 75 - tan 40).
        """
        ready = bench(mounting(WALL, ledge_angle_deg=angle), samples=32)
        found = check(ready, cut("oval-brilliant"), 7.9, 5.9, 3.6)
        assert found.rests_on == "ledge"
        match = next(m for m in found.requirements if m.name == "bearing match")
        parted = match.threshold_mm - match.best_estimate_mm
        assert parted > (0.2 if angle == "0" else 0.7)
        if angle == "75":
            assert found.binding == "bearing match"

    def test_an_opening_smaller_than_any_stone_has_an_answer_with_its_cause(self):
        tiny = mounting(
            WALL, opening_length_mm="1.2", opening_width_mm="1.0", ledge_width_mm="0.1",
            depth_below_ledge_mm="0.3",
        )  # fmt: skip
        found = propose(bench(tiny, samples=32), material("corundum"), limit=1)
        assert found.proposals == ()
        assert found.left_out
        assert all(item.requirement and item.shortfall_mm > 0 for item in found.left_out)

    def test_a_back_that_the_pavilion_reaches_first_carries_the_stone_and_is_named(self):
        """0.3 mm below the ledge, the least a file may give: the stone stands on its culet."""
        ready = bench(mounting(WALL, depth_below_ledge_mm="0.3"), samples=32)
        found = check(ready, cut("oval-brilliant"), 7.9, 5.9, 3.6)
        assert found.rests_on == "finger"
        assert found.binding == "culet clearance"
        assert found.verdict == "does not seat"

    @pytest.mark.parametrize(("base", "holds"), [(WALL, "ledge"), (CLAWS, "notch")])
    def test_the_narrowest_ledge_of_a_file_carries_a_stone_or_says_that_it_falls(self, base, holds):
        """0.05 mm of it: a girdle 0.2 mm smaller than the opening is not under metal."""
        ready = bench(mounting(base, ledge_width_mm="0.05"), samples=32)
        fallen = check(ready, cut("oval-brilliant"), 7.7, 5.7, 3.6)
        assert fallen.verdict == "does not seat"
        assert fallen.binding == "ledge cover"
        assert fallen.rests_on != holds

    def test_a_stone_larger_than_the_seat_names_what_stops_it(self):
        ready = bench(mounting(WALL), samples=32)
        found = check(ready, cut("oval-brilliant"), 12.0, 9.0, 5.5)
        assert found.verdict == "does not seat"
        assert found.binding in ("entry", "girdle gap")

    def test_an_error_is_one_the_user_can_put_right(self):
        with pytest.raises(FitsolverError):
            mounting(CLAWS, claw_directions_deg="[45]")
