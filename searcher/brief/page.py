"""The page of a plan: one HTML file with everything in it, to be read with no network.

What stands in it is words (`stories`, `words`), a drawing of the day (`timeline`), a map to move about in
(`live`, steered by `page.js`), and a still map that is printed, and seen where scripts do not run. The page's
policy lets only its own scripts run, by their hashes, and nothing be loaded.
"""

from __future__ import annotations

import base64
import hashlib
import io
import os
from importlib.resources import files
from pathlib import Path
from typing import Any

import jinja2
import numpy as np
from markupsafe import Markup

from searcher import tables
from searcher.brief.float_plan import BLANK, CLOSE_IT, float_plan_sections
from searcher.brief.maps import draw_map, is_closer
from searcher.brief.stories import (
    box_story,
    expected,
    from_buoy,
    leg_story,
    line_story,
    passed_over,
    proof_words,
    spot,
    stay_rows,
)
from searcher.brief.timeline import draw_timeline
from searcher.brief.words import (
    Step,
    cautions_of,
    cold_side_words,
    credits_of,
    fuel_home,
    home_words,
    learned_words,
    leave_words,
    leaving,
    line_words,
    named_boxes,
    port_hours,
    ports_words,
    say_course,
    say_hour,
    say_span,
    steps_of,
    worked_boxes,
)
from searcher.conditions import STANDING_CAUTIONS, Condition
from searcher.course import LEAD
from searcher.files import write_text
from searcher.plan import Plan
from searcher.tables import say_name
from searcher.trip.model import TROLL_KN
from searcher.units import LABELS, NAUTICAL_MILE, from_unit, to_unit

#: size of the still map on the page (inches) and dots per inch: sharp on a phone, within A4 in print
MAP_SIZE, MAP_DPI = (4.3, 5.7), 240
#: where the still map shows the worked boxes only, the way out and home is printed across the foot
FOOT_SIZE, FOOT_DPI = (7.4, 2.8), 160
#: what the pieces of evidence mean, for those whose name does not say it
GLOSS = {
    "doubt": "how well the line's place is known",
    "coincidence": "beside a line of another kind",
    "persistence": "seen in how many pictures",
    "weed": "seen from space",
    "edge": "how steep the bottom is",
    "convergence": "how much denser floating matter is reckoned to lie here",
}
#: a day with more legs and stays than these is printed closer, and without its lesser legs
TIGHT, LONGEST = 28, 50
#: layers of the map in the order of their switches: name, label, whether shown at first
LAYERS = (
    ("temperature", "Temperature", True),
    ("matter", "Floating matter", False),
    ("doubt", "Doubt", False),
    ("currents", "Currents", True),
    ("lines", "Breaks and lines", True),
    ("boxes", "Boxes", True),
    ("route", "Route", True),
    ("depth", "Depth", True),
    ("reach", "Fuel range", True),
)
#: sections a link leads to from the top: id and label, in the order of the page
JUMPS = (
    ("map", "Map"),
    ("timeline", "The day"),
    ("cautions", "Cautions"),
    ("route", "Route"),
    ("boxes", "Boxes"),
    ("data", "Data"),
    ("float", "Float plan"),
)
#: those of them that a plan without legs does not have
OF_ROUTE = ("timeline", "route")


def write_brief(plan: Plan, path: str | os.PathLike[str]) -> Path:
    """Write the plan as one self-contained HTML page; raise `SearcherError` if it cannot be written."""
    return write_text(path, page_text(plan))


