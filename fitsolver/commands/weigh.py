"""`fitsolver weigh`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from fitsolver.commands.answer import (
    ANSWERED,
    BAD_INPUT,
    Answer,
    columns,
    drawn,
    progress_bar,
    write_picture,
)
from fitsolver.commands.desk import Desk, option_of
from fitsolver.commands.words import Crown, Cut, Depth, Json, Length, Pavilion, Width, words

if TYPE_CHECKING:
    from fitsolver.weighing.evidence import Measured
    from fitsolver.weighing.learned import Learned
    from fitsolver.weighing.parcel import Tally

MOST_TOLD = 100
"""Stones that nothing was learned from, told one by one."""


def weigh(
    *,
    cut: Cut = None,
    length: Length = None,
    width: Width = None,
    depth: Depth = None,
    material: Annotated[
        str | None,
        Parameter(help="Material, by species or trade name; corundum if not given.",
                  metavar="NAME"),
    ] = None,
    make: Annotated[
        str | None,
        Parameter(help="well-cut, commercial or native; all are weighed up if not given.",
                  metavar="NAME"),
    ] = None,
    crown_height: Crown = None,
    girdle: Annotated[
        str | None,
        words("Girdle thickness where the main facets meet it, or a grader's word: thin, medium, "
              "slightly thick, thick, very thick."),
    ] = None,
    pavilion_depth: Pavilion = None,
    girdle_pct: Annotated[
        str | None, words("Girdle thickness, per cent of the width.", "PCT")
    ] = None,
    table_pct: Annotated[str | None, words("Table, per cent of the width.", "PCT")] = None,
    mass_ct: Annotated[
        str | None, words("Mass stated or weighed, to be held against the size.", "CT")
    ] = None,
    instrument: Annotated[
        str | None,
        Parameter(help="What took the sizes: caliper if not given; seller-0.1 or seller-0.5 for a "
                       "size quoted to 0.1 or 0.5 mm.", metavar="NAME"),
    ] = None,
    old_carats: Annotated[
        str | None,
        Parameter(help="The mass is in the old carats of this place, as amsterdam.",
                  metavar="PLACE"),
    ] = None,
    with_: Annotated[
        tuple[str, ...],
        Parameter(
            name="--with",
            help="Any other reading of the style, as star_pct=52; may be repeated. --star-pct 52 "
            "says the same.",
            allow_leading_hyphen=True,
            negative=(),
            metavar="NAME=VALUE",
        ),
    ] = (),
    list_: Annotated[
        Path | None,
        Parameter(
            name="--list",
            help="Weigh a parcel: a CSV file with the columns cut, material, length_mm, width_mm, "
            "depth_mm and any other reading by its name, as table_pct; parted by , or ; (then "
            "with decimal commas). The same rows come back with weight_ct, weight_u_ct, "
            "weight_low_ct and weight_high_ct. --cut, --material and --make hold where the list "
            "says nothing. Rows that cannot be weighed are told with line and reason and left "
            "empty; the exit code is then 2.",
            metavar="FILE",
        ),
    ] = None,
    output: Annotated[
        Path | None,
        Parameter(name=("--output", "-o"), metavar="FILE",
                  help="Where the list goes; to the standard output if not given."),
    ] = None,
    learn: Annotated[
        Path | None,
        Parameter(help="With --list and a column mass_ct: write what your own stones say of each "
                       "cut, shrunk towards the profile when they are few.", metavar="FILE"),
    ] = None,
    makes: Annotated[
        Path | None,
        Parameter(help="Weigh with what --learn wrote; the answer says so.", metavar="FILE"),
    ] = None,
    draw: Annotated[
        Path | None,
        Parameter(help="With --list: draw how the weights held on weighed stones, .svg or .png.",
                  metavar="FILE"),
    ] = None,
    force: Annotated[
        bool,
        Parameter(help="Let --output, --learn and --draw overwrite a file.", negative=()),
    ] = False,
    json: Json = False,
    **more: Annotated[str, Parameter(allow_leading_hyphen=True, show=False)],
) -> Answer:  # fmt: skip
    """Estimate the weight of a stone, or of a parcel, from whatever was measured."""
    desk = Desk()
    given = {
        "length_mm": length,
        "width_mm": width,
        "depth_mm": depth,
        "crown_height_mm": crown_height,
        "pavilion_depth_mm": pavilion_depth,
        "girdle_mm": girdle,
        "girdle_pct": girdle_pct,
        "table_pct": table_pct,
        "mass_ct": mass_ct,
    }
    for item in with_:
        name, equals, value = item.partition("=")
        if not equals:
            desk.refuse("--with", item, "is not NAME=VALUE", "Write it as star_pct=52")
        given[name.strip().replace("-", "_")] = value
    given.update({name.replace("-", "_"): value for name, value in more.items()})
    if list_ is not None:
        if json and output is None:
            desk.refuse("--json", None, "needs --output", "The list comes back as CSV: -o FILE")
        if learn is not None and makes is not None:
            desk.refuse("--learn", str(learn), "does not go with --makes",
                        "Learn from the profile's own weights")  # fmt: skip
        if old_carats is not None:
            desk.refuse("--old-carats", old_carats, "does not go with --list", "Leave it out")
        for name, text in given.items():
            if text is not None:
                desk.refuse(
                    option_of(name), text, "does not go with --list", "Make it a column of the list"
                )
        usual = {"cut_name": cut, "material_name": material, "make": make}
        return _weigh_list(desk, list_, output, usual, learn, makes, draw, force, json)
    if learn is not None:
        desk.refuse("--learn", str(learn), "goes with --list only", "Give a list of weighed stones")
    if draw is not None:
        desk.refuse("--draw", str(draw), "goes with --list only", "Give a list of weighed stones")
    if output is not None:
        desk.refuse("--output", str(output), "goes with --list only", "Redirect the answer: > FILE")
    stuff = desk.material(material)
    offer = desk.shape(cut, stuff)
    style = desk.style(cut) if offer is None else offer.styles[0]
    worded = None
    if girdle is not None and not any(sign.isdigit() for sign in girdle):
        worded = desk.girdle_word(given.pop("girdle_mm") or "")
    if length is None and width is None:
        desk.refuse("--length", None, "is missing", "Give length, width or both, in mm")
    readings = desk.readings(style, given)
    if instrument is not None:
        desk.instrument(instrument)
    if old_carats is not None:
        desk.old_carats(readings, old_carats)
    styles = None
    if style is not None:
        from fitsolver.weighing.weight import every_make

        with desk.noting("--make"):
            if offer is not None:
                styles = tuple(one for one in offer.styles if make in (None, one.make))
                if not styles:
                    style.in_make(str(make))
            else:
                styles = every_make(style, stuff) if make is None else (style.in_make(make),)
    own = _learned(desk, makes)
    desk.done()
    assert style is not None
    assert stuff is not None
    assert styles is not None

    from fitsolver.weighing import weight

    # A stated mass is a claim to hold against the size, so the estimate is made without it.
    stated = readings.pop("mass_ct", None)
    taken: dict[str, Measured] = dict(readings)
    if worded is not None:
        taken["girdle_valley_mm"] = worded
    if instrument is not None:
        from fitsolver.readings.reading import direct

        sizes = {name: value for name, value in readings.items() if name.endswith("_mm")}
        taken |= {name: direct(value, instrument=instrument) for name, value in sizes.items()}
    found = weight.weigh(styles, stuff, **taken)
    if own:
        from fitsolver.weighing.learned import reweighed

        found = reweighed(found, own)
    agreement = None
    if stated is not None:
        from fitsolver.weighing.consistency import consistency, implied_density
        from fitsolver.weighing.evidence import RANGES

        taken.pop("density_g_cm3", None)
        agreement = consistency(implied_density(styles, stated, **taken), stuff)
        density = agreement.implied_density_g_cm3
        least, most, _, _ = RANGES["_cm3"]
        if density.low > most or density.high < least:
            rule = (
                f"does not go with the size: it makes {density.value:,.0f} g/cm3, and gem "
                f"materials have {least:g} to {most:g}"
            )
            desk.refuse("--mass-ct", stated, rule, "Look at the decimal sign and the unit: 1 g is "
                        "5 ct")  # fmt: skip
            desk.done()
    if json:
        from fitsolver.telling.record import as_json, weight_record

        return Answer(text=as_json(weight_record(found, stuff, agreement)))
    from fitsolver.telling.report import weight_text

    known = {*readings, *([] if material is None else ["material"])}
    text = weight_text(
        found, style, stuff, agreement, columns(), given=known,
        title=None if offer is None else f"{offer.word.capitalize()}, cut not given",
    )  # fmt: skip
    if old_carats is not None:
        text += f"\n\n{mass_ct} old carats of {old_carats} are {stated:.2f} metric carats."
    return Answer(text=text)


def _learned(desk: Desk, path: Path | None) -> dict[str, Learned]:
    """Read what one's own stones say; nothing if no file is named."""
    if path is None:
        return {}
    from fitsolver.weighing.learned import read_learned

    with desk.noting("--makes"):
        return read_learned(path)
    return {}


