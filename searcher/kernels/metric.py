"""Metres in a degree, on the WGS84 ellipsoid.

The radii of curvature of the meridian M and of the prime vertical N (Snyder 1987, *Map Projections: A
Working Manual*, USGS PP 1395, eqs. 4-18 to 4-21): M = a(1−e²)/(1−e²sin²φ)^{3/2}, N = a/(1−e²sin²φ)^{1/2}.
"""

import math

import numpy as np

from searcher.kernels.compiled import inner, kernel

A = 6378137.0
E2 = 6.69437999014e-3
RADIAN = math.pi / 180.0
#: of the series of the sine: at 90° the first term left out is 2e-14
S3, S5, S7, S9, S11, S13, S15, S17, S19 = (
    (-1) ** (n // 2) / math.factorial(n) for n in (3, 5, 7, 9, 11, 13, 15, 17, 19)
)


@inner()
def metres_per_degree(lat):
    """(metres per degree of longitude, metres per degree of latitude) at a latitude in degrees."""
    s = math.sin(lat * RADIAN)
    w2 = 1.0 - E2 * s * s
    w = math.sqrt(w2)
    east = A / w * math.cos(lat * RADIAN) * RADIAN
    north = A * (1.0 - E2) / (w2 * w) * RADIAN
    return east, north


@inner()
def degrees_per_metre(lat):
    """One over both of `metres_per_degree`, without a call, so that a loop over it becomes vector code.

    The sine is summed from its series, and cos φ is √(1 − sin²φ): equal to 1e-11 up to 85° of latitude.
    """
    x = lat * RADIAN
    q = x * x
    tail = S11 + q * (S13 + q * (S15 + q * (S17 + q * S19)))
    s = x * (1.0 + q * (S3 + q * (S5 + q * (S7 + q * (S9 + q * tail)))))
    w2 = 1.0 - E2 * s * s
    w = math.sqrt(w2)
    return w / (A * RADIAN * math.sqrt(1.0 - s * s)), w2 * w * (1.0 / (A * (1.0 - E2) * RADIAN))


@kernel()
def row_metrics(lat):
    """Metres per degree of longitude and of latitude for each latitude: two float64 arrays."""
    east = np.empty(lat.size)
    north = np.empty(lat.size)
    for j in range(lat.size):
        east[j], north[j] = metres_per_degree(lat[j])
    return east, north
