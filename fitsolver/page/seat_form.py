"""The form of a seat: what its fields hold, as a mounting file has it and back.

Every reading keeps what was typed; what that means is said by the strict reader of mounting files
and nowhere else, so the page and the command line agree on every fault. The keys, and what is
asked first, follow from `mounting_key.KEYS` and from what the reader misses in an empty seat.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from msgspec import Struct

from fitsolver.errors import Fault, FitsolverError, InputFaults, explain
from fitsolver.files.document import Document
from fitsolver.page.budget_form import budget_data, budget_fields, field_of
from fitsolver.readings.mounting_key import (
    KEYS,
    Back,
    Finger,
    Form,
    Holds,
    Make,
    OpeningFamily,
    OpeningLevel,
    State,
)
from fitsolver.readings.reading import Level

if TYPE_CHECKING:
    from fitsolver.seats.mounting import Mounting

Fields = dict[str, str]
Data = dict[str, Any]

CHOICES: Mapping[str, tuple[str, ...]] = {
    "holds": get_args(Holds),
    "state": get_args(State),
    "back": get_args(Back),
    "opening_family": get_args(OpeningFamily),
    "opening_level": get_args(OpeningLevel),
    "make": get_args(Make),
    "finger_along": get_args(Finger),
    "flush": ("no", "yes"),
}
"""What says which kind of seat it is; all but `finger_along` stand under [seat]."""
TAKEN: Mapping[str, str] = {"make": "hand", "finger_along": "width", "flush": "no"}
"""What the reader takes where a file does not say; all other choices are a person's to make."""
TOP = ("name", "story", "period", "finger_along", "finger_diameter_mm")
LEVELS = get_args(Level)
# The forms of a reading, by the keys that only one of them has; `reading_entry` reads them.
WAYS: Mapping[str, tuple[str, ...]] = {
    "read": ("read",),
    "difference": ("deep", "shallow"),
    "outside": ("outside", "metal"),
    "tried": ("drops_in", "refuses"),
}
UNMEASURED = "unmeasured"
"""The part of a reading that says, ticked, that nobody could take it."""
AGAIN = "again"
MORE = ("with", "level", "half_width_mm", "definition_mm", "note")
KEPT = "kept:"
# One line of the field is one place: its direction, and what was read there under this name.
PLACES: Mapping[Form, str] = {"places": "read", "leans": "lean_deg"}
CLAWS = "claws"
"""Claws described one by one; a key of the file that has no single range."""
CLAW_WORDS: Mapping[str, str] = {
    "thickness": "thickness_mm",
    "width": "width_mm",
    "length": "length_mm",
    "notch-depth": "notch_depth_mm",
    "notch-level": "notch_level_mm",
    "lean": "lean_deg",
}
CLAW_FLAGS = ("corner", "pair", "shared")
UNCHANGED = "..."
"""Stands for a reading that a line cannot hold: it stays as the file has it."""
TRACED = tuple(key for key, rules in KEYS.items() if rules.form == "of_trace")
"""What belongs to traced points; a page of its own asks for them."""
NO_FIELD = ("at_deg", *TRACED)
NOT_MEASURED = "not measured"
MISSING = "is missing"
MOST_ALLOWANCES = 100
WEIGHTS = ("allowances", "ranking")
"""Tables of the file that hold one number a name, each over a usual one."""

_SPLIT = re.compile(r"[;\s]+|,\s+|,$")
_UNIT = re.compile(r"(?<=[\d.,])\s*mm\b", re.IGNORECASE)
_NUMBER = re.compile(r"[-+]?\d*[.,]?\d+")


class Complaint(Struct, frozen=True, kw_only=True):
    """One thing wrong beside a field: `key` of the field, "" for the whole form."""

    key: str
    value: object
    rule: str
    remedy: str

    @property
    def missing(self) -> bool:
        """Whether it only says that something has not been filled in yet."""
        return self.rule.startswith(MISSING)


def is_reading(key: str) -> bool:
    """Whether a key is given as a reading, with repeats, ways and an instrument."""
    return key in KEYS and KEYS[key].form == "reading"


