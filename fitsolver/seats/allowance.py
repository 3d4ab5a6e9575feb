"""Allowances: what bench practice asks for or permits, in one table that a mounting may override."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from fitsolver.errors import OutOfRange, UnknownName


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """One threshold: its default, the range that makes sense, what it means, whence it comes."""

    name: str
    default: float
    unit: str
    low: float
    high: float
    meaning: str
    source: str


_COMMON = "common practice"

TABLE: Mapping[str, Allowance] = {
    name: Allowance(
        name=name, default=default, unit=unit, low=low, high=high, meaning=meaning, source=source
    )
    for name, default, unit, low, high, meaning, source in (
        ("gap_min_mm", 0.0, "mm", -0.05, 0.5, "least gap between girdle and wall or notch root", _COMMON),
        ("gap_max_mm", 0.25, "mm", 0.01, 1.5, "widest gap that closing the metal can still reach", _COMMON),
        ("cover_min_mm", 0.10, "mm", 0.0, 2.0, "least width of ledge under the girdle", _COMMON),
        ("largest_missing_ledge_deg", 90.0, "deg", 0.0, 179.0, "widest arc without a ledge that the rest of it still makes up for", "common practice; from 180 on a stone is not carried on both sides"),
        ("missing_ledge_in_all_deg", 200.0, "deg", 0.0, 330.0, "arcs without a ledge, all together, that the rest of it still makes up for", "common practice: nearly half of a ledge carries a stone if it is spread"),
        ("ledge_inside_min_mm", 0.30, "mm", 0.0, 3.0, "how far the stone's middle lies within what is left of the ledge", _COMMON),
        ("flush_below_mm", 0.15, "mm", 0.0, 2.0, "least depth of the girdle below the surface of a flush setting, for the burnished edge", _COMMON),
        ("flush_gap_max_mm", 0.10, "mm", 0.01, 0.5, "widest gap that burnishing the edge of flat metal can close", _COMMON),
        ("bearing_gap_max_mm", 0.35, "mm", 0.0, 1.5, "widest opening between ledge and pavilion: a bearing is cut to the pavilion angle", "A. Revere and GIA ask for no gap; the width tolerated is common practice"),
        ("mouth_play_min_mm", 0.0, "mm", 0.0, 0.3, "least play of the girdle in the mouth of a notch", _COMMON),
        ("edge_above_girdle_mm", 0.25, "mm", 0.0, 3.0, "least wall above the girdle of a faceted stone", _COMMON),
        ("edge_above_girdle_cabochon_mm", 0.45, "mm", 0.0, 3.0, "least wall above the girdle of a cabochon", _COMMON),
        ("claw_top_share", 0.60, "of crown height", 0.2, 1.0, "least height of a finished claw above the girdle", "GIA benchmark for round stones: 60 to 80 % of the crown"),
        ("notch_share_min", 0.15, "of claw thickness", 0.0, 0.6, "shallowest notch that holds", _COMMON),
        ("notch_share_max", 0.50, "of claw thickness", 0.1, 0.7, "deepest notch", "Professional Jeweler, July 2004: at most 50 %; 70 % is a fault"),
        ("notch_share_max_shared", 0.25, "of claw thickness", 0.05, 0.5, "deepest notch in a claw that holds the neighbouring stone too", "Professional Jeweler, Dec 2002: at most 25 %"),
        ("wall_bearing_min_mm", 0.10, "mm", 0.0, 1.0, "narrowest bearing cut into a plain wall", _COMMON),
        ("wall_remaining_min_mm", 0.30, "mm", 0.05, 2.0, "wall that must remain outside a bearing", _COMMON),
        ("culet_clearance_open_mm", 0.20, "mm", 0.0, 3.0, "culet above the finger", _COMMON),
        ("culet_clearance_closed_mm", 0.10, "mm", 0.0, 3.0, "culet above a closed back and its foil", _COMMON),
        ("gallery_clearance_mm", 0.05, "mm", 0.0, 2.0, "pavilion clear of the gallery rail", _COMMON),
        ("rim_give_mm", 0.05, "mm", 0.0, 0.5, "how far a closed rim gives on each side as a stone is pressed in", _COMMON),
        ("claw_give_mm", 0.40, "mm", 0.0, 1.5, "how far each claw is opened and closed again in ordinary setting", _COMMON),
        ("claw_bend_in_mm", 0.10, "mm", 0.0, 1.0, "how far each claw may be set inward for good in ordinary setting", _COMMON),
        ("claw_bend_out_mm", 0.10, "mm", 0.0, 1.0, "how far each claw may be set outward for good in ordinary setting", _COMMON),
        ("alter_rim_open_mm", 0.20, "mm", 0.0, 1.0, "alteration: how far a leaning rim may be opened on each side", _COMMON),
        ("alter_wall_relief_mm", 0.10, "mm", 0.0, 1.0, "alteration: how much wall may be taken off on each side", _COMMON),
        ("alter_wall_in_mm", 0.15, "mm", 0.0, 1.0, "alteration: how far a wall may be brought in on each side", _COMMON),
        ("alter_deepen_mm", 0.30, "mm", 0.0, 2.0, "alteration: how far a ledge may be cut deeper", _COMMON),
        ("alter_bearing_mm", 0.20, "mm", 0.0, 1.0, "alteration: how much a bearing may be recut to the pavilion", _COMMON),
        ("alter_claw_bend_mm", 0.20, "mm", 0.0, 1.0, "alteration: how far a claw may be bent beyond ordinary setting", _COMMON),
        ("alter_gallery_open_mm", 0.20, "mm", 0.0, 1.0, "alteration: how far a gallery rail may be relieved", _COMMON),
        ("alter_mouth_mm", 0.15, "mm", 0.0, 1.0, "alteration: how far the mouth of a notch may be opened", _COMMON),
        ("largest_open_arc_deg", 180.0, "deg", 60.0, 185.0, "widest arc of the girdle without holding metal: over half a round the stone slides out", _COMMON),
        ("closed_over_share", 0.10, "of the width", 0.02, 0.4, "how far closed metal reaches over the stone: one that can be moved so far comes out from under it", "bench forum: a collet edge reaches over about 10 % of the width"),
        ("level_rise_mm", 0.02, "mm", 0.002, 0.3, "how far a stone may stand up out of its bearing before the eye, by loupe, sees it out of level", _COMMON),
        ("stone_reading_u_mm", 0.012, "mm", 0.0, 0.3, "standard uncertainty of a stone's size by caliper", "DIN 862: 0.02 mm rectangular, 0.02 / sqrt(3)"),
        ("seats_from_probability", 0.90, "", 0.5, 0.999, "verdict `seats` from this probability up", "decision rule in the sense of JCGM 106; the level is common practice"),
        ("fails_to_probability", 0.10, "", 0.001, 0.5, "verdict `does not seat` from this probability down", "decision rule in the sense of JCGM 106; the level is common practice"),
        ("calibrated_tolerance_mm", 0.10, "mm", 0.0, 0.5, "half-width of a calibrated size; +-0.1 or +-0.2 by supplier", "trade size tables disagree: 0.1 under 1 ct, 0.2 over, or 0.2 and 0.3"),
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Allowances(Mapping[str, float]):
    """The allowances in force: defaults, with a mounting's own values over them."""

    values_by_name: Mapping[str, float]
    overridden: tuple[str, ...] = ()

    def __getitem__(self, name: str) -> float:
        """Return the value in force."""
        return self.values_by_name[name]

    def __iter__(self) -> Iterator[str]:
        """Go through the names."""
        return iter(self.values_by_name)

    def __len__(self) -> int:
        """Count the allowances."""
        return len(self.values_by_name)

    def source(self, name: str) -> str:
        """Where the value in force comes from."""
        return "set in the mounting file" if name in self.overridden else TABLE[name].source


def allowances(overrides: Mapping[str, float] | None = None) -> Allowances:
    """Return the table with `overrides` put over the defaults.

    Raises `UnknownName` or `OutOfRange` for an override that names nothing or makes no sense.
    """
    values = {name: item.default for name, item in TABLE.items()}
    for name, value in (overrides or {}).items():
        if name not in TABLE:
            raise UnknownName("allowance", name, TABLE)
        item = TABLE[name]
        if not item.low <= value <= item.high:
            raise OutOfRange(name, value, item.low, item.high, unit=item.unit, remedy=item.meaning)
        values[name] = float(value)
    return Allowances(values, tuple(overrides or ()))
