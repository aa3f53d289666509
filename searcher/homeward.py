"""The way home from any place at sea: how long, how much fuel, and by when to turn at the latest."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from searcher.geo import Place, bearing, distance, line_length
from searcher.kernels.sample import sample_field
from searcher.plan import Plan
from searcher.reach import Budget, make_budget, running_speeds
from searcher.sea import to_times


@dataclass(frozen=True)
class WayHome:
    """The way home from here, at a speed (m/s): see `way_home`.

    `time` (s) and `fuel` (L) to the port; `turn`: when to leave here at the latest, datetime64, so that the
    boat is home in time and above the reserve if it trolls on here until then. `late` (s) and `short` (L):
    what is wanting if that has passed. `course` (degrees true): the first to steer, over water all the way;
    `bends`: how often it changes before the sea buoy; `distance` (m) along it.
    """

    speed: float
    time: float
    fuel: float
    turn: np.datetime64
    late: float
    short: float
    course: float
    distance: float
    bends: int = 0

    @property
    def fits(self) -> bool:
        return self.late <= 0.0 and self.short <= 0.0


def way_home(plan: Plan, at: Place, fuel: float, now: np.datetime64) -> WayHome:
    """The way home from a place with `fuel` L in the tank, at cruise or, where that no longer fits, another.

    Of other speeds that fit it is the one that leaves the most time here. Where none fits the reserve is for
    coming home at cruise, unless even the whole tank would not do: then at the speed that burns least.
    """
    trip = plan.trip
    budget = make_budget(trip, start=at, at=now, fuel=fuel, work=0.0)
    usual = running_speeds(trip.boat)
    others = [speed for speed in trip.boat.speeds if speed > 0.0 and speed not in usual]
    ways: list[WayHome] = []
    for speeds in (usual, others):  # each takes a march: no more of them than are wanted
        ways += [_way_at(speed, plan, budget) for speed in speeds]
        if fitting := [way for way in ways if way.fits]:
            return _steered(max(fitting, key=lambda way: (way.speed == trip.boat.cruise, way.turn)), plan, at)
    held = [way for way in ways if way.fuel <= fuel and way.speed == trip.boat.cruise]
    return _steered((held or sorted(ways, key=lambda way: way.fuel))[0], plan, at)


def _steered(home: WayHome, plan: Plan, at: Place) -> WayHome:
    """With what is to be steered, where a way over open water is known."""
    way = plan.waters.way(at, plan.trip.last_port.sea_buoy, home.speed)
    if way is None:
        return home
    first, then = (Place(*xy) for xy in way.coords[:2])
    return replace(home, course=bearing(first, then), distance=line_length(way), bends=len(way.coords) - 2)


def _way_at(speed: float, plan: Plan, budget: Budget) -> WayHome:
    """The way home at one speed."""
    trip = plan.trip
    buoy, burn = trip.last_port.sea_buoy, float(trip.boat.burn(speed))
    time = time_home(plan, budget, speed)
    late, short = budget.leave + time - budget.back, time * burn - budget.fuel
    spell = min(-late, -short / float(trip.boat.burn(trip.gear.troll)))
    port = distance(trip.last_port.at, buoy)
    way_in = port / trip.boat.cruise
    return WayHome(
        speed=speed,
        time=time + way_in,
        fuel=time * burn + way_in * float(trip.boat.burn(trip.boat.cruise)),
        turn=to_times(budget.leave + max(spell, 0.0)),
        late=late,
        short=short,
        course=bearing(budget.start, buoy),
        distance=distance(budget.start, buoy),
    )


def time_home(plan: Plan, budget: Budget, speed: float) -> float:
    """Time (s) from the start of a budget to the sea buoy, in the currents of the last hours."""
    waters, here = plan.waters, budget.start
    buoy = plan.trip.last_port.sea_buoy
    field = waters.times_between(buoy, [here], speed, homeward=True, at=budget.back)
    place = np.array([here.lon]), np.array([here.lat])
    time = float(sample_field(np.where(np.isfinite(field), field, np.nan), waters.grid, *place)[0])
    if np.isfinite(time):
        return time
    # beside a blocked cell: from the worst of the open nodes around, and the way to it
    column, row = (int(part) for part in waters.cells(*here))
    around = field[max(row, 0) : row + 2, max(column, 0) : column + 2]
    cell = float(np.hypot(waters.metres[0].max(), waters.metres[1].max()))
    return (
        float(around[np.isfinite(around)].max(initial=0.0) + cell / speed)
        if np.isfinite(around).any()
        else np.inf
    )
