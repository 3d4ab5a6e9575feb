"""Take the README's two pictures of the page: `examples/page-desktop.png` and `page-phone.png`.

    python tests/bench/take_screenshots.py

Needs Chromium (`apt install chromium`).
"""

from __future__ import annotations

import io
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "page")]

from browser import opened, started  # noqa: E402
from PIL import Image  # noqa: E402
from served import EXAMPLES, behind_a_port, with_examples  # noqa: E402

SLUG = "old-cushion-collet"
SHOTS = (
    ("page-desktop.png", (1180, 760), False, f"/m/{SLUG}"),
    ("page-phone.png", (390, 844), True, f"/m/{SLUG}/answer"),
)
COLOURS = 48


def main() -> None:
    with (
        TemporaryDirectory() as name,
        behind_a_port(with_examples(Path(name))) as address,
        started() as browser,
    ):
        for file, size, dark, path in SHOTS:
            with opened(browser, size, dark=dark) as (page, _):
                page.goto(address + path)
                if path.endswith("/answer"):
                    page.locator(".choice-card").first.wait_for(timeout=300_000)
                picture = Image.open(io.BytesIO(page.screenshot()))
            target = EXAMPLES / file
            picture.convert("RGB").quantize(COLOURS).save(target, optimize=True)
            print(f"{target.name}: {target.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
