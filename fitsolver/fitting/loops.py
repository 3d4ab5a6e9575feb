"""The loops that a placement spends its time in, where they were compiled.

The install compiles `loops.c` where it finds a C compiler. Without one the callers' own NumPy does
the same, some times slower; `found()` says which it is. Tables (s, n) are handed over with the
samples of one point next to each other in memory, as they lie in a placement anyway.
"""

from __future__ import annotations

import ctypes
import zlib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Indices = NDArray[np.int_]

# Where the install leaves what it compiled, beside this module.
FILE = "compiled-loops.so"
SOURCES = "loops.c", "loops.h"
# How the functions are called: counts (n), yes or no (i), numbers in the tables'
# precision (r) and in double (d), tables (p), a pavilion or plan (v).
_ARGUMENTS = {
    "greatest": "nnnipppp",
    "nearest_of_run": "nnppppppp",
    "relieve": "nnpppp",
    "of_sectors": "nnniippppippp",
    "widest_least": "nnnpppp",
    "farthest": "nnnppp",
    "shares": "vp",
    "ridges": "vppp",
    "deepest": "vp",
    "down": "nnrpppppppp",
    "corners": "nnnpppppppppppp",
    "rest": "nnnnnppppp",
    "runs": "nnpppp",
    "highest": "nnnnnrpprppppppp",
    "held": "nnnnnpppp",
    "stepped": "vnppp",
    "centred": "vndnppp",
    "clear": "vppppppppp",
    "tightest": "nnnpppippipipnpppppp",
}
_DOUBLE = {"nearest": "nnipppppp", "facets": "nnnippppp", "deep": "nnipppp"}
_KINDS: Mapping[str, np.dtype[Any]] = {
    "single": np.dtype(np.float32), "double": np.dtype(np.float64),
}  # fmt: skip


class _Pavilion(ctypes.Structure):
    """A pavilion as the loops take it."""

    _fields_ = (
        *((name, ctypes.c_long) for name in ("points", "samples", "facets")),
        ("mirrored", ctypes.c_int),
        *(
            (name, ctypes.c_void_p)
            for name in ("point", "way", "slope", "level", "by", "gain", "further")
        ),
    )


class _Plan(ctypes.Structure):
    """What a pose is judged by, as the loops take it."""

    _fields_ = (
        *(
            (name, ctypes.c_long)
            for name in ("points", "samples", "nominal", "sectors", "step", "normals", "others")
        ),
        *(
            (name, ctypes.c_int)
            for name in ("mirrored", "claws", "cut", "low_apart", "high_apart")
        ),
        *(
            (name, ctypes.c_void_p)
            for name in (
                "joined", "bare", "point", "way", "outward", "facing", "inner", "low", "high",
                "cover_low", "longer", "normal", "reach", "other_normal", "other_reach",
            )
        ),
        *((name, ctypes.c_double) for name in ("part", "drift", "ample")),
    )  # fmt: skip


@cache
def _functions() -> dict[tuple[str, int], Callable[..., None]]:
    """The compiled functions by name and size of a number [bytes]; none if they are not there."""
    folder = Path(__file__).parent
    try:
        library = ctypes.CDLL(str(folder / FILE))
        library.sources.restype = ctypes.c_uint32
        mark = 0
        for name in SOURCES:
            mark = zlib.crc32((folder / name).read_bytes(), mark)
    except (OSError, AttributeError):
        return {}
    if library.sources() != mark:  # compiled from older sources
        return {}
    functions: dict[tuple[str, int], Callable[..., None]] = {}
    for precision, kind in _KINDS.items():
        number = ctypes.c_float if kind.itemsize == 4 else ctypes.c_double
        types = {
            "n": ctypes.c_long, "i": ctypes.c_int, "r": number, "d": ctypes.c_double,
            "p": ctypes.c_void_p, "v": ctypes.c_void_p,
        }  # fmt: skip
        for name, arguments in _ARGUMENTS.items():
            function = getattr(library, f"{name}_{precision}")
            function.argtypes = [types[each] for each in arguments]
            function.restype = ctypes.c_int if name == "centred" else None
            functions[name, kind.itemsize] = function
    for name, arguments in _DOUBLE.items():
        function = getattr(library, name)
        function.argtypes, function.restype = [types[each] for each in arguments], None
        functions[name, 8] = function
    return functions


def found() -> bool:
    """Whether the loops were compiled here."""
    return bool(_functions())


