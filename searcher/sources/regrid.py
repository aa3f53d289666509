"""Fields that do not lie on longitudes and latitudes, laid on a regular grid of them.

Where a target lies among the nodes of a source grid is worked out once, as a fractional row and column; any
field on that grid is then interpolated bilinearly within the four nodes around it, which is exact for a
linear field on a straight grid and of second order elsewhere. The grid's own rows and columns are kept: a
triangulation of the bare nodes would bridge the corners of a curved coast, and a nearest node would move
fronts by half a cell. Nothing is made up: a target is missing where any node that counts is missing, so land
stays land and a hole stays a hole.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from searcher.geo import Region
from searcher.kernels.metric import row_metrics
from searcher.sources.axes import Cut

#: a node of less weight than this does not count
NO_WEIGHT = 1e-6
NEWTON_STEPS = 20
#: the last of Newton's steps, in cells; the error left is about its square
CLOSE = 1e-5
#: targets located at a time, so that large grids cost little memory
BATCH = 100_000


def locate_curved(
    lon: np.ndarray, lat: np.ndarray, at_lon: np.ndarray, at_lat: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Fractional (row, column) of places among the nodes of a curvilinear grid; NaN outside it.

    `lon`, `lat`: (rows, columns), degrees, longitudes without a jump; `at_lon`, `at_lat` of any one shape.
    The bilinear map of a cell is inverted by Newton's method, begun in the cell with the nearest middle.
    """
    shrink = np.cos(np.radians(np.nanmean(lat)))
    nodes = np.stack([lon * shrink, lat])
    middles = (nodes[:, :-1, :-1] + nodes[:, :-1, 1:] + nodes[:, 1:, :-1] + nodes[:, 1:, 1:]) / 4
    cells = np.flatnonzero(np.isfinite(middles[0]))
    row, column = (np.full(at_lon.size, np.nan) for _ in range(2))
    if cells.size:
        tree = cKDTree(middles.reshape(2, -1)[:, cells].T)
        targets = np.stack([np.ravel(at_lon) * shrink, np.ravel(at_lat)])
        for first in range(0, at_lon.size, BATCH):
            part = slice(first, first + BATCH)
            start = cells[tree.query(targets[:, part].T)[1]]
            row[part], column[part] = _invert(nodes, targets[:, part], start)
    return row.reshape(at_lon.shape), column.reshape(at_lon.shape)


