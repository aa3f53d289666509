"""Temperature breaks in one picture of the sea.

The slope of temperature is fitted locally (`searcher.kernels.gradient`), its ridges are traced to a fraction
of a cell, and each line is given its step, strength and warm side. What counts as an edge is set in °C/km
and raised where the picture itself is noisy.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
import xarray as xr

from searcher.fronts.trace import ridge_lines
from searcher.geo import compass_point, line_length, normals
from searcher.kernels.gradient import fit_planes
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Grid, sample_field
from searcher.sea import grid_of
from searcher.tables import TEMPERATURE_BREAK

KM = 1000.0
#: slopes that keep a line going and that make one, °C/m (common practice in front maps, from memory:
#: 0.01-0.05 °C/km keeps, 0.05-0.1 °C/km makes)
LOW, HIGH = 0.03 / KM, 0.06 / KM
#: multiples of the slope's own noise below which nothing is believed; for a Rayleigh-distributed length of
#: the gradient 3 and 5 sigma are passed by chance at 1 % and 0.0004 % of nodes
NOISE_LOW, NOISE_HIGH = 3.0, 5.0
#: smoothing: at least this many metres and this many cells
SMOOTHING, SMOOTHING_CELLS = 3.0 * KM, 1.5
LEAST_LENGTH = 8.0 * KM
#: positions of satellite pixels are good to about a kilometre (from memory)
GEOLOCATION = 1.0 * KM


def slope_of(field: np.ndarray, lat: np.ndarray, grid: Grid, *, smoothing: float = SMOOTHING):
    """Smoothed value, slope east, slope north (per m), and the smoothing used (m), of a (lat, lon) field."""
    east, north = metres_between(lat, grid)
    sigma = max(smoothing, SMOOTHING_CELLS * float(np.sqrt(east.mean() * north.mean())))
    return *fit_planes(np.ascontiguousarray(field, dtype=np.float64), east, north, sigma), sigma


def metres_between(lat: np.ndarray, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Metres between neighbouring nodes along and across each row."""
    per_lon, per_lat = row_metrics(np.ascontiguousarray(lat, dtype=np.float64))
    return per_lon * grid.dlon, per_lat * grid.dlat


def noise_of(field: np.ndarray) -> float:
    """Standard deviation of a picture's pixel noise; 0 where too little is clear to tell.

    The difference of two Laplacians (Immerkær 1996, Comput. Vis. Image Underst. 64:300-302), with the
    median in place of the mean so that fronts do not count as noise.
    """
    second = field[:, :-2] - 2.0 * field[:, 1:-1] + field[:, 2:]
    mixed = second[:-2] - 2.0 * second[1:-1] + second[2:]
    clear = np.abs(mixed[np.isfinite(mixed)])
    # 6 = root of the sum of squares of the weights; 0.6745 = median of |N(0, 1)|
    return float(np.median(clear) / (6.0 * 0.6745)) if clear.size > 50 else 0.0


def slope_noise(pixel_noise: float, cell: float, sigma: float) -> float:
    """Noise of one component of the slope (per m) after the fit: noise·cell / (sqrt(8π) sigma²).

    The variance of a derivative-of-Gaussian filter over white noise, from ∫(x/σ² G)² = 1/(8πσ⁴).
    """
    return pixel_noise * cell / (math.sqrt(8.0 * math.pi) * sigma**2)


def find_temperature_breaks(picture: xr.DataArray, *, smoothing: float = SMOOTHING) -> list[dict]:
    """Temperature breaks in one picture of sst (lat, lon), °C: a list of rows for the fronts table.

    Each has `geometry` (drawn so that the warm water lies on its left), `kind`, `strength` (median slope,
    °C/m), `step` (°C across), `length` (m), `warm_side`, and `doubt` (1-sigma position error, m).
    """
    grid = grid_of(picture.to_dataset(name="sst"))
    lat = picture["lat"].values
    field = picture.values.astype(np.float64)
    value, slope_x, slope_y, sigma = slope_of(field, lat, grid, smoothing=smoothing)
    slope = np.hypot(slope_x, slope_y)
    east, north = metres_between(lat, grid)
    cell = float(np.sqrt(east.mean() * north.mean()))
    noise = slope_noise(noise_of(field), cell, sigma)
    safe = np.where(slope > 0, slope, np.nan)
    lines = ridge_lines(
        slope,
        slope_x / safe,
        slope_y / safe,
        east=east,
        north=north,
        grid=grid,
        low=max(LOW, NOISE_LOW * noise),
        high=max(HIGH, NOISE_HIGH * noise),
        least_length=LEAST_LENGTH,
        scale=sigma,
        noise=noise,
    )
    doubt = math.hypot(0.5 * cell, GEOLOCATION)
    return [
        describe_break(line, value, slope_x, slope_y, grid=grid, reach=2.5 * sigma) | {"doubt": doubt}
        for line in lines
    ]


def describe_break(
    line: shapely.LineString,
    value: np.ndarray,
    slope_x: np.ndarray,
    slope_y: np.ndarray,
    *,
    grid: Grid,
    reach: float,
) -> dict:
    """Strength, step and warm side of one line; the step is read `reach` metres to either side of it."""
    xy = shapely.get_coordinates(line)
    lon, lat = np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1])
    gx, gy = sample_field(slope_x, grid, lon, lat), sample_field(slope_y, grid, lon, lat)
    size = np.hypot(gx, gy)
    per_lon, per_lat = row_metrics(lat)
    dlon, dlat = gx / size * reach / per_lon, gy / size * reach / per_lat
    across = sample_field(value, grid, lon + dlon, lat + dlat) - sample_field(
        value, grid, lon - dlon, lat - dlat
    )
    warm_on_left = np.nansum(normals(xy) * np.column_stack([gx, gy])) >= 0.0
    known = across[np.isfinite(across)]
    step = float(np.median(known)) if known.size else float(np.nanmedian(size)) * 2 * reach
    warm = math.degrees(math.atan2(np.nansum(gx), np.nansum(gy))) % 360.0
    return {
        "geometry": line if warm_on_left else line.reverse(),
        "kind": TEMPERATURE_BREAK,
        "strength": float(np.nanmedian(size)),
        "step": step,
        **dict.fromkeys(("strength_doubt", "step_doubt", "width", "confidence"), np.nan),
        "length": line_length(line),
        "warm_side": compass_point(warm),
    }
