"""What stands beside a field and says which of its values are good: masks, quality levels, flags, a bias.

`mask`, `quality_level` and `sses_bias` as in the GHRSST Data Specification 2.0 (GDS 2.0, chapters 9 and 11);
other flags as in the CF conventions 1.11, section 3.5, by values, by masks or by both, where words of
`names.toml` tell the bad ones; or with the meanings that are written there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

from searcher.sources.axes import Axes
from searcher.sources.names import is_known, read_names
from searcher.sources.regrid import shrink
from searcher.sources.sheets import Sheet, take
from searcher.sources.unpack import conversion, find_missing, unpack

QUALITY, BIAS, MASK = "quality_level", "sses_bias", "mask"
ABOUT = {"flag_meanings", "flag_values", "flag_masks"}  # attributes by which a flag is told from an error bar

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
    """In place: missing where a flag beside the field means that its value is bad."""
    for flag in find_flags(data, variable, across):
        marks = bad_marks(flag)
        if marks:
            values[np.broadcast_to(is_marked(read(flag), flag.attrs, marks), values.shape)] = np.nan


def find_flags(data: xr.Dataset, variable: xr.DataArray, across: set[str]) -> list[xr.DataArray]:
    """The flags of a variable: those that it names in `ancillary_variables`, and those known as flags that no
    other variable names as its own."""
    own = _list_beside(variable)
    others = {name for other in data.variables.values() for name in _list_beside(other)} - own
    beside = [data[name] for name in data.variables if name not in (QUALITY, MASK)]
    return [
        other
        for other in beside
        if across <= set(other.dims) <= set(variable.dims)
        and (
            (other.name in own and ABOUT & set(other.attrs))
            or (is_known(other, "flags") and other.name not in others)
        )
    ]


def _list_beside(variable: xr.DataArray | xr.Variable) -> set[str]:
    return set(str(variable.attrs.get("ancillary_variables", "")).split())


def list_unread(data: xr.Dataset, variable: xr.DataArray, axes: Axes) -> tuple[str, ...]:
    """Names of the flags of a variable that say in no way known here which values are bad."""
    flags = find_flags(data, variable, {axes.dims["lat"], axes.dims["lon"]})
    return tuple(str(flag.name) for flag in flags if bad_marks(flag) is None)


class Mark(NamedTuple):
    """A flag is set where its bits under `mask` are `value` (no mask: all bits; no value: any bit)."""

    mask: Any
    value: Any


def bad_marks(flag: xr.DataArray) -> list[Mark] | None:
    """The marks of a flag whose meaning holds one of the words for bad; None where it tells no meanings."""
    known = read_names()["flags"]
    meanings = str(flag.attrs.get("flag_meanings", "")).lower().split()
    kinds = [
        np.ravel(flag.attrs[key]) if key in flag.attrs else None for key in ("flag_masks", "flag_values")
    ]
    if not meanings and flag.name in known["meanings"]:
        meanings = known["meanings"][flag.name].split()
        kinds = [None, np.arange(len(meanings))]
    sizes = {kind.size for kind in kinds if kind is not None}
    if sizes != {len(meanings)} or (kinds[0] is not None and flag.dtype.kind not in "iu"):
        return None
    columns = [[None] * len(meanings) if kind is None else list(kind) for kind in kinds]
    words = set(known["bad"])
    return [
        Mark(mask, value)
        for meaning, mask, value in zip(meanings, *columns, strict=True)
        if words & set(meaning.split("_"))
    ]


def is_marked(raw: np.ndarray, attrs: Mapping[str, Any], marks: Sequence[Mark]) -> np.ndarray:
    """True where the raw numbers of a flag bear one of some marks; the fill of a flag of bits bears none."""
    if marks[0].mask is None:
        return np.isin(raw, [mark.value for mark in marks])
    found = np.zeros(raw.shape, bool)
    for mark in marks:
        bits = raw & np.asarray(mark.mask).astype(raw.dtype)
        found |= bits != 0 if mark.value is None else bits == np.asarray(mark.value).astype(raw.dtype)
    return found & ~find_missing(raw, attrs)


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
