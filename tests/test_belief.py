"""What readings say about a seat, against closed forms, least squares and seats of known truth."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from simulated import EXACT, Plan, draw_case, exact, figure, mounting, polar, wave

from fitsolver.readings.angle import ANGLE_U_DEG
from fitsolver.readings.mounting_key import KEYS
from fitsolver.seats.belief import Belief, belief
from fitsolver.seats.equation import OWN_U_MM, SHARED_PART
from fitsolver.seats.mounting import Mounting
from fitsolver.seats.usual_seat import IRREGULARITY_MM, WAVES
from fitsolver.stones import outline

WALL = {
    "holds": '"wall"',
    "state": '"cut"',
    "back": '"open"',
    "opening_family": '"oval"',
    "opening_level": '"girdle"',
    "opening_length_mm": 8.1,
    "opening_width_mm": 6.1,
    "ledge_width_mm": 0.4,
    "depth_below_ledge_mm": 3.1,
}
CLAWS = {
    **WALL,
    "holds": '"claws"',
    "claw_directions_deg": [45, 135, 225, 315],
    "claw_thickness_mm": 1.0,
    "claw_length_mm": 1.5,
    "claw_lean_deg": 4,
}


def known(top: str = "", base: dict[str, object] = WALL, **changes: object) -> Belief:
    return belief(mounting(top, **{**base, **changes}))


def mean(of: Belief, name: str) -> float:
    return float(of.mean[of.index(name)])


def u(of: Belief, name: str) -> float:
    i = of.index(name)
    return float(np.sqrt(of.covariance[i, i]))


def radius_u(of: Belief) -> np.ndarray:
    """Doubt of the opening's radius at every station."""
    return np.sqrt(np.einsum("ij,jk,ik->i", of.slopes, of.covariance, of.slopes))


def listed(radii: dict[float, float], **more: object) -> str:
    extra = "".join(f", {key} = {value!r}" for key, value in more.items())
    return (
        "["
        + ", ".join(f"{{ at_deg = {a}, read = {r:.4f}{extra} }}" for a, r in radii.items())
        + "]"
    )


class TestReadingsPull:
    @pytest.mark.parametrize("width", [0.2, 0.4, 0.7])
    def test_a_ledge_is_as_wide_as_it_was_read(self, width):
        # Nothing but its reading speaks of it; the flat prior of 3 mm moves it by under 1 micron.
        assert mean(known(ledge_width_mm=width), "ledge_width_mm") == pytest.approx(width, abs=1e-3)

    def test_an_unread_value_keeps_its_prior(self):
        of = known()
        prior = KEYS["wall_thickness_mm"].usual
        assert mean(of, "wall_thickness_mm") == prior.value
        assert u(of, "wall_thickness_mm") == pytest.approx(prior.u)

    def test_a_given_angle_is_known_to_two_degrees(self):
        of = known(ledge_angle_deg=41)
        assert mean(of, "ledge_angle_deg") == 41
        assert u(of, "ledge_angle_deg") == pytest.approx(ANGLE_U_DEG)

    @pytest.mark.parametrize(
        ("entry", "mean", "left"),
        [
            ("[4.0, 6.0]", 5.0, 2.0 * 0.75**0.5),
            ("{ read = 5, half_width_deg = 0.6 }", 5.0, 0.6 / 3**0.5),
            ("{ read = [4.0, 5.0, 6.0], with = 'microscope' }", 5.0, 0.5 * (2 / 3) ** 0.5),
        ],
    )
    def test_an_angle_states_its_doubt_as_a_length_does(self, entry, mean, left):
        """u = h / sqrt(3) (JCGM 100:2008, 4.3.7); half of the doubt goes with repeats."""
        of = known(wall_lean_deg=entry)
        assert of.mean[of.index("wall_lean_deg")] == pytest.approx(mean)
        assert u(of, "wall_lean_deg") == pytest.approx(left)

    def test_two_readings_of_one_length_are_weighed_by_their_doubt(self):
        """Length across the opening, and the two radii along it, by instruments of 0.02 and 0.2.

        The inverse-variance mean (GUM, JCGM 100, H.5 is of this kind) lies near the finer.
        """
        top = "[instruments.coarse]\npermissible_error_mm = 0.2\n"
        circle = {45.0 * k: 3.3 for k in range(8)}
        round_ = {"opening_family": '"round"', "opening_width_mm": None, "make": '"cast"'}
        fine = known(top, **{**round_, "opening_length_mm": "{ read = 6.4, half_width_mm = 0.02 }",
                             "opening_radii_mm": listed(circle, **{"with": "coarse"})})  # fmt: skip
        assert 6.40 < mean(fine, "opening_length_mm") < 6.43


