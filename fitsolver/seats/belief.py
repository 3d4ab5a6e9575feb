"""What the readings of a mounting say about its seat: a Gaussian over the seat's parameters.

A seat is its family's figure with a length, a width and some proportions, plus a smooth
irregularity: waves around the opening (2 to 6 to the round), the ledge's width and height and the
wall's height. Length and width are taken as unknown before measuring; a wave that goes k times
round has a standard deviation of tau / k, where tau, the irregularity, is the one number that
says how far hand work strays. Everything nobody measured keeps its prior and is listed as
assumed. Readings condition all of it together, linearly; the family's figure is linearised anew
at the result, three times. What that neglects: rectangular doubts are carried as normal ones of
the same standard deviation.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property, partial

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.readings.angle import ANGLE_U_DEG, Angle
from fitsolver.readings.mounting_key import KEYS, Place
from fitsolver.readings.reading import Reading
from fitsolver.readings.uncertainty import spread_factor
from fitsolver.seats import wave
from fitsolver.seats.contradiction import Contradiction, contradictions
from fitsolver.seats.equation import (
    WIDTH_AS_LENGTH,
    as_wide_as_long,
    diagonal,
    equations,
    lasting,
    own_of,
    rim_shift,
    scalars,
)
from fitsolver.seats.mounting import Mounting
from fitsolver.seats.opening import Opening
from fitsolver.seats.parameter import FACE, Columns, Parameter, Waves
from fitsolver.seats.trace import Trace
from fitsolver.seats.trace_evidence import (
    LAID_BY_EYE_DEG,
    frame_priors,
    learned_tau_mm,
    point_rows,
)
from fitsolver.seats.usual_seat import (
    FLUSH_THICKNESS_MM,
    IRREGULARITY_MM,
    SHAPE_SPREAD_PCT,
)
from fitsolver.stones import outline

Array = NDArray[np.float64]

CORNERED = ("cushion", "octagon")
# Flat enough to say nothing beside any reading, and no wider, so that sums stay exact [mm].
UNKNOWN_MM = 3.0
UNKNOWN_DEG = 20.0
# Radii are taken from a centre found by eye, this far from the figure's own; common practice [mm].
CENTRE_U_MM = 0.3
# What a reading not yet taken would have: a caliper's depth or inside reading [mm].
CALIPER_U_MM = 0.03
STATIONS = 60
# How often the figure is linearised anew; points that lie far off the figure take longer.
ROUNDS, TRACED_ROUNDS = 3, 12
# Stations lie on its family's usual figure where no proportion is off by more than this; what is
# not known to so much is followed as it bends [its unit].
LIKE_ITS_FAMILY, LOOSE = 0.05, 0.5
# What turns by more is a corner.
CORNER_RAD = np.deg2rad(12)
# How far to either side a loose proportion is followed, and at how many values [its u].
BEND_REACH, BEND_COUNT = 3.0, 13
# Where corners are expected besides the best estimate [u of the proportion].
CORNERS_TRIED = (-1.6, -0.8, 0.8, 1.6)
# A trace is linearised anew until nothing moves by more than this [mm, deg, per cent].
SETTLED = 1e-4


class Assumed(Struct, frozen=True, kw_only=True):
    """A parameter nobody measured: what was taken for it and why."""

    name: str
    value: float
    u: float
    unit: str
    source: str


class Evidence(Struct, frozen=True, kw_only=True):
    """One reading as it enters: its place, its unit, the row that predicts it from the parameters.

    `variance` is that of all its errors, `lasting` the part that a repeat would not change.
    """

    place: Place
    unit: str
    row: Array
    variance: float
    lasting: float
    assumed: bool


class Bend(Struct, frozen=True, kw_only=True):
    """How a radius strays from straight as a proportion of the opening changes.

    `place` of the proportion among the parameters; at `values` (k,) of it, spread evenly, the
    radius (n,) is off by `off` (k, n) [mm].
    """

    place: int
    values: Array
    off: Array

    def at(self, value: Array) -> Array:
        """How far radii are off straight at values (s,) of the proportion, (s, n)."""
        step = self.values[1] - self.values[0]
        part = np.clip((value - self.values[0]) / step, 0.0, len(self.values) - 1.0)
        low = np.minimum(part.astype(np.int64), len(self.values) - 2)
        share = (part - low)[:, None]
        off: Array = self.off[low] * (1 - share) + self.off[low + 1] * share
        return off


class Belief(Struct, frozen=True, kw_only=True, dict=True):
    """A Gaussian over the seat's parameters, and how it came about.

    `columns` the d parameters, `mean` (d,), `covariance` (d, d); `directions` (n,) rad of the
    stations round the opening, `radius` (n,) [mm] of the figure at the mean, `slopes` (n, d) of
    the radius by each parameter, `bends` what it strays from these; `evidence` the readings and
    what might yet be read; `contradictions` pairs of readings that do not go together.
    """

    mounting: Mounting
    columns: Columns
    mean: Array
    covariance: Array
    directions: Array
    radius: Array
    slopes: Array
    bends: tuple[Bend, ...]
    assumed: tuple[Assumed, ...]
    evidence: tuple[Evidence, ...]
    contradictions: tuple[Contradiction, ...]
    irregularity_mm: float

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Parameters as people read them; `columns` tells them apart."""
        return tuple(map(str, self.columns.parameters))

    def index(self, name: str) -> int:
        """Place of a parameter in the vectors by its printed name."""
        return self.names.index(name)

    def figure_mm(self) -> Array:
        """The opening's own figure at the mean, without its waves: polygon (k, 2) [mm]."""
        family = outline.family(self.mounting.opening_family)
        shape = {name: float(self.mean[self.columns[f"opening_{name}"]]) for name in family.shape}
        length, width = (float(size) for size in self.mean[:2])
        return outline.draw(family.name, length / width, shape) * width

    def radii(self, parameters: Array) -> Array:
        """Radius (s, n) of the opening at every station, for parameters (s, d) [mm]."""
        radius: Array = self.radius + (parameters - self.mean) @ self.slopes.T
        for bend in self.bends:
            radius = radius + bend.at(parameters[:, bend.place])
        return radius

    def draw(self, points: Array) -> Array:
        """Turn standard normal points (s, d) into parameters (s, d); a zero point is the mean."""
        drawn: Array = self.mean + points @ spread_factor(self.covariance).T
        return drawn


