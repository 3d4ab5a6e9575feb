"""Margins against closed forms, general geometry (shapely) and the exact drop."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import affinity
from simulated import EXACT, exact, mounting
from test_seat import CLAWS, RAIL, ROUND, TUBE

from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.judge import fitted
from fitsolver.fitting.requirement import KINDS, Requirements
from fitsolver.fitting.sizes import Sizes, stone_sizes
from fitsolver.fitting.solver import Check, check
from fitsolver.seats.allowance import TABLE
from fitsolver.seats.belief import STATIONS
from fitsolver.stones.cut import cut
from fitsolver.stones.form import form

# Openings and outlines are polygons with a vertex every 1.25 degrees or closer: a circle of 3.3 mm
# is missed by 3.3 (1 - cos 0.625 deg) = 0.0002 mm, on either side.
POLYGON_MM = 0.0005
# Between stations the metal is drawn straight: half a step off the middle of a chord it is
# 3.3 (1 - cos) closer than the circle, 0.0045 mm for 60 stations. Closer, so on the safe side.
CHORD_MM = POLYGON_MM + 3.3 * (1 - np.cos(np.pi / STATIONS))
SLOPE = np.tan(np.deg2rad(40))


def ready(seat: dict[str, object], *, samples: int = 8, allowed: str = "", **more: object) -> Bench:
    top = f"{EXACT}[allowances]\n{allowed}\n"
    return bench(mounting(top, **{**seat, **exact(**more)}), samples=samples)


def margins(judged: Check) -> dict[str, float]:
    return {item.name: item.best_estimate_mm for item in judged.requirements}


def every_margin(
    at: Bench, style: str, length: float, width: float, depth: float
) -> tuple[Requirements, Sizes]:
    """All margins of a stone in the best estimate, alterations too."""
    sizes = stone_sizes(cut(style), length, width, depth, 0.0, 0)
    _, needs = fitted(form(cut(style), length / width), at.best, sizes, at.allowances, 0.0)
    return needs, sizes


class TestFlatBackInARoundCollet:
    """A flat-backed cabochon rests where its edge meets the slope of the ledge.

    Diameter D in an opening of 6.6 mm, ledge 0.5 mm wide at 40 deg, wall 1.2 mm high: by hand.
    """

    @pytest.mark.parametrize("diameter", [6.2, 6.4, 6.55])
    def test_by_hand(self, diameter):
        judged = check(ready(ROUND), cut("round-cabochon"), diameter, diameter, 2.6)
        gap = (6.6 - diameter) / 2
        bottom = -gap * SLOPE
        on_ledge = 0.5 - gap
        found = margins(judged)
        assert judged.girdle_bottom_mm == pytest.approx(bottom, abs=CHORD_MM)
        assert found == pytest.approx(
            {
                "entry": gap + 0.05,
                "girdle gap": gap,
                "closing gap": 0.25 - gap,
                "ledge cover": on_ledge - 0.10,
                "bearing match": 0.35 - on_ledge * SLOPE,
                "metal above girdle": 1.2 - bottom - judged.stone.girdle_mm - 0.45,
                "culet clearance": bottom + 0.5 * SLOPE + 3.0 - 0.20,
            },
            abs=CHORD_MM,
        )

    def test_a_closed_back_asks_for_its_own_clearance(self):
        back = margins(check(ready(ROUND, back='"closed"'), cut("round-cabochon"), 6.4, 6.4, 2.6))
        finger = margins(check(ready(ROUND), cut("round-cabochon"), 6.4, 6.4, 2.6))
        assert back["culet clearance"] - finger["culet clearance"] == pytest.approx(
            0.20 - 0.10,
            abs=1e-5,  # draws are in single precision
        )

    def test_a_leaning_rim_is_narrower_by_its_height(self):
        """The girdle passes at the rim, 1.2 tan(8 deg) further in than at the datum plane."""
        found = margins(check(ready(ROUND, wall_lean_deg=8), cut("round-cabochon"), 6.2, 6.2, 2.6))
        assert found["entry"] == pytest.approx(
            0.2 - 1.2 * np.tan(np.deg2rad(8)) + 0.05, abs=CHORD_MM
        )

    def test_a_leaning_wall_is_judged_at_the_girdle(self):
        judged = check(ready(ROUND, wall_lean_deg=8), cut("round-cabochon"), 6.2, 6.2, 2.6)
        top = judged.girdle_bottom_mm + judged.stone.girdle_mm
        # Below the datum there is the ledge, no wall.
        assert margins(judged)["girdle gap"] == pytest.approx(
            0.2 - max(top, 0.0) * np.tan(np.deg2rad(8)), abs=CHORD_MM
        )


class TestPavilions:
    def test_a_steep_pavilion_rests_on_the_inner_edge(self):
        """Steeper than the ledge: tan(alpha) (R_girdle - R_ledge) above the inner edge.

        A six-sided pyramid would do; of a brilliant only the girdle's junctions of two mains see
        the plain slope, so the height is bounded by that of the mains and by that of the halves.
        """
        at = ready(ROUND, ledge_angle_deg=20)
        judged = check(at, cut("round-brilliant"), 6.4, 6.4, 3.9)
        stone = judged.stone
        down = stone.form.pavilion.height(np.array([[2.8 / 6.4, 0.0]]))[0] * stone.pavilion_depth_mm
        inner = -0.5 * np.tan(np.deg2rad(20))
        assert judged.girdle_bottom_mm >= inner + down - POLYGON_MM
        assert judged.rests_on == "ledge"

    @pytest.mark.parametrize(
        ("seat", "style", "size"),
        [
            (ROUND, "round-brilliant", (6.4, 6.4, 3.9)),
            ({**ROUND, **exact(opening_family='"cushion"', opening_length_mm=8.2,
                               opening_width_mm=6.8)}, "cushion-brilliant", (8.0, 6.65, 4.2)),
            ({**ROUND, **exact(opening_family='"octagon"', opening_length_mm=9.2,
                               opening_width_mm=7.0)}, "emerald", (9.0, 6.8, 4.3)),
            ({**ROUND, **exact(opening_family='"oval"', opening_length_mm=8.2,
                               opening_width_mm=6.2)}, "oval-mixed", (8.0, 6.05, 3.9)),
            ({**ROUND, **exact(opening_family='"pear"', opening_length_mm=9.2,
                               opening_width_mm=6.2)}, "pear-brilliant", (9.0, 6.05, 3.9)),
        ],
        ids=lambda value: value if isinstance(value, str) else "",
    )  # fmt: skip
    def test_the_rest_agrees_with_the_exact_drop(self, seat, style, size):
        """`contact.drop` looks at every edge of 180 stations, the margins at a third of them.

        0.008 mm is the largest difference known of such a set of candidates, at corners.
        """
        judged = check(ready(seat), cut(style), *size)
        assert judged.rests_on == "ledge"
        middle = judged.girdle_bottom_mm + judged.stone.girdle_mm / 2
        assert middle == pytest.approx(judged.rest_height_mm, abs=0.008)

    def test_a_bearing_cut_to_the_pavilion_matches(self):
        """The mains' angle, atan(depth / half width), on the ledge: the best there is."""
        depth = 3.9
        judged = check(ready(ROUND), cut("round-brilliant"), 6.4, 6.4, depth)
        angle = float(np.rad2deg(np.arctan(judged.stone.pavilion_depth_mm / 3.2)))
        found = [
            margins(check(ready(ROUND, ledge_angle_deg=a), cut("round-brilliant"), 6.4, 6.4, depth))
            for a in (angle - 20, angle, angle + 20)
        ]
        flat, matched, steep = (each["bearing match"] for each in found)
        assert matched > flat
        assert matched > steep
        assert matched > 0.35 - 0.06  # halves and bulge part from the plain slope by that much


