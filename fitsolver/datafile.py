"""Files of readings and profiles: read strictly, every fault at once, written whole or not at all.

TOML is the only format of input. A file is read in two steps, so that each fault can say where it
stands: the text becomes a `Document`, which knows the line of every key, and the document is held
against a pydantic model. pydantic itself is imported only when a model is used.
"""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_args

from fitsolver.errors import Fault, FitsolverError, InputFaults
from fitsolver.units import parse_length_mm

if TYPE_CHECKING:
    from pydantic import BaseModel
    from pydantic_core import ErrorDetails

    Model = TypeVar("Model", bound=BaseModel)

Item = TypeVar("Item")

MAX_BYTES = 1_000_000
"""Larger files are refused unread: readings and profiles take some kilobytes."""


class Refusal(ValueError):
    """What a validator raises when it can name the remedy as well as the rule."""

    def __init__(self, rule: str, remedy: str) -> None:
        self.rule = rule
        self.remedy = remedy
        super().__init__(f"{rule}; {remedy}")


class _Length:
    """Read the number itself or its text in the trade's spelling: 6.5, "6.5", "6,5", "6,5 mm"."""

    @staticmethod
    def read(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise Refusal("must be one length in mm", 'write it as 6.5 or "6,5"')
        try:
            return parse_length_mm(value)
        except OverflowError as error:
            raise Refusal(
                "is too large to be a length", 'write it in mm, as 6.5 or "6,5"'
            ) from error

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        return core_schema.no_info_before_validator_function(self.read, handler(source))


class _Number(_Length):
    """Read a number that is no length (degrees, a ratio), with a point or a comma."""

    @staticmethod
    def read(value: object) -> float:
        remedy = 'write it as 6.5 or "6,5"'
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise Refusal("must be one number", remedy)
        try:
            return float(value.replace(",", ".", 1) if isinstance(value, str) else value)
        except (ValueError, OverflowError) as error:
            raise Refusal("is not a number", remedy) from error


class _FromList:
    """Let a TOML array fill a tuple, which keeps a frozen model frozen."""

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        return core_schema.no_info_before_validator_function(
            lambda value: tuple(value) if isinstance(value, list) else value, handler(source)
        )


Millimetres = Annotated[float, _Length()]
Number = Annotated[float, _Number()]
Many = Annotated[tuple[Item, ...], _FromList()]

STRICT: Any = {"strict": True, "extra": "forbid", "frozen": True, "allow_inf_nan": False}
"""The `model_config` of every model of a file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A TOML file that could be parsed: its name, its data and the line of every key."""

    name: str
    data: Mapping[str, Any]
    lines: Mapping[str, int] = field(default_factory=dict)

    def line_of(self, key: str) -> int | None:
        """Return the line of a dotted key, or of the nearest table around it, or None."""
        while key:
            if key in self.lines:
                return self.lines[key]
            key = key[: max(key.rfind("."), key.rfind("["), 0)]
        return None

    def fault(self, key: str, value: object, rule: str, remedy: str) -> Fault:
        """Return a fault of this file, its line looked up and its remedy a sentence."""
        return Fault(
            file=self.name,
            line=self.line_of(key),
            key=key,
            value=value,
            rule=rule,
            remedy=remedy[:1].upper() + remedy[1:],
        )


def data_folder(package: Path | None = None) -> Path:
    """Return the folder of the shipped profiles.

    A wheel carries it inside the package as `_profiles`; an editable install finds it as
    `profiles` beside the package. `package` is the folder of the package, this one by default.
    """
    package = package or Path(__file__).resolve().parent
    places = (package / "_profiles", package.parent / "profiles")
    for place in places:
        if place.is_dir():
            return place
    raise FitsolverError(f"the profiles are missing: looked in {places[0]} and {places[1]}")


def load_toml(path: Path | str) -> Document:
    """Read a TOML file.

    Raises `InputFaults` when it is missing, a folder, empty, too large, not UTF-8 or not TOML.
    """
    name = str(path)
    content = _read_bytes(Path(path))
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = f"byte {error.start + 1} (0x{content[error.start]:02x})"
        raise _file_fault(
            name,
            f"is not UTF-8 text, at {place}",
            "Save the file as UTF-8, the usual encoding of a text editor",
            line=content.count(b"\n", 0, error.start) + 1,
        ) from error
    return parse_toml(text, name=name)


def parse_toml(text: str, *, name: str) -> Document:
    """Parse the text of a TOML file; `name` is what faults call it."""
    if not text.strip():
        raise _file_fault(name, "is empty", "Start from one of the files in examples/")
    try:
        data = tomllib.loads(text)
    except RecursionError as error:
        raise _file_fault(name, "is nested too deeply", "Close the brackets") from error
    except ValueError as error:
        raise _syntax_fault(text, name, str(error)) from error
    return Document(name=name, data=data, lines=_lines_of_keys(text))


def load(path: Path | str, model: type[Model]) -> Model:
    """Read a TOML file into a pydantic model; raises `InputFaults` with all faults at once."""
    return check(load_toml(path), model)


def check(document: Document, model: type[Model]) -> Model:
    """Hold a document against a pydantic model.

    A model may have a method `cross_faults()` that yields (key, value, rule, remedy) for what is
    wrong between its entries. It is asked even when single entries were refused, as long as the
    model can be built without them, so that one reading of the file shows all there is to mend.
    """
    from pydantic import ValidationError

    faults: dict[str, Fault] = {}
    refused: set[str] = set()
    data: dict[str, Any] = {**document.data}
    instance: Model | None = None
    try:
        instance = model.model_validate(data)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            fault = _fault_of(detail, document, model)
            faults[fault.key] = _merged(faults.get(fault.key), fault)
            refused.add(_take_out(data, _path_in(document.data, detail["loc"])))
        try:
            instance = model.model_validate(data)
        except ValidationError:
            instance = None  # something required is missing: nothing to compare with
    if instance is not None:
        for key, value, rule, remedy in getattr(instance, "cross_faults", tuple)():
            if not any(key == each or key.startswith((f"{each}.", f"{each}[")) for each in refused):
                fault = document.fault(key, value, rule, remedy)
                faults.setdefault(f"{key} {rule}", fault)
    if faults or instance is None:
        raise InputFaults(sorted(faults.values(), key=lambda fault: (fault.line or 0, fault.key)))
    return instance


def write_text(path: Path | str, text: str, *, overwrite: bool = False) -> Path:
    """Write a text file whole or not at all, and return its path.

    The text goes to a temporary file in the same folder, is flushed to the disk and takes the
    name in one step. Raises `InputFaults` when the file exists and `overwrite` is not given, or
    when the folder cannot be written to.
    """
    name, target = str(path), Path(path).resolve()
    if target.is_dir():
        raise _file_fault(name, "is a folder", "Give the name of a file")
    if target.exists() and not overwrite:
        raise _file_fault(name, "exists already", "Choose another name or ask to overwrite it")
    temporary = target.with_name(f".{target.name[:200]}.{os.getpid()}.part")
    try:
        with open(temporary, "x", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            temporary.chmod(target.stat().st_mode)
        os.replace(temporary, target)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise _file_fault(
            name, f"cannot be written: {reason}", "Check the folder and its rights"
        ) from error
    finally:
        temporary.unlink(missing_ok=True)
    return target


def nearest(name: str, known: Iterable[str], *, list_up_to: int = 12) -> str:
    """Return a remedy for an unknown name: the most similar known one, or all of them."""
    known = tuple(known)
    close = difflib.get_close_matches(name.lower(), known, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]}?"
    shown = ", ".join(known[:list_up_to])
    return f"known here: {shown}{', ...' if len(known) > list_up_to else ''}"


# --- reading a file -----------------------------------------------------------------------------


def _file_fault(name: str, rule: str, remedy: str, *, line: int | None = None) -> InputFaults:
    return InputFaults(
        [Fault(file=name, line=line, key="file", value=None, rule=rule, remedy=remedy)]
    )


def _read_bytes(path: Path) -> bytes:
    name = str(path)
    try:
        if path.is_dir():
            raise _file_fault(name, "is a folder", "Give the name of a file, such as mounting.toml")
        with open(path, "rb") as file:
            content = file.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise _file_fault(name, "does not exist", _neighbours(path)) from error
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise _file_fault(name, f"cannot be read: {reason}", "Check its name and rights") from error
    if not content:
        raise _file_fault(name, "is empty (0 bytes)", "Start from one of the files in examples/")
    if len(content) > MAX_BYTES:
        raise _file_fault(
            name,
            f"is larger than {MAX_BYTES:,} bytes",
            "Give a file of readings, not a scan or a picture",
        )
    return content


def _neighbours(path: Path) -> str:
    folder = path.parent
    if not folder.is_dir():
        return f"There is no folder {folder} either; check the path"
    close = difflib.get_close_matches(path.name, [each.name for each in folder.glob("*.toml")], n=1)
    return f"Did you mean {folder / close[0]}?" if close else "Check the name and the folder"


_DECIMAL_COMMA = re.compile(r"[=\[,{]\s*[-+]?(\d+),(\d+)")
_INCHES = re.compile(r"""=\s*(\d*[.,]?\d+)\s*("|''|in\b|inch)""")


def _syntax_fault(text: str, name: str, message: str) -> InputFaults:
    """Turn the parser's message into a fault that says how to write the line instead."""
    lines = text.splitlines()
    found = re.search(r"\(at line (\d+)", message)
    line = int(found.group(1)) if found else len(lines) if "end of document" in message else None
    written = lines[line - 1].strip() if line and line <= len(lines) else ""
    comma, inches = _DECIMAL_COMMA.search(written), _INCHES.search(written)
    if inches:
        rule = "looks like inches"
        remedy = f"Write the length in mm without a mark, as {_mm_from_inches(inches.group(1))}"
    elif comma:
        point, quoted = ".".join(comma.groups()), ",".join(comma.groups())
        rule = "has a decimal comma outside quotes"
        remedy = f'Write {point} or "{quoted}"'
    else:
        rule = "is not TOML: " + re.sub(r" \(at .*\)$", "", message).lower()
        remedy = "Write one 'key = value' to a line, text in quotes, numbers with a point"
    return InputFaults(
        [Fault(file=name, line=line, key="line", value=written or None, rule=rule, remedy=remedy)]
    )


def _mm_from_inches(number: str) -> str:
    return f"{float(number.replace(',', '.')) * 25.4:.2f}"


# --- lines --------------------------------------------------------------------------------------

_TOKEN = re.compile(
    r"""(?P<skip>[ \t\r]+|\#[^\n]*)
      | (?P<text>\"\"\"(?:\\.|[^\\])*?\"{3,5} | '''.*?'{3,5} | "(?:\\.|[^"\\\n])*" | '[^'\n]*')
      | (?P<mark>[\[\]{},=.\n])
      | (?P<bare>[^\s\[\]{},=.\#"']+)""",
    re.DOTALL | re.VERBOSE,
)


def _lines_of_keys(text: str) -> dict[str, int]:
    """Map dotted keys (`seat.opening_radii_mm[0].read`) to lines, for text that is valid TOML.

    A valid file leaves a scanner little to decide: in front of `=` stand keys, brackets open and
    close values, and a bracket at the start of a statement is a table's heading.
    """
    lines: dict[str, int] = {}
    rows: dict[str, int] = {}  # how many elements each [[array of tables]] has so far
    table, here = "", ""  # the current table; the key whose value is being read
    names: list[str] = []  # the parts of the key being read
    reading_value, fresh, heading = False, False, 0
    stack: list[tuple[str, str, int]] = []  # bracket, its key, elements so far
    line = 1

    for token in _TOKEN.finditer(text):
        word, kind = token.group(), token.lastgroup
        at, line = line, line + word.count("\n")
        if kind == "skip" or (word == "." and not reading_value):
            continue
        if heading:
            if word == "[":
                heading += 1
            elif word == "\n":
                heading, names = 0, []
            elif word == "]" and names:
                table = _heading_key(names, rows, is_row=heading == 2)
                lines.setdefault(table, at)
                names = []
            elif word != "]":
                names.append(word.strip("\"'"))
        elif not reading_value:
            if word == "[" and not names:
                heading = 1
            elif word == "=":
                base = stack[-1][1] if stack else table
                here = ".".join([*([base] if base else []), *names])
                for end in range(len(names)):  # a dotted key opens tables on its way
                    lines.setdefault(".".join([*([base] if base else []), *names[: end + 1]]), at)
                names, reading_value, fresh = [], True, False
            elif word == "}":
                stack.pop()
                reading_value = True
            elif kind in ("bare", "text"):
                names.append(word.strip("\"'"))
        elif word == "\n":
            reading_value = bool(stack)
        elif word == "]" or word == "}":
            stack.pop()
            fresh = False
        elif word == ",":
            reading_value = bool(stack) and stack[-1][0] == "["
            fresh = reading_value
        else:
            if fresh and stack:
                bracket, key, count = stack.pop()
                stack.append((bracket, key, count + 1))
                here = f"{key}[{count}]"
                lines.setdefault(here, at)
                fresh = False
            if word in ("[", "{"):
                stack.append((word, here, 0))
                reading_value = fresh = word == "["
    return lines


def _heading_key(names: Sequence[str], rows: dict[str, int], *, is_row: bool) -> str:
    key = ""
    for index, name in enumerate(names):
        key = f"{key}.{name}" if key else name
        if is_row and index == len(names) - 1:
            rows[key] = rows.get(key, 0) + 1
        if key in rows:
            key = f"{key}[{rows[key] - 1}]"
    return key


# --- faults of a model --------------------------------------------------------------------------

_PLAIN_RULES = {
    "missing": ("is missing", "add it"),
    "string_type": ("must be text", 'write it in quotes, as "open"'),
    "string_too_short": ("is too short", "say more"),
    "bool_type": ("must be true or false", "write it without quotes"),
    "int_type": ("must be a whole number", "write it without quotes and without a point"),
    "float_type": ("must be a number", "write it as 6.5"),
    "finite_number": ("must be a finite number", "take the reading again, or leave the line out"),
    "list_type": ("must be a list", "write it in square brackets, as [45, 135]"),
    "tuple_type": ("must be a list", "write it in square brackets, as [45, 135]"),
    "dict_type": ("must be a table", "write it in braces, as {read = 6.5}"),
    "model_type": ("must be a table", "write it in braces, as {read = 6.5}"),
}
_BOUNDS = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}
_UNITS = {"_mm": " mm", "_deg": " degrees", "_pct": " per cent", "_ct": " ct", "_g": " g"}


