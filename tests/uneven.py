"""Spellings of uneven seats for tests: readings by direction and single claws, never off."""

from __future__ import annotations

from collections.abc import Callable, Iterable

EIGHTHS = tuple(range(0, 360, 45))


def by_direction(
    value: float | Callable[[float], float], at_deg: Iterable[float] = EIGHTHS, tool: str = "exact"
) -> str:
    """List one length, or a function of the direction, at directions."""
    shown = value if callable(value) else lambda _: value
    return "[" + ", ".join(
        f"{{ at_deg = {at}, read = {shown(at):.6f}, with = '{tool}' }}" for at in at_deg
    ) + "]"  # fmt: skip


def leans(value: float | Callable[[float], float], at_deg: Iterable[float] = EIGHTHS) -> str:
    """List one lean, or a function of the direction, at directions."""
    shown = value if callable(value) else lambda _: value
    return (
        "[" + ", ".join(f"{{ at_deg = {at}, lean_deg = {shown(at):.6f} }}" for at in at_deg) + "]"
    )


def claws(*each: dict[str, object]) -> str:
    """List claws; their lengths are read by an instrument that is never off."""

    def written(name: str, value: object) -> str:
        if isinstance(value, bool):
            return f"{name} = {str(value).lower()}"
        exact = f"{{ read = {value}, with = 'exact' }}"
        return f"{name} = {exact if name.endswith('_mm') else value}"

    tables = (", ".join(written(*item) for item in one.items()) for one in each)
    return "[" + ", ".join(f"{{ {table} }}" for table in tables) + "]"
