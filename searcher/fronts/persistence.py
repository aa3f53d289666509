"""The same line in several pictures: kept once, with how much of it was seen of what could have been.

Lines must all stand for the same hour (drifted there), or a moving front would be counted as many.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr
from numpy.typing import ArrayLike

from searcher.carry import Drift, drift_doubt
from searcher.geo import LocalPlane, Place, densify, line_length
from searcher.kernels.sample import sample_field
from searcher.sea import grid_of, to_seconds
from searcher.tables import TEMPERATURE_BREAK

#: two lines are the same where they lie within so many joint sigmas, and never farther apart than this, m
SIGMAS = 2.0
FARTHEST = 8_000.0
#: what is left of an older line beside a newer one must be this long to stand alone, m
LEAST_LENGTH = 8_000.0
#: vertices of a line to be carried stand no farther apart than this, m
SPACING = 1000.0


def join_repeats(
    fronts: gpd.GeoDataFrame, times: np.ndarray, clear: np.ndarray, *, kind: str = TEMPERATURE_BREAK
) -> gpd.GeoDataFrame:
    """Fronts with repeats of the same line of a kind joined, newest first, and `seen_share` filled.

    times: of all pictures, also of those in which no line was found. clear: (rows of `fronts`, pictures),
    0..1, of how much of each line each picture had a clear view. Stretches of an older line with no newer
    line beside them are kept: the newer picture may have been cloudy there. `seen_share` is the length that
    pictures saw over the length that they could have, summed over pictures; `confidence` that at least one
    sighting is true.
    """
    is_break = (fronts["kind"] == kind).to_numpy()
    breaks, clear = fronts[is_break], clear[is_break]
    if breaks.empty:
        return fronts
    bounds = breaks.total_bounds
    plane = LocalPlane(Place((bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2))
    flat = plane.to_plane(breaks.geometry.values)
    doubts = breaks["doubt"].values
    confidence = breaks["confidence"].to_numpy()
    kept: list[int] = []
    lines, shares, sure = [], [], []
    for k in np.argsort(breaks["seen_time"].values)[::-1]:
        same = np.minimum(SIGMAS * np.hypot(doubts, doubts[k]), FARTHEST)
        newer = [shapely.buffer(flat[j], same[j]) for j in kept]
        rest = shapely.difference(flat[k], shapely.union_all(newer)) if newer else flat[k]
        pieces = [part for part in shapely.get_parts(rest) if part.length >= LEAST_LENGTH]
        if not pieces and not (rest.equals(flat[k]) and rest.length > 0):
            continue
        kept.append(k)
        lines.append(plane.to_degrees(shapely.MultiLineString(pieces)) if pieces else breaks.geometry.iloc[k])
        share, doubted = _sightings(flat, breaks["seen_time"].values, times, k, same, clear, 1.0 - confidence)
        shares.append(share)
        sure.append(1.0 - doubted)
    joined = breaks.iloc[kept].copy()
    joined["geometry"] = lines
    joined["seen_share"] = shares
    joined["confidence"] = sure
    joined = joined.explode(index_parts=False)
    joined["length"] = [line_length(line) for line in joined.geometry]
    others = fronts[~is_break]
    return gpd.GeoDataFrame(gpd.pd.concat([joined, others], ignore_index=True), crs=fronts.crs)


def _sightings(
    flat: np.ndarray,
    seen_times: np.ndarray,
    times: np.ndarray,
    k: int,
    same: np.ndarray,
    clear: np.ndarray,
    doubted: np.ndarray,
) -> tuple[float, float]:
    """Length of line k with a line beside it over that with a clear view of it, summed over pictures; and the
    probability that all lines beside half of it are false, were they independent (doubted: that each is).
    """
    seen = usable = 0.0
    all_false = 1.0
    for column, time in enumerate(times):
        in_picture = np.flatnonzero(seen_times == time)
        near = [shapely.buffer(flat[j], same[j]) for j in in_picture]
        found = shapely.intersection(flat[k], shapely.union_all(near)).length / flat[k].length
        if found >= 0.5:
            beside = shapely.intersects(near, flat[k])
            all_false *= float(np.min(doubted[in_picture][beside]))
        seen += found
        usable += max(found, clear[k, column])
    return seen / max(usable, 1e-9), all_false


def clear_views(
    fronts: gpd.GeoDataFrame, sea: xr.DataTree, drift: Drift, *, node: str = "temperature", name: str = "sst"
) -> np.ndarray:
    """How much of the water each line now lies in each picture of a node saw: (lines, pictures), 0..1.

    Points along the line are carried back to the hour of the picture, and seen where that has a value.
    """
    pictures = sea[node].to_dataset()
    grid = grid_of(pictures)
    times = pictures["time"].values
    xy, row = points_along(fronts.geometry)
    now = to_seconds(fronts["valid_time"].values)[row]
    count = np.bincount(row, minlength=len(fronts))
    clear = np.zeros((len(fronts), times.size))
    for column, time in enumerate(times):
        field = np.ascontiguousarray(pictures[name].sel(time=time).values, dtype=np.float64)
        lon, lat, _ = drift.carry(xy[:, 0], xy[:, 1], now, float(to_seconds(time)))
        seen = np.isfinite(sample_field(field, grid, lon, lat))
        clear[:, column] = np.bincount(row, seen, minlength=len(fronts)) / count
    return clear


def points_along(lines: Iterable[shapely.LineString]) -> tuple[np.ndarray, np.ndarray]:
    """Points no farther than `SPACING` apart along lines, (n, 2), and of which line each is."""
    points: tuple[np.ndarray, np.ndarray]
    points = shapely.get_coordinates([densify(line, SPACING) for line in lines], return_index=True)
    return points


def longest_afloat(xy: np.ndarray, afloat: np.ndarray) -> shapely.LineString:
    """The line of the longest run of vertices afloat; empty where it has fewer than two."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], afloat.astype(np.int8), [0]])))
    runs = list(zip(edges[::2], edges[1::2], strict=True))
    first, last = max(runs, key=lambda run: run[1] - run[0], default=(0, 0))
    return shapely.LineString(xy[first:last]) if last - first >= 2 else shapely.LineString()


