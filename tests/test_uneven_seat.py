"""Seats that differ from place to place: worn ledges, leaning and cut-down walls, single claws."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from simulated import EXACT, exact, mounting
from solids import stone, style
from test_requirement import CHORD_MM, margins, ready
from test_seat import CLAWS, ROUND, TUBE, drawn, reach
from uneven import EIGHTHS, by_direction, claws, leans

from fitsolver.fitting.contact import drop
from fitsolver.fitting.pose import pose_of
from fitsolver.fitting.requirement import KINDS
from fitsolver.fitting.solver import check
from fitsolver.readings.mounting_key import Place
from fitsolver.seats.belief import belief
from fitsolver.seats.metal import metal
from fitsolver.seats.mounting import Mounting
from fitsolver.seats.seat import FACE_POINTS, Seats, seats
from fitsolver.stones.cut import cut

ROUND_BRILLIANT, ROUND_FLAT = cut("round-brilliant"), cut("round-cabochon")


def station(seat: Seats, at_deg: float) -> int:
    off = np.angle(np.exp(1j * (seat.belief.directions - np.deg2rad(at_deg))))
    return int(np.abs(off).argmin())


def ledge_breadth(seat: Seats, at_deg: float) -> float:
    k = station(seat, at_deg)
    return float(np.linalg.norm(seat.opening[0, k] - seat.ledge_inner[0, k]))


class TestLedge:
    def test_it_is_as_wide_as_it_was_read_there(self):
        """Widths of 0.3 to 0.7 mm; between them and the waves rounding of 0.003 mm a reading."""

        def width(at):
            return 0.5 + 0.2 * np.cos(np.deg2rad(at))

        seat = drawn(ROUND, ledge_width_mm=None, ledge_widths_mm=by_direction(width))
        for at in EIGHTHS:
            assert ledge_breadth(seat, at) == pytest.approx(width(at), abs=0.002)
        between = np.rad2deg(seat.belief.directions[station(seat, 20)])
        assert ledge_breadth(seat, between) == pytest.approx(width(between), abs=0.01)

    def test_it_is_as_high_as_it_was_read_over_any_plane(self):
        def height(at):
            return 0.1 * np.cos(np.deg2rad(2 * at))

        for plane in (2.0, 7.5):
            seat = drawn(ROUND, ledge_heights_mm=by_direction(lambda at, p=plane: p + height(at)))
            for at in EIGHTHS:
                found = seat.ledge_outer_z[0, station(seat, at)]
                assert found == pytest.approx(height(at), abs=0.002)

    def test_a_flat_stone_rests_on_its_highest_place(self):
        """A flat ledge 0.1 mm higher at either end carries a flat back there."""
        seat = drawn(
            ROUND, ledge_angle_deg=0,
            ledge_heights_mm=by_direction(lambda at: 5 + 0.1 * np.cos(np.deg2rad(2 * at))),
        )  # fmt: skip
        disc = stone(style("round"), width_mm=6.4, girdle_mm=0.2, crown_mm=1.0)
        rest = drop(disc, metal(seat))
        assert rest.rest_z_mm - 0.1 == pytest.approx(0.1, abs=0.003)
        assert abs(rest.point_mm[1]) < 1.0

    def test_the_sample_kernel_rests_it_there_too(self):
        heights = by_direction(lambda a: 5 + 0.1 * np.cos(np.deg2rad(2 * a)))
        at = ready(ROUND, ledge_angle_deg=0, ledge_heights_mm=heights)
        judged = check(at, ROUND_FLAT, 6.4, 6.4, 2.6)
        assert judged.girdle_bottom_mm == pytest.approx(0.1, abs=0.004)

    def test_one_narrow_place_sets_the_cover(self):
        """Stone of 6.4 in 6.6: the girdle overhangs the ledge of 0.25 mm there by 0.15 mm.

        It is narrow at both ends, so that no shift helps.
        """
        widths = by_direction(lambda at: 0.5 - 0.25 * np.cos(np.deg2rad(at)) ** 2)
        judged = check(
            ready(ROUND, ledge_width_mm=None, ledge_widths_mm=widths), ROUND_FLAT, 6.4, 6.4, 2.6
        )
        assert margins(judged)["ledge cover"] == pytest.approx(0.25 - 0.1 - 0.10, abs=0.006)
        tightest = next(item for item in judged.requirements if item.name == "ledge cover")
        assert min(tightest.direction_deg % 180, 180 - tightest.direction_deg % 180) < 7


def missing(*arcs: tuple[float, float]) -> str:
    return "[" + ", ".join(f"[{start}, {stop}]" for start, stop in arcs) + "]"


class TestMissingArcs:
    @pytest.mark.parametrize("arc", [(20, 80), (-30, 30), (350, 40), (330, 35)])
    def test_the_metal_lacks_the_ledge_there(self, arc):
        """Within the arc no triangle of the ledge is left; its area falls by the arc's share."""
        whole, gone = (
            next(item for item in metal(drawn(ROUND, ledge_missing_deg=each))
                 if item.name == "ledge")
            for each in (None, missing(arc))
        )  # fmt: skip
        span = (arc[1] - arc[0]) % 360
        middles = gone.triangles.mean(axis=1)
        angle = np.rad2deg(np.arctan2(middles[:, 1], middles[:, 0]))
        assert not np.any((angle - arc[0]) % 360 < span)

        def area(triangles):
            a, b = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
            return np.linalg.norm(np.cross(a, b), axis=1).sum() / 2

        assert area(gone.triangles) / area(whole.triangles) == pytest.approx(
            1 - span / 360, abs=0.001
        )

    def test_the_rest_of_a_round_ledge_carries_a_flat_stone_as_high(self):
        whole = check(ready(ROUND), ROUND_FLAT, 6.4, 6.4, 2.6)
        worn = check(ready(ROUND, ledge_missing_deg=missing((20, 80), (200, 230))),
                     ROUND_FLAT, 6.4, 6.4, 2.6)  # fmt: skip
        # The ends of the arcs are stations, so that the metal is divided otherwise.
        assert worn.rest_height_mm == pytest.approx(whole.rest_height_mm, abs=1e-4)
        assert worn.girdle_bottom_mm == pytest.approx(whole.girdle_bottom_mm, abs=CHORD_MM)
        kept = margins(worn)
        del kept["ledge arc"]
        assert kept == pytest.approx(margins(whole), abs=CHORD_MM)

    @pytest.mark.parametrize("span", [75, 85, 100])
    def test_the_widest_gap_is_measured_along_the_inner_edge(self, span):
        """Radius of the inner edge 2.8 mm; an arc of 90 deg is allowed."""
        judged = check(ready(ROUND, ledge_missing_deg=missing((10, 10 + span), (200, 220))),
                       ROUND_FLAT, 6.4, 6.4, 2.6)  # fmt: skip
        found = next(item for item in judged.requirements if item.name == "ledge arc")
        assert found.best_estimate_mm == pytest.approx(np.deg2rad(90 - span) * 2.8, abs=3e-3)
        assert found.threshold_mm == pytest.approx(np.deg2rad(90) * 2.8, abs=5e-3)
        assert found.direction_deg == pytest.approx(10 + span / 2, abs=3.5)
        assert (judged.verdict == "does not seat") == (span > 90)
        assert found.alteration == ""

    def test_all_gaps_together_are_limited(self):
        """Four pads of 10 deg carry nothing surely, though each gap by itself is allowed."""
        pads = missing((5, 85), (95, 175), (185, 265), (275, 355))
        judged = check(ready(ROUND, ledge_missing_deg=pads), ROUND_FLAT, 6.4, 6.4, 2.6)
        found = next(item for item in judged.requirements if item.name == "ledge arc")
        assert found.best_estimate_mm == pytest.approx(np.deg2rad(200 - 320) * 2.8, abs=7e-3)
        assert judged.verdict == "does not seat"

    def test_the_middle_must_lie_within_what_is_left(self):
        """With 170 deg allowed, a gap of 160 has its chord r cos(80 deg) from the middle."""
        at = ready(ROUND, allowed="largest_missing_ledge_deg = 170",
                   ledge_missing_deg=missing((100, 260)))  # fmt: skip
        judged = check(at, ROUND_FLAT, 6.4, 6.4, 2.6)
        # The stone may centre itself within its play of 0.1 mm on either side.
        found = margins(judged)["ledge arc"]
        assert found == pytest.approx(2.8 * np.cos(np.deg2rad(80)) - 0.30, abs=0.1 + 2e-3)

    def test_a_stone_shifts_freely_over_the_gap(self):
        """Cover is asked for only where a ledge is left: a narrow one may be all in the gap."""
        narrow = by_direction(lambda at: 0.5 - 0.4 * (at in (45, 90)))
        plain = {"ledge_width_mm": None, "ledge_widths_mm": narrow}
        with_gap = ready(ROUND, **plain, ledge_missing_deg=missing((20, 109)))
        without = ready(ROUND, **plain)
        found = [margins(check(at, ROUND_FLAT, 6.4, 6.4, 2.6)) for at in (with_gap, without)]
        assert found[0]["ledge cover"] > found[1]["ledge cover"] + 0.1

    def test_a_seat_that_has_lost_none_asks_nothing_of_arcs(self):
        assert "ledge arc" not in margins(check(ready(ROUND), ROUND_FLAT, 6.4, 6.4, 2.6))
        assert "ledge arc" in KINDS


