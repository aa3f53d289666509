"""The trip file: port, hours, boat, gear, target, data, places to avoid.

`read_trip` turns `trip.toml` into a frozen `Trip` in inside units (m, s, m/s, L, degrees, UTC), or raises one
`TripError` that names every fault with its line. Each key of a length, speed, volume or span of time carries
its unit in its name (`tank_l` or `tank_gal`), and giving both of a pair is a fault. The usual trolling speeds
and distances astern are common practice, no source.
"""

from __future__ import annotations

import difflib
import glob
import json
import math
import os
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from string import Template
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

import astral
import astral.sun
import numpy as np
import shapely
import shapely.geometry
from pydantic import BaseModel, ConfigDict, Field, PlainValidator, ValidationError
from scipy.interpolate import PchipInterpolator

from searcher import geo
from searcher.errors import OutOfReach, TripError
from searcher.geo import Place, Region
from searcher.units import FACTORS, FOOT, HOUR, KNOT, NAUTICAL_MILE, Show, from_unit, to_unit

TRIP_FILE = "trip.toml"
LONGEST_TRIP = 36 * HOUR
PLANING = 12 * KNOT
#: bait -> slowest, usual and fastest trolling speed, kn (common practice, no source)
TROLL_KN = {
    "artificial": (6.0, 8.0, 10.0),
    "skirted natural": (5.5, 6.0, 6.5),
    "bare natural": (4.0, 4.5, 5.0),
}
#: lines in setting order, longest first: name, metres astern from and to (common practice, no source)
SPREADS = {
    1: (("single line", 150 * FOOT, 150 * FOOT),),
    2: (("long line", 200 * FOOT, 250 * FOOT), ("short line", 150 * FOOT, 150 * FOOT)),
}
SPREADS[3] = (*SPREADS[2], ("middle line", 50 * FOOT, 75 * FOOT))
#: a berth may lie this far inside the drawn shore (harbours, rivers), and the sea buoy this far from it, m
HARBOUR = 1000.0
FARTHEST_BUOY = 40e3
#: how far around a place water is looked for, and the margin of the trip's region, m
LOOKOUT = 30e3
MARGIN = 30e3


def _place(value: Any) -> Place:
    """A place of [longitude, latitude], its longitude brought to -180..180."""
    numbers = isinstance(value, list | tuple) and len(value) == 2 and all(_is_number(v) for v in value)
    if not numbers:
        raise ValueError("expected [longitude, latitude] in degrees")
    lon, lat = (float(v) for v in value)
    if not (-180 <= lon <= 360 and -85 <= lat <= 85):
        hint = "; longitude comes first" if -180 <= lat <= 360 and -85 <= lon <= 85 else ""
        raise ValueError(f"expected [longitude -180 to 360, latitude -85 to 85]{hint}")
    return Place(float(geo.near_longitude(lon, 0.0)), lat)


def _timezone(value: Any) -> str:
    try:
        return ZoneInfo(value).key
    except (KeyError, ValueError, TypeError, OSError):
        raise ValueError('expected a time zone such as "Australia/Sydney" or "UTC"') from None


def _moment(value: Any) -> datetime:
    """A local date-time of TOML, or of text such as "2026-01-17 05:00"."""
    moment = value
    if isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value) if len(value) > len("2026-01-17") else None
        except ValueError:
            moment = None
    if not isinstance(moment, datetime):
        raise ValueError('expected a date and time such as "2026-01-17 05:00"')
    return moment


def _burn_table(value: Any) -> tuple[tuple[float, float], ...]:
    """Rows (speed, burn), checked; both already in inside units."""
    rows = value if isinstance(value, list | tuple) else []
    if len(rows) < 2 or not all(_is_pair(row) for row in rows):
        raise ValueError("expected at least two rows [speed in kn, burn per hour]")
    speeds, burns = zip(*rows, strict=True)
    if not (min(speeds) > 0 and max(speeds) <= 100 * KNOT and min(burns) > 0):
        raise ValueError("expected speeds over 0 and up to 100 kn, and burns over 0")
    if not (np.diff(speeds) > 0).all():
        raise ValueError("expected speeds that rise from row to row")
    if not (np.diff(burns) >= 0).all():
        raise ValueError("expected burns that do not fall as the speed rises")
    return tuple((float(speed), float(burn)) for speed, burn in rows)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_pair(row: Any) -> bool:
    return isinstance(row, list | tuple) and len(row) == 2 and all(_is_number(value) for value in row)


