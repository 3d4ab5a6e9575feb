"""How a judged stone lies: support, tilt, the stone laid in unopened, zones, the finger."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from drawn import case, mounting
from msgspec.structs import replace
from solids import cabochon, pyramid, stone, style

from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.contact import drop
from fitsolver.fitting.pose import Pose, pose_of, seated
from fitsolver.fitting.seated import Seated
from fitsolver.fitting.solver import Check, check
from fitsolver.fitting.support import centre_of_mass, support
from fitsolver.fitting.tilt import MOST_DEG, risen_mm, tilt_band
from fitsolver.fitting.unopened import unopened
from fitsolver.fitting.zone import ledge, zones
from fitsolver.readings.reading import direct
from fitsolver.seats.belief import belief
from fitsolver.seats.metal import metal
from fitsolver.seats.mounting import load_mounting
from fitsolver.seats.seat import Seats, seats
from fitsolver.stones.cut import cut
from fitsolver.stones.stone import Stone
from fitsolver.telling.pose_report import pose_lines, pose_record
from fitsolver.telling.record import as_json
from fitsolver.text.layout import page

EXAMPLES = Path(__file__).parents[1] / "examples"
JUDGED = {
    "old-cushion-collet": ("cushion-plain", 7.7, 6.6, 4.3),
    "claw-ring": ("oval-brilliant", 8.0, 6.0, 3.9),
    "step-rectangle": ("emerald", 9.1, 7.1, 4.6),
    "closed-back-oval": ("oval-brilliant", 6.9, 5.4, 3.2),
}


@lru_cache(maxsize=8)
def ready(name: str) -> Bench:
    return bench(load_mounting(EXAMPLES / f"{name}.toml"), samples=64)


@lru_cache(maxsize=8)
def judged(name: str) -> tuple[Check, Pose]:
    found = check(ready(name), cut(JUDGED[name][0]), *JUDGED[name][1:])
    return found, pose_of(ready(name), found)


def seat(family: str, length: float, width: float, **changes: object) -> Seats:
    held = mounting(
        np.random.default_rng(0), family, "wall",
        **{
            "opening_length_mm": direct(length), "opening_width_mm": direct(width),
            "ledge_width_mm": direct(0.5), "ledge_angle_deg": 0.0, "wall_lean_deg": 0.0,
            "wall_height_mm": direct(1.0), **changes,
        },
    )  # fmt: skip
    return seats(belief(held, 180), 0)


def laid(where: Seats, what: Stone, **more: object) -> Seated:
    z = drop(what, metal(where)).rest_z_mm
    return Seated(seats=where, stone=what, shift_mm=(0.0, 0.0), turn_rad=0.0, z_mm=z, **more)


# The centre of mass


def test_a_pyramid_balances_at_a_quarter_of_its_height():
    upside_down = stone(pyramid("rectangle"), 1.5, width_mm=4.0, pavilion_mm=2.0)
    at = Seated(
        seats=seat("rectangle", 6.1, 4.1), stone=upside_down, shift_mm=(0.3, -0.2),
        turn_rad=0.7, z_mm=5.0,
    )  # fmt: skip
    assert centre_of_mass(at) == pytest.approx([0.3, -0.2, 4.5], abs=1e-9)


def test_a_slab_balances_in_its_middle_where_it_was_put():
    slab = stone(style("rectangle"), 1.5, width_mm=4.0, girdle_mm=1.0)
    at = laid(seat("rectangle", 6.1, 4.1), slab)
    assert centre_of_mass(at) == pytest.approx([0, 0, at.z_mm], abs=1e-9)


# Support


def test_a_slab_lies_on_all_of_a_flat_ledge():
    """6 x 4 mm on a ledge 0.5 mm wide round 6.2 x 4.2: it overhangs the hole by 0.4 mm."""
    slab = stone(style("rectangle"), 1.5, width_mm=4.0, girdle_mm=1.0)
    at = laid(seat("rectangle", 6.2, 4.2), slab)
    held = support(at, 0.0)
    assert held is not None
    assert [arc.size_deg for arc in held.touches.arcs] == [360.0]
    assert held.touches.open_arc_deg == 0
    # The hull of the contact is the slab's own lower face.
    assert held.touches.mass_inside_mm == pytest.approx(2.0, abs=0.02)
    assert {press.on: press.answer for press in held.presses}["table"] != "tips"


def test_a_cone_touches_a_ring_all_round():
    cone = stone(pyramid("round"), width_mm=6.0, girdle_mm=0.2, pavilion_mm=3.0)
    at = laid(seat("round", 6.2, 6.2), cone)
    held = support(at, 0.0)
    assert held is not None
    assert [(arc.size_deg, arc.on) for arc in held.touches.arcs] == [(360.0, "ledge edge")]
    # The ring: 3.1 - 0.5 mm.
    assert held.touches.mass_inside_mm == pytest.approx(2.6, abs=0.01)
    girdle = held.presses[-1]
    assert girdle.on == "girdle"
    assert girdle.answer == "tips"
    assert girdle.outside_mm == pytest.approx(np.full(72, 0.4), abs=0.01)


def test_a_stone_longer_than_its_seat_rocks_on_its_ends():
    """An oval cone pressed on by the ends of a shorter ring touches at two places."""
    what = stone(pyramid("oval"), 1.30, width_mm=6.0, girdle_mm=0.2, pavilion_mm=2.4)
    at = laid(seat("oval", 7.9, 6.5), what)
    held = support(at, 0.0)
    assert held is not None
    touched = [(arc.from_deg + arc.size_deg / 2) % 360 for arc in held.touches.arcs]
    assert sorted(round(each) % 180 for each in touched) in ([0, 0], [90, 90])
    # What is within 5 micrometres of touching carries it sideways, barely.
    assert held.touches.mass_inside_mm < 1.0
    assert held.touches.open_arc_deg > 150


@pytest.mark.parametrize("name", ["old-cushion-collet", "step-rectangle", "closed-back-oval"])
def test_every_contact_is_within_its_tolerance(name):
    _, pose = judged(name)
    assert pose.support is not None
    at = seated(ready(name), judged(name)[0])
    for touch in (pose.support.touches, pose.support.may_touch):
        lower = np.min([body.lower_at(touch.points[:, :2] * (1 - 1e-9)) for body in at.bodies], 0)
        assert (lower - touch.points[:, 2]).max() <= touch.tolerance_mm + 1e-6
        assert len(touch.arcs) > 0
        assert sum(arc.size_deg for arc in touch.arcs) + touch.open_arc_deg <= 360 + 1e-6


# Tilt


@pytest.mark.parametrize("rise", [0.01, 0.03])
@pytest.mark.parametrize("girdle", [0.5, 1.5])
def test_a_slab_on_a_flat_ledge_tilts_about_its_lower_edge(rise, girdle):
    """a sin t - (g / 2)(1 - cos t) = rise, a half its length that way, as school geometry has it.

    Room beside it: the wall does not stop it.
    """
    slab = stone(style("rectangle"), 1.5, width_mm=4.0, girdle_mm=girdle)
    band = tilt_band(laid(seat("rectangle", 7.4, 5.4, ledge_width_mm=direct(1.2)), slab), rise)
    assert band is not None
    for direction, half in ((0, 3.0), (90, 2.0), (180, 3.0), (270, 2.0)):
        k = int(np.argmin(np.abs(band.direction_deg - direction)))
        t = np.deg2rad(band.tilt_deg[k])
        # Halved to a sixteenth of the first bracket, 1 deg, from below.
        least = np.deg2rad(max(band.tilt_deg[k] - 0.01, 0.0))
        most = np.deg2rad(band.tilt_deg[k] + 0.07)
        lift = [half * np.sin(x) - girdle / 2 * (1 - np.cos(x)) for x in (least, t, most)]
        assert lift[0] <= rise
        assert lift[2] >= rise


def test_a_ball_upon_a_ring_takes_any_tilt():
    """A half ball turns about its middle: nothing rises, whichever way."""
    ball = stone(
        cabochon("round", "pavilion", tiers=24), width_mm=5.0, pavilion_mm=2.5, girdle_mm=0.0,
        crown_mm=0.001,
    )  # fmt: skip
    at = laid(seat("round", 5.6, 5.6, ledge_width_mm=direct(1.2)), ball)
    band = tilt_band(at, 0.1)
    assert band is not None
    assert band.least[0] == pytest.approx(MOST_DEG, abs=0.1)


@pytest.mark.parametrize("name", ["old-cushion-collet", "step-rectangle", "closed-back-oval"])
def test_the_tilted_stone_rises_by_what_is_allowed_and_no_more(name):
    """By exact drops of the tilted stone where the band says it lies; 2 um for rounding."""
    found, pose = judged(name)
    at = seated(ready(name), found)
    assert pose.tilt is not None
    for direction, tilt, shift in zip(
        pose.tilt.direction_deg, pose.tilt.tilt_deg, pose.tilt.shift_mm, strict=True
    ):
        rise = risen_mm(at, np.deg2rad(direction), np.deg2rad(tilt), shift)
        assert rise <= pose.tilt.rise_mm + 0.002


def test_a_tilt_beyond_the_band_fits_nowhere():
    """A quarter more of it: of many sideways places none keeps rise and wall both."""
    found, pose = judged("step-rectangle")
    at = seated(ready("step-rectangle"), found)
    assert pose.tilt is not None
    for k in (0, 4, 9):
        toward, tilt = np.deg2rad([pose.tilt.direction_deg[k], 1.25 * pose.tilt.tilt_deg[k]])
        middle = 1.25 * pose.tilt.shift_mm[k]
        for x in np.linspace(-0.15, 0.15, 5):
            for y in np.linspace(-0.15, 0.15, 5):
                assert risen_mm(at, toward, tilt, middle + np.array([x, y])) > pose.tilt.rise_mm


def test_more_allowed_rise_allows_more_tilt():
    at = seated(ready("closed-back-oval"), judged("closed-back-oval")[0])
    small, large = (tilt_band(at, rise) for rise in (0.01, 0.05))
    assert small is not None
    assert large is not None
    assert (large.tilt_deg >= small.tilt_deg - 0.07).all()
    assert large.tilt_deg.sum() > small.tilt_deg.sum()


# The stone laid in unopened


def test_a_stone_wider_than_its_leaning_rim_is_jammed_on_it():
    """A wall 1 mm high leaning in by 10 deg: 0.176 mm a side at the rim, 0.05 mm to spare below."""
    where = seat("round", 6.1, 6.1, wall_lean_deg=10.0)
    cone = stone(pyramid("round"), width_mm=6.0, girdle_mm=0.2, pavilion_mm=2.4)
    at = laid(where, cone)
    on_the_rim = unopened(at, 0.05)
    assert on_the_rim.jammed
    assert on_the_rim.lies_on == "rim"
    assert on_the_rim.still_down_mm > 0.3
    assert on_the_rim.lies_z_mm == pytest.approx(at.z_mm + on_the_rim.still_down_mm)
    lean = np.tan(np.deg2rad(10.0))
    assert on_the_rim.opening_mm == pytest.approx(lean - 0.05, abs=0.003)
    # Opened by as much, it goes down.
    wider = replace(where, opening=where.opening * (1 + (on_the_rim.opening_mm + 1e-3) / 3.05))
    assert unopened(replace(at, seats=wider), 0.05).still_down_mm == 0


def test_a_stone_that_passes_its_rim_lies_in_its_seat():
    found = unopened(laid(seat("round", 6.3, 6.3), stone(
        pyramid("round"), width_mm=6.0, girdle_mm=0.2, pavilion_mm=2.4)), 0.05)  # fmt: skip
    assert not found.jammed
    assert found.still_down_mm == 0


@pytest.mark.parametrize("number", range(40))
def test_a_jammed_stone_has_no_margin_of_entry(number):
    """So its verdict cannot be that it seats: all margins must hold for that."""
    from fitsolver.fitting.placement import place
    from fitsolver.fitting.requirement import bounds, requirements
    from fitsolver.seats.allowance import allowances

    drawn = case(number, 41, play_mm=(-0.15, 0.1))
    one, what, allowed = np.ones(1), drawn.stone, allowances()
    placed = place(
        what.form, drawn.seats, what.length_mm * one, what.width_mm * one, what.girdle_mm * one,
        bounds(drawn.seats, allowed), turn_rad=drawn.turn_rad,
    )  # fmt: skip
    needs = requirements(
        placed, what.crown_height_mm * one, what.girdle_mm * one, what.pavilion_depth_mm * one,
        allowed,
    )  # fmt: skip
    c, s = np.cos(drawn.turn_rad), np.sin(drawn.turn_rad)
    x, y = np.array([[c, -s], [s, c]]) @ placed.shift[0]
    z = drop(what, metal(drawn.seats), shift_mm=(x, y), turn_rad=drawn.turn_rad).rest_z_mm
    at = Seated(
        seats=drawn.seats, stone=what, shift_mm=(float(x), float(y)), turn_rad=drawn.turn_rad,
        z_mm=z,
    )  # fmt: skip
    gives = allowed["claw_give_mm" if at.claws else "rim_give_mm"]
    if unopened(at, gives).jammed:
        # 0.003 mm: the kernel of many seats against the exact one.
        assert needs.margins["entry"][0] < 0.003


# Zones


def test_a_finger_curves_away_from_a_keel():
    """A keel 3 mm long across a finger of 8 mm: its ends clear it by R - sqrt(R^2 - 1.5^2) more."""
    keel = stone(pyramid("rectangle", rings="inset"), 2.0, width_mm=3.0, pavilion_mm=1.5)
    where = replace(seat("rectangle", 6.2, 3.2), back="open", floor_z=np.array([-3.0]))
    at = Seated(
        seats=where, stone=keel, shift_mm=(3.0, 0.0), turn_rad=0.0, z_mm=0.0,
        finger_diameter_mm=8.0, finger_along="width",
    )  # fmt: skip
    # The keel runs from x = 3 - 1.5 to 3 + 1.5: nearest to the finger's middle at 1.5.
    nearest = zones(at)[-1]
    assert nearest.least_mm == pytest.approx(1.5 + 4.0 - np.sqrt(16.0 - 1.5**2), abs=1e-9)
    assert nearest.point_mm[0] == pytest.approx(1.5, abs=1e-9)
    along = zones(replace(at, finger_along="length"))[-1]
    assert along.least_mm == pytest.approx(1.5, abs=1e-9)
    flat = zones(replace(at, finger_diameter_mm=None))[-1]
    assert flat.least_mm == pytest.approx(1.5, abs=1e-9)


def test_a_flat_finger_is_the_safe_side_of_a_curved_one():
    for number in range(12):
        drawn = case(number, 43)
        at = Seated(
            seats=replace(drawn.seats, back="open"), stone=drawn.stone, shift_mm=(0.1, -0.05),
            turn_rad=drawn.turn_rad, z_mm=0.0, finger_along="width",
        )  # fmt: skip
        flat = zones(at)[-1].least_mm
        assert zones(replace(at, finger_diameter_mm=16.5))[-1].least_mm >= flat - 1e-9


def test_cover_and_slopes_of_a_cone_on_its_ledge():
    cone = stone(pyramid("round"), width_mm=6.0, girdle_mm=0.2, pavilion_mm=3.0)
    found = ledge(laid(seat("round", 6.2, 6.2, ledge_angle_deg=30.0), cone))
    assert found is not None
    assert found.cover_mm == pytest.approx(np.full(180, 0.4), abs=2e-3)
    assert found.ledge_deg == pytest.approx(np.full(180, 30.0), abs=0.01)
    assert found.pavilion_deg == pytest.approx(np.full(180, 45.0), abs=0.1)
    apart = 0.4 * (1 - np.tan(np.deg2rad(30.0)))
    assert found.gap_mm == pytest.approx(np.full(180, apart), abs=2e-3)


@pytest.mark.parametrize("name", JUDGED)
def test_the_account_agrees_with_the_margins(name):
    """Pose and margins are worked out apart, on 180 stations and on fewer."""
    found, pose = judged(name)
    needs = {item.name: item for item in found.requirements}
    if "girdle gap" in needs:
        item = needs["girdle gap"]
        gap = pose.zones[0].least_mm
        assert gap == pytest.approx(item.best_estimate_mm + item.threshold_mm, abs=0.006)
    if "gallery clearance" in needs:
        item = needs["gallery clearance"]
        clear = item.best_estimate_mm + item.threshold_mm
        assert pose.zone("gallery").least_mm == pytest.approx(clear, abs=0.01)
    if "culet clearance" in needs:
        item = needs["culet clearance"]
        clear = item.best_estimate_mm + item.threshold_mm
        # A curved finger is a little farther.
        assert clear - 0.006 <= pose.zones[-1].least_mm <= clear + 0.05
    with pytest.raises(KeyError):
        pose.zone("moon")


# In words and as a record


@pytest.mark.parametrize("name", JUDGED)
def test_the_pose_is_told_in_short(name):
    _, pose = judged(name)
    for width in (60, 80):
        lines = page([pose_lines(pose, width)]).splitlines()
        assert 3 <= len(lines) <= 20
        assert max(map(len, lines)) <= width


@pytest.mark.parametrize("name", JUDGED)
def test_the_record_carries_every_field(name):
    _, pose = judged(name)
    told = json.loads(as_json(pose_record(pose)))
    for zone, record in zip(pose.zones, told["zones"], strict=True):
        assert record["name"] == zone.name
        assert len(record["direction_deg"]) == len(record["clearance_mm"]) > 10
        known = [value for value in record["clearance_mm"] if value is not None]
        assert min(known) == pytest.approx(zone.least_mm, abs=1e-6)
    cut_seat = pose.ledge is not None
    assert (told["tilt"] is not None) == cut_seat
    assert (told["support"] is not None) == cut_seat
