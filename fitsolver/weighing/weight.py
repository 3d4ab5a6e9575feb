"""What a stone weighs, from what was measured on it and what its style leaves open.

A style's proportions with their spreads are conditioned on every reading taken
(`posterior`); the estimate is the volume there times the material's density. Where the
make of a stone is not known, each make is conditioned by itself and counts by how well it foretold
the readings and by its share of the market (`offer`).

The interval is log-normal about the estimate, so it never reaches zero weight. Neglected: the
lopsidedness of the priors at their limits (see `prior`), that proportions of one cutter
hang together, and chips, abrasion and facets cut off level. Heavy bulge, an unseen girdle or a
closed back make the estimate worse than its u says when the style's spreads do not know of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike, NDArray

from fitsolver.errors import FitsolverError
from fitsolver.readings.instrument import Instrument
from fitsolver.readings.uncertainty import Estimate
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.material import Material, material
from fitsolver.stones.prior import height_prior, heights_given_depth, prior_of
from fitsolver.units import MM_PER_INCH
from fitsolver.weighing.evidence import (
    LIKE_INCHES_MM,
    VALLEY,
    Evidence,
    Measured,
    evidence_of,
    evidence_of_columns,
    readable,
)
from fitsolver.weighing.makes import Mixture, mixture_of
from fitsolver.weighing.offer import every_make
from fitsolver.weighing.posterior import Posterior

__all__ = [
    "Assumption",
    "HandbookWeight",
    "Weight",
    "WeightList",
    "every_make",
    "handbook_ct",
    "height_prior",
    "heights_given_depth",
    "weigh",
    "weigh_evidence",
    "weigh_list",
]

Array = NDArray[np.float64]

# Two-sided 95 % of a normal.
REACH = 1.959963984540054

DEPTH_PCT = (20.0, 120.0)
"""Total depths outside this range, per cent of the width, are warned of."""

NO_WEIGHT = "no weight comes of these readings: look for one that was mixed up, or a decimal sign"
"""Said where what comes out is no weight of a stone."""

# Readings are called surprising where one stone in a thousand would be so far from the style.
SURPRISE = 3.09

CHUNK = 4096
"""Stones conditioned at a time: their arrays fit in a processor's cache."""


class Assumption(Struct, frozen=True, kw_only=True):
    """A proportion nobody measured: what the style says, and what measuring it would bring.

    `usual` and `spread` are the style's, `value` and `u` what the other readings leave of them,
    all in the proportion's own unit; `share` is its part of the weight's variance, `gain_ct` by
    how much the weight's u would shrink if `reading` were taken with a caliper.
    """

    name: str
    usual: float
    spread: float
    value: float
    u: float
    source: str
    share: float
    reading: str
    gain_ct: float


class HandbookWeight(Struct, frozen=True, kw_only=True):
    """What a handbook's formula gives: ct = form x depth x density x k."""

    weight_ct: float
    k: float
    form: str
    source: str


class Weight(Struct, frozen=True, kw_only=True):
    """The weight of one stone, and where it comes from.

    `makes` says how much each make counts; `covered`, of a word that covers several styles, how
    much each counts and what the stone weighs [ct] if it is of that style; `coefficient` is ct
    over length x width x depth x density [ct / (mm3 g/cm3)], to lay beside a handbook's k;
    `shares` names what causes which part of the variance: readings, the error that all readings of
    an instrument share, assumed
    proportions, the density, and "make" where it is not known. `next_readings` are those that
    would narrow the weight most, best first, with the gain in u [ct].
    """

    style: str
    material: str
    makes: Mapping[str, float]
    covered: Mapping[str, tuple[float, float]]
    weight_ct: Estimate
    coefficient: float
    handbook: HandbookWeight | None
    sizes_mm: Mapping[str, Estimate]
    proportions: Mapping[str, Estimate]
    shares: Mapping[str, float]
    assumed: tuple[Assumption, ...]
    next_readings: tuple[tuple[str, float], ...]
    warnings: tuple[str, ...]


class WeightList(Struct, frozen=True, kw_only=True):
    """The weights of a parcel, each array (n,) in ct, NaN in rows that could not be weighed.

    `faults` are those rows with the reason; `warnings` rows that are unusual but were weighed.
    """

    weight_ct: Array
    u_ct: Array
    low_ct: Array
    high_ct: Array
    faults: tuple[tuple[int, str], ...]
    warnings: tuple[tuple[int, str], ...]


# Proportions that no caliper takes on a stone.
BEYOND_CALIPER = frozenset(
    {"star_mm", "lower_half_mm", "star_pct", "lower_half_pct", "fill_mm", "fill_pct"}
)


