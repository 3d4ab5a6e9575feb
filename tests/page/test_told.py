"""What the page asks of a person, what it takes instead, and that it tells all the others tell."""

from __future__ import annotations

import html
import json
import re
from pathlib import Path
from typing import Any

import chores
import pytest
from browser import PHONE, opened
from served import EXAMPLES, SEAT, SOUND, Visitor, behind_a_port, with_examples

from fitsolver.cli import answer
from fitsolver.page.answer_views import altering, check_context
from fitsolver.page.helper import Helper
from fitsolver.page.seat_form import TAKEN
from fitsolver.seats.mounting_file import MountingFile
from fitsolver.seats.seat_table import SeatTable


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text)))


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory, helper: Helper) -> Visitor:
    return Visitor(with_examples(tmp_path_factory.mktemp("told")), helper=helper)


def test_a_new_mounting_is_described_by_a_person() -> None:
    """Chosen beforehand is only what the reader takes by itself where a file is silent."""
    fields = SeatTable.model_fields
    assert fields["make"].default == TAKEN["make"]
    assert fields["flush"].default is (TAKEN["flush"] == "yes")
    assert MountingFile.model_fields["finger_along"].default == TAKEN["finger_along"]


def test_nothing_is_chosen_that_nobody_asked_for(reader: Visitor) -> None:
    text = reader.get("/new").text
    chosen = re.findall(r'name="(\w+)" value="(\w*)" checked', text)
    assert chosen == [(name, "") for name in ("make", "finger_along", "flush")]
    assert "not said: taken as by hand" in text
    bare = reader.post("/new", {"name": "A ring (invented)"})
    assert bare.status_code == 422
    for name in ("holds", "state", "back", "opening_family", "opening_level"):
        assert re.search(rf'id="fault-{name}">\s*<span class="missing">', bare.text), name
    made = reader.post("/new", {k: v for k, v in SEAT.items() if k not in TAKEN})
    assert made.status_code == 303
    slug = made.headers["location"].rpartition("/")[2]
    assert "make" not in reader.store.read(slug).text


def test_a_reading_ticked_as_not_measured_shows_what_is_taken(reader: Visitor) -> None:
    slug = "closed-back-oval"
    page = reader.get(f"/m/{slug}").text
    assert 'name="ledge_width_mm.unmeasured"' in page
    assert 'name="opening_length_mm.unmeasured"' not in page
    assert re.search(r'id="assumed-ledge_width_mm">\s*</p>', page)
    fields = {name: html.unescape(value) for name, value in re.findall(
        r'<input[^>]* name="([^"]+)" type="text"[^>]* value="([^"]*)"', page)}  # fmt: skip
    kind = dict(re.findall(r'name="(\w+)" value="(\w+)" checked', page))
    sent = fields | kind | {"ledge_width_mm.unmeasured": "yes"}
    drawn = reader.post(f"/m/{slug}/drawing", sent).text
    assert re.search(r'id="assumed-ledge_width_mm" hx-swap-oob="true">Taken as ~ 0\.\d\d ±', drawn)
    revision = reader.revision(slug)
    assert reader.post(f"/m/{slug}", sent | {"revision": revision}).status_code == 303
    assert 'ledge_width_mm = "not measured"' in reader.store.read(slug).text
    again = reader.get(f"/m/{slug}").text
    assert re.search(r'name="ledge_width_mm.unmeasured" value="yes" checked', again)
    assert "Taken as ~" in again.partition('id="assumed-ledge_width_mm">')[2].partition("</p>")[0]


def test_cuts_for_this_mounting_stand_first(reader: Visitor) -> None:
    from fitsolver.stones.cut import cuts

    def groups() -> dict[str, list[str]]:
        text = reader.get("/m/step-rectangle/stones").text
        select = text.partition('id="f-cut"')[2].partition("</select>")[0]
        return {
            title: re.findall(r'<option value="([^"]+)"', part)
            for title, part in re.findall(r'<optgroup label="([^"]+)">(.*?)</optgroup>', select,
                                          re.DOTALL)
        }  # fmt: skip

    like = [each.name for each in cuts() if each.family == "octagon" and not each.strung]
    shown = groups()
    assert list(shown) == ["With the outline of the opening", "Others"]
    assert sorted(shown["With the outline of the opening"]) == sorted(like)
    everything = sorted(name for names in shown.values() for name in names)
    reader.site.proposed.put(reader.revision("step-rectangle"), ("emerald", "baguette"))
    shown = groups()
    assert shown["Proposed for this mounting"] == ["emerald", "baguette"]
    assert next(iter(shown)) == "Proposed for this mounting"
    assert sorted(name for names in shown.values() for name in names) == everything


