"""The flow of the built-in sea, as a function of time.

A streamfunction psi (m2/s) carries the boundary current, the warm eddy, frontal eddies on the inshore edge,
offshore eddies and a random field; u = -dpsi/dy, v = dpsi/dx, so this part neither gathers nor spreads. South
of the equator a high stands where psi is low (psi = g eta / f, f < 0) and the water turns anticlockwise round
it. Near the coast psi goes to zero, so nothing flows through the shore.

The part that does gather is the surface branch of the overturning at fronts: it runs from the warm to the
cold side and piles up on the dense side of the front (Hoskins 1982, Annu. Rev. Fluid Mech. 14:131-151;
McWilliams 2016, Proc. R. Soc. A 472:20160117).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import ndimage

from searcher.builtin.scene import CENTRE, Grid2D, coast_distance, plane
from searcher.geo import Place

DAY = 86400.0
STRIP = 12  # rows
COAST_WIDTH = 9e3  # m, over which the flow dies towards the shore
INSHORE_WIDTH, OFFSHORE_WIDTH = 15e3, 32e3  # m, the two flanks of the current
SEPARATION, TURN = -118e3, 38e3  # m: where the current leaves the shelf, and over what length
COAST_LEAN = 0.19  # metres east per metre north along the coast
FRONT_SPEED = 0.08  # m/s, warm-to-cold surface flow across a strong front at convergence 1
CONFLUENCE_SPEED, FRONT_WIDTH = 0.045, 5e3  # m/s, m: flow in from both sides, and over what width
AIR_DENSITY, SEA_DENSITY, DRAG = 1.2, 1025.0, 1.2e-3  # kg/m3, kg/m3, 1
EKMAN_DEPTH = 20.0  # m
CORIOLIS = -7.4e-5  # 1/s, at 30.5° S
FRONT_GRADIENT = 0.2e-3  # °C/m, a strong front


class Eddies(NamedTuple):
    """Gaussian eddies, one entry each: centre (m) at t = 0, its drift (m/s), radius of fastest flow (m),
    that speed (m/s), and turn: +1 anticlockwise (warm core), -1 clockwise (cold core)."""

    x: np.ndarray
    y: np.ndarray
    drift_x: np.ndarray
    drift_y: np.ndarray
    radius: np.ndarray
    speed: np.ndarray
    turn: np.ndarray


class Waves(NamedTuple):
    """A random field as a sum of plane waves: wave numbers (1/m), frequency (1/s), phase, amplitude."""

    kx: np.ndarray
    ky: np.ndarray
    omega: np.ndarray
    phase: np.ndarray
    amplitude: np.ndarray


class Current(NamedTuple):
    """The boundary current: peak speed (m/s), meander amplitude (m), length (m), travel (m/s), phase."""

    speed: float
    amplitude: float
    length: float
    travel: float
    phase: float


class Model(NamedTuple):
    """All that defines one flow, and the arrays it is drawn on."""

    grid: Grid2D
    x: np.ndarray
    y: np.ndarray
    current: Current
    eddies: Eddies
    swirl: Waves
    mottle: Waves
    offshore: np.ndarray  # m, smoothed distance from the coast
    near_coast: np.ndarray  # 0 ashore to 1 at sea
    sea: np.ndarray  # 1 at sea, 0 ashore


def draw_model(grid: Grid2D, rng: np.random.Generator) -> Model:
    """A flow at random: the same kind of sea each time, never the same sea."""
    distance = coast_distance()
    x, y = plane(grid)
    current = Current(
        speed=rng.uniform(1.1, 1.3),
        amplitude=rng.uniform(9e3, 13e3),
        length=rng.uniform(140e3, 180e3),
        travel=rng.uniform(0.08, 0.14),
        phase=rng.uniform(0.0, 2 * np.pi),
    )
    afloat = np.maximum(distance, 0.0)
    return Model(
        grid=grid,
        x=x,
        y=y,
        current=current,
        eddies=_draw_eddies(rng),
        swirl=draw_waves(rng, count=48, longest=130e3, shortest=22e3, slope=2.6),
        mottle=draw_waves(rng, count=40, longest=160e3, shortest=30e3, slope=1.0),
        offshore=ndimage.gaussian_filter(distance, 7.0),
        near_coast=1.0 - np.exp(-((afloat / COAST_WIDTH) ** 2)),
        sea=(distance > 0).astype(np.float64),
    )


def _draw_eddies(rng: np.random.Generator) -> Eddies:
    warm = _place(Place(154.75, -31.15)) + rng.normal(0.0, 9e3, 2)
    rows = [(*warm, -0.03, -0.035, rng.uniform(40e3, 48e3), rng.uniform(0.5, 0.65), 1)]
    first = rng.uniform(-20e3, 20e3)
    for number in range(4):  # cold frontal eddies ride down the inshore edge of the current
        y = 210e3 + first - 85e3 * number
        x = COAST_LEAN * y - 58e3 + rng.normal(0.0, 3e3)
        south = rng.uniform(0.06, 0.14)
        drift = -COAST_LEAN * south, -south
        rows.append((x, y, *drift, rng.uniform(10e3, 15e3), rng.uniform(0.3, 0.45), -1))
    for _ in range(10):  # and others, of either kind, lie offshore
        place = rng.uniform(20e3, 240e3), rng.uniform(-220e3, 220e3)
        drift = rng.normal(-0.03, 0.02), rng.normal(0.0, 0.03)
        rows.append((*place, *drift, rng.uniform(15e3, 38e3), rng.uniform(0.2, 0.45), rng.choice([-1, 1])))
    return Eddies(*np.array(rows, dtype=np.float64).T)


def _place(place: Place) -> np.ndarray:
    return np.array([(place.lon - CENTRE.lon) * 95.9e3, (place.lat - CENTRE.lat) * 110.86e3])


def draw_waves(
    rng: np.random.Generator, *, count: int, longest: float, shortest: float, slope: float
) -> Waves:
    """Isotropic plane waves, amplitude falling as k**-slope, sum of unit variance, renewed over days."""
    length = np.exp(rng.uniform(np.log(shortest), np.log(longest), count))
    heading = rng.uniform(0.0, 2 * np.pi, count)
    k = 2 * np.pi / length
    amplitude = k**-slope
    omega = rng.normal(0.0, 1.0, count) * k * 0.06
    amplitude *= np.sqrt(2.0 / np.sum(amplitude**2))
    return Waves(k * np.cos(heading), k * np.sin(heading), omega, rng.uniform(0, 2 * np.pi, count), amplitude)


def sum_waves(waves: Waves, x: np.ndarray, y: np.ndarray, t: float) -> np.ndarray:
    """The random field on the grid x by y at t, shape (y, x): a product of two small matrices."""
    in_x = np.exp(1j * (waves.kx * x[:, None] - waves.omega * t + waves.phase)) * waves.amplitude
    in_y = np.exp(1j * waves.ky * y[:, None])
    return sum_products(in_y.real, in_x.real) - sum_products(in_y.imag, in_x.imag)


def sum_eddies(eddies: Eddies, heights: np.ndarray, x: np.ndarray, y: np.ndarray, t: float) -> np.ndarray:
    """Gaussian hills of the given heights at the eddies' places at t, shape (y, x)."""
    width = np.sqrt(2.0) * eddies.radius
    in_x = np.exp(-(((x[:, None] - eddies.x - eddies.drift_x * t) / width) ** 2))
    in_y = np.exp(-(((y[:, None] - eddies.y - eddies.drift_y * t) / width) ** 2))
    return sum_products(in_y * heights, in_x)


