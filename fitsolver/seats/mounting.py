"""The mounting: the empty piece, as the file of its readings describes it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec import Struct
from msgspec.structs import replace

from fitsolver.budgeting.budget import Budget
from fitsolver.errors import Fault, InputFaults, OutOfRange
from fitsolver.files.datafile import Document, check, load_toml
from fitsolver.readings.angle import Angle
from fitsolver.readings.instrument import INSTRUMENTS, Instrument, instrument
from fitsolver.readings.mounting_key import (
    CLAW_LENGTHS,
    KEYS,
    PLACES_MM,
    TOP_LEVEL,
    Back,
    Finger,
    Holds,
    Make,
    OpeningFamily,
    OpeningLevel,
    Place,
    State,
)
from fitsolver.readings.reading import Reading

if TYPE_CHECKING:
    from fitsolver.readings.reading_entry import Entry
    from fitsolver.seats.mounting_file import MountingFile
    from fitsolver.seats.seat_table import SeatTable
    from fitsolver.seats.trace import Trace

STRAIGHT_SIDED = ("octagon", "rectangle", "square")
# Names within a claw's own table by the key of the seat that each stands in for.
_OWN_KEYS = {key: name for name, key in CLAW_LENGTHS.items()} | {"claw_lean_deg": "lean_deg"}
Places = tuple[tuple[float, Reading], ...]
"""Directions [deg], 0 to below 360 and rising, each with its reading."""


class Claw(Struct, frozen=True, kw_only=True):
    """What was read of one claw by itself; None where the common readings hold for it too.

    Attributes
    ----------
    at_deg : float
        Its direction, 0 to below 360.
    thickness_mm, width_mm, length_mm, notch_depth_mm : Reading, optional
        Its own `claw_thickness_mm`, `claw_width_mm`, `claw_length_mm`, `ledge_width_mm`.
    notch_level_mm : Reading, optional
        Height of its notch's root over one level plane, the same for all claws.
    lean_deg : Angle, optional
        Its own `claw_lean_deg`.
    corner, pair, shared : bool
        It wraps a corner of the opening on both sides; it is one of two that stand close together;
        it holds the neighbouring stone as well.

    """

    at_deg: float
    thickness_mm: Reading | None = None
    width_mm: Reading | None = None
    length_mm: Reading | None = None
    notch_depth_mm: Reading | None = None
    notch_level_mm: Reading | None = None
    lean_deg: Angle | None = None
    corner: bool = False
    pair: bool = False
    shared: bool = False

    @property
    def own(self) -> dict[str, Reading | Angle]:
        """What it has of its own, by the key of the seat that it stands in for."""
        taken = {key: getattr(self, name) for key, name in _OWN_KEYS.items()}
        return {key: value for key, value in taken.items() if value is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mounting:
    """An empty piece with one seat: what it is, and every reading that was taken of it.

    A length is a `Reading`, or None where nobody measured it: its prior, and the mark "assumed",
    come from the seat. An `Angle` is read alike, in degrees. The attributes are named as in the
    file, whose tables [seat] and the top level are joined here.

    Attributes
    ----------
    name, story : str
        What the piece is called, and one sentence about it.
    period : int, optional
        Year in which it was made.
    finger_along : str
        Which way of the seat the finger runs: "length" or "width".
    finger_diameter_mm : Reading, optional
        Inside of the ring.
    holds, state, back, make : str
        "wall" or "claws"; "cut" or "uncut"; "open" or "closed"; "hand" or "cast".
    flush : bool
        The wall is flat metal all round: its rim is the surface, and an edge is burnished over.
    irregularity_mm : float, optional
        How far the outline strays from its ideal, one standard deviation [mm].
    opening_family, opening_level : str
        Outline of the opening; level of its readings unless one names its own.
    opening_length_mm, opening_width_mm, opening_diagonal_mm : Reading, optional
        Free opening. A round or square one may have its length alone.
    opening_radii_mm : tuple of (float, Reading)
        Direction [deg], 0 to below 360 and rising, and distance from the centre; may be empty.
    opening_points : Trace, optional
        Points traced along the edge, at `opening_level`, and the smooth curve through them.
    ledge_width_mm : Reading, optional
        From wall, or root of the notch, to the inner edge.
    ledge_widths_mm, ledge_heights_mm : tuple of (float, Reading)
        The same by direction; height at the wall over one level plane, whichever it is.
    ledge_missing_deg : tuple of (float, float)
        Arcs where no ledge is left, from 0 to below 360, to beyond that, rising.
    ledge_angle_deg : Angle, optional
        Slope of the ledge down inward from the horizontal.
    wall_height_mm, wall_thickness_mm : Reading, optional
        Metal above the ledge.
    wall_heights_mm : tuple of (float, Reading)
        From ledge to rim by direction.
    wall_lean_deg, claw_lean_deg : Angle, optional
        Lean from upright, inward positive.
    wall_leans_deg : tuple of (float, float)
        Direction [deg] and lean there.
    claw_directions_deg : tuple of float
        Directions [deg] of the claws, 0 to below 360 and rising; empty for a wall.
    claws : tuple of Claw
        What was read of each claw, in the same order; empty where they are all alike.
    claw_thickness_mm, claw_width_mm, claw_length_mm, notch_height_mm : Reading, optional
        Radial, along the girdle, from notch (uncut: from gallery) to tip; mouth of the notch.
    gallery_length_mm, gallery_width_mm, gallery_depth_mm : Reading, optional
        Inner opening of the rail and its depth below the datum.
    depth_below_ledge_mm, depth_below_rim_mm : Reading, optional
        From the ledge's inner edge (cut), or rim or claw tips (uncut), to the finger or back.
    instruments : mapping of str to Instrument
        The instruments that the file changes or adds.
    allowances : mapping of str to float
        Thresholds that the file overrides, by name; the names are checked where they are used.
    ranking : mapping of str to float
        Weights of the ranking that the file overrides, by name.
    budget : Budget, optional
        What may be spent, and the prices that were quoted.
    document : Document, optional
        The file it was read from.

    """

    name: str
    story: str = ""
    period: int | None = None
    finger_along: Finger = "width"
    finger_diameter_mm: Reading | None = None
    holds: Holds
    state: State
    back: Back
    flush: bool = False
    make: Make = "hand"
    irregularity_mm: float | None = None
    opening_family: OpeningFamily
    opening_level: OpeningLevel
    opening_length_mm: Reading | None = None
    opening_width_mm: Reading | None = None
    opening_diagonal_mm: Reading | None = None
    opening_radii_mm: tuple[tuple[float, Reading], ...] = ()
    opening_points: Trace | None = None
    ledge_width_mm: Reading | None = None
    ledge_widths_mm: Places = ()
    ledge_heights_mm: Places = ()
    ledge_missing_deg: tuple[tuple[float, float], ...] = ()
    ledge_angle_deg: Angle | None = None
    wall_height_mm: Reading | None = None
    wall_heights_mm: Places = ()
    wall_thickness_mm: Reading | None = None
    wall_lean_deg: Angle | None = None
    wall_leans_deg: tuple[tuple[float, float], ...] = ()
    claw_directions_deg: tuple[float, ...] = ()
    claws: tuple[Claw, ...] = ()
    claw_thickness_mm: Reading | None = None
    claw_width_mm: Reading | None = None
    claw_length_mm: Reading | None = None
    claw_lean_deg: Angle | None = None
    notch_height_mm: Reading | None = None
    gallery_length_mm: Reading | None = None
    gallery_width_mm: Reading | None = None
    gallery_depth_mm: Reading | None = None
    depth_below_ledge_mm: Reading | None = None
    depth_below_rim_mm: Reading | None = None
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    allowances: Mapping[str, float] = field(default_factory=dict)
    ranking: Mapping[str, float] = field(default_factory=dict)
    budget: Budget | None = None
    document: Document | None = field(default=None, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Take an angle given as a plain number for one reading by protractor or eye."""
        for key, rules in KEYS.items():
            given = getattr(self, key, None) if rules.form == "angle" else None
            if isinstance(given, int | float):
                object.__setattr__(self, key, Angle(value_deg=float(given)))

    @property
    def readings(self) -> dict[Place, Reading]:
        """Every reading that was taken, by its key and, where it has one, its direction."""
        taken = {
            Place(key): value
            for key in KEYS
            if isinstance(value := getattr(self, key, None), Reading)
        }
        for key in PLACES_MM:
            taken |= {Place(key, at_deg): reading for at_deg, reading in getattr(self, key)}
        for claw in self.claws:
            for key, value in claw.own.items():
                if isinstance(value, Reading):
                    taken[Place(key, claw.at_deg)] = value
        return taken

    def written_as(self, reading: Place) -> str:
        """Return the dotted key in the file of a reading."""
        key, at_deg = reading
        seat = {} if self.document is None else self.document.data.get("seat", {})
        table, end = key, ""
        if at_deg is not None and key in _OWN_KEYS and "claws" in seat:
            table, end = "claws", f".{_OWN_KEYS[key]}"
        for index, item in enumerate(() if at_deg is None else seat.get(table, ())):
            if float(str(item["at_deg"]).replace(",", ".")) % 360.0 == at_deg:
                return f"seat.{table}[{index}]{end}"
        return f"seat.{key}" if key in KEYS and not key.startswith("finger") else key


