"""The way on from here: what is within reach, the best day in it, or the way home alone."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd

from searcher.course import Laid, Log
from searcher.errors import OutOfReach
from searcher.geo import Place
from searcher.homeward import WayHome
from searcher.plan import Plan, latest_turn
from searcher.reach import at_middles, find_reach
from searcher.route import RATES, find_route, make_legs
from searcher.sea import to_seconds
from searcher.tables import empty_table

#: the work a place must leave time and fuel for at sea, s
WORK = 900.0
#: so many boxes, the best, are looked at for a route: the answer must not keep the skipper waiting
MOST_BOXES = 40
#: the morning's route is left only for what is better by this factor; a box with less left has been worked
LOYAL, UNWORKED = 1.25, 0.7


def with_route(
    plan: Plan,
    at: Place,
    fuel: float,
    now: np.datetime64,
    pinned: Collection[int],
    banned: Collection[int],
    loyal: Collection[int],
    told: Sequence[int],
) -> Plan:
    """The plan with the reach from here and the best day in it, over the best of the boxes within reach and
    those that are pinned; as it is where only the way home fits."""
    try:
        plan = _with_reach(plan, at, fuel, now)
    except OutOfReach:  # the way home fits, but no work before it
        return plan
    boxes = plan.boxes
    planned = boxes["rank"].isin(list(loyal)).to_numpy()
    weighed = boxes.assign(**{name: boxes[name] * np.where(planned, LOYAL, 1.0) for name in RATES})
    chosen = boxes["rank"].isin(list(pinned)) | boxes.index.isin(np.flatnonzero(_within(plan))[:MOST_BOXES])
    some = weighed[chosen]
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
    return replace(
        plan,
        legs=route.legs,
        stays=route.stays.assign(expected=route.stays["expected"] / share),
        best=route.best,
        bound=route.bound,
        turn_for_home=latest_turn(route.legs, plan.reach, plan.trip, plan.waters),
    )


def _with_reach(plan: Plan, at: Place, fuel: float, now: np.datetime64) -> Plan:
    """The plan with the reach from here, and what it takes to its boxes and home from them."""
    reach = find_reach(plan.trip, plan.sea, start=at, at=now, fuel=fuel, work=WORK, waters=plan.waters)
    boxes = plan.boxes
    if len(boxes):
        fields = {name: at_middles(reach[name], boxes["line"]) for name in ("time_out", "time_home")}
        burnt = at_middles(reach["fuel_out"] + reach["fuel_home"], boxes["line"])
        boxes = boxes.assign(**fields, fuel=burnt)
    return replace(plan, boxes=boxes, reach=reach)


def _within(plan: Plan) -> np.ndarray:
    """Which boxes are within reach; bool (boxes,)."""
    boxes = plan.boxes
    return at_middles(plan.reach["slack"], boxes["line"]) >= 0.0 if len(boxes) else np.zeros(0, dtype=bool)


def leg_home(plan: Plan, at: Place, fuel: float, now: np.datetime64, home: WayHome) -> gpd.GeoDataFrame:
    """The way home as the only leg, begun at once; none where no way over open water is known."""
    if home.way is None:
        return empty_table("legs")
    log = Log(at, float(to_seconds(now)), fuel)
    log.add("home", home.way, home.run, home.speed, float(plan.trip.boat.burn(home.speed)), 0)
    return make_legs(Laid(log.finish(0.0)))


def still_worth_it(planned: Collection[int], changes: pd.DataFrame) -> set[int]:
    """Those of some numbers whose boxes have not been worked."""
    if changes.empty:
        return set()
    return set(planned) & set(changes["number"][changes["left"] > UNWORKED])


def out_of_reach(numbers: Iterable[int], plan: Plan) -> tuple[int, ...]:
    """Those of some numbers whose boxes are still afloat, but too far for what is left (`Plan.reach`)."""
    return tuple(sorted({int(number) for number in plan.boxes["rank"][~_within(plan)]} & set(numbers)))


def say_numbers(numbers: Iterable[int]) -> str:
    """Numbers of boxes in words: "1 to 40, 127 and 130 to 146"."""
    ordered = sorted(set(numbers))
    if not ordered:
        return "none"
    cuts = [k for k in range(1, len(ordered)) if ordered[k] != ordered[k - 1] + 1]
    runs = [ordered[a:b] for a, b in zip([0, *cuts], [*cuts, len(ordered)], strict=True)]
    *others, last = [str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs]
    return f"{', '.join(others)} and {last}" if others else last


def check_numbers(boxes: gpd.GeoDataFrame, given: Collection[int]) -> None:
    """Refuse numbers that no box has, also where only the way home fits and no box is looked at."""
    strangers = sorted(set(given) - set(boxes["rank"]))
    if strangers:
        raise OutOfReach(
            "boxes pinned or banned that are not there",
            given=", ".join(map(str, strangers)),
            expected=f"numbers of boxes that are still afloat: {say_numbers(map(int, boxes['rank']))}",
        )
