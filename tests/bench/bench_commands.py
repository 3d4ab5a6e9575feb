"""Time the commands as whole processes, and propose against a loop over single stones.

Run by hand: `python tests/bench/bench_commands.py`. Nothing is asserted; the machine's load is
printed beside the times, for they mean little without it.

The loop stands for how one would do it with general libraries: a mesh of every candidate stone,
lowered onto the mesh of the seat by bisection of python-fcl's distance, one after the other. It
finds the rest height alone: no gap, no requirement, no probability. It is timed on some candidates
of one cut; the time for all judgements that propose makes is extrapolated from their number.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import fcl
import numpy as np

import fitsolver
from fitsolver.fitting import requirement
from fitsolver.fitting.contact import drop
from fitsolver.fitting.proposal import propose
from fitsolver.fitting.solver import Bench, bench, nominal_stone
from fitsolver.seats.metal import metal
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material

EXAMPLES = Path(fitsolver.__file__).parents[1] / "examples"
MOUNTINGS = ("claw-ring", "old-cushion-collet", "closed-back-oval", "step-rectangle")
SEAT, CUT = "old-cushion-collet", "cushion-brilliant"
CANDIDATES = 25
HALVINGS = 12  # of 4 mm: to a micrometre


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


def bvh(vertices: Any, faces: Any) -> Any:
    """Build the tree of bounding volumes that python-fcl works on."""
    model = fcl.BVHModel()
    model.beginModel(len(vertices), len(faces))
    model.addSubModel(vertices, faces)
    model.endModel()
    return model


def lowered_mm(stone: Any, seat: Any) -> float:
    """Lower a stone's mesh onto a seat's mesh by bisection of the distance between them [mm]."""
    mesh = stone.mesh()
    body = bvh(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    low, high = -2.0, 2.0
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        placed = fcl.CollisionObject(body, fcl.Transform(np.array([0.0, 0.0, middle])))
        apart = fcl.distance(placed, seat, fcl.DistanceRequest(), fcl.DistanceResult())
        low, high = (low, middle) if apart > 0 else (middle, high)
    return high


def loop_s(ready: Bench) -> tuple[float, float]:
    """Time of one candidate in the loop [s], and how far it strays from the exact drop [mm]."""
    surfaces = metal(ready.best)
    triangles = np.concatenate([item.triangles for item in surfaces if item.role == "support"])
    seat = fcl.CollisionObject(
        bvh(triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3))
    )
    style = cut(CUT)
    stones = [
        nominal_stone(style, 1.17 * width, width, 0.66 * width)
        for width in np.linspace(6.2, 6.9, CANDIDATES)
    ]
    start = time.perf_counter()
    heights = [lowered_mm(stone, seat) for stone in stones]
    each = (time.perf_counter() - start) / CANDIDATES
    exact = [drop(stone, surfaces).rest_z_mm for stone in stones]
    return each, float(np.abs(np.array(heights) - exact).max())


def judgements(ready: Bench) -> int:
    """How many stones in how many possible seats propose judges for one mounting."""
    count = 0
    real = {name: getattr(requirement, name) for name in ("_cut", "_uncut")}

    def counting(name: str) -> Any:
        def counted(placement: Any, crown: Any, *rest: Any) -> Any:
            nonlocal count
            count += len(crown)
            return real[name](placement, crown, *rest)

        return counted

    for name in real:
        setattr(requirement, name, counting(name))
    try:
        propose(ready, material("corundum"))
    finally:
        for name, function in real.items():
            setattr(requirement, name, function)
    return count


def main() -> None:
    """Print the table."""
    load = os.getloadavg()[0]
    print(f"{os.cpu_count()} processors, load {load:.1f} before the start\n")
    print(f"{'whole process':42} {'median':>8} {'least':>8}")
    medians = {}
    stone = ("--cut", "oval-brilliant", "--length", "8", "--width", "6", "--depth", "3.9")
    for arguments, repeats in (
        (("--help",), 9),
        (("weigh", *stone), 5),
        (("check", "claw-ring.toml", *stone), 5),
        *((("propose", f"{name}.toml"), 5) for name in MOUNTINGS),
    ):
        times = process_s(*arguments, repeats=repeats)
        label = " ".join(arguments[:2] if arguments[0] != "weigh" else arguments[:1])
        medians[label] = statistics.median(times)
        print(f"{label:42} {medians[label]:6.2f} s {min(times):6.2f} s")

    ready = bench(load_mounting(EXAMPLES / f"{SEAT}.toml"))
    each, apart = loop_s(ready)
    count = judgements(ready)
    own = medians[f"propose {SEAT}.toml"]
    print(f"\nLoop over single stones, {CUT} in {SEAT}:")
    print(f"  {1000 * each:.1f} ms a stone (measured on {CANDIDATES}), rest height alone,")
    print(f"  {1000 * apart:.1f} micrometres from the exact drop at most")
    print(f"  propose judges {count:,} stones in seats, probability included, in {own:.2f} s")
    print(
        f"  extrapolated, not run: {each * count:,.0f} s for the loop, {each * count / own:,.0f} x"
    )


if __name__ == "__main__":
    main()
