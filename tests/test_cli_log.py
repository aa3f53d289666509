"""`searcher log` as a skipper types it, in a folder with a plan of a few boxes and legs."""

from __future__ import annotations

import io
import json
import re
import sys
from contextlib import redirect_stderr, redirect_stdout
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import patch
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pytest
import shapely
from at_sea import EAST, PLANE, after, planned, trip_text
from seas import make_trip

from searcher import cli
from searcher.brief import write_geojson
from searcher.cli.at_sea import find_moment
from searcher.errors import SearcherError
from searcher.keep import PLAN_FILE, save_plan
from searcher.sightings import read_sightings
from searcher.trip import write_trip

PLANNED = ", where the plan has it then"
PLACE = "30°25.2'S 153°31.0'E"
SYDNEY = ZoneInfo("Australia/Sydney")
PORT = {
    "port_name": "Wirrin Harbour",
    "at": (153.0795, -30.405),
    "sea_buoy": (153.108, -30.408),
    "timezone": "Australia/Sydney",
}


def run(*args: object) -> tuple[int, str, str]:
    """Call the entry point as the `searcher` command does: exit code, output, errors."""
    out, err = io.StringIO(), io.StringIO()
    argv = ["searcher", "log", *map(str, args)]
    with patch.object(sys, "argv", argv), redirect_stdout(out), redirect_stderr(err):
        try:
            cli.main()
            code = 0
        except SystemExit as end:
            code = end.code or 0
    return code, out.getvalue(), err.getvalue()


@pytest.fixture
def folder(tmp_path) -> Path:
    """A trip of one day in January, planned."""
    home = tmp_path / "saturday"
    write_trip(home, leave="2026-01-17 05:00", home_by="2026-01-17 16:30", **PORT)
    line = {"type": "LineString", "coordinates": [[153.5, -30.5], [153.5, -30.44]]}
    box = {"type": "Feature", "geometry": None, "properties": {"rank": 2, "line": line}}
    leg = {"type": "Feature", "geometry": line, "properties": {"kind": "troll"}}
    (home / "boxes.geojson").write_text(json.dumps({"features": [box]}))
    (home / "legs.geojson").write_text(json.dumps({"features": [leg, leg]}))
    return home


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["weed", "line", "08:10", "--at", PLACE], f"08:10 weed line at {PLACE}"),
        (["08:10", f"weed {PLACE}"], f"08:10 weed line at {PLACE}"),
        (["birds", "3", "low", "box", "2", "--time", "9:05"], f"09:05 birds 3 low at box 2{PLANNED}"),
        (["temperature", "24.6C", "08:10", "--at", PLACE], f"08:10 temperature 24.6 °C at {PLACE}"),
        (["bite", "08:10", "--depth", "180", "--at", PLACE], f"08:10 bite in 180 m at {PLACE}"),
        (["2", "mahi", "600ft", "08:10", "--at", PLACE], f"08:10 fish 2 dolphinfish in 183 m at {PLACE}"),
        (
            [
                "nothing",
                "--from",
                "30 30.0S 153 30.0E",
                "--to",
                "30 26.4S 153 30.0E",
                "--start",
                "08:10",
                "--end",
                "08:55",
            ],
            "08:10-08:55 nothing at 30°30.0'S 153°30.0'E to 30°26.4'S 153°30.0'E, 3.6 nmi",
        ),
        (
            ["nothing", "leg", "1", "08:10", "08:55"],
            f"08:10-08:55 nothing at leg 1{PLANNED}",
        ),
        (
            ["colour", "change", "08:10", "--note", "green in", "--at", PLACE],
            f"08:10 colour change (green in) at {PLACE}",
        ),
    ],
)
def test_an_entry_is_stored_and_said_back(folder, words, said):
    code, out, err = run(folder, *words)
    assert (code, out.strip(), err) == (0, f"logged {said}", "")
    listed = run(folder)[1].strip()
    assert listed == said or (said.endswith(PLANNED) and listed.startswith(said.partition(" at ")[0]))
    assert len(read_sightings(folder)) == 1


