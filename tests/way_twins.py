"""Twins of the kernels of ways and tours (`searcher.kernels.march`, `tour`, `bound`), in numpy."""

from __future__ import annotations

import numpy as np

from searcher.kernels.march import CORNER, STRIDES

# ---- march


def straight_times(medium, depart, ax, ay, bx, by, leaving=0.0, *, cells=np.inf):
    """Times of straight ways, all cut where they pass from cell to cell; then piece after piece of all ways.

    leaving: speed in the first so many cells where those a way begins with are blocked.
    """
    _, ny, nx = medium.speed.shape
    dx, dy = bx - ax, by - ay
    ends = np.zeros((ax.size, 1)), np.ones((ax.size, 1))
    cuts = np.sort(np.hstack([_borders(ax, dx), _borders(ay, dy), *ends]), axis=1)
    share, middle = np.diff(cuts, axis=1), 0.5 * (cuts[:, 1:] + cuts[:, :-1])
    real = share > CORNER  # at a corner two cuts are one; what lies between them counts to the piece before
    last = np.maximum.accumulate(np.where(real, np.arange(real.shape[1]), 0), axis=1)
    i, j = (
        np.take_along_axis(np.floor(start[:, None] + middle * way[:, None] + 0.5).astype(int), last, axis=1)
        for start, way in ((ax, dx), (ay, dy))
    )
    outside = (i < 0) | (i >= nx) | (j < 0) | (j >= ny)
    i, j = i.clip(0, nx - 1), j.clip(0, ny - 1)
    speed = medium.speed[0, j, i]
    begins = np.logical_and.accumulate(speed <= 0.0, axis=1)
    begins &= (cells > 1) | ((i == i[:, :1]) & (j == j[:, :1]))
    speed = np.where(begins, leaving, speed)
    before_i, before_j = i[:, np.r_[0, : i.shape[1] - 1]], j[:, np.r_[0, : i.shape[1] - 1]]
    between = (medium.speed[0, before_j, i] <= 0.0) & (medium.speed[0, j, before_i] <= 0.0)
    shut = outside | (speed <= 0.0) | ((before_i != i) & (before_j != j) & between)
    x, y = share * dx[:, None] * medium.east[j], share * dy[:, None] * medium.north[j]
    length = np.hypot(x, y)
    time = np.where((shut & real).any(axis=1), np.inf, 0.0)
    for k in range(share.shape[1]):
        go = np.flatnonzero(real[:, k] & np.isfinite(time))
        if not go.size:
            continue
        at = go, k
        t = depart[go] + time[go] + 0.5 * length[at] / speed[at]
        (u, v), own = (
            _at(medium, field, j[at], i[at], t) for field in (medium.flow, medium.speed[..., None])
        )
        own = np.where(own[0] > 0.0, own[0], speed[at])
        along, aside = (u * x[at] + v * y[at]) / length[at], (v * x[at] - u * y[at]) / length[at]
        over_ground = along + np.sqrt(np.maximum(own**2 - aside**2, 0.0))
        moves = (over_ground > 0.0) & (np.abs(aside) < own)
        time[go] += np.where(moves, length[at] / np.where(moves, over_ground, 1.0), np.inf)
    return time


def _borders(start, way):
    """Shares of ways at which they pass from one column (or row) to the next, (ways, most); 1 for no more."""
    most = int(np.ceil(np.abs(way).max(initial=0.0))) + 1
    border = np.floor(np.minimum(start, start + way) + 0.5)[:, None] + 0.5 + np.arange(most)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (border - start[:, None]) / way[:, None]
    return np.where((share > 0.0) & (share < 1.0), share, 1.0)


def _at(medium, field, j, i, t):
    """A field (time, lat, lon, ...) at nodes and times, linear between its hours."""
    last = len(field) - 1
    moment = np.clip((t - medium.begin) / medium.step, 0.0, last)
    k = np.minimum(moment.astype(int), max(last - 1, 0))
    share = (moment - k)[:, None]
    return ((1 - share) * field[k, j, i] + share * field[np.minimum(k + 1, last), j, i]).T


def trace_back(medium, depart, time, x0, y0, x, y):
    """Columns and rows of the nodes from one back along the quickest way to the start."""
    ny, nx = time.shape
    around = [
        (di, dj)
        for stride in STRIDES
        for dj in range(-stride, stride + 1)
        for di in range(-stride, stride + 1)
        if max(abs(di), abs(dj)) == stride
    ]
    di, dj = np.array(around).T
    columns, rows = [x], [y]
    while True:
        here, to = (columns[-1], rows[-1]), (np.array([float(columns[-1])]), np.array([float(rows[-1])]))
        begin = np.array([depart]), np.array([x0]), np.array([y0])
        direct = straight_times(medium, *begin, *to, medium.speed[0, here[1], here[0]], cells=1)[0]
        i, j = here[0] + di, here[1] + dj
        inside = (i >= 0) & (i < nx) & (j >= 0) & (j < ny)
        i, j = i[inside], j[inside]
        sooner = time[j, i] < time[here[1], here[0]]
        i, j = i[sooner], j[sooner]
        t, ends = time[j, i], (np.full(i.size, end[0]) for end in to)
        t = t + straight_times(medium, depart + t, i.astype(float), j.astype(float), *ends)
        if not t.size or t.min() >= direct:
            return np.array(columns), np.array(rows)
        columns.append(int(i[t.argmin()]))
        rows.append(int(j[t.argmin()]))


# ---- tour


def spend(tour, n, problem):
    """(s, L, profit) of the first n ways of a tour."""
    ways = tour[:n]
    legs = np.append(0, problem.leave[ways]), np.append(problem.entry[ways], 0)
    seconds = problem.time[legs].sum() + problem.work[ways].sum()
    return seconds, problem.fuel[legs].sum() + problem.work_fuel[ways].sum(), problem.profit[ways].sum()


