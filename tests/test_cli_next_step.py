"""What `searcher` alone says, in every state a folder can be in."""

from __future__ import annotations

import json
import os
import re
import sys
from contextlib import redirect_stdout
from dataclasses import replace
from io import StringIO
from pathlib import Path
from unittest.mock import patch

import brief_plan
import numpy as np
import pytest
import typer
from typer.main import get_command

from searcher import cli
from searcher.cli.next_step import Folder, describe, look_into, next_step_text, next_steps, say_away
from searcher.keep import PLAN_FILE
from searcher.sightings import add_sighting, parse_words
from searcher.sightings.entry import Sighting
from searcher.trip import read_trip, write_trip

#: the trip of brief_plan leaves at 05:00 and is home by 16:00 AEDT, 11 h ahead of UTC
LEAVE, HOME = np.datetime64("2026-01-16T18:00", "ns"), np.datetime64("2026-01-17T05:00", "ns")
HOURS = np.timedelta64(1, "h")


@pytest.fixture(scope="module")
def trip():
    return brief_plan.make_trip()


@pytest.fixture
def ready(trip) -> Folder:
    """Everything made the evening before."""
    made = LEAVE - 8 * HOURS
    return Folder(
        trip=trip,
        edited=made - 2 * HOURS,
        files=3,
        fetched=made - HOURS,
        planned=made,
        briefed=made,
    )


def commands(found: Folder, now) -> list[str]:
    return [" ".join(step.command.split()[:2]) for step in next_steps(found, now)]


def test_an_empty_folder_begins_with_the_demonstration():
    assert commands(Folder(), LEAVE) == ["searcher demo", "searcher new"]
    assert describe(Folder(), LEAVE) == ["There is no trip.toml in this folder."]


def test_names_are_free_on_disks_that_know_no_case_and_can_be_typed():
    """Windows and macOS hold Saturday and saturday for one name; a name with spaces needs quotes."""
    steps = [step.command for step in next_steps(Folder(others=("My Trip", "Saturday", "MORNING")), LEAVE)]
    assert steps == ['cd "My Trip"', "searcher demo morning2", "searcher new sunday"]


def test_a_folder_of_trips_leads_into_one():
    found = Folder(others=("morning", "saturday"))
    assert [step.command for step in next_steps(found, LEAVE)] == [
        "cd morning",
        "searcher demo morning2",
        "searcher new sunday",
    ]
    assert "in morning, saturday." in describe(found, LEAVE)[0]


def test_a_folder_of_a_what_if_leads_back_to_its_trip(tmp_path):
    (tmp_path / "trip.toml").write_text("", encoding="utf-8")
    (tmp_path / "desk-1").mkdir()
    found = look_into(tmp_path / "desk-1")
    assert next_steps(found, LEAVE)[0].command == "cd .."
    assert describe(found, LEAVE) == ["There is no trip.toml in this folder, but in the one above."]


def test_a_faulty_trip_file_is_checked_first():
    found = Folder(problem="trip.toml line 3, [port] at: given 7")
    assert commands(found, LEAVE) == ["searcher check"]
    assert describe(found, LEAVE) == [found.problem]


def test_without_data_it_fetches_or_says_how_to_get_some(trip, ready):
    found = replace(ready, files=0, fetched=None, planned=None, briefed=None)
    assert commands(found, LEAVE - HOURS) == ["searcher sources", "searcher check"]
    data = trip.data.model_copy(update={"products": ("mur",)})
    found = replace(found, trip=trip.model_copy(update={"data": data}))
    assert commands(found, LEAVE - HOURS) == ["searcher fetch", "searcher check"]


@pytest.mark.parametrize(
    ("changes", "now", "first"),
    [
        ({"planned": None, "briefed": None}, LEAVE - 5 * HOURS, "searcher check"),
        ({"briefed": None}, LEAVE - 5 * HOURS, "searcher brief"),
        ({"edited": LEAVE - 6 * HOURS}, LEAVE - 5 * HOURS, "searcher brief"),
        ({"planned": LEAVE - 6 * HOURS}, LEAVE - 5 * HOURS, "searcher brief"),
        ({"fetched": LEAVE - 6 * HOURS}, LEAVE - 5 * HOURS, "searcher brief"),
        ({}, LEAVE - 5 * HOURS, "open brief.html"),
        ({}, LEAVE - HOURS / 2, "searcher log"),
        ({}, LEAVE + 3 * HOURS, "searcher log"),
        ({"planned": None}, LEAVE + 3 * HOURS, "searcher check"),
        ({}, HOME + HOURS, "open brief.html"),
        ({"briefed": None}, HOME + HOURS, "searcher log"),
        ({"entries": 4}, HOME + HOURS, "searcher review"),
        ({"entries": 4, "reviewed": True}, HOME + HOURS, "searcher new"),
        ({"planned": None}, HOME + HOURS, "edit trip.toml"),
    ],
)
def test_every_hour_has_its_step(ready, changes, now, first):
    assert commands(replace(ready, **changes), now)[0] == first


def test_every_command_named_is_one(ready):
    """`review` and `rerank` too."""
    verbs = set(typer.main.get_command(cli.app).commands)
    changes = ({}, {"planned": None}, {"files": 0}, {"briefed": None}, {"entries": 1}, {"reviewed": True})
    named = {
        step.command.split()[1]
        for change in changes
        for now in (LEAVE - 5 * HOURS, LEAVE, HOME + HOURS)
        for step in [*next_steps(replace(ready, **change), now), *next_steps(Folder(), now)]
        if step.command.startswith("searcher ")
    }
    assert named <= verbs
    assert len(named) >= 8


