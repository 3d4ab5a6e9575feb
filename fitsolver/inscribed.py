"""The largest convex body of given proportions inside a convex stone.

A body T, enlarged, turned by R and shifted by c, lies in {x : n_k . x <= d_k} exactly when

    h_T(R' n_k) + n_k . c <= d_k   for every facet k,

with h_T the support function: how far T reaches in a direction. h_T is the largest reach of any
corner, and where the corners are linear in the sizes of T every corner gives one linear condition.
So for a given turn the sizes and the shift that fit are a polyhedron, and the logarithm of the
volume, 2 log(width) + log(fill . sizes), is concave on it: linear programmes with tangents in
place of the logarithms close in on the one largest body from above. Conditions of corners and
facets that do not matter are left out until a solution breaks them.

Only the turn has to be searched. Neglected: tilts of the new axis other than those listed in
`FACINGS`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Facing = Literal["up", "down", "+length", "-length", "+width", "-width"]

# Where the body's length, width and table direction come to lie, as columns.
FACINGS: dict[Facing, Array] = {
    "up": np.eye(3),
    "down": np.diag([1.0, -1.0, -1.0]),
    "+length": np.array([[0.0, 0.0, 1.0], [0.0, -1.0, 0.0], [1.0, 0.0, 0.0]]),
    "-length": np.array([[0.0, 0.0, -1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]]),
    "+width": np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]]),
    "-width": np.array([[0.0, -1.0, 0.0], [0.0, 0.0, -1.0], [1.0, 0.0, 0.0]]),
}
"""Which way the table of the body faces in the stone: up as the stone's own, down, or sideways."""

STEP_DEG = 5.0
"""Turns are first tried this far apart."""

WORTH = 0.1
"""A turn is followed up if its log volume is within this of the best (3 % of the width)."""

CANDIDATES = 3
"""Turns that are followed up."""

CLOSE = 1e-10
"""Conditions hold and volumes are right to this, in widths of the stone and relatively."""

START_FACETS = 200
"""Facets looked at first; the rest of a dome's thousands only where a solution breaks them."""

TANGENTS = np.geomspace(1e-3, 1e3, 25)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Body:
    """A convex body whose corners are linear in its sizes, the width first.

    `corners` (j, v, 3): corner v is the sum over sizes of size_j x corners[j, v]; `fill` (j,):
    volume = width^2 x fill . sizes; `rules` (r, j) and `limits` (r,): rules . sizes <= limits.
    """

    corners: Array
    fill: Array
    rules: Array
    limits: Array

    def points(self, sizes: Array) -> Array:
        """Corners of the body of given sizes, shape (v, 3)."""
        found: Array = np.einsum("j,jvx->vx", sizes, self.corners)
        return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inscribed:
    """A body inside a stone: its sizes (j,), shift (3,), turn (3, 3) and log volume.

    The point x of the body lies at rotation @ x + shift.
    """

    sizes: Array
    shift: Array
    rotation: Array
    log_volume: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Room:
    """The inside of a stone: unit `normals` (k, 3), `offsets` (k,) and `corners` (v, 3), any unit.

    `unit` is a length of the stone; programmes are solved in it.
    """

    normals: Array
    offsets: Array
    corners: Array
    unit: float

    def largest(
        self, body: Body, rotation: Array, at_least: float = -math.inf
    ) -> tuple[float, Inscribed | None]:
        """Find the largest body for one turn, shape (3, 3): (upper bound of log volume, body).

        No body (None) where none fits its rules, or where the bound falls below `at_least`.
        """
        return _Programme(self, body, rotation).largest(at_least)

    def short_by(self, body: Body, rotation: Array) -> float:
        """How far all facets would have to stand out further for the body's rules; 0 if it fits."""
        return _Programme(self, body, rotation).short_by()


def turned(facing: Facing, turn_rad: float) -> Array:
    """Return the rotation (3, 3) of a body turned about its own axis, then laid as said."""
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    found: Array = FACINGS[facing] @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    return found


