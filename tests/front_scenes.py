"""Seeded pictures of the sea whose fronts are known, and what a detector's lines are worth on them.

A front is a line across which temperature is Δ/2·tanh(d/w), d the distance from the line; `width` is 2w,
across which 76 % of the step lies. Every pixel is the mean over its own breadth, as a sensor's is. To it are
added a gentle large-scale slope, undulations of some tens of kilometres that are no fronts, white pixel
noise, and clouds in blobs. Lines and distances are in metres of an azimuthal equidistant plane of pyproj, so
that nothing is measured with the package's own metric.

Scores are shares of length. False: of the lines found, what lies farther than the tolerance (two cells, and
2 km at least) from every true front. Missed: of the true fronts' visible length, what has no found line
within the tolerance. A point of a front is visible where the picture is clear at it and on both sides, half a
width and a cell away (a front with one side hidden cannot be told from the margin of a cloud); visible
stretches shorter than 10 km do not count.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import shapely
import xarray as xr
from scipy import ndimage
from scipy.spatial import cKDTree
from seas import Plane

from searcher.geo import Place
from searcher.kernels import histogram as kernel

KM = 1000.0
CENTRE = Place(154.0, -32.0)
LEAST_STRETCH = 10.0 * KM
#: step over the sd of the pixel noise, by class
RATIOS = {">= 3": (3.0, 60.0), "1.5-3": (1.5, 3.0), "< 1.5": (0.6, 1.5)}
SPACINGS = (0.01, 0.02, 0.03, 0.05)
#: and how often each is drawn
SHAPES = {
    "straight": 0.18,
    "wave": 0.18,
    "eddy": 0.12,
    "two waves": 0.14,
    "wave and eddy": 0.14,
    "filament": 0.09,  # 15-25 km wide: its flanks lie within a few cells of each other on coarse grids
    "small eddies": 0.08,  # 20-30 km across
    "none": 0.07,
}


class Scene(NamedTuple):
    """A picture, its true fronts, and what it was drawn from (°C, m, degrees, share)."""

    picture: xr.DataArray
    fronts: list[shapely.LineString]  # metres in PLANE
    shape: str
    step: float
    noise: float
    width: float
    cloud: float
    spacing: float
    cell: float


class Score(NamedTuple):
    """Lengths in half cells, and the distances (cells) of found points from the front they lie on."""

    found: int
    false: int
    visible: int
    missed: int
    errors: np.ndarray


PLANE = Plane(CENTRE)


def draw_scene(seed: int, *, ratio: str = ">= 3", spacing: float | None = None, size: int = 128) -> Scene:
    """The scene of a seed: all else is drawn from it. `ratio` is a class of RATIOS; spacing in degrees."""
    rng = np.random.default_rng([seed, sum(map(ord, ratio))])
    spacing = float(rng.choice(SPACINGS)) if spacing is None else spacing
    step, noise = _step_and_noise(rng, *RATIOS[ratio])
    width = rng.uniform(1.0, 10.0) * KM
    cloud = float(rng.choice([0.0, rng.uniform(0.05, 0.3), rng.uniform(0.3, 0.7)]))
    shape = str(rng.choice(list(SHAPES), p=list(SHAPES.values())))
    axis = (np.arange(size) - (size - 1) / 2) * spacing
    lon, lat = CENTRE.lon + axis, CENTRE.lat + axis
    x, y = PLANE.metres(*np.meshgrid(lon, lat))
    half = 0.5 * float(min(np.ptp(x[size // 2]), np.ptp(y[:, size // 2])))
    cell = float(np.sqrt(abs(x[0, 1] - x[0, 0]) * abs(y[1, 0] - y[0, 0])))
    fronts = _draw_fronts(rng, shape, half, cell)
    field = background(rng, x, y, cell)
    for front in fronts:
        field += 0.5 * step * _profile(signed_distance(front, x, y, cell), 0.5 * width, cell)
    field += noise * rng.standard_normal(field.shape)
    field[clouds(rng, field.shape, cloud)] = np.nan
    picture = xr.DataArray(field, {"lat": lat, "lon": lon}, ("lat", "lon"), attrs={"units": "degC"})
    return Scene(picture, fronts, shape, step, noise, width, cloud, spacing, cell)


def _step_and_noise(rng: np.random.Generator, least: float, most: float) -> tuple[float, float]:
    """A step of 0.3-3 °C and a noise of 0.05-0.5 °C, both log-uniform, whose ratio lies within bounds."""
    while True:
        step, noise = np.exp(rng.uniform(np.log([0.3, 0.05]), np.log([3.0, 0.5])))
        if least <= step / noise < most:
            return float(step), float(noise)


def background(rng: np.random.Generator, x: np.ndarray, y: np.ndarray, cell: float) -> np.ndarray:
    """Water without fronts: a slope of up to 1 °C in 100 km, and undulations of 30-60 km, up to 0.15 °C."""
    towards = rng.uniform(0.0, 2.0 * np.pi)
    slope = rng.uniform(0.0, 0.01) / KM
    scale = max(rng.uniform(30.0, 60.0) * KM / cell, 4.0)
    wave = ndimage.gaussian_filter(rng.standard_normal(x.shape), scale / np.sqrt(2.0), mode="wrap")
    wave *= rng.uniform(0.0, 0.15) / wave.std()
    return 22.0 + slope * (x * np.cos(towards) + y * np.sin(towards)) + wave


def _draw_fronts(rng: np.random.Generator, shape: str, half: float, cell: float) -> list[shapely.LineString]:
    """Lines of one kind of scene, in metres, `half` the half side of the picture."""
    turn = rng.uniform(0.0, 2.0 * np.pi)
    if shape == "none":
        return []
    if shape == "straight":
        return [_wave(0.0, half, half, turn, rng.uniform(-0.5, 0.5) * half, 0.0, cell)]
    height, length, phase = rng.uniform(0.05, 0.2) * half, rng.uniform(0.7, 1.6) * half, rng.uniform(0, 6.28)
    if shape == "wave":
        return [_wave(height, length, half, turn, rng.uniform(-0.3, 0.3) * half, phase, cell)]
    if shape == "filament":
        offset, across = rng.uniform(-0.3, 0.3) * half, rng.uniform(15.0, 25.0) * KM
        left, right = (
            _wave(0.5 * height, length, half, turn, offset + side * 0.5 * across, phase, cell)
            for side in (1.0, -1.0)
        )
        return [left, right.reverse()]
    if shape == "small eddies":
        apart = max(0.6 * half, 35.0 * KM)
        radii = rng.uniform(10.0, 15.0, 2) * KM
        return [
            _ellipse(r, r, turn, side * 0.5 * apart, cell) for r, side in zip(radii, (1, -1), strict=True)
        ]
    if shape == "eddy":
        return [_ring(rng, half, turn, rng.uniform(-0.2, 0.2) * half, cell)]
    first = _wave(0.5 * height, length, half, turn, rng.uniform(-0.5, -0.4) * half, phase, cell)
    if shape == "two waves":
        return [first, _wave(0.5 * height, length, half, turn, rng.uniform(0.3, 0.5) * half, phase + 2, cell)]
    return [first, _ring(rng, 0.8 * half, turn, 0.5 * half, cell)]


def _wave(height, length, half, turn, offset, phase, cell) -> shapely.LineString:
    """A sinusoid across the picture and beyond, turned about its middle."""
    along = np.arange(-2.0 * half, 2.0 * half, 0.1 * cell)
    across = offset + height * np.sin(2 * np.pi * along / length + phase)
    c, s = np.cos(turn), np.sin(turn)
    return shapely.LineString(np.column_stack([c * along - s * across, s * along + c * across]))


def _ring(rng, half, turn, offset, cell) -> shapely.LineString:
    """A large ellipse, `offset` across from the middle."""
    return _ellipse(*rng.uniform(0.3, 0.5, 2) * half, turn, offset, cell)


def _ellipse(a, b, turn, offset, cell) -> shapely.LineString:
    """An ellipse of half axes a and b, `offset` across from the middle."""
    angle = np.arange(0.0, 2.0 * np.pi, 0.1 * cell / max(a, b))
    along, across = a * np.cos(angle), offset + b * np.sin(angle)
    c, s = np.cos(turn), np.sin(turn)
    xy = np.column_stack([c * along - s * across, s * along + c * across])
    return shapely.LineString(np.vstack([xy, xy[:1]]))


def signed_distance(line: shapely.LineString, x: np.ndarray, y: np.ndarray, cell: float) -> np.ndarray:
    """Distance of places from a line, positive to its left; vertices stand a tenth of a cell apart."""
    xy = shapely.get_coordinates(line)
    along = np.gradient(xy, axis=0)
    along /= np.hypot(*along.T)[:, None]
    _, near = cKDTree(xy).query(np.column_stack([x.ravel(), y.ravel()]))
    dx, dy = x.ravel() - xy[near, 0], y.ravel() - xy[near, 1]
    side = along[near, 0] * dy - along[near, 1] * dx
    return (np.sign(side) * np.where(np.hypot(dx, dy) > cell, np.hypot(dx, dy), np.abs(side))).reshape(
        x.shape
    )


def _profile(d: np.ndarray, w: float, breadth: float) -> np.ndarray:
    """tanh(d/w) averaged over a pixel's breadth: (w/b)·[ln cosh((d+b/2)/w) − ln cosh((d−b/2)/w)]."""

    def log_cosh(z):
        return np.abs(z) + np.log1p(np.exp(-2.0 * np.abs(z)))

    return w / breadth * (log_cosh((d + 0.5 * breadth) / w) - log_cosh((d - 0.5 * breadth) / w))