def may_be_left_out(key: str, fields: Mapping[str, str]) -> bool:
    """Whether the form offers to say that a reading could not be taken.

    Those asked first do, the opening excepted; what is asked further is left out by leaving it
    empty.
    """
    asked = key in needed(fields) and is_reading(key) and not key.startswith("opening_")
    return asked or bool(fields.get(f"{key}.{UNMEASURED}"))


def belongs(key: str, kind: Mapping[str, str]) -> bool:
    """Whether a seat of this kind has such a reading."""
    return KEYS[key].belongs(kind.get("holds"), kind.get("state"))


@cache
def _needed(kind: tuple[tuple[str, str], ...]) -> frozenset[str]:
    """Keys that the strict reader misses in a seat of a kind with nothing else said."""
    seat: Data = {key: value for key, value in kind if key not in ("finger_along", "flush")}
    faults = _faults({"name": "x", "seat": seat})
    return frozenset(each.key for each in faults if each.missing)


def unkept(fields: Mapping[str, str]) -> Fields:
    """Join what the form shows with what it keeps of another kind of seat."""
    kept = {name.removeprefix(KEPT): text for name, text in fields.items() if name.startswith(KEPT)}
    return kept | {name: text for name, text in fields.items() if not name.startswith(KEPT)}


def needed(fields: Mapping[str, str]) -> list[str]:
    """Readings to ask first for the kind of seat that the fields describe, in the file's order."""
    kind = {key: fields.get(key, "") for key in CHOICES if fields.get(key)}
    missed = _needed(tuple(sorted(kind.items())))
    return [key for key in KEYS if key in missed]


def further(fields: Mapping[str, str]) -> list[str]:
    """Readings that make the answer surer, in the file's order; the at_deg of radii is no field."""
    first = needed(fields)
    return [
        key for key in KEYS
        if key not in (*first, *NO_FIELD) and belongs(key, fields)
    ]  # fmt: skip


def fields_of(data: Mapping[str, Any]) -> Fields:
    """Write what a mounting file says into the fields of the form."""
    seat = data.get("seat")
    seat = seat if isinstance(seat, Mapping) else {}
    fields: Fields = {}
    for key in ("name", "story", "period", "finger_along"):
        fields[key] = _text(data.get(key))
    for key in CHOICES:
        if key == "flush":
            stands = seat.get(key)
            fields[key] = "yes" if stands is True else "no" if stands is False else _text(stands)
        elif key != "finger_along":
            fields[key] = _text(seat.get(key))
    fields[CLAWS] = _claws_text(seat.get(CLAWS))
    for key in KEYS:
        value = (data if key in TOP else seat).get(key)
        form = KEYS[key].form
        if value is None or key in NO_FIELD:
            continue
        if is_reading(key):
            fields |= _reading_fields(key, value)
        elif form in PLACES:
            fields[key] = _places_text(value, PLACES[form])
        elif form == "arcs":
            fields[key] = _gaps_text(value)
        else:
            fields[key] = UNCHANGED if isinstance(value, Mapping) else _text(value)
    for key in WEIGHTS:
        table = data.get(key)
        for name, value in (table if isinstance(table, Mapping) else {}).items():
            fields[f"{key}.{name}"] = _text(value)
    return fields | budget_fields(data.get("budget"))


