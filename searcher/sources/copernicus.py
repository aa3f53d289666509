"""Copernicus Marine, through its own client (`pip install ".[copernicus]"`) and a free account.

The client wants to be logged in once with `copernicusmarine login`, or the environment variables
COPERNICUSMARINE_SERVICE_USERNAME and COPERNICUSMARINE_SERVICE_PASSWORD.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import numpy as np

from searcher.errors import SourceError
from searcher.geo import Region, near_longitude
from searcher.sources.asking import Request
from searcher.sources.child import run_child
from searcher.sources.web import LONGEST_TRANSFER, Web

CLIENT = "copernicusmarine"


def fetch_copernicus(request: Request, path: Path, web: Web) -> Region:
    """Write what Copernicus Marine has of a request to `path`; the box that was asked, in degrees."""
    if importlib.util.find_spec(CLIENT) is None:
        raise SourceError(
            f"{request.product.id} comes through the client of Copernicus Marine, which is not installed",
            hint='Where searcher lies: pip install ".[copernicus]"; then log in: copernicusmarine login',
        )
    arguments = build_arguments(request, path)

    def ask() -> None:
        run_child(call_client, arguments, limit=LONGEST_TRANSFER, stop=web.stop)

    web.repeat(ask)
    if not path.exists():  # without an account it asks for one, finds nobody to answer, and gives up quietly
        raise SourceError(
            f"the client of Copernicus Marine wrote no file for {request.product.dataset}",
            hint="Log in once with: copernicusmarine login",
        )
    box = request.product.box
    return Region(
        request.region.west,
        max(request.region.south, box.south),
        request.region.east,
        min(request.region.north, box.north),
    )


def call_client(arguments: dict[str, Any]) -> None:
    """`copernicusmarine.subset`, for a child process."""
    import copernicusmarine

    copernicusmarine.subset(**arguments)


def build_arguments(request: Request, path: Path) -> dict[str, Any]:
    """The keyword arguments of `copernicusmarine.subset` (version 2) for a request."""
    product, region = request.product, request.region
    # the client takes -180 to 360 and cuts over either seam where west lies before east
    west = float(near_longitude(region.west, 0.0))
    arguments: dict[str, Any] = {
        "dataset_id": product.dataset,
        "variables": [*product.variables, *product.beside],
        "minimum_longitude": west,
        "maximum_longitude": west + region.east - region.west,
        "minimum_latitude": region.south,
        "maximum_latitude": region.north,
        "coordinates_selection_method": "nearest",
        "output_directory": str(path.parent),
        "output_filename": path.name,
        "overwrite": True,
        "disable_progress_bar": True,
    }
    if product.surface is not None:
        arguments |= {"minimum_depth": product.surface, "maximum_depth": product.surface}
    if request.start is not None and request.end is not None:
        arguments |= {"start_datetime": _tell(request.start), "end_datetime": _tell(request.end)}
    return arguments


def _tell(time: np.datetime64) -> str:
    return str(np.datetime_as_string(time, unit="s"))
