"""Where a hull may go: land with its clearance, closed areas and shoals, as exact shapes and on a grid.

A cell of the grid is open only if no part of it touches any of them, so the grid is never optimistic near
land. Nothing here moves with the hours: see `searcher.waters` for what does.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
import xarray as xr
from numpy.typing import ArrayLike

from searcher.errors import OutOfReach
from searcher.geo import LocalPlane, Place, Region, buffer, distances, land, region_around
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Grid, sample_field
from searcher.sea import grid_of, has, region_of
from searcher.trip import Trip

#: water under the keel wanted beyond the draught, m (common practice, no source)
UNDER_KEEL = 2.0
#: this far past the clearance around the sea buoy is pilotage water: only land itself is kept clear, m
APRON = 1000.0
#: cells along a side of the blocks that are held against obstacles first
BLOCK = 8
#: the grid goes on for so far past the trip's range, m
SURROUND = 20e3


@dataclass(frozen=True)
class Coast:
    """Where a hull may go: on a regular grid, and as exact shapes."""

    lon: np.ndarray
    lat: np.ndarray
    blocked: np.ndarray  # (lat, lon), bool
    obstacles: shapely.Geometry  # degrees

    @cached_property
    def grid(self) -> Grid:
        return Grid(
            float(self.lon[0]),
            float(self.lon[1] - self.lon[0]),
            float(self.lat[0]),
            float(self.lat[1] - self.lat[0]),
        )

    @cached_property
    def metres(self) -> tuple[np.ndarray, np.ndarray]:
        """Metres between nodes along and across each row."""
        per_lon, per_lat = row_metrics(self.lat)
        return per_lon * self.grid.dlon, per_lat * self.grid.dlat

    def cells(self, lon: ArrayLike, lat: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Fractional columns and rows of places."""
        column = (np.asarray(lon, dtype=np.float64) - self.grid.lon0) / self.grid.dlon
        row = (np.asarray(lat, dtype=np.float64) - self.grid.lat0) / self.grid.dlat
        return column, row

    def covers(self, place: Place) -> bool:
        """Whether a place is on the grid."""
        column, row = self.cells(*place)
        return bool(0 <= column <= self.lon.size - 1 and 0 <= row <= self.lat.size - 1)


def survey_coast(trip: Trip, sea: xr.DataTree, *, spacing: float | None = None) -> Coast:
    """Where the hull of a trip may go, on a grid of about `spacing` metres.

    Default spacing: a hundred and fiftieth of the trip's range, at least 500 m.
    """
    spacing = spacing or max(trip.range / 150.0, 500.0)
    lon, lat = _axes(region_around(trip.port.sea_buoy, trip.range + SURROUND), spacing)
    obstacles = find_obstacles(trip)
    coast = Coast(lon, lat, _touched(obstacles, lon, lat) | _shoal(trip, sea, lon, lat), obstacles)
    for buoy in trip.buoys:
        if coast.covers(buoy):
            _open_buoy(coast, buoy)
    return coast


def _open_buoy(coast: Coast, buoy: Place) -> None:
    """Open the cell of a sea buoy, which may lie nearer to land than a cell is wide; refuse one shut in.

    Ways there are held to the exact shapes.
    """
    blocked = coast.blocked
    column, row = np.round(coast.cells(*buoy)).astype(int)
    blocked[row, column] &= shapely.intersects_xy(coast.obstacles, *buoy)
    around = blocked[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2].copy()
    around[min(row, 1), min(column, 1)] = True
    if around.all():
        raise OutOfReach(
            "no open water at the sea buoy",
            given=f"sea_buoy at {buoy.lon:.4f}, {buoy.lat:.4f}",
            expected="a place clear of land, shoals and closed areas",
            hint="Move [port] sea_buoy to where open water begins, or lower [avoid] land_clearance_nm",
        )


def _axes(region: Region, spacing: float) -> tuple[np.ndarray, np.ndarray]:
    per_lon, per_lat = row_metrics(np.array([region.centre.lat]))
    columns = int(np.ceil((region.east - region.west) * per_lon[0] / spacing)) + 1
    rows = int(np.ceil((region.north - region.south) * per_lat[0] / spacing)) + 1
    return np.linspace(region.west, region.east, columns), np.linspace(region.south, region.north, rows)


