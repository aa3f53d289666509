"""The trip file: what it becomes, and that every fault of a bad one is named with its line."""

from __future__ import annotations

import json
import math
import re
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from searcher import geo
from searcher.errors import OutOfReach, SearcherError, TripError
from searcher.geo import Place
from searcher.trip import Boat, check_trip, new_trip_text, parse_trip, read_trip, write_trip
from searcher.trip.hours import sun_hours
from searcher.trip.model import OPTIONAL, SECTIONS, Port, keys_of
from searcher.trip.write import clock_of_longitude
from searcher.units import FOOT, GALLON, HOUR, KNOT, NAUTICAL_MILE, Show

TEXT = """\
[port]
name = "Wirrin Harbour"
at = [153.138, -30.305]
sea_buoy = [153.175, -30.305]
timezone = "Australia/Sydney"

[window]
leave = "2026-01-17 05:00"
home_by = 2026-01-17T16:00:00

[boat]
name = "Tern"
burn = [
    [5.0, 2.0],
    [8.0, 4.0],
    [16.0, 10.0],
    [20.0, 13.0],
    [28.0, 23.0],
]
burn_unit = "gal"
tank_gal = 120
draught_ft = 3
max_wind_kn = 18
max_wave_ft = 5

[gear]
bait = "skirted natural"
lines = 3

[target]
species = "dolphinfish"
min_depth_fathom = 20
max_depth_ft = 6000

[data]
files = ["data/*.nc", "more/sst.nc"]
max_age_h = 36

[avoid]
land_clearance_nm = 1

[show]
temperature = "F"
depth = "fathom"
fuel = "gal"

[float_plan]
people = "two"
"""


def parse(text: str = TEXT, folder: Path = Path("morning")):
    """The trip of a text, as if it stood in `folder`."""
    return parse_trip(text, folder / "trip.toml")


def changed(*swaps: tuple[str, str]) -> str:
    """`TEXT` with pieces swapped; each piece must be there."""
    text = TEXT
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def problems_of(text: str, folder: Path = Path("morning")) -> tuple[str, ...]:
    """The problems a text is refused for."""
    with pytest.raises(TripError, match=r"trip\.toml: \d+ problem") as caught:
        parse(text, folder)
    return caught.value.problems


def line_of(text: str, start: str) -> int:
    """The number of the first line that starts with `start`."""
    return next(i for i, line in enumerate(text.splitlines(), 1) if line.startswith(start))


# ---------------------------------------------------------------- a good file


def test_everything_is_in_inside_units():
    trip = parse()
    assert trip.folder == Path("morning")
    assert trip.port.at == Place(153.138, -30.305)
    assert trip.boat.tank == pytest.approx(120 * 3.785411784)
    assert trip.boat.draught == pytest.approx(0.9144)
    assert trip.boat.max_wind == pytest.approx(18 * 1852 / 3600)
    assert trip.boat.max_waves == pytest.approx(1.524)
    assert trip.boat.speeds == pytest.approx([kn * 1852 / 3600 for kn in (5, 8, 16, 20, 28)])
    assert trip.boat.burns == pytest.approx([gal * 3.785411784 / 3600 for gal in (2, 4, 10, 13, 23)])
    assert trip.target.min_depth == pytest.approx(36.576)
    assert trip.target.max_depth == pytest.approx(1828.8)
    assert trip.data.max_age == 36 * 3600
    assert trip.avoid.clearance == 1852.0
    assert trip.show == Show(temperature="F", depth="fathom", fuel="gal", timezone="Australia/Sydney")
    assert trip.float_plan.people == "two"
    assert trip.float_plan.notes == ""


def test_litres_and_gallons_say_the_same():
    litres = changed(
        ('burn_unit = "gal"', 'burn_unit = "l"'),
        ("tank_gal = 120", f"tank_l = {120 * GALLON!r}"),
        ("draught_ft = 3", f"draught_m = {3 * FOOT!r}"),
        *[(f", {gal}]", f", {gal * GALLON!r}]") for gal in (2.0, 4.0, 10.0, 13.0, 23.0)],
    )
    there, here = parse(litres).boat, parse().boat
    assert there.burns == pytest.approx(here.burns, rel=1e-12)
    assert there.usable == pytest.approx(here.usable, rel=1e-12)
    assert there.draught == pytest.approx(here.draught, rel=1e-12)


def test_defaults():
    text = TEXT.split("[gear]")[0]
    text = text.replace("sea_buoy = [153.175, -30.305]\n", "").replace("153.138", "153.175")
    trip = parse(text)
    assert trip.port.sea_buoy == trip.port.at
    assert trip.boat.reserve == pytest.approx(1 / 3)
    assert trip.boat.usable == pytest.approx(80 * GALLON)
    assert (trip.gear.bait, trip.gear.lines) == ("artificial", 2)
    assert trip.gear.troll == pytest.approx(8 * KNOT)
    assert (trip.target.species, trip.target.min_depth, trip.target.max_depth) == (
        "dolphinfish",
        0.0,
        math.inf,
    )
    assert trip.data.max_age == 48 * HOUR
    assert trip.avoid.clearance == 0.5 * NAUTICAL_MILE
    assert trip.avoid.closed.is_empty


def test_a_trip_cannot_be_changed():
    trip = parse()
    with pytest.raises(ValidationError, match="frozen"):
        trip.boat.tank = 5.0
    with pytest.raises(ValidationError, match="frozen"):
        trip.port = None


def test_longitudes_east_of_180_are_brought_to_one_turn():
    text = changed(
        ("[153.138, -30.305]", "[279.85, 25.76]"),
        ("[153.175, -30.305]", "[279.91, 25.75]"),
        ("Australia/Sydney", "America/New_York"),
    )
    trip = parse(text)
    assert trip.port.at == pytest.approx((-80.15, 25.76))
    assert trip.port.sea_buoy == pytest.approx((-80.09, 25.75))


