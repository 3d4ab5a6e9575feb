"""Small drawings beside the fields of the seat form: what to measure, and where the jaws go.

Each shows the seat in thin lines and the one length in heavy ones, in a box of 96 x 64 units. The
metal is that of the kind of seat that was chosen; sizes are not to scale.
"""

from __future__ import annotations

import html
from collections.abc import Mapping
from functools import cache

from fitsolver.readings.mounting_key import KEYS

WIDTH, HEIGHT = 96, 64

Line = tuple[float, float, float, float]

# The left half of an upright section, by what holds and whether it is cut.
_SECTIONS: Mapping[tuple[str, str], tuple[tuple[float, float], ...]] = {
    ("wall", "cut"): ((16, 12), (24, 12), (24, 28), (34, 34), (34, 50), (16, 50)),
    ("wall", "uncut"): ((18, 12), (26, 12), (26, 50), (18, 50)),
    ("claws", "cut"): (
        (14, 6), (26, 6), (26, 18), (20, 18), (20, 27), (26, 31), (26, 46), (14, 46),
    ),
    ("claws", "uncut"): ((16, 8), (26, 8), (26, 46), (16, 46)),
}  # fmt: skip
_FLOOR = 58.0

# The measured length, by key; where the kind of seat matters, by holds and state.
_LINES: Mapping[str, Mapping[tuple[str, str], Line] | Line] = {
    "ledge_width_mm": {("wall", "cut"): (24, 40, 34, 40), ("claws", "cut"): (20, 37, 26, 37)},
    "wall_height_mm": (29, 12, 29, 28),
    "ledge_heights_mm": (29, 31, 29, 62),
    "wall_thickness_mm": {("wall", "cut"): (16, 7, 24, 7), ("wall", "uncut"): (18, 7, 26, 7)},
    "claw_thickness_mm": {("claws", "cut"): (14, 51, 26, 51), ("claws", "uncut"): (16, 51, 26, 51)},
    "claw_length_mm": {("claws", "cut"): (8, 6, 8, 27), ("claws", "uncut"): (9, 8, 9, 42)},
    "notch_height_mm": (33, 18, 33, 27),
    "gallery_depth_mm": {
        ("wall", "cut"): (44, 34, 44, 42), ("wall", "uncut"): (44, 12, 44, 42),
        ("claws", "cut"): (44, 31, 44, 42), ("claws", "uncut"): (44, 8, 44, 42),
    },
    "depth_below_ledge_mm": {("wall", "cut"): (48, 34, 48, 58), ("claws", "cut"): (48, 31, 48, 58)},
    "depth_below_rim_mm": {
        ("wall", "uncut"): (48, 12, 48, 58), ("claws", "uncut"): (48, 8, 48, 58),
    },
}  # fmt: skip
_ANGLES: Mapping[str, Mapping[tuple[str, str], tuple[str, str]]] = {
    # A reference line and an arc.
    "ledge_angle_deg": {
        ("wall", "cut"): ("M24 28H46", "M40 28A16 16 0 0 1 37.7 36.2"),
        ("claws", "cut"): ("M20 27H42", "M36 27A16 16 0 0 1 33.7 35.2"),
    },
    "wall_lean_deg": {
        ("wall", "cut"): ("M24 28V2M24 28L31 3", "M24 6A22 22 0 0 1 30 7"),
        ("wall", "uncut"): ("M26 40V2M26 40L35 3", "M26 6A34 34 0 0 1 34 7"),
    },
    "claw_lean_deg": {
        ("claws", "cut"): ("M26 46V2M26 46L37 3", "M26 5A41 41 0 0 1 36 6.5"),
        ("claws", "uncut"): ("M26 46V2M26 46L37 3", "M26 5A41 41 0 0 1 36 6.5"),
    },
}


@cache
def pictogram(key: str, holds: str, state: str, back: str, family: str) -> str:
    """Return the drawing of a key as an <svg> element, "" where there is none."""
    key = (KEYS[key].drawn_as if key in KEYS else "") or key
    if (
        key
        in (
            "ledge_missing_deg",
            "claw_directions_deg",
            "opening_radii_mm",
            "claw_width_mm",
            "irregularity_mm",
        )
        or (key.startswith("opening_"))
        or key in ("gallery_length_mm", "gallery_width_mm")
    ):
        inner = _plan(key, holds, family)
    elif key == "finger_diameter_mm":
        inner = (
            '<circle class="p-line" cx="48" cy="38" r="24"/><circle class="p-line" cx="48" cy="38" '
            'r="20"/><path class="p-metal" d="M40 15L42 6H54L56 15Z"/>' + _dim(28, 38, 68, 38)
        )
    else:
        inner = _section(key, holds, state, back)
    if not inner:
        return ""
    return (
        f'<svg class="pictogram" viewBox="0 0 {WIDTH} {HEIGHT}" aria-hidden="true" '
        f'focusable="false">{inner}</svg>'
    )


@cache
def outline_picture(family: str, ratio: float = 0.0) -> str:
    """Return an outline by itself, for choosing and listing, as an <svg> element."""
    path = _outline(family, 23.0, ratio)
    return (
        '<svg class="outline" viewBox="0 0 96 64" aria-hidden="true" focusable="false">'
        f'<path class="p-axis" d="M4 32H92M48 2V62"/><path class="p-stone" d="{path}"/></svg>'
    )


