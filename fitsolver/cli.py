"""The commands: read the words, ask the library once, write the answer.

Exit codes: 0 answered; 2 something wrong with the input; 3 does not seat, nothing seats; 4 not
decided. Numbers and tables go to the standard output, faults and progress to the standard error.
"""

from __future__ import annotations

import io
import os
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import App, CycloptsError, Parameter, UnusedCliTokensError

from fitsolver import __version__
from fitsolver.desk import COMMAND_LINE, Desk, faults_of, option_of
from fitsolver.errors import Fault, FitsolverError

if TYPE_CHECKING:
    from fitsolver.evidence import Measured
    from fitsolver.figure import Drawing

ANSWERED, BAD_INPUT, DOES_NOT_SEAT, NOT_DECIDED, INTERRUPTED = 0, 2, 3, 4, 130
CODES = {
    "seats": ANSWERED,
    "seats after alteration": ANSWERED,
    "does not seat": DOES_NOT_SEAT,
    "not decided": NOT_DECIDED,
}
WIDEST = 100

EPILOGUE = """\
Lengths are in millimetres, 6.5 or 6,5. Exit code: 0 answered, 2 bad input, 3 does not seat, 4 not \
decided."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a command says and how it exits."""

    text: str
    code: int = ANSWERED
    aside: str = ""


def _words(text: str, metavar: str = "MM") -> Any:
    """Describe a value that is read as text first, so that -3 is a number and not an option."""
    return Parameter(help=text, allow_leading_hyphen=True, metavar=metavar)


Cut = Annotated[str | None, Parameter(help="Cut style, as oval-brilliant (required).",
                                      metavar="NAME")]  # fmt: skip
Stuff = Annotated[
    str,
    Parameter(help="Material, by species or trade name; corundum if not given.", metavar="NAME"),
]
Length = Annotated[str | None, _words("Length of the stone.")]
Width = Annotated[str | None, _words("Width of the stone.")]
Depth = Annotated[str | None, _words("Total depth of the stone.")]
Crown = Annotated[str | None, _words("Crown height.")]
Girdle = Annotated[str | None, _words("Girdle thickness, where the main facets meet it.")]
Pavilion = Annotated[str | None, _words("Pavilion depth.")]
File = Annotated[Path | None, Parameter(help="File of the mounting's readings (required).")]
Draw = Annotated[Path | None, Parameter(help="Write a drawing, .svg or .png.", metavar="FILE")]
Force = Annotated[bool, Parameter(help="Let --draw overwrite a file.", negative=())]
Json = Annotated[bool, Parameter(name="--json", help="Answer in JSON.", negative=())]

app = App(
    name="fitsolver",
    help="Which loose stones will seat in this mounting: caliper readings in, cuts and sizes out.",
    version=__version__,
    help_format="plaintext",
    help_epilogue=EPILOGUE,
    result_action="return_value",
    default_parameter=Parameter(show_default=False),
)