def belief(mounting: Mounting, stations: int = STATIONS) -> Belief:
    """Condition the seat's priors on every reading of `mounting`.

    Raises `InputFaults` for an opening that cannot be worked out from the readings.
    """
    given = mounting.irregularity_mm
    tau = IRREGULARITY_MM[mounting.make] if given is None else given
    figure = outline.family(mounting.opening_family)
    length, width = _first_size(mounting)
    at, mean, spread, assumed = _priors(mounting, figure, length, width, tau)
    drawn = outline.draw(figure.name, length / width)
    directions = _stations(mounting, drawn, stations)
    here = mean.copy()
    trace, learned, surely_learned = mounting.opening_points, tau, False
    unlike: tuple[Array, Array] | None = None
    whole, edge, bare = (
        Opening(figure, at, faces=faces, waves=waves)
        for faces, waves in ((True, True), (False, True), (False, False))
    )
    shape = {name: at[f"opening_{name}"] for name in figure.shape}
    for lap in range(ROUNDS if trace is None else TRACED_ROUNDS):
        if lap and any(abs(here[i] - mean[i]) > LIKE_ITS_FAMILY for i in shape.values()):
            # Corners and tips lie elsewhere than its family's.
            proportions = {name: max(float(here[i]), 0.0) for name, i in shape.items()}
            drawn = outline.draw(figure.name, here[0] / here[1], proportions)
            directions = _stations(mounting, drawn, stations)
        radius, slopes = whole.answers(here, directions)
        rows, values, noise, labels, readings = equations(
            mounting, here, at, directions, radius, slopes, tau
        )
        if trace is not None:
            traced = point_rows(
                trace, here, at, partial(edge.answers, here), partial(edge.reach, here),
                partial(bare.reach, here),
            )  # fmt: skip
            if given is None and not surely_learned:
                before_that, waves = learned, at.waves("opening")
                learned = _learn(traced, mean, spread, waves, tau)
                surely_learned = learned == before_that
            rows, values, noise = _joined((rows, values, noise), traced)
        prior = np.diag(spread**2)
        if rows.size:
            expected = rows @ mean
            gain = np.linalg.solve(rows @ prior @ rows.T + noise, rows @ prior).T
            before, here = here, mean + gain @ (values - expected)
            # Joseph's form: stays a covariance whatever rounding does.
            rest = np.eye(len(mean)) - gain @ rows
            covariance = rest @ prior @ rest.T + gain @ noise @ gain.T
            told = slice(len(labels))  # traced points follow behind
            spread_of_all = rows[told] @ prior @ rows[told].T + noise[told, told]
            unlike = (values - expected)[told], spread_of_all
        else:
            before, covariance = here, prior
        if trace is not None and np.abs(here - before).max() < SETTLED:
            break
    loose = {
        i: width_of
        for i in shape.values()
        if (width_of := float(np.sqrt(covariance[i, i]))) > LOOSE and trace is None
    }
    if loose and mounting.holds == "wall":
        directions = _through_corners(directions, figure, shape, here, loose)
    radius, slopes = whole.answers(here, directions)
    bends = tuple(_bend(whole, here, directions, i, width_of) for i, width_of in loose.items())
    evidence = [
        Evidence(
            place=place,
            unit="deg" if place.key.endswith("_deg") else "mm",
            row=row,
            variance=float(noise[i, i]),
            lasting=lasting(readings[i]) if i < len(readings) else 0.0,
            assumed=False,
        )
        # Traced points follow behind; none of them is a reading to take again by itself.
        for i, (place, row) in enumerate(zip(labels, rows, strict=False))
        if place != WIDTH_AS_LENGTH
    ]
    if trace is not None:
        assumed[1:1] = _traced(trace, learned, given is None)
    evidence += _unread(mounting, here, at, assumed, directions, radius, slopes)
    return Belief(
        mounting=mounting,
        columns=at,
        mean=here,
        covariance=(covariance + covariance.T) / 2,
        directions=directions,
        radius=radius,
        slopes=slopes,
        bends=bends,
        assumed=tuple(assumed),
        evidence=tuple(evidence),
        contradictions=() if unlike is None else contradictions(labels, *unlike),
        irregularity_mm=tau,
    )