def test_rule_of_thirds():
    """120 US gallons, a third kept, 1.5 nmi to the gallon: 60 nmi out and 60 home."""
    text = changed(
        ("    [5.0, 2.0],\n    [8.0, 4.0],\n    [16.0, 10.0],\n    [20.0, 13.0],\n    [28.0, 23.0],\n",
         "    [5.0, 4.0],\n    [15.0, 10.0],\n"),
    )  # fmt: skip
    trip = parse(text)
    assert trip.boat.cruise == pytest.approx(15 * KNOT)
    assert trip.range == pytest.approx(60 * NAUTICAL_MILE)


def test_range_is_cut_by_the_hours():
    trip = parse(changed(("16:00:00", "09:00:00")))
    assert trip.range == pytest.approx(trip.boat.cruise * 4 * 3600 / 2)


@given(towards=st.floats(0, 360, exclude_max=True))
def test_region_holds_the_range_and_a_margin(towards):
    trip = parse()
    edge = geo.destination(trip.port.sea_buoy, towards, trip.range + 29.5e3)
    assert shapely.intersects(trip.region.polygon(), shapely.Point(edge))


# ---------------------------------------------------------------- boat and gear


def test_burn_goes_through_the_table_and_never_falls():
    boat = parse().boat
    np.testing.assert_allclose(boat.burn(np.array(boat.speeds)), boat.burns, rtol=1e-12)
    speeds = np.linspace(boat.speeds[0], boat.top_speed, 500)
    assert (np.diff(boat.burn(speeds)) >= 0).all()
    assert isinstance(boat.burn(boat.cruise), float)


@st.composite
def burn_tables(draw):
    rows = draw(st.integers(2, 7))
    steps = st.lists(st.floats(0.5, 8.0), min_size=rows, max_size=rows)
    rises = st.lists(st.floats(0.0, 9.0), min_size=rows, max_size=rows)
    speeds, burns = np.cumsum(draw(steps)), 1.0 + np.cumsum(draw(rises))
    return [[float(speed), float(burn)] for speed, burn in zip(speeds, burns, strict=True)]


@settings(max_examples=40)
@given(table=burn_tables())
def test_burn_of_any_table_rises_within_its_rows(table):
    boat = Boat(name="b", table=table, burn_unit="l", tank=1e3, draught=1.0, max_wind=9.0, max_waves=2.0)
    speeds = np.linspace(table[0][0], table[-1][0], 101)
    burns = boat.burn(speeds)
    assert (np.diff(burns) >= -1e-9).all()
    assert burns.min() >= table[0][1] - 1e-9
    assert burns.max() <= table[-1][1] + 1e-9
    per_litre = [speed / burn for speed, burn in table if speed >= 12 * KNOT] or [
        speed / burn for speed, burn in table
    ]
    assert boat.cruise / boat.burn(boat.cruise) == pytest.approx(max(per_litre))


@pytest.mark.parametrize("knots", [4.9, 28.1, -3.0, math.nan])
def test_burn_outside_the_table_is_refused(knots):
    boat = parse().boat
    message = re.escape(f"given {knots:.1f} kn; expected 5 to 28 kn")
    with pytest.raises(OutOfReach, match=message):
        boat.burn(knots * KNOT)
    with pytest.raises(OutOfReach, match=message):
        boat.burn(np.array([10.0 * KNOT, knots * KNOT]))


def test_cruise_is_the_planing_speed_with_the_most_miles_to_the_litre():
    """5 kn would go 2.5 nmi to the gallon, but no one goes to the grounds at 5 kn; of 16, 20 and 28 kn,
    16 goes 1.6 and wins."""
    assert parse().boat.cruise == pytest.approx(16 * KNOT)
    assert parse(changed(("tank_gal", "cruise_kn = 20\ntank_gal"))).boat.cruise == pytest.approx(20 * KNOT)


def test_cruise_of_a_boat_that_does_not_plane():
    slow = changed(("    [16.0, 10.0],\n    [20.0, 13.0],\n    [28.0, 23.0],\n", ""))
    assert parse(slow).boat.cruise == pytest.approx(5 * KNOT)


# common practice, no source
@pytest.mark.parametrize(
    ("bait", "usual", "slowest", "fastest"),
    [("artificial", 8, 6, 10), ("skirted natural", 6, 5.5, 6.5), ("bare natural", 4.5, 4, 5)],
)
def test_trolling_speed_goes_with_the_bait(bait, usual, slowest, fastest):
    base = changed(("skirted natural", bait), ("[5.0, 2.0]", "[3.0, 2.0]"))
    assert parse(base).gear.troll == pytest.approx(usual * KNOT)
    for speed in (slowest, fastest):
        text = base.replace("lines = 3", f"lines = 3\ntroll_kn = {speed}")
        assert parse(text).gear.troll == pytest.approx(speed * KNOT)
    for speed in (slowest - 0.1, fastest + 0.1):
        text = base.replace("lines = 3", f"lines = 3\ntroll_kn = {speed}")
        (problem,) = problems_of(text)
        assert f"troll_kn: given {speed:g}, expected {slowest:g} to {fastest:g} kn with {bait}" in problem


# common practice, no source
@pytest.mark.parametrize(
    ("lines", "feet"),
    [(1, [(150, 150)]), (2, [(200, 250), (150, 150)]), (3, [(200, 250), (150, 150), (50, 75)])],
)
def test_lines_are_set_longest_first(lines, feet):
    gear = parse(changed(("lines = 3", f"lines = {lines}"))).gear
    np.testing.assert_allclose([(low / 0.3048, high / 0.3048) for _, low, high in gear.spread], feet)
    assert len({name for name, _, _ in gear.spread}) == lines


# ---------------------------------------------------------------- hours and the sun


def test_local_times_become_utc():
    window = parse().window
    assert window.start == np.datetime64("2026-01-16T18:00", "ns")
    assert window.end == np.datetime64("2026-01-17T05:00", "ns")
    assert window.start.dtype == np.dtype("datetime64[ns]")
    assert window.hours == 11 * 3600


