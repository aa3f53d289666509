"""At sea: what was seen since the morning, from here, on the fuel that is left: where next, and when home.

Everything starts from the morning's plan and the whole log each time. Boxes keep the numbers of the morning,
since those are on the plotter; new ones, laid where weed or debris was met, have the numbers after them. The
route that the last answer told is left only for one clearly better: the boat is not sent to and fro.
"""

from __future__ import annotations

import os
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr

from searcher.carry import make_drift
from searcher.errors import OutOfReach
from searcher.evidence import Observer
from searcher.geo import Place, bearing, distance, near_longitude
from searcher.homeward import WayHome, way_home
from searcher.keep import open_plan
from searcher.learn import Reading, Weights, depth_gain, prior_weights, update_weights
from searcher.learn.afloat import NOTED, look_again
from searcher.learn.day import (
    Day,
    at_their_hour,
    entries_of,
    in_order,
    meet_lines,
    read_thermometer,
    temperature_bias,
)
from searcher.learn.trolled import hookups, stretches_of, with_fading
from searcher.new_boxes import carried_on
from searcher.onward import check_numbers, leg_home, out_of_reach, still_worth_it, with_route
from searcher.plan import Plan
from searcher.route import empty_stays
from searcher.sea import to_seconds
from searcher.sightings.entry import BY_PLAN
from searcher.sightings.places import LastAnswer, middle_of, say_place
from searcher.tables import CRS, empty_table
from searcher.weighing import fading_at, weigh_anew

#: from so long before leaving, and until so long after coming home, there is a day to rerank
EARLY, LATE = np.timedelta64(2, "h"), np.timedelta64(6, "h")


@dataclass(frozen=True)
class Rerank:
    """What the log makes of the plan.

    plan: as the morning's, with `boxes` (best first; their lines, doubts and rates now), `legs`, `stays`,
    `reach` and `turn_for_home` from here; where nothing else is left, `legs` is the way home. changes: per
    box `number`, `before` (0 of those that are new), `now` (per hour), and why: `signs` (ln rate), `factor`,
    `left` (share not worked out), `trolled` (s), `met`, `shift` (m), `doubt` before and now (m). offsets:
    lines met (`searcher.learn.day.meet_lines`). hookups: what is left of each
    (`searcher.learn.hookup_state`), with `gain`, what it adds to ln rate at its depth. log: the entries up to
    now. readings: of the thermometer that `bias` is of; unread: figures in the log that are none, or cannot
    be held against the map (`searcher.learn.day.read_thermometer`). others: entries of other days in the log,
    left out. laid: lines of all boxes laid at sea today, by number, where each is now. floating: what floats,
    after the log (`searcher.learn.afloat.look_again`). told: numbers of the boxes of the route told before.
    gone: those of the route told last, by the last answer or else in the morning, that are beyond the reach
    from here.
    """

    plan: Plan
    at: Place
    now: np.datetime64
    fuel: float
    home: WayHome
    changes: pd.DataFrame
    offsets: pd.DataFrame
    stretches: pd.DataFrame
    hookups: pd.DataFrame
    log: gpd.GeoDataFrame
    readings: int
    unread: pd.DataFrame
    others: int
    bias: Reading
    weights: Weights
    laid: dict[int, shapely.LineString]
    floating: xr.Dataset | None = None
    told: tuple[int, ...] = ()
    gone: tuple[int, ...] = ()

    @property
    def answer(self) -> LastAnswer:
        """What the next rerank of the day starts from."""
        stays = tuple(int(number) for number in self.plan.stays["box"])
        return LastAnswer(self.laid, self.now, stays, len(self.log))

    @property
    def goes_on(self) -> bool:
        """Whether there is a box left to work before going home."""
        return bool((self.plan.legs["kind"] != "home").any())

    @property
    def next_course(self) -> float:
        """The first course to steer, degrees true; NaN where there is no leg."""
        if self.plan.legs.empty:
            return float("nan")
        here, there = (Place(*xy) for xy in shapely.get_coordinates(self.plan.legs.geometry.iloc[0])[:2])
        return bearing(here, there)


