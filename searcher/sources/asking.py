"""What to ask of a server: which hours, which box, in which pieces."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from searcher.geo import Region, near_longitude
from searcher.sources.catalogue import Product, overlaps
from searcher.sources.layers import IMAGES, Hours
from searcher.sources.web import Absent

#: pictures are asked for from this long before departure, or before now
PICTURES = np.timedelta64(3, "D").astype("timedelta64[ns]")
#: runs or files looked for backwards from the newest that should be there
RUNS_BACK = 4

Result = TypeVar("Result")


@dataclass(frozen=True)
class Request:
    """A product over a region (degrees) from `start` to `end` (datetime64[ns], UTC; None where static)."""

    product: Product
    region: Region
    start: np.datetime64 | None
    end: np.datetime64 | None


def make_request(product: Product, region: Region, window: Hours, now: np.datetime64) -> Request:
    """What to ask of a product for a region and a window of time.

    Pictures of the three days before departure, or before `now` where departure is to come; running fields
    from then to a step past the end of the window; the sea floor once. A step of the grid is added on every
    side of the region.
    """
    wide = Region(
        region.west - product.grid,
        max(region.south - product.grid, -90.0),
        region.east + product.grid,
        min(region.north + product.grid, 90.0),
    )
    if product.time_step is None:
        return Request(product, wide, None, None)
    step = np.timedelta64(round(product.time_step * 1e9), "ns")
    end = window.start if product.field in IMAGES else window.end + step
    return Request(product, wide, min(window.start, now) - PICTURES, end)


def list_runs(product: Product, latest: np.datetime64) -> list[np.datetime64]:
    """Times of the runs or files that should be there by `latest`, the newest first."""
    assert product.runs is not None  # whoever asks for runs has seen that there are some
    step = np.timedelta64(round(product.runs * 1e9), "ns")
    ready = latest.astype("datetime64[ns]") - np.timedelta64(round(product.latency * 1e9), "ns")
    midnight = ready.astype("datetime64[D]").astype("datetime64[ns]")
    newest = midnight + (ready - midnight) // step * step
    return [newest - back * step for back in range(RUNS_BACK)]


def ask_newest(product: Product, latest: np.datetime64, ask: Callable[[str], Result]) -> Result:
    """What `ask` makes of the address of the newest run or file by `latest` that is there; it raises `Absent`
    of one that is not."""
    *newer, oldest = list_runs(product, latest) if product.runs else [latest]
    for run in newer:
        try:
            return ask(product.locate(run))
        except Absent:
            continue
    return ask(product.locate(oldest))


def cut_pieces(region: Region, served: Region) -> list[Region]:
    """The boxes to ask of a server for a region, in the longitudes it serves: none where they do not meet,
    two where the region lies over the server's seam."""
    south, north = max(region.south, served.south), min(region.north, served.north)
    if south > north:
        return []
    return [Region(west, south, east, north) for west, east in overlaps(region, served)]


def shift_near(piece: Region, region: Region) -> Region:
    """A piece in the turn of the region it was cut from."""
    centre = (piece.west + piece.east) / 2
    turn = near_longitude(centre, region.centre.lon) - centre
    return Region(piece.west + turn, piece.south, piece.east + turn, piece.north)