def test_it_says_hours_and_ages(ready):
    said = " ".join(describe(replace(ready, entries=1), LEAVE - 5 * HOURS))
    assert "Sat 17 Jan 05:00 AEDT to Sat 17 Jan 16:00 AEDT (in 5 h)" in said
    assert "Data: 3 files, the newest written 4 h ago." in said
    assert "Plan: made 3 h ago." in said
    assert "Log: 1 entry." in said
    assert "(under way)" in describe(ready, LEAVE + HOURS)[0]
    assert "(2 h ago)" in describe(ready, HOME + 2 * HOURS)[0]


def test_it_says_when_data_or_plan_are_too_old(ready):
    """The trip file's limit is 48 h."""
    fresh, stale = (replace(ready, fetched=LEAVE - hours * HOURS) for hours in (47, 49))
    assert not any("your limit" in text for text in describe(fresh, LEAVE - 5 * HOURS))
    assert any("more than 48 h old when you leave" in text for text in describe(stale, LEAVE - 5 * HOURS))
    edited = describe(replace(ready, edited=LEAVE - 6 * HOURS), LEAVE - 5 * HOURS)
    assert edited[-1] == "Plan: made 3 h ago, before trip.toml or the data were last changed."
    planned = describe(replace(ready, planned=LEAVE - 6 * HOURS), LEAVE - 5 * HOURS)
    assert planned[-1] == "Plan: made 60 min ago, after brief.html and what goes with it."


@pytest.mark.parametrize(
    ("hours", "said"),
    [(0.5, "in 30 min"), (-1.5, "90 min ago"), (5, "in 5 h"), (-47, "47 h ago"), (72, "in 3 days")],
)
def test_spans_are_said_as_people_say_them(hours, said):
    assert say_away(np.timedelta64(round(hours * 60), "m")) == said


def test_it_looks_and_changes_nothing(tmp_path):
    home = tmp_path / "saturday"
    write_trip(home, leave="2026-01-17 05:00", home_by="2026-01-17 16:00")
    assert look_into(tmp_path) == Folder(others=("saturday",))
    (home / "data").mkdir()
    (home / "data" / "sst.nc").write_bytes(b"")
    os.utime(home / "data" / "sst.nc", (1.0e9, 1.0e9))
    before = sorted(path.name for path in home.rglob("*"))
    found = look_into(home)
    assert sorted(path.name for path in home.rglob("*")) == before
    assert (found.trip, found.files, found.entries) == (read_trip(home), 1, 0)
    assert found.fetched == np.datetime64("2001-09-09T01:46:40")  # POSIX second 1e9
    words = parse_words("weed line")
    place = brief_plan.shapely.Point(153.5, -30.4)
    add_sighting(home, Sighting(words.kind, place, np.datetime64("2026-01-17T00:00", "ns")))
    assert look_into(home).entries == 1
    (home / "trip.toml").write_text("[port]\n", encoding="utf-8")
    assert "trip.toml" in look_into(home).problem


def test_tables_without_the_plan_are_no_plan(tmp_path):
    """`review` and `rerank` need plan.nc, whatever else lies there."""
    write_trip(tmp_path, leave="2026-01-17 05:00", home_by="2026-01-17 16:00")
    for name in ("legs.geojson", "brief.html"):
        (tmp_path / name).write_text("{}")
    assert look_into(tmp_path).planned is None
    assert "searcher review" not in next_step_text(tmp_path, now=HOME + HOURS)
    (tmp_path / PLAN_FILE).write_bytes(b"")
    assert look_into(tmp_path).planned is not None
    assert "searcher review" in next_step_text(tmp_path, now=HOME + HOURS)


def run_alone(folder: Path, monkeypatch, *options: str) -> str:
    monkeypatch.chdir(folder)
    out = StringIO()
    argv = patch.object(sys, "argv", ["searcher", *options])
    with argv, redirect_stdout(out), pytest.raises(SystemExit, match=r"^0$"):
        cli.main()
    return out.getvalue()


def test_searcher_alone_prints_it(tmp_path, monkeypatch):
    said = run_alone(tmp_path, monkeypatch)
    assert said == next_step_text(tmp_path, now=np.datetime64("now", "ns")) + "\n"
    assert re.search(r"(?m)^  searcher demo morning  \S", said)
    assert "searcher --help" in said


def test_searcher_alone_tells_a_program(tmp_path, monkeypatch):
    said = json.loads(run_alone(tmp_path, monkeypatch, "--json"))
    assert said["here"] == describe(Folder(), LEAVE)
    assert [step["command"] for step in said["next"]] == ["searcher demo morning", "searcher new saturday"]


def test_json_before_a_verb_is_told_where_it_goes():
    with pytest.raises(typer.BadParameter, match='behind the verb: "searcher plan --json"'):
        get_command(cli.app).main(["--json", "plan"], standalone_mode=False)


def test_file_names_suit_every_system(demo_folder):
    """No characters or names that Windows keeps for itself; none that differ in case only (nor on macOS)."""
    names = [path.relative_to(demo_folder).as_posix() for path in demo_folder.rglob("*")]
    assert len(names) > 15
    assert all(re.fullmatch(r"[A-Za-z0-9_.-]+", part) for name in names for part in name.split("/"))
    stems = {part.split(".")[0].lower() for name in names for part in name.split("/")}
    assert not stems & {
        "con",
        "prn",
        "aux",
        "nul",
        *(f"{port}{k}" for port in ("com", "lpt") for k in range(10)),
    }
    assert len({name.lower() for name in names}) == len(names)
    assert look_into(demo_folder).briefed is not None
