"""The tables that flow through the package: their columns, and one check for all of them.

All are GeoDataFrames in EPSG:4326 (longitude before latitude). Columns are in inside units (m, s, m/s, °C,
L) and times are `datetime64[ns]`, UTC.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from searcher.errors import TableError

CRS = "EPSG:4326"
TEMPERATURE_BREAK = "temperature break"
COLOR_CHANGE = "color change"
CONVERGENCE_LINE = "convergence line"
#: what the reader is told of where currents have drawn together what floats, the line and the evidence
GATHERED = "gathered matter"
NAMES = {CONVERGENCE_LINE: GATHERED, "convergence": GATHERED}
FRONT_KINDS = (TEMPERATURE_BREAK, COLOR_CHANGE, CONVERGENCE_LINE)
LEG_KINDS = ("run", "lines in", "troll", "lines up", "home")
#: those without lines in the water
RUNS = ("run", "home")
WEED_LINE, DEBRIS, TEMPERATURE, BIRDS = "weed line", "debris", "temperature", "birds"
BITE, FISH, NOTHING, TROLLED = "bite", "fish", "nothing", "trolled"
SIGHTING_KINDS = (
    WEED_LINE,
    DEBRIS,
    COLOR_CHANGE,
    TEMPERATURE_BREAK,
    TEMPERATURE,
    BIRDS,
    BITE,
    FISH,
    NOTHING,  # a stretch trolled without a bite
    TROLLED,  # a stretch trolled; its bites stand in rows of their own
)

#: lines where something changes or gathers
FRONTS = {
    "kind": "text",  # one of FRONT_KINDS
    "valid_time": "time",  # the hour the geometry stands for (after drifting: the hour drifted to)
    "seen_time": "time",  # the hour of the picture or of the currents it was found in
    # temperature break: °C/m; color change: decades of chlorophyll per m; convergence line: attraction, 1/s
    "strength": "number",
    "strength_doubt": "number",  # 1-sigma error of the same; NaN where the kind has none, as below
    "step": "number",  # across it: °C or decades
    "step_doubt": "number",  # 1-sigma error of the same
    "width": "number",  # across which 76 % of the step lies (tanh 1), m
    "length": "number",  # m
    "warm_side": "text",  # compass point of the warm side; "" where the kind has none
    "seen_share": "number",  # in how many of the usable pictures it was seen, 0..1
    "doubt": "number",  # 1-sigma position error, m
    "confidence": "number",  # that it is there at all, 0..1
    "source": "text",
}

#: search boxes; one column per piece of evidence, named `evidence_...`, in natural-log units of the rate
BOXES = {
    "rank": "integer",  # 1 is best
    "front": "integer",  # row label of the line it lies on
    "kind": "text",
    "valid_time": "time",  # the hour its trolling line stands for
    "expected": "number",  # encounters per hour of trolling
    "expected_low": "number",  # 10 % and 90 % points of the same
    "expected_high": "number",
    "depth": "number",  # median bottom depth along the line, m; NaN where unknown
    "length": "number",  # of the trolling line, m
    "doubt": "number",  # m
    "time_out": "number",  # s from the sea buoy
    "time_home": "number",  # s back to the sea buoy
    "fuel": "number",  # L out and home
    "why": "text",
}

#: stretches of the day, in order
LEGS = {
    "kind": "text",  # one of LEG_KINDS
    "start": "time",
    "end": "time",
    "distance": "number",  # over the ground, m
    "speed": "number",  # the boat is set to make in flat water, m/s; waves slow a run
    "fuel_used": "number",  # L
    "fuel_left": "number",  # L at the end of the leg, reserve included
    "box": "integer",  # rank of the box it belongs to; 0 for the way out of and back to port
}

#: what was seen at sea, in order of time; geometry is a Point, or the LineString of a stretch
SIGHTINGS = {
    "kind": "text",  # one of SIGHTING_KINDS
    "time": "time",  # when it was seen; of a stretch, when it began
    "end": "time",  # when a stretch ended; else the same
    "count": "number",  # how many birds, bites or fish; NaN where not said
    "value": "number",  # temperature of the water, °C; NaN where none was read
    "flying": "text",  # of birds: "low", "high" or ""
    "species": "text",  # of fish, or ""
    "depth": "number",  # bottom depth, m; NaN where not said
    "note": "text",
    "source": "text",  # "typed", `sightings.entry.BY_PLAN`, or the name of the plotter's file
}

SCHEMAS = {"fronts": FRONTS, "boxes": BOXES, "legs": LEGS, "sightings": SIGHTINGS}
#: tables whose `kind` is one of a few
KINDS = {"fronts": FRONT_KINDS, "legs": LEG_KINDS, "sightings": SIGHTING_KINDS}
EVIDENCE = "evidence_"
#: a row of a table as `itertuples` gives it: an attribute per column, as the table's schema says
Row = Any


def make_table(
    name: str, geometry: Iterable[shapely.Geometry], columns: Mapping[str, Any], **extra: Any
) -> gpd.GeoDataFrame:
    """A checked table of the named schema; `columns` may be empty lists (an empty table)."""
    frame = gpd.GeoDataFrame({**columns, **extra}, geometry=list(geometry), crs=CRS)
    for column, kind in SCHEMAS[name].items():
        if column in frame:
            frame[column] = _cast(frame[column], kind)
    return check_table(name, frame)


def empty_table(name: str) -> gpd.GeoDataFrame:
    """A table of the named schema without rows."""
    return make_table(name, [], {column: [] for column in SCHEMAS[name]})


def join_tables(name: str, tables: Sequence[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    """Tables of one name as one, in order, its rows counted from 0."""
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else empty_table(name)


def check_table(name: str, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return `frame` if it has the columns of schema `name`, else raise `TableError` naming every fault."""
    problems = []
    if not isinstance(frame, gpd.GeoDataFrame):
        raise TableError(f"{name} table", given=type(frame).__name__, expected="a GeoDataFrame")
    if frame.crs is None or frame.crs.to_epsg() != 4326:
        problems.append(f"coordinates: given {frame.crs}, expected EPSG:4326")
    for column, kind in SCHEMAS[name].items():
        if column not in frame:
            problems.append(f"column {column!r} is missing, expected {kind}")
        elif len(frame) and not _is_kind(frame[column], kind):
            problems.append(f"column {column!r}: given {frame[column].dtype}, expected {kind}")
    if not problems and name in KINDS:
        strangers = sorted(set(frame["kind"]) - set(KINDS[name]))
        if strangers:
            problems.append(f"column 'kind': given {strangers}, expected one of {list(KINDS[name])}")
    if problems:
        raise TableError.of_problems(f"{name} table", problems)
    return frame


def evidence_columns(boxes: gpd.GeoDataFrame) -> list[str]:
    """Names of the evidence columns of a boxes table, in order."""
    return [column for column in boxes.columns if str(column).startswith(EVIDENCE)]


def _cast(values: pd.Series, kind: str) -> pd.Series:
    if kind == "time":
        return pd.Series(np.asarray(values, dtype="datetime64[ns]"), index=values.index)
    return values.astype({"number": float, "integer": int, "text": object}[kind])


def _is_kind(values: pd.Series, kind: str) -> bool:
    if kind == "time":
        return values.dtype.kind == "M"
    if kind == "text":
        return all(isinstance(value, str) for value in values)
    return values.dtype.kind in ("iu" if kind == "integer" else "iuf")


def pace_of(leg: Row) -> float:
    """Speed (m/s) of a row of `LEGS`: of a run over the ground, as waves and currents let it be."""
    seconds = (leg.end - leg.start).total_seconds()
    return float(leg.distance / seconds if leg.kind in RUNS and seconds > 0 else leg.speed)


def say_name(name: str) -> str:
    """A kind of line, a field or a piece of evidence in the words and the spelling of the hand-over."""
    return NAMES.get(name) or name.replace("_", " ").replace("color", "colour")
