"""The hand-over: a finished `Plan` as a page, a map, a route for the plotter, tables and a float plan.

Nothing about the sea is computed here; values are written in the skipper's units and local time. Every file
but the spreadsheets carries the plan's cautions and the standing ones.
"""

from __future__ import annotations

import os
from pathlib import Path

from searcher.brief.float_plan import write_float_page, write_float_plan
from searcher.brief.geojson import write_geojson, write_table
from searcher.brief.gpx import write_gpx
from searcher.brief.kml import write_kml
from searcher.brief.maps import draw_map
from searcher.brief.page import write_brief
from searcher.brief.plotter import Plotter
from searcher.brief.spreadsheet import write_csv
from searcher.brief.words import cautions_of
from searcher.errors import SearcherError
from searcher.plan import Plan

__all__ = [
    "Plotter",
    "cautions_of",
    "draw_map",
    "write_all",
    "write_brief",
    "write_csv",
    "write_float_page",
    "write_float_plan",
    "write_geojson",
    "write_gpx",
    "write_kml",
    "write_table",
]


def write_all(plan: Plan, folder: str | os.PathLike, *, plotter: Plotter | None = None) -> list[Path]:
    """Write page, maps, route.gpx, plan.kml, tables (GeoJSON and CSV) and float plan; return their paths.

    The folder is made if need be; `plotter` is what the plotter can take. Each file appears whole or not at
    all; raises `SearcherError` for the first that cannot be written.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SearcherError(f"folder {folder} cannot be made: {error.strerror}") from error
    return [
        write_gpx(plan, folder / "route.gpx", plotter=plotter),
        write_kml(plan, folder / "plan.kml"),
        write_float_plan(plan, folder / "float_plan.txt"),
        write_float_page(plan, folder / "float_plan.html"),
        *write_geojson(plan, folder),
        *write_csv(plan, folder),
        draw_map(plan, folder / "map.png"),
        draw_map(plan, folder / "map.pdf"),
        write_brief(plan, folder / "brief.html"),
    ]
