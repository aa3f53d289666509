"""The overturning at temperature fronts that coarse currents leave out.

Across a front in a mixed layer the thermal wind is sheared; turbulence that mixes its momentum down lets the
surface water run from the warm to the dense side (turbulent thermal wind: Gula, Molemaker & McWilliams 2014,
J. Phys. Oceanogr. 44:2617-2643; McWilliams 2017, J. Fluid Mech. 823:391-432), where it sinks and leaves
behind what floats. For a steady layer of depth h, viscosity ν and no stress at top or bottom, the balance
i f w = ν w_zz for the ageostrophic flow w with w_z = -(thermal wind shear) at both ends gives at the surface

    u = -(h / |f|) · g α ∇T · Re[i tanh(q(1+i)) / (2 q (1+i))],    q = h / (2 √(2ν/|f|)).

The last factor is at most 0.21, at q = 1.13, and more than half of that from q = 0.6 to 2.4: what turbulence
can do hangs little on how strong it is, so its greatest value is taken. Salt is not known and left out.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike
from scipy.ndimage import gaussian_filter

from searcher.carry import Drift
from searcher.gridded import at_moments, smoothed
from searcher.kernels.sample import Flow, Grid, sample_field, sample_vectors
from searcher.sea import grid_of, metres_between, to_seconds

#: m/s²; 1/°C, of sea water near 24 °C (from memory)
GRAVITY, EXPANSION = 9.81, 2.9e-4
#: depth of the mixed layer, m: a summer's, 10-30 m (from memory)
LAYER = 15.0
#: angular speed of the Earth, 1/s; nearer the equator than this (degrees) the balance does not hold
EARTH, LEAST_LATITUDE = 7.292e-5, 10.0
#: the map of the temperature is smoothed so far before its slope is taken, m
SMOOTHING = 3000.0
#: slopes are used where so much of what they are taken from was seen
CLEAR = 0.8
#: the map is carried to hours so far apart, s, and so far back: fronts do not last
EVERY, LASTS = 6 * 3600.0, 48 * 3600.0


def mixing_factor(q: ArrayLike) -> np.ndarray:
    """Re[i tanh(q(1+i)) / (2 q (1+i))]: q²/3 for small q, 1/(4 q) for large."""
    x = (1.0 + 1.0j) * np.asarray(q, np.float64)
    return np.real(0.5j * np.tanh(x) / x)


#: the greatest value of `mixing_factor`
MIXING = float(mixing_factor(np.linspace(0.5, 2.0, 301)).max())


def mobility(lat: np.ndarray, *, layer: float = LAYER) -> np.ndarray:
    """Speed towards the dense side per slope of temperature, m/s per °C/m, at latitudes (degrees)."""
    f = 2.0 * EARTH * np.sin(np.radians(np.maximum(np.abs(lat), LEAST_LATITUDE)))
    return MIXING * GRAVITY * EXPANSION * layer / f


def slopes(
    field: np.ndarray, lat: np.ndarray, grid: Grid, *, smoothing: float = SMOOTHING
) -> tuple[np.ndarray, np.ndarray]:
    """Slope east and north (°C/m) of a smoothed map (lat, lon); 0 beside what was not seen."""
    east, north = metres_between(lat, grid)
    sigma = smoothing / north.mean(), smoothing / east.mean()
    smooth, weight = smoothed(field, sigma)
    along_north, along_east = np.gradient(smooth)
    clear = gaussian_filter((weight >= CLEAR).astype(np.float64), sigma) * (weight >= CLEAR)
    return clear * along_east / east[:, None], clear * along_north / north[:, None]


def surface_at(
    surface: xr.Dataset, drift: Drift, lon: np.ndarray, lat: np.ndarray, time: float
) -> np.ndarray:
    """The map of the temperature (node `surface`) on a grid at another hour, carried by the currents."""
    x, y = np.meshgrid(lon, lat)
    home_x, home_y, known = drift.follow(x, y, time, float(to_seconds(surface["time"].values[0])))
    field = np.ascontiguousarray(surface["sst"].values[0], dtype=np.float64)
    value = sample_field(field, grid_of(surface), home_x.ravel(), home_y.ravel()).reshape(x.shape)
    return np.where(known, value, np.nan)


def with_fronts(
    currents: Flow,
    surface: xr.Dataset,
    drift: Drift,
    *,
    start: float,
    at: float,
    lon: np.ndarray,
    lat: np.ndarray,
    layer: float = LAYER,
    smoothing: float = SMOOTHING,
) -> Flow:
    """The currents and the overturning at the fronts of a map, on a finer grid, over the hours before `at`.

    lon, lat: axes of the grid, even, degrees. start, at: s since `sea.EPOCH`. The map is carried to each hour
    by the currents, so that fronts and what floats move together; none are laid on more than `LASTS` before.
    """
    within = currents.t[(currents.t > start) & (currents.t < at)]
    times = np.unique(np.concatenate([[start], within, [at]]))
    grid = Grid(float(lon[0]), float(lon[1] - lon[0]), float(lat[0]), float(lat[1] - lat[0]))
    x, y = (values.ravel() for values in np.meshgrid(lon, lat))
    shape = times.size, lat.size, lon.size
    sampled = [sample_vectors(currents, np.full(x.size, time), x, y) for time in times]
    u, v = (np.array([pair[k] for pair in sampled]).reshape(shape) for k in (0, 1))
    speed = mobility(lat, layer=layer)[:, None]
    hours = at - EVERY * np.arange(int(min(LASTS, at - start) / EVERY) + 1)[::-1]
    fronts = np.array(
        [slopes(surface_at(surface, drift, lon, lat, hour), lat, grid, smoothing=smoothing) for hour in hours]
    )
    for k, time in enumerate(times):
        if time >= hours[0]:
            east, north = at_moments(fronts, hours, time)
            u[k] -= speed * east
            v[k] -= speed * north
    return Flow(times, u, v, *grid)
