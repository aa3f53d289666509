"""Temperature-break detection against scikit-image's Canny with a mask, at the same smoothing.

The scene is a warm and a cold sea either side of a winding front (a tanh profile), with pixel noise, three
tenths hidden by cloud, on a grid of 0.01° about the equator. Three sides are timed:

- ours: the fit of slopes and the tracing of their ridges (`searcher.kernels.edges`), which ends in chains of
  points between the nodes;
- ours, whole: `find_temperature_breaks`, which also measures the noise, sets its thresholds by it, and
  gives every line its step, strength and warm side;
- canny: `skimage.feature.canny(mask=...)`, which ends in a picture of edge pixels.

The floor is a copy of the scene. Then both sets of edges are held against the front as it was drawn, and the
kernel's time per node is told as the scene grows.

The ratio leans on how fast the memory is at the time, since Canny passes over whole pictures again and again
and ours keeps to the cache: on the scene of 3600 x 3600 nodes seven runs on several days, on one kind of
machine, had 16.8 to 32.7 for the kernel and 7.7 to 14.1 for the whole.
"""

from __future__ import annotations

import numpy as np
import shapely
import xarray as xr
from scipy.ndimage import gaussian_filter
from skimage.feature import canny
from timing import print_table, ratio, read_options, say, time_in_turn

from searcher.fronts import find_temperature_breaks
from searcher.fronts.temperature import BREAK, SMOOTHING
from searcher.fronts.trace import PROMINENCE
from searcher.kernels.edges import trace_edges
from searcher.sea import grid_of, metres_between

STEP = 0.01  # degrees
CLOUD, NOISE = 0.3, 0.1  # share of the scene; °C
WIDTH = 3.0  # of the front's tanh profile, cells
LOW = BREAK.high(SMOOTHING) / 2  # slope that keeps a line going, °C/m
CANNY_SOBEL = 8.0  # scikit-image takes Sobel's sums as they are: eight times the slope per cell


def draw_scene(
    size: int, *, wide: int | None = None, seed: int = 1
) -> tuple[xr.DataArray, shapely.LineString]:
    """A picture of sst (lat, lon), °C, float32, NaN under cloud, and its front in (column, row)."""
    rng = np.random.default_rng(seed)
    shape = size, wide or size
    columns = np.arange(shape[1], dtype=np.float64)
    front = size / 2 + size / 8 * np.sin(2 * np.pi * columns / size * 2)
    line = shapely.LineString(np.column_stack([columns, front]))
    slant = np.hypot(1.0, np.gradient(front))
    rows = np.arange(size, dtype=np.float64)[:, None]
    sst = 24.0 + 1.5 * np.tanh((rows - front) / slant / WIDTH) + NOISE * rng.standard_normal(shape)
    veil = gaussian_filter(rng.standard_normal(shape), 12.0)
    sst[veil > np.quantile(veil, 1.0 - CLOUD)] = np.nan
    lat, lon = ((np.arange(n) - (n - 1) / 2) * STEP for n in shape)
    picture = xr.DataArray(
        sst.astype(np.float32),
        {"lat": ("lat", lat), "lon": ("lon", 155.0 + lon)},
        ("lat", "lon"),
        attrs={"units": "degC"},
    )
    return picture, line


def sides_of(picture: xr.DataArray) -> tuple[dict, float]:
    """What is timed, and the size of a cell, m."""
    field = picture.values
    east, north = metres_of(picture)
    cell = float(np.sqrt(east.mean() * north.mean()))
    seen = np.isfinite(field)
    filled = np.where(seen, field, 0.0).astype(np.float32)
    low = LOW * cell * CANNY_SOBEL
    sides = {
        "copy (floor)": field.copy,
        "ours": lambda: trace(field, east, north),
        "ours, whole": lambda: find_temperature_breaks(picture),
        "canny": lambda: canny(filled, SMOOTHING / cell, low, 2.0 * low, mask=seen),
    }
    return sides, cell


def metres_of(picture: xr.DataArray) -> tuple[np.ndarray, np.ndarray]:
    """Metres between nodes along and across each row."""
    return metres_between(picture["lat"].values, grid_of(picture.to_dataset(name="sst")))