def _key(expected: str, *keys: str, default: Any = ..., **limits: Any) -> Any:
    """A field of the file: what is expected in words, and its keys where they differ from its name."""
    extra = {"keys": keys} if keys else None
    return Field(default, description=expected, json_schema_extra=extra, **limits)


class Section(BaseModel):
    """One section of the file, in inside units. Types are strict: "3" is no number."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, arbitrary_types_allowed=True
    )


class Port(Section):
    """Where the boat lies (`at`) and where open water begins (`sea_buoy`)."""

    name: str = _key("a name in quotes", min_length=1)
    at: Annotated[Place, PlainValidator(_place)]
    sea_buoy: Annotated[Place, PlainValidator(_place)] = Field(default_factory=lambda data: data["at"])
    timezone: Annotated[str, PlainValidator(_timezone)]


class Times(Section):
    """The section [window] as written: local times, or times with an offset."""

    leave: Annotated[datetime, PlainValidator(_moment)]
    home_by: Annotated[datetime, PlainValidator(_moment)]


class Window(Section):
    """Hours of the trip and of daylight, datetime64[ns], UTC.

    `sunrise` and `sunset` (upper limb, standard refraction) are at the port, on the local date of departure,
    or on the day after where the boat leaves after sunset. Where the sun does not set that day they are the
    start and end of the window; where it does not rise both are the start.
    """

    start: np.datetime64
    end: np.datetime64
    sunrise: np.datetime64
    sunset: np.datetime64

    @property
    def hours(self) -> float:
        """Length of the window, s."""
        return float((self.end - self.start) / np.timedelta64(1, "s"))

    @property
    def daylight(self) -> float:
        """How much of the window lies between sunrise and sunset, s."""
        first, last = max(self.start, self.sunrise), min(self.end, self.sunset)
        return max(0.0, float((last - first) / np.timedelta64(1, "s")))


class Boat(Section):
    """Speeds (m/s) and what they burn (L/s), fuel (L), and the skipper's own limits (m, m/s)."""

    name: str = _key("a name in quotes", default="", min_length=1)
    table: Annotated[tuple[tuple[float, float], ...], PlainValidator(_burn_table)] = _key("rows", "burn")
    burn_unit: Literal["l", "gal"]
    cruise: float = Field(
        default_factory=lambda data: _best_cruise(data["table"]),
        description="a speed over 0",
        json_schema_extra={"keys": ("cruise_kn",)},
        gt=0,
    )
    tank: float = _key("a volume over 0", "tank_l", "tank_gal", gt=0, le=1e6)
    reserve: float = _key("a share from 0 to 0.9", default=1 / 3, ge=0, le=0.9)
    draught: float = _key("a depth over 0, up to 20 m", "draught_m", "draught_ft", gt=0, le=20)
    max_wind: float = _key("a speed over 0, up to 100 kn", "max_wind_kn", gt=0, le=100 * KNOT)
    max_waves: float = _key("a height over 0, up to 20 m", "max_wave_m", "max_wave_ft", gt=0, le=20)

    @property
    def speeds(self) -> tuple[float, ...]:
        """Speeds of the burn table, m/s, ascending."""
        return tuple(speed for speed, _ in self.table)

    @property
    def burns(self) -> tuple[float, ...]:
        """Burns of the burn table, L/s."""
        return tuple(burn for _, burn in self.table)

    @property
    def top_speed(self) -> float:
        """Highest speed of the burn table, m/s."""
        return self.speeds[-1]

    @property
    def usable(self) -> float:
        """Fuel that may be planned for, L: the tank without the reserve."""
        return self.tank * (1 - self.reserve)

    def burn(self, speed):
        """Burn in L/s at a speed through the water in m/s; scalar or array.

        Monotone cubic interpolation of the table (Fritsch & Butland 1984, SIAM J. Sci. Stat. Comput.
        5:300-304, through scipy's PCHIP). Raises `OutOfReach` outside the table.
        """
        speed = np.asarray(speed, dtype=np.float64)
        low, high = self.speeds[0], self.top_speed
        if (speed < low - 1e-6).any() or (speed > high + 1e-6).any():
            span = f"{to_unit(low, 'kn'):.1f} to {to_unit(high, 'kn'):.1f} kn"
            given = f"{to_unit(speed.min(), 'kn'):.1f} to {to_unit(speed.max(), 'kn'):.1f} kn"
            raise OutOfReach("speed outside the boat's burn table", given=given, expected=span)
        burn = _burn_curve(self.table)(np.clip(speed, low, high))
        return float(burn) if burn.ndim == 0 else burn