class TestPlanAgainstGeneralGeometry:
    CASES = (
        ("oval", 8.0, 6.0, "oval-brilliant", 7.8, 5.85),
        ("cushion", 8.0, 6.8, "oval-brilliant", 7.7, 6.5),
        ("octagon", 9.0, 7.0, "emerald", 8.8, 6.8),
        ("octagon", 9.0, 7.0, "cushion-brilliant", 8.7, 6.7),
    )

    @pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case[3]} in {case[0]}")
    def test_gaps_and_cover_are_distances(self, case):
        """Shapely's distances between polygons at the pose that was found.

        Metal is drawn by stations and the chords between them; what one-sided
        candidates miss of a chord facing a corner is under 0.005 mm.
        """
        family, length, width, style, long, wide = case
        at = ready(ROUND, opening_family=f'"{family}"', opening_length_mm=length,
                   opening_width_mm=width)  # fmt: skip
        judged = check(at, cut(style), long, wide, 4.2)
        turned = affinity.rotate(judged.stone.girdle_outline(), judged.turn_deg, origin=(0, 0))
        outline = affinity.translate(turned, *judged.shift_mm)
        wall, inner = (
            shapely.Polygon(points[0]) for points in (at.best.opening, at.best.ledge_inner)
        )
        if outline.within(wall):
            gap = outline.exterior.distance(wall.exterior)
        else:
            gap = -max(wall.distance(shapely.Point(p)) for p in outline.exterior.coords)
        widest = max(outline.distance(shapely.Point(p)) for p in at.best.opening[0])
        found = margins(judged)
        assert found["girdle gap"] == pytest.approx(gap, abs=0.005)
        assert found["closing gap"] == pytest.approx(0.25 - widest, abs=0.005)
        if inner.within(outline):
            cover = min(outline.exterior.distance(shapely.Point(p)) for p in inner.exterior.coords)
            assert found["ledge cover"] == pytest.approx(cover - 0.10, abs=0.005)


