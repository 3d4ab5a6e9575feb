"""The answers on the page: the command line's own numbers, progress, work that is superseded."""

from __future__ import annotations

import html
import json
import re
import time
from pathlib import Path
from threading import Event
from typing import Any

import chores
import pytest
from served import EXAMPLES, READINGS, SEAT, SOUND, Visitor, numbers, with_examples

from fitsolver.cli import answer
from fitsolver.page import answer_views
from fitsolver.page.helper import Helper, Progress
from fitsolver.page.work import Work

EVERY = list(SOUND)
QUICK = ["claw-ring"]


@pytest.fixture
def visitor(tmp_path: Path) -> Visitor:
    return Visitor(with_examples(tmp_path))


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory, helper: Helper) -> Visitor:
    """One page for all that only read, so that no answer is worked out twice; with a helper."""
    return Visitor(with_examples(tmp_path_factory.mktemp("examples")), helper=helper)


def record(*arguments: str) -> Any:
    said = answer([*arguments, "--json"])
    assert said.text, said.aside
    return json.loads(said.text)


def cards(text: str) -> dict[str, str]:
    """The part of a page that is about each cut."""
    parts = re.split(r'<li class="choice-card" data-cut="', text)[1:]
    return {part.partition('"')[0]: part.partition("</li>\n")[0] for part in parts}


def said_by(item: Any) -> list[float]:
    """The numbers of one proposal in the order in which the page writes them."""
    chance, after = item["probability"], item["probability_after_alteration"]
    found = [chance, *([after] if after - chance >= 0.005 else [])]
    found += [item["ask"][name] for name in ("length_mm", "width_mm", "depth_mm")]
    found.append(item["weight_ct"]["value"])
    for name in ("length_mm", "width_mm", "depth_mm"):
        low, high = item[name]["low"], item[name]["high"]
        found += [low] if high - low < 0.005 else [low, high]
    found += [item["weight_ct"]["low"], item["weight_ct"]["high"]]
    found += [size["probability"] for size in item["calibrated"]]
    found += [need["margin_mm"] for need in item["requirements"] if need["name"] == item["binding"]]
    return found


def same_as_the_command_line(visitor: Visitor, slug: str, material: str = "corundum") -> None:
    text = visitor.answered(f"/m/{slug}/answer?material={material}")
    told = record("propose", str(SOUND[slug]), "--material", material)
    shown = cards(text)
    assert list(shown) == [item["cut"] for item in told["proposals"]]
    for item in told["proposals"]:
        assert numbers(shown[item["cut"]]) == pytest.approx(said_by(item), abs=1.1e-6)
    for left in told["left_out"]:
        assert left["cut"] in text
    short = [left["shortfall_mm"] for left in told["left_out"]]
    table = text.partition("<tbody>")[2].partition("</tbody>")[0]
    assert numbers(table) == pytest.approx(short, abs=1.1e-6)
    assert all(each in html.unescape(text) for each in told["cautions"])
    if told["proposals"]:
        cut = told["proposals"][0]["cut"]
        full = visitor.get(f"/m/{slug}/answer/{cut}?material={material}").text
        margins(full, told["proposals"][0]["requirements"])


def margins(text: str, needs: Any) -> None:
    order = sorted(needs, key=lambda item: (item["probability"], item["margin_mm"]))
    expected = []
    for item in order:
        expected += [item["margin_mm"], item["u_mm"], item["probability"], item["threshold_mm"]]
        expected += [] if item["direction_deg"] is None else [item["direction_deg"]]
    table = text.partition('id="margins"')[2].partition("</table>")[0]
    assert numbers(table) == pytest.approx(expected, abs=1.1e-6)


@pytest.mark.parametrize("slug", QUICK)
def test_proposals_are_the_command_lines_own(reader: Visitor, slug: str) -> None:
    same_as_the_command_line(reader, slug)


