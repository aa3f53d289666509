"""Closed areas and shipping lanes, from GeoJSON (RFC 7946)."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
import shapely.geometry

from searcher import geo
from searcher.trip.model import matches, say_backslash

UNREADABLE = (KeyError, TypeError, ValueError, AttributeError, IndexError, shapely.errors.ShapelyError)


def read_closed(folder: Path, patterns: Sequence[str], near_lon: float) -> tuple[shapely.Geometry, list[str]]:
    """The union of all areas in degrees, on the side of the earth where `near_lon` is; and the faults."""
    areas, faults = [], []
    for pattern in patterns:
        paths = matches(folder, pattern)
        if not paths:
            faults.append(f"given {json.dumps(pattern)}, no such file in {folder}{say_backslash(pattern)}")
        for path in paths:
            found, problems = read_areas(path)
            areas += [_beside(area, near_lon) for area in found]
            faults += problems
    return shapely.union_all(areas) if areas else shapely.MultiPolygon(), faults


def _beside(area: shapely.Polygon, lon: float) -> shapely.Polygon:
    """A polygon moved by whole turns to where its middle is within half a turn of `lon`."""
    middle = (area.bounds[0] + area.bounds[2]) / 2
    shift = np.array([float(geo.near_longitude(middle, lon)) - middle, 0.0])
    return shapely.transform(area, lambda xy: xy + shift)


def _unwrapped(area: shapely.Geometry) -> shapely.MultiPolygon:
    """An area whose rings go on past 180° where a step of theirs is longer than half a turn.

    RFC 7946 (3.1.9) asks for areas cut there; one that is not would else be all the world but itself.
    """
    return shapely.MultiPolygon([_unwrapped_polygon(part) for part in shapely.get_parts(area)])


def _unwrapped_polygon(polygon: shapely.Polygon) -> shapely.Polygon:
    rings = [np.array(ring.coords)[:, :2] for ring in (polygon.exterior, *polygon.interiors)]
    outer, *holes = ([np.unwrap(ring[:, 0], period=360.0), ring[:, 1]] for ring in rings)
    for hole in holes:
        hole[0] += geo.near_longitude(hole[0].mean(), outer[0].mean()) - hole[0].mean()
    return shapely.Polygon(np.column_stack(outer), [np.column_stack(hole) for hole in holes])


def read_areas(path: Path) -> tuple[list[shapely.Polygon], list[str]]:
    """(polygons, faults) of a GeoJSON file: only polygons with simple rings, in degrees, will do."""
    try:
        content = json.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError) as error:
        return [], [f"closed area file {path.name} is not valid GeoJSON: {error}"]
    features = content.get("features") if isinstance(content, dict) else None
    if not isinstance(features, list):
        features = [content]
    if not features:
        return [], [f"closed area file {path.name} holds no feature, expected a Polygon or MultiPolygon"]
    areas, faults = [], []
    for number, feature in enumerate(features, start=1):
        try:
            areas += list(shapely.get_parts(_read_area(feature)))
        except ValueError as error:
            faults.append(f"closed area file {path.name}: feature {number} {error}")
    return areas, faults


def _read_area(feature: Any) -> shapely.Geometry:
    """A polygon or multipolygon of a feature; ValueError saying what is wrong with it."""
    geometry = feature.get("geometry", feature) if isinstance(feature, dict) else None
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if kind not in ("Polygon", "MultiPolygon"):
        what = f"is a {kind}" if kind else "has no geometry"
        raise ValueError(f"{what}, expected a Polygon or MultiPolygon")
    try:
        area = shapely.geometry.shape(geometry)
        xy = shapely.get_coordinates(area)
    except UNREADABLE:
        xy = np.empty((0, 2))
    if not len(xy) or not np.isfinite(xy).all():
        raise ValueError("has no readable coordinates, expected closed rings of [longitude, latitude]")
    (west, south), (east, north) = xy.min(axis=0), xy.max(axis=0)
    if not (west >= -180 and east <= 360 and south >= -90 and north <= 90):
        reach = f"[{west:g}, {south:g}] to [{east:g}, {north:g}]"
        raise ValueError(f"reaches from {reach}, expected degrees, longitude first")
    area = _unwrapped(area)
    if not area.is_valid:
        raise ValueError(f"is not a simple polygon: {shapely.is_valid_reason(area)}")
    return area
