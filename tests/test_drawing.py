"""The drawings: true to the geometry, readable without colour, nothing on top of anything else."""

from __future__ import annotations

import re
import struct
import xml.etree.ElementTree as ET
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
from matplotlib import font_manager
from matplotlib.ft2font import FT2Font

from fitsolver.drawings import figure, paint, projection
from fitsolver.drawings.drawing import (
    cut_drawing,
    drawing_of,
    gallery,
    proposals_drawing,
    seat_drawing,
    write_drawing,
)
from fitsolver.drawings.figure import Area, Arrow, Dimension, Drawing, Label, Lines, Stroke
from fitsolver.drawings.metal_section import side
from fitsolver.drawings.set_stone import section_directions, set_stone
from fitsolver.errors import FitsolverError
from fitsolver.files.datafile import parse_toml
from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.solver import Check, check
from fitsolver.seats.belief import belief
from fitsolver.seats.mounting import load_mounting, mounting_from
from fitsolver.stones.cut import cut, cuts, names
from fitsolver.stones.form import form

EXAMPLES = Path(__file__).parent.parent / "examples"

Case = tuple[Bench, Check]
SIZES = {
    "claw-ring": ("oval-brilliant", (8.0, 6.0, 3.9)),
    "old-cushion-collet": ("cushion-brilliant", (7.7, 6.6, 4.3)),
    "closed-back-oval": ("oval-brilliant", (6.9, 5.4, 3.2)),
    "step-rectangle": ("emerald", (9.1, 7.1, 4.6)),
    "worn-oval-collet": ("oval-mixed", (7.88, 5.97, 3.6)),
    # Too large, too small, a dome, far too small for the claws.
    "old-cushion-collet, large": ("cushion-brilliant", (8.3, 7.1, 4.6)),
    "closed-back-oval, small": ("oval-brilliant", (6.2, 4.7, 3.0)),
    "closed-back-oval, dome": ("oval-cabochon", (6.7, 5.2, 2.4)),
    "step-rectangle, small": ("emerald", (8.6, 6.6, 4.2)),
}

