"""TOML that is changed with its comments, order and spelling kept, and TOML that is written anew.

A value that is there is changed by tomlkit, in its place. A new key goes behind the last of those
that usually stand before it. After every edit the text is read again by the strict parser and held
against what was asked for, so no slip of an edit reaches a file.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from copy import deepcopy
from itertools import pairwise
from typing import Any

import tomli

from fitsolver.errors import FitsolverError
from fitsolver.files.document import parse_toml

KeyPath = tuple[str | int, ...]
"""Keys and indices from the top of a file: ("seat", "opening_radii_mm", 3, "read")."""

_PART = re.compile(r"""(?:^|\.)(?:"([^"]+)"|([^.\[\]"]+))|\[(\d+)\]""")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
INDENT = "    "


def path_of(key: str) -> KeyPath:
    """Split a dotted key.

    >>> path_of("seat.opening_radii_mm[3].read")
    ('seat', 'opening_radii_mm', 3, 'read')
    """
    parts: list[str | int] = []
    at = 0
    while at < len(key):
        found = _PART.match(key, at)
        if found is None or found.end() == at:
            break
        quoted, bare, index = found.groups()
        parts.append(int(index) if index is not None else quoted or bare)
        at = found.end()
    if at < len(key) or not parts or isinstance(parts[0], int):
        raise FitsolverError(f"{key!r} is no key of a file; write it as seat.ledge_width_mm")
    return tuple(parts)


def value_text(value: Any) -> str:
    """Write a value on one line; a list of tables has one line each.

    Raises `FitsolverError` for what TOML has no form for.

    >>> value_text({"read": [7.9, "7,90"], "level": "rim"})
    '{ read = [7.9, "7,90"], level = "rim" }'
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    if isinstance(value, Mapping):
        if not value:
            return "{}"
        inside = ", ".join(f"{_key(key)} = {value_text(item)}" for key, item in value.items())
        return f"{{ {inside} }}"
    if isinstance(value, list | tuple):
        items = [value_text(item) for item in value]
        if items and all(isinstance(item, Mapping) for item in value):
            return "[\n" + "".join(f"{INDENT}{item},\n" for item in items) + "]"
        return f"[{', '.join(items)}]"
    try:
        return str(tomlkit.item(value).as_string())
    except (TOMLKitError, ValueError) as error:
        raise FitsolverError(f"{value!r} cannot be written into a file") from error


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else value_text(name)


def _heading(parts: Sequence[str]) -> str:
    return f"[{'.'.join(map(_key, parts))}]"


def toml_text(data: Mapping[str, Any], *, order: Sequence[str], headed: Collection[str]) -> str:
    """Write plain data as a new file.

    Parameters
    ----------
    data : mapping
        What stands in the file.
    order : sequence of str
        Dotted keys in the order in which they are to stand; others come behind.
    headed : collection of str
        Dotted keys of tables, and of lists of tables, with headings of their own; a star stands
        for any last part. All others are written on a line.

    """
    blocks = _blocks((), data, order, headed)
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _blocks(
    parts: tuple[str, ...], table: Mapping[str, Any], order: Sequence[str], headed: Collection[str]
) -> Iterator[list[str]]:
    """Lines of a table, then of those with headings within it."""
    rank = {key: k for k, key in enumerate(order)}
    names = sorted(table, key=lambda name: rank.get(".".join((*parts, name)), len(rank)))
    within = [name for name in names if _has_heading((*parts, name), table[name], headed)]
    own = [f"{_key(name)} = {value_text(table[name])}" for name in names if name not in within]
    if own or not within:
        yield [*([_heading(parts)] if parts else []), *own]
    for name in within:
        below = (*parts, name)
        if isinstance(table[name], Mapping):
            yield from _blocks(below, table[name], order, headed)
        else:
            for row in table[name]:
                lines = (f"{_key(key)} = {value_text(item)}" for key, item in row.items())
                yield [f"[{_heading(below)}]", *lines]


