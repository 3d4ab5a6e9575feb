"""How the volume of a style answers to its proportions, fast enough for whole parcels.

A form's area, crown volume and pavilion volume (see `form`) are exact but take some
milliseconds each. Here each is exact at the usual proportions, and a product of parabolas for the
changes away from there: one for every proportion it answers to, through forms two spreads apart
whose volumes are summed over a fan of rays. Two proportions are taken to act independently, in
relative terms, except those that draw the outline, whose pairs are tried together. Within a
style's spreads that holds to 0.1 to 0.4 % of the volume (root mean square), an order below what
the proportions themselves leave open.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from functools import lru_cache
from itertools import combinations
from typing import Any

import numpy as np
from msgspec import Struct, to_builtins
from numpy.typing import NDArray

from fitsolver.files.datafile import data_folder, read_json
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import Facets, Form, form
from fitsolver.stones.prior import Prior, prior_of

Array = NDArray[np.float64]

# Enough for changes of volume to a few hundredths of their own size.
RAYS = 96
RAY_POINTS = 12


class Curve(Struct, frozen=True, kw_only=True):
    """Relative change with one proportion: 1 + slope d + bend d^2, d = proportion - centre."""

    name: str
    centre: float
    slope: float
    bend: float

    def factor(self, value: Array | float) -> Array | float:
        """Return the factor at one or many values of the proportion."""
        distance = value - self.centre
        return 1.0 + distance * (self.slope + distance * self.bend)


class Pair(Struct, frozen=True, kw_only=True):
    """What two proportions do together beyond their curves: 1 + twist d1 d2."""

    first: Curve
    second: Curve
    twist: float

    def factor(self, proportions: Mapping[str, Array | float]) -> Array | float:
        """Return the factor; 1 where either proportion stays at the centre."""
        if self.first.name not in proportions or self.second.name not in proportions:
            return 1.0
        one = proportions[self.first.name] - self.first.centre
        return 1.0 + self.twist * one * (proportions[self.second.name] - self.second.centre)


class Term(Struct, frozen=True, kw_only=True):
    """One of the three volumes of a form: at the centre, by each proportion and by pairs."""

    centre: float
    curves: tuple[Curve, ...]
    pairs: tuple[Pair, ...]

    def at(self, proportions: Mapping[str, Array | float]) -> Array | float:
        """Return the volume (or area) in widths; missing proportions stay at the centre."""
        value: Array | float = self.centre
        for curve in self.curves:
            if curve.name in proportions:
                value = value * curve.factor(proportions[curve.name])
        for pair in self.pairs:
            value = value * pair.factor(proportions)
        return value


class Terms(Struct, frozen=True, kw_only=True):
    """Area, crown volume and pavilion volume of a style, in widths, over its proportions."""

    area: Term
    crown: Term
    pavilion: Term

    def volume(
        self,
        proportions: Mapping[str, Array | float],
        crown: Array | float,
        girdle: Array | float,
        pavilion: Array | float,
    ) -> Array | float:
        """Volume in cubic widths; `proportions` with `length_ratio`, heights in widths."""
        return (
            self.area.at(proportions) * girdle
            + self.crown.at(proportions) * crown
            + self.pavilion.at(proportions) * pavilion
        )


@lru_cache(maxsize=256)
def terms_of(style: CutStyle) -> Terms:
    """Return the three volumes of a style about its usual proportions.

    Those of the library's styles are kept in `profiles/volumes/` (made by
    `tests/keep_volumes.py`, tested against `reckoned`); a style that differs from the one they
    were kept of is reckoned anew.
    """
    kept = read_json(data_folder() / "volumes" / f"{style.name}.json") or {}
    entry = kept.get(style.make)
    if entry is not None and entry["of"] == fingerprint(style):
        return Terms(**{name: _term_from(entry[name]) for name in ("area", "crown", "pavilion")})
    return reckoned(style)


def fingerprint(style: CutStyle) -> str:
    """Short digest of all that a style's volumes depend on."""
    parts = (
        style.family, sorted(style.ring_kind.items()), sorted(style.rings.items()), style.rows,
        style.domes, style.length_ratio, sorted(style.proportions.items()),
    )  # fmt: skip
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:16]


def record_of(style: CutStyle) -> dict[str, Any]:
    """Return a style's volumes as plain data, to be kept."""
    terms = reckoned(style)
    return {"of": fingerprint(style), **to_builtins(terms)}


def _term_from(kept: Mapping[str, Any]) -> Term:
    return Term(
        centre=kept["centre"],
        curves=tuple(Curve(**curve) for curve in kept["curves"]),
        pairs=tuple(
            Pair(first=Curve(**p["first"]), second=Curve(**p["second"]), twist=p["twist"])
            for p in kept["pairs"]
        ),
    )