def _call(name: str, kind: np.dtype[Any], *given: Any) -> Any:
    """Call a function with tables by where they lie, anything else as it is."""
    function, array = _functions()[name, kind.itemsize], np.ndarray
    return function(*[_address(each) if type(each) is array else each for each in given])


_byte_of, _place_of = ctypes.c_char.from_buffer, ctypes.addressof


def _address(table: Any) -> int:
    """Where a table lies in memory."""
    try:
        return _place_of(_byte_of(table))
    except (TypeError, ValueError):  # read-only or empty
        return int(table.ctypes.data)


def _flat(values: Array, kind: np.dtype[Any]) -> Array:
    """A table (.., s, n) as (.., n, s), one number after the other in memory."""
    return np.ascontiguousarray(values.swapaxes(-1, -2), dtype=kind)


def _of(values: Array, kind: np.dtype[Any]) -> Array:
    """What is the same for all samples, one number after the other in memory."""
    return np.ascontiguousarray(values, dtype=kind)


def nearest(
    points: Array, normals: Array, reach: Array, *, mirrored: bool, sides: int = 1
) -> tuple[Indices, Array]:
    """Of normals (f, 2) and reaches (f,) the one that points (n, 2) are nearest along.

    Also with two `sides` the next crest of normal . point - reach, (sides, n); and how far off
    each point is, (n,). `mirrored` takes points at y < 0 as at y > 0.
    """
    kind = _KINDS["double"]
    found, off = np.empty((sides, len(points)), np.int_), np.empty(len(points))
    _call(
        "nearest", kind, len(points), len(reach), mirrored, _of(points, kind),
        _of(normals.T, kind), _of(reach, kind), found[0], found[1] if sides > 1 else None, off,
    )  # fmt: skip
    return found, off


def runs(points: Array) -> tuple[Array, Array, Array]:
    """The runs from each of points (2, s, n) to the next: way, length, outward; see `Metal`."""
    kind, (_, samples, count) = points.dtype, points.shape
    way, outward = np.empty((2, 2, count, samples), kind)
    length = np.empty((count, samples), kind)
    _call("runs", kind, count, samples, _flat(points, kind), way, length, outward)
    return way.swapaxes(1, 2), length.T, outward.swapaxes(1, 2)


def greatest(points: Array, slopes: Array, levels: Array, *, mirrored: bool) -> Array:
    """Greatest of slopes (f, 2, n) . point - levels (f, n) over points (2, s, n), (s, n).

    `mirrored` takes points at y < 0 as at y > 0.
    """
    kind, (_, samples, count) = points.dtype, points.shape
    best = np.empty((count, samples), kind)
    _call(
        "greatest", kind, count, samples, len(levels), mirrored, _flat(points, kind),
        _of(slopes, kind), _of(levels, kind), best,
    )  # fmt: skip
    return best.T


def nearest_of_run(
    joined: NDArray[np.bool_], points: Array, way: Array, outward: Array, vertex: Array, gap: Array
) -> Array:
    """Least distance (s, n) of runs off an outline; see `clearance.nearest_of_run`."""
    kind, (samples, count) = gap.dtype, gap.shape
    near = np.empty((count, samples), kind)
    _call(
        "nearest_of_run", kind, count, samples, np.ascontiguousarray(joined),
        *(_flat(each, kind) for each in (points, way, outward, vertex, gap)), near,
    )  # fmt: skip
    return near.T


def relieved(gap: Array, longer: Array, shape: Array, square: Array) -> Array:
    """gap + longer (s, 1) x (shape (n,) + square (n,) x gap), for gaps (s, n)."""
    kind, (samples, count) = gap.dtype, gap.shape
    found = np.array(gap.T, order="C")
    _call(
        "relieve", kind, count, samples, _of(longer, kind), _of(shape, kind), _of(square, kind),
        found,
    )  # fmt: skip
    return found.T


