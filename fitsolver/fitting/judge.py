"""The one judge: n stones of a cut, each at k depths, in s draws of a seat.

Whatever asks whether stones seat asks here: one stone or a table of them, in a few draws or in
all. Stones of like ratio and one turn share a figure and a placement, so that a long list costs
little more than its draws: hand it over some thousand stones at a time. What the ratio of a stone
changes against its figure is taken as straight (`placement.place`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike, NDArray

from fitsolver.fitting.bench import Bench
from fitsolver.fitting.placement import Kept, Placement, kept_or_made, place
from fitsolver.fitting.requirement import Requirements, bounds, requirements
from fitsolver.fitting.sizes import Sizes, stone_sizes
from fitsolver.fitting.turn import turns_in
from fitsolver.seats.allowance import Allowances
from fitsolver.seats.seat import FACE_POINTS, Seats
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import Form, form

Array = NDArray[np.float64]
Indices = NDArray[np.int64]
Verdict = Literal["seats", "seats after alteration", "not decided", "does not seat"]

VERDICTS: tuple[Verdict, ...] = ("seats", "seats after alteration", "not decided", "does not seat")
"""Verdicts by their code, the best first."""

# Samples placed at a time: their arrays fit in a processor's cache.
ROWS = 4104
# Figures are made for ratios so far apart: gaps are off by a quarter of a per cent of themselves.
RATIOS_TO_ONE = 200
# Ratios that differ by no more than this are the figure's own; by less than that, they are judged
# with a given figure.
SAME, ALIKE = 0.004, 0.03
# A wall that leans less is judged once, not at the height that the first round finds.
UPRIGHT = 0.005


def fitted(
    figure: Form,
    spots: Seats,
    sizes: Sizes,
    allowed: Allowances,
    turn_rad: float,
    girdle_z: float | Array | None = None,
    *,
    draws: int = 0,
    squeezed: bool = False,
    girdle_share: float | None = None,
    kept: Kept | None = None,
) -> tuple[Placement, Requirements]:
    """Place stones of one figure at one turn into seats, and work out what they require.

    `sizes` has m (`draws` + 1) samples, those of one stone side by side, the first as read; `spots`
    a seat for each, or one for all. Stones are centred among leaning metal with the girdle's lower
    plane at `girdle_z` [mm], and a girdle as thick as the middle depth's or `girdle_share` of the
    width; each sample's gaps are judged at its own. Stones whose ratio is not the figure's are
    strained, or, in half the time, `squeezed` to it (`placement.place`). `kept` keeps placements
    for other styles of the outline, asked about the same sizes.
    """
    read = slice(None, None, draws + 1)
    length, width = sizes.length[read], sizes.width[read]
    nominal = len(width) // 2 * (draws + 1)
    girdle = sizes.girdle if sizes.girdle.ndim == 1 else sizes.girdle[len(sizes.girdle) // 2]
    if girdle_share is not None:
        girdle = girdle_share * sizes.width

    def made() -> Placement:
        return place(
            figure, spots, sizes.length, sizes.width, girdle, bounds(spots, allowed),
            turn_rad=turn_rad, girdle_z=girdle_z, nominal=nominal,
            strained=not squeezed
            and bool(np.abs(length / width / figure.length_ratio - 1).max() > SAME),
        )  # fmt: skip

    height = b"" if girdle_z is None else np.asarray(girdle_z, dtype=np.float64).tobytes()
    asked = draws, turn_rad, height, length.tobytes(), width.tobytes()
    placed = kept_or_made(kept, asked, figure, nominal, made)
    return placed, requirements(placed, sizes.crown, sizes.girdle, sizes.pavilion, allowed)


class Stand(Struct, frozen=True, kw_only=True):
    """How n stones stand: `turn` [rad] and `height` of the girdle's lower plane [mm], each (n,)."""

    turn: Array
    height: Array

    @classmethod
    def all(cls, count: int, turn_rad: float, height_mm: float) -> Stand:
        """The same for every stone."""
        return cls(turn=np.full(count, turn_rad), height=np.full(count, height_mm))


