"""Where floating matter lies at noon of the trip day: predicted from what a user has, against the truth.

The truth is the built-in sea at 1.6 km with 200 000 pieces of floating matter; the user has pictures up to
half a day old under clouds, coarse currents out of place, and the wind. Score: the pieces in the tenth of the
sea within reach (by area, cells of 0.02°) that is predicted densest, over those in the tenth that is densest
in truth. An even scatter scores the floor. Means over the seeds with their standard error, for true currents
that do not gather beyond what the wind does (convergence 0), and two strengths of fronts that do. Beside
them oracles that no user has: the true currents as they are, and blurred. Even the true currents do not reach
1, since a cell holds four pieces on average and the densest tenth is partly a matter of luck: where nothing
gathers, at convergence 0, almost wholly.

Seeds 1 to 4 were looked at while the method was made; those scored here are others.
"""

from __future__ import annotations

import tempfile
import warnings
from dataclasses import dataclass
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
SEEDS, CONVERGENCES = range(221, 224), (0.0, 1.0, 2.0)
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
    lon, lat = np.arange(west, east, STEP), np.arange(south, north, STEP)
    edges = [np.append(axis, axis[-1] + STEP) - STEP / 2 for axis in (lat, lon)]
    floating = truth["floating"].to_dataset().sel(time=NOON)
    known = np.isfinite(floating["lon"].values)
    count, _, _ = np.histogram2d(floating["lat"].values[known], floating["lon"].values[known], edges)
    x, y = np.meshgrid(lon, lat)
    inside = shapely.contains_xy(outline, x, y)
    return Case(sea, plain, x[inside], y[inside], count[inside])


def true_currents(seed: int, convergence: float) -> tuple[Flow, np.ndarray]:
    """The currents of the truth from the first release to noon, 3-hourly, and the sea (1, ashore 0)."""
    flow_rng, particle_rng, weather_rng, _ = np.random.default_rng(seed).spawn(4)
    grid = model_grid()
    model, weather = draw_model(grid, flow_rng), draw_weather(weather_rng)
    hours = march(model, weather, convergence=convergence, particles=0, rng=particle_rng)
    kept = [m for m in hours if m.time >= RELEASE and (NOON - m.time) % np.timedelta64(3, "h") == 0]
    u, v = (np.array([getattr(m, name) for m in kept]) for name in ("u", "v"))
    times = to_seconds([m.time for m in kept])
    return Flow(times, u, v, float(grid.lon[0]), MODEL_STEP, float(grid.lat[0]), MODEL_STEP), model.sea


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


def try_oracles(case: Case, seed: int, convergence: float) -> dict[str, float]:
    """Scores with the true currents, as they are and blurred."""
    flow, afloat = true_currents(seed, convergence)
    drift = make_drift(case.sea)._replace(longest_step=900.0)
    flows = {"true currents": flow}
    flows |= {f"true currents, blurred by {b / 1e3:.0f} km": blurred(flow, afloat, b) for b in BLURS}
    return {
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


def main() -> None:
    quick = read_options(__doc__).quick
    seeds, strengths, sights = (SEEDS[:1], (1.0,), 1) if quick else (SEEDS, CONVERGENCES, len(SIGHTS))
    began, done, cases = perf_counter(), 0, sights * len(strengths) * len(seeds)
    for title, sight in list(SIGHTS.items())[:sights]:
        found: dict[float, list[dict[str, float]]] = {}
        for convergence in strengths:
            for seed in seeds:
                left = (cases - done) * (perf_counter() - began) / max(done, 1) / 60.0
                say(f"{done} of {cases}" + (f", {left:.0f} min left" if done else "") + f": seed {seed}")
                case = open_case(seed, convergence, sight, particles=20_000 if quick else 200_000)
                scores = try_ways(case)
                if sight == Sight() and not quick:
                    scores |= try_oracles(case, seed, convergence)
                found.setdefault(convergence, []).append(scores)
                done += 1
        rows = [
            [name, *(say_mean([scores[name] for scores in found[c]]) for c in strengths)]
            for name in found[strengths[0]][0]
        ]
        print_table(
            f"share of the truth's densest tenth that the predicted one holds, {title}; "
            f"{len(seeds)} seeds (± one standard error); goal 0.60",
            ["", *(f"convergence {c:g}" for c in strengths)],
            rows,
        )


if __name__ == "__main__":
    main()