@lru_cache(maxsize=64)
def _burn_curve(table: tuple[tuple[float, float], ...]) -> PchipInterpolator:
    return PchipInterpolator(*zip(*table, strict=True))


def _best_cruise(table: Sequence[tuple[float, float]]) -> float:
    """The speed of the table with most distance to the litre, among planing speeds where there are any."""
    planing = [row for row in table if row[0] >= PLANING * (1 - 1e-9)] or table
    return max(planing, key=lambda row: row[0] / row[1])[0]


class Gear(Section):
    """Bait, number of lines, and trolling speed through the water (m/s)."""

    bait: Literal[tuple(TROLL_KN)] = "artificial"
    lines: int = _key("1, 2 or 3", default=2, ge=1, le=3)
    troll: float = Field(
        default_factory=lambda data: from_unit(TROLL_KN[data["bait"]][1], "kn"),
        description="a speed over 0",
        json_schema_extra={"keys": ("troll_kn",)},
        gt=0,
    )

    @property
    def spread(self) -> tuple[tuple[str, float, float], ...]:
        """(line, metres astern from, to) in the order of setting, longest first."""
        return SPREADS[self.lines]


_DEPTH = "a depth of 0 or more, up to 12000 m"


class Target(Section):
    """The species profile by name, and the bottom depths to search over (m)."""

    species: str = _key("a name in quotes", default="dolphinfish", min_length=1)
    min_depth: float = _key(
        _DEPTH, "min_depth_m", "min_depth_ft", "min_depth_fathom", default=0.0, ge=0, le=12e3
    )
    max_depth: float = _key(
        _DEPTH, "max_depth_m", "max_depth_ft", "max_depth_fathom", default=math.inf, ge=0, le=12e3
    )


_NAMES = 'a list of names in quotes, as ["data/*.nc"]'


class Data(Section):
    """File patterns and catalogue products to read, and the age from which data are stale (s)."""

    files: tuple[str, ...] = _key(_NAMES, default=(), strict=False)
    products: tuple[str, ...] = _key(_NAMES, default=(), strict=False)
    max_age: float = _key("a time over 0", "max_age_h", default=48 * HOUR, gt=0)


class Avoid(Section):
    """Files of closed areas, their union in degrees (`closed`), and the distance kept from land (m)."""

    files: tuple[str, ...] = _key(_NAMES, default=(), strict=False)
    clearance: float = _key(
        "a distance of 0 or more, up to 20 nmi",
        "land_clearance_nm",
        "land_clearance_m",
        default=0.5 * NAUTICAL_MILE,
        ge=0,
        le=20 * NAUTICAL_MILE,
    )
    closed: shapely.Geometry = Field(default_factory=shapely.MultiPolygon, exclude=True)


class ShowKeys(Section):
    """The section [show] as written; `Trip.show` is the `units.Show` made of it."""

    temperature: Literal["C", "F"] = "C"
    depth: Literal["m", "ft", "fathom"] = "m"
    height: Literal["m", "ft"] = "m"
    distance: Literal["nm", "km"] = "nm"
    speed: Literal["kn", "kmh", "ms"] = "kn"
    fuel: Literal["l", "gal"] = "l"


class FloatPlan(Section):
    """Free text for the person ashore."""

    boat: str = _key("text in quotes", default="")
    people: str = _key("text in quotes", default="")
    contacts: str = _key("text in quotes", default="")
    notes: str = _key("text in quotes", default="")


@dataclass(frozen=True)
class Sources:
    """Where a trip's data come from: patterns under a folder, products, and the age (s) of stale data."""

    folder: Path
    patterns: tuple[str, ...]
    products: tuple[str, ...]
    max_age: float

    @property
    def files(self) -> tuple[Path, ...]:
        """The files that match now, each once, sorted."""
        return tuple(sorted({path for pattern in self.patterns for path in matches(self.folder, pattern)}))


