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
from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

Array = NDArray[np.float64]
Condition = tuple[Array, Array]

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

TURN_CLOSE = 2e-5
"""Turns are refined to this [rad], 0.001 degrees."""

WORTH = 0.1
"""A turn is followed up if its log volume is within this of the best (3 % of the width)."""

CANDIDATES = 3
"""Turns that are followed up."""

CLOSE = 1e-9
"""Conditions hold and log volumes are right to this, in widths of the stone and relatively."""

TOLERANCE = 1e-10
"""What the linear programmes are solved to, the finest that the solver offers."""

ROUGH = 1e-3
"""How closely log volumes are worked out to choose among turns."""

FINE = 1e-7
"""How closely log volumes are worked out to refine a turn."""

FIRST_FACETS = 100
"""Facets looked at first; the others of a dome's thousands only once a solution breaks them."""

ROUNDS = 100
"""More programmes than any turn has needed (9); then the solver's own rounding goes round
in circles, and what it has, brought back behind the facets, will do."""

MOST_BROKEN = 60
"""Conditions added at a time, those broken most."""

FIRST_TANGENTS = (0.03, 0.1, 0.3, 1.0, 3.0)


class LinearBody(Struct, frozen=True, kw_only=True, eq=False):
    """A convex body whose corners are linear in its sizes, the width first.

    `corners` (j, v, 3): corner v is the sum over sizes of size_j x corners[j, v]; `fill` (j,):
    volume = width^2 x fill . sizes; `rules` (r, j) and `limits` (r,): rules . sizes <= limits.
    `usual` (j,) are sizes in a usual proportion; the symmetry of the body is taken from them.
    """

    corners: Array
    fill: Array
    rules: Array
    limits: Array
    usual: Array

    def points(self, sizes: Array) -> Array:
        """Corners of the body of given sizes, shape (v, 3)."""
        found: Array = np.einsum("j,jvx->vx", sizes, self.corners)
        return found


class Inscribed(Struct, frozen=True, kw_only=True, eq=False):
    """A body inside a stone: its sizes (j,), shift (3,), turn (3, 3) and log volume.

    The point x of the body lies at rotation @ x + shift.
    """

    sizes: Array
    shift: Array
    rotation: Array
    log_volume: float


class Laid(Struct, frozen=True, kw_only=True, eq=False):
    """An inscribed body, which way it faces, its turn and how far apart turns were tried."""

    body: Inscribed
    facing: Facing
    turn_rad: float
    step_rad: float


class Room(Struct, frozen=True, kw_only=True, eq=False):
    """The inside of a stone: unit `normals` (k, 3), `offsets` (k,) and `corners` (v, 3).

    `unit` is a length of the stone; programmes are solved in it.
    """

    normals: Array
    offsets: Array
    corners: Array
    unit: float


def turned(facing: Facing, turn_rad: float) -> Array:
    """Return the rotation (3, 3) of a body turned about its own axis, then laid as said."""
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    found: Array = FACINGS[facing] @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    return found


