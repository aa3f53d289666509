"""Water carried by the currents of a sea, forward and back, and what a field shows where it is then.

Positions are stepped by Runge-Kutta of order 4 (`searcher.kernels.advect`) through currents that are linear
between their nodes and hours.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import xarray as xr

from searcher.kernels.advect import GONE, advect
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Flow, Grid, sample_field
from searcher.sea import flow_of

#: the share of a cell that water may cross in one step
COURANT = 0.5
LONGEST_STEP = 1800.0
#: a field is seen at a place where at least this share of the cells around was
LEAST_CLEAR = 0.5


class Carrier(NamedTuple):
    """The currents of one sea and the time step (s) to take through them."""

    currents: Flow
    longest_step: float

    def carry(self, lon: np.ndarray, lat: np.ndarray, *, start: float, end: float):
        """Where water that is at lon, lat (degrees, any one shape) at `start` is at `end`.

        start, end: seconds since `sea.EPOCH`; backward where end < start. Returns lon, lat and `known`
        (bool): False where it left the currents. Water that meets the shore waits there.
        """
        shape = np.shape(lon)
        x, y = (np.ascontiguousarray(np.ravel(values), dtype=np.float64) for values in (lon, lat))
        every = np.ones(x.size)
        x, y, status = advect(
            self.currents, _calm(), 0.0 * every, x, y, start * every, end * every, self.longest_step
        )
        return x.reshape(shape), y.reshape(shape), (status != GONE).reshape(shape)


def make_carrier(currents: xr.Dataset) -> Carrier:
    """What carries water in a node `currents`; steps so short that none crosses more than half a cell."""
    flow = flow_of(currents)
    fastest = float(np.nanmax(np.hypot(flow.u, flow.v))) + 0.1
    per_lon, _ = row_metrics(currents["lat"].values[[0, -1]].astype(np.float64))
    cell = flow.dlon * float(per_lon.min())
    return Carrier(flow, min(COURANT * cell / fastest, LONGEST_STEP))


def look_at(field: np.ndarray, grid: Grid, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Values of a field (lat, lon) at places (n,), bilinear; NaN where it is mostly missing around."""
    field = np.ascontiguousarray(field, dtype=np.float64)
    value = sample_field(field, grid, lon, lat)
    clear = sample_field(np.isfinite(field).astype(np.float64), grid, lon, lat)
    return np.where(clear >= LEAST_CLEAR, value, np.nan)


def _calm() -> Flow:
    nothing = np.zeros((1, 2, 2))
    return Flow(np.zeros(1), nothing, nothing, *Grid(-720.0, 1440.0, -90.0, 180.0))