class TestDoubtShrinks:
    def test_a_reading_takes_doubt_from_a_prior(self):
        assert u(known(wall_height_mm=0.9), "wall_height_mm") < 0.6 * u(known(), "wall_height_mm")

    def test_repeats_shrink_scatter_but_not_the_instrument(self):
        """One reading, four and forty: scatter s / sqrt(n) (JCGM 100, 4.2.3), permissible error.

        A ledge's own unevenness is met anew at every place, so its share shrinks as well.
        """
        readings = [known(ledge_width_mm=str([0.4] * n)) for n in (1, 4, 40)]
        one, four, forty = (u(of, "ledge_width_mm") for of in readings)
        assert one > four > forty
        assert forty > 0.02 / np.sqrt(3)  # the caliper's permissible error stays

    def test_radii_narrow_the_opening_everywhere(self):
        """The figure alone leaves the waves: tau sqrt(1/4 + 1/9 + ... + 1/36), 0.035 mm."""
        circle = {30.0 * k: 3.25 for k in range(12)}
        plain = {"opening_family": '"round"', "opening_length_mm": 6.5, "opening_width_mm": None}
        without, within = known(**plain), known(**plain, opening_radii_mm=listed(circle))
        before, after = radius_u(without), radius_u(within)
        assert before.mean() > 0.035
        assert after.max() < 0.75 * before.min()

    def test_an_error_that_all_readings_share_does_not_average_out(self):
        """Twelve radii by one caliper, and by twelve: with a permissible error a, half shared.

        The mean of twelve independent readings is known to a / sqrt(36); that of twelve by one
        instrument never better than the shared part, sqrt(1/2) a / sqrt(3) (JCGM 100, 5.2).
        """
        a, n = 0.1, 12
        top = "\n".join(f"[instruments.c{k}]\npermissible_error_mm = {a}" for k in range(n))
        seat = {**WALL, "opening_family": '"round"', "opening_length_mm": None,
                "opening_width_mm": None, "make": '"cast"'}  # fmt: skip

        def size_u(names: list[str]) -> float:
            radii = ", ".join(
                f"{{ at_deg = {30 * k}, read = 3.25, with = '{name}' }}"
                for k, name in enumerate(names)
            )
            of = known(top, seat, opening_radii_mm=f"[{radii}]")
            # Length and width together: the mean radius is their sum over four.
            row = np.zeros(len(of.names))
            row[[of.index("opening_length_mm"), of.index("opening_width_mm")]] = 0.25
            return float(np.sqrt(row @ of.covariance @ row))

        floor = np.sqrt(SHARED_PART) * a / np.sqrt(3)
        shared, apart = size_u(["c0"] * n), size_u([f"c{k}" for k in range(n)])
        assert shared > floor
        assert shared < np.hypot(floor, 0.01 + a / np.sqrt(3 * n))
        # 0.01 mm for the waves of a cast seat and the readings' own half step.
        assert apart < a / np.sqrt(3 * n) + 0.01 < floor