def weigh(
    style: CutStyle | Sequence[CutStyle],
    stone_material: Material | str,
    **readings: Measured,
) -> Weight:
    """Weigh a stone by what was measured on it.

    Parameters
    ----------
    style : CutStyle or sequence of CutStyle
        The cut style in one make, in several (`every_make`) if the make is not known, or all that
        a word for a shape covers (`offer.shape_offer`).
    stone_material : Material or str
        The material, or its name in the trade.
    **readings
        What was measured, by name (`evidence.readable`): `length_mm`, `width_mm` or
        both, and any of `depth_mm`, `crown_height_mm`, `girdle_mm`, `pavilion_depth_mm`, every
        proportion of the style (`table_pct`), `mass_ct`, `density_g_cm3`. A float is a caliper
        reading [mm] or a proportion judged by loupe; a `Reading` or `Figure` brings its own u; a
        sequence holds several.

    Returns
    -------
    Weight

    Raises
    ------
    UnknownName
        If the style has no such proportion, or the material is not known.
    OutOfRange
        If a size cannot be: zero, negative, width over length.
    FitsolverError
        If neither length nor width is given.

    Examples
    --------
    >>> from fitsolver.stones.cut import cut
    >>> made = cut("round-brilliant").in_make("well-cut")
    >>> found = weigh(made, "diamond", length_mm=6.5, width_mm=6.5, depth_mm=3.95)
    >>> round(found.weight_ct.value, 2), found.next_readings[0][0]
    (1.02, 'girdle_mm')

    """
    styles = _styles(style)
    stuff = material(stone_material) if isinstance(stone_material, str) else stone_material
    # A reading that some of the styles do not have says that it is none of them.
    styles = tuple(one for one in styles if set(readings) <= set(readable(one))) or styles
    evidence = evidence_of(styles[0], readings)
    mixed = mixture_of(styles, (stuff.density_g_cm3, stuff.density_u_g_cm3), evidence)
    value, spread = mixed.value_and_u("weight_ct")
    if not sound(value, spread)[0]:
        raise FitsolverError(NO_WEIGHT)
    weight = log_normal(value, spread)
    sizes = {
        name: _normal(*mixed.value_and_u(name)) for name in ("length_mm", "width_mm", "depth_mm")
    }
    density = float(mixed.value_and_u("density_g_cm3")[0][0])
    shares = mixed.shares("weight_ct", evidence)
    candidates = {"length_mm", "width_mm", "depth_mm", *map(_measured_by, mixed.names)}
    candidates -= BEYOND_CALIPER
    gains = mixed.gains("weight_ct", sorted(candidates))
    return Weight(
        style=styles[0].name,
        material=stuff.name,
        makes=_summed((made.make for made in styles), mixed),
        covered=_covered(styles, mixed),
        weight_ct=weight,
        coefficient=weight.value / (math.prod(size.value for size in sizes.values()) * density),
        handbook=_handbook(mixed.likeliest(), sizes, density),
        sizes_mm=sizes,
        proportions={name: _normal(*mixed.value_and_u(name)) for name in prior_of(styles[0]).names},
        shares=shares,
        assumed=_assumptions(mixed, {item.name for item in evidence}, shares, gains),
        next_readings=tuple(gains.items()),
        warnings=tuple(text for _, text in _warnings(mixed, evidence)),
    )


def weigh_list(
    style: CutStyle | Sequence[CutStyle],
    stone_material: Material | str,
    columns: Mapping[str, ArrayLike],
    *,
    u: Mapping[str, ArrayLike] | None = None,
    instrument: Instrument | str = "caliper",
) -> WeightList:
    """Weigh a parcel of one style and material at once.

    Parameters
    ----------
    style, stone_material
        As for `weigh`.
    columns : mapping of str to array, shape (n,)
        Readings by name, as for `weigh`; NaN where one was not taken.
    u : mapping of str to array, shape (n,) or ()
        Standard uncertainties of some of the columns, in their units, shared with nothing.
    instrument : Instrument or str
        What took the lengths whose u is not given: all of them share its permissible error.

    Returns
    -------
    WeightList
        Rows that cannot be weighed are NaN and listed with the reason.

    Raises
    ------
    UnknownName
        If the style has no such proportion, or the material is not known.
    FitsolverError
        If there is no column of lengths or widths.

    """
    styles = _styles(style)
    stuff = material(stone_material) if isinstance(stone_material, str) else stone_material
    evidence, reasons = evidence_of_columns(styles[0], columns, u or {}, instrument)
    count = len(evidence[0].values)
    good = np.setdiff1d(np.arange(count), list(reasons))
    value, spread = np.full(count, np.nan), np.full(count, np.nan)
    warnings: list[tuple[int, str]] = []
    for start in range(0, len(good), CHUNK):
        rows = good[start : start + CHUNK]
        some = [item.rows(rows) for item in evidence]
        value[rows], spread[rows], said = weigh_evidence(styles, stuff, some)
        warnings += [(int(rows[row]), text) for row, text in said]
    nothing = np.setdiff1d(good, np.flatnonzero(sound(value, spread)))
    value[nothing], spread[nothing] = np.nan, np.nan
    reasons |= dict.fromkeys(nothing.tolist(), NO_WEIGHT)
    factor = np.exp(REACH * spread / value)
    return WeightList(
        weight_ct=value,
        u_ct=spread,
        low_ct=value / factor,
        high_ct=value * factor,
        faults=tuple(sorted(reasons.items())),
        warnings=tuple(warnings),
    )


