"""What to refuse at market and why: sizes past the limits, windows, girdles, cuts left out.

Why a size past the limits fails is not guessed from its neighbour: stones a little larger, smaller,
deeper and shallower are judged in the first draws of the seat, and the requirement that fails most
often is named.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.fitting.bench import Bench
from fitsolver.fitting.judge import Stand, judge
from fitsolver.fitting.merit import pavilion_angle_deg
from fitsolver.fitting.proposal import LeftOut, Proposal, Proposals
from fitsolver.fitting.solver import Check
from fitsolver.seats.mounting import Mounting
from fitsolver.stones.material import Material
from fitsolver.text.layout import words

Array = NDArray[np.float64]
Kind = Literal["size", "depth", "window", "girdle", "weight", "points", "undecided", "cut"]

# Why a stone fails each requirement, as one would tell the seller; walls, claws and backs differ.
FAILS: Mapping[str, str] = {
    "entry": "the girdle does not pass the {edge}",
    "girdle gap": "the girdle binds on the metal beside it",
    "closing gap": "closing the {edge} does not reach the girdle all round",
    "ledge cover": "the {carrier} does not carry the girdle all round",
    "bearing match": "{carrier} and pavilion do not lie on each other",
    "metal above girdle": "too little metal stands above the girdle to close over it",
    "culet clearance": "the culet comes too near to the {floor}",
    "gallery clearance": "the pavilion touches the gallery rail",
    "notch mouth": "the girdle does not go into the notches",
    "notch floor": "the stone does not reach far enough into {holder}",
    "notch ceiling": "the {bearing} leaves too little metal",
    "ledge arc": "too much of the {carrier} is gone for the stone to lie safely",
    "security": "the stone can slide out between the claws",
    "height play": "no girdle height clears {floor} and gallery and leaves metal to close",
}
# How far past a limit stones are tried [mm], the nearest first.
OUTLINE_STEPS_MM = (0.05, 0.1, 0.2, 0.4)
DEPTH_STEPS_MM = (0.1, 0.25, 0.5)
DRAWS = 40
UNJUDGED = "unusual for the cut and not judged: check such a stone by itself"
# How many of the cuts left out are told one by one.
NEAREST = 3
# One-sided 90 % of a normal, the verdict's own level.
ONE_SIDED_90 = 1.2816
# A girdle allowed this many times its usual thickness needs no words.
AMPLE = 2.5


class Refusal(Struct, frozen=True, kw_only=True):
    """Something not to buy: what it looks like, and why.

    `cut` is the style it is about, empty for any; `limit_mm` the length past which it holds, or for
    a cut left out how far it is short; `requirement` what fails in the seat, empty where the seat
    is not to blame.
    """

    kind: Kind
    what: str
    why: str
    cut: str = ""
    requirement: str = ""
    limit_mm: float | None = None


def why(requirement: str, mounting: Mounting) -> str:
    """Say why a stone that misses a requirement is no good in a mounting."""
    claws = mounting.holds == "claws"
    return FAILS[requirement].format(
        edge="claw tips" if claws else "rim",
        carrier="notch" if claws else "ledge",
        holder="every claw" if claws else "the wall all round",
        bearing="notch" if claws else "bearing",
        floor="back" if mounting.back == "closed" else "finger",
    )


def refusals(ready: Bench, found: Proposals) -> tuple[Refusal, ...]:
    """List what to refuse: of each proposed cut, of any stone, and the cuts that do not seat."""
    told = [item for each in found.proposals for item in _of_cut(ready, each, found.material)]
    if found.proposals:
        told.append(
            Refusal(
                kind="girdle",
                what="knife-edged girdles",
                why="they chip where the metal is closed over them (common practice)",
            )
        )
    return (*told, *(_cut(left, ready.mounting) for left in found.left_out[:NEAREST]))


def _of_cut(ready: Bench, item: Proposal, material: Material) -> Iterator[Refusal]:
    if item.verdict == "not decided":
        again = item.ask.advice[0] if item.ask.advice else None
        name = words(again.reading) if again is not None else "the seat"
        yield Refusal(
            kind="undecided",
            what=f"any {item.style.name} before {name} is measured again",
            why="the readings do not decide it",
            cut=item.style.name,
            requirement=item.ask.binding,
        )
    else:
        yield from _past_the_limits(ready, item)
        yield from _weight(item, material)
    yield from _window(item, material)
    yield from _thick_girdle(item)
    if any("points stand free" in note for note in item.notes):
        yield Refusal(
            kind="points",
            what="sharp, thin points",
            why="they stand free between the claws and chip",
            cut=item.style.name,
        )


def _past_the_limits(ready: Bench, item: Proposal) -> Iterator[Refusal]:
    """Say which requirement stops stones larger, smaller, deeper or shallower than the box."""
    length, width, depth, stone = item.length_mm, item.width_mm, item.depth_mm, item.ask.stone
    ratio, share = stone.length_mm / stone.width_mm, stone.depth_mm / stone.width_mm
    out = np.array(OUTLINE_STEPS_MM)
    wider, narrower = width.high + out, np.maximum(width.low - out, 0.3)
    deeper = depth.high + np.array(DEPTH_STEPS_MM)
    flatter = np.maximum(depth.low - np.array(DEPTH_STEPS_MM), 0.1 * stone.width_mm)
    widths = np.concatenate([wider, narrower, np.full(len(deeper) + len(flatter), stone.width_mm)])
    depths = np.concatenate([wider * share, narrower * share, deeper, flatter])
    stops = iter(_what_stops(ready, item.ask, widths * ratio, widths, depths))
    style = item.style.name
    # Which lengths and widths go with which side, in the order of the trials above.
    sides: tuple[tuple[Kind, str, float, int], ...] = (
        ("size", f"larger than {length.high:.2f} x {width.high:.2f} mm", width.high, len(wider)),
        ("size", f"smaller than {length.low:.2f} x {width.low:.2f} mm", width.low, len(narrower)),
        ("depth", f"deeper than {depth.high:.2f} mm", depth.high, len(deeper)),
        ("depth", f"shallower than {depth.low:.2f} mm", depth.low, len(flatter)),
    )
    for kind, what, limit, count in sides:
        tried = [next(stops) for _ in range(count)]
        name = next((each for each in tried if each), "")
        yield Refusal(
            kind=kind,
            what=what,
            why=why(name, ready.mounting) if name else UNJUDGED,
            cut=style,
            requirement=name,
            limit_mm=limit,
        )


def _what_stops(
    ready: Bench, ask: Check, lengths: Array, widths: Array, depths: Array
) -> tuple[str, ...]:
    """Name the requirement that fails most often for each size (n,), empty where it seats."""
    figure = ask.stone.form
    found = judge(
        ready, figure.style, lengths, widths, depths[:, None],
        Stand.all(len(widths), np.deg2rad(ask.turn_deg), ask.girdle_bottom_mm),
        draws=DRAWS, figure=figure,
    )  # fmt: skip
    margins = (found.margins if ask.verdict == "seats" else found.altered)[:, 0]
    held = (margins >= 0).all(axis=1).mean(axis=1)
    often = (margins < 0).mean(axis=2).argmax(axis=1)
    level = ready.allowances["seats_from_probability"]
    return tuple(
        "" if share >= level else found.names[which]
        for share, which in zip(held, often, strict=True)
    )


def _weight(item: Proposal, material: Material) -> Iterator[Refusal]:
    # Outward, so that no stone of the range is refused by rounding.
    low = np.floor(item.weight_ct.low * 100) / 100
    high = np.ceil(item.weight_ct.high * 100) / 100
    yield Refusal(
        kind="weight",
        what=f"a size within the limits that weighs under {low:.2f} or over {high:.2f} ct",
        why=f"size and mass do not agree for {material.name}: weigh again, have it identified",
        cut=item.style.name,
    )


def _window(item: Proposal, material: Material) -> Iterator[Refusal]:
    """Pavilions flatter than the critical angle let the light through."""
    ask = item.ask
    slope = pavilion_angle_deg(ask)
    if material.transparency != "transparent" or slope <= 0:
        return
    stone, limit = ask.stone, material.critical_angle_deg
    steeper = np.tan(np.deg2rad(limit)) / np.tan(np.deg2rad(slope))
    least = stone.depth_mm + stone.pavilion_depth_mm * (float(steeper) - 1)
    because = f"under {limit:.1f} deg {material.name} shows a window"
    if slope < limit:
        what = f"flat pavilions: the size to ask for too, if not {least:.2f} mm deep"
    elif least > item.depth_mm.low:
        what = f"flat pavilions: mostly stones shallower than {least:.2f} mm"
    else:
        what = f"pavilions flatter than {limit:.1f} deg"
    yield Refusal(kind="window", what=what, why=because, cut=item.style.name, limit_mm=least)


def _thick_girdle(item: Proposal) -> Iterator[Refusal]:
    """How thick a girdle the seat still takes, where that is not ample."""
    stone = item.ask.stone
    room = [
        (margin.margin_mm - ONE_SIDED_90 * margin.u_mm, margin.name)
        for margin in item.ask.requirements
        if margin.name in ("notch mouth", "metal above girdle")
    ]
    if not room or stone.girdle_mm <= 0:
        return
    spare, name = min(room)
    most = stone.girdle_mm + max(spare, 0.0)
    if most <= AMPLE * stone.girdle_mm:
        yield Refusal(
            kind="girdle",
            what=f"girdles thicker than {most:.2f} mm",
            why=why(name, item.ask.mounting),
            cut=item.style.name,
            requirement=name,
            limit_mm=most,
        )


def _cut(left: LeftOut, mounting: Mounting) -> Refusal:
    return Refusal(
        kind="cut",
        what=left.cut,
        why=f"{why(left.requirement, mounting)}, by {left.shortfall_mm:.2f} mm at its best size",
        cut=left.cut,
        requirement=left.requirement,
        limit_mm=left.shortfall_mm,
    )
