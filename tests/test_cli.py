"""The commands as a buyer types them: answers, exit codes, the JSON contract, bad input."""

from __future__ import annotations

import importlib
import inspect
import io
import json
import math
import os
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import fitsolver
from fitsolver import cli
from fitsolver.commands.answer import CODES
from fitsolver.fitting.bench import bench
from fitsolver.fitting.proposal import propose
from fitsolver.fitting.solver import check
from fitsolver.market.aim import aim_all
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut, names
from fitsolver.stones.material import material
from fitsolver.units import document_weight_ct
from fitsolver.weighing.hydrostatic import density_by_bottle, density_in_water
from fitsolver.weighing.weight import every_make, weigh

EXAMPLES = Path(fitsolver.__file__).parents[1] / "examples"
TRANSCRIPTS = Path(__file__).parent / "transcripts"
# Set to anything to write the transcripts anew; read the difference before keeping it.
REWRITE = "REWRITE_TRANSCRIPTS"

OVAL = "--cut oval-brilliant --length 8 --width 6 --depth 3.9"
COMMANDS = (
    "weigh", "check", "propose", "density", "recut", "cuts", "sizes", "allowances", "spec",
    "compare", "card", "serve",
)  # fmt: skip
VERDICTS = ("seats", "seats after alteration", "does not seat", "not decided")


