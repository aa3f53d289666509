"""The plan for a chart plotter: GPX 1.1 (Topografix, https://www.topografix.com/GPX/1/1/), no extensions.

Names are short, plain ASCII and unique in the file, because many plotters cut, merge or refuse others.
"""

from __future__ import annotations

import os
import re
import unicodedata
from pathlib import Path
from typing import TypeVar

import geopandas as gpd
import gpxpy.gpx
import numpy as np
import shapely

from searcher.brief.plotter import Names, Plotter, route_marks, split_marks
from searcher.brief.words import (
    cautions_of,
    leaving,
    moment,
    named_boxes,
    ports_words,
    say_rate,
    steps_of,
    turn_words,
    working_line,
    wrap_longitude,
)
from searcher.files import write_text
from searcher.geo import Place
from searcher.plan import Plan
from searcher.tables import Row, say_name

#: how many of the best boxes are marked beside those of the route: plotters hold few marks
MOST_MARKED = 10
#: characters that XML 1.0 cannot carry even escaped (section 2.2)
NOT_XML = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


Point = TypeVar("Point", gpxpy.gpx.GPXWaypoint, gpxpy.gpx.GPXRoutePoint)


def write_gpx(plan: Plan, path: str | os.PathLike[str], *, plotter: Plotter | None = None) -> Path:
    """Write the route, and marks and trolling lines of its boxes and the ten best, as GPX 1.1.

    One route (a point wherever the course or the work changes, with its expected time; none in a plan without
    legs), or several where `plotter` holds fewer points; one waypoint each for the sea buoy and both ends of
    a box, one track per trolling line. Longitudes are wrapped to [-180, 180). Raises `SearcherError` if the
    file cannot be written.
    """
    plotter = plotter or Plotter.of(plan.trip)
    names = Names(plotter.name_length)
    made = gpxpy.gpx.GPX()
    made.creator = "searcher"
    made.name = plain_text(f"Search plan, {ports_words(plan)}")
    made.description = xml_text(" ".join(cautions_of(plan)))
    made.time = moment(plan.made_at)
    marked = plan.boxes[plan.boxes["rank"].isin(named_boxes(plan, MOST_MARKED))].sort_values("rank")
    made.waypoints = _waypoints(plan, marked, names)
    made.routes = [] if plan.legs.empty else _routes(plan, plotter, names)
    made.tracks = [_track(box, names) for box in marked.itertuples()]
    return write_text(path, made.to_xml(version="1.1") + "\n")


def _routes(plan: Plan, plotter: Plotter, names: Names) -> list[gpxpy.gpx.GPXRoute]:
    """The day as one route, or as parts that a small plotter holds."""
    parts = split_marks(route_marks(plan, plotter.tolerance), plotter.most_points)
    day = plan.trip.show.local(leaving(plan))
    routes, number = [], 1
    for part, marks in enumerate(parts, start=1):
        route = gpxpy.gpx.GPXRoute(name=names.of_part(day, part, len(parts)))
        route.description = xml_text(_about_route(plan, plotter, part, len(parts)))
        for mark in marks:
            name = names.of_mark(number, mark)
            route.points.append(_point(gpxpy.gpx.GPXRoutePoint, name, mark.place, mark.text, mark.time))
            number += 1
        routes.append(route)
    return routes


def _about_route(plan: Plan, plotter: Plotter, part: int, parts: int) -> str:
    which = f"Part {part} of {parts}. " if parts > 1 else ""
    bends = (
        f"Trolling legs keep within {plotter.tolerance:.0f} m of their line. " if plotter.tolerance else ""
    )
    return f"{which}Turn for home from the last box by {turn_words(plan)}. {bends}{cautions_of(plan)[0]}"


def _waypoints(plan: Plan, boxes: gpd.GeoDataFrame, names: Names) -> list[gpxpy.gpx.GPXWaypoint]:
    show, kind = plan.trip.show, gpxpy.gpx.GPXWaypoint
    buoy = Place(*plan.trip.port.sea_buoy)
    points = [
        _point(kind, names.take("SEA BUOY", "SEABUOY", "BUOY"), buoy, f"Sea buoy of {plan.trip.port.name}")
    ]
    if end := plan.trip.finish:
        name = names.take("END BUOY", "ENDBUOY", "END")
        points.append(_point(kind, name, Place(*end.sea_buoy), f"Sea buoy of {end.name}, where the day ends"))
    steps = steps_of(plan)
    for box in boxes.itertuples():
        first, last = working_line(plan, box.rank, steps)
        depth = "depth not known" if np.isnan(box.depth) else f"depth {show.say_depth(box.depth)}"
        rate = f"{say_rate(box.expected)} encounters per hour expected"
        about = f"Box {box.rank}, {say_name(box.kind)}, {depth}, {rate}. "
        work, up = (names.take(f"B{box.rank} {end}", f"B{box.rank}{end}") for end in ("IN", "UP"))
        points.append(_point(kind, work, first, f"Work from here. {about}{box.why}"))
        points.append(_point(kind, up, last, f"To here. {about}"))
    return points


def _track(box: Row, names: Names) -> gpxpy.gpx.GPXTrack:
    track = gpxpy.gpx.GPXTrack(
        name=names.take(f"B{box.rank} TROLL", f"B{box.rank} TR", f"B{box.rank}T"),
        description=xml_text(f"Trolling line of box {box.rank}"),
    )
    places = [
        gpxpy.gpx.GPXTrackPoint(latitude=_latitude(lat), longitude=wrap_longitude(lon))
        for lon, lat in shapely.get_coordinates(box.line)
    ]
    track.segments = [gpxpy.gpx.GPXTrackSegment(places)]
    return track


def _point(kind: type[Point], name: str, place: Place, text: str, time: np.datetime64 | None = None) -> Point:
    point = kind(latitude=_latitude(place.lat), longitude=wrap_longitude(place.lon), name=name)
    point.description = xml_text(text)
    point.time = None if time is None else moment(time)
    return point


def _latitude(lat: float) -> float:
    return round(float(lat), 7)


def xml_text(text: str) -> str:
    """Text without the characters XML cannot carry, on one line."""
    return " ".join(NOT_XML.sub("", text).split())


def plain_text(text: str) -> str:
    """Text in ASCII, accents dropped."""
    folded = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    return xml_text(folded)