def sum_products(in_y: np.ndarray, in_x: np.ndarray) -> np.ndarray:
    """Sum over k of in_y[y, k] in_x[x, k], shape (y, x).

    In strips of rows: products this small stay on one thread, so that the figures do not hang on how many
    there are, and a busy machine does not wait for them.
    """
    across = np.ascontiguousarray(in_x.T)
    strips = range(0, in_y.shape[0], STRIP)
    return np.concatenate([np.ascontiguousarray(in_y[row : row + STRIP]) @ across for row in strips])


def across_current(model: Model, t: float) -> np.ndarray:
    """Metres across the current from its axis, positive offshore, shape (lat, lon)."""
    current, y = model.current, model.y
    growth = 0.6 + 0.8 / (1.0 + np.exp((y + 40e3) / 50e3))
    wave = (
        growth
        * current.amplitude
        * np.sin(2 * np.pi * (y + current.travel * t) / current.length + current.phase)
    )
    turn = 130e3 * np.logaddexp(0.0, (SEPARATION - y) / TURN) / 2.0
    axis = 47e3 + wave + turn
    slope = np.gradient(axis, y)
    return (model.offshore - axis[:, None]) / np.sqrt(1.0 + slope[:, None] ** 2)


def stream(model: Model, t: float) -> np.ndarray:
    """psi in m2/s at t seconds after the start, shape (lat, lon); zero on land."""
    across, speed = across_current(model, t), model.current.speed
    width = np.where(across < 0, INSHORE_WIDTH, OFFSHORE_WIDTH)
    psi = -speed * (INSHORE_WIDTH + width * np.tanh(across / width))
    eddies = model.eddies
    hills = -eddies.turn * eddies.speed * eddies.radius * np.exp(0.5)
    psi += sum_eddies(eddies, hills, model.x, model.y, t)
    open_sea = 1.0 / (1.0 + np.exp(-(model.offshore - 25e3) / 8e3))
    psi += 900.0 * open_sea * sum_waves(model.swirl, model.x, model.y, t)
    return psi * model.near_coast


