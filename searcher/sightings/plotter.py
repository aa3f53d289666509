"""Marks and tracks of a plotter's GPX file to entries of the log."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree

import gpxpy
import gpxpy.gpx
import numpy as np
import shapely

from searcher.errors import SearcherError
from searcher.geo import LocalPlane, Place, Region, line_distances, near_longitude
from searcher.sightings.entry import Sighting
from searcher.sightings.places import is_inside
from searcher.sightings.words import Said, parse_words
from searcher.tables import NOTHING, TROLLED

#: a boat's speed is taken over so long around each point of its track, s
WINDOW = 120.0
#: slower or faster for no longer than this is still the same stretch; shorter stretches are left out, s
PAUSE, SHORTEST = 120.0, 300.0
#: points farther apart than this are no track between them, s
GAP = 600.0
#: bends smaller than this are smoothed out of a stretch, m
TAUT = 20.0
#: one-letter words of a typed entry are no kinds in a plotter's names
SHORTEST_WORD = 3
SECOND = np.timedelta64(1, "s")


class FromPlotter(NamedTuple):
    """Entries of a GPX file, and why other marks and tracks of it were left out, with how many."""

    sightings: list[Sighting]
    left_out: dict[str, int]


def read_gpx(
    path: str | os.PathLike[str],
    *,
    speeds: tuple[float, float],
    window: tuple[np.datetime64, np.datetime64],
    region: Region,
    unit: str = "",
) -> FromPlotter:
    """Entries of the waypoints with a trade word in their name, and stretches trolled of the tracks.

    speeds: slowest and fastest over the ground that is trolling, m/s. Only what lies within `window` (UTC)
    and `region` counts. `unit` ("C" or "F") is that of temperatures in names without one. Raises
    `SearcherError` where the file is no GPX.
    """
    path = Path(path)
    try:
        gpx = gpxpy.parse(_plain_text(path.read_bytes()))
    except OSError as error:
        raise SearcherError(f"{path} cannot be read: {error.strerror or error}") from error
    except (gpxpy.gpx.GPXException, ElementTree.ParseError, ValueError, LookupError) as error:
        raise SearcherError(
            f"{path} is no GPX file: {error}", hint="Export marks and tracks from the plotter as GPX 1.1"
        ) from error
    middle = region.centre.lon
    sightings: list[Sighting] = []
    left_out: dict[str, int] = {}
    for found in (*_marks(gpx, path.name, unit, middle), *_stretches(gpx, path.name, speeds, middle)):
        if isinstance(found, Sighting) and not _misfit(found, window, region):
            sightings.append(found)
        else:
            reason = found if isinstance(found, str) else _misfit(found, window, region)
            left_out[reason] = left_out.get(reason, 0) + 1
    return FromPlotter(sightings, left_out)


def _plain_text(data: bytes) -> str:
    """A GPX file as its reader knows it, whatever its encoding and the prefix of its names."""
    root = ElementTree.fromstring(data)
    space, _, name = root.tag.rpartition("}")
    if name != "gpx":
        raise ValueError("there is no <gpx> in it")
    ElementTree.register_namespace("", space.removeprefix("{"))
    return ElementTree.tostring(root, encoding="unicode")


def _misfit(found: Sighting, window: tuple[np.datetime64, np.datetime64], region: Region) -> str:
    if found.end is None or not (window[0] <= found.time and found.end <= window[1]):
        return "of another day"
    if not all(is_inside(Place(*xy), region) for xy in shapely.get_coordinates(found.place)):
        return "far from the trip"
    return ""


def _marks(gpx: gpxpy.gpx.GPX, source: str, unit: str, middle: float) -> Iterator[Sighting | str]:
    """An entry for each waypoint, or why there is none."""
    for mark in gpx.waypoints:
        said = _say(mark, unit)
        if said is None:
            yield "without a trade word in the name"
        elif mark.time is None:
            yield "without a time"
        else:
            try:
                yield Sighting(
                    said.kind,
                    shapely.Point(near_longitude(mark.longitude, middle), mark.latitude),
                    _moment(mark.time),
                    count=said.count,
                    value=said.value,
                    flying=said.flying,
                    species=said.species,
                    note=" ".join(filter(None, (said.note, mark.comment, mark.description))),
                    source=source,
                )
            except SearcherError as error:
                yield "; ".join(error.problems) or str(error)


def _say(mark: gpxpy.gpx.GPXWaypoint, unit: str) -> Said | None:
    """What the name of a mark says, else its symbol or type where they are trade words and no more."""
    for text, is_whole in ((mark.name, False), (mark.symbol, True), (mark.type, True)):
        try:
            said = parse_words(text or "", unit=unit, shortest=SHORTEST_WORD)
        except SearcherError:
            continue
        denied = re.search(r"\b(?:no|without)\b", (text or "").casefold())
        more = is_whole and (said.note or said.species)
        if said.kind not in (NOTHING, TROLLED) and not denied and not more:
            return said
    return None


def _stretches(
    gpx: gpxpy.gpx.GPX, source: str, speeds: tuple[float, float], middle: float
) -> Iterator[Sighting | str]:
    """A trolled stretch for each part of a track at trolling speed."""
    for track in gpx.tracks:
        for segment in track.segments:
            points = [point for point in segment.points if point.time is not None]
            if len(points) < 2:
                yield "tracks without times"
                continue
            xy = np.array([(point.longitude, point.latitude) for point in points])
            xy[:, 0] = near_longitude(xy[:, 0], middle)
            time = np.array([_moment(point.time) for point in points if point.time is not None])
            trolled = [
                part[start : end + 1]
                for part in np.split(np.arange(time.size), find_breaks(time))
                for start, end in trolled_parts(xy[part], time[part], speeds)
            ]
            if not trolled:
                yield "tracks without a stretch at trolling speed"
            for inside in trolled:
                yield Sighting(TROLLED, _taut(xy[inside]), time[inside[0]], time[inside[-1]], source=source)


def find_breaks(time: np.ndarray) -> np.ndarray:
    """Where a track of (n,) times is cut: after a gap, or where time does not go on."""
    step = np.diff(time) / SECOND
    return np.flatnonzero((step > GAP) | (step < 0)) + 1


def trolled_parts(xy: np.ndarray, time: np.ndarray, speeds: tuple[float, float]) -> list[tuple[int, int]]:
    """First and last points of the stretches of a track at trolling speed.

    xy: (n, 2) degrees; time: (n,) datetime64; speeds: slowest and fastest, m/s.
    """
    if len(xy) < 2:
        return []
    seconds = (time - time[0]) / SECOND
    along = line_distances(xy)
    before = np.interp(np.maximum(seconds - WINDOW / 2, 0.0), seconds, along)
    after = np.interp(np.minimum(seconds + WINDOW / 2, seconds[-1]), seconds, along)
    taken = np.minimum(seconds + WINDOW / 2, seconds[-1]) - np.maximum(seconds - WINDOW / 2, 0.0)
    speed = (after - before) / np.maximum(taken, 1.0)
    inside = np.flatnonzero((speed >= speeds[0]) & (speed <= speeds[1]))
    if not inside.size:
        return []
    cuts = [
        k
        for k, (a, b) in enumerate(pairwise(inside), start=1)
        if b - a > 1 and seconds[b] - seconds[a] > PAUSE
    ]
    runs = [(int(run[0]), int(run[-1])) for run in np.split(inside, cuts)]
    return [(a, b) for a, b in runs if seconds[b] - seconds[a] >= SHORTEST]


def _taut(xy: np.ndarray) -> shapely.LineString:
    plane = LocalPlane(Place(*xy[len(xy) // 2]))
    line = plane.to_plane(shapely.LineString(xy))
    return plane.to_degrees(shapely.simplify(line, TAUT))


def _moment(time: datetime) -> np.datetime64:
    """datetime64[ns] of a time of GPX, which is UTC where it states no offset."""
    aware = time if time.tzinfo else time.replace(tzinfo=UTC)
    return np.datetime64(aware.astimezone(UTC).replace(tzinfo=None), "s").astype("datetime64[ns]")
