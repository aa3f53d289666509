"""The built-in sea: an invented sea off a real coast, what a user would see of it, and its truth.

::

    scene    the place, the hours, distance from the coast, sea floor
    flow     streamfunction, and the flow that gathers at fronts
    weather  wind and waves
    march    temperature and floating matter carried by the flow, hour by hour     -> the truth
    observe  clouds, noise, blur and coarse grids over the truth                   -> the sea
    files    the sea as the files a user would have downloaded, and a trip file

The scene is the shelf edge off the Solitary coast, New South Wales, in January 2026: a warm boundary current
runs south along the shelf edge, meanders, carries cold eddies on its inshore edge and turns round a warm
eddy. The port, Wirrin Harbour, does not exist. The same seed gives the same sea, always.

This package shares nothing with the planner but the errors, the coast, and the contract of a sea.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import xarray as xr

from searcher.builtin import observe
from searcher.builtin.files import clear_folder, write_sea_files
from searcher.builtin.flow import draw_model, gradient
from searcher.builtin.march import Moment, march
from searcher.builtin.observe import USUAL, Sight
from searcher.builtin.scene import (
    END,
    FIRST_IMAGE,
    HOUR,
    PORT,
    PORT_NAME,
    SEA_BUOY,
    SHOWN,
    TRIP_DAY,
    TRIP_DAY_END,
    Grid2D,
    coast_distance,
    model_grid,
)
from searcher.builtin.weather import Weather, draw_weather
from searcher.files import whole_file
from searcher.sea import make_sea

__all__ = ["PORT", "PORT_NAME", "SEA_BUOY", "Sight", "make_builtin_sea", "write_builtin_files", "write_truth"]


def make_builtin_sea(
    *, seed: int = 0, convergence: float = 1.0, particles: int = 50_000, sight: Sight = USUAL
) -> tuple[xr.DataTree, xr.DataTree]:
    """The sea a user sees, and the truth behind it.

    Parameters
    ----------
    seed
        Which sea: 0 is the one of the demonstration.
    convergence
        How strongly the surface flow gathers at fronts, relative: 0 not at all, 1 so that the strongest
        fronts converge at 0.1-0.5 f, 2 twice as strongly.
    particles
        How many pieces of floating matter are let go over the four days before the trip, over the whole
        model; a little over half of them are in what is shown. As many for its area come in with the water
        over the open edges.
    sight
        How well it is seen: clouds, and how coarse and how far out of place the currents are.

    Returns
    -------
    sea
        As `searcher.sea` demands: six images over three days to the evening before the trip, 3-hourly
        currents over the same days and the trip, colour, wind, waves, depth.
    truth
        Over the trip day, on the model grid of about 1.6 km: `temperature` (sst, 3-hourly), `front_strength`
        (°C/m, 3-hourly), `currents` (u, v, hourly), `floating` (lon, lat of every piece of floating matter,
        hourly, dims (time, particle), NaN before its release, before it came in, and beyond the model).

    Examples
    --------
    >>> sea, truth = make_builtin_sea(seed=3, particles=1000)
    >>> sea["temperature"]["sst"].dims, sorted(truth.children)
    (('time', 'lat', 'lon'), ['currents', 'floating', 'front_strength', 'temperature'])
    """
    flow_rng, particle_rng, weather_rng, sight_rng = np.random.default_rng(seed).spawn(4)
    model, weather = draw_model(model_grid(), flow_rng), draw_weather(weather_rng)
    hours = march(model, weather, convergence=convergence, particles=particles, rng=particle_rng)
    kept = [moment for moment in hours if moment.time >= FIRST_IMAGE]
    return _see(kept, weather, sight_rng, sight), _tell(kept, model.grid, seed=seed, convergence=convergence)


def _see(moments: list[Moment], weather: Weather, rng: np.random.Generator, sight: Sight) -> xr.DataTree:
    def every(hours: int, *, last: np.datetime64, first: np.datetime64 = FIRST_IMAGE) -> list[Moment]:
        wanted = set(np.arange(first, last + HOUR, hours * HOUR))
        return [moment for moment in moments if moment.time in wanted]

    three_hourly = every(3, last=END)
    times = [moment.time for moment in three_hourly]
    return make_sea(
        {
            "temperature": observe.see_temperature(every(12, last=TRIP_DAY), rng, sight),
            "currents": observe.see_currents(three_hourly, rng, sight),
            "color": observe.see_color(every(24, last=TRIP_DAY, first=FIRST_IMAGE + 4 * HOUR), rng, sight),
            "wind": observe.see_wind(weather, times),
            "waves": observe.see_waves(weather, times),
            "depth": observe.see_depth(),
        }
    )


def _tell(moments: list[Moment], grid: Grid2D, *, seed: int, convergence: float) -> xr.DataTree:
    """The truth over the trip day, cut to what is shown."""
    hourly = [moment for moment in moments if TRIP_DAY <= moment.time <= TRIP_DAY_END]
    temperature = _dataset(hourly[::3], grid, sst=("degree_Celsius", lambda m: m.sst))
    steepness = _dataset(
        hourly[::3],
        grid,
        front_strength=("degree_Celsius m-1", lambda m: np.hypot(*gradient(grid, m.sst))),
    )
    currents = _dataset(hourly, grid, u=("m s-1", lambda m: m.u), v=("m s-1", lambda m: m.v))
    floating = xr.Dataset(
        {
            "lon": (("time", "particle"), _pad([m.lon for m in hourly]), {"units": "degrees_east"}),
            "lat": (("time", "particle"), _pad([m.lat for m in hourly]), {"units": "degrees_north"}),
        },
        {"time": [moment.time for moment in hourly]},
    )
    nodes = {
        "temperature": temperature,
        "front_strength": steepness,
        "currents": currents,
        "floating": floating,
    }
    return xr.DataTree.from_dict(nodes | {"/": xr.Dataset(attrs={"seed": seed, "convergence": convergence})})


def _pad(rows: list[np.ndarray]) -> np.ndarray:
    """Rows, none shorter than the one before it, filled up with NaN to the length of the last."""
    return np.array([np.pad(row, (0, rows[-1].size - row.size), constant_values=np.nan) for row in rows])


def _dataset(
    moments: list[Moment], grid: Grid2D, **fields: tuple[str, Callable[[Moment], np.ndarray]]
) -> xr.Dataset:
    """Fields (units, function of a moment) at some moments, cut to what is shown, NaN on land, float32."""
    ashore = coast_distance() <= 0
    rows = slice(*np.searchsorted(grid.lat, [SHOWN.south - 1e-9, SHOWN.north + 1e-9]))
    columns = slice(*np.searchsorted(grid.lon, [SHOWN.west - 1e-9, SHOWN.east + 1e-9]))
    variables = {}
    for name, (units, value) in fields.items():
        stack = [np.where(ashore, np.nan, value(m))[rows, columns].astype(np.float32) for m in moments]
        variables[name] = (("time", "lat", "lon"), np.array(stack), {"units": units})
    coords = {"time": [m.time for m in moments], "lat": grid.lat[rows], "lon": grid.lon[columns]}
    return xr.Dataset(variables, coords)


def write_builtin_files(
    folder: str | os.PathLike[str], *, seed: int = 0, convergence: float = 1.0, overwrite: bool = False
) -> Path:
    """Make the sea and write it into `folder` as downloaded files would lie there, with a trip file.

    Writes `data/*.nc`, `closed_area.geojson` and `trip.toml`, and returns the folder. A folder that already
    holds a trip file is left alone, with an error, unless `overwrite`. `seed` and `convergence` (relative)
    are those of `make_builtin_sea`.
    """
    clear_folder(folder, overwrite=overwrite)
    sea, _ = make_builtin_sea(seed=seed, convergence=convergence)
    return write_sea_files(sea, folder, overwrite=overwrite)


def write_truth(truth: xr.DataTree, path: str | os.PathLike[str]) -> Path:
    """Write a truth to one netCDF file, a group per node; the file appears whole or not at all."""
    encoding = {
        f"/{name}": {variable: {"zlib": True, "complevel": 1} for variable in node.data_vars}
        for name, node in truth.children.items()
    }
    with whole_file(path) as partial:
        truth.to_netcdf(partial, encoding=encoding)
    return Path(path)