class TestWalls:
    def test_it_leans_as_it_was_read_there(self):
        """A wall of 1.2 mm narrows by 1.2 tan(lean): lean by direction, to the doubt of a reading.

        Eight protractor readings of 2 deg each draw a wave of 4 deg to within a degree or so.
        """
        seat = drawn(ROUND, wall_lean_deg=None,
                     wall_leans_deg=leans(lambda at: 4 + 4 * np.cos(np.deg2rad(at))))  # fmt: skip
        shown = np.rad2deg(np.arctan(seat.lean[0]))
        assert shown[station(seat, 0)] == pytest.approx(8, abs=1.0)
        assert shown[station(seat, 180)] == pytest.approx(0, abs=1.0)
        narrower = reach(seat.opening) - reach(seat.opening_at(np.array([1.2])))
        assert np.allclose(narrower, 1.2 * np.tan(np.deg2rad(shown)), atol=3e-5)

    def test_the_gap_at_a_leaning_place_is_its_own(self):
        """Leaning at both ends of the length, so that no shift helps: gap less z tan(lean)."""
        at = ready(ROUND, ledge_angle_deg=0, wall_lean_deg=None,
                   wall_leans_deg=leans(lambda a: 10 * np.cos(np.deg2rad(a)) ** 2))  # fmt: skip
        judged = check(at, ROUND_FLAT, 6.2, 6.2, 2.6)
        lean = at.best.lean[0, station(at.best, 0)]
        top = judged.stone.girdle_mm
        assert np.rad2deg(np.arctan(lean)) == pytest.approx(10, abs=1.5)
        assert margins(judged)["girdle gap"] == pytest.approx(0.2 - top * lean, abs=CHORD_MM)
        assert margins(judged)["entry"] == pytest.approx(0.2 - 1.2 * lean + 0.05, abs=CHORD_MM)

    def test_readings_at_a_rim_that_leans_by_direction_are_taken_back_to_the_ledge(self):
        """Opposite leans of 8 and 0 deg: the rim is narrower by 1.2 tan(8 deg), once."""
        seat = drawn(
            ROUND, wall_lean_deg=None, opening_level='"rim"', opening_width_mm=6.6,
            wall_leans_deg=leans(lambda a: 8 * np.cos(np.deg2rad(a) / 2) ** 2),
        )  # fmt: skip
        lean = [seat.lean[0, station(seat, at)] for at in (0, 180)]
        length = seat.belief.mean[seat.belief.index("opening_length_mm")]
        assert length == pytest.approx(6.6 + 1.2 * sum(lean), abs=3e-3)

    def test_a_cut_down_arc_leaves_less_to_close(self):
        """0.5 mm of wall at 180 deg: as much less above the girdle as the wall is lower."""
        heights = by_direction(lambda at: 0.7 if at == 180 else 1.2)
        whole = check(ready(ROUND), ROUND_FLAT, 6.4, 6.4, 2.6)
        shorter = check(ready(ROUND, wall_height_mm=None, wall_heights_mm=heights),
                        ROUND_FLAT, 6.4, 6.4, 2.6)  # fmt: skip
        lost = margins(whole)["metal above girdle"] - margins(shorter)["metal above girdle"]
        assert lost == pytest.approx(0.5, abs=0.02)
        found = next(m for m in shorter.requirements if m.name == "metal above girdle")
        assert found.direction_deg == pytest.approx(180, abs=7)

    def test_a_wall_is_read_from_the_ledge_below_it(self):
        """Level rim over an uneven ledge: what the ledge is lower, the wall is higher."""

        def low(at):
            return 0.1 * np.cos(np.deg2rad(2 * at))

        seat = drawn(
            ROUND, ledge_heights_mm=by_direction(lambda at: 5 + low(at)), wall_height_mm=None,
            wall_heights_mm=by_direction(lambda at: 1.2 - low(at)),
        )  # fmt: skip
        assert np.allclose(seat.top, 1.2, atol=0.004)

    def test_a_collet_that_leans_inward_lets_in_less(self):
        """Entry at its rim, 1.2 tan(12 deg) further in; the setter's give comes on top."""
        judged = check(ready(ROUND, wall_lean_deg=12), ROUND_FLAT, 6.1, 6.1, 2.6)
        expected = 0.25 - 1.2 * np.tan(np.deg2rad(12)) + 0.05
        assert margins(judged)["entry"] == pytest.approx(expected, abs=CHORD_MM)


