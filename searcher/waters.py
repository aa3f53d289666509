"""The water a trip may use: where a hull may go, the currents on the way, and ways between two places.

Land (with its clearance), closed areas and shoals are cut out. A cell of the grid is open only if no part of
it touches any of them, so the grid is never optimistic near land; ways between places are checked against
the exact shapes as well.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
import xarray as xr
from scipy.ndimage import distance_transform_edt

from searcher.errors import OutOfReach
from searcher.geo import LocalPlane, Place, Region, buffer, distances, land, region_around
from searcher.kernels.march import descend, march, straight_times
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Grid, sample_field, sample_vectors
from searcher.sea import flow_of, grid_of, has, region_of, to_seconds
from searcher.trip import Trip

#: water under the keel wanted beyond the draught, m (common practice, no source)
UNDER_KEEL = 2.0
#: this far past the clearance around the sea buoy is pilotage water: only land itself is kept clear, m
APRON = 1000.0
#: times around a start are exact within so many cells
EXACT_CELLS = 15.0
#: the grid goes on for so far past the trip's range, m
SURROUND = 20e3


@dataclass(frozen=True)
class Waters:
    """Open water of a trip on a regular grid: fields of shape (lat, lon)."""

    lon: np.ndarray
    lat: np.ndarray
    blocked: np.ndarray  # bool
    u: np.ndarray  # mean current over the hours of the trip, m/s, gaps filled from the nearest
    v: np.ndarray
    known: np.ndarray  # bool, where the currents really had a value
    obstacles: shapely.Geometry  # degrees
    _marches: dict = field(default_factory=dict, repr=False, compare=False)

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

    def cells(self, lon, lat) -> tuple[np.ndarray, np.ndarray]:
        """Fractional columns and rows of places."""
        column = (np.asarray(lon, dtype=np.float64) - self.grid.lon0) / self.grid.dlon
        row = (np.asarray(lat, dtype=np.float64) - self.grid.lat0) / self.grid.dlat
        return column, row

    def times_from(self, place: Place, speed: float, *, homeward: bool = False) -> np.ndarray:
        """Least time (s) at `speed` through the water from a place to every node, or `homeward` to it."""
        key = (place, speed, homeward)
        if key not in self._marches:
            sign = -1.0 if homeward else 1.0
            column, row = self.cells(*place)
            east, north = self.metres
            radius = EXACT_CELLS * float(north[0])
            self._marches[key] = march(
                self.blocked, sign * self.u, sign * self.v, speed, east, north, column, row, radius
            )
        return self._marches[key]

    def straight_times(self, start: np.ndarray, end: np.ndarray, speed: float) -> np.ndarray:
        """Time (s) of straight ways between places, (n, 2) arrays of degrees; infinity where not clear."""
        ax, ay = self.cells(start[:, 0], start[:, 1])
        bx, by = self.cells(end[:, 0], end[:, 1])
        east, north = self.metres
        times = straight_times(self.blocked, self.u, self.v, speed, east, north, ax, ay, bx, by)
        ways = shapely.linestrings(np.stack([start, end], axis=1))
        return np.where(shapely.intersects(self.obstacles, ways), np.inf, times)

    def travel_times(self, start: np.ndarray, end: np.ndarray, speed: float) -> np.ndarray:
        """Time (s) of the best known way between places: straight where clear, else around the obstacle."""
        times = self.straight_times(start, end, speed)
        for k in np.flatnonzero(np.isinf(times)):
            way = self.way(Place(*start[k]), Place(*end[k]), speed)
            times[k] = np.inf if way is None else self.way_time(way, speed)
        return times

    def way_time(self, way: shapely.LineString, speed: float) -> float:
        """Time (s) along a way of straight pieces."""
        xy = shapely.get_coordinates(way)
        return float(self.straight_times(xy[:-1], xy[1:], speed).sum())

    def way(self, start: Place, end: Place, speed: float) -> shapely.LineString | None:
        """A way from one place to another in few straight pieces, all clear; None where there is none."""
        ends = np.array([start, end], dtype=np.float64)
        if np.isfinite(self.straight_times(ends[:1], ends[1:], speed)[0]):
            return shapely.LineString(ends)
        column, row = np.round(self.cells(*end)).astype(int)
        times = self.times_from(start, speed)
        ny, nx = times.shape
        if not (0 <= row < ny and 0 <= column < nx) or np.isinf(times[row, column]):
            return None
        columns, rows = descend(times, self.blocked, column, row)
        nodes = np.column_stack([self.lon[columns], self.lat[rows]])[::-1]
        return self._pull_taut(np.concatenate([ends[:1], nodes, ends[1:]]), speed)

    def _pull_taut(self, places: np.ndarray, speed: float) -> shapely.LineString | None:
        """The same way without needless bends: from each bend straight to the farthest clear place."""
        kept = [0]
        while kept[-1] < len(places) - 1:
            here = kept[-1]
            ahead = places[here + 1 :]
            clear = np.isfinite(self.straight_times(np.repeat(places[[here]], len(ahead), 0), ahead, speed))
            if not clear.any():
                return None
            kept.append(here + 1 + int(np.flatnonzero(clear)[-1]))
        return shapely.LineString(places[kept])


def survey_waters(trip: Trip, sea: xr.DataTree, *, spacing: float | None = None) -> Waters:
    """The waters of a trip: obstacles, mean currents over its hours, on a grid of about `spacing` metres.

    Default spacing: a hundred and fiftieth of the trip's range, at least 500 m.
    """
    spacing = spacing or max(trip.range / 150.0, 500.0)
    lon, lat = _axes(region_around(trip.port.sea_buoy, trip.range + SURROUND), spacing)
    obstacles = find_obstacles(trip)
    u, v, known = _mean_currents(trip, sea, lon, lat)
    blocked = _touched(obstacles, lon, lat) | _shoal(trip, sea, lon, lat)
    waters = Waters(lon, lat, blocked, u, v, known, obstacles)
    column, row = np.round(waters.cells(*trip.port.sea_buoy)).astype(int)
    around = blocked[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
    if around.all():
        raise OutOfReach(
            "no open water at the sea buoy",
            given=f"sea_buoy at {trip.port.sea_buoy.lon:.4f}, {trip.port.sea_buoy.lat:.4f}",
            expected="a place clear of land, shoals and closed areas",
            hint="Move [port] sea_buoy to where open water begins, or lower [avoid] land_clearance_nm",
        )
    return waters


def _axes(region: Region, spacing: float) -> tuple[np.ndarray, np.ndarray]:
    per_lon, per_lat = row_metrics(np.array([region.centre.lat]))
    columns = int(np.ceil((region.east - region.west) * per_lon[0] / spacing)) + 1
    rows = int(np.ceil((region.north - region.south) * per_lat[0] / spacing)) + 1
    return np.linspace(region.west, region.east, columns), np.linspace(region.south, region.north, rows)


def find_obstacles(trip: Trip) -> shapely.Geometry:
    """Land with its clearance and closed areas, as one geometry in degrees.

    Within the clearance (and `APRON` more) of the sea buoy only the land itself counts, or no boat
    could leave.
    """
    centre = trip.port.sea_buoy
    shore = land(trip.region, detail="full")
    plane = LocalPlane(centre)
    flat = shapely.simplify(plane.to_plane(shore), 30.0)
    wide = shapely.buffer(flat, trip.avoid.clearance + 30.0, quad_segs=4)
    apron = plane.to_plane(buffer(shapely.Point(centre), trip.avoid.clearance + APRON, centre=centre))
    keep_off = shapely.union(shapely.difference(wide, apron), plane.to_plane(shore))
    obstacles = shapely.union(plane.to_degrees(keep_off), trip.avoid.closed)
    shapely.prepare(obstacles)
    return obstacles


def _touched(obstacles: shapely.Geometry, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Cells (centred on nodes) that any obstacle touches."""
    half_x, half_y = (lon[1] - lon[0]) / 2, (lat[1] - lat[0]) / 2
    x, y = np.meshgrid(lon, lat)
    return shapely.intersects(obstacles, shapely.box(x - half_x, y - half_y, x + half_x, y + half_y))


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
    apron = distances(trip.port.sea_buoy, x, y) < trip.avoid.clearance + APRON
    least = trip.boat.draught + UNDER_KEEL
    blocked = (depth < least) | (np.isnan(depth) & inside & ~apron)
    # a rock between the nodes of this grid shows in the depth grid's own nodes
    j, i = np.nonzero(field < least)
    row = np.round((data["lat"].values[j] - lat[0]) / (lat[1] - lat[0])).astype(int)
    column = np.round((data["lon"].values[i] - lon[0]) / (lon[1] - lon[0])).astype(int)
    on = (row >= 0) & (row < lat.size) & (column >= 0) & (column < lon.size)
    blocked[row[on], column[on]] = True
    return blocked


def _mean_currents(trip: Trip, sea: xr.DataTree, lon: np.ndarray, lat: np.ndarray):
    """Mean u, v over the trip's hours on a grid, gaps filled from the nearest, and where they were known."""
    flow = flow_of(sea["currents"].to_dataset())
    first, last = to_seconds(trip.window.start), to_seconds(trip.window.end)
    x, y = (a.ravel() for a in np.meshgrid(lon, lat))
    moments = np.linspace(first, last, 5)
    fields = [sample_vectors(flow, np.full(x.size, moment), x, y) for moment in moments]
    u, v = (np.mean([pair[k] for pair in fields], axis=0).reshape(lat.size, lon.size) for k in (0, 1))
    known = np.isfinite(u) & np.isfinite(v)
    if not known.any():
        return np.zeros_like(u), np.zeros_like(v), known
    nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
    return u[tuple(nearest)], v[tuple(nearest)], known
