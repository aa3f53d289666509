"""The true sea, hour by hour: temperature carried by the flow, and floating matter with it.

Temperature is semi-Lagrangian (Staniforth & Cote 1991, Mon. Weather Rev. 119:2206-2223): the water now at a
node is traced back one step by Runge-Kutta 4 and its temperature read there by cubic spline. A slow pull to
the large-scale field (8 days, less inshore; hours at the open edges, where new water comes in) and a weak
diffusion keep it steady. The gathering flow hangs on the temperature itself and is carried forward from the
last two hours.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from scipy import ndimage

from searcher.builtin.flow import (
    DAY,
    Model,
    across_current,
    gathering_flow,
    sum_eddies,
    sum_waves,
    turning_flow,
    wind_drift,
)
from searcher.builtin.scene import END, HOUR, LEAVE, MODEL_STEP, MODELLED, RELEASE, START
from searcher.builtin.weather import Weather, wind

STEP = 3600.0  # s
PULL, SHELF_PULL = 8 * DAY, 2.5 * DAY  # s, to the large-scale temperature; the same close inshore
EDGE_PULL, EDGE_WIDTH = 5 * 3600.0, 0.15  # s and degrees, the same at the open edges
DIFFUSIVITY = 12.0  # m2/s
WINDAGE = 0.01  # share of the wind that floating matter takes on


class Moment(NamedTuple):
    """The truth at one hour: fields of shape (lat, lon), positions of shape (particle,), NaN before release
    and beyond the model."""

    time: np.datetime64
    sst: np.ndarray
    u: np.ndarray
    v: np.ndarray
    lon: np.ndarray
    lat: np.ndarray


def background(model: Model, t: float) -> np.ndarray:
    """The large-scale temperature in °C at t: warm current, cool shelf, cooler water offshore and south."""
    across = across_current(model, t)
    warm_in = 1.0 / (1.0 + np.exp(-(across + 15e3) / 2.5e3))
    warm_out = 1.0 / (1.0 + np.exp(-(across - 42e3) / 9e3))
    upwelled = np.exp(-np.maximum(model.offshore, 0.0) / 14e3)
    cores = np.where(model.eddies.turn > 0, 1.0, -1.1) * np.clip(model.eddies.speed / 0.35, 0.5, 1.7)
    return (
        22.9
        + 0.45 * model.y[:, None] / 111e3
        + 3.1 * warm_in
        - 2.0 * warm_out
        - 0.9 * upwelled
        + sum_eddies(model.eddies, cores, model.x, model.y, t)
        + 0.32 * sum_waves(model.mottle, model.x, model.y, t)
    )


def march(
    model: Model, weather: Weather, *, convergence: float, particles: int, rng: np.random.Generator
) -> Iterator[Moment]:
    """Yield every hour from `START` to `END`; `rng` says where the `particles` are let go."""
    sea = model.sea > 0
    inland = tuple(ndimage.distance_transform_edt(~sea, return_distances=False, return_indices=True))
    pull = _pull(model)
    target = background(model, 0.0)
    sst = target[inland]
    turn, gather = _steady_parts(model, weather, 0.0), gathering_flow(model, sst, convergence)
    before = gather
    floating = _Particles(model, weather, particles, rng)
    for number in range(round((END - START) / HOUR) + 1):
        now = START + number * HOUR
        u, v = turn[0] + gather[0], turn[1] + gather[1]
        yield Moment(now, sst.copy(), u, v, *floating.positions())
        t = (number + 1) * STEP
        if number % 6 == 5:  # it changes over days
            target = background(model, t)
        turn_next = _steady_parts(model, weather, t)
        guess = [2.0 * g - b for g, b in zip(gather, before, strict=True)]
        following = turn_next[0] + guess[0], turn_next[1] + guess[1]
        sst[sea] = ndimage.map_coordinates(
            sst, _departures(model, (u, v), following), order=3, mode="nearest"
        )
        sst = _settle(model, sst[inland], target, pull)[inland]
        before, gather, turn = gather, gathering_flow(model, sst, convergence), turn_next
        floating.move(now, (u, v), (turn[0] + gather[0], turn[1] + gather[1]))


def _steady_parts(model: Model, weather: Weather, t: float) -> list[np.ndarray]:
    """u, v of all that does not hang on the temperature."""
    time = START + np.timedelta64(round(t * 1e3), "ms")
    drift = wind_drift(model, *wind(weather, model.x, model.y, time))
    return [a + b for a, b in zip(turning_flow(model, t), drift, strict=True)]


def _pull(model: Model) -> np.ndarray:
    """By how much of the way the temperature is pulled to the background in one step, per node."""
    lon, lat = model.grid.lon, model.grid.lat
    inward = np.minimum(
        np.minimum(lon - MODELLED.west, MODELLED.east - lon)[None, :],
        np.minimum(lat - MODELLED.south, MODELLED.north - lat)[:, None],
    )
    rate = 1.0 / PULL + np.exp(-np.maximum(model.offshore, 0.0) / 15e3) / SHELF_PULL
    rate += np.exp(-inward / EDGE_WIDTH) / EDGE_PULL
    return 1.0 - np.exp(-STEP * rate)


def _settle(model: Model, sst: np.ndarray, target: np.ndarray, pull: np.ndarray) -> np.ndarray:
    """One step of diffusion and of the pull to the background."""
    cell = MODEL_STEP * np.sqrt(model.grid.per_lon.mean() * model.grid.per_lat.mean())
    spread = sst + DIFFUSIVITY * STEP / cell**2 * ndimage.laplace(sst, mode="nearest")
    return spread + pull * (target - spread)


def _cells_per_second(model: Model, u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A velocity as (rows, columns) of the model grid per second."""
    grid = model.grid
    return v / (grid.per_lat[:, None] * MODEL_STEP), u / (grid.per_lon[:, None] * MODEL_STEP)


