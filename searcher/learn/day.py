"""A day at sea: a plan's lines and boxes in drift, and what the log says of where they are and how warm.

Lines are compared with what was met at the hour it was met; what that says of them is carried on to now.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from searcher.carry import Drift, drift_doubt
from searcher.drift import drift_line, lines_at, windage_of
from searcher.evidence import Observer, carried_value
from searcher.fronts.persistence import SPACING
from searcher.geo import densify, distance, distances, line_distances
from searcher.learn.registration import (
    MATCHES,
    NOISE,
    READING_SD,
    Reading,
    correct_temperature,
    measure_offsets,
)
from searcher.profile import Profile
from searcher.sea import to_seconds, to_times
from searcher.sightings.entry import BESIDE, BY_PLAN
from searcher.sightings.places import middle_of
from searcher.sightings.words import SPECIES
from searcher.tables import BITE, COLOR_CHANGE, FISH, TEMPERATURE_BREAK
from searcher.trip import Trip

#: lines this far from a sighting, degrees, are not looked at
FAR = 1.0
#: no map of the temperature is off by more than this, °C
MOST_OFF = 5.0
#: an entry this near to a box's line all along, or to its middle, degrees, was placed by the box's number
SAME = 2e-5


@dataclass(frozen=True)
class Day:
    """A plan's lines and boxes, the sea they drift in, and the log up to now, in order."""

    fronts: gpd.GeoDataFrame
    boxes: gpd.GeoDataFrame
    observer: Observer
    profile: Profile
    trip: Trip
    log: gpd.GeoDataFrame
    now: float  # s since `searcher.sea.EPOCH`

    @property
    def drift(self) -> Drift:
        return self.observer.drift

    @property
    def moment(self) -> np.datetime64:
        return to_times(self.now)


