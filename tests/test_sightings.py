"""The log: words and places understood, nothing acknowledged ever lost, a plotter's file read once."""

from __future__ import annotations

import csv
import itertools
import json
import math
import os
import re
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import gpxpy.gpx
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod

from searcher.errors import SearcherError, TableError
from searcher.geo import Place, Region
from searcher.sightings import (
    Sighting,
    add_sighting,
    add_sightings,
    count_encounters,
    parse_place,
    parse_words,
    read_gpx,
    read_sightings,
    say_place,
    stray_encounters,
    take_back,
    write_csv,
)
from searcher.sightings.places import plan_digest
from searcher.sightings.words import parse_clock, parse_depth, place_clock
from searcher.tables import SIGHTING_KINDS, SIGHTINGS, WEED_LINE, check_table
from searcher.units import FATHOM, FOOT, KNOT, Show

REGION = Region(152.0, -32.0, 156.0, -29.0)
HERE = Place(153.0 + 31.0 / 60, -(30.0 + 25.2 / 60))
EIGHT = np.datetime64("2026-01-16T21:10", "ns")
MINUTE, HOUR = np.timedelta64(60, "s"), np.timedelta64(3600, "s")
GEOD = Geod(ellps="WGS84")
TROLLING = (4.0 * KNOT, 8.0 * KNOT)


def stretch(kind: str = "nothing", start=EIGHT, minutes: int = 45, **more) -> Sighting:
    """A stretch of about 3 nautical miles north."""
    line = shapely.LineString([HERE, (HERE.lon, HERE.lat + 0.05)])
    return Sighting(kind, line, start, start + minutes * MINUTE, **more)


# --- places


@pytest.mark.parametrize(
    "text",
    [
        "30°25.2'S 153°31.0'E",
        "30° 25.2′ S  153° 31.0′ E",
        "30 25.2 S, 153 31.0 E",
        "s30 25.2 e153 31",
        "30-25.2S 153-31.0E",
        "30°25'12\"S 153°31'00\"E",
        "30.42S 153.5166667E",
        "30.42°s, 153.5166667°e",
        "153.5166667, -30.42",
        "153.5166667 -30.42",
    ],
)
def test_one_place_in_every_way_it_is_written(text):
    place = parse_place(text, region=REGION).middle
    assert place == pytest.approx(HERE, abs=1e-6)


@given(st.floats(-180, 179.99), st.floats(-84.99, 84.99))
def test_a_place_said_can_be_typed_again(lon, lat):
    """To a tenth of a minute, about 185 m of latitude."""
    back = parse_place(say_place(Place(lon, lat))).middle
    assert abs(back.lat - lat) <= 0.05 / 60 + 1e-9
    assert abs((back.lon - lon + 180) % 360 - 180) <= 0.05 / 60 + 1e-9


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("30°75.2'S 153°31.0'E", "minutes and seconds under 60"),
        ("30.5°25.2'S 153°31.0'E", "decimals only in the last"),
        ("-30.42, 153.52", "no such place.*Longitude comes first"),
        ("30°25.2'N 153°31.0'E", "far from the trip.*latitude -32.0 to -29.0"),
        ("30°25.2'S", "place not understood.*30°25.2'S 153°31.0'E"),
        ("over there", "place not understood"),
        ("30.42S 153.52E or so", "place not understood"),
    ],
)
def test_a_bad_place_is_told_what_was_expected(text, fault):
    with pytest.raises(SearcherError, match=fault):
        parse_place(text, region=REGION)


def test_a_trip_over_180_keeps_its_longitudes():
    region = Region(178.0, -20.0, 183.0, -16.0)
    assert parse_place("18 0.0 S 178 30.0 W", region=region).middle == pytest.approx((181.5, -18.0))
    assert say_place(Place(181.5, -18.0)) == "18°00.0'S 178°30.0'W"


def test_the_middle_of_a_box_or_a_leg_is_half_way_by_distance(tmp_path):
    line = [[153.0, -30.0], [153.0, -30.1], [153.0, -30.4]]
    shape = {"type": "LineString", "coordinates": line}
    box = {"type": "Feature", "geometry": None, "properties": {"rank": 3, "line": shape}}
    leg = {"type": "Feature", "geometry": shape, "properties": {}}
    (tmp_path / "boxes.geojson").write_text(json.dumps({"features": [box]}))
    (tmp_path / "legs.geojson").write_text(json.dumps({"features": [leg]}))
    half = GEOD.line_length([153.0, 153.0], [-30.0, -30.4]) / 2
    lon, lat, _ = GEOD.fwd(153.0, -30.0, 180.0, half)
    for text in ("box 3", "b3", "B3", "Leg 1"):
        found = parse_place(text, folder=tmp_path)
        assert found.middle == pytest.approx((lon, lat), abs=2e-6)
        assert shapely.get_coordinates(found.line).tolist() == line
    with pytest.raises(SearcherError, match=r"no such box; given 4; expected 1 to 3"):
        parse_place("box 4", folder=tmp_path)
    at_sea = {"laid": {"4": line}, "plan": plan_digest(tmp_path)}
    (tmp_path / "rerank.json").write_text(json.dumps(at_sea))
    assert parse_place("box 4", folder=tmp_path).middle == pytest.approx((lon, lat), abs=2e-6)
    strange = ({"laid": {"4": [[153.0]]}}, {"laid": {"four": []}}, {"laid": 3})
    other_plan = json.dumps(at_sea | {"plan": "0" * 64})
    for damaged in ("[]", "{", other_plan, *(json.dumps(at_sea | said) for said in strange)):
        (tmp_path / "rerank.json").write_text(damaged)
        with pytest.raises(SearcherError, match=r"no such box; given 4; expected 1 to 3"):
            parse_place("box 4", folder=tmp_path)


