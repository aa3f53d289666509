"""At sea and in the evening on the command line, as real processes with no network."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import gpxpy
import pytest

NO_NETWORK = """
import socket
def refuse(*_, **__):
    raise OSError("the network was asked for")
socket.socket.connect = socket.create_connection = socket.getaddrinfo = refuse
"""


@pytest.fixture(scope="module")
def morning(demo_folder, tmp_path_factory) -> Path:
    """A copy of the demonstration in which something has been seen."""
    folder = tmp_path_factory.mktemp("sea") / "morning"
    shutil.copytree(demo_folder, folder)
    (folder.parent / "sitecustomize.py").write_text(NO_NETWORK)
    first, second = (stay["box"] for stay in stays_of(folder)[:2])
    for words in (
        f"trolled 06:15 07:30 box {first}",
        f"bite 06:50 box {first}",
        f"nothing 07:40 08:30 box {second}",
        f"temperature 24.4C 07:00 box {first}",
        f"birds 2 low 08:20 box {second}",
        f"weed line 08:25 box {second}",
    ):
        run(folder, "log", folder, *words.split())
    return folder


def run(folder: Path, *args, code: int = 0) -> subprocess.CompletedProcess:
    command = [sys.executable, "-m", "searcher.cli", *map(str, args)]
    paths = [str(folder.parent), str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH", "")]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, paths))}
    done = subprocess.run(
        command, cwd=folder.parent, env=environment, capture_output=True, text=True, timeout=300
    )
    assert done.returncode == code, done.stdout + done.stderr
    return done


def stays_of(folder: Path) -> list[dict]:
    """Boxes of the morning's day, in order."""
    legs = json.loads((folder / "legs.geojson").read_text())["features"]
    numbers = dict.fromkeys(leg["properties"]["box"] for leg in legs if leg["properties"]["kind"] == "troll")
    return [{"box": number} for number in numbers]


def test_rerank_says_where_next_and_when_home(morning):
    number = stays_of(morning)[1]["box"]
    done = run(morning, "rerank", morning, "--at", f"box {number}", "--fuel", "190L", "--time", "08:35")
    lines = done.stdout.splitlines()
    assert re.match(r"NEXT box \d+ \(\d\.\d\d an hour\): ", lines[0])
    assert re.search(r"TURN FOR HOME from box \d+ by \d\d:\d\d; from here by \d\d:\d\d", done.stdout)
    assert re.search(
        r"Home: \d{3} true, [\d.]+ nmi to the sea buoy, .* with the throttle for 20.0 kn in flat water",
        done.stdout,
    )
    for words in ("trolled, 1 met", "trolled, nothing", "2 birds, low, at 08:20", "than the map"):
        assert words in done.stdout, words
    assert "your judgement come first" in lines[-1]
    assert max(map(len, lines)) < 120
    assert len(lines) < 25
    assert done.stderr == ""


def test_rerank_writes_beside_the_morning_and_changes_none_of_it(morning):
    before = {path.name: path.read_bytes() for path in morning.iterdir() if path.is_file()}
    run(morning, "rerank", morning, "--fuel", "80%", "--time", "09:00")
    after = {path.name: path.read_bytes() for path in morning.iterdir() if path.is_file()}
    new = {"rerank.gpx", "rerank_boxes.geojson", "rerank_legs.geojson", "rerank.json"}
    assert set(after) - new == set(before) - new
    assert all(after[name] == before[name] for name in set(before) - new)
    made = gpxpy.parse(after["rerank.gpx"].decode())
    assert len(made.routes[0].points) >= 3
    legs = json.loads(after["rerank_legs.geojson"])
    assert legs["features"][-1]["properties"]["kind"] == "home"
    assert legs["cautions"]


def test_rerank_for_a_program(morning):
    number = stays_of(morning)[0]["box"]
    done = run(
        morning, "rerank", morning, "--at", "153.35, -30.5", "--fuel", "45gal", "--time", "10:00",
        "--ban", number, "--home-by", "14:00", "--json",
    )  # fmt: skip
    facts = json.loads(done.stdout)
    assert facts["fuel"] == pytest.approx(45 * 3.785411784)
    assert facts["at"] == pytest.approx([153.35, -30.5])
    assert number not in [stay["box"] for stay in facts["stays"]]
    assert facts["turn_for_home"] < "2026-01-17T03:00"
    assert {row["number"] for row in facts["boxes"]} >= {number}
    assert facts["home"]["fits"]
    assert any("reserve" in text for text in facts["cautions"])
    assert set(json.loads((morning / "rerank.json").read_text())) == {*facts, "plan"}


def test_rerank_without_fuel_for_more_says_go_home(morning):
    done = run(morning, "rerank", morning, "--at", "153.35, -30.5", "--fuel", "86L", "--time", "10:00")
    assert done.stdout.startswith("TURN FOR HOME NOW: it takes ")
    assert "Tell the person ashore." in done.stdout
    legs = json.loads((morning / "rerank_legs.geojson").read_text())
    (home,) = legs["features"]  # the plotter still gets the way
    assert home["properties"]["kind"] == "home"
    assert len(gpxpy.parse((morning / "rerank.gpx").read_text()).routes[0].points) >= 2
    lost = run(morning, "rerank", morning, "--at", "153.35, -30.5", "--fuel", "3L", "--time", "10:00")
    assert re.match(
        r"NOT ENOUGH FUEL TO REACH HOME: it takes \d+ L .*, 3 L are aboard. Call for help", lost.stdout
    )


