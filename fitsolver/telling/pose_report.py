"""How a stone lies, in a few sentences for a buyer, and in full as a plain record."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from msgspec.structs import asdict

from fitsolver.fitting.pose import Pose
from fitsolver.fitting.security import not_held
from fitsolver.fitting.support import Press, Support, Touch
from fitsolver.fitting.tilt import MOST_DEG, Tilt
from fitsolver.fitting.zone import Zone
from fitsolver.text.layout import list_of, paragraph
from fitsolver.text.place import hours, place_words

Record = dict[str, Any]

PRESSED = {
    "stays": "it stays",
    "may tip": "it may tip",
    "tips": "it tips",
}


LIES_HEAD = "How it lies (in the seat as best estimated)"


def pose_lines(pose: Pose, width: int) -> list[str]:
    """Say how the stone lies, in the best estimate of its seat: a heading and a list."""
    return [
        LIES_HEAD,
        *(paragraph(text, width, first="  - ") for text in pose_sentences(pose)),
    ]


def pose_sentences(pose: Pose) -> list[str]:
    """How the stone lies, sentence by sentence."""
    return [*_unopened(pose), *_touches(pose), *_tilts(pose), *_clear(pose), *_holds(pose)]


def _unopened(pose: Pose) -> Iterator[str]:
    laid = pose.unopened
    # Nobody lays a stone into a seat that is not cut yet: its bearing is cut from above.
    if laid.still_down_mm <= 0 or pose.ledge is None:
        return
    opens = ""
    if laid.opening_deg is not None:
        most = _at(laid.opening_deg, pose)
        opens = f"; to let it down, open {laid.opening_mm:.2f} mm a side, most {most}"
    text = f"Laid in unopened, it lies on the {laid.lies_on}, {laid.still_down_mm:.2f} mm too high"
    if laid.jammed:
        gives = f"more than the {laid.gives_mm:.2f} mm of ordinary setting"
        yield f"{text}: JAMMED there, not seated{opens}, {gives}."
    else:
        yield f"{text}{opens}."


def _touches(pose: Pose) -> Iterator[str]:
    held = pose.support
    if held is None:
        if pose.ledge is not None:
            yield "Nothing meant for it carries it: it falls through."
        return
    touch, count = held.touches, len(held.touches.arcs)
    places = "1 place" if count == 1 else f"{count} places"
    on = list_of(sorted({arc.on for arc in touch.arcs}))
    where = ""
    if count <= 3:
        where = f" ({'; '.join(_middle(pose, arc.from_deg, arc.size_deg) for arc in touch.arcs)})"
    text = f"Level and centred, it touches the {on} at {places}{where}"
    if _carried(touch):
        text += f": the centre of mass lies {touch.mass_inside_mm:.1f} mm inside what carries it"
    elif _carried(held.may_touch):
        text += ", which as drawn do not carry it" if count > 1 else ", which cannot carry it"
    else:
        text += ": let go, it tips until other places stop it"
    if pose.ledge_u_mm >= 0.005:
        text += f"; the {_ledge(pose)} is known to +-{pose.ledge_u_mm:.2f} mm, so others may touch"
    yield f"{text}."
    by_place = {press.on: press for press in held.presses}
    table, girdle = by_place.get("table"), by_place["girdle"]
    if table is None:
        yield f"Pressed straight down at the girdle {_pressed(girdle)}."
    elif table.answer == "stays" and girdle.answer != "stays":
        yield f"Pressed on the table it stays; pressed at the girdle {_pressed(girdle)}."
    else:
        yield f"Pressed straight down at the table's edge {_pressed(table)}."


def _at(direction: float, pose: Pose) -> str:
    said = place_words(direction, pose.claws_deg)
    return said if said.startswith("at ") else f"at {said}"


def _ledge(pose: Pose) -> str:
    return "notches' height" if pose.claws_deg else "ledge's height"


def _middle(pose: Pose, start: float, size: float) -> str:
    return place_words((start + size / 2) % 360, pose.claws_deg)


def _carried(touch: Touch) -> bool:
    return touch.mass_inside_mm > 0


def _pressed(press: Press) -> str:
    text = PRESSED[press.answer]
    if press.answer == "stays":
        return text
    said = hours(press.worst_deg)
    return f"{text} (worst {said if said.startswith('between') else 'at ' + said})"


def _tilts(pose: Pose) -> Iterator[str]:
    tilt = pose.tilt
    # A girdle that overlaps the metal beside it has no band.
    if tilt is None or pose.zones[0].least_mm < 0:
        return
    (least, low), (most, high) = tilt.least, tilt.most
    if most < 0.05:
        yield "It cannot lie out of level."
        return
    up = f"{most:.1f} deg" if most < MOST_DEG - 1e-6 else f"{MOST_DEG:.0f} deg or more"
    text = f"It can lie out of level by up to {up} (low toward {hours(high)})"
    if most - least >= 0.15:
        text += f", by {least:.1f} deg toward {hours(low)},"
    metal = (
        f" or meets the {_wall(pose)}"
        if any(t not in ("", "rise") for t in tilt.stopped_by)
        else ""
    )
    yield f"{text} before it rises {tilt.rise_mm:.2f} mm{metal}: level it before closing."


def _wall(pose: Pose) -> str:
    return "claws" if pose.claws_deg else "wall"


def _clear(pose: Pose) -> Iterator[str]:
    beside, *below = pose.zones
    even = pose.evenness
    if pose.ledge is not None:
        wide, narrow = _at(even.widest_deg, pose), _at(even.narrowest_deg, pose)
        least, most = f"{even.narrowest_mm:z.2f}", f"{even.widest_mm:z.2f}"
        text = f"Gap beside the girdle: {least} mm {narrow}"
        if least != most and wide == narrow:
            text = f"Gap beside the girdle: {least} to {most} mm, both {narrow}"
        elif least != most:
            text += f", to {most} mm {wide}"
        yield f"{text}."
    elif beside.least_mm < 0:
        deep = _at(even.narrowest_deg, pose)
        yield f"Uncut, the girdle reaches up to {-beside.least_mm:.2f} mm into the metal, {deep}."
    rest = [_zone(zone, pose) for zone in below if not zone.name.endswith("edge")]
    yield f"Below: {'; '.join(rest)}."


def _zone(zone: Zone, pose: Pose) -> str:
    if zone.least_mm == float("inf"):
        return f"nothing over the {zone.name}"
    where = "under the middle" if zone.at_deg is None else _at(zone.at_deg, pose)
    state = f"{zone.least_mm:.2f} mm clear of" if zone.least_mm >= 0 else (
        f"{-zone.least_mm:.2f} mm INTO"
    )  # fmt: skip
    return f"{state} the {zone.name} {where}"


def _holds(pose: Pose) -> Iterator[str]:
    held = pose.security
    if not held.held:
        yield f"Not held: {not_held(held)}."
    if held.free_tips_deg:
        tips = list_of([f"{tip:.0f} deg" for tip in held.free_tips_deg])
        one = len(held.free_tips_deg) == 1
        yield (
            f"The {'tip' if one else 'tips'} at {tips} {'stands' if one else 'stand'} free of "
            "metal: common practice guards a tip, which chips first."
        )


def pose_record(pose: Pose) -> Record:
    """Return the whole account, with its fields by direction."""
    return {
        "rests_on": pose.rests_on,
        "rest_height_mm": pose.rest_height_mm,
        "zones": [_zone_record(zone) for zone in pose.zones],
        "ledge": None
        if pose.ledge is None
        else {
            "direction_deg": pose.ledge.direction_deg.tolist(),
            "cover_mm": pose.ledge.cover_mm.tolist(),
            "ledge_deg": pose.ledge.ledge_deg.tolist(),
            "pavilion_deg": pose.ledge.pavilion_deg.tolist(),
            "gap_mm": pose.ledge.gap_mm.tolist(),
        },
        "evenness": asdict(pose.evenness),
        "ledge_u_mm": pose.ledge_u_mm,
        "support": None if pose.support is None else _support_record(pose.support),
        "tilt": None if pose.tilt is None else _tilt_record(pose.tilt),
        "unopened": asdict(pose.unopened),
        "security": asdict(pose.security),
    }


def _zone_record(zone: Zone) -> Record:
    return {
        "name": zone.name,
        "measured": zone.way,
        "least_mm": zone.least_mm,
        "at_deg": zone.at_deg,
        "at": "under the middle" if zone.at_deg is None else place_words(zone.at_deg),
        "point_mm": zone.point_mm,
        "direction_deg": zone.direction_deg.tolist(),
        "clearance_mm": zone.clearance_mm.tolist(),
    }


def _support_record(held: Support) -> Record:
    return {
        **{
            name: {
                "tolerance_mm": touch.tolerance_mm,
                "arcs": [asdict(arc) for arc in touch.arcs],
                "open_arc_deg": touch.open_arc_deg,
                "open_from_deg": touch.open_from_deg,
                "mass_inside_mm": touch.mass_inside_mm,
            }
            for name, touch in (("touches", held.touches), ("may_touch", held.may_touch))
        },
        "centre_of_mass_mm": held.centre_of_mass_mm,
        "presses": [
            {
                "on": press.on,
                "answer": press.answer,
                "worst_deg": press.worst_deg,
                "direction_deg": press.direction_deg.tolist(),
                "outside_mm": press.outside_mm.tolist(),
                "outside_at_best_mm": press.outside_at_best_mm.tolist(),
            }
            for press in held.presses
        ],
    }


def _tilt_record(tilt: Tilt) -> Record:
    least, most = tilt.least, tilt.most
    return {
        "rise_mm": tilt.rise_mm,
        "least_deg": least[0],
        "least_toward_deg": least[1],
        "most_deg": most[0],
        "most_toward_deg": most[1],
        "direction_deg": tilt.direction_deg.tolist(),
        "tilt_deg": tilt.tilt_deg.tolist(),
        "stopped_by": tilt.stopped_by,
    }
