"""Who may import whom: downwards only, nothing heavy at import, files and print at the edges."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import fitsolver

PACKAGE = Path(fitsolver.__file__).parent

# From the top down. A folder imports from lower lines only, never from its own; inside a folder
# modules import one another without a circle.
FLOORS = (
    ("commands",),
    ("page",),
    ("paper", "pocket"),
    ("telling",),
    ("market", "drawings"),
    ("recutting",),
    ("fitting",),
    ("weighing", "seats"),
    ("budgeting",),
    ("stones", "readings"),
    ("files",),
    ("base",),
)
HEIGHT = {name: -row for row, names in enumerate(FLOORS) for name in names}
# What lies beside the folders counts as one of them.
LOOSE = {"__main__": "commands", "cli": "commands"}
LOWEST = {"crew", "errors", "text", "units"}

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


def floor(*path: str) -> str:
    """Floor of a module by its path below the package."""
    if path[0] in LOWEST:
        return "base"
    return LOOSE.get(path[0], path[0])


def noun(path: Path) -> str:
    """Name of the module, or of the face it is a part of."""
    return path.parent.name if path.parent.name in FACES else path.stem


SOURCES = sorted(path for path in PACKAGE.rglob("*.py") if path.stem != "__init__")


def dotted(path: Path) -> tuple[str, ...]:
    """Path of a module below the package."""
    return path.relative_to(PACKAGE).with_suffix("").parts


MODULES = {dotted(path) for path in SOURCES}


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


def own_imports(path: Path) -> set[tuple[str, ...]]:
    """Modules of the package that a module imports, by their paths."""
    below = [each[1:] for each in imports_of(path) if each[0] == "fitsolver"]
    return {part for rest in below for part in (rest, rest[:-1]) if part in MODULES}


def test_every_folder_has_one_floor() -> None:
    assert {floor(*dotted(path)) for path in SOURCES} == set(HEIGHT)


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_imports_go_downwards(path: Path) -> None:
    own = floor(*dotted(path))
    for other in own_imports(path):
        below = HEIGHT[floor(*other)] < HEIGHT[own]
        assert below or dotted(path)[0] == other[0] or {own, floor(*other)} == {"commands"}, other


def test_modules_of_a_folder_make_no_circle() -> None:
    for name in HEIGHT:
        inside = [path for path in SOURCES if floor(*dotted(path)) == name]
        graph = {
            dotted(path): {each for each in own_imports(path) if floor(*each) == name}
            for path in inside
        }
        TopologicalSorter(graph).prepare()  # raises CycleError, which names the circle


def test_no_folder_imports_its_modules() -> None:
    for path in PACKAGE.rglob("__init__.py"):
        assert not {each for each in imports_of(path) if each[0] == "fitsolver"}, path


def test_no_two_modules_have_one_name() -> None:
    names = [path.stem for path in SOURCES if path.parent.name not in FACES]
    assert len(names) == len(set(names))


def test_a_class_name_means_one_thing() -> None:
    """But for evidence, which is of a seat or of a stone."""
    found: dict[str, list[str]] = {}
    for path in SOURCES:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef):
                found.setdefault(node.name, []).append(path.stem)
    twice = {name: where for name, where in found.items() if len(where) > 1}
    assert set(twice) <= {"Evidence"}, twice


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
        ".".join(("fitsolver", *dotted(path))): HEIGHT[floor(*dotted(path))]
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
