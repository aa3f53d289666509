"""Ridge lines of a field, to a fraction of a cell, linked into chains.

A ridge of f across the direction p is where the slope along p is zero and f curves down along p: p·∇f = 0,
p·H·p < 0 (Eberly 1996, *Ridges in Image and Data Analysis*; with p = ∇T/|∇T| and f = |∇T| this is
Canny's edge, 1986, IEEE PAMI 8:679-698). p has no sign: it may be a gradient or an eigenvector. Crossings are
found on every grid edge after turning one end's p to agree with the other's, and joined cell by cell
(marching ridges: Furst & Pizer 2001, IEEE Conf. Computer Vision and Pattern Recognition).
"""

import math

import numpy as np
from numba import njit, prange


@njit(parallel=True, cache=True)
def _slope_along(f, px, py, east, north):
    """p·∇f and p·H·p at every node by central differences; NaN beside gaps and on the rim."""
    ny, nx = f.shape
    slope = np.full((ny, nx), math.nan)
    bend = np.full((ny, nx), math.nan)
    for j in prange(1, ny - 1):
        dx = east[j]
        dy = north[j]
        for i in range(1, nx - 1):
            x = px[j, i]
            y = py[j, i]
            fx = (f[j, i + 1] - f[j, i - 1]) / (2.0 * dx)
            fy = (f[j + 1, i] - f[j - 1, i]) / (2.0 * dy)
            fxx = (f[j, i + 1] - 2.0 * f[j, i] + f[j, i - 1]) / (dx * dx)
            fyy = (f[j + 1, i] - 2.0 * f[j, i] + f[j - 1, i]) / (dy * dy)
            diagonal = f[j + 1, i + 1] - f[j + 1, i - 1] - f[j - 1, i + 1] + f[j - 1, i - 1]
            fxy = diagonal / (4.0 * dx * dy)
            slope[j, i] = x * fx + y * fy
            bend[j, i] = x * x * fxx + 2.0 * x * y * fxy + y * y * fyy
    return slope, bend


@njit(cache=True)
def _crossing(f, px, py, slope, bend, low, sharp, rise, j0, i0, j1, i1):
    """Share of the way from one node to the next at which a ridge crosses, or NaN."""
    a = slope[j0, i0]
    b = slope[j1, i1]
    if px[j0, i0] * px[j1, i1] + py[j0, i0] * py[j1, i1] < 0.0:
        b = -b
    if not (a * b < 0.0 or (a == 0.0 and b != 0.0)):  # false for NaN; a zero at b belongs to the next edge
        return math.nan
    t = a / (a - b)
    height = (1.0 - t) * f[j0, i0] + t * f[j1, i1]
    curve = (1.0 - t) * bend[j0, i0] + t * bend[j1, i1]
    return t if height >= low and curve < 0.0 and -curve >= sharp * height + rise else math.nan


@njit(parallel=True, cache=True)
def _edge_crossings(f, px, py, slope, bend, low, sharp, rise):
    """Crossings on the edges to the right of and above every node: array (lat, lon, 2)."""
    ny, nx = f.shape
    at = np.full((ny, nx, 2), math.nan)
    for j in prange(ny):
        for i in range(nx):
            if i + 1 < nx:
                at[j, i, 0] = _crossing(f, px, py, slope, bend, low, sharp, rise, j, i, j, i + 1)
            if j + 1 < ny:
                at[j, i, 1] = _crossing(f, px, py, slope, bend, low, sharp, rise, j, i, j + 1, i)
    return at


@njit(cache=True)
def _place(at, nx, edge):
    """Fractional column and row of the crossing on an edge."""
    node = edge // 2
    j = node // nx
    i = node - j * nx
    t = at[j, i, edge % 2]
    return (i + t, float(j)) if edge % 2 == 0 else (float(i), j + t)


@njit(cache=True)
def _join(links, a, b):
    """Note that two edges share a chain; an edge has at most one link on either side of it."""
    for end, other in ((a, b), (b, a)):
        if links[end, 0] < 0:
            links[end, 0] = other
        elif links[end, 1] < 0:
            links[end, 1] = other


