"""Compiles the loops of a placement where a C compiler is found; without them it is slower."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import zlib
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

FOLDER = Path("fitsolver", "fitting")
SOURCES = "loops.c", "loops.h"
MADE = "loops.compiled"
# Sums may be taken in another order, infinities are meant.
OPTIONS = (
    "-O3", "-std=gnu11", "-fno-math-errno", "-fno-trapping-math", "-fno-signed-zeros",
    "-shared", "-fPIC",
)  # fmt: skip


def compiled(folder: Path, compilers: list[list[str]]) -> str:
    """Compile the loops in a folder with the first compiler that can; say what failed, or ""."""
    made, draft = folder / MADE, folder / f"{MADE}.part"
    made.unlink(missing_ok=True)
    mark = 0
    for name in SOURCES:
        mark = zlib.crc32((folder / name).read_bytes(), mark)
    failed = "no C compiler was found"
    for compiler in compilers:
        if shutil.which(compiler[0]) is None:
            continue
        command = [
            *compiler, *OPTIONS, f"-DSOURCES={mark}u", "-o", str(draft), str(folder / SOURCES[0]),
            "-lm",
        ]  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode == 0:
            draft.replace(made)
            return ""
        failed = f"{compiler[0]} failed: {done.stderr.strip()[-500:]}"
    draft.unlink(missing_ok=True)
    return failed


class Loops(BuildHookInterface[Any]):
    """Adds the compiled loops to what is installed."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile them before the package is put together."""
        named = shlex.split(os.environ.get("CC", ""))
        compilers = [named] if named else [["cc"], ["gcc"], ["clang"]]
        if failed := compiled(Path(self.root) / FOLDER, compilers):
            self.app.display_warning(f"The slower loops will be used: {failed}")
            return
        build_data["artifacts"].append((FOLDER / MADE).as_posix())
        build_data["pure_python"], build_data["infer_tag"] = False, True
