"""Values of gridded fields between their hours and nodes, and fields with gaps made smooth."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from searcher.kernels.sample import Grid, sample_field

#: a field is seen at a place where at least this share of the cells around was
LEAST_CLEAR = 0.5
#: what is known around a node counts for so much at least where a mean is made of it
NEAR = 1e-6


def hours_around(times: np.ndarray, moments: ArrayLike) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Which of some ascending times lies before each moment, which after, and the share of the way between.

    Before the first time and after the last that one stands for both, as each does for its own moment. What
    `searcher.kernels.sample.moment_of` is within kernels.
    """
    moments = np.clip(moments, times[0], times[-1])
    before = np.searchsorted(times, moments, side="right") - 1
    after = np.searchsorted(times, moments)
    span = np.where(after > before, times[after] - times[before], 1.0)
    return before, after, (moments - times[before]) / span


def at_moments(fields: np.ndarray, times: np.ndarray, moments: ArrayLike) -> np.ndarray:
    """Fields (time, ...) of some ascending times (s) at other moments, linear between, held at both ends.

    moments: one, (...) out, or (n,), (n, ...) out. A node is missing where it is at either of the two hours
    around; at one of the times themselves only that counts. (Where steps are made even, in
    `searcher.sources.axes`, gaps must not grow: there a missing neighbour lends its weight to the other.)
    """
    before, after, share = hours_around(times, moments)
    share = share.reshape(share.shape + (1,) * (fields.ndim - 1))
    return np.asarray((1.0 - share) * fields[before] + share * fields[after])


def look_at(field: np.ndarray, grid: Grid, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Values of a field (lat, lon) at places (n,), bilinear; NaN where it is mostly missing around."""
    field = np.ascontiguousarray(field, dtype=np.float64)
    value = sample_field(field, grid, lon, lat)
    clear = sample_field(np.isfinite(field).astype(np.float64), grid, lon, lat)
    return np.where(clear >= LEAST_CLEAR, value, np.nan)


def smoothed(field: np.ndarray, sigma: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Mean of what is known of a field about every node, by a Gaussian of `sigma` cells; and how much is.

    Of the weight of all nodes about, 0..1, that of the known; where that is hardly any the mean means nothing
    (a normalised convolution). At sea `searcher.derived.mean_about` serves, which needs no library.
    """
    from scipy.ndimage import gaussian_filter  # not needed at sea, so not loaded there

    known = np.isfinite(field)
    weight = gaussian_filter(known.astype(np.float64), sigma)
    total = gaussian_filter(np.where(known, field, 0.0).astype(np.float64), sigma)
    return total / np.maximum(weight, NEAR), weight
