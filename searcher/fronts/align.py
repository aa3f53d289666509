# TODO (FLOAT): read /tmp/w/FLOAT/NOTE_FROM_LEAD.md now, then delete this line
"""Coarse currents laid where the pictures of the temperature say they are.

A model or a satellite's map of heights has the right eddies and jets, but some kilometres out of place. Water
carries its temperature: where two pictures have seen the same water, the currents between them must carry the
one into the other. Sought is the smooth displacement d of the currents, u(x) → u(x + d), with which they do,
and which is small: the error of position is corrected, not that of strength ("distortion" of Hoffman et al.
1995, Mon. Weather Rev. 123:2758-2770; field alignment, Ravela, Emanuel & McLaughlin 2007, Physica D
230:127-145). Least is

    Σ (T_older(X(x; d)) - T_newer(x) - level)² / ε²  +  dᵀ C⁻¹ d

over places x seen in the newer picture, X where their water was at the older one, ε what pictures differ by
for other reasons, C the covariance of the displacement before anything is seen. Steps are Gauss-Newton's, the
sensitivity of X to d being integrated along with it (A + ∂F of a trajectory: dS/dt = ∇u S + ∂u/∂d), first
on smooth pictures, whose slopes reach far, then on finer ones.

Nothing here knows how currents come to be out of place; it rests on temperature being carried for half a day
to a day, which a day's warming (a level per pair) does not spoil, and mixing and cooling from below do.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import xarray as xr
from scipy.ndimage import gaussian_filter

from searcher.fronts.temperature import metres_between
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Flow, Grid, sample_field, sample_vectors
from searcher.sea import flow_of, grid_of, has, make_sea, to_seconds
from searcher.sources.composite import add_surface

#: of the displacement before anything is seen: standard deviation per axis and length of correlation, m
DOUBT, LENGTH = 8e3, 45e3
#: pictures differ by so much for other reasons than the currents' position, °C: warming, mixing, edges of
#: clouds, what the currents do not resolve
UNLIKE = 0.8
#: smoothing of the pictures in turn, m, and steps at each
SMOOTHINGS, ROUNDS = (9e3, 6e3, 4e3), 2
#: nodes of the displacement are so far apart, degrees; at most so many along either axis
SPACING, MOST_NODES = 0.5, 8
#: pictures are compared that are so many seconds apart, at places so many metres apart
SHORTEST, LONGEST, PLACES = 6 * 3600.0, 25 * 3600.0, 8e3
#: so many neighbouring places tell the same thing
ALIKE = 2.25
#: step along a trajectory, s; and the most by which a displacement changes at once, m
STEP, LEAP = 3 * 3600.0, 6e3
#: of a smoothed picture, the share around a place that must be seen; fewer places than these say nothing
CLEAR, FEWEST = 0.6, 50


class Warp(NamedTuple):
    """Displacement of a flow: metres east and north (2, rows, columns) at nodes, bilinear between them."""

    nodes: np.ndarray
    grid: Grid

    def shares(self, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
        """What each node counts for at places (n,): (n, nodes)."""
        east = _hats((lon - self.grid.lon0) / self.grid.dlon, self.nodes.shape[2])
        north = _hats((lat - self.grid.lat0) / self.grid.dlat, self.nodes.shape[1])
        return (north[:, :, None] * east[:, None, :]).reshape(lon.size, -1)


class Look(NamedTuple):
    """A smoothed picture (lat, lon; °C), its slopes east and north (per metre), NaN where unseen; when, s."""

    field: np.ndarray
    east: np.ndarray
    north: np.ndarray
    time: float


def _hats(place: np.ndarray, count: int) -> np.ndarray:
    place = np.clip(place, 0.0, count - 1.0)
    return np.maximum(1.0 - np.abs(place[:, None] - np.arange(count)), 0.0)


class Carrier(NamedTuple):
    """A flow (m/s), and its slopes per metre: of u east and north, of v east and north."""

    flow: Flow
    of_u: Flow
    of_v: Flow

    @classmethod
    def of(cls, flow: Flow) -> Carrier:
        lat = flow.lat0 + flow.dlat * np.arange(flow.u.shape[1])
        east, north = metres_between(lat, Grid(*flow[3:]))

        def slope(field):
            return flow._replace(
                u=np.gradient(field, axis=2) / east[:, None], v=np.gradient(field, axis=1) / north[:, None]
            )

        return cls(flow, slope(flow.u), slope(flow.v))

    def read(self, warp: Warp, time: float, lon: np.ndarray, lat: np.ndarray):
        """Velocity (2, n), its slopes (2, 2, n) and the nodes' shares at places, displaced; 0 ashore."""
        shares = warp.shares(lon, lat)
        east, north = (shares @ part.ravel() for part in warp.nodes)
        per_lon, per_lat = row_metrics(lat)
        flow = self.flow
        x = np.clip(lon + east / per_lon, flow.lon0, flow.lon0 + flow.dlon * (flow.u.shape[2] - 1))
        y = np.clip(lat + north / per_lat, flow.lat0, flow.lat0 + flow.dlat * (flow.u.shape[1] - 1))
        hours = np.full(x.size, time)
        speed, *slopes = (np.nan_to_num(np.array(sample_vectors(part, hours, x, y))) for part in self)
        return speed, np.array(slopes), shares


