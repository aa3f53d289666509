"""Particles carried by currents and a share of the wind: Runge-Kutta of order 4 on the ellipsoid.

Particles are stepped in blocks of neighbours in the arrays that share their hours. A block goes through the
four stages together, in loops that the compiler turns into vector code; they read the four nodes around a
particle as if none could be missing. Where that will not do, because a node is missing (NaN), the particle
is beyond the rim, or the water is too fast for the step, the particle takes the step again by itself, with
all care.
"""

import math

import numpy as np

from searcher.kernels.compiled import inner, kernel
from searcher.kernels.metric import degrees_per_metre
from searcher.kernels.sample import moment_of, sample_stream

AFLOAT = 0
ASHORE = 1
GONE = 2

BLOCK = 256
#: rows of what a block works with: places, their change in the step and at the last stage, Courant numbers,
#: whether still afloat, places of the stage, shares of the way across a cell, velocity of water or air, and
#: through the water; then the four columns of slip
LON, LAT, LON_SUM, LAT_SUM, LON_RATE, LAT_RATE, COURANT, LIVE, X, Y, WX, WY, U, V, SLIP_U, SLIP_V = range(16)
DOWN, RIGHT, EAST, NORTH = range(16, 20)
ROWS = 20
#: where each stage stands in its step, and its weight
AHEAD = (0.0, 0.5, 0.5, 1.0)
WEIGHT = (1.0 / 6.0, 1.0 / 3.0, 1.0 / 3.0, 1.0 / 6.0)
#: a step is halved no more often than this
HALVINGS = 10
SLACK = 1e-9
ONE, TWO, THREE = np.uintp(1), np.uintp(2), np.uintp(3)


@inner()
def _velocity(currents, wind, slip, t, lon, lat):
    """(degrees of longitude per s, of latitude per s, status), with all care. Unknown wind counts as none."""
    u, v, inside = sample_stream(currents, t, lon, lat)
    if not inside:
        return 0.0, 0.0, GONE
    if u != u or v != v:
        return 0.0, 0.0, ASHORE
    if slip[0] != 0.0 or slip[1] != 0.0:
        wu, wv, _ = sample_stream(wind, t, lon, lat)
        if wu == wu and wv == wv:
            u += slip[0] * wu + slip[1] * wv
            v += slip[0] * wv - slip[1] * wu
    per_east, per_north = degrees_per_metre(lat)
    return (u + slip[2]) * per_east, (v + slip[3]) * per_north, AFLOAT


@inner()
def _step(currents, wind, slip, t, lon, lat, dt):
    """One step: new longitude, latitude, status, Courant number. It stays put unless all stages float."""
    x_rate, y_rate, x_sum, y_sum, courant = 0.0, 0.0, 0.0, 0.0, 0.0
    for stage in range(4):
        h = AHEAD[stage] * dt
        x_rate, y_rate, status = _velocity(currents, wind, slip, t + h, lon + h * x_rate, lat + h * y_rate)
        if status != AFLOAT:
            return lon, lat, status, courant
        x_sum += WEIGHT[stage] * x_rate
        y_sum += WEIGHT[stage] * y_rate
        fastest = max(abs(x_rate) / currents.dlon, abs(y_rate) / currents.dlat)
        courant = max(courant, fastest * abs(dt))
    return lon + dt * x_sum, lat + dt * y_sum, AFLOAT, courant


@inner()
def _step_carefully(currents, wind, slip, t, lon, lat, dt, most):
    """From t to t + dt in steps halved until the water crosses no more than `most` of a cell in any."""
    done, step = 0.0, 1.0  # shares of dt
    while done < 1.0:
        x, y, status, courant = _step(currents, wind, slip, t + done * dt, lon, lat, step * dt)
        if courant > most and step > 0.5**HALVINGS:
            step *= 0.5
            continue
        if status != AFLOAT:
            return lon, lat, status
        lon, lat = x, y
        done += step
    return lon, lat, AFLOAT


@inner(fastmath={"contract"})
def _read(stream, t, work, offset, n):
    """Rows U, V of work: the stream at rows X, Y; NaN beside a gap and beyond the rim."""
    per_x, per_y = 1.0 / stream.dlon, 1.0 / stream.dlat
    last_x, last_y = stream.columns - 2.0, stream.rows - 2.0
    columns = np.int32(stream.columns)
    for p in range(n):
        x = (work[X, p] - stream.lon0) * per_x
        y = (work[Y, p] - stream.lat0) * per_y
        cx = x if x > 0.0 else 0.0  # 0 for NaN too: an index is never made of it
        cy = y if y > 0.0 else 0.0
        i = np.int32(cx if cx < last_x else last_x)
        j = np.int32(cy if cy < last_y else last_y)
        x -= i
        y -= j
        beyond = x < -SLACK or x > 1.0 + SLACK or y < -SLACK or y > 1.0 + SLACK
        offset[p] = np.int32(2) * (j * columns + i)
        work[WX, p] = math.nan if beyond else x
        work[WY, p] = y
    first, later, wt = moment_of(t, stream.t)
    k, m = np.uintp(first), np.uintp(later)
    uv = stream.uv
    row = np.uintp(2 * stream.columns)
    for p in range(n):
        o = np.uintp(offset[p])
        q = o + row
        wx, wy = work[WX, p], work[WY, p]
        w11 = wx * wy
        w10, w01 = wy - w11, wx - w11
        w00 = 1.0 - wx - w10
        u = w00 * uv[k, o] + w01 * uv[k, o + TWO] + w10 * uv[k, q] + w11 * uv[k, q + TWO]
        v = w00 * uv[k, o + ONE] + w01 * uv[k, o + THREE] + w10 * uv[k, q + ONE] + w11 * uv[k, q + THREE]
        u2 = w00 * uv[m, o] + w01 * uv[m, o + TWO] + w10 * uv[m, q] + w11 * uv[m, q + TWO]
        v2 = w00 * uv[m, o + ONE] + w01 * uv[m, o + THREE] + w10 * uv[m, q + ONE] + w11 * uv[m, q + THREE]
        work[U, p] = u + wt * (u2 - u)
        work[V, p] = v + wt * (v2 - v)


