"""The water a trip may use: where a hull may go, the currents on the way, and ways between two places.

Land (with its clearance), closed areas and shoals are cut out. A cell of the grid is open only if no part of
it touches any of them, so the grid is never optimistic near land; ways between places are checked against
the exact shapes as well. Currents are there twice: their mean over the hours of the trip, and hour by hour.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import shapely
import xarray as xr
from numpy.typing import ArrayLike
from scipy.ndimage import distance_transform_edt

from searcher.errors import OutOfReach
from searcher.geo import LocalPlane, Place, Region, buffer, distances, land, region_around
from searcher.kernels.march import EVERYWHERE, Medium, march, straight_times, trace_back
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Flow, Grid, sample_field, sample_vectors
from searcher.sea import flow_of, grid_of, has, region_of, to_seconds
from searcher.threads import in_threads
from searcher.trip import Trip
from searcher.units import KNOT

#: water under the keel wanted beyond the draught, m (common practice, no source)
UNDER_KEEL = 2.0
#: this far past the clearance around the sea buoy is pilotage water: only land itself is kept clear, m
APRON = 1000.0
#: times around a start are those of straight ways within so many cells
EXACT_CELLS = 25.0
#: between the fields of hourly currents, at most, s
HOUR = 3600.0
#: speeds up to this one are not slowed by waves: trolling is not, m/s
CALM = 8 * KNOT
#: waves of this height take half of what a boat makes beyond `CALM`, m (common practice, no source)
HALVING = 2.0
#: cells along a side of the blocks that are held against obstacles first
BLOCK = 8
#: the grid goes on for so far past the trip's range, m
SURROUND = 20e3


class Hourly(NamedTuple):
    """Currents hour by hour: `begin` and `step` in s since `sea.EPOCH`, flow (time, lat, lon, 2) in m/s."""

    begin: float
    step: float
    flow: np.ndarray


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
    waves: np.ndarray | None = None  # mean height over the hours of the trip, m; None where nothing is known
    hourly: Hourly | None = None  # without it the mean stands for every hour
    _kept: dict[Any, np.ndarray] = field(default_factory=dict, repr=False, compare=False)  # see `_once`

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

    @cached_property
    def mean(self) -> Hourly:
        """The mean current as one field."""
        return Hourly(0.0, HOUR, np.stack([self.u, self.v], axis=-1)[None])

    def cells(self, lon: ArrayLike, lat: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Fractional columns and rows of places."""
        column = (np.asarray(lon, dtype=np.float64) - self.grid.lon0) / self.grid.dlon
        row = (np.asarray(lat, dtype=np.float64) - self.grid.lat0) / self.grid.dlat
        return column, row

    def covers(self, place: Place) -> bool:
        """Whether a place is on the grid."""
        column, row = self.cells(*place)
        return bool(0 <= column <= self.lon.size - 1 and 0 <= row <= self.lat.size - 1)

    def medium(self, speed: float, *, hourly: bool = False, deadline: float | None = None) -> Medium:
        """The water as the kernels take it, for a boat that makes `speed` in flat water.

        deadline: as it is met on the way back in time from then, currents and hours turned round.
        """
        begin, step, flow = self.hourly if hourly and self.hourly else self.mean
        if deadline is not None:
            begin = deadline - begin - step * (len(flow) - 1)
            flow = self._once(("back", hourly), lambda: np.ascontiguousarray(-flow[::-1]))
        return Medium(self._once(speed, lambda: self._made(speed)), flow, begin, step, *self.metres)

    def _made(self, speed: float) -> np.ndarray:
        """What a boat makes through the water of each cell; 0 where it may not go."""
        return np.where(self.blocked, 0.0, slowed(speed, 0.0 * self.u if self.waves is None else self.waves))

    def _once(self, key: Any, make: Callable[[], np.ndarray]) -> np.ndarray:
        """What is made once and kept."""
        if key not in self._kept:
            self._kept[key] = make()
        return self._kept[key]

    def times_from(
        self, place: Place, speed: float, *, homeward: bool = False, at: float | None = None
    ) -> np.ndarray:
        """Least time (s) at `speed` through the water from a place to every node, or `homeward` to it.

        `at` (s since `sea.EPOCH`): hour of leaving the place, or homeward of being there, in the currents of
        each hour; without it in their mean.
        """
        key = place, speed, homeward, at
        return self._once(key, lambda: self._march(*key, EVERYWHERE))

    def times_between(
        self,
        place: Place,
        others: Sequence[Place],
        speed: float,
        *,
        homeward: bool = False,
        at: float | None = None,
    ) -> np.ndarray:
        """As `times_from`, only as far as to the nodes around some other places; NaN at nodes beyond."""
        key = place, speed, homeward, at
        if key in self._kept:
            return self._kept[key]
        column, row = np.floor(self.cells(*np.array(others).T)).astype(np.int64)
        column, row = np.stack([column, column + 1] * 2), np.stack([row, row, row + 1, row + 1])
        on = (row >= 0) & (row < self.lat.size) & (column >= 0) & (column < self.lon.size)
        goals = (row * self.lon.size + column)[on]
        near = *key, "near"
        if near not in self._kept or np.isnan(self._kept[near].flat[goals]).any():
            self._kept[near] = self._march(*key, goals)
        return self._kept[near]

    def _march(
        self, place: Place, speed: float, homeward: bool, at: float | None, goals: np.ndarray
    ) -> np.ndarray:
        """As `times_from`, to some nodes."""
        medium = self.medium(speed, hourly=at is not None, deadline=(at or 0.0) if homeward else None)
        column, row = self.cells(*place)
        radius = EXACT_CELLS * float(self.metres[1][0])
        return march(medium, 0.0 if homeward else (at or 0.0), float(column), float(row), radius, goals)

    def straight_times(
        self, start: np.ndarray, end: np.ndarray, speed: float, *, at: ArrayLike | None = None
    ) -> np.ndarray:
        """Time (s) of straight ways between places, (n, 2) arrays of degrees; infinity where not clear.

        `at` (s since `sea.EPOCH`, one or n): when each is begun, in the currents of each hour; without it in
        their mean.
        """
        medium = self.medium(speed, hourly=at is not None)
        depart = np.broadcast_to(np.asarray(0.0 if at is None else at, dtype=np.float64), len(start)).copy()
        ax, ay = self.cells(start[:, 0], start[:, 1])
        bx, by = self.cells(end[:, 0], end[:, 1])
        times = straight_times(medium, depart, ax, ay, bx, by)
        ways = shapely.linestrings(np.stack([start, end], axis=1))
        return np.where(shapely.intersects(self.obstacles, ways), np.inf, times)

    def travel_times(self, start: np.ndarray, end: np.ndarray, speed: float) -> np.ndarray:
        """Time (s) of the best known way between places: straight where clear, else around the obstacle."""
        times = self.straight_times(start, end, speed)
        blocked = np.flatnonzero(np.isinf(times)).tolist()
        pairs = {k: (Place(*start[k]), Place(*end[k])) for k in blocked}
        ways_from, ways_to = (Counter(pair[k] for pair in pairs.values()) for k in (0, 1))
        # one march serves all ways from a place, or all ways to it
        marches: dict[tuple[Place, bool], list[int]] = defaultdict(list)
        for k, (here, there) in pairs.items():
            homeward = ways_to[there] > ways_from[here]
            marches[there if homeward else here, homeward].append(k)
        for (hub, homeward), ways in marches.items():
            self.times_between(hub, [pairs[k][not homeward] for k in ways], speed, homeward=homeward)
            for k in ways:
                way = self._way_around(*pairs[k], speed, homeward=homeward)
                times[k] = np.inf if way is None else self.way_time(way, speed)
        return times

    def way_time(self, way: shapely.LineString, speed: float, *, at: float | None = None) -> float:
        """Time (s) along a way of straight pieces; `at` as in `straight_times`."""
        xy = shapely.get_coordinates(way)
        if at is None:
            return float(self.straight_times(xy[:-1], xy[1:], speed).sum())
        time = at
        for start, end in pairwise(xy):
            time += float(self.straight_times(start[None], end[None], speed, at=time)[0])
        return time - at

    def way(self, start: Place, end: Place, speed: float) -> shapely.LineString | None:
        """A way from one place to another in few straight pieces, all clear; None where there is none."""
        ends = np.array([start, end], dtype=np.float64)
        if np.isfinite(self.straight_times(ends[:1], ends[1:], speed)[0]):
            return shapely.LineString(ends)
        return self._way_around(start, end, speed)

    def _way_around(
        self, start: Place, end: Place, speed: float, *, homeward: bool = False
    ) -> shapely.LineString | None:
        """A way around what stands between two places, found from its start, or `homeward` from its end."""
        here, there = (end, start) if homeward else (start, end)
        column, row = np.round(self.cells(*there)).astype(int)
        times = self.times_between(here, [there], speed, homeward=homeward)
        ny, nx = times.shape
        if not (0 <= row < ny and 0 <= column < nx) or np.isinf(times[row, column]):
            return None
        x0, y0 = (float(part) for part in self.cells(*here))
        medium = self.medium(speed, deadline=0.0 if homeward else None)
        columns, rows = trace_back(medium, 0.0, times, x0, y0, column, row)
        nodes = np.column_stack([self.lon[columns], self.lat[rows]])[:: 1 if homeward else -1]
        taut = self._pull_taut(np.array([start, *nodes, end], dtype=np.float64), speed)
        return None if taut is None else shapely.LineString(taut)

    def _pull_taut(self, places: np.ndarray, speed: float) -> np.ndarray | None:
        """The same way without needless bends: from each bend straight to the farthest clear place."""
        kept = [0]
        while kept[-1] < len(places) - 1:
            here = kept[-1]
            ahead = places[here + 1 :]
            clear = np.isfinite(self.straight_times(np.repeat(places[[here]], len(ahead), 0), ahead, speed))
            if not clear.any():
                return None
            kept.append(here + 1 + int(np.flatnonzero(clear)[-1]))
        return places[kept]


