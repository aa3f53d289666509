"""Plain numpy and scipy twins of kernels, as a reader would write them, for tests and benchmarks.

A twin is written from what its kernel promises, not from its code, and returns the same. `TWINS` says whose
twin each is; `tests/bench/twins.py` times them side by side. Kernels without one here are either held against
something better by a benchmark of their own (`BENCHED`), or loops that only run within others (`PARTS`), or
plain numpy themselves (`PLAIN`).
"""

from __future__ import annotations

import numpy as np
from line_twins import fit_steps, gather_sections
from scipy.ndimage import correlate1d, map_coordinates, uniform_filter
from way_twins import extend, follow, relax, spend, straight_times, trace_back

from searcher.kernels.gradient import LEAST_SPREAD, LEAST_WEIGHT
from searcher.kernels.metric import E2, A

#: least weight of known corners that makes a value
LEAST_CORNERS = 1e-6


# ---- metric, sample, strain


def row_metrics(lat):
    """Metres per degree of longitude and of latitude (Snyder 1987, USGS PP 1395, eqs. 4-18 to 4-21)."""
    phi = np.radians(lat)
    w = np.sqrt(1.0 - E2 * np.sin(phi) ** 2)
    return np.radians(A / w * np.cos(phi)), np.radians(A * (1.0 - E2) / w**3)


def _between(field, *where):
    """Linear between nodes by the weights of those that are known; NaN beyond the rim. where: in nodes."""
    known = np.isfinite(field)
    total, weight = (
        map_coordinates(part, where, order=1, mode="constant", cval=np.nan)
        for part in (np.where(known, field, 0.0), known.astype(float))
    )
    return np.where(weight > LEAST_CORNERS, total / np.maximum(weight, LEAST_CORNERS), np.nan)


def sample_field(field, grid, lon, lat):
    """Values of a field at places."""
    return _between(field, (lat - grid.lat0) / grid.dlat, (lon - grid.lon0) / grid.dlon)


def sample_vectors(flow, t, lon, lat):
    """u and v of a flow at places and times, where its gaps are the same at all times."""
    moment = np.interp(t, flow.t, np.arange(flow.t.size))
    where = moment, (lat - flow.lat0) / flow.dlat, (lon - flow.lon0) / flow.dlon
    return _between(flow.u, *where), _between(flow.v, *where)


def velocity_gradients(u, v, lat, east, north):
    """u_x, u_y, v_x, v_y within the rim: central differences, with the curvature terms of a sphere's rows."""
    per_lon, _ = row_metrics(lat)
    radius = per_lon / np.radians(1.0) / np.cos(np.radians(lat))  # of the prime vertical
    curve = (np.tan(np.radians(lat)) / radius)[1:-1, None]
    dx, dy = 2 * east[1:-1, None], 2 * north[1:-1, None]
    ux = (u[1:-1, 2:] - u[1:-1, :-2]) / dx - v[1:-1, 1:-1] * curve
    vx = (v[1:-1, 2:] - v[1:-1, :-2]) / dx + u[1:-1, 1:-1] * curve
    uy, vy = (u[2:, 1:-1] - u[:-2, 1:-1]) / dy, (v[2:, 1:-1] - v[:-2, 1:-1]) / dy
    return ux, uy, vx, vy


def strain(u, v, lat, east, north):
    """Divergence, vorticity, the two rates of strain and the unit vector of the first, from angles."""
    ux, uy, vx, vy = velocity_gradients(u, v, lat, east, north)
    normal, shear = 0.5 * (ux - vy), 0.5 * (vx + uy)
    mean, size = 0.5 * (ux + vy), np.hypot(normal, shear)
    turn = 0.5 * np.arctan2(shear, normal)  # of the axis that is stretched most
    parts = ux + vy, vx - uy, mean - size, mean + size, -np.sin(turn), np.cos(turn)
    return tuple(np.pad(part, 1, constant_values=np.nan) for part in parts)


# ---- gradient


def fit_slopes(field, east, north, sigma):
    """d/dx and d/dy of the plane fitted to the known nodes around each node under a Gaussian of sigma m.

    By nine moments, each a filter along the columns and one along the rows; east, north: metres between
    nodes, the same for every row.
    """
    known = np.isfinite(field)
    filled = np.where(known, field - np.nanmean(field), 0.0)
    x, y = _taps(sigma / east), _taps(sigma / north)

    def moments(part, most):
        down = [correlate1d(part, y[b], axis=0, mode="constant") for b in range(most + 1)]
        return {
            (a, b): correlate1d(down[b], x[a], axis=1, mode="constant")
            for b in range(most + 1)
            for a in range(most + 1 - b)
        }

    m, f = moments(known.astype(float), 2), moments(filled, 1)
    weight = np.where(known, m[0, 0], np.nan)
    mean_x, mean_y = m[1, 0] / weight, m[0, 1] / weight
    xx, xy, yy = m[2, 0] - m[1, 0] * mean_x, m[1, 1] - m[1, 0] * mean_y, m[0, 2] - m[0, 1] * mean_y
    fx, fy = f[1, 0] - f[0, 0] * mean_x, f[0, 1] - f[0, 0] * mean_y
    determinant = xx * yy - xy * xy
    full, wide = x[0].sum() * y[0].sum(), x[2].sum() * y[0].sum() * y[2].sum() * x[0].sum()
    good = (weight >= LEAST_WEIGHT * full) & (determinant >= LEAST_SPREAD * wide)
    determinant = np.where(good, determinant, np.nan)
    return (fx * yy - fy * xy) / determinant / east, (fy * xx - fx * xy) / determinant / north


