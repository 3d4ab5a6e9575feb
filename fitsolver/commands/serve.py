"""`fitsolver serve`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from fitsolver.commands.answer import Answer

if TYPE_CHECKING:
    from fitsolver.page.server import Started


def serve(
    *,
    folder: Annotated[
        Path | None,
        Parameter(help="Folder of the mountings; one among your own data if not given.",
                  metavar="DIR"),
    ] = None,
    port: Annotated[
        int | None, Parameter(help="Port to answer on; a free one if not given.", metavar="N")
    ] = None,
    browser: Annotated[
        bool, Parameter(name="--browser", negative="--no-browser",
                        help="Open the page in your browser, as is usual, or do not.")
    ] = True,
    share: Annotated[
        bool,
        Parameter(
            help="Let a phone in the same network open it too: prints an address and a code for "
            "its camera, good for one device. Without that nothing answers.",
            negative=(),
        ),
    ] = False,
) -> Answer:  # fmt: skip
    """Open the page: readings in, drawing and answers, in a browser on this computer."""
    from fitsolver.crew import keep_memory
    from fitsolver.page import server

    keep_memory()
    server.serve(
        folder, port=port, share=share, open_browser=browser, started=_told
    )  # fmt: skip
    return Answer(text="")


def _told(page: Started) -> None:
    lines = [f"The page: {page.address}", f"Mountings: {page.folder}"]
    if page.shared_address:
        from io import StringIO

        import segno

        code = StringIO()
        segno.make(page.shared_address, error="m", micro=False).terminal(code, compact=True)
        lines += [
            f"On one more device in this network: {page.shared_address}",
            code.getvalue().rstrip("\n"),
            "The address opens once, within ten minutes. More addresses: the page, under Share.",
        ]
    lines.append(
        "It was open already, from another start: that one goes on, this one is done."
        if page.runs
        else "Stop it with Ctrl-C."
    )
    print("\n".join(lines), file=sys.stderr, flush=True)
