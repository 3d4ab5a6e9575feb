"""Readings that contradict one another: which two, and by how many of their own doubts.

Before any reading is taken, each is predicted by the prior; after all but one, that one is
predicted by the others. Its difference from there, over the doubt of both together, is how far it
stands apart. Of the others the one without which it would fit best is named as its opposite.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.readings.mounting_key import Place

Array = NDArray[np.float64]

# From here on a disagreement is shown, and from there on no answer is given. Common practice: one
# in 400 readings differs by three of its standard uncertainties, one in two million by five.
SHOWN_U = 3.0
REFUSED_U = 5.0
# An opposite must take at least this part of the disagreement with it.
_EXPLAINS = 0.25


class Contradiction(Struct, frozen=True, kw_only=True):
    """Two readings that do not go together: `first` stands `apart_u` from what the others say.

    `second` is the reading without which it would stand nearest to them, None where no single one
    explains it.
    """

    first: Place
    second: Place | None
    apart_u: float

    @property
    def refused(self) -> bool:
        """Whether no answer should stand on these two."""
        return self.apart_u > REFUSED_U


def contradictions(
    places: Sequence[Place], differences: Array, covariance: Array
) -> tuple[Contradiction, ...]:
    """Find readings that contradict one another, the worst pair first, each reading in one pair.

    `differences` (m,) of the readings from what the prior predicts, `covariance` (m, m) of those,
    doubt of readings and prior together. With S the covariance, e the differences, P = S^-1, a
    reading stands (P e)_i / sqrt(P_ii) from what the others say (leave-one-out residuals; Cook and
    Weisberg, Residuals and Influence in Regression, 1982, from memory).
    """
    left = list(range(len(places)))
    found = []
    while len(left) > 1:
        apart, precision, force = _apart(differences[left], covariance[np.ix_(left, left)])
        i = int(np.abs(apart).argmax())
        if abs(apart[i]) <= SHOWN_U:
            break
        # Without reading j, by Schur's complement of the precision.
        others = np.arange(len(left)) != i
        tied = precision[i] / np.diag(precision)
        without = (force[i] - tied * force) / np.sqrt(
            np.maximum(precision[i, i] - precision[i] * tied, 1e-12)
        )
        j = int(np.where(others, np.abs(without), np.inf).argmin())
        explained = abs(without[j]) < (1 - _EXPLAINS) * abs(apart[i])
        found.append(
            Contradiction(
                first=places[left[i]],
                second=places[left[j]] if explained else None,
                apart_u=float(abs(apart[i])),
            )
        )
        gone = {left[i], left[j]} if explained else {left[i]}
        left = [k for k in left if k not in gone]
    return tuple(found)


def _apart(differences: Array, covariance: Array) -> tuple[Array, Array, Array]:
    precision: Array = np.asarray(np.linalg.inv(covariance), dtype=np.float64)
    force: Array = precision @ differences
    return force / np.sqrt(np.diag(precision)), precision, force
