"""What was measured on a stone: lengths by caliper, proportions, mass, density.

One reading of one stone or a column of readings of many: both become `Evidence`, after the same
checks. What nobody could have measured is refused; what is merely unusual is warned of later.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import ArrayLike, NDArray

from fitsolver.errors import FitsolverError, OutOfRange, UnknownName
from fitsolver.readings.instrument import Instrument
from fitsolver.readings.reading import LONGEST_MM, Reading, direct, rectangular_u
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.prior import prior_of

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SIZES = ("length_mm", "width_mm", "depth_mm", "crown_height_mm", "pavilion_depth_mm")
"""Lengths that can be read on a stone of any style."""

LEAST, MOST = "girdle_least_mm", "girdle_most_mm"
"""Thinnest and thickest place of an uneven girdle, read together."""

VALLEY = "girdle_valley_mm"
"""The girdle at its thin places, as laboratories describe it in words."""

HALFWAY = "halfway_width_mm"
"""The width of a dome half way up from its edge, which tells how full it is."""

DOME_NAMES = {"back_depth_mm": "pavilion_depth_mm", "edge_mm": "girdle_mm"}
"""What readings of domes are called, and of faceted stones: the same parts."""

# Half-widths of plain numbers that are no lengths. Common practice: proportions are judged with a
# loupe to a per cent or a degree, carat balances show 0.01 ct, densities are quoted to 0.01.
HALF_WIDTHS = {"_pct": 1.0, "_deg": 1.0, "_ratio": 0.01, "_ct": 0.005, "_cm3": 0.005}

RANGES = {
    "_mm": (0.0, LONGEST_MM, "mm", "sizes are in millimetres"),
    "_pct": (0.0, 99.0, "%", "proportions are per cent of the width"),
    "_deg": (1.0, 89.0, "deg", "angles are in degrees from the girdle plane"),
    "_ratio": (0.2, 10.0, "", "the ratio is length over width"),
    "_ct": (1e-4, 1e5, "ct", "the mass is in carats; 1 g is 5 ct"),
    "_cm3": (1.0, 8.0, "g/cm3", "gem materials lie within; check the unit"),
}

SMALLEST_MM = 0.05
"""No stone is smaller; lengths and depths below it are slips [mm]."""

LIKE_INCHES_MM = 0.8
"""Stones narrower than this are not measured one by one (common practice); in inches they are."""

SWAPPED_MM = 0.04
"""Length and width may be this far in the wrong order: two permissible errors of a caliper [mm]."""


class Figure(Struct, frozen=True, kw_only=True):
    """A measured number that is no length: a proportion, a mass, a density.

    `value` and its standard uncertainty `u` in the unit of the name it is given for.
    """

    value: float
    u: float


Measured = float | Reading | Figure | Sequence[float | Reading | Figure]
"""One reading or several: plain lengths are caliper readings, plain repeats are averaged."""


class Evidence(Struct, frozen=True, kw_only=True):
    """One reading of each of n stones, NaN where it was not taken.

    `name` says of what; `values` (n,), `u_own` (n,) what it shares with no other reading,
    `u_shared` (n,) what it shares in full with all readings of the same `cause`.
    """

    name: str
    values: Array
    u_own: Array
    u_shared: Array
    cause: str | None = None

    def rows(self, chosen: NDArray[np.int64]) -> Evidence:
        """Return the evidence on some of the stones."""
        return Evidence(
            name=self.name,
            values=self.values[chosen],
            u_own=self.u_own[chosen],
            u_shared=self.u_shared[chosen],
            cause=self.cause,
        )


def readable(style: CutStyle) -> tuple[str, ...]:
    """Return the names of everything that can be read on a stone of this style.

    Besides the lengths: every proportion, those in per cent also in millimetres (`girdle_mm`).
    """
    proportions = [name for name in prior_of(style).names if name != "fill_pct"]
    in_mm = [name.removesuffix("_pct") + "_mm" for name in proportions if name.endswith("_pct")]
    dome = (*DOME_NAMES, HALFWAY) if any(part.part == "crown" for part in style.domes) else ()
    names = (*SIZES, *proportions, *in_mm, LEAST, MOST, VALLEY, *dome, "mass_ct", "density_g_cm3")
    return tuple(dict.fromkeys(names))


def evidence_of(style: CutStyle, readings: Mapping[str, Measured]) -> list[Evidence]:
    """Turn the readings of one stone into evidence.

    Raises `UnknownName` or `OutOfRange`; `FitsolverError` where neither length nor width is read.
    """
    _check_names(style, readings)
    readings = {DOME_NAMES.get(name, name): item for name, item in readings.items()}
    found = [_single(name, item) for name, many in readings.items() for item in _each(name, many)]
    for mask, error in faults(style, found):
        if mask[0]:
            raise error(0)
    for item in found:
        if np.isnan(item.values[0]):
            raise _beyond(item, 0)
    return _with_mean_girdle(found)


def evidence_of_columns(
    style: CutStyle,
    columns: Mapping[str, ArrayLike],
    u: Mapping[str, ArrayLike],
    instrument: Instrument | str,
) -> tuple[list[Evidence], dict[int, str]]:
    """Turn columns of readings, NaN where none was taken, into evidence and faults by row.

    Lengths are single outside readings of `instrument` unless `u` states standard uncertainties.
    """
    _check_names(style, columns)
    _check_names(style, u)
    columns = {DOME_NAMES.get(name, name): item for name, item in columns.items()}
    u = {DOME_NAMES.get(name, name): item for name, item in u.items()}
    arrays = np.broadcast_arrays(
        *(np.array(c, dtype=np.float64, ndmin=1) for c in columns.values())
    )
    found = [
        _column(name, values, u.get(name), instrument)
        for name, values in zip(columns, arrays, strict=True)
    ]
    reasons: dict[int, str] = {}
    for mask, error in faults(style, found):
        for row in np.flatnonzero(mask).tolist():
            reasons.setdefault(row, str(error(row)))
    return _with_mean_girdle(found), reasons


def faults(
    style: CutStyle, evidence: Sequence[Evidence]
) -> Iterator[tuple[Mask, Callable[[int], FitsolverError]]]:
    """Yield what no stone can be: a mask of the stones, and the error of one of them."""
    if not {item.name for item in evidence} & {"length_mm", "width_mm"}:
        raise FitsolverError("a weight needs a size: give length_mm, width_mm or both")
    for item in evidence:
        low, high, _, _ = _range(item.name)
        yield (item.values < low) | (item.values > high), partial(_beyond, item)
    nothing = np.full(len(evidence[0].values), np.nan)
    length, width = (
        next((item for item in evidence if item.name == name), None)
        for name in ("length_mm", "width_mm")
    )
    sizes = [nothing if item is None else item.values for item in (length, width)]
    yield np.logical_and(*np.isnan(sizes)), _no_size
    if length is not None and width is not None and prior_of(style).lows[0] >= 1:
        swapped = length.values < width.values - SWAPPED_MM
        yield swapped, partial(_swapped, style, length.values, width.values)
    yield from _parts_of_depth(style, evidence)
    yield from _wholes(style, evidence)


# What is left of the depth beside a part: crown or pavilion, by the name of its reading.
_OTHER_PART = {"crown_height_mm": "pavilion_depth_pct", "pavilion_depth_mm": "crown_height_pct"}


def _parts_of_depth(
    style: CutStyle, evidence: Sequence[Evidence]
) -> Iterator[tuple[Mask, Callable[[int], FitsolverError]]]:
    """Refuse a crown or pavilion that leaves nothing of the depth for the other."""
    read = {item.name: item.values for item in evidence}
    if "depth_mm" not in read:
        return
    for part, other in _OTHER_PART.items():
        if part not in read:
            continue
        beside = style.proportions.get(other)
        flat = beside is not None and beside.low == 0
        # A flat back or top leaves the other part the whole depth, read twice.
        wrong = (
            read[part] > read["depth_mm"] + SWAPPED_MM if flat else read[part] >= read["depth_mm"]
        )
        yield wrong, partial(_no_part, part, read[part], read["depth_mm"])


def _wholes(
    style: CutStyle, evidence: Sequence[Evidence]
) -> Iterator[tuple[Mask, Callable[[int], FitsolverError]]]:
    """Refuse parts that exceed their whole, and what is far outside any stone of the style.

    Far outside is beyond the limits of every make by as much as these are apart.
    """
    read = {item.name: item.values for item in evidence}
    nothing = np.full(len(evidence[0].values), np.nan)

    def of(name: str) -> Array:
        return read.get(name, nothing)

    width: Array = np.where(np.isnan(of("width_mm")), of("length_mm"), of("width_mm"))
    depth, in_pct = of("depth_mm"), width * of("girdle_pct") / 100
    named = next((name for name in ("girdle_mm", "girdle_pct", MOST, VALLEY) if name in read), None)
    if named is not None:
        girdle = np.fmax(np.fmax(of("girdle_mm"), in_pct), np.fmax(of(MOST), of(VALLEY)))
        crown, pavilion = of("crown_height_mm"), of("pavilion_depth_mm")
        parts: Array = girdle + np.nan_to_num(crown) + np.nan_to_num(pavilion)
        whole = 100 * depth / width if named == "girdle_pct" else depth
        yield parts > depth + SWAPPED_MM, partial(_no_part, named, read[named], whole)
    for name, values in read.items():
        if name.endswith("_mm") and name.removesuffix("_mm") + "_pct" in style.proportions:
            yield values > width + SWAPPED_MM, partial(_wider, name, values, width)
    if not style.strung:
        deepest = MOST_DEEP * width
        yield depth > deepest, partial(_wider, "depth_mm", depth, deepest)
    for name in style.proportions:
        if name not in read:
            continue
        stated = [make[name] for make in style.makes.values()]
        least, most = min(each.low for each in stated), max(each.high for each in stated)
        room = max(most - least, 5.0)
        wrong = (read[name] < least - room) | (read[name] > most + room)
        yield wrong, partial(_far, name, read[name], least - room, most + room)


MOST_DEEP = 8.0
"""No set stone is deeper than so many widths (common practice)."""


def _wider(name: str, values: Array, wholes: Array, row: int) -> FitsolverError:
    return OutOfRange(
        name, float(values[row]), 0.0, float(wholes[row]), unit="mm",
        remedy="no stone is so: look for readings that were mixed up, or a decimal sign",
    )  # fmt: skip


def _far(name: str, values: Array, low: float, high: float, row: int) -> FitsolverError:
    return OutOfRange(
        name, float(values[row]), max(low, 0.0), high,
        remedy="far outside any stone of this cut: look at the decimal sign and the unit",
    )  # fmt: skip


def _no_part(name: str, values: Array, depths: Array, row: int) -> FitsolverError:
    return OutOfRange(
        name, float(values[row]), 0.0, float(depths[row]),
        remedy="a part is less than the whole depth: look for readings that were mixed up",
    )  # fmt: skip


def _range(name: str) -> tuple[float, float, str, str]:
    low, high, unit, remedy = RANGES[_kind(name)]
    low = SMALLEST_MM if name in ("length_mm", "width_mm", "depth_mm") else low
    return low, high, unit, remedy


def _beyond(item: Evidence, row: int) -> FitsolverError:
    low, high, unit, remedy = _range(item.name)
    return OutOfRange(item.name, float(item.values[row]), low, high, unit=unit, remedy=remedy)


def _no_size(row: int) -> FitsolverError:
    return FitsolverError("neither length_mm nor width_mm is given")


def _swapped(style: CutStyle, lengths: Array, widths: Array, row: int) -> FitsolverError:
    length, width = style.measuring["length"], style.measuring["width"]
    return OutOfRange(
        "length_mm",
        float(lengths[row]),
        float(widths[row]),
        LONGEST_MM,
        remedy=f"not less than width_mm; length: {length}; width: {width}",
    )


def _check_names(style: CutStyle, names: Iterable[str]) -> None:
    known = readable(style)
    for name in names:
        if name not in known:
            raise UnknownName(f"reading for the style {style.name}", name, known)


def _kind(name: str) -> str:
    return name[name.rindex("_") :]


def _each(name: str, measured: Any) -> list[float | Reading | Figure | list[float]]:
    """Split several readings of one thing; plain numbers together are repeats of one."""
    if not isinstance(measured, Sequence):
        return [measured]
    plain = [float(item) for item in measured if isinstance(item, int | float)]
    other = [item for item in measured if not isinstance(item, int | float)]
    if not measured:
        raise FitsolverError(f"{name} holds no value; give one reading or several")
    return [*([plain] if plain else []), *other]


def _single(name: str, item: float | Reading | Figure | list[float]) -> Evidence:
    if _kind(name) == "_mm" and isinstance(item, int | float | list):
        values = [item] if isinstance(item, int | float) else item
        low, high, unit, remedy = _range(name)
        for value in values:
            if not low <= value <= high:
                raise OutOfRange(name, value, low, high, unit=unit, remedy=remedy)
        # Outside readings err alike at all sizes; a girdle may be a knife edge, 0 mm thick.
        above = direct([value + 1.0 for value in values])
        item = replace(above, value_mm=above.value_mm - 1.0)
    if isinstance(item, Reading):
        if _kind(name) != "_mm":
            raise FitsolverError(f"{name} is no length; give a number, or a Figure with its u")
        return Evidence(
            name=name,
            values=np.array([item.value_mm]),
            u_own=np.array([item.u_own_mm]),
            u_shared=np.array([item.u_systematic_mm]),
            cause=item.cause,
        )
    if isinstance(item, Figure):
        value, u = item.value, item.u
    else:
        value, u = float(np.mean(item)), rectangular_u(HALF_WIDTHS[_kind(name)])
    return Evidence(name=name, values=np.array([value]), u_own=np.array([u]), u_shared=np.zeros(1))


def _column(
    name: str, values: Array, u: ArrayLike | None, instrument: Instrument | str
) -> Evidence:
    shared, cause = 0.0, None
    if u is not None:
        own = np.broadcast_to(np.asarray(u, dtype=np.float64), values.shape)
    elif _kind(name) == "_mm":
        usual = direct(1.0, instrument=instrument)
        own = np.full(values.shape, usual.u_own_mm)
        shared, cause = usual.u_systematic_mm, usual.cause
    else:
        own = np.full(values.shape, rectangular_u(HALF_WIDTHS[_kind(name)]))
    return Evidence(
        name=name, values=values, u_own=own, u_shared=np.full(values.shape, shared), cause=cause
    )


def _with_mean_girdle(evidence: list[Evidence]) -> list[Evidence]:
    """Turn the least and most of an uneven girdle into one reading of its mean.

    The mean is taken to lie within the middle half of the range (common practice: a girdle swells
    and thins about its middle), a rectangular half-width of a quarter of it.
    """
    ends = {item.name: item for item in evidence if item.name in (LEAST, MOST)}
    if len(ends) == 1:
        raise FitsolverError(f"{LEAST} and {MOST} go together; a single place is girdle_mm")
    if not ends:
        return evidence
    least, most = ends[LEAST], ends[MOST]
    uneven = np.abs(most.values - least.values) / 4
    mean = Evidence(
        name="girdle_mm",
        values=(least.values + most.values) / 2,
        u_own=np.hypot(rectangular_u(1.0) * uneven, np.hypot(least.u_own, most.u_own) / 2),
        u_shared=(least.u_shared + most.u_shared) / 2,
        cause=least.cause if least.cause == most.cause else None,
    )
    return [*(item for item in evidence if item.name not in ends), mean]
