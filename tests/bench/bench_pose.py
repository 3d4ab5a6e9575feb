"""Time the account of a pose, part by part: `python tests/bench/bench_pose.py`.

Processor time, least of several, in ms; nothing is asserted. The machine's load stands above.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import fitsolver
from fitsolver.fitting.contact import drop
from fitsolver.fitting.pose import pose_of, seated
from fitsolver.fitting.solver import Bench, Check, bench, check
from fitsolver.fitting.support import support
from fitsolver.fitting.tilt import tilt_band
from fitsolver.fitting.unopened import unopened
from fitsolver.fitting.zone import ledge, zones
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut

EXAMPLES = Path(fitsolver.__file__).parents[1] / "examples"
STONES = (
    ("old-cushion-collet", "cushion-brilliant", 7.7, 6.6, 4.3),
    ("closed-back-oval", "oval-brilliant", 6.9, 5.4, 3.2),
    ("step-rectangle", "emerald", 9.1, 7.1, 4.6),
    ("claw-ring", "oval-brilliant", 8.0, 6.0, 3.9),
)


def least_ms(work: Callable[[], object], repeats: int = 7) -> float:
    """Least processor time of several runs [ms]."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return 1000 * min(times)


def parts(ready: Bench, found: Check) -> tuple[Callable[[], object], ...]:
    """The account's parts, in the table's order."""
    at = seated(ready, found)
    return (
        lambda: drop(at.stone, at.surfaces, shift_mm=at.shift_mm, turn_rad=at.turn_rad),
        lambda: zones(at),
        lambda: ledge(at),
        lambda: support(at, 0.03),
        lambda: tilt_band(at, 0.02),
        lambda: unopened(at, 0.05),
        lambda: pose_of(ready, found),
    )


def main() -> None:
    """Print the table."""
    print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} before the start\n")
    names = ("drop", "zones", "ledge", "support", "tilt", "unopened", "pose")
    print(f"{'ms of processor time':22}" + "".join(f"{name:>10}" for name in names))
    for mounting, style, *size in STONES:
        ready = bench(load_mounting(EXAMPLES / f"{mounting}.toml"))
        found = check(ready, cut(style), *size)
        print(f"{mounting:22}" + "".join(f"{least_ms(work):10.1f}" for work in parts(ready, found)))


if __name__ == "__main__":
    main()
