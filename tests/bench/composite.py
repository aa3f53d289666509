"""Errors and fronts of one map of the temperature made of many clouded pictures, against the truth.

Seas of the built-in generator with different seeds: six pictures over 60 hours, clouded, noisy, each off in
level; coarse and imperfect currents. A map for six hours after the last picture is made in several ways and
compared with the true temperature of that hour. True fronts are the crests of the true slope of temperature,
found by scipy and numpy alone; fronts in the maps are what `searcher.fronts` finds.
"""

from __future__ import annotations

import warnings

import numpy as np
import shapely
import xarray as xr
from scipy import ndimage
from scipy.spatial import cKDTree
from timing import print_table, read_options, say

from searcher.builtin import make_builtin_sea
from searcher.carry import make_drift
from searcher.drift import drift_fronts
from searcher.fronts import find_fronts, find_temperature_breaks
from searcher.sea import to_seconds
from searcher.sources.composite import Water, compose_temperature, list_looks, see_all
from searcher.sources.match import match_levels
from searcher.tables import TEMPERATURE_BREAK

HOUR = 3600.0
AT = np.datetime64("2026-01-16T18:00", "ns")
OLD = 12 * HOUR
NOISE = 0.12  # °C, as the pictures of the built-in sea
STEEP = 0.08e-3  # °C/m: crests of the true slope above this count as fronts
NEAR = 2.0  # cells
SEEDS = range(1, 9)
OURS = "carried, newest (this package)"


def draw_maps(sea: xr.DataTree, truth: np.ndarray) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Maps (lat, lon) of the temperature by the way they are made, and the age (s) of ours."""
    pictures, carrier, now = sea["temperature"].to_dataset(), make_drift(sea), AT
    laid = pictures["sst"].values[::-1].astype(np.float64)  # the newest first
    lon, lat = np.meshgrid(pictures["lon"].values, pictures["lat"].values)
    looks = list_looks(pictures, carrier, True, now=float(to_seconds(now)), longest_age=np.inf)
    carried = see_all(looks, Water.lying_at(lon, lat, float(to_seconds(now))), carrier).reshape(laid.shape)
    laid_even, carried_even = (views - match_levels(views)[0][:, None, None] for views in (laid, carried))
    hours = np.array([float(to_seconds(now)) - look.time for look in looks]) / HOUR
    ours = compose_temperature(sea, at=AT)
    seen = np.isfinite(ours["sst"].values[0])
    noisy = truth + np.random.default_rng(0).normal(0.0, NOISE, truth.shape)
    maps = {
        "newest pixel": newest(laid),
        "newest pixel, levels matched": newest(laid_even),
        "mean of pixels": mean(laid, np.ones(hours.size)),
        "median of pixels": np.nanmedian(laid, axis=0),
        OURS: ours["sst"].values[0].astype(np.float64),
        "carried, newest, levels as they are": newest(carried),
        "carried, mean": mean(carried_even, np.ones(hours.size)),
        "carried, mean, e-folding 24 h": mean(carried_even, np.exp(-hours / 24)),
        "carried, mean, e-folding 6 h": mean(carried_even, np.exp(-hours / 6)),
        "floor: truth and noise": np.where(seen, noisy, np.nan),
    }
    return maps, ours["age"].values[0]


def newest(views: np.ndarray) -> np.ndarray:
    """The first of n views (n, lat, lon) that is not missing."""
    return np.take_along_axis(views, np.isfinite(views).argmax(axis=0)[None], axis=0)[0]


def mean(views: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Weighted mean of what is not missing."""
    weights = weight[:, None, None] * np.isfinite(views)
    total = weights.sum(axis=0)
    return np.where(total > 0, np.nansum(views * weights, axis=0) / np.maximum(total, 1e-12), np.nan)


def true_fronts(slope: xr.DataArray) -> np.ndarray:
    """Places (n, 2), degrees, where the true slope (lat, lon; °C/m) is greatest across its own crest."""
    field = np.nan_to_num(slope.values).astype(np.float64)
    smooth = ndimage.gaussian_filter(field, 1.0)
    along_lat, along_lon = np.gradient(smooth)
    hessian = np.stack([np.gradient(along_lat), np.gradient(along_lon)])  # [[yy, yx], [xy, xx]]
    values, vectors = np.linalg.eigh(np.moveaxis(hessian, (0, 1), (-2, -1)))
    across = vectors[..., 0]  # of the most negative curvature
    rows, columns = np.indices(field.shape)
    crest = (values[..., 0] < 0) & (smooth >= STEEP)
    for side in (1.0, -1.0):
        beside = [rows + side * across[..., 0], columns + side * across[..., 1]]
        crest &= smooth >= ndimage.map_coordinates(smooth, beside, order=1, mode="nearest")
    row, column = np.nonzero(crest)
    return np.column_stack([slope["lon"].values[column], slope["lat"].values[row]])


def fronts_in(values: np.ndarray, like: xr.Dataset) -> np.ndarray:
    """Places (n, 2), degrees, along the fronts found in a map."""
    picture = xr.DataArray(values, {"lat": like["lat"], "lon": like["lon"]}, ("lat", "lon"))
    return along([row["geometry"] for row in find_temperature_breaks(picture)], like)


