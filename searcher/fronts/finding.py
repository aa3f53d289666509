"""All the lines of a sea: breaks and changes of colour in its pictures, and where its currents converge."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr

from searcher.carry import drift_doubt, make_drift
from searcher.fronts.color import find_color_changes
from searcher.fronts.convergence import find_convergence_lines
from searcher.fronts.persistence import carry_lines, clear_views, join_repeats, points_along, share_seen
from searcher.fronts.temperature import find_temperature_breaks
from searcher.kernels.sample import sample_field
from searcher.sea import check_sea, grid_of, has
from searcher.tables import COLOR_CHANGE, FRONTS, empty_table, join_tables, make_table

#: a picture with less clear sea than this says too little about lines, share of what any picture saw
LEAST_CLEAR = 0.02
#: node, variable and finder of the lines that pictures show
TEMPERATURE = ("temperature", "sst", find_temperature_breaks)
COLOR = ("color", "chlor_a", find_color_changes)


def find_fronts(sea: xr.DataTree, *, at: np.datetime64 | None = None) -> gpd.GeoDataFrame:
    """Temperature breaks, changes of colour and convergence lines of a sea: a fronts table
    (`searcher.tables`).

    Breaks come from the map of the temperature (node `surface`) where the sea has one, and stand where they
    are at its hour; else from every picture by itself, and stand where it saw them. Changes of colour come
    from every picture of a sea that has the node `color`, carried to `at` and joined. `at` is the hour of the
    currents (default: that of the map, or of the newest picture). `searcher.drift` moves all of them on.
    """
    check_sea(sea)
    node = sea["surface" if has(sea, "surface") else "temperature"].to_dataset()
    hour = node["time"].values[-1] if at is None else np.datetime64(at, "ns")  # type: ignore[call-overload]
    lines = [
        row | _seen(hour, "currents", sea)
        for row in find_convergence_lines(sea["currents"].to_dataset(), hour)
    ]
    return join_tables("fronts", [find_breaks(sea), find_colors(sea, hour), _table(lines)])


def find_breaks(sea: xr.DataTree) -> gpd.GeoDataFrame:
    """The temperature breaks of `find_fronts`."""
    return _table(
        _breaks_of_map(sea) if has(sea, "surface") else _flat(_lines_of_pictures(sea, *TEMPERATURE))
    )


def find_colors(sea: xr.DataTree, at: np.datetime64) -> gpd.GeoDataFrame:
    """The changes of colour of `find_fronts`."""
    return _table(_color_changes(sea, at) if has(sea, "color") else [])


def _table(rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    if not rows:
        return empty_table("fronts")
    columns = {name: [row[name] for row in rows] for name in FRONTS}
    return make_table("fronts", [row["geometry"] for row in rows], columns)


def _flat(pictures: list[list[dict[str, Any]]]) -> list[dict[str, Any]]:
    return [row for rows in pictures for row in rows]


def _lines_of_pictures(
    sea: xr.DataTree, node: str, name: str, find: Callable[[xr.DataArray], list[dict[str, Any]]]
) -> list[list[dict[str, Any]]]:
    """The lines `find` finds in every picture of a node."""
    pictures = sea[node].to_dataset()[name]
    seen = [np.isfinite(values) for values in pictures.values]
    water = max(int(np.logical_or.reduce(seen).sum()), 1)
    rows = []
    for time, clear in zip(pictures["time"].values, seen, strict=True):
        picture = pictures.sel(time=time, drop=True)
        found = find(picture) if clear.sum() >= LEAST_CLEAR * water else []
        rows.append([row | _seen(time, node, sea) for row in found])
    return rows


def _color_changes(sea: xr.DataTree, at: np.datetime64) -> list[dict[str, Any]]:
    """Changes of colour where they are at an hour, each once."""
    found = _table(_flat(_lines_of_pictures(sea, *COLOR)))
    if found.empty:
        return []
    drift = make_drift(sea)
    there = carry_lines(found, drift, at)
    clear = clear_views(there, sea, drift, node="color", name="chlor_a")
    times = sea["color"].to_dataset()["time"].values
    joined = join_repeats(there, times, clear, kind=COLOR_CHANGE)
    return joined.to_dict("records")


def _breaks_of_map(sea: xr.DataTree) -> list[dict[str, Any]]:
    """The breaks of the map of the temperature, with how old the views are and how often they were seen."""
    surface = sea["surface"].to_dataset().isel(time=0)
    at: np.datetime64 = surface["time"].values.max()
    rows = find_temperature_breaks(surface["sst"].drop_vars("time"))
    if not rows:
        return []
    lines = [row["geometry"] for row in rows]
    found = [[row["geometry"] for row in picture] for picture in _lines_of_pictures(sea, *TEMPERATURE)]
    pictures = sea["temperature"].to_dataset()
    doubts = np.array([row["doubt"] for row in rows])
    shares = share_seen(lines, found, pictures, make_drift(sea), at=at, doubts=doubts)
    # a line may be pieced together from views of several hours, each carried as far as it is old
    ages = [_ages_along(line, surface) for line in lines]
    seen = [at - np.timedelta64(round(float(np.nanmedian(age)) * 1e3), "ms") for age in ages]
    return [
        row
        | _seen(at, "surface", sea)
        | {"seen_time": hour, "seen_share": float(share)}
        | {"doubt": float(np.sqrt(np.nanmean(drift_doubt(row["doubt"], age) ** 2)))}
        for row, age, hour, share in zip(rows, ages, seen, shares, strict=True)
    ]


def _ages_along(line: shapely.LineString, surface: xr.Dataset) -> np.ndarray:
    """Ages (s) of the views at points along a line; NaN where none is known."""
    xy, _ = points_along([line])
    age = np.ascontiguousarray(surface["age"].values, dtype=np.float64)
    return sample_field(age, grid_of(surface), xy[:, 0].copy(), xy[:, 1].copy())


def _seen(time: np.datetime64, node: str, sea: xr.DataTree) -> dict[str, Any]:
    source = str(sea[node].attrs.get("source", "")) or node
    return {"valid_time": time, "seen_time": time, "seen_share": 1.0, "source": source}
