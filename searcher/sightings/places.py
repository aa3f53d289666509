"""Places as they are said at sea, and places of the plan."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import shapely

from searcher.errors import SearcherError
from searcher.geo import Place, Region, line_distances, near_longitude

#: the boxes of a plan, and the last answer at sea
MORNING, ANSWER = "boxes.geojson", "rerank.json"
EXAMPLES = "30°25.2'S 153°31.0'E, or 30.42S 153.52E, or 153.52, -30.42 (longitude first), or box 3, or leg 5"
NUMBERS = r"(\d{1,3}(?:\.\d+)?)(?:\s+(\d{1,2}(?:\.\d+)?))?(?:\s+(\d{1,2}(?:\.\d+)?))?"
LETTER_LAST = re.compile(rf"(?<![\w.:]){NUMBERS}\s*([NS])[\s,]*{NUMBERS}\s*([EW])(?!\w)", re.IGNORECASE)
LETTER_FIRST = re.compile(rf"(?<!\w)([NS])\s*{NUMBERS}[\s,]*([EW])\s*{NUMBERS}(?![\w.])", re.IGNORECASE)
SIGNED = re.compile(r"(?<![\w.:])([+-]?\d{1,3}\.\d+)(?:\s*,\s*|\s+)([+-]?\d{1,3}\.\d+)(?![\w.])")
#: "b40" too, as boxes are called in the plotter
PLANNED = re.compile(r"\b(?:(box|leg)\s*#?\s*|b(?=\d))(\d+)\b", re.IGNORECASE)
MARKS = str.maketrans(dict.fromkeys("°º˚'′’\"″”", " "))


class Found(NamedTuple):
    """A place in a text: a position, or a stretch of the plan with its `name`; and the text without it."""

    place: Place | None
    line: shapely.LineString | None
    rest: str
    name: str = ""

    @property
    def middle(self) -> Place:
        if self.line is not None:
            return middle_of(self.line)
        assert self.place is not None
        return self.place


class LastAnswer(NamedTuple):
    """What a rerank told, which the next one of the day starts from.

    laid: lines (degrees) of the boxes laid at sea, by number, where they lay at `time` (UTC; None: where they
    lie now). told: numbers of the boxes of its route, in order. entries: how many the log had by then; None
    where that is not known.
    """

    laid: Mapping[int, shapely.LineString]
    time: np.datetime64 | None = None
    told: tuple[int, ...] = ()
    entries: int | None = None


def parse_place(text: str, *, region: Region | None = None, folder: Path | None = None) -> Found:
    """The one place a text names: `EXAMPLES`. Raises `SearcherError` where there is none or more text.

    `region`: where the trip may be; `folder`: where the tables of the plan are, for boxes and legs.
    """
    found = find_place(text, region=region, folder=folder)
    if found is None or found.rest.strip(" ,"):
        raise SearcherError("place not understood", given=repr(text), expected=EXAMPLES)
    return found


def find_place(text: str, *, region: Region | None = None, folder: Path | None = None) -> Found | None:
    """The place somewhere in a text, or None. Raises `SearcherError` for one that cannot be."""
    planned = PLANNED.search(text)
    if planned:
        what, number = (planned[1] or "box").lower(), int(planned[2])
        line = planned_line(folder or Path(), what, number)
        return Found(None, line, _without(text, planned), f"{what} {number}")
    plain = re.sub(r"(?<=\d)-(?=\d)", " ", text.translate(MARKS))
    pointed = re.sub(r"(?<=\d),(?=\d)", ".", plain)  # 25,2' is 25.2'; as long, so that matches fit both
    match = LETTER_LAST.search(pointed) or LETTER_FIRST.search(pointed)
    if match:
        place = _lettered(match, text)
    else:
        match = SIGNED.search(plain)
        if match is None:
            return None
        place = Place(float(match[1]), float(match[2]))
    return Found(_checked(place, text, region), None, _without(plain, match))


def _without(text: str, match: re.Match[str]) -> str:
    return f"{text[: match.start()]} {text[match.end() :]}"


def _lettered(match: re.Match[str], text: str) -> Place:
    """Longitude and latitude of degrees, minutes and seconds with letters for the hemispheres."""
    parts = match.groups()
    if parts[0].upper() in "NS":
        south, lat, west, lon = parts[0], parts[1:4], parts[4], parts[5:8]
    else:
        lat, south, lon, west = parts[0:3], parts[3], parts[4:7], parts[7]
    return Place(
        _degrees(lon, text) * (-1 if west.upper() == "W" else 1),
        _degrees(lat, text) * (-1 if south.upper() == "S" else 1),
    )


def _degrees(parts: tuple[str | None, ...], text: str) -> float:
    """Degrees of up to three numbers; only the last may have decimals, and minutes end at 60."""
    given = [part for part in parts if part is not None]
    values = [float(part) for part in given]
    if any("." in part for part in given[:-1]) or any(value >= 60 for value in values[1:]):
        raise SearcherError(
            "place not understood",
            given=repr(text),
            expected="minutes and seconds under 60, and decimals only in the last of them",
            hint=f"Such as {EXAMPLES}",
        )
    return sum(value / 60.0**k for k, value in enumerate(values))


def _checked(place: Place, text: str, region: Region | None) -> Place:
    """The place, its longitude as the region counts; refused where the trip cannot be."""
    lon, lat = place
    if abs(lat) > 90 or abs(lon) > 360:
        hint = "Longitude comes first where there are no letters N S E W" if abs(lon) <= 90 else ""
        raise SearcherError("no such place", given=repr(text), expected=EXAMPLES, hint=hint)
    if region is None:
        return Place(float(near_longitude(lon, 0.0)), lat)
    lon = float(near_longitude(lon, region.centre.lon))
    if not is_inside(Place(lon, lat), region):
        west, south, east, north = region
        raise SearcherError(
            "place far from the trip",
            given=f"{text!r} (longitude {near_longitude(place.lon, 0.0):.3f}, latitude {lat:.3f})",
            expected=f"longitude {west:.1f} to {east:.1f}, latitude {south:.1f} to {north:.1f}",
            hint="Longitude comes first where there are no letters N S E W",
        )
    return Place(lon, lat)


def say_place(place: Place) -> str:
    """A place in degrees and decimal minutes, as it can be typed: 30°25.2'S 153°31.0'E."""
    lat = _say_minutes(place.lat, "NS")
    return f"{lat} {_say_minutes(float(near_longitude(place.lon, 0.0)), 'EW')}"


def _say_minutes(degrees: float, letters: str) -> str:
    tenths = round(abs(float(degrees)) * 600)
    return f"{tenths // 600}°{tenths % 600 / 10:04.1f}'{letters[int(degrees < 0)]}"


def is_inside(place: Place, region: Region) -> bool:
    """Whether a place lies in a region that may cross 180°."""
    lon = near_longitude(place.lon, region.centre.lon)
    return bool(region.west <= lon <= region.east and region.south <= place.lat <= region.north)


def planned_line(folder: Path, what: str, number: int) -> shapely.LineString:
    """The trolling line of the box of a rank, or the n-th leg of the plan, from the tables in a folder.

    A box that the morning did not have is looked for among those laid at sea.
    """
    name = {"box": "boxes", "leg": "legs"}[what]
    path = Path(folder) / f"{name}.geojson"
    try:
        features = json.loads(path.read_text(encoding="utf-8"))["features"]
        if what == "box":
            shapes = {f["properties"]["rank"]: f["properties"]["line"] for f in features}
        else:
            shapes = {k: f["geometry"] for k, f in enumerate(features, start=1)}
        lines = {} if what == "leg" else lines_laid(folder)
        lines |= {k: shapely.from_geojson(json.dumps(shape)) for k, shape in shapes.items()}
        line = lines.get(number)
    except FileNotFoundError:
        raise SearcherError(
            f"{what} {number} is not known: there is no {path.name} in {folder}",
            hint="Make a plan first (searcher plan), or give the position",
        ) from None
    except (OSError, ValueError, KeyError, TypeError, shapely.errors.GEOSException) as error:
        raise SearcherError(f"{path} cannot be read: {error}", hint="Give the position instead") from error
    if line is None:
        raise SearcherError(
            f"no such {what}", given=number, expected=f"1 to {max(lines)}" if lines else "a plan with some"
        )
    return joined(line)


def lines_laid(folder: Path) -> dict[int, shapely.LineString]:
    """The lines of the boxes laid at sea, by number, as a rerank in a folder wrote them since its plan.

    None where nothing is written, or not as it was.
    """
    return _lines_in(_answer(folder))


def _lines_in(answer: dict[str, Any]) -> dict[int, shapely.LineString]:
    """The lines of boxes laid at sea that an answer holds, by number; none where they are not as written."""
    try:
        laid = answer.get("laid", {})
        return {int(number): shapely.LineString(places) for number, places in laid.items()}
    except (ValueError, TypeError, AttributeError, shapely.errors.GEOSException):
        return {}


def last_answer(folder: Path) -> LastAnswer:
    """What the last rerank of a folder's plan told; of what cannot be read nothing."""
    answer = _answer(folder)
    laid = _lines_in(answer)
    try:
        told = tuple(int(stay["box"]) for stay in answer["stays"])
        time = np.datetime64(answer["time"].removesuffix("Z"), "ns")
        return LastAnswer(laid, time, told, int(answer["entries"]))
    except (KeyError, ValueError, TypeError, AttributeError):
        return LastAnswer(laid)


def plan_digest(folder: Path) -> str:
    """What names the plan of a folder: of the bytes of its boxes; "" where there are none."""
    path = Path(folder) / MORNING
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def _answer(folder: Path) -> dict[str, Any]:
    """The last rerank written in a folder, of the plan there; {} where none is, or none can be read."""
    try:
        answer = json.loads((Path(folder) / ANSWER).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return answer if isinstance(answer, dict) and answer.get("plan") == plan_digest(folder) else {}


def joined(line: shapely.Geometry) -> shapely.LineString:
    """One line of a line that was cut at 180°, its longitudes continuous."""
    xy = shapely.get_coordinates(line)
    xy[:, 0] = np.unwrap(xy[:, 0], period=360.0)
    return shapely.LineString(xy)


def middle_of(line: shapely.LineString) -> Place:
    """The place half way along a line."""
    along, xy = line_distances(line), shapely.get_coordinates(line)
    half = along[-1] / 2
    return Place(float(np.interp(half, along, xy[:, 0])), float(np.interp(half, along, xy[:, 1])))