def data_of(fields: Mapping[str, str], base: Mapping[str, Any]) -> Data:
    """Write the fields over the data of a mounting file; what was not changed stays as it was."""
    was = fields_of(base)
    data: Data = copy.deepcopy(dict(base))
    if not isinstance(data.get("seat"), dict):
        data["seat"] = {}
    seat: Data = data["seat"]
    for key in ("name", "story"):
        _put(data, key, fields.get(key, "").strip() or None)
    period = fields.get("period", "").strip()
    _put(data, "period", int(period) if re.fullmatch(r"\d{1,6}", period) else period or None)
    for key in CHOICES:
        if key == "flush":
            if fields.get(key, "") != was.get(key, ""):
                _put(seat, key, {"yes": True, "no": False}.get(fields.get(key, "")))
        else:
            _put(data if key == "finger_along" else seat, key, fields.get(key, "").strip() or None)
    if fields.get("holds") != "claws":
        seat.pop(CLAWS, None)
    elif CLAWS not in seat or typed_of(CLAWS, fields) != typed_of(CLAWS, was):
        _put(seat, CLAWS, _claws_data(fields.get(CLAWS, ""), seat.get(CLAWS)))
    for key in KEYS:
        if key in NO_FIELD:
            continue
        table, form = data if key in TOP else seat, KEYS[key].form
        if not belongs(key, fields):
            table.pop(key, None)
        elif key in table and typed_of(key, fields) == typed_of(key, was):
            continue
        elif is_reading(key):
            _put(table, key, _reading_data(key, fields, table.get(key)))
        elif form in PLACES:
            _put(table, key, _places_data(fields.get(key, ""), table.get(key), PLACES[form]))
        elif form == "arcs":
            lines = map(_parts, fields.get(key, "").splitlines())
            _put(table, key, [[_number(each) for each in line] for line in lines if line] or None)
        elif form == "directions":
            _put(table, key, [_number(each) for each in _parts(fields.get(key, ""))] or None)
        else:
            typed = _parts(fields.get(key, ""))
            _put(table, key, _lengths(" ".join(typed)) if form == "angle" and len(typed) > 1
                 else _number(fields.get(key, "").strip()))  # fmt: skip
    for key in WEIGHTS:
        _put(data, key, _numbers_under(key, fields, base.get(key)))
    _put(data, "budget", budget_data(fields, data.get("budget")))
    return data


def complaints(data: Mapping[str, Any], folder: Path | None = None) -> list[Complaint]:
    """Return everything that the strict reader has against the data, by field.

    `folder` is where a table of traced points that the data name may stand.
    """
    return _faults(data, folder)


def sketched(data: Mapping[str, Any], folder: Path | None = None) -> Data:
    """Make data that can be drawn of data with faults: what is wrong or missing is left out.

    The opening cannot be invented; without it the result has faults still.
    """
    trial: Data = copy.deepcopy(dict(data))
    trial["name"] = trial.get("name") or "x"
    for _ in range(4):
        found = _faults(trial, folder)
        if not found:
            break
        seat = trial["seat"]
        for each in found:
            if each.missing and each.key == "claw_directions_deg":
                seat[each.key] = [45, 135, 225, 315]
            elif each.missing and each.key in KEYS and not each.key.startswith("opening_"):
                seat[each.key] = NOT_MEASURED
            elif (table := re.split(r"[.]", each.key)[0]) in (*WEIGHTS, "budget"):
                trial.pop(table, None)
            elif not each.missing:
                (trial if each.key in TOP else seat).pop(each.key, None)
    return trial


def document(data: Mapping[str, Any], name: str = "") -> Document:
    """Return data as if it had been read from a file."""
    return Document(name=name or "page", data=data)


def read(
    data: Mapping[str, Any], folder: Path | None = None
) -> tuple[Mounting | None, list[Complaint]]:
    """Return the mounting of the data, None if there is none, and everything against them."""
    from fitsolver.seats.allowance import allowances
    from fitsolver.seats.mounting import mounting_from

    found: list[Complaint] = []
    mounting = None
    try:
        mounting = mounting_from(document(data), folder=folder)
    except InputFaults as error:
        found += [_complaint(fault, data) for fault in error.faults]
    except FitsolverError as error:
        _, value, rule, remedy = explain(error)
        found.append(Complaint(key="", value=value, rule=rule, remedy=remedy))
    else:
        for name, number in mounting.allowances.items():
            try:
                allowances({name: number})
            except FitsolverError as error:
                _, value, rule, remedy = explain(error)
                found.append(
                    Complaint(key=f"allowances.{name}", value=value, rule=rule, remedy=remedy)
                )
    return mounting, found


def _faults(data: Mapping[str, Any], folder: Path | None = None) -> list[Complaint]:
    return read(data, folder)[1]


