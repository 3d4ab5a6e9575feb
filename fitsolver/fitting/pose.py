"""The pose of a judged stone in the best estimate of its seat: an exact account of how it lies."""

from __future__ import annotations

import numpy as np
from msgspec import Struct

from fitsolver.fitting.bench import Bench
from fitsolver.fitting.seated import Seated
from fitsolver.fitting.security import Security
from fitsolver.fitting.solver import FLOORS, Check
from fitsolver.fitting.support import Support, support
from fitsolver.fitting.tilt import Tilt, tilt_band
from fitsolver.fitting.unopened import Unopened, unopened
from fitsolver.fitting.zone import Evenness, LedgeZone, Zone, evenness, ledge, zones


class Pose(Struct, frozen=True, kw_only=True, eq=False):
    """How the judged stone lies, exactly for the best estimate as drawn.

    `rests_on` "" if nothing carries it (zones then stand at a stone fallen to its culet); `zones`
    clearances from the girdle down; `ledge`, `support` and `tilt` None where there is no ledge
    yet; `ledge_u_mm` the standard uncertainty of the ledge's height from place to place; `evenness`
    of the gap seen from above; `unopened` the stone laid in before anything is opened; `claws_deg`
    directions of the claws.
    """

    rests_on: str
    rest_height_mm: float
    zones: tuple[Zone, ...]
    ledge: LedgeZone | None
    evenness: Evenness
    ledge_u_mm: float
    support: Support | None
    tilt: Tilt | None
    unopened: Unopened
    security: Security
    claws_deg: tuple[float, ...]

    def zone(self, name: str) -> Zone:
        """The zone of that name; `KeyError` if the seat has none."""
        for zone in self.zones:
            if zone.name == name:
                return zone
        raise KeyError(name)


def seated(bench: Bench, check: Check) -> Seated:
    """The checked stone where the check found it, in the best estimate, finely drawn."""
    mounting = bench.mounting
    height = check.rest_height_mm
    if not np.isfinite(height):
        height = check.girdle_bottom_mm + check.stone.girdle_mm / 2
    finger = mounting.finger_diameter_mm if mounting.back == "open" else None
    return Seated(
        seats=bench.fine,
        stone=check.stone,
        shift_mm=check.shift_mm,
        turn_rad=float(np.deg2rad(check.turn_deg)),
        z_mm=height,
        finger_diameter_mm=finger.value_mm if finger is not None else None,
        finger_along=mounting.finger_along,
    )


def pose_of(bench: Bench, check: Check) -> Pose:
    """Say exactly how a checked stone lies in the best estimate of its seat."""
    at = seated(bench, check)
    allowed = bench.allowances
    every = zones(at)
    outer = bench.seats.ledge_outer_z
    unsure = 0.0 if outer is None else float(outer[1:].std(axis=0).mean())
    carried = check.rests_on not in FLOORS and at.ledge is not None
    return Pose(
        rests_on=check.rests_on,
        rest_height_mm=check.rest_height_mm,
        zones=every,
        ledge=ledge(at),
        evenness=evenness(every[0]),
        ledge_u_mm=unsure,
        support=support(at, unsure) if carried else None,
        tilt=tilt_band(at, allowed["level_rise_mm"]) if carried else None,
        unopened=unopened(at, allowed["claw_give_mm" if at.claws else "rim_give_mm"]),
        security=check.security,
        claws_deg=at.claws_deg,
    )
