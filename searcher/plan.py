"""The whole morning in one call: sea and trip in, plan out."""

from __future__ import annotations

from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import xarray as xr

from searcher.trip import Trip


@dataclass(frozen=True)
class Condition:
    """One fact of sea or weather against the skipper's own limit, in inside units.

    `value` is the worst expected inside the reach and hours of the trip (NaN where unknown), `at` when.
    """

    name: str  # "wind" (m/s) or "waves" (m)
    value: float
    limit: float
    at: np.datetime64

    @property
    def within(self) -> bool | None:
        """True or False; None where the value is not known."""
        return None if np.isnan(self.value) else bool(self.value <= self.limit)


@dataclass(frozen=True)
class Plan:
    """A finished plan. Everything the page, the map and the plotter need; nothing is computed later."""

    trip: Trip
    sea: xr.DataTree
    fronts: gpd.GeoDataFrame  # lines at the hour of arrival (tables.FRONTS)
    reach: xr.Dataset  # time_out, time_home (s), fuel_out, fuel_home (L), reachable, on (lat, lon)
    range_polygon: object  # shapely (multi)polygon: the outline of `reachable`, degrees
    boxes: gpd.GeoDataFrame  # ranked search boxes (tables.BOXES); second geometry column `line`
    legs: gpd.GeoDataFrame  # the day in order (tables.LEGS)
    conditions: tuple[Condition, ...]
    cautions: tuple[str, ...]  # plain sentences, most serious first
    data: tuple[dict, ...]  # rows of sea.describe_sea, each with `age` (s, at departure)
    turn_for_home: np.datetime64  # latest time to turn for home from the farthest point of the route
    made_at: np.datetime64
    settings: dict = field(default_factory=dict)
