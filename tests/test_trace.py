"""Openings given as traced points: what is a trace, the curve, what the belief makes of it.

Areas, lengths and inscribed circles are held against shapely on the same edges.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import shapely
from clicked import WALL, clicked, on_edge, outline_of, oval_points, traced
from simulated import mounting

from fitsolver.errors import InputFaults
from fitsolver.files.datafile import parse_toml
from fitsolver.fitting.bench import bench
from fitsolver.fitting.solver import check
from fitsolver.seats.belief import Belief, belief
from fitsolver.seats.mounting import load_mounting, mounting_from
from fitsolver.seats.mounting_writer import save_edits
from fitsolver.seats.seat import seats
from fitsolver.seats.trace import (
    CURVE_POINTS,
    FEWEST_POINTS,
    MOST_POINTS,
    POINT_U_MM,
    SCALE_U_PCT,
    Trace,
    radius_at,
    trace_from,
)
from fitsolver.seats.trace_file import points_from
from fitsolver.stones import outline
from fitsolver.stones.cut import cut


def ring(points: np.ndarray) -> shapely.Polygon:
    return shapely.Polygon(points)


def told(points: object, **more: object) -> str:
    with pytest.raises(InputFaults) as caught:
        trace_from(points, **more)
    return str(caught.value)


def radius_u(of: Belief) -> np.ndarray:
    return np.sqrt(np.einsum("ij,jk,ik->i", of.slopes, of.covariance, of.slopes))


def worn(family: str, ratio: float, width: float, by: float = 0.4) -> np.ndarray:
    """A family's figure with its corners worn to arcs of radius `by` [mm]."""
    edge = ring(outline.draw(family, ratio) * width)
    return shapely.get_coordinates(edge.buffer(-by).buffer(by, quad_segs=16).exterior)[:-1]


class TestTheCurve:
    @pytest.mark.parametrize("count", [24, 40, 90, 700])
    def test_area_perimeter_and_inscribed_circle_are_those_of_the_edge(self, count):
        """Exact points: of the true edge by shapely, within what 24 points can carry."""
        edge = ring(oval_points(2000))
        trace = trace_from(oval_points(count))
        assert trace.area_mm2 == pytest.approx(edge.area, rel=2e-3)
        assert trace.perimeter_mm == pytest.approx(edge.length, rel=2e-3)
        within = [shapely.maximum_inscribed_circle(each, 1e-3).length
                  for each in (ring(trace.curve), edge)]  # fmt: skip
        assert within[0] == pytest.approx(within[1], abs=0.01)
        assert trace.residual_u_mm < 0.02

    def test_it_is_closed_and_goes_counter_clockwise(self):
        curve = trace_from(oval_points()[::-1]).curve
        assert curve.shape == (CURVE_POINTS, 2)
        assert shapely.LinearRing(curve).is_ccw
        assert ring(curve).is_valid

    @pytest.mark.parametrize("noise", [0.02, 0.05, 0.1])
    def test_the_residual_is_the_noise(self, noise):
        """Of 20 traces of 60 points: to 1 / sqrt(2 x 20 x 50) = 2 %, and the smoothing's bias."""
        found = [
            trace_from(oval_points(60, noise_mm=noise, seed=s)).residual_u_mm for s in range(20)
        ]
        assert np.sqrt(np.mean(np.square(found))) == pytest.approx(noise, rel=0.08)

    def test_a_larger_residual_takes_the_place_of_the_stated_doubt(self):
        rough = trace_from(oval_points(60, noise_mm=0.1), u_mm=0.03)
        assert rough.point_u_mm == rough.residual_u_mm > 0.08
        assert trace_from(oval_points(), u_mm=0.03).point_u_mm == 0.03

    def test_a_slipped_point_is_named(self):
        points = oval_points(40, noise_mm=0.02)
        points[17] += (-0.45, 0.2)
        number, distance = trace_from(points).furthest
        assert number == 17
        assert distance > 0.15

    def test_more_waves_only_where_the_points_carry_them(self):
        plain = on_edge(outline.draw("oval", 1.3) * 6.5, 60)
        noise = np.random.default_rng(3).normal(0, 0.05, plain.shape)
        odd = on_edge(worn("kite", 1.3, 7.0), 60)
        assert trace_from(plain + noise).waves < 6
        assert trace_from(odd + noise / 5).waves > 10

    def test_what_was_not_said_is_assumed(self):
        trace = trace_from(oval_points())
        assert (trace.u_mm, trace.u_assumed) == (POINT_U_MM, True)
        assert (trace.scale_u_pct, trace.scale_assumed) == (SCALE_U_PCT, True)
        said = trace_from(oval_points(), u_mm=0.02, scale_u_pct=0)
        assert (said.u_assumed, said.scale_assumed) == (False, False)


