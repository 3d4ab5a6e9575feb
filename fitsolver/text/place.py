"""Where something is round a seat, in the words of a person who looks at it from above.

The seat lies with its length left to right, as a watch dial does: 12 o'clock is up, across the
width (+y, 90 deg), 3 o'clock is to the right, along the length (+x, 0 deg). Degrees run
counter-clockwise from 3 o'clock, as everywhere in the project.
"""

from __future__ import annotations

from collections.abc import Sequence

# Within so much of a full hour it is "at" that hour [deg]; an hour is 30 deg.
AT_HOUR_DEG = 5.0


def hours(direction_deg: float) -> str:
    """Say a direction by the dial.

    >>> hours(0), hours(41), hours(92)
    ("3 o'clock", "between 1 and 2 o'clock", "12 o'clock")
    """
    hour = (3 - round(direction_deg, 6) / 30) % 12
    nearest = round(hour)
    if abs(hour - nearest) * 30 <= AT_HOUR_DEG + 1e-9:
        return f"{nearest % 12 or 12} o'clock"
    return f"between {int(hour) or 12} and {int(hour) + 1} o'clock"


def place_words(direction_deg: float, claws_deg: Sequence[float] = ()) -> str:
    """Say a direction in degrees and by the dial, or by the claw (within 12 deg) it is at.

    >>> place_words(41)
    "41 deg, between 1 and 2 o'clock"
    >>> place_words(44, claws_deg=(40, 140))
    'at the claw at 40 deg'
    """
    degrees = round(direction_deg) % 360
    for claw in claws_deg:
        if abs((direction_deg - claw + 180) % 360 - 180) <= 12:
            return f"at the claw at {round(claw) % 360} deg"
    said = hours(direction_deg)
    return f"{degrees} deg, {said if said.startswith('between') else 'at ' + said}"


def dial(direction_deg: float) -> str:
    """Say a direction in few letters, for a column.

    >>> dial(0), dial(41)
    ("0 deg, 3 o'clock", "41 deg, 1-2 o'clock")
    """
    said = hours(direction_deg).replace("between ", "").replace(" and ", "-")
    return f"{round(direction_deg) % 360} deg, {said}"