def _fault_of(detail: ErrorDetails, document: Document, model: type[BaseModel]) -> Fault:
    """Say in the words of this project what pydantic found."""
    kind, value = detail["type"], detail["input"]
    context: dict[str, Any] = detail.get("ctx") or {}
    path = _path_in(document.data, detail["loc"])
    name = str(detail["loc"][-1]) if detail["loc"] else ""
    about = _field_at(model, detail["loc"])
    extra = about.json_schema_extra if about is not None else None
    told = str(extra["remedy"]) if isinstance(extra, dict) and "remedy" in extra else None

    rule, remedy = _PLAIN_RULES.get(kind, (_lower_first(detail["msg"]), "correct it"))
    if kind == "missing":
        path, value = (*path, name), None
        remedy = told or f"add a line {name} = ..."
    elif kind == "extra_forbidden":
        rule, told = "is not known here", None
        remedy = nearest(name, _names_at(model, detail["loc"][:-1]))
    elif kind == "literal_error":
        rule = "must be " + str(context["expected"]).replace("'", '"')
        choices = re.findall(r"'([^']*)'", str(context["expected"]))
        close = difflib.get_close_matches(str(value), choices, n=1)
        remedy = f'did you mean "{close[0]}"?' if close else "choose one of them"
    elif kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        rule, remedy = _range_rule(about, name), "correct the value"
    elif kind == "value_error":
        error = context["error"]
        if isinstance(error, Refusal):
            rule, remedy, told = error.rule, error.remedy, None
        else:
            rule, remedy = str(error).rstrip("."), "correct the value"
    return document.fault(_dotted(path), value, rule, told or remedy)


