"""Shapes of the screen's map: degrees to metres of a Mercator map, as lists for the drawing library.

Metres are whole, which is far below what anyone can see, and keeps the page small.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import contourpy
import numpy as np
import shapely
from numpy.typing import ArrayLike

from searcher import geo
from searcher.brief.fields import Field
from searcher.brief.frame import edges
from searcher.geo import Place, Region

#: of the sphere that web maps use, m; a scale, not a measure
RADIUS = 6378137.0
#: shores are drawn no finer than this, degrees
SHORE_DETAIL = 0.001
#: a range that ends this close to land or closed areas ends because of them, degrees
AT_SHORE = 0.035
#: arrows of the currents along the longer side of a region
ARROWS = 44
#: shortest contour that is drawn, nodes
SHORTEST = 6


class Plane:
    """A Mercator map on the sphere about a whole meridian."""

    def __init__(self, region: Region) -> None:
        self.lon = round(region.centre.lon)

    def xy(self, lon: ArrayLike, lat: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Metres of degrees, of the same shape."""
        lat = np.asarray(lat, dtype=float)
        return RADIUS * np.radians(np.asarray(lon, dtype=float) - self.lon), RADIUS * np.arcsinh(
            np.tan(np.radians(lat))
        )

    def lat(self, y: ArrayLike) -> np.ndarray:
        """Latitude of y."""
        return np.degrees(np.arctan(np.sinh(np.asarray(y) / RADIUS)))

    def bounds(self, region: Region) -> list[float]:
        """West, south, east, north in metres."""
        (west, east), (south, north) = self.xy([region.west, region.east], [region.south, region.north])
        return [float(west), float(south), float(east), float(north)]


class Image(NamedTuple):
    """Values (rows, columns), south first, and the box they fill: x, y, width, height."""

    values: np.ndarray
    box: list[float]


class Contour(NamedTuple):
    """One line of equal depth."""

    level: float
    x: np.ndarray
    y: np.ndarray


def image(plane: Plane, lon: np.ndarray, lat: np.ndarray, values: np.ndarray, *, most: int) -> Image:
    """A grid on rows that are even on the map (each the nearest of its own), of no more than `most` cells."""
    stride = int(np.ceil(np.sqrt(values.size / most)))
    lon, lat, values = lon[::stride], lat[::stride], values[::stride, ::stride]
    around, along = edges(lon), edges(lat)
    (west, east), (south, north) = plane.xy(around[[0, -1]], along[[0, -1]])
    heights = south + (np.arange(lat.size) + 0.5) * (north - south) / lat.size
    rows = np.clip(np.searchsorted(along, plane.lat(heights)) - 1, 0, lat.size - 1)
    box = [float(west), float(south), float(east - west), float(north - south)]
    return Image(np.ascontiguousarray(values[rows], dtype=np.float32), box)


def whole(values: np.ndarray) -> list[int]:
    """Whole metres."""
    return np.round(values).astype(int).tolist()


def path(plane: Plane, xy: np.ndarray) -> tuple[list[int], list[int]]:
    """x and y of places (n, 2)."""
    x, y = plane.xy(xy[:, 0], xy[:, 1])
    return whole(x), whole(y)


def paths(plane: Plane, lines: Iterable[shapely.LineString]) -> tuple[list[Any], list[Any]]:
    """x and y of each line; empty lists where there is none."""
    pairs = [path(plane, shapely.get_coordinates(line)) for line in lines]
    return [x for x, _ in pairs], [y for _, y in pairs]


def rings(plane: Plane, shapes: Iterable[shapely.Geometry]) -> tuple[list[Any], list[Any]]:
    """x and y of the outer ring of each polygon (of the largest part of several)."""
    largest = [max(shapely.get_parts(shape), key=lambda part: part.area) for shape in shapes]
    return paths(plane, [part.exterior for part in largest])


def polygons(plane: Plane, geometry: shapely.Geometry) -> tuple[list[Any], list[Any]]:
    """x and y of (multi)polygons as [polygon][ring][vertex], one group for each part."""
    parts = [
        part
        for part in shapely.get_parts(geometry)
        if isinstance(part, shapely.Polygon) and not part.is_empty
    ]
    pairs = [paths(plane, [part.exterior, *part.interiors]) for part in parts]
    return [[x] for x, _ in pairs], [[y] for _, y in pairs]


