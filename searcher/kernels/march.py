"""Least travel time over water that moves, by marching a front over the grid.

The arrival time T of a boat of speed S through water that moves at c satisfies S|∇T| + c·∇T = 1 (Zermelo's
problem; Sethian & Vladimirsky 2003, SIAM J. Numer. Anal. 41:325-363). On each right triangle of a node, a
straight and a diagonal neighbour T is taken as linear and the equation solved in closed form; the answer
counts only where the way comes out of that triangle, else that along the edge is taken. S and c are those of
the node, c at the hour at which the front comes to it.

Nodes are settled in order of time (a 4-ary heap). A triangle hands times only forward as long as the current
stays below S times the cosine of its widest angle at the node (0.7 S on square cells), and then each node is
settled once; in stronger currents nodes are settled again until nothing improves. Around the start, where
the front is a point, times are those of straight ways.
"""

import math
from typing import NamedTuple

import numpy as np

from searcher.kernels.compiled import inner, kernel

# the ring of eight neighbours, in order, so that neighbours k and k + 1 touch; odd ones are diagonal
RING_I = (1, 1, 0, -1, -1, -1, 0, 1)
RING_J = (0, 1, 1, 1, 0, -1, -1, -1)
BLOCKED, OPEN, SETTLED, GOAL = 0, 1, 2, 3
#: a way that meets the next column and the next row within this share of itself goes through a corner
CORNER = 1e-9
#: going back, a step is as many rows or columns long as one of these, so that it can keep to the way
STRIDES = (1, 3, 6)
#: a settled node is opened again for an improvement of more than this, s
LEAST_GAIN = 1e-6
#: a march to goals ends so much later than the last of them is come to: the next may lie a little farther
BEYOND = 1.1
#: no goals: the whole grid
EVERYWHERE = np.empty(0, np.int64)


class Medium(NamedTuple):
    """Water to travel over: what the boat makes through it, how it moves, and the size of its cells."""

    speed: np.ndarray  # (time or 1, lat, lon), m/s through the water; 0 at all hours where no boat may go
    flow: np.ndarray  # (time, lat, lon, 2), m/s east and north, no NaN
    begin: float  # time of the first field, s
    step: float  # between fields, s; before the first and after the last the field is held
    east: np.ndarray  # (lat,), metres between columns
    north: np.ndarray  # (lat,), metres between rows


@inner()
def _between(medium, fields, t):
    """The field before a time, of several, and the share of the step from it to the next that has passed."""
    s = min(max((t - medium.begin) / medium.step, 0.0), float(fields - 1))
    k = min(int(s), fields - 2)
    return k, s - k


@inner()
def _current(medium, j, i, t):
    """Current (m/s east, north) at a node at a time, linear between fields."""
    flow = medium.flow
    if flow.shape[0] == 1:
        return flow[0, j, i, 0], flow[0, j, i, 1]
    k, share = _between(medium, flow.shape[0], t)
    u = flow[k, j, i, 0]
    v = flow[k, j, i, 1]
    return u + share * (flow[k + 1, j, i, 0] - u), v + share * (flow[k + 1, j, i, 1] - v)


@inner()
def _made(medium, j, i, t):
    """What the boat makes at a node at a time, linear between fields of which there are several, m/s."""
    speed = medium.speed
    k, share = _between(medium, speed.shape[0], t)
    return speed[k, j, i] + share * (speed[k + 1, j, i] - speed[k, j, i])


@inner()
def ground_speed(speed, cu, cv, x, y):
    """Speed over the ground (m/s) along the unit vector (x, y); 0 where the current wins."""
    along = cu * x + cv * y
    across = cv * x - cu * y
    left = speed * speed - across * across
    return max(along + math.sqrt(left), 0.0) if left > 0.0 else 0.0


