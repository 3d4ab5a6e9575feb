"""A mounting made ready for questions: what is believed of its seat, and the draws of it."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from msgspec import Struct

from fitsolver.errors import Fault, InputFaults, OutOfRange
from fitsolver.seats.allowance import Allowances, allowances
from fitsolver.seats.belief import Belief, belief
from fitsolver.seats.contradiction import REFUSED_U, Contradiction
from fitsolver.seats.metal import Surface, metal
from fitsolver.seats.mounting import Mounting
from fitsolver.seats.ranking import Ranking, ranking
from fitsolver.seats.seat import Seats, seats, seats_of

SAMPLES = 512
# Stations for the drawing and the exact drop of the best estimate.
FINE_STATIONS = 180


class Bench(Struct, frozen=True, kw_only=True, dict=True):
    """A mounting made ready for questions: what is believed of its seat, and the draws of it."""

    mounting: Mounting
    allowances: Allowances
    ranking: Ranking
    belief: Belief
    seats: Seats
    best: Seats

    @cached_property
    def fine(self) -> Seats:
        """The best estimate, finely divided, for the exact drop and the pose."""
        fine = belief(self.mounting, FINE_STATIONS)
        return seats_of(fine, fine.mean[None])

    @cached_property
    def metal(self) -> tuple[Surface, ...]:
        """Its surfaces."""
        return metal(self.fine)


def bench(mounting: Mounting, *, samples: int = SAMPLES) -> Bench:
    """Make a mounting ready: condition on its readings, draw possible seats.

    Raises `UnknownName` or `OutOfRange` for an allowance of the file that makes no sense, and for
    less than one draw; `InputFaults` for readings that contradict one another.
    """
    if samples < 1:
        raise OutOfRange("samples", samples, 1, 2**16, unit="draws")
    known = belief(mounting)
    faults = [_fault(mounting, pair) for pair in known.contradictions if pair.refused]
    if faults:
        raise InputFaults(faults)
    drawn = seats(known, samples)
    return Bench(
        mounting=mounting,
        allowances=allowances(mounting.allowances),
        ranking=ranking(mounting.ranking),
        belief=known,
        seats=drawn.single(),
        best=drawn.rows(np.array([0])),
    )


def _fault(mounting: Mounting, pair: Contradiction) -> Fault:
    """Name both readings of a contradiction, with their lines, and how far apart they are."""

    def line_of(key: str) -> int | None:
        return None if mounting.document is None else mounting.document.line_of(key)

    key = mounting.written_as(pair.first)
    against = "what all others say together"
    remedy = "Take it again"
    if pair.second is not None:
        other = mounting.written_as(pair.second)
        line = line_of(other)
        against = other if line is None else f"{other} (line {line})"
        remedy = "Take both again"
    return Fault(
        file=mounting.name if mounting.document is None else mounting.document.name,
        line=line_of(key),
        key=key,
        value=None,
        rule=f"contradicts {against}: they are {pair.apart_u:.1f} standard uncertainties apart, "
        f"and no answer is given from {REFUSED_U:g} on",
        remedy=f"{remedy}, or say how well each could be read (half_width_mm, definition_mm, "
        "irregularity_mm)",
    )
