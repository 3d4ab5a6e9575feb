"""What a drawing is made of: strokes, areas, hatch lines, dimensions and labels, in millimetres.

A drawing says where things are and what they stand for; how thick or dark a role is drawn is the
painter's business. Lengths are true millimetres of the piece (+x right, +y up). Text and pens do
not grow with the piece, so they are stated in *pens*: a pen is the size of one pixel when the
sheet is as wide as a phone, 390 of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

Role = Literal[
    "metal", "beyond", "stone", "facet", "opening", "hidden", "datum", "ground", "dimension",
    "gap", "conflict", "break", "frame", "scale",
]  # fmt: skip
Fill = Literal["metal", "stone", "paper", "scale"]
Across = Literal["left", "centre", "right"]
Up = Literal["bottom", "middle", "top"]

SHEET_PENS = 390.0
TEXT_PENS = 11.5
LINE_SPACING = 1.25

# Advance widths of DejaVu Sans in thousandths of its size; its bold is wider by a seventh.
_ADVANCES = {
    295: "ijlIJ'", 320: " ,.·", 337: "/:;\\|", 361: "f-", 392: "()[]t", 411: "r!", 460: '"',
    500: "*_°–", 531: "sz?", 557: "cL", 579: "Fk", 603: "vxyP", 616: "TYoae",
    636: "EhnuSbdgpq$0123456789{}", 698: "KAVXZBRC", 752: "UNH", 787: "DGOQ&",
    838: "w#+<=>^~×±≥≤→", 863: "M", 950: "%", 974: "m", 1000: "W@—",
}  # fmt: skip
_ADVANCE = {letter: size / 1000 for size, letters in _ADVANCES.items() for letter in letters}
_BOLD = 1.15


class Stroke(Struct, frozen=True, kw_only=True, eq=False):
    """A line through `points` (n, 2), or round them if `closed`; `assumed`: nobody measured it."""

    points: Array
    role: Role
    closed: bool = False
    assumed: bool = False


class Area(Struct, frozen=True, kw_only=True, eq=False):
    """A filled figure without an outline: `rings`, each (n, 2), every second one a hole."""

    rings: tuple[Array, ...]
    fill: Fill


class Lines(Struct, frozen=True, kw_only=True, eq=False):
    """Many separate thin lines, `segments` (m, 2, 2): the hatch of an area, the facet edges."""

    segments: Array
    role: Role


class Dimension(Struct, frozen=True, kw_only=True, eq=False):
    """A dimension line between two points; its number is a label of its own.

    Ticks mark the ends, or arrows from outside where `outside`, with tails of that many pens.
    """

    start: Array
    stop: Array
    outside: float = 0.0


class Arrow(Struct, frozen=True, kw_only=True, eq=False):
    """A stroke through `points` (n, 2) with an arrowhead at its last point."""

    points: Array
    role: Role


class Label(Struct, frozen=True, kw_only=True, eq=False):
    """A text of one or more lines: where it is held, its size in pens, whether bold or upright."""

    at: Array
    text: str
    size: float = TEXT_PENS
    bold: bool = False
    across: Across = "centre"
    up: Up = "middle"
    upright: bool = False

    def box(self, pen_mm: float) -> Array:
        """Return the lower left and upper right corner that the text covers, (2, 2) [mm]."""
        width = max(text_pens(line, self.size, bold=self.bold) for line in self.text.split("\n"))
        height = self.size * (LINE_SPACING * self.text.count("\n") + 1.0)
        left = {"left": 0.0, "centre": width / 2, "right": width}[self.across]
        low = {"bottom": 0.0, "middle": height / 2, "top": height}[self.up]
        corners = np.array([[-left, -low], [width - left, height - low]])
        if self.upright:  # a quarter turn to the left
            corners = np.array([[-corners[1, 1], corners[0, 0]], [-corners[0, 1], corners[1, 0]]])
        box: Array = self.at + corners * pen_mm
        return box


Item = Stroke | Area | Lines | Dimension | Arrow | Label


class Drawing(Struct, frozen=True, kw_only=True, eq=False):
    """A finished sheet: its size and pen [mm], its items, and in words what it shows."""

    width_mm: float
    height_mm: float
    pen_mm: float
    items: tuple[Item, ...]
    title: str
    description: str

    @property
    def texts(self) -> tuple[str, ...]:
        """Everything that is written on the sheet."""
        return tuple(item.text for item in self.items if isinstance(item, Label))


def text_pens(text: str, size: float = TEXT_PENS, *, bold: bool = False) -> float:
    """Width of one line of text, in pens; never less than the true one, at most 8 % more."""
    return size * (_BOLD if bold else 1.0) * sum(_ADVANCE.get(letter, 0.8) for letter in text)


def wrapped(
    text: str, pens: float, size: float = TEXT_PENS, *, bold: bool = False, most: int = 0
) -> str:
    """Break a text into lines no wider than `pens`; with `most`, cut it after so many lines."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_pens(longer, size, bold=bold) <= pens:
            lines[-1] = longer
        else:
            lines.append(word)
    if most and len(lines) > most:
        lines = [*lines[: most - 1], f"{lines[most - 1]} ..."]
    for row, line in enumerate(lines):
        if text_pens(line, size, bold=bold) > pens:
            kept = line.removesuffix(" ...")
            while kept and text_pens(f"{kept}...", size, bold=bold) > pens:
                kept = kept[:-1]
            lines[row] = f"{kept.rstrip()}..."
    return "\n".join(lines)