def turning_flow(model: Model, t: float) -> tuple[np.ndarray, np.ndarray]:
    """u, v in m/s of the streamfunction: free of divergence to rounding, in centred differences."""
    grid = model.grid
    along_lat, along_lon = np.gradient(stream(model, t), grid.lat, grid.lon)
    return -along_lat / grid.per_lat[:, None] * model.sea, along_lon / grid.per_lon[:, None] * model.sea


def gathering_flow(model: Model, sst: np.ndarray, convergence: float) -> tuple[np.ndarray, np.ndarray]:
    """u, v in m/s at fronts, next to nothing elsewhere: from the warm to the cold side, and in from both.

    The first is the surface branch of the overturning, the second the confluence that keeps the front sharp;
    together they converge on the cold side of the steepest line.
    """
    gx, gy = gradient(model.grid, ndimage.gaussian_filter(sst, 1.0))
    steepness = np.hypot(gx, gy) / FRONT_GRADIENT
    front = steepness**2 / (1.0 + steepness**2)
    across = -FRONT_SPEED / FRONT_GRADIENT * steepness / (1.0 + steepness**2)
    inx, iny = gradient(model.grid, ndimage.gaussian_filter(front, 1.3))
    inward = CONFLUENCE_SPEED * FRONT_WIDTH
    scale = convergence * model.near_coast
    return scale * (across * gx + inward * inx), scale * (across * gy + inward * iny)


def wind_drift(model: Model, u10: np.ndarray, v10: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """u, v in m/s of the Ekman layer: the wind's transport over its depth, to the left of the wind here.

    Transport is tau / (rho |f|) (Ekman 1905); the breeze from the north-east drives it offshore, so that cool
    water comes up along the coast.
    """
    stress = AIR_DENSITY * DRAG * np.hypot(u10, v10)
    factor = stress / (SEA_DENSITY * abs(CORIOLIS) * EKMAN_DEPTH) * model.near_coast
    return -factor * v10, factor * u10


def gradient(grid: Grid2D, field: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives east and north per metre, centred differences."""
    along_lat, along_lon = np.gradient(field, grid.lat, grid.lon)
    return along_lon / grid.per_lon[:, None], along_lat / grid.per_lat[:, None]


def divergence(grid: Grid2D, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """du/dx + dv/dy in 1/s on the ellipsoid, centred differences."""
    per_lon, per_lat = grid.per_lon[:, None], grid.per_lat[:, None]
    east = np.gradient(u * per_lat, grid.lon, axis=1)
    north = np.gradient(v * per_lon, grid.lat, axis=0)
    return (east + north) / (per_lon * per_lat)
