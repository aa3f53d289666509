"""The day as one bar: what is done when, between sunrise and sunset."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from searcher.brief.words import Step, port_hours, turn_words
from searcher.plan import Plan

#: size of the drawing, and the margin at its sides
WIDE = 1000.0
INSET = 20.0


def draw_timeline(plan: Plan, steps: list[Step]) -> dict:
    """The day as shapes on 1000 × 250: hour ticks, a bar per leg, lines for sunrise, turning, home."""
    show, window = plan.trip.show, plan.trip.window
    first, last = window.start - np.timedelta64(20, "m"), window.end + np.timedelta64(20, "m")
    span = (last - first) / np.timedelta64(1, "s")

    def x(time) -> float:
        share = (np.datetime64(time, "ns") - first) / np.timedelta64(1, "s") / span
        return round(INSET + float(np.clip(share, 0.0, 1.0)) * (WIDE - 2 * INSET), 1)

    bars = [(step.start, step.end, step.kind, step.box) for step in steps]
    if hours := port_hours(plan):
        bars = [(hours[0], bars[0][0], "run", 0), *bars, (bars[-1][1], hours[1], "home", 0)]
    moments = [
        (window.sunrise, f"sunrise {show.say_clock(window.sunrise)}", "sun"),
        (plan.turn_for_home, f"turn by {turn_words(plan, clock=True)}", "turn"),
        (window.end, f"home by {show.say_clock(window.end)}", "turn"),
        (window.sunset, f"sunset {show.say_clock(window.sunset)}", "sun"),
    ]
    lines = [{"x": x(at), "text": text, "kind": kind} for at, text, kind in moments if first <= at <= last]
    return {
        "bars": [
            {"x": x(start), "wide": max(x(end) - x(start), 1.5), "kind": kind.replace(" ", "-"), "box": box}
            for start, end, kind, box in bars
        ],
        "lines": _stagger(sorted(lines, key=lambda line: line["x"])),
        "hours": _hours(plan, first, last, x),
        "night": [(INSET, x(window.sunrise)), (x(window.sunset), WIDE - INSET)],
        "sun": f"Sunrise {show.say_clock(window.sunrise)}, sunset {show.say_clock(window.sunset)}",
    }


def _stagger(lines: list[dict]) -> list[dict]:
    """Put each line's words in the first of three rows where they overlap no others."""
    ends = [-1e9, -1e9, -1e9]
    for line in lines:
        wide = 18.5 * len(line["text"])
        middle = min(max(line["x"], wide / 2), WIDE - wide / 2)
        row = next((k for k in range(3) if middle - wide / 2 > ends[k] + 8), 2)
        ends[row] = middle + wide / 2
        line |= {"middle": middle, "row": row}
    return lines


def _hours(plan: Plan, first, last, x) -> list[dict]:
    """Ticks at whole local hours; every second or third carries its name so that none touch."""
    moment, ticks = plan.trip.show.local(first), []
    moment = moment.replace(minute=0) + timedelta(hours=1)
    every = 2 if (last - first) < np.timedelta64(14, "h") else 4
    while True:
        time = np.datetime64(int(moment.timestamp()), "s")
        if time > last:
            return ticks
        ticks.append({"x": x(time), "text": f"{moment:%H:%M}" if moment.hour % every == 0 else ""})
        moment += timedelta(hours=1)
