"""What a seat must have, and what must agree within it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from fitsolver.readings.mounting_key import KEYS
from fitsolver.readings.reading_entry import NOT_MEASURED, CrossFault, UnmeasuredEntry
from fitsolver.seats.seat_table import SeatTable
from fitsolver.seats.uneven_fault import CLOSEST_DEG, uneven_faults

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from fitsolver.stones.outline import Family

    Array = NDArray[np.float64]

FEWEST_RADII = 6
WIDEST_GAP_DEG = 90.0
STEEPEST_RATIO = 3.0
"""Neighbouring radii may differ by this factor; a slim marquise at 45 degrees needs 2."""
MOST_TURN_DEG = 15.0
"""A trace turned further than this against its figure was not laid along its length."""
LENGTHWISE = ("oval", "cushion", "octagon", "rectangle", "marquise", "pear")
"""Families whose length is by convention the longer side."""
AS_WIDE_AS_LONG = ("round", "square")
CORNERED = ("cushion", "octagon", "rectangle", "square")


def seat_faults(seat: SeatTable) -> Iterator[CrossFault]:
    """Yield what a seat lacks and what does not go together in it."""
    for check in (
        _kind_of_seat,
        _foreign_keys,
        _required_readings,
        _opening,
        _diagonal,
        _radii,
        _points,
        _ledge,
        _claws,
        _gallery,
        uneven_faults,
    ):
        yield from check(seat)


def _missing(key: str, why: str, remedy: str | None = None) -> CrossFault:
    return key, None, f"is missing: {why}", remedy or KEYS[key].remedy


def _kind_of_seat(seat: SeatTable) -> Iterator[CrossFault]:
    for key, why, choices in (
        ("holds", "say what holds the stone", '"wall" or "claws"'),
        ("state", "say whether the ledge or the notches exist already", '"cut" or "uncut"'),
        ("back", "say what is below the stone", '"open" (the finger) or "closed"'),
        ("opening_family", "say which outline the opening has", '"oval", "cushion" or another'),
        ("opening_level", "say where the opening was measured", '"girdle" (at the ledge) or "rim"'),
    ):
        if getattr(seat, key) is None:
            yield _missing(key, why, f"write {key} = {choices}")


def _foreign_keys(seat: SeatTable) -> Iterator[CrossFault]:
    for key, rules in KEYS.items():
        value = getattr(seat, key, None)
        if value is None or value == () or isinstance(value, UnmeasuredEntry):
            continue
        if seat.holds and rules.holds not in (None, seat.holds):
            yield (
                key,
                None,
                f'belongs to {rules.holds}, but the seat has holds = "{seat.holds}"',
                "remove the line, or correct holds",
            )
        elif seat.state and rules.state not in (None, seat.state):
            yield (
                key,
                None,
                f'belongs to {rules.state} seats, but the seat has state = "{seat.state}"',
                "remove the line, or correct state",
            )


def _required_readings(seat: SeatTable) -> Iterator[CrossFault]:
    leave_out = f'; if it cannot be reached write "{NOT_MEASURED}"'
    depth = {"cut": "depth_below_ledge_mm", "uncut": "depth_below_rim_mm"}.get(seat.state or "")
    if depth and getattr(seat, depth) is None:
        why = "without it the culet may touch unseen"
        yield _missing(depth, why, KEYS[depth].remedy + leave_out)
    if seat.holds == "claws":
        if not seat.claw_places_deg():
            yield _missing("claw_directions_deg", "claws are found by their directions")
        own = [claw.lengths() for claw in seat.claws]
        notched = bool(own) and all("notch_depth_mm" in each for each in own)
        thick = bool(own) and all("thickness_mm" in each for each in own)
        if seat.claw_thickness_mm is None and not thick:
            key = "claw_thickness_mm"
            yield _missing(key, "it limits the notch", KEYS[key].remedy + leave_out)
        unnotched = seat.ledge_width_mm is None and seat.notch_height_mm is None and not notched
        if seat.state == "cut" and unnotched:
            why = "cut claws need ledge_width_mm (the depth of the notch) or notch_height_mm"
            yield _missing("ledge_width_mm", why)
    elif (
        seat.holds == "wall"
        and seat.state == "cut"
        and seat.ledge_width_mm is None
        and not seat.ledge_widths_mm
    ):
        yield _missing("ledge_width_mm", "a cut seat carries the stone on its ledge")


def _opening(seat: SeatTable) -> Iterator[CrossFault]:
    family = seat.opening_family or ""
    length, width = seat.nominal_mm("opening_length_mm"), seat.nominal_mm("opening_width_mm")
    if not seat.opening_radii_mm and not seat.is_traced:
        why = "the opening needs length and width, or radii"
        if length is None:
            yield _missing("opening_length_mm", why)
        if width is None and family not in AS_WIDE_AS_LONG:
            yield _missing("opening_width_mm", why)
    if length is None or width is None:
        return
    if family in LENGTHWISE and width > length:
        yield (
            "opening_width_mm",
            width,
            f"must not exceed opening_length_mm = {length:g}: "
            f"the length of {_a(family)} is its longer side",
            "swap the two; finger_along says which way the finger runs",
        )
    if family in AS_WIDE_AS_LONG and abs(length - width) > 0.15 * max(length, width):
        yield (
            "opening_width_mm",
            width,
            f"must be within 15 % of opening_length_mm = {length:g} for {_a(family)} opening",
            "correct the reading or opening_family",
        )


def _diagonal(seat: SeatTable) -> Iterator[CrossFault]:
    key, family = "opening_diagonal_mm", seat.opening_family or ""
    diagonal, length = seat.nominal_mm(key), seat.nominal_mm("opening_length_mm")
    if diagonal is None:
        return
    if family and family not in CORNERED:
        yield (
            key,
            diagonal,
            f"goes from corner to corner, and {_a(family)} opening has none",
            f"remove the line, or choose one of {', '.join(CORNERED)}",
        )
    elif length is not None:
        width = seat.nominal_mm("opening_width_mm") or length
        shortest, longest = max(length, width), math.hypot(length, width)
        # A tenth of a millimetre on top: all three readings have their own doubt.
        if not shortest - 0.1 <= diagonal <= longest + 0.1:
            yield (
                key,
                diagonal,
                f"must be {shortest:.2f} to {longest:.2f} mm, from the longer side "
                "to the diagonal of a sharp rectangle",
                KEYS[key].remedy,
            )


def _radii(seat: SeatTable) -> Iterator[CrossFault]:
    if not seat.opening_radii_mm:
        return
    key = "opening_radii_mm"
    turn = sorted(
        (radius.at_deg % 360.0, radius.nominal_mm(), index)
        for index, radius in enumerate(seat.opening_radii_mm)
    )
    if len(turn) < FEWEST_RADII:
        yield (
            key,
            None,
            f"holds {len(turn)} directions, at least {FEWEST_RADII} are needed",
            "take a radius every 30 or 45 degrees",
        )
    around = [*turn, (turn[0][0] + 360.0, *turn[0][1:])]
    for (from_deg, radius, _), (to_deg, following, index) in pairwise(around):
        if to_deg - from_deg < 1.0:
            yield (
                f"{key}[{index}].at_deg",
                to_deg % 360.0,
                f"repeats the direction {from_deg:g}",
                "give each direction once; repeats go into read = [..., ...]",
            )
        elif to_deg - from_deg > WIDEST_GAP_DEG:
            yield (
                key,
                None,
                f"leaves a gap from {from_deg:g} to {to_deg % 360.0:g} degrees, wider than "
                f"{WIDEST_GAP_DEG:g}",
                "take radii all around, from a centre that lies inside the opening",
            )
        elif max(radius, following) > STEEPEST_RATIO * min(radius, following):
            yield (
                f"{key}[{index}]",
                following,
                f"jumps from {radius:g} to {following:g} mm between neighbouring directions",
                "read both again, from one centre that sees the whole edge",
            )
    yield from _radii_against_spans(seat, [(at_deg, radius) for at_deg, radius, _ in turn])


def _radii_against_spans(
    seat: SeatTable, turn: Sequence[tuple[float, float]]
) -> Iterator[CrossFault]:
    """Compare opposite radii with the length and the width taken at the same level."""
    levels = {radius.level or seat.opening_level for radius in seat.opening_radii_mm}
    for key, first_deg in (("opening_length_mm", 0.0), ("opening_width_mm", 90.0)):
        entry = seat.measured(key)
        ends = [
            [radius for at_deg, radius in turn if abs((at_deg - end + 180) % 360 - 180) < 1.0]
            for end in (first_deg, first_deg + 180.0)
        ]
        if entry is None or not all(ends) or levels != {entry.level or seat.opening_level}:
            continue
        across, span = ends[0][0] + ends[1][0], entry.nominal_mm()
        if abs(across - span) > max(0.5, 0.1 * span):
            yield (
                key,
                span,
                f"must agree with the radii at {first_deg:g} and {first_deg + 180:g} degrees, "
                f"together {across:.2f} mm",
                "read them again, or name the level of each",
            )


def _points(seat: SeatTable) -> Iterator[CrossFault]:
    given = [
        key
        for key in ("opening_points_u_mm", "opening_points_scale_u_pct", "opening_points_turn_deg")
        if getattr(seat, key) is not None
    ]
    if not seat.is_traced:
        for key in given:
            yield key, None, "speaks of traced points, and there are none", "remove the line"
    elif seat.opening_points_mm and seat.opening_points_file is not None:
        yield (
            "opening_points_file",
            seat.opening_points_file,
            "is given beside opening_points_mm",
            "keep one of them",
        )
    elif seat.opening_points_mm:
        yield from point_faults(seat, seat.opening_points_mm)


def point_faults(seat: SeatTable, points: Sequence[Sequence[float]]) -> Iterator[CrossFault]:
    """Yield why traced points (n, 2) are no opening of this seat; the key is theirs."""
    import numpy as np

    from fitsolver.seats.trace import problems, trace_from
    from fitsolver.stones import outline

    key = "opening_points_mm" if seat.opening_points_mm else "opening_points_file"
    value = seat.opening_points_file
    given = np.array(points, dtype=np.float64)
    spans = seat.nominal_mm("opening_length_mm"), seat.nominal_mm("opening_width_mm")
    wrong = list(problems(given, seat.opening_points_u_mm, *spans))
    for rule, remedy in wrong:
        yield key, value, rule, remedy
    if wrong or seat.opening_family is None:
        return
    trace = trace_from(given, u_mm=seat.opening_points_u_mm, turn_deg=seat.opening_points_turn_deg)
    family = outline.family(seat.opening_family)
    # A stated turn is taken at its word, however odd the figure.
    if seat.opening_family != "round" and seat.opening_points_turn_deg is None:
        turn = lies_turned(trace.curve, family, lengthwise=seat.opening_family in LENGTHWISE)
        if turn is not None:
            yield (
                key,
                value,
                f"lies turned by about {turn:.0f} degrees: the length of {_a(family.name)} opening "
                "must run along x",
                f"write opening_points_turn_deg = {-turn:.0f}, or 0 if they lie as they should",
            )
            return
    for name, span, along in zip(
        ("opening_length_mm", "opening_width_mm"), spans, trace.size_mm, strict=True
    ):
        entry = seat.measured(name)
        if span is None or entry is None or (entry.level or seat.opening_level) == "rim":
            continue
        if abs(along - span) > max(0.5, 0.1 * span):
            yield (
                name,
                span,
                f"must agree with the traced points, {along:.2f} mm along it",
                "read it again, or look at the scale of the points",
            )


def lies_turned(curve: Array, family: Family, *, lengthwise: bool) -> float | None:
    """By how much a trace (n, 2) lies turned against its figure [deg]; None if it lies well."""
    from fitsolver.seats.trace import turned_by_deg

    turn, as_it_lies, turned = turned_by_deg(curve, family, lengthwise=lengthwise)
    return turn if abs(turn) > MOST_TURN_DEG and as_it_lies > 1.3 * turned + 0.03 else None


def _ledge(seat: SeatTable) -> Iterator[CrossFault]:
    widths = {f"ledge_widths_mm[{k}]": place.nominal_mm()
              for k, place in enumerate(seat.ledge_widths_mm)}  # fmt: skip
    if (common := seat.nominal_mm("ledge_width_mm")) is not None:
        widths["ledge_width_mm"] = common
    halves = [radius.nominal_mm() for radius in seat.opening_radii_mm]
    for key in ("opening_length_mm", "opening_width_mm"):
        if (span := seat.nominal_mm(key)) is not None:
            halves.append(span / 2.0)
    for key, ledge in widths.items():
        if not halves or ledge < min(halves):
            continue
        yield (
            key,
            ledge,
            f"must be less than half the opening, {min(halves):.2f} mm: no hole would be left",
            KEYS["ledge_width_mm"].remedy,
        )


# Over half a round without a claw, nothing keeps the stone from sliding out; a few degrees for
# the reading of the directions.
WIDEST_OPEN_DEG = 185.0


def _claws(seat: SeatTable) -> Iterator[CrossFault]:
    key = "claws" if seat.claws else "claw_directions_deg"
    directions = sorted(direction % 360.0 for direction in seat.claw_places_deg())
    if seat.holds == "wall":
        return
    if len(directions) == 1:
        yield (
            key,
            directions[0],
            "is one claw, and one claw cannot hold a stone",
            KEYS["claw_directions_deg"].remedy,
        )
    if len(directions) < 2:
        return
    common = seat.nominal_mm("claw_width_mm") or KEYS["claw_width_mm"].low
    own = {claw.at_deg % 360.0: claw for claw in seat.claws}
    for first, second in pairwise([*directions, directions[0] + 360.0]):
        apart = math.dist(_on_edge(seat, first), _on_edge(seat, second))
        both = [own.get(direction % 360.0) for direction in (first, second)]
        # Half of each: that is how far they reach towards one another.
        width = sum(
            (claw.lengths()["width_mm"].nominal_mm()
             if claw is not None and "width_mm" in claw.lengths() else common) / 2
            for claw in both
        )  # fmt: skip
        pair = all(claw is not None and claw.pair for claw in both)
        if apart < width and not (pair and second - first >= CLOSEST_DEG):
            yield (
                key,
                list(seat.claw_places_deg()),
                f"has claws at {first:g} and {second % 360.0:g} degrees that overlap: they are "
                f"{apart:.2f} mm apart, and a claw is {width:g} mm wide",
                "correct the directions, or claw_width_mm; for two claws made as one, list both "
                "under claws with pair = true",
            )
        if second - first > WIDEST_OPEN_DEG:
            yield (
                key,
                list(seat.claw_places_deg()),
                f"leaves {second - first:g} degrees without a claw: the stone slides out there",
                "correct the directions; claws must stand no further than half a round apart",
            )


def _gallery(seat: SeatTable) -> Iterator[CrossFault]:
    keys = ("gallery_length_mm", "gallery_width_mm", "gallery_depth_mm")
    given = [key for key in keys if seat.measured(key) is not None]
    round_rail = seat.opening_family in AS_WIDE_AS_LONG
    for key in keys:
        if given and key not in given and not (round_rail and key == "gallery_width_mm"):
            yield _missing(key, "a gallery needs its length, width and depth")
    length, width = seat.nominal_mm("gallery_length_mm"), seat.nominal_mm("gallery_width_mm")
    if length and width and width > length and seat.opening_family in LENGTHWISE:
        yield (
            "gallery_width_mm",
            width,
            f"must not exceed gallery_length_mm = {length:g}",
            "swap the two",
        )
    down = seat.nominal_mm("gallery_depth_mm")
    for key in ("depth_below_ledge_mm", "depth_below_rim_mm"):
        depth = seat.nominal_mm(key)
        if down is not None and depth is not None and down >= depth:
            yield (
                "gallery_depth_mm",
                down,
                f"must be less than {key} = {depth:g}: the rail lies above the finger or the back",
                KEYS["gallery_depth_mm"].remedy,
            )


def _a(family: str) -> str:
    return f"an {family}" if family.startswith("o") else f"a {family}"


def _on_edge(seat: SeatTable, direction_deg: float) -> tuple[float, float]:
    """Return the point [mm] where a direction leaves the rectangle around the opening.

    No outline of this length and width reaches further, so claws are called overlapping only if
    they overlap in any outline.
    """
    radii = [radius.nominal_mm() for radius in seat.opening_radii_mm]
    widest = 2.0 * max(radii) if radii else KEYS["opening_length_mm"].high
    length = seat.nominal_mm("opening_length_mm") or widest
    width = seat.nominal_mm("opening_width_mm") or length
    cosine, sine = math.cos(math.radians(direction_deg)), math.sin(math.radians(direction_deg))
    reach = 0.5 / max(abs(cosine) / length, abs(sine) / width)
    return reach * cosine, reach * sine
