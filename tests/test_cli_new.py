"""The questions of `searcher new`: asked on a terminal, never of a pipe."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from unittest.mock import patch

import pytest
import typer

from searcher import cli
from searcher.cli import ask
from searcher.cli.ask import QUESTIONS, ask_trip, understand
from searcher.trip import new_trip_text, parse_trip


def answering(*answers: str):
    """A way of asking that gives these answers in turn, and what was asked and shown."""
    asked, left = [], iter(answers)

    def answer(question: str, shown: str) -> str:
        asked.append((question, shown))
        return next(left)

    return answer, asked


def test_empty_answers_keep_what_is_shown():
    answer, asked = answering(*[""] * len(QUESTIONS))
    assert ask_trip({}, answer) == {}
    raw = tomllib.loads(new_trip_text())
    assert dict(asked)["Name of the port"] == raw["port"]["name"]
    assert dict(asked)["Where the boat lies"] == "30°24.3'S 153°04.8'E"
    assert dict(asked)["Home by"] == raw["window"]["home_by"]


def test_answers_become_a_trip_that_reads_back(tmp_path):
    answer, _ = answering(
        "Blue Harbour",
        "30 18.3 S 153 08.3 E",
        "153.175, -30.305",
        "Australia/Sydney",
        "2027-01-10 04:30",
        "16:15",
        "Tern",
    )
    fields = ask_trip({}, answer)
    trip = parse_trip(new_trip_text(**fields), tmp_path / "trip.toml")
    assert (trip.port.name, trip.boat.name) == ("Blue Harbour", "Tern")
    assert tuple(trip.port.at) == pytest.approx((153 + 8.3 / 60, -30 - 18.3 / 60), abs=1e-5)
    assert tuple(trip.port.sea_buoy) == (153.175, -30.305)
    assert trip.show.say_time(trip.window.start) == "Sun 10 Jan 04:30 AEDT"
    assert trip.show.say_time(trip.window.end) == "Sun 10 Jan 16:15 AEDT"


def test_what_is_given_is_not_asked_and_later_answers_follow_it():
    answer, asked = answering(*[""] * len(QUESTIONS))
    fields = ask_trip({"leave": "2027-01-10 05:00", "at": (10.0, 57.5)}, answer)
    assert fields == {"leave": "2027-01-10 05:00", "at": (10.0, 57.5)}
    shown = dict(asked)
    assert {"Leave (local time)", "Where the boat lies"}.isdisjoint(shown)
    assert shown["Home by"] == "2027-01-10 16:00"
    assert shown["Where open water begins"] == "57°30.0'N 010°00.0'E".replace("010", "10")


def test_what_is_not_understood_is_asked_again(capsys):
    answer, asked = answering("", "over there", "153.14, -30.305", "", "Mars/Base", "", "", "at noon", "", "")
    assert ask_trip({}, answer)["at"] == (153.14, -30.305)
    assert len(asked) == len(QUESTIONS) + 3
    said = capsys.readouterr().out
    assert "'over there' is not understood: such as 30°18.3'S" in said
    assert "'Mars/Base' is not understood: such as Australia/Sydney" in said
    assert "'at noon' is not understood" in said


def test_what_no_trip_can_have_is_asked_again_at_once(capsys):
    """A sea buoy typed latitude first, and a day that ends before it begins."""
    answer, asked = answering(
        "",
        "-76.53, 34.72",
        "34.62, -76.55",
        "-76.55, 34.62",
        "America/New_York",
        "2027-05-10 05:00",
        "04:00",
        "",
        "",
    )
    fields = ask_trip({}, answer)
    assert fields["sea_buoy"] == (-76.55, 34.62)
    assert "home_by" not in fields
    assert len(asked) == len(QUESTIONS) + 2
    said = capsys.readouterr().out
    assert "[port] sea_buoy: " in said
    assert "trip.toml line" not in said, "nobody has seen that file"
    assert "[window] home_by: " in said
    assert "expected a time after leave" in said


@pytest.mark.parametrize(
    ("name", "answer", "value"),
    [
        ("at", "57°30'N 10°15'E", (10.25, 57.5)),
        ("at", "153.14, -30.305", (153.14, -30.305)),
        ("at", "153.14, -97.0", None),
        ("timezone", "Europe/Oslo", "Europe/Oslo"),
        ("timezone", "../../etc/passwd", None),
        ("home_by", "5:30", "2027-01-10 05:30"),
        ("home_by", "17.30", "2027-01-10 17:30"),
        ("home_by", "25:00", None),
        ("leave", "2027-02-30 05:00", None),
        ("boat_name", 'The "Tern"', 'The "Tern"'),
    ],
)
def test_answers_are_taken_as_people_type_them(name, answer, value):
    assert understand(name, answer, "2027-01-10 16:00") == value


def test_a_pipe_is_never_asked(tmp_path):
    """With an open pipe that nothing is written to: to read from it would be to wait."""
    command = [sys.executable, "-m", "searcher.cli", "new", "saturday"]
    with subprocess.Popen(
        command, cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        out = process.stdout.read()
        assert process.wait(300) == 0
    assert "wrote" in out
    assert (tmp_path / "saturday" / "trip.toml").exists()


@pytest.mark.parametrize("flag", ["--no-ask", "--quiet", "--json"])
def test_some_flags_ask_nothing_even_on_a_terminal(tmp_path, flag):
    with patch.object(ask, "is_terminal", lambda: True), pytest.raises(SystemExit, match=r"^0$"):
        typer.main.get_command(cli.app)(["new", str(tmp_path / "saturday"), flag])
    assert (tmp_path / "saturday" / "trip.toml").exists()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a pseudo-terminal")
def test_on_a_terminal_it_asks(tmp_path):
    import pty

    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "searcher.cli", "new", "saturday"]
    process = subprocess.Popen(command, cwd=tmp_path, stdin=theirs, stdout=theirs, stderr=theirs)
    os.close(theirs)
    os.write(ours, b"Blue Harbour\n" + b"\n" * 8)
    said = read_all(ours)
    assert process.wait(300) == 0
    assert "Name of the port [Wirrin Harbour]" in said
    assert "Blue Harbour" in (tmp_path / "saturday" / "trip.toml").read_text(encoding="utf-8")


def read_all(handle: int) -> str:
    """What comes from a terminal until the other side is closed."""
    parts = []
    try:
        while part := os.read(handle, 4096):
            parts.append(part)
    except OSError:  # Linux, when no one holds the other side any more
        pass
    os.close(handle)
    return b"".join(parts).decode()
