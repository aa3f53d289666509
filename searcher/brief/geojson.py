"""The tables of a plan as GeoJSON (RFC 7946): WGS84, longitude first, right-hand rule, cut at 180°."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.affinity import translate

from searcher.brief.words import cautions_of, iso
from searcher.conditions import STANDING_CAUTIONS
from searcher.files import write_text
from searcher.plan import Plan
from searcher.units import to_unit

#: decimal places of degrees kept, some ten centimetres, as RFC 7946 advises (section 11.2)
DIGITS = 6


def write_geojson(plan: Plan, folder: str | os.PathLike[str]) -> list[Path]:
    """Write fronts.geojson, boxes.geojson and legs.geojson; return their paths.

    Each is a FeatureCollection with the columns of its table (`searcher.tables`; m, s, m/s, °C, L) as
    properties; times are ISO 8601 in UTC; missing numbers are null. Legs carry `speed_kn` in place of
    `speed`; a box carries its trolling line as the GeoJSON geometry `line`. Raises `SearcherError` if a file
    cannot be written.
    """
    legs = plan.legs.assign(speed_kn=to_unit(plan.legs["speed"], "kn")).drop(columns="speed")
    tables = {"fronts": plan.fronts, "boxes": plan.boxes, "legs": legs}
    about = {"made_at": iso(plan.made_at), "cautions": list(cautions_of(plan))}
    return [write_table(name, table, folder, about=about) for name, table in tables.items()]


def write_table(
    name: str,
    table: gpd.GeoDataFrame,
    folder: str | os.PathLike[str],
    *,
    about: dict[str, Any] | None = None,
) -> Path:
    """Write one table as `name`.geojson, as `write_geojson` does; `about` is added beside its features."""
    text = json.dumps(_collection(table, about or {"cautions": list(STANDING_CAUTIONS)}), allow_nan=False)
    return write_text(Path(folder) / f"{name}.geojson", text)


def _collection(table: gpd.GeoDataFrame, about: dict[str, Any]) -> dict[str, Any]:
    columns = [column for column in table.columns if column != table.geometry.name]
    features = [
        {
            "type": "Feature",
            "geometry": _geometry(shape),
            "properties": {column: _value(row[column]) for column in columns},
        }
        for shape, (_, row) in zip(table.geometry, table.iterrows(), strict=True)
    ]
    return {"type": "FeatureCollection", **bounding_box(table.geometry.values), **about, "features": features}


def bounding_box(shapes: np.ndarray) -> dict[str, list[float]]:
    """The member `bbox` of some geometries; its west is east of its east across 180° (RFC 7946, 5.2).

    {} for no geometries.
    """
    if shapely.is_empty(shapes).all():
        return {}
    west, south, east, north = (float(edge) for edge in shapely.total_bounds(shapes))
    if east - west >= 360.0:
        west, east = -180.0, 180.0
    turn = 360.0 * math.floor((west + 180.0) / 360.0)
    beyond = turn + 360.0 * (east - turn > 180.0)
    return {"bbox": [round(edge, DIGITS) for edge in (west - turn, south, east - beyond, north)]}


def _value(value: Any) -> Any:
    """A column's value as JSON has it."""
    if isinstance(value, shapely.Geometry):
        return _geometry(value)
    if value is None or value is pd.NaT:
        return None
    if isinstance(value, (pd.Timestamp, np.datetime64)):
        return iso(np.datetime64(value, "ns"))  # type: ignore[call-overload]
    value = value.item() if isinstance(value, np.generic) else value
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _geometry(shape: shapely.Geometry) -> dict[str, Any] | None:
    """A geometry as RFC 7946 wants it: within ±180°, outer rings counterclockwise."""
    if shape is None:
        return None
    shape = shapely.orient_polygons(cut_at_180(shape))
    return json.loads(shapely.to_geojson(shapely.transform(shape, lambda xy: np.round(xy, DIGITS))))


def cut_at_180(shape: shapely.Geometry) -> shapely.Geometry:
    """A geometry with longitudes beyond ±180° cut there, each part shifted into range (RFC 7946, 3.1.9)."""
    west, _, east, _ = shape.bounds
    first, last = math.floor((west + 180.0) / 360.0), math.ceil((east - 180.0) / 360.0)
    if first >= last:
        return translate(shape, -360.0 * first) if first else shape
    pieces = []
    for turn in range(first, last + 1):
        window = shapely.box(360.0 * turn - 180.0, -90.0, 360.0 * turn + 180.0, 90.0)
        pieces += list(shapely.get_parts(translate(shapely.intersection(shape, window), -360.0 * turn)))
    many = shapely.MultiPolygon if shapely.get_dimensions(shape) == 2 else shapely.MultiLineString
    return many([piece for piece in pieces if shapely.get_dimensions(piece) == shapely.get_dimensions(shape)])
