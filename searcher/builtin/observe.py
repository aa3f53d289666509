"""What a user sees of the true sea: clouded and noisy images, coarse currents a little out of place, colour,
wind and waves. Every fault here is one that real products have."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike
from scipy import ndimage

from searcher.builtin.flow import draw_waves, sum_waves
from searcher.builtin.march import Moment
from searcher.builtin.scene import (
    COLOR_STEP,
    CURRENT_STEP,
    IMAGE_STEP,
    MODEL_STEP,
    MODELLED,
    SHOWN,
    WEATHER_STEP,
    Grid2D,
    at_nodes,
    coast_distance,
    floor_depth,
    make_grid,
    on_land,
    plane,
)
from searcher.builtin.weather import Weather, wave_height, wind
from searcher.sea import NODES

IMAGE_NOISE, IMAGE_BIAS = 0.12, 0.08  # °C, standard deviations per cell and per image
LICENSE = "CC0-1.0 (invented data)"
CREDIT = "Invented sea off the Solitary coast; coastline: GSHHG, Wessel and Smith 1996"


class Sight(NamedTuple):
    """How well the sea is seen."""

    #: least and most share of an image under cloud
    least_cover: float = 0.2
    most_cover: float = 0.55
    #: m, standard deviation of the smoothing of currents: details under about three times this are lost
    current_blur: float = 5e3
    #: m, standard deviation of the error of their position
    current_shift: float = 2.5e3


#: how the sea of the demonstration is seen
USUAL = Sight()


def node(
    name: str,
    fields: Mapping[str, ArrayLike],
    grid: Grid2D,
    times: Sequence[np.datetime64] | np.ndarray | None = None,
    *,
    source: str,
) -> xr.Dataset:
    """A dataset of the sea contract from arrays (time, lat, lon), or (lat, lon) where there are no times."""
    dims = ("lat", "lon") if times is None else ("time", "lat", "lon")
    coords = {
        "lat": ("lat", grid.lat, {"standard_name": "latitude", "units": "degrees_north"}),
        "lon": ("lon", grid.lon, {"standard_name": "longitude", "units": "degrees_east"}),
    }
    if times is not None:
        coords["time"] = ("time", np.asarray(times, "datetime64[ns]"), {"standard_name": "time"})
    variables = {}
    for variable, values in fields.items():
        standard_name, units, *_ = NODES[name][variable]
        attrs = {"units": units} | ({"standard_name": standard_name} if standard_name else {})
        variables[variable] = (dims, np.asarray(values, np.float32), attrs)
    return xr.Dataset(variables, coords, {"source": source, "license": LICENSE, "credit": CREDIT})


def draw_clouds(grid: Grid2D, cover: float, rng: np.random.Generator) -> np.ndarray:
    """Where clouds hide the sea: the highest `cover` of a sum of smooth random fields, shape (lat, lon)."""
    cell = grid.per_lat.mean() * (grid.lat[1] - grid.lat[0])
    field = np.zeros(grid.shape)
    for scale, weight in ((38e3, 1.0), (14e3, 0.55), (5e3, 0.25)):
        layer = ndimage.gaussian_filter(rng.normal(size=grid.shape), (scale / cell, 1.4 * scale / cell))
        field += weight * layer / layer.std()
    return field > np.quantile(field, 1.0 - cover)


def see_temperature(moments: Sequence[Moment], rng: np.random.Generator, sight: Sight) -> xr.Dataset:
    """Node `temperature`: one clouded, noisy image per moment."""
    grid = make_grid(SHOWN, IMAGE_STEP)
    ashore = on_land(grid)
    images = []
    for moment in moments:
        footprint = ndimage.gaussian_filter(moment.sst, 0.5 * IMAGE_STEP / MODEL_STEP)
        image = at_nodes(footprint, grid) + rng.normal(0.0, IMAGE_BIAS)
        image += rng.normal(0.0, IMAGE_NOISE, grid.shape)
        image[ashore | draw_clouds(grid, rng.uniform(sight.least_cover, sight.most_cover), rng)] = np.nan
        images.append(image)
    times = [moment.time for moment in moments]
    return node("temperature", {"sst": images}, grid, times, source="built-in sea, infrared image")


def see_currents(moments: Sequence[Moment], rng: np.random.Generator, sight: Sight) -> xr.Dataset:
    """Node `currents`: the true flow blurred, and a little out of place by a lasting smooth error."""
    grid = make_grid(SHOWN, CURRENT_STEP)
    ashore, afloat = on_land(grid), (coast_distance() > 0).astype(np.float64)
    where = _displaced(grid, rng, sight.current_shift)
    fields: dict[str, list[np.ndarray]] = {"u": [], "v": []}
    for moment in moments:
        for name, true in (("u", moment.u), ("v", moment.v)):
            seen = ndimage.map_coordinates(
                _blur(true, afloat, sight.current_blur), where, order=1, mode="nearest"
            )
            fields[name].append(np.where(ashore, np.nan, seen))
    return node("currents", fields, grid, [m.time for m in moments], source="built-in sea, ocean model")


def _blur(field: np.ndarray, afloat: np.ndarray, scale: float) -> np.ndarray:
    """A field at sea, smoothed as a coarse model would; land takes no part."""
    cells = scale / (MODEL_STEP * 103e3)
    weight = ndimage.gaussian_filter(afloat, cells)
    return ndimage.gaussian_filter(field * afloat, cells) / np.maximum(weight, 0.05)


def _displaced(grid: Grid2D, rng: np.random.Generator, shift: float) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of the model grid at which the coarse model takes its values."""
    x, y = plane(grid)
    east, north = (
        shift * sum_waves(draw_waves(rng, count=24, longest=250e3, shortest=80e3, slope=1.0), x, y, 0.0)
        for _ in range(2)
    )
    lat = grid.lat[:, None] + north / grid.per_lat[:, None]
    lon = grid.lon[None, :] + east / grid.per_lon[:, None]
    return (lat - MODELLED.south) / MODEL_STEP, (lon - MODELLED.west) / MODEL_STEP