def trace(field: np.ndarray, east: np.ndarray, north: np.ndarray) -> tuple[np.ndarray, ...]:
    """The kernel alone, with the least slope of the whole detector."""
    return trace_edges(field, east, north, SMOOTHING, LOW, 2.0 * PROMINENCE / SMOOTHING**2)


def points_of(lines: list[dict]) -> np.ndarray:
    """Points every half cell along lines in degrees, shape (n, 2), as (longitude, latitude)."""
    dense = shapely.segmentize([row["geometry"] for row in lines], 0.5 * STEP)
    return shapely.get_coordinates(dense)


def agreement(points: np.ndarray, front: shapely.LineString, seen: np.ndarray) -> list[float]:
    """Median and 90 % distance of edges from the front, share astray, share of the clear front found."""
    away = shapely.distance(shapely.points(points), front)
    along = shapely.get_coordinates(shapely.segmentize(front, 1.0))
    columns, rows = np.round(along).astype(int).T
    clear = along[seen[rows, columns]]
    near = shapely.STRtree(shapely.points(points)).query_nearest(
        shapely.points(clear), max_distance=2.0, all_matches=False
    )
    on = away[away <= 3.0]
    found = near.shape[1] / len(clear)
    return [float(np.median(on)), float(np.quantile(on, 0.9)), float(np.mean(away > 3.0)), found]


def compare(size: int, *, rounds: int) -> None:
    """Time one size of scene, then print how near the front either set of edges lies."""
    say(f"drawing a scene of {size} x {size}")
    picture, front = draw_scene(size)
    sides, cell = sides_of(picture)
    say("warming up, then timing")
    seconds = time_in_turn(sides, rounds=rounds)
    million = picture.size / 1e6
    print_table(
        f"edges, {size} x {size} nodes of {cell:.0f} m, {CLOUD:.0%} cloud, smoothing {SMOOTHING:.0f} m",
        ["", "s", "Mpx/s", "speed over canny"],
        [
            [name, float(np.median(times)), million / float(np.median(times)), ratio(seconds, "canny", name)]
            for name, times in seconds.items()
        ],
    )
    grid = grid_of(picture.to_dataset(name="sst"))
    places = points_of(sides["ours, whole"]())
    ours = (places - [grid.lon0, grid.lat0]) / [grid.dlon, grid.dlat]
    rows, columns = np.nonzero(sides["canny"]())
    theirs = np.column_stack([columns, rows]).astype(np.float64)
    seen = np.isfinite(picture.values)
    print_table(
        "distance from the front as drawn, cells (of what lies within 3 cells of it)",
        ["", "median", "90 %", "astray", "clear front found"],
        [["ours, whole", *agreement(ours, front, seen)], ["canny", *agreement(theirs, front, seen)]],
    )


def grow(shapes: list[tuple[int, int]], *, rounds: int) -> None:
    """The kernel's time per node on scenes of several sizes, timed in turn."""
    say("drawing scenes of several sizes")
    scenes = {}
    for size, wide in shapes:
        picture, _ = draw_scene(size, wide=wide)
        scenes[f"{size} x {wide}"] = picture.values, *metres_of(picture)
    sides = {name: (lambda scene=scene: trace(*scene)) for name, scene in scenes.items()}
    sides |= {f"{name}, copy": scene[0].copy for name, scene in scenes.items()}
    seconds = time_in_turn(sides, rounds=rounds)
    print_table(
        "growth of the kernel",
        ["nodes", "ns per node", "copies of the scene"],
        [
            [
                name,
                1e9 * float(np.median(seconds[name])) / scene[0].size,
                ratio(seconds, name, f"{name}, copy"),
            ]
            for name, scene in scenes.items()
        ],
    )


def main() -> None:
    quick = read_options(__doc__).quick
    for size in (200,) if quick else (1000, 3600):
        compare(size, rounds=1 if quick else 5 if size == 1000 else 3)
    grow(
        [(100, 100), (200, 100)] if quick else [(1000, 1000), (3600, 3600), (7200, 3600)],
        rounds=1 if quick else 5,
    )


if __name__ == "__main__":
    main()
