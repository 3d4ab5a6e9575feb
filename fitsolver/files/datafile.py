"""Files of readings and profiles: read strictly, every fault at once, written whole or not at all.

TOML is the only format of input. A file is read in two steps, so that each fault can say where it
stands: the text becomes a `Document`, which knows the line of every key, and the document is held
against a model of the file.
"""

from __future__ import annotations

import codecs
import contextlib
import difflib
import json
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

from fitsolver.errors import FitsolverError
from fitsolver.files.document import Document, file_fault, parse_toml
from fitsolver.files.file_model import STRICT, Many, Millimetres, Number, RuleError, check, nearest

if TYPE_CHECKING:
    from pydantic import BaseModel

    Model = TypeVar("Model", bound=BaseModel)

__all__ = [
    "STRICT",
    "Document",
    "Many",
    "Millimetres",
    "Number",
    "RuleError",
    "check",
    "data_folder",
    "load",
    "load_toml",
    "nearest",
    "new_file",
    "parse_toml",
    "read_json",
    "read_text",
    "sync_folder",
    "text_of",
    "write_bytes",
    "write_text",
]

MAX_BYTES = 1_000_000
"""Larger files are refused unread: readings and profiles take some kilobytes."""


def data_folder(package: Path | None = None) -> Path:
    """Return the folder of the shipped profiles.

    A wheel carries it inside the package as `_profiles`; an editable install finds it as
    `profiles` beside the package. `package` is the folder of the package, this one by default.
    """
    package = package or Path(__file__).resolve().parents[1]
    places = (package / "_profiles", package.parent / "profiles")
    for place in places:
        if place.is_dir():
            return place
    raise FitsolverError(f"the profiles are missing: looked in {places[0]} and {places[1]}")


def load_toml(path: Path | str) -> Document:
    """Read a TOML file.

    Raises `InputFaults` when it is missing, a folder, empty, too large, not UTF-8 or not TOML.
    """
    return parse_toml(read_text(path), name=str(path))


def read_text(path: Path | str) -> str:
    """Read a text file of at most `MAX_BYTES`; raises `InputFaults` as `load_toml` does."""
    return text_of(path)[0]


def text_of(path: Path | str) -> tuple[str, str]:
    """Read a text file: its text, and the byte order mark that stood before it, or nothing.

    Raises as `load_toml`, but for what is not TOML.
    """
    name = str(path)
    content = _read_bytes(Path(path))
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = f"byte {error.start + 1} (0x{content[error.start]:02x})"
        raise file_fault(
            name,
            f"is not UTF-8 text, at {place}",
            "Save the file as UTF-8, the usual encoding of a text editor",
            line=content.count(b"\n", 0, error.start) + 1,
        ) from error
    mark = "\ufeff" if content.startswith(codecs.BOM_UTF8) else ""
    return text, mark


def load(path: Path | str, model: type[Model]) -> Model:
    """Read a TOML file into a pydantic model; raises `InputFaults` with all faults at once."""
    return check(load_toml(path), model)


def read_json(path: Path) -> Any:
    """Read a JSON file of the library's own; None where there is none."""
    try:
        return json.loads(path.read_bytes())
    except FileNotFoundError:
        return None


def write_text(path: Path | str, text: str, *, overwrite: bool = False) -> Path:
    """Write a text file whole or not at all, and return its path; raises as `new_file` does."""
    with new_file(path, overwrite=overwrite) as file:
        file.write(text)
    return Path(path).resolve()


def write_bytes(path: Path | str, content: bytes, *, overwrite: bool = False) -> Path:
    """Write a file of bytes whole or not at all, and return its path; raises as `new_file` does."""
    with _whole(path, overwrite=overwrite) as temporary, open(temporary, "xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    return Path(path).resolve()


@contextmanager
def new_file(path: Path | str, *, overwrite: bool = False) -> Iterator[TextIO]:
    """Open a text file to be written whole or not at all: an error on the way leaves no trace.

    The text goes to a temporary file in the same folder, is flushed to the disk and takes the
    name in one step. Raises `InputFaults` when the file exists and `overwrite` is not given, or
    when the folder cannot be written to.
    """
    with (
        _whole(path, overwrite=overwrite) as temporary,
        open(temporary, "x", encoding="utf-8", newline="\n") as file,
    ):
        yield file
        file.flush()
        os.fsync(file.fileno())


@contextmanager
def _whole(path: Path | str, *, overwrite: bool) -> Iterator[Path]:
    """Give the name of a temporary file; once it is written and closed, it takes the name asked."""
    name, target = str(path), Path(path).resolve()
    if target.is_dir():
        raise file_fault(name, "is a folder", "Give the name of a file")
    if target.exists() and not target.is_file():  # a device would be replaced by a file
        raise file_fault(name, "is no file on a disk", "Give the name of a file")
    if target.exists() and not overwrite:
        raise file_fault(name, "exists already", "Choose another name or ask to overwrite it")
    temporary = target.with_name(f".{target.name[:200]}.{secrets.token_hex(4)}.part")
    try:
        yield temporary
        if target.exists():
            temporary.chmod(target.stat().st_mode)
        os.replace(temporary, target)
        sync_folder(target.parent)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise file_fault(
            name, f"cannot be written: {reason}", "Check the folder and its rights"
        ) from error
    finally:
        temporary.unlink(missing_ok=True)


def sync_folder(folder: Path) -> None:
    """Have a folder on the disk as it is: without that a power cut may undo a new name.

    Windows cannot; some network disks refuse: neither is a fault of the file.
    """
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _read_bytes(path: Path) -> bytes:
    name = str(path)
    try:
        if path.is_dir():
            raise file_fault(name, "is a folder", "Give the name of a file, such as mounting.toml")
        if path.exists() and not path.is_file():  # a pipe would be waited for, a device never end
            raise file_fault(name, "is no file on a disk", "Save it as a file first")
        with open(path, "rb") as file:
            content = file.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise file_fault(name, "does not exist", _neighbours(path)) from error
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise file_fault(name, f"cannot be read: {reason}", "Check its name and rights") from error
    if not content:
        raise file_fault(name, "is empty (0 bytes)", "Start from one of the files in examples/")
    if len(content) > MAX_BYTES:
        raise file_fault(
            name,
            f"is larger than {MAX_BYTES:,} bytes",
            "Give a file of readings, not a scan or a picture",
        )
    return content


def _neighbours(path: Path) -> str:
    folder = path.parent
    if not folder.is_dir():
        return f"There is no folder {folder} either; check the path"
    ending = path.suffix if path.suffix in (".toml", ".csv") else ".toml"
    names = [each.name for each in folder.glob(f"*{ending}")]
    close = difflib.get_close_matches(path.name, names, n=1)
    return f"Perhaps {folder / close[0]} is meant" if close else "Check the name and the folder"
