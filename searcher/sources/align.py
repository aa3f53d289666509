"""Coarse currents moved to where the pictures of the temperature want them.

A model has the right jets and eddies, but some kilometres out of place. Water keeps its temperature for a day
or so: where two pictures saw the same water, the currents between them must carry the one onto the other.
Sought is a smooth displacement d of the currents, u(x) → u(x + d), lasting over the days of the pictures,
with which they do: their place is put right, not their strength ("distortion" of Hoffman et al. 1995, Mon.
Weather Rev. 123:2758-2770; field alignment, Ravela, Emanuel & McLaughlin 2007, Physica D 230:127-145; both
from memory). Least is

    Σ ρ((T_new(x) − T_old(X(x; d)) − level) / ε)  +  |(1 − ℓ²∇²) d|² / (4πℓ²σ²)

over places x clear in the newer picture, X where their water was at the hour of the older; ρ is Huber's; ε
what pictures differ by for other reasons, more where they are steep, since an edge is never known better than
to a kilometre or so; and the last term the inverse covariance of a displacement of σ metres that is smooth
over ℓ. Steps are Gauss and Newton's, in which a change of velocity along a trajectory moves its end by its
integral (to first order, without the growth by shear). They begin on smooth pictures, whose slopes reach
far, and on pairs half a day apart, since over a day neighbouring meanders can be taken for each other.

Nothing here knows how currents come to be out of place. Along a straight front no picture can tell; there the
displacement stays as small as its neighbours allow.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import xarray as xr
from scipy import sparse
from scipy.sparse.linalg import splu

from searcher.carry import Drift, drift_in
from searcher.gridded import smoothed
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Flow, Grid, sample_field, sample_vectors
from searcher.sea import GIVEN, cell_size, flow_of, grid_of, make_sea, metres_between, to_seconds

#: of the displacement before anything is seen: standard deviation per axis, m, and what it is smooth over, m
DOUBT, LENGTH = 8e3, 60e3
#: nodes of the displacement are so far apart, degrees
SPACING = 0.35
#: pictures differ by so much for other reasons, °C, and by an edge being so far out of place, m; differences
#: of more than so many times that count less (Huber 1964, Ann. Math. Stat. 35:73-101)
UNLIKE, ASTRAY, HUBER = 0.5, 1500.0, 1.5
#: how smooth the pictures are in each step, m; in the last `LATE` steps pairs a day apart count too
SMOOTHINGS = (8e3, 6e3, 4e3, 4e3, 2.4e3, 2.4e3, 2.4e3, 2.4e3, 2.4e3, 2.4e3)
LATE = 3
#: share of a step that is taken
CAUTION = 0.8
#: how long pairs are apart, s, give or take a half
APART = (12 * 3600.0, 24 * 3600.0)
#: pictures are compared at places so far apart, m, along trajectories of legs so long, s
PLACES, LEG = 4e3, 7200.0
#: of a smoothed picture, the share around a place that must be clear
CLEAR = 0.6
#: fewer places than these say nothing; currents stay unless the misfit falls to this share of itself, and
#: where they would have to move farther than this, m (root of the mean square): twice what is thought likely
FEWEST, BETTER = 300, 0.9
FARTHEST = 2.0 * np.sqrt(2.0) * DOUBT
#: where currents are is not known better than to this share of their cell
SHARE_OF_CELL = 0.2


class Sheet(NamedTuple):
    """Cubic B-splines (de Boor 1978, from memory) on even nodes over a region, degrees."""

    west: float
    south: float
    step: float
    columns: int
    rows: int

    @classmethod
    def over(cls, grid: Grid, shape: tuple[int, int], step: float) -> Sheet:
        """Over a grid of so many rows and columns."""
        rows, columns = (
            int(np.ceil((n - 1) * d / step)) + 3 for n, d in zip(shape, (grid.dlat, grid.dlon), strict=True)
        )
        return cls(grid.lon0, grid.lat0, step, columns, rows)

    @property
    def size(self) -> int:
        return self.rows * self.columns

    def shares(self, lon: np.ndarray, lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The 16 nodes around each place and what they count for there: (n, 16), (n, 16)."""
        i, east = _hats((lon - self.west) / self.step, self.columns)
        j, north = _hats((lat - self.south) / self.step, self.rows)
        four = np.arange(4)
        nodes = (j[:, None, None] + four[:, None]) * self.columns + i[:, None, None] + four
        return nodes.reshape(-1, 16), (north[:, :, None] * east[:, None, :]).reshape(-1, 16)

    def inverse_covariance(self, doubt: float, length: float) -> sparse.csc_array:
        """Of the values at the nodes: |(1 − ℓ²∇²) d|² over the area of a node (Whittle 1954: ∫ = 4πℓ²σ²)."""
        middle = self.south + 0.5 * self.step * (self.rows - 1)
        east, north = (self.step * per[0] for per in row_metrics(np.array([middle])))
        along_east = (length / east) ** 2 * _ends_free(self.columns)
        along_north = (length / north) ** 2 * _ends_free(self.rows)
        stiff = sparse.eye_array(self.size) + sparse.kronsum(along_east, along_north)
        return sparse.csc_array(stiff @ stiff * (east * north / (4 * np.pi * length**2 * doubt**2)))