def outlines(
    plane: Plane, geometry: shapely.Geometry, obstacles: shapely.Geometry
) -> tuple[list[Any], list[Any]]:
    """x and y of the outer edges of a (multi)polygon, where they are not those of obstacles."""
    edge = shapely.MultiLineString(
        [part.exterior for part in shapely.get_parts(geometry) if not part.is_empty]
    )
    free = shapely.difference(edge, shapely.buffer(obstacles, AT_SHORE, quad_segs=2))
    return paths(plane, [part for part in shapely.get_parts(shapely.line_merge(free)) if not part.is_empty])


def shore(region: Region) -> shapely.Geometry:
    """Land on a region and well around it, as coarse as can be seen."""
    wide = 0.5 * (region.east - region.west)
    high = 0.5 * (region.north - region.south)
    south, north = max(region.south - high, -85.0), min(region.north + high, 85.0)
    around = Region(region.west - wide, south, region.east + wide, north)
    return shapely.simplify(geo.land(around), SHORE_DETAIL)


def band(line: shapely.LineString, doubt: float) -> shapely.Geometry:
    """Where a line may be: all within its doubt (m) of it."""
    if not np.isfinite(doubt) or doubt <= 0:
        return shapely.Polygon()
    middle = Place(*shapely.get_coordinates(shapely.centroid(line))[0])
    return shapely.simplify(geo.buffer(line, doubt, centre=middle, quad_segs=4), 1e-3)


def contours(plane: Plane, field: Field, levels: Sequence[float]) -> list[Contour]:
    """Lines of equal depth, at the levels there are."""
    found = contourpy.contour_generator(field.lon, field.lat, np.ma.masked_invalid(field.values))
    lines = [(level, xy) for level in levels for xy in found.lines(level) if len(xy) >= SHORTEST]
    simple = [
        (level, shapely.get_coordinates(shapely.simplify(shapely.LineString(xy), 5e-4)))
        for level, xy in lines
    ]
    return [Contour(level, *(np.round(a) for a in plane.xy(*xy.T))) for level, xy in simple]


def arrows(plane: Plane, east: Field, north: Field) -> tuple[list[Any], list[Any], float]:
    """Arrows of a current as one line each, shaft and head; and the speed whose arrow reaches the next."""
    stride = max(1, round(max(east.values.shape) / ARROWS))
    half = stride // 2
    x, y = plane.xy(*np.meshgrid(east.lon[half::stride], east.lat[half::stride]))
    u, v = (field.values[half::stride, half::stride] for field in (east, north))
    speed = np.hypot(u, v)
    known = np.isfinite(speed)
    fastest = float(np.percentile(speed[known], 98)) if known.any() else 0.0
    drawn = known & (speed > 0.12 * fastest)
    if fastest <= 0 or not drawn.any():
        return [], [], 0.0
    spacing = abs(x[0, 1] - x[0, 0]) if x.shape[1] > 1 else abs(y[1, 0] - y[0, 0])
    scale = 0.95 * spacing / fastest
    shape = np.array([[-0.5, 0.0], [0.5, 0.0], [0.22, 0.16], [0.5, 0.0], [0.22, -0.16]])
    dx, dy = scale * u[drawn][:, None], scale * v[drawn][:, None]
    xs = x[drawn][:, None] + shape[:, 0] * dx - shape[:, 1] * dy
    ys = y[drawn][:, None] + shape[:, 0] * dy + shape[:, 1] * dx
    return [whole(row) for row in xs], [whole(row) for row in ys], fastest


def headings(
    plane: Plane, lines: Iterable[shapely.LineString]
) -> tuple[list[float], list[float], list[float]]:
    """x, y and angle (radians from north, anticlockwise) of each line at 60 % of its way."""
    marks = []
    for line in lines:
        before, after = (
            np.array(plane.xy(*shapely.line_interpolate_point(line, share, normalized=True).coords[0]))
            for share in (0.58, 0.62)
        )
        if (before != after).any():
            east, north = after - before
            marks.append((*after.tolist(), float(np.arctan2(-east, north))))
    x, y, angle = map(list, zip(*marks, strict=True)) if marks else ([], [], [])
    return x, y, angle
