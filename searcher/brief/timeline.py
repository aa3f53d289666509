"""The day as one bar: what is done when, between sunrise and sunset, and the fuel that is left by then."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from itertools import combinations, permutations, product
from typing import Any

import numpy as np

from searcher.brief.stories import sun_moments, sun_words
from searcher.brief.words import Step, fuel_home, home_words, port_hours, say_hour, turn_words
from searcher.plan import Plan

#: size of the drawing, and the margin at its sides
WIDE = 1000.0
INSET = 20.0
#: height of the bar of legs, and of the fuel below it
BAR, FUEL = 104.0, 96.0
#: width of a letter, gap between a line and its words
LETTER, GAP = 18.5, 9.0


def draw_timeline(plan: Plan, steps: list[Step]) -> dict[str, Any]:
    """The day as shapes 1000 wide: hour ticks, a bar per leg from `top` on, lines for sun, turning, home."""
    window = plan.trip.window
    first, last = window.start - np.timedelta64(20, "m"), window.end + np.timedelta64(20, "m")
    span = (last - first) / np.timedelta64(1, "s")

    def x(time: np.datetime64) -> float:
        share = (np.asarray(time, dtype="datetime64[ns]") - first) / np.timedelta64(1, "s") / span
        return round(INSET + float(np.clip(share, 0.0, 1.0)) * (WIDE - 2 * INSET), 1)

    bars = [(step.start, step.end, step.kind, step.box) for step in steps]
    if hours := port_hours(plan):
        bars = [(hours[0], bars[0][0], "run", 0), *bars, (bars[-1][1], hours[1], "home", 0)]
    moments = [
        *((at, text, "sun") for at, text in sun_moments(plan)),
        (plan.turn_for_home, f"turn for home by {turn_words(plan, clock=True)} from the last box", "turn"),
        (window.end, f"home by {say_hour(plan, window.end)}", "turn"),
    ]
    lines = [{"x": x(at), "text": text, "kind": kind} for at, text, kind in moments if first <= at <= last]
    top = 6 + 30 * len(lines)
    return {
        "fuel": _fuel(plan, steps, x, top + BAR) if steps else None,
        "bars": [
            {"x": x(start), "wide": max(x(end) - x(start), 1.5), "kind": kind.replace(" ", "-"), "box": box}
            for start, end, kind, box in bars
        ],
        "lines": _stagger(lines),
        "top": top,
        "hours": _hours(plan, first, last, x),
        "night": [(INSET, x(window.sunrise)), (x(window.sunset), WIDE - INSET)] if window.has_night else [],
        "sun": sun_words(plan).capitalize(),
    }


def _fuel(plan: Plan, steps: list[Step], x: Callable[[np.datetime64], float], top: float) -> dict[str, Any]:
    """The fuel in the tank through the day as points of a line, full at `top`, empty `FUEL` below."""
    boat, show = plan.trip.boat, plan.trip.show

    def y(litres: float) -> float:
        return round(top + FUEL * (1.0 - litres / boat.tank), 1)

    hours = port_hours(plan)
    assert hours is not None  # there are steps
    leave, back = hours
    spots = [
        (leave, boat.tank),
        (steps[0].start, steps[0].fuel_left + steps[0].fuel_used),
        *((step.end, step.fuel_left) for step in steps),
        (back, fuel_home(plan)),
    ]
    reserve = boat.tank - boat.usable
    return {
        "points": " ".join(f"{x(at)},{y(litres)}" for at, litres in spots),
        "first": x(leave),
        "last": x(back),
        "floor": top + FUEL,
        "reserve": y(reserve),
        "reserve_words": f"reserve {show.say_fuel(reserve)}",
        "words": f"fuel: {show.say_fuel(boat.tank)} at the start, "
        f"{show.say_fuel(fuel_home(plan))} in {home_words(plan)}",
    }


def _stagger(lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Give each line's words a row of their own, left or right of it, so that no line strikes them through.

    A line runs down from its own words, so those below must leave it free. With four lines at most every
    order and side is tried.
    """
    sides = product(("start", "end"), repeat=len(lines))
    layouts = product(permutations(range(len(lines))), sides)
    tried = [
        [
            line | _beside(line, side) | {"row": row}
            for line, row, side in zip(lines, rows, sides, strict=True)
        ]
        for rows, sides in layouts
    ]
    return min(tried, key=_struck)


def _beside(line: dict[str, Any], side: str) -> dict[str, Any]:
    """Where the words of a line begin and end, inside the drawing."""
    wide = LETTER * len(line["text"])
    left = line["x"] + GAP if side == "start" else line["x"] - GAP - wide
    left = float(np.clip(left, 0.0, max(WIDE - wide, 0.0)))
    over = left < line["x"] < left + wide  # no room beside the line: it begins below
    return {"left": round(left, 1), "right": round(left + wide, 1), "side": side, "over": over}


def _struck(lines: list[dict[str, Any]]) -> int:
    """How many words are crossed by the line of words higher up, or have no room beside their own."""
    pairs = [sorted(pair, key=lambda line: line["row"]) for pair in combinations(lines, 2)]
    struck = sum(low["left"] - GAP / 2 < high["x"] < low["right"] + GAP / 2 for high, low in pairs)
    return struck + sum(line["over"] for line in lines)


def _hours(
    plan: Plan, first: np.datetime64, last: np.datetime64, x: Callable[[np.datetime64], float]
) -> list[dict[str, Any]]:
    """Ticks at whole local hours; every second or third carries its name so that none touch."""
    moment = plan.trip.show.local(first)
    ticks: list[dict[str, Any]] = []
    moment = moment.replace(minute=0) + timedelta(hours=1)
    every = 2 if (last - first) < np.timedelta64(14, "h") else 4
    while True:
        time = np.datetime64(int(moment.timestamp()), "s")
        if time > last:
            return ticks
        ticks.append({"x": x(time), "text": f"{moment:%H:%M}" if moment.hour % every == 0 else ""})
        moment += timedelta(hours=1)
