"""Components of a vector along a grid that is turned, and how they become east and north."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import xarray as xr

from searcher.errors import SourceError
from searcher.geo import Region
from searcher.sources.fields import VECTORS, Field, Turn
from searcher.sources.names import frame_of, is_known
from searcher.sources.sheets import Known, find_sheet

STRAIGHT = np.radians(1.0)  # a grid turned by less is east and north enough


def turn_fields(data: xr.Dataset, fields: list[Field], region: Region, sheets: Known) -> list[Field]:
    """Fields of one choice; components along a grid that is not of longitudes and latitudes know how to turn.

    Raises `SourceError` where that cannot be told or the other component is not in the file.
    """
    by_name = {found.name: found for found in fields if found.sheet is not None and found.lat is not None}
    for names in VECTORS:
        pair = [by_name[name] for name in names if name in by_name]
        if not pair or not _is_along_grid(data, pair):
            continue
        if len(pair) == 1:
            raise SourceError(
                f"{pair[0].variable} lies along its own grid, and the file does not hold the other component",
                hint="Put both components into one file",
            )
        turned = [
            replace(found, turn=_find_turn(data, other, region, sheets))
            for found, other in (pair, pair[::-1])
        ]
        return [found for found in fields if found.name not in names] + turned
    return fields


def _is_along_grid(data: xr.Dataset, pair: Sequence[Field]) -> bool:
    """Whether components lie along their grid rather than along east and north."""
    frames = {frame_of(data[found.variable]) for found in pair}
    if frames & {"east", "grid"}:
        return "east" not in frames
    staggered = len({tuple(sorted(found.axes.dims.items())) for found in pair}) > 1
    if staggered or _find_angle(data):
        return True
    found, (lat, lon) = pair[0], pair[0].cuts
    assert found.sheet is not None  # those of `turn_fields` have one
    if np.nanmax(np.abs(found.sheet.angle(lon.values, lat.values))) < STRAIGHT:
        return False
    raise SourceError(
        f"{found.variable}: along east and north, or along its own turned grid?",
        hint="Set its standard_name: 'eastward_sea_water_velocity' or 'sea_water_x_velocity'",
    )


def _find_angle(data: xr.Dataset) -> str | None:
    return next((str(name) for name in data.variables if is_known(data[name], "angle")), None)


def _find_turn(data: xr.Dataset, partner: Field, region: Region, sheets: Known) -> Turn:
    assert partner.sheet is not None
    name = _find_angle(data) if partner.sheet.plane is None else None
    sheet = partner.sheet if name is None else find_sheet(data, name, region, sheets)
    return Turn(partner, name if sheet else None, sheet or partner.sheet)
