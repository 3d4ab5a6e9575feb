"""Which reading to take (again): what it would take off the doubt, and whether it would settle it.

One more reading of a quantity h . p (h its row, p the seat's parameters) with variance r takes
(h c)^2 / (h C h + r) off the margin's variance, C being the parameters' covariance and c theirs
with the margin (linear-Gaussian updating). A reading does not make a stone likelier to seat on the
average; it makes the answer plainer. How often it would leave the probability beyond one of the
verdict's levels is reckoned over the draws of the seat: each foretells a reading, and the draws
that go with it are counted anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from statistics import NormalDist

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.seats.allowance import Allowances
from fitsolver.seats.belief import Belief, Evidence

Array = NDArray[np.float64]

# A better instrument: a micrometer, a gauge plate by hundredths, a calibrated microscope.
# Common practice: 0.01 mm, and half a degree for an angle.
BETTER_U = {"mm": 0.01, "deg": 0.5}
BETTER_HOW = "an instrument good to 0.01 mm (0.5 deg)"
# Values of the coming reading that are tried, spread evenly over its probability.
FORETOLD = 60
# A share of the doubt below which a reading is not worth naming.
LEAST_SHARE = 0.1
STONE = {
    "girdle": "girdle thickness of the stone",
    "crown": "crown height of the stone",
    "pavilion": "pavilion depth of the stone",
}


class Advice(Struct, frozen=True, kw_only=True):
    """A reading to take (again), and what that is worth.

    `share` of the binding margin's variance that it would take off; `u_now_mm`, `u_then_mm` the
    margin's standard uncertainty. `settled` is the probability that the stone's answer would then
    be a plain yes or no, `settled_better` the same with a better instrument (`BETTER_HOW`).
    """

    reading: str
    measured: bool
    share: float
    u_now_mm: float
    u_then_mm: float
    settled: float
    settled_better: float


def advise(
    known: Belief,
    parameters: Array,
    margin: Array,
    held: NDArray[np.bool_],
    heights: Mapping[str, Array],
    allowed: Allowances,
    most: int = 3,
) -> tuple[Advice, ...]:
    """Say which readings would narrow a margin most, the most telling first.

    `parameters` (s, d), `margin` (s,) [mm], `held` (s,) whether all requirements hold, and
    `heights` name -> (s,) [mm] of the stone, are those of the draws, without the best estimate.
    The stone's own heights are supposed to be read by a caliper.
    """
    values = margin - margin.mean()
    total = float(values.var())
    if total < 1e-10:
        return ()
    weight = (parameters - known.mean).T @ values / len(values)
    stone_u = max(allowed["stone_reading_u_mm"], 1e-3)
    found = []
    for item in known.evidence:
        spread = float(item.row @ known.covariance @ item.row)
        again = _again(item)
        better = BETTER_U[item.unit] ** 2
        saved = float(item.row @ weight) ** 2 / max(spread + again, 1e-12)
        found.append((str(item.place), not item.assumed, saved, parameters @ item.row,
                      again, min(again, better)))  # fmt: skip
    for name, label in STONE.items():
        own = heights[name]
        spread = float(own.var())
        if spread > 1e-12:
            saved = float(np.mean((own - own.mean()) * values)) ** 2 / (spread + stone_u**2)
            found.append((label, False, saved, own, stone_u**2, min(stone_u, 0.005) ** 2))
    found.sort(key=lambda entry: -entry[2])
    return tuple(
        Advice(
            reading=name,
            measured=measured,
            share=min(saved / total, 1.0),
            u_now_mm=total**0.5,
            u_then_mm=max(total - saved, 0.0) ** 0.5,
            settled=_settled(quantity, again, held, allowed),
            settled_better=_settled(quantity, better, held, allowed),
        )
        for name, measured, saved, quantity, again, better in found[:most]
        if saved / total > LEAST_SHARE
    )


def _again(item: Evidence) -> float:
    """Variance of what one more reading of the same kind adds.

    A repeat brings its own errors anew, not those that stay with the instrument and the edge
    (`lasting`): two readings together then have the variance lasting + own / 2, as if an
    independent one of variance r had come to the first, 1 / r = 1 / (lasting + own / 2) - 1 / all.
    """
    if item.assumed or item.lasting <= 0:
        return item.variance
    own = max(item.variance - item.lasting, 0.0)
    gained = 1 / (item.lasting + own / 2) - 1 / item.variance
    return 1 / max(gained, 1e-9)


def _settled(
    quantity: Array, variance: float, held: NDArray[np.bool_], allowed: Allowances
) -> float:
    """Probability that a reading of a quantity leaves a probability beyond one of the levels.

    `quantity` (s,) in the draws; the reading adds a normal error of `variance`.
    """
    ranks = (np.arange(FORETOLD) + 0.5) / FORETOLD
    errors = np.array([NormalDist().inv_cdf(rank) for rank in ranks]) * variance**0.5
    # Every foretold reading: a quantile of the quantity, with an error of another rank.
    coming = np.quantile(quantity, ranks) + np.roll(errors, FORETOLD // 3)[_shuffled(FORETOLD)]
    # Draws are sparse: a reading sharper than their spacing would rest on one or two of them.
    least = float(quantity.std()) * 2.0 / len(quantity) ** 0.5
    width = max(variance**0.5, least, 1e-9)
    off = (coming[:, None] - quantity) / width
    weights = np.exp(-0.5 * (off**2 - (off**2).min(axis=1, keepdims=True)))
    chance = weights @ held / weights.sum(axis=1)
    plain = (chance >= allowed["seats_from_probability"]) | (
        chance <= allowed["fails_to_probability"]
    )
    return float(plain.mean())


def _shuffled(count: int) -> NDArray[np.int64]:
    """A fixed order that keeps far ranks together with near ones (steps of the golden ratio)."""
    order: NDArray[np.int64] = np.argsort(np.mod(np.arange(count) * 0.6180339887498949, 1.0))
    return order