def load_mounting(path: Path | str) -> Mounting:
    """Read a mounting from its file of readings.

    Parameters
    ----------
    path : path or str
        A TOML file with a table [seat]; the folder `examples/` has some.

    Returns
    -------
    Mounting

    Raises
    ------
    InputFaults
        With every fault of the file at once, each with its line, its rule and its remedy.

    """
    return mounting_from(load_toml(path), folder=Path(path).parent)


def mounting_from(document: Document, *, folder: Path | None = None) -> Mounting:
    """Read a mounting from a parsed document; see `load_mounting`.

    `folder` is where a file of traced points may lie; without one none is opened.
    """
    from fitsolver.seats.mounting_file import MountingFile
    from fitsolver.seats.seat_fault import point_faults

    faults: list[Fault] = []
    points: Sequence[Sequence[float]] = ()
    try:
        points = _points_beside(document, folder)
    except InputFaults as error:
        faults += error.faults
    try:
        file = check(document, MountingFile)
    except InputFaults as error:
        raise InputFaults([*error.faults, *faults]) from None
    if points:
        faults += [
            document.fault(f"seat.{key}", value, rule, remedy)
            for key, value, rule, remedy in point_faults(file.seat, points)
        ]
    tools = _instruments(file)
    readings: dict[str, Reading] = {}
    for key, name, entry in file.named_entries():
        try:
            readings[key] = _reading(file, name, entry, tools)
        except OutOfRange as error:
            rule = f"cannot be taken so: {error}"
            remedy = "give its half_width_mm, or say with what it was taken"
            faults.append(document.fault(key, None, rule, remedy))
    if faults:
        raise InputFaults(faults)

    seat = file.seat
    given: dict[str, Any] = {key: getattr(seat, key) for key in _PLAIN_KEYS}
    given |= {
        key: entry.angle()
        for key in KEYS
        if KEYS[key].form == "angle" and (entry := getattr(seat, key)) is not None
    }
    given |= {
        key: readings[dotted]
        for key in KEYS
        if (dotted := key if key in TOP_LEVEL else f"seat.{key}") in readings
    }
    for key in PLACES_MM:
        places = (
            (place.at_deg % 360.0, readings[f"seat.{key}[{index}]"])
            for index, place in enumerate(getattr(seat, key))
        )
        given[key] = tuple(sorted(places, key=lambda place: place[0]))
    claws = (
        Claw(
            at_deg=claw.at_deg % 360.0,
            lean_deg=None if claw.lean_deg is None else claw.lean_deg.angle(),
            corner=claw.corner,
            pair=claw.pair,
            shared=claw.shared,
            **{name: readings[f"seat.claws[{index}].{name}"] for name in claw.lengths()},
        )
        for index, claw in enumerate(seat.claws)
    )
    gaps = ((start % 360.0, (stop - start) % 360.0) for start, stop in seat.ledge_missing_deg)
    return Mounting(
        name=file.name,
        story=file.story,
        period=file.period,
        finger_along=file.finger_along,
        opening_points=_trace(seat, points or seat.opening_points_mm),
        ledge_missing_deg=tuple(sorted((start, start + span) for start, span in gaps)),
        wall_leans_deg=tuple(
            sorted((place.at_deg % 360.0, place.lean_deg) for place in seat.wall_leans_deg)
        ),
        claw_directions_deg=tuple(sorted(each % 360.0 for each in seat.claw_places_deg())),
        claws=tuple(sorted(claws, key=lambda claw: claw.at_deg)),
        instruments=tools,
        allowances=dict(file.allowances),
        ranking=dict(file.ranking),
        budget=None if file.budget is None else file.budget.budget(),
        document=document,
        **given,
    )