def matches(folder: Path, pattern: str) -> list[Path]:
    """Files that match a pattern relative to `folder` (or absolute), sorted."""
    names = glob.glob(os.path.expanduser(pattern), root_dir=folder, recursive=True)
    return sorted(path for path in (folder / name for name in names) if path.is_file())


class Trip(Section):
    """A trip as the rest of the package sees it."""

    folder: Path
    port: Port
    window: Window
    boat: Boat
    gear: Gear
    target: Target
    data: Data
    avoid: Avoid
    show: Show
    float_plan: FloatPlan

    @property
    def sources(self) -> Sources:
        """Where the data come from; the files are looked up when asked for."""
        return Sources(self.folder, self.data.files, self.data.products, self.data.max_age)

    @property
    def range(self) -> float:
        """How far from the sea buoy the boat could go at cruise and return, by fuel and by hours, m."""
        endurance = min(self.boat.usable / self.boat.burn(self.boat.cruise), self.window.hours)
        return self.boat.cruise * endurance / 2

    @property
    def region(self) -> Region:
        """The box around the sea buoy that holds everything within `range`, and a margin of 30 km."""
        return geo.region_around(self.port.sea_buoy, self.range + MARGIN)


#: the sections of the file, in the order of the template; the first three must be there
SECTIONS: dict[str, type[Section]] = {
    "port": Port,
    "window": Times,
    "boat": Boat,
    "gear": Gear,
    "target": Target,
    "data": Data,
    "avoid": Avoid,
    "show": ShowKeys,
    "float_plan": FloatPlan,
}
REQUIRED = ("port", "window", "boat")


@dataclass
class _Faults:
    """The faults found so far, each with its place in the file."""

    file: str
    lines: Mapping[tuple[str, str], int]
    found: list[str] = field(default_factory=list)

    def add(self, section: str, key: str, text: str) -> None:
        line = self.lines.get((section, key)) or self.lines.get((section, ""))
        where = f"{self.file} line {line}" if line else self.file
        self.found.append(f"{where}, [{section}] {key}".rstrip() + f": {text}")


def read_trip(path: str | os.PathLike) -> Trip:
    """Read a trip file, or the trip file of a folder; raise `TripError` naming every fault and its line."""
    path = Path(path)
    if path.is_dir():
        path = path / TRIP_FILE
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise TripError(f"no trip file at {path}", hint="Write one with 'searcher new'") from None
    except (OSError, UnicodeDecodeError) as error:
        raise TripError(f"{path} cannot be read as text: {error}") from None
    return parse_trip(text, path)


def parse_trip(text: str, path: str | os.PathLike) -> Trip:
    """A trip of the text of a trip file that stands, or will stand, at `path`."""
    path = Path(path)
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise TripError(f"{path} is not valid TOML: {error}") from None
    faults = _Faults(path.name, _find_lines(text))
    _refuse_strangers(raw, faults)
    parts = {name: _read_section(name, raw.get(name), faults) for name in SECTIONS}
    window = _read_window(parts["window"], parts["port"], faults)
    _check_port(parts["port"], faults)
    _check_gear(parts["gear"], parts["boat"], raw, faults)
    _check_boat(parts["boat"], parts["port"], faults)
    _check_target(parts["target"], faults)
    closed = _read_closed(parts["avoid"], parts["port"], path.parent, faults)
    if faults.found:
        raise TripError.of_problems(str(path), faults.found)
    parts["avoid"] = parts["avoid"].model_copy(update={"closed": closed})
    parts["show"] = Show(timezone=parts["port"].timezone, **parts["show"].model_dump())
    return Trip(folder=path.parent, **{**parts, "window": window})


def _find_lines(text: str) -> dict[tuple[str, str], int]:
    """Line numbers of headers, as (section, ""), and of keys, as (section, key); the first of each."""
    lines: dict[tuple[str, str], int] = {}
    section, quote = "", ""
    for number, line in enumerate(text.splitlines(), start=1):
        if not quote:
            if header := re.match(r"\s*\[+\s*([\w-]+)\s*\]", line):
                section = header[1]
                lines.setdefault((section, ""), number)
            elif key := re.match(r"""\s*["']?([\w-]+)["']?\s*=""", line):
                lines.setdefault((section, key[1]), number)
        for mark in re.findall(r'"""|\'\'\'', line):
            quote = "" if quote == mark else quote or mark
    return lines


