"""What to look for: the cuts and sizes that seat in a mounting, ranked, and why others do not.

Each cut style is first scanned in the best estimate of the seat (`scan`); where something may
seat, a few draws of the seat over several widths and depths rank it. The best few are then worked
out in full: about the largest size that holds with 95 % at the style's usual depth a box of sizes
is grown, each of whose corners is judged like a single stone, and its middle is asked for. Nobody
finds a size to the hundredth: whoever asks for the middle may be offered a little more or a little
less, and it still seats. Where no size seats as the seat is, the likeliest is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from itertools import chain
from types import MappingProxyType

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.crew import Crew, alone
from fitsolver.fitting import merit
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.box import (
    CORNER_SAMPLES,
    END_SAMPLES,
    Box,
    Range,
    Size,
    grown,
    level_of,
    point,
    shown,
)
from fitsolver.fitting.judge import SAME, Verdict
from fitsolver.fitting.placement import Kept
from fitsolver.fitting.scan import Spot, chances, depth_limits, scan
from fitsolver.fitting.sizes import nominal_stone
from fitsolver.fitting.solver import Check, check, from_above
from fitsolver.seats.belief import Assumed
from fitsolver.seats.contradiction import Contradiction
from fitsolver.seats.mounting import Mounting
from fitsolver.seats.ranking import Ranking
from fitsolver.stones import calibrated
from fitsolver.stones.cut import CutStyle, cut, names
from fitsolver.stones.form import form
from fitsolver.stones.material import Material
from fitsolver.weighing.weight import every_make, weigh_list

Array = NDArray[np.float64]

ASK_PROBABILITY = 0.95
# Draws and widths of the first ranking.
COARSE_SAMPLES = 40
COARSE_WIDTHS_MM = np.array([-0.33, -0.22, -0.13, -0.05, 0.03, 0.1, 0.19, 0.31])
# Below this in the best estimate, alteration included, the draws are not worth asking [mm].
HOPELESS_MM = -0.1
# Probabilities closer than this count as equal in the first look: 40 draws tell no more.
NEAR_BEST = 0.03
# Where a size is not sure to seat: ratios, as parts, and widths [mm] that are tried beside it.
BESIDE = np.array([0.98, 0.99, 1.0, 1.01, 1.02])
BESIDE_MM = np.array([-0.12, -0.08, -0.04, 0.0, 0.04, 0.08])
# How many cuts are worked out in full unless said otherwise.
LIMIT = 6


class CalibratedSize(Struct, frozen=True, kw_only=True):
    """A calibrated size whose whole tolerance band seats, and the probability at its middle."""

    length_mm: float
    width_mm: float
    probability: float


class Proposal(Struct, frozen=True, kw_only=True, dict=True):
    """One cut that may seat: the box of sizes, the size to ask for, and how it ranks.

    Every size inside `length_mm` x `width_mm` x `depth_mm` earns the verdict; where nothing is
    decided they are a point. `ask` is the check of the size to ask for, the middle of the box where
    it seats as the seat is, else the likeliest; `after_alteration` the box
    (length, width, depth) that alteration opens, where the size seats without. `merits` are the
    parts of its rank, `reasons` what they say in words.
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
    merits: Mapping[str, float]
    score: float
    notes: tuple[str, ...]
    reasons: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """Verdict of the size to ask for."""
        return self.ask.verdict

    @property
    def probability(self) -> float:
        """Probability that the size to ask for seats with ordinary setting."""
        return self.ask.probability


class LeftOut(Struct, frozen=True, kw_only=True):
    """A cut that does not seat: the requirement that stops its best size, and by how much.

    `room_mm` is how far alteration may go against it, 0 for none.
    """

    cut: str
    requirement: str
    shortfall_mm: float
    length_mm: float
    width_mm: float
    room_mm: float = 0.0


