"""The words that several commands take."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter


def words(text: str, metavar: str = "MM") -> Any:
    """Describe a value that is read as text first, so that -3 is a number and not an option."""
    return Parameter(help=text, allow_leading_hyphen=True, metavar=metavar)


Cut = Annotated[str | None, Parameter(help="Cut style, as oval-brilliant (required).",
                                      metavar="NAME")]  # fmt: skip
Stuff = Annotated[
    str | None,
    Parameter(help="Material, by species or trade name; corundum if not given.", metavar="NAME"),
]
Length = Annotated[str | None, words("Length of the stone.")]
Width = Annotated[str | None, words("Width of the stone.")]
Depth = Annotated[str | None, words("Total depth of the stone.")]
Crown = Annotated[str | None, words("Crown height.")]
Girdle = Annotated[str | None, words("Girdle thickness, where the main facets meet it.")]
Pavilion = Annotated[str | None, words("Pavilion depth.")]
File = Annotated[Path | None, Parameter(help="File of the mounting's readings (required).")]
Draw = Annotated[Path | None, Parameter(help="Write a drawing, .svg or .png.", metavar="FILE")]
Force = Annotated[bool, Parameter(help="Let --draw overwrite a file.", negative=())]
Json = Annotated[bool, Parameter(name="--json", help="Answer in JSON.", negative=())]
Limit = Annotated[
    int | None,
    Parameter(help="How many cuts to work out in full; the best few if not given."),
]
Rank = Annotated[
    tuple[str, ...],
    Parameter(
        help="How much a part counts in the order, as fill=0.4; may be repeated. Parts: "
        "probability, evenness, fill, period.",
        negative=(),
        metavar="NAME=WEIGHT",
    ),
]