def test_a_box_without_a_plan_says_to_make_one(tmp_path):
    with pytest.raises(SearcherError, match=r"box 2 is not known: there is no boxes\.geojson.*searcher plan"):
        parse_place("box 2", folder=tmp_path)


def test_a_damaged_plan_is_told(tmp_path):
    (tmp_path / "legs.geojson").write_text('{"features": [{"geometry": 5}]}')
    with pytest.raises(SearcherError, match=r"legs\.geojson cannot be read"):
        parse_place("leg 1", folder=tmp_path)


# --- words


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("weed line", {"kind": "weed line"}),
        ("W", {"kind": "weed line"}),
        ("flotsam", {"kind": "debris"}),
        ("Colour Change green", {"kind": "color change", "note": "green"}),
        ("cc", {"kind": "color change"}),
        ("temp break", {"kind": "temperature break"}),
        ("temperature 24.6C", {"kind": "temperature", "value": 24.6}),
        ("temperature 24,6 C", {"kind": "temperature", "value": 24.6}),
        ("76.28 °F water", {"kind": "temperature", "value": 24.6, "note": "water"}),
        ("birds 3 low", {"kind": "birds", "count": 3, "flying": "low"}),
        ("LOW three BIRDS", {"kind": "birds", "count": 3, "flying": "low"}),
        ("b3 low", {"kind": "birds", "count": 3, "flying": "low"}),
        ("one bird very high", {"kind": "birds", "count": 1, "flying": "high"}),
        ("bite", {"kind": "bite"}),
        ("hookup in 180m", {"kind": "bite", "depth": 180.0}),
        ("bite 24.6C 100 fathoms", {"kind": "bite", "value": 24.6, "depth": 100 * FATHOM}),
        ("fish 2 cobia", {"kind": "fish", "count": 2, "species": "cobia"}),
        ("2 mahi", {"kind": "fish", "count": 2, "species": "dolphinfish"}),
        ("nothing 08:10-08:55", {"kind": "nothing", "clocks": ((8, 10), (8, 55))}),
        ("bite 0915", {"kind": "bite", "clocks": ((9, 15),)}),
        ("bite 8:10pm in 1000 m", {"kind": "bite", "clocks": ((20, 10),), "depth": 1000.0}),
        ("bite 12:05 AM", {"kind": "bite", "clocks": ((0, 5),)}),
        ("a dozen birds low", {"kind": "birds", "count": 12, "flying": "low"}),
        ("grass line", {"kind": "weed line"}),
        ("tide rip 0730", {"kind": "color change", "clocks": ((7, 30),)}),
        ("lost one", {"kind": "bite"}),
        ("weed line 2026-01-17T08:30", {"kind": "weed line", "clocks": (datetime(2026, 1, 17, 8, 30),)}),
        (
            "nothing 2026-01-17 23:10 to 2026-01-18 0855",
            {"kind": "nothing", "clocks": (datetime(2026, 1, 17, 23, 10), datetime(2026, 1, 18, 8, 55))},
        ),
        ("nothing 0810-0855", {"kind": "nothing", "clocks": ((8, 10), (8, 55))}),
        ("no bites 8:10 8h55", {"kind": "nothing", "clocks": ((8, 10), (8, 55))}),
    ],
)
def test_trade_words_in_any_order_and_case(text, expected):
    said = vars(parse_words(text))
    assert said.pop("clocks") == expected.get("clocks", ())
    default = {"count": None, "value": math.nan, "flying": "", "species": "", "note": "", "depth": math.nan}
    wanted = {name: value for name, value in (default | expected).items() if name != "clocks"}
    assert said == pytest.approx(wanted, nan_ok=True)


def test_every_order_of_the_words_says_the_same():
    for words in itertools.permutations(["birds", "3", "low", "0810", "in 180m"]):
        said = parse_words(" ".join(words))
        assert (said.kind, said.count, said.flying, said.clocks, said.depth, said.note) == (
            ("birds", 3, "low", ((8, 10),), 180.0, "")
        ), words


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("brids 3 low", "no trade word; given 'brids 3 low'; expected one of: weed line.*'birds'"),
        ("", "no trade word"),
        ("weed line birds 3", "one thing in each entry.*weed line and birds.*two entries"),
        ("cc birds 3", "which says colour change and birds"),
        ("wahooo", "Did you mean 'wahoo'"),
        ("nothinh", r"one of: [^?]*$"),  # no slip of the hand makes nothing of what was there
    ],
)
def test_words_that_say_no_one_thing(text, fault):
    with pytest.raises(SearcherError, match=fault):
        parse_words(text)


@pytest.mark.parametrize(
    "text", ["no weed line 0816", "no birds", "no fish 08:10", "bite no hookup", "debris without line"]
)
def test_what_was_not_seen_is_no_entry_of_it(text):
    with pytest.raises(SearcherError, match=r"what was seen; .* 'nothing' and the hours"):
        parse_words(text, typed=True)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("weed line 7.10", "7.10"),
        ("weed line 130", "130"),
        ("birds 3 low 710", "710"),
        ("birds 710 low", "710"),
        ("fish mahi 3 12kg 01.15", "01.15"),
        ("weed line 26:10", "26:10"),
        ("bite at 7", "7"),
        ("300 mahi", "300"),
        ("150 bites", "150"),
    ],
)
def test_a_time_that_is_none_is_not_kept_as_a_remark(text, number):
    with pytest.raises(SearcherError, match=f"a number that was not understood; given {number} in"):
        parse_words(text, typed=True)


