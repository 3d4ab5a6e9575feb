"""Time `weigh --list` as a whole process, against building every stone as a mesh.

Run by hand: `python tests/bench/bench_weigh_list.py [ROWS]`, with 53,840 and 1,000,000 rows if
no number is given. Nothing is asserted; the machine's load is printed beside the times.

The stones are those of `tests/reference/test_diamonds_data.py`, over and over for the million.
The mesh stands for how one would weigh a parcel with a general library: the facets of every stone
as half-spaces, their corners, a trimesh of them and its volume. That gives a weight for one set of
proportions, without interval and without makes. It is timed on some of the stones, one after the
other; the time for all of them is extrapolated from that, not run.
"""

from __future__ import annotations

import csv
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from importlib.resources import files
from itertools import cycle, islice
from pathlib import Path

from fitsolver.fitting.sizes import nominal_stone
from fitsolver.stones.cut import cut
from fitsolver.units import carats_from

MESHES = 200
# The command, and the most memory it had, where the system tells.
RUN = """
import sys
from pathlib import Path
from fitsolver.cli import main
code = main(sys.argv[1:])
status = Path("/proc/self/status")
lines = status.read_text().splitlines() if status.exists() else ["VmHWM: unknown"]
print(next(line for line in lines if line.startswith("VmHWM")))
sys.exit(code)
"""
HEADER = ("lot", "cut", "material", "length_mm", "width_mm", "depth_mm", "table_pct", "listed_as")


def stones() -> Iterator[tuple[float, float, float, float, float]]:
    """Length, width, depth, table and listed weight of the whole rows."""
    with files("plotnine").joinpath("data/diamonds.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            x, y, z, depth = (float(row[name]) for name in ("x", "y", "z", "depth"))
            if min(x, y, z) > 0 and abs(depth - 200 * z / (x + y)) < 1:
                deep = round(depth / 100 * (x + y) / 2, 3)
                yield max(x, y), min(x, y), deep, float(row["table"]), float(row["carat"])


def write_list(path: Path, count: int) -> None:
    """Write a list of `count` stones."""
    every = list(stones())
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(HEADER)
        writer.writerows(
            (lot, "round-brilliant", "diamond", *row)
            for lot, row in enumerate(islice(cycle(every), count))
        )


def process(folder: Path, count: int) -> tuple[float, float, str]:
    """Wall and processor time [s] and largest memory of one whole process."""
    source, target = folder / "stones.csv", folder / "weighed.csv"
    write_list(source, count)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", RUN, "weigh", "--list", str(source), "-o", str(target), "--force"],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, check=False, text=True,
    )  # fmt: skip
    wall = time.perf_counter() - start
    if done.returncode != 0:
        sys.exit(f"weigh --list ended with {done.returncode}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return wall, spent, done.stdout.splitlines()[-1].removeprefix("VmHWM:").strip()


def mesh_s() -> float:
    """Time to weigh one stone by its mesh [s]."""
    style = cut("round-brilliant")
    rows = list(islice(stones(), 0, 50 * MESHES, 50))
    nominal_stone(style, 6.5, 6.5, 4.0).mesh()  # what is loaded on first use does not count
    start = time.perf_counter()
    for length, width, depth, table, _ in rows:
        stone = nominal_stone(style, length, width, depth, {"table_pct": table})
        carats_from(float(stone.mesh().volume), 3.52)
    return (time.perf_counter() - start) / len(rows)


def main() -> None:
    """Print the table."""
    counts = [int(text) for text in sys.argv[1:]] or [53_840, 1_000_000]
    print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} before the start\n")
    each = mesh_s()
    print(f"mesh by mesh: {1000 * each:.2f} ms a stone, measured on {MESHES}\n")
    print(f"{'weigh --list, whole process':>28} {'wall':>9} {'processor':>10} {'memory':>12}")
    with tempfile.TemporaryDirectory() as folder:
        for count in counts:
            wall, spent, memory = process(Path(folder), count)
            print(f"{count:>22,} rows {wall:7.2f} s {spent:8.2f} s {memory:>12}")
            print(
                f"{'meshes, extrapolated':>27} {each * count:7,.0f} s: "
                f"{each * count / wall:,.0f} x the time"
            )


if __name__ == "__main__":
    main()
