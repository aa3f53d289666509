"""What each box, leg, line and stay has to say: a plan's facts as words, for tables and the map's stories."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import shapely

from searcher import geo, tables
from searcher.brief.words import (
    Step,
    passes_of,
    say_course,
    say_hour,
    say_pace,
    say_place,
    say_rate,
    say_span,
    worked_boxes,
    working_line,
)
from searcher.geo import Place
from searcher.onward import say_numbers
from searcher.plan import Plan
from searcher.tables import RUNS, Row, say_name

#: evidence that changes the rate by less than this (natural log) is called neutral
NEUTRAL = 0.05


def spot(place: Place) -> str:
    """A position that breaks, if it must, between latitude and longitude only."""
    return "  ".join(half.replace(" ", "\u00a0") for half in say_place(place).split("  "))


def from_buoy(plan: Plan, place: Place) -> str:
    """How far and on what true bearing a place lies from the sea buoy."""
    buoy = Place(*plan.trip.port.sea_buoy)
    far = plan.trip.show.say_distance(geo.distance(buoy, place))
    whose = f" of {plan.trip.port.name}" if plan.trip.finish else ""
    return f"{far}, {say_course(geo.bearing(buoy, place))} true from the sea buoy{whose}"


def expected(box: Row) -> dict[str, Any]:
    """The expected rate of a box (a mapping) and its interval."""
    names = {"rate": "expected", "low": "expected_low", "high": "expected_high"}
    return {name: say_rate(box[column]) for name, column in names.items()}


def follows_line(step: Step) -> bool:
    """Whether a leg trolls along a line that bends, which is steered by the line and not by courses."""
    return step.kind == "troll" and not step.joins and len(step.courses) > 1


def turns_of(step: Step) -> list[Place]:
    """Where a leg that is steered by courses turns from one to the next; none of one that follows a line."""
    ways = [(a, b) for a, b in pairwise(step.places) if a != b]
    return [] if follows_line(step) else [begin for begin, _ in ways[1:]]


def sun_moments(plan: Plan) -> list[tuple[np.datetime64, str]]:
    """Sunrise and sunset at the port with their words; none where the sun does not set or rise that day."""
    rise, down, say = plan.trip.window.sunrise, plan.trip.window.sunset, plan.trip.show.say_clock
    if rise == down or not plan.trip.window.has_night:
        return []
    return [(rise, f"sunrise {say(rise)}"), (down, f"sunset {say(down)}")]


def sun_words(plan: Plan) -> str:
    """When the sun rises and sets at the port that day, or that it does not."""
    without = "the sun does not rise" if plan.trip.window.has_night else "the sun does not set"
    return ", ".join(words for _, words in sun_moments(plan)) or without


def leg_story(plan: Plan, step: Step) -> dict[str, Any]:
    """One leg of the day."""
    show = plan.trip.show
    courses = " ".join(say_course(course) for course in step.courses)
    if follows_line(step):
        courses = f"{say_course(step.courses[0])} then line"
    return {
        "story": f"leg-{step.row}",
        "kind": step.kind,
        "does": "troll on, lines stay in" if step.joins else step.kind,
        "box": step.box if step.kind not in RUNS else 0,
        "to_box": step.box,
        "start": spot(step.places[0]),
        "end": spot(step.places[-1]),
        "turns": [spot(place) for place in turns_of(step)],
        "course": courses or "–",
        "distance": show.say_distance(step.distance),
        "pace": say_pace(step, show),
        "speed": show.say_speed(step.speed),
        "leave": say_hour(plan, step.start),
        "eta": say_hour(plan, step.end),
        "span": say_span(step.seconds).replace(" ", "\u00a0"),
        "used": show.say_fuel(step.fuel_used),
        "fuel": show.say_fuel(step.fuel_left),
        "fuel_share": 100 * max(0.0, min(1.0, step.fuel_left / plan.trip.boat.tank)),
    }


def box_story(plan: Plan, box: Row, steps: list[Step]) -> dict[str, Any]:
    """One search box (a row of `plan.boxes`), worked in some of the steps of the plan or not."""
    show, row = plan.trip.show, box._asdict()
    first, last = working_line(plan, int(box.rank), steps)
    worked = bool(passes_of(steps, int(box.rank)))
    line = shapely.LineString([first, last]) if worked else box.line
    middle = Place(*shapely.line_interpolate_point(line, 0.5, normalized=True).coords[0])
    names = tables.evidence_columns(plan.boxes)
    widest = float(np.nanmax(np.abs(plan.boxes[names].to_numpy(dtype=float)), initial=math.log(3.0)))
    pieces = [evidence(name, row[name], widest) for name in names]
    return {
        "story": f"box-{int(box.rank)}",
        "rank": int(box.rank),
        "kind": say_name(box.kind),
        "from": spot(first),
        "to": spot(last),
        "from_buoy": f"{from_buoy(plan, middle)} to its middle",
        "depth": "not known" if np.isnan(box.depth) else show.say_depth(box.depth),
        "length": show.say_distance(box.length),
        "doubt": show.say_distance(box.doubt),
        "time_out": say_span(box.time_out),
        "fuel": show.say_fuel(box.fuel),
        "expected": expected(row),
        "evidence": [piece for piece in pieces if not piece["neutral"]],
        "neutral": ", ".join(piece["name"] for piece in pieces if piece["neutral"]),
        "why": box.why,
    }


def evidence(column: str, value: float, widest: float) -> dict[str, Any]:
    """One piece of evidence: its factor on the rate, and a bar from the middle (`widest` fills it)."""
    name = say_name(column.removeprefix(tables.EVIDENCE))
    if not np.isfinite(value):
        return {"name": name, "factor": "not known", "x": 50.0, "wide": 0.0, "up": True, "neutral": False}
    wide = 50.0 * min(1.0, abs(value) / widest)
    x = 50.0 if value >= 0 else 50.0 - wide
    neutral = abs(value) < NEUTRAL
    factor = f"×{math.exp(value):.2g}"
    return {"name": name, "factor": factor, "x": x, "wide": wide, "up": value >= 0, "neutral": neutral}


def line_story(plan: Plan, number: int, front: Row) -> dict[str, Any]:
    """One line where something changes or gathers (a row of `plan.fronts`)."""
    show = plan.trip.show
    return {
        "story": f"line-{number}",
        "number": number + 1,
        "kind": say_name(front.kind),
        "step": _line_step(plan, front),
        "length": show.say_distance(front.length),
        "doubt": show.say_distance(front.doubt),
        "valid": say_hour(plan, front.valid_time.to_datetime64()),
        "seen": show.say_time(front.seen_time.to_datetime64()),
        "share": "" if np.isnan(front.seen_share) else f"{front.seen_share:.0%}",
        "confidence": "" if np.isnan(front.confidence) else f"{front.confidence:.0%}",
    }


def _line_step(plan: Plan, front: Row) -> str:
    """What changes across a line, by how much and over what width; "" where nothing is known to."""
    if not np.isfinite(front.step):
        return ""
    if front.kind == tables.COLOR_CHANGE:
        said = f"{10**front.step:.1f} times the chlorophyll on its green side"
    else:
        show = plan.trip.show
        give = f", give or take {show.say_step(front.step_doubt)}" if np.isfinite(front.step_doubt) else ""
        side = f", warm to the {front.warm_side}" if front.warm_side else ""
        said = f"{show.say_step(front.step)} across it{give}{side}"
    wide = f", within {plan.trip.show.say_distance(front.width)}" if np.isfinite(front.width) else ""
    return f"{said}{wide}"


def stay_rows(plan: Plan) -> list[dict[str, Any]]:
    """How long to work each box of the route, and when to leave one that is empty."""
    rows = []
    for stay in plan.stays.itertuples():
        start, end, leave = (np.datetime64(t, "ns") for t in (stay.start, stay.end, stay.leave_by))
        early = (end - leave) > np.timedelta64(60, "s")
        passes = int(stay.passes)
        rows.append(
            {
                "rank": int(stay.box),
                "from": say_hour(plan, start),
                "until": say_hour(plan, end),
                "passes": f"{passes} pass{'es' if passes != 1 else ''}",
                "span": say_span(float((end - start) / np.timedelta64(1, "s"))),
                "expected": say_rate(float(stay.expected)),
                "leave": say_hour(plan, leave) if early else "",
            }
        )
    return rows


def passed_over(plan: Plan, steps: list[Step]) -> str:
    """Why no box that promises more an hour than those of the route is on it; "" where there is no such box.

    Of boxes left out by the skipper nothing is said, and nothing at all where the plan does not know which
    those are (`settings`), or where boxes were pinned: then the reason may be another.
    """
    worked, banned = worked_boxes(steps), plan.settings.get("banned")
    if not worked or banned is None or plan.settings.get("pinned"):
        return ""
    rates = plan.boxes.set_index("rank")["expected"]
    better = rates[(rates.index < min(worked)) & (rates > rates[worked].max())].index
    ranks = sorted({int(rank) for rank in better} - set(banned))
    if not ranks:
        return ""
    one = len(ranks) == 1
    begin = f"Box {ranks[0]} holds" if one else f"Boxes {say_numbers(ranks)} hold"
    return (
        f"{begin} more an hour, but {'is' if one else 'are'} not on the route: with the time and fuel of "
        f"this day no route found through {'it' if one else 'them'} yields more in all."
    )


def proof_words(plan: Plan) -> str:
    """How good the tour is known to be, of the boxes before they drift; "" where there is none."""
    if plan.legs.empty or not plan.best > 0:
        return ""
    if plan.proven:
        return "This choice and order of boxes is proven best (with the boxes lying still)."
    gap = 1 - plan.best / plan.bound
    if gap > 0.5:  # an infinite bound too
        return "How near this choice of boxes is to the best possible is not known."
    return f"This choice of boxes is within {max(gap, 0.001):.1%} of the best possible (boxes lying still)."