def rerank(
    plan: Plan | str | os.PathLike[str],
    sightings: gpd.GeoDataFrame,
    *,
    at: Place,
    fuel: float,
    now: np.datetime64 | None = None,
    pinned: Collection[int] = (),
    banned: Collection[int] = (),
    home_by: np.datetime64 | None = None,
    last: LastAnswer | None = None,
) -> Rerank:
    """The boxes and the day anew, from what was seen (`searcher.tables.SIGHTINGS`) up to now.

    plan: of the morning, or the trip folder that keeps it. at: where the boat is; fuel: L in the tank, with
    the reserve; now: UTC (default: the clock). pinned, banned: numbers of boxes that must, or must not, be
    worked. home_by: earlier than the trip's own, UTC. last: what the last rerank of the day told
    (`Rerank.answer`; of one written in a folder `searcher.sightings.places.last_answer`): the numbers of
    boxes laid at sea are given to no others, and where the log has no more entries now, no new ones are laid.

    Bites and blanks move the weights and the boxes they came in; hookups raise their depth and birds what is
    near, all fading; weed and debris, met or missed, correct the map of what floats, and new boxes are laid
    where there is more; breaks and changes of colour met elsewhere shift the lines near them; the thermometer
    corrects the temperature. The morning's boxes are left only for those better by `LOYAL`, the
    route told last only for one better by `searcher.route.STAYING`. Never plans on the reserve: where nothing
    but the way home fits, that is the only leg.
    Raises `OutOfReach` for a place that is not in the waters of the trip, an hour that is not of the trip,
    more fuel than the tank holds, or pins and bans of no box, or pins that do not fit; `NoData` where no plan
    is kept.
    """
    plan = plan if isinstance(plan, Plan) else open_plan(plan)
    now = np.datetime64("now" if now is None else now, "ns")  # type: ignore[call-overload]
    plan = (
        plan if home_by is None else replace(plan, trip=plan.trip.until(min(home_by, plan.trip.window.end)))
    )
    at = Place(float(near_longitude(at[0], plan.trip.port.sea_buoy.lon)), float(at[1]))
    check_given(plan, at, fuel, now)
    own = entries_of(plan.trip, sightings)
    day = day_at_sea(plan, own, now)
    # weed and debris lie in many places besides the forecast lines: they tell of what floats, not of a line
    offsets = meet_lines(replace(day, log=day.log[~day.log["kind"].isin(NOTED)]))
    figures = read_thermometer(day)
    bias, readings = temperature_bias(figures)
    stretches = with_fading(stretches_of(day), plan.boxes, fading_at(plan, plan.boxes))
    weights = prior_weights(day.profile)
    weights = update_weights(weights, stretches) if len(stretches) else weights
    floating = look_again(day, plan.range_polygon) if len(plan.boxes) else None
    last = last or LastAnswer({})
    laid, told = carried_on(last, day), last.told
    kept = set(laid) & {*told, *pinned, *banned}
    around = at if last.entries is None or len(day.log) != last.entries else None
    boxes, changes = weigh_anew(plan, day, around, offsets, bias, stretches, weights, floating, laid, kept)
    check_numbers(boxes, (*pinned, *banned))
    highest = plan.boxes["rank"].max()
    laid |= {int(box.rank): box.line for box in boxes.itertuples() if box.rank > highest}
    home = way_home(plan, at, fuel, now)
    hooked = hookups(day, stretches, now)
    made = replace(plan, boxes=boxes, made_at=now, legs=empty_table("legs"), stays=empty_stays(), **NOTHING)
    if home.fits:
        loyal = still_worth_it({*plan.stays["box"], *told}, changes)
        made = with_route(made, at, fuel, now, pinned, banned, loyal, [n for n in told if n in loyal])
    gone = () if made.legs.empty else out_of_reach(told or plan.stays["box"], made)
    if made.legs.empty:
        made = replace(made, legs=leg_home(plan, at, fuel, now, home))
    return Rerank(
        plan=made,
        at=at,
        now=now,
        fuel=fuel,
        home=home,
        changes=changes,
        offsets=offsets,
        stretches=stretches,
        hookups=_with_gain(hooked),
        log=day.log,
        readings=readings,
        unread=figures[figures["difference"].isna()],
        others=len(sightings) - len(own),
        bias=bias,
        weights=weights,
        laid=laid,
        floating=floating,
        told=told,
        gone=gone,
    )


