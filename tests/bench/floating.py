"""Where floating matter lies at noon of the trip day: predicted from what a user has, against the truth.

The truth is the built-in sea at 1.6 km with a million pieces of floating matter; the user has pictures up to
half a day old under clouds, coarse currents out of place, and the wind. Score: the pieces in the tenth of the
sea within reach (by area, cells of 0.02°) that is predicted densest, over those in the tenth that is densest
in truth. An even scatter scores the floor. Means over the seeds with their standard error, for true currents
that do not gather beyond what the wind does (convergence 0), and two strengths of fronts that do. Beside
them what no user has: the true currents as they are, and blurred, and where as many other pieces came to lie
in them, the ceiling: a cell holds some 25 pieces, so that the densest tenth is partly a matter of luck; where
nothing gathers, at convergence 0, mostly, and floor and ceiling lie close together.

Seeds 1 to 4, 231 to 262 and 271 to 282 were looked at while the method was made; those scored here are
others.
"""

from __future__ import annotations

import tempfile
import warnings
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from time import perf_counter

import numpy as np
import shapely
import xarray as xr
from scipy.ndimage import gaussian_filter
from timing import print_table, read_options, say

import searcher as sr
from searcher.builtin import Sight, make_builtin_sea
from searcher.builtin.files import write_sea_files
from searcher.builtin.flow import draw_model
from searcher.builtin.march import march
from searcher.builtin.scene import MODEL_STEP, RELEASE, model_grid
from searcher.builtin.weather import draw_weather
from searcher.carry import make_drift
from searcher.fronts.convergence import divergence_of
from searcher.fronts.floating import Waters, density_at, okubo, prepare_waters
from searcher.geo import Region
from searcher.kernels.sample import Flow, weave
from searcher.reach import find_reach, range_polygon
from searcher.sea import to_seconds

NOON = np.datetime64("2026-01-17T01:00", "ns")  # in Sydney
STEP, SHARE = 0.02, 0.1
PIECES = 1_000_000
SEEDS, CONVERGENCES = (*range(221, 225), *range(283, 291)), (0.0, 1.0, 2.0)
REAL = Sight(least_cover=0.2, most_cover=0.8, current_blur=7e3, current_shift=7e3)
SIGHTS = {"as the demonstration is seen": Sight(), "as real products are seen": REAL}
BLURS = (2e3, 5e3, 10e3)  # m, standard deviation
#: ways to predict: options of `prepare_waters`, and whether the currents are aligned with the pictures
WAYS = {
    "currents alone": {"aligned": False, "fronts": False, "windage": False},
    "and wind": {"aligned": False, "fronts": False},
    "and wind and fronts": {"aligned": False},
    "currents aligned and wind": {"fronts": False},
    "currents aligned, wind and fronts (the package)": {},
}


@dataclass
class Case:
    """What a user has of one sea, its cells within reach, and how many pieces each holds in truth."""

    sea: xr.DataTree
    plain: xr.DataTree  # the same without its currents aligned
    lon: np.ndarray
    lat: np.ndarray
    count: np.ndarray

    @property
    def region(self) -> Region:
        return Region(self.lon.min(), self.lat.min(), self.lon.max(), self.lat.max())

    def best(self, field: np.ndarray) -> float:
        """Pieces in the tenth of the area where a field is greatest."""
        order = np.argsort(-np.nan_to_num(field, nan=-1.0), kind="stable")
        area = np.cos(np.radians(self.lat[order])).cumsum()
        return float(self.count[order[: np.searchsorted(area, SHARE * area[-1])]].sum())

    def score(self, field: np.ndarray) -> float:
        return self.best(field) / self.best(self.count)

    def density(self, waters: Waters) -> np.ndarray:
        at = float(to_seconds(NOON))
        return density_at(waters, self.lon, self.lat, at, jitter=STEP / 2)[0]


def open_case(seed: int, convergence: float, sight: Sight, *, particles: int) -> Case:
    """The built-in sea, by way of the files that a user would have."""
    sea, truth = make_builtin_sea(seed=seed, convergence=convergence, particles=particles, sight=sight)
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        write_sea_files(sea, folder)
        trip = sr.read_trip(folder)
        sea, plain = (
            sr.load_sea(trip.region, trip.window, sources=trip.sources, align=align).load()
            for align in (True, False)
        )
    outline = range_polygon(find_reach(trip, sea))
    west, south, east, north = outline.bounds
    x, y = (
        values.ravel() for values in np.meshgrid(np.arange(west, east, STEP), np.arange(south, north, STEP))
    )
    inside = shapely.contains_xy(outline, x, y)
    floating = truth["floating"].to_dataset().sel(time=NOON)
    count = count_pieces(floating["lon"].values, floating["lat"].values, x[inside], y[inside])
    return Case(sea, plain, x[inside], y[inside], count)