@pytest.mark.parametrize(
    ("text", "count", "note"),
    [
        ("fish mahi 3 12kg 0715", 3, "12kg"),
        ("fish mahi 3 30 lb 0715", 3, "30 lb"),
        ("weed 0900 2 boats near", None, "2 boats near"),
        ("birds 200 low", 200, ""),
        ("debris 150", 150, ""),
        ("99 mahi", 99, ""),
        ("bite 0130h", None, ""),
        ("no bites 0810 0850", None, ""),
    ],
)
def test_numbers_of_remarks_stay_remarks(text, count, note):
    said = parse_words(text, typed=True)
    assert (said.count, said.note) == (count, note)


def test_depths_and_clocks_that_are_none():
    assert parse_depth("600 ft") == pytest.approx(600 * FOOT)
    assert parse_depth("90", unit="fathom") == pytest.approx(90 * FATHOM)
    with pytest.raises(SearcherError, match="depth not understood; given 'deep'"):
        parse_depth("deep")
    for text in ("25:10", "8", "noonish", "2026-13-40 08:10"):
        with pytest.raises(SearcherError, match=r"time not understood.*08:10"):
            parse_clock(text)
    with pytest.raises(SearcherError, match=r"date not understood; given 2026-13-40"):
        parse_words("weed line 2026-13-40 08:10")


FIRST, LAST = datetime(2026, 1, 16, 12, tzinfo=UTC), datetime(2026, 1, 17, 11, 30, tzinfo=UTC)  # 23:00-22:30


@pytest.mark.parametrize(
    ("clock", "now", "expected"),
    [
        ((8, 10), datetime(2026, 11, 25, tzinfo=UTC), datetime(2026, 1, 16, 21, 10, tzinfo=UTC)),
        ((8, 10), datetime(2026, 1, 16, 22, 0, tzinfo=UTC), datetime(2026, 1, 16, 21, 10, tzinfo=UTC)),
        ((9, 5), datetime(2026, 1, 16, 22, 0, tzinfo=UTC), datetime(2026, 1, 16, 22, 5, tzinfo=UTC)),
        ((23, 30), datetime(2026, 1, 16, 22, 0, tzinfo=UTC), datetime(2026, 1, 16, 12, 30, tzinfo=UTC)),
        ("2026-01-17 08:10", datetime(2027, 1, 1, tzinfo=UTC), datetime(2026, 1, 16, 21, 10, tzinfo=UTC)),
        ("2026-01-16T21:10Z", datetime(2027, 1, 1, tzinfo=UTC), datetime(2026, 1, 16, 21, 10, tzinfo=UTC)),
    ],
)
def test_a_clock_time_falls_on_the_trip(clock, now, expected):
    """Sydney in January is 11 h ahead of UTC (IANA time zone data)."""
    clock = parse_clock(clock) if isinstance(clock, str) else clock
    got = place_clock(clock, timezone="Australia/Sydney", first=FIRST, last=LAST, now=now)
    assert got == expected


def test_a_clock_time_that_a_trip_has_twice_needs_its_day():
    """05:00 on the 17th to 10:00 on the 18th in Sydney: 06:00 is on both days, 11:00 on one."""
    first, last = datetime(2026, 1, 16, 18, tzinfo=UTC), datetime(2026, 1, 17, 23, tzinfo=UTC)
    beside, later = timedelta(hours=6), datetime(2026, 11, 1, tzinfo=UTC)
    given = {"first": first - beside, "last": last + beside, "trip": (first, last)}

    def placed(clock, now=later):
        return place_clock(clock, timezone="Australia/Sydney", now=now, **given)

    with pytest.raises(SearcherError, match=r"two days; given 06:00; expected .* such as 2026-01-17T06:00"):
        placed((6, 0))
    assert placed((11, 0)) == datetime(2026, 1, 17, 0, tzinfo=UTC)
    assert placed(parse_clock("2026-01-18T06:00")) == datetime(2026, 1, 17, 19, tzinfo=UTC)
    assert placed((6, 0), now=datetime(2026, 1, 16, 22, tzinfo=UTC)) == datetime(2026, 1, 16, 19, tzinfo=UTC)


def test_a_time_ahead_of_now_or_of_another_day_is_refused():
    at_nine = datetime(2026, 1, 16, 22, 0, tzinfo=UTC)
    with pytest.raises(
        SearcherError, match=r"given 10:00; expected local time from 2026-01-16 23:00 to .*09:10"
    ):
        place_clock((10, 0), timezone="Australia/Sydney", first=FIRST, last=LAST, now=at_nine)
    with pytest.raises(SearcherError, match=r"given 2026-02-01 08:10.*mend \[window\]"):
        place_clock(
            parse_clock("2026-02-01 08:10"),
            timezone="Australia/Sydney",
            first=FIRST,
            last=LAST,
            now=at_nine + timedelta(days=300),
        )


# --- entries


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"kind": "whale"}, "kind: given 'whale', expected one of"),
        ({"kind": "temperature"}, "given nothing, expected -2 to 36 °C with its unit"),
        ({"value": 76.0}, "given 76.0 °C"),
        ({"count": 0}, "count: given 0"),
        ({"depth": -5.0}, "depth: given -5 m"),
        ({"flying": "sideways"}, "flying: given 'sideways'"),
        ({"flying": "low"}, "expected only with birds"),
        ({"place": (153.0, 95.0)}, "longitudes and latitudes in degrees"),
        ({"place": (math.nan, 0.0)}, "longitudes and latitudes in degrees"),
        ({"kind": "nothing"}, "given a Point, expected two places"),
        ({"time": np.datetime64("NaT", "ns")}, "time: expected a date and time"),
    ],
)
def test_an_entry_that_cannot_be_is_refused(change, fault):
    with pytest.raises(SearcherError, match=fault):
        Sighting(**({"kind": "bite", "place": HERE, "time": EIGHT} | change))