@njit(cache=True)
def _link_cells(at):
    """Links between crossings, cell by cell: array (edges, 2) of edge numbers, -1 for none."""
    ny, nx, _ = at.shape
    links = np.full((2 * ny * nx, 2), -1, np.int64)
    found = np.empty(4, np.int64)
    for j in range(ny - 1):
        for i in range(nx - 1):
            node = j * nx + i
            n = 0
            # in order around the cell: below, right, above, left
            for edge in (2 * node, 2 * (node + 1) + 1, 2 * (node + nx), 2 * node + 1):
                row = edge // 2 // nx
                if at[row, edge // 2 - row * nx, edge % 2] >= 0.0:
                    found[n] = edge
                    n += 1
            if n == 2 or n == 3:
                # three: p cannot be oriented around this cell; keep the two nearest each other
                best_a, best_b = 0, 1
                if n == 3:
                    least = math.inf
                    for a in range(2):
                        for b in range(a + 1, 3):
                            xa, ya = _place(at, nx, found[a])
                            xb, yb = _place(at, nx, found[b])
                            d = (xa - xb) ** 2 + (ya - yb) ** 2
                            if d < least:
                                least, best_a, best_b = d, a, b
                _join(links, found[best_a], found[best_b])
            elif n == 4:
                # two ridges pass: the pairing with the shorter links keeps them apart
                x0, y0 = _place(at, nx, found[0])
                x1, y1 = _place(at, nx, found[1])
                x2, y2 = _place(at, nx, found[2])
                x3, y3 = _place(at, nx, found[3])
                right = math.hypot(x0 - x1, y0 - y1) + math.hypot(x2 - x3, y2 - y3)
                left = math.hypot(x0 - x3, y0 - y3) + math.hypot(x1 - x2, y1 - y2)
                if right <= left:
                    _join(links, found[0], found[1])
                    _join(links, found[2], found[3])
                else:
                    _join(links, found[0], found[3])
                    _join(links, found[1], found[2])
    return links


@njit(cache=True)
def _walk(links, at):
    """Follow links into chains: columns, rows (float64), and the offset at which each chain starts."""
    nx = at.shape[1]
    used = np.zeros(links.shape[0], np.bool_)
    count = 0
    for edge in range(links.shape[0]):
        count += links[edge, 0] >= 0
    # a closed chain repeats its first point, so there can be more points than edges by one per loop
    x = np.empty(2 * count + 1)
    y = np.empty(2 * count + 1)
    starts = [0]
    n = 0
    for loops in range(2):  # open chains from their ends first, what is left are loops
        for edge in range(links.shape[0]):
            if used[edge] or links[edge, 0] < 0 or (loops == 0 and links[edge, 1] >= 0):
                continue
            here = edge
            while here >= 0 and not used[here]:
                used[here] = True
                x[n], y[n] = _place(at, nx, here)
                n += 1
                a = links[here, 0]
                b = links[here, 1]
                here = a if a >= 0 and not used[a] else b
            if loops == 1:
                x[n], y[n] = _place(at, nx, edge)
                n += 1
            starts.append(n)
    return x[:n].copy(), y[:n].copy(), np.array(starts)


@njit(cache=True)
def trace_ridges(f, px, py, east, north, low, sharp=0.0, rise=0.0):
    """Chains of ridge points where f >= low and bends down by `sharp` (1/m²) of its height plus `rise`.

    f: height, (lat, lon). px, py: unit direction across the ridge at each node, in metres east and north.
    east, north: metres between nodes, shape (lat,). Returns fractional columns and rows (float64) of all
    points, and offsets so that chain k is points offsets[k]:offsets[k + 1].
    """
    slope, bend = _slope_along(f, px, py, east, north)
    at = _edge_crossings(f, px, py, slope, bend, low, sharp, rise)
    return _walk(_link_cells(at), at)