def _merged(before: Fault | None, fault: Fault) -> Fault:
    """Join what several alternatives of one entry say about it."""
    if before is None or before.rule == fault.rule:
        return fault
    return Fault(
        file=fault.file,
        line=fault.line,
        key=fault.key,
        value=fault.value,
        rule=f"{before.rule}, or it {fault.rule}",
        remedy=fault.remedy,
    )


def _path_in(data: Any, loc: Sequence[int | str]) -> tuple[int | str, ...]:
    """Return the part of a location that stands in the file.

    pydantic's locations also name alternatives and what a validator has filled in.
    """
    path: list[int | str] = []
    for part in loc:
        if (isinstance(data, Mapping) and part in data) or (
            isinstance(data, list) and isinstance(part, int) and part < len(data)
        ):
            data = data[part]
            path.append(part)
    return tuple(path)


def _take_out(data: dict[str, Any], path: Sequence[int | str]) -> str:
    """Remove the refused entry (of a table, or of the file) and return its key."""
    if not path:
        return ""
    first = str(path[0])
    inner = data.get(first)
    if len(path) == 1 or not isinstance(inner, Mapping):
        data.pop(first, None)
        return first
    data[first] = {key: value for key, value in inner.items() if key != path[1]}
    return f"{first}.{path[1]}"


