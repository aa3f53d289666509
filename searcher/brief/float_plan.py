"""The float plan: what to leave ashore with someone who will act on it, as text and as a page to print.

What the trip file does not say is left blank, to be filled in by hand; nothing is made up.
"""

from __future__ import annotations

import os
import textwrap
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from searcher.brief.stories import turns_of
from searcher.brief.words import (
    Step,
    cautions_of,
    fuel_home,
    leave_words,
    leaving,
    passes_of,
    port_hours,
    ports_words,
    say_hour,
    say_place,
    say_span,
    steps_of,
    turn_words,
    worked_boxes,
    working_line,
)
from searcher.files import write_text
from searcher.geo import Place
from searcher.plan import Plan
from searcher.tables import RUNS
from searcher.units import LABELS, to_unit

BLANK = "________________"
WIDTH = 78
#: a speed over the ground nearer than this share to that in flat water is the same
SAME_SPEED = 0.03
HELP = "WHEN TO CALL FOR HELP"
WHERE = "WHERE WE WILL BE"
CLOSE_IT = "Leave this with someone ashore. Close it with them when you are back."


def write_float_plan(plan: Plan, path: str | os.PathLike[str]) -> Path:
    """Write the float plan as plain text. Where the trip file is silent a blank is left to fill in by hand.

    Raises `SearcherError` if the file cannot be written.
    """
    return write_text(path, float_plan_text(plan))


def write_float_page(plan: Plan, path: str | os.PathLike[str]) -> Path:
    """Write the float plan as a page to print (HTML, nothing loaded from elsewhere), with blanks to fill in.

    Raises `SearcherError` if the file cannot be written.
    """
    return write_text(path, float_plan_page(plan))


def float_plan_page(plan: Plan) -> str:
    """The page as HTML; every text of the trip file is escaped."""
    import jinja2

    source = (files("searcher.brief") / "float_plan.html").read_text(encoding="utf-8")
    template = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).from_string(source)
    show, day = plan.trip.show, plan.trip.show.local(leaving(plan))
    return template.render(
        port=ports_words(plan),
        day=f"{day:%A} {day.day} {day:%B %Y}",
        zone=f"{day:%Z}",
        close_it=CLOSE_IT,
        help=HELP,
        where=WHERE,
        sections=float_plan_sections(plan),
        start=_start(plan),
        route=_route_rows(plan),
        cautions=cautions_of(plan),
        made_at=show.say_time(plan.made_at),
    )


def float_plan_text(plan: Plan) -> str:
    """The float plan, lines of at most 78 characters wherever the words allow."""
    parts = [
        _wrapped(f"FLOAT PLAN  {ports_words(plan)}"),
        CLOSE_IT,
        *(_section(title, rows) for title, rows in float_plan_sections(plan)),
        "\n".join(["ROUTE", *_route(plan)]),
        "\n".join(["CAUTIONS", *(_wrapped(f"- {text}") for text in cautions_of(plan))]),
    ]
    return "\n\n".join(parts) + "\n"


def float_plan_sections(plan: Plan) -> list[tuple[str, list[tuple[str, list[str]]]]]:
    """Titles and their rows of label and lines; no lines where the trip file is silent."""
    given, boat, show = plan.trip.float_plan, plan.trip.boat, plan.trip.show
    speeds = f"runs at {_run_words(plan)}, trolls at {show.say_speed(plan.trip.gear.troll)}"
    marks = ("Marks, colour, safety gear", said(given.boat))
    return [
        ("BOAT", [("Name", said(boat.name)), marks, ("Speed", [speeds])]),
        ("PEOPLE ABOARD", [("Names, phones", said(given.people))]),
        ("CALL", [("Contacts", said(given.contacts)), ("Sea rescue, radio channel", [])]),
        ("TIMES", _times(plan)),
        (HELP, _help(plan)),
        ("FUEL", _fuel(plan)),
        ("NOTES", [("Notes", said(given.notes))]),
        (WHERE, _areas(plan)),
    ]


def said(value: str | Sequence[str] | None) -> list[str]:
    """What the trip file says in a free-text field (text or a list of texts), line by line; may be empty."""
    texts = [value] if isinstance(value, str) else list(value or [])
    return [line.strip() for text in texts for line in str(text).splitlines() if line.strip()]


def _run_words(plan: Plan) -> str:
    """How fast the boat runs: over the ground on that day, and in flat water where that is another speed."""
    show, boat = plan.trip.show, plan.trip.boat
    runs = plan.legs[plan.legs["kind"].isin(RUNS)]
    seconds = float((runs["end"] - runs["start"]).dt.total_seconds().sum())
    if not seconds > 0:
        return show.say_speed(boat.cruise)
    flat, ground = float(runs["speed"].max()), float(runs["distance"].sum()) / seconds
    if abs(ground / flat - 1) < SAME_SPEED:
        return show.say_speed(flat)
    about = f"{to_unit(ground, show.speed):.0f} {LABELS[show.speed]}"
    return f"about {about} over the ground in the sea expected ({show.say_speed(flat)} in flat water)"


