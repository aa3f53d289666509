"""One entry of the log, checked when it is made."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from searcher.errors import SearcherError
from searcher.geo import line_length
from searcher.tables import BIRDS, NOTHING, SIGHTING_KINDS, TEMPERATURE, TROLLED, make_table, say_name
from searcher.units import KNOT

#: kinds that are a stretch from one place and hour to another; all others are at one place
STRETCHES = (NOTHING, TROLLED)
#: the sea is no colder than it freezes and no warmer than this, °C
COLDEST, WARMEST = -2.0, 36.0
#: what is faster is no trolling, m/s
FASTEST = 15.0 * KNOT
#: source of what was placed by the number of a box or leg: it says nothing of where the line really lay
BY_PLAN = "typed, placed by the plan"
#: sources of what was written down by hand, which no plotter's file may displace
TYPED = ("typed", BY_PLAN)
FLYING = ("", "low", "high")
#: a trip's log takes what was seen so long before leaving and after coming home
BESIDE = np.timedelta64(6, "h")
SECOND = np.timedelta64(1, "s")


@dataclass(frozen=True)
class Sighting:
    """What was seen, where and when; refused with a `SearcherError` that names every fault.

    `kind` is one of `searcher.tables.SIGHTING_KINDS`; `place` a shapely Point (or a pair of longitude and
    latitude), of a stretch a LineString, degrees; `time` and `end` (of a stretch) datetime64, UTC; `value`
    the temperature of the water, °C; `depth` of the bottom, m; `source` "typed",
    `BY_PLAN` (typed, its place told by a box or a leg of the plan), or a file's name.

    >>> seen = Sighting("birds", (153.52, -30.42), np.datetime64("2026-01-16T20:45"), count=3, flying="low")
    >>> seen.place.x, seen.duration
    (153.52, 0.0)
    """

    kind: str
    place: shapely.Geometry
    time: np.datetime64
    end: np.datetime64 | None = None
    count: int | None = None
    value: float = np.nan
    flying: str = ""
    species: str = ""
    depth: float = np.nan
    note: str = ""
    source: str = "typed"

    def __post_init__(self) -> None:
        place = self.place if isinstance(self.place, shapely.Geometry) else shapely.Point(self.place)
        time = _whole_seconds(self.time)
        end = time if self.end is None else _whole_seconds(self.end)
        object.__setattr__(self, "place", place)
        object.__setattr__(self, "time", time)
        object.__setattr__(self, "end", end)
        for name in ("species", "note", "source"):  # what a terminal garbled is no text that can be stored
            text = getattr(self, name).encode("utf-8", "replace").decode("utf-8").replace("\0", "")
            object.__setattr__(self, name, text)
        problems = faults_of(self)
        if problems:
            raise SearcherError.of_problems(f"log entry {say_name(self.kind)!r}", problems)

    @property
    def duration(self) -> float:
        """How long a stretch took, s; 0 of what was seen at one place."""
        assert self.end is not None  # since it was made
        return float((self.end - self.time) / SECOND)


def _whole_seconds(time: np.datetime64) -> np.datetime64:
    seconds = np.datetime64(time, "s")  # type: ignore[call-overload]  # numpy's types know no unit here
    return seconds.astype("datetime64[ns]")


def faults_of(entry: Sighting) -> list[str]:
    """Everything that is wrong with an entry."""
    if entry.kind not in SIGHTING_KINDS:
        return [f"kind: given {entry.kind!r}, expected one of {list(SIGHTING_KINDS)}"]
    faults = [*_place_faults(entry), *_number_faults(entry)]
    if entry.flying not in FLYING:
        faults.append(f"flying: given {entry.flying!r}, expected 'low', 'high' or nothing")
    if entry.flying and entry.kind != BIRDS:
        faults.append(f"flying: given {entry.flying!r}, expected only with birds")
    return faults or (_stretch_faults(entry) if entry.kind in STRETCHES else [])


def _place_faults(entry: Sighting) -> list[str]:
    faults = []
    wanted = "LineString" if entry.kind in STRETCHES else "Point"
    if entry.place.geom_type != wanted or entry.place.is_empty:
        shape = "two places, from and to" if wanted == "LineString" else "one place"
        faults.append(f"place: given a {entry.place.geom_type}, expected {shape}")
    xy = shapely.get_coordinates(entry.place)
    if not (np.isfinite(xy).all() and (np.abs(xy[:, 1]) <= 90).all() and (np.abs(xy[:, 0]) <= 540).all()):
        faults.append("place: expected longitudes and latitudes in degrees")
    if entry.end is None or np.isnat(entry.time) or np.isnat(entry.end):
        faults.append("time: expected a date and time")
    return faults


def _number_faults(entry: Sighting) -> list[str]:
    faults = []
    is_needed = entry.kind == TEMPERATURE or not np.isnan(entry.value)
    if is_needed and not COLDEST <= entry.value <= WARMEST:
        given = "nothing" if np.isnan(entry.value) else f"{entry.value:.1f} °C"
        faults.append(
            f"temperature: given {given}, expected {COLDEST:.0f} to {WARMEST:.0f} °C with its unit, such as "
            "24.6C or 76.3F"
        )
    if entry.count is not None and not 1 <= entry.count <= 100_000:
        faults.append(f"count: given {entry.count}, expected a whole number from 1")
    if not np.isnan(entry.depth) and not 0 < entry.depth <= 12e3:
        faults.append(f"depth: given {entry.depth:g} m, expected a depth over 0 and up to 12000 m")
    return faults


def _stretch_faults(entry: Sighting) -> list[str]:
    """A stretch must take time, cover ground, and be no faster than trolling."""
    if entry.duration <= 0:
        return ["time: expected an end after the start; give --start and --end"]
    speed = line_length(entry.place) / entry.duration
    if speed > FASTEST:
        return [
            f"speed: the stretch would have been trolled at {speed / KNOT:.0f} kn, expected at most "
            f"{FASTEST / KNOT:.0f} kn; look at the two places and times again"
        ]
    return []


def tabulate(entries: Iterable[Sighting], **extra: Any) -> gpd.GeoDataFrame:
    """Entries as a table of the schema `searcher.tables.SIGHTINGS`, in the order given."""
    entries = list(entries)
    names = [field.name for field in fields(Sighting) if field.name != "place"]
    columns = {name: [getattr(entry, name) for entry in entries] for name in names}
    columns["count"] = [np.nan if count is None else count for count in columns["count"]]
    return make_table("sightings", [entry.place for entry in entries], columns, **extra)
