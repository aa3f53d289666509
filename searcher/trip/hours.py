"""Local times to UTC, and the sun."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import astral
import astral.sun
import numpy as np

from searcher.trip.model import Port, Times, Window
from searcher.units import HOUR

LONGEST = 36 * HOUR


def read_window(times: Times, port: Port) -> tuple[Window | None, list[tuple[str, str]]]:
    """The window in UTC with its daylight, or None; and what is wrong with the times, as (key, fault)."""
    zone = ZoneInfo(port.timezone)
    faults = []
    for key in ("leave", "home_by"):
        moment = getattr(times, key)
        if _is_skipped(moment, zone):
            faults.append((key, f"given {moment}, an hour the clocks of {zone.key} skip that night"))
    leave, home = to_utc(times.leave, zone), to_utc(times.home_by, zone)
    span = (home - leave).total_seconds()
    if span <= 0:
        faults.append(("home_by", f"given {times.home_by}, expected a time after leave, {times.leave}"))
    if span > LONGEST:
        faults.append(("home_by", f"given {span / HOUR:.1f} h after leave, expected at most 36 h"))
    if faults:
        return None, faults
    sunrise, sunset = find_daylight(port, leave, home)
    start, end, rise, down = (to_numpy(moment) for moment in (leave, home, sunrise, sunset))
    return Window(start=start, end=end, sunrise=rise, sunset=down), []


def to_utc(moment: datetime, zone: ZoneInfo) -> datetime:
    """UTC of a local time; of one that comes twice, when clocks go back, the first is meant."""
    return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC)


def to_numpy(moment: datetime) -> np.datetime64:
    """datetime64[ns] in UTC of an aware datetime, to the second."""
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None, microsecond=0), "ns")


def to_datetime(time: np.datetime64) -> datetime:
    """An aware datetime of a UTC datetime64, to the second."""
    return time.astype("datetime64[s]").item().replace(tzinfo=UTC)


def _is_skipped(moment: datetime, zone: ZoneInfo) -> bool:
    """Whether a local time does not exist, because clocks go forward over it."""
    back = to_utc(moment, zone).astimezone(zone).replace(tzinfo=None)
    return moment.tzinfo is None and back != moment


def find_daylight(port: Port, leave: datetime, home: datetime) -> tuple[datetime, datetime]:
    """Sunrise and sunset of that day at the port which gives most light between `leave` and `home`.

    Where the sun does not set that day: `leave` and `home`. Where it does not rise: `leave` twice. Of days
    that give the same, as none, the first that is not over by `leave`.
    """
    lit = find_days(port, leave, home)
    return max(lit, key=lambda hours: min(hours[1], home) - max(hours[0], leave), default=(leave, leave))


def find_days(port: Port, leave: datetime, home: datetime) -> list[tuple[datetime, datetime]]:
    """Sunrise and sunset of every day at the port that is not over by `leave`, until the day after `home`."""
    zone = ZoneInfo(port.timezone)
    first, last = leave.astimezone(zone).date(), home.astimezone(zone).date()
    # the day before counts where the zone is not the port's own
    days = (first + timedelta(days=shift) for shift in range(-1, (last - first).days + 2))
    lit = (_light_of(port, day, leave, home) for day in days)
    return [hours for hours in lit if hours and hours[1] > leave]


def _light_of(port: Port, day: date, leave: datetime, home: datetime) -> tuple[datetime, datetime] | None:
    """Sunrise and sunset of a date; `leave` and `home` if the sun does not set, None if it does not rise."""
    hours = sun_hours(port, day)
    return (leave, home) if hours is None and _is_up_at_noon(port, day) else hours


def sun_hours(port: Port, day: date) -> tuple[datetime, datetime] | None:
    """Sunrise before and sunset after the noon of a date at the port; None where either is missing.

    The sun's upper limb is on the horizon under standard refraction (its centre 0.833° below it).
    """
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC) - timedelta(hours=port.at.lon / 15)
    rise = _nearest_transit(port, noon - timedelta(hours=12), noon, astral.SunDirection.RISING)
    down = _nearest_transit(port, noon, noon + timedelta(hours=12), astral.SunDirection.SETTING)
    return None if rise is None or down is None else (rise, down)


def _nearest_transit(
    port: Port, first: datetime, last: datetime, direction: astral.SunDirection
) -> datetime | None:
    """When the sun crosses the horizon one way between two moments; None where it does not.

    Where two such crossings fall on one date, UTC, astral knows but one of them: a day's step from the one
    before then stands in, right to within the change from day to day (at most some minutes).
    """
    found = _transits(port, first.date(), direction)
    for shift in (0, 1, -1):
        inside = [t + timedelta(days=shift) for t in found if first < t + timedelta(days=shift) <= last]
        if inside:
            return min(inside)
    return None


def _transits(port: Port, day: date, direction: astral.SunDirection) -> list[datetime]:
    """When the sun crosses the horizon one way, around a date."""
    zenith = 90.0 + astral.sun.SUN_APPARENT_RADIUS
    found = []
    for shift in (-2, -1, 0, 1, 2):
        with suppress(ValueError):  # astral's way to say that the sun does not cross the horizon that day
            moment = astral.sun.time_of_transit(
                _observer(port), day + timedelta(days=shift), zenith, direction
            )
            found.append(moment.astimezone(UTC))
    return found


def _is_up_at_noon(port: Port, day: date) -> bool:
    noon = astral.sun.noon(_observer(port), day)
    return astral.sun.elevation(_observer(port), noon) > -0.833


def _observer(port: Port) -> astral.Observer:
    return astral.Observer(latitude=port.at.lat, longitude=port.at.lon)
