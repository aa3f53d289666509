"""Temperature-break detection against scikit-image's Canny with a mask, at the same smoothing.

The scene is a warm and a cold sea either side of a winding front (a tanh profile), with pixel noise, three
tenths hidden by cloud, on a grid of 0.01° about the equator. Three sides are timed:

- ours: the fit of slopes and the tracing of ridges (`searcher.kernels`), which ends in chains of points
  between the nodes;
- ours, whole: `find_temperature_breaks`, which also measures the noise, sets its thresholds by it, and
  gives every line its step, strength and warm side;
- canny: `skimage.feature.canny(mask=...)`, which ends in a picture of edge pixels.

The floor is a copy of the scene. Then both sets of edges are held against the front as it was drawn.
"""

from __future__ import annotations

import numpy as np
import shapely
import xarray as xr
from scipy.ndimage import gaussian_filter
from skimage.feature import canny
from timing import print_table, ratio, read_options, say, time_in_turn

from searcher.fronts import find_temperature_breaks
from searcher.fronts.temperature import LOW, SMOOTHING, metres_between
from searcher.fronts.trace import PROMINENCE
from searcher.kernels.gradient import fit_planes
from searcher.kernels.ridge import trace_ridges
from searcher.sea import grid_of

STEP = 0.01  # degrees
CLOUD, NOISE = 0.3, 0.1  # share of the scene; °C
WIDTH = 3.0  # of the front's tanh profile, cells
CANNY_SOBEL = 8.0  # scikit-image takes Sobel's sums as they are: eight times the slope per cell


def draw_scene(size: int, *, seed: int = 1) -> tuple[xr.DataArray, shapely.LineString]:
    """A picture of sst (lat, lon), °C, NaN under cloud, and its front in (column, row)."""
    rng = np.random.default_rng(seed)
    columns = np.arange(size, dtype=np.float64)
    front = size / 2 + size / 8 * np.sin(2 * np.pi * columns / size * 2)
    line = shapely.LineString(np.column_stack([columns, front]))
    slant = np.hypot(1.0, np.gradient(front))
    rows = np.arange(size, dtype=np.float64)[:, None]
    sst = 24.0 + 1.5 * np.tanh((rows - front) / slant / WIDTH) + NOISE * rng.standard_normal((size, size))
    veil = gaussian_filter(rng.standard_normal((size, size)), 12.0)
    sst[veil > np.quantile(veil, 1.0 - CLOUD)] = np.nan
    axis = (np.arange(size) - (size - 1) / 2) * STEP
    picture = xr.DataArray(
        sst, {"lat": ("lat", axis), "lon": ("lon", 155.0 + axis)}, ("lat", "lon"), attrs={"units": "degC"}
    )
    return picture, line


def sides_of(picture: xr.DataArray) -> tuple[dict, float]:
    """What is timed, and the size of a cell, m."""
    field = np.ascontiguousarray(picture.values)
    lat = picture["lat"].values
    east, north = metres_between(lat, grid_of(picture.to_dataset(name="sst")))
    cell = float(np.sqrt(east.mean() * north.mean()))
    seen = np.isfinite(field)
    filled = np.where(seen, field, 0.0)
    low = LOW * cell * CANNY_SOBEL
    sharp = 2.0 * PROMINENCE / SMOOTHING**2

    def ours():
        _, slope_x, slope_y = fit_planes(field, east, north, SMOOTHING)
        slope = np.hypot(slope_x, slope_y)
        return trace_ridges(slope, slope_x / slope, slope_y / slope, east, north, LOW, sharp)

    def theirs():
        return canny(filled, SMOOTHING / cell, low, 2.0 * low, mask=seen)

    sides = {
        "copy (floor)": field.copy,
        "ours": ours,
        "ours, whole": lambda: find_temperature_breaks(picture),
        "canny": theirs,
    }
    return sides, cell


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


def main() -> None:
    quick = read_options(__doc__).quick
    for size in (200,) if quick else (1000, 3600):
        compare(size, rounds=1 if quick else 5 if size == 1000 else 3)


if __name__ == "__main__":
    main()