@pytest.mark.parametrize(
    "leave", ['"2026-01-17T05:00"', "2026-01-17 05:00:00", '"2026-01-16 18:00+00:00"', "2026-01-16T18:00:00Z"]
)
def test_ways_to_write_a_time(leave):
    window = parse(changed(('"2026-01-17 05:00"', leave))).window
    assert window.start == np.datetime64("2026-01-16T18:00", "ns")


def test_hours_count_across_the_change_of_clocks():
    """The night of 4-5 April 2026 has an hour more in New South Wales."""
    text = changed(("2026-01-17 05:00", "2026-04-04 22:00"), ("2026-01-17T16:00", "2026-04-05T08:00"))
    assert parse(text).window.hours == 11 * 3600


def test_a_time_that_the_clocks_skip_is_refused():
    text = changed(("2026-01-17 05:00", "2026-10-04 02:30"), ("2026-01-17T16:00", "2026-10-04T16:00"))
    (problem,) = problems_of(text)
    assert "line 8, [window] leave: given 2026-10-04 02:30:00, an hour the clocks" in problem


def port_at(lon: float, lat: float, timezone: str) -> Port:
    return Port(name="p", at=[lon, lat], timezone=timezone)


# Times of the NOAA solar calculator (gml.noaa.gov/grad/solcalc), to the minute; from memory, and for Boulder
# and Sydney in agreement with printed almanacs.
@pytest.mark.parametrize(
    ("place", "day", "rise", "down"),
    [
        (port_at(-105.28, 40.01, "America/Denver"), "2024-06-20", "05:32", "20:32"),
        (port_at(151.21, -33.87, "Australia/Sydney"), "2024-12-21", "05:41", "20:06"),
        (port_at(-0.13, 51.51, "Europe/London"), "2024-12-21", "08:04", "15:53"),
        (port_at(-80.19, 25.76, "America/New_York"), "2024-03-20", "07:25", "19:32"),
    ],
)
def test_sunrise_and_sunset(place, day, rise, down):
    day = datetime.fromisoformat(day).date()
    for moment, clock in zip(sun_hours(place, day), (rise, down), strict=True):
        local = moment.astimezone(ZoneInfo(place.timezone))
        hours, minutes = clock.split(":")
        assert local.date() == day
        assert abs(local.hour * 60 + local.minute - int(hours) * 60 - int(minutes)) <= 3


@given(lon=st.floats(-179, 179), lat=st.floats(-60, 60), day=st.integers(0, 364))
def test_the_day_has_the_length_of_the_hour_angle(lon, lat, day):
    """cos H = (sin -0.833° - sin φ sin δ)/(cos φ cos δ), with δ to half a degree from Cooper 1969, Solar
    Energy 12:333-346: δ = 23.45° sin(360° (284 + n)/365)."""
    noon = np.datetime64("2026-01-01") + day
    hours = sun_hours(port_at(lon, lat, "UTC"), noon.astype(datetime))
    tilt = math.radians(23.45 * math.sin(math.radians(360 * (284 + day + 1) / 365)))
    high = math.radians(lat)
    cosine = math.sin(math.radians(-0.833)) - math.sin(high) * math.sin(tilt)
    cosine /= math.cos(high) * math.cos(tilt)
    expected = 2 * math.degrees(math.acos(cosine)) / 15
    length = (hours[1] - hours[0]).total_seconds() / 3600
    # δ wrong by 1.2° (as Cooper's is at worst) changes the day by 2·1.2/15·tan φ/sin H hours
    assert length == pytest.approx(
        expected, abs=0.05 + 0.16 * abs(math.tan(high)) / math.sin(math.acos(cosine))
    )


def test_the_sun_of_the_trip():
    window = parse().window
    assert window.sunrise < window.sunset
    assert window.start < window.sunrise < window.start + np.timedelta64(90, "m")
    assert window.daylight == float((window.end - window.sunrise) / np.timedelta64(1, "s"))


def test_leaving_after_sunset_means_the_next_day():
    text = changed(("2026-01-17 05:00", "2026-01-16 22:00"))
    assert parse(text).window.sunrise == parse().window.sunrise


@pytest.mark.parametrize(("local", "utc"), [("17 05:00", "16 18:00"), ("17 11:00", "17 00:00")])
def test_the_sun_does_not_depend_on_the_clock_in_use(local, utc):
    here = parse(changed(("2026-01-17 05:00", f"2026-01-{local}"))).window
    text = changed(("2026-01-17 05:00", f"2026-01-{utc}"), ("2026-01-17T16:00", "2026-01-17T05:00"))
    there = parse(text.replace("Australia/Sydney", "UTC")).window
    assert (there.start, there.end) == (here.start, here.end)
    assert abs(there.sunrise - here.sunrise) < np.timedelta64(90, "s")
    assert abs(there.sunset - here.sunset) < np.timedelta64(90, "s")


def test_a_night_at_sea_has_the_light_of_the_day_that_has_most():
    """Leaving two hours before sunset and home after the next day: that day's light, not the two hours."""
    evening = changed(("2026-01-17 05:00", "2026-01-16 18:00"))
    window = parse(evening).window
    assert window.sunrise == parse().window.sunrise
    assert window.daylight == float((window.end - window.sunrise) / np.timedelta64(1, "s"))
    (finding,) = (text for text in check_trip(parse(evening)) if "daylight" in text)
    assert "only Sat 17 Jan 06:02 AEDT to Sat 17 Jan 16:00 AEDT is used" in finding
    assert not any("daylight" in text for text in check_trip(parse()))


def test_a_sun_that_does_not_set_does_not_set_earlier_either():
    """Where it does not set, sunrise and sunset are the ends of the window: those of a shorter one too."""
    trip = parse()
    early = trip.window.end - np.timedelta64(2, "h")
    assert trip.until(early).window.sunset == trip.window.sunset
    polar = {"sunrise": trip.window.start, "sunset": trip.window.end}
    light = trip.model_copy(update={"window": trip.window.model_copy(update=polar)})
    assert light.until(early).window.sunset == early
    assert light.until(early).window.daylight == light.until(early).window.hours


