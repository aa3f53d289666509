"""The page of a plan: one HTML file with everything in it, to be read with no network."""

from __future__ import annotations

import base64
import io
import math
import os
from importlib.resources import files
from pathlib import Path

import jinja2
import numpy as np
import shapely
from markupsafe import Markup

from searcher import geo, tables
from searcher.brief.float_plan import BLANK, CLOSE_IT, float_plan_sections
from searcher.brief.maps import draw_map
from searcher.brief.timeline import draw_timeline
from searcher.brief.words import (
    Step,
    cautions_of,
    cold_side_words,
    credits_of,
    fuel_home,
    leave_words,
    line_words,
    named_boxes,
    port_hours,
    say_course,
    say_name,
    say_place,
    say_rate,
    say_span,
    steps_of,
    worked_boxes,
    working_line,
)
from searcher.conditions import STANDING_CAUTIONS, Condition
from searcher.files import write_text
from searcher.geo import Place
from searcher.plan import Plan
from searcher.units import LABELS, NAUTICAL_MILE, to_unit

#: size of the map on the page (inches) and dots per inch: sharp on a phone, within A4 in print
MAP_SIZE, MAP_DPI = (4.3, 5.7), 240
#: evidence that changes the rate by less than this (natural log) is called neutral
NEUTRAL = 0.05
#: what the pieces of evidence mean, for those whose name does not say it
GLOSS = {
    "doubt": "how well the line's place is known",
    "coincidence": "beside a line of another kind",
    "persistence": "seen in how many pictures",
    "convergence": "floating matter that has gathered here",
}


def write_brief(plan: Plan, path: str | os.PathLike) -> Path:
    """Write the plan as one self-contained HTML page; raise `SearcherError` if it cannot be written."""
    return write_text(path, page_text(plan))


def page_text(plan: Plan) -> str:
    """The page as HTML. Every text of the plan and the trip is escaped; nothing is loaded from elsewhere."""
    here = files("searcher.brief")
    loader = jinja2.FunctionLoader(lambda name: (here / name).read_text(encoding="utf-8"))
    options = {
        "autoescape": True,
        "undefined": jinja2.StrictUndefined,
        "trim_blocks": True,
        "lstrip_blocks": True,
    }
    template = jinja2.Environment(loader=loader, **options).get_template("page.html")
    css = Markup((here / "page.css").read_text(encoding="utf-8"))  # our own file, so not escaped
    return template.render(
        css=css,
        picture=_picture(plan),
        pixels=[round(side * MAP_DPI) for side in MAP_SIZE],
        **page_facts(plan),
    )


def page_facts(plan: Plan) -> dict:
    """Everything the template shows, as words."""
    show, trip = plan.trip.show, plan.trip
    day = show.local(trip.window.start)
    steps = steps_of(plan)
    listed = plan.boxes[plan.boxes["rank"].isin(named_boxes(plan))]
    return {
        "port": trip.port.name,
        "boat": trip.boat.name,
        "day": f"{day:%A} {day.day} {day:%B %Y}",
        "made_at": show.say_time(plan.made_at),
        "verdict": NO_ROUTE if plan.legs.empty else verdict(plan.conditions),
        "weather": verdict(plan.conditions)["text"] if plan.legs.empty else "",
        "later": leave_words(plan),
        "line_hours": line_words(plan),
        "cold_side": cold_side_words(plan),
        "gloss": _gloss(plan),
        "conditions": [_condition(plan, condition) for condition in plan.conditions],
        "own_cautions": [text for text in plan.cautions if text not in STANDING_CAUTIONS],
        "cautions": list(cautions_of(plan)),
        "first": _first(plan, steps),
        "clock": _clock(plan, steps),
        "timeline": draw_timeline(plan, steps),
        "steps": [_row(plan, step) for step in steps],
        "zone": f"{day:%Z}",
        "reserve": show.say_fuel(trip.boat.tank - trip.boat.usable),
        "reserve_share": 100 * (1 - trip.boat.usable / trip.boat.tank),
        "boxes": [_box(plan, box) for box in listed.sort_values("rank").itertuples()],
        "all_boxes": len(plan.boxes),
        "species": trip.target.species,
        "gear": _gear(plan),
        "data": [_data_row(plan, row) for row in plan.data],
        "credits": credits_of(plan),
        "close_it": CLOSE_IT,
        "float_plan": float_plan_sections(plan),
        "blank": BLANK,
        "map_words": _map_words(plan),
    }


