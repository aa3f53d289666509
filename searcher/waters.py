"""The water of a trip: the currents and waves on the way, and ways between two places.

Ways keep to the open cells of a `searcher.coast.Coast`, and are checked against its exact shapes as well.
Currents and waves are there twice: their mean over the hours of the trip, and hour by hour.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import shapely
import xarray as xr
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike

from searcher.coast import Coast, survey_coast
from searcher.geo import Place
from searcher.gridded import at_moments
from searcher.kernels.march import EVERYWHERE, Medium, march, straight_times, trace_back
from searcher.kernels.sample import Grid, sample_field
from searcher.sea import GIVEN, flow_of, grid_of, has, to_seconds
from searcher.threads import each_in_threads, in_threads
from searcher.trip import Trip
from searcher.units import KNOT

#: times around a start are those of straight ways within so many cells
EXACT_CELLS = 25.0
#: a boat in a blocked cell finds open water within so many cells, or none
WAY_OUT = 6
#: between the fields of hourly currents, at most, s
HOUR = 3600.0
#: speeds up to this one are not slowed by waves: trolling is not, m/s
CALM = 8 * KNOT
#: waves of this height take half of what a boat makes beyond `CALM`, m (common practice, no source)
HALVING = 2.0


class Hourly(NamedTuple):
    """Currents and waves hour by hour: `begin` and `step` in s since `sea.EPOCH`."""

    begin: float
    step: float
    flow: np.ndarray  # (time, lat, lon, 2), m/s
    waves: np.ndarray | None = None  # significant height (time, lat, lon), m


@dataclass(frozen=True)
class Waters(Coast):
    """Open water of a trip on a regular grid, and how it moves: fields of shape (lat, lon)."""

    u: np.ndarray  # mean current over the hours of the trip, m/s, gaps filled from the nearest
    v: np.ndarray
    known: np.ndarray  # bool, where the currents really had a value
    waves: np.ndarray | None = None  # mean height over the hours of the trip, m; None where nothing is known
    hourly: Hourly | None = None  # without it the mean stands for every hour
    _kept: dict[tuple[Any, ...], Any] = field(default_factory=dict, repr=False, compare=False)  # see `_once`

    @cached_property
    def mean(self) -> Hourly:
        """The mean current and waves as one field."""
        waves = None if self.waves is None else self.waves[None]
        return Hourly(0.0, HOUR, np.stack([self.u, self.v], axis=-1)[None], waves)

    @cached_property
    def adrift(self) -> Waters:
        """The same water as those find it who drift with it: without currents."""
        still = np.zeros_like(self.u)
        return replace(self, u=still, v=still, hourly=None, _kept={})

    def apart(self) -> Waters:
        """The same water for another thread: what is found in it from now on is not shared.

        Nor are the prepared shapes: GEOS indexes them as they are asked, and two threads that ask at once
        end the process.
        """
        obstacles = shapely.from_wkb(shapely.to_wkb(self.obstacles))
        shapely.prepare(obstacles)
        return replace(self, obstacles=obstacles, _kept=dict(self._kept))

    def medium(self, speed: float, *, hourly: bool = False, deadline: float | None = None) -> Medium:
        """The water as the kernels take it, for a boat that makes `speed` in flat water.

        deadline: as it is met on the way back in time from then, currents and hours turned round.
        """
        medium = self._once((speed, hourly), lambda: self._medium(speed, hourly))
        if deadline is None:
            return medium
        last = medium.begin + medium.step * (len(medium.flow) - 1)
        turned = {
            "flow": self._once(("turned", hourly), lambda: np.ascontiguousarray(-medium.flow[::-1])),
            "speed": self._once(("turned", speed, hourly), lambda: np.ascontiguousarray(medium.speed[::-1])),
        }
        return medium._replace(**turned, begin=deadline - last)

    def _medium(self, speed: float, hourly: bool) -> Medium:
        begin, step, flow, waves = self.hourly if hourly and self.hourly else self.mean
        flat = np.zeros((1, *self.u.shape))
        share = self._once(("share", hourly), lambda: share_kept(flat if waves is None else waves))
        return Medium(np.where(self.blocked, 0.0, slowed(speed, share)), flow, begin, step, *self.metres)

    def _once(self, key: tuple[Any, ...], make: Callable[[], Any]) -> Any:
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
        self, place: Place, others: Sequence[Place], speed: float, *, homeward: bool = False
    ) -> np.ndarray:
        """As `times_from` in mean currents, only to the nodes around some places; NaN at nodes beyond."""
        key = place, speed, homeward, None
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
        their mean. A way may begin in blocked cells, so long as it is clear of the shapes themselves.
        """
        ways = shapely.linestrings(np.stack([start, end], axis=1))
        return np.where(shapely.intersects(self.obstacles, ways), np.inf, self._times(start, end, speed, at))

    def _times(self, start: np.ndarray, end: np.ndarray, speed: float, at: ArrayLike | None) -> np.ndarray:
        """As `straight_times`, of ways that are known to be clear of the shapes."""
        medium = self.medium(speed, hourly=at is not None)
        depart = np.broadcast_to(np.asarray(0.0 if at is None else at, dtype=np.float64), len(start)).copy()
        ax, ay = self.cells(start[:, 0], start[:, 1])
        bx, by = self.cells(end[:, 0], end[:, 1])
        return straight_times(medium, depart, ax, ay, bx, by, min(speed, CALM))

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
        if at is None:
            xy = shapely.get_coordinates(way)
            return float(self.straight_times(xy[:-1], xy[1:], speed).sum())
        return float(self.way_times(way, speed, np.array([at]))[0])

    def way_times(self, way: shapely.LineString, speed: float, at: np.ndarray) -> np.ndarray:
        """Time (s) along a way of straight pieces, in the water of each hour, begun at each of `at` (n,)."""
        if shapely.intersects(self.obstacles, way):
            return np.full(at.size, np.inf)
        arrived = at.astype(np.float64)
        for start, end in pairwise(shapely.get_coordinates(way)):
            under_way = np.isfinite(arrived)
            moments = arrived[under_way]
            here, there = (np.tile(place, (moments.size, 1)) for place in (start, end))
            arrived[under_way] += self._times(here, there, speed, moments)
        return arrived - at

    def way(self, start: Place, end: Place, speed: float) -> shapely.LineString | None:
        """A way from one place to another in few straight pieces, all clear; None where there is none."""
        ends = np.array([start, end], dtype=np.float64)
        if np.isfinite(self.straight_times(ends[:1], ends[1:], speed)[0]):
            return shapely.LineString(ends)
        around = self._way_around(start, end, speed)
        if around is not None:
            return around
        out = self._way_out(start, speed)
        onward = None if out is None else self._way_around(out, end, speed)
        if onward is None:
            return None
        taut = self._pull_taut(np.vstack([ends[:1], shapely.get_coordinates(onward)]), speed)
        return None if taut is None else shapely.LineString(taut)

    def nearest_open(self, place: Place) -> Place:
        """The open node nearest a place, whatever lies between."""
        row, column = np.nonzero(~self.blocked)
        x, y = self.cells(*place)
        wide, high = (self.metres[k][int(np.clip(y, 0, self.lat.size - 1))] for k in (0, 1))
        k = int(np.hypot((column - x) * wide, (row - y) * high).argmin())
        return Place(float(self.lon[column[k]]), float(self.lat[row[k]]))

    def look_ahead(self, start: Place, end: Place, speeds: Sequence[float]) -> None:
        """Find at once what the ways from one place to another at some speeds will ask for, and keep it."""
        ends = np.array([start, end], dtype=np.float64)
        if shapely.intersects(self.obstacles, shapely.LineString(ends)):
            each_in_threads(lambda speed: self.times_between(start, [end], speed), speeds)

    def _way_out(self, place: Place, speed: float) -> Place | None:
        """The nearest open node to which it is clear from a place among blocked cells; None if none is."""
        column, row = np.round(self.cells(*place)).astype(int)
        near = [slice(max(middle - WAY_OUT, 0), max(middle + WAY_OUT + 1, 0)) for middle in (row, column)]
        rows, columns = np.nonzero(~self.blocked[near[0], near[1]])
        nodes = np.column_stack([self.lon[near[1]][columns], self.lat[near[0]][rows]])
        times = self.straight_times(np.tile(np.array(place), (len(nodes), 1)), nodes, speed)
        return Place(*nodes[times.argmin()]) if np.isfinite(times).any() else None

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