def page_text(plan: Plan) -> str:
    """The page as HTML. Every text of the plan and the trip is escaped; nothing is loaded from elsewhere."""
    from searcher.brief.live import as_text, library, live_map  # takes a second, and only the page needs it

    here = files("searcher.brief")
    loader = jinja2.FunctionLoader(lambda name: (here / name).read_text(encoding="utf-8"))
    options: dict[str, Any] = {
        "autoescape": True,
        "undefined": jinja2.StrictUndefined,
        "trim_blocks": True,
        "lstrip_blocks": True,
    }
    template = jinja2.Environment(loader=loader, **options).get_template("page.html")
    ours = [(here / name).read_text(encoding="utf-8") for name in ("readout.js", "page.js")]
    scripts = [library(), "\n".join(ours)]
    live, facts = live_map(plan), page_facts(plan)
    close = facts["tight"] and is_closer(plan, "route")
    return template.render(
        css=Markup((here / "page.css").read_text(encoding="utf-8")),  # our own file, so not escaped
        scripts=[Markup(script) for script in scripts],  # the library and our own, likewise
        hashes=[script_hash(script) for script in scripts],
        live=Markup(as_text(live)),  # escaped by `as_text`
        shades=live["shades"],
        fastest=live["fastest"],
        picture=_picture(plan, MAP_SIZE, MAP_DPI, "boxes" if close else "route"),
        foot=_picture(plan, FOOT_SIZE, FOOT_DPI, "route", keys=False) if close else "",
        pixels=[round(side * MAP_DPI) for side in MAP_SIZE],
        **facts,
    )


def script_hash(script: str) -> str:
    """A script's name in the page's policy (Content Security Policy level 3, hash sources)."""
    digest = hashlib.sha256(script.encode("utf-8")).digest()
    return Markup(f"'sha256-{base64.b64encode(digest).decode('ascii')}'")


def page_facts(plan: Plan) -> dict[str, Any]:
    """Everything the template shows, as words."""
    show, trip = plan.trip.show, plan.trip
    day = show.local(leaving(plan))
    steps = steps_of(plan)
    stories = [box_story(plan, box, steps) for box in plan.boxes.sort_values("rank").itertuples()]
    named, length = named_boxes(plan), len(steps) + len(plan.stays)
    verdict_now = verdict(plan.conditions)
    return {
        "port": ports_words(plan),
        "end": trip.finish.name if trip.finish else "",
        "boat": trip.boat.name,
        "day": f"{day:%A} {day.day} {day:%B %Y}",
        "made_at": show.say_time(plan.made_at),
        "verdict": NO_ROUTE if plan.legs.empty else verdict_now,
        "weather": verdict_now["text"] if plan.legs.empty else "",
        "later": leave_words(plan),
        "line_hours": line_words(plan),
        "cold_side": cold_side_words(plan),
        "learned": learned_words(plan),
        "gloss": _gloss(plan),
        "conditions": [_condition(plan, condition) for condition in plan.conditions],
        "own_cautions": [text for text in plan.cautions if text not in STANDING_CAUTIONS],
        "cautions": list(cautions_of(plan)),
        "printed": printed_boxes(plan, steps)[: 0 if length > LONGEST else 3 if length > TIGHT else 7],
        "tight": length > TIGHT,
        "longest": length > LONGEST,
        "first": _first(plan, steps),
        "passed_over": passed_over(plan, steps),
        "jumps": [jump for jump in JUMPS if steps or jump[0] not in OF_ROUTE],
        "clock": clock_rows(plan, steps),
        "timeline": draw_timeline(plan, steps),
        "steps": _rows(plan, steps),
        "stays": stay_rows(plan),
        "berthed": _berthed(plan),
        "proof": proof_words(plan),
        "zone": f"{day:%Z}",
        "reserve": show.say_fuel(trip.boat.tank - trip.boat.usable),
        "reserve_share": 100 * (1 - trip.boat.usable / trip.boat.tank),
        "boxes": [box for box in stories if box["rank"] in named],
        "all_stories": stories,
        "lines": [line_story(plan, k, front) for k, front in enumerate(plan.fronts.itertuples())],
        "all_boxes": len(plan.boxes),
        "species": trip.target.species,
        "gear": _gear(plan),
        "data": [_data_row(plan, row) for row in plan.data],
        "credits": credits_of(plan),
        "close_it": CLOSE_IT,
        "float_plan": float_plan_sections(plan),
        "blank": BLANK,
        "map_words": _map_words(plan),
        "layers": LAYERS,
        "matter_at": "" if plan.floating is None else say_hour(plan, plan.floating["time"].values.max()),
        "leaving": say_hour(plan, trip.window.start),
    }


