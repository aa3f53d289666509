"""New stretches to troll, laid at sea where the log says that matter floats and nobody has looked yet."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr

from searcher.boxes import SWEEP
from searcher.evidence import FACTS, Observer, mean_over, points_across, weigh_features
from searcher.fronts.gathering import GATHERS, LEAST_DENSITY, LENGTH, lay_stretches, places_along
from searcher.geo import LocalPlane, Place, buffer, line_length
from searcher.learn.day import Day
from searcher.learn.trolled import widen
from searcher.score import explain
from searcher.sea import cell_size, sample_at, to_seconds
from searcher.tables import CONVERGENCE_LINE, CRS, Row, make_table

#: new stretches are laid so far around the boat, m, and at most so many
AROUND, MOST = 12e3, 20
#: and only where the log has raised what is to be expected by so many times: no change without a reason
REASON = 1.3
#: the map is read at places so far apart along a stretch, m
SAMPLING = 750.0
#: once looked over, so much is left of what was there (random search: Koopman 1980)
LEFT = float(np.exp(-1.0))


def lay_afresh(
    day: Day,
    floating: xr.Dataset,
    at: Place | None,
    within: shapely.Geometry,
    used: np.ndarray,
    kept: np.ndarray,
) -> gpd.GeoDataFrame:
    """Boxes along the stretches around a place over which most floats now: as of `rank_boxes`, not yet rated.

    floating: the map as it is now (`searcher.learn.afloat`); within: degrees, where the boat may go; used:
    lines (degrees) whose water has been looked over, or is to be, and counts for less; kept: lines (degrees)
    laid before that stay, and have boxes too. Without a place these alone.
    """
    lines = kept
    if at is not None:
        lines = np.concatenate([kept, _fresh_lines(floating, at, within, np.concatenate([used, kept]))])
    if not len(lines):
        return gpd.GeoDataFrame()
    currents = day.observer.sea["currents"].to_dataset()
    doubt = float(currents.attrs.get("doubt", 0.5 * cell_size(currents)))
    fronts, label = _with_one_more(day.fronts, lines, floating, doubt)
    boxes = gpd.GeoDataFrame(
        {
            "line": gpd.GeoSeries(lines, crs=CRS),
            "front": label,
            "kind": CONVERGENCE_LINE,
            "valid_time": floating["time"].values,
            "doubt": doubt,
            "length": [line_length(line) for line in lines],
        },
        geometry=widen(lines, np.full(len(lines), doubt)),
        crs=CRS,
    )
    return _observed(boxes, fronts, floating, day)


def _fresh_lines(floating: xr.Dataset, at: Place, within: shapely.Geometry, used: np.ndarray) -> np.ndarray:
    """The lines (degrees) of new stretches, (n,)."""
    area = shapely.intersection(within, buffer(shapely.Point(at), AROUND, centre=at))
    if area.is_empty:
        return np.empty(0, dtype=object)
    plane = LocalPlane(at)
    ends = lay_stretches(plane.to_plane(area))
    best = choose_fresh(ends, floating, plane, plane.to_plane(used))
    if not best:
        return np.empty(0, dtype=object)
    lines: np.ndarray = plane.to_degrees(shapely.linestrings(ends[best]))
    return lines


def _with_one_more(
    fronts: gpd.GeoDataFrame, lines: np.ndarray, floating: xr.Dataset, doubt: float
) -> tuple[gpd.GeoDataFrame, int]:
    """The lines of the morning and one that stands for all new ones, with its label."""
    time = floating["time"].values
    facts = GATHERS | {"valid_time": time, "seen_time": time, "doubt": doubt, "source": "log"}
    facts |= {"strength": np.nan, "length": LENGTH, "seen_share": 1.0}
    one = make_table("fronts", lines[:1], {name: [value] for name, value in facts.items()})
    label = int(fronts.index.max()) + 1 if len(fronts) else 0
    one.index = [label]
    return (pd.concat([fronts, one]) if len(fronts) else one), label


def _observed(
    boxes: gpd.GeoDataFrame, fronts: gpd.GeoDataFrame, floating: xr.Dataset, day: Day
) -> gpd.GeoDataFrame:
    """Boxes with what the sea says along them; only those mostly in the depths of the trip."""
    observer = Observer(day.observer.sea, fronts, day.drift, floating)
    rows = list(boxes.itertuples())
    facts = observer.observe(rows)
    deep = [
        weigh_features(row, seen, day.profile, day.trip)["depth"] > -0.5
        for row, seen in zip(rows, facts, strict=True)
    ]
    boxes = boxes.assign(
        **{name: [seen[name] for seen in facts] for name in FACTS},
        why=[explain(row, seen, day.trip.show) for row, seen in zip(rows, facts, strict=True)],
    )
    return boxes[np.array(deep)].reset_index(drop=True)


def choose_fresh(
    ends: np.ndarray, floating: xr.Dataset, plane: LocalPlane, used: np.ndarray, *, most: int = MOST
) -> list[int]:
    """Numbers of the stretches (n, 2, 2; m) over which most floats that is not looked over yet, best first.

    One after another: each takes its share of the water, as the lines `used` (m) have done before.
    """
    if not len(ends):
        return []
    places = places_along(ends, SAMPLING)
    raised = floating["density"].where(floating["gain"] >= REASON, 0.0)
    worth = np.nan_to_num(sample_at(raised, plane.lonlat_of(places)))
    tree, lines = shapely.STRtree(shapely.points(places)), shapely.linestrings(ends)
    for line in used:
        worth[tree.query(line, predicate="dwithin", distance=SWEEP / 2)] *= LEFT
    chosen: list[int] = []
    while len(chosen) < most:
        mean = worth.reshape(len(ends), -1).mean(axis=1)
        best = int(mean.argmax())
        if mean[best] < LEAST_DENSITY:
            break
        chosen.append(best)
        worth[tree.query(lines[best], predicate="dwithin", distance=SWEEP / 2)] *= LEFT
    return chosen


def gathered_now(boxes: gpd.GeoDataFrame, floating: xr.Dataset, day: Day) -> np.ndarray:
    """ln of the density of what floats over boxes where they are now, (boxes,); as it was where not known."""
    observer = Observer(day.observer.sea, day.fronts, day.drift, floating)
    found = []
    for box in boxes.itertuples():
        lon, lat, weight = points_across(box.line, box.doubt)
        density = mean_over(observer.density(lon, lat, day.now), weight)
        found.append(np.log(density) if density > 0 else box.gathered)
    return np.array(found, dtype=float)


def tracks_now(stretches: pd.DataFrame, day: Day) -> np.ndarray:
    """Where the water now is in which each stretch was trolled: every vertex carried on from its own hour."""
    tracks = np.empty(len(stretches), dtype=object)
    tracks[:] = [_carried(row, day) for row in stretches.itertuples()]
    return tracks


def _carried(row: Row, day: Day) -> shapely.LineString:
    xy = shapely.get_coordinates(shapely.segmentize(row.geometry, 0.01))
    if len(xy) < 2:
        return shapely.LineString()
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    begin, end = (float(to_seconds(time.to_datetime64())) for time in (row.time, row.end))
    passed = begin + (end - begin) * along / max(along[-1], 1e-12)
    lon, lat, afloat = day.drift.carry(xy[:, 0], xy[:, 1], passed, day.now, windage=day.drift.windage)
    return shapely.LineString(np.column_stack([lon, lat])) if afloat.all() else row.geometry


def looked_over(lines: np.ndarray, tracks: np.ndarray) -> np.ndarray:
    """How much of each track (columns) lies in the strip that is looked over from each line (rows)."""
    if not (len(lines) and len(tracks)):
        return np.zeros((len(lines), len(tracks)))
    plane = LocalPlane(Place(*shapely.get_coordinates(lines[0])[0]))
    strips = shapely.buffer(plane.to_plane(lines), SWEEP / 2, quad_segs=4)
    tracks = plane.to_plane(tracks)
    inside = shapely.length(shapely.intersection(strips[:, None], tracks[None, :]))
    return inside / np.maximum(shapely.length(tracks), 1.0)