@app.command(
    usage="Usage: fitsolver weigh --cut NAME --length MM --width MM [--depth MM] [OPTIONS]\n"
    "       fitsolver weigh --list FILE [-o FILE] [OPTIONS]"
)
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
    girdle: Girdle = None,
    pavilion_depth: Pavilion = None,
    girdle_pct: Annotated[
        str | None, _words("Girdle thickness, per cent of the width.", "PCT")
    ] = None,
    table_pct: Annotated[str | None, _words("Table, per cent of the width.", "PCT")] = None,
    mass_ct: Annotated[
        str | None, _words("Mass stated or weighed, to be held against the size.", "CT")
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
    force: Annotated[bool, Parameter(help="Let --output overwrite a file.", negative=())] = False,
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
        if json:
            desk.refuse("--json", None, "does not go with --list", "A list comes back as CSV")
        if old_carats is not None:
            desk.refuse("--old-carats", old_carats, "does not go with --list", "Leave it out")
        for name, text in given.items():
            if text is not None:
                desk.refuse(
                    option_of(name), text, "does not go with --list", "Make it a column of the list"
                )
        return _weigh_list(desk, list_, output, cut, material, make, force)
    if output is not None:
        desk.refuse("--output", str(output), "goes with --list only", "Redirect the answer: > FILE")
    style, stuff = desk.style(cut), desk.material(material or "corundum")
    if length is None and width is None:
        desk.refuse("--length", None, "is missing", "Give length, width or both, in mm")
    readings = desk.readings(style, given)
    if instrument is not None:
        desk.instrument(instrument)
    if old_carats is not None:
        desk.old_carats(readings, old_carats)
    styles = None
    if style is not None:
        with desk.noting("--make"):
            from fitsolver.weight import every_make

            styles = every_make(style, stuff) if make is None else (style.in_make(make),)
    desk.done()
    assert style is not None
    assert stuff is not None
    assert styles is not None

    from fitsolver import weight

    # A stated mass is a claim to hold against the size, so the estimate is made without it.
    stated = readings.pop("mass_ct", None)
    taken: dict[str, Measured] = dict(readings)
    if instrument is not None:
        from fitsolver.reading import direct

        sizes = {name: value for name, value in readings.items() if name.endswith("_mm")}
        taken |= {name: direct(value, instrument=instrument) for name, value in sizes.items()}
    found = weight.weigh(styles, stuff, **taken)
    agreement = None
    if stated is not None:
        from fitsolver.consistency import consistency, implied_density

        taken.pop("density_g_cm3", None)
        agreement = consistency(implied_density(styles, stated, **taken), stuff)
    if json:
        from fitsolver.record import as_json, weight_record

        return Answer(text=as_json(weight_record(found, stuff, agreement)))
    from fitsolver.report import weight_text

    text = weight_text(found, style, stuff, agreement, _width())
    if old_carats is not None:
        text += f"\n\n{mass_ct} old carats of {old_carats} are {stated:.2f} metric carats."
    return Answer(text=text)


def _weigh_list(
    desk: Desk,
    path: Path,
    output: Path | None,
    cut: str | None,
    material: str | None,
    make: str | None,
    force: bool,
) -> Answer:
    """Weigh a parcel; faults and remarks go to the standard error."""
    if cut is not None:
        desk.style(cut)
    if material is not None:
        desk.material(material)
    if output is not None:
        desk.writable("--output", output, force=force)
    desk.done()

    from fitsolver.datafile import new_file
    from fitsolver.parcel import weigh_parcel
    from fitsolver.stone_report import parcel_text, remarks_text

    usual = {"cut_name": cut, "material_name": material, "make": make}
    # A bar and a list on one terminal would run into each other.
    shown = output is not None or not sys.stdout.isatty()
    with _progress("Weighing", shown) as progress:
        if output is None:
            tally = weigh_parcel(path, sys.stdout, **usual, progress=progress)
        else:
            with new_file(output, overwrite=force) as target:
                tally = weigh_parcel(path, target, **usual, progress=progress)
    return Answer(
        text="" if output is None else parcel_text(tally, str(output), _width()),
        code=BAD_INPUT if tally.bad_rows else ANSWERED,
        aside=remarks_text(tally, str(path), _width()),
    )


@app.command(
    usage="Usage: fitsolver check MOUNTING --cut NAME --length MM --width MM --depth MM [OPTIONS]"
)
def check(
    mounting: File = None,
    /,
    *,
    cut: Cut = None,
    length: Length = None,
    width: Width = None,
    depth: Depth = None,
    material: Stuff = "corundum",
    crown_height: Crown = None,
    girdle: Girdle = None,
    pavilion_depth: Pavilion = None,
    turn_deg: Annotated[
        str | None, _words("Turn of the stone in the seat; the best is found if not given.", "DEG")
    ] = None,
    draw: Draw = None,
    force: Force = False,
    json: Json = False,
) -> Answer:
    """Judge one stone in a mounting: does it seat, how surely, what must the setter do."""
    desk = Desk()
    ready, style, stuff = desk.bench(mounting), desk.style(cut), desk.material(material)
    for option, text in (("--length", length), ("--width", width), ("--depth", depth)):
        if text is None:
            desk.refuse(option, None, "is missing", "Give it in mm, as read by caliper")
    heights = {
        "crown_height_mm": crown_height,
        "girdle_mm": girdle,
        "pavilion_depth_mm": pavilion_depth,
    }
    readings = desk.readings(
        style, {"length_mm": length, "width_mm": width, "depth_mm": depth, **heights}
    )
    turn = desk.number("--turn-deg", turn_deg) if turn_deg is not None else None
    desk.picture(draw, force=force)
    desk.done()
    assert ready is not None
    assert style is not None
    assert stuff is not None

    import math

    from fitsolver import solver
    from fitsolver.weight import every_make, weigh

    found = solver.check(
        ready,
        style,
        readings["length_mm"],
        readings["width_mm"],
        readings["depth_mm"],
        heights_mm={name: readings[name] for name in heights if name in readings},
        turn_rad=None if turn is None else math.radians(turn),
    )
    weight = weigh(every_make(style, stuff), stuff, **readings)
    if draw is not None:
        from fitsolver.drawing import drawing_of

        _write(drawing_of(ready, found), draw, force)
    code = CODES[found.verdict]
    if json:
        from fitsolver.record import as_json, check_record

        return Answer(
            text=as_json(check_record(found, weight, stuff)), code=code, aside=_drawn(draw)
        )
    from fitsolver.report import check_text

    return Answer(text=check_text(found, weight, stuff, _width()), code=code, aside=_drawn(draw))


@app.command(usage="Usage: fitsolver propose MOUNTING [OPTIONS]")
def propose(
    mounting: File = None,
    /,
    *,
    material: Stuff = "corundum",
    limit: Annotated[
        int | None,
        Parameter(help="How many cuts to work out in full; the best few if not given."),
    ] = None,
    draw: Draw = None,
    force: Force = False,
    json: Json = False,
) -> Answer:
    """Propose the cuts and sizes that seat in a mounting, best first, and say why others do not."""
    desk = Desk()
    ready, stuff = desk.bench(mounting), desk.material(material)
    if limit is not None and not 1 <= limit <= 1000:
        desk.refuse("--limit", limit, "must be 1 to 1000", "Give the number of cuts to work out")
    desk.picture(draw, force=force)
    desk.done()
    assert ready is not None
    assert stuff is not None

    from fitsolver import proposal

    _keep_memory()
    with _progress("Trying cuts") as progress:
        found = proposal.propose(
            ready, stuff, limit=proposal.LIMIT if limit is None else limit, progress=progress
        )
    verdicts = {item.verdict for item in found.proposals}
    code = DOES_NOT_SEAT
    if verdicts & {"seats", "seats after alteration"}:
        code = ANSWERED
    elif verdicts:
        code = NOT_DECIDED
    aside = ""
    if draw is not None and found.proposals:
        from fitsolver.drawing import drawing_of

        _write(drawing_of(ready, found.proposals[0].ask), draw, force)
        aside = _drawn(draw)
    elif draw is not None:
        aside = "No drawing: nothing seats."
    if json:
        from fitsolver.record import as_json, proposals_record

        return Answer(text=as_json(proposals_record(found)), code=code, aside=aside)
    from fitsolver.report import proposals_text

    return Answer(text=proposals_text(found, _width()), code=code, aside=aside)


@app.command(
    usage="Usage: fitsolver density --mass-air-ct CT --mass-water-ct CT [OPTIONS]\n"
    "       fitsolver density --mass-air-ct CT --stone-beside-ct CT --stone-inside-ct CT [OPTIONS]"
)
def density(
    *,
    mass_air_ct: Annotated[str | None, _words("Mass of the dry stone (required).", "CT")] = None,
    mass_water_ct: Annotated[
        str | None, _words("Mass shown with the stone in water, wire or basket included.", "CT")
    ] = None,
    wire_ct: Annotated[
        str | None,
        _words("Mass shown for the wire or basket alone in water; 0 if it was tared.", "CT"),
    ] = None,
    stone_beside_ct: Annotated[
        str | None,
        _words("With a specific-gravity bottle: the full bottle with the stone beside it.", "CT"),
    ] = None,
    stone_inside_ct: Annotated[
        str | None, _words("The bottle with the stone inside, filled to the mark again.", "CT")
    ] = None,
    temperature_c: Annotated[
        str, _words("Temperature of the water; 20 if not given.", "CELSIUS")
    ] = "20",
    balance_step_ct: Annotated[
        str, _words("Step of the balance; 0.01 if not given.", "CT")
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

    from fitsolver.hydrostatic import density_by_bottle, density_in_water

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
        from fitsolver.record import as_json, density_record

        return Answer(text=as_json(density_record(found)))
    from fitsolver.stone_report import density_text

    return Answer(text=density_text(found, _width()))


@app.command(
    usage="Usage: fitsolver recut --from NAME --length MM --width MM --depth MM --to NAME "
    "[--into MOUNTING] [OPTIONS]"
)
def recut(
    *,
    from_: Annotated[
        str | None,
        Parameter(name="--from", help="Cut style of the stone now (required).", metavar="NAME"),
    ] = None,
    length: Length = None,
    width: Width = None,
    depth: Depth = None,
    to: Annotated[
        str | None, Parameter(help="Cut style it is to become (required).", metavar="NAME")
    ] = None,
    length_ratio: Annotated[
        str | None,
        _words("Length over width of the new cut; its usual one if not given.", "RATIO"),
    ] = None,
    material: Stuff = "corundum",
    free_heights: Annotated[
        bool,
        Parameter(
            help="Let crown, girdle and pavilion go anywhere within the limits of the style, for "
            "the heaviest stone; otherwise they keep its usual proportions.",
            negative=(),
        ),
    ] = False,
    into: Annotated[
        Path | None,
        Parameter(
            help="Find the heaviest stone of the sizes that seat in this mounting (heights free).",
            metavar="MOUNTING",
        ),
    ] = None,
    grind_mm: Annotated[
        str, _words("What every old facet loses before a new one is clean; 0 if not given.")
    ] = "0",
    json: Json = False,
) -> Answer:  # fmt: skip
    """Find the largest stone of another cut inside a stone, and what it costs in weight."""
    desk = Desk()
    style, target = desk.style(from_, "--from"), desk.style(to, "--to")
    stuff = desk.material(material)
    for option, text in (("--length", length), ("--width", width), ("--depth", depth)):
        if text is None:
            desk.refuse(option, None, "is missing", "Give it in mm, as read by caliper")
    sizes = desk.readings(style, {"length_mm": length, "width_mm": width, "depth_mm": depth})
    grind = desk.number("--grind-mm", grind_mm)
    ratio = None if length_ratio is None else desk.number("--length-ratio", length_ratio)
    if into is not None and length_ratio is not None:
        rule = "does not go with --into"
        desk.refuse("--length-ratio", length_ratio, rule, "The mounting says what is asked for")
    ready = None if into is None else desk.bench(into)
    desk.done()
    assert style is not None
    assert target is not None
    assert stuff is not None
    assert grind is not None

    from fitsolver import reseat

    given = reseat.as_read(style, stuff, **sizes)
    if ready is None:
        found = reseat.recut_of(
            given, target, length_ratio=ratio, grind_mm=grind, free_heights=free_heights
        )
    else:
        with _progress("Working out what seats") as progress:
            found = reseat.recut_into(given, target, ready, grind_mm=grind, progress=progress)
    code = ANSWERED if found.verdict is None else CODES[found.verdict]
    if json:
        from fitsolver.record import as_json, recut_record

        return Answer(text=as_json(recut_record(found)), code=code)
    from fitsolver.stone_report import recut_text

    return Answer(text=recut_text(found, _width()), code=code)


@app.command(usage="Usage: fitsolver cuts [NAME] [OPTIONS]")
def cuts(
    name: Annotated[str | None, Parameter(help="The one to describe; all if not given.")] = None,
    /,
    *,
    draw: Draw = None,
    force: Force = False,
    json: Json = False,
) -> Answer:
    """List the cut styles, or describe and draw one."""
    from fitsolver.cut import cuts as every_cut

    desk = Desk()
    style = None if name is None else desk.style(name, "NAME")
    desk.picture(draw, force=force)
    desk.done()
    if draw is not None:
        from fitsolver.drawing import cut_drawing, gallery

        drawing = cut_drawing(style) if style is not None else gallery(every_cut(), columns=6)
        _write(drawing, draw, force)
    if json:
        from fitsolver import record

        found = record.cut_record(style) if style else record.cuts_record(every_cut())
        return Answer(text=record.as_json(found), aside=_drawn(draw))
    from fitsolver.report import cut_text, cuts_text

    text = cut_text(style, _width()) if style else cuts_text(every_cut(), _width())
    return Answer(text=text, aside=_drawn(draw))


def answer(arguments: Sequence[str]) -> Answer:
    """Run one command line and return what it says; `--help` and `--version` print themselves."""
    try:
        found = app(list(arguments), exit_on_error=False, print_error=False)
    except CycloptsError as error:
        return _refusal([_misuse(error)], arguments)
    except FitsolverError as error:
        return _refusal(faults_of(error), arguments)
    return found if isinstance(found, Answer) else Answer(text="")


def _keep_memory() -> None:
    """Keep freed memory in the process while many arrays of some 300 kB come and go.

    Handing each back and fetching it anew costs a sixth of the time. For GNU's C library only
    (`mallopt`, M_TRIM_THRESHOLD and M_MMAP_THRESHOLD); elsewhere nothing is done.
    """
    import ctypes

    mallopt = getattr(ctypes.CDLL(None) if os.name == "posix" else None, "mallopt", None)
    if mallopt is not None:
        for parameter in (-1, -3):
            mallopt(parameter, 500_000_000)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command, print its answer and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A name in letters that the terminal lacks must not end in a traceback.
            stream.reconfigure(errors="backslashreplace")
    try:
        said = answer(sys.argv[1:] if arguments is None else arguments)
        if said.text:
            print(said.text, flush=True)
        if said.aside:
            print(said.aside, file=sys.stderr, flush=True)
    except BrokenPipeError:
        # The reader has seen enough (`| head`); keep the interpreter from complaining at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return ANSWERED
    except OSError as error:
        print(f"fitsolver: {error.strerror or error}", file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        return INTERRUPTED
    return said.code


def _refusal(faults: Sequence[Fault], arguments: Sequence[str]) -> Answer:
    """Say what was wrong: to people on the standard error, with --json to programs as well."""
    from fitsolver.report import faults_text

    text = ""
    if "--json" in arguments:
        from fitsolver.record import as_json, faults_record

        text = as_json(faults_record(faults))
    return Answer(text=text, code=BAD_INPUT, aside=faults_text(faults, _width()))


def _misuse(error: CycloptsError) -> Fault:
    """Turn an error of the command line's own grammar into a fault."""
    command = " ".join(("fitsolver", *(error.command_chain or ())))
    rule = " ".join(str(error).split()).rstrip(".?")
    if isinstance(error, UnusedCliTokensError):
        rule = f"does not take {' '.join(error.unused_tokens or ())}"
    return Fault(
        file=COMMAND_LINE, line=None, key=command, value=None, rule=rule[:1].lower() + rule[1:],
        remedy=f"{command} --help lists what it takes",
    )  # fmt: skip


def _write(drawing: Drawing, path: Path, force: bool) -> None:
    from fitsolver.drawing import write_drawing

    write_drawing(drawing, path, overwrite=force)


def _drawn(path: Path | None) -> str:
    return "" if path is None else f"Drawing: {path}"


def _width() -> int:
    """Columns to write in: the terminal's, 80 where the text goes elsewhere."""
    if not sys.stdout.isatty():
        return 80
    return max(80, min(shutil.get_terminal_size().columns, WIDEST))


@contextmanager
def _progress(label: str, shown: bool = True) -> Iterator[Callable[[int, int], None] | None]:
    """Show how far the work is, on a terminal only, and leave no trace."""
    if not shown or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
