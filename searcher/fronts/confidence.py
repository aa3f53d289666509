"""How sure it is that a line is a front: what its section says, and the windows it passes through.

Two kinds of evidence are joined. The section across the line (`searcher.fronts.section`) says how many times
their own error its step and its slope are, and by how many sigma a step fits better than a slope alone; the
histogram test (`searcher.kernels.histogram`) says in what share of the windows along it two water masses
meet there. A logistic model turns them into the probability that the line is true. Its weights were fitted
on drawn scenes whose fronts are known, with waters that only look like fronts
(`tests/bench/fit_confidence.py`). A line's length and width, tried as well, add nothing.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import shapely
import xarray as xr
from scipy.special import expit

from searcher.kernels import histogram
from searcher.kernels.sample import Grid
from searcher.sea import grid_of

#: lines less sure than this are not worth telling
LEAST_CONFIDENCE = 0.45
#: no quotient of a value and its error counts for more, or its inverse for less
MOST = 1000.0


class Term(NamedTuple):
    """What a piece of evidence adds to the log odds: weight·(value − usual)."""

    usual: float
    weight: float


#: log odds of a line all of whose evidence is usual, and the terms; from `tests/bench/fit_confidence.py`
START = 1.877
TERMS = {
    "step": Term(1.565, 3.564),  # log of the step over its error
    "slope": Term(1.323, 1.765),  # log of the slope over its error
    "fit": Term(1.961, 0.557),  # log of by how many sigma a step fits better than a slope alone
    "masses": Term(0.138, 4.23),  # share of the windows that saw two water masses meet
}


def confidence_of(rows: list[dict[str, Any]], picture: xr.DataArray) -> np.ndarray:
    """Probability that each line found in a picture (lat, lon) is true: array (len(rows),), within 0..1.

    rows: as `find_temperature_breaks` makes them, with `geometry`, `step`, `step_doubt`, `strength`,
    `strength_doubt` and `evidence`. A step or slope of unknown error (NaN) counts as no more than its error;
    where no window along a line could be tested, the test counts as usual.
    """
    if not rows:
        return np.zeros(0)
    evidence = evidence_of(rows, picture)
    return expit(START + sum(term.weight * (evidence[name] - term.usual) for name, term in TERMS.items()))


def evidence_of(rows: list[dict[str, Any]], picture: xr.DataArray) -> dict[str, np.ndarray]:
    """The pieces of evidence of `TERMS`, arrays (len(rows),), none of them NaN; at least one row."""
    step, step_doubt, slope, slope_doubt = (
        np.array([row[name] for row in rows], dtype=float)
        for name in ("step", "step_doubt", "strength", "strength_doubt")
    )
    grid = grid_of(picture.to_dataset(name="picture"))
    masses = share_of_masses([row["geometry"] for row in rows], picture.values, grid)
    return {
        "step": np.log(_quotient(step, step_doubt)),
        "slope": np.log(_quotient(slope, slope_doubt)),
        "fit": np.log(_quotient(np.array([row["evidence"] for row in rows]), 1.0)),
        "masses": np.where(np.isnan(masses), TERMS["masses"].usual, masses),
    }


def _quotient(value: np.ndarray, doubt: np.ndarray | float) -> np.ndarray:
    """Values over their errors, within 1/MOST..MOST; 1 where either is missing."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        times = np.abs(value) / doubt
    return np.clip(np.where(np.isnan(times), 1.0, times), 1.0 / MOST, MOST)


def share_of_masses(lines: list[shapely.LineString], picture: np.ndarray, grid: Grid) -> np.ndarray:
    """In what share of the windows along each line two water masses meet at it; NaN where none was tested.

    picture: (lat, lon). The test is made on the means of 3 x 3 pixels, in windows of the size its authors
    use, and at any difference of the means: whether a step is worth telling is for its section to say.
    """
    field = np.ascontiguousarray(picture, dtype=np.float32)
    dense = shapely.segmentize(lines, 0.5 * min(abs(grid.dlon), abs(grid.dlat)))
    lonlat, which = shapely.get_coordinates(dense, return_index=True)
    i = np.clip(np.round((lonlat[:, 0] - grid.lon0) / grid.dlon).astype(int), 0, field.shape[1] - 1)
    j = np.clip(np.round((lonlat[:, 1] - grid.lat0) / grid.dlat).astype(int), 0, field.shape[0] - 1)
    wanted = windows_around(j, i, field.shape)
    smooth = histogram.smooth_windows(field, wanted, histogram.SIZE, histogram.STEP)
    count, edge, *_ = histogram.find_populations(smooth, wanted, difference=0.0)
    looks = count[j, i]
    meets = np.minimum(_greatest_around(edge, j, i), looks)
    tested, met = (np.bincount(which, weights=n, minlength=len(lines)) for n in (looks, meets))
    return np.where(tested > 0, met / np.maximum(tested, 1), np.nan)


def windows_around(j: np.ndarray, i: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Which windows hold one of some nodes, bool (windows down, windows across)."""
    wanted = np.zeros(histogram.window_count(shape), bool)
    back = range(-(-histogram.SIZE // histogram.STEP))
    for down in back:
        for across in back:
            b, a = j // histogram.STEP - down, i // histogram.STEP - across
            inside = (b >= 0) & (a >= 0) & (b < wanted.shape[0]) & (a < wanted.shape[1])
            wanted[b[inside], a[inside]] = True
    return wanted


def _greatest_around(values: np.ndarray, j: np.ndarray, i: np.ndarray) -> np.ndarray:
    """Greatest of the 3 x 3 values around nodes."""
    rows, columns = values.shape
    around = [
        values[np.clip(j + dj, 0, rows - 1), np.clip(i + di, 0, columns - 1)]
        for dj in (-1, 0, 1)
        for di in (-1, 0, 1)
    ]
    return np.max(around, axis=0)
