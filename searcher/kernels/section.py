"""The nodes beside a line, summed by their distance from it.

Every node near a line counts once, as it was seen: no smoothing, no interpolation, so that the errors of
nodes are the errors of what is fitted to them (`searcher.kernels.step`).
"""

import math

import numpy as np

from searcher.kernels.compiled import inner, kernel

#: bins of distance on the two sides together, and knots of a line along a stretch
BINS, KNOTS = 48, 32
#: sums kept in every bin: of 1, n, n², T, nT, T²
SUMS = 6


@inner()
def _lay_knots(columns, rows, first, last, east, north, tx, ty, knots):
    """The line from vertex `first` to `last` as offsets from its chord, at even steps along it (m).

    tx, ty: direction of the chord; x runs along it, y to its left, from the first vertex. Returns its length.
    """
    length = (columns[last] - columns[first]) * east * tx + (rows[last] - rows[first]) * north * ty
    if not length > 0.0:
        return 0.0
    gap = length / (KNOTS - 1)
    x0 = y0 = 0.0
    at = 0
    for v in range(first + 1, last + 1):
        dx = (columns[v] - columns[first]) * east
        dy = (rows[v] - rows[first]) * north
        x1 = dx * tx + dy * ty
        y1 = dy * tx - dx * ty
        while at < KNOTS and at * gap <= x1 + 1e-6:
            share = (at * gap - x0) / (x1 - x0) if x1 > x0 else 1.0
            knots[at] = y0 + min(max(share, 0.0), 1.0) * (y1 - y0)
            at += 1
        if x1 > x0:
            x0 = x1
            y0 = y1
    while at < KNOTS:
        knots[at] = y0
        at += 1
    return length


@inner()
def _gather(s, field, east, north, columns, rows, first, last, ux, uy, behind, ahead, reach, sums):
    """Add the nodes beside stretch `s` to the bins of their distance from it."""
    v = first[s]
    j0 = min(max(int(rows[v]), 0), east.size - 1)
    dx = east[j0]
    dy = north[j0]
    knots = np.empty(KNOTS)
    side = 1.0  # +1 where the way across lies to the left of the way along, else -1
    tx = uy[s]
    ty = -ux[s]
    length = _lay_knots(columns, rows, v, last[s], dx, dy, tx, ty, knots)
    if length <= 0.0:
        side = -1.0
        tx = -tx
        ty = -ty
        length = _lay_knots(columns, rows, v, last[s], dx, dy, tx, ty, knots)
    if length <= 0.0:
        return
    most = reach
    for k in range(KNOTS):
        most = max(most, reach + abs(knots[k]))
    across_x = abs(ty) * most
    across_y = abs(tx) * most
    top = min(field.shape[0], int(rows[v] + (max(0.0, length * ty) + across_y) / dy) + 1)
    right = min(field.shape[1], int(columns[v] + (max(0.0, length * tx) + across_x) / dx) + 1)
    bottom = max(0, int(math.ceil(rows[v] + (min(0.0, length * ty) - across_y) / dy)))
    left = max(0, int(math.ceil(columns[v] + (min(0.0, length * tx) - across_x) / dx)))
    gap = length / (KNOTS - 1)
    for j in range(bottom, top):
        y = (j - rows[v]) * dy
        for i in range(left, right):
            value = np.float64(field[j, i])  # `float` leaves single precision as it is, too coarse to square
            x = (i - columns[v]) * dx
            along = x * tx + y * ty
            if not 0.0 <= along < length or value != value:
                continue
            k = min(int(along / gap), KNOTS - 2)
            # the lean of the line is taken over three gaps, against the jitter of its vertices
            before = max(k - 1, 0)
            after = min(k + 2, KNOTS - 1)
            lean = (knots[after] - knots[before]) / ((after - before) * gap)
            on_line = knots[k] + (along / gap - k) * (knots[k + 1] - knots[k])
            n = side * ((y * tx - x * ty) - on_line) / math.sqrt(1.0 + lean * lean)
            if -behind[s] < n < ahead[s]:
                b = min(int((n + reach) / (2.0 * reach) * BINS), BINS - 1)
                sums[s, b, 0] += 1.0
                sums[s, b, 1] += n
                sums[s, b, 2] += n * n
                sums[s, b, 3] += value
                sums[s, b, 4] += n * value
                sums[s, b, 5] += value * value


@kernel()
def gather_sections(field, east, north, columns, rows, first, last, across_x, across_y, behind, ahead, reach):
    """Sums of the nodes beside stretches of lines, array (stretches, `BINS`, `SUMS`): 1, n, n², T, nT, T².

    n is the distance from the line (m), in bins from -reach to reach. field: float32 (lat, lon), NaN where
    missing. east, north: metres between nodes, (lat,). columns, rows: vertices. first, last: of every
    stretch, its first and last vertex; across_x, across_y: the unit vector across it, towards positive n (m
    east and north); behind, ahead: how far (m) nodes count the other way and that way.
    """
    sums = np.empty((first.size, BINS, SUMS))
    sums[:] = 0.0
    for s in range(first.size):
        _gather(
            s, field, east, north, columns, rows, first, last, across_x, across_y, behind, ahead, reach, sums
        )
    return sums
