"""Judge the weights on a list of weighed stones: `python tests/bench/judge_weights.py STONES.csv`.

Prints by material and cut how far estimate and handbook are off and how often the interval holds.
The list has the columns of `fitsolver weigh --list` and a column `mass_ct`; `--material NAME` and
`--cut NAME` stand for a column that it lacks, `--makes FILE` weighs with what was learned.
"""

from __future__ import annotations

import argparse
import io
from pathlib import Path

from fitsolver.telling.stone_report import held_text, remarks_text
from fitsolver.weighing.learned import read_learned
from fitsolver.weighing.parcel import weigh_parcel


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("stones", type=Path)
    parser.add_argument("--material")
    parser.add_argument("--cut")
    parser.add_argument("--makes", type=Path)
    asked = parser.parse_args()
    tally = weigh_parcel(
        asked.stones,
        io.StringIO(),
        cut_name=asked.cut,
        material_name=asked.material,
        learned=None if asked.makes is None else read_learned(asked.makes),
    )
    print(remarks_text(tally, str(asked.stones)))
    print(held_text(tally.held) or "No stone has a mass_ct")


if __name__ == "__main__":
    main()
