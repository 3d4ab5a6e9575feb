"""The seating range of a cut: every length, width and depth that seats, with its probability.

Sizes are judged on a grid of length ratios, widths and depths. What is carried from knot to knot
is not the probability, which jumps, but the room behind it: the least margin that is reached with
that probability, a length that changes almost evenly with size. It is taken as straight between
knots. The quoted box of a proposal lies inside.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.crew import Crew, alone
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.box import Range
from fitsolver.fitting.judge import Stand, fitted, judge
from fitsolver.fitting.proposal import Proposal
from fitsolver.fitting.scan import depth_limits
from fitsolver.fitting.sizes import usual_sizes
from fitsolver.stones import calibrated
from fitsolver.stones.form import form

Array = NDArray[np.float64]
Setting = Literal["ordinary", "sure", "altered", "best estimate"]
# The confidence of the setting `sure`.
SURE = 0.95

DRAWS = 128
# Knots far apart: ratios of length to width, widths, depths; and of the first, wide look.
RATIOS, WIDTHS, DEPTHS = 7, 11, 4
WIDE_RATIOS, WIDE_WIDTHS = 9, 25
# The grid reaches to where the best estimate is this short of seating [mm], and a part beyond.
BEYOND_MM, BEYOND = 0.05, 1.01
# About the quoted box knots lie closer, to a part beyond it.
CLOSE = 1.012
# Shorter than this in the best estimate, alteration included, nothing seats in any draw [mm].
HOPELESS_MM = 0.15
# Ratios that differ by less share a figure.
ALIKE = 0.01


class Region(Struct, frozen=True, kw_only=True, dict=True):
    """What sizes of a cut seat in a mounting.

    `length_mm` and `width_mm` (r, w) of the knots, `depth_mm` (k,); `room_mm` setting -> (r, w, k)
    the least margin that is reached: with the verdict's probability `level` in ordinary setting,
    with 95 %, with `level` after alteration, and in the best estimate. `probability` (r, w, k) is
    that of ordinary setting. `tolerance_mm` is how far a calibrated size may be off; `proposal`
    holds the size to ask for and the quoted boxes.
    """

    proposal: Proposal
    level: float
    length_mm: Array
    width_mm: Array
    depth_mm: Array
    tolerance_mm: float
    probability: Array
    room_mm: Mapping[Setting, Array]

    def outlines(self, setting: Setting = "ordinary") -> list[Array]:
        """Closed lines (m, 2) of length and width round the sizes that seat at some depth."""
        from contourpy import contour_generator

        best = self.room_mm[setting].max(axis=2)
        # What lies beyond the grid does not count, so that every line closes.
        x, y = (np.pad(side, 1, mode="edge") for side in (self.length_mm, self.width_mm))
        z = np.pad(best, 1, constant_values=min(float(best.min()), -1.0))
        lines = contour_generator(x, y, z).lines(0.0)
        return [np.asarray(line, dtype=np.float64) for line in lines if len(line) > 3]

    def extent(self, setting: Setting = "ordinary") -> tuple[Range, Range] | None:
        """Smallest and largest length and width that seat at some depth; None if none does."""
        lines = self.outlines(setting)
        if not lines:
            return None
        every = np.concatenate(lines)
        low, high = every.min(axis=0), every.max(axis=0)
        return (
            Range(low=float(low[0]), high=float(high[0])),
            Range(low=float(low[1]), high=float(high[1])),
        )

    def depths(
        self, length_mm: float, width_mm: float, setting: Setting = "ordinary"
    ) -> Range | None:
        """Depths at which a length and a width seat [mm]; None if none is known to.

        Where they are parted, the stretch that is likeliest.
        """
        column = self._column(length_mm, width_mm, setting)
        if column is None:
            return None
        fine = np.linspace(self.depth_mm[0], self.depth_mm[-1], 401)
        height = np.interp(fine, self.depth_mm, column)
        good = height >= 0
        if not good.any():
            return None
        top = int(np.where(good, height, -np.inf).argmax())
        stops = np.flatnonzero(~good)
        first = stops[stops < top].max(initial=-1) + 1
        last = stops[stops > top].min(initial=len(fine)) - 1
        return Range(low=float(fine[first]), high=float(fine[last]))

    def _column(self, length_mm: float, width_mm: float, setting: Setting) -> Array | None:
        """The field over all depths at a length and width, between the knots; None outside."""
        ratios = self.length_mm[:, 0] / self.width_mm[:, 0]
        widths = self.width_mm[0]
        r, w = length_mm / width_mm, width_mm
        slack = 1e-9
        if not (ratios[0] - slack <= r <= ratios[-1] + slack):
            return None
        if not (widths[0] - slack <= w <= widths[-1] + slack):
            return None
        i = int(np.clip(np.searchsorted(ratios, r) - 1, 0, max(len(ratios) - 2, 0)))
        j = int(np.clip(np.searchsorted(widths, w) - 1, 0, len(widths) - 2))
        i1 = min(i + 1, len(ratios) - 1)
        a = 0.0 if i1 == i else (r - ratios[i]) / (ratios[i1] - ratios[i])
        b = (w - widths[j]) / (widths[j + 1] - widths[j])
        field = self.room_mm[setting]
        column: Array = (1 - a) * ((1 - b) * field[i, j] + b * field[i, j + 1]) + a * (
            (1 - b) * field[i1, j] + b * field[i1, j + 1]
        )
        return column

    def calibrated(self) -> tuple[tuple[float, float, bool], ...]:
        """Calibrated sizes in reach: length, width, and whether the whole tolerance band seats.

        It does where the band's four corners and its middle share a depth at which they seat.
        """
        stone, family = self.proposal.ask.stone, self.proposal.style.family
        long, wide = self.length_mm, self.width_mm
        reach = max(float(np.ptp(long)), float(np.ptp(wide)))
        limits = self.proposal.style.length_ratio
        t = self.tolerance_mm
        found = []
        for length, width in calibrated.near(family, stone.length_mm, stone.width_mm, reach):
            inside = long.min() <= length <= long.max() and wide.min() <= width <= wide.max()
            if not inside or not limits.low <= length / width <= limits.high:
                continue
            offsets = ((0.0, 0.0), (-t, -t), (-t, t), (t, -t), (t, t))
            band = [self.depths(length + dl, width + dw) for dl, dw in offsets]
            known = [each for each in band if each is not None]
            seats = len(known) == len(band) and (
                max(each.low for each in known) <= min(each.high for each in known)
            )
            found.append((length, width, seats))
        return tuple(found)


def region(ready: Bench, proposal: Proposal, *, draws: int = DRAWS, crew: Crew = alone) -> Region:
    """Work out the seating range of a proposed cut about the size to ask for.

    `crew` judges the ratios of length to width, which do not depend on one another.
    """
    ask = proposal.ask
    style, stone = proposal.style, ask.stone
    ratios, widths = _reach(ready, proposal, crew)
    shallow, _, deep = depth_limits(style)
    boxes = [proposal.depth_mm, *((proposal.after_alteration or ())[2:])]
    low = min(shallow * widths[0], *(box.low for box in boxes), stone.depth_mm)
    high = max(deep * widths[-1], *(box.high for box in boxes), stone.depth_mm)
    depths = np.linspace(low, high, DEPTHS)
    width = np.tile(widths, (len(ratios), 1))
    length = width * ratios[:, None]
    every_depth = np.repeat(depths[:, None], len(widths), axis=1)
    nominal, nominal_altered = _nominal(ready, proposal, ratios, widths, every_depth, crew)
    # Far outside, the draws would say no more than the best estimate does.
    near = nominal_altered.max(axis=2) > -HOPELESS_MM
    level = ready.allowances["seats_from_probability"]
    rows = np.flatnonzero(near.any(axis=1))

    def judged(row: int) -> tuple[Array, Array]:
        asked = near[row]
        count = int(asked.sum())
        stand = Stand.all(count, np.deg2rad(ask.turn_deg), ask.girdle_bottom_mm)
        found = judge(
            ready, style, length[row, asked], width[row, asked], np.tile(depths, (count, 1)),
            stand, draws=draws, alike=ALIKE,
        )  # fmt: skip
        return found.margins.min(axis=2), found.altered.min(axis=2)

    told = crew(judged, rows.tolist())
    shape = (0, len(depths), 1)
    least, altered = (
        np.concatenate([each[side] for each in told]) if told else np.empty(shape)
        for side in (0, 1)
    )
    room: dict[Setting, Array] = {
        "ordinary": nominal.copy(),
        "sure": nominal.copy(),
        "altered": nominal_altered.copy(),
        "best estimate": nominal,
    }
    room["ordinary"][near] = _reached(least, level)
    room["sure"][near] = _reached(least, SURE)
    room["altered"][near] = _reached(np.maximum(least, altered), level)
    probability = np.zeros_like(nominal)
    probability[near] = (least >= 0).mean(axis=2)
    return Region(
        proposal=proposal,
        level=level,
        length_mm=length,
        width_mm=width,
        depth_mm=depths,
        tolerance_mm=ready.allowances["calibrated_tolerance_mm"],
        probability=probability,
        room_mm=room,
    )


def _reached(margins: Array, level: float) -> Array:
    """Return the margin that is reached in so many of the draws on the last axis."""
    reached: Array = np.quantile(margins, 1 - level, axis=-1, method="lower")
    return reached


def _reach(ready: Bench, proposal: Proposal, crew: Crew) -> tuple[Array, Array]:
    """Ratios and widths of the grid: where the best estimate seats after alteration, and beyond."""
    stone, limits = proposal.ask.stone, proposal.style.length_ratio
    ratio = stone.length_mm / stone.width_mm
    # The style's own limits end the range as well.
    first, last = min(limits.low, ratio), max(limits.high, ratio)
    ratios = np.linspace(max(first, 0.75 * ratio), min(last, 1.33 * ratio), WIDE_RATIOS)
    widths = stone.width_mm * np.linspace(0.75, 1.33, WIDE_WIDTHS)
    shares = np.array([proposal.depth_mm.low, stone.depth_mm]) / stone.width_mm
    _, altered = _nominal(ready, proposal, ratios, widths, np.outer(shares, widths), crew)
    margin = altered.max(axis=2)
    seats = margin >= -BEYOND_MM
    boxes = [(proposal.length_mm, proposal.width_mm)]
    if proposal.after_alteration is not None:
        boxes.append(proposal.after_alteration[:2])
    wide = [stone.width_mm] + [side for _, box in boxes for side in (box.low, box.high)]
    long = [ratio] + [side for length, width in boxes
                      for side in (length.low / width.high, length.high / width.low)]  # fmt: skip
    wide += widths[seats.any(axis=0)].tolist()
    long += ratios[seats.any(axis=1)].tolist()
    low, high = max(first, min(long) / BEYOND), min(last, max(long) * BEYOND)
    length, narrow = boxes[0]
    near = (
        [ratio, length.low / narrow.high / CLOSE, length.high / narrow.low * CLOSE],
        [stone.width_mm, narrow.low / CLOSE, narrow.high * CLOSE],
    )
    return (
        _knots(low, high, RATIOS, *near[0]),
        _knots(max(min(wide) / BEYOND, 0.3), max(wide) * BEYOND, WIDTHS, *near[1]),
    )


def _knots(low: float, high: float, count: int, asked: float, first: float, last: float) -> Array:
    """Knots from `low` to `high`, the value asked for among them, closer from `first` to `last`.

    The room falls off to all sides of a ridge, which straight lines between far knots would cut.
    """
    if high - low < 1e-6:
        return np.array([asked])
    far = np.linspace(low, high, count)
    close = np.linspace(max(first, low), min(last, high), 2 * (count // 3) + 1)
    every = np.concatenate([far, close])
    # The value asked for often is an end already: twice the same knot has nothing between.
    every = np.sort(np.append(every[np.abs(every - asked) > 1e-9], asked))
    apart = np.diff(every, prepend=-np.inf) > 0.2 * (close[-1] - close[0]) / len(close)
    kept: Array = every[apart | (every == asked)]
    return kept


def _nominal(
    ready: Bench, proposal: Proposal, ratios: Array, widths: Array, depths: Array, crew: Crew
) -> tuple[Array, Array]:
    """Least margins in the best estimate [mm] and altered, each (r, w, k), at `depths` (k, w).

    The heights share the depth as is usual for the style.
    """
    turn = float(np.deg2rad(proposal.ask.turn_deg))

    def at(ratio: float) -> Array:
        figure = form(proposal.style, ratio)
        _, needs = fitted(
            figure, ready.best, usual_sizes(figure, widths, depths), ready.allowances, turn,
            proposal.ask.girdle_bottom_mm,
        )  # fmt: skip
        least = [np.min(list(each.values()), axis=0).T for each in (needs.margins, needs.altered)]
        return np.array(least)

    every_ratio = np.stack(crew(at, ratios.tolist()), axis=1)
    return every_ratio[0], every_ratio[1]
