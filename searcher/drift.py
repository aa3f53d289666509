"""Move lines and debris to a given hour, and say how far they may be from there.

Positions are carried by the currents and, for matter that stands out of the water, a share of the wind
(`searcher.carry`). Doubt grows by what the currents get wrong, by what they are too coarse to show, and for
matter by how much of the wind it may take on.
"""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr
from numpy.typing import ArrayLike

from searcher.carry import DEBRIS, WEED, Drift, Leeway, Seen, drift_doubt, make_drift, scatter
from searcher.errors import NoData
from searcher.fronts.persistence import Carried, carry_along, clear_views, join_repeats, longest_afloat
from searcher.geo import GEOD, Place, line_length, near_longitude, normals
from searcher.kernels.advect import AFLOAT, GONE
from searcher.kernels.metric import row_metrics
from searcher.sea import to_seconds
from searcher.tables import CONVERGENCE_LINE, TEMPERATURE_BREAK, make_table

#: every so manieth of them is carried with many errors to see how they spread
EVERY = 4
#: members of the ensemble of one mark
MARK_MEMBERS = 512


def drift_line(
    line: shapely.LineString, drift: Drift, start: float, end: ArrayLike, *, windage: float = 0.0
) -> shapely.LineString:
    """A line at a later hour: every vertex carried from `start` to `end` (s; one, or one per vertex).

    The longest stretch that stays afloat is kept; an empty line where fewer than two vertices do.
    """
    xy = shapely.get_coordinates(line)
    lon, lat, afloat = drift.carry(xy[:, 0], xy[:, 1], start, end, windage=windage)
    return longest_afloat(np.column_stack([lon, lat]), afloat)


def lines_at(table: pd.DataFrame, drift: Drift, time: ArrayLike) -> np.ndarray:
    """The lines of a table (fronts by `geometry`, boxes by `line`) at a time, (n,); empty if gone.

    time: s since `sea.EPOCH`, one for all or one per row.
    """
    lines = table["line" if "line" in table else "geometry"]
    start = to_seconds(table["valid_time"].to_numpy())
    return carry_along(lines, drift, start, time, windage=_windages(table, drift)).lines


def _come_from_pictures(fronts: gpd.GeoDataFrame) -> bool:
    """Whether any break stands where a picture saw it, and not where a map of many pictures has it."""
    fresh = fronts["valid_time"] == fronts["seen_time"]
    return bool((fresh & (fronts["kind"] == TEMPERATURE_BREAK)).any())


def windage_of(kind: str, drift: Drift) -> float:
    """Windage of a kind of line: matter gathers on convergence lines, a break is water."""
    return drift.windage if kind == CONVERGENCE_LINE else 0.0


def _windages(table: pd.DataFrame, drift: Drift) -> np.ndarray:
    """`windage_of` every row of a table."""
    return np.array([windage_of(kind, drift) for kind in table["kind"]], dtype=np.float64)


def drift_fronts(
    fronts: gpd.GeoDataFrame, sea: xr.DataTree, *, to: np.datetime64 | np.ndarray, join: bool = True
) -> gpd.GeoDataFrame:
    """Fronts at the hour(s) `to`: moved, with `doubt` widened, and repeats between pictures joined.

    to: datetime64, one for all, or one per row (then nothing is joined, since repeats can only be told at one
    hour: pass `join=False`). Nor is anything joined where no break stands where a picture saw it, as when all
    come from one map. Lines that leave the currents or run ashore whole are dropped.
    """
    drift = make_drift(sea)
    hours = np.broadcast_to(np.asarray(to, dtype="datetime64[ns]"), len(fronts))
    start, end = to_seconds(fronts["valid_time"].values), to_seconds(hours)
    windage = _windages(fronts, drift)
    carried = carry_along(fronts.geometry, drift, start, end, windage=windage)
    moved = fronts.copy()
    moved["geometry"] = carried.lines
    moved["doubt"] = _widened(fronts, end)
    if (windage > 0.0).any():
        spread = _spread_across(fronts, drift, carried, windage > 0.0, start, end)
        moved["doubt"] = np.where(np.isfinite(spread), spread, moved["doubt"])
    moved["valid_time"] = hours
    moved = moved[~moved.geometry.is_empty].reset_index(drop=True)
    if join and len(moved) and _come_from_pictures(fronts):
        times = sea["temperature"].to_dataset()["time"].values
        moved = join_repeats(moved, times, clear_views(moved, sea, drift))
    moved["length"] = [line_length(line) for line in moved.geometry]
    return make_table("fronts", moved.geometry, {c: moved[c] for c in fronts.columns if c != "geometry"})