def _times(plan: Plan) -> list[tuple[str, list[str]]]:
    show, window = plan.trip.show, plan.trip.window
    leave, back = port_hours(plan) or (window.start, None)
    turn = [] if plan.legs.empty else [("Turn for home by", [f"{turn_words(plan)}, from the last box"])]
    later = leave_words(plan)
    ends = "back" if plan.trip.finish is None else f"in {plan.trip.finish.name}"
    return [
        ("Leave", [show.say_time(leave), *([later] if later else [])]),
        *turn,
        (f"Expected {ends}", [show.say_time(back)] if back is not None else []),
        ("Home by", [show.say_time(window.end)]),
    ]


def _areas(plan: Plan) -> list[tuple[str, list[str]]]:
    """The waters worked, with the numbers their boxes have on the map and the plotter, and their hours."""
    steps, rows = steps_of(plan), []
    for rank in worked_boxes(steps):
        hours = passes_of(steps, rank)
        first, last = working_line(plan, rank, steps)
        often = f", {len(hours)} passes" if len(hours) > 1 else ""
        rows.append(
            (
                f"Box {rank}, {say_hour(plan, hours[0].start)}\u00a0to\u00a0{say_hour(plan, hours[-1].end)}",
                [f"from {say_place(first)}", f"to {say_place(last)}{often}"],
            )
        )
    return rows or [("Waters", [])]


def _help(plan: Plan) -> list[tuple[str, list[str]]]:
    return [
        ("Overdue after", [f"{plan.trip.show.say_time(plan.trip.window.end)}, or as agreed: {BLANK}"]),
        ("If overdue", ["call the boat; if no answer, call the contacts above; then sea rescue."]),
        ("Call sea rescue at", []),
    ]


def _fuel(plan: Plan) -> list[tuple[str, list[str]]]:
    show, boat = plan.trip.show, plan.trip.boat
    left = None if plan.legs.empty else fuel_home(plan)
    holds, reserve = plan.settings.get("tank", boat.tank), boat.tank - boat.usable
    part = f" (holds {show.say_fuel(holds)})" if holds > boat.tank else ""
    return [
        ("In the tank", [f"{show.say_fuel(boat.tank)}{part}"]),
        ("Planned use", [] if left is None else [show.say_fuel(boat.tank - left)]),
        ("Left on return", [] if left is None else [show.say_fuel(left)]),
        (
            "Reserve, not planned",
            [f"{show.say_fuel(reserve)} ({reserve / holds:.0%} of the tank)"],
        ),
    ]


def _route(plan: Plan) -> list[str]:
    """Every leg with its hours and its end."""
    rows = _route_rows(plan)
    if not rows:
        return ["  No route planned."]
    return [
        _wrapped(f"  {_start(plan)}:"),
        *(_wrapped("  {begin} to {end}  {what} to {place}, {span}{turns}".format(**row)) for row in rows),
    ]


def _start(plan: Plan) -> str:
    """Where the day begins, and where it ends if that is another port."""
    begin, end = plan.trip.port, plan.trip.finish
    last = "" if end is None else f", to {end.name} {say_place(Place(*end.at))}"
    return f"Port {say_place(Place(*begin.at))}{last}; from sea buoy to sea buoy"


def _route_rows(plan: Plan) -> list[dict[str, str]]:
    """Every leg in words: from when to when, what it is, to where, how long it takes."""
    return [
        {
            "begin": say_hour(plan, step.start),
            "end": say_hour(plan, step.end),
            "what": ("troll on" if step.joins else step.kind) + (f" (box {step.box})" if step.box else ""),
            "place": say_place(step.places[-1]),
            "span": say_span(step.seconds),
            "turns": _turn_words(step),
        }
        for step in steps_of(plan)
    ]


def _turn_words(step: Step) -> str:
    """Where a leg turns, as briefly as may be; "" where it goes straight or follows a line."""
    turns = turns_of(step)
    if not turns:
        return ""
    count = "1 turn" if len(turns) == 1 else f"{len(turns)} turns"
    return f", by way of {count}: {'; '.join(say_place(place, digits=1) for place in turns)}"


def _section(title: str, rows: list[tuple[str, list[str]]]) -> str:
    """A titled block of labels and values, with a blank where nothing is given."""
    lines = [title]
    for label, texts in rows:
        first, *rest = texts or [BLANK]
        lines.append(_wrapped(f"  {label}: {first}"))
        lines += [_wrapped(f"    {text}") for text in rest]
    return "\n".join(lines)


def _wrapped(text: str) -> str:
    indent = " " * (len(text) - len(text.lstrip()) + 2)
    return textwrap.fill(
        text, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
