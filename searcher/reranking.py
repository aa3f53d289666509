"""At sea: what was seen since the morning, from here, on the fuel that is left: where next, and when home.

Everything starts from the morning's plan and the whole log each time. Boxes keep the numbers of the morning,
since those are on the plotter; new ones, laid where weed or debris was met, have the numbers after them. The
route that the last answer told is left only for one clearly better: the boat is not sent to and fro.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xarray as xr
from numpy.typing import ArrayLike

from searcher.carry import make_drift
from searcher.course import Laid, Log, day_of
from searcher.drift import lines_at
from searcher.errors import OutOfReach
from searcher.evidence import Observer
from searcher.geo import Place, bearing, distance, line_length, near_longitude
from searcher.homeward import WayHome, way_home
from searcher.keep import open_plan
from searcher.learn import (
    Reading,
    Weights,
    depth_gain,
    posterior_rate,
    prior_weights,
    shift_lines,
    update_weights,
)
from searcher.learn.afloat import NOTED, look_again
from searcher.learn.afresh import gathered_now, lay_afresh, looked_over, tracks_now
from searcher.learn.day import (
    Day,
    at_their_hour,
    doubts_at,
    entries_of,
    in_order,
    meet_lines,
    seen_times,
    temperature_bias,
)
from searcher.learn.trolled import (
    box_factor,
    features_of,
    hints_at,
    hookups,
    stretches_of,
    widen,
    with_fading,
    work_of,
)
from searcher.plan import Plan, latest_turn
from searcher.profile import PIECES
from searcher.reach import at_middles, find_reach
from searcher.route import RATES, Route, empty_stays, fading_of, find_route, make_legs
from searcher.sea import to_seconds, to_times
from searcher.sightings.entry import BY_PLAN
from searcher.sightings.places import middle_of, say_place
from searcher.tables import CONVERGENCE_LINE, CRS, EVIDENCE, check_table, empty_table
from searcher.units import HOUR

#: from so long before leaving, and until so long after coming home, there is a day to rerank
EARLY, LATE = np.timedelta64(2, "h"), np.timedelta64(6, "h")
#: the work a place must leave time and fuel for at sea, s
WORK = 900.0
#: so many boxes, the best, are looked at for a route: the answer must not keep the skipper waiting
MOST_BOXES = 40
#: the morning's route is left only for what is better by this factor; a box with less left has been worked
LOYAL, UNWORKED = 1.25, 0.7
#: a line this short after drifting is no box any more, m
SHORTEST = 1000.0
#: a box laid at sea is one laid before where no part of the one lies farther from the other, degrees
SAME_LINE = 2e-3


@dataclass(frozen=True)
class Rerank:
    """What the log makes of the plan.

    plan: as the morning's, with `boxes` (best first; their lines, doubts and rates now), `legs`, `stays`,
    `reach` and `turn_for_home` from here; where nothing else is left, `legs` is the way home. before: the
    morning's boxes. changes: per box `number`, `before` (0 of those that are new), `now` (per hour), and
    why: `signs` (ln rate), `factor`, `left` (share not worked out), `trolled` (s), `met`, `shift` (m),
    `doubt` before and now (m). offsets: lines met (`searcher.learn.day.meet_lines`). hookups: what is left
    of each (`searcher.learn.hookup_state`), with `gain`, what it adds to ln rate at its depth. log: the
    entries up to now. readings: of the thermometer that `bias` is of; unread: figures in the log that are
    none, or cannot be held against the map. others: entries of other days in the log, left out. laid: lines
    of all boxes laid at sea today, by number, where each is now. floating: what floats, after the log
    (`searcher.learn.afloat.look_again`). told: numbers of the boxes of the route told before.
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
    unread: int
    others: int
    bias: Reading
    weights: Weights
    laid: dict[int, shapely.LineString]
    floating: xr.Dataset | None = None
    told: tuple[int, ...] = ()

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
    laid: Mapping[int, shapely.LineString] | None = None,
    laid_at: np.datetime64 | None = None,
    told: Sequence[int] = (),
    entries: int | None = None,
) -> Rerank:
    """The boxes and the day anew, from what was seen (`searcher.tables.SIGHTINGS`) up to now.

    plan: of the morning, or the trip folder that keeps it. at: where the boat is; fuel: L in the tank, with
    the reserve; now: UTC (default: the clock). pinned, banned: numbers of boxes that must, or must not, be
    worked. home_by: earlier than the trip's own, UTC. laid: boxes that earlier reranks of the day laid at sea
    (`Rerank.laid`) and where they lay at `laid_at` (UTC; default: now): their numbers are given to no others.
    told: numbers of the boxes of the route the last of them told, in order, from a log of so many `entries`:
    where it has no more now, no new boxes are laid.

    Bites and blanks move the weights and the boxes they came in; hookups raise their depth and birds what is
    near, all fading; weed and debris, met or missed, correct the map of what floats, and new boxes are laid
    where there is more; breaks and changes of colour met elsewhere shift the lines near them; the thermometer
    corrects the temperature. The morning's boxes are left only for those better by `LOYAL`, the
    route told last only for one better by `searcher.route.STAYING`. Never plans on the reserve: where nothing
    but the way home fits, that is the only leg.
    Raises `OutOfReach` for a place that is not in the waters of the trip, an hour that is not of the trip,
    more fuel than the tank holds, or pins that do not fit; `NoData` where no plan is kept.
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
    bias, readings = temperature_bias(day)
    stretches = with_fading(stretches_of(day), plan.boxes, fading_at(plan, plan.boxes))
    weights = prior_weights(day.profile)
    weights = update_weights(weights, stretches) if len(stretches) else weights
    floating = look_again(day, plan.range_polygon) if len(plan.boxes) else None
    laid = _carried_on(dict(laid or {}), now if laid_at is None else laid_at, day)
    kept = set(laid) & {*told, *pinned, *banned}
    around = at if entries is None or len(day.log) != entries else None
    boxes, changes = weigh_anew(plan, day, around, offsets, bias, stretches, weights, floating, laid, kept)
    last = plan.boxes["rank"].max()
    laid |= {int(box.rank): box.line for box in boxes.itertuples() if box.rank > last}
    home = way_home(plan, at, fuel, now)
    hooked = hookups(day, stretches, now)
    made = replace(plan, boxes=boxes, made_at=now, legs=empty_table("legs"), stays=empty_stays(), **NOTHING)
    if home.fits:
        loyal = _still_worth_it({*plan.stays["box"], *told}, changes)
        made = _with_route(made, at, fuel, now, pinned, banned, loyal, [n for n in told if n in loyal])
    if made.legs.empty:
        made = replace(made, legs=_leg_home(plan, at, fuel, now, home))
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
        unread=int(day.log["value"].notna().sum()) - readings,
        others=len(sightings) - len(own),
        bias=bias,
        weights=weights,
        laid=laid,
        floating=floating,
        told=tuple(told),
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


# ---- the boxes


def weigh_anew(
    plan: Plan,
    day: Day,
    at: Place | None,
    offsets: pd.DataFrame,
    bias: Reading,
    stretches: pd.DataFrame,
    weights: Weights,
    floating: xr.Dataset | None,
    laid: Mapping[int, shapely.LineString],
    kept: Collection[int],
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """The boxes where they are now, with what is to be expected of them now, best first; and what changed.

    at: where the boat is, around which new ones are laid; None to lay none.
    """
    boxes = boxes_now(plan, day)
    if boxes.empty:
        return boxes, pd.DataFrame()
    tracks = tracks_now(stretches, day)
    boxes = _shifted(boxes, offsets)
    if floating is not None:
        boxes = with_new(plan, day, at, boxes, tracks, floating, laid, kept)
    features = features_of(boxes, day, bias=bias.mean)
    signs = hints_at(day, boxes, features["bottom"], stretches)
    plain = posterior_rate(weights, features)
    rates = posterior_rate(weights, features.assign(offset=signs))
    over = looked_over(boxes["line"].to_numpy(), tracks)
    work = [work_of(stretches, *pair) for pair in zip(boxes["rank"], over, strict=True)]
    trolled, met, along = np.array(work).T
    fading = fading_at(plan, boxes)
    factor = box_factor(plain["expected"] / HOUR * -np.expm1(-fading * trolled) / fading, met)
    left = np.exp(-fading * along)
    scale = factor * left
    shares = {EVIDENCE + piece: features[piece] * _weight_of(weights, piece) for piece in PIECES}
    boxes = boxes.assign(**{name: rates[name] * scale for name in RATES}, **shares)
    boxes["depth"], boxes["temperature"] = features["bottom"], boxes["temperature"] + bias.mean
    changes = pd.DataFrame(
        {
            "number": boxes["rank"],
            "before": boxes["rank"].map(plan.boxes.set_index("rank")["expected"]).fillna(0.0),
            "now": boxes["expected"],
            "signs": signs,
            "factor": factor,
            "left": left,
            "trolled": trolled,
            "met": met,
            "shift": boxes["shift"],
            "doubt_before": boxes["doubt_before"],
            "doubt": boxes["doubt"],
        }
    )
    order = np.lexsort((boxes["rank"], -boxes["expected"]))
    return check_table("boxes", boxes.iloc[order].reset_index(drop=True)), changes.iloc[order].reset_index(
        drop=True
    )


def _shifted(boxes: gpd.GeoDataFrame, offsets: pd.DataFrame) -> gpd.GeoDataFrame:
    """Boxes where lines met elsewhere put them; `shift` (m), `doubt_before` (m)."""
    moved = shift_lines(boxes.set_geometry(gpd.GeoSeries(boxes["line"], crs=CRS)), offsets)
    shift = [distance(*pair) for pair in zip(_middles(boxes["line"]), _middles(moved.geometry), strict=True)]
    boxes = boxes.assign(doubt_before=boxes["doubt"], shift=shift)
    boxes = boxes.assign(line=moved.geometry.values, doubt=moved["doubt"])
    boxes["geometry"] = widen(boxes["line"].to_numpy(), boxes["doubt"])
    boxes["length"] = [line_length(line) for line in boxes["line"]]
    return boxes


def with_new(
    plan: Plan,
    day: Day,
    at: Place | None,
    boxes: gpd.GeoDataFrame,
    tracks: np.ndarray,
    floating: xr.Dataset,
    laid: Mapping[int, shapely.LineString],
    kept: Collection[int],
) -> gpd.GeoDataFrame:
    """Boxes with what is reckoned to float over them now, new ones around the boat where that is more, and
    those of the ones laid before that are kept."""
    boxes = boxes.assign(gathered=gathered_now(boxes, floating, day))
    used = np.concatenate([boxes["line"].to_numpy(), tracks])
    stay = np.empty(len(kept), dtype=object)
    stay[:] = [laid[number] for number in sorted(kept)]
    new = lay_afresh(day, floating, at, plan.range_polygon, used, stay)
    if new.empty:
        return boxes
    numbers = _numbered(new["line"], laid, int(plan.boxes["rank"].max()))
    new = new.assign(rank=numbers, shift=0.0, doubt_before=new["doubt"])
    return gpd.GeoDataFrame(pd.concat([boxes, new], ignore_index=True), geometry="geometry", crs=CRS)


def _numbered(
    lines: Iterable[shapely.LineString], laid: Mapping[int, shapely.LineString], last: int
) -> list[int]:
    """Numbers of lines laid at sea: of the one laid there before, else beyond all and `last`, never used."""
    numbers: list[int] = []
    for line in lines:
        there = [n for n, other in laid.items() if shapely.hausdorff_distance(line, other) < SAME_LINE]
        numbers.append(min(set(there) - set(numbers), default=max([last, *laid, *numbers]) + 1))
    return numbers


def _carried_on(
    laid: dict[int, shapely.LineString], since: np.datetime64, day: Day
) -> dict[int, shapely.LineString]:
    """Where boxes laid at sea lie by now; where they lay if they have left the currents."""
    if not laid or float(to_seconds(since)) == day.now:
        return laid
    lines = np.empty(len(laid), dtype=object)
    lines[:] = list(laid.values())
    table = pd.DataFrame({"line": lines, "kind": CONVERGENCE_LINE, "valid_time": np.datetime64(since, "ns")})  # type: ignore[call-overload]
    carried = lines_at(table, day.drift, day.now)
    pairs = zip(laid, lines, carried, strict=True)
    return {number: was if line.is_empty else line for number, was, line in pairs}


def boxes_now(plan: Plan, day: Day) -> gpd.GeoDataFrame:
    """The morning's boxes where currents and wind have carried their lines by now, with doubts grown."""
    boxes = plan.boxes
    if boxes.empty:
        return boxes
    lines = lines_at(boxes, day.drift, day.now)
    doubt = doubts_at(boxes, seen_times(day, boxes["front"]), day.now)
    kept = np.array([not line.is_empty and line_length(line) >= SHORTEST for line in lines])
    boxes = boxes.assign(line=lines, doubt=doubt, valid_time=to_times(day.now))
    return boxes[kept].reset_index(drop=True)


