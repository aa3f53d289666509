"""Values of gridded fields between their nodes.

Bilinear in space, linear in time. Corners that are missing (NaN) are left out and the weights of the others
scaled up, so that a particle beside a gap or the shore still moves; where all corners are missing the
answer is NaN. Times before the first or after the last field are given that field's value: whether that is
acceptable is decided once, in Python, where the trip's hours are known.
"""

import math
from typing import NamedTuple

import numpy as np

from searcher.kernels.compiled import inner, kernel


class Grid(NamedTuple):
    """A regular grid: first node and step in degrees."""

    lon0: float
    dlon: float
    lat0: float
    dlat: float


class Flow(NamedTuple):
    """A time-dependent vector field: t (s, ascending), u and v of shape (time, lat, lon), and its grid.

    The grid stands here field by field.
    """

    t: np.ndarray
    u: np.ndarray
    v: np.ndarray
    lon0: float
    dlon: float
    lat0: float
    dlat: float


class Stream(NamedTuple):
    """A `Flow` as particles read it: u and v of a node side by side, so that one line of memory serves both.

    uv: (time, lat · lon · 2). rows, columns: nodes in lat and lon. `weave` makes it.
    """

    t: np.ndarray
    uv: np.ndarray
    rows: int
    columns: int
    lon0: float
    dlon: float
    lat0: float
    dlat: float


def weave(flow: Flow) -> Stream:
    """The `Stream` of a flow."""
    both = np.stack([flow.u, flow.v], axis=-1).astype(np.float64, copy=False)
    return Stream(flow.t, both.reshape(flow.t.size, -1), *flow.u.shape[1:], *flow[3:])


@inner()
def _cell(x, x0, dx, n):
    """Index of the node at or below x, the share of the way to the next, and whether x is on the grid."""
    s = (x - x0) / dx
    # half a billionth of a cell of slack: a point written as the last node must count as on the grid
    if not (s >= -1e-9 and s <= n - 1 + 1e-9):  # false for NaN too
        return 0, 0.0, False
    i = min(max(int(math.floor(s)), 0), n - 2)
    return i, s - i, True


@inner()
def _bilinear(field, j, i, wy, wx):
    """Value between four nodes, leaving out NaN; NaN where none has weight."""
    total = 0.0
    weight = 0.0
    for b in range(2):
        wb = wy if b else 1.0 - wy
        for a in range(2):
            value = field[j + b, i + a]
            if value == value:
                w = wb * (wx if a else 1.0 - wx)
                total += w * value
                weight += w
    return total / weight if weight > 1e-6 else math.nan


@inner()
def _corners(stream, k, j, i, wy, wx):
    """(u, v) of a `Stream` between four nodes at its hour k, as `_bilinear`; NaN where none has weight."""
    u = 0.0
    v = 0.0
    weight = 0.0
    for b in range(2):
        for a in range(2):
            node = 2 * ((j + b) * stream.columns + i + a)
            one, other = stream.uv[k, node], stream.uv[k, node + 1]
            if one == one and other == other:
                w = (wy if b else 1.0 - wy) * (wx if a else 1.0 - wx)
                u += w * one
                v += w * other
                weight += w
    return (u / weight, v / weight) if weight > 1e-6 else (math.nan, math.nan)


@inner()
def moment_of(t, times):
    """Indices of the times around t and the share of the way from one to the other; held at both ends."""
    last = times.size - 1
    if not t > times[0]:
        return 0, 0, 0.0
    if t >= times[last]:
        return last, last, 0.0
    k, later = 0, last
    while later - k > 1:
        middle = (k + later) // 2
        if times[middle] <= t:
            k = middle
        else:
            later = middle
    return k, later, (t - times[k]) / (times[later] - times[k])


@inner()
def sample_flow(flow, t, lon, lat):
    """(u, v, on the grid) of a `Flow` at one time and place; u is NaN where the field is missing."""
    j, wy, inside_y = _cell(lat, flow.lat0, flow.dlat, flow.u.shape[1])
    i, wx, inside_x = _cell(lon, flow.lon0, flow.dlon, flow.u.shape[2])
    if not (inside_x and inside_y):
        return math.nan, math.nan, False
    k, later, wt = moment_of(t, flow.t)
    u = _bilinear(flow.u[k], j, i, wy, wx)
    v = _bilinear(flow.v[k], j, i, wy, wx)
    if wt > 0.0:
        u += wt * (_bilinear(flow.u[later], j, i, wy, wx) - u)
        v += wt * (_bilinear(flow.v[later], j, i, wy, wx) - v)
    return u, v, True


@inner()
def sample_stream(stream, t, lon, lat):
    """As `sample_flow`, of a `Stream`."""
    j, wy, inside_y = _cell(lat, stream.lat0, stream.dlat, stream.rows)
    i, wx, inside_x = _cell(lon, stream.lon0, stream.dlon, stream.columns)
    if not (inside_x and inside_y):
        return math.nan, math.nan, False
    k, later, wt = moment_of(t, stream.t)
    u, v = _corners(stream, k, j, i, wy, wx)
    if wt > 0.0:
        u2, v2 = _corners(stream, later, j, i, wy, wx)
        u += wt * (u2 - u)
        v += wt * (v2 - v)
    return u, v, True


@kernel()
def sample_field(field, grid, lon, lat):
    """Values of a field of shape (lat, lon) at points; NaN off the grid or where missing. Float64 out."""
    out = np.empty(lon.size)
    for p in range(lon.size):
        j, wy, inside_y = _cell(lat[p], grid.lat0, grid.dlat, field.shape[0])
        i, wx, inside_x = _cell(lon[p], grid.lon0, grid.dlon, field.shape[1])
        out[p] = _bilinear(field, j, i, wy, wx) if inside_x and inside_y else math.nan
    return out


@kernel()
def sample_vectors(flow, t, lon, lat):
    """u and v of a `Flow` at points and times; NaN off the grid or where missing. Two float64 arrays."""
    u = np.empty(lon.size)
    v = np.empty(lon.size)
    for p in range(lon.size):
        u[p], v[p], _ = sample_flow(flow, t[p], lon[p], lat[p])
    return u, v
