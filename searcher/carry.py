"""Water and floating matter carried by the currents of a sea, forward and back, and the doubt that grows.

Positions are stepped by Runge-Kutta of order 4 (`searcher.kernels.advect`) through currents that are linear
between their nodes and hours; matter that stands out of the water moves at a share of the wind besides
(windage). Steps are equal, and short enough for water of twice the usual speed; a particle in faster water
takes shorter ones of its own, so that none ever crosses more than half a cell in a step.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import xarray as xr

from searcher.kernels.advect import AFLOAT, GONE, advect
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Flow, Grid, Stream, sample_field, weave
from searcher.sea import flow_of, has

#: share of the 10 m wind that floating weed and debris move at on top of the currents (customary 1 %, range
#: 0-3 %, from memory; weed alone 0.02-0.96 %: Olascoaga et al. 2023, Phys. Fluids 35:111702)
WINDAGE = 0.01
#: error of each component of a surface current product (m/s) and how long it lasts (s); typical of global
#: models and altimetry against drifters, from memory
CURRENT_ERROR = 0.10
ERROR_LASTS = 36 * 3600.0
#: spreading by motions the currents do not resolve, m²/s: Okubo (1971, Deep-Sea Res. 18:789-802), 10 km
DIFFUSIVITY = 8.2
#: the share of a cell that water may cross in one step, and what counts as fast: times the root mean square
COURANT = 0.5
FAST = 2.0
LONGEST_STEP = 1800.0
#: a field is seen at a place where at least this share of the cells around was
LEAST_CLEAR = 0.5


class Drift(NamedTuple):
    """Everything that moves floating things in one sea: currents, wind, and the step (s) to take."""

    currents: Stream
    wind: Stream
    windage: float
    longest_step: float

    def move(self, lon, lat, start, end, *, windage=0.0, crosswind=0.0, push=(0.0, 0.0)):
        """Where what is at lon, lat at `start` is at `end`: lon, lat, status (`searcher.kernels.advect`).

        lon, lat: arrays of degrees, any one shape; start, end: seconds since `sea.EPOCH`; windage, crosswind:
        shares of the wind, along it and to the right of it; push: m/s east and north besides; each one for
        all or one per place; backward where end < start.
        """
        shape = np.shape(lon)
        lon, lat, start, end, *slip = (
            np.array(np.broadcast_to(values, shape), dtype=np.float64).ravel()
            for values in (lon, lat, start, end, windage, crosswind, *push)
        )
        moved = advect(
            self.currents, self.wind, np.array(slip), lon, lat, start, end, self.longest_step, COURANT
        )
        return tuple(values.reshape(shape) for values in moved)

    def carry(self, lon, lat, start, end, *, windage=0.0):
        """As `move`, with afloat (bool) for status: False where it met the shore or left the currents."""
        x, y, status = self.move(lon, lat, start, end, windage=windage)
        return x, y, status == AFLOAT

    def follow(self, lon, lat, start, end):
        """As `move`, with known (bool) for status: False where it left the currents; ashore it waits."""
        x, y, status = self.move(lon, lat, start, end)
        return x, y, status != GONE


def make_drift(sea: xr.DataTree, *, windage: float = WINDAGE) -> Drift:
    """The drift of a sea; without wind data, matter moves with the currents alone.

    windage: share of the wind that weed takes on. Pass 0 where the currents are those of floating matter
    already, as drifters or a model with windage and waves give them, so that the wind does not count twice.
    """
    flow = flow_of(sea["currents"].to_dataset())
    wind = flow_of(sea["wind"].to_dataset(), "u10", "v10") if has(sea, "wind") else _calm()
    usual = float(np.sqrt(np.nanmean(flow.u**2) + np.nanmean(flow.v**2)))
    per_lon, _ = row_metrics(np.array([flow.lat0, flow.lat0 + flow.dlat * (flow.u.shape[1] - 1)]))
    cell = flow.dlon * float(per_lon.min())
    step = min(COURANT * cell / (FAST * usual + 0.1), LONGEST_STEP)
    return Drift(weave(flow), weave(wind), windage if has(sea, "wind") else 0.0, step)


def _calm() -> Flow:
    nothing = np.zeros((1, 2, 2))
    return Flow(np.zeros(1), nothing, nothing, *Grid(-720.0, 1440.0, -90.0, 180.0))


def drift_doubt(
    doubt,
    age,
    *,
    current_error: float = CURRENT_ERROR,
    error_lasts: float = ERROR_LASTS,
    diffusivity: float = DIFFUSIVITY,
):
    """1-sigma position error (m, per axis) after drifting `age` seconds from one of `doubt` metres.

    doubt² + 2·e²·τ·(t − τ(1 − e^{−t/τ})) + 2·K·t: Taylor (1921, Proc. Lond. Math. Soc. 20:196-212) for an
    error e of the currents that lasts τ, and a random walk of diffusivity K for what they do not show.
    """
    age = np.abs(age)
    # both terms of the difference are close to age where it is small: rounding must not make it negative
    lasting = np.maximum(age + error_lasts * np.expm1(-age / error_lasts), 0.0)
    by_currents = 2 * current_error**2 * error_lasts * lasting
    return np.sqrt(np.square(doubt) + by_currents + 2 * diffusivity * age)


def look_at(field: np.ndarray, grid: Grid, lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Values of a field (lat, lon) at places (n,), bilinear; NaN where it is mostly missing around."""
    field = np.ascontiguousarray(field, dtype=np.float64)
    value = sample_field(field, grid, lon, lat)
    clear = sample_field(np.isfinite(field).astype(np.float64), grid, lon, lat)
    return np.where(clear >= LEAST_CLEAR, value, np.nan)