class Programme:
    """The linear programmes for one body in one room.

    Variables are the sizes, the shift, the logarithms of width and fill, and how far all facets
    stand out further. Tangents, and which facets matter, are kept from one turn to the next.
    """

    def __init__(self, room: Room, body: LinearBody) -> None:
        """Set up what does not depend on the turn."""
        self.room = room
        self.body = body
        # Bodies of the usual sizes, and with each size half as large and half as large again.
        changes = 0.5 * np.eye(len(body.usual))
        self._some = body.usual * np.vstack([np.ones(len(changes)), 1 + changes, 1 - changes])
        self._count = len(body.fill)
        self._columns = self._count + 6
        self._offsets = room.offsets / room.unit
        low, high = room.corners.min(axis=0) / room.unit, room.corners.max(axis=0) / room.unit
        free: list[tuple[float | None, float | None]] = [(None, None)] * 2
        # The body's origin lies inside it, and so in the room's box.
        box = zip(low.tolist(), high.tolist(), strict=True)
        self._bounds = [*[(0.0, 1e3)] * self._count, *box, *free]
        self._rules = np.zeros((len(body.rules), self._columns))
        self._rules[:, : self._count] = body.rules
        self._tangents = [(x, x) for x in FIRST_TANGENTS]
        step = max(1, len(room.offsets) // FIRST_FACETS)
        self._facets = np.arange(len(room.offsets)) % step == 0

    def largest(
        self, rotation: Array, *, at_least: float = -math.inf, close: float = CLOSE
    ) -> Inscribed | None:
        """Find the largest body for one turn, shape (3, 3), its log volume right to `close`.

        None where no body fits its rules, or none can be of log volume `at_least`.
        """
        cost = np.zeros(self._columns)
        cost[-3:-1] = -2.0, -1.0
        scale = 3 * math.log(self.room.unit)
        conditions = self._conditions(rotation)
        solution: Array | None = None
        for _ in range(ROUNDS):
            solution = self._solved(cost, conditions, (0.0, 0.0))
            if solution is None:
                return None
            bound = float(-cost @ solution)
            if bound + scale < at_least:
                return None
            broken = self._broken(solution, rotation)
            width, filled = float(solution[0]), float(self.body.fill @ solution[: self._count])
            # With one size only, more volume is more width: tangents have nothing to choose.
            short = bound - 2 * math.log(width) - math.log(filled) if self._count > 1 else 0.0
            if broken is None and short < close:
                break
            if broken is not None:
                conditions.append(broken)
            if short >= close:
                self._tangents.append((width, filled))
        assert solution is not None
        return self._true_to_facets(solution, rotation)

    def short_by(self, rotation: Array) -> float:
        """How much further out all facets would have to be for the body's rules; 0 if it fits."""
        cost = np.zeros(self._columns)
        cost[-1] = 1.0
        conditions = self._conditions(rotation)
        solution: Array | None = None
        for _ in range(ROUNDS):
            solution = self._solved(cost, conditions, (0.0, None))
            if solution is None:  # rules that contradict each other
                return math.inf
            broken = self._broken(solution, rotation)
            if broken is None:
                break
            conditions.append(broken)
        assert solution is not None
        return float(solution[-1]) * self.room.unit

    def _solved(
        self, cost: Array, conditions: Sequence[Condition], further: tuple[float, float | None]
    ) -> Array | None:
        from scipy.optimize import linprog

        width, filled = np.array(self._tangents).T
        # log x <= log x0 + (x - x0) / x0
        tangents = np.zeros((2, len(width), self._columns))
        tangents[0, :, 0] = -1 / width
        tangents[1, :, : self._count] = -self.body.fill / filled[:, None]
        tangents[0, :, -3] = tangents[1, :, -2] = 1.0
        found = linprog(
            cost,
            A_ub=np.vstack([self._rules, *tangents, *(rows for rows, _ in conditions)]),
            b_ub=np.concatenate(
                [
                    self.body.limits / self.room.unit,
                    np.log(width) - 1,
                    np.log(filled) - 1,
                    *(limits for _, limits in conditions),
                ]
            ),
            bounds=[*self._bounds, further],
            method="highs-ds",
            options={
                "primal_feasibility_tolerance": TOLERANCE,
                "dual_feasibility_tolerance": TOLERANCE,
            },
        )
        return None if found.x is None else np.asarray(found.x, dtype=np.float64)

    def _conditions(self, rotation: Array) -> list[Condition]:
        """Conditions of the facets that may matter, for bodies of some sizes."""
        facets = np.flatnonzero(self._facets)
        directions = self.room.normals[facets] @ rotation
        corners = [_reach(directions, self.body.points(sizes))[1] for sizes in self._some]
        pairs = np.unique([np.tile(facets, len(corners)), np.concatenate(corners)], axis=1)
        return [self._condition(pairs[0], pairs[1], rotation)]

    def _condition(
        self, facets: NDArray[np.int64], corners: NDArray[np.int64], rotation: Array
    ) -> Condition:
        """Keep these corners behind these facets."""
        row = np.zeros((len(facets), self._columns))
        normals = self.room.normals[facets]
        row[:, : self._count] = np.einsum(
            "kx,jkx->kj", normals @ rotation, self.body.corners[:, corners]
        )
        row[:, self._count : self._count + 3] = normals
        row[:, -1] = -1.0
        return row, self._offsets[facets]

    def _broken(self, solution: Array, rotation: Array) -> Condition | None:
        """Return the conditions that a solution breaks most."""
        points = self.body.points(solution[: self._count])
        reach, corners = _reach(self.room.normals @ rotation, points)
        shift = solution[self._count : self._count + 3]
        beyond = reach + self.room.normals @ shift - self._offsets - solution[-1]
        worst = np.argsort(-beyond)[:MOST_BROKEN]
        broken = worst[beyond[worst] > CLOSE]
        if len(broken) == 0:
            return None
        self._facets[broken] = True
        return self._condition(broken, corners[broken], rotation)

    def _true_to_facets(self, solution: Array, rotation: Array) -> Inscribed:
        """Take a solution back, or on, to where it touches: free of the programme's tolerance."""
        sizes, shift = solution[: self._count], solution[self._count : self._count + 3]
        reach, _ = _reach(self.room.normals @ rotation, self.body.points(sizes))
        left = self._offsets - self.room.normals @ shift
        # Nearer to the body's origin than this, the tolerance itself would tell.
        told = reach > 0.01
        unit = self.room.unit
        sizes = sizes * float((left[told] / reach[told]).min()) * unit
        return Inscribed(
            sizes=sizes,
            shift=shift * unit,
            rotation=rotation,
            log_volume=2 * math.log(sizes[0]) + math.log(self.body.fill @ sizes),
        )


def _reach(directions: Array, points: Array) -> tuple[Array, NDArray[np.int64]]:
    """How far points (v, 3) reach in each direction (k, 3), and which of them does: (k,) each.

    In blocks that stay in the cache and are not shared out to threads, which here cost more than
    they save.
    """
    reach, best = np.empty(len(directions)), np.empty(len(directions), dtype=np.int64)
    size = max(1, 80_000 // len(points))
    for start in range(0, len(directions), size):
        block = directions[start : start + size] @ points.T
        best[start : start + size] = block.argmax(axis=1)
        reach[start : start + size] = block.max(axis=1)
    return reach, best


def search(programme: Programme, facings: Sequence[Facing]) -> Laid | None:
    """Find the largest body over all turns and the facings given; None where none fits."""
    return refine(programme, scan(programme, facings))


def scan(
    programme: Programme, facings: Sequence[Facing], at_least: float = -math.inf
) -> list[Laid]:
    """Try turns every `STEP_DEG` that the symmetries of stone and body do not make equal.

    Returns those larger than their neighbours, the largest first, their log volumes right to
    `ROUGH`; none that is smaller than the best, or than `at_least`, by more than `WORTH`.
    """
    points = programme.body.points(programme.body.usual)
    tops: list[Laid] = []
    best = at_least
    for facing in facings:
        turns, step, closed = distinct_turns(programme.room.corners @ FACINGS[facing], points)
        found = []
        for turn in turns:
            one = programme.largest(turned(facing, turn), at_least=best - WORTH, close=ROUGH)
            found.append(one)
            best = max(best, log_volume(one))
        values = np.array([log_volume(one) for one in found])
        around = np.concatenate([values[-1:], values, values[:1]])
        if closed:  # the ends of a mirrored range are next to mirror images
            around[0], around[-1] = values[min(1, len(values) - 1)], values[max(-2, -len(values))]
        tops += [
            Laid(body=one, facing=facing, turn_rad=float(turns[k]), step_rad=step)
            for k, one in enumerate(found)
            if one is not None and values[k] >= max(around[k], around[k + 2])
        ]
    tops = [top for top in tops if top.body.log_volume >= best - WORTH]
    return sorted(tops, key=lambda top: -top.body.log_volume)


def refine(programme: Programme, tops: Sequence[Laid]) -> Laid | None:
    """Refine the turns of the first few of `tops`; return the largest body."""
    refined: list[Laid] = []
    for top in tops[:CANDIDATES]:

        def height(angle: float, facing: Facing = top.facing) -> float:
            return log_volume(programme.largest(turned(facing, angle), close=FINE))

        low, high = top.turn_rad - top.step_rad, top.turn_rad + top.step_rad
        for angle in (top.turn_rad, climb(height, low, high, TURN_CLOSE)):
            one = programme.largest(turned(top.facing, angle))
            if one is not None:
                refined.append(replace(top, body=one, turn_rad=angle))
    # Of those equal to a millionth the first: as the stone lies, before any turn.
    return max(refined, key=lambda laid: round(laid.body.log_volume, 6), default=None)


def climb(height: Callable[[float], float], low: float, high: float, close: float) -> float:
    """Find the top of a function of one number by golden-section search, to within `close`."""
    share = (math.sqrt(5) - 1) / 2
    inner = [high - share * (high - low), low + share * (high - low)]
    found = [height(inner[0]), height(inner[1])]
    while high - low > close:
        if found[0] >= found[1]:
            high = inner[1]
            inner = [high - share * (high - low), inner[0]]
            found = [height(inner[0]), found[0]]
        else:
            low = inner[0]
            inner = [inner[1], low + share * (high - low)]
            found = [found[1], height(inner[1])]
    return inner[int(found[1] > found[0])]


def log_volume(found: Inscribed | None) -> float:
    """Log volume of a body, minus infinity of none."""
    return -math.inf if found is None else found.log_volume


def distinct_turns(stone: Array, body: Array) -> tuple[Array, float, bool]:
    """Turns [rad] about z that differ for two sets of corners (v, 3), their step, and if mirrored.

    Turning by a symmetry of either leaves all as it was; where both are their own mirror image,
    a turn to the left is as good as one to the right, and only one of them is returned.
    """
    (first, mirrored), (second, also) = _symmetry(stone), _symmetry(body)
    period = 2 * math.pi / math.lcm(first, second)
    closed = mirrored and also
    span = period / 2 if closed else period
    steps = math.ceil(span / math.radians(STEP_DEG) - 1e-9)
    step = span / steps
    return np.array([step * k for k in range(steps + closed)]), step, closed


def _symmetry(points: Array) -> tuple[int, bool]:
    """Order of the symmetry about z, and whether y -> -y leaves the corners as they are."""
    from scipy.spatial import cKDTree

    centred = points - points.mean(axis=0)
    tree, close = cKDTree(centred), 1e-7 * float(np.ptp(points))

    def same(moved: Array) -> bool:
        return bool(np.max(tree.query(moved)[0]) < close)

    orders = (24, 16, 12, 8, 6, 5, 4, 3, 2, 1)
    order = next(n for n in orders if same(centred @ turned("up", 2 * math.pi / n)))
    return order, same(centred * (1, -1, 1))