def _refuse_strangers(raw: Mapping[str, Any], faults: _Faults) -> None:
    """Name the sections that do not exist, and the required ones that are missing."""
    for name in raw:
        if name not in SECTIONS:
            faults.add(name, "", f"unknown section{_nearest(name, SECTIONS)}")
    for name in REQUIRED:
        if name not in raw:
            faults.add(name, "", f"the section is missing, expected {_listed(_keys_of(SECTIONS[name]))}")


def _nearest(name: str, known) -> str:
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)
    return f", did you mean {close[0]}?" if close else f", expected one of {_listed(known)}"


def _listed(names) -> str:
    return ", ".join(names)


def _keys_of(model: type[Section]) -> dict[str, str]:
    """The keys a section may have in the file -> the field each fills."""
    keys = {}
    for name, info in model.model_fields.items():
        if not info.exclude:
            keys.update(dict.fromkeys((info.json_schema_extra or {}).get("keys", (name,)), name))
    return keys


def _read_section(name: str, raw: Any, faults: _Faults) -> Section | None:
    """A section in inside units; None where it has faults (which are noted) or is missing."""
    model = SECTIONS[name]
    if raw is None:
        return None if name in REQUIRED else model()
    if not isinstance(raw, dict):
        faults.add(name, "", f"given {_shown(raw)}, expected a section headed [{name}]")
        return None
    values, source, sound = _to_inside(name, raw, faults)
    try:
        section = model.model_validate(values)
    except ValidationError as error:
        _explain(name, error, raw, source, faults)
        return None
    return section if sound else None


def _to_inside(name: str, raw: Mapping[str, Any], faults: _Faults) -> tuple[dict, dict, bool]:
    """(values by field in inside units, the key each field came from, whether all keys were sound)."""
    known = _keys_of(SECTIONS[name])
    values: dict[str, Any] = {}
    source: dict[str, str] = {}
    before = len(faults.found)
    for key, value in raw.items():
        attribute = known.get(key)
        if attribute is None:
            faults.add(name, key, f"unknown key{_nearest(key, known)}")
        elif attribute in source:
            faults.add(name, key, f"given beside {source[attribute]}, expected one of the two")
        else:
            values[attribute], source[attribute] = _inside_value(key, attribute, value), key
    if "table" in values:
        values["table"] = _inside_burn(values["table"], raw.get("burn_unit"))
    return values, source, len(faults.found) == before


def _inside_value(key: str, attribute: str, value: Any) -> Any:
    """A number of a key with a unit in its name, as SI; anything else as it is, for the model to judge."""
    unit = key.rpartition("_")[2]
    return from_unit(value, unit) if key != attribute and unit in FACTORS and _is_number(value) else value


def _inside_burn(rows: Any, unit: Any) -> Any:
    """A burn table of (kn, volume per hour) as (m/s, L/s); anything else as it is."""
    if not (isinstance(rows, list) and all(_is_pair(row) for row in rows)):
        return rows
    volume = FACTORS[unit] if unit in ("l", "gal") else 1.0
    return [(from_unit(speed, "kn"), burn * volume / HOUR) for speed, burn in rows]


def _explain(
    name: str, error: ValidationError, raw: Mapping[str, Any], source: Mapping[str, str], faults: _Faults
) -> None:
    """Note what pydantic found, in the words of the file: its keys, its values, what was expected."""
    model, said = SECTIONS[name], set()
    for fault in error.errors():
        attribute = str(fault["loc"][0])
        if attribute in said or fault["type"] == "default_factory_not_called":
            continue
        said.add(attribute)
        expected = f"expected {model.model_fields[attribute].description}"
        if fault["type"] == "value_error":
            expected = str(fault["ctx"]["error"])
        elif fault["type"] == "literal_error":
            expected = f"expected {fault['ctx']['expected']}"
        if fault["type"] == "missing":
            keys = [key for key, filled in _keys_of(model).items() if filled == attribute]
            faults.add(name, " or ".join(keys), "the key is missing")
        else:
            key = source[attribute]
            faults.add(name, key, f"given {_shown(raw[key])}, {expected}")