def _weigh_list(
    desk: Desk,
    path: Path,
    output: Path | None,
    usual: dict[str, str | None],
    learn_into: Path | None,
    makes: Path | None,
    draw: Path | None,
    force: bool,
    json: bool,
) -> Answer:
    """Weigh a parcel; faults and remarks go to the standard error."""
    if usual["cut_name"] is not None:
        desk.style(usual["cut_name"])
    if usual["material_name"] is not None:
        desk.material(usual["material_name"])
    for option, file in (("--output", output), ("--learn", learn_into)):
        if file is not None:
            desk.writable(option, file, force=force)
    desk.picture(draw, force=force)
    own = _learned(desk, makes)
    desk.done()

    from fitsolver.files.datafile import new_file
    from fitsolver.telling.stone_report import held_record, held_text, parcel_text, remarks_text
    from fitsolver.text.layout import page
    from fitsolver.weighing.parcel import weigh_parcel

    # A bar and a list on one terminal would run into each other.
    shown = output is not None or not sys.stdout.isatty()
    with progress_bar("Weighing", shown) as progress:
        if output is None:
            tally = weigh_parcel(path, sys.stdout, **usual, learned=own, progress=progress)
        else:
            with new_file(output, overwrite=force) as target:
                tally = weigh_parcel(path, target, **usual, learned=own, progress=progress)
    learned: dict[str, Learned] = {}
    left: list[tuple[int, str]] = []
    said = ""
    if learn_into is not None:
        learned, left, said = _learn(tally, learn_into, str(path), force)
    held = held_text(tally.held, columns())
    aside = remarks_text(tally, str(path), columns())
    if draw is not None:
        told = "No drawing: no stone has a mass_ct"
        if tally.held:
            from fitsolver.drawings.held_chart import held_chart

            write_picture(held_chart(tally.held), draw, force)
            told = drawn(draw)
        aside = page([[t] for t in (aside, told) if t])
    code = BAD_INPUT if tally.bad_rows or left or (learn_into and not learned) else ANSWERED
    if json:
        from msgspec.structs import asdict

        from fitsolver.telling.record import as_json

        record = {
            "rows": tally.rows,
            "weighed": tally.weighed,
            "weight_ct": tally.weight_ct,
            "not_weighed": tally.bad_rows,
            "held": held_record(tally.held),
            "learned": {name: asdict(each) for name, each in learned.items()},
            "nothing_learned_from": [{"line": line, "why": why} for line, why in left],
            "made_with": {name: asdict(each) for name, each in own.items()},
        }
        return Answer(text=as_json(record), code=code, aside=aside)
    if output is None:
        return Answer(text="", code=code, aside=page([[t] for t in (aside, held, said) if t]))
    text = page([[t] for t in (parcel_text(tally, str(output), columns()), held, said) if t])
    return Answer(text=text, code=code, aside=aside)


def _learn(
    tally: Tally, target: Path, name: str, force: bool
) -> tuple[dict[str, Learned], list[tuple[int, str]], str]:
    """Write what the weighed stones of a list say; what was learned, what was not, in words."""
    from datetime import date

    from fitsolver.files.datafile import write_text
    from fitsolver.text.layout import plain
    from fitsolver.weighing.learned import learn, learned_text

    learned, left = learn(tally.masses, date.today().isoformat())
    lines = [plain(f"{name}:{line}: {why}") for line, why in left[:MOST_TOLD]]
    if len(left) > MOST_TOLD:
        lines.append(f"and {len(left) - MOST_TOLD:,} more")
    if learned:
        write_text(target, learned_text(learned), overwrite=force)
        lines.append(f"Learned, and used only with --makes {plain(target)}:")
        lines += [f"  {each.told(cut_name)}" for cut_name, each in sorted(learned.items())]
    else:
        lines.append("Nothing learned and no file written: no cut has 3 stones with a mass_ct")
    return learned, left, "\n".join(lines)
