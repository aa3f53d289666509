"""The hand-over: a finished `Plan` as a page, a map, a route for the plotter, tables and a float plan.

Nothing about the sea is computed here; values are written in the skipper's units and local time. Every file
but the spreadsheets carries the plan's cautions and the standing ones.
"""

from __future__ import annotations

import os
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from searcher.errors import SearcherError

if TYPE_CHECKING:
    from searcher.brief.plotter import Plotter as Plotter
    from searcher.plan import Plan

#: where each name lives; loaded when first used, since drawing takes long to load and is not needed at sea
_HOMES = {
    "Plotter": "plotter",
    "cautions_of": "words",
    "draw_map": "maps",
    "draw_maps": "maps",
    "write_brief": "page",
    "write_csv": "spreadsheet",
    "write_float_page": "float_plan",
    "write_float_plan": "float_plan",
    "write_geojson": "geojson",
    "write_gpx": "gpx",
    "write_kml": "kml",
    "write_table": "geojson",
}
__all__ = sorted([*_HOMES, "write_all"])


def __getattr__(name: str) -> Any:
    """Load a name from the module it lives in (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'searcher.brief' has no attribute {name!r}")
    return getattr(import_module(f"searcher.brief.{_HOMES[name]}"), name)


def write_all(plan: Plan, folder: str | os.PathLike[str], *, plotter: Plotter | None = None) -> list[Path]:
    """Write page, maps, route.gpx, plan.kml, tables (GeoJSON and CSV) and float plan; return their paths.

    The folder is made if need be; `plotter` is what the plotter can take. Each file appears whole or not at
    all; raises `SearcherError` for the first that cannot be written.
    """
    from searcher.brief.float_plan import write_float_page, write_float_plan
    from searcher.brief.geojson import write_geojson
    from searcher.brief.gpx import write_gpx
    from searcher.brief.kml import write_kml
    from searcher.brief.maps import draw_map, draw_maps
    from searcher.brief.page import write_brief
    from searcher.brief.spreadsheet import write_csv

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
        draw_maps(plan, folder / "map.pdf"),
        write_brief(plan, folder / "brief.html"),
    ]
