"""Water and floating matter carried by the currents of a sea, forward and back, and the doubt that grows.

Positions are stepped by Runge-Kutta of order 4 (`searcher.kernels.advect`) through currents that are linear
between their nodes and hours; matter that stands out of the water moves at a share of the wind besides
(windage). Steps are equal, and short enough for water of twice the usual speed; a particle in faster water
takes shorter ones of its own, so that none ever crosses more than half a cell in a step.

What is not known, the errors of the currents and how much of the wind a thing takes on, is drawn for many
members (`scatter`); their spread is the doubt. `drift_doubt` is the same in a uniform sea, in closed form.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from searcher.gridded import hours_around
from searcher.kernels.advect import AFLOAT, GONE, advect
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Flow, Grid, Stream, weave
from searcher.sea import flow_of, has
from searcher.threads import in_threads

#: share of the 10 m wind that floating weed and debris move at on top of the currents (customary 1 %, range
#: 0-3 %, from memory; weed alone 0.02-0.96 %: Olascoaga et al. 2023, Phys. Fluids 35:111702)
WINDAGE = 0.01
#: how many members, and in how many legs of steady error each goes
MEMBERS = 48
LEGS = 8
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
#: fewer particles than these go in one thread
FEW = 4096


class Drift(NamedTuple):
    """Everything that moves floating things in one sea: currents, wind, and the step (s) to take."""

    currents: Stream
    wind: Stream
    windage: float
    longest_step: float

    def move(
        self,
        lon: ArrayLike,
        lat: ArrayLike,
        start: ArrayLike,
        end: ArrayLike,
        *,
        windage: ArrayLike = 0.0,
        crosswind: ArrayLike = 0.0,
        push: Sequence[ArrayLike] | np.ndarray = (0.0, 0.0),
    ) -> tuple[np.ndarray, ...]:
        """Where what is at lon, lat at `start` is at `end`: lon, lat, status (`searcher.kernels.advect`).

        lon, lat: arrays of degrees, any one shape; start, end: seconds since `sea.EPOCH`; windage, crosswind:
        shares of the wind, along it and to the right of it; push: m/s east and north besides; each one for
        all or one per place; backward where end < start.
        """
        shape = np.shape(lon)
        x, y, begin, stop, *slip = (
            np.array(np.broadcast_to(values, shape), dtype=np.float64).ravel()
            for values in (lon, lat, start, end, windage, crosswind, *push)
        )
        moved = carry_in_threads(self, np.column_stack(slip), x, y, begin, stop)
        return tuple(values.reshape(shape) for values in moved)

    def carry(
        self,
        lon: ArrayLike,
        lat: ArrayLike,
        start: ArrayLike,
        end: ArrayLike,
        *,
        windage: ArrayLike = 0.0,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """As `move`, with afloat (bool) for status: False where it met the shore or left the currents."""
        x, y, status = self.move(lon, lat, start, end, windage=windage)
        return x, y, status == AFLOAT

    def follow(
        self, lon: ArrayLike, lat: ArrayLike, start: ArrayLike, end: ArrayLike
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """As `move`, with known (bool) for status: False where it left the currents; ashore it waits."""
        x, y, status = self.move(lon, lat, start, end)
        return x, y, status != GONE


def carry_in_threads(
    drift: Drift, slip: np.ndarray, lon: np.ndarray, lat: np.ndarray, start: np.ndarray, end: np.ndarray
) -> list[np.ndarray]:
    """As `advect`, in as many threads as numba may use, each with its share of the particles."""

    def carry(first: int, last: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        own = (values[first:last] for values in (slip, lon, lat, start, end))
        moved: tuple[np.ndarray, np.ndarray, np.ndarray]
        moved = advect(drift.currents, drift.wind, *own, drift.longest_step, COURANT)
        return moved

    if lon.size < FEW:
        return list(carry(0, lon.size))
    return [np.concatenate(values) for values in zip(*in_threads(carry, lon.size), strict=True)]


def make_drift(sea: xr.DataTree, *, windage: float = WINDAGE) -> Drift:
    """The drift of a sea; without wind data, matter moves with the currents alone.

    windage: share of the wind that weed takes on. Pass 0 where the currents are those of floating matter
    already, as drifters or a model with windage and waves give them, so that the wind does not count twice.
    """
    flow = flow_of(sea["currents"].to_dataset())
    if not has(sea, "wind"):
        return drift_in(flow)
    wind = flow_of(sea["wind"].to_dataset(), "u10", "v10")
    return drift_in(flow)._replace(wind=weave(wind), windage=windage)


def drift_in(flow: Flow) -> Drift:
    """The drift of water in a flow (m/s), with no wind."""
    usual = float(np.sqrt(np.nanmean(flow.u**2) + np.nanmean(flow.v**2)))
    per_lon, _ = row_metrics(np.array([flow.lat0, flow.lat0 + flow.dlat * (flow.u.shape[1] - 1)]))
    cell = flow.dlon * float(per_lon.min())
    step = min(COURANT * cell / (FAST * usual + 0.1), LONGEST_STEP)
    return Drift(weave(flow), weave(_calm()), 0.0, step)


def _calm() -> Flow:
    nothing = np.zeros((1, 2, 2))
    return Flow(np.zeros(1), nothing, nothing, *Grid(-720.0, 1440.0, -90.0, 180.0))


def drift_doubt(
    doubt: ArrayLike,
    age: ArrayLike,
    *,
    current_error: float = CURRENT_ERROR,
    error_lasts: float = ERROR_LASTS,
    diffusivity: float = DIFFUSIVITY,
) -> np.ndarray:
    """1-sigma position error (m, per axis) after drifting `age` seconds from one of `doubt` metres.

    doubt² + 2·e²·τ·(t − τ(1 − e^{−t/τ})) + 2·K·t: Taylor (1921, Proc. Lond. Math. Soc. 20:196-212) for an
    error e of the currents that lasts τ, and a random walk of diffusivity K for what they do not show.
    """
    age = np.abs(age)
    # both terms of the difference are close to age where it is small: rounding must not make it negative
    lasting = np.maximum(age + error_lasts * np.expm1(-age / error_lasts), 0.0)
    by_currents = 2 * current_error**2 * error_lasts * lasting
    return np.sqrt(np.square(doubt) + by_currents + 2 * diffusivity * age)


class Leeway(NamedTuple):
    """How a thing moves through the water: (slope, offset, error), slope·W + offset m/s in a wind of W m/s.

    Downwind, and to the right of the wind for members that go right, and those that go left. The error is the
    1-sigma spread (m/s) between things of one kind at 10 m/s; member n has slope + ε/20 and offset + ε/2
    (Breivik & Allen 2008, J. Mar. Syst. 69:99-113; that split of ε from memory).
    """

    downwind: tuple[float, float, float]
    right: tuple[float, float, float] = (0.0, 0.0, 0.0)
    left: tuple[float, float, float] = (0.0, 0.0, 0.0)


#: floating weed: windage 1 %, 0.5 % to either side
WEED = Leeway((WINDAGE, 0.0, 0.05))
#: debris of fishing vessels and oil drums: the US Coast Guard list of Allen, as distributed in 2011
DEBRIS = Leeway((0.0197, 0.0, 0.083), (0.0036, 0.0, 0.067), (-0.0036, 0.0, 0.067))
DRUM = Leeway((0.0075, 0.0266, 0.0283), (0.0048, 0.0288, 0.0392), (-0.0045, -0.0146, 0.0459))


class Seen(NamedTuple):
    """What is known of places: which share their errors, as the vertices of a line do, and how well.

    group: (n,) 0.., of each place. doubt: (groups,) 1-sigma per axis, m. before: (groups,) s, for how long
    errors of the currents have fed it by then.
    """

    group: np.ndarray
    doubt: np.ndarray
    before: np.ndarray


def scatter(
    drift: Drift,
    lon: np.ndarray,
    lat: np.ndarray,
    start: ArrayLike,
    end: ArrayLike,
    seen: Seen,
    *,
    leeway: Leeway,
    seed: int = 0,
    members: int = MEMBERS,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where places (n,) seen at `start` may be at `end`: lon, lat, status, each (n, members).

    The currents of a member err by `CURRENT_ERROR`, fading over `ERROR_LASTS` (an Ornstein-Uhlenbeck process,
    as in `drift_doubt`), its motion at small scales is a random walk, its leeway its own.
    """
    rng = np.random.default_rng(seed)
    group, count = seen.group, seen.doubt.size
    shape = (count, members)
    begin, stop = (np.broadcast_to(t, lon.shape)[:, None] + np.zeros((1, members)) for t in (start, end))
    error, away = _early_errors(rng, shape, seen)
    per_lon, per_lat = row_metrics(np.ascontiguousarray(lat, dtype=np.float64))
    x = lon[:, None] + away[0][group] / per_lon[:, None]
    y = lat[:, None] + away[1][group] / per_lat[:, None]
    shares, speeds = _draw_leeway(rng, shape, leeway)
    wind = np.ones((count, 1))
    leg = np.zeros((count, 1))  # s, the same for a whole group
    leg[group, 0] = np.abs(stop - begin)[:, 0] / LEGS
    walk = np.sqrt(2.0 * DIFFUSIVITY / np.maximum(leg, 1.0))
    status = np.zeros(x.shape, np.uint8)
    for k in range(LEGS):
        later = _later_error(rng, error, leg)
        push = (0.5 * (error + later) + walk * rng.normal(size=later.shape))[:, group]
        first, middle, last = (begin + (stop - begin) * share / LEGS for share in (k, k + 0.5, k + 1))
        wind[group, 0] = _wind_speed(drift.wind, lon, lat, middle[:, 0])
        along, across = (shares + speeds / wind)[:, group]
        x2, y2, status2 = drift.move(x, y, first, last, windage=along, crosswind=across, push=push)
        afloat = status == AFLOAT
        x, y, status = (np.where(afloat, b, a) for a, b in ((x, x2), (y, y2), (status, status2)))
        error = later
    return x, y, status


