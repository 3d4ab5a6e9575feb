"""Models of files: what pydantic finds wrong, said with line, rule and remedy, all at once.

pydantic is imported only when a model is used: it takes a tenth of a second to load.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_args

from fitsolver.errors import Fault, InputFaults
from fitsolver.files.document import Document
from fitsolver.units import parse_length_mm

if TYPE_CHECKING:
    from pydantic import BaseModel
    from pydantic_core import ErrorDetails

    Model = TypeVar("Model", bound=BaseModel)

Item = TypeVar("Item")


class RuleError(ValueError):
    """What a validator raises when it can name the remedy as well as the rule."""

    def __init__(self, rule: str, remedy: str) -> None:
        """Keep rule and remedy apart; both are the text of a `Fault`."""
        self.rule = rule
        self.remedy = remedy
        super().__init__(f"{rule}; {remedy}")


class _Length:
    """Read a length itself or its text in the trade's spelling: 6.5, "6.5", "6,5", "6,5 mm"."""

    @staticmethod
    def read(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise RuleError("must be one length in mm", 'write it as 6.5 or "6,5"')
        try:
            return parse_length_mm(value)
        except ValueError as error:
            rule, _, remedy = str(error).removeprefix(f"{value!r} ").partition(": ")
            raise RuleError(rule, remedy) from error

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        return core_schema.no_info_before_validator_function(self.read, handler(source))


class _Number(_Length):
    """Read a number that is no length (degrees, a ratio), with a point or a comma."""

    @staticmethod
    def read(value: object) -> float:
        remedy = 'write it as 6.5 or "6,5"'
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise RuleError("must be one number", remedy)
        try:
            number = float(value.replace(",", ".", 1) if isinstance(value, str) else value)
        except (ValueError, OverflowError) as error:
            raise RuleError("is not a number", remedy) from error
        if not math.isfinite(number):
            raise RuleError("is not a finite number", remedy)
        return number


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

STRICT: Any = {
    "strict": True,
    "extra": "forbid",
    "frozen": True,
    "allow_inf_nan": False,
    "defer_build": True,
}
"""The `model_config` of every model of a file."""


def check(document: Document, model: type[Model]) -> Model:
    """Hold a document against a pydantic model.

    A model may have a method `cross_faults()` that yields (key, value, rule, remedy) for what is
    wrong between its entries. If it also says `compares_partly = True`, it is asked even when
    single entries were refused, without them, so that one reading shows all there is to mend.
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
        if getattr(model, "compares_partly", False):
            with suppress(ValidationError):  # something required may be missing
                instance = model.model_validate(data)
    if instance is not None:
        for key, value, rule, remedy in getattr(instance, "cross_faults", tuple)():
            if not any(key == each or key.startswith((f"{each}.", f"{each}[")) for each in refused):
                fault = document.fault(key, value, rule, remedy)
                faults.setdefault(f"{key} {rule}", fault)
    if faults or instance is None:
        raise InputFaults(sorted(faults.values(), key=lambda fault: (fault.line or 0, fault.key)))
    return instance


def nearest(name: str, known: Iterable[str], *, list_up_to: int = 12) -> str:
    """Return a remedy for an unknown name: the most similar known one, or all of them."""
    known = tuple(known)
    close = difflib.get_close_matches(name.lower(), known, n=1, cutoff=0.6)
    if close:
        return f"perhaps {close[0]} is meant"
    shown = ", ".join(known[:list_up_to])
    return f"known here: {shown}{', ...' if len(known) > list_up_to else ''}"


_PLAIN_RULES = {
    "missing": ("is missing", "add it"),
    "string_type": ("must be text", 'write it in quotes, as "open"'),
    "string_too_short": ("is too short", "write it out in quotes"),
    "too_short": ("holds too few entries", "give at least one"),
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
        remedy = told or f"add {name} = VALUE"
    elif kind == "extra_forbidden":
        rule, told = "is not known here", None
        home = _table_with(model, name)
        remedy = (
            f"write it under [{home}]"
            if home
            else nearest(name, _names_at(model, detail["loc"][:-1]))
        )
    elif kind == "literal_error":
        rule = "must be " + str(context["expected"]).replace("'", '"')
        choices = re.findall(r"'([^']*)'", str(context["expected"]))
        close = difflib.get_close_matches(str(value), choices, n=1)
        remedy = f'perhaps "{close[0]}" is meant' if close else "choose one of them"
    elif kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        rule, remedy = _range_rule(about, name, context), "correct the value"
    elif kind == "value_error":
        error = context["error"]
        if isinstance(error, RuleError):
            rule, remedy, told = error.rule, error.remedy, None
        else:
            rule, remedy = str(error).rstrip("."), "correct the value"
    elif kind == "model_type" and len(path) == 1:
        remedy = f"write [{name}] on a line of its own and its keys below"
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
        stands = (
            part in data
            if isinstance(data, Mapping)
            else isinstance(data, list) and isinstance(part, int) and part < len(data)
        )
        if stands:
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


def _table_with(model: type[BaseModel], name: str) -> str | None:
    """Return the table of the file that has a key of this name, if one does."""
    for table, about in model.model_fields.items():
        if isinstance(about.annotation, type) and name in _fields_of(_models_in(about.annotation)):
            return table
    return None


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


def _range_rule(about: Any, name: str, context: Mapping[str, Any]) -> str:
    """Say the whole allowed range; of the elements of a list, the bound that was broken."""
    bounds = {
        side: getattr(mark, side)
        for mark in (about.metadata if about is not None else ())
        for side in _BOUNDS
        if getattr(mark, side, None) is not None
    } or {side: context[side] for side in _BOUNDS if side in context}
    unit = next((unit for suffix, unit in _UNITS.items() if name.endswith(suffix)), "")
    if "ge" in bounds and "le" in bounds:
        return f"must be {bounds['ge']:g} to {bounds['le']:g}{unit}"
    said = " and ".join(f"{_BOUNDS[side]} {bound:g}" for side, bound in bounds.items())
    return f"must be {said}{unit}"