def entries_of(trip: Trip, sightings: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The entries of a trip's own hours: a folder used for another day before holds that day's too."""
    first, last = trip.window.start - BESIDE, trip.window.end + BESIDE
    return sightings[(sightings["end"] >= first) & (sightings["time"] <= last)]


def in_order(sightings: gpd.GeoDataFrame, now: np.datetime64, *, species: str = "") -> gpd.GeoDataFrame:
    """The entries up to `now`, by time; those of one time by kind and place: no other order counts.

    Bites and fish that are said to be of another known species than `species` are left out.
    """
    kept = sightings[sightings["time"] <= now]
    if species in SPECIES:
        other = kept["kind"].isin((BITE, FISH)) & kept["species"].isin(set(SPECIES) - {species})
        kept = kept[~other]
    place = kept.geometry.to_wkt() if len(kept) else []
    order = kept.assign(_place=place).sort_values(["time", "end", "kind", "_place"], kind="stable")
    return order.drop(columns="_place").reset_index(drop=True)


# ---- where lines are


def named_by(lines: Iterable[shapely.LineString], entry: shapely.Geometry) -> int | None:
    """Which of some boxes' lines an entry was placed by: it is that line, or its middle; None for none."""
    places = [line if entry.length or line.is_empty else shapely.Point(middle_of(line)) for line in lines]
    same = shapely.hausdorff_distance(places, entry) < SAME
    return int(same.argmax()) if same.any() else None


def at_their_hour(log: gpd.GeoDataFrame, boxes: gpd.GeoDataFrame, drift: Drift) -> gpd.GeoDataFrame:
    """The log with what was placed by the number of a box of the plan where that box lay at its hour.

    Of a stretch every vertex lies where it lay as it was passed. `placed`: the number of the box, 0 for none.
    """
    places, placed = log.geometry.to_numpy().copy(), np.zeros(len(log), np.int64)
    for k in np.flatnonzero(log["source"] == BY_PLAN):
        row = named_by(boxes["line"], places[k])
        if row is None:
            continue
        box, line = boxes.iloc[row], densify(boxes["line"].iloc[row], SPACING)
        begin, end, valid = (
            float(to_seconds(time.to_datetime64()))
            for time in (log["time"].iloc[k], log["end"].iloc[k], box["valid_time"])
        )
        along = line_distances(line)
        passed = begin + (end - begin) * along / along[-1]
        lay = drift_line(line, drift, valid, passed, windage=windage_of(box["kind"], drift))
        if not lay.is_empty:
            places[k] = lay if places[k].length else shapely.Point(middle_of(lay))
            placed[k] = box["rank"]
    return log.set_geometry(gpd.GeoSeries(places, log.index, crs=log.crs)).assign(placed=placed)


def doubts_at(table: pd.DataFrame, seen: np.ndarray, time: float) -> np.ndarray:
    """Doubts (m) of lines at a time (s), from those they have at their `valid_time`; seen: s, when found.

    Errors of the currents last: what is added depends on the whole drift since the line was found. Before its
    hour a line is no less doubtful than at it: much of the doubt did not grow on the way.
    """
    before = drift_doubt(0.0, to_seconds(table["valid_time"].to_numpy()) - seen)
    added = np.maximum(drift_doubt(0.0, time - seen) ** 2 - before**2, 0.0)
    return np.hypot(table["doubt"].to_numpy(), np.sqrt(added))


def seen_times(day: Day, fronts: np.ndarray) -> np.ndarray:
    """When the lines of some row labels were found, s."""
    return to_seconds(day.fronts["seen_time"].loc[fronts].to_numpy())


def meet_lines(day: Day) -> pd.DataFrame:
    """How far from their forecast place lines were met, each at its hour: `measure_offsets`, moved on to now.

    `noise` (m): the error of an offset by now, which grows as doubts do. `time`, `met`: of the sighting.
    What was placed by the number of a box tells of no offset, and is left out.
    """
    told = day.log[day.log["kind"].isin(MATCHES) & (day.log["source"] != BY_PLAN)]
    rows = [row for seen in told.index for row in _meet(day, seen)]
    columns = [*measure_offsets(day.fronts.iloc[:0], day.log.iloc[:0]).columns, "noise", "time", "met"]
    return pd.DataFrame(rows, columns=columns)


def _meet(day: Day, label: int) -> list[dict[str, Any]]:
    """The offset of one sighting, in a list; none where it fits no line."""
    seen = day.log.loc[label]
    time = float(to_seconds(seen["time"].to_datetime64()))
    near = day.fronts[shapely.dwithin(day.fronts.geometry.values, seen.geometry, FAR)]
    if near.empty:
        return []
    then = near.set_geometry(gpd.GeoSeries(lines_at(near, day.drift, time), near.index, crs=near.crs))
    found = seen_times(day, near.index)
    then = then.assign(doubt=doubts_at(near, found, time))
    later = pd.Series(doubts_at(near, found, day.now), near.index)
    met = measure_offsets(then[~then.geometry.is_empty], day.log.loc[[label]])
    rows = []
    for offset in met.to_dict("records"):
        windage = windage_of(near["kind"][offset["front"]], day.drift)
        x, y = np.array([offset["lon"]]), np.array([offset["lat"]])
        lon, lat, afloat = day.drift.carry(x, y, time, day.now, windage=windage)
        grown = max(later[offset["front"]] ** 2 - offset["doubt"] ** 2, 0.0)
        if afloat[0]:
            moved = {"lon": lon[0], "lat": lat[0], "noise": float(np.sqrt(NOISE**2 + grown))}
            rows.append(offset | moved | {"time": seen["time"], "met": seen["kind"]})
    return rows


# ---- the thermometer


def read_thermometer(day: Day) -> pd.DataFrame:
    """Entries with a figure: `time`, `kind`, `value`, `mapped`, `inside` and `difference`, °C.

    mapped: what the map has of that water at that hour; NaN where it says nothing. inside: taken in a
    harbour. difference: the reading less the map; NaN where it is not taken for one: beside a break or a
    change of colour it is the step; farther from the map than a map can be it is a slip of the pen.
    """
    noted = day.log[day.log["value"].notna()]
    places = shapely.get_coordinates(shapely.centroid(noted.geometry.values))
    times = to_seconds(noted["time"].to_numpy())
    mapped = [
        carried_value(day.observer.pictures, places[[k], 0], places[[k], 1], times[k], day.drift)[0]
        for k in range(len(noted))
    ]
    inside = in_harbour(day.trip, places)
    off = noted["value"].to_numpy() - np.array(mapped)
    taken = (np.abs(off) <= MOST_OFF) & ~inside & ~noted["kind"].isin((TEMPERATURE_BREAK, COLOR_CHANGE))
    figures = pd.DataFrame(noted[["time", "kind", "value"]])
    return figures.assign(mapped=mapped, inside=inside, difference=np.where(taken, off, np.nan))


def in_harbour(trip: Trip, places: np.ndarray) -> np.ndarray:
    """Which of some places (n, 2; degrees) lie nearer to a berth than its sea buoy does: their water is not
    that of the open sea."""
    inside = np.zeros(len(places), dtype=bool)
    for port in {trip.port, trip.last_port}:
        inside |= distances(port.at, *places.T) < distance(port.at, port.sea_buoy)
    return inside


def temperature_bias(figures: pd.DataFrame) -> tuple[Reading, int]:
    """What is to be added to the map of the temperature, °C; and of how many readings (`read_thermometer`).

    Those that disagree with each other more than readings do count for less.
    """
    known = figures["difference"].dropna().to_numpy()
    scatter = float(known.std(ddof=1)) if known.size > 1 else 0.0
    return correct_temperature(known, reading_sd=max(scatter, READING_SD)), known.size
