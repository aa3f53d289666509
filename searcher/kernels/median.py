"""The contextual median: spikes go, fronts stay.

Belkin & O'Reilly (2009, J. Mar. Syst. 78:319-326): a node takes the median of its 3 x 3 neighbours only where
it is an extreme among them and not also an extreme of all four slices of five nodes through it (along a row,
a column and both diagonals), since then it may be the tip of a real feature.
"""

import math

import numpy as np

from searcher.kernels.compiled import inner, kernel
from searcher.kernels.lanes import COUNT, any_less, less, load, more, spread, store, where_less
from searcher.threads import in_threads

#: nodes of a tile, worked through by one thread while it is in the processor's cache
TILE_ROWS, TILE_COLUMNS = 64, 512
#: an extreme among fewer known nodes than this, itself included, is left as it is
LEAST_KNOWN = 5

ZERO = np.float32(0.0)
INFINITE = np.float32(math.inf)
LARGEST = np.finfo(np.float32).max


@inner()
def _slice(window, at, step):
    """Greatest and least of the four nodes around those from `at` on, `step` apart; and of the two within."""
    a, b = load(window, at - step), load(window, at + step)
    high, low = more(a, more(b, spread(-INFINITE))), less(a, less(b, spread(INFINITE)))
    a, b = load(window, at - 2 * step), load(window, at + 2 * step)
    return more(a, more(b, high)), less(a, less(b, low)), high, low


@inner()
def _sort_three(a, b, c):
    """Least, middle and greatest of three."""
    low, high = less(a, b), more(a, b)
    middle = more(low, c)
    return less(low, c), less(middle, high), more(high, c)


@inner()
def _median_of_nine(a, b, c, d, e, f, g, h, i):
    """The fifth of nine: the median of the greatest of the least, the middle of the middle, and so on."""
    a, b, c = _sort_three(a, b, c)
    d, e, f = _sort_three(d, e, f)
    g, h, i = _sort_three(g, h, i)
    low, high = more(a, more(d, g)), less(c, less(f, i))
    middle = _sort_three(b, e, h)[1]
    return _sort_three(low, middle, high)[1]


@inner()
def _clean(window, width, at):
    """What becomes of the nodes from `at` on; infinite where it is for `_median_around` to say."""
    f = load(window, at)
    top, bottom, high, low = _slice(window, at, 1)
    tip = more(f - top, bottom - f)  # above 0 where f is beyond all of the slice
    for step in (width, width - 1, width + 1):
        top, bottom, inner_high, inner_low = _slice(window, at, step)
        high, low = more(high, inner_high), less(low, inner_low)
        tip = less(tip, more(f - top, bottom - f))
    extreme = more(f - high, low - f)
    below, above = at - width, at + width
    a, b, c = load(window, below - 1), load(window, below), load(window, below + 1)
    d, e = load(window, at - 1), load(window, at + 1)
    g, h, i = load(window, above - 1), load(window, above), load(window, above + 1)
    median = _median_of_nine(a, b, c, d, f, e, g, h, i)
    total = a + b + c + d + e + g + h + i
    median = where_less(total, spread(INFINITE), median, spread(INFINITE))
    zero = spread(ZERO)
    return where_less(zero, extreme, where_less(zero, tip, f, median), f)


@inner()
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
    v = values
    median = _median_of_nine(v[0], v[1], v[2], v[3], v[4], v[5], v[6], v[7], v[8])
    if known % 2 == 0:
        v[last] = -v[last]
        median = (median + _median_of_nine(v[0], v[1], v[2], v[3], v[4], v[5], v[6], v[7], v[8])) / 2
    return median


@inner()
def _load(field, j0, i0, window):
    """Copy a part of a field that begins at row j0 and column i0; NaN outside it."""
    rows, columns = window.shape
    first, last = max(i0, 0), min(i0 + columns, field.shape[1])
    for r in range(rows):
        for i in range(columns):
            window[r, i] = math.nan
        if 0 <= j0 + r < field.shape[0]:
            row, copy = field[j0 + r, first:last], window[r, first - i0 :]
            for i in range(row.size):
                copy[i] = row[i]


@kernel()
def _clean_tiles(field, first, last, out):
    """Fill some tiles of `out`."""
    ny, nx = field.shape
    across = (nx + TILE_COLUMNS - 1) // TILE_COLUMNS
    values = np.empty(9, np.float32)
    width = min(TILE_COLUMNS, (nx + COUNT - 1) // COUNT * COUNT) + 4
    cleaned = np.empty(width, np.float32)
    flat = np.empty((TILE_ROWS + 4) * width, np.float32)
    window = flat.reshape(TILE_ROWS + 4, width)
    for t in range(first, last):
        j0, i0 = t // across * TILE_ROWS, t % across * TILE_COLUMNS
        rows, columns = min(TILE_ROWS, ny - j0), min(TILE_COLUMNS, nx - i0)
        _load(field, j0 - 2, i0 - 2, window)
        for r in range(rows):
            for c in range(0, columns, COUNT):
                found = _clean(flat, width, (r + 2) * width + 2 + c)
                store(cleaned, c, found)
                if any_less(spread(LARGEST), found):
                    for i in range(c, min(c + COUNT, columns)):
                        if cleaned[i] == INFINITE:
                            cleaned[i] = _median_around(window, r + 2, i + 2, values)
            row = out[j0 + r, i0 : i0 + columns]
            for i in range(columns):
                row[i] = cleaned[i]


def contextual_median(field):
    """A float32 field (lat, lon) without its spikes; NaN stays NaN and is left out of every median."""
    field = np.require(field, np.float32, ["C", "W"])  # another kind of array would be compiled for anew
    out = np.empty_like(field)
    tiles = math.ceil(field.shape[0] / TILE_ROWS) * math.ceil(field.shape[1] / TILE_COLUMNS)
    in_threads(lambda first, last: _clean_tiles(field, first, last, out), tiles)
    return out
