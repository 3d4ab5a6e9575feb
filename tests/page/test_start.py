"""What the first page waits for: no solver, no geometry, no second process."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from served import with_examples

FIRST = """
import asyncio, sys
from pathlib import Path
from fitsolver.page import server
from fitsolver.page.app import build
from fitsolver.page.guard import Keys
from fitsolver.page.helper import Helper
from fitsolver.page.job import prepare
from fitsolver.page.site import Site
from fitsolver.page.store import Store

Site.warm_up = lambda self: None  # what is loaded after the first page is another matter
app = build(Store(Path(sys.argv[1])), Keys(shared=False), {"here"}, helper=Helper(prepare))
scope = {"type": "http", "method": "GET", "path": "/", "raw_path": b"/", "query_string": b"",
         "headers": [(b"host", b"here")], "scheme": "http", "server": ("here", 80),
         "root_path": "", "http_version": "1.1"}
sent = []

async def receive():
    return {"type": "http.request", "body": b"", "more_body": False}

async def send(message):
    sent.append(message)

asyncio.run(app(scope, receive, send))
assert sent[0]["status"] == 200, sent
assert b"claw-ring" in sent[1]["body"]
print(*sorted({name.partition(".")[0] for name in sys.modules}))
"""


def test_the_first_page_is_served_before_anything_heavy_is_loaded(tmp_path: Path) -> None:
    with_examples(tmp_path)
    done = subprocess.run(
        [sys.executable, "-c", FIRST, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    loaded = set(done.stdout.split())
    heavy = {"scipy", "shapely", "trimesh", "matplotlib", "reportlab", "multiprocessing", "rich"}
    assert not loaded & heavy