class TestWhatIsNoTrace:
    def test_too_few(self):
        assert f"at least {FEWEST_POINTS} are needed" in told(oval_points(FEWEST_POINTS - 1))
        assert trace_from(oval_points(FEWEST_POINTS))

    def test_one_point_clicked_many_times_is_one(self):
        assert "at least 12 are needed" in told(np.full((40, 2), 3.0))

    def test_too_many(self):
        assert "at most 5,000" in told(np.zeros((MOST_POINTS + 1, 2)))

    def test_not_finite(self):
        points = oval_points()
        points[3, 1] = np.nan
        assert "not a finite number" in told(points)

    def test_two_crossing_pieces_are_named(self):
        """Halves of the edge swapped: the piece after point 10 and that after point 30 cross."""
        points = oval_points(40)
        eight = np.vstack([points[:10], points[10:30][::-1], points[30:]])
        text = told(eight)
        assert "the piece after point 10 and the piece after point 30" in text
        assert shapely.LineString(eight[[9, 10]]).crosses(shapely.LineString(eight[[29, 30]]))

    def test_close_noisy_points_do_not_cross(self):
        """1500 points are closer than their noise; their zigzag is none."""
        assert trace_from(oval_points(1500, noise_mm=0.05)).residual_u_mm < 0.06

    def test_a_gap(self):
        points = oval_points(60)
        half = points[np.r_[0:30]]
        assert "leaves a gap of" in told(half)
        assert trace_from(np.delete(points, np.r_[10:16], axis=0))

    def test_a_bay_the_middle_does_not_see(self):
        bay = (
            ring(oval_points(2000))
            - shapely.box(6.6, 5.8, 7.2, 9)
            - shapely.box(6.6, 5.8, 8.5, 6.4)
        )
        edge = shapely.get_coordinates(bay.exterior)[:-1]
        assert "does not see the whole edge" in told(on_edge(edge, 90))

    def test_a_middle_outside(self):
        arc = np.linspace(0.2, 2 * np.pi - 0.2, 60)
        horn = np.vstack([
            4 * np.column_stack([np.cos(arc), np.sin(arc)]),
            3.2 * np.column_stack([np.cos(arc), np.sin(arc)])[::-1],
        ])  # fmt: skip
        assert "goes round its middle 0 times" in told(horn)


class TestWrongUnits:
    @pytest.mark.parametrize(
        ("factor", "words"),
        [
            (1 / 25.4, "inches (8.4 by"),
            (1 / 10, "centimetres (8.4 by"),
            (40, "pixels"),
            (1000, "micrometres"),
        ],
    )
    def test_are_named_by_the_size(self, factor, words):
        assert words in told(oval_points() * factor)

    @pytest.mark.parametrize(("factor", "word"), [(1 / 25.4, "inches"), (1 / 10, "centimetres")])
    def test_a_reading_beside_says_which(self, factor, word):
        with pytest.raises(InputFaults) as caught:
            traced(oval_points() * factor, opening_length_mm=8.5, opening_width_mm=6.5)
        assert f"it looks like {word}" in str(caught.value)
        assert " or " not in str(caught.value).split("looks like")[1].split(".")[0]

    def test_also_within_the_range(self):
        """An opening of 30 mm traced in inches would pass for one of 1.2 mm."""
        with pytest.raises(InputFaults, match="looks like inches"):
            traced(oval_points() * 3.6 / 25.4, opening_length_mm=30.5, opening_width_mm=23.5)

    def test_readings_that_disagree_are_named(self):
        with pytest.raises(InputFaults, match=r"must agree with the traced points, 8.4"):
            traced(oval_points(), opening_length_mm=9.6)

    def test_a_trace_lying_across_is_named(self):
        across = oval_points() @ np.array([[0.0, 1.0], [-1.0, 0.0]])
        with pytest.raises(InputFaults, match="lies turned by about") as caught:
            traced(across)
        assert "opening_points_turn_deg = " in str(caught.value)
        upright = traced(across, opening_points_turn_deg=-90)
        found, plain = belief(upright), belief(traced(oval_points()))
        i = plain.index("opening_length_mm")
        assert found.mean[i] == pytest.approx(plain.mean[i], abs=0.02)


