"""What to look for: the cuts and sizes that seat in a mounting, ranked, and why others do not.

Each cut style is first scanned in the best estimate of the seat (`scan`); where something may
seat, a few draws of the seat over several widths and depths rank it. The best few are then worked
out in full: the size to ask for is the largest that holds with 95 % at the style's usual depth,
or else the likeliest; the quoted box is grown about it and each of its corners is judged like a
single stone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fitsolver.fitting.scan import Spot, depth_limits, scan
from fitsolver.fitting.solver import (
    Bench,
    Check,
    Verdict,
    chances,
    check,
    from_above,
    nominal_stone,
)
from fitsolver.seats.belief import Assumed
from fitsolver.seats.mounting import Mounting
from fitsolver.seats.seat import FACE_POINTS
from fitsolver.stones import calibrated
from fitsolver.stones.cut import CutStyle, cuts
from fitsolver.stones.form import form
from fitsolver.stones.material import Material
from fitsolver.stones.stone import Stone
from fitsolver.weighing.weight import every_make, weigh_list

Array = NDArray[np.float64]

# Weights of the ranking; each part is between 0 and 1.
RANKING: Mapping[str, float] = MappingProxyType(
    {"probability": 0.5, "evenness": 0.2, "fill": 0.2, "period": 0.1}
)
ASK_PROBABILITY = 0.95
# Draws and widths of the first ranking.
COARSE_SAMPLES = 40
COARSE_WIDTHS_MM = np.array([-0.33, -0.22, -0.13, -0.05, 0.03, 0.1, 0.19, 0.31])
# Below this in the best estimate, alteration included, the draws are not worth asking [mm].
HOPELESS_MM = -0.1
# How much more than the verdict's level the corners of a quoted box must reach.
GUARD = 0.015
# Probabilities closer than this count as equal in the first look: 40 draws tell no more.
NEAR_BEST = 0.03
# Below this width of a box the one that alteration opens is worked out too [mm].
NARROW_MM = 0.08
# Draws that judge the corners of a box; the size to ask for gets them all.
BOX_SAMPLES = 128
# Ratios of length to width that differ by less are judged with one figure.
ALIKE_RATIO = 0.015
CURVE_SAMPLES = 40
# How many cuts are worked out in full unless said otherwise.
LIMIT = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """An interval of a length or weight, both ends included."""

    low: float
    high: float


Box = tuple[Range, Range, Range]


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibratedSize:
    """A calibrated size whose whole tolerance band seats, and the probability at its middle."""

    length_mm: float
    width_mm: float
    probability: float


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """One cut that may seat: the box of sizes, the size to ask for, and how it ranks.

    Every size inside `length_mm` x `width_mm` x `depth_mm` earns the verdict; where nothing is
    decided they are a point. `ask` is the check
    of the size to ask for; `after_alteration` the box (length, width, depth) that alteration
    opens, given for the first choice where ordinary setting leaves a narrow one.
    """

    style: CutStyle
    ask: Check
    length_mm: Range
    width_mm: Range
    depth_mm: Range
    after_alteration: Box | None
    weight_ct: Range
    ask_weight_ct: float
    ask_weight_u_ct: float
    calibrated: tuple[CalibratedSize, ...]
    score: float
    notes: tuple[str, ...]

    @property
    def verdict(self) -> Verdict:
        """Verdict of the size to ask for."""
        return self.ask.verdict

    @property
    def probability(self) -> float:
        """Probability that the size to ask for seats with ordinary setting."""
        return self.ask.probability


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A cut that does not seat: the requirement that stops its best size, and by how much."""

    cut: str
    requirement: str
    shortfall_mm: float
    length_mm: float
    width_mm: float


@dataclass(frozen=True, kw_only=True)
class Proposals:
    """The whole answer for a mounting.

    `proposals` best first; `left_out` cuts that do not seat, the nearest miss first; `not_shown`
    cuts that may seat but rank below the limit.
    """

    mounting: Mounting
    material: Material
    proposals: tuple[Proposal, ...]
    left_out: tuple[LeftOut, ...]
    not_shown: tuple[str, ...]
    assumed: tuple[Assumed, ...] = field(default=())


@dataclass(frozen=True, kw_only=True)
class _Hope:
    """A style that may seat: its spot, the width and depth to ask for, and its first score."""

    spot: Spot
    width: float
    share: float
    low: float
    high: float
    low_altered: float
    high_altered: float
    chance: float
    score: float


