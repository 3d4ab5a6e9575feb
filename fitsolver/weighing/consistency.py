"""Does the mass agree with the size and the material? A consistency check, never an identification.

Mass over the volume estimated from the size is an implied density. A material is compatible when
its range of densities meets what is implied to within two standard uncertainties; that is not the
probability that the stone is of this material, and every compatible material is as good as another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec import Struct

from fitsolver.errors import OutOfRange
from fitsolver.readings.reading import rectangular_u
from fitsolver.readings.uncertainty import Estimate
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.material import Material, material, materials
from fitsolver.weighing.evidence import HALF_WIDTHS, RANGES, Figure, Measured, evidence_of
from fitsolver.weighing.makes import mixture_of
from fitsolver.weighing.weight import log_normal

COMPATIBLE_WITHIN = 2.0
"""Largest distance, in standard uncertainties, at which a material counts as compatible."""

MEASURE = (
    "distance from the implied density to the material's range of densities, in standard "
    f"uncertainties of the implied density; compatible up to {COMPATIBLE_WITHIN:g}"
)

CANNOT_TELL = (
    "Density cannot tell a natural stone from a synthetic one, a treated from an untreated one, "
    "one origin from another, or a composite from a single stone of the same mean density; "
    "materials of like density, such as corundum and almandine, stay together. A material that is "
    "not listed is not in the library. Only a laboratory identifies a stone."
)


class Compatibility(Struct, frozen=True, kw_only=True):
    """How a material's range of densities lies to an implied one: `distance` as in `MEASURE`."""

    material: str
    density_low_g_cm3: float
    density_high_g_cm3: float
    distance: float

    @property
    def compatible(self) -> bool:
        """Whether the distance is small enough to count as compatible."""
        return self.distance <= COMPATIBLE_WITHIN


class Consistency(Struct, frozen=True, kw_only=True):
    """An implied density and the materials compatible with it, the nearest first.

    `offered` is the material the stone is said to be, None if none was named.
    """

    implied_density_g_cm3: Estimate
    materials_compatible: tuple[Compatibility, ...]
    offered: Compatibility | None
    measure: str = MEASURE
    cannot_tell: str = CANNOT_TELL


def implied_density(
    style: CutStyle | Sequence[CutStyle], mass_ct: float | Figure, **readings: Measured
) -> Estimate:
    """Divide a stone's mass by the volume that its size and style suggest.

    Parameters
    ----------
    style : CutStyle or sequence of CutStyle
        The cut style, in one make or several.
    mass_ct : float or Figure
        Mass [ct]; a plain number as a balance of 0.01 ct shows it.
    **readings
        What was measured, as for `weight.weigh`, without density.

    Returns
    -------
    Estimate
        Density [g/cm3], its 95 % interval log-normal.

    Raises
    ------
    UnknownName, OutOfRange, FitsolverError
        As for `weight.weigh`.

    Notes
    -----
    density = mass / (0.005 volume); relative uncertainties of mass and volume add in squares.

    """
    styles = (style,) if isinstance(style, CutStyle) else tuple(style)
    mass = (
        mass_ct
        if isinstance(mass_ct, Figure)
        else Figure(value=mass_ct, u=rectangular_u(HALF_WIDTHS["_ct"]))
    )
    low, high, unit, remedy = RANGES["_ct"]
    if not low <= mass.value <= high:
        raise OutOfRange("mass_ct", mass.value, low, high, unit=unit, remedy=remedy)
    evidence = evidence_of(styles[0], readings)
    unit_weight, u = mixture_of(styles, (1.0, 0.0), evidence).value_and_u("weight_ct")
    density = mass.value / unit_weight
    return log_normal(density, density * math.hypot(mass.u / mass.value, u[0] / unit_weight[0]))


def consistency(density: Estimate, offered: Material | str | None = None) -> Consistency:
    """Say which materials a density is compatible with, and whether the offered one is.

    Parameters
    ----------
    density : Estimate
        Implied density [g/cm3], from `implied_density` or from weighing in water.
    offered : Material or str, optional
        What the stone is said to be.

    Returns
    -------
    Consistency

    Raises
    ------
    UnknownName
        If the offered material is not known.

    Examples
    --------
    >>> found = consistency(Estimate(value=4.0, u=0.05, low=3.9, high=4.1), "quartz")
    >>> found.materials_compatible[0].material, found.offered.compatible
    ('corundum', False)

    """
    named = material(offered) if isinstance(offered, str) else offered
    near = sorted(materials(), key=lambda entry: abs(entry.density_g_cm3 - density.value))
    every = [_compatibility(entry, density) for entry in near]
    return Consistency(
        implied_density_g_cm3=density,
        materials_compatible=tuple(entry for entry in every if entry.compatible),
        offered=None if named is None else _compatibility(named, density),
    )


def _compatibility(entry: Material, density: Estimate) -> Compatibility:
    apart = max(
        entry.density_low_g_cm3 - density.value, density.value - entry.density_high_g_cm3, 0.0
    )
    return Compatibility(
        material=entry.name,
        density_low_g_cm3=entry.density_low_g_cm3,
        density_high_g_cm3=entry.density_high_g_cm3,
        distance=apart / density.u if apart > 0 else 0.0,
    )