@pytest.mark.parametrize(
    ("zone", "said"),
    [
        ("Australia/Sydney", ""),
        ("UTC", ""),
        ("America/Mazatlan", "the sign of its longitude right"),
        ("Etc/GMT-10", "may know no summer time"),
        ("EST5EDT", "the sign of its longitude right"),
    ],
)
def test_a_time_zone_far_from_the_port_is_told(zone, said):
    """153° E has the sun at 10.2 h ahead of UTC; Mazatlan's clocks are 7 h behind it."""
    found = [text for text in check_trip(parse(changed(("Australia/Sydney", zone)))) if "timezone" in text]
    assert bool(found) == bool(said)
    assert all(said in text for text in found)


def polar(day: str):
    text = changed(
        ("[153.138, -30.305]", "[14.0, 69.3]"),
        ("sea_buoy = [153.175, -30.305]\n", ""),
        ("Australia/Sydney", "Europe/Oslo"),
        ("2026-01-17 05:00", f"{day} 05:00"),
        ("2026-01-17T16:00", f"{day}T16:00"),
    )
    return parse(text)


def test_where_the_sun_does_not_set_it_is_light_all_the_time():
    window = polar("2026-06-21").window
    assert (window.sunrise, window.sunset) == (window.start, window.end)
    assert window.daylight == window.hours


def test_where_the_sun_does_not_rise_there_is_no_daylight():
    trip = polar("2026-12-21")
    assert (trip.window.sunrise, trip.window.sunset) == (trip.window.start, trip.window.start)
    assert trip.window.daylight == 0
    assert any("no daylight" in finding for finding in check_trip(trip))


# ---------------------------------------------------------------- faults


@pytest.mark.parametrize(
    ("old", "new", "place", "text"),
    [
        ('"Wirrin Harbour"', '""', "[port] name", 'given "", expected a name in quotes'),
        ('"Wirrin Harbour"', "3", "[port] name", "given 3, expected a name in quotes"),
        ("[153.138, -30.305]", "[-30.305, 153.138]", "[port] at", "longitude comes first"),
        ("[153.138, -30.305]", "[153.138, -86]", "[port] at", "latitude -85 to 85"),
        ("[153.138, -30.305]", '"153 E"', "[port] at", 'given "153 E", expected [longitude, latitude]'),
        ("[153.138, -30.305]", "[153.138, nan]", "[port] at", "expected [longitude, latitude]"),
        ("Australia/Sydney", "Sydney", "[port] timezone", 'given "Sydney", expected a time zone such as'),
        ('"2026-01-17 05:00"', '"five"', "[window] leave", 'given "five", expected a date and time'),
        ('"2026-01-17 05:00"', "2026-01-17", "[window] leave", "expected a date and time"),
        ('"2026-01-17 05:00"', '"0001-01-01 05:00"', "[window] leave", "expected a year from 1980 to 2100"),
        ("2026-01-17T16:00:00", "16:00:00", "[window] home_by", "expected a date and time"),
        ("2026-01-17T16:00:00", "2026-01-17T04:00:00", "[window] home_by", "expected a time after leave"),
        ("2026-01-17T16:00:00", "2026-01-19T16:00:00", "[window] home_by", "given 59.0 h after leave"),
        ("[8.0, 4.0]", "[4.0, 4.0]", "[boat] burn", "expected speeds that rise from row to row"),
        ("[8.0, 4.0]", "[8.0, 1.0]", "[boat] burn", "expected burns that do not fall"),
        ("[8.0, 4.0]", "[8.0]", "[boat] burn", "both numbers; row 2 is none"),
        ("[5.0, 2.0]", "[5.0, 0.0]", "[boat] burn", "burns over 0"),
        ("[28.0, 23.0]", "[280.0, 23.0]", "[boat] burn", "up to 100 kn"),
        ('burn_unit = "gal"', 'burn_unit = "pint"', "[boat] burn_unit", "expected 'l' or 'gal'"),
        ("tank_gal = 120", 'tank_gal = "120"', "[boat] tank_gal", 'given "120", expected a volume over 0'),
        ("tank_gal = 120", "tank_gal = true", "[boat] tank_gal", "given true, expected a volume over 0"),
        ("tank_gal = 120", "tank_gal = -1", "[boat] tank_gal", "given -1, expected a volume over 0"),
        ("tank_gal = 120", "tank_gal = inf", "[boat] tank_gal", "expected a volume over 0"),
        ("tank_gal = 120", "tank = 120", "[boat] tank", "did you mean tank_l or tank_gal?"),
        ("draught_ft", "draft_ft", "[boat] draft_ft", "did you mean draught_m or draught_ft?"),
        ("draught_ft = 3", "draught_ft = 3\ndraught_m = 1", "[boat] draught_m", "given beside draught_ft"),
        ("draught_ft = 3", "draught_ft = 3\nreserve = 1.5", "[boat] reserve", "given 1.5, expected a share"),
        ("draught_ft = 3", "draught_ft = 3\ncruise_kn = 40", "[boat] cruise_kn", "table, 5 to 28 kn"),
        ("max_wind_kn = 18", "max_wind_kn = 0", "[boat] max_wind_kn", "expected a speed over 0"),
        ("max_wave_ft = 5", "max_wave_ft = 500", "[boat] max_wave_ft", "given 500, expected a height"),
        ("skirted natural", "spoon", "[gear] bait", "'skirted natural' or 'bare natural'"),
        ("lines = 3", "lines = 4", "[gear] lines", "given 4, expected 1, 2 or 3"),
        ("lines = 3", "lines = 2.0", "[gear] lines", "given 2.0, expected 1, 2 or 3"),
        ("[5.0, 2.0]", "[7.0, 2.0]", "[gear]", "given 6, expected a speed inside the burn table"),
        ("max_depth_ft = 6000", "max_depth_ft = 60", "[target]", "expected more than the least depth"),
        ('["data/*.nc", "more/sst.nc"]', '"data/*.nc"', "[data] files", "expected a list of names"),
        ('["data/*.nc", "more/sst.nc"]', "[1, 2]", "[data] files", "given [1, 2], expected a list of names"),
        ("max_age_h = 36", "max_age_h = 0", "[data] max_age_h", "given 0, expected a time over 0"),
        ("land_clearance_nm = 1", "land_clearance_nm = 21", "[avoid] land_clearance_nm", "0 to 20 nmi"),
        ('temperature = "F"', 'temperature = "K"', "[show] temperature", "given \"K\", expected 'C' or 'F'"),
        ('people = "two"', "people = 2", "[float_plan] people", "given 2, expected text in quotes"),
        ("[target]", "[targets]", "[targets]", "unknown section, did you mean target?"),
    ],
)
def test_a_fault_is_named_with_its_line(old, new, place, text):
    bad = changed((old, new))
    (problem,) = problems_of(bad)
    assert text in problem
    number, named = re.match(r"trip\.toml line (\d+), (\[\w+\](?: \w+)?)", problem).groups()
    assert named.startswith(place)
    key = place.split()[-1]
    starts = place if key == place else f"{key} ="
    assert int(number) == line_of(bad, starts)


