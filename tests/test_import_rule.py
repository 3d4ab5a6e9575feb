"""Who may import whom: downwards only, nothing heavy at import, files and print at the edges."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import fitsolver

PACKAGE = Path(fitsolver.__file__).parent

# From the top down. A module may import from lower lines only, never from its own.
LAYERS = (
    ("__main__",),
    ("cli",),
    ("commands",),
    ("page",),
    ("sheet", "card"),
    ("view_page", "bench_page"),
    ("spec_page",),
    ("price_section", "template"),
    ("leaf",),
    ("range_report", "compare_record", "numbers", "wording"),
    ("spec_record", "spec_report", "compare_report"),
    ("record", "report", "catalogue"),
    ("stone_report",),
    ("spec", "comparison"),
    ("aim",),
    ("setting", "reseat", "pose_report", "reservation"),
    ("refusal", "money", "side_by_side", "candidate"),
    ("ink",),
    ("lettering",),
    ("drawing", "view", "size_table"),
    ("plan_view", "section_view", "style_drawing", "range_chart"),
    ("metal_section",),
    ("set_stone", "pose"),
    ("region",),
    ("proposal", "tilt", "unopened"),
    ("box",),
    ("scan", "merit", "tile", "support", "zone"),
    ("solver", "seated"),
    ("hydrostatic",),
    ("recut", "consistency", "parcel"),
    ("weight", "contact", "requirement", "target", "advice", "security", "sizes"),
    ("makes", "placement", "metal", "body"),
    ("bearing", "centring"),
    ("posterior", "clearance"),
    ("stone_table",),
    ("coefficient", "evidence", "projection", "seat"),
    ("claw_face",),
    ("stone", "belief", "prior"),
    ("form", "equation"),
    ("wave", "opening"),
    ("mounting_writer",),
    ("mounting",),
    ("mounting_file",),
    ("budget_table",),
    ("cut", "material"),
    ("profile_file", "material_file"),
    ("seat_fault",),
    ("uneven_fault",),
    ("seat_table",),
    ("trace_evidence",),
    ("claw_entry",),
    ("reading_entry", "trace", "trace_file"),
    ("mounting_key", "allowance", "ranking", "outline"),
    ("reading", "uncertainty", "datafile", "toml_edit", "paint", "markup"),
    ("instrument", "file_model", "figure"),
    ("document",),
    (
        "budget",
        "errors",
        "crew",
        "units",
        "calibrated",
        "contradiction",
        "inscribed",
        "layout",
        "place",
        "polyhedron",
        "usual_seat",
    ),
)
HEIGHT = {name: -row for row, names in enumerate(LAYERS) for name in names}

HEAVY = ("scipy", "shapely", "trimesh", "matplotlib", "reportlab")
FACES = ("__main__", "cli", "commands", "page")
# Who alone may import what, and who alone may open files.
ONLY_IN = {
    "matplotlib": {"paint"},
    "reportlab": {"leaf", "lettering"},
    "bidi": {"lettering"},
    "arabic_reshaper": {"lettering"},
    "tomli": {"document", "toml_edit"},
    "tomlkit": {"toml_edit"},
    "ctypes": {"crew"},
    "cyclopts": {"cli", "__main__", "commands"},
    "rich": {"cli", "__main__", "commands"},
}
MAY_OPEN = {*FACES, "datafile", "paint", "parcel", "stone_table"}


# Folders that are one thing to all others; their modules know each other.
WHOLE = ("commands", "page")


def noun(path: Path) -> str:
    """Name of the module, or of the folder that counts as one."""
    return path.parent.name if path.parent.name in WHOLE else path.stem


SOURCES = sorted(path for path in PACKAGE.rglob("*.py") if noun(path) != "__init__")
# Folders only gather modules of one kind: each module is named once, whatever its folder.
FOLDERS = {path.parent.name for path in PACKAGE.rglob("__init__.py")} - {"fitsolver"}


def imported(tree: ast.AST, package: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """Every import anywhere in a module, as a dotted path; relative ones made absolute."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield tuple(alias.name.split("."))
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            base += tuple(node.module.split(".")) if node.module else ()
            for alias in node.names:
                yield (*base, alias.name)


def imports_of(path: Path) -> set[tuple[str, ...]]:
    package = ("fitsolver", *path.relative_to(PACKAGE).parent.parts)
    return set(imported(ast.parse(path.read_text(encoding="utf-8")), package))


def test_there_is_something_to_check() -> None:
    assert {"errors", "units", "reading", "uncertainty"} <= {noun(path) for path in SOURCES}


def test_relative_and_nested_imports_are_seen() -> None:
    tree = ast.parse(
        "from .errors import Fault\ndef f():\n from fitsolver import solver\n import scipy.special"
    )
    assert set(imported(tree, ("fitsolver",))) == {
        ("fitsolver", "errors", "Fault"),
        ("fitsolver", "solver"),
        ("scipy", "special"),
    }


def test_every_module_has_one_layer() -> None:
    names = [name for row in LAYERS for name in row]
    assert len(names) == len(set(names))
    strangers = {noun(path) for path in SOURCES} - set(names)
    assert not strangers, f"give these a layer: {sorted(strangers)}"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_imports_go_downwards(path: Path) -> None:
    own = noun(path)
    for head, *rest in imports_of(path):
        if head != "fitsolver" or not rest or rest[0].startswith("__"):
            continue
        other = rest[1] if rest[0] in FOLDERS and rest[0] not in WHOLE else rest[0]
        if other == own:
            continue
        assert other in HEIGHT, f"{own} imports {other}, which has no layer"
        assert own in HEIGHT, f"{own} has no layer"
        assert HEIGHT[other] < HEIGHT[own], f"{own} imports {other}, which is not below it"


def test_no_folder_imports_its_modules() -> None:
    for path in PACKAGE.rglob("__init__.py"):
        assert not {each for each in imports_of(path) if each[0] == "fitsolver"}, path


def test_no_two_modules_have_one_name() -> None:
    names = [path.stem for path in SOURCES if path.parent.name not in WHOLE]
    assert len(names) == len(set(names))


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_each_library_stays_where_it_belongs(path: Path) -> None:
    for head, *_ in imports_of(path):
        assert noun(path) in ONLY_IN.get(head, {noun(path)}), f"{noun(path)} imports {head}"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_only_faces_print_and_only_file_modules_open_files(path: Path) -> None:
    called = {
        node.func.id
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert noun(path) in FACES or "print" not in called
    assert noun(path) in MAY_OPEN or "open" not in called


def test_no_module_loads_a_heavy_library_when_imported() -> None:
    # One new process for all, lowest layer first, so that the first offender is named.
    modules = {
        ".".join(("fitsolver", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(
            ".__init__"
        ): HEIGHT.get(noun(path), 0)
        for path in SOURCES
        if path.stem != "__main__"
    }
    order = sorted(modules, key=lambda name: modules[name])
    script = (
        "import importlib, sys\n"
        f"for name in {order!r}:\n"
        "    importlib.import_module(name)\n"
        f"    heavy = [lib for lib in {HEAVY!r} if lib in sys.modules]\n"
        "    if heavy: sys.exit(f'{name} loads {heavy}')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