SEATS = {
    "marquise": (
        'finger_along = "length"\nfinger_diameter_mm = 17.0\n[seat]\nholds = "wall"\n'
        'state = "cut"\nback = "open"\nopening_family = "marquise"\nopening_length_mm = 10\n'
        'opening_width_mm = 5\nledge_width_mm = 0.4\ndepth_below_ledge_mm = "not measured"',
        ("marquise-brilliant", (9.8, 4.8, 3.2)),
    ),
    "baguette": (
        'finger_along = "length"\n[seat]\nholds = "wall"\nstate = "cut"\nback = "open"\n'
        'opening_family = "rectangle"\nopening_length_mm = 6\nopening_width_mm = 2\n'
        'ledge_width_mm = 0.16\ndepth_below_ledge_mm = "not measured"',
        ("baguette", (5.9, 1.95, 1.4)),
    ),
    "square tube": (
        '[seat]\nholds = "wall"\nstate = "uncut"\nback = "open"\nopening_family = "square"\n'
        "opening_length_mm = 4\nopening_width_mm = 4\ndepth_below_rim_mm = 3.8",
        ("princess", (4.3, 4.3, 3.0)),
    ),
    "three claws": (
        '[seat]\nholds = "claws"\nstate = "uncut"\nback = "open"\nopening_family = "round"\n'
        "opening_length_mm = 5\nopening_width_mm = 5\nclaw_directions_deg = [90, 210, 330]\n"
        'claw_thickness_mm = "not measured"\ndepth_below_rim_mm = 4.8',
        ("round-brilliant", (5.3, 5.3, 3.2)),
    ),
    "pear in five claws": (
        '[seat]\nholds = "claws"\nstate = "cut"\nback = "open"\nopening_family = "pear"\n'
        "opening_length_mm = 9\nopening_width_mm = 6\n"
        "claw_directions_deg = [0, 60, 140, 220, 300]\n"
        'claw_thickness_mm = 1.0\nledge_width_mm = 0.4\ndepth_below_ledge_mm = 4.0',
        ("pear-brilliant", (8.8, 5.8, 3.6)),
    ),
    "corner claws": (
        '[seat]\nholds = "claws"\nstate = "cut"\nback = "open"\nopening_family = "rectangle"\n'
        "opening_length_mm = 10\nopening_width_mm = 5.4\n"
        "claws = [{ at_deg = 28, corner = true }, { at_deg = 152, corner = true, "
        "thickness_mm = 1.3 }, { at_deg = 208, corner = true }, { at_deg = 332, corner = true, "
        "notch_depth_mm = 0.5 }]\nclaw_width_mm = 2.4\n"
        'claw_thickness_mm = 1.0\nledge_width_mm = 0.35\ndepth_below_ledge_mm = 3.6',
        ("baguette", (9.9, 5.3, 3.4)),
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def cases() -> dict[str, Case]:
    found = {}
    benches: dict[str, Bench] = {}
    for name, (style, size) in SIZES.items():
        file = name.partition(",")[0]
        if file not in benches:
            benches[file] = bench(load_mounting(EXAMPLES / f"{file}.toml"), samples=64)
        found[name] = benches[file], check(benches[file], cut(style), *size)
    for name, (text, (style, size)) in SEATS.items():
        ready = bench(
            mounting_from(
                parse_toml(
                    f'name = "A seat with a long name that needs more than a line: {name}"\n'
                    + text.replace("back =", 'opening_level = "girdle"\nback ='),
                    name=name,
                )
            ),
            samples=64,
        )
        found[name] = ready, check(ready, cut(style), *size)
    return found


ALL = (*SIZES, *SEATS)


def clashes(drawing: Drawing) -> list[str]:
    """What of the writing lies on writing, on metal, stone or a line, or off the sheet."""
    labels = [item for item in drawing.items if isinstance(item, Label)]
    boxes = [shapely.box(*item.box(drawing.pen_mm).ravel()) for item in labels]
    sheet = shapely.box(0, 0, drawing.width_mm, drawing.height_mm)
    solids = [
        shapely.Polygon(item.rings[0], item.rings[1:])
        for item in drawing.items
        if isinstance(item, Area)
    ]
    found = [
        f"off: {a.text}" for a, box in zip(labels, boxes, strict=True) if not sheet.covers(box)
    ]
    found += [
        f"text: {labels[i].text} | {labels[j].text}"
        for i, j in combinations(range(len(labels)), 2)
        if boxes[i].intersects(boxes[j])
    ]
    found += [
        f"solid: {label.text}"
        for label, box in zip(labels, boxes, strict=True)
        for solid in solids
        if solid.intersects(box)
    ]
    # Axes and extension lines may: the painter breaks them under a text.
    lines = [
        shapely.LineString(points)
        for item in drawing.items
        for points in (
            [item.points]
            if isinstance(item, Stroke | Arrow) and item.role not in ("datum", "dimension")
            else [[item.start, item.stop]]
            if isinstance(item, Dimension)
            else []
        )
    ]
    found += [
        f"line: {label.text}"
        for label, box in zip(labels, boxes, strict=True)
        for line in lines
        if line.intersects(box)
    ]
    return found


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("wide", [False, True])
def test_no_text_lies_on_anything(cases: dict[str, Case], name: str, wide: bool) -> None:
    assert clashes(drawing_of(*cases[name], wide=wide)) == []


def test_a_clash_would_be_found() -> None:
    board = figure.Board(0.1)
    board.label([5, -5], "over each other")
    board.label([6, -5.2], "each other")
    board.label([0, -5], "off the sheet")
    board.dimension([5, -4], [5, -6])
    board.area([np.array([[4, -5], [6, -5], [6, -8], [4, -8.0]])], "metal")
    assert {line.split(":")[0] for line in clashes(board.sheet("", ""))} == {
        "off",
        "text",
        "solid",
        "line",
    }


@pytest.mark.parametrize("name", names())
def test_every_style_can_be_drawn(name: str) -> None:
    drawing = cut_drawing(cut(name))
    assert clashes(drawing) == []
    style = cut(name)
    stone = projection.typical_stone(form(style, style.length_ratio.typical), 1.0)
    assert f"depth {100 * stone.depth_mm:.3g} %" in drawing.texts


def test_the_table_is_drawn_as_wide_as_the_style_says() -> None:
    # 60 per cent of the width is the emerald cut's usual table in its profile.
    assert "table 60 %" in cut_drawing(cut("emerald")).texts


def test_the_gallery_names_every_style() -> None:
    drawing = gallery(cuts())
    shown = " ".join(text.replace("\n", " ") for text in drawing.texts)
    assert all(style.title in shown for style in cuts())
    assert clashes(drawing) == []


def test_proposals_share_one_scale_and_the_opening() -> None:
    opening = cases_opening()
    items = [
        ("Oval brilliant", "8.0 × 6.0", form(cut("oval-brilliant"), 8 / 6), 8.0, 6.0),
        ("Old mine cut, a title of more than a line", "", form(cut("old-mine"), 1.1), 7.0, 6.4),
        ("Oval cabochon", "7.5 × 6.0", form(cut("oval-cabochon"), 1.25), 7.5, 6.0),
    ]
    drawing = proposals_drawing(items, opening)
    stones = [
        item.rings[0] for item in drawing.items if isinstance(item, Area) and item.fill == "stone"
    ]
    for points, (_, _, _, length, width) in zip(stones, items, strict=True):
        assert np.ptp(points, axis=0) == pytest.approx([length, width], abs=1e-9)
    rings = [item for item in drawing.items if isinstance(item, Stroke) and item.role == "opening"]
    rings = [item for item in rings if item.closed]
    assert len(rings) == len(items)
    for points, ring in zip(stones, rings, strict=True):
        moved = ring.points - opening
        assert np.ptp(moved, axis=0) == pytest.approx([0, 0], abs=1e-9)
        # About the same centre: these outlines are centred on their own box.
        assert points.min(axis=0) + points.max(axis=0) == pytest.approx(2 * moved[0], abs=1e-6)
    assert clashes(drawing) == []


def cases_opening() -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    return np.column_stack([4.1 * np.cos(angle), 3.2 * np.sin(angle)])


def number(text: str) -> float:
    return float(re.findall(r"-?\d+\.\d+", text)[0])


def callout(drawing: Drawing, start: str) -> str:
    return next(text for text in drawing.texts if text.startswith(start))


def key_rows(drawing: Drawing) -> dict[str, str]:
    text = drawing.description.partition("Dimensions: ")[2].removesuffix(".")
    return dict(re.match(r"(.+?) (~?-?\d.*)", row).groups() for row in text.split("; "))  # type: ignore[union-attr,misc]


@pytest.mark.parametrize("name", ["old-cushion-collet", "closed-back-oval"])
def test_the_gaps_called_out_are_those_that_were_judged(cases: dict[str, Case], name: str) -> None:
    ready, answer = cases[name]
    drawing = drawing_of(ready, answer)
    margins = {item.name: item for item in answer.requirements}
    least = margins["girdle gap"].best_estimate_mm + margins["girdle gap"].threshold_mm
    most = margins["closing gap"].threshold_mm - margins["closing gap"].best_estimate_mm
    # Text is rounded to 0.005; the check goes by stations round the opening, within 0.003.
    assert number(callout(drawing, "tightest gap")) == pytest.approx(least, abs=0.008)
    assert number(callout(drawing, "widest gap")) == pytest.approx(most, abs=0.008)


def test_a_notch_to_cut_is_as_deep_as_it_was_judged(cases: dict[str, Case]) -> None:
    ready, answer = cases["claw-ring"]
    floor = next(item for item in answer.requirements if item.name == "notch floor")
    bend = ready.allowances["claw_bend_in_mm"]
    deep = floor.best_estimate_mm - bend + floor.threshold_mm
    assert number(callout(drawing_of(ready, answer), "notch to cut")) == pytest.approx(
        deep, abs=0.0055
    )


@pytest.mark.parametrize("name", ALL)
def test_heights_add_up_from_floor_to_table(cases: dict[str, Case], name: str) -> None:
    ready, answer = cases[name]
    scene = set_stone(ready, answer)
    rows = key_rows(drawing_of(ready, answer))
    parts = sum(number(rows[part]) for part in ("crown", "girdle", "pavilion") if part in rows)
    depth = number(rows["depth of the stone"])
    # Each number is rounded to 0.005.
    assert parts == pytest.approx(depth, abs=0.02)
    assert depth == pytest.approx(answer.stone.depth_mm, abs=0.0051)
    table = float(ready.best.floor_z[0]) + number(rows["culet clearance"]) + depth
    profile = scene.profile(np.pi / 2)
    assert profile[:, 1].max() == pytest.approx(table, abs=0.011)


def test_what_nobody_measured_is_marked(cases: dict[str, Case]) -> None:
    guessed = drawing_of(*cases["marquise"])
    assert key_rows(guessed)["culet clearance"].startswith("~")
    read = drawing_of(*cases["step-rectangle"])
    assert not key_rows(read)["culet clearance"].startswith("~")
    # The heights of a stone known by length, width and depth are the style's.
    assert key_rows(read)["crown"].startswith("~")
    assert "~ assumed, not measured" in read.texts
    told = drawing_of(*cases["step-rectangle"], measured=["crown_height_mm"])
    assert not key_rows(told)["crown"].startswith("~")
    assert key_rows(told)["girdle"].startswith("~")

    def assumed_ground(drawing: Drawing) -> set[bool]:
        strokes = [item for item in drawing.items if isinstance(item, Stroke)]
        return {item.assumed for item in strokes if item.role == "ground"}

    assert assumed_ground(guessed) == {True}
    assert assumed_ground(read) == {False}


def test_a_stone_too_large_is_cross_hatched_where_it_meets_the_metal(
    cases: dict[str, Case],
) -> None:
    def conflict_mm(name: str) -> float:
        items = drawing_of(*cases[name]).items
        lines = [item for item in items if isinstance(item, Lines) and item.role == "conflict"]
        # The last is the legend's own patch.
        return sum(float(np.linalg.norm(np.diff(item.segments, axis=1), axis=2).sum())
                   for item in lines[:-1])  # fmt: skip

    assert conflict_mm("old-cushion-collet") == 0
    assert conflict_mm("old-cushion-collet, large") > 1
    assert callout(drawing_of(*cases["old-cushion-collet, large"]), "deepest overlap")


def test_the_section_of_the_metal_is_that_of_the_seat(cases: dict[str, Case]) -> None:
    ready, answer = cases["closed-back-oval"]
    scene = set_stone(ready, answer)
    metal = side(scene, np.pi / 2)
    assert metal is not None
    assert metal.ledge is not None
    seats = ready.best
    at = int(np.abs(ready.belief.directions - np.pi / 2).argmin())
    # A station lies in this direction to 1e-9 rad, so nothing is interpolated.
    assert seats.ledge_inner is not None
    assert metal.root == pytest.approx(seats.opening[0, at, 1], abs=1e-6)
    assert metal.ledge[0, 0] == pytest.approx(seats.ledge_inner[0, at, 1], abs=1e-4)
    # Wall thickness 0.35 mm as read in the file; the wall leans, so across it by the cosine.
    outer, inner = metal.outer[0, 0], metal.top[0, 0]
    assert outer - inner == pytest.approx(0.35, abs=1e-3)


def test_the_ledge_is_drawn_where_there_is_one(cases: dict[str, Case]) -> None:
    """Gone from 155 to 200 deg: an open line in the plan, and no corner in that section."""
    ready, answer = cases["worn-oval-collet"]
    scene = set_stone(ready, answer)
    for at_deg, there in ((90, True), (180, False), (270, True)):
        metal = side(scene, np.deg2rad(at_deg))
        assert metal is not None
        assert (metal.ledge is not None) == there
    edge = next(
        item
        for item in drawing_of(ready, answer).items
        if isinstance(item, Stroke) and item.role == "hidden" and len(item.points) > 20
    )
    assert not edge.closed
    # From wall to wall over the broken ends; y grows downward on the sheet.
    middle = np.ptp(edge.points, axis=0)
    assert middle[0] > middle[1] > 0


def test_claws_are_drawn_each_with_its_own_metal(cases: dict[str, Case]) -> None:
    """1 mm thick less a notch of 0.35; 1.3 less 0.35; 1 less 0.5, square to their sides."""
    scene = set_stone(*cases["corner claws"])
    thick = [
        float(np.linalg.norm(body[0] - body[-1])) for body in scene.bodies
    ]  # the first points of face and back lie on one side of the corner
    assert thick == pytest.approx([0.65, 0.95, 0.65, 0.5], abs=0.002)


def test_a_finger_curves_away_across_itself(cases: dict[str, Case]) -> None:
    ready, answer = cases["old-cushion-collet"]
    scene = set_stone(ready, answer)
    t = np.array([-3.0, 0.0, 3.0])
    level = float(ready.best.floor_z[0])
    # Along the width the finger runs straight; along the length it is a circle of 16.6 mm.
    assert scene.floor(t, np.pi / 2) == pytest.approx([level] * 3, abs=1e-9)
    sagitta = 8.3 - (8.3**2 - 3.0**2) ** 0.5
    # The reading is corrected for the gauge by some hundredths.
    assert level - scene.floor(t, 0.0) == pytest.approx([sagitta, 0, sagitta], abs=0.01)


def test_sections_go_through_claws(cases: dict[str, Case]) -> None:
    first, second = section_directions(set_stone(*cases["step-rectangle"]))
    assert np.rad2deg([first, second]) == pytest.approx([38, 90], abs=0.1)
    first, second = section_directions(set_stone(*cases["three claws"]))
    assert np.rad2deg([first, second]) == pytest.approx([90, 0], abs=0.1)
    assert "Section A–A through the claw at 90°" in drawing_of(*cases["three claws"]).texts


# The parts a drawing is made of.


_TEXTS = (
    "Section A–A through the claws at 38° and 218°",
    "Seats after alteration: probability 0.83",
    "7.70 × 6.60 × 4.30 mm",
    "0.59 ±0.12",
    "WILLIAM iii",
)


def test_text_is_as_wide_as_the_font_makes_it() -> None:
    # Advance widths of the font file itself.
    for bold in (False, True):
        font = FT2Font(font_manager.findfont(f"DejaVu Sans:{'bold' if bold else 'regular'}"))
        font.set_size(1000, 72)
        for text in _TEXTS:
            true = sum(
                font.load_char(ord(letter)).linearHoriAdvance / 65536 / 1000 for letter in text
            )
            estimate = figure.text_pens(text, 1.0, bold=bold)
            # Kerning only narrows; the table rounds up, the bold by one factor for all letters.
            assert true <= estimate <= true * 1.08, text


def test_wrapped_lines_fit() -> None:
    text = "a name made of words and one unbearablylongwordthatfitsnowhere in it"
    lines = figure.wrapped(text, 100.0).split("\n")
    assert all(figure.text_pens(line) <= 100 for line in lines)
    assert lines[0].startswith("a name")
    assert any(line.endswith("...") for line in lines)
    assert figure.wrapped(text, 100.0, most=2).count("\n") == 1


def test_hatch_fills_its_area() -> None:
    square = np.array([[0, 0], [10, 0], [10, 10], [0, 10.0]])
    hole = square / 2 + 1
    lines = figure.hatch([square, hole], 30.0, 0.05)
    length = np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1)
    # Lines 0.05 apart cover the area: 100 - 25, to one line's worth at each end.
    assert length.sum() * 0.05 == pytest.approx(75, abs=0.1)
    figure_ = shapely.Polygon(square, [hole])
    assert all(figure_.covers(shapely.Point(*middle)) for middle in lines.mean(axis=1))
    both = figure.hatch([square], 30.0, 0.05, within=[square + 4])
    length = np.linalg.norm(both[:, 1] - both[:, 0], axis=1)
    assert length.sum() * 0.05 == pytest.approx(36, abs=0.1)


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        ([0.0, 10.0], [0.0, 10.0]),
        ([1.0, 0.0], [2.0, -1.0]),
        ([0.0, 0.0, 0.0], [-3.0, 0.0, 3.0]),
        ([0.0, 1.0, 2.0, 20.0], [-2.0, 1.0, 4.0, 20.0]),
        ([0.0, 2.9, 5.6], [-0.1666666, 2.8333333, 5.8333333]),
    ],
)
def test_labels_are_spread_as_little_as_needed(wanted: list[float], expected: list[float]) -> None:
    assert figure.spread(wanted, 3.0) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("name", ["emerald", "princess", "square-step", "cut-corner-brilliant"])
