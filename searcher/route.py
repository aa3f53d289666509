"""The day's route: which boxes, in what order, from which end, with how many passes, and when to give one up.

Boxes are chosen, ordered and given their time as an orienteering problem (`searcher.kernels.tour`), in which
lines lie still, ways take what they take in mean currents and further passes over a line are worth less and
less (`searcher.effort`). On request `searcher.kernels.bound` proves how good a solution of it can be at most.
The day is then laid out leg by leg, with lines that drift and the currents of each hour (`searcher.course`).
What would not leave the way home in time and above the reserve is left out; so the proof is one of the still
problem, not of the day that comes of it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import xarray as xr

from searcher.carry import make_drift
from searcher.coast import find_obstacles
from searcher.course import LEAD, Course, Day, Laid, Stop, approach_points, day_of, is_clear
from searcher.effort import Belief, yield_of
from searcher.errors import OutOfReach
from searcher.geo import Place, distance
from searcher.kernels.bound import Proof, prove_tour
from searcher.kernels.tour import Problem, search_tour
from searcher.reach import waters_of
from searcher.sea import to_seconds, to_times
from searcher.tables import LEGS, empty_table, make_table
from searcher.trip import Trip
from searcher.waters import Waters

MOST_PASSES = 3
#: rounds of searching for a tour, and before a proof, which a good tour shortens
ROUNDS, MORE_ROUNDS = 1000, 2000
#: partial tours looked at for a proof
MOST = 300_000
#: a day that hours, fuel or an obstacle forbid once lines drift is planned anew so many times, each
#: time with hours or fuel less by so much of what it lacked
TRIES, SHORTEN = 5, 0.6
#: a route told before is left only for one worth so many times as much
STAYING = 1.1
HOUR = 3600.0


@dataclass(frozen=True)
class Route:
    """A day's route. Worth is in encounters to be expected.

    stays, in order: `box` (rank), `start`, `end`, `passes`, `expected` (encounters), `leave_by` (when to give
    the box up if it has been empty so far; never before one pass). `best` and `bound`: worth of the best tour
    known of the still problem, and what no tour of it can exceed; infinite where that was not asked for.
    """

    legs: gpd.GeoDataFrame
    stays: pd.DataFrame
    speed: float  # run at, m/s
    best: float
    bound: float

    @property
    def worth(self) -> float:
        return float(self.stays["expected"].sum())

    @property
    def proven(self) -> bool:
        """Whether no tour of the still problem is better than the best known."""
        return self.bound <= self.best * (1 + 1e-6)


def lay_route(boxes: gpd.GeoDataFrame, reach: xr.Dataset, trip: Trip, **options: Any) -> gpd.GeoDataFrame:
    """The legs of `find_route` (which see for the options), `attrs["proof"]`: its best, bound and proven."""
    route = find_route(boxes, reach, trip, **options)
    route.legs.attrs["proof"] = {"best": route.best, "bound": route.bound, "proven": route.proven}
    return route.legs


def find_route(
    boxes: gpd.GeoDataFrame,
    reach: xr.Dataset,
    trip: Trip,
    *,
    sea: xr.DataTree | None = None,
    waters: Waters | None = None,
    pinned: Collection[int] = (),
    banned: Collection[int] = (),
    speeds: Sequence[float] | None = None,
    prove: bool = False,
    most: int = MOST,
    seed: int = 0,
    told: Sequence[int] = (),
    **limits: Any,
) -> Route:
    """The best day found, from the sea buoy and back or between the places of `limits` (see `day_of`).

    With `sea`, each line is moved on from its own hour to the hour the boat meets it; without, lines stay.
    waters: those the reach was found in (default: surveyed anew from the trip). pinned, banned: ranks of
    boxes that must, or must not, be worked. speeds (m/s, default cruise): each is tried for the runs of the
    whole day, and the best day taken. prove: look longer for the best tour of the still problem, and for its
    bound, among at most `most` partial tours; of none the bound is left infinite. told: ranks
    in the order of a route told before, which is left only for one better by `STAYING`. Legs are
    `searcher.tables.LEGS`, none if nothing fits; `fuel_left` is what is in the tank. Neither the order of
    rows nor anything but `seed` changes the result.
    Raises `OutOfReach` for ranks that do not exist, and where no day was found with every pinned box.
    """
    _check_ranks(boxes, pinned, banned)
    boxes = boxes[~boxes["rank"].isin(list(banned))].sort_values("rank", ignore_index=True)
    if boxes.empty:
        return Route(empty_table("legs"), empty_stays(), trip.boat.cruise, 0.0, 0.0)
    waters = waters or waters_of(reach, find_obstacles(trip))
    drift = None if sea is None else make_drift(sea)
    routes = []
    for speed in speeds or (trip.boat.cruise,):
        course = Course(boxes, waters, drift, day_of(trip, reach, speed=speed, **limits))
        routes.append(
            _best_day(course, frozenset(pinned), seed=seed, most=most if prove else None, told=told)
        )
    kept = [route for route in routes if set(pinned) <= set(route.stays["box"])]
    if not kept:
        best = max((set(route.stays["box"]) & set(pinned) for route in routes), key=len)
        raise OutOfReach(
            "no day found that works every pinned box",
            given=f"boxes {sorted(pinned)}",
            expected="boxes that fit one day within hours, light and fuel, as "
            + (f"{sorted(best)} do" if best else "none of them does"),
            hint="Pin fewer boxes, or start earlier",
        )
    return max(kept, key=lambda route: route.worth)


def _check_ranks(boxes: gpd.GeoDataFrame, pinned: Collection[int], banned: Collection[int]) -> None:
    strangers = sorted((set(pinned) | set(banned)) - set(boxes["rank"]))
    both = sorted(set(pinned) & set(banned))
    if strangers or both:
        raise OutOfReach(
            "boxes pinned or banned that cannot be",
            given=", ".join(
                [f"rank {k}" for k in strangers] + [f"rank {k} both pinned and banned" for k in both]
            ),
            expected=f"ranks of {sorted(boxes['rank'])}, each pinned or banned",
        )


def _best_day(
    course: Course, pinned: frozenset[int], *, seed: int, most: int | None, told: Sequence[int]
) -> Route:
    """The best day found with one speed to run at."""
    worth = worth_of_passes(course.boxes, course.day)
    bonus = np.where(course.boxes["rank"].isin(list(pinned)), 1.0 + worth[:, -1:].sum(), 0.0)
    problem = pose_problem(worth, bonus, course)
    proof = _solve(problem, seed=seed, most=most)
    stops, laid = _lay_out(problem, proof, course, seed=seed)
    stops, laid = _add_passes(stops, laid, worth, course)
    before = _stops_told(told, course)
    if before:
        as_told = _add_passes(*_trim(before, course.lay(before), worth, course), worth, course)
        works = {int(course.boxes["rank"].iloc[stop.row]) for stop in as_told[0]}
        if pinned <= works and STAYING * _worth_of(as_told[0], worth) >= _worth_of(stops, worth):
            stops, laid = as_told
    legs = make_legs(laid) if stops else empty_table("legs")
    promised = np.repeat(bonus, problem.ways)
    extra = promised[proof.tour].sum()
    bound = max(proof.bound - extra, 0.0)
    if extra and most and not proof.proven:  # what pins promise spoils the bound, and no pin raises it
        free = problem._replace(profit=np.where(problem.profit > 0, problem.profit - promised, 0.0))
        bound = min(bound, prove_tour(free, proof.tour, most=most).bound)
    return Route(legs, find_stays(stops, laid, worth, course), course.day.run, proof.best - extra, bound)


def _stops_told(told: Sequence[int], course: Course) -> list[Stop]:
    """A pass over each of the boxes of some ranks that are there, in order, each from its nearer end."""
    rows = {int(rank): row for row, rank in enumerate(course.boxes["rank"])}
    stops, here = [], course.day.start
    for row in (rows[rank] for rank in told if rank in rows):
        ends = [Place(*place) for place in approach_points(course.boxes["line"].iloc[row])]
        flip = distance(here, ends[1]) < distance(here, ends[0])
        stops.append(Stop(row, flip, 1))
        here = ends[0] if flip else ends[1]
    return stops


def _worth_of(stops: Sequence[Stop], worth: np.ndarray) -> float:
    """Encounters to be expected of some stops; worth: (boxes, passes)."""
    return float(sum(worth[stop.row, stop.passes - 1] for stop in stops))


def worth_of_passes(boxes: gpd.GeoDataFrame, day: Day) -> np.ndarray:
    """Encounters to be expected of one, two, ... passes over each box, (boxes, MOST_PASSES)."""
    rate = boxes["expected"].to_numpy(dtype=float)[:, None] / HOUR
    return yield_of(rate, fading_of(boxes, day)[:, None], pass_times(boxes, day)[:, None] * PASSES)


PASSES = np.arange(1, MOST_PASSES + 1)


def pass_times(boxes: gpd.GeoDataFrame, day: Day) -> np.ndarray:
    """Time (s) of one pass over each box."""
    return boxes["length"].to_numpy(dtype=float) / day.troll


def fading_of(boxes: gpd.GeoDataFrame, day: Day) -> np.ndarray:
    """How fast (1/s) each box is worked out: once over for every pass.

    Random search (Koopman 1980) over the strip that is looked over from the line: however doubtful its place,
    a further pass goes over the same water, and finds what was missed and what has come in.
    """
    return 1.0 / pass_times(boxes, day)


def pose_problem(worth: np.ndarray, bonus: np.ndarray, course: Course) -> Problem:
    """The day as an orienteering problem: each box may be worked once, from either end, with some passes.

    worth: (boxes, passes); bonus: (boxes,) for the box being worked at all. Waiting for daylight lengthens
    the ways from the start, lines that must be up lengthen the ways to the finish: so one span of hours says
    all.
    """
    day, boxes = course.day, course.boxes
    count = len(boxes)
    clear = np.array([is_clear(line, course.waters, day.troll) for line in boxes["line"]], dtype=bool)
    profit = np.where(clear[:, None] & (worth > 0), worth + bonus[:, None], 0.0)
    trolled = pass_times(boxes, day)[:, None] * PASSES + 2 * LEAD / day.troll
    box, turn, flip = (a.ravel() for a in np.indices((count, MOST_PASSES, 2)))
    entry = 1 + 2 * box + flip
    turned = turn % 2 == 1  # after an even number of passes the boat is where it began
    time = travel_matrix(course)
    fuel = np.where(np.isfinite(time), time, 0.0) * day.run_burn
    latest = np.minimum(day.closes, day.ends - time[:, 0]) - day.starts
    hours = latest[1:].max(initial=0.0)
    time[0] = np.maximum(time[0], day.opens - day.starts)
    time[:, 0] = hours - latest
    time[0, 0] = 0.0
    return Problem(
        entry=entry,
        leave=np.where(turned, entry, 1 + 2 * box + (1 - flip)),
        back=np.arange(box.size) + np.where(turned, 0, 1 - 2 * flip),
        profit=profit[box, turn],
        work=trolled[box, turn],
        work_fuel=trolled[box, turn] * day.troll_burn,
        time=time,
        fuel=fuel,
        hours=float(hours),
        tank=float(day.fuel),
        ways=2 * MOST_PASSES,
    )


def travel_matrix(course: Course) -> np.ndarray:
    """Time (s) between places: start (rows) or finish (columns), then both ends of every box.

    Lines drift: the first box of a day lies where it is met as soon as may be, the last where it is left in
    time for home. From box to box it is as if there were no current: what carries the boat carries the box.
    """
    day, waters = course.day, course.waters

    def ends_at(hours: np.ndarray) -> np.ndarray:
        """Both ends of every box where it lies at its own of some hours, NaN for as the table has it."""
        lines = [course.lies(row, hour) for row, hour in enumerate(hours)]
        return np.array([place for line in lines for place in approach_points(line)])

    def from_start(ends: np.ndarray) -> np.ndarray:
        return waters.travel_times(np.broadcast_to(day.start, ends.shape), ends, day.run)

    def to_finish(ends: np.ndarray) -> np.ndarray:
        return waters.travel_times(ends, np.broadcast_to(day.finish, ends.shape), day.run)

    count = len(course.boxes)
    ends = ends_at(np.full(count, np.nan))
    out, home = (times.reshape(count, 2).min(axis=1) for times in (from_start(ends), to_finish(ends)))
    times = np.zeros((2 * count + 1, 2 * count + 1))
    times[0, 1:] = from_start(ends_at(np.maximum(day.starts + out, day.opens)))
    times[1:, 0] = to_finish(ends_at(np.minimum(day.ends - home, day.closes)))
    here, there = np.nonzero(~np.eye(2 * count, dtype=bool))
    times[1 + here, 1 + there] = waters.adrift.travel_times(ends[here], ends[there], day.run)
    return times


def _solve(problem: Problem, *, seed: int, most: int | None = None) -> Proof:
    """The best tour found, with a bound if `most` partial tours may be looked at; None: found in haste."""
    if problem.hours <= 0.0 or problem.tank <= 0.0 or not (problem.profit > 0).any():
        return Proof(np.zeros(0, np.int64), 0.0, 0.0, True, 0)
    tour, best = search_tour(problem, ROUNDS if most is None else MORE_ROUNDS, seed)
    return prove_tour(problem, tour, most=most) if most else Proof(tour, best, np.inf, False, 0)


def stops_of(tour: np.ndarray) -> list[Stop]:
    """The stops of a tour's ways (see `pose_problem`)."""
    box, turn, flip = np.unravel_index(tour, (tour.size and int(tour.max()) + 1, MOST_PASSES, 2))
    return [Stop(int(b), bool(f), int(t) + 1) for b, t, f in zip(box, turn, flip, strict=True)]


