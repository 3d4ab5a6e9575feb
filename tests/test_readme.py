"""The README is run: its commands print what it shows, its example file reads."""

from __future__ import annotations

import os
import re
import shlex
from pathlib import Path

import pytest

import fitsolver
from fitsolver import cli
from fitsolver.files.datafile import parse_toml
from fitsolver.seats.mounting import mounting_from

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


def test_its_mounting_file_reads() -> None:
    (block,) = re.findall(r"```toml\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    mounting = mounting_from(parse_toml(block, name="README.md"))
    assert mounting.opening_width_mm is not None
    assert mounting.opening_width_mm.value_mm == pytest.approx(7.05, abs=0.02)


def test_its_first_command_names_what_is_there() -> None:
    (first, second) = re.findall(r"```sh\n(.*?)\n```", README.read_text(encoding="utf-8"))
    assert "pip install" in first
    assert (ROOT / "examples" / "old-cushion-collet.toml").exists()
    assert second == "bash tests/run"
    assert (ROOT / "examples" / "old-cushion-collet.png").exists()
