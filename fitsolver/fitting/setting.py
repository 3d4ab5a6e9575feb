"""What the setter does: ordinary setting, alterations, and what every answer should warn of."""

from __future__ import annotations

from collections.abc import Iterator
from statistics import NormalDist

from msgspec import Struct

from fitsolver.fitting.requirement import KINDS
from fitsolver.fitting.solver import FLOORS, Check, Margin
from fitsolver.seats.allowance import Allowances, allowances
from fitsolver.seats.mounting import Mounting
from fitsolver.stones.material import Material
from fitsolver.text.layout import list_of

# One-sided 95 % of a normal: what metal might have to move if the readings are a little off.
ONE_SIDED = 1.645
# A share of a claw is read no better than this.
NEARLY = 0.005
# Less than this nobody alters [mm].
LEAST_MM = 0.005
# Finished claws end 60 to 80 % of the crown above the girdle (GIA benchmark for round stones).
HIGHEST_CLAW_SHARE = 0.8

# Surfaces that carry a stone, as the bench speaks of them.
RESTS = {"notch": "in the notches", "gallery": "on the gallery rail, not in its seat"}

ESTIMATE = (
    "This is an estimate from caliper readings, not a laboratory report: measure stone and seat "
    "again before money changes hands or metal is cut"
)
CLOSED_BACK = (
    "The back is closed: nobody has seen behind it. Where there is foil, no liquid, no steam, no "
    "ultrasonic"
)


class Alteration(Struct, frozen=True, kw_only=True):
    """Metal moved beyond ordinary setting, for one requirement.

    `about_mm` is what the middle of the readings needs, 0 where it needs nothing; `at_most_mm`
    covers 95 in 100 of what they allow, no more than `limit_mm`, which the allowance and the metal
    that must remain set. `caution` says what to mind in old work.
    """

    requirement: str
    work: str
    about_mm: float
    at_most_mm: float
    limit_mm: float
    caution: str


def cautions(material: Material, mounting: Mounting | None = None) -> tuple[str, ...]:
    """Return what to be careful of with this material, in this mounting, and with any estimate."""
    back = (CLOSED_BACK,) if mounting is not None and mounting.back == "closed" else ()
    weak = () if mounting is None else weak_claws(mounting)
    return (*weak, *back, *(text[:1].upper() + text[1:] for text in material.cautions), ESTIMATE)


def weak_claws(mounting: Mounting) -> tuple[str, ...]:
    """Say which claws of a cut head have too little metal left behind their notches, as read.

    Over half of a claw (a quarter of a shared one) in the notch is a fault of the head, whatever
    stone goes in: re-used heads break there. Sources: Professional Jeweler, July 2004 and Dec 2002;
    a retailer's article on resetting.
    """
    if mounting.holds != "claws" or mounting.state != "cut":
        return ()
    allowed = allowances(mounting.allowances)
    found: dict[float, str] = {}
    for k, at_deg in enumerate(mounting.claw_directions_deg):
        claw = mounting.claws[k] if mounting.claws else None
        notch = (claw and claw.notch_depth_mm) or mounting.ledge_width_mm
        thick = (claw and claw.thickness_mm) or mounting.claw_thickness_mm
        if notch is None or thick is None:
            continue
        shared = claw is not None and claw.shared
        most = allowed["notch_share_max_shared" if shared else "notch_share_max"]
        share = notch.value_mm / thick.value_mm
        if share > most + NEARLY:
            found[at_deg] = f"{100 * share:.0f} % at {at_deg:.0f} deg"
    if not found:
        return ()
    several = len(found) > 1
    return (
        f"The head is weak: too much of {'these claws' if several else 'a claw'} is cut away for "
        f"the notch ({list_of(list(found.values()))}; half is the most, a quarter of a shared "
        "claw). Such claws break when they are bent: let a bench build them up first",
    )


def alterations(check: Check) -> tuple[Alteration, ...]:
    """List the alterations a stone needs or may need; none if it seats as the mounting is."""
    if check.verdict == "seats":
        return ()
    claws = check.mounting.holds == "claws"
    found = []
    for margin in check.requirements:
        kind = KINDS[margin.name]
        limit = margin.alteration_limit_mm
        if not kind.alteration or margin.probability >= 0.95 or limit <= 0:
            continue
        about = max(0.0, -margin.margin_mm)
        # How far the requirement holds in the middle of what the readings allow: tightest places
        # are tighter in an uneven seat than in its best estimate.
        middle = margin.u_mm * NormalDist().inv_cdf(min(max(margin.probability, 0.002), 0.998))
        most = min(limit, max(about, ONE_SIDED * margin.u_mm - middle))
        if max(about, most) < LEAST_MM:
            continue
        found.append(
            Alteration(
                requirement=margin.name,
                work=(claws and kind.claw_alteration) or kind.alteration,
                about_mm=about,
                at_most_mm=most,
                limit_mm=limit,
                caution=kind.caution,
            )
        )
    return tuple(found)


