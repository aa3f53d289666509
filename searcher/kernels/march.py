"""Least travel time over water in a current, by marching a front over the grid.

The arrival time T of a boat of speed S through water that moves at c satisfies S|∇T| + c·∇T = 1 (Zermelo's
problem; Sethian & Vladimirsky 2003, SIAM J. Numer. Anal. 41:325-363). On each triangle of a node and two
neighbours that touch, T is taken as linear and the equation solved in closed form; the answer counts only
where the characteristic comes out of that triangle, else the better straight edge is taken. Values are
corrected until none improves (the flow makes the speed depend on direction, so one pass is not enough), in
the order of an indexed 4-ary heap. Around the start times are exact, since there the front is a point.
"""

import math

import numpy as np
from numba import njit, prange

# the ring of eight neighbours, in order, so that neighbours k and k + 1 touch
RING_I = (1, 1, 0, -1, -1, -1, 0, 1)
RING_J = (0, 1, 1, 1, 0, -1, -1, -1)
#: improvements below this many seconds are not passed on
LEAST_GAIN = 1e-6


@njit(cache=True)
def ground_speed(speed, cu, cv, x, y):
    """Speed over the ground (m/s) along the unit vector (x, y); 0 where the current wins."""
    along = cu * x + cv * y
    across = cv * x - cu * y
    left = speed * speed - across * across
    return max(along + math.sqrt(left), 0.0) if left > 0.0 else 0.0


@njit(cache=True)
def _from_edge(speed, cu, cv, time, ex, ey):
    """Arrival at the origin from a neighbour at offset (ex, ey) m reached at `time`."""
    length = math.hypot(ex, ey)
    over_ground = ground_speed(speed, cu, cv, -ex / length, -ey / length)
    return time + length / over_ground if over_ground > 0.0 else math.inf


@njit(cache=True)
def _from_triangle(speed, cu, cv, ta, ax, ay, tb, bx, by):
    """Arrival at the origin from between two neighbours, or infinity where the way lies outside them."""
    determinant = ax * by - ay * bx
    # gradient p = alpha - tau * beta, from a·p = ta - tau and b·p = tb - tau
    alpha_x = (by * ta - ay * tb) / determinant
    alpha_y = (ax * tb - bx * ta) / determinant
    beta_x = (by - ay) / determinant
    beta_y = (ax - bx) / determinant
    # (S|p|)^2 = (1 - c·p)^2
    k = 1.0 - cu * alpha_x - cv * alpha_y
    m = cu * beta_x + cv * beta_y
    s2 = speed * speed
    qa = s2 * (beta_x * beta_x + beta_y * beta_y) - m * m
    qb = -2.0 * s2 * (alpha_x * beta_x + alpha_y * beta_y) - 2.0 * k * m
    qc = s2 * (alpha_x * alpha_x + alpha_y * alpha_y) - k * k
    root = qb * qb - 4.0 * qa * qc
    if root < 0.0 or qa <= 0.0:
        return math.inf
    tau = (-qb + math.sqrt(root)) / (2.0 * qa)
    px = alpha_x - tau * beta_x
    py = alpha_y - tau * beta_y
    size = math.hypot(px, py)
    if size == 0.0 or 1.0 - cu * px - cv * py <= 0.0:
        return math.inf
    # where the boat comes from: against the characteristic
    wx = -(speed * px / size + cu)
    wy = -(speed * py / size + cv)
    sign = 1.0 if determinant > 0.0 else -1.0
    if sign * (ax * wy - ay * wx) < 0.0 or sign * (wx * by - wy * bx) < 0.0:
        return math.inf
    return tau


@njit(cache=True)
def _sift_up(heap, where, time, k):
    node = heap[k]
    while k > 0:
        parent = (k - 1) // 4
        if time[heap[parent]] <= time[node]:
            break
        heap[k] = heap[parent]
        where[heap[k]] = k
        k = parent
    heap[k] = node
    where[node] = k


