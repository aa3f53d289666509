"""Local netCDF files: what fields they hold, and those fields over a region.

A file is opened twice. `survey_file` reads only coordinates and attributes; `read_fields` then reads the
hours and the stretches of the axes that were chosen, and nothing else. Both take whatever
`xarray.open_dataset` opens.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import xarray as xr
from scipy.io import netcdf_file

from searcher.errors import SourceError
from searcher.geo import Region
from searcher.sea import NODES
from searcher.sources.axes import Axes, Cut, cut_axis, find_axes
from searcher.sources.names import Choice, axis_of, find_variables, list_choices
from searcher.sources.unpack import conversion, coverage_time, decode_times, is_sea, unpack

#: what a file that cannot be read makes the libraries beneath raise
UNREADABLE = (OSError, RuntimeError)
CLASSIC = (b"CDF\x01", b"CDF\x02")  # first bytes of netCDF-3 files
QUALITY, BIAS, MASK = "quality_level", "sses_bias", "mask"


@dataclass(frozen=True)
class Field:
    """One variable of a sea in one file, over one region; `lat` or `lon` is None where they do not meet."""

    path: Path
    choice: Choice
    name: str  # ours
    variable: str  # the file's
    axes: Axes = field(repr=False)
    times: np.ndarray | None = field(repr=False)  # datetime64[ns] in the file's order; None where static
    lat: Cut | None = field(repr=False)
    lon: Cut | None = field(repr=False)
    attrs: dict = field(repr=False)  # of the whole file

    @property
    def box(self) -> Region:
        """From the first to the last node of the file, in its own longitudes."""
        lon, lat = self.axes.lon, self.axes.lat
        return Region(float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max()))

    @property
    def place(self) -> str:
        return f"{self.path}: {self.variable}"


@contextmanager
def open_raw(path: str | os.PathLike) -> Iterator[xr.Dataset]:
    """The file as it stands, nothing decoded, nothing read but the coordinates; closed at the end."""
    _check_whole(path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of odd dimensions in variables that are never touched
        data = xr.open_dataset(path, engine="netcdf4", decode_cf=False, decode_timedelta=False, cache=False)
    with data:
        yield data


def _check_whole(path: str | os.PathLike) -> None:
    """Raise `OSError` where a netCDF-3 file is cut short: the netCDF library reads zeros past its end.

    (netCDF-4 files that are cut short the library refuses by itself.)
    """
    with open(path, "rb") as file:
        if file.read(4) not in CLASSIC:
            return
    try:
        whole = netcdf_file(path, mmap=True)  # lays every variable over the file, reads nothing
    except (ValueError, IndexError, TypeError, KeyError) as error:
        raise OSError("NetCDF: shorter than its header says") from error
    whole.variables.clear()
    whole.close()


def list_variables(path: str | os.PathLike) -> list[str]:
    """The gridded variables of a file, each as "name (standard name, units)". Raises `SourceError`."""
    try:
        with open_raw(path) as data:
            return _describe(data)
    except UNREADABLE as error:
        raise SourceError(_why_unreadable(Path(path), error)) from error


def _describe(data: xr.Dataset) -> list[str]:
    rows = []
    for name, variable in data.data_vars.items():
        if variable.ndim >= 2 and not str(name).endswith(("_bnds", "_bounds")):
            said = [str(variable.attrs[key]) for key in ("standard_name", "units") if variable.attrs.get(key)]
            rows.append(f"{name} ({', '.join(said)})" if said else str(name))
    return rows


def survey_file(path: Path, region: Region) -> tuple[list[Field], list[str], list[str]]:
    """Fields of a file, problems (a line each), and what variables it holds."""
    try:
        with open_raw(path) as data:
            fields, problems = _survey(data, path, region)
            return fields, problems, _describe(data)
    except UNREADABLE as error:
        return [], [_why_unreadable(path, error)], []


def _why_unreadable(path: Path, error: Exception) -> str:
    if not path.exists():
        return f"{path}: no such file"
    if path.is_dir():
        return f"{path}: a folder, expected a netCDF file"
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return f"{path}: cannot be read as netCDF, damaged or cut short ({reason}); fetch it again"


def _survey(data: xr.Dataset, path: Path, region: Region) -> tuple[list[Field], list[str]]:
    fields, problems = [], []
    for choice in list_choices():
        for ours, variable in find_variables(data, choice).items():
            try:
                found = _field(data, path, region, choice, ours, variable)
            except SourceError as error:
                problems.append(f"{path}: {error}")
            else:
                fields += [] if found is None else [found]
    return fields, problems


def _field(
    data: xr.Dataset, path: Path, region: Region, choice: Choice, ours: str, variable: str
) -> Field | None:
    axes = find_axes(data, variable)
    if axes is None:
        return None
    _convert(data[variable], choice, ours)  # raises where the units are not known
    return Field(
        path,
        choice,
        ours,
        variable,
        axes,
        None if choice.node == "depth" else _times(data, variable, axes),
        cut_axis(axes.lat, region.south, region.north),
        cut_axis(axes.lon, region.west, region.east, turning=True),
        dict(data.attrs),
    )


def _convert(variable: xr.DataArray, choice: Choice, ours: str) -> tuple[float, float]:
    """(factor, offset) from the file's units to inside units. Units that are not given are not guessed."""
    expected = NODES[choice.node][ours][1]
    given = str(variable.attrs.get("units", "")).strip()
    if not given and choice.variables[ours].get("units") != "1":
        what = "temperature" if choice.node == "temperature" else choice.what
        raise SourceError(
            f"{variable.name}: {what} without units",
            hint=f"Set its 'units' attribute, for example to '{expected}', if you know them",
        )
    found = conversion(given, expected)
    if found is None:
        raise SourceError(
            f"{variable.name}: units", given=repr(given), expected=f"a spelling of '{expected}'"
        )
    sign = choice.variables[ours].get("sign", 1)
    return sign * found[0], sign * found[1]


