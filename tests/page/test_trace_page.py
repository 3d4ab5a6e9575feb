"""Tracing on a photograph, in a browser: clicks become millimetres, the photograph stays there."""

from __future__ import annotations

import io
import math
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("playwright.sync_api")
pytest.importorskip("starlette")

from browser import AXE
from clicked import WALL, oval_points

from fitsolver.files.datafile import parse_toml
from fitsolver.page.app import build
from fitsolver.page.guard import Keys
from fitsolver.page.store import Store
from fitsolver.seats.mounting import load_mounting
from fitsolver.seats.trace import trace_from

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]  # fmt: skip
# The photograph: 60 pixels to the mm, a rule of 10 mm beside the opening.
SCALE = 60
WIDE, HIGH = 900, 800
RULE = ((100, 760), (700, 760))

pytestmark = pytest.mark.skipif(not CHROMIUM.exists(), reason="needs Debian's chromium")


def pixels(count: int) -> np.ndarray:
    """Points of the lopsided oval on the photograph, whose y runs downward."""
    x, y = oval_points(count).T
    return np.column_stack([x * SCALE, HIGH - (y + 2) * SCALE])


def photograph(wide: int = WIDE, high: int = HIGH) -> bytes:
    from PIL import Image, ImageDraw

    image = Image.new("RGB", (wide, high), (150, 120, 60))
    pen = ImageDraw.Draw(image)
    pen.polygon([tuple(p) for p in pixels(400)], fill=(30, 25, 20))
    pen.line([RULE[0], RULE[1]], fill=(240, 240, 240), width=3)
    kept = io.BytesIO()
    image.save(kept, "PNG")
    return kept.getvalue()


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    import uvicorn

    folder = tmp_path_factory.mktemp("mountings")
    lines = "\n".join(f"{key} = {value}" for key, value in WALL.items())
    for name in ("a", "b", "c"):
        (folder / f"{name}.toml").write_text(f'name = "Traced {name}"\n[seat]\n{lines}\n')
    app = build(Store(folder), Keys(shared=False), {"127.0.0.1"})
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + 20
    while not server.started and time.monotonic() < until:
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    yield f"http://127.0.0.1:{port}", folder
    server.should_exit = True
    thread.join(10)


class Desk:
    """The page with a photograph open, and everything it sent."""

    def __init__(self, browser: Any, url: str, **settings: Any) -> None:
        self.context = browser.new_context(**settings)
        self.page = self.context.new_page()
        self.sent: list[Any] = []
        self.errors: list[str] = []
        self.page.on("request", lambda request: self.sent.append(request))  # noqa: PLW0108
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", lambda message: (
            self.errors.append(message.text) if message.type == "error" else None))  # fmt: skip
        self.page.goto(url)

    def part(self, name: str) -> Any:
        return self.page.locator(f'[data-part="{name}"]')

    def says(self, words: str) -> None:
        """Wait until the desk says so."""
        from playwright.sync_api import expect

        expect(self.part("said")).to_contain_text(words)

    def answered(self) -> None:
        """Wait until the curve through the present points is there."""
        from playwright.sync_api import expect

        self.page.wait_for_timeout(250)
        expect(self.part("used")).to_contain_text("0.")
        self.page.wait_for_load_state("networkidle")

    def open(self, content: bytes, kind: str = "image/png") -> None:
        file = {"name": "seat.png", "mimeType": kind, "buffer": content}
        self.part("photo").set_input_files(file)

    def click(self, x: float, y: float) -> None:
        """Click at a pixel of the photograph."""
        left, top, scale = self.page.evaluate(
            """([x, y]) => {
                const board = document.querySelector(".trace-board");
                const stage = board.closest(".trace-stage");
                const scale = board.getBoundingClientRect().width / board.viewBox.baseVal.width;
                stage.scrollIntoView({ block: "center", behavior: "instant" });
                stage.scrollTop = y * scale - stage.clientHeight / 2;
                const box = board.getBoundingClientRect();
                return [box.left, box.top, scale];
            }""",
            [float(x), float(y)],
        )
        self.page.mouse.click(left + x * scale, top + y * scale)

    def set_scale(self) -> None:
        self.page.locator('[data-part="mode"][value="known"]').check()
        self.click(*RULE[0])
        self.click(*RULE[1])
        self.part("length").fill("10,0")
        self.page.locator('[data-part="mode"][value="points"]').check()

    def points(self) -> np.ndarray:
        lines = self.part("points").input_value().split("\n")
        return np.array([[float(v) for v in line.split()] for line in lines])


@pytest.fixture
def desk(browser: Any, address: tuple[str, Path], request: Any) -> Iterator[Desk]:
    slug = getattr(request, "param", "c")
    window = {"width": 1100, "height": 1000}
    opened = Desk(browser, f"{address[0]}/m/{slug}/trace", viewport=window)
    yield opened
    opened.context.close()


