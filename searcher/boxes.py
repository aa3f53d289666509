"""Search boxes: stretches of the lines within reach, each long enough for one pass of trolling."""

from __future__ import annotations

import math
from itertools import pairwise

import geopandas as gpd
import numpy as np
import shapely
import shapely.ops
import xarray as xr

from searcher.geo import LocalPlane, Place
from searcher.reach import range_polygon
from searcher.tables import CRS

#: one pass at trolling speed of about three quarters of an hour, and the least worth wetting lines for, m
LONGEST = 9000.0
SHORTEST = 2500.0
#: bends smaller than this are smoothed out of a line to be trolled, m
TAUT = 150.0
#: half-width of a box: the line's doubt, within these bounds, m
NARROWEST, WIDEST = 500.0, 3000.0


def lay_boxes(fronts: gpd.GeoDataFrame, reach: xr.Dataset) -> gpd.GeoDataFrame:
    """Candidate boxes along every line, unranked.

    Columns: `geometry` (polygon: the line widened by its doubt), `line` (the line to troll), `front` (row
    label of `fronts`), `kind`, `valid_time`, `doubt` (m), `length` (m). Only stretches within reach count.
    """
    within = range_polygon(reach)
    centre = Place(float(reach["lon"].mean()), float(reach["lat"].mean()))
    plane = LocalPlane(centre)
    within_plane = plane.to_plane(within)
    rows = []
    for front in fronts.itertuples():
        for piece in cut_stretches(plane.to_plane(front.geometry), within_plane):
            half = float(np.clip(front.doubt, NARROWEST, WIDEST))
            rows.append(
                {
                    "geometry": plane.to_degrees(shapely.buffer(piece, half, quad_segs=4)),
                    "line": plane.to_degrees(piece),
                    "front": front.Index,
                    "kind": front.kind,
                    "valid_time": front.valid_time,
                    "doubt": front.doubt,
                    "length": piece.length,
                }
            )
    columns = ["geometry", "line", "front", "kind", "valid_time", "doubt", "length"]
    frame = gpd.GeoDataFrame(rows, columns=columns, geometry="geometry", crs=CRS)
    return frame.set_geometry(gpd.GeoSeries(frame["line"], crs=CRS)).set_geometry("geometry")


def cut_stretches(line, within) -> list[shapely.LineString]:
    """Stretches of a line (m) inside a polygon (m), in equal parts of SHORTEST to LONGEST, drawn taut."""
    inside = shapely.intersection(line, within)
    if inside.geom_type == "GeometryCollection" or inside.geom_type == "MultiLineString":
        lines = [part for part in inside.geoms if part.geom_type == "LineString"]
        inside = shapely.ops.linemerge(lines) if lines else shapely.LineString()
    stretches = []
    for part in shapely.get_parts(inside):
        if part.geom_type != "LineString" or part.length < SHORTEST:
            continue
        count = math.ceil(part.length / LONGEST)
        ends = np.linspace(0.0, part.length, count + 1)
        for first, last in pairwise(ends):
            stretch = shapely.ops.substring(part, first, last)
            stretches.append(shapely.simplify(stretch, TAUT))
    return stretches