def clouds(rng: np.random.Generator, shape: tuple[int, int], share: float) -> np.ndarray:
    """Blobs over a share of a picture, as a mask."""
    veil = ndimage.gaussian_filter(rng.standard_normal(shape), rng.uniform(3.0, 8.0))
    return veil > np.quantile(veil, 1.0 - share) if share > 0 else np.zeros(shape, bool)


# ---- scores


def tolerance_of(scene: Scene) -> float:
    """How far from a front a line may lie and still be of it, m."""
    return max(2.0 * scene.cell, 2.0 * KM)


def points_of_lines(lines: list[shapely.LineString], scene: Scene) -> np.ndarray:
    """Points every half cell along lines in degrees: (n, 2), metres."""
    pieces = [np.empty((0, 2))]
    for line in lines:
        plane = shapely.LineString(np.column_stack(PLANE.metres(*shapely.get_coordinates(line).T)))
        pieces.append(_every_half_cell(plane, scene))
    return np.concatenate(pieces)


def _every_half_cell(line: shapely.LineString, scene: Scene) -> np.ndarray:
    at = np.arange(0.25 * scene.cell, line.length, 0.5 * scene.cell)
    return shapely.get_coordinates(shapely.line_interpolate_point(line, at))


def is_clear(scene: Scene, xy: np.ndarray) -> np.ndarray:
    """Whether the nearest pixel to each place is in the picture and not under cloud."""
    lon, lat = PLANE.degrees(xy[:, 0], xy[:, 1])
    i = np.round((lon - scene.picture["lon"].values[0]) / scene.spacing).astype(int)
    j = np.round((lat - scene.picture["lat"].values[0]) / scene.spacing).astype(int)
    rows, columns = scene.picture.shape
    inside = (i >= 0) & (i < columns) & (j >= 0) & (j < rows)
    values = scene.picture.values[np.clip(j, 0, rows - 1), np.clip(i, 0, columns - 1)]
    return inside & np.isfinite(values)


