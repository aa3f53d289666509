"""How far the boat gets and still comes home: least time and fuel, out and back, and the fuel-range polygon.

Times are those of the fastest way around land and closed areas (`searcher.kernels.march`) in currents that
change: out from the hour of leaving, home marched back in time from the hour the boat must be at the sea
buoy. A boat that turns for home earlier meets the currents of other hours; that difference is not followed.
Waves slow the boat (`searcher.waters.slowed`), which then burns in an hour what it burns at that throttle.

A place is within reach if the way out, a spell of work there and the way home fit the fuel above the reserve
and the hours of the trip, and the work is done by sunset. The familiar circle of a third of the tank out, a
third home, a third kept (`thirds_circle`) is what this becomes in still water without land.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from pathlib import Path

import contourpy
import numpy as np
import shapely
import xarray as xr
from numpy.typing import ArrayLike

from searcher.errors import OutOfReach
from searcher.files import whole_file
from searcher.geo import Place, destination, distance, near_longitude
from searcher.kernels.sample import sample_field
from searcher.sea import to_seconds, to_times
from searcher.threads import each_in_threads
from searcher.trip import Boat, Finish, Port, Trip
from searcher.waters import Waters, survey_waters, with_beside

#: the work a place must leave time and fuel for, s
WORK = 3600.0
#: hours at which a way may be begun are looked at so far apart, s
EVERY = 300.0


@dataclass(frozen=True)
class Budget:
    """What is left for running: from where, and when (s since `sea.EPOCH`).

    `leave`: at the start, or at the sea buoy where the boat starts from port. `back`: latest at the sea buoy.
    `fuel`: L above the reserve, less what the ways between sea buoy and port take. `hours` and `running_fuel`
    are what running may take once the work is paid for, `light` (s) what the way out may take.
    """

    start: Place
    leave: float
    back: float
    fuel: float
    work: float
    work_fuel: float
    sunset: float

    @property
    def hours(self) -> float:
        return self.back - self.leave - self.work

    @property
    def running_fuel(self) -> float:
        return self.fuel - self.work_fuel

    @property
    def light(self) -> float:
        return self.sunset - self.leave - self.work

    def slack(self, out: np.ndarray, home: np.ndarray, fuel: np.ndarray) -> np.ndarray:
        """Share of the tightest of hours, fuel and light left by times (s) and fuel (L); at least -1."""
        slack = np.minimum(1.0 - (out + home) / self.hours, 1.0 - fuel / self.running_fuel)
        slack = np.minimum(slack, 1.0 - out / self.light if self.light > 0 else -1.0)
        return np.where(np.isfinite(slack), np.maximum(slack, -1.0), -1.0)


def find_reach(
    trip: Trip,
    sea: xr.DataTree,
    *,
    start: Place | None = None,
    at: np.datetime64 | None = None,
    fuel: float | None = None,
    speeds: Sequence[float] | None = None,
    work: float = WORK,
    waters: Waters | None = None,
) -> xr.Dataset:
    """Reach of a trip on a regular grid: dims (lat, lon); from port, or from any place later in the day.

    start: where the boat is (default: in port). at: when it leaves there (default: the start of the window).
    fuel: L in the tank then, with the reserve (default: the whole tank). speeds: through the water, m/s, that
    may be run at (default: `cruise`; see `running_speeds`): each place is reached and left at the pair of
    them that burns least and meets the hours; out of reach, at the pair that misses least.

    Variables: `time_out`, `time_home` (s from the start and to the sea buoy), `fuel_out`, `fuel_home` (L),
    `speed_out`, `speed_home` (m/s), `slack` (share of the tightest of hours, fuel and light that is left,
    negative out of reach), `reachable`, `blocked`, `u`, `v` (mean current, m/s), `currents_known`, and
    `waves` (m) where known. Attributes: `speed` (m/s), `burn` (L/s) of cruise, `port_time`, `port_fuel` (one
    way between port and sea buoy), `finish_time`, `finish_fuel` (the same of the port in which the day ends),
    `work`; `start_lon`, `start_lat`, `leave` (UTC, at the start or the sea buoy) and `fuel` (L in the tank
    there).
    Raises `OutOfReach` where the way home no longer fits, or not even the start leaves time and fuel for
    the work; and for a start off the grid of the waters.
    """
    waters = waters or survey_waters(trip, sea)
    speeds = tuple(speeds or (trip.boat.cruise,))
    if start is not None:
        start = Place(float(near_longitude(start.lon, trip.port.sea_buoy.lon)), float(start.lat))
    budget = make_budget(trip, start=start, at=at, fuel=fuel, work=work)
    burns = [float(trip.boat.burn(speed)) for speed in speeds]
    if not waters.covers(budget.start):
        raise OutOfReach(
            "a start outside the waters of the trip",
            given=f"{budget.start.lon:.4f}, {budget.start.lat:.4f}",
            expected=f"a place within the trip's range of {trip.port.name}",
        )
    buoy = trip.last_port.sea_buoy
    if not waters.covers(buoy):
        raise OutOfReach(
            "a port to finish in outside the waters of the trip",
            given=f"[finish] sea_buoy at {buoy.lon:.4f}, {buoy.lat:.4f}",
            expected=f"a place within the trip's range of {trip.port.name}",
        )
    ways = [(buoy, speed, True, budget.back) for speed in speeds]
    ways += [(budget.start, speed, False, budget.leave) for speed in speeds]
    times = each_in_threads(lambda way: waters.times_from(*way[:2], homeward=way[2], at=way[3]), ways)
    home, out = times[: len(speeds)], times[len(speeds) :]
    if start is not None:
        _check_home(budget, home, burns, waters)
    if budget.hours <= 0 or budget.running_fuel <= 0:
        raise OutOfReach(
            "the boat cannot leave, fish and come home",
            given=f"{_above_reserve(trip, fuel):.0f} L above the reserve and "
            f"{(to_seconds(trip.window.end) - to_seconds(at or trip.window.start)) / 3600:.1f} h",
            expected=f"enough for the way to the sea buoy and back and {work / 3600:.1f} h of trolling",
            hint="Take more fuel or allow more hours; do not lower the reserve",
        )
    fields = _choose_speeds(budget, out, home, speeds, burns)
    fields["slack"] = np.where(waters.blocked, -1.0, fields["slack"])
    return _as_dataset(fields, waters, trip, budget)


def make_budget(
    trip: Trip,
    *,
    start: Place | None = None,
    at: np.datetime64 | None = None,
    fuel: float | None = None,
    work: float = WORK,
) -> Budget:
    """What a trip leaves for running, from port or from a place later in the day (as `find_reach`)."""
    out_time, out_fuel = _pilotage(trip, trip.port)
    in_time, in_fuel = _pilotage(trip, trip.last_port)
    from_port = start is None
    return Budget(
        start=trip.port.sea_buoy if start is None else Place(*start),
        leave=float(to_seconds(at or trip.window.start)) + from_port * out_time,
        back=float(to_seconds(trip.window.end)) - in_time,
        fuel=_above_reserve(trip, fuel) - from_port * out_fuel - in_fuel,
        work=work,
        work_fuel=work * float(trip.boat.burn(trip.gear.troll)),
        sunset=float(to_seconds(trip.window.sunset)),
    )


def running_speeds(boat: Boat) -> tuple[float, ...]:
    """Speeds (m/s) worth running at: that with the most distance to the litre, cruise, and the fastest.

    The slowest of them helps where there are more hours than fuel, the fastest where there is more fuel than
    hours, and both against a current.
    """
    thriftiest = max(boat.table, key=lambda row: (round(row[0] / row[1], 6), row[0]))[0]
    return tuple(sorted({thriftiest, boat.cruise, boat.top_speed}))


def thirds_circle(trip: Trip) -> shapely.Polygon:
    """The circle of the rule of thirds around the port, in degrees: a third of the tank out, at cruise.

    It knows no current, land, hours or waves: for comparison only.
    """
    radius = trip.boat.tank / 3 * trip.boat.cruise / float(trip.boat.burn(trip.boat.cruise))
    return shapely.Polygon([destination(trip.port.at, towards, radius) for towards in range(360)])


def _pilotage(trip: Trip, port: Port | Finish) -> tuple[float, float]:
    """Time (s) and fuel (L) of one way between a port and its sea buoy, at cruise."""
    time = distance(port.at, port.sea_buoy) / trip.boat.cruise
    return time, time * float(trip.boat.burn(trip.boat.cruise))


def _above_reserve(trip: Trip, fuel: float | None) -> float:
    return (trip.boat.tank if fuel is None else fuel) - trip.boat.tank * trip.boat.reserve


def _check_home(budget: Budget, home: Sequence[np.ndarray], burns: Sequence[float], waters: Waters) -> None:
    """Raise `OutOfReach` if at no speed the way home from the start fits the hours and fuel that are left."""
    here = np.array([[part] for part in budget.start], dtype=np.float64)
    times = np.array(
        [sample_field(np.where(np.isfinite(field), field, np.nan), waters.grid, *here)[0] for field in home]
    )
    late = np.nan_to_num(times, nan=np.inf) - (budget.back - budget.leave)
    short = np.nan_to_num(times, nan=np.inf) * np.array(burns) - budget.fuel
    if ((late <= 0) & (short <= 0)).any():
        return
    k = int(np.argmin(np.maximum(late / 3600, short / max(budget.fuel, 1.0))))
    if np.isinf(late[k]):
        missing = "a way over open water"
    else:
        wants = [(short[k], f"{short[k]:.0f} L above the reserve"), (late[k], f"{late[k] / 3600:.1f} h")]
        missing = " and ".join(text for amount, text in wants if amount > 0) + " more"
    raise OutOfReach(
        "the way home no longer fits",
        given=f"{budget.fuel:.0f} L above the reserve and {(budget.back - budget.leave) / 3600:.1f} h "
        f"at {budget.start.lon:.4f}, {budget.start.lat:.4f}",
        expected=missing,
        hint="Turn for home now, and tell the person ashore",
    )


def _choose_speeds(
    budget: Budget,
    out: Sequence[np.ndarray],
    home: Sequence[np.ndarray],
    speeds: Sequence[float],
    burns: Sequence[float],
) -> dict[str, np.ndarray]:
    """Per place the pair of speeds that fits and burns least, else that which misses least."""
    best: dict[str, np.ndarray] = {}
    for k, m in product(range(len(speeds)), repeat=2):
        pair = {
            "time_out": out[k],
            "time_home": home[m],
            "fuel_out": out[k] * burns[k],
            "fuel_home": home[m] * burns[m],
            "speed_out": np.full_like(out[k], speeds[k]),
            "speed_home": np.full_like(home[m], speeds[m]),
        }
        pair["slack"] = budget.slack(out[k], home[m], pair["fuel_out"] + pair["fuel_home"])
        best = _better(best, pair) if best else pair
    return best


def _better(one: dict[str, np.ndarray], other: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Per place the better of two pairs of speeds, with the greater slack of both."""
    less = other["fuel_out"] + other["fuel_home"] < one["fuel_out"] + one["fuel_home"]
    fits = [pair["slack"] >= 0.0 for pair in (one, other)]
    take = np.where(fits[0] & fits[1], less, other["slack"] > one["slack"])
    chosen = {name: np.where(take, other[name], one[name]) for name in one}
    return chosen | {"slack": np.maximum(one["slack"], other["slack"])}