def _has_heading(path: Sequence[str | int], value: object, headed: Collection[str]) -> bool:
    parts = [str(part) for part in path]
    named = ".".join(parts) in headed or ".".join([*parts[:-1], "*"]) in headed
    rows = isinstance(value, list | tuple) and value and all(
        isinstance(row, Mapping) for row in value
    )  # fmt: skip
    return named and (isinstance(value, Mapping) or bool(rows))


def edited(
    text: str,
    changes: Mapping[str, Any],
    *,
    name: str,
    order: Sequence[str] = (),
    headed: Collection[str] = (),
) -> str:
    """Change, add or remove entries of a TOML text; everything else keeps its bytes.

    Parameters
    ----------
    text : str
        A TOML file.
    changes : mapping of str to value
        By dotted key, in this order; None removes. An index one past the end of a list adds to it.
    name : str
        What faults call the file.
    order : sequence of str
        Dotted keys in their usual order, for where a new one goes.
    headed : collection of str
        Keys of new tables that get a heading, as for `toml_text`.

    Raises
    ------
    InputFaults
        If the text is no TOML.
    FitsolverError
        For a key that is none, an index beyond a list, a value that TOML has no form for.

    """
    newline = "\r\n" if "\r\n" in text else "\n"
    for key, value in changes.items():
        path = path_of(key)
        before = parse_toml(text, name=name).data
        wanted = _applied(before, path, value, key)
        if wanted == before:
            continue
        for step in _steps(text, path, value):
            text = _one(text, *step, order=order, headed=headed, newline=newline)
        if _pruned(tomli.loads(text)) != _pruned(wanted):
            raise FitsolverError(f"{name}: {key} cannot be changed in place; edit it by hand")
    return text


