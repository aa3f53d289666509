"""Drift of particles against the same Runge-Kutta steps written with scipy.ndimage.map_coordinates.

A time-dependent eddy field on a grid of a tenth of a degree, 3-hourly, no land; 100 000 particles for a day
in steps of half an hour. Both sides take the same steps of order 4 through the same field, linear between
nodes and hours, in float64: where they differ is rounding, or a fault.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates
from timing import print_table, ratio, read_options, say, time_in_turn

from searcher.kernels.advect import advect
from searcher.kernels.metric import E2, A
from searcher.kernels.sample import Flow

HOUR = 3600.0
LON0, LAT0, STEP, NODES = 152.0, -33.0, 0.1, 61
HOURS, EVERY, LONGEST_STEP = 24, 3, 1800.0


def draw_flow() -> Flow:
    """Two eddies that turn about each other once in two days: up to about 1 m/s, and nothing at the rim."""
    hours = np.arange(0.0, HOURS + EVERY, EVERY)
    x, y = np.meshgrid(np.linspace(-1.0, 1.0, NODES), np.linspace(-1.0, 1.0, NODES))
    rim = (1.0 - x**2) * (1.0 - y**2)
    u, v = np.zeros((2, hours.size, NODES, NODES))
    for k, hour in enumerate(hours):
        for turn, sign in ((0.0, 1.0), (np.pi, -1.0)):
            angle = 2 * np.pi * hour / 48.0 + turn
            dx, dy = x - 0.35 * np.cos(angle), y - 0.35 * np.sin(angle)
            swirl = sign * 5.0 * rim * np.exp(-(dx**2 + dy**2) / 0.1)
            u[k] -= swirl * dy
            v[k] += swirl * dx
    return Flow(hours * HOUR, u, v, LON0, STEP, LAT0, STEP)


def metres_per_degree(lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Metres in a degree of longitude and of latitude (Snyder 1987, eqs. 4-18 to 4-21), in numpy."""
    phi = np.radians(lat)
    w = np.sqrt(1.0 - E2 * np.sin(phi) ** 2)
    return np.radians(A / w * np.cos(phi)), np.radians(A * (1.0 - E2) / w**3)


def advect_with_scipy(flow: Flow, lon: np.ndarray, lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The same drift with numpy and map_coordinates."""
    dt = LONGEST_STEP

    def velocity(t, x, y):
        where = [
            np.full(x.size, t / (EVERY * HOUR)),
            (y - flow.lat0) / flow.dlat,
            (x - flow.lon0) / flow.dlon,
        ]
        u, v = (map_coordinates(field, where, order=1, mode="nearest") for field in (flow.u, flow.v))
        east, north = metres_per_degree(y)
        return u / east, v / north

    for k in range(round(HOURS * HOUR / dt)):
        t = k * dt
        x1, y1 = velocity(t, lon, lat)
        x2, y2 = velocity(t + dt / 2, lon + dt / 2 * x1, lat + dt / 2 * y1)
        x3, y3 = velocity(t + dt / 2, lon + dt / 2 * x2, lat + dt / 2 * y2)
        x4, y4 = velocity(t + dt, lon + dt * x3, lat + dt * y3)
        lon = lon + dt / 6 * (x1 + 2 * (x2 + x3) + x4)
        lat = lat + dt / 6 * (y1 + 2 * (y2 + y3) + y4)
    return lon, lat


def main() -> None:
    quick = read_options(__doc__).quick
    count = 2000 if quick else 100_000
    rng = np.random.default_rng(1)
    lon = LON0 + STEP * (NODES - 1) * rng.uniform(0.05, 0.95, count)
    lat = LAT0 + STEP * (NODES - 1) * rng.uniform(0.05, 0.95, count)
    flow, still = draw_flow(), np.zeros(count)
    end = np.full(count, HOURS * HOUR)
    sides = {
        "ours": lambda: advect(flow, flow, still, lon, lat, still, end, LONGEST_STEP),
        "scipy": lambda: advect_with_scipy(flow, lon, lat),
    }
    say("warming up, then timing")
    seconds = time_in_turn(sides, rounds=1 if quick else 5)
    steps = count * HOURS * HOUR / LONGEST_STEP / 1e6
    print_table(
        f"drift of {count} particles over {HOURS} h in steps of {LONGEST_STEP:.0f} s",
        ["", "s", "million particle-steps/s", "speed over scipy"],
        [
            [name, float(np.median(times)), steps / float(np.median(times)), ratio(seconds, "scipy", name)]
            for name, times in seconds.items()
        ],
    )
    (x, y, _), (x2, y2) = sides["ours"](), sides["scipy"]()
    east, north = metres_per_degree(y)
    apart = np.hypot((x - x2) * east, (y - y2) * north).max()
    moved = np.hypot((x - lon) * east, (y - lat) * north)
    print(f"greatest difference {apart:.2g} m, of ways of up to {moved.max() / 1000:.0f} km")


if __name__ == "__main__":
    main()
