"""Long answers as functions of plain arguments, so that another process can work them out.

In a process without other threads their parts are done by a crew; the answer is the same.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from fitsolver.fitting.bench import Bench
    from fitsolver.market.candidate import Candidate
    from fitsolver.market.comparison import Comparison
    from fitsolver.market.spec import Spec

Progress = Callable[[int, int], None]


# What answers would load while they are worked out, each process of a crew for itself.
ASKED_FOR = ("numpy.random", "shapely", "fitsolver.market.comparison", "fitsolver.market.spec")


def prepare() -> None:
    """Load what every answer needs, and keep memory at hand."""
    from fitsolver.crew import keep_memory
    from fitsolver.stones.cut import cuts
    from fitsolver.stones.material import materials

    keep_memory()
    for name in ASKED_FOR:
        import_module(name)
    cuts()
    materials()


class Readings(Struct, frozen=True, kw_only=True):
    """What a mounting's file says: its text, its name, and the folder that it lies in."""

    text: str
    name: str
    folder: Path


def bench_of(readings: Readings) -> Bench:
    """Make a mounting ready."""
    from fitsolver.files.datafile import parse_toml
    from fitsolver.fitting.bench import bench
    from fitsolver.seats.mounting import mounting_from

    document = parse_toml(readings.text, name=readings.name)
    return bench(mounting_from(document, folder=readings.folder))


@lru_cache(maxsize=6)
def kept_bench(readings: Readings) -> Bench:
    """Keep it while its file is the same: what seats is mostly followed by stones and the card."""
    return bench_of(readings)


def spec_of(
    readings: Readings, material_name: str, date: datetime.date, *, progress: Progress
) -> Spec:
    """Work the size spec of a mounting out."""
    from fitsolver.crew import together
    from fitsolver.market.spec import spec
    from fitsolver.stones.material import material

    return spec(
        kept_bench(readings), material(material_name), date=date, progress=progress, crew=together
    )


def comparison_of(
    readings: Readings, candidates: Sequence[Candidate], *, progress: Progress
) -> Comparison:
    """Judge the stones found for a mounting side by side."""
    from fitsolver.market.comparison import ceiling_of, compare

    bench = kept_bench(readings)
    return compare(bench, candidates, ceiling=ceiling_of(bench), progress=progress)


def card_of(readings: Readings, spec: Spec, *, progress: Progress) -> str:
    """Make the card for the dealer's table; how far it is cannot be told."""
    from fitsolver.crew import together
    from fitsolver.pocket.card import card_html

    return card_html(spec, kept_bench(readings), spec.material, crew=together)
