"""Local times to UTC, and the sun."""

from __future__ import annotations

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
    start, end, sunrise, sunset = (to_numpy(moment) for moment in (leave, home, sunrise, sunset))
    return Window(start=start, end=end, sunrise=sunrise, sunset=sunset), []


def to_utc(moment: datetime, zone: ZoneInfo) -> datetime:
    """UTC of a local time; of one that comes twice, when clocks go back, the first is meant."""
    return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC)


def to_numpy(moment: datetime) -> np.datetime64:
    """datetime64[ns] in UTC of an aware datetime, to the second."""
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None, microsecond=0), "ns")


def _is_skipped(moment: datetime, zone: ZoneInfo) -> bool:
    """Whether a local time does not exist, because clocks go forward over it."""
    back = to_utc(moment, zone).astimezone(zone).replace(tzinfo=None)
    return moment.tzinfo is None and back != moment


def find_daylight(port: Port, leave: datetime, home: datetime) -> tuple[datetime, datetime]:
    """Sunrise and sunset of the first day at the port whose sunset comes after `leave`.

    Where the sun does not set that day: `leave` and `home`. Where it does not rise: `leave` twice.
    """
    day = leave.astimezone(ZoneInfo(port.timezone)).date()
    for shift in (-1, 0, 1):  # the day before counts where the zone is not the port's own
        hours = sun_hours(port, day + timedelta(days=shift))
        if hours and hours[1] > leave:
            return hours
    return (leave, home) if _is_up_at_noon(port, day) else (leave, leave)


def sun_hours(port: Port, day: date) -> tuple[datetime, datetime] | None:
    """Sunrise on a local date at the port and the sunset that follows it; None where either is missing.

    The sun's upper limb is on the horizon under standard refraction (its centre 0.833° below it).
    """
    sky = {"observer": _observer(port), "tzinfo": ZoneInfo(port.timezone)}
    try:
        rise = astral.sun.sunrise(date=day, **sky)
        down = astral.sun.sunset(date=day, **sky)
        if down < rise:
            down = astral.sun.sunset(date=day + timedelta(days=1), **sky)
    except ValueError:  # astral's way to say that the sun does not cross the horizon
        return None
    return rise.astimezone(UTC), down.astimezone(UTC)


def _is_up_at_noon(port: Port, day: date) -> bool:
    noon = astral.sun.noon(_observer(port), day)
    return astral.sun.elevation(_observer(port), noon) > -0.833


def _observer(port: Port) -> astral.Observer:
    return astral.Observer(latitude=port.at.lat, longitude=port.at.lon)
