"""Analytic seas, small trips and strategies: input whose answer is known exactly.

Places on the flat are metres east and north of a centre in an azimuthal equidistant plane of pyproj, so
that shapes are drawn, and answers measured, without the package's own metric.
"""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyproj
import pytest
import shapely
import xarray as xr

from searcher.geo import Place
from searcher.kernels.sample import Grid
from searcher.sea import NODES, make_sea, to_seconds
from searcher.tables import TEMPERATURE_BREAK, check_table, make_table
from searcher.trip import Trip, parse_trip
from searcher.waters import Waters

#: the middle of the Tasman Sea: Lord Howe Island is 520 km away, Australia and New Zealand farther
TASMAN = Place(161.0, -36.0)
KNOT = 1852.0 / 3600.0
NAUTICAL_MILE = 1852.0
GEOD = pyproj.Geod(ellps="WGS84")
GALLON = 3.785411784
HOUR = 3600.0
DAY = 86400.0
#: the hour the trips of `make_trip` leave, UTC, and the sun's rise and set around it
LEAVE = np.datetime64("2026-01-16T20:00", "ns")


def random_field(shape, *, gaps: float = 0.2, seed: int = 1) -> np.ndarray:
    """White noise with gaps."""
    rng = np.random.default_rng(seed)
    field = rng.normal(size=shape)
    field[rng.random(shape) < gaps] = np.nan
    return field


def nodes(grid: Grid, shape) -> tuple[np.ndarray, np.ndarray]:
    """Longitudes and latitudes of a grid of a shape."""
    return grid.lon0 + grid.dlon * np.arange(shape[1]), grid.lat0 + grid.dlat * np.arange(shape[0])


class Plane:
    """Metres east and north of a place, by pyproj alone."""

    def __init__(self, centre: Place) -> None:
        self.centre = centre
        self.projection = pyproj.Proj(
            proj="aeqd", lon_0=float(centre.lon), lat_0=float(centre.lat), ellps="WGS84"
        )

    def metres(self, lon, lat) -> tuple[np.ndarray, np.ndarray]:
        x, y = self.projection(lon, lat)
        return np.asarray(x), np.asarray(y)

    def degrees(self, x, y) -> tuple[np.ndarray, np.ndarray]:
        lon, lat = self.projection(x, y, inverse=True)
        return np.asarray(lon), np.asarray(lat)

    def line(self, xy) -> shapely.LineString:
        """A line in degrees through points in metres, (n, 2)."""
        xy = np.asarray(xy, dtype=float)
        return shapely.LineString(np.column_stack(self.degrees(xy[:, 0], xy[:, 1])))

    def vertices(self, line) -> np.ndarray:
        """Vertices of a line in degrees, in metres, (n, 2)."""
        xy = shapely.get_coordinates(line)
        return np.column_stack(self.metres(xy[:, 0], xy[:, 1]))


def make_axes(centre: Place, *, half: float, step: float) -> tuple[np.ndarray, np.ndarray]:
    """Longitudes and latitudes `step` degrees apart, `half` degrees to every side of a place."""
    count = round(half / step)
    offsets = step * np.arange(-count, count + 1)
    return centre.lon + offsets, centre.lat + offsets


def make_node(name: str, lon, lat, times=None, **fields) -> xr.Dataset:
    """A dataset that keeps the contract of a node; fields (lat, lon) stand for every one of `times`."""
    dims, coords = ("lat", "lon"), {"lat": lat, "lon": lon}
    if times is not None:
        dims, coords = ("time", *dims), {"time": np.atleast_1d(times).astype("datetime64[ns]"), **coords}
    shape = tuple(np.size(coords[dim]) for dim in dims)
    variables = {
        key: (dims, np.array(np.broadcast_to(values, shape), dtype=float), {"units": NODES[name][key][1]})
        for key, values in fields.items()
    }
    attrs = {"source": f"analytic {name}", "license": "none", "credit": "invented"}
    return xr.Dataset(variables, coords, attrs)


def hours(first: float, last: float, step: float = 3.0) -> np.ndarray:
    """Times from `first` to `last` hours after `LEAVE`."""
    count = round((last - first) / step) + 1
    return LEAVE + ((first + step * np.arange(count)) * 3600).astype("timedelta64[s]")


def make_picture(lon, lat, values) -> xr.DataArray:
    """One picture of temperature, (lat, lon)."""
    return xr.DataArray(
        np.asarray(values, float), dims=("lat", "lon"), coords={"lat": lat, "lon": lon}, name="sst"
    )


