"""What a chart plotter takes: short plain names, each once, and routes of no more points than it holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import count
from typing import NamedTuple

import numpy as np
import shapely

from searcher import geo
from searcher.brief.words import Step, say_course, say_pace, steps_of
from searcher.coast import find_obstacles
from searcher.errors import SearcherError
from searcher.geo import LocalPlane, Place
from searcher.plan import Plan
from searcher.tables import RUNS
from searcher.trip import Trip

#: what the mark at the end of a leg is called
TAGS = {"run": "IN", "lines in": "LINE", "troll": "UP", "lines up": "RUN"}
#: marks within a leg: where a run turns, and where a trolling line bends
TURN, BEND = "TURN", "BEND"
#: letters of a name, fewest and most: old plotters cut or refuse longer ones (common practice, no source)
NAME_LENGTHS = (6, 10)
FEWEST_POINTS = 2


@dataclass(frozen=True)
class Plotter:
    """Limits of a plotter: letters of a name (6 to 10), points of a route, and metres of simplifying.

    A route of more than `most_points` points (None: no limit) is written as several, each beginning where
    the one before ends. Bends of a trolling line of less than `tolerance` metres are left out of the route;
    turns of a run, which keep the boat off land, never are. Raises `SearcherError` for impossible limits.
    """

    name_length: int = NAME_LENGTHS[1]
    most_points: int | None = None
    tolerance: float = 100.0

    @classmethod
    def of(cls, trip: Trip) -> Plotter:
        """The limits a trip names in its section [plotter]."""
        return cls(trip.plotter.names, trip.plotter.points, trip.plotter.within)

    def __post_init__(self) -> None:
        least, most = NAME_LENGTHS
        if not least <= self.name_length <= most:
            raise SearcherError(
                "letters of a plotter's names", given=self.name_length, expected=f"{least} to {most}"
            )
        if self.most_points is not None and self.most_points < FEWEST_POINTS:
            raise SearcherError(
                "points of a plotter's route", given=self.most_points, expected=f"at least {FEWEST_POINTS}"
            )
        if not 0 <= self.tolerance < np.inf:
            raise SearcherError(
                "tolerance of a plotter's route", given=f"{self.tolerance:g} m", expected="0 m or more"
            )


class Names:
    """Names of at most so many letters, each given out once in a file."""

    def __init__(self, length: int) -> None:
        self.length = length
        self.taken: set[str] = set()

    def take(self, *forms: str) -> str:
        """The first of some forms of a name, longest first, that fits and is free; else numbered."""
        fitting = (form for form in forms if len(form) <= self.length)
        numbered = (f"{forms[-1][: self.length - len(str(k))]}{k}" for k in count(2))
        name = next(name for each in (fitting, numbered) for name in each if name not in self.taken)
        self.taken.add(name)
        return name

    def of_mark(self, number: int, mark: Mark) -> str:
        """Name of a route's point: R04 LINE1, for a small plotter R04 LI1 or R04L1."""
        box = mark.box or ""
        first, brief = f"R{number:02d}", mark.tag[:2]
        return self.take(
            f"{first} {mark.tag}{box}", f"{first} {brief}{box}", f"{first}{mark.tag[0]}{box}", first
        )

    def of_part(self, day: datetime, part: int, parts: int) -> str:
        """Name of a route: its date, and its number where there are several."""
        if parts == 1:
            return self.take(f"DAY {day:%y%m%d}", f"D{day:%y%m%d}", f"D{day:%m%d}")
        return self.take(f"D{day:%y%m%d}-{part}", f"D{day:%m%d}-{part}", f"D{day:%d}-{part}")


class Mark(NamedTuple):
    """A point of the route before it has a name: what comes there, at which box (0 for none), and when."""

    tag: str
    box: int
    place: Place
    time: np.datetime64
    text: str


