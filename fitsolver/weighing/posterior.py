"""What readings leave open of a stone: the style's spreads, conditioned on what was measured.

One stone or a million: the same linear algebra over a trailing axis of stones. The unknowns are
the width, the density and every proportion that is not fixed; readings are functions of them
(depth = width x (crown + girdle + pavilion)), linearised anew at the result until it stands.

Sources
-------
.. [1] C. D. Rodgers, Inverse Methods for Atmospheric Sounding, 2000, 5.3: iterated Gauss-Newton
   with a normal prior, in the form that inverts one small matrix per stone.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import heights
from fitsolver.stones.prior import Prior, prior_of
from fitsolver.units import carats_from
from fitsolver.weighing.coefficient import Terms, terms_of
from fitsolver.weighing.evidence import HALFWAY, SIZES, VALLEY, Evidence
from fitsolver.weighing.girdle_word import mains_pct

Array = NDArray[np.float64]

# Before measuring, the width may be anything: ten times its first guess is as good as infinite.
UNKNOWN_WIDTH = 10.0
# The width that a style's fill is stated for [mm]; common practice: a stone of a carat or so.
USUAL_WIDTH_MM = 6.0
# A linearisation step in spreads: small against any curvature, large against rounding.
STEP = 1e-4
# Two or three passes do for a stone like its style; an odd one may need more.
PASSES = 8
# Passes end when no unknown moves by more than a hundredth of its spread.
SETTLED = 0.01


class Unknowns(Struct, frozen=True, kw_only=True):
    """What is not known for certain about n stones.

    `names` (d,), `means` (d, n) and `variances` (d, n) before measuring; `fixed` what is known.
    """

    style: CutStyle
    terms: Terms
    names: tuple[str, ...]
    means: Array
    variances: Array
    fixed: Mapping[str, float]

    def size(self, name: str, state: Array) -> Array:
        """Return what would be read as `name` on stones in `state` (d, n); shape (n,).

        Lengths and heights end in _mm, the mass is `mass_ct`, `weight_ct` is the same unread;
        `<proportion>_mm` is a proportion taken in millimetres; any unknown stands for itself.
        """
        values: dict[str, Array | float] = {
            **self.fixed,
            **dict(zip(self.names, state, strict=True)),
        }
        if name in values:
            return np.broadcast_to(values[name], state.shape[1:])
        width = values["width_mm"]
        if name == "length_mm":
            return np.asarray(width * values["length_ratio"])
        in_per_cent = name.removesuffix("_mm") + "_pct"
        if in_per_cent in values:
            return np.asarray(width * values[in_per_cent] / 100)
        crown, girdle, pavilion = heights(self.style, values)
        if name == "crown_height_mm":
            return np.asarray(width * crown)
        if name == "pavilion_depth_mm":
            return np.asarray(width * pavilion)
        if name == VALLEY:
            return np.asarray(width * (girdle - mains_pct(self.style) / 100))
        if name == HALFWAY:
            # The prismoidal formula: a dome's volume is depth / 6 x (edge + 4 x middle + top).
            fill = values.get("fill_pct", 100.0) / 100
            return np.asarray(width / 2 * np.sqrt(np.maximum(4 * fill - 1, 0.0)))
        if name == "depth_mm":
            return np.asarray(width * (crown + girdle + pavilion))
        if name in ("mass_ct", "weight_ct"):
            volume = self.terms.volume(values, crown, girdle, pavilion)
            volume = volume * (values.get("fill_pct", 100.0) / 100) * width**3
            return np.asarray(carats_from(np.asarray(volume), values["density_g_cm3"]))
        raise KeyError(name)

    def knows(self, name: str) -> bool:
        """Say whether a size means anything for this style."""
        known = {*self.names, *self.fixed, *SIZES, VALLEY, HALFWAY, "mass_ct", "weight_ct"}
        return name in known or name.removesuffix("_mm") + "_pct" in known

    def slopes(self, name: str, state: Array) -> tuple[Array, Array]:
        """Return a size (n,) and its slopes (d, n) by forward steps of 1e-4 of a spread."""
        at = self.size(name, state)
        slopes = np.zeros_like(state)
        if name in self.names:
            slopes[self.names.index(name)] = 1.0
            return at, slopes
        concerned = _concerned(name, self.names)
        rows = [k for k, unknown in enumerate(self.names) if unknown in concerned]
        spread = np.sqrt(self.variances[rows])
        # The width's spread is no measure of it, being as good as infinite.
        scale = np.minimum(spread, np.maximum(np.abs(self.means[rows]), 0.01))
        step = STEP * np.where(spread > 0, scale, 1.0)
        # All steps at once, each beside the others.
        moved = np.repeat(state[:, None], len(rows), axis=1)
        moved[rows, np.arange(len(rows))] += step
        there = self.size(name, moved.reshape(len(state), -1)).reshape(step.shape)
        slopes[rows] = (there - at) / step
        return at, slopes


def _concerned(name: str, unknowns: tuple[str, ...]) -> Collection[str]:
    """Name the unknowns that a size can depend on."""
    if name in unknowns:
        return (name,)
    if name in ("mass_ct", "weight_ct"):
        return unknowns
    crown = ("table_pct", "crown_angle_deg", "crown_height_pct")
    pavilion = ("culet_pct", "pavilion_angle_deg", "pavilion_depth_pct")
    depends = {
        "length_mm": ("length_ratio",),
        "crown_height_mm": crown,
        "pavilion_depth_mm": pavilion,
        "depth_mm": (*crown, "girdle_pct", *pavilion),
        VALLEY: ("girdle_pct",),
        HALFWAY: ("fill_pct",),
    }
    return ("width_mm", *depends.get(name, (name.removesuffix("_mm") + "_pct",)))


class Posterior(Struct, frozen=True, kw_only=True):
    """Unknowns after conditioning on m readings.

    `state` (d, n) the result; `slopes` (m, d, n) of the readings there, `spread` (m, d, n) the
    slopes times the unknowns' variances, `noise` (m, m, n) covariance of the readings and `total`
    (m, m, n) their covariance before they were taken. `misfit` (n,) is the squared distance of
    the readings from what the style leads to expect, in standard deviations.
    """

    unknowns: Unknowns
    state: Array
    slopes: Array
    spread: Array
    noise: Array
    total: Array
    misfit: Array

    def value_and_u(self, name: str) -> tuple[Array, Array]:
        """Return a size at the result and its standard uncertainty, both (n,)."""
        value, slope = self.unknowns.slopes(name, self.state)
        shared = np.sum(self.spread * slope, axis=1)
        variance = np.sum(slope**2 * self.unknowns.variances, axis=0)
        variance = variance - np.sum(shared * _solve(self.total, shared[:, None])[0][:, 0], axis=0)
        return value, np.sqrt(np.maximum(variance, 0.0))

    def log_evidence(self) -> Array:
        """Return how well the style foretold the readings of each stone: log density, (n,)."""
        _, log_determinant = _solve(self.total, np.zeros((len(self.total), 0, *self.misfit.shape)))
        return -0.5 * (self.misfit + log_determinant)

    def gains(self) -> Array:
        """Return how each unknown of the first stone answers to each reading, shape (m, d)."""
        return _solve(self.total[..., :1], self.spread[..., :1])[0][..., 0]

    def covariance(self) -> Array:
        """Return the covariance of the unknowns of the first stone, shape (d, d)."""
        gains, slopes = self.gains(), self.slopes[..., 0]
        kept = np.eye(gains.shape[1]) - gains.T @ slopes
        prior = self.unknowns.variances[:, 0]
        covariance: Array = (kept * prior) @ kept.T + gains.T @ self.noise[..., 0] @ gains
        return covariance

    def shares(self, name: str, readings: Sequence[Evidence]) -> dict[str, float]:
        """Return which prior, reading or shared cause makes how much of u^2 for the first stone.

        The parts are independent, so they add up to 1; the prior of an unknown that was read
        counts with its reading.
        """
        _, slopes = self.unknowns.slopes(name, self.state)
        slope = slopes[:, 0]
        answer = self.gains() @ slope
        kept = slope - answer @ self.slopes[..., 0]
        parts: dict[str, float] = {}
        for unknown, part in zip(
            self.unknowns.names, kept**2 * self.unknowns.variances[:, 0], strict=True
        ):
            parts[unknown] = float(part)
        shared: dict[str, float] = {}
        for weight, reading in zip(answer, readings, strict=True):
            part = (weight * reading.u_own[0]) ** 2
            parts[reading.name] = parts.get(reading.name, 0.0) + float(part)
            if reading.cause is not None:
                pull = float(weight * reading.u_shared[0])
                shared[reading.cause] = shared.get(reading.cause, 0.0) + pull
        parts.update({cause: pull**2 for cause, pull in shared.items()})
        total = sum(parts.values())
        return {key: part / total if total > 0 else 0.0 for key, part in parts.items()}


def unknowns_of(
    style: CutStyle,
    density: tuple[float, float],
    readings: Sequence[Evidence],
) -> Unknowns:
    """Return the unknowns of n stones before conditioning.

    `density` is mean and standard deviation [g/cm3]. A proportion that the style fixes is an
    unknown all the same where it was read, with its whole allowed range for a spread.
    """
    prior = prior_of(style)
    count = len(readings[0].values)
    read = {reading.name for reading in readings}
    read |= {name.removesuffix("_mm") + "_pct" for name in read}
    spreads = np.where(
        (prior.spreads == 0) & np.isin(prior.names, list(read)),
        np.maximum(prior.highs - prior.lows, 1.0),
        prior.spreads,
    )
    free = spreads > 0
    width = _first_width(prior, readings)
    constant = [
        ("density_g_cm3", *density),
        *zip(np.array(prior.names)[free].tolist(), prior.means[free], spreads[free], strict=True),
    ]
    means = np.vstack([width, *(np.full(count, mean) for _, mean, _ in constant)])
    if style.fuller_when_large and "fill_pct" in (names := [name for name, *_ in constant]):
        # Stones under half and over twice the usual width get neither leaner nor fuller.
        doublings = np.clip(np.log2(width / USUAL_WIDTH_MM), -1.0, 1.0)
        means[1 + names.index("fill_pct")] *= 1 + style.fuller_when_large * doublings
    deviations = np.vstack(
        [UNKNOWN_WIDTH * width, *(np.full(count, spread) for _, _, spread in constant)]
    )
    return Unknowns(
        style=style,
        terms=terms_of(style),
        names=("width_mm", *(name for name, _, _ in constant)),
        means=means,
        variances=deviations**2,
        fixed={
            name: float(mean)
            for name, mean, is_free in zip(prior.names, prior.means, free, strict=True)
            if not is_free
        },
    )


def _first_width(prior: Prior, readings: Sequence[Evidence]) -> Array:
    """Guess the width: as read, else the length over the usual ratio."""
    width = np.full(len(readings[0].values), np.nan)
    for name, ratio in (("width_mm", 1.0), ("length_mm", prior.means[0])):
        for reading in readings:
            if reading.name == name:
                width = np.where(np.isnan(width), reading.values / ratio, width)
    return width


def condition(unknowns: Unknowns, readings: Sequence[Evidence]) -> Posterior:
    """Condition the unknowns of n stones on their readings.

    A proportion that comes out below nothing, like the girdle of a stone much flatter than its
    style, is held at nothing and the rest conditioned again. The style's own limits are no more
    than usual: a stone may pass them, and is warned of.
    """
    posterior = _condition(unknowns, readings)
    for _ in range(2):
        held = _held(posterior)
        if held is None:
            break
        posterior = _condition(held, readings)
    return posterior


def _held(posterior: Posterior) -> Unknowns | None:
    unknowns = posterior.unknowns
    below = posterior.state < 0
    if not below.any():
        return None
    return replace(
        unknowns,
        means=np.where(below, 0.0, unknowns.means),
        variances=np.where(below, 0.0, unknowns.variances),
    )


def _condition(unknowns: Unknowns, readings: Sequence[Evidence]) -> Posterior:
    taken = np.stack([np.isfinite(reading.values) for reading in readings])
    values = np.where(taken, np.stack([reading.values for reading in readings]), 0.0)
    noise = _noise(readings, taken)
    state = unknowns.means
    for _ in range(PASSES):
        found = [unknowns.slopes(reading.name, state) for reading in readings]
        slopes = np.stack([slope for _, slope in found]) * taken[:, None]
        spread = slopes * unknowns.variances
        total = noise + np.array([[np.sum(a * b, axis=0) for b in slopes] for a in spread])
        linear = np.sum(slopes * (unknowns.means - state), axis=1)
        rest = np.where(taken, values - np.stack([at for at, _ in found]) - linear, 0.0)
        pull = _solve(total, rest[:, None])[0][:, 0]
        previous, state = state, unknowns.means + np.sum(spread * pull[:, None], axis=0)
        if np.all((state - previous) ** 2 <= SETTLED**2 * unknowns.variances):
            break
    return Posterior(
        unknowns=unknowns,
        state=state,
        slopes=slopes,
        spread=spread,
        noise=noise,
        total=total,
        misfit=np.sum(rest * pull, axis=0),
    )


def _noise(readings: Sequence[Evidence], taken: NDArray[np.bool_]) -> Array:
    """Covariance of the readings of each stone, shape (m, m, n); 1 where none was taken."""
    count, stones = taken.shape
    noise = np.zeros((count, count, stones))
    for a, one in enumerate(readings):
        noise[a, a] = np.where(taken[a], one.u_own**2 + one.u_shared**2, 1.0)
        for b, other in enumerate(readings[:a]):
            if one.cause is not None and one.cause == other.cause:
                both = np.where(taken[a] & taken[b], one.u_shared * other.u_shared, 0.0)
                noise[a, b] = noise[b, a] = both
    return noise


def _solve(matrices: Array, sides: Array) -> tuple[Array, Array]:
    """Solve n small positive definite systems at once, by Cholesky factors along the last axis.

    `matrices` (m, m, n), `sides` (m, k, n); returns solutions (m, k, n) and the logarithms of the
    determinants (n,). A library call per stone would cost more than all the rest.
    """
    count = len(matrices)
    lower = np.zeros_like(matrices)
    found = np.array(sides, copy=True)
    for i in range(count):
        for j in range(i):
            rest = matrices[i, j] - np.sum(lower[i, :j] * lower[j, :j], axis=0)
            lower[i, j] = rest / lower[j, j]
        lower[i, i] = np.sqrt(matrices[i, i] - np.sum(lower[i, :i] ** 2, axis=0))
    for i in range(count):
        found[i] = (found[i] - np.sum(lower[i, :i, None] * found[:i], axis=0)) / lower[i, i]
    for i in reversed(range(count)):
        below = np.sum(lower[i + 1 :, i, None] * found[i + 1 :], axis=0)
        found[i] = (found[i] - below) / lower[i, i]
    diagonal = np.stack([lower[i, i] for i in range(count)])
    return found, 2 * np.sum(np.log(diagonal), axis=0)