def _learn(
    traced: tuple[Array, Array, Array],
    mean: Array,
    spread: Array,
    waves: Waves,
    tau: float,
) -> float:
    """Learn the opening's irregularity from its points, and spread its waves by it, in place."""
    rows, values, noise = traced
    learned = learned_tau_mm(rows, values - rows @ mean, noise, spread, waves, tau)
    spread[waves.columns] = learned / waves.number
    return learned


def _joined(
    first: tuple[Array, Array, Array], second: tuple[Array, Array, Array]
) -> tuple[Array, Array, Array]:
    """Put equations behind others that share no error with them."""
    count = len(first[1])
    noise = np.zeros((count + len(second[1]),) * 2)
    noise[:count, :count], noise[count:, count:] = first[2], second[2]
    return np.vstack([first[0], second[0]]), np.concatenate([first[1], second[1]]), noise


def _traced(trace: Trace, learned_mm: float, is_learned: bool) -> list[Assumed]:
    """Say what was taken for the trace: the points' own doubt, scale, turn, irregularity."""
    stray = f"they stray {trace.residual_u_mm:.3f} mm from a smooth curve through them"
    if trace.residual_u_mm > trace.u_mm:
        source = f"{stray}, more than the {trace.u_mm:g} mm "
        source += "usual for a worn edge" if trace.u_assumed else "stated"
    else:
        source = "common practice for a worn edge" if trace.u_assumed else "stated"
        source = f"{source}; {stray}"
    said = [("traced_points_mm", trace.point_u_mm, 0.0, "mm", source)]
    if is_learned:
        source = "learned from the traced points: how far they lie from the family's figure"
        said += [("traced_irregularity_mm", learned_mm, 0.0, "mm", source)]
    if trace.scale_assumed:
        source = "common practice: two clicks on a rule beside the edge"
        said += [("trace_scale_pct", 0.0, trace.scale_u_pct, "pct", source)]
    if trace.turn_deg is None:
        source = "the length was laid along x by eye"
        said += [("trace_turn_deg", 0.0, LAID_BY_EYE_DEG, "deg", source)]
    return [
        Assumed(name=name, value=value, u=u, unit=unit, source=source)
        for name, value, u, unit, source in said
    ]


