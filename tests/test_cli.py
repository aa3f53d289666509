"""The command line as a user meets it: every verb, and what bad input gets.

Runs go through `searcher.cli.main`, in this process where that shows all there is, else in one of their own.
"""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import NamedTuple
from unittest.mock import patch

import netCDF4
import pytest
import typer

from searcher import __version__, cli
from searcher.tables import FRONT_KINDS
from searcher.trip import new_trip_text, read_trip

VERBS = sorted(typer.main.get_command(cli.app).commands)
SST = "sea_surface_temperature"
FINISH = """
[finish]
name = "Far Harbour"
at = [153.2, -30.11]
sea_buoy = [153.235, -30.11]
"""


class Run(NamedTuple):
    """What a run left: exit code, standard output, error stream."""

    code: int
    out: str
    err: str


def run(*args: object) -> Run:
    """Call the entry point as the `searcher` command does."""
    out, err = io.StringIO(), io.StringIO()
    argv = ["searcher", *map(str, args)]
    with patch.object(sys, "argv", argv), redirect_stdout(out), redirect_stderr(err):
        try:
            cli.main()
            code = 0
        except SystemExit as end:
            code = end.code or 0
    return Run(code, out.getvalue(), err.getvalue())


def run_apart(*args: object, cwd: Path, code: str | None = None) -> Run:
    """The same in a process of its own; `code` in place of the module where something must be done first."""
    start = ["-m", "searcher.cli"] if code is None else ["-c", code]
    command = [sys.executable, *start, *map(str, args)]
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=300)
    return Run(done.returncode, done.stdout, done.stderr)


def listing(folder: Path) -> dict[str, bytes]:
    """Everything in a folder with its content (directories with none)."""
    paths = sorted(folder.rglob("*"))
    return {str(path.relative_to(folder)): path.read_bytes() if path.is_file() else b"" for path in paths}


def edit(folder: Path, **values: str) -> None:
    """Give keys of trip.toml other values, written as in the file; every key must be there."""
    path = folder / "trip.toml"
    text = path.read_text()
    for key, value in values.items():
        text, count = re.subn(rf"(?m)^{key} = [^#\n]*", f"{key} = {value} ", text)
        assert count, f"{key} is not in the trip file"
    path.write_text(text)


def keep_only(folder: Path, stamp: str) -> Path:
    """Drop all temperature pictures but one."""
    for path in (folder / "data").glob("sst_*.nc"):
        if stamp not in path.name:
            path.unlink()
    (kept,) = (folder / "data").glob("sst_*.nc")
    return kept


# --- damage: each makes one thing wrong in a good trip folder


def drop_trip_file(folder: Path) -> None:
    (folder / "trip.toml").unlink()


def break_syntax(folder: Path) -> None:
    path = folder / "trip.toml"
    path.write_text(path.read_text().replace("[window]", "[window"))


def mistype_much(folder: Path) -> None:
    edit(folder, tank_l='"full"', lines="7", bait='"squid"', timezone='"Sydney"', leave='"at dawn"')
    path = folder / "trip.toml"
    path.write_text(path.read_text().replace("max_wind_kn", "max_wnd_kn") + "\n[gaer]\nrods = 4\n")


def empty_tank(folder: Path) -> None:
    edit(folder, tank_l="3")


def shrink_tank(folder: Path) -> None:
    edit(folder, tank_l="12")


def put_port_on_land(folder: Path) -> None:
    edit(folder, at="[152.95, -30.405]")


def move_away(folder: Path) -> None:
    edit(folder, at="[115.73, -32.05]", sea_buoy="[115.6, -32.05]", timezone='"Australia/Perth"')


def leave_later(folder: Path) -> None:
    edit(folder, leave='"2026-01-21 05:00"', home_by='"2026-01-21 16:30"')


def close_a_line(folder: Path) -> None:
    line = {"type": "LineString", "coordinates": [[153.3, -30.1], [153.4, -30.2]]}
    (folder / "closed_area.geojson").write_text(json.dumps(line))


def drop_closed_area(folder: Path) -> None:
    (folder / "closed_area.geojson").unlink()


