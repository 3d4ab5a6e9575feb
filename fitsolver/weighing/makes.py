"""A stone whose make may not be known: every make conditioned by itself, then weighed together.

Before measuring, each make offered counts by its share; after it also by how well it foretold
the readings (Bayes' rule with the normal density of the readings under each make). A stone of
usual depth and table counts as well cut, an odd one as commercial, most as something of both.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.readings.reading import direct
from fitsolver.stones.cut import CutStyle
from fitsolver.weighing.evidence import Evidence
from fitsolver.weighing.posterior import Posterior, condition, unknowns_of

Array = NDArray[np.float64]

# Standard deviation of a density weighed in water [g/cm3]. Common practice: stones of some carats.
DENSITY_U_G_CM3 = 0.02


class Mixture(Struct, frozen=True, kw_only=True):
    """Stones conditioned on their readings in each of k makes; `parts` (k, n) add up to 1."""

    posteriors: tuple[Posterior, ...]
    parts: Array

    @property
    def names(self) -> tuple[str, ...]:
        """Everything that is unknown in one make or another, but for the width."""
        every = (name for posterior in self.posteriors for name in posterior.unknowns.names[1:])
        return tuple(dict.fromkeys(every))

    def value_and_u(self, name: str) -> tuple[Array, Array]:
        """Return a size over all makes and its standard uncertainty, both (n,).

        The variance is the mean of the makes' variances and the variance of their values.
        """
        known = [k for k, each in enumerate(self.posteriors) if each.unknowns.knows(name)]
        found = [self.posteriors[k].value_and_u(name) for k in known]
        parts = self.parts[known]
        if len(known) < len(self.posteriors):
            parts = parts / np.maximum(parts.sum(axis=0), 1e-300)
        values = np.stack([value for value, _ in found])
        value = np.sum(parts * values, axis=0)
        inside = np.stack([u for _, u in found]) ** 2
        variance = np.sum(parts * (inside + (values - value) ** 2), axis=0)
        return value, np.sqrt(variance)

    def likeliest(self) -> Posterior:
        """Return the make that counts most for the first stone."""
        return self.posteriors[int(np.argmax(self.parts[:, 0]))]

    def shares(self, name: str, evidence: Sequence[Evidence]) -> dict[str, float]:
        """Return what causes which part of a size's variance for the first stone; adds up to 1.

        "make" is how far the makes differ, where more than one was offered.
        """
        total = self.value_and_u(name)[1][0] ** 2
        shares: dict[str, float] = {}
        for part, posterior in zip(self.parts[:, 0], self.posteriors, strict=True):
            weight = part * posterior.value_and_u(name)[1][0] ** 2 / total if total > 0 else 0.0
            for key, share in posterior.shares(name, evidence).items():
                shares[key] = shares.get(key, 0.0) + float(weight * share)
        if len(self.posteriors) > 1:
            shares["make"] = max(1.0 - sum(shares.values()), 0.0)
        return dict(sorted(shares.items(), key=lambda item: -item[1]))

    def gains(self, name: str, candidates: Sequence[str]) -> dict[str, float]:
        """Return by how much each further reading would shrink a size's u for the first stone.

        Each is taken as one caliper reading with an error of its own; what is known about as well
        already is left out. That the reading would also tell the makes apart is neglected.
        """
        total = self.value_and_u(name)[1][0] ** 2
        gains: dict[str, float] = {}
        for candidate in candidates:
            noise = DENSITY_U_G_CM3 if candidate == "density_g_cm3" else direct(1.0).u_mm
            saved, known = 0.0, True
            for part, posterior in zip(self.parts[:, 0], self.posteriors, strict=True):
                if not posterior.unknowns.knows(candidate):
                    continue
                covariance = posterior.covariance()
                slope = posterior.unknowns.slopes(name, posterior.state)[1][:, 0]
                view = posterior.unknowns.slopes(candidate, posterior.state)[1][:, 0]
                seen = view @ covariance @ view
                known &= bool(seen <= 2 * noise**2)
                saved += part * (slope @ covariance @ view) ** 2 / (seen + noise**2)
            if not known:
                gains[candidate] = float(np.sqrt(total) - np.sqrt(max(total - saved, 0.0)))
        return dict(sorted(gains.items(), key=lambda item: -item[1]))


def mixture_of(
    styles: Sequence[CutStyle], density: tuple[float, float], evidence: Sequence[Evidence]
) -> Mixture:
    """Condition n stones on their readings in every make offered.

    `density` is mean and standard deviation of the material's [g/cm3].
    """
    posteriors = tuple(
        condition(unknowns_of(style, density, evidence), evidence) for style in styles
    )
    if len(posteriors) == 1:
        return Mixture(posteriors=posteriors, parts=np.ones((1, len(evidence[0].values))))
    logs = np.stack(
        [each.log_evidence() + np.log(each.unknowns.style.share) for each in posteriors]
    )
    parts = np.exp(logs - logs.max(axis=0))
    return Mixture(posteriors=posteriors, parts=parts / parts.sum(axis=0))
