"""Kernels against plain numpy and scipy twins, on the same input.

A twin (`tests/twins.py`) is what a reader would write with numpy, scipy.ndimage and scipy.optimize, and
returns the same. First both are held against each other: `apart` is by how much they differ at most, as a
share of the greatest value, and more than `allowed` ends the benchmark. (Of `fit_steps` 1 % of the numbers do
not count: where two shapes fit about as well, the descents may end apart.) Then both are timed in turn;
ns are of one of what `on` names first.

Pictures are of an invented sea with fronts, noise and clouds; currents have islands in them; days at sea are
those of the benchmark of tours. Sections, steps and bounds are given what the package itself gives them when
it finds the fronts of such a picture, or proves such a tour. `smooth_windows` uses all processors, as the
package has it do; the others one, and so do all twins. A twin that goes step by step (`trace_back`, `follow`,
`extend`) pays above all for its calls of numpy.

Below stand the kernels that another benchmark holds against something better than a twin.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import NamedTuple
from unittest.mock import patch

import numpy as np
import xarray as xr
from scipy.ndimage import gaussian_filter
from timing import print_table, ratio, read_options, say, time_in_turn

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # tests/, where the twins are

import twins
from entries import enter
from orienteering import day_at_sea

from searcher.fronts import find_temperature_breaks, section
from searcher.kernels import bound, gradient, histogram, ridge
from searcher.kernels.edges import TILE_ROWS
from searcher.kernels.march import EVERYWHERE, Medium, march, trace_back
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Flow, Grid
from searcher.kernels.tour import search_tour

CLOUD, NOISE = 0.3, 0.05  # share of a picture; °C
GRID = Grid(153.0, 0.01, -31.0, 0.01)
CELL, SIGMA = 1100.0, 3000.0  # m
TILE_COLUMNS = 256
LOW, SHARP = 2e-5, 0.02 / SIGMA**2  # of ridges: least slope, °C/m; how they must bend, 1/m²
HOUR = 3600.0


class Case(NamedTuple):
    """What a kernel and its twin are given, and how near they must be."""

    kernel: str
    size: str
    items: int
    given: tuple
    allowed: float  # most that the two may differ, as a share of the greatest value
    astray: float = 0.0  # share of the numbers that may differ by more
    repeat: int = 1  # times in a row that both are run for one time
    ours: Callable | None = None  # the kernel by default
    twin_given: tuple | None = None  # the same by default
    judged: Callable[[object], object] = lambda found: found  # what is held against each other


# ---- input


def draw_sea(size: int, *, seed: int = 1) -> xr.DataArray:
    """A picture of sst with winding fronts all over, noise and clouds, float32, off 31° S."""
    rng = np.random.default_rng(seed)
    masses = gaussian_filter(rng.standard_normal((size, size)), 15.0)
    field = 20.0 + np.tanh(2.0 * masses / masses.std()) + NOISE * rng.standard_normal(masses.shape)
    veil = gaussian_filter(rng.standard_normal(masses.shape), 12.0)
    field[veil > np.quantile(veil, 1.0 - CLOUD)] = np.nan
    lat, lon = GRID.lat0 + GRID.dlat * np.arange(size), GRID.lon0 + GRID.dlon * np.arange(size)
    coords = {"lat": lat, "lon": lon}
    return xr.DataArray(field.astype(np.float32), coords, ("lat", "lon"), attrs={"units": "degC"})


def draw_flow(size: int, hours: int, *, seed: int = 2) -> Flow:
    """Three-hourly currents of up to about 1.5 m/s, a tenth of their nodes land."""
    rng = np.random.default_rng(seed)
    u, v = (gaussian_filter(rng.standard_normal((hours, size, size)), (2.0, 8.0, 8.0)) for _ in range(2))
    land = gaussian_filter(rng.standard_normal((size, size)), 5.0)
    for part in (u, v):
        part *= 0.5 / part.std()
        part[:, land > np.quantile(land, 0.9)] = np.nan
    return Flow(3.0 * HOUR * np.arange(hours), u, v, *GRID)


def draw_places(count: int, size: int, *, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Longitudes and latitudes, two in a hundred of them off a grid."""
    share = np.random.default_rng(seed).uniform(-0.005, 1.005, (2, count))
    return GRID.lon0 + GRID.dlon * (size - 1) * share[0], GRID.lat0 + GRID.dlat * (size - 1) * share[1]


def overhear(module, name: str, run: Callable[[], object]) -> tuple:
    """What a function of a module is given, the last time it is called in a run."""
    with patch.object(module, name, wraps=getattr(module, name)) as heard:
        run()
    return heard.call_args.args