@pytest.mark.parametrize("desk", ["a"], indirect=True)
def test_clicks_become_a_mounting(desk: Desk, address: tuple[str, Path]) -> None:
    """Photograph, scale, 24 clicks, keep: the file holds the edge in mm, to a click's width."""
    desk.open(photograph())
    desk.says("open")
    desk.set_scale()
    for x, y in pixels(24):
        desk.click(x, y)
    assert float(desk.part("scale").inner_text()) == pytest.approx(SCALE, rel=0.005)
    desk.answered()
    off = desk.points() - oval_points(24) - (0, 2)
    # The board is shown at some 0.9 of its size: half a pixel of the screen is 0.01 mm.
    assert np.abs(off).max() < 0.06
    shown = float(desk.part("residual").inner_text())
    assert shown == pytest.approx(trace_from(desk.points()).residual_u_mm, abs=6e-4)
    assert float(desk.page.locator("#f-opening_points_scale_u_pct").input_value()) > 0.5
    desk.page.locator("button.main").click()
    desk.page.wait_for_url("**/m/a?saved=1")
    kept = load_mounting(address[1] / "a.toml").opening_points
    assert kept is not None
    assert kept.size_mm == pytest.approx(trace_from(oval_points(400)).size_mm, abs=0.1)
    assert desk.errors == []


def test_the_photograph_never_leaves(desk: Desk, address: tuple[str, Path]) -> None:
    content = photograph()
    desk.open(content)
    desk.says("open")
    desk.set_scale()
    for x, y in pixels(14):
        desk.click(x, y)
    desk.answered()
    posts = [each for each in desk.sent if each.method == "POST"]
    assert posts
    for each in posts:
        body = each.post_data_buffer or b""
        assert len(body) < 5_000
        assert b"PNG" not in body
        assert each.url.startswith(address[0])
    foreign = [each.url for each in desk.sent if not each.url.startswith((address[0], "blob:"))]
    assert foreign == []


def test_a_point_is_dragged_undone_and_deleted(desk: Desk) -> None:
    desk.open(photograph())
    desk.says("open")
    desk.set_scale()
    for x, y in pixels(14):
        desk.click(x, y)
    before = desk.points()
    board = desk.page.locator(".trace-board")
    desk.page.evaluate("document.querySelector('.trace-stage').scrollTop = 0")
    box = board.bounding_box()
    x, y = pixels(14)[3] * box["width"] / WIDE + (box["x"], box["y"])
    mouse = desk.page.mouse
    mouse.move(x, y)
    mouse.down()
    assert not desk.part("lens").is_hidden()
    mouse.move(x + 30, y + 12, steps=4)
    mouse.up()
    assert desk.part("lens").is_hidden()
    after = desk.points()
    moved = np.flatnonzero(np.abs(after - before).max(axis=1) > 1e-9)
    assert moved.tolist() == [3]
    step = 30 * WIDE / box["width"] / SCALE
    assert after[3, 0] - before[3, 0] == pytest.approx(step, abs=0.03)
    desk.part("undo").click()
    assert np.array_equal(desk.points(), before)
    desk.click(*pixels(14)[3])
    desk.part("delete").click()
    assert len(desk.points()) == 13
    assert desk.errors == []


def test_a_point_between_two_goes_between_them(desk: Desk) -> None:
    desk.open(photograph())
    desk.says("open")
    desk.set_scale()
    every = pixels(14)
    for x, y in np.delete(every, 5, axis=0):
        desk.click(x, y)
    desk.click(*every[5])
    assert np.abs(desk.points() - oval_points(14) - (0, 2)).max() < 0.06


def test_keys_alone_move_points(desk: Desk) -> None:
    desk.open(photograph())
    desk.says("open")
    desk.set_scale()
    for x, y in pixels(14):
        desk.click(x, y)
    before = desk.points()
    desk.part("stage").focus()
    press = desk.page.keyboard.press
    press("PageDown")  # from the last to the first
    press("Shift+ArrowRight")
    after = desk.points()
    box = desk.page.locator(".trace-board").bounding_box()
    assert after[0, 0] - before[0, 0] == pytest.approx(10 * WIDE / box["width"] / SCALE, abs=0.02)
    assert "Point 1 of 14" in desk.part("said").inner_text()
    press("Enter")
    assert len(desk.points()) == 15
    press("Delete")
    press("Control+z")
    assert len(desk.points()) == 15


def test_typed_points_need_no_photograph(desk: Desk) -> None:
    lines = "\n".join(f"{x:.3f} {y:.3f}".replace(".", ",") for x, y in oval_points(20))
    desk.part("points").fill(lines)
    desk.part("points").blur()
    desk.answered()
    assert desk.part("count").inner_text() == "20"
    assert desk.part("size").inner_text().startswith("8.4")