def _section(key: str, holds: str, state: str, back: str) -> str:
    kind = (holds if holds in ("wall", "claws") else "wall", state if state else "cut")
    if kind not in _SECTIONS:
        return ""
    half = _SECTIONS[kind]
    parts = []
    for mirrored in (False, True):
        points = "L".join(f"{WIDTH - x if mirrored else x:g} {y:g}" for x, y in half)
        parts.append(f'<path class="p-metal" d="M{points}Z"/>')
    if key == "gallery_depth_mm":
        parts.append('<path class="p-metal" d="M26 42H36V47H26ZM70 42H60V47H70Z"/>')
    if back == "closed":
        parts.append(f'<path class="p-metal" d="M16 {_FLOOR:g}H80V63H16Z"/>')
    else:
        parts.append('<path class="p-line" d="M12 62Q48 54 84 62"/>')
    line = _LINES.get(key)
    if isinstance(line, Mapping):
        line = line.get(kind)
    if line is not None:
        parts.append(_dim(*line))
    angle = _ANGLES.get(key, {}).get(kind)
    if angle is not None:
        parts.append(f'<path class="p-axis" d="{angle[0]}"/><path class="p-dim" d="{angle[1]}"/>')
    return "".join(parts) if line is not None or angle is not None else ""


def _plan(key: str, holds: str, family: str) -> str:
    half_width = 20.0
    ratio = 1.0 if family in ("round", "square") else 1.3
    half_length = half_width * ratio
    parts = [f'<path class="p-{"line" if holds == "claws" else "wall"}" '
             f'd="{_outline(family, half_width, 0.0)}"/>']  # fmt: skip
    left, right = 48 - half_length, 48 + half_length
    if holds == "claws":
        for sx in (-1, 1):
            for sy in (-1, 1):
                x, y = 48 + sx * half_length * 0.72, 32 + sy * half_width * 0.75
                parts.append(
                    f'<path class="p-metal" d="M{x - 4:g} {y - 4:g}h8v8h-8z" '
                    f'transform="rotate(45 {x:g} {y:g})"/>'
                )
    if key in ("opening_length_mm", "gallery_length_mm"):
        reach = 0.8 if key.startswith("gallery") else 1.0
        parts.append(_dim(48 - half_length * reach, 32, 48 + half_length * reach, 32))
    elif key in ("opening_width_mm", "gallery_width_mm"):
        reach = 0.8 if key.startswith("gallery") else 1.0
        parts.append(_dim(48, 32 - half_width * reach, 48, 32 + half_width * reach))
    elif key == "opening_diagonal_mm":
        share = 0.72
        parts.append(
            _dim(48 - half_length * share, 32 + half_width * share,
                 48 + half_length * share, 32 - half_width * share)
        )  # fmt: skip
    elif key == "opening_radii_mm":
        for dx, dy in ((1, 0), (0.66, 0.66), (0, 1), (-0.66, 0.66), (-1, 0), (0.66, -0.66),
                       (0, -1), (-0.66, -0.66)):  # fmt: skip
            x, y = 48 + dx * half_length, 32 + dy * half_width
            parts.append(f'<path class="p-dim" d="M48 32L{x:g} {y:g}"/>')
        parts.append('<circle class="p-dot" cx="48" cy="32" r="2"/>')
    elif key == "claw_directions_deg":
        x, y = 48 + half_length * 0.72, 32 - half_width * 0.75
        parts.append(
            f'<path class="p-axis" d="M48 32H{right + 12:g}M48 32L{x:g} {y:g}"/>'
            '<path class="p-dim" d="M64 32A16 16 0 0 0 60 22"/>'
        )
    elif key == "claw_width_mm":
        x, y = 48 + half_length * 0.72 + 7, 32 - half_width * 0.75 - 3
        parts.append(_dim(x - 5, y - 4, x + 1, y + 6))
    elif key == "irregularity_mm":
        parts.append(
            f'<path class="p-dim" d="M{left:g} 32C{left - 3:g} 12 38 8 48 13S{right + 3:g} 14 '
            f"{right:g} 32S62 56 48 51S{left - 2:g} 50 {left:g} 32Z"
            '"/>'
        )
    if key == "ledge_missing_deg":
        parts.append(f'<path class="p-hidden" d="{_outline(family, half_width * 0.78, 0.0)}"/>')
        parts.append('<path class="p-dim" d="M48 32L24 24M48 32L26 44M27 25A22 22 0 0 0 29 42"/>')
    if key.startswith("gallery"):
        parts.append(f'<path class="p-hidden" d="{_outline(family, half_width * 0.8, 0.0)}"/>')
    return "".join(parts)


def _outline(family: str, half_width: float, ratio: float) -> str:
    """Path of an outline family about the middle of the box."""
    from fitsolver.stones.outline import FAMILIES, draw

    name = family if family in FAMILIES else "oval"
    ratio = ratio or (1.0 if name in ("round", "square", "triangle") else 1.3)
    half_width = min(half_width, 44 / ratio)
    points = draw(name, ratio) * (2 * half_width)
    steps = "L".join(f"{48 + x:.1f} {32 - y:.1f}" for x, y in points.tolist())
    return html.escape(f"M{steps}Z")


def _dim(x0: float, y0: float, x1: float, y1: float) -> str:
    """A dimension line with a tick across each end."""
    length = max(((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5, 1e-9)
    nx, ny = -(y1 - y0) / length * 4, (x1 - x0) / length * 4
    ticks = "".join(
        f"M{x - nx:.1f} {y - ny:.1f}L{x + nx:.1f} {y + ny:.1f}" for x, y in ((x0, y0), (x1, y1))
    )
    return f'<path class="p-dim" d="M{x0:g} {y0:g}L{x1:g} {y1:g}{ticks}"/>'
