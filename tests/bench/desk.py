"""How long one waits at the desk after each change, on the demonstration's day.

A day on the built-in sea is planned once; then each wish is changed in turn and planned again from what did
not change, and drawn: so long one waits. Beside it: the proof that comes after, while the page goes on
answering, and the seconds of a plan with its proof and no memory.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from time import perf_counter

import numpy as np
from timing import print_table, read_options, say

from searcher.builtin import write_builtin_files
from searcher.cli.verbs import load_trip_sea
from searcher.desk.chart import Chart
from searcher.desk.whatif import Desk
from searcher.desk.wishes import trip_with, troll_limits, wishes_of
from searcher.plan import make_plan
from searcher.trip import read_trip

HOUR = np.timedelta64(1, "h")


def main() -> None:
    quick = read_options(__doc__).quick
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "trip"
        write_builtin_files(folder)
        trip = read_trip(folder)
        desk = Desk(trip, load_trip_sea(trip)[0])
        say("planning a day on the built-in sea")
        first = desk.plan(wishes_of(trip))
        time_of(lambda: draw(first.plan))  # what is loaded at first use
        changes = list(changes_of(first, trip).items())[: 2 if quick else None]
        rows = [row_of(name, wish, desk, first) for name, wish in changes]
    columns = [
        "change",
        "planned again, s",
        "drawn, s",
        "its proof, s",
        "with no memory, s",
        "worked out",
    ]
    print_table("what-ifs at the desk", columns, rows)


def changes_of(first, trip) -> dict:
    """Changes to try."""
    wishes, worked = first.wishes, int(first.plan.stays["box"].iloc[0])
    last = int(first.plan.boxes["rank"].iloc[-1])
    return {
        "a box left out": replace(wishes, banned=frozenset({worked})),
        "a box pinned": replace(wishes, pinned=frozenset({min(last, worked + 1)})),
        "target": replace(wishes, species="wahoo"),
        "trolling speed": replace(wishes, troll=troll_limits(trip, wishes.bait)[2]),
        "fuel": replace(wishes, fuel=0.8 * wishes.fuel),
        "home by": replace(wishes, home_by=wishes.home_by - HOUR),
        "departure": replace(wishes, leave=wishes.leave + HOUR),
    }


def row_of(name: str, wishes, desk: Desk, first) -> list:
    """A change: seconds of planning it again, of drawing, of the proof, and of planning from nothing."""
    found, again = time_of(lambda: desk.plan(wishes, before=first, prove=False))
    _, drawn = time_of(lambda: draw(found.plan))
    _, proof = time_of(lambda: desk.prove(found))
    pins = {"pinned": wishes.pinned, "banned": wishes.banned}
    _, anew = time_of(lambda: make_plan(trip_with(desk.trip, wishes), desk.sea, **pins))
    return [name, again, drawn, proof, anew, ", ".join(found.made) or "the route alone"]


def draw(plan) -> None:
    """All that the page shows of a plan."""
    from bokeh.models import InlineStyleSheet

    from searcher.desk.page import day_facts

    Chart(InlineStyleSheet(css="")).show(plan)
    day_facts(plan)


def time_of(act) -> tuple:
    """What came of it, and seconds by the clock."""
    began = perf_counter()
    result = act()
    return result, perf_counter() - began


if __name__ == "__main__":
    main()
