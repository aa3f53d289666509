"""From the text of a trip file to a trip, or to one error that names every fault with its line."""

from __future__ import annotations

import difflib
import json
import math
import os
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import shapely
from pydantic import ValidationError

from searcher import geo
from searcher.errors import TripError
from searcher.files import TRIP_FILE
from searcher.geo import Place
from searcher.trip.areas import read_closed
from searcher.trip.hours import find_days, read_window, to_datetime, to_numpy
from searcher.trip.model import (
    BACKSLASH,
    OPTIONAL,
    REQUIRED,
    SECTIONS,
    TROLL_KN,
    Boat,
    Finish,
    Gear,
    Port,
    Target,
    Trip,
    keys_of,
    matches,
    say_backslash,
    say_speeds,
)
from searcher.trip.values import Section, is_number, is_pair
from searcher.units import FACTORS, HOUR, Show, from_unit, to_unit

#: a berth may lie this far inside the drawn shore (harbours, rivers), and the sea buoy this far from it, m
HARBOUR = 1000.0
FARTHEST_BUOY = 40e3
#: how far around a place water is looked for, m
LOOKOUT = 30e3
#: a smaller reserve earns a word, share of the tank (common practice, no source: a third)
LEAST_RESERVE = 0.2


#: clocks may be so many hours off the sun of a place (3.4 in the far west of China), and so many with the
#: date of the other side of the date line (1.5 in summer at the Chatham Islands; both from memory). And
#: these are the clocks of no place
MOST_APART, MOST_ASIDE = 3.6, 1.6
WORLD_CLOCKS = ("UTC", "GMT", "Etc/UTC", "Etc/GMT")
#: a port to leave from or to finish in
AnyPort = TypeVar("AnyPort", Port, Finish)


@dataclass
class Faults:
    """The faults found so far, each with its place in the file."""

    file: str
    lines: Mapping[tuple[str, str], int]
    found: list[tuple[float, str]] = field(default_factory=list)

    def add(self, section: str, key: str, text: str) -> None:
        """Note a fault of a key, or of a whole section where `key` is empty."""
        line = self.lines.get((section, key)) or self.lines.get((section, ""))
        where = f"{self.file} line {line}" if line else self.file
        name = f"[{section}] {key}".rstrip()
        self.found.append((line or math.inf, f"{where}, {name}: {text}"))

    def in_order(self) -> list[str]:
        """The faults as they come in the file; those without a line last."""
        return [text for _, text in sorted(self.found, key=lambda fault: fault[0])]


def read_trip(path: str | os.PathLike[str]) -> Trip:
    """Read a trip file, or the trip file of a folder.

    Raises one `TripError` that names every fault and its line.
    """
    path = trip_path(path)
    return parse_trip(read_text(path), path)


def trip_path(path: str | os.PathLike[str]) -> Path:
    """The trip file of a folder; a path to a file is taken as it is."""
    path = Path(path)
    return path / TRIP_FILE if path.is_dir() else path


