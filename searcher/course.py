"""A day laid out leg by leg: run, lines in, troll, lines up, home.

Each line is where it will have drifted to when the boat comes to it, each vertex where it is when passed.
Trolling is measured through the water, which carries line and boat alike, so a line takes its own length
over the trolling speed however it drifts.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr

from searcher.carry import Drift
from searcher.drift import drift_line, windage_of
from searcher.geo import Place, bearing, densify, destination, distance, line_distances, line_length
from searcher.sea import to_seconds, to_times
from searcher.trip import Trip
from searcher.waters import Waters

#: lines go in this far before the line, and come up as far beyond it: a quarter of a nautical mile, m (common
#: practice, no source)
LEAD = 463.0
#: from one box to the next that begins no farther off than this, lines stay in, m
JOINED = 3 * LEAD
#: and nearer than this it begins where the other ended, m
SAME_PLACE = 50.0
#: vertices of a trolled line stand no farther apart than this while it drifts, m
SPACING = 1000.0
#: a moving line is met after so many rounds of guessing when
MEETING_TRIES = 4
#: and a departure is known once it changes by less than this, s
CLOSE = 10.0


@dataclass(frozen=True)
class Stop:
    """One box in the day: its row in the boxes table, from which end, and how many passes."""

    row: int
    flip: bool
    passes: int = 1


@dataclass(frozen=True)
class Day:
    """What limits the day: places, hours (s since `sea.EPOCH`), fuel (L), speeds and burns.

    `fuel` is what may be burnt from `start` to `finish`, `spare` what is in the tank besides: the reserve and
    what the way in from the sea buoy still takes. `idle_burn`: what waiting for daylight takes, at sea.
    """

    start: Place
    finish: Place
    starts: float
    ends: float
    opens: float
    closes: float
    fuel: float
    spare: float
    run: float
    run_burn: float
    troll: float
    troll_burn: float
    idle_burn: float


def day_of(
    trip: Trip,
    reach: xr.Dataset,
    *,
    start: Place | None = None,
    at: np.datetime64 | None = None,
    fuel: float | None = None,
    finish: Place | None = None,
    home_by: np.datetime64 | None = None,
    speed: float | None = None,
) -> Day:
    """The limits of a day on the water, by default from the port's sea buoy to that of the port it ends in.

    start, at, fuel: place, hour and L in the tank (reserve included) to begin with instead. finish: where the
    day ends instead; ways in from there are not counted. home_by: no later than the trip's own. speed: to run
    at (m/s; default cruise).
    """
    window, boat = trip.window, trip.boat
    out, way_in = float(start is None), float(finish is None)
    in_time, in_fuel = (way_in * reach.attrs[name] for name in ("finish_time", "finish_fuel"))
    reserve = boat.tank * boat.reserve
    speed = boat.cruise if speed is None else speed
    by = window.end
    if home_by is not None:
        by = min(by, np.datetime64(home_by, "ns"))  # type: ignore[call-overload]
    return Day(
        start=trip.port.sea_buoy if start is None else Place(*start),
        finish=trip.last_port.sea_buoy if finish is None else Place(*finish),
        starts=float(to_seconds(window.start if at is None else at)) + out * reach.attrs["port_time"],
        ends=float(to_seconds(by)) - in_time,
        opens=float(to_seconds(window.sunrise)),
        closes=float(to_seconds(window.sunset)),
        fuel=(boat.tank if fuel is None else fuel) - reserve - out * reach.attrs["port_fuel"] - in_fuel,
        spare=reserve + in_fuel,
        run=speed,
        run_burn=float(boat.burn(speed)),
        troll=trip.gear.troll,
        troll_burn=float(boat.burn(trip.gear.troll)),
        idle_burn=0.0 if start is None else float(boat.burn(min(boat.speeds))),
    )


@dataclass(frozen=True)
class Laid:
    """What came of laying stops out: the rows of the legs table, or what stood in the way.

    `late` (s) and `short` (L): past the end of daylight or of the day, below the reserve. `blocked`: the
    stop that could not be come to or trolled.
    """

    rows: list[dict[str, Any]]
    late: float = 0.0
    short: float = 0.0
    blocked: Stop | None = None

    @property
    def possible(self) -> bool:
        return self.late <= 0.0 and self.short <= 0.0 and self.blocked is None


@dataclass(frozen=True)
class Course:
    """Lays stops out as legs, each line where it has drifted to when the boat meets it.

    Days that begin alike are laid out by the dozen: each beginning, and each line at an hour, is kept.
    """

    boxes: gpd.GeoDataFrame
    waters: Waters
    drift: Drift | None
    day: Day
    _begun: dict[tuple[Stop, ...], Log] = field(default_factory=dict, repr=False, compare=False)
    #: by row, flip and time
    _lines: dict[tuple[int, bool, float], shapely.LineString] = field(
        default_factory=dict, repr=False, compare=False
    )

    def lay(self, stops: list[Stop]) -> Laid:
        """Legs for stops in order, and whether hours, light, fuel and obstacles allow them."""
        day, last, log = self.day, stops[-1], self.begin(tuple(stops))
        if log.blocked is None and not (
            self.leave(last, log, wet=False) and self.run_to(day.finish, "home", 0, log)
        ):
            log.blocked = last
        if log.blocked is not None:
            return Laid([], blocked=log.blocked)
        return Laid(log.finish(day.spare), max(log.late, log.time - day.ends), -log.fuel)

    def begin(self, stops: tuple[Stop, ...]) -> Log:
        """The day as far as the last pass over the last of some stops, or to the one that is blocked."""
        if stops not in self._begun:
            self._begun[stops] = self._begin_anew(stops)
        return self._begun[stops].copy()

    def _begin_anew(self, stops: tuple[Stop, ...]) -> Log:
        *before, stop = stops
        if before:
            log = self.begin(tuple(before))
            if log.blocked is not None:
                return log
            wet = self.goes_on(stop, log)
            if not self.leave(before[-1], log, wet=wet):
                log.blocked = before[-1]
                return log
        else:
            depart = self.first_departure(stop)
            fuel = self.day.fuel - self.day.idle_burn * (depart - self.day.starts)
            log, wet = Log(self.day.start, depart, fuel), False
        if not ((self.join if wet else self.approach)(stop, log) and self.work(stop, log)):
            log.blocked = stop
        return log

    def leave(self, stop: Stop, log: Log, *, wet: bool) -> bool:
        """Be done with a stop: take lines up, unless they stay in (`wet`); whether that was possible."""
        done = wet or self.take_up(stop, log)
        log.late = max(log.late, log.time - self.day.closes)
        return done

    def first_departure(self, stop: Stop) -> float:
        """Leave as allowed, or later where lines could not go in yet for want of daylight."""
        depart, met = self.day.starts, self.day.starts
        for _ in range(MEETING_TRIES):  # the line drifts on until then, and the run to it is another
            line = self.line_at(stop, met)
            if line.is_empty:
                return max(depart, self.day.opens)
            place, _ = approach_points(line)
            way = self.waters.way(self.day.start, place, self.day.run)
            run = 0.0 if way is None else self.waters.way_time(way, self.day.run, at=depart)
            before, depart = depart, max(self.day.starts, self.day.opens - run)
            if abs(depart - before) < CLOSE:
                break
            met = depart + run
        return depart

    def approach(self, stop: Stop, log: Log) -> bool:
        """Run to a box and put lines in; whether that was possible."""
        met = log.time
        for _ in range(MEETING_TRIES):  # the line drifts on while the boat runs to it
            line = self.line_at(stop, met)
            if line.is_empty:  # carried out of the currents
                return False
            place, _ = approach_points(line)
            way = self.waters.way(log.place, place, self.day.run)
            if way is None:
                return False
            met = log.time + self.waters.way_time(way, self.day.run, at=log.time)
        if not self.run_to(place, "run", self.rank(stop), log) or log.time < self.day.opens - 60.0:
            return False
        return self.lead_to(stop, LEAD, "lines in", log)

    def join(self, stop: Stop, log: Log) -> bool:
        """Troll on from the end of one box to the next that begins beside it; whether that was possible."""
        gap = distance(log.place, start_of(self.line_at(stop, log.time)))
        return gap < SAME_PLACE or self.lead_to(stop, gap, "troll", log)

    def goes_on(self, stop: Stop, log: Log) -> bool:
        """Whether the next box begins so near that lines may stay in."""
        line = self.line_at(stop, log.time)
        return not line.is_empty and distance(log.place, start_of(line)) <= JOINED

    def lead_to(self, stop: Stop, length: float, kind: str, log: Log) -> bool:
        """Troll through `length` m of water to where the line of a stop begins by then."""
        track = self.trolled(stop, log.time + length / self.day.troll, reverse=False)
        if track.is_empty:
            return False
        lead = shapely.LineString([log.place, start_of(track)])
        return self.troll(lead, kind, length, self.rank(stop), log)

    def work(self, stop: Stop, log: Log) -> bool:
        """Troll a box as often as it is to be; whether that was possible."""
        for number in range(stop.passes):
            track = self.trolled(stop, log.time, reverse=number % 2 == 1)
            length = line_length(self.line_at(stop, log.time))
            if not self.troll(track, "troll", length, self.rank(stop), log):
                return False
        return True

    def take_up(self, stop: Stop, log: Log) -> bool:
        """Take lines up on the same course; whether that was possible."""
        last = shapely.get_coordinates(log.rows[-1]["geometry"])
        out = shapely.LineString([log.place, _beyond(last[-2], last[-1])])
        return self.troll(out, "lines up", LEAD, self.rank(stop), log)

    def rank(self, stop: Stop) -> int:
        """Rank of a stop's box."""
        return int(self.rows[stop.row].rank)

    @cached_property
    def rows(self) -> list[Any]:
        """The rows of the boxes table."""
        return list(self.boxes.itertuples())

    def line_at(self, stop: Stop, time: float) -> shapely.LineString:
        """The line of a stop at a time, from the end the stop begins at."""
        key = stop.row, stop.flip, time
        if key not in self._lines:
            box = self.rows[stop.row]
            line = box.line.reverse() if stop.flip else box.line
            self._lines[key] = line if self.drift is None else self._drifted(line, box, time)
        return self._lines[key]

    def lies(self, row: int, hour: float) -> shapely.LineString:
        """The line of a row at an hour; as the table has it for none (NaN), or where it is lost by then."""
        line = self.line_at(Stop(row, False), hour) if np.isfinite(hour) else shapely.LineString()
        return self.rows[row].line if line.is_empty else line

    def _drifted(self, line: shapely.LineString, box: Any, time: float) -> shapely.LineString:
        """The line of a row of the boxes table at a time."""
        assert self.drift is not None
        start, windage = float(to_seconds(box.valid_time)), windage_of(box.kind, self.drift)
        return drift_line(densify(line, SPACING), self.drift, start, time, windage=windage)

    def trolled(self, stop: Stop, time: float, *, reverse: bool) -> shapely.LineString:
        """The track over the ground of one pass begun at `time`: each vertex where it is when passed."""
        line = self.line_at(stop, time)
        line = line.reverse() if reverse else line
        if self.drift is None:
            return line
        passing = time + line_distances(line) / self.day.troll
        windage = windage_of(self.rows[stop.row].kind, self.drift)
        return shapely.simplify(drift_line(line, self.drift, time, passing, windage=windage), 2e-4)

    def run_to(self, place: Place, kind: str, rank: int, log: Log) -> bool:
        """Run to a place; whether there is a way."""
        way = self.waters.way(log.place, place, self.day.run)
        if way is None:
            return False
        seconds = self.waters.way_time(way, self.day.run, at=log.time)
        log.add(kind, way, seconds, self.day.run, self.day.run_burn, rank)
        return True

    def troll(self, track: shapely.LineString, kind: str, length: float, rank: int, log: Log) -> bool:
        """Follow a track at trolling speed through `length` m of water; whether it is clear."""
        if track.is_empty or not is_clear(track, self.waters, self.day.troll):
            return False
        log.add(kind, track, length / self.day.troll, self.day.troll, self.day.troll_burn, rank)
        return True