class Proposals(Struct, frozen=True, kw_only=True, dict=True):
    """The whole answer for a mounting.

    `proposals` best first; `left_out` cuts that do not seat, the nearest miss first; `not_shown`
    cuts that may seat but rank below the limit.
    """

    mounting: Mounting
    material: Material
    proposals: tuple[Proposal, ...]
    left_out: tuple[LeftOut, ...]
    not_shown: tuple[str, ...]
    ranking: Ranking
    assumed: tuple[Assumed, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()


class _Hope(Struct, frozen=True, kw_only=True, dict=True):
    """A style that may seat: its spot, the width and depth to ask for, and its first score."""

    spot: Spot
    width: float
    share: float
    low: float
    high: float
    low_altered: float
    high_altered: float
    score: float

    def reach(self, *, altered: bool) -> tuple[float, float]:
        """Least and greatest width of the first look that seat [mm]."""
        return (self.low_altered, self.high_altered) if altered else (self.low, self.high)


def propose(
    ready: Bench,
    material: Material,
    *,
    styles: Iterable[CutStyle] | None = None,
    limit: int = LIMIT,
    progress: Callable[[int, int], None] | None = None,
    crew: Crew = alone,
) -> Proposals:
    """Judge every cut style (or those given) for a mounting; the best `limit` in full, best first.

    Beads and briolettes, which hang by a drilled hole, are left aside unless they are given.

    `progress` is told how many styles are done, of how many. `crew` does the styles, which do not
    depend on one another.
    """
    chosen: tuple[CutStyle | str, ...] = tuple(styles) if styles is not None else names()
    groups = _alike(chosen)
    total = len(chosen) + limit

    def told(before: int) -> Callable[[int], None] | None:
        if progress is None:
            return None
        return lambda done: progress(min(before + done, total), total)

    def seen(done: int) -> None:
        if progress is not None:
            progress(sum(len(group) for group in groups[:done]), total)

    # What every part needs is loaded before the parts are shared out.
    cut(names()[0])
    looks = list(chain.from_iterable(crew(partial(_first_looks, ready), groups, seen)))
    hopes = [look for look in looks if isinstance(look, _Hope)]
    left = [look for look in looks if isinstance(look, LeftOut)]
    hopes.sort(
        key=lambda item: (
            -round(item.score, 2),
            -item.spot.figure.style.facet_count,
            item.spot.figure.style.name,
        )
    )
    found: list[tuple[_Hope, Proposal]] = []
    while hopes and len(found) < limit:
        batch, hopes = hopes[: limit - len(found)], hopes[limit - len(found) :]
        in_full = partial(_in_full, ready, material=material)
        for full in crew(in_full, batch, told(len(chosen) + len(found))):
            if isinstance(full, LeftOut):
                left.append(full)
            else:
                found.append(full)
    if progress is not None:
        progress(total, total)
    # Of equals the more faceted one, which shows a window least.
    found.sort(
        key=lambda pair: (-round(pair[1].score, 2), -pair[1].style.facet_count, pair[1].style.name)
    )
    proposals = [full for _, full in found]
    every = [item.merits for item in proposals]
    dated = ready.mounting.period is not None
    proposals = [
        replace(item, reasons=merit.reasons(item.merits, every, period=dated)) for item in proposals
    ]
    left.sort(key=lambda item: (round(item.shortfall_mm, 4), item.cut))
    return Proposals(
        mounting=ready.mounting,
        material=material,
        proposals=tuple(proposals),
        left_out=tuple(left),
        not_shown=tuple(item.spot.figure.style.name for item in hopes),
        ranking=ready.ranking,
        assumed=ready.belief.assumed,
        contradictions=ready.belief.contradictions,
    )


def _alike(chosen: Sequence[CutStyle | str]) -> list[tuple[CutStyle | str, ...]]:
    """Styles whose names begin alike, as those of one outline do, together; most of them first."""
    groups: dict[str, list[CutStyle | str]] = {}
    for which in chosen:
        name = which if isinstance(which, str) else which.name
        groups.setdefault(name.split("-", maxsplit=1)[0], []).append(which)
    return sorted(map(tuple, groups.values()), key=len, reverse=True)


def _first_looks(ready: Bench, group: Iterable[CutStyle | str]) -> list[_Hope | LeftOut | None]:
    """Take a first look at styles, those of one outline placed but once."""
    kept: Kept = {}
    return [_first_look(ready, which, kept) for which in group]


def _first_look(ready: Bench, which: CutStyle | str, kept: Kept) -> _Hope | LeftOut | None:
    """Scan a style, and rank it by a few draws over several widths and depths.

    A style of the library is loaded where it is looked at; None if it hangs by a drilled hole.
    """
    style = cut(which) if isinstance(which, str) else which
    if style.strung and style is not which:
        return None
    spot = scan(ready, style, kept)
    if spot.score_altered < HOPELESS_MM:
        return _left_out(spot)
    allowed = ready.allowances
    widths = np.maximum(spot.width + COARSE_WIDTHS_MM, 0.3)
    least, usual, most = depth_limits(style)
    shares = np.clip([least, (least + usual) / 2, usual, spot.depth_share], least, most)
    shares = np.array(sorted(set(shares.tolist())))
    sizes = np.outer(widths, [spot.figure.length_ratio, 1.0])
    ordinary, altered = chances(
        ready,
        # Of cuts of one outline most come to lie about as high.
        replace(spot, girdle_z=round(spot.girdle_z, 1)),
        sizes,
        np.outer(widths, shares),
        COARSE_SAMPLES,
        kept,
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
    even *= merit.tips_guarded(ready, stone, spot.turn)
    return _Hope(
        spot=spot,
        width=width,
        share=share,
        low=float(good.min()),
        high=float(good.max()),
        low_altered=float(wider.min()),
        high_altered=float(wider.max()),
        score=ready.ranking.score(
            merit.parts(
                ready, style, float(ordinary[row, column]), float(altered[row, column]),
                even, filled,
            )
        ),
    )  # fmt: skip


def _in_full(ready: Bench, hope: _Hope, material: Material) -> tuple[_Hope, Proposal] | LeftOut:
    """Work out the size to ask for, the box about it and the calibrated sizes of a style."""
    hope, size, chance = _best_size(ready, hope)
    hopeful = chance >= ready.allowances["seats_from_probability"]
    found = (_sure(ready, hope, size) if hopeful else None) or _likeliest(ready, hope, size)
    if isinstance(found, LeftOut):
        return found
    ask, box = found
    wider = None
    if ask.verdict == "seats":
        stone = ask.stone
        _, width, depth = size = shown((stone.length_mm, stone.width_mm, stone.depth_mm))
        hope = replace(hope, width=width, share=depth / width)
        wider = grown(ready, hope.spot, size, hope.reach(altered=True), altered=True)
    return hope, _proposal(ready, hope, ask, box, wider, material)


def _best_size(ready: Bench, hope: _Hope) -> tuple[_Hope, Size, float]:
    """Find a size that does better than the first look's, and about how likely it seats as it is.

    The hope comes back with that size.
    """
    spot = hope.spot
    # Between the widths of the first look may lie one that does better.
    near = hope.width + np.array([0.0, -0.04, -0.02, 0.02, 0.04])
    sizes = np.outer(near, [spot.figure.length_ratio, 1.0])
    depths = near[:, None] * hope.share
    ordinary, after = chances(ready, spot, sizes, depths, END_SAMPLES)
    level = level_of(ready)
    best = 0 if ordinary[0, 0] >= level else int((ordinary + after).argmax())
    width = float(near[best])
    chance = float(ordinary[best, 0])
    size: Sequence[float] = (width * spot.figure.length_ratio, width, width * hope.share)
    if chance < level:
        better = _better(ready, hope, chance + float(after[best, 0]))
        chance, size = better or (chance, size)
    length, width, depth = read = shown(size)
    if abs(length / width / spot.figure.length_ratio - 1) > SAME:
        spot = replace(spot, figure=form(spot.figure.style, length / width))
    return replace(hope, spot=spot, width=width, share=depth / width), read, chance


def _likeliest(ready: Bench, hope: _Hope, size: Size) -> tuple[Check, Box] | LeftOut:
    """Judge a size that may not surely seat, and the box about it, or say why none seats."""
    spot = hope.spot
    length, width, depth = size
    ask = check(ready, spot.figure.style, length, width, depth, turn_rad=spot.turn, exact=False)
    if not ask.security.held:
        return _left_out(replace(spot, binding="security", score=0.0, room_mm=0.0))
    if ask.verdict == "does not seat":
        worst = next(item for item in ask.requirements if item.name == ask.binding)
        # Short of holding in nine draws of ten (the normal's 90 % point).
        short = max(0.0, worst.u_mm * 1.2816 - worst.margin_mm)
        room = worst.alteration_limit_mm
        return _left_out(replace(spot, binding=ask.binding, score=-short, room_mm=room))
    if ask.verdict == "not decided":
        return ask, point(size)
    altered = ask.verdict != "seats"
    box = grown(ready, spot, size, hope.reach(altered=altered), altered=altered)
    if ask.verdict == "seats":
        ask = _middle(ready, hope, box) or ask
    return ask, box


def _sure(ready: Bench, hope: _Hope, size: Size) -> tuple[Check, Box] | None:
    """Judge the middle of the box about a size that surely seats; None if not both seat."""
    spot = hope.spot
    ordinary, _ = chances(ready, spot, np.array([size[:2]]), np.array([size[2:]]), CORNER_SAMPLES)
    if ordinary[0, 0] < level_of(ready):
        return None
    box = grown(ready, spot, size, hope.reach(altered=False), altered=False, middling=True)
    ask = _middle(ready, hope, box)
    return None if ask is None else (ask, box)


def _middle(ready: Bench, hope: _Hope, box: Box) -> Check | None:
    """Judge the middle of a box with all draws; None if it does not seat."""
    style, turn = hope.spot.figure.style, hope.spot.turn
    length, width, depth = shown([(side.low + side.high) / 2 for side in box])
    ask = check(ready, style, length, width, depth, turn_rad=turn, exact=False)
    return ask if ask.verdict == "seats" else None


def _better(ready: Bench, hope: _Hope, known: float) -> tuple[float, Size] | None:
    """Look beside a size that does not surely seat as the seat is: other ratios, widths, depths.

    Returns the probability without alteration, and the length, width and depth [mm], for which the
    probabilities with and without alteration sum to most, the largest of those that seat as the
    seat is; None if no sum is above `known` by more than so few draws can tell.
    """
    style, limits = hope.spot.figure.style, hope.spot.figure.style.length_ratio
    least, usual, _ = depth_limits(style)
    shares = np.array(sorted({hope.share, usual, (least + hope.share) / 2}))
    widths = hope.width + BESIDE_MM
    level = level_of(ready)
    beside = np.clip(hope.spot.figure.length_ratio * BESIDE, limits.low, limits.high)
    ratios = np.repeat(sorted(set(beside.tolist())), len(widths))
    wide = np.tile(widths, len(ratios) // len(widths))
    ordinary, after = chances(
        ready, hope.spot, np.column_stack([wide * ratios, wide]), np.outer(wide, shares),
        END_SAMPLES,
    )  # fmt: skip
    # A depth unlike the one chosen first has to be worth it.
    strange = 0.02 * (np.abs(shares - hope.share) > 1e-9)
    found = []
    for row, (width, ratio) in enumerate(zip(wide.tolist(), ratios.tolist(), strict=True)):
        for column, share in enumerate(shares.tolist()):
            chance = float(ordinary[row, column] - strange[column])
            seats = chance >= level
            total = chance + float(after[row, column])
            size = width * ratio, width, width * share
            found.append((seats, width if seats else total, total, chance, size))
    seats, _, total, chance, size = max(found, key=lambda each: each[:2])
    return (chance, size) if seats or total > known + NEAR_BEST else None


def _left_out(spot: Spot) -> LeftOut:
    return LeftOut(
        cut=spot.figure.style.name,
        requirement=spot.binding,
        shortfall_mm=max(0.0, -spot.score),
        length_mm=spot.width * spot.figure.length_ratio,
        width_mm=spot.width,
        room_mm=spot.room_mm,
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


def _proposal(
    ready: Bench, hope: _Hope, ask: Check, box: Box, wider: Box | None, material: Material
) -> Proposal:
    style = hope.spot.figure.style
    merits = merit.parts_of(ready, ask)
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
        after_alteration=wider,
        calibrated=_calibrated(ready, hope, ask),
        merits=MappingProxyType(merits),
        score=ready.ranking.score(merits),
        notes=tuple(merit.notes(ready, ask, material)),
    )  # fmt: skip


def _calibrated(ready: Bench, hope: _Hope, ask: Check) -> tuple[CalibratedSize, ...]:
    """Calibrated sizes near the one to ask for whose whole tolerance band seats."""
    if ask.verdict == "not decided":
        return ()
    style = hope.spot.figure.style
    tolerance = ready.allowances["calibrated_tolerance_mm"]
    level = level_of(ready)
    altered = ask.verdict != "seats"
    limits, stone = style.length_ratio, ask.stone
    near = [
        (length, width)
        for length, width in calibrated.near(style.family, stone.length_mm, stone.width_mm, 0.6)
        if limits.low <= length / width <= limits.high
    ]
    if not near:
        return ()
    band = np.array([-tolerance, 0.0, tolerance])[:, None]
    sizes = np.concatenate([np.array([size]) + band for size in near])
    both = chances(ready, hope.spot, sizes, hope.share * sizes[:, 1:], CORNER_SAMPLES)
    found = both[int(altered)].reshape(-1, len(band))
    return tuple(
        CalibratedSize(length_mm=length, width_mm=width, probability=float(chance[1]))
        for (length, width), chance in zip(near, found, strict=True)
        if (chance >= level).all()
    )
