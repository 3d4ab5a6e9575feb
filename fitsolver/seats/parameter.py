"""The unknowns of a seat as typed columns: which quantity, which claw, which wave of it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray


class Parameter(NamedTuple):
    """One unknown of a seat.

    `key` is that of a reading (`ledge_width_mm`) or a field round the seat (`opening`); `claw` the
    number of the one claw it is of; `wave` how many times round the field's wave goes, 0 if it is
    none, and `sine` which of its two parts it is.
    """

    key: str
    claw: int | None = None
    wave: int = 0
    sine: bool = False

    def __str__(self) -> str:
        """Write it for people; nothing reads it back."""
        if self.wave:
            return f"{self.key}_{'sin' if self.sine else 'cos'}_{self.wave}"
        if self.claw is not None:
            return f"{self.key}_{self.claw}" if self.key == FACE else f"{self.key}[{self.claw}]"
        return self.key


FACE = "claw_face"
"""How far a claw's face stands off the figure [mm]."""


class Waves(Struct, frozen=True, kw_only=True):
    """The waves of one field: their columns (w,), how often each goes round, which are sines."""

    columns: NDArray[np.int64]
    number: NDArray[np.float64]
    is_sine: NDArray[np.bool_]

    def at(self, directions: NDArray[np.float64]) -> NDArray[np.float64]:
        """Every wave of height 1 along directions (n,) [rad], (n, w)."""
        turns = directions[:, None] * self.number
        found: NDArray[np.float64] = np.where(self.is_sine, np.sin(turns), np.cos(turns))
        return found

    def rise(self, directions: NDArray[np.float64]) -> NDArray[np.float64]:
        """How each rises with the direction, (n, w) [1/rad]."""
        turns = directions[:, None] * self.number
        way = np.where(self.is_sine, np.cos(turns), -np.sin(turns))
        found: NDArray[np.float64] = self.number * way
        return found


class Columns(Struct, frozen=True, dict=True):
    """Where each parameter stands in the vectors; `[key]` is the column of a plain one."""

    parameters: tuple[Parameter, ...]

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.parameters)

    def __contains__(self, key: str) -> bool:
        """Return whether the seat has a plain parameter of this key."""
        return Parameter(key) in self._places

    def __getitem__(self, key: str) -> int:
        """Return the column of a plain parameter."""
        return self._places[Parameter(key)]

    @cached_property
    def _places(self) -> dict[Parameter, int]:
        return {parameter: i for i, parameter in enumerate(self.parameters)}

    def of_claw(self, key: str, claw: int) -> int:
        """Column of a quantity on one claw: its own, or the common one."""
        own = self._places.get(Parameter(key, claw))
        return self[key] if own is None else own

    def claws(self, key: str) -> list[int]:
        """Columns of a quantity's own values, claw by claw; empty if it has none."""
        own = [(one.claw, i) for one, i in self._places.items()
               if one.key == key and one.claw is not None]  # fmt: skip
        return [i for _, i in sorted(own)]

    def waves(self, field: str) -> Waves:
        """The waves of a field, empty where it has none."""
        found = [(i, one) for one, i in self._places.items() if one.key == field and one.wave]
        return Waves(
            columns=np.array([i for i, _ in found], dtype=np.int64),
            number=np.array([one.wave for _, one in found], dtype=np.float64),
            is_sine=np.array([one.sine for _, one in found], dtype=np.bool_),
        )

    def all_of(self, keys: Sequence[str]) -> list[int]:
        """Columns of plain parameters, those that the seat has."""
        return [self[key] for key in keys if key in self]
