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
    stretches = sightings[sightings["kind"].isin(STRETCHES)].sort_values(["time", "end"], kind="stable")
    starts = find_encounters(sightings, apart=apart)["time"].to_numpy()
    done = np.datetime64("1678-01-01", "ns")
    kept, durations, counts = [], [], []
    for row in stretches.itertuples():
        begin, end = max(np.datetime64(row.time, "ns"), done), np.datetime64(row.end, "ns")
        if end <= begin:
            continue
        kept.append(row.Index)
        durations.append((end - begin) / np.timedelta64(1, "s"))
        counts.append(int(((starts >= begin) & (starts < end)).sum()))
        done = end
    columns = [name for name in ("time", "end", "geometry", "placed") if name in stretches]
    return stretches.loc[kept, columns].assign(duration=durations, encounters=counts).reset_index(drop=True)


def stray_encounters(sightings: gpd.GeoDataFrame, *, apart: float = SAME_ENCOUNTER) -> gpd.GeoDataFrame:
    """Encounters that came during no stretch of the log: their hours trolled are not known."""
    starts = find_encounters(sightings, apart=apart)
    inside = np.zeros(len(starts), dtype=bool)
    for row in sightings[sightings["kind"].isin(STRETCHES)].itertuples():
        inside |= ((starts["time"] >= row.time) & (starts["time"] < row.end)).to_numpy()
    return starts[~inside]