class TestInTheFile:
    def test_points_beside_the_mounting(self, tmp_path):
        text = "\n".join(f"{x:.3f};{y:.3f}".replace(".", ",") for x, y in oval_points())
        (tmp_path / "edge.csv").write_text(f"x_mm;y_mm\n{text}\n", encoding="utf-8")
        lines = "\n".join(f"{key} = {value}" for key, value in WALL.items())
        file = tmp_path / "m.toml"
        file.write_text(f'name = "M"\n[seat]\n{lines}\nopening_points_file = "edge.csv"\n')
        read = load_mounting(file).opening_points
        assert isinstance(read, Trace)
        assert read == traced(np.round(oval_points(), 3)).opening_points

    def test_the_example(self):
        """Its points stray by what its doubt says, and its size is that of the caliper."""
        found = load_mounting(Path(__file__).parents[1] / "examples/traced/odd-oval.toml")
        trace = found.opening_points
        assert trace is not None
        assert len(trace.points) == 44
        assert trace.residual_u_mm < 0.04 == trace.u_mm
        assert trace.size_mm[1] == pytest.approx(found.opening_width_mm.value_mm, abs=0.08)

    def test_a_change_of_the_file_keeps_the_points(self, tmp_path):
        folder = Path(__file__).parents[1] / "examples/traced"
        for each in folder.iterdir():
            (tmp_path / each.name).write_bytes(each.read_bytes())
        changed = save_edits(tmp_path / "odd-oval.toml", {"seat.ledge_angle_deg": 40})
        assert changed.ledge_angle_deg.value_deg == 40
        assert changed.opening_points == load_mounting(folder / "odd-oval.toml").opening_points

    @pytest.mark.parametrize("name", ["../edge.csv", "/etc/passwd", "sub/edge.csv", ".."])
    def test_only_in_its_own_folder(self, name, tmp_path):
        (tmp_path / "edge.csv").write_text("1;2\n")
        home = tmp_path / "home"
        (home / "sub").mkdir(parents=True)
        (home / "sub" / "edge.csv").write_text("1;2\n")
        self._refused(home, name, "in the mounting's own folder")

    def test_nor_by_a_link(self, tmp_path):
        (tmp_path / "far.csv").write_text("1;2\n")
        home = tmp_path / "home"
        home.mkdir()
        (home / "edge.csv").symlink_to(tmp_path / "far.csv")
        self._refused(home, "edge.csv", "in the mounting's own folder")

    def test_a_missing_one_and_a_huge_one(self, tmp_path):
        self._refused(tmp_path, "edge.csv", "does not exist")
        (tmp_path / "edge.csv").write_text("1;2\n" * 300_000)
        self._refused(tmp_path, "edge.csv", "is larger than")

    def _refused(self, folder: Path, name: str, words: str) -> None:
        file = folder / "m.toml"
        lines = "\n".join(f"{key} = {value}" for key, value in WALL.items())
        file.write_text(f'name = "M"\n[seat]\n{lines}\nopening_points_file = "{name}"\n')
        with pytest.raises(InputFaults) as caught:
            load_mounting(file)
        assert words in str(caught.value)

    def test_without_a_folder_nothing_is_opened(self):
        lines = "\n".join(f"{key} = {value}" for key, value in WALL.items())
        text = f'name = "M"\n[seat]\n{lines}\nopening_points_file = "edge.csv"\n'
        with pytest.raises(InputFaults, match="cannot be opened from here"):
            mounting_from(parse_toml(text, name="m.toml"))

    def test_faults_of_both_files_come_together(self, tmp_path):
        (tmp_path / "edge.csv").write_text("1;2\n3;wide\n")
        file = tmp_path / "m.toml"
        file.write_text('name = "M"\n[seat]\nopening_points_file = "edge.csv"\n')
        with pytest.raises(InputFaults) as caught:
            load_mounting(file)
        text = str(caught.value)
        assert "edge.csv:2" in text
        assert "seat.holds" in text

    def test_lists_and_files_exclude_each_other(self):
        with pytest.raises(InputFaults, match=r"keep one|Keep one|cannot be opened"):
            traced(oval_points(), opening_points_file='"edge.csv"')

    def test_what_speaks_of_points_needs_points(self):
        with pytest.raises(InputFaults, match="there are none"):
            mounting(**WALL, opening_length_mm=8, opening_width_mm=6, opening_points_u_mm=0.04)

    @pytest.mark.parametrize(
        ("key", "value", "words"),
        [
            ("opening_points_u_mm", 3, "0.001 to 1 mm"),
            ("opening_points_scale_u_pct", -1, "0 to 10 per cent"),
            ("opening_points_turn_deg", 400, "-180 to 360 degrees"),
        ],
    )
    def test_ranges(self, key, value, words):
        with pytest.raises(InputFaults, match=words):
            traced(oval_points(), **{key: value})


