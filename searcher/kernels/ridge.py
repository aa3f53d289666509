"""Ridge lines of a field, to a fraction of a cell, linked into chains.

A ridge of f across the direction p is where the slope along p is zero and f curves down along p: p·∇f = 0,
p·H·p < 0 (Eberly 1996, *Ridges in Image and Data Analysis*; with p = ∇T/|∇T| and f = |∇T| this is
Canny's edge, 1986, IEEE PAMI 8:679-698). p has no sign: it may be a gradient or an eigenvector. Crossings are
found on every grid edge after turning one end's p to agree with the other's, and joined cell by cell
(marching ridges: Furst & Pizer 2001, IEEE Conf. Computer Vision and Pattern Recognition).

A grid edge has the number 2·node for the one to the right of a node and 2·node + 1 for the one above it.
Ridges are few beside nodes, so crossings are kept as a list, in order of their edges.
"""

import math

import numpy as np

from searcher.kernels.compiled import inner, kernel

FAST = {"contract", "arcp", "nsz", "reassoc"}
#: what is kept of a crossing besides its edge: share of the way along it, height, direction across
KEPT = 4


@inner(fastmath=FAST)
def _slope_along(below, f, above, px, py, dx, dy, out):
    """p·∇f and p·H·p along one row of nodes by central differences, side by side in `out`; NaN at gaps."""
    dx2, dy2 = dx + dx, dy + dy
    for i in range(1, f.size - 1):
        x, y, here = px[i], py[i], f[i]
        right, left, up, down = f[i + 1] - here, here - f[i - 1], above[i] - here, here - below[i]
        diagonal = (above[i + 1] - above[i - 1] - below[i + 1] + below[i - 1]) / (dx2 * dy2)
        out[2 * i] = x * (right + left) / dx2 + y * (up + down) / dy2
        bend = x * x * (right - left) / (dx * dx) + y * y * (up - down) / (dy * dy)
        out[2 * i + 1] = bend + (x * y + x * y) * diagonal


@inner()
def _span(f, low):
    """The first value of a row that is at least `low`, and one beyond the last; (size, 0) where none is."""
    first, last, count = f.size, 0, 0
    for i in range(f.size):  # many at once, where a search would look at one after another
        count += f[i] >= low
    if count:
        first, last = 0, f.size
        while not f[first] >= low:
            first += 1
        while not f[last - 1] >= low:
            last -= 1
    return first, last


@kernel()
def find_crossings(f, px, py, east, north, low, sharp, rise, first, across, where, kept):
    """Ridge crossings on the edges to the right of and above the nodes of a tile.

    f, px, py: (rows, columns), the field and the unit direction across its ridges, in metres, with a margin
    of one node below and to the left and two above and to the right of the nodes whose edges are searched.
    east, north: metres between nodes, (rows,); low, sharp, rise: see `trace_ridges`; all of one dtype.
    first: number of the edge to the right of node (0, 0). across: nodes in a row of the whole grid. where
    (int64) and kept (.., KEPT) are filled; returns how many crossings there are, which may exceed their room.
    """
    rows, columns = f.shape
    slopes = np.empty((2, 2 * columns), f.dtype)
    count = 0
    above = _span(f[1], low)
    for r in range(1, rows - 2):
        here, above = above, _span(f[r + 1], low)
        left, right = max(min(here[0], above[0]) - 1, 1), min(max(here[1], above[1]), columns - 2)
        if left >= right:
            continue
        part = slice(left - 1, right + 2)
        for k in range(r, r + 2):
            steps, row = (east[k], north[k]), slopes[k % 2, 2 * part.start :]
            _slope_along(f[k - 1, part], f[k, part], f[k + 1, part], px[k, part], py[k, part], *steps, row)
        for i in range(left, right):
            for side in range(2):
                q, p = r + side, i + 1 - side
                g, h = f[r, i], f[q, p]
                if not (g >= low or h >= low):
                    continue
                a, b = slopes[r % 2, 2 * i], slopes[q % 2, 2 * p]
                dot = px[r, i] * px[q, p] + py[r, i] * py[q, p]
                turn = -1 if dot < 0 else 1
                b *= turn
                if not (a * b < 0 or (a == 0 and b != 0)):  # so for NaN; a zero at b is for the next edge
                    continue
                t = a / (a - b)
                height = g + t * (h - g)
                bend = slopes[r % 2, 2 * i + 1]
                bend += t * (slopes[q % 2, 2 * p + 1] - bend)
                if not (height >= low and bend < 0 and -bend >= sharp * height + rise):
                    continue
                if count < where.size:
                    x = px[r, i] + t * (turn * px[q, p] - px[r, i])
                    y = py[r, i] + t * (turn * py[q, p] - py[r, i])
                    size = math.hypot(x, y)
                    where[count] = first + 2 * (r * across + i) + side
                    kept[count, 0] = t
                    kept[count, 1] = height
                    kept[count, 2] = x / size
                    kept[count, 3] = y / size
                count += 1
    return count


