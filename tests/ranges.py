"""Stones drawn from seating ranges that are said to hold with 95 %, held against true seats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from simulated import draw_case
from trials import STYLES, Array, Kind, Stones, seated

from fitsolver.fitting.bench import bench
from fitsolver.fitting.proposal import propose
from fitsolver.fitting.region import SURE, Region, region
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material


@dataclass(frozen=True, kw_only=True)
class Ranges:
    """Stones inside seating ranges said to hold with 95 %, and on their edges.

    `inside` and `edge` (m, 2) the seat's number and whether the stone seats; `asked` how many
    seats were looked at, of which some have no such range.
    """

    asked: int
    inside: NDArray[np.int64]
    edge: NDArray[np.int64]

    @staticmethod
    def share(found: NDArray[np.int64]) -> tuple[float, float]:
        """The share that seats, and its standard error with stones of a seat taken as tied.

        The ratio of two sums over seats (Cochran, Sampling Techniques, 1977, 6.3).
        """
        share = float(found[:, 1].mean())
        off = np.bincount(found[:, 0], weights=found[:, 1] - share)
        seats = len(np.unique(found[:, 0]))
        return share, float(np.sqrt((off**2).sum() * seats / max(seats - 1, 1)) / len(found))

    def report(self) -> str:
        """Show the shares."""
        lines = [f"{self.asked} seats asked, {len(np.unique(self.inside[:, 0]))} with a range"]
        for name, found in (("inside", self.inside), ("on the edge", self.edge)):
            share, error = self.share(found)
            lines.append(f"{len(found):5d} stones {name}: {share:.3f} seat, +- {error:.3f}")
        return "\n".join(lines)


def range_trials(kinds: Sequence[Kind], count: int, seed: int, stones: int = 8) -> Ranges:
    """Ask for the seating range of a cut in `count` seats of every kind, and try stones of it.

    `stones` inside, as many on the edge in length and width at some depth, half as many on the
    edge in depth. An edge of the style's own limits is none.
    """
    inside, edge, number = [], [], 0
    for kind, (plan, _) in enumerate(kinds):
        style = cut(STYLES[plan.family])
        for k in range(count):
            chance = np.random.default_rng([seed, kind, k])
            number += 1
            case = draw_case(chance, plan)
            ready = bench(case.mounting)
            best = propose(ready, material("corundum"), styles=[style], limit=1).proposals
            if not best or best[0].ask.probability < SURE:
                continue
            found = region(ready, best[0])
            sizes = _sizes_inside(chance, found, stones)
            border = _sizes_on_edge(chance, found, sizes) if len(sizes) else sizes
            for goal, chosen in ((inside, sizes), (edge, border)):
                if len(chosen):
                    turn = np.full(len(chosen), np.deg2rad(best[0].ask.turn_deg))
                    length, width, depth = chosen.T
                    read = Stones(length=length, width=width, depth=depth, turn=turn)
                    held = seated(chance, case, ready, style, read)
                    goal += [(number, int(each)) for each in held]
    return Ranges(asked=number, inside=np.array(inside), edge=np.array(edge))


def _sizes_inside(chance: np.random.Generator, found: Region, count: int) -> Array:
    """Draw lengths, widths and depths (m, 3) at which a stone is said to seat with 95 %."""
    extent = found.extent("sure")
    sizes: list[tuple[float, float, float]] = []
    if extent is None:
        return np.array(sizes)
    for _ in range(400):
        length, width = (chance.uniform(side.low, side.high) for side in extent)
        deep = found.depths(length, width, "sure")
        if deep is not None and deep.high > deep.low:
            sizes.append((length, width, chance.uniform(deep.low, deep.high)))
        if len(sizes) == count:
            break
    return np.array(sizes)


def _sizes_on_edge(chance: np.random.Generator, found: Region, inside: Array) -> Array:
    """From sizes inside (m, 3) go on in any direction to where the range is said to end."""
    sizes = []
    for k, (length, width, depth) in enumerate(inside):
        if k % 2:
            deep = found.depths(length, width, "sure")
            assert deep is not None
            end = deep.low if chance.uniform() < 0.5 else deep.high
            if found.depth_mm[0] < end < found.depth_mm[-1]:
                sizes.append((length, width, end))
        way = chance.uniform(0, 2 * np.pi)
        near, far = 0.0, 2.0
        for _ in range(24):
            middle = (near + far) / 2
            there = length + middle * np.cos(way), width + middle * np.sin(way)
            deep = found.depths(*there, "sure")
            holds = deep is not None and deep.low <= depth <= deep.high
            near, far = (middle, far) if holds else (near, middle)
        long, wide = length + near * np.cos(way), width + near * np.sin(way)
        ratios, widths = found.length_mm[:, 0] / found.width_mm[:, 0], found.width_mm[0]
        if all(
            ends[0] * 1.0005 < value < ends[-1] * 0.9995
            for value, ends in ((long / wide, ratios), (wide, widths))
        ):
            sizes.append((long, wide, depth))
    return np.array(sizes)