@pytest.mark.parametrize(
    "words", [["bite", "-80.95, 29.75"], ["bite", "-80.95,", "29.75"], ["-80.95 29.75", "bite"]]
)
def test_a_place_may_begin_with_a_minus(tmp_path, words):
    """Off Florida: longitude first, and it is negative."""
    hours = {"leave": "2026-01-17 05:00", "home_by": "2026-01-17 16:30", "timezone": "America/New_York"}
    write_trip(tmp_path, at=(-81.29, 29.9), sea_buoy=(-81.2, 29.9), **hours)
    code, out, err = run(tmp_path, *words, "08:10")
    assert (code, out, err) == (0, "logged 08:10 bite at 29°45.0'N 80°57.0'W\n", "")
    code, _, err = run(tmp_path, *words, "08:20", "--dpth", "80")
    assert code == 2
    assert "--depth" in err  # an option that is none is told as before
    assert len(read_sightings(tmp_path)) == 1


@pytest.mark.parametrize(
    ("args", "fault"),
    [
        (["brids", "3", "box 2", "08:10"], r"no trade word; given 'brids 3.*Did you mean 'birds'"),
        (["weed", "line", "08:10"], r"weed line: where\?; expected one place, such as --at"),
        (
            ["weed", "line", "box", "2"],
            r"time outside the trip; given .*expected local time from 2026-01-16 23:00",
        ),
        (["weed", "box", "7", "08:10"], r"no such box; given 7; expected 1 to 2"),
        (["nothing", "08:10", "08:55"], r"nothing: from where to where\?.*--from and --to"),
        (["nothing", "box", "2"], r"nothing: from when to when\?.*--start 08:10"),
        (["nothing", "box", "2", "08:10", "08:15"], r"trolled at 43 kn"),
        (["nothing", "box", "2", "08:55", "08:10"], r"an end after the start"),
        (["bite", "box", "2", "08:10", "08:55"], r"too many times for bite; given 2; expected 1"),
        (["colour", "change", "08:10"], r"^searcher: colour change: where\?"),
        (["300", "mahi", "box", "2", "08:10"], r"a number that was not understood; given 300"),
        (["temperature", "24.6", "box", "2", "08:10"], "a temperature needs its figure and unit"),
        (["temperature", "76C", "box", "2", "08:10"], r"given 76.0 °C, expected"),
        (["bite", "08:10", "--at", "30°25.2'N 153°31.0'E"], r"place far from the trip"),
        (["bite", "08:10", "--at", "somewhere"], r"place not understood; given 'somewhere'"),
        (["bite", "box", "2", "--time", "25:99"], r"time not understood; given '25:99'"),
        (["bite", "box", "2", "08:10", "--depth", "deep"], r"depth not understood; given 'deep'"),
        (["bite", "box", "2", "08:10", "--undo"], r"one thing at a time; given --undo and an entry"),
        (["--export", "log.xls"], r"export; given log.xls; expected a name that ends in"),
        (["--undo"], r"nothing to take back"),
        (["--gpx", "gone.gpx"], r"gone.gpx cannot be read"),
    ],
)
def test_a_bad_entry_is_one_clear_error_and_nothing_is_written(folder, args, fault):
    before = sorted(folder.iterdir())
    code, out, err = run(folder, *args)
    assert (code, out) == (2, "")
    assert err.startswith("searcher: ")
    assert re.search(fault, err), err
    assert sorted(folder.iterdir()) == before
    assert read_sightings(folder).empty


def test_the_time_is_now_when_none_is_given(tmp_path):
    """On a day at sea: the trip file says that it is under way."""
    now = datetime.now(UTC)
    local = now.astimezone(SYDNEY).replace(tzinfo=None)
    leave, home_by = (f"{local + timedelta(hours=h):%Y-%m-%d %H:%M}" for h in (-3, 3))
    write_trip(tmp_path, leave=leave, home_by=home_by, **PORT)
    code, _, err = run(tmp_path, "bite", "--at", PLACE)
    assert code == 0, err
    (row,) = read_sightings(tmp_path).itertuples()
    assert abs((row.time.tz_localize("UTC") - now).total_seconds()) < 30


