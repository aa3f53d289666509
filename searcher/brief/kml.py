"""The plan for a globe or a phone's map: KML 2.2 (OGC 07-147r2), so that people ashore see where and when."""

from __future__ import annotations

import html
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely

from searcher import tables
from searcher.brief.geojson import DIGITS, cut_at_180
from searcher.brief.gpx import xml_text
from searcher.brief.words import (
    cautions_of,
    moment,
    named_boxes,
    ports_words,
    say_hour,
    say_pace,
    say_rate,
    say_span,
    steps_of,
    turn_words,
)
from searcher.files import write_text
from searcher.plan import Plan
from searcher.tables import RUNS, say_name

if TYPE_CHECKING:
    from fastkml import Placemark, Style

#: how many of the best boxes are drawn beside those of the route
MOST_DRAWN = 10
#: line colour (rgb), line width (pixels) and opacity of a filled area: told apart with any colour vision
#: (Okabe & Ito 2008, Color universal design; values from memory)
STYLES = {
    "run": ("000000", 2.0, 0.0),
    "troll": ("e69f00", 4.0, 0.0),
    tables.TEMPERATURE_BREAK: ("0072b2", 2.0, 0.0),
    tables.COLOR_CHANGE: ("009e73", 2.0, 0.0),
    tables.CONVERGENCE_LINE: ("cc79a7", 2.0, 0.0),
    "box": ("ffffff", 1.5, 0.15),
    "range": ("56b4e9", 1.5, 0.0),
    "closed": ("d55e00", 2.0, 0.3),
}


def write_kml(plan: Plan, path: str | os.PathLike[str]) -> Path:
    """Write route, boxes, lines, fuel range and closed areas as KML, in folders that can be switched off.

    Legs carry their hours; lines and areas are cut at 180°. Raises `SearcherError` if the file cannot be
    written.
    """
    from fastkml import KML, Document, Folder

    document = Document(
        name=xml_text(f"Search plan, {ports_words(plan)}"),
        description=_escaped(" ".join(cautions_of(plan))),
        isopen=True,
        styles=[_style(name) for name in STYLES],
    )
    for name, marks in _folders(plan).items():
        document.append(Folder(name=name, features=list(marks), isopen=False))
    text = KML(features=[document]).to_string(precision=DIGITS)
    head = "" if text.startswith("<?xml") else '<?xml version="1.0" encoding="UTF-8"?>\n'
    return write_text(path, f"{head}{text.rstrip()}\n")


def _folders(plan: Plan) -> dict[str, Iterator[Placemark]]:
    return {
        "Route": _route(plan),
        "Search boxes": _boxes(plan),
        "Breaks and lines": _lines(plan),
        "Limits": _limits(plan),
    }


def _route(plan: Plan) -> Iterator[Placemark]:
    """The sea buoy and every leg with its hours."""
    show = plan.trip.show
    turn = "" if plan.legs.empty else f"Turn for home from the last box by {turn_words(plan)}."
    yield _placemark(f"Sea buoy of {plan.trip.port.name}", turn, shapely.Point(plan.trip.port.sea_buoy))
    if end := plan.trip.finish:
        yield _placemark(f"Sea buoy of {end.name}", "The day ends here.", shapely.Point(end.sea_buoy))
    for step in steps_of(plan):
        if len(set(step.places)) < 2:
            continue
        work = f", box {step.box}" if step.box else ""
        about = (
            f"Until {show.say_time(step.end)}, {say_span(step.seconds)}: {show.say_distance(step.distance)} "
            f"at {say_pace(step, show)}; then {show.say_fuel(step.fuel_left)} left."
        )
        name = f"{say_hour(plan, step.start)} {step.kind}{work}"
        style = "run" if step.kind in RUNS else "troll"
        line = shapely.LineString(step.places)
        yield _placemark(name, about, line, style=style, hours=(step.start, step.end))


def _boxes(plan: Plan) -> Iterator[Placemark]:
    """The boxes of the route and the best ten, as areas."""
    show = plan.trip.show
    drawn = plan.boxes[plan.boxes["rank"].isin(named_boxes(plan, MOST_DRAWN))].sort_values("rank")
    for box in drawn.itertuples():
        depth = "depth not known" if np.isnan(box.depth) else show.say_depth(box.depth)
        about = f"{say_rate(box.expected)} encounters per hour expected, {depth}. {box.why}"
        yield _placemark(f"Box {box.rank}, {say_name(box.kind)}", about, box.geometry, style="box")


def _lines(plan: Plan) -> Iterator[Placemark]:
    """Breaks, colour changes and gathered matter at the hour they stand for."""
    show = plan.trip.show
    for line in plan.fronts.itertuples():
        step = f"{show.say_step(line.step)} across, " if line.kind == tables.TEMPERATURE_BREAK else ""
        about = (
            f"{step}{show.say_distance(line.length)} long, expected here {show.say_time(line.valid_time)}, "
            f"give or take {show.say_distance(line.doubt)}."
        )
        yield _placemark(say_name(line.kind).capitalize(), about, line.geometry, style=line.kind)


def _limits(plan: Plan) -> Iterator[Placemark]:
    """How far the fuel goes, and the closed areas of the trip file near the trip."""
    yield _placemark(
        "Fuel range", "Out, trolled and home above the reserve.", plan.range_polygon, style="range"
    )
    near = shapely.intersection(plan.trip.avoid.closed, plan.trip.region.polygon())
    yield _placemark("Closed areas", "Kept clear of, as the trip file asks.", near, style="closed")


def _placemark(
    name: str,
    about: str,
    shape: shapely.Geometry,
    *,
    style: str = "",
    hours: tuple[np.datetime64, np.datetime64] | None = None,
) -> Placemark:
    """A named thing on the map, from `hours[0]` to `hours[1]`; an empty shape gives one without a place."""
    from fastkml import Placemark, StyleUrl, TimeSpan
    from fastkml.enums import AltitudeMode
    from fastkml.geometry import create_kml_geometry
    from fastkml.times import KmlDateTime
    from pygeoif import shape as to_pygeoif

    geometry = None
    if not shape.is_empty:
        flat = to_pygeoif(shapely.orient_polygons(cut_at_180(shape)))
        geometry = create_kml_geometry(flat, tessellate=True, altitude_mode=AltitudeMode.clamp_to_ground)
    span = None
    if hours is not None:
        begin, end = (KmlDateTime(moment(hour)) for hour in hours)
        span = TimeSpan(begin=begin, end=end)
    return Placemark(
        name=xml_text(name),
        description=_escaped(about),
        style_url=StyleUrl(url=f"#{_style_id(style)}") if style else None,
        times=span,
        kml_geometry=geometry,
    )


def _style(name: str) -> Style:
    from fastkml import LineStyle, PolyStyle, Style

    rgb, width, fill = STYLES[name]
    return Style(
        id=_style_id(name),
        styles=[
            LineStyle(color=_abgr(rgb, 1.0), width=width),
            PolyStyle(color=_abgr(rgb, fill), fill=fill > 0, outline=True),
        ],
    )


def _style_id(name: str) -> str:
    return say_name(name).replace(" ", "-")


def _abgr(rgb: str, opacity: float) -> str:
    """A colour as KML has it: opacity, blue, green, red."""
    return f"{round(255 * opacity):02x}{rgb[4:6]}{rgb[2:4]}{rgb[0:2]}"


def _escaped(text: str) -> str:
    """Text for a balloon, which shows HTML: nothing in it is markup."""
    return html.escape(xml_text(text), quote=False)