class TestLevels:
    """An opening read at the rim of a leaning wall is 2 h tan(lean) wider at its foot."""

    @pytest.mark.parametrize("lean", [-8, 0, 5, 12])
    def test_the_rim_is_corrected_by_the_lean(self, lean):
        seat = {"wall_height_mm": 1.0, "wall_lean_deg": lean}
        rim, girdle = known(**seat, opening_level='"rim"'), known(**seat)
        wider = 2 * 1.0 * np.tan(np.deg2rad(lean))
        for name in ("opening_length_mm", "opening_width_mm"):
            assert mean(rim, name) - mean(girdle, name) == pytest.approx(wider, abs=1e-3)

    def test_a_doubtful_lean_makes_a_rim_reading_doubtful(self):
        """u^2 grows by (2 h u_lean / cos^2)^2: 0.07 mm for 1 mm at 2 degrees."""
        seat = {"wall_height_mm": "{ read = 1.0, half_width_mm = 0.001 }", "wall_lean_deg": 0}
        rim, girdle = known(**seat, opening_level='"rim"'), known(**seat)
        more = u(rim, "opening_width_mm") ** 2 - u(girdle, "opening_width_mm") ** 2
        assert np.sqrt(more) == pytest.approx(2 * np.deg2rad(ANGLE_U_DEG), rel=0.02)

    def test_one_reading_may_name_its_own_level(self):
        seat = {"wall_height_mm": 1.0, "wall_lean_deg": 10}
        of = known(**seat, opening_width_mm="{ read = 6.1, level = 'rim' }")
        plain = known(**seat)
        assert mean(of, "opening_width_mm") > mean(plain, "opening_width_mm") + 0.3
        assert mean(of, "opening_length_mm") == pytest.approx(
            mean(plain, "opening_length_mm"), abs=1e-3
        )

    def test_the_ledge_is_at_the_girdle_level(self):
        at_ledge = known(wall_lean_deg=10, opening_width_mm="{ read = 6.1, level = 'ledge' }")
        assert np.allclose(at_ledge.mean, known(wall_lean_deg=10).mean)

    def test_claw_tips_stand_in_front_of_the_roots_of_their_notches(self):
        """By the depth of the notch and the lean over the claw's length, on either side."""
        rim, root = known("", CLAWS, opening_level='"rim"'), known("", CLAWS)
        wider = 2 * (0.4 + 1.5 * np.tan(np.deg2rad(4)))
        found = mean(rim, "opening_width_mm") - mean(root, "opening_width_mm")
        # The flat prior of 3 mm about the reading takes (u / 3)^2 of it back, u being 0.17 mm.
        assert found == pytest.approx(wider, rel=0.004)

    def test_an_uncut_seat_is_described_at_its_rim(self):
        tube = {**WALL, "state": '"uncut"', "ledge_width_mm": None, "depth_below_ledge_mm": None,
                "depth_below_rim_mm": 5, "wall_lean_deg": 10, "opening_level": '"rim"'}  # fmt: skip
        of = known("", tube)
        assert mean(of, "opening_width_mm") == pytest.approx(
            of.mounting.opening_width_mm.value_mm, abs=1e-3
        )


class TestTried:
    def test_a_gauge_that_drops_in_and_one_that_does_not_are_an_interval(self):
        """Rectangular between the two: half-width over sqrt(3) (JCGM 100, 4.3.7)."""
        size = "{ drops_in = 6.0, refuses = 6.5 }"
        of = known(opening_width_mm=size, make='"cast"')
        assert mean(of, "opening_width_mm") == pytest.approx(6.25, abs=1e-3)
        # 3 % for the gauges' own 0.02 mm and the waves of a cast seat.
        assert u(of, "opening_width_mm") == pytest.approx(0.25 / np.sqrt(3), rel=0.03)