def _later_error(rng: np.random.Generator, error: np.ndarray, time: np.ndarray) -> np.ndarray:
    """Errors of the currents (2, groups, members; m/s) `time` seconds (groups, 1) after they were `error`."""
    fade = np.exp(-time / ERROR_LASTS)
    return fade * error + CURRENT_ERROR * np.sqrt(1.0 - fade**2) * rng.normal(size=error.shape)


def _early_errors(
    rng: np.random.Generator, shape: tuple[int, int], seen: Seen
) -> tuple[np.ndarray, np.ndarray]:
    """Errors of the currents at the start, m/s, and of the places by then, m: each (2, groups, members)."""
    doubt, before = seen.doubt[:, None], np.abs(seen.before)[:, None]
    error = CURRENT_ERROR * rng.normal(size=(2, *shape))
    away = np.zeros(error.shape)
    for _ in range(LEGS):
        later = _later_error(rng, error, before / LEGS)
        away += 0.5 * (error + later) * before / LEGS
        error = later
    by_drift = drift_doubt(0.0, before, diffusivity=0.0)
    away *= np.minimum(doubt / np.maximum(by_drift, 1e-9), 1.0)
    rest = np.sqrt(np.maximum(doubt**2 - by_drift**2, 0.0))
    return error, away + rest * rng.normal(size=away.shape)


