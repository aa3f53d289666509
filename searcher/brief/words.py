"""Words, places and files that every hand-over shares."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import shapely

from searcher import geo
from searcher.conditions import STANDING_CAUTIONS
from searcher.geo import Place
from searcher.plan import Plan


class Step(NamedTuple):
    """One leg of the day as the hand-over writes it: places, courses and what is left, in inside units."""

    kind: str
    box: int
    places: tuple[Place, ...]
    start: np.datetime64
    end: np.datetime64
    courses: tuple[float, ...]  # initial true bearing of each stretch, degrees
    distance: float
    speed: float
    fuel_used: float
    fuel_left: float

    @property
    def seconds(self) -> float:
        return float((self.end - self.start) / np.timedelta64(1, "s"))


def steps_of(plan: Plan) -> list[Step]:
    """The legs of a plan in order, with the true course of every stretch between two places."""
    steps = []
    for leg in plan.legs.itertuples():
        places = tuple(Place(*xy) for xy in shapely.get_coordinates(leg.geometry))
        pairs = [(a, b) for a, b in pairwise(places) if a != b]
        courses = tuple(geo.bearing(a, b) for a, b in pairs)
        steps.append(
            Step(
                leg.kind,
                int(leg.box),
                places,
                leg.start.to_datetime64(),
                leg.end.to_datetime64(),
                courses,
                float(leg.distance),
                float(leg.speed),
                float(leg.fuel_used),
                float(leg.fuel_left),
            )
        )
    return steps


def cautions_of(plan: Plan) -> tuple[str, ...]:
    """The plan's own cautions, then the standing ones it does not already carry."""
    return tuple(dict.fromkeys((*plan.cautions, *STANDING_CAUTIONS)))


def working_line(plan: Plan, rank: int) -> tuple[Place, Place]:
    """Where lines go in and where they come up for a box: of its legs, else the ends of its trolling line."""
    of_box = [step for step in steps_of(plan) if step.box == rank and step.kind in ("lines in", "troll")]
    if of_box:
        return of_box[0].places[0], of_box[-1].places[-1]
    box = plan.boxes.loc[plan.boxes["rank"] == rank].iloc[0]
    ends = shapely.get_coordinates(box["line"])
    return Place(*ends[0]), Place(*ends[-1])


def wrap_longitude(lon: float, *, digits: int = 7) -> float:
    """Longitude in [-180, 180), rounded first so that rounding cannot lead out of it."""
    return round((round(float(lon), digits) + 180.0) % 360.0 - 180.0, digits)


def say_minutes(degrees: float, *, letters: str, digits: int = 2) -> str:
    """Degrees and decimal minutes, as 30° 18.36′ S; `letters` names the positive and the negative side."""
    unit = 60 * 10**digits
    whole = round(abs(degrees) * unit)
    width = digits + (3 if digits else 2)
    minutes = (whole % unit) / 10**digits
    letter = letters[0] if degrees >= 0 or not whole else letters[1]
    return f"{whole // unit}° {minutes:0{width}.{digits}f}′ {letter}"


def say_place(place: Place, *, digits: int = 2) -> str:
    """A position as it is written on a chart: latitude, then longitude, degrees and decimal minutes."""
    lat = say_minutes(place.lat, letters="NS", digits=digits)
    lon = say_minutes(wrap_longitude(place.lon), letters="EW", digits=digits)
    return f"{lat}  {lon}"


def say_course(degrees: float) -> str:
    """A true course with three figures; north is 000."""
    return f"{round(degrees) % 360:03d}°"


def say_span(seconds: float) -> str:
    """A length of time: 25 min, 3 h 05 min, 2 days 4 h."""
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes:02d} min" if minutes else f"{hours} h"
    return f"{hours // 24} days {hours % 24} h"


def iso(time: np.datetime64) -> str:
    """ISO 8601, UTC, to the second, with Z."""
    return moment(time).strftime("%Y-%m-%dT%H:%M:%SZ")


def moment(time: np.datetime64) -> datetime:
    """A timezone-aware UTC datetime, rounded to the second."""
    whole = (np.datetime64(time, "ms") + np.timedelta64(500, "ms")).astype("datetime64[s]")
    return whole.astype(datetime).replace(tzinfo=UTC)


def turn_words(plan: Plan, *, clock: bool = False) -> str:
    """The latest time to turn for home (with `clock`, without its date); a dash where there is none."""
    if np.isnat(plan.turn_for_home):
        return "–"
    show = plan.trip.show
    return show.say_clock(plan.turn_for_home) if clock else show.say_time(plan.turn_for_home)


def port_hours(plan: Plan) -> tuple[np.datetime64, np.datetime64] | None:
    """When to leave the berth and when the boat is back at it by the route; None where there is no route."""
    if plan.legs.empty:
        return None
    way = np.timedelta64(round(plan.reach.attrs["port_time"] * 1000), "ms")
    start, end = plan.legs["start"].iloc[0], plan.legs["end"].iloc[-1]
    return start.to_datetime64() - way, end.to_datetime64() + way


def fuel_home(plan: Plan) -> float:
    """Fuel left in the berth after the route, L."""
    return float(plan.legs["fuel_left"].iloc[-1]) - plan.reach.attrs["port_fuel"]


def data_words(plan: Plan, node: str) -> str:
    """When the newest field of a node at departure is from and how old that is; "" where there is none."""
    for row in plan.data:
        if row["node"] == node and row["age"] is not None:
            seen = plan.trip.window.start - np.timedelta64(round(row["age"]), "s")
            return f"{plan.trip.show.say_time(seen)} ({say_span(row['age'])} old when leaving)"
    return ""


def credits_of(plan: Plan) -> str:
    """The credit lines of all data and of the coast, each once."""
    lines = [row["credit"] or row["source"] for row in plan.data]
    lines.append("Coast: GSHHG (Wessel & Smith 1996)")
    return " ".join(f"{line.rstrip('.')}." for line in dict.fromkeys(lines) if line)
