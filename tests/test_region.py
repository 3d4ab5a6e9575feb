"""The seating range of a cut: against single checks, a closed form, and the quoted boxes."""

from __future__ import annotations

from functools import cache
from itertools import product
from pathlib import Path

import numpy as np
import pytest
import shapely
from test_requirement import ready
from test_seat import ROUND

from fitsolver.drawings.paint import svg
from fitsolver.drawings.range_chart import range_chart
from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.proposal import propose
from fitsolver.fitting.region import Region, region
from fitsolver.fitting.solver import check
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material
from fitsolver.telling.range_report import region_record, region_text
from fitsolver.telling.record import as_json

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
CASES = [("claw-ring", "oval-brilliant"), ("old-cushion-collet", "cushion-step")]


@cache
def worked_out(name: str, style: str) -> tuple[Bench, Region]:
    at = bench(load_mounting(EXAMPLES / f"{name}.toml"))
    (found,) = propose(at, material("corundum"), styles=[cut(style)], limit=1).proposals
    return at, region(at, found)


@pytest.mark.parametrize(("name", "style"), CASES)
class TestAgainstSingleStones:
    def test_where_there_is_room_a_stone_seats_and_where_there_is_none_it_does_not(
        self, name, style
    ):
        """Stones between the knots; within 0.02 mm of the border either answer is right."""
        at, found = worked_out(name, style)
        chance = np.random.default_rng(8)
        told = {True: 0, False: 0}
        for _ in range(60):
            width = chance.uniform(found.width_mm.min(), found.width_mm.max())
            ratios = found.length_mm[:, 0] / found.width_mm[:, 0]
            length = width * chance.uniform(ratios[0], ratios[-1])
            depth = float(found.depth_mm[2])
            column = found._column(length, width, "ordinary")
            room = np.interp(depth, found.depth_mm, column)
            if abs(room) < 0.02:
                continue
            turn = np.deg2rad(found.proposal.ask.turn_deg)
            judged = check(at, cut(style), length, width, depth, turn_rad=turn, exact=False)
            assert (judged.verdict == "seats") == (room > 0)
            told[bool(room > 0)] += 1
        assert told[False] > 10
        assert told[True] > 0 or name != "claw-ring"

    def test_the_quoted_box_lies_inside(self, name, style):
        _, found = worked_out(name, style)
        proposal = found.proposal
        sides = ((side.low, side.high) for side in (proposal.length_mm, proposal.width_mm))
        for length, width in product(*sides):
            column = found._column(length, width, "ordinary")
            depths = np.linspace(proposal.depth_mm.low, proposal.depth_mm.high, 5)
            # The box is judged by other draws of the seat: a hundredth of a millimetre of play.
            assert (np.interp(depths, found.depth_mm, column) > -0.015).all()

    def test_the_surer_the_narrower(self, name, style):
        _, found = worked_out(name, style)
        room = found.room_mm
        assert (room["sure"] <= room["ordinary"]).all()
        assert (room["ordinary"] <= room["altered"]).all()
        areas = [
            sum(shapely.Polygon(line).area for line in found.outlines(setting))
            for setting in ("sure", "ordinary", "altered")
        ]
        assert areas == sorted(areas)

    def test_depths_are_those_at_which_there_is_room(self, name, style):
        _, found = worked_out(name, style)
        stone = found.proposal.ask.stone
        span = found.depths(stone.length_mm, stone.width_mm)
        assert span is not None
        assert span.low - 0.02 <= stone.depth_mm <= span.high + 0.02

    def test_outside_the_grid_nothing_is_claimed(self, name, style):
        _, found = worked_out(name, style)
        assert found.depths(found.length_mm.max() * 1.2, found.width_mm.max() * 1.2) is None


def test_a_round_range_in_closed_form() -> None:
    """A flat-backed dome of diameter D in an exact bore of 6.6 mm: 6.1 to 6.6 mm.

    The gap (6.6 - D) / 2 lies between 0 and the 0.25 mm that closing reaches; the ledge carries it
    by 0.5 - gap - 0.10 and the bearing is let part by 0.50 (0.5 - gap) tan(40 deg) here.
    """
    at = ready(ROUND, samples=16, allowed="bearing_gap_max_mm = 0.5")
    (found,) = propose(at, material("corundum"), styles=[cut("round-cabochon")], limit=1).proposals
    extent = region(at, found, draws=16).extent("best estimate")
    assert extent is not None
    for side in extent:
        assert side.low == pytest.approx(6.1, abs=0.02)
        assert side.high == pytest.approx(6.6, abs=0.02)


class TestCalibratedSizes:
    def test_the_band_of_one_that_seats_lies_inside(self):
        _, found = worked_out("claw-ring", "oval-brilliant")
        seating = {(length, width): seats for length, width, seats in found.calibrated()}
        assert seating[8.0, 6.0]
        assert not seating[9.0, 7.0]
        (outline,) = (shapely.Polygon(line) for line in found.outlines())
        t = found.tolerance_mm
        for (length, width), seats in seating.items():
            band = shapely.box(length - t, width - t, length + t, width + t)
            assert not seats or outline.buffer(0.005).contains(band)


class TestTelling:
    def test_the_chart_shows_ask_and_calibrated_sizes(self):
        _, found = worked_out("claw-ring", "oval-brilliant")
        drawing = range_chart(found)
        texts = "\n".join(drawing.texts)
        assert "8 x 6" in texts
        assert f"{found.proposal.ask.stone.length_mm:.2f} x" in texts
        assert "style=" not in svg(drawing)

    def test_text_and_record_say_the_same(self):
        at, found = worked_out("old-cushion-collet", "cushion-step")
        proposals = propose(at, material("corundum"), styles=[cut("cushion-step")], limit=1)
        text = region_text(proposals, found)
        said = region_record(proposals, found)
        assert f"{said['box']['length_mm']['low']:.2f} to" in text
        assert as_json(said)
        extent = found.extent("altered")
        assert extent is not None
        assert f"{extent[0].low:.2f} to {extent[0].high:.2f}" in text

    def test_a_cut_that_cannot_seat_is_told_with_what_stops_it(self):
        at, _ = worked_out("old-cushion-collet", "cushion-step")
        found = propose(at, material("corundum"), styles=[cut("round-brilliant")], limit=1)
        assert found.left_out[0].requirement in region_text(found, None)
        assert region_record(found, None)["shortfall_mm"] > 0
