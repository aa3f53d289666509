"""Slopes of a field with gaps, by local least squares.

At every valid node a plane is fitted to the valid nodes around it, weighted by a Gaussian. Where all nodes
are valid this is the derivative-of-Gaussian filter of Canny (1986, IEEE PAMI 8:679-698); beside a cloud or
the shore it stays exact for a plane, so the margin of a gap makes no edge of its own. (Smoothing around
missing values by scaling the weights alone, as is often done, bends a plane there.)
"""

import math

import numpy as np

from searcher.kernels.compiled import inner
from searcher.kernels.lanes import COUNT, any_less, load, root, spread, store, where_less

#: a fit needs at least this share of the full window's weight, or the slope is missing
LEAST_WEIGHT = 0.4
#: and known nodes spread both ways: least determinant of their moments, as a share of the full window's
LEAST_SPREAD = 1e-3
#: no window reaches further than this many nodes
FARTHEST = 360
#: the mean of a tile, which is taken off it, is that of every so many rows
APART = 8

FAST = {"contract", "arcp", "nsz", "reassoc"}
NAN = np.float32(math.nan)
ONE = np.float32(1.0)
ZERO = np.float32(0.0)
HALF = np.float32(0.5)
INFINITE = np.float32(math.inf)
TWO = np.float32(2.0)


def gaussian_taps(step, sigma):
    """Weights of the nodes 0, 1, 2 ... steps away, and those times the steps and the steps squared.

    step: m between nodes, per row. sigma: m. Returns float32 (rows, 3, 1 + reach): Gaussian weights out to
    three sigma, 0 beyond; reach is that of the widest row.
    """
    reach = np.clip(np.ceil(3.0 * sigma / step), 1, FARTHEST)
    k = np.arange(1 + int(reach.max()))
    weight = np.exp(-0.5 * (k * step[:, None] / sigma) ** 2) * (k <= reach[:, None])
    return np.stack([weight, weight * k, weight * k * k], axis=1).astype(np.float32)


def scale_of(taps_x, taps_y, east, north):
    """What turns sums into slopes, per row: float32 (rows, 6).

    Least weight, least determinant; factors of x and y moments where all is known; metres east and north.
    """
    weight_x, weight_y = (2.0 * taps[:, 0].sum(axis=1) - taps[:, 0, 0] for taps in (taps_x, taps_y))
    spread_x, spread_y = 2.0 * taps_x[:, 2].sum(axis=1) * weight_y, 2.0 * taps_y[:, 2].sum(axis=1) * weight_x
    least = LEAST_WEIGHT * weight_x * weight_y, LEAST_SPREAD * spread_x * spread_y
    columns = *least, 1.0 / (spread_x * east), 1.0 / (spread_y * north), east, north
    return np.stack(columns, axis=1).astype(np.float32)