def find_obstacles(trip: Trip) -> shapely.Geometry:
    """Land with its clearance and closed areas, as one geometry in degrees.

    Within the clearance (and `APRON` more) of the sea buoys only the land itself counts, or no boat
    could leave or come home.
    """
    centre = trip.port.sea_buoy
    shore = land(trip.region, detail="full")
    plane = LocalPlane(centre)
    flat = shapely.simplify(plane.to_plane(shore), 30.0)
    wide = shapely.buffer(flat, trip.avoid.clearance + 30.0, quad_segs=4)
    aprons = [buffer(shapely.Point(at), trip.avoid.clearance + APRON, centre=at) for at in trip.buoys]
    apron = shapely.union_all([plane.to_plane(around) for around in aprons])
    # an intricate coast that is valid in degrees may cross itself by less than a metre on the plane
    bare = shapely.make_valid(plane.to_plane(shore))
    keep_off = shapely.union(shapely.difference(wide, apron), bare)
    obstacles = shapely.union(plane.to_degrees(keep_off), trip.avoid.closed)
    shapely.prepare(obstacles)
    return obstacles


def _touched(obstacles: shapely.Geometry, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Cells (centred on nodes) that any obstacle touches."""
    half_x, half_y = (lon[1] - lon[0]) / 2, (lat[1] - lat[0]) / 2
    west, east, south, north = lon - half_x, lon + half_x, lat - half_y, lat + half_y
    # most of the sea is far from any: single cells are looked at only in blocks that are touched in part
    rows, columns = (np.arange(0, axis.size, BLOCK) for axis in (lat, lon))
    last_rows, last_columns = (
        np.minimum(k + BLOCK, n) - 1 for k, n in ((rows, lat.size), (columns, lon.size))
    )
    blocks = shapely.box(west[columns], south[rows][:, None], east[last_columns], north[last_rows][:, None])
    near, inside = (
        test(obstacles, blocks).repeat(BLOCK, 0).repeat(BLOCK, 1)[: lat.size, : lon.size]
        for test in (shapely.intersects, shapely.covers)
    )
    row, column = np.nonzero(near & ~inside)
    cells = shapely.box(west[column], south[row], east[column], north[row])
    near[row, column] = shapely.intersects(obstacles, cells)
    return near


def _shoal(trip: Trip, sea: xr.DataTree, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Cells known to be too shallow for the boat, or dry, in any depth that falls into them.

    Unknown depth does not block beyond the depth data; nor does a dry depth in the apron of the sea buoy,
    since the cells of a coarse depth grid reach into the water there.
    """
    if not has(sea, "depth"):
        return np.zeros((lat.size, lon.size), bool)
    data = sea["depth"].to_dataset()
    field, grid = np.ascontiguousarray(data["depth"].values, dtype=np.float64), grid_of(data)
    x, y = np.meshgrid(lon, lat)
    depth = sample_field(field, grid, x.ravel(), y.ravel()).reshape(x.shape)
    inside = shapely.intersects_xy(region_of(data).polygon(), x, y)
    nearest = np.minimum.reduce([distances(buoy, x, y) for buoy in trip.buoys])
    apron = nearest < trip.avoid.clearance + APRON
    least = trip.boat.draught + UNDER_KEEL
    # all that is nearest to a shallow depth is shallow: between two of them that need not show at a node
    shallow = data["depth"].sel(lat=lat, lon=lon, method="nearest").values < least
    blocked = (depth < least) | ((shallow | np.isnan(depth)) & inside & ~apron)
    # a rock between the nodes of this grid shows in the depth grid's own nodes
    j, i = np.nonzero(field < least)
    row = np.round((data["lat"].values[j] - lat[0]) / (lat[1] - lat[0])).astype(int)
    column = np.round((data["lon"].values[i] - lon[0]) / (lon[1] - lon[0])).astype(int)
    on = (row >= 0) & (row < lat.size) & (column >= 0) & (column < lon.size)
    blocked[row[on], column[on]] = True
    return blocked