def see_color(moments: Sequence[Moment], rng: np.random.Generator, sight: Sight) -> xr.Dataset:
    """Node `color`: chlorophyll low in warm water, high in cool water and on the shelf, under clouds."""
    grid = make_grid(SHOWN, COLOR_STEP)
    ashore = on_land(grid)
    shelf = 0.35 * np.exp(-np.maximum(at_nodes(coast_distance(), grid), 0.0) / 14e3)
    fields = []
    for moment in moments:
        power = -1.08 - 0.2 * (at_nodes(moment.sst, grid) - 26.0) + shelf + rng.normal(0.0, 0.06, grid.shape)
        clouds = draw_clouds(grid, rng.uniform(sight.least_cover, sight.most_cover), rng)
        fields.append(np.where(ashore | clouds, np.nan, 10.0**power))
    times = [moment.time for moment in moments]
    return node("color", {"chlor_a": fields}, grid, times, source="built-in sea, ocean colour image")


def see_wind(weather: Weather, times: Sequence[np.datetime64] | np.ndarray) -> xr.Dataset:
    """Node `wind`."""
    grid = make_grid(SHOWN, WEATHER_STEP)
    winds = [wind(weather, *plane(grid), time) for time in times]
    fields = {"u10": [u for u, _ in winds], "v10": [v for _, v in winds]}
    return node("wind", fields, grid, times, source="built-in sea, weather model")


def see_waves(weather: Weather, times: Sequence[np.datetime64] | np.ndarray) -> xr.Dataset:
    """Node `waves`."""
    grid = make_grid(SHOWN, WEATHER_STEP)
    ashore = on_land(grid)
    fields = [np.where(ashore, np.nan, wave_height(weather, *plane(grid), time)) for time in times]
    return node("waves", {"hs": fields}, grid, times, source="built-in sea, wave model")


def see_depth() -> xr.Dataset:
    """Node `depth`: whole metres."""
    grid = make_grid(SHOWN, IMAGE_STEP)
    return node("depth", {"depth": floor_depth(grid)}, grid, source="built-in sea, sea floor")