class TestShape:
    @pytest.mark.parametrize("corner_pct", [8, 15, 24])
    def test_the_diagonal_tells_an_octagons_corners(self, corner_pct):
        """From (L/2, W/2 - c) to its opposite: sqrt(L^2 + (W - 2c)^2) for corners cut by c."""
        cut = corner_pct / 100 * 6.0
        diagonal = np.hypot(8.0, 6.0 - 2 * cut)
        seat = {"opening_family": '"octagon"', "opening_length_mm": 8.0, "opening_width_mm": 6.0}
        of = known(EXACT, **exact(**seat, opening_diagonal_mm=float(diagonal)), make='"cast"')
        doubt = u(of, "opening_corner_pct")
        assert abs(mean(of, "opening_corner_pct") - corner_pct) < 2 * doubt
        assert doubt < 0.5 * u(known(**seat), "opening_corner_pct")

    @pytest.mark.parametrize("ratio", [1.3, 2.5, 4.0])
    def test_a_diagonal_goes_to_the_corner_of_slim_openings_too(self, ratio):
        length, cut = 4.0 * ratio, 0.15 * 4.0
        diagonal = float(np.hypot(length, 4.0 - 2 * cut))
        of = known(EXACT, **exact(opening_length_mm=length, opening_width_mm=4.0,
                                  opening_diagonal_mm=diagonal),
                   opening_family='"octagon"', make='"cast"')  # fmt: skip
        assert mean(of, "opening_corner_pct") == pytest.approx(15, abs=0.5)

    def test_radii_of_an_even_figure_give_the_figure_back(self):
        """A cushion unlike the usual one, read at 24 directions without error."""
        shape = {"side_bulge_pct": 10.0, "corner_pct": 24.0}
        points = outline.draw("cushion", 8 / 6.6, shape) * 6.6
        at_deg = np.arange(0, 360, 15.0)
        radii = dict(zip(at_deg, polar(points, np.deg2rad(at_deg)), strict=True))
        of = known(EXACT, opening_family='"cushion"', opening_length_mm=None, opening_width_mm=None,
                   opening_radii_mm=listed(radii, **{"with": "exact"}), make='"cast"')  # fmt: skip
        off = of.radius - polar(points, of.directions)
        # The readings' own half step, 0.003 mm, at a corner between two directions at most twice.
        assert np.abs(off).max() < 0.006

    @pytest.mark.parametrize("family", ["oval", "octagon"])
    @pytest.mark.parametrize("centre", [(0.1, 0.0), (-0.05, 0.12)])
    @pytest.mark.parametrize("at_deg", [range(0, 360, 30), (0, 40, 90, 130, 180, 250, 300)])
    def test_a_centre_found_by_eye_does_no_harm(self, family, centre, at_deg):
        """The same figure comes out, be the directions even or not, only seen from elsewhere."""
        points = outline.draw(family, 8 / 6) * 6
        seen = polar(points - np.array(centre), np.deg2rad(at_deg))
        of = known(EXACT, opening_family=f'"{family}"', opening_length_mm=None,
                   opening_width_mm=None,
                   opening_radii_mm=listed(dict(zip(at_deg, seen, strict=True)),
                                           **{"with": "exact"}))  # fmt: skip
        # Second order in the shift: d^2 / 2r, 3 micrometres, and twice that where u is large.
        assert np.abs(of.radius - polar(points, of.directions)).max() < 0.008
        assert mean(of, "centre_x_mm") == pytest.approx(centre[0], abs=0.01)

    def test_radii_between_claws_read_the_figure_there(self):
        """An oval head read along its axes: the claws stand at 45 degrees to them."""
        points = outline.draw("oval", 8 / 6) * 6
        at_deg = np.arange(0, 360, 60.0)
        radii = dict(zip(at_deg, polar(points, np.deg2rad(at_deg)), strict=True))
        of = known(EXACT, CLAWS, opening_length_mm=None, opening_width_mm=None,
                   opening_radii_mm=listed(radii, **{"with": "exact"}))  # fmt: skip
        assert mean(of, "opening_length_mm") == pytest.approx(8, abs=0.02)
        assert mean(of, "opening_width_mm") == pytest.approx(6, abs=0.02)

    @pytest.mark.parametrize(
        ("claws_deg", "read_by"),
        [
            ((45, 135, 225, 315), {0: 0.5, 1: 0.5, 2: 0.5, 3: 0.5}),
            ((0, 90, 180, 270), {0: 1, 2: 1}),
            ((30, 90, 150, 210, 270, 330), {0: 0.5, 5: 0.5, 2: 0.5, 3: 0.5}),
            ((8, 120, 240), {0: 1, 1: 0.5, 2: 0.5}),
        ],
    )
    def test_a_span_over_claws_is_known_as_well_as_it_is_read(self, claws_deg, read_by):
        """How far the faces stray is in the span: that much less is known of the figure alone."""
        of = known(EXACT, exact(**CLAWS), claw_directions_deg=list(claws_deg))
        span = np.zeros(len(of.names))
        span[of.index("opening_length_mm")] = 1.0
        for claw, part in read_by.items():
            span[of.index(f"claw_face_{claw}")] = part
        assert np.sqrt(span @ of.covariance @ span) < 1.1 * OWN_U_MM
        strays = of.irregularity_mm * np.sqrt(sum(part**2 for part in read_by.values()))
        assert u(of, "opening_length_mm") == pytest.approx(strays, rel=0.01)

    def test_no_irregularity_means_none(self):
        of = known(irregularity_mm=0)
        assert of.irregularity_mm == 0
        waves = [i for i, name in enumerate(of.names) if "_cos_" in name or "_sin_" in name]
        assert np.all(of.covariance[waves][:, waves] == 0)

    @pytest.mark.parametrize("make", ["hand", "cast"])
    def test_the_make_sets_the_irregularity(self, make):
        of = known(make=f'"{make}"')
        assert of.irregularity_mm == IRREGULARITY_MM[make]


