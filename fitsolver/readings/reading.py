"""Readings at the bench: what an instrument said, and how far from the truth it may be.

This is the one place where a half-width becomes a standard uncertainty. A reading keeps three
causes of doubt apart, because they behave differently:

- *scatter*: the same reading taken again comes out differently; repeats shrink it;
- *systematic*: the instrument's permissible error, one and the same for every reading taken with
  it in the same way, so repeats do not shrink it, and two readings share it (`Reading.cause`);
- *definition*: worn edges, rounding, a gauge between two sizes; it belongs to this reading alone,
  and repeats do not shrink it either.

Sources
-------
.. [1] JCGM 100:2008 (GUM), 4.2.3 (repeats), 4.3.7 (rectangular), 5.2 (shared causes), F.2.2.1
   (step of a display).
.. [2] Common practice: a fact of the trade with no published source.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.errors import FitsolverError, OutOfRange
from fitsolver.readings.instrument import Instrument, Measure
from fitsolver.readings.instrument import instrument as known_instrument

Level = Literal["rim", "girdle", "ledge", "gallery", "back"]
Kind = Literal["direct", "difference", "outside-minus-metal", "tried", "assumed"]
Distribution = Literal["normal", "rectangular", "one-sided"]

LONGEST_MM = 150.0
"""Longest reading [mm]: the reach of a common bench caliper."""


def rectangular_u(half_width: float) -> float:
    """Standard uncertainty of a value that is anywhere within a half-width, a / sqrt(3) [1]_.

    Examples
    --------
    >>> round(rectangular_u(0.02), 5)
    0.01155

    """
    return half_width / math.sqrt(3.0)


class Reading(Struct, frozen=True, kw_only=True):
    """One length of a mounting or a stone, as far as it is known.

    Attributes
    ----------
    value_mm : float
        Best value [mm], known one-sided errors already corrected.
    u_scatter_mm : float
        Standard uncertainty of the mean from taking it again [mm], repeats already counted.
    u_systematic_mm : float
        Standard uncertainty from what this reading shares with others of the same `cause` [mm].
    u_definition_mm : float
        Standard uncertainty of this reading alone that no repeat shrinks [mm].
    kind : str
        How it was come by: direct, difference, outside-minus-metal, tried or assumed.
    source : str
        The instrument's source, or the reason for an assumed value.
    instrument : str
        Name of the instrument, empty for an assumed value.
    measure : str, optional
        Outside, inside or depth.
    level : str, optional
        Level of the seat at which it was taken; none for metal and stones.
    repeats : int
        How often it was taken; of several parts, the one taken least often.
    correction_mm : float
        What was added to the mean for a one-sided error [mm].
    note : str
        Anything the reader of a report should know.

    """

    value_mm: float
    u_scatter_mm: float = 0.0
    u_systematic_mm: float = 0.0
    u_definition_mm: float = 0.0
    kind: Kind
    source: str
    instrument: str = ""
    measure: Measure | None = None
    level: Level | None = None
    repeats: int = 1
    correction_mm: float = 0.0
    note: str = ""

    @property
    def u_mm(self) -> float:
        """Combined standard uncertainty [mm], the root of the sum of squares of the three."""
        return math.hypot(self.u_scatter_mm, self.u_systematic_mm, self.u_definition_mm)

    @property
    def u_own_mm(self) -> float:
        """What this reading shares with no other [mm]: scatter and definition."""
        return math.hypot(self.u_scatter_mm, self.u_definition_mm)

    @property
    def half_width_mm(self) -> float:
        """Rectangular half-width [mm] of what repeats do not shrink."""
        return math.sqrt(3.0) * math.hypot(self.u_systematic_mm, self.u_definition_mm)

    @property
    def assumed(self) -> bool:
        """Whether nobody measured it."""
        return self.kind == "assumed"

    @property
    def cause(self) -> str | None:
        """Name of the systematic variable it shares with other readings, None if it shares none.

        Instrument and measure; a difference, or an outside span minus metal, has one of its own.
        """
        if self.u_systematic_mm == 0.0:
            return None
        way = "" if self.kind in ("direct", "tried") else f" {self.kind}"
        return f"{self.instrument} {self.measure}{way}"

    @property
    def distribution(self) -> Distribution:
        """Shape of the larger part of the doubt; "one-sided" where a correction was made."""
        if self.correction_mm != 0.0:
            return "one-sided"
        flat = math.hypot(self.u_systematic_mm, self.u_definition_mm) > self.u_scatter_mm
        return "rectangular" if flat and not self.assumed else "normal"


def direct(
    values_mm: float | Sequence[float],
    *,
    instrument: Instrument | str = "caliper",
    measure: Measure = "outside",
    level: Level | None = None,
    half_width_mm: float | None = None,
    definition_mm: float = 0.0,
    bore_mm: float | None = None,
    note: str = "",
) -> Reading:
    """Take a length as the instrument shows it, once or several times at the same place.

    Parameters
    ----------
    values_mm : float or sequence of float
        The reading [mm], or its repeats in any order.
    instrument : Instrument or str
        What took it.
    measure : str
        Outside, inside or depth.
    level : str, optional
        Level of the seat at which it was taken.
    half_width_mm : float, optional
        The reader's own judgement of this reading as a whole [mm]. It takes the place of the
        permissible error, the step and the correction for jaw flats, and is shared with nothing.
    definition_mm : float
        Half-width [mm] for edges that are hard to find: 0.05 to 0.1 on worn, hand-made seats
        [2]_. Repeats do not shrink it.
    bore_mm : float, optional
        For inside readings: diameter of the curve the jaws touch [mm], where it is tighter than
        the reading itself (the ends of an oval).
    note : str
        Kept with the reading.

    Returns
    -------
    Reading

    Raises
    ------
    UnknownName
        If there is no such instrument.
    OutOfRange
        If a value is not within 0 to 150 mm, or the jaws cannot enter the bore.

    Notes
    -----
    Flats of thickness t stand in a bore of diameter D on a chord and under-read it by at most
    D - sqrt(D^2 - t^2), which is sqrt(R^2 + t^2) - R for a reading R. Walls that are straight
    there are not under-read at all. Half of the greatest under-read is added to the value, and
    half of it is the half-width of a rectangular doubt, which all inside readings of one caliper
    share because its flats are always the same.

    Scatter is the larger of the instrument's repeatability and the spread of the repeats, over
    the root of their number: few repeats may agree by chance [1]_. The step counts as definition
    although the permissible error of a digital caliper already contains it; at 0.01 mm that
    widens u by about 3 % at most.

    Examples
    --------
    >>> width = direct([6.12, 6.08, 6.10], level="rim", measure="inside")
    >>> f"{width.value_mm:.3f} {width.u_mm:.3f} {width.cause}"
    '6.126 0.030 caliper inside'

    """
    tool = _tool(instrument)
    values = _values(values_mm, "reading")
    correction = 0.0
    if measure == "inside" and half_width_mm is None:
        mean = statistics.fmean(values)
        correction = _greatest_under_read_mm(mean, tool.jaw_flat_mm, bore_mm) / 2.0
    return _read(
        [(1.0, values)],
        tool,
        kind="direct",
        measure=measure,
        level=level,
        half_width_mm=half_width_mm,
        definition_mm=definition_mm,
        correction_mm=correction,
        note=note,
    )


def difference(
    deep_mm: float | Sequence[float],
    shallow_mm: float | Sequence[float],
    *,
    instrument: Instrument | str = "caliper",
    measure: Measure = "depth",
    level: Level | None = None,
    half_width_mm: float | None = None,
    definition_mm: float = 0.0,
    note: str = "",
) -> Reading:
    """Take a height as the difference of two depths, as the wall's from those of ledge and rim.

    Parameters
    ----------
    deep_mm, shallow_mm : float or sequence of float
        The two readings [mm], or the repeats of each.
    instrument, measure, level, half_width_mm, definition_mm, note
        As for `direct`; `half_width_mm` judges the difference as a whole.

    Returns
    -------
    Reading

    Raises
    ------
    UnknownName
        If there is no such instrument.
    OutOfRange
        If a value is not within 0 to 150 mm, or the deep one is not the deeper.

    Notes
    -----
    Both readings share the zero of the caliper, which cancels, but foot, edge and scale errors
    differ from place to place. How much cancels is not published, so the permissible error is
    taken once for each reading and as independent: u = sqrt(2) a / sqrt(3). That is on the safe
    side. Two differences taken with one instrument share this error in full.

    Examples
    --------
    >>> wall = difference(2.10, 1.20)
    >>> f"{wall.value_mm:.2f} {wall.u_mm:.3f}"
    '0.90 0.036'

    """
    return _read(
        [(1.0, _values(deep_mm, "deep")), (-1.0, _values(shallow_mm, "shallow"))],
        _tool(instrument),
        kind="difference",
        measure=measure,
        level=level,
        half_width_mm=half_width_mm,
        definition_mm=definition_mm,
        note=note,
    )


def outside_minus_metal(
    outside_mm: float | Sequence[float],
    metal_mm: float | Sequence[float],
    *,
    instrument: Instrument | str = "caliper",
    level: Level | None = None,
    half_width_mm: float | None = None,
    definition_mm: float = 0.0,
    note: str = "",
) -> Reading:
    """Take an opening as the outside span less the metal on both sides, as over two claws.

    Parameters
    ----------
    outside_mm : float or sequence of float
        The span over the metal [mm], or its repeats.
    metal_mm : float or sequence of float
        Thickness of the metal [mm]: a sequence has one reading for each piece in the way, each
        taken off once; a single number stands for both sides and is taken off twice.
    instrument, level, half_width_mm, definition_mm, note
        As for `direct`; `half_width_mm` judges the opening as a whole.

    Returns
    -------
    Reading

    Raises
    ------
    UnknownName
        If there is no such instrument.
    OutOfRange
        If a value is not within 0 to 150 mm, or no opening is left.

    Notes
    -----
    All are outside readings of one instrument. As with `difference`, the permissible error is
    taken for each reading as independent, on the safe side: with a metal reading on each side
    u = sqrt(3) a / sqrt(3), and with one reading counted twice u = sqrt(5) a / sqrt(3). That the
    unread claw is as thick as its fellow is then assumed, and nothing is added for it.

    Examples
    --------
    >>> opening = outside_minus_metal(8.30, [1.02, 0.98], level="rim")
    >>> f"{opening.value_mm:.2f} {opening.u_mm:.3f}"
    '6.30 0.027'

    """
    metal = _values(metal_mm, "metal")
    weight = -1.0 if isinstance(metal_mm, Iterable) else -2.0
    return _read(
        [(1.0, _values(outside_mm, "outside")), *((weight, (piece,)) for piece in metal)],
        _tool(instrument),
        kind="outside-minus-metal",
        measure="outside",
        level=level,
        half_width_mm=half_width_mm,
        definition_mm=definition_mm,
        note=note,
    )


def tried(
    drops_in_mm: float,
    refuses_mm: float,
    *,
    instrument: Instrument | str = "gauge-plate",
    level: Level | None = None,
    note: str = "",
) -> Reading:
    """Take an opening from a gauge or stone that drops in and the next size that does not.

    Parameters
    ----------
    drops_in_mm, refuses_mm : float
        Largest size that drops in and smallest that is refused [mm].
    instrument : Instrument or str
        What was tried: "gauge-plate", or "stone-gauge" for a loose stone.
    level, note
        As for `direct`. A gauge finds the narrowest level it passes.

    Returns
    -------
    Reading
        The middle of the two sizes; between them all openings are equally likely, and both gauges
        may be off by the permissible error. The little play a gauge needs to drop is neglected; so
        is that a round stone finds the largest circle inside an uneven opening, which is less than
        its span: by 0.09 mm on average in hand work 6 mm wide, by 0.03 mm in castings. Both err
        on the safe side, an opening taken as too small.

    Raises
    ------
    UnknownName
        If there is no such instrument.
    OutOfRange
        If a size is not within 0 to 150 mm, or the refused one is not the larger.

    Examples
    --------
    >>> opening = tried(6.0, 6.25)
    >>> f"{opening.value_mm:.3f} {opening.u_mm:.3f}"
    '6.125 0.073'

    """
    (low,), (high,) = _values(drops_in_mm, "drops_in"), _values(refuses_mm, "refuses")
    if high <= low:
        raise OutOfRange("refuses", high, low, LONGEST_MM, remedy="it must be larger than drops_in")
    return _read(
        [(1.0, ((low + high) / 2.0,))],
        _tool(instrument),
        kind="tried",
        measure="inside",
        level=level,
        definition_mm=(high - low) / 2.0,
        note=note,
    )


def assumed(
    value_mm: float, u_mm: float, *, source: str, level: Level | None = None, note: str = ""
) -> Reading:
    """Stand in for a length nobody measured, and mark it so.

    Parameters
    ----------
    value_mm, u_mm : float
        Usual value and its standard uncertainty [mm].
    source : str
        Why this value: a publication or "common practice".
    level, note
        As for `direct`.

    Returns
    -------
    Reading
        With `assumed` true; it shares no cause.

    Raises
    ------
    OutOfRange
        If value or uncertainty is not within 0 to 150 mm.
    FitsolverError
        If no source is given.

    """
    if not source.strip():
        raise FitsolverError("an assumed value needs a source; common practice is one")
    return Reading(
        value_mm=_checked(value_mm, "assumed value"),
        u_definition_mm=_checked(u_mm, "u_mm"),
        kind="assumed",
        source=source,
        level=level,
        note=note,
    )


def covariance_mm2(readings: Sequence[Reading]) -> NDArray[np.float64]:
    """Covariance of several readings, those of one cause moving together.

    Parameters
    ----------
    readings : sequence of Reading
        In any order.

    Returns
    -------
    array, shape (readings, readings)
        Covariance [mm2] in the same order. Readings of one cause share their systematic part
        in full; all other parts are independent [1]_.

    Examples
    --------
    >>> length, width = direct(8.1), direct(6.1)
    >>> f"{covariance_mm2([length, width])[0, 1] / (length.u_mm * width.u_mm):.2f}"
    '0.55'

    """
    causes = [reading.cause for reading in readings]
    own = np.array([reading.u_own_mm for reading in readings], dtype=np.float64)
    covariance = np.diag(own**2)
    for cause in set(causes) - {None}:
        shared = np.array(
            [reading.u_systematic_mm if reading.cause == cause else 0.0 for reading in readings]
        )
        covariance += np.outer(shared, shared)
    return covariance


def _read(
    parts: Sequence[tuple[float, Sequence[float]]],
    tool: Instrument,
    *,
    kind: Kind,
    measure: Measure,
    level: Level | None,
    half_width_mm: float | None = None,
    definition_mm: float = 0.0,
    correction_mm: float = 0.0,
    note: str,
) -> Reading:
    """Add up weighted readings of one instrument, their errors independent of one another."""
    value = sum(weight * statistics.fmean(values) for weight, values in parts)
    if value <= 0.0:
        # A lone zero is a reading of nothing; a sum can only get here by swapped or wrong parts.
        remedy = "it must be above 0" if len(parts) == 1 else "the part taken off is too large"
        raise OutOfRange(f"{kind} reading", value, 0.0, LONGEST_MM, remedy=remedy)
    many = math.hypot(*(weight for weight, _ in parts))
    scatters = (weight * _scatter_mm(values, tool) for weight, values in parts)
    systematic = many * tool.half_width_mm(measure)
    rounding = many * tool.step_mm / 2.0
    if half_width_mm is not None:
        systematic, rounding = 0.0, _checked(half_width_mm, "half_width_mm")
    return Reading(
        value_mm=value + correction_mm,
        u_scatter_mm=math.hypot(*scatters),
        u_systematic_mm=rectangular_u(math.hypot(systematic, correction_mm)),
        u_definition_mm=rectangular_u(
            math.hypot(rounding, _checked(definition_mm, "definition_mm"))
        ),
        kind=kind,
        source=tool.source,
        instrument=tool.name,
        measure=measure,
        level=level,
        repeats=min(len(values) for _, values in parts),
        correction_mm=correction_mm,
        note=note,
    )


def _tool(named: Instrument | str) -> Instrument:
    return known_instrument(named) if isinstance(named, str) else named


def _values(given: float | Sequence[float], name: str) -> tuple[float, ...]:
    values = tuple(given) if isinstance(given, Iterable) else (given,)
    if not values:
        raise FitsolverError(f"{name} holds no value; write one reading in mm, or several")
    return tuple(_checked(float(value), name) for value in values)


def _checked(length_mm: float, name: str) -> float:
    if not 0.0 <= length_mm <= LONGEST_MM:
        raise OutOfRange(name, length_mm, 0.0, LONGEST_MM, remedy="write it in mm, without sign")
    return length_mm


def _scatter_mm(values: Sequence[float], tool: Instrument) -> float:
    spread = statistics.stdev(values) if len(values) > 1 else 0.0
    return max(spread, tool.repeatability_mm) / math.sqrt(len(values))


def _greatest_under_read_mm(reading_mm: float, flat_mm: float, bore_mm: float | None) -> float:
    if bore_mm is None:
        return math.hypot(reading_mm, flat_mm) - reading_mm
    if bore_mm <= flat_mm:
        raise OutOfRange(
            "bore_mm", bore_mm, flat_mm, LONGEST_MM, remedy="the jaw flats cannot enter it"
        )
    return bore_mm - math.sqrt(bore_mm**2 - flat_mm**2)