class Carried(NamedTuple):
    """Lines (n,) at another hour, empty if gone, and the points along them that were carried there.

    row: of which line each point is; before, after: (points, 2) degrees; afloat: whether it still is.
    """

    lines: np.ndarray
    row: np.ndarray
    before: np.ndarray
    after: np.ndarray
    afloat: np.ndarray


def carry_along(
    lines: Sequence[shapely.LineString] | gpd.GeoSeries,
    drift: Drift,
    start: ArrayLike,
    end: ArrayLike,
    *,
    windage: ArrayLike = 0.0,
) -> Carried:
    """Lines carried from `start` to `end` (s), by a share of the wind besides; each one for all or per line.

    Points no farther apart than `SPACING` are carried, and the longest run of them that stays afloat is kept.
    """
    xy, row = points_along(lines)
    begin, stop, slip = (np.broadcast_to(values, len(lines))[row] for values in (start, end, windage))
    lon, lat, afloat = drift.carry(xy[:, 0], xy[:, 1], begin, stop, windage=slip)
    places = np.column_stack([lon, lat])
    cuts = pairwise(np.searchsorted(row, np.arange(len(lines) + 1)))
    moved = [longest_afloat(places[first:last], afloat[first:last]) for first, last in cuts]
    return Carried(np.array(moved, dtype=object), row, xy, places, afloat)


def carry_lines(fronts: gpd.GeoDataFrame, drift: Drift, to: np.datetime64) -> gpd.GeoDataFrame:
    """Fronts at one hour, with `doubt` widened; what ran ashore or left the currents is left out."""
    then, now = to_seconds(fronts["valid_time"].values), float(to_seconds(to))
    lines = carry_along(fronts.geometry, drift, then, now).lines
    left = ~shapely.is_empty(lines)
    carried = fronts[left].copy()
    carried["geometry"] = lines[left]
    carried["length"] = [line_length(line) for line in carried.geometry]
    carried["doubt"] = drift_doubt(carried["doubt"].to_numpy(), now - then[left])
    hour = np.datetime64(to, "ns")  # type: ignore[call-overload]  # numpy's types know no unit here
    return carried.assign(valid_time=hour).reset_index(drop=True)


def share_seen(
    lines: list[shapely.LineString],
    found: list[list[shapely.LineString]],
    pictures: xr.Dataset,
    drift: Drift,
    *,
    at: np.datetime64,
    doubts: np.ndarray,
) -> np.ndarray:
    """How much of each line of a map of hour `at` pictures saw of what they could have: (lines,), 0..1.

    found: the lines of every picture, where it saw them; doubts: (lines,) m, of the place of each. Points
    along a line are carried back to the hour of each picture. Of those that lie in clear water there, those
    are seen that have a line within `SIGMAS` of the doubt of both; both are summed over the pictures, since
    under broken cloud none may show half of a line. (Miller 2009, J. Mar. Syst. 78:327-336, has the same
    share for pixels, P = N_front / N_valid; from memory.)
    """
    xy, row = points_along(lines)
    grid, now = grid_of(pictures), float(to_seconds(at))
    seen, usable = np.zeros(len(lines)), np.zeros(len(lines))
    for field, time, there in zip(pictures["sst"].values, pictures["time"].values, found, strict=True):
        then = float(to_seconds(time))
        lon, lat, _ = drift.carry(xy[:, 0], xy[:, 1], now, then)
        clear = np.isfinite(sample_field(np.ascontiguousarray(field, dtype=np.float64), grid, lon, lat))
        same = np.minimum(SIGMAS * np.hypot(doubts, drift_doubt(doubts, now - then)), FARTHEST)
        plane = LocalPlane(Place(float(lon.mean()), float(lat.mean())))
        near = shapely.union_all(plane.to_plane(np.array(there, dtype=object)))
        shapely.prepare(near)
        beside = shapely.dwithin(shapely.points(plane.xy_of(np.column_stack([lon, lat]))), near, same[row])
        seen += np.bincount(row, beside & clear, minlength=len(lines))
        usable += np.bincount(row, clear, minlength=len(lines))
    return seen / np.maximum(usable, 1)
