"""Slopes of a field with gaps, by local least squares.

At every valid node a plane is fitted to the valid nodes around it, weighted by a Gaussian. Where all nodes
are valid this is the derivative-of-Gaussian filter of Canny (1986, IEEE PAMI 8:679-698); beside a cloud or
the shore it stays exact for a plane, so the margin of a gap makes no edge of its own. (Smoothing around
missing values by scaling the weights alone, as is often done, bends a plane there.)
"""

import math

import numpy as np
from numba import njit

#: a fit needs at least this share of the full window's weight, or the slope is missing
LEAST_WEIGHT = 0.4
#: and known nodes spread both ways: least determinant of their moments, as a share of the full window's
LEAST_SPREAD = 1e-3
#: no window reaches further than this many nodes
FARTHEST = 360
#: nodes along a row of a tile, at most
WIDEST = 256
#: from one row of sums to the next in a flat array. A constant, so that the compiler sees that rows do not
#: overlap and uses vector instructions; an odd number of cache lines, so that rows do not evict each other
PITCH = 1040
#: float32 in a cache line
LINE = 16
#: sums along a row: from which row of sums down the columns, of how many powers, to which row of moments.
#: Of the field: 1 and x, y. Of what is known: 1, x and x²; y and xy; y².
ALONG = np.array([[0, 2, 0], [1, 1, 2], [2, 3, 3], [3, 2, 6], [4, 1, 8]])

FAST = {"contract", "arcp", "nsz", "reassoc"}
NAN = np.float32(math.nan)
ONE = np.float32(1.0)
ZERO = np.float32(0.0)


def gaussian_taps(step, sigma):
    """Weights of the nodes 0, 1, 2 ... steps away, and those times the steps and the steps squared.

    step: m between nodes, per row. sigma: m. Returns float32 (rows, 3, 1 + reach): Gaussian weights out to
    three sigma, 0 beyond; reach, that of the widest row, is rounded up to a multiple of three.
    """
    reach = np.clip(np.ceil(3.0 * sigma / step), 1, FARTHEST)
    k = np.arange(1 + 3 * math.ceil(reach.max() / 3))
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