def test_a_stone_without_a_name_is_called_by_its_cut_and_size(tmp_path: Path) -> None:
    visitor = Visitor(with_examples(tmp_path))
    stone = {"cut": "oval-brilliant", "length_mm": "8,0", "width_mm": "6.0", "depth_mm": "3,9"}
    for _ in range(2):
        assert visitor.post("/m/claw-ring/keep", stone).status_code == 303
    listed = visitor.get("/m/claw-ring/stones/list").text
    assert "\nOval brilliant 8,0 × 6.0;oval-brilliant;corundum;" in listed
    assert "Oval brilliant 8,0 × 6.0 (2)" in listed
    nameless = visitor.post("/m/claw-ring/keep", stone | {"cut": ""})
    assert nameless.status_code == 422
    assert "Choose one" in nameless.text


def check_of(name: str, *more: str) -> tuple[Any, str]:
    """A stone judged by the library, and what the command line prints of it."""
    from fitsolver.fitting.bench import bench
    from fitsolver.fitting.solver import check
    from fitsolver.seats.mounting import load_mounting
    from fitsolver.stones.cut import cut

    style, length, width, depth = more
    ready = bench(load_mounting(SOUND[name]))
    found = check(ready, cut(style), float(length), float(width), float(depth))
    said = answer(["check", str(SOUND[name]), "--cut", style, "--length", length, "--width", width,
                   "--depth", depth])  # fmt: skip
    return (ready, found), re.sub(r"\s+", " ", said.text)


def test_an_alteration_is_told_with_its_limit_and_what_to_mind() -> None:
    (ready, found), said = check_of("claw-ring", "oval-brilliant", "8.4", "6.25", "3.9")
    told = altering(found)
    assert found.verdict == "seats after alteration"
    assert any("allowed" in text and "Mind: " in text for text in told)
    for text in told:
        assert text[1:] in said
    assert check_context(ready, found)["alterations"] == told


def test_a_stone_that_metal_does_not_hold_says_why(reader: Visitor) -> None:
    # A bench that wants a claw every 60 degrees refuses four claws, whatever the margins.
    slug = "open-sided"
    text = SOUND["claw-ring"].read_text(encoding="utf-8")
    reader.store.create(slug, f"{text}\n[allowances]\nlargest_open_arc_deg = 60\n")
    page = reader.get(
        f"/m/{slug}/try?cut=oval-brilliant&length_mm=8,0&width_mm=6.0&depth_mm=3,9"
    ).text
    assert "Not held: " in page
    assert 'class="chance"' not in page
    row = {"cut": "oval-brilliant", "length_mm": "8", "width_mm": "6", "depth_mm": "3.9"}
    assert reader.post(f"/m/{slug}/keep", row).status_code == 303
    listed = reader.answered(f"/m/{slug}/stones")
    assert "<dt>Not held</dt>" in listed