@pytest.mark.slow
@pytest.mark.parametrize("material", ["corundum", "diamond"])
@pytest.mark.parametrize("slug", EVERY)
def test_proposals_of_every_example_are_the_command_lines_own(
    reader: Visitor, slug: str, material: str
) -> None:
    same_as_the_command_line(reader, slug, material)


STONES = {
    "claw-ring": ("oval-brilliant", "8,0", "6.0", "3,9"),
    "claw-ring-budget": ("oval-brilliant", "8,0", "6.0", "3,9"),
    "closed-back-oval": ("oval-brilliant", "6.8", "5.3", "2,4"),
    "worn-oval-collet": ("oval-brilliant", "8,0", "6.0", "3,7"),
    "odd-oval": ("oval-brilliant", "7.9", "6.3", "3,5"),
    "old-cushion-collet": ("cushion-brilliant", "7,70", "6.60", "4,3"),
    "step-rectangle": ("emerald", "9,1", "7.1", "4.6"),
}


@pytest.mark.parametrize("slug", ["claw-ring", "odd-oval"])
def test_a_stone_tried_is_judged_as_on_the_command_line(reader: Visitor, slug: str) -> None:
    judged_alike(reader, slug)


@pytest.mark.slow
@pytest.mark.parametrize("slug", EVERY)
def test_a_stone_tried_in_any_example_is_judged_as_on_the_command_line(
    reader: Visitor, slug: str
) -> None:
    judged_alike(reader, slug)


def judged_alike(reader: Visitor, slug: str) -> None:
    cut, length, width, depth = STONES[slug]
    text = reader.get(
        f"/m/{slug}/try?cut={cut}&material=sapphire&length_mm={length}&width_mm={width}"
        f"&depth_mm={depth}"
    ).text
    told = record(
        "check", str(SOUND[slug]), "--cut", cut, "--length", length, "--width",
        width, "--depth", depth, "--material", "sapphire",
    )  # fmt: skip
    result = text.partition('class="result"')[2].partition("</section>\n<form")[0]
    assert told["verdict"] in result
    chance, after = told["probability"], told["probability_after_alteration"]
    weight = told["weight_ct"]
    expected = [chance, *([after] if after - chance >= 0.005 else [])]
    expected += [weight["value"], weight["low"], weight["high"]]
    assert numbers(result)[: len(expected)] == pytest.approx(expected, abs=1.1e-6)
    margins(result, told["requirements"])
    for step in told["ordinary_setting"] if told["verdict"] != "does not seat" else ():
        assert step in html.unescape(result)


def test_a_stone_is_weighed_as_on_the_command_line(reader: Visitor) -> None:
    text = reader.get(
        "/weigh?cut=oval-brilliant&material=sapphire&length_mm=8,05&width_mm=6.1&depth_mm=3,9"
        "&table_pct=58&mass_ct=1.75"
    ).text
    told = record(
        "weigh", "--cut", "oval-brilliant", "--material", "sapphire", "--length", "8,05",
        "--width", "6.1", "--depth", "3,9", "--table-pct", "58", "--mass-ct", "1.75",
    )  # fmt: skip
    weight, density = told["weight_ct"], told["consistency"]["implied_density_g_cm3"]
    assert numbers(text)[:4] == pytest.approx(
        [weight["value"], weight["low"], weight["high"], density["value"]], abs=1.1e-6
    )


def test_the_list_is_compared_as_on_the_command_line(visitor: Visitor) -> None:
    slug = "old-cushion-collet"
    text = visitor.answered(f"/m/{slug}/stones")
    told = record("compare", str(SOUND[slug]), str(EXAMPLES / "candidates.csv"))
    names = [html.unescape(name) for name in re.findall(r'data-stone="([^"]+)"', text)]
    key = "candidates" if "candidates" in told else "stones"
    assert names == [item.get("name", item.get("stone")) for item in told[key]]
    parts = text.split('<li class="choice-card"')[1:]
    for part, item in zip(parts, told[key], strict=True):
        assert item["probability"] == pytest.approx(numbers(part)[0], abs=1.1e-6)


