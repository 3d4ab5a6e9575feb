"""The file form of the gem materials: what may stand in `profiles/materials.toml`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import BaseModel, Field

from fitsolver.files.datafile import STRICT, Many

Text = Annotated[str, Field(min_length=3)]
Name = Annotated[
    str,
    Field(
        pattern=r"^[a-z]+(-[a-z]+)*$",
        json_schema_extra={"remedy": "write it in lower case, words joined by a hyphen"},
    ),
]

# Bounds of plausibility: every gem lies between amber (1.05 g/cm3) and the heaviest man-made
# garnets (7.1), between water (1.33) and moissanite (2.69), between talc (1) and diamond (10).
Density = Annotated[
    float, Field(ge=1, le=8, json_schema_extra={"remedy": "give the density in g/cm3"})
]
Index = Annotated[
    float, Field(ge=1.3, le=2.8, json_schema_extra={"remedy": "give the refractive index"})
]
Mohs = Annotated[
    float, Field(ge=1, le=10, json_schema_extra={"remedy": "give the hardness of Mohs' scale"})
]


class MaterialModel(BaseModel):
    """Base of all entries: nothing unknown, nothing converted, nothing changed later."""

    model_config = STRICT


class DensityEntry(MaterialModel):
    """Usual density of a material and the interval of its specimens [g/cm3]."""

    typical: Density
    low: Density
    high: Density
    source: Text


class IndexEntry(MaterialModel):
    """Smallest and largest refractive index, of all specimens and directions of vibration."""

    low: Index
    high: Index
    source: Text


class HardnessEntry(MaterialModel):
    """Smallest and largest hardness, of all specimens and directions."""

    low: Mohs
    high: Mohs
    source: Text


class HandlingEntry(MaterialModel):
    """What the bench should know of a material."""

    cleavage: Text
    toughness: Text
    heat: Text
    cautions: Many[Text] = Field(min_length=1)
    source: Text


class GeneralEntry(MaterialModel):
    """Cautions that hold for every material."""

    cautions: Many[Text] = Field(min_length=1)
    source: Text


class MaterialEntry(MaterialModel):
    """One species or variety."""

    name: Name
    species: Name
    aliases: Many[Name]
    transparency: Literal["transparent", "translucent", "opaque"]
    density_g_cm3: DensityEntry
    refractive_index: IndexEntry
    hardness_mohs: HardnessEntry
    handling: HandlingEntry


class MaterialsFile(MaterialModel):
    """The whole file."""

    every_material: GeneralEntry
    materials: Many[MaterialEntry] = Field(min_length=1)

    def cross_faults(self) -> Iterator[tuple[str, object, str, str]]:
        """Yield what is wrong between entries: (key, value, rule, remedy)."""
        holder: dict[str, str] = {}
        for index, entry in enumerate(self.materials):
            place = f"materials[{index}]"
            for key, words in (("name", (entry.name,)), ("aliases", entry.aliases)):
                for word in words:
                    if word in holder:
                        yield (
                            f"{place}.{key}",
                            word,
                            f"must stand for one material, and {holder[word]} has it already",
                            "drop one of the two",
                        )
                    holder.setdefault(word, entry.name)
            density = entry.density_g_cm3
            if not density.low <= density.typical <= density.high:
                yield (
                    f"{place}.density_g_cm3.typical",
                    density.typical,
                    f"must lie between low {density.low:g} and high {density.high:g}",
                    "correct the density",
                )
            for key, pair in (
                ("refractive_index", entry.refractive_index),
                ("hardness_mohs", entry.hardness_mohs),
            ):
                if pair.low > pair.high:
                    yield (
                        f"{place}.{key}.low",
                        pair.low,
                        f"must not exceed high {pair.high:g}",
                        "correct one of the two",
                    )
