"""Requirements: what must hold for a stone to seat, each as a margin in millimetres.

A margin says how far a requirement holds; negative = short by that much. A stone seats where all
margins are at least 0 together. Below full cover a stone falls through, and then the metal above
it looks ample: cover therefore gates every other answer (it is one of the margins, and the rest
height of a stone that touches nothing is minus infinity).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.fitting.centring import Bounds
from fitsolver.fitting.placement import Placement, per_claw
from fitsolver.seats.allowance import Allowances
from fitsolver.seats.seat import FACE_POINTS, Seats
from fitsolver.stones.outline import centroid

Array = NDArray[np.float64]

# How far below the highest girdle that serves an uncut seat's bearing is cut at most [mm]: metal
# for a last file stroke, not a deep seat. Common practice.
BELOW_HIGHEST_MM = 0.15


class Kind(Struct, frozen=True, kw_only=True):
    """A requirement's name, the allowance that sets it, and what the bench can do about it.

    `claw_alteration` says it for claws, where the words differ; `caution` what to mind in old work
    (common practice unless a source is named).
    """

    name: str
    meaning: str
    allowance: str
    alteration: str = ""
    claw_alteration: str = ""
    alteration_allowance: str = ""
    caution: str = ""


KINDS: Mapping[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            name="entry",
            meaning="the rim or the claw tips let the girdle pass",
            allowance="rim_give_mm",
            alteration="open the rim",
            claw_alteration="open the claws further",
            alteration_allowance="alter_rim_open_mm",
            caution="old metal is work-hardened: a little at a time under the loupe, and look for "
            "solder seams and cracks first",
        ),
        Kind(
            name="girdle gap",
            meaning="the girdle does not bind on the metal beside it",
            allowance="gap_min_mm",
            alteration="relieve the wall",
            claw_alteration="relieve the notches",
            alteration_allowance="alter_wall_relief_mm",
            caution="metal taken off an old piece does not come back: the owner agrees first; a "
            "claw keeps half its thickness (Professional Jeweler, July 2004)",
        ),
        Kind(
            name="closing gap",
            meaning="closing the metal reaches the girdle all round",
            allowance="gap_max_mm",
            alteration="bring the wall in",
            claw_alteration="bend the claws in",
            alteration_allowance="alter_wall_in_mm",
            caution="a thin or worn wall cracks when it is brought in: anneal only with every "
            "stone out of the piece",
        ),
        Kind(
            name="ledge cover", meaning="the ledge carries the girdle all round",
            allowance="cover_min_mm",
        ),
        Kind(
            name="ledge arc", meaning="what is left of the ledge carries the stone on both sides",
            allowance="largest_missing_ledge_deg",
        ),
        Kind(
            name="bearing match",
            meaning="ledge and pavilion lie on each other",
            allowance="bearing_gap_max_mm",
            alteration="recut the bearing",
            alteration_allowance="alter_bearing_mm",
            caution="the stone is out while a bur runs; wear eye protection; cut to the pavilion "
            "angle in light passes",
        ),
        Kind(
            name="metal above girdle",
            meaning="enough metal stands above the girdle to close over it",
            allowance="edge_above_girdle_mm",
            alteration="cut the ledge deeper",
            claw_alteration="cut the notches lower",
            alteration_allowance="alter_deepen_mm",
            caution="nobody has measured the metal below the ledge: look from behind first, a "
            "pierced or closed back is thin there",
        ),
        Kind(
            name="culet clearance", meaning="the culet clears the finger or the back",
            allowance="culet_clearance_open_mm",
        ),
        Kind(
            name="gallery clearance",
            meaning="the pavilion clears the gallery rail",
            allowance="gallery_clearance_mm",
            alteration="relieve the gallery rail",
            alteration_allowance="alter_gallery_open_mm",
            caution="a rail carries the claws: relieve it only where the pavilion touches",
        ),
        Kind(
            name="notch mouth",
            meaning="the girdle goes into the notches",
            allowance="mouth_play_min_mm",
            alteration="open the notches",
            alteration_allowance="alter_mouth_mm",
            caution="a notch opened too far rattles: open it to the girdle, not beyond",
        ),
        Kind(
            name="notch floor",
            meaning="the stone reaches far enough into every claw or wall to be held",
            allowance="notch_share_min",
            alteration="bend the claws in further",
            alteration_allowance="alter_claw_bend_mm",
            caution="an old claw breaks at its root when it is bent to and fro: one move, then "
            "look for cracks",
        ),
        Kind(
            name="notch ceiling",
            meaning="the notch or bearing leaves enough metal",
            allowance="notch_share_max",
            alteration="bend the claws out further",
            alteration_allowance="alter_claw_bend_mm",
            caution="an old claw breaks at its root when it is bent to and fro: one move, then "
            "look for cracks",
        ),
        Kind(
            name="height play",
            meaning="some girdle height clears finger and gallery and leaves metal to close",
            allowance="claw_top_share",
        ),
    )
}  # fmt: skip


At = tuple[NDArray[np.int64], ...]
Where = tuple[Callable[[At], Array], int] | int


class Requirements(Struct, frozen=True, kw_only=True):
    """All margins of a stone in possible seats, s samples, the first the best estimate.

    `margins` name -> (s,) [mm] with ordinary setting; `altered` the same with every alteration
    within its allowance; `room` name -> (s,) how far the alteration may go [mm], none if missing;
    `thresholds` name -> mm in the best estimate; `where` name -> what gives some samples' fields
    (k, n) whose least is tightest, and how many stations lie from one value to the next; or one
    station, -1 for none; `set_by` name -> the allowance that sets it in this seat;
    `girdle_bottom` (s,) [mm]. Of stones of d depths all is (d, s).
    """

    margins: Mapping[str, Array]
    altered: Mapping[str, Array]
    room: Mapping[str, Array]
    thresholds: Mapping[str, float]
    where: Mapping[str, Where]
    set_by: Mapping[str, str]
    girdle_bottom: Array

    def holds(self, *, altered: bool = False) -> NDArray[np.bool_]:
        """Whether all margins hold together, (s,)."""
        stack = np.array(list((self.altered if altered else self.margins).values()))
        return np.asarray((stack >= 0).all(axis=0))

    def station(self, name: str) -> int:
        """The station where a requirement is tightest in the best estimate; -1 for no one place."""
        return int(self.stations(name, np.zeros(1, dtype=np.int64))[0])

    def stations(
        self, name: str, rows: NDArray[np.int64], depth: int | None = None
    ) -> NDArray[np.int64]:
        """The same in some samples (k,), of stones of several depths at one of them."""
        where = self.where[name]
        if isinstance(where, int):
            return np.full(len(rows), where)
        field, step = where
        at = (rows,) if depth is None else (np.full(len(rows), depth), rows)
        return _least(field(at)) * step


def metal_needed_mm(placement: Placement, crown: Array, allowances: Allowances) -> Array:
    """Metal that must stand above the girdle's upper plane, as `crown` (..., s) [mm].

    Walls: a fixed edge, more for a cabochon. Claws: a share of the crown's height.
    """
    name = _closing_allowance(placement)
    if name == "claw_top_share":
        return allowances[name] * crown
    return np.full_like(crown, allowances[name])


def _closing_allowance(placement: Placement) -> str:
    if placement.seats.holds == "claws":
        return "claw_top_share"
    if placement.seats.belief.mounting.flush:
        return "flush_below_mm"
    dome = bool(placement.form.style.domes)
    return "edge_above_girdle_cabochon_mm" if dome else "edge_above_girdle_mm"


def bounds(seats: Seats, allowances: Allowances) -> Bounds:
    """What the pose strives for in these seats: the plan thresholds, as bounds of gap and cover."""
    one = np.ones_like(seats.floor_z)
    if seats.state == "cut":
        return Bounds(
            gap_low=allowances["gap_min_mm"] * one,
            gap_high=allowances[_reach_of_closing(seats)] * one,
            cover_low=allowances["cover_min_mm"] * one,
        )
    floor, ceiling, bend_in, bend_out = _notch(seats, allowances)
    return Bounds(gap_low=-(ceiling + bend_out), gap_high=bend_in - floor, cover_low=0.0 * one)


def _reach_of_closing(seats: Seats) -> str:
    return "flush_gap_max_mm" if seats.belief.mounting.flush else "gap_max_mm"


def _notch(seats: Seats, allowances: Allowances) -> tuple[Array, Array, float, float]:
    """Least and greatest reach of the girdle into uncut metal (s,), and the claws' bends [mm].

    Reaches (s, c) where every claw has its own.
    """
    thickness = seats.thickness[:, 0]
    if seats.holds == "claws":
        most = np.array(allowances["notch_share_max"])
        if claws := seats.belief.mounting.claws:
            thickness = seats.thickness[:, :: min(FACE_POINTS, seats.thickness.shape[1])]
            shared = min(allowances["notch_share_max_shared"], allowances["notch_share_max"])
            most = np.where([claw.shared for claw in claws], shared, most)
        most = most.astype(thickness.dtype)
        return (
            allowances["notch_share_min"] * thickness,
            most * thickness,
            allowances["claw_bend_in_mm"],
            allowances["claw_bend_out_mm"],
        )
    floor = np.full_like(thickness, allowances["wall_bearing_min_mm"])
    return floor, thickness - allowances["wall_remaining_min_mm"], 0.0, 0.0


def requirements(
    placement: Placement, crown: Array, girdle: Array, pavilion: Array, allowances: Allowances
) -> Requirements:
    """Work out every margin of the placed form with crown, girdle, pavilion (..., s) [mm]."""
    kind = placement.gap.dtype
    crown, girdle, pavilion = (
        height.astype(kind, copy=False) for height in (crown, girdle, pavilion)
    )
    if placement.seats.state == "cut":
        return _cut(placement, crown, girdle, pavilion, allowances)
    return _uncut(placement, crown, girdle, pavilion, allowances)


def _cut(
    placement: Placement, crown: Array, girdle: Array, pavilion: Array, allowances: Allowances
) -> Requirements:
    seats = placement.seats
    assert placement.cover is not None
    margins: dict[str, Array] = {}
    thresholds: dict[str, float] = {}
    places: dict[str, Where] = {}
    altered: dict[str, Array] = {}
    rooms: dict[str, Array] = {}
    set_by: dict[str, str] = {}
    claws = seats.holds == "claws"
    spare = _spare(seats, allowances)

    def add(
        name: str, margin: Array, threshold: float, where: Where = -1, allowance: str = ""
    ) -> None:
        if margin.shape != bottom.shape:  # the same for all depths
            margin = np.broadcast_to(margin, bottom.shape)
        margins[name], thresholds[name], places[name] = margin, threshold, where
        set_by[name] = allowance or KINDS[name].allowance
        altered[name] = margin
        # Flat metal round a flush seat is not brought in.
        fixed = name == "closing gap" and allowance == "flush_gap_max_mm"
        if (extra := KINDS[name].alteration_allowance) and not fixed:
            room = np.full_like(margin, allowances[extra])
            rooms[name] = np.minimum(room, spare) if name == "girdle gap" else room
            altered[name] = margin + rooms[name]

    bottom, parted = placement.rest(pavilion)
    bottom = np.where(np.isfinite(bottom), bottom, seats.floor_z + pavilion)
    tight = placement.tightest(bottom, girdle)

    def field(which: int) -> Callable[[At], Array]:
        return lambda at: _clearances(placement, bottom, girdle, at)[which]

    gives = "claw_give_mm" if claws else "rim_give_mm"
    give = allowances[gives]
    add("entry", tight.entry + give, give, (field(2), 1), gives)
    least = allowances["gap_min_mm"]
    add("girdle gap", tight.near - least, least, (field(1), 1))
    reaches = _reach_of_closing(seats)
    widest = allowances[reaches]
    far: Where = (lambda at: -field(0)(at), 1)
    if claws:
        far = (lambda at: -per_claw(field(1)(at), np.minimum), FACE_POINTS)
    add("closing gap", widest - tight.reach, widest, far, reaches)
    cover, covered = allowances["cover_min_mm"], placement.cover
    add("ledge cover", placement.least_cover - cover, cover, (lambda at: covered[at[-1]], 1))
    if not seats.ledge_after.all():
        add("ledge arc", *_carried(placement, allowances))
    tolerated = allowances["bearing_gap_max_mm"]
    add("bearing match", tolerated - parted, tolerated)
    need = metal_needed_mm(placement, crown, allowances)
    above = placement.lowest_top - bottom - girdle - need
    closes = _closing_allowance(placement)
    add(
        "metal above girdle", above, float(need.flat[0]), (lambda at: _of(seats.top, at), 1), closes
    )
    clears = f"culet_clearance_{seats.back}_mm"
    culet = bottom - pavilion - seats.floor_z - allowances[clears]
    add("culet clearance", culet, allowances[clears], allowance=clears)
    rail = None
    if placement.gallery_zeta is not None and seats.gallery_z is not None:
        clear_rail = allowances["gallery_clearance_mm"]
        under = bottom - pavilion * placement.gallery_zeta
        rail = under - seats.gallery_z - clear_rail
        add("gallery clearance", rail, clear_rail)
    if seats.mouth is not None:
        play = allowances["mouth_play_min_mm"]
        add("notch mouth", seats.mouth - girdle - play, play)
    # Deepening the ledge helps one margin and costs another: one depth must serve both.
    deeper = np.clip(-above, 0.0, allowances["alter_deepen_mm"])
    altered["metal above girdle"] = above + deeper
    altered["culet clearance"] = culet - deeper
    if rail is not None:
        altered["gallery clearance"] = rail - deeper + allowances["alter_gallery_open_mm"]
    return Requirements(
        margins=margins,
        altered=altered,
        room=rooms,
        thresholds=thresholds,
        where=places,
        set_by=set_by,
        girdle_bottom=bottom,
    )


def _uncut(
    placement: Placement, crown: Array, girdle: Array, pavilion: Array, allowances: Allowances
) -> Requirements:
    seats = placement.seats
    claws = seats.holds == "claws"
    clear = allowances[f"culet_clearance_{seats.back}_mm"]
    lowest = seats.floor_z + clear + pavilion
    if placement.gallery_zeta is not None and seats.gallery_z is not None:
        rail = seats.gallery_z + pavilion * placement.gallery_zeta
        lowest = np.maximum(lowest, rail + allowances["gallery_clearance_mm"])
    need = metal_needed_mm(placement, crown, allowances)
    highest = placement.lowest_top - need - girdle
    play = highest - lowest
    # The setter chooses: high, but with a little metal to spare.
    bottom = np.where(
        play >= 0, np.maximum((lowest + highest) / 2, highest - BELOW_HIGHEST_MM), lowest
    )
    tight = placement.tightest(bottom, girdle)
    inside = -tight.mean
    step = FACE_POINTS if claws else 1
    floor, ceiling, bend_in, bend_out = _notch(seats, allowances)
    further = allowances["alter_claw_bend_mm"] if claws else 0.0
    if floor.ndim == 1:
        floor, ceiling = floor[:, None], ceiling[:, None]
    over, under = inside - floor, ceiling - inside
    reach = over.min(axis=-1) + bend_in
    # A corner of the stone reaches deepest into a wall between two stations.
    room = (under.min(axis=-1) if claws else ceiling[:, 0] + tight.near) + bend_out
    gives = "claw_give_mm" if claws else "rim_give_mm"
    give = allowances[gives]
    # An uncut wall is opened by cutting the bearing from above, so its rim always lets in what
    # the bearing takes; claws are opened and closed again.
    entry = tight.entry + give + bend_out if claws else room + floor[:, 0]
    margins = {"entry": entry, "notch floor": reach, "notch ceiling": room, "height play": play}
    altered = {
        "entry": entry + further,
        "notch floor": reach + further,
        "notch ceiling": room + further,
        "height play": play,
    }
    return Requirements(
        margins=margins,
        altered=altered,
        room={
            name: np.full_like(play, further) for name in ("entry", "notch floor", "notch ceiling")
        }
        if claws
        else {},
        thresholds={
            "entry": give,
            "notch floor": _at_least(floor, over),
            "notch ceiling": _at_least(ceiling, under),
            "height play": 0.0,
        },
        where={
            "entry": (lambda at: _clearances(placement, bottom, girdle, at)[2], 1),
            "notch floor": (lambda at: over[at], step),
            "notch ceiling": (lambda at: (under if claws else -inside)[at], step),
            "height play": -1,
        },
        set_by={
            "entry": gives,
            "notch floor": "notch_share_min" if claws else "wall_bearing_min_mm",
            "notch ceiling": _ceiling_of(seats, _first_least(under)),
            "height play": _closing_allowance(placement),
        },
        girdle_bottom=bottom,
    )


def _spare(seats: Seats, allowances: Allowances) -> Array:
    """Metal beside the girdle that may go before too little remains, (s,) [mm].

    A wall keeps what must remain outside a bearing; a claw's notch, as deep as it is already,
    stays within the deepest allowed.
    """
    if seats.holds == "claws":
        assert seats.notch is not None
        _, most, _, _ = _notch(seats, allowances)
        notch = seats.notch[:, ::FACE_POINTS]
        spare = ((most if most.ndim == 2 else most[:, None]) - notch).min(axis=1)
    else:
        spare = seats.thickness[:, 0] - allowances["wall_remaining_min_mm"]
    return np.asarray(np.maximum(spare, 0.0))


def _ceiling_of(seats: Seats, claw: int) -> str:
    """Which allowance limits the notch of a claw, or the bearing of a wall."""
    if seats.holds == "wall":
        return "wall_remaining_min_mm"
    claws = seats.belief.mounting.claws
    return "notch_share_max_shared" if claws and claws[claw].shared else "notch_share_max"


def _at_least(limit: Array, slack: Array) -> float:
    """The limit (s, 1) or (s, c) that holds where the best estimate has least to spare."""
    return float(limit[0, _first_least(slack) if limit.shape[1] > 1 else 0])


def _first_least(field: Array) -> int:
    """Where a field (..., s, c) is least in the best estimate, at its first depth."""
    return int(_least(field.reshape(-1, *field.shape[-2:])[0, :1])[0])


def _of(field: Array, at: At) -> Array:
    """Some samples' of a field (s, n) or (1, n)."""
    some: Array = np.repeat(field, len(at[-1]), axis=0) if len(field) == 1 else field[at[-1]]
    return some


