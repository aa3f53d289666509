"""Move lines and debris to a given hour, and say how far they may be from there.

Positions are carried by the currents and, for matter that stands out of the water, a share of the wind
(`searcher.carry`). Doubt grows by what the currents get wrong and by what they are too coarse to show.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr

from searcher.carry import Drift, drift_doubt, make_drift
from searcher.fronts.persistence import clear_views, join_repeats
from searcher.geo import densify, line_length
from searcher.sea import to_seconds
from searcher.tables import CONVERGENCE_LINE, make_table

#: vertices of a line in drift stand no farther apart than this, m
SPACING = 1000.0


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


def _come_from_pictures(fronts: gpd.GeoDataFrame) -> bool:
    """Whether any break stands where a picture saw it, and not where a map of many pictures has it."""
    fresh = fronts["valid_time"] == fronts["seen_time"]
    return bool((fresh & (fronts["kind"] != CONVERGENCE_LINE)).any())


def windage_of(kind: str, drift: Drift) -> float:
    """Windage of a kind of line: matter gathers on convergence lines, a break is water."""
    return drift.windage if kind == CONVERGENCE_LINE else 0.0


def drift_fronts(fronts: gpd.GeoDataFrame, sea: xr.DataTree, *, to, join: bool = True) -> gpd.GeoDataFrame:
    """Fronts at the hour(s) `to`: moved, with `doubt` widened, and repeats between pictures joined.

    to: datetime64, one for all, or one per row (then nothing is joined, since repeats can only be told at one
    hour: pass `join=False`). Nor is anything joined where no break stands where a picture saw it, as when all
    come from one map. Lines that leave the currents or run ashore whole are dropped.
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
    # errors of the currents last: what is added grows with the whole drift since the line was seen
    before = start - to_seconds(fronts["seen_time"].values)
    added = drift_doubt(0.0, before + end - start) ** 2 - drift_doubt(0.0, before) ** 2
    moved["doubt"] = np.sqrt(np.maximum(fronts["doubt"].to_numpy() ** 2 + added, 0.0))
    moved["valid_time"] = hours
    moved = moved[~moved.geometry.is_empty].reset_index(drop=True)
    if join and len(moved) and _come_from_pictures(fronts):
        times = sea["temperature"]["time"].values
        moved = join_repeats(moved, times, clear_views(moved, sea, drift))
    moved["length"] = [line_length(line) for line in moved.geometry]
    return make_table("fronts", moved.geometry, {c: moved[c] for c in fronts.columns if c != "geometry"})
