"""The whole journey in a real browser: from an empty folder to the sheet, with and without scripts.

axe-core (Deque Systems, the rules of WCAG 2) finds no violations on any view; the browser complains
of nothing and asks no foreign host.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import DESKTOP, PHONE, opened, too_wide, violations
from served import READINGS, SEAT, behind_a_port, with_examples

from fitsolver.page.helper import Helper
from fitsolver.seats.mounting import load_mounting

QUICK = [(DESKTOP, True), (PHONE, False)]
REST = [(DESKTOP, False), (PHONE, True)]
ANSWER_MS = 240_000


@pytest.fixture
def empty(tmp_path: Path, helper: Helper) -> Iterator[tuple[str, Path]]:
    with behind_a_port(tmp_path, helper) as address:
        yield address, tmp_path


@pytest.mark.parametrize(("size", "scripts"), QUICK)
def test_the_whole_journey(
    browser: Any, empty: tuple[str, Path], size: tuple[int, int], scripts: bool
) -> None:
    journey(browser, empty, size, scripts, ("/answer",))


@pytest.mark.slow
@pytest.mark.parametrize(("size", "scripts"), [*REST, QUICK[0]])
def test_the_whole_journey_of_the_other_kinds(
    browser: Any, empty: tuple[str, Path], size: tuple[int, int], scripts: bool
) -> None:
    journey(browser, empty, size, scripts)


def journey(
    browser: Any, place: tuple[str, Path], size: tuple[int, int], scripts: bool,
    watched: tuple[str, ...] = ("",),
) -> None:  # fmt: skip
    """Go all the way; views whose address has one of `watched` in it are held against the rules.

    The others are so in a test of their own.
    """
    address, folder = place

    with opened(browser, size, scripts=scripts) as (page, complaints):

        def sound() -> None:
            assert too_wide(page) <= 0, page.url
            if scripts and any(part in page.url for part in watched):
                assert violations(page) == [], page.url

        page.goto(address)
        sound()
        page.get_by_role("link", name="New mounting").click()
        sound()
        page.get_by_label("Name").fill(SEAT["name"])
        for label in ("a wall, closed", "exist already", "open, down to", "at the ledge"):
            page.get_by_label(label).check()
        page.get_by_label("oval", exact=True).check()
        page.get_by_role("button", name="Go on to the readings").click()

        # The readings, needed first; the drawing comes with them.
        assert page.locator("#drawing svg").count() == 0
        for key in ("opening_length_mm", "opening_width_mm", "ledge_width_mm"):
            page.locator(f"#f-{key}").fill(READINGS[key])
        if not scripts:
            page.get_by_role("button", name="Draw", exact=True).click()
        page.locator("#drawing svg").wait_for()
        sound()
        page.locator("#f-ledge_width_mm").fill("0,45")
        page.locator("#f-depth_below_ledge_mm").fill("36")
        if not scripts:
            page.get_by_role("button", name="Draw", exact=True).click()
        page.locator("#fault-depth_below_ledge_mm", has_text="0.3 to 25 mm").wait_for()
        page.locator("#f-depth_below_ledge_mm").fill("3,6")
        page.get_by_text("More readings").click()
        page.locator("#f-wall_height_mm").fill("1,0")
        page.locator("#f-ledge_angle_deg").fill("38")
        page.get_by_role("button", name="Save").click()
        page.locator("#said", has_text="Saved.").wait_for()
        sound()
        (path,) = folder.glob("*.toml")
        assert load_mounting(path).depth_below_ledge_mm is not None

        # What seats, the first choice, the sheet.
        page.get_by_role("link", name="What seats").click()
        page.locator(".choice-card").first.wait_for(timeout=ANSWER_MS)
        sound()
        with page.expect_download() as told:
            page.get_by_role("link", name="Sheet for paper").click()
        assert Path(told.value.path()).read_bytes().startswith(b"%PDF-")
        page.locator(".choice-card h2 a").first.click()
        page.locator("#margins").wait_for()
        if not scripts:
            page.get_by_role("link", name="Draw the seating range").click()
        page.locator("#range-found svg").first.wait_for(timeout=ANSWER_MS)
        sound()

        # A stone tried and kept; the mounting deleted and brought back.
        page.get_by_role("link", name="Stones").click()
        sound()
        page.get_by_label("Cut", exact=True).select_option("oval-brilliant")
        for name, text in (("length", "8,05"), ("width", "6,1"), ("depth", "3.9")):
            page.locator(f"#f-{name}_mm").fill(text)
        page.get_by_role("button", name="Try").click()
        page.locator("#result").wait_for()
        sound()
        page.get_by_label("Lot or mark").fill("A")
        page.get_by_role("button", name="Keep in the list").click()
        page.locator("#said", has_text="A is in the list").wait_for()
        assert (folder / f"{path.stem}.csv").is_file()
        sound()
        page.get_by_role("link", name="Mountings").click()
        page.get_by_role("button", name="Delete").click()
        page.locator("#said", has_text="is deleted").wait_for()
        sound()
        page.get_by_role("button", name=f"Bring {path.stem} back").click()
        page.locator(".card").wait_for()
        assert path.is_file()

        assert complaints.console == []
        assert complaints.foreign == []


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory, helper: Helper) -> Iterator[str]:
    with behind_a_port(with_examples(tmp_path_factory.mktemp("full")), helper) as address:
        yield address


VIEWS = (
    "/", "/new", "/weigh", "/share", "/nothing", "/m/claw-ring", "/m/old-cushion-collet",
    "/m/old-cushion-collet/stones",
    "/m/step-rectangle/try?cut=emerald&length_mm=9,1&width_mm=7.1&depth_mm=4.6&mass_ct=2,9",
    "/m/claw-ring/try?cut=emerald&length_mm=0,3&width_mm=x",
    "/weigh?cut=oval-brilliant&material=sapphire&length_mm=8&width_mm=6&depth_mm=3,9&mass_ct=1,7",
)  # fmt: skip


@pytest.mark.parametrize(("size", "dark"), [(DESKTOP, False), (PHONE, True)])
def test_no_view_has_a_barrier(browser: Any, full: str, size: tuple[int, int], dark: bool) -> None:
    barriers(browser, full, size, dark)


@pytest.mark.slow
@pytest.mark.parametrize(("size", "dark"), [(DESKTOP, True), (PHONE, False)])
def test_no_view_of_the_other_kinds_has_a_barrier(
    browser: Any, full: str, size: tuple[int, int], dark: bool
) -> None:
    barriers(browser, full, size, dark)


def barriers(browser: Any, full: str, size: tuple[int, int], dark: bool) -> None:
    with opened(browser, size, dark=dark) as (page, complaints):
        for view in VIEWS:
            page.goto(full + view)
            for box in page.locator("details").all():
                box.evaluate("box => { box.open = true; }")
            assert violations(page) == [], view
            assert too_wide(page) <= 0, view
            small = page.evaluate(SMALL_TARGETS)
            assert small == [], view
        assert [text for text in complaints.console if "404" not in text] == []
        assert complaints.foreign == []


# Links within a sentence are exempt (WCAG 2.2, 2.5.8); what is ticked counts with its label.
SMALL_TARGETS = """() => [...document.querySelectorAll('a, button, input, select, summary')]
  .filter(e => e.checkVisibility() && e.type !== 'hidden'
               && !e.closest('.skip, p.hint, footer, [aria-hidden]'))
  .map(e => ['radio', 'checkbox'].includes(e.type) ? e.closest('label') : e)
  .filter(e => { const b = e.getBoundingClientRect();
                 return b.width > 1 && (b.height < 43.5 || b.width < 43.5); })
  .map(e => e.outerHTML.slice(0, 120))"""


def test_the_seat_is_filled_in_and_saved_by_keyboard_alone(
    browser: Any, empty: tuple[str, Path]
) -> None:
    address, folder = empty
    with opened(browser) as (page, _):
        page.goto(f"{address}/new")

        def reach(selector: str) -> None:
            for _ in range(120):
                page.keyboard.press("Tab")
                if page.evaluate("s => document.activeElement.matches(s)", selector):
                    return
            raise AssertionError(f"no way to {selector} by keyboard")

        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        reach("#f-name")
        page.keyboard.type("Keys (invented)")
        reach("[name=holds]")
        page.keyboard.press("ArrowDown")
        for name, key in (
            ("state", "ArrowDown"),
            ("back", "Space"),
            ("opening_family", "ArrowDown"),
            ("opening_level", "Space"),
        ):
            reach(f"[name={name}]")
            page.keyboard.press(key)
        reach("main button")
        page.keyboard.press("Enter")
        page.locator("#f-claw_directions_deg").wait_for()
        reach("#f-opening_length_mm")
        page.keyboard.type("8,1")
        reach("#f-opening_width_mm")
        page.keyboard.type("6,1")
        # The drawing must not take the focus away.
        page.locator("#drawing svg").wait_for()
        assert page.evaluate("document.activeElement.id") == "f-opening_width_mm"
        page.keyboard.press("Enter")
        page.locator("#said", has_text="Saved.").wait_for()
        assert len(list(folder.glob("keys-invented.toml"))) == 1


def test_a_change_of_kind_asks_other_readings_and_keeps_what_was_typed(
    browser: Any, full: str
) -> None:
    with opened(browser) as (page, complaints):
        page.goto(f"{full}/m/closed-back-oval")
        page.locator(".kindbox summary").click()
        ledge = page.locator("#f-ledge_width_mm").input_value()
        page.get_by_label("are still to be made").check()
        page.locator("#f-depth_below_rim_mm").wait_for()
        assert page.locator("#f-ledge_width_mm").count() == 0
        page.get_by_label("exist already").check()
        page.locator("#f-ledge_width_mm").wait_for()
        assert page.locator("#f-ledge_width_mm").input_value() == ledge
        assert complaints.console == []


def test_the_words_of_the_live_region_change_and_it_stays(browser: Any, full: str) -> None:
    with opened(browser) as (page, _):
        page.goto(f"{full}/m/claw-ring")
        page.evaluate("document.getElementById('said').dataset.same = 'yes'")
        page.locator("#f-claw_width_mm").fill("99")
        page.locator("#said", has_text="One reading to look at again").wait_for()
        assert page.evaluate("document.getElementById('said').dataset.same") == "yes"
        assert page.evaluate("document.getElementById('said').closest('#drawing')") is None
        fault = page.locator("#f-claw_width_mm").get_attribute("aria-describedby")
        assert fault is not None
        assert re.search(r"\bfault-claw_width_mm\b", fault)


def test_it_prints_without_buttons(browser: Any, full: str) -> None:
    with opened(browser) as (page, _):
        page.goto(f"{full}/m/claw-ring")
        page.emulate_media(media="print")
        for selector in (".tabs", ".acts.stay", ".titleblock nav"):
            assert not page.locator(selector).first.is_visible()
        assert page.locator("#drawing svg").is_visible()
        assert page.pdf().startswith(b"%PDF-")