@inner()
def _join(links, a, b):
    """Link two crossings, each given as a number and which of its edge's two cells this is."""
    links[a // 2, a % 2] = b // 2
    links[b // 2, b % 2] = a // 2


@inner()
def _join_cell(found, n, x, y, links):
    """Link the n crossings around a cell, given in order around it, as `_join` takes them."""
    a, b = 0, 1
    if n > 2:
        apart = np.empty((n, n))
        for p in range(n):
            for q in range(n):
                k, m = found[p] // 2, found[q] // 2
                apart[p, q] = math.hypot(x[k] - x[m], y[k] - y[m])
        if n == 3:
            # p cannot be oriented around this cell; join the two nearest each other
            if apart[0, 2] < apart[a, b]:
                a, b = 0, 2
            if apart[1, 2] < apart[a, b]:
                a, b = 1, 2
        else:
            # two ridges pass: the pairing with the shorter links keeps them apart
            if apart[0, 1] + apart[2, 3] > apart[0, 3] + apart[1, 2]:
                a, b = 0, 3
            _join(links, found[2], found[4 - b])
    if n > 1:
        _join(links, found[a], found[b])


@inner()
def _find_around(sides, cell, found):
    """Crossings around a cell, put into `found` as `_join` takes them; how many they are."""
    n = 0
    # below, right, above, left; of the first and the last it is the higher cell
    for side, shift, higher in ((0, 0, 1), (1, 1, 0), (2, 0, 0), (1, 0, 1)):
        if sides[side, cell + shift] >= 0:
            found[n] = 2 * sides[side, cell + shift] + higher
            n += 1
    return n


@kernel()
def _link(column, upward, x, y, starts, nx):
    """Links between crossings, cell by cell: (crossings, 2), to the one in the lower cell and in the higher.

    column, upward: of their edges, in rising order. x, y: places in cells. starts: (ny + 1,), the first
    crossing of each row.
    """
    links = np.empty((column.size, 2), np.int64)
    # crossings around the cells of one row: below, on the left, above; and the row for which a cell was done
    sides, done = np.empty((3, nx + 1), np.int64), np.empty(nx, np.int64)
    links[:] = sides[:] = done[:] = -1
    found = np.empty(4, np.int64)
    for j in range(starts.size - 2):
        middle, last = starts[j + 1], starts[j + 2]
        for k in range(starts[j], last):
            if k < middle:
                sides[upward[k], column[k]] = k
            elif upward[k] == 0:
                sides[2, column[k]] = k
        for k in range(starts[j], last):
            for cell in range(max(column[k] - 1, 0), min(column[k] + 1, nx - 1)):
                if done[cell] == j:
                    continue
                done[cell] = j
                n = _find_around(sides, cell, found)
                _join_cell(found, n, x, y, links)
        for k in range(starts[j], last):
            for side in range(3):
                sides[side, column[k]] = -1
    return links


@kernel()
def _walk(links):
    """Crossings in the order of their chains, and the offset at which each chain starts.

    Open chains come first. A closed one repeats its first crossing.
    """
    used = np.empty(links.shape[0], np.bool_)
    order = np.empty(2 * links.shape[0] + 1, np.int64)
    starts = np.empty(links.shape[0] + 1, np.int64)
    used[:], starts[0] = False, 0
    n = chains = 0
    for closed in range(2):
        for k in range(links.shape[0]):
            ends = (links[k, 0] >= 0) + (links[k, 1] >= 0)
            if used[k] or ends == 0 or (closed == 0 and ends == 2):
                continue
            here = k
            while here >= 0 and not used[here]:
                used[here] = True
                order[n] = here
                n += 1
                a, b = links[here]
                here = a if a >= 0 and not used[a] else b
            if closed:
                order[n] = k
                n += 1
            chains += 1
            starts[chains] = n
    return order[:n], starts[: chains + 1]


def link_crossings(where, kept, ny, nx):
    """Chains of crossings: columns, rows, offsets, then height and direction across (float64).

    where, kept: of `find_crossings`, (n,) and (n, KEPT), in any order. ny, nx: nodes of the whole grid.
    """
    sorting = np.argsort(where)
    edges = where[sorting]
    nodes, upward = edges >> 1, edges & 1
    rows = nodes // nx
    share, *facts = kept[sorting].T.astype(np.float64)
    x = nodes - rows * nx + share * (1 - upward)
    y = rows + share * upward
    starts = np.searchsorted(rows, np.arange(ny + 1))
    order, offsets = _walk(_link(nodes - rows * nx, upward, x, y, starts, nx))
    height, across_x, across_y = (fact[order] for fact in facts)
    return x[order], y[order], offsets, height, across_x, across_y


def trace_ridges(f, px, py, east, north, low, sharp=0.0, rise=0.0):
    """Chains of ridge points where f >= low and bends down by `sharp` (1/m²) of its height plus `rise`.

    f: height, (lat, lon). px, py: unit direction across the ridge at each node, in metres east and north.
    east, north: metres between nodes, shape (lat,). Returns fractional columns and rows (float64) of all
    points, and offsets so that chain k is points offsets[k]:offsets[k + 1].
    """
    ny, nx = f.shape
    f, px, py = (np.pad(part.astype(np.float32), (1, 2), constant_values=math.nan) for part in (f, px, py))
    east, north = (np.pad(step.astype(np.float32), (1, 2), mode="edge") for step in (east, north))
    limits = np.float32(low), np.float32(sharp), np.float32(rise)
    first = -2 * (nx + 1)  # the margin puts node (0, 0) one row and one column outside the grid
    room = f.size // 4
    while True:
        where, kept = np.empty(room, np.int64), np.empty((room, KEPT), np.float32)
        count = find_crossings(f, px, py, east, north, *limits, first, nx, where, kept)
        if count <= room:
            return link_crossings(where[:count], kept[:count], ny, nx)[:3]
        room = count