#: what a plan without legs says first, whatever the weather
NO_ROUTE = {
    "kind": "over",
    "sign": "✖",
    "text": "No route: nothing can be worked within fuel, hours and limits",
}


def verdict(conditions: tuple[Condition, ...]) -> dict:
    """What the conditions known to the plan say against the skipper's own limits: words, sign and class."""
    over = [c.name for c in conditions if c.within is False]
    unknown = [c.name for c in conditions if c.within is None] or ([] if conditions else ["wind and waves"])
    if over:
        return {"kind": "over", "sign": "✖", "text": f"Over your own limit: {' and '.join(over)}"}
    if unknown:
        return {"kind": "unknown", "sign": "?", "text": f"Not known: {' and '.join(unknown)}"}
    names = " and ".join(c.name for c in conditions)
    return {"kind": "within", "sign": "✔", "text": f"Within your own limits: {names}"}


def _condition(plan: Plan, condition: Condition) -> dict:
    show = plan.trip.show
    say = show.say_speed if condition.name == "wind" else show.say_height
    words = {True: "within your limit", False: "over your limit", None: "not known"}[condition.within]
    known = condition.within is not None
    return {
        "name": condition.name.capitalize(),
        "value": f"up to {say(condition.value)}" if known else "no forecast in the data",
        "at": f"near {show.say_clock(condition.at)}" if known and not np.isnat(condition.at) else "",
        "limit": say(condition.limit),
        "words": words,
    }


def _first(plan: Plan, steps: list[Step]) -> dict | None:
    """The first box of the route: where, when and why; None where there is no route."""
    first = next((step for step in steps if step.kind in ("lines in", "troll")), None)
    if first is None:
        return None
    show, box = plan.trip.show, plan.boxes.loc[plan.boxes["rank"] == first.box].iloc[0]
    return {
        "rank": first.box,
        "place": _spot(first.places[0]),
        "from_buoy": _from_buoy(plan, first.places[0]),
        "eta": show.say_clock(first.start),
        "speed": show.say_speed(first.speed),
        "why": box["why"],
        "expected": _expected(box),
    }


def _from_buoy(plan: Plan, place: Place) -> str:
    buoy = Place(*plan.trip.port.sea_buoy)
    far = plan.trip.show.say_distance(geo.distance(buoy, place))
    return f"{far}, {say_course(geo.bearing(buoy, place))} true from the sea buoy"


def _gloss(plan: Plan) -> str:
    """The meanings of the evidence in the table, as one text."""
    names = [column.removeprefix(tables.EVIDENCE) for column in tables.evidence_columns(plan.boxes)]
    return "; ".join(f"{name}: {GLOSS[name]}" for name in names if name in GLOSS)


def _spot(place: Place) -> str:
    """A position that breaks, if it must, between latitude and longitude only."""
    return "  ".join(half.replace(" ", "\u00a0") for half in say_place(place).split("  "))


def _expected(box) -> dict:
    names = {"rate": "expected", "low": "expected_low", "high": "expected_high"}
    return {name: say_rate(box[column]) for name, column in names.items()}


def _clock(plan: Plan, steps: list[Step]) -> list[tuple[str, str, str]]:
    """The hours that matter in order of time, as label, time and note."""
    show, window = plan.trip.show, plan.trip.window
    hours = port_hours(plan)
    if hours is None:
        return [
            ("Leave port", show.say_clock(window.start), ""),
            ("Home by", show.say_clock(window.end), ""),
        ]
    leave, back = hours
    first = next(step.start for step in steps if step.kind in ("lines in", "troll"))
    rows = [
        (leave, "Leave port", leave_words(plan)),
        (first, "First lines in", ""),
        (back, "In port, as planned", f"{show.say_fuel(fuel_home(plan))} left"),
        (window.end, "Home by", ""),
    ]
    if not np.isnat(plan.turn_for_home):
        latest = f"latest; planned {show.say_clock(steps[-1].start)}" if plan.turn_for_home > back else ""
        note = latest or "no later, from the last box"
        rows.append((plan.turn_for_home, "Turn for home by", note))
    return [(label, show.say_clock(at), note) for at, label, note in sorted(rows)]