def _clearances(
    placement: Placement, bottom: Array, girdle: Array, at: At
) -> tuple[Array, Array, Array]:
    """`Placement.clearances` of some samples, (k, n) each."""
    return placement.clearances(bottom[at], girdle[at], at[-1])


def _carried(placement: Placement, allowances: Allowances) -> tuple[Array, float, int]:
    """How well what is left of a ledge carries the stone: margin (s,) [mm], limit, station.

    The least of three: how much longer the widest gap, and all of them together, might be along
    the ledge's inner edge; and how far the stone's middle lies inside the chord across each gap,
    less `ledge_inside_min_mm`.
    """
    seats = placement.seats
    assert seats.ledge_inner is not None
    arcs = seats.belief.mounting.ledge_missing_deg
    here = np.rad2deg(seats.belief.directions)
    ends = np.array([[_nearest(here, end) for end in arc] for arc in arcs])
    # The middle of the outline's area, as a part of the stone, in the seat's own frame.
    kind = placement.gap.dtype
    middle = placement.shift + (
        centroid(placement.form.outline).astype(kind) * placement.width[:, None]
    )
    c, s = np.cos(placement.turn_rad), np.sin(placement.turn_rad)
    middle = middle @ np.array([[c, s], [-s, c]], dtype=kind)
    start, stop = (seats.ledge_inner[:, ends[:, side]] for side in (0, 1))
    way, off = stop - start, middle[:, None] - start
    inside = (way[..., 0] * off[..., 1] - way[..., 1] * off[..., 0]) / np.maximum(
        np.linalg.norm(way, axis=2), 1e-9
    )
    widest = max(arcs, key=lambda arc: arc[1] - arc[0])
    radius = np.linalg.norm(seats.ledge_inner, axis=2).mean(axis=1)
    allowed = math.radians(allowances["largest_missing_ledge_deg"]) * radius
    shorter = allowed - math.radians(widest[1] - widest[0]) * radius
    spare = allowances["missing_ledge_in_all_deg"] - sum(stop - start for start, stop in arcs)
    within = inside.min(axis=1) - allowances["ledge_inside_min_mm"]
    return (
        np.minimum(np.minimum(shorter, math.radians(spare) * radius), within),
        float(allowed[0]),
        _nearest(here, sum(widest) / 2),
    )


def _nearest(directions_deg: Array, at_deg: float) -> int:
    return int(np.abs((directions_deg - at_deg + 180.0) % 360.0 - 180.0).argmin())


def _least(field: Array) -> NDArray[np.int64]:
    # Of places equal but for rounding (draws are in single precision) the first, on every machine.
    return np.asarray(np.round(field, 4).argmin(axis=1))