def read_text(path: Path) -> str:
    """The text of a trip file; `TripError` where there is none, or it is no text."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise TripError(f"no trip file at {path}", hint="Write one with 'searcher new'") from None
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        hint = f"See line {line}, and save the file as UTF-8"
        raise TripError(f"{path} is not text in UTF-8", hint=hint) from None
    except OSError as error:
        raise TripError(f"{path} cannot be read as text: {error}") from None


def _say_line(text: str, reason: str) -> str:
    """The line of a text that a reason names, and what is often the matter; "" where it names none."""
    found = re.search(r"at line (\d+)", reason)
    if found is None:
        return ""
    line = text.splitlines()[int(found[1]) - 1].strip()
    if "\\" in line:
        return f": {line}. {BACKSLASH}"
    return f": {line}. Numbers have a point, not a comma; words stand in quotes, lists in brackets"


def parse_trip(text: str, path: str | os.PathLike[str], *, afloat: bool = False) -> Trip:
    """A trip of the text of a trip file that stands, or will stand, at `path`. Raises as `read_trip`.

    afloat: its ports are known to lie beside water, since the same text has been read before.
    """
    path = Path(path)
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # TOMLDecodeError, or a number of thousands of digits
        raise TripError(f"{path} is not valid TOML: {error}{_say_line(text, str(error))}") from None
    faults = Faults(path.name, find_lines(text))
    _check_sections(raw, faults)
    parts: dict[str, Any] = {name: _read_section(name, raw.get(name), faults) for name in SECTIONS}
    _check_parts(parts, faults, afloat=afloat)
    parts = _finish_parts(parts, path.parent, faults)
    if faults.found:
        raise TripError.of_problems(str(path), faults.in_order())
    return Trip(folder=path.parent, text=text, **parts)


def find_lines(text: str) -> dict[tuple[str, str], int]:
    """Line numbers of headers, as (section, ""), and of keys, as (section, key); the first of each."""
    lines: dict[tuple[str, str], int] = {}
    section, quote = "", ""
    for number, line in enumerate(text.splitlines(), start=1):
        if not quote:
            if header := re.match(r"\s*\[+\s*([A-Za-z_][\w.-]*)\s*\]", line):
                section = header[1]
                lines.setdefault((section, ""), number)
            elif key := re.match(r"""\s*["']?([\w-]+)["']?\s*=""", line):
                lines.setdefault((section, key[1]), number)
        for mark in re.findall(r'"""|\'\'\'', line):
            quote = "" if quote == mark else quote or mark
    return lines


def _check_sections(raw: Mapping[str, Any], faults: Faults) -> None:
    """Name the sections that do not exist, and the required ones that are missing."""
    for name in raw:
        if name not in SECTIONS:
            faults.add(name, "", f"unknown section{_nearest(name, SECTIONS)}")
    for name in REQUIRED:
        if name not in raw:
            faults.add(name, "", f"the section is missing, expected it with {', '.join(keys_of(name))}")


def _nearest(name: str, known: Mapping[str, object]) -> str:
    """What may have been meant by a name; of a key that goes by several units all of them."""
    close = _closest(name, known)
    if not close:
        return f", expected one of {', '.join(known)}"
    *others, last = (key for key, meant in known.items() if meant == known[close])
    return f", did you mean {', '.join(others)}{' or ' if others else ''}{last}?"


def _closest(name: str, known: Iterable[str]) -> str:
    return next(iter(difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)), "")


def _read_section(name: str, raw: Any, faults: Faults) -> Section | None:
    """A section in inside units; None where it has faults (which are noted) or is missing."""
    model = SECTIONS[name]
    if raw is None:
        return None if name in (*REQUIRED, *OPTIONAL) else model()
    if not isinstance(raw, dict):
        faults.add(name, "", f"given {_shown(raw)}, expected one section headed [{name}]")
        return None
    before = len(faults.found)
    values, source = _to_inside(name, raw, faults)
    try:
        section = model.model_validate(values)
    except ValidationError as error:
        _explain(name, error, raw, source, faults)
        return None
    return section if len(faults.found) == before else None


def _to_inside(name: str, raw: Mapping[str, Any], faults: Faults) -> tuple[dict[str, Any], dict[str, str]]:
    """(values by field, in inside units; the key that each field came from)."""
    known = keys_of(name)
    values: dict[str, Any] = {}
    source: dict[str, str] = {}
    for key, value in raw.items():
        attribute = known.get(key)
        if attribute is None:
            faults.add(name, key, f"unknown key{_nearest(key, known)}")
        elif attribute in source:
            faults.add(name, key, f"given beside {source[attribute]}, expected only one of them")
        else:
            values[attribute], source[attribute] = _inside_value(key, attribute, value), key
    if "table" in values:
        values["table"] = _inside_burn(values["table"], raw.get("burn_unit"))
    return values, source


def _inside_value(key: str, attribute: str, value: Any) -> Any:
    """A number whose key has a unit in its name, as SI; anything else as it is, for the model to judge."""
    unit = key.rpartition("_")[2]
    return from_unit(value, unit) if key != attribute and unit in FACTORS and is_number(value) else value


def _inside_burn(rows: Any, unit: Any) -> Any:
    """A burn table of (kn, volume per hour) as (m/s, L/s); anything else as it is."""
    if not (isinstance(rows, list) and all(is_pair(row) for row in rows)):
        return rows
    volume = FACTORS[unit] if unit in ("l", "gal") else 1.0
    return [(from_unit(speed, "kn"), burn * volume / HOUR) for speed, burn in rows]


def _explain(
    name: str,
    error: ValidationError,
    raw: Mapping[str, Any],
    source: Mapping[str, str],
    faults: Faults,
) -> None:
    """Note what pydantic found, in the words of the file: its keys, its values, what was expected."""
    known, said = keys_of(name), set()
    meant = {known.get(_closest(key, known)) for key in raw if key not in known}
    for fault in error.errors():
        attribute = str(fault["loc"][0])
        if attribute in said or fault["type"] == "default_factory_not_called":
            continue
        said.add(attribute)
        if fault["type"] == "missing":
            keys = [key for key, filled in known.items() if filled == attribute]
            if attribute not in meant:  # a misspelt key has been named already
                faults.add(name, " or ".join(keys), "the key is missing")
        else:
            key = source[attribute]
            faults.add(name, key, f"given {_shown(raw[key])}, {_expected(name, attribute, fault)}")