def reckoned(style: CutStyle) -> Terms:
    """Work the three volumes of a style out from its forms."""
    prior = prior_of(style)
    centre = dict(zip(prior.names, map(float, prior.means), strict=True))

    if centre.get("pavilion_depth_pct") == 0:
        # A back that is flat as a rule may be read as rounded: its figure is drawn all the same.
        centre["pavilion_depth_pct"] = float(prior.highs[prior.names.index("pavilion_depth_pct")])

    def form_at(**changes: float) -> Form:
        changed = {**centre, **changes}
        return form(style, changed.pop("length_ratio"), changed)

    base = form_at()
    reach = dict(zip(centre, _reach(prior).tolist(), strict=True))
    reach.pop("fill_pct", None)  # multiplies the volume, draws nothing
    around = {name: [(end, form_at(**{name: end})) for end in ends] for name, ends in reach.items()}
    drawing = [
        name for name, tried in around.items() if not all(_same_outline(f, base) for _, f in tried)
    ]
    # One spread up, in both: where most stones are.
    up = {name: (centre[name] + reach[name][1]) / 2 for name in drawing}
    corners = {
        (one, other): form_at(**{one: up[one], other: up[other]})
        for one, other in combinations(drawing, 2)
    }

    def term(exact: float, value: Callable[[Form], float], same: Callable[[Form], bool]) -> Term:
        at_centre = value(base)
        if exact == 0:
            return Term(centre=0.0, curves=(), pairs=())
        curves = {}
        for name, tried in around.items():
            if not all(same(other) for _, other in tried):
                points = [
                    (end - centre[name], value(other) / at_centre - 1) for end, other in tried
                ]
                curves[name] = _curve(name, centre[name], points)
        pairs = []
        for (one, other), corner in corners.items():
            first, second = curves[one], curves[other]
            apart = (up[one] - centre[one]) * (up[other] - centre[other])
            alone = at_centre * first.factor(up[one]) * second.factor(up[other])
            if apart > 0:
                twist = float(value(corner) / alone - 1) / apart
                pairs.append(Pair(first=first, second=second, twist=twist))
        return Term(centre=exact, curves=tuple(curves.values()), pairs=tuple(pairs))

    return Terms(
        area=term(base.area, lambda made: made.area, lambda other: _same_outline(other, base)),
        crown=term(
            base.crown_volume,
            lambda made: _summed_volume(made, made.crown),
            lambda other: _same_outline(other, base) and _same_facets(other.crown, base.crown),
        ),
        pavilion=term(
            base.pavilion_volume,
            lambda made: _summed_volume(made, made.pavilion),
            lambda other: (
                _same_outline(other, base) and _same_facets(other.pavilion, base.pavilion)
            ),
        ),
    )


def _summed_volume(made: Form, facets: Facets) -> float:
    """Volume of a part one width high, summed over a fan of rays from the centre.

    Rays at even angles, Gauss-Legendre points along each: int u r dr dphi.
    """
    angle = (np.arange(RAYS) + 0.5) * (2 * np.pi / RAYS)
    ray = made.fold(np.column_stack([np.cos(angle), np.sin(angle)]))
    end = 1 / (ray @ made.normals.T / made.reach).max(axis=1)
    node, weight = np.polynomial.legendre.leggauss(RAY_POINTS)
    radius = end[:, None] * (node + 1) / 2
    height = facets.height(radius[..., None] * ray[:, None, :])
    area = radius * end[:, None] / 2 * weight * (2 * np.pi / RAYS)
    return float((height * area).sum())


def _same_outline(one: Form, other: Form) -> bool:
    return np.array_equal(one.outline, other.outline)


def _same_facets(one: Facets, other: Facets) -> bool:
    return all(
        np.array_equal(getattr(one, part), getattr(other, part))
        for part in ("normals", "slopes", "offsets")
    )


def _curve(name: str, centre: float, points: list[tuple[float, float]]) -> Curve:
    """Parabola through (0, 0) and two points; a straight line where only one is apart from it."""
    (a, at_a), (b, at_b) = points
    if a == 0 or b == 0:
        distance, rise = (b, at_b) if a == 0 else (a, at_a)
        return Curve(name=name, centre=centre, slope=rise / distance if distance else 0.0, bend=0.0)
    bend = (at_a / a - at_b / b) / (a - b)
    return Curve(name=name, centre=centre, slope=at_a / a - bend * a, bend=bend)


def _reach(prior: Prior) -> Array:
    """Lower and upper value at which each proportion is tried, shape (p, 2).

    Two spreads to either side, a quarter of the allowed range where a style states no spread,
    and never beyond the limits.
    """
    step = np.where(prior.spreads > 0, 2 * prior.spreads, (prior.highs - prior.lows) / 4)
    return np.column_stack(
        [np.maximum(prior.means - step, prior.lows), np.minimum(prior.means + step, prior.highs)]
    )
