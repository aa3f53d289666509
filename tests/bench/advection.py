"""Drift of particles against parcels 4 and against the same steps with scipy.ndimage.map_coordinates.

A time-dependent eddy field on a grid of a tenth of a degree, 3-hourly; particles for a day in steps of half
an hour. All sides take the same steps of order 4 through the same field, linear between nodes and hours, in
float64: where they differ is rounding, or a fault. `parcels` runs where it can be imported (pip install
parcels): for speed its own RK4 kernel on its own spherical mesh; for positions the same RK4 with our metres
per degree, since its mesh is a sphere and ours the ellipsoid. The last tables show what land and wind cost,
and what a step costs for more particles and larger grids, whose cells stay as they are: about the same, also
where particles lie in any order over a grid that no cache holds.
"""

from __future__ import annotations

import warnings

import numpy as np
from scipy.ndimage import map_coordinates
from timing import print_table, ratio, read_options, say, time_in_turn

from searcher.carry import Drift
from searcher.kernels.advect import ASHORE
from searcher.kernels.metric import E2, A
from searcher.kernels.sample import Flow, Stream, weave

HOUR = 3600.0
LON0, LAT0, STEP, NODES = 152.0, -33.0, 0.1, 61
HOURS, EVERY, LONGEST_STEP = 24, 3, 1800.0
FINE = 0.04  # degrees, cells of the large grids


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


def make_parcels(flow: Flow, lon: np.ndarray, lat: np.ndarray):
    """Two functions that run parcels over the same field: its own way, and with our metric; lon, lat."""
    import parcels
    import xarray as xr
    from parcels.convert import copernicusmarine_to_sgrid
    from parcels.kernels import AdvectionRK4
    from parcels.kernels._integration import RK4

    begin = np.datetime64("2026-01-16T00:00", "ns")
    axes = {
        "time": (begin + (flow.t * 1e9).astype("timedelta64[ns]"), {"axis": "T"}),
        "latitude": (flow.lat0 + flow.dlat * np.arange(NODES), {"standard_name": "latitude", "axis": "Y"}),
        "longitude": (flow.lon0 + flow.dlon * np.arange(NODES), {"standard_name": "longitude", "axis": "X"}),
    }
    coords = {name: (name, values, attrs) for name, (values, attrs) in axes.items()}
    fields = {
        name: xr.DataArray(field, coords, tuple(coords)) for name, field in (("U", flow.u), ("V", flow.v))
    }
    data = copernicusmarine_to_sgrid(fields=fields)
    # positions are float32 unless asked for
    doubles = [
        parcels.Variable(v.name, np.float64 if v.dtype == np.float32 else v.dtype, v.initial, v.to_write)
        for v in parcels.Particle.variables
    ]

    def rates(fieldset, t, z, y, x, particles):
        u, v = fieldset.UV[t, z, y, x, particles]
        east, north = metres_per_degree(y)
        return u / east, v / north

    def ellipsoidal(particles, fieldset):
        u, v = RK4(particles, fieldset, rates)
        particles.dx += u * particles.dt
        particles.dy += v * particles.dt

    def run(kernel, mesh):
        fieldset = parcels.FieldSet.from_sgrid_conventions(data, mesh=mesh)
        start = {"t": np.full(lon.size, begin), "x": lon, "y": lat, "z": np.zeros(lon.size)}
        particles = parcels.ParticleSet(fieldset, pclass=parcels.ParticleClass(variables=doubles), **start)
        times = {"dt": np.timedelta64(int(LONGEST_STEP), "s"), "runtime": np.timedelta64(HOURS, "h")}
        particles.execute(kernel, verbose_progress=False, **times)
        return np.array(particles.x), np.array(particles.y)

    return lambda: run(AdvectionRK4, "spherical"), lambda: run(ellipsoidal, "flat")


def run_ours(stream: Stream, lon: np.ndarray, lat: np.ndarray, *, wind: Stream | None = None):
    """A day of drift: lon, lat, status; with 1 % of a wind where there is one."""
    drift = Drift(stream, wind or stream, 0.0, LONGEST_STEP)
    return drift.move(lon, lat, 0.0, HOURS * HOUR, windage=0.01 if wind else 0.0)


def draw_places(count: int) -> np.ndarray:
    """Places all over the grid of `draw_flow` but its rim, (lon and lat, particle)."""
    return spread_places(draw_flow(), count)


def repeat_flow(flow: Flow, high: int, wide: int) -> Flow:
    """The eddies over and over on a grid of the world's size, cells of FINE degrees about the equator.

    Slowed down, so that no particle needs shorter steps than another: only the array grows.
    """
    rows, columns = np.arange(high) % (NODES - 1), np.arange(wide) % (NODES - 1)
    u, v = (0.3 * field[:2, rows[:, None], columns] for field in (flow.u, flow.v))
    return Flow(flow.t[:2], u, v, -0.5 * FINE * (wide - 1), FINE, -0.5 * FINE * (high - 1), FINE)