@pytest.fixture(autouse=True)
def _among_the_examples(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(EXAMPLES)


def run(line: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    """Type a command line; return exit code, standard output and standard error."""
    code = cli.main(shlex.split(line))
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert "\x1b" not in out + err, "colours have no place in a pipe"
    return code, out, err


def run_json(line: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    _, out, _ = run(f"{line} --json", capsys)

    def refuse(word: str) -> None:
        pytest.fail(f"{word} is not JSON")

    found: dict[str, Any] = json.loads(out, parse_constant=refuse)
    return found


def sides(found: dict[str, Any]) -> set[str]:
    return set(found)


# Transcripts


@pytest.mark.parametrize("path", sorted(TRANSCRIPTS.glob("*.txt")), ids=lambda path: path.stem)
def test_transcript(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = path.read_text(encoding="utf-8")
    told = ""
    for line in text.splitlines():
        if line.startswith("$ fitsolver "):
            code, out, err = run(line.removeprefix("$ fitsolver "), capsys)
            told += f"{line}\n{out}{err}[exit {code}]\n\n"
    if os.environ.get(REWRITE):
        path.write_text(told, encoding="utf-8")
        text = told
    assert told, "a transcript begins with a command: $ fitsolver ..."
    assert told == text
    # A list comes back as wide as it was.
    words = [line for line in told.splitlines() if not line.startswith("$") and ";" not in line]
    assert max(len(line) for line in words) <= 80


def test_every_command_and_every_example_has_a_transcript() -> None:
    told = "".join(path.read_text(encoding="utf-8") for path in TRANSCRIPTS.glob("*.txt"))
    for command in COMMANDS:
        assert f"$ fitsolver {command}" in told
    for example in EXAMPLES.glob("*.toml"):
        assert f"$ fitsolver propose {example.name}" in told


# Exit codes and the contract of --json


def test_weigh_answers_the_contract(capsys: pytest.CaptureFixture[str]) -> None:
    found = run_json(f"weigh {OVAL}", capsys)
    assert {"weight_ct", "coefficient", "handbook", "shares", "assumed", "next_readings",
            "warnings"} <= sides(found)  # fmt: skip
    assert sides(found["weight_ct"]) == {"value", "u", "low", "high"}
    assert sides(found["handbook"]) == {"weight_ct", "k", "form", "source"}


def test_weigh_says_what_the_library_says(capsys: pytest.CaptureFixture[str]) -> None:
    line = f"weigh {OVAL} --make well-cut --table-pct 57,5 --with star-pct=52 --girdle 0.21"
    found = run_json(line, capsys)
    style = cut("oval-brilliant").in_make("well-cut")
    weight = weigh(
        style, "corundum", length_mm=8.0, width_mm=6.0, depth_mm=3.9, table_pct=57.5,
        star_pct=52.0, girdle_mm=0.21,
    )  # fmt: skip
    # The record keeps six decimals.
    assert found["weight_ct"]["value"] == pytest.approx(weight.weight_ct.value, abs=5e-7)
    assert found["coefficient"] == pytest.approx(weight.coefficient, abs=5e-7)
    assert found["makes"] == {"well-cut": 1.0}
    assert run_json(line.replace("--with star-pct=52", "--star-pct 52"), capsys) == found


def test_weigh_without_a_make_weighs_up_all(capsys: pytest.CaptureFixture[str]) -> None:
    found = run_json(f"weigh {OVAL} --material spinel", capsys)
    every = every_make(cut("oval-brilliant"))
    weight = weigh(every, "spinel", length_mm=8.0, width_mm=6.0, depth_mm=3.9)
    assert found["weight_ct"]["high"] == pytest.approx(weight.weight_ct.high, abs=5e-7)


def test_a_sellers_rounded_size_is_an_instrument(capsys: pytest.CaptureFixture[str]) -> None:
    """A size rounded to half a millimetre is a rectangle of 0.25 mm: the interval widens by it."""
    read = run_json(f"weigh {OVAL}", capsys)["weight_ct"]
    quoted = run_json(f"weigh {OVAL} --instrument seller-0.5", capsys)["weight_ct"]
    # Three sizes, each 0.144 mm uncertain: 1.8, 2.4 and 3.7 % of the weight besides.
    added = read["value"] * (0.018**2 + 0.024**2 + 0.037**2) ** 0.5
    assert quoted["u"] == pytest.approx(math.hypot(read["u"], added), rel=0.15)
    code, _, err = run(f"weigh {OVAL} --instrument seller", capsys)
    assert code == 2
    assert "seller-0.1" in err


def test_a_mass_is_held_against_the_material(capsys: pytest.CaptureFixture[str]) -> None:
    # Quartz is 2.65, corundum 4.00: a corundum's mass does not go with the size in quartz.
    line = f"weigh {OVAL} --mass-ct 1.45"
    assert run_json(f"{line} --material sapphire", capsys)["consistency"]["offered"]["compatible"]
    other = run_json(f"{line} --material rock-crystal", capsys)
    assert not other["consistency"]["offered"]["compatible"]
    _, out, _ = run(f"{line} --material rock-crystal", capsys)
    assert "Quartz IS NOT COMPATIBLE with that." in " ".join(out.split())


@pytest.mark.parametrize(
    "line",
    [
        f"claw-ring.toml {OVAL}",
        "step-rectangle.toml --cut emerald --length 9.1 --width 7.1 --depth 4.6",
        "closed-back-oval.toml --cut round-brilliant --length 4 --width 4 --depth 2.5",
    ],
)
def test_check_answers_the_contract(line: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = run_json(f"check {line}", capsys)
    assert found["verdict"] in VERDICTS
    for name in ("probability", "probability_after_alteration"):
        assert 0 <= found[name] <= 1
    assert {"rest_height_mm", "binding", "weight_ct", "advice", "assumed", "cautions"} <= sides(
        found
    )
    assert sides(found["weight_ct"]) == {"value", "u", "low", "high"}
    for margin in found["requirements"]:
        assert {"name", "margin_mm", "u_mm", "threshold_mm", "source", "probability",
                "direction_deg", "alteration", "alteration_mm"} <= sides(margin)  # fmt: skip
    assert found["binding"] in {margin["name"] for margin in found["requirements"]}


def test_check_says_what_the_library_says(capsys: pytest.CaptureFixture[str]) -> None:
    line = "check step-rectangle.toml --cut emerald --length 9.1 --width 7.1 --depth 4.6"
    found = run_json(f"{line} --girdle 0.3 --turn-deg 0", capsys)
    ready = bench(load_mounting("step-rectangle.toml"))
    judged = check(
        ready, cut("emerald"), 9.1, 7.1, 4.6, heights_mm={"girdle_mm": 0.3}, turn_rad=0.0
    )
    assert found["verdict"] == judged.verdict
    assert found["binding"] == judged.binding
    assert found["probability"] == pytest.approx(judged.probability, abs=5e-7)
    assert found["rest_height_mm"] == pytest.approx(judged.rest_height_mm, abs=5e-7)
    for said, margin in zip(found["requirements"], judged.requirements, strict=True):
        assert said["margin_mm"] == pytest.approx(margin.margin_mm, abs=5e-7)


def test_a_measured_girdle_changes_the_answer(capsys: pytest.CaptureFixture[str]) -> None:
    # The mouth of the notches is 0.45 mm: a girdle of 0.8 mm does not go in, one of 0.3 does.
    line = "check step-rectangle.toml --cut emerald --length 9.1 --width 7.1 --depth 4.6"
    thick, thin = (run_json(f"{line} --girdle {size}", capsys) for size in ("0.8", "0.3"))
    assert thick["binding"] == "notch mouth"
    assert thick["probability"] < 0.1
    assert thin["probability"] > 0.9


@pytest.mark.parametrize(
    ("line", "code", "verdict"),
    [
        (f"claw-ring.toml {OVAL}", 0, "seats"),
        # Twice the opening, and far too small: nobody would call either close.
        ("step-rectangle.toml --cut emerald --length 18 --width 14 --depth 8", 3, "does not seat"),
        ("claw-ring.toml --cut round-brilliant --length 2 --width 2 --depth 1.2", 3,
         "does not seat"),
    ],
)  # fmt: skip
def test_check_exits_by_its_verdict(
    line: str, code: int, verdict: str, capsys: pytest.CaptureFixture[str]
) -> None:
    said, out, err = run(f"check {line}", capsys)
    assert (said, err) == (code, "")
    assert out.startswith(verdict.upper())


def test_each_verdict_has_an_exit_code() -> None:
    assert tuple(CODES) == VERDICTS
    assert [CODES[verdict] for verdict in VERDICTS] == [0, 0, 3, 4]


def test_propose_answers_the_contract_as_the_library_does(
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = run_json("propose claw-ring.toml --limit 2 --material ruby", capsys)
    ready = bench(load_mounting("claw-ring.toml"))
    library, _ = aim_all(ready, propose(ready, material("ruby"), limit=2))
    assert found["material"] == "corundum"
    assert [item["cut"] for item in found["proposals"]] == [
        item.style.name for item in library.proposals
    ]
    for said, item in zip(found["proposals"], library.proposals, strict=True):
        assert said["verdict"] == item.verdict
        assert said["verdict"] in VERDICTS
        assert said["probability"] == pytest.approx(item.probability, abs=5e-7)
        assert said["score"] == pytest.approx(item.score, abs=5e-7)
        assert said["ask"] == {
            "length_mm": pytest.approx(item.ask.stone.length_mm, abs=5e-7),
            "width_mm": pytest.approx(item.ask.stone.width_mm, abs=5e-7),
            "depth_mm": pytest.approx(item.ask.stone.depth_mm, abs=5e-7),
        }
        for name in ("length_mm", "width_mm", "depth_mm"):
            assert sides(said[name]) == {"low", "high"}
        assert sides(said["weight_ct"]) == {"value", "u", "low", "high"}
        assert sides(said) >= {"probability_after_alteration", "calibrated", "notes"}
        for size in said["calibrated"]:
            assert sides(size) == {"length_mm", "width_mm", "probability"}
    for left in found["left_out"]:
        assert {"cut", "requirement", "shortfall_mm"} <= sides(left)
    every = [item["cut"] for item in (*found["proposals"], *found["left_out"])]
    every += found["not_shown"]
    assert len(every) == len(set(every)) >= 30
    assert set(every) <= set(names())


def test_nothing_seats_is_an_answer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # Half a millimetre down to the foil: no pavilion is so shallow, and no dome so low.
    text = (EXAMPLES / "closed-back-oval.toml").read_text(encoding="utf-8")
    shut = text.replace("deep = 3.52, shallow = 1.05", "deep = 1.60, shallow = 1.05")
    shut = shut.replace('back = "closed"', 'back = "closed"\nledge_angle_deg = 1')
    shut += "\n[allowances]\nculet_clearance_closed_mm = 3.0\n"
    path = tmp_path / "shut.toml"
    path.write_text(shut, encoding="utf-8")
    picture = tmp_path / "none.svg"
    code, out, err = run(f"propose {path} --draw {picture}", capsys)
    assert code == 3
    assert out.startswith("NOTHING SEATS")
    assert "Left out" in out
    assert err == "No drawing: nothing seats.\n"
    assert not picture.exists()


def test_cuts_lists_all_and_describes_one(capsys: pytest.CaptureFixture[str]) -> None:
    listed = run_json("cuts", capsys)["cuts"]
    assert [item["name"] for item in listed] == list(names())
    for item in listed:
        assert {"name", "title", "outline", "period", "length_ratio", "depth_pct"} <= sides(item)
    one = run_json("cuts emerald", capsys)
    assert {"proportions", "measuring", "handbook", "facet_rows"} <= sides(one)
    assert one["proportions"]["table_pct"]["source"]
    _, out, _ = run("cuts", capsys)
    assert all(f"  {name}" in out for name in names())


def test_density_says_what_the_library_says(capsys: pytest.CaptureFixture[str]) -> None:
    found = run_json(
        "density --mass-air-ct 5,02 --mass-water-ct 4.07 --wire-ct 0.30 --temperature-c 24 "
        "--balance-step-ct 0.001 --material ruby",
        capsys,
    )
    library = density_in_water(
        5.02, 4.07, wire_ct=0.30, temperature_c=24.0, balance_step_ct=0.001, offered="ruby"
    )
    assert found["density_g_cm3"]["value"] == pytest.approx(library.density_g_cm3.value, abs=5e-7)
    assert found["density_g_cm3"]["u"] == pytest.approx(library.density_g_cm3.u, abs=5e-7)
    assert found["mass_needed_ct"] == pytest.approx(library.mass_needed_ct, abs=5e-7)
    assert found["consistency"]["offered"]["compatible"]
    assert "corundum" in found["consistency"]["compatible"]


def test_density_by_bottle_says_what_the_library_says(capsys: pytest.CaptureFixture[str]) -> None:
    found = run_json(
        "density --mass-air-ct 5 --stone-beside-ct 105 --stone-inside-ct 103.75", capsys
    )
    library = density_by_bottle(5.0, 105.0, 103.75)
    assert found["way"] == "bottle"
    assert found["density_g_cm3"]["high"] == pytest.approx(library.density_g_cm3.high, abs=5e-7)
    assert found["consistency"]["offered"] is None


def test_recut_answers_the_contract(capsys: pytest.CaptureFixture[str]) -> None:
    line = "recut --from old-mine --length 8.2 --width 7.6 --depth 5.2 --to oval-brilliant"
    found = run_json(line, capsys)
    assert sides(found["weight_ct"]) == {"value", "u", "low", "high"}
    after = found["weight_before_ct"] * (1 - found["loss_pct"] / 100)
    assert found["weight_after_ct"] == pytest.approx(after, rel=1e-5)
    assert found["verdict"] is None
    freer = run_json(f"{line} --free-heights", capsys)
    ground = run_json(f"{line} --grind-mm 0,1", capsys)
    assert freer["loss_pct"] < found["loss_pct"] < ground["loss_pct"]
    other = run_json(f"{line} --length-ratio 1.2", capsys)["after"]
    assert other["length_mm"] / other["width_mm"] == pytest.approx(1.2, abs=1e-5)


@pytest.mark.parametrize(
    ("stone", "mounting", "code", "said"),
    [
        ("--from round-brilliant --length 5 --width 5 --depth 3 --to oval-brilliant", "claw-ring",
         3, "NO RECUT REACHES IT"),
        ("--from oval-brilliant --length 12 --width 9 --depth 6 --to marquise-brilliant",
         "old-cushion-collet", 3, "DOES NOT SEAT"),
        ("--from old-mine --length 8.2 --width 7.6 --depth 5.2 --to oval-brilliant", "claw-ring",
         0, "approximately"),
    ],
)  # fmt: skip
def test_recut_into_a_mounting_exits_by_what_seats(
    stone: str, mounting: str, code: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    found, out, err = run(f"recut {stone} --into {mounting}.toml", capsys)
    assert (found, err) == (code, "")
    assert out.startswith(said)


def test_old_carats_are_made_metric(capsys: pytest.CaptureFixture[str]) -> None:
    # F. B. Wade, 1918: the Amsterdam carat was 0.2057 g, so 1.40 of them are 1.44 metric ones.
    line = f"weigh {OVAL} --mass-ct 1.4 --old-carats amsterdam"
    _, out, _ = run(line, capsys)
    assert "1.4 old carats of amsterdam are 1.44 metric carats." in out
    metric = run_json(f"weigh {OVAL} --mass-ct 1.4399", capsys)["consistency"]
    old = run_json(line, capsys)["consistency"]
    assert old["implied_density_g_cm3"]["value"] == pytest.approx(
        metric["implied_density_g_cm3"]["value"], abs=1e-5
    )


def test_a_document_cuts_the_weight_off(capsys: pytest.CaptureFixture[str]) -> None:
    found = run_json(f"weigh {OVAL}", capsys)
    assert found["document_weight_ct"] == float(document_weight_ct(found["weight_ct"]["value"]))
    _, out, _ = run(f"weigh {OVAL}", capsys)
    assert out.startswith(f"approximately {found['document_weight_ct']:.2f} ct")


def test_the_ends_of_a_girdle_are_read_together(capsys: pytest.CaptureFixture[str]) -> None:
    found = run_json(f"weigh {OVAL} --girdle-least-mm 0.1 --girdle-most-mm 0.3", capsys)
    mean = run_json(f"weigh {OVAL} --girdle 0.2", capsys)
    assert found["weight_ct"]["value"] == pytest.approx(mean["weight_ct"]["value"], rel=0.01)
    code, _, err = run(f"weigh {OVAL} --girdle-least-mm 0.1", capsys)
    assert code == 2
    assert "go together" in err


def test_diamonds_are_not_native_cut(capsys: pytest.CaptureFixture[str]) -> None:
    line = "weigh --cut round-brilliant --length 6.5 --width 6.5 --depth 3.95 --material"
    assert set(run_json(f"{line} diamond", capsys)["makes"]) == {"well-cut", "commercial"}
    assert set(run_json(f"{line} ruby", capsys)["makes"]) == {"well-cut", "commercial", "native"}


# How numbers are written


@pytest.mark.parametrize("command", ["weigh", "check claw-ring.toml"])
def test_a_decimal_comma_is_a_decimal_point(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    point = run(f"{command} --cut oval-brilliant --length 8.05 --width 6.1 --depth 3.9", capsys)
    comma = run(f"{command} --cut oval-brilliant --length 8,05 --width 6,10 --depth 3,9", capsys)
    assert point == comma


@pytest.mark.parametrize(
    ("width", "said"),
    [
        ("-6", "--width = -6.0: must be 0.05 to 150 mm"),
        ("=-6,5", "--width = -6.5: must be 0.05 to 150 mm"),
        ("0", "--width = 0.0: must be 0.05 to 150 mm"),
        ("nan", "--width = 'nan': is not a length. Write millimetres"),
        ("inf", "--width = 'inf': is not a length"),
        ("-inf", "--width = '-inf': is not a length"),
        ("1e3", "--width = '1e3': is not a length"),
        ("'0.24\"'", "looks like inches. Write millimetres (1 inch = 25.4 mm)"),
        ("'1/4 in'", "looks like inches"),
        ("6.5cm", "is in cm. Write millimetres"),
        ("1.234,5", "is ambiguous"),
        ("6000", "--width = 6000.0: must be 0.05 to 150 mm"),
        ("--json", "--width = '--json': is not a length"),
        ("9", "length: longest diameter; width: shortest diameter"),
    ],
)
@pytest.mark.parametrize("command", ["weigh", "check claw-ring.toml"])
def test_a_wrong_length_is_refused(
    command: str, width: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    option = f"--width{width}" if width.startswith("=") else f"--width {width}"
    code, _, err = run(f"{command} --cut oval-brilliant --length 8 {option} --depth 4", capsys)
    assert code == 2
    assert said in " ".join(err.split())


def test_every_fault_of_a_command_line_is_told_at_once(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "card.toml"
    line = f"check {path} --cut oval-briliant --length -8 --width '6\"' --material safire"
    code, out, err = run(f"{line} --draw {tmp_path}/a.bmp --json", capsys)
    assert code == 2
    faults = json.loads(out)["faults"]
    assert all(sides(fault) == {"file", "line", "key", "value", "rule", "remedy"}
               for fault in faults)  # fmt: skip
    told = {fault["key"]: fault for fault in faults}
    assert list(told) == ["file", "--cut", "--material", "--depth", "--length", "--width", "--draw"]
    assert told["--cut"]["remedy"].startswith("Perhaps oval-brilliant ")
    assert "sapphire" in told["--material"]["remedy"]
    assert told["--length"]["value"] == -8
    assert err.startswith("7 faults\n")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("weigh --length 8 --width 6", "--cut: is missing"),
        ("weigh --cut oval-brilliant", "--length: is missing"),
        (f"weigh {OVAL} --mateiral ruby", "Perhaps --material is meant"),
        (f"weigh {OVAL} --with star", "is not NAME=VALUE"),
        (f"weigh {OVAL} --with stra-pct=5", "Perhaps --star-pct is meant"),
        (f"weigh {OVAL} --make welcut", "Perhaps well-cut is meant"),
        (f"weigh {OVAL} --table-pct wide", "is not a number. Write it plainly"),
        (f"weigh {OVAL} --table-pct 140", "--table-pct = 140.0: must be 0 to 99 %"),
        (f"weigh {OVAL} --length 9", "--length specified multiple times"),
        (f"check {OVAL}", "MOUNTING: is missing"),
        ("check claw-ring.toml", "--cut: is missing"),
        (f"check claw-ring.toml {OVAL} --girdle 5", "--girdle = 5.0: must be 0 to 3.9 mm"),
        (f"check claw-ring.toml {OVAL} --turn-deg nan", "--turn-deg = 'nan': is not a number"),
        (f"check claw-ring.toml {OVAL} --turn 3", "unknown option: --turn"),
        ("check claw-ring.toml --cut oval-brilliant --length 8 --width 6 --depth 20",
         "depth over width = 3.33333: must be 0.15 to 1.3"),
        ("propose claw-ring.toml --limit 0", "--limit = 0: must be 1 to 1000"),
        ("propose claw-ring.toml --limit many", "unable to convert"),
        ("propose claw-ring.toml more.toml", "does not take more.toml"),
        ("cuts emrald", "NAME = 'emrald': is not the name of a cut style. Perhaps emerald "),
        ("density --mass-air-ct 5", "--mass-water-ct: is missing"),
        ("density --mass-water-ct 5", "--mass-air-ct: is missing"),
        ("density --mass-air-ct 5 --mass-water-ct 5,5", "mass lost in water (ct) = -0.5"),
        ("density --mass-air-ct -5 --mass-water-ct 4", "--mass-air-ct = -5.0: must be 0 to"),
        ("density --mass-air-ct 5g --mass-water-ct 4", "'5g': is not a number"),
        ("density --mass-air-ct 5 --mass-water-ct 4 --temperature-c 60", "must be 0 to 40 C"),
        ("density --mass-air-ct 5 --mass-water-ct 4 --balance-step-ct 0", "must be 1e-06 to 1 ct"),
        ("density --mass-air-ct 5 --stone-beside-ct 9", "--stone-inside-ct: is missing"),
        ("density --mass-air-ct 5 --stone-beside-ct 9 --stone-inside-ct 8 --wire-ct 1",
         "does not go with the bottle"),
        ("density --mass-air-ct 5 --mass-water-ct 4 --material rubi", "Perhaps ruby "),
        ("recut --to oval-brilliant", "--from: is missing"),
        ("recut --from old-mine --length 8 --width 7 --depth 5", "--to: is missing"),
        ("recut --from old-mine --length 8 --width 7 --to emerald", "--depth: is missing"),
        ("recut --from old-mine --length 8 --width 7 --depth 5 --to emerald --grind-mm 3",
         "grind-mm = 3.0: must be 0 to 1.24"),
        ("recut --from old-mine --length 8 --width 7 --depth 5 --to emerald --length-ratio 9",
         "--length-ratio = 9.0: must be"),
        ("recut --from old-mine --length 8 --width 7 --depth 5 --to emerald --into no.toml",
         "does not exist"),
        (f"weigh {OVAL} --mass-ct 1 --old-carats paris", "Known are united-states, "),
        (f"weigh {OVAL} --old-carats amsterdam", "Give --mass-ct too"),
        ("prpose", "Perhaps propose is meant"),
    ],
)  # fmt: skip
def test_misuse_is_explained(line: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(line, capsys)
    assert (code, out) == (2, "")
    assert said.lower() in " ".join(err.split()).lower()


# Mounting files that cannot be used

SEAT = """\
name = "Test collet (invented)"
[seat]
holds = "wall"
state = "cut"
back = "open"
opening_family = "oval"
opening_level = "girdle"
opening_length_mm = 8.1
opening_width_mm = 6.1
ledge_width_mm = 0.4
depth_below_ledge_mm = 3.1
"""


@pytest.mark.parametrize(
    ("content", "place", "key"),
    [
        (b"", "", "file"),
        (b"\xff\xfe\x00n", ":1", "file"),
        (b"name = ", ":1", "line"),
        (b"name = 'x'", "", "seat"),
        (SEAT.replace("8.1", "8,1").encode(), ":8", "line"),
        (SEAT.replace("8.1", "-8.1").encode(), ":8", "seat.opening_length_mm"),
        (SEAT.replace("8.1", "nan").encode(), ":8", "seat.opening_length_mm"),
        (SEAT.replace("8.1", "inf").encode(), ":8", "seat.opening_length_mm"),
        (SEAT.replace("8.1", "'0.32\"'").encode(), ":8", "seat.opening_length_mm"),
        (SEAT.replace("8.1", "true").encode(), ":8", "seat.opening_length_mm"),
        (SEAT.replace("8.1", "[8.1, 'wide']").encode(), ":8", "seat.opening_length_mm"),
        (SEAT.replace('"cut"', "1").encode(), ":4", "seat.state"),
        (SEAT.replace("state", "sate").encode(), ":4", "seat.sate"),
        (SEAT.replace('holds = "wall"\n', "").encode(), ":2", "seat.holds"),
        (SEAT.replace("6.1", "9.1").encode(), ":9", "seat.opening_width_mm"),
        (SEAT.replace("0.4", "3.0").replace("6.1", "5.9").encode(), ":10", "seat.ledge_width_mm"),
        (SEAT.replace("ledge_width_mm = 0.4\n", "").encode(), ":2", "seat.ledge_width_mm"),
        (f"{SEAT}[allowances]\ngap_mni_mm = 0.1\n".encode(), ":13", "allowances.gap_mni_mm"),
        (f"{SEAT}[allowances]\ngap_min_mm = 9\n".encode(), ":13", "allowances.gap_min_mm"),
    ],
)
def test_a_faulty_file_is_explained_line_by_line(
    content: bytes, place: str, key: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "card.toml"
    path.write_bytes(content)
    code, out, err = run(f"propose {path} --json", capsys)
    assert code == 2
    faults = json.loads(out)["faults"]
    found = [fault for fault in faults if fault["key"].startswith(key)]
    assert found, f"{key} is not among {[fault['key'] for fault in faults]}"
    assert found[0]["file"] == str(path)
    assert found[0]["line"] == (int(place[1:]) if place else None)
    assert found[0]["rule"]
    assert found[0]["remedy"]
    assert f"card.toml{place} " in " ".join(err.split())


def test_all_faults_of_allowances_are_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "card.toml"
    path.write_text(f"{SEAT}[allowances]\ngap_mni_mm = 0.1\ncover_min_mm = 7\n", encoding="utf-8")
    code, _, err = run(f"check {path} {OVAL}", capsys)
    assert code == 2
    assert err.startswith("2 faults\n")
    assert "Perhaps gap_min_mm" in " ".join(err.split())


@pytest.mark.parametrize("path", ["nowhere.toml", "nowhere/card.toml", ".", "claw-rnig.toml"])
def test_a_file_that_is_none_is_explained(path: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(f"check {path} {OVAL}", capsys)
    assert (code, out) == (2, "")
    assert path in err
    if path == "claw-rnig.toml":
        assert "claw-ring.toml" in err


def test_letters_of_the_file_do_not_move_the_cursor(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "card.toml"
    path.write_text(SEAT.replace("Test", "Red\\u001b[31m\\u0007\\n"), encoding="utf-8")
    code, out, _ = run(f"check {path} --cut oval-step --length 8 --width 6 --depth 3.9", capsys)
    assert code in (0, 3, 4)
    assert "\x07" not in out


# Drawings


def test_check_draws_and_overwrites_only_when_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = tmp_path / "seat.svg"
    line = f"check claw-ring.toml {OVAL} --draw {picture}"
    code, _, err = run(line, capsys)
    assert (code, err) == (0, f"Drawing: {picture}\n")
    assert picture.read_text(encoding="utf-8").lstrip().startswith("<")
    picture.write_text("mine", encoding="utf-8")
    code, _, err = run(line, capsys)
    assert code == 2
    assert "exists already" in " ".join(err.split())
    assert picture.read_text(encoding="utf-8") == "mine"
    assert run(f"{line} --force", capsys)[0] == 0
    assert picture.read_text(encoding="utf-8") != "mine"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("seat.bmp", "End the name in .svg or .png"),
        ("seat", "End the name in .svg or .png"),
        ("nowhere/seat.svg", "There is no folder"),
        ("folder.svg", "is a folder"),
    ],
)
def test_a_picture_that_cannot_be_written_is_refused_first(
    name: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "folder.svg").mkdir()
    code, out, err = run(f"cuts emerald --draw {tmp_path / name}", capsys)
    assert (code, out) == (2, "")
    assert said in " ".join(err.split())


def test_a_cut_is_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    picture = tmp_path / "emerald.png"
    code, out, err = run(f"cuts emerald --draw {picture}", capsys)
    assert (code, err) == (0, f"Drawing: {picture}\n")
    assert out.startswith("Emerald cut")
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_all_cuts_are_drawn_on_one_sheet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = tmp_path / "cuts.svg"
    assert run(f"cuts --draw {picture}", capsys)[0] == 0
    drawn = picture.read_text(encoding="utf-8")
    assert all(cut(name).title.split(" (")[0].split(", ")[0] in drawn for name in names())


# Help, and the process as a whole


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_and_option_is_documented(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run("--help", capsys)
    assert code == 0
    assert f" {command} " in out
    code, out, _ = run(f"{command} --help", capsys)
    assert code == 0
    described = " ".join(out.split())
    function = getattr(importlib.import_module(f"fitsolver.commands.{command}"), command)
    assert function.__doc__.split(":")[0].split(",")[0] in described
    for name, parameter in inspect.signature(function).parameters.items():
        if parameter.kind is parameter.VAR_KEYWORD:
            continue
        positional = parameter.kind is parameter.POSITIONAL_ONLY
        option = name.strip("_").replace("_", "-")
        assert (option.upper() if positional else f"--{option}") in described
    assert "Exit code: 0 answered, 2 bad input" in described


def test_the_parser_knows_these_commands_only() -> None:
    known = {name for name in cli.app if not name.startswith("-")}
    assert known == set(COMMANDS)


def test_help_loads_nothing_heavy() -> None:
    script = (
        "import sys; from fitsolver.cli import main; main(['--help']); "
        "print([name for name in ('numpy', 'scipy', 'pydantic') if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_the_module_runs_as_a_program() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "fitsolver", "--version"], capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    assert done.stdout.strip() == fitsolver.__version__


def test_a_reader_who_has_seen_enough_ends_it_quietly() -> None:
    read, write = os.pipe()
    os.close(read)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "fitsolver", "cuts"], stdout=write, stderr=subprocess.PIPE,
            text=True, check=False,
        )  # fmt: skip
    finally:
        os.close(write)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_terminal_without_the_letters_gets_an_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    ascii_only = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", ascii_only)
    assert cli.main(["cuts", "square-step"]) == 0
    ascii_only.seek(0)
    assert "carr\\xe9" in ascii_only.read()


def test_numbers_of_the_answer_are_finite(capsys: pytest.CaptureFixture[str]) -> None:
    # A stone that falls through has no rest height: null, not minus infinity.
    found = run_json(
        "check step-rectangle.toml --cut round-brilliant --length 3 --width 3 --depth 2", capsys
    )
    assert found["verdict"] == "does not seat"
    assert found["rest_height_mm"] is None or math.isfinite(found["rest_height_mm"])


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("--length 0.31 --width 0.24", "0.31 inch is 7.87 mm"),
        ("--length 8 --width 6 --depth 3.9 --crown-height 3.9", "--crown-height = 3.9: must be"),
        ("--length 8 --width 6 --depth 3.9 --pavilion-depth 4", "--pavilion-depth = 4.0: must be"),
        ("--length 8 --width 6 --depth 3.9 --mass-ct 90000", "gem materials have 1 to 8"),
        ("--length 8 --width 6 --depth 3.9 --mass-ct 0,0145", "gem materials have 1 to 8"),
    ],
)
def test_what_no_stone_can_be_is_a_fault_by_name(line, said, capsys):
    code, out, err = run(f"weigh --cut oval-brilliant {line}", capsys)
    assert (code, out) == (2, "")
    assert said in " ".join(err.split())


def test_a_stone_deeper_than_wide_is_weighed_with_a_warning(capsys):
    code, out, _ = run("weigh --cut oval-brilliant --length 8 --width 6 --depth 7", capsys)
    assert code == 0
    assert "depth is more than the width, 117 % of it" in " ".join(out.split())
    _, out, _ = run("weigh --cut briolette --length 9 --width 6 --depth 11", capsys)
    assert "depth is more than the width" not in out


def test_a_flat_back_may_have_a_crown_as_high_as_the_stone(capsys):
    line = "weigh --cut oval-cabochon --length 8 --width 6 --depth 3.5 --crown-height 3.5"
    assert run(line, capsys)[0] == 0


def test_what_was_not_given_is_marked(capsys):
    _, out, _ = run("weigh --cut oval-brilliant --length 8", capsys)
    stone = out.splitlines()[2]
    assert stone.startswith("Oval brilliant, 8.00 x ~6.0")
    assert stone.endswith("mm, ~corundum")
    _, out, _ = run("weigh --cut oval-brilliant --length 8 --width 6 --material ruby", capsys)
    assert out.splitlines()[2].startswith("Oval brilliant, 8.00 x 6.00 x ~")
    assert out.splitlines()[2].endswith("mm, corundum")


def test_an_unknown_command_is_told_with_every_command_or_the_nearest() -> None:
    assert "serve." in cli.answer(["blub"]).aside
    assert "Perhaps weigh is meant" in " ".join(cli.answer(["weight"]).aside.split())


def test_a_closed_output_leaves_the_exit_code() -> None:
    command = f"{shlex.quote(sys.executable)} -m fitsolver cuts"
    for closed in (">&-", ">&- 2>&-"):
        done = subprocess.run(
            ["sh", "-c", f"{command} {closed}"], capture_output=True, text=True, check=False
        )
        assert (done.returncode, done.stderr) == (0, "")