def _lay_out(problem: Problem, proof: Proof, course: Course, *, seed: int) -> tuple[list[Stop], Laid]:
    """The best day found with the stops of a tour, or of a new one where drifting lines forbid that."""
    value = problem.profit.reshape(-1, MOST_PASSES, 2)[:, :, 0]
    profit, tour = problem.profit.copy(), proof.tour
    found: list[tuple[list[Stop], Laid]] = [([], Laid([]))]
    for _ in range(TRIES):
        stops = stops_of(tour)
        if not stops:
            break
        laid = course.lay(stops)
        found.append(_trim(stops, laid, value, course))
        if laid.possible:
            break
        if laid.blocked is not None:
            profit[laid.blocked.row * problem.ways :][: problem.ways] = 0.0
        problem = problem._replace(
            profit=profit,
            hours=problem.hours - (SHORTEN * laid.late + 30.0 if laid.late > 0 else 0.0),
            tank=problem.tank - (SHORTEN * laid.short + 0.1 if laid.short > 0 else 0.0),
        )
        tour = _solve(problem, seed=seed).tour
    return max(found, key=lambda day: _worth_of(day[0], value))


def _trim(stops: list[Stop], laid: Laid, value: np.ndarray, course: Course) -> tuple[list[Stop], Laid]:
    """The same stops without the passes, and at last the boxes, of least value, until the day is possible."""

    def loss(stop: Stop) -> float:
        left = value[stop.row, stop.passes - 2] if stop.passes > 1 else 0.0
        return value[stop.row, stop.passes - 1] - left

    while stops and not laid.possible:
        worst = laid.blocked or min(stops, key=loss)
        less = [] if laid.blocked or worst.passes == 1 else [replace(worst, passes=worst.passes - 1)]
        stops = [kept for stop in stops for kept in (less if stop == worst else [stop])]
        laid = course.lay(stops) if stops else Laid([])
    return stops, laid


