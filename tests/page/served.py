"""The page over a folder: in the same process for most tests, behind a port for browsers."""

from __future__ import annotations

import re
import shutil
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from fitsolver.page.app import build
from fitsolver.page.guard import Keys
from fitsolver.page.helper import Helper
from fitsolver.page.server import LOCAL, MOST_CONNECTIONS, listener, patient_protocol
from fitsolver.page.site import Site
from fitsolver.page.store import Store

EXAMPLES = Path(__file__).parents[2] / "examples"
SOUND = {path.stem: path for path in sorted(EXAMPLES.rglob("*.toml")) if path.stem != "faulty"}
"""Every example that can be answered, by its name."""
SEAT = {
    "name": "Oval collet (invented)", "holds": "wall", "state": "cut", "back": "open",
    "opening_family": "oval", "opening_level": "girdle", "make": "hand", "finger_along": "width",
}  # fmt: skip
READINGS = {
    "opening_length_mm": "8,12 8,10", "opening_width_mm": "6.14", "ledge_width_mm": "0,45",
    "depth_below_ledge_mm": "3.6", "wall_height_mm": "1,0", "ledge_angle_deg": "38",
}  # fmt: skip


class Visitor:
    """A browser without scripts, in the same process: keeps its cookie, sends forms whole."""

    def __init__(self, folder: Path, *, shared: bool = False, helper: Helper | None = None) -> None:
        self.keys = Keys(shared=shared)
        self.store = Store(folder)
        self.app = build(
            self.store, self.keys, {"testserver"}, address="http://testserver", helper=helper
        )
        self.site: Site = self.app.app.state.site
        self.client = TestClient(self.app, follow_redirects=False)

    def __enter__(self) -> Visitor:
        self.client.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        self.client.__exit__(*error)

    def get(self, path: str, **more: Any) -> Any:
        return self.client.get(path, **more)

    def token(self) -> str:
        found = re.search(r'name="token" value="([0-9a-f]+)"', self.get("/new").text)
        assert found is not None
        return found[1]

    def post(self, path: str, fields: Mapping[str, str], **more: Any) -> Any:
        return self.client.post(path, data={"token": self.token(), **fields}, **more)

    def made(self, **more: str) -> str:
        """Make a mounting with its readings and return its slug."""
        answer = self.post("/new", SEAT | {k: v for k, v in more.items() if k in SEAT})
        assert answer.status_code == 303, answer.text
        slug = str(answer.headers["location"]).rpartition("/")[2]
        saved = self.save(slug, READINGS | more)
        assert saved.status_code == 303, saved.text
        return slug

    def revision(self, slug: str) -> str:
        return self.store.read(slug).revision

    def save(self, slug: str, fields: Mapping[str, str], revision: str = "") -> Any:
        known = {"revision": revision or self.revision(slug), **SEAT, **fields}
        return self.post(f"/m/{slug}", known)

    def answered(self, path: str, seconds: float = 150) -> str:
        """Ask until the work is done, as a browser without scripts does."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            answer = self.get(path)
            assert answer.status_code == 200, answer.text
            if 'class="progress"' not in answer.text:
                return str(answer.text)
            time.sleep(0.1)
        raise AssertionError("no answer in time")


def with_examples(folder: Path) -> Path:
    """Put the sound examples into a folder."""
    for path in (*SOUND.values(), *EXAMPLES.rglob("*.csv")):
        shutil.copy(path, folder)
    (folder / "candidates.csv").rename(folder / "old-cushion-collet.csv")
    return folder


def numbers(text: str) -> list[float]:
    """Every exact number on a page, in order."""
    return [float(value) for value in re.findall(r'<data value="([^"]+)"', text)]


@contextmanager
def behind_a_port(folder: Path, helper: Helper | None = None) -> Iterator[str]:
    """Serve a folder and give the address."""
    import uvicorn

    sock = listener(LOCAL, None)
    number = sock.getsockname()[1]
    keys = Keys(shared=False, cookie=f"fitsolver_{number}")
    app = build(Store(folder), keys, {LOCAL}, helper=helper)
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            log_level="error",
            ws="none",
            timeout_graceful_shutdown=2,
            http=patient_protocol(),
            limit_concurrency=MOST_CONNECTIONS,
        )
    )
    thread = threading.Thread(target=server.run, kwargs={"sockets": [sock]}, daemon=True)
    thread.start()
    try:
        yield f"http://{LOCAL}:{number}"
    finally:
        server.should_exit = True
        thread.join(10)
        sock.close()
