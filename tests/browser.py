"""A real browser for the tests: Debian's Chromium, no foreign host, every complaint kept."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
AXE = Path(str(files("axe_playwright_python") / "axe.min.js"))
DESKTOP, PHONE = (1280, 900), (390, 844)
LOCAL = ("127.0.0.1", "localhost")


@dataclass(slots=True)
class Complaints:
    """What the browser complained of, and which foreign hosts a page wanted."""

    console: list[str] = field(default_factory=list)
    foreign: list[str] = field(default_factory=list)


@contextmanager
def started() -> Iterator[Any]:
    """Start Chromium; skip the test where there is none."""
    import pytest

    sync_api = pytest.importorskip("playwright.sync_api")
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("no Chromium here")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


@contextmanager
def opened(
    browser: Any, size: tuple[int, int] = DESKTOP, *, scripts: bool = True, dark: bool = False
) -> Iterator[tuple[Any, Complaints]]:
    """Open a page in a profile of its own: (page, complaints)."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        java_script_enabled=scripts,
        color_scheme="dark" if dark else "light",
        accept_downloads=True,
    )
    context.set_default_timeout(20_000)
    complaints = Complaints()

    def route(each: Any) -> None:
        host = urlsplit(each.request.url).hostname
        if host is None or host in LOCAL:
            each.continue_()
        else:
            complaints.foreign.append(each.request.url)
            each.abort()

    context.route("**/*", route)
    page = context.new_page()
    page.on(
        "console",
        lambda message: (
            complaints.console.append(message.text)
            if message.type in ("error", "warning")
            else None
        ),
    )
    page.on("pageerror", lambda error: complaints.console.append(str(error)))
    try:
        yield page, complaints
    finally:
        context.close()


def violations(page: Any) -> list[str]:
    """What axe-core finds wrong with a page: rule and place."""
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("async () => (await axe.run(document)).violations")
    return [f"{item['id']}: {node['html'][:200]}" for item in found for node in item["nodes"]]


def too_wide(page: Any) -> int:
    """By how many pixels a page scrolls sideways, once it is there (it may be on its way)."""
    page.wait_for_load_state("domcontentloaded")
    return int(page.evaluate("document.documentElement.scrollWidth - window.innerWidth"))