def test_a_stretch_takes_time_and_is_no_faster_than_trolling():
    with pytest.raises(SearcherError, match="an end after the start"):
        stretch(minutes=0)
    with pytest.raises(SearcherError, match=r"trolled at 36 kn, expected at most 15 kn"):
        stretch(minutes=5)


def test_every_fault_of_an_entry_at_once():
    with pytest.raises(SearcherError, match="3 problems"):
        Sighting("bite", HERE, EIGHT, count=-1, depth=0.0, flying="low")


def test_what_a_terminal_garbled_does_not_stop_an_entry(tmp_path):
    """A byte that is no UTF-8 reaches Python as a lone surrogate (PEP 383)."""
    add_sighting(tmp_path, Sighting("bite", HERE, EIGHT, note="gr\udcfcn\0"))
    assert read_sightings(tmp_path)["note"].tolist() == ["gr?n"]


# --- the store


def test_what_is_stored_is_read_back(tmp_path):
    given = [
        Sighting("birds", HERE, EIGHT + HOUR, count=3, flying="low", note="two terns; 'one' \"gull\"\n±°"),
        Sighting("temperature", HERE, EIGHT, value=24.6, depth=180.0),
        stretch("nothing", EIGHT + 2 * HOUR),
        Sighting("fish", HERE, EIGHT + 3 * HOUR, count=2, species="dolphinfish"),
    ]
    assert [add_sighting(tmp_path, entry) for entry in given] == [1, 2, 3, 4]
    table = read_sightings(tmp_path)
    assert check_table("sightings", table) is table
    assert table["id"].tolist() == [2, 1, 3, 4]
    for number, entry in enumerate(given, start=1):
        (row,) = table[table["id"] == number].itertuples()
        assert row.geometry.equals_exact(entry.place, 1e-7)
        for name in SIGHTINGS:
            want = getattr(entry, name)
            want = math.nan if want is None else want
            assert getattr(row, name) == want or (want != want and np.isnan(getattr(row, name))), name
    assert table["end"].iloc[2] - table["time"].iloc[2] == pd.Timedelta(minutes=45)


def test_a_folder_without_a_log_has_an_empty_one_and_none_is_made(tmp_path):
    assert check_table("sightings", read_sightings(tmp_path)).empty
    assert take_back(tmp_path) is None
    assert list(tmp_path.iterdir()) == []


def test_taking_back_marks_and_erases_nothing(tmp_path):
    for minute in range(3):
        add_sighting(tmp_path, Sighting("bite", HERE, EIGHT + minute * MINUTE))
    assert take_back(tmp_path).time == EIGHT + 2 * MINUTE
    assert take_back(tmp_path).time == EIGHT + MINUTE
    assert read_sightings(tmp_path)["id"].tolist() == [1]
    assert read_sightings(tmp_path, deleted=True)["id"].tolist() == [2, 3]
    take_back(tmp_path)
    assert take_back(tmp_path) is None
    with sqlite3.connect(tmp_path / "trip.db") as database:
        assert database.execute("SELECT count(*) FROM sightings WHERE deleted NOT NULL").fetchone() == (3,)
    database.close()


def test_others_can_read_it(tmp_path):
    """By SQL alone: kinds, UTC in ISO 8601, WKT; the schema says its version, and refuses unknown kinds."""
    add_sighting(tmp_path, Sighting("weed line", HERE, EIGHT))
    database = sqlite3.connect(tmp_path / "trip.db")
    row = database.execute('SELECT kind, time, "end", place, deleted FROM sightings').fetchone()
    assert row[:3] == ("weed line", "2026-01-16T21:10:00Z", "2026-01-16T21:10:00Z")
    assert shapely.from_wkt(row[3]).coords[0] == pytest.approx(HERE, abs=1e-7)
    assert row[4] is None
    assert database.execute("PRAGMA user_version").fetchone() == (1,)
    (schema,) = database.execute("SELECT sql FROM sqlite_master WHERE name = 'sightings'").fetchone()
    assert all(kind in schema for kind in SIGHTING_KINDS)
    with pytest.raises(sqlite3.IntegrityError, match="CHECK constraint failed"):
        database.execute("UPDATE sightings SET kind = 'whale'")
    database.close()


