"""The float plan: what to leave ashore with someone who will act on it."""

from __future__ import annotations

import os
import textwrap
from pathlib import Path

from searcher.brief.words import (
    cautions_of,
    fuel_home,
    leave_words,
    passes_of,
    port_hours,
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

BLANK = "________________"
WIDTH = 78
CLOSE_IT = "Leave this with someone ashore. Close it with them when you are back."


def write_float_plan(plan: Plan, path: str | os.PathLike) -> Path:
    """Write the float plan as plain text. Where the trip file is silent a blank is left to fill in by hand.

    Raises `SearcherError` if the file cannot be written.
    """
    return write_text(path, float_plan_text(plan))


def float_plan_text(plan: Plan) -> str:
    """The float plan, lines of at most 78 characters wherever the words allow."""
    parts = [
        _wrapped(f"FLOAT PLAN  {plan.trip.port.name}"),
        CLOSE_IT,
        *(_section(title, rows) for title, rows in float_plan_sections(plan)),
        "\n".join(["ROUTE", *_route(plan)]),
        "\n".join(["CAUTIONS", *(_wrapped(f"- {text}") for text in cautions_of(plan))]),
    ]
    return "\n\n".join(parts) + "\n"


def float_plan_sections(plan: Plan) -> list[tuple[str, list[tuple[str, list[str]]]]]:
    """Titles and their rows of label and lines; no lines where the trip file is silent."""
    given = plan.trip.float_plan
    return [
        ("BOAT", [("Name", said(plan.trip.boat.name)), ("Marks, colour, safety gear", said(given.boat))]),
        ("PEOPLE ABOARD", [("Names, phones", said(given.people))]),
        ("CALL", [("Contacts", said(given.contacts)), ("Sea rescue, radio channel", [])]),
        ("TIMES", _times(plan)),
        ("WHERE WE WILL BE", _areas(plan)),
        ("WHEN TO CALL FOR HELP", _help(plan)),
        ("FUEL", _fuel(plan)),
        ("NOTES", [("Notes", said(given.notes))]),
    ]


def said(value) -> list[str]:
    """What the trip file says in a free-text field (text or a list of texts), line by line; may be empty."""
    texts = [value] if isinstance(value, str) else list(value or [])
    return [line.strip() for text in texts for line in str(text).splitlines() if line.strip()]


def _times(plan: Plan) -> list[tuple[str, list[str]]]:
    show, window = plan.trip.show, plan.trip.window
    leave, back = port_hours(plan) or (window.start, None)
    turn = [] if plan.legs.empty else [("Turn for home by", [f"{turn_words(plan)}, from the last box"])]
    later = leave_words(plan)
    return [
        ("Leave", [show.say_time(leave), *([later] if later else [])]),
        *turn,
        ("Expected back", [show.say_time(back)] if back is not None else []),
        ("Home by", [show.say_time(window.end)]),
    ]


def _areas(plan: Plan) -> list[tuple[str, list[str]]]:
    """The waters worked, with their hours."""
    show, steps, rows = plan.trip.show, steps_of(plan), []
    for rank in worked_boxes(steps):
        hours = passes_of(steps, rank)
        first, last = working_line(plan, rank)
        often = f", {len(hours)} passes" if len(hours) > 1 else ""
        rows.append(
            (
                f"{show.say_clock(hours[0].start)} to {show.say_clock(hours[-1].end)}",
                [f"from {say_place(first)}", f"to {say_place(last)}{often}"],
            )
        )
    return rows or [("Waters", [])]


def _help(plan: Plan) -> list[tuple[str, list[str]]]:
    return [
        ("Overdue after", [plan.trip.show.say_time(plan.trip.window.end)]),
        ("If overdue", ["call the boat; if no answer, call the contacts above; then sea rescue."]),
        ("Call sea rescue at", []),
    ]


def _fuel(plan: Plan) -> list[tuple[str, list[str]]]:
    show, boat = plan.trip.show, plan.trip.boat
    left = None if plan.legs.empty else fuel_home(plan)
    return [
        ("Tank", [show.say_fuel(boat.tank)]),
        ("Planned use", [] if left is None else [show.say_fuel(boat.tank - left)]),
        ("Left on return", [] if left is None else [show.say_fuel(left)]),
        (
            "Reserve, not planned",
            [f"{show.say_fuel(boat.tank - boat.usable)} ({boat.reserve:.0%} of the tank)"],
        ),
    ]


def _route(plan: Plan) -> list[str]:
    """Every leg with its end."""
    show, steps = plan.trip.show, steps_of(plan)
    if not steps:
        return ["  No route planned."]
    lines = [f"  Port {say_place(Place(*plan.trip.port.at))}, then from the sea buoy:"]
    for step in steps:
        work = f" (box {step.box})" if step.box else ""
        kind = "troll on" if step.joins else step.kind
        where = f"{kind}{work} to {say_place(step.places[-1])}"
        lines.append(_wrapped(f"  {show.say_clock(step.end)}  {where}, {say_span(step.seconds)}"))
    return lines


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