@njit(cache=True)
def _sift_down(heap, where, time, size):
    k = 0
    node = heap[0]
    while True:
        first = 4 * k + 1
        if first >= size:
            break
        best = first
        for child in range(first + 1, min(first + 4, size)):
            if time[heap[child]] < time[heap[best]]:
                best = child
        if time[heap[best]] >= time[node]:
            break
        heap[k] = heap[best]
        where[heap[k]] = k
        k = best
    heap[k] = node
    where[node] = k


@njit(cache=True)
def _start_disc(time, blocked, cu, cv, speed, east, north, x0, y0, radius):
    """Exact times of straight ways from the start (column x0, row y0) over open water, within `radius` m."""
    ny, nx = blocked.shape
    row = min(max(int(round(y0)), 0), ny - 1)
    column = min(max(int(round(x0)), 0), nx - 1)
    reach_j = int(math.ceil(radius / north[row])) + 1
    reach_i = int(math.ceil(radius / east[row])) + 1
    for j in range(max(row - reach_j, 0), min(row + reach_j + 1, ny)):
        for i in range(max(column - reach_i, 0), min(column + reach_i + 1, nx)):
            x = (i - x0) * 0.5 * (east[j] + east[row])
            y = (j - y0) * 0.5 * (north[j] + north[row])
            length = math.hypot(x, y)
            nearest = abs(i - x0) <= 1.0 and abs(j - y0) <= 1.0
            if blocked[j, i] or (length > radius and not nearest):
                continue
            steps = 2 + 4 * max(abs(j - row), abs(i - column))
            u = v = 0.0
            clear = True
            for k in range(steps + 1):
                share = k / steps
                jj = min(max(int(round(y0 + share * (j - y0))), 0), ny - 1)
                ii = min(max(int(round(x0 + share * (i - x0))), 0), nx - 1)
                clear = clear and (not blocked[jj, ii] or k == 0)
                u += cu[jj, ii] / (steps + 1)
                v += cv[jj, ii] / (steps + 1)
            if not clear:
                continue
            over_ground = ground_speed(speed, u, v, x / length, y / length) if length > 0.0 else 1.0
            if over_ground > 0.0:
                time[j, i] = length / over_ground


@njit(cache=True)
def march(blocked, cu, cv, speed, east, north, x0, y0, radius):
    """Least time (s) from the start to every node; infinity where it cannot be reached.

    blocked: bool (lat, lon). cu, cv: current (m/s, no NaN), (lat, lon). speed: through the water, m/s. east,
    north: metres between nodes, (lat,). x0, y0: start in fractional columns and rows. radius: within it times
    start as exact straight ways, m. For the time *to* a place, march from it with the current turned round.
    """
    ny, nx = blocked.shape
    grid_time = np.full((ny, nx), math.inf)
    _start_disc(grid_time, blocked, cu, cv, speed, east, north, x0, y0, radius)
    time = grid_time.ravel()
    heap = np.empty(ny * nx, np.int64)
    where = np.full(ny * nx, -1, np.int64)
    size = 0
    for node in range(ny * nx):
        if time[node] < math.inf:
            heap[size] = node
            size += 1
            _sift_up(heap, where, time, size - 1)
    while size > 0:
        done = heap[0]
        where[done] = -1
        size -= 1
        if size > 0:
            heap[0] = heap[size]
            where[heap[0]] = 0
            _sift_down(heap, where, time, size)
        j = done // nx
        i = done - j * nx
        for back in range(8):  # the node seen from the neighbour stands at ring place `back`
            jn = j - RING_J[back]
            iin = i - RING_I[back]
            if not (0 <= jn < ny and 0 <= iin < nx) or blocked[jn, iin]:
                continue
            # a diagonal step may not cut a corner of something blocked
            if back % 2 == 1 and (blocked[jn, i] or blocked[j, iin]):
                continue
            u = cu[jn, iin]
            v = cv[jn, iin]
            ax = RING_I[back] * east[jn]
            ay = RING_J[back] * north[jn]
            best = _from_edge(speed, u, v, time[done], ax, ay)
            for turn in (-1, 1):
                other = (back + turn) % 8
                jo = jn + RING_J[other]
                io = iin + RING_I[other]
                if not (0 <= jo < ny and 0 <= io < nx) or blocked[jo, io]:
                    continue
                to = time[jo * nx + io]
                if to < math.inf:
                    bx = RING_I[other] * east[jn]
                    by = RING_J[other] * north[jn]
                    best = min(best, _from_triangle(speed, u, v, time[done], ax, ay, to, bx, by))
            node = jn * nx + iin
            if best < time[node] - LEAST_GAIN:
                time[node] = best
                if where[node] < 0:
                    heap[size] = node
                    where[node] = size
                    size += 1
                _sift_up(heap, where, time, where[node])
    return grid_time


