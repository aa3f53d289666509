"""The boxes weighed anew at sea: where they lie by now, and what is to be expected of them after the log."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr
from numpy.typing import ArrayLike

from searcher.course import day_of
from searcher.drift import lines_at
from searcher.geo import Place, distance, line_length
from searcher.learn import Reading, Weights, posterior_rate, shift_lines
from searcher.learn.afresh import looked_over, tracks_now
from searcher.learn.day import Day, doubts_at, seen_times
from searcher.learn.trolled import box_factor, features_of, hints_at, widen, work_of
from searcher.new_boxes import with_new
from searcher.plan import Plan
from searcher.profile import PIECES
from searcher.route import RATES, fading_of
from searcher.sea import to_times
from searcher.tables import CRS, EVIDENCE, check_table
from searcher.units import HOUR

#: a line this short after drifting is no box any more, m
SHORTEST = 1000.0


def weigh_anew(
    plan: Plan,
    day: Day,
    at: Place | None,
    offsets: pd.DataFrame,
    bias: Reading,
    stretches: pd.DataFrame,
    weights: Weights,
    floating: xr.Dataset | None,
    laid: Mapping[int, shapely.LineString],
    kept: Collection[int],
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """The boxes where they are now, with what is to be expected of them now, best first; and what changed.

    at: where the boat is, around which new ones are laid; None to lay none.
    """
    boxes = boxes_now(plan, day)
    if boxes.empty:
        return boxes, pd.DataFrame()
    tracks = tracks_now(stretches, day)
    boxes = _shifted(boxes, offsets)
    if floating is not None:
        boxes = with_new(plan, day, at, boxes, tracks, floating, laid, kept)
    features = features_of(boxes, day, bias=bias.mean)
    signs = hints_at(day, boxes, features["bottom"], stretches)
    plain = posterior_rate(weights, features)
    rates = posterior_rate(weights, features.assign(offset=signs))
    over = looked_over(boxes["line"].to_numpy(), tracks)
    work = [work_of(stretches, *pair) for pair in zip(boxes["rank"], over, strict=True)]
    trolled, met, along = np.array(work).T
    fading = fading_at(plan, boxes)
    factor = box_factor(plain["expected"] / HOUR * -np.expm1(-fading * trolled) / fading, met)
    left = np.exp(-fading * along)
    scale = factor * left
    shares = {EVIDENCE + piece: features[piece] * _weight_of(weights, piece) for piece in PIECES}
    boxes = boxes.assign(**{name: rates[name] * scale for name in RATES}, **shares)
    boxes["depth"], boxes["temperature"] = features["bottom"], boxes["temperature"] + bias.mean
    changes = pd.DataFrame(
        {
            "number": boxes["rank"],
            "before": boxes["rank"].map(plan.boxes.set_index("rank")["expected"]).fillna(0.0),
            "now": boxes["expected"],
            "signs": signs,
            "factor": factor,
            "left": left,
            "trolled": trolled,
            "met": met,
            "shift": boxes["shift"],
            "doubt_before": boxes["doubt_before"],
            "doubt": boxes["doubt"],
        }
    )
    order = np.lexsort((boxes["rank"], -boxes["expected"]))
    return check_table("boxes", boxes.iloc[order].reset_index(drop=True)), changes.iloc[order].reset_index(
        drop=True
    )


def boxes_now(plan: Plan, day: Day) -> gpd.GeoDataFrame:
    """The morning's boxes where currents and wind have carried their lines by now, with doubts grown."""
    boxes = plan.boxes
    if boxes.empty:
        return boxes
    lines = lines_at(boxes, day.drift, day.now)
    doubt = doubts_at(boxes, seen_times(day, boxes["front"]), day.now)
    kept = np.array([not line.is_empty and line_length(line) >= SHORTEST for line in lines])
    boxes = boxes.assign(line=lines, doubt=doubt, valid_time=to_times(day.now))
    return boxes[kept].reset_index(drop=True)


def _shifted(boxes: gpd.GeoDataFrame, offsets: pd.DataFrame) -> gpd.GeoDataFrame:
    """Boxes where lines met elsewhere put them; `shift` (m), `doubt_before` (m)."""
    moved = shift_lines(boxes.set_geometry(gpd.GeoSeries(boxes["line"], crs=CRS)), offsets)
    shift = [distance(*pair) for pair in zip(_middles(boxes["line"]), _middles(moved.geometry), strict=True)]
    boxes = boxes.assign(doubt_before=boxes["doubt"], shift=shift)
    boxes = boxes.assign(line=moved.geometry.values, doubt=moved["doubt"])
    boxes["geometry"] = widen(boxes["line"].to_numpy(), boxes["doubt"])
    boxes["length"] = [line_length(line) for line in boxes["line"]]
    return boxes


def _middles(lines: ArrayLike) -> list[Place]:
    points = shapely.line_interpolate_point(np.asarray(lines, dtype=object), 0.5, normalized=True)
    return [Place(*xy) for xy in shapely.get_coordinates(points)]


def fading_at(plan: Plan, boxes: gpd.GeoDataFrame) -> np.ndarray:
    """How fast (1/s) each box is worked out."""
    return fading_of(boxes, day_of(plan.trip, plan.reach)) if len(boxes) else np.array([])


def _weight_of(weights: Weights, piece: str) -> float:
    return float(weights.mean[weights.names.index(piece)])