def search(
    room: Room, body: Body, facings: Sequence[Facing], like: Array
) -> tuple[Inscribed, Facing, float] | None:
    """Find the largest body over all turns and the facings given: (body, facing, turn [rad]).

    Turns every `STEP_DEG` that the symmetries of stone and body do not make equal, the best of
    them refined. `like` (j,) are usual sizes of the body: its symmetry is taken from them. None
    where none fits.
    """
    points = body.points(like)
    tried: list[tuple[float, Facing, float, float, Inscribed | None]] = []
    best = -math.inf
    for facing in facings:
        turns, step = distinct_turns(room.corners @ FACINGS[facing], points)
        for turn in turns:
            bound, found = room.largest(body, turned(facing, turn), best - WORTH)
            if found is not None:
                best = max(best, found.log_volume)
            tried.append((bound, facing, turn, step, found))
    fitting = [item for item in tried if item[4] is not None and item[0] > best - WORTH]
    if not fitting:
        return None

    refined: list[tuple[Inscribed, Facing, float]] = []
    for _, facing, turn, step, found in sorted(fitting, key=lambda item: -item[0])[:CANDIDATES]:
        assert found is not None
        refined.append((found, facing, turn))
        if step == 0:
            continue

        def at(angle: float, facing: Facing = facing) -> tuple[float, Inscribed | None]:
            return room.largest(body, turned(facing, angle))

        better, angle = climb(at, turn - step, turn + step)
        if better is not None:
            refined.append((better, facing, angle))
    # Of equals the first: as the stone lies, before any turn.
    return max(refined, key=lambda item: round(item[0].log_volume, 9))


def climb(
    at: Callable[[float], tuple[float, Inscribed | None]], low: float, high: float, close: float = 1e-5
) -> tuple[Inscribed | None, float]:
    """Golden-section search of the largest body over one number: (body, number)."""
    share = (math.sqrt(5) - 1) / 2
    inner = [high - share * (high - low), low + share * (high - low)]
    found = [at(inner[0])[1], at(inner[1])[1]]
    while high - low > close:
        if _log_volume(found[0]) >= _log_volume(found[1]):
            high = inner[1]
            inner = [high - share * (high - low), inner[0]]
            found = [at(inner[0])[1], found[0]]
        else:
            low = inner[0]
            inner = [inner[1], low + share * (high - low)]
            found = [found[1], at(inner[1])[1]]
    better = int(_log_volume(found[1]) > _log_volume(found[0]))
    return found[better], inner[better]


def _log_volume(found: Inscribed | None) -> float:
    return -math.inf if found is None else found.log_volume


def distinct_turns(stone: Array, body: Array) -> tuple[Array, float]:
    """Turns [rad] about z that differ for two sets of corners, shape (v, 3), and their step.

    Turning by a symmetry of either leaves all as it was; where both are their own mirror image,
    a turn to the left is as good as one to the right.
    """
    first, second = _symmetry(stone), _symmetry(body)
    period = 2 * math.pi / math.lcm(first[0], second[0])
    if first[1] and second[1]:
        steps = math.ceil(period / 2 / math.radians(STEP_DEG))
        turns = np.linspace(0.0, period / 2, steps + 1)
    else:
        steps = math.ceil(period / math.radians(STEP_DEG))
        turns = np.linspace(0.0, period, steps, endpoint=False)
    return turns, float(turns[1]) if len(turns) > 1 else period / 2


def _symmetry(points: Array) -> tuple[int, bool]:
    """Order of the symmetry about z, and whether y -> -y leaves the corners as they are."""
    from scipy.spatial import cKDTree

    centred = points - points.mean(axis=0)
    tree, close = cKDTree(centred), 1e-7 * float(np.ptp(points))

    def same(moved: Array) -> bool:
        return bool(np.max(tree.query(moved)[0]) < close)

    order = next(n for n in (24, 16, 12, 8, 6, 5, 4, 3, 2, 1) if same(centred @ _turn(n)))
    return order, same(centred * (1, -1, 1))


def _turn(order: int) -> Array:
    return turned("up", 2 * math.pi / order)


