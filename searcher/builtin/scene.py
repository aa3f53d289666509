"""The place and the hours of the built-in sea: grids, distance from the real coast, and the sea floor.

The model runs on a grid wider than what is shown, so that the open edges stay out of sight. Everything that
happens in it is invented; only the coast is real.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import shapely
from scipy import ndimage
from scipy.interpolate import PchipInterpolator

from searcher.geo import GEOD, Place, Region, land

SHOWN = Region(152.0, -32.0, 156.0, -29.0)
MODELLED = Region(151.625, -32.625, 156.625, -28.5)
CENTRE = Place(154.0, -30.5)
PORT_NAME = "Wirrin Harbour"
PORT = Place(153.0795, -30.405)
SEA_BUOY = Place(153.108, -30.408)

MODEL_STEP = 1 / 64  # degrees, 1.5 km east and 1.7 km north
IMAGE_STEP = 0.02
CURRENT_STEP = 0.06
COLOR_STEP = 0.04
WEATHER_STEP = 0.25

HOUR = np.timedelta64(1, "h")
START = np.datetime64("2026-01-09T12:00", "ns")  # the fields start undisturbed here
RELEASE = np.datetime64("2026-01-12T18:00", "ns")  # the first floating matter
FIRST_IMAGE = np.datetime64("2026-01-14T00:00", "ns")
TRIP_DAY = np.datetime64("2026-01-16T12:00", "ns")  # the last image, and where the kept truth begins
LEAVE = np.datetime64("2026-01-16T18:00", "ns")  # 05:00 on the 17th in Sydney
TRIP_DAY_END = np.datetime64("2026-01-17T12:00", "ns")
END = np.datetime64("2026-01-18T00:00", "ns")

#: Depth against distance from the coast, both in metres: shelf, edge, steep slope, abyssal plain.
FLOOR = PchipInterpolator(
    [0.0, 3e3, 12e3, 25e3, 34e3, 42e3, 55e3, 80e3, 150e3, 500e3],
    [2.0, 28.0, 62.0, 120.0, 200.0, 800.0, 2200.0, 3900.0, 4500.0, 4750.0],
)
#: Canyons: latitude, half-width (m), how far the slope is cut back towards the coast (m).
CANYONS = ((-30.12, 4.5e3, 9e3), (-31.25, 5.5e3, 12e3))
#: The seamount: longitude, latitude, radius (m), height (m).
SEAMOUNT = (155.35, -30.35, 14e3, 3700.0)


class Grid2D(NamedTuple):
    """A model grid: node longitudes and latitudes, and metres per degree east and north in each row."""

    lon: np.ndarray
    lat: np.ndarray
    per_lon: np.ndarray
    per_lat: np.ndarray

    @property
    def shape(self) -> tuple[int, int]:
        return self.lat.size, self.lon.size


def make_grid(region: Region, step: float) -> Grid2D:
    """Nodes from the south-west corner of a region, `step` degrees apart both ways."""
    lon = region.west + step * np.arange(round((region.east - region.west) / step) + 1)
    lat = region.south + step * np.arange(round((region.north - region.south) / step) + 1)
    small = 1e-3
    west = np.full(lat.size, CENTRE.lon)
    east = GEOD.inv(west, lat, west + small, lat)[2] / small
    north = GEOD.inv(west, lat - small / 2, west, lat + small / 2)[2] / small
    return Grid2D(lon, lat, east, north)


def model_grid() -> Grid2D:
    """The grid the truth is computed on."""
    return make_grid(MODELLED, MODEL_STEP)


def plane(grid: Grid2D) -> tuple[np.ndarray, np.ndarray]:
    """Metres east of and north of `CENTRE` along the two axes (one scale for all rows)."""
    middle = np.abs(grid.lat - CENTRE.lat).argmin()
    return (grid.lon - CENTRE.lon) * grid.per_lon[middle], (grid.lat - CENTRE.lat) * grid.per_lat[middle]


def on_land(grid: Grid2D) -> np.ndarray:
    """Whether each node lies on land, shape (lat, lon)."""
    shore = land(Region(150.5, -33.5, 157.5, -27.5))
    shapely.prepare(shore)
    lon, lat = np.meshgrid(grid.lon, grid.lat)
    return shapely.contains_xy(shore, lon, lat)


@lru_cache(maxsize=1)
def coast_distance() -> np.ndarray:
    """Metres to the coast from each model node, negative inland; good to about half a cell. Read-only."""
    grid = model_grid()
    ashore = on_land(grid)
    cell = (grid.per_lat.mean() * MODEL_STEP, grid.per_lon.mean() * MODEL_STEP)
    outside = ndimage.distance_transform_edt(~ashore, sampling=cell)
    inside = ndimage.distance_transform_edt(ashore, sampling=cell)
    signed = outside - inside
    signed.flags.writeable = False
    return signed


def at_nodes(field: np.ndarray, grid: Grid2D) -> np.ndarray:
    """A model field sampled at the nodes of another grid, shape (lat, lon)."""
    rows = (grid.lat - MODELLED.south) / MODEL_STEP
    columns = (grid.lon - MODELLED.west) / MODEL_STEP
    where = np.meshgrid(rows, columns, indexing="ij")
    return ndimage.map_coordinates(field, where, order=1, mode="nearest")


def floor_depth(grid: Grid2D) -> np.ndarray:
    """Depth of the sea floor in whole metres, positive down, NaN on land, shape (lat, lon)."""
    offshore = np.maximum(at_nodes(coast_distance(), grid), 0.0)
    east, north = plane(grid)
    cut = np.zeros_like(offshore)
    for latitude, half_width, reach in CANYONS:
        along = north - (latitude - CENTRE.lat) * grid.per_lat.mean()
        shape = np.exp(-0.5 * (along / half_width) ** 2)[:, None]
        cut += reach * shape * np.exp(-0.5 * ((offshore - 42e3) / 11e3) ** 2)
    depth = FLOOR(offshore + cut)
    lon, lat, radius, height = SEAMOUNT
    x = east - (lon - CENTRE.lon) * grid.per_lon.mean()
    y = north - (lat - CENTRE.lat) * grid.per_lat.mean()
    depth -= height * np.exp(-0.5 * (x[None, :] ** 2 + y[:, None] ** 2) / radius**2)
    return np.where(on_land(grid), np.nan, np.maximum(np.round(depth), 2.0))
