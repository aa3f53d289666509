"""From chains of ridge points on a grid to lines at sea: hysteresis, length, simplification."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely

from searcher.geo import line_length
from searcher.kernels.ridge import trace_ridges
from searcher.kernels.sample import Grid, sample_field

#: by how much of its height a ridge must stand out
PROMINENCE = 0.01


def ridge_lines(
    height: np.ndarray,
    across_x: np.ndarray,
    across_y: np.ndarray,
    *,
    east: np.ndarray,
    north: np.ndarray,
    grid: Grid,
    low: float,
    high: float,
    least_length: float,
    scale: float,
    noise: float = 0.0,
    tolerance: float = 0.1,
) -> list[shapely.LineString]:
    """Lines along the ridges of a field, in degrees, with vertices between the nodes.

    height, across_x, across_y: (lat, lon), the field and the unit vector across its ridges (metres east and
    north). east, north: metres between nodes, (lat,). A line runs on while `height` >= low and counts if it
    is >= high somewhere (hysteresis: Canny 1986, IEEE PAMI 8:679-698) and at least `least_length` m long. A
    ridge must fall off by `PROMINENCE` of its height, and by `noise`, within `scale` m to either side, or
    rounding and noise would draw ridges on a plateau. Vertices nearer than `tolerance` cells to the line
    without them are dropped.
    """
    # f falls by b·x²/2 within x of a ridge across which it bends by b
    sharp, rise = (2.0 * fall / scale**2 for fall in (PROMINENCE, noise))
    columns, rows, offsets = trace_ridges(height, across_x, across_y, east, north, low, sharp, rise)
    cells = Grid(0.0, 1.0, 0.0, 1.0)
    heights = sample_field(height, cells, columns, rows)
    lines = []
    for first, last in pairwise(offsets):
        if last - first < 3 or not heights[first:last].max() >= high:
            continue
        chain = shapely.LineString(np.column_stack([columns[first:last], rows[first:last]]))
        line = shapely.transform(shapely.simplify(chain, tolerance), lambda xy: to_degrees(xy, grid))
        if line_length(line) >= least_length:
            lines.append(line)
    return lines


def to_degrees(cells: np.ndarray, grid: Grid) -> np.ndarray:
    """Longitude and latitude of fractional (column, row) pairs, shape (n, 2)."""
    return np.column_stack([grid.lon0 + cells[:, 0] * grid.dlon, grid.lat0 + cells[:, 1] * grid.dlat])
