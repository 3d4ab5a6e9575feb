"""A seating range as text and as a plain record."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fitsolver.fitting.box import Range
from fitsolver.fitting.proposal import Proposals
from fitsolver.fitting.region import SURE, Region, Setting
from fitsolver.fitting.setting import cautions
from fitsolver.telling.record import Record
from fitsolver.text.layout import bullets, columns, dimensions, page, paragraph, plain

WIDTH = 80
# Widths at which the depths are told.
_ROWS = 5


def region_text(found: Proposals, region: Region | None, width: int = WIDTH) -> str:
    """Tell the sizes of one cut that seat in a mounting; or, if none does, what stops it."""
    name = paragraph(plain(found.mounting.name), width)
    warned = bullets("Cautions", cautions(found.material, found.mounting), width)
    if region is None:
        return page([["NOTHING SEATS of this cut, alteration included."], [name],
                     list(_stopped(found, width)), warned])  # fmt: skip
    proposal = region.proposal
    stone = proposal.ask.stone
    size = dimensions(stone.length_mm, stone.width_mm, stone.depth_mm)
    return page(
        [
            [f"{proposal.verdict.upper()}   {proposal.style.title}"],
            [name, f"Ask for {size} mm."],
            columns(extent_rows(region), "<<<", indent=0),
            [paragraph(
                "Length and width go together: of the lengths and widths above only some pairs "
                "seat, as the chart shows (--draw). Every size inside a quoted box does.", width,
            )],
            columns(rows, "<<<", indent=0) if (rows := depth_rows(region)) else [],
            list(calibrated_words(region)),
            warned,
        ]
    )  # fmt: skip


def region_record(found: Proposals, region: Region | None) -> Record:
    """Return the seating range: knots with probability, outlines, boxes, calibrated sizes."""
    head = {
        "mounting": {"name": found.mounting.name, "story": found.mounting.story},
        "material": found.material.name,
        "cautions": cautions(found.material, found.mounting),
    }
    if region is None:
        stopped = found.left_out[0] if found.left_out else None
        return {
            **head,
            "cut": None if stopped is None else stopped.cut,
            "verdict": "does not seat",
            "binding": None if stopped is None else stopped.requirement,
            "shortfall_mm": None if stopped is None else stopped.shortfall_mm,
        }
    proposal = region.proposal
    stone = proposal.ask.stone
    box = (proposal.length_mm, proposal.width_mm, proposal.depth_mm)
    return {
        **head,
        "cut": proposal.style.name,
        "verdict": proposal.verdict,
        "ask": {
            "length_mm": stone.length_mm, "width_mm": stone.width_mm, "depth_mm": stone.depth_mm,
        },
        "box": _box(box),
        "box_after_alteration": None
        if proposal.after_alteration is None
        else _box(proposal.after_alteration),
        "calibrated": [
            {"length_mm": length, "width_mm": width, "whole_tolerance_seats": seats}
            for length, width, seats in region.calibrated()
        ],
        "level": region.level,
        "sure_level": SURE,
        "outlines_mm": {
            setting: [line.tolist() for line in region.outlines(setting)]
            for setting in region.room_mm
        },
        "knots": {
            "length_mm": region.length_mm.tolist(),
            "width_mm": region.width_mm.tolist(),
            "depth_mm": region.depth_mm.tolist(),
            "probability": region.probability.tolist(),
            "room_mm": {setting: room.tolist() for setting, room in region.room_mm.items()},
        },
    }  # fmt: skip


def extent_rows(region: Region) -> list[list[str]]:
    """Lay out the lengths and widths that seat, each in its setting, under a row of titles."""
    proposal = region.proposal
    rows = [["Sizes that seat, mm", "length", "width"]]
    for label, setting in _settings(region):
        extent = region.extent(setting)
        rows.append([label, *(("none", "") if extent is None else map(_span, extent))])
    rows.append(["quoted box", _span(proposal.length_mm), _span(proposal.width_mm)])
    if proposal.after_alteration is not None:
        rows.append(["  with alteration", *map(_span, proposal.after_alteration[:2])])
    return rows


def _settings(region: Region) -> Iterator[tuple[str, Setting]]:
    level = f"{100 * region.level:.0f} %"
    yield f"as the seat is, {level}", "ordinary"
    yield f"as the seat is, {100 * SURE:.0f} %", "sure"
    yield f"with alteration, {level}", "altered"
    yield "best estimate alone", "best estimate"


def depth_rows(region: Region) -> list[list[str]]:
    """Lay out the depths that go with some sizes of the ratio asked for, under a row of titles."""
    stone = region.proposal.ask.stone
    ratio = stone.length_mm / stone.width_mm
    extent = region.extent("altered")
    if extent is None:
        return []
    rows = [["Depth goes with size, mm", "as the seat is", "with alteration"]]
    for width in np.unique(np.append(np.linspace(extent[1].low, extent[1].high, _ROWS),
                                     stone.width_mm)):  # fmt: skip
        length = width * ratio
        depths = [region.depths(length, width, setting) for setting in ("ordinary", "altered")]
        if any(depths):
            shown = ["none" if depth is None else _span(depth) for depth in depths]
            rows.append([dimensions(length, width), *shown])
    return rows if len(rows) > 1 else []


def calibrated_words(region: Region) -> Iterator[str]:
    """Say which calibrated sizes seat with all of their tolerance."""
    t = region.tolerance_mm
    sizes = [f"{length:g} x {width:g}" for length, width, seats in region.calibrated() if seats]
    if sizes:
        yield f"Calibrated sizes that seat with all of +-{t:g} mm: {', '.join(sizes)}."
    elif region.calibrated():
        yield f"No calibrated size seats with all of its +-{t:g} mm."


def _stopped(found: Proposals, width: int) -> Iterator[str]:
    for item in found.left_out:
        size = dimensions(item.length_mm, item.width_mm)
        text = (
            f"{item.cut}: its best size, {size} mm, is stopped by {item.requirement}, short by "
            f"{item.shortfall_mm:.2f} mm."
        )
        if item.requirement == "security":
            text = f"{item.cut}: its best size, {size} mm, can slide out between the claws."
        yield paragraph(text, width)


def _span(side: Range) -> str:
    if side.high - side.low < 0.005:
        return f"{side.low:.2f}"
    return f"{side.low:.2f} to {side.high:.2f}"


def _box(box: tuple[Range, Range, Range]) -> Record:
    names = ("length_mm", "width_mm", "depth_mm")
    return {name: {"low": side.low, "high": side.high}
            for name, side in zip(names, box, strict=True)}  # fmt: skip
