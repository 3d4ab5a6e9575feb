"""Every example goes through every face that takes a mounting, and each answers."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fitsolver import cli

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
MOUNTINGS = sorted(path for path in EXAMPLES.rglob("*.toml") if path.name != "faulty.toml")
ANSWERS = {0, 3, 4}


def run(capsys, *words: str) -> str:
    code = cli.main(words)
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert code in ANSWERS, err
    return out


@pytest.mark.parametrize("path", MOUNTINGS, ids=lambda path: path.stem)
class TestEveryExample:
    def test_the_size_asked_for_is_judged_alike_by_check(self, path, capsys):
        said = json.loads(run(capsys, "spec", str(path), "--limit", "1", "--json"))
        (wanted,) = said["wanted"]
        ask = wanted["ask"]
        sizes = [
            word
            for side in ("length", "width", "depth")
            for word in (f"--{side}", str(ask[f"{side}_mm"]))
        ]
        judged = json.loads(
            run(capsys, "check", str(path), "--cut", wanted["cut"], *sizes, "--json")
        )
        assert judged["verdict"] == wanted["verdict"]
        assert judged["probability"] == pytest.approx(wanted["probability"], abs=1e-9)

    def test_the_sheet_is_written(self, path, capsys, tmp_path):
        target = tmp_path / "spec.pdf"
        run(capsys, "spec", str(path), "--limit", "1", "--output", str(target))
        assert target.read_bytes().startswith(b"%PDF")

    def test_the_answer_is_drawn_and_told(self, path, capsys, tmp_path):
        target = tmp_path / "seat.svg"
        text = run(capsys, "propose", str(path), "--limit", "1", "--draw", str(target))
        assert "Cautions" in text
        assert target.exists()


def test_a_worn_seat_has_its_card(capsys, tmp_path):
    target = tmp_path / "card.html"
    worn = EXAMPLES / "worn-oval-collet.toml"
    run(capsys, "card", str(worn), "--limit", "1", "--output", str(target))
    assert target.stat().st_size < 300_000


def test_two_claws_that_let_a_stone_slide_out_are_told_by_every_face(capsys, tmp_path):
    """Claws at 0 and 180 degrees alone: a cushion can leave across them."""
    text = (EXAMPLES / "step-rectangle.toml").read_text(encoding="utf-8")
    lines = [
        "claw_directions_deg = [0, 180]" if line.startswith("claw_directions_deg") else line
        for line in text.splitlines()
        if not line.startswith("opening_diagonal_mm")  # no longer between claws
    ]
    two = tmp_path / "two-claws.toml"
    two.write_text("\n".join(lines), encoding="utf-8")
    run(capsys, "spec", str(two), "--limit", "1")
    run(capsys, "propose", str(two), "--limit", "1")
    run(capsys, "card", str(two), "--limit", "1", "--output", str(tmp_path / "card.html"))