def test_the_folder_may_be_left_out_in_the_folder(folder, monkeypatch):
    monkeypatch.chdir(folder)
    assert run("bite", "08:10", "box", "2")[0] == 0
    assert run(".", "bite", "08:20", "box", "2")[0] == 0
    assert len(read_sightings(folder)) == 2


def test_taking_back_and_what_is_left(folder):
    run(folder, "bite", "08:10", "box", "2")
    run(folder, "weed", "08:20", "box", "2")
    assert run(folder, "--undo")[1] == "took back 08:20 weed line at 30°28.2'S 153°30.0'E\n"
    assert run(folder)[1] == "08:10 bite at 30°28.2'S 153°30.0'E\n"


def test_what_was_placed_by_a_box_is_told_alike_where_it_lay_by_then(tmp_path):
    """In a current of 0.4 m/s east: in the list and as it is taken back, with the number that was typed."""
    (tmp_path / "trip.toml").write_text(trip_text(), encoding="utf-8")
    plan = planned(str(tmp_path))
    save_plan(plan, tmp_path / PLAN_FILE)
    write_geojson(plan, tmp_path)
    hour, box = after(6.0), plan.boxes.set_index("rank").loc[2]
    clock = plan.trip.show.say_clock(hour)
    assert run(tmp_path, "weed", "box", "2", "--time", clock)[0] == 0
    listed = run(tmp_path)[1].strip()
    said = re.fullmatch(rf"{clock} weed line at (\d+)°([\d.]+)'S (\d+)°([\d.]+)'E \(box 2\)", listed)
    south, east = (int(said[k]) + float(said[k + 1]) / 60 for k in (1, 3))
    gone = (hour - box["valid_time"].to_datetime64()) / np.timedelta64(1, "s") * EAST
    x, y = map(
        float, PLANE.metres(*shapely.line_interpolate_point(box["line"], 0.5, normalized=True).coords[0])
    )
    assert gone > 1000
    assert tuple(map(float, PLANE.metres(east, -south))) == pytest.approx(
        (x + gone, y), abs=200
    )  # tenths of a minute: 185 m
    assert run(tmp_path, "--undo")[1].strip() == f"took back {listed}"


def test_a_program_reads_json(folder):
    code, out, _ = run(folder, "birds", "12", "low", "08:10", "box", "2", "--json")
    entry = json.loads(out)
    assert code == 0
    assert entry["geometry"] == {"type": "Point", "coordinates": [153.5, pytest.approx(-30.47, abs=1e-4)]}
    facts = {name: entry[name] for name in ("id", "kind", "count", "flying", "time", "value", "depth")}
    assert facts == {
        "id": 1,
        "kind": "birds",
        "count": 12,
        "flying": "low",
        "time": "2026-01-16T21:10:00Z",
        "value": None,
        "depth": None,
    }
    assert json.loads(run(folder, "--json")[1]) == [entry]
    assert json.loads(run(folder, "--undo", "--json")[1]) == entry
    assert json.loads(run(folder, "--json")[1]) == []


def test_quiet_says_nothing_but_what_was_asked_for(folder, tmp_path):
    said = f"08:10 weed line at {PLACE}\n"
    assert run(folder, "--quiet") == (0, "", "")
    assert run(folder, "weed", "08:10", "--at", PLACE, "--quiet") == (0, "", "")
    assert run(folder, "-q") == (0, said, "")
    assert run(folder, "--export", str(tmp_path / "log.csv"), "-q") == (0, "", "")
    assert run(folder, "--undo", "--quiet") == (0, "", "")
    assert run(folder, "-q") == (0, "", "")
    assert run(folder, "shiny", "08:10", "--at", PLACE, "-q")[0] == 2  # a fault is told all the same


def test_an_empty_log_says_how_to_fill_it(folder):
    code, out, _ = run(folder)
    assert code == 0
    assert "no entries" in out
    assert "log --help" in out


