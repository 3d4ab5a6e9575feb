"""Time the seating geometry against general libraries: `python tests/bench/bench_seating.py`.

One run prints, for four mountings, the time of fitsolver and of the same answer obtained through
raw python-fcl and through trimesh's collision manager, their ratio, and how far the answers lie
apart:

(a) the exact drop. The referees find the rest height by halving a bracket of 4 mm twelve times
    (do triangles meet?), to 0.001 mm, 32 times, to what doubles can tell, or by conservative
    advancement: the stone is lowered by its distance from the metal until that is less than
    0.001 mm;
(b) the least clearance of every zone of a pose. The referees take the distance of outline and
    metal beside the girdle, and lower the stone onto each zone's metal by halving. They find the
    least alone; fitsolver's time has the clearance round the seat and the place in it as well;
(c) the seating range of the best cut: so many sizes in so many possible seats. Of these the
    referees do a sample, the rest is extrapolated from it. They do less: pose and shift are given
    to them, and they find rest height, least gap and least cover, but no greatest gap, no bearing,
    no heights of metal, no advice;
(d) a whole `propose` as a process, start included, against the loop of (c) over as many stones in
    seats as it judges: extrapolated, not run.

Meshes and trees of bounding volumes are ready for the referees before their time starts, solids
and metal for fitsolver. Times of (a) to (c) are processor time, least of several; whole processes
by the clock. Nothing is asserted: machines differ, and the machine's load stands above.
"""

from __future__ import annotations

import os
import resource
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from bench_commands import EXAMPLES, process_s
from lowering import REFEREES, Referee, advanced, halved

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from referees import beside_curtains, curtain, runs_of, under

from fitsolver.fitting import requirement
from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.body import rotation
from fitsolver.fitting.contact import drop
from fitsolver.fitting.placement import place
from fitsolver.fitting.pose import pose_of, seated
from fitsolver.fitting.proposal import Proposal, propose
from fitsolver.fitting.region import region
from fitsolver.fitting.requirement import bounds
from fitsolver.fitting.seated import Seated
from fitsolver.fitting.solver import Check, check
from fitsolver.fitting.support import support
from fitsolver.fitting.tilt import tilt_band
from fitsolver.fitting.unopened import unopened
from fitsolver.fitting.zone import ledge, zones
from fitsolver.seats.metal import metal
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material

STONES = (
    ("old-cushion-collet", "cushion-brilliant", 7.7, 6.6, 4.3),
    ("closed-back-oval", "oval-brilliant", 6.9, 5.4, 3.2),
    ("step-rectangle", "emerald", 9.1, 7.1, 4.6),
    ("claw-ring", "oval-brilliant", 8.0, 6.0, 3.9),
)
DRAWN_IN_MM = 1.0
FINE_HALVINGS = 32
DRAWS = 24  # possible seats that the referees go through


def least_ms(work: Callable[[], object], repeats: int = 5) -> float:
    """Least processor time of several runs [ms]."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return 1000 * min(times)


def line(name: str, own_ms: float, others: dict[str, float], apart_mm: float) -> str:
    """One line of a table: times, ratios, how far apart the answers are."""
    ratios = "".join(f"{ms:12.2f} {ms / own_ms:6.1f} x" for ms in others.values())
    return f"  {name:30}{own_ms:9.2f}{ratios}{1000 * apart_mm:12.3f}"


def solid_of(at: Seated) -> tuple[Any, Any]:
    """Vertices and triangles of a pose's stone."""
    solid = at.stone.polyhedron
    return np.ascontiguousarray(solid.vertices), solid.triangles


def drops(name: str, at: Seated) -> Iterator[str]:
    """(a) The exact drop."""
    place_at = {"shift_mm": at.shift_mm, "turn_rad": at.turn_rad}
    if at.ledge is None:
        yield f"  {name:30} uncut: nothing to rest on yet"
        return
    exact = drop(at.stone, at.surfaces, **place_at).rest_z_mm
    own = least_ms(lambda: drop(at.stone, at.surfaces, **place_at))
    supports = np.concatenate([each.triangles for each in at.surfaces if each.role == "support"])
    ways: dict[str, Callable[..., float]] = {
        f"{name}": halved,
        "   to 1e-9 mm": partial(halved, times=FINE_HALVINGS),
        "   by advancement": advanced,
    }
    for label, way in ways.items():
        times, apart = {}, 0.0
        for kind in REFEREES:
            of = kind(solid_of(at), supports)
            apart = max(apart, abs(way(of, at.shift_mm, at.turn_rad) - exact))
            times[of.name] = least_ms(lambda way=way, of=of: way(of, at.shift_mm, at.turn_rad))
        yield line(label, own, times, apart)


