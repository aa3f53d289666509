"""How far the boat gets and still comes home: least time and fuel, out and back, and the fuel-range polygon.

Times are those of the fastest way around land and closed areas in the mean current of the trip's hours
(`searcher.kernels.march`). A place is within reach if the way out, a spell of work there and the way home
fit the fuel above the reserve and the hours of the trip, and the work is done by sunset. The familiar circle
of a third of the tank out, a third home, a third kept is what this becomes in still water without land.
"""

from __future__ import annotations

import os
from itertools import pairwise
from pathlib import Path

import contourpy
import numpy as np
import shapely
import xarray as xr
from scipy.ndimage import binary_dilation

from searcher.errors import OutOfReach
from searcher.files import whole_file
from searcher.geo import distance
from searcher.trip import Trip
from searcher.waters import Waters, survey_waters

#: the work a place must leave time and fuel for, s
WORK = 3600.0


def find_reach(
    trip: Trip, sea: xr.DataTree, *, work: float = WORK, waters: Waters | None = None
) -> xr.Dataset:
    """Reach of a trip on a regular grid: dims (lat, lon).

    Variables: `time_out`, `time_home` (s from and to the sea buoy), `fuel_out`, `fuel_home` (L), `slack`
    (share of the tighter of hours and fuel that is left, negative out of reach), `reachable`, `blocked`,
    `u`, `v` (mean current, m/s), `currents_known`. Attributes: `speed` (m/s), `burn` (L/s), `port_time`,
    `port_fuel` (one way between port and sea buoy), `work`.
    Raises `OutOfReach` where not even the sea buoy leaves time and fuel for the work.
    """
    waters = waters or survey_waters(trip, sea)
    speed = trip.boat.cruise
    burn = float(trip.boat.burn(speed))
    out = waters.times_from(trip.port.sea_buoy, speed)
    home = waters.times_from(trip.port.sea_buoy, speed, homeward=True)
    port_time = distance(trip.port.at, trip.port.sea_buoy) / speed
    hours = trip.window.hours - 2 * port_time - work
    fuel = trip.boat.usable - 2 * port_time * burn - work * float(trip.boat.burn(trip.gear.troll))
    if hours <= 0 or fuel <= 0:
        raise OutOfReach(
            "the boat cannot leave, fish and come home",
            given=f"{trip.boat.usable:.0f} L above the reserve and {trip.window.hours / 3600:.1f} h",
            expected=f"enough for the way to the sea buoy and back and {work / 3600:.1f} h of trolling",
            hint="Give more fuel, a smaller reserve is not advised, or a longer window",
        )
    both = out + home
    slack = np.minimum(1.0 - both / hours, 1.0 - both * burn / fuel)
    # lines are worked by day: the work must be done by sunset
    light = float((trip.window.sunset - trip.window.start) / np.timedelta64(1, "s")) - port_time - work
    slack = np.minimum(slack, 1.0 - out / light if light > 0 else -1.0)
    slack = np.where(waters.blocked | ~np.isfinite(slack), -1.0, np.maximum(slack, -1.0))
    fields = {
        "time_out": out,
        "time_home": home,
        "fuel_out": out * burn,
        "fuel_home": home * burn,
        "slack": slack,
        "reachable": slack >= 0.0,
        "blocked": waters.blocked,
        "u": waters.u,
        "v": waters.v,
        "currents_known": waters.known,
    }
    return xr.Dataset(
        {name: (("lat", "lon"), values) for name, values in fields.items()},
        coords={"lat": waters.lat, "lon": waters.lon},
        attrs={
            "speed": speed,
            "burn": burn,
            "port_time": port_time,
            "port_fuel": port_time * burn,
            "work": work,
        },
    )


def range_polygon(reach: xr.Dataset) -> shapely.Geometry:
    """The outline of what is within reach: a (multi)polygon in degrees, empty where nothing is."""
    generator = contourpy.contour_generator(
        reach["lon"].values, reach["lat"].values, reach["slack"].values, fill_type="OuterOffset"
    )
    points, offsets = generator.filled(0.0, np.inf)
    polygons = []
    for xy, cuts in zip(points, offsets, strict=True):
        rings = [xy[a:b] for a, b in pairwise(cuts)]
        polygons.append(shapely.make_valid(shapely.Polygon(rings[0], rings[1:])))
    # between nodes the outline cuts the corners of blocked cells: take those cells out whole
    return shapely.difference(shapely.union_all(polygons), _blocked_rim(reach))


def _blocked_rim(reach: xr.Dataset) -> shapely.Geometry:
    """The blocked cells beside what is within reach, as one geometry."""
    blocked = reach["blocked"].values.astype(bool)
    near = binary_dilation(reach["reachable"].values.astype(bool), np.ones((3, 3), bool))
    row, column = np.nonzero(blocked & near)
    lon, lat = reach["lon"].values, reach["lat"].values
    x, y, half_x, half_y = lon[column], lat[row], (lon[1] - lon[0]) / 2, (lat[1] - lat[0]) / 2
    return shapely.union_all(shapely.box(x - half_x, y - half_y, x + half_x, y + half_y))


def at_middles(field: xr.DataArray, lines) -> np.ndarray:
    """A field of the reach (lat, lon) at the node nearest the middle of each line."""
    middles = shapely.line_interpolate_point(np.asarray(lines, dtype=object), 0.5, normalized=True)
    xy = shapely.get_coordinates(middles)
    lon, lat = (xr.DataArray(xy[:, k], dims="line") for k in (0, 1))
    return field.sel(lon=lon, lat=lat, method="nearest").values


def waters_of(reach: xr.Dataset, obstacles: shapely.Geometry) -> Waters:
    """The waters a reach was found in, so that a saved reach can be routed on."""
    blocked, known = (reach[name].values.astype(bool) for name in ("blocked", "currents_known"))
    u, v = (np.ascontiguousarray(reach[name].values) for name in ("u", "v"))
    return Waters(reach["lon"].values, reach["lat"].values, blocked, u, v, known, obstacles)


def save_reach(reach: xr.Dataset, path: str | os.PathLike) -> Path:
    """Write a reach as netCDF; the file appears whole or not at all. `xarray.open_dataset` reads it."""
    flags = {name: reach[name].astype("i1") for name in ("reachable", "blocked", "currents_known")}
    with whole_file(path) as partial:
        reach.assign(flags).to_netcdf(partial)
    return Path(path)
