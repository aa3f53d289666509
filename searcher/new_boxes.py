"""Boxes laid at sea, where weed or debris was met: along which lines, by which numbers, and where by now."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr

from searcher.drift import lines_at
from searcher.geo import Place
from searcher.learn.afresh import gathered_now, lay_afresh
from searcher.learn.day import Day
from searcher.plan import Plan
from searcher.sea import to_seconds
from searcher.sightings.places import LastAnswer
from searcher.tables import CONVERGENCE_LINE, CRS

#: a box laid at sea is one laid before where no part of the one lies farther from the other, degrees
SAME_LINE = 2e-3


def with_new(
    plan: Plan,
    day: Day,
    at: Place | None,
    boxes: gpd.GeoDataFrame,
    tracks: np.ndarray,
    floating: xr.Dataset,
    laid: Mapping[int, shapely.LineString],
    kept: Collection[int],
) -> gpd.GeoDataFrame:
    """Boxes with what is reckoned to float over them now, new ones around the boat where that is more, and
    those of the ones laid before that are kept."""
    boxes = boxes.assign(gathered=gathered_now(boxes, floating, day))
    used = np.concatenate([boxes["line"].to_numpy(), tracks])
    stay = np.empty(len(kept), dtype=object)
    stay[:] = [laid[number] for number in sorted(kept)]
    new = lay_afresh(day, floating, at, plan.range_polygon, used, stay)
    if new.empty:
        return boxes
    numbers = _numbered(new["line"], laid, int(plan.boxes["rank"].max()))
    new = new.assign(rank=numbers, shift=0.0, doubt_before=new["doubt"])
    return gpd.GeoDataFrame(pd.concat([boxes, new], ignore_index=True), geometry="geometry", crs=CRS)


def _numbered(
    lines: Iterable[shapely.LineString], laid: Mapping[int, shapely.LineString], last: int
) -> list[int]:
    """Numbers of lines laid at sea: of the one laid there before, else beyond all and `last`, never used."""
    numbers: list[int] = []
    for line in lines:
        there = [n for n, other in laid.items() if shapely.hausdorff_distance(line, other) < SAME_LINE]
        numbers.append(min(set(there) - set(numbers), default=max([last, *laid, *numbers]) + 1))
    return numbers


def carried_on(last: LastAnswer, day: Day) -> dict[int, shapely.LineString]:
    """Where boxes that were laid at sea by the last answer lie by now; where they lay if they have left the
    currents."""
    if not last.laid or last.time is None or float(to_seconds(last.time)) == day.now:
        return dict(last.laid)
    lines = np.empty(len(last.laid), dtype=object)
    lines[:] = list(last.laid.values())
    since = np.datetime64(last.time, "ns")  # type: ignore[call-overload]
    table = pd.DataFrame({"line": lines, "kind": CONVERGENCE_LINE, "valid_time": since})
    carried = lines_at(table, day.drift, day.now)
    pairs = zip(last.laid, lines, carried, strict=True)
    return {number: was if line.is_empty else line for number, was, line in pairs}