class TestUncut:
    def test_a_tube_by_hand(self):
        """Diameter 6.9 in a bore of 6.6, wall 0.6 thick, 5 mm from rim to finger."""
        judged = check(ready(TUBE), cut("round-brilliant"), 6.9, 6.9, 4.2)
        stone, inside = judged.stone, (6.9 - 6.6) / 2
        found = margins(judged)
        assert found["notch floor"] == pytest.approx(inside - 0.10, abs=CHORD_MM)
        assert found["notch ceiling"] == pytest.approx(0.6 - 0.30 - inside, abs=CHORD_MM)
        below = stone.pavilion_depth_mm + 0.20
        above = stone.girdle_mm + 0.25
        assert found["height play"] == pytest.approx(5.0 - below - above, abs=1e-6)

    def test_claws_by_hand(self):
        """Four flat faces 1.2 wide, 3.0 mm from the centre: 3.02 off on average.

        Notch 15 to 50 % of 1.0 mm, claws bent by 0.1 either way, tips at 60 % of the crown.
        """
        seat = uncut_claws()
        judged = check(ready(seat), cut("round-brilliant"), 6.5, 6.5, 4.0)
        face = np.hypot(3.0, np.linspace(-0.6, 0.6, 2001)).mean()
        stone, inside = judged.stone, 3.25 - face
        found = margins(judged)
        assert found["notch floor"] == pytest.approx(inside + 0.10 - 0.15, abs=POLYGON_MM)
        assert found["notch ceiling"] == pytest.approx(0.50 + 0.10 - inside, abs=POLYGON_MM)
        assert found["entry"] == pytest.approx(3.0 - 3.25 + 0.40 + 0.10, abs=POLYGON_MM)
        needed = 0.20 + stone.pavilion_depth_mm + stone.girdle_mm + 0.6 * stone.crown_height_mm
        assert found["height play"] == pytest.approx(7.5 - needed, abs=1e-6)

    def test_a_rail_lifts_the_lowest_girdle(self):
        """A narrow rail 2 mm down stops the pavilion before the finger does."""
        free = margins(check(ready(TUBE), cut("round-brilliant"), 6.9, 6.9, 4.2))
        rail = exact(gallery_length_mm=3.0, gallery_depth_mm=2.4)
        judged = check(ready({**TUBE, **rail}), cut("round-brilliant"), 6.9, 6.9, 4.2)
        stone = judged.stone
        shares = stone.form.pavilion.height(at_directions(1.5) / 6.9)
        lowest = -2.4 + stone.pavilion_depth_mm * shares.max() + 0.05
        play = -stone.girdle_mm - 0.25 - lowest
        assert margins(judged)["height play"] == pytest.approx(play, abs=CHORD_MM)
        assert play < free["height play"]