def slowed(speed: float, waves: np.ndarray) -> np.ndarray:
    """What a boat that makes `speed` (m/s) in flat water makes in waves of a significant height (m).

    The loss grows with the square of the height, as in the curves of James 1957 (*Application of wave
    forecasts to marine navigation*, US Navy Hydrographic Office SP-1, for steamers; from memory), and takes
    only what is beyond `CALM`; how much is common practice, no source: half of it at `HALVING`. Seas from
    ahead and astern count alike. What is burnt in an hour stays that of `speed`.
    """
    calm = min(speed, CALM)
    return calm + (speed - calm) / (1.0 + (waves / HALVING) ** 2)


def survey_waters(trip: Trip, sea: xr.DataTree, *, spacing: float | None = None) -> Waters:
    """The waters of a trip: obstacles, mean currents over its hours, on a grid of about `spacing` metres.

    Default spacing: a hundred and fiftieth of the trip's range, at least 500 m.
    """
    spacing = spacing or max(trip.range / 150.0, 500.0)
    lon, lat = _axes(region_around(trip.port.sea_buoy, trip.range + SURROUND), spacing)
    obstacles = find_obstacles(trip)
    blocked = _touched(obstacles, lon, lat) | _shoal(trip, sea, lon, lat)
    waters = fill_waters(trip, sea, lon, lat, blocked=blocked, obstacles=obstacles)
    for buoy in trip.buoys:
        if waters.covers(buoy):
            _open_buoy(waters, buoy)
    return waters


