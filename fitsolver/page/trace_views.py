"""Tracing the opening on a photograph: the points come here, the photograph never does."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from starlette.responses import JSONResponse, Response

from fitsolver.errors import FitsolverError, InputFaults
from fitsolver.page.seat_form import TRACED, Data, document, number_of, text_of
from fitsolver.page.seat_views import conflict, data_in, name_in, toml_of
from fitsolver.page.site import Asked
from fitsolver.page.store import Overtaken

POINTS, FILE = "opening_points_mm", "opening_points_file"
NAME = "points"


def trace(asked: Asked) -> Response:
    """Show the points of a mounting, or keep them."""
    store, slug = asked.site.store, asked.slug
    page = store.read(slug)
    data = data_in(page)
    fields = _fields_of(data)
    faults: list[str] = []
    if asked.request.method == "POST":
        fields = {key: asked.fields.get(key, "") for key in (POINTS, *TRACED)}
        data, faults = _with_points(data, fields)
        faults += [] if faults else _faults(data)
        if not faults:
            try:
                store.save(slug, toml_of(data, page.text), asked.fields.get("revision", ""))
            except Overtaken as other:
                return conflict(asked, other.theirs, data)
            return asked.go(f"/m/{slug}?saved=1")
    return asked.page(
        "trace.html", status=422 if faults else 200, slug=slug, name=name_in(data, slug),
        revision=asked.fields.get("revision", page.revision), fields=fields, faults=faults,
    )  # fmt: skip


def look(asked: Asked) -> Response:
    """Answer with the smooth curve through the points, their residual, and what is wrong."""
    from fitsolver.seats.trace import trace_from
    from fitsolver.stones import outline

    data, faults = _with_points(data_in(asked.site.store.read(asked.slug)), asked.fields)
    seat = data["seat"]
    found: dict[str, Any] = {"curve": [], "faults": faults}
    if faults or POINTS not in seat:
        return JSONResponse(found)
    faults += _faults(data)
    u = seat.get(TRACED[0])
    try:
        traced = trace_from(seat[POINTS], u_mm=u if isinstance(u, int | float) and u > 0 else None)
    except InputFaults as error:
        found["faults"] = faults or [_told(each) for each in error.faults]
        return JSONResponse(found)
    number, distance = traced.furthest
    return JSONResponse(
        {
            **found,
            "curve": [[round(x, 3), round(y, 3)] for x, y in traced.curve[::2].tolist()],
            "residual_u_mm": round(traced.residual_u_mm, 4),
            "u_mm": round(traced.point_u_mm, 4),
            "size_mm": [round(each, 3) for each in _size(traced.curve, seat)],
            "furthest": {"number": number + 1, "mm": round(distance, 3)},
            "turn_deg": _turn(traced.curve, seat, outline),
        }
    )


def _size(curve: Any, seat: Mapping[str, Any]) -> tuple[float, float]:
    """Extent along the length and across it [mm], the points turned as they will be."""
    import numpy as np

    turn = seat.get(TRACED[2])
    angle = np.deg2rad(turn if isinstance(turn, int | float) else 0.0)
    c, s = np.cos(angle), np.sin(angle)
    long, wide = np.ptp(curve @ np.array([[c, s], [-s, c]]), axis=0)
    return float(long), float(wide)


def _turn(curve: Any, seat: Mapping[str, Any], outline: Any) -> int | None:
    """By how much the points should be turned; None if they lie well or it was said."""
    from fitsolver.seats.seat_fault import LENGTHWISE, lies_turned

    family = seat.get("opening_family")
    if seat.get(TRACED[2]) is not None or family not in outline.FAMILIES or family == "round":
        return None
    turn = lies_turned(curve, outline.family(family), lengthwise=family in LENGTHWISE)
    return None if turn is None else -round(turn)


def _fields_of(data: Mapping[str, Any]) -> dict[str, str]:
    """What a mounting file says of a trace, as the form shows it."""
    seat = data.get("seat")
    seat = seat if isinstance(seat, Mapping) else {}
    points = seat.get(POINTS)
    lines = [text_of(each) for each in points] if isinstance(points, list) else []
    return {POINTS: "\n".join(lines), **{key: text_of(seat.get(key)) for key in TRACED}}


def _with_points(data: Data, fields: Mapping[str, str]) -> tuple[Data, list[str]]:
    """Put the points of a form into the data of a mounting; say which lines are none."""
    from fitsolver.seats.trace_file import points_from

    changed: Data = copy.deepcopy(dict(data))
    seat = changed["seat"] if isinstance(changed.get("seat"), dict) else {}
    changed["seat"] = seat
    text = fields.get(POINTS, "")
    for key in (POINTS, *TRACED):
        seat.pop(key, None)
    if not text.strip():
        return changed, []
    try:
        points = points_from(text, name=NAME)
    except InputFaults as error:
        return changed, [_told(each) for each in error.faults]
    seat.pop(FILE, None)
    seat[POINTS] = [[x, y] for x, y in points]
    for key in TRACED:
        value = number_of(fields.get(key, "").strip())
        if value is not None:
            seat[key] = value
    return changed, []


def _faults(data: Data) -> list[str]:
    """What the strict reader has against the trace; the rest of the seat is another page's."""
    from fitsolver.seats.mounting import mounting_from

    try:
        mounting_from(document(data))
    except InputFaults as error:
        return [
            _told(each) for each in error.faults
            if "opening_points" in each.key or "traced points" in each.rule
        ]  # fmt: skip
    except FitsolverError as error:
        return [str(error)]
    return []


def _told(fault: Any) -> str:
    where = f"{fault.key.removeprefix('seat.')} " if "traced points" in fault.rule else ""
    line = "" if fault.line is None else f"Line {fault.line}: "
    value = "" if fault.value is None else f"{fault.value} "
    said = f"{line}{where}{value if fault.key == 'point' else ''}{fault.rule}. {fault.remedy}."
    return said[:1].upper() + said[1:]