def test_all_edges_are_there(name: str) -> None:
    # Euler: corners - edges + facets = 2 for every convex solid.
    stone = projection.typical_stone(form(cut(name), cut(name).length_ratio.typical), 6.0)
    normals, offsets, _ = stone.half_spaces
    corners = np.unique(np.round(stone.polyhedron.vertices, 6), axis=0)
    touching = (np.abs(normals @ corners.T - offsets[:, None]) < 1e-6).sum(axis=1)
    facets = int((touching >= 3).sum())
    # Girdle edges: what the plans leave out, seen from the sides they belong to.
    girdle = np.abs(normals[:, 2]) < 1e-9
    at_girdle = int(touching[girdle].sum() - (touching[girdle] >= 3).sum())
    inner = len(projection.edges(stone, "above")) + len(projection.edges(stone, "below"))
    # Each side of the girdle has as many edges as corners; upright ones are shared by two.
    total = inner + at_girdle
    assert len(corners) - total + facets == 2


@pytest.mark.parametrize("name", ["pear-brilliant", "oval-cabochon", "emerald"])
@pytest.mark.parametrize("direction_deg", [0.0, 35.0, 90.0])
def test_an_upright_section_is_that_of_the_mesh(name: str, direction_deg: float) -> None:
    style = cut(name)
    stone = projection.typical_stone(form(style, style.length_ratio.typical), 6.0)
    angle = np.deg2rad(direction_deg)
    through = (0.3, -0.2)
    points = projection.upright_section(stone, angle, through)
    # The other road: trimesh cuts the triangles of the solid by the plane.
    normal = np.array([-np.sin(angle), np.cos(angle), 0.0])
    cut_ = trimesh.intersections.mesh_plane(stone.mesh(), normal, np.array([*through, 0.0]))
    flat = cut_.reshape(-1, 3) - (*through, 0.0)
    t = flat @ (np.cos(angle), np.sin(angle), 0.0)
    other = shapely.convex_hull(shapely.MultiPoint(np.column_stack([t, flat[:, 2]])))
    assert shapely.Polygon(points).area == pytest.approx(other.area, rel=1e-9)
    assert shapely.Polygon(points).symmetric_difference(other).area < 1e-7


