"""The log as CSV, in the skipper's units and local time."""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

from searcher.files import write_text
from searcher.geo import line_length, near_longitude
from searcher.tables import Row
from searcher.units import LABELS, Show, to_unit

#: spreadsheets on Windows take a file for UTF-8 only with this at its head
BYTE_ORDER_MARK = "\ufeff"


def write_csv(sightings: gpd.GeoDataFrame, path: str | os.PathLike[str], *, show: Show) -> Path:
    """Write a sightings table as CSV (RFC 4180 but for plain line ends; UTF-8); units stand in the header.

    Times are local, ISO 8601 with their offset; positions are decimal degrees, of a stretch both its ends.
    Raises `SearcherError` where the file cannot be written.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_header(show))
    writer.writerows(_cells(row, show) for row in sightings.itertuples())
    return write_text(path, BYTE_ORDER_MARK + out.getvalue())


def _header(show: Show) -> list[str]:
    degrees = f"water temperature (°{show.temperature})"
    depth, distance = f"depth ({LABELS[show.depth]})", f"length ({LABELS[show.distance]})"
    places = ("latitude", "longitude", "to latitude", "to longitude", distance)
    return ["time", "end", "kind", "count", "flying", "species", degrees, depth, *places, "note", "source"]


def _cells(row: Row, show: Show) -> list[str]:
    xy = shapely.get_coordinates(row.geometry)
    is_stretch = len(xy) > 1
    return [
        show.local(row.time).isoformat(timespec="minutes"),
        show.local(row.end).isoformat(timespec="minutes") if is_stretch else "",
        row.kind,
        _number(row.count, 0),
        row.flying,
        row.species,
        "" if np.isnan(row.value) else show.say_temperature(row.value).split()[0],
        _number(to_unit(row.depth, show.depth), 0),
        *_position(xy[0]),
        *(_position(xy[-1]) if is_stretch else ("", "")),
        _number(to_unit(line_length(xy), show.distance), 2) if is_stretch else "",
        row.note,
        row.source,
    ]


def _number(value: float, digits: int) -> str:
    return "" if np.isnan(value) else f"{value:.{digits}f}"


def _position(xy: np.ndarray) -> tuple[str, str]:
    return f"{xy[1]:.5f}", f"{near_longitude(xy[0], 0.0):.5f}"
