"""The volumes kept in `profiles/volumes/` are those that the styles have."""

from __future__ import annotations

import json

import pytest

from fitsolver.files.datafile import data_folder
from fitsolver.stones.cut import CutStyle, cut, names
from fitsolver.weighing.coefficient import fingerprint, reckoned, record_of, terms_of


def assert_kept(style: CutStyle) -> None:
    path = data_folder() / "volumes" / f"{style.name}.json"
    kept = json.loads(path.read_text(encoding="utf-8"))[style.make]
    made = record_of(style)
    assert kept["of"] == made["of"], "run tests/keep_volumes.py"
    for name in ("area", "crown", "pavilion"):
        # Linear algebra differs by machine in the last digits only.
        assert kept[name]["centre"] == pytest.approx(made[name]["centre"], rel=1e-9)
        assert [curve["name"] for curve in kept[name]["curves"]] == [
            curve["name"] for curve in made[name]["curves"]
        ]
        for old, new in zip(kept[name]["curves"], made[name]["curves"], strict=True):
            for part in ("centre", "slope", "bend"):
                assert old[part] == pytest.approx(new[part], rel=1e-6, abs=1e-10)
        for old, new in zip(kept[name]["pairs"], made[name]["pairs"], strict=True):
            assert old["twist"] == pytest.approx(new["twist"], rel=1e-6, abs=1e-10)


@pytest.mark.parametrize("name", names())
def test_of_each_style_in_its_own_make(name: str) -> None:
    assert_kept(cut(name))


@pytest.mark.slow
@pytest.mark.parametrize("name", names())
def test_of_each_style_in_every_make(name: str) -> None:
    for make in cut(name).makes:
        assert_kept(cut(name).in_make(make))


def test_every_make_is_kept_of_its_present_profile() -> None:
    for name in names():
        kept = json.loads((data_folder() / "volumes" / f"{name}.json").read_text(encoding="utf-8"))
        makes = cut(name).makes
        assert set(kept) == set(makes)
        for make in makes:
            assert kept[make]["of"] == fingerprint(cut(name).in_make(make))


def test_what_is_kept_answers_as_what_is_reckoned() -> None:
    style = cut("pear-brilliant")
    shape = {"length_ratio": 1.5, "table_pct": 55.0, "pavilion_bulge_pct": 5.0}
    kept = terms_of(style).volume(shape, 0.15, 0.04, 0.45)
    assert kept == pytest.approx(reckoned(style).volume(shape, 0.15, 0.04, 0.45), rel=1e-9)
