"""Effort and encounters of a log: what learning and review count."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from searcher.sightings.entry import STRETCHES
from searcher.tables import BITE, FISH

#: bites (and fish) that follow each other within this are one encounter, with one school, s
SAME_ENCOUNTER = 600.0


def find_encounters(sightings: gpd.GeoDataFrame, *, apart: float = SAME_ENCOUNTER) -> gpd.GeoDataFrame:
    """The rows of bites and fish that begin an encounter, by time.

    A bite and the fish landed of it, or several out of one school, are one encounter: rows that follow the
    one before within `apart` (s) are left out, whatever their counts.
    """
    rows = sightings[sightings["kind"].isin([BITE, FISH])].sort_values("time", kind="stable")
    gap = rows["time"].diff() / pd.Timedelta(seconds=1)
    return rows[~(gap <= apart).to_numpy()]


def count_encounters(sightings: gpd.GeoDataFrame, *, apart: float = SAME_ENCOUNTER) -> gpd.GeoDataFrame:
    """The stretches trolled, by time: `geometry`, `time`, `end`, `duration` (s), `encounters` (count).

    And `placed`, where the log has it (`searcher.learn.day.at_their_hour`).

    An encounter belongs to the one stretch during which it came. A stretch logged by hand as "nothing" or
    "trolled" and a track of the plotter over the same hours would count twice: of what overlaps only the rest
    of the hours is added, and a stretch wholly inside earlier ones is left out.
    """
    stretches, begin, end = _hours_trolled(sightings)
    starts = find_encounters(sightings, apart=apart)["time"].to_numpy()
    during = _during(starts, begin, end)
    counts = np.bincount(during[during >= 0], minlength=len(stretches))
    columns = [name for name in ("time", "end", "geometry", "placed") if name in stretches]
    duration = (end - begin) / np.timedelta64(1, "s")
    return stretches[columns].assign(duration=duration, encounters=counts).reset_index(drop=True)


def stray_encounters(sightings: gpd.GeoDataFrame, *, apart: float = SAME_ENCOUNTER) -> gpd.GeoDataFrame:
    """Encounters that came during no stretch of the log: their hours trolled are not known."""
    starts = find_encounters(sightings, apart=apart)
    _, begin, end = _hours_trolled(sightings)
    return starts[_during(starts["time"].to_numpy(), begin, end) < 0]


def _hours_trolled(sightings: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, np.ndarray, np.ndarray]:
    """The stretches that count, by time, and from when until when each does: no hour is in two of them."""
    stretches = sightings[sightings["kind"].isin(STRETCHES)].sort_values(["time", "end"], kind="stable")
    begin, end = (stretches[name].to_numpy(dtype="datetime64[ns]") for name in ("time", "end"))
    done = np.maximum.accumulate(end)
    begin = np.concatenate([begin[:1], np.maximum(begin[1:], done[:-1])])
    counts = end > begin
    return stretches[counts], begin[counts], end[counts]


def _during(times: np.ndarray, begin: np.ndarray, end: np.ndarray) -> np.ndarray:
    """In which of some stretches, by time, each time lies; -1 for none.

    The very end of a stretch belongs to it, unless the next begins then: "trolled 8 to 9, bite at 9".
    """
    last = np.searchsorted(begin, times, side="right") - 1
    never = np.array(["NaT"], dtype="datetime64[ns]")
    return np.where(times <= np.concatenate([never, end])[last + 1], last, -1)
