"""Instruments of the bench and the market, and what each of them promises.

Sources
-------
.. [1] DIN 862, digital calipers with a 0.01 mm step: permissible error 0.02 mm over short ranges,
   0.02 mm more for inside and for depth measurements.
.. [2] ISO 8653:2016: ring sizes are whole millimetres of inner circumference.
.. [3] Common practice: a fact of the trade with no published source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Literal

from msgspec import Struct
from msgspec.structs import replace

from fitsolver.errors import OutOfRange, UnknownName

Measure = Literal["outside", "inside", "depth"]


class Instrument(Struct, frozen=True, kw_only=True):
    """What takes a reading, and what it promises.

    Attributes
    ----------
    permissible_error_mm : float
        Half-width [mm] within which the maker holds an outside reading.
    inside_extra_mm, depth_extra_mm : float
        What an inside or a depth reading adds to it [mm].
    repeatability_mm : float
        Standard deviation [mm] of one reading taken again at the same place.
    step_mm : float
        Step to which the value is read or rounded [mm].
    jaw_flat_mm : float
        Thickness of the flats of the inside jaws [mm], 0 if it has none.
    source : str
        Where these come from.

    """

    name: str
    permissible_error_mm: float
    inside_extra_mm: float = 0.0
    depth_extra_mm: float = 0.0
    repeatability_mm: float = 0.0
    step_mm: float = 0.0
    jaw_flat_mm: float = 0.0
    source: str

    def half_width_mm(self, measure: Measure) -> float:
        """Permissible error of one reading [mm], the extra for its measure included."""
        extra = {"outside": 0.0, "inside": self.inside_extra_mm, "depth": self.depth_extra_mm}
        return self.permissible_error_mm + extra[measure]


INSTRUMENTS: Mapping[str, Instrument] = MappingProxyType(
    {
        known.name: known
        for known in (
            Instrument(
                name="caliper",
                permissible_error_mm=0.02,
                inside_extra_mm=0.02,
                depth_extra_mm=0.02,
                repeatability_mm=0.01,
                step_mm=0.01,
                jaw_flat_mm=0.8,
                source="DIN 862, 0.01 mm step; repeatability and jaw flats common practice",
            ),
            Instrument(
                name="gauge-plate",
                permissible_error_mm=0.02,
                source="common practice: plates and discs hold their marked size to 0.02 mm",
            ),
            Instrument(
                name="stone-gauge",
                permissible_error_mm=0.03,
                source="common practice: a loose stone measured by caliper, slightly out of round",
            ),
            Instrument(
                name="seller-0.1",
                permissible_error_mm=0.0,
                step_mm=0.1,
                source="a size quoted to 0.1 mm is rounded: half a step, 0.05 mm",
            ),
            Instrument(
                name="seller-0.5",
                permissible_error_mm=0.0,
                step_mm=0.5,
                source="a calibrated size in steps of 0.5 mm is rounded: half a step, 0.25 mm",
            ),
            Instrument(
                name="ring-stick",
                permissible_error_mm=0.1,
                step_mm=1.0 / math.pi,
                source="ISO 8653 sizes go by 1 mm of circumference; 0.1 mm common practice",
            ),
        )
    }
)
"""The known instruments by name; `instrument` overrides their figures."""


def instrument(
    name: str,
    *,
    permissible_error_mm: float | None = None,
    inside_extra_mm: float | None = None,
    depth_extra_mm: float | None = None,
    repeatability_mm: float | None = None,
    step_mm: float | None = None,
    jaw_flat_mm: float | None = None,
    source: str | None = None,
) -> Instrument:
    """Look up an instrument by name, change some of its figures, or describe a new one.

    Parameters
    ----------
    name : str
        A key of `INSTRUMENTS`, or a new name together with its permissible error.
    permissible_error_mm, inside_extra_mm, depth_extra_mm, repeatability_mm, step_mm, jaw_flat_mm
        What to put in place of the known figures [mm]; see `Instrument`.
    source : str, optional
        Where the changed figures come from; "given by the user" if not said.

    Returns
    -------
    Instrument

    Raises
    ------
    UnknownName
        If the name is new and no permissible error is given.
    OutOfRange
        If a figure is negative, not finite or over 5 mm.

    Examples
    --------
    >>> instrument("caliper", jaw_flat_mm=0.5).half_width_mm("inside")
    0.04

    """
    given = {
        "permissible_error_mm": permissible_error_mm,
        "inside_extra_mm": inside_extra_mm,
        "depth_extra_mm": depth_extra_mm,
        "repeatability_mm": repeatability_mm,
        "step_mm": step_mm,
        "jaw_flat_mm": jaw_flat_mm,
    }
    changes: dict[str, Any] = {key: figure for key, figure in given.items() if figure is not None}
    for key, figure in changes.items():
        if not 0.0 <= figure <= 5.0:
            raise OutOfRange(key, figure, 0.0, 5.0, remedy=f"check the {name}'s own figures")
    if name in INSTRUMENTS:
        known = INSTRUMENTS[name]
        if not changes:
            return known if source is None else replace(known, source=source)
        origin = f"given by the user: {', '.join(changes)}" if source is None else source
        return replace(known, **changes, source=f"{origin}; otherwise {known.source}")
    if permissible_error_mm is None:
        raise UnknownName("instrument", name, INSTRUMENTS)
    changes.pop("permissible_error_mm")
    return Instrument(
        name=name,
        permissible_error_mm=permissible_error_mm,
        **changes,
        source="given by the user" if source is None else source,
    )
