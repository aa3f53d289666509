"""The hand-over: a finished `Plan` as a page, a map, a route for the plotter, tables and a float plan.

Nothing about the sea is computed here; values are written in the skipper's units and local time. Every file
carries the plan's cautions and the standing ones.
"""

from __future__ import annotations

from searcher.brief.float_plan import write_float_plan
from searcher.brief.geojson import write_geojson
from searcher.brief.gpx import write_gpx
from searcher.brief.words import STANDING, cautions_of

__all__ = ["STANDING", "cautions_of", "write_float_plan", "write_geojson", "write_gpx"]