class Log:
    """The day as it is laid out: where the boat is, when, and with how much fuel above the reserve.

    `late` (s): how long after daylight lines were still in. `blocked`: the stop that ended it.
    """

    def __init__(self, place: Place, time: float, fuel: float) -> None:
        self.place, self.time, self.fuel = place, time, fuel
        self.late = 0.0
        self.blocked: Stop | None = None
        self.rows: list[dict[str, Any]] = []

    def copy(self) -> Log:
        """The same day, to go on with."""
        other = Log(self.place, self.time, self.fuel)
        other.late, other.blocked, other.rows = self.late, self.blocked, self.rows.copy()
        return other

    def add(
        self, kind: str, way: shapely.LineString, seconds: float, speed: float, burn: float, rank: int
    ) -> None:
        """One more leg."""
        self.rows.append(
            {
                "geometry": way,
                "kind": kind,
                "start": self.time,
                "end": self.time + seconds,
                "distance": line_length(way),
                "speed": speed,
                "fuel_used": burn * seconds,
                "fuel_left": self.fuel - burn * seconds,
                "box": rank,
            }
        )
        self.place = Place(*shapely.get_coordinates(way)[-1])
        self.time += seconds
        self.fuel -= burn * seconds

    def finish(self, spare: float) -> list[dict[str, Any]]:
        """The rows with clock times, and fuel as it stands in the tank."""
        return [
            row
            | {
                "start": to_times(row["start"]),
                "end": to_times(row["end"]),
                "fuel_left": row["fuel_left"] + spare,
            }
            for row in self.rows
        ]


def approach_points(line: shapely.LineString) -> tuple[Place, Place]:
    """The places `LEAD` beyond either end of a line, on its course."""
    xy = shapely.get_coordinates(line)
    return _beyond(xy[1], xy[0]), _beyond(xy[-2], xy[-1])


def start_of(line: shapely.LineString) -> Place:
    """Where a line begins."""
    return Place(*shapely.get_coordinates(line)[0])


def _beyond(inner: np.ndarray, end: np.ndarray) -> Place:
    return destination(Place(*end), bearing(Place(*inner), Place(*end)), LEAD)


def is_clear(line: shapely.LineString, waters: Waters, speed: float) -> bool:
    """Whether a boat can follow a line all the way."""
    return bool(np.isfinite(waters.way_time(line, speed)))
