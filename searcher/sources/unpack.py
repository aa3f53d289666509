"""From the numbers that stand in a file to inside units: fills, packing, units, times.

Packing, missing values and valid ranges as in the CF conventions 1.11, sections 2.5.1 and 8.1, and the
attribute conventions of the netCDF User Guide (appendix A).
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Hashable, Mapping
from typing import Any, NamedTuple

import netCDF4
import numpy as np
import pandas as pd
import xarray as xr

from searcher.errors import SourceError
from searcher.units import FACTORS

#: inside units -> (factor, offset, spellings); inside value = factor · value + offset
UNITS: dict[str, tuple[tuple[float, float, tuple[str, ...]], ...]] = {
    "degree_Celsius": (
        (1.0, 0.0, ("celsius", "c", "°c", "degc", "deg c", "degree c", "degrees c")),
        (1.0, 0.0, ("degree celsius", "degrees celsius", "deg celsius")),
        (1.0, -273.15, ("kelvin", "kelvins", "k", "degk", "deg k", "degree k", "degrees k")),
        (1.0, -273.15, ("degree kelvin", "degrees kelvin", "deg kelvin")),
        (1 / 1.8, -32 / 1.8, ("fahrenheit", "f", "°f", "degf", "deg f", "degree f", "degrees f")),
        (1 / 1.8, -32 / 1.8, ("degree fahrenheit", "degrees fahrenheit")),
    ),
    "m s-1": (
        (1.0, 0.0, ("m s-1", "m/s", "m/sec", "m sec-1", "ms-1", "m s -1", "m * s-1", "meter s-1")),
        (1.0, 0.0, ("meter second-1", "meters second-1", "metre second-1", "meter/second", "meters/second")),
        (1.0, 0.0, ("meter/sec", "meters/sec", "meters per second", "metres per second", "meters s-1")),
        (0.01, 0.0, ("cm s-1", "cm/s", "cm/sec", "cm sec-1", "centimeter second-1", "centimeters/second")),
        (FACTORS["kn"], 0.0, ("knot", "knots", "kt", "kts", "kn")),
    ),
    "mg m-3": (
        (1.0, 0.0, ("mg m-3", "mg/m3", "mg m -3", "milligram m-3", "milligrams m-3", "mg/m 3")),
        (1.0, 0.0, ("ug l-1", "ug/l", "µg l-1", "µg/l", "microgram l-1")),
        (1e6, 0.0, ("kg m-3", "kg/m3")),
    ),
    "m": (
        (1.0, 0.0, ("m", "meter", "meters", "metre", "metres")),
        (0.01, 0.0, ("cm", "centimeter", "centimeters", "centimetre", "centimetres")),
        (0.001, 0.0, ("mm", "millimeter", "millimeters")),
        (1000.0, 0.0, ("km", "kilometer", "kilometers")),
        (FACTORS["ft"], 0.0, ("ft", "foot", "feet")),
    ),
    "1": ((1.0, 0.0, ("1", "", "none", "dimensionless", "unitless", "dl", "index", "count")),),
}


#: the calendars that count the days that were (they differ only before 1582)
CALENDARS = ("standard", "gregorian", "proleptic_gregorian")
#: words in a reference of time that say no more than UTC does
KNOWN_WORDS = {"T", "Z", "UTC", "GMT"}
#: a zone as "UTC+10", which reads as ten hours the other way where a zone is named and not counted (POSIX)
NAMED_OFFSET = re.compile(r"\s*(?:UTC|GMT|Z)\s*(?=[+-]\d)", re.IGNORECASE)
#: the year first (UDUNITS), in four digits or the year 1: "05-01-2026" is 5 January to some, 1 May to others
YEAR_FIRST = re.compile(r"\s*(\d{4}|1-1-1\b)")
#: degrees that count westwards or southwards (UDUNITS)
BACKWARDS = re.compile(r"degrees?_?(w|west|s|south)", re.IGNORECASE)
#: attributes that are numbers wherever they are given
NUMBERS = ("scale_factor", "add_offset", "Base", "Slope", "Intercept")


#: numbers unpacked at a time
BLOCK = 65_536


class Conversion(NamedTuple):
    """From unpacked numbers to inside units: factor · number + offset; where there is a `base`, the number is
    first turned into base ** (slope · number + intercept)."""

    factor: float = 1.0
    offset: float = 0.0
    base: float | None = None
    slope: float = 1.0
    intercept: float = 0.0


def find_conversion(attrs: Mapping[str, Any], expected: str) -> Conversion | None:
    """How to turn a variable into the inside units `expected`; None where its units are not known.

    Numbers that are common logarithms are told by units such as "log10(mg m-3)" or, as UDUNITS writes them,
    "lg(re 1 mg m-3)", or by the attributes `Scaling` ("logarithmic"), `Base`, `Slope` and `Intercept` of
    NASA's mapped ocean colour files. "log(...)" alone is not guessed at: it may be the natural one.
    """
    units = str(attrs.get("units", ""))
    inner = LOG_UNITS.fullmatch(units.strip().lower())
    found = conversion(inner["units"] if inner else units, expected)
    if found is None:
        return None
    if inner:
        return Conversion(*found, base=10.0)
    if str(attrs.get("Scaling", "")).lower().startswith("log") and "Base" in attrs:
        rest = (float(attrs.get(name, usual)) for name, usual in (("Slope", 1.0), ("Intercept", 0.0)))
        return Conversion(*found, float(attrs["Base"]), *rest)
    return Conversion(*found)


LOG_UNITS = re.compile(r"(log10|log_10|lg)\s*\(\s*(re:?\s+)?(1\s+)?(?P<units>.+?)\s*\)")


def conversion(units: str, expected: str) -> tuple[float, float] | None:
    """(factor, offset) from the spelling `units` to the inside units `expected`; None where not known."""
    for factor, offset, spellings in UNITS[expected]:
        if _plain(units) in spellings:
            return factor, offset
    return None


def _plain(units: str) -> str:
    text = units.strip().lower().replace("**", "").replace("^", "").replace(".", " ").replace("_", " ")
    return " ".join(text.split())


def unpack(
    raw: np.ndarray, attrs: Mapping[str, Any], convert: Conversion | tuple[float, float] = (1.0, 0.0)
) -> np.ndarray:
    """Values of packed numbers as float32, NaN where missing or outside the valid range.

    `convert` is a `Conversion`, or only the factor and offset of one.

    The packing and the change of units are one multiplication and one addition, worked out beforehand in
    float64: 298.15 K - 273.15 is taken once, not for every cell, and a short never becomes a float64. Numbers
    are taken in blocks that stay in the processor's cache.
    """
    convert = Conversion(*convert)
    flat = np.ascontiguousarray(_as_unsigned(raw, attrs)).reshape(-1)
    values = np.empty(flat.size, np.float32)
    for first in range(0, flat.size, BLOCK):
        part = slice(first, first + BLOCK)
        values[part] = _unpack_block(flat[part], attrs, convert)
    return values.reshape(raw.shape)


def _unpack_block(raw: np.ndarray, attrs: Mapping[str, Any], convert: Conversion) -> np.ndarray:
    scale, shift = packing(attrs)
    factor, offset = (convert.slope, convert.intercept) if convert.base else convert[:2]
    small = raw.dtype.kind in "iu" and raw.dtype.itemsize <= 2
    values: np.ndarray = raw.astype(np.float32 if small else np.float64)
    values *= factor * scale
    values += factor * shift + offset
    missing = find_missing(raw, attrs)
    if convert.base:
        values[missing] = 0.0  # a fill is no exponent
        values = convert.factor * np.power(convert.base, values) + convert.offset
    np.copyto(values, np.nan, where=missing)
    return values


def packing(attrs: Mapping[str, Any]) -> tuple[float, float]:
    """`scale_factor` and `add_offset`, or what stands for none."""
    scale, shift = (
        float(np.ravel(attrs.get(name, usual))[0])
        for name, usual in (("scale_factor", 1.0), ("add_offset", 0.0))
    )
    return scale, shift


def _as_unsigned(raw: np.ndarray, attrs: Mapping[str, Any]) -> np.ndarray:
    """Bytes or shorts that netCDF-3 had to store as signed ones, as what they are."""
    told = str(attrs.get("_Unsigned", "")).lower() == "true" and raw.dtype.kind == "i"
    return raw.view(f"u{raw.dtype.itemsize}") if told else raw


def find_missing(raw: np.ndarray, attrs: Mapping[str, Any]) -> np.ndarray:
    """True where packed numbers are `_FillValue`, a `missing_value`, or netCDF's default fill, or lie outside
    the valid range."""
    fills = [value for key in ("_FillValue", "missing_value") for value in np.ravel(attrs.get(key, []))]
    if not fills and raw.dtype.itemsize > 1:  # netCDF has no default fill for bytes
        fills = [netCDF4.default_fillvals[raw.dtype.str[1:]]]
    missing = np.zeros(raw.shape, bool)
    for fill in fills:
        if np.asarray(fill).dtype.kind in "iuf" and _fits(fill, raw.dtype):
            missing |= raw == np.asarray(fill).astype(raw.dtype)
    low, high = _valid_range(raw.dtype, attrs)
    if low is not None:
        missing |= raw < low
    if high is not None:
        missing |= raw > high
    return missing


def _valid_range(dtype: np.dtype, attrs: Mapping[str, Any]) -> tuple[float | None, float | None]:
    """`valid_range`, or `valid_min` and `valid_max`, among packed numbers of type `dtype`; None where open.

    Where they are floats beside packed integers they are meant unpacked (netCDF User Guide, appendix A).
    """
    ends = list(np.ravel(attrs.get("valid_range", [])))
    ends = ends if len(ends) == 2 else [attrs.get("valid_min"), attrs.get("valid_max")]
    kinds = [None if end is None else np.asarray(end).dtype.kind for end in ends]
    ends = [
        float(np.ravel(end)[0]) if kind and kind in "iuf" else None
        for end, kind in zip(ends, kinds, strict=True)
    ]
    if dtype.kind == "u" and "i" in kinds:  # the signed spelling of unsigned ends
        ends = [end + 2.0 ** (8 * dtype.itemsize) if end is not None and end < 0 else end for end in ends]
    if dtype.kind in "iu" and "f" in kinds:
        scale, shift = packing(attrs)
        slack = 0.5  # an end that falls between two counts
        ends = [None if end is None else (end - shift) / scale for end in ends][:: 1 if scale > 0 else -1]
        low, high = (
            None if end is None or np.isnan(end) else end + by
            for end, by in zip(ends, (-slack, slack), strict=True)
        )
    else:
        low, high = (None if end is None or np.isnan(end) else _in_range(end, dtype) for end in ends)
    return low, high


def _in_range(end: float, dtype: np.dtype) -> float | None:
    """A limit as a number of the type itself, so that comparing makes no wider copy; None where it binds no
    value of the type."""
    if dtype.kind == "f":
        return dtype.type(end)
    limits = np.iinfo(dtype)
    return dtype.type(end) if limits.min <= end <= limits.max and end.is_integer() else None


def _fits(fill: float, dtype: np.dtype) -> bool:
    """Whether a fill value can occur among numbers of this type (a NaN cannot among shorts)."""
    if dtype.kind == "f":
        return not np.isnan(fill)
    limits = np.iinfo(dtype)
    wide = float(fill)
    if dtype.kind == "u" and wide < 0:  # the signed spelling of an unsigned fill
        return wide.is_integer() and -wide <= limits.max / 2 + 1
    return wide.is_integer() and limits.min <= wide <= limits.max


def check_numbers(variable: xr.DataArray) -> None:
    """Raise `SourceError` where an attribute that must be a number is none."""
    for name in set(NUMBERS) & set(variable.attrs):
        try:
            float(np.ravel(variable.attrs[name])[0])
        except (ValueError, IndexError) as error:
            raise SourceError(
                f"{variable.name}: {name}", given=repr(variable.attrs[name]), expected="a number"
            ) from error


def unpack_axis(variable: xr.DataArray) -> np.ndarray:
    """A coordinate as float64, NaN where missing; degrees count eastwards and northwards."""
    check_numbers(variable)
    raw, attrs = variable.values, variable.attrs
    scale, shift = packing(attrs)
    values = raw.astype(np.float64) * scale + shift
    values[find_missing(raw, attrs)] = np.nan
    return -values if counts_backwards(attrs) else values


def counts_backwards(attrs: Mapping[str, Any]) -> bool:
    """Whether a coordinate is in degrees west or south."""
    return BACKWARDS.fullmatch(str(attrs.get("units", "")).strip()) is not None


def decode_times(variable: xr.DataArray, *, units: str | None = None) -> np.ndarray:
    """datetime64[ns], to the second, of a CF time coordinate (CF conventions 1.11, section 4.4).

    `units` ("days since 1900-01-01") stand in where the coordinate has none of its own. A reference with a
    time zone is brought to UTC. Raises `SourceError` where there are no units "... since ...", or the
    calendar is not the one on the wall: a date in it may be a day that never was; for a reference that does
    not begin with the year; and for a time zone that goes by a name other than UTC.
    """
    if variable.dtype.kind == "M":
        return variable.values.astype("datetime64[s]").astype("datetime64[ns]")
    attrs = dict(variable.attrs)
    if units and " since " not in str(attrs.get("units", "")):
        attrs["units"] = units
    said = str(attrs.get("units", ""))
    attrs["units"] = _check_reference(str(variable.name), said, str(attrs.get("calendar", "standard")))
    packed = xr.Variable(("time",), np.ravel(variable.values), attrs)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter(
                "ignore"
            )  # xarray warns of dates it cannot hold; they are refused just below
            times = xr.decode_cf(xr.Dataset({"time": packed}))["time"].values
    except (ValueError, OverflowError) as error:
        raise SourceError(f"{variable.name}: time cannot be read: {error}") from error
    if times.dtype.kind != "M" or np.isnat(times).any():
        raise SourceError(f"{variable.name}: time cannot be read", given=f"{said!r}, some without a date")
    times = times.astype("datetime64[ns]") + np.timedelta64(500, "ms")
    return times.astype("datetime64[s]").astype("datetime64[ns]")


def _check_reference(name: str, units: str, calendar: str) -> str:
    """Units of a time coordinate as the decoder takes them. Raises `SourceError` where they are unclear."""
    if " since " not in units:
        raise SourceError(
            f"{name}: time without units",
            given=units or None,
            expected="'hours since 2000-01-01'",
            hint="If you know them, say so with time_units",
        )
    if calendar.lower() not in CALENDARS:
        raise SourceError(
            f"{name}: calendar", given=repr(calendar.lower()), expected=f"one of {', '.join(CALENDARS)}"
        )
    unit, reference = units.split(" since ", 1)
    if set(re.findall(r"[A-Z]+", reference.upper())) - KNOWN_WORDS:
        raise SourceError(
            f"{name}: time zone of the reference",
            given=repr(units),
            expected="UTC, or hours from it, such as +10:00",
        )
    if not YEAR_FIRST.match(reference):
        raise SourceError(
            f"{name}: date of the reference",
            given=repr(units),
            expected="the year first, in four digits, as in 'hours since 2000-01-31'",
        )
    return f"{unit} since {NAMED_OFFSET.sub(' ', reference)}"


def middle_times(
    data: xr.Dataset, name: str, variable: Hashable = None, *, units: str | None = None
) -> np.ndarray:
    """Times of a coordinate, as `decode_times`; of means over spans the middle of each span.

    Spans are told by `bounds` (CF conventions 1.11, section 7.1). A variable that is said to be of points in
    time (`cell_methods`, section 7.3) stands at its stamps.
    """
    times, bounds = decode_times(data[name], units=units), bounds_of(data, name)
    methods = str(data[variable].attrs.get("cell_methods", "")) if variable else ""
    called = "|".join(map(re.escape, {name, "time", *map(str, data[name].dims)}))
    if bounds is None or re.search(rf"\b({called}): point", methods):
        return times
    about = data[name].attrs | bounds.attrs
    ends = xr.DataArray(np.ravel(bounds.values), dims="time", name=name, attrs=about)
    first, last = decode_times(ends, units=units).reshape(-1, 2).T
    return first + (last - first) // 2


def bounds_of(data: xr.Dataset, name: str) -> xr.Variable | None:
    """The bounds (n, 2) of a coordinate, if there are any."""
    bounds = data.variables.get(data[name].attrs.get("bounds", ""))
    return bounds if bounds is not None and bounds.shape == (data[name].size, 2) else None


def coverage_time(attrs: Mapping[str, Any]) -> np.ndarray | None:
    """The middle of `time_coverage_start` and `time_coverage_end` (ACDD 1.3), for a file without times."""
    try:
        ends = [pd.Timestamp(str(attrs[f"time_coverage_{end}"])) for end in ("start", "end")]
    except (KeyError, ValueError):
        return None
    start, end = (time.tz_localize(None) if time.tz is None else time.tz_convert(None) for time in ends)
    return np.array([(start + (end - start) / 2).to_datetime64()], "datetime64[s]").astype("datetime64[ns]")
