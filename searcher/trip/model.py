"""What a trip is: its sections as frozen models, in inside units (m, s, m/s, L, degrees, UTC).

Each key of a length, speed, volume or span of time carries its unit in its name in the file (`tank_l` or
`tank_gal`), and fills a field without one here (`tank`). The usual trolling speeds and distances astern are
common practice, no source.
"""

from __future__ import annotations

import glob
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, overload

import numpy as np
import shapely
from numpy.typing import ArrayLike
from pydantic import Field, PlainValidator

from searcher import geo
from searcher.errors import OutOfReach
from searcher.geo import Place, Region
from searcher.trip.curve import Curve
from searcher.trip.values import Section, key, parse_burn, parse_moment, parse_place, parse_timezone
from searcher.units import FOOT, HOUR, KNOT, NAUTICAL_MILE, Show, from_unit, to_unit

PLANING = 12 * KNOT
#: margin of a trip's region beyond its range, m
MARGIN = 60e3
#: bait -> slowest, usual and fastest trolling speed, kn (common practice, no source)
TROLL_KN = {
    "artificial": (6.0, 8.0, 10.0),
    "skirted natural": (5.5, 6.0, 6.5),
    "bare natural": (4.0, 4.5, 5.0),
}
#: lines in setting order, longest first: name, metres astern from and to (common practice, no source)
LONG, SHORT = ("long line", 200 * FOOT, 250 * FOOT), ("short line", 150 * FOOT, 150 * FOOT)
MIDDLE = ("middle line", 50 * FOOT, 75 * FOOT)
SPREADS = {1: (("single line", *SHORT[1:]),), 2: (LONG, SHORT), 3: (LONG, SHORT, MIDDLE)}


if TYPE_CHECKING:
    Bait = str  # a type checker wants literals written out
else:
    Bait = Literal[tuple(TROLL_KN)]


class Port(Section):
    """Where the boat lies (`at`) and where open water begins (`sea_buoy`)."""

    name: str = key("a name in quotes", min_length=1)
    at: Annotated[Place, PlainValidator(parse_place)]
    sea_buoy: Annotated[Place, PlainValidator(parse_place)] = Field(default_factory=lambda data: data["at"])
    timezone: Annotated[str, PlainValidator(parse_timezone)]


class Finish(Section):
    """Another port, where the day ends (`at`), and where open water ends on the way there (`sea_buoy`)."""

    name: str = key("a name in quotes", min_length=1)
    at: Annotated[Place, PlainValidator(parse_place)]
    sea_buoy: Annotated[Place, PlainValidator(parse_place)] = Field(default_factory=lambda data: data["at"])


class Times(Section):
    """The section [window] as written: local times, or times with an offset."""

    leave: Annotated[datetime, PlainValidator(parse_moment)]
    home_by: Annotated[datetime, PlainValidator(parse_moment)]


class Window(Section):
    """Hours of the trip and of its daylight, datetime64[ns], UTC.

    `sunrise` and `sunset` (upper limb, standard refraction) are at the port, of the day that gives the
    trip most light. Where the sun does not set that day they are the start
    and the end of the window; where it does not rise both are the start.
    """

    start: np.datetime64
    end: np.datetime64
    sunrise: np.datetime64
    sunset: np.datetime64

    @property
    def has_night(self) -> bool:
        """Whether the sun is down at some time of that day."""
        return bool((self.sunrise, self.sunset) != (self.start, self.end))

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

    name: str = key("a name in quotes", min_length=1)
    table: Annotated[tuple[tuple[float, float], ...], PlainValidator(parse_burn)] = key("rows", "burn")
    burn_unit: Literal["l", "gal"]
    cruise: float = key(
        "a speed over 0", "cruise_kn", default_factory=lambda data: _best_cruise(data["table"]), gt=0
    )
    tank: float = key("a volume over 0, up to 1000000 L", "tank_l", "tank_gal", gt=0, le=1e6)
    reserve: float = key("a share from 0 to 0.9 (a third is 0.33)", default=1 / 3, ge=0, le=0.9)
    draught: float = key("a depth over 0, up to 20 m", "draught_m", "draught_ft", gt=0, le=20)
    max_wind: float = key("a speed over 0, up to 100 kn", "max_wind_kn", gt=0, le=100 * KNOT)
    max_waves: float = key("a height over 0, up to 20 m", "max_wave_m", "max_wave_ft", gt=0, le=20)

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

    def can_do(self, speed: ArrayLike) -> np.ndarray:
        """Whether the burn table covers a speed (m/s; scalar or array), but for rounding."""
        speed = np.asarray(speed)
        return (speed >= self.speeds[0] - 1e-6) & (speed <= self.top_speed + 1e-6)

    @overload
    def burn(self, speed: float) -> float: ...

    @overload
    def burn(self, speed: np.ndarray) -> np.ndarray: ...

    def burn(self, speed: float | np.ndarray) -> float | np.ndarray:
        """Burn in L/s at a speed through the water in m/s; scalar or array.

        Monotone cubic interpolation of the table (Fritsch & Butland 1984, SIAM J. Sci. Stat. Comput.
        5:300-304, in `trip.curve`). Raises `OutOfReach` for speeds outside the table and NaN.
        """
        speed = np.asarray(speed, dtype=np.float64)
        covered = self.can_do(speed)
        if not covered.all():
            given = f"{to_unit(speed[~covered].flat[0], 'kn'):.1f} kn"
            raise OutOfReach(
                "a speed outside the boat's burn table", given=given, expected=say_speeds(self.speeds)
            )
        burn = _burn_curve(self.table)(np.clip(speed, self.speeds[0], self.top_speed))
        return float(burn) if burn.ndim == 0 else burn