def _plain(value: Any) -> Any:
    """Return a value as the parser would read it back."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value


def _applied(data: Mapping[str, Any], path: KeyPath, value: Any, key: str) -> dict[str, Any]:
    """Return plain data with one change made."""
    wanted: dict[str, Any] = deepcopy(dict(data))
    here: Any = wanted
    for part, following in pairwise(path):
        if isinstance(here, dict) and part not in here and isinstance(following, str):
            if value is None:
                return wanted
            here[part] = {}
        _inside(here, part, key)
        here = here[part]
    last = path[-1]
    if value is None:
        if isinstance(here, dict):
            here.pop(last, None)
        else:
            _inside(here, last, key)
            del here[last]
    elif isinstance(here, list) and last == len(here):
        here.append(_plain(value))
    else:
        if not isinstance(here, dict):
            _inside(here, last, key)
        here[last] = _plain(value)
    return wanted


def _inside(here: Any, part: str | int, key: str) -> None:
    if not ((isinstance(here, dict) and part in here) or _within(here, part)):
        raise FitsolverError(f"{key!r} leads nowhere: there is no {part!r} in the file")


def _pruned(data: Mapping[str, Any]) -> dict[str, Any]:
    """Leave out empty tables: one that only held other tables goes with the last of them."""
    kept = {key: _pruned(item) if isinstance(item, dict) else item for key, item in data.items()}
    return {key: item for key, item in kept.items() if item != {}}


def _steps(text: str, path: KeyPath, value: Any) -> Iterator[tuple[KeyPath, Any]]:
    """Split a change of a table into changes of its entries, which keeps its comments.

    A table on one line whose keys are others (a reading taken in another way) is written anew.
    """
    import tomlkit
    from tomlkit.items import InlineTable

    here: Any = tomlkit.parse(text)
    for part in path:
        inside = part in here if isinstance(here, Mapping) else _within(here, part)
        here = here[part] if inside else None
        if here is None:
            break
    yield from _entries(here, path, value, InlineTable)


def _entries(here: Any, path: KeyPath, value: Any, inline: Any) -> Iterator[tuple[KeyPath, Any]]:
    both = isinstance(here, Mapping) and here and isinstance(value, Mapping) and value
    if not both or (isinstance(here, inline) and set(here.keys()) != set(value.keys())):
        yield path, value
        return
    for gone in [name for name in here if name not in value]:
        yield (*path, gone), None
    for name, item in value.items():
        held = here.get(name)
        if held is None or _plain(item) != held.unwrap():
            yield from _entries(held, (*path, name), item, inline)


def _within(here: Any, part: str | int) -> bool:
    return isinstance(here, list) and isinstance(part, int) and part < len(here)


def _one(
    text: str,
    path: KeyPath,
    value: Any,
    *,
    order: Sequence[str],
    headed: Collection[str],
    newline: str,
) -> str:
    import tomlkit
    from tomlkit.items import AoT, InlineTable, Table

    document = tomlkit.parse(text)
    here: Any = document
    for k, part in enumerate(path[:-1]):
        if isinstance(here, Mapping) and part not in here:
            nested = _nested(path[k + 1 :], value)
            return _one(text, path[: k + 1], nested, order=order, headed=headed, newline=newline)
        here = here[part]
    last = path[-1]
    if value is None:
        del here[last]
        return tomlkit.dumps(document)
    if isinstance(here, AoT):
        table = tomlkit.table()
        for name, item in value.items():
            table[name] = tomlkit.value(value_text(item))
        if last == len(here):
            here.append(table)
        else:
            here[int(last)] = table
        return tomlkit.dumps(document)
    if isinstance(here, Mapping) and last not in here:
        if _has_heading(path, value, headed):
            parts = tuple(str(part) for part in path[:-1])
            block = _blocks(parts, {str(last): value}, order, headed)
            new = "\n".join("\n".join(["", *lines, ""]) for lines in block)
            return text + ("" if text.endswith("\n") else newline) + new.replace("\n", newline)
        if not isinstance(here, InlineTable):
            placed = _inserted(text, path, value, order, newline)
            if placed is not None:
                return placed
    item = tomlkit.value(value_text(value).replace("\n", newline))
    if isinstance(here, list) and last == len(here):
        here.append(item)
    elif isinstance(here, dict) and isinstance(here.get(last), Table):
        del here[last]  # a table with a heading gives way to a value
        here[last] = item
    else:
        here[last] = item
    return tomlkit.dumps(document)


def _nested(path: KeyPath, value: Any) -> Any:
    for part in reversed(path):
        value = {part: value}
    return value


def _inserted(
    text: str, path: KeyPath, value: Any, order: Sequence[str], newline: str
) -> str | None:
    """Insert a new line behind the key that usually stands before it; None if there is no place."""
    base = [str(part) for part in path[:-1]]
    if len(base) > 1:
        return None
    document = parse_toml(text, name="")
    table: Any = document.data
    for part in base:
        table = table[part]
    prefix = "".join(f"{part}." for part in base)
    wanted = f"{prefix}{path[-1]}"
    before = list(order[: order.index(wanted)]) if wanted in order else []
    lines = text.splitlines(keepends=True)
    anchor = 0
    for name, item in table.items():
        key = f"{prefix}{name}"
        if key not in document.lines or (key not in before and wanted in order):
            continue
        start = document.lines[key] - 1
        end = _end_of(lines, start)
        # A table with a heading is no entry to stand behind.
        if end is not None and not (not base and isinstance(item, dict) and _headed(lines[start])):
            anchor = max(anchor, end)
    if not anchor and base:
        start = document.lines.get(base[0], 0) - 1
        if start < 0 or not _headed(lines[start]):
            return None
        anchor = start + 1
    if anchor and not lines[anchor - 1].endswith("\n"):
        lines[anchor - 1] += newline
    entry = f"{_key(str(path[-1]))} = {value_text(value)}\n".replace("\n", newline)
    return "".join([*lines[:anchor], entry, *lines[anchor:]])


def _headed(line: str) -> bool:
    return line.lstrip().startswith("[")


def _end_of(lines: Sequence[str], start: int) -> int | None:
    """Return the line behind the entry that begins on a line: the first at which it is complete."""
    for end in range(start + 1, len(lines) + 1):
        try:
            tomli.loads("".join(lines[start:end]))
        except ValueError:
            continue
        return end
    return None
