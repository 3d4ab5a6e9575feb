"""Densities by weighing: printed examples, and the density of water on two roads.

Sources:

- F. B. Wade, A Text-Book of Precious Stones, 1918: a stone of 4.02 in air and 3.32 in water with a
  wire of 0.30 has a density of 4.02; full bottle and stone 53.51, stone in the full bottle 52.51,
  stone 3.51: density 3.51. Wade reckons water as 1 and leaves the air out; so do these checks.
- G. S. Kell, "Density, thermal expansivity, and compressibility of liquid water from 0 to 150 C",
  J. Chem. Eng. Data 20 (1975) 97: a rational function, set down here from memory. The library uses
  another formula (Tanaka et al. 2001); that both agree vouches for both.
- Tables of physics: water 0.9982 g/cm3 at 20 C, 0.9970 at 25 C, 1.0000 at 4 C.
"""

from __future__ import annotations

import numpy as np
import pytest

from fitsolver.weighing.hydrostatic import density_by_bottle, density_in_water, water_density_g_cm3

WADE = {"liquid_g_cm3": 1.0, "air_g_cm3": 0.0}


def test_wade_stone_on_a_wire() -> None:
    found = density_in_water(4.02, 3.32, wire_ct=0.30, offered="sapphire", **WADE)
    assert found.displaced_ct.value == pytest.approx(1.00, abs=1e-12)
    assert found.density_g_cm3.value == pytest.approx(4.02, abs=1e-12)
    # Wade's example is a ruby or sapphire.
    assert found.consistency.offered is not None
    assert found.consistency.offered.compatible


def test_wade_specific_gravity_bottle() -> None:
    found = density_by_bottle(3.51, 53.51, 52.51, offered="diamond", **WADE)
    assert found.displaced_ct.value == pytest.approx(1.00, abs=1e-12)
    assert found.density_g_cm3.value == pytest.approx(3.51, abs=1e-12)


def test_wade_with_water_and_air_as_they_are() -> None:
    """At 20 C both together are worth 0.3 %: 1 - (0.9982 - 0.0012) less 0.0012 / 4."""
    found = density_in_water(4.02, 3.32, wire_ct=0.30, temperature_c=20.0)
    assert found.density_g_cm3.value == pytest.approx(4.02 * (0.9982 - 0.0012) + 0.0012, abs=2e-4)


@pytest.mark.parametrize(("temperature_c", "printed"), [(4, 1.0000), (20, 0.9982), (25, 0.9970)])
def test_water_as_printed(temperature_c: float, printed: float) -> None:
    # Printed to four decimals.
    assert water_density_g_cm3(temperature_c) == pytest.approx(printed, abs=0.5e-4)


def test_water_by_two_formulas() -> None:
    t = np.linspace(0, 40, 81)
    top = np.polynomial.polynomial.polyval(
        t,
        [999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12],
    )
    kell = top / (1 + 16.879850e-3 * t) / 1000
    tanaka = [water_density_g_cm3(float(each)) for each in t]
    # They differ by a few millionths: other samples of water, another temperature scale.
    assert tanaka == pytest.approx(kell, abs=5e-6)