def _widened(fronts: gpd.GeoDataFrame, end: np.ndarray) -> np.ndarray:
    """Doubt of every line at `end` (s, one each), from errors of the currents alone, in closed form."""
    # errors of the currents last: what is added grows with the whole drift since the line was seen
    start, seen = (to_seconds(fronts[name].values) for name in ("valid_time", "seen_time"))
    added = drift_doubt(0.0, end - seen) ** 2 - drift_doubt(0.0, start - seen) ** 2
    return np.sqrt(np.maximum(fronts["doubt"].to_numpy() ** 2 + added, 0.0))


def _spread_across(
    fronts: gpd.GeoDataFrame,
    drift: Drift,
    carried: Carried,
    matter: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
) -> np.ndarray:
    """How far an ensemble lies from every line, across it: root mean square, m; NaN where nothing is known.

    matter: bool (lines,), of which lines to carry it. No smaller than the doubt the line was seen with:
    currents that draw matter to a line may be out of place themselves.
    """
    count, row, places = len(fronts), carried.row, carried.after
    along = np.arange(row.size) - np.searchsorted(row, row)
    pick = np.flatnonzero(carried.afloat & matter[row] & (along % EVERY == 0))
    line = row[pick]
    normal = np.vstack([normals(places[row == k]) for k in range(count)])[pick]
    before = start - to_seconds(fronts["seen_time"].values)
    seen = Seen(line, fronts["doubt"].to_numpy(), before)
    leeway = WEED._replace(downwind=(drift.windage, *WEED.downwind[1:]))
    x, y = carried.before[pick].T
    lon, lat, status = scatter(drift, x, y, start[line], end[line], seen, leeway=leeway)
    east, north = row_metrics(np.ascontiguousarray(places[pick, 1]))
    across = (lon - places[pick, :1]) * (east * normal[:, 0])[:, None]
    across += (lat - places[pick, 1:]) * (north * normal[:, 1])[:, None]
    afloat = status == AFLOAT
    known = np.bincount(line, afloat.sum(axis=1), count)
    enough = known >= 0.5 * afloat.shape[1] * np.bincount(line, minlength=count)
    square = np.bincount(line, np.where(afloat, across**2, 0.0).sum(axis=1), count) / np.maximum(known, 1)
    return np.where(enough & (known > 0), np.maximum(np.sqrt(square), fronts["doubt"].to_numpy()), np.nan)


class Mark(NamedTuple):
    """Where one thing may be: the mean of an ensemble, and the ellipse of its 1-sigma doubt.

    major, minor: half axes, m; bearing: of the major one, 0 to 180; afloat: share of the members that neither
    ran ashore nor left the currents.
    """

    place: Place
    major: float
    minor: float
    bearing: float
    afloat: float


def drift_mark(
    place: Place,
    sea: xr.DataTree,
    *,
    seen: np.datetime64,
    to: np.datetime64,
    leeway: Leeway = DEBRIS,
    doubt: float = 100.0,
    seed: int = 0,
) -> Mark:
    """Where a thing seen at a place at `seen` (datetime64) is at `to`, before or after.

    leeway: how it takes the wind (`searcher.carry`: DEBRIS, DRUM, WEED); without wind data it goes with the
    currents alone. doubt: of the place it was seen at, 1-sigma per axis, m. Members that ran ashore count
    where they lie: where the currents end, which may be up to a cell of theirs inland of the coast. Raises
    `NoData` if the currents do not hold the place.
    """
    drift = make_drift(sea)
    start, end = float(to_seconds(seen)), float(to_seconds(to))
    x = near_longitude(
        np.array([place.lon]), drift.currents.lon0 + drift.currents.columns * drift.currents.dlon / 2
    )
    y = np.array([place.lat])
    seen_at = Seen(np.zeros(1, int), np.array([doubt]), np.zeros(1))
    lon, lat, status = (
        values[0]
        for values in scatter(
            drift, x, y, start, end, seen_at, leeway=leeway, seed=seed, members=MARK_MEMBERS
        )
    )
    kept = status != GONE
    if not kept.any():
        raise NoData(
            f"no currents at {place.lat:.4f}, {place.lon:.4f} on the way from {seen} to {to}",
            hint="Load a sea that reaches farther",
        )
    lon, lat = lon[kept], lat[kept]
    middle = Place(float(lon.mean()), float(lat.mean()))
    towards, _, metres = GEOD.inv(np.full(lon.size, middle.lon), np.full(lon.size, middle.lat), lon, lat)
    east, north = metres * np.sin(np.radians(towards)), metres * np.cos(np.radians(towards))
    (minor, major), axes = np.linalg.eigh(np.cov(east, north))
    bearing = float(np.degrees(np.arctan2(axes[0, 1], axes[1, 1])) % 180.0)
    share = float((status == AFLOAT).mean())
    return Mark(middle, float(np.sqrt(major)), float(np.sqrt(max(minor, 0.0))), bearing, share)