def weigh_evidence(
    styles: Sequence[CutStyle], stuff: Material, evidence: Sequence[Evidence]
) -> tuple[Array, Array, list[tuple[int, str]]]:
    """Return the weights (n,) and their u [ct] of n stones of a style, and what is unusual.

    The evidence has passed `evidence.faults`; what is unusual is (stone, text).
    """
    mixed = mixture_of(styles, (stuff.density_g_cm3, stuff.density_u_g_cm3), evidence)
    return *mixed.value_and_u("weight_ct"), _warnings(mixed, evidence)


def sound(value: Array, u: Array) -> NDArray[np.bool_]:
    """Say which weights (n,) may leave the library: positive, finite, known to their own size."""
    return np.isfinite(value) & np.isfinite(u) & (value > 0) & (u < value)


def log_normal(value: Array, u: Array) -> Estimate:
    """Return the estimate for the first stone: 95 % interval value x / exp(1.96 u / value)."""
    factor = math.exp(REACH * float(u[0]) / float(value[0]))
    return Estimate(
        value=float(value[0]),
        u=float(u[0]),
        low=float(value[0]) / factor,
        high=float(value[0]) * factor,
    )


def _summed(names: Iterable[str], mixed: Mixture) -> dict[str, float]:
    """How much each name counts for the first stone, over all styles that bear it."""
    found: dict[str, float] = {}
    for name, part in zip(names, mixed.parts[:, 0], strict=True):
        found[name] = found.get(name, 0.0) + float(part)
    return found


def _covered(styles: Sequence[CutStyle], mixed: Mixture) -> dict[str, tuple[float, float]]:
    """How much each style counts for the first stone, and its weight as such [ct]."""
    counts = _summed((style.name for style in styles), mixed)
    if len(counts) == 1:
        return {}
    values = [float(each.value_and_u("weight_ct")[0][0]) for each in mixed.posteriors]
    sums = dict.fromkeys(counts, 0.0)
    for style, part, value in zip(styles, mixed.parts[:, 0], values, strict=True):
        sums[style.name] += float(part) * value
    return {name: (count, sums[name] / count) for name, count in counts.items() if count > 1e-6}


def _normal(value: Array, u: Array) -> Estimate:
    reach = REACH * float(u[0])
    return Estimate(
        value=float(value[0]),
        u=float(u[0]),
        low=float(value[0]) - reach,
        high=float(value[0]) + reach,
    )


def _styles(style: CutStyle | Sequence[CutStyle]) -> tuple[CutStyle, ...]:
    styles = (style,) if isinstance(style, CutStyle) else tuple(style)
    if len({one.family for one in styles}) != 1:
        raise FitsolverError("give one cut style, in one make or several")
    return styles


def _handbook(
    posterior: Posterior, sizes: Mapping[str, Estimate], density: float
) -> HandbookWeight | None:
    style = posterior.unknowns.style
    trade = "well-cut" if style.make == "diamond" else style.make
    entry = style.handbook.get(trade) or style.handbook.get("commercial")
    if entry is None:
        return None
    length, width, depth = (sizes[f"{name}_mm"].value for name in ("length", "width", "depth"))
    plan = length * width if entry.form == "length x width" else ((length + width) / 2) ** 2
    return HandbookWeight(
        weight_ct=plan * depth * density * entry.k, k=entry.k, form=entry.form, source=entry.source
    )


def handbook_ct(
    style: CutStyle, stuff: Material, columns: Mapping[str, Array], count: int
) -> Array:
    """Return what a handbook's formula gives for n stones [ct], NaN where a size is not read."""
    entry = style.handbook.get(style.make) or style.handbook.get("commercial")
    if entry is None or "depth_mm" not in columns:
        return np.full(count, np.nan)
    none = np.full(count, np.nan)
    length, width = (columns.get(name, none) for name in ("length_mm", "width_mm"))
    length = np.where(np.isnan(length), width, length)
    if style.family == "round":
        width = np.where(np.isnan(width), length, width)
    plan = length * width if entry.form == "length x width" else ((length + width) / 2) ** 2
    return np.asarray(plan * columns["depth_mm"] * stuff.density_g_cm3 * entry.k)


