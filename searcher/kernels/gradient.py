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
        dx = east[j]
        dy = north[j]
        rx = max(1, int(math.ceil(3.0 * sigma / dx)))
        ry = max(1, int(math.ceil(3.0 * sigma / dy)))
        wx = np.empty(2 * rx + 1)
        for a in range(2 * rx + 1):
            wx[a] = math.exp(-0.5 * ((a - rx) * dx / sigma) ** 2)
        wy = np.empty(2 * ry + 1)
        for b in range(2 * ry + 1):
            wy[b] = math.exp(-0.5 * ((b - ry) * dy / sigma) ** 2)
        full = wx.sum() * wy.sum()
        for i in range(nx):
            if field[j, i] != field[j, i]:
                continue
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
            if s0 < LEAST_WEIGHT * full or determinant <= 1e-9 * s0 * s0:
                continue
            gx = fx - sx * f0 / s0
            gy = fy - sy * f0 / s0
            bx = (gx * cyy - gy * cxy) / determinant
            by = (gy * cxx - gx * cxy) / determinant
            value[j, i] = (f0 - bx * sx - by * sy) / s0
            slope_x[j, i] = bx / dx
            slope_y[j, i] = by / dy
    return value, slope_x, slope_y
