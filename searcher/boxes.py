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
from searcher.tables import CRS, TEMPERATURE_BREAK

#: one pass at trolling speed of about three quarters of an hour, and the least worth wetting lines for, m
LONGEST = 9000.0
SHORTEST = 2500.0
#: bends smaller than this are smoothed out of a line to be trolled, m
TAUT = 150.0
#: half-width of a box: the line's doubt, within these bounds, m
NARROWEST, WIDEST = 500.0, 3000.0
#: so wide a strip is searched from a line trolled, m: dolphinfish keep within 365 m of what floats (Taquet et
#: al. 2007, Aquat. Living Resour. 20:323-330)
SWEEP = 2 * 365.0
#: where tanh bends most, artanh(1/√3); and the least and most that a line is moved to the dense side, m
BEND, SHOULDER = math.atanh(1.0 / math.sqrt(3.0)), (500.0, 4000.0)


def lay_boxes(
    fronts: gpd.GeoDataFrame, reach: xr.Dataset, *, within: shapely.Geometry | None = None
) -> gpd.GeoDataFrame:
    """Candidate boxes along every line, unranked; along a temperature break, on its dense side.

    Columns: `geometry` (polygon: the line widened by its doubt), `line` (the line to troll), `front` (row
    label of `fronts`), `kind`, `valid_time`, `doubt` (m), `length` (m). Only stretches within reach count.
    within: its outline, where that is known already.
    """
    within = range_polygon(reach) if within is None else within
    centre = Place(float(reach["lon"].mean()), float(reach["lat"].mean()))
    plane = LocalPlane(centre)
    within_plane = plane.to_plane(within)
    rows = []
    for front in fronts.itertuples():
        flat = plane.to_plane(front.geometry)
        if front.kind == TEMPERATURE_BREAK:
            flat = shapely.offset_curve(flat, -shoulder(front.step, front.strength), quad_segs=4)
        for piece in cut_stretches(flat, within_plane):
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


def shoulder(step: float, slope: float) -> float:
    """How far (m) from the steepest place of a break, on its dense side, to troll: there matter gathers.

    Surface water converges on the dense (cold) side of a front that is being sharpened (Hoskins 1982, Annu.
    Rev. Fluid Mech. 14:131-151; seen in drifters by D'Asaro et al. 2018, PNAS 115:1162-1167). For a front
    T = step/2·tanh(x/L), whose slope is step/(2L), the profile bends most at x = 0.6585 L.
    """
    half_width = step / (2.0 * slope)
    return float(np.clip(BEND * half_width, *SHOULDER))


def cut_stretches(line: shapely.LineString, within: shapely.Geometry) -> list[shapely.LineString]:
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