def visible_points(scene: Scene) -> np.ndarray:
    """Points every half cell along what can be seen of the true fronts: (n, 2), metres."""
    pieces = [np.empty((0, 2))]
    least = int(LEAST_STRETCH / (0.5 * scene.cell))
    for front in scene.fronts:
        xy = _every_half_cell(front, scene)
        along = np.gradient(xy, axis=0)
        left = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
        side = (0.5 * scene.width + scene.cell) * left
        seen = is_clear(scene, xy) & is_clear(scene, xy + side) & is_clear(scene, xy - side)
        stretches, count = ndimage.label(seen)
        for k in range(1, count + 1):
            if (stretches == k).sum() >= least:
                pieces.append(xy[stretches == k])
    return np.concatenate(pieces)


def score_points(scene: Scene, points: np.ndarray, visible: np.ndarray | None = None) -> Score:
    """What found points (n, 2), metres, are worth; each stands for the same length of line."""
    near = tolerance_of(scene)
    visible = visible_points(scene) if visible is None else visible
    truth = [shapely.get_coordinates(front) for front in scene.fronts]
    away = np.full(len(points), np.inf)
    if truth and len(points):
        away = cKDTree(np.concatenate(truth)).query(points)[0]
    missed = len(visible)
    if len(points) and len(visible):
        missed = int((cKDTree(points).query(visible)[0] > near).sum())
    errors = away[away <= near] / scene.cell
    return Score(len(points), int((away > near).sum()), len(visible), missed, errors)


