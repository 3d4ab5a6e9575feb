"""Seats as geometry: the metal that readings describe, in closed form where there is one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from simulated import EXACT, exact, mounting

from fitsolver.fitting.bench import bench
from fitsolver.fitting.sizes import stone_sizes
from fitsolver.fitting.solver import check
from fitsolver.seats.belief import belief
from fitsolver.seats.seat import FACE_POINTS, Seats, seats, seats_of
from fitsolver.stones import outline
from fitsolver.stones.cut import cut

ROUND = exact(
    holds='"wall"', state='"cut"', back='"open"', make='"cast"', irregularity_mm=0,
    opening_family='"round"', opening_level='"girdle"', opening_length_mm=6.6,
    ledge_width_mm=0.5, ledge_angle_deg=40, wall_height_mm=1.2, wall_thickness_mm=0.6,
    wall_lean_deg=0, depth_below_ledge_mm=3.0,
)  # fmt: skip
CLAWS = exact(
    holds='"claws"', state='"cut"', back='"open"', make='"cast"', irregularity_mm=0,
    opening_family='"octagon"', opening_level='"girdle"', opening_length_mm=9.0,
    opening_width_mm=7.0, claw_directions_deg=[38, 142, 218, 322], claw_thickness_mm=1.0,
    claw_width_mm=1.2, claw_length_mm=1.5, claw_lean_deg=0, notch_height_mm=0.45,
    ledge_width_mm=0.36, ledge_angle_deg=35, depth_below_ledge_mm=3.6,
)  # fmt: skip
TUBE = {**{key: value for key, value in ROUND.items()
           if key not in ("ledge_width_mm", "ledge_angle_deg", "wall_height_mm",
                          "depth_below_ledge_mm")},
        "state": '"uncut"', **exact(depth_below_rim_mm=5.0)}  # fmt: skip


def drawn(seat: dict[str, object], samples: int = 0, **changes: object) -> Seats:
    return seats(belief(mounting(EXACT, **{**seat, **exact(**changes)})), samples)


def reach(points: np.ndarray) -> np.ndarray:
    return np.linalg.norm(points, axis=-1)


class TestWall:
    def test_opening_and_ledge_are_circles(self):
        """Radii 3.3 and 3.3 - 0.5 mm; stations lie as far outside them as chords inside."""
        seat = drawn(ROUND)
        for points, radius in ((seat.opening[0], 3.3), (seat.ledge_inner[0], 2.8)):
            assert np.allclose(reach(points), radius, atol=0.003)
            chords = reach((points + np.roll(points, 1, axis=0)) / 2)
            assert (reach(points).mean() + chords.mean()) / 2 == pytest.approx(radius, abs=4e-4)

    def test_the_ledge_slopes_down_inward(self):
        """Its inner edge lies 0.5 tan(40 deg) below the corner of wall and ledge."""
        seat = drawn(ROUND)
        assert np.allclose(seat.ledge_outer_z, 0)
        assert np.allclose(seat.ledge_inner_z, -0.5 * np.tan(np.deg2rad(40)), atol=1e-6)

    def test_the_finger_is_measured_from_the_inner_edge(self):
        seat = drawn(ROUND)
        assert seat.floor_z[0] == pytest.approx(-0.5 * np.tan(np.deg2rad(40)) - 3.0)

    @pytest.mark.parametrize("lean", [-10, 0, 8])
    def test_a_leaning_wall_narrows_upward(self, lean):
        """By h tan(lean), square to the polygon's sides: up to 0.6 degrees off the radius."""
        seat = drawn(ROUND, wall_lean_deg=lean)
        narrower = seat.opening_at(np.array([1.2]))
        assert np.allclose(
            reach(seat.opening) - reach(narrower), 1.2 * np.tan(np.deg2rad(lean)), atol=3e-5
        )

    @pytest.mark.parametrize(
        ("family", "length", "width"),
        [("oval", 8, 6), ("cushion", 8, 6.8), ("octagon", 9, 7), ("rectangle", 9, 6),
         ("marquise", 10, 5), ("pear", 9, 6), ("triangle", 7, 7.5)],
    )  # fmt: skip
    def test_the_ledge_is_as_wide_as_it_was_read_everywhere(self, family, length, width):
        """Square to the wall, by shapely's distance.

        Chords between stations 5 degrees apart lie inside a rounded wall by up to r (1 - cos)
        of half that, 0.01 mm where a pear or cushion is flat and long.
        """
        seat = drawn(ROUND, opening_family=f'"{family}"', opening_length_mm=length,
                     opening_width_mm=width)  # fmt: skip
        wall = shapely.LinearRing(seat.opening[0])
        apart = [wall.distance(shapely.Point(point)) for point in seat.ledge_inner[0]]
        assert np.allclose(apart, 0.5, atol=0.011)

    def test_corners_of_the_opening_are_stations(self):
        seat = drawn(ROUND, opening_family='"rectangle"', opening_length_mm=9, opening_width_mm=6)
        assert reach(seat.opening[0]).max() == pytest.approx(np.hypot(4.5, 3.0), abs=1e-6)
        hull = shapely.Polygon(seat.opening[0])
        assert hull.area == pytest.approx(54.0, rel=1e-6)

    def test_outward_is_outward(self):
        seat = drawn(ROUND, opening_family='"cushion"', opening_width_mm=6.0)
        assert np.allclose(np.linalg.norm(seat.outward, axis=1), 1, atol=1e-3)
        assert np.all(np.einsum("nk,nk->n", seat.outward, seat.opening[0]) > 0)