def columns_of(tables) -> list[np.ndarray]:
    """The columns of tables one by one, so that each is judged by its own greatest value."""
    tables = (tables,) if isinstance(tables, np.ndarray) else tables
    return [column for table in tables for column in np.atleast_2d(table.T)]


# ---- cases


def fields(quick: bool) -> Iterator[Case]:
    """Kernels that read grids."""
    size, count = (200, 5000) if quick else (1000, 200_000)
    nodes = f"{size} x {size} nodes"
    yield Case(
        "metric.row_metrics", f"{size} rows", size, (np.linspace(-60.0, 60.0, size),), 1e-14, repeat=100
    )
    picture = draw_sea(size).values
    places = draw_places(count, size)
    given = picture.astype(np.float64), GRID, *places
    yield Case("sample.sample_field", f"{count} places, {nodes}", count, given, 1e-9)
    few = size // 4
    flow = draw_flow(few, 9)
    moments = np.random.default_rng(4).uniform(0.0, flow.t[-1], count)
    given = flow, moments, *draw_places(count, few)
    yield Case("sample.sample_vectors", f"{count} places, 9 x {few} x {few} nodes", count, given, 1e-9)
    flow = draw_flow(size, 1)
    lat = flow.lat0 + flow.dlat * np.arange(size)
    given = flow.u[0], flow.v[0], lat, *(step * GRID.dlon for step in row_metrics(lat))
    yield Case("strain.strain", nodes, size * size, given, 1e-9)
    wanted = np.ones(histogram.window_count(picture.shape), bool)
    given = picture, wanted, histogram.SIZE, histogram.STEP
    yield Case("histogram.smooth_windows", nodes, size * size, given, 1e-6)


def edges(quick: bool) -> Iterator[Case]:
    """Kernels that find edges."""
    size = 256 if quick else 1024
    nodes = f"{size} x {size} nodes"
    field, metres = draw_sea(size).values, np.full(size, CELL)
    taps = gradient.gaussian_taps(metres, SIGMA)
    scale = gradient.scale_of(taps, taps, metres, metres)
    fit_tile = enter(gradient.fit_tile)

    def fit_tiles(*_):
        """Slopes of the whole field, tile by tile, as the search for edges takes them."""
        out = np.empty((3, size, size), np.float32)
        for j in range(0, size, TILE_ROWS):
            for i in range(0, size, TILE_COLUMNS):
                tile = fit_tile(field, j, i, TILE_ROWS, TILE_COLUMNS, taps, taps, scale)
                out[:, j : j + TILE_ROWS, i : i + TILE_COLUMNS] = tile
        return tuple(out[0] * out[1:])

    given = field, CELL, CELL, SIGMA
    yield Case("gradient.fit_tile", f"{nodes} in tiles", size * size, given, 1e-4, ours=fit_tiles)
    slope_x, slope_y = twins.fit_slopes(*given)
    height = np.hypot(slope_x, slope_y)
    ridges = height, slope_x / height, slope_y / height, metres, metres, LOW, SHARP
    *tile, where, kept = overhear(ridge, "find_crossings", lambda: ridge.trace_ridges(*ridges))

    def find_crossings(*tile):
        count = ridge.find_crossings(*tile, where, kept)
        return where[:count], kept[:count]

    yield Case(
        "ridge.find_crossings", nodes, size * size, (*tile,), 1e-5, ours=find_crossings, judged=columns_of
    )
    found = find_crossings(*tile)
    count = found[0].size
    yield Case("ridge.link_crossings", f"{count} crossings", count, (*found, size, size), 1e-12)
    yield Case("ridge.trace_ridges", nodes, size * size, ridges, 1e-5)


def lines(quick: bool) -> Iterator[Case]:
    """Kernels that look across lines."""
    picture = draw_sea(256 if quick else 768)
    given = overhear(section, "gather_sections", lambda: find_temperature_breaks(picture))
    count = given[5].size
    yield Case(
        "section.gather_sections", f"{count} stretches of lines", count, given, 1e-6, judged=columns_of
    )
    given = overhear(section, "fit_steps", lambda: find_temperature_breaks(picture))
    count, size = given[1].size - 1, f"{given[1].size - 1} lines of {len(given[0])} stretches"
    yield Case("step.fit_steps", size, count, given, 1e-2, astray=0.011, judged=columns_of)