def _unread(
    mounting: Mounting,
    here: Array,
    at: Columns,
    assumed: list[Assumed],
    directions: Array,
    radius: Array,
    slopes: Array,
) -> list[Evidence]:
    """Return what might yet be read: assumed parameters, angles, the opening's corners."""

    def would_be(name: str, row: Array, u: float, *, again: bool = False) -> Evidence:
        unit = "deg" if name.endswith("_deg") else "mm"
        return Evidence(
            place=Place(name), unit=unit, row=row, variance=u**2, lasting=0.0, assumed=not again
        )

    usual_u = {"mm": CALIPER_U_MM, "deg": ANGLE_U_DEG}
    lean_row, _ = rim_shift(mounting, None, here, at)
    names = [one.key for one in at.parameters if one.claw is None and not one.wave]
    rows = {name: np.eye(len(at))[at[name]] for name in names}
    rows["opening_width_mm"] += 2 * lean_row
    found = [
        would_be(item.name, rows[item.name], usual_u[item.unit])
        for item in assumed
        if item.unit in usual_u and item.name in rows and not item.name.startswith("trace_")
    ]
    if mounting.opening_points is not None:
        # A span by caliper tells the scale of a trace.
        found += [
            would_be(name, rows[name] + 2 * lean_row, CALIPER_U_MM)
            for name in ("opening_length_mm", "opening_width_mm")
            if getattr(mounting, name) is None
        ]
    found += [
        would_be(name, rows[name], given.u_deg, again=True)
        for name in names
        if isinstance(given := getattr(mounting, name, None), Angle)
    ]
    if any(item.name == "opening_corner_pct" for item in assumed) and (
        mounting.opening_family in CORNERED
    ):
        row, _ = diagonal(mounting, here, at, directions, radius, slopes)
        found.append(would_be("opening_diagonal_mm", row + 2 * lean_row, CALIPER_U_MM))
    return found


def _first_size(mounting: Mounting) -> tuple[float, float]:
    """A first length and width of the opening, to linearise about."""
    length = mounting.opening_length_mm.value_mm if mounting.opening_length_mm else None
    width = mounting.opening_width_mm.value_mm if mounting.opening_width_mm else None
    radii = mounting.opening_radii_mm
    if radii and (length is None or width is None):
        angle = np.deg2rad([item[0] for item in radii])
        reach = np.array([item[1].value_mm for item in radii])
        x, y = reach * np.cos(angle), reach * np.sin(angle)
        length = length or float(np.ptp(x))
        width = width or float(np.ptp(y))
    if mounting.opening_points is not None:
        traced = mounting.opening_points.size_mm
        length, width = length or traced[0], width or traced[1]
    length = length or width or 0.0
    return length, width or length


