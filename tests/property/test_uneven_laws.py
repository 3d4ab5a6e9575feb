"""Laws of uneven seats: even readings say what one does, turning and mirroring change nothing."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated import EXACT, exact, mounting
from test_seat import ROUND
from uneven import EIGHTHS, by_direction, claws, leans

from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.contact import drop
from fitsolver.fitting.sizes import nominal_stone
from fitsolver.fitting.solver import Check, check
from fitsolver.seats.belief import STATIONS, belief
from fitsolver.seats.metal import metal
from fitsolver.seats.seat import seats
from fitsolver.stones.cut import cut

FEW = settings(deadline=None, max_examples=5)
FLAT, BRILLIANT = cut("round-cabochon"), cut("round-brilliant")
OVAL = {**ROUND, **exact(opening_family='"oval"', opening_length_mm=8.2, opening_width_mm=6.2)}
# Metal is drawn straight between stations, which lie otherwise after a turn; on either side.
CHORD_MM = 2 * 3.3 * (1 - np.cos(np.pi / STATIONS)) + 0.001
SIXTHS = tuple(range(0, 360, 60))


def ready(seat: dict[str, object]) -> Bench:
    return bench(mounting(EXACT, **seat), samples=4)


def margins(judged: Check) -> dict[str, float]:
    return {item.name: item.best_estimate_mm for item in judged.requirements}


def judged(seat: dict[str, object]) -> dict[str, float]:
    return margins(check(ready(seat), FLAT, 6.4, 6.4, 2.6, exact=False))


@FEW
@given(
    width=st.floats(0.35, 0.6),
    height=st.floats(0.7, 1.5),
    lean=st.floats(-5, 8),
    tau=st.sampled_from([0.0, 0.05]),
)
def test_an_even_seat_read_by_direction_is_the_plain_one(width, height, lean, tau):
    """All margins of the best estimate agree within what readings are rounded to, 0.003 mm.

    With every place a station, chords lie otherwise; those of an oval stray by 0.004 mm.
    """
    plain = {**OVAL, **exact(ledge_width_mm=width, wall_height_mm=height),
             "wall_lean_deg": lean, "irregularity_mm": tau}  # fmt: skip
    placed = {
        **plain, "ledge_width_mm": None, "wall_height_mm": None, "wall_lean_deg": None,
        "ledge_widths_mm": by_direction(width), "wall_heights_mm": by_direction(height),
        "ledge_heights_mm": by_direction(6.0), "wall_leans_deg": leans(lean),
    }  # fmt: skip
    oval = cut("oval-cabochon")
    one, other = (
        margins(check(ready(seat), oval, 8.0, 6.0, 2.8, exact=False)) for seat in (plain, placed)
    )
    assert other == pytest.approx(one, abs=0.008)


def worn(turn: int, side: int = 1) -> dict[str, object]:
    """A round seat worn in all ways, turned by whole degrees, mirrored about the length by -1."""

    def width(at):
        return 0.5 + 0.12 * np.cos(np.deg2rad(side * at - turn * side))

    def height(at):
        return 5 + 0.05 * np.cos(np.deg2rad(2 * (side * at - turn * side) - 40))

    def lean(at):
        return 2 + 3 * np.cos(np.deg2rad(side * at - turn * side + 70))

    at_deg = [(turn + side * at) % 360 for at in EIGHTHS]
    gap = sorted([20 * side, 60 * side])
    return {
        **ROUND, "ledge_width_mm": None, "wall_lean_deg": None,
        "ledge_widths_mm": by_direction(width, at_deg),
        "ledge_heights_mm": by_direction(height, at_deg),
        "wall_leans_deg": leans(lean, at_deg),
        "ledge_missing_deg": f"[[{(gap[0] + turn) % 360}, {(gap[1] + turn) % 360}]]",
    }  # fmt: skip


@FEW
@given(turn=st.integers(1, 359))
def test_turning_a_round_seat_turns_the_answer(turn):
    """A round stone does not see the turn: all margins stay, but for where the chords lie.

    The wall's figure stays in place: its length and width are equal.
    """
    assert judged(worn(turn)) == pytest.approx(judged(worn(0)), abs=CHORD_MM)


@FEW
@given(turn=st.integers(0, 359))
def test_a_mirrored_seat_has_the_same_margins(turn):
    assert judged(worn(-turn % 360, -1)) == pytest.approx(judged(worn(turn)), abs=CHORD_MM)


@FEW
@given(start=st.integers(0, 359), span=st.integers(10, 80), more=st.integers(5, 60))
def test_a_longer_gap_never_lifts_a_stone_nor_carries_it_better(start, span, more):
    """At one place the exact drop onto less metal is no higher."""
    found, carried = [], []
    stone = nominal_stone(BRILLIANT, 6.4, 6.4, 3.9)
    for arc in (span, span + more):
        seat = {**OVAL, "ledge_heights_mm": by_direction(
            lambda at: 5 + 0.1 * np.sin(np.deg2rad(2 * at))),
            "ledge_missing_deg": f"[[{start}, {(start + arc) % 360}]]"}  # fmt: skip
        held = mounting(EXACT, **seat)
        spots = seats(belief(held), 0)
        found.append(drop(stone, metal(spots), shift_mm=(0.05, -0.03)).rest_z_mm)
        carried.append(judged({**ROUND, "ledge_missing_deg": seat["ledge_missing_deg"]}))
    # Each arc's ends are stations of their own, which divide the same ledge otherwise.
    assert found[1] <= found[0] + 0.006
    assert carried[1]["ledge arc"] <= carried[0]["ledge arc"] + 1e-3


@FEW
@given(chance=st.randoms(use_true_random=False))
def test_order_of_claws_and_places_does_not_matter(chance: random.Random):
    own = [{"at_deg": at, "thickness_mm": 0.8 + at / 1000, "lean_deg": at % 7} for at in SIXTHS]
    seat = {
        **exact(holds='"claws"', state='"uncut"', back='"open"', opening_family='"round"',
                opening_level='"rim"', opening_length_mm=6.0, claw_width_mm=1.0,
                depth_below_rim_mm=6.0),
    }  # fmt: skip
    mixed = chance.sample(own, len(own))
    first, second = (
        margins(check(ready({**seat, "claws": claws(*each)}), BRILLIANT, 6.6, 6.6, 4.0))
        for each in (own, mixed)
    )
    assert first == second
