"""Density by weighing: in air and in water, or with a specific-gravity bottle.

What a stone loses in water is the weight of the water it displaces. Both ways give

    density = A / D x (density of water - density of air) + density of air,

with A the mass shown in air and D what is lost in water, or what the stone drives out of the
bottle: the balance's own calibration cancels, the buoyancy of the air does not [1]_. D is small,
and its error does not shrink with the stone: the relative uncertainty grows as 1 / mass, and
below about half a carat an ordinary balance tells little. A density is consistent with materials,
never proof of one; see `consistency`.

Not for foil-backed stones, opal, turquoise, or anything porous, glued, or filled: water harms them,
and what they soak up or hide is weighed as well.

Sources
-------
.. [1] Archimedes' law, with the air displaced on either pan; as in ISO 1183-1, immersion method
   (from memory).
.. [2] M. Tanaka, G. Girard, R. Davis, A. Peuto and N. Bignell, "Recommended table for the density
   of water between 0 C and 40 C based on recent experimental reports", Metrologia 38 (2001) 301;
   coefficients from memory, checked against a second formula and printed values.
.. [3] Surface tension of clean water against air at 20 C: 72.8 mN/m (tables of physics, from
   memory). The pull of the surface on a wire of diameter d is pi x d x this.
.. [4] Common practice: a fact of the trade with no published source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

import numpy as np
from msgspec import Struct

from fitsolver.errors import OutOfRange
from fitsolver.readings.reading import rectangular_u
from fitsolver.readings.uncertainty import Estimate, Floats, propagate_linear
from fitsolver.stones.material import Material
from fitsolver.units import CARAT_G
from fitsolver.weighing.consistency import Consistency, consistency

AIR_G_CM3 = 0.0012
"""Density of air in a room near sea level [g/cm3], good to a tenth of itself [4]_."""

AIR_HALF_WIDTH_G_CM3 = 0.00012

THERMOMETER_C = 1.0
"""How far the water may be from the temperature stated [C], half-width [4]_."""

IMPURE_WATER_G_CM3 = 0.0005
"""What salts, air and a drop of detergent may change in water [g/cm3], half-width [4]_."""

SURFACE_TENSION_N_M = 0.0728

GRAVITY_M_S2 = 9.81

MENISCUS = 0.1
"""Part of the surface's pull on the wire that may differ between two weighings, half-width [4]_."""

FILLING_CT = 0.02
"""How well a bottle is filled to its mark twice [ct], half-width: a drop of 4 mg [4]_."""

TELLING_U_G_CM3 = 0.02
"""A density known this well tells as much as densities do: two u to either side span 0.08 g/cm3,
the range of corundum itself."""

REACH = 1.959963984540054

Way = Literal["in water", "bottle"]


class WeighedDensity(Struct, frozen=True, kw_only=True):
    """A density by weighing.

    `displaced_ct` is the mass of the water displaced, as the balance shows it; `shares` says what
    causes how much of the variance; `mass_needed_ct` is the mass that a stone of this density
    needs for a u of `TELLING_U_G_CM3`, weighed in the same way (None if no mass will do).
    """

    way: Way
    density_g_cm3: Estimate
    displaced_ct: Estimate
    water_g_cm3: float
    shares: Mapping[str, float]
    mass_needed_ct: float | None
    consistency: Consistency
    warnings: tuple[str, ...]