@pytest.mark.parametrize(
    ("piece", "named"),
    [
        ('name = "Wirrin Harbour"\n', "[port] name: the key is missing"),
        ("at = [153.138, -30.305]\n", "[port] at: the key is missing"),
        ('timezone = "Australia/Sydney"\n', "[port] timezone: the key is missing"),
        ('leave = "2026-01-17 05:00"\n', "[window] leave: the key is missing"),
        ("tank_gal = 120\n", "[boat] tank_l or tank_gal: the key is missing"),
        ("draught_ft = 3\n", "[boat] draught_m or draught_ft: the key is missing"),
        ('burn_unit = "gal"\n', "[boat] burn_unit: the key is missing"),
        ("max_wave_ft = 5\n", "[boat] max_wave_m or max_wave_ft: the key is missing"),
    ],
)
def test_a_missing_key_is_named(piece, named):
    (problem,) = problems_of(changed((piece, "")))
    assert named in problem


def test_missing_sections_are_named_with_what_they_hold():
    problems = problems_of("[gear]\nlines = 2\n")
    assert len(problems) == 3
    for name, key in (("port", "sea_buoy"), ("window", "home_by"), ("boat", "tank_gal")):
        assert any(f"[{name}]: the section is missing" in text and key in text for text in problems)


def test_all_faults_come_at_once_in_the_order_of_the_file():
    bad = changed(
        ("Australia/Sydney", "Mars"),
        ("[8.0, 4.0]", "[8.0, 99.0]"),
        ("tank_gal = 120", "tank_gal = 0\nreserve = 2"),
        ("lines = 3", "lines = 9"),
        ("max_depth_ft = 6000", "max_depth_ft = -1"),
        ('fuel = "gal"', 'fuel = "pint"\nfule = "l"'),
        ("[float_plan]", "[floatplan]"),
    )
    problems = problems_of(bad)
    named = [re.search(r"\[\w+\](?: \w+)?", text)[0] for text in problems]
    assert named == [
        "[port] timezone",
        "[boat] burn",
        "[boat] tank_gal",
        "[boat] reserve",
        "[gear] lines",
        "[target] max_depth_ft",
        "[show] fuel",
        "[show] fule",
        "[floatplan]",
    ]
    numbers = [int(re.search(r"line (\d+)", text)[1]) for text in problems]
    assert numbers == sorted(numbers)


@pytest.mark.parametrize(("reserve", "said"), [(0.0, "only 0% of the tank"), (0.15, "only 15%"), (0.333, "")])
def test_next_to_no_reserve_is_said(reserve, said):
    trip = parse()
    trip = trip.model_copy(update={"boat": trip.boat.model_copy(update={"reserve": reserve})})
    found = [text for text in check_trip(trip) if "reserve" in text]
    assert found == [] if not said else said in found[0]


@pytest.mark.parametrize("text", ["[port\nname = 1", "[port]\nname = Wirrin", "[port]\n[port]\n"])
def test_text_that_is_not_toml_is_one_clear_line(text):
    with pytest.raises(TripError, match=r"trip\.toml is not valid TOML: .*line \d+") as caught:
        parse(text)
    assert "\n" not in str(caught.value)


def test_a_path_of_windows_is_told_how_to_be_written():
    wrong = TEXT.replace('"data/*.nc"', r'"data\*.nc"')
    assert wrong != TEXT
    with pytest.raises(TripError, match=r"In double quotes \\ begins a code: write / \(data") as caught:
        parse(wrong)
    assert "comma" not in str(caught.value)
    assert parse(wrong.replace(r'"data\*.nc"', r"'data\*.nc'")).data.files[0] == r"data\*.nc"


def test_a_trip_keeps_the_text_it_was_read_from(tmp_path):
    path = write_trip(tmp_path)
    trip = read_trip(tmp_path)
    assert trip.text == path.read_text(encoding="utf-8")
    assert trip.text not in repr(trip)


anything = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(),
        st.just(10**400),
        st.floats(),
        st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
        st.datetimes(),
        st.dates(),
    ),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=6,
)
KEYS = [(name, key) for name in SECTIONS for key in keys_of(name)]


def as_toml(value) -> str:
    """A value as TOML writes it."""
    if isinstance(value, list):
        return f"[{', '.join(as_toml(item) for item in value)}]"
    if isinstance(value, str):
        return json.dumps(value).replace("\x7f", "\\u007f") if value.isascii() else '"\u00f1"'
    return str(value).lower() if isinstance(value, bool | float) else str(value)


