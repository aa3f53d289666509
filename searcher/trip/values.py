"""Single values of the trip file: what is a place, a time, a burn table; and how a field is declared.

Each parser raises ValueError with what it expected; what was given, and where, is added by `read`.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from searcher import geo
from searcher.geo import Place
from searcher.units import KNOT


def is_number(value: Any) -> bool:
    """Whether a value of the file is a finite number (true and false are none)."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300


def is_pair(row: Any) -> bool:
    """Whether a value of the file is a list of two numbers."""
    return isinstance(row, list | tuple) and len(row) == 2 and all(is_number(value) for value in row)


def parse_place(value: Any) -> Place:
    """A place of [longitude, latitude], its longitude brought to -180..180."""
    if not is_pair(value):
        raise ValueError("expected [longitude, latitude] in degrees")
    lon, lat = (float(number) for number in value)
    if not (-180 <= lon <= 360 and -85 <= lat <= 85):
        hint = "; longitude comes first" if -180 <= lat <= 360 and -85 <= lon <= 85 else ""
        raise ValueError(f"expected [longitude -180 to 360, latitude -85 to 85]{hint}")
    return Place(float(geo.near_longitude(lon, 0.0)), lat)


def parse_timezone(value: Any) -> str:
    """The name of a time zone that exists."""
    try:
        return ZoneInfo(value).key
    except (KeyError, ValueError, TypeError, OSError, AttributeError):
        raise ValueError('expected a time zone such as "Australia/Sydney" or "UTC"') from None


def parse_moment(value: Any) -> datetime:
    """A date-time of TOML, or of text such as "2026-01-17 05:00"; without an offset it is local time."""
    moment = value
    if isinstance(value, str) and len(value) > len("2026-01-17"):
        with suppress(ValueError):
            moment = datetime.fromisoformat(value)
    if not isinstance(moment, datetime):
        raise ValueError('expected a date and time such as "2026-01-17 05:00"')
    if not 1980 <= moment.year <= 2100:
        raise ValueError("expected a year from 1980 to 2100")
    return moment


def parse_burn(value: Any) -> tuple[tuple[float, float], ...]:
    """A burn table of rows (speed, burn), checked; both are in inside units already."""
    rows = value if isinstance(value, list | tuple) else []
    odd = next((number for number, row in enumerate(rows, start=1) if not is_pair(row)), 0)
    if len(rows) < 2 or odd:
        which = f"; row {odd} is none" if odd else ""
        raise ValueError(f"expected at least two rows [speed in kn, burn per hour], both numbers{which}")
    speeds, burns = zip(*rows, strict=True)
    if not (min(speeds) >= 0 and max(speeds) <= 100 * KNOT and min(burns) > 0):
        raise ValueError("expected speeds from 0 (idling) up to 100 kn, and burns over 0")
    if not (np.diff(speeds) > 0).all():
        raise ValueError("expected speeds that rise from row to row")
    if not (np.diff(burns) >= 0).all():
        raise ValueError("expected burns that do not fall as the speed rises")
    return tuple((float(speed), float(burn)) for speed, burn in rows)


def key(expected: str, *keys: str, **options: Any) -> Any:
    """A field of a section: what is expected, in words, and its keys where they are not its name."""
    extra: Any = {"keys": keys} if keys else None
    return Field(description=expected, json_schema_extra=extra, **options)


class Section(BaseModel):
    """One section of the file. Types are strict: "3" is no number."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, arbitrary_types_allowed=True
    )