def water_density_g_cm3(temperature_c: float) -> float:
    """Density of clean, air-free water at ordinary pressure.

    Parameters
    ----------
    temperature_c : float
        Temperature [C], 0 to 40.

    Returns
    -------
    float
        Density [g/cm3].

    Raises
    ------
    OutOfRange
        If the temperature is outside 0 to 40.

    Notes
    -----
    a5 (1 - (t + a1)^2 (t + a2) / (a3 (t + a4))) [2]_, good to a millionth.

    Examples
    --------
    >>> round(water_density_g_cm3(20.0), 4), round(water_density_g_cm3(25.0), 4)
    (0.9982, 0.997)

    """
    if not 0 <= temperature_c <= 40:
        raise OutOfRange("temperature_c", temperature_c, 0, 40, unit="C")
    t = temperature_c
    return 0.99997495 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def density_in_water(
    mass_in_air_ct: float,
    mass_in_water_ct: float,
    *,
    wire_ct: float = 0.0,
    temperature_c: float = 20.0,
    balance_step_ct: float = 0.01,
    repeatability_ct: float | None = None,
    wire_diameter_mm: float = 0.1,
    liquid_g_cm3: float | None = None,
    air_g_cm3: float = AIR_G_CM3,
    offered: Material | str | None = None,
) -> WeighedDensity:
    """Find a density from the mass shown in air and in water.

    Parameters
    ----------
    mass_in_air_ct : float
        What the balance shows for the dry stone [ct].
    mass_in_water_ct : float
        What it shows for the stone in water, with the wire or basket that holds it [ct].
    wire_ct : float
        What it shows for the wire or basket alone, as deep in the water [ct]; 0 if it was tared.
    temperature_c : float
        Temperature of the water [C].
    balance_step_ct, repeatability_ct : float
        Step of the balance [ct], and the standard deviation of one weighing taken again: half a
        step if not given [4]_.
    wire_diameter_mm : float
        Diameter where the wire goes through the surface [mm]; of several, their sum.
    liquid_g_cm3 : float, optional
        Density of another liquid, or of water reckoned as 1, in place of the temperature [g/cm3].
    air_g_cm3 : float
        Density of the air [g/cm3]; 0 to leave its buoyancy out.
    offered : Material or str, optional
        What the stone is said to be.

    Returns
    -------
    WeighedDensity

    Raises
    ------
    OutOfRange
        If a mass cannot be, or the loss in water is too small for this balance to tell.
    UnknownName
        If the offered material is not known.

    Examples
    --------
    >>> found = density_in_water(10.0, 7.5, balance_step_ct=0.001, offered="sapphire")
    >>> round(found.density_g_cm3.value, 3), found.consistency.offered.compatible
    (3.989, True)

    """
    _refuse("mass_in_air_ct", mass_in_air_ct, 0.0)
    _refuse("wire_ct", wire_ct, -1e-12)
    _refuse("mass_in_water_ct", mass_in_water_ct, wire_ct - 1e-12)
    if not 0 <= wire_diameter_mm <= 2:
        raise OutOfRange("wire_diameter_mm", wire_diameter_mm, 0, 2)
    weighing = _weighing_u(balance_step_ct, repeatability_ct)
    pull_g = math.pi * wire_diameter_mm * SURFACE_TENSION_N_M / GRAVITY_M_S2
    readings = {
        "mass in air": (mass_in_air_ct, weighing),
        "mass in water": (mass_in_water_ct, weighing),
        "wire in water": (wire_ct, weighing),
        "surface of the water on the wire": (0.0, rectangular_u(MENISCUS * pull_g / CARAT_G)),
    }
    signs = (1.0, -1.0, 1.0, 1.0)
    return _found("in water", readings, signs, temperature_c, liquid_g_cm3, air_g_cm3, offered)


def density_by_bottle(
    mass_in_air_ct: float,
    stone_beside_ct: float,
    stone_inside_ct: float,
    *,
    temperature_c: float = 20.0,
    balance_step_ct: float = 0.01,
    repeatability_ct: float | None = None,
    filling_ct: float = FILLING_CT,
    liquid_g_cm3: float | None = None,
    air_g_cm3: float = AIR_G_CM3,
    offered: Material | str | None = None,
) -> WeighedDensity:
    """Find a density with a specific-gravity bottle.

    Parameters
    ----------
    mass_in_air_ct : float
        What the balance shows for the dry stone, or for a parcel of one kind [ct].
    stone_beside_ct : float
        The full bottle with the stone beside it [ct]; if weighed apart, their sum.
    stone_inside_ct : float
        The bottle with the stone inside, filled again to the mark [ct].
    filling_ct : float
        How well the bottle is filled to the mark twice [ct], half-width.
    temperature_c, balance_step_ct, repeatability_ct, liquid_g_cm3, air_g_cm3, offered
        As for `density_in_water`.

    Returns
    -------
    WeighedDensity

    Raises
    ------
    OutOfRange, UnknownName
        As for `density_in_water`.

    """
    _refuse("mass_in_air_ct", mass_in_air_ct, 0.0)
    _refuse("stone_inside_ct", stone_inside_ct, mass_in_air_ct)
    _refuse("stone_beside_ct", stone_beside_ct, stone_inside_ct)
    _refuse("filling_ct", filling_ct, -1e-12)
    weighing = _weighing_u(balance_step_ct, repeatability_ct)
    readings = {
        "mass in air": (mass_in_air_ct, weighing),
        "stone beside the bottle": (stone_beside_ct, weighing),
        "stone inside the bottle": (stone_inside_ct, weighing),
        "filling of the bottle": (0.0, rectangular_u(filling_ct)),
    }
    signs = (0.0, 1.0, -1.0, 1.0)
    return _found("bottle", readings, signs, temperature_c, liquid_g_cm3, air_g_cm3, offered)


