"""Make `profiles/volumes/` anew: run after a change of a cut style or of the geometry.

python tests/keep_volumes.py
"""

import json

from fitsolver.files.datafile import data_folder, write_text
from fitsolver.stones.cut import cuts
from fitsolver.weighing.coefficient import record_of


def main() -> None:
    folder = data_folder() / "volumes"
    folder.mkdir(exist_ok=True)
    for style in cuts():
        makes = {make: record_of(style.in_make(make)) for make in style.makes}
        text = json.dumps(makes, indent=0, sort_keys=True)
        write_text(folder / f"{style.name}.json", text + "\n", overwrite=True)


if __name__ == "__main__":
    main()