def _row(plan: Plan, step: Step) -> dict:
    show = plan.trip.show
    turns = len(step.courses)
    courses = " ".join(say_course(course) for course in step.courses[:4])
    if turns > 4 or (turns > 1 and step.kind == "troll"):
        courses = f"{say_course(step.courses[0])} then line" if step.box else f"{courses} …"
    return {
        "kind": step.kind,
        "does": "troll on, lines stay in" if step.joins else step.kind,
        "box": step.box if step.kind not in ("run", "home") else 0,
        "start": _spot(step.places[0]),
        "end": _spot(step.places[-1]),
        "course": courses or "–",
        "distance": show.say_distance(step.distance),
        "speed": show.say_speed(step.speed),
        "eta": show.say_clock(step.end),
        "span": say_span(step.seconds).replace(" ", "\u00a0"),
        "fuel": show.say_fuel(step.fuel_left),
        "fuel_share": 100 * max(0.0, min(1.0, step.fuel_left / plan.trip.boat.tank)),
    }


def _box(plan: Plan, box) -> dict:
    show, row = plan.trip.show, box._asdict()
    first, last = working_line(plan, int(box.rank))
    middle = Place(*shapely.line_interpolate_point(box.line, 0.5, normalized=True).coords[0])
    pieces = [_evidence(plan, name, row[name]) for name in tables.evidence_columns(plan.boxes)]
    return {
        "rank": int(box.rank),
        "kind": say_name(box.kind),
        "from": _spot(first),
        "to": _spot(last),
        "from_buoy": f"{_from_buoy(plan, middle)} to its middle",
        "depth": "not known" if np.isnan(box.depth) else show.say_depth(box.depth),
        "length": show.say_distance(box.length),
        "doubt": show.say_distance(box.doubt),
        "time_out": say_span(box.time_out),
        "fuel": show.say_fuel(box.fuel),
        "expected": _expected(row),
        "evidence": [piece for piece in pieces if not piece["neutral"]],
        "neutral": ", ".join(piece["name"] for piece in pieces if piece["neutral"]),
        "why": box.why,
    }


def _evidence(plan: Plan, column: str, value: float) -> dict:
    """One piece of evidence: by what factor it raises or lowers the rate, and a bar from the middle."""
    columns = plan.boxes[tables.evidence_columns(plan.boxes)].to_numpy(dtype=float)
    widest = max(math.log(3.0), float(np.nanmax(np.abs(columns), initial=0.0)))
    name = say_name(column.removeprefix(tables.EVIDENCE))
    if not np.isfinite(value):
        return {"name": name, "factor": "not known", "x": 50.0, "wide": 0.0, "up": True, "neutral": False}
    wide = 50.0 * min(1.0, abs(value) / widest)
    x = 50.0 if value >= 0 else 50.0 - wide
    neutral = abs(value) < NEUTRAL
    factor = f"×{math.exp(value):.2g}"
    return {"name": name, "factor": factor, "x": x, "wide": wide, "up": value >= 0, "neutral": neutral}


def _gear(plan: Plan) -> dict:
    gear, show = plan.trip.gear, plan.trip.show
    lines = []
    for name, low, high in gear.spread:
        near, far = (f"{to_unit(v, show.height):.0f}" for v in (low, high))
        back = near if near == far else f"{near} to {far}"
        lines.append({"name": name, "back": f"{back} {LABELS[show.height]}"})
    return {"bait": gear.bait, "speed": show.say_speed(gear.troll), "lines": lines}


def _data_row(plan: Plan, row: dict) -> dict:
    show = plan.trip.show
    timed = row["age"] is not None
    stale = timed and row["age"] > plan.trip.data.max_age
    return {
        "node": say_name(row["node"]),
        "source": row["source"] or "not stated",
        "license": row["license"],
        "span": f"{show.say_time(row['first'])} to {show.say_time(row['last'])}"
        if timed
        else "does not change",
        "age": say_span(row["age"]) if timed else "–",
        "stale": stale,
        "step": show.say_distance(row["step"] * 60 * NAUTICAL_MILE),
        "missing": f"{row['missing']:.0%}",
    }


def _picture(plan: Plan) -> str:
    """The map as a data URI."""
    buffer = io.BytesIO()
    figure = draw_map(plan, size=MAP_SIZE, dpi=MAP_DPI, words=False, around="route")
    figure.savefig(buffer, format="png", dpi=MAP_DPI)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def _map_words(plan: Plan) -> str:
    """What the map shows, for who cannot see it."""
    worked = sorted(worked_boxes(steps_of(plan)))
    route = f"the route works boxes {', '.join(map(str, worked))}" if worked else "there is no route"
    kinds = plan.fronts["kind"].value_counts()
    lines = ", ".join(f"{count} × {say_name(kind)}" for kind, count in kinds.items()) or "no lines"
    return f"Map: sea temperature, currents, {lines}, {len(plan.boxes)} search boxes; {route}."