def propose(
    ready: Bench,
    material: Material,
    *,
    styles: Iterable[CutStyle] | None = None,
    limit: int = LIMIT,
    progress: Callable[[int, int], None] | None = None,
) -> Proposals:
    """Judge every cut style (or those given) for a mounting; the best `limit` in full, best first.

    Beads and briolettes, which hang by a drilled hole, are left aside unless they are given.

    `progress` is told how many styles are done, of how many.
    """
    every = tuple(styles) if styles is not None else tuple(c for c in cuts() if not c.strung)
    total = len(every) + limit
    hopes: list[_Hope] = []
    left: list[LeftOut] = []
    for done, style in enumerate(every):
        answer = _first_look(ready, style)
        if isinstance(answer, _Hope):
            hopes.append(answer)
        else:
            left.append(answer)
        if progress is not None:
            progress(done + 1, total)
    hopes.sort(
        key=lambda item: (
            -round(item.score, 2),
            -item.spot.figure.style.facet_count,
            item.spot.figure.style.name,
        )
    )
    found: list[tuple[_Hope, Proposal]] = []
    while hopes and len(found) < limit:
        full = _in_full(ready, hopes.pop(0), material)
        if isinstance(full, LeftOut):
            left.append(full)
        else:
            found.append(full)
        if progress is not None:
            progress(len(every) + len(found), total)
    if progress is not None:
        progress(total, total)
    # Of equals the more faceted one, which shows a window least.
    found.sort(
        key=lambda pair: (-round(pair[1].score, 2), -pair[1].style.facet_count, pair[1].style.name)
    )
    proposals = [full for _, full in found]
    if found:
        proposals[0] = _first_choice(ready, *found[0])
    left.sort(key=lambda item: (round(item.shortfall_mm, 4), item.cut))
    return Proposals(
        mounting=ready.mounting,
        material=material,
        proposals=tuple(proposals),
        left_out=tuple(left),
        not_shown=tuple(item.spot.figure.style.name for item in hopes),
        assumed=ready.belief.assumed,
    )


def _first_look(ready: Bench, style: CutStyle) -> _Hope | LeftOut:
    """Scan a style, and rank it by a few draws over several widths and depths."""
    spot = scan(ready, style)
    if spot.score_altered < HOPELESS_MM:
        return _left_out(spot)
    allowed = ready.allowances
    widths = np.maximum(spot.width + COARSE_WIDTHS_MM, 0.3)
    least, usual, most = depth_limits(style)
    shares = np.unique(np.clip([least, (least + usual) / 2, usual, spot.depth_share], least, most))
    sizes = np.outer(widths, [spot.figure.length_ratio, 1.0])
    ordinary, altered = chances(
        ready,
        spot.figure,
        spot.turn,
        sizes,
        np.outer(widths, shares),
        COARSE_SAMPLES,
        spot.girdle_z,
    )
    level = allowed["seats_from_probability"]
    chance = ordinary if ordinary.max() >= level else np.maximum(ordinary, altered)
    if chance.max() <= allowed["fails_to_probability"]:
        return _left_out(spot)
    row, column = _ask(ordinary, altered, level, shares, usual)
    good = widths[chance[:, column] >= min(level, chance[row, column])]
    wider = widths[altered[:, column] >= min(level, altered[row, column])]
    width, share = float(widths[row]), float(shares[column])
    stone = nominal_stone(style, width * spot.figure.length_ratio, width, width * share)
    even, filled = from_above(ready, stone, (0.0, 0.0), spot.turn)
    even *= tips_guarded(ready, stone, spot.turn)
    return _Hope(
        spot=spot,
        width=width,
        share=share,
        low=float(good.min()),
        high=float(good.max()),
        low_altered=float(wider.min()),
        high_altered=float(wider.max()),
        chance=float(chance[row, column]),
        score=_score(ready, style, float(ordinary[row, column]), float(altered[row, column]),
                     even, filled),
    )  # fmt: skip