def _complaint(fault: Fault, data: Mapping[str, Any]) -> Complaint:
    key = fault.key.removeprefix("seat.")
    head = re.split(r"[.\[]", key, maxsplit=1)[0]
    if head == "budget":
        return Complaint(
            key=field_of(key, data.get("budget")),
            value=_shown(fault.value),
            rule=fault.rule,
            remedy=fault.remedy[:1].upper() + fault.remedy[1:],
        )
    name = key if head in WEIGHTS else head
    known = name in (*KEYS, *CHOICES, *TOP, CLAWS) or head in WEIGHTS
    remedy = fault.remedy
    if fault.rule.startswith(MISSING) and name in KEYS:
        remedy = KEYS[name].remedy
    # Which direction or key of an entry is meant is told by what follows its name.
    rest = key[len(name) :].strip(".")
    rule = f"{rest}: {fault.rule}" if known and rest.startswith("[") else fault.rule
    return Complaint(
        key=name if known else "",
        value=_shown(fault.value),
        rule=rule if known else f"{fault.key} {rule}",
        remedy=remedy[:1].upper() + remedy[1:],
    )


def _shown(value: object) -> object:
    """What of a faulty value is repeated beside its field: nobody typed a table of a file."""
    return None if isinstance(value, Mapping) else value


def text_of(value: object) -> str:
    """Write a value of a file as its field shows it."""
    return _text(value)


def number_of(text: str) -> float | int | str | None:
    """Read a field of one number; what is none is kept as it was typed."""
    return _number(text)


def _put(table: Data, key: str, value: object) -> None:
    if value is None:
        table.pop(key, None)
    else:
        table[key] = value


def typed_of(key: str, fields: Mapping[str, str]) -> dict[str, str]:
    """What the fields say of one key, without what only repeats the usual."""
    return {
        name: text.strip() for name, text in fields.items()
        if name.partition(".")[0] == key and text.strip() and (name, text) != (f"{key}.way", "read")
    }  # fmt: skip


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, list | tuple):
        return " ".join(_text(each) for each in value)
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value)


def _parts(text: str) -> list[str]:
    """Part repeats at blanks, lines, semicolons, or commas that a blank follows."""
    return [part for part in _SPLIT.split(_UNIT.sub("", text)) if part]


def _number(text: str) -> float | int | str | None:
    """Return a plainly written number as one, anything else as it was typed."""
    if not text:
        return None
    if not _NUMBER.fullmatch(text) or len(text) > 20:
        return text
    value = float(text.replace(",", "."))
    return int(value) if re.fullmatch(r"[-+]?\d+", text) else value


def _length(text: str) -> float | str:
    """As `_number`; a whole number of millimetres is a float, as lists of integers are doubtful."""
    value = _number(text)
    return float(value) if isinstance(value, int | float) else str(value)


def _lengths(text: str) -> float | str | list[float | str] | None:
    parts = _parts(text)
    values = [_length(part) for part in parts]
    if not values:
        return None
    return values[0] if len(values) == 1 else values


def _reading_fields(key: str, value: object) -> Fields:
    if not isinstance(value, Mapping):
        if isinstance(value, str) and value.strip().lower() == NOT_MEASURED:
            return {f"{key}.{UNMEASURED}": "yes"}
        return {key: _text(value)}
    way = next((way for way, own in WAYS.items() if any(name in value for name in own)), "read")
    fields = {} if way == "read" else {f"{key}.way": way}
    for name, item in value.items():
        fields[key if name == "read" else f"{key}.{name}"] = _text(item)
    return fields


def _reading_data(key: str, fields: Mapping[str, str], before: object) -> object:
    """Return the entry of a reading; None where nothing was typed."""
    if fields.get(f"{key}.{UNMEASURED}"):
        return NOT_MEASURED
    way = fields.get(f"{key}.way", "") or "read"
    if way not in WAYS:
        way = "read"
    entry: Data = {}
    for name in WAYS[way]:
        typed = fields.get(key if name == "read" else f"{key}.{name}", "")
        if name == "read":
            typed += " " + fields.get(f"{key}.{AGAIN}", "")
        value = _lengths(typed.strip())
        if value is not None:
            entry[name] = value
    if not entry:
        return None
    for name in MORE:
        text = fields.get(f"{key}.{name}", "").strip()
        if not text:
            continue
        # A reading that was tried is not read off a scale.
        if name.endswith("_mm"):
            if way != "tried":
                entry[name] = _length(text)
        else:
            entry[name] = text
    return entry["read"] if list(entry) == ["read"] else entry