@inner()
def _room(size):
    """An empty float32 array that begins at a cache line (16 numbers), so that whole lanes do too."""
    room = np.empty(size + 16, np.float32)
    skip = (-(room.ctypes.data // room.itemsize)) % 16
    return room[skip : skip + size]


@inner(fastmath=FAST)
def _level(field, bottom, top, left, right):
    """About the mean of some rows and columns of a field."""
    total = 0.0
    count = 0
    for j in range(bottom, top, APART):
        row = field[j, left:right]
        for i in range(row.size):
            f = row[i]
            total += f if f == f else ZERO
            count += f == f
    return np.float32(total / max(count, 1))


@inner(fastmath=FAST)
def _load(field, j0, i0, width, values, known):
    """A window of a field about its mean, with 0 for gaps, and 1 where it is known; whether anything is."""
    ny, nx = field.shape
    left, right = min(max(i0, 0), nx), min(max(i0 + width, 0), nx)
    bottom, top = min(max(j0, 0), ny), min(max(j0 + values.size // width, 0), ny)
    if (right - left) * (top - bottom) < values.size:
        for k in range(values.size):
            values[k] = known[k] = ZERO
    level = _level(field, bottom, top, left, right)
    mean, zero, one, infinite = spread(level), spread(ZERO), spread(ONE), spread(INFINITE)
    flat = field.reshape(-1)
    whole = (right - left) // COUNT * COUNT
    some = False
    for j in range(bottom, top):
        here, to = j * nx + left, (j - j0) * width + left - i0
        for i in range(0, whole, COUNT):
            f = load(flat, here + i)
            some |= any_less(f, infinite)
            store(values, to + i, where_less(f, infinite, f - mean, zero))
            store(known, to + i, where_less(f, infinite, one, zero))
        for i in range(whole, right - left):
            f = flat[here + i]
            some |= f < INFINITE
            values[to + i] = f - level if f < INFINITE else ZERO
            known[to + i] = ONE if f < INFINITE else ZERO
    return some


@inner(fastmath=FAST)
def _count(hidden, known, row, by):
    """Count the gaps of a row of the window in (by 1) or out (by -1) of those of its columns."""
    for c in range(0, hidden.size, COUNT):
        gaps = spread(ONE) - load(known, row * hidden.size + c)
        store(hidden, c, load(hidden, c) + by * gaps)


@inner(fastmath=FAST)
def _sum_values(values, row, width, taps, j, down):
    """Sums of the values above and below every node of a row: weighted, and also by how far above."""
    for c in range(0, width, COUNT):
        above = below = row * width + c
        f0, fy = taps[j, 0, 0] * load(values, above), spread(ZERO)
        for k in range(1, taps.shape[2]):
            above += width
            below -= width
            a, b = load(values, above), load(values, below)
            f0 += taps[j, 0, k] * (a + b)
            fy += taps[j, 1, k] * (a - b)
        store(down, c, f0)
        store(down, width + c, fy)


@inner(fastmath=FAST)
def _sum_known(known, hidden, row, taps, j, down):
    """The same of what is known, and by the distance squared. hidden: gaps in each column that is summed."""
    width = hidden.size
    weight, spread_y = taps[j, 0, 0], ZERO
    for k in range(1, taps.shape[2]):
        weight += TWO * taps[j, 0, k]
        spread_y += TWO * taps[j, 2, k]
    for c in range(0, width, COUNT):
        s0, sy, syy = spread(weight), spread(ZERO), spread(spread_y)
        if any_less(spread(HALF), load(hidden, c)):
            above = below = row * width + c
            s0, syy = taps[j, 0, 0] * load(known, above), spread(ZERO)
            for k in range(1, taps.shape[2]):
                above += width
                below -= width
                a, b = load(known, above), load(known, below)
                pair = a + b
                s0 += taps[j, 0, k] * pair
                sy += taps[j, 1, k] * (a - b)
                syy += taps[j, 2, k] * pair
        store(down, 2 * width + c, s0)
        store(down, 3 * width + c, sy)
        store(down, 4 * width + c, syy)


@inner(fastmath=FAST)
def _fit_clear(down, at, width, taps, j, scale):
    """Slopes where every node of the window is known: first moments over the spread of the weights."""
    fx, fy = spread(ZERO), taps[j, 0, 0] * load(down, width + at)
    for k in range(1, taps.shape[2]):
        fx += taps[j, 1, k] * (load(down, at + k) - load(down, at - k))
        fy += taps[j, 0, k] * (load(down, width + at + k) + load(down, width + at - k))
    return scale[j, 2] * fx, scale[j, 3] * fy


@inner(fastmath=FAST)
def _fit_gaps(down, at, width, taps, j, scale):
    """Slopes from nine moments, about the centroid of the weights, where the equations are 2 x 2."""
    p = taps[j, 0, 0]
    f0, fy = p * load(down, at), p * load(down, width + at)
    s0, sy, syy = (
        p * load(down, 2 * width + at),
        p * load(down, 3 * width + at),
        p * load(down, 4 * width + at),
    )
    fx = sx = sxy = sxx = spread(ZERO)
    for k in range(1, taps.shape[2]):
        p, q, r = taps[j, 0, k], taps[j, 1, k], taps[j, 2, k]
        right, left = at + k, at - k
        a, b = load(down, right), load(down, left)
        f0 += p * (a + b)
        fx += q * (a - b)
        fy += p * (load(down, width + right) + load(down, width + left))
        a, b = load(down, 2 * width + right), load(down, 2 * width + left)
        pair = a + b
        s0 += p * pair
        sx += q * (a - b)
        sxx += r * pair
        a, b = load(down, 3 * width + right), load(down, 3 * width + left)
        sy += p * (a + b)
        sxy += q * (a - b)
        syy += p * (load(down, 4 * width + right) + load(down, 4 * width + left))
    per = spread(ONE) / s0
    x, y = sx * per, sy * per
    cxx, cxy, cyy = sxx - sx * x, sxy - sx * y, syy - sy * y
    gx, gy = fx - f0 * x, fy - f0 * y
    determinant = cxx * cyy - cxy * cxy
    per = spread(ONE) / determinant
    bx = ONE / scale[j, 4] * ((gx * cyy - gy * cxy) * per)
    by = ONE / scale[j, 5] * ((gy * cxx - gx * cxy) * per)
    bx = where_less(s0, spread(scale[j, 0]), spread(NAN), bx)
    return where_less(determinant, spread(scale[j, 1]), spread(NAN), bx), by


@inner(fastmath=FAST)
def _is_clear(hidden, c, reach):
    """Whether there are no gaps in the windows of the nodes from column c on."""
    gaps = any_less(spread(HALF), load(hidden, c + 2 * reach))
    for k in range(0, 2 * reach, COUNT):
        gaps |= any_less(spread(HALF), load(hidden, c + k))
    return not gaps


@inner(fastmath=FAST)
def _fit_row(known, hidden, row, down, taps, j, scale, slope, x, y, r, n):
    """Fill row r of what `fit_tile` returns."""
    width, reach = hidden.size, taps.shape[2] - 1
    for c in range(0, n, COUNT):
        to = r * n + c
        seen = load(known, row * width + reach + c)
        bx = by = size = spread(NAN)
        if any_less(spread(HALF), seen):
            if _is_clear(hidden, c, reach):
                bx, by = _fit_clear(down, reach + c, width, taps, j, scale)
            else:
                bx, by = _fit_gaps(down, reach + c, width, taps, j, scale)
                bx = where_less(spread(HALF), seen, bx, spread(NAN))
            size = root(bx * bx + by * by)
            per = spread(ONE) / size
            bx, by = bx * per, by * per
        store(slope, to, size)
        store(x, to, bx)
        store(y, to, by)


@inner(fastmath=FAST)
def fit_tile(field, j0, i0, rows, n, taps_x, taps_y, scale):
    """Size (per m) and unit direction of the fitted slope at the nodes of a tile; NaN where there is none.

    field: float32 (lat, lon), NaN = gap. j0, i0: row and column of the tile's first node, which may lie
    outside the field. rows, n: nodes up and along the tile, n a multiple of `COUNT`. taps_x, taps_y, scale:
    of `gaussian_taps` and `scale_of`, for every row of the field. Returns three float32 arrays (rows, n); the
    direction of a zero slope is NaN.
    """
    slope, x, y = _room(rows * n), _room(rows * n), _room(rows * n)
    rx, ry = taps_x.shape[2] - 1, taps_y.shape[2] - 1
    width = (n + 2 * rx + COUNT - 1) // COUNT * COUNT
    values, known = _room((rows + 2 * ry) * width), _room((rows + 2 * ry) * width)
    some = _load(field, j0 - ry, i0 - rx, width, values, known)
    down, hidden = _room(5 * width), _room(width)
    if some:
        for i in range(width):
            hidden[i] = ZERO
        for row in range(2 * ry):
            _count(hidden, known, row, ONE)
    for r in range(rows):
        if some:
            _count(hidden, known, r + 2 * ry, ONE)
        if some and 0 <= j0 + r < field.shape[0]:
            _sum_values(values, r + ry, width, taps_y, j0 + r, down)
            _sum_known(known, hidden, r + ry, taps_y, j0 + r, down)
            _fit_row(known, hidden, r + ry, down, taps_x, j0 + r, scale, slope, x, y, r, n)
        else:
            for i in range(r * n, r * n + n):
                slope[i] = x[i] = y[i] = NAN
        if some:
            _count(hidden, known, r, -ONE)
    return slope.reshape(rows, n), x.reshape(rows, n), y.reshape(rows, n)
