"""Particles carried by currents and a share of the wind: Runge-Kutta of order 4 on the ellipsoid."""

import math

import numpy as np
from numba import njit, prange

from searcher.kernels.metric import metres_per_degree
from searcher.kernels.sample import sample_flow

AFLOAT = 0
ASHORE = 1
GONE = 2


@njit(cache=True)
def _velocity(currents, wind, windage, t, lon, lat):
    """(degrees of longitude per s, of latitude per s, status). Unknown wind counts as none."""
    u, v, inside = sample_flow(currents, t, lon, lat)
    if not inside:
        return 0.0, 0.0, GONE
    if u != u or v != v:
        return 0.0, 0.0, ASHORE
    if windage != 0.0:
        wu, wv, _ = sample_flow(wind, t, lon, lat)
        if wu == wu and wv == wv:
            u += windage * wu
            v += windage * wv
    east, north = metres_per_degree(lat)
    return u / east, v / north, AFLOAT


@njit(cache=True)
def _step(currents, wind, windage, t, lon, lat, dt):
    """One Runge-Kutta step: new longitude, latitude, status. It stays put unless all stages float."""
    x1, y1, s1 = _velocity(currents, wind, windage, t, lon, lat)
    if s1 != AFLOAT:
        return lon, lat, s1
    h = 0.5 * dt
    x2, y2, s2 = _velocity(currents, wind, windage, t + h, lon + h * x1, lat + h * y1)
    if s2 != AFLOAT:
        return lon, lat, s2
    x3, y3, s3 = _velocity(currents, wind, windage, t + h, lon + h * x2, lat + h * y2)
    if s3 != AFLOAT:
        return lon, lat, s3
    x4, y4, s4 = _velocity(currents, wind, windage, t + dt, lon + dt * x3, lat + dt * y3)
    if s4 != AFLOAT:
        return lon, lat, s4
    sixth = dt / 6.0
    return (
        lon + sixth * (x1 + 2.0 * (x2 + x3) + x4),
        lat + sixth * (y1 + 2.0 * (y2 + y3) + y4),
        AFLOAT,
    )


@njit(parallel=True, cache=True)
def advect(currents, wind, windage, lon, lat, start, end, longest_step):
    """Carry particle p, at windage[p], from time start[p] to end[p] (s; backward where end < start).

    Steps are equal and no longer than `longest_step`. Returns lon, lat (float64) and status (uint8): AFLOAT;
    ASHORE, stopped at its last place with water around it; GONE, stopped at the edge of the field.
    """
    n = lon.size
    out_lon = np.empty(n)
    out_lat = np.empty(n)
    status = np.zeros(n, np.uint8)
    for p in prange(n):
        x = lon[p]
        y = lat[p]
        t = start[p]
        count = int(math.ceil(abs(end[p] - t) / longest_step)) if end[p] != t else 0
        dt = (end[p] - t) / max(count, 1)
        s = AFLOAT
        for k in range(count):
            x, y, s = _step(currents, wind, windage[p], t + k * dt, x, y, dt)
            if s != AFLOAT:
                break
        out_lon[p] = x
        out_lat[p] = y
        status[p] = s
    return out_lon, out_lat, status