@inner()
def _from_triangle(speed, along, aside, straight, diagonal, h, g):
    """Arrival at a node from between its straight and its diagonal neighbour, or infinity.

    `straight`, `diagonal`: their times. `along`: the current towards the straight neighbour, at h m; `aside`:
    that from there towards the diagonal one, at g m. Infinity where the way does not come from between them.
    """
    # the gradient p of T has the known part py from neighbour to neighbour; (S|p|)^2 = (1 - c·p)^2 gives px
    py = (diagonal - straight) / g
    own = speed * speed - along * along
    k = 1.0 - aside * py
    root = k * k - own * py * py
    if root < 0.0:
        return math.inf
    # the boat moves along S p/|p| + c, here times (1 - c·p) S: `away` towards the node, `my` past it
    away = speed * math.sqrt(root)
    px = -(along * k + away) / own
    my = speed * speed * py + aside * (k - along * px)
    if my > 0.0 or -my * h > away * g:
        return math.inf
    return straight - h * px


@inner()
def _sift_up(keys, heap, where, k, key, node):
    """Put a node with its time into place k of the heap, or above."""
    while k > 0:
        parent = (k - 1) >> 2
        if keys[parent] <= key:
            break
        keys[k] = keys[parent]
        heap[k] = heap[parent]
        where[heap[k]] = k
        k = parent
    keys[k] = key
    heap[k] = node
    where[node] = k


@inner()
def _sift_down(keys, heap, where, size, key, node):
    """Put a node with its time at the top of the heap, or below."""
    k = 0
    while True:
        first = 4 * k + 1
        if first >= size:
            break
        best = first
        least = keys[first]
        for child in range(first + 1, min(first + 4, size)):
            if keys[child] < least:
                best = child
                least = keys[child]
        if least >= key:
            break
        keys[k] = least
        heap[k] = heap[best]
        where[heap[k]] = k
        k = best
    keys[k] = key
    heap[k] = node
    where[node] = k


@inner()
def _straight_time(medium, depart, leaving, cells, ax, ay, bx, by):
    """Time (s) of one straight way, cell by cell (Amanatides & Woo 1987, Eurographics); or infinity.

    `leaving`: speed in the first `cells` where those it begins with are blocked; 0 where they may not be.
    """
    _, ny, nx = medium.speed.shape
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
        if not (0 <= j < ny and 0 <= i < nx):
            return math.inf
        cells -= 1
        if medium.speed[0, j, i] > 0.0 or cells < 0:
            leaving = 0.0
        speed = medium.speed[0, j, i] if medium.speed[0, j, i] > 0.0 else leaving
        if speed <= 0.0:
            return math.inf
        upto = min(next_x, next_y, 1.0)
        x = (upto - done) * dx * medium.east[j]
        y = (upto - done) * dy * medium.north[j]
        length = math.sqrt(x * x + y * y)
        if length > 0.0:
            t = depart + total + 0.5 * length / speed
            cu, cv = _current(medium, j, i, t)
            if medium.speed.shape[0] > 1 and medium.speed[0, j, i] > 0.0:
                speed = _made(medium, j, i, t)
            over_ground = ground_speed(speed, cu, cv, x / length, y / length)
            if over_ground <= 0.0:
                return math.inf
            total += length / over_ground
        if upto >= 1.0:
            return total
        done = upto
        step_i = 1 if dx > 0.0 else -1
        step_j = 1 if dy > 0.0 else -1
        if abs(next_x - next_y) < CORNER:  # through a corner, but not between two blocked cells
            inside = 0 <= j + step_j < ny and 0 <= i + step_i < nx
            if inside and medium.speed[0, j, i + step_i] <= 0.0 and medium.speed[0, j + step_j, i] <= 0.0:
                return math.inf
            i += step_i
            j += step_j
            next_x += abs(1.0 / dx)
            next_y += abs(1.0 / dy)
        elif next_x < next_y:
            i += step_i
            next_x += abs(1.0 / dx)
        else:
            j += step_j
            next_y += abs(1.0 / dy)


@kernel()
def straight_times(medium, depart, ax, ay, bx, by, leaving=0.0):
    """Time (s) of each straight way from (ax, ay) to (bx, by), in fractional columns and rows.

    depart: when each is begun, s. leaving: speed in blocked cells with which a way begins; 0 where it may not
    begin in one. Infinity where the way leaves the grid, meets the cell of a blocked node further on or
    cannot make headway.
    """
    out = np.empty(ax.size)
    for p in range(ax.size):
        out[p] = _straight_time(medium, depart[p], leaving, math.inf, ax[p], ay[p], bx[p], by[p])
    return out