def _as_dataset(fields: dict[str, np.ndarray], waters: Waters, trip: Trip, budget: Budget) -> xr.Dataset:
    fields = fields | {
        "reachable": fields["slack"] >= 0.0,
        "blocked": waters.blocked,
        "u": waters.u,
        "v": waters.v,
        "currents_known": waters.known,
    }
    if waters.waves is not None:
        fields["waves"] = waters.waves
    port_time, port_fuel = _pilotage(trip, trip.port)
    finish_time, finish_fuel = _pilotage(trip, trip.last_port)
    attrs = {
        "speed": trip.boat.cruise,
        "burn": float(trip.boat.burn(trip.boat.cruise)),
        "port_time": port_time,
        "port_fuel": port_fuel,
        "finish_time": finish_time,
        "finish_fuel": finish_fuel,
        "work": budget.work,
        "start_lon": float(budget.start.lon),
        "start_lat": float(budget.start.lat),
        "leave": str(to_times(budget.leave)),
        "fuel": budget.fuel + trip.boat.tank * trip.boat.reserve + finish_fuel,
    }
    return xr.Dataset(
        {name: (("lat", "lon"), values) for name, values in fields.items()},
        coords={"lat": waters.lat, "lon": waters.lon},
        attrs=attrs,
    )


def time_to_troll(reach: xr.Dataset, trip: Trip) -> xr.DataArray:
    """How long (s) a boat that goes to a place and home again could troll there, (lat, lon); 0 out of reach.

    Within the trip's hours, its daylight, and the fuel above the reserve.
    """
    window, boat = trip.window, trip.boat
    there = to_seconds(np.datetime64(reach.attrs["leave"])) + reach["time_out"]
    leaving = to_seconds(window.end) - reach.attrs["finish_time"] - reach["time_home"]
    light = np.minimum(leaving, to_seconds(window.sunset)) - np.maximum(there, to_seconds(window.sunrise))
    spare = reach.attrs["fuel"] - boat.tank * boat.reserve - reach.attrs["finish_fuel"]
    fuel = spare - reach["fuel_out"] - reach["fuel_home"]
    left = np.minimum(light, fuel / float(boat.burn(trip.gear.troll)))
    return left.where(reach["reachable"], 0.0).clip(min=0.0)


