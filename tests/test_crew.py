"""Parts of an answer done by one process or by several: the same parts, in the same order."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path
from types import MappingProxyType

import pytest

from fitsolver import crew
from fitsolver.crew import ahead, alone, together
from fitsolver.errors import OutOfRange
from fitsolver.fitting.bench import bench
from fitsolver.fitting.proposal import propose
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material
from fitsolver.telling.record import as_json, proposals_record

here = os.getpid()
EXAMPLES = Path(__file__).resolve().parents[1] / "examples"


@pytest.fixture(autouse=True)
def _three_cores(monkeypatch):
    monkeypatch.setattr(crew, "_cores", lambda: 3)
    # The test runner's own threads do not matter here.
    monkeypatch.setattr(crew.threading, "active_count", lambda: 1)


def test_results_keep_their_order():
    for count in (0, 1, 2, 3, 7, 20):
        assert together(lambda k: k * k, range(count)) == [k * k for k in range(count)]


def test_other_processes_do_their_share():
    def worker(_):
        time.sleep(0.1)
        return os.getpid()

    assert len(set(together(worker, range(9)))) == 3
    assert set(alone(lambda _: os.getpid(), range(6))) == {os.getpid()}


def test_beside_other_threads_nothing_is_forked(monkeypatch):
    monkeypatch.undo()
    monkeypatch.setattr(crew, "_cores", lambda: 3)
    wait = threading.Event()
    other = threading.Thread(target=wait.wait)
    other.start()
    try:
        assert set(together(lambda _: os.getpid(), range(6))) == {os.getpid()}
    finally:
        wait.set()
        other.join()


def test_a_long_part_keeps_nobody_waiting():
    """While one process is at the first part, the others do all the rest."""

    def worker(k):
        time.sleep(0.5 if k == 0 else 0.01)
        return os.getpid()

    by = together(worker, range(13))
    assert by.count(by[0]) == 1


def test_read_only_mappings_come_back():
    found = together(lambda k: MappingProxyType({"k": k}), range(4))
    assert [view["k"] for view in found] == [0, 1, 2, 3]


@pytest.mark.parametrize("bad", [0, 1, 5])
def test_an_error_in_any_part_is_raised(bad):
    def do(k):
        if k == bad:
            raise ValueError(f"part {k}")
        return k

    with pytest.raises(ValueError, match=f"part {bad}"):
        together(do, range(6))


def test_a_process_that_is_ended_is_made_up_for():
    own = os.getpid()

    def do(k):
        if os.getpid() != own:
            os._exit(1)
        return k

    assert together(do, range(5)) == [0, 1, 2, 3, 4]


def test_parts_that_cannot_be_sent_are_done_here_and_quietly(capfd):
    # A function made on the spot cannot be pickled.
    found = together(lambda k: lambda: k * k, range(5))
    assert [part() for part in found] == [0, 1, 4, 9, 16]
    assert capfd.readouterr() == ("", "")


def test_an_error_that_cannot_be_sent_is_raised_as_it_is(capfd):
    def do(k):
        if k == 1:
            raise OutOfRange("width_mm", 0.0, 1.0, 2.0)  # does not come out of a pickle
        return k

    with pytest.raises(OutOfRange, match="width_mm = 0: must be 1 to 2 mm"):
        together(do, range(6))
    assert capfd.readouterr() == ("", "")


def test_a_part_begun_ahead_is_done_elsewhere_meanwhile():
    def worker() -> int:
        time.sleep(0.2)
        return os.getpid()

    start = time.monotonic()
    part = ahead(worker, together)
    assert time.monotonic() - start < 0.15
    assert part() != os.getpid()
    assert ahead(os.getpid, alone)() == os.getpid()


def test_a_part_begun_ahead_fails_where_it_is_called_for(capfd):
    def broken() -> int:
        raise OutOfRange("width_mm", 0.0, 1, 2)

    part = ahead(broken, together)
    with pytest.raises(OutOfRange):
        part()
    assert ahead(lambda: os._exit(1) if os.getpid() != here else 5, together)() == 5
    assert capfd.readouterr().err == ""


def test_progress_never_goes_back():
    told = []
    together(lambda k: k, range(9), told.append)
    assert told == sorted(told)
    assert told[-1] >= 9


def test_a_proposal_is_the_same_by_whomever_it_is_done():
    ready = bench(load_mounting(EXAMPLES / "claw-ring.toml"), samples=64)
    styles = [
        cut(name) for name in ("oval-brilliant", "oval-step", "round-brilliant", "cushion-step")
    ]
    one, many = (
        propose(ready, material("corundum"), styles=styles, limit=2, crew=each)
        for each in (alone, together)
    )
    assert as_json(proposals_record(one)) == as_json(proposals_record(many))