def clearances(name: str, at: Seated) -> Iterator[str]:
    """(b) The least clearance of every zone."""
    found = {zone.name: zone.least_mm for zone in zones(at)}
    own = least_ms(lambda: zones(at))
    beside, *below = found
    times, apart = {}, 0.0
    for kind in REFEREES:
        hung, hung_metal = beside_curtains(at)
        flat = kind((hung.reshape(-1, 3), np.arange(3 * len(hung)).reshape(-1, 3)), hung_metal)
        over = {zone: kind(solid_of(at), under(at, zone)) for zone in below}

        def answer(flat: Referee = flat, over: dict[str, Referee] = over) -> dict[str, float]:
            lowest = {
                # A stone that hangs high over the back starts from where it lies.
                zone: at.z_mm - halved(of, at.shift_mm, at.turn_rad, at.z_mm - found[zone])
                for zone, of in over.items()
            }
            return {beside: flat.apart_mm(), **lowest}

        told = answer()
        apart = max(apart, *(abs(told[zone] - found[zone]) for zone in found if found[zone] > 0))
        times[kind.name] = least_ms(answer)
    yield line(f"{name}, {len(found)} zones", own, times, apart)


@dataclass(frozen=True, kw_only=True)
class Sample:
    """What one stone in one possible seat costs a referee [ms], and how far apart they are [mm]."""

    each_ms: dict[str, float]
    compared: int
    apart_mm: dict[str, float]


def sample(ready: Bench, asked: Check) -> Sample:
    """Go through some possible seats of a stone with each referee, in fitsolver's own poses."""
    stone, turn = asked.stone, float(np.deg2rad(asked.turn_deg))
    some = ready.seats.rows(np.arange(1, DRAWS + 1))
    one = np.ones(DRAWS)
    placed = place(
        stone.form, some, stone.length_mm * one, stone.width_mm * one, stone.girdle_mm * one,
        bounds(some, ready.allowances), turn_rad=turn, girdle_z=asked.girdle_bottom_mm,
    )  # fmt: skip
    shifts = placed.shift @ rotation(turn)[:2, :2].T
    solid = np.ascontiguousarray(stone.polyhedron.vertices), stone.polyhedron.triangles
    faces = some.opening_at(np.broadcast_to(placed.height, some.opening.shape[:2]))
    # Claws yet to be notched stand under the outline, and distances tell no depth: draw it in.
    drawn_in = DRAWN_IN_MM if some.state == "uncut" else 0.0
    smaller = shapely.Polygon(stone.outline_mm).buffer(-drawn_in, join_style="mitre")
    plan = shapely.get_coordinates(smaller.exterior)[:-1]
    ring = curtain(np.column_stack([plan, np.ones(len(plan))]), True)
    outline = ring.reshape(-1, 3), np.arange(3 * len(ring)).reshape(-1, 3)
    told: dict[str, Any] = {}
    times = {}
    for kind in REFEREES:
        seats: list[tuple[Referee | None, list[Referee]]] = []
        for k in range(DRAWS):
            rows = [(faces[k], np.ones(len(some.claw), dtype=bool))]
            rest = None
            if some.ledge_inner is not None:
                rows.append((some.ledge_inner[k], some.ledge_after))
                held = [each.triangles for each in metal(some, k) if each.role == "support"]
                rest = kind(solid, np.concatenate(held))
            edges = [
                kind(outline, np.concatenate([
                    curtain(np.column_stack([points[run], np.full(len(run), 1.5)]), closed)
                    for run, closed in runs_of(some, there)
                ]))
                for points, there in rows
            ]  # fmt: skip
            seats.append((rest, edges))

        def answer(seats: list[tuple[Referee | None, list[Referee]]] = seats) -> Any:
            found = np.full((DRAWS, 3), np.nan)
            for k, (rest, edges) in enumerate(seats):
                if rest is not None:
                    found[k, 0] = halved(rest, shifts[k], turn)
                for column, edge in enumerate(edges, 1):
                    edge.lift(shifts[k], turn, 0.0)
                    found[k, column] = edge.apart_mm() - drawn_in
            return found

        told[kind.name] = answer()
        times[kind.name] = least_ms(answer, 3) / DRAWS
    own = np.full((DRAWS, 3), np.nan)
    own[:, 1] = placed.near.min(axis=1)
    if placed.cover is not None:
        own[:, 2] = placed.cover.min(axis=1)
        pavilion = stone.pavilion_depth_mm * one
        own[:, 0] = placed.girdle_bottom(pavilion) + stone.girdle_mm / 2
    # Where lines overlap a referee says 0 and no depth; a stone does not seat there.
    clear = ~(own[:, 1:] <= -drawn_in).any(axis=1)
    apart = np.abs([each[clear] - own[clear] for each in told.values()])
    worst = {
        name: float(apart[..., k].max(initial=0.0))
        for k, name in enumerate(("rest", "gap", "cover"))
        if np.isfinite(own[:, k]).any()
    }
    return Sample(each_ms=times, compared=int(clear.sum()), apart_mm=worst)