def _priors(
    mounting: Mounting, figure: outline.Family, length: float, width: float, tau: float
) -> tuple[Columns, Array, Array, list[Assumed]]:
    items: list[tuple[Parameter, float, float]] = []

    def add(key: str, value: float, u: float, claw: int | None = None) -> None:
        items.append((Parameter(key, claw), value, u))

    add("opening_length_mm", length, UNKNOWN_MM)
    add("opening_width_mm", width, UNKNOWN_MM)
    assumed: list[Assumed] = [
        Assumed(
            name="irregularity_mm",
            value=tau,
            u=0.0,
            unit="mm",
            source="common practice for this make"
            if mounting.irregularity_mm is None
            else "given in the mounting file",
        )
    ]
    trace = mounting.opening_points
    seen = trace is not None or mounting.opening_diagonal_mm is not None
    for name, usual in figure.shape.items():
        add(f"opening_{name}", usual, SHAPE_SPREAD_PCT[name])
        if not seen and len(mounting.opening_radii_mm) < 6:
            assumed.append(
                Assumed(
                    name=f"opening_{name}",
                    value=usual,
                    u=SHAPE_SPREAD_PCT[name],
                    unit="pct",
                    source=f"common practice for a {figure.name} opening",
                )
            )
    if mounting.opening_radii_mm:
        for key in ("centre_x_mm", "centre_y_mm"):
            add(key, 0.0, CENTRE_U_MM)
    if trace is not None:
        for item in frame_priors(trace, outline.draw(figure.name, length / width) * width):
            add(*item)
    tied = as_wide_as_long(mounting)
    for name in tied:
        source = f"a {figure.name} one is as wide as it is long, but for its irregularity"
        like = getattr(mounting, name.replace("width", "length"))
        assumed.append(Assumed(name=name, value=like.value_mm, u=tau, unit="mm", source=source))
    for name in scalars(mounting):
        rules = KEYS[name]
        prior = rules.usual
        assert prior is not None  # or it would be no scalar
        value, unit = prior.of(length, width), "mm" if rules.unit == "mm" else "deg"
        if name == "wall_thickness_mm" and mounting.flush:
            value = FLUSH_THICKNESS_MM
        given = getattr(mounting, name, None)
        own = _placed(mounting, name)
        if name in tied:
            like = getattr(mounting, name.replace("width", "length"))
            add(name, like.value_mm, UNKNOWN_MM)
        elif given is None and own:
            unknown = UNKNOWN_MM if unit == "mm" else UNKNOWN_DEG
            add(name, float(np.mean(own)), unknown)
        elif given is None:
            add(name, value, prior.u)
            assumed.append(
                Assumed(name=name, value=value, u=prior.u, unit=unit, source=prior.source)
            )
        elif isinstance(given, Reading):
            add(name, given.value_mm, UNKNOWN_MM)
        else:
            add(name, given.value_deg, given.u_deg)
    if mounting.holds == "claws":
        for claw in range(len(mounting.claw_directions_deg)):
            add(FACE, 0.0, tau, claw)
    for field, waves in wave.fields(mounting, tau).items():
        items += [
            (one, 0.0, waves.spread / one.wave) for one in wave.parameters(field, waves.numbers)
        ]
    if mounting.ledge_heights_mm:
        plane = np.mean([value for _, value in wave.places(mounting, "ledge_height_mm")])
        add("ledge_plane_mm", float(plane), UNKNOWN_MM)
    levels = _levels(mounting)
    if levels:
        add("ledge_plane_mm", float(np.mean(levels)), UNKNOWN_MM)
        spread = max(tau, float(np.std(levels)))
        for i in range(len(levels)):
            add("ledge_height", 0.0, spread, i)
    for i, own_claw in enumerate(mounting.claws):
        for name, own_value in own_of(mounting, own_claw).items():
            unknown = own_value.u_deg if isinstance(own_value, Angle) else UNKNOWN_MM
            add(name, _value(own_value), unknown, i)
    return (
        Columns(tuple(item[0] for item in items)),
        np.array([item[1] for item in items]),
        np.array([item[2] for item in items]),
        assumed,
    )


def _levels(mounting: Mounting) -> list[float]:
    """Height of every claw's notch over a common plane [mm]; none unless all were read."""
    read = [claw.notch_level_mm for claw in mounting.claws]
    known = [level.value_mm for level in read if level is not None]
    return known if mounting.state == "cut" and len(known) == len(read) else []


def _value(given: Reading | Angle) -> float:
    return given.value_deg if isinstance(given, Angle) else given.value_mm


def _placed(mounting: Mounting, name: str) -> list[float]:
    """Values of a scalar that was read place by place all round, or on every claw by itself."""
    if mounting.claws and all(name in claw.own for claw in mounting.claws):
        return [_value(claw.own[name]) for claw in mounting.claws]
    return [value for _, value in wave.places(mounting, name)]


