"""`fitsolver density`."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from fitsolver.commands.answer import Answer, columns
from fitsolver.commands.desk import Desk
from fitsolver.commands.words import Json, words


def density(
    *,
    mass_air_ct: Annotated[str | None, words("Mass of the dry stone (required).", "CT")] = None,
    mass_water_ct: Annotated[
        str | None, words("Mass shown with the stone in water, wire or basket included.", "CT")
    ] = None,
    wire_ct: Annotated[
        str | None,
        words("Mass shown for the wire or basket alone in water; 0 if it was tared.", "CT"),
    ] = None,
    stone_beside_ct: Annotated[
        str | None,
        words("With a specific-gravity bottle: the full bottle with the stone beside it.", "CT"),
    ] = None,
    stone_inside_ct: Annotated[
        str | None, words("The bottle with the stone inside, filled to the mark again.", "CT")
    ] = None,
    temperature_c: Annotated[
        str, words("Temperature of the water; 20 if not given.", "CELSIUS")
    ] = "20",
    balance_step_ct: Annotated[
        str, words("Step of the balance; 0.01 if not given.", "CT")
    ] = "0.01",
    material: Annotated[
        str | None,
        Parameter(help="What the stone is said to be, by species or trade name.", metavar="NAME"),
    ] = None,
    json: Json = False,
) -> Answer:  # fmt: skip
    """Find a stone's density by weighing it in air and in water, and what that agrees with."""
    desk = Desk()
    stuff = None if material is None else desk.material(material)
    texts = {
        "--mass-air-ct": mass_air_ct,
        "--mass-water-ct": mass_water_ct,
        "--wire-ct": wire_ct,
        "--stone-beside-ct": stone_beside_ct,
        "--stone-inside-ct": stone_inside_ct,
        "--temperature-c": temperature_c,
        "--balance-step-ct": balance_step_ct,
    }
    bottle = stone_beside_ct is not None or stone_inside_ct is not None
    needed = ("--stone-beside-ct", "--stone-inside-ct") if bottle else ("--mass-water-ct",)
    for option in ("--mass-air-ct", *needed):
        if texts[option] is None:
            desk.refuse(option, None, "is missing", "Give what the balance shows, in carats")
    for option in ("--mass-water-ct", "--wire-ct") if bottle else ():
        if (text := texts[option]) is not None:
            desk.refuse(option, text, "does not go with the bottle", "Leave it out")
    numbers = {
        option: desk.number(option, text) for option, text in texts.items() if text is not None
    }
    desk.done()

    from fitsolver.weighing.hydrostatic import density_by_bottle, density_in_water

    read = {option: value for option, value in numbers.items() if value is not None}
    conditions = {
        "temperature_c": read["--temperature-c"],
        "balance_step_ct": read["--balance-step-ct"],
    }
    air = read["--mass-air-ct"]
    if bottle:
        beside, inside = read["--stone-beside-ct"], read["--stone-inside-ct"]
        found = density_by_bottle(air, beside, inside, **conditions, offered=stuff)
    else:
        water, wire = read["--mass-water-ct"], read.get("--wire-ct", 0.0)
        found = density_in_water(air, water, wire_ct=wire, **conditions, offered=stuff)
    if json:
        from fitsolver.telling.record import as_json, density_record

        return Answer(text=as_json(density_record(found)))
    from fitsolver.telling.stone_report import density_text

    return Answer(text=density_text(found, columns()))