# Files.


@pytest.fixture(scope="module")
def drawing(cases: dict[str, Case]) -> Drawing:
    return drawing_of(*cases["old-cushion-collet"])


def test_svg_stands_alone_and_inside_a_strict_page(drawing: Drawing) -> None:
    text = paint.svg(drawing)
    root = ET.fromstring(text)
    svg = "{http://www.w3.org/2000/svg}"
    title, description = root.find(f"{svg}title"), root.find(f"{svg}desc")
    assert title is not None
    assert description is not None
    assert title.text == drawing.title
    assert description.text == drawing.description
    assert root.get("role") == "img"
    # Content-Security-Policy level 3: style attributes and elements need 'unsafe-inline'.
    assert not [node for node in root.iter() if node.get("style") or node.tag == f"{svg}style"]
    own = [node.get("id") for node in root.iter() if node.get("id")]
    assert len(own) == len(set(own))
    linked = re.findall(r'href="#([^"]+)"', text)
    assert linked
    assert set(linked) <= set(own)


def test_names_in_a_page_of_drawings_stay_apart(cases: dict[str, Case], drawing: Drawing) -> None:
    other = drawing_of(*cases["claw-ring"])
    first, second = (set(re.findall(r'id="([^"]+)"', paint.svg(each))) for each in (drawing, other))
    assert not first & second


