"""Local netCDF files: what fields they hold, and those fields over a region.

A file is opened twice. `survey_file` reads only coordinates and attributes; `read_fields` then reads the
hours and the stretches of the axes that were chosen, and nothing else, and refuses a file that has been
replaced in between. Both take netCDF-4 and netCDF-3 files.

A field arrives on longitudes and latitudes. Where its numbers lie on another grid (curvilinear, projected, or
half a step beside those of its partner) they are interpolated, and components of a vector along that grid are
turned to east and north.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import xarray as xr

from searcher.errors import SourceError
from searcher.geo import Region
from searcher.sea import NODES
from searcher.sources.axes import Axes, Cut, coordinate_of, cut_axis, find_axes
from searcher.sources.fields import Field, align_fields, stamp_of
from searcher.sources.flags import list_unread
from searcher.sources.names import Choice, axis_of, find_variables, list_choices
from searcher.sources.opening import UNREADABLE, open_raw, why_unreadable
from searcher.sources.reading import convert_units, read_field
from searcher.sources.regrid import lay_grid
from searcher.sources.sheets import Known, find_sheet
from searcher.sources.turning import turn_fields
from searcher.sources.unpack import coverage_time, middle_times

__all__ = ["list_variables", "read_fields", "survey_file"]


def list_variables(path: str | os.PathLike[str]) -> list[str]:
    """The gridded variables of a file, each as "name (standard name, units)". Raises `SourceError`."""
    try:
        with open_raw(path) as data:
            return _describe(data)
    except UNREADABLE as error:
        raise SourceError(f"{path}: {why_unreadable(Path(path), error)}") from error


def _describe(data: xr.Dataset) -> list[str]:
    rows = []
    for name, variable in data.data_vars.items():
        if variable.ndim >= 2 and not str(name).endswith(("_bnds", "_bounds")):
            said = [str(variable.attrs[key]) for key in ("standard_name", "units") if variable.attrs.get(key)]
            rows.append(f"{name} ({', '.join(said)})" if said else str(name))
    return rows


def survey_file(
    path: Path, region: Region, *, time_units: str | None = None
) -> tuple[list[Field], list[str], list[str]]:
    """Fields of a file, problems (a line each, without its name), and what variables it holds.

    `time_units` ("days since 1900-01-01") are those of a time coordinate that states none.
    """
    try:
        stamp = stamp_of(path)
        with open_raw(path) as data:
            fields, problems = _survey(data, path, region, time_units)
            held = _describe(data)
            if held and not {"lat", "lon"} <= {axis_of(data[name]) for name in data.variables}:
                held.append(f"but no latitude and longitude (dimensions {', '.join(map(str, data.sizes))})")
            return [replace(found, stamp=stamp) for found in fields], problems, held
    except UNREADABLE as error:
        return [], [why_unreadable(path, error)], []


def _survey(
    data: xr.Dataset, path: Path, region: Region, time_units: str | None
) -> tuple[list[Field], list[str]]:
    fields: list[Field] = []
    problems: list[str] = []
    sheets: Known = {}
    for choice in list_choices():
        of_choice: list[Field] = []
        for ours, variable in find_variables(data, choice).items():
            try:
                found = _field(data, path, region, choice, ours, variable, time_units, sheets)
            except SourceError as error:
                problems.append(str(error))
            else:
                of_choice += [] if found is None else [found]
        try:
            fields += turn_fields(data, align_fields(of_choice), region, sheets)
        except SourceError as error:
            problems.append(str(error))
    return fields, problems


def _field(
    data: xr.Dataset,
    path: Path,
    region: Region,
    choice: Choice,
    ours: str,
    variable: str,
    time_units: str | None,
    sheets: Known,
) -> Field | None:
    axes, sheet = find_axes(data, variable), None
    laid: tuple[Cut | None, Cut | None] | None
    if axes is None:
        sheet = find_sheet(data, variable, region, sheets)
        if sheet is None:
            return None
        axes = sheet.axes
        laid = lay_grid(sheet.lon, sheet.lat, region) if sheet.rows else None
    else:
        laid = (
            cut_axis(axes.lat, region.south, region.north),
            cut_axis(axes.lon, region.west, region.east, turning=True),
        )
    convert_units(data[variable], choice, ours)  # raises where the units are not known
    times = None if choice.node == "depth" else _times(data, variable, axes, time_units)
    lat, lon = laid or (None, None)
    unread = list_unread(data, data[variable], axes)
    return Field(path, choice, ours, variable, axes, times, lat, lon, dict(data.attrs), sheet, unread=unread)


def _times(data: xr.Dataset, variable: str, axes: Axes, units: str | None) -> np.ndarray:
    """Times of a variable: of its time axis, of a lone time beside it, or of the hours the file covers."""
    lone = [name for name in data.variables if data[name].size == 1 and axis_of(data[name]) == "time"]
    lone = [name for name in lone if data[name].attrs.get("standard_name", "time") == "time"]
    along = coordinate_of(data, axes.dims["time"]) if "time" in axes.dims else None
    name = along.name if along is not None else lone[0] if lone else None
    times = (
        coverage_time(data.attrs) if name is None else middle_times(data, str(name), variable, units=units)
    )
    if times is None:
        raise SourceError(f"{variable}: no time axis, and no time_coverage_start and _end in the file")
    if not times.size:
        raise SourceError(f"{variable}: its time axis is empty")
    return times


def read_fields(
    path: Path, wanted: Sequence[tuple[Field, np.ndarray]], *, min_quality: int
) -> list[np.ndarray]:
    """For each field and the indices of its times: float32 (time, lat, lon) in inside units, NaN missing.

    Raises `SourceError` with every field that cannot be read or whose values are past belief (a line each,
    without the name of the file).
    """
    try:
        if any(found.stamp != stamp_of(path) for found, _ in wanted):
            raise SourceError.of_problems(str(path), ["replaced while it was being read; run this again"])
        with open_raw(path) as data:
            arrays = [read_field(data, found, steps, min_quality) for found, steps in wanted]
    except UNREADABLE as error:
        raise SourceError.of_problems(str(path), [why_unreadable(path, error)]) from error
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
    least, most = np.fmin.reduce(values, axis=None), np.fmax.reduce(values, axis=None)
    if np.isnan(least) or (least >= low and most <= high):
        return []
    return [
        f"{found.variable}: values {least:.4g} to {most:.4g} {units}, believable {low:g} to {high:g}; "
        "check its units, packing and fill value"
    ]