def tanh_front(x, y, *, angle: float, offset: float = 0.0, step: float = 2.0, width: float = 4000.0):
    """Temperature of a straight front: warm towards the bearing `angle`, `offset` m that way from 0, 0."""
    towards = np.radians(angle)
    away = x * np.sin(towards) + y * np.cos(towards) - offset
    return 24.0 + 0.5 * step * np.tanh(away / width), away


def make_simple_sea(
    *,
    centre: Place = TASMAN,
    half: float = 1.5,
    u=0.0,
    v=0.0,
    sst=None,
    image_hours=(-12.0,),
    image_step: float = 0.02,
    current_hours=(-48.0, 48.0),
    **nodes,
) -> xr.DataTree:
    """A sea with a current (numbers, or functions of m east, m north) and pictures (one function, or one
    for each). Without `sst` the water is 25 °C throughout. More nodes may be given by name.
    """
    plane = Plane(centre)
    lon, lat = make_axes(centre, half=half, step=0.1)
    x, y = plane.metres(*np.meshgrid(lon, lat))
    fields = {key: f(x, y) if callable(f) else f for key, f in (("u", u), ("v", v))}
    currents = make_node("currents", lon, lat, hours(*current_hours), **fields)
    lon, lat = make_axes(centre, half=half, step=image_step)
    x, y = plane.metres(*np.meshgrid(lon, lat))
    pictures = list(sst) if isinstance(sst, list | tuple) else [sst] * len(image_hours)
    stack = [np.full(x.shape, 25.0) if f is None else f(x, y) for f in pictures]
    times = LEAVE + (np.array(image_hours) * 3600).astype("timedelta64[s]")
    temperature = make_node("temperature", lon, lat, times, sst=np.array(stack))
    return make_sea({"temperature": temperature, "currents": currents, **nodes})


TRIP = """
[port]
name = "Nowhere"
at = [{at[0]!r}, {at[1]!r}]
sea_buoy = [{buoy[0]!r}, {buoy[1]!r}]
timezone = "UTC"
[window]
leave = "{leave}"
home_by = "{home_by}"
[boat]
name = "Plain"
burn = {burn}
burn_unit = "{unit}"
cruise_kn = {cruise_kn}
tank_{unit} = {tank}
reserve = {reserve!r}
draught_m = 0.8
max_wind_kn = 20
max_wave_m = 2
[target]
max_depth_m = 6000
[avoid]
land_clearance_m = {clearance}
"""


def make_trip(
    *,
    at: Place = TASMAN,
    buoy: Place | None = None,
    leave: np.datetime64 = LEAVE,
    length: float = 10.0,
    tank: float = 120.0,
    unit: str = "gal",
    burn=((4.0, 2.0), (8.0, 4.0), (20.0, 20.0 / 1.5), (30.0, 30.0)),
    cruise_kn: float = 20.0,
    reserve: float = 1 / 3,
    clearance: float = 500.0,
    closed: shapely.Geometry | None = None,
    text: str = "",
) -> Trip:
    """A trip as read from a file: times in UTC, `length` hours, burn in `unit` per hour."""
    filled = TRIP.format(
        at=tuple(map(float, at)),
        buoy=tuple(map(float, buoy or at)),
        leave=str(leave.astype("datetime64[m]")).replace("T", " "),
        home_by=str((leave + np.timedelta64(round(length * 3600), "s")).astype("datetime64[m]")),
        burn=[list(row) for row in burn],
        unit=unit,
        tank=tank,
        cruise_kn=cruise_kn,
        reserve=reserve,
        clearance=clearance,
    )
    trip = parse_trip(filled + text, Path("trip.toml"))
    if closed is None:
        return trip
    return trip.model_copy(update={"avoid": trip.avoid.model_copy(update={"closed": closed})})


def make_waters(lon, lat, *, u=0.0, v=0.0, obstacles: shapely.Geometry | None = None) -> Waters:
    """Waters with a current and obstacles (degrees); cells that an obstacle touches are blocked."""
    x, y = np.meshgrid(lon, lat)
    half_x, half_y = (lon[1] - lon[0]) / 2, (lat[1] - lat[0]) / 2
    obstacles = obstacles or shapely.MultiPolygon()
    shapely.prepare(obstacles)
    cells = shapely.box(x - half_x, y - half_y, x + half_x, y + half_y)
    fields = [np.array(np.broadcast_to(f, x.shape), dtype=float) for f in (u, v)]
    return Waters(lon, lat, shapely.intersects(obstacles, cells), obstacles, *fields, np.ones(x.shape, bool))