class _Programme:
    """The linear programmes for one turn, with the conditions found to matter so far.

    Variables: sizes, shift, the two logarithms, and how far all facets stand out further.
    """

    def __init__(self, room: Room, body: Body, rotation: Array) -> None:
        self.room = room
        self.body = body
        self.rotation = rotation
        self.j = len(body.fill)
        self.offsets = room.offsets / room.unit
        self.directions = room.normals @ rotation
        low, high = room.corners.min(axis=0) / room.unit, room.corners.max(axis=0) / room.unit
        self.bounds = [(0.0, 1e3)] * self.j + list(zip(low, high, strict=True))
        rules = np.zeros((len(body.rules), self.j + 6))
        rules[:, : self.j] = body.rules
        self.rows, self.limits = [rules], [body.limits / room.unit]
        for point in TANGENTS:
            self._touch(point, point)

    def _touch(self, width: float, filled: float) -> None:
        """Bound both logarithms by their tangents: log x <= log x0 + (x - x0) / x0."""
        row = np.zeros((2, self.j + 6))
        row[0, 0] = -1 / width
        row[1, : self.j] = -self.body.fill / filled
        row[0, self.j + 3] = row[1, self.j + 4] = 1.0
        self.rows.append(row)
        self.limits.append(np.log([width, filled]) - 1)

    def _keep(self, facets: NDArray[np.int64], corners: NDArray[np.int64]) -> None:
        """Keep corners inside facets."""
        row = np.zeros((len(facets), self.j + 6))
        reach = self.body.corners[:, corners]
        row[:, : self.j] = np.einsum("kx,jkx->kj", self.directions[facets], reach)
        row[:, self.j : self.j + 3] = self.room.normals[facets]
        row[:, -1] = -1.0
        self.rows.append(row)
        self.limits.append(self.offsets[facets])

    def _start(self) -> None:
        step = max(1, len(self.offsets) // START_FACETS)
        facets = np.arange(0, len(self.offsets), step)
        for sizes in np.vstack([np.ones(self.j), 0.5 + np.eye(self.j)]):
            reach = self.directions[facets] @ self.body.points(sizes).T
            self._keep(facets, reach.argmax(axis=1))

    def _solved(self, cost: Array, outer: tuple[float, float | None]) -> Array | None:
        from scipy.optimize import linprog

        free: list[tuple[float | None, float | None]] = [(None, None)] * 2
        found = linprog(
            cost,
            A_ub=np.vstack(self.rows),
            b_ub=np.concatenate(self.limits),
            bounds=[*self.bounds, *free, outer],
            method="highs-ds",
            options={
                "primal_feasibility_tolerance": CLOSE,
                "dual_feasibility_tolerance": CLOSE,
            },
        )
        return None if found.x is None else np.asarray(found.x, dtype=np.float64)

    def _broken(self, solution: Array) -> bool:
        """Add the conditions that a solution breaks; tell whether there were any."""
        points = self.body.points(solution[: self.j])
        reach = self.directions @ points.T
        corners = reach.argmax(axis=1)
        beyond = reach[np.arange(len(reach)), corners] - self.offsets - solution[-1]
        beyond += self.room.normals @ solution[self.j : self.j + 3]
        broken = np.flatnonzero(beyond > 2 * CLOSE)
        if len(broken):
            self._keep(broken, corners[broken])
        return len(broken) > 0

    def _rounds(self, cost: Array, outer: tuple[float, float | None]) -> Iterator[Array | None]:
        self._start()
        for _ in count():
            yield self._solved(cost, outer)

    def largest(self, at_least: float) -> tuple[float, Inscribed | None]:
        cost = np.zeros(self.j + 6)
        cost[self.j + 3 : self.j + 5] = -2.0, -1.0
        unit = 3 * math.log(self.room.unit)
        before: Array | None = None
        for solution in self._rounds(cost, (0.0, 0.0)):
            if solution is None:
                break
            sizes = solution[: self.j]
            bound = float(-cost @ solution)
            if bound + unit < at_least:
                return bound + unit, None
            broken = self._broken(solution)
            width, filled = float(sizes[0]), float(self.body.fill @ sizes)
            value = 2 * math.log(width) + math.log(filled)
            still = before is not None and bool(np.allclose(sizes, before, rtol=0, atol=CLOSE))
            if not broken and (bound - value < CLOSE or still):
                return value + unit, self._true_to_facets(solution)
            self._touch(width, filled)
            before = sizes
        return -math.inf, None

    def short_by(self) -> float:
        cost = np.zeros(self.j + 6)
        cost[-1] = 1.0
        for solution in self._rounds(cost, (0.0, None)):
            if solution is None:
                return math.inf
            if not self._broken(solution):
                break
        assert solution is not None
        return float(solution[-1]) * self.room.unit

    def _true_to_facets(self, solution: Array) -> Inscribed:
        """Take the solution back (or on) to where it touches: free of the programme's tolerance."""
        sizes, shift = solution[: self.j], solution[self.j : self.j + 3]
        reach = (self.directions @ self.body.points(sizes).T).max(axis=1)
        left = self.offsets - self.room.normals @ shift
        told = reach > 0.01  # nearer than that to the body's origin the tolerance would tell
        sizes = sizes * float((left[told] / reach[told]).min())
        value = 2 * math.log(sizes[0]) + math.log(self.body.fill @ sizes)
        unit = self.room.unit
        return Inscribed(
            sizes=sizes * unit,
            shift=shift * unit,
            rotation=self.rotation,
            log_volume=value + 3 * math.log(unit),
        )
