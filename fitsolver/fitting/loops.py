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
FILE = "loops.compiled"
SOURCES = "loops.c", "loops.h"
# How the functions are called: counts (n), yes or no (i), numbers (d), tables and structures (p).
_ARGUMENTS = {
    "runs": "nnpppp",
    "farthest": "nnnppp",
    "stepped": "pnppp",
    "centred": "pndnppp",
    "clear": "pppppppppp",
    "touched": "pnnnnppppppppppnndppppp",
    "deepest": "pnnnpp",
    "rest": "nnnnnppppp",
    "tightest": "nnnpppippipipnpppppp",
    "held": "nnnnnpppp",
}
_DOUBLE = {"nearest": "nnipppppp"}
_KINDS: Mapping[str, np.dtype[Any]] = {
    "single": np.dtype(np.float32), "double": np.dtype(np.float64),
}  # fmt: skip


class _Facets(ctypes.Structure):
    """A pavilion as the loops take it."""

    _fields_ = (
        *((name, ctypes.c_long) for name in ("facets", "tried", "others")),
        ("mirrored", ctypes.c_int),
        *(
            (name, ctypes.c_void_p)
            for name in ("steep", "level", "other_steep", "other_level", "by")
        ),
        *((name, ctypes.c_double) for name in ("part", "drift")),
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
        types = {
            "n": ctypes.c_long, "i": ctypes.c_int, "d": ctypes.c_double,
            "p": ctypes.c_void_p,
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


def held(margins: Array, after: Indices, part: Array) -> Indices:
    """How many draws hold all of margins (n, k, r, s) at some depths between the k; (n, d)."""
    kind, (n, k, r, s) = margins.dtype, margins.shape
    count = np.empty((n, len(after)), np.int_)
    _call(
        "held", kind, n, k, r, s, len(after), _of(margins, kind),
        np.ascontiguousarray(after, np.int_), _of(part, _KINDS["double"]), count,
    )  # fmt: skip
    return count


class Facets:
    """A pavilion's facets, laid out for the loops: steepness (f, 2) and levels (f,), some tried.

    Stones longer than their form `by` a part (s, 1) gain what the form longer by `part` does, whose
    facets are `other` and whose middle goes `drift` as far along; see `bearing.Longer`.
    """

    def __init__(
        self, steep: Array, levels: Array, tried: int, kind: np.dtype[Any], *, mirrored: bool,
        by: Array | None = None, other: tuple[Array, Array] | None = None, part: float = 0.0,
        drift: float = 0.0,
    ) -> None:  # fmt: skip
        """Lay them out for tables in a precision."""
        double = _KINDS["double"]
        self._tables = [_of(steep, double), _of(levels, double)]
        self.whole = _Facets(
            facets=len(levels), tried=tried, mirrored=mirrored, part=part, drift=drift,
            steep=_address(self._tables[0]), level=_address(self._tables[1]),
        )  # fmt: skip
        if by is not None and other is not None:
            more = [_of(other[0], double), _of(other[1], double), _of(by, kind)]
            self._tables += more
            self.whole.others = len(other[1])
            for name, table in zip(("other_steep", "other_level", "by"), more, strict=True):
                setattr(self.whole, name, _address(table))


def deepest(facets: Facets, points: Array, nominal: int) -> Array:
    """The greatest share of a pavilion's depth over points (2, s, n) and between them, (s,)."""
    kind, (_, samples, count) = points.dtype, points.shape
    most = np.empty(samples, kind)
    _call(
        "deepest", kind, ctypes.byref(facets.whole), count, samples, nominal, _flat(points, kind),
        most,
    )  # fmt: skip
    return most


def touched(
    facets: Facets, nominal: int, along: Array, joined: NDArray[np.bool_],
    ledge: Sequence[Array], corners: int, beside: float, rim: Array, shares: Array, depth: Array,
) -> tuple[Array, Array]:  # fmt: skip
    """Places of a ledge that may stop a stone: heights and shares of depth, (s, c) each.

    `ledge` is wall, ways and outward of its runs, inner edge (2, s, n), heights of inner and outer
    edge, cover and what is beyond (s, n); `rim` (r, 2) are the girdle's corners, `shares` (r,) the
    pavilion's share of depth there, `depth` (s,) the whole of it. See `bearing.Ledge.touched`.
    """
    kind, (samples, count) = ledge[-1].dtype, ledge[-1].shape
    z, zeta = np.empty((2, (len(along) + 2) * count, samples), kind)
    _call(
        "touched", kind, ctypes.byref(facets.whole), count, samples, nominal, len(along),
        _of(along, _KINDS["double"]), np.ascontiguousarray(joined),
        *(_flat(each, kind) for each in ledge), len(rim), corners, beside, _of(rim, kind),
        _of(shares, kind), _of(depth, kind), z, zeta,
    )  # fmt: skip
    return z.T, zeta.T


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