def _bend(whole: Opening, here: Array, directions: Array, place: int, u: float) -> Bend:
    """How the radius strays from straight over so many u of one proportion."""
    radius, (_, slopes) = whole.reach(here, directions), whole.answers(here, directions)
    values = here[place] + u * BEND_REACH * np.linspace(-1.0, 1.0, BEND_COUNT)
    off = []
    for value in values:
        there = here.copy()
        there[place] = value
        off.append(
            whole.reach(there, directions) - radius - slopes[:, place] * (value - here[place])
        )
    return Bend(place=place, values=values, off=np.array(off))


def _through_corners(
    directions: Array,
    figure: outline.Family,
    shape: Mapping[str, int],
    here: Array,
    loose: Mapping[int, float],
) -> Array:
    """Stations with those through where the corners may lie besides: a chord would cut them off."""
    every = [directions]
    for place, u in loose.items():
        for part in CORNERS_TRIED:
            proportions = {
                name: max(float(here[i]) + (part * u if i == place else 0.0), 0.0)
                for name, i in shape.items()
            }
            points = outline.draw(figure.name, here[0] / here[1], proportions)
            corner = points[turns_of(points) > CORNER_RAD]
            every.append(np.mod(np.arctan2(corner[:, 1], corner[:, 0]), 2 * np.pi))
    rounded = np.round(np.concatenate(every), 6)
    return np.array(sorted(set(rounded.tolist())))


def turns_of(points: Array) -> Array:
    """By how much an outline turns at each of its points (k,) [rad]."""
    step = np.roll(points, -1, axis=0) - points
    heading = np.arctan2(step[:, 1], step[:, 0])
    turn: Array = np.mod(np.diff(heading, prepend=heading[-1]), 2 * np.pi)
    return turn


def _stations(mounting: Mounting, points: Array, count: int) -> Array:
    """Directions round the opening: closer where it curves, and through its corners or the claws.

    `points` (k, 2) are its figure, to any scale.

    A chord of length c strays from a curve of radius r by c^2 / 8r, so stations lie as close as
    the root of the curvature asks, with some even division mixed in for straight sides. Chords
    then stray by under 0.01 mm in every family.
    """
    if mounting.holds == "claws":
        claws = np.deg2rad(np.asarray(mounting.claw_directions_deg, dtype=np.float64))
        for i, claw in enumerate(mounting.claws):
            if claw.corner:  # where the corner is, whatever the eye read
                x, y = outline.tip_near(points, float(claws[i]))
                claws[i] = np.mod(np.arctan2(y, x), 2 * np.pi)
        return claws
    points = np.roll(points, -int(np.argmax(points[:, 0])), axis=0)
    step = np.roll(points, -1, axis=0) - points
    turn = turns_of(points)
    corner = turn > CORNER_RAD
    way = np.linalg.norm(step, axis=1)
    # A corner is a station itself and asks for none besides.
    curving = np.where(corner, 0.0, turn)
    close = np.sqrt((curving + np.roll(curving, -1)) / 2 * way)
    share = 0.3 * way / way.sum() + close / max(close.sum(), 1e-9)
    passed = np.append(0.0, np.cumsum(share))
    closed = np.vstack([points, points[:1]])
    turned = np.unwrap(np.arctan2(closed[:, 1], closed[:, 0]))
    asked = np.concatenate(
        [
            np.arange(4) * np.pi / 2,
            np.arctan2(points[corner, 1], points[corner, 0]),
            np.deg2rad([at_deg for at_deg, _ in mounting.opening_radii_mm]),
            np.deg2rad([end for ends in mounting.ledge_missing_deg for end in ends]),
            np.deg2rad(wave.directions_read(mounting)),
        ]
    )
    # What is asked for stands in for the nearest of the even ones.
    there = np.interp(np.mod(asked - turned[0], 2 * np.pi) + turned[0], turned, passed)
    step_on = passed[-1] / count
    even = np.arange(count) * step_on
    apart = np.abs(even[:, None] - there)
    free = np.minimum(apart, passed[-1] - apart).min(axis=1) > step_on / 4
    x, y = (np.interp(even[free], passed, closed[:, axis]) for axis in (0, 1))
    angle = np.concatenate([asked, np.arctan2(y, x)])
    rounded = np.round(np.mod(angle + 1e-7, 2 * np.pi), 6)
    # `np.unique` would load masked arrays.
    return np.array(sorted(set(rounded.tolist())))
