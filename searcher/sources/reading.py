"""The numbers of one field of an open file: read, unpacked, cleared of what is not good, laid and turned."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr

from searcher.errors import SourceError
from searcher.sea import NODES
from searcher.sources.axes import Axes
from searcher.sources.fields import VECTORS, Field, Turn
from searcher.sources.flags import drop_flagged, keep_good, read_water
from searcher.sources.names import Choice
from searcher.sources.regrid import resample, resample_angle, turn_to_east
from searcher.sources.unpack import Conversion, check_numbers, find_conversion, unpack


def convert_units(variable: xr.DataArray, choice: Choice, ours: str) -> Conversion:
    """From the file's units to inside units. Units that are not given are not guessed."""
    check_numbers(variable)
    expected = NODES[choice.node][ours][1]
    given = str(variable.attrs.get("units", "")).strip()
    if not given and choice.variables[ours].get("units") != "1":
        what = "temperature" if choice.node == "temperature" else choice.what
        raise SourceError(
            f"{variable.name} ({what}) has no units",
            hint=f"If you know them, set its 'units' attribute, for example to '{expected}'",
        )
    found = find_conversion(variable.attrs, expected)
    if found is None:
        raise SourceError(
            f"{variable.name}: units", given=repr(given), expected=f"a spelling of '{expected}'"
        )
    sign = choice.variables[ours].get("sign", 1)
    if choice.node == "depth" and "positive" in variable.attrs:  # the file's own word counts
        sign = -1 if str(variable.attrs["positive"]).lower() == "up" else 1
    return found._replace(factor=sign * found.factor, offset=sign * found.offset)


def read_field(data: xr.Dataset, found: Field, steps: np.ndarray, min_quality: int) -> np.ndarray:
    """float32 (time, lat, lon) of a field at the indices `steps` of its times, in inside units; NaN where
    missing, on land, or not good."""
    values = _read_laid(data, found, steps, min_quality)
    if found.turn is not None:
        other = _read_laid(data, found.turn.partner, steps, min_quality)
        angle = _read_angle(data, found, found.turn)
        is_first = found.name in next(zip(*VECTORS, strict=True))
        pair = (values, other) if is_first else (other, values)
        values = turn_to_east(*pair, angle)[0 if is_first else 1].astype(np.float32)
    if found.choice.node == "depth":
        _drop_land(values, data[found.variable].attrs, found.choice.variables[found.name])
    if found.choice.node == "color":
        values[values == 0.0] = np.nan  # a retrieval that failed: no water is without any (common practice)
    return values


def _drop_land(values: np.ndarray, attrs: Mapping[str, Any], known: Mapping[str, Any]) -> None:
    """In place: missing on land; everywhere where what calls itself a depth looks like heights.

    Most of it lies under 0 then, and nothing says which way it is counted: its land would be taken for water.
    """
    under = np.count_nonzero(values < 0.0) > np.count_nonzero(values > 0.0)
    if under and "positive" not in attrs and "sign" not in known:
        values[...] = np.nan
    values[values <= 0.0] = np.nan


def _read_laid(data: xr.Dataset, found: Field, steps: np.ndarray, min_quality: int) -> np.ndarray:
    """Values in inside units on the field's latitudes and longitudes, good ones only, not turned."""
    variable, dims, (lat, lon) = data[found.variable], found.axes.dims, found.cuts
    rows, columns = (found.sheet.rows, found.sheet.columns) if found.sheet else (lat.runs, lon.runs)

    def read(beside: xr.DataArray) -> np.ndarray:
        return _cut(beside, found.axes, rows, columns, steps)

    values = unpack(read(variable), variable.attrs, convert_units(variable, found.choice, found.name))
    across = {dims["lat"], dims["lon"]}
    if found.choice.node == "temperature":
        keep_good(values, data, variable, across, read, min_quality)
    drop_flagged(values, data, variable, across, read)
    water = read_water(data, found.axes, found.sheet, read)
    if water is not None:
        values[:, ~water] = np.nan
    if found.sheet is None:
        return values
    return resample(values, *found.sheet.locate(lon.values, lat.values))


def _read_angle(data: xr.Dataset, found: Field, turn: Turn) -> np.ndarray:
    """Angle (radians) from east to the first component of a vector, on the field's grid."""
    name, sheet, (lat, lon) = turn.angle, turn.sheet, found.cuts
    if name is None:
        return sheet.angle(lon.values, lat.values)
    angle = unpack(_cut(data[name], sheet.axes, sheet.rows, sheet.columns, np.array([0])), data[name].attrs)[
        0
    ]
    if str(data[name].attrs.get("units", "")).lower().startswith("deg"):
        angle = np.radians(angle)
    return resample_angle(angle, *sheet.locate(lon.values, lat.values))


def _cut(
    variable: xr.DataArray, axes: Axes, rows: Sequence[slice], columns: Sequence[slice], steps: np.ndarray
) -> np.ndarray:
    """The packed numbers of a variable on (time, rows, columns), read stretch by stretch."""
    dims = axes.dims
    first = {dim: 0 for dim in variable.dims if dim not in dims.values()} | axes.pick
    chosen = variable.isel(first, missing_dims="ignore")
    if dims.get("time") in chosen.dims:
        whole = slice(int(steps.min()), int(steps.max()) + 1)
        chosen = chosen.isel({dims["time"]: whole})
    order = [dims[axis] for axis in ("time", "lat", "lon") if dims.get(axis) in chosen.dims]
    parts = [
        [chosen.isel({dims["lat"]: row, dims["lon"]: column}).transpose(*order).values for column in columns]
        for row in rows
    ]
    values = parts[0][0] if len(rows) == len(columns) == 1 else np.block(parts)
    if values.ndim == 2:
        return values[np.newaxis]
    kept = steps - whole.start
    return values if np.array_equal(kept, np.arange(values.shape[0])) else values[kept]