def test_a_name_cannot_break_out_of_the_file(cases: dict[str, Case]) -> None:
    board = figure.Board(0.1)
    board.label([5, -5], '$x$ <b> -- & " style="fill: red"')
    drawing = board.sheet("<script>alert(1)</script>", "a & b \\1")
    root = ET.fromstring(paint.svg(drawing))
    assert root[0].text == "<script>alert(1)</script>"
    assert root[1].text == "a & b \\1"
    assert not [node for node in root.iter() if node.tag.endswith("script")]


@pytest.mark.parametrize("suffix", [".svg", ".png", ".PNG"])
def test_the_same_drawing_gives_the_same_bytes(
    drawing: Drawing, tmp_path: Path, suffix: str
) -> None:
    first = write_drawing(drawing, tmp_path / f"a{suffix}").read_bytes()
    second = write_drawing(drawing, tmp_path / f"b{suffix}").read_bytes()
    assert first == second
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"a{suffix}", f"b{suffix}"]


def test_png_has_true_proportions(drawing: Drawing) -> None:
    content = paint.png(drawing)
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    # PNG (ISO/IEC 15948), 11.2.2: width and height stand at byte 16 of the file.
    width, height = struct.unpack(">II", content[16:24])
    assert width == 3 * 390
    # To the pixel.
    assert height == pytest.approx(width * drawing.height_mm / drawing.width_mm, abs=1.5)