@pytest.mark.parametrize("damage", ["text", "foreign", "newer"])
def test_a_file_that_is_no_log_is_left_alone(tmp_path, damage):
    path = tmp_path / "trip.db"
    if damage == "text":
        path.write_text("weed line at eight\n" * 100)
    else:
        database = sqlite3.connect(path)
        database.execute("CREATE TABLE others (x)" if damage == "foreign" else "PRAGMA user_version = 2")
        database.commit()
        database.close()
    before = path.read_bytes()
    with pytest.raises(TableError, match=r"trip\.db (is no log|cannot be read or written as a log)"):
        add_sighting(tmp_path, Sighting("bite", HERE, EIGHT))
    with pytest.raises(TableError, match=r"trip\.db"):
        read_sightings(tmp_path)
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("column", "value", "fault"),
    [
        ("place", "garbage", "place: 'garbage' is not understood"),
        ("time", "yesterday", "time: 'yesterday' is not understood"),
        ("value", "24,6", "value: '24,6' is not understood"),
        ("count", "3 birds", "count: '3 birds' is not understood"),
        ("place", "POINT (153.5 -95)", "place: expected longitudes and latitudes in degrees"),
    ],
)
def test_an_odd_row_is_told_by_its_number_and_can_be_taken_back(tmp_path, column, value, fault):
    for minute in range(3):
        add_sighting(tmp_path, Sighting("birds", HERE, EIGHT + minute * MINUTE, count=3))
    database = sqlite3.connect(tmp_path / "trip.db", isolation_level=None)
    database.execute(f'UPDATE sightings SET "{column}" = ? WHERE id = 2', (value,))
    with pytest.raises(TableError, match=re.escape(f"entry 2: {fault}.")) as caught:
        read_sightings(tmp_path)
    assert len(caught.value.problems) == 1
    database.execute(re.search("UPDATE sightings .*", str(caught.value))[0])  # as the message says
    database.close()
    assert read_sightings(tmp_path)["id"].tolist() == [1, 3]


def test_a_failure_half_way_through_a_plotters_file_stores_none_of_it(tmp_path):
    add_sighting(tmp_path, Sighting("bite", HERE, EIGHT))
    broken = iter([Sighting("bite", HERE, EIGHT + HOUR), "not an entry"])
    with pytest.raises(AttributeError, match="'str' object"):
        add_sightings(tmp_path, broken)
    assert len(read_sightings(tmp_path)) == 1


# --- a plotter's file


def gpx_of(marks: str = "", track: str = "") -> str:
    """GPX 1.1 written by hand, as a plotter would."""
    return (
        '<?xml version="1.0"?><gpx version="1.1" creator="a plotter" '
        f'xmlns="http://www.topografix.com/GPX/1/1">{marks}{track}</gpx>'
    )


def mark(name: str, time: str = "2026-01-16T21:10:00Z", lat: float = -30.42, more: str = "") -> str:
    return (
        f'<wpt lat="{lat}" lon="153.5"><time>{time}</time><name>{name}</name>{more}</wpt>'
        if time
        else f'<wpt lat="{lat}" lon="153.5"><name>{name}</name></wpt>'
    )


def track_of(legs: list[tuple[float, float]], step: float = 15.0, start=EIGHT) -> str:
    """A track north along a meridian; legs of (speed in knots, minutes), a point every `step` seconds."""
    lon, lat, time, points = 153.5, -30.6, start, []
    for knots, minutes in legs:
        for _ in range(round(minutes * 60 / step)):
            points.append(
                f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><time>{np.datetime64(time, "s")}Z</time></trkpt>'
            )
            lon, lat, _ = GEOD.fwd(lon, lat, 0.0, knots * KNOT * step)
            time = time + np.timedelta64(round(step * 1000), "ms")
    return f"<trk><trkseg>{''.join(points)}</trkseg></trk>"


@pytest.fixture
def read(tmp_path):
    """Read GPX text as the log does, on the day of `EIGHT`."""

    def reading(text: str, **options):
        path = tmp_path / "marks.gpx"
        path.write_text(text, encoding="utf-8")
        window = (EIGHT - 10 * HOUR, EIGHT + 14 * HOUR)
        return read_gpx(path, speeds=TROLLING, window=window, region=REGION, **options)

    return reading


def test_marks_are_told_by_the_words_of_their_names(read):
    marks = [
        mark("WEED LINE 2"),
        mark("birds 12 low", "2026-01-17T08:40:00+11:00"),
        mark("MAHI", more="<cmt>two boated</cmt>"),
        mark("017", more="<sym>Debris</sym>"),
        mark("T 24.6C"),
    ]
    found = read(gpx_of("".join(marks)))
    assert [entry.kind for entry in found.sightings] == [
        "weed line",
        "birds",
        "fish",
        "debris",
        "temperature",
    ]
    assert found.sightings[1].time == EIGHT + 30 * MINUTE
    assert (found.sightings[1].count, found.sightings[1].flying) == (12, "low")
    assert (found.sightings[2].species, found.sightings[2].note) == ("dolphinfish", "two boated")
    assert {entry.source for entry in found.sightings} == {"marks.gpx"}
    assert found.left_out == {}


def test_marks_that_say_nothing_are_counted_with_the_reason(read):
    marks = [
        mark("B1 IN"),
        mark("SEA BUOY"),
        mark("018", more="<sym>Fish Attracting Device</sym>"),
        mark("weed line", ""),
        mark("weed line", "2025-01-16T21:10:00Z"),
        mark("weed line", lat=-20.0),
        mark("temp 76.3"),
    ]
    assert read(gpx_of("".join(marks))).left_out == {
        "without a trade word in the name": 3,
        "without a time": 1,
        "of another day": 1,
        "far from the trip": 1,
        "temperature: given nothing, expected -2 to 36 °C with its unit, such as 24.6C or 76.3F": 1,
    }
    (warm,) = read(gpx_of(marks[-1]), unit="F").sightings
    assert warm.value == pytest.approx((76.3 - 32) / 1.8)


def test_stretches_trolled_are_told_by_their_speed(read):
    """Out at 20 kn, an hour at 6 kn with a stop of a minute, on at 20 kn, half an hour at 5 kn; drifting."""
    legs = [(20, 10), (6, 30), (0, 1), (6, 29), (20, 15), (5, 30), (1, 20)]
    found = read(gpx_of(track=track_of(legs)))
    assert [entry.kind for entry in found.sightings] == ["trolled", "trolled"]
    for entry, (start, minutes, knots) in zip(found.sightings, [(10, 60, 5.9), (85, 30, 5)], strict=True):
        assert abs(entry.time - (EIGHT + start * MINUTE)) <= MINUTE
        assert entry.duration == pytest.approx(minutes * 60, abs=120)
        xy = shapely.get_coordinates(entry.place)
        speed = GEOD.line_length(xy[:, 0], xy[:, 1]) / entry.duration / KNOT
        assert speed == pytest.approx(knots, abs=0.5)
        assert len(xy) == 2  # a straight track is two points


