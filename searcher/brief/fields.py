"""The plan's fields as maps show them: cut to a region, at the hour of leaving, in the skipper's units.

Nothing is computed about the sea; values are picked, cast into units and, for the screen, laid on even rows.
"""

from __future__ import annotations

from typing import NamedTuple, TypeVar

import numpy as np
import xarray as xr

from searcher.fronts.convergence import attraction, currents_at
from searcher.geo import Region
from searcher.plan import Plan
from searcher.sea import has
from searcher.units import HOUR, LABELS, c_to_f, to_unit

#: depth contours in each unit
DEPTHS = {"m": (50, 200, 1000), "ft": (150, 600, 3000), "fathom": (30, 100, 500)}
#: widths of colour steps, degrees of the skipper's unit
COLOR_STEPS = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0)
#: clear views older than this before the newest one are not shown
OLDEST = np.timedelta64(72, "h")
#: where a made map shows water seen so much earlier than its newest, it is an older view, s
OLDER = HOUR


Cuttable = TypeVar("Cuttable", xr.Dataset, xr.DataArray)


class View(NamedTuple):
    """Temperature as last seen (skipper's unit), its age at leaving (s), and where it is an older view."""

    lon: np.ndarray
    lat: np.ndarray
    values: np.ndarray
    age: np.ndarray
    older: np.ndarray
    first: np.datetime64
    last: np.datetime64


class Field(NamedTuple):
    """Values (lat, lon) on even nodes, in the skipper's unit; NaN where nothing is known."""

    lon: np.ndarray
    lat: np.ndarray
    values: np.ndarray
    unit: str


def cut(data: Cuttable, region: Region) -> Cuttable:
    """A grid on a region and one cell around it."""
    rim = [abs(float(data[axis].values[1] - data[axis].values[0])) for axis in ("lon", "lat")]
    return data.sel(
        lon=slice(region.west - rim[0], region.east + rim[0]),
        lat=slice(region.south - rim[1], region.north + rim[1]),
    )


def newest_view(plan: Plan, region: Region) -> View:
    """The temperature of every cell as last seen: the map the plan was made from, or else the pictures."""
    if has(plan.sea, "surface"):
        return _view_of_map(plan, region)
    return _view_of_pictures(plan, region)


def _view_of_map(plan: Plan, region: Region) -> View:
    data = cut(plan.sea["surface"].to_dataset(), region).isel(time=-1)
    sst, age = data["sst"].values.astype(float), data["age"].values.astype(float)
    made = (plan.trip.window.start - data["time"].values.max()) / np.timedelta64(1, "s")
    age = np.where(np.isfinite(sst), age + made, np.nan)
    known = age[np.isfinite(age)]
    newest, oldest = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    first, last = (plan.trip.window.start - np.timedelta64(round(span), "s") for span in (oldest, newest))
    return View(
        data["lon"].values, data["lat"].values, _degrees(plan, sst), age, age > newest + OLDER, first, last
    )


def _view_of_pictures(plan: Plan, region: Region) -> View:
    """The newest clear value of every cell, from pictures up to the end of the trip."""
    data = cut(plan.sea["temperature"].to_dataset(), region)
    times = data["time"].values
    usable = times[times <= plan.trip.window.end]
    last = usable[-1] if usable.size else times[0]
    data = data.sel(time=slice(last - OLDEST, last))
    merged, first = np.full(data["sst"].shape[1:], np.nan), last
    age = merged.copy()
    for time, picture in zip(data["time"].values[::-1], data["sst"].values[::-1], strict=True):
        gained = np.isnan(merged) & np.isfinite(picture)
        if gained.any():
            merged, first = np.where(gained, picture, merged), time
            age[gained] = (plan.trip.window.start - time) / np.timedelta64(1, "s")
    newest = np.isfinite(data["sst"].values[-1])
    older = np.isfinite(merged) & ~newest
    return View(data["lon"].values, data["lat"].values, _degrees(plan, merged), age, older, first, last)


def _degrees(plan: Plan, values: np.ndarray) -> np.ndarray:
    return c_to_f(values) if plan.trip.show.temperature == "F" else values


def color_levels(values: np.ndarray, *, steps: tuple[float, ...] = COLOR_STEPS) -> np.ndarray:
    """A dozen or so even steps, of one of some widths, over the middle 96 % of the values."""
    finite = values[np.isfinite(values)]
    low, high = np.percentile(finite, [2, 98]) if finite.size else (0.0, 1.0)
    step = next((s for s in steps if (high - low) / s <= 17), steps[-1])
    count = max(int(np.ceil(high / step) - np.floor(low / step)), 2)
    return np.floor(low / step) * step + step * np.arange(count + 1)


def depth_field(plan: Plan, region: Region) -> Field | None:
    """Depth of the sea floor; None where it is not known."""
    if not has(plan.sea, "depth"):
        return None
    data = cut(plan.sea["depth"].to_dataset(), region)
    if min(data["depth"].shape) < 2 or not np.isfinite(data["depth"].values).any():
        return None
    unit = plan.trip.show.depth
    values = to_unit(data["depth"].values.astype(float), unit)
    return Field(data["lon"].values, data["lat"].values, values, LABELS[unit])


def current_fields(plan: Plan, region: Region) -> tuple[Field, Field] | None:
    """East and north components of the currents at the hour of leaving; None where the region has none."""
    data = plan.sea["currents"].to_dataset()
    unit = plan.trip.show.speed
    pair = [
        cut(xr.DataArray(part, {"lat": data["lat"], "lon": data["lon"]}, ("lat", "lon")), region)
        for part in currents_at(data, plan.trip.window.start)
    ]
    if min(pair[0].shape) < 2 or not np.isfinite(pair[0].values).any():
        return None
    east, north = (
        Field(a["lon"].values, a["lat"].values, to_unit(a.values, unit), LABELS[unit]) for a in pair
    )
    return east, north


def convergence_field(plan: Plan, region: Region) -> Field | None:
    """How fast surface water closes in at the hour of leaving, per day; negative where it spreads."""
    data = plan.sea["currents"].to_dataset()
    if min(data["u"].shape[1:]) < 3:
        return None
    found = cut(attraction(data, plan.trip.window.start), region)["divergence"]
    return Field(found["lon"].values, found["lat"].values, -found.values * 86400.0, "per day")


def floating_field(plan: Plan, region: Region, name: str = "density") -> Field | None:
    """Floating matter relative to the usual (1), or its relative `doubt`; None where the plan has none."""
    floating = plan.floating
    if floating is None or min(floating[name].shape) < 2:
        return None
    data = cut(floating[name], region)
    if min(data.shape) < 2 or not np.isfinite(data.values).any():
        return None
    return Field(data["lon"].values, data["lat"].values, data.values.astype(float), "times the usual")
