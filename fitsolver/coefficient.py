"""How the volume of a style answers to its proportions, fast enough for whole parcels.

A form's area, crown volume and pavilion volume (see `fitsolver.form`) are exact but take some
milliseconds each. Here each is a product of parabolas, one for every proportion it answers to,
through three exact forms two spreads apart: two proportions are taken to act independently, in
relative terms. Within the style's spreads that holds to about 0.1 % of the volume.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fitsolver.cut import CutStyle
from fitsolver.form import Facets, Form, form
from fitsolver.prior import Prior, prior_of

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Relative change with one proportion: 1 + slope d + bend d^2, d = proportion - centre."""

    name: str
    centre: float
    slope: float
    bend: float

    def factor(self, value: Array | float) -> Array | float:
        """Return the factor at one or many values of the proportion."""
        distance = value - self.centre
        return 1.0 + distance * (self.slope + distance * self.bend)


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One of the three volumes of a form: its value at the centre and a curve per proportion."""

    centre: float
    curves: tuple[Curve, ...]

    def at(self, proportions: Mapping[str, Array | float]) -> Array | float:
        """Return the volume (or area) in widths; missing proportions stay at the centre."""
        value: Array | float = self.centre
        for curve in self.curves:
            if curve.name in proportions:
                value = value * curve.factor(proportions[curve.name])
        return value


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
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
    """Return the three volumes of a style about its usual proportions; kept for the next call."""
    prior = prior_of(style)
    centre = dict(zip(prior.names, map(float, prior.means), strict=True))

    def form_at(name: str, value: float) -> Form:
        changed = {**centre, name: value}
        return form(style, changed.pop("length_ratio"), changed)

    base = form_at("length_ratio", centre["length_ratio"])
    around = [
        (name, middle, [(end, form_at(name, end)) for end in ends])
        for (name, middle), ends in zip(centre.items(), _reach(prior), strict=True)
    ]

    def term(value: Callable[[Form], float], same: Callable[[Form], bool]) -> Term:
        at_centre = value(base)
        curves = []
        for name, middle, tried in around:
            if at_centre == 0 or all(same(other) for _, other in tried):
                continue
            points = [(end - middle, value(other) / at_centre - 1) for end, other in tried]
            curves.append(_curve(name, middle, points))
        return Term(centre=at_centre, curves=tuple(curves))

    def same_outline(other: Form) -> bool:
        return np.array_equal(other.outline, base.outline)

    return Terms(
        area=term(lambda made: made.area, same_outline),
        crown=term(
            lambda made: made.crown_volume,
            lambda other: same_outline(other) and _same_facets(other.crown, base.crown),
        ),
        pavilion=term(
            lambda made: made.pavilion_volume,
            lambda other: same_outline(other) and _same_facets(other.pavilion, base.pavilion),
        ),
    )


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