def test_tracks_are_cut_where_the_plotter_was_off(read):
    late = EIGHT + 90 * MINUTE
    track = track_of([(6, 30)]).replace("</trkseg></trk>", "") + track_of([(6, 30)], start=late).replace(
        "<trk><trkseg>", ""
    )
    found = read(gpx_of(track=track))
    assert [entry.duration / 60 for entry in found.sightings] == pytest.approx([30, 30], abs=1)


def test_tracks_without_times_are_counted(read):
    track = "<trk><trkseg>" + '<trkpt lat="-30.4" lon="153.5"/>' * 5 + "</trkseg></trk>"
    assert read(gpx_of(track=track)).left_out == {"tracks without times": 1}


def test_a_track_too_slow_for_trolling_is_counted(read):
    """Three quarters of an hour at 1.3 knots: adrift."""
    assert read(gpx_of(track=track_of([(1.3, 48)]))).left_out == {
        "tracks without a stretch at trolling speed": 1
    }


def test_a_file_read_twice_adds_nothing_and_a_track_that_has_grown_replaces_its_beginning(read, tmp_path):
    marks = mark("weed line") + mark("bite", "2026-01-16T21:20:00Z") + mark("bite", "2026-01-16T21:21:00Z")
    first = read(gpx_of(marks, track_of([(20, 10), (6, 30)])))
    assert add_sightings(tmp_path, first.sightings) == (4, 0)
    assert add_sightings(tmp_path, first.sightings) == (0, 4)
    grown = read(gpx_of(marks, track_of([(20, 10), (6, 50), (20, 5)])))
    assert add_sightings(tmp_path, grown.sightings) == (1, 3)
    assert add_sightings(tmp_path, first.sightings) == (0, 4)
    table = read_sightings(tmp_path)
    (row,) = table[table["kind"] == "trolled"].itertuples()
    assert (row.end - row.time).total_seconds() == pytest.approx(50 * 60, abs=120)
    assert len(table) == 4


def test_what_is_no_gpx_is_told(tmp_path, read):
    for text in ("not xml", "<html></html>"):
        with pytest.raises(SearcherError, match=r"marks\.gpx is no GPX file.*Export marks"):
            read(text)
    with pytest.raises(SearcherError, match=r"gone\.gpx cannot be read: No such file"):
        read_gpx(tmp_path / "gone.gpx", speeds=TROLLING, window=(EIGHT, EIGHT), region=REGION)


def test_what_gpxpy_writes_is_read(read):
    made = gpxpy.gpx.GPX()
    time = datetime(2026, 1, 16, 21, 10, tzinfo=UTC)
    made.waypoints = [gpxpy.gpx.GPXWaypoint(-30.42, 153.5, time=time, name="DEBRIS")]
    (entry,) = read(made.to_xml(version="1.1")).sightings
    assert (entry.kind, entry.time, entry.place.coords[0]) == ("debris", EIGHT, (153.5, -30.42))


def test_marks_over_180_have_the_longitudes_of_the_trip(tmp_path):
    """A region from 178° E to 177° W; a mark and a track on its far side."""
    west = '<wpt lat="-18.0" lon="-178.5"><time>2026-01-16T21:10:00Z</time><name>WEED</name></wpt>'
    track = track_of([(6, 20)]).replace('lon="153.5000000"', 'lon="-178.5"').replace('lat="-30', 'lat="-18')
    (tmp_path / "marks.gpx").write_text(gpx_of(west, track))
    found = read_gpx(
        tmp_path / "marks.gpx",
        speeds=TROLLING,
        window=(EIGHT - HOUR, EIGHT + HOUR),
        region=Region(178.0, -20.0, 183.0, -16.0),
    )
    assert [entry.kind for entry in found.sightings] == ["weed line", "trolled"]
    for entry in found.sightings:
        assert shapely.get_coordinates(entry.place)[:, 0] == pytest.approx(181.5, abs=1e-6)


# --- effort, and the way out


def test_bites_out_of_one_school_are_one_encounter_and_hours_count_once(tmp_path):
    entries = [
        stretch("trolled", EIGHT, 60),
        stretch("nothing", EIGHT + 30 * MINUTE, 60),  # half of it is in the one before
        stretch("nothing", EIGHT + 10 * MINUTE, 20),  # all of it
        Sighting("bite", HERE, EIGHT + 10 * MINUTE),
        Sighting("fish", HERE, EIGHT + 15 * MINUTE, count=2),
        Sighting("bite", HERE, EIGHT + 24 * MINUTE),  # within ten minutes of the one before
        Sighting("bite", HERE, EIGHT + 50 * MINUTE),
        Sighting("bite", HERE, EIGHT + 5 * HOUR),
    ]
    for entry in entries:
        add_sighting(tmp_path, entry)
    log = read_sightings(tmp_path)
    stretches = count_encounters(log)
    assert stretches["duration"].tolist() == [3600.0, 1800.0]
    assert stretches["encounters"].tolist() == [2, 0]
    assert stray_encounters(log)["time"].tolist() == [pd.Timestamp(EIGHT + 5 * HOUR)]
    assert count_encounters(log.iloc[:0]).empty