class TestAssumed:
    def test_what_nobody_measured_is_listed_with_its_source(self):
        of = known()
        found = {item.name: item for item in of.assumed}
        unread = {"ledge_angle_deg", "wall_height_mm", "wall_thickness_mm", "wall_lean_deg"}
        assert set(found) == unread | {"irregularity_mm"}
        for item in of.assumed:
            assert item.source
            assert item.unit in ("mm", "deg", "pct")
        assert found["ledge_angle_deg"].u == KEYS["ledge_angle_deg"].usual.u

    def test_what_was_measured_is_not(self):
        full = known(ledge_angle_deg=40, wall_height_mm=0.9, wall_thickness_mm=0.5, wall_lean_deg=0)
        assert [item.name for item in full.assumed] == ["irregularity_mm"]

    def test_an_own_irregularity_says_so(self):
        (item,) = (each for each in known(irregularity_mm=0.03).assumed if "irreg" in each.name)
        assert (item.value, item.source) == (0.03, "given in the mounting file")

    def test_a_round_opening_read_once_is_taken_to_be_round(self):
        of = known(opening_family='"round"', opening_length_mm=6.5, opening_width_mm=None)
        (item,) = (each for each in of.assumed if each.name == "opening_width_mm")
        assert "as wide as it is long" in item.source
        assert mean(of, "opening_width_mm") == pytest.approx(mean(of, "opening_length_mm"))

    def test_so_is_a_round_rail(self):
        of = known(opening_family='"round"', opening_length_mm=6.5, opening_width_mm=None,
                   gallery_length_mm=5.0, gallery_depth_mm=1.0)  # fmt: skip
        assert mean(of, "gallery_width_mm") == pytest.approx(mean(of, "gallery_length_mm"))
        assert "gallery_width_mm" in {item.name for item in of.assumed}

    def test_corners_are_assumed_until_a_diagonal_or_radii_tell(self):
        cushion = {"opening_family": '"cushion"', "opening_length_mm": 8, "opening_width_mm": 6.6}
        with_diagonal = known(**cushion, opening_diagonal_mm=8.9)
        assert "opening_corner_pct" in {item.name for item in known(**cushion).assumed}
        assert "opening_corner_pct" not in {item.name for item in with_diagonal.assumed}

    def test_everything_unread_could_yet_be_read(self):
        """Each assumed length or angle is offered as evidence, and corners by their diagonal."""
        of = known(opening_family='"cushion"')
        offered = {str(item.place) for item in of.evidence if item.assumed}
        unread = {"wall_height_mm", "wall_thickness_mm", "wall_lean_deg", "ledge_angle_deg"}
        assert offered == unread | {"opening_diagonal_mm"}
        read = {str(item.place) for item in of.evidence if not item.assumed}
        assert read == {"opening_length_mm", "opening_width_mm", "ledge_width_mm",
                        "depth_below_ledge_mm"}  # fmt: skip


class TestAgainstLeastSquares:
    """The same readings by an independent road: whitened least squares (scipy's lstsq).

    A nearly round opening has a closed form: r(t) = L/2 cos^2 t + W/2 sin^2 t + waves, and the
    radius seen from a centre c off by little is shorter by c . (cos t, sin t).
    """

    RADII = (3.27, 3.22, 3.25, 3.29, 3.24, 3.21, 3.26, 3.28)

    @staticmethod
    def _by_least_squares(of: Mounting, tau: float) -> tuple[np.ndarray, np.ndarray]:
        from scipy.linalg import cholesky, lstsq, solve_triangular

        waves = [(part, k) for k in WAVES["opening"] for part in ("cos", "sin")]
        angle = np.deg2rad([at for at, _ in of.opening_radii_mm])

        def trig(part: str, k: int, t: np.ndarray) -> np.ndarray:
            return np.cos(k * t) if part == "cos" else np.sin(k * t)

        def row(t: np.ndarray) -> np.ndarray:
            return np.column_stack(
                [np.cos(t) ** 2 / 2, np.sin(t) ** 2 / 2, *(trig(part, k, t) for part, k in waves),
                 -np.cos(t), -np.sin(t)]
            )  # fmt: skip

        # The length runs from the direction 180 to the direction 0, whatever the centre.
        ends = row(np.array([0.0, np.pi])).sum(axis=0)
        ends[-2:] = 0
        design = np.vstack([ends, row(angle)])
        readings = [of.opening_length_mm, *(radius for _, radius in of.opening_radii_mm)]
        values = np.array([reading.value_mm for reading in readings])
        own = np.array([reading.u_own_mm for reading in readings])
        systematic = np.array([reading.u_systematic_mm for reading in readings])
        # Inside jaws took the length, outside jaws the radii: two causes.
        noise = np.diag(own**2 + OWN_U_MM**2 + (1 - SHARED_PART) * systematic**2)
        noise += (
            SHARED_PART
            * np.outer(systematic, systematic)
            * (np.equal.outer(np.arange(9) > 0, np.arange(9) > 0))
        )
        spread = np.array([3.0, 3.0, *(tau / k for _, k in waves), 0.3, 0.3])
        first = np.array([values[0], 2 * np.max(values[1:] * np.sin(angle)), *[0.0] * 12])
        white = cholesky(noise, lower=True)
        stacked = np.vstack([solve_triangular(white, design, lower=True), np.diag(1 / spread)])
        right = np.concatenate([solve_triangular(white, values, lower=True), first / spread])
        best = lstsq(stacked, right)[0]
        return best, np.linalg.inv(stacked.T @ stacked)

    def test_mean_and_covariance_agree(self):
        radii = dict(zip(np.arange(8) * 45.0, self.RADII, strict=True))
        round_ = {"opening_family": '"round"', "opening_length_mm": 6.5, "opening_width_mm": None}
        seat = mounting(**{**WALL, **round_, "opening_radii_mm": listed(radii)})
        of = belief(seat)
        best, covariance = self._by_least_squares(seat, IRREGULARITY_MM["hand"])
        names = ["opening_length_mm", "opening_width_mm",
                 *(f"opening_{part}_{k}" for k in WAVES["opening"] for part in ("cos", "sin")),
                 "centre_x_mm", "centre_y_mm"]  # fmt: skip
        chosen = [of.index(name) for name in names]
        # The closed form neglects squares of (L - W) / L and of centre / r: 0.001 mm here.
        assert np.allclose(of.mean[chosen], best, atol=1.5e-3)
        assert np.allclose(
            np.sqrt(np.diag(of.covariance)[chosen]), np.sqrt(np.diag(covariance)), rtol=0.02
        )


