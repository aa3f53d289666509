"""What to do next in a folder, from what lies in it and from the clock."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from searcher.cli.example import example_words
from searcher.cli.say import say_ports
from searcher.errors import SearcherError
from searcher.files import TRIP_FILE

if TYPE_CHECKING:
    from searcher.trip import Trip

#: what a verb leaves in a trip folder
PLAN, PAGE, REVIEW = "plan.nc", "brief.html", "review.json"
#: from so long before leaving the day counts as begun
BEFORE = np.timedelta64(60, "m")
#: page and plan of one command are written within this
WRITING = np.timedelta64(60, "s")
#: the folder above, as one goes there: in a trip's folder of data, or of a what-if, that is the trip
ABOVE = ".."
#: so many other trips are named at most
MOST_NAMED = 5
#: what a new folder may be called
TRIP_NAMES = ("saturday", "sunday", *(f"trip{k}" for k in range(1, 1000)))
DEMO_NAMES = ("morning", *(f"morning{k}" for k in range(2, 1000)))


class Step(NamedTuple):
    """A command to type, and what it is good for."""

    command: str
    what: str


@dataclass(frozen=True)
class Folder:
    """What lies in it. Times are when files were written (datetime64, UTC); None where there are none."""

    trip: Trip | None = None
    problem: str = ""  # why trip.toml cannot be read
    edited: np.datetime64 | None = None
    files: int = 0  # data files that trip.toml names
    fetched: np.datetime64 | None = None  # the newest of them
    planned: np.datetime64 | None = None
    briefed: np.datetime64 | None = None
    entries: int = 0  # of the log
    reviewed: bool = False
    others: tuple[str, ...] = ()  # folders in it, or above, that hold a trip


def look_into(folder: Path) -> Folder:
    """What lies in a folder; nothing in it is changed."""
    from searcher.trip import read_trip

    if not (folder / TRIP_FILE).exists():
        below = sorted(path.parent.name for path in folder.glob(f"*/{TRIP_FILE}"))
        above = [ABOVE] if (folder.resolve().parent / TRIP_FILE).exists() else []
        return Folder(others=(*above, *below))
    edited = written(folder / TRIP_FILE)
    try:
        trip = read_trip(folder)
    except SearcherError as error:
        return Folder(problem=str(error), edited=edited)
    files = trip.sources.files
    return Folder(
        trip=trip,
        edited=edited,
        files=len(files),
        fetched=max((time for time in map(written, files) if time is not None), default=None),
        planned=written(folder / PLAN),
        briefed=written(folder / PAGE),
        entries=count_entries(folder),
        reviewed=(folder / REVIEW).exists(),
    )


def written(path: Path) -> np.datetime64 | None:
    """When a file was last written; None where there is none."""
    try:
        return np.datetime64(os.stat(path).st_mtime_ns, "ns")
    except OSError:
        return None


def count_entries(folder: Path) -> int:
    """Entries of the log that stand; a log that cannot be read counts as none."""
    from searcher.sightings import log_path, read_sightings

    if not log_path(folder).exists():
        return 0
    try:
        return len(read_sightings(folder))
    except SearcherError:
        return 0


def next_step(folder: Path, *, now: np.datetime64) -> tuple[list[str], list[Step]]:
    """Where one stands, sentence by sentence, and the commands that come next."""
    found = look_into(folder)
    return describe(found, now), next_steps(found, now)


def next_step_text(folder: Path, *, now: np.datetime64) -> str:
    """Where one stands, and the commands that come next, as `searcher` alone prints them."""
    said, steps = next_step(folder, now=now)
    width = max(len(step.command) for step in steps)
    lines = [f"  {step.command:{width}}  {step.what}" for step in steps]
    return "\n".join([*said, "", "Next:", *lines, "", "Every command: searcher --help"])


def describe(found: Folder, now: np.datetime64) -> list[str]:
    """What lies in the folder and how old it is, in a few sentences."""
    if found.problem:
        return [found.problem]
    if found.trip is None:
        return [describe_others(found.others)]
    trip, show = found.trip, found.trip.show
    away = say_away(trip.window.start - now) if now < trip.window.start else "under way"
    away = away if now <= trip.window.end else say_away(trip.window.end - now)
    said = [
        f"{say_ports(trip)}, {show.say_time(trip.window.start)} to {show.say_time(trip.window.end)} ({away})."
    ]
    said += example_words(trip)
    if found.fetched is not None:
        said.append(
            f"Data: {count_of(found.files, 'file')}, the newest written {say_away(found.fetched - now)}."
        )
    if is_stale(found):
        limit = f"{trip.data.max_age / 3600:.0f} h"
        said.append(f"These data will be more than {limit} old when you leave, which is your limit.")
    if found.planned is not None:
        said.append(f"Plan: made {say_away(found.planned - now)}{outdated_words(found)}.")
    if found.entries:
        said.append(f"Log: {count_of(found.entries, 'entry', 'entries')}.")
    return said


def describe_others(others: tuple[str, ...]) -> str:
    """That there is no trip here, and where there are some."""
    if not others:
        return f"There is no {TRIP_FILE} in this folder."
    names = ["the one above" if name == ABOVE else name for name in others[:MOST_NAMED]]
    named = ", ".join(names) + (", ..." if len(others) > MOST_NAMED else "")
    return f"There is no {TRIP_FILE} in this folder, but in {named}."


def next_steps(found: Folder, now: np.datetime64) -> list[Step]:
    """The commands that come next, the likeliest first."""
    trip = found.trip
    if trip is None:
        return [CHECK] if found.problem else steps_to_begin(found.others)
    if now > trip.window.end:
        return steps_after(found)
    if not found.files:
        return steps_for_data(trip)
    if found.planned is None:
        return [CHECK, BRIEF, PLAN_ONLY]
    if now >= trip.window.start - BEFORE:
        return AT_SEA
    if is_outdated(found) or found.briefed is None or is_older_page(found):
        return [BRIEF, *newer_data(trip)]
    return [
        *newer_data(trip),
        *HAND_OVER,
        Step("searcher log --help", "at sea: how to write down what is seen"),
    ]


def steps_to_begin(taken: tuple[str, ...]) -> list[Step]:
    """When there is no trip here: into one of those below, or a new one by a name that is free."""
    used = {name.casefold() for name in taken}  # Windows and macOS hold Saturday and saturday for one
    trip, show = (next(name for name in names if name not in used) for names in (TRIP_NAMES, DEMO_NAMES))
    return [
        *(Step(f"cd {quoted(name)}", "go on with that trip") for name in taken[:1]),
        Step(f"searcher demo {show}", "the whole job on an invented sea, without a network"),
        Step(f"searcher new {trip}", "a trip of your own, in a new folder"),
    ]


def quoted(name: str) -> str:
    """A name as it can be typed in any shell: in quotes where it has spaces."""
    return f'"{name}"' if " " in name else name


def steps_after(found: Folder) -> list[Step]:
    """When the hours of the trip are past."""
    if found.reviewed:
        return [NEXT_TRIP]
    if found.planned is None:
        change = "its hours are past: change leave and home_by in [window]"
        return [Step(f"edit {TRIP_FILE}", change), NEXT_TRIP]
    if found.entries:
        return [REVIEW_IT, NEXT_TRIP]
    return [*(HAND_OVER[:1] if found.briefed is not None else []), FROM_PLOTTER, REVIEW_IT, NEXT_TRIP]


def steps_for_data(trip: Trip) -> list[Step]:
    """When there is nothing to search in."""
    if trip.data.products:
        return [Step("searcher fetch", f"fetch {', '.join(trip.data.products)} for this trip"), CHECK]
    return [
        Step("searcher sources", 'lists public grids; name some in [data] products, then "searcher fetch"'),
        Step("searcher check", "after putting netCDF files of your own where [data] files says"),
    ]


def newer_data(trip: Trip) -> list[Step]:
    """Fetching again, where the trip names products."""
    return (
        [Step("searcher fetch", "newer data, if there are any; then brief again")]
        if trip.data.products
        else []
    )


def is_outdated(found: Folder) -> bool:
    """Whether the trip file or the data were written after the plan was made."""
    since = [time for time in (found.edited, found.fetched) if time is not None]
    return found.planned is not None and bool(max(since, default=found.planned) > found.planned)


def is_older_page(found: Folder) -> bool:
    """Whether the page is of a plan before the one that is kept."""
    if found.planned is None or found.briefed is None:
        return False
    return bool(found.planned - found.briefed > WRITING)


def is_stale(found: Folder) -> bool:
    """Whether even the newest file was written longer before leaving than the trip file allows."""
    if found.trip is None or found.fetched is None:
        return False
    age = float((found.trip.window.start - found.fetched) / np.timedelta64(1, "s"))
    return age > found.trip.data.max_age


def outdated_words(found: Folder) -> str:
    """That the plan is older than what it was made of; "" where it is not."""
    if is_outdated(found):
        return f", before {TRIP_FILE} or the data were last changed"
    return f", after {PAGE} and what goes with it" if is_older_page(found) else ""


def say_away(span: np.timedelta64) -> str:
    """How far ahead or past something is: in 9 h, 3 days ago."""
    minutes = abs(span) / np.timedelta64(1, "m")
    size = f"{minutes:.0f} min" if minutes < 100 else f"{minutes / 60:.0f} h"
    size = size if minutes < 48 * 60 else f"{minutes / 1440:.0f} days"
    return f"in {size}" if span > np.timedelta64(0) else f"{size} ago"


def count_of(number: int, one: str, many: str = "") -> str:
    """A number with its word: 1 file, 3 files."""
    return f"{number} {one if number == 1 else many or one + 's'}"


CHECK = Step("searcher check", "says everything that is wrong, and how old the data are")
BRIEF = Step("searcher brief", "plans, and writes page, maps, route for the plotter and float plan")
PLAN_ONLY = Step("searcher plan", "plans only: boxes, route, reach")
NEXT_TRIP = Step("searcher new ../sunday", "the next trip, in a folder of its own")
REVIEW_IT = Step("searcher review", "how the plan did, and what it teaches")
FROM_PLOTTER = Step("searcher log --gpx marks.gpx", "what the plotter kept: marks and tracks")
HAND_OVER = [
    Step(f"open {PAGE}", "the plan; it needs no network"),
    Step("copy route.gpx", "to the plotter: route, marks and trolling lines"),
    Step("print float_plan.html", "fill in the blanks, leave it with someone ashore"),
]
AT_SEA = [
    Step("searcher log weed line --at ...", "write down what is seen, with its place"),
    Step("searcher rerank --at ... --fuel ...", "the best way on from here, with what was seen"),
    Step("searcher log", "what has been written down so far"),
]