#: what a plan without legs says first, whatever the weather
NO_ROUTE = {
    "kind": "over",
    "sign": "✖",
    "text": "No route: nothing can be worked within fuel, hours and limits",
}


def verdict(conditions: tuple[Condition, ...]) -> dict[str, str]:
    """What the conditions known to the plan say against the skipper's own limits: words, sign and class."""
    over = [c.name for c in conditions if c.within is False]
    unknown = [c.name for c in conditions if c.within is None] or ([] if conditions else ["wind and waves"])
    if over:
        return {"kind": "over", "sign": "✖", "text": f"Over your own limit: {' and '.join(over)}"}
    if unknown:
        return {"kind": "unknown", "sign": "?", "text": f"Not known: {' and '.join(unknown)}"}
    names = " and ".join(c.name for c in conditions)
    return {"kind": "within", "sign": "✔", "text": f"Within your own limits: {names}"}


#: of wind or waves, without and with some data of them
NOT_KNOWN = ("no forecast in the data", "not for all hours and waters")


def _condition(plan: Plan, condition: Condition) -> dict[str, str]:
    show = plan.trip.show
    say = show.say_speed if condition.name == "wind" else show.say_height
    words = {True: "within your limit", False: "over your limit", None: "not known"}[condition.within]
    known = condition.within is not None
    nodes = {row["node"] for row in plan.data}
    return {
        "name": condition.name.capitalize(),
        "value": f"up to {say(condition.value)}" if known else NOT_KNOWN[condition.name in nodes],
        "at": f"near {say_hour(plan, condition.at)}" if known and not np.isnat(condition.at) else "",
        "limit": say(condition.limit),
        "words": words,
    }


def _first(plan: Plan, steps: list[Step]) -> dict[str, Any] | None:
    """The first box of the route: where, when and why; None where there is no route."""
    first = next((step for step in steps if step.kind in ("lines in", "troll")), None)
    if first is None:
        return None
    show, box = plan.trip.show, plan.boxes.loc[plan.boxes["rank"] == first.box].iloc[0]
    return {
        "rank": first.box,
        "place": spot(first.places[0]),
        "from_buoy": f"{from_buoy(plan, first.places[0])}{_round(plan, steps[0])}",
        "eta": say_hour(plan, first.start),
        "speed": show.say_speed(first.speed),
        "why": box["why"],
        "expected": expected(box),
    }


def _round(plan: Plan, first: Step) -> str:
    """How the first run goes, where it does not go straight."""
    if first.kind != "run" or len(first.courses) < 2:
        return ""
    far = plan.trip.show.say_distance(first.distance)
    return (
        f"; by the route {far}, {say_course(first.courses[0])} at first, since the straight way is not clear"
    )


def printed_boxes(plan: Plan, steps: list[Step]) -> list[int]:
    """Ranks of the boxes in the order they are printed: those of the route first, as the day has them."""
    return list(dict.fromkeys([step.box for step in steps if step.box] + sorted(named_boxes(plan))))


def _gloss(plan: Plan) -> str:
    """The meanings of the evidence in the table, as one text."""
    names = [column.removeprefix(tables.EVIDENCE) for column in tables.evidence_columns(plan.boxes)]
    return "; ".join(f"{say_name(name)}: {GLOSS[name]}" for name in names if name in GLOSS)


def _berthed(plan: Plan) -> str:
    """Where, when and with what fuel the day ends after its last leg; "" without a route."""
    hours = port_hours(plan)
    if hours is None:
        return ""
    left = plan.trip.show.say_fuel(fuel_home(plan))
    return f"in {home_words(plan)} at {say_hour(plan, hours[1])}, with {left}"


