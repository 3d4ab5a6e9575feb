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
from fitsolver.desk import COMMAND_LINE, Desk, faults_of
from fitsolver.errors import Fault, FitsolverError

if TYPE_CHECKING:
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
    usage="Usage: fitsolver weigh --cut NAME --length MM --width MM [--depth MM] [OPTIONS]"
)
def weigh(
    *,
    cut: Cut = None,
    length: Length = None,
    width: Width = None,
    depth: Depth = None,
    material: Stuff = "corundum",
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
    mass_ct: Annotated[str | None, _words("Mass stated or weighed, to be held against the size.", "CT")] = None,
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
    json: Json = False,
    **more: Annotated[str, Parameter(allow_leading_hyphen=True, show=False)],
) -> Answer:  # fmt: skip
    """Estimate the weight of a stone from whatever was measured on it."""
    desk = Desk()
    style, stuff = desk.style(cut), desk.material(material)
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
    if length is None and width is None:
        desk.refuse("--length", None, "is missing", "Give length, width or both, in mm")
    readings = desk.readings(style, given)
    styles = None
    if style is not None:
        with desk.noting("--make"):
            from fitsolver.weight import every_make

            styles = every_make(style) if make is None else (style.in_make(make),)
    desk.done()
    assert style is not None
    assert stuff is not None
    assert styles is not None

    from fitsolver import weight

    # A stated mass is a claim to hold against the size, so the estimate is made without it.
    stated = readings.pop("mass_ct", None)
    found = weight.weigh(styles, stuff, **readings)
    agreement = None
    if stated is not None:
        from fitsolver.consistency import consistency, implied_density

        sizes = {name: value for name, value in readings.items() if name != "density_g_cm3"}
        agreement = consistency(implied_density(styles, stated, **sizes), stuff)
    if json:
        from fitsolver.record import as_json, weight_record

        return Answer(text=as_json(weight_record(found, stuff, agreement)))
    from fitsolver.report import weight_text

    return Answer(text=weight_text(found, style, stuff, agreement, _width()))


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
    weight = weigh(every_make(style), stuff, **readings)
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

    with _progress() as progress:
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

        drawing = cut_drawing(style) if style is not None else gallery(every_cut())
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
def _progress() -> Iterator[Callable[[int, int], None] | None]:
    """Show how far the work is, on a terminal only, and leave no trace."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Trying cuts")
        yield lambda done, total: bar.update(task, completed=done, total=total)