def fill_waters(
    trip: Trip,
    sea: xr.DataTree,
    lon: np.ndarray,
    lat: np.ndarray,
    *,
    blocked: np.ndarray,
    obstacles: shapely.Geometry,
) -> Waters:
    """The waters of a trip whose blocked cells (lat, lon) and obstacles (degrees) are known already."""
    hourly, known = _find_currents(trip, sea, lon, lat)
    u, v = np.ascontiguousarray(np.moveaxis(hourly.flow.mean(axis=0), -1, 0))
    return Waters(lon, lat, blocked, u, v, known, obstacles, _find_waves(trip, sea, lon, lat), hourly)


def _open_buoy(waters: Waters, buoy: Place) -> None:
    """Open the cell of a sea buoy, which may lie nearer to land than a cell is wide; refuse one shut in.

    Ways there are held to the exact shapes.
    """
    blocked = waters.blocked
    column, row = np.round(waters.cells(*buoy)).astype(int)
    blocked[row, column] &= shapely.intersects_xy(waters.obstacles, *buoy)
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
    keep_off = shapely.union(shapely.difference(wide, apron), plane.to_plane(shore))
    obstacles = shapely.union(plane.to_degrees(keep_off), trip.avoid.closed)
    shapely.prepare(obstacles)
    return obstacles


