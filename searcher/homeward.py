"""The way home from any place at sea: how long, how much fuel, and by when to turn at the latest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from searcher.geo import Place, bearing, distance, line_length
from searcher.plan import Plan
from searcher.reach import Budget, last_start, make_budget, running_speeds
from searcher.sea import to_times


@dataclass(frozen=True)
class WayHome:
    """The way home from here, at a speed (m/s): see `way_home`.

    `way`: to the sea buoy, in straight pieces over open water, None where none is known; `run` (s): along it,
    begun now. `time` (s) and `fuel` (L) to the port; `turn`: when to leave here at the latest, datetime64, so
    that the boat is home in time and above the reserve if it trolls on here until then. `late` (s) and
    `short` (L): what is wanting if that has passed. All of them infinite, and `turn` now, without a way.
    """

    speed: float
    way: shapely.LineString | None
    run: float
    time: float
    fuel: float
    turn: np.datetime64
    late: float
    short: float

    @property
    def fits(self) -> bool:
        return self.late <= 0.0 and self.short <= 0.0

    @property
    def course(self) -> float:
        """The first to steer, degrees true; NaN without a way."""
        if self.way is None:
            return float("nan")
        return bearing(*(Place(*xy) for xy in self.way.coords[:2]))

    @property
    def bends(self) -> int:
        """How often the course changes before the sea buoy."""
        return 0 if self.way is None else len(self.way.coords) - 2

    @property
    def distance(self) -> float:
        """Along the way, m; infinite without one."""
        return float("inf") if self.way is None else line_length(self.way)


def way_home(plan: Plan, at: Place, fuel: float, now: np.datetime64) -> WayHome:
    """The way home from a place with `fuel` L in the tank: at cruise, or another speed if that does not fit.

    Of the other speeds that fit, the one that leaves the most time here. If none fits: of those that keep
    the reserve and are not below cruise, the least late. If none keeps the reserve: at cruise on the
    reserve, or, if even the whole tank is too little for that, at the speed that burns least.
    """
    trip = plan.trip
    budget = make_budget(trip, start=at, at=now, fuel=fuel, work=0.0)
    usual = running_speeds(trip.boat)
    others = [speed for speed in trip.boat.speeds if speed > 0.0 and speed not in usual]
    ways: list[WayHome] = []
    for speeds in (usual, others):  # each may take a march: no more of them than are wanted
        plan.waters.look_ahead(budget.start, trip.last_port.sea_buoy, speeds)
        ways += [_way_at(speed, plan, budget) for speed in speeds]
        if fitting := [way for way in ways if way.fits]:
            return max(fitting, key=lambda way: (way.speed == trip.boat.cruise, way.turn))
    kept = [way for way in ways if way.short <= 0.0 and way.speed >= trip.boat.cruise]
    held = [way for way in ways if way.fuel <= fuel and way.speed == trip.boat.cruise]
    return (sorted(kept, key=lambda way: way.late) or held or sorted(ways, key=lambda way: way.fuel))[0]


def _way_at(speed: float, plan: Plan, budget: Budget) -> WayHome:
    """The way home at one speed, in the water of the hours in which the boat is on it."""
    boat, port, waters = plan.trip.boat, plan.trip.last_port, plan.waters
    way = waters.way(budget.start, port.sea_buoy, speed)
    run = float("inf") if way is None else waters.way_time(way, speed, at=budget.leave)
    if way is None or np.isinf(run):  # none, or none that makes headway
        return WayHome(speed, None, *(float("inf"),) * 3, to_times(budget.leave), *(float("inf"),) * 2)
    burn = float(boat.burn(speed))
    turn = last_start(
        waters,
        way,
        speed,
        leave=budget.leave,
        back=budget.back,
        fuel=budget.fuel,
        burn=burn,
        idle=float(boat.burn(plan.trip.gear.troll)),
    )
    way_in = distance(port.at, port.sea_buoy) / boat.cruise
    return WayHome(
        speed=speed,
        way=way,
        run=run,
        time=run + way_in,
        fuel=run * burn + way_in * float(boat.burn(boat.cruise)),
        turn=to_times(turn),
        late=budget.leave + run - budget.back,
        short=run * burn - budget.fuel,
    )
