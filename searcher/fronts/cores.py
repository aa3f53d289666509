"""Attracting cores and curves of one hour of currents, and its rates in units of the Earth's rotation.

A core is a place where water is squeezed hardest: a minimum of s1, the smallest eigenvalue of the rate of
strain. What floats is drawn to the curve through it along the other eigenvector, for as long as the
attraction there is a good share of the core's (objective Eulerian coherent structures: Serra & Haller 2016,
Chaos 26:053110; Serra et al. 2020, Nat. Commun. 11:2525, for search and rescue). Neither moves when a turning
or drifting frame is added. Unlike the lines of `searcher.fronts.convergence`, curves are drawn whether the
flow converges or not: a saddle without convergence lines matter up, but brings no more of it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
import xarray as xr
from scipy.ndimage import maximum_filter

from searcher.fronts.convergence import CORE, KEEP
from searcher.geo import line_length
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import sample_field
from searcher.sea import grid_of

#: angular speed of the Earth, 1/s; nearer the equator than this (degrees) f says nothing
EARTH, LEAST_LATITUDE = 7.2921e-5, 2.0
#: a curve is followed in steps of so many cells, and so many of them either way at most
STRIDE, MOST_STRIDES = 0.25, 400


def over_rotation(field: xr.Dataset) -> xr.Dataset:
    """Rates of `attraction` (1/s) in units of the local f = 2Ω sin φ: 1 is as fast as the Earth turns.

    Vorticity over f is the Rossby number, positive in cyclones of either hemisphere; the others are over |f|.
    NaN within `LEAST_LATITUDE` degrees of the equator.
    """
    lat = field["lat"]
    turn = 2.0 * EARTH * np.sin(np.radians(lat))
    f = turn.where(np.abs(lat) >= LEAST_LATITUDE)  # type: ignore[attr-defined]  # it is still a DataArray
    rates = field[["divergence", "vorticity", "attraction"]] / np.abs(f)
    return rates.assign(vorticity=rates["vorticity"] * np.sign(f))


def find_cores(field: xr.Dataset, *, least: float = CORE) -> list[dict[str, Any]]:
    """Attracting cores of a field of `attraction`, the strongest first: `geometry` (Point), `rate` (1/s).

    A node no weaker than all eight around it, and at least `least`. Of nodes that are level the first counts.
    """
    rate = field["attraction"].values
    known = np.where(np.isfinite(rate), rate, -np.inf)
    top = (known == maximum_filter(known, size=3, mode="nearest")) & (known >= least)
    rows, columns = np.nonzero(top)
    cores, taken = [], np.zeros(rate.shape, bool)
    for k in np.argsort(-known[rows, columns], kind="stable"):
        j, i = rows[k], columns[k]
        if not taken[max(j - 1, 0) : j + 2, max(i - 1, 0) : i + 2].any():
            place = shapely.Point(float(field["lon"].values[i]), float(field["lat"].values[j]))
            cores.append({"geometry": place, "rate": float(rate[j, i])})
        taken[j, i] = True
    return cores


def find_curves(field: xr.Dataset, *, least: float = CORE, keep: float = KEEP) -> list[dict[str, Any]]:
    """The attracting curve through every core: rows of `find_cores` with a LineString and its `length` (m).

    Followed both ways across the direction of strongest squeezing, by the midpoint rule, while the attraction
    is at least `keep` of the core's. Of curves that would run along a stronger one only the stronger is kept.
    """
    grid = grid_of(field)
    cell = min(abs(grid.dlon), abs(grid.dlat))
    curves: list[dict[str, Any]] = []
    for core in find_cores(field, least=least):
        if any(shapely.dwithin(curve["geometry"], core["geometry"], cell) for curve in curves):
            continue
        ways = [_follow(field, core, sign, keep=keep) for sign in (-1.0, 1.0)]
        xy = np.concatenate([ways[0][::-1], ways[1][1:]])
        if len(xy) > 1:
            line = shapely.LineString(xy)
            curves.append(core | {"geometry": line, "length": line_length(line)})
    return curves


def _follow(field: xr.Dataset, core: dict[str, Any], sign: float, *, keep: float) -> np.ndarray:
    """Places (n, 2), degrees, from a core along its curve to one side."""
    here = shapely.get_coordinates(core["geometry"])[0]
    x, y = _across(field, here, np.zeros(2))
    ahead = sign * np.array([-y, x])
    places = [here]
    for _ in range(MOST_STRIDES):
        middle = here + 0.5 * _stride(field, here, ahead)
        ahead = _along(field, middle, ahead)
        here = here + _stride(field, middle, ahead)
        rate, *_ = _read(field, here, "attraction")
        if not rate >= keep * core["rate"]:  # false for NaN: land, or the rim of the currents
            break
        places.append(here)
    return np.array(places)


def _stride(field: xr.Dataset, here: np.ndarray, ahead: np.ndarray) -> np.ndarray:
    """One step ahead (metres east and north), in degrees."""
    grid = grid_of(field)
    per_lon, per_lat = (values[0] for values in row_metrics(here[1:].copy()))
    metres = STRIDE * min(abs(grid.dlon) * per_lon, abs(grid.dlat) * per_lat)
    return metres * _along(field, here, ahead) / [per_lon, per_lat]


def _along(field: xr.Dataset, here: np.ndarray, ahead: np.ndarray) -> np.ndarray:
    """Unit vector along the curve at a place, the way it was going."""
    x, y = _across(field, here, ahead)
    along = np.array([-y, x])
    return along if along @ ahead >= 0.0 else -along


def _across(field: xr.Dataset, here: np.ndarray, otherwise: np.ndarray) -> np.ndarray:
    """Unit vector of strongest squeezing, from the tensor, which unlike the vector has no sign to lose."""
    sxx, sxy, syy = _read(field, here, "sxx", "sxy", "syy")
    if not np.isfinite(sxx + sxy + syy):
        return otherwise
    return np.linalg.eigh([[sxx, sxy], [sxy, syy]])[1][:, 0]


def _read(field: xr.Dataset, here: np.ndarray, *names: str) -> list[float]:
    lon, lat = here[:1].copy(), here[1:].copy()
    return [float(sample_field(field[name].values, grid_of(field), lon, lat)[0]) for name in names]
