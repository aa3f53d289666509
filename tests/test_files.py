"""Files appear whole or not at all: with several writers, through links, on a full disk."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest

from searcher import files
from searcher.errors import OutOfReach, SearcherError
from searcher.files import SCRATCH, make_folder, whole_file, write_text, write_together

WRITING = """
import sys
from searcher.files import write_text
path, letter = sys.argv[1:]
for _ in range(200):
    write_text(path, letter * 200_000)
    found = open(path, encoding="utf-8").read()
    assert len(found) == 200_000 and len(set(found)) == 1, "torn"
"""
#: netCDF on a disk that takes 64 kB of a file
FULL = """
import resource, sys
import netCDF4, numpy as np
from searcher.errors import SearcherError
from searcher.files import whole_file
resource.setrlimit(resource.RLIMIT_FSIZE, (65536, 65536))
try:
    with whole_file(sys.argv[1]) as partial, netCDF4.Dataset(partial, "w") as file:
        file.createDimension("x", 100_000)
        file.createVariable("noise", "f8", ("x",))[:] = np.random.default_rng(0).random(100_000)
except SearcherError as error:
    print(error)
"""


def test_several_writers_of_one_name_leave_a_whole_file(tmp_path):
    command = [sys.executable, "-c", WRITING, str(tmp_path / "x.json")]
    writers = [subprocess.Popen([*command, letter], stderr=subprocess.PIPE, text=True) for letter in "ab"]
    faults = [writer.communicate(timeout=120)[1] for writer in writers]
    assert [writer.returncode for writer in writers] == [0, 0], faults
    assert [path.name for path in tmp_path.iterdir()] == ["x.json"]


def test_a_name_another_program_looks_at_is_taken_a_moment_later(tmp_path, monkeypatch):
    """As on Windows, where a scanner holds a new file; what stays refused is told and left as it was."""
    place, plain, refused = tmp_path / "x.json", Path.replace, []

    def refuse(path, target):
        refused.append(path)
        if len(refused) <= most:
            raise PermissionError(13, "Access is denied")
        return plain(path, target)

    monkeypatch.setattr(Path, "replace", refuse)
    monkeypatch.setattr(files, "WAITS", (0.001, 0.001, 0.001))
    most = 3
    assert write_text(place, "new").read_text() == "new"
    assert len(refused) == 4
    refused.clear()
    most = 4
    with pytest.raises(SearcherError, match=r"x\.json cannot be written: Access is denied"):
        write_text(place, "newer")
    assert place.read_text() == "new"
    assert list(tmp_path.iterdir()) == [place]


def test_under_way_it_has_a_name_of_its_own_that_ends_in_partial(tmp_path):
    with whole_file(tmp_path / "x.json") as one, whole_file(tmp_path / "x.json") as other:
        assert one != other
        assert all(path.match(".x.json.*.partial") and path.parent == tmp_path for path in (one, other))
        for path in (one, other):
            path.write_text(path.name)
    assert [path.name for path in tmp_path.iterdir()] == ["x.json"]


def test_what_a_killed_run_left_is_removed_after_a_day(tmp_path):
    old, fresh, others = (
        tmp_path / f".{name}.partial" for name in ("x.json.1-a", "x.json.2-b", "y.json.1-a")
    )
    for path in (old, fresh, others):
        path.write_text("half")
    for path in (old, others):
        os.utime(path, (time.time() - 2 * 86400.0,) * 2)
    write_text(tmp_path / "x.json", "whole")
    assert {path.name for path in tmp_path.iterdir()} == {"x.json", fresh.name, others.name}


def test_a_link_stays_and_its_file_is_replaced(tmp_path):
    (tmp_path / "kept").mkdir()
    kept = write_text(tmp_path / "kept" / "real.json", "old")
    link = tmp_path / "x.json"
    link.symlink_to(kept)
    write_text(link, "new")
    assert link.is_symlink()
    assert kept.read_text() == "new"
    assert os.listdir(tmp_path / "kept") == ["real.json"]


def test_a_failure_leaves_the_file_of_before(tmp_path):
    path = write_text(tmp_path / "x.json", "old")

    def fail():
        with whole_file(path) as partial:
            partial.write_text("half")
            raise RuntimeError("a bug")

    with pytest.raises(RuntimeError, match="a bug"):
        fail()
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(sys.platform == "win32", reason="no limits of processes")
def test_a_full_disk_under_netcdf_is_said_and_nothing_is_left(tmp_path):
    command = [sys.executable, "-c", FULL, str(tmp_path / "sea.nc")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert "sea.nc cannot be written: NetCDF: HDF error. Is the disk full?" in done.stdout, done.stderr
    assert not list(tmp_path.iterdir())


def test_a_folder_that_cannot_be_made_is_told(tmp_path):
    assert make_folder(tmp_path / "a" / "b").is_dir()
    (tmp_path / "file").write_text("x")
    with pytest.raises(SearcherError, match=r"the folder .*data cannot be made"):
        make_folder(tmp_path / "file" / "data")


# ---- files that belong together

NAMES = ("brief.html", "map.png", "plan.nc", "route.gpx")


def write_all_new(scratch: Path) -> list[Path]:
    return [write_text(scratch / name, f"new {name}") for name in NAMES]


@pytest.fixture
def folder(tmp_path):
    """Files of before, but for a map."""
    for name in set(NAMES) - {"map.png"}:
        (tmp_path / name).write_text(f"{name} of before")
    return tmp_path


def texts(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text() for path in folder.iterdir()}


def test_files_take_their_names_together(folder, monkeypatch):
    """A program that looks at any moment finds every file that was there before."""
    rename, seen = Path.replace, []

    def replace_seen(path, target):
        rename(path, target)
        seen.append(set(NAMES) - {path.name for path in folder.iterdir()} <= {"map.png"})

    monkeypatch.setattr(Path, "replace", replace_seen)
    assert write_together(folder, write_all_new) == [folder / name for name in NAMES]
    assert texts(folder) == {name: f"new {name}" for name in NAMES}
    assert len(seen) >= len(NAMES)
    assert all(seen)


@pytest.mark.parametrize("stuck", NAMES)
def test_a_file_that_another_program_holds_open_leaves_all_as_it_was(folder, monkeypatch, stuck):
    """As on Windows, where no file that is open gives up its name."""
    before, rename = texts(folder), Path.replace

    def replace_unless_open(path, target):
        if Path(target) == folder / stuck:
            raise PermissionError(13, "in use by another program", str(path), None, str(target))
        return rename(path, target)

    monkeypatch.setattr(Path, "replace", replace_unless_open)
    with pytest.raises(SearcherError, match=f"{stuck} cannot be replaced: in use.*Nothing was changed"):
        write_together(folder, write_all_new)
    assert texts(folder) == before


def test_files_that_cannot_all_be_written_leave_all_as_it_was(folder):
    before = texts(folder)

    def write_some(scratch):
        return [write_text(scratch / "route.gpx", "new"), write_text(scratch / "none" / "plan.nc", "new")]

    with pytest.raises(SearcherError, match=re.escape(f"no folder {folder / 'none'} to write plan.nc in")):
        write_together(folder, write_some)
    assert texts(folder) == before


def test_together_too_a_link_stays_and_what_it_leads_to_is_replaced(folder, tmp_path_factory):
    away = tmp_path_factory.mktemp("away") / "brief.html"
    away.write_text("of before")
    (folder / "brief.html").unlink()
    (folder / "brief.html").symlink_to(away)
    write_together(folder, write_all_new)
    assert (folder / "brief.html").is_symlink()
    assert away.read_text() == "new brief.html"


def test_what_a_killed_run_wrote_together_is_removed_after_a_day(folder):
    old, fresh = (folder / f"{SCRATCH}{name}" for name in ("old", "fresh"))
    for left in (old, fresh):
        left.mkdir()
        (left / "plan.nc").write_text("half")
    os.utime(old, (time.time() - 2 * 86400.0,) * 2)
    write_together(folder, write_all_new)
    assert {path.name for path in folder.iterdir() if path.is_dir()} == {fresh.name}


def test_an_error_while_writing_together_stays_what_it_is(tmp_path):
    """Its kind and facts, told of the folder that was meant."""

    def fail(scratch):
        raise OutOfReach(f"{scratch / 'a'} is too far", given=3, hint="Go nearer")

    (tmp_path / "out").mkdir()
    with pytest.raises(OutOfReach, match="is too far") as caught:
        write_together(tmp_path / "out", fail)
    assert (caught.value.given, caught.value.hint) == (3, "Go nearer")
    assert str(tmp_path / "out" / "a") in str(caught.value)
    assert SCRATCH not in str(caught.value)