def last_start(
    waters: Waters,
    way: shapely.LineString,
    speed: float,
    *,
    leave: float,
    back: float,
    fuel: float,
    burn: float,
    idle: float,
) -> float:
    """Until when (s since `sea.EPOCH`) a boat at the start of a way may set out on it, from `leave` on.

    In the currents and waves of each hour, so that it is at the end by `back` and has burnt no more than
    `fuel` L: `burn` L/s on the way at `speed`, `idle` until then. Once it no longer fits, later hours do
    not count.
    """
    wait = np.arange(0.0, max(back - leave, 0.0) + EVERY, EVERY)
    taken = waters.way_times(way, speed, leave + wait)
    late, short = leave + wait + taken - back, taken * burn + wait * idle - fuel
    return leave + min(_lasts(wait, late), _lasts(wait, short))


def _lasts(wait: np.ndarray, wanting: np.ndarray) -> float:
    """Until when nothing is wanting, linear between the waits; 0 where something is from the beginning."""
    first = int(np.argmax(wanting > 0.0)) if (wanting > 0.0).any() else -1
    if first <= 0:
        return float(wait[first])
    before, after = wanting[first - 1], wanting[first]
    share = -before / (after - before) if np.isfinite(after) else 0.0
    return float(wait[first - 1] + share * (wait[first] - wait[first - 1]))