_PLAIN_KEYS = (
    *("holds", "state", "back", "flush", "make", "opening_family", "opening_level"),
    *(key for key, rules in KEYS.items() if rules.form == "number"),
)


def _points_beside(document: Document, folder: Path | None) -> Sequence[Sequence[float]]:
    """Read the file of traced points that a mounting names; nothing if it names none."""
    seat = document.data.get("seat")
    name = seat.get("opening_points_file") if isinstance(seat, Mapping) else None
    if not isinstance(name, str):
        return ()
    from fitsolver.seats.trace_file import load_points

    key = "seat.opening_points_file"
    if folder is None:
        rule, remedy = "cannot be opened from here", "write the points as opening_points_mm"
        raise InputFaults([document.fault(key, name, rule, remedy)])
    if (
        "\0" in name
        or Path(name).name != name
        or (folder / name).resolve().parent != folder.resolve()
    ):
        rule = "must be the name of a file in the mounting's own folder"
        raise InputFaults([document.fault(key, name, rule, "put the points beside the mounting")])
    return load_points(folder / name)


def _trace(seat: SeatTable, points: Sequence[Sequence[float]]) -> Trace | None:
    if not points:
        return None
    from fitsolver.seats.trace import trace_from

    return trace_from(
        points,
        u_mm=seat.opening_points_u_mm,
        scale_u_pct=seat.opening_points_scale_u_pct,
        turn_deg=seat.opening_points_turn_deg,
    )


