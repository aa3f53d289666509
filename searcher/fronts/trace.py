"""From chains of ridge points on a grid to lines at sea: corners, gaps, hysteresis, length."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import shapely
from scipy.ndimage import maximum_filter1d
from scipy.spatial import cKDTree

from searcher.geo import line_length
from searcher.kernels.ridge import trace_ridges
from searcher.kernels.sample import Grid, sample_field

#: by how much of its height a ridge must stand out
PROMINENCE = 0.03
#: ends this near each other may be one line, cells: where two cells are missing, the slope does not bend in
#: the ones beside them either; and how far aside of each other they may lie
GAP, ASIDE = 6.5, 1.5
#: cosine of the most a line may turn into a gap and out of it, and at a corner before it is cut there
STRAIGHT, CORNER = 0.7, 0.4
#: vertices over which the direction of a line is taken
LEVER = 4


class Chains(NamedTuple):
    """Chains of edge points: at every point fractional column and row, height, unit vector across.

    Chain k is points offsets[k]:offsets[k + 1]. across_x, across_y point up the
    slope, in metres east and north; NaN where a ridge has no such side.
    """

    columns: np.ndarray
    rows: np.ndarray
    offsets: np.ndarray
    height: np.ndarray
    across_x: np.ndarray
    across_y: np.ndarray

    @property
    def counts(self) -> np.ndarray:
        """Points of every chain."""
        return np.diff(self.offsets)

    def at(self, index: np.ndarray, counts: np.ndarray) -> Chains:
        """Chains of the points `index`, one chain after another, of so many points each."""
        offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        columns, rows, _, *rest = self
        return Chains(columns[index], rows[index], offsets, *(values[index] for values in rest))

    def only(self, keep: np.ndarray) -> Chains:
        """The chains for which `keep` (bool) holds."""
        return self.at(np.flatnonzero(np.repeat(keep, self.counts)), self.counts[keep])

    def peaks(self) -> np.ndarray:
        """Greatest height of every chain."""
        return np.maximum.reduceat(self.height, self.offsets[:-1]) if len(self.counts) else np.zeros(0)


def link_chains(
    chains: Chains, *, east: np.ndarray, north: np.ndarray, high: float, least_length: float
) -> Chains:
    """Lines from chains of ridge points: cut at corners, joined over gaps, and only what counts kept.

    A chain that turns a corner, as where three ridges meet and the tracing chose two, is cut there; ends that
    face each other over a gap of one or two cells are joined, the straightest first. A line counts if its
    height is >= high somewhere (hysteresis: Canny 1986, IEEE PAMI 8:679-698) and it is `least_length` m long.
    """
    chains = bridge_gaps(cut_corners(chains.only(chains.counts >= 3)))
    chains = chains.only(chains.peaks() >= high)
    return chains.only(lengths(chains, east, north)[chains.offsets[1:] - 1] >= least_length)


def lengths(chains: Chains, east: np.ndarray, north: np.ndarray) -> np.ndarray:
    """Distance (m) of every point along its chain; east, north: metres between nodes, (lat,)."""
    row = np.clip(chains.rows.astype(np.int64), 0, east.size - 1)
    dx, dy = (np.diff(values, prepend=values[:1]) for values in (chains.columns, chains.rows))
    total = np.cumsum(np.hypot(dx * east[row], dy * north[row]))
    return total - np.repeat(total[chains.offsets[:-1]], chains.counts)


def cut_corners(chains: Chains) -> Chains:
    """The chains, each cut in two where it turns sharply."""
    n = chains.columns.size
    if n <= 2 * LEVER:
        return chains
    places = np.column_stack([chains.columns, chains.rows])
    which = np.repeat(np.arange(len(chains.counts)), chains.counts)
    middle = slice(LEVER, n - LEVER)
    whole = which[2 * LEVER :] == which[: -2 * LEVER]
    cosine = np.ones(n)
    back, ahead = places[middle] - places[: -2 * LEVER], places[2 * LEVER :] - places[middle]
    cosine[middle] = np.where(whole, cosines(back, ahead), 1.0)
    sharpest = -maximum_filter1d(-cosine, 2 * LEVER + 1)
    cuts = np.flatnonzero((cosine < CORNER) & (cosine == sharpest)) + 1
    offsets = np.union1d(chains.offsets, cuts)
    return chains._replace(offsets=offsets.astype(np.int64))


def cosines(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Cosines of the angles between vectors, (n, 2) each."""
    return (a * b).sum(axis=1) / np.maximum(np.hypot(*a.T) * np.hypot(*b.T), 1e-12)


