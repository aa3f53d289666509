"""What a line is like across: its step, width and slope with their errors, and its place moved onto the step.

A tanh step on a slope is fitted to the picture as it was seen, before any smoothing, to either side of the
line (`searcher.kernels.section` and `step`), out to `REACH` smoothing lengths or half-way to the next line.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import shapely

from searcher.fronts.trace import Chains, lengths
from searcher.kernels.section import gather_sections
from searcher.kernels.step import fit_steps

#: nodes count so many smoothing lengths to either side of a line
REACH = 4.0
#: a line's place is fitted stretch by stretch, each about so long, m, and at least so many cells
STRETCH, STRETCH_CELLS = 10_000.0, 6.0
#: a line is smoothed along itself over so many smoothing lengths, and no more than so many m, before its
#: section is fitted, if the slope on it is less than `STEADY` times its noise, else the less the steeper it
#: is. The wiggles of a line in noise follow the noise: they move it off the front, and sort the nodes beside
#: it into a step that is none. Over more metres the bends of filaments and small eddies would be lost
EVEN, MOST_EVEN, STEADY = 2.0, 10_000.0, 12.0
#: no stretch of a line turns by more, radians: one half round a ring would mix its inside with its outside
MOST_TURN = math.radians(60.0)
#: stretches of one line whose across-vectors have a product below this look at each other over its inside
OPPOSED = -0.7
#: no front is told to be narrower than tanh's w of so many cells
NARROWEST = 0.25


class Sections(NamedTuple):
    """The section of every line, arrays (lines,), NaN where too little is seen beside it.

    step: what it rises by within the water seen to either side. evidence: by how many sigma a step fits
    better than a slope alone.
    """

    step: np.ndarray
    step_doubt: np.ndarray
    width: np.ndarray
    strength: np.ndarray
    strength_doubt: np.ndarray
    evidence: np.ndarray
    place_doubt: np.ndarray


class Stretches(NamedTuple):
    """Lines cut into stretches: first and last point, unit vector across, and per line its stretches."""

    first: np.ndarray
    last: np.ndarray
    across_x: np.ndarray
    across_y: np.ndarray
    lines: np.ndarray


def slope_noise(pixel_noise: float, cell: float, sigma: float) -> float:
    """Noise of one component of the slope (per m) after the fit: noise·cell / (sqrt(8π) sigma²).

    The variance of a derivative-of-Gaussian filter over white noise, from ∫(x/σ² G)² = 1/(8πσ⁴).
    """
    return pixel_noise * cell / (math.sqrt(8.0 * math.pi) * sigma**2)


def smooth_along(chains: Chains, along: np.ndarray, half: np.ndarray) -> Chains:
    """The lines, every point at the mean of those within `half` m of it along its line, twice over.

    Near an end both sides are cut alike, so that ends stay. along: distance of every point along its line, m;
    half: of every line.
    """
    counts = chains.counts
    index = np.arange(along.size)
    first, last = (np.repeat(ends, counts) for ends in (chains.offsets[:-1], chains.offsets[1:] - 1))
    gap = np.maximum(along[last] / np.maximum(last - first, 1), 1e-9)
    wide = np.minimum(
        np.round(np.repeat(half, counts) / gap).astype(np.int64), np.minimum(index - first, last - index)
    )

    def mean(values: np.ndarray) -> np.ndarray:
        total = np.concatenate([[0.0], np.cumsum(values)])
        return (total[index + wide + 1] - total[index - wide]) / (2 * wide + 1)

    return chains._replace(columns=mean(mean(chains.columns)), rows=mean(mean(chains.rows)))


def turns(chains: Chains) -> np.ndarray:
    """By how much every line turns in all, radians: from its most leftward to its most rightward across."""
    bearing = np.arctan2(chains.across_x, chains.across_y)
    step = np.diff(bearing, prepend=bearing[:1])
    step = np.where(np.isfinite(step), (step + math.pi) % (2.0 * math.pi) - math.pi, 0.0)
    first = chains.offsets[:-1]
    step[first] = 0.0
    turned = np.cumsum(step)
    return np.maximum.reduceat(turned, first) - np.minimum.reduceat(turned, first)


def cut_stretches(chains: Chains, along: np.ndarray, length: float) -> Stretches:
    """Stretches of about `length` m, or shorter where a line turns; along: distance of every point, m."""
    totals = along[chains.offsets[1:] - 1]
    counts = np.maximum(np.maximum(np.round(totals / length), np.ceil(turns(chains) / MOST_TURN)), 1.0)
    share = np.repeat(counts / totals, chains.counts)
    most = np.repeat(counts - 1, chains.counts)
    which = np.repeat(np.arange(len(totals)), chains.counts)
    piece = np.minimum(np.floor(along * share), most)
    end = chains.offsets[1:] - 1
    piece[end] = piece[end - 1]  # a stretch of one point would be none
    starts = np.flatnonzero((np.diff(piece, prepend=-1) != 0) | (np.diff(which, prepend=-1) != 0))
    ends = np.append(starts[1:], piece.size)
    # a stretch ends where the next of the same line begins
    last = np.minimum(ends, chains.offsets[which[starts] + 1] - 1)
    x, y = (np.add.reduceat(values, starts) for values in (chains.across_x, chains.across_y))
    size = np.hypot(x, y)
    lines = np.searchsorted(which[starts], np.arange(len(totals) + 1))
    return Stretches(starts, last, x / size, y / size, lines)


def clear_reach(
    chains: Chains, cut: Stretches, east: np.ndarray, north: np.ndarray, reach: float
) -> tuple[np.ndarray, np.ndarray]:
    """How far (m) behind and ahead of every stretch its own water reaches: half-way to the next line, or to
    where its own comes back the other way, as on the far side of a small ring.

    Distances are taken on a conformal map (Mercator's, in columns), true at the stretch.
    """
    behind, ahead = np.full(cut.first.size, reach), np.full(cut.first.size, reach)
    height = np.concatenate([[0.0], np.cumsum(north / east)])
    y = np.interp(chains.rows, np.arange(height.size), height)
    flat = np.column_stack([chains.columns, y])
    sizes = cut.last - cut.first + 1
    points = np.repeat(cut.first - np.cumsum(sizes) + sizes, sizes) + np.arange(sizes.sum())
    pieces = shapely.linestrings(flat[points], indices=np.repeat(np.arange(sizes.size), sizes))
    metres = east[np.clip(chains.rows[cut.first].astype(int), 0, east.size - 1)]
    owner = np.repeat(np.arange(len(cut.lines) - 1), np.diff(cut.lines))
    one, other = shapely.STRtree(pieces).query(pieces, predicate="dwithin", distance=2.0 * reach / metres)
    opposed = cut.across_x[one] * cut.across_x[other] + cut.across_y[one] * cut.across_y[other] < OPPOSED
    apart = (owner[one] != owner[other]) | opposed
    one, other = one[apart], other[apart]
    way = shapely.get_coordinates(shapely.shortest_line(pieces[one], pieces[other])).reshape(-1, 2, 2)
    gap = (way[:, 1] - way[:, 0]) * metres[one, None]
    up = gap[:, 0] * cut.across_x[one] + gap[:, 1] * cut.across_y[one]
    half = 0.5 * np.hypot(gap[:, 0], gap[:, 1])
    beside = np.abs(up) > half  # within 60° of straight across: else it lies off the stretch's end
    np.minimum.at(ahead, one[beside & (up > 0)], half[beside & (up > 0)])
    np.minimum.at(behind, one[beside & (up < 0)], half[beside & (up < 0)])
    return behind, ahead


def fit_lines(
    field: np.ndarray,
    chains: Chains,
    *,
    east: np.ndarray,
    north: np.ndarray,
    sigma: float,
    noise: float,
    background: float,
) -> tuple[Chains, Sections]:
    """Sections of lines, and the lines moved onto the places fitted.

    field: the picture as seen, float32 (lat, lon). sigma: smoothing, m. noise: of a node. background: the
    slope (per m) that water has apart from fronts, 1-sigma.
    """
    if not len(chains.counts):
        return chains, Sections(*np.zeros((7, 0)))
    cell = float(np.sqrt(east.mean() * north.mean()))
    unsteady = STEADY * slope_noise(noise, cell, sigma) / chains.peaks()
    half = min(EVEN * sigma, MOST_EVEN) * np.minimum(unsteady, 1.0)
    chains = smooth_along(chains, lengths(chains, east, north), half)
    along = lengths(chains, east, north)
    cut = cut_stretches(chains, along, max(STRETCH, STRETCH_CELLS * cell))
    reach = REACH * sigma
    behind, ahead = clear_reach(chains, cut, east, north, reach)
    floor = max(noise, 1e-3 * float(chains.height.max()) * sigma)
    sums = gather_sections(field, east, north, chains.columns, chains.rows, *cut[:4], behind, ahead, reach)
    told, places = fit_steps(sums, cut.lines, reach, sigma, NARROWEST * cell, floor, background)
    step, step_doubt, half_width, strength, strength_doubt, evidence = told.T
    known = np.isfinite(places).all(axis=1)
    errors = np.where(known, places[:, 1], 0.0) ** 2
    share = np.maximum(np.add.reduceat(known.astype(float), cut.lines[:-1]), 1.0)
    place_doubt = np.sqrt(np.add.reduceat(errors, cut.lines[:-1]) / share)
    moved = move_onto(chains, cut, along, places, east, north)
    return moved, Sections(
        step, step_doubt, 2.0 * half_width, strength, strength_doubt, evidence, place_doubt
    )


def move_onto(
    chains: Chains, cut: Stretches, along: np.ndarray, places: np.ndarray, east: np.ndarray, north: np.ndarray
) -> Chains:
    """The lines with every point moved across by the distance fitted, linear between middles of stretches."""
    move = np.nan_to_num(places[:, 0])
    middle = 0.5 * (along[cut.first] + along[cut.last])
    # one row of numbers for all lines: each begins far beyond the end of the one before
    far = 2.0 * along.max() + 1.0
    owner = np.repeat(np.arange(len(cut.lines) - 1), np.diff(cut.lines))
    which = np.repeat(np.arange(len(chains.counts)), chains.counts)
    lead, trail = cut.lines[:-1], cut.lines[1:] - 1
    at = np.concatenate(
        [middle + owner * far, np.arange(lead.size) * far - 1.0, np.arange(1, lead.size + 1) * far - 2.0]
    )
    shift = np.concatenate([move, move[lead], move[trail]])
    order = np.argsort(at)
    by = np.interp(along + which * far, at[order], shift[order])
    row = np.clip(chains.rows.astype(np.int64), 0, east.size - 1)
    return chains._replace(
        columns=chains.columns + by * chains.across_x / east[row],
        rows=chains.rows + by * chains.across_y / north[row],
    )
