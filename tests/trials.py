"""Stones tried in seats of known truth: what the readings foretold of each, and whether it seats.

A stone is chosen and judged by the readings alone; then its own true sizes are drawn from what it
was read as, and it is held against the true seat (`simulated`). Of every seat several sizes of a
cut are tried: they share what is true of it, so that they come true or fail together. How much
together, the draws behind the predictions say themselves (`Calibration`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray
from simulated import Beyond, Case, Plan, draw_case

from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.judge import fitted, judge, stands
from fitsolver.fitting.sizes import Sizes
from fitsolver.seats.mounting import Mounting
from fitsolver.seats.seat import Seats
from fitsolver.stones.cut import CutStyle, cut
from fitsolver.stones.form import form
from fitsolver.stones.prior import height_prior, heights_given_depth

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Kind = tuple[Plan, tuple[float, float]]

STYLES = {
    "round": "round-brilliant",
    "oval": "oval-brilliant",
    "cushion": "cushion-brilliant",
    "octagon": "emerald",
    "pear": "pear-brilliant",
}
# Every kind of seat; widths are chosen this far from the opening's as read [mm], so that all
# probabilities occur.
CUT, HEAD, TUBE = (-0.30, 0.05), (-0.1, 0.9), (0.0, 0.8)
KINDS: tuple[Kind, ...] = (
    (Plan(family="oval"), CUT),
    (Plan(family="round", level="rim"), CUT),
    (Plan(family="cushion", make="cast"), CUT),
    (Plan(family="oval", holds="claws"), CUT),
    (Plan(family="oval", holds="claws", state="uncut"), HEAD),
    (Plan(family="round", holds="claws", state="uncut", make="cast"), HEAD),
    (Plan(family="oval", state="uncut"), TUBE),
    (Plan(family="oval", holds="claws", unread=("claw_lean_deg", "notch_height_mm")), CUT),
)
MORE_KINDS: tuple[Kind, ...] = (
    *KINDS,
    (Plan(family="octagon"), CUT),
    (Plan(family="pear"), CUT),
    (Plan(family="cushion", radii=8), CUT),
    (Plan(family="oval", unread=("wall_lean_deg", "ledge_angle_deg", "wall_height_mm",
                                 "depth_below_ledge_mm")), CUT),
    (Plan(family="octagon", holds="claws", level="rim"), CUT),
    (Plan(family="round", state="uncut", make="cast"), TUBE),
    (Plan(family="oval", places=8), CUT),
)  # fmt: skip

# Kinds of seat that are often sure of some size, and how far its width is from the opening's.
SURE_KINDS: tuple[Kind, ...] = (
    (Plan(family="oval", holds="claws", state="uncut"), (0.2, 0.7)),
    (Plan(family="round", holds="claws", state="uncut", make="cast"), (0.2, 0.8)),
    (Plan(family="oval", state="uncut"), (0.2, 0.6)),
    (Plan(family="round", state="uncut", make="cast"), (0.2, 0.7)),
    (Plan(family="oval", make="cast"), (-0.25, 0.0)),
    (Plan(family="oval"), (-0.25, 0.0)),
)
# What a truth may have that nobody knows of.
UNKNOWN: Mapping[str, Beyond] = {
    "nothing: all as stated": Beyond(),
    "opening lopsided by 0.06 mm": Beyond(lopsided_mm=0.06),
    "opening sheared by 3 %": Beyond(sheared=0.03),
    "stone's girdle wavy by 0.05 mm": Beyond(wavy_girdle_mm=0.05),
    "inside jaws 0.03 mm short": Beyond(bore_mm=0.03),
    "inside jaws 0.08 mm short": Beyond(bore_mm=0.08),
    "hand scatters twice as much": Beyond(scatter=2.0),
    "irregularity twice as large": Beyond(wilder=2.0),
    "irregularity three times as large": Beyond(wilder=3.0),
}

# Sizes of the cut tried in every seat: so many lengths and widths, each at so many depths.
PLANS, DEPTHS = 3, 2
DRAWS = 256
# Ratios of length to width that differ by less share a figure.
ALIKE = 0.004
# How often a girdle goes round in waves, where it does.
GIRDLE_WAVES = range(4, 8)


@dataclass(frozen=True, kw_only=True)
class Stones:
    """Stones as read, (n,) [mm], and how they are turned [rad]."""

    length: Array
    width: Array
    depth: Array
    turn: Array


def seated(
    chance: np.random.Generator,
    case: Case,
    ready: Bench,
    style: CutStyle,
    stones: Stones,
    beyond: Beyond | None = None,
) -> Flags:
    """Draw the true sizes of stones from their readings, and hold each against the true seat."""
    u = ready.allowances["stone_reading_u_mm"]
    count = len(stones.width)
    off = chance.normal(size=(3, count)) * u
    mean, covariance = heights_given_depth(style, stones.depth / stones.width)
    size, axes = np.linalg.eigh(covariance)
    spread = chance.normal(size=(count, 3)) * np.sqrt(np.clip(size, 0, None)) @ axes.T
    shares = np.where(mean <= 0, 0.0, np.maximum(mean + spread, [0.02, 0.005, 0.02]))
    crown, girdle, pavilion = (
        shares / shares.sum(axis=1, keepdims=True) * (stones.depth + off[2])[:, None]
    ).T
    girdle_wave = _Wave(
        size_mm=beyond.wavy_girdle_mm if beyond else 0.0,
        number=int(chance.choice(GIRDLE_WAVES)),
        out=chance.uniform(0, 2 * np.pi),
        up=chance.uniform(0, 2 * np.pi),
    )
    long, wide = girdle_wave.read_more()
    true = Sizes(
        length=stones.length + off[0] - long, width=stones.width + off[1] - wide,
        crown=crown, girdle=girdle, pavilion=pavilion,
    )  # fmt: skip
    truth, found = case.truth(ready.belief), np.zeros(count, dtype=bool)
    ratio = stones.length / stones.width
    alike = np.column_stack([stones.turn, np.round(ratio / ALIKE)])
    _, kind = np.unique(alike, axis=0, return_inverse=True)
    for each in range(kind.max() + 1):
        chosen = np.flatnonzero(kind == each)
        turn = stones.turn[chosen[0]]
        figure = form(style, float(ratio[chosen].mean()))
        spots = girdle_wave.seen_by(truth, float(turn)).rows(0 * chosen)
        height: Array | None = None
        for _ in range(2):
            _, needs = fitted(
                figure, spots, true.rows(chosen), ready.allowances, float(turn), height
            )  # fmt: skip
            height = needs.girdle_bottom
        found[chosen] = needs.holds()
    return found


@dataclass(frozen=True, kw_only=True)
class _Wave:
    """A girdle that goes in and out, and up and down, by `size_mm`."""

    size_mm: float
    number: int
    out: float
    up: float

    def read_more(self) -> tuple[float, float]:
        """How much longer and wider than its figure the stone is read, over the waves [mm]."""
        ends = np.arange(4) * np.pi / 2
        out = self.size_mm * np.cos(self.number * ends + self.out)
        return float(out[0] + out[2]), float(out[1] + out[3])

    def seen_by(self, seat: Seats, turn: float) -> Seats:
        """Where the girdle goes out or up by some length, the metal is that much nearer."""
        if self.size_mm == 0:
            return seat
        at = np.arctan2(seat.opening[..., 1], seat.opening[..., 0]) - turn
        out = self.size_mm * np.cos(self.number * at + self.out)
        up = self.size_mm * np.cos(self.number * at + self.up)
        inward = out[..., None] * seat.outward
        moved = replace(seat, opening=seat.opening - inward, top=seat.top - up)
        if seat.ledge_inner is None:
            return moved
        assert seat.ledge_inner_z is not None
        assert seat.ledge_outer_z is not None
        return replace(
            moved,
            ledge_inner=seat.ledge_inner - inward,
            ledge_inner_z=seat.ledge_inner_z - up,
            ledge_outer_z=seat.ledge_outer_z - up,
        )


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """Predictions against what came true, in tenths, with how far chance alone would take them.

    `predicted` (n,), `seated` (n,), `seat` (n,) the number of each stone's seat, `held` (n, s)
    whether it seats in each draw of the belief.

    If the predictions are right, the truth of a seat is like one more draw of the belief: then
    what seats of its stones is one column of `held`, all of them together. Columns drawn for
    every seat, many times over, therefore show how the tenths would scatter, with all that the
    stones of a seat have in common. (Stones' own errors are common to the draws of a seat and are
    not to its truths: that widens the band by a little.)
    """

    predicted: Array
    seated: Flags
    seat: NDArray[np.int64]
    held: Flags

    @staticmethod
    def joined(parts: Sequence[Calibration]) -> Calibration:
        """Put the stones of several lots of seats together."""
        seats = np.cumsum([0, *(int(part.seat.max()) + 1 for part in parts)])
        return Calibration(
            predicted=np.concatenate([part.predicted for part in parts]),
            seated=np.concatenate([part.seated for part in parts]),
            seat=np.concatenate([part.seat + n for part, n in zip(parts, seats[:-1], strict=True)]),
            held=np.concatenate([part.held for part in parts]),
        )

    @property
    def brier(self) -> float:
        """Mean square of prediction less outcome."""
        return float(np.mean((self.predicted - self.seated) ** 2))

    @property
    def ideal(self) -> float:
        """What it would be on average if every prediction were right."""
        return float(np.mean(self.predicted * (1 - self.predicted)))

    @cached_property
    def tenth(self) -> NDArray[np.int64]:
        """The tenth of each prediction."""
        return np.minimum((10 * self.predicted).astype(np.int64), 9)

    @cached_property
    def likely(self) -> Array:
        """What chance would give, (r, 12): surplus of seated stones by tenth, of all, of Brier."""
        chance = np.random.default_rng(4711)
        seats, draws = int(self.seat.max()) + 1, self.held.shape[1]
        rows = np.arange(len(self.seat))
        found = []
        for _ in range(4000):
            column = chance.integers(draws, size=seats)
            found.append(self._surplus(self.held[rows, column[self.seat]]))
        return np.array(found)

    def _surplus(self, seated: Flags) -> Array:
        more = seated - self.predicted
        by_tenth = np.bincount(self.tenth, weights=more, minlength=10)
        square = more**2 - self.predicted * (1 - self.predicted)
        return np.append(by_tenth, [more.sum(), square.sum()])

    def band(self, columns: slice, joint: float = 0.01) -> Array:
        """How far the surpluses `columns` of `likely` stray: all within, but for `joint` of runs.

        The same number of standard deviations for each.
        """
        strayed = self.likely[:, columns]
        sigma = strayed.std(axis=0)
        times = np.abs(strayed / np.maximum(sigma, 1e-9)).max(axis=1)
        return np.asarray(np.quantile(times, 1 - joint) * sigma)

    def outside(self, joint: float = 0.01) -> list[int]:
        """Tenths beyond the band that all of them stay within in 1 - `joint` of runs."""
        surplus = np.abs(self._surplus(self.seated)[:10])
        return np.flatnonzero(surplus > self.band(slice(10), joint) + 1e-9).tolist()

    def beyond(self, column: int, joint: float = 0.01) -> bool:
        """Whether all together (10) or the Brier score (11) strays farther than chance would."""
        band = self.band(slice(column, column + 1), joint)
        return bool(abs(self._surplus(self.seated)[column]) > band[0])

    def report(self) -> str:
        """Show a table of the tenths and the Brier score."""
        band, lines = self.band(slice(10)), []
        for tenth in range(10):
            chosen = self.tenth == tenth
            if n := int(chosen.sum()):
                p, seated = self.predicted[chosen].mean(), self.seated[chosen].mean()
                lines.append(
                    f"{n:6d} {p:9.3f} {seated:8.3f} {seated - p:+7.3f} {band[tenth] / n:7.3f}"
                )
        p = self.predicted
        alone, together = (p * (1 - p)).sum(), self.likely[:, 10].var()
        return "\n".join(
            [
                f"{'stones':>6} {'predicted':>9} {'observed':>8} {'off':>7} {'band':>7}",
                *lines,
                f"Brier score {self.brier:.4f}, {self.ideal:.4f} if all were right "
                f"(99 %: to {self.band(slice(11, 12))[0] / len(p):.4f} either side)",
                f"{len(p)} stones in {int(self.seat.max()) + 1} seats, worth "
                f"{len(p) * alone / together:.0f} that had nothing in common",
            ]
        )

    def said(self, low: float, high: float = 1.0) -> tuple[int, float, float]:
        """Of predictions from `low` to `high`: how many, their mean, the share that seats."""
        chosen = (self.predicted >= low) & (self.predicted <= high)
        if not chosen.any():
            return 0, np.nan, np.nan
        return int(chosen.sum()), float(self.predicted[chosen].mean()), float(
            self.seated[chosen].mean()
        )  # fmt: skip


def sizes_tried(
    chance: np.random.Generator, case: Case, style: CutStyle, off: tuple[float, float]
) -> tuple[Array, Array, Array]:
    """Choose sizes of a cut by the readings alone: lengths (n,), widths (n,), depths (k,) [mm].

    They have one ratio of length to width, about that of the opening as read.
    """
    length = case.mounting.opening_length_mm.value_mm
    read = case.mounting.opening_width_mm
    width = length if read is None else read.value_mm
    mean, covariance = height_prior(style)
    limits, larger = style.length_ratio, chance.uniform(*off)
    ratio = float(np.clip((length + larger) / (width + larger), limits.low, limits.high))
    widths = width + chance.uniform(*off, size=PLANS)
    shares = mean.sum() + 0.5 * np.sqrt(covariance.sum()) * chance.normal(size=DEPTHS)
    return widths * ratio, widths, (width + np.mean(off)) * np.sort(shares)


def try_seat(
    seed: Sequence[int], plan: Plan, off: tuple[float, float], truths: Sequence[Beyond]
) -> list[Calibration]:
    """Draw a seat and judge sizes of its cut by the readings, then by the truth of every kind."""
    style = cut(STYLES[plan.family])
    read: Mounting | None = None
    found = []
    for beyond in truths:
        chance = np.random.default_rng(seed)
        case = draw_case(chance, dataclasses.replace(plan, beyond=beyond))
        sizes = sizes_tried(chance, case, style, off)
        if case.mounting != read:  # else the readings are the same, and so is what they say
            read, ready = case.mounting, bench(case.mounting, samples=DRAWS)
            held, stones = _judged(ready, style, *sizes)
        found.append(
            Calibration(
                predicted=held.mean(axis=1),
                seated=seated(chance, case, ready, style, stones, beyond),
                seat=np.zeros(len(held), dtype=np.int64),
                held=held,
            )
        )
    return found


def _judged(
    ready: Bench, style: CutStyle, lengths: Array, widths: Array, depths: Array
) -> tuple[Flags, Stones]:
    """Judge every size at every depth: whether it seats (n, s) in each draw, and the stones."""
    middle, every = np.full(PLANS, depths[DEPTHS // 2]), np.tile(depths, (PLANS, 1))
    stand = stands(ready, style, lengths, widths, middle, alike=0.0)
    judged = judge(ready, style, lengths, widths, every, stand, draws=DRAWS, alike=0.0)
    stones = Stones(
        length=np.repeat(lengths, DEPTHS),
        width=np.repeat(widths, DEPTHS),
        depth=np.tile(depths, PLANS),
        turn=np.repeat(stand.turn, DEPTHS),
    )
    return (judged.margins >= 0).all(axis=2).reshape(-1, DRAWS), stones


def trials(kinds: Sequence[Kind], count: int, seed: int, first: int = 0) -> Calibration:
    """Try stones in `count` seats of every kind, from seat `first` on, all as the priors say."""
    (found,) = trials_beyond(kinds, count, seed, {"": Beyond()}, first).values()
    return found


def trials_beyond(
    kinds: Sequence[Kind], count: int, seed: int, truths: Mapping[str, Beyond], first: int = 0
) -> dict[str, Calibration]:
    """The same seats and stones with one truth after another."""
    found = [
        try_seat([seed, number, k], plan, off, list(truths.values()))
        for number, (plan, off) in enumerate(kinds)
        for k in range(first, first + count)
    ]
    return {name: Calibration.joined([seat[i] for seat in found]) for i, name in enumerate(truths)}


def table(found: Mapping[str, Calibration]) -> str:
    """Show how each truth was foretold: Brier score, and what was said to be likely and sure."""
    lines = [f"{'what nobody knows':34} {'Brier':>6} {'ideal':>6}   0.7 to 0.9: said, came   "
             "0.9 up: said, came"]  # fmt: skip
    for name, each in found.items():
        likely, sure = each.said(0.7, 0.9 - 1e-9), each.said(0.9)
        lines.append(
            f"{name:34} {each.brier:6.3f} {each.ideal:6.3f}   "
            f"{likely[0]:4d} {likely[1]:8.3f} {likely[2]:8.3f}   "
            f"{sure[0]:4d} {sure[1]:6.3f} {sure[2]:6.3f}"
        )
    return "\n".join(lines)
