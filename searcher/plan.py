"""The whole morning in one call: trip and sea in, plan out.

A plan also says what it does not know: see `searcher.conditions`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr

from searcher.carry import CURRENT_ERROR, DIFFUSIVITY, WINDAGE
from searcher.conditions import STANDING_CAUTIONS, Condition, describe_data, find_cautions, judge_conditions
from searcher.drift import drift_fronts
from searcher.evidence import floating_around
from searcher.fronts import find_fronts
from searcher.reach import WORK, at_middles, find_reach, range_polygon
from searcher.route import empty_stays, find_route
from searcher.score import rank_boxes
from searcher.sea import check_sea, to_seconds, to_times
from searcher.sources import check_cover
from searcher.trip import Trip
from searcher.waters import survey_waters


@dataclass(frozen=True)
class Plan:
    """A finished plan. Everything the page, the map and the plotter need; nothing is computed later."""

    trip: Trip
    sea: xr.DataTree
    fronts: gpd.GeoDataFrame  # lines at the hour of arrival (tables.FRONTS)
    reach: xr.Dataset  # time_out, time_home (s), fuel_out, fuel_home (L), reachable, on (lat, lon)
    range_polygon: shapely.Geometry  # the outline of `reachable`, degrees
    boxes: gpd.GeoDataFrame  # ranked search boxes (tables.BOXES); second geometry column `line`
    legs: gpd.GeoDataFrame  # the day in order (tables.LEGS)
    conditions: tuple[Condition, ...]
    cautions: tuple[str, ...]  # plain sentences, the standing ones last
    data: tuple[dict, ...]  # rows of sea.describe_sea, each with `age` (s, at departure)
    turn_for_home: np.datetime64  # latest time to turn for home from the end of the last box; NaT if none
    made_at: np.datetime64
    settings: dict = field(default_factory=dict)
    stays: pd.DataFrame = field(default_factory=empty_stays)  # how long at each box: see route.Route
    #: encounters of the best tour known of the boxes lying still, and what no tour of them can exceed
    best: float = 0.0
    bound: float = 0.0
    floating: xr.Dataset | None = None  # density of floating matter over the reach (fronts.floating)


def make_plan(
    trip: Trip,
    sea: xr.DataTree,
    *,
    pinned: Collection[int] = (),
    banned: Collection[int] = (),
    progress: Callable[[str], None] | None = None,
) -> Plan:
    """The plan of a trip on a sea: fronts, drift, reach, boxes, route, and what to beware of.

    pinned, banned: ranks of boxes that must, or must not, be worked. `progress` is called with the name of
    each stage as it begins. Raises `SeaError` for a sea that breaks its contract, `NoData` for currents that
    do not cover the trip's hours, `OutOfReach` for a boat that cannot leave and come home, or cannot work
    every box that is pinned.
    """
    say = progress or (lambda _: None)
    check_sea(sea)
    check_cover(sea, trip.window)
    say("reach")
    waters = survey_waters(trip, sea)
    reach = find_reach(trip, sea, waters=waters)
    say("fronts")
    fronts = find_fronts(sea, at=trip.window.start)
    say("drift")
    fronts = drift_fronts(fronts, sea, to=trip.window.start)
    fronts = drift_fronts(fronts, sea, to=arrival_times(fronts, reach, trip), join=False)
    say("boxes")
    polygon = range_polygon(reach)
    floating = None
    if not (fronts.empty or polygon.is_empty):
        middle = np.sort(fronts["valid_time"].to_numpy())[len(fronts) // 2]
        floating = floating_around(sea, [polygon], at=middle)
    boxes = rank_boxes(fronts, reach, sea, trip, floating=floating)
    say("route")
    route = find_route(boxes, reach, trip, sea=sea, waters=waters, prove=True, pinned=pinned, banned=banned)
    legs = route.legs
    data = describe_data(sea, trip)
    conditions = judge_conditions(trip, sea, reach)
    return Plan(
        trip=trip,
        sea=sea,
        fronts=fronts,
        reach=reach,
        range_polygon=polygon,
        boxes=boxes,
        legs=legs,
        stays=route.stays,
        best=route.best,
        bound=route.bound,
        floating=floating,
        conditions=conditions,
        cautions=find_cautions(trip, sea, reach, boxes, legs, conditions, data) + STANDING_CAUTIONS,
        data=data,
        turn_for_home=latest_turn(legs, reach, trip),
        made_at=np.datetime64("now", "ns"),
        settings={
            "windage": WINDAGE,
            "current_error": CURRENT_ERROR,
            "diffusivity": DIFFUSIVITY,
            "work": WORK,
            "cruise": route.speed,
            "troll": trip.gear.troll,
        },
    )


def arrival_times(fronts: gpd.GeoDataFrame, reach: xr.Dataset, trip: Trip) -> np.ndarray:
    """When the boat could first be at each line (datetime64); the leaving hour where it cannot get to."""
    if fronts.empty:
        return np.array([], dtype="datetime64[ns]")
    out = at_middles(reach["time_out"], fronts.geometry.values)
    out = np.where(np.isfinite(out), out, 0.0)
    longest = trip.window.hours
    return to_times(to_seconds(trip.window.start) + np.minimum(out + reach.attrs["port_time"], longest))


def latest_turn(legs: gpd.GeoDataFrame, reach: xr.Dataset, trip: Trip) -> np.datetime64:
    """Latest time to leave the end of the last box: in time for `home_by`, and above the reserve.

    Until then the boat is taken to troll on. NaT for an empty route.
    """
    if legs.empty:
        return np.datetime64("NaT", "ns")
    home = legs.iloc[-1]
    run = float((home["end"] - home["start"]) / np.timedelta64(1, "s"))
    by_hours = to_seconds(trip.window.end) - reach.attrs["port_time"] - run
    reserve = trip.boat.tank * trip.boat.reserve + reach.attrs["port_fuel"]
    trolling = (home["fuel_left"] - reserve) / float(trip.boat.burn(trip.gear.troll))
    by_fuel = to_seconds(home["start"]) + max(trolling, 0.0)
    return to_times(min(by_hours, by_fuel))[()]