def _draw_leeway(
    rng: np.random.Generator, shape: tuple[int, int], leeway: Leeway
) -> tuple[np.ndarray, np.ndarray]:
    """What members take on along the wind and to the right of it, each (2, groups, members): shares, m/s."""

    def draw(slope: float, offset: float, error: float) -> np.ndarray:
        own = error * rng.normal(size=shape)
        return np.stack([slope + own / 20.0, offset + own / 2.0])

    along = draw(*leeway.downwind)
    across = np.where(rng.random(shape) < 0.5, draw(*leeway.right), draw(*leeway.left))
    shares, speeds = np.stack([along, across], axis=1)
    return shares, speeds


def _wind_speed(wind: Stream, lon: np.ndarray, lat: np.ndarray, time: np.ndarray) -> np.ndarray:
    """Speed of the wind at the nearest node, linear in time, m/s; at least 1, where it is unknown too."""
    row = np.clip(np.rint((lat - wind.lat0) / wind.dlat), 0, wind.rows - 1).astype(int)
    column = np.clip(np.rint((lon - wind.lon0) / wind.dlon), 0, wind.columns - 1).astype(int)
    node = 2 * (row * wind.columns + column)
    before, after, share = hours_around(wind.t, time)
    east, north = (
        (1.0 - share) * wind.uv[before, node + k] + share * wind.uv[after, node + k] for k in (0, 1)
    )
    return np.fmax(np.hypot(east, north), 1.0)
