"""The process that works long answers out: it tells, stops, is replaced, and leaves nothing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import chores
import pytest
from served import with_examples

from fitsolver.page.helper import PATIENCE_S, Helper, JobFailed, Stopped
from fitsolver.page.work import Work


@pytest.fixture(scope="module")
def helper() -> Iterator[Helper]:
    found = Helper(chores.prepare)
    yield found
    found.close()


def is_there(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{pid}/stat")
    return not stat.exists() or stat.read_text().rpartition(")")[2].split()[0] != "Z"


def in_time(is_so: Callable[[], Any], seconds: float = 40.0) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if is_so():
            return True
        time.sleep(0.02)
    return False


def test_jobs_are_done_by_one_other_process_that_stays(helper: Helper) -> None:
    first, second = helper.do(chores.who), helper.do(chores.who)
    assert first == second == helper.pid
    assert first != os.getpid()


def test_the_process_may_have_a_crew(helper: Helper) -> None:
    # No threads of its own: forking is safe there, where there is forking.
    pids = set(helper.do(chores.cores))
    assert helper.pid in pids
    assert len(pids) == (3 if sys.platform == "linux" else 1)


def test_progress_comes_over(helper: Helper) -> None:
    told: list[tuple[int, int]] = []
    assert helper.do(chores.count, (5,), progress=lambda *how: told.append(how)) == 5
    assert told == [(k, 5) for k in range(5)]


def test_a_job_that_is_unwanted_stops_and_the_process_stays(helper: Helper) -> None:
    pid, told = helper.do(chores.who), []
    with pytest.raises(Stopped):
        helper.do(
            chores.count, (100_000,), progress=lambda *how: told.append(how),
            unwanted=lambda: len(told) > 3,
        )  # fmt: skip
    assert helper.do(chores.who) == pid


def test_a_job_that_does_not_listen_is_ended_with_its_process(
    helper: Helper, tmp_path: Path
) -> None:
    pid, begun = helper.do(chores.who), tmp_path / "begun"
    start = time.monotonic()
    with pytest.raises(Stopped):
        helper.do(chores.sleep, (60.0, begun), unwanted=begun.exists)
    assert time.monotonic() - start < PATIENCE_S + 8
    assert not is_there(pid)
    assert helper.do(chores.who) != pid


def test_a_process_that_dies_is_replaced_and_its_job_done(helper: Helper, tmp_path: Path) -> None:
    pid = helper.do(chores.who)
    assert helper.do(chores.die_once, (tmp_path / "begun",)) == "done"
    assert helper.pid not in (None, pid)
    # Also while it has nothing to do.
    os.kill(helper.do(chores.who), signal.SIGKILL)
    assert helper.do(chores.count, (3,)) == 3


def test_a_job_that_always_ends_its_process_is_given_up(helper: Helper) -> None:
    with pytest.raises(JobFailed):
        helper.do(chores.die)
    assert helper.do(chores.count, (3,)) == 3


def test_what_breaks_is_told_and_the_process_stays(helper: Helper) -> None:
    pid = helper.do(chores.who)
    with pytest.raises(JobFailed, match="no such luck"):
        helper.do(chores.broken)
    with pytest.raises(JobFailed, match="pickle"):
        helper.do(chores.not_to_be_sent)
    assert helper.do(chores.who) == pid


def test_nothing_is_left_after_closing(tmp_path: Path) -> None:
    helper, begun, ended = Helper(chores.prepare), tmp_path / "begun", []
    helper.close()  # before there is anything
    helper = Helper(chores.prepare)
    pid = helper.do(chores.who)

    def wait() -> None:
        try:
            helper.do(chores.sleep, (60.0, begun))
        except Stopped:
            ended.append(True)

    thread = threading.Thread(target=wait)
    thread.start()
    assert in_time(begun.exists)
    helper.close()
    thread.join(5)
    assert ended == [True]
    assert not is_there(pid)
    helper.close()
    with pytest.raises(Stopped):
        helper.do(chores.who)
    assert helper.pid is None


def test_a_newer_task_has_the_helper_drop_the_older(helper: Helper) -> None:
    work = Work(helper)
    old = work.task("ring", ("a", "corundum"), chores.count, 100_000)
    assert in_time(lambda: old.done > 2)
    assert old.total == 100_000
    new = work.task("ring", ("b", "corundum"), chores.count, 4)
    new.wait(10)
    assert old.failed
    assert not old.broke
    assert new.answer == 4
    # The fixture's helper is everybody's: only the thread ends here.
    work._pool.shutdown()


def test_a_task_whose_job_breaks_in_the_helper_is_told(
    helper: Helper, caplog: pytest.LogCaptureFixture
) -> None:
    work = Work(helper)
    task = work.task("ring", ("a", ""), chores.broken)
    task.wait(10)
    assert task.broke
    assert "no such luck" in caplog.text
    work._pool.shutdown()


# How a server may end, and what is left of its helper then: nothing.
def said_so_far(stderr: int) -> bytes:
    """What was written, without waiting for whoever still holds the other end."""
    os.set_blocking(stderr, False)
    try:
        return os.read(stderr, 1 << 20)
    except BlockingIOError:
        return b""


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="children are found in /proc")
@pytest.mark.parametrize(
    "by",
    [signal.SIGKILL, signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.slow)],
)
def test_the_helper_ends_with_its_server(tmp_path: Path, by: signal.Signals) -> None:
    with_examples(tmp_path)
    process = subprocess.Popen(
        [sys.executable, "-m", "fitsolver", "serve", "--no-browser", "--folder", str(tmp_path)],
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    address = process.stderr.readline().split()[-1].rstrip("/")

    def children() -> list[int]:
        tasks = Path(f"/proc/{process.pid}/task").glob("*/children")
        return [int(pid) for task in tasks for pid in task.read_text().split()]

    def helpers() -> list[int]:
        return [
            pid for pid in children()
            if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()
        ]  # fmt: skip

    try:
        # Not before the first page was served.
        assert not children()
        urllib.request.urlopen(address).read()
        assert in_time(helpers)
        found = helpers()
        assert len(found) == 1
        # At work, or still loading: both must end.
        urllib.request.urlopen(f"{address}/m/claw-ring/answer").read()
        process.send_signal(by)
        process.wait(10)
        assert in_time(lambda: not is_there(found[0]))
        assert b"Traceback" not in said_so_far(process.stderr.fileno())
    finally:
        process.kill()
        process.wait()
        process.stderr.close()