def _expected(name: str, attribute: str, fault: Mapping[str, Any]) -> str:
    if fault["type"] == "value_error":  # our own validators say it themselves
        return str(fault["ctx"]["error"])
    if fault["type"] == "literal_error":
        return f"expected {fault['ctx']['expected']}"
    return f"expected {SECTIONS[name].model_fields[attribute].description}"


def _shown(value: Any) -> str:
    """A value of the file much as it is written there, shortened."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 70 else f"{text[:67]}..."


def _check_parts(parts: Mapping[str, Any], faults: Faults, *, afloat: bool) -> None:
    """What one section alone cannot tell; skipped where a section it needs has faults of its own."""
    port, boat, gear, target = (parts[name] for name in ("port", "boat", "gear", "target"))
    for name in ("port", "finish"):
        if parts[name] and not afloat:
            _check_port(name, parts[name], faults)
    if gear:
        _check_gear(gear, boat, faults)
    if boat:
        _check_boat(boat, port, faults)
    if target:
        _check_target(target, faults)


def _check_port(section: str, port: Port | Finish, faults: Faults) -> None:
    apart = geo.distance(port.at, port.sea_buoy)
    if apart > FARTHEST_BUOY:
        faults.add(section, "sea_buoy", f"given {apart / 1e3:.0f} km from the port, expected at most 40 km")
    for key, place, allowed in (("at", port.at, HARBOUR), ("sea_buoy", port.sea_buoy, 0.0)):
        ashore = distance_to_sea(place)
        if ashore > allowed:
            far = f"{ashore / 1e3:.1f} km" if math.isfinite(ashore) else "more than 30 km"
            expected = "open water" if allowed == 0 else "at most 1 km inside the shore"
            given = f"given {_shown(place)}, on land {far} from the sea"
            faults.add(section, key, f"{given}, expected {expected}")


def distance_to_sea(place: Place) -> float:
    """Metres from a place to the nearest sea of the full-detail coast; 0 at sea, inf beyond 30 km."""
    region = geo.region_around(place, LOOKOUT)
    land = geo.land(region.grown(1000.0), detail="full")
    if not shapely.intersects(land, shapely.Point(place)):
        return 0.0
    sea = geo.LocalPlane(place).to_plane(region.polygon().difference(land))
    return math.inf if sea.is_empty else float(shapely.distance(sea, shapely.Point(0, 0)))


def _check_gear(gear: Gear, boat: Boat | None, faults: Faults) -> None:
    """Trolling speed within the bait's range and the burn table."""
    slowest, _, fastest = TROLL_KN[gear.bait]
    speed = to_unit(gear.troll, "kn")
    if not slowest - 1e-9 <= speed <= fastest + 1e-9:
        expected = f"expected {slowest:g} to {fastest:g} kn with {gear.bait} bait"
        faults.add("gear", "troll_kn", f"given {speed:g}, {expected}")
    elif boat and not boat.can_do(gear.troll):
        expected = f"expected a speed inside the burn table, {say_speeds(boat.speeds)}"
        faults.add("gear", "troll_kn", f"given {speed:g}, {expected}")


def _check_boat(boat: Boat, port: Port | None, faults: Faults) -> None:
    """Cruising speed within the burn table; fuel to the sea buoy and home without the reserve."""
    if not boat.can_do(boat.cruise):
        expected = f"expected a speed inside the burn table, {say_speeds(boat.speeds)}"
        faults.add("boat", "cruise_kn", f"given {to_unit(boat.cruise, 'kn'):g}, {expected}")
    elif port:
        needed = 2 * geo.distance(port.at, port.sea_buoy) / boat.cruise * boat.burn(boat.cruise)
        if boat.usable < needed:
            given = f"given {_litres(boat.tank)}, {_litres(boat.usable)} without the reserve"
            need = f"the boat cannot come home: to the sea buoy and back takes {_litres(needed)}"
            faults.add("boat", "tank", f"{given}; {need}")


def _litres(volume: float) -> str:
    return f"{volume:.4g} L" if volume < 1000 else f"{volume:,.0f} L"


def _check_target(target: Target, faults: Faults) -> None:
    if target.max_depth <= target.min_depth:
        expected = f"expected more than the least depth, {target.min_depth:g} m"
        faults.add("target", "max_depth", f"given {target.max_depth:g} m, {expected}")