def moved(item: Item, by: Sequence[float]) -> Item:
    """Return the item shifted by (dx, dy) [mm]."""
    step = np.asarray(by, dtype=np.float64)
    if isinstance(item, Stroke | Arrow):
        return replace(item, points=item.points + step)
    if isinstance(item, Area):
        return replace(item, rings=tuple(ring + step for ring in item.rings))
    if isinstance(item, Lines):
        return replace(item, segments=item.segments + step)
    if isinstance(item, Dimension):
        return replace(item, start=item.start + step, stop=item.stop + step)
    return replace(item, at=item.at + step)


def corners(items: Iterable[Item], pen_mm: float) -> Array:
    """Return the lower left and upper right corner of all items, texts included, (2, 2) [mm]."""
    points = []
    for item in items:
        if isinstance(item, Stroke | Arrow):
            points.append(item.points)
        elif isinstance(item, Area):
            points.extend(item.rings)
        elif isinstance(item, Lines):
            points.append(item.segments.reshape(-1, 2))
        elif isinstance(item, Dimension):
            points.append(np.array([item.start, item.stop]))
        else:
            points.append(item.box(pen_mm))
    every = np.concatenate(points)
    return np.array([every.min(axis=0), every.max(axis=0)])


class Board(
    Struct,
):
    """Where a view is put together: the size of a pen [mm], and a list of items that grows."""

    pen: float
    items: list[Item] = field(default_factory=list)

    def stroke(
        self, points: ArrayLike, role: Role, *, closed: bool = False, assumed: bool = False
    ) -> None:
        """Draw a line through points (n, 2)."""
        line = np.asarray(points, dtype=np.float64)
        self.items.append(Stroke(points=line, role=role, closed=closed, assumed=assumed))

    def area(self, rings: Iterable[Array], fill: Fill) -> None:
        """Fill a figure."""
        self.items.append(Area(rings=tuple(rings), fill=fill))

    def hatch(self, rings: Sequence[Array], *, within: Array | None = None) -> None:
        """Hatch metal; with `within`, cross-hatch what of it lies inside another figure."""
        if within is None:
            self.lines(hatch(rings, 45.0, 5.0 * self.pen), "metal")
        else:
            self.lines(hatch(rings, -45.0, 2.5 * self.pen, within=[within]), "conflict")

    def lines(self, segments: Array, role: Role) -> None:
        """Draw many separate lines (m, 2, 2)."""
        if len(segments):
            self.items.append(Lines(segments=segments, role=role))

    def dimension(self, start: ArrayLike, stop: ArrayLike, *, outside: float = 0.0) -> None:
        """Draw a dimension line."""
        ends = np.asarray(start, dtype=np.float64), np.asarray(stop, dtype=np.float64)
        self.items.append(Dimension(start=ends[0], stop=ends[1], outside=outside))

    def arrow(self, points: ArrayLike, role: Role = "dimension") -> None:
        """Draw a line that ends in an arrow."""
        self.items.append(Arrow(points=np.asarray(points, dtype=np.float64), role=role))

    def label(
        self,
        at: ArrayLike,
        text: str,
        *,
        size: float = TEXT_PENS,
        bold: bool = False,
        across: Across = "centre",
        up: Up = "middle",
        upright: bool = False,
        clear: bool = False,
    ) -> Label:
        """Write a text; if it is to be `clear`, as far down as keeps it off all other texts."""
        item = Label(
            at=np.asarray(at, dtype=np.float64),
            text=text,
            size=size,
            bold=bold,
            across=across,
            up=up,
            upright=upright,
        )
        while clear and not self.is_free(item, margin=1.0):
            item = replace(item, at=item.at - (0.0, 2 * self.pen))
        self.items.append(item)
        return item

    def is_free(self, label: Label, margin: float = 3.0) -> bool:
        """Whether a label keeps that many pens clear of all other labels."""
        low, high = label.box(self.pen)
        room = margin * self.pen
        others = (item.box(self.pen) for item in self.items if isinstance(item, Label))
        return not any(
            bool((low < other[1] + room).all() and (other[0] - room < high).all())
            for other in others
        )

    def take(self, items: Iterable[Item], by: Sequence[float] = (0.0, 0.0)) -> None:
        """Take over the items of another view, shifted."""
        self.items.extend(moved(item, by) for item in items)

    @property
    def low(self) -> float:
        """Height of the lowest thing drawn; 0 on an empty board [mm]."""
        return float(self.corners()[0, 1]) if self.items else 0.0

    def corners(self) -> Array:
        """Return the lower left and upper right corner of all that is drawn, (2, 2) [mm]."""
        return corners(self.items, self.pen)

    def sheet(self, title: str, description: str, pens: float = SHEET_PENS) -> Drawing:
        """Finish a sheet of `pens` across whose items hang from y = 0 downwards."""
        low = self.low - 8 * self.pen
        return Drawing(
            width_mm=pens * self.pen,
            height_mm=-low,
            pen_mm=self.pen,
            items=tuple(moved(item, (0.0, -low)) for item in self.items),
            title=title,
            description=description,
        )