@inner()
def _hands_on(medium):
    """Whether every triangle hands times only forward, so that each node need be settled only once."""
    fields, ny, nx, _ = medium.flow.shape
    hours = medium.speed.shape[0]
    for j in range(ny):
        h = medium.east[j]
        g = medium.north[j]
        share = min(h, g) ** 2 / (h * h + g * g)
        for i in range(nx):
            for k in range(fields):
                most = share * medium.speed[min(k, hours - 1), j, i] ** 2
                current = medium.flow[k, j, i, 0] ** 2 + medium.flow[k, j, i, 1] ** 2
                if current > most and most > 0.0:
                    return False
    return True


@inner()
def _start_disc(medium, depart, x0, y0, radius, time):
    """Times of straight ways from the start (column x0, row y0) within `radius` m, into the padded `time`."""
    _, ny, nx = medium.speed.shape
    row = min(max(int(round(y0)), 0), ny - 1)
    column = min(max(int(round(x0)), 0), nx - 1)
    reach_j = int(math.ceil(radius / medium.north[row])) + 1
    reach_i = int(math.ceil(radius / medium.east[row])) + 1
    for j in range(max(row - reach_j, 0), min(row + reach_j + 1, ny)):
        for i in range(max(column - reach_i, 0), min(column + reach_i + 1, nx)):
            x = (i - x0) * medium.east[j]
            y = (j - y0) * medium.north[j]
            nearest = abs(i - x0) <= 1.0 and abs(j - y0) <= 1.0
            speed = medium.speed[0, j, i]
            if speed > 0.0 and (nearest or x * x + y * y <= radius * radius):
                taken = _straight_time(medium, depart, speed, 1.0, x0, y0, float(i), float(j))
                time[(j + 1) * (nx + 2) + i + 1] = taken