def test_it_is_written_as_geojson_that_others_read(folder, tmp_path):
    run(folder, "bite", "08:10", "box", "2")
    run(folder, "nothing", "box", "2", "08:10", "08:55")
    code, out, err = run(folder, "--export", tmp_path / "log.geojson")
    assert code == 0, err
    assert "wrote 2 entries" in out
    back = gpd.read_file(tmp_path / "log.geojson")
    assert sorted(back.geometry.geom_type) == ["LineString", "Point"]
    raw = json.loads((tmp_path / "log.geojson").read_text())
    assert raw["type"] == "FeatureCollection"
    assert "crs" not in raw  # RFC 7946, section 4
    for feature in raw["features"]:
        assert shapely.from_geojson(json.dumps(feature["geometry"])).is_valid


def test_it_is_written_as_csv(folder, tmp_path):
    run(folder, "bite", "08:10", "box", "2")
    code, out, _ = run(folder, "--export", tmp_path / "log.csv", "--json")
    assert code == 0
    assert json.loads(out) == {"wrote": str(tmp_path / "log.csv")}
    assert "2026-01-17T08:10+11:00,,bite" in (tmp_path / "log.csv").read_text()


def test_a_plotters_file_read_twice_adds_nothing(folder, tmp_path):
    wpt = '<wpt lat="-30.42" lon="153.5"><time>2026-01-16T21:10:00Z</time><name>{}</name></wpt>'
    marks = "".join(wpt.format(name) for name in ("WEED", "BIRDS 3 LOW", "HARBOUR"))
    (tmp_path / "marks.gpx").write_text(
        f'<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">{marks}</gpx>'
    )
    code, out, err = run(folder, "--gpx", tmp_path / "marks.gpx")
    assert code == 0, err
    assert out == "2 new, 0 in the log already\n"
    assert "left out 1: without a trade word in the name" in err
    again = json.loads(run(folder, "--gpx", tmp_path / "marks.gpx", "--json")[1])
    assert again == {"new": 0, "known": 2, "left_out": {"without a trade word in the name": 1}}
    assert len(read_sightings(folder)) == 2


def test_a_track_of_the_plotter_leaves_what_was_typed(folder, tmp_path):
    """A stretch placed by a box, and one between two places; tracks over fewer and over more hours."""
    run(folder, "trolled", "08:10", "08:55", "box", "2", "--note", "with teaser")
    places = ["--from", "30 25.2S 153 31.0E", "--to", "30 21.0S 153 31.0E"]
    run(folder, "trolled", "10:10", "10:55", *places)
    for name, minutes in (("short", 30), ("long", 70)):
        points = (
            f'<trkpt lat="{-30.5 + 0.00083 * k:.5f}" lon="153.5"><time>{at:%Y-%m-%dT%H:%M:%SZ}</time></trkpt>'
            for k, at in enumerate(
                datetime(2026, 1, 16, 21, 5, tzinfo=UTC) + timedelta(seconds=30 * k)
                for k in range(2 * minutes)
            )
        )
        (tmp_path / f"{name}.gpx").write_text(
            '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
            f"{''.join(points)}</trkseg></trk></gpx>"
        )
        code, out, err = run(folder, "--gpx", tmp_path / f"{name}.gpx")
        assert (code, out) == (0, "1 new, 0 in the log already\n"), err
    log = read_sightings(folder)
    assert log["source"].tolist() == ["long.gpx", "typed, placed by the plan", "typed"]
    assert log["note"].tolist() == ["", "with teaser", ""]
    assert read_sightings(folder, deleted=True)["source"].tolist() == ["short.gpx"]


def test_an_hour_to_be_home_by_is_never_before_leaving():
    """A trip from 20:00 to 06:00 takes entries from 14:00; home by 15:00 is not before it began."""
    with pytest.raises(
        SearcherError, match=r"time outside the trip; given 15:00; expected local time from .* 20:00"
    ):
        find_moment(make_trip(), (15, 0), ahead=True)
    assert find_moment(make_trip(), (5, 0), ahead=True).hour == 5