def _places_text(value: object, name: str) -> str:
    if not isinstance(value, list | tuple):
        return _text(value)
    lines = []
    for item in value:
        if not isinstance(item, Mapping):
            lines.append(_text(item))
            continue
        words = [_text(item.get("at_deg")), _text(item.get(name)), _text(item.get("with"))]
        lines.append("  ".join(word for word in words if word))
    return "\n".join(lines)


def _places_data(text: str, before: object, name: str) -> list[Data] | None:
    """Read lines of direction, distance (repeats behind it) and, if need be, an instrument."""
    old = {
        _text(item.get("at_deg")): item
        for item in (before if isinstance(before, list | tuple) else ())
        if isinstance(item, Mapping)
    }
    found: list[Data] = []
    for line in text.splitlines():
        words = _parts(line.replace("°", " ").replace(":", " "))
        if not words:
            continue
        numbers = [word for word in words if _NUMBER.fullmatch(word)]
        tool = " ".join(word for word in words if not _NUMBER.fullmatch(word))
        kept = {
            name: item for name, item in old.get(_text(_number(words[0])), {}).items()
            if name in ("level", "note", "half_width_mm", "definition_mm")
        }  # fmt: skip
        entry: Data = {"at_deg": _number(words[0]), **kept}
        reads: Sequence[float | str] = [_length(word) for word in numbers[1:]]
        if reads:
            entry[name] = reads[0] if len(reads) == 1 else list(reads)
        if tool:
            entry["with"] = tool
        found.append(entry)
    return found or None


def _gaps_text(value: object) -> str:
    if not isinstance(value, list | tuple):
        return _text(value)
    return "\n".join(_text(each) for each in value)


def _claws_text(value: object) -> str:
    """Write every claw on a line: where it stands, then what differs in it, each by its word."""
    lines = []
    for item in value if isinstance(value, list | tuple) else ():
        if not isinstance(item, Mapping):
            continue
        words = [_text(item.get("at_deg"))]
        for word, name in CLAW_WORDS.items():
            if name in item:
                plain = not isinstance(item[name], Mapping | str)
                words.append(f"{word} {_text(item[name]) if plain else UNCHANGED}")
        words += [flag for flag in CLAW_FLAGS if item.get(flag) is True]
        lines.append("  ".join(words))
    return "\n".join(lines)


def _claws_data(text: str, before: object) -> list[Data] | None:
    """Read lines of claws; what a line cannot hold comes from the claw that stood there before."""
    old = {
        _text(item.get("at_deg")): item
        for item in (before if isinstance(before, list | tuple) else ())
        if isinstance(item, Mapping)
    }
    found: list[Data] = []
    for line in text.splitlines():
        words = _parts(line.replace("°", " ").replace(":", " "))
        if not words:
            continue
        claw: Data = {"at_deg": _number(words[0])}
        known = old.get(_text(claw["at_deg"]), {})
        name = ""
        for word in words[1:]:
            if word in CLAW_WORDS:
                name = CLAW_WORDS[word]
            elif word in CLAW_FLAGS:
                claw[word], name = True, ""
            elif not name:
                claw[word[:40]] = True  # the reader says that there is no such word
            elif word == UNCHANGED:
                if name in known:
                    claw[name] = known[name]
            elif name in claw and name != "lean_deg":
                several = claw[name] if isinstance(claw[name], list) else [claw[name]]
                claw[name] = [*several, _length(word)]
            else:
                claw[name] = _length(word)
        found.append(claw)
    return found or None


def _numbers_under(table: str, fields: Mapping[str, str], before: Any) -> Any:
    """Read a table of one number a name; a field that was not touched stays as it was written."""
    head = f"{table}."
    if not any(key.startswith(head) for key in fields):
        return before
    if before is not None and not isinstance(before, Mapping):
        return before  # no table: the reader says so
    old = before or {}
    given: Iterable[tuple[str, str]] = (
        (key.removeprefix(head), text.strip()) for key, text in fields.items()
        if key.startswith(head)
    )  # fmt: skip
    found = {
        name: old[name] if name in old and text == _text(old[name]) else _number(text)
        for name, text in given if text
    }  # fmt: skip
    return dict(list(found.items())[:MOST_ALLOWANCES]) or None
