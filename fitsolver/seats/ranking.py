"""The ranking: how much each part counts when cuts that seat are put in order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from msgspec import Struct

from fitsolver.errors import OutOfRange, UnknownName

# Default weight and meaning of each part; every part is between 0 and 1. The weights are ours: no
# publication ranks cuts for a seat.
PARTS: Mapping[str, tuple[float, str]] = MappingProxyType(
    {
        "probability": (0.5, "how surely it seats; what alteration adds counts for less"),
        "evenness": (0.2, "how evenly its outline follows the metal, points guarded"),
        "fill": (0.2, "how much of the opening it fills, seen from above"),
        "period": (0.1, "whether it was cut when the mounting was made"),
    }
)
HEAVIEST = 100.0


class Ranking(Struct, frozen=True, kw_only=True):
    """Weights of the parts, which sum to 1."""

    weights: Mapping[str, float]
    changed: bool = False

    def __iter__(self) -> Iterator[str]:
        """Go through the parts."""
        return iter(self.weights)

    def score(self, parts: Mapping[str, float]) -> float:
        """Weigh the parts up, 0 to 1."""
        return sum(weight * parts[name] for name, weight in self.weights.items())


def ranking(weights: Mapping[str, float] | None = None) -> Ranking:
    """Return the usual weights with `weights` put over them, scaled to sum to 1.

    Raises `UnknownName` or `OutOfRange` for a weight that names nothing or makes no sense.
    """
    given = {name: usual for name, (usual, _) in PARTS.items()}
    for name, value in (weights or {}).items():
        if name not in PARTS:
            raise UnknownName("part of the ranking", name, PARTS)
        if not 0 <= value <= HEAVIEST:
            raise OutOfRange(name, value, 0, HEAVIEST, unit="", remedy=PARTS[name][1])
        given[name] = float(value)
    total = sum(given.values())
    if total <= 0:
        first = next(iter(PARTS))
        raise OutOfRange(
            first, 0.0, 0, HEAVIEST, unit="", remedy="one part at least must count for something"
        )
    shares = {name: value / total for name, value in given.items()}
    return Ranking(weights=MappingProxyType(shares), changed=bool(weights))