class TestTaperedCollets:
    """An uncut collet that narrows downward has a lean outward; its bearing is cut lower."""

    @pytest.mark.parametrize("lean", [0, -8, -15])
    def test_the_bearing_is_as_deep_as_the_girdle_reaches_where_it_lies(self, lean):
        """Bore 6.6 at the rim, at depth h narrower by h tan(lean) on each side."""
        at = ready(TUBE, wall_lean_deg=lean, opening_length_mm=6.2)
        judged = check(at, ROUND_FLAT, 6.4, 6.4, 2.6)
        lower = judged.girdle_bottom_mm
        assert lower < 0
        bore = 3.1 + lower * np.tan(np.deg2rad(-lean))
        deep = 3.2 - bore
        assert margins(judged)["notch floor"] == pytest.approx(deep - 0.10, abs=CHORD_MM)
        assert margins(judged)["notch ceiling"] == pytest.approx(0.6 - 0.30 - deep, abs=CHORD_MM)


FLUSH = {**ROUND, "flush": "true"}


class TestFlush:
    def test_the_girdle_lies_below_the_surface_and_an_edge_is_burnished(self):
        """Ledge 0.6 mm below the surface: 0.15 mm above the girdle, and gaps to 0.10 mm close."""
        judged = check(ready(FLUSH, wall_height_mm=0.6), ROUND_FLAT, 6.5, 6.5, 2.6)
        gap, found = 0.05, margins(judged)
        assert found["metal above girdle"] == pytest.approx(
            0.6 + gap * np.tan(np.deg2rad(40)) - judged.stone.girdle_mm - 0.15, abs=CHORD_MM
        )
        assert found["closing gap"] == pytest.approx(0.10 - gap, abs=CHORD_MM)

    def test_flat_metal_is_not_brought_in(self):
        judged = check(ready(FLUSH, wall_height_mm=0.6), ROUND_FLAT, 6.3, 6.3, 2.6)
        found = next(item for item in judged.requirements if item.name == "closing gap")
        assert found.best_estimate_mm == pytest.approx(0.10 - 0.15, abs=CHORD_MM)
        assert (found.alteration, judged.verdict) == ("", "does not seat")

    def test_metal_beside_it_is_taken_as_ample_where_nobody_measured(self):
        held = mounting(EXACT, **{**FLUSH, "wall_thickness_mm": None})
        taken = {item.name: item.value for item in belief(held).assumed}
        assert taken["wall_thickness_mm"] == 2.0

    def test_uncut_flush_metal_takes_a_bearing(self):
        at = ready({**TUBE, "flush": "true"}, wall_thickness_mm=2.0)
        judged = check(at, ROUND_FLAT, 7.0, 7.0, 2.8)
        assert margins(judged)["notch floor"] == pytest.approx(0.2 - 0.10, abs=CHORD_MM)
        assert margins(judged)["height play"] > 0