def _finish_parts(parts: Mapping[str, Any], folder: Path, faults: Faults) -> dict[str, Any]:
    """The parts of a trip: the sections, with hours in UTC, closed areas read, and ways to write values."""
    port, times, avoid, show = (parts[name] for name in ("port", "window", "avoid", "show"))
    finished = dict(parts)
    for pattern in parts["data"].files if parts["data"] else ():
        if say_backslash(pattern) and not matches(folder, pattern):
            faults.add("data", "files", f"{_no_match(pattern, folder)}{say_backslash(pattern)}")
    if port:
        port = finished["port"] = _beside(port, port)
    if port and parts["finish"]:
        finished["finish"] = _beside(parts["finish"], port)
    if port and times:
        finished["window"], wrong = read_window(times, port)
        for key, text in wrong:
            faults.add("window", key, text)
    if avoid:
        closed, unread = read_closed(folder, avoid.files, port.sea_buoy.lon if port else 0.0)
        finished["avoid"] = avoid.model_copy(update={"closed": closed})
        for name in ("port", "finish"):
            buoy = finished[name] and finished[name].sea_buoy
            if buoy and shapely.intersects(closed, shapely.Point(buoy)):
                faults.add(name, "sea_buoy", f"given {_shown(buoy)}, inside a closed area of [avoid]")
        for text in unread:
            faults.add("avoid", "files", text)
    if port and show:
        finished["show"] = Show(timezone=port.timezone, **show.model_dump())
    return finished


def _no_match(pattern: str, folder: Path) -> str:
    return f"nothing matches {json.dumps(pattern)} in {folder}"


def _beside(port: AnyPort, first: Port) -> AnyPort:
    """A port with longitudes that go on from the sea buoy of the first one, past 180° too."""
    places = {
        name: Place(float(geo.near_longitude(place.lon, first.sea_buoy.lon)), place.lat)
        for name, place in (("at", port.at), ("sea_buoy", port.sea_buoy))
    }
    return port.model_copy(update=places)


def check_trip(trip: Trip, *, now: datetime | None = None) -> list[str]:
    """What is not wrong but should be known: no files, no daylight, next to no reserve, a departure past."""
    findings = [
        f"[data] files: {_no_match(pattern, trip.folder)}"
        for pattern in trip.data.files
        if not matches(trip.folder, pattern)
    ]
    if not trip.data.files and not trip.data.products:
        findings.append("[data]: neither files nor products are named, so there is nothing to search in")
    findings += _clock_findings(trip)
    if trip.boat.reserve < LEAST_RESERVE:
        findings.append(
            f"[boat] reserve: only {trip.boat.reserve:.0%} of the tank is kept back; a third is usual"
        )
    if trip.window.start < to_numpy(now or datetime.now(UTC)):
        findings.append(f"[window] leave: {trip.show.say_time(trip.window.start)} is in the past")
    return findings


def _clock_findings(trip: Trip) -> Iterator[str]:
    """Daylight that is missing or not used, and a time zone that the port does not seem to lie in."""
    window, port = trip.window, trip.port
    leave, home = (to_datetime(moment) for moment in (window.start, window.end))
    lit = find_days(port, leave, home)
    light = sum(max((min(down, home) - max(up, leave)).total_seconds(), 0.0) for up, down in lit)
    if window.daylight == 0:
        yield "[window]: no daylight between leave and home_by, so no line would be set"
    elif light - window.daylight > HOUR:
        first, last = max(window.sunrise, window.start), min(window.sunset, window.end)
        used = f"{trip.show.say_time(first)} to {trip.show.say_time(last)}"
        yield f"[window]: of the daylight between leave and home_by only {used} is used"
    if port.timezone not in WORLD_CLOCKS:
        ahead = leave.astimezone(ZoneInfo(port.timezone)).utcoffset() or timedelta()
        apart = ahead.total_seconds() / HOUR - port.at.lon / 15.0
        aside = apart - 24.0 * round(apart / 24.0)  # beside the date line clocks may have the other date
        if abs(aside) > (MOST_APART if aside == apart else MOST_ASIDE):
            yield (
                f"[port] timezone: {port.timezone} is {abs(apart):.0f} h off the sun at the port: is it the "
                "port's own, and the sign of its longitude right (east is positive)?"
            )
        elif "/" not in port.timezone or port.timezone.startswith("Etc/"):
            yield f"[port] timezone: {port.timezone} may know no summer time; America/New_York does"
