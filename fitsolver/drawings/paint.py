"""Pens and paper: puts a drawing on a matplotlib figure, and into an SVG or PNG file.

What a role means is told by line and hatch alone, so a grey print loses nothing; the few colours
(a blue and a vermilion that colour-blind eyes keep apart) only repeat it.
"""

from __future__ import annotations

import hashlib
import html
import io
import os
import re
import secrets
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.drawings.figure import (
    LINE_SPACING,
    Area,
    Arrow,
    Dimension,
    Drawing,
    Item,
    Label,
    Lines,
    Role,
    Stroke,
)
from fitsolver.errors import FitsolverError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

POINTS_TO_MM = 25.4 / 72
_PROLOGUE = b'<?xml version="1.0" encoding="utf-8"?>\n'
# A pen of a file is one point, so a sheet of 390 pens is 138 mm wide; PNG: three pixels to a pen.
PNG_PIXELS_PER_PEN = 3


class Pen(Struct, frozen=True, kw_only=True):
    """How a role is drawn: width and dashes in pens, colour, and what lies over what."""

    width: float
    colour: str = "#000000"
    dash: tuple[float, ...] = ()
    order: float = 3.0


PENS: dict[Role, Pen] = {
    "metal": Pen(width=1.1, order=3.2),
    "beyond": Pen(width=0.6, colour="#707070", order=2.0),
    "stone": Pen(width=1.5, colour="#00486f", order=3.6),
    "facet": Pen(width=0.45, colour="#2f6480", order=3.1),
    "opening": Pen(width=0.9, dash=(6, 3), order=3.3),
    "hidden": Pen(width=0.7, dash=(3, 2), order=3.3),
    "datum": Pen(width=0.6, dash=(10, 2.5, 2, 2.5), order=3.4),
    "ground": Pen(width=1.1, order=3.0),
    "dimension": Pen(width=0.6, order=3.8),
    "gap": Pen(width=0.8, order=3.9),
    "conflict": Pen(width=0.6, colour="#a33c00", order=3.5),
    "break": Pen(width=0.7, order=3.4),
    "frame": Pen(width=0.5, colour="#909090", order=1.0),
    "scale": Pen(width=0.8, order=3.0),
}
HATCH_WIDTH = 0.45
ASSUMED_DASH = (8.0, 4.0)
FILLS = {"metal": "#efe9dc", "stone": "#e3f0f7", "paper": "#ffffff", "scale": "#000000"}
FILL_ORDERS = {"metal": 1.5, "stone": 2.5, "paper": 2.6, "scale": 3.0}
TICK = 2.6
HEAD = 5.0
# Height of a text's baseline over the foot of its box, of its size.
BASELINE = 0.2