def test_a_bite_as_a_stretch_ends_is_of_that_stretch_unless_the_next_begins(tmp_path):
    """Trolled from 8 to 9, bite at 9: nobody writes down that the line was up a second before."""
    bites = [Sighting("bite", HERE, EIGHT + HOUR), Sighting("bite", HERE, EIGHT + 3 * HOUR)]
    for entry in (stretch("trolled", EIGHT, 60), stretch("trolled", EIGHT + 2 * HOUR, 60), *bites):
        add_sighting(tmp_path, entry)
    log = read_sightings(tmp_path)
    assert count_encounters(log)["encounters"].tolist() == [1, 1]
    assert stray_encounters(log).empty
    add_sighting(tmp_path, stretch("trolled", EIGHT + HOUR, 60))
    log = read_sightings(tmp_path)
    assert count_encounters(log)["encounters"].tolist() == [0, 1, 1]
    assert stray_encounters(log).empty
    add_sighting(tmp_path, Sighting("bite", HERE, EIGHT + 3 * HOUR + 11 * MINUTE))
    assert len(stray_encounters(read_sightings(tmp_path))) == 1
    assert len(stray_encounters(log[log["kind"] == "bite"])) == 2


def test_csv_is_in_the_skippers_units(tmp_path):
    entries = [
        Sighting("temperature", HERE, EIGHT, value=24.6, depth=180 * FOOT, note='so "blue", clear'),
        stretch("nothing", EIGHT + HOUR),
    ]
    for entry in entries:
        add_sighting(tmp_path, entry)
    show = Show(temperature="F", depth="ft", distance="km", timezone="Australia/Sydney")
    path = write_csv(read_sightings(tmp_path), tmp_path / "log.csv", show=show)
    with path.open(newline="", encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(file))
    assert rows[0]["time"] == "2026-01-17T08:10+11:00"
    assert rows[0]["water temperature (°F)"] == "76.3"
    assert rows[0]["depth (ft)"] == "180"
    assert rows[0]["note"] == 'so "blue", clear'
    assert (rows[0]["latitude"], rows[0]["longitude"]) == ("-30.42000", "153.51667")
    assert rows[1]["end"] == "2026-01-17T09:55+11:00"
    along = GEOD.inv(HERE.lon, HERE.lat, HERE.lon, HERE.lat + 0.05)[2]
    assert float(rows[1]["length (km)"]) == pytest.approx(along / 1000, abs=0.006)
    assert rows[0]["to latitude"] == rows[0]["end"] == ""


# --- a full disk, two hands at once

FULL = """
import resource, sys
import numpy as np
from searcher.errors import TableError
from searcher.sightings import Sighting, add_sighting

resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))
bite = Sighting("bite", (153.5, -30.4), np.datetime64("2026-01-16T21:10"), note="n" * 900)
for number in range(1, 1000):
    try:
        add_sighting(sys.argv[1], bite)
    except TableError as error:
        print(number - 1, error)
        break
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits the size of files the POSIX way")
def test_a_full_disk_is_told_and_what_was_stored_stays(tmp_path):
    """A real limit on the size of files stands in for the disk."""
    command = [sys.executable, "-c", FULL, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    stored, said = done.stdout.split(" ", 1)
    assert re.search(r"trip\.db cannot be read or written as a log.*Nothing was written", said)
    assert int(stored) > 10
    assert len(read_sightings(tmp_path)) == int(stored)
    add_sighting(tmp_path, Sighting("bite", HERE, EIGHT))
    assert len(read_sightings(tmp_path)) == int(stored) + 1


MANY = """
import sys
import numpy as np
from searcher.sightings import Sighting, add_sighting

for _ in range(25):
    add_sighting(sys.argv[1], Sighting("bite", (153.5, -30.4), np.datetime64("2026-01-16T21:10")))
"""


def test_two_programs_may_write_at_once(tmp_path):
    command = [sys.executable, "-c", MANY, str(tmp_path)]
    both = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    for one in both:
        _, said = one.communicate(timeout=60)
        assert one.returncode == 0, said
    assert sorted(read_sightings(tmp_path)["id"]) == list(range(1, 51))


# --- killed at any moment

WRITER = """
import os, random, signal, sqlite3, sys, time
import numpy as np
from searcher.sightings import Sighting, add_sighting

folder, rounds, seed = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
rng = random.Random(seed)
place, start = (153.5, -30.4), np.datetime64("2026-01-16T21:10", "ns")
told, interrupted = [], 0
for turn in range(rounds):
    if turn % 20 == 0:
        path = os.path.join(folder, f"log{turn:04d}.db")  # the making of the file is interrupted too
        told = []
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        while True:
            number = add_sighting(path, Sighting("bite", place, start, note="n" * rng.randrange(9000)))
            os.write(writer, b"%d\\n" % number)
    os.close(writer)
    time.sleep(rng.uniform(0.0, 0.05))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(reader) as pipe:
        told += [int(line) for line in pipe]
    interrupted += os.path.exists(path + "-journal")
    if os.path.exists(path):
        database = sqlite3.connect(path)
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        made = database.execute("PRAGMA user_version").fetchone()[0]
        stored = [row[0] for row in database.execute("SELECT id FROM sightings")] if made else []
        database.close()
    else:
        stored = []
    lost, beyond = set(told) - set(stored), set(stored) - set(told)
    assert not lost, f"round {turn}: acknowledged and lost: {lost}"
    assert len(beyond) <= turn % 20 + 1, f"round {turn}: {beyond}"  # stored, killed before it could be told