def test_other_endings_and_overwriting_are_refused(drawing: Drawing, tmp_path: Path) -> None:
    for name in ("seat.jpg", "seat", "seat.pdf"):
        with pytest.raises(FitsolverError, match=r"\.svg or \.png"):
            write_drawing(drawing, tmp_path / name)
    path = tmp_path / "seat.svg"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(FitsolverError, match="exists already"):
        write_drawing(drawing, path)
    assert path.read_text(encoding="utf-8") == "mine"
    write_drawing(drawing, path, overwrite=True)
    assert path.read_text(encoding="utf-8").startswith("<?xml")
    with pytest.raises(FitsolverError, match="cannot be written"):
        write_drawing(drawing, tmp_path / "no such folder" / "seat.svg")
    (tmp_path / "folder.svg").mkdir()
    with pytest.raises(FitsolverError, match="is a folder"):
        write_drawing(drawing, tmp_path / "folder.svg", overwrite=True)


def luminance(colour: str) -> float:
    parts = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


def test_lines_are_seen_without_colour() -> None:
    # WCAG 2.2, 1.4.11: what carries meaning has a contrast of 3:1 to what is beside it.
    for role, pen in paint.PENS.items():
        for ground in paint.FILLS.values():
            if ground != paint.FILLS["scale"] and role != "frame":
                contrast = (luminance(ground) + 0.05) / (luminance(pen.colour) + 0.05)
                assert contrast >= 3, (role, ground)
    # Kinds of line that the legend sets side by side differ in dash or width.
    kinds = [paint.PENS[role] for role in ("opening", "hidden", "datum", "beyond", "metal")]
    assert len({(pen.dash, pen.width) for pen in kinds}) == len(kinds)


