"""`searcher brief` for a small plotter and for a program."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import gpxpy
import pytest


def run_brief(folder: Path, *flags: str) -> subprocess.CompletedProcess:
    command = [sys.executable, "-m", "searcher.cli", "brief", str(folder), *flags]
    return subprocess.run(command, capture_output=True, text=True, timeout=600)


@pytest.mark.slow
def test_brief_suits_the_plotter_and_tells_a_program_what_it_wrote(trip_folder):
    done = run_brief(trip_folder, "--gpx-names", "6", "--gpx-points", "8", "--gpx-within", "300", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    told = json.loads(done.stdout)
    assert all(Path(path).stat().st_size > 0 for path in told["wrote"])
    names = {Path(path).name for path in told["wrote"]}
    assert {"brief.html", "route.gpx", "plan.kml", "legs.csv", "float_plan.html"} <= names
    assert [leg["kind"] for leg in told["legs"]][:: len(told["legs"]) - 1] == ["run", "home"]
    made = gpxpy.parse((trip_folder / "route.gpx").read_text(encoding="utf-8"))
    assert max(len(route.points) for route in made.routes) <= 8
    assert max(len(point.name) for route in made.routes for point in route.points) <= 6
    assert "within 300 m" in made.routes[0].description


@pytest.mark.parametrize(
    ("flag", "value", "said"),
    [
        ("--gpx-names", "3", "letters of a plotter's names; given 3; expected 6 to 10"),
        ("--gpx-points", "1", "points of a plotter's route; given 1; expected at least 2"),
        ("--gpx-within", "-5", "tolerance of a plotter's route; given -5 m; expected 0 m or more"),
    ],
)
def test_impossible_limits_are_one_message_and_nothing_is_written(tmp_path, flag, value, said):
    done = run_brief(tmp_path, "--quiet", flag, value)
    assert (done.returncode, done.stdout, done.stderr) == (2, "", f"searcher: {said}\n")
    assert list(tmp_path.iterdir()) == []