def _found(
    way: Way,
    readings: dict[str, tuple[float, float]],
    signs: tuple[float, ...],
    temperature_c: float,
    liquid_g_cm3: float | None,
    air_g_cm3: float,
    offered: Material | str | None,
) -> WeighedDensity:
    """Work out the density; what is displaced is the sum of the readings with their `signs`."""
    if not 0 <= air_g_cm3 <= 0.002:
        raise OutOfRange("air_g_cm3", air_g_cm3, 0, 0.002, unit="g/cm3")
    if liquid_g_cm3 is None:
        liquid = water_density_g_cm3(temperature_c)
        near = temperature_c + (0.5 if temperature_c < 39 else -0.5)
        slope = (water_density_g_cm3(near) - liquid) / (near - temperature_c)
        liquid_u = math.hypot(
            rectangular_u(THERMOMETER_C) * slope, rectangular_u(IMPURE_WATER_G_CM3)
        )
    else:
        if not 0.6 <= liquid_g_cm3 <= 3.5:
            raise OutOfRange("liquid_g_cm3", liquid_g_cm3, 0.6, 3.5, unit="g/cm3")
        liquid, liquid_u = liquid_g_cm3, rectangular_u(IMPURE_WATER_G_CM3)
    inputs = {
        **readings,
        "water": (liquid, liquid_u),
        "air": (air_g_cm3, rectangular_u(AIR_HALF_WIDTH_G_CM3) if air_g_cm3 else 0.0),
    }
    values, spreads = (np.array(column) for column in zip(*inputs.values(), strict=True))
    weights = np.array(signs)

    def density(x: Floats) -> Floats:
        water, air = x[:, 4], x[:, 5]
        found: Floats = x[:, 0] / (x[:, :4] @ weights) * (water - air) + air
        return found

    displaced = propagate_linear(lambda x: x @ weights, values[:4], u=spreads[:4])
    if displaced.low <= 0:
        raise OutOfRange(
            "displaced_ct",
            displaced.value,
            REACH * displaced.u,
            float(values[0]),
            unit="ct",
            remedy="too little for this balance: check the order of the masses, weigh several "
            "stones of one kind together, or take a finer balance",
        )
    linear = propagate_linear(density, values, u=spreads)
    shares = dict(zip(inputs, linear.shares, strict=True))
    # Nearly all doubt is in the water displaced, by which one divides: limits that lie evenly
    # about it are uneven about the density.
    part = min(REACH * linear.u / linear.value, REACH * displaced.u / displaced.value)
    found = Estimate(
        value=linear.value,
        u=linear.u,
        low=linear.value - REACH * linear.u / (1 + part),
        high=linear.value + REACH * linear.u / (1 - part),
        shares=linear.shares,
    )
    by_weighing = linear.u**2 * sum(shares[name] for name in readings)
    rest = TELLING_U_G_CM3**2 - (linear.u**2 - by_weighing)
    needed = float(values[0]) * math.sqrt(by_weighing / rest) if rest > 0 else None
    return WeighedDensity(
        way=way,
        density_g_cm3=found,
        displaced_ct=displaced,
        water_g_cm3=liquid,
        shares=shares,
        mass_needed_ct=needed,
        consistency=consistency(found, offered),
        warnings=_warnings(found, needed),
    )


def _warnings(density: Estimate, needed_ct: float | None) -> tuple[str, ...]:
    found = []
    if not 1 <= density.value <= 8:
        found.append(f"no gem has a density of {density.value:.2f} g/cm3: check the masses")
    if density.u > 2 * TELLING_U_G_CM3:
        remedy = "weigh several of one kind together, or take a finer balance"
        size = "" if needed_ct is None else f"; it would take {needed_ct:.2g} ct"
        found.append(f"so light a stone tells little on this balance{size}: {remedy}")
    return tuple(found)


def _weighing_u(step_ct: float, repeatability_ct: float | None) -> float:
    """Standard uncertainty of one weighing [ct]: half a step either way, and repeatability."""
    if not 1e-6 <= step_ct <= 1:
        raise OutOfRange("balance_step_ct", step_ct, 1e-6, 1, unit="ct")
    again = step_ct / 2 if repeatability_ct is None else repeatability_ct
    if not 0 <= again <= 10:
        raise OutOfRange("repeatability_ct", again, 0, 10, unit="ct")
    return math.hypot(rectangular_u(step_ct / 2), again)


def _refuse(name: str, value_ct: float, above_ct: float) -> None:
    if not above_ct < value_ct <= 1e5:
        raise OutOfRange(name, value_ct, above_ct, 1e5, unit="ct", remedy="1 g is 5 ct")
