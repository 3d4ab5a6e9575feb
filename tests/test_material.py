"""The table of gem materials: every entry plausible, found by every name, compared with care."""

from __future__ import annotations

import copy
import math
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import fields

from fitsolver.errors import InputFaults, OutOfRange, UnknownName
from fitsolver.files.datafile import data_folder, load
from fitsolver.stones.material import Material, compatible_with_density, material, materials
from fitsolver.stones.material_file import MaterialsFile

EVERY = pytest.mark.parametrize("entry", materials(), ids=lambda entry: entry.name)


@EVERY
def test_every_entry_is_plausible(entry: Material) -> None:
    # Bounds: gems lie between amber (1.05 g/cm3) and the heaviest man-made ones (7.1), between
    # water (1.33) and moissanite (2.69), between talc and diamond.
    assert 1 < entry.density_low_g_cm3 <= entry.density_g_cm3 <= entry.density_high_g_cm3 < 8
    assert 1.3 < entry.refractive_index_low <= entry.refractive_index_high < 2.8
    assert 1 <= entry.hardness_low_mohs <= entry.hardness_high_mohs <= 10
    assert 0 < entry.density_u_g_cm3 < entry.density_g_cm3 / 4
    assert 20 < entry.critical_angle_deg < 50


@EVERY
def test_every_value_has_a_source(entry: Material) -> None:
    for field in fields(entry):
        if field.name.endswith("_source"):
            text = getattr(entry, field.name)
            assert text == text.strip()
            assert len(text) > 10, field.name


@EVERY
def test_every_entry_warns_and_defers(entry: Material) -> None:
    assert len(entry.cautions) > 3, "its own, then those for every stone"
    assert "laboratory" in entry.cautions[-1]
    assert "licensed bench" in entry.cautions[-1]
    assert all(len(caution) < 110 for caution in entry.cautions), "one line each"


@EVERY
def test_every_name_finds_its_entry(entry: Material) -> None:
    for word in (entry.name, *entry.aliases):
        assert material(word) is entry
        assert material(f" {word.replace('-', ' ').title()} ") is entry
        assert material(word.replace("-", "_").upper()) is entry


def test_names_and_aliases_are_unique() -> None:
    words = [word for entry in materials() for word in (entry.name, *entry.aliases)]
    assert len(words) == len(set(words))
    assert all(word == word.lower() and " " not in word for word in words)


def test_corundum_comes_first_and_the_table_is_broad() -> None:
    names = [entry.name for entry in materials()]
    assert names[0] == "corundum"
    assert len(names) >= 32
    assert len({entry.species for entry in materials()}) >= 30


@pytest.mark.parametrize(
    ("trade_name", "name"),
    [
        ("ruby", "corundum"),
        ("sapphire", "corundum"),
        ("aquamarine", "beryl"),
        ("alexandrite", "chrysoberyl"),
        ("amethyst", "quartz"),
        ("citrine", "quartz"),
        ("tanzanite", "zoisite"),
        ("kunzite", "spodumene"),
        ("lapis", "lapis-lazuli"),
        ("grossular", "tsavorite"),
        ("andradite", "demantoid"),
        ("cordierite", "iolite"),
    ],
)
def test_trade_names(trade_name: str, name: str) -> None:
    assert material(trade_name).name == name


def test_an_unknown_name_gets_a_suggestion() -> None:
    with pytest.raises(UnknownName) as caught:
        material("saphire")
    assert caught.value.kind == "material"
    assert caught.value.suggestions[0] == "sapphire"
    assert str(caught.value).startswith("no material is called 'saphire'; did you mean sapphire")


def test_the_file_is_read_once() -> None:
    assert materials() is materials()


def test_a_material_cannot_be_changed() -> None:
    with pytest.raises(AttributeError):
        material("ruby").density_g_cm3 = 5.0  # type: ignore[misc]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        # Gems & Gemology, Summer 1982; W. Emery; D. D. Martin, Gemstone durability, 1987.
        ("ruby", "borax"),
        ("ruby", "steam"),
        ("ruby", "glass filling"),
        ("emerald", "no ultrasonic and no steam"),
        ("tanzanite", "no ultrasonic"),
        ("peridot", "no acid"),
        ("quartz", "never quench"),
        ("quartz", "foil-backed"),
    ],
)
def test_published_cautions_are_given(name: str, words: str) -> None:
    assert any(words in caution for caution in material(name).cautions)