def alteration_total_mm(check: Check) -> tuple[float, float]:
    """Metal to move beyond ordinary setting, all requirements together: (about, at most) [mm].

    One number to compare two stones by: for the same mounting, less of it is the gentler choice.
    """
    every = alterations(check)
    return sum(item.about_mm for item in every), sum(item.at_most_mm for item in every)


def ordinary_setting(check: Check) -> tuple[str, ...]:
    """Say in sentences what ordinary setting means for this stone in this seat."""
    allowed = allowances(check.mounting.allowances)
    needs = {margin.name: margin for margin in check.requirements}
    turn = round(check.turn_deg) % 360
    turned = (f"Turn the stone by {turn} deg.",) if turn else ()
    steps = _uncut if check.mounting.state == "uncut" else _cut
    return (*turned, *steps(check, needs, allowed))


def notch_depth_mm(check: Check) -> tuple[float, float]:
    """Return how deep the notches or the bearing of an uncut seat become, least and most [mm]."""
    allowed = allowances(check.mounting.allowances)
    needs = {margin.name: margin for margin in check.requirements}
    claws = check.mounting.holds == "claws"
    bend_in, bend_out = (
        (allowed["claw_bend_in_mm"], allowed["claw_bend_out_mm"]) if claws else (0.0, 0.0)
    )
    floor, ceiling = needs["notch floor"], needs["notch ceiling"]
    least = max(0.0, floor.margin_mm + floor.threshold_mm - bend_in)
    most = ceiling.threshold_mm + bend_out - ceiling.margin_mm
    return least, max(least, most)


def _cut(check: Check, needs: dict[str, Margin], allowed: Allowances) -> Iterator[str]:
    claws = check.mounting.holds == "claws"
    metal, datum = (
        ("claws", "the roots of the notches") if claws else ("rim", "the corner of wall and ledge")
    )
    if check.rests_on not in FLOORS:
        yield (
            f"{'Open the claws and lower' if claws else 'Lower'} the stone: it rests "
            f"{RESTS.get(check.rests_on, 'on the ' + check.rests_on)}, the middle of its girdle "
            f"{_above(check.rest_height_mm, datum)}."
        )
    else:
        yield "Nothing under it carries the stone: it falls through."
    gaps = [f"{start % 360:.0f} to {stop % 360:.0f} deg"
            for start, stop in check.mounting.ledge_missing_deg]  # fmt: skip
    if gaps:
        yield f"No ledge is left from {list_of(gaps)}: do not press the stone down there."
    above = needs.get("metal above girdle")
    if above is not None and above.margin_mm + above.threshold_mm > 0:
        height = above.margin_mm + above.threshold_mm
        if check.mounting.flush:
            yield f"Burnish the edge over the girdle, which lies {height:.2f} mm below the surface."
        else:
            yield f"Close the {metal} over the girdle: {height:.2f} mm of metal stands above it."
        highest = HIGHEST_CLAW_SHARE * check.stone.crown_height_mm
        if claws and height > highest + LEAST_MM:
            yield (
                f"Shorten the claws where they would end higher than {highest:.2f} mm above the "
                "girdle, 80 % of the crown."
            )


def _uncut(check: Check, needs: dict[str, Margin], allowed: Allowances) -> Iterator[str]:
    claws = check.mounting.holds == "claws"
    what, where = ("notches", "the claw tips") if claws else ("a bearing", "the rim")
    play = needs["height play"].margin_mm
    band = f" (it may go {play / 2:.2f} mm higher or lower)" if play > 0 else ""
    yield (f"Cut {what} for the girdle, its middle {_above(check.rest_height_mm, where)}{band}.")
    least, most = notch_depth_mm(check)
    depth = f"{least:.2f}"
    if most - least >= 0.005:
        depth += f" to {most:.2f}"
    each = "Each notch" if claws else "The bearing"
    close = "close the claws" if claws else "close the rim"
    close = "burnish the edge" if check.mounting.flush else close
    share = ""
    alike = claws and not check.mounting.claws
    if alike and (thick := needs["notch ceiling"].threshold_mm / allowed["notch_share_max"]) > 0:
        low, high = (f"{100 * max(part, 0.0) / thick:.0f}" for part in (least, most))
        share = f", {low if low == high else f'{low} to {high}'} % of the claw's thickness"
    yield f"{each} is {depth} mm deep{share}; then {close} over it."


def _above(height_mm: float, what: str) -> str:
    side = "above" if height_mm >= 0 else "below"
    return f"{abs(height_mm):.2f} mm {side} {what}"