def _instruments(file: MountingFile) -> dict[str, Instrument]:
    return {
        name: instrument(name, **table.model_dump(exclude_none=True))
        for name, table in file.instruments.items()
    }


def _reading(
    file: MountingFile, name: str, entry: Entry, tools: Mapping[str, Instrument]
) -> Reading:
    """Turn an entry into a reading, with what its key says about measure, level and instrument.

    `name` is that of the table of keys, for a length of one claw that which it stands in for.
    """
    rules, seat = KEYS[name], file.seat
    chosen = entry.tool or entry.usual_tool or rules.instrument
    tool = tools.get(chosen) or INSTRUMENTS[chosen]
    level = rules.level
    bore_mm = None
    if name.startswith("opening_"):
        level = seat.opening_level
        if seat.opening_family in STRAIGHT_SIDED:
            tool = replace(tool, jaw_flat_mm=0.0)  # the flats lie along the wall
        elif seat.opening_family == "oval":
            bore_mm = _end_of_oval_mm(name, seat)
    return entry.reading(tool, rules.measure, entry.level or level, bore_mm)


def _end_of_oval_mm(name: str, seat: SeatTable) -> float | None:
    """Diameter of the curve at the ends of an oval's length or width [mm].

    An ellipse with the axes L and W is curved there like a circle of the diameter W^2 / L (at the
    ends of the length) and L^2 / W.
    """
    length, width = seat.nominal_mm("opening_length_mm"), seat.nominal_mm("opening_width_mm")
    if length is None or width is None:
        return None
    ends = {"opening_length_mm": width**2 / length, "opening_width_mm": length**2 / width}
    return ends.get(name)
