"""Edges of a field with gaps: lines along which its fitted slope is steepest, to a fraction of a cell.

The slope is that of a plane fitted around every node (`gradient`), so gaps make no edges; its ridges across
its own direction are found (`ridge`) tile by tile, while the slopes are still in the processor's cache, and
linked into chains. No slope of the whole field is ever stored.
"""

import numpy as np

from searcher.kernels.compiled import kernel
from searcher.kernels.gradient import fit_tile, gaussian_taps, scale_of
from searcher.kernels.lanes import COUNT
from searcher.kernels.ridge import KEPT, find_crossings, link_crossings
from searcher.threads import in_threads

#: nodes of a tile, whose slopes reach one node further below and to the left, and two above and to the right
TILE_ROWS, TILE_COLUMNS = 64, 256 - 3
#: crossings are few: at first there is room for so many a tile
ROOM = 200


@kernel()
def _search_tiles(field, order, taps_x, taps_y, scale, steps, low, sharp, rise, where, kept):
    """Edge crossings of some tiles into `where` and `kept`; how many, which may exceed their room."""
    ny, nx = field.shape
    across = (nx + TILE_COLUMNS - 1) // TILE_COLUMNS
    count = 0
    for t in order:
        j0, i0 = t // across * TILE_ROWS, t % across * TILE_COLUMNS
        rows = min(TILE_ROWS, ny - j0) + 3
        columns = (min(TILE_COLUMNS, nx - i0) + 3 + COUNT - 1) // COUNT * COUNT  # beyond the field all is gap
        slope, x, y = fit_tile(field, j0 - 1, i0 - 1, rows, columns, taps_x, taps_y, scale)
        first = 2 * ((j0 - 1) * nx + i0 - 1)
        count += find_crossings(
            slope,
            x,
            y,
            steps[0, j0:],
            steps[1, j0:],
            low,
            sharp,
            rise,
            first,
            nx,
            where[count:],
            kept[count:],
        )
    return count


def trace_edges(field, east, north, sigma, low, sharp=0.0, rise=0.0):
    """Chains of edge points of a float32 field (lat, lon), NaN where missing.

    east, north: metres between nodes along each row and across it, float64 (lat,). sigma: smoothing, m. low:
    least slope, per m. sharp (1/m²), rise: how the slope must bend down across the edge, see `trace_ridges`.
    Returns, float64 at every point: fractional column and row; then offsets (int64) so that chain k is points
    offsets[k]:offsets[k + 1]; then, at every point, the slope (per m) and its unit direction, east and north.
    """
    field = np.require(field, np.float32, ["C", "W"])  # another kind of array would be compiled for anew
    ny, nx = field.shape
    taps = gaussian_taps(east, sigma), gaussian_taps(north, sigma)
    scale = scale_of(*taps, east, north)
    steps = np.pad(scale[:, 4:].T, [(0, 0), (1, 2)], mode="edge")
    up, across = -(-ny // TILE_ROWS), -(-nx // TILE_COLUMNS)
    tiles = up * across
    # every eighth row of them in turn: each thread takes an equal run, and land and clouds lie together
    order = np.arange(tiles).reshape(up, across)[np.argsort(np.arange(up) % 8, kind="stable")].ravel()
    limits = np.float32(low), np.float32(sharp), np.float32(rise)

    def search(first, last):
        room = ROOM * (last - first)
        while True:
            where, kept = np.empty(room, np.int64), np.empty((room, KEPT), np.float32)
            count = _search_tiles(field, order[first:last], *taps, scale, steps, *limits, where, kept)
            if count <= room:
                return where[:count], kept[:count]
            room = count

    where, kept = map(np.concatenate, zip(*in_threads(search, tiles), strict=True))
    return link_crossings(where, kept, ny, nx)