def uncut_claws() -> dict[str, object]:
    left_out = ("ledge_width_mm", "ledge_angle_deg", "claw_length_mm", "notch_height_mm",
                "depth_below_ledge_mm", "opening_width_mm")  # fmt: skip
    seat = {key: value for key, value in CLAWS.items() if key not in left_out}
    return {**seat, "opening_family": '"round"', "state": '"uncut"', "opening_level": '"rim"',
            **exact(opening_length_mm=6.0, depth_below_rim_mm=7.5)}  # fmt: skip


def at_directions(radius: float) -> np.ndarray:
    """Points on a circle, fine enough to meet the ridges of a pavilion."""
    angle = np.arange(7200) * np.pi / 3600
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


class TestGalleryAndNotches:
    def test_pavilion_over_the_rail_by_hand(self):
        """Clearance where a rail of radius r passes: bottom - depth x share(r) - rail."""
        at = ready(ROUND, gallery_length_mm=4.6, gallery_depth_mm=1.0)
        judged = check(at, cut("round-brilliant"), 6.4, 6.4, 3.9)
        shares = judged.stone.form.pavilion.height(at_directions(2.3) / 6.4)
        clear = judged.girdle_bottom_mm - judged.stone.pavilion_depth_mm * shares.max() + 1.0
        assert margins(judged)["gallery clearance"] == pytest.approx(clear - 0.05, abs=CHORD_MM)

    def test_the_girdle_goes_into_the_mouth(self):
        judged = check(ready(CLAWS), cut("emerald"), 8.8, 6.8, 4.2)
        assert margins(judged)["notch mouth"] == pytest.approx(0.45 - judged.stone.girdle_mm)

    def test_the_mouth_may_be_asked_to_leave_play(self):
        tight = check(
            ready(CLAWS, allowed="mouth_play_min_mm = 0.1"), cut("emerald"), 8.8, 6.8, 4.2
        )
        loose = check(ready(CLAWS), cut("emerald"), 8.8, 6.8, 4.2)
        change = margins(loose)["notch mouth"] - margins(tight)["notch mouth"]
        assert change == pytest.approx(0.1)


class TestAlteration:
    def test_each_alteration_adds_its_allowance(self):
        needs, _ = every_margin(ready({**ROUND, **exact(**RAIL)}), "round-brilliant", 6.4, 6.4, 3.9)
        for name in ("entry", "girdle gap", "closing gap", "bearing match", "gallery clearance"):
            more = TABLE[KINDS[name].alteration_allowance].default
            gain = needs.altered[name][0] - needs.margins[name][0]
            assert gain == pytest.approx(more)

    def test_nothing_widens_a_ledge(self):
        needs, _ = every_margin(ready(ROUND), "round-brilliant", 6.4, 6.4, 3.9)
        assert needs.altered["ledge cover"][0] == needs.margins["ledge cover"][0]

    @pytest.mark.parametrize("wall", [0.9, 0.5, 0.3])
    @pytest.mark.parametrize("below", [2.7, 3.2])
    def test_one_depth_serves_metal_and_culet(self, wall, below):
        """Cutting the ledge deeper by y gives metal above and takes clearance below: one y."""
        at = ready(ROUND, wall_height_mm=wall, depth_below_ledge_mm=below)
        needs, _ = every_margin(at, "round-brilliant", 6.4, 6.4, 3.9)
        metal, culet = (
            (needs.altered[name] - needs.margins[name])[0]
            for name in ("metal above girdle", "culet clearance")
        )
        short = max(0.0, -needs.margins["metal above girdle"][0])
        assert metal == pytest.approx(-culet)
        assert metal == pytest.approx(min(short, TABLE["alter_deepen_mm"].default))

    def test_claws_bend_further_and_walls_do_not(self):
        claws, _ = every_margin(ready(uncut_claws()), "round-brilliant", 6.5, 6.5, 4.0)
        tube, _ = every_margin(ready(TUBE), "round-brilliant", 6.9, 6.9, 4.2)
        for name in ("notch floor", "notch ceiling"):
            assert (claws.altered[name] - claws.margins[name])[0] == pytest.approx(0.20)
            assert tube.altered[name][0] == tube.margins[name][0]