@njit(cache=True)
def _straight_time(blocked, cu, cv, speed, east, north, ax, ay, bx, by):
    """Time (s) of one straight way, cell by cell (Amanatides & Woo 1987, Eurographics); or infinity."""
    ny, nx = blocked.shape
    i = int(math.floor(ax + 0.5))
    j = int(math.floor(ay + 0.5))
    dx = bx - ax
    dy = by - ay
    # share of the way at which the next column and the next row begin, and what each column and row takes
    next_x = ((i + 0.5 if dx > 0.0 else i - 0.5) - ax) / dx if dx != 0.0 else math.inf
    next_y = ((j + 0.5 if dy > 0.0 else j - 0.5) - ay) / dy if dy != 0.0 else math.inf
    done = 0.0
    total = 0.0
    while True:
        if not (0 <= j < ny and 0 <= i < nx) or blocked[j, i]:
            return math.inf
        upto = min(next_x, next_y, 1.0)
        x = (upto - done) * dx * east[j]
        y = (upto - done) * dy * north[j]
        length = math.hypot(x, y)
        if length > 0.0:
            over_ground = ground_speed(speed, cu[j, i], cv[j, i], x / length, y / length)
            if over_ground <= 0.0:
                return math.inf
            total += length / over_ground
        if upto >= 1.0:
            return total
        done = upto
        if next_x <= next_y:
            i += 1 if dx > 0.0 else -1
            next_x += abs(1.0 / dx)
        else:
            j += 1 if dy > 0.0 else -1
            next_y += abs(1.0 / dy)


@njit(parallel=True, cache=True)
def straight_times(blocked, cu, cv, speed, east, north, ax, ay, bx, by):
    """Time (s) of each straight way from (ax, ay) to (bx, by), in fractional columns and rows.

    Infinity where the way leaves the grid, meets the cell of a blocked node or cannot make headway.
    """
    out = np.empty(ax.size)
    for p in prange(ax.size):
        out[p] = _straight_time(blocked, cu, cv, speed, east, north, ax[p], ay[p], bx[p], by[p])
    return out


@njit(cache=True)
def descend(time, blocked, x, y):
    """Nodes from (column x, row y) down the arrival times to the start: columns and rows, int64."""
    ny, nx = time.shape
    columns = [x]
    rows = [y]
    while True:
        j = rows[-1]
        i = columns[-1]
        steepest = 0.0
        best = -1
        for k in range(8):
            jn = j + RING_J[k]
            iin = i + RING_I[k]
            if not (0 <= jn < ny and 0 <= iin < nx) or blocked[jn, iin]:
                continue
            if k % 2 == 1 and (blocked[jn, i] or blocked[j, iin]):
                continue
            fall = (time[j, i] - time[jn, iin]) / math.hypot(RING_I[k], RING_J[k])
            if fall > steepest:
                steepest = fall
                best = k
        if best < 0:
            return np.array(columns), np.array(rows)
        columns.append(i + RING_I[best])
        rows.append(j + RING_J[best])
