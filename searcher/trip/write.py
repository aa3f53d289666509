"""A commented trip file to start from."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from string import Template
from typing import Any
from zoneinfo import ZoneInfo

from searcher.errors import TripError
from searcher.files import TRIP_FILE, make_folder, write_text
from searcher.trip.read import parse_trip

#: an invented port on a real coast, and the place a mile and a half off it where open water begins
PORT, SEA_BUOY = (153.0795, -30.405), (153.108, -30.408)


def new_trip_text(
    *,
    port_name: str | None = None,
    at: Sequence[float] = PORT,
    sea_buoy: Sequence[float] | None = None,
    timezone: str | None = None,
    leave: datetime | str | None = None,
    home_by: datetime | str | None = None,
    boat_name: str = "My boat",
    files: Sequence[str] = ("data/*.nc",),
    products: Sequence[str] = (),
    avoid: Sequence[str] = (),
) -> str:
    """The text of a commented trip file. Boat and gear are placeholders of a likely size.

    `at` and `sea_buoy` are (longitude, latitude) in degrees; without `sea_buoy`, open water is taken to begin
    at the port. The invented port has a name, a buoy and a time zone of its own; another without is called
    "My port" and has the clock of its longitude (`clock_of_longitude`). `leave` and `home_by` are local
    times: without `leave`, five in the morning of tomorrow; without `home_by`, eleven hours later. `files`
    and `avoid` are patterns relative to the trip folder.
    """
    invented = tuple(at) == PORT
    timezone = timezone or ("Australia/Sydney" if invented else clock_of_longitude(at[0]))
    leave, home_by = _hours(leave, home_by, timezone)
    values = {
        "port_name": port_name or ("Wirrin Harbour" if invented else "My port"),
        "at": list(at),
        "sea_buoy": list(sea_buoy or (SEA_BUOY if invented else at)),
        "timezone": timezone,
        "leave": leave,
        "home_by": home_by,
        "boat_name": boat_name,
        "files": list(files),
        "products": list(products),
        "avoid": list(avoid),
    }
    template = Template(Path(__file__).with_name("template.toml").read_text(encoding="utf-8"))
    # a JSON string or list of them is a TOML one too
    return template.substitute(
        {name: json.dumps(value, ensure_ascii=False) for name, value in values.items()}
    )


def clock_of_longitude(lon: float) -> str:
    """The time zone at sea of a longitude (degrees): whole hours from UTC, and no summer time."""
    east = round(((lon + 180.0) % 360.0 - 180.0) / 15.0)
    return f"Etc/GMT{-east:+d}"  # POSIX counts them westward


def _hours(leave: datetime | str | None, home_by: datetime | str | None, timezone: str) -> tuple[str, str]:
    """Both times as text; what is not a time is passed on for the reader of the file to name."""
    try:
        tomorrow = datetime.now(ZoneInfo(timezone)).date() + timedelta(days=1)
    except (KeyError, ValueError, OSError):
        tomorrow = datetime.now().date() + timedelta(days=1)
    if leave is None:
        leave = f"{tomorrow} 05:00"
    if home_by is None:
        try:
            home_by = f"{datetime.fromisoformat(str(leave)) + timedelta(hours=11):%Y-%m-%d %H:%M}"
        except ValueError:
            home_by = f"{tomorrow} 16:00"
    return str(leave), str(home_by)


def write_trip(path: str | os.PathLike[str], *, overwrite: bool = False, **fields: Any) -> Path:
    """Write a trip file made of `fields` (see `new_trip_text`) at `path`, a file or folder; return its path.

    The text is read back before anything is written, so a faulty field raises `TripError` and leaves
    nothing; so does a file that is already there, unless `overwrite`. Raises `SearcherError` where it cannot
    be written.
    """
    path = Path(path)
    if path.suffix != ".toml":
        path = path / TRIP_FILE
    if path.exists() and not overwrite:
        hint = "Choose another folder, or write over it with --force"
        raise TripError(f"{path} is already there", hint=hint)
    text = new_trip_text(**fields)
    try:
        parse_trip(text, path)
    except TripError as error:
        raise TripError.of_problems(f"{path} is not written", unseen_faults(error, path.name)) from error
    make_folder(path.parent)
    return write_text(path, text)


def unseen_faults(error: TripError, name: str) -> list[str]:
    """Faults of a trip file `name` that nobody has seen yet: without the numbers of its lines."""
    return [re.sub(rf"^{re.escape(name)} line \d+, ", "", fault) for fault in error.problems]
