"""Fields that are made of others: where weed stands out in an index of it, and how steep the bottom is."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter

from searcher.kernels.sample import Grid
from searcher.sea import metres_between

#: an index of weed is held against its mean over so many metres, and shows weed where it is above that by so
#: many standard deviations
BACKGROUND, WEEDY = 25e3, 4.0
#: the bottom is smoothed over so many metres before its slope is taken
SMOOTH_BOTTOM = 1000.0


def stands_out(index: np.ndarray, grid: Grid) -> np.ndarray:
    """Where a floating algae index (lat, lon) stands out from the water about it: 1, else 0; NaN unseen.

    Indices differ in their zero and their unit, and sun and haze shift them from place to place: what counts
    is the departure from the mean about (as Wang & Hu 2016, Remote Sens. Environ. 183:350-367, take a local
    background off; from memory), in robust standard deviations of such departures.
    """
    clear = np.isfinite(index)
    if not clear.any():
        return np.full(index.shape, np.nan)
    off = np.where(clear, index - mean_about(index, grid, BACKGROUND), np.nan)
    usual = np.nanmedian(off)
    sd = 1.4826 * np.nanmedian(np.abs(off - usual))
    least = max(WEEDY * sd, 1e-9 * float(np.ptp(index[clear])))
    return np.where(clear, (off - usual > least).astype(np.float64), np.nan)


def steepness_of(depth: np.ndarray, grid: Grid) -> np.ndarray:
    """Slope (m per m) of a bottom (lat, lon; m), smoothed over `SMOOTH_BOTTOM`; NaN where it is not known."""
    east, north = _cells(depth, grid)
    up, across = np.gradient(mean_about(depth, grid, SMOOTH_BOTTOM))
    return np.where(np.isfinite(depth), np.hypot(across / east[:, None], up / north[:, None]), np.nan)


def mean_about(field: np.ndarray, grid: Grid, length: float) -> np.ndarray:
    """Mean of what is known of a field (lat, lon) about every node, by a Gaussian of so many metres."""
    east, north = _cells(field, grid)
    sigma = length / abs(float(north.mean())), length / abs(float(east.mean()))
    known = np.isfinite(field)
    parts = (np.where(known, field, 0.0), known)
    total, weight = (gaussian_filter(part.astype(np.float64), sigma, mode="nearest") for part in parts)
    return np.asarray(total / np.maximum(weight, 1e-9))


def _cells(field: np.ndarray, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Metres between the nodes of a field, east and north, row by row."""
    return metres_between(grid.lat0 + grid.dlat * np.arange(field.shape[0]), grid)
