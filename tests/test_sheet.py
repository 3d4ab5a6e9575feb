"""The printed sheet, held against what a reader of PDF files finds in it (poppler), at 600 dpi."""

from __future__ import annotations

import dataclasses
import datetime
import os
import re
import subprocess
import sys
import unicodedata
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.errors import FitsolverError, InputFaults, OutOfRange, UnknownName
from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.proposal import Proposal
from fitsolver.fitting.region import Region, region
from fitsolver.market.spec import Spec, spec
from fitsolver.paper import view_page
from fitsolver.paper.lettering import broken, seen, shortened, width_of
from fitsolver.paper.sheet import sheet_bytes, write_sheet
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material

EXAMPLES = Path(__file__).parent.parent / "examples"
DPI = 600
MM = DPI / 25.4
NAMES = (
    "Bague à l’œillet, Łódź, ø čřžýű",
    "טבעת עתיקה",
    "خاتم قديم",
)


def made(example: str, *styles: str, name: str | None = None) -> tuple[Spec, Bench]:
    mounting = load_mounting(EXAMPLES / example)
    if name is not None:
        mounting = dataclasses.replace(mounting, name=name)
    ready = bench(mounting, samples=128)
    chosen = [cut(each) for each in styles]
    day = datetime.date(2024, 5, 6)
    return spec(ready, material("corundum"), date=day, styles=chosen), ready


