"""Fields that are made of others: where weed stands out in an index of it, and how steep the bottom is."""

from __future__ import annotations

import numpy as np

from searcher.kernels.sample import Grid
from searcher.sea import metres_between

#: an index of weed is held against its mean over so many metres, and shows weed where it is above that by so
#: many standard deviations
BACKGROUND, WEEDY = 25e3, 4.0
#: the bottom is smoothed over so many metres before its slope is taken
SMOOTH_BOTTOM = 1000.0
#: what is known counts for so much at least where a mean is made of it; a node itself counts 1
NEAR = 1e-9


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
    """Mean of what is known of a field (lat, lon) about every node, by a Gaussian of so many metres.

    NaN where nothing near is known. As products of matrices, for which no library has to be loaded at sea.
    """
    east, north = _cells(field, grid)
    along_lat, along_lon = (
        _gaussian(count, length / abs(float(cell.mean())))
        for count, cell in zip(field.shape, (north, east), strict=True)
    )
    known = np.isfinite(field)
    total, weight = (along_lat @ part @ along_lon for part in (np.where(known, field, 0.0), known * 1.0))
    return np.where(weight > NEAR, total / np.maximum(weight, NEAR), np.nan)


def _gaussian(count: int, sigma: float) -> np.ndarray:
    """What each of so many nodes counts for at each other, sigma in nodes: (count, count)."""
    node = np.arange(count)
    return np.asarray(np.exp(-0.5 * (np.subtract.outer(node, node) / sigma) ** 2))


def _cells(field: np.ndarray, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Metres between the nodes of a field, east and north, row by row."""
    return metres_between(grid.lat0 + grid.dlat * np.arange(field.shape[0]), grid)
