"""What stands beside a field and says which of its values are good: masks, quality levels, flags, a bias.

`mask`, `quality_level` and `sses_bias` as in the GHRSST Data Specification 2.0 (GDS 2.0, chapters 9 and 11);
other flags as in the CF conventions 1.11, section 3.5.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import xarray as xr

from searcher.sources.axes import Axes
from searcher.sources.names import is_known, read_names
from searcher.sources.regrid import shrink
from searcher.sources.sheets import Sheet, take
from searcher.sources.unpack import conversion, find_missing, unpack

QUALITY, BIAS, MASK = "quality_level", "sses_bias", "mask"

Read = Callable[[xr.DataArray], np.ndarray]  # the raw numbers of a variable where the field was read


def keep_good(
    values: np.ndarray,
    data: xr.Dataset,
    variable: xr.DataArray,
    across: set[str],
    read: Read,
    min_quality: int,
) -> None:
    """In place: missing where a GHRSST picture is not of open water or of low quality, the sensor's known
    bias taken off. `across` are the dimensions of rows and columns."""
    beside = {name: data[name] for name in (MASK, QUALITY, BIAS) if name in data.variables}
    beside = {
        name: other for name, other in beside.items() if across <= set(other.dims) <= set(variable.dims)
    }
    if MASK in beside:
        sea = is_sea(beside[MASK], read(beside[MASK]))
        if sea is not None:
            values[~np.broadcast_to(sea, values.shape)] = np.nan
    if QUALITY in beside:
        quality = unpack(read(beside[QUALITY]), beside[QUALITY].attrs)
        values[~np.broadcast_to(quality >= min_quality, values.shape)] = np.nan
    if BIAS in beside:
        factor, _ = conversion(str(beside[BIAS].attrs.get("units", "kelvin")), "degree_Celsius") or (1.0, 0.0)
        values -= np.nan_to_num(unpack(read(beside[BIAS]), beside[BIAS].attrs, (factor, 0.0)))


def drop_flagged(
    values: np.ndarray, data: xr.Dataset, variable: xr.DataArray, across: set[str], read: Read
) -> None:
    """In place: missing where a flag beside the field means that its value is bad.

    Flags are those that the variable names in `ancillary_variables`, and the file's flags for all its fields.
    """
    known = read_names()["flags"]
    named = str(variable.attrs.get("ancillary_variables", "")).split()
    told = [name for name in data.variables if name in named or name in known["names"]]
    for name in told:
        flag = data[name]
        if name in (QUALITY, MASK) or not across <= set(flag.dims) <= set(variable.dims):
            continue
        bad = bad_values(flag)
        if bad:
            values[np.broadcast_to(np.isin(read(flag), bad), values.shape)] = np.nan


def bad_values(flag: xr.DataArray) -> list[Any]:
    """The values of a flag whose meaning holds one of the words for bad; none where it gives no meanings."""
    meanings = str(flag.attrs.get("flag_meanings", "")).lower().split()
    values = np.ravel(flag.attrs.get("flag_values", []))
    if len(meanings) != values.size or "flag_masks" in flag.attrs:
        return []
    words = set(read_names()["flags"]["bad"])
    return [value for value, meaning in zip(values, meanings, strict=True) if words & set(meaning.split("_"))]


def read_water(data: xr.Dataset, axes: Axes, sheet: Sheet | None, read: Read) -> np.ndarray | None:
    """True on water where a field was read (rows, columns); None where no mask of the file says so.

    A staggered grid without a mask of its own is on water where both its neighbours on the wider grid are.
    """
    rows, columns = axes.dims["lat"], axes.dims["lon"]
    shape = (data.sizes[rows], data.sizes[columns])
    flat = [data[name] for name, variable in data.variables.items() if variable.ndim == 2]
    masks = [variable for variable in flat if is_known(variable, "water")]
    own = [mask for mask in masks if set(mask.dims) == {rows, columns}]
    if own:
        return unpack(read(own[0]), own[0].attrs)[0] == 1
    wide = [mask for mask in masks if np.subtract(mask.shape, shape).tolist() in ([0, 1], [1, 0])]
    if not wide or sheet is None:
        return None
    return take(shrink(unpack(wide[0].values, wide[0].attrs), shape) == 1, sheet.rows, sheet.columns)


def is_sea(mask: xr.DataArray, raw: np.ndarray) -> np.ndarray | None:
    """True for open water by a GHRSST `mask` (bit 0 water, bit 1 land); None where the mask says nothing.

    It says nothing where every cell is its fill value, or where it does not call its flags water and land.
    """
    meanings = str(mask.attrs.get("flag_meanings", "")).lower().split()
    if len(meanings) < 2 or not ("sea" in meanings[0] or "water" in meanings[0]) or "land" not in meanings[1]:
        return None
    missing = find_missing(raw, mask.attrs)
    if missing.all():
        return None
    return ((raw.astype(np.int64) & 3) == 1) & ~missing