HEAD = {
    **exact(
        holds='"claws"', state='"uncut"', back='"open"', make='"cast"', irregularity_mm=0,
        opening_family='"round"', opening_level='"rim"', opening_length_mm=6.0,
        claw_thickness_mm=1.0, claw_width_mm=1.0, claw_lean_deg=0, depth_below_rim_mm=6.0,
    ),
}  # fmt: skip
FOUR = [{"at_deg": 45 + 90 * k} for k in range(4)]


def head(*changes: dict[str, object]) -> dict[str, object]:
    """Four claws; `changes` to the first, the second and so on."""
    own = [dict(one) for one in FOUR]
    for one, more in zip(own, changes, strict=False):
        one.update(more)
    return {**HEAD, "claws": claws(*own)}


class TestClawsByThemselves:
    STONE = (6.8, 6.8, 3.2)

    def judged(self, seat):
        return margins(check(ready(seat), ROUND_BRILLIANT, *self.STONE))

    def test_claws_that_differ_in_nothing_are_as_their_directions_alone(self):
        plain = {**HEAD, "claw_directions_deg": [45, 135, 225, 315]}
        assert self.judged(head()) == pytest.approx(self.judged(plain), abs=1e-9)

    def test_thinner_claws_take_shallower_notches(self):
        """Half of the thickness at most: two facing claws 0.2 mm thinner take 0.1 mm less.

        They face each other, so that no shift of the stone helps.
        """
        thin = {"thickness_mm": 0.8}
        lost = self.judged(head())["notch ceiling"] - self.judged(head(thin, {}, thin))[
            "notch ceiling"]  # fmt: skip
        assert lost == pytest.approx(0.5 * 0.2, abs=1e-4)

    def test_one_thicker_claw_asks_for_a_deeper_notch(self):
        """Of 15 %: two facing claws 0.4 mm thicker ask 0.06 mm more."""
        thick = {"thickness_mm": 1.4}
        lost = self.judged(head())["notch floor"] - self.judged(head(thick, {}, thick))[
            "notch floor"]  # fmt: skip
        assert lost == pytest.approx(0.15 * 0.4, abs=2e-3)  # the stone centres itself anew

    def test_a_shared_claw_is_notched_to_a_quarter(self):
        """At most 25 % rather than 50 % of 1 mm (Professional Jeweler, Dec 2002)."""
        shared = {"shared": True}
        lost = self.judged(head())["notch ceiling"] - self.judged(head(shared, {}, shared))[
            "notch ceiling"]  # fmt: skip
        assert lost == pytest.approx(0.25, abs=1e-4)
        judged = check(ready(head(shared, {}, shared)), ROUND_BRILLIANT, *self.STONE)
        found = next(item for item in judged.requirements if item.name == "notch ceiling")
        assert "Professional Jeweler, Dec 2002" in found.source

    def test_a_shorter_claw_leaves_less_above_the_girdle(self):
        seat = {**CLAWS, "claw_directions_deg": None}
        places = [{"at_deg": at} for at in (38, 142, 218, 322)]
        places[2]["length_mm"] = 1.1
        whole = margins(check(ready(CLAWS), cut("emerald"), 8.9, 6.9, 4.4))
        short = margins(check(ready({**seat, "claws": claws(*places)}), cut("emerald"), 8.9, 6.9,
                              4.4))  # fmt: skip
        assert whole["metal above girdle"] - short["metal above girdle"] == pytest.approx(
            0.4, abs=1e-4
        )

    def test_each_has_its_own_face_notch_and_lean(self):
        places = [
            {"at_deg": 38, "width_mm": 1.8}, {"at_deg": 142, "notch_depth_mm": 0.5},
            {"at_deg": 218, "lean_deg": 10}, {"at_deg": 322, "thickness_mm": 1.3},
        ]  # fmt: skip
        seat = drawn({**CLAWS, "claw_directions_deg": None, "claws": claws(*places)})
        faces = seat.opening[0].reshape(4, FACE_POINTS, 2)
        widths = np.linalg.norm(faces[:, -1] - faces[:, 0], axis=1)
        assert widths == pytest.approx([1.8, 1.2, 1.2, 1.2], abs=1e-4)
        deep = np.linalg.norm((seat.opening - seat.ledge_inner)[0], axis=1)[::FACE_POINTS]
        assert deep == pytest.approx([0.36, 0.5, 0.36, 0.36], abs=1e-4)
        lean = np.rad2deg(np.arctan(seat.lean[0, ::FACE_POINTS]))
        assert lean == pytest.approx([0, 0, 10, 0], abs=1e-9)
        assert seat.thickness[0, ::FACE_POINTS] == pytest.approx([1, 1, 1, 1.3], abs=1e-4)

    def test_a_higher_notch_carries_a_flat_stone(self):
        """Flat notches, one 0.1 mm higher than the others, over a plane anywhere.

        The datum is the mean of the four: it lies 0.075 above that, and its tip with it.
        """
        levels = (4.0, 4.0, 4.1, 4.0)
        own = [{"at_deg": at, "notch_level_mm": level}
               for at, level in zip((38, 142, 218, 322), levels, strict=True)]  # fmt: skip
        seat = drawn({**CLAWS, "claw_directions_deg": None, **exact(ledge_angle_deg=0),
                      "claws": claws(*own)})  # fmt: skip
        assert seat.ledge_outer_z[0, ::FACE_POINTS] == pytest.approx(
            [-0.025, -0.025, 0.075, -0.025], abs=0.002
        )
        assert seat.top[0, ::FACE_POINTS] == pytest.approx([1.475, 1.475, 1.575, 1.475], abs=0.002)
        slab = stone(style("octagon"), 9 / 7, width_mm=6.9, girdle_mm=0.2, crown_mm=1.0)
        rest = drop(slab, metal(seat))
        assert rest.rest_z_mm - 0.1 == pytest.approx(0.075, abs=0.002)
        assert np.rad2deg(np.arctan2(rest.point_mm[1], rest.point_mm[0])) % 360 == pytest.approx(
            218, abs=8
        )

    def test_all_of_their_own_need_no_common_reading(self):
        own = [{"at_deg": at, "thickness_mm": 0.9 + at / 1000, "notch_depth_mm": 0.3,
                "width_mm": 1.0, "length_mm": 1.4} for at in (38, 142, 218, 322)]  # fmt: skip
        common = ("claw_directions_deg", "claw_width_mm", "claw_thickness_mm", "ledge_width_mm",
                  "claw_length_mm")  # fmt: skip
        seat = {**CLAWS, **dict.fromkeys(common), "claws": claws(*own)}
        held = mounting(EXACT, **seat)
        assert {item.name for item in belief(held).assumed} == {
            "irregularity_mm", "opening_corner_pct"
        }  # fmt: skip
        assert np.allclose(seats(belief(held), 0).notch, 0.3, atol=1e-4)
        assert held.readings[Place("claw_thickness_mm", 322)].value_mm == pytest.approx(1.222)

    def test_a_pair_is_parted_by_a_saw_cut(self):
        """Claws 8 degrees apart on a straight side, 1.2 mm wide: nine tenths of their distance."""
        places = [{"at_deg": at} for at in (142, 218)]
        places += [{"at_deg": at, "pair": True} for at in (34, 42)]
        seat = drawn({**CLAWS, "claw_directions_deg": None, "claws": claws(*places)})
        first, second = seat.opening[0].reshape(4, FACE_POINTS, 2)[:2]
        apart = np.linalg.norm(first[2] - second[2])
        assert apart < 1.2
        for face in (first, second):
            assert np.linalg.norm(face[-1] - face[0]) == pytest.approx(0.9 * apart, abs=1e-4)
        assert not shapely.LineString(first).intersects(shapely.LineString(second))