class TestText:
    @pytest.mark.parametrize(
        "text",
        [
            "1.5,2.25\n3,4\n",
            "1,5;2,25\n3;4\n",
            "x_mm,y_mm\n1.5,2.25\n3,4\n",
            "X_mm; Y_mm\n1,5; 2,25\n3; 4\n",
            "1,5 2,25\n3 4",
            "1.5, 2.25\r\n3, 4\r\n",
            '"1,5","2,25"\n"3","4"\n',
            "# a note\n\n1.5\t2.25\n3\t4\n",
        ],
    )
    def test_is_read_as_it_is_written(self, text):
        assert points_from(text, name="edge") == ((1.5, 2.25), (3.0, 4.0))

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("1,5,2,25\n", "has 4 numbers"),
            ("1.5\n", "has 1 number,"),
            ("1;wide\n", "edge:1"),
            ("length;width\n1;2\n", "two columns, x_mm and y_mm"),
            ("", "holds no points"),
            ("x;y\n", "holds no points"),
            ("1;2\n" + "a;b\n" * 9, "4 more faulty lines"),
            ('0.3";0.2"\n', "inch"),
        ],
    )
    def test_faults_name_the_line(self, text, words):
        with pytest.raises(InputFaults) as caught:
            points_from(text, name="edge")
        assert words in str(caught.value)


