"""A stone recut, on its own or to seat in a mounting: what was read, what is left, does it hold.

The stone is drawn as its readings and its style suggest (`weight`), and recut as drawn
(`recut`). For a mounting the sizes that seat come from `proposal`, and what
was found is judged in the mounting once more, with the heights it has.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from msgspec import Struct

from fitsolver.errors import OutOfRange
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.box import Box, Range
from fitsolver.fitting.judge import Verdict
from fitsolver.fitting.proposal import LeftOut, propose
from fitsolver.fitting.solver import Check, check
from fitsolver.readings.uncertainty import Estimate
from fitsolver.recutting.recut import NoRecut, Recut, recut, smallest_loss_into
from fitsolver.recutting.target import cut_of
from fitsolver.seats.mounting import Mounting
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import form, heights
from fitsolver.stones.material import Material
from fitsolver.stones.stone import Stone
from fitsolver.weighing.evidence import Measured
from fitsolver.weighing.weight import every_make, weigh


class Given(Struct, frozen=True, kw_only=True, dict=True):
    """The stone to be recut, as drawn from its readings, and its estimated weight [ct]."""

    stone: Stone
    material: Material
    weight_ct: Estimate
    warnings: tuple[str, ...]


class Recutting(Struct, frozen=True, kw_only=True, dict=True):
    """What a stone becomes.

    `found` is None where no size of the new cut seats: then `left_out` says what stops it. For a
    mounting `box` (length, width, depth) holds the sizes asked for and `judged` the new stone in
    the mounting.
    """

    given: Given
    style: CutStyle
    found: Recut | NoRecut | None
    mounting: Mounting | None = None
    box: Box | None = None
    judged: Check | None = None
    left_out: LeftOut | None = None

    @property
    def verdict(self) -> Verdict | None:
        """Verdict of the new stone in the mounting, None if no mounting was named."""
        if self.mounting is None:
            return None
        return "does not seat" if self.judged is None else self.judged.verdict


def as_read(style: CutStyle, stone_material: Material, **readings: Measured) -> Given:
    """Draw a stone from its readings, every proportion as they and its style suggest.

    Takes and raises what `weight.weigh` does.
    """
    weight = weigh(every_make(style, stone_material), stone_material, **readings)
    shares = {
        name: min(max(weight.proportions[name].value, item.low), item.high)
        for name, item in style.proportions.items()
        if name in weight.proportions
    }
    length, width = (weight.sizes_mm[name].value for name in ("length_mm", "width_mm"))
    figure = form(style, length / width, shares)
    crown, girdle, pavilion = (float(part) for part in heights(style, figure.proportions))
    # What the limits of the style took off is shared out again: the depth is what was read.
    scale = weight.sizes_mm["depth_mm"].value / (crown + girdle + pavilion)
    stone = Stone(
        form=figure,
        width_mm=width,
        crown_height_mm=crown * scale,
        girdle_mm=girdle * scale,
        pavilion_depth_mm=pavilion * scale,
    )
    return Given(
        stone=stone, material=stone_material, weight_ct=weight.weight_ct, warnings=weight.warnings
    )


def recut_of(
    given: Given,
    style: CutStyle,
    *,
    length_ratio: float | None = None,
    grind_mm: float = 0.0,
    free_heights: bool = False,
) -> Recutting:
    """Find the largest stone of a style in its usual proportions inside a stone.

    `length_ratio` is the new length over width, the style's usual one if not given; the rest as in
    `recut.recut`. Raises `OutOfRange` as that does, and for a ratio beyond the style.
    """
    limits = style.length_ratio
    if length_ratio is not None and not limits.low <= length_ratio <= limits.high:
        raise OutOfRange("length_ratio", length_ratio, limits.low, limits.high, unit="")
    found = recut(
        given.stone,
        cut_of(style, length_ratio),
        given.material.density_g_cm3,
        free_heights=free_heights,
        grind_mm=grind_mm,
    )
    return Recutting(given=given, style=style, found=found)


def recut_into(
    given: Given,
    style: CutStyle,
    ready: Bench,
    *,
    grind_mm: float = 0.0,
    progress: Callable[[int, int], None] | None = None,
) -> Recutting:
    """Find the heaviest stone of a style inside a stone that has a size which seats.

    The sizes are the box that `proposal.propose` quotes, so a stone outside it may seat
    too; every stone inside it does, if its heights are usual ones. Raises as
    `recut.smallest_loss_into` does.
    """
    offer = propose(ready, given.material, styles=[style], limit=1, progress=progress)
    if not offer.proposals:
        return Recutting(
            given=given,
            style=style,
            found=None,
            mounting=ready.mounting,
            left_out=offer.left_out[0] if offer.left_out else None,
        )
    item = offer.proposals[0]
    box = item.length_mm, item.width_mm, item.depth_mm
    found = smallest_loss_into(
        given.stone,
        style,
        given.material.density_g_cm3,
        length_mm=_pair(box[0]),
        width_mm=_pair(box[1]),
        depth_mm=_pair(box[2]),
        grind_mm=grind_mm,
    )
    judged = None if isinstance(found, NoRecut) else _judged(ready, style, found.after)
    return Recutting(
        given=given, style=style, found=found, mounting=ready.mounting, box=box, judged=judged
    )


def heights_mm(stone: Stone) -> Mapping[str, float]:
    """Crown, girdle and pavilion of a stone [mm], by the names of their readings."""
    return {
        "crown_height_mm": stone.crown_height_mm,
        "girdle_mm": stone.girdle_mm,
        "pavilion_depth_mm": stone.pavilion_depth_mm,
    }


def _judged(ready: Bench, style: CutStyle, stone: Stone) -> Check:
    return check(
        ready, style, stone.length_mm, stone.width_mm, stone.depth_mm, heights_mm=heights_mm(stone)
    )


def _pair(interval: Range) -> tuple[float, float]:
    return interval.low, interval.high