def _shown(value: Any) -> str:
    """A value of the file as it might be written there, shortened."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 80 else f"{text[:77]}..."


def _read_window(times: Times | None, port: Port | None, faults: _Faults) -> Window | None:
    """The window in UTC with sunrise and sunset; None where it cannot be told."""
    if times is None or port is None:
        return None
    zone = ZoneInfo(port.timezone)
    for key in ("leave", "home_by"):
        moment = getattr(times, key)
        if moment.tzinfo is None and _to_local(_to_utc(moment, zone), zone) != moment:
            faults.add("window", key, f"given {moment}, a time the clocks of {zone.key} skip")
    leave, home = _to_utc(times.leave, zone), _to_utc(times.home_by, zone)
    if home <= leave:
        faults.add("window", "home_by", f"given {times.home_by}, expected a time after leave, {times.leave}")
        return None
    if (home - leave).total_seconds() > LONGEST_TRIP:
        span = (home - leave).total_seconds() / HOUR
        faults.add("window", "home_by", f"given {span:.1f} h after leave, expected at most 36 h")
        return None
    return _window_of(leave, home, port)


def _to_utc(moment: datetime, zone: ZoneInfo) -> datetime:
    """UTC of a local time; of one that comes twice, when clocks go back, the first is meant."""
    return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC)


def _to_local(moment: datetime, zone: ZoneInfo) -> datetime:
    return moment.astimezone(zone).replace(tzinfo=None)


def _window_of(leave: datetime, home: datetime, port: Port) -> Window:
    day = leave.astimezone(ZoneInfo(port.timezone)).date()
    sunrise, sunset = sun_hours(port, day) or (leave, home)
    if sunset <= leave and sunrise != sunset:
        sunrise, sunset = sun_hours(port, day + timedelta(days=1)) or (leave, home)
    if sunrise == sunset:
        sunrise = sunset = leave
    return Window(
        start=_to_numpy(leave), end=_to_numpy(home), sunrise=_to_numpy(sunrise), sunset=_to_numpy(sunset)
    )


def sun_hours(port: Port, day: date) -> tuple[datetime, datetime] | None:
    """Sunrise and sunset (UTC) at the port on a local date; None where the sun does not set.

    Where it does not rise both are the same moment, noon. The sun's upper limb stands on the horizon, with
    standard refraction (its centre 0.833° below); good to a minute or two away from the poles.
    """
    observer = astral.Observer(latitude=port.at.lat, longitude=port.at.lon)
    zone = ZoneInfo(port.timezone)
    try:
        rise = astral.sun.sunrise(observer, day, tzinfo=zone)
        down = astral.sun.sunset(observer, day, tzinfo=zone)
    except ValueError:  # astral's way to say that the sun does not cross the horizon that day
        noon = astral.sun.noon(observer, day, tzinfo=zone)
        up = astral.sun.elevation(observer, noon) > 0
        return None if up else (noon.astimezone(UTC), noon.astimezone(UTC))
    return rise.astimezone(UTC), down.astimezone(UTC)


def _to_numpy(moment: datetime) -> np.datetime64:
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None, microsecond=0), "ns")


def _check_port(port: Port | None, faults: _Faults) -> None:
    if port is None:
        return
    apart = geo.distance(port.at, port.sea_buoy)
    if apart > FARTHEST_BUOY:
        faults.add("port", "sea_buoy", f"given {apart / 1e3:.0f} km from the port, expected at most 40 km")
    ashore = distance_to_water(port.at)
    if ashore > HARBOUR:
        faults.add("port", "at", f"given {_shown(port.at)}, on land, {_far(ashore)} from the nearest sea")
    ashore = distance_to_water(port.sea_buoy)
    if ashore > 0:
        given = f"given {_shown(port.sea_buoy)}, on land, {_far(ashore)} from the nearest sea"
        faults.add("port", "sea_buoy", f"{given}, expected a place in open water")


def distance_to_water(place: Place) -> float:
    """Metres from a place to the nearest sea of the full-detail coast; 0 at sea, inf beyond 30 km."""
    region = geo.region_around(place, LOOKOUT)
    land = geo.land(region, detail="full")
    point = shapely.Point(place)
    if not shapely.intersects(land, point):
        return 0.0
    water = geo.LocalPlane(place).to_plane(region.polygon().difference(land))
    return math.inf if water.is_empty else float(shapely.distance(water, shapely.Point(0, 0)))


def _far(metres: float) -> str:
    return f"{metres / 1e3:.1f} km" if math.isfinite(metres) else "more than 30 km"


def _check_gear(gear: Gear | None, boat: Boat | None, raw: Mapping[str, Any], faults: _Faults) -> None:
    """Trolling speed within the bait's range, trolling and cruising speed within the burn table."""
    if gear is not None:
        slowest, _, fastest = TROLL_KN[gear.bait]
        if not slowest - 1e-9 <= to_unit(gear.troll, "kn") <= fastest + 1e-9:
            given = f"given {to_unit(gear.troll, 'kn'):g}"
            faults.add(
                "gear", "troll_kn", f"{given}, expected {slowest:g} to {fastest:g} with {gear.bait} bait"
            )
    if boat is None:
        return
    span = f"{to_unit(boat.speeds[0], 'kn'):g} to {to_unit(boat.top_speed, 'kn'):g} kn"
    asked = {("boat", "cruise_kn"): boat.cruise} | ({("gear", "troll_kn"): gear.troll} if gear else {})
    for (section, key), speed in asked.items():
        if not boat.speeds[0] - 1e-6 <= speed <= boat.top_speed + 1e-6:
            usual = "" if key in raw.get(section, {}) else " (usual with this bait)"
            given = f"given {to_unit(speed, 'kn'):g}{usual}"
            faults.add(section, key, f"{given}, expected a speed inside the burn table, {span}")


