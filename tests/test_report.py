"""The words and records of an answer: complete, finite, plain, and no wider than the page."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import pytest
from msgspec.structs import replace

import fitsolver
from fitsolver.errors import Fault
from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.proposal import Proposals, propose
from fitsolver.fitting.setting import CLOSED_BACK, ESTIMATE, alterations, cautions, ordinary_setting
from fitsolver.fitting.solver import Check, check
from fitsolver.readings.uncertainty import Estimate
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut, cuts
from fitsolver.stones.material import material
from fitsolver.telling.catalogue import cut_text, cuts_text
from fitsolver.telling.record import (
    as_json,
    check_record,
    cut_record,
    cuts_record,
    faults_record,
    proposals_record,
    weight_record,
)
from fitsolver.telling.report import (
    check_text,
    faults_text,
    proposals_text,
    weight_text,
)
from fitsolver.text.layout import columns, list_of, paragraph, per_cent, plain, unit_of, words
from fitsolver.weighing.consistency import consistency
from fitsolver.weighing.weight import Weight, every_make, weigh

EXAMPLES = Path(fitsolver.__file__).parents[1] / "examples"
STONES = {
    "claw-ring": ("oval-brilliant", 8.0, 6.0, 3.9),
    "old-cushion-collet": ("cushion-brilliant", 7.7, 6.6, 4.3),
    "closed-back-oval": ("oval-rose", 7.1, 5.6, 2.3),
    "step-rectangle": ("emerald", 9.1, 7.1, 4.6),
}
WIDTHS = (60, 80, 100)


@cache
def ready(example: str) -> Bench:
    return bench(load_mounting(EXAMPLES / f"{example}.toml"))


@cache
def judged(example: str) -> Check:
    name, *sizes = STONES[example]
    return check(ready(example), cut(name), *sizes)


@cache
def weighed(example: str) -> Weight:
    name, length, width, depth = STONES[example]
    return weigh(
        every_make(cut(name)), "corundum", length_mm=length, width_mm=width, depth_mm=depth
    )


@cache
def proposed() -> Proposals:
    styles = [cut(name) for name in ("oval-brilliant", "oval-cabochon", "triangle-step")]
    return propose(ready("claw-ring"), material("ruby"), styles=styles, limit=2)


def one_line(text: str) -> str:
    return " ".join(text.split())


# Records


def test_numbers_are_the_librarys_to_six_decimals_and_never_nan() -> None:
    record = {
        "a": 1.23456789, "b": float("nan"), "c": [float("inf"), -1e-9], "d": {"e": True, "f": None},
    }  # fmt: skip
    assert json.loads(as_json(record)) == {
        "a": 1.234568, "b": None, "c": [None, 0.0], "d": {"e": True, "f": None},
    }  # fmt: skip
    assert "-0.0" not in as_json(record)


@pytest.mark.parametrize("example", STONES)
def test_a_check_is_recorded_whole(example: str) -> None:
    found = judged(example)
    record = json.loads(as_json(check_record(found, weighed(example), material("corundum"))))
    assert record["verdict"] == found.verdict
    assert len(record["requirements"]) == len(found.requirements)
    assert all(item["source"] for item in record["requirements"])
    assert [item["name"] for item in record["assumed"]] == [item.name for item in found.assumed]


def test_every_kind_of_answer_can_be_written_as_json() -> None:
    stone = weighed("claw-ring")
    density = consistency(Estimate(value=4.0, u=0.1, low=3.8, high=4.2), "corundum")
    for record in (
        weight_record(stone, material("corundum"), density),
        proposals_record(proposed()),
        cuts_record(cuts()),
        *(cut_record(style) for style in cuts()),
    ):
        assert json.loads(as_json(record))


def test_values_of_faults_survive_json() -> None:
    fault = Fault(file="f", line=3, key="k", value=float("nan"), rule="r", remedy="m")
    others = [replace(fault, value=value) for value in (None, 2.5, "x", [1, 2], float("inf"))]
    told = json.loads(as_json(faults_record([fault, *others])))["faults"]
    assert [item["value"] for item in told] == ["nan", None, 2.5, "x", "[1, 2]", "inf"]


# Words


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("example", STONES)
def test_no_line_of_a_check_is_wider_than_the_page(example: str, width: int) -> None:
    text = check_text(judged(example), weighed(example), material("corundum"), width)
    # Columns of numbers need 67 letters; everything else keeps to the page.
    assert max(len(line) for line in text.splitlines()) <= max(width, 67)


@pytest.mark.parametrize("width", [80, 100])
def test_no_line_of_the_other_answers_is_wider_than_the_page(width: int) -> None:
    texts = [proposals_text(proposed(), width), cuts_text(cuts(), width)]
    texts += [cut_text(style, width) for style in cuts()]
    texts += [
        weight_text(weighed(example), cut(STONES[example][0]), material("topaz"), None, width)
        for example in STONES
    ]
    for text in texts:
        assert max(len(line) for line in text.splitlines()) <= width
        assert text.isascii() or "carré" in text


@pytest.mark.parametrize("example", STONES)
def test_a_check_says_verdict_first_and_what_is_assumed(example: str) -> None:
    found = judged(example)
    text = check_text(found, weighed(example), material("corundum"))
    assert text.startswith(found.verdict.upper())
    assert f"Tightest: {found.binding}," in text
    for item in found.requirements:
        assert f"\n  {item.name} " in text
    for item in found.assumed:
        assert f"~ {words(item.name)} " in text
    assert ESTIMATE in one_line(text)
    assert (CLOSED_BACK in one_line(text)) == (found.mounting.back == "closed")


def test_the_weight_is_told_as_documents_write_it() -> None:
    # 1.4287 ct is "1.42" by the rule of documents; the interval is rounded outward.
    stone = replace(
        weighed("claw-ring"), weight_ct=Estimate(value=1.4287, u=0.07, low=1.3061, high=1.5702)
    )
    text = weight_text(stone, cut("oval-brilliant"), material("corundum"))
    assert text.startswith("approximately 1.42 ct (1.30 to 1.58)\n")
    assert "handbook" in text
    assert "Which reading would narrow it most: " in text


def test_what_does_not_agree_is_told() -> None:
    density = consistency(Estimate(value=2.65, u=0.02, low=2.6, high=2.7), "corundum")
    stone = weighed("claw-ring")
    text = one_line(weight_text(stone, cut("oval-brilliant"), material("corundum"), density))
    assert "Corundum IS NOT COMPATIBLE with that." in text
    assert "quartz" in text
    assert "Only a laboratory identifies a stone." in text


def test_proposals_are_told_in_the_librarys_order_with_the_best_in_full() -> None:
    found = proposed()
    text = proposals_text(found)
    ranks = [text.index(f"{rank} {item.style.name}") for rank, item in
             enumerate(found.proposals, 1)]  # fmt: skip
    assert ranks == sorted(ranks)
    first = found.proposals[0]
    assert f"First choice: {first.style.name}" in text
    told = f"{first.width_mm.low:.2f} to {first.width_mm.high:.2f}"
    assert told in text.partition("Sizes that seat, mm")[2].partition("First choice")[0]
    assert "triangle-step" in text.partition("Left out")[2]
    assert text.index(found.mounting.story[:40]) < text.index("First choice")


def test_nothing_seats_is_told_plainly() -> None:
    found = replace(proposed(), proposals=(), not_shown=())
    text = proposals_text(found)
    assert text.startswith("NOTHING SEATS")
    assert "First choice" not in text
    assert "Left out" in text


def test_doubt_is_not_told_as_a_yes() -> None:
    found = proposed()
    doubtful = [
        replace(item, ask=replace(item.ask, verdict="not decided")) for item in found.proposals
    ]
    text = proposals_text(replace(found, proposals=tuple(doubtful)))
    assert text.startswith("NOT DECIDED: no cut earns a yes")
    assert "Sizes that seat" not in text


def test_faults_are_counted_and_hang_under_their_place() -> None:
    fault = Fault(file="f.toml", line=3, key="k", value=1, rule="is not " * 20, remedy="Say so")
    text = faults_text([fault, fault], width=40)
    assert text.startswith("2 faults\n  f.toml:3  k = 1:") or text.startswith(
        "2 faults\n  f.toml:3 k = 1:"
    )
    assert all(line.startswith("  ") for line in text.splitlines()[1:])
    assert faults_text([fault]).startswith("1 fault\n")


# What the setter does


def test_uncut_claws_are_notched_where_the_library_puts_the_girdle() -> None:
    found = judged("claw-ring")
    first, second = ordinary_setting(found)
    assert f"its middle {abs(found.rest_height_mm):.2f} mm below the claw tips" in first
    assert second.startswith("Each notch is ")


def test_a_cut_seat_tells_where_the_stone_rests() -> None:
    found = judged("old-cushion-collet")
    assert f"{found.rest_height_mm:.2f} mm above the corner of wall and ledge" in " ".join(
        ordinary_setting(found)
    )
    above = next(item for item in found.requirements if item.name == "metal above girdle")
    assert f"{above.margin_mm + above.threshold_mm:.2f} mm of metal stands above it" in " ".join(
        ordinary_setting(found)
    )


def test_alterations_stay_within_what_is_allowed() -> None:
    found = judged("closed-back-oval")
    assert found.verdict != "seats"
    works = alterations(found)
    assert works
    for work in works:
        assert 0 <= work.about_mm <= work.at_most_mm
        # The widest alteration of the table is 0.30 mm; more than that is short, not altered.
        assert work.at_most_mm <= max(0.30, work.about_mm)
    assert alterations(replace(found, verdict="seats")) == ()


def test_cautions_name_what_destroys_the_stone() -> None:
    said = " ".join(cautions(material("sapphire"), ready("closed-back-oval").mounting))
    # Borax dissolves corundum (Gems & Gemology, Summer 1982); foil never goes into liquid.
    for word in ("borax", "foil", "laboratory", "licensed bench", "money"):
        assert word in said.lower()


# Letters and columns


def test_columns_line_up() -> None:
    rows = [["a", "1.00"], ["long name", "10.00"]]
    assert columns(rows, "<>") == ["  a           1.00", "  long name  10.00"]


def test_a_paragraph_keeps_its_words_whole() -> None:
    text = paragraph("half-space of a-very-long-name.toml", 12, first="- ")
    assert text.splitlines() == ["- half-space", "  of", "  a-very-long-name.toml"]


@pytest.mark.parametrize(
    ("share", "said"), [(1.0, ">99 %"), (0.994, "99 %"), (0.5, "50 %"), (0.004, "<1 %")]
)
def test_certainty_is_never_claimed(share: float, said: str) -> None:
    assert per_cent(share) == said


def test_names_become_words() -> None:
    assert words("claw_thickness_mm") == "claw thickness"
    assert words("density_g_cm3") == "density"
    assert unit_of("density_g_cm3") == "g/cm3"
    assert unit_of("length_ratio") == ""
    assert list_of(["one"]) == "one"
    assert list_of([]) == ""
    assert plain("a\tb\x07") == "a b?"