def close_the_sea_buoy(folder: Path) -> None:
    ring = [[153.0, -30.5], [153.2, -30.5], [153.2, -30.3], [153.0, -30.3], [153.0, -30.5]]
    (folder / "closed_area.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}))


def cut_short(folder: Path) -> None:
    path = folder / "data" / "currents.nc"
    os.truncate(path, path.stat().st_size * 6 // 10)


def write_nonsense(folder: Path) -> None:
    (folder / "data" / "wind.nc").write_text("<html>Please log in</html>")


def drop_data(folder: Path) -> None:
    for path in (folder / "data").iterdir():
        path.unlink()


def drop_currents(folder: Path) -> None:
    (folder / "data" / "currents.nc").unlink()


def hide_temperature(folder: Path) -> None:
    with netCDF4.Dataset(keep_only(folder, "20260116T1200"), "a") as data:
        data[SST].delncattr("standard_name")
        data[SST].delncattr("long_name")
        data.renameVariable(SST, "band_4")


def drop_units(folder: Path) -> None:
    with netCDF4.Dataset(keep_only(folder, "20260116T1200"), "a") as data:
        data[SST].delncattr("units")


#: what is wrong, the verbs that must refuse it, what the message must hold
FAULTS: list[tuple[Callable[[Path], None], str, list[str]]] = [
    (drop_trip_file, "check scan plan brief", ["no trip file at .*trip.toml", "searcher new"]),
    (break_syntax, "check plan", ["trip.toml is not valid TOML", r"line \d+"]),
    (empty_tank, "check plan", [r"\[boat\] tank.*3 L.*cannot come home"]),
    (shrink_tank, "plan brief", ["cannot leave, fish and come home", "above the reserve", "more fuel"]),
    (
        put_port_on_land,
        "check plan",
        [r"\[port\] at", r"\[152.95, -30.405\]", r"on land \d+\.\d km from the sea"],
    ),
    (
        move_away,
        "check scan plan brief",
        ["outside the data", r"113\.\d+ to 117\.\d+° E", r"152\.00 to 156\.\d+° E", "correct the port"],
    ),
    (
        leave_later,
        "scan plan brief",
        ["currents do not cover the hours", "to 2026-01-18 00:00 UTC", "2026-01-20 18:00 UTC to"],
    ),
    (close_a_line, "check plan", ["closed_area.geojson", "is a LineString, expected a Polygon"]),
    (drop_closed_area, "check plan", [r"\[avoid\] files", "closed_area.geojson", "no such file"]),
    (close_the_sea_buoy, "check plan", [r"\[port\] sea_buoy", "inside a closed area"]),
    (cut_short, "check scan plan brief", ["currents.nc", "damaged or cut short", "fetch it again"]),
    (write_nonsense, "check plan", ["wind.nc", "cannot be read as netCDF"]),
    (drop_data, "scan plan", ["no data files", "data/\\*.nc"]),
    (drop_currents, "check plan", ["no file holds currents"]),
    (
        hide_temperature,
        "check scan plan",
        ["no file holds temperature", r"sst_20260116T1200.nc: .*band_4"],
    ),
    (drop_units, "check scan plan", ["sst_20260116T1200.nc", SST, "units"]),
]


@pytest.mark.parametrize(("damage", "verbs", "said"), FAULTS, ids=[fault[0].__name__ for fault in FAULTS])
def test_bad_input_gets_one_message_and_leaves_nothing(damage, verbs, said, trip_folder):
    damage(trip_folder)
    before = listing(trip_folder)
    for verb in verbs.split():
        got = run(verb, trip_folder)
        assert got.code == 2, (verb, got)
        assert got.out == ""
        assert got.err.count("searcher: ") == 1, got.err
        message = got.err.split("searcher: ")[1]
        for pattern in said:
            assert re.search(pattern, message), f"{verb}: {pattern!r} not in {message!r}"
        assert listing(trip_folder) == before, f"{verb} left something behind"


def test_all_faults_of_a_trip_file_come_at_once(trip_folder):
    mistype_much(trip_folder)
    got = run("check", trip_folder)
    assert got.code == 2
    problems = re.findall(r"(?m)^  - trip.toml line \d+, (.*)$", got.err)
    names = ["[port] timezone", "[window] leave", "[boat] max_wnd_kn", "[boat] tank_l", "[gear] bait"]
    names += ["[gear] lines", "[gaer]"]
    for name in names:
        assert sum(problem.startswith(f"{name}:") for problem in problems) == 1, (name, got.err)
    assert f"{len(problems)} problems" in got.err


@pytest.mark.parametrize("damage", [cut_short, mistype_much], ids=lambda damage: damage.__name__)
def test_a_process_of_its_own_ends_the_same_way(damage, trip_folder):
    damage(trip_folder)
    before = listing(trip_folder)
    got = run_apart("plan", cwd=trip_folder)
    assert got.code == 2
    assert "searcher: " in got.err
    assert "Traceback" not in got.err + got.out
    assert listing(trip_folder) == before


def test_a_folder_that_is_not_there(tmp_path):
    for verb in ("check", "scan", "plan", "brief"):
        got = run(verb, tmp_path / "nowhere")
        assert got.code == 2
        assert re.search(r"searcher: no trip file at .*nowhere", got.err)
    assert not list(tmp_path.iterdir())


def test_a_mistyped_command_gets_a_hint_and_no_traceback(tmp_path):
    for args in (["plann"], ["plan", "--jsno"], ["demo"], ["demo", tmp_path / "x", "--seed", "-1"]):
        got = run(*args)
        assert got.code == 2
        assert "Error" in got.err
    assert not list(tmp_path.iterdir())


def test_a_bug_still_shows_its_traceback(tmp_path):
    bug = (
        "import searcher.trip\n"
        "from searcher.cli import main\n"
        "searcher.trip.read_trip = lambda folder: 1 / 0\n"
        "main()"
    )
    got = run_apart("check", tmp_path, cwd=tmp_path, code=bug)
    assert got.code == 1
    assert got.err.startswith("Traceback")
    assert "ZeroDivisionError: division by zero" in got.err


@pytest.mark.parametrize("verb", VERBS)
def test_help_has_an_example(verb):
    got = run(verb, "--help")
    assert got.code == 0
    assert re.search(rf"Example: searcher {verb} \w+/", got.out)


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_can_be_quiet_and_speak_to_a_program(verb):
    told = run(verb, "--help").out
    assert re.search(r"(?m)^ +--json +Print JSON", told)
    assert re.search(r"(?m)^ +-q, --quiet +Print nothing but", told)


def test_help_names_every_verb_and_version_is_told():
    got = run("--help")
    assert got.code == 0
    for verb in VERBS:
        assert re.search(rf"(?m)^\W*{verb}\s+\S", got.out), verb
    assert run("--version") == (0, f"searcher {__version__}\n", "")


@pytest.mark.parametrize("module", ["searcher", "searcher.cli"])
def test_the_package_is_the_command(module, tmp_path):
    """With the name of the command in its help, as it is typed."""
    command = [sys.executable, "-m", module, "check", "--help"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.split() == run("check", "--help").out.split()
    assert "Usage: searcher check [OPTIONS]" in done.stdout


# --- new and check


def test_new_then_check_works_in_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    made = run("new")
    assert made.code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["trip.toml"]
    got = run("check")
    assert got.code == 0, got.err
    assert "Wirrin Harbour" in got.out
    assert 'nothing matches "data/*.nc"' in got.out


def test_the_boat_of_the_example_is_warned_of_until_it_is_ones_own(tmp_path, monkeypatch):
    made = run("new", tmp_path, "--leave", "2030-01-05 05:00")
    assert "Edit it: the port, the boat, its fuel and your limits in it are only an example." in made.out
    warned = "The boat is still the example that 'searcher new' wrote"
    told = run("check", tmp_path)
    assert f"note: {warned} (burn table, tank, draught, wind limit, wave limit): " in told.out
    assert any(warned in text for text in json.loads(run("check", tmp_path, "--json").out)["findings"])
    assert f"note: {warned}" in run("check", tmp_path, "--quiet").err
    monkeypatch.chdir(tmp_path)
    assert f"\n{warned}" in run().out
    edit(tmp_path, tank_l="250.0", max_wind_kn="15.0")
    assert f"{warned} (burn table, draught, wave limit): " in run("check", tmp_path).out
    path = tmp_path / "trip.toml"
    path.write_text(path.read_text().replace("[20.0, 58.0]", "[20.0, 61.0]"))
    assert warned not in run("check", tmp_path).out


@pytest.mark.slow
def test_a_plan_for_the_boat_of_the_example_says_so(trip_folder):
    """The demonstration's sea and port, with the section [boat] as `searcher new` writes it."""
    path, (boat,) = trip_folder / "trip.toml", re.findall(r"(?ms)^\[boat\].*?(?=^\[gear\])", new_trip_text())
    path.write_text(re.sub(r"(?ms)^\[boat\].*?(?=^\[gear\])", lambda _: boat, path.read_text()))
    got = run("plan", trip_folder)
    assert got.code == 0, got.err
    assert "caution: The boat is still the example" in got.out
    assert (
        "The boat is still the example"
        in json.loads((trip_folder / "boxes.geojson").read_text())["cautions"][0]
    )


def test_check_names_the_port_in_which_the_day_ends(tmp_path, monkeypatch):
    assert run("new", tmp_path, "--leave", "2030-01-05 05:00").code == 0
    path = tmp_path / "trip.toml"
    path.write_text(path.read_text() + FINISH)
    assert run("check", tmp_path).out.startswith("Wirrin Harbour to Far Harbour: Sat 5 Jan 05:00 AEDT to ")
    monkeypatch.chdir(tmp_path)
    assert run().out.startswith("Wirrin Harbour to Far Harbour, Sat 5 Jan 05:00 AEDT to ")


def test_new_takes_the_port_and_the_hours(tmp_path):
    folder = tmp_path / "saturday"
    place = ["--at", "30°18.3'S 153°08.28'E", "--sea-buoy", "153.175, -30.305"]
    got = run(
        "new", folder, "--port-name", "Our Bay", *place, "--leave", "2030-01-05 04:30", "--boat-name", "Tern"
    )
    assert got.code == 0, got.err
    text = (folder / "trip.toml").read_text()
    for line in (
        'name = "Our Bay"',
        "at = [153.138, -30.305]",
        'leave = "2030-01-05 04:30"',
        'name = "Tern"',
    ):
        assert line in text


def test_new_names_the_next_command_as_it_is_typed(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run("new", "the day").out.endswith('then: searcher check "the day"\n')
    assert run("new", "sunday").out.endswith("then: searcher check sunday\n")


def test_new_says_what_it_took_for_granted_of_a_port(tmp_path):
    """Clocks of Honolulu were Sydney's: a day and two hours off, and a plan of the wrong day."""
    got = run("new", tmp_path, "--at", "21°15.0'N 158°00.0'W")
    assert got.code == 0, got.err
    assert "Nobody said the time zone (Etc/GMT+11, from the longitude: it knows no summer time)" in got.out
    assert "or the sea buoy (where the boat lies): put in your own." in got.out
    trip = read_trip(tmp_path)
    assert (trip.port.name, trip.port.timezone) == ("My port", "Etc/GMT+11")
    got = run("check", tmp_path)
    assert "[port] timezone: Etc/GMT+11 may know no summer time" in got.out


def test_new_leaves_an_existing_file_alone_unless_forced(tmp_path):
    path = tmp_path / "trip.toml"
    path.write_text("mine")
    got = run("new", tmp_path)
    assert got.code == 2
    assert re.search(r"searcher: .*trip.toml is already there", got.err)
    assert listing(tmp_path) == {"trip.toml": b"mine"}
    assert run("new", tmp_path, "--force").code == 0
    assert "[port]" in path.read_text()


def test_new_writes_nothing_where_a_value_is_wrong(tmp_path):
    got = run("new", tmp_path / "x", "--leave", "tomorrow", "--at", "152.6, -30.405")
    assert got.code == 2
    assert "[window] leave" in got.err
    assert "[port] at" in got.err
    assert not list(tmp_path.iterdir())


def test_new_says_how_a_place_is_written(tmp_path):
    got = run("new", tmp_path / "x", "--at", "35°12.5'N")
    assert got.code == 2
    assert "place not understood; given \"35°12.5'N\"; expected 30°25.2'S 153°31.0'E, or" in got.err


def test_demo_says_where_its_folder_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("x")
    got = run("demo", tmp_path / "file" / "morning")
    assert got.code == 2
    assert re.search(r"searcher: the folder .*morning cannot be made", got.err)
    assert listing(tmp_path) == {"file": b"x"}


def test_demo_leaves_an_existing_trip_alone(trip_folder):
    before = listing(trip_folder)
    got = run("demo", trip_folder)
    assert got.code == 2
    assert "already there" in got.err
    assert listing(trip_folder) == before


def test_check_tells_range_data_and_ages(trip_folder):
    got = run("check", trip_folder)
    assert got.code == 0
    assert re.search(r"Wirrin Harbour: Sat 17 Jan 05:00 AEDT to .* above the reserve", got.out)
    assert re.search(r"temperature: .*, 6 h old at departure, \d+% missing", got.out)
    assert "is in the past" in got.out


def test_a_field_is_spelled_as_on_the_page(trip_folder):
    assert re.search(r"(?m)^  colour: built-in sea", run("check", trip_folder).out)


def test_check_prints_json(trip_folder):
    got = run("check", "--json", trip_folder)
    told = json.loads(got.out)
    assert got.code == 0
    nodes = {row["node"] for row in told["data"]}
    assert nodes >= {"temperature", "currents", "color", "wind", "waves", "depth"}
    assert any("in the past" in finding for finding in told["findings"])
    temperature = next(row for row in told["data"] if row["node"] == "temperature")
    assert temperature["age"] == 6 * 3600  # newest picture 12:00 UTC, departure 05:00 AEDT = 18:00 UTC


def test_a_fault_is_told_to_a_program_too(tmp_path):
    got = run("check", "--json", tmp_path)
    assert got.code == 2
    assert json.loads(got.out) == {"error": got.err.removeprefix("searcher: ").rstrip("\n"), "problems": []}


# --- scan, plan, brief


def test_scan_writes_the_sea_and_the_fronts(trip_folder):
    before = listing(trip_folder)
    got = run("scan", trip_folder)
    assert got.code == 0, got.err
    after = listing(trip_folder)
    assert sorted(after.keys() - before.keys()) == ["fronts.geojson", "sea.nc"]
    assert "temperature break" in got.out
    assert "convergence line" in got.out
    # the file says the same, to a program
    table = json.loads(run("scan", "--json", trip_folder).out)
    assert table == json.loads(after["fronts.geojson"])
    kinds = "|".join(FRONT_KINDS).replace("color", "colour")
    assert len(table["features"]) == len(re.findall(rf"(?m)^({kinds}) ", got.out))


@pytest.fixture(scope="module")
def planned(demo_folder, tmp_path_factory) -> tuple[Path, Run]:
    """A folder in which `plan --json` was run in a process of its own, and what it printed."""
    folder = tmp_path_factory.mktemp("planned")
    for name in ("trip.toml", "closed_area.geojson", "data"):
        (folder / name).symlink_to(demo_folder / name)
    return folder, run_apart("plan", "--json", cwd=folder)


def test_plan_prints_json_alone(planned):
    _, got = planned
    assert got.code == 0, got.err
    assert got.err == ""
    told = json.loads(got.out)
    assert [box["rank"] for box in told["boxes"]] == list(range(1, len(told["boxes"]) + 1))
    assert told["legs"][0]["kind"] == "run"
    assert told["legs"][-1]["kind"] == "home"
    assert told["legs"][-1]["fuel_left"] > 250 * 0.333
    assert told["turn_for_home"] < "2026-01-17T05:30"  # home_by 16:30 AEDT
    assert any("official marine forecast" in caution for caution in told["cautions"])


def test_plan_writes_its_tables_and_no_half_files(planned):
    folder, _ = planned
    made = {path.name for path in folder.iterdir() if not path.is_symlink()}
    assert made == {"fronts.geojson", "boxes.geojson", "legs.geojson", "reach.nc", "plan.nc"}
    with netCDF4.Dataset(folder / "reach.nc") as reach:
        assert set(reach["reachable"][:].ravel()) == {0, 1}
        assert reach["time_out"].shape == reach["blocked"].shape


@pytest.mark.slow
def test_quiet_prints_nothing(trip_folder):
    for verb in ("scan", "plan", "brief"):
        assert run(verb, "--quiet", trip_folder) == (0, "", "")


def test_stale_and_patchy_data_are_cautioned_with_figures(trip_folder):
    path = keep_only(trip_folder, "20260114T0000")
    with netCDF4.Dataset(path, "a") as data:
        quality = data["quality_level"][:]
        quality[..., ::4, :] = 0  # three rows in four stay: below this the plan has little to go by
        quality[..., 1::4, :] = 0
        quality[..., 2::4, :] = 0
        data["quality_level"][:] = quality
    checked = run("check", trip_folder)
    assert re.search(r"temperature: .*, 66 h old at departure, [789]\d% missing", checked.out)
    got = run("plan", trip_folder)
    assert got.code == 0, got.err
    assert re.search(r"(?m)^caution: Stale: .* 66 h old at departure \(your limit is 48 h\)", got.out)
    patchy = re.search(r"(?m)^caution: Patchy: .* shows (\d+)% of the water within reach", got.out)
    assert patchy
    assert int(patchy[1]) <= 26


def test_a_write_that_cannot_be_done_is_one_message(trip_folder):
    (trip_folder / "sea.nc").mkdir()
    before = listing(trip_folder)
    got = run("scan", trip_folder)
    assert got.code == 2
    assert re.search(r"searcher: .*sea.nc", got.err)
    assert listing(trip_folder) == before


def test_demo_prints_the_day_and_what_it_wrote(demo_folder):
    out = (demo_folder.parent / "stdout.txt").read_text()
    assert re.search(r"(?m)^\d\d:\d\d-\d\d:\d\d  run    box \d+ .* at .* left$", out)
    assert re.search(r"(?m)^First to box \d+: \S", out)
    assert re.search(r"(?m)^Turn for home from the last box by .* at the latest\.$", out)
    assert re.search(r"(?m)^caution: ", out)
    wrote = re.search(r"(?m)^wrote (.*) in (.*)$", out)
    assert all((demo_folder / name).stat().st_size > 0 for name in wrote[1].split(", "))
    assert f"open {demo_folder / 'brief.html'}" in out


def test_quiet_does_not_hide_a_limit_that_is_passed(trip_folder):
    edit(trip_folder, max_wind_kn="1")
    got = run("plan", trip_folder, "--quiet")
    assert got.code == 0
    assert got.out == ""
    assert re.search(r"Beyond your limit: wind up to \d+\.\d kn", got.err)


def test_sources_reads_the_rows_of_the_folder_it_is_run_in(trip_folder, monkeypatch):
    (trip_folder / "sources.toml").write_text("[mine]\nfield = 1\n")
    monkeypatch.chdir(trip_folder)
    got = run("sources")
    assert got.code == 2
    assert "sources.toml" in got.err


def test_quiet_sources_are_ids_alone():
    region = ["--region", 152, -32, 156, -29]
    ids = [row["id"] for row in json.loads(run("sources", *region, "--json").out)]
    assert run("sources", *region, "--quiet") == (0, "".join(f"{name}\n" for name in ids), "")
    assert "mur" in ids


def test_sources_say_how_old_each_usually_is():
    """By the catalogue, whose figures are seconds; long ones in days."""
    region = ["--region", 152, -32, 156, -29]
    rows = json.loads(run("sources", *region, "--json").out)
    said = run("sources", *region).out.splitlines()
    spans = [row["latency"] / 3600 for row in rows if row["latency"]]
    assert min(spans) <= 72 < max(spans)
    for row, line in zip(rows, said, strict=True):
        hours = (row["latency"] or 0) / 3600
        span = f"{hours:.0f} h" if hours <= 72 else f"{hours / 24:.0f} days"
        assert (f"usually {span} old" in line) == bool(hours and row["time_step"]), line
        assert row["field"].replace("color", "colour") in line


def test_a_region_the_wrong_way_round_is_told():
    got = run("sources", "--region", 156, -32, 152, -29)
    assert got.code == 2
    assert "west < east" in got.err


def test_check_finds_what_plan_would_refuse(trip_folder):
    """Currents of another week: the hours of both are told, and exit 2, as `plan` would."""
    edit(trip_folder, leave='"2026-01-27 05:00"', home_by='"2026-01-27 16:30"')
    got = run("check", trip_folder)
    assert got.code == 2
    assert "currents" in got.err