def test_the_list_tells_what_a_buyer_must_ask_and_which_stone_is_clear(
    reader: Visitor, tmp_path: Path
) -> None:
    slug = "old-cushion-collet"
    rows = (EXAMPLES / "candidates.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    short = tmp_path / "short.csv"
    short.write_text("".join(rows[:3]), encoding="utf-8")
    now = reader.store.candidates(slug).revision
    reader.store.save_candidates(slug, short.read_text(encoding="utf-8"), now)
    shown = plain(reader.answered(f"/m/{slug}/stones"))
    told = json.loads(answer(["compare", str(SOUND[slug]), str(short), "--json"]).text)
    assert len(told["cautions"]) > 3
    for caution in told["cautions"]:
        assert caution in shown
    ranks = [f"{k}. {item['name']}" for k, item in enumerate(told["stones"], 1)]
    assert [shown.index(each) for each in ranks] == sorted(shown.index(each) for each in ranks)
    assert "No price ceiling" in shown


CUT = "oval-mixed"
BUDGET = "claw-ring-budget"


@pytest.fixture(scope="module")
def budgeted(reader: Visitor) -> tuple[str, str]:
    """The answer of a mounting with a budget, and its spec as the command line prints it.

    Two cuts are worked out in place of all, which takes a tenth of the time.
    """
    import datetime

    from fitsolver.fitting.bench import bench
    from fitsolver.market.spec import spec
    from fitsolver.seats.mounting import load_mounting
    from fitsolver.stones.cut import cut
    from fitsolver.stones.material import material
    from fitsolver.telling.spec_report import spec_text

    today = datetime.date.today()
    found = spec(bench(load_mounting(SOUND[BUDGET])), material("corundum"), date=today,
                 styles=[cut(CUT), cut("oval-brilliant")])  # fmt: skip
    mark = (reader.revision(BUDGET), f"corundum {today.isoformat()}")
    reader.site.work.task(BUDGET, mark, chores.given, found).wait(30)
    return reader.answered(f"/m/{BUDGET}/answer"), spec_text(found)


def test_a_budget_shows_ceiling_and_largest_stone_as_the_command_line(
    reader: Visitor, budgeted: tuple[str, str]
) -> None:
    page, printed = budgeted
    said = re.sub(r"\s+", " ", printed)
    shown = plain(page)
    left = re.search(r"FOR THE STONE: .*? \(20 %\)\.", said)
    assert left is not None
    assert left[0] in shown
    three = " ".join([r"(\d+) at ([\d.]+) ct"] * 3)
    rows = re.findall(f"{three} safe, if as heavy as {three}", said)
    asked = re.findall(r"(\d+) at ([\d.]+) ct; safe, if as heavy as ([\d.]+) ct: (\d+)", shown)
    assert len(asked) == len(rows) > 1
    for row, (most, ct, heavy, safe) in zip(rows, asked, strict=True):
        assert (most, ct) == row[2:4]
        assert (safe, heavy) == row[8:10]
    bought = re.findall(r"By the quotes it buys ([\d. x]+ mm, [\d.]+ ct)", shown)
    assert len(bought) == len(rows)
    for text in bought:
        assert text in said
    assert "probability 50 %, evenness 20 %, fill 20 %, period 10 %" in shown
    full = plain(reader.get(f"/m/{BUDGET}/answer/{CUT}").text)
    assert re.findall(r'<li class="choice-card" data-cut="([^"]+)"', page)[0] == CUT
    for most, ct in zip(rows[0][::2], rows[0][1::2], strict=True):
        assert f"{most} at {ct} ct" in full


def test_the_seating_range_joins_the_page_of_a_cut_when_it_is_ready(
    reader: Visitor, budgeted: tuple[str, str]
) -> None:
    address = f"/m/{BUDGET}/answer/{CUT}"
    page = reader.get(address).text
    assert f'hx-get="{address}/range?material=corundum"' in page
    assert f'href="{address}/range?material=corundum"' in page
    whole = reader.answered(f"{address}/range")
    part = reader.get(f"{address}/range", headers={"hx-request": "true"}).text
    assert "<html" not in part
    assert part.count("<svg") == 2
    assert "<html" in whole
    assert whole.count("<svg") == 2
    said = answer(["sizes", str(SOUND[BUDGET]), "--cut", CUT]).text
    shown = plain(part)
    for line in re.findall(r"^(?:as the seat is|with alteration|quoted box|best est).*$", said,
                           re.MULTILINE):  # fmt: skip
        assert re.sub(r"\s+", " ", line.strip()) in shown
    for size in re.findall(r"Calibrated sizes? [^.]+\.", said):
        assert re.sub(r"\s+", " ", size) in shown
    assert reader.get(f"/m/{BUDGET}/answer/no-such/range").status_code == 404


def test_every_size_within_says_when_it_needs_alteration(reader: Visitor) -> None:
    module: Any = reader.site.environment.get_template("answer_parts.html").make_module({})
    render = module.limits_of
    assert render("seats") == "Every size within"
    assert render("seats after alteration") == "After alteration, every size within"
    assert render("not decided") == "The one size tried, not decided"


def test_the_bar_that_stays_leaves_the_phone_its_screen(
    browser: Any, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = with_examples(tmp_path_factory.mktemp("phone"))
    with (
        behind_a_port(folder) as address,
        opened(browser, PHONE) as (page, complaints),
    ):
        page.goto(f"{address}/m/claw-ring-budget")
        high = page.evaluate("document.querySelector('.stay').getBoundingClientRect().height")
        assert high < PHONE[1] / 10
        # A fault of the budget appears beside its field as it is typed, without a save.
        page.locator("[name='budget.costs.1.amount']").fill("ten")
        page.locator("#fault-budget-costs-1-amount", has_text="is not a plain number").wait_for()
        assert complaints.console == []