@pytest.mark.parametrize("count", [40, 41, 130])
def test_a_list_of_any_length_is_shown(visitor: Visitor, count: int) -> None:
    """From the 41st stone on a list is only looked at once: such a stone has no check."""
    row = "oval-brilliant,corundum,{:.2f},6.0,3.9\n"
    text = "cut,material,length_mm,width_mm,depth_mm\n" + "".join(
        row.format(7.5 + number / 100) for number in range(count)
    )
    visitor.store.save_candidates("claw-ring", text, "")
    shown = visitor.answered("/m/claw-ring/stones")
    assert shown.count('<li class="choice-card"') == min(count, 100)


def test_a_stone_kept_stands_in_the_list_that_the_command_line_reads(visitor: Visitor) -> None:
    slug = "claw-ring"
    stone = {
        "cut": "oval-brilliant", "material": "sapphire", "length_mm": "8,0", "width_mm": "6.0",
        "depth_mm": "3,9", "mass_ct": "1,6", "price": "900", "stone": "A; one", "seen": "=1+1",
    }  # fmt: skip
    assert visitor.post(f"/m/{slug}/keep", stone).status_code == 303
    assert visitor.post(f"/m/{slug}/keep", {**stone, "stone": "B"}).status_code == 303
    listed = visitor.get(f"/m/{slug}/stones/list").text
    assert listed.count("\n") == 3
    text = visitor.answered(f"/m/{slug}/stones")
    assert "A; one" in text
    told = record("compare", str(SOUND[slug]),
                  str(visitor.store.folder / f"{slug}.csv"))  # fmt: skip
    assert len(told.get("candidates", told.get("stones"))) == 2
    revision = visitor.store.candidates(slug).revision
    gone = {"row": "1", "revision": revision}
    assert visitor.post(f"/m/{slug}/remove", gone).status_code == 303
    assert "A; one" not in visitor.get(f"/m/{slug}/stones/list").text
    # A page made before that takes out nothing.
    assert visitor.post(f"/m/{slug}/remove", gone).status_code == 409
    assert visitor.get(f"/m/{slug}/stones/list").text.count("\n") == 2


def test_a_stone_with_faults_is_not_kept_and_every_fault_is_told(visitor: Visitor) -> None:
    bad = {"cut": "oval", "length_mm": "0.3 inch", "width_mm": "", "depth_mm": "x"}
    answer = visitor.post("/m/claw-ring/keep", bad)
    assert answer.status_code == 422
    assert answer.text.count('aria-invalid="true"') == 3
    assert "inches" in answer.text
    assert visitor.get("/m/claw-ring/stones/list").text == ""


def test_a_list_brought_in_does_not_overwrite_one_that_changed(visitor: Visitor) -> None:
    slug = "claw-ring"
    token = {"token": visitor.token(), "revision": ""}
    sent = {"file": ("stones.csv", "cut;length_mm;width_mm;depth_mm\noval-brilliant;8;6;3,9\n")}
    first = visitor.client.post(f"/m/{slug}/stones/bring", data=token, files=sent)
    assert first.status_code == 303
    other = {"file": ("stones.csv", "cut\n")}
    second = visitor.client.post(f"/m/{slug}/stones/bring", data=token, files=other)
    assert second.status_code == 409
    assert visitor.store.candidates(slug).text == sent["file"][1]


