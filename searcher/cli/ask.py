"""The few questions of `searcher new`, asked on a terminal only."""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from typing import Any

import typer

from searcher.errors import SearcherError
from searcher.files import TRIP_FILE

#: field of `new_trip_text` -> its section and key in the trip file, the question, what is expected
QUESTIONS = {
    "port_name": ("port", "name", "Name of the port", "a name"),
    "at": ("port", "at", "Where the boat lies", "such as 30°18.3'S 153°08.3'E, or longitude, latitude"),
    "sea_buoy": ("port", "sea_buoy", "Where open water begins", "a place, as above"),
    "timezone": ("port", "timezone", "Time zone", "such as Australia/Sydney"),
    "leave": ("window", "leave", "Leave (local time)", "such as 2026-01-17 05:00"),
    "home_by": ("window", "home_by", "Home by", "such as 2026-01-17 16:00, or 16:00"),
    "boat_name": ("boat", "name", "Name of the boat", "a name"),
}
PLACES = ("at", "sea_buoy")


def is_terminal() -> bool:
    """Whether someone is there to be asked: input and output are a terminal, not a file or a pipe."""
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout))


def ask_trip(given: dict[str, Any], ask: Callable[[str, str], str] | None = None) -> dict[str, Any]:
    """The given fields of `new_trip_text`, and those that were answered.

    What is not given is asked for, one line each; an empty answer keeps what is shown, one that is not
    understood, or that no trip can have beside those before, is asked for again. `ask` takes a question and
    the answer that is shown.
    """
    ask = ask or ask_line
    known = dict(given)
    for name, (_, _, question, expected) in QUESTIONS.items():
        if name in given:
            continue
        shown = shown_answer(name, known)
        while (answer := ask(question, shown).strip()) not in ("", shown):
            value = understand(name, answer, shown)
            wrong = complaint(name, {**known, name: value}) if value is not None else ""
            if value is not None and not wrong:
                known[name] = value
                break
            typer.echo(f"  {wrong or f'{answer!r} is not understood: {expected}'}")
    return known


def complaint(name: str, known: dict[str, Any]) -> str:
    """What a trip file of some fields would be refused for because of one of them; "" for nothing."""
    from searcher.errors import TripError
    from searcher.trip import new_trip_text, parse_trip
    from searcher.trip.write import unseen_faults

    section, key, *_ = QUESTIONS[name]
    try:
        parse_trip(new_trip_text(**known), TRIP_FILE)
    except TripError as error:
        return "; ".join(text for text in unseen_faults(error, TRIP_FILE) if f"[{section}] {key}" in text)
    return ""


def ask_line(question: str, shown: str) -> str:
    """One line typed on the terminal."""
    return typer.prompt(question, default=shown)


def shown_answer(name: str, known: dict[str, Any]) -> str:
    """What a field will be if nothing is answered, as it could be typed."""
    from searcher.geo import Place
    from searcher.sightings import say_place
    from searcher.trip import new_trip_text

    section, key, *_ = QUESTIONS[name]
    value = tomllib.loads(new_trip_text(**known))[section][key]
    return say_place(Place(*value)) if name in PLACES else str(value)


def understand(name: str, answer: str, shown: str) -> Any:
    """The value of a field for what was typed; None where that is not understood."""
    from zoneinfo import ZoneInfo

    with suppress(SearcherError, ValueError, OSError, KeyError):
        if name in PLACES:
            return read_place(answer)
        if name == "timezone":
            return ZoneInfo(answer).key
        if name in ("leave", "home_by"):
            clock = re.fullmatch(r"(\d{1,2})[:.](\d\d)", answer)
            text = f"{shown[:10]} {int(clock[1]):02d}:{clock[2]}" if clock else answer
            return f"{datetime.fromisoformat(text):%Y-%m-%d %H:%M}"
        return answer
    return None


def read_place(text: str) -> tuple[float, float]:
    """Longitude and latitude of a place as it is written on a chart, to a metre."""
    from searcher.sightings import parse_place

    lon, lat = parse_place(text).middle
    return round(lon, 5), round(lat, 5)