def of_sectors(
    field: Array, bound: Array, sectors: int, other: Array, beside: Array | None = None,
    one: Array | None = None, *, greatest: bool = False, above: bool = False,
) -> tuple[Array, Array]:  # fmt: skip
    """Slack (s, k) and direction (2, s, k) where a field is tightest in every sector of the round.

    See `placement._of_sectors`.
    """
    kind, (samples, count) = field.dtype, field.shape
    size = -(-count // sectors)
    sectors = -(-count // size)
    apart = one is not None and one.ndim == 3
    if one is not None:
        one = _flat(one, kind) if apart else _of(one, kind)
    slack, direction = np.empty((sectors, samples), kind), np.empty((2, sectors, samples), kind)
    _call(
        "of_sectors", kind, count, samples, size, greatest, above, _flat(field, kind),
        _of(bound, kind), None if beside is None else _flat(beside, kind), one, apart,
        _of(other, kind), slack, direction,
    )  # fmt: skip
    return slack.T, direction.swapaxes(1, 2)


def widest_least(slack: Array, normal: Array, softness: Sequence[float]) -> Array:
    """Shift (2, s) that makes the least slack widest; see `centring.widest_least`."""
    kind, (samples, count) = slack.dtype, slack.shape
    shift = np.empty((2, samples), kind)
    _call(
        "widest_least", kind, count, samples, len(softness), np.array(softness),
        _flat(slack, kind), _flat(normal, kind), shift,
    )  # fmt: skip
    return shift


class Plan:
    """What a pose is judged by, laid out for the loops; see `placement._Plan`."""

    def __init__(
        self, *, points: Array, way: Array, outward: Array, joined: NDArray[np.bool_],
        facing: Array, inner: Array | None, bare: NDArray[np.bool_] | None, low: Array,
        high: Array, cover_low: Array, normals: Array, reach: Array, mirrored: bool, claws: bool,
        cut: bool, nominal: int, sectors: int, step: int, ample: float,
    ) -> None:  # fmt: skip
        """Lay it out; bounds (s, 1), or (s, c) for single claws."""
        self.kind, (_, self.samples, count) = points.dtype, points.shape
        kind, double = self.kind, _KINDS["double"]
        tables = {
            "joined": np.ascontiguousarray(joined),
            "bare": None if bare is None else np.ascontiguousarray(bare),
            "inner": None if inner is None else _flat(inner, kind),
            "normal": _of(normals.T, double),
            "reach": _of(reach, double),
        }
        for name, table in (
            ("point", points), ("way", way), ("outward", outward), ("facing", facing),
            ("low", low), ("high", high), ("cover_low", cover_low),
        ):  # fmt: skip
            tables[name] = _flat(table, kind)
        self._tables = [*tables.values()]
        self._whole = _Plan(
            points=count, samples=self.samples, nominal=nominal, sectors=sectors, step=step,
            normals=len(reach), mirrored=mirrored, claws=claws, cut=cut,
            low_apart=low.shape[1] > 1, high_apart=high.shape[1] > 1, ample=ample,
            **{name: _address(table) for name, table in tables.items() if table is not None},
        )  # fmt: skip

    def strain(
        self, longer: Array, normals: Array, reach: Array, part: float, drift: float
    ) -> None:
        """Stones are `longer` (s, 1) than their form; normals are of the form longer by a part."""
        double = _KINDS["double"]
        tables = {
            "longer": _of(longer, self.kind),
            "other_normal": _of(normals.T, double),
            "other_reach": _of(reach, double),
        }
        self._tables += tables.values()
        for name, table in tables.items():
            setattr(self._whole, name, _address(table))
        self._whole.others, self._whole.part, self._whole.drift = len(reach), part, drift

    def clear(
        self, shift: Array, width: Array, angle: Array, middle: Array, fan: Array
    ) -> tuple[Array, Array, Array | None, Array]:
        """Gap, near and cover (s, n) at shifts (2, s), in mm, and the nominal seat's normals.

        These are (2, n). `angle` and `middle` (k,) are the turns of the outline's normals, `fan`
        how others are fanned beside the nearest; see `clearance.with_neighbours`.
        """
        kind, double = self.kind, _KINDS["double"]
        count = int(self._whole.points)
        found = np.empty((3 if self._whole.inner else 2, count, self.samples), kind)
        normal = np.empty((2, count))
        cover = found[2] if len(found) > 2 else None
        _call(
            "clear", kind, ctypes.byref(self._whole), _of(shift, kind), _of(width, kind),
            _of(angle, double), _of(middle, double), fan, found[0], found[1], cover, normal,
        )  # fmt: skip
        return found[0].T, found[1].T, None if cover is None else cover.T, normal

    def stepped(self, start: Array, softness: Sequence[float]) -> Array:
        """One step of all seats from `start` (2, s) toward where their least slack is widest."""
        shift = np.empty((2, self.samples), self.kind)
        _call(
            "stepped", self.kind, ctypes.byref(self._whole), len(softness), np.array(softness),
            _of(start, self.kind), shift,
        )  # fmt: skip
        return shift

    def centred(
        self, start: Array, rounds: int, settled: float, softness: Sequence[float]
    ) -> tuple[Array, bool]:
        """Some rounds of such steps, until all have settled; see `placement._centred`."""
        best = np.empty((2, self.samples), self.kind)
        done = _call(
            "centred", self.kind, ctypes.byref(self._whole), rounds, settled, len(softness),
            np.array(softness), _of(start, self.kind), best,
        )  # fmt: skip
        return best, bool(done)


def farthest(outward: Array, vertices: Array) -> Array:
    """Of vertices (f, 2, n) the one farthest along outward (2, s, n), (2, s, n)."""
    kind, (_, samples, count) = outward.dtype, outward.shape
    place = np.empty((2, count, samples), kind)
    _call(
        "farthest", kind, count, samples, len(vertices), _flat(outward, kind),
        _of(vertices, kind), place,
    )  # fmt: skip
    return place.swapaxes(1, 2)


class Pavilion:
    """A pavilion's facets over points and along the `way` from each to the next.

    As in `bearing.Pavilion`; a longer stone gains `by` (s, 1) x `gain` (n,) at the points and
    `further` (n,) more at the next ones.
    """

    def __init__(
        self, points: Array, way: Array, slopes: Array, levels: Array, *, mirrored: bool,
        by: Array | None, gain: Array | None, further: Array | None,
    ) -> None:  # fmt: skip
        """Lay it out for the loops."""
        self.kind, (_, self.samples, self.count) = points.dtype, points.shape
        self._tables = (
            _flat(points, self.kind), _flat(way, self.kind), _of(slopes, self.kind),
            _of(levels, self.kind),
            *(None if each is None else _of(each, self.kind) for each in (by, gain, further)),
        )  # fmt: skip
        self._whole = ctypes.byref(
            _Pavilion(
                self.count,
                self.samples,
                len(levels),
                mirrored,
                *(None if each is None else _address(each) for each in self._tables),
            )
        )

    def share(self) -> Array:
        """The share of depth over its points, (s, n)."""
        share = np.empty((self.count, self.samples), self.kind)
        _call("shares", self.kind, self._whole, share)
        return share.T

    def ridge(self, start: Array) -> tuple[Array, Array]:
        """Where between its points and the next it is deepest: (part, share), (s, n)."""
        part, share = np.empty((2, self.count, self.samples), self.kind)
        _call("ridges", self.kind, self._whole, _flat(start, self.kind), part, share)
        return part.T, share.T

    def deepest(self) -> Array:
        """The greatest share of depth over its points and between them, (s,)."""
        most = np.empty(self.samples, self.kind)
        _call("deepest", self.kind, self._whole, most)
        return most


def down(
    part: float, inner: Array, wall: Array, inner_z: Array, outer_z: Array, cover: Array,
    beyond: Array,
) -> tuple[Array, Array]:  # fmt: skip
    """Places (2, s, n) a part of the way down a ledge, and heights (s, n), -inf off the ledge."""
    kind, (samples, count) = cover.dtype, cover.shape
    place, z = np.empty((2, count, samples), kind), np.empty((count, samples), kind)
    _call(
        "down", kind, count, samples, part,
        *(_flat(each, kind) for each in (inner, wall, inner_z, outer_z, cover, beyond)), place, z,
    )  # fmt: skip
    return place.swapaxes(1, 2), z.T


def corners(
    joined: NDArray[np.bool_], tried: Array, shares: Array, depth: Array, wall: Array, way: Array,
    outward: Array, inner: Array, inner_z: Array, outer_z: Array,
) -> tuple[Array, Array]:  # fmt: skip
    """Of corners (f, 2, n) of shares (f, n) the one highest over each run of a ledge: (z, share).

    `depth` (s,); z (s, n) is the ledge's height there, -inf for none.
    """
    kind, (samples, count) = inner_z.dtype, inner_z.shape
    z, zeta = np.empty((2, count, samples), kind)
    _call(
        "corners", kind, count, samples, len(tried), np.ascontiguousarray(joined),
        _of(tried, kind), _of(shares, kind), _of(depth, kind),
        *(_flat(each, kind) for each in (wall, way, outward, inner, inner_z, outer_z)), z, zeta,
    )  # fmt: skip
    return z.T, zeta.T


def facets(
    points: Array, steep: Array, levels: Array, count: int, *, mirrored: bool
) -> tuple[Array, Array]:
    """Of facets, levels (f,) - steep (f, 2) . point, those closest to being least over points.

    Over each of points (n, 2) or the next: their steepness (count, 2, n) and levels (count, n).
    """
    kind = _KINDS["double"]
    slopes = np.empty((count, 2, len(points)))
    heights = np.empty((count, len(points)))
    _call(
        "facets", kind, len(points), len(levels), count, mirrored, _of(points, kind),
        _of(steep, kind), _of(levels, kind), slopes, heights,
    )  # fmt: skip
    return slopes, heights


def deep(points: Array, steep: Array, levels: Array, *, mirrored: bool) -> Array:
    """The least of levels (f,) - steep (f, 2) . point over points (n, 2), at most 1; (n,)."""
    kind, found = _KINDS["double"], np.empty(len(points))
    _call(
        "deep", kind, len(points), len(levels), mirrored, _of(points, kind), _of(steep, kind),
        _of(levels, kind), found,
    )  # fmt: skip
    return found


def highest(
    count: int, beside: float, rim: Array, shares: Array, depth: float, nominal: int, wall: Array,
    way: Array, outward: Array, inner: Array, inner_z: Array, outer_z: Array,
) -> Indices:  # fmt: skip
    """Which corners (r, 2) of shares (r,) stand highest over runs of one seat, (count, n)."""
    kind, (samples, points) = inner_z.dtype, inner_z.shape
    chosen = np.empty((count, points), np.int_)
    _call(
        "highest", kind, points, samples, nominal, len(rim), count, beside, _of(rim, kind),
        _of(shares, kind), depth,
        *(_flat(each, kind) for each in (wall, way, outward, inner, inner_z, outer_z)), chosen,
    )  # fmt: skip
    return chosen


def held(margins: Array, after: Indices, part: Array) -> Indices:
    """How many draws hold all of margins (n, k, r, s) at some depths between the k; (n, d)."""
    kind, (n, k, r, s) = margins.dtype, margins.shape
    count = np.empty((n, len(after)), np.int_)
    _call(
        "held", kind, n, k, r, s, len(after), _of(margins, kind),
        np.ascontiguousarray(after, np.int_), _of(part, _KINDS["double"]), count,
    )  # fmt: skip
    return count


def rest(
    z: Array, zeta: Array, pavilion: Array, lines: int, parts: int
) -> tuple[Array, Array]:  # fmt: skip
    """Where stones of pavilion depths (..., s) rest on places (s, c); how far they part from them.

    The first places are `parts` on each of some `lines` down the ledge: of each line's heights the
    highest less the lowest, in the mean. (..., s) each.
    """
    kind, (samples, count) = z.dtype, z.shape
    bottom, parted = np.empty((2, *pavilion.shape), kind)
    depths = pavilion.size // samples
    _call(
        "rest", kind, count, lines, parts, depths, samples, _flat(z, kind), _flat(zeta, kind),
        _of(pavilion, kind), bottom, parted,
    )  # fmt: skip
    return bottom, parted


def tightest(
    step: int, gap: Array, near: Array, height: Array, inward: Array, lean: Array, top: Array,
    notch: Array | None, bottom: Array, girdle: Array,
) -> tuple[Array, Array, Array, Array]:  # fmt: skip
    """Least entry and near, what must close at most, and mean gap of each `step`.

    For bottoms and girdles (..., s): the same, and (..., s, c).
    """
    kind, (samples, count) = gap.dtype, gap.shape
    entry, least, reach = np.empty((3, *bottom.shape), kind)
    inside = np.empty((*bottom.shape[:-1], count // step, samples), kind)

    def table(values: Array, stations: int) -> Array:
        return _flat(np.broadcast_to(values, (samples, stations)), kind)

    some = (height, lean, top)
    heights, leans, tops = ((table(each, each.shape[1]), each.shape[1] > 1) for each in some)
    _call(
        "tightest", kind, count, samples, step, _flat(gap, kind), _flat(near, kind),
        *heights, table(inward, count), *leans, *tops,
        None if notch is None else table(notch, count),
        bottom.size // samples, _of(bottom, kind), _of(girdle, kind), entry, least, reach, inside,
    )  # fmt: skip
    return entry, least, reach, inside.swapaxes(-1, -2)