def _middles(lines: ArrayLike) -> list[Place]:
    points = shapely.line_interpolate_point(np.asarray(lines, dtype=object), 0.5, normalized=True)
    return [Place(*xy) for xy in shapely.get_coordinates(points)]


def fading_at(plan: Plan, boxes: gpd.GeoDataFrame) -> np.ndarray:
    """How fast (1/s) each box is worked out."""
    return fading_of(boxes, day_of(plan.trip, plan.reach)) if len(boxes) else np.array([])


def _weight_of(weights: Weights, piece: str) -> float:
    return float(weights.mean[weights.names.index(piece)])


# ---- the way on


def _with_route(
    plan: Plan,
    at: Place,
    fuel: float,
    now: np.datetime64,
    pinned: Collection[int],
    banned: Collection[int],
    loyal: Collection[int],
    told: Sequence[int],
) -> Plan:
    """The plan with the reach from here and the best day in it; as it is where only the way home fits."""
    try:
        reach = find_reach(plan.trip, plan.sea, start=at, at=now, fuel=fuel, work=WORK, waters=plan.waters)
    except OutOfReach:  # the way home fits, but no work before it
        return plan
    boxes = plan.boxes
    if len(boxes):
        fields = {name: at_middles(reach[name], boxes["line"]) for name in ("time_out", "time_home")}
        burnt = at_middles(reach["fuel_out"] + reach["fuel_home"], boxes["line"])
        boxes = boxes.assign(**fields, fuel=burnt)
    plan = replace(plan, boxes=boxes, reach=reach)
    route = _route(plan, at, fuel, now, pinned, banned, loyal, told)
    turn = latest_turn(route.legs, reach, plan.trip, plan.waters)
    return replace(
        plan, legs=route.legs, stays=route.stays, best=route.best, bound=route.bound, turn_for_home=turn
    )


