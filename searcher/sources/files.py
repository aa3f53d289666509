"""Local netCDF files: what fields they hold, and those fields over a region.

A file is opened twice. `survey_file` reads only coordinates and attributes; `read_fields` then reads the
hours and the stretches of the axes that were chosen, and nothing else. Both take whatever
`xarray.open_dataset` opens.

A field arrives on longitudes and latitudes. Where its numbers lie on another grid (curvilinear, projected, or
half a step beside those of its partner) they are interpolated, and components of a vector along that grid are
turned to east and north.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import xarray as xr

from searcher.errors import SourceError
from searcher.geo import Region
from searcher.sea import NODES
from searcher.sources.axes import Axes, Cut, cut_axis, find_axes
from searcher.sources.flags import drop_flagged, keep_good, read_water
from searcher.sources.names import Choice, axis_of, find_variables, frame_of, is_known, list_choices
from searcher.sources.opening import UNREADABLE, open_raw, why_unreadable
from searcher.sources.regrid import lay_grid, resample, resample_angle, turn_to_east
from searcher.sources.sheets import Plane, Sheet, find_sheet
from searcher.sources.unpack import Conversion, coverage_time, decode_times, find_conversion, unpack

VECTORS = (("u", "v"), ("u10", "v10"))
STRAIGHT = np.radians(1.0)  # a grid turned by less is east and north enough


class Turn(NamedTuple):
    """Components along a grid: the other one, and the variable of the angle between (or the grid's own)."""

    partner: Field
    angle: str | None
    sheet: Sheet  # where the angle lies


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
    sheet: Sheet | None = field(default=None, repr=False)  # where its numbers lie, if not on lat and lon
    turn: Turn | None = field(default=None, repr=False)  # how a component along a grid is turned

    @property
    def box(self) -> Region:
        """From the first to the last node of the file, in its own longitudes."""
        lon, lat = self.axes.lon, self.axes.lat
        return Region(float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max()))

    @property
    def history(self) -> str:
        """What is done to the numbers on their way, beside the units; "" where nothing is."""
        if self.sheet is None:
            return ""
        straight = self.sheet.plane is not None and self.sheet.plane.crs is None
        grid = "staggered" if straight else "projected" if self.sheet.plane else "curvilinear"
        turned = ", turned from the grid's axes to east and north" if self.turn else ""
        return (
            f"{self.variable} interpolated bilinearly from a {grid} grid to steps of {self.lat.step:g} by "
            f"{self.lon.step:g} degrees{turned}"
        )

    @property
    def place(self) -> str:
        return f"{self.path}: {self.variable}"


def list_variables(path: str | os.PathLike) -> list[str]:
    """The gridded variables of a file, each as "name (standard name, units)". Raises `SourceError`."""
    try:
        with open_raw(path) as data:
            return _describe(data)
    except UNREADABLE as error:
        raise SourceError(why_unreadable(Path(path), error)) from error


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
    """Fields of a file, problems (a line each), and what variables it holds.

    `time_units` ("days since 1900-01-01") are those of a time coordinate that states none.
    """
    try:
        with open_raw(path) as data:
            fields, problems = _survey(data, path, region, time_units)
            return fields, problems, _describe(data)
    except UNREADABLE as error:
        return [], [why_unreadable(path, error)], []


def _survey(
    data: xr.Dataset, path: Path, region: Region, time_units: str | None
) -> tuple[list[Field], list[str]]:
    fields, problems = [], []
    sheets: dict = {}
    for choice in list_choices():
        of_choice = []
        for ours, variable in find_variables(data, choice).items():
            try:
                found = _field(data, path, region, choice, ours, variable, time_units, sheets)
            except SourceError as error:
                problems.append(f"{path}: {error}")
            else:
                of_choice += [] if found is None else [found]
        try:
            fields += _turn_fields(data, align_fields(of_choice), region, sheets)
        except SourceError as error:
            problems.append(f"{path}: {error}")
    return fields, problems


def _field(data, path, region, choice, ours, variable, time_units, sheets) -> Field | None:
    axes, sheet = find_axes(data, variable), None
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
    _convert(data[variable], choice, ours)  # raises where the units are not known
    times = None if choice.node == "depth" else _times(data, variable, axes, time_units)
    lat, lon = laid or (None, None)
    return Field(path, choice, ours, variable, axes, times, lat, lon, dict(data.attrs), sheet)


def _turn_fields(data: xr.Dataset, fields: list[Field], region: Region, sheets: dict) -> list[Field]:
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
    found = pair[0]
    if np.nanmax(np.abs(found.sheet.angle(found.lon.values, found.lat.values))) < STRAIGHT:
        return False
    raise SourceError(
        f"{found.variable}: along east and north, or along its own turned grid?",
        hint="Set its standard_name: 'eastward_sea_water_velocity' or 'sea_water_x_velocity'",
    )


def _find_angle(data: xr.Dataset) -> str | None:
    return next((str(name) for name in data.variables if is_known(data[name], "angle")), None)


def _find_turn(data: xr.Dataset, partner: Field, region: Region, sheets: dict) -> Turn:
    name = _find_angle(data) if partner.sheet.plane is None else None
    sheet = partner.sheet if name is None else find_sheet(data, name, region, sheets)
    return Turn(partner, name if sheet else None, sheet or partner.sheet)


