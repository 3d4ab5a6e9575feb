"""Gem materials: density, refractive index, hardness and what the bench should know."""

from __future__ import annotations

import math
from functools import cache
from typing import Literal

from msgspec import Struct

from fitsolver.errors import OutOfRange, UnknownName
from fitsolver.files.datafile import data_folder, load

Transparency = Literal["transparent", "translucent", "opaque"]


class Material(Struct, frozen=True, kw_only=True):
    """A species or variety of gem, as the tables of the trade describe it.

    Densities are in g/cm3. `density_g_cm3` is what the trade reckons with; `density_low_g_cm3` and
    `density_high_g_cm3` enclose the specimens of the species, so they say how stones differ from
    one another, not how well any one of them was measured. `cautions` end with those that hold for
    every stone; they point out risks and do not replace a licensed bench or a laboratory.
    """

    name: str
    species: str
    aliases: tuple[str, ...]
    transparency: Transparency
    density_g_cm3: float
    density_low_g_cm3: float
    density_high_g_cm3: float
    density_source: str
    refractive_index_low: float
    refractive_index_high: float
    refractive_index_source: str
    hardness_low_mohs: float
    hardness_high_mohs: float
    hardness_source: str
    cleavage: str
    toughness: str
    heat: str
    cautions: tuple[str, ...]
    cautions_source: str

    @property
    def density_u_g_cm3(self) -> float:
        """Standard uncertainty of the density of one unknown stone of this material [g/cm3].

        Formula: (high - low) / 4, the interval read as two standard deviations to either side. The
        limits of a table are rare compositions, most stones lie near its middle; a rectangular
        reading, (high - low) / (2 sqrt 3), would make them as common as the rest and u 15 % larger.
        Where `density_g_cm3` lies off the middle (zircon, glass, turquoise) the spread is lopsided
        and u is only its scale.

        Source: GUM (JCGM 100:2008), 4.3.5 to 4.3.9; the choice between them is a convention.

        >>> round(material("corundum").density_u_g_cm3, 3)
        0.02
        """
        return (self.density_high_g_cm3 - self.density_low_g_cm3) / 4

    @property
    def critical_angle_deg(self) -> float:
        """Angle from the normal beyond which light inside the stone is wholly reflected [deg].

        A pavilion flatter than this shows a window. The lowest index is used, which gives the
        largest angle and so the earlier warning; in a doubly refractive stone the other ray is
        held a little longer. It means nothing for an `opaque` material.

        Formula: arcsin(1 / n), the stone in air.
        Source: Snell's law; any textbook of optics.

        >>> round(material("sapphire").critical_angle_deg, 2)
        34.58
        """
        return math.degrees(math.asin(1 / self.refractive_index_low))


@cache
def materials() -> tuple[Material, ...]:
    """Every material of the data file, in its order, read once.

    Raises `InputFaults` when `materials.toml` has been edited and no longer holds together.
    """
    from fitsolver.stones.material_file import MaterialsFile

    file = load(data_folder() / "materials.toml", MaterialsFile)
    general = file.every_material
    return tuple(
        Material(
            name=entry.name,
            species=entry.species,
            aliases=entry.aliases,
            transparency=entry.transparency,
            density_g_cm3=entry.density_g_cm3.typical,
            density_low_g_cm3=entry.density_g_cm3.low,
            density_high_g_cm3=entry.density_g_cm3.high,
            density_source=entry.density_g_cm3.source,
            refractive_index_low=entry.refractive_index.low,
            refractive_index_high=entry.refractive_index.high,
            refractive_index_source=entry.refractive_index.source,
            hardness_low_mohs=entry.hardness_mohs.low,
            hardness_high_mohs=entry.hardness_mohs.high,
            hardness_source=entry.hardness_mohs.source,
            cleavage=entry.handling.cleavage,
            toughness=entry.handling.toughness,
            heat=entry.handling.heat,
            cautions=(*entry.handling.cautions, *general.cautions),
            cautions_source=f"{entry.handling.source}; every stone: {general.source}",
        )
        for entry in file.materials
    )


def material(name: str) -> Material:
    """Find a material by its name or by a trade name; case, blanks and underscores do not matter.

    Raises `UnknownName`, with the nearest names known, when there is none.

    >>> material("Ruby").name
    'corundum'
    """
    wanted = "-".join(name.lower().replace("_", " ").replace("-", " ").split())
    by_name = {word: entry for entry in materials() for word in (entry.name, *entry.aliases)}
    if wanted not in by_name:
        raise UnknownName("material", name, by_name)
    return by_name[wanted]


def compatible_with_density(low_g_cm3: float, high_g_cm3: float) -> list[Material]:
    """Materials whose density interval meets [low, high] [g/cm3], the nearest typical value first.

    This is a consistency check, never an identification. Density cannot tell a natural stone from
    a synthetic one, a treated from an untreated one, one origin from another, a species from
    another of the same density (topaz and diamond, hessonite and spinel, pyrope and
    chrysoberyl), or a doublet from a single stone of the same mean density; glass covers most
    gems. A material that is not in the list is not in the answer, and none at all is a
    result: the readings, the mass or the cut style may be wrong.

    Raises `OutOfRange` when the limits are in the wrong order or not numbers.

    >>> [entry.name for entry in compatible_with_density(3.51, 3.53)][:3]
    ['sphene', 'diamond', 'topaz']
    """
    # Written so that NaN is refused too; a limit below zero or beyond any gem is no fault.
    if not low_g_cm3 <= high_g_cm3:
        raise OutOfRange(
            "high_g_cm3",
            high_g_cm3,
            low_g_cm3,
            math.inf,
            unit="g/cm3",
            remedy="give the lower limit first",
        )
    middle = (low_g_cm3 + high_g_cm3) / 2
    found = [
        entry
        for entry in materials()
        if entry.density_low_g_cm3 <= high_g_cm3 and entry.density_high_g_cm3 >= low_g_cm3
    ]
    return sorted(found, key=lambda entry: abs(entry.density_g_cm3 - middle))
