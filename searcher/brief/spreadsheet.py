"""The plan's boxes, legs and stays as CSV for a spreadsheet, in the skipper's units and local time."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from searcher import geo
from searcher.brief.words import wrap_longitude
from searcher.files import write_text
from searcher.geo import Place
from searcher.plan import Plan
from searcher.sightings.export import BYTE_ORDER_MARK
from searcher.tables import EVIDENCE, evidence_columns, say_name
from searcher.units import LABELS, Show, to_unit


def write_csv(plan: Plan, folder: str | os.PathLike[str]) -> list[Path]:
    """Write boxes.csv, legs.csv and stays.csv; return their paths.

    Units stand in the headers; times are local, ISO 8601 with their offset; positions are decimal degrees;
    what is not known is empty. UTF-8 with a byte order mark, commas, plain line ends. Raises `SearcherError`
    if a file cannot be written.
    """
    sheets = {"boxes": box_sheet(plan), "legs": leg_sheet(plan), "stays": stay_sheet(plan)}
    return [
        write_text(
            Path(folder) / f"{name}.csv", BYTE_ORDER_MARK + sheet.to_csv(index=False, lineterminator="\n")
        )
        for name, sheet in sheets.items()
    ]


def box_sheet(plan: Plan) -> pd.DataFrame:
    """The boxes, best first."""
    boxes, show = plan.boxes.sort_values("rank"), plan.trip.show
    worked = set(plan.legs["box"])
    evidence = {
        f"evidence: {say_name(name.removeprefix(EVIDENCE))} (ln)": boxes[name].round(3)
        for name in evidence_columns(boxes)
    }
    return pd.DataFrame(
        {
            "rank": boxes["rank"],
            "kind": [say_name(kind) for kind in boxes["kind"]],
            "in the route": ["yes" if rank in worked else "no" for rank in boxes["rank"]],
            "expected (encounters per hour)": boxes["expected"].round(3),
            "expected, 10 % point": boxes["expected_low"].round(3),
            "expected, 90 % point": boxes["expected_high"].round(3),
            **_measured(boxes["depth"], "depth", show.depth, 0),
            **_measured(boxes["length"], "length", show.distance, 2),
            **_measured(boxes["doubt"], "doubt of place, 1 sigma", show.distance, 2),
            **_measured(boxes["time_out"], "time out", "min", 0),
            **_measured(boxes["time_home"], "time home", "min", 0),
            **_measured(boxes["fuel"], "fuel out and home", show.fuel, 0),
            "line stands for (first possible arrival)": _local(boxes["valid_time"], show),
            # lines drift: the marks of the route are where they lie at other hours
            **_ends(boxes.get("line", ()), "line then, "),
            **evidence,
            "why": boxes["why"],
        }
    )


def leg_sheet(plan: Plan) -> pd.DataFrame:
    """The legs in order."""
    legs, show = plan.legs, plan.trip.show
    seconds = (legs["end"] - legs["start"]).dt.total_seconds()
    return pd.DataFrame(
        {
            "leg": np.arange(1, len(legs) + 1),
            "kind": legs["kind"],
            "box": legs["box"].where(legs["box"] > 0).astype("Int64"),
            "start": _local(legs["start"], show),
            "end": _local(legs["end"], show),
            **_ends(legs.geometry),
            "course at the start (degrees true)": [_course(line) for line in legs.geometry],
            **_measured(legs["distance"], "distance", show.distance, 2),
            **_measured(legs["speed"], "speed in flat water", show.speed, 1),
            **_measured(legs["distance"] / seconds, "speed over the ground", show.speed, 1),
            **_measured(legs["fuel_used"], "fuel used", show.fuel, 1),
            **_measured(legs["fuel_left"], "fuel left", show.fuel, 1),
        }
    )


def stay_sheet(plan: Plan) -> pd.DataFrame:
    """How long at each box of the route, and by when to leave it if it is empty."""
    stays, show = plan.stays, plan.trip.show
    hours = {name: pd.to_datetime(stays[name]) for name in ("start", "end", "leave_by")}
    seconds = (hours["end"] - hours["start"]).dt.total_seconds()
    return pd.DataFrame(
        {
            "box": stays["box"].astype(int),
            "start": _local(hours["start"], show),
            "end": _local(hours["end"], show),
            **_measured(seconds, "stay", "min", 0),
            "passes": stays["passes"].astype(int),
            "expected (encounters)": stays["expected"].round(3),
            "leave by, if empty": _local(hours["leave_by"], show),
        }
    )


def _measured(values: pd.Series, name: str, unit: str, digits: int) -> dict[str, pd.Series]:
    """One column: inside values in a trade unit that its header names."""
    shown = to_unit(values, unit).round(digits)
    label = LABELS.get(unit, unit)
    return {f"{name} ({label})": shown.astype("Int64") if digits == 0 else shown}


def _local(times: Iterable[pd.Timestamp], show: Show) -> list[str]:
    return ["" if pd.isna(time) else show.local(time).isoformat(timespec="minutes") for time in times]


def _ends(lines: Iterable[shapely.LineString], what: str = "") -> dict[str, list[float]]:
    """Four columns: where lines begin and end, decimal degrees to a metre; what: begins their headers."""
    ends = [shapely.get_coordinates(line)[[0, -1]] for line in lines]
    columns = {}
    for k, where in enumerate(("from", "to")):
        columns[f"{what}{where} latitude"] = [round(float(xy[k][1]), 5) for xy in ends]
        columns[f"{what}{where} longitude"] = [wrap_longitude(xy[k][0], digits=5) for xy in ends]
    return columns


def _course(line: shapely.LineString) -> int | None:
    """True course of the first stretch of a line that has a length, whole degrees."""
    places = [Place(*xy) for xy in shapely.get_coordinates(line)]
    ahead = next((place for place in places if place != places[0]), None)
    return None if ahead is None else round(geo.bearing(places[0], ahead)) % 360