def stands(
    ready: Bench,
    style: CutStyle,
    lengths: Array,
    widths: Array,
    depths: Array,
    *,
    alike: float = ALIKE,
    figure: Form | None = None,
    tried: tuple[float, ...] | None = None,
    heights_mm: Mapping[str, ArrayLike] | None = None,
    squeezed: bool = False,
) -> Stand:
    """Find the best turn of stones of lengths, widths and depths (n,) [mm], as they were read.

    It is the one whose smallest margin in the best estimate is widest, of those `tried`, or else of
    all that differ by the outline's symmetry and the metal. Ratios are grouped as by `judge`.
    """
    turn, height = np.zeros(len(widths)), np.zeros(len(widths))
    u = ready.allowances["stone_reading_u_mm"]
    # Leaning metal is judged at the girdle's height, which the first round finds.
    rounds = 2 if np.abs(ready.best.lean).max() > UPRIGHT else 1
    for group, shared in _groups(style, lengths / widths, turn, alike, ROWS, figure):
        sizes = stone_sizes(
            style, lengths[group], widths[group], depths[group], u, 0, _of(heights_mm, group)
        )
        scores, bottoms = [], []
        every = tried if tried is not None else turns_in(ready, shared)
        for each in every:
            bottom: Array | None = None
            for _ in range(rounds):
                _, needs = fitted(
                    shared, ready.best, sizes, ready.allowances, each, bottom, squeezed=squeezed
                )
                bottom = needs.girdle_bottom
            scores.append(np.min(list(needs.margins.values()), axis=0))
            bottoms.append(needs.girdle_bottom)
        best = np.argmax(scores, axis=0)
        turn[group] = np.array(every)[best]
        height[group] = np.array(bottoms)[best, np.arange(len(group))]
    return Stand(turn=turn, height=height)


class Judged(Struct, frozen=True, kw_only=True, dict=True):
    """The judgement on n stones at k depths each, for r requirements `names` and s draws.

    `margins` (n, k, r, s) [mm] with ordinary setting, `altered` the same with every alteration;
    `best` (n, k, r) margins in the best estimate; `shift` (n, 2) [mm] of each stone in it, in the
    seat's own frame; `direction` (n, r) [deg] where each requirement is tightest in it at the
    middle depth, NaN where that is at no single place, None if nobody asked for it.
    """

    names: tuple[str, ...]
    margins: Array
    altered: Array
    best: Array
    shift: Array
    direction: Array | None
    allowed: Allowances

    @cached_property
    def probability(self) -> Array:
        """The share of draws in which all margins hold, (n, k)."""
        held: Array = (self.margins >= 0).all(axis=2).mean(axis=2)
        return held

    @cached_property
    def after(self) -> Array:
        """The same after alteration, which is never worse than leaving it, (n, k)."""
        held: Array = (self.altered >= 0).all(axis=2).mean(axis=2)
        return np.maximum(self.probability, held)

    @cached_property
    def verdict(self) -> Indices:
        """Codes of the verdicts (`VERDICTS`), (n, k), as if metal held the stone (`security`)."""
        return decided(self.probability, self.after, self.allowed)

    @cached_property
    def median(self) -> Array:
        """The margins in the middle of the draws, (n, k, r) [mm]."""
        return middle_of(self.margins)

    @cached_property
    def chance(self) -> Array:
        """The probability that each requirement holds by itself, (n, k, r)."""
        share: Array = (self.margins >= 0).mean(axis=3)
        return share

    @cached_property
    def binding(self) -> Indices:
        """Number of the requirement that decides (`first_to_fail`), (n, k)."""
        return first_to_fail(self.names, self.chance, self.median, self.best, self.allowed)