@pytest.fixture(scope="module", autouse=True)
def few_draws() -> Iterator[None]:
    """The chart's region has tests of its own: here few draws of the seat, once a proposal."""
    found: dict[int, tuple[Proposal, Region]] = {}

    def quick(ready: Bench, proposal: Proposal, **_: object) -> Region:
        if id(proposal) not in found:
            found[id(proposal)] = (proposal, region(ready, proposal, draws=8))
        return found[id(proposal)][1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(view_page, "region", quick)
        yield


@pytest.fixture(scope="module")
def asked() -> tuple[Spec, Bench]:
    return made("old-cushion-collet.toml", "cushion-mixed", "old-mine", "princess")


@pytest.fixture(scope="module")
def empty() -> tuple[Spec, Bench]:
    return made("closed-back-oval.toml", "princess", "marquise-step")


@pytest.fixture(scope="module")
def printed(asked: tuple[Spec, Bench], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("sheets")
    kinds = {"a4": {}, "letter": {}, "corrected": {"bar_measured_mm": 49.6}}
    return {
        name: write_sheet(
            *asked, folder / f"{name}.pdf", paper="a4" if name == "corrected" else name, **kind
        )
        for name, kind in kinds.items()
    }


def poppler(tool: str, *words: object) -> str:
    done = subprocess.run([tool, *map(str, words)], capture_output=True, text=True, check=True)
    return done.stdout


def text_of(path: Path, *options: str) -> str:
    return poppler("pdftotext", *options, path, "-")


def flat(path: Path) -> str:
    """All text on one line."""
    return " ".join(text_of(path).split())


def template_page(path: Path) -> int:
    pages = text_of(path).split("\f")
    return next(k for k, page in enumerate(pages, 1) if "Template at true scale" in page)


@cache
def picture(path: Path, page: int) -> NDArray[np.bool_]:
    """What is dark of a page, (rows, columns), at 600 dpi."""
    done = subprocess.run(
        ["pdftoppm", "-r", str(DPI), "-gray", "-f", str(page), "-l", str(page), str(path)],
        capture_output=True,
        check=True,
    )
    head = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", done.stdout)
    assert head is not None
    wide, high = int(head[1]), int(head[2])
    pixels = np.frombuffer(done.stdout, np.uint8, wide * high, head.end())
    return pixels.reshape(high, wide) < 128


def longest_run(dark: NDArray[np.bool_]) -> int:
    """Length of the longest unbroken run of dark pixels along any row."""
    edges = np.diff(np.pad(dark, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    starts, ends = np.argwhere(edges == 1), np.argwhere(edges == -1)
    return int((ends[:, 1] - starts[:, 1]).max())


def words_on(path: Path, page: int) -> list[tuple[str, float, float, float, float]]:
    """Each word of a page with its box from the upper left corner [mm]."""
    found = re.findall(
        r'<word xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">([^<]*)<',
        text_of(path, "-bbox", "-f", str(page), "-l", str(page)),
    )
    return [(word, *(float(side) * 25.4 / 72 for side in sides)) for *sides, word in found]


@pytest.mark.parametrize(("kind", "bar_mm"), [("a4", 50), ("letter", 50), ("corrected", 50.403)])
def test_the_bars_are_true_both_ways(printed: dict[str, Path], kind: str, bar_mm: float) -> None:
    # Corrected: 50 / 49.6 of its size, so that it comes out at 50 on that printer.
    page = picture(printed[kind], template_page(printed[kind]))[: int(110 * MM)]
    assert longest_run(page) / MM == pytest.approx(bar_mm, abs=0.1)
    assert longest_run(np.ascontiguousarray(page.T)) / MM == pytest.approx(bar_mm, abs=0.1)


@pytest.mark.parametrize(
    ("kind", "scale"), [("a4", 1.0), ("letter", 1.0), ("corrected", 50 / 49.6)]
)
def test_the_outlines_are_true(
    printed: dict[str, Path], asked: tuple[Spec, Bench], kind: str, scale: float
) -> None:
    path = printed[kind]
    number = template_page(path)
    page = picture(path, number)
    words = words_on(path, number)
    smallest = [word for word in words if word[0] == "smallest"]
    largest = [word for word in words if word[0] == "largest"]
    assert len(smallest) == len(largest) == len(asked[0].wanted) == 2
    for item, small, large in zip(asked[0].wanted, smallest, largest, strict=True):
        for label, length, width in (
            (small, item.length_mm.low, item.width_mm.low),
            (large, item.length_mm.high, item.width_mm.high),
        ):
            _, left, top, right, _ = label
            middle = (left + right) / 2
            # A hair above the label: a letter may stand a pixel out of its box.
            rows = slice(int((top - 4 - width * scale) * MM), int((top - 0.2) * MM))
            columns = slice(int((middle - 15) * MM), int((middle + 15) * MM))
            inside = np.argwhere(page[rows, columns])
            high, wide = (np.ptp(inside, axis=0) + 1) / MM
            assert wide == pytest.approx(length * scale, abs=0.1)
            assert high == pytest.approx(width * scale, abs=0.1)
            assert f"{length:.2f} × {width:.2f} mm" in flat(path)


def test_the_lines_of_outlines_are_thin(printed: dict[str, Path]) -> None:
    path = printed["a4"]
    number = template_page(path)
    _, left, top, right, _ = next(w for w in words_on(path, number) if w[0] == "smallest")
    middle = int((left + right) / 2 * MM)
    column = picture(path, number)[
        int((top - 9) * MM) : int((top - 0.5) * MM), middle + int(2 * MM)
    ]
    assert 0 < column.sum() / MM < 2 * 0.16


def test_it_asks_to_measure_the_bar_and_says_which_edge_counts(printed: dict[str, Path]) -> None:
    text = flat(printed["a4"])
    assert "--bar-measured 49.6" in text
    assert "The outer edge of a line is the size" in text
    assert "Corrected for a printer" not in text
    corrected = flat(printed["corrected"])
    assert "Corrected for a printer on which the bar measured 49.6 mm" in corrected
    assert "100.81 % of true size" in corrected


def test_a_bar_that_cannot_be_is_refused(asked: tuple[Spec, Bench], tmp_path: Path) -> None:
    for wrong in (5.0, 496.0, float("nan")):
        with pytest.raises(OutOfRange, match="40 to 60"):
            write_sheet(*asked, tmp_path / "sheet.pdf", bar_measured_mm=wrong)
    with pytest.raises(UnknownName, match="letter"):
        write_sheet(*asked, tmp_path / "sheet.pdf", paper="leter")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("kind", "size"), [("a4", (595.276, 841.89)), ("letter", (612, 792))])
def test_paper_title_and_no_scaling(
    printed: dict[str, Path], kind: str, size: tuple[float, float]
) -> None:
    # ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: letter is 8.5 x 11 inches.
    facts = dict(line.split(":", 1) for line in poppler("pdfinfo", printed[kind]).splitlines())
    assert facts["Title"].strip() == "Old cushion collet (invented): size spec"
    assert facts.get("Author", "").strip() == ""
    found = re.findall(r"[\d.]+", facts["Page size"])
    assert [float(side) for side in found[:2]] == pytest.approx(size, abs=0.01)
    raw = printed[kind].read_bytes()
    assert b"/PrintScaling /None" in raw
    assert b"/Lang (en-GB)" in raw
    assert b"/URI" not in raw


def test_fonts_are_embedded(printed: dict[str, Path]) -> None:
    lines = poppler("pdffonts", printed["a4"]).splitlines()
    head, rows = lines[0], lines[2:]
    column = head.index("emb")
    assert len(rows) >= 2
    for row in rows:
        assert "DejaVuSans" in row
        assert row[column : column + 3] == "yes"


def test_it_says_what_the_spec_says(printed: dict[str, Path], asked: tuple[Spec, Bench]) -> None:
    text = flat(printed["a4"])
    found = asked[0]
    for item in found.wanted:
        stone = item.ask.stone
        assert item.style.title in text
        assert f"{stone.length_mm:.2f} × {stone.width_mm:.2f} × {stone.depth_mm:.2f} mm" in text
    for what in (
        "2024-05-06", "estimate, not a laboratory report", "Boron fluxes", "ultrasonic", "pickle",
        "Foil and closed backs", "glass-filled", "Never quench", "licensed bench", "Steam",
        "Section A–A", "Sizes that seat", "quoted box", "GO: passes",
        "NO-GO: does not pass", "Ordinary setting", "Alteration:",
        "~ irregularity", "opening radius at 330°", "photograph",
    ):  # fmt: skip
        assert what in text
    for reading in found.readings:
        assert f"{reading.value_mm:.2f} {reading.u_mm:.3f}" in text


@pytest.mark.parametrize("name", NAMES)
def test_names_of_any_script_can_be_read(name: str, tmp_path: Path) -> None:
    path = write_sheet(*made("claw-ring.toml", "oval-brilliant", name=name), tmp_path / "a.pdf")
    # Joined Arabic letters are compatibility forms of the plain ones; marks of direction aside.
    found = unicodedata.normalize("NFKC", text_of(path))
    found = re.sub("[\u202a-\u202e\u2066-\u2069\u200e\u200f]", "", found)
    assert name in found
    assert f"{name}: size spec" in poppler("pdfinfo", path)


def test_right_to_left_lines_are_broken_before_they_are_turned() -> None:
    hebrew, arabic = "טבעת עתיקה עם מסגרת", "خاتم"
    first, second = broken(hebrew, width_of("טבעת עתיקה עם", "Sheet", 8.0))
    assert first == "טבעת עתיקה עם"[::-1]
    assert second == "מסגרת"[::-1]
    assert unicodedata.normalize("NFKC", seen(arabic)) == arabic[::-1]
    assert seen(arabic) != arabic[::-1]  # joined, not letter by letter
    assert seen("(a) טבע", left=False) == "(a) עבט"


def test_long_names_stay_on_the_paper(tmp_path: Path) -> None:
    name = "Goldschmiedewerkstattfassungs" * 8 + " collet " * 30
    path = write_sheet(*made("claw-ring.toml", "oval-brilliant", name=name), tmp_path / "a.pdf")
    for number in range(1, text_of(path).count("\f") + 1):
        for word, left, _, right, _ in words_on(path, number):
            assert left >= 15, word
            assert right <= 210 - 15, word
    assert len(shortened(name, 200)) < len(name)


def test_pages_grow_with_what_there_is_to_say(
    asked: tuple[Spec, Bench], printed: dict[str, Path], tmp_path: Path
) -> None:
    found, ready = asked
    longer = replace(found, readings=found.readings * 6)
    path = write_sheet(longer, ready, tmp_path / "long.pdf")
    before, after = (text_of(each).count("\f") for each in (printed["a4"], path))
    assert after > before
    for number, page in enumerate(text_of(path).split("\f")[:-1], 1):
        assert f"page {number} of {after}" in page
    assert flat(path).count("opening radius at 330°") == 6


def test_where_nothing_seats_it_says_what_to_change(
    empty: tuple[Spec, Bench], tmp_path: Path
) -> None:
    path = write_sheet(*empty, tmp_path / "none.pdf")
    text = flat(path)
    assert not empty[0].wanted
    assert "Nothing seats" in text
    assert "What to change" in text
    for change in empty[0].changes:
        assert change.cut in text
        assert f"{change.short_by_mm:.2f} mm" in text
    assert "Template at true scale" not in text
    assert "Boron fluxes" in text


def test_a_budget_is_printed(tmp_path: Path) -> None:
    found, ready = made("claw-ring-budget.toml", "oval-mixed", "oval-brilliant")
    assert found.money is not None
    text = flat(write_sheet(found, ready, tmp_path / "a.pdf"))
    assert f"Left for the stone: {found.money.budget.written(found.money.left)}" in text
    for item in found.wanted:
        assert item.price is not None
        assert found.money.budget.about(item.price.asked.ceiling_per_ct, "ROUND_DOWN") in text
        for step in item.price.steps:
            assert f"jumps at {step.threshold_ct:f} ct" in text


def test_the_same_spec_gives_the_same_bytes(asked: tuple[Spec, Bench]) -> None:
    first = sheet_bytes(*asked)
    assert first == sheet_bytes(*asked)
    assert first != sheet_bytes(*asked, paper="letter")
    assert first != sheet_bytes(replace(asked[0], date=datetime.date(2024, 5, 7)), asked[1])


def test_nothing_is_lost_in_writing(asked: tuple[Spec, Bench], tmp_path: Path) -> None:
    path = tmp_path / "sheet.pdf"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(InputFaults, match="exists already"):
        write_sheet(*asked, path)
    assert path.read_text(encoding="utf-8") == "mine"
    write_sheet(*asked, path, overwrite=True)
    assert path.read_bytes().startswith(b"%PDF-")
    with pytest.raises(InputFaults, match=r"\.pdf"):
        write_sheet(*asked, tmp_path / "sheet.txt")
    with pytest.raises(InputFaults, match="cannot be written"):
        write_sheet(*asked, tmp_path / "no such folder" / "sheet.pdf")
    assert [each.name for each in tmp_path.iterdir()] == ["sheet.pdf"]


def test_a_read_only_folder_and_a_full_disk(
    asked: tuple[Spec, Bench], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    if os.access(locked, os.W_OK):  # the superuser may write anywhere but where nobody can
        locked = Path("/proc/self")
    with pytest.raises(FitsolverError, match="cannot be written"):
        write_sheet(*asked, locked / "sheet.pdf")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    path = tmp_path / "sheet.pdf"
    path.write_text("mine", encoding="utf-8")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputFaults, match="no space left on device"):
        write_sheet(*asked, path, overwrite=True)
    assert path.read_text(encoding="utf-8") == "mine"
    assert sorted(each.name for each in tmp_path.iterdir()) == ["locked", "sheet.pdf"]


def test_fonts_are_found_without_loading_what_carries_them() -> None:
    script = (
        "import sys\nfrom fitsolver.paper.lettering import register_fonts\nregister_fonts()\n"
        "sys.exit('matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0
