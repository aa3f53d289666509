"""The whole morning in one call: trip and sea in, plan out.

A plan also says what it does not know: see `searcher.conditions`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr

from searcher.carry import CURRENT_ERROR, DIFFUSIVITY, WINDAGE
from searcher.coast import survey_coast
from searcher.conditions import STANDING_CAUTIONS, Condition, describe_data, find_cautions, judge_conditions
from searcher.drift import drift_fronts
from searcher.evidence import floating_around
from searcher.learn import learned_profile, prior_weights, read_season, update_weights
from searcher.profile import Profile, read_profile
from searcher.reach import WORK, at_middles, find_reach, last_start, range_polygon, time_to_troll
from searcher.route import MOST, empty_stays, find_route
from searcher.score import rank_boxes
from searcher.sea import check_sea, to_seconds, to_times
from searcher.tables import empty_table, join_tables
from searcher.trip import Trip
from searcher.waters import Waters, survey_waters

#: gives the outcome of a stage (its name, the facts it rests on besides the sea, how it is worked out)
Recall = Callable[[str, tuple[Any, ...], Callable[[], Any]], Any]


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
    data: tuple[dict[str, Any], ...]  # rows of sea.describe_sea, each with `age` (s, at departure)
    turn_for_home: np.datetime64  # latest time to turn for home from the end of the last box; NaT if none
    made_at: np.datetime64
    settings: dict[str, Any] = field(default_factory=dict)
    stays: pd.DataFrame = field(default_factory=empty_stays)  # how long at each box: see route.Route
    #: encounters of the best tour known of the boxes lying still, and what no tour of them can exceed
    best: float = 0.0
    bound: float = 0.0
    floating: xr.Dataset | None = None  # density of floating matter over the reach (fronts.floating)
    #: the weights the boxes were ranked with, and how many trips of the skipper's own stand behind them
    profile: Profile = None  # type: ignore[assignment]  # every plan that is made or opened has one
    learned_from: int = 0
    #: where a hull may go: what the reach was found in; every plan that is made or opened has them
    waters: Waters = None  # type: ignore[assignment]

    @property
    def proven(self) -> bool:
        """Whether no tour of the boxes lying still is better than the best known."""
        return self.bound <= self.best * (1 + 1e-6)


def make_plan(
    trip: Trip,
    sea: xr.DataTree,
    *,
    pinned: Collection[int] = (),
    banned: Collection[int] = (),
    prove: bool = True,
    progress: Callable[[str], None] | None = None,
    recall: Recall | None = None,
) -> Plan:
    """The plan of a trip on a sea: fronts, drift, reach, boxes, route, and what to beware of.

    pinned, banned: ranks of boxes that must, or must not, be worked. prove: whether it is worked out how much
    better a day might be, for which a better one may be found (`prove_plan` does it afterwards). `progress`
    is called with the name of each stage as it begins. recall: may give a stage's outcome back where this sea
    and the facts it rests on are those of an earlier plan (default: every stage is worked out). Where the
    trip file consents, the reviewed trips of its season weigh the evidence (`learned_weights`). Raises
    `SeaError` for a sea that breaks its contract, `NoData` for currents that do not cover the trip's hours,
    `OutOfReach` for a boat that cannot leave and come home, or cannot work every box that is pinned.
    """
    from searcher.sources import check_cover  # what is not needed at sea is not loaded there

    say, recall = progress or (lambda _: None), recall or _work_out
    recall("check", (), lambda: check_sea(sea))
    check_cover(sea, trip.window)
    profile, learned_from = recall("weights", (trip.target, trip.learn), lambda: learned_weights(trip))
    say("reach")
    shores = (trip.port, trip.finish, trip.avoid, trip.boat.draught, trip.range)
    coast = recall("coast", shores, lambda: survey_coast(trip, sea))
    places = (trip.port, trip.finish, trip.window, trip.boat, trip.avoid)
    waters = recall("waters", places, lambda: survey_waters(trip, sea, coast=coast))
    day = (*places, trip.gear.troll)
    reach, within = recall("reach", day, lambda: _with_outline(find_reach(trip, sea, waters=waters)))
    say("fronts")
    fronts, floating = recall(
        "lines", day, lambda: find_lines(trip, sea, reach, within=within, recall=recall)
    )
    say("boxes")
    wanted = (*day, trip.gear, trip.target, trip.learn, trip.show)
    known = {"profile": profile, "floating": floating, "within": within}
    boxes = recall("boxes", wanted, lambda: rank_boxes(fronts, reach, sea, trip, **known))
    say("route")
    plan = Plan(
        trip=trip,
        sea=sea,
        fronts=fronts,
        reach=reach,
        range_polygon=within,
        boxes=boxes,
        legs=empty_table("legs"),
        floating=floating,
        profile=profile,
        learned_from=learned_from,
        waters=waters,
        conditions=recall("conditions", day, lambda: judge_conditions(trip, sea, reach)),
        cautions=STANDING_CAUTIONS,
        data=recall("data", (trip.window, trip.data), lambda: describe_data(sea, trip)),
        turn_for_home=np.datetime64("NaT", "ns"),
        made_at=np.datetime64("now", "ns"),
        settings={
            "windage": WINDAGE,
            "current_error": CURRENT_ERROR,
            "diffusivity": DIFFUSIVITY,
            "work": WORK,
            "cruise": trip.boat.cruise,
            "troll": trip.gear.troll,
        },
    )
    return _route_day(plan, pinned, banned, most=MOST if prove else 0)


def prove_plan(plan: Plan, *, pinned: Collection[int] = (), banned: Collection[int] = ()) -> Plan:
    """The plan that `make_plan` makes with `prove`, from one it made without, pinned and banned alike.

    It may run beside the making of other plans: its waters keep the ways found in them to themselves.
    """
    apart = replace(plan, waters=plan.waters.apart())
    return _route_day(apart, pinned, banned, most=MOST)


def _route_day(plan: Plan, pinned: Collection[int], banned: Collection[int], *, most: int) -> Plan:
    """The plan with the best day found among its boxes, and what is to be said of it."""
    trip, sea, reach, boxes = plan.trip, plan.sea, plan.reach, plan.boxes
    route = find_route(
        boxes,
        reach,
        trip,
        sea=sea,
        waters=plan.waters,
        pinned=pinned,
        banned=banned,
        prove=True,
        most=most,
    )
    cautions = find_cautions(trip, sea, reach, boxes, route.legs, plan.conditions, plan.data)
    return replace(
        plan,
        legs=route.legs,
        stays=route.stays,
        best=route.best,
        bound=route.bound,
        cautions=cautions + STANDING_CAUTIONS,
        turn_for_home=latest_turn(route.legs, reach, trip, plan.waters),
        settings=plan.settings
        | {"cruise": route.speed, "pinned": sorted(map(int, pinned)), "banned": sorted(map(int, banned))},
    )


def _work_out(_stage: str, _facts: tuple[Any, ...], make: Callable[[], Any]) -> Any:
    """A `Recall` that remembers nothing."""
    return make()


def _with_outline(reach: xr.Dataset) -> tuple[xr.Dataset, shapely.Geometry]:
    return reach, range_polygon(reach)


def find_lines(
    trip: Trip,
    sea: xr.DataTree,
    reach: xr.Dataset,
    *,
    within: shapely.Geometry | None = None,
    recall: Recall = _work_out,
) -> tuple[gpd.GeoDataFrame, xr.Dataset | None]:
    """All there is to troll along, where it will be as the boat gets there, and the map of floating matter.

    Breaks and changes of colour are drifted to the hour of arrival. Of convergence lines only the stretches
    count over which matter has gathered by the middle of the day: where it is drawn together at one hour is
    not yet where it lies. No map where nothing is within reach. within: the outline of the reach, if known.
    """
    from searcher.fronts.finding import find_breaks, find_colors
    from searcher.fronts.gathering import find_gathering

    leave = trip.window.start
    breaks = recall("breaks", (), lambda: find_breaks(sea))
    fronts = recall("fronts", (leave,), lambda: _where_at(leave, [breaks, find_colors(sea, leave)], sea))
    fronts = drift_fronts(fronts, sea, to=arrival_times(fronts, reach, trip), join=False)
    within = range_polygon(reach) if within is None else within
    if within.is_empty:
        return fronts, None
    middle = trip.window.start + (trip.window.end - trip.window.start) // 2
    floating = floating_around(sea, [within], at=middle)
    currents, time = sea["currents"].to_dataset(), time_to_troll(reach, trip)
    gathering = find_gathering(floating, within, currents, seen=trip.window.start, time=time)
    return join_tables("fronts", [fronts, gathering]), floating


def _where_at(time: np.datetime64, found: list[gpd.GeoDataFrame], sea: xr.DataTree) -> gpd.GeoDataFrame:
    """Lines where they lie at an hour."""
    return drift_fronts(join_tables("fronts", found), sea, to=time)


def learned_weights(trip: Trip) -> tuple[Profile, int]:
    """The profile of the trip's target, and how many reviewed trips of its season have moved its weights.

    Only with the skipper's consent in the trip file (`[learn] from_log`); else none.
    """
    profile = read_profile(trip.target.species, trip.folder)
    logs = read_season(trip.season, profile, but=trip.folder) if trip.learn.from_log else []
    if not logs:
        return profile, 0
    learned = update_weights(prior_weights(profile), pd.concat(logs, ignore_index=True))
    return learned_profile(profile, learned), len(logs)


def arrival_times(fronts: gpd.GeoDataFrame, reach: xr.Dataset, trip: Trip) -> np.ndarray:
    """When the boat could first be at each line (datetime64); the leaving hour where it cannot get to."""
    if fronts.empty:
        return np.array([], dtype="datetime64[ns]")
    out = at_middles(reach["time_out"], fronts.geometry.values)
    out = np.where(np.isfinite(out), out, 0.0)
    longest = trip.window.hours
    return to_times(to_seconds(trip.window.start) + np.minimum(out + reach.attrs["port_time"], longest))


def latest_turn(legs: gpd.GeoDataFrame, reach: xr.Dataset, trip: Trip, waters: Waters) -> np.datetime64:
    """Latest time to leave the end of the last box: in time for `home_by`, and above the reserve.

    Until then the boat is taken to troll on. NaT for an empty route.
    """
    if legs.empty:
        return np.datetime64("NaT", "ns")
    home, boat = legs.iloc[-1], trip.boat
    reserve = boat.tank * boat.reserve + reach.attrs["finish_fuel"]
    turn = last_start(
        waters,
        home.geometry,
        float(home["speed"]),
        leave=float(to_seconds(home["start"])),
        back=float(to_seconds(trip.window.end)) - reach.attrs["finish_time"],
        fuel=home["fuel_left"] + home["fuel_used"] - reserve,
        burn=float(boat.burn(home["speed"])),
        idle=float(boat.burn(trip.gear.troll)),
    )
    return to_times(turn)