def _departures(model: Model, first: Vector, last: Vector) -> tuple[np.ndarray, np.ndarray]:
    """Where (row, column) the water now at each node at sea stood one step ago, between two flows (u, v)."""
    first, last = (_cells_per_second(model, u, v) for u, v in (first, last))
    nodes = np.nonzero(model.sea)
    rows, columns = (index.astype(np.float64) for index in nodes)
    return runge_kutta(rows, columns, last, first, -STEP, k1=[part[nodes] for part in last])


def runge_kutta(
    rows: np.ndarray,
    columns: np.ndarray,
    first: Vector,
    last: Vector,
    step: float,
    *,
    k1: Vector | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Positions moved by `step` seconds in a flow (cells/s) that goes linearly from `first` to `last`.

    `k1` is the flow at the positions themselves, where it is known.
    """
    middle = [(a + b) / 2 for a, b in zip(first, last, strict=True)]
    k1 = _sample(first, rows, columns) if k1 is None else k1
    k2 = _sample(middle, rows + step / 2 * k1[0], columns + step / 2 * k1[1])
    k3 = _sample(middle, rows + step / 2 * k2[0], columns + step / 2 * k2[1])
    k4 = _sample(last, rows + step * k3[0], columns + step * k3[1])
    moved = [step / 6 * (a + 2 * b + 2 * c + d) for a, b, c, d in zip(k1, k2, k3, k4, strict=True)]
    return rows + moved[0], columns + moved[1]


def _sample(flow: Vector, rows: np.ndarray, columns: np.ndarray) -> list[np.ndarray]:
    return [ndimage.map_coordinates(part, (rows, columns), order=1, mode="nearest") for part in flow]


#: a velocity: its two components
Vector = Sequence[np.ndarray]


class _Particles:
    """Floating matter, moved by water and wind.

    It is let go evenly over the sea from `RELEASE` to `LEAVE`, and water that comes in over the open edges
    brings as much of it: what neither gathers nor spreads stays even.
    """

    def __init__(self, model: Model, weather: Weather, count: int, rng: np.random.Generator) -> None:
        self.model = model
        self.weather = weather
        self.rng = rng
        self.waiting = np.stack(_random_places(model, count, rng))
        self.per_area = count / float(np.sum(_cell_areas(model) * model.sea))
        self.places = np.empty((2, 0))  # rows, columns of all so far; NaN once beyond the model

    def share(self, now: np.datetime64) -> float:
        """What share has been let go."""
        return float(np.clip((now - RELEASE) / (LEAVE - RELEASE), 0.0, 1.0))

    def move(self, now: np.datetime64, first: Vector, last: Vector) -> None:
        """One step, from the flow (u, v) at `now` to the flow an hour later."""
        share, count = self.share(now), self.waiting.shape[1]
        if share == 0.0:
            return
        released = self.waiting[:, round(self.share(now - HOUR) * count) : round(share * count)]
        self.places = np.concatenate([self.places, released], axis=1)
        first, last = self._with_wind(now, first), self._with_wind(now + HOUR, last)
        here = np.isfinite(self.places[0])
        rows, columns = runge_kutta(self.places[0, here], self.places[1, here], first, last, STEP)
        height, width = self.model.grid.shape
        within = (rows >= 0) & (columns >= 0) & (rows <= height - 1) & (columns <= width - 1)
        self.places[:, here] = np.where(within, (rows, columns), np.nan)
        entered = _come_in(self.model, last, share * self.per_area, self.rng)
        self.places = np.concatenate([self.places, entered], axis=1)

    def _with_wind(self, now: np.datetime64, flow: Vector) -> Vector:
        air = wind(self.weather, self.model.x, self.model.y, now)
        u, v = ((w + WINDAGE * a) * self.model.sea for w, a in zip(flow, air, strict=True))
        return _cells_per_second(self.model, u, v)

    def positions(self) -> tuple[np.ndarray, np.ndarray]:
        """Longitudes and latitudes of all so far, NaN for those gone from the model."""
        rows, columns = self.places
        return MODELLED.west + MODEL_STEP * columns, MODELLED.south + MODEL_STEP * rows


def _cell_areas(model: Model) -> np.ndarray:
    """Of the cell around each node, relative to that of the largest, shape (lat, 1)."""
    area = model.grid.per_lon * model.grid.per_lat
    return (area / area.max())[:, None]


def _random_places(model: Model, count: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of `count` places at sea, even in area."""
    height, width = model.grid.shape
    rows, columns = np.empty(0), np.empty(0)
    area = _cell_areas(model)[:, 0]
    while rows.size < count:
        row, column = rng.uniform(0, height - 1, count), rng.uniform(0, width - 1, count)
        nearest = np.round(row).astype(int), np.round(column).astype(int)
        keep = (model.sea[nearest] > 0) & (rng.random(count) < area[nearest[0]])
        rows, columns = np.append(rows, row[keep]), np.append(columns, column[keep])
    return rows[:count], columns[:count]


def _come_in(model: Model, flow: Vector, per_area: float, rng: np.random.Generator) -> np.ndarray:
    """Rows and columns, (2, n), of the pieces that come in over the edges in one step of a flow (cells/s).

    per_area: how many lie in a cell of the largest area. They lie evenly in the water that came.
    """
    pieces = []
    for axis, last in enumerate(np.array(model.grid.shape) - 1):
        for edge, inward in ((0, 1.0), (last, -1.0)):
            reach = np.maximum(inward * flow[axis].take(edge, axis), 0.0) * STEP  # cells
            area = np.broadcast_to(_cell_areas(model), model.grid.shape).take(edge, axis)
            node = np.repeat(np.arange(reach.size), rng.poisson(reach * area * per_area))
            along = node + rng.uniform(-0.5, 0.5, node.size)
            across = edge + inward * reach[node] * rng.uniform(0.0, 1.0, node.size)
            pieces.append(np.stack([across, np.clip(along, 0, reach.size - 1)][:: 1 - 2 * axis]))
    return np.concatenate(pieces, axis=1)
