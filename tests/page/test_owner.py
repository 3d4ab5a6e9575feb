"""One page a folder: a second start leads to the first, and nothing that is kept is lost."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from fitsolver.page.owner import Owner, Taken

SERVE = [sys.executable, "-m", "fitsolver", "serve", "--no-browser", "--folder"]


def test_a_folder_has_one_owner_at_a_time(tmp_path: Path) -> None:
    first = Owner(tmp_path)
    first.answers_at("http://127.0.0.1:9/")
    with pytest.raises(Taken, match="is open in another page already") as caught:
        Owner(tmp_path)
    assert caught.value.address == "http://127.0.0.1:9/"
    first.release()
    Owner(tmp_path).release()


def test_a_second_start_names_the_page_that_runs_and_a_kill_frees_the_folder(
    tmp_path: Path,
) -> None:
    first = subprocess.Popen([*SERVE, str(tmp_path)], stderr=subprocess.PIPE, text=True)
    try:
        assert first.stderr is not None
        address = re.search(r"http://\S+", first.stderr.readline())
        assert address is not None
        second = subprocess.run(
            [*SERVE, str(tmp_path)], capture_output=True, text=True, timeout=60, check=False
        )
        assert second.returncode == 0
        assert address[0] in second.stderr
        assert "open already" in second.stderr
    finally:
        os.kill(first.pid, signal.SIGKILL)
        first.wait()
        assert first.stderr is not None
        first.stderr.close()
    Owner(tmp_path).release()
