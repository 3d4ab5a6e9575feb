"""Time the commands as whole processes: `python tests/bench/bench_commands.py`.

Nothing is asserted; the machine's load is printed beside the times, for they mean little without
it. `bench_seating.py` holds `propose` against general libraries.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import fitsolver

EXAMPLES = Path(fitsolver.__file__).parents[1] / "examples"
MOUNTINGS = ("claw-ring", "old-cushion-collet", "closed-back-oval", "step-rectangle")


def process_s(*arguments: str, repeats: int) -> list[float]:
    """Time a command from start to exit, several times [s]."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "fitsolver", *arguments], cwd=EXAMPLES,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False,
        )  # fmt: skip
        times.append(time.perf_counter() - start)
        # 3 and 4 are answers too: does not seat, not decided.
        if done.returncode not in (0, 3, 4):
            sys.exit(f"fitsolver {' '.join(arguments)} ended with {done.returncode}")
    return times


def main() -> None:
    """Print the table."""
    load = os.getloadavg()[0]
    print(f"{os.cpu_count()} processors, load {load:.1f} before the start\n")
    print(f"{'whole process':42} {'median':>8} {'least':>8}")
    stone = ("--cut", "oval-brilliant", "--length", "8", "--width", "6", "--depth", "3.9")
    for arguments, repeats in (
        (("--help",), 9),
        (("weigh", *stone), 5),
        (("check", "claw-ring.toml", *stone), 5),
        *((("propose", f"{name}.toml"), 5) for name in MOUNTINGS),
    ):
        times = process_s(*arguments, repeats=repeats)
        label = " ".join(arguments[:2] if arguments[0] != "weigh" else arguments[:1])
        print(f"{label:42} {statistics.median(times):6.2f} s {min(times):6.2f} s")


if __name__ == "__main__":
    main()