def range_polygon(reach: xr.Dataset) -> shapely.Geometry:
    """The outline of what is within reach: a (multi)polygon in degrees, empty where nothing is."""
    generator = contourpy.contour_generator(
        reach["lon"].values, reach["lat"].values, reach["slack"].values, fill_type="OuterOffset"
    )
    points, offsets = generator.filled(0.0, np.inf)  # type: ignore[misc]  # two, as `fill_type` says
    polygons = []
    for xy, cuts in zip(points, offsets, strict=True):
        rings = [xy[a:b] for a, b in pairwise(cuts)]
        polygons.append(shapely.make_valid(shapely.Polygon(rings[0], rings[1:])))
    # between nodes the outline cuts the corners of blocked cells: take those cells out whole
    return shapely.difference(shapely.union_all(polygons), _blocked_rim(reach))


def _blocked_rim(reach: xr.Dataset) -> shapely.Geometry:
    """The blocked cells beside what is within reach, as one geometry."""
    blocked = reach["blocked"].values.astype(bool)
    row, column = np.nonzero(blocked & with_beside(reach["reachable"].values.astype(bool)))
    lon, lat = reach["lon"].values, reach["lat"].values
    x, y, half_x, half_y = lon[column], lat[row], (lon[1] - lon[0]) / 2, (lat[1] - lat[0]) / 2
    return shapely.union_all(shapely.box(x - half_x, y - half_y, x + half_x, y + half_y))


def at_middles(field: xr.DataArray, lines: ArrayLike) -> np.ndarray:
    """A field of the reach (lat, lon) at the node nearest the middle of each line."""
    middles = shapely.line_interpolate_point(np.asarray(lines, dtype=object), 0.5, normalized=True)
    xy = shapely.get_coordinates(middles)
    lon, lat = (xr.DataArray(xy[:, k], dims="line") for k in (0, 1))
    return field.sel(lon=lon, lat=lat, method="nearest").values


def waters_of(reach: xr.Dataset, obstacles: shapely.Geometry) -> Waters:
    """The waters a reach was found in, with the mean current, so that a saved reach can be routed on."""
    blocked, known = (reach[name].values.astype(bool) for name in ("blocked", "currents_known"))
    u, v = (np.ascontiguousarray(reach[name].values) for name in ("u", "v"))
    waves = reach["waves"].values if "waves" in reach else None
    return Waters(reach["lon"].values, reach["lat"].values, blocked, obstacles, u, v, known, waves)


def save_reach(reach: xr.Dataset, path: str | os.PathLike[str]) -> Path:
    """Write a reach as netCDF; the file appears whole or not at all. `xarray.open_dataset` reads it."""
    flags = {name: reach[name].astype("i1") for name in ("reachable", "blocked", "currents_known")}
    with whole_file(path) as partial:
        reach.assign(flags).to_netcdf(partial)
    return Path(path)
