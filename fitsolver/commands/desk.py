"""The desk at which a command's words are read: every fault is collected before any work begins."""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct, field

from fitsolver.errors import Fault, FitsolverError, InputFaults, OutOfRange, explain

if TYPE_CHECKING:
    from fitsolver.fitting.bench import Bench
    from fitsolver.seats.ranking import Ranking
    from fitsolver.stones.cut import CutStyle
    from fitsolver.stones.material import Material
    from fitsolver.weighing.evidence import Figure
    from fitsolver.weighing.offer import Offer

COMMAND_LINE = "command line"
ASSUMED_MATERIAL = "corundum"
PICTURES = (".svg", ".png")

# How an option is spelt where it is not the library's name with hyphens.
OPTIONS = {
    "length_mm": "--length",
    "width_mm": "--width",
    "depth_mm": "--depth",
    "crown_height_mm": "--crown-height",
    "pavilion_depth_mm": "--pavilion-depth",
    "girdle_mm": "--girdle",
    "cut style": "--cut",
    "material": "--material",
}
MASSES = {
    "mass_in_air_ct": "--mass-air-ct",
    "mass_in_water_ct": "--mass-water-ct",
    "displaced_ct": "mass lost in water (ct)",
}
LENGTHS = {
    *(option for name, option in OPTIONS.items() if name.endswith("_mm")),
    "--bar-measured",
}


