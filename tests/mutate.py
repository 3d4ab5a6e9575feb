"""Change the package in small ways and count how many of them its tests notice.

    python tests/mutate.py fitting seats weighing market --count 100 --seed 1

Draws places from all modules of the given folders, changes one at a time in a copy of the project
(a number, an operator, a comparison, least for most) and runs the tests nearest to that module: its
own, those that import it, those that import what imports it. Transcripts have no part in it, for
they notice anything and explain nothing. What nobody noticed is printed as a line to read: either a
test is missing or the change changes nothing. Some twenty seconds a place; not part of the suite.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[1]
# Tests of what is printed word for word, of tidiness alone, and of the browser.
LEFT_OUT = ("test_cli", "test_readme", "test_examples", "test_import_rule", "page", "bench")

ARITHMETIC = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
              ast.Pow: ast.Mult}  # fmt: skip
COMPARED = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
            ast.Eq: ast.NotEq, ast.NotEq: ast.Eq}  # fmt: skip
JOINED = {ast.And: ast.Or, ast.Or: ast.And}
OPPOSITE = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum",
            "any": "all", "all": "any", "argmin": "argmax", "argmax": "argmin"}  # fmt: skip


class Mutant(NamedTuple):
    """A change: the module, where its text stands, what stands there instead."""

    module: Path
    line: int
    start: int
    end: int
    instead: str

    def applied(self, text: bytes) -> bytes:
        return text[: self.start] + self.instead.encode() + text[self.end :]


def mutants(module: Path) -> Iterator[Mutant]:
    """Every change of a module that is tried: one for each number, operator and comparison."""
    text = module.read_bytes()
    starts = [0]
    for row in text.splitlines(keepends=True):
        starts.append(starts[-1] + len(row))
    tree = ast.parse(text)
    # Numbers in types, and those that only set how exactly something is written.
    skipped = {
        id(inner) for node in ast.walk(tree) for outer in _types(node) for inner in ast.walk(outer)
    }
    for node in ast.walk(tree):
        instead = None if id(node) in skipped else _changed(node)
        if instead is not None:
            yield Mutant(
                module,
                node.lineno,
                starts[node.lineno - 1] + node.col_offset,
                starts[node.end_lineno - 1] + node.end_col_offset,
                instead,
            )


def _types(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.FunctionDef):
        yield from filter(None, [node.returns, *(each.annotation for each in node.args.args)])
    if isinstance(node, ast.AnnAssign):
        yield node.annotation
    if isinstance(node, ast.FormattedValue | ast.JoinedStr):
        yield node
    if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "lru_cache":
        yield node


def _changed(node: ast.AST) -> str | None:
    """What would stand instead of a node, in brackets; None where nothing is tried."""
    if isinstance(node, ast.Constant) and type(node.value) in (int, float):
        return repr(node.value + 1 if type(node.value) is int else node.value * 1.5 or 0.5)
    if isinstance(node, ast.BinOp) and type(node.op) in ARITHMETIC:
        changed: ast.expr = ast.BinOp(node.left, ARITHMETIC[type(node.op)](), node.right)
    elif isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARED:
        first = COMPARED[type(node.ops[0])]()
        changed = ast.Compare(node.left, [first, *node.ops[1:]], node.comparators)
    elif isinstance(node, ast.BoolOp):
        changed = ast.BoolOp(JOINED[type(node.op)](), node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        changed = node.operand
    elif isinstance(node, ast.Name) and node.id in OPPOSITE:
        return OPPOSITE[node.id]
    elif isinstance(node, ast.Attribute) and node.attr in OPPOSITE:
        changed = ast.Attribute(node.value, OPPOSITE[node.attr], ast.Load())
    else:
        return None
    return f"({ast.unparse(changed)})"


def importers(root: Path) -> dict[str, set[str]]:
    """Which files of a folder import which modules by their last name, {importer: modules}."""
    found = {}
    for path in root.rglob("*.py"):
        names = set()
        for node in ast.walk(ast.parse(path.read_bytes())):
            if isinstance(node, ast.ImportFrom) and node.module:
                names |= {node.module.split(".")[-1], *(alias.name for alias in node.names)}
        found[str(path.relative_to(root))] = names
    return found


def related(module: str, most: int) -> list[str]:
    """Test files from the nearest to the farthest: named after it, importing it, once removed."""
    tests, package = importers(ROOT / "tests"), importers(ROOT / "fitsolver")
    helpers = {Path(name).stem: names for name, names in tests.items()}
    near = {module}
    order: list[str] = []
    for _ in range(3):
        for name, names in sorted(tests.items(), key=lambda item: len(item[1])):
            own = names | {far for helper in names & set(helpers) for far in helpers[helper]}
            stem = Path(name).stem
            if stem.startswith("test_") and not any(part in name for part in LEFT_OUT):
                if stem == f"test_{module}" and name not in order:
                    order.insert(0, name)
                elif own & near and name not in order:
                    order.append(name)
        near |= {Path(name).stem for name, names in package.items() if names & near}
    return order[:most]


def noticed(copy: Path, tests: list[str], seconds: float) -> str | None:
    """Run tests in a copy of the project; say which file failed, or None if all hold."""
    env = os.environ | {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    left = time.monotonic() + seconds
    for name in tests:
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider",
                   f"tests/{name}"]  # fmt: skip
        try:
            done = subprocess.run(
                command, cwd=copy, env=env, capture_output=True, check=False,
                timeout=max(left - time.monotonic(), 1.0),
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            # A change that never ends is noticed by whoever waits; one test too long for the rest
            # of the time is not.
            return None if time.monotonic() - left > 0 and name != tests[0] else f"{name} (no end)"
        if done.returncode not in (0, 5):
            return name
    return None


def main() -> None:
    """Try the changes and say what came of each."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("where", nargs="+", help="folders or modules of the package")
    asked.add_argument("--count", type=int, default=100)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--files", type=int, default=6, help="test files tried for each, at most")
    asked.add_argument("--seconds", type=float, default=240.0, help="time for each, at most")
    given = asked.parse_args()
    package = ROOT / "fitsolver"
    modules = [
        path
        for where in given.where
        for path in ([package / where] if where.endswith(".py") else (package / where).glob("*.py"))
    ]
    every = sorted(each for module in modules for each in mutants(module))
    drawn = random.Random(given.seed).sample(every, min(given.count, len(every)))
    missed = 0
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        for part in ("fitsolver", "tests", "profiles", "examples"):
            shutil.copytree(ROOT / part, copy / part, ignore=shutil.ignore_patterns("__pycache__"))
        for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
            shutil.copy(ROOT / name, copy / name)
        for each in drawn:
            place = copy / each.module.relative_to(ROOT)
            text = place.read_bytes()
            place.write_bytes(each.applied(text))
            by = noticed(copy, related(each.module.stem, given.files), given.seconds)
            place.write_bytes(text)
            missed += by is None
            was = " ".join(text[each.start : each.end].decode().split())
            print(
                f"{by or 'NOT NOTICED'}: {each.module.relative_to(package)}:{each.line} "
                f"{was} -> {each.instead}",
                flush=True,
            )
    print(f"{len(drawn) - missed} of {len(drawn)} noticed, of {len(every)} places")


if __name__ == "__main__":
    main()