def judge(
    ready: Bench,
    style: CutStyle,
    lengths: Array,
    widths: Array,
    depths: Array,
    stand: Stand,
    *,
    draws: int,
    alike: float = ALIKE,
    figure: Form | None = None,
    heights_mm: Mapping[str, ArrayLike] | None = None,
    squeezed: bool = False,
    girdle_share: float | None = None,
    places: bool = False,
    kept: Kept | None = None,
) -> Judged:
    """Judge stones of a style in the first draws of a seat.

    Parameters
    ----------
    ready : Bench
        The mounting made ready.
    style : CutStyle
        The cut of all.
    lengths, widths : (n,) [mm]
        As they were read.
    depths : (n, k) [mm]
        The depths that each is judged at: one placement serves all.
    stand : Stand
        How they stand, from `stands` or as known.
    draws : int
        How many draws of the seat; all of them at most.
    alike : float
        Stones whose ratios of length to width differ by less than this part share a figure.
    figure : Form, optional
        The figure of those whose ratio is within `ALIKE` of its own.
    heights_mm : mapping, optional
        What else was read of them, one value or one a stone (keys of `sizes.HEIGHTS`).
    squeezed : bool
        Whether stones are squeezed to their figure's ratio: at 1 % off, margins are wrong by 4
        micrometres (rms), in half the time.
    girdle_share : float, optional
        The girdle's thickness in widths that all are centred with, if not their own.
    places : bool
        Whether directions are worked out.
    kept : Kept, optional
        Keeps placements for other styles of the outline, which are asked about the same sizes.

    """
    draws = min(draws, ready.seats.count - 1)
    u = ready.allowances["stone_reading_u_mm"]
    names: tuple[str, ...] = ()
    groups, margins, altered, bests, shifts, directions = [], [], [], [], [], []
    most = max(1, ROWS // (draws + 1))
    for group, shared in _groups(style, lengths / widths, stand.turn, alike, most, figure):
        sizes = stone_sizes(
            style, lengths[group], widths[group], depths[group].T, u, draws, _of(heights_mm, group)
        )
        turn = float(stand.turn[group[0]])
        placed, needs = fitted(
            shared, _drawn(ready, draws, len(group)), sizes, ready.allowances, turn,
            np.repeat(stand.height[group], draws + 1), draws=draws, squeezed=squeezed,
            girdle_share=girdle_share, kept=kept,
        )  # fmt: skip
        names = tuple(needs.margins)
        groups.append(group)
        table = _by_stone(needs.margins, draws)
        bests.append(table[..., 0])
        margins.append(table[..., 1:])
        altered.append(_by_stone(needs.altered, draws)[..., 1:])
        shifts.append(in_seat(placed.shift[:: draws + 1], turn))
        if places:
            directions.append(_directions_deg(placed, needs, draws, depths.shape[1] // 2))
    together = np.concatenate(groups)
    order = np.argsort(together)
    as_asked = len(groups) == 1 and bool((together[:-1] < together[1:]).all())

    def whole(parts: list[Array]) -> Array:
        return parts[0] if as_asked else np.concatenate(parts)[order]

    return Judged(
        names=names,
        margins=whole(margins),
        altered=whole(altered),
        best=whole(bests),
        shift=whole(shifts),
        direction=whole(directions) if places else None,
        allowed=ready.allowances,
    )


def first_to_fail(
    names: tuple[str, ...], chance: Array, median: Array, best: Array, allowed: Allowances
) -> Indices:
    """Which of r requirements (..., r) decides: the least likely, of equals the shortest, (...).

    Where there is no ledge under the girdle in the best estimate, cover comes before its equals.
    """
    cover = np.array([name == "ledge cover" for name in names])
    falls = cover & (best + allowed["cover_min_mm"] < 0)
    return np.asarray(np.lexsort((median, ~falls, chance))[..., 0])


def decided(probability: ArrayLike, after: ArrayLike, allowed: Allowances) -> Indices:
    """Apply the decision rule to probabilities without and with alteration: codes of `VERDICTS`.

    Seats from the upper level; after alteration if only that reaches it; does not seat if even
    alteration stays at or below the lower level; else not decided (JCGM 106, guarded acceptance).
    """
    level = allowed["seats_from_probability"]
    known = [
        np.asarray(probability) >= level,
        np.asarray(after) >= level,
        np.asarray(after) > allowed["fails_to_probability"],
    ]
    return np.select(known, [0, 1, 2], 3)


def decide(probability: float, after: float, allowed: Allowances) -> Verdict:
    """The verdict on one stone; see `decided`."""
    return VERDICTS[int(decided(probability, after, allowed))]


def middle_of(draws: Array) -> Array:
    """Medians along the last axis. (`np.median` would load masked arrays.)"""
    half = draws.shape[-1] // 2
    first = half - 1 + draws.shape[-1] % 2
    middle: Array = np.partition(draws, sorted({first, half}), axis=-1)[..., first : half + 1]
    return np.asarray(middle.mean(axis=-1))


def in_seat(shift: Array, turn_rad: float) -> Array:
    """Shifts (n, 2) of turned stones in the seat's own frame."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    turned: Array = shift @ np.array([[c, s], [-s, c]])
    return turned


def directions_deg(spots: Seats, stations: Indices, samples: Indices) -> Array:
    """Directions of stations (k,) [deg], each in its sample (k,), of the middle of a claw.

    NaN for no station (-1).
    """
    known = np.maximum(stations, 0)
    if spots.holds == "claws":
        known = known // FACE_POINTS * FACE_POINTS + FACE_POINTS // 2
    x, y = spots.opening[samples, known].astype(np.float64).T
    return np.where(stations < 0, np.nan, np.rad2deg(np.arctan2(y, x)) % 360)


def _directions_deg(placed: Placement, needs: Requirements, draws: int, depth: int) -> Array:
    """Where each of r requirements of m stones is tightest at a depth, (m, r) [deg]."""
    read = np.arange(0, len(placed.width), draws + 1)
    return np.column_stack(
        [directions_deg(placed.seats, needs.stations(name, read, depth), read)
         for name in needs.margins]
    )  # fmt: skip


def _drawn(ready: Bench, draws: int, count: int) -> Seats:
    """The best estimate and the first draws of the seat, once for every stone."""
    if count == 1 and draws == ready.seats.count - 1:
        return ready.seats
    return ready.seats.rows(np.tile(np.arange(draws + 1), count))


def _groups(
    style: CutStyle, ratios: Array, turn: Array, alike: float, most: int, figure: Form | None
) -> Iterator[tuple[Indices, Form]]:
    """Stones of one turn and like ratio, `most` at a time, and the figure they share.

    Figures are of few ratios, so that each is made but once.
    """
    order = np.lexsort((ratios, turn))
    if figure is not None:
        near = np.abs(ratios / figure.length_ratio - 1) < ALIKE
        # `np.unique` would load masked arrays.
        for each in sorted(set(turn[near].tolist())):
            yield np.flatnonzero(near & (turn == each)), figure
        order = order[~near[order]]
    start = 0
    for k in range(1, len(order) + 1):
        if (
            k == len(order)
            or k - start >= most
            or turn[order[k]] != turn[order[start]]
            or ratios[order[k]] > ratios[order[start]] * (1 + alike)
        ):
            group = order[start:k]
            ratio = float(np.round(ratios[group].mean() * RATIOS_TO_ONE) / RATIOS_TO_ONE)
            yield group, form(style, ratio)
            start = k


def _of(heights_mm: Mapping[str, ArrayLike] | None, group: Indices) -> dict[str, ArrayLike]:
    """The heights of some stones."""
    return {
        name: value if np.ndim(value) == 0 else np.asarray(value)[group]
        for name, value in (heights_mm or {}).items()
    }


def _by_stone(values: Mapping[str, Array], draws: int) -> Array:
    """Turn r tables (k, m (s + 1)) into (m, k, r, s + 1)."""
    table = np.array(list(values.values()))
    apart: Array = table.reshape(*table.shape[:2], -1, draws + 1)
    return apart.transpose(2, 1, 0, 3)