class TestAgainstTheTruth:
    def test_radii_reproduce_an_irregular_opening_within_their_doubt(self):
        """Forty hand-made openings, read at 12 directions from a centre found by eye.

        Standardised errors at 24 directions have a root mean square of 1; neighbouring directions
        hang together, so about 40 x 8 of them count: 4 standard errors are 0.16.
        """
        chance = np.random.default_rng(1890)
        found = []
        for family in ("oval", "cushion", "octagon", "oval") * 10:
            case = draw_case(chance, Plan(family=family, radii=12))
            of = belief(case.mounting, 24)
            truth = polar(figure(case.parameters, family), of.directions)
            truth += wave(case.parameters, "opening", of.directions)
            found.append(((of.radius - truth) / radius_u(of)) ** 2)
        assert np.sqrt(np.mean(np.concatenate(found))) == pytest.approx(1.0, abs=0.16)

    def test_claws_stand_where_they_are_said_to_within_their_doubt(self):
        """Eighty heads: the claws one by one, and all together, which shows what they share.

        Of all together 80 count: 4 standard errors of the root mean square are 0.32.
        """
        chance = np.random.default_rng(1890)
        one_by_one, together = [], []
        for family in ("oval", "round") * 40:
            case = draw_case(chance, Plan(family=family, holds="claws", state="uncut"))
            of = belief(case.mounting)
            truth = polar(figure(case.parameters, family), of.directions)
            truth += [case.parameters[f"claw_face_{i}"] for i in range(len(truth))]
            one_by_one.append(((of.radius - truth) / radius_u(of)) ** 2)
            mean = of.slopes.mean(axis=0)
            doubt = np.sqrt(mean @ of.covariance @ mean)
            together.append(((of.radius - truth).mean() / doubt) ** 2)
        assert np.sqrt(np.mean(one_by_one)) == pytest.approx(1.0, abs=0.16)
        assert np.sqrt(np.mean(together)) == pytest.approx(1.0, abs=0.32)

    def test_stations_lie_on_the_figure(self):
        of = known(opening_family='"cushion"')
        ring = shapely.LinearRing(of.figure_mm())
        plan = of.radius[:, None] * np.column_stack([np.cos(of.directions), np.sin(of.directions)])
        assert max(ring.distance(shapely.Point(p)) for p in plan) < 1e-9


class TestDraws:
    def test_the_zero_point_is_the_mean(self):
        of = known()
        assert np.array_equal(of.draw(np.zeros((1, len(of.names))))[0], of.mean)

    def test_draws_have_the_covariance(self):
        """Linear map of unit vectors: the factor's square is the covariance, to rounding."""
        of = known(opening_family='"cushion"')
        d = len(of.names)
        factor = of.draw(np.eye(d)) - of.mean
        assert np.allclose(factor.T @ factor, of.covariance, atol=1e-10)