class Desk(
    Struct,
):
    """Reads the words of one command; `faults` holds what was wrong with them."""

    faults: list[Fault] = field(default_factory=list)

    def done(self) -> None:
        """Raise `InputFaults` with every fault found so far, if there is one."""
        if self.faults:
            raise InputFaults(self.faults)

    def refuse(self, key: str, value: object, rule: str, remedy: str) -> None:
        """Note a fault of the command line."""
        self.faults.append(
            Fault(file=COMMAND_LINE, line=None, key=key, value=value, rule=rule, remedy=remedy)
        )

    @contextmanager
    def noting(self, option: str = "") -> Iterator[None]:
        """Note the library's errors as faults, of `option` where they name no reading."""
        try:
            yield
        except FitsolverError as error:
            self.faults.extend(faults_of(error, option))

    def style(self, name: str | None, option: str = "--cut") -> CutStyle | None:
        """Find a cut style by its name."""
        from fitsolver.stones.cut import cut

        if name is None:
            self.refuse(option, None, "is missing", "Name the cut; fitsolver cuts lists them")
            return None
        with self.noting(option):
            return cut(name)
        return None

    def shape(self, word: str | None, stuff: Material | None) -> Offer | None:
        """Return what a seller's word for a shape covers, None if it is no such word."""
        from fitsolver.weighing.offer import shape_offer

        return None if word is None else shape_offer(word, stuff)

    def girdle_word(self, text: str) -> Figure | None:
        """Read a word for a girdle's thickness."""
        from fitsolver.weighing.girdle_word import BANDS_MM, girdle_word

        try:
            return girdle_word(text)
        except FitsolverError:
            known = f"Known are {', '.join(BANDS_MM)}, or two of them joined by 'to'; or give mm"
            self.refuse("--girdle", text, "is neither a thickness nor a word for one", known)
        return None

    def material(self, name: str | None) -> Material | None:
        """Find a material by its name; `ASSUMED_MATERIAL` if none is given."""
        from fitsolver.stones.material import material

        with self.noting("--material"):
            return material(name or ASSUMED_MATERIAL)
        return None

    def number(self, option: str, text: str) -> float | None:
        """Read a number with a decimal point or comma, of millimetres or of another unit."""
        from fitsolver.units import parse_length_mm, why_not

        try:
            return parse_length_mm(text)
        except ValueError as error:
            in_mm = option in LENGTHS or option.endswith("-mm")
            self.refuse(option, text, *why_not(text, error, in_mm=in_mm))
        return None

    def readings(self, style: CutStyle | None, given: Mapping[str, str | None]) -> dict[str, float]:
        """Read what was measured on a stone, and refuse what no stone of the style can be."""
        from fitsolver.stones.cut import cut, names
        from fitsolver.units import MM_PER_INCH
        from fitsolver.weighing.evidence import (
            LEAST,
            LIKE_INCHES_MM,
            MOST,
            SIZES,
            evidence_of,
            readable,
        )

        found = {}
        # Sizes are judged even where the style is not known: by any other.
        judge = style or cut(names()[0])
        for name, text in given.items():
            if text is None or (style is None and name not in SIZES):
                continue
            option = option_of(name)
            if name not in readable(judge):
                known = (*map(option_of, readable(judge)), *OPTIONS.values())
                rule = f"is neither an option nor a reading of the cut {judge.name}"
                self.refuse(option, text, rule, _nearest(option, known))
                continue
            value = self.number(option, text)
            if value is None:
                continue
            found[name] = value
            if name in ("length_mm", "width_mm") and 0 < value < LIKE_INCHES_MM:
                rule = f"is under {LIKE_INCHES_MM:g} mm and looks like inches"
                remedy = f"{value:g} inch is {value * MM_PER_INCH:.2f} mm; sizes are in millimetres"
                self.refuse(option, value, rule, remedy)
                continue
            if name in (LEAST, MOST):  # they go together
                continue
            # Each by itself, so that one fault does not hide the next.
            size = {} if name in ("length_mm", "width_mm") else {"width_mm": 100.0}
            with self.noting(option):
                evidence_of(judge, {**size, name: value})
        if style is not None and not self.faults and found:
            with self.noting():
                evidence_of(style, found)
        return found

    def old_carats(self, readings: dict[str, float], place: str) -> None:
        """Turn the mass among the readings from the old carats of a place into metric ones."""
        from fitsolver.units import OLD_CARATS, metric_carats_from_old

        if place not in OLD_CARATS:
            known = f"Known are {', '.join(OLD_CARATS)}"
            self.refuse("--old-carats", place, "is no place whose old carat is known", known)
        elif "mass_ct" in readings:
            readings["mass_ct"] = metric_carats_from_old(readings["mass_ct"], place)
        elif not self.faults:
            self.refuse("--old-carats", place, "says nothing by itself", "Give --mass-ct too")

    def instrument(self, name: str) -> None:
        """Refuse an instrument that is not known."""
        from fitsolver.readings.instrument import instrument

        with self.noting("--instrument"):
            instrument(name)

    def bench(self, path: Path | None) -> Bench | None:
        """Read a mounting file and make the mounting ready."""
        from fitsolver.fitting.bench import bench
        from fitsolver.seats.allowance import allowances
        from fitsolver.seats.mounting import load_mounting

        if path is None:
            self.refuse("MOUNTING", None, "is missing", "Give the file of the mounting's readings")
            return None
        with self.noting(str(path)):
            mounting = load_mounting(path)
            sound = True
            for name, value in mounting.allowances.items():
                try:
                    allowances({name: value})
                except FitsolverError as error:
                    sound = False
                    self.faults.append(_allowance_fault(path, name, value, error))
            if sound:
                return bench(mounting)
        return None

    def limit(self, limit: int | None) -> None:
        """Refuse a number of cuts that makes no sense."""
        if limit is not None and not 1 <= limit <= 1000:
            rule = "must be 1 to 1000"
            self.refuse("--limit", limit, rule, "Give the number of cuts to work out")

    def ranking(self, given: Iterable[str], ready: Bench | None) -> Ranking | None:
        """Read weights of the ranking, as fill=0.4, over those of the mounting's file."""
        from fitsolver.seats.ranking import ranking

        weights = {} if ready is None else dict(ready.mounting.ranking)
        for item in given:
            name, equals, text = (part.strip() for part in item.partition("="))
            if not equals:
                self.refuse("--rank", item, "is not NAME=WEIGHT", "Write it as fill=0.4")
            elif (value := self.number("--rank", text)) is not None:
                with self.noting("--rank"):
                    ranking({name: value})
                    weights[name] = value
        with self.noting("--rank"):
            return ranking(weights)
        return None

    def picture(self, path: Path | None, *, force: bool) -> None:
        """Refuse a picture that could not be written, before the work and not after it."""
        if path is not None and path.suffix.lower() not in PICTURES:
            self.refuse(
                "--draw", str(path), "is no kind of drawing", "End the name in .svg or .png"
            )
        elif path is not None:
            self.writable("--draw", path, force=force)

    def writable(self, option: str, path: Path, *, force: bool) -> None:
        """Refuse a file that could not be written."""
        rule, remedy = "", ""
        folder = path.parent
        if path.is_dir():
            rule, remedy = "is a folder", "Give the name of a file"
        elif path.exists() and not path.is_file():
            rule, remedy = "is no file on a disk", "Give the name of a file"
        elif path.exists() and not force:
            rule, remedy = "exists already", "Choose another name, or add --force to overwrite it"
        elif not folder.is_dir():
            rule, remedy = "cannot be written", f"There is no folder {folder}"
        elif not os.access(folder, os.W_OK | os.X_OK):
            rule, remedy = "cannot be written", f"The folder {folder} is not yours to write in"
        if rule:
            self.refuse(option, str(path), rule, remedy)


def _nearest(option: str, known: Iterable[str]) -> str:
    """Suggest the option that was meant."""
    close = difflib.get_close_matches(option, known, n=1)
    return f"Perhaps {close[0]} is meant" if close else "Look at fitsolver weigh --help"


def option_of(name: str) -> str:
    """Spell a reading as the command line does."""
    return {**OPTIONS, **MASSES}.get(name, name if " " in name else "--" + name.replace("_", "-"))


def faults_of(error: FitsolverError, option: str = "") -> tuple[Fault, ...]:
    """Turn any of the library's errors into faults of the command line."""
    if isinstance(error, InputFaults):
        return error.faults
    name, value, rule, remedy = explain(error)
    # An unknown name or a plain message is about the option that was being read.
    key = option_of(name) if isinstance(error, OutOfRange) else option or OPTIONS.get(name, name)
    return (
        Fault(
            file=COMMAND_LINE, line=None, key=key or "input", value=value, rule=rule, remedy=remedy
        ),
    )


def _allowance_fault(path: Path, name: str, value: float, error: FitsolverError) -> Fault:
    from fitsolver.files.datafile import load_toml

    (found,) = faults_of(error, name)
    return load_toml(path).fault(f"allowances.{name}", value, found.rule, found.remedy)