def test_a_box_that_is_not_there_is_refused_on_the_way_home_too(morning):
    home = ["--at", "153.35, -30.5", "--fuel", "86L", "--time", "10:00"]  # only the way home fits, as above
    for flag in ("--pin", "--ban"):
        done = run(morning, "rerank", morning, *home, flag, 99, code=2)
        assert "boxes pinned or banned that are not there; given 99; expected numbers of boxes" in done.stderr
    first = stays_of(morning)[0]["box"]
    assert "TURN FOR HOME NOW" in run(morning, "rerank", morning, *home, "--pin", first).stdout


def test_quiet_writes_and_speaks_only_of_danger(morning):
    (morning / "rerank.json").unlink(missing_ok=True)
    done = run(morning, "rerank", morning, "--fuel", "80%", "--time", "09:00", "--quiet")
    assert (done.stdout, done.stderr) == ("", "")
    assert json.loads((morning / "rerank.json").read_text())["stays"]
    late = run(morning, "rerank", morning, "--at", "153.35, -30.5", "--fuel", "86L", "--time", "10:00", "-q")
    assert late.stdout == ""
    assert late.stderr.startswith("note: TURN FOR HOME NOW: it takes ")
    done = run(morning, "review", morning, "--quiet")
    assert (done.stdout, done.stderr) == ("", "")
    assert "forecast against log" in (morning / "review.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("args", "fault"),
    [
        (["--fuel", "lots"], "fuel not understood"),
        ([], "how much is in the tank"),
        (["--fuel", "900L"], "fuel in the tank; given 900 L"),
        (["--fuel", "150L", "--at", "140.0, -30.0"], "far from the trip"),
        (
            ["--fuel", "150L", "--at", "153.05, -30.35"],
            "the boat's place; given 30°21.0'S 153°03.0'E, on land or",
        ),
        (["--fuel", "200L", "--pin", "99"], "boxes pinned or banned that are not there"),
        (["--fuel", "150L", "--at", "box 77"], "no such box"),
    ],
)
def test_a_wrong_word_is_one_message(morning, args, fault):
    done = run(morning, "rerank", morning, "--time", "10:00", *args, code=2)
    assert fault in done.stderr
    assert "Traceback" not in done.stderr


def test_without_a_plan_both_say_what_to_do(morning, tmp_path):
    for name in ("trip.toml", "closed_area.geojson"):
        shutil.copy(morning / name, tmp_path)
    for verb in (["rerank", tmp_path, "--fuel", "100L", "--at", "153.35, -30.5"], ["review", tmp_path]):
        assert "searcher plan" in run(morning, *verb, code=2).stderr


def test_review_in_the_evening(morning):
    done = run(morning, "review", morning)
    for words in ("forecast against log", "Encounters in", "expected an hour", "warmer than", "review.png"):
        assert words in done.stdout, words
    assert "This trip learns from no log" in done.stdout
    facts = json.loads(run(morning, "review", morning, "--json").stdout)
    assert facts["met"] == 1
    assert (morning / "review.txt").read_text().splitlines() == done.stdout.splitlines()[:-2]


def test_plan_with_bans_pins_and_an_earlier_hour(trip_folder):
    """The kept plan knows the hour, so that a rerank without it keeps to it."""
    (trip_folder.parent / "sitecustomize.py").write_text(NO_NETWORK)
    done = run(trip_folder, "plan", trip_folder, "--ban", 1, "--ban", 2, "--pin", 3, "--home-by", "13:00")
    assert re.search(
        r"box 3: .* expected; (leave at \d\d:\d\d if nothing by then|stay until then)", done.stdout
    )
    assert "proven best" in done.stdout or "of the best possible" in done.stdout
    numbers = {stay["box"] for stay in stays_of(trip_folder)}
    assert 3 in numbers
    assert not numbers & {1, 2}
    facts = json.loads(
        run(
            trip_folder, "rerank", trip_folder, "--at", "box 3", "--fuel", "200L", "--time", "08:00", "--json"
        ).stdout
    )
    assert facts["turn_for_home"] < "2026-01-17T02:00"
    wrong = run(trip_folder, "plan", trip_folder, "--pin", 3, "--ban", 3, code=2)
    assert "both pinned and banned" in wrong.stderr
    night = run(trip_folder, "plan", trip_folder, "--home-by", "4:30", code=2)
    assert "home by an hour of the next day; given 4:30, which is Sun 18 Jan 04:30" in night.stderr


def test_a_plan_says_that_what_was_handed_over_is_of_another(trip_folder):
    (trip_folder / "brief.html").write_text("of before")
    done = run(trip_folder, "plan", trip_folder, "--home-by", "13:00")
    assert "brief.html are still of an earlier plan: run 'searcher brief'" in done.stderr


def test_a_day_without_a_box_is_planned_and_kept(trip_folder):
    text = (trip_folder / "trip.toml").read_text()
    for key, depth in (("min_depth_m", 6000), ("max_depth_m", 7000)):
        text, count = re.subn(rf"(?m)^.*{key} = .*$", f"{key} = {depth}", text)
        assert count == 1
    (trip_folder / "trip.toml").write_text(text)
    run(trip_folder, "plan", trip_folder)
    done = run(
        trip_folder, "rerank", trip_folder, "--at", "153.35, -30.5", "--fuel", "200L", "--time", "08:00"
    )
    assert done.stdout.startswith("NO MORE BOXES")
