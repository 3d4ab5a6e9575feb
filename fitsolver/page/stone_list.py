"""The list of stones as the page edits it: a line added, a line taken out, all others untouched.

Whatever is written is read back first: what would not come back whole is not written.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence

from msgspec import Struct

from fitsolver.errors import FitsolverError

MOST_STONES = 2_000


class UnreadableList(FitsolverError):
    """A list in which nothing can be changed without losing something."""


class StoneList(Struct, frozen=True, kw_only=True):
    """A list of stones: its text, and where in it each stone stands.

    `header` and `rows` as the reader of lists has them; `spans` are the lines of each row, from
    the first to the one behind its last; `ending` is how its lines end.
    """

    lines: tuple[str, ...]
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    spans: tuple[tuple[int, int], ...]
    delimiter: str
    ending: str

    def with_stone(self, cells: Mapping[str, str], columns: Sequence[str]) -> str:
        """Return the text with one more stone; `cells` by column, `columns` of an empty list."""
        header = list(self.header or columns)
        titles = _titles(header)
        more = [name for name, text in cells.items() if text and name not in titles]
        row = tuple(cells.get(title, "") for title in [*titles, *more])
        if self.header and not more:
            text = "".join(self.lines)
            if not text.endswith(("\n", "\r")):
                text += self.ending
            return self._kept(text + self._written([row]), self.header, (*self.rows, row))
        for number, each in enumerate(self.rows, 1):
            if len(each) != len(header):
                raise UnreadableList(
                    f"stone {number} of the list has {len(each)} cells, the line of column names "
                    f"{len(header)}, so no column can be added; correct that line first"
                )
        wider = tuple((*each, *[""] * len(more)) for each in self.rows)
        every = ((*header, *more), *wider, row)
        return self._kept(self._written(every), every[0], every[1:])

    def without(self, number: int) -> str:
        """Return the text without a stone, by its number from 1."""
        begin, end = self.spans[number - 1]
        rest = (*self.rows[: number - 1], *self.rows[number:])
        return self._kept("".join((*self.lines[:begin], *self.lines[end:])), self.header, rest)

    def _written(self, rows: Sequence[Sequence[str]]) -> str:
        out = io.StringIO()
        csv.writer(out, delimiter=self.delimiter, lineterminator=self.ending).writerows(rows)
        return out.getvalue()

    def _kept(
        self, text: str, header: Sequence[str], rows: Sequence[tuple[str, ...]]
    ) -> str:  # fmt: skip
        back = stone_list(text)
        if (back.header, back.rows) != (tuple(header), tuple(rows)):
            raise UnreadableList(
                "the list would not come back whole, and stays as it is; look for a stray "
                "quotation mark in it"
            )
        return text


def stone_list(text: str) -> StoneList:
    """Read a list as the comparison does; raises `UnreadableList` where it cannot.

    >>> found = stone_list("cut;width_mm\\r\\nround;6,5\\r\\n")
    >>> found.with_stone({"cut": "pear", "width_mm": "5"}, ())
    'cut;width_mm\\r\\nround;6,5\\r\\npear;5\\r\\n'
    """
    lines = tuple(io.StringIO(text, newline=""))
    first = lines[0] if lines else ""
    delimiter = ";" if not text.strip() or first.count(";") > first.count(",") else ","
    ending = next((end for end in ("\r\n", "\n", "\r") if first.endswith(end)), "\n")
    reader = csv.reader(lines, delimiter=delimiter)
    header: tuple[str, ...] = ()
    rows, spans = [], []
    begin = 0
    try:
        for number, cells in enumerate(reader):
            if number == 0:
                header = tuple(cells)
            elif any(cell.strip() for cell in cells):
                rows.append(tuple(cells))
                spans.append((begin, reader.line_num))
            begin = reader.line_num
    except csv.Error as error:
        raise UnreadableList(
            f"the list is not a table from line {begin + 1} on ({error}), and stays as it is; look "
            "for a stray quotation mark"
        ) from error
    if text.strip() and not any(cell.strip() for cell in header):
        raise UnreadableList("the list must begin with a line of column names")
    return StoneList(
        lines=lines if text.strip() else (),
        header=header if text.strip() else (),
        rows=tuple(rows),
        spans=tuple(spans),
        delimiter=delimiter,
        ending=ending,
    )


def names_of(listed: StoneList) -> list[str]:
    """What the stones of a list are called, as the reader of lists calls them."""
    from fitsolver.market.candidate import NAMES

    titles = _titles(listed.header)
    places = [titles.index(name) for name in NAMES if name in titles]
    return [
        next((row[k].strip() for k in places if k < len(row) and row[k].strip()), f"row {number}")
        for number, row in enumerate(listed.rows, 1)
    ]


def _titles(header: Sequence[str]) -> list[str]:
    from fitsolver.weighing.stone_table import title_of

    return [title_of(text) for text in header]
