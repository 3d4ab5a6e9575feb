"""What must agree within readings that were taken place by place: ledge, wall and single claws."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from fitsolver.readings.mounting_key import CLAW_LENGTHS, KEYS
from fitsolver.readings.reading_entry import CrossFault
from fitsolver.seats.seat_table import SeatTable

CLOSEST_DEG = 1.0
# Families whose outline has sharp corners, which a claw can wrap.
SHARP = ("rectangle", "square", "marquise", "pear")
# How far from a corner the direction of its claw may be read [deg].
NEAR_CORNER_DEG = 12.0
FEWEST_PLACES = 3


def uneven_faults(seat: SeatTable) -> Iterator[CrossFault]:
    """Yield what is wrong between the places of uneven ledges and walls, and among own claws."""
    for check in (_places, _gaps, _flush, _own_claws, _corner_claws):
        yield from check(seat)


def _places(seat: SeatTable) -> Iterator[CrossFault]:
    for key in ("ledge_widths_mm", "ledge_heights_mm", "wall_heights_mm", "wall_leans_deg"):
        places = getattr(seat, key)
        turn = sorted((place.at_deg % 360.0, index) for index, place in enumerate(places))
        if 0 < len(turn) < FEWEST_PLACES:
            yield (
                key,
                None,
                f"holds {len(turn)} directions, at least {FEWEST_PLACES} are needed",
                f"read more places, or give one reading for all as {_plain(key)}",
            )
        for (first, _), (second, index) in pairwise([*turn, *((a + 360, i) for a, i in turn[:1])]):
            if len(turn) > 1 and second - first < CLOSEST_DEG:
                yield (
                    f"{key}[{index}].at_deg",
                    second % 360.0,
                    f"repeats the direction {first:g}",
                    "give each direction once; repeats go into read = [..., ...]",
                )


def _plain(key: str) -> str:
    """Name the single reading that places of one key stand for."""
    return "ledge_width_mm" if key == "ledge_heights_mm" else key.replace("s_", "_", 1)


def _gaps(seat: SeatTable) -> Iterator[CrossFault]:
    key = "ledge_missing_deg"
    arcs = []
    for index, ends in enumerate(seat.ledge_missing_deg):
        if len(ends) != 2:
            yield f"{key}[{index}]", list(ends), "must be two directions", KEYS[key].remedy
        elif ends[0] % 360.0 == ends[1] % 360.0:
            rule = "goes all the way round, or nowhere: no ledge would be left, or none is missing"
            yield f"{key}[{index}]", list(ends), rule, KEYS[key].remedy
        else:
            arcs.append((ends[0] % 360.0, (ends[1] - ends[0]) % 360.0, index))
    arcs.sort()
    around = [*arcs, *((start + 360.0, span, index) for start, span, index in arcs[:1])]
    for (start, span, _), (follows, _, index) in pairwise(around):
        if len(arcs) > 1 and start + span > follows:
            yield (
                f"{key}[{index}]",
                list(seat.ledge_missing_deg[index]),
                f"overlaps the gap from {start:g} to {(start + span) % 360.0:g} degrees",
                "join the two into one",
            )


def _flush(seat: SeatTable) -> Iterator[CrossFault]:
    if seat.flush and seat.holds == "claws":
        yield (
            "flush",
            True,
            'is for flat metal round the opening, but the seat has holds = "claws"',
            "remove the line, or correct holds",
        )


def _own_claws(seat: SeatTable) -> Iterator[CrossFault]:
    if not seat.claws:
        return
    if seat.holds == "wall":
        yield (
            "claws",
            None,
            'belongs to claws, but the seat has holds = "wall"',
            "remove the line, or correct holds",
        )
        return
    if seat.claw_directions_deg:
        yield (
            "claws",
            None,
            "lists the claws, and so does claw_directions_deg",
            "keep one of the two: claws, where they differ from one another",
        )
    foreign = ("notch_depth_mm", "notch_level_mm") if seat.state == "uncut" else ()
    levels = ["notch_level_mm" in claw.lengths() for claw in seat.claws]
    if any(levels) and not all(levels) and not foreign:
        yield (
            f"claws[{levels.index(False)}].notch_level_mm",
            None,
            "is missing: other claws have one, and only differences count",
            "give the level of every notch over one plane, or of none",
        )
    for index, claw in enumerate(seat.claws):
        lengths = claw.lengths()
        for name in foreign:
            if name in lengths:
                yield (
                    f"claws[{index}].{name}",
                    None,
                    'belongs to cut seats, but the seat has state = "uncut"',
                    "remove it, or correct state",
                )
        deep, thick = (
            lengths[name].nominal_mm() if name in lengths else seat.nominal_mm(CLAW_LENGTHS[name])
            for name in ("notch_depth_mm", "thickness_mm")
        )
        if seat.state == "cut" and deep is not None and thick is not None and deep >= thick:
            yield (
                f"claws[{index}]" + (".notch_depth_mm" if "notch_depth_mm" in lengths else ""),
                deep,
                f"has a notch as deep as the claw is thick, {thick:g} mm: it would be cut through",
                "read both again",
            )


def _corner_claws(seat: SeatTable) -> Iterator[CrossFault]:
    from fitsolver.stones import outline

    wrapping = [(index, claw) for index, claw in enumerate(seat.claws) if claw.corner]
    if not wrapping or seat.opening_family is None:
        return
    family = seat.opening_family
    if family not in SHARP:
        index = wrapping[0][0]
        yield (
            f"claws[{index}].corner",
            True,
            f"needs a sharp corner to wrap, and the family {family} has none",
            f"remove it, or choose one of {', '.join(SHARP)}",
        )
        return
    length = seat.nominal_mm("opening_length_mm")
    width = seat.nominal_mm("opening_width_mm") or length
    if not length or not width or not 0.3 <= length / width <= 10:
        return
    corners = outline.tips(outline.draw(family, length / width))
    at = [math.degrees(math.atan2(float(y), float(x))) % 360.0 for x, y in corners]
    for index, claw in wrapping:
        off = min(abs((claw.at_deg - corner + 180.0) % 360.0 - 180.0) for corner in at)
        if off > NEAR_CORNER_DEG:
            listed = ", ".join(f"{corner:.0f}" for corner in sorted(at))
            yield (
                f"claws[{index}].at_deg",
                claw.at_deg,
                f"is {off:.0f} degrees from the nearest corner, and the claw wraps one",
                f"this opening has its corners at {listed} degrees",
            )
