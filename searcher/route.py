"""The day's route: which boxes, in what order, from which end, with how many passes.

Boxes are chosen and ordered as an orienteering problem (`searcher.kernels.tour`), then the day is laid out
leg by leg (`searcher.course`). Whatever would not leave the way home in time and above the reserve is left
out.
"""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import xarray as xr

from searcher.carry import make_drift
from searcher.course import LEAD, Course, Stop, approach_points, day_of, is_clear
from searcher.kernels.tour import Problem, search_tour
from searcher.reach import waters_of
from searcher.tables import LEGS, empty_table, make_table
from searcher.trip import Trip
from searcher.waters import Waters, find_obstacles

#: a second pass over the same line is worth this share of the one before (no source)
FADE = 0.5
MOST_PASSES = 3
ROUNDS = 400
#: a day is filled from so many of the best boxes, and the best of those days is taken: a few boxes worked
#: longer may be worth more than a long run to many
CHOICES = (4, 8, 16, 30)


def lay_route(
    boxes: gpd.GeoDataFrame,
    reach: xr.Dataset,
    trip: Trip,
    *,
    sea: xr.DataTree | None = None,
    waters: Waters | None = None,
    seed: int = 0,
) -> gpd.GeoDataFrame:
    """The legs of the day (`searcher.tables.LEGS`), from the sea buoy and back; no rows if nothing fits.

    With `sea`, each line is moved on from its own hour to the hour the boat meets it; without, lines stay.
    `waters`: those the reach was found in (default: surveyed anew from the trip).
    `fuel_left` counts the reserve and what the way from the sea buoy to port still needs. Neither the order
    of rows nor anything but `seed` changes the result.
    """
    if boxes.empty:
        return empty_table("legs")
    boxes = boxes.sort_values("rank", ignore_index=True)
    waters = waters or waters_of(reach, find_obstacles(trip))
    course = Course(boxes, waters, trip, day_of(trip, reach), None if sea is None else make_drift(sea))
    problem = pose_problem(boxes.head(CHOICES[-1]), course)
    counts = sorted({min(count, len(boxes)) for count in CHOICES})
    days = [fill_day(first_boxes(problem, count), course, seed=seed) for count in counts]
    stops = max(days, key=lambda stops: worth_of(stops, boxes))
    if not stops:
        return empty_table("legs")
    rows = course.legs(stops)
    columns = {name: [row[name] for row in rows] for name in LEGS}
    return make_table("legs", [row["geometry"] for row in rows], columns)


def pose_problem(boxes: gpd.GeoDataFrame, course: Course) -> Problem:
    """The day as an orienteering problem: each of the boxes may be worked once, one pass, from either end."""
    day, waters = course.day, course.waters
    ends = [approach_points(line) for line in boxes["line"]]
    work = (boxes["length"].to_numpy(dtype=float) + 2 * LEAD) / day.troll
    worth = (boxes["expected"] * boxes["length"]).to_numpy(dtype=float) / day.troll / 3600.0
    clear = [is_clear(line, waters, day.troll) for line in boxes["line"]]
    places = np.array([course.trip.port.sea_buoy, *[end for pair in ends for end in pair]])
    return Problem(
        profit=np.where(clear, worth, 0.0),
        travel=travel_matrix(places, waters, day.run),
        work=work,
        work_fuel=work * day.troll_burn,
        burn=day.run_burn,
        opens=day.opens - day.starts,
        closes=day.closes - day.starts,
        ends=day.ends - day.starts,
        fuel=day.fuel,
    )


def first_boxes(problem: Problem, count: int) -> Problem:
    """The same problem with its first boxes only."""
    places = 1 + 2 * count
    return problem._replace(
        profit=problem.profit[:count].copy(),
        travel=problem.travel[:places, :places].copy(),
        work=problem.work[:count].copy(),
        work_fuel=problem.work_fuel[:count].copy(),
    )


def fill_day(problem: Problem, course: Course, *, seed: int) -> list[Stop]:
    """Stops at some of the boxes that can be worked in a day, with as many passes as it has room for."""
    order, flips, _ = search_tour(problem, ROUNDS, seed)
    stops = [Stop(int(row), bool(flip)) for row, flip in zip(order, flips, strict=True)]
    while stops and course.legs(stops) is None:
        stops = without_one(stops, course)
    return add_passes(stops, course) if stops else []


def worth_of(stops: list[Stop], boxes: gpd.GeoDataFrame) -> float:
    """Worth of a day, as rate times metres: each further pass is worth `FADE` of the one before."""
    per_pass = boxes["expected"] * boxes["length"]
    return sum(per_pass.iloc[stop.row] * (1 - FADE**stop.passes) / (1 - FADE) for stop in stops)


def without_one(stops: list[Stop], course: Course) -> list[Stop]:
    """The stops without the least worthy whose absence makes the day possible, else without the least."""
    worth = course.boxes["expected"] * course.boxes["length"]
    shorter = [
        [other for other in stops if other is not stop]
        for stop in sorted(stops, key=lambda stop: worth.iloc[stop.row])
    ]
    return next((rest for rest in shorter if rest and course.legs(rest) is not None), shorter[0])


def add_passes(stops: list[Stop], course: Course) -> list[Stop]:
    """The same stops with further passes over the best of them, as long as the day has room."""
    boxes, full = course.boxes, set()
    while open_stops := [stop for stop in stops if stop.passes < MOST_PASSES and stop.row not in full]:
        # the worth of another pass per hour of it; its hours are about the same for every metre of line
        best = max(open_stops, key=lambda stop: boxes["expected"].iloc[stop.row] * FADE**stop.passes)
        more = [replace(stop, passes=stop.passes + 1) if stop is best else stop for stop in stops]
        if course.legs(more) is None:
            full.add(best.row)
        else:
            stops = more
    return stops


def travel_matrix(places: np.ndarray, waters: Waters, speed: float) -> np.ndarray:
    """Time (s) of the best way between every two places, (n, n); rows are starts."""
    n = len(places)
    start, end = np.repeat(places, n, axis=0), np.tile(places, (n, 1))
    return waters.travel_times(start, end, speed).reshape(n, n)