def count_pieces(lon: np.ndarray, lat: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """How many pieces at places (n,) lie in each cell (m,) of `STEP` around nodes of one lattice."""
    across, up = (np.rint((axis - axis.min()) / STEP).astype(int) for axis in (x, y))
    edges = [
        origin + STEP * (np.arange(size + 2) - 0.5)
        for origin, size in ((y.min(), up.max()), (x.min(), across.max()))
    ]
    known = np.isfinite(lon)
    count, _, _ = np.histogram2d(lat[known], lon[known], edges)
    return count[up, across]


@dataclass
class Truth:
    """Currents from the first release to noon, 3-hourly; the sea (1, ashore 0); other pieces at noon."""

    flow: Flow
    afloat: np.ndarray
    lon: np.ndarray
    lat: np.ndarray


def make_truth(seed: int, convergence: float, *, particles: int) -> Truth:
    """What is true of one sea."""
    flow_rng, _, weather_rng, _, other_rng = np.random.default_rng(seed).spawn(5)
    grid = model_grid()
    model, weather = draw_model(grid, flow_rng), draw_weather(weather_rng)
    kept = []
    for moment in march(model, weather, convergence=convergence, particles=particles, rng=other_rng):
        if moment.time >= RELEASE and (NOON - moment.time) % np.timedelta64(3, "h") == 0:
            kept.append(moment)
        if moment.time == NOON:
            break
    u, v = (np.array([getattr(m, name) for m in kept]) for name in ("u", "v"))
    times = to_seconds([m.time for m in kept])
    flow = Flow(times, u, v, float(grid.lon[0]), MODEL_STEP, float(grid.lat[0]), MODEL_STEP)
    return Truth(flow, model.sea, moment.lon, moment.lat)


def blurred(flow: Flow, afloat: np.ndarray, sigma: float) -> Flow:
    """A flow smoothed over the sea."""
    cells = sigma / (MODEL_STEP * 103e3)
    weight = np.maximum(gaussian_filter(afloat, cells), 0.05)
    u, v = (
        np.array([gaussian_filter(f * afloat, cells) / weight for f in part]) for part in (flow.u, flow.v)
    )
    return flow._replace(u=u, v=v)


def try_ways(case: Case) -> dict[str, float]:
    """Scores of every way to predict."""
    at = float(to_seconds(NOON))
    scores = {"even scatter (the floor)": SHARE * case.count.sum() / case.best(case.count)}
    for name, way in WAYS.items():
        options = {key: value for key, value in way.items() if key != "aligned"}
        sea = case.sea if way.get("aligned", True) else case.plain
        scores[name] = case.score(case.density(prepare_waters(sea, case.region, at=at, **options)))
    return scores


def try_oracles(case: Case, truth: Truth) -> dict[str, float]:
    """Scores with the true currents, as they are and blurred, and of other pieces in them."""
    drift = make_drift(case.sea)._replace(longest_step=900.0)
    flow = truth.flow
    flows = {"true currents": flow}
    flows |= {f"true currents, blurred by {b / 1e3:.0f} km": blurred(flow, truth.afloat, b) for b in BLURS}
    others = count_pieces(truth.lon, truth.lat, case.lon, case.lat)
    return {"as many other pieces (the ceiling)": case.score(others)} | {
        name: case.score(
            case.density(Waters(drift._replace(currents=weave(f)), divergence_of(f), okubo(STEP * 111e3)))
        )
        for name, f in flows.items()
    }


def say_mean(scores: list[float]) -> str:
    """Mean and its standard error."""
    if len(scores) < 2:
        return f"{np.mean(scores):.2f}"
    return f"{np.mean(scores):.2f} ±{np.std(scores, ddof=1) / np.sqrt(len(scores)):.2f}"


def score_case(sight: Sight, convergence: float, seed: int, *, particles: int) -> dict[str, float]:
    """Scores of every way to predict one sea; with oracles where it is seen as in the demonstration."""
    case = open_case(seed, convergence, sight, particles=particles)
    scores = try_ways(case)
    if sight == Sight():
        scores |= try_oracles(case, make_truth(seed, convergence, particles=particles))
    return scores


def main() -> None:
    quick = read_options(__doc__).quick
    seeds, strengths, sights = (SEEDS[:1], (1.0,), 1) if quick else (SEEDS, CONVERGENCES, len(SIGHTS))
    wanted = [
        (sight, c, seed) for sight in list(SIGHTS.values())[:sights] for c in strengths for seed in seeds
    ]
    found: dict[tuple[Sight, float, int], dict[str, float]] = {}
    began = perf_counter()
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        jobs = {
            pool.submit(score_case, *each, particles=20_000 if quick else PIECES): each for each in wanted
        }
        for job in as_completed(jobs):
            found[jobs[job]] = job.result()
            left = (len(wanted) - len(found)) * (perf_counter() - began) / len(found) / 60.0
            say(f"{len(found)} of {len(wanted)}, {left:.0f} min left")
    for title, sight in list(SIGHTS.items())[:sights]:
        names = found[sight, strengths[0], seeds[0]]
        rows = [
            [name, *(say_mean([found[sight, c, seed][name] for seed in seeds]) for c in strengths)]
            for name in names
        ]
        print_table(
            f"share of the truth's densest tenth that the predicted one holds, {title}; "
            f"{len(seeds)} seeds (± one standard error); goal 0.60",
            ["", *(f"convergence {c:g}" for c in strengths)],
            rows,
        )


if __name__ == "__main__":
    main()