def ways(quick: bool) -> Iterator[Case]:
    """Kernels of ways over water that moves."""
    size, count = (100, 500) if quick else (400, 20_000)
    flow = draw_flow(size, 9)
    land = np.isnan(flow.u[0])
    water = np.nan_to_num(np.stack([flow.u, flow.v], axis=-1))
    metres = np.full(size, CELL)
    medium = Medium(np.where(land, 0.0, 9.0)[None], water, 0.0, 3.0 * HOUR, metres, metres)
    rng = np.random.default_rng(5)
    begin, way = rng.uniform(0.0, size - 1.0, (2, count)), rng.uniform(-25.0, 25.0, (2, count))
    given = medium, rng.uniform(0.0, 4.0 * HOUR, count), *begin, *(begin + way)
    of = f"{count} ways of up to 35 cells, {size} x {size} nodes, 9 hours"
    yield Case("march.straight_times", of, count, given, 1e-9)
    rows, columns = np.nonzero(~land)
    start = float(columns[columns.size // 2]), float(rows[rows.size // 2])
    time = march(medium, 0.0, *start, 20.0 * CELL, EVERYWHERE)
    row, column = np.argwhere(np.isfinite(time))[0]
    given = medium, 0.0, time, *start, int(column), int(row)
    count = trace_back(*given)[0].size
    yield Case("march.trace_back", f"a way of {count} nodes", count, given, 1e-12)


def tours(quick: bool) -> Iterator[Case]:
    """Kernels of a day's tour."""
    problem = day_at_sea(1, 10 if quick else 30, tank=240.0)
    best, _ = search_tour(problem, 300, 0)
    of = f"a tour of {best.size} stops"
    yield Case("tour.spend", of, best.size, (best, best.size, problem), 1e-12, repeat=1000)

    def prove():
        return bound.prove_tour(problem, best[:-1])  # one stop short, so that there is something to find

    given = overhear(bound, "relax", prove)
    count = bound.relax(*given).size
    of = f"{count} numbers, {given[0].size} ways"
    yield Case("bound.relax", of, count, given, 1e-12, twin_given=given[:-1])
    given = overhear(bound, "follow", prove)
    count = bound.follow(*given).size
    yield Case("bound.follow", f"a tour of {count} stops", count, given, 0.0, repeat=10)
    given = overhear(bound, "extend", prove)
    count = bound.extend(*given)[2]
    yield Case("bound.extend", f"{count} partial tours", count, given, 1e-12)


# ---- both sides


def furthest_apart(ours, twin, astray: float) -> float:
    """The most by which arrays differ, as a share of their greatest value; infinite where one lacks any.

    astray: share of the numbers of each array that do not count, those that differ most.
    """
    ours, twin = ((one,) if isinstance(one, np.ndarray) else one for one in (ours, twin))
    worst = 0.0
    for one, other in zip(ours, twin, strict=True):
        one, other = np.asarray(one, np.float64), np.asarray(other, np.float64)
        known = np.isfinite(other)
        if one.shape != other.shape or not np.array_equal(one[~known], other[~known], equal_nan=True):
            return np.inf
        gaps = np.append(0.0, np.sort(np.abs(one[known] - other[known])))
        gap, most = gaps[int((1.0 - astray) * (gaps.size - 1))], np.abs(other[known]).max(initial=0.0)
        worst = max(worst, gap / most if gap else 0.0)
    return float(worst)


def compare(case: Case, *, rounds: int) -> list[object]:
    """One row of the table; ends the benchmark where the two differ by more than is allowed."""
    say(case.kernel)
    module, name = case.kernel.split(".")
    ours = case.ours or getattr(import_module(f"searcher.kernels.{module}"), name)
    twin, twin_given = twins.TWINS[case.kernel], case.twin_given or case.given
    found = case.judged(ours(*case.given)), case.judged(twin(*twin_given))
    apart = furthest_apart(*found, case.astray)
    if not apart <= case.allowed:
        raise SystemExit(f"{case.kernel} and its twin differ by {apart:.2g} of the greatest value")
    sides = {
        "ours": lambda: [ours(*case.given) for _ in range(case.repeat)],
        "twin": lambda: [twin(*twin_given) for _ in range(case.repeat)],
    }
    seconds = time_in_turn(sides, rounds=rounds)
    each = [1e9 * float(np.median(seconds[side])) / case.items / case.repeat for side in sides]
    times = ratio(seconds, "twin", "ours")
    return [case.kernel, *each, times, f"{apart:.0e}", f"{case.allowed:.0e}", case.size]


def main() -> None:
    quick = read_options(__doc__).quick
    groups = fields, edges, lines, ways, tours
    rows = [compare(case, rounds=1 if quick else 5) for group in groups for case in group(quick)]
    if {row[0] for row in rows} != set(twins.TWINS):
        raise SystemExit(f"not timed: {set(twins.TWINS) - {row[0] for row in rows}}")
    header = ["kernel", "ns an item", "twin", "times longer", "apart", "allowed", "on"]
    print_table("kernels and their twins", header, rows)
    elsewhere = [[kernel, f"tests/bench/{bench}.py"] for kernel, bench in twins.BENCHED.items()]
    print_table("timed elsewhere", ["kernel", "in"], elsewhere)


if __name__ == "__main__":
    main()