class TestFallsThrough:
    """A stone smaller than the hole in the ledge looks to have metal to spare: cover says no."""

    def test_cover_stops_it_whatever_the_rest_says(self):
        needs, _ = every_margin(ready(ROUND), "round-brilliant", 5.0, 5.0, 3.0)
        assert needs.margins["ledge cover"][0] < 0
        assert not needs.holds()[0]
        assert not needs.holds(altered=True)[0]

    def test_everything_stays_finite(self):
        needs, _ = every_margin(ready(ROUND), "round-brilliant", 5.0, 5.0, 3.0)
        assert all(np.isfinite(values).all() for values in needs.margins.values())
        assert np.isfinite(needs.girdle_bottom).all()


class TestSources:
    @pytest.mark.parametrize(
        ("seat", "style", "name", "allowance"),
        [
            (ROUND, "round-brilliant", "entry", "rim_give_mm"),
            (ROUND, "round-brilliant", "metal above girdle", "edge_above_girdle_mm"),
            (ROUND, "round-cabochon", "metal above girdle", "edge_above_girdle_cabochon_mm"),
            (ROUND, "round-brilliant", "culet clearance", "culet_clearance_open_mm"),
            ({**ROUND, "back": '"closed"'}, "round-brilliant", "culet clearance",
             "culet_clearance_closed_mm"),
            (CLAWS, "emerald", "entry", "claw_give_mm"),
            (CLAWS, "emerald", "metal above girdle", "claw_top_share"),
            (TUBE, "round-brilliant", "notch floor", "wall_bearing_min_mm"),
            (TUBE, "round-brilliant", "notch ceiling", "wall_remaining_min_mm"),
            (TUBE, "round-brilliant", "height play", "edge_above_girdle_mm"),
        ],
    )  # fmt: skip
    def test_each_margin_names_the_allowance_that_sets_it(self, seat, style, name, allowance):
        """The one named is the one that counts: raising it by 0.02 changes this margin."""
        size = (8.8, 6.8, 4.2) if style == "emerald" else (6.6, 6.6, 4.0)
        plain, _ = every_margin(ready(seat), style, *size)
        assert plain.set_by[name] == allowance
        raised = f"{allowance} = {TABLE[allowance].default + 0.02}"
        changed, _ = every_margin(ready(seat, allowed=raised), style, *size)
        assert abs(changed.margins[name][0] - plain.margins[name][0]) > 0.005

    @pytest.mark.parametrize(
        ("seat", "style", "size"),
        [(ROUND, "round-brilliant", (6.4, 6.4, 3.9)), (CLAWS, "emerald", (8.8, 6.8, 4.2)),
         (TUBE, "round-brilliant", (6.9, 6.9, 4.2))],
    )  # fmt: skip
    def test_every_margin_has_all_its_entries(self, seat, style, size):
        needs, _ = every_margin(ready(seat), style, *size)
        assert set(needs.margins) <= set(KINDS)
        for table in (needs.altered, needs.thresholds, needs.where, needs.set_by):
            assert set(table) == set(needs.margins)
