"""The README is run: its commands print what it shows, its example file reads."""

from __future__ import annotations

import os
import re
import shlex
import shutil
from pathlib import Path
from typing import Any

import pytest

import fitsolver
from fitsolver import cli
from fitsolver.errors import InputFaults
from fitsolver.files.datafile import parse_toml
from fitsolver.market.candidate import OTHERS
from fitsolver.seats.mounting import mounting_from
from fitsolver.weighing.stone_table import ALIASES, WORDS

ROOT = Path(fitsolver.__file__).parents[1]
README = ROOT / "README.md"
REWRITE = "REWRITE_TRANSCRIPTS"
BLOCK = re.compile(r"```console\n\$ fitsolver (.*?)\n(.*?)```", re.DOTALL)


def test_its_commands_print_what_it_shows(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    shown = README.read_text(encoding="utf-8")

    def run(block: re.Match[str]) -> str:
        cli.main(shlex.split(block[1]))
        return f"```console\n$ fitsolver {block[1]}\n{capsys.readouterr().out.rstrip()}\n```"

    told = BLOCK.sub(run, shown)
    if os.environ.get(REWRITE):
        README.write_text(told, encoding="utf-8")
    assert len(BLOCK.findall(shown)) == 3
    assert told == shown


def test_its_mounting_files_read() -> None:
    blocks = re.findall(r"```toml\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    claws, wall = (mounting_from(parse_toml(block, name="README.md")) for block in blocks)
    assert claws.opening_width_mm is not None
    assert claws.opening_width_mm.value_mm == pytest.approx(7.05, abs=0.02)
    assert (claws.holds, wall.holds, wall.back) == ("claws", "wall", "closed")


@pytest.mark.parametrize("holds", ["wall", "claws"])
@pytest.mark.parametrize("state", ["cut", "uncut"])
def test_its_table_has_every_obligatory_key(holds: str, state: str) -> None:
    """What the reader misses in an empty seat stands in the table of obligatory keys."""
    text = README.read_text(encoding="utf-8")
    table = text.partition("These keys are obligatory")[2].partition("A cut claw seat")[0]
    seat = f'name = "x"\n[seat]\nholds = "{holds}"\nstate = "{state}"\n'
    with pytest.raises(InputFaults) as caught:
        mounting_from(parse_toml(seat, name="x"))
    missing = [fault.key.removeprefix("seat.") for fault in caught.value.faults]
    assert missing
    assert [key for key in missing if f"`{key}`" not in table and f", `{key}`" not in table] == []


def test_its_python_runs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (block,) = re.findall(r"```python\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    monkeypatch.chdir(tmp_path)
    found: dict[str, Any] = {}
    exec(block, found)
    assert found["mounting"].name == "Its sister (invented)"
    assert found["mounting"].claw_thickness_mm.value_mm == pytest.approx(1.05)


def test_its_table_of_columns_is_whole() -> None:
    text = README.read_text(encoding="utf-8")
    table = text.partition("### The table of the stones you found")[2].partition("\n## ")[0]
    assert [name for name in (*WORDS, *OTHERS, *ALIASES) if f"`{name}`" not in table] == []


def test_its_first_command_names_what_is_there() -> None:
    (first, second) = re.findall(r"```sh\n(.*?)\n```", README.read_text(encoding="utf-8"))
    assert "pip install" in first
    assert (ROOT / "examples" / "old-cushion-collet.toml").exists()
    assert second == "bash tests/run"
    assert (ROOT / "examples" / "old-cushion-collet.png").exists()
