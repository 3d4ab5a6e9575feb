"""Cut styles: what the trade means by a name, read from `profiles/cuts/`.

A style states its outline, its facet rows and its usual proportions with their spread. All
proportions are per cent of the stone's width. A row of facets is cut between two rings; a ring is
a copy of the outline at some height: scaled (brilliants: every facet runs to one culet), inset
(steps: shrunk to a keel half a width from each end, so that sides and ends keep one angle) or even
(steps on other straight-sided outlines: every side moves in alike, as on a hipped roof).
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, Literal

from msgspec import Struct
from msgspec.structs import replace

from fitsolver.errors import UnknownName
from fitsolver.files.datafile import data_folder, load

Part = Literal["crown", "pavilion"]


class Proportion(Struct, frozen=True, kw_only=True):
    """One proportion of a style: usual value, spread (one standard deviation) and limits.

    `low` and `high` bound what still goes by the style's name; `source` says where from.
    """

    typical: float
    spread: float
    low: float
    high: float
    source: str


class Ring(Struct, frozen=True, kw_only=True):
    """A copy of the outline at a height, from 0 at the girdle to 1 at the table or culet.

    `scale` is a number (1 = girdle) or the proportion that gives it: "girdle", "table", "culet",
    "star", "lower_half", or "curve" (the part's own profile line, bulge included, at `height`).
    `height` is a number, or "mains": where the main facets have that scale between two mains.
    """

    part: Part
    scale: float | str
    height: float | str


class Row(Struct, frozen=True, kw_only=True):
    """A row of facets between an outer ring (girdle side) and an inner ring.

    `directions_deg` are those of the unit figure (the outline squeezed to equal length and width;
    a heart's half at y >= 0), or None: one facet to every straight side. `outer_reach_deg` and
    `inner_reach_deg` say that the plane meets its ring at points that far to either side instead
    of touching it (half a row's step for facets between the mains): the ring then counts as scaled
    by the cosine.
    """

    part: Part
    name: str
    directions_deg: tuple[float, ...] | None
    outer: str
    inner: str
    outer_reach_deg: float
    inner_reach_deg: float


class Dome(Struct, frozen=True, kw_only=True):
    """A cabochon's domed part: `tiers` rings on an ellipse-like curve u = (1 - s^e)^(1/e)."""

    part: Part
    tiers: int
    exponent: float


class Handbook(Struct, frozen=True, kw_only=True):
    """A handbook weight formula: ct = form x depth x density x k."""

    k: float
    form: Literal["length x width", "mean diameter squared"]
    source: str


class CutStyle(Struct, frozen=True, kw_only=True, eq=False):
    """A cut style as the trade names it, with the proportions of one make.

    `strung` styles (beads, briolettes) hang by a drilled hole and are not set: they have a widest
    place instead of a girdle. A style equals only itself, so that forms can be kept by style.
    `share` says how much it counts among those offered for one stone before anything is measured,
    `fuller_when_large` by what part its volume grows with each doubling of the width.
    """

    name: str
    title: str
    period_from: int
    period_to: int | None
    period_source: str
    family: str
    ring_kind: Mapping[str, Literal["scaled", "inset", "even"]]
    length_ratio: Proportion
    proportions: Mapping[str, Proportion]
    make: str
    makes: Mapping[str, Mapping[str, Proportion]]
    measuring: Mapping[str, str]
    rings: Mapping[str, Ring]
    rows: tuple[Row, ...]
    domes: tuple[Dome, ...]
    facet_count: int
    strung: bool
    handbook: Mapping[str, Handbook]
    notes: str
    share: float = 1.0
    fuller_when_large: float = 0.0

    def __repr__(self) -> str:
        """Name the style and its make: all the rest is in its file."""
        return f"<cut style {self.name}, {self.make}>"

    def in_make(self, make: str) -> CutStyle:
        """Return the style with the proportions of another make ("well-cut", "commercial", ...).

        Raises `UnknownName` if the style has no such make.
        """
        if make not in self.makes:
            raise UnknownName(f"make of {self.name}", make, self.makes)
        return _in_make(self, make)

    def offered(self, make: str, share: float, fuller_when_large: float) -> CutStyle:
        """Return the style in a make, as one of several that a stone may be."""
        return _offered(self.in_make(make), share, fuller_when_large)

    def typical(self) -> dict[str, float]:
        """Return the usual value of every proportion, in per cent or degrees."""
        return {name: item.typical for name, item in self.proportions.items()}


@cache
def _in_make(style: CutStyle, make: str) -> CutStyle:
    return replace(style, make=make, proportions=style.makes[make])


@cache
def _offered(style: CutStyle, share: float, fuller_when_large: float) -> CutStyle:
    return replace(style, share=share, fuller_when_large=fuller_when_large)


@cache
def names() -> tuple[str, ...]:
    """Return the names of all styles in the library, in alphabetical order."""
    return tuple(sorted(path.stem for path in (data_folder() / "cuts").glob("*.toml")))


@cache
def cut(name: str) -> CutStyle:
    """Return the style called `name`, in any case: `round-brilliant`, "Round brilliant".

    What stands in front of the brackets of its title, or within them, will do as well: "Emerald
    cut", "navette".

    Raises `UnknownName` with suggestions, `InputFaults` if its file is faulty.
    """
    known, written = names(), name
    name = _joined(name)
    if name not in known:
        name = _by_title().get(name, "")
    if not name:
        raise UnknownName("cut style", written, known, _like(_joined(written), known))
    if name != written:
        return cut(name)
    from fitsolver.stones.profile_file import ProfileFile

    return _style(load(data_folder() / "cuts" / f"{name}.toml", ProfileFile))


def _joined(text: str) -> str:
    """Join the words of a name by hyphens, in small letters."""
    return "-".join(re.findall(r"\w+", text.lower().replace("_", " ")))


@cache
def _by_title() -> Mapping[str, str]:
    """Names of the styles by what else they are called; what two styles are called is left out."""
    found: dict[str, set[str]] = {}
    for style in cuts():
        before, _, within = style.title.partition("(")
        for title in (style.title, before, within):
            if called := _joined(title):
                found.setdefault(called, set()).add(style.name)
                found.setdefault(called.removesuffix("-cut"), set()).add(style.name)
    return {called: next(iter(meant)) for called, meant in found.items() if len(meant) == 1}


def _like(name: str, known: Sequence[str]) -> tuple[str, ...]:
    """Names that share most words with one, brilliants first; empty if it is but misspelt."""
    if difflib.get_close_matches(name, known, n=1, cutoff=0.85):
        return ()
    asked = set(name.split("-"))
    shared = {each: len(asked & set(each.split("-"))) for each in known}
    most = max(shared.values())
    alike = [each for each in known if most and shared[each] == most]
    return tuple(sorted(alike, key=lambda each: ("brilliant" not in each, each))[:4])


def cuts() -> tuple[CutStyle, ...]:
    """Return every style in the library."""
    return tuple(cut(name) for name in names())


def _style(file: Any) -> CutStyle:
    base = {name: _proportion(item) for name, item in file.proportions.items()}
    makes = {file.make: base}
    for make, changes in file.makes.items():
        makes[make] = {**base, **{name: _proportion(item) for name, item in changes.items()}}
    rings = {
        "girdle": Ring(part="crown", scale="girdle", height=0.0),
        "table": Ring(part="crown", scale="table", height=1.0),
        "culet": Ring(part="pavilion", scale="culet", height=1.0),
        **{
            name: Ring(part=item.part, scale=item.scale, height=item.height)
            for name, item in file.rings.items()
        },
    }
    rows = tuple(
        Row(
            part=item.part,
            name=item.name,
            directions_deg=item.directions(),
            outer=item.outer,
            inner=item.inner,
            outer_reach_deg=item.outer_reach_deg,
            inner_reach_deg=item.inner_reach_deg,
        )
        for item in file.facets
    )
    return CutStyle(
        name=file.name,
        title=file.title,
        period_from=file.period.begin,
        period_to=file.period.end,
        period_source=file.period.source,
        family=file.outline.family,
        ring_kind={"crown": file.outline.crown_rings, "pavilion": file.outline.pavilion_rings},
        length_ratio=_proportion(file.outline.length_ratio),
        proportions=base,
        make=file.make,
        makes=makes,
        measuring=dict(file.measuring),
        rings=rings,
        rows=rows,
        domes=tuple(
            Dome(part=item.part, tiers=item.tiers, exponent=item.exponent) for item in file.domes
        ),
        facet_count=file.facet_count,
        strung=file.strung,
        handbook={
            make: Handbook(k=item.k, form=item.form, source=item.source)
            for make, item in file.handbook.items()
        },
        notes=file.notes,
    )


def _proportion(item: Any) -> Proportion:
    return Proportion(
        typical=item.typical, spread=item.spread, low=item.low, high=item.high, source=item.source
    )