def _in_full(ready: Bench, hope: _Hope, material: Material) -> tuple[_Hope, Proposal] | LeftOut:
    """Work out the size to ask for, the box about it and the calibrated sizes of a style."""
    spot = hope.spot
    # Between the widths of the first look may lie one that does better.
    near = hope.width + np.array([0.0, -0.04, -0.02, 0.02, 0.04])
    sizes = np.outer(near, [spot.figure.length_ratio, 1.0])
    depths = near[:, None] * hope.share
    ordinary, after = chances(
        ready, spot.figure, spot.turn, sizes, depths, CURVE_SAMPLES, spot.girdle_z
    )
    level = ready.allowances["seats_from_probability"]
    best = 0 if ordinary[0, 0] >= level + GUARD else int((ordinary + after).argmax())
    # As a caliper shows it.
    width = float(near[best])
    size = width * spot.figure.length_ratio, width, width * hope.share
    length, width, depth = (round(side, 2) for side in size)
    ask = check(ready, spot.figure.style, length, width, depth, turn_rad=spot.turn, exact=False)
    if ask.verdict == "does not seat":
        worst = next(item for item in ask.requirements if item.name == ask.binding)
        # Short of holding in nine draws of ten (the normal's 90 % point).
        short = max(0.0, worst.u_mm * 1.2816 - worst.margin_mm)
        return _left_out(replace(spot, binding=ask.binding, score=-short))
    hope = replace(
        hope,
        spot=replace(spot, figure=ask.stone.form),
        width=ask.stone.width_mm,
        share=ask.stone.depth_mm / ask.stone.width_mm,
    )
    if ask.verdict == "not decided":
        box = _point(ask.stone)
    else:
        box = _box(ready, hope, ask, altered=ask.verdict != "seats")
    return hope, _proposal(ready, hope, ask, box, material)


def _first_choice(ready: Bench, hope: _Hope, found: Proposal) -> Proposal:
    """Complete the first choice: what alteration opens, if its box is narrow."""
    if found.verdict != "seats" or found.width_mm.high - found.width_mm.low >= NARROW_MM:
        return found
    return replace(found, after_alteration=_box(ready, hope, found.ask, altered=True))


def _point(stone: Stone) -> Box:
    length, width, depth = (
        Range(low=round(size, 2), high=round(size, 2))
        for size in (stone.length_mm, stone.width_mm, stone.depth_mm)
    )
    return length, width, depth


def _left_out(spot: Spot) -> LeftOut:
    return LeftOut(
        cut=spot.figure.style.name,
        requirement=spot.binding,
        shortfall_mm=max(0.0, -spot.score),
        length_mm=spot.width * spot.figure.length_ratio,
        width_mm=spot.width,
    )


def _ask(
    ordinary: Array, altered: Array, level: float, shares: Array, usual: float
) -> tuple[int, int]:
    """Choose the size to ask for: (row of widths, column of depths).

    With ordinary setting: the largest that holds with 95 % at the depth nearest to usual. Where
    alteration is needed anyway: what needs least of it.
    """
    if ordinary.max() >= level:
        for column in np.argsort(np.abs(shares - usual)):
            good = np.flatnonzero(
                ordinary[:, column] >= min(ASK_PROBABILITY, ordinary.max() - NEAR_BEST)
            )
            if len(good):
                return int(good[-1]), int(column)
    # A depth unlike the style's usual one has to be worth it.
    strange = 0.05 * np.abs(shares - usual) / max(float(np.ptp(shares)), 1e-9)
    merit = (
        np.where(altered >= min(level, altered.max() - NEAR_BEST), ordinary + altered, -1.0)
        - strange
    )
    row, column = np.unravel_index(int(merit.argmax()), merit.shape)
    return int(row), int(column)


def _box(ready: Bench, hope: _Hope, ask: Check, *, altered: bool) -> Box:
    """Grow the box of sizes about the one to ask for; its corners are judged like single stones.

    A larger outline holds a smaller one, so gap, closing, cover and notches are tightest at the
    smallest and the largest corner. How far these lie is found along the ratio; then all four
    corners in the plane are judged at several depths, and drawn in until they hold.
    """
    level, ratio = _level(ready), hope.spot.figure.length_ratio
    centre, depth = hope.width, ask.stone.depth_mm
    low, high = (hope.low_altered, hope.high_altered) if altered else (hope.low, hope.high)
    # The first look's widths stand apart: try some way beyond them. The farthest come first.
    parts = np.array([1.0, 0.67, 0.33, 0.1])
    below = centre - parts * (centre - min(low, centre) + 0.04)
    above = centre + parts * (max(high, centre) - centre + 0.04)
    widths = np.concatenate([below, above])
    sizes, depths = np.outer(widths, [ratio, 1.0]), np.full((len(widths), 1), depth)
    found = chances(
        ready, hope.spot.figure, hope.spot.turn, sizes, depths, CURVE_SAMPLES, hope.spot.girdle_z
    )
    # So few draws flatter a third of the ends: ask a little more of them.
    good = np.asarray(found[int(altered)][:, 0] >= level + GUARD)
    ends = [
        float(side[holds.argmax()]) if holds.any() else centre
        for side, holds in ((below, good[: len(parts)]), (above, good[len(parts) :]))
    ]
    for _ in range(4):
        (l0, w0), (l1, w1) = (
            (_inward(end * ratio, centre * ratio), _inward(end, centre)) for end in ends
        )
        corners = np.array([(l0, w0), (l1, w1), (l0, w1), (l1, w0)])
        reach = _depths(ready, hope, ask, corners, level, altered=altered)
        if reach is not None:
            return (
                Range(low=l0, high=l1),
                Range(low=w0, high=w1),
                Range(low=_inward(reach[0], depth), high=_inward(reach[1], depth)),
            )
        ends = [(end + centre) / 2 for end in ends]
    return _point(ask.stone)


