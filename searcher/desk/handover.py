"""The files of a what-if: into a sub-folder of their own, or in place of the trip's. All of them, or none."""

from __future__ import annotations

import os
import shutil
import tempfile
from itertools import count
from pathlib import Path

from searcher.brief import write_all
from searcher.errors import SearcherError
from searcher.keep import PLAN_FILE, save_plan
from searcher.plan import Plan

#: sub-folders are called by this and a number
NAME = "desk"


def write_aside(plan: Plan, folder: str | os.PathLike[str]) -> list[Path]:
    """All files of the hand-over in a new sub-folder (`desk-1` or the next), whole or not at all."""
    folder = Path(folder)
    scratch = _scratch(folder)
    try:
        names = [path.name for path in write_all(plan, scratch)]
        home = _take_name(scratch, folder)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return [home / name for name in names]


def write_over(plan: Plan, folder: str | os.PathLike[str]) -> list[Path]:
    """All files of the hand-over and plan.nc in place of the trip's own.

    All are written before the first takes its name; where one cannot (another program may hold it open),
    those of before take theirs again.
    """
    folder = Path(folder)
    scratch = _scratch(folder)
    try:
        made = [*write_all(plan, scratch), save_plan(plan, scratch / PLAN_FILE)]
        return _put_in_place(made, folder, aside=Path(tempfile.mkdtemp(dir=scratch)))
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def _put_in_place(made: list[Path], folder: Path, *, aside: Path) -> list[Path]:
    """Give files their names in a folder, those that were there going aside; all of them, or none."""
    done: list[Path] = []
    try:
        for path in made:
            place = folder / path.name
            if place.exists():
                place.replace(aside / path.name)
            done.append(place)
            path.replace(place)
    except OSError as error:
        for place in done:
            place.unlink(missing_ok=True)
        for path in aside.iterdir():
            path.replace(folder / path.name)
        name = Path(error.filename or folder).name
        raise SearcherError(
            f"{folder / name} cannot be replaced: {error.strerror or error}",
            hint="Nothing was changed. Close what holds it open, or write the files aside",
        ) from error
    return done


def _scratch(folder: Path) -> Path:
    try:
        return Path(tempfile.mkdtemp(prefix=f".{NAME}-", dir=folder))
    except OSError as error:
        raise SearcherError(f"nothing can be written in {folder}: {error.strerror or error}") from error


def _take_name(scratch: Path, folder: Path) -> Path:
    """Give the written folder the first name that is free."""
    scratch.chmod(0o755)
    for number in count(1):
        home = folder / f"{NAME}-{number}"
        if home.exists():
            continue
        try:
            return scratch.rename(home)
        except OSError as error:
            if not home.exists():  # not a name that was taken meanwhile
                raise SearcherError(f"{home} cannot be written: {error.strerror or error}") from error
    raise AssertionError("numbers do not end")
