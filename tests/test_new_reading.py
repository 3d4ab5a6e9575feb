"""To add a reading takes three places: its row in the table, its attribute, where it acts."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parents[1]
# A bevel on the rim, which takes metal off the top of a wall: file, what stands there, what is put
# before it.
RECIPE = (
    (
        "readings/mounting_key.py",
        '        "gallery_length_mm": Key(',
        """        "rim_bevel_mm": Key(
            usual=Usual(value=0.05, u=0.02, source="invented for a test", column=20),
            low=0.02,
            high=1,
            holds="wall",
            state="cut",
            drawn_as="wall_height_mm",
            remedy="measure how far the bevel comes down from the rim, in mm",
        ),
""",
    ),
    (
        "seats/mounting.py",
        "    gallery_length_mm: Reading | None = None",
        "    rim_bevel_mm: Reading | None = None\n",
    ),
    (
        "seats/seat.py",
        "        ledge_angle = np.deg2rad(np.clip(",
        """        if not claws:
            top = top - column("rim_bevel_mm", 0.0)[:, None]
""",
    ),
)
SEAT = """
name = "bevelled"
[seat]
holds = "wall"
state = "cut"
back = "open"
opening_family = "round"
opening_level = "girdle"
opening_length_mm = 6.5
ledge_width_mm = 0.4
wall_height_mm = 0.9
depth_below_ledge_mm = 4.0
"""


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The package with the recipe applied."""
    found = tmp_path_factory.mktemp("house")
    ignored = shutil.ignore_patterns("__pycache__")
    for folder in ("fitsolver", "profiles"):
        shutil.copytree(HERE / folder, found / folder, ignore=ignored)
    for name, before, new in RECIPE:
        path = found / "fitsolver" / name
        text = path.read_text()
        assert text.count(before) == 1, name
        path.write_text(text.replace(before, new + before))
    return found


def answer(house: Path, *lines: str) -> subprocess.CompletedProcess[str]:
    (house / "m.toml").write_text(SEAT + "\n".join(lines))
    words = ("--cut", "round-brilliant", "--length", "6.4", "--width", "6.4", "--depth", "3.85")
    return subprocess.run(
        [sys.executable, "-m", "fitsolver", "check", "m.toml", *words, "--json"], cwd=house,
        env={**os.environ, "PYTHONPATH": str(house)}, capture_output=True, text=True, check=False,
    )  # fmt: skip


def metal_above(answered: subprocess.CompletedProcess[str]) -> float:
    needs = json.loads(answered.stdout)["requirements"]
    (found,) = (each for each in needs if each["name"] == "metal above girdle")
    return float(found["best_estimate_mm"])


def test_a_new_reading_is_read_believed_and_drawn_on(house):
    usual, plain, deep = (
        answer(house, *lines) for lines in ((), ["rim_bevel_mm = 0.1"], ["rim_bevel_mm = 0.3"])
    )
    assumed = {item["name"]: item for item in json.loads(usual.stdout)["assumed"]}
    assert (assumed["rim_bevel_mm"]["value"], assumed["rim_bevel_mm"]["u"]) == (0.05, 0.02)
    assert assumed["rim_bevel_mm"]["source"] == "invented for a test"
    assert metal_above(plain) - metal_above(deep) == pytest.approx(0.2, abs=0.002)


def test_its_faults_come_from_its_row(house):
    far = answer(house, "rim_bevel_mm = 1.4")
    assert far.returncode == 2
    assert "must be 0.02 to 1 mm" in far.stdout
    assert "how far the bevel comes down" in far.stdout


def test_the_form_asks_for_it_in_words_with_a_drawing(house):
    code = (
        "from fitsolver.page.seat_form import further, data_of;"
        "from fitsolver.page.seat_views import label_of;"
        "from fitsolver.page.pictogram import pictogram;"
        "from fitsolver.page.site import HERE, Words;"
        "from fitsolver.files.datafile import load_toml;"
        "kind = dict(holds='wall', state='cut', opening_family='round');"
        "assert 'rim_bevel_mm' in further(kind);"
        "assert data_of({**kind, 'rim_bevel_mm': '0,2'}, {})['seat']['rim_bevel_mm'] == 0.2;"
        "print(pictogram('rim_bevel_mm', 'wall', 'cut', 'open', 'round')[:4],"
        "label_of('rim_bevel_mm', Words(load_toml(HERE / 'words.toml').data)))"
    )
    found = subprocess.run(
        [sys.executable, "-c", code], cwd=house, env={**os.environ, "PYTHONPATH": str(house)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (found.stdout, found.stderr) == ("<svg Rim bevel\n", "")
