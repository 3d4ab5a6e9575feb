"""What each reading of a mounting says about the seat's parameters, as linear equations.

A reading is a row over the parameters, a value and a noise; what several readings share (one
caliper used in one way) is in the noise they have together.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitsolver.readings.angle import ANGLE_U_DEG, Angle
from fitsolver.readings.mounting_key import KEYS, Place
from fitsolver.readings.reading import Level, Reading, covariance_mm2
from fitsolver.seats import wave
from fitsolver.seats.mounting import Claw, Mounting
from fitsolver.seats.opening import Opening
from fitsolver.seats.parameter import FACE, Columns
from fitsolver.seats.trace_evidence import FRAME
from fitsolver.stones import outline

Array = NDArray[np.float64]

WIDTH_AS_LENGTH = Place("width as length")
AS_WIDE_AS_LONG = ("round", "square")
# What any reading has of its own beyond what it states: half a step of 0.01 mm [mm].
OWN_U_MM = 0.003
# Part of an instrument's permissible error (as variance) that its readings share, its zero and
# scale; the rest (jaw, place, pressure) is each reading's own. No publication divides it: half.
SHARED_PART = 0.5
# What points this near to a claw's middle finds its face: about half its width; common practice.
ON_CLAW_DEG = 15.0


def equations(
    mounting: Mounting, here: Array, at: Columns, directions: Array, radius: Array,
    slopes: Array, tau: float,
) -> tuple[Array, Array, Array, list[Place], list[Reading]]:  # fmt: skip
    """Linearise every reading: rows (m, d), values (m,), noise (m, m), places and readings.

    Values are shifted so that rows @ parameters predicts them.
    """
    rows: list[Array] = []
    values: list[float] = []
    readings: list[Reading] = []
    extra: list[float] = []
    labels: list[Place] = []
    strays = wave.fields(mounting, tau)

    def add(
        place: Place, reading: Reading, row: Array, predicted: float, more: float = 0.0
    ) -> None:
        rows.append(row)
        values.append(reading.value_mm - predicted + float(row @ here))
        readings.append(reading)
        extra.append(more)
        labels.append(place)

    def unit(name: str) -> Array:
        row = np.zeros(len(here))
        row[at[name]] = 1.0
        return row

    claws, faces, waves = mounting.holds == "claws", at.claws(FACE), at.waves("opening").columns
    along = np.column_stack([np.cos(directions), np.sin(directions)])
    for axis, name in ((0, "opening_length_mm"), (1, "opening_width_mm")):
        reading = getattr(mounting, name)
        if reading is None:
            continue
        row, predicted = unit(name), float(here[at[name]])
        if claws:
            # What the figure reaches at the claws counts: how far their faces stray is in the span.
            for way in np.pi / 2 * axis + np.array([0.0, np.pi]):
                row += wave.rows(at, "opening", np.array([way]))[0]
                held = _held_against(directions, way)
                row[[faces[claw] for claw in held]] += 1 / len(held)
            predicted += float((row - unit(name)) @ here)
        else:
            plain = (radius - slopes[:, waves] @ here[waves])[:, None] * along
            far, near = (_touched(plain[:, axis] * way, plain[:, 1 - axis]) for way in (1, -1))
            side = np.abs(along[[far, near], axis])
            row[waves] = side[0] * slopes[far, waves] + side[1] * slopes[near, waves]
            predicted += float(row[waves] @ here[waves])
            framed = at.all_of(FRAME)
            row[framed] = side[0] * slopes[far, framed] + side[1] * slopes[near, framed]
        ends = np.array([0.0, np.pi]) + axis * np.pi / 2
        lean_row, lean = rim_shift(mounting, reading.level, here, at, ends)
        add(Place(name), reading, row + 2 * lean_row, predicted + 2 * lean)
    if mounting.opening_diagonal_mm is not None:
        row, predicted = diagonal(mounting, here, at, directions, radius, slopes)
        lean_row, lean = rim_shift(mounting, mounting.opening_diagonal_mm.level, here, at)
        add(Place("opening_diagonal_mm"), mounting.opening_diagonal_mm, row + 2 * lean_row,
            predicted + 2 * lean)  # fmt: skip
    for (at_deg, reading), (row, predicted, more) in zip(
        mounting.opening_radii_mm, _radii(mounting, here, at, directions, tau), strict=True
    ):
        lean_row, lean = rim_shift(mounting, reading.level, here, at, np.deg2rad([at_deg]))
        add(Place("opening_radii_mm", at_deg), reading, row + lean_row, predicted + lean, more)
    for name in scalars(mounting):
        reading = getattr(mounting, name, None)
        if not isinstance(reading, Reading):
            continue
        # Read at one place not named: the waves of that field are in it.
        field = strays.get(name.removesuffix("_mm"))
        more = 0.0 if field is None else field.variance
        add(Place(name), reading, unit(name), float(here[at[name]]), more / reading.repeats)
    for label, reading, row in _by_place(mounting, at):
        add(label, reading, row, float(row @ here))
    if not readings:
        empty = np.zeros((0, len(here)))
        return empty, np.zeros(0), np.zeros((0, 0)), [], []
    together = covariance_mm2(readings)
    own = np.diag(np.diag(together))
    noise = SHARED_PART * together + (1 - SHARED_PART) * own
    noise += np.diag(extra) + OWN_U_MM**2 * np.eye(len(readings))
    alone = [
        (unit(name) - unit(name.replace("width", "length")), 0.0, tau**2 + OWN_U_MM**2,
         WIDTH_AS_LENGTH)
        for name in as_wide_as_long(mounting)
    ]  # fmt: skip
    leaning = np.deg2rad([at_deg for at_deg, _ in mounting.wall_leans_deg])
    leans = wave.rows(at, "wall_lean", leaning)
    for (at_deg, lean), row in zip(mounting.wall_leans_deg, leans, strict=True):
        row[at["wall_lean_deg"]] = 1.0
        alone.append((row, lean, ANGLE_U_DEG**2, Place("wall_leans_deg", at_deg)))
    for row, value, variance, label in alone:
        rows.append(row)
        values.append(value)
        labels.append(label)
        grown: Any = np.zeros((len(noise) + 1, len(noise) + 1))
        grown[:-1, :-1], grown[-1, -1] = noise, variance
        noise = grown
    return np.array(rows), np.array(values), noise, labels, readings


def lasting(reading: Reading) -> float:
    """Variance of a reading that taking it again would not change [mm2].

    The instrument's part that all of its readings share. What was stated for a reading alone, and
    what a worn edge leaves undefined, comes anew with another reading at another place.
    """
    return 0.0 if reading.cause is None else SHARED_PART * reading.u_systematic_mm**2


def _by_place(mounting: Mounting, at: Columns) -> Iterator[tuple[Place, Reading, Array]]:
    """Place, reading and row of every length that was read in a direction, or on a single claw.

    A wall is measured from the ledge below it; the ledge from a plane whose height nobody knows.
    """
    for key, field, scalar, less in (
        ("ledge_widths_mm", "ledge_width", "ledge_width_mm", ""),
        ("ledge_heights_mm", "ledge_height", "ledge_plane_mm", ""),
        ("wall_heights_mm", "wall_height", "wall_height_mm", "ledge_height"),
    ):
        read = getattr(mounting, key)
        if not read:
            continue
        directions = np.deg2rad([at_deg for at_deg, _ in read])
        rows = wave.rows(at, field, directions)
        rows[:, at[scalar]] = 1.0
        if less:
            rows -= wave.rows(at, less, directions)
        for (at_deg, reading), row in zip(read, rows, strict=True):
            yield Place(key, at_deg), reading, row
    for i, claw in enumerate(mounting.claws):
        for name, own in own_of(mounting, claw).items():
            if isinstance(own, Reading):
                row = np.zeros(len(at))
                row[at.of_claw(name, i)] = 1.0
                yield Place(name, claw.at_deg), own, row
        if claw.notch_level_mm is not None and "ledge_plane_mm" in at:
            row = np.zeros(len(at))
            row[[at["ledge_plane_mm"], at.claws("ledge_height")[i]]] = 1.0
            yield Place("ledge_heights_mm", claw.at_deg), claw.notch_level_mm, row


def _radii(
    mounting: Mounting, here: Array, at: Columns, directions: Array, tau: float
) -> Iterator[tuple[Array, float, float]]:
    """Predict every radius, read from a centre found by eye: row, value, more variance.

    Moving the centre by c shortens the radius by (n . c) / (n . u), with u along the radius and n
    square to the edge there: n / (n . u) = u - (r' / r) u', r' the radius' slope by the angle.
    """
    if not mounting.opening_radii_mm:
        return
    angles = np.deg2rad([at_deg for at_deg, _ in mounting.opening_radii_mm])
    step = 1e-4
    figure = outline.family(mounting.opening_family)
    around = (angles[:, None] + [-step, 0.0, step]).ravel()
    radius, slopes = Opening(figure, at, faces=False).answers(here, around)
    centre = [at["centre_x_mm"], at["centre_y_mm"]]
    for k, angle in enumerate(angles):
        before, value, after = radius[3 * k : 3 * k + 3]
        row, more = slopes[3 * k + 1], 0.0
        if mounting.holds == "claws":
            # On a claw's face the radius is that claw's; between claws no metal is where it points.
            there = _held_against(directions, angle)
            if len(there) == 1:
                face = at.claws(FACE)[there[0]]
                row[face] = 1.0
                value += here[face]
            elif mounting.opening_points is None:
                more = tau**2
        bend = (after - before) / (2 * step) / value
        along, across = np.cos(angle), np.sin(angle)
        row[centre] = [-(along + bend * across), -(across - bend * along)]
        yield row, float(value + row[centre] @ here[centre]), more


def _held_against(directions: Array, towards: float) -> list[int]:
    """Claws that a jaw pointing `towards` [rad] is held against: one there, or those beside it."""
    ahead, behind = (np.mod(way * (directions - towards), 2 * np.pi) for way in (1, -1))
    apart = np.minimum(ahead, behind)
    if apart.min() < np.deg2rad(ON_CLAW_DEG):
        return [int(apart.argmin())]
    return sorted({int(ahead.argmin()), int(behind.argmin())})


def _touched(outward: Array, sideways: Array) -> int:
    """Station at which a jaw touches: furthest outward, and the middle one of a straight side.

    That rocking a jaw finds the widest place of a wavy wall is neglected: 0.01 mm in an oval.
    """
    close = np.flatnonzero(outward >= outward.max() * (1 - 1e-3))
    return int(close[np.abs(sideways[close]).argmin()])


def rim_shift(
    mounting: Mounting,
    level: Level | None,
    here: Array,
    at: Columns,
    directions: Array | None = None,
) -> tuple[Array, float]:
    """How much less the radius is at the rim than at the seat's own level, with its row.

    A wall that leans inward by the angle lambda over a height h narrows by h tan(lambda). The tips
    of notched claws also stand in front of their notches' roots by the depth of the notch. Where
    these were read place by place, the mean over `directions` [rad] counts, of claws that of the
    nearest one of a single direction, or over all.
    """
    row = np.zeros(len(here))
    if (level or mounting.opening_level) != "rim" or mounting.state == "uncut":
        return row, 0.0
    claws = mounting.holds == "claws"
    if claws:
        own = list(range(len(mounting.claw_directions_deg)))
        if directions is not None and len(directions) == 1:
            off = np.exp(1j * (np.deg2rad(mounting.claw_directions_deg) - directions[0]))
            own = [int(np.abs(np.angle(off)).argmin())]
        heights, leans, depths = (
            of_claws(mounting, at, name)[own]
            for name in ("claw_length_mm", "claw_lean_deg", "ledge_width_mm")
        )
    else:
        heights, leans = (
            np.eye(len(here))[[at[name]]] for name in ("wall_height_mm", "wall_lean_deg")
        )
        if directions is not None and (mounting.wall_heights_mm or mounting.wall_leans_deg):
            heights = heights + wave.rows(at, "wall_height", directions)
            leans = leans + wave.rows(at, "wall_lean", directions)
    h, angle = heights @ here, np.deg2rad(leans @ here)
    more = np.deg2rad(1) * h / np.cos(angle) ** 2
    row -= (np.tan(angle)[:, None] * heights + more[:, None] * leans).mean(axis=0)
    less = float((h * np.tan(angle)).mean())
    if claws:
        row -= depths.mean(axis=0)
        less += float((depths @ here).mean())
    return row, -less


def diagonal(
    mounting: Mounting,
    here: Array,
    at: Columns,
    directions: Array,
    radius: Array,
    slopes: Array,
) -> tuple[Array, float]:
    """Predict the mean of the diagonals, corner to corner or over opposite claws: row, value."""
    if mounting.holds == "claws":
        apart = np.cos(directions[:, None] - directions[None])
        pairs = [(i, int(apart[i].argmin())) for i in range(len(directions))]
        square = [(i, j) for i, j in pairs if apart[i, j] < -0.99] or pairs
        row = np.mean([slopes[i] + slopes[j] for i, j in square], axis=0)
        return row, float(np.mean([radius[i] + radius[j] for i, j in square]))
    figure = outline.family(mounting.opening_family)
    names = ["opening_length_mm", "opening_width_mm", *(f"opening_{name}" for name in figure.shape)]

    def corner(sizes: Array) -> Array:
        """Return the corner of the first quarter: its point furthest from the centre."""
        length, width = sizes[:2]
        shape = dict(zip(figure.shape, np.maximum(sizes[2:], 0.0), strict=True))
        points = outline.draw(figure.name, length / width, shape) * width
        # Off the two axes, as seen in the opening squeezed to equal length and width.
        squeezed = np.arctan2(points[:, 1] / width, points[:, 0] / length)
        points = points[(squeezed > np.deg2rad(15)) & (squeezed < np.deg2rad(75))]
        furthest: Array = points[np.linalg.norm(points, axis=1).argmax()]
        return furthest

    sizes = here[[at[name] for name in names]]
    x, y = corner(sizes)
    row = np.zeros(len(here))
    for k, name in enumerate(names):
        step = np.zeros(len(sizes))
        step[k] = 1e-3 if name.endswith("_mm") else 0.1
        row[at[name]] = (
            np.diff([np.linalg.norm(corner(sizes + way * step)) for way in (-1, 1)])[0] / step[k]
        )
    angle, waves = np.arctan2(y, x), at.waves("opening")
    # Four corners in two diagonals.
    row[waves.columns] = (
        waves.at(np.array([angle, angle + np.pi, np.pi - angle, -angle])).sum(axis=0) / 2
    )
    return row, float(2 * np.hypot(x, y) + row[waves.columns] @ here[waves.columns])


def scalars(mounting: Mounting) -> list[str]:
    """Names of the scalar parameters this kind of seat has."""
    rail = any(getattr(mounting, key) for key in KEYS if KEYS[key].level == "gallery")
    found = [
        (rules.usual.column, key)
        for key, rules in KEYS.items()
        if rules.usual is not None
        and rules.belongs(mounting.holds, mounting.state)
        and rules.usual.state in (None, mounting.state)
        and (rail or rules.level != "gallery")
    ]
    return [key for _, key in sorted(found)]


def as_wide_as_long(mounting: Mounting) -> list[str]:
    """Name the unread widths of a round or square seat that are taken from the length."""
    if mounting.opening_family not in AS_WIDE_AS_LONG:
        return []
    unread = []
    told = mounting.opening_radii_mm or mounting.opening_points is not None
    if mounting.opening_width_mm is None and not told:
        unread.append("opening_width_mm")
    if mounting.gallery_width_mm is None and mounting.gallery_length_mm is not None:
        unread.append("gallery_width_mm")
    return unread


def own_of(mounting: Mounting, claw: Claw) -> dict[str, Reading | Angle]:
    """What was read of one claw by itself, of what this kind of seat has."""
    known = scalars(mounting)
    return {name: value for name, value in claw.own.items() if name in known}


def of_claws(mounting: Mounting, at: Columns, name: str) -> Array:
    """Rows (c, d) that give a scalar of every claw: its own parameter, or the common one."""
    found = np.zeros((len(mounting.claw_directions_deg), len(at)))
    for i in range(len(found)):
        found[i, at.of_claw(name, i)] = 1.0
    return found
