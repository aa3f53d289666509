"""Temperature breaks in one picture of the sea.

Spikes are taken out (`searcher.kernels.median`), edges of the slope fitted locally are traced to a fraction
of a cell (`searcher.kernels.edges`) and strung together (`searcher.fronts.trace`), and the section across
each line gives its step, strength and width (`searcher.fronts.section`). What counts as an edge is set in
°C/km and raised where the picture itself is noisy.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

from searcher.fronts.confidence import LEAST_CONFIDENCE, confidence_of
from searcher.fronts.section import fit_lines, slope_noise
from searcher.fronts.trace import Chains, falls, link_chains, to_lines
from searcher.geo import left_side, line_length
from searcher.kernels.edges import trace_edges
from searcher.kernels.median import contextual_median
from searcher.sea import check_picture, grid_of, metres_between
from searcher.tables import TEMPERATURE_BREAK

KM = 1000.0
#: the step that counts, °C. A front of this step whose slope spreads over `BROAD` m (sd) is, once smoothed,
#: as steep as makes a line; half as steep keeps one going
LEAST_STEP, BROAD = 0.3, 4.0 * KM
#: slope of water without fronts, 1-sigma, °C/m: 1 °C in 100 km (from memory)
BACKGROUND = 0.01 / KM
#: multiples of the slope's own noise below which nothing is believed; the length of a gradient of noise
#: passes 3 and 4.5 sigma by chance at 1 % and 0.004 % of nodes (Rayleigh). A section then decides
#: (LEAST_EVIDENCE)
NOISE_LOW, NOISE_HIGH = 3.0, 5.0
#: by how much of the slope's noise a ridge must stand out
FALL = 0.3
#: by how many sigma a step must fit better than a slope alone before it is looked at further. Lines are
#: traced where noise happens to look most like a step: in planes under noise one in a hundred passes 4
LEAST_EVIDENCE = 4.0
#: smoothing: at least this many metres and this many cells
SMOOTHING, SMOOTHING_CELLS = 3.0 * KM, 1.5
#: in noise more, up to so many metres or cells, until noise of the slope is `CALM` times below `STEEP` (per m
#: and unit of the least step)
MOST_SMOOTHING, MOST_CELLS, CALM, STEEP = 12.0 * KM, 2.0, 7.0, 1.0 / (15.0 * KM)
LEAST_LENGTH, LEAST_CELLS = 8.0 * KM, 3.0
#: positions of satellite pixels are good to about a kilometre (from memory)
GEOLOCATION = 1.0 * KM
#: the noise of a picture is measured on about so many of its nodes
SAMPLES = 1e5
#: noise of whole scan lines is measured on means of so many nodes along them, in which noise of the nodes is
#: 5.7 times less, and counts from this share of the noise of the nodes (pictures without any showed up to
#: 0.23 by chance) and this share of the step that counts (that of the bends of fronts themselves, at 0.1°)
ALONG, LINE_NOISE, LINE_STEP = 32, 0.25, 0.01


class Kind(NamedTuple):
    """What makes a line of some kind: its step, in the unit of the picture; slope of water without, per m."""

    name: str
    step: float
    background: float

    def high(self, sigma: float) -> float:
        """The slope that makes a line after smoothing over `sigma` m, per m."""
        return self.step / (math.sqrt(2.0 * math.pi) * math.hypot(sigma, BROAD))


BREAK = Kind(TEMPERATURE_BREAK, LEAST_STEP, BACKGROUND)


def smoothing_for(pixel_noise: float, cell: float, kind: Kind, smoothing: float) -> float:
    """Smoothing (m) that brings noise of the slope well below what counts, within bounds."""
    calm = math.sqrt(CALM * pixel_noise * cell / (math.sqrt(8.0 * math.pi) * kind.step * STEEP))
    return max(smoothing, SMOOTHING_CELLS * cell, min(calm, max(MOST_SMOOTHING, MOST_CELLS * cell)))


def noise_of(field: np.ndarray) -> float:
    """Standard deviation of a picture's pixel noise; 0 where too little is clear to tell.

    The difference of two Laplacians (Immerkær 1996, Comput. Vis. Image Underst. 64:300-302), with the
    median in place of the mean so that fronts do not count as noise, at about `SAMPLES` nodes evenly spread.
    """
    apart = max(1, math.ceil(math.sqrt(field.size / SAMPLES)))
    ny, nx = field.shape
    mixed: Any = 0.0
    for j, down in enumerate((1.0, -2.0, 1.0)):
        for i, along in enumerate((1.0, -2.0, 1.0)):
            mixed = mixed + down * along * field[j : ny - 2 + j : apart, i : nx - 2 + i : apart].astype(float)
    clear = np.abs(mixed[np.isfinite(mixed)])
    # 6 = root of the sum of squares of the weights; 0.6745 = median of |N(0, 1)|
    return float(np.median(clear) / (6.0 * 0.6745)) if clear.size > 50 else 0.0


def line_noise_of(field: np.ndarray, noise: float) -> float:
    """Standard deviation of the levels of rows, or of columns, each off by itself (striping); the greater.

    `noise_of` cannot see it, since its weights sum to 0 along rows and columns. noise: of the nodes.
    """
    return max(_row_noise(field, noise), _row_noise(field.T, noise))


def _row_noise(field: np.ndarray, noise: float) -> float:
    """Fourth differences between rows of means along them, to which eddies and fronts add next to nothing."""
    across = field.shape[1] // ALONG
    if not across or field.shape[0] < 5:
        return 0.0
    means = field[:, : across * ALONG].reshape(field.shape[0], across, ALONG).mean(axis=2, dtype=np.float64)
    bends = np.abs(np.diff(means, n=4, axis=0))
    bends = bends[np.isfinite(bends)]
    if bends.size <= 200:  # of fewer the median errs too much
        return 0.0
    # 70 = sum of the squares of the weights 1, -4, 6, -4, 1; 0.6745 = median of |N(0, 1)|
    return math.sqrt(max((float(np.median(bends)) / 0.6745) ** 2 / 70.0 - noise**2 / ALONG, 0.0))


def noise_and_smoothing(field: np.ndarray, cell: float, kind: Kind, smoothing: float) -> tuple[float, float]:
    """Noise of a picture, as that of nodes that makes its slopes as noisy; and the smoothing for it, m.

    Smoothed over σ, rows of cells h off by r make noise of the slope across them r² h ∫(x/σ² G)² dx =
    r² h / (4 sqrt(π) σ³), as `slope_noise` has it of nodes whose noise is r sqrt(2 sqrt(π) σ/h).
    """
    noise = noise_of(field)
    sigma = smoothing_for(noise, cell, kind, smoothing)
    lines = line_noise_of(field, noise)
    if lines < max(LINE_NOISE * noise, LINE_STEP * kind.step):
        return noise, sigma
    noise = math.hypot(noise, lines * math.sqrt(2.0 * math.sqrt(math.pi) * sigma / cell))
    return noise, smoothing_for(noise, cell, kind, smoothing)


def find_temperature_breaks(picture: xr.DataArray, *, smoothing: float = SMOOTHING) -> list[dict[str, Any]]:
    """Temperature breaks in one picture of sst (lat, lon), °C: a list of rows for the fronts table.

    Each has `geometry` (drawn so that the warm water lies on its left), `kind`, `strength` (slope on the
    line, °C/m), `step` (°C across, within half-way to the next line), their 1-sigma errors `strength_doubt`
    and `step_doubt`, `width` (m), `length` (m), `warm_side`, `doubt` (1-sigma position error, m), `evidence`
    (by how many sigma a step fits better than a slope alone) and `confidence` (0..1).
    """
    return find_steps(picture, BREAK, smoothing=smoothing)


def find_steps(picture: xr.DataArray, kind: Kind, *, smoothing: float = SMOOTHING) -> list[dict[str, Any]]:
    """Rows for the fronts table: where a picture (lat, lon) changes fastest, high side on the left.

    Raises `SeaError` for a picture that is not (lat, lon), both rising.
    """
    check_picture(picture)
    grid = grid_of(picture.to_dataset(name="picture"))
    east, north = metres_between(picture["lat"].values, grid)
    cell = float(np.sqrt(east.mean() * north.mean()))
    field = np.ascontiguousarray(picture.values, dtype=np.float32)
    pixel_noise, sigma = noise_and_smoothing(field, cell, kind, smoothing)
    noise = slope_noise(pixel_noise, cell, sigma)
    high = kind.high(sigma)
    low, high = max(0.5 * high, NOISE_LOW * noise), max(high, NOISE_HIGH * noise)
    fall = falls(sigma, FALL * noise)
    least = max(LEAST_LENGTH, LEAST_CELLS * cell)
    traced = Chains(*trace_edges(contextual_median(field), east, north, sigma, low, *fall))
    chains = link_chains(traced, east=east, north=north, high=high, least_length=least)
    chains = turn_left(chains, east, north)
    chains, sections = fit_lines(
        field, chains, east=east, north=north, sigma=sigma, noise=pixel_noise, background=kind.background
    )
    lines = to_lines(chains, grid, tolerance=0.1)
    rows = [
        {
            "geometry": line,
            "kind": kind.name,
            "strength": float(sections.strength[k]),
            "strength_doubt": float(sections.strength_doubt[k]),
            "step": float(sections.step[k]),
            "step_doubt": float(sections.step_doubt[k]),
            "width": float(sections.width[k]),
            "length": line_length(line),
            "warm_side": left_side(line) if kind is BREAK else "",
            "doubt": math.hypot(float(sections.place_doubt[k]), GEOLOCATION, cell / math.sqrt(12.0)),
            "evidence": float(sections.evidence[k]),
        }
        for k, line in enumerate(lines)
        if sections.evidence[k] >= LEAST_EVIDENCE  # false where too little is seen beside it to tell
    ]
    sure = confidence_of(rows, picture)
    return [
        row | {"confidence": float(c)} for row, c in zip(rows, sure, strict=True) if c >= LEAST_CONFIDENCE
    ]


def turn_left(chains: Chains, east: np.ndarray, north: np.ndarray) -> Chains:
    """The lines, turned round where their high side lies to the right."""
    if not len(chains.counts):
        return chains
    dx = np.diff(chains.columns, append=chains.columns[-1:]) * np.sqrt(np.mean(east / north))
    dy = np.diff(chains.rows, append=chains.rows[-1:]) / np.sqrt(np.mean(east / north))
    dx[chains.offsets[1:] - 1] = dy[chains.offsets[1:] - 1] = 0.0
    leftward = np.add.reduceat(dx * chains.across_y - dy * chains.across_x, chains.offsets[:-1])
    index = np.arange(chains.columns.size)
    backward = np.repeat(chains.offsets[:-1] + chains.offsets[1:] - 1, chains.counts) - index
    return chains.at(np.where(np.repeat(leftward < 0.0, chains.counts), backward, index), chains.counts)
