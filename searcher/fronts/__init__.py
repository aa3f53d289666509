"""From grids to lines: where temperature breaks and where the currents gather floating matter."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr

from searcher.carry import drift_doubt, make_drift
from searcher.fronts.convergence import attraction, find_convergence_lines
from searcher.fronts.persistence import share_seen
from searcher.fronts.temperature import find_temperature_breaks
from searcher.kernels.sample import sample_field
from searcher.sea import check_sea, grid_of, has
from searcher.tables import FRONTS, empty_table, make_table

__all__ = ["attraction", "find_convergence_lines", "find_fronts", "find_temperature_breaks"]

#: a picture with less clear sea than this says too little about lines, share of what any picture saw
LEAST_CLEAR = 0.02


def find_fronts(sea: xr.DataTree, *, at: np.datetime64 | None = None) -> gpd.GeoDataFrame:
    """Temperature breaks and, at one hour, convergence lines of a sea: a fronts table (`searcher.tables`).

    Breaks come from the map of the temperature (node `surface`) where the sea has one, and stand where they
    are at its hour; else from every picture by itself, and stand where it saw them. `at` is the hour of the
    currents (default: that of the map, or of the newest picture). `searcher.drift` moves them on.
    """
    check_sea(sea)
    mapped = has(sea, "surface")
    node = sea["surface" if mapped else "temperature"]
    hour = node["time"].values[-1] if at is None else np.datetime64(at, "ns")
    rows = _breaks_of_map(sea) if mapped else [row for rows in _breaks_of_pictures(sea) for row in rows]
    found = find_convergence_lines(sea["currents"].to_dataset(), hour)
    rows += [row | _seen(hour, "currents", sea) for row in found]
    if not rows:
        return empty_table("fronts")
    columns = {name: [row[name] for row in rows] for name in FRONTS}
    return make_table("fronts", [row["geometry"] for row in rows], columns)


def _breaks_of_pictures(sea: xr.DataTree) -> list[list[dict]]:
    """The breaks of every picture."""
    pictures = sea["temperature"].to_dataset()["sst"]
    water = max(int(np.isfinite(pictures.values).any(axis=0).sum()), 1)
    rows = []
    for time in pictures["time"].values:
        picture = pictures.sel(time=time, drop=True)
        clear = int(np.isfinite(picture.values).sum()) >= LEAST_CLEAR * water
        found = find_temperature_breaks(picture) if clear else []
        rows.append([row | _seen(time, "temperature", sea) for row in found])
    return rows


def _breaks_of_map(sea: xr.DataTree) -> list[dict]:
    """The breaks of the map of the temperature, with how old the views are and how often they were seen."""
    surface = sea["surface"].to_dataset().isel(time=0)
    at = surface["time"].values
    rows = find_temperature_breaks(surface["sst"].drop_vars("time"))
    if not rows:
        return []
    lines = [row["geometry"] for row in rows]
    found = [[row["geometry"] for row in picture] for picture in _breaks_of_pictures(sea)]
    pictures = sea["temperature"].to_dataset()
    shares = share_seen(lines, found, pictures, make_drift(sea), at=at, doubt=rows[0]["doubt"])
    ages = [_age_along(line, surface) for line in lines]
    return [
        row
        | _seen(at, "surface", sea)
        | {"seen_time": at - np.timedelta64(round(age * 1e3), "ms"), "seen_share": float(share)}
        | {"doubt": float(drift_doubt(row["doubt"], age))}
        for row, age, share in zip(rows, ages, shares, strict=True)
    ]


def _age_along(line: shapely.LineString, surface: xr.Dataset) -> float:
    """Median age (s) of the views along a line."""
    xy = shapely.get_coordinates(line)
    age = np.ascontiguousarray(surface["age"].values, dtype=np.float64)
    return float(np.nanmedian(sample_field(age, grid_of(surface), xy[:, 0].copy(), xy[:, 1].copy())))


def _seen(time: np.datetime64, node: str, sea: xr.DataTree) -> dict:
    source = str(sea[node].attrs.get("source", "")) or node
    return {"valid_time": time, "seen_time": time, "seen_share": 1.0, "source": source}