@settings(max_examples=150)
@given(place=st.sampled_from(KEYS), value=anything)
def test_any_value_of_any_key_is_taken_or_refused_with_its_line(place, value):
    name, key = place
    raw = re.sub(rf"(?ms)^{key} = .*?(?=^\w|^\[|^$|\Z)", "", TEXT)
    text = raw.replace(f"[{name}]\n", f"[{name}]\n{key} = {as_toml(value)}\n")
    problems = ()
    try:
        parse(text)
    except TripError as error:
        problems = error.problems or (str(error),)
    assert all(re.match(r"trip\.toml line \d+, \[\w+\]", problem) for problem in problems), problems


@pytest.mark.parametrize("text", ["port = 3\n", "[[port]]\nname = 'x'\n"])
def test_a_section_must_be_a_section(text):
    assert any("expected one section headed [port]" in problem for problem in problems_of(text))


def test_text_in_three_quotes_does_not_lead_the_line_count_astray():
    bad = changed(('people = "two"', 'notes = """\nsee\npeople = none\n[boat]\n"""\npeople = 2'))
    (problem,) = problems_of(bad)
    assert f"line {line_of(bad, 'people = 2')}, [float_plan] people" in problem


# ---------------------------------------------------------------- places


def test_a_port_far_inland_is_refused():
    """With its distance from the sea, here again as the least geodesic to a vertex of the shore."""
    port = Place(152.90, -30.34)
    (problem,) = problems_of(changed(("[153.138, -30.305]", str(list(port)))))
    assert "[port] at" in problem
    around = geo.region_around(port, 60e3)
    shore = shapely.get_coordinates(geo.land(around, detail="full"))
    west, south, east, north = around.grown(-1e3)  # leaves out the edge of the box
    lon, lat = shore[(shore > (west, south)).all(axis=1) & (shore < (east, north)).all(axis=1)].T
    nearest = geo.GEOD.inv(np.full(lon.size, port.lon), np.full(lon.size, port.lat), lon, lat)[2].min()
    said = float(re.search(r"on land ([\d.]+) km from the sea", problem)[1])
    assert said == pytest.approx(nearest / 1e3, abs=0.1)


def test_a_port_beyond_all_water_is_refused():
    problems = problems_of(changed(("[153.138, -30.305]", "[152.0, -30.305]")))
    assert any("more than 30 km from the sea" in text for text in problems)
    assert any("[port] sea_buoy: given 113 km from the port" in text for text in problems)


def test_a_berth_just_inside_the_drawn_shore_is_a_harbour():
    assert parse(changed(("[153.138, -30.305]", "[153.135, -30.305]"))).port.at.lon == 153.135


def test_a_sea_buoy_ashore_is_refused():
    (problem,) = problems_of(changed(("[153.175, -30.305]", "[153.130, -30.305]")))
    assert "[port] sea_buoy" in problem
    assert "expected open water" in problem


def test_a_boat_that_cannot_come_home_is_refused():
    far = changed(("[153.175, -30.305]", "[153.45, -30.305]"), ("tank_gal = 120", "tank_gal = 25"))
    (problem,) = problems_of(far)
    needed = 2 * geo.distance(Place(153.138, -30.305), Place(153.45, -30.305)) / (1.6 * 1852) * GALLON
    assert "the boat cannot come home" in problem
    assert f"takes {needed:.4g} L" in problem
    assert parse(far.replace("tank_gal = 25", "tank_gal = 40")).boat.tank > 0


# ---------------------------------------------------------------- closed areas

SQUARE = [[153.4, -30.3], [153.6, -30.3], [153.6, -30.1], [153.4, -30.1], [153.4, -30.3]]
BOW_TIE = [[153.4, -30.3], [153.6, -30.1], [153.6, -30.3], [153.4, -30.1], [153.4, -30.3]]


def feature(kind: str, coordinates) -> dict:
    return {"type": "Feature", "properties": {}, "geometry": {"type": kind, "coordinates": coordinates}}


def with_areas(folder: Path, content) -> str:
    """`TEXT` with closed areas of `content`, written to a file in `folder`."""
    text = content if isinstance(content, str) else json.dumps(content)
    (folder / "closed.geojson").write_text(text, encoding="utf-8")
    return changed(("[avoid]", '[avoid]\nfiles = ["closed.geojson"]'))


def collection(*features) -> dict:
    return {"type": "FeatureCollection", "features": list(features)}


def moved(ring, by: float) -> list:
    return [[lon + by, lat] for lon, lat in ring]


@pytest.mark.parametrize(
    "content",
    [
        collection(feature("Polygon", [SQUARE])),
        feature("Polygon", [SQUARE]),
        {"type": "Polygon", "coordinates": [SQUARE]},
        collection(feature("MultiPolygon", [[SQUARE]])),
        collection(feature("Polygon", [SQUARE]), feature("Polygon", [SQUARE])),
        collection(feature("Polygon", [[[*xy, 0.0] for xy in SQUARE]])),
        collection(feature("Polygon", [[[lon - 0.0, lat] for lon, lat in reversed(SQUARE)]])),
    ],
)
def test_closed_areas_are_joined(tmp_path, content):
    closed = parse(with_areas(tmp_path, content), tmp_path).avoid.closed
    assert shapely.equals(closed, shapely.Polygon(SQUARE))


def test_closed_areas_follow_the_port_over_the_antimeridian(tmp_path):
    """An area cut at 180°, as RFC 7946 asks, near a port at 179° E."""
    west = [[179.0, -17.2], [180.0, -17.2], [180.0, -17.0], [179.0, -17.0], [179.0, -17.2]]
    east = [[-180.0, -17.2], [-179.5, -17.2], [-179.5, -17.0], [-180.0, -17.0], [-180.0, -17.2]]
    text = with_areas(tmp_path, collection(feature("MultiPolygon", [[west], [east]])))
    text = text.replace("[153.138, -30.305]", "[179.6, -17.6]").replace(
        "[153.175, -30.305]", "[179.6, -17.6]"
    )
    closed = parse(text, tmp_path).avoid.closed
    assert closed.bounds == pytest.approx((179.0, -17.2, 180.5, -17.0))
    assert closed.geom_type == "Polygon"


