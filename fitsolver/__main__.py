"""Run the commands as `python -m fitsolver`."""

import sys

from fitsolver.cli import main

if __name__ == "__main__":
    sys.exit(main())