def score_lines(scene: Scene, lines: list[shapely.LineString], visible: np.ndarray | None = None) -> Score:
    """What found lines, in degrees, are worth."""
    return score_points(scene, points_of_lines(lines, scene), visible)


def sum_scores(scores: list[Score]) -> dict[str, float]:
    """Shares over many scenes: `false`, `missed`, `f1`, and the median position `error` in cells."""
    found, false, visible, missed = (sum(column) for column in list(zip(*scores, strict=True))[:4])
    errors = np.concatenate([score.errors for score in scores])
    precision = 1.0 - false / found if found else 0.0
    recall = 1.0 - missed / visible if visible else 0.0
    both = precision + recall
    return {
        "false": 1.0 - precision if found else 0.0,
        "missed": 1.0 - recall,
        "f1": 2.0 * precision * recall / both if both else 0.0,
        "error": float(np.median(errors)) if errors.size else float("inf"),
    }


# ---- the histogram test in plain numpy, window by window, every split tried


def best_split(values: np.ndarray) -> tuple[float, float]:
    """θ and the split of known values, (n,): Cayula & Cornillon 1992, J. Atmos. Oceanic Technol. 9:67-80."""
    ordered = np.sort(values.astype(np.float64))
    below = np.arange(1, ordered.size)
    total = np.cumsum(ordered - ordered.mean())[:-1]
    between = total**2 / (below * (ordered.size - below)) / max(ordered.var(), 1e-300)
    between[ordered[1:] == ordered[:-1]] = 0.0
    best = int(np.argmax(between))
    return float(between[best]), float(ordered[best])


def cohesions(window: np.ndarray, split: float) -> tuple[float, float, float]:
    """Share of known 4-neighbours of the same population: colder, warmer, both."""
    label = np.where(np.isfinite(window), np.where(window <= split, 0, 1), -1)
    pairs = np.concatenate(
        [
            np.stack([label[:, 1:].ravel(), label[:, :-1].ravel()]),
            np.stack([label[1:].ravel(), label[:-1].ravel()]),
        ],
        axis=1,
    )
    one, two = pairs[:, (pairs >= 0).all(axis=0)]
    same = one == two
    shares = [same[(one == k) | (two == k)] for k in (0, 1)]
    # a pair within a population is seen from both of its ends
    single = [2.0 * kin.sum() / max(2.0 * kin.sum() + (~kin).sum(), 1.0) for kin in shares]
    return single[0], single[1], float(same.sum() / max(same.size, 1))


#: size and step of the windows and the least values of the histogram test, as its twin takes them
SETTINGS = (
    kernel.SIZE,
    kernel.STEP,
    kernel.LEAST_CLEAR,
    kernel.LEAST_THETA,
    kernel.LEAST_DIFFERENCE,
    kernel.LEAST_POPULATION,
    kernel.LEAST_SINGLE,
    kernel.LEAST_OVERALL,
)


def numpy_populations(field, size, step, clear, theta, difference, population, single, overall):
    """What the kernel does, with numpy in every window: count, edge, seen."""
    down, across = ((cells - size) // step + 1 for cells in field.shape)
    count, edge = (np.zeros(field.shape, np.uint8) for _ in range(2))
    seen = np.zeros((down, across), bool)
    for b in range(down):
        for a in range(across):
            here = slice(b * step, b * step + size), slice(a * step, a * step + size)
            window = field[here]
            known = np.isfinite(window)
            if known.sum() < clear * size * size:
                continue
            count[here] += known
            values = window[known]
            share_between, split = best_split(values)
            cold = values <= split
            if share_between < theta or not population <= cold.mean() <= 1.0 - population:
                continue
            if values[~cold].mean() - values[cold].mean() < difference:
                continue
            one, other, both = cohesions(window, split)
            seen[b, a] = one >= single and other >= single and both >= overall
            if seen[b, a]:
                edge[here] += _boundary(window, split)
    return count, edge, seen


def _boundary(window: np.ndarray, split: float) -> np.ndarray:
    """Which pixels have a known 4-neighbour of the other population."""
    label = np.where(np.isfinite(window), np.where(window <= split, 0, 1), -1)
    edge = np.zeros(window.shape, bool)
    for axis in (0, 1):
        ahead, behind = np.moveaxis(label, axis, 0)[1:], np.moveaxis(label, axis, 0)[:-1]
        differs = (ahead != behind) & (ahead >= 0) & (behind >= 0)
        view = np.moveaxis(edge, axis, 0)
        view[1:] |= differs
        view[:-1] |= differs
    return edge
