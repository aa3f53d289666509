"""Trade units at the edges, SI inside.

Inside the package everything is metres, seconds, m/s, litres and degrees Celsius. These factors are the
definitions of the international nautical mile (1852 m, exactly), foot (0.3048 m, exactly) and US liquid
gallon (231 cubic inches = 3.785411784 L, exactly), as in NIST SP 811 appendix B.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeVar
from zoneinfo import ZoneInfo

import numpy as np

#: a number or an array of them, which comes back as such
Numbers = TypeVar("Numbers", float, np.ndarray)

NAUTICAL_MILE = 1852.0
FOOT = 0.3048
GALLON = 3.785411784
HOUR = 3600.0
DAY = 24 * HOUR
KNOT = NAUTICAL_MILE / HOUR
FATHOM = 6 * FOOT

#: metres, m/s, litres or seconds in one of each trade unit
FACTORS = {
    "kn": KNOT,
    "ms": 1.0,
    "kmh": 1000.0 / HOUR,
    "nm": NAUTICAL_MILE,
    "km": 1000.0,
    "m": 1.0,
    "ft": FOOT,
    "fathom": FATHOM,
    "gal": GALLON,
    "l": 1.0,
    "h": HOUR,
    "min": 60.0,
}


def from_unit(value: Numbers, unit: str) -> Numbers:
    """Inside value (m, s, m/s or L) of `value` given in a trade unit of `FACTORS`."""
    return value * FACTORS[unit]


def to_unit(value: Numbers, unit: str) -> Numbers:
    """Trade value, in a unit of `FACTORS`, of an inside value (m, s, m/s or L)."""
    return value / FACTORS[unit]


def f_to_c(value_f: Numbers) -> Numbers:
    """Degrees Celsius of degrees Fahrenheit."""
    return (value_f - 32.0) / 1.8


def c_to_f(value: Numbers) -> Numbers:
    """Degrees Fahrenheit of degrees Celsius."""
    return value * 1.8 + 32.0


def step_to_f(step: Numbers) -> Numbers:
    """A temperature difference in Fahrenheit degrees of one in Celsius degrees."""
    return step * 1.8


@dataclass(frozen=True)
class Show:
    """How the skipper wants values written. Every text the package makes goes through here.

    `temperature` is "C" or "F"; `depth` "m", "ft" or "fathom"; `height` (waves) "m" or "ft"; `distance`
    "nm" or "km"; `speed` "kn", "kmh" or "ms"; `fuel` "l" or "gal"; `timezone` an IANA name.
    """

    temperature: str = "C"
    depth: str = "m"
    height: str = "m"
    distance: str = "nm"
    speed: str = "kn"
    fuel: str = "l"
    timezone: str = "UTC"

    def say_temperature(self, value: float) -> str:
        return f"{value:.1f} °C" if self.temperature == "C" else f"{c_to_f(value):.1f} °F"

    def say_step(self, step: float) -> str:
        return f"{step:.1f} °C" if self.temperature == "C" else f"{step_to_f(step):.1f} °F"

    def say_depth(self, value: float) -> str:
        return f"{to_unit(value, self.depth):.0f} {LABELS[self.depth]}"

    def say_height(self, value: float) -> str:
        return f"{to_unit(value, self.height):.1f} {LABELS[self.height]}"

    def say_distance(self, value: float) -> str:
        return f"{to_unit(value, self.distance):.1f} {LABELS[self.distance]}"

    def say_speed(self, value: float) -> str:
        return f"{to_unit(value, self.speed):.1f} {LABELS[self.speed]}"

    def say_fuel(self, value: float) -> str:
        return f"{to_unit(value, self.fuel):.0f} {LABELS[self.fuel]}"

    def say_clock(self, time: np.datetime64, *, day: np.datetime64 | None = None) -> str:
        """Local wall-clock time, as 05:40; as Sun 05:40 where that is not the date of `day`."""
        moment = self.local(time)
        other = day is not None and moment.date() != self.local(day).date()
        return f"{moment:%a %H:%M}" if other else f"{moment:%H:%M}"

    def say_time(self, time: np.datetime64) -> str:
        """Local date and time with the zone, as Sat 17 Jan 05:40 AEDT."""
        moment = self.local(time)
        return f"{moment:%a} {moment.day} {moment:%b %H:%M %Z}"

    def local(self, time: np.datetime64) -> datetime:
        """Timezone-aware local time of a UTC datetime64, rounded to the nearest minute."""
        seconds = np.datetime64(time, "s")  # type: ignore[call-overload]  # numpy's types know no such unit
        minutes: np.datetime64 = (seconds + np.timedelta64(30, "s")).astype("datetime64[m]")
        moment: datetime = minutes.astype(datetime)
        return moment.replace(tzinfo=UTC).astimezone(ZoneInfo(self.timezone))


LABELS = {
    "m": "m",
    "ft": "ft",
    "fathom": "fathoms",
    "nm": "nmi",
    "km": "km",
    "kn": "kn",
    "kmh": "km/h",
    "ms": "m/s",
    "l": "L",
    "gal": "gal",
}
