"""What a command says, how it exits, and what it may write beside it."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from fitsolver.drawings.figure import Drawing

ANSWERED, BAD_INPUT, DOES_NOT_SEAT, NOT_DECIDED, INTERRUPTED = 0, 2, 3, 4, 130
CODES = {
    "seats": ANSWERED,
    "seats after alteration": ANSWERED,
    "does not seat": DOES_NOT_SEAT,
    "not decided": NOT_DECIDED,
}
WIDEST = 100


class Answer(Struct, frozen=True, kw_only=True):
    """What a command says and how it exits."""

    text: str
    code: int = ANSWERED
    aside: str = ""


def code_of(verdicts: Iterable[str]) -> int:
    """Exit by the best of several verdicts; none at all means that nothing seats."""
    codes = [CODES[verdict] for verdict in verdicts]
    best = (ANSWERED, NOT_DECIDED)
    return next((code for code in best if code in codes), DOES_NOT_SEAT)


def write_picture(drawing: Drawing, path: Path, force: bool) -> None:
    """Write a drawing as its name's ending says."""
    from fitsolver.drawings.drawing import write_drawing

    write_drawing(drawing, path, overwrite=force)


def drawn(path: Path | None) -> str:
    """Say that a drawing was written."""
    return "" if path is None else f"Drawing: {path}"


def columns() -> int:
    """Columns to write in: the terminal's, 80 where the text goes elsewhere."""
    if not sys.stdout.isatty():
        return 80
    return max(80, min(shutil.get_terminal_size().columns, WIDEST))


@contextmanager
def progress_bar(label: str, shown: bool = True) -> Iterator[Callable[[int, int], None] | None]:
    """Show how far the work is, on a terminal only, and leave no trace."""
    if not shown or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    # Drawn when told, not by a thread: processes are forked meanwhile.
    with Progress(console=Console(stderr=True), transient=True, auto_refresh=False) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total, refresh=True)