def _leg_home(plan: Plan, at: Place, fuel: float, now: np.datetime64, home: WayHome) -> gpd.GeoDataFrame:
    """The way home as the only leg, begun at once; none where no way over open water is known."""
    if home.way is None:
        return empty_table("legs")
    log = Log(at, float(to_seconds(now)), fuel)
    log.add("home", home.way, home.run, home.speed, float(plan.trip.boat.burn(home.speed)), 0)
    return make_legs(Laid(log.finish(0.0)))


def _route(
    plan: Plan,
    at: Place,
    fuel: float,
    now: np.datetime64,
    pinned: Collection[int],
    banned: Collection[int],
    loyal: Collection[int],
    told: Sequence[int],
) -> Route:
    """The best day from here over the best of the boxes within reach, and those that are pinned."""
    boxes = plan.boxes
    _check_numbers(boxes, (*pinned, *banned))
    planned = boxes["rank"].isin(list(loyal)).to_numpy()
    boxes = boxes.assign(**{name: boxes[name] * np.where(planned, LOYAL, 1.0) for name in RATES})
    chosen = boxes["rank"].isin(list(pinned))
    if len(boxes):
        within = at_middles(plan.reach["slack"], boxes["line"]) >= 0.0
        chosen |= boxes.index.isin(np.flatnonzero(within)[:MOST_BOXES])
    some = boxes[chosen]
    route = find_route(
        some,
        plan.reach,
        plan.trip,
        sea=plan.sea,
        waters=plan.waters,
        start=at,
        at=now,
        fuel=fuel,
        pinned=pinned,
        banned=[number for number in banned if number in set(some["rank"])],
        told=told,
    )
    share = np.where(route.stays["box"].isin(list(loyal)), LOYAL, 1.0)
    return replace(route, stays=route.stays.assign(expected=route.stays["expected"] / share))


def _still_worth_it(planned: Collection[int], changes: pd.DataFrame) -> set[int]:
    """Those of some numbers whose boxes have not been worked."""
    if changes.empty:
        return set()
    return set(planned) & set(changes["number"][changes["left"] > UNWORKED])


def say_numbers(numbers: Iterable[int]) -> str:
    """Numbers of boxes in words: "1 to 40, 127 and 130 to 146"."""
    ordered = sorted(set(numbers))
    if not ordered:
        return "none"
    cuts = [k for k in range(1, len(ordered)) if ordered[k] != ordered[k - 1] + 1]
    runs = [ordered[a:b] for a, b in zip([0, *cuts], [*cuts, len(ordered)], strict=True)]
    *others, last = [str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs]
    return f"{', '.join(others)} and {last}" if others else last


def _check_numbers(boxes: gpd.GeoDataFrame, given: Collection[int]) -> None:
    strangers = sorted(set(given) - set(boxes["rank"]))
    if strangers:
        raise OutOfReach(
            "boxes pinned or banned that are not there",
            given=", ".join(map(str, strangers)),
            expected=f"numbers of boxes that are still afloat: {say_numbers(map(int, boxes['rank']))}",
        )
