"""How fast the page is: first page, last key to changed drawing, proposals beside the command line.

    python tests/bench/bench_page.py

Needs Chromium (`apt install chromium`). Not part of the tests: machines differ.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "page")]

from browser import opened, started  # noqa: E402
from served import SOUND, behind_a_port, with_examples  # noqa: E402

STARTS, KEYS = 5, 30
# Wakes when the drawing has been put in place, and tells when that was.
WATCH = """() => { const box = document.getElementById('drawing');
  new MutationObserver(() => { window.changed = performance.now(); })
    .observe(box, {childList: true}); }"""
BOX = "#f-wall_thickness_mm, #f-claw_thickness_mm"
TYPE = """value => new Promise(done => { const box = document.querySelector(BOX);
  window.changed = 0; box.value = value; const begun = performance.now();
  box.dispatchEvent(new Event('input', {bubbles: true}));
  const look = () => window.changed ? done(window.changed - begun) : requestAnimationFrame(look);
  look(); })""".replace("BOX", repr(BOX))


def first_page(folder: Path) -> float:
    """Seconds from the start of the process until the first page is read."""
    begun = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "fitsolver", "serve", "--no-browser", "--folder", str(folder)],
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    address = process.stderr.readline().split()[-1]
    with urllib.request.urlopen(address) as answer:
        answer.read()
    taken = time.perf_counter() - begun
    process.terminate()
    process.wait()
    process.stderr.close()
    return taken


def keys_to_drawing(browser: Any, address: str, slug: str) -> float:
    """Median milliseconds from the last key to the changed drawing."""
    with opened(browser) as (page, _):
        page.goto(f"{address}/m/{slug}")
        page.evaluate(WATCH)
        page.evaluate(TYPE, "0.40")  # the first loads what the others find loaded
        taken = [page.evaluate(TYPE, f"0.{41 + k % 9}") for k in range(KEYS)]
    return statistics.median(taken)


def proposals(browser: Any, address: str, slug: str) -> float:
    """Seconds from asking until the proposals stand on the page."""
    with opened(browser) as (page, _):
        begun = time.perf_counter()
        page.goto(f"{address}/m/{slug}/answer")
        page.locator(".choice-card").first.wait_for(timeout=300_000)
        return time.perf_counter() - begun


def on_the_command_line(slug: str) -> float:
    begun = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "fitsolver", "propose", str(SOUND[slug])],
        capture_output=True,
        check=False,
    )
    return time.perf_counter() - begun


def main() -> None:
    with TemporaryDirectory() as name:
        folder = with_examples(Path(name))
        first = statistics.median(first_page(folder) for _ in range(STARTS))
        print(f"first page, from the start of the process   {first:6.2f} s")
        with started() as browser, behind_a_port(folder) as address:
            for slug in SOUND:
                taken = keys_to_drawing(browser, address, slug)
                print(f"last key to drawing, {slug:22} {taken:6.0f} ms")
            for slug in SOUND:
                page, line = proposals(browser, address, slug), on_the_command_line(slug)
                print(f"propose, {slug:22} page {page:5.2f} s, command line {line:5.2f} s")


if __name__ == "__main__":
    main()