def _times(data: xr.Dataset, variable: str, axes: Axes) -> np.ndarray:
    """Times of a variable: of its time axis, of a lone time beside it, or of the hours the file covers."""
    lone = [name for name in data.variables if data[name].size == 1 and axis_of(data[name]) == "time"]
    lone = [name for name in lone if data[name].attrs.get("standard_name", "time") == "time"]
    name = axes.dims.get("time", lone[0] if lone else None)
    times = coverage_time(data.attrs) if name is None else decode_times(data[name])
    if times is None:
        raise SourceError(f"{variable}: no time axis, and no time_coverage_start and _end in the file")
    if not times.size:
        raise SourceError(f"{variable}: its time axis is empty")
    return times


def read_fields(
    path: Path, wanted: Sequence[tuple[Field, np.ndarray]], *, min_quality: int
) -> list[np.ndarray]:
    """For each field and the indices of its times: float32 (time, lat, lon) in inside units, NaN missing.

    Raises `SourceError` naming every field that cannot be read or whose values are past belief.
    """
    try:
        with open_raw(path) as data:
            arrays = [_read(data, found, steps, min_quality) for found, steps in wanted]
    except UNREADABLE as error:
        raise SourceError(_why_unreadable(path, error), problems=[_why_unreadable(path, error)]) from error
    problems = [
        problem
        for (found, _), values in zip(wanted, arrays, strict=True)
        for problem in _past_belief(found, values)
    ]
    if problems:
        raise SourceError.of_problems(str(path), problems)
    return arrays


def _past_belief(found: Field, values: np.ndarray) -> list[str]:
    _, units, low, high = NODES[found.choice.node][found.name]
    if np.isnan(values).all():
        return []
    least, most = np.nanmin(values), np.nanmax(values)
    if least >= low and most <= high:
        return []
    return [
        f"{found.place}: values {least:.4g} to {most:.4g} {units}, believable {low:g} to {high:g}; "
        "check its units, packing and fill value"
    ]


def _read(data: xr.Dataset, found: Field, steps: np.ndarray, min_quality: int) -> np.ndarray:
    variable = data[found.variable]
    convert = _convert(variable, found.choice, found.name)
    values = unpack(_cut(variable, found, steps), variable.attrs, convert)
    if found.choice.node == "temperature":
        _keep_good(values, data, found, steps, min_quality)
    if found.choice.node == "depth":
        values[values <= 0.0] = np.nan  # land
    return values


def _keep_good(
    values: np.ndarray, data: xr.Dataset, found: Field, steps: np.ndarray, min_quality: int
) -> None:
    """In place: missing where not open water or of low quality; the sensor's known bias taken off."""
    beside = {
        name: data[name]
        for name in (MASK, QUALITY, BIAS)
        if name in data.variables and {found.axes.dims["lat"], found.axes.dims["lon"]} <= set(data[name].dims)
    }
    if MASK in beside:
        sea = is_sea(beside[MASK], _cut(beside[MASK], found, steps))
        if sea is not None:
            values[~np.broadcast_to(sea, values.shape)] = np.nan
    if QUALITY in beside:
        quality = unpack(_cut(beside[QUALITY], found, steps), beside[QUALITY].attrs)
        values[~np.broadcast_to(quality >= min_quality, values.shape)] = np.nan
    if BIAS in beside:
        factor, _ = conversion(str(beside[BIAS].attrs.get("units", "kelvin")), "degree_Celsius") or (1.0, 0.0)
        values -= np.nan_to_num(unpack(_cut(beside[BIAS], found, steps), beside[BIAS].attrs, (factor, 0.0)))


def _cut(variable: xr.DataArray, found: Field, steps: np.ndarray) -> np.ndarray:
    """The packed numbers of a variable on (time, lat, lon), read stretch by stretch."""
    dims = found.axes.dims
    first = {dim: 0 for dim in variable.dims if dim not in dims.values()} | found.axes.pick
    chosen = variable.isel(first, missing_dims="ignore")
    if dims.get("time") in chosen.dims:
        whole = slice(int(steps.min()), int(steps.max()) + 1)
        chosen = chosen.isel({dims["time"]: whole})
    order = [dims[axis] for axis in ("time", "lat", "lon") if dims.get(axis) in chosen.dims]
    rows = [
        np.concatenate(
            [
                chosen.isel({dims["lat"]: row, dims["lon"]: column}).transpose(*order).values
                for column in found.lon.runs
            ],
            axis=-1,
        )
        for row in found.lat.runs
    ]
    values = np.concatenate(rows, axis=-2)
    return values[steps - whole.start] if values.ndim == 3 else values[np.newaxis]