def share_kept(waves: np.ndarray) -> np.ndarray:
    """What a boat keeps, in waves of a significant height (m), of its speed beyond `CALM`: a share.

    The loss grows with the square of the height, as in the curves of James 1957 (*Application of wave
    forecasts to marine navigation*, US Navy Hydrographic Office SP-1, for steamers; from memory); how much is
    common practice, no source: half is left at `HALVING`. Seas from ahead and astern count alike.
    """
    return np.asarray(1.0 / (1.0 + (waves / HALVING) ** 2))


def slowed(speed: float, share: np.ndarray) -> np.ndarray:
    """What a boat that makes `speed` (m/s) in flat water makes in waves that leave it a share (`share_kept`).

    What is burnt in an hour stays that of `speed`.
    """
    calm = min(speed, CALM)
    return calm + (speed - calm) * share


def survey_waters(
    trip: Trip, sea: xr.DataTree, *, spacing: float | None = None, coast: Coast | None = None
) -> Waters:
    """The waters of a trip: its coast, if it is not known already, and currents and waves over its hours."""
    coast = coast or survey_coast(trip, sea, spacing=spacing)
    near = with_beside(~coast.blocked)
    hourly, known = _find_currents(trip, sea, coast, near)
    waves = _find_waves(trip, sea, coast, near)
    u, v = np.ascontiguousarray(np.moveaxis(hourly.flow.mean(axis=0), -1, 0))
    mean = None if waves is None else waves.mean(axis=0)
    hourly = hourly._replace(waves=waves)
    return Waters(coast.lon, coast.lat, coast.blocked, coast.obstacles, u, v, known, mean, hourly)


