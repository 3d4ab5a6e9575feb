"""How fast the page is, and how long the same change takes through the command line, in one run.

    python tests/bench/bench_page.py [example ...]

First page; last key to changed drawing; a reading changed, saved and asked what seats. Medians,
with the least in brackets, and the processor time that server and helper took, which other work on
the machine lengthens less. Needs Chromium (`apt install chromium`). Not part of the tests: machines
differ.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "page")]

from browser import DESKTOP, started  # noqa: E402
from served import SOUND, with_examples  # noqa: E402

STARTS, KEYS, CHANGES = 7, 30, 3
FITSOLVER = [sys.executable, "-m", "fitsolver"]
# Where something is typed: into a reading on which little rests, and into one on which much does.
METAL = ("wall_thickness_mm", "claw_thickness_mm")
BOXES = {"metal": METAL, "opening": ("opening_width_mm", "opening_width_mm.outside",
                                     "opening_length_mm", "ledge_width_mm")}  # fmt: skip
# Wakes when the drawing has been put in place, and tells when that was.
WATCH = """() => { const box = document.getElementById('drawing');
  new MutationObserver(() => { window.changed = performance.now(); })
    .observe(box, {childList: true}); }"""
TYPE = """([where, value]) => new Promise(done => { const box = document.querySelector(where);
  window.changed = 0; box.value = value; const begun = performance.now();
  box.dispatchEvent(new Event('input', {bubbles: true}));
  const look = () => window.changed ? done(window.changed - begun) : requestAnimationFrame(look);
  look(); })"""
# What the command line draws in every seat: it draws none without a stone.
STONE = ["--cut", "oval-brilliant", "--length", "8.0", "--width", "6.2", "--depth", "3.8"]


class Page:
    """A page that is served by a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.begun = time.perf_counter()
        self.process = subprocess.Popen(
            [*FITSOLVER, "serve", "--no-browser", "--folder", str(folder)],
            stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stderr is not None
        self.address = self.process.stderr.readline().split()[-1].rstrip("/")

    def close(self) -> None:
        self.process.terminate()
        self.process.wait()
        assert self.process.stderr is not None
        self.process.stderr.close()

    def worked_s(self) -> float:
        """Processor seconds of the server and what it started; 0 where nothing tells them."""
        if not Path("/proc/self/stat").exists():
            return 0.0
        return sum(_worked_s(pid) for pid in (self.process.pid, *_below(self.process.pid)))


def _below(pid: int) -> Iterator[int]:
    for tasks in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in tasks.read_text().split():
            yield int(child)
            yield from _below(int(child))


def _worked_s(pid: int) -> float:
    """Processor time of a process and of its children that have ended [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def served(folder: Path) -> Iterator[Page]:
    page = Page(folder)
    try:
        yield page
    finally:
        page.close()


@contextmanager
def in_browser(browser: Any) -> Iterator[Any]:
    """A tab that nothing looks into: requests that tests route take longer."""
    context = browser.new_context(viewport={"width": DESKTOP[0], "height": DESKTOP[1]})
    try:
        yield context.new_page()
    finally:
        context.close()


def first_page(folder: Path) -> float:
    """Seconds from the start of the process until the first page is read."""
    with served(folder) as page:
        with urllib.request.urlopen(page.address) as answer:
            answer.read()
        return time.perf_counter() - page.begun


def first_box(tab: Any, keys: Sequence[str]) -> tuple[str, float]:
    """The first of the fields that the form has, filled in if one is, and its value."""
    boxes = [box for key in keys if (box := tab.query_selector(f'[id="f-{key}"]')) is not None]
    box = next((box for box in boxes if box.input_value()), boxes[0])
    value = (box.input_value() or "0.4").replace(",", ".").split()[0]
    return f'[id="{box.get_attribute("id")}"]', float(value)


def keys_to_drawing(
    browser: Any, page: Page, slug: str, keys: Sequence[str]
) -> tuple[list[float], float]:
    """Milliseconds from last key to changed drawing, and the server's processor time for each."""
    with in_browser(browser) as tab:
        tab.goto(f"{page.address}/m/{slug}")
        tab.evaluate(WATCH)
        box, first = first_box(tab, keys)
        tab.evaluate(TYPE, [box, f"{first:.3f}"])  # the first loads what the others find loaded
        before = page.worked_s()
        taken = [
            tab.evaluate(TYPE, [box, f"{first + 0.01 * (1 + k % 9):.3f}"]) for k in range(KEYS)
        ]
        return taken, (page.worked_s() - before) / KEYS * 1e3


def change_to_proposals(browser: Any, page: Page, slug: str, value: str) -> tuple[float, float]:
    """Seconds from saving a changed reading until the proposals stand, and processor seconds."""
    with in_browser(browser) as tab:
        tab.goto(f"{page.address}/m/{slug}")
        box, _ = first_box(tab, METAL)
        tab.evaluate("([where, value]) => { document.querySelector(where).value = value; }",
                     [box, value])  # fmt: skip
        before, begun = page.worked_s(), time.perf_counter()
        tab.locator("button.main").click()
        tab.goto(f"{page.address}/m/{slug}/answer")
        tab.locator(".choice-card").first.wait_for(timeout=300_000)
        return time.perf_counter() - begun, page.worked_s() - before


def on_the_command_line(*arguments: str) -> tuple[float, float]:
    """Seconds and processor seconds of a command."""
    before, begun = os.times(), time.perf_counter()
    subprocess.run([*FITSOLVER, *arguments], capture_output=True, check=False)
    taken, after = time.perf_counter() - begun, os.times()
    worked = after.children_user + after.children_system
    return taken, worked - before.children_user - before.children_system


def shown(taken: Sequence[float], write: Callable[[float], str]) -> str:
    return f"{write(statistics.median(taken))} (least {write(min(taken)).strip()})"


def load() -> str:
    average = getattr(os, "getloadavg", lambda: (0.0,))()[0]
    return f"[{os.cpu_count()} cores, load {average:.1f}]"


def main() -> None:
    chosen = sys.argv[1:] or list(SOUND)
    with TemporaryDirectory() as name:
        folder = with_examples(Path(name))
        first = [first_page(folder) for _ in range(STARTS)]
        print(f"first page, from the start: {shown(first, '{:.2f} s'.format)}", load())
        with started() as browser, served(folder) as page:
            print("\nlast key to drawing; beside it the stone drawn by a command")
            for slug in chosen:
                drawn = [
                    on_the_command_line(
                        "check",
                        str(SOUND[slug]),
                        *STONE,
                        "--draw",
                        str(folder / "x.svg"),
                        "--force",
                    )[0]
                    for _ in range(CHANGES)
                ]
                for what, box in BOXES.items():
                    taken, worked = keys_to_drawing(browser, page, slug, box)
                    print(f"{slug:20} {what:13} {shown(taken, '{:4.0f} ms'.format)}, "
                          f"processor {worked:3.0f} ms; command {shown(drawn, '{:.2f} s'.format)}",
                          load(), flush=True)  # fmt: skip
            print("\na reading changed and what seats asked anew; beside it the command `propose`")
            for slug in chosen:
                ours, its = [], []
                for k in range(CHANGES):
                    ours.append(change_to_proposals(browser, page, slug, f"{0.7 + 0.01 * k:.2f}"))
                    its.append(on_the_command_line("propose", str(folder / f"{slug}.toml")))
                (taken, worked), (said, cost) = zip(*ours, strict=True), zip(*its, strict=True)
                print(f"{slug:20} page {shown(taken, '{:.2f} s'.format)}, "
                      f"processor {statistics.median(worked):.2f} s; "
                      f"command {shown(said, '{:.2f} s'.format)}, "
                      f"processor {statistics.median(cost):.2f} s", load(), flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