def _taps(sigma):
    """Gaussian weights out to three sigma (in nodes), and those times the distance and its square."""
    reach = max(1, int(np.ceil(3.0 * sigma)))
    k = np.arange(-reach, reach + 1)
    weight = np.exp(-0.5 * (k / sigma) ** 2)
    return weight, weight * k, weight * k * k


# ---- ridge

#: how the crossings around a cell, in order, may be joined two by two; the shortest way is taken
JOINTS = {
    2: [[[0, 1]]],
    3: [[[0, 1]], [[0, 2]], [[1, 2]]],
    4: [[[0, 1], [2, 3]], [[0, 3], [1, 2]]],
}


def find_crossings(f, px, py, east, north, low, sharp, rise, first, across):
    """Numbers of the edges that a ridge crosses, in order, and of each its share, height and direction."""
    inner, dx, dy = np.s_[1:-1, 1:-1], east[1:-1, None], north[1:-1, None]
    fx, fy = (f[1:-1, 2:] - f[1:-1, :-2]) / (2 * dx), (f[2:, 1:-1] - f[:-2, 1:-1]) / (2 * dy)
    fxx = (f[1:-1, 2:] - 2 * f[inner] + f[1:-1, :-2]) / dx**2
    fyy = (f[2:, 1:-1] - 2 * f[inner] + f[:-2, 1:-1]) / dy**2
    fxy = (f[2:, 2:] - f[2:, :-2] - f[:-2, 2:] + f[:-2, :-2]) / (4 * dx * dy)
    x, y = px[inner], py[inner]
    slope, bend = np.full(f.shape, np.nan), np.full(f.shape, np.nan)
    slope[inner] = x * fx + y * fy
    bend[inner] = x * x * fxx + 2 * x * y * fxy + y * y * fyy
    found = []
    for side in (0, 1):  # to the node on the right, and to the one above
        here, there = np.s_[1:-2, 1:-2], np.s_[1 + side : f.shape[0] - 2 + side, 2 - side : -1 - side]
        turn = np.where(px[here] * px[there] + py[here] * py[there] < 0, -1, 1)
        a, b = slope[here], turn * slope[there]
        crossed = (a * b < 0) | ((a == 0) & (b != 0))
        turn = turn[crossed]
        j, i = np.nonzero(crossed)
        j, i = j + 1, i + 1
        q, p = j + side, i + 1 - side
        t = slope[j, i] / (slope[j, i] - turn * slope[q, p])
        height, bent, x, y = (
            one[j, i] + t * (sign * one[q, p] - one[j, i])
            for one, sign in ((f, 1), (bend, 1), (px, turn), (py, turn))
        )
        keep = (height >= low) & (bent < 0) & (-bent >= sharp * height + rise)
        size = np.hypot(x, y)
        edge = first + 2 * (j * across + i) + side
        found.append(np.column_stack([edge, t, height, x / size, y / size])[keep])
    found = np.concatenate(found)
    found = found[np.argsort(found[:, 0])]
    return found[:, 0].astype(np.int64), found[:, 1:]