def judgements(work: Callable[[], object]) -> int:
    """How many stones in how many possible seats are judged by some work."""
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
        work()
    finally:
        for name, function in real.items():
            setattr(requirement, name, function)
    return count


def extrapolated(name: str, count: int, own_s: float, by: Sample) -> str:
    """One line of a table with the referees' time for that many stones in seats."""
    others = "".join(
        f"{count * ms / 1000:12.1f} {count * ms / 1000 / own_s:6.1f} x"
        for ms in by.each_ms.values()
    )
    return f"  {name:30}{own_s:9.2f}{others}{count:12,}"


def process_times_s(mounting: str, repeats: int = 3) -> tuple[float, float]:
    """Median time of a whole `propose` by the clock, start to exit, and of the processors [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    times = process_s("propose", f"{mounting}.toml", repeats=repeats)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    worked = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return statistics.median(times), worked / repeats


def parts(ready: Bench, found: Check) -> dict[str, float]:
    """Times of the account of a pose, part by part [ms]."""
    at = seated(ready, found)
    works: dict[str, Callable[[], object]] = {
        "ledge": lambda: ledge(at),
        "support": lambda: support(at, 0.03),
        "tilt": lambda: tilt_band(at, 0.02),
        "unopened": lambda: unopened(at, 0.05),
        "all of it": lambda: pose_of(ready, found),
    }
    return {name: least_ms(work) for name, work in works.items()}


def head(title: str, unit: str, last: str) -> None:
    """Print a table's title and the names of its columns."""
    others = "".join(f"{kind.name:>12}   ratio " for kind in REFEREES)
    print(f"\n{title}\n  {unit:30}{'fitsolver':>9}{others}{last:>12}")


def main() -> None:
    """Print the tables."""
    print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} before the start")
    ready = {name: bench(load_mounting(EXAMPLES / f"{name}.toml")) for name, *_ in STONES}
    found = {name: check(ready[name], cut(style), *size) for name, style, *size in STONES}
    poses = {name: seated(ready[name], found[name]) for name in ready}
    head("(a) exact drop", "ms of processor time", "um apart")
    for name, at in poses.items():
        print(*drops(name, at), sep="\n", flush=True)
    head("(b) least clearance of every zone", "ms of processor time", "um apart")
    for name, at in poses.items():
        print(*clearances(name, at), sep="\n", flush=True)

    best: dict[str, Proposal] = {
        name: propose(each, material("corundum"), limit=1).proposals[0]
        for name, each in ready.items()
    }
    samples = {name: sample(ready[name], best[name].ask) for name in ready}
    head("(c) seating range of the best cut", "s of processor time", "placements")
    for name, each in ready.items():
        count = judgements(lambda each=each, name=name: region(each, best[name]))
        own = least_ms(lambda each=each, name=name: region(each, best[name]), 3) / 1000
        print(extrapolated(name, count, own, samples[name]), flush=True)
    print(f"  The referees' times are extrapolated from {DRAWS} seats each:")
    for name, of in samples.items():
        ms = ", ".join(f"{kind} {each:.2f}" for kind, each in of.each_ms.items())
        told = ", ".join(f"{what} {1000 * apart:.1f}" for what, apart in of.apart_mm.items())
        print(f"  {name:30}{ms} ms each; in the {of.compared} where the stone is clear they lie")
        print(f"  {'':30}at most so many um off: {told}")

    head("(d) propose, the whole process", "s by the clock", "placements")
    worked = {}
    for name, each in ready.items():
        count = judgements(lambda each=each: propose(each, material("corundum")))
        own, worked[name] = process_times_s(name)
        print(extrapolated(name, count, own, samples[name]), flush=True)
    print("  The referees' times are extrapolated, not run, and processor time: on a busy machine")
    print("  the clock runs for fitsolver alone. Its processor time, of all its processes, s:")
    print("  " + ", ".join(f"{name} {each:.2f}" for name, each in worked.items()))

    print("\nThe rest of the account of a pose, ms of processor time")
    for name, each in ready.items():
        told_parts = parts(each, found[name])
        print(f"  {name:30}" + ", ".join(f"{part} {ms:.1f}" for part, ms in told_parts.items()))


if __name__ == "__main__":
    main()