def clock_rows(plan: Plan, steps: list[Step]) -> list[tuple[str, str, str]]:
    """The hours that matter in order of time, as label, time and note (fuel left where a leg ends there)."""
    show, window = plan.trip.show, plan.trip.window
    hours = port_hours(plan)
    if hours is None:
        return [
            ("Leave port", say_hour(plan, window.start), ""),
            ("Home by", say_hour(plan, window.end), ""),
        ]
    leave, back = hours
    first = next(k for k, step in enumerate(steps) if step.kind in ("lines in", "troll"))
    left = steps[first - 1].fuel_left if first else plan.trip.boat.tank - plan.reach.attrs["port_fuel"]
    tank = f"{show.say_fuel(plan.trip.boat.tank)} in the tank"
    rows = [
        (leave, "Leave port", f"{tank}. {leave_words(plan)}".rstrip()),
        (steps[first].start, "First lines in", f"{show.say_fuel(left)} left"),
        (back, f"In {home_words(plan)}, as planned", f"{show.say_fuel(fuel_home(plan))} left"),
        (window.end, "Home by", ""),
    ]
    if not np.isnat(plan.turn_for_home):
        planned = f"{say_hour(plan, steps[-1].start)}, {show.say_fuel(steps[-2].fuel_left)} left"
        latest = f"latest; planned {planned}" if plan.turn_for_home > back else ""
        rows.append((plan.turn_for_home, "Turn for home by", latest or "no later, from the last box"))
    return [(label, say_hour(plan, at), note) for at, label, note in sorted(rows)]


def _rows(plan: Plan, steps: list[Step]) -> list[dict[str, Any]]:
    """The legs, each with whether it goes `again` over what the one before it trolled."""
    trolled = [step.box if step.kind == "troll" and not step.joins else None for step in steps]
    return [
        leg_story(plan, step) | {"again": box is not None and box == last}
        for step, box, last in zip(steps, trolled, [None, *trolled], strict=False)
    ]


def _gear(plan: Plan) -> dict[str, Any]:
    gear, show = plan.trip.gear, plan.trip.show
    lines = []
    for name, low, high in gear.spread:
        near, far = (f"{to_unit(v, show.height):.0f}" for v in (low, high))
        back = near if near == far else f"{near} to {far}"
        lines.append({"name": name, "back": f"{back} {LABELS[show.height]}"})
    slow, _, fast = (f"{to_unit(v, show.speed):.1f}" for v in _usual(gear.bait))
    usual = slow if slow == fast else f"{slow} to {fast}"
    return {
        "bait": gear.bait,
        "speed": show.say_speed(gear.troll),
        "usual": f"{usual} {LABELS[show.speed]}",
        "before": "a quarter mile" if show.distance == "nm" else show.say_distance(LEAD),
        "lines": lines,
    }


def _usual(bait: str) -> list[float]:
    """Slowest, usual and fastest trolling speed for a bait, m/s (common practice, no source)."""
    return [from_unit(speed, "kn") for speed in TROLL_KN[bait]]


def _data_row(plan: Plan, row: dict[str, Any]) -> dict[str, Any]:
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


def _picture(plan: Plan, size: tuple[float, float], dpi: int, around: str, *, keys: bool = True) -> str:
    """A still map as a data URI."""
    buffer = io.BytesIO()
    figure = draw_map(plan, size=size, dpi=dpi, words=False, around=around, keys=keys)
    figure.savefig(buffer, format="png", dpi=dpi)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def _map_words(plan: Plan) -> str:
    """What the map shows, for who cannot see it."""
    worked = sorted(worked_boxes(steps_of(plan)))
    route = f"the route works boxes {', '.join(map(str, worked))}" if worked else "there is no route"
    kinds = plan.fronts["kind"].value_counts()
    lines = ", ".join(f"{count} × {say_name(kind)}" for kind, count in kinds.items()) or "no lines"
    return f"Map: sea temperature, currents, {lines}, {len(plan.boxes)} search boxes; {route}."