def test_a_closed_area_drawn_across_the_antimeridian_is_not_the_rest_of_the_world(tmp_path):
    """Longitudes jump from 180° to -180° within a ring and its hole: 0.43° x 0.13° less 0.02° x 0.02°."""
    ring = [[179.97, -17.93], [-179.60, -17.93], [-179.60, -17.80], [179.97, -17.80], [179.97, -17.93]]
    hole = [[-179.9, -17.9], [-179.9, -17.88], [-179.88, -17.88], [-179.88, -17.9], [-179.9, -17.9]]
    text = with_areas(tmp_path, feature("Polygon", [ring, hole]))
    for port, sign in (("[179.6, -17.6]", 1), ("[-179.2, -17.6]", -1)):
        near = text.replace("[153.138, -30.305]", port).replace("[153.175, -30.305]", port)
        closed = parse(near, tmp_path).avoid.closed
        first = 179.97 if sign > 0 else -180.03
        assert closed.bounds == pytest.approx((first, -17.93, first + 0.43, -17.80))
        assert closed.area == pytest.approx(0.43 * 0.13 - 0.02 * 0.02)


def test_a_port_and_its_sea_buoy_may_lie_on_either_side_of_the_antimeridian():
    text = changed(("[153.138, -30.305]", "[179.97, -16.125]"), ("[153.175, -30.305]", "[-179.99, -16.10]"))
    port = parse(text).port
    assert (port.at.lon, port.sea_buoy.lon) == pytest.approx((-180.03, -179.99))


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (
            collection(feature("Polygon", [SQUARE]), feature("LineString", SQUARE)),
            "feature 2 is a LineString, expected a Polygon or MultiPolygon",
        ),
        (collection(feature("Polygon", [BOW_TIE])), "feature 1 is not a simple polygon: Self-intersection"),
        (collection(feature("Polygon", [moved(SQUARE, 500e3)])), "expected degrees, longitude first"),
        (collection(feature("Polygon", [[[b, a] for a, b in SQUARE]])), "expected degrees, longitude first"),
        (collection(feature("Polygon", [SQUARE[:2]])), "feature 1 has no readable coordinates"),
        (collection(feature("Polygon", "round")), "feature 1 has no readable coordinates"),
        (collection(feature("Polygon", [])), "feature 1 has no readable coordinates"),
        (collection({"type": "Feature", "geometry": None}), "feature 1 has no geometry"),
        ([1, 2], "feature 1 has no geometry"),
        (
            {"type": "FeatureCollection", "features": []},
            "closed.geojson holds no feature, expected a Polygon",
        ),
        ("{", "closed area file closed.geojson is not valid GeoJSON"),
    ],
)
def test_areas_that_are_no_areas_are_refused(tmp_path, content, text):
    bad = with_areas(tmp_path, content)
    (problem,) = problems_of(bad, tmp_path)
    assert text in problem
    assert f"line {line_of(bad, '[avoid]') + 1}, [avoid] files" in problem


def test_a_closed_area_file_that_is_not_there_is_refused(tmp_path):
    (problem,) = problems_of(changed(("[avoid]", '[avoid]\nfiles = ["lanes.geojson"]')), tmp_path)
    assert f'given "lanes.geojson", no such file in {tmp_path}' in problem


@pytest.mark.parametrize("section", ["data", "avoid"])
def test_a_path_whose_backslash_began_a_code_is_refused(tmp_path, section):
    """TOML 1.0: \\n in a basic string is a newline, \\t a tab."""
    file = r"data\north.nc" if section == "data" else r"areas\traffic.geojson"
    before = '"data/*.nc"' if section == "data" else "[avoid]"
    after = f'"{file}"' if section == "data" else f'[avoid]\nfiles = ["{file}"]'
    (problem,) = problems_of(changed((before, after)), tmp_path)
    assert f"[{section}] files: " in problem
    assert f'"{file}"' in problem
    assert r". In double quotes \ begins a code: write / (data/*.nc), or put it in single quotes" in problem


def test_a_sea_buoy_in_a_closed_area_is_refused(tmp_path):
    ring = [[lon - 0.3, lat] for lon, lat in SQUARE]
    (problem,) = problems_of(
        with_areas(tmp_path, feature("Polygon", [[[lon, lat - 0.05] for lon, lat in ring]])), tmp_path
    )
    assert "[port] sea_buoy: given [153.175, -30.305], inside a closed area" in problem


# ---------------------------------------------------------------- files