def _check_boat(boat: Boat | None, port: Port | None, faults: _Faults) -> None:
    """Whether the boat could reach the sea buoy at cruise and come home with its reserve."""
    if boat is None or port is None or not boat.speeds[0] <= boat.cruise <= boat.top_speed:
        return
    needed = 2 * geo.distance(port.at, port.sea_buoy) / boat.cruise * boat.burn(boat.cruise)
    if boat.usable < needed:
        have = f"{boat.usable:.1f} L to use beside the reserve"
        faults.add(
            "boat",
            "tank_l or tank_gal",
            f"given {have}, but out to the sea buoy and home takes {needed:.1f} L",
        )


def _check_target(target: Target | None, faults: _Faults) -> None:
    if target is not None and target.max_depth <= target.min_depth:
        given = f"given {target.max_depth:g} m"
        faults.add(
            "target", "max_depth_m", f"{given}, expected more than the least depth, {target.min_depth:g} m"
        )


def _read_closed(avoid: Avoid | None, port: Port | None, folder: Path, faults: _Faults):
    """The union of all closed areas, in degrees, with longitudes continuous around the port."""
    if avoid is None:
        return None
    areas = []
    for pattern in avoid.files:
        paths = matches(folder, pattern)
        if not paths:
            faults.add("avoid", "files", f"given {_shown(pattern)}, no such file in {folder}")
        for path in paths:
            found, problems = read_areas(path)
            areas += found
            for problem in problems:
                faults.add("avoid", "files", problem)
    if port is not None:
        areas = [_beside(area, port.sea_buoy.lon) for area in areas]
    return shapely.union_all(areas) if areas else shapely.MultiPolygon()


def _beside(area: shapely.Polygon, lon: float) -> shapely.Polygon:
    """A polygon moved by whole turns to the side of the earth where `lon` is."""
    middle = (area.bounds[0] + area.bounds[2]) / 2
    shift = float(geo.near_longitude(middle, lon)) - middle
    return shapely.transform(area, lambda xy: xy + np.array([shift, 0.0])) if shift else area