def _add_passes(stops: list[Stop], laid: Laid, worth: np.ndarray, course: Course) -> tuple[list[Stop], Laid]:
    """Further passes over the best of the stops, as long as the day as it is laid out has room."""
    full: set[int] = set()
    times = pass_times(course.boxes, course.day)
    while open_stops := [stop for stop in stops if stop.passes < MOST_PASSES and stop.row not in full]:
        best = max(
            open_stops,
            key=lambda stop: (
                (worth[stop.row, stop.passes] - worth[stop.row, stop.passes - 1]) / times[stop.row]
            ),
        )
        more = [replace(stop, passes=stop.passes + 1) if stop == best else stop for stop in stops]
        fuller = course.lay(more)
        if fuller.possible:
            stops, laid = more, fuller
        else:
            full.add(best.row)
    return stops, laid


def make_legs(laid: Laid) -> gpd.GeoDataFrame:
    """The legs table of a day laid out."""
    columns = {name: [row[name] for row in laid.rows] for name in LEGS}
    return make_table("legs", [row["geometry"] for row in laid.rows], columns)


RATES = ("expected", "expected_low", "expected_high")
STAYS = ["box", "start", "end", "passes", "expected", "leave_by"]


def empty_stays() -> pd.DataFrame:
    """No stays."""
    return pd.DataFrame({name: [] for name in STAYS}, dtype=float)


