"""A TOML file that could be parsed, with the line on which every key stands."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from typing import Any

import tomli
from msgspec import Struct

from fitsolver.errors import Fault, InputFaults

MOST_KEYS = 500
"""Keys of one table."""
MOST_ENTRIES = 1_000
"""Entries of one list; of traced points `MOST_POINTS`, and their reader knows how many it takes."""
MOST_POINTS = 20_000
POINTS = "opening_points_mm"
LONGEST_LOOK = 200
"""Letters of a line in which is looked for what may have been meant."""


class Document(Struct, frozen=True, kw_only=True, dict=True):
    """A TOML file that could be parsed: its name, its data and the line of every key."""

    name: str
    data: Mapping[str, Any]
    text: str = ""

    @cached_property
    def lines(self) -> Mapping[str, int]:
        """Line of every key; looked for only when a fault asks for one."""
        return _lines_of_keys(self.text)

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


def parse_toml(text: str, *, name: str) -> Document:
    """Parse the text of a TOML file; `name` is what faults call it."""
    if not text.strip():
        raise file_fault(name, "is empty", "Start from one of the files in examples/")
    try:
        data = tomli.loads(text)
    except RecursionError as error:
        raise file_fault(name, "is nested too deeply", "Close the brackets") from error
    except ValueError as error:
        raise _syntax_fault(text, name, str(error)) from error
    document = Document(name=name, data=data, text=text)
    if fault := next(_too_much(document, data), None):
        raise InputFaults([fault])
    return document


def _too_much(document: Document, value: Any, key: str = "", depth: int = 0) -> Iterator[Fault]:
    """Yield what no hand has typed, before it is looked at one by one."""
    if isinstance(value, Mapping):
        if len(value) > MOST_KEYS:
            rule = f"holds {len(value):,} keys, more than {MOST_KEYS:,}"
            yield document.fault(key or "file", None, rule, "keep those that are readings")
            return
        for name, each in value.items():
            yield from _too_much(document, each, f"{key}.{name}" if key else name, depth + 1)
    elif isinstance(value, list):
        most = MOST_POINTS if key.endswith(POINTS) else MOST_ENTRIES
        if len(value) > most:
            rule = f"holds {len(value):,} entries, more than {most:,}"
            yield document.fault(key, None, rule, "keep those that are needed")
            return
        for number, each in enumerate(value):
            if isinstance(each, Mapping | list) or (type(each) is int and abs(each) >= 2**63):
                yield from _too_much(document, each, f"{key}[{number}]", depth + 1)
    elif type(value) is int and not -(2**63) <= value < 2**63:
        # TOML 1.0.0, Integer: what does not fit into 64 bits is an error.
        yield document.fault(key, None, "is a number of too many digits", "write it out plainly")


def file_fault(name: str, rule: str, remedy: str, *, line: int | None = None) -> InputFaults:
    """Return the error for a file that cannot be used as a whole."""
    return InputFaults(
        [Fault(file=name, line=line, key="file", value=None, rule=rule, remedy=remedy)]
    )


# In a list a comma parts two numbers; only a leading zero behind it gives the decimal comma away.
_DECIMAL_COMMA = re.compile(r"(?:=\s*[-+]?|[\[,]\s*(?=\d+,0\d))(\d+),(\d+)")
_INCHES = re.compile(r"""=\s*(\d*[.,]?\d+)\s*("|''|in\b|inch)""")


def _syntax_fault(text: str, name: str, message: str) -> InputFaults:
    """Turn the parser's message into a fault that says how to write the line instead."""
    lines = text.split("\n")
    found = re.search(r"\(at line (\d+)", message)
    line = int(found.group(1)) if found else len(lines) if "end of document" in message else None
    written = lines[line - 1].strip() if line and line <= len(lines) else ""
    # Long rows of digits would be searched again from every one of them.
    seen = written[:LONGEST_LOOK]
    comma, inches = _DECIMAL_COMMA.search(seen), _INCHES.search(seen)
    if inches:
        rule = "looks like inches"
        remedy = f"Write the length in mm without a mark, as {_mm_from_inches(inches.group(1))}"
    elif comma:
        point, quoted = ".".join(comma.groups()), ",".join(comma.groups())
        rule = "has a decimal comma outside quotes"
        remedy = f'Write {point} or "{quoted}"'
    elif "integer string conversion" in message:
        rule, remedy = "has a number of too many digits", "Write it out plainly, as 6.5"
    else:
        message = message.replace("Illegal character '\\n'", "a quote is not closed")
        rule = "is not TOML: " + re.sub(r" \(.*", "", message).lower()
        remedy = "Write one 'key = value' to a line, text in quotes, numbers plain, with a point"
    return InputFaults(
        [Fault(file=name, line=line, key="line", value=written or None, rule=rule, remedy=remedy)]
    )


def _mm_from_inches(number: str) -> str:
    return f"{float(number.replace(',', '.')) * 25.4:.2f}"


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
                lines.setdefault(table.removesuffix("[0]"), at)
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
        elif word in ("]", "}"):
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