SQUARE = exact(
    holds='"claws"', state='"cut"', back='"open"', make='"cast"', irregularity_mm=0,
    opening_family='"square"', opening_level='"girdle"', opening_length_mm=6.0,
    opening_width_mm=6.0, claw_thickness_mm=1.0, claw_width_mm=2.0, claw_length_mm=1.5,
    claw_lean_deg=0, notch_height_mm=0.6, ledge_width_mm=0.4, ledge_angle_deg=35,
    depth_below_ledge_mm=4.5,
)  # fmt: skip
CORNERS = claws(*({"at_deg": 45 + 90 * k, "corner": True} for k in range(4)))


class TestCornerClaws:
    def test_they_lie_on_both_sides_of_the_corner(self):
        seat = drawn({**SQUARE, "claws": CORNERS})
        first = seat.opening[0, :FACE_POINTS]
        expected = [[3, 2], [3, 2.5], [3, 3], [2.5, 3], [2, 3]]
        assert np.allclose(first, expected, atol=1e-4)
        edge = seat.ledge_inner[0, :FACE_POINTS]
        assert np.allclose(edge[[0, 2, 4]], [[2.6, 2], [2.6, 2.6], [2, 2.6]], atol=1e-4)
        assert np.allclose(np.linalg.norm(seat.outward[:FACE_POINTS], axis=1), [1, 1, 2**0.5, 1, 1])

    def test_a_direction_read_by_eye_finds_the_corner(self):
        rough = claws(*({"at_deg": 45 + 90 * k + 6, "corner": True} for k in range(4)))
        seat, exact_ = (drawn({**SQUARE, "claws": each}) for each in (rough, CORNERS))
        assert np.allclose(seat.opening, exact_.opening, atol=1e-9)

    def test_a_square_stone_by_hand(self):
        """5.8 in 6.0: gap 0.1 all round, cover 0.3; tips guarded, held on both sides."""
        at = ready({**SQUARE, "claws": CORNERS})
        found = margins(check(at, cut("square-step"), 5.8, 5.8, 3.8))
        assert found["girdle gap"] == pytest.approx(0.1, abs=2e-3)
        assert found["closing gap"] == pytest.approx(0.25 - 0.1, abs=2e-3)
        assert found["ledge cover"] == pytest.approx(0.3 - 0.10, abs=2e-3)
        assert found["entry"] == pytest.approx(0.1 - 0.4 + 0.40, abs=2e-3)

    def test_they_lean_without_opening_at_the_corner(self):
        """Leaning 10 deg, both sides and their corner move in by z tan(10 deg)."""
        seat = drawn({**SQUARE, "claws": CORNERS, **exact(claw_lean_deg=10)})
        face = seat.opening_at(np.array([1.0]))[0, :FACE_POINTS]
        inward = np.tan(np.deg2rad(10))
        assert np.allclose(face[2], 3 - inward, atol=1e-4)
        assert np.allclose(face[[0, 1], 0], 3 - inward, atol=1e-4)

    def test_the_tip_of_a_marquise(self):
        """Its arms follow both sides of the tip, the same on either side of the length."""
        seat = {**SQUARE, **exact(opening_family='"marquise"', opening_length_mm=12.0,
                                  opening_width_mm=6.0)}  # fmt: skip
        places = [{"at_deg": 0, "corner": True}, {"at_deg": 180, "corner": True},
                  {"at_deg": 90}, {"at_deg": 270}]  # fmt: skip
        found = drawn({**seat, "claws": claws(*places)})
        face = found.opening[0, :FACE_POINTS]
        assert np.allclose(face[2], [6, 0], atol=1e-3)
        assert np.allclose(face[::-1] * (1, -1), face, atol=1e-6)
        ring = shapely.LinearRing(found.belief.figure_mm())
        assert max(ring.distance(shapely.Point(p)) for p in face) < 0.06