@inner(fastmath={"contract"})
def _stage(currents, wind, t, dt, stage, work, offset, n, blown):
    """One of the four stages of a step for n particles."""
    h = AHEAD[stage] * dt
    for p in range(n):
        work[X, p] = work[LON, p] + h * work[LON_RATE, p]
        work[Y, p] = work[LAT, p] + h * work[LAT_RATE, p]
    if blown > 0.0:
        _read(wind, t + h, work, offset, n)
        for p in range(n):
            down, right = work[DOWN, p], work[RIGHT, p]
            work[SLIP_U, p] = work[EAST, p] + down * work[U, p] + right * work[V, p]
            work[SLIP_V, p] = work[NORTH, p] + down * work[V, p] - right * work[U, p]
    _read(currents, t + h, work, offset, n)
    weight = WEIGHT[stage]
    x_cells, y_cells = abs(dt) / currents.dlon, abs(dt) / currents.dlat
    for p in range(n):
        per_east, per_north = degrees_per_metre(work[Y, p])
        x_rate = (work[U, p] + work[SLIP_U, p]) * per_east
        y_rate = (work[V, p] + work[SLIP_V, p]) * per_north
        work[LON_RATE, p] = x_rate
        work[LAT_RATE, p] = y_rate
        work[LON_SUM, p] += weight * x_rate
        work[LAT_SUM, p] += weight * y_rate
        cells = max(abs(x_rate) * x_cells, abs(y_rate) * y_cells)
        # NaN stays: it is no less than anything
        work[COURANT, p] = work[COURANT, p] if cells <= work[COURANT, p] else cells


@inner(fastmath={"contract"})
def _settle(work, n, dt, most):
    """Move the particles that took their step well; how many did not, or had stopped before."""
    odd = 0
    for p in range(n):
        good = work[LIVE, p] > 0.0 and work[COURANT, p] <= most
        odd += 0 if good else 1
        work[LON, p] += dt * work[LON_SUM, p] if good else 0.0
        work[LAT, p] += dt * work[LAT_SUM, p] if good else 0.0
    return odd


@kernel(fastmath={"contract"})
def advect(currents, wind, slip, lon, lat, start, end, longest_step, most):
    """Carry particle p from time start[p] to end[p] (s; backward where end < start).

    currents, wind: `Stream`. slip: (n, 4), how each moves through the water: shares of the wind downwind and
    to the right of it, and m/s east and north. Steps are equal and no longer than `longest_step`; a particle
    that would cross more than `most` of a cell of the currents in one is taken through it in shorter steps
    of its own (`most` = inf: never). Returns lon, lat (float64) and status (uint8): AFLOAT; ASHORE, stopped
    at its last place with water around it; GONE, stopped at the edge of the field.

    One thread; it lets go of the interpreter's lock, so that others may carry other particles.
    """
    out_lon, out_lat = np.empty(lon.size), np.empty(lon.size)
    status = np.empty(lon.size, np.uint8)
    work = np.empty((ROWS, BLOCK))
    offset = np.empty(BLOCK, np.int32)
    first = 0
    while first < lon.size:
        begin, stop = start[first], end[first]
        n, blown = 0, 0.0
        while first + n < lon.size and n < BLOCK:
            q = first + n
            if n > 0 and not (start[q] == begin and end[q] == stop):
                break
            work[LON, n], work[LAT, n], work[LIVE, n] = lon[q], lat[q], 1.0
            work[DOWN, n], work[RIGHT, n] = slip[q, 0], slip[q, 1]
            work[EAST, n], work[NORTH, n] = slip[q, 2], slip[q, 3]
            work[SLIP_U, n], work[SLIP_V, n] = slip[q, 2], slip[q, 3]
            blown = max(blown, abs(slip[q, 0]), abs(slip[q, 1]))
            status[q] = AFLOAT
            n += 1
        count = int(math.ceil(abs(stop - begin) / longest_step)) if stop != begin else 0
        dt = (stop - begin) / max(count, 1)
        afloat = n
        for k in range(count):
            t = begin + k * dt
            for p in range(n):
                work[LON_SUM, p] = work[LAT_SUM, p] = work[LON_RATE, p] = work[LAT_RATE, p] = 0.0
                work[COURANT, p] = 0.0
            for stage in range(4):
                _stage(currents, wind, t, dt, stage, work, offset, n, blown)
            if _settle(work, n, dt, most) == n - afloat:
                continue
            for p in range(n):
                if work[LIVE, p] > 0.0 and not work[COURANT, p] <= most:
                    q = first + p
                    work[LON, p], work[LAT, p], status[q] = _step_carefully(
                        currents, wind, slip[q], t, work[LON, p], work[LAT, p], dt, most
                    )
                    if status[q] != AFLOAT:
                        work[LIVE, p] = 0.0
                        afloat -= 1
            if afloat == 0:
                break
        for p in range(n):
            out_lon[first + p], out_lat[first + p] = work[LON, p], work[LAT, p]
        first += n
    return out_lon, out_lat, status