def follow(carrier: Carrier, warp: Warp, lon, lat, change, start: float, end: float):
    """Where water is at `end`, and what a displacement of each node changes of that: lon, lat, change.

    change: (2, n, 2 · nodes), metres per metre, given for `start` and returned for `end`. Midpoint rule,
    implicit for the change, which the shear of a jet would blow up otherwise.
    """
    steps = max(round(abs(end - start) / STEP), 1)
    h = (end - start) / steps
    for k in range(steps):
        now = start + k * h
        per_lon, per_lat = row_metrics(lat)
        (u, v), _, _ = carrier.read(warp, now, lon, lat)
        middle = lon + h / 2 * u / per_lon, lat + h / 2 * v / per_lat
        (u, v), slopes, shares = carrier.read(warp, now + h / 2, *middle)
        (a, b), (c, d) = h / 2 * slopes
        own = [np.concatenate([h * s[0][:, None] * shares, h * s[1][:, None] * shares], 1) for s in slopes]
        east = (1 + a)[:, None] * change[0] + b[:, None] * change[1] + own[0]
        north = c[:, None] * change[0] + (1 + d)[:, None] * change[1] + own[1]
        whole = (1 - a) * (1 - d) - b * c
        change = np.stack(
            [
                ((1 - d) / whole)[:, None] * east + (b / whole)[:, None] * north,
                (c / whole)[:, None] * east + ((1 - a) / whole)[:, None] * north,
            ]
        )
        lon, lat = lon + h * u / per_lon, lat + h * v / per_lat
    return lon, lat, change


def smooth(pictures: xr.Dataset, smoothing: float) -> list[Look]:
    """The pictures (node `temperature`) smoothed by a Gaussian of so many metres, gaps left out."""
    east, north = metres_between(pictures["lat"].values, grid_of(pictures))
    sigma = smoothing / north.mean(), smoothing / east.mean()
    looks = []
    for field, time in zip(pictures["sst"].values, to_seconds(pictures["time"].values), strict=True):
        seen = np.isfinite(field)
        weight = gaussian_filter(seen.astype(np.float64), sigma)
        value = gaussian_filter(np.where(seen, field, 0.0).astype(np.float64), sigma)
        value = np.where(weight > CLEAR, value / np.maximum(weight, CLEAR), np.nan)
        slopes = np.gradient(value, axis=1) / east[:, None], np.gradient(value, axis=0) / north[:, None]
        looks.append(Look(value, *slopes, float(time)))
    return looks


def compare(carrier: Carrier, warp: Warp, newer: Look, olders: list[Look], grid: Grid):
    """How a picture disagrees with older ones: for each, °C (n,), and what the nodes change of it.

    The water at places of the newer picture is followed back once, from one of the `olders` to the next.
    """
    stride = max(1, round(PLACES / (row_metrics(np.array([grid.lat0]))[1][0] * grid.dlat)))
    value = newer.field[::stride, ::stride]
    rows, columns = np.nonzero(np.isfinite(value))
    lon = grid.lon0 + grid.dlon * stride * columns
    lat = grid.lat0 + grid.dlat * stride * rows
    change, now = np.zeros((2, lon.size, warp.nodes.size)), newer.time
    for older in olders:
        lon, lat, change = follow(carrier, warp, lon, lat, change, now, older.time)
        now = older.time
        was, east, north = (sample_field(field, grid, lon, lat) for field in older[:3])
        off = was - value[rows, columns]
        known = np.isfinite(off) & np.isfinite(east) & np.isfinite(north)
        yield off[known], east[known, None] * change[0][known] + north[known, None] * change[1][known]


def _improve(carrier: Carrier, warp: Warp, looks: list[Look], grid: Grid, prior: np.ndarray) -> Warp:
    """One step of Gauss and Newton, with Huber's weights (1964, Ann. Math. Stat. 35:73-101)."""
    square, side = prior.copy(), prior @ warp.nodes.ravel()
    for k, newer in enumerate(looks):
        olders = [o for o in looks[:k][::-1] if newer.time - o.time <= LONGEST]
        for off, slope in compare(carrier, warp, newer, olders, grid):
            if off.size < FEWEST:
                continue
            off = off - np.median(off)  # one level for the pair
            weight = 1.0 / (ALIKE * UNLIKE**2) / np.maximum(1.0, np.abs(off) / (2.0 * UNLIKE))
            slope = slope - weight @ slope / weight.sum()
            square += slope.T @ (weight[:, None] * slope)
            side += slope.T @ (weight * off)
    step = np.linalg.solve(square, -side)
    step *= min(1.0, LEAP / max(np.abs(step).max(), 1e-9))
    return warp._replace(nodes=warp.nodes + step.reshape(warp.nodes.shape))


