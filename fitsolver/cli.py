"""The command line: find the command, run it, print what it says.

Exit codes: 0 answered; 2 something wrong with the input; 3 does not seat, nothing seats; 4 not
decided. Numbers and tables go to the standard output, faults and progress to the standard error.
A command's module is loaded when it is called.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence
from difflib import get_close_matches
from typing import NoReturn

from cyclopts import App, CycloptsError, Parameter, UnknownCommandError, UnusedCliTokensError

from fitsolver import __version__
from fitsolver.commands.answer import ANSWERED, BAD_INPUT, INTERRUPTED, Answer, columns
from fitsolver.commands.desk import COMMAND_LINE, faults_of
from fitsolver.crew import collect_seldom
from fitsolver.errors import Fault, FitsolverError

EPILOGUE = """\
Lengths are in millimetres, 6.5 or 6,5. Exit code: 0 answered, 2 bad input, 3 does not seat, 4 not \
decided."""

app = App(
    name="fitsolver",
    help="Which loose stones will seat in this mounting: caliper readings in, cuts and sizes out.",
    version=__version__,
    help_format="plaintext",
    help_epilogue=EPILOGUE,
    result_action="return_value",
    default_parameter=Parameter(show_default=False),
)

app.command(
    "fitsolver.commands.propose:propose",
    help="Propose the cuts and sizes that seat, best first, and say why others do not.",
    usage="Usage: fitsolver propose MOUNTING [OPTIONS]",
)
app.command(
    "fitsolver.commands.check:check",
    help="Judge one stone in a mounting: does it seat, how surely, what must the setter do.",
    usage="Usage: fitsolver check MOUNTING --cut NAME --length MM --width MM --depth MM [OPTIONS]",
)
app.command(
    "fitsolver.commands.sizes:sizes",
    help="Show every size of a cut that seats in a mounting: its seating range, and as a chart.",
    usage="Usage: fitsolver sizes MOUNTING --cut NAME [OPTIONS]",
)
app.command(
    "fitsolver.commands.spec:spec",
    help="Write the size spec: what to ask for, what to refuse, the price ceiling if budgeted.",
    usage="Usage: fitsolver spec MOUNTING [-o FILE.pdf] [OPTIONS]",
)
app.command(
    "fitsolver.commands.card:card",
    help="Write a card for the dealer's table: spec, drawing and a calculator, without a network.",
    usage="Usage: fitsolver card MOUNTING -o FILE.html [OPTIONS]",
)
app.command(
    "fitsolver.commands.compare:compare",
    help="Compare stones that were found for a mounting: seat, price, mass and alteration.",
    usage="Usage: fitsolver compare MOUNTING CANDIDATES [-o FILE] [OPTIONS]",
)
app.command(
    "fitsolver.commands.weigh:weigh",
    help="Estimate the weight of a stone, or of a parcel, from whatever was measured.",
    usage="Usage: fitsolver weigh --cut NAME --length MM --width MM [--depth MM] [OPTIONS]\n"
    "       fitsolver weigh --list FILE [-o FILE] [OPTIONS]",
)
app.command(
    "fitsolver.commands.density:density",
    help="Find a stone's density by weighing it in air and in water, and what that agrees with.",
    usage="Usage: fitsolver density --mass-air-ct CT --mass-water-ct CT [OPTIONS]\n"
    "       fitsolver density --mass-air-ct CT --stone-beside-ct CT --stone-inside-ct CT [OPTIONS]",
)
app.command(
    "fitsolver.commands.recut:recut",
    help="Find the largest stone of another cut inside a stone, and what it costs in weight.",
    usage="Usage: fitsolver recut --from NAME --length MM --width MM --depth MM --to NAME "
    "[--into MOUNTING] [OPTIONS]",
)
app.command(
    "fitsolver.commands.cuts:cuts",
    help="List the cut styles, or describe and draw one.",
    usage="Usage: fitsolver cuts [NAME] [OPTIONS]",
)
app.command(
    "fitsolver.commands.allowances:allowances",
    help="List what bench practice asks for or permits: value, range, meaning and source.",
    usage="Usage: fitsolver allowances [MOUNTING] [OPTIONS]",
)
app.command(
    "fitsolver.commands.serve:serve",
    help="Open the page: the whole job in a browser, here and on a phone beside you.",
    usage="Usage: fitsolver serve [--folder DIR] [--port N] [--no-browser] [--share]",
)


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
    # Matrices here are small: threads on them cost more than they give.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    collect_seldom()
    # No plugin takes part here, and looking for some reads every installed package.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # Whoever closed them (`>&-`) does not want to hear anything, and gets the exit code.
    sys.stdout = sys.stdout or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    sys.stderr = sys.stderr or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
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
    from fitsolver.telling.report import faults_text

    text = ""
    if "--json" in arguments:
        from fitsolver.telling.record import as_json, faults_record

        text = as_json(faults_record(faults))
    return Answer(text=text, code=BAD_INPUT, aside=faults_text(faults, columns()))


def _misuse(error: CycloptsError) -> Fault:
    """Turn an error of the command line's own grammar into a fault."""
    command = " ".join(("fitsolver", *(error.command_chain or ())))
    rule = " ".join(str(error).split()).rstrip(".?")
    if isinstance(error, UnknownCommandError):
        word = (error.unused_tokens or [""])[0]
        known = [name for name in app if not name.startswith("-")]
        near = get_close_matches(word, known, n=1)
        return Fault(
            file=COMMAND_LINE, line=None, key=command, value=None,
            rule=f"does not know the command {word!r}",
            remedy=f"Perhaps {near[0]} is meant" if near else f"Commands: {', '.join(known)}",
        )  # fmt: skip
    if isinstance(error, UnusedCliTokensError):
        rule = f"does not take {' '.join(error.unused_tokens or ())}"
    return Fault(
        file=COMMAND_LINE, line=None, key=command, value=None, rule=rule[:1].lower() + rule[1:],
        remedy=f"{command} --help lists what it takes",
    )  # fmt: skip


def run() -> NoReturn:
    """Be a process that runs a command: `main`, and then away.

    To take apart what a command has loaded, piece by piece, lasts a tenth of a second; the system
    does it at once. Only the page has something to close at its end.
    """
    code = main()
    if "fitsolver.page.server" in sys.modules:
        sys.exit(code)
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)