def _dotted(path: Sequence[int | str]) -> str:
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path)
    return text.removeprefix(".") or "file"


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    from pydantic import BaseModel

    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


def _fields_of(models: Iterable[type[BaseModel]]) -> dict[str, Any]:
    return {
        about.alias or name: about for model in models for name, about in model.model_fields.items()
    }


def _names_at(model: type[BaseModel], loc: Sequence[int | str]) -> tuple[str, ...]:
    models: tuple[type[BaseModel], ...] = (model,)
    for part in loc:
        fields = _fields_of(models)
        if part in fields:
            models = tuple(_models_in(fields[str(part)].annotation))
    return tuple(_fields_of(models))


def _field_at(model: type[BaseModel], loc: Sequence[int | str]) -> Any:
    """Return the pydantic field whose annotation decides about a location, or None."""
    models: tuple[type[BaseModel], ...] = (model,)
    about = None
    for part in loc:
        fields = _fields_of(models)
        if part in fields:
            about = fields[str(part)]
            models = tuple(_models_in(about.annotation))
    return about


def _range_rule(about: Any, name: str) -> str:
    """Say the whole allowed range, not only the bound that was broken."""
    bounds = {
        side: getattr(mark, side)
        for mark in (about.metadata if about is not None else ())
        for side in _BOUNDS
        if getattr(mark, side, None) is not None
    }
    unit = next((unit for suffix, unit in _UNITS.items() if name.endswith(suffix)), "")
    if "ge" in bounds and "le" in bounds:
        return f"must be {bounds['ge']:g} to {bounds['le']:g}{unit}"
    said = " and ".join(f"{_BOUNDS[side]} {bound:g}" for side, bound in bounds.items())
    return f"must be {said}{unit}" if said else "is out of range"
