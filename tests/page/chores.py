"""Jobs for a helper in the tests: functions of a module, as another process must find them."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

Progress = Callable[[int, int], None]


def prepare() -> None:
    """Load nothing."""


def who(*, progress: Progress) -> int:
    return os.getpid()


def count(most: int, *, progress: Progress) -> int:
    for done in range(most):
        progress(done, most)
        time.sleep(0.005)
    return most


def cores(*, progress: Progress) -> list[int]:
    """The processes that a crew of the helper has, and that is it."""
    from fitsolver import crew

    crew._cores = lambda: 3  # type: ignore[assignment]
    return crew.together(_who, range(6))


def _who(_: int) -> int:
    time.sleep(0.1)
    return os.getpid()


def sleep(seconds: float, begun: Path, *, progress: Progress) -> None:
    """Tell nothing and hear nothing for a while."""
    begun.touch()
    time.sleep(seconds)


def die_once(begun: Path, *, progress: Progress) -> str:
    if not begun.exists():
        begun.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return "done"


def die(*, progress: Progress) -> None:
    os._exit(1)


def broken(*, progress: Progress) -> None:
    raise ValueError("no such luck")


def not_to_be_sent(*, progress: Progress) -> Any:
    return lambda: None


def given(answer: Any, *, progress: Progress) -> Any:
    return answer


def card(readings: Any, spec: Any, *, progress: Progress) -> str:
    return f"<!doctype html><title>{spec.mounting.name}</title>"


def endless(readings: Any, material_name: str, date: Any, *, progress: Progress) -> None:
    """Say how far it is until it is stopped."""
    for done in range(100_000):
        progress(min(done, 999), 1000)
        time.sleep(0.005)


def short_spec(readings: Any, material_name: str, date: Any, *, progress: Progress) -> Any:
    """The size spec, of two cuts only."""
    from fitsolver.market.spec import spec
    from fitsolver.page.job import bench_of
    from fitsolver.stones.cut import cut
    from fitsolver.stones.material import material

    styles = [cut("oval-brilliant"), cut("oval-step")]
    bench = bench_of(readings)
    return spec(bench, material(material_name), date=date, styles=styles, progress=progress)
