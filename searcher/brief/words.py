"""Words, places and files that every hand-over shares."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import shapely

from searcher import geo
from searcher.conditions import STANDING_CAUTIONS
from searcher.geo import Place
from searcher.plan import Plan
from searcher.tables import RUNS, TEMPERATURE_BREAK, pace_of
from searcher.trip.model import Finish, Port
from searcher.units import Show

#: a joining leg shorter than this is no leg of its own, s
SHORT_JOIN = 60.0
#: how many of the best boxes are named, on page and map alike, beside those of the route
MOST_NAMED = 5
#: why the troll is not on the drawn line
COLD_SIDE = "Breaks are trolled on purpose on their cold side, where floating matter gathers."
#: the hand-over names an hour to leave other than the one asked for when they differ by so much
LATER = np.timedelta64(60, "s")


class Step(NamedTuple):
    """One leg of the day as the hand-over writes it: places, courses and what is left, in inside units."""

    kind: str
    box: int
    places: tuple[Place, ...]
    start: np.datetime64
    end: np.datetime64
    courses: tuple[float, ...]  # initial true bearing of each stretch, degrees
    distance: float
    speed: float  # `searcher.tables.pace_of`
    fuel_used: float
    fuel_left: float
    joins: bool = False  # lines stay in on the way from the end of one box to the next
    row: int = 0  # of the legs table

    @property
    def seconds(self) -> float:
        return float((self.end - self.start) / np.timedelta64(1, "s"))


def steps_of(plan: Plan) -> list[Step]:
    """The legs of a plan in order, with the true course of every stretch between two places.

    Joining legs of less than a minute are left out: one box is worked from the end of the other.
    """
    steps, joining = [], _joining(plan)
    for row, (leg, joins) in enumerate(zip(plan.legs.itertuples(), joining, strict=True)):
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
                pace_of(leg),
                float(leg.fuel_used),
                float(leg.fuel_left),
                joins,
                row,
            )
        )
    return [step for step in steps if not (step.joins and step.seconds < SHORT_JOIN)]


def _joining(plan: Plan) -> list[bool]:
    """Which legs only lead to a box with the lines in: trolled, first of its box, shorter than its passes."""
    kinds, boxes = list(plan.legs["kind"]), list(plan.legs["box"])
    spans = list(plan.legs["end"] - plan.legs["start"])
    first = [k for k in range(len(kinds)) if k == 0 or boxes[k] != boxes[k - 1]]
    return [
        k in first
        and kinds[k : k + 2] == ["troll", "troll"]
        and boxes[k] == boxes[k + 1]
        and spans[k] < 0.5 * spans[k + 1]
        for k in range(len(kinds))
    ]


def passes_of(steps: list[Step], rank: int) -> list[Step]:
    """The passes over a box, in order."""
    return [step for step in steps if step.box == rank and step.kind == "troll" and not step.joins]


def worked_boxes(steps: list[Step]) -> list[int]:
    """Ranks of the boxes of the route, in its order."""
    return list(dict.fromkeys(step.box for step in steps if step.kind == "troll"))


def named_boxes(plan: Plan, count: int = MOST_NAMED) -> set[int]:
    """Ranks of the boxes the route works, and of the best `count`."""
    worked = {int(rank) for rank in plan.legs["box"]} - {0}
    return worked | {int(rank) for rank in plan.boxes["rank"].nsmallest(count)}


def cautions_of(plan: Plan) -> tuple[str, ...]:
    """The plan's own cautions, then the standing ones it does not already carry."""
    return tuple(dict.fromkeys((*plan.cautions, *STANDING_CAUTIONS)))


def working_line(plan: Plan, rank: int, steps: list[Step]) -> tuple[Place, Place]:
    """The ends of the water worked for a box: from lines in, or where the first pass begins, to its end.

    Of the steps of the plan (`steps_of`). Further passes go over the same water. A box that is not in the
    route has its trolling line's ends.
    """
    lines_in = [step for step in steps if step.box == rank and step.kind == "lines in"]
    if passes := passes_of(steps, rank):
        return (lines_in or passes)[0].places[0], passes[0].places[-1]
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


def say_pace(step: Step, show: Show) -> str:
    """How fast a leg is gone: "16.4 kn over the ground" for a run, "8.0 kn" with lines in the water."""
    ground = " over the ground" if step.kind in RUNS else ""
    return f"{show.say_speed(step.speed)}{ground}"


def say_span(seconds: float) -> str:
    """A length of time: 25 min, 3 h 05 min, 2 days 4 h, 3 days."""
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes:02d} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} days {hours} h" if hours else f"{days} days"


