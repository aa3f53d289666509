"""The contextual median: spikes go, fronts stay.

Belkin & O'Reilly (2009, J. Mar. Syst. 78:319-326): a node takes the median of its 3 x 3 neighbours only where it
is an extreme among them and not also an extreme of all four slices of five nodes through it (along a row, a
column and both diagonals), since then it may be the tip of a real feature.
"""

import math

import numpy as np
from numba import njit, prange


@njit(cache=True)
def _is_extreme(field, j, i, dj, di, reach):
    """Whether a node is the greatest or the least of the known nodes up to `reach` steps either way."""
    centre = field[j, i]
    greatest = least = True
    for k in range(-reach, reach + 1):
        y = j + k * dj
        x = i + k * di
        if k == 0 or not (0 <= y < field.shape[0] and 0 <= x < field.shape[1]):
            continue
        value = field[y, x]
        if value >= centre:  # false for NaN
            greatest = False
        if value <= centre:
            least = False
    return greatest or least


@njit(cache=True)
def _is_extreme_of_nine(field, j, i):
    """Whether a node is the greatest or the least of its known 3 x 3 neighbours, and how many there are."""
    centre = field[j, i]
    greatest = least = True
    known = 0
    for y in range(max(j - 1, 0), min(j + 2, field.shape[0])):
        for x in range(max(i - 1, 0), min(i + 2, field.shape[1])):
            value = field[y, x]
            if value == value:
                known += 1
                if (y != j or x != i) and value >= centre:
                    greatest = False
                if (y != j or x != i) and value <= centre:
                    least = False
    return (greatest or least), known


@njit(parallel=True, cache=True)
def contextual_median(field):
    """The field (lat, lon) without its spikes, float32; NaN stays NaN and is left out of every median."""
    ny, nx = field.shape
    out = np.empty((ny, nx), np.float32)
    for j in prange(ny):
        values = np.empty(9)
        for i in range(nx):
            out[j, i] = field[j, i]
            if math.isnan(field[j, i]):
                continue
            extreme, known = _is_extreme_of_nine(field, j, i)
            if not extreme or known < 5:
                continue
            if (
                _is_extreme(field, j, i, 0, 1, 2)
                and _is_extreme(field, j, i, 1, 0, 2)
                and _is_extreme(field, j, i, 1, 1, 2)
                and _is_extreme(field, j, i, 1, -1, 2)
            ):
                continue
            n = 0
            for y in range(max(j - 1, 0), min(j + 2, ny)):
                for x in range(max(i - 1, 0), min(i + 2, nx)):
                    if field[y, x] == field[y, x]:
                        values[n] = field[y, x]
                        n += 1
            out[j, i] = np.median(values[:n])
    return out
