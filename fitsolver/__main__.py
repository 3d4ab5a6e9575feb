"""Run the commands as `python -m fitsolver`."""

from fitsolver.cli import run

if __name__ == "__main__":
    run()