def write_drawing(drawing: Drawing, path: Path | str, *, overwrite: bool = False) -> Path:
    """Write a drawing as SVG or PNG, by the ending of the file's name, whole or not at all.

    The same drawing gives the same bytes. Raises `FitsolverError` for another ending, for a file
    that exists when `overwrite` is not given, and for a folder that cannot be written to.
    """
    target = Path(path)
    kind = target.suffix.lower().lstrip(".")
    if kind not in ("svg", "png"):
        raise FitsolverError(f"{path}: a drawing is written as .svg or .png")
    if target.is_dir():
        raise FitsolverError(f"{path} is a folder; give the name of a file")
    if target.exists() and not overwrite:
        raise FitsolverError(f"{path} exists already; choose another name or ask to overwrite it")
    content = _PROLOGUE + svg(drawing).encode() if kind == "svg" else png(drawing)
    temporary = target.with_name(f".{target.name[:200]}.{secrets.token_hex(4)}.part")
    try:
        with open(temporary, "xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, target)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise FitsolverError(f"{path} cannot be written: {reason}; check the folder") from error
    finally:
        temporary.unlink(missing_ok=True)
    return target


def png(drawing: Drawing) -> bytes:
    """Return the drawing as the bytes of a PNG picture."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = _page(drawing)
    FigureCanvasAgg(figure)
    content = io.BytesIO()
    figure.savefig(
        content,
        format="png",
        dpi=72 * PNG_PIXELS_PER_PEN,
        metadata={"Software": None, "Title": drawing.title, "Description": drawing.description},
    )
    return content.getvalue()


def svg(drawing: Drawing) -> str:
    """Return the drawing as one <svg> element that carries its title and description.

    It stands alone or inside a page: no inline styles, which a strict content security policy
    would refuse, and no names that another drawing on the page could have.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    with rc_context({"svg.hashsalt": "fitsolver", "svg.fonttype": "path"}):
        figure = _page(drawing)
        FigureCanvasSVG(figure)
        content = io.StringIO()
        figure.savefig(content, format="svg", metadata={"Date": None, "Creator": None})
    text = content.getvalue()
    text = text[text.index("<svg ") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"<style[^>]*>[^<]*</style>|\s*<!--.*?-->", "", text, flags=re.DOTALL)
    text = re.sub(r' style="([^"]*)"', lambda match: _attributes(match[1]), text)
    # A hundredth of a pen is finer than any screen.
    text = re.sub(r' d="[^"]*"', lambda match: re.sub(r"(\.\d\d)\d+", r"\1", match[0]), text)
    used = set(re.findall(r'href="#([^"]+)"', text)) | set(re.findall(r"url\(#([^)]+)\)", text))
    # A name begins with a letter.
    own = f"d{hashlib.sha256(text.encode()).hexdigest()[:8]}"
    text = re.sub(
        r' id="([^"]*)"', lambda match: f' id="{own}-{match[1]}"' if match[1] in used else "", text
    )
    text = text.replace('href="#', f'href="#{own}-').replace("url(#", f"url(#{own}-")
    head = (
        ' role="img" stroke-linejoin="round" stroke-linecap="butt">\n'
        f" <title>{html.escape(drawing.title)}</title>\n"
        f" <desc>{html.escape(drawing.description)}</desc>"
    )
    return text.replace(">", head, 1)


def _attributes(style: str) -> str:
    """Turn declarations of an inline style into attributes of the same names."""
    pairs = (part.split(":", 1) for part in style.split(";") if ":" in part)
    return "".join(f' {name.strip()}="{value.strip()}"' for name, value in pairs)


def _page(drawing: Drawing) -> Any:
    """A figure with one point to a pen, and the drawing on it."""
    from matplotlib.figure import Figure

    size = np.array([drawing.width_mm, drawing.height_mm]) / drawing.pen_mm / 72
    figure = Figure(figsize=(float(size[0]), float(size[1])), facecolor="white")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    paint(drawing, axes, 1.0)
    return figure


def paint(drawing: Drawing, axes: Axes, points_per_pen: float) -> None:
    """Put a drawing on axes that have its proportions; a pen gets `points_per_pen` points.

    The axes' limits become the sheet in millimetres.
    """
    axes.set_xlim(0.0, drawing.width_mm)
    axes.set_ylim(0.0, drawing.height_mm)
    axes.axis("off")
    painter = _Painter(axes, drawing.pen_mm, points_per_pen)
    for item in drawing.items:
        painter.put(item)


class _Painter:
    def __init__(self, axes: Axes, pen_mm: float, points: float) -> None:
        self.axes = axes
        self.mm = pen_mm
        self.points = points

    def put(self, item: Item) -> None:
        if isinstance(item, Stroke):
            points = np.vstack([item.points, item.points[:1]]) if item.closed else item.points
            self.line(points, PENS[item.role], assumed=item.assumed)
        elif isinstance(item, Area):
            self.area(item)
        elif isinstance(item, Lines):
            self.lines(item)
        elif isinstance(item, Dimension):
            self.dimension(item)
        elif isinstance(item, Arrow):
            self.line(item.points, PENS[item.role])
            self.head(item.points[-2], item.points[-1], PENS[item.role])
        else:
            self.label(item)

    def line(self, points: Array, pen: Pen, *, assumed: bool = False) -> None:
        from matplotlib.lines import Line2D

        dash = ASSUMED_DASH if assumed else pen.dash
        line = Line2D(
            points[:, 0],
            points[:, 1],
            linewidth=pen.width * self.points,
            color=pen.colour,
            zorder=pen.order,
            solid_joinstyle="round",
            clip_on=False,
        )
        if dash:
            # matplotlib counts dashes in line widths, we in pens.
            line.set_linestyle((0, tuple(part / pen.width for part in dash)))
        self.axes.add_line(line)

    def area(self, item: Area) -> None:
        from matplotlib.patches import PathPatch
        from matplotlib.path import Path as Outline

        # Winding decides what is inside, so holes run the other way round.
        rings = []
        for k, ring in enumerate(item.rings):
            x, y = ring.T
            turn = np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)
            rings.append(Outline(ring[:: 1 if (turn > 0) == (k % 2 == 0) else -1], closed=False))
        self.axes.add_patch(
            PathPatch(
                Outline.make_compound_path(*rings),
                facecolor=FILLS[item.fill],
                edgecolor="none",
                zorder=FILL_ORDERS[item.fill],
                clip_on=False,
            )
        )

    def lines(self, item: Lines) -> None:
        from matplotlib.collections import LineCollection

        pen = PENS[item.role]
        width = HATCH_WIDTH if item.role == "metal" else pen.width
        self.axes.add_collection(
            LineCollection(
                list(item.segments),
                linewidths=width * self.points,
                colors=pen.colour,
                zorder=pen.order - 0.15,
                clip_on=False,
            ),
            autolim=False,
        )

    def dimension(self, item: Dimension) -> None:
        pen = PENS["gap" if item.outside else "dimension"]
        way = item.stop - item.start
        length = float(np.hypot(*way))
        along = way / length if length > 0 else np.array([1.0, 0.0])
        if item.outside:
            tail = along * item.outside * self.mm
            for tip, sense in ((item.start, -1.0), (item.stop, 1.0)):
                self.line(np.array([tip + sense * tail, tip]), pen)
                self.head(tip + sense * tail, tip, pen)
            return
        over = along * TICK * self.mm
        self.line(np.array([item.start - over, item.stop + over]), pen)
        slant = (along + np.array([-along[1], along[0]])) * TICK * self.mm
        for end in (item.start, item.stop):
            self.line(np.array([end - slant, end + slant]), PENS["gap"])

    def head(self, tail: Array, tip: Array, pen: Pen) -> None:
        from matplotlib.patches import Polygon

        way = tip - tail
        along = way / max(float(np.hypot(*way)), 1e-12) * HEAD * self.mm
        aside = np.array([-along[1], along[0]]) * 0.3
        self.axes.add_patch(
            Polygon(
                np.array([tip, tip - along + aside, tip - along - aside]),
                closed=True,
                facecolor=pen.colour,
                edgecolor="none",
                zorder=pen.order,
                clip_on=False,
            )
        )

    def label(self, item: Label) -> None:
        from matplotlib.patches import Rectangle

        low, high = item.box(self.mm)
        # Lines that pass under a text stop short of it.
        plate = Rectangle(
            (low[0] - self.mm, low[1]),
            high[0] - low[0] + 2 * self.mm,
            high[1] - low[1],
            facecolor=FILLS["paper"],
            edgecolor="none",
            zorder=4.5,
            clip_on=False,
        )
        self.axes.add_patch(plate)
        lines = item.text.split("\n")
        size, spacing = item.size * self.mm, item.size * LINE_SPACING * self.mm
        for row, line in enumerate(reversed(lines)):
            baseline = BASELINE * size + row * spacing
            share = {"left": 0.0, "centre": 0.5, "right": 1.0}[item.across]
            if item.upright:
                at = high[0] - baseline, low[1] + share * (high[1] - low[1])
            else:
                at = low[0] + share * (high[0] - low[0]), low[1] + baseline
            self.axes.text(
                *at,
                line,
                fontfamily="DejaVu Sans",
                fontsize=item.size * self.points,
                fontweight="bold" if item.bold else "normal",
                rotation=90 if item.upright else 0,
                rotation_mode="anchor",
                horizontalalignment=item.across.replace("centre", "center"),
                verticalalignment="baseline",
                parse_math=False,
                zorder=5.0,
            )