def link_crossings(where, kept, ny, nx):
    """Chains of crossings: columns, rows, offsets, then height and direction across."""
    order = np.argsort(where)
    node, up = np.divmod(where[order], 2)
    rows, columns = np.divmod(node, nx)
    share, *facts = kept[order].T
    x, y = columns + share * (1 - up), rows + share * up
    # every crossing stands on the rim of two cells: (cell, place around it, which end of the crossing)
    k = np.arange(where.size)
    lower, higher = np.where(up, columns, rows) > 0, np.where(up, columns < nx - 1, rows < ny - 1)
    cell = np.concatenate([(node - np.where(up, 1, nx))[lower], node[higher]])
    around = np.concatenate([np.where(up, 1, 2)[lower], np.where(up, 3, 0)[higher]])
    end = np.concatenate([2 * k[lower], 2 * k[higher] + 1])
    sorting = np.lexsort([around, cell])
    cell, end = cell[sorting], end[sorting]
    begin = np.flatnonzero(np.diff(cell, prepend=-1))
    count = np.diff(begin, append=cell.size)
    links = np.full(2 * where.size, -1)
    for size, joints in JOINTS.items():
        ends = end[begin[count == size][:, None] + np.arange(size)][:, np.array(joints)]
        a, b = np.moveaxis(ends // 2, -1, 0)
        shortest = np.hypot(x[a] - x[b], y[a] - y[b]).sum(axis=-1).argmin(axis=1)
        one, other = ends[np.arange(len(ends)), shortest].reshape(-1, 2).T
        links[one], links[other] = other // 2, one // 2
    order, offsets = _walk(links.reshape(-1, 2).tolist())
    return x[order], y[order], offsets, *(fact[order] for fact in facts)


def _walk(links):
    """Crossings chain by chain, open chains first, and where each chain begins."""
    used, order, offsets = [False] * len(links), [], [0]
    for closed in (False, True):
        for k, (a, b) in enumerate(links):
            ends = (a >= 0) + (b >= 0)
            if used[k] or ends == 0 or (ends == 2 and not closed):
                continue
            here = k
            while here >= 0 and not used[here]:
                used[here] = True
                order.append(here)
                a, b = links[here]
                here = a if a >= 0 and not used[a] else b
            order += [k] * closed
            offsets.append(len(order))
    return np.array(order, int), np.array(offsets)


def trace_ridges(f, px, py, east, north, low, sharp=0.0, rise=0.0):
    """Columns and rows of ridge points, chain by chain, and offsets of the chains."""
    ny, nx = f.shape
    f, px, py = (np.pad(part.astype(float), (1, 2), constant_values=np.nan) for part in (f, px, py))
    east, north = (np.pad(step, (1, 2), mode="edge") for step in (east, north))
    found = find_crossings(f, px, py, east, north, low, sharp, rise, -2 * (nx + 1), nx)
    return link_crossings(*found, ny, nx)[:3]


# ---- histogram


def smooth_windows(field, wanted, size, step):
    """Means of the known among the 3 x 3 pixels around each in the wanted windows; NaN elsewhere."""
    inside = np.zeros(field.shape, bool)
    for b, a in np.argwhere(wanted) * step:
        inside[b : b + size, a : a + size] = True
    known = np.isfinite(field)
    total, count = (
        uniform_filter(part, 3, mode="constant")
        for part in (np.where(known, field, 0.0), known.astype(float))
    )
    return np.where(inside & known, total / np.maximum(count, 0.1), np.nan).astype(np.float32)


# ---- whose twin each is

TWINS = {
    "metric.row_metrics": row_metrics,
    "sample.sample_field": sample_field,
    "sample.sample_vectors": sample_vectors,
    "strain.strain": strain,
    "gradient.fit_tile": fit_slopes,
    "ridge.find_crossings": find_crossings,
    "ridge.link_crossings": link_crossings,
    "ridge.trace_ridges": trace_ridges,
    "histogram.smooth_windows": smooth_windows,
    "section.gather_sections": gather_sections,
    "step.fit_steps": fit_steps,
    "march.straight_times": straight_times,
    "march.trace_back": trace_back,
    "tour.spend": spend,
    "bound.relax": relax,
    "bound.follow": follow,
    "bound.extend": extend,
}
#: kernel -> the benchmark that holds it against something else
BENCHED = {
    "advect.advect": "advection",
    "bound.prove_tour": "tour",
    "edges.trace_edges": "edges",
    "histogram.find_populations": "histogram",
    "march.march": "reach",
    "median.contextual_median": "median",
    "tour.search_tour": "tour",
}
#: function -> the kernel that it runs within
PARTS = {
    "bound.remember": "bound.relax",
    "histogram.moments": "histogram.find_populations",
    "histogram.split_populations": "histogram.find_populations",
    "histogram.cohesion": "histogram.find_populations",
    "march.ground_speed": "march.straight_times",
    "metric.metres_per_degree": "metric.row_metrics",
    "metric.degrees_per_metre": "advect.advect",
    "sample.moment_of": "sample.sample_vectors",
    "sample.sample_flow": "sample.sample_vectors",
    "sample.sample_stream": "advect.advect",
    "tanh.solve": "step.fit_steps",
    "tanh.weigh": "step.fit_steps",
    "tanh.start": "step.fit_steps",
    "tanh.fit": "step.fit_steps",
    "lanes.load": "gradient.fit_tile",
    "lanes.store": "gradient.fit_tile",
    "lanes.spread": "gradient.fit_tile",
    "lanes.root": "gradient.fit_tile",
    "lanes.where_less": "gradient.fit_tile",
    "lanes.any_less": "gradient.fit_tile",
    "lanes.less": "median.contextual_median",
    "lanes.more": "median.contextual_median",
}
#: what has no compiled loop in it
PLAIN = {
    "bound.count_steps",
    "compiled.inner",
    "compiled.kernel",
    "gradient.gaussian_taps",
    "gradient.scale_of",
    "histogram.window_count",
    "sample.weave",
}