class TestTheBelief:
    @pytest.mark.parametrize(
        ("points", "family"),
        [
            (worn("kite", 1.3, 7), "pear"),
            (worn("shield", 1.1, 7), "triangle"),
            (worn("half-moon", 1.7, 5), "cushion"),
            (worn("tapered", 1.5, 5.5), "octagon"),
            (worn("hexagon", 1.2, 6.5), "oval"),
            (oval_points(1000), "oval"),
        ],
    )
    def test_odd_outlines_are_represented(self, points, family):
        """Under a foreign family's figure: 0.12 mm at the worst corner, 0.035 mm on the whole."""
        of = belief(traced(on_edge(points, 60), opening_family=f'"{family}"',
                           opening_points_u_mm=0.02, opening_points_turn_deg=0))  # fmt: skip
        x, y, turn, scale = (
            of.mean[of.index(name)]
            for name in ("trace_x_mm", "trace_y_mm", "trace_turn_deg", "trace_scale_pct")
        )
        c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
        seen = (points - (x, y)) @ np.array([[c, -s], [s, c]]) / (1 + scale / 100)
        off = of.radius - radius_at(seen, of.directions)
        stations = of.radius[:, None] * np.column_stack(
            [np.cos(of.directions), np.sin(of.directions)]
        )
        off = shapely.distance(shapely.LinearRing(seen), shapely.points(stations))
        assert off.max() < 0.12
        assert np.sqrt(np.mean(off**2)) < 0.035

    def test_a_pure_figure_is_found_to_be_one(self):
        of = belief(traced(on_edge(outline.draw("cushion", 1.2) * 6.6, 60),
                           opening_family='"cushion"', opening_points_u_mm=0.02))  # fmt: skip
        learned = next(each for each in of.assumed if each.name == "traced_irregularity_mm")
        assert learned.value < 0.02
        assert of.mean[of.index("opening_length_mm")] == pytest.approx(7.92, abs=0.03)

    def test_a_stated_irregularity_is_kept(self):
        of = belief(traced(oval_points(), irregularity_mm=0.1))
        assert "traced_irregularity_mm" not in {each.name for each in of.assumed}
        i = of.index("opening_cos_9")
        assert np.sqrt(of.covariance[i, i]) <= 0.1 / 9 + 1e-9

    def test_what_was_taken_is_shown(self):
        found = {each.name: each for each in belief(traced(oval_points())).assumed}
        assert "common practice" in found["traced_points_mm"].source
        assert found["trace_scale_pct"].u == SCALE_U_PCT
        assert found["trace_turn_deg"].u == 5.0
        said = belief(traced(oval_points(40, noise_mm=0.08), opening_points_u_mm=0.03,
                             opening_points_scale_u_pct=0, opening_points_turn_deg=0))  # fmt: skip
        shown = {each.name: each for each in said.assumed}
        assert "more than the 0.03 mm stated" in shown["traced_points_mm"].source
        assert not {"trace_scale_pct", "trace_turn_deg"} & set(shown)

    def test_a_caliper_settles_the_scale(self):
        """2 % too large a scale, and one span read: the other span comes right as well."""
        points = oval_points(60) * 1.02
        edge = np.ptp(oval_points(2000), axis=0)
        blind = belief(traced(points, opening_points_scale_u_pct=2, opening_points_turn_deg=0))
        read = belief(traced(points, opening_points_scale_u_pct=2, opening_points_turn_deg=0,
                             opening_width_mm=round(float(edge[1]), 3)))  # fmt: skip
        off = [2 * u for u in (radius_u(blind).mean(), radius_u(read).mean())]
        assert off[1] < off[0] / 2
        assert read.mean[read.index("trace_scale_pct")] == pytest.approx(2, abs=0.8)

    def test_claws_stand_on_the_traced_edge(self):
        claws = {"holds": '"claws"', "claw_directions_deg": [40, 140, 220, 320],
                 "claw_thickness_mm": 1.0, "claw_lean_deg": 0}  # fmt: skip
        points = oval_points(60)
        of = belief(traced(points, **claws, opening_points_u_mm=0.02, opening_points_turn_deg=0))
        frame = [of.mean[of.index(name)] for name in ("trace_x_mm", "trace_y_mm")]
        # Turned by less than a degree, which moves the radius by less than 0.03 mm here.
        assert np.abs(of.radius - radius_at(points - frame, of.directions)).max() < 0.08
        assert seats(of, 4).count == 5

    def test_normals_stand_on_the_traced_edge(self):
        """A ledge's inner edge lies its width inside the wall: by shapely's buffer."""
        of = belief(traced(on_edge(worn("kite", 1.3, 7), 60), opening_family='"pear"',
                           opening_points_u_mm=0.02, opening_points_turn_deg=0))  # fmt: skip
        seat = seats(of, 0)
        inside = shapely.Polygon(seat.opening[0]).exterior.distance(
            shapely.points(seat.ledge_inner[0])
        )
        # 0.4 mm wide; at the kite's corners the inner edge is nearer along the other side.
        assert np.median(inside) == pytest.approx(0.4, abs=0.01)
        assert inside.max() < 0.42

    def test_intervals_hold(self):
        """Truths drawn, points clicked with errors: 95 % intervals of the radius hold 95 %.

        30 openings, their 24 directions hanging together like about 8: 240 trials, so 3 standard
        errors are 0.04.
        """
        chance = np.random.default_rng(1875)
        held = []
        for family, u, tau, count in (
            ("oval", 0.05, 0.06, 40), ("round", 0.03, 0.15, 60), ("cushion", 0.05, 0.05, 24),
            ("octagon", 0.05, 0.05, 40), ("pear", 0.04, 0.08, 50),
        ) * 6:  # fmt: skip
            case = clicked(chance, family, count=count, u_mm=u, tau_mm=tau)
            of = belief(case.mounting, 24)
            off = of.radius - outline_of(case.parameters, family, of.directions)
            held.append(np.mean(np.abs(off) < 1.96 * radius_u(of)))
        print(f"{100 * np.mean(held):.1f} % of 95 % intervals hold")
        assert np.mean(held) == pytest.approx(0.95, abs=0.04)


TRACED = Path(__file__).parents[1] / "examples" / "traced" / "odd-oval.toml"


@pytest.mark.parametrize(
    "family",
    [
        "round",
        "oval",
        "cushion",
        "octagon",
        "rectangle",
        "square",
        "marquise",
        "pear",
        "triangle",
        "oval, many readings",
    ],
)
def test_a_traced_seat_of_any_family_is_answered_however_much_was_measured(family: str) -> None:
    """Cornered families carry more waves: with further readings well over 64 unknowns."""
    name, _, more = family.partition(", ")
    text = TRACED.read_text().replace('opening_family = "oval"', f'opening_family = "{name}"')
    if more:
        for key, part, value in (
            ("ledge_widths_mm", "read", 0.5),
            ("wall_leans_deg", "lean_deg", 2),
        ):
            places = (
                f"{{ at_deg = {at}, {part} = {value + at % 7 / 100:.2f} }}"
                for at in range(0, 360, 15)
            )
            text += f"{key} = [{', '.join(places)}]\n"
        text = re.sub(r"(?m)^ledge_width_mm.*\n", "", text)
    ready = bench(mounting_from(parse_toml(text, name="traced"), folder=TRACED.parent))
    found = check(ready, cut("oval-brilliant"), 7.6, 6.2, 3.4)
    if more:
        assert len(ready.belief.names) > 64
    assert 0.0 <= found.probability <= 1.0
