"""Units against their definitions, and the way values are written for the skipper."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from searcher import units
from searcher.units import FACTORS, Show

# NIST Special Publication 811 (2008), appendix B.8 and its note on exact factors: the international nautical
# mile is 1852 m, the foot 0.3048 m, the US liquid gallon 231 cubic inches of 2.54 cm, the fathom of six
# (international) feet 1.8288 m; all exact.
EXACT = [
    ("nm", 1852.0),
    ("ft", 0.3048),
    ("fathom", 1.8288),
    ("gal", 231 * 0.254**3),
    ("kn", 1852.0 / 3600.0),
    ("km", 1000.0),
    ("kmh", 1000.0 / 3600.0),
    ("h", 3600.0),
    ("min", 60.0),
    ("m", 1.0),
    ("ms", 1.0),
    ("l", 1.0),
]


@pytest.mark.parametrize(("unit", "size"), EXACT)
def test_factors_are_the_definitions(unit, size):
    assert units.from_unit(1.0, unit) == pytest.approx(size, rel=1e-15)


def test_every_factor_is_checked():
    assert {unit for unit, _ in EXACT} == set(FACTORS)


@pytest.mark.parametrize("unit", FACTORS)
@given(value=st.floats(-1e6, 1e6))
def test_there_and_back(unit, value):
    assert units.to_unit(units.from_unit(value, unit), unit) == pytest.approx(value, rel=1e-14, abs=1e-300)


# The two scales meet at -40; ice point and steam point as they were defined (NIST SP 811, B.8: t/°C =
# (t/°F - 32)/1.8).
@pytest.mark.parametrize(("celsius", "fahrenheit"), [(0, 32), (100, 212), (-40, -40), (25, 77), (37, 98.6)])
def test_fixed_points_of_temperature(celsius, fahrenheit):
    assert units.c_to_f(celsius) == pytest.approx(fahrenheit, abs=1e-12)
    assert units.f_to_c(fahrenheit) == pytest.approx(celsius, abs=1e-12)


def test_a_step_of_temperature_has_no_zero_to_shift():
    assert units.step_to_f(0.5) == pytest.approx(units.c_to_f(20.5) - units.c_to_f(20.0), abs=1e-12)


def test_arrays_are_converted_element_by_element():
    np.testing.assert_allclose(units.from_unit(np.array([1.0, 2.0]), "nm"), [1852.0, 3704.0], rtol=1e-15)


def test_metric_writing():
    show = Show()
    assert show.say_temperature(24.04) == "24.0 °C"
    assert show.say_step(0.55) in ("0.5 °C", "0.6 °C")
    assert show.say_depth(199.6) == "200 m"
    assert show.say_height(1.84) == "1.8 m"
    assert show.say_distance(1852.0 * 12.34) == "12.3 nmi"
    assert show.say_speed(1852.0 / 3600 * 8) == "8.0 kn"
    assert show.say_fuel(399.5001) == "400 L"


def test_other_writing():
    show = Show(temperature="F", depth="fathom", height="ft", distance="km", speed="kmh", fuel="gal")
    assert show.say_temperature(25.0) == "77.0 °F"
    assert show.say_step(0.5) == "0.9 °F"
    assert show.say_depth(182.88) == "100 fathoms"
    assert show.say_height(1.8288) == "6.0 ft"
    assert show.say_distance(5000.0) == "5.0 km"
    assert show.say_speed(10.0) == "36.0 km/h"
    assert show.say_fuel(378.5411784) == "100 gal"
    assert Show(depth="ft").say_depth(30.48) == "100 ft"
    assert Show(speed="ms").say_speed(3.25) == "3.2 m/s"


@pytest.mark.parametrize(
    ("utc", "clock"),
    [
        ("2026-01-16T18:00:00", "05:00"),
        ("2026-01-16T18:00:29", "05:00"),
        ("2026-01-16T18:00:30", "05:01"),
        ("2026-01-16T18:59:45", "06:00"),
        ("2026-01-16T12:59:30", "00:00"),
    ],
)
def test_clock_is_rounded_to_the_nearest_minute(utc, clock):
    assert Show(timezone="Australia/Sydney").say_clock(np.datetime64(utc, "ns")) == clock


# Clocks of New South Wales go back at 03:00 daylight time on the first Sunday of April and forward at 02:00
# standard time on the first Sunday of October (Standard Time Act 1987 (NSW); days of 2026 counted here).
@pytest.mark.parametrize(
    ("utc", "text"),
    [
        ("2026-01-16T18:40:00", "Sat 17 Jan 05:40 AEDT"),
        ("2026-04-04T15:59:00", "Sun 5 Apr 02:59 AEDT"),
        ("2026-04-04T16:00:00", "Sun 5 Apr 02:00 AEST"),
        ("2026-10-03T15:59:00", "Sun 4 Oct 01:59 AEST"),
        ("2026-10-03T16:00:00", "Sun 4 Oct 03:00 AEDT"),
    ],
)
def test_time_follows_daylight_saving(utc, text):
    assert Show(timezone="Australia/Sydney").say_time(np.datetime64(utc, "ns")) == text


def test_time_without_a_zone_is_utc():
    assert Show().say_time(np.datetime64("2026-01-16T18:40")) == "Fri 16 Jan 18:40 UTC"