def hatch(
    rings: Sequence[Array], angle_deg: float, spacing: float, within: Sequence[Array] | None = None
) -> Array:
    """Return parallel segments (m, 2, 2) that fill a figure, of even-odd rings (n, 2).

    With `within`, only where both figures are. Lines stand at whole multiples of the spacing from
    the origin, so that neighbouring parts are hatched through.
    """
    turn = np.deg2rad(angle_deg)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    level = np.concatenate([ring @ across for ring in rings])
    first, last = np.ceil(level.min() / spacing), np.floor(level.max() / spacing)
    heights = np.arange(first, last + 1) * spacing
    line, begin, end = _spans(rings, along, across, heights)
    if within is not None:
        other, start, stop = _spans(within, along, across, heights)
        i, j = np.nonzero(line[:, None] == other)
        line, begin, end = line[i], np.maximum(begin[i], start[j]), np.minimum(end[i], stop[j])
        both = begin < end
        line, begin, end = line[both], begin[both], end[both]
    foot = heights[line, None] * across
    return np.stack([begin[:, None] * along + foot, end[:, None] * along + foot], axis=1)


def _spans(
    rings: Sequence[Array], along: Array, across: Array, heights: Array
) -> tuple[NDArray[np.intp], Array, Array]:
    """Stretches of hatch lines inside the even-odd figure: number of the line, begin, end (m,)."""
    lines, crossings = [], []
    for ring in rings:
        x, y = ring @ along, ring @ across - heights[:, None]
        x_next, y_next = np.roll(x, -1), np.roll(y, -1, axis=1)
        line, k = np.nonzero((y < 0) != (y_next < 0))
        here, there = y[line, k], y_next[line, k]
        lines.append(line)
        crossings.append(x[k] + (x_next[k] - x[k]) * here / (here - there))
    line, crossing = np.concatenate(lines), np.concatenate(crossings)
    order = np.lexsort((crossing, line))
    return line[order][::2], crossing[order][::2], crossing[order][1::2]


def spread(wanted: Sequence[float], apart: float) -> list[float]:
    """Shift heights as little as needed to stand `apart` from each other, order kept.

    Neighbours that are too close form a group, centred where its members wanted to be.
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    groups: list[list[int]] = []
    middle: list[float] = []

    def low(k: int) -> float:
        return middle[k] - apart * (len(groups[k]) - 1) / 2

    for i in order:
        groups.append([i])
        middle.append(wanted[i])
        while len(groups) > 1 and low(-1) < low(-2) + apart * len(groups[-2]) - 1e-12:
            groups[-2:] = [groups[-2] + groups[-1]]
            middle[-2:] = [float(np.mean([wanted[j] for j in groups[-1]]))]
    placed = [0.0] * len(wanted)
    for k, group in enumerate(groups):
        for rank, i in enumerate(group):
            placed[i] = low(k) + apart * rank
    return placed


def zigzag(ends: ArrayLike, size: float) -> Array:
    """Return a break line over two ends: straight, with one zigzag of the given size in it."""
    a, b = np.asarray(ends, dtype=np.float64)
    way = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    aside, middle = np.array([-way[1], way[0]]), (a + b) / 2
    step = size / 2
    return np.array(
        [
            a - way * size,
            middle - way * step,
            middle - way * step / 2 + aside * size,
            middle + way * step / 2 - aside * size,
            middle + way * step,
            b + way * size,
        ]
    )