# The empty seat

EVERY = [path for path in sorted(EXAMPLES.glob("*.toml")) if path.stem != "faulty"]


@pytest.mark.parametrize("path", EVERY, ids=[path.stem for path in EVERY])
def test_no_text_of_an_empty_seat_lies_on_anything(path: Path) -> None:
    assert clashes(seat_drawing(belief(load_mounting(path)))) == []


def test_an_empty_seat_says_where_its_ledge_is_missing() -> None:
    known = belief(load_mounting(EXAMPLES / "worn-oval-collet.toml"))
    ((start, stop),) = known.mounting.ledge_missing_deg
    drawing = seat_drawing(known)
    (label,) = [
        item for item in drawing.items if isinstance(item, Label) and "no ledge" in item.text
    ]
    assert label.text == f"no ledge\n{start:.0f}° to {stop:.0f}°"
    assert f"No ledge from {start:.0f}° to {stop:.0f}°." in drawing.description
    # The edge of the ledge is an open line that leaves the gap free.
    edges = [item for item in drawing.items if isinstance(item, Stroke) and item.role == "hidden"]
    assert edges
    assert not any(item.closed for item in edges)


def test_an_empty_seat_says_where_its_claws_stand() -> None:
    known = belief(load_mounting(EXAMPLES / "claw-ring.toml"))
    drawing = seat_drawing(known)
    texts = [item.text for item in drawing.items if isinstance(item, Label)]
    # The other two are named over the section that cuts them.
    assert {"140°", "320°"} <= set(texts)
    assert "Section A–A through the claws at 40° and 220°" in texts
    assert "Claws at 40°, 140°, 220°, 320°." in drawing.description
    assert "opening as read" in texts