def drifted_fronts(sea: xr.DataTree, like: xr.Dataset) -> np.ndarray:
    """Places (n, 2), degrees, along the fronts of every picture, drifted to the hour, repeats joined."""
    lines = drift_fronts(find_fronts(sea, at=AT), sea, to=AT)
    return along(lines.geometry[lines["kind"] == TEMPERATURE_BREAK], like)


def along(lines, like: xr.Dataset) -> np.ndarray:
    """Places (n, 2), degrees, along some lines, a third of a cell apart."""
    cell = float(like["lat"][1] - like["lat"][0])
    return np.vstack([shapely.get_coordinates(shapely.segmentize(line, cell / 3)) for line in lines])


def judge_fronts(found: np.ndarray, true: np.ndarray, known: np.ndarray, like: xr.Dataset):
    """Shares of what was found that is true, and of what is true, where a map is `known`, that was found."""
    cell = float(like["lat"][1] - like["lat"][0])
    flat = np.array([np.cos(np.radians(float(like["lat"].mean()))), 1.0]) / cell
    column = np.round((true[:, 0] - float(like["lon"][0])) / cell).astype(int)
    row = np.round((true[:, 1] - float(like["lat"][0])) / cell).astype(int)
    covered = true[known[row, column]]
    right = cKDTree(true * flat).query(found * flat)[0] <= NEAR
    caught = cKDTree(found * flat).query(covered * flat)[0] <= NEAR
    return float(right.mean()), float(caught.mean())


def judge_slopes(values: np.ndarray, truth: np.ndarray, where: np.ndarray) -> float:
    """Correlation of both components of the slope of two maps, each smoothed over 1.5 cells, in the open."""
    smooth = []
    for field in (values, truth):
        field = np.where(where, field, np.nan)
        filled = ndimage.gaussian_filter(np.nan_to_num(field), 1.5)
        weight = ndimage.gaussian_filter(where.astype(np.float64), 1.5)
        with np.errstate(invalid="ignore", divide="ignore"):
            smooth.append(np.stack(np.gradient(np.where(weight > 0.5, filled / weight, np.nan))))
    both = np.isfinite(smooth[0]) & np.isfinite(smooth[1]) & where
    return float(np.corrcoef(smooth[0][both], smooth[1][both])[0, 1])


def judge_sea(seed: int) -> dict[str, list[float]]:
    """Figures of every way for one sea; all on the cells that every way covers."""
    sea, truth = make_builtin_sea(seed=seed, particles=100)
    like = sea["temperature"].to_dataset()
    true = truth["temperature"]["sst"].sel(time=AT).interp(lat=like["lat"], lon=like["lon"]).values
    fronts = true_fronts(truth["front_strength"]["front_strength"].sel(time=AT))
    maps, age = draw_maps(sea, true)
    common = np.isfinite([*maps.values(), true]).all(axis=0)
    water = np.isfinite(true)
    figures = {}
    for name, values in maps.items():
        apart = values - true
        right, caught = judge_fronts(fronts_in(values, like), fronts, np.isfinite(values), like)
        figures[name] = [
            root_mean_square(apart[common]),
            root_mean_square(apart[common & (age < OLD)]),
            root_mean_square(apart[common & (age >= OLD)]),
            judge_slopes(values, true, common),
            right,
            caught,
            float(np.isfinite(values)[water].mean()),
        ]
    known = np.isfinite(maps[OURS])
    places = {
        "of the map": fronts_in(maps[OURS], like),
        "of every picture, drifted": drifted_fronts(sea, like),
    }
    for name, found in places.items():
        figures[name] = [
            *judge_fronts(found, fronts, known, like),
            float(len(found)) / len(places["of the map"]),
        ]
    return figures


def root_mean_square(values: np.ndarray) -> float:
    """Of any number of values."""
    return float(np.sqrt(np.mean(np.square(values))))


def main() -> None:
    """Print the table of means over the seeds, and in how many of them ours is the better."""
    warnings.filterwarnings("ignore", "All-NaN slice", RuntimeWarning)
    seeds = SEEDS[:1] if read_options(__doc__).quick else SEEDS
    every = []
    for seed in seeds:
        say(f"sea {seed}")
        every.append(judge_sea(seed))
    mean = {name: np.mean([sea[name] for sea in every], axis=0).tolist() for name in every[0]}
    maps = [name for name in mean if len(mean[name]) == 7]
    header = ["", "rms °C", "to 12 h old", "older", "slopes", "found is true", "true is found", "cover"]
    title = f"one map of the temperature from six pictures, mean of {len(every)} seas"
    print_table(title, header, [[name, *mean[name]] for name in maps])

    def better(name: str, column: int, sign: float) -> str:
        count = sum(sign * (sea[OURS][column] - sea[name][column]) > 0 for sea in every)
        return f"{count} of {len(every)}"

    rows = [[name, better(name, 0, -1), better(name, 2, -1), better(name, 3, 1)] for name in maps]
    print_table(
        "in how many seas ours is the better",
        ["than", "rms °C", "older", "slopes"],
        [r for r in rows if r[0] != OURS],
    )
    lines = [[name, *mean[name]] for name in mean if name not in maps]
    print_table("temperature breaks", ["", "found is true", "true is found", "length"], lines)


if __name__ == "__main__":
    main()