def _touched(obstacles: shapely.Geometry, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Cells (centred on nodes) that any obstacle touches."""
    half_x, half_y = (lon[1] - lon[0]) / 2, (lat[1] - lat[0]) / 2
    west, east, south, north = lon - half_x, lon + half_x, lat - half_y, lat + half_y
    # most of the sea is far from any: single cells are looked at only in blocks of them that are touched
    rows, columns = (np.arange(0, axis.size, BLOCK) for axis in (lat, lon))
    last_rows, last_columns = (
        np.minimum(k + BLOCK, n) - 1 for k, n in ((rows, lat.size), (columns, lon.size))
    )
    blocks = shapely.box(west[columns], south[rows][:, None], east[last_columns], north[last_rows][:, None])
    near = shapely.intersects(obstacles, blocks).repeat(BLOCK, 0).repeat(BLOCK, 1)[: lat.size, : lon.size]
    row, column = np.nonzero(near)
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
    blocked = (depth < least) | (np.isnan(depth) & inside & ~apron)
    # a rock between the nodes of this grid shows in the depth grid's own nodes
    j, i = np.nonzero(field < least)
    row = np.round((data["lat"].values[j] - lat[0]) / (lat[1] - lat[0])).astype(int)
    column = np.round((data["lon"].values[i] - lon[0]) / (lon[1] - lon[0])).astype(int)
    on = (row >= 0) & (row < lat.size) & (column >= 0) & (column < lon.size)
    blocked[row[on], column[on]] = True
    return blocked


def _find_currents(
    trip: Trip, sea: xr.DataTree, lon: np.ndarray, lat: np.ndarray
) -> tuple[Hourly, np.ndarray]:
    """Currents of the hours of the trip on a grid, gaps filled from the nearest; where they were known."""
    data = sea["currents"].to_dataset()
    fields, moments = _hour_by_hour(flow_of(data), trip, lon, lat)
    known = np.isfinite(fields.sum(axis=(0, 3)))
    fields[:, ~known] = fields[:, *_nearest(known)] if known.any() else 0.0
    return Hourly(moments[0], moments[1] - moments[0], fields), known


def _find_waves(trip: Trip, sea: xr.DataTree, lon: np.ndarray, lat: np.ndarray) -> np.ndarray | None:
    """Mean significant height over the hours of the trip; where none is known, the nearest or None."""
    if not has(sea, "waves"):
        return None
    data = sea["waves"].to_dataset()
    fields, _ = _hour_by_hour(flow_of(data, "hs", "hs"), trip, data["lon"].values, data["lat"].values)
    x, y = np.meshgrid(lon, lat)
    mean = sample_field(fields.mean(axis=(0, 3)), grid_of(data), x.ravel(), y.ravel()).reshape(x.shape)
    known = np.isfinite(mean)
    if not known.any():
        return None
    mean[~known] = mean[_nearest(known)]
    return mean


def _nearest(known: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of the known node nearest to each that is not."""
    rows, columns = distance_transform_edt(~known, return_distances=False, return_indices=True)
    return rows[~known], columns[~known]


def _hour_by_hour(flow: Flow, trip: Trip, lon: np.ndarray, lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Fields (time, lat, lon, 2) of a flow over the trip in even steps of up to an hour, and their times."""
    first, last = to_seconds(trip.window.start), to_seconds(trip.window.end)
    moments = np.linspace(first, last, max(int(np.ceil((last - first) / HOUR)), 1) + 1)
    x, y = (a.ravel() for a in np.meshgrid(lon, lat))
    fields = np.empty((moments.size, lat.size, lon.size, 2))

    def sample(first: int, last: int) -> None:
        for k in range(first, last):
            u, v = sample_vectors(flow, np.full(x.size, moments[k]), x, y)
            fields[k] = np.stack([u, v], axis=-1).reshape(lat.size, lon.size, 2)

    in_threads(sample, moments.size)
    return fields, moments
