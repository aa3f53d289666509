"""Metres in a degree, on the WGS84 ellipsoid.

The radii of curvature of the meridian M and of the prime vertical N (Snyder 1987, *Map Projections: A
Working Manual*, USGS PP 1395, eqs. 4-18 to 4-21): M = a(1−e²)/(1−e²sin²φ)^{3/2}, N = a/(1−e²sin²φ)^{1/2}.
"""

import math

import numpy as np
from numba import njit

A = 6378137.0
E2 = 6.69437999014e-3
RADIAN = math.pi / 180.0


@njit(cache=True)
def metres_per_degree(lat):
    """(metres per degree of longitude, metres per degree of latitude) at a latitude in degrees."""
    s = math.sin(lat * RADIAN)
    w2 = 1.0 - E2 * s * s
    w = math.sqrt(w2)
    east = A / w * math.cos(lat * RADIAN) * RADIAN
    north = A * (1.0 - E2) / (w2 * w) * RADIAN
    return east, north


@njit(cache=True)
def row_metrics(lat):
    """Metres per degree of longitude and of latitude for each latitude: two float64 arrays."""
    east = np.empty(lat.size)
    north = np.empty(lat.size)
    for j in range(lat.size):
        east[j], north[j] = metres_per_degree(lat[j])
    return east, north
