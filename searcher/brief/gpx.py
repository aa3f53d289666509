"""The plan for a chart plotter: GPX 1.1 (Topografix, https://www.topografix.com/GPX/1/1/), no extensions.

Names are short, plain ASCII and unique in the file, because many plotters cut, merge or refuse others.
"""

from __future__ import annotations

import os
import re
import unicodedata
from pathlib import Path

import gpxpy.gpx
import numpy as np
import shapely

from searcher import geo
from searcher.brief.words import (
    Step,
    cautions_of,
    moment,
    named_boxes,
    say_course,
    say_name,
    say_rate,
    steps_of,
    turn_words,
    working_line,
    wrap_longitude,
)
from searcher.files import write_text
from searcher.geo import Place
from searcher.plan import Plan

NAME_LENGTH = 10
#: how many of the best boxes are marked beside those of the route: plotters hold few marks
MOST_MARKED = 10
#: what the mark at the end of a leg is called
TAGS = {"run": "IN", "lines in": "LINE", "troll": "UP", "lines up": "RUN"}
#: characters that XML 1.0 cannot carry even escaped (section 2.2)
NOT_XML = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write_gpx(plan: Plan, path: str | os.PathLike) -> Path:
    """Write the route, and marks and trolling lines of its boxes and the ten best, as GPX 1.1.

    One route (a point wherever the course or the work changes, with its expected time; none in a plan without
    legs), one waypoint each for the sea buoy and both ends of a box, one track per trolling line. Longitudes
    are wrapped to [-180, 180). Raises `SearcherError` if the file cannot be written.
    """
    made = gpxpy.gpx.GPX()
    made.creator = "searcher"
    made.name = _plain(f"Search plan, {plan.trip.port.name}")
    made.description = _clean(" ".join(cautions_of(plan)))
    made.time = moment(plan.made_at)
    marked = plan.boxes[plan.boxes["rank"].isin(named_boxes(plan, MOST_MARKED))].sort_values("rank")
    made.waypoints = _waypoints(plan, marked)
    made.routes = [] if plan.legs.empty else [_route(plan)]
    made.tracks = [_track(box) for box in marked.itertuples()]
    return write_text(path, made.to_xml(version="1.1") + "\n")


def _route(plan: Plan) -> gpxpy.gpx.GPXRoute:
    show, steps = plan.trip.show, steps_of(plan)
    route = gpxpy.gpx.GPXRoute(name=f"DAY {show.local(plan.trip.window.start):%y%m%d}")
    route.description = _clean(
        f"Turn for home from the last box by {turn_words(plan)}. {cautions_of(plan)[0]}"
    )
    first = steps[0]
    start = _point(
        gpxpy.gpx.GPXRoutePoint, "R01 BUOY", first.places[0], "The sea buoy, outward.", first.start
    )
    route.points = [start, *_route_marks(plan, steps)]
    return route


def _route_marks(plan: Plan, steps: list[Step]) -> list[gpxpy.gpx.GPXRoutePoint]:
    """A point at the end of every leg and at every turn of a run; a leg without length adds none."""
    marks = []
    for step, following in zip(steps, [*steps[1:], None], strict=True):
        times = _times_along(step)
        for place, time in list(zip(step.places, times, strict=True))[1:]:
            is_end = place == step.places[-1]
            if (marks and _at(marks[-1], place)) or (not is_end and step.kind not in ("run", "home")):
                continue  # the bends of a trolling line are in its track
            tag = _tag(step, following) if is_end else "TURN"
            name = f"R{len(marks) + 2:02d} {tag}"[:NAME_LENGTH]
            desc = _describe(plan, step) if is_end else "Turn."
            marks.append(_point(gpxpy.gpx.GPXRoutePoint, name, place, desc, time))
    return marks


def _tag(step: Step, following: Step | None) -> str:
    """What comes at the end of a leg: lines IN, the LINE, a further PASS, lines UP, RUN, the sea BUOY.

    From one box TO the next, lines stay in.
    """
    if step.kind == "home" or following is None:
        return "BUOY"
    if step.joins:
        return f"LINE{step.box}"
    if step.kind == "troll" and following.kind == "troll":
        return f"PASS{step.box}" if step.box == following.box else f"TO{following.box}"
    return f"{TAGS[step.kind]}{following.box if step.kind == 'run' else step.box}"


def _describe(plan: Plan, step: Step) -> str:
    show = plan.trip.show
    course = f" course {say_course(step.courses[0])} true," if step.courses else ""
    return _clean(
        f"{step.kind.capitalize()}:{course} {show.say_distance(step.distance)} at "
        f"{show.say_speed(step.speed)}; here {show.say_time(step.end)}, "
        f"fuel left {show.say_fuel(step.fuel_left)}"
    )


def _times_along(step: Step) -> list[np.datetime64]:
    """The time at every place of a leg, at even speed over the ground."""
    along = geo.line_distances(np.array(step.places))
    share = along / along[-1] if along[-1] else np.ones(along.size)
    return list(step.start + share * (step.end - step.start))


def _waypoints(plan: Plan, boxes) -> list[gpxpy.gpx.GPXWaypoint]:
    show, kind = plan.trip.show, gpxpy.gpx.GPXWaypoint
    points = [_point(kind, "SEA BUOY", Place(*plan.trip.port.sea_buoy), f"Sea buoy of {plan.trip.port.name}")]
    for box in boxes.itertuples():
        first, last = working_line(plan, box.rank)
        depth = "depth not known" if np.isnan(box.depth) else f"depth {show.say_depth(box.depth)}"
        rate = f"{say_rate(box.expected)} encounters per hour expected"
        about = f"Box {box.rank}, {say_name(box.kind)}, {depth}, {rate}. "
        points.append(_point(kind, f"B{box.rank} IN", first, f"Work from here. {about}{box.why}"))
        points.append(_point(kind, f"B{box.rank} UP", last, f"To here. {about}"))
    return points


def _track(box) -> gpxpy.gpx.GPXTrack:
    track = gpxpy.gpx.GPXTrack(
        name=f"B{box.rank} TROLL", description=_clean(f"Trolling line of box {box.rank}")
    )
    places = [
        gpxpy.gpx.GPXTrackPoint(latitude=_latitude(lat), longitude=wrap_longitude(lon))
        for lon, lat in shapely.get_coordinates(box.line)
    ]
    track.segments = [gpxpy.gpx.GPXTrackSegment(places)]
    return track


def _point(kind, name: str, place: Place, desc: str, time: np.datetime64 | None = None):
    point = kind(latitude=_latitude(place.lat), longitude=wrap_longitude(place.lon), name=name)
    point.description = _clean(desc)
    point.time = None if time is None else moment(time)
    return point


def _at(point, place: Place) -> bool:
    return (point.longitude, point.latitude) == (wrap_longitude(place.lon), _latitude(place.lat))


def _latitude(lat: float) -> float:
    return round(float(lat), 7)


def _clean(text: str) -> str:
    """Text without the characters XML cannot carry, on one line."""
    return " ".join(NOT_XML.sub("", text).split())


def _plain(text: str) -> str:
    """Text in ASCII, accents dropped."""
    folded = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    return _clean(folded)