def _find_currents(trip: Trip, sea: xr.DataTree, coast: Coast, near: np.ndarray) -> tuple[Hourly, np.ndarray]:
    """Currents of the hours of the trip `near` open water, gaps filled; where they were known."""
    data = sea["currents"].to_dataset()
    flow = flow_of(data, *(GIVEN if GIVEN[0] in data else ("u", "v")))
    moments = _hours_of(trip)
    given = (at_moments(_bridge(part, flow.t), flow.t, moments) for part in (flow.u, flow.v))
    fields = np.stack([_sampled(part, grid_of(data), coast, near) for part in given], axis=-1)
    known = _fill_gaps(fields, near)
    if not known.any():
        fields[:] = 0.0
    return Hourly(moments[0], moments[1] - moments[0], fields), known


def _find_waves(trip: Trip, sea: xr.DataTree, coast: Coast, near: np.ndarray) -> np.ndarray | None:
    """Significant height at the hours of the trip, as the currents; None if none is known."""
    if not has(sea, "waves"):
        return None
    data = sea["waves"].to_dataset()
    times, height = to_seconds(data["time"].values), data["hs"].values.astype(np.float64)
    given = at_moments(_bridge(height, times), times, _hours_of(trip))
    fields = _sampled(given, grid_of(data), coast, near)
    return fields if _fill_gaps(fields, near).any() else None


def _fill_gaps(fields: np.ndarray, near: np.ndarray) -> np.ndarray:
    """Fill nodes of fields (time, lat, lon, ...) not known at every hour from the nearest that is, in place.

    Those `near` open water (lat, lon; bool), that is; where no boat comes they become 0. Returns where they
    were known, (lat, lon); where that is nowhere, nothing is filled.
    """
    known = np.isfinite(fields.sum(axis=(0, *range(3, fields.ndim))))
    if known.any():
        wanted = ~known & near
        rim = known & with_beside(~known)  # the nearest that is known lies on it
        row, column = np.nonzero(rim)
        nearest = shapely.STRtree(_nodes(rim)).nearest(_nodes(wanted))
        fields[:, ~known] = 0.0
        fields[:, wanted] = fields[:, row[nearest], column[nearest]]
    return known


def with_beside(nodes: np.ndarray) -> np.ndarray:
    """Some nodes (lat, lon; bool) and the eight beside each."""
    return np.asarray(sliding_window_view(np.pad(nodes, 1), (3, 3)).any(axis=(2, 3)))


def _nodes(nodes: np.ndarray) -> np.ndarray:
    """Some nodes (lat, lon; bool) as points, counted in nodes."""
    return np.asarray(shapely.points(np.argwhere(nodes)))


def _bridge(field: np.ndarray, times: np.ndarray) -> np.ndarray:
    """A field (time, lat, lon) with the hours at which a node is not known taken from those that are.

    Linear between them, held before the first and after the last; a node that is never known stays so.
    """
    known = np.isfinite(field)
    partly = known.any(axis=0) & ~known.all(axis=0)
    if not partly.any():
        return field
    series = pd.DataFrame(field[:, partly], index=times)
    bridged = field.copy()
    bridged[:, partly] = series.interpolate("index", limit_direction="both").to_numpy()
    return bridged


def _hours_of(trip: Trip) -> np.ndarray:
    """The hours of a trip in even steps of up to an hour, s since `sea.EPOCH`."""
    first, last = to_seconds(trip.window.start), to_seconds(trip.window.end)
    return np.linspace(first, last, max(int(np.ceil((last - first) / HOUR)), 1) + 1)


def _sampled(fields: np.ndarray, grid: Grid, coast: Coast, wanted: np.ndarray) -> np.ndarray:
    """Fields (time, lat, lon) of a grid at the `wanted` nodes (lat, lon; bool) of a coast; NaN at others."""
    row, column = np.nonzero(wanted)
    sampled = np.full((len(fields), *wanted.shape), np.nan)

    def sample(first: int, last: int) -> None:
        for k in range(first, last):
            sampled[k, row, column] = sample_field(fields[k], grid, coast.lon[column], coast.lat[row])

    in_threads(sample, len(fields))
    return sampled
