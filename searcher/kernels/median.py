"""The contextual median: spikes go, fronts stay.

Belkin & O'Reilly (2009, J. Mar. Syst. 78:319-326): a node takes the median of its 3 x 3 neighbours only where
it is an extreme among them and not also an extreme of all four slices of five nodes through it (along a row,
a column and both diagonals), since then it may be the tip of a real feature.
"""

import math

import numpy as np
from numba import njit

from searcher.threads import in_threads

#: nodes of a tile, worked through by one thread while it is in the processor's cache
TILE_ROWS, TILE_COLUMNS = 64, 512
#: an extreme among fewer known nodes than this, itself included, is left as it is
LEAST_KNOWN = 5


@njit(cache=True, error_model="numpy")
def _find_spikes(window, r, spikes):
    """Mark the nodes of one row of a window, two nodes in from its sides, that a median should replace."""
    s, b, c, a, n = window[r - 2], window[r - 1], window[r], window[r + 1], window[r + 2]
    for k in range(spikes.size):
        i = k + 2
        f = c[i]
        # whether any of a slice's inner and outer nodes is at least, or at most, this one: false for NaN
        east = (c[i + 1] >= f) | (c[i - 1] >= f)
        north = (a[i] >= f) | (b[i] >= f)
        rising = (a[i + 1] >= f) | (b[i - 1] >= f)
        falling = (a[i - 1] >= f) | (b[i + 1] >= f)
        greatest = not (east | north | rising | falling)
        top_east = not (east | (c[i + 2] >= f) | (c[i - 2] >= f))
        top_north = not (north | (n[i] >= f) | (s[i] >= f))
        top_rising = not (rising | (n[i + 2] >= f) | (s[i - 2] >= f))
        top_falling = not (falling | (n[i - 2] >= f) | (s[i + 2] >= f))
        east = (c[i + 1] <= f) | (c[i - 1] <= f)
        north = (a[i] <= f) | (b[i] <= f)
        rising = (a[i + 1] <= f) | (b[i - 1] <= f)
        falling = (a[i - 1] <= f) | (b[i + 1] <= f)
        least = not (east | north | rising | falling)
        top_east |= not (east | (c[i + 2] <= f) | (c[i - 2] <= f))
        top_north |= not (north | (n[i] <= f) | (s[i] <= f))
        top_rising |= not (rising | (n[i + 2] <= f) | (s[i - 2] <= f))
        top_falling |= not (falling | (n[i - 2] <= f) | (s[i + 2] <= f))
        tip = top_east & top_north & top_rising & top_falling
        spikes[k] = (f == f) & (greatest | least) & (not tip)


@njit(cache=True, error_model="numpy")
def _sort_three(a, b, c):
    """Least, middle and greatest of three numbers, without a branch."""
    low = a if a < b else b
    high = b if a < b else a
    middle = c if low < c else low
    return c if c < low else low, middle if middle < high else high, c if c > high else high


@njit(cache=True, error_model="numpy")
def _median_of_nine(v):
    """The fifth of nine: the median of the greatest of the least, the middle of the middle, and so on."""
    a0, a1, a2 = _sort_three(v[0], v[1], v[2])
    b0, b1, b2 = _sort_three(v[3], v[4], v[5])
    c0, c1, c2 = _sort_three(v[6], v[7], v[8])
    low = _sort_three(a0, b0, c0)[2]
    middle = _sort_three(a1, b1, c1)[1]
    high = _sort_three(a2, b2, c2)[0]
    return _sort_three(low, middle, high)[1]


@njit(cache=True, error_model="numpy")
def _median_around(window, r, i, values):
    """Median of the known among the 3 x 3 nodes around one; NaN where they are fewer than `LEAST_KNOWN`."""
    # missing values count as plus and minus infinity in turn, which leaves the middle in the middle
    filling = math.inf
    known = last = 0
    for k in range(9):
        f = window[r + k // 3 - 1, i + k % 3 - 1]
        if f == f:
            known += 1
            values[k] = f
        else:
            values[k] = filling
            filling = -filling
            last = k
    if known < LEAST_KNOWN:
        return window[r, i]
    median = _median_of_nine(values)
    if known % 2 == 0:
        values[last] = -values[last]
        median = (median + _median_of_nine(values)) / 2
    return median


@njit(cache=True, error_model="numpy")
def _clean_tile(field, j0, i0, out):
    """Fill one tile of `out`, which begins at row j0 and column i0."""
    ny, nx = field.shape
    rows, columns = min(TILE_ROWS, ny - j0), min(TILE_COLUMNS, nx - i0)
    window = np.empty((rows + 4, columns + 4), field.dtype)
    first, last = max(i0 - 2, 0), min(i0 + columns + 2, nx)
    for r in range(rows + 4):
        copy = window[r]
        for i in range(columns + 4):
            copy[i] = math.nan
        if 0 <= j0 + r - 2 < ny:
            row = field[j0 + r - 2, first:last]
            copy = copy[first - i0 + 2 :]
            for i in range(row.size):
                copy[i] = row[i]
    spikes = np.empty(columns, np.bool_)
    found = np.empty(columns, np.int64)
    values = np.empty(9, field.dtype)
    for r in range(rows):
        _find_spikes(window, r + 2, spikes)
        row, copy = out[j0 + r, i0 : i0 + columns], window[r + 2, 2:]
        for i in range(columns):
            row[i] = copy[i]
        # listed without a branch, which no processor could foresee
        n = 0
        for i in range(columns):
            found[n] = i
            n += spikes[i]
        for k in range(n):
            row[found[k]] = _median_around(window, r + 2, found[k] + 2, values)


@njit(nogil=True, cache=True, error_model="numpy")
def _clean_tiles(field, first, last, out):
    """Fill some tiles of `out`."""
    across = (field.shape[1] + TILE_COLUMNS - 1) // TILE_COLUMNS
    for t in range(first, last):
        _clean_tile(field, t // across * TILE_ROWS, t % across * TILE_COLUMNS, out)


def contextual_median(field):
    """A float32 field (lat, lon) without its spikes; NaN stays NaN and is left out of every median."""
    field = np.require(field, np.float32, ["C", "W"])  # another kind of array would be compiled for anew
    out = np.empty_like(field)
    tiles = math.ceil(field.shape[0] / TILE_ROWS) * math.ceil(field.shape[1] / TILE_COLUMNS)
    in_threads(lambda first, last: _clean_tiles(field, first, last, out), tiles)
    return out