def lay_nodes(grid: Grid, shape: tuple[int, int]) -> Warp:
    """No displacement, on nodes over a grid of so many rows and columns."""
    counts, steps = [], []
    for step, cells in ((grid.dlat, shape[0]), (grid.dlon, shape[1])):
        length = step * (cells - 1)
        count = int(np.clip(np.ceil(length / SPACING) + 1, 2, MOST_NODES))
        counts.append(count)
        steps.append(length / (count - 1))
    return Warp(np.zeros((2, *counts)), Grid(grid.lon0, steps[1], grid.lat0, steps[0]))


def inverse_covariance(warp: Warp) -> np.ndarray:
    """C⁻¹ of the displacement: Gaussian over `LENGTH`, or the nodes' spacing where that is more."""
    rows, columns = warp.nodes.shape[1:]
    lat = warp.grid.lat0 + warp.grid.dlat * np.arange(rows)
    east, north = metres_between(lat, warp.grid)
    x, y = (a.ravel() for a in np.meshgrid(east.mean() * np.arange(columns), north.mean() * np.arange(rows)))
    length = max(LENGTH, 0.75 * east.mean(), 0.75 * north.mean())
    apart = np.hypot(x[:, None] - x, y[:, None] - y)
    covariance = DOUBT**2 * (np.exp(-0.5 * (apart / length) ** 2) + 1e-3 * np.eye(x.size))
    return np.kron(np.eye(2), np.linalg.inv(covariance))


def choose_pictures(times: np.ndarray, first: float, last: float) -> list[int]:
    """Pictures between two hours, the newest and others before it at least `SHORTEST` apart; ascending."""
    chosen: list[int] = []
    for k in np.flatnonzero((times >= first) & (times <= last))[::-1]:
        if not chosen or times[chosen[-1]] - times[k] >= SHORTEST:
            chosen.append(int(k))
    return chosen[::-1]


def find_warp(currents: xr.Dataset, pictures: xr.Dataset) -> Warp:
    """The displacement with which the currents (node `currents`) carry the pictures (`temperature`) best.

    None at all (zeros) where no two pictures within the hours of the currents are near enough in time.
    """
    flow, grid = flow_of(currents), grid_of(pictures)
    warp = lay_nodes(grid_of(currents), flow.u.shape[1:])
    carrier, prior = Carrier.of(flow), inverse_covariance(warp)
    chosen = choose_pictures(to_seconds(pictures["time"].values), flow.t[0], flow.t[-1])
    for smoothing in SMOOTHINGS:
        looks = smooth(pictures.isel(time=chosen), smoothing)
        for _ in range(ROUNDS):
            warp = _improve(carrier, warp, looks, grid, prior)
    return warp


def displace(currents: xr.Dataset, warp: Warp) -> xr.Dataset:
    """Currents at every node as they stand a displacement away; missing where they were missing."""
    flow = flow_of(currents)
    lon = flow.lon0 + flow.dlon * np.arange(flow.u.shape[2])
    lat = flow.lat0 + flow.dlat * np.arange(flow.u.shape[1])
    x, y = (a.ravel() for a in np.meshgrid(lon, lat))
    shares = warp.shares(x, y)
    east, north = (shares @ part.ravel() for part in warp.nodes)
    per_lon, per_lat = row_metrics(y)
    x = np.clip(x + east / per_lon, lon[0], lon[-1])
    y = np.clip(y + north / per_lat, lat[0], lat[-1])
    moved = {"u": [], "v": []}
    for time in flow.t:
        for name, values in zip(moved, sample_vectors(flow, np.full(x.size, time), x, y), strict=True):
            was = getattr(flow, name)[len(moved[name])]
            values = values.reshape(was.shape)
            moved[name].append(np.where(np.isnan(was), np.nan, np.where(np.isnan(values), was, values)))
    return currents.assign(
        {
            name: currents[name].copy(data=np.array(values, currents[name].dtype))
            for name, values in moved.items()
        }
    )


def align_sea(sea: xr.DataTree) -> xr.DataTree:
    """A sea with its currents laid where its pictures say, and its map of the temperature carried by those.

    Unchanged where no two pictures near enough in time lie within the hours of the currents, and where it has
    been done before (attribute `aligned` of the currents: how far, metres).
    """
    nodes = {name: node.to_dataset() for name, node in sea.children.items()}
    if "aligned" in nodes["currents"].attrs:
        return sea
    warp = find_warp(nodes["currents"], nodes["temperature"])
    if not warp.nodes.any():
        return sea
    far = float(np.sqrt(np.mean(np.sum(warp.nodes**2, axis=0))))
    nodes["currents"] = displace(nodes["currents"], warp).assign_attrs(aligned=far)
    if not has(sea, "surface"):
        return make_sea(nodes)
    was = nodes.pop("surface")
    better = add_surface(make_sea(nodes), at=was["time"].values[0])["surface"].to_dataset()
    # what pictures of other products had filled stays
    filled = {name: better[name].fillna(was[name]) for name in ("sst", "age")}
    return make_sea(nodes | {"surface": better.assign(filled)})