def _hats(place: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """First of the four splines that reach a place, and their values there: (n,), (n, 4)."""
    first = np.clip(np.floor(place).astype(int), 0, count - 4)
    t = place - first
    parts = ((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3)
    return first, np.stack(parts, axis=-1) / 6


def _ends_free(count: int) -> sparse.csr_array:
    """Minus the second difference along an axis, free at its ends."""
    step = sparse.diags_array(
        [-np.ones(count - 1), np.ones(count - 1)], offsets=[0, 1], shape=(count - 1, count)
    )
    return sparse.csr_array(step.T @ step)


class Look(NamedTuple):
    """A smoothed picture (lat, lon; °C), its slopes east and north (per metre), NaN where unseen; when, s."""

    field: np.ndarray
    east: np.ndarray
    north: np.ndarray
    time: float


def smooth(pictures: xr.Dataset, smoothing: float) -> list[Look]:
    """Pictures (node `temperature`) smoothed by a Gaussian of so many metres, clear places only."""
    east, north = metres_between(pictures["lat"].values, grid_of(pictures))
    sigma = smoothing / north.mean(), smoothing / east.mean()
    looks = []
    for picture, time in zip(pictures["sst"].values, to_seconds(pictures["time"].values), strict=True):
        field, weight = smoothed(picture, sigma)
        field = np.where(np.isfinite(picture) & (weight > CLEAR), field, np.nan)
        along_north, along_east = np.gradient(field)
        looks.append(Look(field, along_east / east[:, None], along_north / north[:, None], float(time)))
    return looks


def pairs_of(times: np.ndarray, apart: float) -> list[tuple[int, int]]:
    """(newer, older) for every picture that has an older one about so long before: the nearest to it."""
    pairs = []
    for newer, time in enumerate(times):
        gaps = time - times[:newer]
        fits = np.flatnonzero(np.abs(gaps - apart) <= apart / 2)
        if fits.size:
            pairs.append((newer, int(fits[np.abs(gaps[fits] - apart).argmin()])))
    return pairs


class Carrier(NamedTuple):
    """Currents as displaced: their slopes east and north (of u and of v; 1/s), and the drift in them."""

    east: Flow
    north: Flow
    drift: Drift


class Places(NamedTuple):
    """Nodes of a flow, what the sheet's nodes count for at each, and metres in a degree there."""

    lon: np.ndarray
    lat: np.ndarray
    nodes: np.ndarray
    shares: np.ndarray
    per_lon: np.ndarray
    per_lat: np.ndarray

    @classmethod
    def of(cls, flow: Flow, sheet: Sheet) -> Places:
        rows, columns = flow.u.shape[1:]
        lon, lat = np.meshgrid(
            flow.lon0 + flow.dlon * np.arange(columns), flow.lat0 + flow.dlat * np.arange(rows)
        )
        lon, lat = lon.ravel(), lat.ravel()
        return cls(lon, lat, *sheet.shares(lon, lat), *row_metrics(lat))

    def moved(self, shift: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The places a displacement (2, nodes; m east and north) away."""
        east, north = ((self.shares * part[self.nodes]).sum(axis=1) for part in shift)
        return self.lon + east / self.per_lon, self.lat + north / self.per_lat


def displace(flow: Flow, places: Places, shift: np.ndarray) -> Flow:
    """The flow as it stands a displacement away; as it was where that is ashore or beyond the rim."""
    rows, columns = flow.u.shape[1:]
    x, y = places.moved(shift)
    x = np.clip(x, flow.lon0, flow.lon0 + flow.dlon * (columns - 1))
    y = np.clip(y, flow.lat0, flow.lat0 + flow.dlat * (rows - 1))
    taken = [sample_vectors(flow, np.full(x.size, time), x, y) for time in flow.t]
    there = np.array(taken).reshape(flow.t.size, 2, rows, columns).swapaxes(0, 1)
    here = np.stack([flow.u, flow.v])
    moved = np.where(np.isnan(here) | np.isnan(there), here, there)
    return flow._replace(u=moved[0], v=moved[1])


def carrier_of(flow: Flow) -> Carrier:
    """A flow with its slopes, and the drift of water in it."""
    lat = flow.lat0 + flow.dlat * np.arange(flow.u.shape[1])
    east, north = metres_between(lat, Grid(*flow[3:]))
    slopes = [
        flow._replace(
            u=np.nan_to_num(np.gradient(flow.u, axis=axis) / metres),
            v=np.nan_to_num(np.gradient(flow.v, axis=axis) / metres),
        )
        for axis, metres in ((2, east[:, None]), (1, north[:, None]))
    ]
    return Carrier(slopes[0], slopes[1], drift_in(flow))


def refined(flow: Flow) -> Flow:
    """A flow on half its step, linear between its nodes: less of it is smoothed away as it is moved."""
    rows, columns = (2 * n - 1 for n in flow.u.shape[1:])
    finer = flow._replace(dlon=flow.dlon / 2, dlat=flow.dlat / 2)
    lon, lat = finer.lon0 + finer.dlon * np.arange(columns), finer.lat0 + finer.dlat * np.arange(rows)
    x, y = (values.ravel() for values in np.meshgrid(lon, lat))
    fields = np.array([sample_vectors(flow, np.full(x.size, time), x, y) for time in flow.t])
    u, v = fields.swapaxes(0, 1).reshape(2, flow.t.size, rows, columns)
    return finer._replace(u=u, v=v)


def like(currents: xr.Dataset, flow: Flow) -> xr.Dataset:
    """Currents with the values of a flow on their grid."""
    fields = {
        name: currents[name].copy(data=values.astype(currents[name].dtype))
        for name, values in (("u", flow.u), ("v", flow.v))
    }
    return currents.assign(fields)


class Pair(NamedTuple):
    """How a newer picture disagrees with an older one carried to its hour, at n places.

    Differences (°C, less their median), slopes of the older (°C/m) where their water was then, and where it
    was on the way: time (s), lon, lat in the middle of every leg of `leg` s.
    """

    off: np.ndarray
    east: np.ndarray
    north: np.ndarray
    on_way: list[tuple[float, np.ndarray, np.ndarray]]
    leg: float


class Misfit(NamedTuple):
    """Differences of a pair at n places (°C, less their median), their weights, and their change (°C) by
    each metre of displacement at the nodes: east, then north."""

    off: np.ndarray
    weight: np.ndarray
    change: sparse.csr_array


def disagree(carrier: Carrier, newer: Look, older: Look, grid: Grid) -> Pair | None:
    """A pair of pictures; None where too little of the water is clear in both."""
    stride = max(1, round(PLACES / (grid.dlat * row_metrics(np.array([grid.lat0]))[1][0])))
    value = newer.field[::stride, ::stride]
    rows, columns = np.nonzero(np.isfinite(value))
    lon, lat = grid.lon0 + grid.dlon * stride * columns, grid.lat0 + grid.dlat * stride * rows
    legs = max(1, round((newer.time - older.time) / LEG))
    leg, on_way = (newer.time - older.time) / legs, []
    known = np.ones(lon.size, bool)
    for k in range(legs):
        now = newer.time - k * leg
        middle_lon, middle_lat, half = carrier.drift.follow(lon, lat, now, now - leg / 2)
        on_way.append((now - leg / 2, middle_lon, middle_lat))
        lon, lat, whole = carrier.drift.follow(middle_lon, middle_lat, now - leg / 2, now - leg)
        known &= half & whole
    was, east, north = (sample_field(part, grid, lon, lat) for part in older[:3])
    off = value[rows, columns] - was
    known &= np.isfinite(off) & np.isfinite(east) & np.isfinite(north)
    if known.sum() < FEWEST:
        return None
    on_way = [(time, x[known], y[known]) for time, x, y in on_way]
    return Pair(off[known] - np.median(off[known]), east[known], north[known], on_way, leg)


def compare(carrier: Carrier, sheet: Sheet, newer: Look, older: Look, grid: Grid) -> Misfit | None:
    """What a pair of pictures says of the displacement; None where too little is clear."""
    pair = disagree(carrier, newer, older, grid)
    if pair is None:
        return None
    error = np.hypot(UNLIKE, ASTRAY * np.hypot(pair.east, pair.north))
    weight = np.minimum(1.0, HUBER * error / np.maximum(np.abs(pair.off), 1e-12)) / error**2
    return Misfit(pair.off, weight, _changes(carrier, sheet, pair))


def _changes(carrier: Carrier, sheet: Sheet, pair: Pair) -> sparse.csr_array:
    """What displacements along the way change of the differences: slope of the picture · ∂u/∂d, summed."""
    n = pair.off.size
    row = np.repeat(np.arange(n), 16)
    data, columns = [], []
    for time, lon, lat in pair.on_way:
        nodes, shares = sheet.shares(lon, lat)
        for first, slope in ((0, carrier.east), (sheet.size, carrier.north)):
            u, v = (np.nan_to_num(part) for part in sample_vectors(slope, np.full(n, time), lon, lat))
            data.append((pair.leg * (pair.east * u + pair.north * v)[:, None] * shares).ravel())
            columns.append(first + nodes.ravel())
    rows = np.tile(row, len(data))
    return sparse.csr_array(
        (np.concatenate(data), (rows, np.concatenate(columns))), shape=(n, 2 * sheet.size)
    )


class Aligned(NamedTuple):
    """Currents (a dataset), how far they were moved (m, root of the mean square), and the misfit of the
    pictures (°C, root of the mean square) before and after."""

    currents: xr.Dataset
    moved: float
    before: float
    after: float


def align_currents(currents: xr.Dataset, pictures: xr.Dataset) -> Aligned:
    """Currents (node `currents`) laid where the pictures (node `temperature`) want them.

    They stay as they are where fewer than two pictures within their hours are near enough in time, where
    moving them does not make the pictures agree better, or where they would have to move unlikely far.
    """
    unmoved = Aligned(currents, 0.0, float("nan"), float("nan"))
    flow, grid = refined(flow_of(currents)), grid_of(pictures)
    times = to_seconds(pictures["time"].values)
    inside = (times >= flow.t[0]) & (times <= flow.t[-1])
    pictures, times = pictures.isel(time=np.flatnonzero(inside)), times[inside]
    early, late = (pairs_of(times, apart) for apart in APART)
    if not (early or late):
        return unmoved
    sheet = Sheet.over(Grid(*flow[3:]), flow.u.shape[1:], SPACING)
    places, prior = Places.of(flow, sheet), sheet.inverse_covariance(DOUBT, LENGTH)
    prior = sparse.block_diag([prior, prior], format="csc")
    shift = np.zeros((2, sheet.size))
    for k, smoothing in enumerate(SMOOTHINGS):
        if k == 0 or smoothing != SMOOTHINGS[k - 1]:
            looks = smooth(pictures, smoothing)
        pairs = [*(early or late), *(late if k >= len(SMOOTHINGS) - LATE else [])]
        carrier = carrier_of(displace(flow, places, shift))
        shift = _improve(shift, [compare(carrier, sheet, looks[a], looks[b], grid) for a, b in pairs], prior)
    moved = displace(flow, places, shift)
    before, after = (
        _misfit([disagree(carrier, looks[a], looks[b], grid) for a, b in early or late])
        for carrier in (carrier_of(flow), carrier_of(moved))
    )
    far = float(np.sqrt((shift**2).sum(axis=0).mean()))
    if not (after <= BETTER * before and far <= FARTHEST):
        return unmoved
    moved = moved._replace(u=moved.u[:, ::2, ::2], v=moved.v[:, ::2, ::2])
    return Aligned(like(currents, moved), far, before, after)


def _improve(shift: np.ndarray, misfits: list[Misfit | None], prior: sparse.csc_array) -> np.ndarray:
    """One step of Gauss and Newton."""
    found = [misfit for misfit in misfits if misfit is not None]
    if not found:
        return shift
    change = sparse.vstack([misfit.change for misfit in found], format="csr")
    off, weight = (np.concatenate([misfit[k] for misfit in found]) for k in (0, 1))
    back = change.T.multiply(weight).tocsr()
    old = shift.ravel()
    new = splu(sparse.csc_matrix(back @ change + prior)).solve(back @ (change @ old - off))
    return shift + CAUTION * (new - old).reshape(shift.shape)


def _misfit(pairs: list[Pair | None]) -> float:
    """Root of the mean square of all differences, none counted as more than 1 °C."""
    off = np.concatenate([pair.off for pair in pairs if pair is not None] or [np.array([np.nan])])
    return float(np.sqrt(np.mean(np.minimum(off**2, 1.0))))


def align_sea(sea: xr.DataTree) -> xr.DataTree:
    """A sea with its currents aligned with its pictures; how far they were moved stands in their attributes.

    `moved` (m), `misfit_before`, `misfit_after` (°C); and `doubt` (m), of their place now. As they were given
    they are kept beside (`searcher.sea.GIVEN`): a boat is timed in them, since tides do not follow pictures.
    The sea itself where they stay as they are. Without the node `surface`, which is made with the currents:
    see `searcher.sources.composite.add_surface`.
    """
    nodes = {name: node.to_dataset() for name, node in sea.children.items() if name != "surface"}
    found = align_currents(nodes["currents"], nodes["temperature"])
    if found.currents is nodes["currents"]:
        return sea
    doubt = max(ASTRAY, SHARE_OF_CELL * cell_size(nodes["currents"]))
    told = {"moved": found.moved, "misfit_before": found.before, "misfit_after": found.after, "doubt": doubt}
    given = {name: nodes["currents"][part] for name, part in zip(GIVEN, "uv", strict=True)}
    return make_sea(nodes | {"currents": found.currents.assign(given).assign_attrs(told)})