def bridge_gaps(chains: Chains) -> Chains:
    """The chains, joined where an end of one faces an end of another, nearest and straightest first."""
    if not len(chains.counts):
        return chains
    first, last = chains.offsets[:-1], chains.offsets[1:] - 1
    # end 2k is the first point of chain k, end 2k + 1 the last
    ends = np.column_stack([first, last]).ravel()
    inner = np.column_stack([np.minimum(first + LEVER, last), np.maximum(last - LEVER, first)]).ravel()
    places = np.column_stack([chains.columns, chains.rows])
    across = np.column_stack([chains.across_x, chains.across_y])
    out = places[ends] - places[inner]
    one, other = cKDTree(places[ends]).query_pairs(GAP, output_type="ndarray").reshape(-1, 2).T
    gap = places[ends[other]] - places[ends[one]]
    distance = np.hypot(*gap.T)
    straight = cosines(out[one], -out[other])
    facing = np.minimum(cosines(out[one], gap), cosines(out[other], -gap))
    opposed = (across[ends[one]] * across[ends[other]]).sum(axis=1) < 0.0  # false where there is no up
    aside = distance * np.sqrt(1.0 - np.clip(facing, -1.0, 1.0) ** 2)
    facing = (facing >= STRAIGHT) & (aside <= ASIDE) | (distance < 0.5)
    fits = (straight >= STRAIGHT) & ~opposed & facing
    partner = np.full(ends.size, -1)
    for k in np.flatnonzero(fits)[np.argsort((distance + 2.0 * (1.0 - straight))[fits], kind="stable")]:
        if partner[one[k]] < 0 and partner[other[k]] < 0:
            partner[one[k]], partner[other[k]] = other[k], one[k]
    return _follow(chains, partner)


def _follow(chains: Chains, partner: np.ndarray) -> Chains:
    """Chains strung together end to end; partner: the end that each end is joined to, or -1."""
    first, last = chains.offsets[:-1], chains.offsets[1:] - 1
    alone = (partner[::2] < 0) & (partner[1::2] < 0)
    pieces = [np.flatnonzero(np.repeat(alone, chains.counts))]
    counts = list(chains.counts[alone])
    done = alone.copy()
    # lines with two free ends first, then what is left are rings
    starts = [e for e in np.flatnonzero(partner < 0) if not alone[e // 2]]
    for start in [*starts, *range(partner.size)]:
        total, end = 0, start
        while end >= 0 and not done[end // 2]:
            k = end // 2
            done[k] = True
            run = np.arange(first[k], last[k] + 1)
            pieces.append(run if end % 2 == 0 else run[::-1])
            total += run.size
            end = partner[end ^ 1]
        if total and end >= 0 and partner[start] >= 0:  # a ring closes on its first point
            pieces.append(ends_of(first, last, start))
            total += 1
        if total:
            counts.append(total)
    return chains.at(np.concatenate(pieces), np.array(counts, dtype=np.int64))


def ends_of(first: np.ndarray, last: np.ndarray, end: int) -> np.ndarray:
    """The point of an end, as an array of one."""
    return np.array([(first if end % 2 == 0 else last)[end // 2]])


def to_lines(chains: Chains, grid: Grid, *, tolerance: float) -> list[shapely.LineString]:
    """Lines in degrees; vertices nearer than `tolerance` cells to the line without them are dropped."""
    if not len(chains.counts):
        return []
    cells = np.column_stack([chains.columns, chains.rows])
    which = np.repeat(np.arange(len(chains.counts)), chains.counts)
    drawn = shapely.simplify(shapely.linestrings(cells, indices=which), tolerance, preserve_topology=False)
    return list(shapely.transform(drawn, lambda xy: to_degrees(xy, grid)))


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
    tolerance: float = 0.1,
) -> list[shapely.LineString]:
    """Lines along the ridges of a field, in degrees, with vertices between the nodes.

    height, across_x, across_y: (lat, lon), the field and the unit vector across its ridges (metres east and
    north). east, north: metres between nodes, (lat,). A line runs on while `height` >= low; which lines count
    says `link_chains`. A ridge must fall off by `PROMINENCE` of its height within `scale` m to either side,
    or rounding would draw ridges on a plateau.
    """
    sharp, rise = falls(scale, 0.0)
    columns, rows, offsets = trace_ridges(height, across_x, across_y, east, north, low, sharp, rise)
    cells = Grid(0.0, 1.0, 0.0, 1.0)
    at = sample_field(height, cells, columns, rows)
    neither = np.full(at.size, np.nan)  # a ridge of this kind has no up and down side
    chains = Chains(columns, rows, offsets, at, neither, neither)
    chains = link_chains(chains, east=east, north=north, high=high, least_length=least_length)
    lines = to_lines(chains, grid, tolerance=tolerance)
    return [line for line in lines if line_length(line) >= least_length]


def falls(scale: float, noise: float) -> tuple[float, float]:
    """How a ridge must bend to fall by `PROMINENCE` and by `noise` within `scale` m (`trace_ridges`).

    f falls by b·x²/2 within x of a ridge across which it bends by b.
    """
    return 2.0 * PROMINENCE / scale**2, 2.0 * noise / scale**2


def to_degrees(cells: np.ndarray, grid: Grid) -> np.ndarray:
    """Longitude and latitude of fractional (column, row) pairs, shape (n, 2)."""
    return np.column_stack([grid.lon0 + cells[:, 0] * grid.dlon, grid.lat0 + cells[:, 1] * grid.dlat])