class TestUncut:
    def test_the_datum_is_the_rim(self):
        seat = drawn(TUBE)
        assert seat.ledge_inner is None
        assert np.allclose(seat.top, 0)
        assert seat.floor_z[0] == pytest.approx(-5.0)


class TestClaws:
    def test_every_claw_has_a_flat_face_as_wide_as_it_was_read(self):
        seat = drawn(CLAWS)
        faces = seat.opening[0].reshape(4, FACE_POINTS, 2)
        assert np.array_equal(seat.claw, np.repeat(np.arange(4), FACE_POINTS))
        for face in faces:
            steps = np.diff(face, axis=0)
            assert np.allclose(steps, steps[0])
            assert np.linalg.norm(face[-1] - face[0]) == pytest.approx(1.2, abs=1e-5)

    def test_claws_stand_where_the_file_says(self):
        middles = drawn(CLAWS).opening[0, FACE_POINTS // 2 :: FACE_POINTS]
        found = np.rad2deg(np.arctan2(middles[:, 1], middles[:, 0])) % 360
        assert np.allclose(found, [38, 142, 218, 322])

    def test_notches_have_a_mouth_and_claws_a_top(self):
        seat = drawn(CLAWS)
        assert seat.mouth[0] == pytest.approx(0.45, abs=1e-5)
        assert np.allclose(seat.top, 1.5, atol=1e-5)
        assert seat.thickness[0] == pytest.approx(1.0, abs=1e-5)


RAIL = {"gallery_length_mm": 5.0, "gallery_width_mm": 4.0, "gallery_depth_mm": 1.3}


class TestGallery:
    def test_under_a_wall(self):
        seat = drawn(ROUND, opening_family='"oval"', opening_length_mm=8, opening_width_mm=6,
                     **RAIL)  # fmt: skip
        assert np.ptp(seat.gallery[0], axis=0) == pytest.approx([5.0, 4.0], abs=0.004)
        assert seat.gallery_z[0] == pytest.approx(-1.3)

    def test_it_runs_all_round_under_claws(self):
        seat = drawn(CLAWS, **RAIL)
        rail = shapely.Polygon(seat.gallery[0])
        assert np.ptp(seat.gallery[0], axis=0) == pytest.approx([5.0, 4.0], abs=0.004)
        # The octagon of the opening's own proportions: area L W - 2 c^2 of a cut by c = 0.15 W.
        stretched = 5.0 * 4.0 * (1 - 2 * (0.15 * 7) ** 2 / (9 * 7))
        assert rail.area == pytest.approx(stretched, rel=1e-3)

    def test_a_round_rail_needs_its_diameter_only(self):
        seat = drawn(ROUND, gallery_length_mm=5.0, gallery_depth_mm=1.3)
        assert np.ptp(seat.gallery[0], axis=0) == pytest.approx([5.0, 5.0], abs=0.01)


HAND = {
    **ROUND, "make": '"hand"', "irregularity_mm": None, "opening_family": '"cushion"',
    "opening_length_mm": 8.0, "opening_width_mm": 6.8, "ledge_width_mm": 0.5,
    "wall_height_mm": 1.0,
}  # fmt: skip


class TestDraws:
    def test_the_first_is_the_best_estimate(self):
        many, one = drawn(HAND, 64), drawn(HAND)
        assert np.array_equal(many.opening[0], one.opening[0])
        assert np.array_equal(many.parameters[0], many.belief.mean)

    def test_the_same_every_time(self):
        assert np.array_equal(drawn(HAND, 64).opening, drawn(HAND, 64).opening)

    def test_more_draws_keep_the_earlier_ones(self):
        assert np.array_equal(drawn(HAND, 64).opening, drawn(HAND, 128).opening[:65])

    def test_draws_scatter_as_believed(self):
        """512 even draws: means within 0.05 u, spreads within a tenth.

        Plain random draws would leave means within 1 / sqrt(512) = 0.044 u, two times in three.
        """
        seat = drawn(HAND, 512)
        u = np.sqrt(np.diag(seat.belief.covariance))
        known = u > 1e-9
        draws = seat.parameters[1:, known]
        assert np.abs((draws.mean(axis=0) - seat.belief.mean[known]) / u[known]).max() < 0.05
        assert np.allclose(draws.std(axis=0), u[known], rtol=0.1)

    def test_a_seat_and_a_stone_are_drawn_independently(self):
        """A large seat must not come with a large stone.

        Sobol columns of the same number are tied however they are scrambled; 512 draws that are
        not have correlations of about 0.04, and 0.15 is never met by chance.
        """
        seat = drawn(HAND, 512)
        sizes = stone_sizes(cut("cushion-brilliant"), 7.6, 6.5, 4.2, 0.012, 512)
        stone = np.array([sizes.length, sizes.width, sizes.crown, sizes.girdle, sizes.pavilion])
        known = np.diag(seat.belief.covariance) > 1e-9
        both = np.vstack([stone[:, 1:], seat.parameters[1:, known].T])
        tied = np.corrcoef(both)[: len(stone), len(stone) :]
        assert np.abs(tied).max() < 0.15

    def test_rows_may_repeat(self):
        seat = drawn(HAND, 8)
        chosen = seat.rows(np.array([3, 0, 3]))
        assert chosen.count == 3
        assert np.array_equal(chosen.opening[0], seat.opening[3])
        assert np.array_equal(chosen.opening[2], chosen.opening[0])
        assert np.array_equal(chosen.floor_z[1:2], seat.floor_z[:1])
        assert np.array_equal(chosen.outward, seat.outward)


CORNERED = {
    "opening_family": '"octagon"', "opening_length_mm": 8.1, "opening_width_mm": 6.1,
    "ledge_width_mm": 0.4, "wall_lean_deg": 0,
}  # fmt: skip


class TestCorners:
    @pytest.mark.parametrize("corner_pct", [8, 10, 12, 20, 25])
    def test_an_octagon_has_the_corners_that_were_read(self, corner_pct):
        """Corner to corner in closed form; the polygon drawn is the octagon itself."""
        cut_off = corner_pct / 100 * 6.1
        across = 2 * max(np.hypot(4.05, 3.05 - cut_off), np.hypot(4.05 - cut_off, 3.05))
        seat = drawn(ROUND, **CORNERED, opening_diagonal_mm=across)
        own = shapely.box(-4.05, -3.05, 4.05, 3.05)
        for x, y in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
            tip = [(4.05, 3.05), (4.05 - cut_off, 3.05), (4.05, 3.05 - cut_off)]
            own = own.difference(shapely.Polygon([(x * a, y * b) for a, b in tip]))
        away = shapely.Polygon(seat.opening[0]).symmetric_difference(own).area / own.length
        assert away < 0.004

    def test_unread_corners_are_drawn_where_they_may_be(self):
        """What a draw's corner is, its polygon has, to a few hundredths; straight it was 0.3."""
        known = belief(mounting(EXACT, **{**ROUND, **exact(**CORNERED)}))
        place = known.index("opening_corner_pct")
        u = np.sqrt(known.covariance[place, place])
        assert u > 2
        for off in (-2, -1, 1, 2):
            parameters = known.mean.copy()
            parameters[place] += off * u
            points = outline.draw("octagon", 8.1 / 6.1, {"corner_pct": parameters[place]}) * 6.1
            there = shapely.Polygon(seats_of(known, parameters[None]).opening[0])
            assert there.hausdorff_distance(shapely.Polygon(points)) < 0.06


@pytest.mark.parametrize(("family", "length"), [("round", 8), ("oval", 8), ("marquise", 10)])
def test_chords_are_as_far_inside_a_curved_wall_as_outside(family, length):
    seat = drawn(
        ROUND, opening_family=f'"{family}"', opening_length_mm=length,
        opening_width_mm=None if family == "round" else 6,
    )  # fmt: skip
    true = shapely.Polygon(seat.belief.figure_mm())
    points = seat.opening[0]

    def outside(places: np.ndarray) -> np.ndarray:
        found = shapely.points(places)
        away = shapely.distance(found, true.exterior)
        return np.where(shapely.contains(true, found), -away, away)

    stations, chords = outside(points), outside((points + np.roll(points, 1, axis=0)) / 2)
    assert (stations.mean() + chords.mean()) / 2 == pytest.approx(0.0, abs=2e-4)
    assert np.abs([*stations, *chords]).max() < 0.004


class TestSizesOfAStone:
    @pytest.mark.parametrize("u_mm", [0.0, 0.002, 0.012])
    @pytest.mark.parametrize("style", ["oval-brilliant", "emerald-cut", "round-brilliant"])
    def test_all_heights_may_be_read_however_well(self, style, u_mm):
        """What is left of the heights' doubt is then a hair of what it was, and no less than 0."""
        for width in np.linspace(2.0, 12.0, 21):
            heights = {"crown_height_mm": 0.16 * width, "girdle_mm": 0.03 * width,
                       "pavilion_depth_mm": 0.43 * width}  # fmt: skip
            found = stone_sizes(cut(style), 1.2 * width, width, 0.62 * width, u_mm, 32, heights)
            assert found.crown[0] == pytest.approx(0.16 * width, abs=0.03)
            assert np.std(found.crown) < 0.02


@pytest.mark.parametrize("lean_deg", [5, 15, 30])
@pytest.mark.parametrize(
    ("family", "length", "width"),
    [("marquise", 10, 5), ("pear", 9, 6), ("rectangle", 8, 6), ("octagon", 8, 6),
     ("triangle", 7, 7), ("cushion", 7, 6), ("oval", 8, 6)],
)  # fmt: skip
def test_a_wall_that_leans_in_is_its_figure_moved_in(family, length, width, lean_deg):
    """At 1 mm up, beside tips and in corners too: shapely's mitred offset is the referee."""
    seat = drawn(
        ROUND, opening_family=f'"{family}"', opening_length_mm=length, opening_width_mm=width,
        wall_lean_deg=lean_deg,
    )  # fmt: skip
    way = np.tan(np.deg2rad(float(np.rad2deg(np.arctan(seat.lean[0, 0])))))
    above = shapely.Polygon(seat.opening_at(np.array([1.0]))[0]).buffer(0)
    asked = shapely.Polygon(seat.opening[0]).buffer(-way, join_style="mitre", mitre_limit=20)
    assert above.hausdorff_distance(asked) < 0.008


def test_a_tip_that_leans_far_in_makes_no_wild_gaps():
    """What passed the other side of a tip had made gaps of millimetres in some draws."""
    steep = mounting(
        EXACT,
        **{**ROUND, **exact(
            opening_family='"pear"', opening_length_mm=9, opening_width_mm=6, wall_height_mm=1.8,
            wall_lean_deg=30, irregularity_mm=0.05,
        )},
    )  # fmt: skip
    judged = check(bench(steep, samples=128), cut("pear-brilliant"), 8.9, 5.9, 3.6, exact=False)
    gap = next(item for item in judged.requirements if item.name == "girdle gap")
    assert gap.u_mm < 0.12
    assert gap.margin_mm > -0.3