def test_standard_uncertainty_reads_the_interval_as_two_standard_deviations() -> None:
    # Corundum, extremes 3.97 to 4.05 (Handbook of Precious Stones, p. 80): 0.08 / 4.
    assert material("corundum").density_u_g_cm3 == pytest.approx(0.02, abs=1e-12)


def test_compatible_means_the_intervals_meet() -> None:
    found = compatible_with_density(3.51, 3.53)
    names = [entry.name for entry in found]
    # Topaz, diamond and sphene share a density: no identification, by construction.
    assert {"topaz", "diamond", "sphene", "glass"} <= set(names)
    assert "corundum" not in names
    for entry in materials():
        apart = entry.density_low_g_cm3 > 3.53 or entry.density_high_g_cm3 < 3.51
        assert (entry in found) is not apart


def test_compatible_lists_the_nearest_first() -> None:
    distances = [abs(entry.density_g_cm3 - 3.6) for entry in compatible_with_density(3.4, 3.8)]
    assert distances == sorted(distances)
    assert compatible_with_density(3.99, 4.01)[0].name == "corundum"


def test_touching_limits_are_compatible() -> None:
    high = material("quartz").density_high_g_cm3
    assert material("quartz") in compatible_with_density(high, high)
    assert material("quartz") not in compatible_with_density(math.nextafter(high, 9), 9)


def test_no_compatible_material_is_a_result() -> None:
    assert compatible_with_density(9, 10) == []
    assert compatible_with_density(-1, 0.5) == []


def test_all_materials_are_compatible_with_any_density() -> None:
    assert len(compatible_with_density(0, math.inf)) == len(materials())


@pytest.mark.parametrize("limits", [(4.0, 3.9), (math.nan, 4.0), (4.0, math.nan)])
def test_limits_in_the_wrong_order_are_refused(limits: tuple[float, float]) -> None:
    with pytest.raises(OutOfRange, match="give the lower limit first"):
        compatible_with_density(*limits)


@pytest.fixture(scope="module")
def shipped() -> dict[str, Any]:
    return tomllib.loads((data_folder() / "materials.toml").read_text(encoding="utf-8"))


def faults(content: dict[str, Any]) -> list[tuple[str, object]]:
    file = MaterialsFile.model_validate(content)
    return [(key, value) for key, value, _, _ in file.cross_faults()]


def test_the_shipped_file_holds_together(shipped: dict[str, Any]) -> None:
    assert faults(shipped) == []


def test_faults_between_entries_are_all_found(shipped: dict[str, Any]) -> None:
    content = copy.deepcopy(shipped)
    entries = content["materials"]
    entries[1]["aliases"].append("ruby")
    entries[2]["density_g_cm3"]["typical"] = 3.9
    entries[3]["refractive_index"] |= {"low": 1.9}
    entries[4]["hardness_mohs"] |= {"low": 9}
    assert faults(content) == [
        ("materials[1].aliases", "ruby"),
        ("materials[2].density_g_cm3.typical", 3.9),
        ("materials[3].refractive_index.low", 1.9),
        ("materials[4].hardness_mohs.low", 9.0),
    ]


def test_a_file_without_a_source_is_refused(tmp_path: Path) -> None:
    text = (data_folder() / "materials.toml").read_text(encoding="utf-8")
    before, source, after = text.partition(', source = "Handbook of Precious Stones, p. 80')
    assert source, "the entry of corundum has changed: change this test with it"
    path = tmp_path / "materials.toml"
    path.write_text(before + after[after.index('"') + 1 :], encoding="utf-8")
    with pytest.raises(InputFaults) as caught:
        load(path, MaterialsFile)
    (fault,) = caught.value.faults
    assert "density_g_cm3.source" in fault.key


def test_importing_the_module_reads_nothing() -> None:
    # The file and pydantic are both left until a material is asked for.
    code = (
        "import sys, fitsolver.stones.material as m;"
        "print(m.materials.cache_info().currsize, 'pydantic' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["0", "False"]