# ---- bound


def _remembered(steps, near):
    """What a tour still remembers when it goes from place to place, (places, memories, places); or -1."""
    bits = np.arange(near.shape[1])
    memory = np.arange(1 << bits.size)
    held = np.zeros((steps.box.size, memory.size, len(near)), bool)  # boxes it may not come back to
    for place in range(1, steps.box.size):
        box = steps.box[place]
        held[place][:, near[box]] = memory[:, None] >> bits & 1
        held[place, :, box] = True
    box = steps.box[1:]
    after = (held[:, :, near[box]] << bits).sum(axis=-1)
    after = np.where(held[:, :, box], -1, after)
    return np.pad(after, ((0, 0), (0, 0), (1, 0)), constant_values=-1)


def relax(entry, leave, gain, steps, near):
    """Most gain from each place with so many steps left, (places, memories, budget + 1), step by step."""
    size = steps.budget + 1
    after = _remembered(steps, near)
    places, memories, _ = after.shape
    best = np.where(np.arange(size) >= steps.home[:, None, None], 0.0, -np.inf) * np.ones((1, memories, 1))
    worth = np.full((places, memories, 2 * size), -np.inf)  # with room for what the budget does not reach
    to, go = np.where(after >= 0, np.arange(places), 0), np.minimum(steps.go, size)[:, None, :]
    more = np.minimum(steps.more, size)
    for left in range(size):
        found = worth[to, after, size + left - go].max(axis=2)
        best[:, :, left] = np.maximum(best[:, :, left], found)
        rest = left - more
        earned = gain[:, None] + best[leave, :, np.maximum(rest, 0)]
        earned[rest < 0] = -np.inf
        np.maximum.at(worth[:, :, size + left], entry, earned)
    return best


def follow(best, entry, leave, gain, steps, near):
    """The boxes that the best relaxed tour from the start works, in order."""
    stops, bits, box = [], np.arange(near.shape[1]), steps.box[entry]
    held = np.zeros(len(near), bool)  # boxes it may not come back to
    here, memory, left = 0, 0, steps.budget
    while best[here, memory, left] > 1e-12:
        after = (held[near[box]] << bits).sum(axis=1)
        rest = left - steps.go[here, entry] - steps.more
        reached = gain + best[leave, after, np.maximum(rest, 0)]
        ways = np.flatnonzero(~held[box] & (rest >= 0) & (reached >= best[here, memory, left] - 1e-9))
        if not ways.size:
            break
        way = ways[0]
        stops.append(box[way])
        held[:] = False
        held[near[box[way]]] = after[way] >> bits & 1
        held[box[way]] = True
        here, memory, left = leave[way], after[way], rest[way]
    return np.array(stops, dtype=np.int64)


def extend(problem, alive, toll, best, near, mix, known, step, most):
    """The best of all tours that may beat a profit, what no tour exceeds, and how many partial tours."""
    ways = np.flatnonzero(alive)
    box, entry, leave = ways // problem.ways, problem.entry[ways], problem.leave[ways]
    budget, bits = best.shape[2] - 1, np.arange(near.shape[1], dtype=np.uint64)
    labels = [(0, 0, 0.0, 0.0, 0.0, 0.0, -1, -1)]  # boxes, place, s, L, profit, toll, label before, way
    alike, dominated, bound, top = {}, set(), known, 0
    done = 0
    while done < len(labels):
        label, done = done, done + 1
        if label in dominated:
            continue
        mask, here, seconds, litres, profit, paid, *_ = labels[label]
        seconds = seconds + problem.time[here, entry] + problem.work[ways]
        litres = litres + problem.fuel[here, entry] + problem.work_fuel[ways]
        profit, paid = profit + problem.profit[ways], paid + toll[box]
        fits = (problem.hours - seconds - problem.time[leave, 0] >= 0.0) & (
            litres + problem.fuel[leave, 0] <= problem.tank
        )
        fits &= np.uint64(mask) >> box.astype(np.uint64) & np.uint64(1) == 0
        share = (1.0 - mix) * (1.0 - seconds / problem.hours) + mix * (1.0 - litres / problem.tank)
        left = np.clip(share * budget + 1e-6, 0, budget).astype(int)
        seen = np.uint64(mask) >> near[box].astype(np.uint64) & np.uint64(1)
        memory = (seen << bits).sum(axis=1).astype(int)
        hope = np.maximum(profit, profit + toll.sum() - paid + best[leave, memory, left])
        for k in np.flatnonzero(fits & (hope >= known + step)):
            if hope[k] < known + step:  # since a better tour was found
                continue
            if len(labels) == most:
                bound = max(bound, hope[k])
                continue
            new = mask | 1 << int(box[k]), int(leave[k]), seconds[k], litres[k], profit[k], paid[k], label
            rivals = [other for other in alike.setdefault(new[:2], []) if other not in dominated]
            if any(_is_worse(new, labels[other]) for other in rivals):
                continue
            dominated.update(other for other in rivals if _is_worse(labels[other], new))
            alike[new[:2]].append(len(labels))
            if profit[k] >= known + step:
                known, top = profit[k], len(labels)
            labels.append((*new, ways[k]))
    tour = []
    while top > 0:
        tour.append(labels[top][7])
        top = labels[top][6]
    return np.array(tour[::-1], int), max(bound, known), len(labels)


def _is_worse(one, other):
    """Whether a partial tour takes as long and burns as much as another of the same boxes, for no more."""
    return one[2] >= other[2] and one[3] >= other[3] and one[4] <= other[4]