def find_stays(stops: list[Stop], laid: Laid, worth: np.ndarray, course: Course) -> pd.DataFrame:
    """How long the day stays at each box, and by when to leave one that is empty: see `Route`."""
    boxes = course.boxes
    fading = fading_of(boxes, course.day)
    trolled = {
        stop: [row for row in laid.rows if row["kind"] == "troll" and row["box"] == course.rank(stop)]
        for stop in stops
    }
    ends = [float(to_seconds(rows[-1]["end"])) for rows in trolled.values()]
    expected = np.array([worth[stop.row, stop.passes - 1] for stop in stops])
    stays = []
    for k, stop in enumerate(stops):
        first = trolled[stop][-stop.passes]  # before it the boat may have trolled on from the box before
        # what the rest of the day yields, its runs included
        elsewhere = expected[k + 1 :].sum() / (ends[-1] - ends[k]) if k + 1 < len(stops) else 0.0
        box = boxes.iloc[stop.row]
        belief = Belief.of_interval(
            *(box[name] / HOUR for name in ("expected", "expected_low", "expected_high"))
        )
        empty = float(to_seconds(first["start"])) + belief.leave_after(elsewhere, fading[stop.row])
        leave = np.clip(empty, float(to_seconds(first["end"])), ends[k])
        begin = float(to_seconds(trolled[stop][0]["start"]))
        stays.append((course.rank(stop), begin, ends[k], stop.passes, expected[k], leave))
    table = pd.DataFrame(stays, columns=STAYS)
    moments = {name: to_times(table[name].to_numpy(dtype=float)) for name in ("start", "end", "leave_by")}
    return table.assign(**moments).astype({"box": int, "passes": int, "expected": float})
