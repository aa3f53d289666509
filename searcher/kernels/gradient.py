"""Slopes of a field with gaps, by local least squares.

At every valid node a plane is fitted to the valid nodes around it, weighted by a Gaussian. Where all nodes
are valid this is the derivative-of-Gaussian filter of Canny (1986, IEEE PAMI 8:679-698); beside a cloud or
the shore it stays exact for a plane, so the margin of a gap makes no edge of its own. (Smoothing around
missing values by scaling the weights alone, as is often done, bends a plane there.)
"""

import math

import numpy as np
from numba import njit, prange

#: a fit needs at least this share of the full window's weight, or the slope is missing
LEAST_WEIGHT = 0.4


@njit(cache=True)
def _weights(step, sigma):
    """Gaussian weights of the nodes within three sigma, and their distances in steps."""
    reach = max(1, int(math.ceil(3.0 * sigma / step)))
    x = np.arange(-reach, reach + 1).astype(np.float64)
    return np.exp(-0.5 * (x * step / sigma) ** 2), x


@njit(cache=True)
def _fit_with_gaps(field, j, i, wx, wy):
    """Value and slopes (per cell) at one node from the valid nodes around it; NaN where they are too few."""
    ny, nx = field.shape
    rx = wx.size // 2
    ry = wy.size // 2
    # moments of the weights and of the values about the centre node, in cells
    s0 = sx = sy = sxx = sxy = syy = 0.0
    f0 = fx = fy = 0.0
    for b in range(max(0, ry - j), min(2 * ry + 1, ny - j + ry)):
        y = float(b - ry)
        for a in range(max(0, rx - i), min(2 * rx + 1, nx - i + rx)):
            f = field[j + b - ry, i + a - rx]
            if f == f:
                x = float(a - rx)
                w = wx[a] * wy[b]
                s0 += w
                sx += w * x
                sy += w * y
                sxx += w * x * x
                sxy += w * x * y
                syy += w * y * y
                f0 += w * f
                fx += w * f * x
                fy += w * f * y
    # solved about the centroid of the weights, where the normal equations are 2 x 2
    cxx = sxx - sx * sx / s0
    cxy = sxy - sx * sy / s0
    cyy = syy - sy * sy / s0
    determinant = cxx * cyy - cxy * cxy
    if s0 < LEAST_WEIGHT * wx.sum() * wy.sum() or determinant <= 1e-9 * s0 * s0:
        return math.nan, math.nan, math.nan
    gx = fx - sx * f0 / s0
    gy = fy - sy * f0 / s0
    bx = (gx * cyy - gy * cxy) / determinant
    by = (gy * cxx - gx * cxy) / determinant
    return (f0 - bx * sx - by * sy) / s0, bx, by


@njit(parallel=True, cache=True)
def fit_planes(field, east, north, sigma):
    """Fitted value and slopes of a (lat, lon) field at every valid node.

    east, north: metres between nodes along each row and across it, shape (lat,). sigma: m.
    Returns (value, d/dx, d/dy): three float64 arrays, per metre; NaN at gaps and where too little is valid.
    """
    ny, nx = field.shape
    value = np.full((ny, nx), math.nan)
    slope_x = np.full((ny, nx), math.nan)
    slope_y = np.full((ny, nx), math.nan)
    for j in prange(ny):
        wx, x = _weights(east[j], sigma)
        wy, y = _weights(north[j], sigma)
        rx = wx.size // 2
        ry = wy.size // 2
        # where every node around is valid the fit is two passes of weighted sums, down the columns and along
        # the row; a gap makes the sum NaN, and that node is fitted by itself
        sums = np.full(nx, math.nan)
        leans = np.full(nx, math.nan)
        if j >= ry and j + ry < ny:
            sums[:] = 0.0
            leans[:] = 0.0
            for b in range(wy.size):
                down = wy[b]
                lean = wy[b] * y[b]
                for i in range(nx):
                    f = field[j + b - ry, i]
                    sums[i] += down * f
                    leans[i] += lean * f
        total = wx.sum() * wy.sum()
        spread_x = (wx * x * x).sum() * wy.sum()
        spread_y = (wy * y * y).sum() * wx.sum()
        for i in range(nx):
            if field[j, i] != field[j, i]:
                continue
            f0 = fx = fy = math.nan
            if i >= rx and i + rx < nx:
                f0 = fx = fy = 0.0
                for a in range(wx.size):
                    f0 += wx[a] * sums[i + a - rx]
                    fx += wx[a] * x[a] * sums[i + a - rx]
                    fy += wx[a] * leans[i + a - rx]
            if f0 == f0:
                v, bx, by = f0 / total, fx / spread_x, fy / spread_y
            else:
                v, bx, by = _fit_with_gaps(field, j, i, wx, wy)
            value[j, i] = v
            slope_x[j, i] = bx / east[j]
            slope_y[j, i] = by / north[j]
    return value, slope_x, slope_y
