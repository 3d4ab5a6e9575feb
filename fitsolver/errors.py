"""The one family of errors: what was wrong, where, what is allowed, and what to do."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from msgspec import Struct

MOST_TOLD = 50
"""Faults of one input that are told; of more, how many."""


class FitsolverError(Exception):
    """Anything the user can put right; a face shows its text and exits with 2."""


class Fault(Struct, frozen=True, kw_only=True):
    """One thing wrong with a file or an option: place, value, rule and remedy."""

    file: str
    line: int | None
    key: str
    value: object
    rule: str
    remedy: str

    def __str__(self) -> str:
        """Write the fault as one line, the place first."""
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        what = self.key if self.value is None else f"{self.key} = {_short(self.value)}"
        return f"{place}  {what}: {self.rule}. {self.remedy}."


class InputFaults(FitsolverError):
    """Every fault of an input, reported at once."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        count = len(self.faults)
        head = "1 fault" if count == 1 else f"{count} faults"
        told = [f"  {fault}" for fault in self.faults[:MOST_TOLD]]
        if count > MOST_TOLD:
            told.append(f"  and {count - MOST_TOLD:,} more; correct these first")
        super().__init__("\n".join([head, *told]))


class UnknownName(FitsolverError):
    """A name that is not in a list, with the nearest ones that are."""

    def __init__(
        self, kind: str, name: str, known: Iterable[str], near: Iterable[str] = ()
    ) -> None:
        self.kind = kind
        self.name = name
        self.known = tuple(known)
        spelt = difflib.get_close_matches(name.lower(), self.known, n=3)
        self.suggestions = tuple(near) or tuple(spelt)
        hint = (
            f"did you mean {' or '.join(self.suggestions)}?"
            if self.suggestions
            else f"known: {', '.join(self.known)}"
        )
        super().__init__(f"no {kind} is called {name!r}; {hint}")


class OutOfRange(FitsolverError):
    """A number outside the range in which the answer would mean something."""

    def __init__(
        self,
        name: str,
        value: float,
        low: float,
        high: float,
        *,
        unit: str = "mm",
        remedy: str = "",
    ) -> None:
        self.name = name
        self.value = value
        self.low = low
        self.high = high
        self.unit = unit
        self.remedy = remedy
        tail = f"; {remedy}" if remedy else ""
        super().__init__(f"{name} = {value:g}: must be {low:g} to {high:g} {unit}{tail}")


def explain(error: FitsolverError) -> tuple[str, object, str, str]:
    """Return what an error is about, the value, the rule it breaks and the remedy.

    >>> explain(OutOfRange("width_mm", -6.0, 0.05, 150.0, remedy="measure again"))
    ('width_mm', -6.0, 'must be 0.05 to 150 mm', 'Measure again')
    """
    if isinstance(error, UnknownName):
        remedy = (
            f"Perhaps {' or '.join(error.suggestions)} is meant"
            if error.suggestions
            else f"Known are {', '.join(error.known)}"
        )
        return error.kind, error.name, f"is not the name of a {error.kind}", remedy
    if isinstance(error, OutOfRange):
        rule = f"must be {error.low:g} to {error.high:g} {error.unit}".rstrip()
        remedy = (error.remedy[:1].upper() + error.remedy[1:]) or "Correct the value"
        return error.name, float(f"{error.value:.6g}"), rule, remedy
    return "", None, str(error), "Correct it and try again"


def _short(value: object) -> str:
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."
