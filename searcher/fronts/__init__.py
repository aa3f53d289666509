"""From grids to lines: where temperature breaks and where the currents gather floating matter."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import xarray as xr

from searcher.fronts.convergence import attraction, find_convergence_lines
from searcher.fronts.temperature import find_temperature_breaks
from searcher.sea import check_sea
from searcher.tables import FRONTS, empty_table, make_table

__all__ = ["attraction", "find_convergence_lines", "find_fronts", "find_temperature_breaks"]

#: a picture with less clear sea than this says too little about lines, share of its sea
LEAST_CLEAR = 0.02


def find_fronts(sea: xr.DataTree, *, at: np.datetime64 | None = None) -> gpd.GeoDataFrame:
    """Every temperature break in every picture of a sea, and the convergence lines at one hour.

    `at` is the hour of the currents (default: that of the newest picture). Returns a fronts table
    (`searcher.tables.FRONTS`), each line where it was when it was seen; `searcher.drift` moves them on.
    """
    check_sea(sea)
    pictures = sea["temperature"].to_dataset()["sst"]
    rows = []
    for time in pictures["time"].values:
        picture = pictures.sel(time=time, drop=True)
        if float(np.isfinite(picture.values).mean()) < LEAST_CLEAR:
            continue
        found = find_temperature_breaks(picture)
        rows += [row | _seen(time, "temperature", sea) for row in found]
    hour = pictures["time"].values[-1] if at is None else np.datetime64(at, "ns")
    found = find_convergence_lines(sea["currents"].to_dataset(), hour)
    rows += [row | _seen(hour, "currents", sea) for row in found]
    if not rows:
        return empty_table("fronts")
    columns = {name: [row[name] for row in rows] for name in FRONTS}
    return make_table("fronts", [row["geometry"] for row in rows], columns)


def _seen(time: np.datetime64, node: str, sea: xr.DataTree) -> dict:
    source = str(sea[node].attrs.get("source", "")) or node
    return {"valid_time": time, "seen_time": time, "seen_share": 1.0, "source": source}