def _inward(value: float, centre: float) -> float:
    """Round to 0.01 mm toward the centre."""
    steps = value * 100
    return float((np.ceil(steps - 1e-9) if value < centre else np.floor(steps + 1e-9)) / 100)


def _level(ready: Bench) -> float:
    return ready.allowances["seats_from_probability"] + GUARD


def _depths(
    ready: Bench,
    hope: _Hope,
    ask: Check,
    corners: Array,
    level: float,
    *,
    altered: bool,
) -> tuple[float, float] | None:
    """Depths [mm] at which every corner holds, about the depth asked for; None if none."""
    least, _, most = depth_limits(hope.spot.figure.style)
    width, share = ask.stone.width_mm, hope.share
    below = share + np.array([0.3, 1.0]) * (min(least, share) - share)
    above = share + np.array([0.2, 0.5, 1.0]) * (max(most, share) - share)
    trials = np.concatenate([[share], below, above]) * width
    joint = np.ones(len(trials), dtype=bool)
    # The first two corners have the ratio of the size asked for; the mixed ones have their own,
    # which matters where the box is wide.
    ratio = hope.spot.figure.length_ratio
    near = np.abs(corners[:, 0] / corners[:, 1] / ratio - 1) < ALIKE_RATIO
    for group in (corners[near], *corners[~near, None]):
        figure = hope.spot.figure
        if len(group) == 1:
            figure = form(figure.style, group[0, 0] / group[0, 1])
        depths = np.tile(trials, (len(group), 1))
        found = chances(
            ready, figure, hope.spot.turn, group, depths, BOX_SAMPLES, hope.spot.girdle_z
        )
        joint &= np.asarray((found[int(altered)] >= level).all(axis=0))
        if not joint[0]:
            return None
    # As far down, and as far up, as every trial on the way holds.
    down = int(np.argmin([*joint[: len(below) + 1], False])) - 1
    up = int(np.argmin([joint[0], *joint[len(below) + 1 :], False])) - 1
    return float(trials[down]), float(trials[up + len(below)] if up else trials[0])


def _proposal(ready: Bench, hope: _Hope, ask: Check, box: Box, material: Material) -> Proposal:
    style = hope.spot.figure.style
    length, width, depth = box
    stone = ask.stone
    weights = weigh_list(
        every_make(style, material),
        material,
        {
            "length_mm": [stone.length_mm, length.low, length.high],
            "width_mm": [stone.width_mm, width.low, width.high],
            "depth_mm": [stone.depth_mm, depth.low, depth.high],
        },
    )
    return Proposal(
        style=style,
        ask=ask,
        length_mm=length,
        width_mm=width,
        depth_mm=depth,
        weight_ct=Range(low=float(weights.low_ct[1]), high=float(weights.high_ct[2])),
        ask_weight_ct=float(weights.weight_ct[0]),
        ask_weight_u_ct=float(weights.u_ct[0]),
        after_alteration=None,
        calibrated=_calibrated(ready, hope, ask),
        score=_score(
            ready, style, ask.probability, ask.probability_after_alteration,
            ask.gap_evenness * tips_guarded(ready, stone, spot_turn(ask)), ask.face_up_fill,
        ),
        notes=tuple(_notes(ready, ask, material)),
    )  # fmt: skip


