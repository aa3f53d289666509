"""From the numbers that stand in a file to inside units: fills, packing, units, times, quality flags.

Packing and missing values as in the CF conventions 1.11, sections 2.5.1 and 8.1; the flags `mask`,
`quality_level` and the bias `sses_bias` as in the GHRSST Data Specification 2.0 (GDS 2.0, chapter 9 and 11).
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping

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
    "1": ((1.0, 0.0, ("1", "", "none", "dimensionless", "unitless")),),
}


def conversion(units: str, expected: str) -> tuple[float, float] | None:
    """(factor, offset) from the spelling `units` to the inside units `expected`; None where not known."""
    for factor, offset, spellings in UNITS[expected]:
        if _plain(units) in spellings:
            return factor, offset
    return None


def _plain(units: str) -> str:
    text = units.strip().lower().replace("**", "").replace("^", "").replace(".", " ").replace("_", " ")
    return " ".join(text.split())


def unpack(raw: np.ndarray, attrs: Mapping, convert: tuple[float, float] = (1.0, 0.0)) -> np.ndarray:
    """Values of packed numbers as float32, NaN where missing.

    The packing and the change of units are one multiplication and one addition, worked out beforehand in
    float64: 298.15 K - 273.15 is taken once, not for every cell, and a short never becomes a float64.
    """
    factor, offset = convert
    scale = factor * float(np.ravel(attrs.get("scale_factor", 1.0))[0])
    shift = factor * float(np.ravel(attrs.get("add_offset", 0.0))[0]) + offset
    if str(attrs.get("_Unsigned", "")).lower() == "true":
        raw = raw.view(f"u{raw.dtype.itemsize}")
    small = raw.dtype.kind in "iu" and raw.dtype.itemsize <= 2
    values = raw.astype(np.float32 if small else np.float64)
    values *= scale
    values += shift
    values[find_missing(raw, attrs)] = np.nan
    return values.astype(np.float32, copy=False)


def find_missing(raw: np.ndarray, attrs: Mapping) -> np.ndarray:
    """True where packed numbers are `_FillValue`, a `missing_value`, or netCDF's default fill."""
    fills = [value for key in ("_FillValue", "missing_value") for value in np.ravel(attrs.get(key, []))]
    if not fills and raw.dtype.itemsize > 1:  # netCDF has no default fill for bytes
        fills = [netCDF4.default_fillvals[raw.dtype.str[1:]]]
    missing = np.zeros(raw.shape, bool)
    for fill in fills:
        if np.asarray(fill).dtype.kind in "iuf" and _fits(fill, raw.dtype):
            missing |= raw == np.asarray(fill).astype(raw.dtype)
    return missing


def _fits(fill, dtype: np.dtype) -> bool:
    """Whether a fill value can occur among numbers of this type (a NaN cannot among shorts)."""
    if dtype.kind == "f":
        return not np.isnan(fill)
    limits = np.iinfo(dtype)
    wide = float(fill)
    if dtype.kind == "u" and wide < 0:  # the signed spelling of an unsigned fill
        return wide.is_integer() and -wide <= limits.max / 2 + 1
    return wide.is_integer() and limits.min <= wide <= limits.max


def unpack_axis(variable: xr.DataArray) -> np.ndarray:
    """A coordinate as float64, NaN where missing."""
    raw, attrs = variable.values, variable.attrs
    values = raw.astype(np.float64)
    values = values * float(attrs.get("scale_factor", 1.0)) + float(attrs.get("add_offset", 0.0))
    values[find_missing(raw, attrs)] = np.nan
    return values


def decode_times(variable: xr.DataArray) -> np.ndarray:
    """datetime64[ns], to the second, of a CF time coordinate (CF conventions 1.11, section 4.4).

    Raises `SourceError` where there are no units "... since ...", or the calendar has days that never were.
    """
    if variable.dtype.kind == "M":
        return variable.values.astype("datetime64[s]").astype("datetime64[ns]")
    units = str(variable.attrs.get("units", ""))
    if " since " not in units:
        raise SourceError(
            f"{variable.name}: time without units", given=units or None, expected="'hours since 2000-01-01'"
        )
    packed = xr.Variable(("time",), np.ravel(variable.values), dict(variable.attrs))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # xarray warns of odd calendars; they are refused just below
            times = xr.decode_cf(xr.Dataset({"time": packed}))["time"].values
    except (ValueError, OverflowError) as error:
        raise SourceError(f"{variable.name}: time cannot be read: {error}") from error
    if times.dtype.kind != "M" or np.isnat(times).any():
        raise SourceError(f"{variable.name}: time cannot be read", given=f"{units!r}, some without a date")
    times = times.astype("datetime64[ns]") + np.timedelta64(500, "ms")
    return times.astype("datetime64[s]").astype("datetime64[ns]")


def coverage_time(attrs: Mapping) -> np.ndarray | None:
    """The middle of `time_coverage_start` and `time_coverage_end` (ACDD 1.3), for a file without times."""
    try:
        ends = [pd.Timestamp(str(attrs[f"time_coverage_{end}"])) for end in ("start", "end")]
    except (KeyError, ValueError):
        return None
    start, end = (time.tz_localize(None) if time.tz is None else time.tz_convert(None) for time in ends)
    return np.array([(start + (end - start) / 2).to_datetime64()], "datetime64[s]").astype("datetime64[ns]")


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
