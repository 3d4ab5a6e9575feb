"""Recuts of stones as read: drawn as heavy as estimated, and judged where they are to go."""

from __future__ import annotations

from pathlib import Path

import pytest

import fitsolver
from fitsolver.fitting.bench import bench
from fitsolver.fitting.solver import check
from fitsolver.recutting.recut import NoRecut, Recut
from fitsolver.recutting.reseat import as_read, recut_into, recut_of
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut, names
from fitsolver.stones.material import material
from fitsolver.units import carats_from

EXAMPLES = Path(fitsolver.__file__).parents[1] / "examples"


@pytest.mark.parametrize("name", [name for name in names() if not cut(name).strung])
def test_a_stone_is_drawn_as_heavy_as_it_is_estimated(name: str) -> None:
    style, stuff = cut(name), material("spinel")
    width = 6.0
    length = width * style.length_ratio.typical
    given = as_read(style, stuff, length_mm=length, width_mm=width, depth_mm=3.9)
    drawn = carats_from(given.stone.volume_mm3, stuff.density_g_cm3)
    # The estimate is the mean of up to three makes, the drawing one stone of mean proportions:
    # they differ by how far weight bends over the spread of the proportions, and makes lie some
    # per cent apart (domes with flat and with rounded backs most).
    assert drawn == pytest.approx(given.weight_ct.value, rel=0.02)
    # Sizes are what the readings say together, a hair off each.
    assert given.stone.depth_mm == pytest.approx(3.9, abs=0.02)
    assert given.stone.width_mm == pytest.approx(width, abs=0.02)


def test_a_stone_recut_into_a_mounting_has_sizes_that_seat() -> None:
    stuff, style = material("ruby"), cut("oval-brilliant")
    ready = bench(load_mounting(EXAMPLES / "claw-ring.toml"))
    given = as_read(cut("old-mine"), stuff, length_mm=8.2, width_mm=7.6, depth_mm=5.2)
    made = recut_into(given, style, ready)
    assert isinstance(made.found, Recut)
    assert made.box is not None
    after = made.found.after
    for size, side in zip((after.length_mm, after.width_mm, after.depth_mm), made.box, strict=True):
        # Sizes are found to 1e-6 of the width.
        assert side.low - 1e-4 <= size <= side.high + 1e-4
    # The same verdict as a stone of these sizes gets from a check; heights within 0.01 mm.
    alone = check(ready, style, after.length_mm, after.width_mm, after.depth_mm,
                  heights_mm={"girdle_mm": after.girdle_mm,
                              "crown_height_mm": after.crown_height_mm})  # fmt: skip
    assert made.verdict == alone.verdict == "seats"
    # No more can be left than without the mounting's limits.
    free = recut_of(given, style, free_heights=True, length_ratio=after.length_mm / after.width_mm)
    assert isinstance(free.found, Recut)
    assert free.found.loss_pct <= made.found.loss_pct + 0.01


def test_too_small_a_stone_says_by_how_much() -> None:
    ready = bench(load_mounting(EXAMPLES / "claw-ring.toml"))
    style, stuff = cut("oval-brilliant"), material("ruby")
    found = []
    for scale in (1.0, 1.1):
        given = as_read(style, stuff, length_mm=5 * scale, width_mm=4 * scale, depth_mm=2.6 * scale)
        made = recut_into(given, style, ready)
        assert isinstance(made.found, NoRecut)
        assert made.verdict == "does not seat"
        found.append(made.found.short_by_mm)
    assert found[0] > found[1] > 0