def make_fronts(lines, **columns):
    """A fronts table of lines in degrees: temperature breaks as they lie when the trips leave, or as said."""
    count = len(lines)
    usual = {
        "kind": TEMPERATURE_BREAK,
        "valid_time": LEAVE,
        "seen_time": LEAVE - np.timedelta64(12, "h"),
        "strength": 1e-4,
        "strength_doubt": 1e-5,
        "step": 1.0,
        "step_doubt": 0.1,
        "width": 5000.0,
        "length": 0.0,
        "warm_side": "west",
        "seen_share": 1.0,
        "doubt": 1000.0,
        "confidence": 0.9,
        "source": "drawn",
    }
    filled = {
        key: value if isinstance(value, list | np.ndarray) else [value] * count
        for key, value in {**usual, **columns}.items()
    }
    return make_table("fronts", lines, filled)


def time_across(speed, cu, cv, x, y):
    """Least time (s) from 0, 0 to places (m) in a uniform current: |d - c t| = S t solved for t.

    Zermelo 1931, Z. angew. Math. Mech. 11:114-124: in a uniform current the best way is straight, and the
    reachable set is a disc of radius S t about the point the current carries the start to.
    """
    along = cu * x + cv * y
    left = speed**2 - cu**2 - cv**2
    return (-along + np.sqrt(along**2 + left * (x**2 + y**2))) / left


def seconds(times) -> np.ndarray:
    return to_seconds(np.asarray(times, dtype="datetime64[ns]"))


def check_day(legs, trip, reach, *, closed=None) -> None:
    """Everything that must hold of any day."""
    check_table("legs", legs)
    first, last = legs.iloc[0], legs.iloc[-1]
    # in time: one leg after another, within the window less the way between port and sea buoy
    start, end = seconds(legs["start"]), seconds(legs["end"])
    assert (end > start).all()
    assert np.abs(start[1:] - end[:-1]).max() < 0.01
    port = reach.attrs["port_time"]
    assert start[0] >= to_seconds(trip.window.start) + port - 0.01
    assert end[-1] <= to_seconds(trip.window.end) - port + 0.01
    # in place: from the sea buoy and back, no gap of more than 100 m
    ends = [shapely.get_coordinates(line)[[0, -1]] for line in legs.geometry]
    gaps = [GEOD.inv(*one[1], *other[0])[2] for one, other in pairwise(ends)]
    assert max(gaps) < 100.0
    for place in (ends[0][0], ends[-1][1]):
        assert GEOD.inv(*place, *trip.port.sea_buoy)[2] < 100.0
    # in kind
    assert (first["kind"], last["kind"]) == ("run", "home")
    kinds = "".join(
        {"run": "r", "lines in": "i", "troll": "t", "lines up": "u", "home": "h"}[k] for k in legs["kind"]
    )
    assert re.fullmatch("(ri(t+)u)*h", kinds), kinds
    # in fuel: burn of the speed, above the reserve and what the way from the sea buoy to port needs
    burn = np.array([trip.boat.burn(speed) for speed in legs["speed"]])
    np.testing.assert_allclose(legs["fuel_used"], burn * (end - start), rtol=1e-5, atol=1e-3)
    np.testing.assert_allclose(np.diff(legs["fuel_left"]), -legs["fuel_used"][1:], atol=1e-3)
    assert legs["fuel_left"].min() >= trip.boat.tank * trip.boat.reserve + reach.attrs["port_fuel"] - 1e-6
    # in light: lines are wet between sunrise and sunset only (a minute for rounding)
    wet = legs["kind"].isin(["lines in", "troll", "lines up"]).to_numpy()
    assert start[wet].min() >= to_seconds(trip.window.sunrise) - 61.0
    assert end[wet].max() <= to_seconds(trip.window.sunset) + 1.0
    # speeds and lengths
    assert legs["speed"][wet].tolist() == pytest.approx([trip.gear.troll] * wet.sum())
    assert legs["speed"][~wet].tolist() == pytest.approx([trip.boat.cruise] * (~wet).sum())
    lengths = [GEOD.geometry_length(line) for line in legs.geometry]
    assert legs["distance"].tolist() == pytest.approx(lengths, rel=1e-6)
    if closed is not None:
        assert not shapely.intersects(closed, legs.geometry.values).any()