def route_marks(plan: Plan, tolerance: float) -> list[Mark]:
    """The route's points: its start, the end of every leg, turns of runs, and bends of trolling legs.

    Bends of less than `tolerance` metres are left out; a leg without length adds no point.
    """
    steps = steps_of(plan)
    first = steps[0]
    is_out = _is_same(first.places[0], plan.trip.port.sea_buoy)
    start = ("BUOY", "The sea buoy, outward.") if is_out else ("HERE", "Where the boat is.")
    marks = [Mark(start[0], 0, first.places[0], first.start, start[1])]
    obstacles = (plan.waters.obstacles if plan.waters else find_obstacles(plan.trip)) if tolerance else None
    for step, following in zip(steps, [*steps[1:], None], strict=True):
        within, box = (TURN, 0) if step.kind in RUNS else (BEND, step.box)
        times = _times_along(step)
        for k in _kept_bends(step, tolerance, obstacles):
            marks.append(Mark(within, box, step.places[k], times[k], f"{within.capitalize()}."))
        if not _is_same(step.places[-1], marks[-1].place):
            tag, box = _tag(step, following)
            marks.append(Mark(tag, box, step.places[-1], step.end, _describe(plan, step)))
    return marks


def split_marks(marks: Sequence[Mark], most: int | None) -> list[Sequence[Mark]]:
    """Parts of at most `most` points, each beginning where the one before ends; cut at the end of a leg
    wherever one lies in the latter half of a part."""
    if most is None or len(marks) <= most:
        return [marks]
    ends = (k for k in range(max(most // 2, 1), most) if marks[k].tag not in (TURN, BEND))
    cut = max(ends, default=most - 1)
    return [marks[: cut + 1], *split_marks(marks[cut:], most)]


def _kept_bends(step: Step, tolerance: float, obstacles: shapely.Geometry | None) -> list[int]:
    """Places within a leg that the route keeps: all of a run, of a troll those Douglas and Peucker keep.

    All are kept where the simpler line would touch land, its clearance or a closed area.
    """
    places = step.places
    every = [k for k in range(1, len(places) - 1) if not _is_same(places[k], places[k - 1])]
    if step.kind in RUNS or not every or not tolerance:
        return every
    plane = LocalPlane(places[0])
    flat = plane.to_plane(shapely.LineString(places))
    straight = shapely.simplify(flat, tolerance)
    if shapely.intersects(obstacles, plane.to_degrees(straight)):
        return every
    kept = set(straight.coords)
    return [k for k in every if flat.coords[k] in kept]


def _is_same(one: Place, other: Place) -> bool:
    """Whether two places are one in the file, which keeps centimetres."""
    return max(abs(a - b) for a, b in zip(one, other, strict=True)) < 1e-7


def _times_along(step: Step) -> np.ndarray:
    """The time at every place of a leg, at even speed over the ground."""
    along = geo.line_distances(np.array(step.places))
    share = along / along[-1] if along[-1] else np.ones(along.size)
    return step.start + share * (step.end - step.start)


def _tag(step: Step, following: Step | None) -> tuple[str, int]:
    """What comes at the end of a leg: lines IN, the LINE, a further PASS, lines UP, RUN, the sea BUOY.

    From one box TO the next, lines stay in.
    """
    if step.kind == "home" or following is None:
        return "BUOY", 0
    if step.joins:
        return "LINE", step.box
    if step.kind == "troll" and following.kind == "troll":
        return ("PASS", step.box) if step.box == following.box else ("TO", following.box)
    return TAGS[step.kind], step.box


def _describe(plan: Plan, step: Step) -> str:
    show = plan.trip.show
    course = f" course {say_course(step.courses[0])} true," if step.courses else ""
    return (
        f"{step.kind.capitalize()}:{course} {show.say_distance(step.distance)} at "
        f"{say_pace(step, show)}; here {show.say_time(step.end)}, "
        f"fuel left {show.say_fuel(step.fuel_left)}"
    )
