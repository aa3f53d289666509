"""The word on the screen: what is under way and how long is left, and no colour where none is wanted."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from unittest.mock import patch

import pytest

from searcher.cli import progress
from searcher.cli.progress import Stages, recall, remember, say_left, showing_progress
from searcher.trip import write_trip

KNOWN = {"reading": 2.0, "finding": 6.0, "drawing": 4.0}


class Clock:
    """A clock that is set by hand."""

    now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A user without times of earlier runs, running `searcher brief`."""
    monkeypatch.setattr(progress.typer, "get_app_dir", lambda name: str(tmp_path / "apps" / name))
    monkeypatch.setattr(sys, "argv", ["searcher", "--quiet", "brief", "saturday"])
    return tmp_path / "apps" / "searcher" / "times.json"


def test_time_left_is_that_of_the_last_run():
    clock = Clock()
    stages = Stages(KNOWN, clock)
    assert stages.left() is None
    stages.begin("reading")
    assert stages.left() == pytest.approx(12.0)
    clock.now += 0.5
    assert stages.left() == pytest.approx(11.5)
    clock.now += 1.5
    stages.begin("finding")
    assert stages.left() == pytest.approx(10.0)
    clock.now += 60.0  # far longer than ever
    assert stages.left() == pytest.approx(4.0)


def test_a_slow_machine_is_noticed():
    """What took twice as long as before makes the rest take twice as long."""
    clock = Clock()
    stages = Stages(KNOWN, clock)
    stages.begin("reading")
    clock.now += 4.0
    stages.begin("finding")
    assert stages.left() == pytest.approx(20.0)
    clock.now += 12.0
    stages.begin("drawing")
    assert stages.left() == pytest.approx(8.0)


def test_a_step_that_is_new_has_no_time_and_the_others_keep_theirs():
    clock = Clock()
    stages = Stages(KNOWN, clock)
    stages.begin("reading")
    clock.now += 2.0
    stages.begin("preparing for first use: compiling")
    assert stages.left() is None
    clock.now += 30.0
    stages.begin("finding")
    assert stages.left() == pytest.approx(10.0)
    clock.now += 6.0
    stages.begin("")
    assert stages.learned() == {"reading": 2.0, "finding": 6.0}


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (None, ""),
        (1.9, ""),
        (2.1, "about 2 s left"),
        (13.0, "about 15 s left"),
        (89.0, "about 90 s left"),
        (150.0, "about 2 min left"),
    ],
)
def test_time_left_is_said_as_coarsely_as_it_is_known(seconds, said):
    assert say_left(seconds) == said


def test_times_are_kept_for_each_verb(home):
    assert recall("brief") == progress.USUAL["brief"]
    assert recall("other") == {}
    remember("brief", {"reach": 3.0})
    remember("plan", {"route": 4.0})
    remember("plan", {"route": 0.1})  # over before anyone wondered
    assert (recall("brief"), recall("plan")) == ({"reach": 3.0}, {"route": 4.0})
    home.write_text("[1, 2", encoding="utf-8")
    assert recall("brief") == progress.USUAL["brief"]
    remember("brief", {"reach": 5.0})
    assert recall("brief") == {"reach": 5.0}


def test_times_that_cannot_be_kept_do_no_harm(home):
    home.parent.parent.mkdir()
    home.parent.write_text("a file where the folder would be", encoding="utf-8")
    remember("brief", {"reach": 3.0})
    assert recall("brief") == progress.USUAL["brief"]


def fail_in_the_middle() -> None:
    with showing_progress(True) as step:
        step("reading")
        raise ValueError("no sea")


def test_a_run_is_remembered_and_a_failed_one_is_not(home):
    with patch.object(progress, "SHORTEST", 0.0):
        with pytest.raises(ValueError, match="no sea"):
            fail_in_the_middle()
        assert not home.exists()
        with showing_progress(True) as step:
            step("reading")
            step("drawing")
    assert list(json.loads(home.read_text(encoding="utf-8"))["brief"]) == ["reading", "drawing"]


def test_without_a_terminal_there_is_one_plain_line_a_step(home):
    with patch.object(sys, "stderr", io.StringIO()) as said, showing_progress(False) as step:
        step("reading")
        step("drawing [bold]")
    assert said.getvalue() == "... reading\n... drawing [bold]\n"
    assert not home.exists()


LOOP = """
import time
from searcher.cli.progress import showing_progress
with showing_progress(False) as step:
    step("drawing")
    time.sleep(0.5)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a pseudo-terminal")
@pytest.mark.parametrize("no_color", [None, "1"])
def test_colour_only_where_it_is_wanted(no_color, tmp_path):
    """The convention of NO_COLOR (no-color.org): set and not empty, no colour is added."""
    import pty

    ours, theirs = pty.openpty()
    environment = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "FORCE_COLOR")}
    environment |= {"TERM": "xterm-256color", "XDG_CONFIG_HOME": str(tmp_path)}
    environment |= {"NO_COLOR": no_color} if no_color else {}
    process = subprocess.Popen([sys.executable, "-c", LOOP], stdout=theirs, stderr=theirs, env=environment)
    os.close(theirs)
    said = b""
    try:
        while part := os.read(ours, 4096):
            said += part
    except OSError:  # Linux, when no one holds the other side any more
        pass
    os.close(ours)
    assert process.wait(300) == 0
    assert b"drawing" in said
    assert (b"\x1b[3" in said) == (no_color is None)


def test_an_old_code_page_is_no_error(tmp_path):
    """Output into a file on Windows: what its code page (here Western European) lacks is replaced."""
    write_trip(tmp_path, port_name="Łeba")
    done = subprocess.run(
        [sys.executable, "-m", "searcher.cli"],
        cwd=tmp_path,
        env=os.environ | {"PYTHONIOENCODING": "cp1252"},
        capture_output=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(b"?eba, ")


@pytest.mark.parametrize(
    ("words", "found"),
    [("searcher br", "brief"), ("searcher brief --gpx-p", "--gpx-points"), ("searcher re", "rerank review")],
)
def test_the_shell_completes_verbs_and_options(words, found):
    """As bash asks, by the script that `searcher --install-completion` puts in place."""
    asked = {"_SEARCHER_COMPLETE": "complete_bash", "COMP_WORDS": words}
    asked["COMP_CWORD"] = str(len(words.split()) - 1)
    code = "import sys; from searcher.cli import main; sys.argv = ['searcher']; main()"
    done = subprocess.run(
        [sys.executable, "-c", code], env=os.environ | asked, capture_output=True, text=True, timeout=300
    )
    assert done.stdout.split() == found.split(), done.stderr


def test_help_lists_the_verbs_as_a_day_needs_them_and_cuts_no_line():
    import typer

    from searcher import cli

    command = typer.main.get_command(cli.app)
    assert list(command.commands) == cli.ORDER
    for verb in command.commands.values():
        assert not verb.get_short_help_str(65).endswith("..."), verb.name