def say_speeds(speeds: Sequence[float]) -> str:
    """First and last of some speeds (m/s), as "4 to 30 kn"."""
    return f"{to_unit(speeds[0], 'kn'):.4g} to {to_unit(speeds[-1], 'kn'):.4g} kn"


@lru_cache(maxsize=64)
def _burn_curve(table: tuple[tuple[float, float], ...]) -> Curve:
    return Curve(*np.array(table).T)


def _best_cruise(table: Sequence[tuple[float, float]]) -> float:
    """The speed of the table with most distance to the litre, among planing speeds where there are any."""
    planing = [row for row in table if row[0] >= PLANING * (1 - 1e-9)] or table
    return max(planing, key=lambda row: row[0] / row[1])[0]


class Gear(Section):
    """Bait, number of lines, and trolling speed through the water (m/s)."""

    bait: Bait = "artificial"
    lines: int = key("1, 2 or 3", default=2, ge=1, le=3)
    troll: float = key(
        "a speed over 0",
        "troll_kn",
        default_factory=lambda data: from_unit(TROLL_KN[data["bait"]][1], "kn"),
        gt=0,
    )

    @property
    def spread(self) -> tuple[tuple[str, float, float], ...]:
        """(line, metres astern from, to) in the order of setting, longest first."""
        return SPREADS[self.lines]


class Target(Section):
    """The species profile by name, and the bottom depths to search over (m)."""

    species: str = key("a name in quotes", default="dolphinfish", min_length=1)
    min_depth: float = key(
        "a depth from 0 to 12000 m",
        "min_depth_m",
        "min_depth_ft",
        "min_depth_fathom",
        default=0.0,
        ge=0,
        le=12e3,
    )
    max_depth: float = key(
        "a depth from 0 to 12000 m",
        "max_depth_m",
        "max_depth_ft",
        "max_depth_fathom",
        default=math.inf,
        ge=0,
        le=12e3,
    )


NAMES = "a list of names in quotes"


class Data(Section):
    """File patterns and catalogue products to read, and the age from which data are stale (s)."""

    files: tuple[str, ...] = key(NAMES, default=(), strict=False)
    products: tuple[str, ...] = key(NAMES, default=(), strict=False)
    max_age: float = key("a time over 0", "max_age_h", default=48 * HOUR, gt=0)
    time_units: str = key(
        'text such as "days since 1900-01-01"', default="", pattern=r"^(\w+ since \d{4}-.*)?$"
    )


