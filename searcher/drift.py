"""Move lines and debris to a given hour, and say how far they may be from there.

Positions are carried by the currents, interpolated in space and time, and for matter that stands out of the
water by a share of the wind (windage). Doubt grows by what the currents get wrong and by what they are too
coarse to show.
"""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr

from searcher.fronts.persistence import join_repeats
from searcher.geo import densify, line_length
from searcher.kernels.advect import AFLOAT, advect
from searcher.kernels.metric import row_metrics
from searcher.kernels.sample import Flow, Grid, sample_field
from searcher.sea import flow_of, grid_of, has, to_seconds
from searcher.tables import CONVERGENCE_LINE, make_table

#: share of the 10 m wind that floating weed and debris move at on top of the currents (customary 1 %, range
#: 0-3 %, from memory; weed alone 0.02-0.96 %: Olascoaga et al. 2023, Phys. Fluids 35:111702)
WINDAGE = 0.01
#: error of each component of a surface current product (m/s) and how long it lasts (s); typical of global
#: models and altimetry against drifters, from memory
CURRENT_ERROR = 0.10
ERROR_LASTS = 36 * 3600.0
#: spreading by motions the currents do not resolve, m²/s: Okubo (1971, Deep-Sea Res. 18:789-802), 10 km
DIFFUSIVITY = 8.2
#: vertices of a line in drift stand no farther apart than this, m
SPACING = 1000.0
#: the share of a cell that water may cross in one step
COURANT = 0.5
LONGEST_STEP = 1800.0


class Drift(NamedTuple):
    """Everything that moves floating things in one sea: currents, wind, and the step to take."""

    currents: Flow
    wind: Flow
    windage: float
    longest_step: float

    def carry(self, lon, lat, start, end, *, windage=0.0):
        """Positions at `end` of water (or with `windage`, of matter) that is at lon, lat at `start`.

        lon, lat: arrays of degrees; start, end: seconds since `sea.EPOCH`, windage: shares of the wind, each
        one for all or one per place; backward where end < start. Returns lon, lat, afloat (bool): False
        where it met the shore or left the currents.
        """
        shape = np.shape(lon)
        lon, lat, start, end, windage = (
            np.ascontiguousarray(np.broadcast_to(values, shape), dtype=np.float64)
            for values in (lon, lat, start, end, windage)
        )
        x, y, status = advect(self.currents, self.wind, windage, lon, lat, start, end, self.longest_step)
        return x, y, status == AFLOAT


def make_drift(sea: xr.DataTree, *, windage: float = WINDAGE) -> Drift:
    """The drift of a sea; without wind data, matter moves with the currents alone."""
    currents = flow_of(sea["currents"].to_dataset())
    wind = flow_of(sea["wind"].to_dataset(), "u10", "v10") if has(sea, "wind") else _calm()
    fastest = float(np.nanmax(np.hypot(currents.u, currents.v))) + 0.1
    east, _ = row_metrics(np.array([currents.lat0]))
    cell = currents.dlon * float(east[0])
    step = min(COURANT * cell / fastest, LONGEST_STEP)
    return Drift(currents, wind, windage if has(sea, "wind") else 0.0, step)


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


def drift_line(
    line: shapely.LineString, drift: Drift, start: float, end, *, windage: float = 0.0
) -> shapely.LineString:
    """A line at a later hour: every vertex carried from `start` to `end` (s; one, or one per vertex).

    The longest stretch that stays afloat is kept; an empty line where fewer than two vertices do.
    """
    xy = shapely.get_coordinates(line)
    lon, lat, afloat = drift.carry(xy[:, 0], xy[:, 1], start, end, windage=windage)
    return longest_afloat(np.column_stack([lon, lat]), afloat)


def longest_afloat(xy: np.ndarray, afloat: np.ndarray) -> shapely.LineString:
    """The line of the longest run of vertices afloat; empty where it has fewer than two."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], afloat.astype(np.int8), [0]])))
    runs = list(zip(edges[::2], edges[1::2], strict=True))
    first, last = max(runs, key=lambda run: run[1] - run[0], default=(0, 0))
    return shapely.LineString(xy[first:last]) if last - first >= 2 else shapely.LineString()


def windage_of(kind: str, drift: Drift) -> float:
    """Windage of a kind of line: matter gathers on convergence lines, a break is water."""
    return drift.windage if kind == CONVERGENCE_LINE else 0.0


def drift_fronts(fronts: gpd.GeoDataFrame, sea: xr.DataTree, *, to, join: bool = True) -> gpd.GeoDataFrame:
    """Fronts at the hour(s) `to`: moved, with `doubt` widened, and repeats between pictures joined.

    to: datetime64, one for all, or one per row (then nothing is joined, since repeats can only be told at one
    hour: pass `join=False`). Lines that leave the currents or run ashore whole are dropped.
    """
    drift = make_drift(sea)
    hours = np.broadcast_to(np.asarray(to, dtype="datetime64[ns]"), len(fronts))
    start, end = to_seconds(fronts["valid_time"].values), to_seconds(hours)
    lines = [densify(line, SPACING) for line in fronts.geometry]
    xy, row = shapely.get_coordinates(lines, return_index=True)
    windage = np.array([windage_of(kind, drift) for kind in fronts["kind"]])
    lon, lat, afloat = drift.carry(xy[:, 0], xy[:, 1], start[row], end[row], windage=windage[row])
    places = np.column_stack([lon, lat])
    moved = fronts.copy()
    moved["geometry"] = [longest_afloat(places[row == k], afloat[row == k]) for k in range(len(fronts))]
    moved["doubt"] = drift_doubt(fronts["doubt"].values, end - start)
    moved["valid_time"] = hours
    moved = moved[~moved.geometry.is_empty].reset_index(drop=True)
    if join and len(moved):
        times = sea["temperature"]["time"].values
        moved = join_repeats(moved, times, clear_views(moved, sea, drift))
    moved["length"] = [line_length(line) for line in moved.geometry]
    return make_table("fronts", moved.geometry, {c: moved[c] for c in fronts.columns if c != "geometry"})


def clear_views(fronts: gpd.GeoDataFrame, sea: xr.DataTree, drift: Drift) -> np.ndarray:
    """Whether each picture saw the water each line now lies in: bool (lines, pictures).

    Vertices are carried back to the hour of the picture; a view is clear where half of them had a value.
    """
    pictures = sea["temperature"].to_dataset()
    grid = grid_of(pictures)
    times = pictures["time"].values
    xy, row = shapely.get_coordinates(fronts.geometry.values, return_index=True)
    now = to_seconds(fronts["valid_time"].values)[row]
    count = np.bincount(row, minlength=len(fronts))
    clear = np.zeros((len(fronts), times.size), bool)
    for column, time in enumerate(times):
        field = np.ascontiguousarray(pictures["sst"].sel(time=time).values, dtype=np.float64)
        lon, lat, _ = drift.carry(xy[:, 0], xy[:, 1], now, float(to_seconds(time)))
        seen = np.isfinite(sample_field(field, grid, lon, lat))
        clear[:, column] = np.bincount(row, seen, minlength=len(fronts)) >= 0.5 * count
    return clear