def spread_places(flow: Flow, count: int) -> np.ndarray:
    """Places all over a grid but its rim, (lon and lat, particle)."""
    share = np.random.default_rng(1).uniform(0.05, 0.95, (2, count))
    high, wide = flow.u.shape[1:]
    size = np.array([[flow.dlon * (wide - 1)], [flow.dlat * (high - 1)]])
    return np.array([[flow.lon0], [flow.lat0]]) + size * share


def metres_apart(one, other) -> np.ndarray:
    """Distances between places (lon, lat), m."""
    east, north = metres_per_degree(one[1])
    return np.hypot((one[0] - other[0]) * east, (one[1] - other[1]) * north)


def steps_of(count: int) -> float:
    """Particle-steps of a day, in millions."""
    return count * HOURS * HOUR / LONGEST_STEP / 1e6


def compare(count: int, rounds: int) -> None:
    """The speed of all sides, and how far their particles end from ours."""
    lon, lat = draw_places(count)
    flow = draw_flow()
    stream = weave(flow)
    sides = {
        "ours": lambda: run_ours(stream, lon, lat),
        "scipy": lambda: advect_with_scipy(flow, lon, lat),
    }
    twins = {"scipy": sides["scipy"]}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sides["parcels"], twins["parcels"] = make_parcels(flow, lon, lat)
    except ImportError:
        say("parcels is not installed: left out")
    say("warming up, then timing")
    seconds = time_in_turn(sides, rounds=rounds)
    here = sides["ours"]()
    rows = []
    for name, times in seconds.items():
        apart = float(metres_apart(here, twins[name]()).max()) if name in twins else 0.0
        rows.append(
            [
                name,
                float(np.median(times)),
                steps_of(count) / float(np.median(times)),
                ratio(seconds, name, "ours"),
                apart,
            ]
        )
    print_table(
        f"drift of {count} particles over {HOURS} h in steps of {LONGEST_STEP:.0f} s, ways of up to "
        f"{metres_apart((lon, lat), here).max() / 1000:.0f} km",
        ["", "s", "million particle-steps/s", "times longer than ours", "greatest difference, m"],
        rows,
    )


def show_coast_and_wind(count: int, rounds: int) -> None:
    """What land, with particles that run ashore, and wind cost."""
    lon, lat = draw_places(count)
    flow = draw_flow()
    x, y = np.meshgrid(np.arange(NODES), np.arange(NODES))
    islands = np.sin(0.45 * x) * np.sin(0.4 * y) > 0.75  # a tenth of the cells
    coast = weave(flow._replace(u=np.where(islands, np.nan, flow.u), v=np.where(islands, np.nan, flow.v)))
    stream = weave(flow)
    sides = {
        "open water": lambda: run_ours(stream, lon, lat),
        "with islands": lambda: run_ours(coast, lon, lat),
        "with wind": lambda: run_ours(stream, lon, lat, wind=stream),
    }
    seconds = time_in_turn(sides, rounds=rounds)
    print_table(
        f"land and wind, {count} particles",
        ["", "million particle-steps/s", "time, of open water", "share ashore"],
        [
            [
                name,
                steps_of(count) / float(np.median(times)),
                ratio(seconds, name, "open water"),
                float((sides[name]()[2] == ASHORE).mean()),
            ]
            for name, times in seconds.items()
        ],
    )


def show_growth(quick: bool, rounds: int) -> None:
    """Cost of a particle-step for numbers of particles and sizes of grid."""
    flow = draw_flow()
    stream = weave(flow)
    rows = []
    for count in (1000, 10_000) if quick else (1000, 10_000, 100_000, 1_000_000):
        lon, lat = draw_places(count)
        times = time_in_turn({"": lambda lon=lon, lat=lat: run_ours(stream, lon, lat)}, rounds=rounds)[""]
        rows.append([f"{count} particles, {NODES} x {NODES} nodes", 1e3 / steps_of(count) * np.median(times)])
    count = 2000 if quick else 1_000_000
    for high, wide in ((200, 200), (200, 400)) if quick else ((1000, 1000), (3600, 3600), (3600, 7200)):
        ocean = repeat_flow(flow, high, wide)
        places = spread_places(ocean, count)
        along = places[:, np.lexsort((places[0], np.floor((places[1] - ocean.lat0) / ocean.dlat)))]
        stream = weave(ocean)
        sides = {
            name: lambda own=own, stream=stream: run_ours(stream, *own)
            for name, own in {"row by row": along, "in any order": places}.items()
        }
        for name, times in time_in_turn(sides, rounds=rounds).items():
            label = f"{count} particles {name}, {high} x {wide} nodes"
            rows.append([label, 1e3 / steps_of(count) * np.median(times)])
    print_table("cost of a particle-step", ["", "ns"], [[name, float(cost)] for name, cost in rows])


def main() -> None:
    quick = read_options(__doc__).quick
    rounds = 1 if quick else 3
    compare(2000 if quick else 20_000, rounds)
    show_coast_and_wind(2000 if quick else 100_000, rounds)
    show_growth(quick, rounds)


if __name__ == "__main__":
    main()
