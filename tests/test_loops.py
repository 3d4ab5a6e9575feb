"""The compiled loops against the NumPy that does the same where no compiler was found."""

from __future__ import annotations

import importlib.util
import shutil
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from fitsolver.fitting import loops
from fitsolver.fitting.placement import Placement
from fitsolver.fitting.proposal import propose
from fitsolver.fitting.requirement import Requirements, requirements
from fitsolver.fitting.sizes import stone_sizes
from fitsolver.fitting.solver import bench, check, fitted
from fitsolver.pocket.size_table import _held
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut
from fitsolver.stones.form import form
from fitsolver.stones.material import material

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "fitsolver" / "fitting"
SEATS = "claw-ring", "closed-back-oval", "old-cushion-collet", "step-rectangle", "worn-oval-collet"
CUTS = "oval-brilliant", "cushion-brilliant", "emerald", "heart-brilliant", "round-cabochon"

compiled = pytest.mark.skipif(not loops.found(), reason="no compiler was found at the install")


@pytest.fixture(scope="module")
def build() -> ModuleType:
    spec = importlib.util.spec_from_file_location("build_loops", ROOT / ".build" / "loops.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def aside(tmp_path: Path) -> Path:
    for name in loops.SOURCES:
        shutil.copy(FOLDER / name, tmp_path)
    return tmp_path


def found_in(folder: Path, monkeypatch: pytest.MonkeyPatch) -> bool:
    monkeypatch.setattr(loops, "__file__", str(folder / "loops.py"))
    return bool(loops._functions.__wrapped__())


@pytest.mark.skipif(shutil.which("cc") is None, reason="no compiler here")
def test_an_install_beside_a_compiler_has_them(build, aside, monkeypatch):
    assert build.compiled(aside, [["cc"]]) == ""
    assert found_in(aside, monkeypatch)
    assert not list(aside.glob("*.part"))
    assert loops.found()


@compiled
def test_older_ones_are_not_used(aside, monkeypatch):
    shutil.copy(FOLDER / loops.FILE, aside)
    assert found_in(aside, monkeypatch)
    with (aside / loops.SOURCES[1]).open("a") as written:
        written.write("/* changed since */\n")
    assert not found_in(aside, monkeypatch)


@pytest.mark.parametrize(
    ("compiler", "said"),
    [("no-such-compiler", "no C compiler was found"), ("false", "false failed: ")],
)
def test_an_install_without_a_compiler_leaves_none(build, aside, compiler, said):
    (aside / loops.FILE).write_bytes(b"of another day")
    assert build.compiled(aside, [[compiler]]) == said
    assert sorted(path.name for path in aside.iterdir()) == sorted(loops.SOURCES)


def apart(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """How far two tables are apart; the same infinities are not."""
    same = one == other
    return np.abs(np.where(same, 0.0, one) - np.where(same, 0.0, other))


def both(
    name: str, style: str, *, strained: bool, monkeypatch: pytest.MonkeyPatch, single: bool = True
) -> list[tuple[Placement, Requirements]]:
    """One placement of a cut at three widths and two depths in 40 draws, by either."""
    ready = bench(load_mounting(ROOT / "examples" / f"{name}.toml"), samples=40)
    length, width = ready.belief.mean[:2]
    limits = cut(style).length_ratio
    ratio = float(np.clip(length / width, limits.low, limits.high))
    widths = width * np.array([0.93, 0.98, 1.03])
    depths = np.outer([0.55, 0.65], widths)
    sizes = stone_sizes(cut(style), widths * ratio * 1.01, widths, depths, 0.01, 40)
    spots = ready.seats.rows(np.tile(np.arange(41), 3))
    if not single:
        spots = ready.best.rows(np.zeros(123, dtype=np.int64))
    answers = []
    for here in (True, False):
        with monkeypatch.context() as switch:
            switch.setattr(loops, "found", lambda here=here: here)
            placed, _ = fitted(
                form(cut(style), ratio), spots,
                stone_sizes(cut(style), widths * ratio * 1.01, widths, depths[0], 0.01, 40),
                ready.allowances, 0.0, -0.2, nominal=41, strained=strained,
            )  # fmt: skip
            needs = requirements(
                placed, sizes.crown, sizes.girdle, sizes.pavilion, ready.allowances
            )
            answers.append((placed, needs))
    return answers


@compiled
@pytest.mark.parametrize("strained", [False, True])
@pytest.mark.parametrize("style", CUTS)
@pytest.mark.parametrize("name", SEATS)
def test_a_placement_is_the_same(name, style, strained, monkeypatch):
    """Draws are in single precision, which rounds at a micrometre's thousandth: where sums are the
    same they part by less than 0.1 micrometre. A place where two facets or corners are equally near
    may be taken by the other: one in some thousands, some hundredths of a millimetre along a ledge.
    """
    (one, ours), (other, theirs) = both(name, style, strained=strained, monkeypatch=monkeypatch)
    for field in ("shift", "gap", "near", "height", "inward", "cover", "gallery_zeta"):
        a, b = getattr(one, field), getattr(other, field)
        assert (a is None) == (b is None)
        if a is not None:
            assert np.mean(apart(a, b) > 1e-4) < 0.01, field
            assert apart(a, b).max() < 2e-3, field
    if one.contact_z is not None:
        # Where stones 2.5 mm deep below the girdle would touch.
        rests = [each.contact_z + 2.5 * each.contact_zeta for each in (one, other)]
        assert np.mean(apart(*rests) > 1e-4) < 2e-3
    assert list(ours.margins) == list(theirs.margins)
    for needed in ours.margins:
        for a, b in (
            (ours.margins[needed], theirs.margins[needed]),
            (ours.altered[needed], theirs.altered[needed]),
        ):
            assert a.shape == b.shape == (2, 123)
            assert np.mean(apart(a, b) > 1e-4) < 0.03, needed
            assert apart(a, b).max() < 3e-3, needed


@compiled
@pytest.mark.parametrize("name", SEATS)
def test_a_placement_in_double_precision_is_the_same(name, monkeypatch):
    (one, ours), (other, theirs) = both(
        name, "oval-brilliant", strained=False, single=False, monkeypatch=monkeypatch
    )
    assert one.gap.dtype == np.float64
    assert apart(one.shift, other.shift).max() < 1e-9
    assert apart(one.gap, other.gap).max() < 1e-9
    for needed in ours.margins:
        assert apart(ours.margins[needed], theirs.margins[needed]).max() < 1e-6, needed


@compiled
def test_as_many_draws_hold(monkeypatch):
    random = np.random.default_rng(8653)
    margins = random.normal(0.2, 0.2, (5, 4, 3, 97)).astype("f4")
    after, part = np.array([1, 1, 2, 3, 3]), np.array([0.0, 0.4, 0.5, 0.1, 1.0])
    ours = _held(margins, after, part)
    monkeypatch.setattr(loops, "found", lambda: False)
    assert (ours == _held(margins, after, part)).all()


@compiled
@pytest.mark.parametrize("name", ["claw-ring", "step-rectangle"])
def test_the_answers_are_the_same(name, monkeypatch):
    """Sizes asked for are looked for step by step: one draw may send them another way."""
    ready = bench(load_mounting(ROOT / "examples" / f"{name}.toml"))
    ours = propose(ready, material("corundum")).proposals
    stone = ours[0].ask.stone
    size = stone.length_mm, stone.width_mm, stone.depth_mm
    one = check(ready, ours[0].style, *size)
    monkeypatch.setattr(loops, "found", lambda: False)
    theirs = propose(ready, material("corundum")).proposals
    other = check(ready, ours[0].style, *size)
    assert [item.style.name for item in ours] == [item.style.name for item in theirs]
    for a, b in zip(ours, theirs, strict=True):
        assert a.verdict == b.verdict
        assert a.ask.stone.width_mm == pytest.approx(b.ask.stone.width_mm, abs=0.05)
    assert one.probability == pytest.approx(other.probability, abs=0.005)
    assert one.rest_height_mm == pytest.approx(other.rest_height_mm, abs=1e-6)
