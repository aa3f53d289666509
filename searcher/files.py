"""Files that appear whole or not at all: written beside their place, then renamed into it.

Files of which one is of no use with another of before, as box 3 of a table and box 3 of a plan, are written
together: all take their names, or none.
"""

from __future__ import annotations

import glob
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from searcher.errors import SearcherError

#: what a trip is called in its folder; here, since the built-in sea writes one and knows nothing of `trip`
TRIP_FILE = "trip.toml"
#: how netCDF begins what it says of a full disk, in a plain RuntimeError
NETCDF = "NetCDF: "
DAY = 86400.0
#: what Windows lets nobody have while another program looks at it, as scanners of new files do for a moment,
#: is tried again after so long, s; elsewhere a name that is refused stays so
WAITS = (0.02, 0.05, 0.1, 0.2, 0.4) if os.name == "nt" else ()
#: how a folder begins in which files are written that will take their names together
SCRATCH = ".together-"


@contextmanager
def whole_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """A path to write beside `path`; it takes that name if all goes well and is removed if not.

    Of several that write one name at once each has a path of its own, and what ends last stands. Where
    `path` is a link, the file it leads to is replaced. Raises `SearcherError` where there is no folder for
    it, or where it cannot be written.
    """
    path = Path(path)
    if not path.parent.is_dir():
        raise SearcherError(f"no folder {path.parent} to write {path.name} in", hint="Make it first")
    place = Path(os.path.realpath(path))
    _sweep(place)
    partial = place.with_name(f".{place.name}.{os.getpid()}-{os.urandom(4).hex()}.partial")
    try:
        yield partial
        _take_name(partial, place)
    except OSError as error:
        raise _unwritten(path, error.strerror or str(error)) from error
    except RuntimeError as error:
        if not str(error).startswith(NETCDF):
            raise
        raise _unwritten(path, f"{error}. Is the disk full?") from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)


def write_together(folder: str | os.PathLike[str], write: Callable[[Path], list[Path]]) -> list[Path]:
    """What `write` writes into a folder it is given, under the same names in `folder`: all of it, or nothing.

    All is written before the first file takes its name; where one cannot (another program may hold it open),
    those of before take theirs again. Returns the paths in `folder`, in the order of `write`. Raises
    `SearcherError` where that cannot be written in, and what `write` raises.
    """
    folder = Path(folder)
    scratch = scratch_folder(folder)
    try:
        made = write(scratch)
        return _put_in_place(made, folder, aside=Path(tempfile.mkdtemp(dir=scratch)))
    except SearcherError as error:  # said of the folder that was meant
        error.args = (str(error).replace(str(scratch), str(folder)),)
        raise
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def scratch_folder(folder: Path) -> Path:
    """A new hidden folder in another, for its caller to remove; those that killed runs left are swept."""
    with suppress(OSError):
        for left in folder.glob(f"{SCRATCH}*"):
            if time.time() - left.stat().st_mtime > DAY:
                shutil.rmtree(left, ignore_errors=True)
    try:
        return Path(tempfile.mkdtemp(prefix=SCRATCH, dir=folder))
    except OSError as error:
        raise SearcherError(f"nothing can be written in {folder}: {error.strerror or error}") from error


def _put_in_place(made: list[Path], folder: Path, *, aside: Path) -> list[Path]:
    """Give files their names in a folder, copies of those that were there going aside; all of them, or none.

    No name is ever without its file. A link stays, and what it leads to is replaced.
    """
    places = [folder / path.name for path in made]
    done: list[Path] = []
    try:
        for place in places:
            if place.exists():
                shutil.copy2(place, aside / place.name)
        for path, place in zip(made, places, strict=True):
            done.append(place)
            _replace(path, place)
    except (OSError, SearcherError) as error:
        for place in done:
            with suppress(OSError, SearcherError):
                kept = aside / place.name
                _replace(kept, place) if kept.exists() else place.unlink(missing_ok=True)
        stuck = done[-1] if done else folder
        raise SearcherError(
            f"{stuck} cannot be replaced: {getattr(error, 'strerror', None) or error}",
            hint="Nothing was changed. Close what holds it open and do this again",
        ) from error
    return places


def _replace(path: Path, place: Path) -> None:
    """Let a file take a name, or the place the link of that name leads to, on another disk too."""
    place = Path(os.path.realpath(place))
    if path.stat().st_dev == place.parent.stat().st_dev:
        _take_name(path, place)
    else:
        with whole_file(place) as partial:
            shutil.copyfile(path, partial)


def _take_name(path: Path, place: Path) -> None:
    """Rename a file, whatever had that name before."""
    for wait in WAITS:
        try:
            path.replace(place)
        except PermissionError:
            time.sleep(wait)
        else:
            return
    path.replace(place)


def _sweep(place: Path) -> None:
    """Remove what runs that were killed while they wrote a file left beside it, a day ago or more."""
    with suppress(OSError):
        for left in place.parent.glob(f".{glob.escape(place.name)}.*.partial"):
            if time.time() - left.stat().st_mtime > DAY:
                left.unlink()


def write_text(path: str | os.PathLike[str], text: str) -> Path:
    """Write UTF-8 text with plain line ends, whole or not at all."""
    with whole_file(path) as partial:
        partial.write_text(text, encoding="utf-8", newline="\n")
    return Path(path)


def make_folder(path: str | os.PathLike[str]) -> Path:
    """A folder and those above it, made where they are not; `SearcherError` where they cannot be."""
    path = Path(path)
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SearcherError(f"the folder {path} cannot be made: {error.strerror or error}") from error
    return path


def _unwritten(path: Path, reason: str) -> SearcherError:
    return SearcherError(f"{path} cannot be written: {reason}")
