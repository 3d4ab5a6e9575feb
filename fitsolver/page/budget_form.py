"""The budget of a mounting as fields of its form: rows of costs, rows of prices as quoted.

As in `seat_form` a field keeps what was typed, and the strict reader alone says what it means. A
row that was emptied leaves the file; a row that was not touched stays as it was written.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Collection, Iterator, Mapping, Sequence, Sized
from difflib import SequenceMatcher
from typing import Any, TypeVar

Fields = dict[str, str]
Data = dict[str, Any]
Item = TypeVar("Item")

PREFIX = "budget."
PLAIN = ("currency", "currency_stands", "total")
COST = ("name", "amount")
BRACKET = ("from_ct", "to_ct", "low", "high", "cut", "note", "quoted_by", "quoted_on")
LISTS: Mapping[str, tuple[str, ...]] = {"costs": COST, "brackets": BRACKET}
# Empty rows that the form offers behind those that are filled.
OFFERED = 2
MOST_ROWS = 60
"""Longer lists have no fields: they stay as the file has them."""
UNNAMED = "cost"

_ROW = re.compile(r"budget\.(costs|brackets)\.(\d{1,2})\.(\w+)")
# What a float keeps as it was typed; all else stays text, and the reader says what it may mean.
_NUMBER = re.compile(r"\d{1,9}(?:\.\d{1,2})?")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


def budget_fields(budget: object) -> Fields:
    """Write the table [budget] of a file into fields."""
    if not isinstance(budget, Mapping):
        return {}
    fields = {f"{PREFIX}{name}": _text(budget.get(name)) for name in PLAIN}
    costs = budget.get("costs")
    for k, (name, amount) in enumerate(_short(costs.items() if isinstance(costs, Mapping) else ())):
        fields |= {_name("costs", k, "name"): str(name), _name("costs", k, "amount"): _text(amount)}
    for k, row in enumerate(_short(_rows_of(budget))):
        fields |= {_name("brackets", k, part): text for part, text in _bracket_fields(row).items()}
    return fields


def budget_data(fields: Mapping[str, str], before: object) -> Any:
    """Write the fields over the table [budget]; None if nothing is left of it."""
    typed_any = any(text.strip() for name, text in fields.items() if name.startswith(PREFIX))
    if not any(name.startswith(PREFIX) for name in fields):
        return before
    if before is not None and not isinstance(before, Mapping) and not typed_any:
        return before  # no table: the reader says so
    was = budget_fields(before)
    old: Mapping[str, Any] = before if isinstance(before, Mapping) else {}
    table: Data = {name: old[name] for name in old if name not in (*PLAIN, *LISTS)}
    for name in PLAIN:
        typed = fields.get(f"{PREFIX}{name}", "").strip()
        if typed == was.get(f"{PREFIX}{name}", "") and name in old:
            table[name] = old[name]
        elif typed:
            table[name] = typed if name != "total" else _number(typed)
    for kind in LISTS:
        if kind in old and (_rows(fields, kind) == _rows(was, kind) or _is_long(old[kind])):
            table[kind] = old[kind]  # untouched, or more than the form has fields for
        elif kind == "costs":
            table[kind] = _costs(fields, was, old.get(kind))
        else:
            table[kind] = [_bracket(k, fields, was, _rows_of(old)) for k in filled(fields, kind)]
    table = {
        name: value for name, value in table.items()
        if value not in ({}, []) or old.get(name) == value
    }  # fmt: skip
    ordered = {name: table[name] for name in (*old, *table) if name in table}
    # Where an amount stands is no budget by itself.
    return ordered if any(name != "currency_stands" for name in ordered) else None


def filled(fields: Mapping[str, str], kind: str) -> list[int]:
    """Rows of the form, of `kind` costs or brackets, in which something was typed."""
    found = {
        int(match[2])
        for name, text in fields.items()
        if text.strip() and (match := _ROW.fullmatch(name)) and match[1] == kind
    }
    return sorted(found)


def offered(fields: Mapping[str, str], kind: str) -> range:
    """Rows that the form shows: to the last one that is filled, and a few empty ones."""
    rows = filled(fields, kind)
    return range((rows[-1] + 1 if rows else 0) + OFFERED)


def field_names(fields: Mapping[str, str]) -> list[str]:
    """Every field of the budget that the form shows."""
    rows = [
        _name(kind, k, part)
        for kind, parts in LISTS.items()
        for k in offered(fields, kind)
        for part in parts
    ]
    return [*(f"{PREFIX}{name}" for name in PLAIN), *rows]


def field_of(key: str, budget: object) -> str:
    """The field that a fault of the strict reader belongs beside, rows counted as in the file.

    >>> field_of("budget.brackets[1].per_ct.low", {})
    'budget.brackets.1.low'
    >>> field_of("budget.costs.setting", {"costs": {"mounting": 1, "setting": 2}})
    'budget.costs.1.amount'
    """
    known = budget if isinstance(budget, Mapping) else {}
    found = re.match(r"budget\.brackets\[(\d+)\](?:\.per_ct)?(?:\.(\w+))?", key)
    if found is not None:
        part = found[2] if found[2] in BRACKET else "low" if ".per_ct" in key else "from_ct"
        return _name("brackets", int(found[1]), part)
    costs = known.get("costs")
    if key.startswith("budget.costs.") and isinstance(costs, Mapping):
        name = key.removeprefix("budget.costs.").strip('"')
        if name in costs:
            return _name("costs", list(costs).index(name), "amount")
    head = ".".join(re.split(r"[.\[]", key)[:2])
    return head if head.removeprefix(PREFIX) in (*PLAIN, *LISTS) else "budget.total"


def as_shown(key: str, fields: Mapping[str, str]) -> str:
    """Name a field by the row of the form, where empty rows stand between filled ones."""
    found = _ROW.fullmatch(key)
    if found is None:
        return key
    rows = filled(fields, found[1])
    at = int(found[2])
    return _name(found[1], rows[at], found[3]) if at < len(rows) else key


def budget_changes(old: object, new: object) -> Iterator[tuple[str, object]]:
    """Yield what to change in the file: dotted keys with new values, None for those that go.

    Rows are told apart by the weight and the cut they were quoted for, so that a row keeps its
    comments when another one goes.
    """
    if not (isinstance(old, Mapping) and isinstance(new, Mapping)):
        yield "budget", new
        return
    for name in dict.fromkeys((*old, *new)):
        if name != "brackets" and old.get(name) != new.get(name):
            yield f"{PREFIX}{name}", new.get(name)
    before, after = _rows_of(old), _rows_of(new)
    if before == after:
        return
    if not before or not after or not isinstance(old.get("brackets"), list):
        yield f"{PREFIX}brackets", after or None
        return
    kept: list[tuple[int, Mapping[str, Any]]] = []
    added: list[Mapping[str, Any]] = []
    gone: list[int] = []
    for kind, a, b, c, d in SequenceMatcher(
        None, [_mark(row) for row in before], [_mark(row) for row in after], autojunk=False
    ).get_opcodes():
        shared = min(b - a, d - c)
        if kind == "insert" and a < len(before):
            yield f"{PREFIX}brackets", after  # a row between others: no single entry to change
            return
        kept += [(a + k, after[c + k]) for k in range(shared)]
        gone += range(a + shared, b)
        added += after[c + shared : d]
    for k, row in kept:
        for name in dict.fromkeys((*before[k], *row)):
            if before[k].get(name) != row.get(name):
                yield f"{PREFIX}brackets[{k}].{name}", row.get(name)
    for k in reversed(gone):
        yield f"{PREFIX}brackets[{k}]", None
    for k, row in enumerate(added, len(before) - len(gone)):
        yield f"{PREFIX}brackets[{k}]", row


def _rows(fields: Mapping[str, str], kind: str) -> Fields:
    """What is typed in the rows of costs or brackets."""
    head = f"{PREFIX}{kind}."
    return {
        name: text.strip() for name, text in fields.items()
        if name.startswith(head) and text.strip()
    }  # fmt: skip


def _is_long(rows: object) -> bool:
    return isinstance(rows, Sized) and len(rows) > MOST_ROWS


def _short(rows: Collection[Item]) -> Collection[Item]:
    return () if _is_long(rows) else rows


def _mark(row: Mapping[str, Any]) -> tuple[str, str]:
    return _text(row.get("cut")), _text(row.get("from_ct"))


def _name(kind: str, row: int, part: str) -> str:
    return f"{PREFIX}{kind}.{row}.{part}"


def _rows_of(budget: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
    rows = budget.get("brackets")
    return [row for row in rows if isinstance(row, Mapping)] if isinstance(rows, list) else []


def _bracket_fields(row: Mapping[str, Any]) -> Fields:
    price = row.get("per_ct")
    low, high = (
        (price.get("low"), price.get("high")) if isinstance(price, Mapping) else (price, None)
    )
    values = {**row, "low": low, "high": high}
    return {part: _text(values.get(part)) for part in BRACKET}


def _bracket(
    k: int, fields: Mapping[str, str], was: Fields, before: Sequence[Mapping[str, Any]]
) -> Data:
    old: Mapping[str, Any] = before[k] if k < len(before) else {}
    typed = {part: fields.get(_name("brackets", k, part), "").strip() for part in BRACKET}
    same = {part: typed[part] == was.get(_name("brackets", k, part), "") for part in BRACKET}
    row: Data = {name: old[name] for name in old if name not in (*BRACKET, "per_ct")}
    for part in ("from_ct", "to_ct", "cut", "note", "quoted_by", "quoted_on"):
        if same[part] and part in old:
            row[part] = old[part]
        elif typed[part]:
            row[part] = _date(typed[part]) if part == "quoted_on" else (
                _number(typed[part]) if part.endswith("_ct") else typed[part]
            )  # fmt: skip
    if same["low"] and same["high"] and "per_ct" in old:
        row["per_ct"] = old["per_ct"]
    elif typed["low"] and not typed["high"]:
        row["per_ct"] = _number(typed["low"])
    elif typed["low"] or typed["high"]:
        ends = {"low": typed["low"], "high": typed["high"]}
        row["per_ct"] = {name: _number(text) for name, text in ends.items() if text}
    return {name: row[name] for name in (*old, *row) if name in row}


def _costs(fields: Mapping[str, str], was: Fields, before: object) -> Data:
    old = list(before.items()) if isinstance(before, Mapping) else []
    costs: Data = {}
    for k in filled(fields, "costs"):
        name, amount = (fields.get(_name("costs", k, part), "").strip() for part in COST)
        same = k < len(old) and amount == was.get(_name("costs", k, "amount"), "")
        name = name or UNNAMED
        number = 2
        first = name
        while name in costs:
            name, number = f"{first} ({number})", number + 1
        costs[name] = old[k][1] if same else _number(amount)
    return costs


def _number(text: str) -> float | int | str:
    """Keep a plainly written amount as a number, and any other as it was typed."""
    if not _NUMBER.fullmatch(text):
        return text
    return float(text) if "." in text else int(text)


def _date(text: str) -> datetime.date | str:
    try:
        return datetime.date.fromisoformat(text) if _DATE.fullmatch(text) else text
    except ValueError:
        return text


def _text(value: object) -> str:
    if value is None:
        return ""
    return f"{value:.12g}" if isinstance(value, float) else str(value)