def _calibrated(ready: Bench, hope: _Hope, ask: Check) -> tuple[CalibratedSize, ...]:
    """Calibrated sizes near the one to ask for whose whole tolerance band seats."""
    if ask.verdict == "not decided":
        return ()
    style = hope.spot.figure.style
    tolerance = ready.allowances["calibrated_tolerance_mm"]
    level = _level(ready)
    altered = ask.verdict != "seats"
    found = []
    for length, width in calibrated.near(
        style.family, ask.stone.length_mm, ask.stone.width_mm, 0.6
    ):
        if not style.length_ratio.low <= length / width <= style.length_ratio.high:
            continue
        band = np.array([length, width]) + np.array([[-tolerance], [0.0], [tolerance]])
        figure, depths = form(style, length / width), hope.share * band[:, 1:]
        found_here = chances(
            ready, figure, hope.spot.turn, band, depths, BOX_SAMPLES, hope.spot.girdle_z
        )
        chance = found_here[int(altered)][:, 0]
        if (chance >= level).all():
            found.append(
                CalibratedSize(length_mm=length, width_mm=width, probability=float(chance[1]))
            )
    return tuple(found)


def _score(
    ready: Bench, style: CutStyle, ordinary: float, altered: float, even: float, filled: float
) -> float:
    """Weigh probability, evenness of the gap, face-up fill and period (neutral if not given)."""
    year = ready.mounting.period
    period = 0.5
    if year is not None:
        ended = style.period_to if style.period_to is not None else 9999
        period = 1.0 if style.period_from <= year <= ended else 0.0
    parts = {
        # Altering a mounting is worth avoiding: what it gains counts for less.
        "probability": ordinary + 0.7 * (max(altered, ordinary) - ordinary),
        # Outlines that share under 0.7 of their area look foreign to each other.
        "evenness": max(0.0, (even - 0.7) / 0.3),
        "fill": filled,
        "period": period,
    }
    return sum(RANKING[name] * value for name, value in parts.items())


def spot_turn(ask: Check) -> float:
    """Turn of a judged stone in the seat [rad]."""
    return float(np.deg2rad(ask.turn_deg))


def tips_guarded(ready: Bench, stone: Stone, turn_rad: float) -> float:
    """Share of an outline's sharp tips that lie under metal, 1 where there is no tip or no claw.

    A tip counts as guarded within half a claw's width of a claw's middle: points bear no load and
    chip when they stand free (GIA: points are relieved and covered).
    """
    from fitsolver.stones.outline import tips

    points = tips(stone.outline_mm)
    if ready.mounting.holds == "wall" or not len(points):
        return 1.0
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    points = points @ np.array([[c, s], [-s, c]])
    claws = ready.best.opening[0].reshape(-1, FACE_POINTS, 2)[:, FACE_POINTS // 2]
    reach = 0.5 * np.linalg.norm(np.ptp(ready.best.opening[0][:FACE_POINTS], axis=0))
    reach += float(ready.best.thickness[0]) / 2
    apart = np.linalg.norm(points[:, None] - claws[None], axis=2).min(axis=1)
    return float((apart <= reach).mean())


def _notes(ready: Bench, ask: Check, material: Material) -> Iterable[str]:
    style = ask.stone.form.style
    year = ready.mounting.period
    if year is not None and style.period_from > year:
        yield f"cut from {style.period_from} on; the mounting is of {year}"
    if tips_guarded(ready, ask.stone, spot_turn(ask)) < 1:
        yield "its points stand free between the claws: they chip easily, look for guarded points"
    slope = pavilion_angle_deg(ask)
    if material.transparency == "transparent" and 0 < slope < material.critical_angle_deg:
        yield (
            f"window: the pavilion's flattest main facets are at {slope:.0f} deg, below the "
            f"critical angle of {material.critical_angle_deg:.1f} deg for {material.name}"
        )
    for item in ask.requirements:
        if item.alteration and item.margin_mm < 0:
            yield f"{item.alteration} by about {item.alteration_mm:.2f} mm ({item.name})"
    if ask.verdict == "not decided" and ask.advice:
        again = ask.advice[0]
        word = "take again" if again.measured else "measure"
        yield f"not decided: {word} {again.reading}"


def pavilion_angle_deg(ask: Check) -> float:
    """Angle, across the width, of the facets that reach the culet or keel [deg]; 0: a flat back."""
    stone = ask.stone
    facets = stone.form.pavilion
    if len(facets.slopes) == 0 or stone.pavilion_depth_mm == 0:
        return 0.0
    # Of the facets that face across the width, those that are lowest near the keel.
    across = np.abs(facets.normals[:, 1]) > 0.9
    if not across.any():
        return 0.0
    side = np.array([[0.0, 0.08]])
    share = (facets.offsets - side @ facets.normals.T)[0] / facets.slopes
    lowest = np.flatnonzero(across)[int(share[across].argmin())]
    run = float(facets.slopes[lowest]) * stone.width_mm
    return float(np.rad2deg(np.arctan2(stone.pavilion_depth_mm, run)))