class TestHowItLies:
    """What is told of a resting stone knows of gaps, leans by place and single claws."""

    def test_nothing_touches_where_no_ledge_is_left(self):
        at = ready(ROUND, ledge_missing_deg=missing((20, 80)), wall_lean_deg=None,
                   wall_leans_deg=leans(lambda a: 3 * np.cos(np.deg2rad(a))))  # fmt: skip
        pose = pose_of(at, check(at, ROUND_FLAT, 6.4, 6.4, 2.6))
        assert pose.ledge is not None
        assert not np.any((pose.ledge.direction_deg > 21) & (pose.ledge.direction_deg < 79))
        assert pose.support is not None
        assert 55 < pose.support.touches.open_arc_deg < 75
        edge = next(zone for zone in pose.zones if zone.name == "ledge edge")
        assert not np.any((edge.direction_deg > 25) & (edge.direction_deg < 75))

    def test_corner_claws(self):
        at = ready({**SQUARE, "claws": CORNERS})
        pose = pose_of(at, check(at, cut("square-step"), 5.8, 5.8, 3.8))
        beside = next(zone for zone in pose.zones if zone.name == "claw")
        assert beside.least_mm == pytest.approx(0.1, abs=2e-3)


def test_turning_and_order_do_not_matter():
    """Places and claws in any order, and directions a whole turn off, are the same mounting."""
    listed = by_direction(lambda at: 0.5 + at / 2000)
    again = by_direction(lambda at: 0.5 + (at % 360) / 2000, [at - 360 for at in EIGHTHS[::-1]][:4]
                         + list(EIGHTHS[:4]))  # fmt: skip
    first, second = (
        mounting(EXACT, **{**ROUND, "ledge_width_mm": None, "ledge_widths_mm": each})
        for each in (listed, again)
    )
    assert isinstance(first, Mounting)
    assert first.ledge_widths_mm == second.ledge_widths_mm
    assert (
        mounting(EXACT, **head(*[{"lean_deg": 3}])).claws
        == mounting(
            EXACT,
            **{**HEAD, "claws": claws(*FOUR[:0:-1], {"at_deg": 45 - 360 / 2 + 180, "lean_deg": 3})},
        ).claws
    )