def align_fields(fields: Sequence[Field]) -> list[Field]:
    """The fields, of one file or many; second components of vectors brought to the grid of the first ones
    where they stand staggered beside them. Other grids are left as they are."""
    partners = {second: first for first, second in VECTORS}
    firsts = [found for found in fields if found.name in partners.values()]

    def align(found: Field) -> Field:
        near = [one for one in firsts if one.name == partners.get(found.name) and _are_staggered(one, found)]
        return _move(found, near[0]) if near else found

    return [align(found) for found in fields]


def _are_staggered(one: Field, other: Field) -> bool:
    """Whether the grids of two components lie less than a step beside each other, and not on each other."""
    if one.choice != other.choice or None in (one.lat, one.lon, other.lat, other.lon):
        return False
    if (one.sheet is None) != (other.sheet is None):
        return False
    steps = (one.lon.step, one.lat.step) * 2
    if (np.abs(np.subtract(one.box, other.box)) > np.multiply(1.1, steps)).any():
        return False
    pairs = ((one.lat, other.lat), (one.lon, other.lon))
    if all(
        a.values.size == b.values.size and np.abs(a.values - b.values).max() < 0.01 * a.step for a, b in pairs
    ):
        return False
    return one.sheet is not None or all(abs(a.step / b.step - 1) < 0.1 for a, b in pairs)


def _move(found: Field, onto: Field) -> Field:
    """A field that arrives on the grid of another."""
    sheet = found.sheet or Sheet(
        found.axes,
        found.lat.runs,
        found.lon.runs,
        np.empty((0, 0)),
        np.empty((0, 0)),
        Plane(found.lon.values, found.lat.values),
    )
    return replace(found, lat=onto.lat, lon=onto.lon, sheet=sheet)


def _convert(variable: xr.DataArray, choice: Choice, ours: str) -> Conversion:
    """From the file's units to inside units. Units that are not given are not guessed."""
    expected = NODES[choice.node][ours][1]
    given = str(variable.attrs.get("units", "")).strip()
    if not given and choice.variables[ours].get("units") != "1":
        what = "temperature" if choice.node == "temperature" else choice.what
        raise SourceError(
            f"{variable.name}: {what} without units",
            hint=f"Set its 'units' attribute, for example to '{expected}', if you know them",
        )
    found = find_conversion(variable.attrs, expected)
    if found is None:
        raise SourceError(
            f"{variable.name}: units", given=repr(given), expected=f"a spelling of '{expected}'"
        )
    sign = choice.variables[ours].get("sign", 1)
    return found._replace(factor=sign * found.factor, offset=sign * found.offset)


def _times(data: xr.Dataset, variable: str, axes: Axes, units: str | None) -> np.ndarray:
    """Times of a variable: of its time axis, of a lone time beside it, or of the hours the file covers."""
    lone = [name for name in data.variables if data[name].size == 1 and axis_of(data[name]) == "time"]
    lone = [name for name in lone if data[name].attrs.get("standard_name", "time") == "time"]
    name = axes.dims.get("time", lone[0] if lone else None)
    times = coverage_time(data.attrs) if name is None else decode_times(data[name], units=units)
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
        raise SourceError(why_unreadable(path, error), problems=[why_unreadable(path, error)]) from error
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
        f"{found.place}: values {least:.4g} to {most:.4g} {units}, believable {low:g} to {high:g}; "
        "check its units, packing and fill value"
    ]


def _read(data: xr.Dataset, found: Field, steps: np.ndarray, min_quality: int) -> np.ndarray:
    values = _read_laid(data, found, steps, min_quality)
    if found.turn is not None:
        other = _read_laid(data, found.turn.partner, steps, min_quality)
        angle = _read_angle(data, found)
        is_first = found.name in next(zip(*VECTORS, strict=True))
        pair = (values, other) if is_first else (other, values)
        values = turn_to_east(*pair, angle)[0 if is_first else 1].astype(np.float32)
    if found.choice.node == "depth":
        values[values <= 0.0] = np.nan  # land
    return values


def _read_laid(data: xr.Dataset, found: Field, steps: np.ndarray, min_quality: int) -> np.ndarray:
    """Values in inside units on the field's latitudes and longitudes, good ones only, not turned."""
    variable, dims = data[found.variable], found.axes.dims
    rows, columns = (
        (found.sheet.rows, found.sheet.columns) if found.sheet else (found.lat.runs, found.lon.runs)
    )

    def read(beside: xr.DataArray) -> np.ndarray:
        return _cut(beside, found.axes, rows, columns, steps)

    values = unpack(read(variable), variable.attrs, _convert(variable, found.choice, found.name))
    across = {dims["lat"], dims["lon"]}
    if found.choice.node == "temperature":
        keep_good(values, data, variable, across, read, min_quality)
    drop_flagged(values, data, variable, across, read)
    water = read_water(data, found.axes, found.sheet, read)
    if water is not None:
        values[:, ~water] = np.nan
    if found.sheet is None:
        return values
    return resample(values, *found.sheet.locate(found.lon.values, found.lat.values))


def _read_angle(data: xr.Dataset, found: Field) -> np.ndarray:
    """Angle (radians) from east to the first component of a vector, on the field's grid."""
    name, sheet = found.turn.angle, found.turn.sheet
    if name is None:
        return sheet.angle(found.lon.values, found.lat.values)
    angle = unpack(_cut(data[name], sheet.axes, sheet.rows, sheet.columns, np.array([0])), data[name].attrs)[
        0
    ]
    if str(data[name].attrs.get("units", "")).lower().startswith("deg"):
        angle = np.radians(angle)
    return resample_angle(angle, *sheet.locate(found.lon.values, found.lat.values))


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
    return values[steps - whole.start] if values.ndim == 3 else values[np.newaxis]