class Avoid(Section):
    """Files of closed areas, their union in degrees (`closed`), and the distance kept from land (m)."""

    files: tuple[str, ...] = key(NAMES, default=(), strict=False)
    clearance: float = key(
        "a distance from 0 to 20 nmi",
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


class Learn(Section):
    """Whether the skipper's own past trips may weigh the evidence, and the folder that holds theirs."""

    from_log: bool = key("true or false", default=False)
    season: str = key("the name of a folder in quotes", default="..", min_length=1)


class PlotterLimits(Section):
    """What the plotter takes: letters of a name, points of a route, metres by which bends may be cut."""

    names: int = key("a whole number of letters from 6 to 10", default=10, ge=6, le=10)
    points: int | None = key("a whole number of points, 2 or more", default=None, ge=2)
    within: float = key("a distance of 0 m or more", "within_m", default=100.0, ge=0)


class FloatPlan(Section):
    """Free text for the person ashore."""

    boat: str = key("text in quotes", default="")
    people: str = key("text in quotes", default="")
    contacts: str = key("text in quotes", default="")
    notes: str = key("text in quotes", default="")


@dataclass(frozen=True)
class Sources:
    """Where a trip's data come from: patterns under a folder, products, the age (s) of stale data.

    `time_units` are those of files whose time axis states none; "" where there is nothing to say.
    """

    folder: Path
    patterns: tuple[str, ...]
    products: tuple[str, ...]
    max_age: float
    time_units: str = ""

    @property
    def files(self) -> tuple[Path, ...]:
        """The files that match now and those fetched for the products, each once, sorted."""
        patterns = (*self.patterns, *(f"data/{glob.escape(product)}.nc" for product in self.products))
        return tuple(sorted({path for pattern in patterns for path in matches(self.folder, pattern)}))


def matches(folder: Path, pattern: str) -> list[Path]:
    """Files that match a pattern relative to `folder` (or absolute), sorted."""
    names = glob.glob(os.path.expanduser(pattern), root_dir=folder, recursive=True)
    return sorted(path for path in (folder / name for name in names) if path.is_file())


#: what a path with \\ is written with, which in TOML begins a code inside double quotes
BACKSLASH = "In double quotes \\ begins a code: write / (data/*.nc), or put it in single quotes"


def say_backslash(pattern: str) -> str:
    """How to write a pattern in which such a code was read, such as the \\n of "data\\north.nc"; else ""."""
    return "" if pattern.isprintable() else f". {BACKSLASH}"


class Trip(Section):
    """A trip as the rest of the package sees it; `text` is that of the file it was read from."""

    folder: Path
    text: str = Field(default="", repr=False)
    port: Port
    window: Window
    boat: Boat
    gear: Gear
    target: Target
    data: Data
    avoid: Avoid
    show: Show
    float_plan: FloatPlan
    finish: Finish | None = None
    learn: Learn = Learn()
    plotter: PlotterLimits = PlotterLimits()

    @property
    def last_port(self) -> Port | Finish:
        """The port in which the day ends."""
        return self.finish or self.port

    @property
    def season(self) -> Path:
        """The folder that holds the folders of past trips."""
        return self.folder / os.path.expanduser(self.learn.season)

    @property
    def buoys(self) -> tuple[Place, ...]:
        """Where open water begins and ends, each once."""
        return tuple(dict.fromkeys((self.port.sea_buoy, self.last_port.sea_buoy)))

    def until(self, home_by: np.datetime64) -> Trip:
        """The same trip with another hour to be home by, UTC."""
        window = self.window
        changed = {"end": home_by, "sunset": window.sunset if window.has_night else home_by}
        return self.model_copy(update={"window": window.model_copy(update=changed)})

    @property
    def sources(self) -> Sources:
        """Where the data come from; the files are looked up when asked for."""
        data = self.data
        return Sources(self.folder, data.files, data.products, data.max_age, data.time_units)

    @property
    def range(self) -> float:
        """How far from the sea buoy the boat could go at cruise and return, by fuel and by hours, m."""
        endurance = min(self.boat.usable / self.boat.burn(self.boat.cruise), self.window.hours)
        return self.boat.cruise * endurance / 2

    @property
    def region(self) -> Region:
        """The box around the sea buoy that holds everything within `range`, and 60 km for what drifts in."""
        return geo.region_around(self.port.sea_buoy, self.range + MARGIN)


#: the sections of the file, in the order of the template
SECTIONS: dict[str, type[Section]] = {
    "port": Port,
    "window": Times,
    "finish": Finish,
    "boat": Boat,
    "gear": Gear,
    "target": Target,
    "data": Data,
    "avoid": Avoid,
    "show": ShowKeys,
    "plotter": PlotterLimits,
    "learn": Learn,
    "float_plan": FloatPlan,
}
REQUIRED = ("port", "window", "boat")
#: sections that are nothing unless they are written
OPTIONAL = ("finish",)


def keys_of(name: str) -> dict[str, str]:
    """The keys the section `name` may have in the file -> the field each fills."""
    keys: dict[str, str] = {}
    for attribute, info in SECTIONS[name].model_fields.items():
        if not info.exclude:
            extra: Any = info.json_schema_extra or {}  # as `values.key` gives it
            keys.update(dict.fromkeys(extra.get("keys", (attribute,)), attribute))
    return keys