def _invert(nodes: np.ndarray, targets: np.ndarray, start: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Fractional rows and columns where the bilinear map of `nodes` meets `targets`, from cells `start`."""
    last = np.array(nodes.shape[1:])[:, None] - 1
    at = np.stack(np.unravel_index(start, tuple(last[:, 0]))) + 0.5
    good = np.zeros(start.size, bool)
    left = np.arange(start.size)
    for _ in range(NEWTON_STEPS):
        here = at[:, left]
        error, (down, across) = _map_cells(nodes, here, targets[:, left])
        turn = down[0] * across[1] - down[1] * across[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            step = (
                np.stack(
                    [across[1] * error[0] - across[0] * error[1], down[0] * error[1] - down[1] * error[0]]
                )
                / turn
            )
            size = np.abs(step).max(axis=0)
        done = size <= CLOSE
        at[:, left] = np.clip(here + np.clip(step, -4.0, 4.0), -1.0, last + 1.0)
        good[left[done]] = True
        # neither there nor on the way: off the grid, or in a cell without corners
        lost = np.isnan(size) | ((here < 0) | (here > last)).any(axis=0) & (size > 1.0)
        left = left[~done & ~lost]
        if not left.size:
            break
    slack = 10 * CLOSE
    good &= ((at >= -slack) & (at <= last + slack)).all(axis=0)
    at = np.where(good, np.clip(at, 0.0, last), np.nan)
    return at[0], at[1]


def _map_cells(
    nodes: np.ndarray, at: np.ndarray, targets: np.ndarray
) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray]]:
    """(targets less the places at fractional rows and columns, derivatives along rows and along columns)."""
    corners, (t, s) = _corners(nodes, at[0], at[1])
    a, b, c, d = corners
    down = (c - a) * (1 - s) + (d - b) * s
    across = (b - a) * (1 - t) + (d - c) * t
    return targets - (a * (1 - t) * (1 - s) + b * (1 - t) * s + c * t * (1 - s) + d * t * s), (down, across)


def _corners(
    values: np.ndarray, row: np.ndarray, column: np.ndarray
) -> tuple[list[np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """The four nodes (..., n) around fractional rows and columns, and how far (t, s) each is in its cell."""
    at = []
    for place, size in ((row, values.shape[-2]), (column, values.shape[-1])):
        whole = np.clip(np.nan_to_num(np.floor(place)), 0, size - 2).astype(np.intp)
        at.append((whole, place - whole))
    (j, t), (i, s) = at
    return [values[..., j + dj, i + di] for dj in (0, 1) for di in (0, 1)], (t, s)


def locate_straight(
    x: np.ndarray, y: np.ndarray, at_x: np.ndarray, at_y: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Fractional (row, column) of places on straight ascending axes x (columns) and y (rows); NaN outside."""
    places = []
    for axis, at in ((y, at_y), (x, at_x)):
        near = 1e-6 * (axis[1] - axis[0])  # a target on the first or last node lies inside
        at = np.where((at >= axis[0] - near) & (at <= axis[-1] + near), at, np.nan)
        places.append(np.interp(at, axis, np.arange(axis.size)))
    return places[0], places[1]


def resample(values: np.ndarray, row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """`values` (..., rows, columns) at fractional rows and columns: (..., *row.shape), float32.

    Missing where a node of any weight is missing, and where `row` or `column` is.
    """
    inside = np.flatnonzero(np.isfinite(row) & np.isfinite(column))
    corners, (t, s) = _corners(values, row.ravel()[inside], column.ravel()[inside])
    total = np.zeros((*values.shape[:-2], inside.size))
    for corner, weight in zip(corners, ((1 - t) * (1 - s), (1 - t) * s, t * (1 - s), t * s), strict=True):
        total += np.where(weight > NO_WEIGHT, corner * weight, 0.0)
    out = np.full((*values.shape[:-2], row.size), np.nan, np.float32)
    out[..., inside] = total
    return out.reshape(*values.shape[:-2], *row.shape)


def turn_to_east(u: np.ndarray, v: np.ndarray, angle: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(eastward, northward) of components along axes that are turned by `angle` (radians, from east to the
    axis of u, anticlockwise)."""
    cos, sin = np.cos(angle), np.sin(angle)
    return u * cos - v * sin, u * sin + v * cos


def angle_of_columns(lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Angle (radians, anticlockwise from east) of the direction in which columns rise, at every node."""
    per_lon, per_lat = (part.reshape(lat.shape) for part in row_metrics(np.nan_to_num(lat).ravel()))
    return np.arctan2(np.gradient(lat, axis=1) * per_lat, np.gradient(lon, axis=1) * per_lon)


def resample_angle(angle: np.ndarray, row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """Angles (radians) at fractional rows and columns, by way of their sine and cosine."""
    return np.arctan2(resample(np.sin(angle), row, column), resample(np.cos(angle), row, column))


def shrink(values: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Midpoints between the nodes of a grid with one row or one column more than `shape`."""
    if values.shape[0] > shape[0]:
        return (values[:-1] + values[1:]) / 2
    return (values[:, :-1] + values[:, 1:]) / 2


def find_spacing(lon: np.ndarray, lat: np.ndarray) -> float:
    """The usual distance (m) between neighbours of a curvilinear grid: the geometric mean of the medians
    along both ways."""
    return float(np.sqrt(np.prod(_steps(lon, lat))))


def _steps(lon: np.ndarray, lat: np.ndarray) -> tuple[float, float]:
    """Median distance (m) between neighbours along columns and along rows."""
    per_lon, per_lat = row_metrics(np.atleast_1d(np.nanmean(lat)))
    along, across = (
        float(np.nanmedian(np.hypot(np.diff(lon, axis=axis) * per_lon, np.diff(lat, axis=axis) * per_lat)))
        for axis in (0, 1)
    )
    return along, across


def lay_grid(lon: np.ndarray, lat: np.ndarray, region: Region) -> tuple[Cut, Cut] | None:
    """(latitudes, longitudes) of a regular grid for the part of a curvilinear one that a region needs.

    Steps are the spacing of the grid, to two figures; nodes are whole multiples of the step, so that files
    of one product agree; one step beyond the region where the data reach so far. None where they do not meet.
    """
    spacing = find_spacing(lon, lat)
    metres = [float(part[0]) for part in row_metrics(np.array([region.centre.lat]))]
    cuts = []
    for nodes, low, high, metre in (
        (lat, region.south, region.north, metres[1]),
        (lon, region.west, region.east, metres[0]),
    ):
        step = float(f"{spacing / metre:.1e}")
        first = np.ceil(max(low - step, float(np.nanmin(nodes))) / step - 1e-6)
        last = np.floor(min(high + step, float(np.nanmax(nodes))) / step + 1e-6)
        if last - first < 1:
            return None
        cuts.append(Cut((), step * np.arange(first, last + 1), step))
    return cuts[0], cuts[1]