def iso(time: np.datetime64) -> str:
    """ISO 8601, UTC, to the second, with Z."""
    return moment(time).strftime("%Y-%m-%dT%H:%M:%SZ")


def moment(time: np.datetime64) -> datetime:
    """A timezone-aware UTC datetime, rounded to the second."""
    exact = np.datetime64(time, "ms")  # type: ignore[call-overload]  # numpy's types know no unit here
    whole: datetime = (exact + np.timedelta64(500, "ms")).astype("datetime64[s]").astype(datetime)
    return whole.replace(tzinfo=UTC)


def turn_words(plan: Plan, *, clock: bool = False) -> str:
    """The latest time to turn for home (with `clock`, without its date); a dash where there is none."""
    if np.isnat(plan.turn_for_home):
        return "–"
    return say_hour(plan, plan.turn_for_home) if clock else plan.trip.show.say_time(plan.turn_for_home)


def port_hours(plan: Plan) -> tuple[np.datetime64, np.datetime64] | None:
    """When to leave the berth and when the boat is in its last port by the route; None without a route."""
    if plan.legs.empty:
        return None
    attrs = plan.reach.attrs
    out, home = attrs["port_time"], attrs.get("finish_time", attrs["port_time"])
    way_out, way_home = (np.timedelta64(round(span * 1000), "ms") for span in (out, home))
    start, end = plan.legs["start"].iloc[0], plan.legs["end"].iloc[-1]
    return start.to_datetime64() - way_out, end.to_datetime64() + way_home


def leave_words(plan: Plan) -> str:
    """Why the boat leaves later than asked; "" where it does not."""
    asked, hours = plan.trip.window.start, port_hours(plan)
    if hours is None or hours[0] - asked < LATER:
        return ""
    say = plan.trip.show.say_clock
    return (
        f"You asked {say(asked, day=hours[0])}; lines go in no earlier than sunrise, so "
        f"{say(hours[0], day=asked)}."
    )


def leaving(plan: Plan) -> np.datetime64:
    """When the boat leaves its berth: by the route, or as asked where there is none."""
    hours = port_hours(plan)
    return plan.trip.window.start if hours is None else hours[0]


def say_hour(plan: Plan, time: np.datetime64) -> str:
    """A local time of the day, with the day of the week where it is not that of leaving: 15:22, Sun 02:00."""
    return plan.trip.show.say_clock(time, day=leaving(plan))


def line_words(plan: Plan) -> str:
    """The hours the drawn lines stand for; "" where there are none."""
    times = plan.fronts["valid_time"]
    if times.empty:
        return ""
    hours = dict.fromkeys(say_hour(plan, time) for time in (times.min(), times.max()))
    return f"lines where expected when the boat could first be there, {' to '.join(hours)}"


def learned_words(plan: Plan) -> str:
    """How many trips stand behind the weights; "" where none does."""
    trips = plan.learned_from
    own = f"{trips} of your own trips" if trips > 1 else "one trip of your own"
    return f"The weights have learned from {own}." if trips else ""


def cold_side_words(plan: Plan) -> str:
    """Where the troll lies beside a drawn temperature break; "" where none is trolled."""
    worked = plan.boxes["rank"].isin(worked_boxes(steps_of(plan)))
    on_break = (plan.boxes.loc[worked, "kind"] == TEMPERATURE_BREAK).any()
    return COLD_SIDE if on_break else ""


def say_rate(rate: float) -> str:
    """A rate with two significant figures: 3.4, 0.20, 0.034."""
    rounded = float(f"{rate:.1e}")
    decimals = 1 - math.floor(math.log10(rounded)) if rounded > 0 else 1
    return f"{rounded:.{max(decimals, 0)}f}"


def fuel_home(plan: Plan) -> float:
    """Fuel left in the last port after the route, L."""
    attrs = plan.reach.attrs
    return float(plan.legs["fuel_left"].iloc[-1]) - attrs.get("finish_fuel", attrs["port_fuel"])


def ports_words(plan: Plan) -> str:
    """The port, or both where the day ends in another."""
    return " to ".join(dict.fromkeys(port.name for port in ports_of(plan)))


def ports_of(plan: Plan) -> list[Port | Finish]:
    """The port, and that in which the day ends where it is another."""
    return [plan.trip.port, *([plan.trip.finish] if plan.trip.finish else [])]


def home_words(plan: Plan) -> str:
    """Where the boat will be in the evening: "port", or the name of that other port."""
    return plan.trip.finish.name if plan.trip.finish else "port"


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
    if not any("GSHHG" in line for line in lines if line):
        lines.append("Coast: GSHHG (Wessel & Smith 1996)")
    return " ".join(f"{line.rstrip('.')}." for line in dict.fromkeys(lines) if line)
