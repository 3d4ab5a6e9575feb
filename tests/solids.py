"""Plain solids made of the project's own records: stones whose closed forms everybody knows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from msgspec.structs import replace

from fitsolver.stones.cut import CutStyle, Dome, Part, Proportion, Ring, Row, cut
from fitsolver.stones.form import form
from fitsolver.stones.stone import Stone

RINGS = {
    "girdle": Ring(part="crown", scale="girdle", height=0.0),
    "table": Ring(part="crown", scale="table", height=1.0),
    "culet": Ring(part="pavilion", scale="culet", height=1.0),
}


def row(part: Part, directions_deg: tuple[float, ...] | None = None, **changes: Any) -> Row:
    """A row from the girdle to the table or culet, one facet to every side unless told."""
    inner = "table" if part == "crown" else "culet"
    plain = Row(
        part=part,
        name="mains",
        directions_deg=directions_deg,
        outer="girdle",
        inner=inner,
        outer_reach_deg=0.0,
        inner_reach_deg=0.0,
    )
    return replace(plain, **changes)


def style(
    family: str,
    *,
    rows: Sequence[Row] = (),
    domes: Sequence[Dome] = (),
    rings: Literal["scaled", "inset", "even"] = "scaled",
    **proportions: float,
) -> CutStyle:
    """A cut style of nothing but an outline, rows of facets and domes."""
    heights = {"crown_height_pct": 30.0, "girdle_pct": 3.0, "pavilion_depth_pct": 40.0}
    return replace(
        cut("round-brilliant"),
        name="solid",
        family=family,
        ring_kind={"crown": rings, "pavilion": rings},
        proportions={
            name: Proportion(typical=value, spread=0.0, low=value, high=value, source="invented")
            for name, value in {**heights, **proportions}.items()
        },
        rings=RINGS,
        rows=tuple(rows),
        domes=tuple(domes),
    )


def stone(
    of: CutStyle,
    length_ratio: float = 1.0,
    *,
    width_mm: float = 6.0,
    crown_mm: float = 0.0,
    girdle_mm: float = 0.0,
    pavilion_mm: float = 0.0,
    **proportions: float,
) -> Stone:
    """A stone of that style; parts not named have no height."""
    return Stone(
        form=form(of, length_ratio, proportions),
        width_mm=width_mm,
        crown_height_mm=crown_mm,
        girdle_mm=girdle_mm,
        pavilion_depth_mm=pavilion_mm,
    )


def cabochon(family: str, *parts: Part, exponent: float = 2.0, tiers: int = 24) -> CutStyle:
    """A style domed on the given parts, flat on the others."""
    domes = [Dome(part=part, tiers=tiers, exponent=exponent) for part in parts]
    return style(family, domes=domes)


def pyramid(family: str, *, rings: Literal["scaled", "inset", "even"] = "scaled") -> CutStyle:
    """A style with a pavilion of one facet to every side, running to a point or a keel."""
    return style(family, rows=[row("pavilion")], rings=rings)


EIGHT = tuple(45.0 * k for k in range(8))
SIXTEEN = tuple(11.25 + 22.5 * k for k in range(16))


def two_rows(family: str, **proportions: float) -> CutStyle:
    """A simple brilliant: eight mains and sixteen halves above and below, without stars."""
    return style(
        family,
        rows=[
            row(part, directions, outer_reach_deg=reach, inner_reach_deg=reach)
            for part in ("crown", "pavilion")
            for directions, reach in ((EIGHT, 0.0), (SIXTEEN, 11.25))
        ],
        table_pct=proportions.get("table_pct", 55.0),
        culet_pct=proportions.get("culet_pct", 0.0),
    )