def read_areas(path: Path) -> tuple[list[shapely.Polygon], list[str]]:
    """(polygons, problems) of a GeoJSON file (RFC 7946): polygons only, simple rings, degrees."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        return [], [f"closed area file {path.name} is not valid GeoJSON: {error}"]
    features = content.get("features") if isinstance(content, dict) else None
    if not isinstance(features, list):
        features = [content]
    areas, problems = [], []
    for number, feature in enumerate(features, start=1):
        area, problem = _read_area(feature)
        if problem:
            problems.append(f"closed area {path.name}: feature {number} {problem}")
        else:
            areas += list(shapely.get_parts(area))
    return areas, problems


def _read_area(feature: Any) -> tuple[shapely.Geometry | None, str]:
    """(a polygon or multipolygon, "") or (None, what is wrong with it)."""
    geometry = feature.get("geometry", feature) if isinstance(feature, dict) else None
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if kind not in ("Polygon", "MultiPolygon"):
        return None, f"is a {kind or 'thing without geometry'}, expected a Polygon or MultiPolygon"
    try:
        area = shapely.geometry.shape(geometry)
        west, south, east, north = area.bounds
    except (KeyError, TypeError, ValueError, AttributeError, shapely.errors.ShapelyError):
        return None, "has no readable coordinates, expected rings of [longitude, latitude]"
    if not (-180 <= west <= east <= 360 and -90 <= south <= north <= 90):
        return (
            None,
            f"reaches [{west:g}, {south:g}] to [{east:g}, {north:g}], expected degrees, longitude first",
        )
    if not area.is_valid:
        return None, f"is not a simple polygon: {shapely.is_valid_reason(area)}"
    return area, ""


def check_trip(trip: Trip, *, now: datetime | None = None) -> list[str]:
    """What is not wrong but should be known: patterns without files, no daylight, a departure in the past."""
    findings = [
        f"[data] files: nothing matches {pattern!r} in {trip.folder}"
        for pattern in trip.data.files
        if not matches(trip.folder, pattern)
    ]
    if not trip.data.files and not trip.data.products:
        findings.append("[data]: neither files nor products are named, so there is nothing to search in")
    if trip.window.daylight == 0:
        findings.append("[window]: no daylight between leave and home_by, so no line would be set")
    if trip.window.start < _to_numpy(now or datetime.now(UTC)):
        findings.append(f"[window] leave: {trip.show.say_time(trip.window.start)} is in the past")
    return findings


def new_trip_text(
    *,
    port_name: str = "Wirrin Harbour",
    at: Sequence[float] = (153.138, -30.305),
    sea_buoy: Sequence[float] | None = None,
    timezone: str = "Australia/Sydney",
    leave: datetime | str | None = None,
    home_by: datetime | str | None = None,
    boat_name: str = "My boat",
    files: Sequence[str] = ("data/*.nc",),
    products: Sequence[str] = (),
    avoid: Sequence[str] = (),
) -> str:
    """The text of a commented trip file to start from. Boat and gear are placeholders of a likely size.

    Without `sea_buoy`, open water is taken to begin at the port (off the invented port: two miles east).
    Without `leave`, the trip is tomorrow from five in the morning; without `home_by` it lasts eleven hours.
    """
    if sea_buoy is None:
        sea_buoy = (153.175, -30.305) if tuple(at) == (153.138, -30.305) else at
    leave = _moment(leave) if leave else _tomorrow(_timezone(timezone))
    home_by = _moment(home_by) if home_by else leave + timedelta(hours=11)
    values = {
        "port_name": port_name,
        "at": list(at),
        "sea_buoy": list(sea_buoy),
        "timezone": timezone,
        "leave": f"{leave:%Y-%m-%d %H:%M}",
        "home_by": f"{home_by:%Y-%m-%d %H:%M}",
        "boat_name": boat_name,
        "files": list(files),
        "products": list(products),
        "avoid": list(avoid),
    }
    template = Path(__file__).with_name("trip_template.toml").read_text(encoding="utf-8")
    return Template(template).substitute(
        {name: json.dumps(value, ensure_ascii=False) for name, value in values.items()}
    )


def _tomorrow(timezone: str) -> datetime:
    day = datetime.now(ZoneInfo(timezone)).date() + timedelta(days=1)
    return datetime(day.year, day.month, day.day, 5)


def write_trip(path: str | os.PathLike, *, overwrite: bool = False, **fields: Any) -> Path:
    """Write a trip file made of `fields` (see `new_trip_text`) at `path`, a file or folder; return its path.

    The text is read back before anything is written, so a faulty field raises `TripError` and leaves
    nothing; so does a file that is already there, unless `overwrite`.
    """
    path = Path(path)
    if path.suffix != ".toml":
        path = path / TRIP_FILE
    if path.exists() and not overwrite:
        raise TripError(f"{path} is already there", hint="Choose another folder, or say to overwrite it")
    text = new_trip_text(**fields)
    parse_trip(text, path)
    partial = path.with_name(f".{path.name}.partial")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        partial.write_text(text, encoding="utf-8")
        partial.replace(path)
    except OSError as error:
        raise TripError(f"{path} cannot be written: {error}") from error
    finally:
        partial.unlink(missing_ok=True)
    return path