def test_sheet_and_card_are_handed_out(reader: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    # How a card is made is tested with it; here it is only handed on.
    monkeypatch.setattr(answer_views, "card_of", chores.card)
    handed_out(reader)


@pytest.mark.slow
def test_a_whole_card_is_made_and_handed_out(visitor: Visitor) -> None:
    handed_out(visitor)


def handed_out(reader: Visitor) -> None:
    reader.answered("/m/claw-ring/answer")
    sheet = reader.get("/m/claw-ring/sheet")
    assert sheet.content.startswith(b"%PDF-")
    assert sheet.headers["content-type"] == "application/pdf"
    assert 'filename="claw-ring.pdf"' in sheet.headers["content-disposition"]
    assert "/m/claw-ring/card?material=corundum" in reader.answered("/m/claw-ring/card")
    card = reader.get("/m/claw-ring/card?file=1")
    assert card.text.lstrip().lower().startswith("<!doctype html>")
    assert "attachment" in card.headers["content-disposition"]


def test_readings_that_change_supersede_the_work_for_them(
    tmp_path: Path, helper: Helper, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(answer_views, "spec_of", chores.endless)
    visitor = Visitor(tmp_path, helper=helper)
    slug = visitor.made()
    first = visitor.get(f"/m/{slug}/answer").text
    assert 'class="progress"' in first
    assert '<noscript><meta http-equiv="refresh"' in first
    live = {"hx-request": "true"}
    for _ in range(50):
        told = visitor.get(f"/m/{slug}/answer", headers=live).text
        if " of 1000" in told:
            break
    assert re.search(r'<progress id="meter" max="1000" value="[1-9]\d*">', told)
    # The server has other things to do meanwhile.
    begun = time.perf_counter()
    assert visitor.get(f"/m/{slug}").status_code == 200
    assert time.perf_counter() - begun < 5
    # A few cuts only: all of them are judged for the command line's sake.
    monkeypatch.setattr(answer_views, "spec_of", chores.short_spec)
    visitor.save(slug, {**READINGS, "opening_length_mm": "8.3"})
    text = visitor.answered(f"/m/{slug}/answer")
    assert "choice-card" in text
    # The same readings again are answered at once.
    begun = time.perf_counter()
    assert "choice-card" in visitor.get(f"/m/{slug}/answer").text
    assert time.perf_counter() - begun < 1.0
    assert SEAT["name"] in text


def test_a_new_task_stops_the_older_one_of_its_mounting() -> None:
    work, started, seen = Work(), Event(), []

    def slow(progress: Progress) -> Any:
        for done in range(1000):
            seen.append(done)
            started.set()
            progress(done, 1000)
            time.sleep(0.005)

    old = work.task("ring", ("a", "corundum"), slow)
    assert started.wait(5)
    new = work.task("ring", ("b", "corundum"), lambda progress: "answer")
    new.wait(5)
    assert old.failed
    assert old.answer is None
    assert len(seen) < 1000
    assert new.answer == "answer"
    assert work.task("ring", ("b", "corundum"), slow) is new
    work.close()


def test_a_task_that_breaks_is_told_and_not_begun_over_and_over(
    caplog: pytest.LogCaptureFixture,
) -> None:
    work, times = Work(), []

    def broken(progress: Progress) -> Any:
        times.append(1)
        raise ValueError("no")

    task = work.task("ring", ("a", ""), broken)
    task.wait(5)
    assert task.failed
    assert task.broke
    assert work.task("ring", ("a", ""), broken) is task
    assert len(times) == 1
    assert "could not be worked out" in caplog.text
    # Other readings are another matter.
    again = work.task("ring", ("b", ""), lambda progress: "answer")
    again.wait(5)
    assert again.answer == "answer"
    work.close()


def test_whoever_is_shown_progress_asks_again_even_if_the_work_ends_meanwhile(
    visitor: Visitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The work ends between the view's look at it and the writing of the page.
    from fitsolver.page.work import Task

    class Ending(Task, kw_only=True):
        looks: int = 0

        @property
        def ready(self) -> bool:
            self.looks += 1
            return self.looks > 1

    for headers, sign in (
        ({"hx-request": "true"}, 'hx-trigger="load'), ({}, '<meta http-equiv="refresh"'),
    ):  # fmt: skip
        monkeypatch.setattr(
            answer_views, "task_for", lambda asked, page: Ending(mark=("a", "corundum"))
        )
        text = visitor.get("/m/claw-ring/answer", headers=headers).text
        assert sign in text
        assert "hx-get=" in text