def _measured_by(name: str) -> str:
    """Name the caliper reading that tells a proportion."""
    special = {
        "length_ratio": "length_mm",
        "crown_angle_deg": "crown_height_mm",
        "pavilion_angle_deg": "pavilion_depth_mm",
    }
    return special.get(name, name.removesuffix("_pct") + "_mm" if name.endswith("_pct") else name)


def _assumptions(
    mixed: Mixture, read: set[str], shares: Mapping[str, float], gains: Mapping[str, float]
) -> tuple[Assumption, ...]:
    """List what was not read, the largest share first."""
    unknowns = mixed.likeliest().unknowns
    prior = prior_of(unknowns.style)
    density_source = "the material's range of densities"
    found = []
    for name, usual, variance in zip(
        unknowns.names[1:], unknowns.means[1:, 0], unknowns.variances[1:, 0], strict=True
    ):
        reading = _measured_by(name)
        both = {"length_mm", "width_mm"} <= read
        told = name == "girdle_pct" and VALLEY in read
        if told or name in read or (both if name == "length_ratio" else reading in read):
            continue
        if name == "length_ratio" and "length_mm" in read:
            reading = "width_mm"
        value, u = mixed.value_and_u(name)
        found.append(
            Assumption(
                name=name,
                usual=float(usual),
                spread=math.sqrt(variance),
                value=float(value[0]),
                u=float(u[0]),
                source=prior.sources[prior.names.index(name)]
                if name in prior.names
                else density_source,
                share=shares.get(name, 0.0),
                reading=reading,
                gain_ct=gains.get(reading, 0.0),
            )
        )
    return tuple(sorted(found, key=lambda item: -item.share))


def _warnings(mixed: Mixture, evidence: Sequence[Evidence]) -> list[tuple[int, str]]:
    """List what is unusual under every make offered: (stone, text)."""
    read = {item.name: item.values for item in evidence}
    found: list[tuple[int, str]] = []
    first = mixed.posteriors[0].unknowns
    width = mixed.posteriors[0].state[first.names.index("width_mm")]
    priors = [prior_of(posterior.unknowns.style) for posterior in mixed.posteriors]
    if "depth_mm" in read and not first.style.strung:  # a drop's depth is its long axis
        depth = 100 * read["depth_mm"] / width
        low, high = DEPTH_PCT
        found.extend(
            (row, f"depth is {depth[row]:.0f} % of the width: check both readings")
            for row in np.flatnonzero((depth < low) | (depth > high)).tolist()
        )
        mean, covariance = height_prior(first.style)
        usual_most = 100 * float(mean.sum() + 3 * covariance.sum() ** 0.5)
        if usual_most < 100:  # of a cut that is never so deep
            found.extend(
                (
                    row,
                    f"depth is more than the width, {depth[row]:.0f} % of it: depth runs from "
                    "table to culet; were readings mixed up?",
                )
                for row in np.flatnonzero((depth > 100) & (depth <= high)).tolist()
            )
    found.extend(
        (
            row,
            f"a stone {width[row]:.2f} mm wide: were the readings inches? {width[row]:.2f} inch "
            f"is {MM_PER_INCH * width[row]:.2f} mm",
        )
        for row in np.flatnonzero(width < LIKE_INCHES_MM).tolist()
    )
    limited = {**read}
    if "length_mm" in read and "width_mm" in read:
        limited["length_ratio"] = read["length_mm"] / read["width_mm"]
    for k, name in enumerate(priors[0].names):
        if name not in limited:
            continue
        value = limited[name]
        low, high = min(p.lows[k] for p in priors), max(p.highs[k] for p in priors)
        usual = f"outside {low:g} to {high:g}, the limits of the style {first.style.name}"
        # Readings of a round may put its length a hair under its width.
        found.extend(
            (row, f"{name} is {value[row]:.4g}, {usual}")
            for row in np.flatnonzero((value < low * 0.99) | (value > high * 1.01)).tolist()
        )
    count = np.sum([np.isfinite(item.values) for item in evidence], axis=0) - 1
    # Wilson and Hilferty 1931: the cube root of chi-square is nearly normal.
    free = np.maximum(count, 1)
    limit = 1 - 2 / (9 * free) + SURPRISE * np.sqrt(2 / (9 * free))
    misfit = np.min([posterior.misfit for posterior in mixed.posteriors], axis=0)
    text = (
        f"the readings do not fit the style {first.style.name}: check them, or try another style "
        "or make"
    )
    surprising = (count > 0) & (np.cbrt(np.maximum(misfit, 0) / free) > limit)
    found.extend((row, text) for row in np.flatnonzero(surprising).tolist())
    return sorted(found)