def test_sources_are_looked_up_in_the_trip_folder(tmp_path):
    trip = parse(TEXT, tmp_path)
    assert trip.sources.files == ()
    for name in ("data/b.nc", "data/a.nc", "more/sst.nc", "data/a.txt"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    assert trip.sources.files == tuple(tmp_path / name for name in ("data/a.nc", "data/b.nc", "more/sst.nc"))
    assert trip.sources.max_age == 36 * HOUR
    far = tmp_path / "data/a.nc"
    assert parse(TEXT.replace("data/*.nc", far.as_posix())).sources.files[0] == far


def test_check_lists_what_is_not_there(tmp_path):
    before, after = datetime(2026, 1, 16, 12, tzinfo=UTC), datetime(2026, 1, 17, tzinfo=UTC)
    trip = parse(TEXT, tmp_path)
    assert check_trip(trip, now=before) == [
        f'[data] files: nothing matches "data/*.nc" in {tmp_path}',
        f'[data] files: nothing matches "more/sst.nc" in {tmp_path}',
    ]
    assert "[window] leave: Sat 17 Jan 05:00 AEDT is in the past" in check_trip(trip, now=after)
    (tmp_path / "sst.nc").touch()
    text = TEXT.replace('["data/*.nc", "more/sst.nc"]', '["sst.nc"]')
    assert check_trip(parse(text, tmp_path), now=before) == []
    text = TEXT.replace('files = ["data/*.nc", "more/sst.nc"]', "")
    (finding,) = check_trip(parse(text, tmp_path), now=before)
    assert "nothing to search in" in finding


@pytest.mark.parametrize("where", ["morning", "morning/trip.toml"])
def test_a_new_trip_reads_back(tmp_path, where):
    path = write_trip(
        tmp_path / where,
        port_name='The "Old" $port, Ñandú',
        leave="2026-01-17 05:00",
        home_by=datetime(2026, 1, 17, 16),
        products=("somewhere/sst",),
    )
    assert path == tmp_path / "morning" / "trip.toml"
    assert [file.name for file in path.parent.iterdir()] == ["trip.toml"]
    trip = read_trip(path.parent)
    assert trip == read_trip(path)
    assert trip.port.name == 'The "Old" $port, Ñandú'
    assert (trip.window.start, trip.window.end) == (parse().window.start, parse().window.end)
    assert trip.data.products == ("somewhere/sst",)
    assert len(check_trip(trip, now=datetime(2026, 1, 16, tzinfo=UTC))) == 1  # the data are still to come


def test_a_new_trip_is_tomorrow(tmp_path):
    trip = read_trip(write_trip(tmp_path))
    ahead = trip.window.start - np.datetime64(datetime.now(UTC).replace(tzinfo=None), "ns")
    assert np.timedelta64(0, "h") < ahead < np.timedelta64(30, "h")
    assert trip.window.hours in (10 * HOUR, 11 * HOUR, 12 * HOUR)  # clocks may change tonight


def test_the_new_file_explains_every_key():
    text = new_trip_text()
    for name in SECTIONS:
        assert f"\n{'# ' if name in OPTIONAL else ''}[{name}]" in text
        for key in keys_of(name):
            assert re.search(rf"\b{key}\b", text), f"[{name}] {key}"


@pytest.mark.parametrize(
    ("lon", "zone"),
    [
        (0.0, "Etc/GMT+0"),
        (-80.9, "Etc/GMT+5"),
        (-158.0, "Etc/GMT+11"),
        (153.1, "Etc/GMT-10"),
        (202.0, "Etc/GMT+11"),
    ],
)
def test_the_clock_of_a_longitude_is_that_of_its_zone_at_sea(lon, zone):
    """Zones of 15° about the hour circles (International Hydrographic Organization's time zones at sea)."""
    assert clock_of_longitude(lon) == zone
    ahead = datetime(2026, 1, 1, tzinfo=ZoneInfo(zone)).utcoffset().total_seconds() / 3600
    apart = (ahead - lon / 15.0 + 12.0) % 24.0 - 12.0
    assert abs(apart) <= 0.5


@pytest.mark.parametrize(
    ("lon", "zone", "told"),
    [
        (-158.0, "Australia/Sydney", "is 22 h off the sun at the port"),
        (-81.0, "Europe/London", "is 5 h off"),
        (-157.4, "Pacific/Kiritimati", None),
        (-176.5, "Pacific/Chatham", None),
        (-175.2, "Pacific/Tongatapu", None),
        (153.1, "Etc/GMT-10", "Etc/GMT-10 may know no summer time"),
        (153.1, "Australia/Sydney", None),
    ],
)
def test_a_clock_of_elsewhere_is_told(tmp_path, lon, zone, told):
    """Zones of the tz database; beside the date line a clock may show the other date."""
    text = new_trip_text(at=(lon, -31.0), timezone=zone, leave="2030-01-05 05:00")
    found = [
        note
        for note in check_trip(parse_trip(text, tmp_path / "trip.toml", afloat=True))
        if "timezone" in note
    ]
    assert len(found) == (told is not None)
    assert told is None or told in found[0]


def test_a_trip_that_is_there_is_not_overwritten(tmp_path):
    path = write_trip(tmp_path)
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(TripError, match="is already there"):
        write_trip(tmp_path)
    assert path.read_text(encoding="utf-8") == "mine"
    write_trip(tmp_path, overwrite=True)
    assert read_trip(tmp_path).port.name == "Wirrin Harbour"


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"at": (-30.3, 153.1)}, "longitude comes first"),
        ({"timezone": "Mars"}, "expected a time zone"),
        (
            {"leave": "soon"},
            r"is not written: 1 problem\n  - \[window\] leave: given .soon., expected a date",
        ),
        ({"leave": "2026-01-17 05:00", "home_by": "2026-01-17 04:00"}, "expected a time after leave"),
        ({"at": (152.9, -30.34)}, "on land"),
    ],
)
def test_a_new_trip_with_a_fault_leaves_nothing(tmp_path, fields, text):
    with pytest.raises(TripError, match=text):
        write_trip(tmp_path / "new", **fields)
    assert list(tmp_path.iterdir()) == []


def test_a_trip_that_cannot_be_written_leaves_nothing(tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(SearcherError, match=r"the folder .*file cannot be made"):
        write_trip(tmp_path / "file" / "trip.toml")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_a_trip_that_is_not_there(tmp_path):
    with pytest.raises(TripError, match=r"no trip file at .*trip\.toml\. Write one with 'searcher new'"):
        read_trip(tmp_path)


def test_a_file_that_is_not_text(tmp_path):
    (tmp_path / "trip.toml").write_bytes(b'[port]\nname = "Caf\xe9"\n')
    with pytest.raises(TripError, match=r"is not text in UTF-8\. See line 2, and save the file as UTF-8"):
        read_trip(tmp_path)


def test_the_other_port_of_the_new_file_is_a_port(tmp_path):
    """With the # taken away the example stands: a berth on the coast, a sea buoy at sea."""
    text = new_trip_text()
    begin = text.index("# [finish]")
    end = text.index("\n\n", begin)
    block = re.sub(r"(?m)^# ", "", text[begin:end])
    trip = parse_trip(text[:begin] + block + text[end:], tmp_path / "trip.toml")
    assert trip.last_port.name == "Another port"
    assert trip.buoys == (trip.port.sea_buoy, trip.finish.sea_buoy)
    assert not trip.learn.from_log