NOTHING: dict[str, Any] = {"best": 0.0, "bound": 0.0, "turn_for_home": np.datetime64("NaT", "ns")}


def check_given(plan: Plan, at: Place, fuel: float, now: np.datetime64) -> None:
    """Refuse what cannot be: a place on land or far off, too much fuel, an hour of another day."""
    waters, trip = plan.waters, plan.trip
    tank = trip.boat.tank
    if not 0.0 <= fuel <= tank * 1.001:
        show = trip.show.say_fuel
        raise OutOfReach(
            "fuel in the tank", given=show(fuel), expected=f"0 to {show(tank)}, the reserve included"
        )
    if not waters.covers(at) or shapely.intersects_xy(waters.obstacles, *at):
        where = "on land or within its clearance" if waters.covers(at) else "beyond the waters of the trip"
        if shapely.intersects_xy(trip.avoid.closed, *at):
            where = "in a closed area"
        near = waters.nearest_open(at)
        off = f"{bearing(at, near):03.0f} true, {trip.show.say_distance(distance(at, near))}"
        raise OutOfReach(
            "the boat's place",
            given=f"{say_place(at)}, {where}",
            expected="a place on the water of the trip, clear of land (with its clearance) and closed areas",
            hint=f"The nearest such water is {off}, as the crow flies: go there by the chart, then --at "
            f'"{say_place(near)}"',
        )
    window = trip.window
    if not window.start - EARLY <= now < window.end + LATE:
        raise OutOfReach(
            "the hour",
            given=trip.show.say_time(now),
            expected=" to ".join(trip.show.say_time(time) for time in (window.start, window.end)),
            hint="Give --time, such as 10:30",
        )


def where_logged(plan: Plan, log: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Entries of a log with what was placed by the number of a box where that box lay at their hour."""
    return at_their_hour(log, plan.boxes, make_drift(plan.sea))


def place_of_box(plan: Plan, line: shapely.LineString, now: np.datetime64) -> Place:
    """The middle of a stretch of the plan now: of a box where it has drifted to, of a leg as it is drawn."""
    entry = gpd.GeoDataFrame(
        {"time": [now], "end": [now], "source": [BY_PLAN]}, geometry=[shapely.Point(middle_of(line))], crs=CRS
    )
    return Place(*shapely.get_coordinates(where_logged(plan, entry).geometry.iloc[0])[0])


def day_at_sea(plan: Plan, sightings: gpd.GeoDataFrame, now: np.datetime64) -> Day:
    """The day as learning sees it; sightings: of its own hours (`searcher.learn.day.entries_of`)."""
    drift = make_drift(plan.sea)
    observer = Observer(plan.sea, plan.fronts, drift, plan.floating)
    log = at_their_hour(in_order(sightings, now, species=plan.profile.name), plan.boxes, drift)
    return Day(plan.fronts, plan.boxes, observer, plan.profile, plan.trip, log, float(to_seconds(now)))


def _with_gain(hooked: pd.DataFrame) -> pd.DataFrame:
    """Hookups with what each adds to ln rate at its own depth."""
    rows = [hooked.iloc[[k]] for k in range(len(hooked))]
    return hooked.assign(gain=[float(depth_gain(row["depth"].to_numpy(), row)[0]) for row in rows])
