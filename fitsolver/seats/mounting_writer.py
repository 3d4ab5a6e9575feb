"""Writes what the reader of mountings reads: a file changed in place, or a new one.

Nothing is written that the strict reader would refuse, and every write is whole or not at all.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from fitsolver.errors import FitsolverError, InputFaults, explain
from fitsolver.files.datafile import Document, load_toml, parse_toml, text_of, write_text
from fitsolver.files.toml_edit import edited, toml_text
from fitsolver.seats.allowance import allowances
from fitsolver.seats.mounting import Mounting, mounting_from

HEAD = "# Readings of an empty mounting. Lengths in mm, angles in degrees.\n\n"
TEXT = "mounting.toml"
HEADED = frozenset(
    {
        "instruments", "instruments.*", "seat", "allowances", "ranking", "budget", "budget.costs",
        "budget.brackets",
    }
)  # fmt: skip
"""Tables with headings of their own, as in the examples."""


@cache
def key_order() -> tuple[str, ...]:
    """Every dotted key of a mounting file in the order of the examples."""
    from fitsolver.seats.mounting_file import MountingFile
    from fitsolver.seats.seat_table import SeatTable

    seat = tuple(f"seat.{name}" for name in SeatTable.model_fields)
    top = tuple(MountingFile.model_fields)
    plain = tuple(name for name in top if name not in HEADED)
    return (*plain, *(name for name in top if name in HEADED), *seat)


def entries_of(source: Path | str) -> dict[str, Any]:
    """Return the entries of a mounting file as they stand in it, as plain data for a form.

    `source` is a `Path`, or the text of a file. Raises `InputFaults` for what is no TOML.
    """
    return dict(_document(source).data)


def edit_mounting(source: Path | str, changes: Mapping[str, Any]) -> str:
    """Return the text of a mounting file with some entries changed.

    Comments, order and spelling of all other entries stay; where nothing changes the text is the
    same to the byte.

    Parameters
    ----------
    source : Path or str
        The file, or its text.
    changes : mapping of str to value
        By dotted key: ``"seat.ledge_width_mm"``, ``"seat.opening_radii_mm[3].read"``,
        ``"instruments.photograph.source"``, ``"allowances.gap_max_mm"``. A value is what may stand
        in the file: a number, text ("6,5"), a list of repeats, a dict (deep and shallow, outside
        and metal, drops_in and refuses), a whole table. None removes; an index one past the end
        of a list adds to it.

    Returns
    -------
    str

    Raises
    ------
    InputFaults
        With every fault that the changed file would have.
    FitsolverError
        For a key that leads nowhere, or a value that cannot be written.

    """
    document = _document(source)
    text = edited(document.text, changes, name=document.name, order=key_order(), headed=HEADED)
    folder = source.parent if isinstance(source, Path) else None
    _validate(parse_toml(text, name=document.name), folder)
    return text


def save_edits(path: Path, changes: Mapping[str, Any]) -> Mounting:
    """Change some entries of a file on the disk, and return the mounting as it is then.

    The old file stands until the new one is whole on the disk. Where nothing changes, nothing is
    written. Raises as `edit_mounting` and `datafile.write_text`.
    """
    old, mark = text_of(path)
    text = edited(old, changes, name=str(path), order=key_order(), headed=HEADED)
    found = _validate(parse_toml(text, name=str(path)), path.parent)
    if text != old:
        write_text(path, mark + text, overwrite=True)
    return found


def mounting_text(entries: Mapping[str, Any], *, name: str = TEXT) -> str:
    """Return the text of a new mounting file, in the order of the examples.

    `entries` are those of a file as plain data, [seat] and the other tables as dicts within; what
    is None, empty text or an empty list is left out, as a form gives it. Raises `InputFaults` with
    every fault of it.
    """
    text = HEAD + toml_text(_filled(entries), order=key_order(), headed=HEADED)
    _validate(parse_toml(text, name=name))
    return text


def write_mounting(
    entries: Mapping[str, Any], path: Path | str, *, overwrite: bool = False
) -> Path:
    """Write a new mounting file and return its path; raises as `mounting_text` and `write_text`."""
    return write_text(path, mounting_text(entries, name=str(path)), overwrite=overwrite)


def _filled(entries: Mapping[str, Any]) -> dict[str, Any]:
    """Leave out what a form left empty."""
    found: dict[str, Any] = {}
    for key, value in entries.items():
        kept = _filled(value) if isinstance(value, Mapping) else value
        if isinstance(kept, list | tuple):
            kept = [_filled(item) if isinstance(item, Mapping) else item for item in kept]
        if kept is None or kept in ("", [], {}):
            continue
        found[key] = kept
    return found


def _document(source: Path | str) -> Document:
    return load_toml(source) if isinstance(source, Path) else parse_toml(source, name=TEXT)


def _validate(document: Document, folder: Path | None = None) -> Mounting:
    """Read a document as a mounting, allowances included; raise every fault of it."""
    found = mounting_from(document, folder=folder)
    faults = []
    for name, value in found.allowances.items():
        try:
            allowances({name: value})
        except FitsolverError as error:
            _, _, rule, remedy = explain(error)
            faults.append(document.fault(f"allowances.{name}", value, rule, remedy))
    if faults:
        raise InputFaults(faults)
    return found
