"""The files of a what-if: into a sub-folder of their own, or in place of the trip's. All of them, or none."""

from __future__ import annotations

import os
import shutil
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from searcher.brief import write_all
from searcher.errors import SearcherError
from searcher.files import scratch_folder, write_together
from searcher.keep import PLAN_FILE, save_plan
from searcher.plan import Plan

if TYPE_CHECKING:
    from searcher.brief import Plotter

#: sub-folders are called by this and a number
NAME = "desk"


def write_aside(plan: Plan, folder: str | os.PathLike[str]) -> list[Path]:
    """All files of the hand-over in a new sub-folder (`desk-1` or the next), whole or not at all."""
    folder = Path(folder)
    scratch = scratch_folder(folder)
    try:
        names = [path.name for path in write_all(plan, scratch)]
        home = _take_name(scratch, folder)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    return [home / name for name in names]


def write_over(plan: Plan, folder: str | os.PathLike[str], *, plotter: Plotter | None = None) -> list[Path]:
    """All files of the hand-over (as `write_all`) and plan.nc in place of the trip's own: all, or none."""
    return write_together(
        folder,
        lambda scratch: [*write_all(plan, scratch, plotter=plotter), save_plan(plan, scratch / PLAN_FILE)],
    )


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
