"""Edges of a field with gaps: lines along which its fitted slope is steepest, to a fraction of a cell.

The slope is that of a plane fitted around every node (`gradient`), so gaps make no edges; its ridges across
its own direction are traced and linked into chains (`ridge`).
"""

import numpy as np

from searcher.kernels.gradient import fit_planes
from searcher.kernels.ridge import trace_ridges
from searcher.kernels.sample import Grid, sample_field


def trace_edges(field, east, north, sigma, low, sharp=0.0, rise=0.0):
    """Chains of edge points of a float32 field (lat, lon), NaN where missing.

    east, north: metres between nodes along each row and across it, float64 (lat,). sigma: smoothing, m. low:
    least slope, per m. sharp (1/m²), rise: how the slope must bend down across the edge, see `trace_ridges`.
    Returns, float64 at every point: fractional column and row; then offsets (int64) so that chain k is points
    offsets[k]:offsets[k + 1]; then, at every point, the slope (per m) and its unit direction, east and north.
    """
    _, slope_x, slope_y = fit_planes(field.astype(np.float64), east, north, sigma)
    slope = np.hypot(slope_x, slope_y)
    safe = np.where(slope > 0.0, slope, np.nan)
    across_x, across_y = slope_x / safe, slope_y / safe
    columns, rows, offsets = trace_ridges(slope, across_x, across_y, east, north, low, sharp, rise)
    cells = Grid(0.0, 1.0, 0.0, 1.0)
    height = sample_field(slope, cells, columns, rows)
    x = sample_field(slope_x, cells, columns, rows)
    y = sample_field(slope_y, cells, columns, rows)
    size = np.hypot(x, y)
    return columns, rows, offsets, height, x / size, y / size