print(sum(1 for _ in os.scandir(folder)), len(told), interrupted)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to kill often and quickly")
@pytest.mark.parametrize("rounds", [60, pytest.param(600, marks=pytest.mark.slow)])
def test_killed_at_any_moment_it_loses_nothing_it_acknowledged(tmp_path, rounds):
    """Real processes, SIGKILL after 0 to 50 ms; SQLite's own integrity check after each.

    That kills do land in the midst of writing is seen by the rollback journals they leave behind.
    """
    command = [sys.executable, "-c", WRITER, str(tmp_path), str(rounds), "7"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    _, _, interrupted = map(int, done.stdout.split())
    assert interrupted >= rounds / 10


# ---- as people type, and as plotters write


@pytest.mark.parametrize("said", ["24.6C", "24.6ºC", "24.6˚C", "24.6℃", "24.6 deg C", "24,6 degrees C"])
def test_degrees_however_a_keyboard_writes_them(said):
    assert parse_words(f"temp {said}").value == pytest.approx(24.6)


@pytest.mark.parametrize(
    ("text", "count", "depth", "note"),
    [
        ("dorado 12kg", None, None, "12kg"),
        ("wahoo 15 lb", None, None, "15 lb"),
        ("2 mahi 95cm in 180m", 2, 180.0, "95cm"),
        ("bite on the purple skirt, 2nd line", None, None, "purple skirt line 2nd"),
        ("bite 50m back on the long line", None, None, "back long line 50m"),
        ("3x mahi", 3, None, ""),
        ("mahi x3", 3, None, ""),
        ("x 2", 2, None, ""),
    ],
)
def test_sizes_and_lengths_of_line_are_no_counts_and_no_depths(text, count, depth, note):
    said = parse_words(text)
    assert (said.count, said.note) == (count, note)
    assert said.depth == pytest.approx(depth) if depth else np.isnan(said.depth)


@pytest.mark.parametrize("text", ["1 mahi 1 wahoo", "yellowfin and mahi"])
def test_two_kinds_of_fish_are_two_entries(text):
    with pytest.raises(SearcherError, match=r"one thing in each entry; given .*, which says .* and "):
        parse_words(text)


def test_minutes_with_a_comma_are_minutes_with_a_point():
    comma, point = (parse_place(text).middle for text in ("30°25,2'S 153°31,0'E", "30°25.2'S 153°31.0'E"))
    assert comma == point
    assert parse_place("30.42S,153.52E").middle == parse_place("30.42S 153.52E").middle


GPX = """<?xml version="1.0" encoding="{code}"?>
<{p}gpx version="1.1" creator="a plotter" xmlns{x}="http://www.topografix.com/GPX/1/1">
<{p}wpt lat="-30.42" lon="153.52"><{p}time>2026-01-16T21:00:00Z</{p}time><{p}name>{name}</{p}name></{p}wpt>
</{p}gpx>"""


def read_mark(tmp_path, *, code="UTF-8", prefix="", name="Weed line"):
    """What comes of a file with one mark."""
    end = f":{prefix}" if prefix else ""
    text = GPX.format(code=code, p=f"{prefix}:" if prefix else "", x=end, name=name)
    path = tmp_path / "marks.gpx"
    path.write_bytes(text.encode(code))
    times = np.array(["2026-01-16T18:00", "2026-01-17T08:00"], "datetime64[ns]")
    return read_gpx(path, speeds=(2.0, 5.0), window=(times[0], times[1]), region=Region(150, -34, 156, -28))


@pytest.mark.parametrize("code", ["UTF-8", "ISO-8859-1", "UTF-16"])
@pytest.mark.parametrize("prefix", ["", "g"])
def test_gpx_in_any_encoding_and_under_any_prefix(tmp_path, code, prefix):
    """XML 1.0, section 4.3.3, and Namespaces in XML 1.0: all of these are the same file."""
    found = read_mark(tmp_path, code=code, prefix=prefix)
    assert [one.kind for one in found.sightings] == [WEED_LINE]


def test_a_mark_of_what_was_not_there_is_no_entry(tmp_path):
    found = read_mark(tmp_path, name="No weed")
    assert not found.sightings
    assert found.left_out == {"without a trade word in the name": 1}


def test_what_was_taken_back_names_itself_and_may_be_read_again(tmp_path):
    found = read_mark(tmp_path)
    assert add_sightings(tmp_path, found.sightings).new == 1
    assert take_back(tmp_path).kind == WEED_LINE
    assert read_sightings(tmp_path).empty
    assert add_sightings(tmp_path, found.sightings).new == 1
    assert len(read_sightings(tmp_path)) == 1
    assert add_sightings(tmp_path, found.sightings).known == 1


def moment_of(clock, *, now: str, zone: str = "America/New_York"):
    first, last = (
        datetime.fromisoformat(f"2026-{day}+00:00") for day in (f"{now[:5]}T00:00", f"{now[:5]}T23:00")
    )
    now = datetime.fromisoformat(f"2026-{now}+00:00")
    return place_clock(clock, timezone=zone, first=first, last=last, now=now).astimezone(UTC)


def test_an_hour_that_comes_twice_is_the_later_and_one_that_is_skipped_is_refused():
    """New York, 2026: back at 06:00 UTC on 1 November, on at 07:00 UTC on 8 March (IANA database)."""
    assert moment_of((1, 35), now="11-01T05:40").hour == 5
    assert moment_of((1, 35), now="11-01T06:40").hour == 6
    with pytest.raises(SearcherError, match=r"time outside the trip; given 02:30"):
        moment_of((2, 30), now="03-08T08:00")