@kernel()
def march(medium, depart, x0, y0, radius, goals):
    """Least time (s) from the start to every node, (lat, lon); infinity where it cannot be reached.

    medium: a `Medium`. depart: time of leaving, s. x0, y0: start in fractional columns and rows; its own cell
    may be blocked. radius: within it times start as those of straight ways, m. goals: nodes (row times
    columns and column, int64) beyond which the march need not go on: the time is NaN at nodes it has not come
    to; `EVERYWHERE`, or currents in which nodes are settled again, for all. For the time *to* a place by a
    deadline, march from it with currents and time turned round (`searcher.waters`).
    """
    speed, east, north = medium.speed[0], medium.east, medium.north
    ny, nx = speed.shape
    steady = medium.speed.shape[0] == 1
    wide = nx + 2  # a blocked rim of one node all around
    time = np.empty((ny + 2) * wide)
    state = np.empty((ny + 2) * wide, np.uint8)
    time[:], state[:] = math.inf, BLOCKED
    fastest = 0.0  # found here: speed.max() would take as long to compile as all of this loop
    for j in range(ny):
        for i in range(nx):
            state[(j + 1) * wide + i + 1] = OPEN if speed[j, i] > 0.0 else BLOCKED
            fastest = max(fastest, speed[j, i])
    _start_disc(medium, depart, x0, y0, radius, time)
    ring = np.empty(8, np.int64)
    for k in range(8):
        ring[k] = RING_J[k] * wide + RING_I[k]
    keys = np.empty(time.size)
    heap = np.empty(time.size, np.int32)
    where = np.empty(time.size, np.int32)
    size = 0
    for node in range(time.size):
        where[node] = -1
        if time[node] < math.inf:
            _sift_up(keys, heap, where, size, time[node], node)
            size += 1
    once = _hands_on(medium)
    waiting = 0
    for goal in goals:
        node = (goal // nx + 1) * wide + goal % nx + 1
        if once and state[node] == OPEN:
            state[node] = GOAL
            waiting += 1
    enough = math.inf
    half = 0.5 * north[ny // 2] / fastest  # the currents of an edge are those of its middle, s
    while size > 0 and keys[0] <= enough:
        done = np.int64(heap[0])
        where[done] = -1
        if state[done] == GOAL:
            waiting -= 1
            enough = BEYOND * time[done] if waiting == 0 else math.inf
        state[done] = SETTLED
        size -= 1
        if size > 0:
            _sift_down(keys, heap, where, size, keys[size], heap[size])
        j = done // wide - 1
        i = done - (j + 1) * wide - 1
        t = time[done]
        for k in range(8):  # `done` stands at ring place k of the neighbour
            node = done - ring[k]
            if state[node] == BLOCKED or (once and state[node] == SETTLED):
                continue
            row = j - RING_J[k]
            column = i - RING_I[k]
            u, v = _current(medium, row, column, depart + t + half)
            own = speed[row, column] if steady else _made(medium, row, column, depart + t + half)
            best = math.inf
            touching = k & 1 == 0
            for turn in (1, 7):
                place = (k + turn) & 7
                other = node + ring[place]
                touching |= state[other] != BLOCKED
                # in a current as fast as the boat straight edges alone are safe
                if state[other] != SETTLED or own * own <= u * u + v * v:
                    continue
                straight, diagonal, ts, td = (
                    (place, k, time[other], t) if k & 1 else (k, place, t, time[other])
                )
                along = u * RING_I[straight] + v * RING_J[straight]
                aside = u * (RING_I[diagonal] - RING_I[straight]) + v * (RING_J[diagonal] - RING_J[straight])
                h, g = (east[row], north[row]) if straight & 3 == 0 else (north[row], east[row])
                best = min(best, _from_triangle(own, along, aside, ts, td, h, g))
            # a diagonal may pass the corner of one blocked cell, not between two
            if best == math.inf and touching:
                x = -RING_I[k] * east[row]
                y = -RING_J[k] * north[row]
                length = math.sqrt(x * x + y * y)
                over_ground = ground_speed(own, u, v, x / length, y / length)
                if over_ground > 0.0:
                    best = t + length / over_ground
            if best < time[node] - (LEAST_GAIN if state[node] == SETTLED else 0.0):
                time[node] = best
                if state[node] == SETTLED:
                    state[node] = OPEN
                place = where[node]
                if place < 0:
                    place = size
                    size += 1
                _sift_up(keys, heap, where, place, best, node)
    if size > 0:  # ended early
        for node in range(time.size):
            if state[node] == OPEN:
                time[node] = math.nan
    return time.reshape(ny + 2, wide)[1:-1, 1:-1].copy()


@kernel()
def trace_back(medium, depart, time, x0, y0, x, y):
    """Nodes from (column x, row y) back along the quickest way to the start: columns and rows, int64.

    time: what `march` gave for the same medium, departure and start (column x0, row y0). Each node is the one
    of those around the last from which a straight way reaches that soonest; none is the start itself.
    """
    ny, nx = time.shape
    columns = [x]
    rows = [y]
    while True:
        i = columns[-1]
        j = rows[-1]
        soonest = _straight_time(medium, depart, medium.speed[0, j, i], 1.0, x0, y0, float(i), float(j))
        here = -1, -1
        for stride in STRIDES:
            for k in range(8 * stride):  # around the square, a side of 2 strides after the other
                side = k // (2 * stride)
                along = k % (2 * stride) - stride
                di = (along, stride, -along, -stride)[side]
                dj = (-stride, along, stride, -along)[side]
                if not (0 <= i + di < nx and 0 <= j + dj < ny) or not time[j + dj, i + di] < time[j, i]:
                    continue
                t = time[j + dj, i + di]
                begun = depart + t
                t += _straight_time(medium, begun, 0.0, 0.0, float(i + di), float(j + dj), float(i), float(j))
                if t < soonest:
                    soonest = t
                    here = i + di, j + dj
        if here[0] < 0:
            return np.array(columns), np.array(rows)
        columns.append(here[0])
        rows.append(here[1])