def test_what_is_wrong_is_said(desk: Desk) -> None:
    points = oval_points(20)[[*range(5), *range(14, 4, -1), *range(15, 20)]]
    desk.part("points").fill("\n".join(f"{x:.3f} {y:.3f}" for x, y in points))
    desk.part("points").blur()
    desk.page.wait_for_selector("[data-part=faults] li")
    assert "rosses itself" in desk.part("faults").inner_text()


def test_a_trace_lying_across_is_offered_its_turn(desk: Desk) -> None:
    x, y = oval_points(24).T
    desk.part("points").fill("\n".join(f"{b:.3f} {a:.3f}" for a, b in zip(x, y, strict=True)))
    desk.part("points").blur()
    button = desk.part("turn_by")
    button.wait_for(state="visible")
    button.click()
    button.wait_for(state="hidden")
    assert abs(float(desk.part("turn").input_value())) == pytest.approx(90, abs=10)
    assert desk.part("faults").inner_text() == ""


def test_bombs_are_refused_by_their_heads(desk: Desk) -> None:
    """A PNG that says 30000 by 30000, and one that is no picture."""
    head = (
        b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + (30000).to_bytes(4, "big") * 2 + b"\x08\x02\0\0\0"
    )
    desk.open(head + b"\0" * 100)
    desk.says("50 million")
    jpeg = bytes.fromhex("ffd8ffe000104a46494600010100000100010000ffc0001108")
    desk.open(jpeg + (20000).to_bytes(2, "big") * 2 + b"\0" * 40, "image/jpeg")
    desk.says("50 million")
    desk.open(b"no picture at all")
    desk.says("no picture")
    assert desk.part("stage").is_hidden()


def test_no_violations(desk: Desk) -> None:
    desk.open(photograph())
    desk.says("open")
    # Run as the browser's own, past the policy that keeps foreign scripts out.
    desk.page.evaluate(AXE.read_text(encoding="utf-8"))
    found = desk.page.evaluate(
        "axe.run().then(r => r.violations.map(v => [v.id, v.nodes[0].html]))"
    )
    assert found == []


def test_on_a_phone(browser: Any, address: tuple[str, Path]) -> None:
    desk = Desk(browser, f"{address[0]}/m/c/trace", viewport={"width": 390, "height": 844},
                has_touch=True, is_mobile=True)  # fmt: skip
    desk.open(photograph())
    desk.says("open")
    assert desk.page.evaluate("document.documentElement.scrollWidth") <= 390
    # A finger sets points, drags one, and pans where there is none.
    board = desk.page.locator(".trace-board")
    board.scroll_into_view_if_needed()
    box = board.bounding_box()

    def at(x: float, y: float) -> tuple[float, float]:
        return box["x"] + x * box["width"] / WIDE, box["y"] + y * box["width"] / WIDE

    desk.page.touchscreen.tap(*at(100, 300))
    desk.page.touchscreen.tap(*at(700, 300))
    desk.part("length").fill("10")
    assert float(desk.part("scale").inner_text()) == pytest.approx(SCALE, rel=0.02)
    board.scroll_into_view_if_needed()
    box = board.bounding_box()
    finger = desk.context.new_cdp_session(desk.page)
    for kind, x in (
        ("touchStart", 700),
        ("touchMove", 600),
        ("touchMove", 400),
        ("touchEnd", None),
    ):
        place = [] if x is None else [dict(zip("xy", at(x, 300), strict=True))]
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": place})
        if x == 400:
            assert desk.part("lens").is_visible()
    assert float(desk.part("scale").inner_text()) == pytest.approx(SCALE / 2, rel=0.03)
    desk.part("nearer").tap()
    board = desk.page.locator(".trace-board").bounding_box()
    assert board["width"] > 450
    assert desk.page.evaluate("document.documentElement.scrollWidth") <= 390
    desk.context.close()


def test_without_scripts_lines_are_typed(browser: Any, address: tuple[str, Path]) -> None:
    url, folder = address
    desk = Desk(browser, f"{url}/m/b/trace", java_script_enabled=False)
    assert desk.part("desk").is_hidden()
    text = desk.page.locator("textarea")
    text.fill("1 2\nthree 4\n")
    desk.page.locator("button.main").click()
    assert "Line 2:" in desk.page.locator(".alarm").inner_text()
    text = desk.page.locator("textarea")
    text.fill("\n".join(f"{x:.2f}; {y:.2f}".replace(".", ",") for x, y in oval_points(24)))
    desk.page.locator("#f-opening_points_u_mm").fill("0,04")
    desk.page.locator("button.main").click()
    desk.page.wait_for_url("**/m/b?saved=1")
    kept = load_mounting(folder / "b.toml").opening_points
    assert kept is not None
    assert kept.u_mm == 0.04
    # The form of the seat leaves the trace as it is.
    desk.page.locator("button.main").click()
    again = parse_toml((folder / "b.toml").read_text(), name="b").data["seat"]
    assert len(again["opening_points_mm"]) == 24
    assert math.isclose(again["opening_points_u_mm"], 0.04)
    desk.context.close()