@njit(cache=True, error_model="numpy")
def _room(size):
    """An empty float32 array that begins at a cache line, so that whole vectors do too."""
    room = np.empty(size + LINE, np.float32)
    skip = (-(room.ctypes.data // room.itemsize)) % LINE
    return room[skip : skip + size]


@njit(cache=True, fastmath=FAST, error_model="numpy")
def _sum_pairs(out, powers, flat, at, step, n, taps):
    """Weighted sums over the nodes `step` apart to both sides of n consecutive ones that begin at `at`.

    taps: (3, 1 + reach). The sums of powers 0 ... powers - 1 of the distance go to rows of `out`.
    """
    w = taps[0, 0]
    centre = flat[at : at + n]
    for i in range(n):
        out[i] = w * centre[i]
    for m in range(1, powers):
        row = out[m * PITCH : m * PITCH + n]
        for i in range(n):
            row[i] = ZERO
    # three pairs at a time, even powers from the sum of a pair and odd ones from the difference
    for k in range(1, taps.shape[1], 3):
        a = flat[at - k * step : at - k * step + n]
        b = flat[at - (k + 1) * step : at - (k + 1) * step + n]
        c = flat[at - (k + 2) * step : at - (k + 2) * step + n]
        x = flat[at + k * step : at + k * step + n]
        y = flat[at + (k + 1) * step : at + (k + 1) * step + n]
        z = flat[at + (k + 2) * step : at + (k + 2) * step + n]
        p, q, r = taps[0, k], taps[0, k + 1], taps[0, k + 2]
        s, t, u = taps[1, k], taps[1, k + 1], taps[1, k + 2]
        e, f, g = taps[2, k], taps[2, k + 1], taps[2, k + 2]
        # everything is read before anything is written, or the compiler would read it twice
        if powers == 1:
            for i in range(n):
                out[i] += p * (x[i] + a[i]) + q * (y[i] + b[i]) + r * (z[i] + c[i])
        elif powers == 2:
            for i in range(n):
                x0, y0, z0, a0, b0, c0 = x[i], y[i], z[i], a[i], b[i], c[i]
                even, odd = out[i], out[PITCH + i]
                out[i] = even + p * (x0 + a0) + q * (y0 + b0) + r * (z0 + c0)
                out[PITCH + i] = odd + s * (x0 - a0) + t * (y0 - b0) + u * (z0 - c0)
        else:
            for i in range(n):
                x0, y0, z0, a0, b0, c0 = x[i], y[i], z[i], a[i], b[i], c[i]
                even, odd, square = out[i], out[PITCH + i], out[2 * PITCH + i]
                x1, y1, z1 = x0 + a0, y0 + b0, z0 + c0
                out[i] = even + p * x1 + q * y1 + r * z1
                out[PITCH + i] = odd + s * (x0 - a0) + t * (y0 - b0) + u * (z0 - c0)
                out[2 * PITCH + i] = square + e * x1 + f * y1 + g * z1


@njit(cache=True, fastmath=FAST, error_model="numpy")
def _solve_full(slope_x, slope_y, known, sums, scale):
    """Slopes where every node of the window is known: first moments over the spread of the weights."""
    per_x, per_y = scale[2], scale[3]
    for i in range(slope_x.size):
        gap = known[i] == ZERO
        slope_x[i] = NAN if gap else per_x * sums[PITCH + i]
        slope_y[i] = NAN if gap else per_y * sums[2 * PITCH + i]


@njit(cache=True, fastmath=FAST, error_model="numpy")
def _solve_gaps(slope_x, slope_y, known, sums, scale):
    """Slopes from the nine moments, about the centroid of the weights, where the equations are 2 x 2."""
    least_weight, least_spread, east, north = scale[0], scale[1], scale[4], scale[5]
    for i in range(slope_x.size):
        f0, fx, fy = sums[i], sums[PITCH + i], sums[2 * PITCH + i]
        s0, sx, sxx = sums[3 * PITCH + i], sums[4 * PITCH + i], sums[5 * PITCH + i]
        sy, sxy, syy = sums[6 * PITCH + i], sums[7 * PITCH + i], sums[8 * PITCH + i]
        x, y = sx / s0, sy / s0
        cxx, cxy, cyy = sxx - sx * x, sxy - sx * y, syy - sy * y
        gx, gy = fx - f0 * x, fy - f0 * y
        determinant = cxx * cyy - cxy * cxy
        poor = known[i] == ZERO or s0 < least_weight or determinant < least_spread
        bx = (gx * cyy - gy * cxy) / (determinant * east)
        by = (gy * cxx - gx * cxy) / (determinant * north)
        slope_x[i] = NAN if poor else bx
        slope_y[i] = NAN if poor else by


@njit(cache=True, fastmath=FAST, error_model="numpy")
def _to_unit(size, x, y):
    """Lengths of vectors, which become unit vectors; those of a zero vector are NaN."""
    for i in range(size.size):
        size[i] = math.sqrt(x[i] * x[i] + y[i] * y[i])
        x[i] /= size[i]
        y[i] /= size[i]


@njit(cache=True, fastmath=FAST, error_model="numpy")
def _load(field, j0, i0, width, values, known, gaps):
    """A window of a field about its mean, with 0 for gaps, and 1 where it is known; the gaps in each row."""
    ny, nx = field.shape
    start, size = max(-i0, 0), max(min(i0 + width, nx), 0) - max(i0, 0)
    total = 0.0
    count = 0
    for r in range(max(-j0, 0), min(gaps.size, ny - j0)):
        row = field[j0 + r, i0 + start : i0 + start + size]
        for i in range(row.size):
            total += row[i] if row[i] == row[i] else ZERO
            count += row[i] == row[i]
    mean = np.float32(total / max(count, 1))
    for r in range(gaps.size):
        value, mark = values[r * width : (r + 1) * width], known[r * width : (r + 1) * width]
        for i in range(width):
            value[i] = mark[i] = ZERO
        gaps[r] = width
        if 0 <= j0 + r < ny:
            row = field[j0 + r, i0 + start : i0 + start + size]
            value, mark = value[start : start + size], mark[start : start + size]
            clear = 0
            for i in range(row.size):
                f = row[i]
                value[i] = f - mean if f == f else ZERO
                mark[i] = ONE if f == f else ZERO
                clear += f == f
            gaps[r] -= clear
    return count


@njit(cache=True, fastmath=FAST, error_model="numpy")
def fit_tile(field, j0, i0, rows, n, taps_x, taps_y, scale):
    """Size (per m) and unit direction of the fitted slope at the nodes of a tile; NaN where there is none.

    field: float32 (lat, lon), NaN = gap. j0, i0: row and column of the tile's first node, which may lie
    outside the field. rows, n: nodes up and along the tile, n at most `WIDEST`. taps_x, taps_y, scale: of
    `gaussian_taps` and `scale_of`, for every row of the field. Returns three float32 arrays (rows, n).
    """
    slope = np.empty((rows, n), np.float32)
    across_x = np.empty((rows, n), np.float32)
    across_y = np.empty((rows, n), np.float32)
    rx, ry = taps_x.shape[2] - 1, taps_y.shape[2] - 1
    width = (n + 2 * rx + LINE - 1) // LINE * LINE
    size = (rows + 2 * ry) * width
    window = _room(2 * size)
    gaps = np.empty(rows + 2 * ry, np.int64)
    known = window[size:]
    clear = _load(field, j0 - ry, i0 - rx, width, window[:size], known, gaps)
    down = _room(5 * PITCH)
    sums = _room(9 * PITCH)
    for r in range(rows):
        j = j0 + r
        x, y = across_x[r], across_y[r]
        if clear == 0 or gaps[r + ry] == width or not 0 <= j < field.shape[0]:
            for i in range(n):
                x[i] = y[i] = NAN
            _to_unit(slope[r], x, y)
            continue
        hidden = 0
        for k in range(r, r + 2 * ry + 1):
            hidden += gaps[k]
        # sums down the columns of the field, and where there are gaps those of what is known; then along
        for part in range(1 if hidden == 0 else 2):
            at = part * size + (r + ry) * width
            _sum_pairs(down[2 * part * PITCH :], 2 + part, window, at, width, width, taps_y[j])
        for p in range(2 if hidden == 0 else 5):
            source, powers, out = ALONG[p]
            _sum_pairs(sums[out * PITCH :], powers, down, source * PITCH + rx, np.int64(1), n, taps_x[j])
        centre = known[(r + ry) * width + rx :]
        if hidden == 0:
            _solve_full(x, y, centre, sums, scale[j])
        else:
            _solve_gaps(x, y, centre, sums, scale[j])
        _to_unit(slope[r], x, y)
    return slope, across_x, across_y
